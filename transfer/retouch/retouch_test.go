package retouch

import (
	"context"
	"errors"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"sync"
	"testing"

	"github.com/selvage/selvage/transfer"
	"github.com/selvage/selvage/transfer/crew"
	"github.com/selvage/selvage/transfer/gltfio"
	"github.com/selvage/selvage/transfer/internal/shapes"
	"github.com/selvage/selvage/transfer/internal/threejs"
	"github.com/selvage/selvage/transfer/laplacian"
	"github.com/selvage/selvage/transfer/mesh"
	"github.com/selvage/selvage/transfer/skinning"
	"github.com/selvage/selvage/transfer/weights"
	"gonum.org/v1/gonum/spatial/r3"
)

// stored is the largest distance of a weight from the one it was computed as: half a
// step of a float32 below one.
const stored = 6e-8

func rng(t testing.TB, seed uint64) *rand.Rand {
	t.Helper()
	t.Cleanup(func() {
		if t.Failed() {
			t.Logf("seed %d", seed)
		}
	})
	return rand.New(rand.NewPCG(seed, 0))
}

// bodies are the crew's, made once.
var theMate = sync.OnceValue(func() *crew.Body { return crew.NewBody("mate") })

func surfaceOf(b *crew.Body) *Surface { return &Surface{Mesh: b.Mesh, Rows: b.Rows, Skin: b.Skin} }

// joints is a skin whose joints stand at the given places, each the child of the one
// before.
func joints(named map[string]r3.Vec, order ...string) *skinning.Skin {
	s := &skinning.Skin{}
	for i, n := range order {
		g := skinning.Identity()
		g.T = named[n]
		inv, _ := g.Inverse()
		s.Joints = append(s.Joints, skinning.Joint{Name: n, Parent: i - 1, Global: g, InverseBind: inv})
	}
	return s
}

var twoJoints = joints(map[string]r3.Vec{"a": {}, "b": {X: 1}}, "a", "b")

// TestFill_LinearPrecision: what is linear in a plane is filled in as it was.
// Source: Wardetzky, Mathur, Kälberer, Grinspun 2007, "Discrete Laplace operators: No
// free lunch", Symposium on Geometry Processing, section 2 ("linear precision"), which
// the cotangent weights have, with non-negative ones on Delaunay triangles.
func TestFill_LinearPrecision(t *testing.T) {
	m := shapes.Triangles(30, 0.3, rng(t, 1))
	for _, w := range laplacian.New(m.Positions, m.Triangles, laplacian.Cotangent).Weight {
		if w < 0 {
			// The border's weights are of one triangle, whose angles are all acute too.
			t.Fatalf("a cotangent weight is %g: the mesh is no test of this", w)
		}
	}
	linear := func(p r3.Vec) float64 { return 0.2 + 1.5*p.X + 0.8*p.Y }
	truth := shapes.Shared(m, linear)
	mask := make([]bool, len(m.Positions))
	wrong := weights.NewRows(0)
	for v, p := range m.Positions {
		mask[v] = p.X > 0.06 && p.X < 0.22 && p.Y > 0.05 && p.Y < 0.19
		if mask[v] {
			wrong.Append([]uint16{uint16(v % 2)}, []float64{1})
		} else {
			wrong.Append(truth.Row(v))
		}
	}
	for _, energy := range []transfer.Fill{transfer.FillHarmonic, transfer.FillBiharmonic} {
		r, report, err := Fill(t.Context(), &Surface{Mesh: m, Rows: wrong, Skin: twoJoints}, mask, energy, Form{})
		if err != nil {
			t.Fatal(err)
		}
		worst := 0.0
		for v := range mask {
			if !mask[v] && r.Changed[v] {
				t.Fatalf("vertex %d lies outside and changed", v)
			}
			worst = max(worst, r.Rows.DistanceL1(v, truth, v))
		}
		t.Logf("energy %d: %d vertices filled, L1 at most %.2g", energy, report.Region, worst)
		// Rows are stored as floats; the solver leaves out what is below 1e-9.
		if worst > 4*stored || report.Region < 200 || report.Unreached+report.Clamped > 0 || report.Overshoot > 0 {
			t.Errorf("energy %d: L1 %g from the truth; %+v", energy, worst, report)
		}
	}
}

