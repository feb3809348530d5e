package retouch

import (
	"bytes"
	"context"
	"encoding/binary"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"
	"sync"
	"testing"

	"github.com/selvage/selvage/transfer"
	"github.com/selvage/selvage/transfer/crew"
	"github.com/selvage/selvage/transfer/gltfio"
	"github.com/selvage/selvage/transfer/region"
	"gonum.org/v1/gonum/spatial/r3"
)

// theCox is a small body, whose rows are normalised bytes; theHand's are floats.
var (
	theCox   = sync.OnceValue(func() []byte { return glbOf(crew.NewBodyAt("cox", 0.3)) })
	thePilot = sync.OnceValue(func() []byte { return glbOf(crew.NewBodyAt("pilot", 0.3)) })
)

func glbOf(b *crew.Body) []byte {
	var out bytes.Buffer
	if err := b.WriteGLB(&out); err != nil {
		panic(err)
	}
	return out.Bytes()
}

func parse(t testing.TB, data []byte) *gltfio.Asset {
	t.Helper()
	a, err := gltfio.Parse(data, "body.glb", gltfio.Options{})
	if err != nil {
		t.Fatal(err)
	}
	return a
}

func encode(t testing.TB, a *gltfio.Asset) []byte {
	t.Helper()
	var out bytes.Buffer
	if err := a.Encode(&out); err != nil {
		t.Fatal(err)
	}
	return out.Bytes()
}

// document is the JSON of a GLB, and its binary chunk.
func document(t testing.TB, data []byte) (map[string]any, []byte) {
	t.Helper()
	n := int(binary.LittleEndian.Uint32(data[12:]))
	var doc map[string]any
	if err := json.Unmarshal(data[20:20+n], &doc); err != nil {
		t.Fatal(err)
	}
	return doc, data[20+n+8:]
}

// accessorBytes are the bytes of an attribute of the first primitive: a view into data.
func accessorBytes(t testing.TB, data []byte, attribute string) []byte {
	t.Helper()
	doc, chunk := document(t, data)
	get := func(v any, path ...any) any {
		for _, p := range path {
			switch k := p.(type) {
			case int:
				v = v.([]any)[k]
			case string:
				v = v.(map[string]any)[k]
			}
		}
		return v
	}
	i := get(doc, "meshes", 0, "primitives", 0, "attributes", attribute)
	view := get(doc, "bufferViews", int(get(doc, "accessors", int(i.(float64)), "bufferView").(float64)))
	offset := 0
	if x, ok := get(view, "byteOffset").(float64); ok {
		offset = int(x)
	}
	return chunk[offset : offset+int(get(view, "byteLength").(float64))]
}

// requests are one of each operation.
func requests() map[string]Request {
	return map[string]Request{
		"fill":       {Mask: []string{"near:forearm.left:0.06"}, Fill: &FillRequest{}},
		"biharmonic": {Mask: []string{"joint:shin*"}, Fill: &FillRequest{Energy: transfer.FillBiharmonic}},
		"mirror":     {Mirror: &MirrorOptions{}, Mask: []string{"box:-2,0,-2,2,1.2,2"}},
		"even":       {Even: &EvenRequest{Joints: [2]string{"forearm.left", "forearm_twist.left"}}},
		"smooth":     {Mask: []string{"joint:spine*"}, Smooth: &SmoothOptions{Passes: 2}},
		"tidy":       {Tidy: &TidyOptions{}},
	}
}

// shaken is a body with noise on its rows, in the crew's own file layout.
func shaken(t testing.TB, data []byte) []byte {
	t.Helper()
	a := parse(t, data)
	list, err := a.Skinned(gltfio.Selection{})
	if err != nil {
		t.Fatal(err)
	}
	out := make([]gltfio.Reweighted, len(list))
	for i, s := range list {
		r := Request{Smooth: &SmoothOptions{}}
		x := &Surface{Mesh: s.Mesh, Bind: s.Bind, Rows: s.Rows, Skin: s.Skin}
		g, err := join(t.Context(), x, r.form(s))
		if err != nil {
			t.Fatal(err)
		}
		noise := rng(t, 20)
		next := g.rows
		next.Weight = slices.Clone(next.Weight)
		for k := range next.Weight {
			next.Weight[k] *= 0.5 + noise.Float64()
		}
		all := make([]bool, len(g.member))
		for w := range all {
			all[w] = true
		}
		result, err := g.finish(t.Context(), next, all)
		if err != nil {
			t.Fatal(err)
		}
		out[i] = gltfio.Reweighted{Surface: s, Rows: result.Rows, Changed: result.Changed, Format: r.form(s).Format}
	}
	b, err := a.Reweight(out)
	if err != nil {
		t.Fatal(err)
	}
	return encode(t, b)
}

