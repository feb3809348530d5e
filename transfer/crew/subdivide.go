package crew

import "gonum.org/v1/gonum/spatial/r3"

// sparse is a row as ascending joints with weights.
type sparse struct {
	joint  []uint16
	weight []float64
}

// rowSum adds up weighted sparse rows.
type rowSum struct {
	w    [numJoints]float64
	used [numJoints]bool
	list []uint16
}

func (s *rowSum) add(r sparse, f float64) {
	for i, j := range r.joint {
		if !s.used[j] {
			s.used[j] = true
			s.list = append(s.list, j)
		}
		s.w[j] += f * r.weight[i]
	}
}

// take returns the sum as a sparse row appended to arena, and empties s.
func (s *rowSum) take() sparse {
	l := s.list
	for i := 1; i < len(l); i++ { // insertion sort: a handful of joints
		for k := i; k > 0 && l[k] < l[k-1]; k-- {
			l[k], l[k-1] = l[k-1], l[k]
		}
	}
	r := sparse{make([]uint16, len(l)), make([]float64, len(l))}
	copy(r.joint, l)
	for i, j := range l {
		r.weight[i] = s.w[j]
		s.w[j], s.used[j] = 0, false
	}
	s.list = l[:0]
	return r
}

// quads is a closed quadrilateral mesh with a row at each vertex.
type quads struct {
	pos  []r3.Vec
	row  []sparse
	face [][4]int32
}

// subdivide is one step of Catmull-Clark subdivision of positions and rows. Face
// f becomes faces 4f..4f+3; child k holds f's corner k, and keeps the sense of
// f's parameters: children 0, 1, 2, 3 lie at (0,0), (1,0), (1,1), (0,1).
// The mesh must be closed and manifold.
// Source: Catmull and Clark, "Recursively generated B-spline surfaces on
// arbitrary topological meshes", Computer-Aided Design 10 (1978).
func (q *quads) subdivide() *quads {
	nv, nf := len(q.pos), len(q.face)
	type edge struct {
		a, b   int32
		f0, f1 int32
	}
	// Number the edges in the order in which faces meet them.
	index := make(map[uint64]int32, 2*nf)
	edges := make([]edge, 0, 2*nf)
	faceEdge := make([][4]int32, nf)
	for f, v := range q.face {
		for k := range v {
			a, b := v[k], v[(k+1)%4]
			key := uint64(min(a, b))<<32 | uint64(max(a, b))
			e, ok := index[key]
			if !ok {
				e = int32(len(edges))
				index[key] = e
				edges = append(edges, edge{a, b, int32(f), -1})
			} else {
				edges[e].f1 = int32(f)
			}
			faceEdge[f][k] = e
		}
	}
	out := &quads{
		pos:  make([]r3.Vec, nv+nf+len(edges)),
		row:  make([]sparse, nv+nf+len(edges)),
		face: make([][4]int32, 4*nf),
	}
	var sum rowSum
	// Face points: the mean of the corners.
	for f, v := range q.face {
		var p r3.Vec
		for _, k := range v {
			p = r3.Add(p, r3.Scale(0.25, q.pos[k]))
			sum.add(q.row[k], 0.25)
		}
		out.pos[nv+f], out.row[nv+f] = p, sum.take()
	}
	// Edge points: the mean of the ends and the two face points.
	for i, e := range edges {
		p := r3.Scale(0.25, r3.Add(q.pos[e.a], q.pos[e.b]))
		p = r3.Add(p, r3.Scale(0.25, r3.Add(out.pos[nv+int(e.f0)], out.pos[nv+int(e.f1)])))
		out.pos[nv+nf+i] = p
		sum.add(q.row[e.a], 0.25)
		sum.add(q.row[e.b], 0.25)
		sum.add(out.row[nv+int(e.f0)], 0.25)
		sum.add(out.row[nv+int(e.f1)], 0.25)
		out.row[nv+nf+i] = sum.take()
	}
	// Vertex points: (F + 2R + (n-3)P) / n with F the mean of the face points and
	// R the mean of the edge midpoints around P.
	valence := make([]float64, nv)
	for _, e := range edges {
		valence[e.a]++
		valence[e.b]++
	}
	sums := make([]rowParts, nv)
	for v := range nv {
		n := valence[v]
		out.pos[v] = r3.Scale((n-3)/n, q.pos[v])
		sums[v].add(int32(v), (n-3)/n)
	}
	for f, v := range q.face {
		for _, k := range v {
			w := 1 / (valence[k] * valence[k])
			out.pos[k] = r3.Add(out.pos[k], r3.Scale(w, out.pos[nv+f]))
			sums[k].add(int32(nv+f), w)
		}
	}
	for _, e := range edges {
		wa, wb := 1/(valence[e.a]*valence[e.a]), 1/(valence[e.b]*valence[e.b])
		m := r3.Add(q.pos[e.a], q.pos[e.b])
		out.pos[e.a] = r3.Add(out.pos[e.a], r3.Scale(wa, m))
		out.pos[e.b] = r3.Add(out.pos[e.b], r3.Scale(wb, m))
		sums[e.a].add(e.a, wa)
		sums[e.a].add(e.b, wa)
		sums[e.b].add(e.a, wb)
		sums[e.b].add(e.b, wb)
	}
	for v := range nv {
		for i, k := range sums[v].from {
			if int(k) < nv {
				sum.add(q.row[k], sums[v].w[i])
			} else {
				sum.add(out.row[k], sums[v].w[i])
			}
		}
		out.row[v] = sum.take()
	}
	for f, v := range q.face {
		c := int32(nv + f)
		e := [4]int32{}
		for k := range e {
			e[k] = int32(nv+nf) + faceEdge[f][k]
		}
		out.face[4*f+0] = [4]int32{v[0], e[0], c, e[3]}
		out.face[4*f+1] = [4]int32{e[0], v[1], e[1], c}
		out.face[4*f+2] = [4]int32{c, e[1], v[2], e[2]}
		out.face[4*f+3] = [4]int32{e[3], c, e[2], v[3]}
	}
	return out
}

// rowParts lists the rows that a vertex point mixes.
type rowParts struct {
	from []int32
	w    []float64
}

func (p *rowParts) add(v int32, w float64) {
	p.from = append(p.from, v)
	p.w = append(p.w, w)
}
