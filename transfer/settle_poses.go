package transfer

// The poses of settle.go: each layer is posed by one joint after the other, and what stands
// over it with it. Most vertices are never posed: the pose shows how far a vertex stays clear
// of the layer, and what is nearer to it than that, in this pose or after a smaller change of
// its row, is clear as well.

import (
	"context"
	"math"
	"slices"

	"github.com/selvage/selvage/transfer/closest"
	"github.com/selvage/selvage/transfer/skinning"
	"github.com/selvage/selvage/transfer/weights"
	"gonum.org/v1/gonum/spatial/r3"
)

// ground is one layer, and what of the garment stands over it.
type ground struct {
	piece  *piece
	tri    [][3]int32 // of the welded layer, by triangle of its source
	fans   *closest.Fans
	side   []float64 // by triangle: +1 where it faces away from the body, else -1
	stands []stand
	scout  []int32   // by stand: the one that is tried for it first
	tried  [][]tried // by joint and stand; nil where none was tried
}

// tried is what the poses of a joint showed of a stand: with this share it stays clear of the
// layer by so much, metres.
type tried struct{ share, clear float64 }

// stand is one vertex over a layer.
type stand struct {
	vertex int32
	hit    closest.Hit
	height float64 // metres
}

// stand finds what stands over which layer: the nearest, the outer of equals, and none where
// the body is nearer.
func (x *settling) stand(ctx context.Context, moves func(v int32) bool, t *trusted, rows *weights.Rows, threads int) error {
	s, g := x.s, x.g
	n := len(g.position)
	best, from := make([]closest.Hit, n), make([]int, n)
	for v := range best {
		best[v].DistanceSq, from[v] = sq(settleReach*s.size), -1
	}
	for i, p := range s.worn.pieces[1:] {
		err := parallel(ctx, n, threads, func(lo, hi int) {
			for v := lo; v < hi; v++ {
				if !moves(int32(v)) {
					continue
				}
				h := p.source.tree.NearestWithin(g.position[v], best[v].DistanceSq)
				if h.Triangle >= 0 && h.DistanceSq <= best[v].DistanceSq {
					best[v], from[v] = h, i
				}
			}
		})
		if err != nil {
			return err
		}
	}
	body := s.alone()
	err := parallel(ctx, n, threads, func(lo, hi int) {
		for v := lo; v < hi; v++ {
			if from[v] >= 0 && body.tree.NearestWithin(g.position[v], best[v].DistanceSq).Triangle >= 0 {
				from[v] = -1
			}
		}
	})
	if err != nil {
		return err
	}
	acc := weights.NewAccumulator(len(s.body.Skin.Joints))
	for i, p := range s.worn.pieces[1:] {
		d := &ground{piece: p}
		for v := range best {
			if ended(ctx, v) {
				return ctx.Err()
			}
			h := &best[v]
			if from[v] != i || p.source.onBorder(h) {
				continue
			}
			if t.free != nil && t.free[v] || confidence(p.expectedAt(h.Triangle, h.Bary)) >= LowConfidence || p.source.distanceL1(acc, rows, v, h) < settleStrange {
				d.stands = append(d.stands, stand{vertex: int32(v), hit: *h})
			}
		}
		if len(d.stands) == 0 {
			continue
		}
		d.prepare()
		sheet := closest.NewSheet(p.welded.Mesh.Positions, d.tri, d.fans)
		d.stands = slices.DeleteFunc(d.stands, func(y stand) bool { return d.above(sheet, g.position[y.vertex], y.hit) <= 0 })
		for k := range d.stands {
			y := &d.stands[k]
			y.height = math.Sqrt(y.hit.DistanceSq)
		}
		if len(d.stands) > 0 {
			d.chooseScouts(g, settleScouts*s.size)
			x.ground = append(x.ground, d)
		}
	}
	return ctx.Err()
}

// onBorder reports whether a point lies on the open border.
func (s *Source) onBorder(h *closest.Hit) bool {
	for k, b := range h.Bary {
		if b < 1e-9 && s.border[h.Triangle]>>k&1 == 1 {
			return true
		}
	}
	return false
}

