// Package closest finds the nearest point of a triangle surface, exactly.
//
// triangle.go holds the geometry of one triangle, tree.go the tree of bounding
// boxes over many and its construction, query.go the searches.
package closest

// The tree: a k-d split hierarchy of axis-aligned boxes (binned surface area
// heuristic: Wald, On fast Construction of SAH-based Bounding Volume
// Hierarchies, 2007) in flat arrays.
//
// Boxes live on an integer grid of 2^29 steps over the mesh, rounded outward by
// at least one step. Integer minimum, maximum and product are exact and cheap,
// so that a box bound never exceeds the true distance; distances themselves are
// float64 and come from the triangles alone.

import (
	"context"
	"fmt"
	"math"
	"sync/atomic"

	"github.com/selvage/selvage/transfer/forkjoin"
	"gonum.org/v1/gonum/spatial/r3"
)

const (
	gridBits  = 29
	leafSize  = 3
	countBits = 3    // a leaf reference keeps its size in so many low bits
	bins      = 16   // of the surface area heuristic
	taskSize  = 8192 // subtrees up to this many triangles are built as one task
	// checkEvery is the number of triangles between two looks at the context.
	checkEvery = 1 << 14
	// From this depth on, splits are at the median: the depth stays below
	// sahDepth + 28 < stackSize for every mesh that int32 can index.
	sahDepth  = 34
	stackSize = 64
	// Products of four lengths stay finite below this; beyond, a coordinate counts
	// as not finite.
	largestCoordinate = 1e60
)

// box is closed, in grid steps.
type box struct {
	loX, loY, loZ, hiX, hiY, hiZ int32
}

// node holds both children's boxes, so that one visit touches one cache line.
type node struct {
	left, right       box
	leftRef, rightRef int32 // >= 0: node; < 0: leaf, see leafRef
	_                 [2]int32
}

// normalBox bounds the unit normals below one child, rounded outward.
type normalBox struct {
	loX, loY, loZ, hiX, hiY, hiZ float32
}

type normalNode struct{ left, right normalBox }

// Tree answers nearest-point queries on a triangle surface. It is read-only once
// built and safe for concurrent use. It keeps its own copy of the geometry, about
// 250 bytes a triangle.
type Tree struct {
	nodes   []node
	normals []normalNode // parallel to nodes
	root    int32        // reference, as in node
	bounds  box

	// Triangles in leaf order.
	corners   []corner
	triangles [][3]r3.Vec
	unit      []r3.Vec // normal; zero for triangles without area
	id        []int32  // index in the caller's slice
	slot      []int32  // inverse of id; -1 for triangles left out

	origin r3.Vec  // grid point 0
	scale  float64 // steps per unit of length, a power of two
}

// NewTree builds a tree over the triangles, which index into positions. Triangles
// with a corner that is not finite (or beyond 1e60) are left out; degenerate ones
// are kept. An index outside positions is an error. threads <= 0 stands for
// GOMAXPROCS; the tree does not depend on it. It returns ctx's error, wrapped, when
// cancelled. O(n log n).
func NewTree(ctx context.Context, positions []r3.Vec, triangles [][3]int32, threads int) (*Tree, error) {
	return NewTreeAmong(ctx, positions, triangles, nil, threads)
}

