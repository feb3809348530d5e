package pass

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"github.com/selvage/selvage/transfer/mesh"
	"github.com/selvage/selvage/transfer/weights"
	"gonum.org/v1/gonum/spatial/r3"
)

// with appends a mesh to another.
func with(m, more *mesh.Mesh) *mesh.Mesh {
	n := int32(m.NumVertices())
	out := &mesh.Mesh{Positions: append(slices.Clone(m.Positions), more.Positions...), Triangles: slices.Clone(m.Triangles)}
	for _, c := range more.Triangles {
		out.Triangles = append(out.Triangles, [3]int32{c[0] + n, c[1] + n, c[2] + n})
	}
	return out
}

// toggles is a sheet with count small sheets over it, in a row 0.1 m apart; where
// gives the place of each of them in the row.
func toggles(count int, where func(i int) int) *mesh.Mesh {
	m := cloth(20, 0)
	for i := range count {
		m = with(m, changed(cloth(4, 0), func(p r3.Vec) r3.Vec {
			return r3.Vec{X: 0.1 + 0.1*float64(where(i)) + 0.03*p.X, Y: 0.5 + 0.03*p.Y, Z: 0.1}
		}))
	}
	return m
}

// changed is a mesh with other positions.
func changed(m *mesh.Mesh, to func(p r3.Vec) r3.Vec) *mesh.Mesh {
	out := &mesh.Mesh{Positions: slices.Clone(m.Positions), Triangles: m.Triangles}
	for v, p := range m.Positions {
		out.Positions[v] = to(p)
	}
	return out
}

// loose is a mesh whose triangles share no vertices, in an order of their own.
func loose(m *mesh.Mesh, order []int) *mesh.Mesh {
	out := &mesh.Mesh{}
	for _, t := range order {
		n := int32(len(out.Positions))
		for _, v := range m.Triangles[t] {
			out.Positions = append(out.Positions, m.Positions[v])
		}
		out.Triangles = append(out.Triangles, [3]int32{n, n + 1, n + 2})
	}
	return out
}

// TestPlace_SameTriangles: equal lists of triangles are the same vertices where the
// garment was moved or sculpted, and not where parts have changed places.
func TestPlace_SameTriangles(t *testing.T) {
	const count = 7
	self := func(i int) int { return i }
	back := func(i int) int { return count - 1 - i }
	source := toggles(count, self)
	const sheet, part = 21 * 21, 25
	mirrored := func(v int) int32 {
		if v < sheet {
			return int32(v)
		}
		i := (v - sheet) / part
		return int32(v + (back(i)-i)*part)
	}
	same := func(v int) int32 { return int32(v) }
	lift := func(p r3.Vec) r3.Vec { return r3.Add(p, r3.Vec{Z: 0.3 * math.Exp(-20*(p.X*p.X+p.Y*p.Y))}) }
	plain := cloth(8, 0)
	first := rand.New(rand.NewPCG(3, 3)).Perm(len(plain.Triangles))
	soup := loose(plain, first)
	second := slices.Clone(first)
	slices.Reverse(second)
	for _, x := range []struct {
		name           string
		source, target *mesh.Mesh
		byIndex        bool
		want           func(v int) int32
	}{
		{"moved as a whole, far", source, changed(source, func(p r3.Vec) r3.Vec { return r3.Add(p, r3.Vec{X: 2.017, Y: 0.3}) }), true, same},
		{"sculpted, by far more than an edge", source, changed(source, lift), true, same},
		{"larger", source, changed(source, func(p r3.Vec) r3.Vec { return r3.Scale(1.1, p) }), true, same},
		{"parts in another order", source, toggles(count, back), false, mirrored},
		{"parts in another order, the sheet sculpted", source, changed(toggles(count, back), func(p r3.Vec) r3.Vec {
			if p.Z > 0.09 {
				return p
			}
			return lift(p)
		}), false, mirrored},
		{"parts in another order, all moved a little", source, changed(toggles(count, back), func(p r3.Vec) r3.Vec { return r3.Add(p, r3.Vec{X: 0.004, Z: -0.003}) }), false, nil},
		{"triangles in another order", soup, loose(plain, second), false, func(v int) int32 { return int32(len(soup.Positions)/3-1-v/3)*3 + int32(v%3) }},
	} {
		t.Run(x.name, func(t *testing.T) {
			p := place(t, x.source, x.target)
			if p.ByIndex != x.byIndex {
				t.Errorf("by index %v, want %v", p.ByIndex, x.byIndex)
			}
			for v := range p.Fate {
				if x.want != nil && (!p.Exact(v) || p.Corner[v][0] != x.want(v)) {
					t.Fatalf("vertex %d: fate %d on %v, want vertex %d", v, p.Fate[v], p.Corner[v], x.want(v))
				}
				// The parts lie 100 mm apart and are 30 mm wide: within 25 mm is the same one.
				if p.Fate[v] != Placed || x.byIndex || v < sheet {
					continue
				}
				if d := r3.Norm(r3.Sub(x.target.Positions[v], x.source.Positions[p.Corner[v][0]])); d > 0.025 {
					t.Fatalf("vertex %d: placed on vertex %d, %g m away", v, p.Corner[v][0], d)
				}
			}
			if x.want == nil && !slices.Contains(p.Fate[sheet:], Placed) {
				t.Error("no part is placed")
			}
		})
	}
}

