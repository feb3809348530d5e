package transfer

// Trust: how wrong the row of a chosen match is likely to be. The measure is the
// expected L1 error e of the row, between 0 and 2; confidence is exp(-e/0.4).

import (
	"context"
	"math"

	"github.com/selvage/selvage/transfer/weights"
	"gonum.org/v1/gonum/spatial/r3"
)

// errorScale turns an expected L1 error into a confidence: exp(-e/errorScale).
const errorScale = 0.4

// confidence of an expected L1 error.
func confidence(e float64) float64 { return math.Exp(-e / errorScale) }

// evidence is what speaks for and against the match of one vertex. All terms
// are L1 errors that the named cause alone would lead one to expect.
type evidence struct {
	rivals    float64 // belief-weighted difference of the other candidates' rows
	slide     float64 // body gradient times distance: the match may lie beside
	ease      float64 // body gradient times the garment's typical gap: it may have slid
	jump      float64 // disagreement with the neighbours' rows
	overshoot float64 // body gradient times how far beyond an open border it lies
	facing    float64 // 1-|cos| between normals, at a distance
	reach     float64 // distance in units of the reach
	moved     float64 // what the fill changed
	hang      float64 // how far it hangs, 0 to 1
	pose      float64 // 1 where a default pose disagrees and was not corrected
	layer     float64 // expected error of the row that a layer has there
}

// evidenceWeight turns the evidence into the expected error. Where the demo
// crew's known truth says so (two of its three bodies, non-negative least squares
// on the errors of the finished rows) the values are fitted; rivals, slide and
// reach, which that truth hardly needs because the choice there is nearly always
// right, are kept above the fit for garments that are less kind.
var evidenceWeight = evidence{rivals: 0.3, slide: 0.1, ease: 0.12, jump: 0.12, overshoot: 0.5, facing: 0.1, reach: 0.05, moved: 0.4, hang: 0.4, pose: 0.1, layer: 1}

// doubtWeight turns the evidence into the doubt that decides how far the fill
// may overrule the match: before the solve, wrong is what might be wrong.
var doubtWeight = evidence{rivals: 1, slide: 0.35, jump: 0.5, overshoot: 4, facing: 0.15, reach: 0.2, hang: 0.5, pose: 0.1, layer: 1}

func (e *evidence) weighted(w *evidence) float64 {
	x := w.rivals*e.rivals + w.slide*e.slide + w.ease*e.ease + w.jump*e.jump + w.overshoot*e.overshoot +
		w.facing*e.facing + w.reach*e.reach + w.moved*e.moved + w.hang*e.hang + w.pose*e.pose + w.layer*e.layer
	return min(x, 2)
}

// trusted holds the matches with their rows and their expected errors, by welded
// vertex.
type trusted struct {
	match    []candidate
	rows     *weights.Rows // of the matches, interpolated, not limited
	evidence []evidence
	doubt    []float64 // expected L1 error before the fill
	expected []float64 // expected L1 error of the finished row
	reason   []Reason
	hang     []float64 // how far the cloth hangs rather than fits, 0 to 1 (loose.go)
	free     []bool    // whose rows may give way where the cloth would tear; nil where nothing hangs
	// allowed are the joints that rows of what is free may have, where lift.go gave each
	// a patch of the cloth; nil where not.
	allowed *weights.Rows
	rests   []bool  // which of those hold the rest, where nothing that fits does
	region  []int32 // loose region, -1 for none; numbered from 0 to regions-1
	regions int
	notes   []string // sentences about the garment
}

