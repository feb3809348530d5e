package weights

import "fmt"

// EqualiseSeams gives all vertices of a group the same row, bit for bit: the mean
// of the members' rows (joints that only some have count as zero in the others).
// Groups of one vertex, and vertices of no group, keep their rows. Use it before
// Finish, which keeps equal rows equal. A vertex outside the rows, or in two
// groups, is an error.
func EqualiseSeams(r *Rows, groups [][]int32) (*Rows, error) {
	group := make([]int32, r.Len())
	joints := 0
	for _, j := range r.Joint {
		joints = max(joints, int(j)+1)
	}
	acc := NewAccumulator(joints)
	mean := NewRows(len(groups))
	for g, members := range groups {
		for _, v := range members {
			if v < 0 || int(v) >= r.Len() {
				return nil, fmt.Errorf("seam group %d: vertex %d is outside 0..%d", g, v, r.Len()-1)
			}
			if group[v] != 0 {
				return nil, fmt.Errorf("seam group %d: vertex %d is listed twice", g, v)
			}
			group[v] = int32(g) + 1
			if len(members) > 1 {
				acc.AddRow(r, int(v), 1/float64(len(members)))
			}
		}
		acc.Flush(mean)
	}
	out := NewRows(r.Len())
	for v, g := range group {
		if g > 0 && len(groups[g-1]) > 1 {
			out.Append(mean.Row(int(g - 1)))
		} else {
			out.Append(r.Row(v))
		}
	}
	return out, nil
}