// TestMove_PartsInAnotherOrder: an edit of one part stays on that part.
func TestMove_PartsInAnotherOrder(t *testing.T) {
	source, target := toggles(5, func(i int) int { return i }), toggles(5, func(i int) int { return 4 - i })
	rec := sheetRecord(source)
	rows := weights.NewRows(0)
	for v := range source.Positions {
		if v >= 21*21 && v < 21*21+25 {
			rows.Append(rowOf(2, 1).Row(0))
		} else {
			rows.Append(rec.Rows.Row(v))
		}
	}
	x := move(t, find(t, rec, source, rows, sheetJoints), target, sheetJoints)
	if x.Edits.Len() != 25 || len(x.Dropped) > 0 {
		t.Fatalf("%d edits, dropped %v", x.Edits.Len(), x.Dropped)
	}
	for _, v := range x.Edits.Vertex {
		if p := target.Positions[v]; p.X > 0.131 || p.Z < 0.09 {
			t.Errorf("vertex %d at %v has the edit of the part at x = 0.1", v, p)
		}
	}
}

// TestPlace_Reordered: vertices and triangles in another order, or coincident vertices
// joined, place every vertex on one in the same place, on the same side of a seam.
func TestPlace_Reordered(t *testing.T) {
	const seed = 21
	for _, name := range []string{"gloves", "sea boots", "bib trousers"} {
		s, _ := surfaceOf(t, coxWeighted(t, name))
		rng := rand.New(rand.NewPCG(seed, 1))
		other := &mesh.Mesh{Positions: make([]r3.Vec, s.Mesh.NumVertices())}
		at := make([]int32, s.Mesh.NumVertices())
		rows := weights.NewRows(0)
		order := rng.Perm(s.Mesh.NumVertices())
		for v, old := range order {
			other.Positions[v], at[old] = s.Mesh.Positions[old], int32(v)
			rows.Append(s.Rows.Row(old))
		}
		for _, k := range rng.Perm(len(s.Mesh.Triangles)) {
			c := s.Mesh.Triangles[k]
			other.Triangles = append(other.Triangles, [3]int32{at[c[1]], at[c[2]], at[c[0]]})
		}
		p := place(t, s.Mesh, other)
		for v, old := range order {
			if p.ByIndex || !p.Exact(v) || int(p.Corner[v][0]) != old {
				t.Fatalf("%s, seed %d: vertex %d is placed on %v, want vertex %d", name, seed, v, p.Corner[v], old)
			}
		}
		after := *s
		after.Mesh, after.Rows, after.Parts = other, rows, nil
		if c := diff(t, s, &after); c.Changed != 0 || c.Unmatched != 0 || c.MaxL1 != 0 {
			t.Errorf("%s: %d changed by up to %g, %d unmatched", name, c.Changed, c.MaxL1, c.Unmatched)
		}
		w := mesh.Weld(s.Mesh, mesh.WeldTolerance(s.Mesh))
		p = place(t, s.Mesh, w.Mesh)
		for v, q := range w.Mesh.Positions {
			if !p.Exact(v) || r3.Norm(r3.Sub(s.Mesh.Positions[p.Corner[v][0]], q)) > 1e-6 {
				t.Fatalf("%s: joined vertex %d is placed on %v %v", name, v, p.Corner[v], p.Bary[v])
			}
		}
	}
}
