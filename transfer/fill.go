package transfer

// Fill: rows for what no match can be trusted with, from those that can, by the
// screened Laplace equation of falloff.go over the welded garment.

import (
	"context"
	"fmt"
	"math"

	"github.com/selvage/selvage/transfer/laplacian"
	"github.com/selvage/selvage/transfer/weights"
	"gonum.org/v1/gonum/spatial/r3"
)

const (
	// fixedRatio is how many times stronger than its neighbours' pull (the sum of
	// the edge weights around) a vertex's own data must be for its row to be taken
	// as it is. What is given up is below 1/fixedRatio of the neighbours' difference.
	fixedRatio = 200
	// fillConfidence is the confidence of a match below which its row counts as
	// filled in rather than matched.
	fillConfidence = 0.5
)

// fill returns the rows of all welded vertices after the solve, and writes the
// expected errors and reasons that come with it into t.
func fill(ctx context.Context, s *Source, g *target, t *trusted, opt *Options) (*weights.Rows, error) {
	n := len(g.position)
	op, err := laplacian.NewContext(ctx, g.position, g.welded.Mesh.Triangles, laplacian.NonNegative)
	if err != nil {
		return nil, fmt.Errorf("garment %q: fill: %w", g.garment.Name, err)
	}
	p := laplacian.Problem{Op: op, Energy: laplacian.Harmonic, DataWeight: make([]float64, n)}
	if opt.Fill == FillBiharmonic {
		p.Energy = laplacian.Biharmonic
	}
	own := make([]float64, n) // share of a vertex's own data in its result, roughly
	length := make([]float64, n)
	for v := range own {
		if v%(8*blockSize) == 0 && ctx.Err() != nil {
			return nil, ctx.Err()
		}
		if length[v] = math.Inf(1); t.rows.Start[v+1] == t.rows.Start[v] {
			continue // no match, no data
		}
		length[v] = smoothingLength(t.match[v].distance, t.doubt[v], t.hang[v], opt.Falloff)
		p.DataWeight[v], own[v] = dataWeight(s, op, v, length[v], opt.Fill)
	}
	solver, err := laplacian.Factor(ctx, p, opt.Threads)
	if err != nil {
		return nil, fmt.Errorf("garment %q: fill: %w", g.garment.Name, err)
	}
	joints := len(s.body.Skin.Joints)
	rows, err := solver.Solve(ctx, t.rows, joints, opt.Threads)
	if err != nil {
		return nil, fmt.Errorf("garment %q: fill: %w", g.garment.Name, err)
	}
	if g.lock != nil {
		if rows, err = g.lock.blendIn(ctx, s, g, t, op, rows, length, opt); err != nil {
			return nil, fmt.Errorf("garment %q: blend to locks: %w", g.garment.Name, err)
		}
		joints = g.lock.joints
	}
	if opt.Fill == FillBiharmonic {
		if rows, err = clamp(ctx, rows, joints); err != nil {
			return nil, err
		}
	}
	if rows, err = g.lock.split(ctx, s, t, rows); err != nil {
		return nil, err
	}
	if err := t.afterFill(ctx, g, rows, own); err != nil {
		return nil, err
	}
	g.lock.settle(t)
	return rows, nil
}

// dataWeight is the weight of vertex v's own data for a smoothing length, +Inf for
// data that stand, and the share of it in the result, roughly.
func dataWeight(s *Source, op *laplacian.Operator, v int, length float64, energy Fill) (weight, own float64) {
	pull := 0.0
	for e := op.Start[v]; e < op.Start[v+1]; e++ {
		pull += op.Weight[e]
	}
	a := 1 / (length * length)
	least := 1e-6 / (s.size * s.size)
	if energy == FillBiharmonic && pull > 0 {
		// The same length in the units of x^T L M^-1 L x, whose diagonal is about
		// pull^2/mass.
		a, pull, least = a*a, pull*pull/op.Mass[v], least/(s.size*s.size)
	}
	if pull == 0 || length == 0 || a*op.Mass[v] > fixedRatio*pull {
		return math.Inf(1), 1
	}
	// Weak data keep the system regular where nothing better is near.
	a = max(a, least)
	return a, a * op.Mass[v] / (a*op.Mass[v] + pull)
}

