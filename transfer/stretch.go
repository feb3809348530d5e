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
	"math"
	"slices"

	"github.com/selvage/selvage/transfer/weights"
)

// maxStretch is the default of Options.LooseStretch.
const maxStretch = 1.5

// restSlack is the share of the slack that garments with regions that hold themselves
// get: where several children of a joint want more than it has, sharing adds to the
// slope (measured on the capes: up to 1.64 with all of it, 1.51 with 0.9).
const restSlack = 0.88

// gaveWay is the change of a row, in L1, from which it counts as filled in.
const gaveWay = 0.05

// gives says that vertex v's row was changed, by moved in L1.
func (t *trusted) gives(v int, moved float64) {
	if moved > 0 {
		t.expected[v] = min(2, t.expected[v]+evidenceWeight.moved*moved)
	}
	if moved > gaveWay {
		t.reason[v] |= ReasonFilled
	}
}

// limitStretch returns rows that keep loose cloth (t.free) from tearing, as far as
// the rows of what is not free let it, and adds to what is expected of the rows
// that it changes. O(j n log n) for j joints in those rows.
func limitStretch(ctx context.Context, s *Source, g *target, t *trusted, rows *weights.Rows, opt *Options) (*weights.Rows, error) {
	x, err := newSubtrees(ctx, s, g, t.free, rows, nil)
	if err != nil || x == nil {
		return rows, err
	}
	if err := x.change(ctx, opt.Threads, func(j int) { x.boundSlope(ctx, j, t.rests, opt.LooseStretch-1) }); err != nil {
		return nil, err
	}
	return x.rows(ctx, t, rows, g.joints(s))
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
	if rows, err = thinChains(ctx, s, g, all, region, t.regions, rows, opt.looseInfluences(s)); err != nil {
		return nil, err
	}
	return limitStretch(ctx, s, g, t, rows, opt)
}

// boundSlope bounds the sum of joint j so that edges grow by no more than slack of their
// length; what is not free stands as it is. It ends early, with the sum unfinished, when
// ctx is done.
func (x *subtrees) boundSlope(ctx context.Context, j int, rests []bool, slack float64) {
	if slices.Contains(rests, true) {
		slack *= restSlack
	}
	members, free, sum, lock, cost := x.members, x.free, x.sum[j], x.g.lock, x.slope(j, slack)
	// What rests on the body holds the others, so it is bounded by its own kind alone.
	own := make([]float64, len(members))
	for i, v := range members {
		own[i] = math.Inf(1)
		if rests[v] {
			own[i] = sum[i]
		}
	}
	x.spread(ctx, cost, own, nil)
	// From below, only from what stands or rests: the least that the free may have, as
	// the mirror image of a spread.
	stands := func(v int32) bool { return (!free[v] || rests[v]) && !lock.stands(v) }
	least, locked := make([]float64, len(members)), false
	for i, v := range members {
		if rests[v] {
			sum[i] = own[i]
		}
		least[i] = math.Inf(1)
		if stands(v) {
			least[i] = -sum[i]
		}
		locked = locked || lock.stands(v)
	}
	x.spread(ctx, cost, least, nil)
	for i := range least {
		least[i] = max(0, -least[i])
	}
	if locked {
		x.giveWayToLocks(ctx, cost, stands, sum, least)
	}
	for i, v := range members {
		if free[v] {
			sum[i] = max(sum[i], least[i])
		}
	}
	// From above, from everything.
	x.spread(ctx, cost, sum, least)
}

// giveWayToLocks changes the least that the free may have of a joint's sum where rows
// are locked. What is locked stands too, but may ask for more than can be: then what
// holds the cloth elsewhere keeps its own, and the cloth gives way at the lock, over the
// blend.
func (x *subtrees) giveWayToLocks(ctx context.Context, cost func(v, u int32) float64, stands func(v int32) bool, sum, least []float64) {
	lock := x.g.lock
	from := func(source func(v int32) bool, sign float64) []float64 {
		value := make([]float64, len(x.members))
		for i, v := range x.members {
			value[i] = math.Inf(1)
			if source(v) {
				value[i] = sign * sum[i]
			}
		}
		x.spread(ctx, cost, value, nil)
		return value
	}
	most, below, above := from(stands, 1), from(lock.stands, -1), from(lock.stands, 1)
	for i, v := range x.members {
		far, want := lock.far(int(v)), max(0, -below[i])
		if want > most[i] {
			want = most[i] + (1-far)*(want-most[i])
		}
		if least[i] > above[i] {
			least[i] = above[i] + far*(least[i]-above[i])
		}
		least[i] = max(least[i], want)
	}
}
