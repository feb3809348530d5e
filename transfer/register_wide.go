package transfer

// Default poses that differ by more than small turns of the limbs: a garment made for
// a larger or smaller figure, limbs held far from the body's, a sleeve to the side.
//
// A few poses far from the body's own are tried: the whole figure under the
// similarity that explains the garment best (Umeyama 1991 within ICP), each limb under
// turns of up to 60 degrees. From the best of them the iteration of register.go goes
// on with more freedom: the figure as a whole and its limbs may also shift and change
// their size. What comes out is believed only behind a gate of its own.

import (
	"cmp"
	"context"
	"math"
	"slices"

	"github.com/selvage/selvage/transfer/closest"
	"github.com/selvage/selvage/transfer/skinning"
	"github.com/selvage/selvage/transfer/weights"
	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/spatial/r3"
)

const (
	// wideSamples are looked at while poses are tried, at most.
	wideSamples = 300
	// wideTriangles is the number of triangles of the body that limbs are cut out of,
	// at most: on a grown figure 2 cm apart, a fraction of what is looked for.
	wideTriangles = 8_000
	// wideParts is the number of limbs that are tried, at most.
	wideParts = 12
	// wideShareMin and wideShareMax are the shares of the surface that a limb has.
	wideShareMin, wideShareMax = 0.02, 0.25
	// neckFall is how much narrower the neck of a limb's lower part must be, each against
	// its own size, for the limb to begin there.
	neckFall       = 0.8
	wideIterations = 16
	// wideUneven is the unevenness (0 to 1) up to which there is nothing to look for: a
	// garment that fits closely has fitsEven at most.
	wideUneven, fitsEven = 0.05, 0.02
	// wideFall is the share to which the cost must fall for a pose that is tried.
	wideFall = 0.7
	// evenEnough is how much evener a pose with more freedom must be.
	evenEnough = 0.01
	// The unevenness must fall by residualGate; or, because cloth that hangs wide never
	// gets even (0.3 for the demo coat where it fits), by this ratio and this much.
	wideGate, wideDrop = 0.6, 0.2
	// wideSaid is the ratio from which on what was found is at least said.
	wideSaid = 0.75
	// wideFar is the distance, as a share of the body's size, from which on it does not
	// matter how far a sample lies from the body (7 cm on a grown figure).
	wideFar = 0.03
	// evenScale is the unevenness, as a share of the body's size, that counts as much
	// as a surface that stands across (2 cm on a grown figure).
	evenScale = 0.01
	// wideGain is how much the mean cost (0 to 1) of the samples must fall for a pose
	// that is tried.
	wideGain = 0.02
	// Limits of what is believed of one limb relative to the one that holds it: the
	// shift (4.5 cm on a grown figure), the size, and turn and shift together (a
	// shoulder moves by 2 to 3 cm where the whole arm is lowered; a narrow skirt looks as
	// if the thighs were turned by 8 degrees and 5.6 cm to the front).
	wideShiftLimit = 0.02
	wideScaleLimit = 1.2
	wideBothAngle  = 5 * math.Pi / 180
	wideBothShift  = 0.011
	// wideAngleLimit is the turn from which on it is said and not corrected.
	wideAngleLimit = 60 * math.Pi / 180
	// The figure as a whole hardly turns: garment and body stand on one floor. A cape
	// that is laid against the back of a body that leans looks as good.
	wideWholeAngle = 5 * math.Pi / 180
	// wideFitting is the least share of samples near the body as it stands: of a cape
	// it is 0.3, of a coat for a body a tenth larger 0.4.
	wideFitting = 0.35
	// reportShift and reportScale are the least worth a word.
	reportShift = 0.0025 // of the body's size: 5 mm on a grown figure
	reportScale = 0.015
	// Standard deviations of the priors on shift (of the body's size) and on the
	// logarithm of the scale.
	shiftSigma = 0.01
	scaleSigma = 0.05
)

// limbPart is a limb of the body, cut out.
type limbPart struct {
	joint int
	in    []bool // by joint: in the limb
	tree  *closest.Tree
	index []int32 // usable triangle by triangle of tree
	// rest is the body without it.
	rest      *closest.Tree
	restIndex []int32
	along     r3.Vec // unit, from the joint to the middle of the limb
}

// wide is the state of the search.
type wide struct {
	s       *Source
	g       *target
	opt     *Options
	in      scope
	samples []sample
	parts   []*limbPart
	root    int
	limbs   []int             // joints that may move
	local   []skinning.Affine // by joint, in the frame of the default pose
	// what may move does not change its size, turn, shift
	keepSize, keepTurn, keepPlace bool
	farther                       bool // samples far off have their say to the end
}

// cost of a sample at a distance from a surface with normal m: 0 on it, 1 far off or
// across it.
func (w *wide) cost(n, m r3.Vec, distanceSq float64) float64 {
	return min(1, distanceSq/sq(wideFar*w.s.size)+0.5*(1-math.Abs(r3.Dot(n, m))))
}

// step leads from one triangle that is looked at to the next.
func (w *wide) step() int { return (len(w.s.triangle) + wideTriangles - 1) / wideTriangles }

