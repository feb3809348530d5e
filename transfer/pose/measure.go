package pose

// The measures of one pose. Each is held against what the body does under the
// garment: a sleeve may stretch where the elbow stretches. Two yardsticks say what
// the body does: the shadow, the garment's matches on the posed body, and the
// carried garment, the same cloth moved by the body's rows at its matches. A garment
// is at fault where it passes a limit and is worse than both.

import (
	"context"
	"math"
	"slices"

	"github.com/selvage/selvage/transfer/closest"
	"github.com/selvage/selvage/transfer/skinning"
	"gonum.org/v1/gonum/spatial/r3"
)

const (
	// alike is how many times as far apart as two neighbours their matches may lie
	// and still be on one sheet of the body.
	alike = 3
	// coherent is the least share of a zone's volume in the sum of its tetrahedra's
	// absolute volumes with which it counts as a tube around the joint.
	coherent = 0.3
	// fewTriangles of a zone are too few for its area and volume.
	fewTriangles = 24
)

// Measures are the largest values that a pose reached, before the body's part is
// taken off, whether over a limit or not.
type Measures struct {
	Moved       int     `json:"moved"`       // garment vertices that the pose moves
	Judged      int     `json:"judged"`      // vertices whose gap could change
	Exact       int     `json:"exact"`       // exact surface queries
	Depth       float64 `json:"depth"`       // deepest new penetration, m; 0 where the cheap bound decided
	Crossed     float64 `json:"crossed"`     // deepest in another part of the body, m
	Gap         float64 `json:"gap"`         // largest change of the gap, m
	Stretch     float64 `json:"stretch"`     // largest factor of an edge
	Compression float64 `json:"compression"` // smallest factor of an edge
	Turned      int     `json:"turned"`      // triangles
	Jagged      float64 `json:"jagged"`      // edge lengths
	AreaLoss    float64 `json:"areaLoss"`    // share of the bend's area
	VolumeLoss  float64 `json:"volumeLoss"`  // share of the bend's volume; NaN-free: 0 where it is no tube
	BodyVolume  float64 `json:"bodyVolume"`  // the body's own loss over its zone
	Deformed    float64 `json:"deformed"`    // of rigid islands
	Parted      float64 `json:"parted"`      // of seams, m
	// Dived is how far a vertex goes under a layer that it lay over, m; where no layers
	// are given, 0.
	Dived float64 `json:"dived,omitempty"`
}

// scratch is what one goroutine needs for a pose.
type scratch struct {
	k      *Checker
	ctx    context.Context
	g, b   []r3.Vec // posed; default where a joint moves nothing
	shadow []r3.Vec // posed match of each garment vertex
	// carried is where the body's row at its match would send each vertex, made when
	// asked for: valid where stamp is now.
	carried []r3.Vec
	stamp   []int32
	now     int32
	maps    []skinning.Affine
	a       *active
	db      *deformation
	// Yardsticks by vertex, and the ball of vertices last asked for (excuse.go).
	lazyStretch, lazyShrink, lazyBent, lazyTurned, lazyDepth, lazyGap, lazyClosing lazy

	ballList, ballSeen []int32
	ballNow            int32
	sheet              *closest.Sheet
	over               *overLimit
	forced             *overLimit // penetrations that are not the garment's fault
	overB              *overLimit
	turned             []int32
	// Of crossings.
	grid       grid
	crossed    []int32 // stamp of the pose that looked at a vertex
	crossNow   int32
	crossQueue []crossStart
	// Of layers.
	under []underScratch
	dived []dived // of the present pose
}

func (k *Checker) newScratch() *scratch {
	s := &scratch{k: k, g: slices.Clone(k.garment.pos), b: slices.Clone(k.body.pos), shadow: make([]r3.Vec, len(k.garment.pos))}
	for v := range s.shadow {
		s.shadow[v] = k.match[v].point
	}
	s.carried, s.stamp = make([]r3.Vec, len(s.g)), make([]int32, len(s.g))
	for _, l := range []*lazy{&s.lazyStretch, &s.lazyShrink, &s.lazyBent, &s.lazyTurned, &s.lazyDepth, &s.lazyGap, &s.lazyClosing} {
		*l = newLazy(len(s.g))
	}
	s.ballSeen, s.crossed = make([]int32, len(s.g)), make([]int32, len(s.g))
	s.sheet = k.body.sheet(s.b)
	for _, l := range k.layers {
		u := underScratch{pos: slices.Clone(l.surface.pos)}
		u.sheet = l.surface.sheet(u.pos)
		s.under = append(s.under, u)
	}
	s.over, s.forced, s.overB = newOverLimit(len(s.g)), newOverLimit(len(s.g)), newOverLimit(len(s.b))
	return s
}

