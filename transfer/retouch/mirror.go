package retouch

import (
	"cmp"
	"context"
	"maps"
	"math"
	"slices"

	"github.com/selvage/selvage/transfer/closest"
	"github.com/selvage/selvage/transfer/forkjoin"
	"github.com/selvage/selvage/transfer/mesh"
	"github.com/selvage/selvage/transfer/weights"
	"gonum.org/v1/gonum/spatial/r3"
)

// MirrorOptions of Mirror and MirrorOnto. The zero value mirrors left to right.
type MirrorOptions struct {
	// FromRight takes the right side's rows; else the left's.
	FromRight bool
	// Axis that the mirror turns round: 0 x, 1 y, 2 z of the world.
	Axis int
	// Pairs of joint names, which go before those that are found.
	Pairs [][2]string
	// Tolerance is the distance of a pair's mirrored origins from which on it is
	// doubtful, metres. Zero: a hundredth of the box around the joints.
	Tolerance float64
	// Plane is where the mirror stands on its axis, metres. Nil: where pairs of joints
	// and the surface say.
	Plane *float64
	// AllowDoubtful goes on where most pairs are doubtful, or most vertices have no
	// surface near their mirrored place; else that is a *DoubtError. Vertices without such
	// a surface then take the nearest there is; else they keep their rows.
	AllowDoubtful bool
}

func (o *MirrorOptions) validate() error {
	if o.Axis < 0 || o.Axis > 2 {
		return bad("axis", "%d is none of 0, 1 and 2", o.Axis)
	}
	if !(o.Tolerance >= 0) || !finite(o.Tolerance) {
		return bad("tolerance", "%g is no distance", o.Tolerance)
	}
	if o.Plane != nil && !finite(*o.Plane) {
		return bad("plane", "%g is no position", *o.Plane)
	}
	return nil
}

// MirrorReport says what Mirror did.
type MirrorReport struct {
	// Plane is where the mirror stands on its axis, metres.
	Axis  string  `json:"axis"`
	Plane float64 `json:"plane"`
	From  string  `json:"from"` // "left" or "right"; "all" onto another asset
	// InBindPose says that this is not the default pose: plane, pairs and distances are
	// those of the bind pose.
	InBindPose bool `json:"inBindPose,omitempty"`
	// Copied vertices got the other side's row, Middle ones, on the plane, the mean of
	// their row and its mirror.
	Copied int `json:"copied"`
	Middle int `json:"middle"`
	// Farthest is the largest distance between a mirrored vertex and the surface that it
	// took its row from, and Mean their mean, metres: zero on a symmetric mesh.
	Farthest float64 `json:"farthest"`
	Mean     float64 `json:"mean"`
	// Far vertices lie farther than twice the pairs' tolerance from it. Those that have a
	// row keep it, but with AllowDoubtful.
	Far int `json:"far"`
	// Left are the patches of those that kept theirs, largest first.
	Left []LeftOver `json:"left,omitempty"`
	// Pairs of joints, and how many of them are doubtful.
	Pairs    []Pair `json:"pairs"`
	Doubtful int    `json:"doubtful"`
}

// LeftOver is a patch of vertices without a counterpart on the other side.
type LeftOver struct {
	Vertices int `json:"vertices"`
	// At is their middle, metres, and Joint the joint that stands nearest to it.
	At    [3]float64 `json:"at"`
	Joint string     `json:"joint"`
	// Distance from the surface at their mirrored places, metres, at most.
	Distance float64 `json:"distance"`
}

var axisName = [3]string{"x", "y", "z"}

// onPlane is the distance from the plane, over the diagonal of the mesh, up to which a
// vertex is on it: what float32 leaves of a seam that was drawn there.
const onPlane = 1e-5

// Rows that depend on one another, through triangles across the plane, are put in anew
// until none moves by more than settled in L1, which is less than a float32 shows, or
// crossingSteps times: each time what is left of the old rows is multiplied by their
// barycentric coordinates.
const (
	crossingSteps = 300
	settled       = 1e-9
)

