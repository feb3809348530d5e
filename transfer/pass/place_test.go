package pass

import (
	"context"
	"math"
	"math/rand/v2"
	"reflect"
	"slices"
	"testing"

	"github.com/selvage/selvage/transfer/mesh"
	"github.com/selvage/selvage/transfer/weights"
	"gonum.org/v1/gonum/spatial/r3"
)

// cloth is a sheet of n by n cells, a metre wide, facing +Z, with a gentle wave;
// up is added to its height.
func cloth(n int, up float64) *mesh.Mesh {
	m := &mesh.Mesh{}
	for i := range n + 1 {
		for k := range n + 1 {
			x, y := float64(k)/float64(n), float64(i)/float64(n)
			m.Positions = append(m.Positions, r3.Vec{X: x, Y: y, Z: up + 0.02*math.Sin(3*x)})
		}
	}
	at := func(i, k int) int32 { return int32(i*(n+1) + k) }
	for i := range n {
		for k := range n {
			m.Triangles = append(m.Triangles, [3]int32{at(i, k), at(i, k+1), at(i+1, k+1)}, [3]int32{at(i, k), at(i+1, k+1), at(i+1, k)})
		}
	}
	return m
}

// cutOut is the part of a mesh whose triangles have corners to keep alone, and which
// vertices it has.
func cutOut(m *mesh.Mesh, keep func(p r3.Vec) bool) (*mesh.Mesh, []int32) {
	cut, of, used := &mesh.Mesh{}, []int32(nil), map[int32]int32{}
	for _, t := range m.Triangles {
		if !keep(m.Positions[t[0]]) || !keep(m.Positions[t[1]]) || !keep(m.Positions[t[2]]) {
			continue
		}
		for k, v := range t {
			if _, ok := used[v]; !ok {
				used[v] = int32(len(of))
				of, cut.Positions = append(of, v), append(cut.Positions, m.Positions[v])
			}
			t[k] = used[v]
		}
		cut.Triangles = append(cut.Triangles, t)
	}
	return cut, of
}

// turned is the same sheet seen from behind.
func turned(m *mesh.Mesh) *mesh.Mesh {
	out := &mesh.Mesh{Positions: m.Positions}
	for _, t := range m.Triangles {
		out.Triangles = append(out.Triangles, [3]int32{t[0], t[2], t[1]})
	}
	return out
}

func place(t *testing.T, source, target *mesh.Mesh) *Placement {
	t.Helper()
	p, err := Place(context.Background(), source, target, 0, 1)
	if err != nil {
		t.Fatal(err)
	}
	for _, threads := range []int{0, 3} {
		q, err := Place(context.Background(), source, target, 0, threads)
		if err != nil || !reflect.DeepEqual(p, q) {
			t.Fatalf("placement depends on threads: %v", err)
		}
	}
	return p
}

func TestPlace(t *testing.T) {
	source := cloth(12, 0)
	p := place(t, source, source)
	if !p.ByIndex || !p.Exact(5) || p.Corner[5][0] != 5 {
		t.Error("the same mesh is not matched by index")
	}

	// Another order of vertices: each is found where it went.
	rng := rand.New(rand.NewPCG(7, 7))
	order := rng.Perm(source.NumVertices())
	shuffled, at := &mesh.Mesh{Positions: make([]r3.Vec, len(order))}, make([]int32, len(order))
	for v, old := range order {
		shuffled.Positions[v], at[old] = source.Positions[old], int32(v)
	}
	for _, c := range source.Triangles {
		shuffled.Triangles = append(shuffled.Triangles, [3]int32{at[c[0]], at[c[1]], at[c[2]]})
	}
	p = place(t, source, shuffled)
	for v, old := range order {
		if p.ByIndex || !p.Exact(v) || int(p.Corner[v][0]) != old {
			t.Fatalf("vertex %d: placed at %v %v, want vertex %d", v, p.Corner[v], p.Bary[v], old)
		}
	}

	// A finer sheet lies on it everywhere, and the place is the point.
	fine := cloth(31, 0)
	p = place(t, source, fine)
	for v, q := range fine.Positions {
		if p.Fate[v] != Placed {
			t.Fatalf("vertex %d of the finer sheet: %d", v, p.Fate[v])
		}
		var x r3.Vec
		for k, c := range p.Corner[v] {
			x = r3.Add(x, r3.Scale(p.Bary[v][k], source.Positions[c]))
		}
		// Chords of cells of 1/12 m leave the wave by less than its curvature, 0.18/m,
		// times the squared length over 8: 0.2 mm.
		if d := r3.Norm(r3.Sub(x, q)); d > 2e-4 {
			t.Fatalf("vertex %d: placed %g m away", v, d)
		}
	}

	// Lifted by more than half an edge (edges of 83 and 118 mm) it is gone, seen
	// from behind turned away.
	for v, fate := range place(t, source, cloth(11, 0.08)).Fate {
		if fate != Gone {
			t.Fatalf("vertex %d of the lifted sheet: %d", v, fate)
		}
	}
	for v, fate := range place(t, source, turned(cloth(11, 0.001))).Fate {
		if fate != Turned {
			t.Fatalf("vertex %d of the turned sheet: %d", v, fate)
		}
	}
	// Of cloth and lining a millimetre apart each vertex finds its own.
	both := &mesh.Mesh{Positions: append(slices.Clone(source.Positions), cloth(12, -0.001).Positions...), Triangles: slices.Clone(source.Triangles)}
	n := int32(source.NumVertices())
	for _, c := range turned(source).Triangles {
		both.Triangles = append(both.Triangles, [3]int32{c[0] + n, c[1] + n, c[2] + n})
	}
	p = place(t, both, turned(cloth(11, -0.0004)))
	for v := range p.Fate {
		if p.Fate[v] != Placed || p.Corner[v][0] < n {
			t.Fatalf("vertex %d of the lining: %d on %v", v, p.Fate[v], p.Corner[v])
		}
	}
	if p = place(t, &mesh.Mesh{}, source); p.Fate[0] != Gone {
		t.Error("placed on nothing")
	}
}

