package pass

import (
	"cmp"
	"context"
	"math"
	"reflect"
	"slices"
	"testing"

	"github.com/selvage/selvage/transfer/mesh"
	"github.com/selvage/selvage/transfer/weights"
	"gonum.org/v1/gonum/spatial/r3"
)

func sheetSurface(name string, m *mesh.Mesh, r *weights.Rows) *Surface {
	return &Surface{Name: name, Mesh: m, Rows: r, Joints: sheetJoints}
}

func diff(t *testing.T, a, b *Surface) *Comparison {
	t.Helper()
	c, err := Diff(context.Background(), a, b, DiffOptions{Threads: 1})
	if err != nil {
		t.Fatal(err)
	}
	d, err := Diff(context.Background(), a, b, DiffOptions{Threads: 3})
	if err != nil {
		t.Fatal(err)
	}
	// NaN is not equal to itself.
	for _, x := range []*Comparison{c, d} {
		for v, l := range x.L1 {
			if math.IsNaN(l) {
				x.L1[v] = -1
			}
		}
	}
	if !reflect.DeepEqual(c, d) {
		t.Fatal("the comparison depends on threads")
	}
	for v, l := range c.L1 {
		if l < 0 {
			c.L1[v] = math.NaN()
		}
	}
	return c
}

// TestDiff_Places: two bumps of known place, size and amount, on the same vertices
// and on others. A bump takes s = (1-d^2)^2/3 of the row to the strap, which has
// nothing before: an L1 distance of 2s, and the integral of (1-d^2)^2 over the disc
// is pi r^2/3.
func TestDiff_Places(t *testing.T) {
	large, small := r3.Vec{X: 0.3, Y: 0.3}, r3.Vec{X: 0.75, Y: 0.7}
	both := func(m *mesh.Mesh) *weights.Rows { return bump(m, bump(m, smooth(m), large, 0.25), small, 0.15) }
	m, fine := cloth(40, 0), cloth(53, 0)
	for _, x := range []struct {
		name    string
		mesh    *mesh.Mesh
		byIndex bool
	}{{"the same vertices", m, true}, {"other vertices", fine, false}} {
		t.Run(x.name, func(t *testing.T) {
			c := diff(t, sheetSurface("old", m, smooth(m)), sheetSurface("new", x.mesh, both(x.mesh)))
			if c.ByIndex != x.byIndex || c.Unmatched != 0 || len(c.Places) != 2 {
				t.Fatalf("by index %v, %d unmatched, %d places", c.ByIndex, c.Unmatched, len(c.Places))
			}
			for k, want := range []struct {
				centre r3.Vec
				r      float64
			}{{large, 0.25}, {small, 0.15}} {
				p := c.Places[k]
				if d := math.Hypot(p.Centre[0]-want.centre.X, p.Centre[1]-want.centre.Y); d > 0.01 {
					t.Errorf("place %d: centre %v, want %v", k, p.Centre, want.centre)
				}
				// The box of a disc has the diagonal 2 sqrt(2) r; its rim is under the limit.
				if full := 2 * math.Sqrt2 * want.r; p.Size > full || p.Size < 0.8*full {
					t.Errorf("place %d: size %g, want a little under %g", k, p.Size, full)
				}
				if amount := 2.0 / 3 * math.Pi * want.r * want.r / 3; math.Abs(p.Amount-amount) > 0.03*amount {
					t.Errorf("place %d: amount %g, want %g", k, p.Amount, amount)
				}
				if math.Abs(p.MaxL1-2.0/3) > 0.02 {
					t.Errorf("place %d: largest change %g, want 2/3", k, p.MaxL1)
				}
				if len(p.Gaining) != 1 || p.Gaining[0].Joint != "strap" || len(p.Losing) != 2 {
					t.Errorf("place %d: gaining %v, losing %v", k, p.Gaining, p.Losing)
				}
				if gain, loss := p.Gaining[0].Change, p.Losing[0].Change+p.Losing[1].Change; math.Abs(gain+loss) > 1e-6 || math.Abs(gain-p.MeanL1/2) > 1e-6 {
					t.Errorf("place %d: gains %g, loses %g, mean L1 %g", k, gain, loss, p.MeanL1)
				}
			}
			if c.Changed != c.Places[0].Vertices+c.Places[1].Vertices || len(c.Joints) == 0 || c.Joints[0].Joint != "strap" {
				t.Errorf("%d changed, joints %v", c.Changed, c.Joints)
			}
		})
	}
	if c := diff(t, sheetSurface("old", m, smooth(m)), sheetSurface("new", m, smooth(m))); c.Changed != 0 || len(c.Places) != 0 || len(c.Joints) != 0 {
		t.Errorf("nothing changed, and %d vertices did", c.Changed)
	}
	away := cloth(41, 1)
	if c := diff(t, sheetSurface("old", m, smooth(m)), sheetSurface("new", away, smooth(away))); c.Unmatched != away.NumVertices() || c.Changed != 0 {
		t.Errorf("%d of %d unmatched, %d changed", c.Unmatched, away.NumVertices(), c.Changed)
	}
	if _, err := Diff(context.Background(), sheetSurface("old", m, smooth(m)), sheetSurface("new", m, smooth(m)), DiffOptions{Change: 3}); err == nil {
		t.Error("a change of 3 is no error")
	}
}