// NewTreeAmong is NewTree over the triangles that among accepts (nil: all). It is
// called once for each, in order.
func NewTreeAmong(ctx context.Context, positions []r3.Vec, triangles [][3]int32, among func(t [3]int32) bool, threads int) (*Tree, error) {
	for i, t := range triangles {
		if i%checkEvery == 0 && ctx.Err() != nil {
			return nil, cancelledTree(ctx, triangles)
		}
		for _, v := range t {
			if v < 0 || int(v) >= len(positions) {
				return nil, fmt.Errorf("triangle %d: vertex %d is outside 0..%d", i, v, len(positions)-1)
			}
		}
	}
	if len(triangles) >= 1<<(31-countBits) {
		return nil, fmt.Errorf("%d triangles: at most %d fit the tree", len(triangles), 1<<(31-countBits)-1)
	}
	t := &Tree{slot: make([]int32, len(triangles)), scale: 1}
	lo, hi := r3.Vec{X: math.Inf(1), Y: math.Inf(1), Z: math.Inf(1)}, r3.Vec{X: math.Inf(-1), Y: math.Inf(-1), Z: math.Inf(-1)}
	kept := make([]int32, 0, len(triangles))
	for i, tri := range triangles {
		if i%checkEvery == 0 && ctx.Err() != nil {
			return nil, cancelledTree(ctx, triangles)
		}
		t.slot[i] = -1
		if among != nil && !among(tri) {
			continue
		}
		a, b, c := positions[tri[0]], positions[tri[1]], positions[tri[2]]
		if !usable(a) || !usable(b) || !usable(c) {
			continue
		}
		kept = append(kept, int32(i))
		lo = r3.Vec{X: min(lo.X, a.X, b.X, c.X), Y: min(lo.Y, a.Y, b.Y, c.Y), Z: min(lo.Z, a.Z, b.Z, c.Z)}
		hi = r3.Vec{X: max(hi.X, a.X, b.X, c.X), Y: max(hi.Y, a.Y, b.Y, c.Y), Z: max(hi.Z, a.Z, b.Z, c.Z)}
	}
	if len(kept) == 0 {
		return t, nil
	}
	t.origin = lo
	if extent := max(hi.X-lo.X, hi.Y-lo.Y, hi.Z-lo.Z); extent > 1e-40 {
		_, exp := math.Frexp(extent) // extent < 2^exp
		t.scale = math.Ldexp(1, gridBits-exp)
	}
	b := &builder{tree: t, ctx: ctx, prims: make([]prim, len(kept))}
	for k, i := range kept {
		if k%checkEvery == 0 && b.cancelled() {
			return nil, cancelledTree(ctx, triangles)
		}
		tri := triangles[i]
		p := &b.prims[k]
		p.id = i
		p.box = t.quantise(positions[tri[0]], positions[tri[1]], positions[tri[2]])
	}
	if err := b.build(threads); err != nil {
		return nil, cancelledTree(ctx, triangles)
	}
	n := len(kept)
	// Clearing so much memory takes its time: a look after each.
	for _, room := range []func(){
		func() { t.corners = make([]corner, n) }, func() { t.triangles = make([][3]r3.Vec, n) },
		func() { t.unit, t.id = make([]r3.Vec, n), make([]int32, n) },
	} {
		if b.cancelled() {
			return nil, cancelledTree(ctx, triangles)
		}
		room()
	}
	fill := func(block int) {
		for k := block * checkEvery; k < min(n, (block+1)*checkEvery); k++ {
			i := b.prims[k].id
			tri := triangles[i]
			c := [3]r3.Vec{positions[tri[0]], positions[tri[1]], positions[tri[2]]}
			t.triangles[k], t.corners[k] = c, newCorner(c)
			t.unit[k], t.id[k], t.slot[i] = unitNormal(c), i, int32(k)
		}
	}
	if forkjoin.Each(ctx, (n+checkEvery-1)/checkEvery, threads, func() func(int) { return fill }) != nil {
		return nil, cancelledTree(ctx, triangles)
	}
	t.normals = make([]normalNode, len(t.nodes))
	b.boundNormals(t.root)
	if ctx.Err() != nil {
		return nil, cancelledTree(ctx, triangles)
	}
	return t, nil
}

func cancelledTree(ctx context.Context, triangles [][3]int32) error {
	return fmt.Errorf("tree over %d triangles: %w", len(triangles), ctx.Err())
}

// Len is the number of triangles in the tree, without those left out.
func (t *Tree) Len() int { return len(t.id) }

func usable(p r3.Vec) bool { return largestAbs(p) <= largestCoordinate } // false for NaN

// unitNormal is zero for a triangle without area.
func unitNormal(t [3]r3.Vec) r3.Vec {
	ab, ac := r3.Sub(t[1], t[0]), r3.Sub(t[2], t[0])
	s := max(largestAbs(ab), largestAbs(ac))
	if !(s > 0) {
		return r3.Vec{}
	}
	n := r3.Cross(r3.Scale(1/s, ab), r3.Scale(1/s, ac)) // scaled: tiny triangles must not underflow
	l := r3.Norm(n)
	if !(l > 0) || math.IsInf(l, 0) {
		return r3.Vec{}
	}
	return r3.Scale(1/l, n)
}

