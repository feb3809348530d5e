package retouch

// Skins that share joints: one surface over the joints of all. Many exporters write
// a skin for each mesh; the cloth is still one.

import (
	"cmp"
	"context"
	"fmt"
	"math"
	"slices"

	"github.com/selvage/selvage/transfer/gltfio"
	"github.com/selvage/selvage/transfer/mesh"
	"github.com/selvage/selvage/transfer/skinning"
	"github.com/selvage/selvage/transfer/weights"
	"gonum.org/v1/gonum/spatial/r3"
)

// Shared says which joints each skin of a surface has, where there are several.
type Shared struct {
	// Of is each vertex's skin.
	Of []int32
	// Has says by skin which of the surface's joints it has.
	Has [][]bool
}

// Lacking says that weight went from a joint that a skin lacks to another.
type Lacking struct {
	From, To uint16
	// Vertices with another row for it.
	Vertices int
}

// united is the meshes of skins that share joints, as one surface in the frame in
// which the first skin was bound.
type united struct {
	gltfio.Surface
	bind   []r3.Vec
	skins  []*gltfio.SkinnedSurface
	start  []int      // vertices of skins[k] are [start[k], start[k+1])
	joint  [][]uint16 // from the joints of skins[k] to the surface's
	shared *Shared    // nil for one skin
}

// surface is u as the operations take it.
func (u *united) surface() *Surface {
	return &Surface{Mesh: u.Mesh, Bind: u.bind, Rows: u.Rows, Skin: u.Skin, Shared: u.shared}
}

// unite puts surfaces together whose skins share joints, in their order. The joints of
// all are all's.
func unite(ctx context.Context, surfaces []*gltfio.SkinnedSurface, all func() (*gltfio.Surface, error)) ([]*united, error) {
	// Skins of a group lead to its first.
	first := make([]int, len(surfaces))
	at := map[int]int{}
	for k, s := range surfaces {
		first[k] = k
		for _, node := range s.JointNode {
			j, ok := at[node]
			if !ok {
				at[node] = k
				continue
			}
			a, b := first[j], first[k]
			for i := range first[:k+1] {
				if a != b && (first[i] == a || first[i] == b) {
					first[i] = min(a, b)
				}
			}
		}
	}
	var out []*united
	var joints *gltfio.Surface
	for k := range surfaces {
		if first[k] != k {
			continue
		}
		var skins []*gltfio.SkinnedSurface
		for i, s := range surfaces {
			if first[i] == k {
				skins = append(skins, s)
			}
		}
		if len(skins) == 1 {
			s := skins[0]
			out = append(out, &united{Surface: s.Surface, bind: s.Bind, skins: skins, start: []int{0, s.Mesh.NumVertices()}})
			continue
		}
		var err error
		if joints == nil {
			if joints, err = all(); err != nil {
				return nil, err
			}
		}
		u, err := uniteGroup(ctx, skins, joints)
		if err != nil {
			return nil, err
		}
		out = append(out, u)
	}
	return out, nil
}

// uniteGroup puts skins together that share joints.
func uniteGroup(ctx context.Context, skins []*gltfio.SkinnedSurface, all *gltfio.Surface) (*united, error) {
	u := &united{skins: skins, start: []int{0}, shared: &Shared{}}
	u.Mesh, u.Rows = &mesh.Mesh{}, weights.NewRows(0)
	u.joints(all)
	acc := weights.NewAccumulator(len(u.JointNode))
	for k, s := range skins {
		base := len(u.Mesh.Positions)
		if int64(base)+int64(s.Mesh.NumVertices()) > math.MaxInt32 {
			return nil, fmt.Errorf("more than %d vertices in all", math.MaxInt32)
		}
		u.Mesh.Positions = append(u.Mesh.Positions, s.Mesh.Positions...)
		for _, t := range s.Mesh.Triangles {
			u.Mesh.Triangles = append(u.Mesh.Triangles, [3]int32{t[0] + int32(base), t[1] + int32(base), t[2] + int32(base)})
		}
		for _, p := range s.Parts {
			p.Start, p.End = p.Start+base, p.End+base
			u.Parts = append(u.Parts, p)
		}
		if ctx.Err() != nil {
			return nil, ctx.Err()
		}
		for v := range s.Mesh.Positions {
			joint, weight := s.Rows.Row(v)
			for i, j := range joint {
				acc.Add(u.joint[k][j], weight[i])
			}
			acc.Flush(u.Rows)
			u.shared.Of = append(u.shared.Of, int32(k))
		}
		u.start = append(u.start, len(u.Mesh.Positions))
	}
	return u, u.place(ctx)
}

