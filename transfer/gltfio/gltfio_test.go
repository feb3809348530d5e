package gltfio

import (
	"bytes"
	"context"
	"encoding/binary"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"reflect"
	"slices"
	"strings"
	"testing"

	"github.com/qmuntal/gltf"
	"github.com/selvage/selvage/transfer/weights"
	"gonum.org/v1/gonum/spatial/r3"
)

func near(a, b r3.Vec, tol float64) bool { return r3.Norm(r3.Sub(a, b)) <= tol }

// TestSurface_Layouts reads the same square from every legal layout that the
// specification describes (sections 3.6.2, 3.7.2).
func TestSurface_Layouts(t *testing.T) {
	square := func(b *builder, prim obj) {
		m := b.add("meshes", obj{"primitives": []any{prim}})
		n := b.add("nodes", obj{"mesh": m})
		b.root["scenes"] = []any{obj{"nodes": []any{n}}}
	}
	idx := []uint16{0, 1, 2, 0, 2, 3}
	for _, c := range []struct {
		name string
		make func(b *builder)
	}{
		{"plain", func(b *builder) {
			square(b, obj{"attributes": obj{"POSITION": b.positions(quad...)}, "indices": b.accessor(5123, "SCALAR", 6, u16(idx...), nil)})
		}},
		{"u8 indices", func(b *builder) {
			square(b, obj{"attributes": obj{"POSITION": b.positions(quad...)}, "indices": b.accessor(5121, "SCALAR", 6, []byte{0, 1, 2, 0, 2, 3}, nil)})
		}},
		{"u32 indices", func(b *builder) {
			var d []byte
			for _, i := range idx {
				d = append(d, byte(i), 0, 0, 0)
			}
			square(b, obj{"attributes": obj{"POSITION": b.positions(quad...)}, "indices": b.accessor(5125, "SCALAR", 6, d, nil)})
		}},
		{"not indexed", func(b *builder) {
			var p []float32
			for _, i := range idx {
				p = append(p, quad[3*i:3*i+3]...)
			}
			square(b, obj{"attributes": obj{"POSITION": b.positions(p...)}})
		}},
		{"strip", func(b *builder) {
			square(b, obj{"mode": 5, "attributes": obj{"POSITION": b.positions(quad...)}, "indices": b.accessor(5123, "SCALAR", 4, u16(0, 1, 3, 2), nil)})
		}},
		{"fan", func(b *builder) {
			square(b, obj{"mode": 6, "attributes": obj{"POSITION": b.positions(quad...)}})
		}},
		{"interleaved", func(b *builder) {
			var d []byte
			for v := 0; v < 4; v++ {
				d = append(d, f32(9, 9)...)
				d = append(d, f32(quad[3*v:3*v+3]...)...)
			}
			v := b.view(d, 20)
			acc := b.add("accessors", obj{"bufferView": v, "byteOffset": 8, "componentType": 5126, "type": "VEC3", "count": 4, "min": []int{0, 0, 0}, "max": []int{1, 1, 0}})
			square(b, obj{"attributes": obj{"POSITION": acc}, "indices": b.accessor(5123, "SCALAR", 6, u16(idx...), nil)})
		}},
		{"sparse over data", func(b *builder) {
			wrong := append([]float32(nil), quad...)
			wrong[6], wrong[7] = 7, 7
			acc := b.positions(wrong...)
			b.list("accessors")[acc].(obj)["sparse"] = obj{"count": 1,
				"indices": obj{"bufferView": b.view([]byte{2}, 0), "componentType": 5121},
				"values":  obj{"bufferView": b.view(f32(1, 1, 0), 0)}}
			square(b, obj{"attributes": obj{"POSITION": acc}, "indices": b.accessor(5123, "SCALAR", 6, u16(idx...), nil)})
		}},
		{"sparse over nothing", func(b *builder) {
			acc := b.add("accessors", obj{"componentType": 5126, "type": "VEC3", "count": 4, "min": []int{0, 0, 0}, "max": []int{1, 1, 0},
				"sparse": obj{"count": 3,
					"indices": obj{"bufferView": b.view(u16(1, 2, 3), 0), "componentType": 5123},
					"values":  obj{"bufferView": b.view(f32(quad[3:]...), 0)}}})
			square(b, obj{"attributes": obj{"POSITION": acc}, "indices": b.accessor(5123, "SCALAR", 6, u16(idx...), nil)})
		}},
		{"quantised positions", func(b *builder) {
			b.root["extensionsUsed"], b.root["extensionsRequired"] = []any{"KHR_mesh_quantization"}, []any{"KHR_mesh_quantization"}
			var d []byte
			for v := 0; v < 4; v++ {
				for k := 0; k < 3; k++ {
					d = append(d, u16(uint16(65535*quad[3*v+k]))...)
				}
				d = append(d, 0, 0)
			}
			v := b.view(d, 8)
			acc := b.add("accessors", obj{"bufferView": v, "componentType": 5123, "normalized": true, "type": "VEC3", "count": 4, "min": []int{0, 0, 0}, "max": []int{65535, 65535, 0}})
			square(b, obj{"attributes": obj{"POSITION": acc}, "indices": b.accessor(5123, "SCALAR", 6, u16(idx...), nil)})
		}},
	} {
		t.Run(c.name, func(t *testing.T) {
			b := newBuilder()
			c.make(b)
			s, err := b.parse(t).Garment(Selection{})
			if err != nil {
				t.Fatal(err)
			}
			if len(s.Mesh.Triangles) != 2 {
				t.Fatalf("%d triangles, want 2", len(s.Mesh.Triangles))
			}
			area := r3.Vec{}
			for _, tri := range s.Mesh.Triangles {
				p := s.Mesh.Positions
				area = r3.Add(area, r3.Scale(0.5, r3.Cross(r3.Sub(p[tri[1]], p[tri[0]]), r3.Sub(p[tri[2]], p[tri[0]]))))
			}
			// A unit square facing +z, whatever the layout.
			if !near(area, r3.Vec{Z: 1}, 1e-6) {
				t.Errorf("area vector %v, want (0, 0, 1)", area)
			}
		})
	}
}

