package wardrobe

// The manifest: what belongs to a wardrobe. schema.json says the same for editors;
// a test holds the two together.

import (
	"fmt"
	"maps"
	"math"
	"os"
	"path"
	"path/filepath"
	"regexp"
	"slices"
	"strings"

	"github.com/selvage/selvage/transfer"
	"github.com/selvage/selvage/transfer/pass"
	"github.com/selvage/selvage/transfer/weights"
)

// Manifest of a wardrobe. Paths in it are relative to its folder, with slashes.
type Manifest struct {
	// File is where it was read from.
	File     string
	Bodies   []Body
	Garments []GarmentRule
	// LayerMode says whether outer garments take their rows from inner ones too, and
	// Layers are names or globs of garments, from the innermost to the outermost, with
	// LayersGiven.
	LayerMode LayerMode
	Layers    []Layer
	// Options of all garments.
	Options OptionSet
	// Output is the pattern of the files to write, with {body}, {garment} and {ext}.
	Output string
	// Report is the HTML page to write, with {body} where there are several bodies;
	// empty: none.
	Report string
	// Passes is the folder of pass records, may hold {body}; empty: edits in outputs
	// are not carried over.
	Passes string
	// Conflicts of all garments.
	Conflicts Conflicts

	output, report, passes place
}

// Conflicts says what is done where edit and transfer disagree.
type Conflicts struct {
	// Default for conflicts that no rule covers; nil: that of the wider ones, at last to
	// keep the edit.
	Default *pass.Choice
	// Rules in order; nil: those of the wider ones.
	Rules []pass.Rule

	place place // of the first key
}

// over are the conflicts c where it sets something, else those of wider.
func (c Conflicts) over(wider Conflicts) Conflicts {
	if c.Default == nil {
		c.Default = wider.Default
	}
	if c.Rules == nil {
		c.Rules = wider.Rules
	}
	return c
}

// policy of the conflicts.
func (c Conflicts) policy() pass.Policy {
	p := pass.Policy{Rules: c.Rules}
	if c.Default != nil {
		p.Default = *c.Default
	}
	return p
}

// Body of a wardrobe.
type Body struct {
	place
	Name string
	File string
	// Meshes are globs of node, mesh or material names; empty: every skinned mesh.
	Meshes []string

	file place
}

// GarmentRule picks files as garments.
type GarmentRule struct {
	place
	// Name of the garment; empty: the file's name without its ending. Only a rule
	// that picks a single file has one.
	Name string
	// Files and Except are globs of files; ** stands for any folders.
	Files, Except []Glob
	// Meshes are globs of node, mesh or material names; empty: every mesh.
	Meshes []string
	// Bodies are names or globs of the bodies that wear them; empty: all.
	Bodies []Glob
	// Options over the manifest's.
	Options OptionSet
	// Conflicts over the manifest's.
	Conflicts Conflicts
}

// Glob with its place in the manifest.
type Glob struct {
	place
	Pattern string
}

// Layer names the garments that lie at the same depth.
type Layer = Glob

// OptionSet are options that are set, by key in their order.
type OptionSet []option

type option struct {
	key   string
	apply func(*transfer.AssetOptions)
}

// Apply sets them in o.
func (s OptionSet) Apply(o *transfer.AssetOptions) {
	for _, x := range s {
		x.apply(o)
	}
}

// Version of the manifest's format.
const Version = 1

// ReadFile reads the manifest in a file.
func ReadFile(file string) (*Manifest, error) {
	text, err := os.ReadFile(file)
	if err != nil {
		return nil, err
	}
	return Read(text, file)
}

// Read reads a manifest from YAML; file appears in messages, and its folder is
// where paths begin. Its faults are *Fault with line and column, the first one in
// the text.
func Read(text []byte, file string) (*Manifest, error) {
	root, err := readTree(text, file)
	if err != nil {
		return nil, err
	}
	r := &reader{file: file}
	if root == nil {
		return nil, &Fault{File: file, Line: 1, Column: 1, What: "is empty"}
	}
	m := r.manifest(root)
	if err := r.first(); err != nil {
		return nil, err
	}
	return m, nil
}

// reader collects the faults on its way through the tree.
type reader struct {
	file   string
	faults []*Fault
}

func (r *reader) fail(at place, format string, args ...any) {
	r.faults = append(r.faults, at.fault(r.file, format, args...))
}

// fields of a mapping, by key.
type fields map[string]func(*node)

