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
	// settleScouts is the side of the cubes in which one vertex is tried for all first, as a
	// share of the body's size (2 cm on a grown figure).
	settleScouts = 0.009
	// settleLength is how far a change of a row spreads, as a share of the body's size
	// (8 cm on a grown figure), and settleReaches over how many of that rows change.
	settleLength, settleReaches = 0.035, 3
	// settleRounds bounds the rounds of poses, settleSweeps the sweeps of each.
	settleRounds, settleSweeps = 8, 50
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
	dives  []bool  // by vertex, when it was last tried
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
	// Rows with joints that the body lacks, beside locked ones, stand: joints are ascending.
	ofBody := func(v int32) bool {
		end := rows.Start[v+1]
		return end > rows.Start[v] && int(rows.Joint[end-1]) < len(s.body.Skin.Joints)
	}
	moves := func(v int32) bool {
		return ofBody(v) && !g.lock.is(int(v)) &&
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
	x.dives = make([]bool, len(x.of))
	for round := 0; ; round++ {
		changed, err := x.try(ctx, opt.Threads)
		if err != nil {
			return nil, wrap(err)
		}
		if !changed || round == settleRounds {
			break
		}
		if err := x.relax(ctx, opt.Threads); err != nil {
			return nil, wrap(err)
		}
	}
	left := 0
	for _, dives := range x.dives {
		if dives {
			left++
		}
	}
	if left > 0 {
		t.note("%d vertices dive into what they are worn over in some quarter turn, whatever row they may have with %d influences", left, opt.MaxInfluences)
	}
	return x.rows(ctx, t, rows)
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

// try poses what changed since it was last tried, notes what dives, and adds the bounds that
// this shows; false where it adds none.
func (x *settling) try(ctx context.Context, threads int) (bool, error) {
	joints := x.s.body.Skin.Joints
	fresh := make([]bool, len(x.movers))
	for i := range x.movers {
		u := &x.movers[i]
		fresh[i] = !slices.Equal(u.now, u.tried)
		u.tried = append(u.tried[:0], u.now...)
		if fresh[i] {
			for _, v := range u.vertices {
				x.dives[v] = false
			}
		}
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
		return false, err
	}
	more := false
	for i, list := range lists {
		for _, v := range dived[i] {
			x.dives[v] = true
		}
		more = more || len(list) > 0
		for _, f := range list {
			x.movers[f.mover].add(f.demand)
		}
	}
	for i := range x.movers {
		if fresh[i] {
			x.movers[i].bind(joints)
		}
	}
	return more, ctx.Err()
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

// relax moves the movers into their bounds, and those around along.
func (x *settling) relax(ctx context.Context, threads int) error {
	active, err := x.active(ctx)
	if err != nil || len(active) == 0 {
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
	if len(u.bounds) == 0 {
		ontoSimplex(w)
		return
	}
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

// ontoSimplex moves weights to the nearest that sum up to 1 and are not negative. O(k^2) for k
// weights at worst.
// Source: Michelot, "A finite algorithm for finding the projection of a point onto the
// canonical simplex of R^n", Journal of Optimization Theory and Applications 50, 1986: those
// that the plane of the sum leaves negative become 0, and again with the others.
func ontoSimplex(w []float64) {
	var out [64]bool
	for left := len(w); left > 0; {
		excess := -1.0
		for i, x := range w {
			if !out[i] {
				excess += x
			}
		}
		excess /= float64(left)
		was := left
		for i := range w {
			if out[i] {
				continue
			}
			if w[i] -= excess; w[i] < 0 {
				w[i], out[i] = 0, true
				left--
			}
		}
		if left == was {
			return
		}
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
