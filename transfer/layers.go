package transfer

// Layers: garments worn beneath, from an earlier transfer of the same wardrobe.
// What is worn over them takes its rows from what it lies on: a source with layers
// is the surface that is seen from outside, pieced together of the body and the
// layers, inner to outer.
//
//	covered  what lies under a layer is left out: cloth matches the layer, not what
//	         the layer hides. A layer hides only where its own rows are trusted.
//	hem      a layer's open border holds nothing beyond it. There the next surface
//	         below takes over, and so that no row jumps, that surface's own rows begin
//	         at the border as the layer's rows and go over to their own along the
//	         surface: the change is extended along the ways from the border,
//	         each vertex taking what comes from those nearer to it (Adalsteinsson &
//	         Sethian, "The fast construction of extension velocities in level set
//	         methods", J. Comput. Phys. 148, 1999, from memory; here on the edges' graph).
//	doubt    where a layer's rows are not trusted and something trusted lies beneath, the
//	         layer is left out as if it ended there, with a hem of its own; where nothing
//	         does (a coat's tails far from the legs) its rows are better than none.
//	worth    a match on a layer is worth what the layer's own row is: its expected
//	         error comes on top (trust.go).
//
// Everything else, from the candidates to the fill, sees one surface and works as on
// a body. What asks for the body itself (which limb cloth goes around, what it runs
// along) still asks the body. Cloth hangs by its distance from the body, and rests on
// what is trusted of the layers: a cape hangs although a coat is near, and takes the
// coat's rows where it lies on the coat's shoulders.

import (
	"context"
	"fmt"
	"math"
	"slices"
	"strings"

	"github.com/selvage/selvage/transfer/closest"
	"github.com/selvage/selvage/transfer/mesh"
	"github.com/selvage/selvage/transfer/skinning"
	"github.com/selvage/selvage/transfer/weights"
	"gonum.org/v1/gonum/spatial/r3"
)

const (
	// hemBand is how far past a layer's border, along the surface below, that surface's
	// rows go over from the layer's to its own, as a share of the body's size (about
	// 3 cm on a grown figure).
	hemBand = 0.013
	// hemSide is the share of its distance by which a match on a layer's border may lie
	// beside the layer and still hold.
	hemSide = 0.1
	// coverSide is the least share of the distance from a vertex to the layer that goes
	// outwards, and by which the layer is farther from the body there, for the layer to
	// cover the vertex: a hand's glove beside the thigh covers no thigh.
	coverSide = 0.5
	// hemDoubt is the doubt, before the fill, of a match whose neighbours lie on another
	// layer: where cloth steps from one onto another, its rows are smoothed over about the
	// length of the step.
	hemDoubt = 0.4
	// facingRounds is how often a layer's vertices vote on which side of it is outside.
	facingRounds = 12
)

// Layer is a weighted garment worn beneath others.
type Layer struct {
	// Name appears in messages and in Summary.TakenFrom.
	Name string
	// Mesh in the default-pose world frame of the body.
	Mesh *mesh.Mesh
	// Rows of Mesh's vertices over the body's joints. Triangles with an unusable row
	// are left out.
	Rows *weights.Rows
	// Confidence of each row, 0 to 1; NaN counts as 1. Nil: 1 everywhere, as for rows
	// that an artist made.
	Confidence []float32
}

// worn is what a source with layers was made from.
type worn struct {
	pieces []*piece // the body alone, then the layers, inner to outer
}

// piece is the body or one layer. What a layer over it changes is replaced, never
// written to: sources share the rest.
type piece struct {
	source    *Source
	name      string
	welded    *mesh.Welded // what of the source is usable
	adjacency *mesh.Adjacency
	first     []int32   // lowest vertex of each welded one
	height    []float64 // by vertex: distance from the body, metres
	outward   []r3.Vec  // by vertex: normal, away from the body

	given    []float64     // by vertex: expected L1 error of the source's row
	seen     []bool        // by source triangle: not covered
	rows     *weights.Rows // by vertex; those past a hem changed
	expected []float64     // by vertex: expected L1 error of its row
}

