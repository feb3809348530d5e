package closest

import (
	"context"
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"gonum.org/v1/gonum/spatial/kdtree"
	"gonum.org/v1/gonum/spatial/r3"
)

type surface struct {
	name      string
	positions []r3.Vec
	triangles [][3]int32
}

func (s *surface) triangle(i int) [3]r3.Vec {
	t := s.triangles[i]
	return [3]r3.Vec{s.positions[t[0]], s.positions[t[1]], s.positions[t[2]]}
}

func (s *surface) tree(t testing.TB, threads int) *Tree {
	t.Helper()
	tree, err := NewTree(context.Background(), s.positions, s.triangles, threads)
	if err != nil {
		t.Fatal(err)
	}
	return tree
}

// bumpySphere is a closed surface of 2·n·n triangles (those at the poles
// degenerate) around centre.
func bumpySphere(n int, radius float64, centre r3.Vec) surface {
	s := surface{name: fmt.Sprintf("sphere %d", n)}
	for i := 0; i <= n; i++ {
		for j := range n {
			polar, around := math.Pi*float64(i)/float64(n), 2*math.Pi*float64(j)/float64(n)
			ring := math.Sin(polar)
			if i == n {
				ring = 0 // not the 1e-16 of sin π: triangles there have no normal
			}
			r := radius * (1 + 0.1*ring*math.Cos(5*polar)*math.Sin(4*around))
			s.positions = append(s.positions, r3.Add(centre, r3.Scale(r,
				vec(ring*math.Cos(around), ring*math.Sin(around), math.Cos(polar)))))
		}
	}
	for i := range n {
		for j := range n {
			a, b := int32(i*n+j), int32(i*n+(j+1)%n)
			c, d := a+int32(n), b+int32(n)
			s.triangles = append(s.triangles, [3]int32{a, c, d}, [3]int32{a, d, b})
		}
	}
	return s
}

func surfaces() []surface {
	rng := rand.New(rand.NewPCG(5, 0))
	soup := surface{name: "soup"}
	for i := range 700 {
		c := randomVec(rng, 1)
		for range 3 {
			soup.positions = append(soup.positions, r3.Add(c, randomVec(rng, 0.1)))
		}
		soup.triangles = append(soup.triangles, [3]int32{int32(3 * i), int32(3*i + 1), int32(3*i + 2)})
	}
	twice := bumpySphere(12, 1, r3.Vec{})
	twice.name = "every triangle three times"
	twice.triangles = append(append(slices.Clone(twice.triangles), twice.triangles...), twice.triangles...)
	same := surface{name: "forty equal triangles", positions: []r3.Vec{{}, vec(1, 0, 0), vec(0, 1, 0)}}
	for range 40 {
		same.triangles = append(same.triangles, [3]int32{0, 1, 2})
	}
	flat := surface{name: "flat grid"} // boxes without height, many equal distances
	for i := range 21 {
		for j := range 21 {
			flat.positions = append(flat.positions, vec(float64(i), float64(j), 0))
			if i < 20 && j < 20 {
				a := int32(21*i + j)
				flat.triangles = append(flat.triangles, [3]int32{a, a + 21, a + 22}, [3]int32{a, a + 22, a + 1})
			}
		}
	}
	point := surface{name: "a single point", positions: []r3.Vec{vec(3, 4, 5)}, triangles: [][3]int32{{0, 0, 0}}}
	far := bumpySphere(10, 1e-3, vec(1e6, -2e6, 3e6))
	far.name = "a millimetre, far from the origin"
	return []surface{soup, bumpySphere(20, 1, vec(0, 0, 1)), twice, same, flat, point, far}
}