// TestFill_Overshoot: on a strip whose rows change along it alone the biharmonic fill is
// the cubic that goes on from both ends. From a weight that falls to zero with slope s, to
// zero with slope zero at the length 1, that is -s t (1-t)^2, lowest at t = 1/3 with
// -4 s / 27: what is lower than a thousandth is counted.
func TestFill_Overshoot(t *testing.T) {
	const across, along, h, s, counted = 4, 201, 0.01, 0.02, 1e-3
	m := &mesh.Mesh{}
	rows := weights.NewRows(0)
	mask := make([]bool, 0, across*along)
	want, open := 0, 0
	for i := range along {
		x := float64(i) * h
		u := x - 0.5 // 0 to 1 in the region
		for k := range across {
			m.Positions = append(m.Positions, r3.Vec{X: x, Y: float64(k) * h})
			mask = append(mask, u > h/2 && u < 1-h/2)
			b := max(0, -s*u)
			rows.Append([]uint16{0, 1}, []float64{1 - b, b})
			// The steps of the mesh blur where the cubic crosses the limit by one or two.
			depth := func(u float64) float64 { return s * u * (1 - u) * (1 - u) }
			if mask[len(mask)-1] && depth(u) > counted {
				want++
			}
			if mask[len(mask)-1] && (depth(u-2*h) > counted) != (depth(u+2*h) > counted) {
				open++
			}
			if i+1 < along && k+1 < across {
				a := int32(i*across + k)
				m.Triangles = append(m.Triangles, [3]int32{a, a + across, a + across + 1}, [3]int32{a, a + across + 1, a + 1})
			}
		}
	}
	_, report, err := Fill(t.Context(), &Surface{Mesh: m, Rows: rows, Skin: twoJoints}, mask, transfer.FillBiharmonic, Form{})
	if err != nil {
		t.Fatal(err)
	}
	if off := math.Abs(report.Overshoot - 4*s/27); off > 0.02*4*s/27 {
		t.Errorf("it overshot by %.5f, want %.5f", report.Overshoot, 4*s/27)
	}
	if report.Clamped < want-open || report.Clamped > want+open || open > want/5 || want > report.Region*3/4 {
		t.Errorf("%d vertices counted of %d, want %d, %d of them open", report.Clamped, report.Region, want, open)
	}
}

// TestFill_MaximumPrinciple: a harmonically filled weight lies between the least and
// the greatest around the region, whatever the triangles (the crew's body has obtuse
// ones). Source: the same, section 2 ("positive weights").
func TestFill_MaximumPrinciple(t *testing.T) {
	b := theMate()
	s := surfaceOf(b)
	r := rng(t, 2)
	centre := b.Mesh.Positions[r.IntN(len(b.Mesh.Positions))]
	mask := make([]bool, len(b.Mesh.Positions))
	for v, p := range b.Mesh.Positions {
		mask[v] = r3.Norm(r3.Sub(p, centre)) < 0.25
	}
	// Rows around it that jump about.
	s.Rows = weights.NewRows(0)
	g, err := join(t.Context(), &Surface{Mesh: b.Mesh, Rows: b.Rows, Skin: b.Skin}, Form{})
	if err != nil {
		t.Fatal(err)
	}
	lot := make([]uint16, len(g.member))
	for w := range lot {
		lot[w] = uint16(r.IntN(5))
	}
	for _, w := range g.to {
		s.Rows.Append([]uint16{lot[w], 7}, []float64{0.5 + 0.1*float64(lot[w]), 0.5 - 0.1*float64(lot[w])})
	}
	out, report, err := Fill(t.Context(), s, mask, transfer.FillHarmonic, Form{MaxInfluences: 8})
	if err != nil {
		t.Fatal(err)
	}
	if report.Region < 300 || report.Clamped > 0 || report.Overshoot > 0 {
		t.Fatalf("%+v", report)
	}
	for v := range mask {
		if !mask[v] {
			continue
		}
		joint, weight := out.Rows.Row(v)
		sum := 0.0
		for i, j := range joint {
			// Joint j < 5 has at most the weight that the rows give it, joint 7 from .1 to .5.
			most := 0.5 + 0.1*float64(j)
			if j == 7 {
				most = 0.5
			}
			if weight[i] < 0 || weight[i] > most+2*stored {
				t.Fatalf("vertex %d: joint %d has %g, more than %g around it", v, j, weight[i], most)
			}
			sum += weight[i]
		}
		if math.Abs(sum-1) > 1e-6 || weightOf(out.Rows, v, 7) < 0.1-2*stored {
			t.Fatalf("vertex %d: sum %g, row %v %v", v, sum, joint, weight)
		}
	}
	seamsEqual(t, b.Mesh, out.Rows)
}

