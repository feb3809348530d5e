package transfer

// Registration of default poses: a garment modelled with its limbs held at
// other angles than the body's (sleeves for arms a few degrees lower, say).
//
// The body's limbs are turned about their joints, small angles at a time, until
// the signed distance from garment to body is as even as it can be along each
// limb (point-to-plane ICP, Chen & Medioni, "Object modelling by registration of
// multiple range images", 1992, over an articulated body; robust weights after
// Geman & McClure; a prior on the angles that prefers few joints). The mean gap of each limb is
// free: ease is not misfit. What is found is always reported; it is used for
// matching only where the gate lets it pass. What these small turns do not explain is
// looked for farther off, and with shifts and sizes, in register_wide.go. Garments that
// cover only small parts of the body: register_small.go. What a limb is where the skin
// does not say it: register_skeleton.go.

import (
	"context"
	"math"
	"slices"

	"github.com/selvage/selvage/transfer/skinning"
	"github.com/selvage/selvage/transfer/weights"
	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/spatial/r3"
)

const (
	registerSamples    = 3000
	registerLeast      = 100 // vertices that tell anything
	registerIterations = 12
	// Samples farther from the body than this share of its size have no say; a
	// hand at the end of an arm that is ten degrees off is far at first.
	registerNear, registerFar = 0.03, 0.06
	// residualFloor is the residual, as a share of the body's size, below which there is
	// nothing to correct (about 3 mm on a grown figure).
	residualFloor = 0.0015
	// angleSigma is the standard deviation of the prior on each angle.
	angleSigma = 8 * math.Pi / 180
	// angleLimit is the largest turn of a single joint that the gate accepts:
	// beyond it, it is likelier that the garment hangs free than that it was
	// modelled so.
	angleLimit = 15 * math.Pi / 180
	// residualGate is how far the robust residual must fall, as a ratio.
	residualGate = 0.5
	// reportAngle is the smallest turn worth a word.
	reportAngle = 2 * math.Pi / 180
	// fittingShare is the least share of samples that must lie close to the body.
	fittingShare = 0.7
	// limbShare is the smallest and largest share of the samples that a joint must
	// move to be registered: less says nothing about it, more is the whole garment.
	limbShareMin, limbShareMax = 0.04, 0.7
	// limbShareFirst is the share that the first iterations ask for.
	limbShareFirst = 0.12
	// tornMost is the share of torn edges up to which a correction may leave more of them
	// than it found (torn): on the mate, gloves in the right pose have 0.007 to 0.025, their
	// fingers side by side, boots 0 to 0.012; legs sent into each other 0.056 to 0.089. Beyond it,
	// a correction that tears more than none is only said.
	tornMost = 0.03
	// tornSamples are the vertices that torn looks at, about.
	tornSamples = 3000
)

// registration is what was found.
type registration struct {
	offsets []PoseOffset
	// joints that are off, by index in the body's skin.
	joints []int
	// source to match against: the body with its limbs turned where the gate let
	// it pass, else the body as it is.
	source *Source
	// pose of the body that explains the garment, the unevenness that it leaves, and
	// whether the gate let it pass.
	pose   skinning.Pose
	uneven float64
	sure   bool
}

// sample is a garment vertex in the registration.
type sample struct {
	vertex  int32
	point   r3.Vec // match on the body, default pose
	normal  r3.Vec // of the body there
	limb    int32  // the registered joint that moves it most closely, -1 for none
	share   []float64
	joint   []uint16
	weight  []float64
	signed  float64
	posed   r3.Vec
	posedN  r3.Vec
	trusted bool
}

// register finds limbs whose default pose disagrees: small turns first, and where
// those do not explain the garment, larger motions (register_wide.go).
// O(samples * iterations).
func register(ctx context.Context, s *Source, g *target, opt *Options) (*registration, error) {
	// The body with limbs, to find the pose by; the rows are matched on the body itself.
	limbed, body := *s, *s.body
	body.Skin = s.skeleton()
	limbed.body = &body
	reg, err := registerAll(ctx, &limbed, g, opt)
	if err != nil {
		return nil, err
	}
	reg.source = s
	if opt.Registration == Off {
		for k := range reg.offsets {
			reg.offsets[k].Corrected = false
		}
		return reg, nil
	}
	if !reg.sure {
		return reg, nil
	}
	posed, err := s.posed(ctx, reg.pose, opt.Threads)
	if err != nil {
		return nil, err
	}
	before, err := s.torn(ctx, g, opt.Threads)
	if err != nil {
		return nil, err
	}
	after, err := posed.torn(ctx, g, opt.Threads)
	if err != nil {
		return nil, err
	}
	if after > tornMost && after > before {
		reg.sure = false
		for k := range reg.offsets {
			reg.offsets[k].Corrected = false
		}
		return reg, nil
	}
	reg.source = posed
	return reg, nil
}