// TestRun: only the weights change, whatever the operation and the number of threads;
// rows outside the region keep their bytes.
func TestRun_OnlyWeights(t *testing.T) {
	for body, data := range map[string][]byte{"bytes": shaken(t, theCox()), "floats": shaken(t, thePilot())} {
		a := parse(t, data)
		before, err := a.Skinned(gltfio.Selection{})
		if err != nil {
			t.Fatal(err)
		}
		for name, r := range requests() {
			t.Run(body+" "+name, func(t *testing.T) {
				r.Threads = 1
				out, sum, err := Run(t.Context(), a, nil, r)
				if err != nil {
					t.Fatal(err)
				}
				if sum.Operation != r.operation() || sum.Vertices != before[0].Mesh.NumVertices() {
					t.Errorf("%+v", sum)
				}
				if name == "tidy" {
					if out != a || sum.Changed > 0 {
						t.Errorf("a tidy asset changed: %+v", sum.Tidy)
					}
					return
				}
				if sum.Changed == 0 || sum.MaxL1 == 0 {
					t.Fatalf("nothing changed: %+v", sum)
				}
				written := encode(t, out)
				r.Threads = 3
				other, _, err := Run(t.Context(), a, nil, r)
				if err != nil || !bytes.Equal(encode(t, other), written) {
					t.Errorf("the bytes depend on the number of threads (%v)", err)
				}
				if !bytes.Equal(encode(t, a), data) {
					t.Error("the input changed")
				}
				after, err := parse(t, written).Skinned(gltfio.Selection{})
				if err != nil {
					t.Fatal(err)
				}
				changed := 0
				for v := range before[0].Bind {
					if !slices.Equal(before[0].Stored[0].Weight[4*v:4*v+4], after[0].Stored[0].Weight[4*v:4*v+4]) || !slices.Equal(before[0].Stored[0].Joint[4*v:4*v+4], after[0].Stored[0].Joint[4*v:4*v+4]) {
						changed++
					}
				}
				if changed > sum.Changed || changed < sum.Changed*9/10 {
					t.Errorf("%d rows differ in the file, %d are said to", changed, sum.Changed)
				}
				seamsEqual(t, before[0].Mesh, after[0].Rows)
				same(t, data, written)
			})
		}
	}
}

// same checks that two files differ in JOINTS_n and WEIGHTS_n alone.
func same(t *testing.T, a, b []byte) {
	t.Helper()
	x, _ := document(t, a)
	y, _ := document(t, b)
	for _, doc := range []map[string]any{x, y} { // where the bytes lie may differ
		delete(doc, "bufferViews")
		delete(doc, "buffers")
	}
	p, _ := json.Marshal(x)
	q, _ := json.Marshal(y)
	if !bytes.Equal(p, q) {
		t.Error("the documents differ in more than where their bytes lie")
	}
	for _, attribute := range []string{"POSITION", "NORMAL", "TEXCOORD_0"} {
		if !bytes.Equal(accessorBytes(t, a, attribute), accessorBytes(t, b, attribute)) {
			t.Errorf("%s changed", attribute)
		}
	}
}

