// Package skinning holds skeletons in the default-pose world frame and poses
// meshes with linear blend skinning.
//
// Source: glTF 2.0 specification, section 3.7.3 (Skins): a skinned vertex goes
// to the world as sum_j w_j * G_j * IBM_j * v, where G_j is the global transform
// of joint j and IBM_j its inverse bind matrix.
package skinning

import (
	"math"

	"gonum.org/v1/gonum/spatial/r3"
)

// Affine is the map x -> M x + T. M is 3 by 3, row-major.
type Affine struct {
	M [9]float64
	T r3.Vec
}

// Identity is the map that moves nothing.
func Identity() Affine { return Affine{M: [9]float64{1, 0, 0, 0, 1, 0, 0, 0, 1}} }

// Apply maps the point p.
func (a *Affine) Apply(p r3.Vec) r3.Vec {
	m := &a.M
	return r3.Vec{
		X: m[0]*p.X + m[1]*p.Y + m[2]*p.Z + a.T.X,
		Y: m[3]*p.X + m[4]*p.Y + m[5]*p.Z + a.T.Y,
		Z: m[6]*p.X + m[7]*p.Y + m[8]*p.Z + a.T.Z,
	}
}

// ApplyVector maps the direction d: translation is left out.
func (a *Affine) ApplyVector(d r3.Vec) r3.Vec {
	m := &a.M
	return r3.Vec{
		X: m[0]*d.X + m[1]*d.Y + m[2]*d.Z,
		Y: m[3]*d.X + m[4]*d.Y + m[5]*d.Z,
		Z: m[6]*d.X + m[7]*d.Y + m[8]*d.Z,
	}
}

// Mul returns the map that applies b first, then a.
func (a *Affine) Mul(b *Affine) Affine {
	var c Affine
	for i := 0; i < 3; i++ {
		for j := 0; j < 3; j++ {
			c.M[3*i+j] = a.M[3*i]*b.M[j] + a.M[3*i+1]*b.M[3+j] + a.M[3*i+2]*b.M[6+j]
		}
	}
	c.T = a.Apply(b.T)
	return c
}

// Det is the determinant of M: the factor by which the map scales volumes,
// negative where it mirrors.
func (a *Affine) Det() float64 {
	m := &a.M
	return m[0]*(m[4]*m[8]-m[5]*m[7]) - m[1]*(m[3]*m[8]-m[5]*m[6]) + m[2]*(m[3]*m[7]-m[4]*m[6])
}

// Inverse returns the inverse map. ok is false, and the result the identity,
// where M is singular: |det M| <= 1e-12 * |M|_F^3, or not finite.
func (a *Affine) Inverse() (inv Affine, ok bool) {
	m := &a.M
	d := a.Det()
	f := 0.0
	for _, x := range m {
		f += x * x
	}
	f = math.Sqrt(f)
	if !(math.Abs(d) > 1e-12*f*f*f) {
		return Identity(), false
	}
	r := 1 / d
	inv.M = [9]float64{
		(m[4]*m[8] - m[5]*m[7]) * r, (m[2]*m[7] - m[1]*m[8]) * r, (m[1]*m[5] - m[2]*m[4]) * r,
		(m[5]*m[6] - m[3]*m[8]) * r, (m[0]*m[8] - m[2]*m[6]) * r, (m[2]*m[3] - m[0]*m[5]) * r,
		(m[3]*m[7] - m[4]*m[6]) * r, (m[1]*m[6] - m[0]*m[7]) * r, (m[0]*m[4] - m[1]*m[3]) * r,
	}
	t := inv.ApplyVector(a.T)
	inv.T = r3.Vec{X: -t.X, Y: -t.Y, Z: -t.Z}
	return inv, true
}

// RotationAbout returns the rotation by angle radians around the axis through
// centre (right-hand rule). A zero axis gives the identity.
// Source: Rodrigues' rotation formula.
func RotationAbout(centre, axis r3.Vec, angle float64) Affine {
	n := r3.Norm(axis)
	if n == 0 {
		return Identity()
	}
	k := r3.Scale(1/n, axis)
	s, c := math.Sincos(angle)
	v := 1 - c
	a := Affine{M: [9]float64{
		c + k.X*k.X*v, k.X*k.Y*v - k.Z*s, k.X*k.Z*v + k.Y*s,
		k.Y*k.X*v + k.Z*s, c + k.Y*k.Y*v, k.Y*k.Z*v - k.X*s,
		k.Z*k.X*v - k.Y*s, k.Z*k.Y*v + k.X*s, c + k.Z*k.Z*v,
	}}
	a.T = r3.Sub(centre, a.ApplyVector(centre))
	return a
}

// Joint is one joint of a skin in the default pose.
type Joint struct {
	// Name of the joint's node; may be empty and need not be unique.
	Name string
	// Parent is the index in Skin.Joints of the nearest ancestor node that is a
	// joint of the skin too, or -1.
	Parent int
	// Global is the joint's global transform in the scene's default pose:
	// joint frame to world.
	Global Affine
	// InverseBind is the joint's inverse bind matrix: mesh frame to joint frame.
	InverseBind Affine
}

// Skin is an ordered list of joints. Parents may come after their children.
type Skin struct {
	Name   string
	Joints []Joint
}

// Subtree reports for each joint whether it is root or below it. O(joints · depth).
func (s *Skin) Subtree(root int) []bool {
	in := make([]bool, len(s.Joints))
	for j := range s.Joints {
		for k, steps := j, 0; k >= 0 && steps <= len(s.Joints); k, steps = s.Joints[k].Parent, steps+1 {
			if k == root {
				in[j] = true
				break
			}
		}
	}
	return in
}