// smooth are rows over joints 0 and 1 that change along x.
func smooth(m *mesh.Mesh) *weights.Rows {
	r, acc := weights.NewRows(0), weights.NewAccumulator(3)
	for _, p := range m.Positions {
		acc.Add(0, 0.2+0.6*p.X)
		acc.Add(1, 0.8-0.6*p.X)
		acc.FlushNormalised(r)
	}
	q, err := weights.Quantise(r, weights.Float32)
	if err != nil {
		panic(err)
	}
	return q
}

// bump adds to joint 2 what it takes from the others, by up to a third, around
// the middle of the sheet within radius metres.
func bump(m *mesh.Mesh, r *weights.Rows, centre r3.Vec, radius float64) *weights.Rows {
	out, acc := weights.NewRows(0), weights.NewAccumulator(3)
	for v, p := range m.Positions {
		d := math.Hypot(p.X-centre.X, p.Y-centre.Y) / radius
		s := 0.0
		if d < 1 {
			s = (1 - d*d) * (1 - d*d) / 3
		}
		acc.AddRow(r, v, 1-s)
		if s > 0 {
			acc.Add(2, s)
		}
		acc.FlushNormalised(out)
	}
	return out
}

var sheetJoints = []Joint{{"hips", -1}, {"spine", 0}, {"strap", 1}}

// sheetRecord is the record of a first pass that gave smooth rows.
func sheetRecord(m *mesh.Mesh) *Record {
	r := &Record{Mesh: m, Joints: sheetJoints, Rows: smooth(m), Edits: newEdits(), Written: &Sparse{Rows: weights.NewRows(0)}}
	if err := r.Validate(); err != nil {
		panic(err)
	}
	return r
}

func find(t *testing.T, r *Record, m *mesh.Mesh, rows *weights.Rows, joints []Joint) *Found {
	t.Helper()
	f, err := Find(context.Background(), r, &Surface{Name: "sheet", Mesh: m, Rows: rows, Joints: joints}, 1)
	if err != nil {
		t.Fatal(err)
	}
	return f
}

func move(t *testing.T, f *Found, m *mesh.Mesh, joints []Joint) *Moved {
	t.Helper()
	x, err := Move(context.Background(), f, m, joints, 1)
	if err != nil {
		t.Fatal(err)
	}
	return x
}

var middle = r3.Vec{X: 0.5, Y: 0.5}

