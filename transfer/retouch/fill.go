package retouch

import (
	"context"
	"math"

	"github.com/selvage/selvage/transfer"
	"github.com/selvage/selvage/transfer/laplacian"
	"github.com/selvage/selvage/transfer/mesh"
	"github.com/selvage/selvage/transfer/weights"
)

// FillReport says what Fill did.
type FillReport struct {
	// Region is the number of vertices in the region.
	Region int `json:"region"`
	// Unreached vertices of it keep their rows: no vertex with a row outside the region is
	// joined to them.
	Unreached int `json:"unreached"`
	// Clamped vertices had weights below zero by more than leastOvershoot, which were set
	// to zero: the biharmonic fill overshoots, the harmonic one cannot.
	Clamped int `json:"clamped"`
	// Overshoot is how far below zero the lowest weight of all was, counted or not; 0
	// where that is rounding.
	Overshoot float64 `json:"overshoot"`
	// Lost are joints whose weight is all but gone: the region held what they move.
	Lost []LostJoint `json:"lost,omitempty"`
	// Riders on the surface.
	Riders RiderReport `json:"riders"`
}

// leastOvershoot is how far below zero a weight has to be to count: a biharmonic fill
// rings around zero wherever a joint's weight runs out, and a thousandth of the weight
// moves a vertex 10 cm from the joint by 0.14 mm in a quarter turn.
const leastOvershoot = 1e-3

// Weights of the Laplacian's edges, which are ratios of lengths. The least keeps the
// maximum principle, and a connection where the cotangents cancel, as they do across
// the diagonal of a square; it is small enough that what is linear along a plane stays
// so to 1e-4 of its range. The greatest is the laplacian package's own for slivers.
const (
	leastEdge    = 1e-6
	greatestEdge = 100
)

// nonNegative is the cotangent Laplacian with its weights held between leastEdge and
// greatestEdge, so that on any triangles the maximum principle holds (Wardetzky,
// Mathur, Kälberer, Grinspun 2007, "Discrete Laplace operators: No free lunch",
// Symposium on Geometry Processing, section 2: positive weights give it; cotangents
// are linearly precise, and non-negative on Delaunay triangles).
func nonNegative(ctx context.Context, m *mesh.Mesh) (*laplacian.Operator, error) {
	op, err := laplacian.NewContext(ctx, m.Positions, m.Triangles, laplacian.Cotangent)
	if err != nil {
		return nil, err
	}
	for e, w := range op.Weight {
		if !(w >= leastEdge) { // NaN too
			op.Weight[e] = leastEdge
		} else if w > greatestEdge {
			op.Weight[e] = greatestEdge
		}
	}
	return op, nil
}

// Fill solves the rows of the vertices in mask anew from those around it, which are
// fixed data: the harmonic fill with non-negative weights, so that every weight lies
// between its data, or the biharmonic one, which also goes on in the direction in
// which they change, at the price of overshooting (clamped and counted). What is in
// the region's rows does not matter. Small pieces that move as one and lie wholly in the
// region get the row of what they sit on (riders.go). Other vertices that no data reach
// keep their rows. What is linear in a plane is filled in as it was: by the biharmonic
// fill on any triangles, by the harmonic one where they are Delaunay; elsewhere its
// non-negative weights are off by about a hundredth.
// Errors: a mask of another length, an empty one, or one that leaves nothing to fill
// from (*transfer.OptionError); ctx's. O(n^1.5) for n vertices in mask.
func Fill(ctx context.Context, s *Surface, mask []bool, energy transfer.Fill, form Form) (*Result, *FillReport, error) {
	if energy != transfer.FillHarmonic && energy != transfer.FillBiharmonic {
		return nil, nil, bad("fill", "%d is no energy", energy)
	}
	g, err := join(ctx, s, form)
	if err != nil {
		return nil, nil, err
	}
	in, err := g.mask(mask)
	if err != nil {
		return nil, nil, err
	}
	report := &FillReport{}
	for w := range in {
		if in[w] {
			report.Region += len(g.member[w])
		}
	}
	if report.Region == 0 {
		return nil, nil, bad("mask", "no vertex is in the region")
	}
	next, reached, err := g.fill(ctx, in, energy, report)
	if err != nil {
		return nil, nil, err
	}
	if next, err = g.ride(ctx, next, reached, in, true, &report.Riders); err != nil {
		return nil, nil, err
	}
	for w := range in {
		if in[w] && !reached[w] {
			report.Unreached += len(g.member[w])
		}
	}
	if report.Unreached == report.Region {
		return nil, nil, bad("mask", "the region of %d vertices leaves nothing around it to fill from", report.Region)
	}
	r, err := g.finish(ctx, next, reached)
	if err != nil {
		return nil, nil, err
	}
	report.Lost = lostJoints(s, r, func(v int) bool { return in[g.to[v]] })
	return r, report, nil
}

// fill solves the rows of the joined vertices in mask; reached says which of them
// got one.
func (g *joined) fill(ctx context.Context, in []bool, energy transfer.Fill, report *FillReport) (next *weights.Rows, reached []bool, err error) {
	op, kind := (*laplacian.Operator)(nil), laplacian.Harmonic
	if energy == transfer.FillBiharmonic {
		kind = laplacian.Biharmonic
		op, err = laplacian.NewContext(ctx, g.bind.Positions, g.bind.Triangles, laplacian.Cotangent)
	} else {
		op, err = nonNegative(ctx, g.bind)
	}
	if err != nil {
		return nil, nil, err
	}
	data := make([]float64, len(in))
	for w := range data {
		if !in[w] && g.usable(w) {
			data[w] = math.Inf(1)
		}
	}
	solver, err := laplacian.Factor(ctx, laplacian.Problem{Op: op, Energy: kind, DataWeight: data}, g.form.Threads)
	if err != nil {
		return nil, nil, err
	}
	solved, err := solver.Solve(ctx, g.rows, len(g.of.Skin.Joints), g.form.Threads)
	if err != nil {
		return nil, nil, err
	}
	reached = make([]bool, len(in))
	copy(reached, in)
	for _, w := range solver.Unreached() {
		reached[w] = false
	}
	acc := weights.NewAccumulator(len(g.of.Skin.Joints))
	next = weights.NewRows(len(in))
	for w := range in {
		if !reached[w] {
			next.Append(g.rows.Row(w))
			continue
		}
		lowest := 0.0
		joint, weight := solved.Row(w)
		for i, j := range joint {
			lowest = min(lowest, weight[i])
			acc.Add(j, weight[i])
		}
		if lowest < -1e-6 {
			report.Overshoot = max(report.Overshoot, -lowest)
		}
		if lowest < -leastOvershoot {
			report.Clamped += len(g.member[w])
		}
		acc.FlushNormalised(next) // leaves out what is not positive
	}
	return next, reached, nil
}