// torn is the share of the garment's edges whose ends have less than half of their
// weight in common where each has the row of the nearest point of s; about tornSamples
// vertices are looked at with their neighbours. It looks at the rows alone, which no pose is fitted
// to. A pose that is right lays cloth over the joints it was made over; one that
// sends limbs into each other, or is found on another limb, tears it.
// O(samples * log triangles).
func (s *Source) torn(ctx context.Context, g *target, threads int) (float64, error) {
	step := (len(g.position) + tornSamples - 1) / tornSamples
	samples := (len(g.position) + step - 1) / step
	edges, cut := make([]int, blocksOf(samples)), make([]int, blocksOf(samples))
	err := parallel(ctx, samples, threads, func(lo, hi int) {
		acc, rows := weights.NewAccumulator(len(s.body.Skin.Joints)), weights.NewRows(0)
		at := map[int32]int{}
		row := func(v int32) int {
			k, ok := at[v]
			if !ok {
				if hit := s.tree.Nearest(g.position[v]); hit.Triangle >= 0 {
					s.addRow(acc, hit.Triangle, hit.Bary, 1)
				}
				acc.FlushNormalised(rows)
				k = rows.Len() - 1
				at[v] = k
			}
			return k
		}
		block := lo / blockSize
		for k := lo; k < hi; k++ {
			a := row(int32(k * step))
			for _, u := range g.adjacency.Neighbours(k * step) {
				edges[block]++
				if rows.DistanceL1(a, rows, row(u)) > 1 {
					cut[block]++
				}
			}
		}
	})
	all, parted := 0, 0
	for i := range edges {
		all, parted = all+edges[i], parted+cut[i]
	}
	return float64(parted) / float64(max(1, all)), err
}

// registerAll registers a garment part by part where it covers small parts of the body
// alone, and as a whole where it does not or that leaves something open.
func registerAll(ctx context.Context, s *Source, g *target, opt *Options) (*registration, error) {
	var small *registration
	parts, err := s.smallParts(ctx, g, opt.Threads)
	if err != nil {
		return nil, err
	}
	if len(parts) > 0 {
		reg, settled, err := registerSmall(ctx, s, g, opt, parts)
		if err != nil || settled {
			return reg, err
		}
		small = reg
	}
	reg, open, err := registerTurns(ctx, s, g, opt, everyVertex(g), wholeBody)
	if err == nil && len(open) > 0 {
		var wide *registration
		wide, err = registerWide(ctx, s, g, opt, open, wholeBody)
		if wide != nil && wide.better(reg) {
			reg = wide
		}
	}
	if err != nil {
		return nil, err
	}
	// What the parts say of themselves is nearer to the truth than what limbs say of them.
	if small != nil && len(small.offsets) > 0 && !reg.sure {
		return small, nil
	}
	for k := range reg.offsets {
		reg.offsets[k].Corrected = reg.sure
	}
	return reg, nil
}

// everyVertex is the list of a garment's vertices.
func everyVertex(g *target) []int32 {
	all := make([]int32, len(g.position))
	for v := range all {
		all[v] = int32(v)
	}
	return all
}

// better reports whether what was found far off explains the garment better than the
// small turns.
func (reg *registration) better(turns *registration) bool {
	switch {
	case turns.sure:
		return reg.sure && reg.uneven < residualGate*turns.uneven
	case len(turns.offsets) > 0:
		return reg.sure || reg.uneven < turns.uneven-evenEnough
	}
	return true
}

