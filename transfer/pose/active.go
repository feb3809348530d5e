package pose

// What a joint changes. A joint's pose moves a vertex by its share, the weight in
// the joint's subtree. Where the share is 0 or 1 on a piece of cloth and on the body
// around its match alike, both move as one rigid piece: no gap, edge or line there
// can change, and nothing there is computed.

// dust is the share below which a vertex counts as not moved, and above one minus
// which as moved whole: a micrometre at arm's length.
const dust = 1e-6

// ringsAround is how many rings of triangles around a match must be of one piece
// before the vertex over it is passed over.
const ringsAround = 2

const mixed = 2 // class of a vertex whose share is neither 0 nor 1

// active lists what a joint's poses can change, by index.
type active struct {
	joint         int       // -1: a whole pose, everything
	garment, body []float64 // share of each vertex; nil for whole poses
	movedBody     []int32   // body vertices with a share
	moved         []int32   // garment vertices with a share
	judged        []int32   // garment vertices whose gap can change
	touched       []int32   // garment vertices of the edges, lines and triangles below
	edge, line    []int32
	tri           []int32
	island        []int32 // of Checker.islands
	seam          []int32 // of Checker.seams
	bodyLine      []int32
	bodyTri       []int32
	probe         []float64 // share at the match of each probe of crossings; made when asked for
	ring          []ring    // that bound the bend on the garment
	bodyRing      []ring
}

// shares returns each vertex's weight in the subtree of root, exactly 0 or 1 within
// dust.
func (s *surface) shares(skeleton *skeleton, root int) []float64 {
	out := make([]float64, len(s.pos))
	for v := range out {
		joint, weight := s.rows.Row(v)
		w := 0.0
		for i, j := range joint {
			if skeleton.within(root, int(j)) {
				w += weight[i]
			}
		}
		switch {
		case w < dust:
			w = 0
		case w > 1-dust && w < 1+dust:
			w = 1
		}
		out[v] = w
	}
	return out
}

func class(share float64) uint8 {
	switch share {
	case 0:
		return 0
	case 1:
		return 1
	}
	return mixed
}

func classes(share []float64) []uint8 {
	out := make([]uint8, len(share))
	for v, w := range share {
		out[v] = class(w)
	}
	return out
}

// spread marks as mixed whatever lies within some rings of a change of class.
func (s *surface) spread(c []uint8, rings int) []uint8 {
	out := append([]uint8(nil), c...)
	var front []int32
	for v, x := range c {
		if x == mixed {
			front = append(front, int32(v))
		}
	}
	for _, e := range s.edge {
		if c[e[0]] != c[e[1]] {
			for _, v := range e {
				if out[v] != mixed {
					out[v] = mixed
					front = append(front, v)
				}
			}
		}
	}
	for range rings {
		var next []int32
		for _, v := range front {
			for _, u := range s.adj.Neighbours(int(v)) {
				if out[u] != mixed {
					out[u] = mixed
					next = append(next, u)
				}
			}
		}
		front = next
	}
	return out
}

// still reports whether vertices of these classes move as one rigid piece.
func still(c []uint8, v ...int32) bool {
	x := c[v[0]]
	if x == mixed {
		return false
	}
	for _, u := range v[1:] {
		if c[u] != x {
			return false
		}
	}
	return true
}

// newActive lists what joint changes; -1 stands for everything.
func (k *Checker) newActive(joint int) *active {
	a := &active{joint: joint}
	var cg, cb, around []uint8
	if joint >= 0 {
		a.garment, a.body = k.garment.shares(k.skeleton, joint), k.body.shares(k.skeleton, joint)
		cg, cb = classes(a.garment), classes(a.body)
		around = k.body.spread(cb, ringsAround)
	}
	if joint < 0 || k.exhaustive {
		// All mixed: nothing may be skipped.
		cg, cb = make([]uint8, len(k.garment.pos)), make([]uint8, len(k.body.pos))
		for v := range cg {
			cg[v] = mixed
		}
		for v := range cb {
			cb[v] = mixed
		}
		around = cb
	}
	for v, c := range cb {
		if c != 0 {
			a.movedBody = append(a.movedBody, int32(v))
		}
	}
	touched := make([]bool, len(cg))
	for v, c := range cg {
		if c != 0 {
			a.moved = append(a.moved, int32(v))
		}
		m := &k.match[v]
		if m.triangle < 0 {
			continue
		}
		t := k.body.tri[m.triangle]
		if c == mixed || !still(around, t[:]...) || around[t[0]] != c {
			if m.distance <= k.reach {
				a.judged = append(a.judged, int32(v))
			}
			touched[v] = true
		}
	}
	for i, e := range k.garment.edge {
		if !still(cg, e[0], e[1]) {
			a.edge = append(a.edge, int32(i))
			touched[e[0]], touched[e[1]] = true, true
		}
	}
	for i := range k.garment.line {
		l := &k.garment.line[i]
		if !still(cg, l.a, l.v, l.b) {
			a.line = append(a.line, int32(i))
			touched[l.a], touched[l.v], touched[l.b] = true, true, true
		}
	}
	for i, t := range k.garment.tri {
		if !still(cg, t[:]...) {
			a.tri = append(a.tri, int32(i))
		}
	}
	for i := range k.islands {
		if !still(cg, k.islands[i].members...) {
			a.island = append(a.island, int32(i))
		}
	}
	for i := range k.seams {
		a.seam = append(a.seam, int32(i))
	}
	for i := range k.body.line {
		l := &k.body.line[i]
		if !still(cb, l.a, l.v, l.b) && k.covered[l.v] {
			a.bodyLine = append(a.bodyLine, int32(i))
		}
	}
	for i, t := range k.body.tri {
		if !still(cb, t[:]...) && k.covered[t[0]] {
			a.bodyTri = append(a.bodyTri, int32(i))
		}
	}
	if joint >= 0 {
		a.ring = ringsOf(k.garment, a.tri, cg, func(v int32) bool { return !k.hangs(v) }, func(v int32) float64 { return k.match[v].side })
		a.bodyRing = ringsOf(k.body, a.bodyTri, cb, func(int32) bool { return true }, func(int32) float64 { return 1 })
	}
	for v, yes := range touched {
		if yes {
			a.touched = append(a.touched, int32(v))
		}
	}
	return a
}

// idle reports whether the poses change nothing that could be a fault.
func (a *active) idle() bool {
	return len(a.judged)+len(a.edge)+len(a.line)+len(a.tri)+len(a.island) == 0
}
