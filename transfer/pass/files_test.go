package pass

import (
	"bytes"
	"context"
	"fmt"
	"reflect"
	"slices"
	"strings"
	"sync"
	"testing"

	"github.com/selvage/selvage/transfer"
	"github.com/selvage/selvage/transfer/crew"
	"github.com/selvage/selvage/transfer/gltfio"
	"github.com/selvage/selvage/transfer/mesh"
	"github.com/selvage/selvage/transfer/skinning"
	"github.com/selvage/selvage/transfer/weights"
	"gonum.org/v1/gonum/spatial/r3"
)

// smallCox is a small cox as an asset, made once.
var smallCox = sync.OnceValue(func() *crew.Body { return crew.NewBodyAt("cox", 0.3) })

func parsed(t *testing.T, name string, write func(*bytes.Buffer) error) *gltfio.Asset {
	t.Helper()
	var b bytes.Buffer
	if err := write(&b); err != nil {
		t.Fatal(err)
	}
	a, err := gltfio.Parse(b.Bytes(), name, gltfio.Options{})
	if err != nil {
		t.Fatal(err)
	}
	return a
}

func coxBody(t *testing.T) *gltfio.Asset {
	return parsed(t, "body.glb", func(b *bytes.Buffer) error { return smallCox().WriteGLB(b) })
}

func coxGarment(t *testing.T, name string, density float64) *gltfio.Asset {
	return parsed(t, name+".glb", func(b *bytes.Buffer) error { return smallCox().GarmentAt(name, density).WriteGLB(b) })
}

// coxWeighted is a garment with the weights of a transfer.
func coxWeighted(t *testing.T, name string) *gltfio.Asset {
	t.Helper()
	a, _ := given(t, coxBody(t), coxGarment(t, name, 0.5), transfer.AssetOptions{})
	return a
}

func given(t *testing.T, body, garment *gltfio.Asset, opt transfer.AssetOptions) (*gltfio.Asset, *transfer.Result) {
	t.Helper()
	p, err := transfer.PrepareAsset(context.Background(), body, gltfio.Selection{}, 0)
	if err != nil {
		t.Fatal(err)
	}
	a, r, err := p.Transfer(context.Background(), garment, opt)
	if err != nil {
		t.Fatal(err)
	}
	return a, r
}

func surfaceOf(t *testing.T, a *gltfio.Asset) (*Surface, *gltfio.Surface) {
	t.Helper()
	s, read, err := ReadSurface(context.Background(), a, gltfio.Selection{})
	if err != nil {
		t.Fatal(err)
	}
	return s, read
}

func runPass(t *testing.T, in Input) *Output {
	t.Helper()
	out, err := Run(context.Background(), in)
	if err != nil {
		t.Fatal(err)
	}
	if err := out.Record.Validate(); err != nil {
		t.Fatal(err)
	}
	return out
}

// paint gives part of the rows around centre to joint 1.
func paint(t *testing.T, a *gltfio.Asset, centre r3.Vec, radius, height float64) *gltfio.Asset {
	t.Helper()
	s, read := surfaceOf(t, a)
	acc, rows := weights.NewAccumulator(len(s.Joints)), weights.NewRows(0)
	for v, p := range s.Mesh.Positions {
		x := 0.0
		if d := r3.Norm(r3.Sub(p, centre)) / radius; d < 1 {
			x = height * (1 - d*d)
			acc.Add(1, x)
		}
		acc.AddRow(s.Rows, v, 1-x)
		acc.FlushNormalised(rows)
	}
	rows, _, err := weights.Finish(rows, weights.FinishOptions{MaxInfluences: 4})
	if err != nil {
		t.Fatal(err)
	}
	b, _, err := a.WithRows(read, a, &gltfio.Surface{Mesh: read.Mesh, Skin: &skinning.Skin{}}, gltfio.Output{Rows: rows, Kept: read.JointNode})
	if err != nil {
		t.Fatal(err)
	}
	return b
}

// TestRun_RecordBits: the record's rows are the transfer's, bit for bit, though
// they were read back from the asset.
func TestRun_RecordBits(t *testing.T) {
	body, coat := coxBody(t), coxGarment(t, "oilskin coat", 0.25)
	for f, most := range map[weights.Format]int{weights.Float32: 4, weights.Uint16: 8, weights.Uint8: 4} {
		opt := transfer.AssetOptions{Options: transfer.Options{Format: f, MaxInfluences: most}}
		a, r := given(t, body, coat, opt)
		out := runPass(t, Input{Garment: "coat", New: a, Options: opt})
		if out.Asset != a || !out.Summary.First {
			t.Error("the first pass changes the asset")
		}
		if !reflect.DeepEqual(out.Record.Rows, r.Rows) {
			t.Errorf("format %d, %d influences: other rows than the transfer's", f, most)
		}
	}
}

