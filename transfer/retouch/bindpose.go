package retouch

// The pose in which a skin was bound: where the default pose is another, places are
// taken from there, because a mesh is drawn symmetric and straight, and posed after.

import (
	"cmp"
	"math"
	"slices"

	"github.com/selvage/selvage/transfer/mesh"
	"github.com/selvage/selvage/transfer/skinning"
	"gonum.org/v1/gonum/spatial/r3"
)

const (
	// samePose is the distance, over the diagonal of the mesh, up to which maps by two
	// joints are the same: what float32 leaves of inverse bind matrices.
	samePose = 1e-4
	// mostFrames of the frames that joints give are looked at.
	mostFrames = 4
)

// bindFrames are maps by which the frame that the skin was bound in may be brought to
// the world, likely ones first: as the joints with weight stand there in the default
// pose, the topmost first, then those with more weight; and as the first does, but with
// its axes along the world's. It is empty where the default pose is the bind pose, and
// where the inverse bind matrices are those of no pose: singular, or with other
// distances between joints. O(joints + vertices).
func bindFrames(s *Surface) []skinning.Affine {
	n := len(s.Skin.Joints)
	weight := make([]float64, n)
	for k, j := range s.Rows.Joint {
		weight[j] += s.Rows.Weight[k]
	}
	place, bind := make([]skinning.Affine, n), make([]skinning.Affine, n) // mesh to world; joint to mesh
	top, depth := -1, 0
	for j := range place {
		joint := &s.Skin.Joints[j]
		place[j] = joint.Global.Mul(&joint.InverseBind)
		var ok bool
		if bind[j], ok = joint.InverseBind.Inverse(); weight[j] == 0 {
			continue
		}
		if _, placed := place[j].Inverse(); !ok || !placed || !finite(place[j].Det()+r3.Norm(place[j].T)) {
			return nil
		}
		d := 0
		for k := joint.Parent; k >= 0 && d <= n; k = s.Skin.Joints[k].Parent {
			d++
		}
		if top < 0 || d < depth {
			top, depth = j, d
		}
	}
	if top < 0 {
		return nil
	}
	box := mesh.Bounds(s.Mesh.Positions)
	near := samePose * r3.Norm(r3.Sub(box.Max, box.Min))
	same := func(a, b *skinning.Affine) bool {
		back, _ := b.Inverse()
		d := a.Mul(&back)
		for _, p := range box.Vertices() {
			if !(r3.Norm(r3.Sub(d.Apply(p), p)) <= near) {
				return false
			}
		}
		return true
	}
	type frame struct {
		at     skinning.Affine
		weight float64
	}
	frames := []frame{{place[top], 0}}
	for j := range place {
		if weight[j] == 0 {
			continue
		}
		k := slices.IndexFunc(frames, func(f frame) bool { return same(&place[j], &f.at) })
		if k < 0 && len(frames) < 8*mostFrames {
			k, frames = len(frames), append(frames, frame{at: place[j]})
		}
		if k >= 0 {
			frames[k].weight += weight[j]
		}
	}
	if len(frames) == 1 || !jointsApart(s.Skin, weight, bind, math.Cbrt(math.Abs(place[top].Det()))) {
		return nil
	}
	slices.SortStableFunc(frames[1:], func(a, b frame) int { return cmp.Compare(b.weight, a.weight) })
	var out []skinning.Affine
	for _, f := range frames[:min(len(frames), mostFrames)] {
		out = append(out, f.at)
	}
	if a := alongAxes(place[top], bind[top].T); !slices.ContainsFunc(out, func(b skinning.Affine) bool { return same(&a, &b) }) {
		out = append(out, a)
	}
	return out
}

// jointsApart reports whether the joints with weight are as far from their parents in
// the bind pose, times scale, as they are in the default pose: to a tenth, and a
// hundredth of the skeleton. What hangs on a root may be anywhere.
func jointsApart(s *skinning.Skin, weight []float64, bind []skinning.Affine, scale float64) bool {
	var now, then []r3.Vec
	for j := range s.Joints {
		if weight[j] > 0 {
			now, then = append(now, s.Joints[j].Global.T), append(then, bind[j].T)
		}
	}
	a, b := mesh.Bounds(now), mesh.Bounds(then)
	size := r3.Norm(r3.Sub(a.Max, a.Min))
	if scale*r3.Norm(r3.Sub(b.Max, b.Min)) < 0.1*size { // all in one place: they were left out
		return false
	}
	for j := range s.Joints {
		p := s.Joints[j].Parent
		if p < 0 || s.Joints[p].Parent < 0 || weight[j] == 0 || weight[p] == 0 {
			continue
		}
		d := r3.Norm(r3.Sub(s.Joints[j].Global.T, s.Joints[p].Global.T))
		if math.Abs(d-scale*r3.Norm(r3.Sub(bind[j].T, bind[p].T))) > 0.1*d+0.01*size {
			return false
		}
	}
	return true
}

// alongAxes is the map with the rotation among those that lead axes to axes which is
// nearest to a's; a's scale; and p where it is.
func alongAxes(a skinning.Affine, p r3.Vec) skinning.Affine {
	var best [9]float64
	most := math.Inf(-1)
	for _, order := range [][3]int{{0, 1, 2}, {1, 2, 0}, {2, 0, 1}, {0, 2, 1}, {2, 1, 0}, {1, 0, 2}} {
		sum := 0.0
		var m [9]float64
		for row, column := range order {
			x := a.M[3*row+column]
			sum += math.Abs(x)
			m[3*row+column] = math.Copysign(1, x)
		}
		if sum > most {
			most, best = sum, m
		}
	}
	scale := math.Cbrt(math.Abs(a.Det()))
	for i := range best {
		best[i] *= scale
	}
	out := skinning.Affine{M: best}
	out.T = r3.Sub(a.Apply(p), out.Apply(p))
	return out
}

// bound is the skin in its bind pose, brought to the world by to.
func bound(s *skinning.Skin, to *skinning.Affine) *skinning.Skin {
	out := &skinning.Skin{Name: s.Name, Joints: slices.Clone(s.Joints)}
	for j := range out.Joints {
		// A joint without weight may have any matrix; it stays then.
		if at, ok := out.Joints[j].InverseBind.Inverse(); ok {
			out.Joints[j].Global = to.Mul(&at)
		}
	}
	return out
}

// inBindPose is the surface in its bind pose, brought to the world by to.
func inBindPose(s *Surface, to *skinning.Affine) *Surface {
	out := *s
	out.Skin = bound(s.Skin, to)
	out.Mesh = &mesh.Mesh{Positions: slices.Clone(s.Mesh.Positions), Triangles: s.Mesh.Triangles}
	var place skinning.Pose
	for j := range s.Skin.Joints {
		joint := &s.Skin.Joints[j]
		place = append(place, joint.Global.Mul(&joint.InverseBind))
	}
	for v := range out.Mesh.Positions {
		if s.Bind != nil {
			out.Mesh.Positions[v] = to.Apply(s.Bind[v])
			continue
		}
		joint, weight := s.Rows.Row(v)
		if len(joint) == 0 {
			continue
		}
		m := place.Blend(joint, weight)
		if back, ok := m.Inverse(); ok {
			out.Mesh.Positions[v] = to.Apply(back.Apply(s.Mesh.Positions[v]))
		}
	}
	return &out
}
