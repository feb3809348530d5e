package transfer

// The choice among candidates, made jointly along the garment's edges: the
// offset field (match minus vertex) must vary smoothly.
//
// Energy over labels k(v), dimensionless and independent of the tessellation:
//
//	E = sum_v A_v/g^2 * U_v(k)  +  smoothness * sum_{uv} D_uv/g * V(o_u - o_v)
//
// with A_v the vertex's area, D_uv the length of the dual edge, g the typical
// gap, U the unary cost of match.go, o the offsets, and
//
//	V = min(|do|^2/(l*g), |do|/g, jumpLimit) + signFlip * max(0, n_u.n_v) [signs differ]
//
// l is the edge's length: the first form is a Dirichlet energy where the field is
// smooth; the others count a jump by its height times the length of the seam, so
// that a finer mesh does not make jumps cheaper. Minimised by damped min-sum
// belief propagation (Pearl 1988; Felzenszwalb & Huttenlocher, "Efficient Belief
// Propagation for Early Vision", IJCV 2006) in a fixed parallel order, then by
// moves of whole patches, which repair the small patches that message passing
// locks in.

import (
	"context"
	"math"
	"slices"

	"gonum.org/v1/gonum/spatial/r3"
)

const (
	smoothness = 1.5
	jumpLimit  = 4.0
	signFlip   = 1.0
	sweeps     = 40
	damping    = 0.35
)

// choice is the outcome: one label per vertex, and how sure it is.
type choice struct {
	// label is the index into candidates.of(v).
	label []int32
	// belief of each candidate, parallel to candidates.list; sums to one by vertex.
	belief []float64
	// jump is the largest |o_u - o_v|/|p_u - p_v| over the vertex's edges, after the
	// choice: how much neighbours disagree. 0 for isolated vertices.
	jump []float64
}

// labelling is the working state of the minimisation.
type labelling struct {
	g *target
	c *candidates
	// label per vertex.
	label []int32
	// area is A_v/g^2.
	area []float64
	// dual is smoothness*D_uv/g for each directed edge of g's adjacency.
	dual []float64
}

// chooseMatches picks one candidate per vertex. O(sweeps * edges * candidates^2).
func chooseMatches(ctx context.Context, g *target, c *candidates, opt *Options) (*choice, error) {
	l, err := newLabelling(ctx, g, c, opt.Threads)
	if err != nil {
		return nil, err
	}
	belief, err := l.propagate(ctx, opt.Threads)
	if err != nil {
		return nil, err
	}
	for round := 0; round < 3; round++ {
		if err := ctx.Err(); err != nil {
			return nil, err
		}
		moved, err := l.descend(ctx)
		if err != nil {
			return nil, err
		}
		patches, err := l.movePatches(ctx)
		if err != nil {
			return nil, err
		}
		moved = moved || patches
		if !moved {
			break
		}
	}
	ch := &choice{label: l.label, belief: belief, jump: make([]float64, len(l.label))}
	err = parallel(ctx, len(l.label), opt.Threads, func(lo, hi int) {
		for v := lo; v < hi; v++ {
			for e := g.adjacency.Start[v]; e < g.adjacency.Start[v+1]; e++ {
				u := g.adjacency.Neighbour[e]
				d := r3.Norm(r3.Sub(g.position[u], g.position[v]))
				if j := r3.Norm(r3.Sub(l.offset(int(u)), l.offset(v))); d > 0 && j > ch.jump[v]*d {
					ch.jump[v] = j / d
				}
			}
		}
	})
	return ch, err
}

func newLabelling(ctx context.Context, g *target, c *candidates, threads int) (*labelling, error) {
	n := len(g.position)
	l := &labelling{g: g, c: c, label: make([]int32, n), area: make([]float64, n), dual: make([]float64, len(g.adjacency.Neighbour))}
	err := parallel(ctx, n, threads, func(lo, hi int) {
		for v := lo; v < hi; v++ {
			// A vertex without area (isolated, or on degenerate triangles only) still has
			// an opinion of its own.
			l.area[v] = max(g.area[v], 1e-4*sq(c.gap[v])) / sq(c.gap[v])
			deg := float64(g.adjacency.Start[v+1] - g.adjacency.Start[v])
			for e := g.adjacency.Start[v]; e < g.adjacency.Start[v+1]; e++ {
				u := g.adjacency.Neighbour[e]
				degU := float64(g.adjacency.Start[u+1] - g.adjacency.Start[u])
				length := r3.Norm(r3.Sub(g.position[u], g.position[v]))
				// In a regular triangulation this is the length of the edge's dual; slivers
				// are bounded by the edge's own length.
				dual := 2 * (g.area[v]/deg + g.area[u]/degU) / max(length, 1e-12)
				l.dual[e] = smoothness * min(dual, 2*length) / c.gap[v]
			}
		}
	})
	return l, err
}

