package transfer

// The order in which garments lie over one another, found from how far each stands
// off the body: at sample points of the body, along its normal, where both cover it.

import (
	"context"
	"fmt"
	"math"
	"slices"

	"github.com/selvage/selvage/transfer/closest"
	"github.com/selvage/selvage/transfer/mesh"
	"gonum.org/v1/gonum/spatial/r3"
)

const (
	// orderSamples is the number of body points asked: on a grown figure about one for
	// every square centimetre.
	orderSamples = 20000
	// orderLeast is the least number of points under both garments that says which is
	// the inner one.
	orderLeast = 20
	// orderMixed is the share of those points at which the outer garment is the nearer
	// one, from which on the two are said to be interleaved.
	orderMixed = 0.2
	// orderNear is how close, as a share of the body's size, two garments may lie and
	// count as equal at a point: a tenth of a millimetre on a grown figure.
	orderNear = 4e-5
)

// LayerPair is what two garments that cover the same part of the body say of each
// other.
type LayerPair struct {
	// Inner and Outer are their indices.
	Inner, Outer int
	// Points is how many sample points of the body they both cover.
	Points int
	// Gap is the median distance from the inner to the outer one, metres.
	Gap float64
	// Against is the share of the points, 0 to 0.5, at which the outer is the nearer.
	Against float64
}

// LayerOrder finds in which order garments are worn: indices from the inside out.
// Of two that cover the same part of the body the one nearer to it is the inner
// (the median over that part); garments that do not meet keep the order given. pairs
// lists those that meet, by index. notes say what is not clear: garments that lie over
// one another here and the other way round there, and rings (a over b, b over c, c
// over a), which are broken where the evidence is weakest. Nothing is changed.
// Errors: the mesh errors of a garment; ctx's. O(garments * samples * log n).
func (s *Source) LayerOrder(ctx context.Context, garments []*Garment, threads int) (order []int, pairs []LayerPair, notes []string, err error) {
	s = s.alone()
	heights := make([][]float64, len(garments))
	for i, g := range garments {
		if err := g.Mesh.ValidateContext(ctx); err != nil {
			return nil, nil, nil, fmt.Errorf("garment %q: %w", g.Name, err)
		}
		if heights[i], err = s.standsOff(ctx, g, threads); err != nil {
			return nil, nil, nil, fmt.Errorf("garment %q: order of layers: %w", g.Name, err)
		}
	}
	var diff []float64
	for i := range garments {
		for k := i + 1; k < len(garments); k++ {
			if ctx.Err() != nil {
				return nil, nil, nil, ctx.Err()
			}
			diff = diff[:0]
			for p, h := range heights[i] {
				if d := heights[k][p] - h; !math.IsNaN(d) {
					diff = append(diff, d)
				}
			}
			if len(diff) < orderLeast {
				continue
			}
			x := LayerPair{Inner: i, Outer: k, Points: len(diff), Gap: median(diff)}
			if x.Gap < 0 {
				x.Inner, x.Outer, x.Gap = k, i, -x.Gap
			}
			against, equal := 0, 0
			for _, d := range diff {
				if x.Inner == k {
					d = -d
				}
				switch {
				case math.Abs(d) <= orderNear*s.size:
					equal++
				case d < 0:
					against++
				}
			}
			x.Against = float64(against) / float64(max(1, len(diff)-equal))
			pairs = append(pairs, x)
			if x.Against >= orderMixed {
				notes = append(notes, fmt.Sprintf("%s lies over %s by %.1f mm on the whole, but under it at %.0f%% of the places where both are worn",
					garments[x.Outer].Name, garments[x.Inner].Name, 1000*x.Gap, 100*x.Against))
			}
		}
	}
	order, rings := layerSort(len(garments), pairs)
	for _, p := range rings {
		notes = append(notes, fmt.Sprintf("the distances go round in a ring: that %s lies over %s (%.1f mm, at %d places) was left out", garments[p.Outer].Name, garments[p.Inner].Name, 1000*p.Gap, p.Points))
	}
	return order, pairs, notes, nil
}

