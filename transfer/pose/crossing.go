package pose

// Crossings: cloth that enters another part of the body than the one it lies over, a
// sleeve the trunk, say, where the body's own limb does not.
//
// Which triangles are another part is not told by the default pose but by the motion:
// those that the pose moves otherwise. A coarse grid of seed triangles of the posed
// body says where the other part is near; from a seed the search walks to the nearest
// point of the sheet. Vertices are probed about a centimetre apart on a grown figure;
// around one that crosses, all are looked at.

import (
	"math"

	"gonum.org/v1/gonum/spatial/r3"
)

const (
	// probeShare is how far apart probes stand, as a share of the body's diagonal:
	// about 1 cm on a grown figure.
	probeShare = 0.005
	// seedShare is the size of the grid's cells, about 5 cm: from one cell and those
	// around it the sheets are found that a vertex is up to so deep in.
	seedShare = 0.025
	// otherPart is the difference of two shares of a joint (two rows: half their L1
	// distance) from which on they are parts that move against each other.
	otherPart = 0.5
	// mostCells bounds the grid.
	mostCells = 1 << 22
)

// seeds are what the search of crossings needs of both surfaces; made once.
type seeds struct {
	cell   float64
	list   []int32 // triangles of the body
	probes []int32 // vertices of the garment, ascending
}

// newSeeds picks of the body, in each cell of the default pose and for each of six
// directions, the first triangle that faces that way, and of the garment one vertex a
// small cell.
func (k *Checker) newSeeds(diagonal float64) {
	k.seeds.cell = seedShare * diagonal
	if !(k.seeds.cell > 0) {
		return
	}
	cellOf := func(p r3.Vec, size float64) [3]int32 {
		return [3]int32{int32(math.Floor(p.X / size)), int32(math.Floor(p.Y / size)), int32(math.Floor(p.Z / size))}
	}
	type facing struct {
		cell [3]int32
		side int8
	}
	seen := map[facing]bool{}
	for t, c := range k.body.tri {
		n := k.body.normal[t]
		side, most := int8(0), math.Abs(n.X)
		if y := math.Abs(n.Y); y > most {
			side, most = 1, y
		}
		if z := math.Abs(n.Z); z > most {
			side, most = 2, z
		}
		if most == 0 {
			continue
		}
		if [3]float64{n.X, n.Y, n.Z}[side] < 0 {
			side += 3
		}
		x := facing{cellOf(k.body.pos[c[0]], k.seeds.cell), side}
		if !seen[x] {
			seen[x] = true
			k.seeds.list = append(k.seeds.list, int32(t))
		}
	}
	taken := map[[3]int32]bool{}
	for v := range k.garment.pos {
		m := &k.match[v]
		if k.hangs(int32(v)) || m.inside {
			continue
		}
		if c := cellOf(k.garment.pos[v], probeShare*diagonal); !taken[c] {
			taken[c] = true
			k.seeds.probes = append(k.seeds.probes, int32(v))
		}
	}
}

// grid holds the seeds of one pose by cell. What is stamped with an older pose is
// empty.
type grid struct {
	origin r3.Vec
	size   float64
	n      [3]int
	stamp  []int32
	first  []int32 // seed of the cell, index of seeds.list; -1: none
	near   []uint8 // parts that have a seed in the cell or beside it, a bit each
	next   []int32 // next seed of the same cell
	share  []float64
	now    int32
}

const lowShare, highShare = 1, 2 // bits of grid.near

// at is the cell of p, -1 outside.
func (g *grid) at(p r3.Vec) int {
	x, y, z := int(math.Floor((p.X-g.origin.X)/g.size)), int(math.Floor((p.Y-g.origin.Y)/g.size)), int(math.Floor((p.Z-g.origin.Z)/g.size))
	if x < 0 || y < 0 || z < 0 || x >= g.n[0] || y >= g.n[1] || z >= g.n[2] {
		return -1
	}
	return (z*g.n[1]+y)*g.n[0] + x
}

// touch empties a cell of an older pose.
func (g *grid) touch(i int) {
	if g.stamp[i] != g.now {
		g.stamp[i], g.first[i], g.near[i] = g.now, -1, 0
	}
}

