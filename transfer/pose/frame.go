package pose

// Frames of triangles.

import "gonum.org/v1/gonum/spatial/r3"

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