// WithLayers returns the source of what is seen of the body under the layers, which
// come in order from the inside out, each over the body and those before it; s itself
// where there are none. Neither s nor the layers are changed, and the layers must not
// change while the result is used. Errors: as of Prepare, with the layer's name;
// *OptionError for a layer that has the surface of one before it. O(n log n) for each
// layer.
func (s *Source) WithLayers(ctx context.Context, layers []Layer, threads int) (*Source, error) {
	if len(layers) == 0 {
		return s, nil
	}
	w := &worn{}
	if s.worn == nil {
		p, err := newPiece(ctx, s, nil, s.body.Name, nil, threads)
		if err != nil {
			return nil, fmt.Errorf("body %q: %w", s.body.Name, err)
		}
		w.pieces = append(w.pieces, p)
	} else {
		for _, p := range s.worn.pieces {
			q := *p
			q.seen = slices.Clone(p.seen)
			w.pieces = append(w.pieces, &q)
		}
	}
	body := w.pieces[0].source
	for i := range layers {
		l := &layers[i]
		if n := l.Mesh.NumVertices(); l.Confidence != nil && len(l.Confidence) != n {
			return nil, fmt.Errorf("layer %q: %d confidences for %d vertices", l.Name, len(l.Confidence), n)
		}
		for _, p := range w.pieces[1:] {
			same, err := sameSurface(ctx, l.Mesh, p.source.body.Mesh, body.size, threads)
			if err != nil {
				return nil, fmt.Errorf("layer %q: %w", l.Name, err)
			}
			if same {
				return nil, &OptionError{Option: "layer", Reason: fmt.Sprintf("%s has the same surface as the layer %s before it, and a garment is not worn over itself", l.Name, p.name)}
			}
		}
		doubtful, err := w.doubtful(ctx, l, threads)
		if err != nil {
			return nil, fmt.Errorf("layer %q: %w", l.Name, err)
		}
		source, err := prepareWithout(ctx, &Body{Name: l.Name, Mesh: l.Mesh, Rows: l.Rows, Skin: body.body.Skin}, doubtful, threads)
		if err != nil {
			return nil, fmt.Errorf("layer %q: %w", l.Name, err)
		}
		top, err := newPiece(ctx, source, body, l.Name, l.Confidence, threads)
		if err != nil {
			return nil, fmt.Errorf("layer %q: %w", l.Name, err)
		}
		for _, under := range w.pieces {
			if err := under.coveredBy(ctx, top, body.size, threads); err != nil {
				return nil, fmt.Errorf("layer %q: %w", l.Name, err)
			}
		}
		w.pieces = append(w.pieces, top)
	}
	return w.assemble(ctx, threads)
}

// expectedError is the expected L1 error of a row of a layer with a confidence.
func expectedError(confidence float32) float64 {
	if confidence < 1 { // false for NaN
		return min(-errorScale*math.Log(max(float64(confidence), 1e-9)), 2)
	}
	return 0
}

