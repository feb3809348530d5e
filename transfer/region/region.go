package region

import (
	"context"
	"fmt"
	"math"
	"path"
	"slices"
	"strconv"
	"strings"

	"github.com/selvage/selvage/transfer/gltfio"
	"github.com/selvage/selvage/transfer/skinning"
	"gonum.org/v1/gonum/spatial/r3"
)

// SpecError reports a spec that is none.
type SpecError struct {
	Spec   string
	Reason string
}

func (e *SpecError) Error() string { return fmt.Sprintf("region %q: %s", e.Spec, e.Reason) }

// MissingError reports a garment that lacks what a spec asks for: an attribute,
// colours, or weights at all.
type MissingError struct {
	Spec string
	File string
	What string
}

func (e *MissingError) Error() string { return fmt.Sprintf("region %q: %s %s", e.Spec, e.File, e.What) }

// painted is the value from which on a vertex counts as painted.
const painted = 0.5

// kind of a spec.
type kind int

const (
	byAttribute kind = iota
	byColor
	byJoint
	byBox
	byDistance
	byMesh
)

// spec is one parsed spec.
type spec struct {
	text    string
	kind    kind
	name    string // attribute, or glob
	channel int    // of a colour; -1: red alone
	lo, hi  r3.Vec
	metres  float64
}

// Set is a region: any number of specs. The zero value holds no vertex. It is
// read-only and safe for concurrent use.
type Set struct{ specs []spec }

// Parse reads specs. Errors: *SpecError for the first that is none.
func Parse(list []string) (*Set, error) {
	s := &Set{}
	for _, text := range list {
		p, err := parse(text)
		if err != nil {
			return nil, err
		}
		s.specs = append(s.specs, p)
	}
	return s, nil
}

// Empty reports whether the set has no spec.
func (s *Set) Empty() bool { return len(s.specs) == 0 }

// Each returns the specs as sets of one.
func (s *Set) Each() []*Set {
	out := make([]*Set, len(s.specs))
	for i := range out {
		out[i] = &Set{specs: s.specs[i : i+1 : i+1]}
	}
	return out
}

// ByRows reports whether the set picks vertices by their rows: other rows, another region.
func (s *Set) ByRows() bool {
	return slices.ContainsFunc(s.specs, func(p spec) bool { return p.kind == byJoint })
}

// Attributes are the names of the vertex attributes that the set reads, and the number of
// their components: 1, or 4 for colours.
func (s *Set) Attributes() map[string]int {
	out := map[string]int{}
	for _, p := range s.specs {
		switch p.kind {
		case byAttribute:
			out[p.name] = 1
		case byColor:
			out[p.name] = 4
		}
	}
	return out
}

// String lists the specs as they were written, with a comma and a space between.
func (s *Set) String() string {
	var text []string
	for _, p := range s.specs {
		text = append(text, p.text)
	}
	return strings.Join(text, ", ")
}

