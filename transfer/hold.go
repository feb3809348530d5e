package transfer

// Locks: rows and joints that a transfer must not change.
//
// A locked vertex keeps the row that it has, and its surroundings blend to it. What the
// locks change is the difference between the locked rows and those that the fill gives
// there without them, extended over the garment by the fill's own equation: fixed at
// the locked vertices, zero for all other data, whose weights fade in with the distance
// along the garment. At distance s before the end of the blend (LockBlend from the
// nearest locked vertex) a match's smoothing length is at least s. On a strip the
// screened Laplace equation (falloff.go) with that length is s^2 d2x/ds2 = x, Euler's
// equation, whose solution
//
//	x = (locked - given) (s/LockBlend)^p,   p = (1+sqrt 5)/2,
//
// leaves the locked row at once and comes to zero with its slope too. (Boyce and
// DiPrima, "Elementary Differential Equations", section 5.4 of the 9th edition, from
// memory.) Where nothing is matched it is harmonic: the locked rows are data like any.
//
// A locked joint keeps its weight at every vertex, and the row's other joints share
// the rest as the transfer gives them. Both hold bit for bit in the result, whatever
// limit, pruning, allowed joints and joint map say.

import (
	"context"
	"fmt"
	"math"
	"slices"

	"github.com/selvage/selvage/transfer/laplacian"
	"github.com/selvage/selvage/transfer/weights"
	"gonum.org/v1/gonum/spatial/r3"
)

const (
	// lockBlend is the default of Options.LockBlend, as a share of the body's size.
	lockBlend = 0.03
	// lockEdges is the least number of mean edges that it reaches, so that a coarse
	// garment blends too.
	lockEdges = 6
	// heldNearly is the share of a transfer's row on joints that are not locked below
	// which the ancestors of the locked ones come in, more and more, to take what the
	// locked joints leave: so little says nothing any more of who should have it.
	heldNearly = 0.02
	// heldWhole is what may be missing of one in the weights of locked joints that are
	// all of a row: files that other programs wrote are normalised in single precision.
	heldWhole = 1e-5
	// heldOff is how far the sum of a held row may be off one before it is a fault.
	heldOff = 0.01
)

// Held is what of a garment's present rows must not change.
type Held struct {
	// Rows by vertex of the garment's mesh, over the joints of the result. A vertex
	// whose row is empty keeps nothing.
	Rows *weights.Rows
	// Locked vertices keep their row, which must not be empty. Nil: none.
	Locked []bool
	// Joints, by joint of the result, keep their weight at every vertex, also where it
	// is zero. Nil: none.
	Joints []bool
}

// validate checks h against the garment's n vertices and the number of joints.
// Errors of rows are *weights.RowError.
func (h *Held) validate(n, joints int) error {
	switch {
	case h.Rows == nil || h.Rows.Len() != n:
		return fmt.Errorf("held rows are not those of its %d vertices", n)
	case h.Locked != nil && len(h.Locked) != n:
		return fmt.Errorf("%d locks for %d vertices", len(h.Locked), n)
	case h.Joints != nil && len(h.Joints) != joints:
		return fmt.Errorf("%d locks for %d joints", len(h.Joints), joints)
	}
	for v := range n {
		joint, weight := h.Rows.Row(v)
		sum, last := 0.0, -1
		for i, j := range joint {
			if int(j) <= last || int(j) >= joints || !(weight[i] >= 0) || math.IsInf(weight[i], 0) {
				return &weights.RowError{Vertex: v, Reason: fmt.Sprintf("held joint %d of %d, after joint %d, has weight %g", j, joints, last, weight[i])}
			}
			sum, last = sum+weight[i], int(j)
		}
		switch {
		case h.Locked != nil && h.Locked[v] && math.Abs(sum-1) > heldOff:
			return &weights.RowError{Vertex: v, Reason: fmt.Sprintf("the locked row sums to %g, want 1", sum)}
		case sum > 1+heldOff:
			return &weights.RowError{Vertex: v, Reason: fmt.Sprintf("the held row sums to %g, more than 1", sum)}
		}
	}
	return nil
}

// hold is a Held made ready, by welded vertex.
type hold struct {
	*Held
	locked []bool
	any    bool
	// stored are the locked rows as they go to a file: where several vertices of a
	// place are locked, the lowest of their rows, in the order of joints and weights.
	stored *weights.Rows
	// joints is the number of the result's joints: the body's and behind them others,
	// or, where the body's are mapped, those of the garment's own skin or the body's.
	joints int
	mapped *jointMap
	// uses are the joints that locked rows have, where these are the body's.
	uses []bool
	// blend is how far the blend reaches, metres; 0 or less: not at all.
	blend float64
	// distance along the garment's edges from the nearest locked vertex, metres, up to
	// the blend's end; +Inf beyond.
	distance []float64
	// extra are the others' weights after the solve; nil where there are none. late is
	// what locks change of rows whose joints are mapped. A vertex of lead takes those of
	// another one.
	extra, late *weights.Rows
	lead        map[int32]int
}

