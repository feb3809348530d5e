package transfer

// Candidates: for each welded garment vertex the few body surface points that
// it may take its row from. choose.go picks one of them, jointly with the
// neighbours.

import (
	"cmp"
	"context"
	"math"
	"slices"

	"github.com/selvage/selvage/transfer/closest"
	"gonum.org/v1/gonum/spatial/r3"
)

// normalScales are the lambdas of the oriented queries, in units of the
// component's typical gap between garment and body: 0 is the nearest point, the
// largest looks for the surface whose normal agrees, nearly whatever the distance.
var normalScales = [...]float64{0, 1.5, 6}

const (
	// unaryScale is the lambda, in typical gaps, that judges candidates.
	unaryScale = 1.5
	// maxDetour is how many typical gaps farther than the nearest point a candidate
	// may lie: it bounds the oriented queries, which otherwise walk the whole body
	// for the side that is not there.
	maxDetour = 2.5
	// maxCandidates bounds the candidates of one vertex.
	maxCandidates = 6
	// onSurface is the distance, as a share of the body's mean edge length, under
	// which a vertex counts as lying on the body: its nearest point is its match
	// whatever the normals say, unless two sheets of the body cross there (crossing) and it
	// is not exactly on this one.
	onSurface = 0.02
	// crossing is how near, as a share of the body's mean edge length, a sheet that faces
	// as the vertex does must lie to be the one that it is on, where it lies on one that
	// faces the other way: a thumb's surface runs through the palm's.
	crossing = 0.5
	// exactly is the distance, as a share of the body's size, up to which two points are one
	// (2 micrometres on a grown figure): some roundings to float32 of a posed position, which
	// over an edge of millimetres would show in the fifth digit of a row.
	exactly = 1e-6
)

// candidate is a body surface point that a garment vertex may match.
type candidate struct {
	point    r3.Vec
	bary     [3]float64
	triangle int32 // of Source.triangle; -1 for no match at all
	sign     int8  // +1: normals agree; -1: they are opposed (lining, reversed winding)
	distance float64
	unary    float64 // cost of the choice alone, dimensionless
}

// candidates of all welded vertices, cheapest first, at least one each. Vertex v
// has start[v+1]-start[v] of them, which follow one another in the block of its
// blockSize vertices.
type candidates struct {
	start []int32
	block [][]candidate
	gap   []float64 // typical gap of the vertex's island, metres
	near  []float64 // distance to the nearest body point, metres
	rest  []float64 // distance to what is trusted of body and layers, metres; near without layers
}

func (c *candidates) of(v int) []candidate {
	first := c.start[v&^(blockSize-1)]
	return c.block[v/blockSize][c.start[v]-first : c.start[v+1]-first]
}

// len is the number of candidates of all vertices.
func (c *candidates) len() int { return int(c.start[len(c.start)-1]) }

// findCandidates queries the body for each vertex of the welded garment.
// Positions are in the frame of matching (the default-pose world frame, or the
// registered one). O(n log t).
func findCandidates(ctx context.Context, s *Source, g *target, opt *Options) (*candidates, error) {
	n := len(g.position)
	hits, err := s.nearestAll(ctx, g.position, opt.Threads)
	if err != nil {
		return nil, err
	}
	c := &candidates{gap: make([]float64, n), near: make([]float64, n)}
	for v := range hits {
		if ended(ctx, v) {
			return nil, ctx.Err()
		}
		c.near[v] = math.Sqrt(hits[v].DistanceSq)
	}
	c.typicalGaps(s, g)

	c.block = make([][]candidate, blocksOf(n))
	c.start = make([]int32, n+1)
	err = parallel(ctx, n, opt.Threads, func(lo, hi int) {
		out := make([]candidate, 0, 2*(hi-lo))
		var found [2 * len(normalScales)]candidate
		for v := lo; v < hi; v++ {
			list := s.vertexCandidates(found[:0], g, v, hits[v].Triangle, hits[v].Point, hits[v].Bary, c.near[v], c.gap[v])
			out = append(out, list...)
			c.start[v+1] = int32(len(list))
		}
		c.block[lo/blockSize] = out
	})
	if err != nil {
		return nil, err
	}
	for v := 0; v < n; v++ {
		c.start[v+1] += c.start[v]
	}
	c.rest = c.near
	if s.worn != nil {
		err = c.lieOn(ctx, s, g, opt.Threads)
	}
	return c, err
}