// TestSurface_WeightFormats: the same row from every format, sets summed.
func TestSurface_WeightFormats(t *testing.T) {
	for _, c := range []struct {
		name    string
		weights func(b *builder) int
		joints  func(b *builder) int
		tol     float64
	}{
		{"float u8", func(b *builder) int {
			return b.floats("VEC4", 4, .25, .75, 0, 0, .25, .75, 0, 0, .25, .75, 0, 0, .25, .75, 0, 0)
		}, func(b *builder) int {
			return b.accessor(5121, "VEC4", 4, bytes.Repeat([]byte{0, 1, 0, 0}, 4), nil)
		}, 1e-7},
		{"u16 u16", func(b *builder) int {
			return b.accessor(5123, "VEC4", 4, bytes.Repeat(u16(16384, 49151, 0, 0), 4), obj{"normalized": true})
		}, func(b *builder) int {
			return b.accessor(5123, "VEC4", 4, bytes.Repeat(u16(0, 1, 0, 0), 4), nil)
		}, 1.0 / 65535},
		{"u8 u8", func(b *builder) int {
			return b.accessor(5121, "VEC4", 4, bytes.Repeat([]byte{64, 191, 0, 0}, 4), obj{"normalized": true})
		}, func(b *builder) int {
			return b.accessor(5121, "VEC4", 4, bytes.Repeat([]byte{0, 1, 0, 0}, 4), nil)
		}, 1.0 / 255},
	} {
		t.Run(c.name, func(t *testing.T) {
			b := newBuilder()
			b.add("nodes", obj{"name": "a"})
			b.add("nodes", obj{"name": "b"})
			skin := b.add("skins", obj{"joints": []any{0, 1}})
			m := b.add("meshes", obj{"primitives": []any{obj{"attributes": obj{"POSITION": b.positions(quad...), "JOINTS_0": c.joints(b), "WEIGHTS_0": c.weights(b)}, "indices": b.accessor(5123, "SCALAR", 6, u16(0, 1, 2, 0, 2, 3), nil)}}})
			n := b.add("nodes", obj{"mesh": m, "skin": skin})
			b.root["scenes"] = []any{obj{"nodes": []any{0, 1, n}}}
			s, err := b.parse(t).Body(Selection{})
			if err != nil {
				t.Fatal(err)
			}
			joint, weight := s.Rows.Row(2)
			if len(joint) != 2 || math.Abs(weight[0]-0.25) > c.tol || math.Abs(weight[0]+weight[1]-1) > 1e-12 {
				t.Errorf("row %v %v, want 0.25 and 0.75", joint, weight)
			}
		})
	}
	// Two sets, one joint in both.
	b := newBuilder()
	b.add("nodes", obj{})
	b.add("nodes", obj{})
	skin := b.add("skins", obj{"joints": []any{0, 1}})
	j := func() int { return b.accessor(5121, "VEC4", 4, bytes.Repeat([]byte{0, 1, 0, 0}, 4), nil) }
	w := func(x, y float32) int {
		return b.floats("VEC4", 4, x, y, 0, 0, x, y, 0, 0, x, y, 0, 0, x, y, 0, 0)
	}
	m := b.add("meshes", obj{"primitives": []any{obj{"mode": 6, "attributes": obj{"POSITION": b.positions(quad...), "JOINTS_0": j(), "WEIGHTS_0": w(.25, .25), "JOINTS_1": j(), "WEIGHTS_1": w(.5, 0)}}}})
	n := b.add("nodes", obj{"mesh": m, "skin": skin})
	b.root["scenes"] = []any{obj{"nodes": []any{0, 1, n}}}
	s, err := b.parse(t).Body(Selection{})
	if err != nil {
		t.Fatal(err)
	}
	if joint, weight := s.Rows.Row(0); len(joint) != 2 || math.Abs(weight[0]-0.75) > 1e-12 {
		t.Errorf("two sets: row %v %v, want 0.75 and 0.25", joint, weight)
	}
}

// TestBody_StandsWhereTheSpecificationSays: against the formula of section
// 3.7.3.3 written out by hand for one vertex.
func TestBody_StandsWhereTheSpecificationSays(t *testing.T) {
	b := newBuilder()
	b.body()
	s, err := b.parse(t).Body(Selection{})
	if err != nil {
		t.Fatal(err)
	}
	rot := func(axis r3.Vec, half float64, v r3.Vec) r3.Vec { return r3.NewRotation(2*half, axis).Rotate(v) }
	root := func(v r3.Vec) r3.Vec { return rot(r3.Vec{Y: 1}, 0.5, r3.Scale(2, v)) }
	hip := func(v r3.Vec) r3.Vec { return root(r3.Add(rot(r3.Vec{Z: 1}, 0.3, v), r3.Vec{Y: 1})) }
	knee := func(v r3.Vec) r3.Vec {
		return hip(r3.Add(rot(r3.Vec{X: 1}, 0.2, v), r3.Vec{Y: -0.5, Z: 0.1}))
	}
	v := r3.Vec{X: float64(float32(-0.1)), Y: float64(float32(1) - float32(0.2)*2), Z: 0} // row 2: weights 0.6, 0.4
	want := r3.Add(r3.Scale(0.6, hip(r3.Sub(v, r3.Vec{Y: 1}))), r3.Scale(0.4, knee(r3.Sub(v, r3.Vec{Y: 0.5}))))
	if got := s.Mesh.Positions[4]; !near(got, want, 1e-6) { // float32 data
		t.Errorf("vertex 4 at %v, want %v", got, want)
	}
	if s.Skin.Joints[1].Parent != 0 || s.Skin.Joints[0].Parent != -1 {
		t.Errorf("parents %d and %d", s.Skin.Joints[0].Parent, s.Skin.Joints[1].Parent)
	}
}

// garment builds an asset full of things that must survive: a square hung
// mirrored and scaled below another node, with a morph target, extras, unknown
// extensions, a texture, an animation, and another mesh.
func garment() *builder {
	b := newBuilder()
	normals := []float32{0, 0, 1, 0, 0, 1, 0, 0, 1, 0, 0, 1}
	tangents := []float32{1, 0, 0, 1, 1, 0, 0, 1, 1, 0, 0, 1, 1, 0, 0, 1}
	cloth := b.add("meshes", obj{"name": "cloth", "extras": obj{"sewn": true}, "weights": []any{0.25}, "primitives": []any{obj{
		"attributes": obj{"POSITION": b.positions(quad...), "NORMAL": b.floats("VEC3", 3, normals...), "TANGENT": b.floats("VEC4", 4, tangents...), "TEXCOORD_0": b.floats("VEC2", 2, 0, 0, 1, 0, 1, 1, 0, 1), "_DYE": b.floats("SCALAR", 1, 1, 2, 3, 4)},
		"indices":    b.accessor(5123, "SCALAR", 6, u16(0, 1, 2, 0, 2, 3), nil), "material": 0,
		"targets": []any{obj{"POSITION": b.positions(0, 0, 0.5, 0, 0, 0, 0, 0, 0, 0, 0, 0)}},
		"extras":  obj{"n": 1e-3}, "extensions": obj{"XYZ_weave": obj{"threads": 1200}},
	}}})
	other := b.add("meshes", obj{"name": "flag", "primitives": []any{obj{"mode": 6, "attributes": obj{"POSITION": b.positions(quad...)}}}})
	c := b.add("nodes", obj{"name": "cloth", "mesh": cloth, "scale": []float64{-0.3, 0.3, 0.3}, "extras": obj{"who": "mate"}})
	p := b.add("nodes", obj{"name": "locker", "translation": []float64{0.1, 0.7, -0.2}, "rotation": []float64{0, 0.6, 0, 0.8}, "children": []any{c}})
	f := b.add("nodes", obj{"name": "flag", "mesh": other, "translation": []float64{9, 0, 0}})
	b.root["scenes"] = []any{obj{"nodes": []any{p, f}, "name": "deck"}}
	b.root["scene"] = 0
	image := b.view([]byte("\x89PNG not really"), 0)
	b.add("images", obj{"bufferView": image, "mimeType": "image/png", "name": "weft"})
	b.add("textures", obj{"source": 0})
	b.add("materials", obj{"name": "wool", "pbrMetallicRoughness": obj{"baseColorTexture": obj{"index": 0}, "roughnessFactor": 0.75}, "extensions": obj{"XYZ_dye": obj{"fast": false}}})
	b.root["extensionsUsed"] = []any{"XYZ_weave", "XYZ_dye"}
	b.root["extras"] = obj{"note": "höhe", "big": json.Number("12345678901234567890")}
	in, outp := b.floats("SCALAR", 1, 0, 1), b.floats("SCALAR", 1, 0, 1)
	b.list("accessors")[in].(obj)["min"], b.list("accessors")[in].(obj)["max"] = []any{0}, []any{1}
	b.add("animations", obj{"name": "flutter", "channels": []any{obj{"sampler": 0, "target": obj{"node": c, "path": "weights"}}}, "samplers": []any{obj{"input": in, "output": outp}}})
	return b
}