// Mirror carries the rows of one side over to the other: each vertex takes the row of
// the point of the first side's surface that is nearest to its mirrored place, and, of
// places about as near, the one that faces the mirrored way (settle.go looks again where
// neighbours disagree); between vertices rows are interpolated by barycentric
// coordinates. Joints become their counterparts. A vertex on the plane gets the mean of
// its row and its mirrored row (balance.go: pairs go together when influences are
// limited). A vertex that is farther than 2*Tolerance from that surface keeps its row. The
// first side stays as it is. What was mirrored is so to itself: again changes nothing. On a mesh that is
// symmetric vertex by vertex the rows are the other side's exactly.
//
// Where the default pose is not the one that the skin was bound in, places are those of
// the latter (bindpose.go). The plane goes through the middle of the joint pairs that
// names make, if these agree on it; else it is the one that maps most of the surface onto
// itself (plane.go). Errors: *transfer.OptionError; *DoubtError; ctx's. O(n log n).
func Mirror(ctx context.Context, s *Surface, mask []bool, opt MirrorOptions, form Form) (*Result, *MirrorReport, error) {
	if err := opt.validate(); err != nil {
		return nil, nil, err
	}
	s, _, posed := mirrorPose(s, s, opt.Axis)
	g, err := join(ctx, s, form)
	if err != nil {
		return nil, nil, err
	}
	in, err := g.mask(mask)
	if err != nil {
		return nil, nil, err
	}
	m, other, report, err := opt.evidence(ctx, g, g)
	if err != nil {
		return nil, nil, err
	}
	report.From, report.InBindPose = "left", posed
	_, leftPositive := findPlane(s.Skin, opt.Axis, 0)
	sign := 1.0 // of the side that gives
	if opt.FromRight {
		report.From = "right"
	}
	if leftPositive == opt.FromRight {
		sign = -1
	}

	// The vertices: givers keep their rows, takers get new ones, and those on the plane
	// are put right first, because both sides' triangles may have them as corners.
	flat := onPlane * g.mesh.Diagonal()
	where := func(w int) float64 { return sign * m.side(g.mesh.Positions[w]) }
	rows := make([]row, len(in))
	touched := make([]bool, len(in))
	acc := weights.NewAccumulator(len(s.Skin.Joints))
	var takers []int
	for w := range in {
		joint, weight := g.rows.Row(w)
		rows[w] = row{joint, weight}
		switch x := where(w); {
		case !in[w]:
		case x < -flat:
			takers = append(takers, w)
		case x <= flat && len(joint) > 0:
			rows[w] = rows[w].middle(acc, other, s.Skin, g.form.MaxInfluences)
			touched[w] = true
			report.Middle += len(g.member[w])
		}
	}
	source := &mirrorSource{g: g}
	if source.tree, err = closest.NewTreeAmong(ctx, g.mesh.Positions, g.mesh.Triangles, func(t [3]int32) bool {
		most, usable := 0.0, true
		for _, v := range t {
			most = max(most, where(int(v)))
			usable = usable && g.usable(int(v))
		}
		return usable && (most > flat || most >= 0 && -flat <= min(where(int(t[0])), where(int(t[1])), where(int(t[2]))))
	}, g.form.Threads); err != nil {
		return nil, nil, err
	}
	hits, err := source.find(ctx, g, takers, m)
	if err != nil {
		return nil, nil, err
	}
	taker := make([]bool, len(in))
	for _, w := range takers {
		taker[w] = true
	}
	if err := source.settle(ctx, g, takers, hits, m, other,
		func(w int) (row, bool) { return rows[w], !taker[w] && in[w] && len(rows[w].joint) > 0 },
		func(c int32) bool { return !taker[c] }, len(s.Skin.Joints)); err != nil {
		return nil, nil, err
	}
	left, err := report.measure(g, takers, hits, opt)
	if err != nil {
		return nil, nil, err
	}
	for i, w := range takers {
		taker[w] = !left[i]
	}

	// A hit on a triangle across the plane takes a part of its row from a taker: these
	// are put in again and again, all from the rows of the step before.
	var crossing []int
	for i, w := range takers {
		if left[i] {
			continue
		}
		touched[w] = true
		across := false
		for k, c := range hits[i].corner {
			across = across || hits[i].bary[k] > 0 && taker[c]
		}
		if across {
			rows[w] = rows[w].middle(acc, other, s.Skin, math.MaxInt)
			crossing = append(crossing, i)
			continue
		}
		rows[w] = hits[i].row(acc, rows, other)
	}
	for range crossingSteps {
		fresh, moved := make([]row, len(crossing)), 0.0
		for k, i := range crossing {
			fresh[k] = hits[i].crossing(acc, takers[i], rows, other)
			moved = max(moved, distanceL1(fresh[k], rows[takers[i]]))
		}
		for k, i := range crossing {
			rows[takers[i]] = fresh[k]
		}
		if ctx.Err() != nil {
			return nil, nil, ctx.Err()
		}
		if moved <= settled {
			break
		}
	}
	next := weights.NewRows(len(rows))
	for _, r := range rows {
		next.Append(r.joint, r.weight)
	}
	r, err := g.finish(ctx, next, touched)
	return r, report, err
}