// queriesAround mixes points far off, near, on the surface and on its vertices.
func queriesAround(rng *rand.Rand, s *surface, n int) []r3.Vec {
	lo, hi := s.positions[0], s.positions[0]
	for _, p := range s.positions {
		lo = vec(min(lo.X, p.X), min(lo.Y, p.Y), min(lo.Z, p.Z))
		hi = vec(max(hi.X, p.X), max(hi.Y, p.Y), max(hi.Z, p.Z))
	}
	size := max(r3.Norm(r3.Sub(hi, lo)), 1e-3)
	var out []r3.Vec
	for i := range n {
		v := s.positions[rng.IntN(len(s.positions))]
		switch i % 5 {
		case 0:
			out = append(out, v)
		case 1:
			out = append(out, r3.Add(v, randomVec(rng, 0.05*size)))
		case 2:
			out = append(out, r3.Add(v, randomVec(rng, 1.5*size)))
		case 3:
			out = append(out, r3.Add(v, randomVec(rng, size*math.Pow(10, 12*rng.Float64())))) // beyond the grid too
		case 4:
			t := s.triangle(rng.IntN(len(s.triangles)))
			out = append(out, r3.Scale(1./3, r3.Add(t[0], r3.Add(t[1], t[2]))))
		}
	}
	return out
}

// The tree against every triangle in turn: by the tree's own distance (equal to
// the last bit, lowest index among equals) and by the independent formula.
func TestNearest_BruteForce(t *testing.T) {
	const seed = 21
	for _, s := range surfaces() {
		t.Run(s.name, func(t *testing.T) {
			rng := rand.New(rand.NewPCG(seed, 0))
			tree := s.tree(t, 2)
			for i, p := range queriesAround(rng, &s, 400) {
				want, wantSq, other := int32(-1), math.Inf(1), math.Inf(1)
				for k := range s.triangles {
					if d := tree.distanceSq(tree.slot[k], p); d < wantSq {
						want, wantSq = int32(k), d
					}
					other = min(other, distanceByPlane(p, s.triangle(k)))
				}
				h := tree.Nearest(p)
				if h.Triangle != want || h.DistanceSq != wantSq {
					t.Fatalf("seed %d, query %d: triangle %d at %g, want %d at %g", seed, i, h.Triangle, h.DistanceSq, want, wantSq)
				}
				// Relative to the distance, and to the edges on which feet are computed.
				if d := math.Sqrt(h.DistanceSq); math.Abs(d-other) > 1e-13*(1+d) {
					t.Fatalf("seed %d, query %d: distance %.17g, by planes and edges %.17g", seed, i, d, other)
				}
				// The point, its coordinates and its distance agree.
				c := s.triangle(int(h.Triangle))
				q := r3.Add(r3.Scale(h.Bary[0], c[0]), r3.Add(r3.Scale(h.Bary[1], c[1]), r3.Scale(h.Bary[2], c[2])))
				rounding := 1e-15 * (largestAbs(p) + largestAbs(c[0]) + 1)
				if r3.Norm(r3.Sub(q, h.Point)) > 4*rounding || math.Abs(r3.Norm(r3.Sub(p, h.Point))-math.Sqrt(h.DistanceSq)) > 4*rounding {
					t.Fatalf("seed %d, query %d: point %v, from coordinates %v, distance %g against %g", seed, i, h.Point, q, r3.Norm(r3.Sub(p, h.Point)), math.Sqrt(h.DistanceSq))
				}
				// Bounds: exactly at the distance it is found, below it is not.
				if at := tree.NearestWithin(p, wantSq); at != h {
					t.Fatalf("seed %d, query %d: within its own distance %+v, want %+v", seed, i, at, h)
				}
				if below := tree.NearestWithin(p, math.Nextafter(wantSq, -1)); below.Triangle != -1 {
					t.Fatalf("seed %d, query %d: found %+v below the least distance %g", seed, i, below, wantSq)
				}
			}
		})
	}
}

