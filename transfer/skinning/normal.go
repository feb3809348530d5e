package skinning

import "gonum.org/v1/gonum/spatial/r3"

// Against reports whether a triangle with these posed corners faces against what map a
// makes of its normal: posed otherwise than by the map, it has been turned over. Where the
// map has all but collapsed it has no side to face to.
func Against(a *Affine, normal r3.Vec, c [3]r3.Vec) bool {
	n := r3.Cross(r3.Sub(c[1], c[0]), r3.Sub(c[2], c[0]))
	e := Cofactor(a, normal)
	return r3.Norm(e) > 0.05 && r3.Dot(n, e) < 0
}

// Cofactor maps a normal as the surface is mapped by a: det(M) M^-T n, not normalised.
func Cofactor(a *Affine, n r3.Vec) r3.Vec {
	m := &a.M
	return r3.Vec{
		X: (m[4]*m[8]-m[5]*m[7])*n.X + (m[5]*m[6]-m[3]*m[8])*n.Y + (m[3]*m[7]-m[4]*m[6])*n.Z,
		Y: (m[2]*m[7]-m[1]*m[8])*n.X + (m[0]*m[8]-m[2]*m[6])*n.Y + (m[1]*m[6]-m[0]*m[7])*n.Z,
		Z: (m[1]*m[5]-m[2]*m[4])*n.X + (m[2]*m[3]-m[0]*m[5])*n.Y + (m[0]*m[4]-m[1]*m[3])*n.Z,
	}
}
