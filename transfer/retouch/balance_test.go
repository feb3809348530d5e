package retouch

import (
	"math"
	"slices"
	"testing"

	"github.com/selvage/selvage/transfer/mesh"
	"github.com/selvage/selvage/transfer/weights"
	"gonum.org/v1/gonum/spatial/r3"
)

// pairedJoints is a joint in the middle, three pairs, and a joint of the left side alone.
var pairedJoints = joints(map[string]r3.Vec{
	"root": {}, "a.left": {X: 0.3, Y: 0.5}, "b.left": {X: 0.6, Y: 0.5}, "c.left": {X: 0.9, Y: 0.5},
	"a.right": {X: -0.3, Y: 0.5}, "b.right": {X: -0.6, Y: 0.5}, "c.right": {X: -0.9, Y: 0.5}, "badge": {X: 0.75, Y: 0.1},
}, "root", "a.left", "b.left", "c.left", "a.right", "b.right", "c.right", "badge")

// opposite is the counterpart of each of pairedJoints; the badge has none.
var opposite = []uint16{0, 4, 5, 6, 1, 2, 3, 7}

// sheetAcross is a sheet from x = -1 to 1, symmetric but for triangles across the plane
// where it has no vertices on it.
func sheetAcross(columns int) *mesh.Mesh {
	m := &mesh.Mesh{}
	for i := range 6 {
		for k := range columns {
			x := 2*float64(k)/float64(columns-1) - 1
			m.Positions = append(m.Positions, r3.Vec{X: x, Y: float64(i) / 5, Z: 0.2 * math.Cos(2*x)})
			if a := int32(i*columns + k); i < 5 && k+1 < columns {
				n := int32(columns)
				if 2*k+1 < columns {
					m.Triangles = append(m.Triangles, [3]int32{a, a + 1, a + n}, [3]int32{a + 1, a + n + 1, a + n})
				} else {
					m.Triangles = append(m.Triangles, [3]int32{a, a + 1, a + n + 1}, [3]int32{a, a + n + 1, a + n})
				}
			}
		}
	}
	return m
}

// TestMirror_Limited: however few influences a row has room for, rows on the plane are
// their own mirror images, and to mirror again changes nothing. On the plane the pairs'
// weights are equal, so that a limit by weight alone would part them.
func TestMirror_Limited(t *testing.T) {
	r := rng(t, 3)
	for _, s := range []struct {
		columns int
		shift   float64 // of all columns: here one to a hundredth of an edge from the plane
	}{{21, 0}, {22, 0}, {22, 0.98 / 21}} {
		columns, m := s.columns, sheetAcross(s.columns)
		for v := range m.Positions {
			p := &m.Positions[v]
			p.X += s.shift
			p.Z = 0.2 * math.Cos(2*p.X)
		}
		rows := weights.NewRows(0)
		acc := weights.NewAccumulator(len(opposite))
		var wave [8][3]float64
		for j := range wave {
			wave[j] = [3]float64{4 * r.Float64(), 4 * r.Float64(), 6 * r.Float64()}
		}
		for _, p := range m.Positions {
			for j, w := range wave {
				acc.Add(uint16(j), math.Pow(1.01+math.Sin(w[0]*p.X+w[1]*p.Y+w[2]), 3))
			}
			acc.FlushNormalised(rows)
		}
		for _, c := range []struct {
			most   int
			format weights.Format
			step   float64 // what rounding to a sum of one may leave one joint of a pair over the other
		}{{1, weights.Float32, stored}, {2, weights.Float32, stored}, {3, weights.Float32, stored}, {4, weights.Float32, stored}, {8, weights.Float32, stored}, {4, weights.Uint8, 1.0 / 255}, {3, weights.Uint16, 1.0 / 65535}} {
			form := Form{MaxInfluences: c.most, Format: c.format}
			out, report, err := Mirror(t.Context(), &Surface{Mesh: m, Rows: rows, Skin: pairedJoints}, nil, MirrorOptions{Plane: new(float64)}, form)
			if err != nil {
				t.Fatal(err)
			}
			if want := 6 * (columns % 2); report.Middle != want {
				t.Fatalf("%d vertices on the plane, want %d", report.Middle, want)
			}
			for v, p := range m.Positions {
				if math.Abs(p.X) > 1e-9 {
					continue
				}
				joint, weight := out.Rows.Row(v)
				for i, j := range joint {
					if d := math.Abs(weight[i] - weightOf(out.Rows, v, int(opposite[j]))); d > c.step*(1+1e-9) || j == 7 {
						t.Errorf("limit %d, %v: vertex %d: joints %v, weights %v", c.most, c.format, v, joint, weight)
						break
					}
				}
			}
			again, _, err := Mirror(t.Context(), &Surface{Mesh: m, Rows: out.Rows, Skin: pairedJoints}, nil, MirrorOptions{Plane: new(float64)}, form)
			if err != nil || slices.Contains(again.Changed, true) {
				t.Errorf("%d columns, shifted by %g, limit %d, %v: mirroring again changes rows (%v)", columns, s.shift, c.most, c.format, err)
			}
		}
	}
}

