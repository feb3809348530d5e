package transfer

// Above: loose cloth that hangs over what is worn beneath must not dive into it. Near a
// surface point y, with its normal n, the vertex x stays outside in a pose of one joint
// where
//
//	n' (x + S_x d(x) - y') >= 0,
//
// d(x) being the way of a point that goes all along with the joint, S_x the vertex's sum
// of the joint (subtrees.go), and y' and n' the point and the normal in that pose. That is
// linear in S_x: each pose bounds it from one side, at the latest at the surface's own
// sum, which keeps x where it was above y. All poses of a joint together leave an
// interval.
//
// A field of sums that keeps to the limit on stretch is one with a bounded slope
// (stretch.go), and the largest such field under the upper ends of the intervals, and the
// least above the lower ends, are McShane's two extensions of them. Clamped between
// the two, a field of bounded slope keeps a bounded slope, and changes only where it
// must. Where the two cross, limit and intervals cannot both be kept: there it goes no
// further than to the nearer one.

import (
	"context"
	"fmt"
	"math"
	"slices"

	"github.com/selvage/selvage/transfer/closest"
	"github.com/selvage/selvage/transfer/forkjoin"
	"github.com/selvage/selvage/transfer/skinning"
	"github.com/selvage/selvage/transfer/weights"
	"gonum.org/v1/gonum/spatial/r3"
)

const (
	// layerStretch is what Options.LooseStretch counts as over layers where it is not set:
	// what cloth keeps to before it is led above them.
	layerStretch = 2.
	// aboveReach is how near a surface below must be to be kept clear of, as a share of
	// the body's size (3 cm on a grown figure): beyond, the nearest point is not what a
	// vertex would dive into.
	aboveReach = 0.014
	// aboveAside is the least share of its distance by which a vertex must lie in front
	// of the nearest point: beside a border there is nothing to dive into.
	aboveAside = 0.5
	// aboveDepth is what a vertex may dive, as a share of the body's size (2 mm on a grown
	// figure).
	aboveDepth = 0.001
	// aboveMove is how far the poses move joints, as a share of the body's size.
	aboveMove = 0.02
)

// aboveAngles are the angles, in degrees, by which the poses turn joints about each of
// their axes.
var aboveAngles = []float64{-90, -45, 45, 90}

// clearance is what hanging cloth keeps from what is below it.
type clearance struct {
	reach float64 // how near the nearest point below must be to be kept clear of, metres
	// aside is the least share of its distance by which a vertex must lie in front of
	// that point.
	aside float64
	depth float64 // how far a vertex may dive, metres; negative: how far it stays above
}

// keepAbove returns rows that keep what hangs from diving into what is worn beneath it, as
// far as the rows of what is not free let it, and a limit on stretch that the user has
// set; rows themselves without layers.
func keepAbove(ctx context.Context, s *Source, g *target, t *trusted, rows *weights.Rows, opt *Options) (*weights.Rows, error) {
	switch {
	case s.worn == nil || t.free == nil:
		return rows, nil
	case opt.limitsStretch || !opt.mayLift(s):
		return keepAboveWithin(ctx, s, g, t, rows, opt)
	}
	return lift(ctx, s, g, t, rows, liftStretch, opt)
}

// noteStretch says how long the edges of cloth over layers become, where nothing limits it.
func noteStretch(ctx context.Context, s *Source, g *target, t *trusted, rows *weights.Rows, opt *Options) error {
	if s.worn == nil || t.free == nil || opt.limitsStretch || !opt.mayLift(s) {
		return nil
	}
	longest, err := longestEdges(ctx, s, g, t, nil, rows, opt)
	if err != nil {
		return err
	}
	if most := slices.Max(append(longest, 0)); most > 0 {
		t.note("cloth that hangs follows what is worn beneath it, for which a quarter turn of one joint makes edges of it up to %.1f times as long: look at it in motion, or limit its stretch", most)
	}
	return nil
}

