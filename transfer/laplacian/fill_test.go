package laplacian

import (
	"context"
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"github.com/selvage/selvage/transfer/weights"
	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/spatial/r3"
)

// grid is a jittered grid of a x b vertices in the unit square.
func grid(a, b int, jitter float64, rng *rand.Rand) (p []r3.Vec, t [][3]int32) {
	for i := range a {
		for j := range b {
			v := r3.Vec{X: float64(i) / float64(a-1), Y: float64(j) / float64(b-1)}
			if i > 0 && j > 0 && i < a-1 && j < b-1 {
				v.X += jitter * (rng.Float64() - 0.5) / float64(a)
				v.Y += jitter * (rng.Float64() - 0.5) / float64(b)
			}
			p = append(p, v)
			if i > 0 && j > 0 {
				q := int32(i*b + j)
				t = append(t, [3]int32{q, q - 1, q - int32(b)}, [3]int32{q - 1, q - int32(b) - 1, q - int32(b)})
			}
		}
	}
	return p, t
}

// randomData gives rows that sum to one to vertices with a data weight.
func randomData(n, joints int, rng *rand.Rand) *weights.Rows {
	rows := weights.NewRows(n)
	for range n {
		a, x := rng.IntN(joints-1), rng.Float64()
		b := a + 1 + rng.IntN(joints-1-a)
		rows.Append([]uint16{uint16(a), uint16(b)}, []float64{x, 1 - x})
	}
	return rows
}

func dense(r *weights.Rows, joints int) []float64 {
	x := make([]float64, r.Len()*joints)
	for v := range r.Len() {
		j, w := r.Row(v)
		for i := range j {
			x[v*joints+int(j[i])] = w[i]
		}
	}
	return x
}

// Pinkall and Polthier 1993, section 2: half the sum of the opposite cotangents.
func TestCotangentKnownTriangles(t *testing.T) {
	h := math.Sqrt(3) / 2
	eq := New([]r3.Vec{{}, {X: 1}, {X: 0.5, Y: h}}, [][3]int32{{0, 1, 2}}, Cotangent)
	for _, w := range eq.Weight {
		if math.Abs(w-1/(2*math.Sqrt(3))) > 1e-15 {
			t.Errorf("equilateral: weight %g, want 1/(2 sqrt 3)", w)
		}
	}
	right := New([]r3.Vec{{}, {X: 1}, {Y: 1}}, [][3]int32{{0, 1, 2}}, Cotangent)
	if want := []float64{0.5, 0.5, 0.5, 0, 0.5, 0}; !near(right.Weight, want, 1e-15) {
		t.Errorf("right isosceles: %v, want %v", right.Weight, want)
	}
	if want := []float64{1. / 6, 1. / 6, 1. / 6}; !near(right.Mass, want, 1e-15) {
		t.Errorf("mass %v", right.Mass)
	}
}

func near(a, b []float64, tol float64) bool {
	return slices.EqualFunc(a, b, func(x, y float64) bool { return math.Abs(x-y) <= tol })
}

// Both energies reproduce functions linear in the plane from the border
// (common practice as a patch test), on an irregular mesh.
func TestLinearPrecision(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 1))
	p, tri := grid(23, 31, 0.6, rng)
	op := New(p, tri, Cotangent)
	for _, energy := range []Energy{Harmonic, Biharmonic} {
		rows, a := weights.NewRows(len(p)), make([]float64, len(p))
		for v, x := range p {
			rows.Append([]uint16{0, 1}, []float64{x.X, 1 - x.X})
			if min(x.X, 1-x.X, x.Y, 1-x.Y) < 0.12 {
				a[v] = math.Inf(1)
			}
		}
		s, err := Factor(context.Background(), Problem{op, energy, a}, 2)
		if err != nil {
			t.Fatal(err)
		}
		out, err := s.Solve(context.Background(), rows, 2, 2)
		if err != nil {
			t.Fatal(err)
		}
		// The system's condition is about 1e3 (1e6 squared up): 1e-9 is rounding.
		if !near(dense(out, 2), dense(rows, 2), 2e-9) {
			t.Errorf("energy %d: not linear", energy)
		}
	}
}

