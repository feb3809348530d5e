package main

import (
	"bytes"
	"encoding/json"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/selvage/selvage/transfer/pass"
	"gonum.org/v1/gonum/spatial/r3"
)

// TestDiff_Body: a repainted body differs in one place, and of two garments the one
// over that place is touched.
func TestDiff_Body(t *testing.T) {
	dir := t.TempDir()
	after := filepath.Join(dir, "body.glb")
	copyFile(t, cox("body"), after)
	s := rowsOf(t, after)
	hand := s.Mesh.Positions[0]
	for _, p := range s.Mesh.Positions { // a hand is the farthest to the side
		if p.X > hand.X {
			hand = p
		}
	}
	painted := repaint(t, after, s.Joints[0].Name, patch(hand, 0.15, 0.6))
	weighted := filepath.Join(dir, "weighted")
	must(t, "transfer", cox("body"), cox("gloves"), cox("souwester"), "-o", weighted, "-q")

	var got diffReport
	o := must(t, "diff", cox("body"), after, "--garments", weighted, "--json")
	d := json.NewDecoder(strings.NewReader(o.stdout))
	d.DisallowUnknownFields()
	if err := d.Decode(&got); err != nil {
		t.Fatal(err)
	}
	if !got.ByIndex || got.Changed == 0 || got.Changed > painted || len(got.Places) != 1 {
		t.Fatalf("painted %d: %d changed, %d places", painted, got.Changed, len(got.Places))
	}
	p := got.Places[0]
	if c := (r3.Vec{X: p.Centre[0], Y: p.Centre[1], Z: p.Centre[2]}); r3.Norm(r3.Sub(c, hand)) > 0.15 || len(p.Gaining) != 1 || p.Gaining[0].Joint != s.Joints[0].Name {
		t.Errorf("place %+v, want one near %v that gains %s", p, hand, s.Joints[0].Name)
	}
	touched := map[string]pass.Touch{}
	for _, g := range got.Garments {
		touched[filepath.Base(g.Garment)] = g
	}
	if len(touched) != 2 || !touched["gloves.glb"].Touched || touched["souwester.glb"].Touched || filepath.Base(got.Garments[0].Garment) != "gloves.glb" {
		t.Errorf("garments %+v", got.Garments)
	}
	o = must(t, "diff", cox("body"), after, "--garments", filepath.Join(weighted, "*.glb"))
	for _, want := range []string{"compared by vertex", "gaining", "gloves.glb", "over the change"} {
		if !strings.Contains(o.stdout, want) {
			t.Errorf("no %q in %s", want, o.stdout)
		}
	}
	page, pictures := filepath.Join(dir, "changes.html"), filepath.Join(dir, "pictures")
	o = must(t, "diff", cox("body"), after, "--garments", weighted, "--report", page, "--png", pictures)
	if html, err := os.ReadFile(page); err != nil || !strings.Contains(string(html), "Rows changed at") || !strings.Contains(string(html), "The change touches gloves.glb") || strings.Contains(string(html), "The change touches souwester.glb") {
		t.Errorf("the page lacks what changed or what it touches (%v)", err)
	}
	for _, name := range []string{"front.png", "back.png", "place-1.png"} {
		if _, err := os.Stat(filepath.Join(pictures, name)); err != nil {
			t.Error(err)
		}
	}
	there, far := filepath.Join(dir, "there.html"), filepath.Join(dir, "far")
	must(t, "diff", cox("body"), after, "--garments", weighted, "--report", there, "--png", far, "--server", serve(t, nil).address)
	for _, names := range [][2]string{{page, there}, {filepath.Join(pictures, "place-1.png"), filepath.Join(far, "place-1.png")}} {
		if !bytes.Equal(readFile(t, names[0]), readFile(t, names[1])) {
			t.Errorf("%s differs from what is made here", names[1])
		}
	}
	if o := must(t, "diff", after, after); !strings.Contains(o.stdout, "0 of") {
		t.Errorf("the same file: %s", o.stdout)
	}
}