// even gives every vertex the same row.
func even(n int, joint []uint16, weight []float64) *weights.Rows {
	r := weights.NewRows(n)
	for range n {
		r.Append(joint, weight)
	}
	return r
}

func written(t *testing.T, g *Asset, sel Selection, edit func(o *Output)) (*Asset, *Surface, *Asset, *Surface) {
	t.Helper()
	bb := newBuilder()
	bb.body()
	body := bb.parse(t)
	src, err := body.Body(Selection{})
	if err != nil {
		t.Fatal(err)
	}
	s, err := g.Garment(sel)
	if err != nil {
		t.Fatal(err)
	}
	n := s.Mesh.NumVertices()
	o := Output{Rows: even(n, []uint16{0, 1}, []float64{0.25, 0.75}), Confidence: make([]float32, n), Reason: make([]uint16, n)}
	for v := range o.Confidence {
		o.Confidence[v], o.Reason[v] = float32(v)/8, uint16(v)
	}
	if edit != nil {
		edit(&o)
	}
	out, report, err := g.WithRows(s, body, src, o)
	if err != nil {
		t.Fatal(err)
	}
	if report.Singular > 0 {
		t.Errorf("singular vertices: %+v", report)
	}
	return out, s, body, src
}

// reread encodes and parses again, so that the test sees what a reader sees.
func reread(t *testing.T, a *Asset) *Asset {
	t.Helper()
	var b bytes.Buffer
	if err := a.Encode(&b); err != nil {
		t.Fatal(err)
	}
	back, err := Parse(b.Bytes(), a.Name, Options{})
	if err != nil {
		t.Fatal(err)
	}
	return back
}

// TestWithRows_StandsStill: position, facing and everything else survive a write
// for a mirrored, scaled, nested mesh and a body off its bind pose.
func TestWithRows_StandsStill(t *testing.T) {
	g := garment().parse(t)
	out, before, _, _ := written(t, g, Selection{Names: []string{"cloth"}}, nil)
	back := reread(t, out)
	after, err := back.Garment(Selection{Names: []string{"cloth"}})
	if err != nil {
		t.Fatal(err)
	}
	size := before.Mesh.Diagonal()
	if len(after.Mesh.Positions) != len(before.Mesh.Positions) {
		t.Fatalf("%d vertices, had %d", len(after.Mesh.Positions), len(before.Mesh.Positions))
	}
	for v, p := range before.Mesh.Positions {
		if !near(after.Mesh.Positions[v], p, 1e-5*size) {
			t.Errorf("vertex %d moved from %v to %v", v, p, after.Mesh.Positions[v])
		}
		// The blend of two turned joints is not rigid, so normals hold to the rounding
		// of float32 alone, because the reader inverts the same map.
		if !near(after.Mesh.Normals[v], before.Mesh.Normals[v], 1e-5) {
			t.Errorf("normal %d turned from %v to %v", v, before.Mesh.Normals[v], after.Mesh.Normals[v])
		}
	}
	if !reflect.DeepEqual(after.Mesh.Triangles, before.Mesh.Triangles) {
		t.Errorf("triangles %v, had %v", after.Mesh.Triangles, before.Mesh.Triangles)
	}
	for v := range before.Mesh.Positions {
		if joint, weight := after.Rows.Row(v); len(joint) != 2 || math.Abs(weight[0]-0.25) > 1e-7 {
			t.Errorf("vertex %d: row %v %v", v, joint, weight)
		}
	}
}

// TestWithRows_KeepsTheRest compares the JSON and the bytes behind every accessor
// and image with what went in.
func TestWithRows_KeepsTheRest(t *testing.T) {
	g := garment().parse(t)
	out, _, _, _ := written(t, g, Selection{Names: []string{"cloth"}}, nil)
	back := reread(t, out)
	for _, key := range []string{"materials", "textures", "extras", "extensionsUsed", "asset"} {
		if !reflect.DeepEqual(back.root[key], g.root[key]) {
			t.Errorf("%s changed: %v, had %v", key, back.root[key], g.root[key])
		}
	}
	at := func(a *Asset, path ...any) any {
		var v any = a.root
		for _, p := range path {
			switch k := p.(type) {
			case string:
				m, _ := v.(map[string]any)
				v = m[k]
			case int:
				l, _ := v.([]any)
				if k >= len(l) {
					return nil
				}
				v = l[k]
			}
		}
		return v
	}
	for _, path := range [][]any{
		{"meshes", 0, "name"}, {"meshes", 0, "extras"}, {"meshes", 0, "weights"}, {"meshes", 1}, {"nodes", 2},
		{"meshes", 0, "primitives", 0, "extras"}, {"meshes", 0, "primitives", 0, "extensions"}, {"meshes", 0, "primitives", 0, "material"},
		{"nodes", 0, "extras"}, {"nodes", 0, "scale"}, {"nodes", 1, "rotation"}, {"nodes", 1, "children"},
		{"animations", 0, "samplers"}, {"scenes", 0, "name"},
	} {
		if a, b := at(back, path...), at(g, path...); b == nil || !reflect.DeepEqual(a, b) {
			t.Errorf("%v: %v, had %v", path, a, b)
		}
	}
	// Accessors that no rows touch: the same numbers under the same index.
	for _, name := range []string{"TEXCOORD_0", "_DYE"} {
		i := intOf(at(g, "meshes", 0, "primitives", 0, "attributes", name))
		if j := intOf(at(back, "meshes", 0, "primitives", 0, "attributes", name)); j != i {
			t.Fatalf("%s moved from accessor %d to %d", name, i, j)
		}
		kind := g.doc.Accessors[i].Type
		a, err1 := g.floats(i, kind, "")
		b, err2 := back.floats(i, kind, "")
		if err1 != nil || err2 != nil || !reflect.DeepEqual(a, b) {
			t.Errorf("%s: %v %v, had %v %v", name, b, err2, a, err1)
		}
	}
	view := back.doc.BufferViews[*back.doc.Images[0].BufferView]
	if got := string(back.buffers[0][view.ByteOffset : view.ByteOffset+view.ByteLength]); got != "\x89PNG not really" {
		t.Errorf("image bytes are now %q", got)
	}
	// The morph weights' animation follows the mesh to its new node.
	target := intOf(at(back, "animations", 0, "channels", 0, "target", "node"))
	if n := back.doc.Nodes[target]; n.Mesh == nil || *n.Mesh != 0 || n.Name != "cloth" {
		t.Errorf("the animation targets node %d %+v", target, n)
	}
	// A morphed vertex is displaced in the world as before: 0.5 along the square's
	// z, scaled by 0.3.
	i := intOf(at(back, "meshes", 0, "primitives", 0, "targets", 0, "POSITION"))
	d, err := back.floats(i, back.doc.Accessors[i].Type, "")
	if err != nil {
		t.Fatal(err)
	}
	s, err := back.uniteSkins([]primitiveRef{{target, 0, 0}})
	if err != nil {
		t.Fatal(err)
	}
	p, err := back.primitive(primitiveRef{target, 0, 0}, s, &RowFaults{}, 0)
	if err != nil {
		t.Fatal(err)
	}
	moved := p.placeOf(0).ApplyVector(r3.Vec{X: d[0], Y: d[1], Z: d[2]})
	want := g.global[0].ApplyVector(r3.Vec{Z: 0.5})
	if !near(moved, want, 1e-6) {
		t.Errorf("morph displacement %v, had %v", moved, want)
	}
}

