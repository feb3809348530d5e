package pass

import (
	"fmt"
	"path"
	"slices"
	"strings"
)

// Choice is what becomes of a vertex where the transfer moved the row as far as
// the artist did, or where the artist's change cannot be carried over within bounds.
type Choice int

const (
	// KeepEdit keeps the artist's row as it is. The default.
	KeepEdit Choice = iota
	// KeepChange adds the artist's change to the new row, as where there is no
	// conflict.
	KeepChange
	// TakeNew takes the new transfer's row and gives up the edit; where the transfer moved
	// less than the artist did it is KeepEdit.
	TakeNew
)

// ChoiceNames are the words for the choices.
var ChoiceNames = [...]string{"keep-edit", "keep-change", "take-new"}

func (c Choice) String() string {
	if c < 0 || int(c) >= len(ChoiceNames) {
		return fmt.Sprintf("choice %d", int(c))
	}
	return ChoiceNames[c]
}

// ParseChoice is the inverse of Choice.String.
func ParseChoice(word string) (Choice, error) {
	for c, name := range ChoiceNames {
		if word == name {
			return Choice(c), nil
		}
	}
	return 0, fmt.Errorf("%q is none of %v", word, ChoiceNames)
}

// Policy decides about conflicts. The zero value keeps every edit.
type Policy struct {
	// Default is for conflicts that no rule covers.
	Default Choice
	// Rules in order: the first that covers a conflict decides.
	Rules []Rule
}

// Rule decides about some conflicts: those that meet all its conditions.
type Rule struct {
	// Garment is a glob of the garment's name (path.Match syntax), with or without its
	// ending .glb or .gltf; empty: any.
	Garment string
	// Joint is a glob of the names of joints whose weight the edit changed: one of
	// them must match. Empty: any.
	Joint string
	// Mask marks the vertices of the new garment that the rule is for; nil: all.
	Mask []bool
	// MaskAttribute, where it is not empty, names an attribute of one number a vertex
	// that Run makes Mask of: vertices with 0.5 or more.
	MaskAttribute string
	// Choice is what is done.
	Choice Choice
}

// ParseRule reads joint:GLOB=WORD, garment:GLOB=WORD or mask:ATTRIBUTE=WORD, where
// WORD is one of ChoiceNames.
func ParseRule(text string) (Rule, error) {
	bad := fmt.Errorf("%q is not joint:GLOB=WORD, garment:GLOB=WORD or mask:ATTRIBUTE=WORD", text)
	i := strings.LastIndexByte(text, '=')
	if i < 0 {
		return Rule{}, bad
	}
	kind, name, named := strings.Cut(text[:i], ":")
	if !named || name == "" {
		return Rule{}, bad
	}
	choice, err := ParseChoice(text[i+1:])
	if err != nil {
		return Rule{}, err
	}
	r := Rule{Choice: choice}
	switch kind {
	case "joint":
		r.Joint = name
	case "garment":
		r.Garment = name
	case "mask":
		// As in regions: an attribute of an application's own begins with an underscore.
		if r.MaskAttribute = name; !strings.HasPrefix(name, "_") {
			r.MaskAttribute = "_" + name
		}
	default:
		return Rule{}, bad
	}
	if _, err := path.Match(name, ""); err != nil && kind != "mask" {
		return Rule{}, fmt.Errorf("malformed pattern %q", name)
	}
	return r, nil
}

// Validate returns an error for a malformed pattern or an unknown choice.
func (p *Policy) Validate() error {
	if p.Default < 0 || int(p.Default) >= len(ChoiceNames) {
		return fmt.Errorf("policy: unknown %v", p.Default)
	}
	for i, r := range p.Rules {
		for _, g := range []string{r.Garment, r.Joint} {
			if _, err := path.Match(g, ""); err != nil {
				return fmt.Errorf("policy: rule %d: malformed pattern %q", i, g)
			}
		}
		if r.Choice < 0 || int(r.Choice) >= len(ChoiceNames) {
			return fmt.Errorf("policy: rule %d: unknown %v", i, r.Choice)
		}
	}
	return nil
}

// Covers reports whether a rule is for a garment, by name alone.
func (r *Rule) Covers(garment string) bool {
	if r.Garment == "" {
		return true
	}
	bare := garment
	if ext := path.Ext(garment); strings.EqualFold(ext, ".glb") || strings.EqualFold(ext, ".gltf") {
		bare = strings.TrimSuffix(garment, ext)
	}
	for _, name := range []string{garment, bare} {
		if ok, _ := path.Match(r.Garment, name); ok {
			return true
		}
	}
	return false
}

// Idle are sentences on rules for garments of which there is none among those named:
// all that a run has.
func (p *Policy) Idle(garments ...string) (notes []string) {
	for _, r := range p.Rules {
		if !slices.ContainsFunc(garments, r.Covers) {
			notes = append(notes, fmt.Sprintf("no garment is named %q: the rule for its conflicts does nothing", r.Garment))
		}
	}
	return notes
}

// idleRules are sentences on rules for joints that the garment does not have; of a
// garment that is alone, as in a merge, also on those for other garments.
func (in *Input) idleRules(joints []Joint) (notes []string) {
	if in.From == nil { // in a transfer the caller knows what other garments there are
		notes = in.Policy.Idle(in.Garment)
	}
	for _, r := range in.Policy.Rules {
		matches := func(j Joint) bool { ok, _ := path.Match(r.Joint, j.Name); return ok }
		if r.Joint != "" && r.Covers(in.Garment) && !slices.ContainsFunc(joints, matches) {
			notes = append(notes, fmt.Sprintf("no joint is named %q: the rule for its conflicts does nothing", r.Joint))
		}
	}
	return notes
}

// choose decides about vertex v of a garment; changed are the joints of the edit.
func (p *Policy) choose(garment string, v int, joints []Joint, changed []uint16) Choice {
	for i := range p.Rules {
		r := &p.Rules[i]
		if !r.Covers(garment) || r.Mask != nil && (v >= len(r.Mask) || !r.Mask[v]) {
			continue
		}
		if r.Joint != "" {
			covered := false
			for _, j := range changed {
				ok, _ := path.Match(r.Joint, joints[j].Name)
				covered = covered || ok
			}
			if !covered {
				continue
			}
		}
		return r.Choice
	}
	return p.Default
}
