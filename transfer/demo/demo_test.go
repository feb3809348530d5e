package demo

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"image/color"
	"image/png"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"github.com/selvage/selvage/transfer"
	"github.com/selvage/selvage/transfer/crew"
	"github.com/selvage/selvage/transfer/gltfio"
)

// nodeDir holds the scripts that run packages from outside this project.
const nodeDir = "../../testdata/node"

// validate holds files against the standard's own validator (Khronos Group,
// glTF-Validator): no error and no warning.
func validate(t *testing.T, files []string) {
	t.Helper()
	if _, err := os.Stat(filepath.Join(nodeDir, "node_modules", "gltf-validator")); err != nil {
		t.Fatalf("the node packages that this test checks against are missing: run make node (%v)", err)
	}
	var stderr bytes.Buffer
	cmd := exec.Command("node", append([]string{filepath.Join(nodeDir, "validate.mjs")}, files...)...)
	cmd.Stderr = &stderr
	out, err := cmd.Output()
	if err != nil {
		t.Fatalf("validator: %v\n%s", err, stderr.String())
	}
	lines := strings.Split(strings.TrimSpace(string(out)), "\n")
	if len(lines) != len(files) {
		t.Fatalf("the validator saw %d of %d files", len(lines), len(files))
	}
	for _, line := range lines {
		var r struct {
			File             string
			Errors, Warnings int
			Messages         []string
		}
		if err := json.Unmarshal([]byte(line), &r); err != nil {
			t.Fatalf("%v: %s", err, line)
		}
		if r.Errors+r.Warnings > 0 {
			t.Errorf("%s: %d errors, %d warnings: %s", filepath.Base(r.File), r.Errors, r.Warnings, strings.Join(r.Messages, "; "))
		}
	}
}

// TestRun makes the whole demo of the member with the fewest vertices.
func TestRun(t *testing.T) {
	dir := t.TempDir()
	stages := map[transfer.Stage]bool{}
	o, err := Run(context.Background(), Options{Folder: dir, Member: "cox", Progress: func(name string, k, n int) func(transfer.Stage, float64) {
		if n != len(crew.GarmentNames()) || name != crew.GarmentNames()[k] {
			t.Errorf("progress of %q, %d of %d", name, k, n)
		}
		return func(s transfer.Stage, _ float64) { stages[s] = true }
	}})
	if err != nil {
		t.Fatal(err)
	}
	if len(stages) < 5 {
		t.Errorf("progress reported %v", stages)
	}

	// Files: what was read, what was written, all valid, all weighted.
	files := []string{filepath.Join(dir, "input", "body.glb")}
	var garments []string
	for _, name := range crew.GarmentNames() {
		garments = append(garments, filepath.Join(dir, "weighted", crew.FileName(name)))
		files = append(files, filepath.Join(dir, "input", crew.FileName(name)))
	}
	examples, err := filepath.Glob(filepath.Join(dir, "try", "*.glb"))
	if err != nil || len(examples) < 13 {
		t.Fatalf("%d files to try things out on, %v", len(examples), err)
	}
	validate(t, append(append(files, garments...), examples...))
	body := crew.NewBody("cox")
	for k, g := range o.Garments {
		if g.File != garments[k] {
			t.Errorf("garment %d is in %s, want %s", k, g.File, garments[k])
		}
		a, err := gltfio.Open(g.File, gltfio.Options{})
		if err != nil {
			t.Fatal(err)
		}
		s, err := a.Body(gltfio.Selection{})
		if err != nil {
			t.Fatal(err)
		}
		if s.Rows.Len() != g.Summary.Vertices || len(s.Skin.Joints) != len(body.Skin.Joints) || s.Faults.Unusable+s.Faults.Negative+s.Faults.Sum > 0 {
			t.Errorf("%s: %d rows, %d joints, faults %+v", g.File, s.Rows.Len(), len(s.Skin.Joints), s.Faults)
		}
		// Fitted garments must be near the truth; the numbers themselves are judged in
		// BENCHMARKS.md. 0.1 is twice what the worst of them reaches. The hat follows the
		// head alone, without error.
		if !g.Loose && (g.Error.MeanL1 > 0.1 || g.Error.MeanL1 == 0 && g.Summary.Garment != "sou'wester") {
			t.Errorf("%s: mean L1 error %g", g.Summary.Garment, g.Error.MeanL1)
		}
		if e := g.Error; e.P99L1 < e.MeanL1/2 || e.P99L1 > 2+1e-6 || e.MaxCentimetres < e.P99Centimetres {
			t.Errorf("%s: errors do not fit each other: %+v", g.Summary.Garment, e)
		}
		t.Logf("%s: mean L1 %.3f, 99%% %.3f, 99%% %.2f cm, worst %.2f cm", g.Summary.Garment, g.Error.MeanL1, g.Error.P99L1, g.Error.P99Centimetres, g.Error.MaxCentimetres)
	}

	// The page names every garment, and every picture is there.
	page, err := os.ReadFile(filepath.Join(dir, "index.html"))
	if err != nil {
		t.Fatal(err)
	}
	if o.Page != filepath.Join(dir, "index.html") {
		t.Errorf("the outcome names the page %s", o.Page)
	}
	pictures := []string{"wardrobe.png"}
	for _, g := range crew.GarmentNames() {
		pictures = append(pictures, strings.TrimSuffix(crew.FileName(g), ".glb")+".png")
		name := strings.ReplaceAll(g, "'", "&#39;")
		// In the report's own table and in the one against the truth.
		if n := strings.Count(string(page), `<th scope="row">`+name); n != 2 {
			t.Errorf("the page has %d rows of %s, want 2", n, g)
		}
	}
	for _, p := range pictures {
		notBlank(t, filepath.Join(dir, "pictures", p))
	}
	if !strings.Contains(string(page), "default-src &#39;none&#39;") && !strings.Contains(string(page), "default-src 'none'") {
		t.Error("the page has no policy")
	}
}

