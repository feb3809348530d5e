package crew

import (
	"github.com/selvage/selvage/transfer/skinning"
	"gonum.org/v1/gonum/spatial/r3"
)

// Joint order of every crew skin: the middle joints, then the left side's, then
// the right side's in the same order. Left is +X: the body faces +Z with +Y up.
const (
	jRoot = iota
	jPelvis
	jSpine1
	jSpine2
	jSpine3
	jSpine4
	jNeck
	jHead
	numMiddle
)

// Joints of one side, counted from numMiddle (left) or numMiddle+numSide (right).
const (
	sClavicle = iota
	sUpperArm
	sUpperArmTwist
	sForearm
	sForearmTwist
	sHand
	sThumb1
	sIndex1  = sThumb1 + 3
	sMiddle1 = sThumb1 + 6
	sRing1   = sThumb1 + 9
	sLittle1 = sThumb1 + 12
	sThigh   = sThumb1 + 15
	sShin    = sThigh + 1
	sFoot    = sThigh + 2
	sToes    = sThigh + 3
	numSide  = sThigh + 4

	numJoints = numMiddle + 2*numSide
)

var middleNames = [numMiddle]string{"root", "pelvis", "spine_1", "spine_2", "spine_3", "spine_4", "neck", "head"}

var sideNames = [numSide]string{
	"clavicle", "upper_arm", "upper_arm_twist", "forearm", "forearm_twist", "hand",
	"thumb_1", "thumb_2", "thumb_3", "index_1", "index_2", "index_3", "middle_1", "middle_2", "middle_3",
	"ring_1", "ring_2", "ring_3", "little_1", "little_2", "little_3",
	"thigh", "shin", "foot", "toes",
}

// sideParent is the parent of each side joint: side joints >= 0, middle joints
// as -1-j.
var sideParent = [numSide]int{
	-1 - jSpine4, sClavicle, sUpperArm, sUpperArm, sForearm, sForearm,
	sHand, sThumb1, sThumb1 + 1, sHand, sIndex1, sIndex1 + 1, sHand, sMiddle1, sMiddle1 + 1,
	sHand, sRing1, sRing1 + 1, sHand, sLittle1, sLittle1 + 1,
	-1 - jPelvis, sThigh, sShin, sFoot,
}

func left(j int) int { return numMiddle + j }

// mirrorJoint returns the joint of the other side; middle joints are their own.
func mirrorJoint(j int) int {
	switch {
	case j < numMiddle:
		return j
	case j < numMiddle+numSide:
		return j + numSide
	}
	return j - numSide
}

// newSkin makes the skin from the joints' origins (middle and left side).
// Joint frames are turned so that +X runs along the bone for arms and +Y up
// otherwise; the right side's frames are the mirrored positions with the left
// side's axes rotated about Y by half a turn, so all are proper rotations.
func newSkin(name string, middle [numMiddle]r3.Vec, side [numSide]r3.Vec) *skinning.Skin {
	s := &skinning.Skin{Name: name, Joints: make([]skinning.Joint, numJoints)}
	set := func(j int, name string, parent int, g skinning.Affine) {
		inv, _ := g.Inverse() // a rotation and a translation: never singular
		s.Joints[j] = skinning.Joint{Name: name, Parent: parent, Global: g, InverseBind: inv}
	}
	for j, n := range middleNames {
		g := skinning.Identity()
		g.T = middle[j]
		set(j, n, j-1, g)
	}
	for j, n := range sideNames {
		p := sideParent[j]
		lp, rp := left(p), left(p)+numSide
		if p < 0 {
			lp, rp = -1-p, -1-p
		}
		l := skinning.Identity()
		if j < sThigh && j != sClavicle {
			// The arm hangs 45 degrees: local +X along it, local +Z forward.
			l.M = [9]float64{rt2, rt2, 0, -rt2, rt2, 0, 0, 0, 1}
		}
		l.T = side[j]
		set(left(j), n+".left", lp, l)
		// diag(-1,1,1) M diag(-1,1,1) is the mirrored rotation with the same local
		// meaning of Y and Z and with local +X running inwards.
		r := l
		r.M = [9]float64{l.M[0], -l.M[1], 0, -l.M[3], l.M[4], 0, 0, 0, 1}
		r.T.X = -r.T.X
		set(left(j)+numSide, n+".right", rp, r)
	}
	return s
}

const rt2 = 0.7071067811865476