// joints makes the skin, of those of all's joints that one of the skins has.
func (u *united) joints(all *gltfio.Surface) {
	used := map[int]bool{}
	for _, s := range u.skins {
		for _, node := range s.JointNode {
			used[node] = true
		}
	}
	to := make([]int, len(all.JointNode)) // from all's joints
	u.Skin = &skinning.Skin{Name: u.skins[0].Skin.Name}
	at := map[int]uint16{}
	for j, node := range all.JointNode {
		if to[j] = -1; used[node] {
			to[j] = len(u.JointNode)
			at[node] = uint16(to[j])
			u.JointNode = append(u.JointNode, node)
			u.Skin.Joints = append(u.Skin.Joints, all.Skin.Joints[j])
		}
	}
	for j := range u.Skin.Joints {
		p := u.Skin.Joints[j].Parent
		for p >= 0 && to[p] < 0 {
			p = all.Skin.Joints[p].Parent
		}
		if p >= 0 {
			p = to[p]
		}
		u.Skin.Joints[j].Parent = p
	}
	for _, s := range u.skins {
		index, has := make([]uint16, len(s.JointNode)), make([]bool, len(u.JointNode))
		for i, node := range s.JointNode {
			index[i] = at[node]
			has[at[node]] = true
		}
		u.joint, u.shared.Has = append(u.joint, index), append(u.shared.Has, has)
	}
}

// Bounds on how the frames in which skins were bound are told from one another, over
// the size of the mesh. Inverse bind matrices are float32, and some programs round them
// further, so that the map between two frames comes out a little different by each joint.
const (
	sameFrame = 1e-4 // up to which it is one frame: stored positions are as exact as ever
	oneMap    = 1e-5 // up to which one map leads from the one to the other
)

// frames are what is known while skins are brought into one frame.
type frames struct {
	weighted [][]bool // by skin and joint: its rows have weight there
	listed   []bool   // joints of the skins that are placed
	known    []bool   // those of them with weight: others may have any matrix
}

// place brings the stored positions and the inverse bind matrices of all skins into
// the frame in which the first was bound. Where the joints that a skin shares with those
// before it agree on the map from its frame, that is it. Where they do not, it was bound
// in another pose: its vertices go where they would have to stand for their rows to put
// them where they are in the default pose.
func (u *united) place(ctx context.Context) error {
	u.bind = make([]r3.Vec, len(u.Mesh.Positions))
	n := len(u.Skin.Joints)
	f := &frames{listed: make([]bool, n), known: make([]bool, n)}
	for k := range u.skins {
		has := make([]bool, n)
		for _, j := range u.Rows.Joint[u.Rows.Start[u.start[k]]:u.Rows.Start[u.start[k+1]]] {
			has[j] = true
		}
		f.weighted = append(f.weighted, has)
	}
	placed := make([]bool, len(u.skins))
	for range u.skins {
		k := u.next(f, placed)
		s, bind := u.skins[k], u.bind[u.start[k]:u.start[k+1]]
		to, ok := skinning.Identity(), true
		if slices.Contains(placed, true) {
			to, ok = u.mapOf(k, f)
		}
		if ctx.Err() != nil {
			return ctx.Err()
		}
		stays := to == skinning.Identity()
		back, invertible := to.Inverse()
		if !ok || !invertible {
			if err := u.unpose(ctx, k, f, bind); err != nil {
				return err
			}
		} else {
			for v, p := range s.Bind {
				if bind[v] = p; !stays {
					bind[v] = to.Apply(p)
				}
			}
			for i, j := range u.joint[k] {
				if f.fresh(k, j) {
					u.Skin.Joints[j].InverseBind = s.Skin.Joints[i].InverseBind
					if !stays {
						u.Skin.Joints[j].InverseBind = s.Skin.Joints[i].InverseBind.Mul(&back)
					}
				}
			}
		}
		for _, j := range u.joint[k] {
			f.listed[j] = true
			f.known[j] = f.known[j] || f.weighted[k][j]
		}
		placed[k] = true
	}
	return nil
}

