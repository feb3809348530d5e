package mesh

import (
	"context"
	"errors"
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"gonum.org/v1/gonum/spatial/r3"
)

// torus returns a closed quad torus of n by m vertices, triangulated.
func torus(n, m int) *Mesh {
	t := &Mesh{}
	for i := 0; i < n; i++ {
		for j := 0; j < m; j++ {
			a, b := 2*math.Pi*float64(i)/float64(n), 2*math.Pi*float64(j)/float64(m)
			r := 1 + 0.3*math.Cos(b)
			t.Positions = append(t.Positions, r3.Vec{X: r * math.Cos(a), Y: r * math.Sin(a), Z: 0.3 * math.Sin(b)})
		}
	}
	at := func(i, j int) int32 { return int32(i%n*m + j%m) }
	for i := 0; i < n; i++ {
		for j := 0; j < m; j++ {
			t.Triangles = append(t.Triangles, [3]int32{at(i, j), at(i+1, j), at(i+1, j+1)}, [3]int32{at(i, j), at(i+1, j+1), at(i, j+1)})
		}
	}
	return t
}

// sphere is a UV sphere of unit radius with single poles.
func sphere(rings, segments int) *Mesh {
	s := &Mesh{Positions: []r3.Vec{{Z: 1}}}
	for i := 1; i < rings; i++ {
		for j := 0; j < segments; j++ {
			a, b := math.Pi*float64(i)/float64(rings), 2*math.Pi*float64(j)/float64(segments)
			s.Positions = append(s.Positions, r3.Vec{X: math.Sin(a) * math.Cos(b), Y: math.Sin(a) * math.Sin(b), Z: math.Cos(a)})
		}
	}
	s.Positions = append(s.Positions, r3.Vec{Z: -1})
	last := int32(len(s.Positions) - 1)
	at := func(i, j int) int32 { return int32(1 + (i-1)*segments + j%segments) }
	for j := 0; j < segments; j++ {
		s.Triangles = append(s.Triangles, [3]int32{0, at(1, j), at(1, j+1)}, [3]int32{last, at(rings-1, j+1), at(rings-1, j)})
		for i := 1; i < rings-1; i++ {
			s.Triangles = append(s.Triangles, [3]int32{at(i, j), at(i+1, j), at(i+1, j+1)}, [3]int32{at(i, j), at(i+1, j+1), at(i, j+1)})
		}
	}
	return s
}

// split gives every triangle vertices of its own, in the order of a seed.
func split(m *Mesh, seed uint64) *Mesh {
	out := &Mesh{}
	order := rand.New(rand.NewPCG(seed, 0)).Perm(3 * len(m.Triangles))
	out.Positions = make([]r3.Vec, len(order))
	for t, tri := range m.Triangles {
		var q [3]int32
		for k, v := range tri {
			q[k] = int32(order[3*t+k])
			out.Positions[q[k]] = m.Positions[v]
		}
		out.Triangles = append(out.Triangles, q)
	}
	return out
}

// euler is vertices - edges + triangles.
func euler(m *Mesh) int {
	edges := len(NewAdjacency(m).Neighbour) / 2
	return len(m.Positions) - edges + len(m.Triangles)
}

// Euler characteristic: 2 for a sphere, 0 for a torus (Euler; Lhuilier 1812).
func TestWeld_RestoresTopologyOfSplitMeshes(t *testing.T) {
	for _, c := range []struct {
		name string
		mesh *Mesh
		want int
	}{{"sphere", sphere(12, 17), 2}, {"torus", torus(20, 9), 0}} {
		t.Run(c.name, func(t *testing.T) {
			if got := euler(c.mesh); got != c.want {
				t.Fatalf("the mesh itself has Euler characteristic %d", got)
			}
			for _, tolerance := range []float64{0, 1e-6} {
				const seed = 5
				w := Weld(split(c.mesh, seed), tolerance)
				if got := euler(w.Mesh); got != c.want || len(w.Mesh.Positions) != len(c.mesh.Positions) || len(w.Mesh.Triangles) != len(c.mesh.Triangles) {
					t.Errorf("tolerance %g, seed %d: characteristic %d, %d vertices, %d triangles; want %d, %d, %d", tolerance, seed,
						got, len(w.Mesh.Positions), len(w.Mesh.Triangles), c.want, len(c.mesh.Positions), len(c.mesh.Triangles))
				}
			}
		})
	}
}