// registerTurns finds small turns of the limbs, by the vertices given. open are the vertices to look at once
// more where they do not explain all of the garment; none where they do, or where it fits.
func registerTurns(ctx context.Context, s *Source, g *target, opt *Options, vertices []int32, in scope) (reg *registration, open []int32, err error) {
	reg = &registration{}
	step := max(1, len(vertices)/registerSamples)
	if in.root >= 0 {
		step = (len(vertices) + smallSamples - 1) / smallSamples
	}
	all := make([]int32, 0, registerSamples)
	for i := 0; i < len(vertices); i += step {
		if v := vertices[i]; g.normal[v] != (r3.Vec{}) {
			all = append(all, v)
		}
	}
	if len(all) < registerLeast {
		return reg, nil, nil
	}

	// The joints that may be off: those that move a fair part of the garment.
	skin := s.body.Skin
	samples := make([]sample, len(all))
	for i, v := range all {
		samples[i].vertex = v
	}
	turn := make([]r3.Vec, len(skin.Joints)) // rotation vectors, radians
	pose := make(skinning.Pose, len(skin.Joints))
	for j := range pose {
		pose[j] = skinning.Identity()
	}
	if err := s.matchSamples(ctx, g, samples, pose, registerNear, opt.Threads); err != nil {
		return nil, nil, err
	}
	limbs, share := s.registeredJoints(samples, in)
	inSubtree := make([][]bool, len(limbs))
	for k, j := range limbs {
		inSubtree[k] = skin.Subtree(j)
	}
	s.shareOut(samples, limbs, inSubtree)
	if reg.uneven = s.unevenness(samples, g, len(limbs)); reg.uneven >= wideUneven {
		open = all
	}
	// Cloth that mostly hangs has no limbs to compare.
	fitting := 0
	for i := range samples {
		if samples[i].trusted {
			fitting++
		}
	}
	if len(limbs) == 0 || float64(fitting) < fittingShare*float64(len(samples)) {
		return reg, open, nil
	}

	before := math.NaN()
	after := before
	for iteration := 0; iteration < registerIterations; iteration++ {
		if err := ctx.Err(); err != nil {
			return nil, nil, err
		}
		s.shareOut(samples, limbs, inSubtree)
		residual := evenResidual(samples, len(limbs))
		scale := robustScale(samples, residual)
		if iteration == 0 {
			before = scale
		}
		after = scale
		delta := solveTurns(samples, residual, scale, limbs, turn, pose, skin)
		largest := 0.0
		for k, j := range limbs {
			// From the trunk outwards: what a whole arm explains is not left to the
			// forearm.
			if iteration < registerIterations/3 && share[k] < limbShareFirst {
				continue
			}
			turn[j] = r3.Add(turn[j], delta[k])
			largest = max(largest, r3.Norm(delta[k]))
		}
		pose = skin.TurnAll(turn)
		reach := registerNear
		if iteration < registerIterations/2 {
			reach = registerFar
		}
		if err := s.matchSamples(ctx, g, samples, pose, reach, opt.Threads); err != nil {
			return nil, nil, err
		}
		if largest < 1e-4 && reach == registerNear {
			break
		}
	}
	s.shareOut(samples, limbs, inSubtree)
	after = robustScale(samples, evenResidual(samples, len(limbs)))

	sure := after < residualGate*before
	limit := angleLimit
	if in.root >= 0 && after < smallGate*before && after < residualFloor*s.size {
		limit = wideAngleLimit // a hand or a foot does not hang
	}
	least := reportAngle
	if in.root >= 0 {
		least = smallAngle
	}
	found := false
	for _, j := range limbs {
		angle := r3.Norm(turn[j])
		sure = sure && angle <= limit
		found = found || angle >= least
	}
	// A limb is reported only where turning it explains something: a fit that is
	// merely uneven leaves as much residual as it found.
	if !found || !(after < 0.8*before) || before <= residualFloor*s.size {
		return reg, open, nil
	}
	for _, j := range limbs {
		if angle := r3.Norm(turn[j]); angle >= least {
			reg.offsets = append(reg.offsets, PoseOffset{Joint: skin.Joints[j].Name, Degrees: angle * 180 / math.Pi, Scale: 1})
			reg.joints = append(reg.joints, j)
		}
	}
	reg.pose, reg.sure, reg.uneven = pose, sure, s.unevenness(samples, g, len(limbs))
	if sure && (reg.uneven < fitsEven || limit > angleLimit) {
		open = nil
	}
	return reg, open, nil
}