// TestWithRows_Again: writing onto one's own output adds nothing, and keeps to
// the same joints.
func TestWithRows_Again(t *testing.T) {
	g := garment().parse(t)
	sel := Selection{Names: []string{"cloth"}}
	a, _, _, _ := written(t, g, sel, nil)
	b, _, _, _ := written(t, reread(t, a), sel, nil)
	c, _, _, _ := written(t, reread(t, b), sel, nil)
	for _, key := range []string{"nodes", "skins", "meshes", "accessors", "bufferViews"} {
		la, _ := a.root[key].([]any)
		lb, _ := b.root[key].([]any)
		if len(la) != len(lb) {
			t.Errorf("%s grew from %d to %d", key, len(la), len(lb))
		}
	}
	if len(b.buffers[0]) != len(c.buffers[0]) {
		t.Errorf("the buffer grew from %d to %d bytes", len(b.buffers[0]), len(c.buffers[0]))
	}
}

// TestWithRows_OnePrimitive: rows for one material leave the other primitive and
// its node alone.
func TestWithRows_OnePrimitive(t *testing.T) {
	b := newBuilder()
	b.add("materials", obj{"name": "felt"})
	b.add("materials", obj{"name": "brass"})
	prim := func(m int) obj {
		return obj{"mode": 6, "material": m, "attributes": obj{"POSITION": b.positions(quad...)}}
	}
	m := b.add("meshes", obj{"name": "hat", "primitives": []any{prim(0), prim(1)}})
	n := b.add("nodes", obj{"name": "hat", "mesh": m, "translation": []float64{0, 1, 0}})
	b.root["scenes"] = []any{obj{"nodes": []any{n}}}
	out, before, _, _ := written(t, b.parse(t), Selection{Names: []string{"felt"}}, nil)
	back := reread(t, out)
	felt, err := back.Garment(Selection{Names: []string{"felt"}})
	if err != nil {
		t.Fatal(err)
	}
	brass, err := back.Garment(Selection{Names: []string{"brass"}})
	if err != nil {
		t.Fatal(err)
	}
	if felt.Rows == nil || brass.Rows != nil || len(felt.Parts) != 1 || len(brass.Parts) != 1 {
		t.Errorf("felt %+v, brass %+v", felt.Parts, brass.Parts)
	}
	for v, p := range before.Mesh.Positions {
		if !near(felt.Mesh.Positions[v], p, 1e-5) || !near(brass.Mesh.Positions[v], p, 1e-5) {
			t.Errorf("vertex %d: felt %v, brass %v, both stood at %v", v, felt.Mesh.Positions[v], brass.Mesh.Positions[v], p)
		}
	}
}

// TestWithRows_InstancedMesh: a mesh under two nodes is split, and each stands
// where it stood.
func TestWithRows_InstancedMesh(t *testing.T) {
	b := newBuilder()
	m := b.add("meshes", obj{"primitives": []any{obj{"mode": 6, "attributes": obj{"POSITION": b.positions(quad...)}}}})
	b.add("nodes", obj{"name": "left", "mesh": m, "translation": []float64{-1, 0, 0}})
	b.add("nodes", obj{"name": "right", "mesh": m, "translation": []float64{1, 0, 0}})
	b.root["scenes"] = []any{obj{"nodes": []any{0, 1}}}
	for _, sel := range []Selection{{}, {Names: []string{"left"}}} {
		out, before, _, _ := written(t, b.parse(t), sel, nil)
		after, err := reread(t, out).Garment(Selection{})
		if err != nil {
			t.Fatal(err)
		}
		// New nodes come last: compare as sets of places.
		for _, p := range before.Mesh.Positions {
			found := false
			for _, q := range after.Mesh.Positions {
				found = found || near(p, q, 1e-5)
			}
			if !found {
				t.Errorf("%v: nothing stands at %v any more", sel.Names, p)
			}
		}
		if len(after.Mesh.Positions) != 8 {
			t.Errorf("%v: %d vertices, want 8", sel.Names, len(after.Mesh.Positions))
		}
	}
}

// TestWithRows_Formats: integers sum as section 3.7.3.3 asks, more than four
// influences take a second set, unused slots are joint 0.
func TestWithRows_Formats(t *testing.T) {
	g := garment().parse(t)
	for _, f := range []weights.Format{weights.Float32, weights.Uint16, weights.Uint8} {
		out, _, _, _ := written(t, g, Selection{Names: []string{"cloth"}}, func(o *Output) {
			rows, _, err := weights.Finish(even(4, []uint16{0, 1}, []float64{1. / 3, 2. / 3}), weights.FinishOptions{MaxInfluences: 4, Format: f})
			if err != nil {
				t.Fatal(err)
			}
			o.Rows, o.Format, o.Sets = rows, f, 2
		})
		back := reread(t, out)
		prim := back.doc.Meshes[0].Primitives[0]
		// As stored: joints of unused slots are 0; integer weights sum to one exactly,
		// floats to the standard's tolerance.
		for v := 0; v < 4; v++ {
			sum := 0.0
			for set := 0; set < 2; set++ {
				j, err1 := back.floats(prim.Attributes[fmt.Sprintf("JOINTS_%d", set)], gltf.AccessorVec4, "")
				w, err2 := back.floats(prim.Attributes[fmt.Sprintf("WEIGHTS_%d", set)], gltf.AccessorVec4, "")
				if err1 != nil || err2 != nil {
					t.Fatal(err1, err2)
				}
				for k := 4 * v; k < 4*v+4; k++ {
					sum += w[k]
					if w[k] == 0 && j[k] != 0 {
						t.Errorf("format %d, vertex %d: joint %g without weight", f, v, j[k])
					}
				}
			}
			tol := 1e-12
			if f == weights.Float32 {
				tol = 2e-7 * 2
			}
			if math.Abs(sum-1) > tol {
				t.Errorf("format %d, vertex %d: weights sum to %g", f, v, sum)
			}
		}
		s, err := back.Garment(Selection{Names: []string{"cloth"}})
		if err != nil {
			t.Fatal(err)
		}
		if joint, weight := s.Rows.Row(1); len(joint) != 2 || math.Abs(weight[0]-1./3) > 0.5/255 {
			t.Errorf("format %d: row %v %v", f, joint, weight)
		}
		if _, ok := prim.Attributes["WEIGHTS_1"]; !ok {
			t.Errorf("format %d: no second set", f)
		}
	}
}

