package pass

import (
	"bytes"
	"maps"
	"strings"
	"testing"

	"github.com/selvage/selvage/transfer"
	"github.com/selvage/selvage/transfer/gltfio"
	"gonum.org/v1/gonum/spatial/r3"
)

// encoded are the bytes of an asset.
func encoded(t *testing.T, a *gltfio.Asset) []byte {
	t.Helper()
	var b bytes.Buffer
	if err := a.Encode(&b); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

// TestRun_CrashBetween: where the new record stands beside the garment that the
// artist saved, the pass gives the same once more, whatever the body did in between.
func TestRun_CrashBetween(t *testing.T) {
	garment := coxGarment(t, "jersey", 0.5)
	first, _ := given(t, coxBody(t), garment, transfer.AssetOptions{})
	one := runPass(t, Input{Garment: "jersey", New: first})
	s, _ := surfaceOf(t, one.Asset)
	artist := paint(t, one.Asset, s.Mesh.Positions[10], 0.08, 0.5)

	body := paint(t, coxBody(t), r3.Vec{Y: 1.2}, 0.5, 0.2)
	second, _ := given(t, body, garment, transfer.AssetOptions{})
	two := runPass(t, Input{Garment: "jersey", New: second, Record: one.Record, Current: artist})
	if two.Summary.New == 0 || two.Record.Merged == [32]byte{} || two.Record.Merged == one.Record.Merged {
		t.Fatalf("tests nothing: %+v", two.Summary)
	}
	// The crash: record two, and the artist's garment.
	after := runPass(t, Input{Garment: "jersey", New: second, Record: two.Record, Current: artist})
	if after.Summary.New != 0 || after.Summary.Edited != two.Summary.Edited {
		t.Errorf("what the transfer moved counts as edits: %+v", after.Summary)
	}
	if !bytes.Equal(encoded(t, after.Asset), encoded(t, two.Asset)) || after.Record.Merged != two.Record.Merged || !after.Record.sameRows(two.Record) {
		t.Error("the pass after the crash gives something else")
	}
	// The record left alone stays as it is.
	again := runPass(t, Input{Garment: "jersey", New: second, Record: after.Record, Current: after.Asset})
	if again.Record.Merged != after.Record.Merged || !bytes.Equal(encoded(t, again.Asset), encoded(t, after.Asset)) {
		t.Error("running again changes something")
	}
	// And without the sum it would have counted: what this test is about.
	blind := *two.Record
	blind.Merged, blind.Earlier = [32]byte{}, nil
	x := runPass(t, Input{Garment: "jersey", New: second, Record: &blind, Current: artist})
	if x.Summary.New == 0 {
		t.Errorf("nothing to be told apart: %+v", x.Summary)
	}
	if told := strings.Contains(strings.Join(x.Summary.Notes, " "), "really the garment"); told != (2*x.Summary.New > x.Summary.Vertices) {
		t.Errorf("%d of %d rows new, notes %q", x.Summary.New, x.Summary.Vertices, x.Summary.Notes)
	}
}

// TestRun_GivenUp: an edit that a conflict has cost stays flagged, so that running
// again writes the same bytes, until the transfer moves its row.
func TestRun_GivenUp(t *testing.T) {
	garment := coxGarment(t, "jersey", 0.5)
	first, _ := given(t, coxBody(t), garment, transfer.AssetOptions{})
	one := runPass(t, Input{New: first})
	s, _ := surfaceOf(t, one.Asset)
	artist := paint(t, one.Asset, s.Mesh.Positions[10], 0.1, 0.1)
	moved, _ := given(t, paint(t, coxBody(t), s.Mesh.Positions[10], 0.5, 0.5), garment, transfer.AssetOptions{})
	policy := Policy{Default: TakeNew}
	two := runPass(t, Input{New: moved, Record: one.Record, Current: artist, Policy: policy})
	if two.Summary.Conflict == 0 || len(two.Record.GivenUp) < two.Summary.Conflict {
		t.Fatalf("tests nothing: %+v, %d given up", two.Summary, len(two.Record.GivenUp))
	}
	again := runPass(t, Input{New: moved, Record: two.Record, Current: two.Asset, Policy: policy})
	if !bytes.Equal(encoded(t, again.Asset), encoded(t, two.Asset)) || !again.Record.sameRows(two.Record) {
		t.Error("running again changes something")
	}
	flagged := 0
	for _, r := range again.Reason {
		if transfer.Reason(r)&transfer.ReasonEditConflict != 0 {
			flagged++
		}
	}
	if flagged != len(two.Record.GivenUp) {
		t.Errorf("%d flagged of %d", flagged, len(two.Record.GivenUp))
	}
	// The garment comes with its vertices in another order: the flags go with them.
	plain := smallCox().GarmentAt("jersey", 0.5)
	order := make([]int32, plain.Mesh.NumVertices())
	for v := range order {
		order[v] = int32(len(order) - 1 - v)
	}
	reversed := parsed(t, "jersey.glb", func(b *bytes.Buffer) error { return arranged(plain, order).WriteGLB(b) })
	other, _ := given(t, paint(t, coxBody(t), s.Mesh.Positions[10], 0.5, 0.5), reversed, transfer.AssetOptions{})
	o := runPass(t, Input{New: other, Record: again.Record, Current: again.Asset, Policy: policy})
	there, found := map[r3.Vec]bool{}, map[r3.Vec]bool{}
	for _, v := range again.Record.GivenUp {
		there[again.Record.Mesh.Positions[v]] = true
	}
	for _, v := range o.Record.GivenUp {
		found[o.Record.Mesh.Positions[v]] = true
	}
	if !maps.Equal(there, found) {
		t.Errorf("in another order edits at %d places are given up, were at %d", len(found), len(there))
	}
	back := runPass(t, Input{New: first, Record: again.Record, Current: again.Asset, Policy: policy})
	if n := len(back.Record.GivenUp); n >= len(two.Record.GivenUp) {
		t.Errorf("%d stay flagged though the transfer has moved their rows", n)
	}
}

// TestSurfaceSum: every number that a pass reads counts.
func TestSurfaceSum(t *testing.T) {
	read := func() *Surface {
		s, _ := surfaceOf(t, func() *gltfio.Asset {
			a, _ := given(t, coxBody(t), coxGarment(t, "gloves", 0.3), transfer.AssetOptions{})
			return a
		}())
		return s
	}
	s := read()
	want := s.sum()
	if read().sum() != want {
		t.Fatal("the sum changes by itself")
	}
	for name, change := range map[string]func(){
		"position": func() { s.Mesh.Positions[3].Y += 0.01 },
		"triangle": func() {
			s.Mesh.Triangles[1][2], s.Mesh.Triangles[1][1] = s.Mesh.Triangles[1][1], s.Mesh.Triangles[1][2]
		},
		"weight": func() { s.Rows.Weight[5] *= 0.5 },
		"joint":  func() { s.Rows.Joint[5]++ },
		"name":   func() { s.Joints[0].Name += "x" },
		"parent": func() { s.Joints[1].Parent = -1 },
	} {
		s = read()
		change()
		if s.sum() == want {
			t.Errorf("%s does not count", name)
		}
	}
}
