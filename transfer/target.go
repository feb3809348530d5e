package transfer

import (
	"context"
	"fmt"

	"github.com/selvage/selvage/transfer/mesh"
	"gonum.org/v1/gonum/spatial/r3"
)

// target is a garment made ready: all primitives welded together, with what the
// steps need to know of its surface. Indices are welded vertices throughout;
// welded.ToWelded leads there from the garment's own.
type target struct {
	garment *Garment
	welded  *mesh.Welded
	// position in the frame of matching: the default-pose world frame, moved limb
	// by limb where a registration was accepted (register.go).
	position  []r3.Vec
	normal    []r3.Vec  // unit, angle-weighted; zero where undefined
	area      []float64 // a third of the area of the triangles around, m^2
	adjacency *mesh.Adjacency
	islands   *mesh.Islands
	diagonal  float64 // of the bounding box, metres
	edge      float64 // mean edge length, metres
	lock      *hold   // what must not change (hold.go); nil for nothing
}

// newTarget welds and measures a garment. O(n log n).
func newTarget(ctx context.Context, g *Garment) (*target, error) {
	if err := g.Mesh.ValidateContext(ctx); err != nil {
		return nil, fmt.Errorf("garment %q: %w", g.Name, err)
	}
	t := &target{garment: g, diagonal: g.Mesh.Diagonal()}
	var err error
	if t.welded, err = mesh.WeldContext(ctx, g.Mesh, mesh.WeldTolerance(g.Mesh)); err != nil {
		return nil, err
	}
	m := t.welded.Mesh
	t.position = m.Positions
	if t.normal, err = mesh.VertexNormalsContext(ctx, m); err != nil {
		return nil, err
	}
	if t.adjacency, err = mesh.NewAdjacencyContext(ctx, m); err != nil {
		return nil, err
	}
	if t.islands, err = mesh.NewIslandsContext(ctx, t.adjacency); err != nil {
		return nil, err
	}
	t.area = make([]float64, len(t.position))
	for i, tri := range m.Triangles {
		if i%(16*blockSize) == 0 && ctx.Err() != nil {
			return nil, ctx.Err()
		}
		a, b, c := t.position[tri[0]], t.position[tri[1]], t.position[tri[2]]
		third := r3.Norm(r3.Cross(r3.Sub(b, a), r3.Sub(c, a))) / 6
		for _, v := range tri {
			t.area[v] += third
		}
	}
	sum := 0.0
	for v := range t.position {
		if v%(16*blockSize) == 0 && ctx.Err() != nil {
			return nil, ctx.Err()
		}
		for _, u := range t.adjacency.Neighbours(v) {
			sum += r3.Norm(r3.Sub(t.position[u], t.position[v]))
		}
	}
	if n := len(t.adjacency.Neighbour); n > 0 {
		t.edge = sum / float64(n)
	}
	return t, nil
}