// stopped looks at the context once in a while; what a stopped pose found is thrown
// away.
func (s *scratch) stopped(i int) bool { return i&1023 == 0 && s.ctx.Err() != nil }

// reset puts back what the poses of a moved.
func (s *scratch) reset(a *active) {
	for _, v := range a.movedBody {
		s.b[v] = s.k.body.pos[v]
	}
	for _, v := range a.moved {
		s.g[v] = s.k.garment.pos[v]
	}
	for _, v := range a.touched {
		s.shadow[v] = s.k.match[v].point
	}
}

// pose measures one pose; a belongs to its joint.
func (s *scratch) pose(p *Pose, a *active) (m Measures, findings, notes []Finding) {
	k := s.k
	maps := k.skeleton.mapsOf(p)
	s.maps, s.a = maps, a
	s.now++
	dg, db := k.garment.deform(maps, a.joint, a.garment), k.body.deform(maps, a.joint, a.body)
	s.db = db
	if s.ctx.Err() != nil {
		return m, nil, nil
	}
	for _, v := range a.movedBody {
		s.b[v] = db.point(v)
	}
	for _, v := range a.moved {
		s.g[v] = dg.point(v)
	}
	for _, v := range a.touched {
		if x := &k.match[v]; x.triangle >= 0 {
			s.shadow[v] = s.sheet.At(x.triangle, x.bary)
		} else {
			s.shadow[v] = s.g[v]
		}
	}
	m.Moved, m.Judged, m.Stretch, m.Compression = len(a.moved), len(a.judged), 1, 1
	emit := func(kind Kind) {
		findings = append(findings, k.findings(kind, p, s.over, k.garment, "garment")...)
	}

	s.penetrations(a, &m)
	emit(Penetration)
	notes = append(notes, k.findings(CarriedIn, p, s.forced, k.garment, "garment")...)
	s.crossings(&m)
	emit(Crossing)
	notes = append(notes, k.findings(CarriedIn, p, s.forced, k.garment, "garment")...)
	s.dived = s.dived[:0]
	for i := range k.layers {
		s.dives(i, maps, a, dg, &m)
		findings = append(findings, ofLayer(k.layers[i].surface.figure.Name, k.findings(Dive, p, s.over, k.garment, "garment"))...)
	}
	s.gaps(a, &m)
	emit(Gap)
	s.edges(a, &m, Stretch)
	emit(Stretch)
	s.edges(a, &m, Compression)
	emit(Compression)
	s.triangles(a, &m, dg)
	emit(Turned)
	s.lines(a, &m)
	emit(Jagged)
	if a.joint >= 0 && p.Change == Turn {
		findings = append(findings, s.zones(p, a, &m)...)
	}
	s.rigid(a, &m, dg)
	emit(Deformed)
	findings = append(findings, s.partings(p, &m, dg)...)

	s.bodyLines(a)
	notes = append(notes, k.findings(BodyJagged, p, s.overB, k.body, "body")...)
	s.bodyTriangles(a, db)
	notes = append(notes, k.findings(BodyTurned, p, s.overB, k.body, "body")...)
	return m, findings, notes
}

// ideal is where garment vertex v would stand if it were carried along by its
// match: the same offset in the frame of the match's triangle.
func (s *scratch) ideal(v int32) (r3.Vec, bool) {
	x := &s.k.match[v]
	t := s.k.body.tri[x.triangle]
	f0, ok0 := frame([3]r3.Vec{s.k.body.pos[t[0]], s.k.body.pos[t[1]], s.k.body.pos[t[2]]})
	f1, ok1 := frame(s.sheet.Corners(x.triangle))
	if !ok0 || !ok1 {
		return r3.Vec{}, false
	}
	o := r3.Sub(s.k.garment.pos[v], x.point)
	y := s.shadow[v]
	for i := range f0 {
		y = r3.Add(y, r3.Scale(r3.Dot(f0[i], o), f1[i]))
	}
	return y, true
}

