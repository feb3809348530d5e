package transfer

// Lift: over layers, unless the user limits its stretch, hanging cloth follows what is
// beneath it as far as it must, and stays a sheet.
//
//	clamp    the sums go into the intervals that keep the cloth above (above.go): first
//	         as far as a moderate stretch lets them, then further where that was not
//	         enough. Joints that only what lies below follows are taken in.
//	smooth   a screened Laplace solve over a centimetre takes off the kinks that a
//	         clamp leaves.
//	patches  up to here a row may have more influences than a result. Cut vertex by
//	         vertex, the sheet would tear: where two joints change places among the
//	         largest, the weight that goes is that of joints that turn about far-off
//	         points. So each vertex is allowed the joints that have most weight
//	         around it, in rows smoothed over a hand's breadth: each joint has one broad
//	         patch of the cloth.
//	fade     towards the border of its patch, a joint's weight goes by degrees to the
//	         joints above it.

import (
	"cmp"
	"context"
	"fmt"
	"math"
	"slices"
	"sync/atomic"

	"github.com/selvage/selvage/transfer/forkjoin"
	"github.com/selvage/selvage/transfer/laplacian"
	"github.com/selvage/selvage/transfer/weights"
	"gonum.org/v1/gonum/spatial/r3"
)

const (
	// liftLeast is the least limit of influences that joints can have patches with, beside
	// each other and those above them.
	liftLeast = 4
	// liftLimit is the least limit on stretch with which it is tried.
	liftLimit = 3
	// liftInfluences is how many joints a row may have before the patches, at least.
	liftInfluences = 8
	// liftReach, liftAside and liftDepth are the clearance (clearance): everything within
	// 6 cm of a grown figure, beside borders, too, and a centimetre above, where the row of
	// what is below keeps that: room for what smoothing takes back.
	liftReach = 0.034
	liftAside = 0.25
	liftDepth = -0.003
	// Lengths, as shares of the body's size: of the smoothing after a clamp, of the one
	// that shows the patches, of a joint's way out of its patch, and of the smoothing
	// of what that leaves.
	liftSmooth = 0.004
	liftPatch  = 0.05
	liftFade   = 0.083
	liftRest   = 0.003
)

var (
	// liftStretch is how long the clamps let edges become where nothing limits them.
	liftStretch = []float64{2, 2}
	// liftParts are the parts of a limit on stretch, less one, that are tried for the
	// clamps: what comes after them adds to it.
	liftParts = []float64{1, 0.8, 0.6, 0.4}
)

// mayLift reports whether rows over a source may be lifted: over layers, with influences
// enough for a joint's weight to go over to others by degrees, and with no narrow limit on
// stretch.
func (o *Options) mayLift(s *Source) bool {
	return s.worn != nil && o.MaxInfluences >= liftLeast && (!o.limitsStretch || o.LooseStretch >= liftLimit)
}

// looseInfluences is the number of influences that loose cloth is thinned to before it
// is led above what is worn beneath.
func (o *Options) looseInfluences(s *Source) int {
	if o.mayLift(s) {
		return max(o.MaxInfluences, liftInfluences)
	}
	return o.MaxInfluences
}

