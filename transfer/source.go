package transfer

import (
	"context"
	"fmt"
	"math"

	"github.com/selvage/selvage/transfer/closest"
	"github.com/selvage/selvage/transfer/mesh"
	"github.com/selvage/selvage/transfer/weights"
	"gonum.org/v1/gonum/spatial/r3"
)

// maxSheetTriangles is the number of triangles from which on oriented queries look
// at a part of them. On a grown figure they are then about 5 mm apart. With half as many, gloves
// begin to suffer; with more, nothing gains.
const maxSheetTriangles = 100_000

// NoRowsError reports a body none of whose triangles has three usable rows.
type NoRowsError struct{ Body string }

func (e *NoRowsError) Error() string {
	return fmt.Sprintf("body %q: no triangle has usable weights at its three vertices", e.Body)
}

// Source is a body made ready for any number of transfers: its search tree,
// normals, borders and weight gradients. It is read-only after Prepare and safe
// for concurrent use. The Body must not change while the Source is in use.
type Source struct {
	body *Body
	size float64 // of the usable surface, metres; see bodySize
	edge float64 // mean edge length of the usable surface, metres

	// Usable triangles only; tree triangle t is original[t] of the body.
	tree *closest.Tree
	// sheets is the tree for oriented queries, over every sheetStep-th usable
	// triangle: those queries tell the body's sheets apart, for which a fine body has
	// far more triangles than it takes, and their cost grows with the triangles
	// within reach.
	sheets     *closest.Tree
	sheetStep  int32
	triangle   [][3]int32
	original   []int32
	faceNormal []r3.Vec // unit; zero where the triangle is degenerate
	// gradient of the rows over each triangle: the largest L1 difference between
	// two corners' rows over the corners' distance, 1/m.
	gradient []float64
	// border has bit k set where the edge opposite corner k is on an open border.
	border []uint8
	// normal at the corners' vertices: angle-weighted over the welded body.
	normal []r3.Vec

	// leave says which of the body's triangles are left out though their rows are usable;
	// nil: none.
	leave         []bool
	left          int // how many those are
	unusable      int // vertices without a usable row
	firstUnusable int

	// Of a source with layers (layers.go); nil without.
	worn     *worn
	layer    []int32         // by triangle: 0 the body, then the layers, inner to outer
	turned   []bool          // by triangle: wound the other way than in the layer's mesh
	expected []float64       // by vertex: expected L1 error of its row
	pieces   []*closest.Tree // what is seen of the body and of each layer
	rests    []*closest.Tree // the body, and the trusted part of each layer
}

// Prepare builds the Source of a body. It fails with the mesh's own errors where
// positions or indices are wrong, with an error naming the vertex where a row
// refers to a joint the skin lacks, and with *NoRowsError. O(n log n).
func Prepare(ctx context.Context, body *Body, threads int) (*Source, error) {
	return prepareWithout(ctx, body, nil, threads)
}

