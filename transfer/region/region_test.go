package region

import (
	"context"
	"encoding/base64"
	"encoding/binary"
	"encoding/json"
	"errors"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"github.com/selvage/selvage/transfer/gltfio"
	"github.com/selvage/selvage/transfer/skinning"
	"gonum.org/v1/gonum/spatial/r3"
)

type obj = map[string]any

// flag is a pennant of five columns of two vertices, x = 0 to 4 and y = 0 and 1, on two
// joints: the staff at the origin and its tip at (3, 0, 0), with a second primitive,
// a patch of three vertices. Column x has weight x/4 on the tip.
func flag(t testing.TB, more ...func(attributes obj, accessor func(kind int, shape string, count int, data []byte, normalised bool) int)) (*gltfio.Asset, *gltfio.Surface) {
	t.Helper()
	var bin []byte
	var views, accessors []any
	accessor := func(kind int, shape string, count int, data []byte, normalised bool) int {
		for len(bin)%4 != 0 {
			bin = append(bin, 0)
		}
		views = append(views, obj{"buffer": 0, "byteOffset": len(bin), "byteLength": len(data)})
		bin = append(bin, data...)
		accessors = append(accessors, obj{"bufferView": len(views) - 1, "componentType": kind, "type": shape, "count": count, "normalized": normalised})
		return len(accessors) - 1
	}
	var p, w []float32
	var j []byte
	for x := range 5 {
		for y := range 2 {
			p = append(p, float32(x), float32(y), 0)
			w = append(w, 1-float32(x)/4, float32(x)/4, 0, 0)
			j = append(j, 0, 1, 0, 0)
			if x == 0 {
				j[len(j)-3] = 0
			}
		}
	}
	var index []byte
	for x := range byte(4) {
		a := 2 * x
		index = append(index, a, a+2, a+1, a+1, a+2, a+3)
	}
	bind := make([]float32, 0, 32)
	for _, tx := range []float32{0, -3} {
		bind = append(bind, 1, 0, 0, 0, 0, 1, 0, 0, 0, 0, 1, 0, tx, 0, 0, 1)
	}
	cloth := obj{"POSITION": accessor(5126, "VEC3", 10, floats(p...), false), "JOINTS_0": accessor(5121, "VEC4", 10, j, false), "WEIGHTS_0": accessor(5126, "VEC4", 10, floats(w...), false)}
	for _, add := range more {
		add(cloth, accessor)
	}
	patch := obj{
		"POSITION": accessor(5126, "VEC3", 3, floats(0, 9, 0, 1, 9, 0, 0, 9, 1), false),
		"JOINTS_0": accessor(5121, "VEC4", 3, make([]byte, 12), false), "WEIGHTS_0": accessor(5126, "VEC4", 3, floats(1, 0, 0, 0, 1, 0, 0, 0, 1, 0, 0, 0), false),
	}
	root := obj{
		"asset": obj{"version": "2.0"}, "scene": 0, "scenes": []any{obj{"nodes": []any{0, 2}}},
		"nodes": []any{obj{"name": "staff", "children": []any{1}}, obj{"name": "tip", "translation": []any{3, 0, 0}}, obj{"name": "pennant", "mesh": 0, "skin": 0}},
		"skins": []any{obj{"joints": []any{0, 1}, "inverseBindMatrices": accessor(5126, "MAT4", 2, floats(bind...), false)}},
		"meshes": []any{obj{"name": "flag", "primitives": []any{
			obj{"attributes": cloth, "indices": accessor(5121, "SCALAR", len(index), index, false), "material": 0},
			obj{"attributes": patch, "material": 1},
		}}},
		"materials": []any{obj{"name": "bunting"}, obj{"name": "canvas"}},
	}
	root["bufferViews"], root["accessors"] = views, accessors
	root["buffers"] = []any{obj{"byteLength": len(bin), "uri": "data:application/octet-stream;base64," + base64.StdEncoding.EncodeToString(bin)}}
	text, err := json.Marshal(root)
	if err != nil {
		t.Fatal(err)
	}
	a, err := gltfio.Parse(text, "flag.gltf", gltfio.Options{})
	if err != nil {
		t.Fatal(err)
	}
	s, err := a.Garment(gltfio.Selection{})
	if err != nil {
		t.Fatal(err)
	}
	return a, s
}