// hangs reports whether a vertex is too far from the body for the body's row at
// its match to say how it should move.
func (k *Checker) hangs(v int32) bool {
	m := &k.match[v]
	return m.triangle < 0 || m.distance > k.hang
}

// carriedShare is the share that the body has at the match of v.
func (s *scratch) carriedShare(v int32) float64 {
	m := &s.k.match[v]
	t := s.k.body.tri[m.triangle]
	return m.bary[0]*s.a.body[t[0]] + m.bary[1]*s.a.body[t[1]] + m.bary[2]*s.a.body[t[2]]
}

// carry is where the body's row at its match would send v, which must have one.
func (s *scratch) carry(v int32) r3.Vec {
	if s.stamp[v] == s.now {
		return s.carried[v]
	}
	x := s.k.garment.pos[v]
	var y r3.Vec
	if s.a.joint >= 0 {
		w := s.carriedShare(v)
		q := s.maps[s.a.joint].Apply(x)
		y = r3.Add(x, r3.Scale(w, r3.Sub(q, x)))
	} else {
		m := &s.k.match[v]
		for i, u := range s.k.body.tri[m.triangle] {
			joint, weight := s.k.body.rows.Row(int(u))
			y = r3.Add(y, r3.Scale(m.bary[i], skinning.Pose(s.maps).PosedPoint(x, joint, weight)))
		}
	}
	s.carried[v], s.stamp[v] = y, s.now
	return y
}

// carriedBlend is the linear part of the blended map of a carried triangle.
func (s *scratch) carriedBlend(c [3]int32) skinning.Affine {
	var a skinning.Affine
	if s.a.joint >= 0 {
		w := (s.carriedShare(c[0]) + s.carriedShare(c[1]) + s.carriedShare(c[2])) / 3
		return partly(&s.maps[s.a.joint], w)
	}
	for _, v := range c {
		m := &s.k.match[v]
		for i, u := range s.k.body.tri[m.triangle] {
			joint, weight := s.k.body.rows.Row(int(u))
			b := skinning.Pose(s.maps).Blend(joint, weight)
			for k := range a.M {
				a.M[k] += m.bary[i] * b.M[k] / 3
			}
		}
	}
	return a
}

// decided is the cheap bound: it reports whether v stands so near to where the
// body would carry it that it cannot be deeper in the body, or farther off it, by
// more than limit than it would be there. (Distances from a surface change by no
// more than the point moves.)
func (s *scratch) decided(v int32, limit float64) bool {
	if s.k.exhaustive {
		return false
	}
	if !s.k.hangs(v) && norm(r3.Sub(s.g[v], s.carry(v))) <= limit {
		return true
	}
	y, ok := s.ideal(v)
	return ok && norm(r3.Sub(s.g[v], y)) <= limit
}

// penetrations finds vertices that were outside the body and are inside, and
// leaves in s.over how deep. What a vertex that kept its offset from its match, or
// one moved by the body's row there, would suffer too (cloth in the crease of a
// bend) is taken off.
//
// What goes in for that reason alone is no fault of the garment's; it is left in
// s.forced, looked for only where the vertex is below the plane of its match.
func (s *scratch) penetrations(a *active, m *Measures) {
	limit := s.k.limits.Penetration
	for i, v := range a.judged {
		if s.stopped(i) {
			return
		}
		x := &s.k.match[v]
		if x.height < -limit/4 {
			continue // was inside
		}
		if norm(r3.Sub(s.g[v], s.shadow[v])) > s.k.deep {
			continue // left its place altogether: gaps tells
		}
		if s.decided(v, limit) && r3.Dot(r3.Sub(s.g[v], s.shadow[v]), s.sheet.FaceNormal(x.triangle)) > 0 {
			continue
		}
		if h := s.sheet.Height(s.g[v], s.sheet.Walk(s.g[v], x.triangle)); h > -limit/2 {
			m.Depth = max(m.Depth, -h)
			continue
		}
		m.Exact++
		f := s.sheet.Exact(s.g[v], x.triangle)
		if turnedOver(s.db, f.Triangle, s.b) {
			continue // where the body has turned inside out it has no inside
		}
		depth := -s.sheet.Height(s.g[v], f)
		m.Depth = max(m.Depth, depth)
		if depth <= limit {
			continue
		}
		own := depth
		if s.k.hangs(v) {
			own -= s.yardDepth(v)
		} else {
			own -= s.worst(&s.lazyDepth, v, 0, s.yardDepth)
		}
		if own > limit {
			s.over.add(v, own/limit, own)
		} else if depth > s.k.limits.CarriedIn && !s.foldedAround(f.Triangle) {
			s.forced.add(v, depth/s.k.limits.CarriedIn, depth)
		}
	}
}