// newHold makes the garment's locks ready; nil where it has none. g.lock is set.
func newHold(ctx context.Context, s *Source, g *target, mapped *jointMap, opt *Options) (*hold, error) {
	held := g.garment.Held
	if held == nil || !slices.Contains(held.Locked, true) && !slices.Contains(held.Joints, true) {
		return nil, nil
	}
	total := g.joints(s)
	if g.garment.Skin != nil {
		total = len(g.garment.Skin.Joints)
	}
	if err := held.validate(g.garment.Mesh.NumVertices(), total); err != nil {
		return nil, err
	}
	n := len(g.position)
	h := &hold{Held: held, locked: make([]bool, n), stored: weights.NewRows(n), joints: total, mapped: mapped}
	h.uses = make([]bool, h.joints)
	first := make([]int32, n)
	for w := range first {
		first[w] = -1
	}
	for v, yes := range held.Locked {
		if w := g.welded.ToWelded[v]; yes && (first[w] < 0 || lowerRow(held.Rows, v, int(first[w]))) {
			first[w], h.locked[w], h.any = int32(v), true, true
		}
	}
	var err error
	one := weights.NewRows(1)
	for w := range first {
		if ended(ctx, w) {
			return nil, ctx.Err()
		}
		if first[w] < 0 {
			h.stored.Append(nil, nil)
			continue
		}
		joint, weight := held.Rows.Row(int(first[w]))
		if !opt.Format.IsStored(weight) {
			one.Start, one.Joint, one.Weight = one.Start[:1], one.Joint[:0], one.Weight[:0]
			one.Append(joint, weight)
			if one, _, err = weights.Finish(one, weights.FinishOptions{Format: opt.Format, Threads: 1}); err != nil {
				return nil, err
			}
			joint, weight = one.Row(0)
		}
		h.stored.Append(joint, weight)
		for _, j := range joint {
			h.uses[j] = mapped == nil
		}
	}
	if h.blend = opt.LockBlend; h.blend == 0 {
		h.blend = max(lockBlend*s.size, lockEdges*g.edge)
	}
	if h.any && h.blend > 0 {
		h.distance, err = g.distances(ctx, h.locked, h.blend)
	}
	return h, err
}

// lowerRow reports whether row v goes before row u in the order of joints, then
// weights.
func lowerRow(r *weights.Rows, v, u int) bool {
	jv, wv := r.Row(v)
	ju, wu := r.Row(u)
	if c := slices.Compare(jv, ju); c != 0 {
		return c < 0
	}
	return slices.Compare(wv, wu) < 0
}

// distances returns for each welded vertex the length of the shortest way along the
// garment's edges from a vertex of from, +Inf where it is reach metres or more.
// O(n log n).
func (g *target) distances(ctx context.Context, from []bool, reach float64) ([]float64, error) {
	dist := make([]float64, len(from))
	var queue distanceQueue
	for v := range dist {
		dist[v] = math.Inf(1)
		if from[v] {
			dist[v] = 0
			queue.push(0, int32(v))
		}
	}
	for steps := 0; queue.len() > 0; steps++ {
		if ended(ctx, steps) {
			return nil, ctx.Err()
		}
		d, v := queue.pop()
		if d > dist[v] {
			continue
		}
		for _, u := range g.adjacency.Neighbours(int(v)) {
			if to := d + r3.Norm(r3.Sub(g.position[u], g.position[v])); to < dist[u] && to < reach {
				dist[u] = to
				queue.push(to, u)
			}
		}
	}
	return dist, nil
}

// is reports whether welded vertex v is locked.
func (h *hold) is(v int) bool { return h != nil && h.locked[v] }

// first is the first locked vertex of a list, -1 where there is none.
func (h *hold) first(list []int32) int {
	for _, v := range list {
		if h.is(int(v)) {
			return int(v)
		}
	}
	return -1
}

// follow lets all of a list take the others' weights of vertex to.
func (h *hold) follow(list []int32, to int) {
	if h.lead == nil {
		h.lead = map[int32]int{}
	}
	for _, v := range list {
		h.lead[v] = to
	}
}

