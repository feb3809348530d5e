package pose

import (
	"context"
	"encoding/json"
	"math"
	"math/rand/v2"
	"testing"

	"github.com/selvage/selvage/transfer/mesh"
	"github.com/selvage/selvage/transfer/weights"
	"gonum.org/v1/gonum/spatial/r3"
)

// TestRun_AnySurface: degenerate, duplicate and non-manifold triangles, unused
// vertices, empty rows and rows that do not sum to one give a report of finite
// numbers.
func TestRun_AnySurface(t *testing.T) {
	const seed = 17
	r := rand.New(rand.NewPCG(seed, 0))
	figure := func(name string, n, triangles int) *Figure {
		f := &Figure{Name: name, Mesh: &mesh.Mesh{}, Rows: weights.NewRows(0), Skin: twoJoints()}
		for range n {
			p := r3.Vec{X: r.NormFloat64(), Y: r.NormFloat64(), Z: r.NormFloat64()}
			if r.IntN(4) == 0 { // on a grid: coincident and collinear ones
				p = r3.Vec{X: float64(r.IntN(3)), Y: float64(r.IntN(3)), Z: float64(r.IntN(2))}
			}
			f.Mesh.Positions = append(f.Mesh.Positions, r3.Scale(0.3, p))
			switch s := r.Float64(); r.IntN(5) {
			case 0:
				f.Rows.Append(nil, nil)
			case 1:
				f.Rows.Append([]uint16{1}, []float64{1})
			case 2:
				f.Rows.Append([]uint16{0, 1}, []float64{0.3 * s, 0.4})
			default:
				f.Rows.Append([]uint16{0, 1}, []float64{1 - s, s})
			}
		}
		for range triangles {
			f.Mesh.Triangles = append(f.Mesh.Triangles, [3]int32{int32(r.IntN(n)), int32(r.IntN(n)), int32(r.IntN(n))})
		}
		return f
	}
	for i := range 40 {
		body, garment := figure("body", 3+r.IntN(40), r.IntN(60)), figure("garment", 3+r.IntN(40), r.IntN(60))
		k, err := New(context.Background(), body, garment, Options{Plan: &Plan{Poses: []WholePose{{Name: "both", Set: []JointChange{{Joints: []string{"*"}, Turn: [3]float64{50, 20, -80}}}}}}})
		if err != nil {
			t.Fatalf("seed %d, case %d: %v", seed, i, err)
		}
		report, err := k.Run(context.Background(), func(x Result) error {
			_, err := json.Marshal(x) // NaN and infinity have no JSON
			return err
		})
		if err != nil {
			t.Fatalf("seed %d, case %d: %v", seed, i, err)
		}
		if _, err := json.Marshal(report); err != nil {
			t.Fatalf("seed %d, case %d: %v", seed, i, err)
		}
	}
	bad := figure("bad", 5, 5)
	bad.Rows.Weight[0] = math.NaN()
	if _, err := New(context.Background(), bad, bad, Options{}); err == nil {
		t.Error("a weight that is not a number and no error")
	}
}
