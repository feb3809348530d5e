package main

// Methods: the transfers that are compared. Each gives every garment vertex a
// row, a confidence and the distance to its match.

import (
	"context"
	"fmt"
	"math"

	"github.com/selvage/selvage/transfer"
	"github.com/selvage/selvage/transfer/closest"
	"github.com/selvage/selvage/transfer/laplacian"
	"github.com/selvage/selvage/transfer/mesh"
	"github.com/selvage/selvage/transfer/weights"
	"gonum.org/v1/gonum/spatial/kdtree"
	"gonum.org/v1/gonum/spatial/r3"
)

// answer is what a method gives; all slices have one entry a garment vertex.
type answer struct {
	rows       *weights.Rows
	confidence []float64
	distance   []float64 // metres
	reason     []transfer.Reason
}

type method struct {
	name string
	run  func(ctx context.Context, b *transfer.Body, g *transfer.Garment) (*answer, error)
}

func methods() []method {
	return []method{
		{"nearest vertex", nearestVertex},
		{"nearest surface", nearestSurface},
		{"published", published},
		{"selvage", selvage},
	}
}

// distanceScale is the length, in metres, over which the confidence of the two
// nearest-point baselines falls by a factor e.
const distanceScale = 0.02

// indexedPoint is a body vertex in gonum's k-d tree.
type indexedPoint struct {
	kdtree.Point
	index int
}

func (p indexedPoint) Compare(c kdtree.Comparable, d kdtree.Dim) float64 {
	return p.Point[d] - c.(indexedPoint).Point[d]
}
func (p indexedPoint) Dims() int { return 3 }
func (p indexedPoint) Distance(c kdtree.Comparable) float64 {
	return p.Point.Distance(c.(indexedPoint).Point)
}

type indexedPoints []indexedPoint

func (p indexedPoints) Index(i int) kdtree.Comparable         { return p[i] }
func (p indexedPoints) Len() int                              { return len(p) }
func (p indexedPoints) Slice(start, end int) kdtree.Interface { return p[start:end] }
func (p indexedPoints) Pivot(d kdtree.Dim) int                { return plane{d, p}.pivot() }

type plane struct {
	kdtree.Dim
	indexedPoints
}

func (p plane) Less(i, j int) bool {
	return p.indexedPoints[i].Point[p.Dim] < p.indexedPoints[j].Point[p.Dim]
}
func (p plane) Swap(i, j int) {
	p.indexedPoints[i], p.indexedPoints[j] = p.indexedPoints[j], p.indexedPoints[i]
}
func (p plane) Slice(start, end int) kdtree.SortSlicer {
	p.indexedPoints = p.indexedPoints[start:end]
	return p
}
func (p plane) pivot() int { return kdtree.Partition(p, kdtree.MedianOfMedians(p)) }

func coordinates(p r3.Vec) kdtree.Point { return kdtree.Point{p.X, p.Y, p.Z} }

// nearestVertex copies the row of the nearest body vertex.
func nearestVertex(ctx context.Context, b *transfer.Body, g *transfer.Garment) (*answer, error) {
	points := make(indexedPoints, 0, b.Mesh.NumVertices())
	used := make([]bool, b.Mesh.NumVertices())
	for _, t := range b.Mesh.Triangles {
		for _, v := range t {
			used[v] = true
		}
	}
	for v, p := range b.Mesh.Positions {
		if used[v] {
			points = append(points, indexedPoint{coordinates(p), v})
		}
	}
	tree := kdtree.New(points, false)
	a := &answer{rows: weights.NewRows(g.Mesh.NumVertices())}
	for v, p := range g.Mesh.Positions {
		if v%4096 == 0 && ctx.Err() != nil {
			return nil, ctx.Err()
		}
		c, dSq := tree.Nearest(indexedPoint{coordinates(p), -1})
		if c == nil {
			return nil, fmt.Errorf("body %q: no vertex to match", b.Name)
		}
		a.rows.Append(b.Rows.Row(c.(indexedPoint).index))
		a.distance = append(a.distance, math.Sqrt(dSq))
		a.confidence = append(a.confidence, math.Exp(-math.Sqrt(dSq)/distanceScale))
	}
	return a, nil
}

