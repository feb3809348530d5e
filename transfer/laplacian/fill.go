package laplacian

// Filling in: the minimiser of a quadratic energy over the vertices whose values
// are not fixed, for many columns (joints) at once.

import (
	"context"
	"errors"
	"fmt"
	"math"
	"slices"
	"sync"

	"github.com/selvage/selvage/transfer/forkjoin"
	"github.com/selvage/selvage/transfer/weights"
	"gonum.org/v1/gonum/spatial/r3"
)

// Energy is what the filled values keep small.
type Energy int

const (
	// Harmonic is x^T L x. With non-negative edge weights its minimiser lies
	// between the least and the greatest of the data.
	Harmonic Energy = iota
	// Biharmonic is x^T L M^-1 L x, natural boundary conditions: smoother across
	// the data's border, at the price of overshooting.
	Biharmonic
)

// Problem is the quadratic energy, for each column x with data d
//
//	energy(x) + sum over i of DataWeight_i Mass_i (x_i - d_i)^2
//
// (with x^T L x = sum over edges of w_ij (x_i - x_j)^2). DataWeight has a value per vertex: 0 (or less, or NaN) for an
// unknown, +Inf for a vertex fixed at its data, per square metre (Harmonic) or
// per metre to the fourth (Biharmonic) for one that is only drawn to them.
type Problem struct {
	Op         *Operator
	Energy     Energy
	DataWeight []float64
}

const (
	// negligible is the magnitude below which a solved value is left out.
	negligible = 1e-9
	// blockColumns is the number of right-hand sides solved together: enough to
	// use each value of the factor while it is in a register, few enough that a
	// block's rows fit a core's cache beside it.
	blockColumns = 32
)

// ErrSize reports data whose lengths do not fit the operator.
var ErrSize = errors.New("laplacian: lengths differ")

// region is a connected set of vertices that are not fixed.
type region struct {
	factor      *factor // nil if no data reach it
	halo        []int32 // fixed vertices that its equations see, ascending
	vertex      []int32 // its vertices, ascending
	anyScreened bool
}

// Solver is a factorised Problem; it may be used from several goroutines.
type Solver struct {
	p       Problem
	g       *graph  // over the vertices that are not fixed
	number  []int32 // of a vertex in g, or -1 if fixed
	vertex  []int32 // of a number
	row     []int32 // of a number: its place in its region's order
	regions []*region
}

// screen returns the finite data weight of vertex v.
func (p *Problem) screen(v int32) float64 {
	if a := p.DataWeight[v]; a > 0 && !math.IsInf(a, 1) {
		return a
	}
	return 0
}

// leastPull is the least pull of a vertex's data over that of its edges. Below it
// the data of a region that nothing else holds would drown in rounding, and the
// solution with them. Raising it on the matrix and the data alike keeps the
// maximum principle.
const leastPull = 1e-8

// pull is what vertex v's finite data weight adds to the diagonal.
func (p *Problem) pull(v int32) float64 {
	a := p.screen(v) * p.Op.Mass[v]
	if p.Energy == Harmonic && p.screen(v) > 0 {
		a = max(a, leastPull*p.Op.degree(v))
	}
	return a
}

func (p *Problem) fixed(v int32) bool { return math.IsInf(p.DataWeight[v], 1) }

// Factor sets the system up and factorises it, each connected region of vertices
// that are not fixed apart. For meshes the factor takes O(n log n) values and
// O(n^1.5) operations (George 1973). The result's bits do not depend on threads.
func Factor(ctx context.Context, p Problem, threads int) (*Solver, error) {
	n := len(p.Op.Mass)
	if len(p.DataWeight) != n || len(p.Op.Start) != n+1 {
		return nil, fmt.Errorf("%w: %d vertices, %d data weights", ErrSize, n, len(p.DataWeight))
	}
	threads = max(threads, 1)
	s, err := prepare(ctx, p, threads)
	if err != nil {
		return nil, err
	}
	if err := s.order(ctx, threads); err != nil {
		return nil, err
	}
	if err := s.factorise(ctx, threads); err != nil {
		return nil, err
	}
	return s, nil
}