func (l *labelling) candidate(v int) *candidate { return &l.c.of(v)[l.label[v]] }

func (l *labelling) offset(v int) r3.Vec {
	c := l.candidate(v)
	if c.triangle < 0 {
		return r3.Vec{}
	}
	return r3.Sub(c.point, l.g.position[v])
}

// pair is V of the energy for candidates a of v and b of u, times nothing.
func (l *labelling) pair(v, u int, a, b *candidate, length, gap float64) float64 {
	if a.triangle < 0 || b.triangle < 0 {
		return 0
	}
	g := l.g
	d := r3.Vec{
		X: (a.point.X - g.position[v].X) - (b.point.X - g.position[u].X),
		Y: (a.point.Y - g.position[v].Y) - (b.point.Y - g.position[u].Y),
		Z: (a.point.Z - g.position[v].Z) - (b.point.Z - g.position[u].Z),
	}
	q := d.X*d.X + d.Y*d.Y + d.Z*d.Z
	cost := math.Sqrt(q) / gap
	if length > 0 {
		cost = min(cost, q/(length*gap))
	}
	cost = min(cost, jumpLimit)
	if a.sign != b.sign {
		cost += signFlip * max(0, r3.Dot(g.normal[v], g.normal[u]))
	}
	return cost
}

// propagate runs the belief propagation, sets the labels to the cheapest
// beliefs, and returns the beliefs as probabilities.
func (l *labelling) propagate(ctx context.Context, threads int) ([]float64, error) {
	g, c := l.g, l.c
	adj := g.adjacency
	n := len(l.label)
	// Only vertices with a choice take part in messages; the others add fixed costs
	// to their neighbours' unary ones.
	count := func(v int) int { return int(c.start[v+1] - c.start[v]) }
	unary := make([]float32, c.len())
	// Messages into v along its edge e have count(v) entries at in[e]; the cost
	// table of edge e has count(v)*count(u) entries at table[e], row by v's label.
	in := make([]int32, len(adj.Neighbour)+1)
	table := make([]int64, len(adj.Neighbour)+1)
	reverse := make([]int32, len(adj.Neighbour))
	err := parallel(ctx, n, threads, func(lo, hi int) {
		for v := lo; v < hi; v++ {
			for e := adj.Start[v]; e < adj.Start[v+1]; e++ {
				u := int(adj.Neighbour[e])
				k, _ := slices.BinarySearch(adj.Neighbour[adj.Start[u]:adj.Start[u+1]], int32(v))
				reverse[e] = adj.Start[u] + int32(k)
			}
		}
	})
	if err != nil {
		return nil, err
	}
	for v := 0; v < n; v++ {
		if ended(ctx, v) {
			return nil, ctx.Err()
		}
		for e := adj.Start[v]; e < adj.Start[v+1]; e++ {
			u := int(adj.Neighbour[e])
			in[e+1], table[e+1] = in[e], table[e]
			if count(v) > 1 && count(u) > 1 {
				in[e+1] += int32(count(v))
				table[e+1] += int64(count(v) * count(u))
			}
		}
	}
	message := make([]float32, in[len(adj.Neighbour)])
	next := make([]float32, len(message))
	cost := make([]float32, table[len(adj.Neighbour)])
	err = parallel(ctx, n, threads, func(lo, hi int) {
		for v := lo; v < hi; v++ {
			mine := c.of(v)
			for k := range mine {
				unary[int(c.start[v])+k] = float32(l.area[v] * mine[k].unary)
			}
			if len(mine) < 2 {
				continue
			}
			for e := adj.Start[v]; e < adj.Start[v+1]; e++ {
				u := int(adj.Neighbour[e])
				length := r3.Norm(r3.Sub(g.position[u], g.position[v]))
				theirs := c.of(u)
				if len(theirs) < 2 {
					for k := range mine {
						unary[int(c.start[v])+k] += float32(l.dual[e] * l.pair(v, u, &mine[k], &theirs[0], length, c.gap[v]))
					}
					continue
				}
				row := cost[table[e]:table[e+1]]
				for k := range mine {
					for m := range theirs {
						row[k*len(theirs)+m] = float32(l.dual[e] * l.pair(v, u, &mine[k], &theirs[m], length, c.gap[v]))
					}
				}
			}
		}
	})
	if err != nil {
		return nil, err
	}

	for sweep := 0; sweep < sweeps && len(message) > 0; sweep++ {
		err := parallel(ctx, n, threads, func(lo, hi int) {
			var total, from [maxCandidates]float32
			for v := lo; v < hi; v++ {
				k := count(v)
				if k < 2 {
					continue
				}
				copy(total[:k], unary[c.start[v]:c.start[v+1]])
				for e := adj.Start[v]; e < adj.Start[v+1]; e++ {
					for i, m := range message[in[e]:in[e+1]] {
						total[i] += m
					}
				}
				for e := adj.Start[v]; e < adj.Start[v+1]; e++ {
					back := reverse[e]
					incoming := message[in[e]:in[e+1]]
					if len(incoming) == 0 {
						continue
					}
					for i := range incoming {
						from[i] = total[i] - incoming[i]
					}
					out := next[in[back]:in[back+1]]
					old := message[in[back]:in[back+1]]
					row := cost[table[e]:table[e+1]]
					least := float32(math.Inf(1))
					for m := range out {
						best := from[0] + row[m]
						for i := 1; i < k; i++ {
							best = min(best, from[i]+row[i*len(out)+m])
						}
						out[m] = best
						least = min(least, best)
					}
					for m := range out {
						out[m] = damping*old[m] + (1-damping)*(out[m]-least)
					}
				}
			}
		})
		if err != nil {
			return nil, err
		}
		message, next = next, message
	}

	belief := make([]float64, c.len())
	err = parallel(ctx, n, threads, func(lo, hi int) {
		for v := lo; v < hi; v++ {
			b := belief[c.start[v]:c.start[v+1]]
			least := math.Inf(1)
			for k := range b {
				b[k] = float64(unary[int(c.start[v])+k])
			}
			for e := adj.Start[v]; e < adj.Start[v+1]; e++ {
				for k, m := range message[in[e]:in[e+1]] {
					b[k] += float64(m)
				}
			}
			for k, x := range b {
				if x < least {
					least, l.label[v] = x, int32(k)
				}
			}
			// The cost difference counts in units of what the vertex itself weighs.
			temperature := max(l.area[v], 1e-3)
			sum := 0.0
			for k := range b {
				b[k] = math.Exp(-(b[k] - least) / temperature)
				sum += b[k]
			}
			for k := range b {
				b[k] /= sum
			}
		}
	})
	return belief, err
}

