package retouch

import (
	"context"
	"math"
	"slices"

	"github.com/selvage/selvage/transfer/laplacian"
	"gonum.org/v1/gonum/spatial/r3"
)

// SmoothOptions of Smooth. The zero value works.
type SmoothOptions struct {
	// Strength is the smoothing length in edges: how far, in lengths of the edges
	// around each vertex, its row is averaged in one pass. Above 0 and up to 100.
	// Zero: 1.
	Strength float64
	// Passes, 1 to 100. Zero: 1.
	Passes int
}

func (o *SmoothOptions) complete() error {
	if o.Strength == 0 {
		o.Strength = 1
	}
	if !(o.Strength > 0 && o.Strength <= 100) {
		return bad("strength", "%g is not above 0 and up to 100", o.Strength)
	}
	if o.Passes == 0 {
		o.Passes = 1
	}
	if o.Passes < 1 || o.Passes > 100 {
		return bad("passes", "%d is outside 1..100", o.Passes)
	}
	return nil
}

// SmoothReport says what Smooth did.
type SmoothReport struct {
	// Region is the number of vertices that were smoothed.
	Region int     `json:"region"`
	Length float64 `json:"length"` // mean smoothing length of one pass, metres
	Passes int     `json:"passes"`
	// Riders on the surface.
	Riders RiderReport `json:"riders"`
}

// Smooth smooths the rows of the vertices in mask (nil: all) along the surface. A
// pass is an implicit step of diffusion: it minimises
//
//	x^T L x + sum over i of M_i (x_i - d_i)^2 / l_i^2
//
// for the rows d before it, with l the smoothing length at each vertex, Strength times
// its mean edge, and M its mass. With the non-negative weights of Fill every new row
// is a weighted mean of old ones, so that weights stay non-negative and sum to one
// whatever the step; what is constant stays, and rows outside the mask are fixed. Small
// pieces that move as one with what they sit on go on doing so (riders.go).
// Source: Desbrun, Meyer, Schröder, Barr 1999, "Implicit Fairing of Irregular Meshes
// using Diffusion and Curvature Flow", SIGGRAPH, section 2.3 (from memory).
// Errors: *transfer.OptionError; ErrNoRows; ctx's. O(n^1.5).
func Smooth(ctx context.Context, s *Surface, mask []bool, opt SmoothOptions, form Form) (*Result, *SmoothReport, error) {
	if err := opt.complete(); err != nil {
		return nil, nil, err
	}
	g, err := join(ctx, s, form)
	if err != nil {
		return nil, nil, err
	}
	in, err := g.mask(mask)
	if err != nil {
		return nil, nil, err
	}
	region := slices.Clone(in)
	op, err := nonNegative(ctx, g.bind)
	if err != nil {
		return nil, nil, err
	}
	report := &SmoothReport{Passes: opt.Passes}
	data := make([]float64, len(in))
	count := 0
	for w := range data {
		near := g.adjacency.Neighbours(w)
		switch {
		case !g.usable(w):
			in[w] = false // it takes no part
		case !in[w] || len(near) == 0:
			in[w] = false
			data[w] = math.Inf(1)
		default:
			bind, world := 0.0, 0.0
			for _, u := range near {
				bind += r3.Norm(r3.Sub(g.bind.Positions[u], g.bind.Positions[w]))
				world += r3.Norm(r3.Sub(g.mesh.Positions[u], g.mesh.Positions[w]))
			}
			length := opt.Strength * bind / float64(len(near))
			data[w] = 1 / (length * length)
			report.Region += len(g.member[w])
			report.Length += opt.Strength * world / float64(len(near))
			count++
		}
	}
	if count == 0 {
		if len(g.rows.Joint) == 0 {
			return nil, nil, ErrNoRows
		}
		return nil, nil, bad("mask", "no vertex of the region has weights and neighbours")
	}
	report.Length /= float64(count)
	solver, err := laplacian.Factor(ctx, laplacian.Problem{Op: op, DataWeight: data}, g.form.Threads)
	if err != nil {
		return nil, nil, err
	}
	rows := g.rows
	for range opt.Passes {
		if rows, err = solver.Solve(ctx, rows, len(s.Skin.Joints), g.form.Threads); err != nil {
			return nil, nil, err
		}
	}
	if rows, err = g.ride(ctx, rows, in, region, false, &report.Riders); err != nil {
		return nil, nil, err
	}
	r, err := g.finish(ctx, rows, in)
	return r, report, err
}