// Against gonum's dense Cholesky, and the same bits on any number of threads.
func TestAgainstDense(t *testing.T) {
	for seed := range uint64(6) {
		for _, energy := range []Energy{Harmonic, Biharmonic} {
			rng := rand.New(rand.NewPCG(seed, 2))
			p, tri := grid(12+int(seed)*2, 19, 0.7, rng)
			op, n := New(p, tri, NonNegative), len(p)
			a := make([]float64, n)
			for v := range a {
				if u := rng.Float64(); u < 0.2 {
					a[v] = math.Inf(1)
				} else if u < 0.4 {
					a[v] = 10 * rng.Float64()
				}
			}
			l := mat.NewSymDense(n, nil)
			for v := range n {
				l.SetSym(v, v, op.degree(int32(v)))
				for e := op.Start[v]; e < op.Start[v+1]; e++ {
					l.SetSym(v, int(op.Neighbour[e]), -op.Weight[e])
				}
			}
			q := mat.DenseCopyOf(l)
			if energy == Biharmonic {
				minv := mat.NewDense(n, n, nil)
				for v := range n {
					minv.Set(v, v, 1/op.Mass[v])
				}
				q.Product(l, minv, l)
			}
			const joints = 40
			data := randomData(n, joints, rng)
			d := mat.NewDense(n, joints, dense(data, joints))
			var free []int
			for v := range a {
				if !math.IsInf(a[v], 1) {
					free = append(free, v)
				}
			}
			A, b := mat.NewSymDense(len(free), nil), mat.NewDense(len(free), joints, nil)
			for i, v := range free {
				for k, u := range free[i:] {
					A.SetSym(i, i+k, q.At(v, u))
				}
				A.SetSym(i, i, A.At(i, i)+a[v]*op.Mass[v])
				for j := range joints {
					sum := a[v] * op.Mass[v] * d.At(v, j)
					for u := range n {
						if math.IsInf(a[u], 1) {
							sum -= q.At(v, u) * d.At(u, j)
						}
					}
					b.Set(i, j, sum)
				}
			}
			var ch mat.Cholesky
			if !ch.Factorize(A) {
				t.Fatal("reference not positive definite")
			}
			var want mat.Dense
			if err := ch.SolveTo(&want, b); err != nil {
				t.Fatal(err)
			}
			var first *weights.Rows
			for _, threads := range []int{1, 2, 5} {
				s, err := Factor(context.Background(), Problem{op, energy, a}, threads)
				if err != nil {
					t.Fatal(err)
				}
				out, err := s.Solve(context.Background(), data, joints, threads)
				if err != nil {
					t.Fatal(err)
				}
				if first == nil {
					first = out
				}
				if !slices.Equal(first.Joint, out.Joint) || !slices.Equal(first.Weight, out.Weight) {
					t.Errorf("seed %d energy %d: %d threads differ", seed, energy, threads)
				}
				x := dense(out, joints)
				for i, v := range free {
					for j := range joints {
						// negligible values are dropped
						if e := math.Abs(x[v*joints+j] - want.At(i, j)); e > 2e-9 {
							t.Fatalf("seed %d energy %d vertex %d joint %d: off by %g", seed, energy, v, j, e)
						}
					}
				}
			}
		}
	}
}