func floats(x ...float32) []byte {
	var out []byte
	for _, v := range x {
		out = binary.LittleEndian.AppendUint32(out, math.Float32bits(v))
	}
	return out
}

// withPaint adds a mask, and two sets of colours: bytes with alpha in COLOR_0, where
// column x is white, red, green, dark red, and red at alpha 0.2; floats without alpha in
// COLOR_1.
func withPaint(attributes obj, accessor func(int, string, int, []byte, bool) int) {
	attributes["_HOLD"] = accessor(5126, "SCALAR", 10, floats(0, 0.25, 0.49, 0.5, 1, 2, 0, 0, 0, float32(math.NaN())), false)
	var c []byte
	for _, x := range [][4]byte{{255, 255, 255, 255}, {255, 0, 0, 255}, {0, 255, 0, 255}, {127, 0, 0, 255}, {200, 10, 10, 51}} {
		c = append(append(c, x[:]...), x[:]...)
	}
	attributes["COLOR_0"] = accessor(5121, "VEC4", 10, c, true)
	f := make([]float32, 30)
	f[3*7] = 0.75
	attributes["COLOR_1"] = accessor(5126, "VEC3", 10, floats(f...), false)
}

// columns are the vertices of some columns of the flag.
func columns(x ...int) []int {
	var out []int
	for _, c := range x {
		out = append(out, 2*c, 2*c+1)
	}
	return out
}

func TestSet_Vertices(t *testing.T) {
	asset, surface := flag(t, withPaint)
	for _, c := range []struct {
		name  string
		specs []string
		want  []int
		note  string
	}{
		{name: "none", specs: nil},
		{name: "attribute", specs: []string{"attribute:_HOLD"}, want: []int{3, 4, 5}},
		{name: "attribute without its underscore", specs: []string{"attribute:HOLD"}, want: []int{3, 4, 5}},
		{name: "bare word", specs: []string{"_HOLD"}, want: []int{3, 4, 5}},
		{name: "red paint, not white, not dark", specs: []string{"color:0"}, want: columns(1, 4)},
		{name: "red channel", specs: []string{"color:0.r"}, want: columns(0, 1, 4)},
		{name: "green channel", specs: []string{"color:0.g"}, want: columns(0, 2)},
		{name: "alpha channel", specs: []string{"color:0.a"}, want: columns(0, 1, 2, 3)},
		{name: "floats", specs: []string{"color:1"}, want: []int{7}},
		{name: "alpha of three components is one", specs: []string{"color:1.a"}, want: columns(0, 1, 2, 3, 4)},
		{name: "joint: half of the weight is not more than half", specs: []string{"joint:tip"}, want: columns(3, 4)},
		{name: "joint: patch too", specs: []string{"joint:sta*"}, want: append(columns(0, 1), 10, 11, 12)},
		{name: "both joints", specs: []string{"joint:*"}, want: append(columns(0, 1, 2, 3, 4), 10, 11, 12)},
		{name: "box, faces included", specs: []string{"box:1,0,0,2,0.5,0"}, want: []int{2, 4}},
		{name: "box, corners the other way", specs: []string{"box: 2, 0.5, 0, 1, 0, 0"}, want: []int{2, 4}},
		{name: "near a bone", specs: []string{"near:staff:0.5"}, want: []int{0, 2, 4, 6}},
		{name: "near a bone and its end", specs: []string{"near:staff:1"}, want: []int{0, 1, 2, 3, 4, 5, 6, 7, 8}},
		{name: "near a leaf: its origin", specs: []string{"near:tip:0.5"}, want: []int{6}},
		{name: "near, distance 0", specs: []string{"near:tip:0"}, want: []int{6}},
		{name: "mesh by node", specs: []string{"mesh:penn*"}, want: append(columns(0, 1, 2, 3, 4), 10, 11, 12)},
		{name: "mesh by material", specs: []string{"mesh:canvas"}, want: []int{10, 11, 12}},
		{name: "union", specs: []string{"mesh:canvas", "near:tip:0", "box:0,0,0,0,0,0"}, want: []int{0, 6, 10, 11, 12}},
		{name: "nothing in the box", specs: []string{"box:50,0,0,51,1,1"}, note: `region "box:50,0,0,51,1,1" picks no vertex`},
		{name: "no such joint, beside another", specs: []string{"joint:keel", "near:tip:0"}, want: []int{6}, note: `region "joint:keel" picks no vertex: no joint has that name`},
		{name: "near no such joint", specs: []string{"near:keel:1"}, note: "no joint has that name"},
		{name: "no such mesh", specs: []string{"mesh:sail"}, note: "no node, mesh or material has that name"},
	} {
		t.Run(c.name, func(t *testing.T) {
			set, err := Parse(c.specs)
			if err != nil {
				t.Fatal(err)
			}
			mask, notes, err := set.Vertices(context.Background(), asset, surface, nil)
			if err != nil {
				t.Fatal(err)
			}
			var got []int
			for v, x := range mask {
				if x {
					got = append(got, v)
				}
			}
			if !slices.Equal(got, c.want) {
				t.Errorf("picks %v, want %v", got, c.want)
			}
			if all := strings.Join(notes, "\n"); (c.note == "") != (all == "") || !strings.Contains(all, c.note) {
				t.Errorf("notes %q, want %q", all, c.note)
			}
		})
	}
}

