package main

import (
	"bytes"
	"image/png"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
)

// pictureNames are the names of a folder's files; each must be a whole PNG.
func pictureNames(t *testing.T, dir string) []string {
	t.Helper()
	entries, err := os.ReadDir(dir)
	if err != nil {
		t.Fatal(err)
	}
	var out []string
	for _, e := range entries {
		img, err := png.Decode(bytes.NewReader(readFile(t, filepath.Join(dir, e.Name()))))
		if err != nil {
			t.Errorf("%s: %v", e.Name(), err)
		} else if b := img.Bounds(); b.Dx() < 800 || b.Dy() < 640 {
			t.Errorf("%s is only %v large", e.Name(), b)
		}
		out = append(out, e.Name())
	}
	return out
}

// quickPlan is a plan of few poses, in a folder of its own.
func quickPlan(t *testing.T) string {
	t.Helper()
	plan := filepath.Join(t.TempDir(), "plan.yaml")
	write(t, plan, "angles: [60]\nscale: []\nmove: 0.03\nlimits: {stretch: 1.05, gap: 0.001}\njoints: [{joints: [\"spine*\", \"pelvis\"], skip: true}]\n")
	return plan
}

// TestCheck_Report: the page and the pictures have the worst poses, worst first, with
// the sentence of the finding, and are the same for any number of threads.
func TestCheck_Report(t *testing.T) {
	file, dir := wornJersey(t), t.TempDir()
	plan := quickPlan(t)
	first, second, pictures := filepath.Join(dir, "a.html"), filepath.Join(dir, "b.html"), filepath.Join(dir, "new", "pictures")
	o := must(t, "check", file, "--body", cox("body"), "--plan", plan, "--report", first, "--png", pictures, "--threads", "1", "--top", "1")
	if !strings.Contains(o.stdout, "\nopen "+first+"\n") || !strings.HasSuffix(o.stdout, " pictures in "+pictures+"\n") {
		t.Errorf("check does not say what to open: %q", o.stdout)
	}
	must(t, "check", file, "--body", cox("body"), "--plan", plan, "--report", second, "--threads", "3", "--previous", file, "-q")
	got := string(readFile(t, first))
	for _, want := range []string{"<h3>In motion</h3>", "poses checked", `class="strike" data-pose="5"`, "<p>With ", "at vertex ", `"changes":[{"joint":`} {
		if !strings.Contains(got, want) {
			t.Errorf("no %q in the page", want)
		}
	}
	if b := string(readFile(t, second)); !strings.Contains(b, "no row differs from the last pass") || !strings.Contains(b, `"difference":true`) {
		t.Error("the second page does not compare with the last pass")
	}
	names := pictureNames(t, pictures)
	for _, want := range []string{"front.png", "back.png", "place-1.png", "pose-1.png", "pose-6.png"} {
		if !slices.Contains(names, want) {
			t.Errorf("no %s among %q", want, names)
		}
	}
	again := filepath.Join(dir, "again")
	must(t, "check", file, "--body", cox("body"), "--plan", plan, "--report", second, "--png", again, "--threads", "2", "-q")
	if got != string(readFile(t, second)) {
		t.Error("the page depends on the number of threads")
	}
	for _, n := range names {
		if !bytes.Equal(readFile(t, filepath.Join(pictures, n)), readFile(t, filepath.Join(again, n))) {
			t.Errorf("%s depends on the number of threads", n)
		}
	}
}

// With a server's check the page is the same as with one made here.
func TestCheck_ReportFromAServer(t *testing.T) {
	s := serve(t, nil)
	file, dir := wornJersey(t), t.TempDir()
	plan := quickPlan(t)
	here, there := filepath.Join(dir, "here.html"), filepath.Join(dir, "there.html")
	must(t, "check", file, "--body", cox("body"), "--plan", plan, "--report", here, "-q")
	must(t, "check", file, "--body", cox("body"), "--plan", plan, "--report", there, "-q", "--server", s.address)
	if !bytes.Equal(readFile(t, here), readFile(t, there)) {
		t.Error("the pages differ")
	}
}

func TestCheck_ReportUsage(t *testing.T) {
	file, dir, plan := wornJersey(t), t.TempDir(), quickPlan(t)
	for _, c := range []struct {
		name   string
		args   []string
		status int
		says   string
	}{
		{"no page", []string{"--report", filepath.Join(dir, "x.png")}, exitUsage, "--report"},
		{"empty name", []string{"--report", ""}, exitUsage, "--report"},
		{"empty folder", []string{"--png", ""}, exitUsage, "--png"},
		{"last pass without a page", []string{"--previous", file}, exitUsage, "--previous"},
		{"no last pass", []string{"--report", filepath.Join(dir, "x.html"), "--previous", filepath.Join(dir, "none.glb")}, exitFailed, "the last pass"},
		{"a file in the way", []string{"--report", filepath.Join(file, "x.html")}, exitFailed, "is a file"},
	} {
		t.Run(c.name, func(t *testing.T) {
			o := selvage(t, append([]string{"check", file, "--body", cox("body"), "--plan", plan}, c.args...)...)
			if o.status != c.status || !strings.Contains(o.stderr, c.says) {
				t.Errorf("status %d, want %d: %q", o.status, c.status, o.stderr)
			}
			oneSentence(t, o)
			if f := folder(t, dir); len(f) > 0 {
				t.Errorf("left behind: %q", names(f))
			}
		})
	}
}

