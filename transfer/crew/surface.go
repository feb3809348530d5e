package crew

import (
	"gonum.org/v1/gonum/spatial/r3"
)

// Anchor is the address of a point of a body's surface: a face of its control
// cage and two parameters in [0,1].
type Anchor struct {
	Face int32
	U, V float64
}

// surface is the smooth surface of a body with its weight field.
type surface struct {
	cage   *cage
	side   int // cells per cage face along each parameter: 2^levels
	fine   *quads
	normal []r3.Vec
	grid   []int32 // (side+1)^2 fine vertices per cage face, u fastest
}

// newSurface subdivides the cage levels times. 4 levels leave the fine mesh
// within 1/256 of a cage edge's bulge of the limit surface.
func newSurface(c *cage, levels int) *surface {
	q := &quads{pos: c.pos, row: make([]sparse, len(c.pos)), face: make([][4]int32, len(c.faces))}
	for v := range c.row {
		for j, w := range c.row[v] {
			if w != 0 {
				q.row[v].joint = append(q.row[v].joint, uint16(j))
				q.row[v].weight = append(q.row[v].weight, w)
			}
		}
	}
	for f := range c.faces {
		q.face[f] = c.faces[f].V
	}
	for range levels {
		q = q.subdivide()
	}
	s := &surface{cage: c, side: 1 << levels, fine: q}
	s.index(levels)
	s.normals()
	return s
}

// index finds the grid of fine vertices of every cage face.
func (s *surface) index(levels int) {
	n := s.side
	s.grid = make([]int32, len(s.cage.faces)*(n+1)*(n+1))
	for f := range s.cage.faces {
		g := s.gridOf(int32(f))
		for y := range n {
			for x := range n {
				// Descend to cell (x, y): the children's order is 00, 10, 11, 01.
				i := f
				for l := levels - 1; l >= 0; l-- {
					bx, by := x>>l&1, y>>l&1
					i = 4*i + (bx ^ by) + 2*by
				}
				v := s.fine.face[i]
				g[y*(n+1)+x], g[y*(n+1)+x+1] = v[0], v[1]
				g[(y+1)*(n+1)+x+1], g[(y+1)*(n+1)+x] = v[2], v[3]
			}
		}
	}
}

func (s *surface) gridOf(f int32) []int32 {
	n := (s.side + 1) * (s.side + 1)
	return s.grid[int(f)*n : int(f+1)*n]
}

// normals are area-weighted over the fine faces.
func (s *surface) normals() {
	s.normal = make([]r3.Vec, len(s.fine.pos))
	p := s.fine.pos
	for _, v := range s.fine.face {
		n := r3.Cross(r3.Sub(p[v[2]], p[v[0]]), r3.Sub(p[v[3]], p[v[1]]))
		for _, k := range v {
			s.normal[k] = r3.Add(s.normal[k], n)
		}
	}
	for i := range s.normal {
		s.normal[i] = r3.Unit(s.normal[i])
	}
}

// cell returns the four fine vertices around a and their bilinear weights.
func (s *surface) cell(a Anchor) (v [4]int32, w [4]float64) {
	n := s.side
	g := s.gridOf(a.Face)
	x, y := a.U*float64(n), a.V*float64(n)
	ix, iy := min(int(x), n-1), min(int(y), n-1)
	fx, fy := x-float64(ix), y-float64(iy)
	i := iy*(n+1) + ix
	return [4]int32{g[i], g[i+1], g[i+n+2], g[i+n+1]}, [4]float64{(1 - fx) * (1 - fy), fx * (1 - fy), fx * fy, (1 - fx) * fy}
}

// at returns position and unit normal of the surface at a.
func (s *surface) at(a Anchor) (p, normal r3.Vec) {
	v, w := s.cell(a)
	for k := range v {
		p = r3.Add(p, r3.Scale(w[k], s.fine.pos[v[k]]))
		normal = r3.Add(normal, r3.Scale(w[k], s.normal[v[k]]))
	}
	return p, r3.Unit(normal)
}

// rowAt returns the weight field at a, limited to maxInfluences.
func (s *surface) rowAt(a Anchor, sum *rowSum) sparse {
	v, w := s.cell(a)
	for k := range v {
		if w[k] != 0 {
			sum.add(s.fine.row[v[k]], w[k])
		}
	}
	return limit(sum.take(), maxInfluences)
}

// maxInfluences is the largest number of influences of a crew row.
const maxInfluences = 4

// limit keeps the n largest weights. So that the result stays continuous where
// the n-th and the next weight change places, the next weight is subtracted
// from those that stay. Weights below 1e-4 are dropped; the row sums to one.
func limit(r sparse, n int) sparse {
	cut := 1e-4
	if len(r.weight) > n {
		top := make([]float64, 0, n+1)
		for _, w := range r.weight {
			i := len(top)
			for i > 0 && top[i-1] < w {
				i--
			}
			if i <= n {
				top = append(top, 0)
				copy(top[i+1:], top[i:])
				top[i] = w
				if len(top) > n+1 {
					top = top[:n+1]
				}
			}
		}
		cut = max(cut, top[n])
	}
	out := sparse{make([]uint16, 0, n), make([]float64, 0, n)}
	total := 0.0
	for i, w := range r.weight {
		if w > cut {
			out.joint = append(out.joint, r.joint[i])
			out.weight = append(out.weight, w-cut)
			total += w - cut
		}
	}
	for i := range out.weight {
		out.weight[i] /= total
	}
	return out
}

// measure finds for every edge of every cage face its length along the surface,
// and the chords: classes of edges that lie opposite each other in a face and
// must be cut into the same number of pieces.
func (s *surface) measure() (edge [][4]int32, length []float64, chord []int32) {
	c := s.cage
	index := map[uint64]int32{}
	edge = make([][4]int32, len(c.faces))
	n := s.side
	for f, q := range c.faces {
		g := s.gridOf(int32(f))
		for k := range 4 {
			a, b := q.V[k], q.V[(k+1)%4]
			key := uint64(min(a, b))<<32 | uint64(max(a, b))
			e, ok := index[key]
			if !ok {
				e = int32(len(length))
				index[key] = e
				l := 0.0
				for i := range n {
					l += r3.Norm(r3.Sub(s.fine.pos[g[edgeCell(k, i, n)]], s.fine.pos[g[edgeCell(k, i+1, n)]]))
				}
				length = append(length, l)
			}
			edge[f][k] = e
		}
	}
	// Union of opposite edges.
	up := make([]int32, len(length))
	for i := range up {
		up[i] = int32(i)
	}
	find := func(e int32) int32 {
		for up[e] != e {
			up[e] = up[up[e]]
			e = up[e]
		}
		return e
	}
	for f := range edge {
		for k := range 2 {
			a, b := find(edge[f][k]), find(edge[f][k+2])
			if a != b {
				up[max(a, b)] = min(a, b)
			}
		}
	}
	chord = make([]int32, len(up))
	for e := range up {
		chord[e] = find(int32(e))
	}
	return edge, length, chord
}

// edgeCell is the grid index of the i-th fine vertex along edge k of a face,
// from corner k to corner k+1.
func edgeCell(k, i, n int) int {
	switch k {
	case 0:
		return i
	case 1:
		return i*(n+1) + n
	case 2:
		return n*(n+1) + n - i
	}
	return (n - i) * (n + 1)
}
