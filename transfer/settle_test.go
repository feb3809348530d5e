package transfer

// Settle: the projection against optima that are known, the bounds that poses show against
// posed points, and rigid islands, locks and untrusted layers.

import (
	"context"
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"github.com/selvage/selvage/transfer/closest"
	"github.com/selvage/selvage/transfer/mesh"
	"github.com/selvage/selvage/transfer/skinning"
	"github.com/selvage/selvage/transfer/weights"
	"gonum.org/v1/gonum/spatial/r3"
)

// onSimplex is the nearest point of the simplex.
// Source: Duchi et al., "Efficient projections onto the l1-ball for learning in high
// dimensions", ICML 2008, figure 1.
func onSimplex(w []float64) []float64 {
	sorted := slices.Clone(w)
	slices.Sort(sorted)
	slices.Reverse(sorted)
	sum, theta := 0.0, 0.0
	for i, x := range sorted {
		sum += x
		if t := (sum - 1) / float64(i+1); x > t {
			theta = t
		}
	}
	out := make([]float64, len(w))
	for i, x := range w {
		out[i] = max(0, x-theta)
	}
	return out
}

// TestMover_Project: without bounds the projection is that onto the simplex; with bounds that
// can be kept, it keeps them, and by the variational inequality (w - p).(x - p) <= 0 for
// all x within (Boyd & Vandenberghe, Convex Optimization, 2004, section 4.2.3) no point
// within is nearer.
func TestMover_Project(t *testing.T) {
	random := rand.New(rand.NewPCG(21, 34))
	bounded := 0
	for range 2000 {
		m := 2 + random.IntN(7)
		w := make([]float64, m)
		for i := range w {
			w[i] = 2*random.Float64() - 0.7
		}
		p := slices.Clone(w)
		(&mover{}).project(p)
		for i, x := range onSimplex(w) {
			if math.Abs(p[i]-x) > 1e-4 {
				t.Fatalf("%v to %v, want %v", w, p, onSimplex(w))
			}
		}
		// Bounds around a point of the simplex.
		inner := make([]float64, m)
		for i := range inner {
			inner[i] = random.ExpFloat64()
		}
		inner = onSimplex(inner)
		u := &mover{}
		at := func(b *bound, w []float64) (sum float64) {
			for i, x := range w {
				if b.mask>>i&1 == 1 {
					sum += x
				}
			}
			return sum
		}
		for range 1 + random.IntN(3) {
			b := bound{mask: 1 + random.Uint64N(1<<m-2), lo: math.Inf(-1), hi: math.Inf(1)}
			if random.IntN(2) == 0 {
				b.lo = at(&b, inner) - 0.05*random.Float64()
			} else {
				b.hi = at(&b, inner) + 0.05*random.Float64()
			}
			u.bounds = append(u.bounds, b)
		}
		p = slices.Clone(w)
		u.project(p)
		sum := 0.0
		for _, x := range p {
			sum += x
			if x < 0 {
				t.Fatalf("%v to %v: negative", w, p)
			}
		}
		if math.Abs(sum-1) > 1e-9 {
			t.Fatalf("%v to %v: sum %g", w, p, sum)
		}
		// The steps of a row are limited, bounds softer than exact by a thousandth, and the row
		// normalised at the end.
		const slack = 0.005
		for k := range u.bounds {
			b := &u.bounds[k]
			if x := at(b, p); x < b.lo-slack || x > b.hi+slack {
				t.Fatalf("%v to %v: %g outside [%g, %g]", w, p, x, b.lo, b.hi)
			}
			if x := at(b, onSimplex(w)); x < b.lo || x > b.hi {
				bounded++
			}
		}
		for range 20 {
			x := slices.Clone(inner)
			for i := range x {
				x[i] += 0.1 * random.NormFloat64()
			}
			x = onSimplex(x)
			if slices.ContainsFunc(u.bounds, func(b bound) bool { y := at(&b, x); return y < b.lo || y > b.hi }) {
				continue
			}
			dot := 0.0
			for i := range x {
				dot += (w[i] - p[i]) * (x[i] - p[i])
			}
			if dot > 0.02 {
				t.Fatalf("%v to %v: %v is within the bounds and nearer (%g)", w, p, x, dot)
			}
		}
	}
	if bounded < 500 {
		t.Errorf("only %d bounds bound anything", bounded)
	}
}