// distanceL1 is how far the row of vertex v is from the source's at a hit, over the
// source's joints.
func (s *Source) distanceL1(acc *weights.Accumulator, rows *weights.Rows, v int, h *closest.Hit) float64 {
	s.addRow(acc, h.Triangle, h.Bary, 1)
	joint, weight := rows.Row(v)
	for i, j := range joint {
		acc.Add(j, -weight[i])
	}
	sum := acc.AbsSum()
	acc.Reset()
	return sum
}

// prepare welds the layer's triangles.
func (d *ground) prepare() {
	source := d.piece.source
	d.tri, d.side = make([][3]int32, len(source.triangle)), make([]float64, len(source.triangle))
	for t, c := range source.triangle {
		var out r3.Vec
		for k, v := range c {
			d.tri[t][k] = d.piece.welded.ToWelded[v]
			out = r3.Add(out, d.piece.outward[v])
		}
		d.side[t] = 1
		if r3.Dot(source.faceNormal[t], out) < 0 {
			d.side[t] = -1
		}
	}
	d.fans = closest.NewFans(len(d.piece.first), d.tri)
	d.tried = make([][]tried, len(source.body.Skin.Joints))
}

// chooseScouts makes the first stand in each cube of space the scout of all in it. O(n).
func (d *ground) chooseScouts(g *target, side float64) {
	first := map[[3]int32]int32{}
	for k := range d.stands {
		p := g.position[d.stands[k].vertex]
		cube := [3]int32{int32(math.Floor(p.X / side)), int32(math.Floor(p.Y / side)), int32(math.Floor(p.Z / side))}
		if _, has := first[cube]; !has {
			first[cube] = int32(k)
		}
		d.scout = append(d.scout, first[cube])
	}
}

// above is the height of p over its foot on the layer, negative beneath.
func (d *ground) above(sheet *closest.Sheet, p r3.Vec, f closest.Hit) float64 {
	return d.side[f.Triangle] * sheet.Height(p, f)
}

// within reports whether joint j is root or below it.
func within(joints []skinning.Joint, j, root int) bool {
	for steps := 0; j >= 0 && steps <= len(joints); j, steps = joints[j].Parent, steps+1 {
		if j == root {
			return true
		}
	}
	return false
}

// poser poses one layer by one joint after the other. It belongs to one goroutine.
type poser struct {
	x     *settling
	d     *ground
	sheet *closest.Sheet
	share []float64 // by welded vertex of the layer, of the present joint
	below []bool    // by joint: the present joint or below it
	moved []int32
	tries []attempt
}

// attempt is one vertex over the layer that a joint moves otherwise than it.
type attempt struct {
	stand      int
	share, own float64 // of the vertex, and of the layer below it
	clear      float64 // of the layer in all poses so far, metres
	now        float64 // the same in the present pose
	scout      int     // of the tries, -1 for none
	apart      float64 // from the scout in any pose, at most, metres
}

func newPoser(x *settling, d *ground) poser {
	p := d.piece.welded.Mesh.Positions
	return poser{
		x: x, d: d, sheet: closest.NewSheet(slices.Clone(p), d.tri, d.fans),
		share: make([]float64, len(p)), below: make([]bool, len(x.s.body.Skin.Joints)),
	}
}

// shareOf is the weight of a row that goes along with the present joint.
func (q *poser) shareOf(joint []uint16, weight []float64) float64 {
	sum := 0.0
	for i, j := range joint {
		if q.below[j] {
			sum += weight[i]
		}
	}
	return sum
}

// joint tries the poses of one joint.
func (q *poser) joint(ctx context.Context, j int, fresh []bool) (list []found, dived []int32) {
	q.lookAt(ctx, j, fresh)
	if len(q.tries) == 0 || ctx.Err() != nil {
		return nil, nil
	}
	q.sendScouts(j)
	return q.pose(ctx, j)
}

