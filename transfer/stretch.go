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
// the bound is kept from there from below as well.

import (
	"context"
	"fmt"
	"math"

	"github.com/selvage/selvage/transfer/forkjoin"
	"github.com/selvage/selvage/transfer/weights"
	"gonum.org/v1/gonum/spatial/r3"
)

// maxStretch is how long an edge of loose cloth may become in a quarter turn of one
// joint, as a multiple of its length.
const maxStretch = 1.5

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
	used := make([]bool, len(joints))
	for i, v := range members {
		if ended(ctx, i) {
			return nil, ctx.Err()
		}
		joint, _ := rows.Row(int(v))
		for _, j := range joint {
			for k, steps := int(j), 0; k >= 0 && steps <= len(joints); k, steps = joints[k].Parent, steps+1 {
				used[k] = true
			}
		}
	}
	subtree := make([][]float64, len(joints))
	var list []int
	for j := range joints {
		if used[j] {
			list = append(list, j)
			subtree[j] = make([]float64, len(members))
		}
	}
	for i, v := range members {
		if ended(ctx, i) {
			return nil, ctx.Err()
		}
		joint, weight := rows.Row(int(v))
		for k, j := range joint {
			for a, steps := int(j), 0; a >= 0 && steps <= len(joints); a, steps = joints[a].Parent, steps+1 {
				subtree[a][i] += weight[k]
			}
		}
	}
	bound := func(i int) {
		boundSlope(ctx, g, members, index, free, joints[list[i]].Global.T, subtree[list[i]])
	}
	if err := forkjoin.Each(ctx, len(list), opt.Threads, func() func(int) { return bound }); err != nil {
		return nil, fmt.Errorf("garment %q: stretch of loose cloth: %w", g.garment.Name, err)
	}

	// Back to rows: a joint keeps of its subtree's sum what its children leave. Where
	// they want more than there is, they share it.
	children := make([][]int, len(joints))
	var roots []int
	for _, j := range list {
		if p := joints[j].Parent; p >= 0 {
			children[p] = append(children[p], j)
		} else {
			roots = append(roots, j)
		}
	}
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

// boundSlope bounds sum, by member, in place for the joint at origin; what is not
// free stands as it is. It ends early, with sum unfinished, when ctx is done.
func boundSlope(ctx context.Context, g *target, members, index []int32, free []bool, origin r3.Vec, sum []float64) {
	cost := func(v, u int32) float64 {
		p, q := g.position[v], g.position[u]
		lever := math.Sqrt2 * max(r3.Norm(r3.Sub(p, origin)), r3.Norm(r3.Sub(q, origin)))
		return (maxStretch - 1) * r3.Norm(r3.Sub(p, q)) / max(lever, 1e-300)
	}
	// From below, only from what stands: the least that the free may have.
	least := make([]float64, len(members))
	var queue distanceQueue
	for i, v := range members {
		if ended(ctx, i) {
			return
		}
		if !free[v] && sum[i] > 0 {
			least[i] = sum[i]
			queue.push(-sum[i], v)
		}
	}
	for steps := 0; queue.len() > 0; steps++ {
		if steps%(8*blockSize) == 0 && ctx.Err() != nil {
			return
		}
		d, v := queue.pop()
		if -d < least[index[v]] {
			continue
		}
		for _, u := range g.adjacency.Neighbours(int(v)) {
			if i := index[u]; i >= 0 && free[u] {
				if to := -d - cost(v, u); to > least[i] {
					least[i] = to
					queue.push(-to, u)
				}
			}
		}
	}
	// From above, from everything.
	for i, v := range members {
		if ended(ctx, i) {
			return
		}
		if free[v] {
			sum[i] = max(sum[i], least[i])
		}
		queue.push(sum[i], v)
	}
	for steps := 0; queue.len() > 0; steps++ {
		if steps%(8*blockSize) == 0 && ctx.Err() != nil {
			return
		}
		d, v := queue.pop()
		if d > sum[index[v]] {
			continue
		}
		for _, u := range g.adjacency.Neighbours(int(v)) {
			if i := index[u]; i >= 0 && free[u] {
				if to := max(d+cost(v, u), least[i]); to < sum[i] {
					sum[i] = to
					queue.push(to, u)
				}
			}
		}
	}
}
