package transfer

// Stretch: loose cloth must not tear. When one joint j turns by R about its origin
// o, a vertex at x whose row holds S, the sum of its weights in the joint's subtree,
// goes to x + S (R-I)(x-o). The edge from x to y is then at most
//
//	|e| + |S_x - S_y| |(R-I)(x-o)|,  |(R-I)(x-o)| <= sqrt(2) |x-o| at 90 degrees,
//
// long (linear blending never lengthens an edge whose ends share a row). So no
// edge is stretched beyond 1+k by any quarter turn of one joint where
//
//	|S_x - S_y| <= k |e| / (sqrt(2) |x-o|) =: cost of the edge for that joint.
//
// Of all fields that keep to this bound and nowhere exceed the given S, the largest
// is min over u of S_u + cost of the way from u to v (McShane, "Extension of range
// of functions", Bull. AMS 40, 1934, with the edges' costs as the metric): it takes
// from a limb what the cloth cannot follow, and leaves it to the limb's parent.
// Where cloth that fits holds the edge of the loose cloth, its rows stand, and
// the bound is kept from there from below as well; likewise where rows are locked.

import (
	"context"
	"fmt"
	"math"
	"slices"

	"github.com/selvage/selvage/transfer/forkjoin"
	"github.com/selvage/selvage/transfer/weights"
	"gonum.org/v1/gonum/spatial/r3"
)

// maxStretch is the default of Options.LooseStretch.
const maxStretch = 1.5

// restSlack is the share of the slack that garments with regions that hold themselves
// get: where several children of a joint want more than it has, sharing adds to the
// slope (measured on the capes: up to 1.64 with all of it, 1.51 with 0.9).
const restSlack = 0.88

// gaveWay is the change of a row, in L1, from which it counts as filled in.
const gaveWay = 0.05

// limitStretch returns rows that keep loose cloth (t.free) from tearing, as far as
// the rows of what is not free let it, and adds to what is expected of the rows
// that it changes. O(j n log n) for j joints in those rows.
func limitStretch(ctx context.Context, s *Source, g *target, t *trusted, rows *weights.Rows, opt *Options) (*weights.Rows, error) {
	free := t.free
	joints := s.body.Skin.Joints
	// The free vertices and what they hang from, in order.
	index := make([]int32, len(free))
	var members []int32
	for v := range free {
		if ended(ctx, v) {
			return nil, ctx.Err()
		}
		index[v] = -1
		take := free[v]
		for _, u := range g.adjacency.Neighbours(v) {
			take = take || free[u]
		}
		if take && rows.Start[v+1] > rows.Start[v] {
			index[v] = int32(len(members))
			members = append(members, int32(v))
		}
	}
	if len(members) == 0 {
		return rows, nil
	}
	used := make([]bool, len(joints)) // has weight of its own
	for i, v := range members {
		if ended(ctx, i) {
			return nil, ctx.Err()
		}
		joint, _ := rows.Row(int(v))
		for _, j := range joint {
			used[j] = true
		}
	}
	// The tree of the used joints. What turns an unused joint turns the used ones below
	// it, so their sums answer for its lever, too.
	subtree := make([][]float64, len(joints))
	children := make([][]int, len(joints))
	levers := make([][]r3.Vec, len(joints))
	above := make([]int, len(joints))
	var roots []int
	for j := range joints {
		if !used[j] {
			continue
		}
		subtree[j] = make([]float64, len(members))
		levers[j] = append(levers[j], joints[j].Global.T)
		p, steps := joints[j].Parent, 0
		for ; p >= 0 && !used[p] && steps <= len(joints); p, steps = joints[p].Parent, steps+1 {
			levers[j] = append(levers[j], joints[p].Global.T)
		}
		if above[j] = p; p >= 0 && used[p] {
			children[p] = append(children[p], j)
		} else {
			above[j] = -1
			roots = append(roots, j)
		}
	}
	for i, v := range members {
		if ended(ctx, i) {
			return nil, ctx.Err()
		}
		joint, weight := rows.Row(int(v))
		for k, j := range joint {
			for a, steps := int(j), 0; a >= 0 && steps <= len(joints); a, steps = above[a], steps+1 {
				subtree[a][i] += weight[k]
			}
		}
	}
	// Parents first: a child has no more than its parent has left, and keeps its own
	// bound below that.
	for level := roots; len(level) > 0; {
		bound := func(i int) {
			j := level[i]
			if p := above[j]; p >= 0 {
				for m, v := range members {
					if free[v] {
						subtree[j][m] = min(subtree[j][m], subtree[p][m])
					}
				}
			}
			boundSlope(ctx, g, members, index, free, t.rests, levers[j], opt.LooseStretch-1, subtree[j])
		}
		if err := forkjoin.Each(ctx, len(level), opt.Threads, func() func(int) { return bound }); err != nil {
			return nil, fmt.Errorf("garment %q: stretch of loose cloth: %w", g.garment.Name, err)
		}
		var next []int
		for _, j := range level {
			next = append(next, children[j]...)
		}
		level = next
	}

	// Back to rows: a joint keeps of its subtree's sum what its children leave. Where
	// they want more than there is, they share it.
	acc := weights.NewAccumulator(g.joints(s))
	out := weights.NewRows(rows.Len())
	var give func(j int, have float64, i int32)
	give = func(j int, have float64, i int32) {
		want := 0.0
		for _, c := range children[j] {
			want += subtree[c][i]
		}
		scale := 1.0
		if want > have {
			scale = have / want
		}
		for _, c := range children[j] {
			if x := scale * subtree[c][i]; x > 0 {
				give(c, x, i)
			}
		}
		if rest := have - scale*want; rest > 1e-12 {
			acc.Add(uint16(j), rest)
		}
	}
	for v := 0; v < rows.Len(); v++ {
		if ended(ctx, v) {
			return nil, ctx.Err()
		}
		if !free[v] || index[v] < 0 {
			out.Append(rows.Row(v))
			continue
		}
		for _, j := range roots {
			if x := subtree[j][index[v]]; x > 0 {
				give(j, x, index[v])
			}
		}
		acc.FlushNormalised(out)
		if moved := out.DistanceL1(v, rows, v); moved > 0 {
			t.expected[v] = min(2, t.expected[v]+evidenceWeight.moved*moved)
			if moved > gaveWay {
				t.reason[v] |= ReasonFilled
			}
		}
	}
	return out, nil
}

