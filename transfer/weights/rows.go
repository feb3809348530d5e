// Package weights holds the rows of a skinned mesh (the joint weights of each
// vertex) as sparse data, and brings them into the form that a file may store:
// pruned, limited in influences, normalised, quantised, equal along seams.
package weights

import "fmt"

// Rows are the weight rows of all vertices, compressed by row: the influences
// of vertex v are Joint[Start[v]:Start[v+1]] with Weight of the same range.
// len(Start) is the number of vertices plus one. Joint indexes a
// skinning.Skin's Joints. Within a row joints are distinct and ascending.
type Rows struct {
	Start  []int32
	Joint  []uint16
	Weight []float64
}

// NewRows returns Rows without any vertex, with room for n vertices.
func NewRows(n int) *Rows {
	return &Rows{Start: append(make([]int32, 0, n+1), 0), Joint: make([]uint16, 0, 4*n), Weight: make([]float64, 0, 4*n)}
}

// Len is the number of vertices.
func (r *Rows) Len() int {
	if len(r.Start) == 0 {
		return 0
	}
	return len(r.Start) - 1
}

// Row returns the influences of vertex v. The slices alias r.
func (r *Rows) Row(v int) (joint []uint16, weight []float64) {
	s, e := r.Start[v], r.Start[v+1]
	return r.Joint[s:e], r.Weight[s:e]
}

// Append adds the row of the next vertex; joint must be ascending and distinct.
// The slices are copied.
func (r *Rows) Append(joint []uint16, weight []float64) {
	r.Joint = append(r.Joint, joint...)
	r.Weight = append(r.Weight, weight...)
	r.Start = append(r.Start, int32(len(r.Joint)))
}

// Sum returns the sum of vertex v's weights.
func (r *Rows) Sum(v int) float64 {
	_, w := r.Row(v)
	s := 0.0
	for _, x := range w {
		s += x
	}
	return s
}

// DistanceL1 returns the L1 distance between row v of r and row u of s:
// sum over joints of |r - s|; 2 at most where both rows sum to one.
func (r *Rows) DistanceL1(v int, s *Rows, u int) float64 {
	ja, wa := r.Row(v)
	jb, wb := s.Row(u)
	d, a, b := 0.0, 0, 0
	for a < len(ja) || b < len(jb) {
		var x float64
		switch {
		case b == len(jb) || a < len(ja) && ja[a] < jb[b]:
			x = wa[a]
			a++
		case a == len(ja) || jb[b] < ja[a]:
			x = -wb[b]
			b++
		default:
			x = wa[a] - wb[b]
			a, b = a+1, b+1
		}
		if x < 0 {
			x = -x
		}
		d += x
	}
	return d
}

// SumError reports a vertex whose weights do not sum to one.
type SumError struct {
	Vertex int
	Sum    float64
}

func (e *SumError) Error() string {
	return fmt.Sprintf("vertex %d: weights sum to %g, want 1", e.Vertex, e.Sum)
}
