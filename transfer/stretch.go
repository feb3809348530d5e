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
	"github.com/selvage/selvage/transfer/skinning"
	"github.com/selvage/selvage/transfer/weights"
	"gonum.org/v1/gonum/spatial/r3"
)

// maxStretch is the default of Options.LooseStretch.
const maxStretch = 1.5

// restSlack is the share of the slack that garments with regions that hold themselves
// get: where several children of a joint want more than it has, sharing adds to the
// slope (measured on the capes: up to 1.64 with all of it, 1.51 with 0.9).
const restSlack = 0.88

const (
	// tornStretch is by how much an edge may pass the limit on stretch before its region is
	// torn.
	tornStretch = 1.02
	// holdTries is how often regions with such an edge are held closer.
	holdTries = 5
)

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

// judged is what is said of the rows so far.
type judged struct {
	expected []float64
	reason   []Reason
	notes    []string
}

func (t *trusted) judged() judged {
	return judged{slices.Clone(t.expected), slices.Clone(t.reason), slices.Clone(t.notes)}
}

// restore takes back what was said since.
func (t *trusted) restore(j judged) {
	copy(t.expected, j.expected)
	copy(t.reason, j.reason)
	t.notes = slices.Clone(j.notes)
}

// note adds a sentence about the garment.
func (t *trusted) note(format string, values ...any) {
	t.notes = append(t.notes, fmt.Sprintf(format, values...))
}

// limitStretch returns rows that keep edges of loose cloth (t.free) from growing by more
// than slack of their length, as far as the rows of what is not free let it, and adds to
// what is expected of the rows that it changes. O(j n log n) for j joints in those rows.
func limitStretch(ctx context.Context, s *Source, g *target, t *trusted, rows *weights.Rows, slack float64, opt *Options) (*weights.Rows, error) {
	x, err := newSubtrees(ctx, s, g, t.free, rows, nil)
	if err != nil || x == nil {
		return rows, err
	}
	if err := x.change(ctx, opt.Threads, func(j int) { x.boundSlope(ctx, j, t.rests, slack) }); err != nil {
		return nil, err
	}
	return x.rows(ctx, t, rows, g.joints(s))
}

// holdLoose is limitStretch for all loose cloth. Regions that hold themselves
// (restsOn) keep what rests as it is, which may bring in joints anew: there chains
// are thinned again, and the limit is set once more, because a joint
// that was merged leaves the sums of those above it to its children, whose levers
// are shorter. So, too, where an edge is longer than the limit with the influences
// that a result may have.
func holdLoose(ctx context.Context, s *Source, g *target, t *trusted, rows *weights.Rows, opt *Options) (*weights.Rows, error) {
	rows, err := g.lock.fadeJoints(ctx, s, t, rows)
	if err != nil {
		return nil, err
	}
	slack := opt.LooseStretch - 1
	if rows, err = limitStretch(ctx, s, g, t, rows, slack, opt); err != nil || t.free == nil {
		return rows, err
	}
	if slices.Contains(t.rests, true) {
		resting := make([]bool, t.regions)
		for v, r := range t.region {
			if t.rests[v] {
				resting[r] = true
			}
		}
		if rows, err = thinFree(ctx, s, g, t, resting, rows, opt.looseInfluences(s)); err != nil {
			return nil, err
		}
		if rows, err = limitStretch(ctx, s, g, t, rows, slack, opt); err != nil {
			return nil, err
		}
	}
	if opt.mayLift(s) {
		return rows, nil // lift.go limits the influences
	}
	return holdInfluences(ctx, s, g, t, rows, opt)
}

// holdInfluences returns rows that keep to the limit on stretch with the influences that
// a result may have, too: where their limit cuts, neighbours may lose different joints.
func holdInfluences(ctx context.Context, s *Source, g *target, t *trusted, rows *weights.Rows, opt *Options) (*weights.Rows, error) {
	slack := opt.LooseStretch - 1
	for range holdTries {
		limited := keepAllowed(rows, largest(rows, opt.MaxInfluences), t.free, g.joints(s))
		longest, err := longestEdges(ctx, s, g, t, nil, limited, opt)
		if err != nil {
			return nil, err
		}
		torn := make([]bool, t.regions)
		for r := range torn {
			torn[r] = longest[r] > tornStretch*opt.LooseStretch
		}
		// Locked rows keep their joints: merged elsewhere, they would differ more.
		for v, r := range t.region {
			if r >= 0 && g.lock.stands(int32(v)) {
				torn[r] = false
			}
		}
		if !slices.Contains(torn, true) {
			break
		}
		slack *= restSlack
		if rows, err = thinFree(ctx, s, g, t, torn, rows, opt.MaxInfluences); err != nil {
			return nil, err
		}
		if rows, err = limitStretch(ctx, s, g, t, rows, slack, opt); err != nil {
			return nil, err
		}
	}
	return rows, nil
}

