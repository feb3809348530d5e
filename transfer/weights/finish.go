package weights

import (
	"context"
	"fmt"

	"github.com/selvage/selvage/transfer/forkjoin"
)

// FinishOptions say in what form a file wants the rows.
type FinishOptions struct {
	// MaxInfluences per vertex. Zero or less: no limit.
	MaxInfluences int
	// PruneBelow drops influences with a smaller share of their row, in [0, 1).
	PruneBelow float64
	// Format of the stored weights. Zero: Float32.
	Format Format
	// Threads at work. Zero or less: as many as the processor runs at once.
	Threads int
}

// finishBatch is the number of vertices that one goroutine takes at a time, and
// between two looks at a context.
const finishBatch = 4096

// Finish limits, prunes, normalises and quantises each row, in this order. lost
// is the share of each row's weight that the limit dropped; what pruning drops
// is not counted. A row that Normalise would refuse gives its *RowError, for the
// lowest such vertex. The result does not depend on Threads; r is not changed.
func Finish(r *Rows, o FinishOptions) (rows *Rows, lost []float32, err error) {
	return FinishContext(context.Background(), r, o)
}

// FinishContext is Finish that ends with ctx's error soon after ctx is done.
func FinishContext(ctx context.Context, r *Rows, o FinishOptions) (rows *Rows, lost []float32, err error) {
	if !(o.PruneBelow >= 0 && o.PruneBelow < 1) {
		return nil, nil, fmt.Errorf("prune below %g: want a share in [0, 1)", o.PruneBelow)
	}
	if o.Format < Float32 || o.Format > Uint8 {
		return nil, nil, fmt.Errorf("unknown weight format %d", o.Format)
	}
	n := r.Len()
	lost = make([]float32, n)
	batches := (n + finishBatch - 1) / finishBatch
	parts, errs := make([]*Rows, batches), make([]error, batches)
	work := func(b int, s *scratch) {
		lo, hi := b*finishBatch, min((b+1)*finishBatch, n)
		out := NewRows(hi - lo)
		for v := lo; v < hi; v++ {
			s.load(r, v)
			if errs[b] = s.check(v); errs[b] != nil {
				return
			}
			lost[v] = float32(s.limit(o.MaxInfluences))
			s.prune(o.PruneBelow)
			s.normalise()
			s.quantise(o.Format)
			out.Append(s.joint, s.weight)
		}
		parts[b] = out
	}
	err = forkjoin.Each(ctx, batches, o.Threads, func() func(int) {
		var s scratch
		return func(b int) { work(b, &s) }
	})
	if err != nil {
		return nil, nil, err
	}
	for _, e := range errs {
		if e != nil {
			return nil, nil, e
		}
	}
	rows, err = ConcatContext(ctx, parts...)
	return rows, lost, err
}