// length is the smoothing length of vertex v, at least what the blend asks for.
func (h *hold) length(v int, length float64) float64 {
	if h == nil || h.distance == nil || math.IsInf(h.distance[v], 1) {
		return length
	}
	return max(length, h.blend-h.distance[v])
}

// far is 0 at locked vertices and 1 from the end of the blend on.
func (h *hold) far(v int) float64 {
	if h == nil || !h.any {
		return 1
	}
	if h.locked[v] {
		return 0
	}
	if h.distance == nil || math.IsInf(h.distance[v], 1) {
		return 1
	}
	return smoothstep(0, h.blend, h.distance[v])
}

// merges is the share of joint j that vertex v may hand to another joint: joints that
// locked rows have stay beside these, so that what is around can blend to them.
func (h *hold) merges(v int, j uint16) float64 {
	if h == nil || !h.any || !h.uses[j] {
		return 1
	}
	return h.far(v)
}

// blendIn adds to the rows of the fill, which knows no locks, what locks change: the
// extension of the differences at the locked vertices over the garment, by the same
// equation with zero for all other data, and with their weights fading in with the
// distance. So nothing changes where a locked row is what the fill gives anyway.
// Where the body's joints are mapped it is kept for mix: differences are of the
// result's joints.
func (h *hold) blendIn(ctx context.Context, s *Source, g *target, t *trusted, op *laplacian.Operator, rows *weights.Rows, length []float64, opt *Options) (*weights.Rows, error) {
	if !h.any {
		return rows, nil
	}
	// What the fill gives the locked vertices, over the joints of the result.
	given := weights.NewRows(rows.Len())
	touched := make([]bool, g.islands.Count)
	for v, locked := range h.locked {
		if locked {
			given.Append(rows.Row(v))
			touched[g.islands.Island[v]] = true
		} else {
			given.Append(nil, nil)
		}
	}
	var err error
	if h.mapped != nil {
		if given, err = restrict(ctx, s, given, opt); err != nil {
			return nil, err
		}
	}
	acc := weights.NewAccumulator(h.joints)
	p := laplacian.Problem{Op: op, Energy: laplacian.Harmonic, DataWeight: make([]float64, rows.Len())}
	if opt.Fill == FillBiharmonic {
		p.Energy = laplacian.Biharmonic
	}
	change := weights.NewRows(rows.Len())
	for v, locked := range h.locked {
		if ended(ctx, v) {
			return nil, ctx.Err()
		}
		if locked {
			acc.AddRow(h.stored, v, 1)
			joint, weight := given.Row(v)
			for i, j := range joint {
				if h.mapped != nil {
					j = uint16(h.mapped.to[j])
				}
				acc.Add(j, -weight[i])
			}
		}
		acc.Flush(change)
		switch {
		case locked || !touched[g.islands.Island[v]]:
			p.DataWeight[v] = math.Inf(1)
		case t.rows.Start[v+1] > t.rows.Start[v]:
			p.DataWeight[v], _ = dataWeight(s, op, v, h.length(v, length[v]), opt.Fill)
		}
	}
	solver, err := laplacian.Factor(ctx, p, opt.Threads)
	if err != nil {
		return nil, err
	}
	if change, err = solver.Solve(ctx, change, h.joints, opt.Threads); err != nil {
		return nil, err
	}
	if h.mapped != nil {
		h.late = change
		return rows, nil
	}
	out, of := weights.NewRows(rows.Len()), weights.NewRows(rows.Len())
	for v, locked := range h.locked {
		if ended(ctx, v) {
			return nil, ctx.Err()
		}
		joint, weight := t.rows.Row(v)
		switch {
		case locked:
			out.Append(h.stored.Row(v))
			if j, w := bodyPart(h.stored, v, len(s.body.Skin.Joints)); len(j) > 0 {
				joint, weight = j, w
			}
			t.evidence[v], t.doubt[v] = evidence{}, 0
		case change.Start[v+1] == change.Start[v]:
			out.Append(rows.Row(v))
		default:
			acc.AddRow(rows, v, 1)
			acc.AddRow(change, v, 1)
			acc.FlushNormalised(out)
		}
		of.Append(joint, weight)
	}
	t.rows = of
	return out, nil
}

// bodyPart is row v on joints below body, scaled to one; empty where there is nearly
// nothing.
func bodyPart(r *weights.Rows, v, body int) ([]uint16, []float64) {
	joint, weight := r.Row(v)
	k, sum := 0, 0.0
	for k < len(joint) && int(joint[k]) < body {
		sum += weight[k]
		k++
	}
	if sum < 1e-9 {
		return nil, nil
	}
	if k == len(joint) {
		return joint, weight
	}
	return joint[:k], scaled(weight[:k])
}

