// Package laplacian holds the discrete Laplacian of a triangle mesh and fills in
// values over it: the harmonic or bi-Laplacian interpolant of given data, by a
// sparse Cholesky factorisation that serves many right-hand sides.
package laplacian

// The operator: edge weights from the cotangents of the opposite angles
// (Pinkall and Polthier 1993, "Computing Discrete Minimal Surfaces and Their
// Conjugates", Experimental Mathematics 2, section 2) and lumped masses.

import (
	"context"
	"math"

	"gonum.org/v1/gonum/spatial/r3"
)

// Kind says how an edge's weight comes from its triangles.
type Kind int

const (
	// Cotangent is half the sum of the cotangents of the angles opposite to the
	// edge, signed: exact for functions linear in a plane, but obtuse pairs of
	// angles make it negative, and the maximum principle is lost there.
	// Degenerate triangles count nothing.
	Cotangent Kind = iota
	// NonNegative is the same, held between minWeight and maxWeight, so that the
	// maximum principle holds on any triangles at all. Flipping edges to an
	// intrinsic Delaunay triangulation (Bobenko and Springborn 2007, "A Discrete
	// Laplace-Beltrami Operator for Simplicial Surfaces"; Sharp and Crane 2020,
	// "A Laplacian for Nonmanifold Triangle Meshes") would get there without an
	// error, but it couples vertices that share no edge, and triangles that are
	// degenerate to rounding need a change of their lengths first. Clamping is
	// wrong on the edges that are not Delaunay only, and cannot fail.
	NonNegative
)

// Cotangents are ratios of lengths, so that limits on them need no scale; an
// edge between two equilateral triangles weighs 1/sqrt(3).
const (
	// minWeight keeps every edge a connection: about 3% of a regular edge.
	minWeight = 0.02
	// maxWeight bounds what slivers do to the condition of the system: an angle
	// below about half a degree on both sides counts as that.
	maxWeight = 100
	// degenerate is the doubled area of a triangle over the square of its longest
	// edge below which its angles are rounding noise.
	degenerate = 1e-10
	// minMass is the least mass of a vertex over the mean mass: the bi-Laplacian
	// divides by it.
	minMass = 1e-3
)

// Edge is a connection that the triangles do not give, e.g. along a seam or
// between the parts of a button.
type Edge struct {
	A, B   int32
	Weight float64
}

// Operator is a symmetric Laplacian of n vertices as the weights of its edges:
//
//	(L x)_i = sum over neighbours j of w_ij (x_i - x_j)
//
// positive semidefinite (for Cotangent as the sum of the triangles' Dirichlet
// energies), integrated rather than pointwise: no units for positions in metres.
// The neighbours of i are Neighbour[Start[i]:Start[i+1]], ascending, distinct,
// without i; every edge appears from both its ends with the same bits in Weight.
// Mass is a third of the area of the triangles around each vertex, in square
// metres, never zero.
type Operator struct {
	Start, Neighbour []int32
	Weight           []float64
	Mass             []float64
	// position guides the elimination order; nil in an operator put together by hand.
	position []r3.Vec
	kind     Kind
}

// New builds the operator. Triangles may be degenerate, duplicate (they count
// twice), non-manifold, or have positions that are not finite (Cotangent leaves
// them out, NonNegative connects their vertices by minWeight). Indices must be
// within positions. O(n + triangles). positions is kept, not copied.
func New(positions []r3.Vec, triangles [][3]int32, kind Kind, extra ...Edge) *Operator {
	op, _ := NewContext(context.Background(), positions, triangles, kind, extra...) // fails by ctx alone
	return op
}

// checkEvery is the number of triangles or vertices between two looks at a
// context.
const checkEvery = 1 << 13