func TestWeld_Tolerance(t *testing.T) {
	// A chain of points 0.9 tolerances apart joins as a whole; one 1.1 away stays.
	const tol = 1e-3
	m := &Mesh{}
	for i := 0; i < 10; i++ {
		m.Positions = append(m.Positions, r3.Vec{X: 0.9 * tol * float64(i)})
	}
	m.Positions = append(m.Positions, r3.Vec{X: (0.9*9 + 1.1) * tol})
	w := Weld(m, tol)
	if len(w.Mesh.Positions) != 2 {
		t.Errorf("%d welded vertices, want 2: %v", len(w.Mesh.Positions), w.ToWelded)
	}
	if w.Mesh.Positions[0] != m.Positions[0] {
		t.Error("the group does not stand at its first member")
	}
	// Against all pairs, on random points.
	const seed = 9
	r := rand.New(rand.NewPCG(seed, 0))
	p := make([]r3.Vec, 400)
	for i := range p {
		p[i] = r3.Vec{X: r.Float64(), Y: r.Float64(), Z: 0.1 * r.Float64()}
	}
	const near = 0.03
	root := make([]int, len(p))
	for i := range root {
		root[i] = i
	}
	var find func(int) int
	find = func(i int) int {
		if root[i] != i {
			root[i] = find(root[i])
		}
		return root[i]
	}
	for i := range p {
		for j := range i {
			if r3.Norm(r3.Sub(p[i], p[j])) <= near {
				a, b := find(i), find(j)
				root[max(a, b)] = min(a, b)
			}
		}
	}
	got, err := joinCoincident(context.Background(), p, near)
	if err != nil {
		t.Fatal(err)
	}
	for i := range p {
		if int(got[i]) != find(i) {
			t.Fatalf("seed %d: point %d in group %d, all pairs say %d", seed, i, got[i], find(i))
		}
	}
	// Minus zero is zero.
	if w := Weld(&Mesh{Positions: []r3.Vec{{}, {X: math.Copysign(0, -1)}}}, 0); len(w.Mesh.Positions) != 1 {
		t.Error("0 and -0 were kept apart")
	}
}

// Many points in one place, and many close together, cost no more than others.
func TestWeld_Crowds(t *testing.T) {
	const seed, n = 4, 200_000
	r := rand.New(rand.NewPCG(seed, 0))
	m := &Mesh{Positions: make([]r3.Vec, n)}
	for i := n / 2; i < n; i++ {
		m.Positions[i] = r3.Vec{X: 1 + 1e-7*r.Float64()}
	}
	// A hundred thousand each, all pairs would be ten billion tests.
	if w := Weld(m, 1e-6); len(w.Mesh.Positions) != 2 {
		t.Errorf("seed %d: %d welded vertices, want 2", seed, len(w.Mesh.Positions))
	}
}

func TestWeldTolerance_StrayVertex(t *testing.T) {
	m := torus(30, 12)
	m.Positions = append(m.Positions, r3.Vec{X: 1e7})
	if w := Weld(m, WeldTolerance(m)); len(w.Mesh.Positions) != len(m.Positions) {
		t.Errorf("a stray vertex joined %d others", len(m.Positions)-len(w.Mesh.Positions))
	}
}

func TestWeld_DropsCollapsedAndRepeatedTriangles(t *testing.T) {
	m := &Mesh{
		Positions: []r3.Vec{{}, {X: 1}, {Y: 1}, {X: 1}},
		Triangles: [][3]int32{{0, 1, 2}, {1, 2, 0}, {0, 2, 3}, {0, 1, 3}, {1, 1, 2}},
	}
	w := Weld(m, 0)
	if want := [][3]int32{{0, 1, 2}}; !slices.Equal(w.Mesh.Triangles, want) {
		t.Errorf("%v, want %v", w.Mesh.Triangles, want)
	}
}

func TestIslands_DisjointShapes(t *testing.T) {
	a, b := sphere(6, 7), torus(8, 5)
	m := &Mesh{Positions: append(slices.Clone(a.Positions), b.Positions...)}
	m.Triangles = slices.Clone(a.Triangles)
	for _, t := range b.Triangles {
		n := int32(len(a.Positions))
		m.Triangles = append(m.Triangles, [3]int32{t[0] + n, t[1] + n, t[2] + n})
	}
	m.Positions = append(m.Positions, r3.Vec{X: 9}) // on no triangle
	s := NewIslands(NewAdjacency(m))
	if s.Count != 3 {
		t.Fatalf("%d islands, want 3", s.Count)
	}
	for i, want := range []int{len(a.Positions), len(b.Positions), 1} {
		if got := len(s.Members(i)); got != want {
			t.Errorf("island %d has %d vertices, want %d", i, got, want)
		}
		for _, v := range s.Members(i) {
			if s.Island[v] != int32(i) {
				t.Errorf("vertex %d is listed in island %d and marked %d", v, i, s.Island[v])
			}
		}
	}
}

