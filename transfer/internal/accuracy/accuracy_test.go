package main

import (
	"context"
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"github.com/selvage/selvage/transfer"
	"github.com/selvage/selvage/transfer/mesh"
	"github.com/selvage/selvage/transfer/skinning"
	"github.com/selvage/selvage/transfer/weights"
	"gonum.org/v1/gonum/spatial/r3"
)

// Hanley & McNeil, Radiology 143 (1982), show that the area equals the share of
// (wrong, right) pairs ordered rightly, ties counting half. The pairs below are
// counted by hand.
func TestAUROC_HandWorked(t *testing.T) {
	cases := []struct {
		name       string
		confidence []float64
		wrong      []bool
		want       float64
		ok         bool
	}{
		// Wrong .1 .4 .8, right .35 .8 .9: .1 wins 3, .4 wins 2, .8 ties 1 and wins 1.
		{"mixed with a tie", []float64{.1, .4, .8, .35, .8, .9}, []bool{true, true, true, false, false, false}, 6.5 / 9, true},
		{"perfect", []float64{.1, .9}, []bool{true, false}, 1, true},
		{"reversed", []float64{.9, .1}, []bool{true, false}, 0, true},
		{"constant", []float64{1, 1, 1}, []bool{true, false, false}, 0.5, true},
		{"none wrong", []float64{.1, .2}, []bool{false, false}, 0, false},
		{"all wrong", []float64{.1, .2}, []bool{true, true}, 0, false},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			got, ok := auroc(c.confidence, c.wrong)
			if ok != c.ok || math.Abs(got-c.want) > 1e-15 {
				t.Errorf("area %g, %v; want %g, %v", got, ok, c.want, c.ok)
			}
		})
	}
}

// chain is a skin of four joints: a trunk of three with a branch, no joint
// aligned with the world.
func chain() *skinning.Skin {
	s := &skinning.Skin{}
	for j, parent := range []int{-1, 0, 1, 0} {
		g := skinning.RotationAbout(r3.Vec{}, r3.Vec{X: 1, Y: float64(j), Z: 0.3}, 0.4*float64(j+1))
		g.T = r3.Vec{X: 0.2 * float64(j%2), Y: 0.5 * float64(j), Z: 0.1}
		s.Joints = append(s.Joints, skinning.Joint{Name: string(rune('a' + j)), Parent: parent, Global: g})
	}
	return s
}

func randomRows(rng *rand.Rand, n, joints int) *weights.Rows {
	r, acc := weights.NewRows(n), weights.NewAccumulator(joints)
	for range n {
		for range 1 + rng.IntN(3) {
			acc.Add(uint16(rng.IntN(joints)), 0.05+rng.Float64())
		}
		acc.FlushNormalised(r)
	}
	return r
}

// eachPose calls visit for every single-joint, single-axis turn of 90 degrees.
func eachPose(s *skinning.Skin, visit func(skinning.Pose)) {
	for j := range s.Joints {
		for k := range 3 {
			for _, angle := range []float64{math.Pi / 2, -math.Pi / 2} {
				visit(s.Turn(j, s.LocalAxis(j, k), angle))
			}
		}
	}
}

func randomPoints(rng *rand.Rand, n int) []r3.Vec {
	p := make([]r3.Vec, n)
	for v := range p {
		p[v] = r3.Vec{X: rng.NormFloat64(), Y: rng.NormFloat64(), Z: rng.NormFloat64()}
	}
	return p
}

func TestErrors_AgainstPosing(t *testing.T) {
	const seed, n = 11, 60
	rng := rand.New(rand.NewPCG(seed, 0))
	s, points := chain(), randomPoints(rng, n)
	given, truth := randomRows(rng, n, 4), randomRows(rng, n, 4)
	want := make([]float64, n)
	eachPose(s, func(p skinning.Pose) {
		a, b := p.Points(points, given, nil), p.Points(points, truth, nil)
		for v := range want {
			want[v] = max(want[v], r3.Norm(r3.Sub(a[v], b[v])))
		}
	})
	for v, got := range newPoser(s).errors(points, given, truth) {
		if math.Abs(got-want[v]) > 1e-12 {
			t.Errorf("seed %d, vertex %d: %g, posing gives %g", seed, v, got, want[v])
		}
	}
}