// TestRun_Tidy: faults put into a float body one by one are found, counted and
// mended; then there is nothing to do.
func TestRun_Tidy(t *testing.T) {
	clean := thePilot()
	b := crew.NewBodyAt("pilot", 0.3)
	set := func(data []byte, v int, joint []byte, weight ...float32) {
		w := accessorBytes(t, data, "WEIGHTS_0")
		for k, x := range weight {
			binary.LittleEndian.PutUint32(w[16*v+4*k:], math.Float32bits(x))
		}
		copy(accessorBytes(t, data, "JOINTS_0")[4*v:], joint)
	}
	nan := float32(math.NaN())
	// A vertex that stands alone, and one that shares its place.
	twin := map[[3]float64]int{}
	single, double := -1, -1
	for _, p := range b.Mesh.Positions {
		twin[[3]float64{p.X, p.Y, p.Z}]++
	}
	for v, p := range b.Mesh.Positions {
		if twin[[3]float64{p.X, p.Y, p.Z}] == 2 && double < 0 {
			double = v
		} else if twin[[3]float64{p.X, p.Y, p.Z}] == 1 && single < 0 {
			single = v
		}
	}
	for _, c := range []struct {
		name   string
		damage func(data []byte)
		want   TidyReport
		near   float64 // L1 to the clean row afterwards
	}{
		{"sound", func([]byte) {}, TidyReport{}, 0},
		{"not a number", func(d []byte) { set(d, single, []byte{1, 2, 3, 4}, nan, 0.5, 0.5, 0) }, TidyReport{NotFinite: 1, Filled: 1, Cleared: 1}, 0.3},
		{"infinite", func(d []byte) { set(d, single, []byte{1, 2, 3, 0}, float32(math.Inf(1)), 0.5, 0.5, 0) }, TidyReport{NotFinite: 1, Filled: 1}, 0.3},
		{"zero", func(d []byte) { set(d, single, []byte{0, 0, 0, 0}, 0, 0, 0, 0) }, TidyReport{Zero: 1, Filled: 1}, 0.3},
		{"zero beside its twin", func(d []byte) { set(d, double, []byte{0, 0, 0, 0}, 0, 0, 0, 0) }, TidyReport{Zero: 1}, 1e-6},
		{"negative", func(d []byte) { set(d, single, []byte{1, 2, 0, 0}, -0.5, 1.5, 0, 0) }, TidyReport{Negative: 1}, 2},
		{"sum", func(d []byte) { set(d, single, []byte{1, 2, 0, 0}, 0.5, 0.6, 0, 0) }, TidyReport{Sum: 1}, 2},
		{"twice", func(d []byte) { set(d, single, []byte{1, 1, 2, 0}, 0.25, 0.25, 0.5, 0) }, TidyReport{Twice: 1}, 2},
		{"next to nothing", func(d []byte) { set(d, single, []byte{1, 2, 0, 0}, 1, 1e-9, 0, 0) }, TidyReport{Pruned: 1}, 2},
		{"a joint without weight", func(d []byte) { set(d, single, []byte{1, 9, 0, 0}, 1, 0, 0, 0) }, TidyReport{Cleared: 1}, 2},
		{"a seam apart", func(d []byte) { set(d, double, []byte{3, 0, 0, 0}, 1, 0, 0, 0) }, TidyReport{Seams: 2, Places: 1}, 2},
	} {
		t.Run(c.name, func(t *testing.T) {
			data := bytes.Clone(clean)
			c.damage(data)
			a := parse(t, data)
			out, sum, err := Run(t.Context(), a, nil, Request{Tidy: &TidyOptions{}})
			if err != nil {
				t.Fatal(err)
			}
			if *sum.Tidy != c.want {
				t.Errorf("%+v, want %+v", *sum.Tidy, c.want)
			}
			if c.name == "sound" {
				if out != a {
					t.Error("a sound asset changed")
				}
				return
			}
			s, err := out.Skinned(gltfio.Selection{})
			if err != nil {
				t.Fatal(err)
			}
			if s[0].Faults.Unusable+s[0].Faults.Negative+s[0].Faults.Sum > 0 {
				t.Errorf("%+v are left", s[0].Faults)
			}
			v := single
			if c.want.Seams > 0 || c.name == "zero beside its twin" {
				v = double
			}
			if d := s[0].Rows.DistanceL1(v, b.Rows, v); d > c.near {
				t.Errorf("L1 %g from the sound row", d)
			}
			seamsEqual(t, b.Mesh, s[0].Rows)
			differing := 0
			for v := range b.Mesh.Positions {
				if s[0].Rows.DistanceL1(v, b.Rows, v) > 1e-6 {
					differing++
				}
			}
			if most := max(1, c.want.Seams); differing > most {
				t.Errorf("%d rows changed, want %d", differing, most)
			}
			again, sum, err := Run(t.Context(), out, nil, Request{Tidy: &TidyOptions{}})
			if err != nil || again != out || sum.Changed > 0 {
				t.Errorf("tidying twice changes %d (%v): %+v", sum.Changed, err, sum.Tidy)
			}
			same(t, data, encode(t, out))
		})
	}
}

