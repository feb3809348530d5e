package skinning

import (
	"github.com/selvage/selvage/transfer/weights"
	"gonum.org/v1/gonum/spatial/r3"
)

// Pose holds for each joint of a skin the map from the default-pose world frame
// to the posed world frame: G'_j * G_j^-1. A vertex that stands at x in the
// default pose then stands at sum_j w_j * Pose[j](x): exactly what a file's skin
// does where the default pose is the bind pose (all G_j * IBM_j equal). Elsewhere a
// file's skin blends sum_j w_j * G'_j * IBM_j * v, which differs by what the blend
// of the default pose itself bends.
type Pose []Affine

// Turn returns the pose in which joint is turned by angle radians about the
// world direction axis through its own origin, with all joints below it.
func (s *Skin) Turn(joint int, axis r3.Vec, angle float64) Pose {
	turn := RotationAbout(s.Joints[joint].Global.T, axis, angle)
	p := make(Pose, len(s.Joints))
	for j, in := range s.Subtree(joint) {
		if in {
			p[j] = turn
		} else {
			p[j] = Identity()
		}
	}
	return p
}

// LocalAxis returns the world direction of local axis k (0 x, 1 y, 2 z) of a
// joint, of unit length; zero where the joint's transform collapses it.
func (s *Skin) LocalAxis(joint, k int) r3.Vec {
	m := &s.Joints[joint].Global.M
	v := r3.Vec{X: m[k], Y: m[3+k], Z: m[6+k]}
	n := r3.Norm(v)
	if n == 0 {
		return v
	}
	return r3.Scale(1/n, v)
}

// PosedPoint returns sum_j weight_j * pose[joint_j](x): linear blend skinning of
// the default-pose world position x. The row need not sum to one; the missing
// part stays where it was.
// Source: glTF 2.0 specification, section 3.7.3.3.
func (p Pose) PosedPoint(x r3.Vec, joint []uint16, weight []float64) r3.Vec {
	var y r3.Vec
	sum := 0.0
	for i, j := range joint {
		w := weight[i]
		q := p[j].Apply(x)
		y.X, y.Y, y.Z = y.X+w*q.X, y.Y+w*q.Y, y.Z+w*q.Z
		sum += w
	}
	rest := 1 - sum
	return r3.Vec{X: y.X + rest*x.X, Y: y.Y + rest*x.Y, Z: y.Z + rest*x.Z}
}

// Points poses all vertices: out[v] = PosedPoint(points[v], row v). out may be
// nil or points' own length; it must not overlap points.
func (p Pose) Points(points []r3.Vec, rows *weights.Rows, out []r3.Vec) []r3.Vec {
	if out == nil {
		out = make([]r3.Vec, len(points))
	}
	for v, x := range points {
		j, w := rows.Row(v)
		out[v] = p.PosedPoint(x, j, w)
	}
	return out
}

// TurnAll returns the pose in which every joint j is turned by the rotation
// vector turn[j] (world axes of the default pose, length in radians) about its
// own origin, parents before children: pose_j = pose_parent * R_j.
func (s *Skin) TurnAll(turn []r3.Vec) Pose {
	local := make([]Affine, len(s.Joints))
	for j := range local {
		local[j] = Identity()
		if turn[j] != (r3.Vec{}) {
			local[j] = RotationAbout(s.Joints[j].Global.T, turn[j], r3.Norm(turn[j]))
		}
	}
	return s.Compose(local)
}

// Compose returns the pose in which every joint j moves by local[j], a map of the
// default-pose world frame, within the joint that holds it: pose_j = pose_parent *
// local_j.
func (s *Skin) Compose(local []Affine) Pose {
	p := make(Pose, len(s.Joints))
	done := make([]bool, len(s.Joints))
	var visit func(j, depth int)
	visit = func(j, depth int) {
		if done[j] || depth > len(s.Joints) {
			return
		}
		p[j] = local[j]
		if parent := s.Joints[j].Parent; parent >= 0 {
			visit(parent, depth+1)
			p[j] = p[parent].Mul(&local[j])
		}
		done[j] = true
	}
	for j := range s.Joints {
		visit(j, 0)
	}
	return p
}

// Blend returns sum_j weight_j * pose[joint_j], completed by the identity where
// the weights sum to less than one: the affine map of one row.
func (p Pose) Blend(joint []uint16, weight []float64) Affine {
	var a Affine
	sum := 0.0
	for i, j := range joint {
		w := weight[i]
		q := &p[j]
		for k := range a.M {
			a.M[k] += w * q.M[k]
		}
		a.T.X, a.T.Y, a.T.Z = a.T.X+w*q.T.X, a.T.Y+w*q.T.Y, a.T.Z+w*q.T.Z
		sum += w
	}
	a.M[0], a.M[4], a.M[8] = a.M[0]+1-sum, a.M[4]+1-sum, a.M[8]+1-sum
	return a
}
