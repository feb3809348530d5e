package laplacian

// Elimination order by nested dissection (George 1973, "Nested Dissection of a
// Regular Finite Element Mesh", SIAM J. Numer. Anal. 10): a set of vertices is
// cut in halves along a direction in space, the vertices of one half that touch
// the other are eliminated last, and each half is treated alike. The tree of the
// cuts is the tree of the dense blocks (supernodes) of the factor.

import (
	"context"
	"math"

	"github.com/selvage/selvage/transfer/forkjoin"
	"gonum.org/v1/gonum/spatial/r3"
)

const (
	// leafSize is the number of unknowns kept as one dense block.
	leafSize = 20
	// manyDirections is the size from which several directions are tried: a better
	// cut pays most near the root.
	manyDirections = 96
	// parallelCut is the size from which the halves are cut at the same time.
	parallelCut = 2000
)

// graph is a symmetric sparse matrix by rows, diagonal apart.
type graph struct {
	start, neighbour []int32
	value, diagonal  []float64
	position         []r3.Vec
}

// block is one set of unknowns eliminated together.
type block struct {
	vertex   []int32 // in order of elimination
	children []*block
}

// dissector cuts sets of a graph's vertices.
type dissector struct {
	ctx   context.Context // once it is done, cut returns whatever it has
	g     *graph
	label []int64 // the part that a vertex is in; 0 once in a separator
	key   []float64
	limit chan struct{}
}

// cut returns the tree of blocks over the set, which it permutes; all of the
// set's labels are id, and no vertex outside has that label.
func (d *dissector) cut(set []int32, id int64) *block {
	if len(set) <= leafSize || id > math.MaxInt64/4 || d.done(set) {
		return &block{vertex: set}
	}
	directions := d.directions(set)
	best, bestAt := math.MaxInt, 0
	for k, dir := range directions {
		if d.done(set) {
			return &block{vertex: set}
		}
		a, b := d.halve(set, dir, id)
		if size := min(a, b); size < best {
			best, bestAt = size, k
		}
	}
	a, b := 0, 0
	if bestAt != len(directions)-1 {
		a, b = d.halve(set, directions[bestAt], id)
	} else {
		half := len(set) / 2
		a, b = d.touching(set[:half], 2*id+1), d.touching(set[half:], 2*id)
	}
	if d.done(set) {
		return &block{vertex: set}
	}
	// The separator goes to the end of the smaller boundary's half.
	half := len(set) / 2
	left, right, other := set[:half], set[half:], 2*id+1
	if b < a {
		left, right, other = right, left, 2*id
	}
	inner := len(left)
	for i := 0; i < inner; {
		if d.touches(left[i], other) {
			inner--
			left[i], left[inner] = left[inner], left[i]
		} else {
			i++
		}
	}
	separator := left[inner:]
	for _, v := range separator {
		d.label[v] = 0
	}
	leftID, rightID := 2*id+1-(other&1), other
	node := &block{vertex: separator, children: make([]*block, 0, 2)}
	var l, r *block
	var wait forkjoin.Group
	if len(set) >= parallelCut {
		select {
		case d.limit <- struct{}{}:
			wait.Go(func() {
				defer func() { <-d.limit }()
				r = d.cut(right, rightID)
			})
		default:
		}
	}
	if inner > 0 {
		l = d.cut(left[:inner], leftID)
	}
	wait.Wait()
	if r == nil {
		r = d.cut(right, rightID)
	}
	if l != nil {
		node.children = append(node.children, l)
	}
	node.children = append(node.children, r)
	return node
}

// done reports whether the call is to end; for small sets it does not look.
func (d *dissector) done(set []int32) bool {
	return len(set) >= parallelCut && d.ctx.Err() != nil
}

// halve orders the set so that its first half lies before its second along dir,
// labels them, and returns how many of each touch the other.
func (d *dissector) halve(set []int32, dir r3.Vec, id int64) (a, b int) {
	for _, v := range set {
		d.key[v] = r3.Dot(d.g.position[v], dir)
	}
	half := len(set) / 2
	if d.done(set) {
		return 0, 0
	}
	selectNth(set, d.key, half)
	if d.done(set) {
		return 0, 0
	}
	for i, v := range set {
		if i < half {
			d.label[v] = 2 * id
		} else {
			d.label[v] = 2*id + 1
		}
	}
	return d.touching(set[:half], 2*id+1), d.touching(set[half:], 2*id)
}