// seamsEqual checks that vertices in one place have one row.
func seamsEqual(t *testing.T, m *mesh.Mesh, rows *weights.Rows) {
	t.Helper()
	first := map[r3.Vec]int{}
	for v, p := range m.Positions {
		if u, ok := first[p]; ok && !equalRows(rows, u, rows, v) {
			t.Fatalf("vertices %d and %d stand in one place with different rows", u, v)
		} else if !ok {
			first[p] = v
		}
	}
}

func TestFill_Unreached(t *testing.T) {
	// Two islands: one half masked, one wholly.
	m := shapes.Triangles(6, 0, rng(t, 3))
	n := len(m.Positions)
	for _, p := range m.Positions[:n:n] {
		m.Positions = append(m.Positions, r3.Add(p, r3.Vec{Z: 1}))
	}
	for _, q := range m.Triangles[:len(m.Triangles):len(m.Triangles)] {
		m.Triangles = append(m.Triangles, [3]int32{q[0] + int32(n), q[1] + int32(n), q[2] + int32(n)})
	}
	s := &Surface{Mesh: m, Rows: shapes.Shared(m, func(p r3.Vec) float64 { return p.Z }), Skin: twoJoints}
	mask := make([]bool, 2*n)
	for v := n; v < 2*n; v++ {
		mask[v] = true
	}
	var option *transfer.OptionError
	if _, _, err := Fill(t.Context(), s, mask, 0, Form{}); !errors.As(err, &option) {
		t.Errorf("a region without surroundings: %v", err)
	}
	mask[0], mask[1] = true, true
	r, report, err := Fill(t.Context(), s, mask, 0, Form{})
	if err != nil || report.Unreached != n || report.Region != n+2 || slices.Contains(r.Changed, true) {
		t.Errorf("%+v, %v", report, err)
	}
	if _, _, err := Fill(t.Context(), s, make([]bool, 2*n), 0, Form{}); !errors.As(err, &option) {
		t.Errorf("an empty region: %v", err)
	}
	if _, _, err := Fill(t.Context(), s, make([]bool, 3), 0, Form{}); err == nil {
		t.Error("a region of another length is taken")
	}
}

// TestSmooth_Analytic: on a cylinder, cos(k angle) is an eigenfunction of the
// Laplacian with eigenvalue -(k/radius)^2, so that an implicit step of length l
// multiplies it by 1 / (1 + (k l/radius)^2). Source: textbook separation of variables.
func TestSmooth_Analytic(t *testing.T) {
	const around, radius, k = 120, 0.05, 3
	m := shapes.Tube(12, around, radius, 0.05, 0, rng(t, 4))
	wave := func(a float64) func(p r3.Vec) float64 {
		return func(p r3.Vec) float64 { return 0.5 + a*math.Cos(k*math.Atan2(p.Z, p.Y)) }
	}
	s := &Surface{Mesh: m, Rows: shapes.Shared(m, wave(0.4)), Skin: twoJoints}
	r, report, err := Smooth(t.Context(), s, nil, SmoothOptions{Strength: 4}, Form{})
	if err != nil {
		t.Fatal(err)
	}
	// The mean edge differs between the border rings and the rest by little.
	l := report.Length
	want := shapes.Shared(m, wave(0.4/(1+(k*l/radius)*(k*l/radius))))
	worst := 0.0
	for v := range m.Positions {
		if i := v / around; i > 3 && i < 8 {
			worst = max(worst, r.Rows.DistanceL1(v, want, v))
		}
	}
	t.Logf("length %.4f m, amplitude 0.4 to %.4f, L1 at most %.2g from the analytic one", l, 0.4/(1+(k*l/radius)*(k*l/radius)), worst)
	// Of second order in the edge: (2 pi/120 * 3)^2/12 = 0.2% of the eigenvalue; the
	// border's smoothing length adds about as much.
	if worst > 0.01 {
		t.Errorf("L1 %g from the analytic solution", worst)
	}
}

