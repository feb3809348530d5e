package transfer

// Layers that are the garment itself, as an earlier transfer left it: over those it would
// take its own old rows, whatever has become of the body.

import (
	"context"
	"fmt"
	"math"
	"sync/atomic"

	"github.com/selvage/selvage/transfer/closest"
	"github.com/selvage/selvage/transfer/mesh"
	"gonum.org/v1/gonum/spatial/r3"
)

const (
	// sameWithin is how near, as a share of the body's size, points of one surface lie (a
	// tenth of a millimetre on a grown figure): stored positions are exact to 1e-5 of it.
	sameWithin = 5e-5
	// sameShare is the share of either surface's vertices that must lie on the other for
	// the two to be one: a patch that lies exactly on a coat, or a coat on which buttons
	// were moved, has its own vertices.
	sameShare = 0.95
	// sameBox is how far apart, as a share of the body's size, the bounding boxes of one
	// surface may end; it keeps the test from costing anything for other surfaces.
	sameBox = 0.01
)

// notItself returns an *OptionError where one of the layers has the garment's surface.
func (s *Source) notItself(ctx context.Context, g *Garment, threads int) error {
	if s.worn == nil {
		return nil
	}
	for _, p := range s.worn.pieces[1:] {
		same, err := sameSurface(ctx, g.Mesh, p.source.body.Mesh, s.size, threads)
		if err != nil {
			return fmt.Errorf("garment %q: compare with the layer %s: %w", g.Name, p.name, err)
		}
		if same {
			return &OptionError{Option: "layer", Reason: fmt.Sprintf("%s has the same surface as the garment %s, and a garment is not worn over itself", p.name, g.Name)}
		}
	}
	return nil
}

// sameSurface reports whether two meshes of a body's size are one surface, whatever their
// triangles and the order of their vertices. O(n log n) where their boxes agree.
func sameSurface(ctx context.Context, a, b *mesh.Mesh, size float64, threads int) (bool, error) {
	for _, m := range []*mesh.Mesh{a, b} {
		if m.ValidateContext(ctx) != nil || len(m.Triangles) == 0 {
			return false, ctx.Err() // faults are told by what reads the mesh
		}
	}
	p, q := a.Bounds(), b.Bounds()
	if r3.Norm(r3.Sub(p.Min, q.Min)) > sameBox*size || r3.Norm(r3.Sub(p.Max, q.Max)) > sameBox*size {
		return false, nil
	}
	for _, pair := range [][2]*mesh.Mesh{{a, b}, {b, a}} {
		tree, err := closest.NewTree(ctx, pair[1].Positions, pair[1].Triangles, threads)
		if err != nil {
			return false, err
		}
		points := pair[0].Positions
		var on atomic.Int64
		err = parallel(ctx, len(points), threads, func(lo, hi int) {
			n := 0
			for v := lo; v < hi; v++ {
				if tree.NearestWithin(points[v], sq(sameWithin*size)).Triangle >= 0 {
					n++
				}
			}
			on.Add(int64(n))
		})
		if err != nil || float64(on.Load()) < math.Ceil(sameShare*float64(len(points))) {
			return false, err
		}
	}
	return true, nil
}
