package gltfio

import (
	"bytes"
	"testing"

	"github.com/selvage/selvage/transfer/mesh"
	"gonum.org/v1/gonum/spatial/r3"
)

// FuzzWithRows writes rows onto hostile garments: no panic, and what is written
// reads back with the same vertices and triangles.
func FuzzWithRows(f *testing.F) {
	bb := newBuilder()
	bb.body()
	f.Add(bb.json())
	f.Add(garment().json())
	f.Add(sharedPrimitives().json())
	f.Add([]byte(`{"asset":{"version":"2.0"},"nodes":[{"mesh":0}],"meshes":[{"primitives":[{"attributes":{"POSITION":0,"_REASON":9,"WEIGHTS_0":0}}]}],"accessors":[{"componentType":5126,"type":"VEC3","count":9}]}`))
	body, err := Parse(bb.glb(), "body", Options{})
	if err != nil {
		f.Fatal(err)
	}
	source, err := body.Body(Selection{})
	if err != nil {
		f.Fatal(err)
	}
	f.Fuzz(func(t *testing.T, data []byte) {
		a, err := Parse(data, "fuzz", Options{MaxBytes: 1 << 20})
		if err != nil {
			return
		}
		s, err := a.Garment(Selection{})
		if err != nil || s.Mesh.NumVertices() > 1<<12 {
			return
		}
		out, _, err := a.WithRows(s, body, source, Output{Rows: even(s.Mesh.NumVertices(), []uint16{0, 1}, []float64{0.25, 0.75})})
		if err != nil {
			return
		}
		var w bytes.Buffer
		if err := out.Encode(&w); err != nil {
			return
		}
		back, err := Parse(w.Bytes(), "again", Options{})
		if err != nil {
			t.Fatalf("what was written cannot be read: %v", err)
		}
		// Positions of no garment's size overflow float32, and then cannot be read.
		if r3.Norm(s.Mesh.Bounds().Max) > 1e6 || r3.Norm(s.Mesh.Bounds().Min) > 1e6 {
			return
		}
		r, err := back.Garment(Selection{})
		if err != nil {
			t.Fatalf("the surface that was written cannot be read: %v", err)
		}
		if r.Mesh.NumVertices() != s.Mesh.NumVertices() || len(r.Mesh.Triangles) != len(s.Mesh.Triangles) {
			t.Errorf("%d vertices, %d triangles; had %d, %d", r.Mesh.NumVertices(), len(r.Mesh.Triangles), s.Mesh.NumVertices(), len(s.Mesh.Triangles))
		}
		for _, p := range r.Mesh.Positions {
			if !mesh.Finite(p) {
				t.Fatal("a position is not finite")
			}
		}
	})
}