// TestWithRows_StoredSums: random rows of up to eight influences, as bytes in the
// file, sum as glTF 2.0, section 3.7.3.3 asks: integers to 255 and 65535 exactly,
// floats to one within 2e-7 for each weight that is not zero (the note there, from
// memory). Rows that would not are refused and the vertex is named.
func TestWithRows_StoredSums(t *testing.T) {
	const seed, n = 11, 3000
	rng := rand.New(rand.NewPCG(seed, 1))
	b := newBuilder()
	var p []float32
	var idx []uint16
	for v := range uint16(n) {
		p = append(p, rng.Float32(), rng.Float32(), rng.Float32())
		idx = append(idx, v, (v+1)%n, (v+2)%n)
	}
	m := b.add("meshes", obj{"name": "net", "primitives": []any{obj{"attributes": obj{"POSITION": b.positions(p...)}, "indices": b.accessor(5123, "SCALAR", len(idx), u16(idx...), nil)}}})
	b.add("nodes", obj{"name": "net", "mesh": m})
	b.root["scenes"] = []any{obj{"nodes": []any{0}}}
	g := b.parse(t)

	// A body with ten joints in a row.
	bb := newBuilder()
	bb.body()
	for k := range 8 {
		skin := bb.list("skins")[0].(obj)
		j := bb.add("nodes", obj{"name": fmt.Sprint("link_", k)})
		skin["joints"] = append(skin["joints"].([]any), j)
		scene := bb.list("scenes")[0].(obj)
		scene["nodes"] = append(scene["nodes"].([]any), j)
	}
	delete(bb.list("skins")[0].(obj), "inverseBindMatrices")
	body := bb.parse(t)
	src, err := body.Body(Selection{})
	if err != nil {
		t.Fatal(err)
	}
	s, err := g.Garment(Selection{})
	if err != nil {
		t.Fatal(err)
	}
	rows, acc := weights.NewRows(n), weights.NewAccumulator(10)
	for range n {
		for range 1 + rng.IntN(8) {
			acc.Add(uint16(rng.IntN(10)), math.Pow(rng.Float64(), 6)+1e-7)
		}
		acc.FlushNormalised(rows)
	}
	for _, f := range []weights.Format{weights.Float32, weights.Uint16, weights.Uint8} {
		stored, err := weights.Quantise(rows, f)
		if err != nil {
			t.Fatal(err)
		}
		out, _, err := g.WithRows(s, body, src, Output{Rows: stored, Format: f})
		if err != nil {
			t.Fatalf("seed %d, format %d: %v", seed, f, err)
		}
		back := reread(t, out)
		prim := back.doc.Meshes[0].Primitives[0]
		sum, whole, count := make([]float64, n), make([]int, n), make([]int, n)
		for set := 0; ; set++ {
			i, ok := prim.Attributes[fmt.Sprintf("WEIGHTS_%d", set)]
			if !ok {
				break
			}
			data := back.buffers[0][back.doc.BufferViews[*back.doc.Accessors[i].BufferView].ByteOffset:]
			for k := range 4 * n {
				x := 0
				switch f {
				case weights.Uint8:
					x = int(data[k])
				case weights.Uint16:
					x = int(binary.LittleEndian.Uint16(data[2*k:]))
				default:
					w := math.Float32frombits(binary.LittleEndian.Uint32(data[4*k:]))
					sum[k/4] += float64(w)
					if w != 0 {
						x = 1
					}
				}
				whole[k/4] += x
				if x != 0 {
					count[k/4]++
				}
			}
		}
		for v := range n {
			if f == weights.Float32 && math.Abs(sum[v]-1) > 2e-7*float64(count[v]) || f != weights.Float32 && whole[v] != f.Steps() {
				t.Fatalf("seed %d, format %d, vertex %d: sum %.9g, integers %d", seed, f, v, sum[v], whole[v])
			}
		}

		// One step too much or too little, and the same rows in a coarser format's
		// place, are no legal weights.
		for _, by := range []float64{-1, 1} {
			step := 1e-5
			if f.Steps() > 0 {
				step = 1 / float64(f.Steps())
			}
			bad := &weights.Rows{Start: stored.Start, Joint: stored.Joint, Weight: slices.Clone(stored.Weight)}
			const v = 1234
			_, w := bad.Row(v)
			largest := slices.Index(w, slices.Max(w))
			w[largest] += by * step
			var e *weights.SumError
			if _, _, err := g.WithRows(s, body, src, Output{Rows: bad, Format: f}); !errors.As(err, &e) || e.Vertex != v {
				t.Errorf("seed %d, format %d, %+g steps: %v, want a sum error of vertex %d", seed, f, by, err, v)
			}
		}
		for _, x := range []float64{math.NaN(), -0.25, math.Inf(1)} {
			bad := &weights.Rows{Start: stored.Start, Joint: stored.Joint, Weight: slices.Clone(stored.Weight)}
			bad.Weight[0] = x
			var e *weights.RowError
			if _, _, err := g.WithRows(s, body, src, Output{Rows: bad, Format: f}); !errors.As(err, &e) || e.Vertex != 0 {
				t.Errorf("format %d, weight %g: %v, want a row error of vertex 0", f, x, err)
			}
		}
	}
	var fault *Error
	if _, _, err := g.WithRows(s, body, src, Output{}); !errors.As(err, &fault) {
		t.Errorf("no rows at all: %v, want an *Error", err)
	}
}

// validator runs the standard's own validator on a file.
func validator(t *testing.T, file string) (errors, warnings int, messages []string) {
	t.Helper()
	script, err := filepath.Abs("../../testdata/node/validate.mjs")
	if err != nil {
		t.Fatal(err)
	}
	if _, err := os.Stat(filepath.Join(filepath.Dir(script), "node_modules", "gltf-validator")); err != nil {
		t.Fatal("the glTF validator is not installed; run make node")
	}
	text, err := exec.Command("node", script, file).CombinedOutput()
	if err != nil {
		t.Fatalf("validator: %v: %s", err, text)
	}
	var r struct {
		Errors, Warnings int
		Messages         []string
	}
	if err := json.Unmarshal(text, &r); err != nil {
		t.Fatalf("validator said %q: %v", text, err)
	}
	return r.Errors, r.Warnings, r.Messages
}

