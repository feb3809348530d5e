package pose

// Layers: cloth over cloth. A vertex that lies over a layer in the default pose must
// not go under it in another. Which side of the layer is outside, the body says;
// where the layer itself has folded over it has no inside, and past its open border
// there is nothing to dive under.

import (
	"context"
	"fmt"

	"github.com/selvage/selvage/transfer/closest"
	"github.com/selvage/selvage/transfer/mesh"
	"github.com/selvage/selvage/transfer/skinning"
	"github.com/selvage/selvage/transfer/weights"
	"gonum.org/v1/gonum/spatial/r3"
)

// under is a layer beneath the garment.
type under struct {
	surface *surface
	match   []match   // of the garment's vertices on the layer
	out     []float64 // by vertex of the layer: +1 where its normals face away from the body
	over    []int32   // the garment's vertices that lie over the layer, ascending
	border  []uint8   // of its triangles, as mesh.OpenBorder gives
}

// LayerReport says how a garment keeps off one layer beneath it.
type LayerReport struct {
	Layer string `json:"layer"`
	// Over counts the garment's vertices, seams joined, that lie over the layer in the
	// default pose, and over no other that is nearer.
	Over int `json:"over"`
	// Dived counts those among them that some pose takes under it, farther than the
	// limit of Dive.
	Dived int `json:"dived"`
	// Cases counts pairs of such a vertex and a pose that takes it under.
	Cases int `json:"cases"`
	// Avoidable counts those among the cases that are deeper, by more than the limit,
	// than with the layer's own row: faults of the garment's rows.
	Avoidable int `json:"avoidable"`
	// Depth is how deep the deepest goes, metres, and Pose the name of the pose that
	// does it; empty where none goes under at all.
	Depth float64 `json:"depth"`
	Pose  string  `json:"pose,omitempty"`
}

// weighted is a layer's figure without the vertices that have an empty row, and without
// the triangles at these: they would stay where they are in every pose, and what lies
// over them would seem to dive. The figure itself where every vertex has a row. O(n).
func weighted(f *Figure) (out *Figure, bare, first int) {
	n := f.Mesh.NumVertices()
	if f.Rows == nil || f.Rows.Len() != n {
		return f, 0, -1 // newSurface refuses it
	}
	first = -1
	to := make([]int32, n)
	kept := &mesh.Mesh{}
	rows := weights.NewRows(n)
	for v := range to {
		joint, weight := f.Rows.Row(v)
		if len(joint) == 0 {
			if bare == 0 {
				first = v
			}
			bare++
			to[v] = -1
			continue
		}
		to[v] = int32(len(kept.Positions))
		kept.Positions = append(kept.Positions, f.Mesh.Positions[v])
		if len(f.Mesh.Normals) == n {
			kept.Normals = append(kept.Normals, f.Mesh.Normals[v])
		}
		rows.Append(joint, weight)
	}
	if bare == 0 {
		return f, 0, -1
	}
	for _, t := range f.Mesh.Triangles {
		if a, b, c := to[t[0]], to[t[1]], to[t[2]]; a >= 0 && b >= 0 && c >= 0 {
			kept.Triangles = append(kept.Triangles, [3]int32{a, b, c})
		}
	}
	return &Figure{Name: f.Name, Mesh: kept, Rows: rows, Skin: f.Skin}, bare, first
}

// addLayer prepares one layer. The skeleton grows by the joints that it alone has.
func (k *Checker) addLayer(ctx context.Context, f *Figure, bodyTree *closest.Tree, threads int) error {
	if f.Skin == nil {
		return &FigureError{f.Name, "has no skin: give it weights first"}
	}
	if err := f.Mesh.Validate(); err != nil {
		return fmt.Errorf("%s: %w", f.Name, err)
	}
	f, bare, first := weighted(f)
	if len(f.Mesh.Triangles) == 0 {
		return &FigureError{f.Name, "no triangle has usable weights at its three vertices"}
	}
	if bare > 0 {
		k.remarks = append(k.remarks, fmt.Sprintf("%s: %d vertices (first: vertex %d) have no usable weights; the layer's surface there was left out", f.Name, bare, first))
	}
	s, notes := unite(k.skeleton.skin, f.Skin)
	for _, n := range notes {
		k.remarks = append(k.remarks, f.Name+": "+n)
	}
	own := s.garment
	if err := k.noteUnknown(ctx, f, own); err != nil {
		return err
	}
	s.body, s.garment = k.skeleton.body, k.skeleton.garment
	k.skeleton = s
	n := len(s.skin.Joints)
	k.body, k.garment = k.body.over(n), k.garment.over(n)
	for _, l := range k.layers {
		l.surface = l.surface.over(n)
	}
	l := &under{}
	var err error
	if l.surface, err = newSurface(ctx, f, own, n); err != nil {
		return err
	}
	tree, err := closest.NewTree(ctx, l.surface.pos, l.surface.tri, threads)
	if err != nil {
		return fmt.Errorf("%s: %w", f.Name, err)
	}
	onBody, err := findMatches(ctx, k.body, bodyTree, l.surface, threads)
	if err != nil {
		return err
	}
	l.out = make([]float64, len(onBody))
	for v := range onBody {
		l.out[v] = onBody[v].side
	}
	if l.match, err = findMatches(ctx, l.surface, tree, k.garment, threads); err != nil {
		return err
	}
	if l.border, err = mesh.OpenBorderContext(ctx, l.surface.tri, nil); err != nil {
		return err
	}
	k.layers = append(k.layers, l)
	return ctx.Err()
}

