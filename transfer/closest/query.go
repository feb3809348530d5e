package closest

// Searches. Every triangle's distance is a function of the triangle and the query
// alone, and subtrees are passed over only when their bound exceeds the best
// distance with room for rounding; so the answer is the smallest pair (distance,
// triangle index) over all triangles, whatever the order of the visit, the seed
// or the number of goroutines.

import (
	"context"
	"fmt"
	"math"

	"github.com/selvage/selvage/transfer/forkjoin"
	"gonum.org/v1/gonum/spatial/r3"
)

const (
	// roundingRoom covers the relative error of a squared distance, which is a
	// few times 2^-52; bounds are weakened by so much before they prune.
	roundingRoom = 1e-13
	// queryRange, in grid steps: beyond it integer bounds could overflow and
	// float64 ones serve. Squares of at most 1.5·2^30, three of them, fit int64.
	queryRange = 1 << 30
	// batchSize is the number of queries between two looks at the context.
	batchSize = 256
)

// Hit is the nearest point of a surface.
type Hit struct {
	// Triangle is the index in the slice given to NewTree; -1 when there is none.
	Triangle int32
	// DistanceSq is the squared distance, in squared units of the mesh.
	DistanceSq float64
	Point      r3.Vec
	// Bary are the barycentric coordinates of Point: non-negative, sum 1.
	Bary [3]float64
}

var noHit = Hit{Triangle: -1, DistanceSq: math.Inf(1)}

// Nearest returns the point of the surface nearest to p. Of triangles at the same
// distance the lowest index wins. The hit's Triangle is -1 for an empty tree and
// for a p that is not finite. O(log n) typically.
func (t *Tree) Nearest(p r3.Vec) Hit { return t.NearestWithin(p, math.Inf(1)) }

// NearestWithin is Nearest among points with a squared distance of at most maxDistSq.
func (t *Tree) NearestWithin(p r3.Vec, maxDistSq float64) Hit {
	slot, distSq := t.search(p, -1, maxDistSq)
	return t.hit(p, slot, distSq)
}

// NearestAll fills hits[i] with Nearest(points[i]); both have the same length.
// It works on threads goroutines (<= 0: GOMAXPROCS) and is fastest when
// neighbours in the slice are neighbours in space. When ctx is cancelled it returns
// ctx's error within a few milliseconds; hits are then partly filled.
func (t *Tree) NearestAll(ctx context.Context, points []r3.Vec, hits []Hit, threads int) error {
	if len(points) != len(hits) {
		return fmt.Errorf("%d hits for %d points", len(hits), len(points))
	}
	batch := func(b int) {
		end := min(len(points), (b+1)*batchSize)
		seed := int32(-1)
		for i := b * batchSize; i < end; i++ {
			slot, distSq := t.search(points[i], seed, math.Inf(1))
			hits[i] = t.hit(points[i], slot, distSq)
			seed = slot
		}
	}
	batches := (len(points) + batchSize - 1) / batchSize
	if err := forkjoin.Each(ctx, batches, threads, func() func(int) { return batch }); err != nil {
		return fmt.Errorf("nearest points of %d queries: %w", len(points), err)
	}
	return nil
}

// NearestOriented minimises cost = |p-x|² + lambdaSq·|n-n'(x)|² over the points x
// of the surface, where n'(x) is the unit normal of x's triangle (zero for
// triangles without area), n a unit vector and lambdaSq >= 0 in squared units of
// length. Flip n to ask for the surface that faces the other way. Only costs of at
// most maxCost count; without one the hit's Triangle is -1 and the cost +Inf.
// Of equal costs the lowest triangle index wins.
func (t *Tree) NearestOriented(p, n r3.Vec, lambdaSq, maxCost float64) (Hit, float64) {
	return t.NearestOrientedAmong(p, n, lambdaSq, maxCost, nil)
}