// TestSet_Skin: near looks in the given skin first, and in the surface's own for what
// that lacks.
func TestSet_Skin(t *testing.T) {
	asset, surface := flag(t)
	at := func(name string, parent int, x float64) skinning.Joint {
		m := skinning.Identity()
		m.T = r3.Vec{X: x}
		return skinning.Joint{Name: name, Parent: parent, Global: m}
	}
	body := &skinning.Skin{Joints: []skinning.Joint{at("tip", -1, 1), at("brow", 0, 2)}}
	set, err := Parse([]string{"near:*:0.1"})
	if err != nil {
		t.Fatal(err)
	}
	mask, _, err := set.Vertices(context.Background(), asset, surface, body)
	if err != nil {
		t.Fatal(err)
	}
	// tip from 1 to 2 of the body, staff from 0 to 3 of the flag's own: all of them.
	if want := []bool{true, false, true, false, true, false, true, false, false, false}; !slices.Equal(mask[:10], want) {
		t.Errorf("%v, want %v", mask[:10], want)
	}
	if set, err = Parse([]string{"near:tip:0.1"}); err != nil {
		t.Fatal(err)
	}
	if mask, _, err = set.Vertices(context.Background(), asset, surface, body); err != nil {
		t.Fatal(err)
	}
	if want := []bool{false, false, true, false, true, false, false, false, false, false}; !slices.Equal(mask[:10], want) {
		t.Errorf("tip alone: %v, want %v", mask[:10], want)
	}
}

// TestSet_Missing: a garment that lacks what a spec asks for is an error, so that no
// lock is lost by a slip of the pen.
func TestSet_Missing(t *testing.T) {
	asset, surface := flag(t)
	bare := *surface
	bare.Rows, bare.Skin = nil, nil
	for _, c := range []struct{ spec, want string }{
		{"_HOLD", `region "_HOLD": flag.gltf has no vertex attribute "_HOLD" of one number`},
		{"color:2.g", `region "color:2.g": flag.gltf has no colours "COLOR_2"`},
		{"joint:tip", `region "joint:tip": flag.gltf has no weights`},
		{"near:tip:1", `region "near:tip:1": flag.gltf has no joints`},
	} {
		set, err := Parse([]string{c.spec})
		if err != nil {
			t.Fatal(err)
		}
		_, _, err = set.Vertices(context.Background(), asset, &bare, nil)
		var missing *MissingError
		if !errors.As(err, &missing) || err.Error() != c.want {
			t.Errorf("%s: %v, want %s", c.spec, err, c.want)
		}
	}
	ctx, cancel := context.WithCancel(context.Background())
	cancel()
	set, _ := Parse([]string{"mesh:*"})
	if _, _, err := set.Vertices(ctx, asset, surface, nil); !errors.Is(err, context.Canceled) {
		t.Errorf("cancelled: %v", err)
	}
}

