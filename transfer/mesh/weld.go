package mesh

// Welding: vertices that stand in one place become one. Files split vertices at
// texture seams and hard edges, some at every face; the surface is still one.

import (
	"math"

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
// depends on the order of the vertices alone. O(n log n).
func Weld(m *Mesh, tolerance float64) *Welded {
	to := joinCoincident(m.Positions, tolerance)
	w := &Welded{ToWelded: to, Mesh: &Mesh{}}

	// Number the groups by their first member.
	number := make([]int32, len(to))
	for v, root := range to {
		if int(root) == v {
			number[v] = int32(len(w.Mesh.Positions))
			w.Mesh.Positions = append(w.Mesh.Positions, m.Positions[v])
		}
	}
	for v, root := range to {
		to[v] = number[root]
	}
	if m.Normals != nil {
		w.Mesh.Normals = make([]r3.Vec, len(w.Mesh.Positions))
		for v, n := range m.Normals {
			if Finite(n) {
				w.Mesh.Normals[to[v]] = r3.Add(w.Mesh.Normals[to[v]], n)
			}
		}
		for v, n := range w.Mesh.Normals {
			w.Mesh.Normals[v] = unitOrZero(n)
		}
	}

	seen := newTriangleSet(len(m.Triangles))
	w.Mesh.Triangles = make([][3]int32, 0, len(m.Triangles))
	for _, t := range m.Triangles {
		q := [3]int32{to[t[0]], to[t[1]], to[t[2]]}
		if q[0] == q[1] || q[1] == q[2] || q[2] == q[0] || !seen.add(q) {
			continue
		}
		w.Mesh.Triangles = append(w.Mesh.Triangles, q)
	}
	return w
}

// joinCoincident returns for each point the lowest index of its group.
func joinCoincident(p []r3.Vec, tolerance float64) []int32 {
	root := make([]int32, len(p))
	for i := range root {
		root[i] = int32(i)
	}
	find := func(i int32) int32 {
		for root[i] != i {
			root[i] = root[root[i]]
			i = root[i]
		}
		return i
	}
	if len(p) == 0 {
		return root
	}
	lo := Bounds(p).Min
	cell := tolerance * 2
	if !(cell > 0) {
		cell = 0
	}
	key := func(x, y, z int64) uint64 {
		// Mixing constants of splitmix64 (Steele, Lea, Flood 2014), from memory.
		h := uint64(x)*0x9E3779B97F4A7C15 ^ uint64(y)*0xBF58476D1CE4E5B9 ^ uint64(z)*0x94D049BB133111EB
		h ^= h >> 29
		h *= 0xBF58476D1CE4E5B9
		return h ^ h>>32
	}
	coordinate := func(x, lo float64) (int64, int64) {
		if cell == 0 {
			if x == 0 {
				x = 0 // -0 equals 0
			}
			b := int64(math.Float64bits(x))
			return b, b
		}
		// The cells that the interval [x-tolerance, x+tolerance] touches: two at most,
		// since a cell is two tolerances wide.
		return int64(math.Floor((x - lo - tolerance) / cell)), int64(math.Floor((x - lo + tolerance) / cell))
	}
	own := func(x, lo float64) int64 {
		if cell == 0 {
			a, _ := coordinate(x, lo)
			return a
		}
		return int64(math.Floor((x - lo) / cell))
	}
	// Chained hash table in flat slices: head by bucket, next by point.
	bits := 1
	for 1<<bits < 2*len(p) {
		bits++
	}
	mask := uint64(1)<<bits - 1
	head := make([]int32, 1<<bits)
	for i := range head {
		head[i] = -1
	}
	next := make([]int32, len(p))
	for i, a := range p {
		x0, x1 := coordinate(a.X, lo.X)
		y0, y1 := coordinate(a.Y, lo.Y)
		z0, z1 := coordinate(a.Z, lo.Z)
		for x := x0; x <= x1; x++ {
			for y := y0; y <= y1; y++ {
				for z := z0; z <= z1; z++ {
					for j := head[key(x, y, z)&mask]; j >= 0; j = next[j] {
						if r3.Norm2(r3.Sub(p[j], a)) <= tolerance*tolerance {
							r, s := find(int32(i)), find(j)
							if r < s {
								root[s] = r
							} else {
								root[r] = s
							}
						}
					}
				}
			}
		}
		b := key(own(a.X, lo.X), own(a.Y, lo.Y), own(a.Z, lo.Z)) & mask
		next[i] = head[b]
		head[b] = int32(i)
	}
	for i := range root {
		root[i] = find(int32(i))
	}
	return root
}

// triangleSet is an open-addressing hash set of vertex triples without order.
type triangleSet struct {
	slot [][3]int32
	mask uint64
}

func newTriangleSet(n int) *triangleSet {
	size := 4
	for size < 2*n {
		size *= 2
	}
	s := &triangleSet{slot: make([][3]int32, size), mask: uint64(size - 1)}
	for i := range s.slot {
		s.slot[i][0] = -1
	}
	return s
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
	h := uint64(t[0])*0x9E3779B97F4A7C15 ^ uint64(t[1])*0xBF58476D1CE4E5B9 ^ uint64(t[2])*0x94D049BB133111EB
	h ^= h >> 31
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
