// Package shapes makes meshes for tests and measurements: a plane and a tube whose
// weights are known by a formula, and other meshes of a given surface, with the rows
// that the surface has there.
package shapes

import (
	"math"
	"math/rand/v2"
	"slices"

	"github.com/selvage/selvage/transfer/mesh"
	"github.com/selvage/selvage/transfer/weights"
	"gonum.org/v1/gonum/spatial/r3"
)

// Triangles is a grid of n by n vertices on equilateral triangles in the plane z = 0,
// edges 1 cm long, jittered by a share of the edge: up to a third of it stays
// Delaunay, so that no cotangent weight is negative.
func Triangles(n int, jitter float64, r *rand.Rand) *mesh.Mesh {
	m := &mesh.Mesh{}
	for i := range n {
		for j := range n {
			p := r3.Vec{X: float64(j) + 0.5*float64(i%2), Y: float64(i) * math.Sqrt(3) / 2}
			p.X += jitter * (r.Float64() - 0.5)
			p.Y += jitter * (r.Float64() - 0.5)
			m.Positions = append(m.Positions, r3.Scale(0.01, p))
		}
	}
	m.Triangles = between(n, n, n-1)
	return m
}

// Tube is a cylinder of rings around the x axis from 0 to length, metres, with so many
// vertices around each; those of inner rings are jittered along the axis by a share of
// the distance between rings.
func Tube(rings, around int, radius, length, jitter float64, r *rand.Rand) *mesh.Mesh {
	m := &mesh.Mesh{}
	step := length / float64(rings-1)
	for i := range rings {
		for k := range around {
			a := 2 * math.Pi * (float64(k) + 0.5*float64(i%2)) / float64(around)
			x := float64(i) * step
			if i > 0 && i < rings-1 {
				x += jitter * step * (r.Float64() - 0.5)
			}
			m.Positions = append(m.Positions, r3.Vec{X: x, Y: radius * math.Cos(a), Z: radius * math.Sin(a)})
		}
	}
	m.Triangles = between(rings, around, around)
	return m
}

// between are the triangles between rows of vertices, every other row shifted by half
// an edge.
func between(rows, wide, columns int) (out [][3]int32) {
	for i := range rows - 1 {
		for k := range columns {
			a, b := int32(i*wide+k), int32(i*wide+(k+1)%wide)
			c, d := a+int32(wide), b+int32(wide)
			if i%2 == 0 {
				out = append(out, [3]int32{a, b, c}, [3]int32{b, d, c})
			} else {
				out = append(out, [3]int32{a, b, d}, [3]int32{a, d, c})
			}
		}
	}
	return out
}

// Shared gives joint 0 the share that f has at each vertex, joint 1 the rest.
func Shared(m *mesh.Mesh, f func(r3.Vec) float64) *weights.Rows {
	rows := weights.NewRows(0)
	for _, p := range m.Positions {
		rows.Append([]uint16{0, 1}, []float64{f(p), 1 - f(p)})
	}
	return rows
}

// Split divides every triangle that has a corner in a half-space (where is above
// zero there) in four; rows at the middles of its edges are interpolated, so that the
// surface and the field on it stay as they are. Normals are left out.
func Split(m *mesh.Mesh, rows *weights.Rows, joints int, where func(r3.Vec) float64) (*mesh.Mesh, *weights.Rows) {
	out := &mesh.Mesh{Positions: slices.Clone(m.Positions)}
	all := weights.Concat(rows)
	acc := weights.NewAccumulator(joints)
	middle := map[[2]int32]int32{}
	at := func(a, b int32) int32 {
		k := [2]int32{min(a, b), max(a, b)}
		if v, ok := middle[k]; ok {
			return v
		}
		middle[k] = int32(len(out.Positions))
		out.Positions = append(out.Positions, r3.Scale(0.5, r3.Add(m.Positions[a], m.Positions[b])))
		acc.AddLerp(rows, int(a), rows, int(b), 0.5)
		acc.FlushNormalised(all)
		return middle[k]
	}
	for _, q := range m.Triangles {
		if !slices.ContainsFunc(q[:], func(v int32) bool { return where(m.Positions[v]) > 0 }) {
			out.Triangles = append(out.Triangles, q)
			continue
		}
		a, b, c := at(q[0], q[1]), at(q[1], q[2]), at(q[2], q[0])
		out.Triangles = append(out.Triangles, [3]int32{q[0], a, c}, [3]int32{a, q[1], b}, [3]int32{c, b, q[2]}, [3]int32{a, b, c})
	}
	return out, all
}

