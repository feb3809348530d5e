package pose

// Checks against closed forms, derived here.

import (
	"context"
	"fmt"
	"math"
	"testing"

	"github.com/selvage/selvage/transfer/mesh"
	"github.com/selvage/selvage/transfer/skinning"
	"github.com/selvage/selvage/transfer/weights"
	"gonum.org/v1/gonum/spatial/r3"
)

// twoJoints is a skin of a root at (0,-1,0) and a joint at the origin; both frames
// are the world's.
func twoJoints() *skinning.Skin {
	s := &skinning.Skin{Name: "limb"}
	for j, y := range []float64{-1, 0} {
		g := skinning.Identity()
		g.T.Y = y
		inv, _ := g.Inverse()
		s.Joints = append(s.Joints, skinning.Joint{Name: []string{"upper", "lower"}[j], Parent: j - 1, Global: g, InverseBind: inv})
	}
	return s
}

// tube is a cylinder of radius r around the y axis from -1 to 1, with around
// vertices a ring and its rings at the multiples of 2/rings; the weight of the lower
// joint is share(y). Closed by two fans where capped.
func tube(name string, r float64, around, rings int, capped bool, share func(y float64) float64) *Figure {
	f := &Figure{Name: name, Mesh: &mesh.Mesh{}, Rows: weights.NewRows(0), Skin: twoJoints()}
	vertex := func(x, y, z float64) int32 {
		f.Mesh.Positions = append(f.Mesh.Positions, r3.Vec{X: x, Y: y, Z: z})
		s := share(y)
		f.Rows.Append([]uint16{0, 1}, []float64{1 - s, s})
		return int32(len(f.Mesh.Positions) - 1)
	}
	for k := 0; k <= rings; k++ {
		y := -1 + 2*float64(k)/float64(rings)
		for i := 0; i < around; i++ {
			a := 2 * math.Pi * float64(i) / float64(around)
			vertex(r*math.Cos(a), y, r*math.Sin(a))
		}
	}
	at := func(k, i int) int32 { return int32(k*around + i%around) }
	for k := 0; k < rings; k++ {
		for i := 0; i < around; i++ {
			a, b, c, d := at(k, i), at(k, i+1), at(k+1, i), at(k+1, i+1)
			f.Mesh.Triangles = append(f.Mesh.Triangles, [3]int32{a, c, b}, [3]int32{b, c, d})
		}
	}
	if capped {
		low, high := vertex(0, -1, 0), vertex(0, 1, 0)
		for i := 0; i < around; i++ {
			f.Mesh.Triangles = append(f.Mesh.Triangles, [3]int32{low, at(0, i), at(0, i+1)}, [3]int32{high, at(rings, i+1), at(rings, i)})
		}
	}
	return f
}

// ramp is 0 below -1/2, 1 above 1/2, and straight between: a bend of length 1.
func ramp(y float64) float64 { return min(max(y+0.5, 0), 1) }

// run checks a garment over a body with a plan.
func run(t testing.TB, body, garment *Figure, plan *Plan) (*Checker, *Report, []Result) {
	t.Helper()
	k, err := New(context.Background(), body, garment, Options{Plan: plan})
	if err != nil {
		t.Fatal(err)
	}
	var all []Result
	r, err := k.Run(context.Background(), func(x Result) error { all = append(all, x); return nil })
	if err != nil {
		t.Fatal(err)
	}
	return k, r, all
}

