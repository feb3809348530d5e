package pass

import "slices"

// projectSparse brings y to the nearest point, in the Euclidean norm, of those
// that are not negative, sum to one and have at most most entries that are not
// zero (most <= 0: any number). Of equal entries the first stays. y must be
// finite and not empty; it is changed in place. O(n log n).
//
// With a bound on the entries the nearest point is the projection of the most
// largest ones: Kyrillidis, Becker, Cevher, Koch, "Sparse Projections onto the
// Simplex", ICML 2013, algorithm 1 and theorem 1. The projection itself is
// max(y - theta, 0): Duchi, Shalev-Shwartz, Singer, Chandra, "Efficient
// Projections onto the l1-Ball for Learning in High Dimensions", ICML 2008,
// figure 1; Wang, Carreira-Perpinan, "Projection onto the probability simplex",
// arXiv:1309.1541, 2013, algorithm 1. (Numbers of sections from memory.)
func projectSparse(y []float64, most int) {
	order := make([]int, len(y))
	for i := range order {
		order[i] = i
	}
	slices.SortStableFunc(order, func(a, b int) int {
		switch {
		case y[a] > y[b]:
			return -1
		case y[a] < y[b]:
			return 1
		}
		return 0
	})
	if most > 0 && most < len(order) {
		for _, i := range order[most:] {
			y[i] = 0
		}
		order = order[:most]
	}
	sum, theta := 0.0, 0.0
	for k, i := range order {
		sum += y[i]
		if t := (sum - 1) / float64(k+1); y[i]-t > 0 {
			theta = t
		}
	}
	for _, i := range order {
		y[i] = max(y[i]-theta, 0)
	}
}
