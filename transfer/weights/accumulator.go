package weights

import (
	"context"
	"slices"
)

// Accumulator sums rows, joint by joint. It is not safe for concurrent use.
type Accumulator struct {
	weight  []float64
	in      []bool
	touched []uint16
}

// NewAccumulator returns an empty sum over joints 0..joints-1.
func NewAccumulator(joints int) *Accumulator {
	return &Accumulator{weight: make([]float64, joints), in: make([]bool, joints)}
}

// Add adds w to joint's weight.
func (a *Accumulator) Add(joint uint16, w float64) {
	if !a.in[joint] {
		a.in[joint] = true
		a.touched = append(a.touched, joint)
	}
	a.weight[joint] += w
}

// AddRow adds factor times row v of r.
func (a *Accumulator) AddRow(r *Rows, v int, factor float64) {
	joint, weight := r.Row(v)
	for i, j := range joint {
		if !a.in[j] {
			a.in[j] = true
			a.touched = append(a.touched, j)
		}
		a.weight[j] += factor * weight[i]
	}
}

// Empty reports whether nothing has been added since the last Reset or Flush.
func (a *Accumulator) Empty() bool { return len(a.touched) == 0 }

// AbsSum is the sum of the absolute weights: the L1 norm of the sum.
func (a *Accumulator) AbsSum() float64 {
	slices.Sort(a.touched) // one order of summation, whatever the order of adding
	s := 0.0
	for _, j := range a.touched {
		s += max(a.weight[j], -a.weight[j])
	}
	return s
}

// Reset empties the sum.
func (a *Accumulator) Reset() {
	for _, j := range a.touched {
		a.weight[j], a.in[j] = 0, false
	}
	a.touched = a.touched[:0]
}

// FlushNormalised appends the sum, scaled to one, as the next row of r and
// empties it. Weights that are not positive are left out; a sum that is not
// positive gives an empty row.
func (a *Accumulator) FlushNormalised(r *Rows) {
	slices.Sort(a.touched)
	s := 0.0
	for _, j := range a.touched {
		if w := a.weight[j]; w > 0 {
			s += w
		}
	}
	if s > 0 {
		for _, j := range a.touched {
			if w := a.weight[j] / s; w > 0 {
				r.Joint = append(r.Joint, j)
				r.Weight = append(r.Weight, w)
			}
		}
	}
	r.Start = append(r.Start, int32(len(r.Joint)))
	a.Reset()
}

// Concat joins the rows of parts in order into one.
func Concat(parts ...*Rows) *Rows {
	r, _ := ConcatContext(context.Background(), parts...) // fails by ctx alone
	return r
}

// ConcatContext is Concat that ends with ctx's error soon after ctx is done, where
// the parts are small.
func ConcatContext(ctx context.Context, parts ...*Rows) (*Rows, error) {
	n, k := 0, 0
	for _, p := range parts {
		n += p.Len()
		k += len(p.Joint)
	}
	r := &Rows{Start: append(make([]int32, 0, n+1), 0), Joint: make([]uint16, 0, k), Weight: make([]float64, 0, k)}
	for _, p := range parts {
		if ctx.Err() != nil {
			return nil, ctx.Err()
		}
		base := int32(len(r.Joint))
		for _, s := range p.Start[1:] {
			r.Start = append(r.Start, base+s)
		}
		r.Joint = append(r.Joint, p.Joint...)
		r.Weight = append(r.Weight, p.Weight...)
	}
	return r, nil
}
