package retouch

import (
	"cmp"
	"context"
	"math"
	"slices"

	"github.com/selvage/selvage/transfer/laplacian"
	"github.com/selvage/selvage/transfer/mesh"
	"github.com/selvage/selvage/transfer/skinning"
	"github.com/selvage/selvage/transfer/weights"
	"gonum.org/v1/gonum/interp"
	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/spatial/r3"
)

// EvenReport says what Even did.
type EvenReport struct {
	// Pair is the number of vertices with weight on the pair.
	Pair int `json:"pair"`
	// Length is how far they reach along the axis, metres.
	Length float64 `json:"length"`
	// Before and After are the root of the mean squared distance of the first joint's
	// share from a function of the position along the axis alone, over the surface and
	// the pair's weight: what was uneven, and what is left of it.
	Before float64 `json:"before"`
	After  float64 `json:"after"`
	// Largest is the largest change of a share.
	Largest float64 `json:"largest"`
	// Already says that the share was such a function, rising or falling all along:
	// nothing changes.
	Already bool `json:"already"`
	// Full vertices keep their share, though it should change by more than a percent:
	// they have one joint of the pair and no room for the other.
	Full int `json:"full"`
}

// tie is the distance along the axis, over its length, within which vertices stand in
// one ring exactly: rounding of positions stored as float32.
const tie = 1e-6

// sample is a vertex with weight on the pair.
type sample struct {
	w      int
	t      float64 // position along the axis, metres
	sum    float64 // weight of both
	share  float64 // of the first
	weight float64 // in the fit: area times sum
}

// Even makes the weights of a twist pair, the joints called a and b, even around
// their limb: the share of a in the weight of both becomes a function of the position
// along the axis alone, rising or falling all along, as it did on the whole. The axis
// runs from a's origin to b's, or where they coincide along the limb. The weight of
// both together stays as it is at every vertex, to rounding. Only vertices in mask
// (nil: all) are looked at and changed.
//
// The function: the shares are averaged over slices one mean edge thick, put in
// order by isotonic regression, and joined by a monotone curve with a continuous
// slope (Fritsch and Butland 1984, "A method for constructing local monotone piecewise
// cubic interpolants", SIAM Journal on Scientific and Statistical Computing 5). Where
// the shares are such a function already, to the rounding of the form, nothing
// changes.
//
// Errors: *transfer.OptionError for a name that is not exactly one joint's, or a pair
// without weight; ctx's. O(n log n).
func Even(ctx context.Context, s *Surface, mask []bool, a, b string, form Form) (*Result, *EvenReport, error) {
	ja, err := jointNamed(s.Skin, a)
	if err != nil {
		return nil, nil, err
	}
	jb, err := jointNamed(s.Skin, b)
	if err != nil {
		return nil, nil, err
	}
	if ja == jb {
		return nil, nil, bad("joint", "the pair is %q twice", a)
	}
	g, err := join(ctx, s, form)
	if err != nil {
		return nil, nil, err
	}
	in, err := g.mask(mask)
	if err != nil {
		return nil, nil, err
	}
	op, err := laplacian.NewContext(ctx, g.mesh.Positions, g.mesh.Triangles, laplacian.Cotangent) // for its masses
	if err != nil {
		return nil, nil, err
	}
	report := &EvenReport{}
	var list []sample
	for w := range in {
		if !in[w] {
			continue
		}
		wa, wb := weightOf(g.rows, w, ja), weightOf(g.rows, w, jb)
		if sum := wa + wb; sum > 0 {
			list = append(list, sample{w: w, sum: sum, share: wa / sum, weight: op.Mass[w] * sum})
			report.Pair += len(g.member[w])
		}
	}
	if len(list) == 0 {
		return nil, nil, bad("joint", "no vertex has weight on %q or %q", a, b)
	}
	origin, axis := g.limbAxis(s.Skin.Joints[ja].Global.T, s.Skin.Joints[jb].Global.T, list)
	for i := range list {
		list[i].t = r3.Dot(r3.Sub(g.mesh.Positions[list[i].w], origin), axis)
	}
	slices.SortFunc(list, func(x, y sample) int { return cmp.Or(cmp.Compare(x.t, y.t), cmp.Compare(x.w, y.w)) })
	if falls(list) {
		slices.Reverse(list)
		for i := range list {
			list[i].t = -list[i].t
		}
	}
	report.Length = list[len(list)-1].t - list[0].t

	rounding := unchanged
	if steps := g.form.Format.Steps(); steps > 0 {
		rounding = 1.5 / float64(steps) // half a step of either weight and of their sum
	}
	touched := make([]bool, len(in))
	if report.Already = inOrder(list, report.Length, rounding); report.Already {
		r, err := g.finish(ctx, g.rows, touched)
		return r, report, err
	}
	curve := fitCurve(list, g.meanEdge(list))
	share := make([]float64, len(in))
	var before, after, total float64
	for _, x := range list {
		f := curve(x.t)
		share[x.w], touched[x.w] = f, true
		before, total = before+x.weight*(x.share-f)*(x.share-f), total+x.weight
	}
	next := weights.NewRows(len(in))
	acc := weights.NewAccumulator(len(s.Skin.Joints))
	for w := range in {
		joint, weight := g.rows.Row(w)
		if !touched[w] {
			next.Append(joint, weight)
			continue
		}
		wa, wb := weightOf(g.rows, w, ja), weightOf(g.rows, w, jb)
		sum, f := wa+wb, share[w]
		one := wa == 0 && f > 0 || wb == 0 && f < 1
		if was := wa / sum; one && len(joint) >= g.form.MaxInfluences {
			if math.Abs(was-f) > 0.01 {
				report.Full += len(g.member[w])
			}
			after += op.Mass[w] * sum * (was - f) * (was - f)
			touched[w] = false
			next.Append(joint, weight)
			continue
		}
		report.Largest = max(report.Largest, math.Abs(wa/sum-f))
		for i, j := range joint {
			if int(j) != ja && int(j) != jb {
				acc.Add(j, weight[i])
			}
		}
		acc.Add(uint16(ja), sum*f)
		acc.Add(uint16(jb), sum-sum*f)
		acc.FlushNormalised(next)
	}
	report.Before, report.After = math.Sqrt(before/total), math.Sqrt(after/total)
	r, err := g.finish(ctx, next, touched)
	return r, report, err
}