// mapping calls the field of every key; required keys must be there.
func (r *reader) mapping(n *node, what string, f fields, required ...string) bool {
	list, ok := n.value.([]entry)
	if !ok {
		r.fail(n.place, "%s is a mapping, not %s", what, kind(n))
		return false
	}
	seen, before := map[string]bool{}, len(r.faults)
	for _, e := range list {
		seen[e.key] = true
		if field, ok := f[e.key]; ok {
			field(e.value)
		} else {
			r.fail(e.place, "unknown key %q in %s%s", e.key, what, nearest(e.key, f))
		}
	}
	for _, key := range required {
		if !seen[key] && len(r.faults) == before { // a misspelt key is told as such
			r.fail(n.place, "%s needs %q", what, key)
		}
	}
	return true
}

// nearest proposes the key that was probably meant.
func nearest(key string, f fields) string {
	best, least := "", 3
	for k := range f {
		if d := distance(key, k); d < least || d == least && best != "" && k < best {
			best, least = k, d
		}
	}
	if best == "" {
		return ""
	}
	return fmt.Sprintf("; did you mean %q?", best)
}

// distance is the number of letters to insert, delete or change.
// Source: Wagner, Fischer, "The String-to-String Correction Problem", 1974.
func distance(a, b string) int {
	row := make([]int, len(b)+1)
	for j := range row {
		row[j] = j
	}
	for i := range len(a) {
		before := row[0]
		row[0] = i + 1
		for j := range len(b) {
			change := before
			if a[i] != b[j] {
				change++
			}
			before = row[j+1]
			row[j+1] = min(change, row[j]+1, row[j+1]+1)
		}
	}
	return row[len(b)]
}

// kind of a node's value, in words.
func kind(n *node) string {
	switch n.value.(type) {
	case nil:
		return "nothing"
	case bool:
		return "true or false"
	case int64, float64:
		return "a number"
	case string:
		return "text"
	case []*node:
		return "a list"
	}
	return "a mapping"
}

func (r *reader) text(n *node, what string) string {
	s, ok := n.value.(string)
	if !ok {
		r.fail(n.place, "%s is text, not %s", what, kind(n))
	} else if s == "" {
		r.fail(n.place, "%s is empty", what)
	}
	return s
}

// list calls item for every item of a list.
func (r *reader) list(n *node, what string, least int, item func(*node)) {
	list, ok := n.value.([]*node)
	if !ok {
		r.fail(n.place, "%s is a list, not %s", what, kind(n))
		return
	}
	if len(list) < least {
		r.fail(n.place, "%s is empty", what)
	}
	for _, x := range list {
		item(x)
	}
}

// globs are a list of patterns, or a single one.
func (r *reader) globs(n *node, what string) []Glob {
	var out []Glob
	one := func(x *node) {
		g := Glob{x.place, r.text(x, what)}
		for _, part := range strings.Split(g.Pattern, "/") {
			if _, err := path.Match(part, ""); err != nil {
				r.fail(x.place, "malformed pattern %q", g.Pattern)
				break
			}
		}
		out = append(out, g)
	}
	if _, ok := n.value.(string); ok {
		one(n)
	} else {
		r.list(n, what, 1, one)
	}
	return out
}

// names is globs without their places.
func (r *reader) names(n *node, what string) []string {
	var out []string
	for _, g := range r.globs(n, what) {
		out = append(out, g.Pattern)
	}
	return out
}

// nameShape is what a name may look like, as it becomes part of a path.
var nameShape = regexp.MustCompile(`^[^/\\{}*?\[\]\x00-\x1f]*[^/\\{}*?\[\]\x00-\x1f. ]$`)

func (r *reader) name(n *node, what string) string {
	s := r.text(n, what)
	if s != "" && !nameShape.MatchString(s) {
		r.fail(n.place, `%s: %q cannot be part of a path (no / \ { } * ? [ ], no dot or space at its end)`, what, s)
	}
	return s
}