// cut makes a tree of every step-th usable triangle that belongs; nil of none.
func (w *wide) cut(ctx context.Context, belongs func(t int32) bool) (*closest.Tree, []int32, error) {
	var list [][3]int32
	var index []int32
	for t := 0; t < len(w.s.triangle); t += w.step() {
		if belongs(int32(t)) {
			list, index = append(list, w.s.triangle[t]), append(index, int32(t))
		}
	}
	if len(list) == 0 {
		return nil, nil, nil
	}
	tree, err := closest.NewTree(ctx, w.s.body.Mesh.Positions, list, w.opt.Threads)
	return tree, index, err
}

// holds reports whether a limb holds a triangle.
func (w *wide) holds(in []bool, t int32) bool { return w.held(in, w.s.triangle[t][0]) }

// held reports whether a limb holds most of a vertex.
func (w *wide) held(in []bool, v int32) bool {
	joint, weight := w.s.body.Rows.Row(int(v))
	sum := 0.0
	for i, j := range joint {
		if in[j] {
			sum += weight[i]
		}
	}
	return sum > 0.5
}

// divide finds root and limbs: the topmost joints that hold 2 to 25 percent of the
// surface, or of a chain of such that hold almost the same the lowest (the upper arm
// rather than the clavicle). A limb that begins inside the body (a finger whose skin has
// its joint in the palm) is cut where its neck is.
func (w *wide) divide(ctx context.Context) error {
	skin := w.s.body.Skin
	share := make([]float64, len(skin.Joints))
	in := make([][]bool, len(skin.Joints))
	total := 0.0
	for j := range in {
		in[j] = skin.Subtree(j)
	}
	for t := 0; t < len(w.s.triangle); t += w.step() {
		tri := w.s.triangle[t]
		p := w.s.body.Mesh.Positions
		area := r3.Norm(r3.Cross(r3.Sub(p[tri[1]], p[tri[0]]), r3.Sub(p[tri[2]], p[tri[0]])))
		total += area
		for j := range in {
			if w.holds(in[j], int32(t)) {
				share[j] += area
			}
		}
	}
	w.root = -1
	for j := range share {
		share[j] /= total
		if w.root < 0 || share[j] > share[w.root] {
			w.root = j
		}
	}
	if w.in.root >= 0 {
		w.root = w.in.root
	}
	isLimb := func(j int) bool { return share[j] >= wideShareMin && share[j] <= w.in.wideMax && j != w.root }
	// below is the joint right below j that holds at least least of the surface; -1
	// for none, the last of several.
	below := func(j int, least float64) int {
		next := -1
		for k := range skin.Joints {
			if skin.Joints[k].Parent == j && share[k] >= least {
				next = k
			}
		}
		return next
	}
	// Of a part of a figure (an arm, say) the root is what holds all of it and stands by
	// it: turns and sizes about a joint far away are shifts.
	box := boundsOf(w.s.body.Mesh.Positions, w.s.triangle)
	margin := r3.Norm(r3.Sub(box[1], box[0])) / 10
	for k := w.root; k >= 0 && w.in.root < 0; k = below(k, 0.999*share[w.root]) {
		w.root = k
		if p := skin.Joints[k].Global.T; distanceToBox(p, box) <= margin {
			break
		}
	}
	for j := range skin.Joints {
		if w.in.root >= 0 && !in[w.in.root][j] {
			continue
		}
		if p := skin.Joints[j].Parent; !isLimb(j) || p >= 0 && isLimb(p) {
			continue
		}
		for k := j; k >= 0; k = below(j, 0.7*share[j]) {
			j = k
		}
		for k := below(j, wideShareMin); k >= 0 && w.narrower(in[k], in[j]); k = below(j, wideShareMin) {
			j = k
		}
		if len(w.parts) == wideParts {
			break
		}
		part := &limbPart{joint: j, in: in[j]}
		if ok, err := w.cutOut(ctx, part); err != nil {
			return err
		} else if ok {
			w.parts = append(w.parts, part)
		}
	}
	return nil
}

// narrower reports whether a limb's lower part has a distinctly narrower neck.
func (w *wide) narrower(lower, limb []bool) bool {
	a, ok := w.neck(lower)
	b, also := w.neck(limb)
	return ok && also && a < neckFall*b
}

// neck is how wide a limb is where the body holds it, against its own size: the root
// mean square distances of its edge and of all of it from their middles. ok is false
// where too few triangles tell.
func (w *wide) neck(in []bool) (width float64, ok bool) {
	var edge, all moments
	for t := 0; t < len(w.s.triangle); t += w.step() {
		tri := w.s.triangle[t]
		p := w.s.body.Mesh.Positions[tri[0]]
		a, b, c := w.held(in, tri[0]), w.held(in, tri[1]), w.held(in, tri[2])
		switch {
		case a != b || a != c:
			edge.add(p)
		case a:
			all.add(p)
		}
	}
	if edge.n < 5 || all.n < 5 {
		return 0, false
	}
	size := all.spread()
	return edge.spread() / size, size > 0
}

// moments of points.
type moments struct {
	n   float64
	sum r3.Vec
	sq  float64
}

func (m *moments) add(p r3.Vec) {
	m.n, m.sum, m.sq = m.n+1, r3.Add(m.sum, p), m.sq+r3.Norm2(p)
}

// spread is the root mean square distance from the mean.
func (m *moments) spread() float64 {
	return math.Sqrt(max(0, m.sq/m.n-r3.Norm2(m.sum)/sq(m.n)))
}

