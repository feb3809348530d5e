package pose

// The plan: what to pose, and how far. Its zero value is the default sweep; a
// YAML file may change any of it.

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"math"
	"path"
	"slices"
	"strings"

	"github.com/goccy/go-yaml"
	"github.com/goccy/go-yaml/ast"
	"github.com/goccy/go-yaml/parser"
)

// Plan says what to pose. The zero value works.
type Plan struct {
	// Angles of the sweep in degrees, each tried both ways about each local axis.
	// Nil: 45 and 90. An empty list: no turns but those of Poses.
	Angles []float64 `yaml:"angles"`
	// Move is how far joints are translated along each local axis, both ways, in
	// metres. Nil: 2% of the diagonal of the body's bounding box. 0: not at all.
	Move *float64 `yaml:"move"`
	// Scale are the factors by which joints are scaled along one local axis at a
	// time. Nil: 0.75 and 1.33. An empty list: none.
	Scale []float64 `yaml:"scale"`
	// Groups name lists of joints: names, or globs of names.
	Groups map[string][]string `yaml:"groups"`
	// Joints are rules for some joints. Where several name a joint, the later one
	// decides what it sets.
	Joints []JointRule `yaml:"joints"`
	// Poses are whole poses, checked after the sweep.
	Poses []WholePose `yaml:"poses"`
	// Limits override the defaults where they are not zero.
	Limits Limits `yaml:"limits"`
}

// JointRule sets the sweep of some joints.
type JointRule struct {
	// Joints are group names, joint names or globs of joint names.
	Joints []string `yaml:"joints"`
	// Skip leaves the joints out of the sweep.
	Skip bool `yaml:"skip"`
	// Angles in degrees, instead of the plan's.
	Angles []float64 `yaml:"angles"`
	// Range are the limits of the turn about each local axis, [low, high] in
	// degrees: angles beyond are cut to them.
	Range AxisRanges `yaml:"range"`
	// Importance of each local axis, 0 to 1; 0 leaves the axis out. What is not set
	// is guessed from the joint's geometry.
	Importance AxisNumbers `yaml:"importance"`
}

// AxisRanges are ranges by local axis; nil: no limit.
type AxisRanges struct {
	X *[2]float64 `yaml:"x"`
	Y *[2]float64 `yaml:"y"`
	Z *[2]float64 `yaml:"z"`
}

// AxisNumbers are numbers by local axis; nil: not set.
type AxisNumbers struct {
	X *float64 `yaml:"x"`
	Y *float64 `yaml:"y"`
	Z *float64 `yaml:"z"`
}

func (a *AxisRanges) of(k int) *[2]float64 { return [3]*[2]float64{a.X, a.Y, a.Z}[k] }
func (a *AxisNumbers) of(k int) *float64   { return [3]*float64{a.X, a.Y, a.Z}[k] }

// WholePose changes several joints at once.
type WholePose struct {
	Name string `yaml:"name"`
	// Importance of the pose in the ranking, 0 to 1. Nil: 1.
	Importance *float64 `yaml:"importance"`
	// Set are the changes. Several of one joint follow one another in its own frame.
	Set []JointChange `yaml:"set"`
}

// JointChange turns, moves or scales joints.
type JointChange struct {
	// Joints are group names, joint names or globs of joint names; each is changed.
	Joints []string `yaml:"joints"`
	// Turn in degrees about the local axes x, y, z, applied in that order.
	Turn [3]float64 `yaml:"turn"`
	// Move in metres along the local axes.
	Move [3]float64 `yaml:"move"`
	// Scale along the local axes. Nil: 1, 1, 1.
	Scale *[3]float64 `yaml:"scale"`
}

// PlanError is a fault of a plan, with its place.
type PlanError struct {
	File         string // that the plan was read from; empty where none was
	Line, Column int    // from 1; 0 where unknown
	Field        string // path of what is at fault, "joints[0].range.x" say; may be empty
	What         string
}