// fresh reports whether joint j of skin k gets its inverse bind matrix from it.
func (f *frames) fresh(k int, j uint16) bool {
	return !f.listed[j] || !f.known[j] && f.weighted[k][j]
}

// next is the skin to place: one with weight on a joint that is known, else one with a
// joint that is listed, else the first.
func (u *united) next(f *frames, placed []bool) int {
	best, most := 0, -1
	for k := range u.skins {
		if placed[k] {
			continue
		}
		link := 0
		for _, j := range u.joint[k] {
			if f.listed[j] {
				link = max(link, 1)
			}
			if f.known[j] && f.weighted[k][j] {
				link = 2
			}
		}
		if link > most {
			best, most = k, link
		}
	}
	return best
}

// mapOf is the map from the frame of skin k to the first's, by the joints on which it and
// those before it have weight, or else by all that they share; ok is false where these do
// not agree.
func (u *united) mapOf(k int, f *frames) (to skinning.Affine, ok bool) {
	s := u.skins[k]
	var list, rest []skinning.Affine
	for i, j := range u.joint[k] {
		if !f.listed[j] {
			continue
		}
		inv, ok := u.Skin.Joints[j].InverseBind.Inverse()
		switch m := inv.Mul(&s.Skin.Joints[i].InverseBind); {
		case !ok:
		case f.known[j] && f.weighted[k][j]:
			list = append(list, m)
		default:
			rest = append(rest, m)
		}
	}
	if len(list) == 0 {
		list = rest
	}
	if len(list) == 0 {
		return skinning.Identity(), false
	}
	for _, m := range list {
		share := 1 / float64(len(list))
		for i := range to.M {
			to.M[i] += share * m.M[i]
		}
		to.T = r3.Add(to.T, r3.Scale(share, m.T))
	}
	box := mesh.Bounds(s.Bind)
	moved, apart := 0.0, 0.0 // how far maps lead the corners of the box, and from their mean
	for _, p := range box.Vertices() {
		mean := to.Apply(p)
		for i := range list {
			q := list[i].Apply(p)
			moved, apart = max(moved, r3.Norm(r3.Sub(q, p))), max(apart, r3.Norm(r3.Sub(q, mean)))
		}
	}
	size := r3.Sub(box.Max, box.Min)
	if moved <= sameFrame*r3.Norm(size) {
		return skinning.Identity(), true
	}
	return to, apart <= oneMap*r3.Norm(to.ApplyVector(size))
}

// unpose puts the vertices of skin k, as they stand in the default pose, into the
// frame of the joints that are known, and the other joints of the skin with them: these
// go with their nearest ancestor that is known.
func (u *united) unpose(ctx context.Context, k int, f *frames, bind []r3.Vec) error {
	base := f.known
	if !slices.Contains(base, true) {
		base = f.listed
	}
	goes := onto(u.Skin, base)
	place := make(skinning.Pose, len(u.Skin.Joints))
	for j := range place {
		joint := &u.Skin.Joints[goes[j]]
		place[j] = joint.Global.Mul(&joint.InverseBind)
	}
	for v := range bind {
		if v%4096 == 0 && ctx.Err() != nil {
			return ctx.Err()
		}
		at := u.start[k] + v
		joint, weight := u.Rows.Row(at)
		if len(joint) == 0 { // it stands with the skin's first joint
			joint, weight = u.joint[k][:1], []float64{1}
		}
		m := place.Blend(joint, weight)
		inv, _ := m.Inverse()
		if bind[v] = inv.Apply(u.Mesh.Positions[at]); !mesh.Finite(bind[v]) {
			bind[v] = u.skins[k].Bind[v]
		}
	}
	for _, j := range u.joint[k] {
		if joint := &u.Skin.Joints[j]; f.fresh(k, j) {
			if inv, ok := joint.Global.Inverse(); ok {
				joint.InverseBind = inv.Mul(&place[j])
			}
		}
	}
	return nil
}