// cutOut fills in the surfaces of a limb; it reports whether there is any on both sides.
func (w *wide) cutOut(ctx context.Context, part *limbPart) (ok bool, err error) {
	if part.tree, part.index, err = w.cut(ctx, func(t int32) bool { return w.holds(part.in, t) }); err != nil {
		return false, err
	}
	if part.rest, part.restIndex, err = w.cut(ctx, func(t int32) bool { return !w.holds(part.in, t) }); err != nil {
		return false, err
	}
	if part.tree == nil || part.rest == nil {
		return false, nil
	}
	var middle r3.Vec
	for _, t := range part.index {
		middle = r3.Add(middle, r3.Scale(1/float64(len(part.index)), w.s.body.Mesh.Positions[w.s.triangle[t][0]]))
	}
	part.along = unit(r3.Sub(middle, w.s.body.Skin.Joints[part.joint].Global.T))
	return true, nil
}

// unit is v at length one; zero where it has none.
func unit(v r3.Vec) r3.Vec {
	if l := r3.Norm(v); l > 0 {
		return r3.Scale(1/l, v)
	}
	return r3.Vec{}
}

// placed is a sample's match on the body while poses are tried.
type placed struct {
	cost     float64
	triangle int32 // usable
	bary     [3]float64
	point    r3.Vec
}

// on matches points with normals on a tree whose surface is moved by a similarity.
func (w *wide) on(ctx context.Context, tree *closest.Tree, index []int32, move *skinning.Affine, points, normals []r3.Vec) ([]placed, error) {
	out := make([]placed, len(points))
	back, ok := move.Inverse()
	if !ok || tree == nil {
		for i := range out {
			out[i] = placed{cost: 1, triangle: -1}
		}
		return out, nil
	}
	scale := math.Cbrt(move.Det())
	err := parallel(ctx, len(points), w.opt.Threads, func(lo, hi int) {
		for i := lo; i < hi; i++ {
			n := unit(back.ApplyVector(normals[i]))
			hit := tree.Nearest(back.Apply(points[i]))
			t := hit.Triangle
			if t >= 0 && index != nil {
				t = index[t]
			}
			out[i] = placed{cost: 1, triangle: t}
			if t >= 0 {
				out[i] = placed{w.cost(n, w.s.faceNormal[t], sq(scale)*hit.DistanceSq), t, hit.Bary, hit.Point}
			}
		}
	})
	return out, err
}

func meanCost(list []placed) float64 {
	sum := 0.0
	for i := range list {
		sum += list[i].cost
	}
	return sum / float64(max(1, len(list)))
}

// cheaper takes for each sample the cheaper of two matches.
func cheaper(a, b []placed) []placed {
	out := slices.Clone(a)
	for i := range out {
		if b[i].cost < out[i].cost {
			out[i] = b[i]
		}
	}
	return out
}

// guess is a pose to start from.
type guess struct {
	local []skinning.Affine
	cost  float64 // mean over the samples looked at
	free  []int   // joints that differ from the body's pose
}

// try returns poses to start from, the body's own first, and what may move in each.
func (w *wide) try(ctx context.Context) ([]guess, error) {
	step := max(1, len(w.samples)/wideSamples)
	points, normals := w.pointsOf(step)
	same := skinning.Identity()
	asIs := guess{local: slices.Clone(w.local)}
	all, err := w.on(ctx, w.s.tree, nil, &same, points, normals)
	if err != nil {
		return nil, err
	}
	asIs.cost = meanCost(all)
	whole, cost, err := w.tryWhole(ctx, points, normals, asIs.cost)
	if err != nil {
		return nil, err
	}
	list := []guess{asIs}
	if cost < asIs.cost {
		figure := guess{slices.Clone(w.local), cost, []int{w.root}}
		figure.local[w.root] = w.about(w.root, whole)
		list = append(list, figure)
	}
	for _, g := range list {
		limbs, err := w.tryLimbs(ctx, g, points, normals)
		if err != nil {
			return nil, err
		}
		if len(limbs.free) > len(g.free) {
			list = append(list, limbs)
		}
	}
	return list, nil
}

// seat gives every sample a first match in the present pose.
func (w *wide) seat(ctx context.Context) error {
	points, normals := w.pointsOf(1)
	best, err := w.match(ctx, w.local, points, normals)
	if err != nil {
		return err
	}
	acc := weights.NewAccumulator(len(w.s.body.Skin.Joints))
	for i := range w.samples {
		x := &w.samples[i]
		*x = sample{vertex: x.vertex}
		if m := &best[i]; m.triangle >= 0 {
			one := weights.NewRows(1)
			w.s.addRow(acc, m.triangle, m.bary, 1)
			acc.FlushNormalised(one)
			x.joint, x.weight = one.Row(0)
		}
	}
	return nil
}

// pointsOf are positions and normals of every step-th sample.
func (w *wide) pointsOf(step int) (points, normals []r3.Vec) {
	for i := 0; i < len(w.samples); i += step {
		v := w.samples[i].vertex
		points, normals = append(points, w.g.position[v]), append(normals, w.g.normal[v])
	}
	return points, normals
}