// A cylinder with a straight ramp of weights S from 0 to 1 over the length L of the
// bend, turned by f about an axis through the joint in the middle. Linear blending
// sends p to M p with M = I + S (R - I); write c = 1 - cos f.
//
// Bend (the axis across the tube). In the plane of the bend take p as the complex
// number s + i t, t along the tube, so that p goes to m p with
// m = 1 + S (e^if - 1), |m|^2 = 1 - 2 S (1-S) c, and dm/dt = (e^if - 1)/L. The Jacobian is
//
//	Im(conj(m) (i m + (e^if - 1)/L (s + i t))) = |m|^2 + (1/L) Im(conj(m) (e^if - 1) (s + i t)).
//
// Over a cross section the term in s vanishes by symmetry. With
// Re(conj(m) (e^if - 1)) = c (2S - 1) and t = L (S - 1/2) the rest is
// |m|^2 + 2 c (S - 1/2)^2, whose mean over S in [0,1] is 1 - c/3 + c/6 = 1 - c/6.
//
// Twist (the axis along the tube). A section stays in its plane and shrinks by |m|:
// the mean of |m|^2 is 1 - c/3.
//
// So 90 degrees cost a bend 1/6 and a twist 1/3 of its volume. The radius in the
// middle of a twist is |m| = cos(f/2), as known of linear blend skinning: Lewis,
// Cordner, Fong, "Pose Space Deformation", SIGGRAPH 2000, section 2.1, show the
// collapse; the closed form is the line above at S = 1/2.
func TestVolume_CylinderBentAndTwisted(t *testing.T) {
	// A polygon of 96 sides and 120 rings stands for the cylinder: sides and steps
	// change both volumes by a factor 1 - O(1/n^2) that all but cancels in the ratio.
	const tolerance = 2e-4
	body := tube("limb", 0.1, 96, 120, true, ramp)
	garment := tube("sleeve", 0.12, 96, 120, false, ramp)
	_, r, all := run(t, body, garment, &Plan{Angles: []float64{30, 45, 90}, Scale: []float64{}, Move: new(float64)})
	if r.Poses != 36 {
		t.Errorf("%d poses of two joints, 3 axes, 2 directions, 3 angles", r.Poses)
	}
	if r.Idle != 18 {
		t.Errorf("%d idle poses: the root moves all as one piece and nothing else does", r.Idle)
	}
	if len(r.Findings) != 0 {
		t.Errorf("%d findings though the sleeve has the limb's weights; first: %s", len(r.Findings), r.Findings[0].Sentence)
	}
	checked := 0
	for _, x := range all {
		if x.Pose.Joint != "lower" {
			continue
		}
		c := 1 - math.Cos(x.Pose.Amount*math.Pi/180)
		want := c / 6
		if x.Pose.Axis == "y" {
			want = c / 3
		}
		checked++
		if d := math.Abs(x.Measures.VolumeLoss - want); d > tolerance {
			t.Errorf("%s: the sleeve loses %.5f of its volume, want %.5f", x.Pose.Name, x.Measures.VolumeLoss, want)
		}
		if d := math.Abs(x.Measures.BodyVolume - want); d > tolerance {
			t.Errorf("%s: the limb loses %.5f of its volume, want %.5f", x.Pose.Name, x.Measures.BodyVolume, want)
		}
	}
	if checked != 18 {
		t.Errorf("%d poses compared", checked)
	}
	// The twist loses twice what the bends do: a helper joint's work, and the rigger
	// is told so once, about y.
	notes := 0
	for _, n := range r.Notes {
		if n.Kind == BodyVolume {
			notes++
			if n.Pose.Axis != "y" || math.Abs(n.Pose.Amount) != 90 || math.Abs(n.Size-1.0/3) > tolerance {
				t.Errorf("note on volume: %s", n.Sentence)
			}
		}
	}
	if notes != 1 {
		t.Errorf("%d notes on the body's volume, want 1", notes)
	}
}

func TestPosed_TwistCollapseRadius(t *testing.T) {
	body := tube("limb", 0.1, 32, 40, true, ramp)
	k, _, _ := run(t, body, body, &Plan{Angles: []float64{30, 90, 120, 180}, Scale: []float64{}, Move: new(float64)})
	checked := 0
	for i, p := range k.Poses() {
		if p.Joint != "lower" || p.Axis != "y" {
			continue
		}
		posed, _ := k.Posed(i)
		for v, x := range body.Mesh.Positions {
			r := math.Hypot(x.X, x.Z)
			if x.Y != 0 || r == 0 {
				continue
			}
			want := 0.1 * math.Abs(math.Cos(p.Amount*math.Pi/360))
			if got := math.Hypot(posed[v].X, posed[v].Z); math.Abs(got-want) > 1e-12 {
				t.Fatalf("%s: the middle ring has radius %g, want %g", p.Name, got, want)
			}
			checked++
		}
	}
	if checked != 8*32 {
		t.Errorf("%d vertices compared", checked)
	}
}