// prepare numbers the unknowns, builds their matrix and finds the regions.
func prepare(ctx context.Context, p Problem, threads int) (*Solver, error) {
	n := len(p.Op.Mass)
	s := &Solver{p: p, number: make([]int32, n)}
	for v := range n {
		if v%checkEvery == 0 && ctx.Err() != nil {
			return nil, ctx.Err()
		}
		s.number[v] = -1
		if !p.fixed(int32(v)) {
			s.number[v] = int32(len(s.vertex))
			s.vertex = append(s.vertex, int32(v))
		}
	}
	if err := s.assemble(ctx, threads); err != nil {
		return nil, err
	}
	if err := s.split(ctx); err != nil {
		return nil, err
	}
	return s, nil
}

// degree is the diagonal of L.
func (op *Operator) degree(v int32) float64 {
	sum := 0.0
	for _, w := range op.Weight[op.Start[v]:op.Start[v+1]] {
		sum += w
	}
	return sum
}

// assemble builds the system's matrix over the vertices that are not fixed.
func (s *Solver) assemble(ctx context.Context, threads int) error {
	op, m := s.p.Op, len(s.vertex)
	g := &graph{start: make([]int32, m+1), diagonal: make([]float64, m), position: make([]r3.Vec, m)}
	s.g = g
	type part struct {
		neighbour []int32
		value     []float64
	}
	// One dense accumulator a thread: mark says which row a value is of, so that
	// nothing is ever cleared.
	type sums struct {
		value []float64
		mark  []int32
	}
	scratch := sync.Pool{New: func() any { return &sums{make([]float64, m), make([]int32, m)} }}
	const chunk = 4096
	parts := make([]part, (m+chunk-1)/chunk)
	degree := make([]float64, len(op.Mass))
	for v := range degree {
		if v%checkEvery == 0 && ctx.Err() != nil {
			return ctx.Err()
		}
		degree[v] = op.degree(int32(v))
	}
	err := parallel(ctx, threads, len(parts), func(c int) error {
		var out part
		var touched []int32
		var value []float64
		var mark []int32
		if s.p.Energy == Biharmonic {
			w := scratch.Get().(*sums)
			defer scratch.Put(w)
			value, mark = w.value, w.mark
		}
		for u := c * chunk; u < min(m, (c+1)*chunk); u++ {
			if u&255 == 0 && ctx.Err() != nil {
				return ctx.Err()
			}
			v := s.vertex[u]
			a := s.p.pull(v)
			if len(op.position) > 0 {
				g.position[u] = op.position[v]
			}
			before := len(out.neighbour)
			if s.p.Energy == Harmonic {
				g.diagonal[u] = degree[v] + a
				for e := op.Start[v]; e < op.Start[v+1]; e++ {
					if t := s.number[op.Neighbour[e]]; t >= 0 {
						out.neighbour = append(out.neighbour, t)
						out.value = append(out.value, -op.Weight[e])
					}
				}
			} else {
				// Row v of L M^-1 L: sum over k of L_vk / m_k L_k.
				touched = touched[:0]
				add := func(j int32, x float64) {
					t := s.number[j]
					if t < 0 {
						return
					}
					if mark[t] != int32(u+1) {
						mark[t] = int32(u + 1)
						value[t] = 0
						touched = append(touched, t)
					}
					value[t] += x
				}
				spread := func(k int32, f float64) {
					f /= op.Mass[k]
					add(k, f*degree[k])
					for e := op.Start[k]; e < op.Start[k+1]; e++ {
						add(op.Neighbour[e], -f*op.Weight[e])
					}
				}
				spread(v, degree[v])
				for e := op.Start[v]; e < op.Start[v+1]; e++ {
					spread(op.Neighbour[e], -op.Weight[e])
				}
				slices.Sort(touched)
				for _, t := range touched {
					if t == int32(u) {
						g.diagonal[u] = value[t] + a
						continue
					}
					out.neighbour = append(out.neighbour, t)
					out.value = append(out.value, value[t])
				}
			}
			g.start[u+1] = int32(len(out.neighbour) - before)
		}
		parts[c] = out
		return nil
	})
	if err != nil {
		return err
	}
	for u := range m {
		g.start[u+1] += g.start[u]
	}
	g.neighbour = make([]int32, 0, g.start[m])
	g.value = make([]float64, 0, g.start[m])
	for _, c := range parts {
		if ctx.Err() != nil {
			return ctx.Err()
		}
		g.neighbour = append(g.neighbour, c.neighbour...)
		g.value = append(g.value, c.value...)
	}
	return nil
}