// tryLimbs turns the limbs that a guess leaves alone, one after the other.
func (w *wide) tryLimbs(ctx context.Context, from guess, points, normals []r3.Vec) (guess, error) {
	out := guess{slices.Clone(from.local), from.cost, slices.Clone(from.free)}
	pose := w.s.body.Skin.Compose(from.local)
	for _, part := range w.parts {
		if slices.Contains(from.free, part.joint) {
			continue
		}
		rest, err := w.around(ctx, part, from.local, points, normals)
		if err != nil {
			return out, err
		}
		pivot := w.s.body.Skin.Joints[part.joint].Global.T
		least, best := math.Inf(1), skinning.Identity()
		offer := func(move skinning.Affine) ([]placed, error) {
			place := pose[part.joint].Mul(&move)
			there, err := w.on(ctx, part.tree, part.index, &place, points, normals)
			if err != nil {
				return nil, err
			}
			c := meanCost(cheaper(rest, there))
			if move != skinning.Identity() {
				c += wideGain / 2
			}
			if c < least {
				least, best = c, move
			}
			return there, nil
		}
		turned := func(first skinning.Affine, axis r3.Vec, degrees ...float64) error {
			for _, x := range degrees {
				turn := skinning.RotationAbout(pivot, axis, x*math.Pi/180)
				if _, err := offer(turn.Mul(&first)); err != nil {
					return err
				}
			}
			return nil
		}
		if _, err := offer(best); err != nil {
			return out, err
		}
		for _, axis := range across(part.along) {
			if err := turned(skinning.Identity(), axis, -60, -45, -30, -15, -7.5, 7.5, 15, 30, 45, 60); err != nil {
				return out, err
			}
		}
		if best != skinning.Identity() {
			first := best
			for _, axis := range across(part.along) {
				if err := turned(first, axis, -7.5, 7.5); err != nil {
					return out, err
				}
			}
		}
		// A limb may also stand aside.
		back, ok := pose[part.joint].Inverse()
		for move, k := best, 0; k < 6 && ok; k++ {
			there, err := offer(move)
			if err != nil {
				return out, err
			}
			next, fits := w.closedForm(&pose[part.joint], &move, points, there, rest)
			if !fits {
				break
			}
			next = back.Mul(&next)
			if next = next.Mul(&pose[part.joint]); !w.plausible(part.joint, &next) {
				break
			}
			move = next
		}
		if best != skinning.Identity() {
			out.local[part.joint] = best
			out.free = append(out.free, part.joint)
		}
	}
	list, err := w.match(ctx, out.local, points, normals)
	out.cost = meanCost(list)
	return out, err
}

// match finds points in a pose: on the limbs that are turned and on the rest.
func (w *wide) match(ctx context.Context, local []skinning.Affine, points, normals []r3.Vec) ([]placed, error) {
	return w.around(ctx, nil, local, points, normals)
}

// around is match on the body without one limb; nil for none.
func (w *wide) around(ctx context.Context, without *limbPart, local []skinning.Affine, points, normals []r3.Vec) ([]placed, error) {
	pose := w.s.body.Skin.Compose(local)
	var turned []*limbPart
	for _, part := range w.parts {
		if part != without && local[part.joint] != skinning.Identity() {
			turned = append(turned, part)
		}
	}
	rest, index := w.s.tree, []int32(nil)
	if without != nil {
		rest, index = without.rest, without.restIndex
	}
	if len(turned) > 0 {
		var err error
		rest, index, err = w.cut(ctx, func(t int32) bool {
			return !slices.ContainsFunc(turned, func(p *limbPart) bool { return w.holds(p.in, t) }) &&
				(without == nil || !w.holds(without.in, t))
		})
		if err != nil {
			return nil, err
		}
	}
	best, err := w.on(ctx, rest, index, &pose[w.root], points, normals)
	for _, part := range turned {
		if err != nil {
			break
		}
		var there []placed
		if there, err = w.on(ctx, part.tree, part.index, &pose[part.joint], points, normals); err == nil {
			best = cheaper(best, there)
		}
	}
	return best, err
}

// across returns two directions across d and each other.
func across(d r3.Vec) [2]r3.Vec {
	// The coordinate axis that d runs least along is farthest from it.
	e := r3.Vec{X: 1}
	if math.Abs(d.Y) < math.Abs(d.X) && math.Abs(d.Y) <= math.Abs(d.Z) {
		e = r3.Vec{Y: 1}
	} else if math.Abs(d.Z) < math.Abs(d.X) {
		e = r3.Vec{Z: 1}
	}
	u := unit(r3.Cross(d, e))
	return [2]r3.Vec{u, r3.Cross(d, u)}
}

// about is a map of the world as one that stands for a joint: poses are products of
// such maps from the root on, all in the frame of the default pose.
func (w *wide) about(joint int, m skinning.Affine) skinning.Affine {
	if p := w.s.body.Skin.Joints[joint].Parent; p >= 0 {
		above := w.pose()[p]
		if back, ok := above.Inverse(); ok {
			m = back.Mul(&m)
			return m.Mul(&above)
		}
	}
	return m
}