func (r *reader) manifest(n *node) *Manifest {
	m := &Manifest{File: r.file}
	r.mapping(n, "the manifest", fields{
		"version": r.version,
		"bodies": func(n *node) {
			seen := map[string]bool{}
			r.list(n, "bodies", 1, func(n *node) {
				b := r.body(n)
				if b.Name != "" && seen[b.Name] {
					r.fail(n.place, "two bodies are named %q", b.Name)
				}
				seen[b.Name] = true
				m.Bodies = append(m.Bodies, b)
			})
		},
		"garments": func(n *node) {
			r.list(n, "garments", 1, func(n *node) { m.Garments = append(m.Garments, r.garment(n)) })
		},
		"layers": func(n *node) {
			if _, ok := n.value.(string); ok {
				m.LayerMode = []LayerMode{LayersOff, LayersFound}[word[int](r, n, "layers", "off", "found")]
			} else if n.value != nil {
				r.list(n, "layers", 0, func(n *node) {
					g := Glob{n.place, r.text(n, "a layer")}
					if _, err := path.Match(g.Pattern, ""); err != nil {
						r.fail(n.place, "malformed pattern %q", g.Pattern)
					}
					m.Layers, m.LayerMode = append(m.Layers, g), LayersGiven
				})
			}
		},
		"options": func(n *node) { m.Options = append(m.Options, r.options(n)...) },
		"output":  func(n *node) { m.Output, m.output = r.output(n), n.place },
		"report":  func(n *node) { m.Report, m.report = r.report(n), n.place },
		"passes":  func(n *node) { m.Passes, m.passes = r.passes(n), n.place },
	}.with(r.edits(&m.Options, &m.Conflicts)), "version", "bodies", "garments", "output")
	if c := m.Conflicts; m.Passes == "" {
		if c.set() {
			r.fail(c.place, `rules for conflicts need "passes", the folder of pass records`)
		}
		for i := range m.Garments {
			if c := m.Garments[i].Conflicts; c.set() {
				r.fail(c.place, `rules for conflicts need "passes", the folder of pass records`)
			}
		}
	}
	return m
}

// with are the fields of both.
func (f fields) with(more fields) fields {
	maps.Copy(f, more)
	return f
}

func (c *Conflicts) set() bool { return c.Default != nil || c.Rules != nil }

// edits are the keys on what artists have done: of the manifest, and of a garment
// over it.
func (r *reader) edits(options *OptionSet, c *Conflicts) fields {
	at := func(n *node) {
		if !c.set() {
			c.place = n.place
		}
	}
	type o = transfer.AssetOptions
	add := func(key string, apply func(*o)) { *options = append(*options, option{key, apply}) }
	return fields{
		"on-conflict": func(n *node) {
			at(n)
			x := word[pass.Choice](r, n, "on-conflict", pass.ChoiceNames[:]...)
			c.Default = &x
		},
		"conflict-rules": func(n *node) {
			at(n)
			c.Rules = []pass.Rule{}
			r.list(n, "conflict-rules", 0, func(n *node) {
				text := r.text(n, "a rule for conflicts")
				if text == "" {
					return
				}
				rule, err := pass.ParseRule(text)
				if err != nil {
					r.fail(n.place, "%v", err)
				}
				c.Rules = append(c.Rules, rule)
			})
		},
		"locks": func(n *node) {
			x := r.words(n, "locks", func(spec string) error { _, err := transfer.ParseLocks([]string{spec}); return err })
			add("locks", func(t *o) { t.Lock = x })
		},
		"lock-joints": func(n *node) {
			x := r.words(n, "lock-joints", func(glob string) error {
				if _, err := path.Match(glob, ""); err != nil {
					return fmt.Errorf("malformed pattern %q", glob)
				}
				return nil
			})
			add("lock-joints", func(t *o) { t.LockJoints = x })
		},
		"lock-blend": func(n *node) {
			x := r.number(n, "lock-blend", -1e6, 1e6)
			add("lock-blend", func(t *o) { t.LockBlend = x })
		},
	}
}

// words is a list of texts, or a single one; an empty list takes the wider one back.
func (r *reader) words(n *node, what string, check func(string) error) []string {
	var out []string
	one := func(n *node) {
		s := r.text(n, what)
		if s == "" {
			return
		}
		if err := check(s); err != nil {
			r.fail(n.place, "%v", err)
		}
		out = append(out, s)
	}
	if _, ok := n.value.(string); ok {
		one(n)
	} else {
		r.list(n, what, 0, one)
	}
	return out
}

func (r *reader) passes(n *node) string {
	s := r.text(n, "the folder of pass records")
	if s == "" {
		return s
	}
	if f := placeholders(s, "{body}"); f != "" {
		r.fail(n.place, "the folder of pass records %s", f)
	}
	return s
}

func (r *reader) body(n *node) Body {
	b := Body{place: n.place}
	r.mapping(n, "a body", fields{
		"name":   func(n *node) { b.Name = r.name(n, "the body's name") },
		"file":   func(n *node) { b.File, b.file = r.text(n, "the body's file"), n.place },
		"meshes": func(n *node) { b.Meshes = r.names(n, "the body's meshes") },
	}, "name", "file")
	return b
}

