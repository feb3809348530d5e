package main

import (
	"bytes"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

func readFile(t *testing.T, file string) []byte {
	t.Helper()
	b, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	return b
}

// TestReport: transfer --report and report over the files that it wrote both leave
// one page that names every garment; the first has the matches, the second the
// nearest points, and either is the same whatever the number of threads.
func TestReport(t *testing.T) {
	dir := t.TempDir()
	out, first, second, third := filepath.Join(dir, "out"), filepath.Join(dir, "first.html"), filepath.Join(dir, "second.html"), filepath.Join(dir, "third.html")
	o := must(t, "transfer", cox("body"), cox("cape"), cox("gloves"), "-o", out+"/", "--report", first)
	if !strings.HasSuffix(o.stdout, "\nopen "+first+"\n") {
		t.Errorf("transfer does not say what to open: %q", o.stdout)
	}
	o = must(t, "report", cox("body"), filepath.Join(out, "cape.glb"), filepath.Join(out, "gloves.glb"), "-o", second, "--threads", "1")
	if o.stdout != "open "+second+"\n" {
		t.Errorf("report prints %q", o.stdout)
	}
	must(t, "report", cox("body"), filepath.Join(out, "cape.glb"), filepath.Join(out, "gloves.glb"), "-o", third, "--threads", "3", "--quiet")
	a, b := readFile(t, first), readFile(t, second)
	if !bytes.Equal(b, readFile(t, third)) {
		t.Error("the page depends on the number of threads")
	}
	for name, page := range map[string][]byte{"transfer --report": a, "report": b} {
		for _, want := range []string{`<th scope="row">cape.glb</th>`, `<th scope="row">gloves.glb</th>`, "of cape.glb by joint ", "Why: filled in"} {
			if !bytes.Contains(page, []byte(want)) {
				t.Errorf("%s: no %q in the page", name, want)
			}
		}
	}
	if bytes.Contains(a, []byte(`"nearest":true`)) || !bytes.Contains(b, []byte(`"nearest":true`)) {
		t.Error("the pages do not tell matches from nearest points")
	}
}

// A file without attributes of confidence has no places, and says so.
func TestReport_PlainRows(t *testing.T) {
	dir := t.TempDir()
	out, page := filepath.Join(dir, "cape.glb"), filepath.Join(dir, "p.html")
	must(t, "transfer", cox("body"), cox("cape"), "-o", out, "--plain")
	must(t, "report", cox("body"), out, "-o", page)
	got := readFile(t, page)
	for _, want := range []string{"nothing can be ranked", "the file has no _CONFIDENCE", "not known"} {
		if !bytes.Contains(got, []byte(want)) {
			t.Errorf("no %q in the page", want)
		}
	}
}

func TestReport_Usage(t *testing.T) {
	body, cape := cox("body"), cox("cape")
	for _, c := range []struct {
		name   string
		args   []string
		status int
		says   string
	}{
		{"no garment", []string{"report", body, "-o", "OUT/x.html"}, exitUsage, "at least one garment"},
		{"no output", []string{"report", body, cape}, exitUsage, "--output"},
		{"no size", []string{"report", body, cape, "-o", "OUT/x.html", "--max-megabytes", "0"}, exitUsage, "--max-megabytes"},
		{"negative threads", []string{"report", body, cape, "-o", "OUT/x.html", "--threads", "-1"}, exitUsage, "--threads"},
		{"malformed pattern", []string{"report", body, cape, "-o", "OUT/x.html", "--garment", "["}, exitUsage, "--garment"},
		{"transfer, no page", []string{"transfer", body, cape, "-o", "OUT/x.glb", "--report", "OUT/x.glb"}, exitUsage, "--report"},
		{"transfer, empty name", []string{"transfer", body, cape, "-o", "OUT/x.glb", "--report", ""}, exitUsage, "--report"},
		{"missing file", []string{"report", body, "OUT/none.glb", "-o", "OUT/x.html"}, exitFailed, "none.glb"},
		{"a file in the way", []string{"report", body, cape, "-o", filepath.Join(cape, "x.html")}, exitFailed, "is a file"},
	} {
		t.Run(c.name, func(t *testing.T) {
			dir := t.TempDir()
			var args []string
			for _, a := range c.args {
				args = append(args, strings.Replace(a, "OUT", dir, 1))
			}
			o := selvage(t, args...)
			if o.status != c.status {
				t.Errorf("status %d, want %d", o.status, c.status)
			}
			oneSentence(t, o)
			if !strings.Contains(o.stderr, c.says) {
				t.Errorf("%q does not mention %q", o.stderr, c.says)
			}
			if f := folder(t, dir); len(f) > 0 {
				t.Errorf("left behind: %q", names(f))
			}
		})
	}
}

// What a server computed is read back from what it sent: the page has the same
// places and reasons, with nearest points in place of matches.
func TestReport_FromAServer(t *testing.T) {
	s := serve(t, nil)
	dir := t.TempDir()
	page := filepath.Join(dir, "p.html")
	o := must(t, "transfer", cox("body"), cox("cape"), "-o", filepath.Join(dir, "cape.glb"), "--report", page, "--server", s.address)
	if !strings.HasSuffix(o.stdout, "\nopen "+page+"\n") {
		t.Errorf("transfer does not say what to open: %q", o.stdout)
	}
	got := readFile(t, page)
	for _, want := range []string{`<th scope="row">cape.glb</th>`, "of cape.glb by joint ", `"nearest":true`} {
		if !bytes.Contains(got, []byte(want)) {
			t.Errorf("no %q in the page", want)
		}
	}
}