func TestSmooth_Noise(t *testing.T) {
	b := theMate()
	r := rng(t, 5)
	g, err := join(t.Context(), surfaceOf(b), Form{})
	if err != nil {
		t.Fatal(err)
	}
	noisy := weights.NewRows(0)
	acc := weights.NewAccumulator(len(b.Skin.Joints))
	seed := make([]uint64, len(g.member))
	for w := range seed {
		seed[w] = r.Uint64()
	}
	for v, w := range g.to {
		lot := rand.New(rand.NewPCG(seed[w], 0))
		joint, weight := b.Rows.Row(v)
		for i, j := range joint {
			acc.Add(j, weight[i]*(0.2+1.6*lot.Float64()))
		}
		acc.FlushNormalised(noisy)
	}
	mask := make([]bool, len(g.to))
	for v, p := range b.Mesh.Positions {
		mask[v] = p.Y > 0.5
	}
	error := func(rows, truth *weights.Rows) (sum float64) {
		for v := range mask {
			if mask[v] {
				sum += rows.DistanceL1(v, truth, v)
			}
		}
		return sum
	}
	// Smoothing is linear: what it makes of the noise is the difference from what it
	// makes of the rows without.
	clean, _, err := Smooth(t.Context(), surfaceOf(b), mask, SmoothOptions{Passes: 2}, Form{MaxInfluences: 8})
	if err != nil {
		t.Fatal(err)
	}
	var last *Result
	for _, threads := range []int{1, 3} {
		out, report, err := Smooth(t.Context(), &Surface{Mesh: b.Mesh, Rows: noisy, Skin: b.Skin}, mask, SmoothOptions{Passes: 2}, Form{MaxInfluences: 8, Threads: threads})
		if err != nil {
			t.Fatal(err)
		}
		for v := range mask {
			if !mask[v] && out.Changed[v] && !slices.ContainsFunc(g.member[g.to[v]], func(u int32) bool { return mask[u] }) {
				t.Fatalf("vertex %d lies outside and changed", v)
			}
			if err := weights.Float32.CheckStored(v, rowOf(out.Rows, v)); out.Changed[v] && err != nil {
				t.Fatal(err)
			}
		}
		seamsEqual(t, b.Mesh, out.Rows)
		before, after := error(noisy, b.Rows), error(out.Rows, clean.Rows)
		t.Logf("%d vertices, length %.1f mm: L1 sum %.1f to %.1f", report.Region, 1000*report.Length, before, after)
		if after > 0.4*before {
			t.Errorf("the noise went from %g to %g only", before, after)
		}
		if last != nil && !slices.Equal(last.Rows.Weight, out.Rows.Weight) {
			t.Error("the rows depend on the number of threads")
		}
		last = out
	}
	// What is constant stays.
	one := weights.NewRows(0)
	for range mask {
		one.Append([]uint16{3, 9}, []float64{0.25, 0.75})
	}
	out, _, err := Smooth(t.Context(), &Surface{Mesh: b.Mesh, Rows: one, Skin: b.Skin}, nil, SmoothOptions{Strength: 10}, Form{})
	if err != nil || slices.Contains(out.Changed, true) {
		t.Errorf("a constant row changed: %v", err)
	}
}

func rowOf(r *weights.Rows, v int) []float64 {
	_, w := r.Row(v)
	return w
}