// tryWhole looks for the similarity of the whole figure: from a few sizes, each about
// the ground below the body and about the garment's middle, by ICP with its closed
// form.
func (w *wide) tryWhole(ctx context.Context, points, normals []r3.Vec, now float64) (skinning.Affine, float64, error) {
	box := boundsOf(w.s.body.Mesh.Positions, w.s.triangle)
	ground := r3.Vec{X: (box[0].X + box[1].X) / 2, Y: box[0].Y, Z: (box[0].Z + box[1].Z) / 2}
	var middle r3.Vec
	for _, p := range points {
		middle = r3.Add(middle, r3.Scale(1/float64(len(points)), p))
	}
	best, least := skinning.Identity(), now
	for _, f := range []float64{1, 0.9, 0.95, 1.05, 1.1} {
		for k, about := range []r3.Vec{ground, middle} {
			if f == 1 && k > 0 {
				continue
			}
			m := skinning.Affine{M: [9]float64{f, 0, 0, 0, f, 0, 0, 0, f}, T: r3.Scale(1-f, about)}
			list, err := w.on(ctx, w.s.tree, nil, &m, points, normals)
			if err != nil {
				return best, least, err
			}
			if c := meanCost(list); c < least || f == 1 {
				best, least = m, min(c, least)
			}
		}
	}
	m, same := best, skinning.Identity()
	for range 10 {
		list, err := w.on(ctx, w.s.tree, nil, &m, points, normals)
		if err != nil {
			return best, least, err
		}
		if c := meanCost(list); c < least {
			best, least = m, c
		}
		next, ok := w.closedForm(&m, &same, points, list, nil)
		if !ok || !w.plausible(w.root, &next) {
			break
		}
		m = next
	}
	return best, least, nil
}

// closedForm is the similarity (of a limb, where the rest of the body is matched
// too: the rigid motion) that brings the matches of points, moved by above and move,
// nearest to the points, less their typical gap: that is ease, not misfit.
func (w *wide) closedForm(above, move *skinning.Affine, points []r3.Vec, list, rest []placed) (skinning.Affine, bool) {
	place := above.Mul(move)
	var index []int
	var gaps []float64
	outward := make([]r3.Vec, len(list))
	for i := range list {
		if list[i].cost >= 0.7 || rest != nil && rest[i].cost < list[i].cost {
			continue
		}
		outward[i] = unit(place.ApplyVector(w.s.faceNormal[list[i].triangle]))
		gaps = append(gaps, r3.Dot(outward[i], r3.Sub(points[i], place.Apply(list[i].point))))
		index = append(index, i)
	}
	if len(gaps) < 20 {
		return place, false
	}
	gap := median(gaps)
	from, to := mat.NewDense(len(index), 3, nil), mat.NewDense(len(index), 3, nil)
	for k, i := range index {
		p, q := above.Apply(list[i].point), r3.Sub(points[i], r3.Scale(gap, outward[i]))
		if rest == nil {
			p = list[i].point
		}
		from.SetRow(k, []float64{p.X, p.Y, p.Z})
		to.SetRow(k, []float64{q.X, q.Y, q.Z})
	}
	s, ok := leastSquaresSimilarity(from, to, rest != nil)
	if !ok {
		return place, false
	}
	return s.affine(), true
}

// plausible reports whether a joint's motion is one that garments are modelled by.
func (w *wide) plausible(joint int, local *skinning.Affine) bool {
	turn, size := turnAndScale(local)
	if !(size <= wideScaleLimit && size >= 1/wideScaleLimit) {
		return false
	}
	angle := r3.Norm(turn)
	if joint == w.root { // where its own origin goes says nothing: it may lie anywhere
		return angle <= wideWholeAngle
	}
	origin := w.s.body.Skin.Joints[joint].Global.T
	shift := r3.Norm(r3.Sub(local.Apply(origin), origin))
	return shift <= wideShiftLimit*w.s.size && (angle <= wideBothAngle || shift <= wideBothShift*w.s.size)
}

// distanceToBox is how far a point lies outside of a box.
func distanceToBox(p r3.Vec, box [2]r3.Vec) float64 {
	out := func(x, lo, hi float64) float64 { return max(0, lo-x, x-hi) }
	return r3.Norm(r3.Vec{X: out(p.X, box[0].X, box[1].X), Y: out(p.Y, box[0].Y, box[1].Y), Z: out(p.Z, box[0].Z, box[1].Z)})
}

// boundsOf is the box around triangles.
func boundsOf(p []r3.Vec, triangles [][3]int32) [2]r3.Vec {
	lo, hi := p[triangles[0][0]], p[triangles[0][0]]
	for _, t := range triangles {
		for _, v := range t {
			lo = r3.Vec{X: min(lo.X, p[v].X), Y: min(lo.Y, p[v].Y), Z: min(lo.Z, p[v].Z)}
			hi = r3.Vec{X: max(hi.X, p[v].X), Y: max(hi.Y, p[v].Y), Z: max(hi.Z, p[v].Z)}
		}
	}
	return [2]r3.Vec{lo, hi}
}

// unevenness is the mean over all samples of how little each agrees with a body that
// stands a constant gap below each limb of the cloth, 0 to 1.
func (s *Source) unevenness(samples []sample, g *target, limbs int) float64 {
	sum := 0.0
	for i, r := range evenResidual(samples, limbs) {
		if math.IsNaN(r) {
			sum++
			continue
		}
		x := &samples[i]
		sum += min(1, sq(r/(evenScale*s.size))+1-math.Abs(r3.Dot(x.posedN, g.normal[x.vertex])))
	}
	return sum / float64(max(1, len(samples)))
}