// holdLoose is limitStretch for all loose cloth. Regions that hold themselves
// (restsOn) keep what rests as it is, which may bring in joints anew: there chains
// are thinned again (all over the region alike: as far as each vertex hangs,
// neighbours would differ again), and the limit is set once more, because a joint
// that was merged leaves the sums of those above it to its children, whose levers
// are shorter.
func holdLoose(ctx context.Context, s *Source, g *target, t *trusted, rows *weights.Rows, opt *Options) (*weights.Rows, error) {
	rows, err := g.lock.fadeJoints(ctx, s, t, rows)
	if err != nil {
		return nil, err
	}
	if rows, err = limitStretch(ctx, s, g, t, rows, opt); err != nil || !slices.Contains(t.rests, true) {
		return rows, err
	}
	resting := make([]bool, t.regions)
	for v, r := range t.region {
		if t.rests[v] {
			resting[r] = true
		}
	}
	region, all := slices.Clone(t.region), make([]float64, len(t.region))
	for v, r := range region {
		if r < 0 || !resting[r] {
			region[v] = -1
		} else if t.free[v] {
			all[v] = 1
		}
	}
	if rows, err = thinChains(ctx, s, g, all, region, t.regions, rows, opt); err != nil {
		return nil, err
	}
	return limitStretch(ctx, s, g, t, rows, opt)
}

// boundSlope bounds sum, by member, in place for the joints at origins, so that edges
// grow by no more than slack of their length; what is not free stands as it is. It ends
// early, with sum unfinished, when ctx is done.
func boundSlope(ctx context.Context, g *target, members, index []int32, free, rests []bool, origins []r3.Vec, slack float64, sum []float64) {
	if slices.Contains(rests, true) {
		slack *= restSlack
	}
	cost := func(v, u int32) float64 {
		p, q := g.position[v], g.position[u]
		lever := 0.0
		for _, o := range origins {
			lever = max(lever, r3.Norm2(r3.Sub(p, o)), r3.Norm2(r3.Sub(q, o)))
		}
		return slack * r3.Norm(r3.Sub(p, q)) / max(math.Sqrt(2*lever), 1e-300)
	}
	// spread lowers value to the least of value and of what reaches it from elsewhere, at
	// its cost, but not below floor (nil: no floor); +Inf is no source.
	spread := func(value, floor []float64) {
		var queue distanceQueue
		for i, v := range members {
			if ended(ctx, i) {
				return
			}
			if !math.IsInf(value[i], 1) {
				queue.push(value[i], v)
			}
		}
		for steps := 0; queue.len() > 0; steps++ {
			if ended(ctx, steps) {
				return
			}
			d, v := queue.pop()
			if d > value[index[v]] {
				continue
			}
			for _, u := range g.adjacency.Neighbours(int(v)) {
				i := index[u]
				if i < 0 || !free[u] {
					continue
				}
				to := d + cost(v, u)
				if floor != nil {
					to = max(to, floor[i])
				}
				if to < value[i] {
					value[i] = to
					queue.push(to, u)
				}
			}
		}
	}
	// What rests on the body holds the others, so it is bounded by its own kind alone.
	own := make([]float64, len(members))
	for i, v := range members {
		own[i] = math.Inf(1)
		if rests[v] {
			own[i] = sum[i]
		}
	}
	spread(own, nil)
	// From below, only from what stands or rests: the least that the free may have, as
	// the mirror image of a spread.
	stands := func(v int32) bool { return (!free[v] || rests[v]) && !g.lock.stands(v) }
	least, locked := make([]float64, len(members)), false
	for i, v := range members {
		if rests[v] {
			sum[i] = own[i]
		}
		least[i] = math.Inf(1)
		if stands(v) {
			least[i] = -sum[i]
		}
		locked = locked || g.lock.stands(v)
	}
	spread(least, nil)
	for i := range least {
		least[i] = max(0, -least[i])
	}
	// What is locked stands too, but may ask for more than can be: then what holds the
	// cloth elsewhere keeps its own, and the cloth gives way at the lock, over the blend.
	if locked {
		from := func(source func(v int32) bool, sign float64) []float64 {
			value := make([]float64, len(members))
			for i, v := range members {
				value[i] = math.Inf(1)
				if source(v) {
					value[i] = sign * sum[i]
				}
			}
			spread(value, nil)
			return value
		}
		most, below, above := from(stands, 1), from(g.lock.stands, -1), from(g.lock.stands, 1)
		for i, v := range members {
			far, want := g.lock.far(int(v)), max(0, -below[i])
			if want > most[i] {
				want = most[i] + (1-far)*(want-most[i])
			}
			if least[i] > above[i] {
				least[i] = above[i] + far*(least[i]-above[i])
			}
			least[i] = max(least[i], want)
		}
	}
	for i, v := range members {
		if free[v] {
			sum[i] = max(sum[i], least[i])
		}
	}
	// From above, from everything.
	spread(sum, least)
}
