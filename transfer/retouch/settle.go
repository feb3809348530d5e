package retouch

// What the mirror does where the nearest surface is another limb's.

import (
	"context"
	"math"

	"github.com/selvage/selvage/transfer/closest"
	"github.com/selvage/selvage/transfer/weights"
	"gonum.org/v1/gonum/spatial/r3"
)

// Outliers: a vertex between two fingers may find the wrong one nearest. Where its row
// is more than outlier away in L1 from the mean of its neighbours', the places about as
// near are looked at again, and the one goes whose row is nearest to that mean, if it is
// nearer by at least half as much. Vertices that found their very place never do.
const (
	outlier       = 0.5
	outlierSweeps = 3
)

// settle moves outliers among the hits of g's takers, mirrored by m. own are the rows of
// vertices that take none; pure says which corners of the source have a row to give.
func (s *mirrorSource) settle(ctx context.Context, g *joined, takers []int, hits []mirrorHit, m plane, other []int, own func(w int) (row, bool), pure func(c int32) bool, joints int) error {
	acc := weights.NewAccumulator(joints)
	source := make([]row, len(s.g.member))
	for w := range source {
		joint, weight := s.g.rows.Row(w)
		source[w] = row{joint, weight}
	}
	given := func(h *mirrorHit) (row, bool) {
		for k, c := range h.corner {
			if h.bary[k] > 0 && !pure(c) {
				return row{}, false
			}
		}
		return h.row(acc, source, other), !h.none()
	}
	now, known := make([]row, len(g.member)), make([]bool, len(g.member))
	for w := range now {
		now[w], known[w] = own(w)
	}
	for i, w := range takers {
		now[w], known[w] = given(&hits[i])
	}
	for range outlierSweeps {
		type change struct {
			i int
			h mirrorHit
		}
		var changes []change
		for i, w := range takers {
			if i%256 == 0 && ctx.Err() != nil {
				return ctx.Err()
			}
			if !known[w] || hits[i].distance <= s.snap {
				continue
			}
			n, edge := 0.0, 0.0
			for _, u := range g.adjacency.Neighbours(w) {
				if known[u] {
					now[u].add(acc, 1)
					n++
				}
				edge = max(edge, r3.Norm(r3.Sub(g.mesh.Positions[u], g.mesh.Positions[w])))
			}
			if n == 0 {
				continue
			}
			mean := take(acc)
			for k := range mean.weight {
				mean.weight[k] /= n
			}
			best := distanceL1(now[w], mean)
			if best <= outlier {
				continue
			}
			best -= outlier / 2
			q := m.point(g.mesh.Positions[w])
			found := change{i: -1}
			s.tree.VisitWithin(q, 2*hits[i].distance+edge/2, func(t int32, distSq float64) {
				var corner [3]r3.Vec
				for k, c := range s.g.mesh.Triangles[t] {
					corner[k] = s.g.mesh.Positions[c]
				}
				p, bary := closest.ClosestPoint(q, corner)
				h := s.hit(closest.Hit{Triangle: t, DistanceSq: distSq, Point: p, Bary: bary})
				if r, ok := given(&h); ok {
					if d := distanceL1(r, mean); d < best {
						best, found = d, change{i, h}
					}
				}
			})
			if found.i >= 0 {
				changes = append(changes, found)
			}
		}
		for _, c := range changes {
			hits[c.i] = c.h
			now[takers[c.i]], _ = given(&c.h)
		}
		if len(changes) == 0 {
			break
		}
	}
	return nil
}

// distanceL1 is the L1 distance of two rows.
func distanceL1(a, b row) (d float64) {
	i, k := 0, 0
	for i < len(a.joint) || k < len(b.joint) {
		switch {
		case k == len(b.joint) || i < len(a.joint) && a.joint[i] < b.joint[k]:
			d += math.Abs(a.weight[i])
			i++
		case i == len(a.joint) || b.joint[k] < a.joint[i]:
			d += math.Abs(b.weight[k])
			k++
		default:
			d += math.Abs(a.weight[i] - b.weight[k])
			i, k = i+1, k+1
		}
	}
	return d
}
