package crew

import (
	"math"

	"gonum.org/v1/gonum/spatial/r3"
)

// This file builds the control cage of a body ring by ring, with a row at every
// cage vertex. Rows follow chains (spine, arm, fingers, leg) as partitions of
// unity along the chain, and are blended where a limb leaves the trunk.

// region is the part of the body that a cage face belongs to.
type region uint8

const (
	regTrunk region = iota
	regHead
	regArm
	regPalm
	regThumb
	regIndex
	regMiddle
	regRing
	regLittle
	regLeg
	regFoot
)

// Rows of the trunk's chart, counted from the crotch: ring r of cage vertices.
const (
	rowHip      = 1
	rowWaist    = 3
	rowArmpit   = 6
	rowShoulder = 9
	rowNeck     = 10
	rowJaw      = 12
	rowCrown    = 18
)

// cageFace is one quadrilateral of the control cage, counter-clockwise from
// outside. Its parameters are (0,0) at V[0], (1,0) at V[1], (1,1) at V[2] and
// (0,1) at V[3] on the left side; on the right, mirrored side V runs the other
// way round from the same corner, so that the parameters change places.
type cageFace struct {
	V      [4]int32
	Region region
	Side   int8 // +1 left, -1 right
	// Col and Row place the face in its region's chart: columns around, rows along.
	Col, Row int16
}

// cage is the control mesh of a body: vertices with position and dense row.
type cage struct {
	pos    []r3.Vec
	row    [][numJoints]float64
	mirror []int32 // the vertex of the other side, itself on the midline
	// front marks the vertices of the trunk's front midline, where coats open.
	front []bool
	faces []cageFace
	// half is the number of left faces; face f < half mirrors to half+f.
	half   int
	middle [numMiddle]r3.Vec
	side   [numSide]r3.Vec
	// The left arm: shoulder joint, unit vectors along the arm and towards the back
	// of the hand, and the arm's length relative to the mate's.
	armOrigin, armDir, armUp r3.Vec
	armScale                 float64
	b                        build
}

type rowT = [numJoints]float64

func lerpRow(a, b rowT, t float64) rowT {
	for j := range a {
		a[j] += (b[j] - a[j]) * t
	}
	return a
}

func one(j int) (r rowT) { r[j] = 1; return r }

func smoothstep(a, b, x float64) float64 {
	t := (x - a) / (b - a)
	if t <= 0 {
		return 0
	}
	if t >= 1 {
		return 1
	}
	return t * t * (3 - 2*t)
}

// station is a joint of a chain: it takes over at coordinate At, over a
// transition of half width Half.
type station struct {
	joint    int
	at, half float64
}

// chainRow is the row at coordinate s of a chain: a partition of unity made of
// differences of smooth steps, at most the joints whose transitions overlap.
func chainRow(chain []station, s float64) (r rowT) {
	prev := 1.0
	for i, c := range chain {
		step := 1.0
		if i > 0 {
			step = min(prev, smoothstep(c.at-c.half, c.at+c.half, s))
			r[chain[i-1].joint] += prev - step
		}
		prev = step
	}
	r[chain[len(chain)-1].joint] += prev
	return r
}

// height maps a height of the mate to this build's.
func (b build) height(y float64) float64 {
	const hip = 0.92
	if y < hip {
		return y * b.leg
	}
	return hip*b.leg + (y-hip)*b.trunk
}

func (c *cage) vert(p r3.Vec, row rowT) int32 {
	c.pos = append(c.pos, p)
	c.row = append(c.row, row)
	return int32(len(c.pos) - 1)
}

func (c *cage) quad(reg region, col, row int, v0, v1, v2, v3 int32) {
	c.faces = append(c.faces, cageFace{V: [4]int32{v0, v1, v2, v3}, Region: reg, Side: 1, Col: int16(col), Row: int16(row)})
}