// bentSleeve is a limb of two joints under a sleeve that bends in the middle, and a sheet
// around it whose rows do not follow: under what way it goes when the limb bends.
func bentSleeve(t *testing.T) (*Source, Layer) {
	t.Helper()
	bend := func(y float64) float64 { return min(1, max(0, 0.5+2*y)) }
	limb, limbRows := pipe(0.1, 0, -1, 1, bend)
	s, err := Prepare(context.Background(), &Body{Name: "limb", Mesh: limb, Rows: limbRows, Skin: limbSkin()}, 0)
	if err != nil {
		t.Fatal(err)
	}
	sleeve, rows := pipe(0.11, 0, -0.9, 0.9, bend)
	return s, Layer{Name: "sleeve", Mesh: sleeve, Rows: rows}
}

// stiffOver is a wider pipe over the sleeve, all of the upper joint below a height and all
// of the lower above it.
func stiffOver(t *testing.T, s *Source, l Layer, step float64) (*settling, *target, *trusted, *weights.Rows) {
	t.Helper()
	ctx := context.Background()
	over := under(t, s, l)
	m, rows := pipe(0.125, 0, -0.4, 0.4, func(y float64) float64 {
		if y > step {
			return 1
		}
		return 0
	})
	g, err := newTarget(ctx, &Garment{Name: "stiff", Mesh: m})
	if err != nil {
		t.Fatal(err)
	}
	welded := weights.NewRows(0)
	first := make([]int, len(g.position))
	for v := len(g.welded.ToWelded) - 1; v >= 0; v-- {
		first[g.welded.ToWelded[v]] = v
	}
	for _, v := range first {
		welded.Append(rows.Row(v))
	}
	n := len(g.position)
	tr := &trusted{expected: make([]float64, n), reason: make([]Reason, n)}
	return &settling{s: over, g: g}, g, tr, welded
}

// deepest poses the garment's vertices over the layer by the turns of settle and returns the
// largest depth below the layer's posed surface, by the nearest of all its triangles.
func deepest(t *testing.T, s *Source, l Layer, g *target, rows *weights.Rows) float64 {
	t.Helper()
	skin := s.body.Skin
	worst := 0.0
	for j := 1; j < len(skin.Joints); j++ { // the first moves all as one piece
		for _, way := range posesOf(&skin.Joints[j], s.size) {
			share := func(rows *weights.Rows, v int) (sum float64) {
				joint, weight := rows.Row(v)
				for i, k := range joint {
					if within(skin.Joints, int(k), j) {
						sum += weight[i]
					}
				}
				return sum
			}
			posed := &mesh.Mesh{Triangles: l.Mesh.Triangles}
			for v, p := range l.Mesh.Positions {
				posed.Positions = append(posed.Positions, r3.Add(p, r3.Scale(share(l.Rows, v), way.Apply(p))))
			}
			tree, err := closest.NewTree(context.Background(), posed.Positions, posed.Triangles, 0)
			if err != nil {
				t.Fatal(err)
			}
			normals := mesh.VertexNormals(posed)
			for v, p := range g.position {
				if math.Abs(p.Y) > 0.35 {
					continue
				}
				x := r3.Add(p, r3.Scale(share(rows, v), way.Apply(p)))
				h := tree.Nearest(x)
				var n r3.Vec
				for k, u := range posed.Triangles[h.Triangle] {
					n = r3.Add(n, r3.Scale(h.Bary[k], normals[u]))
				}
				if r3.Dot(r3.Sub(x, h.Point), n) < 0 {
					worst = max(worst, math.Sqrt(h.DistanceSq))
				}
			}
		}
	}
	return worst
}

