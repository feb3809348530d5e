package wardrobe

import (
	"bytes"
	"errors"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
)

// TestRun_PassOwner: a run writes beside each record whose it is, and refuses the record
// of another output, by force too, and of other meshes, but by force. What is refused
// stays as it was.
func TestRun_PassOwner(t *testing.T) {
	manifest := strings.Replace(passManifest, "cox/jersey.glb, ", "", 1)
	dir, file := wardrobeAt(t, manifest)
	counts(t, runPlan(t, Runner{}, planOf(t, file)), 1, 0, 0, 0)
	record, out := filepath.Join(dir, "passes", "gloves.glb.pass"), filepath.Join(dir, "out", "gloves.glb")
	if o := ReadRecordOwner(record); o == nil || o.Output != "../out/gloves.glb" || !o.Owns(record, out) {
		t.Fatalf("the owner is %+v", o)
	}
	edited := len(repaint(t, out, 0.4))

	second := filepath.Join(dir, "second.yaml")
	write(t, second, []byte(strings.Replace(manifest, "out/", "elsewhere/", 1)))
	before := read(t, record)
	for _, force := range []bool{false, true} {
		o := runPlan(t, Runner{Force: force}, planOf(t, second))
		var other *OtherOutputError
		if i := item(t, o, "cox/gloves"); i.Status != Broken || !errors.As(i.Err, &other) || !strings.Contains(i.Err.Error(), "of "+out+" and not of "+i.Task.Output) {
			t.Errorf("another output, force %v: %v, %v", force, i.Status, i.Err)
		}
		if _, err := os.Stat(filepath.Join(dir, "elsewhere")); !errors.Is(err, os.ErrNotExist) || !bytes.Equal(read(t, record), before) {
			t.Errorf("another output, force %v: something was written", force)
		}
	}

	// A body is chosen by meshes: the same by another glob goes, other ones do not.
	counts(t, runPlan(t, Runner{Force: true}, planOf(t, file)), 1, 0, 0, 0)
	meshes := func(garment, body string) {
		t.Helper()
		text := strings.Replace(manifest, "[cox/gloves.glb]", "[cox/gloves.glb], meshes: "+garment, 1)
		write(t, file, []byte(strings.Replace(text, "cox/body.glb", "cox/body.glb, meshes: "+body, 1)))
	}
	meshes(`["*"]`, `["*"]`)
	if i := item(t, runPlan(t, Runner{}, planOf(t, file)), "cox/gloves"); i.Status != Made || i.Record.Pass.Summary.Edited < edited/2 {
		t.Errorf("the same meshes by another glob: %v, %v", i.Status, i.Err)
	}
	before, artist := read(t, record), read(t, out)
	for _, garment := range []string{`[leather]`, `[gauntlet]`} {
		meshes(garment, `["*"]`)
		i := item(t, runPlan(t, Runner{}, planOf(t, file)), "cox/gloves")
		var other *OtherMeshesError
		if i.Status != Broken || !errors.As(i.Err, &other) || other.What != "garment" || !slices.Equal(other.Before, []string{"*"}) || !strings.Contains(i.Err.Error(), "--force") {
			t.Errorf("meshes %s: %v, %v", garment, i.Status, i.Err)
		}
		if !bytes.Equal(read(t, record), before) || !bytes.Equal(read(t, out), artist) {
			t.Fatalf("meshes %s: something was written", garment)
		}
	}
	if i := item(t, runPlan(t, Runner{Force: true}, planOf(t, file)), "cox/gloves"); i.Status != Made || !i.Record.Pass.Summary.First {
		t.Errorf("by force: %v, %v", i.Status, i.Err)
	}
}

// TestRun_PassOwnerMoved: what is moved and up to date without a pass owns its records
// from then on, and no other output takes them; a copy takes none either.
func TestRun_PassOwnerMoved(t *testing.T) {
	dir, file := wardrobeAt(t, passManifest)
	to := func(folder string) Runner {
		t.Helper()
		write(t, file, []byte(strings.Replace(passManifest, "out/", folder+"/", 1)))
		return Runner{}
	}
	counts(t, runPlan(t, to("out"), planOf(t, file)), 2, 0, 0, 0)
	record, second := filepath.Join(dir, "passes", "jersey.glb.pass"), filepath.Join(dir, "second")
	if err := os.CopyFS(filepath.Join(dir, "copy"), os.DirFS(filepath.Join(dir, "out"))); err != nil {
		t.Fatal(err)
	}
	r := to("copy")
	counts(t, runPlan(t, r, planOf(t, file)), 0, 2, 0, 0)
	if o := ReadRecordOwner(record); o == nil || o.Output != "../out/jersey.glb" {
		t.Errorf("beside a copy the owner is %+v", o)
	}
	if err := os.Rename(filepath.Join(dir, "out"), second); err != nil {
		t.Fatal(err)
	}
	r = to("second")
	counts(t, runPlan(t, r, planOf(t, file)), 0, 2, 0, 0)
	if o := ReadRecordOwner(record); o == nil || o.Output != "../second/jersey.glb" {
		t.Errorf("after the move the owner is %+v", o)
	}
	repaint(t, filepath.Join(second, "jersey.glb"), 0.4)
	before := read(t, record)
	r = to("third")
	o := runPlan(t, r, planOf(t, file))
	counts(t, o, 0, 0, 2, 0)
	var other *OtherOutputError
	if i := item(t, o, "cox/jersey"); !errors.As(i.Err, &other) || !bytes.Equal(read(t, record), before) {
		t.Errorf("a third output: %v", i.Err)
	}
	// A lost owner is known again.
	if err := os.Remove(RecordOwnerFile(record)); err != nil {
		t.Fatal(err)
	}
	r = to("second")
	counts(t, runPlan(t, r, planOf(t, file)), 0, 2, 0, 0)
	if o := ReadRecordOwner(record); o == nil || o.Output != "../second/jersey.glb" {
		t.Errorf("written again the owner is %+v", o)
	}
}

// TestOtherBodyError: the joint map is what renamed joints ask for, and no way to another
// output.
func TestOtherBodyError(t *testing.T) {
	const want = "a.pass is the pass record of another body than b.glb, as far as names tell: 3 of 40 joints have the same; " +
		"if they were renamed, give a joint map that says how, and if it is another body, choose another output, or give up the edits in a.glb with --force"
	if got := (&OtherBodyError{"a.pass", "a.glb", "b.glb", 3, 40}).Error(); got != want {
		t.Errorf("%s, want %s", got, want)
	}
}
