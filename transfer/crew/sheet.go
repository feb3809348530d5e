package crew

import (
	"math"

	"gonum.org/v1/gonum/spatial/r3"
)

// This file holds the sheets that hang free and their truth.
//
// Truth of the coat's tails, at drop d below the hem of the coat's waist and at
// place x across: the field at the hem goes over, within the first 10 cm, to
//
//	pelvis 1-k, thighs k; k = 0.45 * smoothstep(0, 0.25 m, d)
//
// and the thighs' share is split between left and right by smoothstep over
// +-12 cm of x, front and back alike. A rigger does the same by hand: tails swing
// with the hips, follow the nearer leg by less than half and never tear between
// the legs (common practice).
//
// Truth of the cape: on the shoulders the clavicles' share grows with the sine
// of the azimuth, up to 0.6, the rest is the spine at the same height; below the
// shoulders the clavicles fade over 25 cm and the spine chain takes over by
// height, its changes stretched, and everything below the hips is the pelvis.

// toSparse drops the zeros of a dense row and limits it.
func toSparse(r rowT) sparse {
	var s sparse
	for j, w := range r {
		if w > 0 {
			s.joint = append(s.joint, uint16(j))
			s.weight = append(s.weight, w)
		}
	}
	return limit(s, maxInfluences)
}

func dense(s sparse) (r rowT) {
	for i, j := range s.joint {
		r[j] = s.weight[i]
	}
	return r
}

// tailRow is the truth of the tails; see above.
func tailRow(hem sparse, drop, x float64) sparse {
	k := 0.45 * smoothstep(0, 0.25, drop)
	l := smoothstep(-0.12, 0.12, x)
	var r rowT
	r[jPelvis] = 1 - k
	r[left(sThigh)], r[left(sThigh)+numSide] = k*l, k*(1-l)
	return toSparse(lerpRow(dense(hem), r, smoothstep(0, 0.10, drop)))
}

// tails hangs a sheet of the given length under the lower hem of the trunk.
func (b *Body) tails(g *cloth, length float64, material int) {
	hem := g.hem(coatWaist)
	rows := max(4, int(math.Round(length/(0.022/math.Sqrt(b.scale)))))
	prev := hem
	uvAt := func(i, r int) [2]float32 {
		return [2]float32{float32(0.02 + 0.46*float64(i)/float64(len(hem)-1)), float32(0.99 + 0.5*float64(r)/float64(rows))}
	}
	for r := 1; r <= rows; r++ {
		next := make([]int32, len(hem))
		drop := length * math.Pow(float64(r)/float64(rows), 1.15)
		for i, h := range hem {
			p := g.pos[h]
			out := r3.Vec{X: p.X, Z: p.Z * 1.3}
			if n := r3.Norm(out); n > 0 {
				out = r3.Scale(1/n, out)
			}
			// The sheet flares and hangs in folds that deepen downwards.
			u := float64(i) / float64(len(hem)-1)
			fold := 0.014 * smoothstep(0, length, drop) * math.Sin(2*math.Pi*7.5*u+0.7+0.9*drop/length)
			flare := 0.035*smoothstep(0, 0.12, drop) + 0.10*drop
			q := r3.Add(p, r3.Scale(flare+fold, out))
			q.Y -= drop * (1 + 0.04*math.Sin(2*math.Pi*2*u))
			next[i] = g.vertex(q, tailRow(g.row[h], drop, q.X), true, -1)
		}
		for i := 0; i+1 < len(hem); i++ {
			uv := [4][2]float32{uvAt(i, r-1), uvAt(i+1, r-1), uvAt(i+1, r), uvAt(i, r)}
			// The hem runs from the left front over the back to the right front:
			// seen from outside, from left to right above the sheet.
			g.triangle(prev[i], next[i+1], prev[i+1], [3][2]float32{uv[0], uv[2], uv[1]}, material)
			g.triangle(prev[i], next[i], next[i+1], [3][2]float32{uv[0], uv[3], uv[2]}, material)
		}
		prev = next
	}
}

