package mesh

import "slices"

// edgeKey packs an undirected edge.
func edgeKey(a, b int32) uint64 {
	if a > b {
		a, b = b, a
	}
	return uint64(uint32(a))<<32 | uint64(uint32(b))
}

// OpenBorder marks the triangle edges that no other triangle shares: bit k of
// entry t is set where the edge opposite corner k of triangle t is open. joined
// maps vertices to what they are welded to (nil: to themselves), so that texture
// seams are no borders. Triangles that collapse under joined have no open edges.
// O(n log n).
func OpenBorder(triangles [][3]int32, joined []int32) []uint8 {
	at := func(v int32) int32 {
		if joined == nil {
			return v
		}
		return joined[v]
	}
	keys := make([]uint64, 0, 3*len(triangles))
	collapsed := func(a, b, c int32) bool { return a == b || b == c || c == a }
	for _, t := range triangles {
		a, b, c := at(t[0]), at(t[1]), at(t[2])
		if !collapsed(a, b, c) {
			keys = append(keys, edgeKey(a, b), edgeKey(b, c), edgeKey(c, a))
		}
	}
	slices.Sort(keys)
	single := func(k uint64) bool {
		i, found := slices.BinarySearch(keys, k)
		return found && (i+1 == len(keys) || keys[i+1] != k)
	}
	out := make([]uint8, len(triangles))
	for i, t := range triangles {
		a, b, c := at(t[0]), at(t[1]), at(t[2])
		if collapsed(a, b, c) {
			continue
		}
		for k, e := range [3]uint64{edgeKey(b, c), edgeKey(c, a), edgeKey(a, b)} {
			if single(e) {
				out[i] |= 1 << k
			}
		}
	}
	return out
}
