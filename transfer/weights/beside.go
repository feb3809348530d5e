package weights

import (
	"context"
	"fmt"
	"math"
)

// IsStored reports whether a file of the format holds the weights of a row as they
// are, so that reading gives the same numbers: on the format's grid, none of them
// zero, and summing to one as CheckStored asks. An empty row is none.
func (f Format) IsStored(weight []float64) bool {
	steps := float64(f.Steps())
	for _, w := range weight {
		if !(w > 0) || steps == 0 && float64(float32(w)) != w || steps > 0 && math.Round(w*steps)/steps != w {
			return false
		}
	}
	return f.CheckStored(0, weight) == nil
}

// FinishBeside finishes rows as Finish does, each into what the same row of held
// leaves of one: held's weights go to the grid of the format and stay otherwise as
// they are, whatever the limit and the pruning say, and the row's own share the
// rest. Held influences count for MaxInfluences, but at least one of the row's own is
// left where there is a rest for it. Joints of held must not be in the row. A row of
// held that is empty holds nothing; one that holds everything stands alone. lost is
// the share of the whole row that the limit dropped. Errors: *RowError, also where
// there is a rest and no influence to take it.
func FinishBeside(ctx context.Context, r, held *Rows, o FinishOptions) (rows *Rows, lost []float32, err error) {
	if held.Len() != r.Len() {
		return nil, nil, fmt.Errorf("%d held rows for %d", held.Len(), r.Len())
	}
	out := NewRows(r.Len())
	lost = make([]float32, r.Len())
	acc := NewAccumulator(math.MaxUint16 + 1)
	steps := o.Format.Steps()
	var s, h scratch
	for v := range r.Len() {
		if v%finishBatch == 0 && ctx.Err() != nil {
			return nil, nil, ctx.Err()
		}
		rest := h.hold(held, v, o.Format)
		s.load(r, v)
		if rest > 0 {
			if err := s.check(v); err != nil {
				return nil, nil, err
			}
			most := o.MaxInfluences
			if most > 0 {
				most = max(1, most-len(h.joint))
			}
			lost[v] = float32(s.limit(most) * rest)
			s.prune(o.PruneBelow)
			s.normalise()
			if steps > 0 {
				s.largestRemainder(int(math.Round(rest*float64(steps))), steps)
			} else {
				s.float32(rest)
			}
			for i, j := range s.joint {
				if s.weight[i] > 0 {
					acc.Add(j, s.weight[i])
				}
			}
		}
		for i, j := range h.joint {
			acc.Add(j, h.weight[i])
		}
		acc.Flush(out)
	}
	return out, lost, nil
}

// hold loads row v of held on the grid of the format and returns what it leaves of
// one, a whole number of steps; what is within the tolerance of a stored sum is
// nothing.
func (s *scratch) hold(held *Rows, v int, f Format) (rest float64) {
	s.load(held, v)
	n, sum := 0, 0.0
	for i, w := range s.weight {
		if w > 0 && !math.IsInf(w, 0) {
			s.joint[n], s.weight[n] = s.joint[i], w
			sum += w
			n++
		}
	}
	s.joint, s.weight = s.joint[:n], s.weight[:n]
	if n == 0 {
		return 1
	}
	steps := f.Steps()
	whole := Float32Tolerance * float64(n)
	if steps > 0 {
		whole = 0.5 / float64(steps)
	}
	if sum >= 1-whole {
		// All of the row: as it is where a file can have it so.
		if !f.IsStored(s.weight) {
			s.normalise()
			s.quantise(f)
		}
		return 0
	}
	if steps == 0 {
		sum = 0
		for i, w := range s.weight {
			s.weight[i] = float64(float32(w))
			sum += s.weight[i]
		}
		return 1 - sum
	}
	left := steps
	s.frac = s.frac[:0]
	for i, w := range s.weight {
		x := math.Round(w * float64(steps))
		s.frac = append(s.frac, w*float64(steps)-x)
		s.weight[i] = x
		left -= int(x)
	}
	if left < 0 { // rounded up together beyond one: the least entitled go down again
		s.sortOrder(s.frac)
		for k := len(s.order) - 1; left < 0; k-- {
			s.weight[s.order[k]]--
			left++
		}
	}
	n = 0
	for i, x := range s.weight {
		if x > 0 {
			s.joint[n], s.weight[n] = s.joint[i], x/float64(steps)
			n++
		}
	}
	s.joint, s.weight = s.joint[:n], s.weight[:n]
	return float64(left) / float64(steps)
}