func TestOpenBorder(t *testing.T) {
	closed := sphere(8, 9)
	for i, b := range OpenBorder(closed.Triangles, nil) {
		if b != 0 {
			t.Fatalf("closed sphere: triangle %d has open edges %b", i, b)
		}
	}
	// Without its first triangle, three edges are open; cut apart, all are, unless
	// welding says otherwise.
	open := 0
	for _, b := range OpenBorder(closed.Triangles[1:], nil) {
		for ; b > 0; b &= b - 1 {
			open++
		}
	}
	if open != 3 {
		t.Errorf("%d open edges around a missing triangle, want 3", open)
	}
	apart := split(closed, 3)
	w := Weld(apart, 0)
	for i, b := range OpenBorder(apart.Triangles, w.ToWelded) {
		if b != 0 {
			t.Fatalf("split sphere, welded: triangle %d has open edges %b", i, b)
		}
	}
	for i, b := range OpenBorder(apart.Triangles, nil) {
		if b != 7 {
			t.Fatalf("split sphere: triangle %d has open edges %b, want all", i, b)
		}
	}
	// Three triangles on one edge: non-manifold, not open there.
	fan := [][3]int32{{0, 1, 2}, {0, 1, 3}, {1, 0, 4}}
	for i, b := range OpenBorder(fan, nil) {
		if b&4 != 0 || b&3 != 3 {
			t.Errorf("fan: triangle %d has open edges %b", i, b)
		}
	}
}

// On a sphere the angle-weighted normals converge to the analytic ones.
func TestVertexNormals_Sphere(t *testing.T) {
	last := math.Inf(1)
	for _, n := range []int{8, 16, 32} {
		m := sphere(n, 2*n)
		worst := 0.0
		for v, x := range VertexNormals(m) {
			worst = max(worst, r3.Norm(r3.Sub(x, m.Positions[v])))
		}
		if worst > 0.35*last { // second order: a quarter, with room
			t.Errorf("n = %d: error %g after %g", n, worst, last)
		}
		last = worst
	}
	if last > 0.01 {
		t.Errorf("error %g on the finest sphere", last)
	}
	// Opposed triangles cancel; degenerate ones have no say.
	m := &Mesh{Positions: []r3.Vec{{}, {X: 1}, {Y: 1}}, Triangles: [][3]int32{{0, 1, 2}, {0, 2, 1}, {0, 0, 1}}}
	for v, x := range VertexNormals(m) {
		if x != (r3.Vec{}) {
			t.Errorf("vertex %d: %v, want none", v, x)
		}
	}
}

func TestPrincipalExtents_RotatedBox(t *testing.T) {
	axis := r3.Unit(r3.Vec{X: 1, Y: 2, Z: 3})
	rot := r3.NewRotation(0.8, axis)
	var p []r3.Vec
	for i := 0; i <= 10; i++ {
		for j := 0; j <= 5; j++ {
			for k := 0; k <= 3; k++ {
				p = append(p, rot.Rotate(r3.Vec{X: 3 * float64(i) / 10, Y: 1.1 * float64(j) / 5, Z: 0.2 * float64(k) / 3}))
			}
		}
	}
	e := PrincipalExtents(p)
	slices.Sort(e[:])
	for k, want := range []float64{0.2, 1.1, 3} {
		if math.Abs(e[k]-want) > 1e-9 {
			t.Errorf("extent %d is %g, want %g", k, e[k], want)
		}
	}
}

func TestValidate(t *testing.T) {
	var index *IndexError
	if err := (&Mesh{Positions: make([]r3.Vec, 2), Triangles: [][3]int32{{0, 1, 2}}}).Validate(); !errors.As(err, &index) || index.Vertex != 2 {
		t.Errorf("index out of range: %v", err)
	}
	var position *PositionError
	for _, bad := range []float64{math.NaN(), math.Inf(1), math.Inf(-1)} {
		if err := (&Mesh{Positions: []r3.Vec{{}, {Y: bad}}}).Validate(); !errors.As(err, &position) || position.Vertex != 1 {
			t.Errorf("position %g: %v", bad, err)
		}
	}
	if err := (&Mesh{Positions: []r3.Vec{{X: math.MaxFloat64, Y: math.MaxFloat64}}}).Validate(); err != nil {
		t.Errorf("large but finite: %v", err)
	}
	if err := sphere(5, 6).Validate(); err != nil {
		t.Error(err)
	}
}

func TestContext_Cancelled(t *testing.T) {
	ctx, cancel := context.WithCancel(context.Background())
	cancel()
	m := sphere(5, 6)
	_, err1 := WeldContext(ctx, m, 0)
	_, err2 := NewAdjacencyContext(ctx, m)
	_, err3 := VertexNormalsContext(ctx, m)
	_, err4 := OpenBorderContext(ctx, m.Triangles, nil)
	for i, err := range []error{err1, err2, err3, err4} {
		if !errors.Is(err, context.Canceled) {
			t.Errorf("function %d: %v", i, err)
		}
	}
}

func BenchmarkWeld(b *testing.B) {
	for _, n := range []int{100, 320, 1000} {
		m := split(torus(n, n/6), 1)
		b.Run("verts="+map[int]string{100: "10k", 320: "100k", 1000: "1M"}[n], func(b *testing.B) {
			b.ReportAllocs()
			for b.Loop() {
				Weld(m, 1e-6)
			}
			b.ReportMetric(float64(len(m.Positions)), "vertices")
		})
	}
}