func TestStretch_AgainstPosing(t *testing.T) {
	const seed, n = 12, 30
	rng := rand.New(rand.NewPCG(seed, 0))
	s, m := chain(), &mesh.Mesh{Positions: randomPoints(rng, n)}
	for v := int32(0); v+2 < n; v += 3 {
		m.Triangles = append(m.Triangles, [3]int32{v, v + 1, v + 2})
	}
	rows := randomRows(rng, n, 4)
	want := make([]float64, n) // triangles are apart: edges in the order 01, 02, 12
	for i := range want {
		want[i] = 1
	}
	eachPose(s, func(p skinning.Pose) {
		q := p.Points(m.Positions, rows, nil)
		for i := range want {
			e := [3][2]int{{0, 1}, {0, 2}, {1, 2}}[i%3]
			a, b := i/3*3+e[0], i/3*3+e[1]
			want[i] = max(want[i], r3.Norm(r3.Sub(q[a], q[b]))/r3.Norm(r3.Sub(m.Positions[a], m.Positions[b])))
		}
	})
	got := newPoser(s).stretch(m, rows)
	if len(got) != n {
		t.Fatalf("%d edges, want %d", len(got), n)
	}
	for i := range got {
		if math.Abs(got[i]-want[i]) > 1e-12*want[i] {
			t.Errorf("seed %d, edge %d: %g, posing gives %g", seed, i, got[i], want[i])
		}
	}
}

// One vertex at distance 1 from the axis turns by 90 degrees, the other stands:
// an edge of length l along the radius becomes sqrt(1 + (1+l)^2) long.
func TestStretch_Known(t *testing.T) {
	id := skinning.Identity()
	s := &skinning.Skin{Joints: []skinning.Joint{{Parent: -1, Global: id}, {Parent: 0, Global: id}}}
	m := &mesh.Mesh{
		Positions: []r3.Vec{{X: 1}, {X: 1.5}, {X: 1, Z: 1e-4}},
		Triangles: [][3]int32{{0, 1, 2}}, // the edge 0-2 is too short to count
	}
	rows := weights.NewRows(3)
	rows.Append([]uint16{1}, []float64{1})
	rows.Append([]uint16{0}, []float64{1})
	rows.Append([]uint16{1}, []float64{1})
	got := newPoser(s).stretch(m, rows)
	if want := math.Sqrt(1+1.5*1.5) / 0.5; len(got) != 2 || math.Abs(got[0]-want) > 1e-12 {
		t.Errorf("stretch %v, want two edges, the first %g", got, want)
	}
}

// tubes are two cylinders side by side along y, each with a joint above and one
// below: the legs of trousers. Every vertex has its own weights.
func tubes(radius, apart float64) (*transfer.Body, []int) {
	s := &skinning.Skin{}
	b := &transfer.Body{Name: "tubes", Mesh: &mesh.Mesh{}, Rows: weights.NewRows(0), Skin: s}
	var side []int
	const around, rings = 16, 9
	for i := range 2 {
		x := (float64(i) - 0.5) * apart
		for _, y := range []float64{1, 0.5} {
			g := skinning.Identity()
			g.T = r3.Vec{X: x, Y: y}
			s.Joints = append(s.Joints, skinning.Joint{Parent: -1 + len(s.Joints)%2*(2*i+1), Global: g})
		}
		base := int32(len(b.Mesh.Positions))
		for k := range rings {
			y := float64(k) / (rings - 1)
			for a := range around {
				sin, cos := math.Sincos(2 * math.Pi * float64(a) / around)
				b.Mesh.Positions = append(b.Mesh.Positions, r3.Vec{X: x + radius*cos, Y: y, Z: radius * sin})
				side = append(side, i)
				upper := 0.1 + 0.8*y
				b.Rows.Append([]uint16{uint16(2 * i), uint16(2*i + 1)}, []float64{upper, 1 - upper})
				if k > 0 {
					p, q := base+int32((k-1)*around+a), base+int32((k-1)*around+(a+1)%around)
					b.Mesh.Triangles = append(b.Mesh.Triangles, [3]int32{p, p + around, q}, [3]int32{q, p + around, q + around})
				}
			}
		}
	}
	return b, side
}