// newCage builds the left half by rings, then mirrors it.
//
// Rings: the trunk has 12 vertices around (7 on the left half, columns 0 front
// to 6 back), an arm 10 (the rim of the 2 by 3 block of trunk faces around the
// shoulder), a finger 4 (one column of the palm), a leg 8 (the left half of the
// lowest trunk ring and one vertex of the crotch).
//
// A closed uniform cubic B-spline with n control points on a circle of radius r
// has radius r(4+2cos(2 pi/n))/6 at its knots; ring radii are divided by that.
func newCage(b build) *cage {
	c := &cage{b: b}
	c.placeJoints()
	trunk := c.trunkRings()
	c.arm(trunk)
	c.leg(trunk[0])
	c.mirrorHalf()
	c.front = make([]bool, len(c.pos))
	for _, r := range trunk {
		c.front[r[0]] = true
	}
	return c
}

func (c *cage) placeJoints() {
	b := c.b
	h := b.height
	y := [numMiddle]float64{0, h(0.97), h(1.05), h(1.16), h(1.28), h(1.40), h(1.51), h(1.595)}
	z := [numMiddle]float64{0, 0, -0.01, -0.02, -0.03, -0.035, -0.03, 0}
	for j := range y {
		c.middle[j] = r3.Vec{Y: y[j], Z: z[j]}
	}
	c.armOrigin = r3.Vec{X: 0.185 * b.breadth, Y: h(1.445), Z: -0.01}
	c.armDir = r3.Vec{X: rt2, Y: -rt2}
	c.armUp = r3.Vec{X: rt2, Y: rt2}
	c.armScale = b.arm
	along := func(s float64) r3.Vec { return r3.Add(c.armOrigin, r3.Scale(s*b.arm, c.armDir)) }
	c.side[sClavicle] = r3.Vec{X: 0.025, Y: h(1.455), Z: 0.0}
	c.side[sUpperArm] = c.armOrigin
	c.side[sUpperArmTwist] = along(0.15)
	c.side[sForearm] = along(elbowAt)
	c.side[sForearmTwist] = along(0.43)
	c.side[sHand] = along(wristAt)
	c.side[sThigh] = r3.Vec{X: 0.094 * math.Sqrt(b.girth), Y: h(0.91)}
	c.side[sShin] = r3.Vec{X: 0.094 * math.Sqrt(b.girth), Y: h(0.50), Z: 0}
	c.side[sFoot] = r3.Vec{X: 0.094 * math.Sqrt(b.girth), Y: h(0.085), Z: -0.012}
	c.side[sToes] = r3.Vec{X: 0.098 * math.Sqrt(b.girth), Y: h(0.025), Z: 0.135}
}

// Places along the arm of the mate, metres from the shoulder joint.
const (
	elbowAt = 0.30
	wristAt = 0.565
)

// spineRow is the row of a trunk point at the mate's height y.
func spineRow(y float64) rowT {
	return chainRow([]station{
		{jPelvis, 0, 0}, {jSpine1, 1.05, 0.06}, {jSpine2, 1.16, 0.06}, {jSpine3, 1.28, 0.06},
		{jSpine4, 1.39, 0.06}, {jNeck, 1.515, 0.035}, {jHead, 1.595, 0.03},
	}, y)
}

// trunkPoint is a control vertex of the trunk in the mate's measures: position,
// and the height that decides its share of the spine.
type trunkPoint struct{ x, y, z float64 }