// TestMirror_LimitKeepsMost: of five joints with room for four, the one in the middle and
// the heaviest pair stay: 0.3 + 0.25 are more than two pairs' 0.5.
func TestMirror_LimitKeepsMost(t *testing.T) {
	acc := weights.NewAccumulator(len(opposite))
	other := make([]int, len(opposite))
	for j, k := range opposite {
		other[j] = int(k)
	}
	other[7] = 6 // what stands in for the badge's parent on the other side
	for _, c := range []struct {
		name  string
		joint []uint16
		w     []float64
		most  int
		want  map[uint16]float64
	}{
		{"one and a pair", []uint16{0, 1, 2, 3}, []float64{0.3, 0.25, 0.25, 0.2}, 4, map[uint16]float64{0: 0.3 / 0.55, 1: 0.125 / 0.55, 4: 0.125 / 0.55}},
		{"two pairs", []uint16{0, 1, 2, 3}, []float64{0.1, 0.35, 0.35, 0.2}, 4, map[uint16]float64{1: 0.25, 2: 0.25, 4: 0.25, 5: 0.25}},
		{"room for one: the pairs' ancestor", []uint16{1, 2}, []float64{0.5, 0.5}, 1, map[uint16]float64{0: 1}},
		{"no counterpart", []uint16{0, 7}, []float64{0.5, 0.5}, 4, map[uint16]float64{0: 0.5, 3: 0.25, 6: 0.25}},
	} {
		got := row{c.joint, c.w}.middle(acc, other, pairedJoints, c.most)
		if len(got.joint) != len(c.want) {
			t.Errorf("%s: %+v", c.name, got)
			continue
		}
		for i, j := range got.joint {
			if math.Abs(got.weight[i]-c.want[j]) > 1e-12 {
				t.Errorf("%s: %+v", c.name, got)
			}
		}
	}
}

// TestMirror_LeftOver: what only the right side has keeps its rows, and is named; where
// it has none, or doubt is allowed, it takes the nearest there is.
func TestMirror_LeftOver(t *testing.T) {
	m := sheetAcross(21)
	n := len(m.Positions)
	m.Positions = append(m.Positions, r3.Vec{X: -0.5, Y: 1.4}, r3.Vec{X: -0.6, Y: 1.4}, r3.Vec{X: -0.5, Y: 1.5})
	m.Triangles = append(m.Triangles, [3]int32{int32(n), int32(n) + 1, int32(n) + 2})
	for _, c := range []struct {
		name string
		none bool
		opt  MirrorOptions
		kept bool
	}{{"kept", false, MirrorOptions{}, true}, {"without rows", true, MirrorOptions{}, false}, {"doubt allowed", false, MirrorOptions{AllowDoubtful: true}, false}} {
		rows := weights.NewRows(0)
		for v := range m.Positions {
			if c.none && v >= n {
				rows.Append(nil, nil)
			} else {
				rows.Append([]uint16{1}, []float64{1})
			}
		}
		out, report, err := Mirror(t.Context(), &Surface{Mesh: m, Rows: rows, Skin: pairedJoints}, nil, c.opt, Form{})
		if err != nil {
			t.Fatal(err)
		}
		if report.Far != 3 || out.Changed[n] == c.kept || (len(report.Left) == 1) != c.kept {
			t.Errorf("%s: changed %v, %+v", c.name, out.Changed[n:], report)
		}
		if c.kept {
			if l := report.Left[0]; l.Vertices != 3 || l.Joint != "b.right" || l.Distance < 0.4 || report.Farthest > 1e-6 || report.Copied != 60 {
				t.Errorf("%s: %+v, farthest %g, copied %d", c.name, l, report.Farthest, report.Copied)
			}
		}
	}
}