// jointNamed is the only joint with a name.
func jointNamed(s *skinning.Skin, name string) (int, error) {
	found := -1
	for j := range s.Joints {
		if s.Joints[j].Name != name {
			continue
		}
		if found >= 0 {
			return 0, bad("joint", "more than one joint is called %q", name)
		}
		found = j
	}
	if found < 0 {
		return 0, bad("joint", "no joint of the skin is called %q", name)
	}
	return found, nil
}

// weightOf is the weight of a joint in a row.
func weightOf(r *weights.Rows, v, j int) float64 {
	joint, weight := r.Row(v)
	if i, ok := slices.BinarySearch(joint, uint16(j)); ok {
		return weight[i]
	}
	return 0
}

// limbAxis is a point and a direction of unit length: from a to b, or, where these
// are nearer to each other than a hundredth of the limb's size, along the greatest
// extent of the weighted surface.
func (g *joined) limbAxis(a, b r3.Vec, list []sample) (origin, axis r3.Vec) {
	points := make([]r3.Vec, len(list))
	var mean r3.Vec
	total := 0.0
	for i, x := range list {
		points[i] = g.mesh.Positions[x.w]
		mean, total = r3.Add(mean, r3.Scale(x.weight, points[i])), total+x.weight
	}
	box := mesh.Bounds(points)
	if d := r3.Sub(b, a); r3.Norm(d) > 0.01*r3.Norm(r3.Sub(box.Max, box.Min)) {
		return a, r3.Unit(d)
	}
	mean = r3.Scale(1/total, mean)
	cov := mat.NewSymDense(3, nil)
	for i, x := range list {
		d := r3.Sub(points[i], mean)
		c := [3]float64{d.X, d.Y, d.Z}
		for j := range c {
			for k := j; k < 3; k++ {
				cov.SetSym(j, k, cov.At(j, k)+x.weight*c[j]*c[k])
			}
		}
	}
	var eigen mat.EigenSym
	var v mat.Dense
	if !eigen.Factorize(cov, true) {
		return mean, r3.Vec{Y: 1}
	}
	eigen.VectorsTo(&v)
	return mean, r3.Vec{X: v.At(0, 2), Y: v.At(1, 2), Z: v.At(2, 2)}
}