// split finds the regions and the fixed vertices that each sees.
func (s *Solver) split(ctx context.Context) error {
	op, m := s.p.Op, len(s.vertex)
	of := make([]int32, m) // the region of each vertex, plus one
	queue := make([]int32, 0, m)
	var end []int // of each region in the queue
	for first := range m {
		if of[first] != 0 {
			continue
		}
		stamp := int32(len(end) + 1)
		of[first] = stamp
		at := len(queue)
		for queue = append(queue, int32(first)); at < len(queue); at++ {
			if at%checkEvery == 0 && ctx.Err() != nil {
				return ctx.Err()
			}
			u := queue[at]
			for _, t := range s.g.neighbour[s.g.start[u]:s.g.start[u+1]] {
				if of[t] == 0 {
					of[t] = stamp
					queue = append(queue, t)
				}
			}
		}
		end = append(end, len(queue))
	}
	// The queue, no longer needed, takes the regions' vertices in ascending order.
	s.regions = make([]*region, len(end))
	for i, e := range end {
		first := 0
		if i > 0 {
			first = end[i-1]
		}
		s.regions[i] = &region{vertex: queue[first:first:e]}
	}
	for u := range m {
		if u%checkEvery == 0 && ctx.Err() != nil {
			return ctx.Err()
		}
		r := s.regions[of[u]-1]
		r.vertex = append(r.vertex, int32(u))
	}
	haloOf := make([]int32, len(op.Mass)) // the last region (plus one) that saw the vertex
	steps := 0
	for i, r := range s.regions {
		stamp := int32(i + 1)
		see := func(v int32) bool {
			if s.number[v] < 0 && haloOf[v] != stamp {
				haloOf[v] = stamp
				r.halo = append(r.halo, v)
				return true
			}
			return false
		}
		for _, u := range r.vertex {
			if steps++; steps%checkEvery == 0 && ctx.Err() != nil {
				return ctx.Err()
			}
			v := s.vertex[u]
			r.anyScreened = r.anyScreened || s.p.screen(v) > 0
			for _, k := range op.Neighbour[op.Start[v]:op.Start[v+1]] {
				see(k)
			}
		}
		if s.p.Energy == Biharmonic {
			for _, k := range slices.Clone(r.halo) { // second ring, through fixed ones
				for _, j := range op.Neighbour[op.Start[k]:op.Start[k+1]] {
					see(j)
				}
			}
		}
		slices.Sort(r.halo)
	}
	return nil
}

// order finds the elimination order and the structure of each region's factor.
func (s *Solver) order(ctx context.Context, threads int) error {
	m := len(s.vertex)
	d := &dissector{ctx: ctx, g: s.g, label: make([]int64, m), key: make([]float64, m), limit: make(chan struct{}, threads-1)}
	for u := range d.label {
		d.label[u] = 1
	}
	s.row = make([]int32, m)
	return parallel(ctx, threads, len(s.regions), func(i int) error {
		r := s.regions[i]
		if len(r.halo) == 0 && !r.anyScreened {
			return nil
		}
		bad := len(s.p.Op.position) == 0
		for _, u := range r.vertex {
			p := s.g.position[u]
			if q := p.X + p.Y + p.Z; math.IsNaN(q) || math.Abs(q) > 1e100 {
				bad = true
			}
		}
		if bad {
			embed(s.g, r.vertex)
		}
		tree := d.cut(slices.Clone(r.vertex), 1)
		if err := ctx.Err(); err != nil {
			return err // the tree is not finished
		}
		r.factor = analyse(ctx, s.g, tree, s.row)
		return ctx.Err() // once it is done, the structure is not finished
	})
}

