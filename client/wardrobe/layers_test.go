package wardrobe

import (
	"bytes"
	"errors"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"github.com/selvage/selvage/transfer"
	"github.com/selvage/selvage/transfer/gltfio"
	"github.com/selvage/selvage/transfer/report"
)

const layerManifest = `version: 1
bodies: [{name: cox, file: cox/body.glb}]
garments: [{files: cox/*.glb}]
layers: [jersey, bib-trousers, "oilskin-*"]
output: out/{garment}.glb
passes: passes
`

// wornHere is a garment transferred in this process over outputs.
func wornHere(t testing.TB, dir, garment string, layers ...string) []byte {
	t.Helper()
	open := func(file string) *gltfio.Asset {
		a, err := gltfio.Open(filepath.Join(dir, file), gltfio.Options{})
		if err != nil {
			t.Fatal(err)
		}
		return a
	}
	body, err := transfer.PrepareAsset(t.Context(), open("cox/body.glb"), gltfio.Selection{}, 0)
	if err != nil {
		t.Fatal(err)
	}
	var list []*gltfio.Asset
	for _, l := range layers {
		list = append(list, open("out/"+l+".glb"))
	}
	if body, err = body.WithLayers(t.Context(), list, 0); err != nil {
		t.Fatal(err)
	}
	out, _, err := body.Transfer(t.Context(), open("cox/"+garment+".glb"), transfer.AssetOptions{})
	if err != nil {
		t.Fatal(err)
	}
	var b bytes.Buffer
	if err := out.Encode(&b); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

// TestRun_Layers: outer garments take their rows from inner ones, with what an artist
// did to them; only what lies over a change is made anew.
func TestRun_Layers(t *testing.T) {
	dir, file := wardrobeAt(t, layerManifest)
	p := planOf(t, file)
	n := len(p.Tasks)
	coat := p.Tasks[slices.IndexFunc(p.Tasks, func(t *Task) bool { return t.Garment.Name == "oilskin-coat" })]
	if len(coat.Inner) != 2 || coat.Inner[0].Garment.Name != "jersey" || coat.Inner[1].Garment.Name != "bib-trousers" {
		t.Fatalf("beneath the coat: %v", coat.Inner)
	}
	counts(t, runPlan(t, Runner{}, p), n, 0, 0, 0)
	if !bytes.Equal(read(t, coat.Output), wornHere(t, dir, "oilskin-coat", "jersey", "bib-trousers")) {
		t.Error("the coat is not as over jersey and trousers")
	}
	for _, alone := range []string{"jersey", "gloves"} {
		if !bytes.Equal(read(t, filepath.Join(dir, "out", alone+".glb")), wornHere(t, dir, alone)) {
			t.Errorf("%s has something beneath it", alone)
		}
	}
	o := runPlan(t, Runner{}, p)
	counts(t, o, 0, n, 0, 0) // the same plan once more
	page, err := o.Page(t.Context(), coat.Body.Name, 0)
	if err != nil {
		t.Fatal(err)
	}
	if !slices.ContainsFunc(page.Poses, func(q report.Pose) bool { return strings.HasPrefix(q.Title, "oilskin-coat, dive: ") }) {
		t.Error("the page does not hold the coat against what it is worn over")
	}
	counts(t, runPlan(t, Runner{}, planOf(t, file)), 0, n, 0, 0)

	// An edit of the trousers goes on to what lies over them, and to nothing else.
	repaint(t, filepath.Join(dir, "out", "bib-trousers.glb"), 0.4)
	over := 0
	for _, x := range p.Tasks {
		if x.Layer == 2 {
			over++
		}
	}
	o = runPlan(t, Runner{}, planOf(t, file))
	counts(t, o, over, n-over, 0, 0)
	if !item(t, o, "cox/bib-trousers").Record.Edited || over == 0 {
		t.Errorf("%d lie over the trousers", over)
	}
	if !bytes.Equal(read(t, coat.Output), wornHere(t, dir, "oilskin-coat", "jersey", "bib-trousers")) {
		t.Error("the coat does not know of the edit")
	}
	counts(t, runPlan(t, Runner{}, planOf(t, file)), 0, n, 0, 0)

	// Without layers the coat's key is another, and so are its rows.
	write(t, file, []byte(strings.Replace(layerManifest, `layers: [jersey, bib-trousers, "oilskin-*"]`, "layers: off", 1)))
	o = runPlan(t, Runner{}, planOf(t, file))
	if item(t, o, "cox/oilskin-coat").Status != Made || item(t, o, "cox/jersey").Status != UpToDate {
		t.Errorf("without layers: coat %v, jersey %v", item(t, o, "cox/oilskin-coat").Status, item(t, o, "cox/jersey").Status)
	}
}

// TestRun_LayerFails: what lies over a garment that failed fails with its name; the
// rest is done.
func TestRun_LayerFails(t *testing.T) {
	dir, file := wardrobeAt(t, layerManifest)
	write(t, filepath.Join(dir, "cox", "jersey.glb"), []byte("no glTF"))
	p := planOf(t, file)
	over := 0
	for _, x := range p.Tasks {
		if len(x.Inner) > 0 {
			over++
		}
	}
	o := runPlan(t, Runner{}, p)
	counts(t, o, len(p.Tasks)-over-1, 0, over+1, 0)
	var layer *LayerError
	if err := item(t, o, "cox/oilskin-coat").Err; !errors.As(err, &layer) || layer.Layer != "cox/jersey" {
		t.Errorf("the coat: %v", err)
	}
}

// TestRun_LayersFound: the order is found from the garments, once, and kept.
func TestRun_LayersFound(t *testing.T) {
	manifest := strings.Replace(layerManifest, `layers: [jersey, bib-trousers, "oilskin-*"]`, "layers: found", 1)
	manifest = strings.Replace(manifest, "cox/*.glb", "[cox/jersey.glb, cox/oilskin-coat.glb]", 1)
	dir, file := wardrobeAt(t, manifest)
	p := planOf(t, file)
	o := runPlan(t, Runner{}, p)
	counts(t, o, 2, 0, 0, 0)
	coat, jersey := item(t, o, "cox/oilskin-coat").Task, item(t, o, "cox/jersey").Task
	if len(coat.Inner) != 1 || coat.Inner[0] != jersey || len(jersey.Inner) != 0 {
		t.Fatalf("the coat lies over %v, the jersey over %v", coat.Inner, jersey.Inner)
	}
	if !bytes.Equal(read(t, coat.Output), wornHere(t, dir, "oilskin-coat", "jersey")) {
		t.Error("the coat is not as over the jersey")
	}
	state := readState(p.State)
	found := state.layers["cox"]
	if !slices.Equal(found.Order, []string{"jersey", "oilskin-coat"}) {
		t.Errorf("found %+v", found)
	}
	// Kept: an order that the state has is believed.
	found.Order = []string{"oilskin-coat", "jersey"}
	state.layers["cox"], state.dirty = found, true
	if err := state.flush(); err != nil {
		t.Fatal(err)
	}
	counts(t, runPlan(t, Runner{}, planOf(t, file)), 2, 0, 0, 0)
	if err := os.Remove(p.State); err != nil {
		t.Fatal(err)
	}
	counts(t, runPlan(t, Runner{}, planOf(t, file)), 2, 0, 0, 0)
}

// TestShard_Layers: garments that lie over one another are in one part.
func TestShard_Layers(t *testing.T) {
	_, file := wardrobeAt(t, strings.Replace(crewManifest, `layers: [jersey, "oilskin-*"]`, "layers: found", 1))
	p := planOf(t, file)
	seen := 0
	for i := 1; i <= 5; i++ {
		bodies := map[*Source]int{}
		for _, x := range (Shard{i, 5}).Of(p.Tasks) {
			bodies[x.Body]++
			seen++
		}
		for b, n := range bodies {
			if n != len(p.Tasks)/2 {
				t.Errorf("part %d has %d garments of %s", i, n, b.Name)
			}
		}
	}
	if seen != len(p.Tasks) {
		t.Errorf("%d of %d tasks in the parts", seen, len(p.Tasks))
	}
}