// doubtful says which triangles of a layer are not trusted and have something trusted
// beneath them, of the body or of the layers before, nearer than what hangs would have it:
// of what hangs (a coat's tails) rows are never sure, and still the best there are for what
// lies over it. Nil: none. O(n log n).
func (w *worn) doubtful(ctx context.Context, l *Layer, threads int) ([]bool, error) {
	if err := l.Mesh.ValidateContext(ctx); err != nil || l.Confidence == nil {
		return nil, err
	}
	reach := sq(looseNear * w.pieces[0].source.size)
	var beneath []*closest.Tree // of each piece, what is trusted; when it is needed first
	var at []r3.Vec
	var in []int32
	p := l.Mesh.Positions
	for t, tri := range l.Mesh.Triangles {
		if ended(ctx, t) {
			return nil, ctx.Err()
		}
		// One corner is enough: its row would be the start of what goes on past the hem.
		if l.Confidence[tri[0]] < LowConfidence || l.Confidence[tri[1]] < LowConfidence || l.Confidence[tri[2]] < LowConfidence {
			in, at = append(in, int32(t)), append(at, r3.Scale(1./3, r3.Add(p[tri[0]], r3.Add(p[tri[1]], p[tri[2]]))))
		}
	}
	if len(in) == 0 {
		return nil, nil
	}
	for _, piece := range w.pieces {
		tree, err := piece.trusted(ctx, threads)
		if err != nil {
			return nil, err
		}
		beneath = append(beneath, tree)
	}
	out, any := make([]bool, len(l.Mesh.Triangles)), make([]bool, blocksOf(len(in)))
	err := parallel(ctx, len(in), threads, func(lo, hi int) {
		for i := lo; i < hi; i++ {
			for k, tree := range beneath {
				if hit := tree.NearestWithin(at[i], reach); hit.Triangle >= 0 && !w.pieces[k].source.besideBorder(at[i], &hit) {
					out[in[i]], any[lo/blockSize] = true, true
					break
				}
			}
		}
	})
	if err != nil || !slices.Contains(any, true) {
		return nil, err
	}
	return out, nil
}

// newPiece measures a source as a layer over body, nil where it is the body.
func newPiece(ctx context.Context, source, body *Source, name string, confidence []float32, threads int) (*piece, error) {
	n := len(source.normal)
	p := &piece{
		source: source, name: name, seen: make([]bool, len(source.triangle)), rows: source.body.Rows, expected: make([]float64, n),
		height: make([]float64, n), outward: source.normal,
	}
	for t := range p.seen {
		p.seen[t] = true
	}
	for v, c := range confidence {
		p.expected[v] = expectedError(c)
	}
	p.given = p.expected
	var err error
	used := &mesh.Mesh{Positions: source.body.Mesh.Positions, Triangles: source.triangle}
	if p.welded, err = mesh.WeldContext(ctx, used, mesh.WeldTolerance(used)); err != nil {
		return nil, err
	}
	if p.adjacency, err = mesh.NewAdjacencyContext(ctx, p.welded.Mesh); err != nil {
		return nil, err
	}
	p.first = make([]int32, len(p.welded.Mesh.Positions))
	for v := len(p.welded.ToWelded) - 1; v >= 0; v-- {
		p.first[p.welded.ToWelded[v]] = int32(v)
	}
	if body != nil {
		err = p.face(ctx, body, threads)
	}
	return p, err
}

// alone is the body without layers.
func (s *Source) alone() *Source {
	if s.worn == nil {
		return s
	}
	return s.worn.pieces[0].source
}

// heights returns each point's distance to the nearest point of s.
func (s *Source) heights(ctx context.Context, points []r3.Vec, threads int) ([]float64, error) {
	hits, err := s.nearestAll(ctx, points, threads)
	if err != nil {
		return nil, err
	}
	out := make([]float64, len(points))
	for v := range hits {
		out[v] = math.Sqrt(hits[v].DistanceSq)
	}
	return out, nil
}

// face measures how far a layer stands off the body, and turns its normals to the side
// that faces away from it (linings and reversed windings face inwards). Neighbours vote
// on the side: where cloth hangs, the nearest point of the body says little about it.
func (p *piece) face(ctx context.Context, body *Source, threads int) error {
	s := p.source
	hits, err := body.nearestAll(ctx, s.body.Mesh.Positions, threads)
	if err != nil {
		return err
	}
	side, next := make([]int8, len(p.first)), make([]int8, len(p.first))
	for w, v := range p.first {
		if ended(ctx, w) {
			return ctx.Err()
		}
		side[w] = 1
		if h := &hits[v]; h.Triangle >= 0 && r3.Dot(s.normal[v], body.normalAt(h.Triangle, h.Bary)) < 0 {
			side[w] = -1
		}
	}
	for range facingRounds {
		for w := range side {
			if ended(ctx, w) {
				return ctx.Err()
			}
			sum := 2 * int(side[w])
			for _, u := range p.adjacency.Neighbours(w) {
				sum += int(side[u])
			}
			next[w] = side[w]
			if sum != 0 {
				next[w] = 1
				if sum < 0 {
					next[w] = -1
				}
			}
		}
		side, next = next, side
	}
	p.outward = make([]r3.Vec, len(hits))
	for v := range hits {
		if ended(ctx, v) {
			return ctx.Err()
		}
		p.height[v] = math.Sqrt(hits[v].DistanceSq)
		p.outward[v] = r3.Scale(float64(side[p.welded.ToWelded[v]]), s.normal[v])
	}
	return nil
}