func (r *reader) garment(n *node) GarmentRule {
	g := GarmentRule{place: n.place}
	r.mapping(n, "a garment", fields{
		"name":    func(n *node) { g.Name = r.name(n, "the garment's name") },
		"files":   func(n *node) { g.Files = r.globs(n, "the garment's files") },
		"except":  func(n *node) { g.Except = r.globs(n, "the garment's exceptions") },
		"meshes":  func(n *node) { g.Meshes = r.names(n, "the garment's meshes") },
		"bodies":  func(n *node) { g.Bodies = r.globs(n, "the garment's bodies") },
		"options": func(n *node) { g.Options = append(g.Options, r.options(n)...) },
	}.with(r.edits(&g.Options, &g.Conflicts)), "files")
	return g
}

// placeholder of a pattern.
var placeholder = regexp.MustCompile(`\{[^{}]*\}`)

// placeholders returns a fault of a pattern that may hold the allowed ones only.
func placeholders(pattern string, allowed ...string) string {
	rest := placeholder.ReplaceAllStringFunc(pattern, func(p string) string {
		if slices.Contains(allowed, p) {
			return ""
		}
		return p
	})
	if strings.ContainsAny(rest, "{}") {
		return fmt.Sprintf("%q: braces hold %s only", pattern, strings.Join(allowed, ", "))
	}
	return ""
}

func (r *reader) output(n *node) string {
	s := r.text(n, "the output")
	if s == "" {
		return s
	}
	if f := placeholders(s, "{body}", "{garment}", "{ext}"); f != "" {
		r.fail(n.place, "the output %s", f)
	} else if !strings.Contains(s, "{garment}") {
		r.fail(n.place, "the output %q needs {garment}, so that every garment has a file of its own", s)
	} else if !strings.HasSuffix(s, "{ext}") && !isGLTF(s) {
		r.fail(n.place, "the output %q ends in neither .glb nor .gltf nor {ext}", s)
	}
	return s
}

// isGLTF reports whether a file's name ends as glTF files do.
func isGLTF(file string) bool {
	switch strings.ToLower(path.Ext(filepath.ToSlash(file))) {
	case ".glb", ".gltf":
		return true
	}
	return false
}

func (r *reader) report(n *node) string {
	s := r.text(n, "the report")
	if s == "" {
		return s
	}
	if f := CheckReport(s); f != "" {
		r.fail(n.place, "the report %s", f)
	}
	return s
}

// CheckReport returns what is wrong with the name of a report; empty: nothing.
func CheckReport(pattern string) string {
	if f := placeholders(pattern, "{body}"); f != "" {
		return f
	}
	switch strings.ToLower(path.Ext(filepath.ToSlash(pattern))) {
	case ".html", ".htm":
		return ""
	}
	return fmt.Sprintf("%q ends in neither .html nor .htm", pattern)
}

// whole returns a node's whole number.
func whole(n *node) (int64, bool) {
	switch v := n.value.(type) {
	case int64:
		return v, true
	case float64:
		if v == math.Trunc(v) && math.Abs(v) < 1<<53 {
			return int64(v), true
		}
	}
	return 0, false
}

func (r *reader) number(n *node, what string, low, high float64) float64 {
	var x float64
	switch v := n.value.(type) {
	case int64:
		x = float64(v)
	case float64:
		x = v
	default:
		r.fail(n.place, "%s is a number, not %s", what, kind(n))
		return 0
	}
	switch {
	case x < low && math.IsInf(high, 1):
		r.fail(n.place, "%s: %g is below %g", what, x, low)
	case x > high && math.IsInf(low, -1):
		r.fail(n.place, "%s: %g is above %g", what, x, high)
	case x < low || x > high:
		r.fail(n.place, "%s: %g is outside %g..%g", what, x, low, high)
	}
	return x
}

func (r *reader) integer(n *node, what string, low, high int64) int {
	v, ok := whole(n)
	if !ok {
		r.fail(n.place, "%s is a whole number, not %s", what, kind(n))
	} else if v < low || v > high {
		r.fail(n.place, "%s: %d is outside %d..%d", what, v, low, high)
	}
	return int(v)
}

// word returns the index of a word among words.
func word[T ~int](r *reader, n *node, what string, words ...string) T {
	s, ok := n.value.(string)
	i := slices.Index(words, s)
	if !ok {
		r.fail(n.place, "%s is one of %s, not %s", what, strings.Join(words, ", "), kind(n))
	} else if i < 0 {
		r.fail(n.place, "%s: %q is none of %s", what, s, strings.Join(words, ", "))
	}
	return T(max(i, 0))
}