// The maximum principle on nasty meshes; rows sum to one; islands without data
// are reported; nothing is NaN.
func TestMaximumPrinciple(t *testing.T) {
	for seed := range uint64(30) {
		rng := rand.New(rand.NewPCG(seed, 3))
		n := 40 + rng.IntN(200)
		p := make([]r3.Vec, n)
		for v := range p {
			p[v] = r3.Vec{X: rng.Float64(), Y: rng.Float64() * 1e-4, Z: math.Round(rng.Float64()*3) / 3}
		}
		p[1], p[2] = p[0], r3.Vec{X: math.NaN()}
		var tri [][3]int32
		for range 2 * n {
			tri = append(tri, [3]int32{int32(rng.IntN(n - 5)), int32(rng.IntN(n - 5)), int32(rng.IntN(n - 5))})
		}
		a := make([]float64, n)
		for v := range a {
			if rng.IntN(5) == 0 && v < n-5 {
				a[v] = []float64{math.Inf(1), 1, 1e-3}[rng.IntN(3)]
			}
		}
		const joints = 9
		s, err := Factor(context.Background(), Problem{New(p, tri, NonNegative), Harmonic, a}, 2)
		if err != nil {
			t.Fatal(err)
		}
		out, err := s.Solve(context.Background(), randomData(n, joints, rng), joints, 2)
		if err != nil {
			t.Fatal(err)
		}
		un := s.Unreached()
		if len(un) < 5 {
			t.Errorf("seed %d: %d unreached, want the 5 isolated ones at least", seed, len(un))
		}
		for v := range n {
			_, w := out.Row(v)
			if slices.Contains(un, int32(v)) {
				if len(w) > 0 {
					t.Errorf("seed %d: unreached vertex %d has a row", seed, v)
				}
				continue
			}
			sum := 0.0
			for _, x := range w {
				sum += x
				if !(x > -1e-8 && x < 1+1e-8) {
					t.Errorf("seed %d vertex %d: %g", seed, v, x)
				}
			}
			// weak data over many strong edges cost about nine digits
			if !(math.Abs(sum-1) < 1e-7) {
				t.Errorf("seed %d vertex %d: sum %.12g", seed, v, sum)
			}
		}
	}
}

func TestKernelsAgree(t *testing.T) {
	rng := rand.New(rand.NewPCG(4, 4))
	for _, c := range [][3]int{{1, 8, 1}, {4, 8, 3}, {7, 24, 13}, {9, 40, 20}, {16, 16, 1}} {
		rows, n, k := c[0], c[1], c[2]
		x := func(m int) []float64 {
			s := make([]float64, m)
			for i := range s {
				s[i] = rng.NormFloat64()
			}
			return s
		}
		a, b, c1 := x(rows*k), x(k*n), x(rows*n)
		c2 := slices.Clone(c1)
		update(c1, n, rows, n, a, k, 1, b, n, k)
		updateGo(c2, n, rows, n, a, k, 1, b, n, k)
		if !near(c1, c2, 1e-13) {
			t.Errorf("%v: kernels differ", c)
		}
	}
}

func TestCancelled(t *testing.T) {
	p, tri := grid(9, 9, 0, fixed())
	ctx, cancel := context.WithCancel(context.Background())
	cancel()
	if _, err := Factor(ctx, Problem{New(p, tri, NonNegative), Harmonic, make([]float64, len(p))}, 1); err == nil {
		t.Error("no error")
	}
}

func fixed() *rand.Rand { return rand.New(rand.NewPCG(0, 0)) }

func BenchmarkFill(b *testing.B) {
	for _, energy := range []Energy{Harmonic, Biharmonic} {
		name := []string{"harmonic", "biharmonic"}[energy]
		for _, threads := range []int{1, 2} {
			b.Run(fmt.Sprintf("energy=%s/verts=100k/threads=%d", name, threads), func(b *testing.B) {
				p, tri := grid(316, 316, 0.5, fixed())
				op, a := New(p, tri, Cotangent), make([]float64, len(p))
				for v, x := range p {
					if math.Hypot(math.Mod(x.X*2, 1)-0.5, math.Mod(x.Y*2, 1)-0.5) > 0.309 {
						a[v] = math.Inf(1)
					}
				}
				data := randomData(len(p), 64, fixed())
				b.ReportAllocs()
				for b.Loop() {
					s, err := Factor(b.Context(), Problem{op, energy, a}, threads)
					if err != nil {
						b.Fatal(err)
					}
					if _, err := s.Solve(b.Context(), data, 64, threads); err != nil {
						b.Fatal(err)
					}
				}
			})
		}
	}
}
