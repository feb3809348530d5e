package main

import (
	"errors"
	"io/fs"
	"os"
	"path/filepath"
	"testing"
)

// TestFolders: commands that write a garment make the folders of what they write, and
// leave none behind where nothing is written; a file in the way shows before the work.
func TestFolders(t *testing.T) {
	dir := t.TempDir()
	at := func(parts ...string) string { return filepath.Join(append([]string{dir}, parts...)...) }
	out := at("out", "new", "gloves.glb")
	must(t, "transfer", cox("body"), cox("gloves"), "-o", out, "--pass-dir", at("passes", "new"), "--report", at("pages", "gloves.html"), "-q")
	must(t, "tidy", out, "-o", at("tidied", "gloves.glb"), "-q")
	must(t, "merge", at("passes", "new", "gloves.glb.pass"), out, out, "-o", at("merged", "gloves.glb"), "--record", at("merged passes", "gloves.glb.pass"), "-q")
	for _, file := range []string{out, at("passes", "new", "gloves.glb.pass"), at("pages", "gloves.html"), at("tidied", "gloves.glb"), at("merged", "gloves.glb"), at("merged passes", "gloves.glb.pass")} {
		if info, err := os.Stat(file); err != nil || info.Size() == 0 {
			t.Errorf("%s is not there: %v", file, err)
		}
	}

	none := func(names ...string) {
		t.Helper()
		for _, name := range names {
			if _, err := os.Stat(at(name)); !errors.Is(err, fs.ErrNotExist) {
				t.Errorf("%s is left behind: %v", name, err)
			}
		}
	}
	if err := os.Mkdir(at("page.html"), 0o755); err != nil {
		t.Fatal(err)
	}
	refused(t, dir, []string{"transfer", cox("body"), cox("gloves"), "-o", at("a", "b", "gloves.glb"), "--pass-dir", at("c"), "--report", at("page.html")}, "page.html: is a folder")
	none("a", "c")
	// The garment is not there: what is said shows what is looked at first.
	gone := at("gone.glb")
	refused(t, dir, []string{"transfer", cox("body"), gone, "-o", filepath.Join(out, "gloves.glb")}, out+" is a file")
	refused(t, dir, []string{"transfer", cox("body"), gone, "-o", at("a", "gloves.glb"), "--report", filepath.Join(out, "page.html")}, out+" is a file")
	refused(t, dir, []string{"tidy", gone, "-o", filepath.Join(out, "a", "gloves.glb")}, out+" is a file")
	if o := selvage(t, "transfer", cox("body"), gone, "-o", at("a", "gloves.glb"), "--pass-dir", filepath.Join(out, "passes")); o.status != exitUsage {
		t.Errorf("status %d: %s", o.status, o.stderr)
	}
	none("a", "c")
}
