package crew

import (
	"math"

	"github.com/selvage/selvage/transfer/mesh"
	"github.com/selvage/selvage/transfer/weights"
	"gonum.org/v1/gonum/spatial/r3"
)

// This file cuts the smooth surface into triangles. Every chord of the cage (a
// class of opposite edges) is cut into one number of pieces, so that neighbouring
// faces fit whatever the layout.

// layout says how a part of the surface is cut into triangles.
type layout struct {
	// cell is the target edge length on the trunk, metres; other regions scale it.
	cell float64
	// warp moves the cuts along the cage's edges, in cells; jitter moves the
	// vertices inside the faces.
	warp, jitter float64
	seed         uint64
	// cutAcross chooses the longer diagonal of a quad where its hash says so.
	cutAcross bool
	// openFront keeps the two sides of the trunk's front midline apart.
	openFront bool
	// dense multiplies the number of pieces by face; nil means 1.
	dense func(cageFace) float64
}

// regionCell is the cell size of a region relative to the trunk's.
func regionCell(r region) float64 {
	switch r {
	case regHead:
		return 0.75
	case regArm:
		return 0.9
	case regPalm:
		return 0.6
	case regThumb, regIndex, regMiddle, regRing, regLittle:
		return 0.42
	case regFoot:
		return 0.8
	}
	return 1
}

// hash is a fixed scramble of its arguments to [0,1).
// Source: the finaliser of SplitMix64 (Steele, Lea, Flood, "Fast splittable
// pseudorandom number generators", OOPSLA 2014).
func hash(seed uint64, a, b, c int) float64 {
	z := seed*0x9e3779b97f4a7c15 + uint64(a)*0xbf58476d1ce4e5b9 + uint64(b)*0x94d049bb133111eb + uint64(c)*0xd6e8feb86659fd93
	z = (z ^ z>>30) * 0xbf58476d1ce4e5b9
	z = (z ^ z>>27) * 0x94d049bb133111eb
	z ^= z >> 31
	return float64(z>>11) / (1 << 53)
}

// patch is a tessellated part of the surface, every vertex once (no seams yet).
type patch struct {
	anchor []Anchor
	pos    []r3.Vec
	normal []r3.Vec
	row    []sparse
	tri    [][3]int32
	face   []int32         // cage face of each triangle
	local  [][3][2]float64 // its corners' parameters in that face
}

// tessellate cuts the given cage faces into triangles. Vertices on shared cage
// edges are shared.
func (s *surface) tessellate(faces []int32, l layout) *patch {
	c := s.cage
	edge, length, chord := s.measure()
	// Pieces of each chord: its mean length over its mean target.
	sumLen, sumTarget := make([]float64, len(chord)), make([]float64, len(chord))
	for f, es := range edge {
		for _, e := range es {
			reg := c.faces[f].Region
			t := regionCell(reg) * l.cell
			if l.dense != nil {
				t /= l.dense(c.faces[f])
			}
			sumLen[chord[e]] += length[e]
			sumTarget[chord[e]] += t
		}
	}
	pieces := func(e int32) int {
		k := chord[e]
		return max(1, int(math.Round(sumLen[k]/sumTarget[k])))
	}
	p := &patch{}
	add := func(a Anchor) int32 {
		p.anchor = append(p.anchor, a)
		return int32(len(p.anchor) - 1)
	}
	corner := map[int32]int32{}
	inner := map[int32]int32{} // first vertex inside an edge
	// cut is the share of edge e at its i-th of n cuts, from the end with the
	// lower vertex number.
	cut := func(e int32, i, n int) float64 {
		t := float64(i) / float64(n)
		if i == 0 || i == n {
			return t
		}
		return t + l.warp*(hash(l.seed, int(e), i, 1)-0.5)/float64(n)
	}
	var grid []int32
	var param [][2]float64
	for _, f := range faces {
		q := c.faces[f]
		nu, nv := pieces(edge[f][0]), pieces(edge[f][1])
		w := nu + 1
		grid = append(grid[:0], make([]int32, w*(nv+1))...)
		param = append(param[:0], make([][2]float64, w*(nv+1))...)
		// Corners, then the insides of the four edges.
		at := [4]int{0, nu, nv*w + nu, nv * w}
		uv := [4][2]float64{{0, 0}, {1, 0}, {1, 1}, {0, 1}}
		for k, v := range q.V {
			key := v
			if l.openFront && q.Side < 0 && c.front[v] {
				key = -1 - v
			}
			id, ok := corner[key]
			if !ok {
				id = add(Anchor{f, uv[k][0], uv[k][1]})
				corner[key] = id
			}
			grid[at[k]], param[at[k]] = id, uv[k]
		}
		for k := range 4 {
			n := nu
			if k%2 == 1 {
				n = nv
			}
			e := edge[f][k]
			flip := q.V[k] > q.V[(k+1)%4]
			key := e
			if l.openFront && q.Side < 0 && c.front[q.V[k]] && c.front[q.V[(k+1)%4]] {
				key = -1 - e
			}
			first, ok := inner[key]
			if !ok {
				first = int32(len(p.anchor))
				inner[key] = first
			}
			step := (at[(k+1)%4] - at[k]) / n
			for i := 1; i < n; i++ {
				j := i
				if flip {
					j = n - i
				}
				t := cut(e, j, n)
				if flip {
					t = 1 - t
				}
				a, b := uv[k], uv[(k+1)%4]
				pr := [2]float64{a[0] + (b[0]-a[0])*t, a[1] + (b[1]-a[1])*t}
				g := at[k] + i*step
				grid[g], param[g] = first+int32(j-1), pr
			}
			if !ok {
				for j := 1; j < n; j++ {
					i := j
					if flip {
						i = n - j
					}
					pr := param[at[k]+i*step]
					add(Anchor{f, pr[0], pr[1]})
				}
			}
		}
		for y := 1; y < nv; y++ {
			for x := 1; x < nu; x++ {
				tx, ty := float64(x)/float64(nu), float64(y)/float64(nv)
				u := param[x][0]*(1-ty) + param[nv*w+x][0]*ty
				v := param[y*w][1]*(1-tx) + param[y*w+nu][1]*tx
				u += l.jitter * (hash(l.seed, int(f), x, 2+y) - 0.5) / float64(nu)
				v += l.jitter * (hash(l.seed, int(f), x, 1002+y) - 0.5) / float64(nv)
				grid[y*w+x], param[y*w+x] = add(Anchor{f, u, v}), [2]float64{u, v}
			}
		}
		for y := range nv {
			for x := range nu {
				i := [4]int{y*w + x, y*w + x + 1, (y+1)*w + x + 1, (y+1)*w + x}
				var pt [4]r3.Vec
				for k, g := range i {
					pt[k], _ = s.at(Anchor{f, param[g][0], param[g][1]})
				}
				other := r3.Norm2(r3.Sub(pt[0], pt[2])) > r3.Norm2(r3.Sub(pt[1], pt[3]))
				if l.cutAcross && hash(l.seed, int(f), x, 2002+y) < 0.3 {
					other = !other
				}
				t := [2][3]int{{0, 1, 2}, {0, 2, 3}}
				if other {
					t = [2][3]int{{0, 1, 3}, {1, 2, 3}}
				}
				for _, k := range t {
					p.tri = append(p.tri, [3]int32{grid[i[k[0]]], grid[i[k[1]]], grid[i[k[2]]]})
					p.face = append(p.face, f)
					p.local = append(p.local, [3][2]float64{param[i[k[0]]], param[i[k[1]]], param[i[k[2]]]})
				}
			}
		}
	}
	p.pos = make([]r3.Vec, len(p.anchor))
	p.normal = make([]r3.Vec, len(p.anchor))
	p.row = make([]sparse, len(p.anchor))
	var sum rowSum
	for i, a := range p.anchor {
		p.pos[i], p.normal[i] = s.at(a)
		p.row[i] = s.rowAt(a, &sum)
	}
	return p
}

