package transfer

// Settle: cloth over cloth is tried in poses, and gives way where it dives. What leads rows
// above a layer (above.go, lift.go) judges by the tangent plane at the nearest point, and
// the limit of influences, rigid islands and smoothing come after it. So here, last, the
// rows that a result would have pose each vertex over each layer, joint by joint, and the
// nearest point of the posed layer says how deep it is under it. Wherever that is deeper
// than the layer's own row would take it, the vertex's sum of the joint is bounded, by the
// depth over the way that the sum's change makes up:
//
//	sum >= now + depth / (n . d(x))        (or <=, as the layer's own sum lies)
//
// d(x) being the way of a point that goes all along with the joint, n the normal at the
// nearest point. What is bounded is moved there, and takes its neighbours along: the change
// of the rows is the least in the Dirichlet energy, screened over a hand's width, with the
// bounds kept and each row a convex combination of the joints that it is allowed. That is
// a quadratic programme, solved by Jacobi sweeps, each row projected by Hildreth's method.
// The poses are tried again with the result, and bounds added, until none dives.

import (
	"context"
	"fmt"
	"math"
	"slices"

	"github.com/selvage/selvage/transfer/closest"
	"github.com/selvage/selvage/transfer/forkjoin"
	"github.com/selvage/selvage/transfer/skinning"
	"github.com/selvage/selvage/transfer/weights"
	"gonum.org/v1/gonum/spatial/r3"
)

const (
	// settleReach is how near a layer must be to be kept clear of, as a share of the
	// body's size (7 cm on a grown figure).
	settleReach = 0.03
	// settleDepth is how much deeper than the layer's own row a vertex may go, as a
	// share of the body's size (3.5 mm on a grown figure).
	settleDepth = 0.0015
	// settleStrange is how far, in L1, a row may be from that of a layer that is not to
	// be trusted there and still be kept clear of it: what moves otherwise altogether is
	// no guide.
	settleStrange = 0.5
	// settleNear is the least difference of a vertex's way from that of the layer's own
	// row, as a share of its height, from which a pose is tried.
	settleNear = 0.01
	// settleLength is how far a change of a row spreads, as a share of the body's size
	// (8 cm on a grown figure), and settleReaches over how many of that rows change.
	settleLength, settleReaches = 0.035, 3
	// settleRounds bounds the rounds of poses, settleSweeps the sweeps of each.
	settleRounds, settleSweeps = 8, 100
)

// settleScales are the factors by which poses scale joints along each of their axes.
var settleScales = []float64{0.75, 1.33}

// demand bounds the sum of one joint, with all below it, of one mover.
type demand struct {
	joint  int
	lo, hi float64
}

// mover is what moves alike: one vertex, or one rigid island.
type mover struct {
	vertices []int32
	allowed  []uint16  // the joints that its row may have, ascending
	was, now []float64 // weights of these
	demands  []demand  // joints ascending
	bounds   []bound   // the demands, by allowed joints
	tried    []float64 // now when its poses were last tried
}

// bound is what the weights of some of a mover's allowed joints must sum up to.
type bound struct {
	mask   uint64 // bit i: allowed joint i
	lo, hi float64
}

// settling is the state of one garment.
type settling struct {
	s      *Source
	g      *target
	movers []mover
	of     []int32 // mover of a vertex, -1 for what stands
	ground []*ground
}