// A sleeve whose bend is half as long as the limb's breaks from it.
func TestRun_SleeveWithAnotherBend(t *testing.T) {
	body := tube("limb", 0.1, 48, 60, true, ramp)
	garment := tube("sleeve", 0.105, 48, 60, false, func(y float64) float64 { return min(max(y*8+0.5, 0), 1) })
	_, r, _ := run(t, body, garment, nil)
	seen := map[Kind]int{}
	for _, f := range r.Findings {
		seen[f.Kind]++
		if f.Pose.Joint != "lower" {
			t.Errorf("a fault at a joint that has none: %s", f.Sentence)
		}
		if math.Abs(f.Place.Position[1]) > 0.6 {
			t.Errorf("a fault outside the bend: %s", f.Sentence)
		}
		if f.Severity < 1 {
			t.Errorf("severity %g below the limit: %s", f.Severity, f.Sentence)
		}
	}
	if seen[Penetration] == 0 {
		t.Errorf("the sleeve dives into the limb and is not found: %v", seen)
	}
}

// The depth of a penetration is known where a plane of cloth over a flat body moves
// down by a known share of a known move.
func TestRun_PenetrationDepth(t *testing.T) {
	flat := func(name string, z float64, share float64, patch bool) *Figure {
		f := &Figure{Name: name, Mesh: &mesh.Mesh{}, Rows: weights.NewRows(0), Skin: twoJoints()}
		const n = 40
		for i := 0; i <= n; i++ {
			for j := 0; j <= n; j++ {
				x, y := -1+2*float64(i)/n, -1+2*float64(j)/n
				f.Mesh.Positions = append(f.Mesh.Positions, r3.Vec{X: x, Y: y, Z: z})
				s := 0.0
				if patch && math.Hypot(x, y) < 0.3 {
					s = share
				}
				f.Rows.Append([]uint16{0, 1}, []float64{1 - s, s})
			}
		}
		for i := 0; i < n; i++ {
			for j := 0; j < n; j++ {
				a, b, c, d := int32(i*(n+1)+j), int32(i*(n+1)+j+1), int32((i+1)*(n+1)+j), int32((i+1)*(n+1)+j+1)
				f.Mesh.Triangles = append(f.Mesh.Triangles, [3]int32{a, c, b}, [3]int32{b, c, d})
			}
		}
		return f
	}
	body, cloth := flat("board", 0, 0, false), flat("cloth", 0.01, 0.5, true)
	move := 0.1
	_, _, all := run(t, body, cloth, &Plan{Angles: []float64{}, Scale: []float64{}, Move: &move, Limits: Limits{Gap: 0.02}})
	checked := 0
	for _, x := range all {
		if x.Pose.Joint != "lower" {
			continue
		}
		// Half the patch's weight moves by 0.1 m: 5 cm down from 1 cm, or 5 cm up.
		want, found := map[float64]Kind{-0.1: Penetration, 0.1: Gap}[x.Pose.Amount], false
		if x.Pose.Axis != "z" {
			continue
		}
		size := map[Kind]float64{Penetration: 0.04, Gap: 0.05}[want]
		for _, f := range x.Findings {
			if f.Kind == want && math.Abs(f.Size-size) < 1e-9 && math.Hypot(f.Place.Position[0], f.Place.Position[1]) < 0.3 {
				found = true
			}
		}
		checked++
		if !found {
			t.Errorf("%s: no %s of %g m found: %v", x.Pose.Name, want, size, x.Findings)
		}
	}
	if checked != 2 {
		t.Errorf("%d poses compared", checked)
	}
}

// button is a small box on a garment: rows says the weight of its lower joint.
func button(f *Figure, y, r float64, share func(corner int) float64) {
	base := int32(len(f.Mesh.Positions))
	for c := 0; c < 8; c++ {
		f.Mesh.Positions = append(f.Mesh.Positions, r3.Vec{X: r + 0.005*float64(c&1), Y: y + 0.02*float64(c>>1&1), Z: 0.02 * float64(c>>2&1)})
		s := share(c)
		f.Rows.Append([]uint16{0, 1}, []float64{1 - s, s})
	}
	for _, t := range [12][3]int32{{0, 2, 3}, {0, 3, 1}, {4, 5, 7}, {4, 7, 6}, {0, 1, 5}, {0, 5, 4}, {2, 6, 7}, {2, 7, 3}, {0, 4, 6}, {0, 6, 2}, {1, 3, 7}, {1, 7, 5}} {
		f.Mesh.Triangles = append(f.Mesh.Triangles, [3]int32{t[0] + base, t[1] + base, t[2] + base})
	}
}