// keepAboveWithin is keepAbove as far as opt.LooseStretch lets it: by lift, where that keeps
// to the limit; else with clamps up to layerStretch, by which more is not gained.
func keepAboveWithin(ctx context.Context, s *Source, g *target, t *trusted, rows *weights.Rows, opt *Options) (*weights.Rows, error) {
	if opt.mayLift(s) {
		was := t.judged()
		for _, part := range liftParts {
			stretch := 1 + part*(opt.LooseStretch-1)
			out, err := lift(ctx, s, g, t, rows, []float64{min(stretch, liftStretch[0]), stretch}, opt)
			if err != nil {
				return nil, err
			}
			longest, err := longestEdges(ctx, s, g, t, rows, out, opt)
			if err != nil {
				return nil, err
			}
			if slices.Max(append(longest, 0)) <= tornStretch*opt.LooseStretch {
				return out, nil
			}
			t.restore(was)
		}
	}
	clear := clearance{reach: aboveReach * s.size, aside: aboveAside, depth: aboveDepth * s.size}
	every := slices.Repeat([]bool{true}, t.regions)
	if opt.mayLift(s) {
		var err error
		if rows, err = thinFree(ctx, s, g, t, every, rows, opt.MaxInfluences); err != nil {
			return nil, err
		}
		if rows, err = holdInfluences(ctx, s, g, t, rows, opt); err != nil {
			return nil, err
		}
	}
	slack := min(opt.LooseStretch, layerStretch) - 1
	before := rows
	rows, err := clampAbove(ctx, s, g, t, rows, nil, clear, slack, opt.Threads)
	if err != nil {
		return nil, err
	}
	// Following the layers takes more joints: chains are thinned again, and what that
	// changed is clamped once more.
	if rows, err = thinFree(ctx, s, g, t, every, rows, opt.MaxInfluences); err != nil {
		return nil, err
	}
	if rows, err = clampAbove(ctx, s, g, t, rows, nil, clear, slack, opt.Threads); err != nil {
		return nil, err
	}
	if rows, err = fadeOut(ctx, s, t, rows, g.joints(s), opt.MaxInfluences); err != nil {
		return nil, err
	}
	return unlessTorn(ctx, s, g, t, before, rows, opt)
}

// unlessTorn returns rows, and in regions in which those stretch an edge past the limit,
// unlike before, the rows before. Joints that want more than their parent has share it,
// and the limit of influences cuts: either may add to a slope.
func unlessTorn(ctx context.Context, s *Source, g *target, t *trusted, before, rows *weights.Rows, opt *Options) (*weights.Rows, error) {
	longest, err := longestEdges(ctx, s, g, t, before, rows, opt)
	if err != nil {
		return nil, err
	}
	torn := func(r int32) bool { return longest[r] > tornStretch*opt.LooseStretch }
	out, back := weights.NewRows(rows.Len()), false
	for v, r := range t.region {
		if r >= 0 && t.free[v] && torn(r) {
			back = true
			out.Append(before.Row(v))
		} else {
			out.Append(rows.Row(v))
		}
	}
	if back {
		t.note("the limit of %g on its stretch keeps cloth that hangs from following what is worn beneath it: look for places where it dives", opt.LooseStretch)
	}
	return out, ctx.Err()
}

// clampAbove moves the sums of the free vertices into the intervals that keep them above
// what lies below, as far as edges need not grow by more than slack of their length. Rows
// may take in further joints.
func clampAbove(ctx context.Context, s *Source, g *target, t *trusted, rows *weights.Rows, further []int, clear clearance, slack float64, threads int) (*weights.Rows, error) {
	x, err := newSubtrees(ctx, s, g, t.free, rows, further)
	if err != nil || x == nil {
		return rows, err
	}
	lo, hi, err := x.intervals(ctx, s, clear, threads)
	if err != nil {
		return nil, err
	}
	if err := x.change(ctx, threads, func(j int) { x.clamp(ctx, j, lo[j], hi[j], slack) }); err != nil {
		return nil, err
	}
	return x.rows(ctx, t, rows, g.joints(s))
}

