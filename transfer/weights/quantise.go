package weights

import (
	"fmt"
	"math"
)

// Float32Tolerance is how far, per non-zero weight, the sum of a row of float
// weights may lie from one.
// Source: glTF 2.0 specification, section 3.7.3.3, implementation note (from memory).
const Float32Tolerance = 2e-7

// Steps is the integer that stands for one in a format: 65535, 255, or 0 for Float32.
func (f Format) Steps() int {
	switch f {
	case Uint16:
		return 65535
	case Uint8:
		return 255
	}
	return 0
}

// CheckStored returns an error where the weights of vertex v, as the format stores
// them, do not sum to one: the integers exactly to Steps, floats to within
// Float32Tolerance for each weight that is not zero. Errors: *SumError, and
// *RowError for a weight that is negative or not finite.
// Source: glTF 2.0 specification, section 3.7.3.3.
func (f Format) CheckStored(v int, weight []float64) error {
	sum, room, steps := 0.0, 0.0, f.Steps()
	for i, w := range weight {
		if !(w >= 0) || math.IsInf(w, 0) {
			return &RowError{v, fmt.Sprintf("influence %d has weight %g", i, w)}
		}
		x := float64(float32(w))
		if steps > 0 {
			x = math.Round(w * float64(steps)) // whole numbers, summed exactly
		} else if x > 0 {
			room += Float32Tolerance
		}
		sum += x
	}
	if steps > 0 {
		sum /= float64(steps) // exactly one where they sum to steps
	}
	if !(math.Abs(sum-1) <= room) {
		return &SumError{Vertex: v, Sum: sum}
	}
	return nil
}

// Quantise normalises each row and puts it on the grid of the format; influences
// that become zero are left out. Errors as Normalise.
//
// Uint16, Uint8: weights are n / Steps, and the n of a row sum to Steps exactly,
// by largest remainders, ties going to the lower joint index. Each weight moves
// by less than one step. Float32: weights are float32 values, the largest (ties:
// lower joint index) corrected so that the sum is as near one as its spacing
// allows. Quantising a second time changes nothing in the integer formats.
// Source: glTF 2.0 specification, section 3.7.3.3.
func Quantise(r *Rows, f Format) (*Rows, error) {
	out := NewRows(r.Len())
	var s scratch
	for v := 0; v < r.Len(); v++ {
		s.load(r, v)
		if err := s.check(v); err != nil {
			return nil, err
		}
		s.normalise()
		s.quantise(f)
		out.Append(s.joint, s.weight)
	}
	return out, nil
}

// quantise works on a normalised row.
func (s *scratch) quantise(f Format) {
	if steps := f.Steps(); steps > 0 {
		s.largestRemainder(steps, steps)
	} else {
		s.float32(1)
	}
	n := 0
	for i, w := range s.weight {
		if w > 0 {
			s.joint[n], s.weight[n] = s.joint[i], w
			n++
		}
	}
	s.joint, s.weight = s.joint[:n], s.weight[:n]
}

// largestRemainder makes the weights multiples of one over steps that sum to part of
// them.
func (s *scratch) largestRemainder(part, steps int) {
	left := part
	s.frac = s.frac[:0]
	for i, w := range s.weight {
		x := w * float64(part)
		// k/steps*steps may round to just beside k: take it for k, so that a row
		// already on the grid stays as it is.
		n := math.Floor(x + 1e-9)
		s.frac = append(s.frac, max(x-n, 0))
		s.weight[i] = n
		left -= int(n)
	}
	if left != 0 {
		s.sortOrder(s.frac)
		for k := 0; left > 0; k, left = (k+1)%len(s.order), left-1 {
			s.weight[s.order[k]]++
		}
		// The allowance of 1e-9 can give away too much only where many influences
		// sit just below a step; the smallest remainders give it back.
		for k := len(s.order) - 1; left < 0; k = (k + len(s.order) - 1) % len(s.order) {
			if i := s.order[k]; s.weight[i] > 0 {
				s.weight[i]--
				left++
			}
		}
	}
	for i := range s.weight {
		s.weight[i] /= float64(steps)
	}
}

// float32 makes the weights float32 values that sum to whole.
func (s *scratch) float32(whole float64) {
	largest, sum := 0, 0.0
	for i, w := range s.weight {
		s.weight[i] = float64(float32(whole * w))
		sum += s.weight[i]
		if s.weight[i] > s.weight[largest] {
			largest = i
		}
	}
	s.weight[largest] = float64(float32(s.weight[largest] + (whole - sum)))
}