// weld joins the vertices of s, whose positions are bind's, that are in one place: but
// not those of two skins that have hardly anything to do with each other there, because
// most of either row is on joints that the other skin lacks, or because there is no joint
// that all have. These are two figures on one root, say, or a buckle on a joint of its
// own; no row would do for both.
func (s *Surface) weld(ctx context.Context, bind *mesh.Mesh) (*mesh.Welded, error) {
	tolerance := mesh.WeldTolerance(bind)
	weld, err := mesh.WeldContext(ctx, bind, tolerance)
	if err != nil || s.Shared == nil {
		return weld, err
	}
	type place struct {
		first int32   // vertex with a row; -1: none
		skins []int32 // without those that are strange
	}
	places := make([]place, len(weld.Mesh.Positions))
	for w := range places {
		places[w].first = -1
	}
	var strange []int
	for v, w := range weld.ToWelded {
		p, skin, empty := &places[w], s.Shared.Of[v], s.Rows.Start[v+1] == s.Rows.Start[v]
		if u := p.first; !empty && u >= 0 && 2*s.foreign(u, skin) > 1 && 2*s.foreign(int32(v), s.Shared.Of[u]) > 1 {
			strange = append(strange, v)
			continue
		}
		if !slices.Contains(p.skins, skin) {
			if len(p.skins) > 0 && !slices.Contains(s.Shared.common(append(slices.Clone(p.skins), skin)), true) {
				strange = append(strange, v)
				continue
			}
			p.skins = append(p.skins, skin)
		}
		if !empty && p.first < 0 {
			p.first = int32(v)
		}
	}
	if len(strange) == 0 {
		return weld, nil
	}
	// Where they are joined, each skin's stand by themselves.
	aside := &mesh.Mesh{Positions: slices.Clone(bind.Positions), Triangles: bind.Triangles}
	for _, v := range strange {
		aside.Positions[v].X += 10 * bind.Diagonal() * float64(1+s.Shared.Of[v])
	}
	if weld, err = mesh.WeldContext(ctx, aside, tolerance); err != nil {
		return nil, err
	}
	for v, w := range slices.Backward(weld.ToWelded) {
		weld.Mesh.Positions[w] = bind.Positions[v] // the first's is the last to be set
	}
	return weld, nil
}

// common says which joints all of some skins have.
func (s *Shared) common(skins []int32) []bool {
	has := slices.Clone(s.Has[skins[0]])
	for _, k := range skins[1:] {
		for j, is := range s.Has[k] {
			has[j] = has[j] && is
		}
	}
	return has
}

// foreign is the weight of v's row on joints that a skin lacks.
func (s *Surface) foreign(v, skin int32) (sum float64) {
	joint, weight := s.Rows.Row(int(v))
	for i, j := range joint {
		if !s.Shared.Has[skin][j] {
			sum += weight[i]
		}
	}
	return sum
}

// onto leads every joint of a skin to one in has: itself, else its nearest ancestor
// there, else the one there whose origin is nearest. has must have one.
func onto(skin *skinning.Skin, has []bool) []uint16 {
	out := make([]uint16, len(skin.Joints))
	for j := range out {
		k := j
		for steps := 0; k >= 0 && !has[k] && steps <= len(out); steps++ {
			k = skin.Joints[k].Parent
		}
		if k < 0 || !has[k] {
			least := math.Inf(1)
			for i, is := range has {
				if d := r3.Norm(r3.Sub(skin.Joints[i].Global.T, skin.Joints[j].Global.T)); is && (k < 0 || d < least) {
					k, least = i, d
				}
			}
		}
		out[j] = uint16(k)
	}
	return out
}

