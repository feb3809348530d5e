package transfer

// Loose cloth: skirts, capes, coat tails, scarves. The nearest surface has no
// meaning far from the body, so there the row is not the match's but that of the
// whole body around (surround.go), restricted to the joints that the cloth rests
// on where it starts to hang (its anchors) and to their ancestors: a skirt hangs
// from the hips and thighs and may follow both; a cape hangs from the shoulders
// and does not follow the hand or the shin that happens to be near. What is not
// allowed hands its share to its nearest allowed ancestor. A limb that leaves the
// cloth (the arm beside a cape) is no anchor either, though the cloth may rest
// on its root: a joint counts only where the cloth runs along most of what it
// moves. The fill then smooths all of it over lengths that grow with the distance.

import (
	"context"
	"fmt"
	"math"

	"github.com/selvage/selvage/transfer/closest"
	"github.com/selvage/selvage/transfer/weights"
	"gonum.org/v1/gonum/spatial/r3"
)

// Distances are shares of the body's size (source.go; 2.3 m on a grown figure with its
// arms lowered).
const (
	// Cloth hangs from looseNear on, and wholly beyond looseFar.
	looseNear, looseFar = 0.024, 0.042
	// ... but not nearer than looseGap typical gaps of its island: a thick jacket is
	// thick all over.
	looseGap = 1.4
	// An island that is loose on the whole is trusted only within anchorNear, and
	// hangs wholly beyond anchorFar.
	anchorNear, anchorFar = 0.006, 0.014
	// looseShare is the share of a region's or an island's area beyond looseFar
	// that makes it loose on the whole.
	looseShare = 0.4
	// looseArea is the least area of a loose region, as a share of the squared
	// size: folds and elbows are no coat tails.
	looseArea = 0.008
	// anchorBand is how far along the cloth its anchors reach from where it starts
	// to hang.
	anchorBand = 0.04
	// restShare is the share of a region that holds the rest, where nothing that fits
	// does.
	restShare = 0.1
	// giveBand is how far above cloth that spans the rows may give way.
	giveBand = 0.08
	// alongDistance is how near the cloth must run to a limb to run along it. From
	// alongSome on, up to alongMost, of the limb's own surface, the limb counts.
	alongDistance, alongSome, alongMost = 0.035, 0.4, 0.6
	// A joint is allowed, more and more, from anchorSome to anchorMost of the anchors'
	// weight on.
	anchorSome, anchorMost = 0.12, 0.18
	// From soleSome to soleMost of the anchors' weight on, a joint allows no other.
	soleSome, soleMost = 0.87, 0.93
)