// local is the energy of vertex v's label k against its neighbours' labels;
// where only is not nil, neighbours for which it is false are left out.
func (l *labelling) local(v int, k int32, only func(u int32) bool) float64 {
	g, c := l.g, l.c
	a := &c.of(v)[k]
	sum := l.area[v] * a.unary
	for e := g.adjacency.Start[v]; e < g.adjacency.Start[v+1]; e++ {
		u := g.adjacency.Neighbour[e]
		if only != nil && !only(u) {
			continue
		}
		length := r3.Norm(r3.Sub(g.position[u], g.position[v]))
		sum += l.dual[e] * l.pair(v, int(u), a, l.candidate(int(u)), length, c.gap[v])
	}
	return sum
}

// descend takes single vertices to their cheapest label until none moves
// (iterated conditional modes, Besag 1986), in vertex order. It reports whether
// any moved.
func (l *labelling) descend(ctx context.Context) (any bool, err error) {
	for round := 0; round < 10; round++ {
		moved := false
		for v := range l.label {
			if v%(8*blockSize) == 0 && ctx.Err() != nil {
				return any, ctx.Err()
			}
			m := l.c.start[v+1] - l.c.start[v]
			if m < 2 {
				continue
			}
			best, least := l.label[v], l.local(v, l.label[v], nil)
			for k := int32(0); k < m; k++ {
				if k == l.label[v] {
					continue
				}
				if x := l.local(v, k, nil); x < least-1e-9 {
					best, least = k, x
				}
			}
			if best != l.label[v] {
				l.label[v], moved, any = best, true, true
			}
		}
		if !moved {
			break
		}
	}
	return any, nil
}

