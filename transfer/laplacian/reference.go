package laplacian

// Times of the steps, for comparisons with other solvers.

import (
	"context"
	"time"
)

// StepTimes are the wall times of a solver's steps. Order includes the structure
// of the factor, as cholmod_analyze does; Solve leaves out the right-hand sides.
type StepTimes struct{ Assemble, Order, Factor, Solve time.Duration }

// Measure runs the steps of Factor and a solve of so many dense columns of ones
// (their values do not matter to the time).
func Measure(ctx context.Context, p Problem, columns, threads int) (StepTimes, *Solver, error) {
	var out StepTimes
	begin := time.Now()
	lap := func(d *time.Duration) {
		*d = time.Since(begin)
		begin = time.Now()
	}
	threads = max(threads, 1)
	s, err := prepare(ctx, p, threads)
	if err != nil {
		return out, nil, err
	}
	lap(&out.Assemble)
	if err := s.order(ctx, threads); err != nil {
		return out, nil, err
	}
	lap(&out.Order)
	if err := s.factorise(ctx, threads); err != nil {
		return out, nil, err
	}
	lap(&out.Factor)
	w := newWorkers(threads)
	blocks := (columns + blockColumns - 1) / blockColumns
	err = parallel(ctx, threads, blocks*len(s.regions), func(i int) error {
		r := s.regions[i/blocks]
		if r.factor == nil {
			return nil
		}
		scratch := <-w
		defer func() { w <- scratch }()
		n := pad(min(blockColumns, columns-i%blocks*blockColumns))
		x := make([]float64, len(r.vertex)*n)
		for k := range x {
			x[k] = 1
		}
		return r.factor.solve(ctx, x, n, scratch)
	})
	lap(&out.Solve)
	return out, s, err
}