// sendScouts puts the scouts first, and says of the others who scouts for them and how far
// the two may come apart, at most, in any of the joint's poses.
func (q *poser) sendScouts(j int) {
	x, d := q.x, q.d
	joint := &x.s.body.Skin.Joints[j]
	scouts := make([]attempt, 0, len(q.tries))
	var others []attempt
	at := make(map[int32]int, len(q.tries)/8)
	for _, a := range q.tries {
		if int(d.scout[a.stand]) == a.stand {
			at[int32(a.stand)] = len(scouts)
			scouts = append(scouts, a)
		} else {
			others = append(others, a)
		}
	}
	for i := range others {
		a := &others[i]
		if k, has := at[d.scout[a.stand]]; has {
			b := &scouts[k]
			p := x.g.position[d.stands[b.stand].vertex]
			e := math.Sqrt(r3.Norm2(r3.Sub(x.g.position[d.stands[a.stand].vertex], p)))
			// A turn by 90 degrees moves their difference by sqrt(2) times its length.
			a.scout, a.apart = k, e*(1+math.Sqrt2*a.share)+math.Abs(a.share-b.share)*q.lever(p, joint)
		}
	}
	q.tries = append(scouts, others...)
}

// lever is how far a point goes that goes all along with a joint in any of its poses, at
// most.
func (q *poser) lever(p r3.Vec, joint *skinning.Joint) float64 {
	return math.Sqrt(2*r3.Norm2(r3.Sub(p, joint.Global.T))) + aboveMove*q.x.s.size
}

// lookAt lists what the poses of a joint could take under the layer.
func (q *poser) lookAt(ctx context.Context, j int, fresh []bool) {
	x, d := q.x, q.d
	joints := x.s.body.Skin.Joints
	for k := range q.below {
		q.below[k] = within(joints, k, j)
	}
	rows := d.piece.source.body.Rows
	q.tries = nil
	for k := range d.stands {
		if ended(ctx, k) {
			return
		}
		y := &d.stands[k]
		i := x.of[y.vertex]
		if i < 0 || !fresh[i] {
			continue
		}
		a := attempt{stand: k, clear: math.Inf(1), scout: -1, share: q.shareOf(x.movers[i].allowed, x.movers[i].now)}
		for k, v := range d.piece.source.triangle[y.hit.Triangle] {
			a.own += y.hit.Bary[k] * q.shareOf(rows.Row(int(v)))
		}
		lever := q.lever(x.g.position[y.vertex], &joints[j])
		if math.Abs(a.share-a.own)*lever <= settleNear*y.height {
			continue
		}
		if list := d.tried[j]; list != nil && math.Abs(a.share-list[k].share)*lever < list[k].clear {
			continue // less of a change than what it was clear by
		}
		q.tries = append(q.tries, a)
	}
}

// pose poses the layer and what is to be tried, and notes how clear of it each stays. What
// is nearer to its scout than that is clear is clear, too.
func (q *poser) pose(ctx context.Context, j int) (list []found, dived []int32) {
	x, d := q.x, q.d
	rows, rest := d.piece.source.body.Rows, d.piece.welded.Mesh.Positions
	q.moved = q.moved[:0]
	for w, v := range d.piece.first {
		q.share[w] = q.shareOf(rows.Row(int(v)))
		if q.share[w] > 0 {
			q.moved = append(q.moved, int32(w))
		}
	}
	joint := &x.s.body.Skin.Joints[j]
	ways := append(posesOf(joint, x.s.size), scalesAbout(joint.Global.M, joint.Global.T, settleScales)...)
	for k := range ways {
		way := &ways[k]
		for _, w := range q.moved {
			q.sheet.Positions[w] = r3.Add(rest[w], r3.Scale(q.share[w], way.Apply(rest[w])))
		}
		for i := range q.tries {
			if ended(ctx, i) {
				return nil, nil
			}
			a := &q.tries[i]
			if a.scout >= 0 {
				if clear := q.tries[a.scout].now - a.apart; clear > 0 {
					a.clear = min(a.clear, clear)
					continue
				}
			}
			if bound, is := q.try(a, way); is {
				bound.joint = j
				v := d.stands[a.stand].vertex
				list = append(list, found{x.of[v], bound})
				dived = append(dived, v)
			}
		}
	}
	for _, w := range q.moved {
		q.sheet.Positions[w] = rest[w]
	}
	if d.tried[j] == nil {
		d.tried[j] = make([]tried, len(d.stands))
	}
	for i := range q.tries {
		a := &q.tries[i]
		d.tried[j][a.stand] = tried{a.share, a.clear}
	}
	return list, dived
}

