package transfer

// Lift: smoothing, patches and the limit of influences, on sheets.

import (
	"context"
	"math"
	"math/rand/v2"
	"testing"

	"github.com/selvage/selvage/transfer/crew"
	"github.com/selvage/selvage/transfer/laplacian"
	"github.com/selvage/selvage/transfer/skinning"
	"github.com/selvage/selvage/transfer/weights"
	"gonum.org/v1/gonum/spatial/r3"
)

// chainSource is a source of whose body only the skin and the size count: a chain of n
// joints.
func chainSource(n int) *Source {
	skin := &skinning.Skin{}
	for j := range n {
		g := skinning.Identity()
		g.T.Y = 0.1 * float64(j)
		skin.Joints = append(skin.Joints, skinning.Joint{Parent: j - 1, Global: g, InverseBind: skinning.Identity()})
	}
	return &Source{body: &Body{Skin: skin}, size: 1}
}

// randomRows are n rows of most joints at most, which sum to one.
func randomRows(random *rand.Rand, n, joints, most int) *weights.Rows {
	acc, out := weights.NewAccumulator(joints), weights.NewRows(n)
	for range n {
		for range most {
			acc.Add(uint16(random.IntN(joints)), random.Float64())
		}
		acc.FlushNormalised(out)
	}
	return out
}

// TestSmoothFree: on a flat sheet a plane wave loses what the screened Laplace equation
// says, 1 / (1 + (length k)^2) for the wave number k (it is an eigenfunction of the
// Laplacian, so this is the exact solution); what is not free stands, and rows stay convex
// combinations.
func TestSmoothFree(t *testing.T) {
	ctx := context.Background()
	random := rand.New(rand.NewPCG(5, 8))
	const n, period = 64, 16 // vertices a side, 1 cm apart; of the wave
	x := randomSheet(t, random, n)
	for v := range x.g.position {
		x.g.position[v].Z = 0
	}
	op, err := laplacian.NewContext(ctx, x.g.position, x.g.welded.Mesh.Triangles, laplacian.NonNegative)
	if err != nil {
		t.Fatal(err)
	}
	k := 2 * math.Pi / (0.01 * period)
	rows := weights.NewRows(0)
	for v := range x.g.position {
		s := 0.5 + 0.4*math.Cos(k*x.g.position[v].Y)
		rows.Append([]uint16{0, 1}, []float64{1 - s, s})
	}
	for _, length := range []float64{0.005, 0.02, 0.04} {
		out, err := smoothFree(ctx, op, x.free, rows, length, 2, 0)
		if err != nil {
			t.Fatal(err)
		}
		want, judged := 0.4/(1+sq(length*k)), 0
		for v := range x.g.position {
			joint, weight := out.Row(v)
			sum, s := 0.0, 0.0
			for i, j := range joint {
				sum += weight[i]
				if weight[i] < 0 {
					t.Fatalf("length %g, vertex %d: weight %g", length, v, weight[i])
				}
				if j == 1 {
					s = weight[i]
				}
			}
			if math.Abs(sum-1) > 1e-9 {
				t.Fatalf("length %g, vertex %d: sum %g", length, v, sum)
			}
			if !x.free[v] {
				if out.DistanceL1(v, rows, v) != 0 {
					t.Fatalf("length %g: vertex %d is not free and changed", length, v)
				}
				continue
			}
			// Away from what stands and from the sheet's border, where the wave is cut.
			i, c := v/n, v%n
			if far := 6 * length / 0.01; float64(i) < far || float64(min(i, n-1-i, c, n-1-c)) < min(far, 16) {
				continue
			}
			// Edges a sixteenth of the wave long: the discrete wave number is 1.3% lower.
			wave := math.Cos(k * x.g.position[v].Y)
			if math.Abs(wave) < 0.5 {
				continue
			}
			judged++
			if got := (s - 0.5) / wave; math.Abs(got-want) > 0.03*want {
				t.Errorf("length %g, vertex %d: amplitude %.4f, want %.4f", length, v, got, want)
			}
		}
		if judged < 100 {
			t.Errorf("length %g: only %d vertices judged", length, judged)
		}
	}
}

