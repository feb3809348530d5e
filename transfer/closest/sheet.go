package closest

// The nearest point of a surface that moves, around a triangle of it. Judging cloth asks
// for the sheet that a vertex lies over, not for the nearest of all limbs: where a bent
// arm meets the chest, the body itself overlaps, and no weights of a sleeve can help
// that. So the search starts at a triangle and stays on the surface connected to it.

import (
	"math"

	"gonum.org/v1/gonum/spatial/r3"
)

// sheetLimit bounds the triangles of one exact search.
const sheetLimit = 8192

// Fans lists the triangles at each vertex, ascending, compressed by vertex.
type Fans struct{ start, list []int32 }

// NewFans lists the triangles at each of n vertices. O(n + triangles).
func NewFans(n int, triangles [][3]int32) *Fans {
	f := &Fans{start: make([]int32, n+1), list: make([]int32, 3*len(triangles))}
	for _, t := range triangles {
		for _, v := range t {
			f.start[v+1]++
		}
	}
	for v := range n {
		f.start[v+1] += f.start[v]
	}
	fill := make([]int32, n)
	for i, t := range triangles {
		for _, v := range t {
			f.list[f.start[v]+fill[v]] = int32(i)
			fill[v]++
		}
	}
	return f
}

// Of are the triangles at vertex v; the slice aliases f.
func (f *Fans) Of(v int32) []int32 { return f.list[f.start[v]:f.start[v+1]] }

// Sheet searches a surface whose vertices move: Positions may change between calls.
// Vertices of different numbers are never joined, so seams must be welded. Not safe for
// concurrent use.
type Sheet struct {
	Positions []r3.Vec
	Triangles [][3]int32
	fans      *Fans
	stamp     []int32 // of each triangle, the search that last looked at it
	now       int32
	queue     []int32
}

// NewSheet searches the triangles over the positions; fans are theirs. It keeps the
// slices.
func NewSheet(positions []r3.Vec, triangles [][3]int32, fans *Fans) *Sheet {
	return &Sheet{Positions: positions, Triangles: triangles, fans: fans, stamp: make([]int32, len(triangles))}
}

// Corners of triangle t.
func (q *Sheet) Corners(t int32) [3]r3.Vec {
	c := q.Triangles[t]
	return [3]r3.Vec{q.Positions[c[0]], q.Positions[c[1]], q.Positions[c[2]]}
}

func (q *Sheet) test(p r3.Vec, t int32) Hit {
	x, b := ClosestPoint(p, q.Corners(t))
	return Hit{Triangle: t, Point: x, Bary: b, DistanceSq: r3.Norm2(r3.Sub(p, x))}
}

// Walk goes from the start triangle to ever nearer ones among those that share a
// vertex, until none is nearer: a local minimum of the distance, which on a smooth
// sheet is the nearest point. O(steps).
func (q *Sheet) Walk(p r3.Vec, start int32) Hit {
	q.now++
	best := q.test(p, start)
	q.stamp[start] = q.now
	for {
		at := best
		for k, v := range q.Triangles[at.Triangle] {
			// On an edge, what touches the opposite corner alone lies farther away.
			if at.Bary[k] == 0 && at.Bary[(k+1)%3] != 0 && at.Bary[(k+2)%3] != 0 {
				continue
			}
			for _, t := range q.fans.Of(v) {
				if q.stamp[t] == q.now {
					continue
				}
				q.stamp[t] = q.now
				if f := q.test(p, t); f.DistanceSq < best.DistanceSq || f.DistanceSq == best.DistanceSq && f.Triangle < best.Triangle {
					best = f
				}
			}
		}
		if best.Triangle == at.Triangle {
			return best
		}
	}
}