// try poses one vertex; false where it does not dive, or nothing would help.
func (q *poser) try(a *attempt, way *skinning.Affine) (demand, bool) {
	none := demand{lo: math.Inf(-1), hi: math.Inf(1)}
	size := q.x.s.size
	y := &q.d.stands[a.stand]
	p := q.x.g.position[y.vertex]
	along := way.Apply(p)
	depth, clear, n := q.depth(r3.Add(p, r3.Scale(a.share, along)), y.hit.Triangle, way)
	a.now, a.clear = clear, min(a.clear, clear)
	if depth <= settleDepth*size {
		return none, false
	}
	own, _, _ := q.depth(r3.Add(p, r3.Scale(a.own, along)), y.hit.Triangle, way)
	need := depth - max(own, settleDepth*size)
	if need <= 1e-6*size {
		return none, false
	}
	// To the surface by the normal, but no farther than the layer's own sum; where that lies
	// the other way, half the way to it.
	to := a.share + 0.5*(a.own-a.share)
	if rise := r3.Dot(n, along); rise*(a.own-a.share) > 0 {
		to = a.share + 1.02*need/rise
	}
	if a.own > a.share {
		none.lo = min(to, a.own)
	} else {
		none.hi = max(to, a.own)
	}
	return none, true
}

// depth is how deep p is under the posed layer around triangle t, 0 where it is not, how
// far it is clear of it, 0 where it is not above it, and the unit normal, away from the
// body, at its foot. Past the layer's border, and where the layer is turned over, nothing is
// under it.
func (q *poser) depth(p r3.Vec, t int32, way *skinning.Affine) (depth, clear float64, n r3.Vec) {
	d := q.d
	f := q.sheet.Walk(p, t)
	if h := d.above(q.sheet, p, f); h > -settleDepth*q.x.s.size/2 {
		return 0, max(0, h), n
	}
	f = q.sheet.Exact(p, t)
	depth = -d.above(q.sheet, p, f)
	if depth <= 0 || d.piece.source.onBorder(&f) || q.turnedOver(f.Triangle, way) {
		return 0, 0, n
	}
	n = r3.Scale(d.side[f.Triangle], q.sheet.PseudoNormal(f))
	if l := r3.Norm(n); l > 0 {
		n = r3.Scale(1/l, n)
	}
	return depth, 0, n
}

// turnedOver reports whether a triangle of the layer faces against what the mean map of
// its corners makes of its normal.
func (q *poser) turnedOver(t int32, way *skinning.Affine) bool {
	c := q.d.tri[t]
	mean := (q.share[c[0]] + q.share[c[1]] + q.share[c[2]]) / 3
	a := skinning.Identity()
	for k := range a.M {
		a.M[k] += mean * way.M[k]
	}
	return skinning.Against(&a, q.d.piece.source.faceNormal[t], q.sheet.Corners(t))
}

// scalesAbout are the ways of points that are scaled by the factors along the columns of
// axes from origin.
func scalesAbout(axes [9]float64, origin r3.Vec, factors []float64) []skinning.Affine {
	var out []skinning.Affine
	for k := range 3 {
		axis := r3.Vec{X: axes[k], Y: axes[3+k], Z: axes[6+k]}
		length := r3.Norm(axis)
		if !(length > 0) || math.IsInf(length, 1) {
			continue
		}
		a := [3]float64{axis.X / length, axis.Y / length, axis.Z / length}
		for _, f := range factors {
			var way skinning.Affine
			for r := range 3 {
				for c := range 3 {
					way.M[3*r+c] = (f - 1) * a[r] * a[c]
				}
			}
			way.T = r3.Scale(-1, way.ApplyVector(origin))
			out = append(out, way)
		}
	}
	return out
}
