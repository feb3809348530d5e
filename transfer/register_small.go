package transfer

// Default poses of small garments: a pair of gloves, boots, a hat. On a whole figure
// hands and fingers are no limbs, and what is found is measured by the figure's size.
// Each part of such a garment (the left glove, the right one) is therefore registered
// against the piece of the body on which it lies, as if that were the whole.

import (
	"cmp"
	"context"
	"math"
	"slices"

	"github.com/selvage/selvage/transfer/mesh"
	"github.com/selvage/selvage/transfer/skinning"
	"github.com/selvage/selvage/transfer/weights"
	"gonum.org/v1/gonum/spatial/r3"
)

const (
	// smallSamples, about, tell on which joints a garment lies, and as many register each part.
	smallSamples = 1000
	// smallShare is the largest share of the body's surface that the joint of a small
	// part holds: an arm has 0.11 on the demo bodies, a leg below the knee 0.10, a leg 0.18.
	smallShare = 0.15
	// smallHeld is the share of its weight that the joint of a part of a garment holds;
	// the rest may be seams, and what has strayed to something near.
	smallHeld = 0.95
	// smallBeyond is how far, as a share of the part's diagonal, the piece of the body goes on
	// beyond it.
	smallBeyond = 0.05
	// smallMain is the share of the piece's surface up to which a limb is looked for: a hand
	// is more of a hand with its forearm than an arm is of a figure.
	smallMain = 0.8
	// smallGate is the share to which the residual falls where turns alone leave no doubt,
	// whatever their angles: a foot turned by 20 degrees leaves 0.05, where 0.5 is asked of
	// an arm turned by up to 15.
	smallGate = 0.2
	// smallAngle is the smallest turn of a piece's limbs worth a word: a glove worn 2 mm to the
	// side looks like fingers turned by 2.5 degrees.
	smallAngle = 4 * math.Pi / 180
	// smallShift is the least shift of them worth a word, of the piece's size: 5 mm on a hand
	// with its forearm, as on a figure (reportShift).
	smallShift = 0.009
	// smallEven is the unevenness below which nothing is looked for beyond what is found: gloves
	// that fit have 0.05.
	smallEven = 0.06
	// smallSure is the unevenness above which nothing but turns is beyond doubt: a shaft that
	// flares never gets even (0.2), and pulls at sizes and shifts.
	smallSure = 0.1
	// smallFar is how far, as a share of the piece's size, the body is looked for where only
	// a size is in question: cloth that is too large lies farther off than a limb of a figure
	// may (5 cm on a hand's piece).
	smallFar = 2 * registerFar
	// smallRough is how many times residualFloor the residual must be for a size to be in
	// question: boots and hats that fit have 1.1 to 1.8 times it, made 8% larger or smaller 2.6 to 7.
	smallRough = 2
	// sizedFall and sizedEvener are the shares to which residual and unevenness must fall for
	// a size to be said (0.3 to 0.6 and 0.6 to 0.9 for such boots; 0.9 and more where they fit).
	sizedFall, sizedEvener = 0.65, 0.9
)

// scope says which joints a garment is registered by.
type scope struct {
	// root is the joint that holds all of the garment, below which the others are; -1
	// for a garment of the whole body.
	root int
	// limbMax is the largest share of the samples that a limb has.
	limbMax float64
	// wideMax is the largest share of the surface that a limb has that is looked for far
	// from the body's pose.
	wideMax float64
}

// wholeBody is the scope of a garment of the whole body.
var wholeBody = scope{-1, limbShareMax, wideShareMax}

// smallPart is a part of a garment that covers a small part of the body.
type smallPart struct {
	joint    int
	vertices []int32 // welded
}

