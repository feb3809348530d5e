package weights

import (
	"fmt"
	"math"
	"slices"
)

// RowError reports a vertex whose row cannot be normalised.
type RowError struct {
	Vertex int
	// Reason says what is wrong with the row.
	Reason string
}

func (e *RowError) Error() string { return fmt.Sprintf("vertex %d: %s", e.Vertex, e.Reason) }

// Normalise scales each row to sum to one, up to rounding. A row that is empty,
// sums to zero, or holds a weight that is negative or not finite gives a
// *RowError for the first such vertex.
func Normalise(r *Rows) (*Rows, error) {
	out := NewRows(r.Len())
	var s scratch
	for v := 0; v < r.Len(); v++ {
		s.load(r, v)
		if err := s.check(v); err != nil {
			return nil, err
		}
		s.normalise()
		out.Append(s.joint, s.weight)
	}
	return out, nil
}

// scratch is one row at work, with buffers to reuse.
type scratch struct {
	joint  []uint16
	weight []float64
	order  []int
	frac   []float64
	drop   []bool
}

func (s *scratch) load(r *Rows, v int) {
	j, w := r.Row(v)
	s.joint, s.weight = append(s.joint[:0], j...), append(s.weight[:0], w...)
}

// sortOrder puts the indices of key into order, largest key first, ties by index.
func (s *scratch) sortOrder(key []float64) {
	s.order = s.order[:0]
	for i := range key {
		s.order = append(s.order, i)
	}
	slices.SortFunc(s.order, func(a, b int) int {
		switch {
		case key[a] > key[b]:
			return -1
		case key[a] < key[b]:
			return 1
		}
		return a - b
	})
}

func (s *scratch) check(v int) error {
	if len(s.weight) == 0 {
		return &RowError{v, "no influences"}
	}
	top := 0.0
	for i, w := range s.weight {
		if math.IsNaN(w) || math.IsInf(w, 0) || w < 0 {
			return &RowError{v, fmt.Sprintf("joint %d has weight %g", s.joint[i], w)}
		}
		top = max(top, w)
	}
	if top == 0 {
		return &RowError{v, "all weights are zero"}
	}
	// A row of huge or subnormal weights is brought near one, so that neither its
	// sum nor a quotient overflows. Powers of two lose no bits.
	if top > 1e100 || top < 1e-100 {
		_, e := math.Frexp(top)
		for i := range s.weight {
			s.weight[i] = math.Ldexp(s.weight[i], -e)
		}
	}
	return nil
}

func (s *scratch) normalise() {
	sum := 0.0
	for _, w := range s.weight {
		sum += w
	}
	for i := range s.weight {
		s.weight[i] /= sum
	}
}