// falls reports whether the shares fall along the list on the whole.
func falls(list []sample) bool {
	var mt, ms, total, cov float64
	for _, x := range list {
		mt, ms, total = mt+x.weight*x.t, ms+x.weight*x.share, total+x.weight
	}
	mt, ms = mt/total, ms/total
	for _, x := range list {
		cov += x.weight * (x.t - mt) * (x.share - ms)
	}
	return cov < 0
}

// inOrder reports whether the shares, ordered by t, ascend but for what rounding of
// the weights explains, and are the same within a ring.
func inOrder(list []sample, length, rounding float64) bool {
	var value, weight []float64
	var group []int
	start := math.Inf(-1)
	for _, x := range list {
		if x.t-start > tie*length {
			start = x.t
			value, weight = append(value, 0), append(weight, 0)
		}
		k := len(value) - 1
		group = append(group, k)
		value[k] += x.weight * x.share
		weight[k] += x.weight
	}
	for k := range value {
		value[k] /= weight[k]
	}
	fit := isotonic(value, weight)
	for i, x := range list {
		if math.Abs(x.share-fit[group[i]])*x.sum > rounding {
			return false
		}
	}
	return true
}

// meanEdge is the mean length of the edges around the samples, metres.
func (g *joined) meanEdge(list []sample) float64 {
	sum, n := 0.0, 0
	for _, x := range list {
		for _, u := range g.adjacency.Neighbours(x.w) {
			sum += r3.Norm(r3.Sub(g.mesh.Positions[u], g.mesh.Positions[x.w]))
			n++
		}
	}
	if n == 0 {
		return 0
	}
	return sum / float64(n)
}

// fitCurve is an ascending function of t through the shares' means over slices of
// the given thickness.
func fitCurve(list []sample, thickness float64) func(t float64) float64 {
	lo, hi := list[0].t, list[len(list)-1].t
	slices := 1
	if thickness > 0 {
		slices = max(1, min(len(list), int(math.Round((hi-lo)/thickness))))
	}
	at, value, weight := make([]float64, slices), make([]float64, slices), make([]float64, slices)
	for _, x := range list {
		k := 0
		if hi > lo {
			k = min(slices-1, int(float64(slices)*(x.t-lo)/(hi-lo)))
		}
		at[k], value[k], weight[k] = at[k]+x.weight*x.t, value[k]+x.weight*x.share, weight[k]+x.weight
	}
	n := 0
	for k := range at {
		if weight[k] > 0 {
			at[n], value[n], weight[n] = at[k]/weight[k], value[k]/weight[k], weight[k]
			n++
		}
	}
	at, weight = at[:n], weight[:n]
	fit := isotonic(value[:n], weight)
	// A pooled block is one knot: as a plateau it would make a step at either end.
	var x, y []float64
	for k := 0; k < n; {
		e, sum, mean := k, 0.0, 0.0
		for ; e < n && fit[e] == fit[k]; e++ {
			sum, mean = sum+weight[e], mean+weight[e]*at[e]
		}
		if fit[k] == 0 || fit[k] == 1 { // a share that is all or nothing is a plateau
			if e-k > 1 {
				x, y = append(x, at[k], at[e-1]), append(y, fit[k], fit[k])
				k = e
				continue
			}
		}
		x, y = append(x, mean/sum), append(y, fit[k])
		k = e
	}
	if len(x) < 2 {
		return func(float64) float64 { return y[0] }
	}
	var curve interp.FritschButland
	if err := curve.Fit(x, y); err != nil { // knots ascend strictly, so it cannot
		panic(err)
	}
	first, last := x[0], x[len(x)-1]
	return func(t float64) float64 {
		f := 0.0
		switch { // half a slice at either end: straight on
		case t < first:
			f = y[0] + (t-first)*curve.PredictDerivative(first)
		case t > last:
			f = y[len(y)-1] + (t-last)*curve.PredictDerivative(last)
		default:
			f = curve.Predict(t)
		}
		return min(max(f, 0), 1)
	}
}
