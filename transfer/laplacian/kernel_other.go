//go:build !amd64

package laplacian

// Machines without a vector kernel of ours.

func update(c []float64, ldc, rows, n int, a []float64, aRow, aK int, b []float64, ldb, k int) {
	updateGo(c, ldc, rows, n, a, aRow, aK, b, ldb, k)
}