// vertexCandidates appends the distinct candidates of one vertex to list,
// cheapest first.
func (s *Source) vertexCandidates(list []candidate, g *target, v int, t int32, point r3.Vec, bary [3]float64, near, gap float64) []candidate {
	if t < 0 {
		return append(list, candidate{triangle: -1, sign: 1, distance: math.Inf(1)})
	}
	p, n := g.position[v], g.normal[v]
	judged := func(t int32, point r3.Vec, bary [3]float64) candidate {
		d := r3.Norm(r3.Sub(point, p))
		if d <= onSurface*s.edge {
			bary = s.atVertex(t, point, bary)
		}
		m := s.normalAt(t, bary)
		x := candidate{point: point, bary: bary, triangle: t, distance: d}
		cos := r3.Dot(n, m)
		x.sign = 1
		if cos < 0 {
			x.sign, cos = -1, -cos
		}
		if n == (r3.Vec{}) {
			cos = 1 // no normal, no opinion
		}
		x.unary = unaryCost(d, 1-cos, gap)
		return x
	}
	add := func(t int32, point r3.Vec, bary [3]float64) {
		x := judged(t, point, bary)
		// Two points closer together than the gap are the same sheet of the body:
		// the cheaper one stays.
		for i := range list {
			y := &list[i]
			if r3.Norm(r3.Sub(y.point, x.point)) < max(0.3*x.distance, 0.25*gap) && y.sign == x.sign {
				if x.unary < y.unary {
					*y = x
				}
				return
			}
		}
		list = append(list, x)
	}
	add(t, point, bary)
	if near <= onSurface*s.edge {
		if list[0].sign < 0 && near > exactly*s.size {
			lambda := unaryScale * gap
			if hit, _ := s.nearestOriented(p, n, lambda*lambda, sq(crossing*s.edge)); hit.Triangle >= 0 && r3.Dot(n, s.normalAt(hit.Triangle, hit.Bary)) > 0 {
				list = append(list, judged(hit.Triangle, hit.Point, hit.Bary))
			}
			slices.SortStableFunc(list, byCost)
		}
		return list
	}
	below := func() {
		if s.layer != nil {
			list = s.belowHems(list, p, func(h closest.Hit) candidate { return judged(h.Triangle, h.Point, h.Bary) })
		}
	}
	if n == (r3.Vec{}) {
		below()
		return list
	}

	nearest := list[0]
	for _, sign := range [2]float64{1, -1} {
		side := r3.Scale(sign, n)
		first := r3.Norm2(r3.Sub(side, s.faceNormal[t]))
		mismatch, bestSq := first, near*near
		for _, scale := range normalScales[1:] {
			// Where the nearest point's normal already agrees, no other sheet can be
			// better by more than the choice among neighbours could ever notice.
			if float64(nearest.sign) == sign && first < 0.1 && scale > unaryScale {
				break
			}
			lambda := scale * gap
			bound := min(bestSq+lambda*lambda*mismatch, sq(near+maxDetour*gap))
			hit, _ := s.nearestOriented(p, side, lambda*lambda, bound)
			if hit.Triangle >= 0 {
				// What this lambda found bounds the next.
				bestSq, mismatch = hit.DistanceSq, r3.Norm2(r3.Sub(side, s.faceNormal[hit.Triangle]))
				add(hit.Triangle, hit.Point, hit.Bary)
			}
		}
	}
	below()
	slices.SortStableFunc(list, byCost)
	return list[:min(len(list), maxCandidates)]
}

// atVertex is the barycentric coordinates of a point of a triangle, of a vertex where it
// is one but for rounding.
func (s *Source) atVertex(t int32, point r3.Vec, bary [3]float64) [3]float64 {
	for k, v := range s.triangle[t] {
		if r3.Norm(r3.Sub(point, s.body.Mesh.Positions[v])) <= exactly*s.size {
			at := [3]float64{}
			at[k] = 1
			return at
		}
	}
	return bary
}

// byCost orders candidates, the cheapest first.
func byCost(a, b candidate) int { return cmp.Compare(a.unary, b.unary) }

// unaryCost is the cost of a match at distance d metres whose normal makes
// 1-|cos| = bend with the vertex's, for a typical gap: sqrt(1+q)-1 with
// q = (d^2 + lambda^2 |n - s n'|^2)/gap^2, quadratic near and linear far, so that
// one far vertex cannot outvote its surroundings (pseudo-Huber loss).
func unaryCost(d, bend, gap float64) float64 {
	q := (d*d + unaryScale*unaryScale*gap*gap*2*bend) / (gap * gap)
	return math.Sqrt(1+q) - 1
}

// typicalGaps sets the gap of each vertex to the median distance over its
// island, not less than a fifth of the body's edge length: below that the body's
// own facets hide any difference.
func (c *candidates) typicalGaps(s *Source, g *target) {
	all := thinned(c.near, func(i int) float64 { return c.near[i] })
	floor := max(0.2*s.edge, 1e-4*s.size)
	global := max(median(all), floor)
	for i := 0; i < g.islands.Count; i++ {
		members := g.islands.Members(i)
		gap := global
		// A handful of vertices has no typical gap of its own.
		if len(members) >= 50 {
			gap = max(median(thinned(members, func(i int) float64 { return c.near[members[i]] })), floor)
		}
		for _, v := range members {
			c.gap[v] = gap
		}
	}
}

// thinned returns value(i) for some ten thousand i spread over x: enough for a
// median, which would cost a sort of them all.
func thinned[T any](x []T, value func(i int) float64) []float64 {
	const samples = 20_000
	step := 1 + len(x)/samples
	out := make([]float64, 0, len(x)/step+1)
	for i := 0; i < len(x); i += step {
		out = append(out, value(i))
	}
	return out
}

// median of x, which it reorders; 0 for none.
func median(x []float64) float64 {
	if len(x) == 0 {
		return 0
	}
	slices.Sort(x)
	return x[len(x)/2]
}

func sq(x float64) float64 { return x * x }
