package crew

import (
	"math"

	"gonum.org/v1/gonum/spatial/r3"
)

// nearby finds surface samples by place: the fine vertices, sorted into the cells
// of a grid over the surface's box.
type nearby struct {
	s     *surface
	low   r3.Vec
	size  [3]int
	start []int32 // of each cell in vertex; one more at the end
	vert  []int32
}

const (
	nearbyCell  = 0.01 // metres
	nearbyRings = 4    // cells looked at on each side: 4 cm
)

func newNearby(s *surface) *nearby {
	low, high := s.fine.pos[0], s.fine.pos[0]
	for _, p := range s.fine.pos {
		low = r3.Vec{X: min(low.X, p.X), Y: min(low.Y, p.Y), Z: min(low.Z, p.Z)}
		high = r3.Vec{X: max(high.X, p.X), Y: max(high.Y, p.Y), Z: max(high.Z, p.Z)}
	}
	n := &nearby{s: s, low: low}
	top := n.key(high)
	for k := range n.size {
		n.size[k] = top[k] + 1
	}
	// Counting sort by cell.
	n.start = make([]int32, n.size[0]*n.size[1]*n.size[2]+1)
	cell := make([]int32, len(s.fine.pos))
	for v, p := range s.fine.pos {
		k := n.key(p)
		cell[v] = int32((k[2]*n.size[1]+k[1])*n.size[0] + k[0])
		n.start[cell[v]+1]++
	}
	for i := 1; i < len(n.start); i++ {
		n.start[i] += n.start[i-1]
	}
	n.vert = make([]int32, len(s.fine.pos))
	next := append([]int32(nil), n.start...)
	for v, c := range cell {
		n.vert[next[c]] = int32(v)
		next[c]++
	}
	return n
}

func (n *nearby) key(p r3.Vec) [3]int {
	return [3]int{
		int(math.Floor((p.X - n.low.X) / nearbyCell)),
		int(math.Floor((p.Y - n.low.Y) / nearbyCell)),
		int(math.Floor((p.Z - n.low.Z) / nearbyCell)),
	}
}

// height returns the signed height of p over the tangent plane of the nearest
// surface sample, and the normal there; ok is false where no sample lies within
// nearbyRings cells.
func (n *nearby) height(p r3.Vec) (h float64, normal r3.Vec, ok bool) {
	k := n.key(p)
	best, at := math.Inf(1), int32(-1)
	for ring := 0; ring <= nearbyRings; ring++ {
		// A sample in this ring is at least ring-1 whole cells away.
		if float64(ring-1)*nearbyCell > math.Sqrt(best) {
			break
		}
		for z := max(0, k[2]-ring); z <= min(n.size[2]-1, k[2]+ring); z++ {
			for y := max(0, k[1]-ring); y <= min(n.size[1]-1, k[1]+ring); y++ {
				step := 1
				if z-k[2] != ring && k[2]-z != ring && y-k[1] != ring && k[1]-y != ring {
					step = 2 * ring // inside the ring only its two ends
				}
				for x := k[0] - ring; x <= k[0]+ring; x += max(1, step) {
					if x < 0 || x >= n.size[0] {
						continue
					}
					c := (z*n.size[1]+y)*n.size[0] + x
					for _, v := range n.vert[n.start[c]:n.start[c+1]] {
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