// MirrorOnto gives target the rows of source, mirrored: two bodies, or a left and a
// right hand in files of their own. Every row of target is replaced that lies in mask
// (nil: all). The plane goes through the middle between the joints of the one and
// their counterparts by name of the other. See Mirror.
func MirrorOnto(ctx context.Context, source, target *Surface, mask []bool, opt MirrorOptions, form Form) (*Result, *MirrorReport, error) {
	if err := opt.validate(); err != nil {
		return nil, nil, err
	}
	source, target, posed := mirrorPose(source, target, opt.Axis)
	from, err := join(ctx, source, form)
	if err != nil {
		return nil, nil, err
	}
	g, err := join(ctx, target, form)
	if err != nil {
		return nil, nil, err
	}
	in, err := g.mask(mask)
	if err != nil {
		return nil, nil, err
	}
	m, other, report, err := opt.evidence(ctx, from, g)
	if err != nil {
		return nil, nil, err
	}
	report.From, report.InBindPose = "all", posed
	var takers []int
	for w := range in {
		if in[w] {
			takers = append(takers, w)
		}
	}
	give := &mirrorSource{g: from}
	if give.tree, err = closest.NewTreeAmong(ctx, from.mesh.Positions, from.mesh.Triangles, func(t [3]int32) bool {
		return from.usable(int(t[0])) && from.usable(int(t[1])) && from.usable(int(t[2]))
	}, g.form.Threads); err != nil {
		return nil, nil, err
	}
	hits, err := give.find(ctx, g, takers, m)
	if err != nil {
		return nil, nil, err
	}
	if err := give.settle(ctx, g, takers, hits, m, other,
		func(int) (row, bool) { return row{}, false },
		func(int32) bool { return true }, len(target.Skin.Joints)); err != nil {
		return nil, nil, err
	}
	left, err := report.measure(g, takers, hits, opt)
	if err != nil {
		return nil, nil, err
	}
	rows := make([]row, len(from.member))
	for w := range rows {
		joint, weight := from.rows.Row(w)
		rows[w] = row{joint, weight}
	}
	acc := weights.NewAccumulator(len(target.Skin.Joints))
	touched := make([]bool, len(in))
	next := weights.NewRows(len(in))
	for i, w := 0, 0; w < len(in); w++ {
		if i == len(takers) || takers[i] != w {
			next.Append(g.rows.Row(w))
			continue
		}
		if h := hits[i]; left[i] {
			next.Append(g.rows.Row(w))
		} else {
			r := h.row(acc, rows, other)
			next.Append(r.joint, r.weight)
			touched[w] = true
		}
		i++
	}
	r, err := g.finish(ctx, next, touched)
	return r, report, err
}