// lift returns rows that keep what is free above what is worn beneath it, those of at
// most opt.MaxInfluences influences. Stretches is how long the clamps, one after the other,
// let edges become in a quarter turn.
func lift(ctx context.Context, s *Source, g *target, t *trusted, rows *weights.Rows, stretches []float64, opt *Options) (*weights.Rows, error) {
	op, err := laplacian.NewContext(ctx, g.position, g.welded.Mesh.Triangles, laplacian.NonNegative)
	if err != nil {
		return nil, fmt.Errorf("garment %q: loose cloth: %w", g.garment.Name, err)
	}
	smooth := func(rows *weights.Rows, length float64) (*weights.Rows, error) {
		out, err := smoothFree(ctx, op, t.free, rows, length*s.size, g.joints(s), opt.Threads)
		if err != nil {
			return nil, fmt.Errorf("garment %q: loose cloth: smooth: %w", g.garment.Name, err)
		}
		return out, nil
	}
	c := clearance{reach: liftReach * s.size, aside: liftAside, depth: liftDepth * s.size}
	further, err := jointsBelow(ctx, s, g, t.free, c, opt.Threads)
	if err != nil {
		return nil, err
	}
	for _, stretch := range stretches {
		if rows, err = clampAbove(ctx, s, g, t, rows, further, c, stretch-1, opt.Threads); err != nil {
			return nil, err
		}
		if rows, err = smooth(rows, liftSmooth); err != nil {
			return nil, err
		}
	}
	broad, err := smooth(rows, liftPatch)
	if err != nil {
		return nil, err
	}
	allowed, full := largest(broad, opt.MaxInfluences), rows
	if rows, err = fadeToPatches(ctx, s, g, t.free, rows, allowed, opt.Threads); err != nil {
		return nil, err
	}
	if rows, err = smooth(rows, liftRest); err != nil {
		return nil, err
	}
	rows = keepAllowed(rows, allowed, t.free, g.joints(s))
	t.allowed = allowed
	for v := range t.free {
		if t.free[v] {
			t.gives(v, rows.DistanceL1(v, full, v))
		}
	}
	return rows, ctx.Err()
}

// smoothFree returns the rows smoothed over a length, in metres, where free; the others
// stand. It is one step of implicit heat flow, which keeps rows convex combinations of
// rows (Desbrun et al., "Implicit fairing of irregular meshes using diffusion and curvature
// flow", SIGGRAPH 1999, section 2.2; with edge weights that are not negative).
func smoothFree(ctx context.Context, op *laplacian.Operator, free []bool, rows *weights.Rows, length float64, joints, threads int) (*weights.Rows, error) {
	p := laplacian.Problem{Op: op, Energy: laplacian.Harmonic, DataWeight: make([]float64, len(free))}
	for v := range p.DataWeight {
		p.DataWeight[v] = math.Inf(1)
		if free[v] {
			p.DataWeight[v] = 1 / sq(length)
		}
	}
	solver, err := laplacian.Factor(ctx, p, threads)
	if err != nil {
		return nil, err
	}
	return solver.Solve(ctx, rows, joints, threads)
}

// jointsBelow lists the joints that move what free vertices lie over.
func jointsBelow(ctx context.Context, s *Source, g *target, free []bool, c clearance, threads int) ([]int, error) {
	has := make([]atomic.Bool, len(s.body.Skin.Joints))
	err := parallel(ctx, len(free), threads, func(lo, hi int) {
		below := newFoothold(s, c)
		for v := lo; v < hi; v++ {
			if free[v] && below.stand(g.position[v]) {
				for _, j := range below.joints {
					has[j].Store(true)
				}
			}
		}
	})
	if err != nil {
		return nil, fmt.Errorf("garment %q: loose cloth: %w", g.garment.Name, err)
	}
	var out []int
	for j := range has {
		if has[j].Load() {
			out = append(out, j)
		}
	}
	return out, nil
}

// largest returns the most largest influences of each row, joints ascending; of equal
// ones those of the lower joints.
func largest(rows *weights.Rows, most int) *weights.Rows {
	out := weights.NewRows(rows.Len())
	var order []int
	var joints []uint16
	var values []float64
	for v := range rows.Len() {
		joint, weight := rows.Row(v)
		order = order[:0]
		for i := range joint {
			order = append(order, i)
		}
		slices.SortStableFunc(order, func(a, b int) int { return cmp.Compare(weight[b], weight[a]) })
		order = order[:min(most, len(order))]
		slices.Sort(order)
		joints, values = joints[:0], values[:0]
		for _, i := range order {
			joints, values = append(joints, joint[i]), append(values, weight[i])
		}
		out.Append(joints, values)
	}
	return out
}