// chart returns the texture coordinates of a point of a cage face: every region
// of every side has its own cell of an 8 by 4 atlas (trunk and head share one).
func (c *cage) chart(f int32, u, v float64) [2]float32 {
	q := c.faces[f]
	if q.Side < 0 {
		u, v = v, u
	}
	x := float64(q.Col) + u
	if q.Region >= regThumb {
		x = float64(q.Col) + 1 - u
	}
	y := float64(q.Row) + v
	if q.Region <= regHead {
		// Both halves around the front's middle.
		x = x * float64(q.Side)
		return [2]float32{float32(0.25 + x/12*0.48), float32(0.98 - 0.96*y/20)}
	}
	cell := int(q.Region-regArm) * 2
	if q.Side < 0 {
		cell++
	}
	ox, oy := 0.5+0.1*float64(cell%5), 0.25*float64(cell/5)
	wide, high := 10.0, 16.0
	switch {
	case q.Region == regLeg || q.Region == regFoot:
		wide, high = 8, 20
	case q.Region >= regThumb:
		wide, high = 4, 12
	case q.Region == regPalm:
		high = 4
	}
	return [2]float32{float32(ox + 0.005 + 0.09*x/wide), float32(oy + 0.005 + 0.24*y/high)}
}

// seamed is a patch whose vertices are split along the borders of its charts.
type seamed struct {
	mesh *mesh.Mesh
	rows *weights.Rows
	uv   [][2]float32
	from []int32 // the patch's vertex
}

// split gives every vertex of p one copy per texture coordinate.
func (p *patch) split(uvOf func(tri, corner int) [2]float32) *seamed {
	type key struct {
		v    int32
		a, b float32
	}
	index := map[key]int32{}
	s := &seamed{mesh: &mesh.Mesh{}}
	for t, tri := range p.tri {
		var out [3]int32
		for k, v := range tri {
			uv := uvOf(t, k)
			id, ok := index[key{v, uv[0], uv[1]}]
			if !ok {
				id = int32(len(s.from))
				index[key{v, uv[0], uv[1]}] = id
				s.from = append(s.from, v)
				s.uv = append(s.uv, uv)
			}
			out[k] = id
		}
		s.mesh.Triangles = append(s.mesh.Triangles, out)
	}
	s.rows = weights.NewRows(len(s.from))
	for _, v := range s.from {
		s.mesh.Positions = append(s.mesh.Positions, p.pos[v])
		s.mesh.Normals = append(s.mesh.Normals, p.normal[v])
		s.rows.Append(p.row[v].joint, p.row[v].weight)
	}
	return s
}