// TestWritten_PassesTheStandardsValidator: Khronos glTF-Validator, npm
// gltf-validator.
func TestWritten_PassesTheStandardsValidator(t *testing.T) {
	b := garment()
	b.root["images"] = nil // its bytes are no picture
	b.root["textures"] = nil
	delete(b.list("materials")[0].(obj)["pbrMetallicRoughness"].(obj), "baseColorTexture")
	delete(b.root, "images")
	delete(b.root, "textures")
	delete(b.root["extras"].(obj), "big")
	g := b.parse(t)
	out, _, _, _ := written(t, g, Selection{Names: []string{"cloth"}}, nil)
	for _, name := range []string{"out.glb", "out.gltf"} {
		file := filepath.Join(t.TempDir(), name)
		if _, err := out.Save(file); err != nil {
			t.Fatal(err)
		}
		errors, warnings, messages := validator(t, file)
		// The input has unknown extensions that the validator cannot check: it says so
		// as information. One of its vertices has a tangent frame the node mirrors.
		if errors != 0 || warnings != 0 {
			t.Errorf("%s: %d errors, %d warnings: %s", name, errors, warnings, strings.Join(messages, "; "))
		}
	}
}

// TestSave_ExternalBufferAndImage: a .gltf with files beside it is read, and an
// output in another folder carries the image inside.
func TestSave_ExternalBufferAndImage(t *testing.T) {
	dir, other := t.TempDir(), t.TempDir()
	b := garment()
	b.list("images")[0] = obj{"uri": "we%20ft.png", "name": "weft"}
	b.json()
	b.root["buffers"] = []any{obj{"byteLength": len(b.bin), "uri": "data.bin"}}
	text, err := json.Marshal(b.root)
	if err != nil {
		t.Fatal(err)
	}
	for name, data := range map[string][]byte{"coat.gltf": text, "data.bin": b.bin, "we ft.png": []byte("picture")} {
		if err := os.WriteFile(filepath.Join(dir, name), data, 0o666); err != nil {
			t.Fatal(err)
		}
	}
	if _, err := Open(filepath.Join(dir, "coat.gltf"), Options{}); err == nil || !strings.Contains(err.Error(), "external") {
		t.Errorf("external buffer without permission: %v", err)
	}
	a, err := Open(filepath.Join(dir, "coat.gltf"), Options{AllowExternal: true})
	if err != nil {
		t.Fatal(err)
	}
	out, _, _, _ := written(t, a, Selection{Names: []string{"cloth"}}, nil)
	for _, folder := range []string{dir, other} {
		file := filepath.Join(folder, "out.glb")
		if missing, err := out.Save(file); err != nil || len(missing) > 0 {
			t.Fatal(missing, err)
		}
		back, err := Open(file, Options{AllowExternal: true})
		if err != nil {
			t.Fatal(err)
		}
		im := back.doc.Images[0]
		if inside := im.BufferView != nil; inside != (folder == other) {
			t.Errorf("%s: image %+v", folder, im)
		} else if inside {
			v := back.doc.BufferViews[*im.BufferView]
			if got := string(back.buffers[0][v.ByteOffset : v.ByteOffset+v.ByteLength]); got != "picture" || im.MimeType != "image/png" {
				t.Errorf("image %q of type %q", got, im.MimeType)
			}
		}
	}
}

// TestParse_BadInput: one clear sentence, never a panic.
func TestParse_BadInput(t *testing.T) {
	full := func(edit func(b *builder)) func() []byte {
		return func() []byte {
			b := newBuilder()
			b.body()
			edit(b)
			return b.glb()
		}
	}
	accessor := func(b *builder, i int) obj { return b.list("accessors")[i].(obj) }
	prim := func(b *builder) obj {
		return b.list("meshes")[0].(obj)["primitives"].([]any)[0].(obj)
	}
	attr := func(b *builder) obj { return prim(b)["attributes"].(obj) }
	for _, c := range []struct {
		name string
		data func() []byte
		want string // part of the message
	}{
		{"empty", func() []byte { return nil }, "neither"},
		{"text", func() []byte { return []byte("hello") }, "neither"},
		{"cut JSON", func() []byte { return []byte(`{"asset":{"vers`) }, "ends too early"},
		{"version 1", func() []byte { return []byte(`{"asset":{"version":"1.0"}}`) }, "version"},
		{"nothing in it", func() []byte { return []byte(`{"asset":{"version":"2.0"}}`) }, "no skinned mesh"},
		{"cut GLB", func() []byte { return full(func(*builder) {})()[:100] }, "cut off"},
		{"cut header", func() []byte { return full(func(*builder) {})()[:14] }, "cut off"},
		{"null node", full(func(b *builder) { b.root["nodes"] = []any{nil} }), "null"},
		{"cyclic nodes", full(func(b *builder) { b.list("nodes")[1].(obj)["children"] = []any{0} }), "two nodes"},
		{"own ancestor", full(func(b *builder) {
			b.list("nodes")[2].(obj)["children"] = []any{}
			b.list("nodes")[1].(obj)["children"] = []any{0}
		}), "own ancestor"},
		{"own child", full(func(b *builder) { n := b.add("nodes", obj{}); b.list("nodes")[n].(obj)["children"] = []any{n} }), "own ancestor"},
		{"missing child", full(func(b *builder) { b.list("nodes")[1].(obj)["children"] = []any{99} }), "does not exist"},
		{"missing mesh", full(func(b *builder) { b.list("nodes")[3].(obj)["mesh"] = 7 }), "mesh 7 does not exist"},
		{"missing skin", full(func(b *builder) { b.list("nodes")[3].(obj)["skin"] = 7 }), "skin 7 does not exist"},
		{"no skin", full(func(b *builder) { delete(b.list("nodes")[3].(obj), "skin") }), "no skinned mesh"},
		{"no joints", full(func(b *builder) { b.list("skins")[0].(obj)["joints"] = []any{} }), "no joints"},
		{"joint beyond nodes", full(func(b *builder) { b.list("skins")[0].(obj)["joints"] = []any{0, 55} }), "does not exist"},
		{"joint beyond skin", full(func(b *builder) { b.list("skins")[0].(obj)["joints"] = []any{0} }), "vertex 2: joint 1 is outside 0..0"},
		{"count beyond buffer", full(func(b *builder) { accessor(b, intLike(attr(b)["POSITION"]))["count"] = 1 << 30 }), "no room"},
		{"negative count", full(func(b *builder) { accessor(b, intLike(attr(b)["POSITION"]))["count"] = -5 }), "elements"},
		{"count of nothing", full(func(b *builder) {
			a := accessor(b, intLike(attr(b)["POSITION"]))
			delete(a, "bufferView")
			a["count"] = 1 << 40
		}), "no data behind"},
		{"offset beyond view", full(func(b *builder) { accessor(b, intLike(attr(b)["POSITION"]))["byteOffset"] = 1 << 40 }), "starts beyond"},
		{"negative offset", full(func(b *builder) { accessor(b, intLike(attr(b)["POSITION"]))["byteOffset"] = -12 }), "starts beyond"},
		{"view beyond buffer", full(func(b *builder) { b.list("bufferViews")[1].(obj)["byteLength"] = 1 << 40 }), "beyond its buffer"},
		{"index beyond vertices", full(func(b *builder) {
			prim(b)["indices"] = b.accessor(5123, "SCALAR", 3, u16(0, 1, 77), nil)
		}), "vertex 77, outside 0..11"},
		{"NaN position", full(func(b *builder) {
			attr(b)["POSITION"] = b.positions(append([]float32{float32(math.NaN())}, make([]float32, 35)...)...)
		}), ""},
		{"weights without joints", full(func(b *builder) { delete(attr(b), "JOINTS_0") }), "only one of"},
		{"too few weights", full(func(b *builder) { attr(b)["WEIGHTS_0"] = b.floats("VEC4", 4, 1, 0, 0, 0) }), "weights in set 0"},
		{"too few bind matrices", full(func(b *builder) {
			b.list("skins")[0].(obj)["inverseBindMatrices"] = b.floats("MAT4", 16, make([]float32, 16)...)
		}), "inverse bind matrices"},
		{"required extension", full(func(b *builder) { b.root["extensionsRequired"] = []any{"KHR_draco_mesh_compression"} }), "requires the extension"},
		{"no triangles", full(func(b *builder) { prim(b)["mode"] = 1 }), "no skinned mesh"},
		{"file outside", full(func(b *builder) {}), ""},
	} {
		t.Run(c.name, func(t *testing.T) {
			if c.name == "NaN position" {
				// JSON has no NaN for the bounds; patch the bytes instead.
				b := newBuilder()
				b.body()
				v := b.list("bufferViews")[intLike(accessor(b, intLike(attr(b)["POSITION"]))["bufferView"])].(obj)
				copy(b.bin[intLike(v["byteOffset"])+12:], f32(float32(math.NaN())))
				a, err := Parse(b.glb(), "x.glb", Options{})
				if err == nil {
					_, err = a.Body(Selection{})
				}
				if err == nil || !strings.Contains(err.Error(), "vertex 1: position") {
					t.Errorf("got %v", err)
				}
				return
			}
			if c.name == "file outside" {
				for _, uri := range []string{"../x.bin", "/etc/passwd", "http://example.org/x.bin", "a/../../x.bin", "file:///x", "..%2fx.bin"} {
					b := newBuilder()
					b.root["buffers"] = []any{obj{"byteLength": 4, "uri": uri}}
					text, err := json.Marshal(b.root)
					if err != nil {
						t.Fatal(err)
					}
					file := filepath.Join(t.TempDir(), "x.gltf")
					if err := os.WriteFile(file, text, 0o666); err != nil {
						t.Fatal(err)
					}
					if _, err := Open(file, Options{AllowExternal: true}); err == nil || !strings.Contains(err.Error(), "not") {
						t.Errorf("%s: %v", uri, err)
					}
				}
				return
			}
			a, err := Parse(c.data(), "x.glb", Options{})
			if err == nil {
				_, err = a.Body(Selection{})
			}
			if err == nil || !strings.Contains(err.Error(), c.want) || !strings.HasPrefix(err.Error(), "x.glb") || strings.Contains(err.Error(), "\n") {
				t.Errorf("got %v, want one sentence about x.glb with %q", err, c.want)
			}
		})
	}
}