// newWide divides the body and takes the vertices given as samples.
func newWide(ctx context.Context, s *Source, g *target, opt *Options, all []int32, in scope) (*wide, error) {
	w := &wide{s: s, g: g, opt: opt, in: in, samples: make([]sample, len(all)), local: make([]skinning.Affine, len(s.body.Skin.Joints))}
	for i, v := range all {
		w.samples[i].vertex = v
	}
	for j := range w.local {
		w.local[j] = skinning.Identity()
	}
	return w, w.divide(ctx)
}

// registerWide looks for what register cannot find; nil where it finds nothing.
// O(samples * (poses tried + iterations)).
func registerWide(ctx context.Context, s *Source, g *target, opt *Options, all []int32, in scope) (*registration, error) {
	w, err := newWide(ctx, s, g, opt, all, in)
	if err != nil {
		return nil, err
	}
	if err := s.matchSamples(ctx, g, w.samples, w.pose(), registerFar, opt.Threads); err != nil {
		return nil, err
	}
	before := w.unevenness()
	if before < wideUneven || w.fitting() < wideFitting {
		return nil, nil
	}
	best, after, err := w.explain(ctx)
	if err != nil || best.local == nil || !(after < wideSaid*before) {
		return nil, err
	}
	w.local = best.local
	leastAngle, leastShift := reportAngle, reportShift
	if in.root >= 0 {
		leastAngle, leastShift = smallAngle, smallShift
	}
	reg := &registration{uneven: after, sure: after < residualGate*before || after < wideGate*before && after < before-wideDrop}
	reg.sure = reg.sure && (in.root < 0 || w.keepPlace || after < smallSure)
	for j := range w.local {
		if !w.plausible(j, &w.local[j]) {
			return nil, nil
		}
		turn, _ := turnAndScale(&w.local[j])
		reg.sure = reg.sure && r3.Norm(turn) <= wideAngleLimit
		if o := w.offset(j); o.Degrees*math.Pi/180 >= leastAngle || o.Shift >= leastShift*s.size || math.Abs(math.Log(o.Scale)) >= reportScale {
			reg.offsets, reg.joints = append(reg.offsets, o), append(reg.joints, j)
		}
	}
	if len(reg.offsets) == 0 {
		return nil, nil
	}
	reg.pose = w.pose()
	return reg, nil
}

// explain returns the pose that leaves the garment most even and how uneven that is;
// the zero guess where none is worth following.
func (w *wide) explain(ctx context.Context) (best guess, after float64, err error) {
	guesses, err := w.try(ctx)
	if err != nil {
		return guess{}, 0, err
	}
	least := slices.MinFunc(guesses, func(a, b guess) int { return cmp.Compare(a.cost, b.cost) }).cost
	var promising, others []guess
	for _, x := range guesses[1:] {
		switch gate := wideFall * guesses[0].cost; {
		case least > gate:
		case x.cost <= least+2*wideGain:
			promising = append(promising, x)
		case x.cost <= gate:
			others = append(others, x)
		}
	}
	// Another size hardly shows in the distances where all is thin and long; in how even
	// they are it does.
	gate := residualGate
	if len(promising) == 0 {
		gate = wideSaid
	}
	figure, ok, err := w.tryEven(ctx, guesses, gate)
	if err != nil {
		return guess{}, 0, err
	}
	if ok && !slices.ContainsFunc(promising, func(x guess) bool { return slices.Equal(x.free, figure.free) }) {
		promising = append([]guess{figure}, promising...)
	}
	// From each of the good ones to the nearest optimum; the simplest of those that
	// are about as even as the best.
	after = math.Inf(1)
	follow := func(x guess, below float64) error {
		w.local, w.limbs = slices.Clone(x.local), x.free
		if err := w.refine(ctx); err != nil {
			return err
		}
		u := w.unevenness()
		if u < below && w.fitting() >= fittingShare {
			best, after = guess{local: w.local, free: x.free}, u
		}
		return nil
	}
	for _, x := range promising {
		if err := follow(x, after-evenEnough); err != nil {
			return guess{}, 0, err
		}
	}
	if after >= fitsEven {
		// A larger figure always lies nearer to cloth with ease, limbs or not.
		for _, x := range others {
			if err := follow(x, after-evenEnough); err != nil {
				return guess{}, 0, err
			}
		}
	}
	if best.local != nil && after >= fitsEven {
		// What the limbs about it hid, and what is too little off to be tried.
		points, normals := w.pointsOf(max(1, len(w.samples)/wideSamples))
		more, err := w.tryLimbs(ctx, best, points, normals)
		if err != nil {
			return guess{}, 0, err
		}
		for _, part := range w.parts {
			if !slices.Contains(more.free, part.joint) {
				more.free = append(more.free, part.joint)
			}
		}
		if err := follow(more, residualGate*after); err != nil {
			return guess{}, 0, err
		}
	}
	if best.local != nil && after >= fitsEven && w.in.root >= 0 && len(w.parts) > 0 {
		// A cuff that flares pulls at the size of the whole, not at that of the hand.
		if err := follow(guess{slices.Clone(guesses[0].local), guesses[0].cost, []int{w.largest().joint}}, after-evenEnough); err != nil {
			return guess{}, 0, err
		}
	}
	if best.local == nil {
		return best, after, nil
	}
	if plain, ok := w.turnsOf(best); ok {
		moved := best
		best = guess{}
		w.keepSize, w.keepPlace = true, true
		if err := follow(plain, after+evenEnough); err != nil {
			return guess{}, 0, err
		}
		if best.local == nil {
			w.keepSize, w.keepPlace = false, false
			best = moved
		}
		return best, after, nil
	}
	// A garment that is only shifted as a whole is not resized as well, by so little that
	// it is not worth a word.
	if _, size := turnAndScale(&best.local[w.root]); slices.Equal(best.free, []int{w.root}) && math.Abs(math.Log(size)) < reportScale {
		whole := guess{local: slices.Clone(best.local), free: best.free}
		for q := range whole.local[w.root].M {
			whole.local[w.root].M[q] /= size
		}
		w.keepSize = true
		if err := follow(whole, after+evenEnough); err != nil {
			return guess{}, 0, err
		}
	}
	return best, after, nil
}