// TestIsotonic_WorkedExample: the example of isoreg in the R manual (package stats,
// from memory): 1 0 4 3 3 5 4 2 0 gives 0.5 twice and 3 seven times.
func TestIsotonic_WorkedExample(t *testing.T) {
	got := isotonic([]float64{1, 0, 4, 3, 3, 5, 4, 2, 0}, []float64{1, 1, 1, 1, 1, 1, 1, 1, 1})
	if want := []float64{0.5, 0.5, 3, 3, 3, 3, 3, 3, 3}; !slices.Equal(got, want) {
		t.Errorf("%v, want %v", got, want)
	}
	in := []float64{0.1, 0.1, 0.25, 0.7}
	if got := isotonic(in, []float64{1, 2, 3, 4}); !slices.Equal(got, in) {
		t.Errorf("values in order became %v", got)
	}
}

// TestIsotonic_MinMax: f_i is the greatest over j <= i of the least over k >= i of the
// weighted mean of values j to k. Source: Barlow, Bartholomew, Bremner, Brunk 1972,
// "Statistical Inference under Order Restrictions", section 1.2, the max-min formulas
// (from memory).
func TestIsotonic_MinMax(t *testing.T) {
	r := rng(t, 6)
	for trial := range 100 {
		n := 1 + r.IntN(30)
		y, w := make([]float64, n), make([]float64, n)
		for i := range y {
			y[i], w[i] = r.Float64(), 0.1+r.Float64()
		}
		got := isotonic(y, w)
		for i := range y {
			want := math.Inf(-1)
			for j := 0; j <= i; j++ {
				least, sum, weight := math.Inf(1), 0.0, 0.0
				for k := j; k < n; k++ {
					sum, weight = sum+w[k]*y[k], weight+w[k]
					if k >= i {
						least = min(least, sum/weight)
					}
				}
				want = max(want, least)
			}
			if math.Abs(got[i]-want) > 1e-12 {
				t.Fatalf("trial %d, value %d: %g, want %g", trial, i, got[i], want)
			}
		}
	}
}

// limb is a tube with a third joint and the pair's share as given.
func limb(m *mesh.Mesh, share func(v int, x float64) float64) *Surface {
	skin := joints(map[string]r3.Vec{"hand": {X: -1}, "forearm": {X: 0.05}, "forearm_twist": {X: 0.25}}, "hand", "forearm", "forearm_twist")
	rows := weights.NewRows(0)
	for v, p := range m.Positions {
		f := min(max(share(v, p.X), 0), 1)
		s := 0.6 + 0.4*math.Sin(math.Pi*p.X/0.3)
		rows.Append([]uint16{0, 1, 2}, []float64{1 - s, s * f, s - s*f})
	}
	return &Surface{Mesh: m, Rows: rows, Skin: skin}
}

