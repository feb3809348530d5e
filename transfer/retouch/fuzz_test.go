package retouch

import (
	"bytes"
	"encoding/base64"
	"encoding/binary"
	"encoding/json"
	"math"
	"math/rand/v2"
	"testing"

	"github.com/selvage/selvage/transfer"
	"github.com/selvage/selvage/transfer/gltfio"
	"github.com/selvage/selvage/transfer/internal/shapes"
)

// smallAsset is a tube on two joints as one JSON text, weights as given.
func smallAsset(weight func(v, k int) float32) []byte {
	m := shapes.Tube(6, 6, 0.04, 0.3, 0, rand.New(rand.NewPCG(1, 0)))
	var bin []byte
	var views []any
	view := func(from int) int {
		views = append(views, map[string]any{"buffer": 0, "byteOffset": from, "byteLength": len(bin) - from})
		return len(views) - 1
	}
	f32 := func(x float32) { bin = binary.LittleEndian.AppendUint32(bin, math.Float32bits(x)) }
	var accessors []any
	add := func(from, kind, count int, shape string, more map[string]any) {
		a := map[string]any{"bufferView": view(from), "componentType": kind, "count": count, "type": shape}
		for k, v := range more {
			a[k] = v
		}
		accessors = append(accessors, a)
	}
	n := len(m.Positions)
	for _, p := range m.Positions {
		f32(float32(p.X))
		f32(float32(p.Y))
		f32(float32(p.Z))
	}
	add(0, 5126, n, "VEC3", map[string]any{"min": []float64{0, -0.04, -0.04}, "max": []float64{0.3, 0.04, 0.04}})
	at := len(bin)
	for range n {
		bin = append(bin, 0, 1, 0, 0)
	}
	add(at, 5121, n, "VEC4", nil)
	at = len(bin)
	for v := range n {
		for k := range 4 {
			f32(weight(v, k))
		}
	}
	add(at, 5126, n, "VEC4", nil)
	at = len(bin)
	for _, t := range m.Triangles {
		for _, v := range t {
			bin = binary.LittleEndian.AppendUint16(bin, uint16(v))
		}
	}
	add(at, 5123, 3*len(m.Triangles), "SCALAR", nil)
	text, err := json.Marshal(map[string]any{
		"asset": map[string]any{"version": "2.0"}, "scene": 0, "scenes": []any{map[string]any{"nodes": []any{0, 2}}},
		"nodes":     []any{map[string]any{"name": "a.left", "children": []any{1}}, map[string]any{"name": "a.right", "translation": []float64{0.2, 0, 0}}, map[string]any{"mesh": 0, "skin": 0}},
		"skins":     []any{map[string]any{"joints": []any{0, 1}}},
		"meshes":    []any{map[string]any{"primitives": []any{map[string]any{"attributes": map[string]any{"POSITION": 0, "JOINTS_0": 1, "WEIGHTS_0": 2}, "indices": 3}}}},
		"accessors": accessors, "bufferViews": views,
		"buffers": []any{map[string]any{"byteLength": len(bin), "uri": "data:application/octet-stream;base64," + base64.StdEncoding.EncodeToString(bin)}},
	})
	if err != nil {
		panic(err)
	}
	return text
}

// FuzzRun does every operation on hostile assets: no panic, and rows that come out are
// legal, so that tidying finds nothing in what changed everywhere.
func FuzzRun(f *testing.F) {
	f.Add(smallAsset(func(v, k int) float32 { return [4]float32{0.25, 0.75, 0, 0}[k] }), uint8(0))
	f.Add(smallAsset(func(v, k int) float32 { return float32(v*k%5) - 1 }), uint8(4))
	f.Add(smallAsset(func(v, k int) float32 { return float32(math.NaN()) }), uint8(1))
	for which := range uint8(5) { // two skins of the same joints, and two that share one
		one := smallAsset(func(v, k int) float32 { return float32(max(0, v*k%5-1)) })
		for _, joints := range []string{"[1,0]", "[1,2]"} {
			two := bytes.Replace(one, []byte(`"skins":[{"joints":[0,1]}]`), []byte(`"skins":[{"joints":[0,1]},{"joints":`+joints+`}]`), 1)
			two = bytes.Replace(two, []byte(`{"mesh":0,"skin":0}`), []byte(`{"mesh":0,"skin":0,"children":[3]},{"mesh":1,"skin":1}`), 1)
			two = bytes.Replace(two, []byte(`"meshes":[`), []byte(`"meshes":[{"primitives":[{"attributes":{"JOINTS_0":1,"POSITION":0,"WEIGHTS_0":2},"indices":3}]},`), 1)
			f.Add(two, which)
		}
	}
	f.Fuzz(func(t *testing.T, data []byte, which uint8) {
		a, err := gltfio.Parse(data, "fuzz", gltfio.Options{MaxBytes: 1 << 18})
		if err != nil {
			return
		}
		if list, err := a.Skinned(gltfio.Selection{}); err != nil || list[0].Mesh.NumVertices() > 500 {
			return
		}
		r := []Request{
			{Tidy: &TidyOptions{}},
			{Smooth: &SmoothOptions{Strength: 3}},
			{Mirror: &MirrorOptions{Axis: int(which/5) % 3, FromRight: which > 127}},
			{Even: &EvenRequest{Joints: [2]string{"a.left", "a.right"}}},
			{Fill: &FillRequest{Energy: transfer.Fill(which/5) % 2}, Mask: []string{"box:-1,-1,0,1,1,1"}},
		}[which%5]
		out, _, err := Run(t.Context(), a, nil, r)
		if err != nil || r.Tidy == nil {
			return
		}
		again, sum, err := Run(t.Context(), out, nil, Request{Tidy: &TidyOptions{}})
		if err != nil {
			t.Fatalf("what was tidied: %v", err)
		}
		if again != out {
			t.Errorf("tidying twice changes %d rows: %+v", sum.Changed, *sum.Tidy)
		}
	})
}
