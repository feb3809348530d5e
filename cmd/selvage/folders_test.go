package main

import (
	"errors"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
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
	must(t, "report", cox("body"), out, "-o", at("seen", "new", "gloves.html"), "--png", at("seen", "pictures"), "-q")
	must(t, "diff", out, out, "--report", at("changes", "new", "gloves.html"), "--png", at("changes", "pictures"))
	must(t, "check", out, "--body", cox("body"), "--report", at("checked", "new", "gloves.html"), "--png", at("checked", "pictures"), "--samples", "2")
	for _, dir := range []string{"seen", "changes", "checked"} {
		for _, name := range []string{filepath.Join("new", "gloves.html"), filepath.Join("pictures", "front.png")} {
			if info, err := os.Stat(at(dir, name)); err != nil || info.Size() == 0 {
				t.Errorf("%s: %s is not there: %v", dir, name, err)
			}
		}
	}
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
	// Neither page nor pictures where one of them cannot be written.
	refused(t, dir, []string{"diff", out, out, "--report", at("page.html"), "--png", at("a")}, "page.html: is a folder")
	refused(t, dir, []string{"report", cox("body"), out, "-o", at("page.html"), "--png", at("a")}, "page.html: is a folder")
	none("a", "c")
	// The garment is not there: what is said shows what is looked at first.
	gone := at("gone.glb")
	refused(t, dir, []string{"transfer", cox("body"), gone, "-o", filepath.Join(out, "gloves.glb")}, out+" is a file")
	refused(t, dir, []string{"transfer", cox("body"), gone, "-o", at("a", "gloves.glb"), "--report", filepath.Join(out, "page.html")}, out+" is a file")
	refused(t, dir, []string{"tidy", gone, "-o", filepath.Join(out, "a", "gloves.glb")}, out+" is a file")
	page, pictures := filepath.Join(out, "page.html"), filepath.Join(out, "pictures")
	refused(t, dir, []string{"report", cox("body"), gone, "-o", page}, out+" is a file")
	refused(t, dir, []string{"diff", gone, gone, "--report", page}, out+" is a file")
	refused(t, dir, []string{"check", gone, "--body", cox("body"), "--report", page}, out+" is a file")
	refused(t, dir, []string{"merge", gone, gone, gone, "-o", at("a", "gloves.glb"), "--record", filepath.Join(out, "a.pass")}, out+" is a file")
	refused(t, dir, []string{"batch", gone, "--report", page}, out+" is a file")
	for _, args := range [][]string{
		{"transfer", cox("body"), gone, "-o", at("a", "gloves.glb"), "--pass-dir", filepath.Join(out, "passes")},
		{"report", cox("body"), gone, "--png", pictures}, {"diff", gone, gone, "--png", pictures}, {"check", gone, "--body", cox("body"), "--png", pictures},
	} {
		if o := selvage(t, args...); o.status != exitUsage || !strings.Contains(o.stderr, out+" is a file") {
			t.Errorf("%v: status %d: %s", args, o.status, o.stderr)
		}
	}
	none("a", "c")
}
