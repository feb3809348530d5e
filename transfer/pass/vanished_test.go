package pass

// Edits of which nothing is left: all of them are counted.

import (
	"bytes"
	"context"
	"reflect"
	"slices"
	"testing"

	"github.com/selvage/selvage/transfer"
	"github.com/selvage/selvage/transfer/crew"
	"github.com/selvage/selvage/transfer/mesh"
	"github.com/selvage/selvage/transfer/weights"
	"gonum.org/v1/gonum/spatial/r3"
)

// middles is a garment of the middles of another's edges alone: of every triangle the
// quarter between them.
func middles(g *crew.Garment) *crew.Garment {
	out := finer(g)
	var inner [][3]int32
	used := map[int32]bool{}
	for k := 3; k < len(out.Mesh.Triangles); k += 4 {
		c := out.Mesh.Triangles[k]
		inner = append(inner, c)
		used[c[0]], used[c[1]], used[c[2]] = true, true, true
	}
	out.Mesh.Triangles = inner
	var order []int32
	for v := range out.Mesh.Positions {
		if used[int32(v)] {
			order = append(order, int32(v))
		}
	}
	return arranged(out, order)
}

// TestTransfer_CutToNothing: an edit of a garment that comes again as the middles of its
// edges has half of itself at each of them, and where the limit of one influence takes
// that away at all of them it is dropped with this reason; every edit is counted.
func TestTransfer_CutToNothing(t *testing.T) {
	body := prepare(t, coxBody(t))
	g := smallCox().GarmentAt("jersey", 0.4)
	in := Input{Garment: "jersey", From: coxGarment(t, "jersey", 0.4), Options: transfer.AssetOptions{Options: transfer.Options{MaxInfluences: 1}}}
	first := mustTransfer(t, body, in)
	artist := edited(t, first.Asset, weights.Float32, 7)
	in.Record, in.Current = first.Record, artist
	same := mustTransfer(t, body, in)
	if s := &same.Summary; s.Edited == 0 || s.Kept != s.Edited || s.Lost() != 0 {
		t.Fatalf("on the same vertices: %s", counts(s))
	}
	in.From = parsed(t, "jersey.glb", func(b *bytes.Buffer) error { return middles(g).WriteGLB(b) })
	out := mustTransfer(t, body, in)

	// Places of the garment that have an edge whose middle has an edit.
	is, _ := surfaceOf(t, out.Asset)
	lives := map[r3.Vec]bool{}
	at := func(p r3.Vec) r3.Vec { // of single precision, to a tenth of a millimetre
		round := func(x float64) float64 { return float64(int(x*1e4+1e4+0.5)) - 1e4 }
		return r3.Vec{X: round(p.X), Y: round(p.Y), Z: round(p.Z)}
	}
	near := func(p r3.Vec) (found bool) {
		for _, x := range []float64{-2e-5, 2e-5} {
			for _, y := range []float64{-2e-5, 2e-5} {
				for _, z := range []float64{-2e-5, 2e-5} {
					found = found || lives[at(r3.Add(p, r3.Vec{X: x, Y: y, Z: z}))]
				}
			}
		}
		return found
	}
	for _, v := range out.Record.Edits.Vertex {
		lives[at(is.Mesh.Positions[v])] = true
	}
	was, _ := surfaceOf(t, artist)
	weld := mesh.Weld(was.Mesh, mesh.WeldTolerance(was.Mesh))
	holds := map[int32]bool{}
	for _, c := range was.Mesh.Triangles {
		for k, a := range c {
			b := c[(k+1)%3]
			if near(r3.Scale(0.5, r3.Add(was.Mesh.Positions[a], was.Mesh.Positions[b]))) {
				holds[weld.ToWelded[a]], holds[weld.ToWelded[b]] = true, true
			}
		}
	}
	lost := 0
	for _, v := range same.Record.Edits.Vertex {
		if !holds[weld.ToWelded[v]] {
			lost++
		}
	}
	if lost == 0 || len(lives) == 0 {
		t.Fatalf("tests nothing: %d lost, %d live", lost, len(lives))
	}
	if s := &out.Summary; s.Edited != same.Summary.Edited || !reflect.DeepEqual(s.Dropped, map[string]int{DropCut: lost}) {
		t.Errorf("%s; want %d dropped: %s", counts(s), lost, DropCut)
	}
	mustRest(t, body, in, out)
}