// notBlank checks that a picture has a background and a good share of other
// pixels in many colours.
func notBlank(t *testing.T, file string) {
	t.Helper()
	f, err := os.Open(file)
	if err != nil {
		t.Error(err)
		return
	}
	defer f.Close()
	img, err := png.Decode(f)
	if err != nil {
		t.Errorf("%s: %v", file, err)
		return
	}
	count := map[color.RGBA]int{}
	most := 0
	b := img.Bounds()
	for y := b.Min.Y; y < b.Max.Y; y++ {
		for x := b.Min.X; x < b.Max.X; x++ {
			c := color.RGBAModel.Convert(img.At(x, y)).(color.RGBA)
			count[c]++
			most = max(most, count[c])
		}
	}
	total := b.Dx() * b.Dy()
	drawn := 1 - float64(most)/float64(total)
	t.Logf("%s: %d x %d, %d colours, %.1f%% drawn", filepath.Base(file), b.Dx(), b.Dy(), len(count), 100*drawn)
	if len(count) < 50 || drawn < 0.02 {
		t.Errorf("%s is blank: %d colours, %.2f%% of the pixels differ from the background", file, len(count), 100*drawn)
	}
}

func TestRun_Errors(t *testing.T) {
	dir := t.TempDir()
	if _, err := Run(context.Background(), Options{Folder: dir, Member: "purser"}); err == nil || !strings.Contains(err.Error(), "purser") {
		t.Errorf("error %v, want one that names the stranger", err)
	}
	if list, _ := os.ReadDir(dir); len(list) > 0 {
		t.Errorf("a demo of nobody leaves %v", list)
	}
	file := filepath.Join(dir, "file")
	if err := os.WriteFile(file, nil, 0o644); err != nil {
		t.Fatal(err)
	}
	if _, err := Run(context.Background(), Options{Folder: file, Member: "cox"}); err == nil || !strings.Contains(err.Error(), file) {
		t.Errorf("error %v, want one that names %s", err, file)
	}
	ctx, cancel := context.WithCancel(context.Background())
	cancel()
	if _, err := Run(ctx, Options{Folder: filepath.Join(dir, "c"), Member: "cox"}); !errors.Is(err, context.Canceled) {
		t.Errorf("error %v, want context.Canceled", err)
	}
}