// smallParts divides a garment that covers only small parts of the body, each by the lowest
// joint that holds it; nil for others. Islands of which one's joint is above the other's
// belong together. O(samples * joints^2 + vertices).
func (s *Source) smallParts(ctx context.Context, g *target, threads int) ([]smallPart, error) {
	skin := s.body.Skin
	in := make([][]bool, len(skin.Joints))
	for j := range in {
		in[j] = skin.Subtree(j)
	}
	// Weight of each island by joint, by the nearest point.
	step := max(1, len(g.position)/smallSamples)
	samples := (len(g.position) + step - 1) / step
	blocks := make([]*weights.Rows, blocksOf(samples))
	err := parallel(ctx, samples, threads, func(lo, hi int) {
		acc, rows := weights.NewAccumulator(len(skin.Joints)), weights.NewRows(hi-lo)
		for k := lo; k < hi; k++ {
			if hit := s.tree.Nearest(g.position[k*step]); hit.Triangle >= 0 {
				s.addRow(acc, hit.Triangle, hit.Bary, 1)
			}
			acc.Flush(rows)
		}
		blocks[lo/blockSize] = rows
	})
	if err != nil {
		return nil, err
	}
	rows, err := weights.ConcatContext(ctx, blocks...)
	if err != nil {
		return nil, err
	}
	islands := map[int32][]float64{}
	for k := range samples {
		joint, weight := rows.Row(k)
		if len(joint) == 0 {
			continue
		}
		i := g.islands.Island[k*step]
		if islands[i] == nil {
			islands[i] = make([]float64, len(skin.Joints))
		}
		for q, j := range joint {
			islands[i][j] += weight[q]
		}
	}
	order := make([]int32, 0, len(islands))
	for i := range islands {
		order = append(order, i)
	}
	slices.Sort(order)
	anchor := map[int32]int{}
	anchors := make([]bool, len(skin.Joints))
	for _, i := range order {
		j := holder(islands[i], in)
		if j < 0 {
			return nil, nil
		}
		anchor[i], anchors[j] = j, true
	}
	top := func(j int) int {
		last := j
		for k, steps := j, 0; k >= 0 && steps <= len(skin.Joints); k, steps = skin.Joints[k].Parent, steps+1 {
			if anchors[k] {
				last = k
			}
		}
		return last
	}
	part := map[int]*smallPart{}
	for _, i := range order {
		if j := top(anchor[i]); part[j] == nil {
			if s.surfaceHeld(in[j]) > smallShare {
				return nil, nil
			}
			part[j] = &smallPart{joint: j}
		}
	}
	for v, i := range g.islands.Island {
		if j, ok := anchor[i]; ok && g.normal[v] != (r3.Vec{}) {
			p := part[top(j)]
			p.vertices = append(p.vertices, int32(v))
		}
	}
	var out []smallPart
	for _, p := range part {
		out = append(out, *p)
	}
	slices.SortFunc(out, func(a, b smallPart) int { return cmp.Compare(a.joint, b.joint) })
	return out, nil
}

// holder is the lowest joint that holds smallHeld of weight by joint; -1 for none.
func holder(weight []float64, in [][]bool) int {
	total := 0.0
	for _, w := range weight {
		total += w
	}
	best, least := -1, 0
	for j := range in {
		held, below := 0.0, 0
		for k, b := range in[j] {
			if b {
				held, below = held+weight[k], below+1
			}
		}
		// Of a chain that all hold the same the lowest; below none that does not.
		if held >= smallHeld*total && total > 0 && (best < 0 || below < least) {
			best, least = j, below
		}
	}
	return best
}

// surfaceHeld is the share of the surface that joints hold most of.
func (s *Source) surfaceHeld(in []bool) float64 {
	w := &wide{s: s}
	held, total := 0.0, 0.0
	p := s.body.Mesh.Positions
	for t := 0; t < len(s.triangle); t += w.step() {
		tri := s.triangle[t]
		area := r3.Norm(r3.Cross(r3.Sub(p[tri[1]], p[tri[0]]), r3.Sub(p[tri[2]], p[tri[0]])))
		total += area
		if w.holds(in, int32(t)) {
			held += area
		}
	}
	return held / max(total, 1e-300)
}

// pieceFor is the body cut to what the joint of a part holds and, of the one above, what lies
// beside the part; nil for a part of a few vertices or without a body.
func (s *Source) pieceFor(ctx context.Context, g *target, part *smallPart, threads int) (*Source, error) {
	skin := s.body.Skin
	in, around := skin.Subtree(part.joint), []bool(nil)
	if p := skin.Joints[part.joint].Parent; p >= 0 {
		around = skin.Subtree(p)
	}
	if len(part.vertices) < registerLeast {
		return nil, nil
	}
	points := make([]r3.Vec, len(part.vertices))
	for i, v := range part.vertices {
		points[i] = g.position[v]
	}
	box := mesh.Bounds(points)
	margin := smallBeyond * r3.Norm(r3.Sub(box.Max, box.Min))
	w := &wide{s: s}
	m, rows := &mesh.Mesh{}, weights.NewRows(0)
	at := make([]int32, len(s.body.Mesh.Positions))
	for t, tri := range s.triangle {
		if ended(ctx, t) {
			return nil, ctx.Err()
		}
		if !w.holds(in, int32(t)) && !(around != nil && w.holds(around, int32(t)) &&
			distanceToBox(s.body.Mesh.Positions[tri[0]], [2]r3.Vec{box.Min, box.Max}) <= margin) {
			continue
		}
		for k, v := range tri {
			if at[v] == 0 {
				m.Positions = append(m.Positions, s.body.Mesh.Positions[v])
				rows.Append(s.body.Rows.Row(int(v)))
				at[v] = int32(len(m.Positions))
			}
			tri[k] = at[v] - 1
		}
		m.Triangles = append(m.Triangles, tri)
	}
	if len(m.Triangles) == 0 {
		return nil, nil
	}
	return Prepare(ctx, &Body{Name: s.body.Name, Mesh: m, Rows: rows, Skin: skin}, threads)
}

// registerSmall registers the parts of a small garment one by one. settled is false where
// some part is neither explained nor fits.
func registerSmall(ctx context.Context, s *Source, g *target, opt *Options, parts []smallPart) (all *registration, settled bool, err error) {
	all, settled = &registration{}, true
	for i := range parts {
		piece, err := s.pieceFor(ctx, g, &parts[i], opt.Threads)
		if err != nil {
			return nil, false, err
		}
		if piece == nil { // too little to tell
			settled = false
			continue
		}
		reg, fits, err := registerPart(ctx, piece, g, opt, &parts[i])
		if err != nil {
			return nil, false, err
		}
		settled = settled && (fits || reg.sure)
		all.join(reg, s.body.Skin)
	}
	return all, settled, nil
}