// Mirrored is the mesh with x turned round, facing outwards again.
func Mirrored(m *mesh.Mesh) *mesh.Mesh {
	out := &mesh.Mesh{}
	for _, p := range m.Positions {
		out.Positions = append(out.Positions, r3.Vec{X: -p.X, Y: p.Y, Z: p.Z})
	}
	for _, t := range m.Triangles {
		out.Triangles = append(out.Triangles, [3]int32{t[0], t[2], t[1]})
	}
	return out
}

// Decimated collapses edges, shortest first, onto one of their ends until about share
// of the vertices is left; those that stay stand where they stood, with their rows. An
// edge is kept where its ends have other than two neighbours in common (the mesh would
// not stay manifold), or where a triangle would turn by more than 60 degrees. The mesh
// must be closed and manifold once it is welded.
func Decimated(m *mesh.Mesh, rows *weights.Rows, share float64) (*mesh.Mesh, *weights.Rows) {
	w := mesh.Weld(m, mesh.WeldTolerance(m))
	row := make([]int, w.Mesh.NumVertices())
	for v, k := range slices.Backward(w.ToWelded) {
		row[k] = v
	}
	p, tri := w.Mesh.Positions, slices.Clone(w.Mesh.Triangles)
	left := len(p)
	for want := int(share * float64(left)); left > want; {
		cur := &mesh.Mesh{Positions: p, Triangles: tri}
		adjacency := mesh.NewAdjacency(cur)
		around := make([][]int32, len(p))
		for t, q := range tri {
			for _, v := range q {
				around[v] = append(around[v], int32(t))
			}
		}
		type edge struct {
			a, b   int32
			length float64
		}
		var edges []edge
		for a := range p {
			for _, b := range adjacency.Neighbours(a) {
				if int(b) > a {
					edges = append(edges, edge{int32(a), b, r3.Norm(r3.Sub(p[a], p[b]))})
				}
			}
		}
		slices.SortStableFunc(edges, func(x, y edge) int {
			switch {
			case x.length < y.length:
				return -1
			case x.length > y.length:
				return 1
			}
			return 0
		})
		// One round: edges whose surroundings no other collapse of the round has touched.
		busy := make([]bool, len(p))
		to := make([]int32, len(p))
		for v := range to {
			to[v] = int32(v)
		}
		collapsed := 0
		for _, e := range edges[:max(1, len(edges)/3)] {
			if left-collapsed <= want || busy[e.a] || busy[e.b] || !collapses(p, tri, around, adjacency, e.a, e.b) {
				continue
			}
			to[e.b] = e.a
			collapsed++
			for _, v := range []int32{e.a, e.b} {
				busy[v] = true
				for _, u := range adjacency.Neighbours(int(v)) {
					busy[u] = true
				}
			}
		}
		if collapsed == 0 {
			break
		}
		left -= collapsed
		var kept [][3]int32
		for _, q := range tri {
			q = [3]int32{to[q[0]], to[q[1]], to[q[2]]}
			if q[0] != q[1] && q[1] != q[2] && q[2] != q[0] {
				kept = append(kept, q)
			}
		}
		tri = kept
	}
	out, number := &mesh.Mesh{}, map[int32]int32{}
	all := weights.NewRows(0)
	for _, q := range tri {
		for k, v := range q {
			n, ok := number[v]
			if !ok {
				n = int32(len(out.Positions))
				number[v] = n
				out.Positions = append(out.Positions, p[v])
				all.Append(rows.Row(row[v]))
			}
			q[k] = n
		}
		out.Triangles = append(out.Triangles, q)
	}
	return out, all
}

// collapses reports whether b may be put onto a.
func collapses(p []r3.Vec, tri [][3]int32, around [][]int32, adjacency *mesh.Adjacency, a, b int32) bool {
	common := 0
	for _, u := range adjacency.Neighbours(int(a)) {
		if _, ok := slices.BinarySearch(adjacency.Neighbours(int(b)), u); ok {
			common++
		}
	}
	if common != 2 {
		return false
	}
	normal := func(q [3]int32) r3.Vec {
		return r3.Cross(r3.Sub(p[q[1]], p[q[0]]), r3.Sub(p[q[2]], p[q[0]]))
	}
	for _, t := range around[b] {
		q := tri[t]
		if slices.Contains(q[:], a) {
			continue
		}
		before := normal(q)
		for k := range q {
			if q[k] == b {
				q[k] = a
			}
		}
		after := normal(q)
		if r3.Dot(before, after) < 0.5*r3.Norm(before)*r3.Norm(after) || r3.Norm(after) < 1e-12 {
			return false
		}
	}
	return true
}