// inside reports whether a triangle of the piece's source faces the body.
func (p *piece) inside(t int) bool {
	sum := 0.0
	for _, v := range p.source.triangle[t] {
		sum += r3.Dot(p.outward[v], p.source.faceNormal[t])
	}
	return sum < 0
}

// coveredBy hides what of p lies under top and gives p's rows past top's border
// their start; size is the body's.
func (p *piece) coveredBy(ctx context.Context, top *piece, size float64, threads int) error {
	s, welded, adjacency := p.source, p.welded, p.adjacency
	n := len(p.first)

	// What is covered, and by which point of the layer.
	hits := make([]closest.Hit, n)
	if err := parallel(ctx, n, threads, func(lo, hi int) {
		for v := lo; v < hi; v++ {
			u := p.first[v]
			hits[v] = top.over(s.body.Mesh.Positions[u], p.outward[u], p.height[u], size)
		}
	}); err != nil {
		return err
	}
	covered := func(v int32) bool { return hits[welded.ToWelded[v]].Triangle >= 0 }
	any := false
	for t, tri := range s.triangle {
		if ended(ctx, t) {
			return ctx.Err()
		}
		all := true
		for _, v := range tri {
			any = any || covered(v)
			all = all && covered(v)
		}
		p.seen[t] = p.seen[t] && !all
	}
	if !any {
		return nil
	}

	// From the border on along the surface, each vertex takes the mean of what comes
	// from nearer to it: of the change, not of the row, so that the surface's own rows go
	// on changing as they do.
	dist := make([]float64, n)
	reach := hemBand * size
	var queue distanceQueue
	change := weights.NewRows(n) // the layer's row less its own, in the order reached
	entry := make([]int32, n)    // of change; -1: none
	worth := make([]float64, n)  // expected error that comes along
	acc := weights.NewAccumulator(len(s.body.Skin.Joints))
	for v := range dist {
		if ended(ctx, v) {
			return ctx.Err()
		}
		dist[v], entry[v] = math.Inf(1), -1
		if h := &hits[v]; h.Triangle >= 0 {
			dist[v], entry[v] = 0, int32(change.Len())
			top.source.addRow(acc, h.Triangle, h.Bary, 1)
			acc.AddRow(p.rows, int(p.first[v]), -1)
			acc.Flush(change)
			worth[v] = top.expectedAt(h.Triangle, h.Bary)
			queue.push(0, int32(v))
		}
	}
	at := welded.Mesh.Positions
	for steps := 0; queue.len() > 0; steps++ {
		if ended(ctx, steps) {
			return ctx.Err()
		}
		d, v := queue.pop()
		if d > dist[v] {
			continue
		}
		if entry[v] < 0 {
			from := func(u int32) float64 {
				if entry[u] < 0 || dist[u] >= d {
					return 0
				}
				return (d - dist[u]) / max(r3.Norm2(r3.Sub(at[u], at[v])), 1e-300)
			}
			sum := 0.0
			for _, u := range adjacency.Neighbours(int(v)) {
				sum += from(u)
			}
			if sum == 0 {
				continue
			}
			for _, u := range adjacency.Neighbours(int(v)) {
				if f := from(u) / sum; f > 0 {
					acc.AddRow(change, int(entry[u]), f)
					worth[v] += f * worth[u]
				}
			}
			entry[v] = int32(change.Len())
			acc.Flush(change)
		}
		for _, u := range adjacency.Neighbours(int(v)) {
			if to := d + r3.Norm(r3.Sub(at[u], at[v])); to < dist[u] && to < reach {
				dist[u] = to
				queue.push(to, u)
			}
		}
	}

	// The rows of what is seen: the layer's where it ends, then less and less of the
	// change.
	rows, expected := weights.NewRows(p.rows.Len()), make([]float64, p.rows.Len())
	for v := range expected {
		if ended(ctx, v) {
			return ctx.Err()
		}
		w := welded.ToWelded[v]
		if entry[w] < 0 || p.rows.Start[v] == p.rows.Start[v+1] {
			rows.Append(p.rows.Row(v))
			expected[v] = p.expected[v]
			continue
		}
		own := smoothstep(0, reach, dist[w])
		acc.AddRow(p.rows, v, 1)
		acc.AddRow(change, int(entry[w]), 1-own)
		acc.FlushNormalised(rows)
		expected[v] = (1-own)*worth[w] + own*p.expected[v]
	}
	p.rows, p.expected = rows, expected
	return nil
}

