package laplacian

// Sparse Cholesky factorisation A = U^T U by fronts (Duff and Reid 1983, "The
// Multifrontal Solution of Indefinite Sparse Symmetric Linear Equations", ACM
// TOMS 9): a block's dense front gathers its entries of A and its children's
// updates, its own unknowns are eliminated, and what remains is its update to
// its parent. Sums are taken in the order of the tree, so that the factor has
// the same bits whatever the number of threads.

import (
	"context"
	"math"
	"slices"
	"sync"

	"github.com/selvage/selvage/transfer/forkjoin"
)

// minPivot is the least pivot over its entry on the diagonal of A. Below it a
// pivot is rounding noise, of either sign; it is raised to this, which leaves the
// other pivots untouched and the solution finite.
const minPivot = 1e-14

// supernode is a block with its part of the factor.
type supernode struct {
	first, width int     // its unknowns, in order of elimination
	rows         []int32 // the later unknowns that it is coupled to, ascending
	children     []*supernode
	work         float64 // operations of the whole subtree
	// u holds the rows of U: width rows of stride ld, columns of the block itself
	// padded to whole lanes, then those of rows padded likewise. inverse holds one
	// over the diagonal.
	u       []float64
	ld      int
	inverse []float64
	update  []float64 // to the parent, until taken
}

// factor is the factorisation of one region's system.
type factor struct {
	order  []int32 // the vertex of the graph at each place
	place  []int32 // of all vertices of the graph; shared among regions
	nodes  []*supernode
	root   *supernode
	raised int // pivots that had to be raised
	mutex  sync.Mutex
}

// analyse turns the tree of blocks into supernodes with their row structure.
// place must have room for all vertices of the graph. Once ctx is done the factor
// is of no use.
func analyse(ctx context.Context, g *graph, tree *block, place []int32) *factor {
	f := &factor{place: place}
	var number func(b *block) *supernode
	number = func(b *block) *supernode {
		s := &supernode{width: len(b.vertex)}
		if len(f.nodes)&1023 == 0 && ctx.Err() != nil {
			return s
		}
		for _, c := range b.children {
			s.children = append(s.children, number(c))
		}
		s.first = len(f.order)
		for _, v := range b.vertex {
			place[v] = int32(len(f.order))
			f.order = append(f.order, v)
		}
		f.nodes = append(f.nodes, s)
		return s
	}
	f.root = number(tree)
	mark := make([]int32, len(f.order))
	for at, s := range f.nodes {
		if at&63 == 0 && ctx.Err() != nil {
			return f
		}
		stamp := int32(at + 1)
		end := int32(s.first + s.width)
		var rows []int32
		for _, v := range f.order[s.first:end] {
			for _, u := range g.neighbour[g.start[v]:g.start[v+1]] {
				if p := place[u]; p >= end && mark[p] != stamp {
					mark[p] = stamp
					rows = append(rows, p)
				}
			}
		}
		for _, c := range s.children {
			for _, p := range c.rows {
				if p >= end && mark[p] != stamp {
					mark[p] = stamp
					rows = append(rows, p)
				}
			}
			s.work += c.work
		}
		slices.Sort(rows)
		s.rows = rows
		w, r := float64(s.width), float64(len(rows))
		s.work += w*w*w/3 + w*w*r + w*r*r + 50*(w+r)*8
		s.ld = pad(s.width) + pad(len(rows))
	}
	return f
}

// size is the number of values that the factor stores, padding included.
func (f *factor) size() int {
	n := 0
	for _, s := range f.nodes {
		n += s.width * s.ld
	}
	return n
}

// pool hands out zeroed scratch by size class.
type pool struct{ free [48][][]float64 }

func (p *pool) get(n int) []float64 {
	x, _ := p.getContext(context.Background(), n) // fails by ctx alone
	return x
}

