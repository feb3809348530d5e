// Package mesh holds triangle meshes and what the transfer needs to know of
// their connectivity: welding of coincident vertices, adjacency, islands,
// normals and open borders.
//
// All positions are in metres, in one right-handed frame: the world frame of
// the scene's default pose. Triangles are counter-clockwise seen from outside.
package mesh

import (
	"context"
	"fmt"

	"gonum.org/v1/gonum/spatial/r3"
)

// Mesh is a triangle mesh in flat slices.
//
// Degenerate triangles, duplicate triangles, non-manifold edges and vertices
// that no triangle uses are all allowed.
type Mesh struct {
	// Positions of the vertices, metres, default-pose world frame.
	Positions []r3.Vec
	// Normals are the unit vertex normals that the asset brought, or nil.
	// A zero vector stands for a normal that is missing or unusable.
	Normals []r3.Vec
	// Triangles index into Positions, counter-clockwise seen from outside.
	Triangles [][3]int32
}

// NumVertices is len(m.Positions).
func (m *Mesh) NumVertices() int { return len(m.Positions) }

// IndexError reports a triangle corner outside the vertex range.
type IndexError struct {
	Triangle int
	Vertex   int32
	Vertices int
}

func (e *IndexError) Error() string {
	return fmt.Sprintf("triangle %d: vertex %d is outside 0..%d", e.Triangle, e.Vertex, e.Vertices-1)
}

// PositionError reports a vertex whose position is not finite.
type PositionError struct {
	Vertex   int
	Position r3.Vec
}

func (e *PositionError) Error() string {
	return fmt.Sprintf("vertex %d: position (%g, %g, %g) is not finite", e.Vertex, e.Position.X, e.Position.Y, e.Position.Z)
}

// Validate returns an *IndexError, a *PositionError, or nil. O(vertices + triangles).
func (m *Mesh) Validate() error { return m.ValidateContext(context.Background()) }

// ValidateContext is Validate that ends with ctx's error soon after ctx is done.
func (m *Mesh) ValidateContext(ctx context.Context) error {
	for i, p := range m.Positions {
		if done(ctx, i) {
			return ctx.Err()
		}
		if !Finite(p) {
			return &PositionError{Vertex: i, Position: p}
		}
	}
	n := int32(len(m.Positions))
	for t, tri := range m.Triangles {
		if done(ctx, t) {
			return ctx.Err()
		}
		for _, v := range tri {
			if v < 0 || v >= n {
				return &IndexError{Triangle: t, Vertex: v, Vertices: int(n)}
			}
		}
	}
	if m.Normals != nil && len(m.Normals) != len(m.Positions) {
		return fmt.Errorf("%d normals for %d vertices", len(m.Normals), len(m.Positions))
	}
	return nil
}

// Finite reports whether no component of v is NaN or infinite.
func Finite(v r3.Vec) bool {
	// x-x is 0 for finite x, NaN otherwise.
	return v.X-v.X == 0 && v.Y-v.Y == 0 && v.Z-v.Z == 0
}

// Bounds returns the axis-aligned box around all vertices; an empty mesh gives
// a box with Min and Max at the origin. O(vertices).
func (m *Mesh) Bounds() r3.Box { return Bounds(m.Positions) }

// Bounds returns the axis-aligned box around points; no points give a box with
// Min and Max at the origin.
func Bounds(points []r3.Vec) r3.Box {
	if len(points) == 0 {
		return r3.Box{}
	}
	b := r3.Box{Min: points[0], Max: points[0]}
	for _, p := range points[1:] {
		b.Min.X, b.Max.X = min(b.Min.X, p.X), max(b.Max.X, p.X)
		b.Min.Y, b.Max.Y = min(b.Min.Y, p.Y), max(b.Max.Y, p.Y)
		b.Min.Z, b.Max.Z = min(b.Min.Z, p.Z), max(b.Max.Z, p.Z)
	}
	return b
}

// Diagonal is the length of the diagonal of the mesh's bounding box, in metres.
func (m *Mesh) Diagonal() float64 {
	b := m.Bounds()
	return r3.Norm(r3.Sub(b.Max, b.Min))
}