func intLike(v any) int {
	switch x := v.(type) {
	case int:
		return x
	case float64:
		return int(x)
	}
	return -1
}

// TestBody_MendsRows: rows that are broken, negative or off are mended and counted.
func TestBody_MendsRows(t *testing.T) {
	b := newBuilder()
	b.body()
	attr := b.list("meshes")[0].(obj)["primitives"].([]any)[0].(obj)["attributes"].(obj)
	nan := float32(math.NaN())
	w := make([]float32, 0, 48)
	for v := 0; v < 12; v++ {
		switch v {
		case 3:
			w = append(w, nan, 0, 0, 0)
		case 4:
			w = append(w, 0, 0, 0, 0)
		case 5:
			w = append(w, 1.5, -0.5, 0, 0)
		case 6:
			w = append(w, 2, 2, 0, 0)
		default:
			w = append(w, 0.5, 0.5, 0, 0)
		}
	}
	attr["WEIGHTS_0"] = b.floats("VEC4", 4, w...)
	s, err := b.parse(t).Body(Selection{})
	if err != nil {
		t.Fatal(err)
	}
	if want := (RowFaults{Unusable: 2, Negative: 1, Sum: 2, FirstVertex: 3}); s.Faults != want {
		t.Errorf("faults %+v, want %+v", s.Faults, want)
	}
	for v := range 12 {
		sum := s.Rows.Sum(v)
		if v == 3 || v == 4 {
			if sum != 0 {
				t.Errorf("vertex %d: unusable row sums to %g", v, sum)
			}
		} else if math.Abs(sum-1) > 1e-12 {
			t.Errorf("vertex %d: row sums to %g", v, sum)
		}
	}
}

func FuzzParse(f *testing.F) {
	b := newBuilder()
	b.body()
	f.Add(b.glb())
	f.Add(b.json())
	f.Add(garment().glb())
	f.Add([]byte(`{"asset":{"version":"2.0"},"nodes":[{"mesh":0}],"meshes":[{"primitives":[{"attributes":{"POSITION":0}}]}],"accessors":[{"componentType":5126,"type":"VEC3","count":9}]}`))
	f.Fuzz(func(t *testing.T, data []byte) {
		a, err := Parse(data, "fuzz", Options{MaxBytes: 1 << 20})
		if err != nil {
			return
		}
		a.Describe()
		_, _ = a.Body(Selection{})
		if s, err := a.Garment(Selection{}); err == nil {
			if err := s.Mesh.Validate(); err != nil {
				t.Errorf("an invalid mesh was handed out: %v", err)
			}
		}
		var w bytes.Buffer
		if err := a.Encode(&w); err != nil {
			return
		}
		if _, err := Parse(w.Bytes(), "again", Options{}); err != nil {
			t.Errorf("what was written cannot be read: %v", err)
		}
	})
}

// TestParse_RequiredExtensions: what cannot touch geometry may be required.
func TestParse_RequiredExtensions(t *testing.T) {
	for name, fine := range map[string]bool{
		"KHR_materials_clearcoat": true, "KHR_texture_basisu": true, "KHR_mesh_quantization": true,
		"KHR_draco_mesh_compression": false, "EXT_meshopt_compression": false, "XYZ_unknown": false,
	} {
		b := newBuilder()
		b.body()
		b.root["extensionsUsed"], b.root["extensionsRequired"] = []any{name}, []any{name}
		if _, err := Parse(b.glb(), "x", Options{}); (err == nil) != fine {
			t.Errorf("%s: %v", name, err)
		}
	}
}

// TestBody_EmptyScene: a file whose scene holds no mesh is still read.
func TestBody_EmptyScene(t *testing.T) {
	b := newBuilder()
	b.body()
	b.root["scenes"] = []any{obj{"name": "empty"}}
	s, err := b.parse(t).Body(Selection{})
	if err != nil || s.Mesh.NumVertices() != 12 {
		t.Errorf("%v, %+v", err, s)
	}
}