func parse(text string) (spec, error) {
	p := spec{text: text}
	bad := func(format string, args ...any) (spec, error) {
		return spec{}, &SpecError{text, fmt.Sprintf(format, args...)}
	}
	word, rest, ok := strings.Cut(text, ":")
	if !ok {
		word, rest = "attribute", text
	}
	if rest == "" {
		return bad("says nothing after %q", word)
	}
	switch word {
	case "attribute":
		p.kind, p.name = byAttribute, rest
		if !strings.HasPrefix(rest, "_") {
			p.name = "_" + rest
		}
	case "color":
		number, letter, chosen := strings.Cut(rest, ".")
		n, err := strconv.Atoi(number)
		if err != nil || n < 0 || strconv.Itoa(n) != number {
			return bad("%q is not the number of a colour set", number)
		}
		p.kind, p.name, p.channel = byColor, "COLOR_"+number, -1
		if chosen {
			if p.channel = strings.Index("rgba", letter); p.channel < 0 || len(letter) != 1 {
				return bad("%q is none of the channels r, g, b, a", letter)
			}
		}
	case "joint", "mesh":
		if p.kind = byMesh; word == "joint" {
			p.kind = byJoint
		}
		p.name = rest
	case "box":
		x, err := numbers(rest)
		if err != nil {
			return bad("%v", err)
		}
		if len(x) != 6 {
			return bad("has %d numbers, want 6: two opposite corners in metres", len(x))
		}
		p.kind = byBox
		p.lo = r3.Vec{X: min(x[0], x[3]), Y: min(x[1], x[4]), Z: min(x[2], x[5])}
		p.hi = r3.Vec{X: max(x[0], x[3]), Y: max(x[1], x[4]), Z: max(x[2], x[5])}
	case "near":
		i := strings.LastIndex(rest, ":")
		if i < 0 {
			return bad("has no distance: want near:GLOB:METRES")
		}
		x, err := numbers(rest[i+1:])
		if err != nil {
			return bad("%v", err)
		}
		if len(x) != 1 || x[0] < 0 {
			return bad("%q is not a distance in metres", rest[i+1:])
		}
		p.kind, p.name, p.metres = byDistance, rest[:i], x[0]
		if p.name == "" {
			return bad("names no joint")
		}
	default:
		return bad("%q is none of attribute, color, joint, box, near, mesh", word)
	}
	if p.kind == byJoint || p.kind == byMesh || p.kind == byDistance {
		if _, err := path.Match(p.name, ""); err != nil {
			return bad("malformed pattern %q", p.name)
		}
	}
	return p, nil
}

// numbers reads finite numbers with commas between them.
func numbers(text string) ([]float64, error) {
	var out []float64
	for _, word := range strings.Split(text, ",") {
		x, err := strconv.ParseFloat(strings.TrimSpace(word), 64)
		if err != nil || math.IsNaN(x) || math.IsInf(x, 0) {
			return nil, fmt.Errorf("%q is not a finite number", word)
		}
		out = append(out, x)
	}
	return out, nil
}

// Vertices marks the vertices of surface, which was read from asset, that the
// region holds. near looks for joints in skin and, for names that it lacks, in the
// surface's own skin; either may be nil. notes are sentences on specs that picked
// nothing. Errors: *MissingError, faults of the asset, ctx's. O(vertices) for each
// spec and bone.
func (s *Set) Vertices(ctx context.Context, asset *gltfio.Asset, surface *gltfio.Surface, skin *skinning.Skin) (mask []bool, notes []string, err error) {
	asset = asset.WithContext(ctx)
	mask = make([]bool, surface.Mesh.NumVertices())
	for i := range s.specs {
		p := &s.specs[i]
		if ctx.Err() != nil {
			return nil, nil, ctx.Err()
		}
		picks, why, err := p.picker(asset, surface, skin)
		if err != nil {
			return nil, nil, err
		}
		any := false
		for v := range mask {
			if v%4096 == 0 && ctx.Err() != nil {
				return nil, nil, ctx.Err()
			}
			if picks != nil && picks(v) {
				mask[v], any = true, true
			}
		}
		if !any {
			notes = append(notes, fmt.Sprintf("region %q picks no vertex%s", p.text, why))
		}
	}
	return mask, notes, nil
}