// matchSamples finds each sample's match on the body in pose: the vertex is
// brought back to the default pose by the row of its last match, matched there,
// and the match is posed.
func (s *Source) matchSamples(ctx context.Context, g *target, samples []sample, pose skinning.Pose, reach float64, threads int) error {
	return parallel(ctx, len(samples), threads, func(lo, hi int) {
		acc := weights.NewAccumulator(len(s.body.Skin.Joints))
		for i := lo; i < hi; i++ {
			x := &samples[i]
			p, n := g.position[x.vertex], g.normal[x.vertex]
			if x.joint != nil {
				blend := pose.Blend(x.joint, x.weight)
				if back, ok := blend.Inverse(); ok {
					p, n = back.Apply(p), back.ApplyVector(n)
				}
			}
			gap := 0.02 * s.size
			near := s.tree.Nearest(p)
			best := near
			if near.Triangle >= 0 {
				// The nearest point bounds both searches.
				m := s.faceNormal[near.Triangle]
				cost := near.DistanceSq + gap*gap*min(r3.Norm2(r3.Sub(n, m)), r3.Norm2(r3.Add(n, m)))
				for _, side := range [2]r3.Vec{n, r3.Scale(-1, n)} {
					if hit, c := s.nearestOriented(p, side, gap*gap, cost); hit.Triangle >= 0 && c < cost {
						best, cost = hit, c
					}
				}
			}
			x.trusted = best.Triangle >= 0 && best.DistanceSq < sq(reach*s.size) && best.DistanceSq <= 9*near.DistanceSq+sq(0.5*s.edge)
			if best.Triangle < 0 {
				continue
			}
			one := weights.NewRows(1)
			s.addRow(acc, best.Triangle, best.Bary, 1)
			acc.FlushNormalised(one)
			x.joint, x.weight = one.Row(0)
			x.point, x.normal = best.Point, s.normalAt(best.Triangle, best.Bary)
			blend := pose.Blend(x.joint, x.weight)
			x.posed = blend.Apply(x.point)
			x.posedN = r3.Unit(blend.ApplyVector(x.normal))
			x.signed = r3.Dot(x.posedN, r3.Sub(g.position[x.vertex], x.posed))
		}
	})
}

// registeredJoints returns the joints that move a fair share of the samples, and
// that share.
func (s *Source) registeredJoints(samples []sample, scope scope) (limbs []int, shares []float64) {
	skin := s.body.Skin
	moved := make([]int, len(skin.Joints))
	total := 0
	in := make([][]bool, len(skin.Joints))
	for j := range in {
		in[j] = skin.Subtree(j)
	}
	for i := range samples {
		if !samples[i].trusted {
			continue
		}
		total++
		for j := range moved {
			sum := 0.0
			for k, q := range samples[i].joint {
				if in[j][q] {
					sum += samples[i].weight[k]
				}
			}
			if sum > 0.5 {
				moved[j]++
			}
		}
	}
	for j := range moved {
		share := float64(moved[j]) / float64(max(total, 1))
		if share < limbShareMin || share > scope.limbMax || skin.Joints[j].Parent < 0 {
			continue
		}
		if scope.root >= 0 && (j == scope.root || !in[scope.root][j]) {
			continue
		}
		limbs = append(limbs, j)
	}
	// More joints than this leave each with too few samples of its own.
	if len(limbs) > 24 {
		slices.SortStableFunc(limbs, func(a, b int) int { return moved[b] - moved[a] })
		limbs = limbs[:24]
		slices.Sort(limbs)
	}
	for _, j := range limbs {
		shares = append(shares, float64(moved[j])/float64(max(total, 1)))
	}
	return limbs, shares
}

// shareOut sets how much of each registered joint's turn moves each sample, and
// its limb: the registered joint whose subtree holds most of its row, the deepest
// of equals.
func (s *Source) shareOut(samples []sample, limbs []int, in [][]bool) {
	for i := range samples {
		x := &samples[i]
		x.share = make([]float64, len(limbs))
		x.limb = -1
		least := math.Inf(1)
		for k := range limbs {
			size := 0.0
			for q, w := range x.weight {
				if in[k][x.joint[q]] {
					x.share[k] += w
				}
			}
			for _, b := range in[k] {
				if b {
					size++
				}
			}
			if x.share[k] > 0.5 && size < least {
				least, x.limb = size, int32(k)
			}
		}
	}
}

// evenResidual returns each trusted sample's signed distance less the median of
// its limb; NaN for the others.
func evenResidual(samples []sample, limbs int) []float64 {
	by := make([][]float64, limbs+1)
	for i := range samples {
		if samples[i].trusted {
			by[samples[i].limb+1] = append(by[samples[i].limb+1], samples[i].signed)
		}
	}
	centre := make([]float64, limbs+1)
	for k := range by {
		centre[k] = median(by[k])
	}
	r := make([]float64, len(samples))
	for i := range samples {
		r[i] = math.NaN()
		if samples[i].trusted {
			r[i] = samples[i].signed - centre[samples[i].limb+1]
		}
	}
	return r
}

// robustScale is 1.4826 times the median absolute residual over the samples of
// registered limbs (the standard deviation, were they Gaussian).
func robustScale(samples []sample, residual []float64) float64 {
	abs := make([]float64, 0, len(residual))
	for i, x := range residual {
		if !math.IsNaN(x) && samples[i].limb >= 0 {
			abs = append(abs, math.Abs(x))
		}
	}
	return 1.4826 * median(abs)
}

