package mesh

// Welding: vertices that stand in one place become one. Files split vertices at
// texture seams and hard edges, some at every face; the surface is still one.

import (
	"context"
	"math"
	"slices"

	"gonum.org/v1/gonum/spatial/r3"
)

// Welded is a mesh with coincident vertices joined.
type Welded struct {
	// Mesh of the joined vertices, numbered by their first member. Each stands
	// where its first member stands. Triangles that collapse (two corners joined)
	// are dropped, and so is a triangle that repeats an earlier one's three
	// vertices, in either winding.
	Mesh *Mesh
	// ToWelded leads from original to joined vertices; len is the original number.
	ToWelded []int32
}

// Weld joins vertices no farther apart than tolerance metres, transitively;
// tolerance 0 joins exactly equal positions. Positions must be finite. The result
// depends on the order of the vertices alone. O(n) expected.
func Weld(m *Mesh, tolerance float64) *Welded {
	w, _ := WeldContext(context.Background(), m, tolerance) // fails by ctx alone
	return w
}

// WeldContext is Weld that ends with ctx's error soon after ctx is done.
func WeldContext(ctx context.Context, m *Mesh, tolerance float64) (*Welded, error) {
	to, err := joinCoincident(ctx, m.Positions, tolerance)
	if err != nil {
		return nil, err
	}
	w := &Welded{ToWelded: to, Mesh: &Mesh{}}

	// Number the groups by their first member.
	number := make([]int32, len(to))
	for v, root := range to {
		if done(ctx, v) {
			return nil, ctx.Err()
		}
		if int(root) == v {
			number[v] = int32(len(w.Mesh.Positions))
			w.Mesh.Positions = append(w.Mesh.Positions, m.Positions[v])
		}
	}
	for v, root := range to {
		if done(ctx, v) {
			return nil, ctx.Err()
		}
		to[v] = number[root]
	}
	if m.Normals != nil {
		w.Mesh.Normals = make([]r3.Vec, len(w.Mesh.Positions))
		for v, n := range m.Normals {
			if done(ctx, v) {
				return nil, ctx.Err()
			}
			if Finite(n) {
				w.Mesh.Normals[to[v]] = r3.Add(w.Mesh.Normals[to[v]], n)
			}
		}
		for v, n := range w.Mesh.Normals {
			if done(ctx, v) {
				return nil, ctx.Err()
			}
			if r3.Norm(n) < 1e-4 { // they cancel; float32 leaves that much
				n = r3.Vec{}
			}
			w.Mesh.Normals[v] = unitOrZero(n)
		}
	}

	seen, err := newTriangleSet(ctx, len(m.Triangles))
	if err != nil {
		return nil, err
	}
	w.Mesh.Triangles = make([][3]int32, 0, len(m.Triangles))
	for i, t := range m.Triangles {
		if done(ctx, i) {
			return nil, ctx.Err()
		}
		q := [3]int32{to[t[0]], to[t[1]], to[t[2]]}
		if q[0] == q[1] || q[1] == q[2] || q[2] == q[0] || !seen.add(q) {
			continue
		}
		w.Mesh.Triangles = append(w.Mesh.Triangles, q)
	}
	return w, nil
}

// WeldTolerance is a tolerance for Weld that joins what rounding has parted and
// nothing else: a thousandth of the median edge length, and no more than a
// millionth of the diagonal of the bounding box. (The box alone would not do: one
// stray vertex makes it any size.) The median is over some ten thousand triangles
// spread over the mesh. O(vertices).
func WeldTolerance(m *Mesh) float64 {
	const samples = 10_000
	length := make([]float64, 0, samples)
	for i := 0; i < len(m.Triangles); i += 1 + len(m.Triangles)/samples {
		t := m.Triangles[i]
		if l := r3.Norm(r3.Sub(m.Positions[t[0]], m.Positions[t[1]])); l > 0 {
			length = append(length, l)
		}
	}
	tolerance := 1e-6 * m.Diagonal()
	if len(length) > 0 {
		slices.Sort(length)
		tolerance = min(tolerance, 1e-3*length[len(length)/2])
	}
	return tolerance
}

// hash mixes three integers (constants of splitmix64, Steele, Lea, Flood 2014,
// from memory).
func hash(x, y, z uint64) uint64 {
	h := x*0x9E3779B97F4A7C15 ^ y*0xBF58476D1CE4E5B9 ^ z*0x94D049BB133111EB
	h ^= h >> 29
	h *= 0xBF58476D1CE4E5B9
	return h ^ h>>32
}

// crowded is the number of distinct points in one cell of the grid from which on
// further ones join those within the tolerance, but attract none themselves: it
// bounds the work where many points crowd together.
const crowded = 64

