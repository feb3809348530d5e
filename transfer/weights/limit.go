package weights

// Limit keeps the most influences of each row, ties going to the lower joint
// index, and returns the share of the row's weight that was dropped, in [0, 1],
// per vertex. most <= 0 keeps all. Kept weights are not rescaled. Weights must be
// finite and not negative.
func Limit(r *Rows, most int) (*Rows, []float32) {
	out, lost := NewRows(r.Len()), make([]float32, r.Len())
	var s scratch
	for v := range lost {
		s.load(r, v)
		lost[v] = float32(s.limit(most))
		out.Append(s.joint, s.weight)
	}
	return out, lost
}

// limit drops all but the most largest influences and returns the dropped share.
func (s *scratch) limit(most int) float64 {
	if most <= 0 || len(s.weight) <= most {
		return 0
	}
	s.sortOrder(s.weight)
	s.drop = append(s.drop[:0], make([]bool, len(s.weight))...)
	for _, i := range s.order[most:] {
		s.drop[i] = true
	}
	kept, gone, n := 0.0, 0.0, 0
	for i, w := range s.weight {
		if s.drop[i] {
			gone += w
			continue
		}
		kept += w
		s.joint[n], s.weight[n] = s.joint[i], w
		n++
	}
	s.joint, s.weight = s.joint[:n], s.weight[:n]
	if gone <= 0 {
		return 0
	}
	return gone / (kept + gone)
}