// matchSurface returns each vertex's nearest point of the body's surface.
func matchSurface(ctx context.Context, b *transfer.Body, points []r3.Vec) ([]closest.Hit, error) {
	tree, err := closest.NewTree(ctx, b.Mesh.Positions, b.Mesh.Triangles, 0)
	if err != nil {
		return nil, fmt.Errorf("body %q: %w", b.Name, err)
	}
	if tree.Len() == 0 {
		return nil, fmt.Errorf("body %q: no triangle to match", b.Name)
	}
	hits := make([]closest.Hit, len(points))
	return hits, tree.NearestAll(ctx, points, hits, 0)
}

// barycentricRows interpolates the body's rows at the hits.
func barycentricRows(b *transfer.Body, hits []closest.Hit) *weights.Rows {
	acc := weights.NewAccumulator(len(b.Skin.Joints))
	rows := weights.NewRows(len(hits))
	for _, h := range hits {
		for k, v := range b.Mesh.Triangles[h.Triangle] {
			acc.AddRow(b.Rows, int(v), h.Bary[k])
		}
		acc.FlushNormalised(rows)
	}
	return rows
}

// nearestSurface interpolates the body's rows at the nearest surface point.
func nearestSurface(ctx context.Context, b *transfer.Body, g *transfer.Garment) (*answer, error) {
	hits, err := matchSurface(ctx, b, g.Mesh.Positions)
	if err != nil {
		return nil, err
	}
	a := &answer{rows: barycentricRows(b, hits)}
	for _, h := range hits {
		d := math.Sqrt(h.DistanceSq)
		a.distance = append(a.distance, d)
		a.confidence = append(a.confidence, math.Exp(-d/distanceScale))
	}
	return a, nil
}

// Thresholds of the published method. Distance and angle: Abdrashitov,
// Raichstat, Monsen, Hill, "Robust Skin Weights Transfer via Weight Inpainting",
// SIGGRAPH Asia 2023 Technical Communications. The smoothing's numbers are from
// memory, not checked against the paper.
const (
	publishedDistance = 0.05 // of the diagonal of the target's bounding box
	publishedDegrees  = 30
	smoothSteps       = 10
	smoothShare       = 0.2 // share of the neighbours' mean in a step
)

// published is the method of Abdrashitov et al. (2023) on the welded garment:
// nearest surface points accepted by distance and normal, the other rows by the
// least squared Laplacian with the accepted rows fixed, negative weights clamped,
// rows normalised, then smoothed around what was filled. Components without any
// accepted vertex have no solution; they keep their nearest rows.
func published(ctx context.Context, b *transfer.Body, g *transfer.Garment) (*answer, error) {
	welded := mesh.Weld(g.Mesh, 1e-6*g.Mesh.Diagonal())
	m := welded.Mesh
	hits, err := matchSurface(ctx, b, m.Positions)
	if err != nil {
		return nil, err
	}
	near := barycentricRows(b, hits)

	// Accept matches that are near and whose interpolated normals agree.
	bodyNormal, normal := smoothNormals(b.Mesh), mesh.VertexNormals(m)
	limit, cosine := publishedDistance*g.Mesh.Diagonal(), math.Cos(publishedDegrees*math.Pi/180)
	accepted := make([]bool, len(hits))
	for v, h := range hits {
		var n r3.Vec
		for k, c := range b.Mesh.Triangles[h.Triangle] {
			n = r3.Add(n, r3.Scale(h.Bary[k], bodyNormal[c]))
		}
		l := r3.Norm(n)
		accepted[v] = math.Sqrt(h.DistanceSq) < limit && l > 0 && r3.Dot(n, normal[v]) > cosine*l
	}

	rows, err := inpaint(ctx, m, near, accepted, len(b.Skin.Joints))
	if err != nil {
		return nil, fmt.Errorf("garment %q: %w", g.Name, err)
	}
	rows = smoothNear(m, rows, accepted, limit, len(b.Skin.Joints))

	a := &answer{rows: weights.NewRows(g.Mesh.NumVertices())}
	for _, w := range welded.ToWelded {
		a.rows.Append(rows.Row(int(w)))
		a.distance = append(a.distance, math.Sqrt(hits[w].DistanceSq))
		c := 0.0
		if accepted[w] {
			c = 1
		}
		a.confidence = append(a.confidence, c)
	}
	return a, nil
}

