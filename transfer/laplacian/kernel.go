package laplacian

// The one dense kernel that factorisation and solve are made of.
//
//	update: C[i,j] -= sum over p < k of A[i,p] * B[p,j],  i < rows, j < n
//
// C and B are row-major with strides ldc and ldb; A[i,p] is a[i*aRow+p*aK], so
// that a factor serves both as it is and transposed. n is a multiple of lane.
// Products are taken in the order of p, whatever the tile, so that an entry's
// value does not depend on where it stands in a block.

// lane is the padding of rows, in values: one AVX-512 register.
const lane = 8

// pad rounds n up to whole lanes.
func pad(n int) int { return (n + lane - 1) &^ (lane - 1) }

// updateGo is update for any machine.
func updateGo(c []float64, ldc, rows, n int, a []float64, aRow, aK int, b []float64, ldb, k int) {
	for i := 0; i < rows; i++ {
		row := c[i*ldc : i*ldc+n]
		for p := 0; p < k; p++ {
			f := a[i*aRow+p*aK]
			if f == 0 {
				continue
			}
			from := b[p*ldb : p*ldb+n]
			for j, x := range from {
				row[j] -= f * x
			}
		}
	}
}
