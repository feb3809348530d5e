package pose

// What a pose does to the joints, for those who draw it.

import "github.com/selvage/selvage/transfer/skinning"

// Maps returns what pose i of Poses does to each joint of the garment's skin and of
// the body's: G'_j G_j^-1, from the default-pose world frame to the posed one.
// O(joints).
func (k *Checker) Maps(i int) (garment, body skinning.Pose) {
	maps := k.skeleton.mapsOf(&k.poses[i])
	of := func(joints []uint16) skinning.Pose {
		out := make(skinning.Pose, len(joints))
		for j, at := range joints {
			out[j] = maps[at]
		}
		return out
	}
	return of(k.skeleton.garment), of(k.skeleton.body)
}