// hem lists the border vertices of the trunk at the start of chart row r, from
// the left front over the back to the right front.
func (g *cloth) hem(r int) []int32 {
	next := map[int32]int32{}
	count := map[[2]int32]int{}
	for _, t := range g.tri {
		for k := range t {
			a, b := t[k], t[(k+1)%3]
			count[[2]int32{min(a, b), max(a, b)}]++
		}
	}
	on := func(v int32) bool {
		return g.faceOf(int(v)).Region == regTrunk && g.along(int(v)) == float64(r)
	}
	start, has := int32(-1), map[int32]bool{}
	for _, tri := range g.tri {
		for k := range tri {
			a, b := tri[k], tri[(k+1)%3]
			if count[[2]int32{min(a, b), max(a, b)}] == 1 && on(a) && on(b) {
				next[a] = b
				has[b] = true
			}
		}
	}
	for a := range next {
		if !has[a] {
			start = a
		}
	}
	var out []int32
	for v, ok := start, true; ok; v, ok = next[v] {
		out = append(out, v)
	}
	if g.pos[out[0]].X < 0 {
		for i, j := 0, len(out)-1; i < j; i, j = i+1, j-1 {
			out[i], out[j] = out[j], out[i]
		}
	}
	return out
}

// buttons puts two columns of brass buttons on the fronts, each a closed island
// with one row: the field under its centre.
func (b *Body) buttons(g *cloth, count, material int) {
	island := int32(0)
	for _, side := range []int8{1, -1} {
		for _, row := range []float64{2.6, 3.9, 5.2, 6.5, 7.7} {
			// The coat vertex whose anchor lies nearest to the wanted place.
			want := Anchor{U: 0.55, V: row}
			best, at := math.Inf(1), 0
			for v := range count {
				q := g.faceOf(v)
				if q.Region != regTrunk || q.Side != side || q.Col != 0 {
					continue
				}
				u := g.anchor[v].U
				if side < 0 {
					u = g.anchor[v].V
				}
				if d := math.Hypot(u-want.U, g.along(v)-want.V); d < best {
					best, at = d, v
				}
			}
			n := g.normal[at]
			n = r3.Unit(r3.Vec{X: n.X, Y: 0.3 * n.Y, Z: n.Z})
			g.button(r3.Add(g.pos[at], r3.Scale(0.003, n)), n, g.row[at], island, material)
			island++
		}
	}
}

func (g *cloth) button(centre, n r3.Vec, row sparse, island int32, material int) {
	const around, radius, height = 14, 0.0115, 0.005
	ex := r3.Unit(r3.Cross(r3.Vec{Y: 1}, n))
	ey := r3.Cross(n, ex)
	ring := func(r, h float64) (ids [around]int32) {
		for k := range ids {
			s, c := math.Sincos(2 * math.Pi * float64(k) / around)
			p := r3.Add(centre, r3.Add(r3.Scale(r*c, ex), r3.Scale(r*s, ey)))
			ids[k] = g.vertex(r3.Add(p, r3.Scale(h, n)), row, false, island)
		}
		return ids
	}
	top := g.vertex(r3.Add(centre, r3.Scale(height, n)), row, false, island)
	rings := [3][around]int32{ring(0.6*radius, 0.8*height), ring(radius, 0.2*height), ring(0.8*radius, -0.3*height)}
	bottom := g.vertex(r3.Add(centre, r3.Scale(-0.3*height, n)), row, false, island)
	uv := func(r, k int) [2]float32 {
		s, c := math.Sincos(2 * math.Pi * float64(k) / around)
		return [2]float32{float32(0.5 + 0.12*float64(r)*c), float32(0.5 + 0.12*float64(r)*s)}
	}
	for k := range around {
		m := (k + 1) % around
		g.triangle(top, rings[0][k], rings[0][m], [3][2]float32{uv(0, 0), uv(1, k), uv(1, m)}, material)
		for r := range 2 {
			a, b, c, d := rings[r][k], rings[r+1][k], rings[r+1][m], rings[r][m]
			g.triangle(a, b, c, [3][2]float32{uv(r+1, k), uv(r+2, k), uv(r+2, m)}, material)
			g.triangle(a, c, d, [3][2]float32{uv(r+1, k), uv(r+2, m), uv(r+1, m)}, material)
		}
		g.triangle(bottom, rings[2][m], rings[2][k], [3][2]float32{uv(4, 0), uv(3, m), uv(3, k)}, material)
	}
}

