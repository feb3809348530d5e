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
	// the pair's weight: what was uneven, and what is left of it in the rows as they are
	// stored.
	Before float64 `json:"before"`
	After  float64 `json:"after"`
	// Largest is the largest change of a share.
	Largest float64 `json:"largest"`
	// Already says that the share was such a function, rising or falling all along, but
	// for vertices without room: nothing changes.
	Already bool `json:"already"`
	// Full vertices keep their share, though it should change by more than a percent:
	// their rows have no room for both joints of the pair.
	Full int `json:"full"`

	// apart says that neither joint is an ancestor of the other, as those of a limb and its
	// twist mostly are: Summary has a note on it.
	apart bool
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
	full   bool    // no room for both joints: keeps its row, and the fit goes without it
}

// Even makes the weights of a twist pair, the joints called a and b, even around
// their limb: the share of a in the weight of both becomes a function of the position
// along the axis alone, rising or falling all along, as it did on the whole. The axis
// runs from a's origin to b's, or where they coincide along the limb. The weight of
// both together stays as it is at every vertex, to rounding. Only vertices in mask
// (nil: all) are looked at and changed. A vertex whose row would have more influences
// with both joints than the form allows keeps it, and does not move the others. Where
// the default pose is not the bind pose, places are those of the latter, which rows do
// not change.
//
// The function: the shares are averaged over slices one mean edge thick, put in
// order by isotonic regression, and joined by a monotone curve with a continuous
// slope (Fritsch and Butland 1984, "A method for constructing local monotone piecewise
// cubic interpolants", SIAM Journal on Scientific and Statistical Computing 5). Where
// the shares are such a function already, to the rounding of the form, nothing
// changes; so a second time changes nothing.
//
// Errors: *transfer.OptionError for a name that is not exactly one joint's, a joint
// without weight, or a pair whose weights meet nowhere; ctx's. O(n log n).
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
	if frames := bindFrames(s); len(frames) > 0 {
		s = inBindPose(s, &frames[0])
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
	report := &EvenReport{apart: !above(s.Skin, ja, jb) && !above(s.Skin, jb, ja)}
	var list []sample
	has := [2][]bool{make([]bool, len(in)), make([]bool, len(in))} // weight on either
	any := [2]bool{}
	for w := range in {
		if !in[w] {
			continue
		}
		wa, wb := weightOf(g.rows, w, ja), weightOf(g.rows, w, jb)
		has[0][w], has[1][w] = wa > 0, wb > 0
		any[0], any[1] = any[0] || wa > 0, any[1] || wb > 0
		if sum := wa + wb; sum > 0 {
			joint, _ := g.rows.Row(w)
			both := len(joint)
			if wa == 0 || wb == 0 {
				both++
			}
			list = append(list, sample{w: w, sum: sum, share: wa / sum, weight: op.Mass[w] * sum, full: both > g.form.MaxInfluences})
			report.Pair += len(g.member[w])
		}
	}
	of := "no vertex"
	if mask != nil {
		of = "no vertex of the region"
	}
	switch {
	case len(list) == 0:
		return nil, nil, bad("joint", "%s has weight on %q or %q", of, a, b)
	case !any[0]:
		return nil, nil, bad("joint", "%s has weight on %q", of, a)
	case !any[1]:
		return nil, nil, bad("joint", "%s has weight on %q", of, b)
	case !g.meet(has):
		return nil, nil, bad("joint", "%s has weight on both %q and %q, or lies beside one with weight on the other: they share no limb", of, a, b)
	}
	origin, axis := g.limbAxis(s.Skin.Joints[ja].Global.T, s.Skin.Joints[jb].Global.T, list)
	for i := range list {
		list[i].t = r3.Dot(r3.Sub(g.mesh.Positions[list[i].w], origin), axis)
	}
	slices.SortFunc(list, func(x, y sample) int { return cmp.Or(cmp.Compare(x.t, y.t), cmp.Compare(x.w, y.w)) })
	report.Length = list[len(list)-1].t - list[0].t
	for i := 0; i < len(list); { // one position for each ring
		e := i + 1
		for e < len(list) && list[e].t-list[i].t <= tie*report.Length {
			e++
		}
		middle := (list[i].t + list[e-1].t) / 2
		for ; i < e; i++ {
			list[i].t = middle
		}
	}
	var free []sample
	for _, x := range list {
		if !x.full {
			free = append(free, x)
		}
	}
	rounding := unchanged
	if steps := g.form.Format.Steps(); steps > 0 {
		rounding = 1.5 / float64(steps) // half a step of either weight and of their sum
	}
	if report.Already = inOrder(list, rounding); report.Already || len(free) == 0 { // nothing changes
		free = slices.Clone(list)
	}
	if falls(free) {
		turn(list)
		turn(free)
	}
	var curve func(t float64) float64
	whole := report.Already
	if report.Already = whole || inOrder(free, rounding); report.Already {
		curve = through(free)
	} else {
		curve = fitCurve(free, g.meanEdge(free))
	}
	acc := weights.NewAccumulator(len(s.Skin.Joints))
	next, touched := weights.NewRows(len(in)), make([]bool, len(in))
	share := make([]float64, len(in))
	for _, x := range list {
		touched[x.w] = !x.full && !report.Already
		share[x.w] = curve(x.t)
		if whole || report.Already && !x.full { // to rounding
			share[x.w] = x.share
		}
		if x.full && math.Abs(x.share-share[x.w]) > 0.01 {
			report.Full += len(g.member[x.w])
		}
		if touched[x.w] {
			report.Largest = max(report.Largest, math.Abs(x.share-share[x.w]))
		}
	}
	for w := range in {
		joint, weight := g.rows.Row(w)
		if !touched[w] {
			next.Append(joint, weight)
			continue
		}
		sum, f := weightOf(g.rows, w, ja)+weightOf(g.rows, w, jb), share[w]
		for i, j := range joint {
			if int(j) != ja && int(j) != jb {
				acc.Add(j, weight[i])
			}
		}
		acc.Add(uint16(ja), sum*f)
		acc.Add(uint16(jb), sum-sum*f)
		acc.FlushNormalised(next)
	}
	r, err := g.finish(ctx, next, touched)
	if err != nil {
		return nil, nil, err
	}
	report.Before, report.After = g.unevenness(r, list, share, ja, jb)
	return r, report, err
}