func (c *cage) trunkRings() [][7]int32 {
	b := c.b
	const ringFactor = 0.955 // n = 12
	type ring struct{ yFront, ySide, yBack, rx, rFront, rBack, zc float64 }
	rings := []ring{
		{0.872, 0.905, 0.855, 0.172, 0.098, 0.118, -0.005}, // 0 crotch and hip fold
		{0.945, 0.955, 0.940, 0.176, 0.104, 0.128, -0.005}, // 1 hips
		{1.025, 1.030, 1.030, 0.160, 0.104, 0.106, 0},      // 2
		{1.105, 1.105, 1.110, 0.146, 0.102, 0.094, 0},      // 3 waist
		{1.195, 1.195, 1.200, 0.153, 0.108, 0.104, 0},      // 4
		{1.280, 1.275, 1.285, 0.165, 0.120, 0.114, -0.002}, // 5 ribs
		{1.345, 1.342, 1.350, 0.172, 0.122, 0.118, -0.008}, // 6 armpit
		{1.385, 1.395, 1.405, 0.178, 0.112, 0.118, -0.012}, // 7
		{1.420, 1.450, 1.455, 0.178, 0.098, 0.112, -0.014}, // 8
	}
	pts := make([][7]trunkPoint, 0, rowCrown+1)
	for r, g := range rings {
		var ps [7]trunkPoint
		for i := range ps {
			phi := math.Pi / 6 * float64(i)
			s, k := math.Sin(phi), math.Cos(phi)
			rz := g.rFront
			y := g.ySide + (g.yFront-g.ySide)*k*k
			if k < 0 {
				rz = g.rBack
				y = g.ySide + (g.yBack-g.ySide)*k*k
			}
			// The trunk is boxier than an ellipse.
			s, k = math.Copysign(math.Pow(math.Abs(s), 0.9), s), math.Copysign(math.Pow(math.Abs(k), 0.9), k)
			if i == 0 || i == 6 {
				s = 0 // exactly on the midline
			}
			ps[i] = trunkPoint{g.rx / ringFactor * s, y, g.zc + rz/ringFactor*k}
		}
		switch r {
		case 0, 1: // seat: fuller beside the midline than on it
			ps[5].z -= 0.012
			ps[6].z += 0.010
			if r == 0 { // the crotch runs low and round from front to back
				ps[0].y, ps[0].z = 0.848, 0.060
				ps[6].y, ps[6].z = 0.842, -0.075
				ps[1].z, ps[5].z = ps[1].z-0.004, ps[5].z+0.004
			}
		case 5, 6: // breast muscles
			ps[1].z += 0.010
			ps[0].z -= 0.004
			ps[5].z -= 0.006 // shoulder blades
			ps[6].z += 0.008
		}
		if r >= 2 && r <= 4 {
			ps[0].z += b.belly
			ps[1].z += b.belly * 0.9
			ps[2].z += b.belly * 0.5
		}
		pts = append(pts, ps)
	}
	// From the shoulders up the rings are given point by point, front to back.
	pts = append(pts,
		[7]trunkPoint{{0, 1.450, 0.078}, {0.085, 1.462, 0.076}, {0.145, 1.482, 0.050}, {0.160, 1.500, -0.010}, {0.148, 1.498, -0.068}, {0.085, 1.500, -0.100}, {0, 1.497, -0.098}}, // 9 shoulders
		[7]trunkPoint{{0, 1.482, 0.050}, {0.045, 1.494, 0.048}, {0.078, 1.518, 0.022}, {0.084, 1.532, -0.018}, {0.078, 1.532, -0.054}, {0.045, 1.532, -0.080}, {0, 1.532, -0.086}}, // 10 root of the neck
		[7]trunkPoint{{0, 1.520, 0.042}, {0.033, 1.526, 0.036}, {0.057, 1.545, 0.012}, {0.064, 1.556, -0.020}, {0.057, 1.562, -0.026}, {0.034, 1.568, -0.072}, {0, 1.570, -0.078}}, // 11 neck
		[7]trunkPoint{{0, 1.556, 0.052}, {0.034, 1.560, 0.044}, {0.058, 1.572, 0.016}, {0.064, 1.586, -0.018}, {0.058, 1.596, -0.026}, {0.036, 1.604, -0.072}, {0, 1.606, -0.079}}, // 12 under the jaw
		[7]trunkPoint{{0, 1.574, 0.112}, {0.034, 1.580, 0.092}, {0.060, 1.598, 0.044}, {0.072, 1.618, -0.004}, {0.070, 1.628, -0.044}, {0.044, 1.636, -0.080}, {0, 1.638, -0.090}}, // 13 jaw and chin
		[7]trunkPoint{{0, 1.614, 0.104}, {0.034, 1.614, 0.098}, {0.068, 1.628, 0.052}, {0.079, 1.650, -0.004}, {0.076, 1.658, -0.052}, {0.050, 1.664, -0.092}, {0, 1.666, -0.105}}, // 14 mouth
		[7]trunkPoint{{0, 1.648, 0.160}, {0.030, 1.660, 0.094}, {0.068, 1.664, 0.062}, {0.083, 1.682, -0.004}, {0.081, 1.690, -0.056}, {0.052, 1.696, -0.100}, {0, 1.698, -0.114}}, // 15 nose
		[7]trunkPoint{{0, 1.690, 0.108}, {0.036, 1.694, 0.104}, {0.068, 1.702, 0.068}, {0.082, 1.714, -0.004}, {0.081, 1.722, -0.056}, {0.052, 1.728, -0.102}, {0, 1.730, -0.116}}, // 16 brow
		[7]trunkPoint{{0, 1.738, 0.106}, {0.040, 1.740, 0.096}, {0.067, 1.746, 0.060}, {0.080, 1.752, -0.006}, {0.077, 1.758, -0.056}, {0.049, 1.762, -0.096}, {0, 1.764, -0.109}}, // 17
		[7]trunkPoint{{0, 1.780, 0.078}, {0.034, 1.782, 0.070}, {0.056, 1.786, 0.044}, {0.065, 1.790, -0.006}, {0.062, 1.794, -0.046}, {0.040, 1.796, -0.076}, {0, 1.797, -0.086}}, // 18 crown
	)
	ids := make([][7]int32, len(pts))
	for r := range pts {
		for i, p := range pts[r] {
			if i == 3 && r > rowArmpit && r < rowShoulder {
				ids[r][i] = -1 // within the arm hole
				continue
			}
			ix, iz := b.girth, b.girth
			switch {
			case r >= rowNeck:
				ix, iz = 1, 1
			case r >= rowArmpit-1:
				ix = b.breadth // the arm hole must follow the shoulder joint
			}
			v := r3.Vec{X: p.x * ix, Y: b.height(p.y), Z: p.z * iz}
			ids[r][i] = c.vert(v, c.trunkRow(r, i, p))
		}
	}
	arm := func(r, i int) bool { return r >= rowArmpit && r < rowShoulder && (i == 2 || i == 3) }
	for r := 0; r+1 < len(ids); r++ {
		for i := 0; i < 6; i++ {
			if arm(r, i) {
				continue
			}
			reg := regTrunk
			if r >= rowJaw {
				reg = regHead
			}
			c.quad(reg, i, r, ids[r][i], ids[r][i+1], ids[r+1][i+1], ids[r+1][i])
		}
	}
	// Close the crown with a strip of quads on each side of three middle vertices.
	top := ids[len(ids)-1]
	var m [5]int32
	m[0], m[4] = top[0], top[6]
	for i, q := range []trunkPoint{{0, 1.806, 0.040}, {0, 1.814, -0.004}, {0, 1.811, -0.046}} {
		m[i+1] = c.vert(r3.Vec{Y: b.height(q.y), Z: q.z}, one(jHead))
	}
	for i := 0; i < 4; i++ {
		c.quad(regHead, i+1, rowCrown, top[i+1], top[i+2], m[i+1], m[i])
	}
	return ids
}