// around calls f with the cells at and beside i, which is not at the border.
func (g *grid) around(i int, f func(j int)) {
	for z := -1; z <= 1; z++ {
		for y := -1; y <= 1; y++ {
			for x := -1; x <= 1; x++ {
				f(i + (z*g.n[1]+y)*g.n[0] + x)
			}
		}
	}
}

// fill puts the seeds of the posed body into the grid; ok is false where no part moves
// against another.
func (s *scratch) fill() (ok bool) {
	g, k := &s.grid, s.k
	n := len(k.seeds.list)
	if n == 0 || len(k.seeds.probes) == 0 {
		return false
	}
	if g.next == nil {
		g.next, g.share = make([]int32, n), make([]float64, n)
	}
	low, high := s.b[k.body.tri[k.seeds.list[0]][0]], s.b[k.body.tri[k.seeds.list[0]][0]]
	parts := uint8(0)
	for i, t := range k.seeds.list {
		c := k.body.tri[t]
		p := s.b[c[0]]
		low = r3.Vec{X: min(low.X, p.X), Y: min(low.Y, p.Y), Z: min(low.Z, p.Z)}
		high = r3.Vec{X: max(high.X, p.X), Y: max(high.Y, p.Y), Z: max(high.Z, p.Z)}
		if s.a.joint < 0 {
			parts = lowShare | highShare
			continue
		}
		g.share[i] = (s.a.body[c[0]] + s.a.body[c[1]] + s.a.body[c[2]]) / 3
		parts |= partOf(g.share[i])
	}
	if parts != lowShare|highShare {
		return false
	}
	// A border of two cells: seeds have neighbours on every side.
	g.size = k.seeds.cell
	g.origin = r3.Sub(low, r3.Vec{X: 2 * g.size, Y: 2 * g.size, Z: 2 * g.size})
	total := 1.0
	for i, x := range [3]float64{high.X - low.X, high.Y - low.Y, high.Z - low.Z} {
		if total *= x/g.size + 5; !(total <= mostCells) { // also where it is no number
			return false
		}
		g.n[i] = int(x/g.size) + 5
	}
	if cells := g.n[0] * g.n[1] * g.n[2]; cells > len(g.stamp) {
		g.stamp, g.first, g.near, g.now = make([]int32, cells), make([]int32, cells), make([]uint8, cells), 0
	}
	g.now++
	for i, t := range k.seeds.list {
		j := g.at(s.b[k.body.tri[t][0]])
		g.touch(j)
		bit := uint8(lowShare | highShare)
		if s.a.joint >= 0 {
			bit = partOf(g.share[i])
		}
		// The cells beside have the bit already where another seed of the part is here.
		known := g.first[j] >= 0 && s.a.joint < 0
		g.next[i], g.first[j] = g.first[j], int32(i)
		if !known {
			g.around(j, func(q int) {
				g.touch(q)
				g.near[q] |= bit
			})
		}
	}
	return true
}

func partOf(share float64) uint8 {
	if share < otherPart {
		return lowShare
	}
	return highShare
}

// apart reports whether triangle t of the body and the match of v are parts that the
// pose may move against each other.
func (s *scratch) apart(v, t int32) bool {
	c := s.k.body.tri[t]
	if s.a.joint >= 0 {
		return math.Abs((s.a.body[c[0]]+s.a.body[c[1]]+s.a.body[c[2]])/3-s.carriedShare(v)) > otherPart
	}
	// Half the L1 distance of the rows at the two first corners: rows change little
	// across a triangle.
	m := s.k.body.tri[s.k.match[v].triangle]
	return s.k.body.rows.DistanceL1(int(c[0]), s.k.body.rows, int(m[0]))/2 > otherPart
}

