package closest

// The nearest point of one triangle, by the Voronoi regions of its corners,
// edges and face (Ericson, Real-Time Collision Detection, 2005, section 5.1.5).
// Everything is computed from differences to the first corner, so that the
// error scales with the triangle and its distance, not with where both lie.

import (
	"math"

	"gonum.org/v1/gonum/spatial/r3"
)

// ClosestPoint returns the point q of triangle t nearest to p, and q's
// barycentric coordinates b: q = Σ b[i]·t[i], b[i] >= 0, Σ b[i] = 1 up to
// rounding. All points share one frame and unit.
//
// A triangle collapsed to a segment or a point is allowed; b is then one of
// several valid answers. Finite coordinates of any size give a finite answer
// inside the triangle's bounding box; others give NaN.
//
// Source: Ericson, Real-Time Collision Detection (2005), section 5.1.5.
func ClosestPoint(p r3.Vec, t [3]r3.Vec) (q r3.Vec, b [3]float64) {
	// Products of four lengths are formed below: scale when they would leave
	// the range of float64. Powers of two do not round.
	largest := max(largestAbs(p), largestAbs(t[0]), largestAbs(t[1]), largestAbs(t[2]))
	sp, s := p, t
	if !(largest < 1e60) || largest < 1e-60 {
		if math.IsNaN(largest) || math.IsInf(largest, 0) {
			nan := math.NaN()
			return r3.Vec{X: nan, Y: nan, Z: nan}, [3]float64{nan, nan, nan}
		}
		_, exp := math.Frexp(largest)
		sp = ldexp(p, -exp)
		for k := range s {
			s[k] = ldexp(t[k], -exp)
		}
	}
	c := newCorner(s)
	v, w, _ := c.nearest(sp)
	return c.at(t, v, w), [3]float64{max(0, 1-v-w), v, w}
}

// sliverRatio is the squared sine of the angle at the first corner below which
// the normal equations of the face lose more than three of float64's sixteen
// digits; such triangles take the slower, orthogonalised path.
const sliverRatio = 1e-3

// corner is a triangle as its first corner and the two edges that leave it.
type corner struct {
	a, ab, ac r3.Vec
	// Dot products ab·ab, ab·ac, ac·ac. abab is -1 for triangles that are
	// degenerate or so thin that they go through nearestSliver.
	abab, abac, acac float64
}

func newCorner(t [3]r3.Vec) corner {
	c := corner{a: t[0], ab: r3.Sub(t[1], t[0]), ac: r3.Sub(t[2], t[0])}
	c.abab, c.abac, c.acac = r3.Norm2(c.ab), r3.Dot(c.ab, c.ac), r3.Norm2(c.ac)
	if det := c.abab*c.acac - c.abac*c.abac; !(det > sliverRatio*c.abab*c.acac) || det < 1e-280 {
		c.abab = -1
	}
	return c
}

// nearest returns v, w >= 0, v+w <= 1, such that a + v·ab + w·ac is the point
// nearest to p, and its squared distance from p. In Ericson's notation
// d3 = d1-abab, d4 = d2-abac, d5 = d1-abac, d6 = d2-acac.
func (c *corner) nearest(p r3.Vec) (v, w, distSq float64) {
	apx, apy, apz := p.X-c.a.X, p.Y-c.a.Y, p.Z-c.a.Z
	abab, abac, acac := c.abab, c.abac, c.acac
	var x, y, z float64
	if abab < 0 {
		v, w = nearestSliver(r3.Vec{X: apx, Y: apy, Z: apz}, c.ab, c.ac)
		goto distance
	}
	{
		d1 := c.ab.X*apx + c.ab.Y*apy + c.ab.Z*apz
		d2 := c.ac.X*apx + c.ac.Y*apy + c.ac.Z*apz
		if d1 <= 0 && d2 <= 0 { // corner a
			return 0, 0, apx*apx + apy*apy + apz*apz
		}
		d3, d4 := d1-abab, d2-abac
		if d3 >= 0 && d4 <= d3 {
			v = 1 // corner b
			goto distance
		}
		vc := abab*d2 - abac*d1
		if vc <= 0 && d1 >= 0 && d3 <= 0 {
			v = d1 / abab // edge ab
			goto distance
		}
		d5, d6 := d1-abac, d2-acac
		if d6 >= 0 && d5 <= d6 {
			w = 1 // corner c
			goto distance
		}
		vb := acac*d1 - abac*d2
		if vb <= 0 && d2 >= 0 && d6 <= 0 {
			w = d2 / acac // edge ac
			goto distance
		}
		det := abab*acac - abac*abac
		if det-vb-vc <= 0 && d4-d3 >= 0 && d5-d6 >= 0 {
			w = (d4 - d3) / ((d4 - d3) + (d5 - d6))
			v = 1 - w // edge bc
			goto distance
		}
		// Face. One step of iterative refinement restores the digits that the
		// normal equations lose in a thin triangle.
		scale := 1 / det
		v, w = vb*scale, vc*scale
		x = apx - v*c.ab.X - w*c.ac.X
		y = apy - v*c.ab.Y - w*c.ac.Y
		z = apz - v*c.ab.Z - w*c.ac.Z
		d1 = c.ab.X*x + c.ab.Y*y + c.ab.Z*z
		d2 = c.ac.X*x + c.ac.Y*y + c.ac.Z*z
		v += (acac*d1 - abac*d2) * scale
		w += (abab*d2 - abac*d1) * scale
		if !(v >= 0 && w >= 0 && v+w <= 1) { // rounding at the border
			v = min(max(v, 0), 1)
			w = min(max(w, 0), 1-v)
		}
	}
distance:
	x = apx - v*c.ab.X - w*c.ac.X
	y = apy - v*c.ab.Y - w*c.ac.Y
	z = apz - v*c.ab.Z - w*c.ac.Z
	return v, w, x*x + y*y + z*z
}