// intervals returns, by used joint and member, the sums that keep the member above what
// lies next below it; -Inf and +Inf where nothing binds it. What the poses of an unused
// joint ask for, the one used joint that carries all of its sum answers for.
// O(n (log m + d p)) for n members, m triangles of the source, d joints above those
// of a row and p poses.
func (x *subtrees) intervals(ctx context.Context, s *Source, clear clearance, threads int) (lo, hi [][]float64, err error) {
	joints := s.body.Skin.Joints
	carrier := x.carriers(joints)
	ways := make([][]skinning.Affine, len(joints))
	lo, hi = make([][]float64, len(joints)), make([][]float64, len(joints))
	for j := range joints {
		if carrier[j] >= 0 {
			ways[j] = posesOf(&joints[j], s.size)
		}
		if !x.used[j] {
			continue
		}
		lo[j], hi[j] = make([]float64, len(x.members)), make([]float64, len(x.members))
		for i := range hi[j] {
			lo[j][i], hi[j][i] = math.Inf(-1), math.Inf(1)
		}
	}
	err = parallel(ctx, len(x.members), threads, func(first, last int) {
		below := newFoothold(s, clear)
		for i := first; i < last; i++ {
			v := x.members[i]
			if !x.free[v] || !below.stand(x.g.position[v]) {
				continue
			}
			for _, j := range below.joints {
				by := carrier[j]
				if by < 0 || below.rigid(j) && below.sum(j) == x.sum[by][i] {
					continue
				}
				l, h := below.interval(j, ways[j])
				lo[by][i], hi[by][i] = max(lo[by][i], l), min(hi[by][i], h)
			}
			// Joints that move the vertex and not what is below it.
			for j := range joints {
				if x.used[j] && x.sum[j][i] > 0 && !below.moves(j) {
					l, h := below.interval(j, ways[j])
					lo[j][i], hi[j][i] = max(lo[j][i], l), min(hi[j][i], h)
				}
			}
		}
	})
	if err != nil {
		return nil, nil, fmt.Errorf("garment %q: loose cloth: %w", x.g.garment.Name, err)
	}
	// A joint needs what those below it need.
	for k := len(x.levels) - 1; k >= 0; k-- {
		for _, j := range x.levels[k] {
			if len(x.children[j]) == 0 {
				continue
			}
			for i := range x.members {
				need := 0.0
				for _, c := range x.children[j] {
					need += max(0, lo[c][i])
				}
				if need > 0 {
					lo[j][i] = max(lo[j][i], min(1, need))
				}
			}
		}
	}
	return lo, hi, ctx.Err()
}

// carriers returns for each joint the used joint that alone carries its sum: itself, or
// the first used one below where there is but one way down; -1 where there is none or
// more than one.
func (x *subtrees) carriers(joints []skinning.Joint) []int {
	const none, several = -1, -2
	carrier := make([]int, len(joints))
	for j := range carrier {
		carrier[j] = none
	}
	byDepth(joints, func(j int) {
		if x.used[j] {
			carrier[j] = j
		}
		if p := joints[j].Parent; p >= 0 && carrier[j] != none {
			if carrier[p] == none {
				carrier[p] = carrier[j]
			} else {
				carrier[p] = several
			}
		}
	})
	for j := range carrier {
		carrier[j] = max(carrier[j], none)
	}
	return carrier
}

// posesOf returns, for each pose of a joint, the map from a point to the way that it goes
// when it moves along with the joint.
func posesOf(j *skinning.Joint, size float64) []skinning.Affine {
	return posesAbout(j.Global.M, j.Global.T, aboveAngles, []float64{-aboveMove * size, aboveMove * size})
}

