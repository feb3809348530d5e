package gltfio

import (
	"reflect"
	"testing"
)

// TestExactRows: legal rows have the file's own numbers, which Garment scales to a sum
// of exactly one; what is not legal stays mended.
func TestExactRows(t *testing.T) {
	b := newBuilder()
	node := b.body()
	third, seventh := float32(1)/3, float32(1)/7
	rows := [][4]float32{
		{third, 1 - third, 0, 0}, {seventh, 1 - seventh, 0, 0}, {0.9, 0.1, 0, 0}, // legal: off one by rounding at most
		{0.5, 0.25, 0, 0}, {0, 0, 0, 0}, {1.5, -0.5, 0, 0}, // not
		{1, 0, 0, 0}, {0.6, 0.2, 0.2, 0}, // the last one names a joint twice
		{1, 0, 0, 0}, {1, 0, 0, 0}, {1, 0, 0, 0}, {1, 0, 0, 0},
	}
	var w []float32
	var j []byte
	for _, r := range rows {
		w = append(w, r[:]...)
		j = append(j, 0, 1, 1, 0)
	}
	mesh := b.list("nodes")[node].(obj)["mesh"].(int)
	prim := b.list("meshes")[mesh].(obj)["primitives"].([]any)[0].(obj)["attributes"].(obj)
	prim["JOINTS_0"], prim["WEIGHTS_0"] = b.accessor(5121, "VEC4", 12, j, nil), b.floats("VEC4", 4, w...)
	a := b.parse(t)
	s, err := a.Garment(Selection{})
	if err != nil {
		t.Fatal(err)
	}
	exact, err := a.ExactRows(s)
	if err != nil {
		t.Fatal(err)
	}
	for v, r := range rows {
		_, got := exact.Row(v)
		_, mended := s.Rows.Row(v)
		want := mended
		switch {
		case v < 3:
			want = []float64{float64(r[0]), float64(r[1])}
		case v == 7:
			want = []float64{float64(r[0]), float64(r[1]) + float64(r[2])}
		}
		if !reflect.DeepEqual(append([]float64{}, got...), append([]float64{}, want...)) {
			t.Errorf("vertex %d: %v, want %v; the file has %v", v, got, want, r)
		}
	}
	s.Rows = nil
	if rows, err := a.ExactRows(s); rows != nil || err != nil {
		t.Errorf("without rows: %v, %v", rows, err)
	}
}