// prepareWithout is Prepare of what leave, by triangle, does not leave out: of nothing at
// all, where it leaves out all.
func prepareWithout(ctx context.Context, body *Body, leave []bool, threads int) (*Source, error) {
	if err := body.Mesh.ValidateContext(ctx); err != nil {
		return nil, fmt.Errorf("body %q: %w", body.Name, err)
	}
	n := body.Mesh.NumVertices()
	if body.Rows.Len() != n {
		return nil, fmt.Errorf("body %q: %d rows for %d vertices", body.Name, body.Rows.Len(), n)
	}
	s := &Source{body: body, firstUnusable: -1, leave: leave}

	// A row is usable when its weights are finite, not negative, and sum to
	// something that can be normalised.
	usable := make([]bool, n)
	for v := range usable {
		if ended(ctx, v) {
			return nil, ctx.Err()
		}
		joint, weight := body.Rows.Row(v)
		sum, ok := 0.0, true
		for i, w := range weight {
			if int(joint[i]) >= len(body.Skin.Joints) {
				return nil, fmt.Errorf("body %q: vertex %d: joint %d is outside 0..%d", body.Name, v, joint[i], len(body.Skin.Joints)-1)
			}
			if !(w >= 0) || math.IsInf(w, 0) {
				ok = false
			}
			sum += w
		}
		usable[v] = ok && math.Abs(sum-1) < 0.5
		if !usable[v] {
			if s.unusable == 0 {
				s.firstUnusable = v
			}
			s.unusable++
		}
	}
	for t, tri := range body.Mesh.Triangles {
		if ended(ctx, t) {
			return nil, ctx.Err()
		}
		if usable[tri[0]] && usable[tri[1]] && usable[tri[2]] {
			if leave != nil && leave[t] {
				s.left++
				continue
			}
			s.triangle = append(s.triangle, tri)
			s.original = append(s.original, int32(t))
		}
	}
	if len(s.triangle) == 0 && s.left == 0 {
		return nil, &NoRowsError{Body: body.Name}
	}

	if err := s.plant(ctx, threads); err != nil {
		return nil, err
	}
	if err := s.measure(ctx, threads); err != nil {
		return nil, err
	}
	return s, nil
}

// plant builds the search trees.
func (s *Source) plant(ctx context.Context, threads int) (err error) {
	p := s.body.Mesh.Positions
	if s.tree, err = closest.NewTree(ctx, p, s.triangle, threads); err != nil {
		return fmt.Errorf("body %q: build search tree: %w", s.body.Name, err)
	}
	s.sheets, s.sheetStep = s.tree, 1
	if n := len(s.triangle); n > maxSheetTriangles {
		s.sheetStep = int32((n + maxSheetTriangles - 1) / maxSheetTriangles)
		var some [][3]int32
		for t := 0; t < n; t += int(s.sheetStep) {
			some = append(some, s.triangle[t])
		}
		if s.sheets, err = closest.NewTree(ctx, p, some, threads); err != nil {
			return fmt.Errorf("body %q: build search tree: %w", s.body.Name, err)
		}
	}
	return nil
}

// measure fills in normals, gradients, borders and sizes of the usable surface.
func (s *Source) measure(ctx context.Context, threads int) error {
	p := s.body.Mesh.Positions
	used := &mesh.Mesh{Positions: p, Triangles: s.triangle}
	var err error
	if s.faceNormal, err = mesh.FaceNormalsContext(ctx, used); err != nil {
		return err
	}
	if s.edge, s.gradient, err = s.edges(ctx, threads); err != nil {
		return err
	}
	if s.size, err = bodySize(ctx, p, s.triangle); err != nil {
		return err
	}
	// Borders and smooth normals need the connectivity, so they come from the
	// welded surface: texture seams are no borders.
	w, err := mesh.WeldContext(ctx, used, mesh.WeldTolerance(used))
	if err != nil {
		return err
	}
	vn, err := mesh.VertexNormalsContext(ctx, w.Mesh)
	if err != nil {
		return err
	}
	s.normal = make([]r3.Vec, len(p))
	for v := range s.normal {
		if ended(ctx, v) {
			return ctx.Err()
		}
		s.normal[v] = vn[w.ToWelded[v]]
	}
	s.border, err = mesh.OpenBorderContext(ctx, s.triangle, w.ToWelded)
	return err
}

