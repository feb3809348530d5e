package closest

import (
	"math"
	"math/big"
	"math/rand/v2"
	"testing"

	"gonum.org/v1/gonum/spatial/r3"
)

func vec(x, y, z float64) r3.Vec { return r3.Vec{X: x, Y: y, Z: z} }

// The seven Voronoi regions of Ericson (Real-Time Collision Detection, 2005,
// section 5.1.5, figure 5.4): three corners, three edges, the face. Answers
// follow from the geometry of the triangle (0,0,0) (4,0,0) (0,4,0) by hand.
func TestClosestPoint_Regions(t *testing.T) {
	tri := [3]r3.Vec{{}, vec(4, 0, 0), vec(0, 4, 0)}
	for _, c := range []struct {
		name string
		p, q r3.Vec
		bary [3]float64
	}{
		{"corner a", vec(-1, -2, 3), vec(0, 0, 0), [3]float64{1, 0, 0}},
		{"corner b", vec(7, 1, -1), vec(4, 0, 0), [3]float64{0, 1, 0}},
		{"corner c", vec(-1, 9, 1), vec(0, 4, 0), [3]float64{0, 0, 1}},
		{"edge ab", vec(1, -2, 5), vec(1, 0, 0), [3]float64{0.75, 0.25, 0}},
		{"edge bc", vec(4, 4, -2), vec(2, 2, 0), [3]float64{0, 0.5, 0.5}},
		{"edge ca", vec(-3, 3, 1), vec(0, 3, 0), [3]float64{0.25, 0, 0.75}},
		{"face above", vec(1, 1, 2), vec(1, 1, 0), [3]float64{0.5, 0.25, 0.25}},
		{"face below", vec(1, 2, -2), vec(1, 2, 0), [3]float64{0.25, 0.25, 0.5}},
		{"on the face", vec(1, 2, 0), vec(1, 2, 0), [3]float64{0.25, 0.25, 0.5}},
		{"on corner a", vec(0, 0, 0), vec(0, 0, 0), [3]float64{1, 0, 0}},
		{"on corner b", vec(4, 0, 0), vec(4, 0, 0), [3]float64{0, 1, 0}},
		{"on corner c", vec(0, 4, 0), vec(0, 4, 0), [3]float64{0, 0, 1}},
		{"on edge ab", vec(3, 0, 0), vec(3, 0, 0), [3]float64{0.25, 0.75, 0}},
		{"on edge bc", vec(1, 3, 0), vec(1, 3, 0), [3]float64{0, 0.25, 0.75}},
	} {
		t.Run(c.name, func(t *testing.T) {
			// Every naming of the corners must give the same answer.
			for _, o := range [][3]int{{0, 1, 2}, {1, 2, 0}, {2, 0, 1}, {0, 2, 1}, {2, 1, 0}, {1, 0, 2}} {
				q, b := ClosestPoint(c.p, [3]r3.Vec{tri[o[0]], tri[o[1]], tri[o[2]]})
				if q != c.q || b != [3]float64{c.bary[o[0]], c.bary[o[1]], c.bary[o[2]]} { // small integers: no rounding
					t.Errorf("corners %v: got %v %v, want %v %v", o, q, b, c.q, c.bary)
				}
			}
		})
	}
}

func TestClosestPoint_Degenerate(t *testing.T) {
	huge := math.MaxFloat64
	for _, c := range []struct {
		name string
		p    r3.Vec
		tri  [3]r3.Vec
		q    r3.Vec
	}{
		{"point", vec(1, 2, 3), [3]r3.Vec{vec(5, 5, 5), vec(5, 5, 5), vec(5, 5, 5)}, vec(5, 5, 5)},
		{"a = b", vec(1, 5, 0), [3]r3.Vec{{}, {}, vec(2, 0, 0)}, vec(1, 0, 0)},
		{"b = c", vec(1, 5, 0), [3]r3.Vec{{}, vec(2, 0, 0), vec(2, 0, 0)}, vec(1, 0, 0)},
		{"a = c", vec(1, 5, 0), [3]r3.Vec{vec(2, 0, 0), {}, vec(2, 0, 0)}, vec(1, 0, 0)},
		{"collinear, b between", vec(3, 0, 7), [3]r3.Vec{{}, vec(1, 0, 0), vec(4, 0, 0)}, vec(3, 0, 0)},
		{"collinear, c between", vec(3, 0, 7), [3]r3.Vec{{}, vec(4, 0, 0), vec(1, 0, 0)}, vec(3, 0, 0)},
		{"collinear, a between", vec(-1, 0, 7), [3]r3.Vec{{}, vec(4, 0, 0), vec(-2, 0, 0)}, vec(-1, 0, 0)},
		{"collinear, beyond the end", vec(9, 1, 1), [3]r3.Vec{{}, vec(1, 0, 0), vec(4, 0, 0)}, vec(4, 0, 0)},
		{"needle, inside its face", vec(0.5, 1e-9, 1), [3]r3.Vec{{}, vec(1, 0, 0), vec(0.5, 2e-9, 0)}, vec(0.5, 1e-9, 0)},
		{"tiny", vec(3e-200, 1e-200, 1e-200), [3]r3.Vec{{}, vec(4e-200, 0, 0), vec(0, 4e-200, 0)}, vec(3e-200, 1e-200, 0)},
		{"huge", vec(huge, -huge, huge), [3]r3.Vec{vec(-huge, -huge, 0), vec(huge, -huge, 0), vec(-huge, huge, 0)}, vec(huge, -huge, 0)},
	} {
		t.Run(c.name, func(t *testing.T) {
			q, b := ClosestPoint(c.p, c.tri)
			scale := max(largestAbs(c.q), 1e-300)
			const rounding = 4e-16
			if math.Abs(q.X-c.q.X) > rounding*scale || math.Abs(q.Y-c.q.Y) > rounding*scale || math.Abs(q.Z-c.q.Z) > rounding*scale {
				t.Errorf("got %v, want %v", q, c.q)
			}
			if sum := b[0] + b[1] + b[2]; math.Abs(sum-1) > rounding || min(b[0], b[1], b[2]) < 0 {
				t.Errorf("barycentric coordinates %v, sum %g", b, sum)
			}
		})
	}
}

