package pose

// One closed form for each kind of finding, derived beside it.

import (
	"fmt"
	"math"
	"strings"
	"testing"

	"github.com/selvage/selvage/transfer/mesh"
	"github.com/selvage/selvage/transfer/weights"
)

// step is a board's weight of the lower joint: one right of the middle, zero left of it.
func step(x, _ float64) float64 {
	if x > 1e-9 {
		return 1
	}
	return 0
}

func board(name string, z float64, share func(x, y float64) float64) *Figure {
	f := &Figure{Name: name, Mesh: &mesh.Mesh{}, Rows: weights.NewRows(0), Skin: twoJoints()}
	sheetOf(f, z, true, share)
	return f
}

// largest is the largest size of a kind in the pose of the lower joint moved by amount
// along an axis.
func largest(all []Result, kind Kind, axis string, amount float64) (size float64, f *Finding) {
	for _, x := range all {
		if x.Pose.Joint != "lower" || x.Pose.Axis != axis || x.Pose.Amount != amount {
			continue
		}
		for _, list := range [][]Finding{x.Findings, x.Notes} {
			for i := range list {
				if list[i].Kind == kind && list[i].Size > size {
					size, f = list[i].Size, &list[i]
				}
			}
		}
	}
	return size, f
}

// A board of squares of side h, each cut in two, whose right half moves by d while the
// body under it stays. The edges that cross the middle have the length h, and are held
// against the mean edge at their ends, which on the border is (3 + sqrt 2)/4 h and
// inside more. So the edges of the border change most:
//
//	moved away by d       stretched   1 + d / ((3 + sqrt 2)/4 h)
//	moved nearer by d     shrunk      1 - d / ((3 + sqrt 2)/4 h)
//	nearer by more than h             both triangles of the 40 squares turn over
//	lifted by d           a line has the second difference d/2, of that length
//
// A body that does the same, over which no cloth can do better, gets the notes; its
// lines are held against their own edges, d/2 of h.
func TestRun_KindsOnABoard(t *testing.T) {
	const h = 0.05
	mean := (3 + math.Sqrt2) / 4 * h
	still := func(float64, float64) float64 { return 0 }
	for _, c := range []struct {
		kind Kind
		axis string
		by   float64
		body func(x, y float64) float64
		want float64
	}{
		{Stretch, "x", 0.1, still, 1 + 0.1/mean},
		{Compression, "x", -0.04, still, 1 - 0.04/mean},
		{Turned, "x", -0.1, still, 80},
		{Jagged, "z", 0.1, still, 0.05 / mean},
		{Jagged, "z", -0.1, still, 0.05 / mean},
		{BodyJagged, "z", 0.1, step, 0.05 / h},
		{BodyTurned, "x", -0.1, step, 80},
		{Stretch, "x", 0.1, step, 0},
		{Turned, "x", -0.1, step, 0},
		{Jagged, "z", 0.1, step, 0},
	} {
		name := fmt.Sprintf("kind=%s/axis=%s/by=%g/want=%.3g", string(c.kind), c.axis, c.by, c.want)
		t.Run(name, func(t *testing.T) {
			move := math.Abs(c.by)
			_, _, all := run(t, board("board", 0, c.body), board("cloth", 0.01, step), &Plan{Angles: []float64{}, Scale: []float64{}, Move: &move})
			got, f := largest(all, c.kind, c.axis, c.by)
			if math.Abs(got-c.want) > 1e-9 {
				t.Errorf("%g, want %g", got, c.want)
			}
			if f != nil && math.Abs(f.Place.Position[0]) > 2*h {
				t.Errorf("elsewhere: %s", f.Sentence)
			}
		})
	}
}

// The surface of a tube of radius r whose share S(t) of a twist by f goes from 0 to 1
// over the length 1: a point is r m e^(ia) across and t along, m = 1 + S (e^if - 1).
// With c = 1 - cos f, |m|^2 = 1 - 2 S (1-S) c, and the element of area is
// r sqrt(|m|^2 + r^2 Re(conj(m) m')^2) where Re(conj(m) m') = (|m|^2)'/2 = -c (1 - 2S) S'.
func twistedAreaLoss(r, f float64, share func(t float64) float64) float64 {
	c := 1 - math.Cos(f)
	const n = 200000
	sum := 0.0
	for i := range n {
		t := -0.5 + (float64(i)+0.5)/n
		s, slope := share(t), (share(t+1e-7)-share(t-1e-7))/2e-7
		k := c * (1 - 2*s) * slope
		sum += math.Sqrt(1-2*s*(1-s)*c+r*r*k*k) / n
	}
	return 1 - sum
}

