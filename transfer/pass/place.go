package pass

import (
	"context"
	"fmt"
	"math"
	"runtime"
	"slices"
	"sync"

	"github.com/selvage/selvage/transfer/closest"
	"github.com/selvage/selvage/transfer/mesh"
	"golang.org/x/sync/errgroup"
	"gonum.org/v1/gonum/spatial/r3"
)

// Fate is what became of the place of a vertex on another surface.
type Fate uint8

const (
	// Placed: the surface goes through the place and faces the same way.
	Placed Fate = iota
	// Gone: no surface within reach.
	Gone
	// Turned: there is surface within reach, but it faces another way.
	Turned
)

const (
	// sameFacing is the least cosine between two normals that face the same way: 60
	// degrees, so that the corner of a box, whose vertex normal is 55 degrees from its
	// faces', still lies on them.
	sameFacing = 0.5
	// defaultReach is how far a vertex may lie from a surface that stands for the one
	// it was on, in median edge lengths: a mesh made anew strays from the old one by
	// the height of its chords, a small part of an edge.
	defaultReach = 0.5
	// snapShare is the distance, in median edge lengths, within which a vertex is a
	// corner of the other surface and not a point of its triangle. It is far above the
	// rounding of files and far below what meshes mean.
	snapShare = 1e-3
)

// Placement says where the vertices of one surface (the target) lie on another
// (the source).
type Placement struct {
	// Corner are the source vertices of the triangle that each target vertex lies
	// on, Bary its barycentric coordinates there. A target vertex that is a source
	// vertex has it as its first corner, with Bary 1 0 0.
	Corner [][3]int32
	Bary   [][3]float64
	// Fate of each target vertex; Corner and Bary mean nothing unless Placed.
	Fate []Fate
	// ByIndex: both have the same vertices in the same order, all of them.
	ByIndex bool
}

// Exact reports whether target vertex v is one vertex of the source.
func (p *Placement) Exact(v int) bool { return p.Fate[v] == Placed && p.Bary[v][0] == 1 }

// Place finds where target's vertices lie on source: by index where the two have
// the same vertices in the same places, or the same triangles and what was moved or
// sculpted has not changed places with other parts (vertices.go); else at the vertex
// of source in the same place that faces the same way to 60 degrees; else at the
// nearest point of source's surface that is no farther than reach metres (0: half
// its median edge) and faces so. A target vertex without a normal faces every way.
// Both meshes must be valid and stand in one frame. It does not depend on threads.
// Errors: ctx's. O(n log n) in practice.
func Place(ctx context.Context, source, target *mesh.Mesh, reach float64, threads int) (*Placement, error) {
	n := target.NumVertices()
	p := &Placement{Corner: make([][3]int32, n), Bary: make([][3]float64, n), Fate: make([]Fate, n)}
	edge := medianEdge(source)
	snap := snapShare * edge
	at := sync.OnceValue(func() *byPlace { return newByPlace(source.Positions) })
	own, err := stay(ctx, source, target, at, snap)
	if err != nil {
		return nil, err
	}
	is := func(v int, u int32) {
		p.Corner[v], p.Bary[v], p.Fate[v] = [3]int32{u, u, u}, [3]float64{1, 0, 0}, Placed
	}
	if own.all {
		p.ByIndex = true
		for v := range n {
			is(v, int32(v))
		}
		return p, nil
	}
	if reach <= 0 {
		reach = defaultReach * edge
	}
	tree, err := closest.NewTree(ctx, source.Positions, source.Triangles, threads)
	if err != nil {
		return nil, fmt.Errorf("place vertices: %w", err)
	}
	vertex := coincident{at: at(), snap: snap, joint: mesh.WeldTolerance(source), edge: edge}
	if vertex.from, err = newSense(ctx, source); err != nil {
		return nil, err
	}
	if vertex.to, err = newSense(ctx, target); err != nil {
		return nil, err
	}
	normal := vertex.to.joined
	// The normals weigh as much as the reach: over one turned by 90 degrees a surface
	// that agrees may lie a reach and a half farther away.
	lambdaSq := reach * reach
	err = parallel(ctx, n, threads, func(v int) {
		if own.same != nil && own.same[v] {
			is(v, int32(v))
			return
		}
		q := target.Positions[v]
		if u := vertex.find(q, int32(v)); u >= 0 {
			is(v, u)
			return
		}
		var h closest.Hit
		if normal[v] == (r3.Vec{}) {
			h = tree.NearestWithin(q, reach*reach)
		} else {
			// |n-n'|^2 = 2(1-cos) is at most 1 at 60 degrees.
			h, _ = tree.NearestOriented(q, normal[v], lambdaSq, reach*reach+lambdaSq*2*(1-sameFacing))
			if h.Triangle >= 0 && (h.DistanceSq > reach*reach || !(r3.Dot(normal[v], faceNormal(source, h.Triangle)) >= sameFacing)) {
				h.Triangle = -1
			}
		}
		if h.Triangle < 0 {
			p.Fate[v] = Gone
			if tree.NearestWithin(q, reach*reach).Triangle >= 0 {
				p.Fate[v] = Turned
			}
			return
		}
		c := source.Triangles[h.Triangle]
		p.Corner[v], p.Bary[v] = c, h.Bary
		for k := range c {
			if r3.Norm(r3.Sub(source.Positions[c[k]], q)) <= snap {
				is(v, c[k])
				break
			}
		}
	})
	if err != nil {
		return nil, err
	}
	for _, island := range own.doubtful {
		placed := 0
		for _, v := range island {
			if p.Fate[v] == Placed {
				placed++
			}
		}
		if 2*placed < len(island) {
			for _, v := range island {
				is(int(v), v)
			}
		}
	}
	return p, nil
}

