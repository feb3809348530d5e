package shapes

import (
	"math"
	"math/rand/v2"
	"testing"

	"github.com/selvage/selvage/transfer/crew"
	"github.com/selvage/selvage/transfer/mesh"
	"gonum.org/v1/gonum/spatial/r3"
)

// volume of a closed mesh facing outwards: the sum of signed tetrahedra (the
// divergence theorem).
func volume(m *mesh.Mesh) (v float64) {
	for _, t := range m.Triangles {
		v += r3.Dot(m.Positions[t[0]], r3.Cross(m.Positions[t[1]], m.Positions[t[2]])) / 6
	}
	return v
}

func TestBodies(t *testing.T) {
	b := crew.NewBodyAt("mate", 0.3)
	whole := volume(b.Mesh)
	split, rows := Split(b.Mesh, b.Rows, len(b.Skin.Joints), func(r3.Vec) float64 { return 1 })
	if v := volume(split); math.Abs(v-whole) > 1e-12 || len(split.Triangles) != 4*len(b.Mesh.Triangles) || rows.Len() != len(split.Positions) {
		t.Errorf("split: volume %g, want %g", v, whole)
	}
	if v := volume(Mirrored(b.Mesh)); math.Abs(v-whole) > 1e-12 {
		t.Errorf("mirrored: volume %g, want %g", v, whole)
	}
	few, rows := Decimated(b.Mesh, b.Rows, 0.4)
	n := mesh.Weld(b.Mesh, mesh.WeldTolerance(b.Mesh)).Mesh.NumVertices()
	// Chords lie inside a round limb: some volume goes with every vertex.
	if got := len(few.Positions); got > n*42/100 || rows.Len() != got || math.Abs(volume(few)-whole) > 0.03*whole {
		t.Errorf("decimated: %d of %d vertices, volume %g of %g", got, n, volume(few), whole)
	}
	for i, open := range mesh.OpenBorder(few.Triangles, nil) {
		if open != 0 {
			t.Fatalf("decimated: triangle %d has an open edge", i)
		}
	}
}

func TestFormulas(t *testing.T) {
	r := rand.New(rand.NewPCG(1, 0))
	tube := Tube(21, 200, 0.05, 0.3, 0.5, r)
	area := 0.0
	for _, q := range tube.Triangles {
		n := r3.Cross(r3.Sub(tube.Positions[q[1]], tube.Positions[q[0]]), r3.Sub(tube.Positions[q[2]], tube.Positions[q[0]]))
		area += r3.Norm(n) / 2
		out := tube.Positions[q[0]]
		out.X = 0
		if r3.Dot(n, out) <= 0 {
			t.Fatal("a triangle of the tube faces inwards")
		}
	}
	if want := 2 * math.Pi * 0.05 * 0.3; math.Abs(area-want) > 0.001*want {
		t.Errorf("the tube's area is %g, want %g", area, want)
	}
	for i, q := range Triangles(10, 0.3, r).Triangles {
		m := Triangles(10, 0, r)
		if n := r3.Cross(r3.Sub(m.Positions[q[1]], m.Positions[q[0]]), r3.Sub(m.Positions[q[2]], m.Positions[q[0]])); math.Abs(n.Z-1e-4*math.Sqrt(3)/2) > 1e-12 {
			t.Fatalf("triangle %d of the plane is not equilateral", i)
		}
	}
}