// at returns the point of t with coordinates v and w. The result lies in t's
// bounding box, exactly on a corner when v or w says so.
func (c *corner) at(t [3]r3.Vec, v, w float64) r3.Vec {
	switch {
	case v == 1:
		return t[1]
	case w == 1:
		return t[2]
	case v == 0 && w == 0:
		return t[0]
	}
	u := max(0, 1-v-w)
	mix := func(a, b, c float64) float64 {
		return min(max(u*a+v*b+w*c, min(a, b, c)), max(a, b, c))
	}
	return r3.Vec{X: mix(t[0].X, t[1].X, t[2].X), Y: mix(t[0].Y, t[1].Y, t[2].Y), Z: mix(t[0].Z, t[1].Z, t[2].Z)}
}

// nearestSliver is corner.nearest for degenerate and very thin triangles: the
// best of the three edges and of the face, the latter by projection on the
// longest edge and on what is orthogonal to it. ap is p seen from a.
func nearestSliver(ap, ab, ac r3.Vec) (v, w float64) {
	best := math.Inf(1)
	try := func(tv, tw, limit float64) {
		if d := r3.Norm2(residual(ap, ab, ac, tv, tw)); d < limit {
			best, v, w = d, tv, tw
		}
	}
	bc := r3.Sub(ac, ab)
	try(along(ap, ab), 0, best)
	try(0, along(ap, ac), best)
	s := along(r3.Sub(ap, ab), bc)
	try(1-s, s, best)

	// Rotate the naming so that e is the longest edge, f the next one, o their
	// common corner seen from a.
	e, f, o := ab, ac, r3.Vec{}
	lab, lac, lbc := r3.Norm2(ab), r3.Norm2(ac), r3.Norm2(bc)
	turn := 0
	switch {
	case lbc >= lab && lbc >= lac: // from b: e = c-b, f = a-b
		e, f, o, turn = bc, r3.Scale(-1, ab), ab, 1
	case lac >= lab: // from c: e = a-c, f = b-c
		e, f, o, turn = r3.Scale(-1, ac), r3.Scale(-1, bc), ac, 2
	}
	ee := r3.Norm2(e)
	if !(ee > 0) {
		return v, w
	}
	op := r3.Sub(ap, o)
	k := r3.Dot(f, e) / ee
	h := r3.Sub(f, r3.Scale(k, e))
	h = r3.Sub(h, r3.Scale(r3.Dot(h, e)/ee, e)) // once more: h is small beside f
	hh := r3.Norm2(h)
	if !(hh > 0) {
		return v, w
	}
	y := r3.Dot(op, h) / hh
	x := r3.Dot(op, e)/ee - y*k
	if !(x >= 0 && y >= 0 && x+y <= 1) {
		return v, w
	}
	// Inside, the face is nearest; seen from afar its distance rounds to the edges'.
	limit := best * (1 + 4e-16)
	switch turn {
	case 0:
		try(x, y, limit)
	case 1: // b + x(c-b) + y(a-b)
		try(max(0, 1-x-y), x, limit)
	case 2: // c + x(a-c) + y(b-c)
		try(y, max(0, 1-x-y), limit)
	}
	return v, w
}

// along returns the parameter in [0, 1] of the point of segment 0..e nearest to p.
func along(p, e r3.Vec) float64 {
	ee := r3.Norm2(e)
	if !(ee > 0) {
		return 0
	}
	return min(max(r3.Dot(p, e)/ee, 0), 1)
}

// residual is the vector from a + v·ab + w·ac to p, where ap = p - a.
func residual(ap, ab, ac r3.Vec, v, w float64) r3.Vec {
	return r3.Vec{
		X: ap.X - v*ab.X - w*ac.X,
		Y: ap.Y - v*ab.Y - w*ac.Y,
		Z: ap.Z - v*ab.Z - w*ac.Z,
	}
}

func largestAbs(v r3.Vec) float64 {
	return max(math.Abs(v.X), math.Abs(v.Y), math.Abs(v.Z))
}

func ldexp(v r3.Vec, exp int) r3.Vec {
	return r3.Vec{X: math.Ldexp(v.X, exp), Y: math.Ldexp(v.Y, exp), Z: math.Ldexp(v.Z, exp)}
}