// settle returns rows that no pose of one joint takes under what is worn beneath, deeper
// than the layer's own row would go, where their allowed joints let them; rows themselves
// without layers. Locked rows stand, and so does cloth that hangs where a limit on its
// stretch is set. O(r j p n) for r rounds, j joints, p poses of each and n vertices over
// layers that those move otherwise than the layer.
func settle(ctx context.Context, s *Source, g *target, rigid []bool, t *trusted, rows *weights.Rows, opt *Options) (*weights.Rows, error) {
	if s.worn == nil {
		return rows, nil
	}
	wrap := func(err error) error { return fmt.Errorf("garment %q: settle on layers: %w", g.garment.Name, err) }
	x := &settling{s: s, g: g, of: make([]int32, len(g.position))}
	keepsStretch := opt.limitsStretch || !opt.mayLift(s)
	moves := func(v int32) bool {
		return rows.Start[v+1] > rows.Start[v] && !g.lock.is(int(v)) &&
			!(keepsStretch && t.free != nil && t.free[v]) &&
			!(opt.OneJointIslands && rigid[g.islands.Island[v]])
	}
	if err := x.stand(ctx, moves, t, rows, opt.Threads); err != nil {
		return nil, wrap(err)
	}
	if len(x.ground) == 0 {
		return rows, nil
	}
	if err := x.addMovers(ctx, rigid, moves, t, rows, opt); err != nil {
		return nil, wrap(err)
	}
	left := 0
	for round := 0; ; round++ {
		var err error
		if left, err = x.try(ctx, opt.Threads); err != nil {
			return nil, wrap(err)
		}
		if left == 0 || round == settleRounds {
			break
		}
		if err := x.relax(ctx, opt.Threads); err != nil {
			return nil, wrap(err)
		}
	}
	if left > 0 {
		t.note("%d vertices dive into what they are worn over in some quarter turn, whatever row they may have with %d influences", left, opt.MaxInfluences)
	}
	return x.rows(ctx, t, rows)
}