// TestMerge_Vanished: edits that come to nothing.
func TestMerge_Vanished(t *testing.T) {
	even, added := rowOf(0, 0.5, 1, 0.5), rowOf(0, 0.45, 1, 0.45, 2, 0.1)
	three := rowOf(0, 0.5, 1, 0.375, 2, 0.125)
	for _, x := range []struct {
		name              string
		base, row, theirs *weights.Rows
		mixed             bool
		opt               MergeOptions
		want              Outcome
		result            *weights.Rows
	}{
		{"under the limit of two", even, added, even, true, MergeOptions{MaxInfluences: 2}, Vanished, even},
		{"the artist's own row", even, added, even, false, MergeOptions{MaxInfluences: 2}, Kept, mustStored(added)},
		{"what is left is the base under the limit", three, rowOf(0, 0.5, 1, 0.375, 3, 0.125), rowOf(0, 0.25, 1, 0.75), true, MergeOptions{MaxInfluences: 2}, Vanished, rowOf(0, 0.25, 1, 0.75)},
		{"less than a step of bytes", rowOf(0, 1), rowOf(0, 0.9985, 1, 0.0015), rowOf(0, 1), false, MergeOptions{Format: weights.Uint8}, Vanished, rowOf(0, 1)},
		{"no edit", even, even, even, false, MergeOptions{}, Plain, even},
		// 0.25 to joint 2 from both alike: cut from the new row, it would be that again.
		{"a carried change has room", rowOf(0, 0.5, 1, 0.5), rowOf(0, 0.375, 1, 0.375, 2, 0.25), rowOf(0, 0.5625, 1, 0.4375), false, MergeOptions{MaxInfluences: 2, Policy: Policy{Default: TakeNew}}, Carried, rowOf(0, 0.4375, 1, 0.3125, 2, 0.25)},
	} {
		t.Run(x.name, func(t *testing.T) {
			e := &Edits{Vertex: []int32{0}, Base: x.base, Row: x.row, mixed: []bool{x.mixed}}
			m := mustMerge(t, x.theirs, names(4), e, x.opt)
			if m.Outcome[0] != x.want || !sameRow(m.Rows, 0, x.result, 0) {
				t.Errorf("outcome %d, row %v; want %d, %v", m.Outcome[0], m.Rows, x.want, x.result)
			}
			if remembered := m.Edits.Len() == 1; remembered != (x.want == Kept || x.want == Carried) {
				t.Errorf("remembered: %v", remembered)
			}
			if len(m.Conflicts) > 0 {
				t.Errorf("listed as a conflict: %v", m.Conflicts)
			}
		})
	}
}

func mustStored(r *weights.Rows) *weights.Rows {
	out, err := stored(r, weights.Float32, 0)
	if err != nil {
		panic(err)
	}
	return out
}

