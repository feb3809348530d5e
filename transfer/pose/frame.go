package pose

// Frames of triangles.

import "gonum.org/v1/gonum/spatial/r3"

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
