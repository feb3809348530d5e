package skinning

import (
	"math"

	"gonum.org/v1/gonum/spatial/r3"
)

// RowJudge measures what a difference of rows does to a posed vertex.
type RowJudge struct {
	skin    *Skin
	subtree [][]bool
	axis    [][3]r3.Vec
}

// NewRowJudge prepares the measure for a skin. It is read-only afterwards.
func NewRowJudge(s *Skin) *RowJudge {
	j := &RowJudge{skin: s}
	for k := range s.Joints {
		j.subtree = append(j.subtree, s.Subtree(k))
		j.axis = append(j.axis, [3]r3.Vec{s.LocalAxis(k, 0), s.LocalAxis(k, 1), s.LocalAxis(k, 2)})
	}
	return j
}

// Displacement returns the largest distance, in metres, between the two places to
// which rows a and b send the default-pose point x, over all poses that turn one
// joint by 90 degrees, either way, about one of its local axes.
//
// Turning joint j moves x to x + S_j (R-I)(x - o_j), where S_j is the row's weight
// in j's subtree, so the two places differ by |S_j(a) - S_j(b)| |(R-I)(x - o_j)|,
// and for 90 degrees |(R-I)d| is sqrt(2) times d's distance from the axis.
func (j *RowJudge) Displacement(x r3.Vec, ja []uint16, wa []float64, jb []uint16, wb []float64) float64 {
	worst := 0.0
	for k := range j.skin.Joints {
		s := 0.0
		for i, q := range ja {
			if j.subtree[k][q] {
				s += wa[i]
			}
		}
		for i, q := range jb {
			if j.subtree[k][q] {
				s -= wb[i]
			}
		}
		if s = math.Abs(s); s < 1e-9 {
			continue
		}
		d := r3.Sub(x, j.skin.Joints[k].Global.T)
		for _, a := range j.axis[k] {
			away := r3.Norm(r3.Sub(d, r3.Scale(r3.Dot(d, a), a)))
			worst = max(worst, s*math.Sqrt2*away)
		}
	}
	return worst
}