// TestFind: the edits, and nothing else, also after an export by another program
// and with the joints in another order.
func TestFind(t *testing.T) {
	m := cloth(20, 0)
	rec := sheetRecord(m)
	edited := bump(m, rec.Rows, middle, 0.3)
	var want []int32
	for v := range m.Positions {
		if rec.Rows.DistanceL1(v, edited, v) > 0.02 {
			want = append(want, int32(v))
		}
	}
	swapped := []Joint{{"strap", 2}, {"hips", -1}, {"spine", 1}}
	acc, other := weights.NewAccumulator(3), weights.NewRows(0)
	for v := range edited.Len() {
		joint, weight := edited.Row(v)
		for i, j := range joint {
			acc.Add([]uint16{1, 2, 0}[j], weight[i])
		}
		acc.Flush(other)
	}
	for _, x := range []struct {
		name   string
		rows   *weights.Rows
		joints []Joint
	}{
		{"as it is", edited, sheetJoints}, {"bytes", exported(edited, 0.0099, 4, 255), sheetJoints},
		{"shorts", exported(edited, 0, 4, 65535), sheetJoints}, {"joints in another order", other, swapped},
	} {
		t.Run(x.name, func(t *testing.T) {
			f := find(t, rec, m, x.rows, x.joints)
			got := map[int32]int{}
			for i, v := range f.Edits.Vertex {
				got[v] = i
				if !sameRow(f.Edits.Base, i, rec.Rows, int(v)) {
					t.Fatalf("vertex %d: the base is not the recorded row", v)
				}
				if f.Edits.Row.DistanceL1(i, edited, int(v)) > 0.02 {
					t.Fatalf("vertex %d: another row than the artist's", v)
				}
				if rec.Rows.DistanceL1(int(v), edited, int(v)) == 0 {
					t.Fatalf("vertex %d is no edit", v)
				}
			}
			for _, v := range want {
				if _, ok := got[v]; !ok {
					t.Errorf("the edit of vertex %d is missed", v)
				}
			}
			if f.New != f.Edits.Len() || f.Undone != 0 || f.Unplaced != 0 {
				t.Errorf("%d new, %d undone, %d unplaced of %d", f.New, f.Undone, f.Unplaced, f.Edits.Len())
			}
		})
	}
	for name, rows := range map[string]*weights.Rows{"bytes": exported(rec.Rows, 0.0099, 4, 255), "shorts": exported(rec.Rows, 0.0099, 4, 65535), "floats": rec.Rows} {
		if f := find(t, rec, m, rows, sheetJoints); f.Edits.Len() != 0 {
			t.Errorf("exported as %s: %d edits", name, f.Edits.Len())
		}
	}
}

// TestFind_Remembered: rows as written keep the edits of earlier passes, rows
// brought back to the transfer's lose them, and a row edited anew has its base in
// the last transfer.
func TestFind_Remembered(t *testing.T) {
	m := cloth(3, 0)
	rec := sheetRecord(m)
	old, written, again := rowOf(0, 0.5, 2, 0.5), rowOf(0, 0.625, 2, 0.375), rowOf(1, 1)
	for _, v := range []int32{2, 5, 9} {
		rec.Edits.Vertex, rec.Written.Vertex = append(rec.Edits.Vertex, v), append(rec.Written.Vertex, v)
		rec.Edits.Base.Append(rowOf(0, 1).Row(0))
		rec.Edits.Row.Append(old.Row(0))
		rec.Written.Rows.Append(written.Row(0))
	}
	current := weights.NewRows(0)
	for v := range m.Positions {
		switch v {
		case 2:
			current.Append(written.Row(0))
		case 9:
			current.Append(again.Row(0))
		default:
			current.Append(rec.Rows.Row(v))
		}
	}
	f := find(t, rec, m, current, sheetJoints)
	if !slices.Equal(f.Edits.Vertex, []int32{2, 9}) || f.New != 1 || f.Undone != 1 {
		t.Fatalf("edits of %v, %d new, %d undone", f.Edits.Vertex, f.New, f.Undone)
	}
	if !sameRow(f.Edits.Base, 0, rowOf(0, 1), 0) || !sameRow(f.Edits.Row, 0, old, 0) {
		t.Error("the remembered edit is not the remembered one")
	}
	if !sameRow(f.Edits.Base, 1, rec.Rows, 9) || !sameRow(f.Edits.Row, 1, again, 0) {
		t.Error("the new edit does not go from the transfer's row to the artist's")
	}
}