func TestEven_Cylinder(t *testing.T) {
	for _, c := range []struct {
		name   string
		jitter float64
		format weights.Format
	}{{"rings", 0, weights.Float32}, {"no rings", 1.6, weights.Float32}, {"bytes", 1.6, weights.Uint8}} {
		t.Run(c.name, func(t *testing.T) {
			r := rng(t, 7)
			m := shapes.Tube(41, 24, 0.04, 0.3, c.jitter, r)
			truth := func(x float64) float64 { return 1 - x/0.3 }
			s := limb(m, func(_ int, x float64) float64 { return truth(x) + 0.2*(r.Float64()-0.5) })
			var err error
			if s.Rows, err = weights.Quantise(s.Rows, c.format); err != nil {
				t.Fatal(err)
			}
			form := Form{Format: c.format}
			out, report, err := Even(t.Context(), s, nil, "forearm", "forearm_twist", form)
			if err != nil {
				t.Fatal(err)
			}
			step := stored
			if n := c.format.Steps(); n > 0 {
				step = 1 / float64(n)
			}
			type at struct{ x, f, s float64 }
			var list []at
			sq, noise := 0.0, 0.0
			for v, p := range m.Positions {
				a, b := weightOf(out.Rows, v, 1), weightOf(out.Rows, v, 2)
				oldA, oldB := weightOf(s.Rows, v, 1), weightOf(s.Rows, v, 2)
				// The sum of the pair is kept: each weight is rounded by itself.
				if math.Abs(a+b-oldA-oldB) > 3*step {
					t.Fatalf("vertex %d: the pair has %g, had %g", v, a+b, oldA+oldB)
				}
				list = append(list, at{p.X, a / (a + b), a + b})
				sq += (a/(a+b) - truth(p.X)) * (a/(a+b) - truth(p.X))
				noise += (oldA/(oldA+oldB) - truth(p.X)) * (oldA/(oldA+oldB) - truth(p.X))
			}
			slices.SortFunc(list, func(a, b at) int {
				if a.x < b.x {
					return -1
				}
				return 1
			})
			steepest, uneven := 0.0, 0.0
			for i := 1; i < len(list); i++ {
				dx, df := list[i].x-list[i-1].x, list[i].f-list[i-1].f
				room := 4 * step / min(list[i].s, list[i-1].s)
				if dx < 1e-9 {
					uneven = max(uneven, math.Abs(df)-room)
				} else if df > room {
					t.Fatalf("at %.4f m the share rises by %g", list[i].x, df)
				}
				steepest = max(steepest, -df-room)
			}
			n := float64(len(list))
			t.Logf("root mean square from the truth: %.4f to %.4f; steepest between neighbours %.4f; %+v", math.Sqrt(noise/n), math.Sqrt(sq/n), steepest, *report)
			if uneven > 0 {
				t.Errorf("a ring is uneven by %g", uneven)
			}
			// Noise of a ring of 24 is down by its root at least: 0.058 to 0.012, and the
			// order that isotonic regression puts in takes some more.
			if math.Sqrt(sq/n) > 0.015 || steepest > 0.1 {
				t.Errorf("%.4f from the truth, steps up to %.4f", math.Sqrt(sq/n), steepest)
			}
			again, second, err := Even(t.Context(), &Surface{Mesh: m, Rows: out.Rows, Skin: s.Skin}, nil, "forearm", "forearm_twist", form)
			if err != nil || !second.Already || slices.Contains(again.Changed, true) {
				t.Errorf("the second time changes it: %+v, %v", second, err)
			}
			reversed, _, err := Even(t.Context(), s, nil, "forearm_twist", "forearm", form)
			if err != nil {
				t.Fatal(err)
			}
			for v := range m.Positions {
				if d := reversed.Rows.DistanceL1(v, out.Rows, v); d > 8*step {
					t.Fatalf("vertex %d: the order of the pair matters by %g", v, d)
				}
			}
		})
	}
}

// TestEven_Already: an even share stays, however it runs.
func TestEven_Already(t *testing.T) {
	m := shapes.Tube(41, 24, 0.04, 0.3, 1.6, rng(t, 8))
	for name, f := range map[string]func(x float64) float64{
		"linear":   func(x float64) float64 { return 1 - x/0.3 },
		"smooth":   func(x float64) float64 { return 0.5 + 0.5*math.Cos(math.Pi*x/0.3) },
		"plateaus": func(x float64) float64 { return 1.5 - x/0.1 },
		"rising":   func(x float64) float64 { return x / 0.3 },
	} {
		for _, format := range []weights.Format{weights.Float32, weights.Uint8} {
			s := limb(m, func(_ int, x float64) float64 { return f(x) })
			s.Rows, _ = weights.Quantise(s.Rows, format)
			r, report, err := Even(t.Context(), s, nil, "forearm", "forearm_twist", Form{Format: format})
			if err != nil || !report.Already || slices.Contains(r.Changed, true) {
				t.Errorf("%s, format %d: %+v, %v", name, format, report, err)
			}
		}
	}
}