// straps lays the two straps of the bib: from its top over the shoulders and down
// the back to the waist; each a long, thin island, its truth the field below it.
func (b *Body) straps(g *cloth, near *nearby, material int) {
	c := b.shape.cage
	faceAt := map[[3]int]int32{}
	for f, q := range c.faces {
		if q.Region == regTrunk {
			faceAt[[3]int{int(q.Side), int(q.Col), int(q.Row)}] = int32(f)
		}
	}
	// The way of the strap's middle through the trunk's chart: column, row.
	path := [][2]float64{{1.0, 6.8}, {1.05, 8.0}, {1.15, 9.0}, {1.6, 9.55}, {2.4, 9.72}, {3.6, 9.72}, {4.4, 9.5}, {4.85, 8.9}, {4.8, 7.5}, {4.75, 6.0}, {4.75, 4.6}, {4.75, 3.6}}
	const wideCol, wideRow, half = 0.080, 0.055, 0.017 // metres per column and row; half the width
	steps := int(math.Round(6 * math.Sqrt(b.scale)))
	across := max(2, int(math.Round(2*math.Sqrt(b.scale))))
	var sum rowSum
	for _, side := range []int{1, -1} {
		var prev []int32
		first, n := len(g.pos), 0
		for i := 0; i+1 < len(path); i++ {
			for k := 0; k < steps || i+2 == len(path) && k == steps; k++ {
				t := float64(k) / float64(steps)
				a, d := path[i], path[i+1]
				x, y := a[0]+t*(d[0]-a[0]), a[1]+t*(d[1]-a[1])
				// Across the way, in metres, then back in columns and rows. At the
				// knots the mean of both directions.
				px, py := -(d[1]-a[1])*wideRow, (d[0]-a[0])*wideCol
				if k == 0 && i > 0 {
					z := path[i-1]
					px, py = -(d[1]-z[1])*wideRow, (d[0]-z[0])*wideCol
				}
				l := math.Hypot(px, py)
				line := make([]int32, across+1)
				for j := range line {
					w := half * (2*float64(j)/float64(across) - 1)
					col, row := x+w*px/l/wideCol, y+w*py/l/wideRow
					f := faceAt[[3]int{side, int(col), int(row)}]
					an := Anchor{f, col - math.Floor(col), row - math.Floor(row)}
					if side < 0 {
						an.U, an.V = an.V, an.U
					}
					p, n := b.shape.at(an)
					line[j] = g.vertex(r3.Add(p, r3.Scale(0.018, n)), b.shape.rowAt(an, &sum), false, -1)
				}
				for j := 0; prev != nil && j < across; j++ {
					v := [4]int32{prev[j], prev[j+1], line[j+1], line[j]}
					if side < 0 {
						v[1], v[3] = v[3], v[1]
					}
					uv := func(r, q int) [2]float32 {
						return [2]float32{float32(float64(q) / float64(across) * 0.05), float32(float64(r) / float64(steps*len(path)))}
					}
					w := [4][2]float32{uv(n-1, j), uv(n-1, j+1), uv(n, j+1), uv(n, j)}
					if side < 0 {
						w[1], w[3] = w[3], w[1]
					}
					g.triangle(v[0], v[2], v[1], [3][2]float32{w[0], w[2], w[1]}, material)
					g.triangle(v[0], v[3], v[2], [3][2]float32{w[0], w[3], w[2]}, material)
				}
				prev = line
				n++
			}
		}
		for range 2 {
			for v := first; v < len(g.pos); v++ {
				if h, n, ok := near.height(g.pos[v]); ok && h < 0.015 {
					g.pos[v] = r3.Add(g.pos[v], r3.Scale(0.015-h, n))
				}
			}
		}
	}
}