// TestRun_TidyLimit: fewer influences, and none of the sets beyond.
func TestRun_TidyLimit(t *testing.T) {
	a := parse(t, thePilot())
	out, sum, err := Run(t.Context(), a, nil, Request{Tidy: &TidyOptions{}, MaxInfluences: 2})
	if err != nil || sum.Tidy.Limited == 0 {
		t.Fatalf("%+v, %v", sum, err)
	}
	s, err := out.Skinned(gltfio.Selection{})
	if err != nil {
		t.Fatal(err)
	}
	for v := range s[0].Bind {
		if joint, _ := s[0].Rows.Row(v); len(joint) > 2 {
			t.Fatalf("vertex %d has %d influences", v, len(joint))
		}
	}
	if again, sum, _ := Run(t.Context(), out, nil, Request{Tidy: &TidyOptions{}, MaxInfluences: 2}); again != out {
		t.Errorf("a second time: %+v", sum.Tidy)
	}
	// Two sets: smoothing with room for eight, then back to one set.
	wide, sum, err := Run(t.Context(), a, nil, Request{Smooth: &SmoothOptions{Strength: 5}, MaxInfluences: 8})
	if err != nil {
		t.Fatal(err)
	}
	if s, err = wide.Skinned(gltfio.Selection{}); err != nil || s[0].Stored[0].Sets != 2 {
		t.Fatalf("%d sets, %v; %+v", s[0].Stored[0].Sets, err, sum)
	}
	narrow, _, err := Run(t.Context(), wide, nil, Request{Tidy: &TidyOptions{}, MaxInfluences: 4})
	if err != nil {
		t.Fatal(err)
	}
	if s, err = narrow.Skinned(gltfio.Selection{}); err != nil || s[0].Stored[0].Sets != 1 {
		t.Fatalf("%d sets, %v", s[0].Stored[0].Sets, err)
	}
	if faults := s[0].Faults; faults.Sum+faults.Unusable > 0 {
		t.Errorf("%+v", faults)
	}
}

// TestRun_Primitives: a garment in several primitives with buttons of their own is one
// surface; an unpicked mesh keeps its bytes.
func TestRun_Primitives(t *testing.T) {
	member := crew.NewBodyAt("pilot", 0.3)
	var garment bytes.Buffer
	if err := member.GarmentAt("oilskin coat", 0.3).WriteGLB(&garment); err != nil {
		t.Fatal(err)
	}
	prepared, err := transfer.PrepareAsset(t.Context(), parse(t, thePilot()), gltfio.Selection{}, 0)
	if err != nil {
		t.Fatal(err)
	}
	a, _, err := prepared.Transfer(t.Context(), parse(t, garment.Bytes()), transfer.AssetOptions{})
	if err != nil {
		t.Fatal(err)
	}
	before, err := a.Skinned(gltfio.Selection{})
	if err != nil || len(before) != 1 || len(before[0].Parts) < 2 {
		t.Fatalf("%v: the coat is no test of this", err)
	}
	material := before[0].Parts[0].Material
	for _, c := range []struct {
		name  string
		sel   []string
		parts int
	}{{"all", nil, len(before[0].Parts)}, {"one", []string{material}, 1}} {
		out, sum, err := Run(t.Context(), a, nil, Request{Meshes: gltfio.Selection{Names: c.sel}, Smooth: &SmoothOptions{Strength: 3}})
		if err != nil {
			t.Fatal(err)
		}
		after, err := parse(t, encode(t, out)).Skinned(gltfio.Selection{})
		if err != nil {
			t.Fatal(err)
		}
		differ := 0
		for i := range after[0].Parts {
			if !slices.Equal(after[0].Stored[i].Weight, before[0].Stored[i].Weight) {
				differ++
			}
		}
		if sum.Changed == 0 || differ < 1 || differ > c.parts {
			t.Errorf("%s: %d primitives differ; %+v", c.name, differ, sum)
		}
		if c.sel == nil {
			seamsEqual(t, before[0].Mesh, after[0].Rows)
		}
		tidied, sum, err := Run(t.Context(), out, nil, Request{Tidy: &TidyOptions{}})
		if c.sel == nil && (err != nil || tidied != out) {
			t.Errorf("the result is not tidy: %v, %+v", err, sum.Tidy)
		}
	}
}