// NewContext is New that ends with ctx's error soon after ctx is done.
func NewContext(ctx context.Context, positions []r3.Vec, triangles [][3]int32, kind Kind, extra ...Edge) (*Operator, error) {
	n := len(positions)
	op := &Operator{Start: make([]int32, n+1), Mass: make([]float64, n), position: positions, kind: kind}
	start := make([]int32, n+1)
	for i, t := range triangles {
		if i%checkEvery == 0 && ctx.Err() != nil {
			return nil, ctx.Err()
		}
		for _, v := range t {
			start[v+1] += 2
		}
	}
	for _, e := range extra {
		start[e.A+1]++
		start[e.B+1]++
	}
	for v := range n {
		start[v+1] += start[v]
	}
	neighbour := make([]int32, start[n])
	weight := make([]float64, start[n])
	next := make([]int32, n)
	copy(next, start)
	add := func(i, j int32, w float64) {
		neighbour[next[i]], weight[next[i]] = j, w
		neighbour[next[j]], weight[next[j]] = i, w
		next[i]++
		next[j]++
	}
	for i, t := range triangles {
		if i%checkEvery == 0 && ctx.Err() != nil {
			return nil, ctx.Err()
		}
		half, area := halfCotangents(positions, t)
		for k := range t {
			if !math.IsInf(area, 0) {
				op.Mass[t[k]] += area / 3
			}
			if i, j := t[(k+1)%3], t[(k+2)%3]; i != j {
				add(i, j, half[k])
			}
		}
	}
	for _, e := range extra {
		if e.A != e.B {
			add(e.A, e.B, e.Weight)
		}
	}
	// Rows in ascending order, repeated neighbours summed. The sort is stable, so
	// that both ends of an edge add its triangles in the same order.
	out := int32(0)
	for v := range n {
		if v%checkEvery == 0 && ctx.Err() != nil {
			return nil, ctx.Err()
		}
		nb, w := neighbour[start[v]:next[v]], weight[start[v]:next[v]]
		for a := 1; a < len(nb); a++ {
			x, y := nb[a], w[a]
			b := a
			for ; b > 0 && nb[b-1] > x; b-- {
				nb[b], w[b] = nb[b-1], w[b-1]
			}
			nb[b], w[b] = x, y
		}
		first := out
		for a, u := range nb {
			if out > first && neighbour[out-1] == u {
				weight[out-1] += w[a]
				continue
			}
			neighbour[out], weight[out] = u, w[a]
			out++
		}
		op.Start[v+1] = out
	}
	op.Neighbour, op.Weight = neighbour[:out:out], weight[:out:out]
	if kind == NonNegative {
		for e, w := range op.Weight {
			if e%checkEvery == 0 && ctx.Err() != nil {
				return nil, ctx.Err()
			}
			op.Weight[e] = max(minWeight, min(w, maxWeight))
			if math.IsNaN(w) {
				op.Weight[e] = minWeight
			}
		}
	}
	floorMass(op.Mass)
	return op, nil
}

// halfCotangents returns half the cotangent of each angle of a triangle, zero
// where they mean nothing, and its area.
func halfCotangents(p []r3.Vec, t [3]int32) (half [3]float64, area float64) {
	a, b, c := p[t[0]], p[t[1]], p[t[2]]
	u, v, w := r3.Sub(b, a), r3.Sub(c, b), r3.Sub(a, c)
	double := r3.Norm(r3.Cross(u, w))
	longest := max(r3.Norm2(u), r3.Norm2(v), r3.Norm2(w))
	if !(double > degenerate*longest) || math.IsInf(longest, 0) {
		return half, 0
	}
	half[0] = -0.5 * r3.Dot(u, w) / double
	half[1] = -0.5 * r3.Dot(u, v) / double
	half[2] = -0.5 * r3.Dot(v, w) / double
	return half, double / 2
}

// floorMass raises masses to minMass of the mean, and to one where all are zero.
func floorMass(mass []float64) {
	sum, count := 0.0, 0
	for _, m := range mass {
		if m > 0 {
			sum += m
			count++
		}
	}
	least := 1.0
	if count > 0 {
		least = minMass * sum / float64(count)
	}
	for v := range mass {
		mass[v] = max(mass[v], least)
	}
}