// owned gives the rows of the touched joined vertices to joints that the skins of all
// members have, so that the place can have one row in every skin. moved says where the
// joints of a row went; nil where it stays.
func (g *joined) owned(rows *weights.Rows, touched []bool) (out *weights.Rows, moved [][]uint16) {
	if g.of.Shared == nil {
		return rows, nil
	}
	table := map[string][]uint16{} // by the skins of a place
	out, moved = weights.NewRows(rows.Len()), make([][]uint16, rows.Len())
	acc := weights.NewAccumulator(len(g.of.Skin.Joints))
	var skins []int32
	for w, m := range g.member {
		joint, weight := rows.Row(w)
		if !touched[w] {
			out.Append(joint, weight)
			continue
		}
		skins = skins[:0]
		for _, v := range m {
			skins = append(skins, g.of.Shared.Of[v])
		}
		slices.Sort(skins)
		skins = slices.Compact(skins)
		key := fmt.Sprint(skins)
		to, ok := table[key]
		if !ok {
			to = onto(g.of.Skin, g.of.Shared.common(skins))
			table[key] = to
		}
		if !slices.ContainsFunc(joint, func(j uint16) bool { return to[j] != j }) {
			out.Append(joint, weight)
			continue
		}
		moved[w] = to
		for i, j := range joint {
			acc.Add(to[j], weight[i])
		}
		acc.Flush(out)
	}
	return out, moved
}

// lacked lists what moved of rows, of the vertices that changed, the most first.
func (g *joined) lacked(rows *weights.Rows, moved [][]uint16, changed []bool) []Lacking {
	if moved == nil {
		return nil
	}
	count := map[[2]uint16]int{}
	for w, to := range moved {
		if to == nil {
			continue
		}
		n := 0
		for _, v := range g.member[w] {
			if changed[v] {
				n++
			}
		}
		joint, weight := rows.Row(w)
		for i, j := range joint {
			if to[j] != j && weight[i] >= pruneBelow && n > 0 {
				count[[2]uint16{j, to[j]}] += n
			}
		}
	}
	var out []Lacking
	for k, n := range count {
		out = append(out, Lacking{From: k[0], To: k[1], Vertices: n})
	}
	slices.SortFunc(out, func(a, b Lacking) int {
		return cmp.Or(cmp.Compare(b.Vertices, a.Vertices), cmp.Compare(a.From, b.From), cmp.Compare(a.To, b.To))
	})
	return out
}

// split gives each skin its part of a result, over its own joints: it has all that the
// rows have (owned).
func (u *united) split(r *Result, form Form) []gltfio.Reweighted {
	if u.shared == nil {
		return []gltfio.Reweighted{{Surface: u.skins[0], Rows: r.Rows, Changed: r.Changed, Format: form.Format}}
	}
	out := make([]gltfio.Reweighted, len(u.skins))
	for k, s := range u.skins {
		own := make([]uint16, len(u.JointNode)) // from the surface's joints
		for i, j := range u.joint[k] {
			own[j] = uint16(i)
		}
		rows := weights.NewRows(s.Mesh.NumVertices())
		acc := weights.NewAccumulator(len(u.joint[k]))
		changed := r.Changed[u.start[k]:u.start[k+1]]
		for v, is := range changed {
			if !is {
				rows.Append(s.Rows.Row(v))
				continue
			}
			joint, weight := r.Rows.Row(u.start[k] + v)
			for i, j := range joint {
				acc.Add(own[j], weight[i])
			}
			acc.Flush(rows)
		}
		out[k] = gltfio.Reweighted{Surface: s, Rows: rows, Changed: changed, Format: form.Format}
	}
	return out
}