// TestSettle: what dives into a sleeve that bends is led out of it, by the depth that is
// allowed, judged by a tree over all of the posed sleeve; over a sleeve that is not to be trusted all
// stands, and a rigid island keeps one row.
func TestSettle(t *testing.T) {
	ctx := context.Background()
	s, sleeve := bentSleeve(t)
	opt := Options{}
	opt.MaxInfluences = 4
	x, g, tr, rows := stiffOver(t, s, sleeve, 0.1)
	before := deepest(t, s, sleeve, g, rows)
	if before < 0.02 {
		t.Fatalf("dives by %.4f m only: nothing to show", before)
	}
	rigid := make([]bool, g.islands.Count)
	out, err := settle(ctx, x.s, g, rigid, tr, rows, &opt)
	if err != nil {
		t.Fatal(err)
	}
	// The sleeve's own folds are what its own rows suffer, too.
	_, ownRows := pipe(0.125, 0, -0.4, 0.4, func(y float64) float64 { return min(1, max(0, 0.5+2*y)) })
	own := deepest(t, s, sleeve, g, ownRows)
	after := deepest(t, s, sleeve, g, out)
	t.Logf("%.4f m deep before, %.4f after, %.4f with the sleeve's own rows", before, after, own)
	if limit := max(own, settleDepth*s.size) + 0.5*settleDepth*s.size; after > limit {
		t.Errorf("dives by %.4f m, before by %.4f; want at most %.4f", after, before, limit)
	}
	said := 0
	for v := range g.position {
		sum, moved := 0.0, out.DistanceL1(v, rows, v)
		joint, weight := out.Row(v)
		for i := range joint {
			sum += weight[i]
		}
		if math.Abs(sum-1) > 1e-9 {
			t.Fatalf("vertex %d: sum %g", v, sum)
		}
		if (moved > gaveWay) != (tr.reason[v]&ReasonFilled != 0) {
			t.Errorf("vertex %d moved by %.3f: reasons %v", v, moved, tr.reason[v])
		}
		if moved > gaveWay {
			said++
		}
	}
	if said == 0 {
		t.Error("nothing moved")
	}

	// Untrusted, and moving otherwise altogether: no guide.
	strange := sleeve
	strange.Confidence = make([]float32, len(sleeve.Mesh.Positions))
	strange.Rows = weights.NewRows(0)
	for range sleeve.Mesh.Positions {
		strange.Rows.Append([]uint16{0}, []float64{1})
	}
	y, g, tr, rows := stiffOver(t, s, strange, -2)
	if out, err = settle(ctx, y.s, g, rigid, tr, rows, &opt); err != nil {
		t.Fatal(err)
	}
	for v := range g.position {
		if out.DistanceL1(v, rows, v) > 0 {
			t.Fatalf("vertex %d follows a layer that is not to be trusted", v)
		}
	}

	// A rigid island has one row afterwards, too.
	y, g, tr, _ = stiffOver(t, s, sleeve, 0.1)
	one := weights.NewRows(0)
	for range g.position {
		one.Append([]uint16{0, 1}, []float64{1, 0})
	}
	for i := range rigid {
		rigid[i] = true
	}
	if out, err = settle(ctx, y.s, g, rigid, tr, one, &opt); err != nil {
		t.Fatal(err)
	}
	if out.DistanceL1(0, one, 0) == 0 {
		t.Error("the island did not move")
	}
	for v := range g.position {
		if out.DistanceL1(v, out, 0) > 0 {
			t.Fatalf("vertex %d of a rigid island has a row of its own", v)
		}
	}
}

// TestScalesAbout: points scaled by hand.
func TestScalesAbout(t *testing.T) {
	axes := skinning.Identity().M
	origin := r3.Vec{X: 1, Y: 2, Z: 3}
	ways := scalesAbout(axes, origin, []float64{0.5, 3})
	p := r3.Vec{X: 2, Y: 4, Z: 6}
	want := []r3.Vec{{X: 1.5, Y: 4, Z: 6}, {X: 4, Y: 4, Z: 6}, {X: 2, Y: 3, Z: 6}, {X: 2, Y: 8, Z: 6}, {X: 2, Y: 4, Z: 4.5}, {X: 2, Y: 4, Z: 12}}
	if len(ways) != len(want) {
		t.Fatalf("%d ways, want %d", len(ways), len(want))
	}
	for k, way := range ways {
		if got := r3.Add(p, way.Apply(p)); r3.Norm(r3.Sub(got, want[k])) > 1e-12 {
			t.Errorf("way %d leads %v to %v, want %v", k, p, got, want[k])
		}
	}
}

// TestSettle_NothingToGive: rows that one influence ties to one joint cannot give way; they
// stand, and what dives is counted. So do rows of joints that the body lacks.
func TestSettle_NothingToGive(t *testing.T) {
	s, sleeve := bentSleeve(t)
	opt := Options{}
	opt.MaxInfluences = 1
	for _, joint := range []uint16{0, 9} {
		x, g, tr, rows := stiffOver(t, s, sleeve, 0.1)
		if joint > 1 {
			rows = weights.NewRows(0)
			for range g.position {
				rows.Append([]uint16{joint}, []float64{1})
			}
		}
		out, err := settle(context.Background(), x.s, g, make([]bool, g.islands.Count), tr, rows, &opt)
		if err != nil {
			t.Fatal(err)
		}
		for v := range g.position {
			if out.DistanceL1(v, rows, v) > 0 {
				t.Fatalf("joint %d: vertex %d moved", joint, v)
			}
		}
		if said := len(tr.notes) == 1; said != (joint == 0) {
			t.Errorf("joint %d: notes %q", joint, tr.notes)
		}
	}
}