// posesAbout are the ways of points that turn by the angles, in degrees, about the columns
// of axes through origin, or move by the lengths along them.
func posesAbout(axes [9]float64, origin r3.Vec, angles, lengths []float64) []skinning.Affine {
	var out []skinning.Affine
	for k := range 3 {
		axis := r3.Vec{X: axes[k], Y: axes[3+k], Z: axes[6+k]}
		length := r3.Norm(axis)
		if !(length > 0) || math.IsInf(length, 1) {
			continue
		}
		axis = r3.Scale(1/length, axis)
		for _, angle := range angles {
			turn := r3.NewRotation(angle*math.Pi/180, axis)
			var way skinning.Affine
			for c, e := range []r3.Vec{{X: 1}, {Y: 1}, {Z: 1}} {
				d := r3.Sub(turn.Rotate(e), e)
				way.M[c], way.M[3+c], way.M[6+c] = d.X, d.Y, d.Z
			}
			way.T = r3.Scale(-1, way.ApplyVector(origin))
			out = append(out, way)
		}
		for _, d := range lengths {
			out = append(out, skinning.Affine{T: r3.Scale(d, axis)})
		}
	}
	return out
}

// foothold is the nearest point of a source below a vertex, with the sums of its
// triangle's corners. It belongs to one goroutine.
type foothold struct {
	s      *Source
	clear  clearance
	at     r3.Vec // the vertex
	height float64
	hit    closest.Hit
	side   float64 // +1 where the corners wind about the outward normal
	corner [3]r3.Vec
	sums   [][3]float64 // by joint, of the corners
	joints []int        // that move any of them
}

func newFoothold(s *Source, clear clearance) *foothold {
	return &foothold{s: s, clear: clear, sums: make([][3]float64, len(s.body.Skin.Joints))}
}

// stand moves to the point below x; false where x lies over nothing.
func (f *foothold) stand(x r3.Vec) bool {
	s := f.s
	f.hit = s.tree.NearestWithin(x, sq(f.clear.reach))
	if f.hit.Triangle < 0 {
		return false
	}
	normal := s.normalAt(f.hit.Triangle, f.hit.Bary)
	f.at, f.height = x, r3.Dot(normal, r3.Sub(x, f.hit.Point))
	if !(f.height > 0) || f.height < f.clear.aside*math.Sqrt(f.hit.DistanceSq) {
		return false
	}
	for _, j := range f.joints {
		f.sums[j] = [3]float64{}
	}
	f.joints = f.joints[:0]
	joints := s.body.Skin.Joints
	for k, c := range s.triangle[f.hit.Triangle] {
		f.corner[k] = s.body.Mesh.Positions[c]
		joint, weight := s.body.Rows.Row(int(c))
		for i, j := range joint {
			if weight[i] == 0 {
				continue
			}
			for a, steps := int(j), 0; a >= 0 && steps <= len(joints); a, steps = joints[a].Parent, steps+1 {
				if f.sums[a] == [3]float64{} {
					f.joints = append(f.joints, a)
				}
				f.sums[a][k] += weight[i]
			}
		}
	}
	f.side = 1
	if r3.Dot(f.across(f.corner), normal) < 0 {
		f.side = -1
	}
	return true
}

func (f *foothold) across(c [3]r3.Vec) r3.Vec {
	return r3.Cross(r3.Sub(c[1], c[0]), r3.Sub(c[2], c[0]))
}

// moves reports whether joint j moves the point.
func (f *foothold) moves(j int) bool { return f.sums[j] != [3]float64{} }

// rigid reports whether joint j moves the whole triangle alike.
func (f *foothold) rigid(j int) bool {
	return f.sums[j][0] == f.sums[j][1] && f.sums[j][0] == f.sums[j][2]
}

// sum is the point's sum of joint j.
func (f *foothold) sum(j int) float64 {
	b, s := f.hit.Bary, f.sums[j]
	return b[0]*s[0] + b[1]*s[1] + b[2]*s[2]
}