// scaled returns weights whose sum is one.
func scaled(weight []float64) []float64 {
	sum := 0.0
	for _, w := range weight {
		sum += w
	}
	out := make([]float64, len(weight))
	for i, w := range weight {
		out[i] = w / sum
	}
	return out
}

// split takes the solve's rows apart: the result is over the body's joints, and h
// keeps the others' share.
func (h *hold) split(ctx context.Context, s *Source, t *trusted, rows *weights.Rows) (*weights.Rows, error) {
	body := len(s.body.Skin.Joints)
	if h == nil || !h.any || h.mapped != nil || h.joints == body {
		return rows, nil
	}
	out := weights.NewRows(rows.Len())
	h.extra = weights.NewRows(rows.Len())
	for v := range rows.Len() {
		if ended(ctx, v) {
			return nil, ctx.Err()
		}
		joint, weight := rows.Row(v)
		k := 0
		for k < len(joint) && int(joint[k]) < body {
			k++
		}
		for i := k; i < len(joint); i++ {
			h.extra.Joint, h.extra.Weight = append(h.extra.Joint, joint[i]), append(h.extra.Weight, weight[i])
		}
		h.extra.Start = append(h.extra.Start, int32(len(h.extra.Joint)))
		if j, w := bodyPart(rows, v, body); len(j) > 0 || k == 0 && len(joint) == 0 {
			out.Append(j, w)
		} else {
			out.Append(t.rows.Row(v))
		}
	}
	return out, nil
}

// settle says after the solve that the locked rows are as sure as can be.
func (h *hold) settle(t *trusted) {
	if h == nil {
		return
	}
	for v, locked := range h.locked {
		if locked {
			t.expected[v], t.reason[v] = 0, ReasonKeptEdit
		}
	}
}

// stands reports whether vertex v holds the cloth around it with its locked row.
func (h *hold) stands(v int32) bool { return h.is(int(v)) && h.mapped == nil }

// stand takes the locked vertices out of those that may give way.
func (h *hold) stand(free []bool) {
	for v := range free {
		free[v] = free[v] && !h.stands(int32(v))
	}
}

// fadeJoints hands, in loose cloth beyond the blend, the weight of joints that only
// locked rows brought into a region to their nearest ancestors that were there: the
// fill takes a little of them far along a sheet, and where the limit of influences then
// cuts neighbours differently, the sheet tears (chains.go).
func (h *hold) fadeJoints(ctx context.Context, s *Source, t *trusted, rows *weights.Rows) (*weights.Rows, error) {
	if h == nil || !h.any || t.regions == 0 {
		return rows, nil
	}
	joints := s.body.Skin.Joints
	there := make([][]bool, t.regions)
	for r := range there {
		there[r] = make([]bool, len(joints))
	}
	for v, r := range t.region {
		if r < 0 || h.locked[v] {
			continue
		}
		joint, _ := t.rows.Row(v)
		for _, j := range joint {
			there[r][j] = true
		}
	}
	out, acc := weights.NewRows(rows.Len()), weights.NewAccumulator(len(joints))
	for v := range rows.Len() {
		if ended(ctx, v) {
			return nil, ctx.Err()
		}
		joint, weight := rows.Row(v)
		far := h.far(v)
		if t.region[v] < 0 || !t.free[v] || far == 0 {
			out.Append(joint, weight)
			continue
		}
		for i, j := range joint {
			to := int(j)
			for steps := 0; to >= 0 && !there[t.region[v]][to] && steps <= len(joints); steps++ {
				to = joints[to].Parent
			}
			if to < 0 || to == int(j) {
				acc.Add(j, weight[i])
				continue
			}
			acc.Add(j, (1-far)*weight[i])
			acc.Add(uint16(to), far*weight[i])
		}
		acc.FlushNormalised(out)
	}
	return out, nil
}

// mix puts the others' share of the solve beside rows, which are over the joints of
// the result, or adds what locks change of mapped rows.
func (h *hold) mix(ctx context.Context, rows *weights.Rows, joints int) (*weights.Rows, error) {
	if h == nil || h.extra == nil && h.late == nil {
		return rows, nil
	}
	acc, out := weights.NewAccumulator(joints), weights.NewRows(rows.Len())
	for v := range rows.Len() {
		if ended(ctx, v) {
			return nil, ctx.Err()
		}
		from := v
		if u, ok := h.lead[int32(v)]; ok {
			from = u
		}
		if h.late != nil {
			acc.AddRow(rows, v, 1)
			acc.AddRow(h.late, from, 1)
			acc.FlushNormalised(out)
			continue
		}
		share := min(h.extra.Sum(from), 1)
		if share < 1e-9 {
			out.Append(rows.Row(v))
			continue
		}
		acc.AddRow(h.extra, from, 1)
		if share < 1 {
			acc.AddRow(rows, v, 1-share)
		}
		acc.FlushNormalised(out)
	}
	return out, nil
}