// getContext is get that ends with ctx's error soon after ctx is done.
func (p *pool) getContext(ctx context.Context, n int) ([]float64, error) {
	class := 0
	for 1<<class < n {
		class++
	}
	list := p.free[class]
	if len(list) == 0 {
		return make([]float64, n, 1<<class), nil
	}
	x := list[len(list)-1][:n]
	p.free[class] = list[:len(list)-1]
	const piece = 1 << 20
	for i := 0; i < n; i += piece {
		if i > 0 && ctx.Err() != nil {
			return nil, ctx.Err()
		}
		clear(x[i:min(n, i+piece)])
	}
	return x, nil
}

func (p *pool) put(x []float64) {
	class := 0
	for 1<<class < cap(x) {
		class++
	}
	p.free[class] = append(p.free[class], x)
}

// workers lends scratch to at most as many tasks at a time as there are threads.
type workers chan *pool

func newWorkers(threads int) workers {
	w := make(workers, threads)
	for range threads {
		w <- &pool{}
	}
	return w
}

// with lends f scratch.
func (w workers) with(f func(p *pool)) {
	p := <-w
	defer func() { w <- p }() // also where f panics: others wait for it
	f(p)
}

// run factorises a subtree: those of little work as one task each, what is above
// them once its children are done.
func (f *factor) run(ctx context.Context, g *graph, s *supernode, w workers, grain float64) {
	if s.work <= grain || len(s.children) == 0 {
		w.with(func(p *pool) { f.subtree(ctx, g, s, p) })
		return
	}
	var wait forkjoin.Group
	for _, c := range s.children {
		wait.Go(func() { f.run(ctx, g, c, w, grain) })
	}
	wait.Wait()
	w.with(func(p *pool) { f.eliminate(ctx, g, s, p) })
}

func (f *factor) subtree(ctx context.Context, g *graph, s *supernode, p *pool) {
	for _, c := range s.children {
		f.subtree(ctx, g, c, p)
	}
	f.eliminate(ctx, g, s, p)
}

// lookEvery is the number of operations of a dense front between two looks at the
// context: a few milliseconds.
const lookEvery = 1 << 23

// eliminate assembles and eliminates one front. Once ctx is done it leaves it
// unfinished.
func (f *factor) eliminate(ctx context.Context, g *graph, s *supernode, p *pool) {
	if ctx.Err() != nil {
		return
	}
	k, r := s.width, len(s.rows)
	kp, rp := pad(k), pad(r)
	ld := s.ld
	u := make([]float64, k*ld)
	s.u, s.inverse = u, make([]float64, k)
	schur := p.get(r * rp)
	work := 0
	done := func(operations int) bool {
		if work += operations; work < lookEvery {
			return false
		}
		work = 0
		return ctx.Err() != nil
	}
	// Entries of A.
	end := s.first + k
	for i := range k {
		v := f.order[s.first+i]
		row := u[i*ld : (i+1)*ld]
		row[i] = g.diagonal[v]
		for e := g.start[v]; e < g.start[v+1]; e++ {
			q := int(f.place[g.neighbour[e]])
			switch {
			case q < s.first+i:
			case q < end:
				row[q-s.first] = g.value[e]
			default:
				at, _ := slices.BinarySearch(s.rows, int32(q))
				row[kp+at] = g.value[e]
			}
		}
	}
	// Updates of the children; both numberings ascend, so upper stays upper.
	var column []int
	for _, c := range s.children {
		column = column[:0]
		at := 0
		for _, q := range c.rows {
			if int(q) < end {
				column = append(column, int(q)-s.first)
				continue
			}
			for s.rows[at] != q {
				at++
			}
			column = append(column, kp+at)
		}
		cp := pad(len(c.rows))
		for i, ci := range column {
			if done(4 * (len(column) - i)) {
				return
			}
			from := c.update[i*cp+i : i*cp+len(column)]
			if ci < k {
				into := u[ci*ld : (ci+1)*ld]
				for j, cj := range column[i:] {
					into[cj] += from[j]
				}
			} else {
				into := schur[(ci-kp)*rp : (ci-kp+1)*rp]
				for j, cj := range column[i:] {
					into[cj-kp] += from[j]
				}
			}
		}
		p.put(c.update)
		c.update = nil
	}
	// The block's own rows, four at a time: what is above them first.
	raised := 0
	for i := 0; i < k; i += 4 {
		b := min(4, k-i)
		at := i &^ (lane - 1)
		if done(b * (ld - at) * (i + 4)) {
			return
		}
		update(u[i*ld+at:], ld, b, ld-at, u[i:], 1, ld, u[at:], ld, i)
		for q := i; q < i+b; q++ {
			update(u[q*ld+at:], ld, 1, ld-at, u[i*ld+q:], 1, ld, u[i*ld+at:], ld, q-i)
			row := u[q*ld+at : (q+1)*ld]
			pivot := row[q-at]
			least := minPivot * g.diagonal[f.order[s.first+q]]
			if !(pivot > least) {
				pivot = max(least, math.SmallestNonzeroFloat64*0x1p200)
				raised++
			}
			inv := 1 / math.Sqrt(pivot)
			s.inverse[q] = inv
			for j := range row {
				row[j] *= inv
			}
			row[q-at] = math.Sqrt(pivot)
		}
	}
	// What remains, its upper triangle by strips.
	const strip = 16
	for i := 0; i < r && k > 0; i += strip { // an empty separator has nothing to give
		b := min(strip, r-i)
		if done(b * (rp - i) * k) {
			return
		}
		update(schur[i*rp+i:], rp, b, rp-i, u[kp+i:], 1, ld, u[kp+i:], ld, k)
	}
	s.update = schur
	if raised > 0 {
		f.mutex.Lock()
		f.raised += raised
		f.mutex.Unlock()
	}
}