// rebuilt is a GLB with another document.
func rebuilt(t testing.TB, data []byte, change func(doc map[string]any)) []byte {
	t.Helper()
	doc, chunk := document(t, data)
	change(doc)
	return glb(t, doc, chunk)
}

// glb is a document with its binary chunk.
func glb(t testing.TB, doc map[string]any, chunk []byte) []byte {
	t.Helper()
	text, err := json.Marshal(doc)
	if err != nil {
		t.Fatal(err)
	}
	for len(text)%4 != 0 {
		text = append(text, ' ')
	}
	out := []byte("glTF")
	for _, x := range []int{2, 12 + 8 + len(text) + 8 + len(chunk), len(text), 0x4E4F534A} {
		out = binary.LittleEndian.AppendUint32(out, uint32(x))
	}
	out = append(out, text...)
	out = binary.LittleEndian.AppendUint32(out, uint32(len(chunk)))
	out = binary.LittleEndian.AppendUint32(out, 0x004E4942)
	return append(out, chunk...)
}

// TestRun_Skins: a mesh that two nodes carry, by two skins of the same joints, gets
// its rows once; with skins at odds it is refused.
func TestRun_Skins(t *testing.T) {
	second := func(doc map[string]any, joints func([]any) []any) {
		skins := doc["skins"].([]any)
		one := skins[0].(map[string]any)
		copied := map[string]any{}
		for k, v := range one {
			copied[k] = v
		}
		copied["joints"] = joints(one["joints"].([]any))
		doc["skins"] = append(skins, copied)
		nodes := doc["nodes"].([]any)
		doc["nodes"] = append(nodes, map[string]any{"name": "twin", "mesh": 0, "skin": 1})
		scene := doc["scenes"].([]any)[0].(map[string]any)
		scene["nodes"] = append(scene["nodes"].([]any), len(nodes))
	}
	data := rebuilt(t, shaken(t, thePilot()), func(doc map[string]any) { second(doc, slices.Clone[[]any]) })
	out, sum, err := Run(t.Context(), parse(t, data), nil, Request{Smooth: &SmoothOptions{}})
	if err != nil || sum.Changed == 0 {
		t.Fatal(err)
	}
	list, err := out.Skinned(gltfio.Selection{})
	if err != nil || len(list) != 2 || !slices.Equal(list[0].Stored[0].Weight, list[1].Stored[0].Weight) {
		t.Errorf("%d surfaces, %v", len(list), err)
	}
	data = rebuilt(t, shaken(t, thePilot()), func(doc map[string]any) {
		second(doc, func(j []any) []any { j = slices.Clone(j); slices.Reverse(j); return j })
	})
	var fault *gltfio.Error
	if _, _, err := Run(t.Context(), parse(t, data), nil, Request{Mirror: &MirrorOptions{}, Meshes: gltfio.Selection{}}); !errors.As(err, &fault) || !strings.Contains(err.Error(), "used by node") {
		t.Errorf("skins at odds: %v", err)
	}
}

func TestRun_Onto(t *testing.T) {
	a, b := parse(t, thePilot()), parse(t, shaken(t, thePilot()))
	out, sum, err := Run(t.Context(), b, a, Request{Mirror: &MirrorOptions{}})
	if err != nil || sum.Mirror.From != "all" {
		t.Fatalf("%+v, %v", sum, err)
	}
	x, _ := a.Skinned(gltfio.Selection{})
	y, _ := out.Skinned(gltfio.Selection{})
	for v := range x[0].Bind {
		if d := x[0].Rows.DistanceL1(v, y[0].Rows, v); d > 1e-6 {
			t.Fatalf("vertex %d: %g from a symmetric body's own row", v, d)
		}
	}
}

