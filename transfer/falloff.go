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
//	len_v = Falloff * d_v * (1 - c_v) / c_v        [metres]
//
// with d_v the distance to the match and c_v its confidence. A tight sleeve
// (d small, c near one) keeps the body's detail; what is far, or not to be
// trusted, follows its surroundings as a broad sheet.

import "math"

// smoothingLength returns len_v in metres for a match at distance d with expected
// error e; 0 means that the row is kept as it is, +Inf that it says nothing.
func smoothingLength(d, e, falloff float64) float64 {
	if d == 0 || e == 0 || falloff < 0 {
		return 0
	}
	c := confidence(e)
	if c < 1e-6 {
		return math.Inf(1)
	}
	return falloff * d * (1 - c) / c
}