// thinFree is thinChains of what is free in some regions, all over each region alike: as far
// as each vertex hangs, neighbours would differ again.
func thinFree(ctx context.Context, s *Source, g *target, t *trusted, which []bool, rows *weights.Rows, most int) (*weights.Rows, error) {
	region, all := slices.Clone(t.region), make([]float64, len(t.region))
	for v, r := range region {
		if r < 0 || !which[r] {
			region[v] = -1
		} else if t.free[v] {
			all[v] = 1
		}
	}
	return thinChains(ctx, s, g, all, region, t.regions, rows, most)
}

// longestEdges returns, by loose region, how many times as long the longest edge that is
// free at one end becomes in a quarter turn of one joint; 0 where the bound on slopes
// shows that none passes the limit. Edges that rows before make as long do not count; nil
// for none such. O(j n) for j joints in rows.
func longestEdges(ctx context.Context, s *Source, g *target, t *trusted, before, rows *weights.Rows, opt *Options) ([]float64, error) {
	out := make([]float64, t.regions)
	is, err := newSubtrees(ctx, s, g, t.free, rows, nil)
	if err != nil || is == nil {
		return out, err
	}
	was := &subtrees{sum: make([][]float64, len(is.sum))}
	if before != nil {
		if was, err = newSubtrees(ctx, s, g, t.free, before, nil); err != nil {
			return nil, err
		}
	}
	found := make([][]float64, len(is.sum))
	each := func(j int) {
		sum, then := is.sum[j], was.sum[j]
		if sum == nil {
			return
		}
		worst := make([]float64, t.regions)
		cost, quarters := is.slope(j, opt.LooseStretch-1), is.quarterTurns(s.body.Skin.Joints, j)
		for i, v := range is.members {
			if ended(ctx, i) {
				return
			}
			r := t.region[v]
			if !t.free[v] || r < 0 {
				continue
			}
			for _, u := range g.adjacency.Neighbours(int(v)) {
				k := is.index[u]
				if k < 0 || math.Abs(sum[i]-sum[k]) <= cost(v, u) {
					continue
				}
				// The slope's bound is for the worst direction: now the edge itself.
				p, q := g.position[v], g.position[u]
				rest := math.Sqrt(r3.Norm2(r3.Sub(p, q)))
				ratio := longest(quarters, p, q, sum[i], sum[k]) / rest
				if ratio <= worst[r] {
					continue
				}
				if before != nil {
					a, b := 0., 0.
					if then != nil {
						a, b = then[i], then[k]
					}
					if ratio <= tornStretch*longest(quarters, p, q, a, b)/rest {
						continue
					}
				}
				worst[r] = ratio
			}
		}
		found[j] = worst
	}
	if err := forkjoin.Each(ctx, len(found), opt.Threads, func() func(int) { return each }); err != nil {
		return nil, fmt.Errorf("garment %q: loose cloth: %w", g.garment.Name, err)
	}
	for _, worst := range found {
		for r, x := range worst {
			out[r] = max(out[r], x)
		}
	}
	return out, ctx.Err()
}

// quarterTurns are the ways of points in the quarter turns of a used joint, and of the
// unused ones above it, which turn what it turns.
func (x *subtrees) quarterTurns(joints []skinning.Joint, j int) []skinning.Affine {
	var out []skinning.Affine
	for k, steps := j, 0; k >= 0 && (k == j || !x.used[k]) && steps <= len(joints); k, steps = joints[k].Parent, steps+1 {
		out = append(out, posesAbout(joints[k].Global.M, joints[k].Global.T, []float64{-90, 90}, nil)...)
	}
	return out
}

// longest is how long the edge from p to q becomes in any of the poses, whose ends go
// along with the shares a and b.
func longest(ways []skinning.Affine, p, q r3.Vec, a, b float64) float64 {
	most := 0.0
	for k := range ways {
		most = max(most, r3.Norm2(r3.Sub(r3.Add(p, r3.Scale(a, ways[k].Apply(p))), r3.Add(q, r3.Scale(b, ways[k].Apply(q))))))
	}
	return math.Sqrt(most)
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
