package mesh

import (
	"context"
	"slices"
)

// Adjacency lists the neighbours of each vertex, compressed by vertex:
// those of v are Neighbour[Start[v]:Start[v+1]], ascending, distinct, without v.
type Adjacency struct {
	Start     []int32
	Neighbour []int32
}

// NewAdjacency collects the vertices that share a triangle edge. Degenerate and
// non-manifold triangles are allowed. O(n log degree).
func NewAdjacency(m *Mesh) *Adjacency {
	a, _ := NewAdjacencyContext(context.Background(), m) // fails by ctx alone
	return a
}

// NewAdjacencyContext is NewAdjacency that ends with ctx's error soon after ctx is
// done.
func NewAdjacencyContext(ctx context.Context, m *Mesh) (*Adjacency, error) {
	n := len(m.Positions)
	count := make([]int32, n+1)
	for i, t := range m.Triangles {
		if done(ctx, i) {
			return nil, ctx.Err()
		}
		for _, v := range t {
			count[v+1] += 2
		}
	}
	for v := 0; v < n; v++ {
		count[v+1] += count[v]
	}
	all := make([]int32, count[n])
	fill := slices.Clone(count[:n])
	for i, t := range m.Triangles {
		if done(ctx, i) {
			return nil, ctx.Err()
		}
		for k, v := range t {
			all[fill[v]], all[fill[v]+1] = t[(k+1)%3], t[(k+2)%3]
			fill[v] += 2
		}
	}
	a := &Adjacency{Start: make([]int32, n+1)}
	out := all[:0] // compacts in place: never ahead of what is read
	for v := 0; v < n; v++ {
		if done(ctx, v) {
			return nil, ctx.Err()
		}
		list := all[count[v]:count[v+1]]
		slices.Sort(list)
		last := int32(-1)
		for _, u := range list {
			if u != last && u != int32(v) {
				out = append(out, u)
				last = u
			}
		}
		a.Start[v+1] = int32(len(out))
	}
	// A copy of the right size, in pieces.
	a.Neighbour = make([]int32, 0, len(out))
	for part := range slices.Chunk(out, 16*checkEvery) {
		if ctx.Err() != nil {
			return nil, ctx.Err()
		}
		a.Neighbour = append(a.Neighbour, part...)
	}
	return a, nil
}

// Neighbours of vertex v; the slice aliases a.
func (a *Adjacency) Neighbours(v int) []int32 { return a.Neighbour[a.Start[v]:a.Start[v+1]] }

// Len is the number of vertices.
func (a *Adjacency) Len() int { return len(a.Start) - 1 }