// NearestOrientedAmong is NearestOriented over the triangles i with allowed[i];
// nil allows all.
func (t *Tree) NearestOrientedAmong(p, n r3.Vec, lambdaSq, maxCost float64, allowed []bool) (Hit, float64) {
	if len(t.id) == 0 || !usable(p) || !usable(n) || !(lambdaSq >= 0) || !(maxCost >= 0) {
		return noHit, math.Inf(1)
	}
	best, bestSlot := maxCost, int32(-1)
	bestID, bestDistSq := int32(math.MaxInt32), 0.0
	limit := best * (1 + roundingRoom)
	g := t.toGrid(p)
	perStep := (1 / t.scale) * (1 / t.scale)
	var stack [stackSize]struct {
		bound float64
		ref   int32
	}
	depth, ref := 0, t.root
	for {
		for ref >= 0 {
			x, m := &t.nodes[ref], &t.normals[ref]
			l, r := x.leftRef, x.rightRef
			lb := boxBound(&x.left, g)*perStep + lambdaSq*m.left.bound(n)
			rb := boxBound(&x.right, g)*perStep + lambdaSq*m.right.bound(n)
			if rb < lb {
				l, r, lb, rb = r, l, rb, lb
			}
			if !(lb <= limit) {
				goto pop
			}
			if rb <= limit {
				stack[depth&(stackSize-1)].bound, stack[depth&(stackSize-1)].ref = rb, r
				depth++
			}
			ref = l
		}
		for first, end := leafRange(ref); first < end; first++ {
			id := t.id[first]
			if allowed != nil && !allowed[id] {
				continue
			}
			distSq := t.distanceSq(first, p)
			cost := distSq + lambdaSq*r3.Norm2(r3.Sub(n, t.unit[first]))
			if cost < best || cost == best && id < bestID {
				best, bestSlot, bestID, bestDistSq = cost, first, id, distSq
				limit = best * (1 + roundingRoom)
			}
		}
	pop:
		for {
			if depth == 0 {
				if bestSlot < 0 {
					return noHit, math.Inf(1)
				}
				return t.hit(p, bestSlot, bestDistSq), best
			}
			depth--
			if s := &stack[depth&(stackSize-1)]; s.bound <= limit {
				ref = s.ref
				break
			}
		}
	}
}

// VisitWithin calls visit for every triangle whose distance from p is at most r,
// with its index and squared distance, in an order that depends on the mesh alone.
func (t *Tree) VisitWithin(p r3.Vec, r float64, visit func(triangle int32, distSq float64)) {
	if len(t.id) == 0 || !usable(p) || !(r >= 0) {
		return
	}
	g := t.toGrid(p)
	steps := r * t.scale
	limit := steps * steps * (1 + roundingRoom)
	rSq := r * r
	var walk func(ref int32)
	walk = func(ref int32) {
		if ref < 0 {
			for k, end := leafRange(ref); k < end; k++ {
				if d := t.distanceSq(k, p); d <= rSq {
					visit(t.id[k], d)
				}
			}
			return
		}
		x := &t.nodes[ref]
		if boxBound(&x.left, g) <= limit {
			walk(x.leftRef)
		}
		if boxBound(&x.right, g) <= limit {
			walk(x.rightRef)
		}
	}
	walk(t.root)
}

// hit describes the nearest point of the triangle in a slot; -1 is no triangle.
func (t *Tree) hit(p r3.Vec, slot int32, distSq float64) Hit {
	if slot < 0 {
		return noHit
	}
	c := &t.corners[slot]
	v, w, _ := c.nearest(p)
	return Hit{
		Triangle:   t.id[slot],
		DistanceSq: distSq,
		Point:      c.at(t.triangles[slot], v, w),
		Bary:       [3]float64{max(0, 1-v-w), v, w},
	}
}

// distanceSq of p from the triangle in a slot. All searches compare its values.
func (t *Tree) distanceSq(slot int32, p r3.Vec) float64 {
	_, _, d := t.corners[slot].nearest(p)
	return d
}

func (t *Tree) toGrid(p r3.Vec) r3.Vec { return r3.Scale(t.scale, r3.Sub(p, t.origin)) }