// TestEven_OneAxis: a pair whose joints coincide is turned about the limb.
func TestEven_OneAxis(t *testing.T) {
	r := rng(t, 9)
	m := shapes.Tube(41, 24, 0.04, 0.3, 1.6, r)
	s := limb(m, func(_ int, x float64) float64 { return 1 - x/0.3 + 0.2*(r.Float64()-0.5) })
	want, _, err := Even(t.Context(), s, nil, "forearm", "forearm_twist", Form{})
	if err != nil {
		t.Fatal(err)
	}
	s.Skin.Joints[2].Global.T = s.Skin.Joints[1].Global.T
	got, _, err := Even(t.Context(), s, nil, "forearm", "forearm_twist", Form{})
	if err != nil {
		t.Fatal(err)
	}
	for v := range m.Positions {
		// The limb's greatest extent is its axis but for how the vertices are scattered.
		if d := got.Rows.DistanceL1(v, want.Rows, v); d > 0.02 {
			t.Fatalf("vertex %d: L1 %g from the other axis", v, d)
		}
	}
}

func TestEven_Errors(t *testing.T) {
	m := shapes.Tube(5, 6, 0.04, 0.3, 0, rng(t, 10))
	s := limb(m, func(int, float64) float64 { return 0.5 })
	for _, pair := range [][2]string{{"forearm", "elbow"}, {"forearm", "forearm"}} {
		var option *transfer.OptionError
		if _, _, err := Even(t.Context(), s, nil, pair[0], pair[1], Form{}); !errors.As(err, &option) {
			t.Errorf("%v: %v", pair, err)
		}
	}
	s.Skin.Joints[0].Name = "forearm"
	if _, _, err := Even(t.Context(), s, nil, "forearm", "forearm_twist", Form{}); err == nil {
		t.Error("a name that two joints have is taken")
	}
}

// TestEven_NoPair: joints of which one has no weight, or whose weights meet nowhere, are
// no pair, and nothing is done with them; those that meet at an edge alone are one.
func TestEven_NoPair(t *testing.T) {
	m := shapes.Tube(12, 6, 0.04, 0.3, 0, rng(t, 10))
	s := limb(m, func(int, float64) float64 { return 0.5 })
	const third, a, b = 0, 1, 2 // hand, forearm, forearm_twist
	along := func(p r3.Vec) float64 { return p.X / 0.3 }
	rows := func(joint func(x float64) int) *weights.Rows {
		r := weights.NewRows(0)
		for _, p := range m.Positions {
			r.Append([]uint16{uint16(joint(along(p)))}, []float64{1})
		}
		return r
	}
	half := func(x float64) int {
		if x > 0.5 {
			return b
		}
		return a
	}
	for _, x := range []struct {
		name  string
		rows  *weights.Rows
		mask  []bool
		wrong string
	}{
		{"one without weight", rows(func(float64) int { return a }), nil, `no vertex has weight on "forearm_twist"`},
		{"the other", rows(func(float64) int { return b }), nil, `no vertex has weight on "forearm"`},
		{"both", rows(func(float64) int { return third }), nil, `no vertex has weight on "forearm" or "forearm_twist"`},
		{"apart", rows(func(x float64) int {
			if x > 0.3 && x < 0.7 {
				return third
			}
			return half(x)
		}), nil, "they share no limb"},
		{"meeting at an edge", rows(half), nil, ""},
		{"outside the region", rows(half), make([]bool, m.NumVertices()), `no vertex of the region has weight on "forearm_twist"`},
	} {
		s.Rows = x.rows
		if x.mask != nil {
			for v, p := range m.Positions {
				x.mask[v] = along(p) < 0.5
			}
		}
		_, _, err := Even(t.Context(), s, x.mask, "forearm", "forearm_twist", Form{})
		var option *transfer.OptionError
		if x.wrong == "" && err != nil || x.wrong != "" && (!errors.As(err, &option) || !strings.HasSuffix(err.Error(), x.wrong)) {
			t.Errorf("%s: %v, want %q", x.name, err, x.wrong)
		}
	}
}