// gonum's k-d tree over points, against triangles that are points.
func TestNearest_PointsAgainstKDTree(t *testing.T) {
	const seed = 31
	rng := rand.New(rand.NewPCG(seed, 0))
	var s surface
	var points kdtree.Points
	for i := range 5000 {
		p := randomVec(rng, 1)
		s.positions = append(s.positions, p)
		s.triangles = append(s.triangles, [3]int32{int32(i), int32(i), int32(i)})
		points = append(points, kdtree.Point{p.X, p.Y, p.Z})
	}
	tree, reference := s.tree(t, 2), kdtree.New(points, false)
	for i := range 2000 {
		p := randomVec(rng, 1.5)
		h := tree.Nearest(p)
		got, distSq := reference.Nearest(kdtree.Point{p.X, p.Y, p.Z})
		q := got.(kdtree.Point)
		if h.Point != vec(q[0], q[1], q[2]) || math.Abs(h.DistanceSq-distSq) > 1e-15*distSq {
			t.Fatalf("seed %d, query %d: %v at %g, gonum has %v at %g", seed, i, h.Point, h.DistanceSq, q, distSq)
		}
	}
}

func TestNearestOriented_BruteForce(t *testing.T) {
	const seed = 41
	for _, s := range surfaces() {
		t.Run(s.name, func(t *testing.T) {
			rng := rand.New(rand.NewPCG(seed, 0))
			tree := s.tree(t, 2)
			allowed := make([]bool, len(s.triangles))
			for i := range allowed {
				allowed[i] = rng.IntN(3) > 0
			}
			for i, p := range queriesAround(rng, &s, 300) {
				n := r3.Unit(randomVec(rng, 1))
				lambdaSq := math.Pow(10, 4*rng.Float64()-3)
				if i%7 == 0 {
					lambdaSq = 0
				}
				var mask []bool
				if i%2 == 0 {
					mask = allowed
				}
				want, wantCost, other := int32(-1), math.Inf(1), math.Inf(1)
				for k := range s.triangles {
					if mask != nil && !mask[k] {
						continue
					}
					c := s.triangle(k)
					turned := r3.Norm2(r3.Sub(n, tree.unit[tree.slot[k]]))
					if cost := tree.distanceSq(tree.slot[k], p) + lambdaSq*turned; cost < wantCost {
						want, wantCost = int32(k), cost
					}
					// |n-n'|² = 2 - 2cos for unit vectors; 1 where there is no normal.
					turned = 1
					if area := r3.Cross(r3.Sub(c[1], c[0]), r3.Sub(c[2], c[0])); r3.Norm(area) > 0 {
						turned = 2 - 2*r3.Dot(n, area)/r3.Norm(area)
					}
					d := distanceByPlane(p, c)
					other = min(other, d*d+lambdaSq*turned)
				}
				h, cost := tree.NearestOrientedAmong(p, n, lambdaSq, math.Inf(1), mask)
				if h.Triangle != want || cost != wantCost {
					t.Fatalf("seed %d, query %d: triangle %d at cost %g, want %d at %g", seed, i, h.Triangle, cost, want, wantCost)
				}
				if math.Abs(cost-other) > 1e-12*(1+cost) && want >= 0 {
					t.Fatalf("seed %d, query %d: cost %.17g, independently %.17g", seed, i, cost, other)
				}
				if want < 0 {
					continue
				}
				if h, _ := tree.NearestOrientedAmong(p, n, lambdaSq, math.Nextafter(wantCost, -1), mask); h.Triangle != -1 {
					t.Fatalf("seed %d, query %d: found %+v below the least cost %g", seed, i, h, wantCost)
				}
			}
		})
	}
}

func TestVisitWithin_BruteForce(t *testing.T) {
	const seed = 51
	for _, s := range surfaces() {
		t.Run(s.name, func(t *testing.T) {
			rng := rand.New(rand.NewPCG(seed, 0))
			tree := s.tree(t, 2)
			for i, p := range queriesAround(rng, &s, 100) {
				r := 0.2 * rng.Float64()
				if h := tree.Nearest(p); i%2 == 0 {
					r += math.Sqrt(h.DistanceSq)
				}
				var got, want []int32
				tree.VisitWithin(p, r, func(triangle int32, distSq float64) {
					if distSq != tree.distanceSq(tree.slot[triangle], p) {
						t.Fatalf("seed %d, query %d: triangle %d at %g", seed, i, triangle, distSq)
					}
					got = append(got, triangle)
				})
				for k := range s.triangles {
					if tree.distanceSq(tree.slot[k], p) <= r*r {
						want = append(want, int32(k))
					}
				}
				slices.Sort(got)
				if !slices.Equal(got, want) {
					t.Fatalf("seed %d, query %d, radius %g: %d triangles, want %d", seed, i, r, len(got), len(want))
				}
			}
		})
	}
}