// foldedAround reports whether a triangle of the body at or around t has turned
// over: next to a fold, inside and outside change places.
func (s *scratch) foldedAround(t int32) bool {
	for _, v := range s.k.body.tri[t] {
		for _, u := range s.k.body.around.Of(v) {
			if turnedOver(s.db, u, s.b) {
				return true
			}
		}
	}
	return false
}

// gaps finds vertices whose distance from the sheet of the body changed.
func (s *scratch) gaps(a *active, m *Measures) {
	limit := s.k.limits.Gap
	for i, v := range a.judged {
		if s.stopped(i) {
			return
		}
		if s.decided(v, limit) {
			continue
		}
		x := &s.k.match[v]
		before := max(x.height, 0)
		// The distance to the posed match bounds the gap from above: a vertex that has
		// not left its match has not left the body.
		far := norm(r3.Sub(s.g[v], s.shadow[v]))
		if far-before <= limit && before <= limit {
			m.Gap = max(m.Gap, min(far-before, limit))
			continue
		}
		f := s.sheet.Walk(s.g[v], x.triangle)
		h := s.sheet.Height(s.g[v], f)
		if far > s.k.deep {
			h = math.Sqrt(f.DistanceSq) // off its place on whatever side
		}
		change := max(h, 0) - before
		m.Gap = max(m.Gap, math.Abs(change))
		if math.Abs(change) <= limit {
			continue
		}
		// What the carried vertex does too is taken off; and in a crease the body comes
		// closer whatever the weights.
		forced := 0.0
		switch {
		case change < 0 && s.k.hangs(v):
			forced = s.yardClosing(v)
		case change < 0:
			forced = s.worst(&s.lazyClosing, v, 0, s.yardClosing)
		default:
			forced = s.worst(&s.lazyGap, v, 0, s.yardGap)
		}
		forced = max(0, forced)
		change = math.Copysign(max(0, math.Abs(change)-forced), change)
		if math.Abs(change) > limit {
			s.over.add(v, math.Abs(change)/limit, change)
		}
	}
}

// edges finds edges that grew or shrank more than the body around them.
func (s *scratch) edges(a *active, m *Measures, kind Kind) {
	k := s.k
	for n, i := range a.edge {
		if s.stopped(n) {
			return
		}
		e, l := k.garment.edge[i], k.garment.length[i]
		r := ratio(s.g[e[0]], s.g[e[1]], l, max(k.scale[e[0]], k.scale[e[1]]))
		if kind == Stretch {
			m.Stretch = max(m.Stretch, r)
			if r <= k.limits.Stretch {
				continue
			}
			r /= min(s.worst(&s.lazyStretch, e[0], 1, s.yardStretch), s.worst(&s.lazyStretch, e[1], 1, s.yardStretch))
			if r > k.limits.Stretch {
				for _, v := range e {
					s.over.add(v, r/k.limits.Stretch, r)
				}
			}
			continue
		}
		m.Compression = min(m.Compression, r)
		if r >= k.limits.Compression {
			continue
		}
		r /= max(-min(s.worst(&s.lazyShrink, e[0], -1, s.yardShrink), s.worst(&s.lazyShrink, e[1], -1, s.yardShrink)), 0.05)
		if r < k.limits.Compression {
			for _, v := range e {
				s.over.add(v, k.limits.severity(Compression, r), r)
			}
		}
	}
}

// turnedOver reports whether a triangle faces against what the blended map of its
// own corners makes of its normal: the change of the weights across it has folded
// it over.
func turnedOver(d *deformation, t int32, pos []r3.Vec) bool {
	c := d.s.tri[t]
	a := d.blendAt(c)
	return skinning.Against(&a, d.s.normal[t], [3]r3.Vec{pos[c[0]], pos[c[1]], pos[c[2]]})
}

