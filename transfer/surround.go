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
	"context"
	"math"
	"slices"

	"github.com/selvage/selvage/transfer/weights"
	"gonum.org/v1/gonum/spatial/r3"
)

// openingAngle is the largest ratio of a cluster's size to its distance for
// which it is summed as one point. Clusters follow the frame's axes, so what they
// blur differs from one side of the body to the other and from frame to frame: at
// 0.5 rows of a cape differ by 0.02 from their mirror image, and by 0.6 where the
// choice of carriers tips (loose.go); at 0.25 by 0.012, here by 0.005.
const openingAngle = 0.2

// leafSamples is the number of triangles that are never told apart.
const leafSamples = 1

// morton interleaves the bits of p's place in box, 21 an axis: its rank along the
// Z-order curve (Morton 1966).
func morton(p r3.Vec, box r3.Box) uint64 {
	size := max(box.Max.X-box.Min.X, box.Max.Y-box.Min.Y, box.Max.Z-box.Min.Z, 1e-300)
	spread := func(x float64) uint64 {
		v := uint64(min(max(x/size, 0), 1) * (1<<21 - 1))
		v = (v | v<<32) & 0x1f00000000ffff
		v = (v | v<<16) & 0x1f0000ff0000ff
		v = (v | v<<8) & 0x100f00f00f00f00f
		v = (v | v<<4) & 0x10c30c30c30c30c3
		return (v | v<<2) & 0x1249249249249249
	}
	return spread(p.X-box.Min.X) | spread(p.Y-box.Min.Y)<<1 | spread(p.Z-box.Min.Z)<<2
}

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
func newSurround(ctx context.Context, s *Source) (*surround, error) {
	n := len(s.triangle)
	centre := make([]r3.Vec, n)
	area := make([]float64, n)
	order := make([]int32, 0, n)
	// The sheets' share of the triangles (source.go) serves for a sum, too.
	for t := 0; t < n; t += int(s.sheetStep) {
		tri := s.triangle[t]
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
		if len(o) > blockSize && ctx.Err() != nil {
			return
		}
		me := len(h.node)
		var c cluster
		for i, t := range o {
			if i > 0 && ended(ctx, i) {
				return
			}
			c.area += area[t]
			c.centre = r3.Add(c.centre, r3.Scale(area[t], centre[t]))
			c.normal = r3.Add(c.normal, r3.Scale(area[t], s.faceNormal[t]))
			for _, v := range s.triangle[t] {
				acc.AddRow(s.body.Rows, int(v), area[t]/3)
			}
		}
		c.centre, c.normal = r3.Scale(1/c.area, c.centre), r3.Scale(1/c.area, c.normal)
		far := 0.0
		for _, t := range o {
			for _, v := range s.triangle[t] {
				far = max(far, r3.Norm2(r3.Sub(s.body.Mesh.Positions[v], c.centre)))
			}
		}
		c.radius = math.Sqrt(far)
		acc.FlushNormalised(h.rows)
		h.node = append(h.node, c)
		if len(o) <= leafSamples {
			return
		}
		build(o[:len(o)/2])
		h.node[me].second = int32(len(h.node))
		build(o[len(o)/2:])
	}
	// Halving the order along a space-filling curve gives compact clusters with one
	// sort; ties go by triangle.
	if len(order) > 0 {
		box := r3.Box{Min: centre[order[0]], Max: centre[order[0]]}
		for _, t := range order {
			p := centre[t]
			box.Min = r3.Vec{X: min(box.Min.X, p.X), Y: min(box.Min.Y, p.Y), Z: min(box.Min.Z, p.Z)}
			box.Max = r3.Vec{X: max(box.Max.X, p.X), Y: max(box.Max.Y, p.Y), Z: max(box.Max.Z, p.Z)}
		}
		code := make([]uint64, n)
		for _, t := range order {
			code[t] = morton(centre[t], box)
		}
		slices.SortFunc(order, func(a, b int32) int {
			switch {
			case code[a] < code[b]:
				return -1
			case code[a] > code[b]:
				return 1
			}
			return int(a - b)
		})
		build(order)
	}
	return h, ctx.Err() // once it is done, the hierarchy is not finished
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