// A sleeve that hangs half way through a twist, S = 1/2 from -0.4 to 0.4, collapses more
// than the limb, whose S is a ramp: of its volume it loses the mean of 2 S (1-S) c,
// 0.8 c/2 + 0.2 c/3, the limb c/3 (TestVolume_CylinderBentAndTwisted).
func TestRun_AreaAndVolumeOfATwist(t *testing.T) {
	plateau := func(y float64) float64 {
		return min(max(5*(y+0.5), 0), 0.5) + min(max(5*(y-0.4), 0), 0.5)
	}
	body := tube("limb", 0.1, 96, 120, true, ramp)
	_, _, all := run(t, body, tube("sleeve", 0.12, 96, 120, false, plateau), &Plan{Angles: []float64{90}, Scale: []float64{}, Move: new(float64), Limits: Limits{Area: 0.05}})
	// Kinks of S fall on rings, but there the flat triangles follow the steep twist by one
	// of their diagonals alone, which differs by the way it turns: 1/60 of the length.
	const tolerance = 1e-3
	f := math.Pi / 2
	own, rest := twistedAreaLoss(0.12, f, plateau), max(twistedAreaLoss(0.12, f, ramp), twistedAreaLoss(0.1, f, ramp))
	for _, amount := range []float64{90, -90} {
		for kind, want := range map[Kind]float64{Area: own - rest, Volume: 0.4 + 0.2/3 - 1.0/3} {
			if got, _ := largest(all, kind, "y", amount); math.Abs(got-want) > tolerance {
				t.Errorf("%s, %g degrees: %.5f, want %.5f", kind, amount, got, want)
			}
		}
	}
	for _, x := range all {
		if x.Pose.Joint == "lower" && x.Pose.Axis == "y" && math.Abs(x.Measures.AreaLoss-own) > tolerance {
			t.Errorf("%s: loses %.5f of its surface, want %.5f", x.Pose.Name, x.Measures.AreaLoss, own)
		}
	}
	// A sleeve with the limb's rows loses what a twist does lose.
	_, _, all = run(t, body, tube("sleeve", 0.12, 96, 120, false, ramp), &Plan{Angles: []float64{90}, Scale: []float64{}, Move: new(float64), Limits: Limits{Area: 0.05}})
	for _, kind := range []Kind{Area, Volume} {
		if got, f := largest(all, kind, "y", 90); got != 0 {
			t.Errorf("laid to the sleeve: %s", f.Sentence)
		}
	}
}

// Every finding and note of a garment says joint, axis, amount, place and size.
func TestRun_SentencesSayAll(t *testing.T) {
	seen := map[Kind]bool{}
	for _, name := range []string{"jersey", "gloves"} {
		_, r, _ := run(t, mateBody(), dressed(name, nil), &Plan{Angles: []float64{90}, Scale: []float64{0.75}, Move: new(float64), Limits: Limits{
			Penetration: 1e-3, Gap: 1e-3, Stretch: 1.2, Compression: 0.8, Turned: 1, Jagged: 0.1, Area: 0.01, Volume: 0.01, Deformed: 1e-3,
			BodyJagged: 0.2, BodyTurned: 1, BodyVolume: 0.05, CarriedIn: 1e-3, Coarse: 0.2, Pole: 5, TwistUneven: 0.01, InfluencesCut: 1e-4,
		}})
		for _, list := range [][]Finding{r.Findings, r.Notes} {
			for _, f := range list {
				if seen[f.Kind] {
					continue
				}
				seen[f.Kind] = true
				amount := fmt.Sprintf("%.3g", f.Pose.Amount)
				for what, word := range map[string]string{
					"joint": f.Pose.Joint, "axis": " " + f.Pose.Axis + ",", "amount": amount, "vertex": fmt.Sprintf("vertex %d ", f.Place.PrimitiveVertex),
					"place": fmt.Sprintf("(%.3f, %.3f, %.3f)", f.Place.Position[0], f.Place.Position[1], f.Place.Position[2]),
				} {
					if word == "" || !strings.Contains(f.Sentence, word) {
						t.Errorf("%s: no %s %q in %q", f.Kind, what, word, f.Sentence)
					}
				}
				_, rest, _ := strings.Cut(f.Sentence, ", ")
				said, _, _ := strings.Cut(rest, " at vertex")
				if !strings.ContainsAny(said, "0123456789") {
					t.Errorf("%s: no size in %q", f.Kind, f.Sentence)
				}
			}
		}
	}
	if len(seen) < 12 {
		t.Errorf("%d kinds seen: %v", len(seen), seen)
	}
}
