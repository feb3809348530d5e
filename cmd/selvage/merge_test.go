package main

import (
	"os"
	"path/filepath"
	"reflect"
	"strings"
	"testing"
)

// TestMerge_OverItsGarment: merge writes over the garment that a record is of only with
// the record; then the next pass has nothing new, and moves no row a second time.
func TestMerge_OverItsGarment(t *testing.T) {
	dir := t.TempDir()
	at := func(parts ...string) string { return filepath.Join(append([]string{dir}, parts...)...) }
	body, out, record, fresh := at("body.glb"), at("weighted", "gloves.glb"), at("passes", "gloves.glb.pass"), at("new", "gloves.glb")
	copyFile(t, cox("body"), body)
	step := []string{"transfer", body, cox("gloves"), "-o", out, "--pass-dir", at("passes")}
	must(t, append(step, "-q")...)
	edit(t, out)
	s := rowsOf(t, out)
	repaint(t, body, s.Joints[5].Name, patch(s.Mesh.Positions[0], 0.5, 0.2))
	must(t, "transfer", body, cox("gloves"), "-o", fresh, "-q")
	artist := at("artist.glb")
	copyFile(t, out, artist)
	if err := os.Link(out, at("linked.glb")); err != nil {
		t.Fatal(err)
	}

	before := folder(t, dir)
	no := func(status int, words string, args ...string) {
		t.Helper()
		o := selvage(t, append([]string{"merge", record}, args...)...)
		oneSentence(t, o)
		if o.status != status || !strings.Contains(o.stderr, words) {
			t.Errorf("%v: status %d: %s", args, o.status, o.stderr)
		}
		if !reflect.DeepEqual(folder(t, dir), before) {
			t.Fatalf("%v: something was written", args)
		}
	}
	no(exitUsage, "give --record "+record, out, fresh, "-o", out)
	no(exitUsage, "give --record "+record, out, fresh, "-o", at("linked.glb"))
	// By what lies beside the record too, and not of another one's garment.
	no(exitUsage, "give --record "+record, artist, fresh, "-o", out)
	no(exitFailed, "of "+out+" and not of "+at("elsewhere.glb"), out, fresh, "-o", at("elsewhere.glb"), "--record", record)

	must(t, "merge", record, out, fresh, "-o", out, "--record", record, "-q")
	merged := rowsOf(t, out)
	got := passJSON(t, step...).Pass
	if got.Edited == 0 || got.New != 0 {
		t.Errorf("the next pass: %+v", got)
	}
	now := rowsOf(t, out)
	for v := range merged.Mesh.Positions {
		if d := now.Rows.DistanceL1(v, merged.Rows, v); d != 0 {
			t.Fatalf("vertex %d is moved again, by %g", v, d)
		}
	}

	// The record of another output says whose it is.
	must(t, "merge", record, out, fresh, "-o", at("other", "gloves.glb"), "--record", at("other", "gloves.glb.pass"), "-q")
	refused(t, dir, []string{"transfer", body, cox("gloves"), "-o", at("third", "gloves.glb"), "--pass-dir", at("other")}, "of "+at("other", "gloves.glb"))
}