// TestMove_Finer: on a sheet of other vertices the edit is the same function of
// the place, to what interpolation leaves; nothing else is edited, nothing lost.
func TestMove_Finer(t *testing.T) {
	m, fine := cloth(24, 0), cloth(37, 0)
	rec := sheetRecord(m)
	f := find(t, rec, m, bump(m, rec.Rows, middle, 0.3), sheetJoints)
	x := move(t, f, fine, sheetJoints)
	if x.ByIndex || len(x.Dropped) != 0 {
		t.Errorf("by index %v, dropped %v", x.ByIndex, x.Dropped)
	}
	base := smooth(fine)
	want := bump(fine, base, middle, 0.3)
	at := entries(x.Edits.Vertex, fine.NumVertices())
	// The bump's second derivative is at most 8/3 over the squared radius, 30/m^2; over
	// cells of 1/24 m a linear interpolation is off by 30/8/24^2 = 0.65% of a row, in
	// either coordinate, times two for what the others lose.
	const tolerance = 0.03
	for v := range fine.Positions {
		change := want.DistanceL1(v, base, v)
		if at[v] < 0 {
			if change > tolerance {
				t.Fatalf("vertex %d: a change of %g is missing", v, change)
			}
			continue
		}
		i := int(at[v])
		if d := x.Edits.Row.DistanceL1(i, want, v); d > tolerance {
			t.Fatalf("vertex %d: row off by %g", v, d)
		}
		// Vertices within a thousandth of an edge, 0.04 mm, of a corner take its row; the
		// base changes by 1.2 a metre.
		if d := x.Edits.Base.DistanceL1(i, base, v); d > 1e-4 {
			t.Fatalf("vertex %d: base off by %g", v, d)
		}
		if r := math.Hypot(fine.Positions[v].X-0.5, fine.Positions[v].Y-0.5); r > 0.3+0.06 {
			t.Fatalf("vertex %d, %g m from the middle, is edited", v, r)
		}
	}
}

// TestFind_Reshaped: an artist's garment with cut edges: its interpolated rows are
// no edits, those painted on it are.
func TestFind_Reshaped(t *testing.T) {
	m, fine := cloth(16, 0), cloth(32, 0)
	rec := sheetRecord(m)
	if f := find(t, rec, fine, smooth(fine), sheetJoints); f.Edits.Len() != 0 || f.Unplaced != 0 {
		t.Errorf("%d edits, %d unplaced", f.Edits.Len(), f.Unplaced)
	}
	f := find(t, rec, fine, bump(fine, smooth(fine), middle, 0.3), sheetJoints)
	if f.New == 0 || f.Mesh != fine {
		t.Fatal("the edit is not found")
	}
	for _, v := range f.Edits.Vertex {
		if r := math.Hypot(fine.Positions[v].X-0.5, fine.Positions[v].Y-0.5); r > 0.3 {
			t.Errorf("vertex %d, %g m from the middle, is an edit", v, r)
		}
	}
}

// TestMove_Lost: edits whose place, joints or vertices are gone are counted by
// reason, each once.
func TestMove_Lost(t *testing.T) {
	m := cloth(12, 0)
	rec := sheetRecord(m)
	all := find(t, rec, m, bump(m, rec.Rows, middle, 0.3), sheetJoints)
	total := all.Edits.Len()
	half := func(keep func(c r3.Vec) bool) *mesh.Mesh {
		out, _ := cutOut(cloth(13, 0), keep)
		return out
	}
	for _, x := range []struct {
		name   string
		mesh   *mesh.Mesh
		joints []Joint
		reason string
		least  int
	}{
		{"half of the sheet is cut off", half(func(c r3.Vec) bool { return c.X < 0.5 }), sheetJoints, DropGone, total / 3},
		{"turned over", turned(cloth(13, 0)), sheetJoints, DropTurned, total},
		// Two triangles lie under it all, with no vertex near the edit.
		{"two triangles", &mesh.Mesh{Positions: []r3.Vec{{}, {X: 1}, {X: 1, Y: 1}, {Y: 1}}, Triangles: [][3]int32{{0, 1, 2}, {0, 2, 3}}}, sheetJoints, DropSparse, total},
	} {
		t.Run(x.name, func(t *testing.T) {
			got := move(t, all, x.mesh, x.joints)
			if got.Dropped[x.reason] < x.least || len(got.Dropped) != 1 {
				t.Errorf("dropped %v of %d, want %d or more: %s", got.Dropped, total, x.least, x.reason)
			}
		})
	}
	// The strap's joint is gone: its weight is the spine's now. Rows between spine
	// and strap alone have no edit left.
	only := find(t, rec, m, func() *weights.Rows {
		out := weights.NewRows(0)
		for v := range m.Positions {
			joint, weight := rec.Rows.Row(v)
			if v == 40 {
				joint = []uint16{0, 2} // what the spine had is the strap's
			}
			if v == 41 {
				joint, weight = []uint16{2}, []float64{1}
			}
			out.Append(joint, weight)
		}
		return out
	}(), sheetJoints)
	got := move(t, only, m, sheetJoints[:2])
	if got.Dropped[DropJoints] != 1 || !slices.Equal(got.Edits.Vertex, []int32{41}) || !sameRow(got.Edits.Row, 0, rowOf(1, 1), 0) || !slices.Equal(got.GoneJoints, []string{"strap"}) {
		t.Errorf("dropped %v, edits of %v, gone %v", got.Dropped, got.Edits.Vertex, got.GoneJoints)
	}
}

