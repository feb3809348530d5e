package pose

// Matches: the body point that each garment vertex lies over in the default pose.
// A judge does not ask the accused: the matches are found anew here, from the
// geometry alone, never from the garment's rows.

import (
	"context"
	"math"
	"slices"

	"github.com/selvage/selvage/transfer/closest"
	"github.com/selvage/selvage/transfer/forkjoin"
	"github.com/selvage/selvage/transfer/mesh"
	"gonum.org/v1/gonum/spatial/r3"
)

const (
	// normalScale weighs the normals against the distance, in typical gaps: of two
	// sheets at similar distances the one that faces as the vertex does is its match.
	normalScale = 4
	// sideRounds is how often neighbours vote on the side that a vertex faces.
	sideRounds = 12
)

// match of one garment vertex.
type match struct {
	triangle int32 // of the body's welded mesh; -1: none
	bary     [3]float64
	point    r3.Vec  // default pose
	gap      float64 // distance to the body's nearest point, metres
	distance float64 // to the match's own point
	height   float64 // above the sheet of the match, metres; negative inside
	inside   bool    // of the body, by its nearest point
	side     float64 // +1: the cloth faces as the body does; -1: lining or reversed winding
}

// findMatches queries the body's tree for every vertex of the garment. O(n log t).
func findMatches(ctx context.Context, body *surface, tree *closest.Tree, garment *surface, threads int) ([]match, error) {
	n := len(garment.pos)
	hits := make([]closest.Hit, n)
	if err := tree.NearestAll(ctx, garment.pos, hits, threads); err != nil {
		return nil, err
	}
	normal, err := mesh.VertexNormalsContext(ctx, garment.welded.Mesh)
	if err != nil {
		return nil, err
	}
	all := make([]float64, 0, n)
	side := make([]int8, n)
	for v := range hits {
		if hits[v].Triangle < 0 {
			continue
		}
		all = append(all, math.Sqrt(hits[v].DistanceSq))
		if r3.Dot(normal[v], body.normal[hits[v].Triangle]) < 0 {
			side[v] = -1
		} else {
			side[v] = 1
		}
	}
	gap := body.meanEdge
	if len(all) > 0 {
		slices.Sort(all)
		gap = max(all[len(all)/2], 0.2*body.meanEdge)
	}
	// Cloth does not change sides from one vertex to the next.
	next := make([]int8, n)
	for range sideRounds {
		if err := ctx.Err(); err != nil {
			return nil, err
		}
		for v := range side {
			sum := 2 * int(side[v])
			for _, u := range garment.adj.Neighbours(v) {
				sum += int(side[u])
			}
			next[v] = side[v]
			if sum != 0 {
				next[v] = int8(sign(sum))
			}
		}
		side, next = next, side
	}
	out := make([]match, n)
	lambdaSq := normalScale * normalScale * gap * gap
	err = forkjoin.Each(ctx, (n+255)/256, threads, func() func(int) {
		q := body.sheet(body.pos)
		return func(block int) {
			for v := block * 256; v < min(n, (block+1)*256); v++ {
				h := hits[v]
				m := &out[v]
				m.triangle, m.side = h.Triangle, float64(side[v])
				if h.Triangle < 0 {
					m.gap, m.distance = math.Inf(1), math.Inf(1)
					continue
				}
				p := garment.pos[v]
				m.gap = math.Sqrt(h.DistanceSq)
				m.inside = q.Height(p, h) < 0
				if d := r3.Scale(m.side, normal[v]); d != (r3.Vec{}) {
					bound := h.DistanceSq + lambdaSq*r3.Norm2(r3.Sub(d, body.normal[h.Triangle]))
					if o, _ := tree.NearestOriented(p, d, lambdaSq, bound*(1+1e-12)); o.Triangle >= 0 {
						h = o
					}
				}
				// From the facet whose normal agrees best to the nearest point around it.
				f := q.Walk(p, h.Triangle)
				m.triangle, m.bary, m.point = f.Triangle, f.Bary, f.Point
				m.distance = math.Sqrt(f.DistanceSq)
				m.height = q.Height(p, f)
			}
		}
	})
	return out, err
}

func sign(x int) int {
	if x < 0 {
		return -1
	}
	return 1
}
