package retouch

import (
	"fmt"
	"math"
	"strings"
	"testing"

	"github.com/selvage/selvage/transfer"
	"github.com/selvage/selvage/transfer/internal/shapes"
	"github.com/selvage/selvage/transfer/mesh"
	"github.com/selvage/selvage/transfer/weights"
	"gonum.org/v1/gonum/spatial/r3"
)

// buttoned is a sheet of one metre by half of one whose rows go from a to b along x, with
// a bump in the middle, and a button of one row on it, 1 mm above, at x.
func buttoned(x float64, button []float64) (s *Surface, on func(v int) bool) {
	m := &mesh.Mesh{}
	rows := weights.NewRows(0)
	const nx, ny, h = 41, 21, 0.025
	for i := range ny {
		for k := range nx {
			p := r3.Vec{X: float64(k) * h, Y: float64(i) * h}
			m.Positions = append(m.Positions, p)
			b := p.X
			if math.Abs(p.X-0.5) < 0.1 {
				b = 1 - p.X
			}
			rows.Append([]uint16{0, 1}, []float64{1 - b, b})
			if a := int32(i*nx + k); i+1 < ny && k+1 < nx {
				m.Triangles = append(m.Triangles, [3]int32{a, a + 1, a + nx + 1}, [3]int32{a, a + nx + 1, a + nx})
			}
		}
	}
	n := len(m.Positions)
	for _, d := range []r3.Vec{{X: -0.005, Y: -0.005}, {X: 0.005, Y: -0.005}, {X: 0.005, Y: 0.005}, {X: -0.005, Y: 0.005}} {
		m.Positions = append(m.Positions, r3.Vec{X: x + d.X, Y: 0.25 + d.Y, Z: 0.001})
		if len(button) > 0 {
			rows.Append([]uint16{0, 1}, button)
		} else {
			rows.Append(nil, nil)
		}
	}
	m.Triangles = append(m.Triangles, [3]int32{int32(n), int32(n) + 1, int32(n) + 2}, [3]int32{int32(n), int32(n) + 2, int32(n) + 3})
	return &Surface{Mesh: m, Rows: rows, Skin: twoJoints}, func(v int) bool { return v >= n }
}

// TestRiders: a button follows what it sits on, through a fill whatever its row was,
// through smoothing where it did so before; one outside the region keeps its row, and is
// counted where what it sits on changed.
func TestRiders(t *testing.T) {
	fill := func(s *Surface, mask []bool) (*Result, RiderReport, error) {
		r, report, err := Fill(t.Context(), s, mask, transfer.FillHarmonic, Form{})
		if err != nil {
			return nil, RiderReport{}, err
		}
		if report.Unreached > 0 {
			t.Errorf("%d vertices unreached", report.Unreached)
		}
		return r, report.Riders, nil
	}
	smooth := func(s *Surface, mask []bool) (*Result, RiderReport, error) {
		r, report, err := Smooth(t.Context(), s, mask, SmoothOptions{Strength: 4}, Form{})
		if err != nil {
			return nil, RiderReport{}, err
		}
		return r, report.Riders, nil
	}
	for _, c := range []struct {
		name    string
		run     func(*Surface, []bool) (*Result, RiderReport, error)
		at      float64
		row     []float64
		mask    func(p r3.Vec, button bool) bool
		follows bool
		want    RiderReport
	}{
		{"fill", fill, 0.42, []float64{0.42, 0.58}, func(p r3.Vec, _ bool) bool { return math.Abs(p.X-0.5) < 0.12 }, true, RiderReport{Followed: 1}},
		{"fill of a button alone", fill, 0.3, []float64{1, 0}, func(_ r3.Vec, button bool) bool { return button }, true, RiderReport{Followed: 1}},
		{"fill of a button without weights", fill, 0.3, nil, func(_ r3.Vec, button bool) bool { return button }, true, RiderReport{Followed: 1}},
		{"fill around a button", fill, 0.42, []float64{0.42, 0.58}, func(p r3.Vec, button bool) bool { return math.Abs(p.X-0.5) < 0.12 && !button }, false, RiderReport{Stayed: 1}},
		{"fill elsewhere", fill, 0.2, []float64{0.8, 0.2}, func(p r3.Vec, button bool) bool { return math.Abs(p.X-0.5) < 0.12 }, false, RiderReport{}},
		{"smooth", smooth, 0.42, []float64{0.42, 0.58}, nil, true, RiderReport{Followed: 1}},
		{"smooth, a row of its own", smooth, 0.42, []float64{1, 0}, nil, false, RiderReport{Stayed: 1}},
		{"smooth around a button", smooth, 0.42, []float64{0.42, 0.58}, func(_ r3.Vec, button bool) bool { return !button }, false, RiderReport{Stayed: 1}},
	} {
		t.Run(c.name, func(t *testing.T) {
			s, button := buttoned(c.at, c.row)
			var mask []bool
			if c.mask != nil {
				for v, p := range s.Mesh.Positions {
					mask = append(mask, c.mask(p, button(v)))
				}
			}
			r, riders, err := c.run(s, mask)
			if err != nil {
				t.Fatal(err)
			}
			if riders != c.want {
				t.Errorf("%+v, want %+v", riders, c.want)
			}
			// Rows under the button: it spans less than an edge, along which they change by 0.05
			// at most; within that they are the mean of their places.
			var under float64
			n := 0.0
			for v, p := range s.Mesh.Positions {
				if !button(v) && math.Abs(p.X-c.at) < 0.025 && math.Abs(p.Y-0.25) < 0.001 {
					w := 1 - math.Abs(p.X-c.at)/0.025
					under += w * weightOf(r.Rows, v, 1)
					n += w
				}
			}
			for v := range s.Mesh.Positions {
				if !button(v) {
					continue
				}
				got := weightOf(r.Rows, v, 1)
				if !c.follows && (r.Changed[v] || got != weightOf(s.Rows, v, 1)) {
					t.Fatalf("the button's row changed to %g", got)
				}
				if c.follows && (math.Abs(got-under/n) > 0.01 || !equalRows(r.Rows, v, r.Rows, len(s.Mesh.Positions)-1)) {
					t.Fatalf("the button's weight is %g, its cloth's %g", got, under/n)
				}
			}
		})
	}
}

