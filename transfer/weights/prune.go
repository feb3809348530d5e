package weights

// Prune drops the influences whose share of their row's sum is below the
// threshold, and those of weight zero. The largest influence always stays (ties:
// the lower joint index), so no row that has weight is emptied. Kept weights are
// not rescaled. Weights must be finite and not negative.
func Prune(r *Rows, below float64) *Rows {
	out := NewRows(r.Len())
	var s scratch
	for v := 0; v < r.Len(); v++ {
		s.load(r, v)
		s.prune(below)
		out.Append(s.joint, s.weight)
	}
	return out
}

func (s *scratch) prune(below float64) {
	sum, largest := 0.0, 0
	for i, w := range s.weight {
		sum += w
		if w > s.weight[largest] {
			largest = i
		}
	}
	n := 0
	for i, w := range s.weight {
		if i == largest || w > 0 && w >= below*sum {
			s.joint[n], s.weight[n] = s.joint[i], w
			n++
		}
	}
	s.joint, s.weight = s.joint[:n], s.weight[:n]
}