// over returns the point of the layer that covers x, which lies below metres from the
// body and whose surface faces outward; Triangle -1 where none does.
func (p *piece) over(x, outward r3.Vec, below, size float64) closest.Hit {
	none := closest.Hit{Triangle: -1}
	hit := p.source.tree.NearestWithin(x, sq(coverDistance*size))
	if hit.Triangle < 0 || confidence(p.expectedAt(hit.Triangle, hit.Bary)) < LowConfidence || p.source.besideBorder(x, &hit) {
		return none
	}
	d := math.Sqrt(hit.DistanceSq)
	if d <= onSurface*p.source.edge {
		return hit // one surface: the layer's rows are the later ones
	}
	h := 0.0
	for k, v := range p.source.triangle[hit.Triangle] {
		h += hit.Bary[k] * p.height[v]
	}
	if r3.Dot(r3.Sub(hit.Point, x), outward) < coverSide*d || h-below < coverSide*d {
		return none
	}
	return hit
}

// besideBorder reports whether a nearest point lies on an open border of s and x
// beside the surface there.
func (s *Source) besideBorder(x r3.Vec, hit *closest.Hit) bool {
	bits := s.border[hit.Triangle]
	for k := range hit.Bary {
		if bits>>k&1 == 1 && hit.Bary[k] < 1e-9 {
			off := r3.Sub(x, hit.Point)
			n := s.faceNormal[hit.Triangle]
			side := r3.Norm(r3.Sub(off, r3.Scale(r3.Dot(off, n), n)))
			return side > hemSide*r3.Norm(off) && side > onSurface*s.edge
		}
	}
	return false
}

// expectedAt is the expected error of the row at barycentric coordinates of a
// triangle.
func (p *piece) expectedAt(t int32, b [3]float64) float64 {
	e := 0.0
	for k, v := range p.source.triangle[t] {
		e += b[k] * p.expected[v]
	}
	return e
}