// picker returns what tells whether a spec picks a vertex, nil where it picks none,
// and the end of a sentence that says why.
func (p *spec) picker(asset *gltfio.Asset, surface *gltfio.Surface, skin *skinning.Skin) (picks func(v int) bool, why string, err error) {
	missing := func(format string, args ...any) (func(int) bool, string, error) {
		return nil, "", &MissingError{p.text, asset.Name, fmt.Sprintf(format, args...)}
	}
	switch p.kind {
	case byAttribute:
		x, err := asset.Scalars(surface, p.name)
		if err != nil {
			return nil, "", err
		}
		if x == nil {
			return missing("has no vertex attribute %q of one number", p.name)
		}
		return func(v int) bool { return x[v] >= painted }, "", nil

	case byColor:
		var channel [4][]float64
		for k := range channel {
			if k != p.channel && (p.channel >= 0 || k == 3) {
				continue
			}
			if channel[k], err = asset.Channel(surface, p.name, k); err != nil {
				return nil, "", err
			}
			if channel[k] == nil {
				return missing("has no colours %q", p.name)
			}
		}
		if p.channel >= 0 {
			x := channel[p.channel]
			return func(v int) bool { return x[v] >= painted }, "", nil
		}
		return func(v int) bool {
			return channel[0][v] >= painted && channel[1][v] < painted && channel[2][v] < painted
		}, "", nil

	case byJoint:
		if surface.Rows == nil {
			return missing("has no weights")
		}
		match := matching(p.name, surface.Skin)
		if !slices.Contains(match, true) {
			return nil, ": no joint has that name", nil
		}
		return func(v int) bool {
			joint, weight := surface.Rows.Row(v)
			theirs, all := 0.0, 0.0
			for i, j := range joint {
				all += weight[i]
				if match[j] {
					theirs += weight[i]
				}
			}
			return 2*theirs > all
		}, "", nil

	case byBox:
		return func(v int) bool {
			q := surface.Mesh.Positions[v]
			return q.X >= p.lo.X && q.X <= p.hi.X && q.Y >= p.lo.Y && q.Y <= p.hi.Y && q.Z >= p.lo.Z && q.Z <= p.hi.Z
		}, "", nil

	case byDistance:
		if skin == nil && surface.Skin == nil {
			return missing("has no joints")
		}
		list := bones(p.name, skin, nil)
		list = append(list, bones(p.name, surface.Skin, skin)...)
		if len(list) == 0 {
			return nil, ": no joint has that name", nil
		}
		return func(v int) bool {
			for _, b := range list {
				if b.distanceSq(surface.Mesh.Positions[v]) <= p.metres*p.metres {
					return true
				}
			}
			return false
		}, "", nil
	}
	// byMesh
	in := make([]bool, surface.Mesh.NumVertices())
	why = ": no node, mesh or material has that name"
	for _, part := range surface.Parts {
		for _, name := range []string{part.Node, part.Mesh, part.Material} {
			if ok, _ := path.Match(p.name, name); ok {
				for v := part.Start; v < part.End; v++ {
					in[v] = true
				}
				break
			}
		}
	}
	return func(v int) bool { return in[v] }, why, nil
}

// matching tells which joints of a skin, which may be nil, a glob names.
func matching(glob string, skin *skinning.Skin) []bool {
	if skin == nil {
		return nil
	}
	out := make([]bool, len(skin.Joints))
	for j := range out {
		out[j], _ = path.Match(glob, skin.Joints[j].Name)
	}
	return out
}

// bone is a segment; both ends are the same for a joint without children.
type bone [2]r3.Vec

// distanceSq is the squared distance of q from the segment.
// Source: Ericson, Real-Time Collision Detection (2005), section 5.1.2.
func (b bone) distanceSq(q r3.Vec) float64 {
	along := r3.Sub(b[1], b[0])
	t := 0.0
	if l := r3.Norm2(along); l > 0 {
		t = min(max(r3.Dot(r3.Sub(q, b[0]), along)/l, 0), 1)
	}
	return r3.Norm2(r3.Sub(q, r3.Add(b[0], r3.Scale(t, along))))
}

// bones lists those of the joints of a skin that a glob names and that instead,
// which is looked at first, has under no name; both may be nil.
func bones(glob string, skin, instead *skinning.Skin) []bone {
	match := matching(glob, skin)
	var out []bone
	for j, ok := range match {
		if !ok || instead != nil && slices.ContainsFunc(instead.Joints, func(k skinning.Joint) bool { return k.Name == skin.Joints[j].Name }) {
			continue
		}
		from := skin.Joints[j].Global.T
		leaf := true
		for k := range skin.Joints {
			if skin.Joints[k].Parent == j {
				out, leaf = append(out, bone{from, skin.Joints[k].Global.T}), false
			}
		}
		if leaf {
			out = append(out, bone{from, from})
		}
	}
	return out
}
