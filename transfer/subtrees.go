package transfer

import (
	"context"
	"fmt"
	"math"

	"github.com/selvage/selvage/transfer/forkjoin"
	"github.com/selvage/selvage/transfer/weights"
	"gonum.org/v1/gonum/spatial/r3"
)

// subtrees are the rows of loose cloth and of what it hangs from as sums over the
// skeleton's subtrees: sum[j][i] is the share of member i that joint j carries along,
// its own and that of all below it. A pose of joint j alone moves a vertex by its sum of
// j, whatever the row is otherwise.
type subtrees struct {
	g       *target
	free    []bool
	members []int32 // vertices, ascending
	index   []int32 // of members by vertex, -1 for none

	used     []bool // joints with weight of their own
	above    []int  // by used joint: the used joint next above, -1 for none
	children [][]int
	// levers are the origins of the used joint and of the unused ones above it: what turns
	// an unused joint turns the used ones below it, so their sums answer for it, too.
	levers [][]r3.Vec
	levels [][]int // used joints, parents first
	sum    [][]float64
}

// newSubtrees takes apart the rows of what is free and of its neighbours, for the joints
// in those rows and further ones; nil where there are none. O(j n) for j joints.
func newSubtrees(ctx context.Context, s *Source, g *target, free []bool, rows *weights.Rows, further []int) (*subtrees, error) {
	joints := s.body.Skin.Joints
	x := &subtrees{
		g: g, free: free, index: make([]int32, len(free)), used: make([]bool, len(joints)), above: make([]int, len(joints)),
		children: make([][]int, len(joints)), levers: make([][]r3.Vec, len(joints)), sum: make([][]float64, len(joints)),
	}
	for v := range free {
		if ended(ctx, v) {
			return nil, ctx.Err()
		}
		x.index[v] = -1
		take := free[v]
		for _, u := range g.adjacency.Neighbours(v) {
			take = take || free[u]
		}
		if take && rows.Start[v+1] > rows.Start[v] {
			x.index[v] = int32(len(x.members))
			x.members = append(x.members, int32(v))
		}
	}
	if len(x.members) == 0 {
		return nil, nil
	}
	for i, v := range x.members {
		if ended(ctx, i) {
			return nil, ctx.Err()
		}
		joint, _ := rows.Row(int(v))
		for _, j := range joint {
			x.used[j] = true
		}
	}
	for _, j := range further {
		x.used[j] = true
	}
	var level []int
	for j := range joints {
		if !x.used[j] {
			continue
		}
		x.sum[j] = make([]float64, len(x.members))
		x.levers[j] = append(x.levers[j], joints[j].Global.T)
		p, steps := joints[j].Parent, 0
		for ; p >= 0 && !x.used[p] && steps <= len(joints); p, steps = joints[p].Parent, steps+1 {
			x.levers[j] = append(x.levers[j], joints[p].Global.T)
		}
		if x.above[j] = p; p >= 0 && x.used[p] {
			x.children[p] = append(x.children[p], j)
		} else {
			x.above[j] = -1
			level = append(level, j)
		}
	}
	for len(level) > 0 {
		x.levels = append(x.levels, level)
		var next []int
		for _, j := range level {
			next = append(next, x.children[j]...)
		}
		level = next
	}
	for i, v := range x.members {
		if ended(ctx, i) {
			return nil, ctx.Err()
		}
		joint, weight := rows.Row(int(v))
		for k, j := range joint {
			for a, steps := int(j), 0; a >= 0 && steps <= len(joints); a, steps = x.above[a], steps+1 {
				x.sum[a][i] += weight[k]
			}
		}
	}
	return x, nil
}

// change calls bound, which changes sum[j], for every used joint, parents first: a
// child has no more than its parent has left, and keeps its own bound below that.
// Joints of one level run on up to threads goroutines.
func (x *subtrees) change(ctx context.Context, threads int, bound func(j int)) error {
	for _, level := range x.levels {
		each := func(i int) {
			j := level[i]
			if p := x.above[j]; p >= 0 {
				for m, v := range x.members {
					if x.free[v] {
						x.sum[j][m] = min(x.sum[j][m], x.sum[p][m])
					}
				}
			}
			bound(j)
		}
		if err := forkjoin.Each(ctx, len(level), threads, func() func(int) { return each }); err != nil {
			return fmt.Errorf("garment %q: loose cloth: %w", x.g.garment.Name, err)
		}
	}
	return ctx.Err()
}

// rows puts the free vertices' rows together again, over joints joints; the others keep
// theirs. A joint keeps of its subtree's sum what its children leave; where they want
// more than there is, they share it. What changes becomes less trusted.
func (x *subtrees) rows(ctx context.Context, t *trusted, rows *weights.Rows, joints int) (*weights.Rows, error) {
	acc := weights.NewAccumulator(joints)
	out := weights.NewRows(rows.Len())
	var give func(j int, have float64, i int32)
	give = func(j int, have float64, i int32) {
		want := 0.0
		for _, c := range x.children[j] {
			want += x.sum[c][i]
		}
		scale := 1.0
		if want > have {
			scale = have / want
		}
		for _, c := range x.children[j] {
			if part := scale * x.sum[c][i]; part > 0 {
				give(c, part, i)
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
		if !x.free[v] || x.index[v] < 0 {
			out.Append(rows.Row(v))
			continue
		}
		for _, j := range x.levels[0] {
			if have := x.sum[j][x.index[v]]; have > 0 {
				give(j, have, x.index[v])
			}
		}
		acc.FlushNormalised(out)
		t.gives(v, out.DistanceL1(v, rows, v))
	}
	return out, nil
}

// slope is the metric in which the sum of a joint may change by 1 per unit: it says
// how much an edge's ends may differ for no quarter turn of the joint to stretch the edge
// by more than slack of its length (stretch.go).
func (x *subtrees) slope(j int, slack float64) func(v, u int32) float64 {
	origins := x.levers[j]
	return func(v, u int32) float64 {
		p, q := x.g.position[v], x.g.position[u]
		lever := 0.0
		for _, o := range origins {
			lever = max(lever, r3.Norm2(r3.Sub(p, o)), r3.Norm2(r3.Sub(q, o)))
		}
		return slack * math.Sqrt(r3.Norm2(r3.Sub(p, q))) / max(math.Sqrt(2*lever), 1e-300)
	}
}

// spread lowers value, by member, to the least of value and of what reaches it over
// free cloth from elsewhere, at the cost of the way, but not below floor (nil: no floor);
// +Inf is no source. It ends early, with value unfinished, when ctx is done.
// O(n log n).
func (x *subtrees) spread(ctx context.Context, cost func(v, u int32) float64, value, floor []float64) {
	var queue distanceQueue
	for i, v := range x.members {
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
		if d > value[x.index[v]] {
			continue
		}
		for _, u := range x.g.adjacency.Neighbours(int(v)) {
			i := x.index[u]
			if i < 0 || !x.free[u] {
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