// finish brings rows, by welded vertex, into the form that a file stores, by vertex
// of the garment, and puts the locked rows and weights in.
func (h *hold) finish(ctx context.Context, s *Source, g *target, rows *weights.Rows, o weights.FinishOptions) (*weights.Rows, []float32, error) {
	n := g.garment.Mesh.NumVertices()
	own, held := weights.NewRows(n), weights.NewRows(n)
	acc := weights.NewAccumulator(g.joints(s))
	parent, err := h.ancestors(s, g)
	if err != nil {
		return nil, nil, err
	}
	for v := range n {
		if ended(ctx, v) {
			return nil, nil, ctx.Err()
		}
		w := int(g.welded.ToWelded[v])
		switch {
		case h.Locked != nil && h.Locked[v]:
			joint, weight := h.Rows.Row(v)
			if !o.Format.IsStored(weight) {
				weight = scaled(weight)
			}
			held.Append(joint, weight)
			own.Append(nil, nil)
			continue
		case h.locked[w] && h.Joints == nil:
			held.Append(h.stored.Row(w))
			own.Append(nil, nil)
			continue
		case h.Joints == nil:
			held.Append(nil, nil)
			own.Append(rows.Row(w))
			continue
		}
		joint, weight := h.Rows.Row(v)
		if len(joint) == 0 {
			held.Append(nil, nil)
			if h.locked[w] {
				own.Append(h.stored.Row(w))
			} else {
				own.Append(rows.Row(w))
			}
			continue
		}
		whole := 1.0
		for i, j := range joint {
			if h.Joints[j] && weight[i] > 0 {
				held.Joint, held.Weight = append(held.Joint, j), append(held.Weight, weight[i])
				whole -= weight[i]
			}
		}
		held.Start = append(held.Start, int32(len(held.Joint)))
		mine := held.Weight[held.Start[v]:]
		from := rows
		if h.locked[w] {
			from = h.stored
		}
		if h.others(acc, from, w, parent); acc.Empty() {
			if whole > heldWhole {
				return nil, nil, &OptionError{Option: "lock-joint", Reason: fmt.Sprintf("at vertex %d of the garment every joint that could take its weight is locked", v)}
			}
			copy(mine, scaled(mine))
		}
		acc.FlushNormalised(own)
	}
	return weights.FinishBeside(ctx, own, held, o)
}

// others adds to acc what row w has on joints that are not locked. Where that is
// nearly nothing, the nearest ancestors of the others that are not locked come in.
func (h *hold) others(acc *weights.Accumulator, rows *weights.Rows, w int, parent []int32) {
	joint, weight := rows.Row(w)
	sum := 0.0
	for i, j := range joint {
		if !h.Joints[j] && weight[i] > 0 {
			acc.Add(j, weight[i])
			sum += weight[i]
		}
	}
	if sum >= heldNearly {
		return
	}
	above := 0.0
	for i, j := range joint {
		if h.Joints[j] && parent[j] >= 0 {
			above += weight[i]
		}
	}
	for i, j := range joint {
		if h.Joints[j] && parent[j] >= 0 && weight[i] > 0 {
			acc.Add(uint16(parent[j]), (heldNearly-sum)*weight[i]/above)
		}
	}
}

// ancestors are, by joint of the result, the nearest joint above each that is not
// locked and may carry weight; where there is none, the first such joint of all; -1
// where all are locked.
func (h *hold) ancestors(s *Source, g *target) ([]int32, error) {
	if h.Joints == nil {
		return nil, nil
	}
	skin := s.body.Skin
	if g.garment.Skin != nil {
		skin = g.garment.Skin
	}
	may := func(j int) bool { return j < len(skin.Joints) && !h.Joints[j] }
	out := make([]int32, len(h.Joints))
	first := int32(-1)
	for j := range out {
		if first < 0 && may(j) {
			first = int32(j)
		}
	}
	for j := range out {
		out[j] = first
		if j >= len(skin.Joints) {
			continue
		}
		for p, steps := skin.Joints[j].Parent, 0; p >= 0 && steps <= len(skin.Joints); p, steps = skin.Joints[p].Parent, steps+1 {
			if may(p) {
				out[j] = int32(p)
				break
			}
		}
	}
	return out, nil
}