// assemble makes one source of what is seen.
func (w *worn) assemble(ctx context.Context, threads int) (*Source, error) {
	body := w.pieces[0].source
	s := &Source{worn: w, size: body.size, edge: body.edge, unusable: body.unusable, firstUnusable: body.firstUnusable}
	all := &mesh.Mesh{}
	var rows []*weights.Rows
	var last []int32 // one past the last vertex of each piece
	for k, p := range w.pieces {
		base := int32(len(all.Positions))
		shift := func(t [3]int32) [3]int32 { return [3]int32{t[0] + base, t[1] + base, t[2] + base} }
		all.Positions = append(all.Positions, p.source.body.Mesh.Positions...)
		rows = append(rows, p.rows)
		s.normal = append(s.normal, p.outward...)
		s.expected = append(s.expected, p.expected...)
		last = append(last, int32(len(all.Positions)))
		for t, tri := range p.source.triangle {
			if ended(ctx, t) {
				return nil, ctx.Err()
			}
			if !p.seen[t] {
				continue
			}
			corners, normal, border := shift(tri), p.source.faceNormal[t], p.source.border[t]
			turned := k > 0 && p.inside(t)
			if turned {
				// All of the source faces outwards, as a body does.
				corners[1], corners[2] = corners[2], corners[1]
				normal = r3.Scale(-1, normal)
				border = border&1 | border>>1&1<<2 | border>>2&1<<1
			}
			s.triangle = append(s.triangle, corners)
			s.original = append(s.original, p.source.original[t])
			s.faceNormal = append(s.faceNormal, normal)
			s.border = append(s.border, border)
			s.turned = append(s.turned, turned)
			s.layer = append(s.layer, int32(k))
		}
	}
	all.Triangles = s.triangle
	merged, err := weights.ConcatContext(ctx, rows...)
	if err != nil {
		return nil, err
	}
	s.body = &Body{Name: body.body.Name, Mesh: all, Rows: merged, Skin: body.body.Skin}
	if _, s.gradient, err = s.edges(ctx, threads); err != nil {
		return nil, err
	}
	if err := s.plant(ctx, threads); err != nil {
		return nil, err
	}
	for k, p := range w.pieces {
		tree := p.source.tree
		if k > 0 {
			if tree, err = p.trusted(ctx, threads); err != nil {
				return nil, fmt.Errorf("body %q: build search tree: %w", s.body.Name, err)
			}
		}
		s.rests = append(s.rests, tree)
	}
	for k := range w.pieces {
		lo, hi := int32(0), last[k]
		if k > 0 {
			lo = last[k-1]
		}
		tree, err := closest.NewTreeAmong(ctx, all.Positions, s.triangle, func(t [3]int32) bool { return t[0] >= lo && t[0] < hi }, threads)
		if err != nil {
			return nil, fmt.Errorf("body %q: build search tree: %w", s.body.Name, err)
		}
		s.pieces = append(s.pieces, tree)
	}
	return s, nil
}

// trusted is the tree of what is trusted of a layer; its own where that is all.
func (p *piece) trusted(ctx context.Context, threads int) (*closest.Tree, error) {
	sure := func(t [3]int32) bool {
		return confidence((p.given[t[0]]+p.given[t[1]]+p.given[t[2]])/3) >= LowConfidence
	}
	if !slices.ContainsFunc(p.source.triangle, func(t [3]int32) bool { return !sure(t) }) {
		return p.source.tree, nil
	}
	return closest.NewTreeAmong(ctx, p.source.body.Mesh.Positions, p.source.triangle, sure, threads)
}

// posed is s in another pose, layers included.
func (s *Source) posed(ctx context.Context, pose skinning.Pose, threads int) (*Source, error) {
	turn := func(s *Source) (*Source, error) {
		m := &mesh.Mesh{Triangles: s.body.Mesh.Triangles, Positions: pose.Points(s.body.Mesh.Positions, s.body.Rows, nil)}
		return prepareWithout(ctx, &Body{Name: s.body.Name, Mesh: m, Rows: s.body.Rows, Skin: s.body.Skin}, s.leave, threads)
	}
	if s.worn == nil {
		return turn(s)
	}
	w := &worn{}
	for _, p := range s.worn.pieces {
		source, err := turn(p.source)
		if err != nil {
			return nil, err
		}
		q := *p // covers as in the default pose
		q.source = source
		q.outward = make([]r3.Vec, len(p.outward))
		for v := range q.outward {
			q.outward[v] = source.normal[v]
			if r3.Dot(p.outward[v], p.source.normal[v]) < 0 {
				q.outward[v] = r3.Scale(-1, source.normal[v])
			}
		}
		w.pieces = append(w.pieces, &q)
	}
	return w.assemble(ctx, threads)
}

