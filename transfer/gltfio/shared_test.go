package gltfio

// Primitives that share accessors, as most exporters write a mesh of several
// materials.

import (
	"bytes"
	"math"
	"testing"

	"github.com/selvage/selvage/transfer/weights"
)

// sharedPrimitives is a square of two primitives over one set of vertices.
func sharedPrimitives() *builder {
	b := newBuilder()
	p := b.positions(quad...)
	n := b.floats("VEC3", 3, 0, 0, 1, 0, 0, 1, 0, 0, 1, 0, 0, 1)
	m := b.add("meshes", obj{"name": "cloth", "primitives": []any{
		obj{"attributes": obj{"POSITION": p, "NORMAL": n}, "indices": b.accessor(5123, "SCALAR", 3, u16(0, 1, 2), nil)},
		obj{"attributes": obj{"POSITION": p, "NORMAL": n}, "indices": b.accessor(5123, "SCALAR", 3, u16(0, 2, 3), nil)},
	}})
	c := b.add("nodes", obj{"name": "cloth", "mesh": m})
	b.root["scenes"] = []any{obj{"nodes": []any{c}}}
	b.root["scene"] = 0
	return b
}

// TestWithRows_SharedAccessorsOwnRows: two primitives over the same vertices may
// get different rows; each must be read back with its own.
func TestWithRows_SharedAccessorsOwnRows(t *testing.T) {
	differ := weights.NewRows(8)
	for v := range 8 {
		if v < 4 {
			differ.Append([]uint16{0, 1}, []float64{0.25, 0.75})
		} else {
			differ.Append([]uint16{0, 1}, []float64{0.5, 0.5})
		}
	}
	out, before, _, _ := written(t, sharedPrimitives().parse(t), Selection{}, func(o *Output) { o.Rows = differ })
	after, err := reread(t, out).Garment(Selection{})
	if err != nil {
		t.Fatal(err)
	}
	size := before.Mesh.Diagonal()
	for v, p := range before.Mesh.Positions {
		if !near(after.Mesh.Positions[v], p, 1e-5*size) {
			t.Errorf("vertex %d moved from %v to %v", v, p, after.Mesh.Positions[v])
		}
		_, want := differ.Row(v)
		if _, got := after.Rows.Row(v); len(got) != 2 || math.Abs(got[0]-want[0]) > 1e-7 {
			t.Errorf("vertex %d: weights %v, want %v", v, got, want)
		}
	}
}

// TestWithRows_SharedAccessorsAgain: writing over what was written does not grow
// the file.
func TestWithRows_SharedAccessorsAgain(t *testing.T) {
	once, _, _, _ := written(t, sharedPrimitives().parse(t), Selection{}, nil)
	twice, _, _, _ := written(t, reread(t, once), Selection{}, nil)
	var a, b bytes.Buffer
	if err := once.Encode(&a); err != nil {
		t.Fatal(err)
	}
	if err := twice.Encode(&b); err != nil {
		t.Fatal(err)
	}
	if b.Len() > a.Len() {
		t.Errorf("the second write has %d bytes, the first %d", b.Len(), a.Len())
	}
	if x, y := len(once.doc.Accessors), len(twice.doc.Accessors); x != y {
		t.Errorf("the second write has %d accessors, the first %d", y, x)
	}
}

// TestParse_NamesAreExact: a property in another case is no property of glTF's and
// survives as an unknown one; of a name that stands twice the last counts, for
// reading and writing alike.
func TestParse_NamesAreExact(t *testing.T) {
	text := string(sharedPrimitives().json())
	for name, more := range map[string]string{
		"another case": `{"NODES":[{"mesh":0},{"mesh":0}],`,
		"twice":        `{"nodes":[{"mesh":0,"scale":[2,2,2]},{"mesh":0}],`,
	} {
		a, err := Parse([]byte(more+text[1:]), name, Options{})
		if err != nil {
			t.Errorf("%s: %v", name, err)
			continue
		}
		if n := a.doc.Nodes; len(n) != 1 || n[0].Scale == [3]float64{2, 2, 2} {
			t.Errorf("%s: %d nodes", name, len(n))
		}
		if _, ok := a.root["NODES"]; ok != (name == "another case") {
			t.Errorf("%s: the unknown property is kept: %t", name, ok)
		}
	}
}