// turnsOf is what was found of a piece of the body (register_small.go) without its shifts and
// sizes, where these are little and only limbs move: a millimetre aside costs a finger's rows
// more than a degree. ok is false where it is not so.
func (w *wide) turnsOf(found guess) (plain guess, ok bool) {
	if w.in.root < 0 || slices.Contains(found.free, w.root) {
		return guess{}, false
	}
	plain = guess{slices.Clone(found.local), found.cost, found.free}
	for _, j := range found.free {
		turn, size := turnAndScale(&found.local[j])
		origin := w.s.body.Skin.Joints[j].Global.T
		if math.Abs(math.Log(size)) >= reportScale || r3.Norm(r3.Sub(found.local[j].Apply(origin), origin)) >= 2*reportShift*w.s.size {
			return guess{}, false
		}
		plain.local[j] = skinning.RotationAbout(origin, turn, r3.Norm(turn))
	}
	return plain, true
}

// tryEven follows the whole figure to the nearest optimum from the best guess that
// moves nothing else, on few samples, and reports whether the unevenness falls below
// gate times what it was.
func (w *wide) tryEven(ctx context.Context, guesses []guess, gate float64) (guess, bool, error) {
	figure := guess{slices.Clone(guesses[0].local), guesses[0].cost, []int{w.root}}
	for _, x := range guesses[1:] {
		if slices.Equal(x.free, figure.free) {
			figure = x
		}
	}
	few := *w
	few.samples = nil
	for i := 0; i < len(w.samples); i += max(1, len(w.samples)/wideSamples) {
		few.samples = append(few.samples, sample{vertex: w.samples[i].vertex})
	}
	if err := w.s.matchSamples(ctx, w.g, few.samples, few.pose(), registerFar, w.opt.Threads); err != nil {
		return figure, false, err
	}
	before := few.unevenness()
	few.local, few.limbs = slices.Clone(figure.local), figure.free
	err := few.refine(ctx)
	return figure, few.unevenness() < gate*before, err
}

// refine goes on from w.local with w.limbs free.
func (w *wide) refine(ctx context.Context) error {
	if err := w.seat(ctx); err != nil {
		return err
	}
	reach := registerFar
	if w.farther {
		reach = smallFar
	}
	for iteration := 0; ; iteration++ {
		if err := w.s.matchSamples(ctx, w.g, w.samples, w.pose(), reach, w.opt.Threads); err != nil || iteration == wideIterations {
			return err
		}
		w.s.shareOut(w.samples, w.limbs, w.below())
		residual := evenResidual(w.samples, len(w.limbs))
		largest := w.solve(residual, robustScale(w.samples, residual))
		if largest < 1e-4 && reach == registerNear {
			return nil
		}
		if iteration >= wideIterations/2 && !w.farther {
			reach = registerNear
		}
	}
}

// unevenness of all limbs, whichever may move.
func (w *wide) unevenness() float64 {
	return w.s.unevenness(w.samples, w.g, w.ofAll())
}

// ofAll shares the samples out among all limbs, whichever may move, and returns how many
// there are.
func (w *wide) ofAll() int {
	limbs := w.limbs
	w.limbs, _ = w.s.registeredJoints(w.samples, w.in)
	w.limbs = append([]int{w.root}, slices.DeleteFunc(w.limbs, func(j int) bool { return j == w.root })...)
	w.s.shareOut(w.samples, w.limbs, w.below())
	n := len(w.limbs)
	w.limbs = limbs
	return n
}

// largest is the limb with the most triangles, the first of equals; nil without limbs.
func (w *wide) largest() (most *limbPart) {
	for _, part := range w.parts {
		if most == nil || len(part.index) > len(most.index) {
			most = part
		}
	}
	return most
}

// fitting is the share of samples with a match that is near.
func (w *wide) fitting() float64 {
	n := 0
	for i := range w.samples {
		if w.samples[i].trusted {
			n++
		}
	}
	return float64(n) / float64(max(1, len(w.samples)))
}

// below are the joints below each limb.
func (w *wide) below() (in [][]bool) {
	for _, j := range w.limbs {
		in = append(in, w.s.body.Skin.Subtree(j))
	}
	return in
}

// pose is the body's with its joints where w.local puts them.
func (w *wide) pose() skinning.Pose { return w.s.body.Skin.Compose(w.local) }

