package transfer

// Surround: the row that the whole body around a point gives it, where no single
// surface point deserves to be called its match.
//
//	row(x) = sum over the body's surface of
//	         area * max(0, n.n')^2 * |x-y|^-4 * W(y), normalised
//
// an inverse-distance integral in the line of Shepard, "A two-dimensional
// interpolation function for irregularly-spaced data" (1968), and of Ju, Schaefer,
// Warren, "Mean Value Coordinates for Closed Triangular Meshes" (2005). It
// interpolates on the surface, averages over a patch as large as the distance, is
// smooth, and keeps the body's mirror symmetry. Distant parts of the body are
// summed as clusters (Barnes & Hut, "A hierarchical O(N log N) force-calculation
// algorithm", Nature 324, 1986).

import (
	"math"
	"slices"

	"github.com/selvage/selvage/transfer/weights"
	"gonum.org/v1/gonum/spatial/r3"
)

// openingAngle is the largest ratio of a cluster's size to its distance for
// which it is summed as one point.
const openingAngle = 0.5

// surround is a hierarchy of body surface samples (one a triangle).
type surround struct {
	node []cluster
	rows *weights.Rows // area-weighted mean rows, one a node
}

// cluster is a node of the hierarchy; its two children follow it in node, the
// second at index second; second 0 marks a leaf.
type cluster struct {
	centre r3.Vec // area-weighted
	normal r3.Vec // area-weighted mean, not of unit length: shorter where it turns
	area   float64
	radius float64 // of the sphere around centre that holds all samples
	second int32
}

// newSurround builds the hierarchy over the usable triangles. O(t log t).
func newSurround(s *Source) *surround {
	n := len(s.triangle)
	centre := make([]r3.Vec, n)
	area := make([]float64, n)
	order := make([]int32, 0, n)
	for t, tri := range s.triangle {
		a, b, c := s.body.Mesh.Positions[tri[0]], s.body.Mesh.Positions[tri[1]], s.body.Mesh.Positions[tri[2]]
		centre[t] = r3.Scale(1.0/3, r3.Add(a, r3.Add(b, c)))
		area[t] = r3.Norm(r3.Cross(r3.Sub(b, a), r3.Sub(c, a))) / 2
		if area[t] > 0 {
			order = append(order, int32(t))
		}
	}
	h := &surround{rows: weights.NewRows(n)}
	acc := weights.NewAccumulator(len(s.body.Skin.Joints))
	var build func(o []int32)
	build = func(o []int32) {
		me := len(h.node)
		var c cluster
		for _, t := range o {
			c.area += area[t]
			c.centre = r3.Add(c.centre, r3.Scale(area[t], centre[t]))
			c.normal = r3.Add(c.normal, r3.Scale(area[t], s.faceNormal[t]))
			for _, v := range s.triangle[t] {
				acc.AddRow(s.body.Rows, int(v), area[t]/3)
			}
		}
		c.centre, c.normal = r3.Scale(1/c.area, c.centre), r3.Scale(1/c.area, c.normal)
		lo, hi := centre[o[0]], centre[o[0]]
		for _, t := range o {
			p := centre[t]
			tri := s.triangle[t]
			for _, v := range tri {
				c.radius = max(c.radius, r3.Norm(r3.Sub(s.body.Mesh.Positions[v], c.centre)))
			}
			lo = r3.Vec{X: min(lo.X, p.X), Y: min(lo.Y, p.Y), Z: min(lo.Z, p.Z)}
			hi = r3.Vec{X: max(hi.X, p.X), Y: max(hi.Y, p.Y), Z: max(hi.Z, p.Z)}
		}
		acc.FlushNormalised(h.rows)
		h.node = append(h.node, c)
		if len(o) == 1 {
			return
		}
		// Halve by count along the longest side; ties by triangle, so that the
		// hierarchy does not depend on the sort.
		ext := r3.Sub(hi, lo)
		axis := func(p r3.Vec) float64 { return p.X }
		if ext.Y > ext.X && ext.Y >= ext.Z {
			axis = func(p r3.Vec) float64 { return p.Y }
		} else if ext.Z > ext.X {
			axis = func(p r3.Vec) float64 { return p.Z }
		}
		slices.SortFunc(o, func(a, b int32) int {
			switch x, y := axis(centre[a]), axis(centre[b]); {
			case x < y:
				return -1
			case x > y:
				return 1
			}
			return int(a - b)
		})
		build(o[:len(o)/2])
		h.node[me].second = int32(len(h.node))
		build(o[len(o)/2:])
	}
	if len(order) > 0 {
		build(order)
	}
	return h
}

// add sums the row at x with normal n (zero: no preference) into acc. The sum is
// not normalised. O(log t).
func (h *surround) add(acc *weights.Accumulator, x, n r3.Vec) {
	if len(h.node) == 0 {
		return
	}
	var stack [128]int32
	top := 1
	for top > 0 {
		top--
		i := stack[top]
		c := &h.node[i]
		d2 := r3.Norm2(r3.Sub(c.centre, x))
		if c.second != 0 && c.radius*c.radius > openingAngle*openingAngle*d2 {
			stack[top], stack[top+1] = i+1, c.second
			top += 2
			continue
		}
		facing := 1.0
		if n != (r3.Vec{}) {
			facing = max(0, r3.Dot(n, c.normal))
			facing *= facing
		}
		// A point nearer than the sample's own size sees a patch, not a pole.
		soft := math.Max(d2, 0.25*c.area)
		if f := c.area * facing / (soft * soft); f > 0 {
			acc.AddRow(h.rows, int(i), f)
		}
	}
}
