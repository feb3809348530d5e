package pass

import (
	"bytes"
	"slices"
	"strings"
	"testing"

	"github.com/selvage/selvage/transfer"
	"github.com/selvage/selvage/transfer/crew"
	"github.com/selvage/selvage/transfer/gltfio"
	"github.com/selvage/selvage/transfer/weights"
)

// tellsOlder reports whether a pass says that its file was made from an earlier garment.
func tellsOlder(s *Summary) bool {
	return strings.Contains(strings.Join(s.Notes, "\n"), "was made from a garment of before the last pass")
}

// mustBeNear checks all rows of an asset against another's, to what storing them once
// more may cost: an artist's program writes all rows anew.
func mustBeNear(t *testing.T, a, want *gltfio.Asset, f weights.Format) {
	t.Helper()
	x, _ := exact(t, a)
	y, _ := exact(t, want)
	n, most := 0, 0.0
	for v := range x.Len() {
		if d := x.DistanceL1(v, y, v); d > 1e-5+storedOff(f)/3 {
			n, most = n+1, max(most, d)
		}
	}
	if n > 0 {
		t.Errorf("%d rows are not what they would be without the passes between, by %g at most", n, most)
	}
}

// TestTransfer_OlderSave: the artist's program holds a file of before the last passes, and
// saves it with more edits after them. What follows is what would have been without these
// passes: the artist's edits, old and new, on the new body, and nothing else.
func TestTransfer_OlderSave(t *testing.T) {
	body := coxBody(t)
	moved := shifted(t, shifted(t, body, "spine_2", "spine_3", 0.6), "upper_arm.left", "upper_arm_twist.left", 0.6)
	before, after, later := prepare(t, body), prepare(t, moved), prepare(t, shifted(t, moved, "spine_3", "spine_4", 0.5))
	g := smallCox().GarmentAt("jersey", 0.25)
	write := func(g *crew.Garment) *gltfio.Asset {
		return parsed(t, "jersey.glb", func(b *bytes.Buffer) error { return g.WriteGLB(b) })
	}
	for _, x := range []struct {
		name   string
		format weights.Format
		from   *gltfio.Asset // the garment of all passes but the first
		passes int
		body   *transfer.AssetBody
	}{
		{"after one pass", weights.Uint8, write(g), 1, after},
		{"after two, and the body moves back", weights.Float32, write(g), 2, before},
		{"after one with other vertices", weights.Float32, write(finer(g)), 1, after},
	} {
		t.Run(x.name, func(t *testing.T) {
			f := x.format
			in := Input{Garment: "jersey", From: write(g), Options: transfer.AssetOptions{Options: transfer.Options{Format: f}}}
			first := mustTransfer(t, before, in)
			artist := edited(t, first.Asset, f, 7)
			in.From, in.Record, in.Current = x.from, first.Record, artist
			last := mustTransfer(t, after, in)
			for range x.passes - 1 {
				in.Record, in.Current = last.Record, saved(t, last.Asset)
				last = mustTransfer(t, later, in)
			}
			if len(last.Record.Earlier) != x.passes {
				t.Fatalf("%d earlier garments are kept, want %d", len(last.Record.Earlier), x.passes)
			}
			late := edited(t, artist, f, 8)
			direct := in
			direct.Record, direct.Current = first.Record, late
			want := mustTransfer(t, x.body, direct)
			in.Record, in.Current = last.Record, late
			got := mustTransfer(t, x.body, in)
			if got.Summary.New == 0 || got.Summary.New >= want.Summary.New || !tellsOlder(&got.Summary) {
				t.Errorf("%s, without the passes between %s; notes %q", counts(&got.Summary), counts(&want.Summary), got.Summary.Notes)
			}
			if n := want.Record.Edits.Len(); want.Summary.Vertices != first.Summary.Vertices {
				// Between vertices with and without an edit the base is a mixture of what two
				// passes gave: few more edits, and some of other size.
				if d := got.Record.Edits.Len() - n; d < -n/100 || d > n/100 {
					t.Errorf("%d edits, want %d as without the passes between", got.Record.Edits.Len(), n)
				}
				return
			}
			if !slices.Equal(got.Record.Edits.Vertex, want.Record.Edits.Vertex) {
				t.Errorf("edits of other vertices than without the passes between: %d, want %d", got.Record.Edits.Len(), want.Record.Edits.Len())
			}
			mustBeNear(t, got.Asset, want.Asset, f)
			mustRest(t, x.body, in, got)

			// The session goes on from the same file, once more.
			in.Record, in.Current = got.Record, edited(t, late, f, 9)
			direct.Current = in.Current
			got, want = mustTransfer(t, x.body, in), mustTransfer(t, x.body, direct)
			mustBeNear(t, got.Asset, want.Asset, f)
		})
	}
}