// trunkRow is the row of trunk vertex (ring r, column i) on the left side.
func (c *cage) trunkRow(r, i int, p trunkPoint) rowT {
	y := p.y
	// Planes of the spine are tilted: the front of neck and jaw hangs lower.
	if r >= rowNeck {
		y += 0.30 * (p.z + 0.02) * smoothstep(1.47, 1.52, p.y)
		if r >= 13 {
			y = 1.7
		}
	}
	row := spineRow(y)
	// The clavicle moves the top of the chest and shoulder.
	clav := 0.75 * smoothstep(0.02, 0.14, p.x) * smoothstep(1.36, 1.46, p.y) * (1 - smoothstep(1.51, 1.545, p.y))
	row = lerpRow(row, one(left(sClavicle)), clav)
	// The arm reaches into the rim of its hole and a ring beyond.
	arm := 0.0
	if r >= rowArmpit && r <= rowShoulder && i >= 2 && i <= 4 {
		arm = 0.42
		if r == rowArmpit {
			arm = 0.32
		}
	} else if r >= rowArmpit-1 && r <= rowShoulder+1 && i >= 1 && i <= 5 {
		arm = 0.06
	}
	row = lerpRow(row, one(left(sUpperArm)), arm)
	// The thigh reaches into the hip fold.
	if r == 0 {
		row = lerpRow(row, one(left(sThigh)), []float64{0.10, 0.38, 0.45, 0.42, 0.45, 0.42, 0.10}[i])
		if i == 0 || i == 6 {
			row[left(sThigh)+numSide] = row[left(sThigh)]
			row[jPelvis] -= row[left(sThigh)]
		}
	} else if r == 1 && i >= 1 && i <= 5 {
		row = lerpRow(row, one(left(sThigh)), 0.08)
	}
	return row
}

