package weights

import "slices"

// Flush appends the sum as it stands, without zeros, as the next row of r, joints
// ascending, and empties it.
func (a *Accumulator) Flush(r *Rows) {
	slices.Sort(a.touched)
	for _, j := range a.touched {
		if w := a.weight[j]; w != 0 {
			r.Joint = append(r.Joint, j)
			r.Weight = append(r.Weight, w)
		}
	}
	r.Start = append(r.Start, int32(len(r.Joint)))
	a.Reset()
}

// AddLerp adds (1-t) times row v of r and t times row u of s.
func (a *Accumulator) AddLerp(r *Rows, v int, s *Rows, u int, t float64) {
	a.AddRow(r, v, 1-t)
	a.AddRow(s, u, t)
}
