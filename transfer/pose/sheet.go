package pose

// The nearest point of the posed body around a match. Judging a garment asks for
// the sheet of the body that a vertex lies over, not for the nearest of all limbs:
// where a bent arm meets the chest, the body itself overlaps, and no weights of a
// sleeve can help that. So the search starts at the match and stays on the surface
// connected to it.

import (
	"math"

	"github.com/selvage/selvage/transfer/closest"
	"gonum.org/v1/gonum/spatial/r3"
)

// sheetLimit bounds the triangles of one exact search.
const sheetLimit = 8192

// foot is the nearest point found: its triangle, place and squared distance, and
// the height of the query above the surface: negative inside.
type foot struct {
	triangle int32
	point    r3.Vec
	bary     [3]float64
	distSq   float64
}

// sheet searches a posed surface. Not safe for concurrent use.
type sheet struct {
	s     *surface
	pos   []r3.Vec // posed
	stamp []int32  // of each triangle, the search that last looked at it
	now   int32
	queue []int32
}

func newSheet(s *surface, pos []r3.Vec) *sheet {
	return &sheet{s: s, pos: pos, stamp: make([]int32, len(s.tri))}
}

func (q *sheet) corners(t int32) [3]r3.Vec {
	c := q.s.tri[t]
	return [3]r3.Vec{q.pos[c[0]], q.pos[c[1]], q.pos[c[2]]}
}

func (q *sheet) test(p r3.Vec, t int32) foot {
	x, b := closest.ClosestPoint(p, q.corners(t))
	return foot{triangle: t, point: x, bary: b, distSq: r3.Norm2(r3.Sub(p, x))}
}

// walk goes from the start triangle to ever nearer ones among those that share a
// vertex, until none is nearer: a local minimum of the distance, which on a smooth
// sheet is the nearest point. O(steps).
func (q *sheet) walk(p r3.Vec, start int32) foot {
	q.now++
	best := q.test(p, start)
	q.stamp[start] = q.now
	for {
		at := best
		for k, v := range q.s.tri[at.triangle] {
			// On an edge, what touches the opposite corner alone lies farther away.
			if at.bary[k] == 0 && at.bary[(k+1)%3] != 0 && at.bary[(k+2)%3] != 0 {
				continue
			}
			for _, t := range q.s.around.of(v) {
				if q.stamp[t] == q.now {
					continue
				}
				q.stamp[t] = q.now
				if f := q.test(p, t); f.distSq < best.distSq || f.distSq == best.distSq && f.triangle < best.triangle {
					best = f
				}
			}
		}
		if best.triangle == at.triangle {
			return best
		}
	}
}

// exact is the nearest point over all triangles that are connected to start
// through triangles no farther from p than start itself. Cost: the triangles in
// that ball, at most sheetLimit.
func (q *sheet) exact(p r3.Vec, start int32) foot {
	q.now++
	best := q.test(p, start)
	limit := best.distSq * (1 + 1e-12)
	q.stamp[start] = q.now
	q.queue = append(q.queue[:0], start)
	for k := 0; k < len(q.queue) && k < sheetLimit; k++ {
		for _, v := range q.s.tri[q.queue[k]] {
			for _, t := range q.s.around.of(v) {
				if q.stamp[t] == q.now {
					continue
				}
				q.stamp[t] = q.now
				f := q.test(p, t)
				if f.distSq > limit {
					continue
				}
				q.queue = append(q.queue, t)
				if f.distSq < best.distSq || f.distSq == best.distSq && t < best.triangle {
					best = f
				}
			}
		}
	}
	return best
}

// height of p above the surface at its foot, negative inside: the distance with
// the sign of the angle-weighted normal of the face, edge or vertex that the foot
// lies on, which is right also where p stands beyond an edge.
// Source: Bærentzen & Aanæs, "Signed Distance Computation Using the Angle Weighted
// Pseudonormal", IEEE TVCG 11(3), 2005.
func (q *sheet) height(p r3.Vec, f foot) float64 {
	d := math.Sqrt(f.distSq)
	if r3.Dot(r3.Sub(p, f.point), q.pseudoNormal(f)) < 0 {
		return -d
	}
	return d
}

func (q *sheet) faceNormal(t int32) r3.Vec {
	c := q.corners(t)
	n := r3.Cross(r3.Sub(c[1], c[0]), r3.Sub(c[2], c[0]))
	if l := norm(n); l > 0 {
		return r3.Scale(1/l, n)
	}
	return r3.Vec{}
}

func (q *sheet) pseudoNormal(f foot) r3.Vec {
	const on = 1e-9 // barycentric coordinates below this lie on the edge
	tri := q.s.tri[f.triangle]
	zeros := 0
	for _, b := range f.bary {
		if b < on {
			zeros++
		}
	}
	switch zeros {
	case 0:
		return q.faceNormal(f.triangle)
	case 1: // an edge: the sum over the triangles that share it
		a, b := int32(-1), int32(-1)
		for k, x := range f.bary {
			if x >= on {
				a, b = b, tri[k]
			}
		}
		var n r3.Vec
		for _, t := range q.s.around.of(a) {
			if c := q.s.tri[t]; c[0] == b || c[1] == b || c[2] == b {
				n = r3.Add(n, q.faceNormal(t))
			}
		}
		return n
	}
	v := tri[0]
	for k, x := range f.bary {
		if x >= on {
			v = tri[k]
		}
	}
	var n r3.Vec
	for _, t := range q.s.around.of(v) {
		c := q.s.tri[t]
		for k := range c {
			if c[k] != v {
				continue
			}
			e, g := r3.Sub(q.pos[c[(k+1)%3]], q.pos[v]), r3.Sub(q.pos[c[(k+2)%3]], q.pos[v])
			n = r3.Add(n, r3.Scale(math.Atan2(norm(r3.Cross(e, g)), r3.Dot(e, g)), q.faceNormal(t)))
		}
	}
	return n
}

// at is the point of triangle t with barycentric coordinates b.
func (q *sheet) at(t int32, b [3]float64) r3.Vec { return barycentric(q.corners(t), b) }

func barycentric(c [3]r3.Vec, b [3]float64) r3.Vec {
	return r3.Vec{
		X: b[0]*c[0].X + b[1]*c[1].X + b[2]*c[2].X,
		Y: b[0]*c[0].Y + b[1]*c[1].Y + b[2]*c[2].Y,
		Z: b[0]*c[0].Z + b[1]*c[1].Z + b[2]*c[2].Z,
	}
}

// frame is an orthonormal frame of a triangle: along its first edge, across it,
// and along its normal. ok is false where the triangle has no area.
func frame(c [3]r3.Vec) (f [3]r3.Vec, ok bool) {
	e := r3.Sub(c[1], c[0])
	n := r3.Cross(e, r3.Sub(c[2], c[0]))
	l, m := norm(e), norm(n)
	if !(l > 0) || !(m > 0) {
		return f, false
	}
	f[0], f[2] = r3.Scale(1/l, e), r3.Scale(1/m, n)
	f[1] = r3.Cross(f[2], f[0])
	return f, true
}