// TestRun_Faulty: rows that are not legal and stay are counted in a note.
func TestRun_Faulty(t *testing.T) {
	data := bytes.Clone(thePilot())
	w := accessorBytes(t, data, "WEIGHTS_0")
	list, err := parse(t, data).Skinned(gltfio.Selection{})
	if err != nil {
		t.Fatal(err)
	}
	bad := 0
	for v, p := range list[0].Mesh.Positions {
		if p.Y < 0.5 || p.Y > 0.55 {
			continue
		}
		for k := range 4 {
			binary.LittleEndian.PutUint32(w[16*v+4*k:], math.Float32bits([]float32{float32(math.NaN()), 0}[bad%2]))
		}
		bad++
	}
	a := parse(t, data)
	for name, r := range map[string]Request{
		"smooth": {Smooth: &SmoothOptions{}},
		"even":   {Even: &EvenRequest{Joints: [2]string{"upper_arm.left", "upper_arm_twist.left"}}},
		"fill":   {Fill: &FillRequest{}, Mask: []string{"box:-9,0.53,-9,9,9,9"}},
		"mirror": {Mirror: &MirrorOptions{}, Mask: []string{"box:-9,-9,-9,9,0.53,9"}},
	} {
		out, sum, err := Run(t.Context(), a, nil, r)
		if err != nil {
			t.Fatal(name, err)
		}
		after, err := out.Skinned(gltfio.Selection{})
		if err != nil {
			t.Fatal(err)
		}
		left := after[0].Faults.Unusable
		if want := fmt.Sprintf("%d vertices keep rows that are not legal", left); left == 0 || !slices.ContainsFunc(sum.Notes, func(n string) bool { return strings.HasPrefix(n, want) }) {
			t.Errorf("%s: %d of %d rows are left: %q", name, left, bad, sum.Notes)
		}
	}
	if _, sum, err := Run(t.Context(), parse(t, thePilot()), nil, Request{Smooth: &SmoothOptions{}}); err != nil || slices.ContainsFunc(sum.Notes, func(n string) bool { return strings.Contains(n, "legal") }) {
		t.Errorf("a sound body: %v, %q", err, sum.Notes)
	}
}