// triangles finds triangles of the garment that turned over where the body's did
// not.
func (s *scratch) triangles(a *active, m *Measures, dg *deformation) {
	k := s.k
	s.turned = s.turned[:0]
	for n, t := range a.tri {
		if s.stopped(n) {
			return
		}
		if k.sliver(k.garment, t) || !turnedOver(dg, t, s.g) {
			continue
		}
		m.Turned++
		if s.worst(&s.lazyTurned, k.garment.tri[t][0], 0, s.yardTurned) > 0 {
			continue
		}
		s.turned = append(s.turned, t)
	}
	s.countTurned(k.garment, s.over, k.limits.Turned)
}

// countTurned joins the turned triangles by shared vertices and leaves in over
// those of groups over the limit: the count as size.
func (s *scratch) countTurned(of *surface, over *overLimit, limit float64) {
	if len(s.turned) == 0 {
		return
	}
	in := make(map[int32]int32, len(s.turned)) // triangle -> group
	for _, t := range s.turned {
		in[t] = -1
	}
	var stack []int32
	for _, first := range s.turned {
		if in[first] >= 0 {
			continue
		}
		group := []int32{first}
		in[first] = first
		stack = append(stack[:0], first)
		for len(stack) > 0 {
			t := stack[len(stack)-1]
			stack = stack[:len(stack)-1]
			for _, v := range of.tri[t] {
				for _, u := range of.around.Of(v) {
					if g, ok := in[u]; ok && g < 0 {
						in[u] = first
						group = append(group, u)
						stack = append(stack, u)
					}
				}
			}
		}
		if n := float64(len(group)); n >= limit {
			for _, t := range group {
				for _, v := range of.tri[t] {
					over.add(v, 1+math.Log2(n/limit), n)
				}
			}
		}
	}
}

// sliver reports whether a triangle is too thin in the default pose to be judged.
func (k *Checker) sliver(s *surface, t int32) bool {
	c := s.tri[t]
	a, b := r3.Sub(s.pos[c[1]], s.pos[c[0]]), r3.Sub(s.pos[c[2]], s.pos[c[0]])
	e := r3.Sub(b, a)
	long := max(r3.Norm2(a), r3.Norm2(b), r3.Norm2(e))
	return norm(r3.Cross(a, b)) < 0.1*long
}

// lines finds lines of the mesh that were smooth and have a kink, beyond the one of
// the body's surface under them.
func (s *scratch) lines(a *active, m *Measures) {
	k := s.k
	for n, i := range a.line {
		if s.stopped(n) {
			return
		}
		l := &k.garment.line[i]
		bent := norm(l.second(s.g[l.a], s.g[l.v], s.g[l.b])) - l.bent
		// Short edges beside long ones kink by much without anyone seeing it.
		bent /= max(l.length, k.scale[l.v])
		if bent <= k.limits.Jagged {
			continue // the body can only take off
		}
		m.Jagged = max(m.Jagged, bent)
		bent -= s.worst(&s.lazyBent, l.v, 0, s.yardBent)
		if bent > k.limits.Jagged {
			s.over.add(l.v, bent/k.limits.Jagged, bent)
		}
	}
}

// det is six times the signed volume of the tetrahedron of a triangle and o.
func det(a, b, c, o r3.Vec) float64 {
	return r3.Dot(r3.Sub(a, o), r3.Cross(r3.Sub(b, o), r3.Sub(c, o)))
}

func area2(a, b, c r3.Vec) float64 { return norm(r3.Cross(r3.Sub(b, a), r3.Sub(c, a))) }

// zone sums area and volume over the triangles of a bend: before and after. The
// volume is that of the tetrahedra to the joint's origin, with a fan over each ring
// that bounds the bend. (The rings lie where the share is 0 or 1 and turn about that
// origin as rigid pieces, so that what lies beyond them keeps its volume.)
type zone struct {
	area0, area1, volume0, volume1, sum float64
	triangles                           int
}

func (z *zone) add(p, q [3]r3.Vec, o r3.Vec, side float64) {
	z.cap(p, q, o, side)
	z.area0 += area2(p[0], p[1], p[2])
	z.area1 += area2(q[0], q[1], q[2])
	z.triangles++
}

// cap adds the volume of a triangle that is not part of the surface.
func (z *zone) cap(p, q [3]r3.Vec, o r3.Vec, side float64) {
	v := side * det(p[0], p[1], p[2], o)
	z.volume0 += v
	z.sum += math.Abs(v)
	z.volume1 += side * det(q[0], q[1], q[2], o)
}

