package laplacian

import (
	"context"
	"math"
	"math/rand/v2"
	"testing"

	"github.com/selvage/selvage/transfer/weights"
	"gonum.org/v1/gonum/spatial/r3"
)

// annulusError is the largest error against f on a ring 1 <= r <= 2 meshed with
// n steps across, fixed up to `layers` vertices from either border.
func annulusError(t *testing.T, n, layers int, energy Energy, f func(r float64) float64) float64 {
	around := 8 * n
	var p []r3.Vec
	var tri [][3]int32
	a := make([]float64, (n+1)*around)
	rows := weights.NewRows(len(a))
	for i := range n + 1 {
		r := 1 + float64(i)/float64(n)
		for k := range around {
			s, c := math.Sincos(2 * math.Pi * (float64(k) + 0.5*float64(i)) / float64(around))
			p = append(p, r3.Vec{X: r * c, Y: r * s})
			rows.Append([]uint16{0}, []float64{f(r)})
			if i <= layers || i >= n-layers {
				a[i*around+k] = math.Inf(1)
			}
			if i > 0 {
				u := func(i, k int) int32 { return int32(i*around + (k+around)%around) }
				tri = append(tri, [3]int32{u(i, k), u(i, k+1), u(i-1, k+1)}, [3]int32{u(i, k), u(i-1, k+1), u(i-1, k)})
			}
		}
	}
	s, err := Factor(context.Background(), Problem{New(p, tri, Cotangent), energy, a}, 2)
	if err != nil {
		t.Fatal(err)
	}
	out, err := s.Solve(context.Background(), rows, 1, 2)
	if err != nil {
		t.Fatal(err)
	}
	worst := 0.0
	for v, x := range dense(out, 1) {
		worst = max(worst, math.Abs(x-f(r3.Norm(p[v]))))
	}
	return worst
}

// The radial solutions of the Laplace and the biharmonic equation in the plane:
// ln r, and with it r^2 and r^2 ln r (common practice; Timoshenko and
// Woinowsky-Krieger 1959, "Theory of Plates and Shells", section 17, from memory).
func TestAnnulusOrder(t *testing.T) {
	for _, c := range []struct {
		name   string
		energy Energy
		layers int
		f      func(float64) float64
	}{
		{"ln r", Harmonic, 0, math.Log},
		{"r^2", Biharmonic, 1, func(r float64) float64 { return r * r }},
		{"r^2 ln r", Biharmonic, 1, func(r float64) float64 { return r * r * math.Log(r) }},
	} {
		coarse, fine := annulusError(t, 12, c.layers, c.energy, c.f), annulusError(t, 24, c.layers, c.energy, c.f)
		order := math.Log2(coarse / fine)
		t.Logf("%s: error %.3g, %.3g, order %.2f", c.name, coarse, fine, order)
		// Second order on a regular mesh; the bi-Laplacian a little below at this
		// size, as its two fixed layers make the ring narrower by a step of the mesh.
		if !(order > 1.7) {
			t.Errorf("%s: order %.2f, want 2", c.name, order)
		}
	}
}

func FuzzFill(f *testing.F) {
	f.Add(uint64(1), byte(30), false)
	f.Add(uint64(7), byte(90), true)
	f.Fuzz(func(t *testing.T, seed uint64, size byte, bi bool) {
		rng := rand.New(rand.NewPCG(seed, 9))
		n := 3 + int(size)
		p, a := make([]r3.Vec, n), make([]float64, n)
		for v := range p {
			p[v] = r3.Vec{X: rng.Float64(), Y: rng.NormFloat64() * math.Pow(10, -float64(rng.IntN(12)))}
			if rng.IntN(4) == 0 {
				a[v] = []float64{math.Inf(1), 1e-9, 1e9}[rng.IntN(3)]
			}
		}
		var tri [][3]int32
		for range n {
			tri = append(tri, [3]int32{int32(rng.IntN(n)), int32(rng.IntN(n)), int32(rng.IntN(n))})
		}
		kind, energy := NonNegative, Harmonic
		if bi {
			kind, energy = Cotangent, Biharmonic
		}
		s, err := Factor(context.Background(), Problem{New(p, tri, kind), energy, a}, 2)
		if err != nil {
			t.Fatal(err)
		}
		out, err := s.Solve(context.Background(), randomData(n, 5, rng), 5, 2)
		if err != nil {
			t.Fatal(err)
		}
		for i, w := range out.Weight {
			if math.IsNaN(w) || math.IsInf(w, 0) || !bi && (w < -1e-6 || w > 1+1e-6) {
				t.Fatalf("value %d: %g", i, w)
			}
		}
	})
}