// TestHoldJoints_NoRoom: of an edit for which locked joints leave no room nothing is in
// the row; it is counted, and remembered for the day that the lock is taken off.
func TestHoldJoints_NoRoom(t *testing.T) {
	joints := names(4) // a and b are locked
	base := rowOf(0, 0.25, 1, 0.25, 2, 0.5)
	theirs := mustStored(rowOf(0, 0.3, 1, 0.25, 2, 0.45))
	for _, x := range []struct {
		name  string
		row   *weights.Rows
		limit int
		want  Outcome
	}{
		{"its joint is cut", rowOf(0, 0.25, 1, 0.25, 2, 0.375, 3, 0.125), 3, Vanished},
		{"there is room", rowOf(0, 0.25, 1, 0.25, 2, 0.375, 3, 0.125), 4, Carried},
		{"it has taken the other one's place", rowOf(0, 0.25, 1, 0.25, 3, 0.5), 3, Carried},
		{"the locked joints have a part of it", rowOf(0, 0.375, 1, 0.25, 2, 0.375), 3, Carried},
	} {
		t.Run(x.name, func(t *testing.T) {
			e := &Edits{Vertex: []int32{0}, Base: base, Row: x.row}
			// A row that holds all of the change, as a merge without a limit gives it.
			m := &Merged{Rows: x.row, Outcome: []Outcome{Carried}, Edits: e}
			in := &Input{}
			opt := transfer.AssetOptions{Options: transfer.Options{MaxInfluences: x.limit}, LockJoints: []string{"a", "b"}}
			if err := in.holdJoints(context.Background(), m, theirs, theirs, joints, opt); err != nil {
				t.Fatal(err)
			}
			if m.Outcome[0] != x.want || m.Edits.Len() != 1 {
				t.Fatalf("outcome %d, row %v; want %d", m.Outcome[0], m.Rows, x.want)
			}
			sheet := cloth(1, 0)
			moved := &Moved{Dropped: map[string]int{}, origins: []*origin{{found: &Found{Mesh: sheet}, edits: e, newAt: entries(e.Vertex, sheet.NumVertices())}}}
			moved.countVanished(m)
			want := map[string]int{}
			if x.want == Vanished {
				want[DropHeld] = 1
			}
			if !reflect.DeepEqual(moved.Dropped, want) {
				t.Errorf("dropped %v, want %v", moved.Dropped, want)
			}
		})
	}
}

// TestMove_Over: a remembered edit of a vertex that the artist's garment lacks is dropped
// where an edit beside it, on what has its place now, goes over it.
func TestMove_Over(t *testing.T) {
	m := cloth(6, 0)
	rec := sheetRecord(m)
	lost := int32(3*7 + 3)
	rec.Edits.Vertex = []int32{lost}
	rec.Edits.Base.Append(rec.Rows.Row(int(lost)))
	rec.Edits.Row.Append([]uint16{2}, []float64{1})
	rec.Written = &Sparse{Vertex: []int32{lost}, Rows: weights.Concat(rec.Edits.Row)}
	if err := rec.Validate(); err != nil {
		t.Fatal(err)
	}
	// The artist draws the vertex together with one beside it.
	to := lost + 1
	current := &mesh.Mesh{Positions: slices.Clone(m.Positions)}
	for _, c := range m.Triangles {
		for k := range c {
			if c[k] == lost {
				c[k] = to
			}
		}
		if c[0] != c[1] && c[1] != c[2] && c[2] != c[0] {
			current.Triangles = append(current.Triangles, c)
		}
	}
	last := current.NumVertices() - 1
	order := make([]int32, 0, last)
	number := map[int32]int32{}
	for v := range m.Positions {
		if int32(v) != lost {
			number[int32(v)] = int32(len(order))
			order = append(order, int32(v))
		}
	}
	for k, c := range current.Triangles {
		current.Triangles[k] = [3]int32{number[c[0]], number[c[1]], number[c[2]]}
	}
	current.Positions = current.Positions[:0]
	rows := weights.NewRows(0)
	for _, v := range order {
		current.Positions = append(current.Positions, m.Positions[v])
		rows.Append(rec.Rows.Row(int(v)))
	}
	f := find(t, rec, current, rows, sheetJoints)
	if x := move(t, f, m, sheetJoints); f.Absent != 1 || len(x.Dropped) != 0 || !slices.Equal(x.Edits.Vertex, []int32{lost}) {
		t.Fatalf("%d absent, dropped %v, edits of %v; want the one of %d", f.Absent, x.Dropped, x.Edits.Vertex, lost)
	}
	// And edits all the vertices around it.
	changed := weights.NewRows(0)
	for _, v := range order {
		if d := r3.Norm(r3.Sub(m.Positions[v], m.Positions[lost])); d < 0.3 {
			changed.Append([]uint16{0}, []float64{1})
		} else {
			changed.Append(rec.Rows.Row(int(v)))
		}
	}
	f = find(t, rec, current, changed, sheetJoints)
	x := move(t, f, m, sheetJoints)
	if f.Absent != 1 || !reflect.DeepEqual(x.Dropped, map[string]int{DropOver: 1}) {
		t.Errorf("%d absent, dropped %v, want %d: %s", f.Absent, x.Dropped, 1, DropOver)
	}
}
