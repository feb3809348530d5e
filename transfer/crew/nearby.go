package crew

import (
	"math"

	"gonum.org/v1/gonum/spatial/r3"
)

// nearby finds surface samples by place: the fine vertices in a hash grid.
type nearby struct {
	s    *surface
	cell float64
	at   map[[3]int32][]int32
}

func newNearby(s *surface) *nearby {
	n := &nearby{s: s, cell: 0.02, at: map[[3]int32][]int32{}}
	for v, p := range s.fine.pos {
		k := n.key(p)
		n.at[k] = append(n.at[k], int32(v))
	}
	return n
}

func (n *nearby) key(p r3.Vec) [3]int32 {
	return [3]int32{int32(math.Floor(p.X / n.cell)), int32(math.Floor(p.Y / n.cell)), int32(math.Floor(p.Z / n.cell))}
}

// height returns the signed height of p over the tangent plane of the nearest
// surface sample, and the normal there; ok is false where no sample lies within
// 4 cm.
func (n *nearby) height(p r3.Vec) (h float64, normal r3.Vec, ok bool) {
	k := n.key(p)
	best, at := math.Inf(1), int32(-1)
	for ring := int32(0); ring <= 2; ring++ {
		if float64(ring-1)*n.cell > math.Sqrt(best) {
			break
		}
		for x := -ring; x <= ring; x++ {
			for y := -ring; y <= ring; y++ {
				for z := -ring; z <= ring; z++ {
					if max(x, -x, y, -y, z, -z) != ring {
						continue
					}
					for _, v := range n.at[[3]int32{k[0] + x, k[1] + y, k[2] + z}] {
						if d := r3.Norm2(r3.Sub(p, n.s.fine.pos[v])); d < best {
							best, at = d, v
						}
					}
				}
			}
		}
	}
	if at < 0 {
		return 0, r3.Vec{}, false
	}
	return r3.Dot(r3.Sub(p, n.s.fine.pos[at]), n.s.normal[at]), n.s.normal[at], true
}