// touching counts the vertices of set with a neighbour labelled other.
func (d *dissector) touching(set []int32, other int64) int {
	count := 0
	for _, v := range set {
		if d.touches(v, other) {
			count++
		}
	}
	return count
}

func (d *dissector) touches(v int32, other int64) bool {
	for _, u := range d.g.neighbour[d.g.start[v]:d.g.start[v+1]] {
		if d.label[u] == other {
			return true
		}
	}
	return false
}

// directions returns the set's longest axis, and for large sets also its second
// and the two between, by the eigenvectors of the covariance.
func (d *dissector) directions(set []int32) []r3.Vec {
	var mean r3.Vec
	for _, v := range set {
		mean = r3.Add(mean, d.g.position[v])
	}
	mean = r3.Scale(1/float64(len(set)), mean)
	var xx, xy, xz, yy, yz, zz float64
	for _, v := range set {
		p := r3.Sub(d.g.position[v], mean)
		xx += p.X * p.X
		xy += p.X * p.Y
		xz += p.X * p.Z
		yy += p.Y * p.Y
		yz += p.Y * p.Z
		zz += p.Z * p.Z
	}
	power := func(x, not r3.Vec) r3.Vec {
		for range 12 {
			x = r3.Sub(x, r3.Scale(r3.Dot(x, not), not))
			x = r3.Vec{X: xx*x.X + xy*x.Y + xz*x.Z, Y: xy*x.X + yy*x.Y + yz*x.Z, Z: xz*x.X + yz*x.Y + zz*x.Z}
			n := r3.Norm(x)
			if n == 0 {
				return r3.Vec{X: 1}
			}
			x = r3.Scale(1/n, x)
		}
		return x
	}
	e := power(r3.Vec{X: 1, Y: 0.9, Z: 0.8}, r3.Vec{})
	if len(set) < manyDirections {
		return []r3.Vec{e}
	}
	f := power(r3.Vec{X: 0.7, Y: -1, Z: 0.6}, e)
	return []r3.Vec{r3.Add(e, f), r3.Sub(e, f), f, e}
}

// selectNth permutes set so that its first n have no greater key than the rest
// (Hoare 1961, "Algorithm 65: FIND"), equal keys by number.
func selectNth(set []int32, key []float64, n int) {
	less := func(a, b int32) bool { return key[a] < key[b] || key[a] == key[b] && a < b }
	lo, hi := 0, len(set)-1
	for lo < hi {
		mid := (lo + hi) / 2
		if less(set[mid], set[lo]) {
			set[mid], set[lo] = set[lo], set[mid]
		}
		if less(set[hi], set[lo]) {
			set[hi], set[lo] = set[lo], set[hi]
		}
		if less(set[hi], set[mid]) {
			set[hi], set[mid] = set[mid], set[hi]
		}
		pivot := set[mid]
		i, j := lo, hi
		for i <= j {
			for less(set[i], pivot) {
				i++
			}
			for less(pivot, set[j]) {
				j--
			}
			if i <= j {
				set[i], set[j] = set[j], set[i]
				i++
				j--
			}
		}
		switch {
		case n <= j:
			hi = j
		case n >= i:
			lo = i
		default:
			return
		}
	}
}

// embed gives the vertices of a set coordinates from the graph alone: the numbers
// of edges from three vertices, each far from the ones before.
func embed(g *graph, set []int32) {
	level := make(map[int32][3]float64, len(set))
	from := set[0]
	far := make(map[int32]float64, len(set))
	for axis := range 3 {
		seen := map[int32]bool{from: true}
		queue, depth := []int32{from}, []float64{0}
		for at := 0; at < len(queue); at++ {
			v := queue[at]
			l := level[v]
			l[axis] = depth[at]
			level[v] = l
			if f, ok := far[v]; !ok || depth[at] < f {
				far[v] = depth[at]
			}
			for _, u := range g.neighbour[g.start[v]:g.start[v+1]] {
				if !seen[u] {
					seen[u] = true
					queue, depth = append(queue, u), append(depth, depth[at]+1)
				}
			}
		}
		for _, v := range set {
			if far[v] > far[from] {
				from = v
			}
		}
	}
	for _, v := range set {
		l := level[v]
		g.position[v] = r3.Vec{X: l[0], Y: l[1], Z: l[2]}
	}
}