// souwester is the oilskin hat: crown and a brim that is long behind. Stiff: its
// truth is the head alone.
func (b *Body) souwester(near *nearby) *Garment {
	g := b.cut(func(q cageFace) bool { return q.Region == regHead && q.Row >= 16 },
		layout{cell: 0.0150, warp: 0.4, jitter: 0.4, seed: 601 + b.shape.cage.b.seed, cutAcross: true})
	g.move(func(v int, p, n r3.Vec) float64 { return 0.012 + 0.002*waves(p, 0.12, 0.8) }, 0.004, 0.2)
	g.smooth(3, 0.5)
	for v := range g.row {
		g.row[v] = sparse{[]uint16{jHead}, []float64{1}}
	}
	rim := g.rim(func(v int32) bool { return int(g.faceOf(int(v)).Row) == 16 })
	prev := rim
	const rows = 5
	for r := 1; r <= rows; r++ {
		t := float64(r) / rows
		next := make([]int32, len(rim))
		for i, h := range rim {
			p := g.pos[h]
			out := r3.Unit(r3.Vec{X: p.X, Z: p.Z + 0.01})
			wide := 0.055 + 0.045*smoothstep(0.2, -1, out.Z)
			q := r3.Add(p, r3.Scale(t*wide, out))
			q.Y -= 0.035 * t * t * (1 + 0.8*smoothstep(0.2, -1, out.Z))
			next[i] = g.vertex(q, g.row[h], false, -1)
		}
		for i := range rim {
			j := (i + 1) % len(rim)
			uv := func(k, r int) [2]float32 {
				return [2]float32{float32(0.02 + 0.46*float64(k)/float64(len(rim))), float32(0.02 + 0.1*float64(r)/rows)}
			}
			g.triangle(prev[j], prev[i], next[i], [3][2]float32{uv(i+1, r-1), uv(i, r-1), uv(i, r)}, 1)
			g.triangle(prev[j], next[i], next[j], [3][2]float32{uv(i+1, r-1), uv(i, r), uv(i+1, r)}, 1)
		}
		prev = next
	}
	return g.finish("sou'wester", "oilskin", "brim")
}

// rim lists a closed border loop in the order of the triangles' edges.
func (g *cloth) rim(on func(int32) bool) []int32 {
	count := map[[2]int32]int{}
	for _, t := range g.tri {
		for k := range t {
			a, b := t[k], t[(k+1)%3]
			count[[2]int32{min(a, b), max(a, b)}]++
		}
	}
	next := map[int32]int32{}
	start := int32(-1)
	for _, t := range g.tri {
		for k := range t {
			a, b := t[k], t[(k+1)%3]
			if count[[2]int32{min(a, b), max(a, b)}] == 1 && on(a) && on(b) {
				next[a] = b
				if start < 0 {
					start = a
				}
			}
		}
	}
	out := []int32{start}
	for v := next[start]; v != start; v = next[v] {
		out = append(out, v)
	}
	return out
}