// TestRun_OtherTopology: the garment comes with other vertices in the next pass;
// the edit is at the same place and as large.
func TestRun_OtherTopology(t *testing.T) {
	body := coxBody(t)
	first, _ := given(t, body, coxGarment(t, "jersey", 0.4), transfer.AssetOptions{})
	rec := runPass(t, Input{Garment: "jersey", New: first}).Record
	s, _ := surfaceOf(t, first)
	centre := s.Mesh.Positions[s.Mesh.NumVertices()/3]
	const radius, height = 0.12, 0.5
	artist := paint(t, first, centre, radius, height)

	finer, _ := given(t, body, coxGarment(t, "jersey", 0.6), transfer.AssetOptions{})
	out := runPass(t, Input{Garment: "jersey", New: finer, Record: rec, Current: artist})
	sum := out.Summary
	if sum.New == 0 || sum.Kept+sum.Carried+sum.Conflict == 0 || len(sum.Notes) == 0 {
		t.Fatalf("%+v", sum)
	}
	before, _ := surfaceOf(t, finer)
	after, _ := surfaceOf(t, out.Asset)
	missing, total := 0.0, 0.0
	for v, p := range after.Mesh.Positions {
		d := r3.Norm(r3.Sub(p, centre)) / radius
		got := after.Rows.DistanceL1(v, before.Rows, v)
		if d > 1.5 && got > 1e-6 {
			t.Fatalf("vertex %d, %.2f radii from the middle, is changed by %g", v, d, got)
		}
		if d < 1 {
			// What goes to joint 1 less what it has of it already.
			joint, weight := before.Rows.Row(v)
			has := 0.0
			for i, j := range joint {
				if j == 1 {
					has = weight[i]
				}
			}
			want := 2 * height * (1 - d*d) * (1 - has)
			missing += max(0, want-got)
			total += want
		}
	}
	// Vertices at other places see the bump through triangles of an edge of a fifth of
	// its radius, and the finer transfer's rows are not the coarser one's.
	if missing > 0.15*total {
		t.Errorf("%.0f%% of the edit is missing", 100*missing/total)
	}
	// What the record then knows is enough for the pass after it.
	again := runPass(t, Input{Garment: "jersey", New: finer, Record: out.Record, Current: out.Asset})
	if again.Summary.New != 0 || !sameAsset(t, again.Asset, out.Asset) || !reflect.DeepEqual(again.Record, out.Record) {
		t.Errorf("running again is no no-op: %+v", again.Summary)
	}
}

func sameAsset(t *testing.T, a, b *gltfio.Asset) bool {
	t.Helper()
	var x, y bytes.Buffer
	for _, w := range []struct {
		a *gltfio.Asset
		b *bytes.Buffer
	}{{a, &x}, {b, &y}} {
		if err := w.a.Encode(w.b); err != nil {
			t.Fatal(err)
		}
	}
	return bytes.Equal(x.Bytes(), y.Bytes())
}

// TestRun_Locked: locked vertices keep their current row through a pass of the
// body, edited or not; the result does not depend on threads.
func TestRun_Locked(t *testing.T) {
	body := coxBody(t)
	first, _ := given(t, body, coxGarment(t, "jersey", 0.4), transfer.AssetOptions{})
	rec := runPass(t, Input{Garment: "jersey", New: first}).Record
	s, _ := surfaceOf(t, first)
	artist := paint(t, first, s.Mesh.Positions[0], 0.1, 0.3)
	mine, _ := surfaceOf(t, artist)
	b, _ := surfaceOf(t, body)
	moved := paint(t, body, b.Mesh.Positions[0], 2, 0.3) // all of the body
	fresh, _ := given(t, moved, coxGarment(t, "jersey", 0.4), transfer.AssetOptions{})

	// _CONFIDENCE is an attribute of one number like any other.
	in := Input{Garment: "jersey", New: fresh, Record: rec, Current: artist, Lock: []string{"_CONFIDENCE"}}
	out := runPass(t, in)
	_, read := surfaceOf(t, fresh)
	confidence, err := fresh.Scalars(read, "_CONFIDENCE")
	if err != nil {
		t.Fatal(err)
	}
	locked := 0
	for v, c := range confidence {
		if c < 0.5 {
			continue
		}
		locked++
		if d := out.Record.written().DistanceL1(v, mine.Rows, v); d > 1e-6 {
			t.Fatalf("locked vertex %d moved by %g", v, d)
		}
	}
	if locked == 0 || out.Summary.Locked < locked {
		t.Errorf("%d locked, want %d or more", out.Summary.Locked, locked)
	}
	for _, threads := range []int{1, 3} {
		in.Options.Threads = threads
		if other := runPass(t, in); !sameAsset(t, other.Asset, out.Asset) || !reflect.DeepEqual(other.Record, out.Record) {
			t.Errorf("%d threads: another result", threads)
		}
	}
	in.Lock = []string{"_NONE"}
	if _, err := Run(context.Background(), in); err == nil {
		t.Error("an attribute that is not there passes")
	}
	canceled, cancel := context.WithCancel(context.Background())
	cancel()
	in.Lock = nil
	if _, err := Run(canceled, in); err == nil {
		t.Error("a cancelled run gives a result")
	}
}