// registerPart registers one part on its piece of the body. fits is whether there is nothing
// to explain, or next to nothing.
func registerPart(ctx context.Context, piece *Source, g *target, opt *Options, part *smallPart) (reg *registration, fits bool, err error) {
	in := scope{root: part.joint, limbMax: 1, wideMax: wideShareMax}
	reg, open, err := registerTurns(ctx, piece, g, opt, part.vertices, in)
	if err != nil {
		return nil, false, err
	}
	if len(open) == 0 {
		return reg, len(reg.offsets) == 0, nil
	}
	// A hand or a foot is more of such a piece than a limb is of a figure: the hand first,
	// then its fingers.
	var most *registration
	for _, in.wideMax = range []float64{smallMain, wideShareMax} {
		far, err := registerWide(ctx, piece, g, opt, open, in)
		if err != nil {
			return nil, false, err
		}
		if far != nil && (most == nil || far.uneven < most.uneven-evenEnough && (far.sure || !most.sure)) {
			most = far
		}
		if most != nil && most.sure && most.uneven < smallEven {
			break
		}
	}
	if most != nil && (most.better(reg) || most.sure && most.uneven < reg.uneven-evenEnough) {
		reg = most
	}
	if !reg.sure {
		in.wideMax = smallMain
		sized, err := registerSized(ctx, piece, g, opt, open, in)
		if err != nil {
			return nil, false, err
		}
		if sized != nil && (len(reg.offsets) == 0 || sized.uneven < reg.uneven) {
			reg = sized
		}
	}
	return reg, len(reg.offsets) == 0 && reg.uneven < smallSure, nil
}

// registerSized looks for the size of a part by its largest limb, from larger and smaller ones, where
// ease and flare hide it from the unevenness of all: what is found is said and no more. A part
// that covers no limb (a hat) is cloth with ease all around, of which size and ease are one; it
// may be shifted. nil where nothing is found. O(samples * iterations).
func registerSized(ctx context.Context, piece *Source, g *target, opt *Options, all []int32, in scope) (*registration, error) {
	w, err := newWide(ctx, piece, g, opt, all, in)
	if err != nil {
		return nil, err
	}
	joint := w.root
	if most := w.largest(); most != nil {
		joint = most.joint
	}
	w.keepTurn, w.keepSize, w.farther = true, joint == w.root, true
	w.limbs = []int{joint}
	rough := func() float64 {
		return robustScale(w.samples, evenResidual(w.samples, w.ofAll()))
	}
	if err := piece.matchSamples(ctx, g, w.samples, w.pose(), smallFar, opt.Threads); err != nil {
		return nil, err
	}
	before, unevenBefore := rough(), w.unevenness()
	if before < smallRough*residualFloor*piece.size {
		return nil, nil
	}
	var middle r3.Vec
	for _, v := range all {
		middle = r3.Add(middle, r3.Scale(1/float64(len(all)), g.position[v]))
	}
	same := slices.Clone(w.local)
	after, best, uneven := sizedFall*before, skinning.Identity(), 1.0
	for _, f := range []float64{1, 0.9, 1.1} {
		w.local = slices.Clone(same)
		w.local[joint] = w.about(joint, skinning.Affine{M: [9]float64{f, 0, 0, 0, f, 0, 0, 0, f}, T: r3.Scale(1-f, middle)})
		if err := w.refine(ctx); err != nil {
			return nil, err
		}
		x, u := rough(), w.unevenness()
		if x < after && u < sizedEvener*unevenBefore && w.fitting() >= fittingShare && w.plausible(joint, &w.local[joint]) {
			after, best, uneven = x, w.local[joint], u
		}
	}
	if best == skinning.Identity() {
		return nil, nil
	}
	w.local = same
	w.local[joint] = best
	o := w.offset(joint)
	if o.Shift < smallShift*piece.size && math.Abs(math.Log(o.Scale)) < 2*reportScale {
		return nil, nil
	}
	return &registration{offsets: []PoseOffset{o}, joints: []int{joint}, uneven: uneven}, nil
}

// join adds what was found of a part.
func (reg *registration) join(part *registration, skin *skinning.Skin) {
	for k, o := range part.offsets {
		o.Corrected = part.sure
		reg.offsets, reg.joints = append(reg.offsets, o), append(reg.joints, part.joints[k])
	}
	if !part.sure {
		return
	}
	if reg.sure = true; reg.pose == nil {
		reg.pose = make(skinning.Pose, len(skin.Joints))
		for j := range reg.pose {
			reg.pose[j] = skinning.Identity()
		}
	}
	for j := range part.pose { // the parts hang from joints none of which is below another
		if part.pose[j] != skinning.Identity() {
			reg.pose[j] = part.pose[j]
		}
	}
}