// factorise fills in the regions' factors.
func (s *Solver) factorise(ctx context.Context, threads int) error {
	w := newWorkers(threads)
	var wait forkjoin.Group
	total := 0.0
	for _, r := range s.regions {
		if r.factor != nil {
			total += r.factor.root.work
		}
	}
	small := []*region{}
	for _, r := range s.regions {
		if r.factor == nil {
			continue
		}
		if r.factor.root.work < total/1000 {
			small = append(small, r)
			continue
		}
		wait.Go(func() { r.factor.run(ctx, s.g, r.factor.root, w, total/float64(16*threads)) })
	}
	wait.Go(func() {
		w.with(func(p *pool) {
			for _, r := range small {
				r.factor.subtree(ctx, s.g, r.factor.root, p)
			}
		})
	})
	wait.Wait()
	return ctx.Err()
}

// Raised is the number of pivots that were lost to rounding and raised: zero for
// a system that is positive definite to working precision.
func (s *Solver) Raised() int {
	n := 0
	for _, r := range s.regions {
		if r.factor != nil {
			n += r.factor.raised
		}
	}
	return n
}

// FactorSize is the number of values that the factors store.
func (s *Solver) FactorSize() int {
	n := 0
	for _, r := range s.regions {
		if r.factor != nil {
			n += r.factor.size()
		}
	}
	return n
}

// Unreached returns the vertices, ascending, of regions that hold no data and
// touch none: the energy leaves them free, and Solve leaves their rows empty.
func (s *Solver) Unreached() []int32 {
	var out []int32
	for _, r := range s.regions {
		if r.factor == nil {
			for _, u := range r.vertex {
				out = append(out, s.vertex[u])
			}
		}
	}
	slices.Sort(out)
	return out
}

// sparse is a block's solution by rows of its region's vertices, in pieces of
// pieceRows rows: nothing large is ever copied to grow.
type sparse []piece

const pieceRows = 1 << 13

type piece struct {
	start  []int32 // of each row in joint and weight, and the end
	joint  []uint16
	weight []float64
}

// row k of the region.
func (s sparse) row(k int32) (joint []uint16, weight []float64) {
	p := &s[k/pieceRows]
	a, b := p.start[k%pieceRows], p.start[k%pieceRows+1]
	return p.joint[a:b], p.weight[a:b]
}