// TestEven_Full: a row without room for the other joint keeps its share, counted.
func TestEven_Full(t *testing.T) {
	m := shapes.Tube(9, 12, 0.04, 0.3, 0, rng(t, 11))
	s := limb(m, func(v int, x float64) float64 { return float64(v % 2) })
	rows := weights.NewRows(0)
	for v := range m.Positions { // the third joint, and one of the pair
		rows.Append([]uint16{0, uint16(1 + v%2)}, []float64{0.5, 0.5})
	}
	s.Rows = rows
	r, report, err := Even(t.Context(), s, nil, "forearm", "forearm_twist", Form{MaxInfluences: 2})
	if err != nil || slices.Contains(r.Changed, true) || report.Full != len(m.Positions) {
		t.Errorf("%+v, %v", report, err)
	}
}

func TestCancelled(t *testing.T) {
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	s := surfaceOf(theMate())
	mask := make([]bool, len(s.Mesh.Positions))
	mask[0] = true
	for name, f := range map[string]func() error{
		"fill":   func() error { _, _, err := Fill(ctx, s, mask, 0, Form{}); return err },
		"mirror": func() error { _, _, err := Mirror(ctx, s, nil, MirrorOptions{}, Form{}); return err },
		"even":   func() error { _, _, err := Even(ctx, s, nil, "forearm.left", "forearm_twist.left", Form{}); return err },
		"smooth": func() error { _, _, err := Smooth(ctx, s, nil, SmoothOptions{}, Form{}); return err },
	} {
		if err := f(); !errors.Is(err, context.Canceled) {
			t.Errorf("%s: %v", name, err)
		}
	}
}

// TestEven_Twice: a second time changes nothing, byte by byte of the file, also where
// rows have no room for both joints, and what the first says is left is what the second
// finds: on real rigged hands (npm @webxr-input-profiles/assets, profile generic-hand,
// MIT) and on a body whose rows were shaken, stored as bytes and as floats.
func TestEven_Twice(t *testing.T) {
	type trial struct {
		name  string
		asset *gltfio.Asset
		pairs [][2]string
	}
	var fingers [][2]string
	for _, f := range []string{"index", "middle", "ring", "pinky"} {
		fingers = append(fingers, [2]string{f + "-finger-phalanx-proximal", f + "-finger-phalanx-intermediate"})
	}
	fingers = append(fingers, [2]string{"thumb-phalanx-proximal", "thumb-phalanx-distal"})
	arm := [][2]string{{"forearm.left", "forearm_twist.left"}, {"forearm.left", "hand.left"}, {"thigh.right", "shin.right"}}
	trials := []trial{{"cox", parse(t, shaken(t, theCox())), arm}, {"pilot", parse(t, shaken(t, thePilot())), arm}}
	for _, side := range []string{"left", "right"} {
		a, err := gltfio.Open(threejs.Hand(t, side), gltfio.Options{})
		if err != nil {
			t.Fatal(err)
		}
		trials = append(trials, trial{side + " hand", a, fingers})
	}
	full, changed := 0, 0
	for _, c := range trials {
		for _, pair := range c.pairs {
			for _, most := range []int{0, 2, 3, 8} {
				r := Request{Even: &EvenRequest{Joints: pair}, MaxInfluences: most}
				once, first, err := Run(t.Context(), c.asset, nil, r)
				if err != nil {
					t.Fatal(err)
				}
				once = parse(t, encode(t, once))
				again, second, err := Run(t.Context(), once, nil, r)
				if err != nil {
					t.Fatal(err)
				}
				if again != once || second.Changed > 0 || !second.Even.Already {
					t.Errorf("%s, %v, %d influences: the second time changes %d rows of %d by up to %g: %+v", c.name, pair, most, second.Changed, first.Changed, second.MaxL1, *second.Even)
				}
				// The first holds the shares against its own curve, the second against straight
				// lines through those that are even: they part where a limit of two leaves few.
				if a, b := first.Even.After, second.Even.Before; most != 2 && math.Abs(a-b) > 0.002 || second.Even.After != b {
					t.Errorf("%s, %v, %d influences: %.5f left after the first, %.5f before the second, %.5f after it", c.name, pair, most, a, b, second.Even.After)
				}
				full, changed = full+first.Even.Full, changed+first.Changed
			}
		}
	}
	if full == 0 || changed == 0 {
		t.Errorf("%d vertices without room, %d changed: nothing was tried", full, changed)
	}
}