// boxBound is the squared distance, in steps, of g from a box, weakened by roundingRoom.
func boxBound(b *box, g r3.Vec) float64 {
	x := min(g.X-float64(b.loX), float64(b.hiX)-g.X, 0)
	y := min(g.Y-float64(b.loY), float64(b.hiY)-g.Y, 0)
	z := min(g.Z-float64(b.loZ), float64(b.hiZ)-g.Z, 0)
	return (x*x + y*y + z*z) * (1 - roundingRoom)
}

// bound is the squared distance of n from the box, weakened by roundingRoom.
func (b *normalBox) bound(n r3.Vec) float64 {
	x := min(n.X-float64(b.loX), float64(b.hiX)-n.X, 0)
	y := min(n.Y-float64(b.loY), float64(b.hiY)-n.Y, 0)
	z := min(n.Z-float64(b.loZ), float64(b.hiZ)-n.Z, 0)
	return (x*x + y*y + z*z) * (1 - roundingRoom)
}

// search returns the slot of the nearest triangle within maxDistSq, or -1. A
// triangle's slot as seed sets the first bound and saves visits when it is near.
func (t *Tree) search(p r3.Vec, seed int32, maxDistSq float64) (slot int32, distSq float64) {
	if len(t.id) == 0 || !usable(p) || !(maxDistSq >= 0) {
		return -1, math.Inf(1)
	}
	g := t.toGrid(p)
	if !(largestAbs(g) < queryRange) {
		h, d := t.NearestOriented(p, r3.Vec{}, 0, maxDistSq)
		if h.Triangle < 0 {
			return -1, d
		}
		return t.slot[h.Triangle], d
	}
	gx, gy, gz := int64(math.Floor(g.X)), int64(math.Floor(g.Y)), int64(math.Floor(g.Z))
	best, bestSlot, bestID := maxDistSq, int32(-1), int32(math.MaxInt32)
	if seed >= 0 {
		if d := t.distanceSq(seed, p); d <= best {
			best, bestSlot, bestID = d, seed, t.id[seed]
		}
	}
	limit := t.limit(best)
	var stack [stackSize]struct {
		bound int64
		ref   int32
	}
	nodes := t.nodes
	depth, ref := 0, t.root
	for {
		for ref >= 0 {
			x := &nodes[ref]
			l, r := x.leftRef, x.rightRef
			dx := max(int64(x.left.loX)-gx, gx-int64(x.left.hiX), 0)
			dy := max(int64(x.left.loY)-gy, gy-int64(x.left.hiY), 0)
			dz := max(int64(x.left.loZ)-gz, gz-int64(x.left.hiZ), 0)
			lb := dx*dx + dy*dy + dz*dz
			ex := max(int64(x.right.loX)-gx, gx-int64(x.right.hiX), 0)
			ey := max(int64(x.right.loY)-gy, gy-int64(x.right.hiY), 0)
			ez := max(int64(x.right.loZ)-gz, gz-int64(x.right.hiZ), 0)
			rb := ex*ex + ey*ey + ez*ez
			if rb < lb {
				l, r, lb, rb = r, l, rb, lb
			}
			if lb > limit {
				goto pop
			}
			if rb <= limit {
				stack[depth&(stackSize-1)].bound, stack[depth&(stackSize-1)].ref = rb, r
				depth++
			}
			ref = l
		}
		for first, end := leafRange(ref); first < end; first++ {
			if d := t.distanceSq(first, p); d <= best {
				if id := t.id[first]; d < best || id < bestID {
					best, bestSlot, bestID = d, first, id
					limit = t.limit(best)
				}
			}
		}
	pop:
		for {
			if depth == 0 {
				return bestSlot, best
			}
			depth--
			if s := &stack[depth&(stackSize-1)]; s.bound <= limit {
				ref = s.ref
				break
			}
		}
	}
}

// limit is the squared distance in grid steps beyond which a box is of no use.
func (t *Tree) limit(distSq float64) int64 {
	s := distSq * (1 + roundingRoom) * t.scale * t.scale
	if !(s < 1<<62) {
		return math.MaxInt64
	}
	return int64(s) + 1
}