// transfer and report with the last pass: rows that an option changed are counted, a
// folder serves several garments, and what it lacks is said.
func TestReport_Previous(t *testing.T) {
	dir := t.TempDir()
	last, page, pictures := filepath.Join(dir, "last"), filepath.Join(dir, "p.html"), filepath.Join(dir, "pictures")
	must(t, "transfer", cox("body"), cox("cape"), "-o", last+"/", "--max-influences", "1", "-q")
	out := filepath.Join(dir, "out")
	must(t, "transfer", cox("body"), cox("cape"), cox("gloves"), "-o", out+"/", "--report", page, "--previous", last, "-q")
	got := string(readFile(t, page))
	for _, want := range []string{" from the last pass by 0.02 or more, most at vertex ", "the last pass has no file of this garment", `"difference":true`} {
		if !strings.Contains(got, want) {
			t.Errorf("no %q in transfer's page", want)
		}
	}
	o := must(t, "report", cox("body"), filepath.Join(out, "cape.glb"), "--png", pictures, "--previous", filepath.Join(last, "cape.glb"))
	if !strings.HasSuffix(o.stdout, " pictures in "+pictures+"\n") {
		t.Errorf("report prints %q", o.stdout)
	}
	if n := pictureNames(t, pictures); !slices.Contains(n, "front.png") || !slices.Contains(n, "back.png") || !slices.Contains(n, "place-1.png") {
		t.Errorf("pictures %q", n)
	}
	// Another mesh under the garment's name: said, not compared.
	other := filepath.Join(dir, "other", "cape.glb")
	if err := os.Mkdir(filepath.Dir(other), 0o755); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(other, readFile(t, filepath.Join(out, "gloves.glb")), 0o644); err != nil {
		t.Fatal(err)
	}
	must(t, "report", cox("body"), filepath.Join(out, "cape.glb"), "-o", page, "--previous", filepath.Dir(other), "-q")
	if got := string(readFile(t, page)); !strings.Contains(got, "the difference to the last pass is not known: its file has") || strings.Contains(got, `"difference":true`) {
		t.Error("files of different meshes are compared")
	}
	o = selvage(t, "report", cox("body"), filepath.Join(out, "cape.glb"), filepath.Join(out, "gloves.glb"), "-o", page, "--previous", filepath.Join(last, "cape.glb"))
	if o.status != exitUsage || !strings.Contains(o.stderr, "--previous") {
		t.Errorf("one file for two garments: status %d, %q", o.status, o.stderr)
	}
	o = selvage(t, "transfer", cox("body"), cox("cape"), "-o", filepath.Join(dir, "x.glb"), "--previous", last)
	if o.status != exitUsage || !strings.Contains(o.stderr, "--report") {
		t.Errorf("--previous alone: status %d, %q", o.status, o.stderr)
	}
}

// Over layers the page poses joints that move these alone, too, and shows them: worn
// beneath, and judged by nobody. A server's is the same.
func TestCheck_ReportOverLayers(t *testing.T) {
	s := serve(t, nil)
	dir := t.TempDir()
	worn := filepath.Join(dir, "worn")
	must(t, "transfer", cox("body"), cox("oilskin-coat"), cox("cape"), "-o", worn, "-q") // not as layers: the cape dives
	cape, coat := filepath.Join(worn, "cape.glb"), filepath.Join(worn, "oilskin-coat.glb")
	here, there, plain := filepath.Join(dir, "here.html"), filepath.Join(dir, "there.html"), filepath.Join(dir, "plain.html")
	plan := filepath.Join(dir, "thighs.yaml") // joints that the cape does not follow, and the coat's tails do
	if err := os.WriteFile(plan, []byte("angles: [90]\nmove: 0\nscale: []\njoints: [{joints: ['[^t]*'], skip: true}]\n"), 0o644); err != nil {
		t.Fatal(err)
	}
	check := []string{"check", cape, "--body", cox("body"), "--layer", coat, "--plan", plan, "-q", "--report"}
	must(t, append(check, here, "--png", filepath.Join(dir, "pictures"))...)
	must(t, append(check, there, "--server", s.address)...)
	page := string(readFile(t, here))
	if page != string(readFile(t, there)) {
		t.Error("the pages differ")
	}
	for _, want := range []string{": thigh.right turned by ", `"beneath":true`, `"name":"oilskin-coat.glb"`, "1 garment,"} {
		if !strings.Contains(page, want) {
			t.Errorf("the page lacks %q", want)
		}
	}
	must(t, "report", cox("body"), cape, "--layer", coat, "-o", here)
	must(t, "report", cox("body"), cape, "-o", plain)
	if page := string(readFile(t, here)); !strings.Contains(page, `"beneath":true`) || strings.Contains(string(readFile(t, plain)), `"beneath":true`) {
		t.Error("--layer does not show the layer, or it is shown without")
	}
}