func (e *PlanError) Error() string {
	where := "plan"
	if e.File != "" {
		where = e.File
	}
	if e.Line > 0 {
		where = fmt.Sprintf("%s:%d:%d", where, e.Line, e.Column)
	}
	if e.Field != "" {
		where += ": " + e.Field
	}
	return where + ": " + e.What
}

// ReadPlan reads a plan from YAML; file appears in messages. Unknown and repeated
// keys are errors. All errors are *PlanError with line and column.
func ReadPlan(text []byte, file string) (p *Plan, err error) {
	// The decoder panics on some malformed tags (found by fuzzing).
	defer func() {
		if recover() != nil {
			p, err = nil, &PlanError{File: file, What: "cannot be read as YAML"}
		}
	}()
	p = &Plan{}
	d := yaml.NewDecoder(bytes.NewReader(text), yaml.Strict())
	if err := d.Decode(p); err != nil {
		if errors.Is(err, io.EOF) {
			return &Plan{}, nil // an empty file is the default sweep
		}
		e := &PlanError{File: file, What: err.Error()}
		var y yaml.Error
		if errors.As(err, &y) {
			e.What = y.GetMessage()
			if t := y.GetToken(); t != nil && t.Position != nil {
				e.Line, e.Column = t.Position.Line, t.Position.Column
			}
		}
		return nil, e
	}
	var more any
	if err := d.Decode(&more); !errors.Is(err, io.EOF) {
		return nil, &PlanError{File: file, What: "holds more than one YAML document"}
	}
	if where, what := p.fault(); what != "" {
		e := &PlanError{File: file, Field: strings.TrimPrefix(where, "$."), What: what}
		e.Line, e.Column = position(text, where)
		return nil, e
	}
	return p, nil
}

// position of a path in the text; zeros where it cannot be told.
func position(text []byte, where string) (line, column int) {
	f, err := parser.ParseBytes(text, 0)
	if err != nil {
		return 0, 0
	}
	p, err := yaml.PathString(where)
	if err != nil {
		return 0, 0
	}
	n, err := p.FilterFile(f)
	if err != nil || n == nil || n.GetToken() == nil {
		return 0, 0
	}
	// The token of a mapping or sequence is its first colon or dash.
	if m, ok := n.(*ast.MappingNode); ok && len(m.Values) > 0 {
		n = m.Values[0].Key
	} else if m, ok := n.(*ast.MappingValueNode); ok {
		n = m.Key
	}
	t := n.GetToken().Position
	return t.Line, t.Column
}

// Validate returns the first fault of a plan that was not read from a file, as a
// *PlanError. Nil is valid.
func (p *Plan) Validate() error {
	if p == nil {
		return nil
	}
	if where, what := p.fault(); what != "" {
		return &PlanError{Field: strings.TrimPrefix(where, "$."), What: what}
	}
	return nil
}