// findOver shares out the garment's vertices: each lies over the layer that is
// nearest to it, the outer of equals, if over any.
func (k *Checker) findOver() {
	for v := range k.garment.pos {
		var best *under
		for _, l := range k.layers {
			if m := &l.match[v]; m.triangle >= 0 && (best == nil || m.distance <= best.match[v].distance) {
				best = l
			}
		}
		if best == nil {
			continue
		}
		m := &best.match[v]
		if m.distance <= k.hang && best.outside(m.triangle)*m.height > 0 && !best.onBorder(m.triangle, m.bary) {
			best.over = append(best.over, int32(v))
		}
	}
}

// outside is +1 where a triangle of the layer faces away from the body.
func (l *under) outside(t int32) float64 {
	c := l.surface.tri[t]
	if l.out[c[0]]+l.out[c[1]]+l.out[c[2]] < 0 {
		return -1
	}
	return 1
}

// onBorder reports whether a point lies on the layer's open border.
func (l *under) onBorder(t int32, bary [3]float64) bool {
	for i, b := range bary {
		if b < 1e-9 && l.border[t]>>i&1 == 1 {
			return true
		}
	}
	return false
}

// underScratch is what one goroutine needs for one layer.
type underScratch struct {
	pos   []r3.Vec // posed; default where a joint moves nothing
	sheet *closest.Sheet
	share []float64 // of the present joint
	moved []int32   // vertices of the layer that it moves
	over  []int32   // the garment's vertices that it can take under
}

// begin lists what joint (-1: everything) can change between the garment and the
// layer.
func (u *underScratch) begin(k *Checker, l *under, a *active) {
	u.moved, u.over, u.share = u.moved[:0], l.over, nil
	if a.joint < 0 || k.exhaustive {
		for v := range u.pos {
			u.moved = append(u.moved, int32(v))
		}
		if a.joint < 0 {
			return
		}
	}
	u.share = l.surface.shares(k.skeleton, a.joint)
	c := classes(u.share)
	if k.exhaustive {
		return
	}
	for v, x := range c {
		if x != 0 {
			u.moved = append(u.moved, int32(v))
		}
	}
	around := l.surface.spread(c, ringsAround)
	over := make([]int32, 0, len(l.over))
	for _, v := range l.over {
		t := l.surface.tri[l.match[v].triangle]
		if own := class(a.garment[v]); own == mixed || !still(around, t[:]...) || around[t[0]] != own {
			over = append(over, v)
		}
	}
	u.over = over
}

// end puts back what the joint's poses moved.
func (u *underScratch) end(l *under) {
	for _, v := range u.moved {
		u.pos[v] = l.surface.pos[v]
	}
}

// dives finds the garment's vertices that went under layer i in a pose, and leaves in
// s.over how deep. What a vertex with the layer's own row at its match would suffer
// too (the crease of a bend) is no fault of its weights.
func (s *scratch) dives(i int, maps []skinning.Affine, a *active, dg *deformation, m *Measures) {
	k, l, u := s.k, s.k.layers[i], &s.under[i]
	if len(u.over) == 0 {
		return
	}
	d := l.surface.deform(maps, a.joint, u.share)
	for _, v := range u.moved {
		u.pos[v] = d.point(v)
	}
	limit := k.limits.Dive
	depth := func(p r3.Vec, t int32) float64 {
		f := u.sheet.Walk(p, t)
		if l.outside(f.Triangle)*u.sheet.Height(p, f) > -limit/2 {
			return 0
		}
		f = u.sheet.Exact(p, t)
		h := -l.outside(f.Triangle) * u.sheet.Height(p, f)
		if h <= 0 || h > k.deep || l.onBorder(f.Triangle, f.Bary) || turnedOver(d, f.Triangle, u.pos) {
			return 0
		}
		return h
	}
	for n, v := range u.over {
		if s.stopped(n) {
			return
		}
		x := &l.match[v]
		p := dg.point(v)
		h := depth(p, x.triangle)
		if h == 0 {
			continue
		}
		m.Dived = max(m.Dived, h)
		if h <= limit {
			continue
		}
		own := h - depth(l.carry(d, maps, k.garment.pos[v], x), x.triangle)
		if own > limit {
			s.over.add(v, own/limit, own)
		}
		s.dived = append(s.dived, dived{i, v, h, own > limit})
	}
}

// carry is where the layer's row at a match would send p.
func (l *under) carry(d *deformation, maps []skinning.Affine, p r3.Vec, m *match) r3.Vec {
	var y r3.Vec
	for i, v := range l.surface.tri[m.triangle] {
		joint, weight := l.surface.rows.Row(int(v))
		y = r3.Add(y, r3.Scale(m.bary[i], skinning.Pose(maps).PosedPoint(p, joint, weight)))
	}
	return y
}

// dived is one vertex under one layer in one pose.
type dived struct {
	layer     int
	v         int32
	depth     float64
	avoidable bool
}

// layerTally sums up what the poses showed.
type layerTally struct {
	report []LayerReport
	seen   []map[int32]bool
}

func (k *Checker) newLayerTally() *layerTally {
	t := &layerTally{}
	for _, l := range k.layers {
		t.report = append(t.report, LayerReport{Layer: l.surface.figure.Name, Over: len(l.over)})
		t.seen = append(t.seen, map[int32]bool{})
	}
	return t
}

func (t *layerTally) add(pose string, list []dived) {
	for _, d := range list {
		r := &t.report[d.layer]
		r.Cases++
		if d.avoidable {
			r.Avoidable++
		}
		if !t.seen[d.layer][d.v] {
			t.seen[d.layer][d.v] = true
			r.Dived++
		}
		if d.depth > r.Depth {
			r.Depth, r.Pose = d.depth, pose
		}
	}
}
