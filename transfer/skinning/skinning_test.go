package skinning

import (
	"math"
	"math/rand/v2"
	"testing"

	"gonum.org/v1/gonum/spatial/r3"
)

// chain is a skin of n joints along x, one unit apart.
func chain(n int) *Skin {
	s := &Skin{}
	for j := 0; j < n; j++ {
		g := Identity()
		g.T.X = float64(j)
		inv, _ := g.Inverse()
		s.Joints = append(s.Joints, Joint{Parent: j - 1, Global: g, InverseBind: inv})
	}
	return s
}

func randomAffine(r *rand.Rand) Affine {
	a := RotationAbout(r3.Vec{X: r.NormFloat64(), Y: r.NormFloat64(), Z: r.NormFloat64()}, r3.Vec{X: r.NormFloat64(), Y: r.NormFloat64(), Z: r.NormFloat64()}, r.Float64()*6)
	b := Identity()
	for k := range b.M {
		b.M[k] += 0.3 * r.NormFloat64()
	}
	return a.Mul(&b)
}

func TestAffine_InverseRoundTrip(t *testing.T) {
	const seed = 7
	r := rand.New(rand.NewPCG(seed, 0))
	for i := 0; i < 200; i++ {
		a := randomAffine(r)
		inv, ok := a.Inverse()
		if !ok {
			continue
		}
		x := r3.Vec{X: r.NormFloat64(), Y: r.NormFloat64(), Z: r.NormFloat64()}
		if d := r3.Norm(r3.Sub(inv.Apply(a.Apply(x)), x)); d > 1e-9 {
			t.Errorf("seed %d, case %d: the inverse misses by %g", seed, i, d)
		}
	}
	var flat Affine
	if _, ok := flat.Inverse(); ok {
		t.Error("the zero map was inverted")
	}
}

// A quarter turn about z through (1,0,0) sends (2,0,0) to (1,1,0).
func TestRotationAbout_QuarterTurn(t *testing.T) {
	a := RotationAbout(r3.Vec{X: 1}, r3.Vec{Z: 2}, math.Pi/2)
	if d := r3.Norm(r3.Sub(a.Apply(r3.Vec{X: 2}), r3.Vec{X: 1, Y: 1})); d > 1e-15 {
		t.Errorf("off by %g", d)
	}
}

// TestRowJudge_AgainstPosing: the closed form equals posing with every joint, axis
// and direction.
func TestRowJudge_AgainstPosing(t *testing.T) {
	const seed = 11
	r := rand.New(rand.NewPCG(seed, 0))
	s := chain(4)
	judge := NewRowJudge(s)
	joints := []uint16{0, 1, 2, 3}
	row := func() []float64 {
		w, sum := make([]float64, 4), 0.0
		for i := range w {
			w[i] = r.Float64()
			sum += w[i]
		}
		for i := range w {
			w[i] /= sum
		}
		return w
	}
	for i := 0; i < 50; i++ {
		x := r3.Vec{X: 3 * r.Float64(), Y: r.NormFloat64(), Z: r.NormFloat64()}
		a, b := row(), row()
		want := 0.0
		for j := range s.Joints {
			for k := 0; k < 3; k++ {
				for _, angle := range []float64{math.Pi / 2, -math.Pi / 2} {
					p := s.Turn(j, s.LocalAxis(j, k), angle)
					want = max(want, r3.Norm(r3.Sub(p.PosedPoint(x, joints, a), p.PosedPoint(x, joints, b))))
				}
			}
		}
		if got := judge.Displacement(x, joints, a, joints, b); math.Abs(got-want) > 1e-12 {
			t.Errorf("seed %d, case %d: %g, posing says %g", seed, i, got, want)
		}
	}
}

// TestTurnAll_SingleJoint: one turned joint gives the pose of Turn.
func TestTurnAll_SingleJoint(t *testing.T) {
	s := chain(4)
	turn := make([]r3.Vec, 4)
	turn[1] = r3.Vec{Z: 0.7}
	a, b := s.TurnAll(turn), s.Turn(1, r3.Vec{Z: 1}, 0.7)
	for j := range a {
		x := r3.Vec{X: 2.5, Y: 0.3, Z: -0.2}
		if d := r3.Norm(r3.Sub(a[j].Apply(x), b[j].Apply(x))); d > 1e-14 {
			t.Errorf("joint %d: poses differ by %g", j, d)
		}
	}
}

// TestBlend_IsPosedPoint: the blended matrix of a row moves a point as its
// weighted joints do, also where the weights sum to less than one.
func TestBlend_IsPosedPoint(t *testing.T) {
	s := chain(3)
	p := s.Turn(1, r3.Vec{Y: 1}, 1.1)
	joint, weight := []uint16{0, 2}, []float64{0.25, 0.5}
	b := p.Blend(joint, weight)
	x := r3.Vec{X: 1.5, Y: 1, Z: -2}
	if d := r3.Norm(r3.Sub(b.Apply(x), p.PosedPoint(x, joint, weight))); d > 1e-14 {
		t.Errorf("off by %g", d)
	}
}