// fault returns where the first fault is, as a YAML path, and what it is.
func (p *Plan) fault() (where, what string) {
	angles := func(at string, list []float64) (string, string) {
		for i, a := range list {
			if !(a > 0 && a <= 180) {
				return fmt.Sprintf("%s[%d]", at, i), fmt.Sprintf("%g is not an angle above 0 and up to 180 degrees", a)
			}
		}
		return "", ""
	}
	if w, f := angles("$.angles", p.Angles); f != "" {
		return w, f
	}
	if p.Move != nil && !(*p.Move >= 0 && *p.Move < 1e6) {
		return "$.move", fmt.Sprintf("%g is not a distance in metres", *p.Move)
	}
	for i, s := range p.Scale {
		if !(s > 0 && s <= 10) {
			return fmt.Sprintf("$.scale[%d]", i), fmt.Sprintf("%g is not a factor above 0 and up to 10", s)
		}
	}
	names := make([]string, 0, len(p.Groups))
	for name := range p.Groups {
		names = append(names, name)
	}
	slices.Sort(names)
	for _, name := range names {
		for _, g := range p.Groups[name] {
			if _, err := path.Match(g, ""); err != nil {
				return "$.groups", fmt.Sprintf("malformed pattern %q in group %q", g, name)
			}
		}
	}
	joints := func(at string, list []string) (string, string) {
		if len(list) == 0 {
			return at, "names no joints"
		}
		for i, g := range list {
			if _, err := path.Match(g, ""); err != nil {
				return fmt.Sprintf("%s.joints[%d]", at, i), fmt.Sprintf("malformed pattern %q", g)
			}
		}
		return "", ""
	}
	share := func(at string, x *float64) (string, string) {
		if x != nil && !(*x >= 0 && *x <= 1) {
			return at, fmt.Sprintf("importance %g is outside 0..1", *x)
		}
		return "", ""
	}
	for i := range p.Joints {
		r := &p.Joints[i]
		at := fmt.Sprintf("$.joints[%d]", i)
		if w, f := joints(at, r.Joints); f != "" {
			return w, f
		}
		if w, f := angles(at+".angles", r.Angles); f != "" {
			return w, f
		}
		for k, axis := range axisNames {
			if x := r.Range.of(k); x != nil && !(x[0] >= -180 && x[0] <= 0 && x[1] >= 0 && x[1] <= 180) {
				return at + ".range." + axis, fmt.Sprintf("[%g, %g] does not go from -180..0 to 0..180 degrees", x[0], x[1])
			}
			if w, f := share(at+".importance."+axis, r.Importance.of(k)); f != "" {
				return w, f
			}
		}
	}
	for i := range p.Poses {
		w := &p.Poses[i]
		at := fmt.Sprintf("$.poses[%d]", i)
		if w.Name == "" {
			return at, "the pose has no name"
		}
		if len(w.Set) == 0 {
			return at, fmt.Sprintf("the pose %q sets nothing", w.Name)
		}
		if at, f := share(at+".importance", w.Importance); f != "" {
			return at, f
		}
		for k := range w.Set {
			c := &w.Set[k]
			at := fmt.Sprintf("%s.set[%d]", at, k)
			if w, f := joints(at, c.Joints); f != "" {
				return w, f
			}
			for _, x := range append(c.Turn[:], c.Move[:]...) {
				if math.IsNaN(x) || math.Abs(x) > 1e6 {
					return at, fmt.Sprintf("%g is out of range", x)
				}
			}
			if c.Scale != nil {
				for _, x := range c.Scale {
					if !(x > 0 && x <= 10) {
						return at + ".scale", fmt.Sprintf("%g is not a factor above 0 and up to 10", x)
					}
				}
			}
		}
	}
	for _, l := range p.Limits.list() {
		if !(*l.value >= 0) || math.IsInf(*l.value, 0) {
			return "$.limits." + string(l.kind), fmt.Sprintf("%g is not a limit", *l.value)
		}
	}
	return "", ""
}

// expander returns a function that gives the joints which a list of groups, names
// and globs stands for, ascending. Each word is looked up among the joints once.
func (p *Plan) expander(s *skeleton) func(list []string) []int {
	known := map[string][]int{}
	named := func(g string) []int {
		if list, ok := known[g]; ok {
			return list
		}
		var list []int
		for j := range s.skin.Joints {
			if ok, _ := path.Match(g, s.skin.Joints[j].Name); ok || s.skin.Joints[j].Name == g {
				list = append(list, j)
			}
		}
		known[g] = list
		return list
	}
	union := func(list []string, of func(string) []int) []int {
		in := make([]bool, len(s.skin.Joints))
		for _, g := range list {
			for _, j := range of(g) {
				in[j] = true
			}
		}
		var out []int
		for j, yes := range in {
			if yes {
				out = append(out, j)
			}
		}
		return out
	}
	groups := map[string][]int{}
	for name, list := range p.Groups {
		groups[name] = union(list, named)
	}
	return func(list []string) []int {
		return union(list, func(g string) []int {
			if group, ok := groups[g]; ok {
				return group
			}
			return named(g)
		})
	}
}