// offset is what was found of a joint.
func (w *wide) offset(j int) PoseOffset {
	joint := &w.s.body.Skin.Joints[j]
	turn, scale := turnAndScale(&w.local[j])
	if w.keepPlace { // but for rounding
		return PoseOffset{Joint: joint.Name, Degrees: r3.Norm(turn) * 180 / math.Pi, Scale: 1}
	}
	return PoseOffset{
		Joint: joint.Name, Degrees: r3.Norm(turn) * 180 / math.Pi, Scale: scale,
		Shift: r3.Norm(r3.Sub(w.local[j].Apply(joint.Global.T), joint.Global.T)),
	}
}

// solve takes one Gauss-Newton step of all limbs and returns the largest turn.
func (w *wide) solve(residual []float64, scale float64) float64 {
	limbs := w.limbs
	const dof = 7 // turn, shift, logarithm of the size
	skin := w.s.body.Skin
	pose := w.pose()
	n := dof * len(limbs)
	a, b := mat.NewSymDense(n, nil), mat.NewVecDense(n, nil)
	row := make([]float64, n)
	var at []int // entries of row that are not zero
	sigma := max(scale, 1e-9)
	for i := range w.samples {
		if math.IsNaN(residual[i]) {
			continue
		}
		x := &w.samples[i]
		weight := 1 / sq(1+sq(residual[i]/(2*sigma))) // Geman and McClure, as in solveTurns
		at = at[:0]
		for k, j := range limbs {
			share := x.share[k]
			if share == 0 {
				continue
			}
			arm := r3.Sub(x.posed, pose[j].Apply(skin.Joints[j].Global.T))
			d, n := r3.Scale(share, r3.Cross(arm, x.posedN)), r3.Scale(share, x.posedN)
			grow := r3.Dot(arm, n)
			if w.keepSize {
				grow = 0
			}
			if w.keepTurn {
				d = r3.Vec{}
			}
			if w.keepPlace {
				n = r3.Vec{}
			}
			for q, e := range [dof]float64{d.X, d.Y, d.Z, n.X, n.Y, n.Z, grow} {
				row[dof*k+q] = e
				at = append(at, dof*k+q)
			}
		}
		for p, u := range at {
			b.SetVec(u, b.AtVec(u)+weight*row[u]*residual[i])
			for _, v := range at[p:] {
				a.SetSym(u, v, a.At(u, v)+weight*row[u]*row[v])
			}
		}
	}
	// Priors as in solveTurns: each quantity counts against its own deviation, and few
	// of them move at once.
	count := sq(sigma) * float64(len(w.samples)) / 100
	for k, j := range limbs {
		turn, size := turnAndScale(&w.local[j])
		origin := skin.Joints[j].Global.T
		shift := r3.Sub(w.local[j].Apply(origin), origin)
		if p := skin.Joints[j].Parent; p >= 0 {
			above, scale := turnAndScale(&pose[p])
			r := skinning.RotationAbout(r3.Vec{}, above, r3.Norm(above))
			turn, shift = r.ApplyVector(turn), r3.Scale(scale, r.ApplyVector(shift))
		}
		prior := func(q int, value, size, deviation float64) {
			own := count / sq(deviation) / (size/deviation + 0.15)
			p := dof*k + q
			a.SetSym(p, p, a.At(p, p)+own)
			b.SetVec(p, b.AtVec(p)-own*value)
		}
		for q, v := range [3]float64{turn.X, turn.Y, turn.Z} {
			prior(q, v, r3.Norm(turn), angleSigma)
		}
		for q, v := range [3]float64{shift.X, shift.Y, shift.Z} {
			prior(3+q, v, r3.Norm(shift), shiftSigma*w.s.size)
		}
		prior(6, math.Log(size), math.Abs(math.Log(size)), scaleSigma)
	}
	var chol mat.Cholesky
	var d mat.VecDense
	if !chol.Factorize(a) || chol.SolveVecTo(&d, b) != nil {
		return 0
	}
	// Steps are given at the posed joints; the maps stand in the frame of the default
	// pose.
	largest := 0.0
	for k, j := range limbs {
		turn := r3.Vec{X: d.AtVec(dof * k), Y: d.AtVec(dof*k + 1), Z: d.AtVec(dof*k + 2)}
		shift := r3.Vec{X: d.AtVec(dof*k + 3), Y: d.AtVec(dof*k + 4), Z: d.AtVec(dof*k + 5)}
		size := d.AtVec(dof*k + 6)
		// Small steps: the matches move along.
		if l := r3.Norm(turn); l > 0.1 {
			turn = r3.Scale(0.1/l, turn)
		}
		if l := r3.Norm(shift); l > 0.01*w.s.size {
			shift = r3.Scale(0.01*w.s.size/l, shift)
		}
		size = math.Exp(max(-0.03, min(0.03, size)))
		largest = max(largest, r3.Norm(turn))
		pivot := pose[j].Apply(skin.Joints[j].Global.T)
		move := skinning.RotationAbout(pivot, turn, r3.Norm(turn))
		for q := range move.M {
			move.M[q] *= size
		}
		move.T = r3.Add(r3.Sub(pivot, move.ApplyVector(pivot)), shift)
		above := skinning.Identity()
		if p := skin.Joints[j].Parent; p >= 0 {
			above = pose[p]
		}
		back, ok := above.Inverse()
		if !ok {
			continue
		}
		move = move.Mul(&above)
		move = back.Mul(&move)
		w.local[j] = move.Mul(&w.local[j])
	}
	return largest
}