// judge interpolates the rows of the chosen matches and weighs the evidence.
func judge(ctx context.Context, s *Source, g *target, c *candidates, ch *choice, opt *Options) (*trusted, error) {
	n := len(g.position)
	t := &trusted{match: make([]candidate, n), evidence: make([]evidence, n), doubt: make([]float64, n), expected: make([]float64, n), reason: make([]Reason, n)}

	// Rows of the matches, and what the rival candidates would have given.
	blocks := make([]*weights.Rows, blocksOf(n))
	err := parallel(ctx, n, opt.Threads, func(lo, hi int) {
		acc := weights.NewAccumulator(len(s.body.Skin.Joints))
		rows := weights.NewRows(hi - lo)
		for v := lo; v < hi; v++ {
			list, belief := c.of(v), ch.belief[c.start[v]:c.start[v+1]]
			m := list[ch.label[v]]
			t.match[v] = m
			if m.triangle < 0 {
				rows.Append(nil, nil)
				continue
			}
			for k := range list {
				if k == int(ch.label[v]) || belief[k] < 1e-3 || list[k].triangle < 0 {
					continue
				}
				s.addRow(acc, m.triangle, m.bary, 1)
				s.addRow(acc, list[k].triangle, list[k].bary, -1)
				t.evidence[v].rivals += belief[k] * acc.AbsSum()
				acc.Reset()
			}
			s.addRow(acc, m.triangle, m.bary, 1)
			acc.FlushNormalised(rows)
		}
		blocks[lo/blockSize] = rows
	})
	if err != nil {
		return nil, err
	}
	if t.rows, err = weights.ConcatContext(ctx, blocks...); err != nil {
		return nil, err
	}

	err = parallel(ctx, n, opt.Threads, func(lo, hi int) {
		for v := lo; v < hi; v++ {
			t.weigh(s, g, c, ch, v, opt)
		}
	})
	return t, err
}

// weigh fills in the evidence of vertex v, its expected error and its reasons.
func (t *trusted) weigh(s *Source, g *target, c *candidates, ch *choice, v int, opt *Options) {
	m, e := &t.match[v], &t.evidence[v]
	if m.triangle < 0 {
		t.doubt[v] = 2
		t.reason[v] |= ReasonBeyondReach
		return
	}
	d := m.distance
	if d > opt.Reach {
		t.reason[v] |= ReasonBeyondReach
	}
	if s.layer != nil {
		for k, u := range s.triangle[m.triangle] {
			e.layer += m.bary[k] * s.expected[u]
		}
	}
	if d <= onSurface*s.edge {
		// On the surface itself the row is the body's own; where another sheet crosses it,
		// it may be the other one's.
		return
	}
	e.reach = min(d/opt.Reach, 4)
	e.slide = min(s.gradient[m.triangle]*d, 2)
	e.ease = min(s.gradient[m.triangle]*c.gap[v], 2)

	// Facing: how far the normals are from parallel, once the distance is such that
	// they mean anything.
	normal := s.normalAt(m.triangle, m.bary)
	cos := math.Abs(r3.Dot(g.normal[v], normal))
	if g.normal[v] == (r3.Vec{}) {
		cos = 1
	}
	e.facing = (1 - cos) * min(1, d/(2*s.edge))
	if cos < 0.5 && d > s.edge {
		t.reason[v] |= ReasonFacingAway
	}

	// Overshoot: a match on an open border whose offset leaves the surface
	// sideways lies beside what the body has.
	if bits := s.border[m.triangle]; bits != 0 {
		for k := range m.bary {
			if bits>>k&1 == 1 && m.bary[k] < 1e-9 {
				off := r3.Sub(g.position[v], m.point)
				side := r3.Norm(r3.Sub(off, r3.Scale(r3.Dot(off, s.faceNormal[m.triangle]), s.faceNormal[m.triangle])))
				if side > 0.5*d {
					e.overshoot = min(max(s.gradient[m.triangle]*side, 0.3*side/(side+s.edge)), 2)
					t.reason[v] |= ReasonOpenBorder
				}
			}
		}
	}

	// Jump: the mean difference to the neighbours' rows.
	sum, k := 0.0, 0
	for _, u := range g.adjacency.Neighbours(v) {
		if t.match[u].triangle < 0 {
			continue
		}
		sum += t.rows.DistanceL1(v, t.rows, int(u))
		k++
	}
	if k > 0 {
		e.jump = sum / float64(k)
	}
	if ch.jump[v] > 2 && e.jump > 0.1 || e.rivals > 0.25 {
		t.reason[v] |= ReasonNeighboursDisagree
	}
	t.doubt[v] = e.weighted(&doubtWeight)
	if s.layer != nil && t.betweenLayers(s, g, v) {
		t.doubt[v] = min(2, t.doubt[v]+hemDoubt)
	}
}