// Trees and answers are the same on any number of threads, in any order of the
// queries (which changes the seeds), and alone.
func TestNearestAll_Deterministic(t *testing.T) {
	s := bumpySphere(150, 1, r3.Vec{}) // 45,000 triangles: several build tasks
	rng := rand.New(rand.NewPCG(61, 0))
	queries := queriesAround(rng, &s, 6000)
	first := s.tree(t, 1)
	if second := s.tree(t, 7); !slices.Equal(first.nodes, second.nodes) || !slices.Equal(first.id, second.id) || first.root != second.root {
		t.Error("the tree depends on the number of threads")
	}
	want := make([]Hit, len(queries))
	for i, p := range queries {
		want[i] = first.Nearest(p)
	}
	for _, threads := range []int{1, 2, 5, 0} {
		got := make([]Hit, len(queries))
		if err := first.NearestAll(context.Background(), queries, got, threads); err != nil {
			t.Fatal(err)
		}
		if !slices.Equal(got, want) {
			t.Errorf("threads %d: answers differ from single queries", threads)
		}
	}
	shuffled, got := make([]r3.Vec, len(queries)), make([]Hit, len(queries))
	order := rng.Perm(len(queries))
	for k, i := range order {
		shuffled[k] = queries[i]
	}
	if err := first.NearestAll(context.Background(), shuffled, got, 2); err != nil {
		t.Fatal(err)
	}
	for k, i := range order {
		if got[k] != want[i] {
			t.Fatalf("query %d: shuffled %+v, alone %+v", i, got[k], want[i])
		}
	}
}

func TestNearest_NoAnswer(t *testing.T) {
	nan, inf := math.NaN(), math.Inf(1)
	s := bumpySphere(6, 1, r3.Vec{})
	full := s.tree(t, 1)
	empty, err := NewTree(context.Background(), nil, nil, 0)
	if err != nil {
		t.Fatal(err)
	}
	bad := surface{positions: []r3.Vec{{}, vec(1, 0, 0), vec(nan, 1, 0), vec(0, inf, 0)}, triangles: [][3]int32{{0, 1, 2}, {0, 1, 3}}}
	for _, c := range []struct {
		name string
		tree *Tree
		p    r3.Vec
	}{
		{"empty", empty, r3.Vec{}},
		{"zero value", &Tree{}, r3.Vec{}},
		{"no triangle is finite", bad.tree(t, 1), r3.Vec{}},
		{"query not a number", full, vec(0, nan, 0)},
		{"query infinite", full, vec(0, 0, -inf)},
	} {
		t.Run(c.name, func(t *testing.T) {
			if h := c.tree.Nearest(c.p); h.Triangle != -1 || h.DistanceSq != inf {
				t.Errorf("Nearest: %+v", h)
			}
			if h, cost := c.tree.NearestOriented(c.p, vec(0, 0, 1), 1, inf); h.Triangle != -1 || cost != inf {
				t.Errorf("NearestOriented: %+v, %g", h, cost)
			}
			c.tree.VisitWithin(c.p, 100, func(triangle int32, _ float64) { t.Errorf("VisitWithin: triangle %d", triangle) })
			hits := make([]Hit, 1)
			if err := c.tree.NearestAll(context.Background(), []r3.Vec{c.p}, hits, 1); err != nil || hits[0].Triangle != -1 {
				t.Errorf("NearestAll: %+v, %v", hits, err)
			}
		})
	}
	if h := full.NearestWithin(r3.Vec{}, nan); h.Triangle != -1 {
		t.Errorf("bound not a number: %+v", h)
	}
	bad.triangles = append(bad.triangles, [3]int32{0, 1, 1})
	if h := bad.tree(t, 1).Nearest(vec(0.5, 2, 0)); h.Triangle != 2 || h.DistanceSq != 4 {
		t.Errorf("the one finite triangle: %+v", h)
	}
	if _, err := NewTree(context.Background(), s.positions, [][3]int32{{0, 1, int32(len(s.positions))}}, 1); err == nil {
		t.Error("no error for a vertex out of range")
	}
	if err := full.NearestAll(context.Background(), make([]r3.Vec, 2), make([]Hit, 1), 1); err == nil {
		t.Error("no error for lengths that differ")
	}
}