// evidence finds the plane and the joints' counterparts for a mirror of source onto
// target, which may be one, and sets the tolerance.
func (o *MirrorOptions) evidence(ctx context.Context, source, target *joined) (m plane, other []int, r *MirrorReport, err error) {
	if o.Tolerance == 0 {
		o.Tolerance = pairTolerance(source.of.Skin)
	}
	if o.Plane != nil {
		m = plane{o.Axis, *o.Plane}
	} else if m, err = mirrorPlane(ctx, source, target, o.Axis, o.Tolerance); err != nil {
		return m, nil, nil, err
	}
	r = &MirrorReport{Axis: axisName[m.axis], Plane: m.at}
	if other, r.Pairs, err = pairJoints(source.of.Skin, target.of.Skin, m, o.Pairs, o.Tolerance); err != nil {
		return m, nil, nil, err
	}
	unlike := 0 // that neither a place nor a file bears out
	for _, p := range r.Pairs {
		if p.Doubt != "" {
			r.Doubtful++
			if p.By == byNames || p.By == byParent {
				unlike++
			}
		}
	}
	if 2*unlike > len(r.Pairs) && !o.AllowDoubtful {
		return m, nil, nil, &DoubtError{Doubtful: unlike, Of: len(r.Pairs)}
	}
	return m, other, r, nil
}

// row is the row of one vertex.
type row struct {
	joint  []uint16
	weight []float64
}

func (r row) add(acc *weights.Accumulator, factor float64) {
	for i, j := range r.joint {
		acc.Add(j, factor*r.weight[i])
	}
}

// addMapped adds the row over the joints' counterparts.
func (r row) addMapped(acc *weights.Accumulator, other []int, factor float64) {
	for i, j := range r.joint {
		acc.Add(uint16(other[j]), factor*r.weight[i])
	}
}

// take empties the sum into a row of its own.
func take(acc *weights.Accumulator) row {
	one := weights.NewRows(1)
	acc.Flush(one)
	return row{one.Joint, one.Weight}
}

// mirrorHit is where a vertex takes its row from.
type mirrorHit struct {
	corner   [3]int32
	bary     [3]float64
	distance float64 // from the vertex's mirrored place
}

func (h *mirrorHit) none() bool { return h.bary == [3]float64{} }

// row is the interpolated row over the joints' counterparts.
func (h *mirrorHit) row(acc *weights.Accumulator, rows []row, other []int) row {
	for k, c := range h.corner {
		if h.bary[k] > 0 {
			rows[c].addMapped(acc, other, h.bary[k])
		}
	}
	return take(acc)
}

// mirrorSource is the surface that gives.
type mirrorSource struct {
	g    *joined
	tree *closest.Tree
	snap float64 // distance up to which a point is a vertex, and a vertex on the surface
}

// hit is a place as found: a vertex is itself, without rounding.
func (s *mirrorSource) hit(found closest.Hit) mirrorHit {
	h := mirrorHit{s.g.mesh.Triangles[found.Triangle], found.Bary, math.Sqrt(found.DistanceSq)}
	for k, c := range h.corner {
		if r3.Norm(r3.Sub(found.Point, s.g.mesh.Positions[c])) <= s.snap {
			h.bary = [3]float64{}
			h.bary[k] = 1
			break
		}
	}
	return h
}

