package closest

import "gonum.org/v1/gonum/spatial/r3"

// ClosestPoint after Ericson (2005) 5.1.5.
func ClosestPoint(p r3.Vec, t [3]r3.Vec) (r3.Vec, [3]float64) {
	ab, ac, ap := r3.Sub(t[1], t[0]), r3.Sub(t[2], t[0]), r3.Sub(p, t[0])
	d1, d2 := r3.Dot(ab, ap), r3.Dot(ac, ap)
	if d1 <= 0 && d2 <= 0 {
		return t[0], [3]float64{1, 0, 0}
	}
	bp := r3.Sub(p, t[1])
	d3, d4 := r3.Dot(ab, bp), r3.Dot(ac, bp)
	if d3 >= 0 && d4 <= d3 {
		return t[1], [3]float64{0, 1, 0}
	}
	at := func(b [3]float64) (r3.Vec, [3]float64) {
		return r3.Add(r3.Scale(b[0], t[0]), r3.Add(r3.Scale(b[1], t[1]), r3.Scale(b[2], t[2]))), b
	}
	vc := d1*d4 - d3*d2
	if vc <= 0 && d1 >= 0 && d3 <= 0 {
		v := d1 / (d1 - d3)
		return at([3]float64{1 - v, v, 0})
	}
	cp := r3.Sub(p, t[2])
	d5, d6 := r3.Dot(ab, cp), r3.Dot(ac, cp)
	if d6 >= 0 && d5 <= d6 {
		return t[2], [3]float64{0, 0, 1}
	}
	vb := d5*d2 - d1*d6
	if vb <= 0 && d2 >= 0 && d6 <= 0 {
		w := d2 / (d2 - d6)
		return at([3]float64{1 - w, 0, w})
	}
	va := d3*d6 - d5*d4
	if va <= 0 && d4-d3 >= 0 && d5-d6 >= 0 {
		w := (d4 - d3) / ((d4 - d3) + (d5 - d6))
		return at([3]float64{0, 1 - w, w})
	}
	k := 1 / (va + vb + vc)
	return at([3]float64{1 - vb*k - vc*k, vb * k, vc * k})
}