// looseness returns for each vertex how far it hangs rather than fits, 0 to 1, and
// the loose region it belongs to, -1 for none. Regions are numbered from 0.
func looseness(ctx context.Context, s *Source, g *target, c *candidates, rigid, span []bool, opt *Options) (hang []float64, region []int32, regions int, err error) {
	n := len(g.position)
	hang, region = make([]float64, n), make([]int32, n)
	for v := range region {
		region[v] = -1
	}
	if opt.Loose == Off && len(opt.LooseNames) == 0 {
		return hang, region, 0, nil
	}
	named := g.namedVertices(opt.LooseNames)
	isNamed := func(v int32) bool { return named != nil && named[v] }

	steps := 0
	done := func() bool {
		steps++
		return ended(ctx, steps)
	}
	// Islands that are loose on the whole.
	whole := make([]bool, g.islands.Count)
	for i := range whole {
		if rigid[i] {
			continue
		}
		far, total := 0.0, 0.0
		for _, v := range g.islands.Members(i) {
			if done() {
				return nil, nil, 0, ctx.Err()
			}
			total += g.area[v]
			if c.near[v] > 0.03*s.size && opt.Loose != Off {
				far += g.area[v]
			}
			whole[i] = whole[i] || isNamed(v)
		}
		whole[i] = whole[i] || far > looseShare*total
	}

	// Regions: connected, beyond the distance from which cloth hangs.
	start := func(v int32) float64 {
		if whole[g.islands.Island[v]] {
			return anchorNear * s.size
		}
		return max(looseNear*s.size, looseGap*c.gap[v])
	}
	hangs := func(v int32) bool { return c.near[v] > start(v) || span[v] }
	seen := make([]bool, n)
	for v := int32(0); v < int32(n); v++ {
		if done() {
			return nil, nil, 0, ctx.Err()
		}
		i := g.islands.Island[v]
		if seen[v] || rigid[i] || !hangs(v) || !whole[i] && opt.Loose == Off {
			continue
		}
		seen[v] = true
		members := []int32{v}
		far, total := 0.0, 0.0
		for k := 0; k < len(members); k++ {
			if done() {
				return nil, nil, 0, ctx.Err()
			}
			w := members[k]
			total += g.area[w]
			if c.near[w] > 1.3*start(w) || span[w] {
				far += g.area[w]
			}
			for _, u := range g.adjacency.Neighbours(int(w)) {
				if !seen[u] && hangs(u) {
					seen[u] = true
					members = append(members, u)
				}
			}
		}
		if !whole[i] && (far <= looseShare*total || total < looseArea*sq(s.size)) {
			continue
		}
		lo, hi := looseNear, looseFar
		if whole[i] {
			lo, hi = anchorNear, anchorFar
		}
		for _, w := range members {
			if done() {
				return nil, nil, 0, ctx.Err()
			}
			region[w] = int32(regions)
			from := start(w)
			hang[w] = smoothstep(from, from*hi/lo, c.near[w])
		}
		regions++
	}
	if err := hangSpanning(ctx, s, g, span, region, hang); err != nil {
		return nil, nil, 0, err
	}
	// What rests on the body belongs to the region that hangs from it, where the
	// island is loose on the whole.
	for i, w := range whole {
		if !w {
			continue
		}
		first := int32(-1)
		for _, v := range g.islands.Members(i) {
			if region[v] >= 0 {
				first = region[v]
				break
			}
		}
		for _, v := range g.islands.Members(i) {
			if region[v] < 0 {
				region[v] = first
			}
		}
	}
	return hang, region, regions, nil
}

// hangSpanning lets the cloth that spans hang more and more, from where it begins
// down to anchorBand along it.
func hangSpanning(ctx context.Context, s *Source, g *target, span []bool, region []int32, hang []float64) error {
	var queue distanceQueue
	dist := make([]float64, len(span))
	for v := range span {
		if ended(ctx, v) {
			return ctx.Err()
		}
		dist[v] = math.Inf(1)
		if !span[v] || region[v] < 0 {
			continue
		}
		for _, u := range g.adjacency.Neighbours(v) {
			if region[u] < 0 {
				dist[v] = min(dist[v], r3.Norm(r3.Sub(g.position[u], g.position[v])))
			}
		}
		if !math.IsInf(dist[v], 1) {
			queue.push(dist[v], int32(v))
		}
	}
	reach := anchorBand * s.size
	for steps := 0; queue.len() > 0; steps++ {
		if ended(ctx, steps) {
			return ctx.Err()
		}
		d, v := queue.pop()
		if d > dist[v] {
			continue
		}
		for _, u := range g.adjacency.Neighbours(int(v)) {
			if region[u] != region[v] {
				continue
			}
			if to := d + r3.Norm(r3.Sub(g.position[u], g.position[v])); to < dist[u] && to < reach {
				dist[u] = to
				queue.push(to, u)
			}
		}
	}
	for v := range span {
		if span[v] && region[v] >= 0 {
			hang[v] = max(hang[v], smoothstep(0, reach, dist[v]))
		}
	}
	return ctx.Err()
}