// Exact is the nearest point over all triangles that are connected to start
// through triangles no farther from p than start itself. Cost: the triangles in
// that ball, at most sheetLimit.
func (q *Sheet) Exact(p r3.Vec, start int32) Hit {
	q.now++
	best := q.test(p, start)
	limit := best.DistanceSq * (1 + 1e-12)
	q.stamp[start] = q.now
	q.queue = append(q.queue[:0], start)
	for k := 0; k < len(q.queue) && k < sheetLimit; k++ {
		for _, v := range q.Triangles[q.queue[k]] {
			for _, t := range q.fans.Of(v) {
				if q.stamp[t] == q.now {
					continue
				}
				q.stamp[t] = q.now
				f := q.test(p, t)
				if f.DistanceSq > limit {
					continue
				}
				q.queue = append(q.queue, t)
				if f.DistanceSq < best.DistanceSq || f.DistanceSq == best.DistanceSq && t < best.Triangle {
					best = f
				}
			}
		}
	}
	return best
}

// Height of p above the surface at its foot, negative inside: the distance with
// the sign of the angle-weighted normal of the face, edge or vertex that the foot
// lies on, which is right also where p stands beyond an edge.
// Source: Bærentzen & Aanæs, "Signed Distance Computation Using the Angle Weighted
// Pseudonormal", IEEE TVCG 11(3), 2005.
func (q *Sheet) Height(p r3.Vec, f Hit) float64 {
	d := math.Sqrt(f.DistanceSq)
	if r3.Dot(r3.Sub(p, f.Point), q.PseudoNormal(f)) < 0 {
		return -d
	}
	return d
}

// FaceNormal of triangle t, unit; zero where it has no area.
func (q *Sheet) FaceNormal(t int32) r3.Vec {
	c := q.Corners(t)
	n := r3.Cross(r3.Sub(c[1], c[0]), r3.Sub(c[2], c[0]))
	if l := r3.Norm(n); l > 0 {
		return r3.Scale(1/l, n)
	}
	return r3.Vec{}
}

// PseudoNormal is the angle-weighted normal of the face, edge or vertex that a foot lies
// on; not normalised.
func (q *Sheet) PseudoNormal(f Hit) r3.Vec {
	const on = 1e-9 // barycentric coordinates below this lie on the edge
	tri := q.Triangles[f.Triangle]
	zeros := 0
	for _, b := range f.Bary {
		if b < on {
			zeros++
		}
	}
	switch zeros {
	case 0:
		return q.FaceNormal(f.Triangle)
	case 1: // an edge: the sum over the triangles that share it
		a, b := int32(-1), int32(-1)
		for k, x := range f.Bary {
			if x >= on {
				a, b = b, tri[k]
			}
		}
		var n r3.Vec
		for _, t := range q.fans.Of(a) {
			if c := q.Triangles[t]; c[0] == b || c[1] == b || c[2] == b {
				n = r3.Add(n, q.FaceNormal(t))
			}
		}
		return n
	}
	v := tri[0]
	for k, x := range f.Bary {
		if x >= on {
			v = tri[k]
		}
	}
	var n r3.Vec
	for _, t := range q.fans.Of(v) {
		c := q.Triangles[t]
		for k := range c {
			if c[k] != v {
				continue
			}
			e, g := r3.Sub(q.Positions[c[(k+1)%3]], q.Positions[v]), r3.Sub(q.Positions[c[(k+2)%3]], q.Positions[v])
			n = r3.Add(n, r3.Scale(math.Atan2(r3.Norm(r3.Cross(e, g)), r3.Dot(e, g)), q.FaceNormal(t)))
		}
	}
	return n
}

// At is the point of triangle t with barycentric coordinates b.
func (q *Sheet) At(t int32, b [3]float64) r3.Vec {
	c := q.Corners(t)
	return r3.Vec{
		X: b[0]*c[0].X + b[1]*c[1].X + b[2]*c[2].X,
		Y: b[0]*c[0].Y + b[1]*c[1].Y + b[2]*c[2].Y,
		Z: b[0]*c[0].Z + b[1]*c[1].Z + b[2]*c[2].Z,
	}
}
