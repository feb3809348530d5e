package transfer

// Falloff: how far a row is smoothed along the garment. The fill (fill.go)
// minimises
//
//	sum_edges w_uv |x_u - x_v|^2 + sum_v (A_v / len_v^2) |x_v - r_v|^2
//
// over the rows x, with r_v the row of the match: the screened Laplace (implicit
// heat) equation, whose solution forgets data beyond about len_v along the
// surface. The smoothing length is
//
//	len_v = Falloff * d_v * (0.05 * (1-c_v)/c_v + 0.5 * h_v)        [metres]
//
// with d_v the distance to the match, c_v the confidence of its doubt before the
// solve (trust.go), and h_v how far the
// cloth hangs (loose.go; 0 where it fits). A tight sleeve (d small, c near one)
// keeps the body's detail; what is not to be trusted follows its surroundings;
// what hangs moves as a broad sheet.

import "math"

const (
	falloffDoubt = 0.05
	falloffHang  = 0.5
)

// smoothingLength returns len_v in metres for a match at distance d with expected
// error e and hang h; 0 means that the row is kept as it is, +Inf that it says
// nothing.
func smoothingLength(d, e, h, falloff float64) float64 {
	if d == 0 || e == 0 || falloff < 0 {
		return 0
	}
	c := confidence(e)
	if c < 1e-6 {
		return math.Inf(1)
	}
	return falloff * d * (falloffDoubt*(1-c)/c + falloffHang*h)
}