// Solve returns the rows of the minimiser for data, one row per vertex: fixed
// vertices as they are, solved ones without values below 1e-9 in magnitude. An
// absent joint counts as zero; rows of vertices without a data weight are not
// looked at, and values that are not finite count as zero. Each region solves
// for the joints of its own data only. The result's bits do not depend on threads.
func (s *Solver) Solve(ctx context.Context, data *weights.Rows, joints, threads int) (*weights.Rows, error) {
	n := len(s.number)
	if data.Len() != n {
		return nil, fmt.Errorf("%w: %d vertices, %d rows of data", ErrSize, n, data.Len())
	}
	for i, j := range data.Joint {
		if i%(16*checkEvery) == 0 && ctx.Err() != nil {
			return nil, ctx.Err()
		}
		if int(j) >= joints {
			return nil, fmt.Errorf("laplacian: data of joint %d, want below %d", j, joints)
		}
	}
	type task struct {
		region  int
		columns []uint16
		out     sparse
	}
	var tasks []*task
	of := make([][]*task, len(s.regions))
	present := make([]bool, joints)
	steps := 0
	done := func() bool {
		steps++
		return steps%checkEvery == 0 && ctx.Err() != nil
	}
	for i, r := range s.regions {
		if r.factor == nil {
			continue
		}
		clear(present)
		look := func(v int32) {
			joint, _ := data.Row(int(v))
			for _, j := range joint {
				present[j] = true
			}
		}
		for _, v := range r.halo {
			if done() {
				return nil, ctx.Err()
			}
			look(v)
		}
		if r.anyScreened {
			for _, u := range r.vertex {
				if done() {
					return nil, ctx.Err()
				}
				if s.p.screen(s.vertex[u]) > 0 {
					look(s.vertex[u])
				}
			}
		}
		var columns []uint16
		for j, yes := range present {
			if yes {
				columns = append(columns, uint16(j))
			}
		}
		for block := range slices.Chunk(columns, blockColumns) {
			t := &task{region: i, columns: block}
			tasks = append(tasks, t)
			of[i] = append(of[i], t)
		}
	}
	w := newWorkers(max(threads, 1))
	err := parallel(ctx, threads, len(tasks), func(i int) error {
		t := tasks[i]
		var err error
		w.with(func(p *pool) {
			t.out, err = s.solveBlock(ctx, s.regions[t.region], t.columns, joints, data, p)
		})
		return err
	})
	if err != nil {
		return nil, err
	}
	// Gather the rows: blocks of a region have ascending joints.
	regionOf, at := make([]int32, len(s.vertex)), make([]int32, len(s.vertex))
	for i, r := range s.regions {
		for k, u := range r.vertex {
			if done() {
				return nil, ctx.Err()
			}
			regionOf[u], at[u] = int32(i), int32(k)
		}
	}
	room := 0
	for _, t := range tasks {
		for i := range t.out {
			room += len(t.out[i].joint)
		}
	}
	for v := range n {
		if done() {
			return nil, ctx.Err()
		}
		if s.number[v] < 0 {
			room += int(data.Start[v+1] - data.Start[v])
		}
	}
	out := &weights.Rows{Start: append(make([]int32, 0, n+1), 0), Joint: make([]uint16, 0, room), Weight: make([]float64, 0, room)}
	var joint []uint16
	var weight []float64
	for v := range n {
		if done() {
			return nil, ctx.Err()
		}
		u := s.number[v]
		joint, weight = joint[:0], weight[:0]
		if u < 0 {
			a, b := data.Row(v)
			for i, x := range b {
				if !math.IsNaN(x) && !math.IsInf(x, 0) {
					joint, weight = append(joint, a[i]), append(weight, x)
				}
			}
		} else {
			for _, t := range of[regionOf[u]] {
				a, b := t.out.row(at[u])
				joint, weight = append(joint, a...), append(weight, b...)
			}
		}
		out.Append(joint, weight)
	}
	return out, nil
}

// solveBlock solves a region for some columns.
func (s *Solver) solveBlock(ctx context.Context, r *region, columns []uint16, joints int, data *weights.Rows, p *pool) (sparse, error) {
	w := pad(len(columns))
	column := make([]int32, joints)
	for j := range column {
		column[j] = -1
	}
	for c, j := range columns {
		column[j] = int32(c)
	}
	x, err := p.getContext(ctx, len(r.vertex)*w)
	if err != nil {
		return nil, err
	}
	defer p.put(x)
	if ctx.Err() != nil {
		return nil, ctx.Err()
	}
	if err := s.rightHandSide(ctx, r, x, w, column, data, p); err != nil {
		return nil, err
	}
	if err := r.factor.solve(ctx, x, w, p); err != nil {
		return nil, err
	}
	var out sparse
	for part := range slices.Chunk(r.vertex, pieceRows) {
		if ctx.Err() != nil {
			return nil, ctx.Err()
		}
		piece := piece{start: make([]int32, 1, len(part)+1)}
		for _, u := range part {
			row := x[int(s.row[u])*w:]
			for c, j := range columns {
				// The comparison is false for NaN.
				if v := row[c]; math.Abs(v) >= negligible && !math.IsInf(v, 0) {
					piece.joint = append(piece.joint, j)
					piece.weight = append(piece.weight, v)
				}
			}
			piece.start = append(piece.start, int32(len(piece.joint)))
		}
		out = append(out, piece)
	}
	return out, nil
}