// solve replaces the rows of x, in order of elimination and n values each (whole
// lanes), by the solution. Columns do not influence one another.
func (f *factor) solve(ctx context.Context, x []float64, n int, p *pool) error {
	work := 0
	done := func(s *supernode) bool {
		if work += (s.width*s.ld + 1000) * n; work < lookEvery/4 {
			return false
		}
		work = 0
		return ctx.Err() != nil
	}
	for _, s := range f.nodes {
		if done(s) {
			return ctx.Err()
		}
		k, kp, r, ld := s.width, pad(s.width), len(s.rows), s.ld
		own := x[s.first*n : (s.first+k)*n]
		for i := 0; i < k; i += 4 {
			b := min(4, k-i)
			update(own[i*n:], n, b, n, s.u[i:], 1, ld, own, n, i)
			for q := i; q < i+b; q++ {
				update(own[q*n:], n, 1, n, s.u[i*ld+q:], 1, ld, own[i*n:], n, q-i)
				scale(own[q*n:(q+1)*n], s.inverse[q])
			}
		}
		if k == 0 || r == 0 {
			continue
		}
		t := p.get(r * n)
		update(t, n, r, n, s.u[kp:], 1, ld, own, n, k)
		for i, q := range s.rows {
			into, from := x[int(q)*n:int(q+1)*n], t[i*n:(i+1)*n]
			for j := range into {
				into[j] += from[j]
			}
		}
		p.put(t)
	}
	for at := len(f.nodes) - 1; at >= 0; at-- {
		s := f.nodes[at]
		if done(s) {
			return ctx.Err()
		}
		k, kp, r, ld := s.width, pad(s.width), len(s.rows), s.ld
		if k == 0 {
			continue
		}
		own := x[s.first*n : (s.first+k)*n]
		if r > 0 {
			t := p.get(r * n)
			for i, q := range s.rows {
				copy(t[i*n:(i+1)*n], x[int(q)*n:int(q+1)*n])
			}
			update(own, n, k, n, s.u[kp:], ld, 1, t, n, r)
			p.put(t)
		}
		for e := k; e > 0; {
			i := (e - 1) &^ 3
			if e < k {
				update(own[i*n:], n, e-i, n, s.u[i*ld+e:], ld, 1, own[e*n:], n, k-e)
			}
			for q := e - 1; q >= i; q-- {
				if q+1 < e {
					update(own[q*n:], n, 1, n, s.u[q*ld+q+1:], ld, 1, own[(q+1)*n:], n, e-q-1)
				}
				scale(own[q*n:(q+1)*n], s.inverse[q])
			}
			e = i
		}
	}
	return nil
}

func scale(x []float64, f float64) {
	for i := range x {
		x[i] *= f
	}
}
