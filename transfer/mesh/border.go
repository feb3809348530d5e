package mesh

import "context"

// OpenBorder marks the triangle edges that no other triangle shares: bit k of
// entry t is set where the edge opposite corner k of triangle t is open. joined
// maps vertices to what they are welded to (nil: to themselves), so that texture
// seams are no borders. Triangles that collapse under joined have no open edges.
// O(triangles * degree).
func OpenBorder(triangles [][3]int32, joined []int32) []uint8 {
	b, _ := OpenBorderContext(context.Background(), triangles, joined) // fails by ctx alone
	return b
}

// OpenBorderContext is OpenBorder that ends with ctx's error soon after ctx is
// done.
func OpenBorderContext(ctx context.Context, triangles [][3]int32, joined []int32) ([]uint8, error) {
	at := func(v int32) int32 {
		if joined == nil {
			return v
		}
		return joined[v]
	}
	// edges lists a triangle's edges as (lower, higher) vertex, opposite corner 0, 1
	// and 2; none for a collapsed one.
	edges := func(t [3]int32) (e [3][2]int32, ok bool) {
		a, b, c := at(t[0]), at(t[1]), at(t[2])
		for k, x := range [3][2]int32{{b, c}, {c, a}, {a, b}} {
			e[k] = [2]int32{min(x[0], x[1]), max(x[0], x[1])}
		}
		return e, a != b && b != c && c != a
	}
	// Bucket the higher ends by the lower: then an edge's count is a short scan.
	top := int32(-1)
	for i, t := range triangles {
		if done(ctx, i) {
			return nil, ctx.Err()
		}
		top = max(top, at(t[0]), at(t[1]), at(t[2]))
	}
	start := make([]int32, top+2)
	for i, t := range triangles {
		if done(ctx, i) {
			return nil, ctx.Err()
		}
		if e, ok := edges(t); ok {
			for _, x := range e {
				start[x[0]+1]++
			}
		}
	}
	for v := int32(0); v <= top; v++ {
		start[v+1] += start[v]
	}
	higher := make([]int32, start[top+1])
	next := append([]int32(nil), start...)
	for i, t := range triangles {
		if done(ctx, i) {
			return nil, ctx.Err()
		}
		if e, ok := edges(t); ok {
			for _, x := range e {
				higher[next[x[0]]] = x[1]
				next[x[0]]++
			}
		}
	}
	out := make([]uint8, len(triangles))
	for i, t := range triangles {
		if done(ctx, i) {
			return nil, ctx.Err()
		}
		e, ok := edges(t)
		if !ok {
			continue
		}
		for k, x := range e {
			count := 0
			for _, h := range higher[start[x[0]]:start[x[0]+1]] {
				if h == x[1] {
					if count++; count > 1 {
						break
					}
				}
			}
			if count == 1 {
				out[i] |= 1 << k
			}
		}
	}
	return out, nil
}