// TestTransfer_OlderSaveInBytes: the same where the artist's program stores bytes and the
// record floats; and what was given up stays so.
func TestTransfer_OlderSaveInBytes(t *testing.T) {
	body := coxBody(t)
	before, after := prepare(t, body), prepare(t, shifted(t, body, "spine_2", "spine_3", 0.6))
	in := Input{Garment: "jersey", From: coxGarment(t, "jersey", 0.25), Policy: Policy{Default: TakeNew}}
	first := mustTransfer(t, before, in)
	artist := edited(t, first.Asset, weights.Uint8, 7)
	in.Record, in.Current = first.Record, artist
	second := mustTransfer(t, after, in)
	if second.Summary.Conflict == 0 || second.Summary.Carried == 0 {
		t.Fatalf("tests nothing: %s", counts(&second.Summary))
	}
	in.Record, in.Current = second.Record, edited(t, artist, weights.Uint8, 8)
	got := mustTransfer(t, after, in)
	touched := 0
	a, _ := exact(t, artist)
	b, _ := exact(t, in.Current)
	for v := range a.Len() {
		if a.DistanceL1(v, b, v) > 0 {
			touched++
		}
	}
	// What rounding explains is no edit; nothing else is one that the artist has not made.
	if n := got.Summary.New; n == 0 || n > touched || 2*n < touched || !tellsOlder(&got.Summary) {
		t.Errorf("%d new edits of %d rows that were touched; notes %q", n, touched, got.Summary.Notes)
	}
	c, _ := exact(t, second.Asset)
	d, _ := exact(t, got.Asset)
	for v := range a.Len() {
		if a.DistanceL1(v, b, v) == 0 && c.DistanceL1(v, d, v) > 1e-6 && got.Record.Mesh.Positions[v] == second.Record.Mesh.Positions[v] && !neighbourTouched(got.Record, a, b, v) {
			t.Fatalf("vertex %d, which nobody has touched since, has another row", v)
		}
	}
}

// neighbourTouched reports whether a vertex in the same place has another row in b than in
// a: all vertices of a place take one edit.
func neighbourTouched(r *Record, a, b *weights.Rows, v int) bool {
	for u, p := range r.Mesh.Positions {
		if p == r.Mesh.Positions[v] && a.DistanceL1(u, b, u) > 0 {
			return true
		}
	}
	return false
}

// TestTransfer_NoOlderSave: who works on what the last pass wrote, however much, and sets
// some rows back by hand, is not taken for somebody who has not seen it.
func TestTransfer_NoOlderSave(t *testing.T) {
	body := coxBody(t)
	before, after := prepare(t, body), prepare(t, shifted(t, body, "spine_2", "spine_3", 0.6))
	in := Input{Garment: "jersey", From: coxGarment(t, "jersey", 0.25)}
	first := mustTransfer(t, before, in)
	in.Record, in.Current = first.Record, first.Asset
	second := mustTransfer(t, after, in)
	if len(second.Record.Earlier) != 1 || len(second.Record.Earlier[0].Vertex) == 0 {
		t.Fatal("tests nothing: nothing earlier is kept")
	}
	old, _ := surfaceOf(t, first.Asset)
	for name, artist := range map[string]*gltfio.Asset{
		"a tenth": edited(t, second.Asset, weights.Float32, 7),
		"all of it": changedRows(t, second.Asset, weights.Float32, func(_ int, row map[string]float64) {
			for name := range row {
				row[name] *= 0.7
			}
			row["head"] += 0.3
		}),
		"some rows set back": restored(t, second, old),
	} {
		t.Run(name, func(t *testing.T) {
			in := in
			in.Record, in.Current = second.Record, artist
			out := mustTransfer(t, after, in)
			a, _ := exact(t, artist)
			b, _ := exact(t, second.Asset)
			touched := 0
			for v := range a.Len() {
				if a.DistanceL1(v, b, v) > 1e-4 {
					touched++
				}
			}
			if tellsOlder(&out.Summary) || touched == 0 || out.Summary.New < touched {
				t.Errorf("%s; %d rows were touched; notes %q", counts(&out.Summary), touched, out.Summary.Notes)
			}
			mustBeRows(t, out.Asset, artist, out.Record.Edits.Vertex)
		})
	}
}

// restored is what a pass wrote with the older rows on a few places that it has moved.
func restored(t *testing.T, out *Output, old *Surface) *gltfio.Asset {
	t.Helper()
	s, read := surfaceOf(t, out.Asset)
	rows := weights.NewRows(s.Rows.Len())
	places := map[[3]float64]bool{}
	for v, p := range s.Mesh.Positions {
		at := [3]float64{p.X, p.Y, p.Z}
		if s.Rows.DistanceL1(v, old.Rows, v) > 0.05 && (places[at] || len(places) < 8) {
			places[at] = true
			rows.Append(old.Rows.Row(v))
		} else {
			rows.Append(s.Rows.Row(v))
		}
	}
	a, _, err := out.Asset.WithOwnRows(read, gltfio.Output{Rows: rows})
	if err != nil {
		t.Fatal(err)
	}
	return saved(t, a)
}