// A rigid island with one joint keeps its distances whatever the pose; one whose
// corners follow different joints does not.
func TestRun_RigidIsland(t *testing.T) {
	for _, c := range []struct {
		name  string
		share func(corner int) float64
		bends bool
	}{
		{"one joint", func(int) float64 { return 1 }, false},
		{"one row for all", func(int) float64 { return 0.5 }, false},
		{"two joints", func(c int) float64 { return float64(c >> 1 & 1) }, true},
	} {
		t.Run(c.name, func(t *testing.T) {
			body := tube("limb", 0.1, 48, 60, true, ramp)
			garment := tube("sleeve", 0.105, 48, 60, false, ramp)
			button(garment, 0.1, 0.106, c.share)
			k, r, all := run(t, body, garment, &Plan{Scale: []float64{}})
			if len(k.islands) != 1 || len(k.islands[0].members) != 8 {
				t.Fatalf("%d rigid islands found", len(k.islands))
			}
			found := 0
			for _, f := range r.Findings {
				if f.Kind == Deformed {
					found++
				}
			}
			if found > 0 != c.bends {
				t.Errorf("%d findings of deformed islands", found)
			}
			if c.name == "one joint" {
				for _, x := range all {
					if x.Measures.Deformed > 1e-12 {
						t.Errorf("%s: distances change by %g", x.Pose.Name, x.Measures.Deformed)
					}
				}
			}
		})
	}
}

// A seam whose two sides have different rows opens by a known width: the rows differ
// by 0.2 in a joint that moves 0.1 m.
func TestRun_SeamParts(t *testing.T) {
	body := tube("limb", 0.1, 48, 60, true, ramp)
	garment := tube("sleeve", 0.105, 48, 60, false, ramp)
	v := 30*48 + 5
	garment.Mesh.Positions = append(garment.Mesh.Positions, garment.Mesh.Positions[v])
	s := ramp(garment.Mesh.Positions[v].Y) + 0.2
	garment.Rows.Append([]uint16{0, 1}, []float64{1 - s, s})
	twin := int32(garment.Mesh.NumVertices() - 1)
	for i := range garment.Mesh.Triangles {
		tri := &garment.Mesh.Triangles[i]
		for k := range tri {
			if int(tri[k]) == v && i%2 == 0 {
				tri[k] = twin
			}
		}
	}
	move := 0.1
	_, r, _ := run(t, body, garment, &Plan{Angles: []float64{}, Scale: []float64{}, Move: &move})
	found := 0
	for _, f := range r.Findings {
		if f.Kind == Parted && f.Pose.Joint == "lower" {
			found++
			if math.Abs(f.Size-0.02) > 1e-12 {
				t.Errorf("%s: opens by %g m, want 0.02", f.Pose.Name, f.Size)
			}
		}
	}
	if found != 6 {
		t.Errorf("%d poses open the seam, want 6", found)
	}
}

// Kinks of a known angle: the second difference of a line bent by f at one vertex
// is sin(f/2) edge lengths.
func TestLine_SecondDifferenceOfAKink(t *testing.T) {
	for _, degrees := range []float64{0, 10, 60, 90, 180} {
		t.Run(fmt.Sprint(degrees), func(t *testing.T) {
			f := degrees * math.Pi / 180
			l := line{t: 0.5, length: 2}
			got := norm(l.second(r3.Vec{X: -2}, r3.Vec{}, r3.Vec{X: 2 * math.Cos(f), Y: 2 * math.Sin(f)})) / l.length
			if want := math.Sin(f / 2); math.Abs(got-want) > 1e-12 {
				t.Errorf("%g, want %g", got, want)
			}
		})
	}
}

// The body's pose in which nothing differs: a garment that is the body itself.
func TestRun_GarmentIsBody(t *testing.T) {
	body := tube("limb", 0.1, 48, 60, true, ramp)
	_, r, _ := run(t, body, body, nil)
	if len(r.Findings) != 0 {
		t.Errorf("%d findings; first: %s", len(r.Findings), r.Findings[0].Sentence)
	}
}