// addRow adds f times a vertex's data to a row of the block.
func addRow(into []float64, f float64, column []int32, data *weights.Rows, v int32) {
	joint, weight := data.Row(int(v))
	for i, j := range joint {
		if c := column[j]; c >= 0 && !math.IsNaN(weight[i]) && !math.IsInf(weight[i], 0) {
			into[c] += f * weight[i]
		}
	}
}

// rightHandSide writes what the data give to the equations of a region into x.
func (s *Solver) rightHandSide(ctx context.Context, r *region, x []float64, w int, column []int32, data *weights.Rows, p *pool) error {
	op := s.p.Op
	steps := 0
	done := func() bool {
		steps++
		// Rows of x are far apart, and each is touched for the first time.
		return steps%256 == 0 && ctx.Err() != nil
	}
	row := func(u int32) []float64 { return x[int(s.row[u])*w : (int(s.row[u])+1)*w] }
	for _, u := range r.vertex {
		if done() {
			return ctx.Err()
		}
		if a := s.p.pull(s.vertex[u]); a > 0 {
			addRow(row(u), a, column, data, s.vertex[u])
		}
	}
	if s.p.Energy == Harmonic {
		for _, k := range r.halo {
			if done() {
				return ctx.Err()
			}
			for e := op.Start[k]; e < op.Start[k+1]; e++ {
				if u := s.number[op.Neighbour[e]]; u >= 0 && s.inRegion(r, u) {
					addRow(row(u), op.Weight[e], column, data, k)
				}
			}
		}
		return nil
	}
	// -L M^-1 L d with d zero at the unknowns, by vertices k: y = (L d)_k / m_k is
	// not zero at fixed vertices and at their neighbours only.
	y := p.get(w)
	defer p.put(y)
	give := func(k int32) {
		clear(y)
		own, any := 0.0, false
		for e := op.Start[k]; e < op.Start[k+1]; e++ {
			own += op.Weight[e]
			if j := op.Neighbour[e]; s.number[j] < 0 {
				addRow(y, -op.Weight[e], column, data, j)
				any = true
			}
		}
		if s.number[k] < 0 {
			addRow(y, own, column, data, k)
			any = true
		}
		if !any {
			return
		}
		spread := func(u int32, f float64) {
			if u < 0 || !s.inRegion(r, u) {
				return
			}
			for c, v := range row(u) {
				row(u)[c] = v + f*y[c]
			}
		}
		spread(s.number[k], -own/op.Mass[k])
		for e := op.Start[k]; e < op.Start[k+1]; e++ {
			spread(s.number[op.Neighbour[e]], op.Weight[e]/op.Mass[k])
		}
	}
	for _, u := range r.vertex {
		if done() {
			return ctx.Err()
		}
		give(s.vertex[u])
	}
	for _, k := range r.halo {
		if done() {
			return ctx.Err()
		}
		give(k)
	}
	return nil
}

// inRegion tells whether number u belongs to r: the halo of one region may touch
// others.
func (s *Solver) inRegion(r *region, u int32) bool {
	at := int(s.row[u])
	return at < len(r.factor.order) && r.factor.order[at] == u
}

// parallel runs task 0 .. n-1 on at most so many threads.
func parallel(ctx context.Context, threads, n int, task func(int) error) error {
	errs := make([]error, n)
	err := forkjoin.Each(ctx, n, max(1, threads), func() func(int) {
		return func(i int) { errs[i] = task(i) }
	})
	if err != nil {
		return err
	}
	return errors.Join(errs...)
}