// cape is a yoke that lies over the shoulders, over the coat, and a sheet that
// hangs from the yoke's back down to the knees, behind the arms. It is symmetric.
func (b *Body) cape(near *nearby) *Garment {
	g := &cloth{body: b}
	dens := math.Sqrt(b.scale)
	half := int(math.Round(44 * dens)) // columns on each side of the back's middle
	yoke := int(math.Round(12 * dens)) // rows on the shoulders
	rows := yoke + int(math.Round(46*dens))
	// The columns from which the sheet hangs: up to 1.2 radians from the back.
	hang := int(math.Round(1.2 / capeTurn * float64(half)))
	ids := make([][]int32, rows+1)
	for r := range ids {
		ids[r] = make([]int32, 2*half+1)
		for i := range ids[r] {
			if r > yoke && (i < half-hang || i > half+hang) {
				ids[r][i] = -1
				continue
			}
			a := float64(i-half) / float64(half) // -1 right front, 0 back, 1 left front
			p, row := b.capePoint(a, min(1, float64(r)/float64(yoke)), max(0, float64(r-yoke)/float64(rows-yoke)))
			ids[r][i] = g.vertex(p, row, true, -1)
		}
	}
	for r := 0; r < rows; r++ {
		from, to := 0, 2*half
		if r >= yoke {
			from, to = half-hang, half+hang
		}
		for i := from; i < to; i++ {
			uv := func(i, r int) [2]float32 {
				return [2]float32{float32(float64(i) / float64(2*half)), float32(float64(r) / float64(rows))}
			}
			v := [4]int32{ids[r][i], ids[r+1][i], ids[r+1][i+1], ids[r][i+1]}
			w := [4][2]float32{uv(i, r), uv(i, r+1), uv(i+1, r+1), uv(i+1, r)}
			// Diagonals mirror at the middle.
			k := [2][3]int{{0, 2, 1}, {0, 3, 2}}
			if i >= half {
				k = [2][3]int{{0, 3, 1}, {1, 3, 2}}
			}
			for _, k := range k {
				g.triangle(v[k[0]], v[k[1]], v[k[2]], [3][2]float32{w[k[0]], w[k[1]], w[k[2]]}, 0)
			}
		}
	}
	g.smooth(4, 0.5)
	g.clear(near, func(int) float64 { return 0.03 })
	g.smooth(2, 0.5)
	g.evenSides(2*half+1, ids)
	return g.finish("cape", "felt")
}

// evenSides makes mirrored grid vertices exactly mirrored: smoothing sums in
// another order on each side.
func (g *cloth) evenSides(columns int, ids [][]int32) {
	for r := range ids {
		for i := 0; i <= columns/2; i++ {
			v, w := ids[r][i], ids[r][columns-1-i]
			if v < 0 {
				continue
			}
			p, q := g.pos[v], g.pos[w]
			q.X = -q.X
			m := r3.Scale(0.5, r3.Add(p, q))
			if v == w {
				m.X = 0
			}
			g.pos[v] = m
			m.X = -m.X
			g.pos[w] = m
		}
	}
}

// capeTurn is how far the yoke reaches around the neck on each side, radians
// from the back.
const capeTurn = 2.5

// capePoint places the cape: a across, u from the collar to the shoulders' edge,
// t down the hanging sheet; and gives its truth.
func (b *Body) capePoint(a, u, t float64) (r3.Vec, sparse) {
	c := b.shape.cage.b
	phi := a * capeTurn
	s, k := math.Sin(phi), math.Cos(phi)
	collar := r3.Vec{X: 0.092 * s, Y: c.height(1.560 - 0.055*smoothstep(0.3, -1, k)), Z: -0.018 - 0.096*k}
	edge := r3.Vec{X: 0.230 * c.breadth * s, Y: c.height(1.500 - 0.045*k*k + 0.020*s*s), Z: -0.035 - 0.185*c.girth*k}
	p := r3.Add(r3.Scale(1-u, collar), r3.Scale(u, edge))
	p.Y += 0.035 * math.Sin(math.Pi*u)
	length := edge.Y - c.height(0.52)
	drop := length * t
	// The sheet falls backwards at the sides, behind the arms, and in folds.
	p.Y -= drop
	p.Z -= 0.12*smoothstep(0, 0.30, drop)*s*s + 0.03*drop
	p.X *= 1 + 0.25*drop
	fold := 0.022 * smoothstep(0.05, 0.5, drop) * math.Cos(8*phi)
	p.Z -= fold * math.Abs(k)
	p.X += fold * s
	// Truth; see the head of the file. The spine's share at the mate's height:
	row := spineRow(1.45 - 0.75*t)
	clav := 0.6 * math.Abs(s) * smoothstep(0.04, 0.16, math.Abs(p.X)) * smoothstep(0.25, 0, drop)
	l := smoothstep(-1, 1, 1.6*s)
	var cl rowT
	cl[left(sClavicle)], cl[left(sClavicle)+numSide] = l, 1-l
	return p, toSparse(lerpRow(row, cl, clav))
}
