package transfer

import (
	"fmt"
	"path"
)

// matchesAny reports whether one of the names matches one of the globs
// (path.Match syntax, whole name, case-sensitive).
func matchesAny(globs []string, names ...string) bool {
	for _, g := range globs {
		for _, n := range names {
			if ok, err := path.Match(g, n); err == nil && ok {
				return true
			}
		}
	}
	return false
}

// checkGlobs returns an *OptionError for the first malformed glob.
func checkGlobs(option string, globs []string) error {
	for _, g := range globs {
		if _, err := path.Match(g, ""); err != nil {
			return &OptionError{Option: option, Reason: "malformed pattern " + g}
		}
	}
	return nil
}

// idleGlobs returns the globs that match none of the names.
func idleGlobs(globs []string, names ...string) []string {
	var idle []string
	for _, g := range globs {
		if !matchesAny([]string{g}, names...) {
			idle = append(idle, g)
		}
	}
	return idle
}

// noteIdle says which globs of the options name no part of the garment.
func noteIdle(g *Garment, opt *Options) (notes []string) {
	var parts []string
	for _, p := range g.Parts {
		parts = append(parts, p.Node, p.Mesh, p.Material)
	}
	for _, glob := range idleGlobs(opt.RigidNames, parts...) {
		notes = append(notes, fmt.Sprintf("no part of the garment is named %q: nothing is rigid by that", glob))
	}
	for _, glob := range idleGlobs(opt.LooseNames, parts...) {
		notes = append(notes, fmt.Sprintf("no part of the garment is named %q: nothing is loose by that", glob))
	}
	return notes
}

// namedVertices marks the welded vertices of the parts that the globs name by
// node, mesh or material; nil where there are no globs.
func (g *target) namedVertices(globs []string) []bool {
	if len(globs) == 0 {
		return nil
	}
	named := make([]bool, len(g.position))
	for _, p := range g.garment.Parts {
		if !matchesAny(globs, p.Node, p.Mesh, p.Material) {
			continue
		}
		for v := p.Start; v < p.End; v++ {
			named[g.welded.ToWelded[v]] = true
		}
	}
	return named
}

// joints is the number of joints that the garment's rows may refer to: the
// body's, its own, and those it keeps.
func (g *target) joints(s *Source) int {
	n := len(s.body.Skin.Joints)
	if g.garment.Skin != nil {
		n = max(n, len(g.garment.Skin.Joints))
	}
	if h := g.garment.Held; h != nil {
		n = max(n, len(h.Joints))
		if h.Rows != nil {
			for _, j := range h.Rows.Joint {
				n = max(n, int(j)+1)
			}
		}
	}
	if g.garment.Kept != nil {
		for _, j := range g.garment.Kept.Joint {
			n = max(n, int(j)+1)
		}
	}
	return n
}
