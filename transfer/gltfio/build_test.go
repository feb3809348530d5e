package gltfio

// A small writer of glTF assets for the tests: JSON objects over one buffer.

import (
	"bytes"
	"encoding/base64"
	"encoding/binary"
	"encoding/json"
	"math"
	"testing"
)

type obj = map[string]any

type builder struct {
	root obj
	bin  []byte
}

func newBuilder() *builder {
	return &builder{root: obj{"asset": obj{"version": "2.0", "generator": "test", "extras": obj{"keep": []any{1, 2.5, nil, "x"}}}}}
}

func (b *builder) list(name string) []any { l, _ := b.root[name].([]any); return l }

func (b *builder) add(name string, o obj) int {
	b.root[name] = append(b.list(name), o)
	return len(b.list(name)) - 1
}

func (b *builder) view(data []byte, stride int) int {
	for len(b.bin)%4 != 0 {
		b.bin = append(b.bin, 0xEE)
	}
	o := obj{"buffer": 0, "byteOffset": len(b.bin), "byteLength": len(data)}
	if stride > 0 {
		o["byteStride"] = stride
	}
	b.bin = append(b.bin, data...)
	return b.add("bufferViews", o)
}

func f32(x ...float32) []byte {
	var out []byte
	for _, v := range x {
		out = binary.LittleEndian.AppendUint32(out, math.Float32bits(v))
	}
	return out
}

func u16(x ...uint16) []byte {
	var out []byte
	for _, v := range x {
		out = binary.LittleEndian.AppendUint16(out, v)
	}
	return out
}

func (b *builder) accessor(kind int, shape string, count int, data []byte, more obj) int {
	o := obj{"bufferView": b.view(data, 0), "componentType": kind, "type": shape, "count": count}
	for k, v := range more {
		o[k] = v
	}
	return b.add("accessors", o)
}

func (b *builder) floats(shape string, comps int, x ...float32) int {
	return b.accessor(5126, shape, len(x)/comps, f32(x...), nil)
}

// positions adds a VEC3 accessor with its bounds.
func (b *builder) positions(x ...float32) int {
	lo, hi := []float32{x[0], x[1], x[2]}, []float32{x[0], x[1], x[2]}
	for i, v := range x {
		lo[i%3], hi[i%3] = min(lo[i%3], v), max(hi[i%3], v)
	}
	return b.accessor(5126, "VEC3", len(x)/3, f32(x...), obj{"min": lo, "max": hi})
}

func (b *builder) json() []byte {
	b.root["buffers"] = []any{obj{"byteLength": len(b.bin), "uri": "data:application/octet-stream;base64," + base64.StdEncoding.EncodeToString(b.bin)}}
	text, err := json.Marshal(b.root)
	if err != nil {
		panic(err)
	}
	return text
}

func (b *builder) glb() []byte {
	for len(b.bin)%4 != 0 {
		b.bin = append(b.bin, 0)
	}
	b.root["buffers"] = []any{obj{"byteLength": len(b.bin)}}
	text, err := json.Marshal(b.root)
	if err != nil {
		panic(err)
	}
	for len(text)%4 != 0 {
		text = append(text, ' ')
	}
	var out bytes.Buffer
	for _, x := range []uint32{glbMagic, 2, uint32(12 + 8 + len(text) + 8 + len(b.bin)), uint32(len(text)), chunkJSON} {
		_ = binary.Write(&out, binary.LittleEndian, x)
	}
	out.Write(text)
	for _, x := range []uint32{uint32(len(b.bin)), chunkBinary} {
		_ = binary.Write(&out, binary.LittleEndian, x)
	}
	out.Write(b.bin)
	return out.Bytes()
}

func (b *builder) parse(t testing.TB) *Asset {
	t.Helper()
	a, err := Parse(b.glb(), "test.glb", Options{})
	if err != nil {
		t.Fatal(err)
	}
	return a
}

// quad is a unit square of two triangles; xyz of four vertices.
var quad = []float32{0, 0, 0, 1, 0, 0, 1, 1, 0, 0, 1, 0}

// body adds a skeleton of two joints under a scaled and turned root, posed away
// from its bind pose, and a strip of cloth skinned to them. It returns the mesh
// node.
func (b *builder) body() int {
	hip := b.add("nodes", obj{"name": "hip", "translation": []float64{0, 1, 0}, "rotation": []float64{0, 0, math.Sin(0.3), math.Cos(0.3)}, "children": []any{1}})
	knee := b.add("nodes", obj{"name": "knee", "translation": []float64{0, -0.5, 0.1}, "rotation": []float64{math.Sin(0.2), 0, 0, math.Cos(0.2)}})
	root := b.add("nodes", obj{"name": "root", "scale": []float64{2, 2, 2}, "rotation": []float64{0, math.Sin(0.5), 0, math.Cos(0.5)}, "children": []any{hip}})
	ident := func(tx, ty, tz float32) []float32 {
		return []float32{1, 0, 0, 0, 0, 1, 0, 0, 0, 0, 1, 0, tx, ty, tz, 1}
	}
	ibm := b.accessor(5126, "MAT4", 2, f32(append(ident(0, -1, 0), ident(0, -0.5, 0)...)...), nil)
	skin := b.add("skins", obj{"name": "legs", "joints": []any{hip, knee}, "inverseBindMatrices": ibm})
	var p, w []float32
	var j []byte
	for i := 0; i < 6; i++ {
		y := 1 - 0.2*float32(i)
		p = append(p, -0.1, y, 0, 0.1, y, 0)
		k := float32(i) / 5
		for range 2 {
			w = append(w, 1-k, k, 0, 0)
			j = append(j, 0, 1, 0, 0)
		}
	}
	var idx []uint16
	for i := uint16(0); i < 5; i++ {
		a := 2 * i
		idx = append(idx, a, a+1, a+2, a+1, a+3, a+2)
	}
	for i := 3; i < len(w); i += 4 { // unused slots are zero already
		w[i] = 0
	}
	m := b.add("meshes", obj{"name": "leg", "primitives": []any{obj{"attributes": obj{
		"POSITION": b.positions(p...), "JOINTS_0": b.accessor(5121, "VEC4", 12, j, nil), "WEIGHTS_0": b.floats("VEC4", 4, w...),
	}, "indices": b.accessor(5123, "SCALAR", len(idx), u16(idx...), nil)}}})
	node := b.add("nodes", obj{"name": "leg", "mesh": m, "skin": skin})
	b.root["scenes"] = []any{obj{"nodes": []any{root, node}}}
	b.root["scene"] = 0
	return node
}