// layerSort sorts n garments so that each pair's inner comes before its outer: of
// those that may come next always the first. Where none may, the pair with the least
// evidence is left out and returned.
func layerSort(n int, pairs []LayerPair) (order []int, dropped []LayerPair) {
	live := slices.Clone(pairs)
	done := make([]bool, n)
	for len(order) < n {
		next := -1
		for i := 0; i < n && next < 0; i++ {
			if !done[i] && !slices.ContainsFunc(live, func(p LayerPair) bool { return p.Outer == i && !done[p.Inner] }) {
				next = i
			}
		}
		if next >= 0 {
			done[next] = true
			order = append(order, next)
			continue
		}
		weakest := -1
		for i, p := range live {
			if onRing(live, done, p) && (weakest < 0 || p.evidence() < live[weakest].evidence()) {
				weakest = i
			}
		}
		dropped = append(dropped, live[weakest])
		live = slices.Delete(live, weakest, weakest+1)
	}
	return order, dropped
}

// onRing reports whether a way leads from the pair's outer garment out and back to its
// inner one, over garments that are not done.
func onRing(pairs []LayerPair, done []bool, p LayerPair) bool {
	seen := map[int]bool{p.Outer: true}
	queue := []int{p.Outer}
	for len(queue) > 0 {
		at := queue[0]
		queue = queue[1:]
		if at == p.Inner {
			return true
		}
		for _, q := range pairs {
			if q.Inner == at && !done[q.Outer] && !seen[q.Outer] {
				seen[q.Outer] = true
				queue = append(queue, q.Outer)
			}
		}
	}
	return false
}

// evidence is how many places speak for the pair more than against it.
func (p *LayerPair) evidence() float64 { return float64(p.Points) * (1 - 2*p.Against) }

// standsOff returns for each sample point of the body how far the garment stands off
// it, metres along the body's normal; NaN where it does not cover the point. It covers
// a point where its nearest point lies in front of it, faces the body or away from it,
// is no open border beside the point, and is no nearer to another part of the body.
func (s *Source) standsOff(ctx context.Context, g *Garment, threads int) ([]float64, error) {
	tree, err := closest.NewTree(ctx, g.Mesh.Positions, g.Mesh.Triangles, threads)
	if err != nil {
		return nil, err
	}
	welded, err := mesh.WeldContext(ctx, g.Mesh, mesh.WeldTolerance(g.Mesh))
	if err != nil {
		return nil, err
	}
	cloth := &Source{triangle: g.Mesh.Triangles, edge: s.edge}
	if cloth.border, err = mesh.OpenBorderContext(ctx, g.Mesh.Triangles, welded.ToWelded); err != nil {
		return nil, err
	}
	if cloth.faceNormal, err = mesh.FaceNormalsContext(ctx, g.Mesh); err != nil {
		return nil, err
	}
	step := max(1, len(s.triangle)/orderSamples)
	out := make([]float64, (len(s.triangle)+step-1)/step)
	third := [3]float64{1. / 3, 1. / 3, 1. / 3}
	err = parallel(ctx, len(out), threads, func(lo, hi int) {
		for i := lo; i < hi; i++ {
			out[i] = math.NaN()
			t := int32(i * step)
			var x r3.Vec
			for _, v := range s.triangle[t] {
				x = r3.Add(x, r3.Scale(third[0], s.body.Mesh.Positions[v]))
			}
			hit := tree.NearestWithin(x, sq(coverDistance*s.size))
			if hit.Triangle < 0 || cloth.besideBorder(x, &hit) {
				continue
			}
			d, h := math.Sqrt(hit.DistanceSq), r3.Dot(r3.Sub(hit.Point, x), s.normalAt(t, third))
			if h < coverSide*d {
				continue
			}
			if near := s.tree.Nearest(hit.Point); math.Sqrt(near.DistanceSq) < coverSide*d {
				continue
			}
			out[i] = h
		}
	})
	return out, err
}
