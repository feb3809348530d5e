package laplacian

// The choice among the vector kernels at start-up.

import "golang.org/x/sys/cpu"

var (
	hasAVX2   = cpu.X86.HasAVX2 && cpu.X86.HasFMA
	hasAVX512 = hasAVX2 && cpu.X86.HasAVX512F
)

//go:noescape
func update4AVX512(c *float64, ldc int, a *float64, aRow, aK int, b *float64, ldb, k, n int)

//go:noescape
func update4AVX2(c *float64, ldc int, a *float64, aRow, aK int, b *float64, ldb, k, n int)

//go:noescape
func update1AVX2(c *float64, a *float64, aK int, b *float64, ldb, k, n int)

func update(c []float64, ldc, rows, n int, a []float64, aRow, aK int, b []float64, ldb, k int) {
	if rows == 0 || n == 0 || k == 0 {
		return
	}
	if !hasAVX2 {
		updateGo(c, ldc, rows, n, a, aRow, aK, b, ldb, k)
		return
	}
	// The kernels do not check bounds: touch the last entries here.
	_, _, _ = c[(rows-1)*ldc+n-1], a[(rows-1)*aRow+(k-1)*aK], b[(k-1)*ldb+n-1]
	i := 0
	for ; i+4 <= rows; i += 4 {
		if hasAVX512 {
			update4AVX512(&c[i*ldc], ldc, &a[i*aRow], aRow, aK, &b[0], ldb, k, n)
		} else {
			update4AVX2(&c[i*ldc], ldc, &a[i*aRow], aRow, aK, &b[0], ldb, k, n)
		}
	}
	for ; i < rows; i++ {
		update1AVX2(&c[i*ldc], &a[i*aRow], aK, &b[0], ldb, k, n)
	}
}