// TestFill_Lost: a region that holds all of a bone leaves nothing of its joint, which is
// said; one that leaves enough of it around is a repair, and nothing is said.
func TestFill_Lost(t *testing.T) {
	b := theMate()
	for _, c := range []struct {
		mask  string
		names []string
	}{
		{"near:forearm.left:0.05", []string{"forearm.left", "forearm_twist.left"}},
		{"box:-0.06,1,0,0.06,1.12,0.4", nil},
	} {
		_, sum, err := Run(t.Context(), parse(t, glbOf(b)), nil, Request{Fill: &FillRequest{}, Mask: []string{c.mask}})
		if err != nil {
			t.Fatal(err)
		}
		var lost []string
		for _, n := range sum.Notes {
			if strings.Contains(n, " of its weight") {
				lost = append(lost, n)
			}
		}
		if len(lost) != len(c.names) {
			t.Errorf("%s: %q", c.mask, sum.Notes)
			continue
		}
		for i, name := range c.names {
			if !strings.HasPrefix(lost[i], fmt.Sprintf("the joint %q loses ", name)) {
				t.Errorf("%s: %q", c.mask, lost[i])
			}
		}
	}
}

// TestFill_NotDelaunay: across diagonals drawn at random the harmonic fill is off by
// about a hundredth where what is filled in is linear, because weights below zero are
// held back; the biharmonic fill takes them as they are, and is exact.
func TestFill_NotDelaunay(t *testing.T) {
	r := rng(t, 3)
	const n = 40
	m := &mesh.Mesh{}
	for i := range n {
		for k := range n {
			p := r3.Vec{X: float64(k) / (n - 1), Y: float64(i) / (n - 1)}
			if i > 0 && i < n-1 && k > 0 && k < n-1 {
				p.X += 0.7 * (r.Float64() - 0.5) / (n - 1)
				p.Y += 0.7 * (r.Float64() - 0.5) / (n - 1)
			}
			m.Positions = append(m.Positions, p)
			if a := int32(i*n + k); i+1 < n && k+1 < n {
				if r.IntN(2) == 0 {
					m.Triangles = append(m.Triangles, [3]int32{a, a + 1, a + n + 1}, [3]int32{a, a + n + 1, a + n})
				} else {
					m.Triangles = append(m.Triangles, [3]int32{a, a + 1, a + n}, [3]int32{a + 1, a + n + 1, a + n})
				}
			}
		}
	}
	rows := shapes.Shared(m, func(p r3.Vec) float64 { return 0.2 + 0.4*p.X + 0.15*p.Y })
	mask, spoilt := make([]bool, len(m.Positions)), weights.NewRows(0)
	for v, p := range m.Positions {
		if mask[v] = math.Abs(p.X-0.5) < 0.3 && math.Abs(p.Y-0.5) < 0.3; mask[v] {
			spoilt.Append([]uint16{0}, []float64{1})
		} else {
			spoilt.Append(rows.Row(v))
		}
	}
	for _, c := range []struct {
		energy       transfer.Fill
		least, worst float64
	}{{transfer.FillHarmonic, 1e-4, 0.02}, {transfer.FillBiharmonic, 0, 2 * stored}} {
		out, _, err := Fill(t.Context(), &Surface{Mesh: m, Rows: spoilt, Skin: twoJoints}, mask, c.energy, Form{})
		if err != nil {
			t.Fatal(err)
		}
		worst := 0.0
		for v := range mask {
			worst = max(worst, math.Abs(weightOf(out.Rows, v, 1)-weightOf(rows, v, 1)))
		}
		t.Logf("energy %d: off by %.2g at most", c.energy, worst)
		if worst > c.worst || worst < c.least {
			t.Errorf("energy %d: off by %g, want %g to %g", c.energy, worst, c.least, c.worst)
		}
	}
}