// TestFadeToPatches: rows keep to their allowed joints and to one, what is not free stands,
// and a joint's share of what it had is bounded by its way from where it is not allowed,
// measured here by relaxing all edges until nothing changes (Bellman 1958).
func TestFadeToPatches(t *testing.T) {
	ctx := context.Background()
	random := rand.New(rand.NewPCG(13, 21))
	const n, joints, most = 24, 7, 3
	s := chainSource(joints)
	x := randomSheet(t, random, n)
	rows := randomRows(random, n*n, joints, 6)
	// Patches: quadrants with joints of their own.
	allowed := weights.NewRows(0)
	for v := range n * n {
		switch first := v/n < n/2; {
		case first && v%n < n/2:
			allowed.Append([]uint16{0, 1, 2}, []float64{1, 1, 1})
		case first:
			allowed.Append([]uint16{0, 2, 4}, []float64{1, 1, 1})
		default:
			allowed.Append([]uint16{0, 4, 5}, []float64{1, 1, 1})
		}
	}
	keep, err := patches(ctx, s, x.g, x.free, allowed, 2)
	if err != nil {
		t.Fatal(err)
	}
	for j := range joints {
		if has := j != 3 && j != 6; (keep[j] != nil) != has {
			t.Fatalf("joint %d: has a patch %v, want %v", j, keep[j] != nil, has)
		}
		if keep[j] == nil {
			continue
		}
		far := make([]float64, n*n)
		for v := range far {
			if far[v] = math.Inf(1); x.free[v] && !allows(allowed, v, uint16(j)) {
				far[v] = 0
			}
		}
		for changed := true; changed; {
			changed = false
			for v := range far {
				for _, u := range x.g.adjacency.Neighbours(v) {
					if d := far[u] + r3.Norm(r3.Sub(x.g.position[u], x.g.position[v])); d < far[v] {
						far[v], changed = d, true
					}
				}
			}
		}
		for v := range far {
			if want := min(1, far[v]/(liftFade*s.size)); math.Abs(keep[j][v]-want) > 1e-12 {
				t.Fatalf("joint %d, vertex %d: keeps %g, want %g", j, v, keep[j][v], want)
			}
		}
	}
	out, err := fadeToPatches(ctx, s, x.g, x.free, rows, allowed, 2)
	if err != nil {
		t.Fatal(err)
	}
	for v := range n * n {
		joint, weight := out.Row(v)
		if !x.free[v] {
			if out.DistanceL1(v, rows, v) != 0 {
				t.Fatalf("vertex %d is not free and changed", v)
			}
			continue
		}
		sum := 0.0
		for i, j := range joint {
			sum += weight[i]
			if !allows(allowed, v, j) {
				t.Fatalf("vertex %d has joint %d", v, j)
			}
		}
		if len(joint) == 0 || len(joint) > most || math.Abs(sum-1) > 1e-9 {
			t.Fatalf("vertex %d: %d influences of sum %g", v, len(joint), sum)
		}
	}
	// Rows of allowed joints alone, far from all borders, stay.
	inner := weights.NewRows(0)
	for v := range n * n {
		inner.Append(allowed.Joint[allowed.Start[v]:allowed.Start[v+1]], []float64{0.5, 0.3, 0.2})
	}
	if out, err = fadeToPatches(ctx, s, x.g, x.free, inner, allowed, 1); err != nil {
		t.Fatal(err)
	}
	kept := 0
	for v := range n * n {
		whole := true
		for _, j := range allowed.Joint[allowed.Start[v]:allowed.Start[v+1]] {
			whole = whole && keep[j][v] == 1
		}
		if whole {
			kept++
			if d := out.DistanceL1(v, inner, v); d > 1e-12 {
				t.Errorf("vertex %d, far from every border, changed by %g", v, d)
			}
		}
	}
	if kept == 0 {
		t.Error("no vertex is far from every border: the test shows little")
	}
}

// TestLargest: the largest influences stay, as they were, of equal ones the lower joints'.
func TestLargest(t *testing.T) {
	rows := weights.NewRows(0)
	rows.Append([]uint16{1, 3, 4, 7}, []float64{0.1, 0.4, 0.1, 0.4})
	rows.Append([]uint16{2}, []float64{1})
	rows.Append(nil, nil)
	out := largest(rows, 3)
	want := weights.NewRows(0)
	want.Append([]uint16{1, 3, 7}, []float64{0.1, 0.4, 0.4})
	want.Append([]uint16{2}, []float64{1})
	want.Append(nil, nil)
	for v := range want.Len() {
		if d := out.DistanceL1(v, want, v); d != 0 || out.Start[v+1] != want.Start[v+1] {
			t.Errorf("row %d off by %g", v, d)
		}
	}
}

// TestHoldInfluences: the limit on stretch holds with the influences that a result may have,
// where it was the limit of influences that broke it: cut to their four largest, rows of the
// mate's cape stretched an edge 4.3 times, eight influences 1.7 times.
func TestHoldInfluences(t *testing.T) {
	b := crew.NewBody("mate")
	s, err := Prepare(context.Background(), &Body{Name: b.Name, Mesh: b.Mesh, Rows: b.Rows, Skin: b.Skin}, 0)
	if err != nil {
		t.Fatal(err)
	}
	cape := b.GarmentAt("cape", 1)
	for _, opt := range []Options{{LooseStretch: 1.8}, {LooseStretch: 1.5, MaxInfluences: 8}, {LooseStretch: 1.3}} {
		r := mustTransfer(t, s, &Garment{Name: cape.Name, Mesh: cape.Mesh}, opt)
		if worst, where := edgeStretch(cape.Mesh, r.Rows, b.Skin, cape.LooseVertex); worst > tornStretch*opt.LooseStretch {
			t.Errorf("limit %g, at most %d influences: %.3f (%s)", opt.LooseStretch, max(4, opt.MaxInfluences), worst, where)
		}
	}
}