// meet reports whether some vertex is in both sets, or beside one of the other's.
func (g *joined) meet(set [2][]bool) bool {
	for w, yes := range set[0] {
		if !yes {
			continue
		}
		if set[1][w] {
			return true
		}
		for _, u := range g.adjacency.Neighbours(w) {
			if set[1][u] {
				return true
			}
		}
	}
	return false
}

// above reports whether joint a is an ancestor of joint b.
func above(s *skinning.Skin, a, b int) bool {
	for steps := 0; b >= 0 && steps <= len(s.Joints); steps++ {
		if b = s.Joints[b].Parent; b == a {
			return true
		}
	}
	return false
}

// unevenness is the root of the mean squared distance of the samples' shares from those
// that they should have, before and after.
func (g *joined) unevenness(r *Result, list []sample, share []float64, ja, jb int) (before, after float64) {
	total := 0.0
	for _, x := range list {
		was, f := x.share, share[x.w]
		now, v := was, int(g.member[x.w][0])
		if r.Changed[v] {
			a, b := weightOf(r.Rows, v, ja), weightOf(r.Rows, v, jb)
			if now = f; a+b > 0 { // else the form had no step as small as their weight
				now = a / (a + b)
			}
		}
		total += x.weight
		before += x.weight * (was - f) * (was - f)
		after += x.weight * (now - f) * (now - f)
	}
	return math.Sqrt(before / total), math.Sqrt(after / total)
}

// turn turns the axis round.
func turn(list []sample) {
	slices.Reverse(list)
	for i := range list {
		list[i].t = -list[i].t
	}
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

// inOrder reports whether some function of t, rising or falling all along, is as near
// to every share as rounding of the weights explains.
func inOrder(list []sample, rounding float64) bool {
	falling := slices.Clone(list)
	turn(falling)
	return rises(list, rounding) || rises(falling, rounding)
}

// rises is inOrder for a function that rises: where it comes to a share, the most that
// those before ask of it must not be too much for this one.
func rises(list []sample, rounding float64) bool {
	least := math.Inf(-1)
	for i := 0; i < len(list); {
		e := i
		for e == i || e < len(list) && list[e].t == list[i].t { // a ring has one share
			least = max(least, list[e].share-rounding/list[e].sum)
			e++
		}
		for ; i < e; i++ {
			if least > list[i].share+rounding/list[i].sum {
				return false
			}
		}
	}
	return true
}

// through is the function that inOrder found the shares to be: rings' means, joined by
// straight lines.
func through(list []sample) func(t float64) float64 {
	var at, value []float64
	for i := 0; i < len(list); {
		sum, weight, t := 0.0, 0.0, list[i].t
		for i < len(list) && (weight == 0 || list[i].t == t) {
			sum, weight = sum+list[i].weight*list[i].share, weight+list[i].weight
			i++
		}
		at, value = append(at, t), append(value, sum/weight)
	}
	return func(t float64) float64 {
		i, exact := slices.BinarySearch(at, t)
		switch {
		case exact || i == 0:
			return value[i]
		case i == len(at):
			return value[i-1]
		}
		return value[i-1] + (value[i]-value[i-1])*(t-at[i-1])/(at[i]-at[i-1])
	}
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