// find finds for each taker of g, mirrored by m, its place on the source.
func (s *mirrorSource) find(ctx context.Context, g *joined, takers []int, m plane) ([]mirrorHit, error) {
	if len(takers) > 0 && s.tree.Len() == 0 {
		return nil, bad("from", "that side has no surface with weights")
	}
	normals, err := mesh.VertexNormalsContext(ctx, g.mesh)
	if err != nil {
		return nil, err
	}
	box := mesh.Bounds(s.g.mesh.Positions)
	s.snap = onPlane * r3.Norm(r3.Sub(box.Max, box.Min)) / 10
	hits := make([]mirrorHit, len(takers))
	err = forkjoin.Each(ctx, len(takers), g.form.Threads, func() func(int) {
		return func(i int) {
			w := takers[i]
			q := m.point(g.mesh.Positions[w])
			hit := s.tree.Nearest(q)
			if hit.Triangle < 0 {
				return
			}
			// Off the surface, a place that faces the same way goes before one that is a
			// little nearer: the squared distance counts as much as the squared difference of
			// the normals times the squared distance to the nearest place.
			if n := normals[w]; hit.DistanceSq > s.snap*s.snap && n != (r3.Vec{}) {
				if h, _ := s.tree.NearestOriented(q, m.flip(n), hit.DistanceSq, math.Inf(1)); h.Triangle >= 0 {
					hit = h
				}
			}
			hits[i] = s.hit(hit)
		}
	})
	if err != nil {
		return nil, err
	}
	return hits, nil
}

// measure puts the distances of the hits into the report, and says which takers are left
// with their rows: those without a hit, and, unless opt.AllowDoubtful, those that have a
// row and lie farther than 2*opt.Tolerance from theirs.
func (r *MirrorReport) measure(g *joined, takers []int, hits []mirrorHit, opt MirrorOptions) (left []bool, err error) {
	all, n, most := 0, 0, 0.0
	left = make([]bool, len(takers))
	apart := map[int]float64{} // of those that are left, by joined vertex
	for i, w := range takers {
		k := len(g.member[w])
		all += k
		most = max(most, hits[i].distance)
		far := hits[i].distance > 2*opt.Tolerance
		if far {
			r.Far += k
		}
		if left[i] = hits[i].none() || far && g.usable(w) && !opt.AllowDoubtful; left[i] {
			if far {
				apart[w] = hits[i].distance
			}
			continue
		}
		n += k
		r.Farthest = max(r.Farthest, hits[i].distance)
		r.Mean += hits[i].distance * float64(k)
	}
	r.Mean /= float64(max(1, n))
	r.Copied = n
	if 2*r.Far > all && !opt.AllowDoubtful {
		return nil, &DoubtError{Doubtful: r.Far, Of: all, Far: most}
	}
	r.Left = leftOver(g, apart)
	return left, nil
}

// leftOver are the patches of joined vertices that apart has, largest first.
func leftOver(g *joined, apart map[int]float64) []LeftOver {
	var out []LeftOver
	seen := make(map[int]bool, len(apart))
	for _, w := range slices.Sorted(maps.Keys(apart)) {
		if seen[w] {
			continue
		}
		seen[w] = true
		patch := LeftOver{}
		var sum r3.Vec
		todo := []int{w}
		for k := 0; k < len(todo); k++ {
			v := todo[k]
			patch.Vertices += len(g.member[v])
			patch.Distance = max(patch.Distance, apart[v])
			sum = r3.Add(sum, g.mesh.Positions[v])
			for _, u := range g.adjacency.Neighbours(v) {
				if _, is := apart[int(u)]; is && !seen[int(u)] {
					seen[int(u)] = true
					todo = append(todo, int(u))
				}
			}
		}
		middle := r3.Scale(1/float64(len(todo)), sum)
		patch.At = [3]float64{middle.X, middle.Y, middle.Z}
		least := math.Inf(1)
		for _, j := range g.of.Skin.Joints {
			if d := r3.Norm(r3.Sub(j.Global.T, middle)); d < least {
				least, patch.Joint = d, j.Name
			}
		}
		out = append(out, patch)
	}
	slices.SortStableFunc(out, func(a, b LeftOver) int { return cmp.Compare(b.Vertices, a.Vertices) })
	return out
}