// TestWithContext_Cancelled: reading and writing end with the context's error, and
// what was read before is not touched by it.
func TestWithContext_Cancelled(t *testing.T) {
	ctx, cancel := context.WithCancel(context.Background())
	cancel()
	g := garment().parse(t)
	if _, err := g.WithContext(ctx).Garment(Selection{}); !errors.Is(err, context.Canceled) {
		t.Errorf("read: %v", err)
	}
	bb := newBuilder()
	bb.body()
	body := bb.parse(t)
	src, err := body.Body(Selection{})
	if err != nil {
		t.Fatal(err)
	}
	s, err := g.Garment(Selection{Names: []string{"cloth"}})
	if err != nil {
		t.Fatal(err)
	}
	out := Output{Rows: even(s.Mesh.NumVertices(), []uint16{0}, []float64{1})}
	if _, _, err := g.WithContext(ctx).WithRows(s, body, src, out); !errors.Is(err, context.Canceled) {
		t.Errorf("write: %v", err)
	}
	if _, _, err := g.WithRows(s, body, src, out); err != nil {
		t.Errorf("the asset itself kept the context: %v", err)
	}
}

// mirroredBody is the body of builder.body with a root that mirrors, or not.
func mirroredBody(t *testing.T, mirrored bool) *Asset {
	t.Helper()
	b := newBuilder()
	b.body()
	if mirrored {
		b.list("nodes")[2].(obj)["scale"] = []float64{-2, 2, 2}
	}
	return b.parse(t)
}

// TestBody_JointsThatMirror: a surface faces the same way whether joints that mirror or
// joints that do not put it there. Section 3.7.4 (Instantiation) of the
// glTF 2.0 specification: a negative determinant makes the winding clockwise; of a
// skinned mesh the joints alone place the vertices (section 3.7.3).
func TestBody_JointsThatMirror(t *testing.T) {
	plain, err := mirroredBody(t, false).Body(Selection{})
	if err != nil {
		t.Fatal(err)
	}
	other, err := mirroredBody(t, true).Body(Selection{})
	if err != nil {
		t.Fatal(err)
	}
	// The strip is turned by 1 rad about y before it is mirrored in the plane x = 0 of
	// its frame, so a linear map with determinant -1 leads from one world to the other.
	turn := r3.NewRotation(1, r3.Vec{Y: 1})
	mirror := func(v r3.Vec) r3.Vec {
		v = r3.NewRotation(-1, r3.Vec{Y: 1}).Rotate(v)
		return turn.Rotate(r3.Vec{X: -v.X, Y: v.Y, Z: v.Z})
	}
	facing := func(s *Surface, i int) r3.Vec {
		p, c := s.Mesh.Positions, s.Mesh.Triangles[i]
		return r3.Unit(r3.Cross(r3.Sub(p[c[1]], p[c[0]]), r3.Sub(p[c[2]], p[c[0]])))
	}
	for i := range plain.Mesh.Triangles {
		if got, want := facing(other, i), mirror(facing(plain, i)); !near(got, want, 1e-5) {
			t.Errorf("triangle %d faces %v, want %v", i, got, want)
		}
	}
}

// TestDescribe_Mirrored: a skinned mesh is mirrored by its joints and their inverse bind
// matrices alone; its node's transform is ignored (glTF 2.0, section 3.7.3.3).
func TestDescribe_Mirrored(t *testing.T) {
	turned := []float64{-1, 1, 1}
	for _, c := range []struct{ node, joints, bind, want bool }{
		{want: false}, {node: true, want: false}, {joints: true, want: true}, {node: true, joints: true, want: true},
		{bind: true, want: true}, {joints: true, bind: true, want: false}, {node: true, joints: true, bind: true, want: false},
	} {
		b := newBuilder()
		node := b.body()
		if c.node {
			b.list("nodes")[node].(obj)["scale"] = turned
		}
		if c.joints {
			b.list("nodes")[2].(obj)["scale"] = turned
		}
		if c.bind {
			var m []float32
			for _, y := range []float32{-1, -0.5} {
				m = append(m, -1, 0, 0, 0, 0, 1, 0, 0, 0, 0, 1, 0, 0, y, 0, 1)
			}
			b.list("skins")[0].(obj)["inverseBindMatrices"] = b.accessor(5126, "MAT4", 2, f32(m...), nil)
		}
		if d := b.parse(t).Describe(); d.Meshes[0].Problem != "" || d.Meshes[0].Mirrored != c.want {
			t.Errorf("%+v: mirrored %v; %s", c, d.Meshes[0].Mirrored, d.Meshes[0].Problem)
		}
	}
	// Without a skin the node does.
	for _, m := range garment().parse(t).Describe().Meshes {
		if m.Mirrored != (m.Mesh == "cloth") {
			t.Errorf("%s: mirrored %v", m.Mesh, m.Mirrored)
		}
	}
}

// TestWithRows_JointsThatMirror: whatever mirrors before and after, a written mesh
// stands and faces as before, and where both do its triangles keep their bytes.
func TestWithRows_JointsThatMirror(t *testing.T) {
	for _, c := range []struct{ garment, body bool }{{false, false}, {false, true}, {true, false}, {true, true}} {
		b := garment()
		if !c.garment {
			for _, n := range b.list("nodes") {
				if n.(obj)["name"] == "cloth" {
					n.(obj)["scale"] = []float64{0.3, 0.3, 0.3}
				}
			}
		}
		g, sel := b.parse(t), Selection{Names: []string{"cloth"}}
		before, err := g.Garment(sel)
		if err != nil {
			t.Fatal(err)
		}
		body := mirroredBody(t, c.body)
		src, err := body.Body(Selection{})
		if err != nil {
			t.Fatal(err)
		}
		out, _, err := g.WithRows(before, body, src, Output{Rows: even(4, []uint16{0, 1}, []float64{0.25, 0.75})})
		if err != nil {
			t.Fatal(err)
		}
		back := reread(t, out)
		after, err := back.Garment(sel)
		if err != nil {
			t.Fatal(err)
		}
		if !reflect.DeepEqual(after.Mesh.Triangles, before.Mesh.Triangles) {
			t.Errorf("%+v: triangles %v, had %v", c, after.Mesh.Triangles, before.Mesh.Triangles)
		}
		for v, p := range before.Mesh.Positions {
			if !near(after.Mesh.Positions[v], p, 1e-5*before.Mesh.Diagonal()) || !near(after.Mesh.Normals[v], before.Mesh.Normals[v], 1e-5) {
				t.Errorf("%+v: vertex %d moved or turned", c, v)
			}
		}
		stored := func(a *Asset) [][3]int32 {
			list, err := a.triangles(a.doc.Meshes[0].Primitives[0], 4, "")
			if err != nil {
				t.Fatal(err)
			}
			return list
		}
		if same := reflect.DeepEqual(stored(back), stored(g)); same != (c.garment == c.body) {
			t.Errorf("%+v: stored triangles %v, had %v", c, stored(back), stored(g))
		}
	}
}