func TestRun_Errors(t *testing.T) {
	a := parse(t, theCox())
	for _, c := range []struct {
		name string
		r    Request
		as   any
		says string
	}{
		{"no operation", Request{}, new(*transfer.OptionError), "operation"},
		{"two operations", Request{Tidy: &TidyOptions{}, Smooth: &SmoothOptions{}}, new(*transfer.OptionError), "operation"},
		{"no region", Request{Fill: &FillRequest{}}, new(*transfer.OptionError), "region"},
		{"no such region", Request{Fill: &FillRequest{}, Mask: []string{"sphere:1"}}, new(*region.SpecError), "sphere"},
		{"empty region", Request{Fill: &FillRequest{}, Mask: []string{"joint:tail*"}}, new(*transfer.OptionError), "no vertex"},
		{"near no such joint", Request{Smooth: &SmoothOptions{}, Mask: []string{"near:tail:0.1"}}, new(*transfer.OptionError), "no joint has that name"},
		{"no such attribute", Request{Fill: &FillRequest{}, Mask: []string{"attribute:_PAINTED"}}, new(*gltfio.Error), "_PAINTED"},
		{"all of it", Request{Fill: &FillRequest{}, Mask: []string{"mesh:*"}}, new(*transfer.OptionError), "nothing"},
		{"energy", Request{Fill: &FillRequest{Energy: 7}, Mask: []string{"mesh:*"}}, new(*transfer.OptionError), "energy"},
		{"axis", Request{Mirror: &MirrorOptions{Axis: 3}}, new(*transfer.OptionError), "axis"},
		{"tolerance", Request{Mirror: &MirrorOptions{Tolerance: -1}}, new(*transfer.OptionError), "tolerance"},
		{"pair", Request{Even: &EvenRequest{Joints: [2]string{"forearm.left", "tail"}}}, new(*transfer.OptionError), "tail"},
		{"half a pair", Request{Even: &EvenRequest{Joints: [2]string{"forearm.left"}}}, new(*transfer.OptionError), "two names"},
		{"strength", Request{Smooth: &SmoothOptions{Strength: math.NaN()}}, new(*transfer.OptionError), "strength"},
		{"passes", Request{Smooth: &SmoothOptions{Passes: 101}}, new(*transfer.OptionError), "passes"},
		{"prune", Request{Tidy: &TidyOptions{PruneBelow: 1}}, new(*transfer.OptionError), "prune-below"},
		{"tidy region", Request{Tidy: &TidyOptions{}, Mask: []string{"mesh:*"}}, new(*transfer.OptionError), "mask"},
		{"influences", Request{Tidy: &TidyOptions{}, MaxInfluences: 9}, new(*transfer.OptionError), "max-influences"},
		{"mesh", Request{Tidy: &TidyOptions{}, Meshes: gltfio.Selection{Names: []string{"nobody"}}}, new(*gltfio.Error), "nobody"},
	} {
		_, _, err := Run(t.Context(), a, nil, c.r)
		if !errors.As(err, c.as) || !strings.Contains(err.Error(), c.says) {
			t.Errorf("%s: %v", c.name, err)
		}
	}
	if _, _, err := Run(t.Context(), a, a, Request{Tidy: &TidyOptions{}}); err == nil {
		t.Error("tidying onto another is taken")
	}
	data := bytes.Clone(thePilot())
	clear(accessorBytes(t, data, "WEIGHTS_0"))
	var fault *gltfio.Error
	for _, r := range []Request{{Tidy: &TidyOptions{}}, {Smooth: &SmoothOptions{}}} {
		if _, _, err := Run(t.Context(), parse(t, data), nil, r); !errors.As(err, &fault) {
			t.Errorf("no weights at all: %v", err)
		}
	}
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	for name, r := range requests() {
		if _, _, err := Run(ctx, a, nil, r); !errors.Is(err, context.Canceled) {
			t.Errorf("%s: %v", name, err)
		}
	}
}

// BenchmarkRun: the operations on a body of some 20,000 vertices.
func BenchmarkRun(b *testing.B) {
	a := parse(b, glbOf(theMate()))
	for name, r := range requests() {
		b.Run(fmt.Sprintf("operation=%s", name), func(b *testing.B) {
			b.ReportAllocs()
			for b.Loop() {
				if _, _, err := Run(b.Context(), a, nil, r); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}

// TestRun_TidyTwins: vertices without a row take that of the vertex in their place bit for
// bit, which stays as it is: as many change as are mended, and no more.
func TestRun_TidyTwins(t *testing.T) {
	data := bytes.Clone(thePilot())
	b := crew.NewBodyAt("pilot", 0.3)
	first, twin := map[r3.Vec]int{}, map[int]int{}
	for v, p := range b.Mesh.Positions {
		if u, ok := first[p]; ok {
			twin[u] = v
		} else {
			first[p] = v
		}
	}
	w := accessorBytes(t, data, "WEIGHTS_0")
	for u := range twin {
		clear(w[16*u : 16*u+16])
	}
	out, sum, err := Run(t.Context(), parse(t, data), nil, Request{Tidy: &TidyOptions{}})
	if err != nil {
		t.Fatal(err)
	}
	if sum.Tidy.Zero != len(twin) || sum.Tidy.Filled > 0 || sum.Changed != sum.Tidy.Zero || len(twin) < 100 {
		t.Errorf("%d of %d changed: %+v", sum.Changed, len(twin), sum.Tidy)
	}
	s, err := out.Skinned(gltfio.Selection{})
	if err != nil {
		t.Fatal(err)
	}
	for u, v := range twin {
		if d := s[0].Rows.DistanceL1(u, s[0].Rows, v); d > 0 {
			t.Errorf("vertices %d and %d, in one place, are %g apart", u, v, d)
		}
	}
}