// quantise returns the box of three points, outward by one to two steps: one for
// rounding here, one for the rounding of the query point in search.
func (t *Tree) quantise(a, b, c r3.Vec) box {
	down := func(x, o float64) int32 { return int32(math.Floor((x-o)*t.scale)) - 1 }
	up := func(x, o float64) int32 { return int32(math.Ceil((x-o)*t.scale)) + 1 }
	return box{
		down(min(a.X, b.X, c.X), t.origin.X), down(min(a.Y, b.Y, c.Y), t.origin.Y), down(min(a.Z, b.Z, c.Z), t.origin.Z),
		up(max(a.X, b.X, c.X), t.origin.X), up(max(a.Y, b.Y, c.Y), t.origin.Y), up(max(a.Z, b.Z, c.Z), t.origin.Z),
	}
}

func leafRef(first, count int) int32 { return ^int32(first<<countBits | count) }

func leafRange(ref int32) (first, end int32) {
	r := ^ref
	first = r >> countBits
	return first, first + r&(1<<countBits-1)
}

var emptyBox = box{math.MaxInt32, math.MaxInt32, math.MaxInt32, math.MinInt32, math.MinInt32, math.MinInt32}

func (b *box) add(o *box) {
	b.loX, b.loY, b.loZ = min(b.loX, o.loX), min(b.loY, o.loY), min(b.loZ, o.loZ)
	b.hiX, b.hiY, b.hiZ = max(b.hiX, o.hiX), max(b.hiY, o.hiY), max(b.hiZ, o.hiZ)
}

// halfArea of a box that is not empty.
func (b *box) halfArea() float64 {
	x, y, z := float64(b.hiX)-float64(b.loX), float64(b.hiY)-float64(b.loY), float64(b.hiZ)-float64(b.loZ)
	return x*y + y*z + z*x
}

// prim is a triangle during construction.
type prim struct {
	box box
	id  int32
}

// centre is twice the box's centre along an axis.
func (p *prim) centre(axis int) int32 {
	switch axis {
	case 0:
		return p.box.loX + p.box.hiX
	case 1:
		return p.box.loY + p.box.hiY
	}
	return p.box.loZ + p.box.hiZ
}

type builder struct {
	tree  *Tree
	ctx   context.Context
	prims []prim
	tasks []task
	stop  atomic.Bool
	steps int // of boundNormals
}

// task is a subtree that is built apart, into its own nodes.
type task struct {
	first, end, depth int
	parent            int32 // node that waits for it; -1 for the root
	isRight           bool
	nodes             []node
	ref               int32
}

// build splits the top of the tree on one goroutine and its subtrees, whose
// extent does not depend on threads, in parallel; then joins them in order.
func (b *builder) build(threads int) error {
	t := b.tree
	t.bounds = b.bound(0, len(b.prims))
	t.root = b.split(&t.nodes, 0, len(b.prims), 0, taskSize, -1, false)
	subtree := func(k int) {
		s := &b.tasks[k]
		s.ref = b.split(&s.nodes, s.first, s.end, s.depth, 0, -1, false)
	}
	if err := forkjoin.Each(b.ctx, len(b.tasks), threads, func() func(int) { return subtree }); err != nil {
		return err
	}
	all := len(t.nodes)
	for k := range b.tasks {
		all += len(b.tasks[k].nodes)
	}
	t.nodes = append(make([]node, 0, all), t.nodes...)
	for k := range b.tasks {
		if b.cancelled() {
			return b.ctx.Err()
		}
		s := &b.tasks[k]
		shift := int32(len(t.nodes))
		moved := func(ref int32) int32 {
			if ref >= 0 {
				return ref + shift
			}
			return ref
		}
		for _, n := range s.nodes {
			n.leftRef, n.rightRef = moved(n.leftRef), moved(n.rightRef)
			t.nodes = append(t.nodes, n)
		}
		switch ref := moved(s.ref); {
		case s.parent < 0:
			t.root = ref
		case s.isRight:
			t.nodes[s.parent].rightRef = ref
		default:
			t.nodes[s.parent].leftRef = ref
		}
	}
	return nil
}

func (b *builder) cancelled() bool {
	if b.stop.Load() {
		return true
	}
	if b.ctx.Err() != nil {
		b.stop.Store(true)
		return true
	}
	return false
}

func (b *builder) bound(first, end int) box {
	r := emptyBox
	for i := first; i < end; i++ {
		r.add(&b.prims[i].box)
	}
	return r
}