// distanceByPlane is the distance of p from a triangle by another derivation: the
// distance from the plane where the foot of the perpendicular is inside (three
// orientation tests), else the least distance from the three edges.
func distanceByPlane(p r3.Vec, t [3]r3.Vec) float64 {
	n := r3.Cross(r3.Sub(t[1], t[0]), r3.Sub(t[2], t[0]))
	if l := r3.Norm(n); l > 0 {
		inside := true
		for k := range 3 {
			edge := r3.Sub(t[(k+1)%3], t[k])
			inside = inside && r3.Dot(r3.Cross(n, edge), r3.Sub(p, t[k])) >= 0
		}
		if inside {
			return math.Abs(r3.Dot(n, r3.Sub(p, t[0]))) / l
		}
	}
	best := math.Inf(1)
	for k := range 3 {
		a, e := t[k], r3.Sub(t[(k+1)%3], t[k])
		switch s := r3.Dot(r3.Sub(p, a), e); {
		case s <= 0 || r3.Norm2(e) == 0:
			best = min(best, r3.Norm(r3.Sub(p, a)))
		case s >= r3.Norm2(e):
			best = min(best, r3.Norm(r3.Sub(p, t[(k+1)%3])))
		default:
			best = min(best, r3.Norm(r3.Cross(r3.Sub(p, a), e))/r3.Norm(e))
		}
	}
	return best
}

// distanceExactly is distanceByPlane in 300-bit arithmetic, in which the
// subtractions and products of float64 coordinates of this size do not round.
func distanceExactly(p r3.Vec, t [3]r3.Vec) float64 {
	type vec3 [3]*big.Float
	num := func() *big.Float { return new(big.Float).SetPrec(300) }
	mul := func(a, b *big.Float) *big.Float { return num().Mul(a, b) }
	sub := func(a, b r3.Vec) vec3 {
		d := func(x, y float64) *big.Float { return num().Sub(num().SetFloat64(x), num().SetFloat64(y)) }
		return vec3{d(a.X, b.X), d(a.Y, b.Y), d(a.Z, b.Z)}
	}
	dot := func(a, b vec3) *big.Float {
		s := num().Add(mul(a[0], b[0]), mul(a[1], b[1]))
		return s.Add(s, mul(a[2], b[2]))
	}
	cross := func(a, b vec3) vec3 {
		d := func(i, j int) *big.Float { return num().Sub(mul(a[i], b[j]), mul(a[j], b[i])) }
		return vec3{d(1, 2), d(2, 0), d(0, 1)}
	}
	root := func(x *big.Float) float64 {
		f, _ := num().Sqrt(x).Float64()
		return f
	}
	n := cross(sub(t[1], t[0]), sub(t[2], t[0]))
	if nn := dot(n, n); nn.Sign() > 0 {
		inside := true
		for k := range 3 {
			inside = inside && dot(cross(n, sub(t[(k+1)%3], t[k])), sub(p, t[k])).Sign() >= 0
		}
		if inside {
			h := dot(n, sub(p, t[0]))
			return root(num().Quo(mul(h, h), nn))
		}
	}
	best := math.Inf(1)
	for k := range 3 {
		ap, e := sub(p, t[k]), sub(t[(k+1)%3], t[k])
		s, ee := dot(ap, e), dot(e, e)
		switch {
		case s.Sign() <= 0:
			best = min(best, root(dot(ap, ap)))
		case s.Cmp(ee) < 0:
			c := cross(ap, e)
			best = min(best, root(num().Quo(dot(c, c), ee)))
		}
	}
	return best
}