// restsOn reports which of the free hold the rest of their region: where nothing
// that fits does (a cape over a coat hangs from nothing that lies close), the tenth
// of it that is nearest to the body.
func restsOn(ctx context.Context, g *target, c *candidates, free []bool, region []int32, regions int) ([]bool, error) {
	// Held are the regions joined by free cloth to cloth that is not.
	held := make([]bool, regions)
	seen := make([]bool, len(free))
	var queue []int32
	for v := range free {
		if !free[v] {
			queue = append(queue, int32(v))
		}
	}
	for k := 0; k < len(queue); k++ {
		if ended(ctx, k) {
			return nil, ctx.Err()
		}
		for _, u := range g.adjacency.Neighbours(int(queue[k])) {
			if free[u] && !seen[u] {
				seen[u] = true
				queue = append(queue, u)
				if region[u] >= 0 {
					held[region[u]] = true
				}
			}
		}
	}
	near := make([][]float64, regions)
	for v, r := range region {
		if r >= 0 && free[v] && !held[r] {
			near[r] = append(near[r], c.rest[v])
		}
	}
	limit := make([]float64, regions)
	for r := range limit {
		limit[r] = quantileOf(near[r], restShare)
	}
	rests := make([]bool, len(region))
	for v, r := range region {
		rests[v] = r >= 0 && free[v] && !held[r] && c.rest[v] <= limit[r]
	}
	return rests, ctx.Err()
}

// givesWay reports whose rows may be changed where the cloth would tear: what hangs,
// and above what spans also the cloth that leads there, out to giveBand along it.
func givesWay(ctx context.Context, s *Source, g *target, span []bool, region []int32, hang []float64) ([]bool, error) {
	from := make([]bool, len(hang))
	for v := range from {
		from[v] = span[v] && region[v] >= 0
	}
	dist, err := g.distances(ctx, from, giveBand*s.size)
	if err != nil {
		return nil, err
	}
	free := make([]bool, len(hang))
	for v := range free {
		free[v] = hang[v] > 0 || !math.IsInf(dist[v], 1)
	}
	return free, ctx.Err()
}

// smoothstep is 0 below lo, 1 above hi, and 3t^2-2t^3 between.
func smoothstep(lo, hi, x float64) float64 {
	t := min(max((x-lo)/(hi-lo), 0), 1)
	return t * t * (3 - 2*t)
}

// loosen mixes the surround's row into the rows of loose cloth, as far as each
// vertex hangs, and says what it expects of them.
func loosen(ctx context.Context, s *Source, g *target, c *candidates, rigid []bool, t *trusted, opt *Options) error {
	span, spanned := make([]bool, len(g.position)), make([]bool, len(s.body.Skin.Joints))
	if opt.Loose != Off {
		var err error
		if span, spanned, err = spanning(ctx, s, g, rigid, t, opt.Threads); err != nil {
			return fmt.Errorf("garment %q: loose cloth: %w", g.garment.Name, err)
		}
	}
	hang, region, regions, err := looseness(ctx, s, g, c, rigid, span, opt)
	if err != nil {
		return fmt.Errorf("garment %q: loose cloth: %w", g.garment.Name, err)
	}
	t.hang = hang
	if regions == 0 {
		return nil
	}
	if t.free, err = givesWay(ctx, s, g, span, region, hang); err != nil {
		return fmt.Errorf("garment %q: loose cloth: %w", g.garment.Name, err)
	}
	t.region, t.regions = region, regions
	if t.rests, err = restsOn(ctx, g, c, t.free, region, regions); err != nil {
		return fmt.Errorf("garment %q: loose cloth: %w", g.garment.Name, err)
	}
	g.lock.stand(t.free)
	allowed, err := allowedJoints(ctx, s, g, c, hang, region, regions, span, spanned, t, opt.Threads)
	if err != nil {
		return fmt.Errorf("garment %q: loose cloth: %w", g.garment.Name, err)
	}
	hang = c.resting(s, hang)
	t.hang = hang
	h, err := newSurround(ctx, s.alone())
	if err != nil {
		return fmt.Errorf("garment %q: loose cloth: %w", g.garment.Name, err)
	}
	n := len(g.position)
	blocks := make([]*weights.Rows, blocksOf(n))
	err = parallel(ctx, n, opt.Threads, func(lo, hi int) {
		sum := weights.NewAccumulator(len(s.body.Skin.Joints))
		acc := weights.NewAccumulator(len(s.body.Skin.Joints))
		around := weights.NewRows(1)
		rows := weights.NewRows(hi - lo)
		for v := lo; v < hi; v++ {
			if region[v] < 0 {
				rows.Append(t.rows.Row(v))
				continue
			}
			to := allowed[region[v]]
			// The match's row as far as the cloth fits, whatever its joints: handing them
			// over at once where a region starts would tear it off there.
			joint, weight := t.rows.Row(v)
			give := acc.Add
			if s.worn != nil && t.free[v] {
				// What rests on a layer holds the sheet: it takes of the layer's row what
				// the sheet may follow.
				give = func(j uint16, w float64) { to.give(acc, j, w) }
			}
			for i, j := range joint {
				give(j, (1-hang[v])*weight[i])
			}
			if hang[v] > 0 {
				h.add(sum, g.position[v], r3.Scale(float64(t.match[v].sign), g.normal[v]))
				if sum.Empty() {
					h.add(sum, g.position[v], r3.Vec{})
				}
				around.Start, around.Joint, around.Weight = around.Start[:1], around.Joint[:0], around.Weight[:0]
				sum.FlushNormalised(around)
				joint, weight = around.Row(0)
				for i, j := range joint {
					to.give(acc, j, hang[v]*weight[i])
				}
			}
			if acc.Empty() {
				acc.AddRow(t.rows, v, 1)
			}
			acc.FlushNormalised(rows)
			if hang[v] == 0 {
				continue
			}
			t.evidence[v].hang = hang[v]
			t.doubt[v] = min(2, (1-hang[v])*t.doubt[v]+hang[v]*max(0.35, min(0.8, 0.2+c.near[v]/(0.1*s.size))))
			t.reason[v] |= ReasonFilled
		}
		blocks[lo/blockSize] = rows
	})
	if err != nil {
		return fmt.Errorf("garment %q: loose cloth: %w", g.garment.Name, err)
	}
	rows, err := weights.ConcatContext(ctx, blocks...)
	if err != nil {
		return fmt.Errorf("garment %q: loose cloth: %w", g.garment.Name, err)
	}
	if t.rows, err = thinChains(ctx, s, g, hang, region, regions, rows, opt.looseInfluences(s)); err != nil {
		return fmt.Errorf("garment %q: loose cloth: %w", g.garment.Name, err)
	}
	return nil
}

