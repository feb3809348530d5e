package pose

// Excuses: what the body itself does around a place. The yardsticks are not exact
// to the vertex (cloth slides, matches are nearest points), so a measure is held
// against the worst of both yardsticks within a small ball of the garment.

import (
	"math"

	"github.com/selvage/selvage/transfer/skinning"
	"gonum.org/v1/gonum/spatial/r3"
)

const (
	// ballShare is the radius of the ball as a share of the body's diagonal, about
	// 2 cm on a grown figure; never less than two mean edges of the garment.
	ballShare = 0.01
	// ballMost bounds its vertices.
	ballMost = 96
)

// lazy holds one number a vertex, computed once a pose.
type lazy struct {
	value []float64
	stamp []int32
}

func newLazy(n int) lazy { return lazy{make([]float64, n), make([]int32, n)} }

func (l *lazy) get(v, now int32, compute func(v int32) float64) float64 {
	if l.stamp[v] != now {
		l.value[v], l.stamp[v] = compute(v), now
	}
	return l.value[v]
}

// ball lists the vertices around v, v first: connected, within the radius in the
// default pose, none of them hanging. The slice is valid until the next call.
func (s *scratch) ball(v int32) []int32 {
	s.ballNow++
	s.ballList = append(s.ballList[:0], v)
	s.ballSeen[v] = s.ballNow
	g := s.k.garment
	limit := s.k.ballRadius * s.k.ballRadius
	for i := 0; i < len(s.ballList); i++ {
		for _, u := range g.adj.Neighbours(int(s.ballList[i])) {
			if s.ballSeen[u] == s.ballNow || len(s.ballList) >= ballMost {
				continue
			}
			s.ballSeen[u] = s.ballNow
			if r3.Norm2(r3.Sub(g.pos[u], g.pos[v])) <= limit && !s.k.hangs(u) {
				s.ballList = append(s.ballList, u)
			}
		}
	}
	return s.ballList
}

// worst is the largest of a yardstick's numbers in the ball around v; floor where v
// hangs, so that loose cloth has no excuse.
func (s *scratch) worst(l *lazy, v int32, floor float64, compute func(v int32) float64) float64 {
	if s.k.hangs(v) {
		return floor
	}
	for _, u := range s.ball(v) {
		floor = max(floor, l.get(u, s.now, compute))
	}
	return floor
}

// ratio is the change of an edge between two posed points, given its default
// length and the least length at which a ratio makes sense: short edges beside long
// ones grow by large factors without anyone seeing it.
func ratio(a, b r3.Vec, length, least float64) float64 {
	return 1 + (norm(r3.Sub(a, b))-length)/max(length, least)
}

// jumps reports whether the matches of two neighbours lie on different sheets of the
// body: what tears there is no yardstick.
func (s *scratch) jumps(v, u int32, length float64) bool {
	apart := norm(r3.Sub(s.k.match[v].point, s.k.match[u].point))
	return apart > alike*max(length, s.k.scale[v], s.k.scale[u])
}

// yardEdges calls f with the ratio of every edge at v, carried and as its shadow.
func (s *scratch) yardEdges(v int32, f func(r float64)) {
	g := s.k.garment
	for _, u := range g.adj.Neighbours(int(v)) {
		if s.k.hangs(u) {
			continue
		}
		l := norm(r3.Sub(g.pos[v], g.pos[u]))
		if s.jumps(v, u, l) {
			continue
		}
		least := max(s.k.scale[v], s.k.scale[u])
		f(ratio(s.carry(v), s.carry(u), l, least))
		if l0 := norm(r3.Sub(s.k.match[v].point, s.k.match[u].point)); l0 > l/alike {
			f(ratio(s.shadowOf(v), s.shadowOf(u), l0, least))
		}
	}
}

func (s *scratch) yardStretch(v int32) float64 {
	worst := 1.0
	s.yardEdges(v, func(r float64) { worst = max(worst, r) })
	return worst
}

// yardShrink is the negative of the least ratio, so that larger is worse.
func (s *scratch) yardShrink(v int32) float64 {
	worst := 1.0
	s.yardEdges(v, func(r float64) { worst = min(worst, r) })
	return -worst
}

// yardBent is the largest second difference that lines through v gain, in edge
// lengths.
func (s *scratch) yardBent(v int32) float64 {
	k := s.k
	worst := 0.0
	for i := k.garment.lineStart[v]; i < k.garment.lineStart[v+1]; i++ {
		l := &k.garment.line[i]
		if k.hangs(l.a) || k.hangs(l.b) || s.jumps(v, l.a, l.length) || s.jumps(v, l.b, l.length) {
			continue
		}
		before := norm(l.second(k.match[l.a].point, k.match[l.v].point, k.match[l.b].point))
		after := norm(l.second(s.shadowOf(l.a), s.shadowOf(l.v), s.shadowOf(l.b)))
		carried := norm(l.second(s.carry(l.a), s.carry(l.v), s.carry(l.b))) - l.bent
		worst = max(worst, max(after-before, carried)/max(l.length, k.scale[v]))
	}
	return worst
}

// yardTurned is 1 where a triangle at v turns over when carried, or the body's
// under it does.
func (s *scratch) yardTurned(v int32) float64 {
	k := s.k
	m := &k.match[v]
	if turnedOver(s.db, m.triangle, s.b) {
		return 1
	}
	for _, t := range k.garment.around.Of(v) {
		c := k.garment.tri[t]
		if k.hangs(c[0]) || k.hangs(c[1]) || k.hangs(c[2]) || s.jumps(c[0], c[1], 0) || s.jumps(c[1], c[2], 0) {
			continue
		}
		a := s.carriedBlend(c)
		if skinning.Against(&a, k.garment.normal[t], [3]r3.Vec{s.carry(c[0]), s.carry(c[1]), s.carry(c[2])}) {
			return 1
		}
	}
	return 0
}

// yardDepth is how deep v would stand in the body if it kept its offset from its
// match, or if it were carried.
func (s *scratch) yardDepth(v int32) float64 {
	deep := 0.0
	t := s.k.match[v].triangle
	if y, ok := s.ideal(v); ok {
		deep = max(deep, -s.sheet.Height(y, s.sheet.Exact(y, t)))
	}
	if !s.k.hangs(v) {
		y := s.carry(v)
		deep = max(deep, -s.sheet.Height(y, s.sheet.Exact(y, t)))
	}
	return deep
}

// yardGap is the change of the gap of v carried along.
func (s *scratch) yardGap(v int32) float64 {
	x := &s.k.match[v]
	y := s.carry(v)
	return max(0, s.sheet.Height(y, s.sheet.Exact(y, x.triangle))) - max(x.height, 0)
}

// yardClosing is how much closer v comes, carried or keeping its offset; larger is
// closer.
func (s *scratch) yardClosing(v int32) float64 {
	x := &s.k.match[v]
	closer := math.Inf(-1)
	if !s.k.hangs(v) {
		closer = -s.yardGap(v)
	}
	if y, ok := s.ideal(v); ok {
		closer = max(closer, max(x.height, 0)-max(0, s.sheet.Height(y, s.sheet.Exact(y, x.triangle))))
	}
	return closer
}

// shadowOf is the posed match of v, whether the joint touches v or not.
func (s *scratch) shadowOf(v int32) r3.Vec {
	x := &s.k.match[v]
	return s.sheet.At(x.triangle, x.bary)
}