// smoothNormals are vertex normals that do not see the seams of the mesh.
func smoothNormals(m *mesh.Mesh) []r3.Vec {
	w := mesh.Weld(m, 1e-6*m.Diagonal())
	n := mesh.VertexNormals(w.Mesh)
	out := make([]r3.Vec, len(w.ToWelded))
	for v, u := range w.ToWelded {
		out[v] = n[u]
	}
	return out
}

// inpaint fills the rows that are not accepted.
func inpaint(ctx context.Context, m *mesh.Mesh, near *weights.Rows, accepted []bool, joints int) (*weights.Rows, error) {
	adjacency := mesh.NewAdjacency(m)
	reached := append([]bool(nil), accepted...)
	var queue []int
	for v, yes := range accepted {
		if yes {
			queue = append(queue, v)
		}
	}
	for len(queue) > 0 {
		v := queue[0]
		queue = queue[1:]
		for _, u := range adjacency.Neighbours(v) {
			if !reached[u] {
				reached[u] = true
				queue = append(queue, int(u))
			}
		}
	}
	p := laplacian.Problem{
		Op:         laplacian.New(m.Positions, m.Triangles, laplacian.Cotangent),
		Energy:     laplacian.Biharmonic,
		DataWeight: make([]float64, len(accepted)),
	}
	for v := range accepted {
		if accepted[v] || !reached[v] {
			p.DataWeight[v] = math.Inf(1)
		}
	}
	solver, err := laplacian.Factor(ctx, p, 0)
	if err != nil {
		return nil, fmt.Errorf("fill: %w", err)
	}
	filled, err := solver.Solve(ctx, near, joints, 0)
	if err != nil {
		return nil, fmt.Errorf("fill: %w", err)
	}
	// Clamp and normalise; a row that clamps to nothing keeps its nearest.
	acc, out := weights.NewAccumulator(joints), weights.NewRows(len(accepted))
	for v := range accepted {
		from := filled
		if p.DataWeight[v] != 0 || filled.Sum(v) <= 0 {
			from = near
		}
		acc.AddRow(from, v, 1)
		acc.FlushNormalised(out)
	}
	return out, nil
}

// smoothNear smooths the rows of filled vertices and of those within limit of
// one along the edges, by Jacobi steps towards the mean of the neighbours.
func smoothNear(m *mesh.Mesh, rows *weights.Rows, accepted []bool, limit float64, joints int) *weights.Rows {
	adjacency := mesh.NewAdjacency(m)
	around := distanceAlongEdges(m, adjacency, accepted, limit)
	acc := weights.NewAccumulator(joints)
	for range smoothSteps {
		next := weights.NewRows(rows.Len())
		for v := range accepted {
			nb := adjacency.Neighbours(v)
			if !around[v] || len(nb) == 0 {
				next.Append(rows.Row(v))
				continue
			}
			acc.AddRow(rows, v, 1-smoothShare)
			for _, u := range nb {
				acc.AddRow(rows, int(u), smoothShare/float64(len(nb)))
			}
			acc.FlushNormalised(next)
		}
		rows = next
	}
	return rows
}

// distanceAlongEdges reports which vertices lie within limit of a vertex that is
// not accepted, along the edges: Dijkstra's algorithm by label correction.
func distanceAlongEdges(m *mesh.Mesh, adjacency *mesh.Adjacency, accepted []bool, limit float64) []bool {
	d := make([]float64, len(accepted))
	var queue []int
	for v, yes := range accepted {
		d[v] = math.Inf(1)
		if !yes {
			d[v] = 0
			queue = append(queue, v)
		}
	}
	for len(queue) > 0 {
		v := queue[0]
		queue = queue[1:]
		for _, u := range adjacency.Neighbours(v) {
			if e := d[v] + r3.Norm(r3.Sub(m.Positions[u], m.Positions[v])); e < d[u] && e <= limit {
				d[u] = e
				queue = append(queue, int(u))
			}
		}
	}
	near := make([]bool, len(d))
	for v := range d {
		near[v] = d[v] <= limit
	}
	return near
}

// selvage is the project's own transfer with default options.
func selvage(ctx context.Context, b *transfer.Body, g *transfer.Garment) (*answer, error) {
	r, err := transfer.Transfer(ctx, b, g, transfer.Options{})
	if err != nil {
		return nil, err
	}
	a := &answer{rows: r.Rows, distance: r.Distance, reason: r.Reason}
	for _, c := range r.Confidence {
		a.confidence = append(a.confidence, float64(c))
	}
	return a, nil
}