// crossings finds vertices that were outside the body and are inside another part of
// it than the one they are matched to, where the matched body point itself is not, and
// leaves in s.over how much deeper they are than the body's row at their match, or the
// offset from it, would take them. What goes in as deep as those is left in s.forced.
func (s *scratch) crossings(m *Measures) {
	if !s.fill() {
		return
	}
	k, g := s.k, &s.grid
	s.crossNow++
	if s.a.joint >= 0 && s.a.probe == nil {
		s.a.probe = make([]float64, len(k.seeds.probes))
		for i, v := range k.seeds.probes {
			s.a.probe[i] = s.carriedShare(v)
		}
	}
	for i, v := range k.seeds.probes {
		if s.stopped(i) {
			return
		}
		p := s.g[v]
		j := g.at(p)
		if j < 0 || g.stamp[j] != g.now {
			continue
		}
		w := 0.0
		if s.a.joint >= 0 {
			w = s.a.probe[i]
			if w < otherPart && g.near[j]&highShare == 0 || w >= otherPart && g.near[j]&lowShare == 0 {
				continue
			}
		}
		// The nearest seed of another part: a point inside that part is behind it, one
		// outside stands before it.
		best, bestSq := int32(-1), g.size*g.size
		look := func(q int) {
			if q < 0 || q >= len(g.stamp) || g.stamp[q] != g.now {
				return
			}
			for x := g.first[q]; x >= 0; x = g.next[x] {
				if s.a.joint >= 0 && math.Abs(g.share[x]-w) <= otherPart {
					continue
				}
				t := k.seeds.list[x]
				if d := r3.Norm2(r3.Sub(p, s.b[k.body.tri[t][0]])); d < bestSq && (s.a.joint >= 0 || s.apart(v, t)) {
					best, bestSq = t, d
				}
			}
		}
		g.around(j, look)
		if best < 0 || !s.behind(p, best) {
			continue
		}
		if s.crossed[v] == s.crossNow {
			continue
		}
		// From a probe that crosses to all that do around it.
		s.crossQueue = append(s.crossQueue[:0], crossStart{v, best})
		s.crossed[v] = s.crossNow
		for q := 0; q < len(s.crossQueue); q++ {
			x := s.crossQueue[q]
			t, in := s.cross(x.v, x.t, m)
			if !in {
				continue
			}
			for _, u := range k.garment.adj.Neighbours(int(x.v)) {
				if s.crossed[u] != s.crossNow && !k.hangs(u) && !k.match[u].inside {
					s.crossed[u] = s.crossNow
					s.crossQueue = append(s.crossQueue, crossStart{u, t})
				}
			}
		}
	}
}

// behind reports whether p stands behind the plane of a posed triangle of the body.
func (s *scratch) behind(p r3.Vec, t int32) bool {
	c := s.sheet.Corners(t)
	return det(c[0], c[1], c[2], p) > 0
}

// crossStart is a vertex to look at, and the triangle to walk from.
type crossStart struct{ v, t int32 }

// cross judges one vertex; in says that it is inside the other part, and t is the
// triangle nearest to it there.
func (s *scratch) cross(v, start int32, m *Measures) (t int32, in bool) {
	limit := s.k.limits.Crossing
	// depth of a point in the sheet around start; negative outside, or where the walk
	// comes home to the vertex's own part.
	depth := func(p r3.Vec) (float64, int32) {
		f := s.sheet.Walk(p, start)
		if !s.apart(v, f.Triangle) {
			return math.Inf(-1), f.Triangle
		}
		return -s.sheet.Height(p, f), f.Triangle
	}
	d, t := depth(s.g[v])
	if !(d > limit) || d > s.k.seeds.cell || turnedOver(s.db, t, s.b) {
		return t, false
	}
	// Where the body itself goes in, the cloth over it can't but.
	if q, _ := depth(s.shadowOf(v)); q > -limit/4 || math.IsInf(q, -1) {
		return t, false
	}
	m.Crossed = max(m.Crossed, d)
	own := 0.0
	if !s.decided(v, limit) {
		forced, _ := depth(s.carry(v))
		if y, ok := s.ideal(v); ok {
			x, _ := depth(y)
			forced = max(forced, x)
		}
		own = d - max(0, forced)
	}
	if own > limit {
		s.over.add(v, own/limit, own)
	} else if d > s.k.limits.CarriedIn {
		s.forced.add(v, d/s.k.limits.CarriedIn, d)
	}
	return t, true
}
