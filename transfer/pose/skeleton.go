package pose

// The joints of body and garment as one skeleton, and what a change of one joint
// does to all of them.

import (
	"context"
	"fmt"
	"math"

	"github.com/selvage/selvage/transfer/skinning"
	"gonum.org/v1/gonum/spatial/r3"
)

// skeleton holds the joints of body and garment as one skin: the body's, then
// those that the garment alone has.
type skeleton struct {
	skin *skinning.Skin
	// body and garment lead from a figure's own joints to the skeleton's.
	body, garment []uint16
	children      [][]int
	// order lists the joints depth first: parents come before children, and a joint's
	// subtree is order[enter[j]:leave[j]].
	order        []int
	enter, leave []int32
}

// samePlace is how far apart, in metres, two joints of one name may stand in the
// default pose and still count as agreeing.
const samePlace = 1e-3

// unite joins the skins of body and garment by joint name; of several joints of
// one name the nearest counts. notes says where their default poses disagree: the
// body's is taken.
func unite(body, garment *skinning.Skin) (s *skeleton, notes []string) {
	s = &skeleton{skin: &skinning.Skin{Name: body.Name}}
	byName := map[string][]int{}
	for j := range body.Joints {
		s.skin.Joints = append(s.skin.Joints, body.Joints[j])
		s.body = append(s.body, uint16(j))
		byName[body.Joints[j].Name] = append(byName[body.Joints[j].Name], j)
	}
	apart, worst := 0, ""
	farthest := 0.0
	for k := range garment.Joints {
		g := &garment.Joints[k]
		best, bestDist := -1, math.Inf(1)
		for _, j := range byName[g.Name] {
			if d := norm(r3.Sub(body.Joints[j].Global.T, g.Global.T)); d < bestDist {
				best, bestDist = j, d
			}
		}
		if best >= 0 && g.Name == "" && bestDist > samePlace {
			best = -1 // no name says that they are one
		}
		if best < 0 {
			s.garment = append(s.garment, uint16(len(s.skin.Joints)))
			s.skin.Joints = append(s.skin.Joints, *g) // its parent is set below
			continue
		}
		s.garment = append(s.garment, uint16(best))
		turned := 0.0
		for i, x := range g.Global.M {
			turned = max(turned, math.Abs(x-body.Joints[best].Global.M[i]))
		}
		if d := max(bestDist, turned); d > samePlace {
			apart++
			if d > farthest {
				farthest, worst = d, g.Name
			}
		}
	}
	for k, j := range s.garment {
		if int(j) >= len(body.Joints) {
			if p := garment.Joints[k].Parent; p >= 0 {
				s.skin.Joints[j].Parent = int(s.garment[p])
			} else {
				s.skin.Joints[j].Parent = -1
			}
		}
	}
	if apart > 0 {
		notes = append(notes, fmt.Sprintf("%d joints stand differently in the default poses of body and garment (most: %s); the body's are taken", apart, worst))
	}
	s.index()
	return s, notes
}

// noteUnknown says how much of a figure's weight lies on joints that the body has not;
// joints leads from its own to the skeleton's, whose first are the body's. Error: ctx's.
func (k *Checker) noteUnknown(ctx context.Context, f *Figure, joints []uint16) error {
	own := make([]int32, len(joints))
	for i, j := range joints {
		if own[i] = int32(j); int(j) >= len(k.skeleton.body) {
			own[i] = -1
		}
	}
	u, err := skinning.WeighUnknown(ctx, f.Rows, f.Skin, own)
	if err != nil || u == nil {
		return err
	}
	k.remarks = append(k.remarks, fmt.Sprintf("%s: %.1f%% of its weight is on joints that the body has not, %d in all (%s), which are posed apart from the body's; where they are joints of the body by other names, a joint map (--joint-map) tells which",
		f.Name, 100*u.Share, u.Count, u))
	return nil
}

// index fills children, order, enter and leave.
func (s *skeleton) index() {
	n := len(s.skin.Joints)
	s.children = make([][]int, n)
	for j := range s.skin.Joints {
		if p := s.skin.Joints[j].Parent; p >= 0 {
			s.children[p] = append(s.children[p], j)
		}
	}
	s.enter, s.leave = make([]int32, n), make([]int32, n)
	done := make([]bool, n)
	var visit func(j int)
	visit = func(j int) {
		if done[j] {
			return
		}
		done[j], s.enter[j] = true, int32(len(s.order))
		s.order = append(s.order, j)
		for _, c := range s.children[j] {
			visit(c)
		}
		s.leave[j] = int32(len(s.order))
	}
	for j := range s.skin.Joints {
		if s.skin.Joints[j].Parent < 0 {
			visit(j)
		}
	}
	for j := range s.skin.Joints {
		visit(j) // parents in a ring have no root; files with one are refused before
	}
}

// within reports whether joint j is root or below it.
func (s *skeleton) within(root, j int) bool {
	return s.enter[root] <= s.enter[j] && s.enter[j] < s.leave[root]
}

// name of a joint for messages.
func (s *skeleton) name(j int) string {
	if n := s.skin.Joints[j].Name; n != "" {
		return n
	}
	return fmt.Sprintf("joint %d", j)
}

// change is what a pose does to one joint, in the world frame of the default
// pose, before its parents' changes.
type change struct {
	joint int
	by    skinning.Affine
}

// maps returns for each joint the map G'_j G_j^-1 from the default-pose world
// frame to the posed one: that of its parent, then its own change.
func (s *skeleton) maps(changes []change) []skinning.Affine {
	own := map[int]skinning.Affine{}
	for _, c := range changes {
		if before, ok := own[c.joint]; ok {
			own[c.joint] = before.Mul(&c.by)
		} else {
			own[c.joint] = c.by
		}
	}
	out := make([]skinning.Affine, len(s.skin.Joints))
	for _, j := range s.order {
		m := skinning.Identity()
		if p := s.skin.Joints[j].Parent; p >= 0 {
			m = out[p]
		}
		if by, ok := own[j]; ok {
			m = m.Mul(&by)
		}
		out[j] = m
	}
	return out
}

// turn about local axis k by radians.
func (s *skeleton) turn(joint, k int, angle float64) change {
	return change{joint, skinning.RotationAbout(s.skin.Joints[joint].Global.T, s.skin.LocalAxis(joint, k), angle)}
}

// move along local axis k by metres.
func (s *skeleton) move(joint, k int, by float64) change {
	a := skinning.Identity()
	a.T = r3.Scale(by, s.skin.LocalAxis(joint, k))
	return change{joint, a}
}

// stretch by a factor along each local axis: G diag(f) G^-1. ok is false where the
// joint's transform is singular.
func (s *skeleton) stretch(joint int, f [3]float64) (c change, ok bool) {
	g := s.skin.Joints[joint].Global
	inv, ok := g.Inverse()
	if !ok {
		return change{joint, skinning.Identity()}, false
	}
	d := skinning.Affine{M: [9]float64{0: f[0], 4: f[1], 8: f[2]}}
	d = g.Mul(&d)
	return change{joint, d.Mul(&inv)}, true
}