// allowedJoints returns for each region what becomes of each joint's weight: as far
// as a joint is not allowed, its ancestors take it.
func allowedJoints(ctx context.Context, s *Source, g *target, c *candidates, hang []float64, region []int32, regions int, span, spanned []bool, t *trusted, threads int) ([]handover, error) {
	joints := s.body.Skin.Joints
	along, err := s.runsAlong(ctx, g, threads)
	if err != nil {
		return nil, err
	}
	mass := make([][]float64, regions)
	for r := range mass {
		mass[r] = make([]float64, len(joints))
	}
	// Anchors: the cloth around a region, out to anchorBand along its edges. Where
	// there is none (it hangs free all around), the tenth of it that is nearest.
	reach := anchorBand * s.size
	dist := make([]float64, len(region))
	for r := 0; r < regions; r++ {
		if ctx.Err() != nil {
			return nil, ctx.Err()
		}
		for v := range dist {
			dist[v] = math.Inf(1)
		}
		var queue []int32
		for v, q := range region {
			if q == int32(r) && hang[v] > 0.5 {
				dist[v] = 0
				queue = append(queue, int32(v))
			}
		}
		inside := len(queue)
		members := queue[:inside:inside]
		for k := 0; k < len(queue); k++ { // breadth first: near enough to the shortest way
			if ended(ctx, k) {
				return nil, ctx.Err()
			}
			v := queue[k]
			for _, u := range g.adjacency.Neighbours(int(v)) {
				d := dist[v] + r3.Norm(r3.Sub(g.position[u], g.position[v]))
				if d < reach && math.IsInf(dist[u], 1) {
					dist[u] = d
					queue = append(queue, u)
				}
			}
		}
		add := func(v int32) {
			joint, weight := t.rows.Row(int(v))
			for i, j := range joint {
				mass[r][j] += weight[i] * g.area[v]
			}
		}
		any := false
		for v := range dist {
			if ended(ctx, v) {
				return nil, ctx.Err()
			}
			if d := dist[v]; d > 0 && d < reach {
				add(int32(v))
				any = true
			}
		}
		if !any {
			near := make([]float64, len(members))
			for i, v := range members {
				near[i] = c.near[v]
			}
			limit := quantileOf(near, 0.1)
			for _, v := range members {
				if c.near[v] <= limit {
					add(v)
				}
			}
		}
	}
	spans := make([]bool, regions)
	for v, r := range region {
		if r >= 0 && span[v] {
			spans[r] = true
		}
	}
	out := make([]handover, regions)
	for r := range out {
		total := 0.0
		for _, m := range mass[r] {
			total += m
		}
		// All by degrees: a small change of the body must not change a whole sheet.
		keep := make([]float64, len(joints))
		sole, most := -1, 0.0
		for j, m := range mass[r] {
			allow := 0.0
			if total > 0 {
				allow = smoothstep(anchorSome, anchorMost, m/total) * smoothstep(alongSome, alongMost, along[j])
				// What hangs from one joint alone (the brim of a hat) follows it alone.
				if x := smoothstep(soleSome, soleMost, m/total); x > most && !spans[r] {
					sole, most = j, x
				}
			}
			// Limbs that it spans, as far as it hangs from where they begin.
			if p := joints[j].Parent; p >= 0 && spans[r] && spanned[j] && total > 0 {
				allow = max(allow, smoothstep(anchorSome, anchorMost, (m+mass[r][p])/total))
			}
			for k, steps := j, 0; k >= 0 && allow > 0 && steps <= len(joints); k, steps = joints[k].Parent, steps+1 {
				keep[k] = max(keep[k], allow)
			}
		}
		for j := range keep {
			keep[j] *= 1 - most
			if j == sole {
				keep[j] += most
			}
		}
		out[r] = handUp(s, keep)
	}
	return out, nil
}