// TestMove_Absent: edits of earlier passes live on where the artist's file lacks
// their vertices, or has them without weights; those it has count as ever.
func TestMove_Absent(t *testing.T) {
	m := cloth(20, 0)
	rec := sheetRecord(m)
	meant := bump(m, rec.Rows, middle, 0.3)
	first := find(t, rec, m, meant, sheetJoints).Edits
	rec.Edits = first
	for i, v := range first.Vertex {
		rec.Written.Vertex = append(rec.Written.Vertex, v)
		rec.Written.Rows.Append(first.Row.Row(i))
	}
	// The artist took this one back, and changed that one.
	var large []int32
	for i, v := range first.Vertex {
		if m.Positions[v].X < 0.5 && first.Row.DistanceL1(i, first.Base, i) > 0.2 {
			large = append(large, v)
		}
	}
	back, anew := large[0], large[5]
	row := func(v int32) ([]uint16, []float64) {
		switch v {
		case back:
			return rec.Rows.Row(int(v))
		case anew:
			return []uint16{2}, []float64{1}
		}
		return rec.written().Row(int(v))
	}
	left := func(p r3.Vec) bool { return p.X < 0.56 }
	whole, bare, halfRows, halfBare := weights.NewRows(0), weights.NewRows(0), weights.NewRows(0), weights.NewRows(0)
	for v, p := range m.Positions {
		whole.Append(row(int32(v)))
		if left(p) {
			bare.Append(row(int32(v)))
		} else {
			bare.Append(nil, nil)
		}
	}
	half, of := cutOut(m, left)
	for _, v := range of {
		halfRows.Append(row(v))
	}
	// A file of another order, without weights on the right.
	shuffled, order := cutOut(turned(turned(m)), func(r3.Vec) bool { return true })
	for _, v := range order {
		if left(m.Positions[v]) {
			halfBare.Append(row(v))
		} else {
			halfBare.Append(nil, nil)
		}
	}
	want := move(t, find(t, rec, m, whole, sheetJoints), m, sheetJoints).Edits
	if want.Len() != first.Len()-1 {
		t.Fatalf("%d edits of %d", want.Len(), first.Len())
	}
	right := 0
	for _, v := range want.Vertex {
		if !left(m.Positions[v]) {
			right++
		}
	}
	for _, x := range []struct {
		name string
		mesh *mesh.Mesh
		rows *weights.Rows
	}{{"without weights", m, bare}, {"without vertices", half, halfRows}, {"in another order, without weights", shuffled, halfBare}} {
		t.Run(x.name, func(t *testing.T) {
			f := find(t, rec, x.mesh, x.rows, sheetJoints)
			if f.Absent != right || f.New != 1 || f.Undone != 1 || f.Len() != want.Len() {
				t.Errorf("%d absent, %d new, %d undone, %d in all; want %d, 1, 1, %d", f.Absent, f.New, f.Undone, f.Len(), right, want.Len())
			}
			if got := move(t, f, m, sheetJoints); !reflect.DeepEqual(got.Edits, want) || len(got.Dropped) > 0 {
				t.Errorf("other edits than from the whole file: %d of %d, dropped %v", got.Edits.Len(), want.Len(), got.Dropped)
			}
			// On the half that the file has the others have no place: each is counted.
			got := move(t, f, half, sheetJoints)
			lost := 0
			for _, n := range got.Dropped {
				lost += n
			}
			if got.Edits.Len()+lost != f.Len() || lost == 0 {
				t.Errorf("%d edits, dropped %v of %d", got.Edits.Len(), got.Dropped, f.Len())
			}
			// On other vertices the edit is whole.
			fine := cloth(33, 0)
			got = move(t, f, fine, sheetJoints)
			base := smooth(fine)
			at := entries(got.Edits.Vertex, fine.NumVertices())
			for v, p := range fine.Positions {
				if d := bump(fine, base, middle, 0.3).DistanceL1(v, base, v); d > 0.05 && at[v] < 0 && p.X > 0.5 {
					t.Fatalf("vertex %d at %v: a change of %g is missing", v, p, d)
				}
			}
		})
	}
}