// armRow is the row at distance s (mate's metres) along the arm.
func armRow(s float64) rowT {
	return chainRow([]station{
		{left(sUpperArm), 0, 0}, {left(sUpperArmTwist), 0.15, 0.09}, {left(sForearm), elbowAt, 0.045},
		{left(sForearmTwist), 0.44, 0.08}, {left(sHand), wristAt, 0.03},
	}, s)
}

func (c *cage) arm(trunk [][7]int32) {
	b := c.b
	const ringFactor = 0.936 // n = 10
	// The rim of the hole, from the top over the front, down and up the back.
	t := trunk
	ring := [10]int32{t[9][3], t[9][2], t[8][2], t[7][2], t[6][2], t[6][3], t[6][4], t[7][4], t[8][4], t[9][4]}
	type section struct{ s, up, z, tilt float64 }
	sections := []section{
		{0.030, 0.068, 0.064, 0.42}, {0.080, 0.060, 0.060, 0.08}, {0.140, 0.054, 0.054, 0}, {0.200, 0.049, 0.050, 0},
		{0.245, 0.045, 0.046, 0}, {0.275, 0.043, 0.044, 0}, {0.300, 0.041, 0.043, 0}, {0.325, 0.042, 0.044, 0},
		{0.360, 0.042, 0.046, 0}, {0.410, 0.039, 0.043, 0}, {0.465, 0.034, 0.037, 0}, {0.515, 0.028, 0.032, 0}, {0.548, 0.024, 0.030, 0},
		{0.572, 0.022, 0.030, 0},
	}
	for r, g := range sections {
		ct, st := math.Cos(g.tilt), math.Sin(g.tilt)
		// tilt leans the ring back towards the plane of the arm hole.
		up := r3.Sub(r3.Scale(ct, c.armUp), r3.Scale(st, c.armDir))
		centre := r3.Add(c.armOrigin, r3.Scale(g.s*b.arm, c.armDir))
		row := armRow(g.s)
		switch r {
		case 0:
			row = lerpRow(row, one(left(sClavicle)), 0.18)
		case 1:
			row = lerpRow(row, one(left(sClavicle)), 0.03)
		}
		var next [10]int32
		for k := range next {
			s, co := math.Sincos(2 * math.Pi / 10 * float64(k))
			p := r3.Add(centre, r3.Scale(g.up*b.limb/ringFactor*co, up))
			p.Z += g.z * b.limb / ringFactor * s
			next[k] = c.vert(p, row)
		}
		for k := range ring {
			n := (k + 1) % 10
			c.quad(regArm, k, r, ring[k], ring[n], next[n], next[k])
		}
		ring = next
	}
	c.palm(ring)
}

// Fingers by column of the palm, thumb side first: side joint, length, radius.
var fingers = [4]struct {
	joint        int
	reg          region
	length, r    float64
	knuckle, fan float64 // knuckle: metres ahead of the palm's last ring
}{
	{sIndex1, regIndex, 0.078, 0.0098, 0.000, 0.020},
	{sMiddle1, regMiddle, 0.086, 0.0100, 0.004, 0.005},
	{sRing1, regRing, 0.080, 0.0096, 0.001, -0.012},
	{sLittle1, regLittle, 0.064, 0.0086, -0.007, -0.026},
}

const palmEnd = wristAt + 0.104