// close adds the fans over rings; before and after give the positions of a vertex.
func (z *zone) close(rings []ring, o r3.Vec, before, after func(v int32) r3.Vec) {
	for _, r := range rings {
		var c0, c1 r3.Vec
		for _, e := range r.edge {
			c0 = r3.Add(c0, r3.Scale(0.5/float64(len(r.edge)), r3.Add(before(e[0]), before(e[1]))))
			c1 = r3.Add(c1, r3.Scale(0.5/float64(len(r.edge)), r3.Add(after(e[0]), after(e[1]))))
		}
		for _, e := range r.edge {
			z.cap([3]r3.Vec{c0, before(e[1]), before(e[0])}, [3]r3.Vec{c1, after(e[1]), after(e[0])}, o, r.side)
		}
	}
}

// ring is a connected set of edges, directed as their triangles are, at which a
// bend meets a piece that moves rigidly.
type ring struct {
	edge [][2]int32
	side float64
}

// ringsOf finds the rings that bound a bend: the edges of its triangles whose ends
// are of one rigid piece. use says which vertices count, side which way the cloth
// faces. O(triangles of the bend).
func ringsOf(s *surface, tri []int32, c []uint8, use func(v int32) bool, side func(v int32) float64) []ring {
	var edges [][2]int32
	root := map[int32]int32{}
	find := func(v int32) int32 {
		for root[v] != v {
			root[v] = root[root[v]]
			v = root[v]
		}
		return v
	}
	for _, t := range tri {
		corner := s.tri[t]
		if !use(corner[0]) || !use(corner[1]) || !use(corner[2]) {
			continue
		}
		for k := range corner {
			a, b := corner[k], corner[(k+1)%3]
			if !still(c, a, b) {
				continue
			}
			edges = append(edges, [2]int32{a, b})
			for _, v := range [2]int32{a, b} {
				if _, ok := root[v]; !ok {
					root[v] = v
				}
			}
			x, y := find(a), find(b)
			root[max(x, y)] = min(x, y)
		}
	}
	at := map[int32]int{}
	var out []ring
	for _, e := range edges {
		r := find(e[0])
		i, ok := at[r]
		if !ok {
			i = len(out)
			at[r] = i
			out = append(out, ring{side: side(e[0])})
		}
		out[i].edge = append(out[i].edge, e)
	}
	return out
}

// tube reports whether the zone closes around the joint well enough for a volume.
func (z *zone) tube() bool { return z.triangles >= fewTriangles && z.volume0 > coherent*z.sum }

func (z *zone) volumeLoss() float64 { return 1 - z.volume1/z.volume0 }
func (z *zone) areaLoss() float64   { return 1 - z.area1/z.area0 }

// zones compares what the bend loses with what the same patch of the body under
// it loses.
func (s *scratch) zones(p *Pose, a *active, m *Measures) []Finding {
	k := s.k
	o := k.skeleton.skin.Joints[a.joint].Global.T
	var cloth, under, carried zone
	worst, worstVertex := 0.0, int32(-1)
	for _, t := range a.tri {
		c := k.garment.tri[t]
		var p, q, mp, mq, r [3]r3.Vec
		matched := true
		for i, v := range c {
			p[i], q[i], mp[i], mq[i] = k.garment.pos[v], s.g[v], k.match[v].point, s.shadow[v]
			matched = matched && !k.hangs(v)
		}
		if !matched {
			continue
		}
		side := k.match[c[0]].side
		cloth.add(p, q, o, side)
		under.add(mp, mq, o, side)
		for i, v := range c {
			r[i] = s.carry(v)
		}
		carried.add(p, r, o, side)
		lost := side * ((det(p[0], p[1], p[2], o) - det(q[0], q[1], q[2], o)) - (det(mp[0], mp[1], mp[2], o) - det(mq[0], mq[1], mq[2], o)))
		if lost > worst {
			worst, worstVertex = lost, c[0]
		}
	}
	before := func(v int32) r3.Vec { return k.garment.pos[v] }
	cloth.close(a.ring, o, before, func(v int32) r3.Vec { return s.g[v] })
	under.close(a.ring, o, func(v int32) r3.Vec { return k.match[v].point }, func(v int32) r3.Vec { return s.shadow[v] })
	carried.close(a.ring, o, before, s.carry)
	var own zone
	for _, t := range a.bodyTri {
		c := k.body.tri[t]
		own.add([3]r3.Vec{k.body.pos[c[0]], k.body.pos[c[1]], k.body.pos[c[2]]}, [3]r3.Vec{s.b[c[0]], s.b[c[1]], s.b[c[2]]}, o, 1)
	}
	own.close(a.bodyRing, o, func(v int32) r3.Vec { return k.body.pos[v] }, func(v int32) r3.Vec { return s.b[v] })
	if own.tube() {
		m.BodyVolume = own.volumeLoss()
	}
	if cloth.triangles < fewTriangles || worstVertex < 0 {
		return nil
	}
	var out []Finding
	place := k.garment.place("garment", worstVertex)
	m.AreaLoss = cloth.areaLoss()
	if lost := m.AreaLoss - max(0, under.areaLoss(), carried.areaLoss()); lost > k.limits.Area {
		out = append(out, k.finding(Area, p, place, lost, cloth.triangles))
	}
	if cloth.tube() {
		m.VolumeLoss = cloth.volumeLoss()
		if under.tube() {
			if lost := m.VolumeLoss - max(0, under.volumeLoss(), carried.volumeLoss()); lost > k.limits.Volume {
				out = append(out, k.finding(Volume, p, place, lost, cloth.triangles))
			}
		}
	}
	return out
}

