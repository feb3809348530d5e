package pose

import (
	"math"
	"testing"

	"github.com/selvage/selvage/transfer/mesh"
	"github.com/selvage/selvage/transfer/weights"
	"gonum.org/v1/gonum/spatial/r3"
)

// sheetOf appends a square from -1 to 1 at height z, which faces up or down.
func sheetOf(f *Figure, z float64, up bool, share func(x, y float64) float64) {
	const n = 40
	base := int32(len(f.Mesh.Positions))
	for i := 0; i <= n; i++ {
		for j := 0; j <= n; j++ {
			x, y := -1+2*float64(i)/n, -1+2*float64(j)/n
			f.Mesh.Positions = append(f.Mesh.Positions, r3.Vec{X: x, Y: y, Z: z})
			s := share(x, y)
			f.Rows.Append([]uint16{0, 1}, []float64{1 - s, s})
		}
	}
	for i := 0; i < n; i++ {
		for j := 0; j < n; j++ {
			a := base + int32(i*(n+1)+j)
			b, c, d := a+1, a+n+1, a+n+2
			one, two := [3]int32{a, c, b}, [3]int32{b, c, d}
			if !up {
				one[1], one[2], two[1], two[2] = one[2], one[1], two[2], two[1]
			}
			f.Mesh.Triangles = append(f.Mesh.Triangles, one, two)
		}
	}
}

// A trunk at rest faces up at height 0; over it an arm faces down at height 0.3 and
// follows the joint by four fifths, with cloth 2 cm under it. Where the joint moves
// down by d the arm's skin comes to 0.3 - 0.8 d, cloth of its own rows to 0.28 - 0.8 d,
// and a patch that follows the joint whole to 0.28 - d.
func TestRun_CrossingDepth(t *testing.T) {
	constant := func(w float64) func(x, y float64) float64 { return func(float64, float64) float64 { return w } }
	body := &Figure{Name: "figure", Mesh: &mesh.Mesh{}, Rows: weights.NewRows(0), Skin: twoJoints()}
	sheetOf(body, 0, true, constant(0))
	sheetOf(body, 0.3, false, constant(0.8))
	patch := func(x, y float64) float64 {
		if math.Hypot(x, y) < 0.3 {
			return 1
		}
		return 0.8
	}
	for _, c := range []struct {
		name            string
		share           func(x, y float64) float64
		move            float64
		crossing, noted float64 // depth, m; 0: none
	}{
		{"stays above", constant(0.8), 0.30, 0, 0},
		{"arm above, its cloth in", constant(0.8), 0.36, 0, 0.008},
		{"patch in", patch, 0.33, 0.05, 0},
		{"the arm goes in itself", constant(0.8), 0.45, 0, 0},
	} {
		t.Run(c.name, func(t *testing.T) {
			cloth := &Figure{Name: "sleeve", Mesh: &mesh.Mesh{}, Rows: weights.NewRows(0), Skin: twoJoints()}
			sheetOf(cloth, 0.28, false, c.share)
			// As a sweep's pose, and as a whole one.
			plan := &Plan{Angles: []float64{}, Scale: []float64{}, Move: &c.move,
				Poses: []WholePose{{Name: "down", Set: []JointChange{{Joints: []string{"lower"}, Move: [3]float64{0, 0, -c.move}}}}}}
			_, _, all := run(t, body, cloth, plan)
			poses := 0
			for _, x := range all {
				down := x.Pose.Name == "down" || x.Pose.Joint == "lower" && x.Pose.Axis == "z" && x.Pose.Amount < 0
				crossing, noted := 0.0, 0.0
				for _, f := range x.Findings {
					if f.Kind == Crossing {
						crossing = max(crossing, f.Size)
						if r := math.Hypot(f.Place.Position[0], f.Place.Position[1]); r >= 0.3 {
							t.Errorf("not in the patch: %s", f.Sentence)
						}
					}
				}
				for _, f := range x.Notes {
					if f.Kind == CarriedIn {
						noted = max(noted, f.Size)
					}
				}
				want, note := c.crossing, c.noted
				if down {
					poses++
				} else {
					want, note = 0, 0
				}
				if math.Abs(crossing-want) > 1e-9 || math.Abs(noted-note) > 1e-9 {
					t.Errorf("%s: crosses by %g m, %g noted; want %g, %g", x.Pose.Name, crossing, noted, want, note)
				}
			}
			if poses != 2 {
				t.Errorf("%d poses go down", poses)
			}
		})
	}
}

// TestRun_CrossingsByWindingNumber: vertices of a thick coat that are said to have
// crossed, or to be carried in, stood outside the body and are inside, as the winding
// number of the whole closed body has it.
func TestRun_CrossingsByWindingNumber(t *testing.T) {
	garment, body := dressed("oilskin coat", nil), mateBody()
	k, _, all := run(t, body, garment, &Plan{Scale: []float64{}, Move: new(float64), Limits: Limits{Crossing: 0.0005},
		Joints: []JointRule{{Joints: []string{"*"}, Skip: true}, {Joints: []string{"upper_arm.*", "spine_*"}}}})
	crossed, carried := 0, 0
	for i, x := range all {
		for _, f := range append(x.Findings, x.Notes...) {
			switch {
			case f.Kind == Crossing:
				crossed++
			case f.Kind == CarriedIn && carried < 60:
				carried++
			default:
				continue
			}
			v := f.Place.Vertex
			cloth, posed := k.Posed(i)
			if w := winding(garment.Mesh.Positions[v], body.Mesh.Positions, body.Mesh.Triangles); math.Abs(w) > 0.01 {
				t.Errorf("was inside: winding number %.3f: %s", w, f.Sentence)
			}
			if w := winding(cloth[v], posed, body.Mesh.Triangles); w < 0.5 {
				t.Errorf("is outside: winding number %.3f: %s", w, f.Sentence)
			}
		}
	}
	t.Logf("%d crossings, %d carried in", crossed, carried)
	if crossed < 3 || carried < 20 {
		t.Errorf("%d crossings, %d carried in: it checks little", crossed, carried)
	}
}