func TestMethods_Identity(t *testing.T) {
	b, _ := tubes(0.1, 0.25)
	g := &transfer.Garment{Name: "identity", Mesh: b.Mesh}
	for _, m := range methods()[:3] {
		t.Run(m.name, func(t *testing.T) {
			a, err := m.run(context.Background(), b, g)
			if err != nil {
				t.Fatal(err)
			}
			for v := range g.Mesh.Positions {
				// Rounding of the barycentric coordinates and of the normalisation.
				if d := a.rows.DistanceL1(v, b.Rows, v); d > 1e-12 {
					t.Errorf("vertex %d: L1 %g", v, d)
				}
				if a.distance[v] > 1e-12 || a.confidence[v] < 1-1e-9 {
					t.Errorf("vertex %d: distance %g, confidence %g", v, a.distance[v], a.confidence[v])
				}
			}
		})
	}
}

// Where tubes 5 mm wider than the gap run into each other, the nearest surface is
// the other leg's: the measures must see it, and rejection by normals must help.
func TestMethods_LegsTouching(t *testing.T) {
	b, side := tubes(0.1, 0.21)
	wide, _ := tubes(0.115, 0.21)
	g := &transfer.Garment{Name: "trousers", Mesh: wide.Mesh}
	wrongLeg := func(m method) (n int) {
		a, err := m.run(context.Background(), b, g)
		if err != nil {
			t.Fatalf("%s: %v", m.name, err)
		}
		for v := range side {
			joint, weight := a.rows.Row(v)
			for i, j := range joint {
				if int(j)/2 != side[v] && weight[i] > 0.5 {
					n++
					break
				}
			}
		}
		return n
	}
	all := methods()
	near, pub := wrongLeg(all[1]), wrongLeg(all[2])
	if near == 0 || pub >= near {
		t.Errorf("vertices on the wrong leg: nearest surface %d, published %d; want some, and fewer", near, pub)
	}
}

func TestReliability(t *testing.T) {
	bins := reliability([]float64{0, 0.95, 1, math.Exp(-1)}, []float64{2, 0.1, 0.3, 0.4})
	if b := bins[9]; b.Vertices != 2 || math.Abs(b.Measured-0.2) > 1e-15 || math.Abs(b.Predicted+0.2*math.Log(0.95)) > 1e-15 {
		t.Errorf("last bin %+v", b)
	}
	if b := bins[3]; b.Vertices != 1 || math.Abs(b.Predicted-0.4) > 1e-15 {
		t.Errorf("bin of exp(-1) %+v", b)
	}
	if b := bins[0]; b.Predicted != 2 || b.Measured != 2 {
		t.Errorf("first bin %+v", b)
	}
}

func TestQuantile_NearestRank(t *testing.T) {
	// Nearest rank: the ceil(q n)-th smallest.
	x := []float64{50, 15, 40, 20, 35}
	for q, want := range map[float64]float64{0.05: 15, 0.30: 20, 0.40: 20, 0.50: 35, 1: 50} {
		if got := quantile(x, q); got != want {
			t.Errorf("quantile %g: %g, want %g", q, got, want)
		}
	}
}

func TestWithTable(t *testing.T) {
	doc := "before\n<!-- one:begin -->\nold\n<!-- one:end -->\nafter\n<!-- two:begin -->\nstays\n<!-- two:end -->\n"
	got, err := withTable(doc, "one", "new\n")
	if want := strings.Replace(doc, "old", "new", 1); err != nil || got != want {
		t.Errorf("%q, %v; want %q", got, err, want)
	}
	if again, err := withTable(got, "one", "new\n"); err != nil || again != got {
		t.Errorf("a second run gives %q, %v", again, err)
	}
	if _, err := withTable("only <!-- one:begin -->", "one", "new\n"); err == nil {
		t.Error("a mark without its pair is accepted")
	}
}