// split builds the subtree over prims[first:end] into nodes and returns its
// reference. Ranges of at most later triangles become tasks instead.
func (b *builder) split(nodes *[]node, first, end, depth, later int, parent int32, isRight bool) int32 {
	n := end - first
	if n <= leafSize {
		return leafRef(first, n)
	}
	if n <= later {
		b.tasks = append(b.tasks, task{first: first, end: end, depth: depth, parent: parent, isRight: isRight})
		return 0
	}
	if n > 1024 && b.cancelled() {
		return 0 // the whole tree is dropped
	}
	mid := b.partition(first, end, depth)
	if n > 1024 && b.cancelled() {
		return 0
	}
	me := int32(len(*nodes))
	*nodes = append(*nodes, node{left: b.bound(first, mid), right: b.bound(mid, end)})
	l := b.split(nodes, first, mid, depth+1, later, me, false)
	(*nodes)[me].leftRef = l
	r := b.split(nodes, mid, end, depth+1, later, me, true)
	(*nodes)[me].rightRef = r
	return me
}

// partition reorders prims[first:end] and returns where the right part starts.
func (b *builder) partition(first, end, depth int) int {
	ps := b.prims[first:end]
	middle := first + len(ps)/2
	if depth >= sahDepth {
		return middle
	}
	// Bin along the axis on which the centres spread most.
	axis, spread, low := 0, int64(-1), int32(0)
	for k := range 3 {
		lo, hi := int32(math.MaxInt32), int32(math.MinInt32)
		for i := range ps {
			c := ps[i].centre(k)
			lo, hi = min(lo, c), max(hi, c)
		}
		if s := int64(hi) - int64(lo); s > spread {
			axis, spread, low = k, s, lo
		}
	}
	if spread == 0 || len(ps) > checkEvery && b.cancelled() {
		return middle
	}
	factor := uint64(bins<<32) / uint64(spread+1)
	bin := func(p *prim) int { return int(uint64(int64(p.centre(axis))-int64(low)) * factor >> 32) }
	var count [bins]int
	var in [bins]box
	for j := range in {
		in[j] = emptyBox
	}
	for i := range ps {
		j := bin(&ps[i])
		count[j]++
		in[j].add(&ps[i].box)
	}
	// Cost of a cut behind bin j: areas weighted by the number of triangles.
	var rightCost [bins]float64
	acc, c := emptyBox, 0
	for j := bins - 1; j > 0; j-- {
		acc.add(&in[j])
		if c += count[j]; c > 0 {
			rightCost[j] = acc.halfArea() * float64(c)
		}
	}
	best, cut := math.Inf(1), 0
	acc, c = emptyBox, 0
	for j := 0; j < bins-1; j++ {
		acc.add(&in[j])
		if c += count[j]; c > 0 && c < len(ps) {
			if cost := acc.halfArea()*float64(c) + rightCost[j+1]; cost < best {
				best, cut = cost, j
			}
		}
	}
	if len(ps) > checkEvery && b.cancelled() {
		return middle
	}
	i, j := 0, len(ps)-1
	for i <= j {
		if bin(&ps[i]) <= cut {
			i++
		} else {
			ps[i], ps[j] = ps[j], ps[i]
			j--
		}
	}
	return first + i
}

// boundNormals fills the tree's normals below ref and returns their bound.
func (b *builder) boundNormals(ref int32) normalBox {
	t := b.tree
	inf := float32(math.Inf(1))
	r := normalBox{inf, inf, inf, -inf, -inf, -inf}
	if b.steps++; b.steps%checkEvery == 0 && b.cancelled() || b.stop.Load() {
		return r // the whole tree is dropped
	}
	if ref < 0 {
		first, end := leafRange(ref)
		for k := first; k < end; k++ {
			n := t.unit[k]
			r.add(normalBox{down32(n.X), down32(n.Y), down32(n.Z), up32(n.X), up32(n.Y), up32(n.Z)})
		}
		return r
	}
	n := &t.nodes[ref]
	l, q := b.boundNormals(n.leftRef), b.boundNormals(n.rightRef)
	t.normals[ref] = normalNode{l, q}
	r.add(l)
	r.add(q)
	return r
}

func (b *normalBox) add(o normalBox) {
	b.loX, b.loY, b.loZ = min(b.loX, o.loX), min(b.loY, o.loY), min(b.loZ, o.loZ)
	b.hiX, b.hiY, b.hiZ = max(b.hiX, o.hiX), max(b.hiY, o.hiY), max(b.hiZ, o.hiZ)
}

func down32(x float64) float32 {
	return math.Nextafter32(float32(x), float32(math.Inf(-1)))
}

func up32(x float64) float32 {
	return math.Nextafter32(float32(x), float32(math.Inf(1)))
}