// solveTurns returns the Gauss-Newton step of each registered joint's rotation
// vector, world axes.
func solveTurns(samples []sample, residual []float64, scale float64, limbs []int, turn []r3.Vec, pose skinning.Pose, skin *skinning.Skin) []r3.Vec {
	n := 3 * len(limbs)
	a := mat.NewSymDense(n, nil)
	b := mat.NewVecDense(n, nil)
	row := make([]float64, n)
	sigma := max(scale, 1e-9)
	for i := range samples {
		if math.IsNaN(residual[i]) {
			continue
		}
		x := &samples[i]
		// Geman-McClure weight: outliers lose their say.
		w := 1 / sq(1+sq(residual[i]/(2*sigma)))
		for k, j := range limbs {
			pivot := pose[j].Apply(skin.Joints[j].Global.T)
			d := r3.Scale(x.share[k], r3.Cross(r3.Sub(x.posed, pivot), x.posedN))
			row[3*k], row[3*k+1], row[3*k+2] = d.X, d.Y, d.Z
		}
		for p := 0; p < n; p++ {
			if row[p] == 0 {
				continue
			}
			b.SetVec(p, b.AtVec(p)+w*row[p]*residual[i])
			for q := p; q < n; q++ {
				a.SetSym(p, q, a.At(p, q)+w*row[p]*row[q])
			}
		}
	}
	// The prior: angles are N(0, angleSigma) against residuals of N(0, sigma); the
	// samples of a limb are not independent, so they count as if there were a
	// hundred.
	prior := sq(sigma/angleSigma) * float64(len(samples)) / 100
	for k, j := range limbs {
		t := [3]float64{turn[j].X, turn[j].Y, turn[j].Z}
		// Few joints turn at once: the prior's variance follows the angle found so far
		// (iteratively reweighted, so that one joint takes what several could share).
		own := prior / (r3.Norm(turn[j])/angleSigma + 0.15)
		for q := 0; q < 3; q++ {
			p := 3*k + q
			a.SetSym(p, p, a.At(p, p)+own)
			b.SetVec(p, b.AtVec(p)-own*t[q])
		}
	}
	out := make([]r3.Vec, len(limbs))
	var chol mat.Cholesky
	var d mat.VecDense
	if !chol.Factorize(a) || chol.SolveVecTo(&d, b) != nil {
		return out
	}
	for k := range out {
		out[k] = r3.Vec{X: d.AtVec(3 * k), Y: d.AtVec(3*k + 1), Z: d.AtVec(3*k + 2)}
		// Small steps: the matches move along.
		if l := r3.Norm(out[k]); l > 0.1 {
			out[k] = r3.Scale(0.1/l, out[k])
		}
	}
	return out
}

// flag marks the vertices that the joints found off move.
func (reg *registration) flag(s *Source, t *trusted) {
	if len(reg.joints) == 0 {
		return
	}
	skin := s.skeleton()
	in, open := make([]bool, len(skin.Joints)), make([]bool, len(skin.Joints))
	for i, j := range reg.joints {
		for k, b := range skin.Subtree(j) {
			in[k] = in[k] || b
			open[k] = open[k] || b && !reg.offsets[i].Corrected
		}
	}
	for v := range t.reason {
		joint, weight := t.rows.Row(v)
		sum, left := 0.0, 0.0
		for i, j := range joint {
			if in[j] {
				sum += weight[i]
			}
			if open[j] {
				left += weight[i]
			}
		}
		if sum > 0.5 {
			t.reason[v] |= ReasonPoseDisagrees
			t.evidence[v].pose = 0.3 // what the correction leaves
			if 2*left > sum {
				t.evidence[v].pose = 1
				t.doubt[v] = min(2, t.doubt[v]+doubtWeight.pose)
			}
		}
	}
}

// note is a sentence for the user; empty where nothing was found.
func (reg *registration) note() string {
	if len(reg.offsets) == 0 {
		return ""
	}
	corrected := 0
	for _, o := range reg.offsets {
		if o.Corrected {
			corrected++
		}
	}
	switch corrected {
	case len(reg.offsets):
		return "the garment was modelled on a body that stands or is built otherwise than this one: it was matched limb by limb as if they agreed, and stays where it stands"
	case 0:
		return "the garment seems to be modelled on a body that stands or is built otherwise than this one; nothing was corrected: look at the limbs that the offsets name"
	}
	return "the garment was modelled on a body that stands or is built otherwise than this one: where that is beyond doubt, it was matched limb by limb as if they agreed; look at the limbs that the offsets name and that were not corrected"
}