func TestCancel(t *testing.T) {
	s := bumpySphere(100, 1, r3.Vec{})
	done, cancel := context.WithCancel(context.Background())
	cancel()
	if _, err := NewTree(done, s.positions, s.triangles, 2); !errors.Is(err, context.Canceled) {
		t.Errorf("NewTree: %v", err)
	}
	tree := s.tree(t, 2)
	queries := queriesAround(rand.New(rand.NewPCG(71, 0)), &s, 100000)
	hits := make([]Hit, len(queries))
	for i := range hits {
		hits[i].Triangle = -2
	}
	if err := tree.NearestAll(done, queries, hits, 2); !errors.Is(err, context.Canceled) || hits[0].Triangle != -2 {
		t.Errorf("NearestAll, cancelled before: %v", err)
	}
	// Cancelled under way: the call comes back with the error and with work undone.
	for range 4 {
		queries = append(queries, queries...)
	}
	hits = make([]Hit, len(queries))
	for i := range hits {
		hits[i].Triangle = -2
	}
	during, cancel := context.WithTimeout(context.Background(), time.Millisecond)
	defer cancel()
	if err := tree.NearestAll(during, queries, hits, 2); !errors.Is(err, context.DeadlineExceeded) || hits[len(hits)-1].Triangle != -2 {
		t.Errorf("NearestAll, cancelled during: %v", err)
	}
}

func BenchmarkNearest(b *testing.B) {
	for _, n := range []int{70, 223, 707} {
		s := bumpySphere(n, 1, r3.Vec{})
		tree := s.tree(b, 0)
		queries := bumpySphere(n*7/10, 1.03, r3.Vec{}).positions
		hits := make([]Hit, len(queries))
		name := fmt.Sprintf("mesh=sphere/triangles=%d/", len(s.triangles))
		perQuery := func(b *testing.B) {
			b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/float64(len(queries)), "ns/query")
		}
		for _, threads := range []int{1, 2} {
			b.Run(fmt.Sprintf("%squery=all/threads=%d", name, threads), func(b *testing.B) {
				b.ReportAllocs()
				for b.Loop() {
					if err := tree.NearestAll(context.Background(), queries, hits, threads); err != nil {
						b.Fatal(err)
					}
				}
				perQuery(b)
			})
		}
		b.Run(name+"query=oriented", func(b *testing.B) {
			b.ReportAllocs()
			for b.Loop() {
				for i, p := range queries {
					hits[i], _ = tree.NearestOriented(p, r3.Unit(p), 0.01, math.Inf(1))
				}
			}
			perQuery(b)
		})
	}
}

func BenchmarkNewTree(b *testing.B) {
	for _, n := range []int{70, 223, 707} {
		s := bumpySphere(n, 1, r3.Vec{})
		for _, threads := range []int{1, 2} {
			b.Run(fmt.Sprintf("mesh=sphere/triangles=%d/threads=%d", len(s.triangles), threads), func(b *testing.B) {
				b.ReportAllocs()
				for b.Loop() {
					if _, err := NewTree(context.Background(), s.positions, s.triangles, threads); err != nil {
						b.Fatal(err)
					}
				}
			})
		}
	}
}
