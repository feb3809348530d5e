package main

// Measures of rows against the truth: in the rows themselves, in what skinning
// makes of them, and in the edges it stretches.

import (
	"math"
	"slices"

	"github.com/selvage/selvage/transfer/mesh"
	"github.com/selvage/selvage/transfer/skinning"
	"github.com/selvage/selvage/transfer/weights"
	"gonum.org/v1/gonum/spatial/r3"
)

// quantile is the smallest value that a share q of x does not exceed (nearest
// rank); 0 for no values. x is not changed.
func quantile(x []float64, q float64) float64 {
	if len(x) == 0 {
		return 0
	}
	s := slices.Sorted(slices.Values(x))
	return s[min(len(s)-1, max(0, int(math.Ceil(q*float64(len(s))))-1))]
}

func mean(x []float64) float64 {
	s := 0.0
	for _, v := range x {
		s += v
	}
	return s / max(1, float64(len(x)))
}

// poser measures single-joint, single-axis turns of a skin by 90 degrees to
// either side.
//
// Turning joint j by R about its origin o moves exactly the joints below j. A
// vertex at x whose row holds S = the sum of its weights in that subtree goes to
//
//	S·(o + R(x-o)) + (1-S)·x = x + S·(R-I)(x-o),
//
// so two rows pose it |S-S'|·|(R-I)(x-o)| apart. With d the part of x-o
// perpendicular to the axis, |(R-I)(x-o)| = 2 sin(angle/2)·|d| = √2·|d| at 90
// degrees, to either side.
type poser struct {
	skin *skinning.Skin
	turn [][]skinning.Affine // by joint: the six turns
}

func newPoser(s *skinning.Skin) *poser {
	p := &poser{skin: s, turn: make([][]skinning.Affine, len(s.Joints))}
	for j := range s.Joints {
		for k := range 3 {
			for _, angle := range [2]float64{math.Pi / 2, -math.Pi / 2} {
				p.turn[j] = append(p.turn[j], skinning.RotationAbout(s.Joints[j].Global.T, s.LocalAxis(j, k), angle))
			}
		}
	}
	return p
}

// subtreeSum adds factor times row v's weights to the joints' own sums and those
// of their ancestors.
func (p *poser) subtreeSum(r *weights.Rows, v int, factor float64, sum []float64) {
	joint, weight := r.Row(v)
	for i, j := range joint {
		for k, steps := int(j), 0; k >= 0 && steps <= len(sum); k, steps = p.skin.Joints[k].Parent, steps+1 {
			sum[k] += factor * weight[i]
		}
	}
}

// errors returns for each vertex the largest distance between its posed
// positions under given and under truth, in the unit of positions.
// O(vertices · joints).
func (p *poser) errors(positions []r3.Vec, given, truth *weights.Rows) []float64 {
	out := make([]float64, len(positions))
	judge := skinning.NewRowJudge(p.skin)
	for v, x := range positions {
		ja, wa := given.Row(v)
		jb, wb := truth.Row(v)
		out[v] = judge.Displacement(x, ja, wa, jb, wb)
	}
	return out
}

// shortEdge is the length, in metres, up to which an edge's stretch is not
// counted: its ratio would measure rounding and seams.
const shortEdge = 1e-3

// stretch returns for each edge of the welded garment longer than shortEdge its
// largest ratio of posed to rest length, at least 1. A welded vertex has the row
// of its first member. O(joints · edges).
func (p *poser) stretch(m *mesh.Mesh, rows *weights.Rows) []float64 {
	w := mesh.Weld(m, 1e-6*m.Diagonal())
	x := w.Mesh.Positions
	first := make([]int, len(x))
	for v := len(w.ToWelded) - 1; v >= 0; v-- {
		first[w.ToWelded[v]] = v
	}
	adjacency := mesh.NewAdjacency(w.Mesh)
	type edge struct {
		u, v   int32
		length float64
	}
	var edges []edge
	for v := range x {
		for _, u := range adjacency.Neighbours(v) {
			if l := r3.Norm(r3.Sub(x[u], x[v])); int(u) > v && l > shortEdge {
				edges = append(edges, edge{int32(v), u, l})
			}
		}
	}
	joints := len(p.skin.Joints)
	sums := make([]float64, joints*len(x))
	for v := range x {
		p.subtreeSum(rows, first[v], 1, sums[v*joints:(v+1)*joints])
	}
	out := make([]float64, len(edges))
	for i := range out {
		out[i] = 1
	}
	posed := make([]r3.Vec, len(x))
	for j := range joints {
		any := false
		for v := range x {
			any = any || sums[v*joints+j] > 0
		}
		if !any {
			continue
		}
		for t := range p.turn[j] {
			for v, q := range x {
				s := sums[v*joints+j]
				posed[v] = q
				if s != 0 {
					posed[v] = r3.Add(q, r3.Scale(s, r3.Sub(p.turn[j][t].Apply(q), q)))
				}
			}
			for i, e := range edges {
				if a, b := sums[int(e.u)*joints+j], sums[int(e.v)*joints+j]; a == b && (a == 0 || a == 1) {
					continue // both stay or both turn: rigid
				}
				out[i] = max(out[i], r3.Norm(r3.Sub(posed[e.u], posed[e.v]))/e.length)
			}
		}
	}
	return out
}