// rigidIsland is a piece that should keep its shape: its members, and a few of
// them far apart. Distances to four points that do not lie in a plane fix a point,
// so an island whose members keep theirs keeps its shape.
type rigidIsland struct {
	members []int32
	anchors []int32
	size    float64
}

// rigid finds rigid islands whose distances change otherwise than by the blended
// map of their mean row: what one row for all of the island would do is the
// blending's, not the island's.
func (s *scratch) rigid(a *active, m *Measures, dg *deformation) {
	k := s.k
	for _, i := range a.island {
		x := &k.islands[i]
		mean := dg.meanBlend(x.members)
		for _, v := range x.members {
			for _, u := range x.anchors {
				before := r3.Sub(k.garment.pos[v], k.garment.pos[u])
				now := norm(r3.Sub(s.g[v], s.g[u]))
				m.Deformed = max(m.Deformed, math.Abs(now-norm(before))/x.size)
				d := math.Abs(now-norm(mean.ApplyVector(before))) / x.size
				if d > k.limits.Deformed {
					s.over.add(v, d/k.limits.Deformed, d)
				}
			}
		}
	}
}

// seam is a pair of original vertices that stand in one place with different rows.
type seam struct{ a, b int32 }

// partings finds seams that open.
func (s *scratch) partings(p *Pose, m *Measures, dg *deformation) []Finding {
	k := s.k
	worst, at, count := 0.0, int32(-1), 0
	for _, x := range k.seams {
		ya := dg.original(int(x.a))
		yb := dg.original(int(x.b))
		gap := norm(r3.Sub(ya, yb)) - norm(r3.Sub(k.garment.figure.Mesh.Positions[x.a], k.garment.figure.Mesh.Positions[x.b]))
		if gap > k.limits.Parted {
			count++
		}
		if gap > worst {
			worst, at = gap, x.a
		}
	}
	m.Parted = worst
	if count == 0 {
		return nil
	}
	return []Finding{k.finding(Parted, p, k.garment.placeOf("garment", int(at)), worst, count)}
}

// bodyLines finds kinks in the body's own lines.
func (s *scratch) bodyLines(a *active) {
	k := s.k
	for _, i := range a.bodyLine {
		l := &k.body.line[i]
		bent := (norm(l.second(s.b[l.a], s.b[l.v], s.b[l.b])) - l.bent) / l.length
		if bent > k.limits.BodyJagged {
			s.overB.add(l.v, bent/k.limits.BodyJagged, bent)
		}
	}
}

// bodyTriangles finds triangles of the body that turn over.
func (s *scratch) bodyTriangles(a *active, db *deformation) {
	k := s.k
	s.turned = s.turned[:0]
	for _, t := range a.bodyTri {
		if !k.sliver(k.body, t) && turnedOver(db, t, s.b) {
			s.turned = append(s.turned, t)
		}
	}
	s.countTurned(k.body, s.overB, k.limits.BodyTurned)
}