// ground is one layer, and what of the garment stands over it.
type ground struct {
	piece  *piece
	tri    [][3]int32 // of the welded layer, by triangle of its source
	fans   *closest.Fans
	side   []float64 // by triangle: +1 where it faces away from the body, else -1
	stands []stand
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

// above is the height of p over its foot on the layer, negative beneath.
func (d *ground) above(sheet *closest.Sheet, p r3.Vec, f closest.Hit) float64 {
	return d.side[f.Triangle] * sheet.Height(p, f)
}

// addMovers makes the movers of what may move, and of what that may take along.
func (x *settling) addMovers(ctx context.Context, rigid []bool, moves func(v int32) bool, t *trusted, rows *weights.Rows, opt *Options) error {
	g := x.g
	most := min(opt.MaxInfluences, 64)
	limited := largest(rows, most)
	// Joints that the layer's own rows have, for rows that may have more.
	below := make([]*stand, len(g.position))
	over := make([]*ground, len(g.position))
	for _, d := range x.ground {
		for k := range d.stands {
			below[d.stands[k].vertex], over[d.stands[k].vertex] = &d.stands[k], d
		}
	}
	acc, own := weights.NewAccumulator(g.joints(x.s)), weights.NewRows(1)
	island := map[int32]int32{}
	for v := range x.of {
		if ended(ctx, v) {
			return ctx.Err()
		}
		x.of[v] = -1
		if !moves(int32(v)) {
			continue
		}
		i := g.islands.Island[v]
		if rigid[i] {
			if u, has := island[i]; has {
				x.of[v] = u
				x.movers[u].vertices = append(x.movers[u].vertices, int32(v))
				continue
			}
			island[i] = int32(len(x.movers))
		}
		x.of[v] = int32(len(x.movers))
		u := mover{vertices: []int32{int32(v)}}
		joint, weight := limited.Row(v)
		if t.allowed != nil && t.free[v] && !rigid[i] {
			u.allowed = slices.Clone(t.allowed.Joint[t.allowed.Start[v]:t.allowed.Start[v+1]])
			for _, j := range joint {
				if _, has := slices.BinarySearch(u.allowed, j); !has {
					u.allowed = nil // changed since
					break
				}
			}
		}
		if u.allowed == nil {
			u.allowed = slices.Clone(joint)
			if y := below[v]; y != nil && len(joint) < most {
				source := over[v].piece.source
				source.addRow(acc, y.hit.Triangle, y.hit.Bary, 1)
				own.Start, own.Joint, own.Weight = own.Start[:1], own.Joint[:0], own.Weight[:0]
				acc.FlushNormalised(own)
				more, _ := largest(own, most-len(joint)).Row(0)
				u.allowed = append(u.allowed, more...)
				slices.Sort(u.allowed)
				u.allowed = slices.Compact(u.allowed)
			}
		}
		u.was = make([]float64, len(u.allowed))
		sum := 0.0
		for k, j := range joint {
			i, _ := slices.BinarySearch(u.allowed, j)
			u.was[i] = weight[k]
			sum += weight[k]
		}
		for i := range u.was {
			u.was[i] /= sum
		}
		u.now = slices.Clone(u.was)
		x.movers = append(x.movers, u)
	}
	return nil
}

// found is a bound that a pose showed.
type found struct {
	mover  int32
	demand demand
}

// try poses what changed, adds the bounds that this shows, and returns how many vertices
// dive.
func (x *settling) try(ctx context.Context, threads int) (int, error) {
	joints := x.s.body.Skin.Joints
	fresh := make([]bool, len(x.movers))
	for i := range x.movers {
		u := &x.movers[i]
		fresh[i] = !slices.Equal(u.now, u.tried)
		u.tried = append(u.tried[:0], u.now...)
	}
	tasks := len(x.ground) * len(joints)
	lists, dived := make([][]found, tasks), make([][]int32, tasks)
	err := forkjoin.Each(ctx, tasks, threads, func() func(int) {
		var have *ground
		var q poser
		return func(i int) {
			d, j := x.ground[i/len(joints)], i%len(joints)
			if d != have {
				have, q = d, newPoser(x, d)
			}
			lists[i], dived[i] = q.joint(ctx, j, fresh)
		}
	})
	if err != nil {
		return 0, err
	}
	left := map[int32]bool{}
	for i, list := range lists {
		for _, v := range dived[i] {
			left[v] = true
		}
		for _, f := range list {
			x.movers[f.mover].add(f.demand)
		}
	}
	for i := range x.movers {
		if fresh[i] {
			x.movers[i].bind(joints)
		}
	}
	return len(left), ctx.Err()
}

// add takes in one more demand.
func (u *mover) add(d demand) {
	i, has := slices.BinarySearchFunc(u.demands, d.joint, func(e demand, j int) int { return e.joint - j })
	if has {
		e := &u.demands[i]
		e.lo, e.hi = max(e.lo, d.lo), min(e.hi, d.hi)
		return
	}
	u.demands = slices.Insert(u.demands, i, d)
}

// bind expresses the demands by the allowed joints.
func (u *mover) bind(joints []skinning.Joint) {
	u.bounds = u.bounds[:0]
	all := uint64(1)<<len(u.allowed) - 1
	for _, d := range u.demands {
		mask := uint64(0)
		for i, j := range u.allowed {
			if within(joints, int(j), d.joint) {
				mask |= 1 << i
			}
		}
		if mask == 0 || mask == all {
			continue // no row of these joints changes that
		}
		i := slices.IndexFunc(u.bounds, func(b bound) bool { return b.mask == mask })
		if i < 0 {
			u.bounds = append(u.bounds, bound{mask, d.lo, d.hi})
			continue
		}
		b := &u.bounds[i]
		b.lo, b.hi = max(b.lo, d.lo), min(b.hi, d.hi)
	}
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
	x, d := q.x, q.d
	joints := x.s.body.Skin.Joints
	for k := range q.below {
		q.below[k] = within(joints, k, j)
	}
	rows := d.piece.source.body.Rows
	origin := joints[j].Global.T
	q.tries = q.tries[:0]
	for k := range d.stands {
		if ended(ctx, k) {
			return nil, nil
		}
		y := &d.stands[k]
		i := x.of[y.vertex]
		if i < 0 || !fresh[i] {
			continue
		}
		a := attempt{stand: k, clear: math.Inf(1), share: q.shareOf(x.movers[i].allowed, x.movers[i].now)}
		for k, v := range d.piece.source.triangle[y.hit.Triangle] {
			a.own += y.hit.Bary[k] * q.shareOf(rows.Row(int(v)))
		}
		lever := math.Sqrt(2*r3.Norm2(r3.Sub(x.g.position[y.vertex], origin))) + aboveMove*x.s.size
		if math.Abs(a.share-a.own)*lever <= settleNear*y.height {
			continue
		}
		if list := d.tried[j]; list != nil && math.Abs(a.share-list[k].share)*lever < list[k].clear {
			continue // less of a change than what it was clear by
		}
		q.tries = append(q.tries, a)
	}
	if len(q.tries) == 0 {
		return nil, nil
	}
	rest := d.piece.welded.Mesh.Positions
	q.moved = q.moved[:0]
	for w, v := range d.piece.first {
		q.share[w] = q.shareOf(rows.Row(int(v)))
		if q.share[w] > 0 {
			q.moved = append(q.moved, int32(w))
		}
	}
	global := &joints[j].Global
	ways := append(posesOf(&joints[j], x.s.size), scalesAbout(global.M, global.T, settleScales)...)
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
	a.clear = min(a.clear, clear)
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

// relax moves the movers into their bounds, and those around along.
func (x *settling) relax(ctx context.Context, threads int) error {
	active, err := x.active(ctx)
	if err != nil {
		return err
	}
	screen := 1 / sq(settleLength*x.s.size)
	next := make([][]float64, len(active))
	for k, i := range active {
		next[k] = make([]float64, len(x.movers[i].now))
	}
	moved := make([]float64, blocksOf(len(active)))
	for range settleSweeps {
		err := parallel(ctx, len(active), threads, func(lo, hi int) {
			most := 0.0
			for k := lo; k < hi; k++ {
				u := &x.movers[active[k]]
				x.mean(u, next[k], screen)
				u.project(next[k])
				for i, w := range next[k] {
					most = max(most, math.Abs(w-u.now[i]))
				}
			}
			moved[lo/blockSize] = most
		})
		if err != nil {
			return err
		}
		for k, i := range active {
			u := &x.movers[i]
			u.now, next[k] = next[k], u.now
		}
		if slices.Max(moved) < settleStill {
			break
		}
	}
	return ctx.Err()
}

// settleStill is the change of a weight in a sweep below which the sweeps end.
const settleStill = 1e-4

// active lists the movers with bounds, and those within reach of their changes along the
// cloth, ascending.
func (x *settling) active(ctx context.Context) ([]int32, error) {
	g := x.g
	reach := settleReaches * settleLength * x.s.size
	far := make([]float64, len(g.position))
	var queue distanceQueue
	in := make([]bool, len(x.movers))
	for v, i := range x.of {
		if ended(ctx, v) {
			return nil, ctx.Err()
		}
		far[v] = reach
		if i >= 0 && len(x.movers[i].bounds) > 0 {
			in[i] = true
			far[v] = 0
			queue.push(0, int32(v))
		}
	}
	for steps := 0; queue.len() > 0; steps++ {
		if ended(ctx, steps) {
			return nil, ctx.Err()
		}
		d, v := queue.pop()
		if d > far[v] {
			continue
		}
		in[x.of[v]] = true
		for _, u := range g.adjacency.Neighbours(int(v)) {
			if x.of[u] < 0 {
				continue
			}
			if to := d + math.Sqrt(r3.Norm2(r3.Sub(g.position[u], g.position[v]))); to < far[u] {
				far[u] = to
				queue.push(to, u)
			}
		}
	}
	var out []int32
	for i, yes := range in {
		if yes {
			out = append(out, int32(i))
		}
	}
	return out, nil
}

// mean writes into row what the neighbours' changes make of a mover: a Jacobi step of the
// screened Laplace equation, with weights by the inverse squared length of the edges.
func (x *settling) mean(u *mover, row []float64, screen float64) {
	clear(row)
	if len(u.vertices) > 1 {
		copy(row, u.was) // rigid islands have no neighbours
		return
	}
	v := u.vertices[0]
	total := screen
	for _, n := range x.g.adjacency.Neighbours(int(v)) {
		e := r3.Norm2(r3.Sub(x.g.position[n], x.g.position[v]))
		if e == 0 {
			continue
		}
		total += 1 / e
		if x.of[n] < 0 {
			continue
		}
		o := &x.movers[x.of[n]]
		for a, b := 0, 0; a < len(u.allowed) && b < len(o.allowed); {
			switch {
			case u.allowed[a] < o.allowed[b]:
				a++
			case u.allowed[a] > o.allowed[b]:
				b++
			default:
				row[a] += (o.now[b] - o.was[b]) / e
				a++
				b++
			}
		}
	}
	for i := range row {
		row[i] = u.was[i] + row[i]/total
	}
}

const (
	// settleSoft is how stiff a bound is, beside the row's own place of 1: what cannot
	// be kept together is shared.
	settleSoft = 1000
	// settleSteps bounds the steps of one projection, and settleExact is the change
	// of a weight in a step below which it ends.
	settleSteps, settleExact = 1000, 1e-8
)

// project moves weights to the nearest that sum up to 1, are not negative and keep the
// bounds, as far as those can be kept together.
// Source: Hildreth, "A quadratic programming procedure", Naval Research Logistics
// Quarterly 4, 1957: each constraint in turn, by the change of its multiplier.
func (u *mover) project(w []float64) {
	var buffer [256]float64
	size := len(w) + 2*len(u.bounds)
	multipliers := buffer[:]
	if size > len(buffer) {
		multipliers = make([]float64, size)
	}
	multipliers = multipliers[:size]
	ofBounds := multipliers[len(w):]
	for range settleSteps {
		change := -1.0
		for _, x := range w {
			change += x
		}
		change /= float64(len(w))
		for i := range w {
			w[i] -= change
		}
		change = math.Abs(change)
		for i := range w {
			step := max(-multipliers[i], -w[i])
			multipliers[i] += step
			w[i] += step
			change = max(change, math.Abs(step))
		}
		for k := range u.bounds {
			b := &u.bounds[k]
			for side, at := range [2]float64{b.lo, b.hi} {
				if math.IsInf(at, 0) {
					continue
				}
				sum, count, sign := 0.0, 0.0, 1.0
				for i, x := range w {
					if b.mask>>i&1 == 1 {
						sum += x
						count++
					}
				}
				if side == 1 {
					sign = -1
				}
				m := &ofBounds[2*k+side]
				step := max(-*m, (sign*(at-sum)-*m/settleSoft)/(count+1/settleSoft))
				if step == 0 {
					continue
				}
				*m += step
				for i := range w {
					if b.mask>>i&1 == 1 {
						w[i] += sign * step
					}
				}
				change = max(change, math.Abs(step))
			}
		}
		if change < settleExact {
			break
		}
	}
	sum := 0.0
	for i := range w {
		w[i] = max(0, w[i])
		sum += w[i]
	}
	for i := range w {
		w[i] /= sum
	}
}

// settleLeast is the change of a row, in L1, below which it stays.
const settleLeast = 1e-6

// rows returns the rows with those of the movers that changed.
func (x *settling) rows(ctx context.Context, t *trusted, rows *weights.Rows) (*weights.Rows, error) {
	acc, out := weights.NewAccumulator(x.g.joints(x.s)), weights.NewRows(rows.Len())
	for v := range rows.Len() {
		if ended(ctx, v) {
			return nil, ctx.Err()
		}
		if x.of[v] >= 0 {
			u := &x.movers[x.of[v]]
			moved := 0.0
			for i, w := range u.now {
				moved += math.Abs(w - u.was[i])
			}
			if moved > settleLeast {
				for i, j := range u.allowed {
					if u.now[i] > 0 {
						acc.Add(j, u.now[i])
					}
				}
				acc.FlushNormalised(out)
				t.gives(v, moved)
				continue
			}
		}
		out.Append(rows.Row(v))
	}
	return out, nil
}