// interval returns the sums of joint j that keep the vertex above the point in the poses
// with the given ways.
func (f *foothold) interval(j int, ways []skinning.Affine) (lo, hi float64) {
	lo, hi = math.Inf(-1), math.Inf(1)
	own := f.sum(j)
	for k := range ways {
		way := &ways[k]
		var corner [3]r3.Vec
		var point r3.Vec
		for c, p := range f.corner {
			corner[c] = r3.Add(p, r3.Scale(f.sums[j][c], way.Apply(p)))
			point = r3.Add(point, r3.Scale(f.hit.Bary[c], corner[c]))
		}
		normal := r3.Scale(f.side, f.across(corner))
		length := r3.Norm(normal)
		if !(length > 0) {
			continue
		}
		normal = r3.Scale(1/length, normal)
		// The height is start + S rise. With the point's own sum it is never too low.
		start, rise := r3.Dot(normal, r3.Sub(f.at, point)), r3.Dot(normal, way.Apply(f.at))
		bound := (min(-f.clear.depth, start+own*rise) - start) / rise
		switch {
		case rise > 1e-12:
			lo = max(lo, bound)
		case rise < -1e-12:
			hi = min(hi, bound)
		}
	}
	return lo, hi
}

// clamp moves the sum of joint j between the extensions of its intervals' ends, and what
// is free then within reach of what stands.
func (x *subtrees) clamp(ctx context.Context, j int, lo, hi []float64, slack float64) {
	sum, cost := x.sum[j], x.slope(j, slack)
	least, most := make([]float64, len(sum)), make([]float64, len(sum))
	within := func() {
		var one forkjoin.Group
		one.Go(func() { x.spread(ctx, cost, most, nil) })
		x.spread(ctx, cost, least, nil)
		one.Wait()
		for i, v := range x.members {
			if x.free[v] {
				l, h := -least[i], most[i]
				sum[i] = max(min(l, h), min(sum[i], max(l, h)))
			}
		}
	}
	bound := false
	for i := range sum {
		least[i], most[i] = -lo[i], hi[i]
		bound = bound || sum[i] < lo[i] || sum[i] > hi[i]
	}
	if !bound {
		return
	}
	within()
	for i, v := range x.members {
		least[i], most[i] = math.Inf(1), math.Inf(1)
		if !x.free[v] {
			least[i], most[i] = -sum[i], sum[i]
		}
	}
	within()
	for i := range sum {
		sum[i] = max(0, sum[i])
	}
}

// fadeOut limits the rows of free vertices to most influences by degrees: each joint
// loses weight as its own comes near the largest that must go, to the nearest joint
// above it that keeps some. So neighbours do not lose different joints at once.
func fadeOut(ctx context.Context, s *Source, t *trusted, rows *weights.Rows, joints, most int) (*weights.Rows, error) {
	parent := s.body.Skin.Joints
	acc, out := weights.NewAccumulator(joints), weights.NewRows(rows.Len())
	keep := make([]float64, len(parent))
	var largest []float64
	for v := range rows.Len() {
		if ended(ctx, v) {
			return nil, ctx.Err()
		}
		joint, weight := rows.Row(v)
		if !t.free[v] || len(joint) <= most {
			out.Append(joint, weight)
			continue
		}
		largest = append(largest[:0], weight...)
		for k := range most + 1 {
			for i := k + 1; i < len(largest); i++ {
				if largest[i] > largest[k] {
					largest[i], largest[k] = largest[k], largest[i]
				}
			}
		}
		for i, j := range joint {
			keep[j] = max(0, 1-largest[most]/weight[i])
		}
		for i, j := range joint {
			rest := weight[i]
			for a, steps := int(j), 0; a >= 0 && rest > 0 && steps <= len(parent); a, steps = parent[a].Parent, steps+1 {
				if part := keep[a] * rest; part > 0 {
					acc.Add(uint16(a), part)
					rest -= part
				}
			}
		}
		for _, j := range joint {
			keep[j] = 0
		}
		if acc.Empty() {
			out.Append(joint, weight) // all alike
			continue
		}
		acc.FlushNormalised(out)
	}
	return out, nil
}