func TestDiff_Usage(t *testing.T) {
	body := cox("body")
	for _, bad := range [][]string{
		{body}, {body, body, "--change", "0"}, {body, body, "--change", "NaN"}, {body, body, "--reach", "-1"}, {body, body, "--garments", "none/*.glb"},
		{body, body, "--mesh", "["}, {body, body, "--threads", "-1"},
	} {
		o := selvage(t, append([]string{"diff"}, bad...)...)
		oneSentence(t, o)
		if o.status != exitUsage {
			t.Errorf("%v: status %d, want %d", bad, o.status, exitUsage)
		}
		if strings.Contains(strings.Join(bad, " "), "--change 0") && !strings.Contains(o.stderr, "0 is not above 0 and up to 2") {
			t.Errorf("%v: %s", bad, o.stderr)
		}
	}
	o := selvage(t, "diff", body, cox("gloves")) // never weighted
	oneSentence(t, o)
	if o.status != exitFailed || !strings.Contains(o.stderr, "gloves.glb: has no weights") {
		t.Errorf("status %d: %s", o.status, o.stderr)
	}
}

// TestMerge: in one step or in two, the same garment.
func TestMerge(t *testing.T) {
	dir := t.TempDir()
	at := func(name string) string { return filepath.Join(dir, name) }
	body := at("body.glb")
	copyFile(t, cox("body"), body)
	transferArgs := []string{"transfer", body, cox("sea-boots"), "-o", at("boots.glb"), "--pass-dir", dir, "-q"}
	must(t, transferArgs...)
	s := rowsOf(t, at("boots.glb"))
	joint := s.Joints[s.Rows.Joint[0]].Name
	repaint(t, at("boots.glb"), joint, patch(s.Mesh.Positions[0], 0.08, 0.5))
	repaint(t, body, joint, patch(s.Mesh.Positions[0], 0.3, 0.05))
	copyFile(t, at("boots.glb"), at("artist.glb"))
	copyFile(t, at("boots.glb.pass"), at("before.pass"))

	must(t, transferArgs...)
	must(t, "transfer", body, cox("sea-boots"), "-o", at("new.glb"), "-q")
	var sum pass.Summary
	o := must(t, "merge", at("before.pass"), at("artist.glb"), at("new.glb"), "-o", at("merged.glb"), "--record", at("merged.pass"), "--json")
	if err := json.Unmarshal([]byte(o.stdout), &sum); err != nil || sum.Edited == 0 || sum.Carried == 0 {
		t.Fatalf("%v: %+v", err, sum)
	}
	files := folder(t, dir)
	if files[at("merged.glb")] != files[at("boots.glb")] {
		t.Error("merge and transfer --pass-dir write different garments")
	}
	// The record is the same but for the body's hash, which merge does not know: a
	// merge from either carries the same edits.
	must(t, "merge", at("merged.pass"), at("merged.glb"), at("new.glb"), "-o", at("again.glb"), "-q")
	if files = folder(t, dir); files[at("again.glb")] != files[at("merged.glb")] {
		t.Error("merging again changes the garment")
	}
	if err := os.WriteFile(at("bad.pass"), []byte("no record"), 0o644); err != nil {
		t.Fatal(err)
	}
	o = selvage(t, "merge", at("bad.pass"), at("artist.glb"), at("new.glb"), "-o", at("x.glb"))
	oneSentence(t, o)
	if o.status != exitFailed || !strings.Contains(o.stderr, "bad.pass") {
		t.Errorf("status %d: %s", o.status, o.stderr)
	}
	for _, bad := range [][]string{{at("before.pass")}, {at("before.pass"), at("artist.glb"), at("new.glb")}, {at("before.pass"), at("artist.glb"), at("new.glb"), "-o", at("x.obj")}} {
		o := selvage(t, append([]string{"merge"}, bad...)...)
		oneSentence(t, o)
		if o.status != exitUsage {
			t.Errorf("%v: status %d, want %d", bad, o.status, exitUsage)
		}
	}
}