// facing returns the unit normal of each vertex of a mesh, coincident vertices
// together; zero where it has none.
func facing(ctx context.Context, m *mesh.Mesh) ([]r3.Vec, error) {
	w, err := mesh.WeldContext(ctx, m, mesh.WeldTolerance(m))
	if err != nil {
		return nil, err
	}
	n, err := mesh.VertexNormalsContext(ctx, w.Mesh)
	if err != nil {
		return nil, err
	}
	out := make([]r3.Vec, m.NumVertices())
	for v := range out {
		out[v] = n[w.ToWelded[v]]
	}
	return out, nil
}

func faceNormal(m *mesh.Mesh, t int32) r3.Vec {
	c := m.Triangles[t]
	a := m.Positions[c[0]]
	n := r3.Cross(r3.Sub(m.Positions[c[1]], a), r3.Sub(m.Positions[c[2]], a))
	if l := r3.Norm(n); l > 0 {
		return r3.Scale(1/l, n)
	}
	return r3.Vec{}
}

// medianEdge is the median length, in metres, of the triangles' edges that have
// any; 0 for a mesh without. Of large meshes about ten thousand triangles are
// looked at, spread over the list.
func medianEdge(m *mesh.Mesh) float64 {
	const samples = 10_000
	var length []float64
	for i := 0; i < len(m.Triangles); i += 1 + len(m.Triangles)/samples {
		t := m.Triangles[i]
		for k := range t {
			if l := r3.Norm(r3.Sub(m.Positions[t[k]], m.Positions[t[(k+1)%3]])); l > 0 && !math.IsInf(l, 0) {
				length = append(length, l)
			}
		}
	}
	if len(length) == 0 {
		return 0
	}
	slices.Sort(length)
	return length[len(length)/2]
}

// parallel calls work for 0..n-1 on threads goroutines (0: as many as the
// processor runs at once), a fixed stretch at a time. work must write to its own
// place alone.
func parallel(ctx context.Context, n, threads int, work func(v int)) error {
	const stretch = 512
	var g errgroup.Group
	if threads > 0 {
		g.SetLimit(threads)
	} else {
		g.SetLimit(runtime.GOMAXPROCS(0))
	}
	for lo := 0; lo < n && ctx.Err() == nil; lo += stretch {
		g.Go(func() error {
			for v := lo; v < min(n, lo+stretch) && ctx.Err() == nil; v++ {
				work(v)
			}
			return ctx.Err()
		})
	}
	if err := g.Wait(); err != nil {
		return err
	}
	return ctx.Err()
}