// joinCoincident returns for each point the lowest index of its group.
func joinCoincident(ctx context.Context, p []r3.Vec, tolerance float64) ([]int32, error) {
	root := make([]int32, len(p))
	for i := range root {
		root[i] = int32(i)
	}
	if len(p) == 0 {
		return root, nil
	}
	bits := 1
	for 1<<bits < 2*len(p) {
		bits++
	}
	mask := uint64(1)<<bits - 1
	head := make([]int32, 1<<bits)
	next := make([]int32, len(p))

	// Equal points first: only the first of each goes on.
	for i := range head {
		if done(ctx, i) {
			return nil, ctx.Err()
		}
		head[i] = -1
	}
	first := make([]int32, 0, len(p))
	for i, a := range p {
		if done(ctx, i) {
			return nil, ctx.Err()
		}
		// Adding zero turns -0 into 0.
		b := hash(math.Float64bits(a.X+0), math.Float64bits(a.Y+0), math.Float64bits(a.Z+0)) & mask
		j := head[b]
		for j >= 0 && p[j] != a {
			j = next[j]
		}
		if j >= 0 {
			root[i] = j
			continue
		}
		next[i], head[b] = head[b], int32(i)
		first = append(first, int32(i))
	}
	if !(tolerance > 0) {
		return root, nil
	}

	// Then those within the tolerance, by a grid whose cells are two tolerances wide:
	// an interval of that width around a point touches two cells an axis at most. A
	// grid that could not be numbered is made coarser.
	box := Bounds(p)
	cell := max(2*tolerance, r3.Norm(r3.Sub(box.Max, box.Min))*0x1p-40)
	find := func(i int32) int32 {
		for root[i] != i {
			root[i] = root[root[i]]
			i = root[i]
		}
		return i
	}
	at := func(x, lo float64) uint64 { return uint64(max(0, math.Floor((x-lo)/cell)+1)) }
	for i := range head {
		if done(ctx, i) {
			return nil, ctx.Err()
		}
		head[i] = -1
	}
	for k, i := range first {
		if done(ctx, k) {
			return nil, ctx.Err()
		}
		a := p[i]
		x0, x1 := at(a.X-tolerance, box.Min.X), at(a.X+tolerance, box.Min.X)
		y0, y1 := at(a.Y-tolerance, box.Min.Y), at(a.Y+tolerance, box.Min.Y)
		z0, z1 := at(a.Z-tolerance, box.Min.Z), at(a.Z+tolerance, box.Min.Z)
		own := hash(at(a.X, box.Min.X), at(a.Y, box.Min.Y), at(a.Z, box.Min.Z)) & mask
		neighbours := 0
		for x := x0; x <= x1; x++ {
			for y := y0; y <= y1; y++ {
				for z := z0; z <= z1; z++ {
					b := hash(x, y, z) & mask
					for j := head[b]; j >= 0; j = next[j] {
						if b == own {
							neighbours++
						}
						if r3.Norm2(r3.Sub(p[j], a)) <= tolerance*tolerance {
							r, s := find(i), find(j)
							root[max(r, s)] = min(r, s)
						}
					}
				}
			}
		}
		if neighbours < crowded {
			next[i], head[own] = head[own], i
		}
	}
	for i := range root {
		if done(ctx, i) {
			return nil, ctx.Err()
		}
		root[i] = find(int32(i))
	}
	return root, nil
}

// triangleSet is an open-addressing hash set of vertex triples without order.
type triangleSet struct {
	slot [][3]int32
	mask uint64
}

func newTriangleSet(ctx context.Context, n int) (*triangleSet, error) {
	size := 4
	for size < 2*n {
		size *= 2
	}
	s := &triangleSet{slot: make([][3]int32, size), mask: uint64(size - 1)}
	for i := range s.slot {
		if done(ctx, i) {
			return nil, ctx.Err()
		}
		s.slot[i][0] = -1
	}
	return s, nil
}

// add reports whether t was not in the set yet.
func (s *triangleSet) add(t [3]int32) bool {
	if t[0] > t[1] {
		t[0], t[1] = t[1], t[0]
	}
	if t[1] > t[2] {
		t[1], t[2] = t[2], t[1]
	}
	if t[0] > t[1] {
		t[0], t[1] = t[1], t[0]
	}
	h := hash(uint64(t[0]), uint64(t[1]), uint64(t[2]))
	for i := h & s.mask; ; i = (i + 1) & s.mask {
		switch {
		case s.slot[i][0] < 0:
			s.slot[i] = t
			return true
		case s.slot[i] == t:
			return false
		}
	}
}