// edges returns the mean edge length of the usable surface and the gradient of the
// rows over each of its triangles.
func (s *Source) edges(ctx context.Context, threads int) (mean float64, gradient []float64, err error) {
	p := s.body.Mesh.Positions
	gradient = make([]float64, len(s.triangle))
	// Sums by block, added in order: the same bits whatever the threads.
	lengths, edges := make([]float64, blocksOf(len(s.triangle))), make([]int, blocksOf(len(s.triangle)))
	err = parallel(ctx, len(s.triangle), threads, func(lo, hi int) {
		b := lo / blockSize
		for t := lo; t < hi; t++ {
			tri := s.triangle[t]
			for k := range tri {
				u, v := tri[k], tri[(k+1)%3]
				if l := r3.Norm(r3.Sub(p[u], p[v])); l > 0 {
					lengths[b] += l
					edges[b]++
					gradient[t] = max(gradient[t], s.body.Rows.DistanceL1(int(u), s.body.Rows, int(v))/l)
				}
			}
		}
	})
	if err != nil {
		return 0, nil, err
	}
	total, count := 0.0, 0
	for b := range lengths {
		total += lengths[b]
		count += edges[b]
	}
	if count > 0 {
		mean = total / float64(count)
	}
	return mean, gradient, nil
}

// sizeRatio makes bodySize about the height of a standing figure plus a quarter,
// which is the diagonal of its bounding box with the arms lowered by 45 degrees.
const sizeRatio = 4.45

// bodySize is the unit of all distances that are meant relative to the body:
// sizeRatio times the root mean square distance of the surface from its centroid,
// by area. It does not depend on the frame, and a few stray triangles hardly move
// it. O(triangles).
func bodySize(ctx context.Context, p []r3.Vec, triangles [][3]int32) (float64, error) {
	var centre r3.Vec
	total := 0.0
	area := func(t [3]int32) (float64, r3.Vec) {
		a, b, c := p[t[0]], p[t[1]], p[t[2]]
		return r3.Norm(r3.Cross(r3.Sub(b, a), r3.Sub(c, a))) / 2, r3.Scale(1.0/3, r3.Add(a, r3.Add(b, c)))
	}
	for i, t := range triangles {
		if ended(ctx, i) {
			return 0, ctx.Err()
		}
		w, x := area(t)
		total += w
		centre = r3.Add(centre, r3.Scale(w, x))
	}
	if !(total > 0) { // nothing but degenerate triangles
		box := mesh.Bounds(p)
		return r3.Norm(r3.Sub(box.Max, box.Min)), nil
	}
	centre = r3.Scale(1/total, centre)
	sum := 0.0
	for i, t := range triangles {
		if ended(ctx, i) {
			return 0, ctx.Err()
		}
		w, x := area(t)
		sum += w * r3.Norm2(r3.Sub(x, centre))
	}
	return sizeRatio * math.Sqrt(sum/total), nil
}

// normalAt is the unit smooth normal at barycentric coordinates of a usable
// triangle; the flat one where the smooth one vanishes.
func (s *Source) normalAt(t int32, b [3]float64) r3.Vec {
	tri := s.triangle[t]
	n := r3.Add(r3.Scale(b[0], s.normal[tri[0]]), r3.Add(r3.Scale(b[1], s.normal[tri[1]]), r3.Scale(b[2], s.normal[tri[2]])))
	l := r3.Norm(n)
	if l < 0.1 {
		return s.faceNormal[t]
	}
	return r3.Scale(1/l, n)
}

// addRow adds factor times the row interpolated at b on usable triangle t.
func (s *Source) addRow(acc *weights.Accumulator, t int32, b [3]float64, factor float64) {
	for k, v := range s.triangle[t] {
		if b[k] > 0 {
			acc.AddRow(s.body.Rows, int(v), factor*b[k])
		}
	}
}

// nearestAll returns the nearest usable body point of each point.
func (s *Source) nearestAll(ctx context.Context, points []r3.Vec, threads int) ([]closest.Hit, error) {
	hits := make([]closest.Hit, len(points))
	if err := s.tree.NearestAll(ctx, points, hits, threads); err != nil {
		return nil, err
	}
	return hits, nil
}

// nearestOriented is the oriented query over the body's sheets.
func (s *Source) nearestOriented(p, side r3.Vec, lambdaSq, maxCost float64) (closest.Hit, float64) {
	hit, cost := s.sheets.NearestOriented(p, side, lambdaSq, maxCost)
	if hit.Triangle >= 0 {
		hit.Triangle *= s.sheetStep
	}
	return hit, cost
}