func TestClosestPoint_AgainstExactArithmetic(t *testing.T) {
	const seed = 11
	rng := rand.New(rand.NewPCG(seed, 0))
	worst := 0.0
	for i := range 30000 {
		var tri [3]r3.Vec
		for k := range tri {
			tri[k] = randomVec(rng, 1)
		}
		switch i % 4 {
		case 1: // thin: c close to the line through a and b
			tri[2] = r3.Add(r3.Add(tri[0], r3.Scale(rng.Float64()*1.4-0.2, r3.Sub(tri[1], tri[0]))), randomVec(rng, math.Pow(10, -17*rng.Float64())))
		case 2: // short edge
			tri[1] = r3.Add(tri[0], randomVec(rng, math.Pow(10, -17*rng.Float64())))
		}
		p := randomVec(rng, 2)
		if i%3 == 0 { // near the face
			u, v := rng.Float64(), rng.Float64()
			p = r3.Add(tri[0], r3.Add(r3.Scale(u*(1-v), r3.Sub(tri[1], tri[0])), r3.Scale(u*v, r3.Sub(tri[2], tri[0]))))
			p = r3.Add(p, randomVec(rng, math.Pow(10, -17*rng.Float64())))
		}
		q, b := ClosestPoint(p, tri)
		got, want := r3.Norm(r3.Sub(p, q)), distanceExactly(p, tri)
		worst = max(worst, math.Abs(got-want))
		// A few roundings of coordinates of size 2 in q.
		const rounding = 4e-15
		if math.Abs(got-want) > rounding {
			t.Fatalf("seed %d, case %d: distance %.17g, want %.17g (p %v, triangle %v)", seed, i, got, want, p, tri)
		}
		if sum := b[0] + b[1] + b[2]; math.Abs(sum-1) > 1e-15 || min(b[0], b[1], b[2]) < 0 {
			t.Fatalf("seed %d, case %d: barycentric coordinates %v", seed, i, b)
		}
	}
	t.Logf("largest error of a distance: %.3g", worst)
}

func randomVec(rng *rand.Rand, size float64) r3.Vec {
	return r3.Scale(size, vec(2*rng.Float64()-1, 2*rng.Float64()-1, 2*rng.Float64()-1))
}

func FuzzClosestPoint(f *testing.F) {
	f.Add(1.0, 2.0, 3.0, 0.0, 0.0, 0.0, 1.0, 0.0, 0.0, 0.0, 1.0, 0.0)
	f.Add(0.3, 1e-9, 0.0, 0.0, 0.0, 0.0, 1.0, 0.0, 0.0, 0.5, 1e-8, 0.0)
	f.Add(1e300, -1e300, 1e-300, 0.0, 1e200, 0.0, 1.0, 0.0, 0.0, 1e-200, 1.0, 0.0)
	f.Add(0.0, 0.0, 0.0, 5e-324, 0.0, 0.0, 0.0, 5e-324, 0.0, 0.0, 0.0, 5e-324)
	f.Add(1.0, 1.0, 1.0, 2.0, 2.0, 2.0, 2.0, 2.0, 2.0, 2.0, 2.0, 2.0)
	f.Fuzz(func(t *testing.T, px, py, pz, ax, ay, az, bx, by, bz, cx, cy, cz float64) {
		p, tri := vec(px, py, pz), [3]r3.Vec{vec(ax, ay, az), vec(bx, by, bz), vec(cx, cy, cz)}
		largest := max(largestAbs(p), largestAbs(tri[0]), largestAbs(tri[1]), largestAbs(tri[2]))
		q, b := ClosestPoint(p, tri)
		if math.IsNaN(largest) || math.IsInf(largest, 0) {
			return // it must only come back
		}
		if x := largestAbs(q); math.IsNaN(x) || math.IsInf(x, 0) {
			t.Fatalf("point %v", q)
		}
		if sum := b[0] + b[1] + b[2]; !(math.Abs(sum-1) <= 1e-15) || !(min(b[0], b[1], b[2]) >= 0) {
			t.Fatalf("barycentric coordinates %v, sum %g", b, sum)
		}
		// Not farther than the best corner, up to rounding of coordinates of this size.
		_, exp := math.Frexp(largest)
		distance := func(x r3.Vec) float64 { return r3.Norm(r3.Sub(ldexp(p, -exp), ldexp(x, -exp))) }
		corner := min(distance(tri[0]), distance(tri[1]), distance(tri[2]))
		if d := distance(q); d > corner+1e-15 {
			t.Fatalf("distance %g, the best corner has %g", d, corner)
		}
	})
}