func (c *cage) palm(ring [10]int32) {
	b := c.b
	// point places a control vertex: s along the arm, u towards the back of the
	// hand, z forward (thumb side).
	point := func(s, u, z float64) r3.Vec {
		p := r3.Add(c.armOrigin, r3.Add(r3.Scale(s*b.arm, c.armDir), r3.Scale(u*b.hand, c.armUp)))
		p.Z += z * b.hand
		return p
	}
	// Across the palm j = 0 (thumb side) to 4: back of the hand k = 2 1 0 9 8,
	// palm side k = 3 4 5 6 7.
	back := [5]int{2, 1, 0, 9, 8}
	front := [5]int{3, 4, 5, 6, 7}
	type section struct{ s, half, thick float64 }
	sections := []section{
		{wristAt + 0.030, 0.0310, 0.0195}, {wristAt + 0.060, 0.0400, 0.0175}, {wristAt + 0.086, 0.0420, 0.0155}, {palmEnd, 0.0418, 0.0130},
	}
	var thumb [4]int32
	for r, g := range sections {
		var next [10]int32
		for j := 0; j < 5; j++ {
			x := 1 - float64(j)/2
			s := g.s
			if r == 3 {
				// Knuckles lie on an arc.
				arc := [5]float64{-0.002, 0.003, 0.004, -0.002, -0.010}
				s += arc[j]
			}
			row := handRow(s)
			up := g.thick * (1.05 - 0.18*x*x)
			next[back[j]] = c.vert(point(s, up, x*g.half), row)
			next[front[j]] = c.vert(point(s, -up, x*g.half), row)
		}
		for k := range ring {
			n := (k + 1) % 10
			if r == 1 && k == 2 {
				// The thumb grows out of this face.
				thumb = [4]int32{ring[k], next[k], next[n], ring[n]}
				continue
			}
			c.quad(regPalm, k, r, ring[k], ring[n], next[n], next[k])
		}
		ring = next
	}
	for j, f := range fingers {
		// The finger's base: one column of the palm's last ring.
		base := [4]int32{ring[back[j]], ring[back[j+1]], ring[front[j+1]], ring[front[j]]}
		z := (0.75 - 0.5*float64(j)) * 0.0418
		start := palmEnd + f.knuckle
		dir := r3.Unit(r3.Add(c.armDir, r3.Vec{Z: f.fan}))
		c.digit(f.reg, left(f.joint), base, point(start, 0, z), dir, r3.Vec{Z: 1}, f.length*b.arm, f.r*b.hand,
			[]float64{0.07, 0.16, 0.28, 0.41, 0.50, 0.59, 0.68, 0.76, 0.84, 0.93, 1}, 0, 0.50, 0.76)
		c.side[f.joint] = point(start-0.004, 0, z)
		for k, t := range []float64{0.50, 0.76} {
			c.side[f.joint+1+k] = r3.Add(point(start, 0, z), r3.Scale(t*f.length*b.arm, dir))
		}
	}
	// The thumb points forward and along, a little towards the palm.
	from := point(wristAt+0.046, -0.003, 0.033)
	dir := r3.Unit(r3.Add(r3.Scale(0.80, c.armDir), r3.Add(r3.Scale(-0.18, c.armUp), r3.Vec{Z: 0.62})))
	// Across the thumb: from its palm side to its back.
	across := r3.Unit(r3.Cross(dir, c.armUp))
	if across.Z < 0 {
		across = r3.Scale(-1, across)
	}
	length := 0.078 * b.arm
	c.digit(regThumb, left(sThumb1), thumb, from, dir, across, length, 0.0118*b.hand,
		[]float64{0.16, 0.30, 0.42, 0.50, 0.58, 0.68, 0.76, 0.84, 0.93, 1}, 0.12, 0.46, 0.72)
	c.side[sThumb1] = point(wristAt+0.020, -0.003, 0.018)
	c.side[sThumb1+1] = r3.Add(from, r3.Scale(0.46*length, dir))
	c.side[sThumb1+2] = r3.Add(from, r3.Scale(0.72*length, dir))
}

// handRow is the row of the palm at s along the arm: wrist to hand. The fingers'
// own first joints take over past the knuckles.
func handRow(s float64) rowT { return armRow(s) }