// runsAlong returns for each joint along how much of the body surface that the joint
// dominates the garment runs, 0 to 1. All triangles are looked at: a sample of a
// mirror-symmetric body has no symmetry.
func (s *Source) runsAlong(ctx context.Context, g *target, threads int) ([]float64, error) {
	s = s.alone()
	tree, err := closest.NewTree(ctx, g.position, g.welded.Mesh.Triangles, threads)
	if err != nil {
		return nil, err
	}
	p := s.body.Mesh.Positions
	reached := make([]bool, len(s.triangle))
	err = parallel(ctx, len(reached), threads, func(lo, hi int) {
		for t := lo; t < hi; t++ {
			tri := s.triangle[t]
			middle := r3.Scale(1./3, r3.Add(r3.Add(p[tri[0]], p[tri[1]]), p[tri[2]]))
			reached[t] = tree.NearestWithin(middle, sq(alongDistance*s.size)).Triangle >= 0
		}
	})
	if err != nil {
		return nil, err
	}
	n := len(s.body.Skin.Joints)
	near, total := make([]float64, n), make([]float64, n)
	weight := make([]float64, n)
	var held []uint16
	for t, tri := range s.triangle {
		if ended(ctx, t) {
			return nil, ctx.Err()
		}
		held = held[:0]
		most := 0.0
		for _, v := range tri {
			joint, w := s.body.Rows.Row(int(v))
			for i, j := range joint {
				if weight[j] == 0 {
					held = append(held, j)
				}
				weight[j] += w[i]
				most = max(most, weight[j])
			}
		}
		area := r3.Norm(r3.Cross(r3.Sub(p[tri[1]], p[tri[0]]), r3.Sub(p[tri[2]], p[tri[0]])))
		for _, j := range held {
			// Where two hold as much, on the body's plane of symmetry, both dominate.
			if weight[j] >= most*(1-1e-6) {
				total[j] += area
				if reached[t] {
					near[j] += area
				}
			}
			weight[j] = 0
		}
	}
	along := make([]float64, n)
	for j := range along {
		if total[j] > 0 {
			along[j] = near[j] / total[j]
		}
	}
	return along, nil
}

// quantileOf returns the q-quantile of x, which it reorders.
func quantileOf(x []float64, q float64) float64 {
	if len(x) == 0 {
		return 0
	}
	median(x) // sorts
	return x[min(len(x)-1, int(q*float64(len(x))))]
}