// movePatches relabels patches (connected vertices whose offsets agree) as a
// whole where continuing the offsets from outside gives less energy. Message
// passing cannot leave such a patch vertex by vertex, because every single step
// costs more. It reports whether any moved.
func (l *labelling) movePatches(ctx context.Context) (any bool, err error) {
	g, c := l.g, l.c
	n := len(l.label)
	patch := make([]int32, n)
	for v := range patch {
		patch[v] = -1
	}
	var patches [][]int32
	smooth := func(v, u int32) bool {
		d := r3.Norm(r3.Sub(l.offset(int(v)), l.offset(int(u))))
		length := r3.Norm(r3.Sub(g.position[u], g.position[v]))
		return l.candidate(int(v)).sign == l.candidate(int(u)).sign && d <= max(1.2*length, 0.3*c.gap[v])
	}
	for v := int32(0); v < int32(n); v++ {
		if v%(8*blockSize) == 0 && ctx.Err() != nil {
			return false, ctx.Err()
		}
		if patch[v] >= 0 {
			continue
		}
		id := int32(len(patches))
		patch[v] = id
		members := []int32{v}
		for k := 0; k < len(members); k++ {
			if k%(8*blockSize) == 0 && ctx.Err() != nil {
				return false, ctx.Err()
			}
			w := members[k]
			for _, u := range g.adjacency.Neighbours(int(w)) {
				if patch[u] < 0 && smooth(w, u) {
					patch[u] = id
					members = append(members, u)
				}
			}
		}
		patches = append(patches, members)
	}
	// Small patches first: they are the likelier mistakes, and once gone they no
	// longer speak for their surroundings.
	order := make([]int32, 0, len(patches))
	for i := range patches {
		order = append(order, int32(i))
	}
	slices.SortStableFunc(order, func(a, b int32) int { return len(patches[a]) - len(patches[b]) })

	state := make([]uint8, n) // 1: in the patch and not relabelled yet
	old := make([]int32, 0, 64)
	steps := 0
	done := func() bool {
		steps++
		return ended(ctx, steps)
	}
	for k, id := range order {
		if k%64 == 0 && ctx.Err() != nil {
			return any, ctx.Err()
		}
		members := patches[id]
		if 2*len(members) > n {
			continue // the main patch is what the others are measured by
		}
		choices := false
		border := false
		for _, v := range members {
			if done() {
				return any, ctx.Err()
			}
			choices = choices || c.start[v+1]-c.start[v] > 1
			for _, u := range g.adjacency.Neighbours(int(v)) {
				border = border || patch[u] != id
			}
		}
		if !choices || !border {
			continue
		}
		before := 0.0
		for _, v := range members {
			if done() {
				return any, ctx.Err()
			}
			before += l.patchEnergy(v, patch, id)
		}
		old = old[:0]
		for _, v := range members {
			old = append(old, l.label[v])
			state[v] = 1
		}
		// Grow inwards from the border: each vertex takes the label that goes best
		// with those outside and those already relabelled.
		queue := make([]int32, 0, len(members))
		for _, v := range members {
			for _, u := range g.adjacency.Neighbours(int(v)) {
				if patch[u] != id {
					queue = append(queue, v)
					state[v] = 2
					break
				}
			}
		}
		decided := func(u int32) bool { return state[u] == 0 || state[u] == 3 }
		for k := 0; k < len(queue); k++ {
			if done() {
				return any, ctx.Err()
			}
			v := queue[k]
			best, least := l.label[v], math.Inf(1)
			for m := int32(0); m < c.start[v+1]-c.start[v]; m++ {
				if x := l.local(int(v), m, decided); x < least {
					best, least = m, x
				}
			}
			l.label[v] = best
			state[v] = 3
			for _, u := range g.adjacency.Neighbours(int(v)) {
				if state[u] == 1 {
					state[u] = 2
					queue = append(queue, u)
				}
			}
		}
		after := 0.0
		for _, v := range members {
			if done() {
				return any, ctx.Err()
			}
			state[v] = 0
			after += l.patchEnergy(v, patch, id)
		}
		if after < before-1e-9 {
			any = true
			continue
		}
		for k, v := range members {
			l.label[v] = old[k]
		}
	}
	return any, nil
}

// patchEnergy is v's share of the energy of patch id: edges inside the patch
// count half from either end, edges across its border in full.
func (l *labelling) patchEnergy(v int32, patch []int32, id int32) float64 {
	g, c := l.g, l.c
	a := l.candidate(int(v))
	sum := l.area[v] * a.unary
	for e := g.adjacency.Start[v]; e < g.adjacency.Start[v+1]; e++ {
		u := g.adjacency.Neighbour[e]
		length := r3.Norm(r3.Sub(g.position[u], g.position[v]))
		x := l.dual[e] * l.pair(int(v), int(u), a, l.candidate(int(u)), length, c.gap[v])
		if patch[u] == id {
			x /= 2
		}
		sum += x
	}
	return sum
}