func (r *reader) flag(n *node, what string) bool {
	b, ok := n.value.(bool)
	if !ok {
		r.fail(n.place, "%s is true or false, not %s", what, kind(n))
	}
	return b
}

// maxThreads bounds what is no slip of the finger.
const maxThreads = 4096

// options reads options under the names that they have on the command line.
func (r *reader) options(n *node) OptionSet {
	if n.value == nil {
		return nil // all of them commented out
	}
	var set OptionSet
	type o = transfer.AssetOptions
	add := func(key string, apply func(*o)) { set = append(set, option{key, apply}) }
	inf := math.Inf(1)
	number := func(key string, low, high float64, field func(*o) *float64) func(*node) {
		return func(n *node) {
			x := r.number(n, key, low, high)
			add(key, func(t *o) { *field(t) = x })
		}
	}
	integer := func(key string, low, high int64, field func(*o) *int) func(*node) {
		return func(n *node) {
			x := r.integer(n, key, low, high)
			add(key, func(t *o) { *field(t) = x })
		}
	}
	choice := func(key string, field func(*o) *transfer.Switch) func(*node) {
		return func(n *node) {
			x := word[transfer.Switch](r, n, key, "auto", "on", "off")
			add(key, func(t *o) { *field(t) = x })
		}
	}
	names := func(key string, field func(*o) *[]string) func(*node) {
		return func(n *node) {
			var x []string
			if list, ok := n.value.([]*node); !ok || len(list) > 0 { // an empty list takes the defaults back
				x = r.names(n, key)
			}
			add(key, func(t *o) { *field(t) = x })
		}
	}
	r.mapping(n, "options", fields{
		"reach":   number("reach", 0, 1e6, func(t *o) *float64 { return &t.Reach }),
		"falloff": number("falloff", -1e6, 1e6, func(t *o) *float64 { return &t.Falloff }),
		"fill": func(n *node) {
			x := word[transfer.Fill](r, n, "fill", "harmonic", "biharmonic")
			add("fill", func(t *o) { t.Fill = x })
		},
		"loose": choice("loose", func(t *o) *transfer.Switch { return &t.Loose }),
		"loose-stretch": func(n *node) {
			x := r.number(n, "loose-stretch", 0, 10)
			if x > 0 && x <= 1 {
				r.fail(n.place, "loose-stretch: %g is not above 1", x)
			}
			add("loose-stretch", func(t *o) { t.LooseStretch = x })
		},
		"loose-name":   names("loose-name", func(t *o) *[]string { return &t.LooseNames }),
		"rigid":        choice("rigid", func(t *o) *transfer.Switch { return &t.RigidIslands }),
		"rigid-name":   names("rigid-name", func(t *o) *[]string { return &t.RigidNames }),
		"registration": choice("registration", func(t *o) *transfer.Switch { return &t.Registration }),
		"allow-joint":  names("allow-joint", func(t *o) *[]string { return &t.AllowJoints }),
		"deny-joint":   names("deny-joint", func(t *o) *[]string { return &t.DenyJoints }),
		"keep-joint":   names("keep-joint", func(t *o) *[]string { return &t.KeepJoints }),
		"joint-map": func(n *node) {
			x := r.jointRules(n)
			add("joint-map", func(t *o) { t.JointMap = x })
		},
		"skin": func(n *node) {
			x := word[transfer.OutputSkin](r, n, "skin", "body", "own")
			add("skin", func(t *o) { t.Skin = x })
		},
		"max-influences": integer("max-influences", 0, 8, func(t *o) *int { return &t.MaxInfluences }),
		"prune-below":    number("prune-below", -inf, 0.5, func(t *o) *float64 { return &t.PruneBelow }),
		"format": func(n *node) {
			x := word[weights.Format](r, n, "format", "float", "u16", "u8")
			add("format", func(t *o) { t.Format = x })
		},
		"rigid-one-joint": func(n *node) {
			x := r.flag(n, "rigid-one-joint")
			add("rigid-one-joint", func(t *o) { t.OneJointIslands = x })
		},
		"plain": func(n *node) {
			x := r.flag(n, "plain")
			add("plain", func(t *o) { t.PlainRows = x })
		},
		"threads": integer("threads", 0, maxThreads, func(t *o) *int { return &t.Threads }),
	})
	return set
}