func BenchmarkRun(b *testing.B) {
	for _, n := range []int{50, 200} {
		m := cloth(n, 0)
		rec := sheetRecord(m)
		edited := bump(m, rec.Rows, middle, 0.3)
		s := &Surface{Name: "sheet", Mesh: m, Rows: edited, Joints: sheetJoints}
		b.Run(fmt.Sprintf("verts=%dk", (n+1)*(n+1)/1000), func(b *testing.B) {
			b.ReportAllocs()
			for b.Loop() {
				f, err := Find(context.Background(), rec, s, 0)
				if err != nil {
					b.Fatal(err)
				}
				x, err := Move(context.Background(), f, m, sheetJoints, 0)
				if err != nil {
					b.Fatal(err)
				}
				if _, err := Merge(rec.Rows, sheetJoints, x.Edits, MergeOptions{MaxInfluences: 4}); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}

// arranged is a garment of some of the vertices alone, those of each part in the order
// that is given.
func arranged(g *crew.Garment, order []int32) *crew.Garment {
	out, number := *g, map[int32]int32{}
	out.Mesh, out.UV, out.Parts = &mesh.Mesh{}, nil, slices.Clone(g.Parts)
	for k, p := range g.Parts {
		out.Parts[k].Start = len(out.Mesh.Positions)
		for _, v := range order {
			if int(v) < p.Start || int(v) >= p.End {
				continue
			}
			number[v] = int32(len(out.Mesh.Positions))
			out.Mesh.Positions, out.UV = append(out.Mesh.Positions, g.Mesh.Positions[v]), append(out.UV, g.UV[v])
			if g.Mesh.Normals != nil {
				out.Mesh.Normals = append(out.Mesh.Normals, g.Mesh.Normals[v])
			}
		}
		out.Parts[k].End = len(out.Mesh.Positions)
	}
	for _, c := range g.Mesh.Triangles {
		var q [3]int32
		all := true
		for k, v := range c {
			u, ok := number[v]
			q[k], all = u, all && ok
		}
		if all {
			out.Mesh.Triangles = append(out.Mesh.Triangles, q)
		}
	}
	return &out
}

// TestRun_Absent: the artist's file is one half of the garment, as the transfer made it.
// Edits of earlier passes on the other half live on, and the summary adds up.
func TestRun_Absent(t *testing.T) {
	body := coxBody(t)
	first, _ := given(t, body, coxGarment(t, "jersey", 0.4), transfer.AssetOptions{})
	one := runPass(t, Input{Garment: "jersey", New: first})
	s, _ := surfaceOf(t, first)
	artist := paint(t, paint(t, first, r3.Vec{X: 0.15, Y: 1.3}, 0.2, 0.4), r3.Vec{X: -0.15, Y: 1.3}, 0.2, 0.4)
	two := runPass(t, Input{Garment: "jersey", New: first, Record: one.Record, Current: artist})

	g := smallCox().GarmentAt("jersey", 0.4)
	_, half := cutOut(g.Mesh, func(p r3.Vec) bool { return p.X > 0.02 })
	slices.Sort(half)
	current, _ := given(t, body, parsed(t, "jersey.glb", func(b *bytes.Buffer) error { return arranged(g, half).WriteGLB(b) }), transfer.AssetOptions{})

	out := runPass(t, Input{Garment: "jersey", New: first, Record: two.Record, Current: current})
	sum := out.Summary
	if n := sum.Kept + sum.Carried + sum.Agreed + sum.Conflict + sum.Lost(); sum.Edited == 0 || n != sum.Edited {
		t.Errorf("%d edits became %d: %+v", sum.Edited, n, sum)
	}
	if !strings.Contains(strings.Join(sum.Notes, "\n"), "those of the record") {
		t.Errorf("notes %q", sum.Notes)
	}
	before, _ := surfaceOf(t, two.Asset)
	after, _ := surfaceOf(t, out.Asset)
	edited := 0
	for v, p := range s.Mesh.Positions {
		if p.X > -0.05 || before.Rows.DistanceL1(v, s.Rows, v) == 0 {
			continue
		}
		edited++
		if d := after.Rows.DistanceL1(v, before.Rows, v); d != 0 {
			t.Fatalf("vertex %d, edited and missing in the artist's file, has moved by %g", v, d)
		}
	}
	if edited == 0 {
		t.Error("no edit is missing in the artist's file: tests nothing")
	}
}

// TestRun_MoreInfluences: an artist's rows of six influences come through a pass whose
// limit is four, and through one whose limit is one, bit for bit in the file.
func TestRun_MoreInfluences(t *testing.T) {
	body, garment := coxBody(t), coxGarment(t, "gloves", 0.5)
	first, _ := given(t, body, garment, transfer.AssetOptions{})
	one := runPass(t, Input{Garment: "gloves", New: first})
	s, read := surfaceOf(t, first)
	rows, acc := weights.NewRows(0), weights.NewAccumulator(len(s.Joints))
	edited := []int{}
	for v := range s.Mesh.Positions {
		if acc.AddRow(s.Rows, v, 0.75); s.Mesh.Positions[v].X > 0 {
			for j := range 6 {
				acc.Add(uint16(j), 0.25/6*float64(j+1))
			}
			edited = append(edited, v)
		}
		acc.FlushNormalised(rows)
	}
	rows, _, err := weights.Finish(rows, weights.FinishOptions{MaxInfluences: 6})
	if err != nil {
		t.Fatal(err)
	}
	artist, _, err := first.WithRows(read, first, &gltfio.Surface{Mesh: read.Mesh, Skin: &skinning.Skin{}}, gltfio.Output{Rows: rows, Kept: read.JointNode})
	if err != nil {
		t.Fatal(err)
	}
	mine, _ := surfaceOf(t, saved(t, artist))
	rec, current := one.Record, saved(t, artist)
	for _, limit := range []int{4, 1, 4, 8} {
		opt := transfer.AssetOptions{Options: transfer.Options{MaxInfluences: limit}}
		fresh, _ := given(t, body, garment, opt)
		out := runPass(t, Input{Garment: "gloves", New: fresh, Record: rec, Current: current, Options: opt})
		sum := out.Summary
		if sum.Edited != len(edited) || sum.Agreed != 0 || sum.Lost() != 0 {
			t.Fatalf("limit %d: of %d edits %+v", limit, len(edited), sum)
		}
		if told := strings.Contains(strings.Join(sum.Notes, "\n"), "keep them"); told != (limit < 6) {
			t.Errorf("limit %d: notes %q", limit, sum.Notes)
		}
		after, _ := surfaceOf(t, saved(t, out.Asset))
		theirs, _ := surfaceOf(t, fresh)
		exact := 0
		for i, v := range edited {
			// Where the limit changes the transfer's row the edit meets another one.
			unmoved := sameRow(theirs.Rows, v, s.Rows, v)
			if unmoved {
				exact++
			}
			if unmoved && !sameRow(after.Rows, v, mine.Rows, v) {
				t.Fatalf("limit %d: vertex %d is %v away from the artist's row", limit, v, after.Rows.DistanceL1(v, mine.Rows, v))
			}
			if !sameRow(out.Record.Edits.Row, i, mine.Rows, v) {
				t.Fatalf("limit %d: the record has another row than the artist's at vertex %d", limit, v)
			}
		}
		if exact == 0 || limit == 4 && exact < len(edited) {
			t.Errorf("limit %d: %d of %d rows are the transfer's first ones", limit, exact, len(edited))
		}
		again := runPass(t, Input{Garment: "gloves", New: fresh, Record: out.Record, Current: saved(t, out.Asset), Options: opt})
		if !sameAsset(t, again.Asset, out.Asset) || !again.Record.sameRows(out.Record) {
			t.Errorf("limit %d: running again changes something: %+v", limit, again.Summary)
		}
		rec, current = out.Record, saved(t, out.Asset)
	}
}