// pastHem reports whether the match of a vertex at p lies on a layer's open border
// with p beside the layer: past a hem, which holds nothing there.
func (s *Source) pastHem(p r3.Vec, c *candidate) bool {
	return c.triangle >= 0 && s.layer[c.triangle] > 0 && s.besideBorder(p, &closest.Hit{Triangle: c.triangle, Point: c.point, Bary: c.bary})
}

// belowHems replaces the candidates past a hem by the nearest points of what lies
// below; those stay where nothing does. make completes a candidate.
func (s *Source) belowHems(list []candidate, p r3.Vec, make func(h closest.Hit) candidate) []candidate {
	kept := list[:0:0]
	for i := range list {
		if !s.pastHem(p, &list[i]) {
			kept = append(kept, list[i])
		}
	}
	if len(kept) == len(list) {
		return list
	}
	for _, tree := range s.pieces {
		h := tree.Nearest(p)
		if h.Triangle < 0 {
			continue
		}
		c := make(h)
		known := s.pastHem(p, &c)
		for i := range kept {
			known = known || kept[i].triangle == c.triangle && kept[i].point == c.point
		}
		if !known {
			kept = append(kept, c)
		}
	}
	if len(kept) == 0 {
		return list
	}
	return kept
}

// lieOn sets the distances by which cloth hangs, from the body, and by which it rests,
// from the body and from what is trusted of its layers.
func (c *candidates) lieOn(ctx context.Context, s *Source, g *target, threads int) (err error) {
	if c.near, err = s.alone().heights(ctx, g.position, threads); err != nil {
		return err
	}
	c.rest = slices.Clone(c.near)
	hits := make([]closest.Hit, len(g.position))
	for _, tree := range s.rests[1:] {
		if err := tree.NearestAll(ctx, g.position, hits, threads); err != nil {
			return err
		}
		for v := range hits {
			if ended(ctx, v) {
				return ctx.Err()
			}
			if hits[v].Triangle >= 0 {
				c.rest[v] = min(c.rest[v], math.Sqrt(hits[v].DistanceSq))
			}
		}
	}
	return nil
}

// resting takes back how far cloth hangs from the body where it lies on a layer.
func (c *candidates) resting(s *Source, hang []float64) []float64 {
	if s.worn == nil {
		return hang
	}
	out := make([]float64, len(hang))
	for v := range out {
		out[v] = min(hang[v], smoothstep(anchorNear*s.size, anchorFar*s.size, c.rest[v]))
	}
	return out
}

// betweenLayers reports whether a neighbour of v is matched to another layer.
func (t *trusted) betweenLayers(s *Source, g *target, v int) bool {
	for _, u := range g.adjacency.Neighbours(v) {
		if o := t.match[u].triangle; o >= 0 && s.layer[o] != s.layer[t.match[v].triangle] {
			return true
		}
	}
	return false
}

// FromWhere says in words what the vertices were taken from: "body.glb 5120, jersey.glb
// 3100"; empty without layers.
func (s *Summary) FromWhere() string {
	var parts []string
	for _, f := range s.TakenFrom {
		parts = append(parts, fmt.Sprintf("%s %d", f.Name, f.Vertices))
	}
	return strings.Join(parts, ", ")
}

// takeFrom notes what vertex v is matched to by triangle t of s, which has layers.
func (r *Result) takeFrom(s *Source, v int, t int32) {
	if r.Layer == nil {
		r.Layer = make([]int32, len(r.Triangle))
		for _, p := range s.worn.pieces {
			r.Summary.TakenFrom = append(r.Summary.TakenFrom, TakenFrom{Name: p.name})
		}
	}
	r.Layer[v] = -1
	if t >= 0 {
		if s.turned[t] { // corners of the layer's own triangle
			b := &r.Bary[v]
			b[1], b[2] = b[2], b[1]
		}
		r.Layer[v] = s.layer[t]
		r.Summary.TakenFrom[s.layer[t]].Vertices++
	}
}