func TestParse_Malformed(t *testing.T) {
	for _, c := range []struct{ spec, want string }{
		{"", "says nothing"},
		{"attribute:", "says nothing"},
		{"joint:", "says nothing"},
		{"colour:0", `"colour" is none of`},
		{"tip:0.02", `"tip" is none of`},
		{"color:x", "not the number of a colour set"},
		{"color:-1", "not the number of a colour set"},
		{"color:00", "not the number of a colour set"},
		{"color:0.", "none of the channels"},
		{"color:0.rg", "none of the channels"},
		{"color:0.red", "none of the channels"},
		{"joint:[", "malformed pattern"},
		{"mesh:[a", "malformed pattern"},
		{"near:[:1", "malformed pattern"},
		{"near:tip", "has no distance"},
		{"near:tip:", "not a finite number"},
		{"near::1", "names no joint"},
		{"near:tip:-1", "not a distance"},
		{"near:tip:1,2", "not a distance"},
		{"near:tip:2cm", "not a finite number"},
		{"near:tip:NaN", "not a finite number"},
		{"box:1,2,3", "has 3 numbers, want 6"},
		{"box:1,2,3,4,5,6,7", "has 7 numbers, want 6"},
		{"box:1,2,3,4,5,inf", "not a finite number"},
		{"box:1,2,,4,5,6", "not a finite number"},
	} {
		_, err := Parse([]string{"mesh:*", c.spec})
		var wrong *SpecError
		if !errors.As(err, &wrong) || wrong.Spec != c.spec || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%q: %v, want %q", c.spec, err, c.want)
		}
	}
}

// FuzzParse: whatever the words, parsing ends with a set that works or a SpecError.
func FuzzParse(f *testing.F) {
	for _, s := range []string{"_A", "attribute:b", "color:0.r", "joint:a*", "box:0,0,0,1,1,1", "near:a:b:0.02", "mesh:[a-z]", ":", "::", "near:::"} {
		f.Add(s)
	}
	asset, surface := flag(f, withPaint)
	f.Fuzz(func(t *testing.T, text string) {
		set, err := Parse([]string{text})
		var wrong *SpecError
		if err != nil {
			if !errors.As(err, &wrong) {
				t.Fatalf("%q: %v", text, err)
			}
			return
		}
		mask, _, err := set.Vertices(context.Background(), asset, surface, nil)
		var missing *MissingError
		if err != nil && !errors.As(err, &missing) || err == nil && len(mask) != surface.Mesh.NumVertices() {
			t.Fatalf("%q: %v", text, err)
		}
	})
}

// TestBone_Distance: against the least distance to many points of the segment.
func TestBone_Distance(t *testing.T) {
	const seed, steps = 7, 4000
	rng := rand.New(rand.NewPCG(seed, 0))
	point := func() r3.Vec {
		return r3.Vec{X: rng.NormFloat64(), Y: rng.NormFloat64(), Z: rng.NormFloat64()}
	}
	for range 50 {
		b, q := bone{point(), point()}, point()
		least := math.Inf(1)
		for i := range steps + 1 {
			p := r3.Add(b[0], r3.Scale(float64(i)/steps, r3.Sub(b[1], b[0])))
			least = min(least, r3.Norm(r3.Sub(p, q)))
		}
		// The nearest sample is at most half a step beside the foot.
		room := r3.Norm(r3.Sub(b[1], b[0])) / (2 * steps)
		if d := math.Sqrt(b.distanceSq(q)); d > least+1e-12 || d < least-room {
			t.Errorf("seed %d: %g, sampled %g", seed, d, least)
		}
	}
}

// TestByRows: regions of joints' weights alone change with the rows.
func TestByRows(t *testing.T) {
	for spec, want := range map[string]bool{"joint:arm*": true, "_HELD": false, "color:1": false, "box:0,0,0,1,1,1": false, "near:arm*:0.1": false, "mesh:joint": false} {
		set, err := Parse([]string{"mesh:*", spec})
		if err != nil {
			t.Fatal(err)
		}
		if set.ByRows() != want {
			t.Errorf("%s: %v, want %v", spec, set.ByRows(), want)
		}
	}
}