// digit grows a finger from base (four cage vertices: the back's near and far
// corner, then the palm side's far and near corner, as seen in the direction
// -across), with rings at the shares at of its length, and closes its tip.
// The joints are at the shares k0, k1, k2.
func (c *cage) digit(reg region, joint int, base [4]int32, from, dir, across r3.Vec, length, radius float64, at []float64, k0, k1, k2 float64) {
	const ringFactor = 0.66 // n = 4
	up := r3.Unit(r3.Cross(across, dir))
	if r3.Dot(up, c.armUp) < 0 {
		up = r3.Scale(-1, up)
	}
	hand := one(left(sHand))
	chain := []station{{joint, -1, 0}, {joint + 1, k1, 0.11}, {joint + 2, k2, 0.10}}
	// The base ring is shared with the palm: half hand, half finger is spread over
	// the fingers that meet there.
	for _, v := range base {
		share := 0.16
		if reg == regThumb {
			share = 0.30
		}
		for j := range c.row[v] {
			c.row[v][j] *= 1 - share
		}
		c.row[v][joint] += share
	}
	ring := base
	for r, t := range at {
		row := lerpRow(hand, chainRow(chain, t), 0.5+0.5*smoothstep(k0-0.12, k0+0.24, t))
		w := radius * (1 - 0.16*t)
		if t > 0.9 {
			w = radius * 0.80
		}
		if t == 1 {
			w = radius * 0.48
		}
		half := w / ringFactor * rt2
		centre := r3.Add(from, r3.Scale(t*length, dir))
		var next [4]int32
		for k, s := range [4][2]float64{{1, 1}, {-1, 1}, {-1, -1}, {1, -1}} {
			p := r3.Add(centre, r3.Add(r3.Scale(s[0]*half, across), r3.Scale(s[1]*half, up)))
			next[k] = c.vert(p, row)
		}
		for k := range ring {
			n := (k + 1) % 4
			c.quad(reg, k, r, ring[n], ring[k], next[k], next[n])
		}
		ring = next
	}
	c.quad(reg, 0, len(at), ring[0], ring[3], ring[2], ring[1])
}

// legRow is the row of a leg at the mate's height y.
func legRow(y float64) rowT {
	return chainRow([]station{{left(sThigh), -1, 0}, {left(sShin), -0.50, 0.06}, {left(sFoot), -0.088, 0.035}}, -y)
}