// clamp drops what overshot below zero and normalises, which also takes care of
// what overshot above one.
func clamp(ctx context.Context, rows *weights.Rows, joints int) (*weights.Rows, error) {
	acc := weights.NewAccumulator(joints)
	out := weights.NewRows(rows.Len())
	for v := 0; v < rows.Len(); v++ {
		if ended(ctx, v) {
			return nil, ctx.Err()
		}
		acc.AddRow(rows, v, 1)
		acc.FlushNormalised(out)
	}
	return out, nil
}

// afterFill sets the expected errors: the evidence, with what the solve had to
// invent (how far it moved from what the match said), lightly smoothed.
func (t *trusted) afterFill(ctx context.Context, g *target, rows *weights.Rows, own []float64) error {
	for v := range own {
		if v%(8*blockSize) == 0 && ctx.Err() != nil {
			return ctx.Err()
		}
		e := &t.evidence[v]
		if rows.Start[v+1] > rows.Start[v] && t.rows.Start[v+1] > t.rows.Start[v] {
			e.moved = rows.DistanceL1(v, t.rows, v)
		}
		if confidence(t.doubt[v]) < fillConfidence && own[v] < 1 {
			t.reason[v] |= ReasonFilled
		}
		t.expected[v] = e.weighted(&evidenceWeight)
		if t.match[v].triangle < 0 {
			t.expected[v] = 2
		}
	}
	return t.spread(ctx, g)
}

// spread smooths the expected errors lightly over the garment's edges (two
// Jacobi steps of half weight): neighbours are wrong together.
func (t *trusted) spread(ctx context.Context, g *target) error {
	next := make([]float64, len(t.expected))
	for range 2 {
		for v := range next {
			if v%(8*blockSize) == 0 && ctx.Err() != nil {
				return ctx.Err()
			}
			sum, k := 0.0, 0.0
			for _, u := range g.adjacency.Neighbours(v) {
				sum += t.expected[u]
				k++
			}
			next[v] = t.expected[v]
			if k > 0 && t.match[v].distance > 0 {
				next[v] = 0.5*t.expected[v] + 0.5*sum/k
			}
		}
		copy(t.expected, next)
	}
	return nil
}

// lastResort gives rows to vertices that have none: the nearest usable body
// vertex's, whatever the distance. It returns how many there were.
func lastResort(ctx context.Context, s *Source, g *target, t *trusted, rows *weights.Rows) (*weights.Rows, int, error) {
	missing := 0
	for v := 0; v < rows.Len(); v++ {
		if rows.Start[v+1] == rows.Start[v] {
			missing++
		}
	}
	if missing == 0 {
		return rows, 0, nil
	}
	acc := weights.NewAccumulator(len(s.body.Skin.Joints))
	out := weights.NewRows(rows.Len())
	for v := 0; v < rows.Len(); v++ {
		if v%blockSize == 0 && ctx.Err() != nil {
			return nil, 0, ctx.Err()
		}
		if rows.Start[v+1] > rows.Start[v] {
			out.Append(rows.Row(v))
			continue
		}
		t.expected[v] = 2
		t.reason[v] |= ReasonFilled
		hit := s.tree.Nearest(g.position[v])
		if hit.Triangle >= 0 {
			s.addRow(acc, hit.Triangle, hit.Bary, 1)
		} else {
			// So far away that every distance is infinite, any vertex will do.
			best, least := s.triangle[0][0], math.Inf(1)
			for _, tri := range s.triangle {
				if d := r3.Norm2(r3.Sub(s.body.Mesh.Positions[tri[0]], g.position[v])); d < least {
					best, least = tri[0], d
				}
			}
			acc.AddRow(s.body.Rows, int(best), 1)
		}
		acc.FlushNormalised(out)
	}
	return out, missing, nil
}
