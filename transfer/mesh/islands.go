package mesh

import "context"

// Islands are the connected components of a mesh, numbered by their lowest
// vertex. A vertex that no triangle uses is an island of its own.
type Islands struct {
	// Count of islands.
	Count int
	// Island of each vertex.
	Island []int32
	start  []int32
	member []int32
}

// NewIslands finds the connected components. O(vertices + edges).
func NewIslands(a *Adjacency) *Islands {
	s, _ := NewIslandsContext(context.Background(), a) // fails by ctx alone
	return s
}

// NewIslandsContext is NewIslands that ends with ctx's error soon after ctx is
// done.
func NewIslandsContext(ctx context.Context, a *Adjacency) (*Islands, error) {
	n := a.Len()
	s := &Islands{Island: make([]int32, n)}
	steps := 0
	for v := range s.Island {
		s.Island[v] = -1
	}
	stack := make([]int32, 0, 1024)
	for v := 0; v < n; v++ {
		if s.Island[v] >= 0 {
			continue
		}
		id := int32(s.Count)
		s.Count++
		s.Island[v] = id
		stack = append(stack[:0], int32(v))
		for len(stack) > 0 {
			if steps++; done(ctx, steps) {
				return nil, ctx.Err()
			}
			w := stack[len(stack)-1]
			stack = stack[:len(stack)-1]
			for _, u := range a.Neighbours(int(w)) {
				if s.Island[u] < 0 {
					s.Island[u] = id
					stack = append(stack, u)
				}
			}
		}
	}
	s.start = make([]int32, s.Count+1)
	for _, i := range s.Island {
		s.start[i+1]++
	}
	for i := 0; i < s.Count; i++ {
		s.start[i+1] += s.start[i]
	}
	s.member = make([]int32, n)
	fill := append([]int32(nil), s.start[:s.Count]...)
	for v, i := range s.Island {
		if done(ctx, v) {
			return nil, ctx.Err()
		}
		s.member[fill[i]] = int32(v)
		fill[i]++
	}
	return s, nil
}

// Members are the vertices of island i, ascending; the slice aliases s.
func (s *Islands) Members(i int) []int32 { return s.member[s.start[i]:s.start[i+1]] }