func (c *cage) leg(hip [7]int32) {
	b := c.b
	const ringFactor = 0.902 // n = 8
	crotch := one(jPelvis)
	crotch[jPelvis], crotch[left(sThigh)], crotch[left(sThigh)+numSide] = 0.6, 0.2, 0.2
	mid := c.vert(r3.Vec{Y: b.height(0.828), Z: -0.012}, crotch)
	ring := [8]int32{hip[0], hip[1], hip[2], hip[3], hip[4], hip[5], hip[6], mid}
	x0 := c.side[sThigh].X
	// y, z: centre; side, deep: half axes across and along front; pitch: how far
	// the ring's front is turned up, radians; s: what decides the row.
	type section struct{ y, z, side, deep, pitch, x float64 }
	sections := []section{
		{0.800, -0.004, 0.0870, 0.094, 0, 0}, {0.740, 0.000, 0.0840, 0.088, 0, 0}, {0.665, 0.004, 0.0760, 0.079, 0, 0}, {0.590, 0.006, 0.0660, 0.068, 0, 0},
		{0.540, 0.006, 0.0590, 0.060, 0, 0}, {0.500, 0.004, 0.0560, 0.057, 0, 0}, {0.460, -0.002, 0.0540, 0.055, 0, 0}, {0.405, -0.010, 0.0550, 0.058, 0, 0},
		{0.335, -0.016, 0.0530, 0.057, 0, 0}, {0.255, -0.014, 0.0440, 0.047, 0, 0}, {0.180, -0.012, 0.0360, 0.039, 0, 0}, {0.125, -0.012, 0.0335, 0.039, 0, 0},
		// The foot: rings lean until they stand, the back of the leg becomes the sole.
		{0.085, -0.010, 0.0350, 0.054, 0.30, 0.001}, {0.057, 0.000, 0.0360, 0.066, 0.75, 0.002}, {0.050, 0.045, 0.0380, 0.050, 1.15, 0.004},
		{0.042, 0.090, 0.0430, 0.042, 1.42, 0.008}, {0.032, 0.130, 0.0480, 0.0315, 1.52, 0.010}, {0.026, 0.165, 0.0450, 0.0245, 1.57, 0.010},
		{0.022, 0.192, 0.0360, 0.0180, 1.57, 0.007},
	}
	for r, g := range sections {
		row := legRow(g.y)
		if r >= 13 {
			row = chainRow([]station{{left(sFoot), -1, 0}, {left(sToes), 0.135, 0.03}}, g.z)
		}
		switch r {
		case 0:
			row = lerpRow(row, one(jPelvis), 0.22)
		case 1:
			row = lerpRow(row, one(jPelvis), 0.03)
		case 10, 11, 12, 13, 14:
			// The instep is short: ring by ring, so that it bends evenly.
			share := [5]float64{0.04, 0.22, 0.52, 0.80, 0.97}[r-10]
			row = lerpRow(one(left(sShin)), one(left(sFoot)), share)
		}
		sp, cp := math.Sincos(g.pitch)
		fwd := r3.Vec{Y: sp, Z: cp}
		var next [8]int32
		for k := range next {
			// k = 3 is the outer side, k = 1 the front, k = 7 the inner side.
			s, co := math.Sincos(math.Pi / 4 * float64(3-k))
			p := r3.Add(r3.Vec{X: x0 + g.x + g.side*b.limb/ringFactor*co, Y: b.height(g.y), Z: g.z}, r3.Scale(g.deep*b.limb/ringFactor*s, fwd))
			if r >= 13 {
				// A flat sole: nothing under the ground.
				if p.Y < 0.008 {
					p.Y = 0.004 + 0.3*(p.Y-0.004)
				}
			}
			if r <= 1 && k == 7 {
				p.X = max(p.X, 0.001)
			}
			next[k] = c.vert(p, row)
		}
		for k := range ring {
			n := (k + 1) % 8
			reg := regLeg
			if r >= 12 {
				reg = regFoot
			}
			c.quad(reg, k, r, ring[n], ring[k], next[k], next[n])
		}
		ring = next
	}
	// The tip of the foot: four quads around one vertex.
	var centre r3.Vec
	for _, v := range ring {
		centre = r3.Add(centre, r3.Scale(1.0/8, c.pos[v]))
	}
	centre.Z += 0.009
	tip := c.vert(centre, one(left(sToes)))
	for k := 0; k < 8; k += 2 {
		c.quad(regFoot, k, len(sections), ring[(k+7)%8], ring[k], ring[(k+1)%8], tip)
	}
	// The loop above listed the corners against the sense of the tube's quads.
	for f := len(c.faces) - 4; f < len(c.faces); f++ {
		v := &c.faces[f].V
		v[1], v[3] = v[3], v[1]
	}
}

// mirrorHalf adds the right half. Vertices with x = 0 are shared.
func (c *cage) mirrorHalf() {
	c.half = len(c.faces)
	n := len(c.pos)
	c.mirror = make([]int32, n, 2*n)
	for v := 0; v < n; v++ {
		p := c.pos[v]
		if p.X == 0 {
			c.mirror[v] = int32(v)
			continue
		}
		p.X = -p.X
		var row rowT
		for j, w := range c.row[v] {
			row[mirrorJoint(j)] = w
		}
		c.mirror[v] = c.vert(p, row)
	}
	for v := n; v < len(c.pos); v++ {
		c.mirror = append(c.mirror, 0)
	}
	for v := 0; v < n; v++ {
		c.mirror[c.mirror[v]] = int32(v)
	}
	for f := 0; f < c.half; f++ {
		q := c.faces[f]
		v := q.V
		q.V = [4]int32{c.mirror[v[0]], c.mirror[v[3]], c.mirror[v[2]], c.mirror[v[1]]}
		q.Side = -1
		c.faces = append(c.faces, q)
	}
}