// allows reports whether a joint is among those of a row.
func allows(allowed *weights.Rows, v int, joint uint16) bool {
	_, found := slices.BinarySearch(allowed.Joint[allowed.Start[v]:allowed.Start[v+1]], joint)
	return found
}

// keepAllowed takes from free rows what is not of their allowed joints, and normalises
// them.
func keepAllowed(rows, allowed *weights.Rows, free []bool, joints int) *weights.Rows {
	acc, out := weights.NewAccumulator(joints), weights.NewRows(rows.Len())
	for v := range rows.Len() {
		joint, weight := rows.Row(v)
		if free[v] {
			for i, j := range joint {
				if allows(allowed, v, j) {
					acc.Add(j, weight[i])
				}
			}
		}
		if acc.Empty() {
			out.Append(joint, weight)
			continue
		}
		acc.FlushNormalised(out)
	}
	return out
}

// fadeToPatches lets the weight of each joint in free rows go over to the joints above it
// towards the border of the vertices that are allowed it, and beyond. What none above
// may have, the row's other joints share.
func fadeToPatches(ctx context.Context, s *Source, g *target, free []bool, rows, allowed *weights.Rows, threads int) (*weights.Rows, error) {
	keep, err := patches(ctx, s, g, free, allowed, threads)
	if err != nil {
		return nil, err
	}
	skin := s.body.Skin.Joints
	acc, out := weights.NewAccumulator(g.joints(s)), weights.NewRows(rows.Len())
	for v := range rows.Len() {
		if ended(ctx, v) {
			return nil, ctx.Err()
		}
		joint, weight := rows.Row(v)
		if free[v] {
			for i, j := range joint {
				rest := weight[i]
				for a, steps := int(j), 0; a >= 0 && rest > 0 && steps <= len(skin); a, steps = skin[a].Parent, steps+1 {
					if keep[a] == nil {
						continue
					}
					if part := keep[a][v] * rest; part > 0 {
						acc.Add(uint16(a), part)
						rest -= part
					}
				}
			}
		}
		if acc.Empty() {
			out.Append(joint, weight)
			continue
		}
		acc.FlushNormalised(out)
	}
	return out, nil
}

// patches returns, by joint and vertex, 0 where a joint is not allowed, rising with the
// way from there along the edges to 1; nil for a joint that no free vertex is allowed.
// O(j n log n) for j joints.
func patches(ctx context.Context, s *Source, g *target, free []bool, allowed *weights.Rows, threads int) ([][]float64, error) {
	keep := make([][]float64, len(s.body.Skin.Joints))
	any := make([]bool, len(keep))
	for v := range free {
		if free[v] {
			for _, j := range allowed.Joint[allowed.Start[v]:allowed.Start[v+1]] {
				any[j] = true
			}
		}
	}
	length := liftFade * s.size
	each := func(j int) {
		if !any[j] {
			return
		}
		far := make([]float64, len(free))
		var queue distanceQueue
		for v := range far {
			far[v] = length
			if free[v] && !allows(allowed, v, uint16(j)) {
				far[v] = 0
				queue.push(0, int32(v))
			}
		}
		for steps := 0; queue.len() > 0; steps++ {
			if ended(ctx, steps) {
				return
			}
			d, v := queue.pop()
			if d > far[v] {
				continue
			}
			for _, u := range g.adjacency.Neighbours(int(v)) {
				if to := d + math.Sqrt(r3.Norm2(r3.Sub(g.position[u], g.position[v]))); to < far[u] {
					far[u] = to
					queue.push(to, u)
				}
			}
		}
		for v := range far {
			far[v] /= length
		}
		keep[j] = far
	}
	if err := forkjoin.Each(ctx, len(keep), threads, func() func(int) { return each }); err != nil {
		return nil, fmt.Errorf("garment %q: loose cloth: %w", g.garment.Name, err)
	}
	return keep, ctx.Err()
}
