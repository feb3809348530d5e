package crew

// Skeletons that differ from the crew's own: joints left out, added or renamed. The
// surface stays, and so do the places of the joints that stay.

import (
	"strings"

	"github.com/selvage/selvage/transfer/skinning"
	"github.com/selvage/selvage/transfer/weights"
	"gonum.org/v1/gonum/spatial/r3"
)

// Skeleton is another skin for a body, and how rows over the body's own skin look
// over it.
type Skeleton struct {
	Skin *skinning.Skin
	// share says what part of each old joint's weight goes to which new joints.
	share [][]part
}

type part struct {
	joint  uint16
	weight float64
}

// Rows returns r, over the skin that the skeleton was made from, over Skin: at most
// four influences a row where r has no more.
func (s *Skeleton) Rows(r *weights.Rows) *weights.Rows {
	acc, out := weights.NewAccumulator(len(s.Skin.Joints)), weights.NewRows(r.Len())
	for v := range r.Len() {
		joint, weight := r.Row(v)
		for i, j := range joint {
			for _, p := range s.share[j] {
				acc.Add(p.joint, p.weight*weight[i])
			}
		}
		acc.FlushNormalised(out)
	}
	limited, _ := weights.Limit(out, maxInfluences)
	done, err := weights.Normalise(limited)
	if err != nil {
		panic(err) // the crew's rows are never empty
	}
	return done
}

// WithSkeleton returns the body over another skeleton made from its skin.
func (b *Body) WithSkeleton(s *Skeleton) *Body {
	out := *b
	out.Skin, out.Rows, out.MirrorJoint = s.Skin, s.Rows(b.Rows), nil
	return &out
}

// WithoutTwist leaves the twist joints out; the limb's joint has their weight.
func (b *Body) WithoutTwist() *Skeleton {
	return without(b.Skin, func(name string) bool { return strings.Contains(name, "_twist") })
}

// WithoutFingers leaves the fingers' joints out; the hand has their weight.
func (b *Body) WithoutFingers() *Skeleton {
	drop := map[string]bool{}
	for hand, h := range b.Skin.Joints {
		if !strings.HasPrefix(h.Name, "hand.") {
			continue
		}
		for j, in := range b.Skin.Subtree(hand) {
			if in && j != hand {
				drop[b.Skin.Joints[j].Name] = true
			}
		}
	}
	return without(b.Skin, func(name string) bool { return drop[name] })
}

// without drops joints; their weight is their nearest ancestor's that stays. The
// root must stay.
func without(skin *skinning.Skin, drop func(name string) bool) *Skeleton {
	s := &Skeleton{Skin: &skinning.Skin{Name: skin.Name}}
	at := make([]int, len(skin.Joints)) // new index of the joint, or of that ancestor
	for j, x := range skin.Joints {     // parents come first
		if x.Parent >= 0 {
			x.Parent = at[x.Parent]
		}
		if at[j] = x.Parent; !drop(x.Name) {
			at[j] = len(s.Skin.Joints)
			s.Skin.Joints = append(s.Skin.Joints, x)
		}
		s.share = append(s.share, []part{{uint16(at[j]), 1}})
	}
	return s
}

// WithHelpers adds a helper joint half-way down each upper arm and thigh,
// "upper_arm_helper.left" and so on, a child of the limb's joint that has a third of
// its weight.
func (b *Body) WithHelpers() *Skeleton {
	s := &Skeleton{Skin: &skinning.Skin{Name: b.Skin.Name, Joints: append([]skinning.Joint(nil), b.Skin.Joints...)}}
	for j := range b.Skin.Joints {
		s.share = append(s.share, []part{{uint16(j), 1}})
	}
	for _, side := range []int{0, numSide} {
		for _, limb := range [][2]int{{sUpperArm, sForearm}, {sThigh, sShin}} {
			j, next := left(limb[0])+side, left(limb[1])+side
			x := b.Skin.Joints[j]
			base, ending, _ := strings.Cut(x.Name, ".")
			x.Name, x.Parent = base+"_helper."+ending, j
			x.Global.T = r3.Scale(0.5, r3.Add(x.Global.T, b.Skin.Joints[next].Global.T))
			x.InverseBind, _ = x.Global.Inverse() // a rotation and a translation
			s.share[j] = []part{{uint16(j), 2.0 / 3}, {uint16(len(s.Skin.Joints)), 1.0 / 3}}
			s.Skin.Joints = append(s.Skin.Joints, x)
		}
	}
	return s
}

// Renamed renames joints.
func (b *Body) Renamed(name func(string) string) *Skeleton {
	s := without(b.Skin, func(string) bool { return false })
	for j := range s.Skin.Joints {
		s.Skin.Joints[j].Name = name(s.Skin.Joints[j].Name)
	}
	return s
}
