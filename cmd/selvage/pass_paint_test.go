package main

import (
	"path/filepath"
	"strings"
	"testing"

	"github.com/selvage/selvage/transfer/gltfio"
)

// Locks painted in the output hold in every pass to come, and the files that carry the
// paint keep to the standard: colours are numbered from 0.
func TestPass_PaintedLock(t *testing.T) {
	dir := t.TempDir()
	out, passes := filepath.Join(dir, "jersey.glb"), filepath.Join(dir, "passes")
	run := []string{"transfer", cox("body"), cox("jersey"), "-o", out, "--pass-dir", passes}
	must(t, run...)
	a, err := gltfio.Open(out, gltfio.Options{})
	if err != nil {
		t.Fatal(err)
	}
	s, err := a.Garment(gltfio.Selection{})
	if err != nil {
		t.Fatal(err)
	}
	red := make([][]float64, 4)
	for k := range red {
		red[k] = make([]float64, s.Mesh.NumVertices())
		for v, p := range s.Mesh.Positions {
			if k == 3 || k == 0 && p.X > 0.2 {
				red[k][v] = 1
			}
		}
	}
	painted, err := a.WithPainted(s, []gltfio.Painted{{Name: "COLOR_0", Channels: red}, {Name: "COLOR_1", Channels: red}})
	if err != nil {
		t.Fatal(err)
	}
	if _, err := painted.Save(out); err != nil {
		t.Fatal(err)
	}
	validate(t, out)
	var last string
	for pass := range 3 {
		o := must(t, append(run, "--lock", "color:1")...)
		if !strings.Contains(o.stdout, " vertices are locked and keep their row") {
			t.Errorf("pass %d: %s", pass+2, o.stdout)
		}
		validate(t, out)
		now := string(readFile(t, out))
		if pass > 0 && now != last {
			t.Errorf("pass %d changes what nothing has changed", pass+2)
		}
		last = now
	}
}