// TestDiff_JointsBySize: two joints exchange weight, one way on the left and the other
// on the right, so that gains and losses cancel out over the sheet; a third gives
// weight in one corner alone. Expected are the sums over vertices, done here by hand.
func TestDiff_JointsBySize(t *testing.T) {
	m := cloth(40, 0)
	row := func(a, b, c float64) *weights.Rows { return rowOf(0, a, 1, b, 2, c) }
	before, after := weights.NewRows(0), weights.NewRows(0)
	n := float64(m.NumVertices())
	signed, absolute, corner := 0.0, 0.0, 0
	for _, p := range m.Positions {
		d := 0.2
		if p.X > 0.5 {
			d = -0.2
		}
		e := 0.0
		if p.X < 0.01 && p.Y < 0.01 {
			e, corner = 0.1, corner+1
		}
		before.Append(row(0.4, 0.4, 0.2).Row(0))
		after.Append(row(0.4+d, 0.4-d+e, 0.2-e).Row(0))
		signed, absolute = signed+d, absolute+math.Abs(d)
	}
	if corner != 1 {
		t.Fatalf("%d vertices in the corner", corner)
	}
	c := diff(t, sheetSurface("old", m, before), sheetSurface("new", m, after))
	want := []JointChange{
		{sheetJoints[1].Name, (0.1 - signed) / n, (absolute - 0.1) / n, 0.2},
		{sheetJoints[0].Name, signed / n, absolute / n, 0.2},
		{sheetJoints[2].Name, -0.1 / n, 0.1 / n, 0.1},
	}
	slices.SortFunc(want[:2], func(a, b JointChange) int { return cmp.Compare(b.Absolute, a.Absolute) })
	if c.Changed != m.NumVertices() || len(c.Joints) != len(want) {
		t.Fatalf("%d of %d vertices changed, joints %v", c.Changed, m.NumVertices(), c.Joints)
	}
	for k, w := range want {
		if g := c.Joints[k]; g.Joint != w.Joint || math.Abs(g.Change-w.Change) > 1e-9 || math.Abs(g.Absolute-w.Absolute) > 1e-9 || math.Abs(g.Largest-w.Largest) > 1e-9 {
			t.Errorf("joint %d: %+v, want %+v", k, g, w)
		}
	}
	// Signs are those of the means.
	for _, p := range c.Places {
		for _, j := range p.Gaining {
			if j.Change <= 0 {
				t.Errorf("%+v gains", j)
			}
		}
		for _, j := range p.Losing {
			if j.Change >= 0 {
				t.Errorf("%+v loses", j)
			}
		}
	}
	// A garment on any of the joints is on a changed one, the corner's too.
	for j := range 3 {
		r := weights.NewRows(0)
		for range m.Positions {
			r.Append(rowOf(float64(j), 1).Row(0))
		}
		list, err := Touches(t.Context(), c, sheetSurface("new", m, after), []*Surface{sheetSurface("worn", m, r)}, 0, 0, 1)
		if err != nil {
			t.Fatal(err)
		}
		if x := list[0]; x.JointShare != 1 || !reflect.DeepEqual(x.Joints, []string{sheetJoints[j].Name}) {
			t.Errorf("all weight on %s: %+v", sheetJoints[j].Name, x)
		}
	}
}

// TestTouches: a garment over a change of the body, one beside it that has the
// joint, one that has neither, one out of reach.
func TestTouches(t *testing.T) {
	m := cloth(40, 0)
	before := smooth(m)
	after := bump(m, before, r3.Vec{X: 0.3, Y: 0.5}, 0.2)
	c := diff(t, sheetSurface("old", m, before), sheetSurface("new", m, after))
	part := func(name string, lo, hi, up float64, joint float64) *Surface {
		g := cloth(20, up)
		for i := range g.Positions {
			g.Positions[i].X = lo + (hi-lo)*g.Positions[i].X
		}
		r := weights.NewRows(0)
		for range g.Positions {
			r.Append(rowOf(joint, 1).Row(0))
		}
		return sheetSurface(name, g, r)
	}
	apart := part("apart", 0.6, 1, 0.01, 0)
	apart.Joints = []Joint{{"tail", -1}}
	bare := part("bare", 0.1, 0.5, 0.01, 0)
	bare.Rows = nil
	list, err := Touches(context.Background(), c, sheetSurface("new", m, after), []*Surface{
		apart, part("beside", 0.6, 1, 0.01, 2), part("over", 0.1, 0.5, 0.01, 2), bare, part("far", 0.1, 0.5, 0.3, 2),
	}, 0, 0.1, 2)
	if err != nil {
		t.Fatal(err)
	}
	// The disc of radius 0.2 covers pi 0.04 of the 0.4 square metres under "over"; where
	// its rim is under the limit a little less, where triangles reach out a little more.
	over := math.Pi * 0.04 / 0.4
	for k, want := range []struct {
		name        string
		share, tell float64
	}{{"over", over, 1}, {"bare", over, 0}, {"beside", 0, 1}, {"far", 0, 1}, {"apart", 0, 0}} {
		x := list[k]
		if x.Garment != want.name || math.Abs(x.OverShare-want.share) > 0.04 || math.Abs(x.JointShare-want.tell) > 1e-9 || x.Touched != (want.share > 0) {
			t.Errorf("%d: %+v, want %+v", k, x, want)
		}
	}
	if list[0].MaxL1 < 0.6 || !reflect.DeepEqual(list[0].Joints, []string{"strap"}) {
		t.Errorf("%+v", list[0])
	}
}
