package main

import (
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/selvage/selvage/api/convert"
	"github.com/selvage/selvage/transfer/gltfio"
	"github.com/selvage/selvage/transfer/mesh"
	"github.com/selvage/selvage/transfer/weights"
)

// withDocument changes the JSON document of an asset's file.
func withDocument(t *testing.T, file string, change func(doc map[string]any)) {
	t.Helper()
	a, err := gltfio.Open(file, gltfio.Options{})
	if err != nil {
		t.Fatal(err)
	}
	if a, err = gltfio.Parse(changedDocument(t, a, change), file, gltfio.Options{}); err != nil {
		t.Fatal(err)
	}
	if _, err := a.Save(file); err != nil {
		t.Fatal(err)
	}
}

// callMeshes gives the mesh of a file, and its node, another name.
func callMeshes(t *testing.T, file, name string) {
	t.Helper()
	withDocument(t, file, func(doc map[string]any) {
		for _, n := range doc["nodes"].([]any) {
			if n := n.(map[string]any); n["mesh"] != nil {
				n["name"] = name
			}
		}
		for _, m := range doc["meshes"].([]any) {
			m.(map[string]any)["name"] = name
		}
	})
}

// TestPass_MeshesRenamed: with --garment, edits in an output whose mesh another program
// has renamed are carried over as without a new name, here, on a server and in a batch;
// and so they are when the garment's own file calls the mesh otherwise by now.
func TestPass_MeshesRenamed(t *testing.T) {
	s := serve(t, nil)
	for _, x := range []struct {
		name, own, artist string
		more              []string
	}{
		{"not renamed", "jersey", "jersey", nil},
		{"artist", "jersey", "jersey.001", nil},
		{"artist, on a server", "jersey", "jersey.001", []string{"--server", s.address}},
		{"own file", "jersey_v2", "jersey", nil},
		{"own file, on a server", "jersey_v2", "jersey", []string{"--server", s.address}},
		{"both", "jersey_v2", "pullover", nil},
	} {
		dir := t.TempDir()
		garment, out := filepath.Join(dir, "jersey.glb"), filepath.Join(dir, "out.glb")
		copyFile(t, cox("jersey"), garment)
		args := []string{"transfer", cox("body"), garment, "-o", out, "--pass-dir", dir}
		must(t, append(args, "--garment", "jersey", "-q")...)
		edit(t, out)
		want := rowsOf(t, out)
		callMeshes(t, out, x.artist)
		callMeshes(t, garment, x.own)
		got := passJSON(t, append(append(args, "--garment", x.own), x.more...)...).Pass
		if got.Edited == 0 || got.Kept != got.Edited || got.Edited != got.New || len(got.Notes) > 0 {
			t.Errorf("%s: %+v", x.name, got)
		}
		now := rowsOf(t, out)
		for v := range want.Mesh.Positions {
			if now.Rows.DistanceL1(v, want.Rows, v) > 1e-5 {
				t.Fatalf("%s: vertex %d has another row than the artist's", x.name, v)
			}
		}
		if now.Parts[0].Name != want.Parts[0].Name && x.own == "jersey" || !strings.HasPrefix(now.Parts[0].Name, x.own) {
			t.Errorf("%s: the output calls its mesh %s", x.name, now.Parts[0].Name)
		}
	}
}

// TestPass_MeshesRenamedLost: without its record too an output with a renamed mesh is
// told from the transfer's own, and by force it is written over.
func TestPass_MeshesRenamedLost(t *testing.T) {
	dir := t.TempDir()
	out, records := filepath.Join(dir, "out.glb"), filepath.Join(dir, "passes")
	args := []string{"transfer", cox("body"), cox("jersey"), "-o", out, "--pass-dir", records, "--garment", "jersey"}
	must(t, append(args, "-q")...)
	callMeshes(t, out, "jersey.001")
	gone := func() {
		if err := os.RemoveAll(records); err != nil {
			t.Fatal(err)
		}
	}
	gone()
	if got := passJSON(t, args...).Pass; !got.First {
		t.Errorf("without edits: %+v", got)
	}
	edit(t, out)
	callMeshes(t, out, "jersey.001")
	gone()
	refused(t, dir, args, "edits in "+out+" would be lost")
	if got := passJSON(t, append(args, "--force")...).Pass; !got.First {
		t.Errorf("by force: %+v", got)
	}
}

// TestMerge_MeshesRenamed: merge finds the renamed meshes of both files, and the output's
// are called as in the new one.
func TestMerge_MeshesRenamed(t *testing.T) {
	s := serve(t, nil)
	dir := t.TempDir()
	out, fresh, merged := filepath.Join(dir, "out.glb"), filepath.Join(dir, "new.glb"), filepath.Join(dir, "merged.glb")
	must(t, "transfer", cox("body"), cox("jersey"), "-o", out, "--pass-dir", dir, "--garment", "jers?y", "-q")
	first := rowsOf(t, out).Parts[0].Name
	copyFile(t, out, fresh)
	edit(t, out)
	want := ""
	for _, x := range []struct{ artist, fresh string }{{first, first}, {"jersey.001", first}, {first, "jersey_v2"}, {"jersey.001", "jersey_v2"}, {"pullover", "jumper"}, {first, ""}} {
		callMeshes(t, out, x.artist)
		callMeshes(t, fresh, x.fresh)
		for _, more := range [][]string{nil, {"--server", s.address}} {
			o := must(t, append([]string{"merge", out + ".pass", out, fresh, "-o", merged, "--json"}, more...)...)
			if want == "" {
				want = o.stdout
			}
			if o.stdout != want || !strings.Contains(o.stdout, `"kept"`) || strings.Contains(o.stdout, `"edited": 0`) {
				t.Errorf("artist %q, new %q, %v: %s", x.artist, x.fresh, more, o.stdout)
			}
			a, err := gltfio.Open(merged, gltfio.Options{})
			if err != nil {
				t.Fatal(err)
			}
			for _, p := range a.Primitives() {
				if p.Node != x.fresh || p.Mesh != x.fresh {
					t.Errorf("artist %q, new %q, %v: the output has the node %q and the mesh %q", x.artist, x.fresh, more, p.Node, p.Mesh)
				}
			}
		}
	}
	// Without a name nothing is written but what was there.
	withDocument(t, merged, func(doc map[string]any) {
		for _, n := range doc["nodes"].([]any) {
			if n := n.(map[string]any); n["mesh"] != nil && n["name"] != nil {
				t.Errorf("the nameless node is called %q", n["name"])
			}
		}
	})
}

// TestPass_ArtistLeftAside: what of the artist's file is not held for the garment, so
// that edits in it are not carried over, is said.
func TestPass_ArtistLeftAside(t *testing.T) {
	dir := t.TempDir()
	garment, out := filepath.Join(dir, "jersey.glb"), filepath.Join(dir, "out.glb")
	copyFile(t, cox("jersey"), garment)
	args := []string{"transfer", cox("body"), garment, "-o", out, "--pass-dir", dir, "--garment", "jersey"}
	must(t, append(args, "-q")...)
	made := filepath.Join(dir, "made.glb")
	copyFile(t, out, made)
	for _, x := range []struct {
		name, note string
		artist     func()
	}{
		{"as it was", "", func() { copyFile(t, made, out) }},
		{"without weights", "has no weights: the edits are those of the record", func() { copyFile(t, garment, out) }},
		{"not there", "", func() {
			if err := os.Remove(out); err != nil {
				t.Fatal(err)
			}
		}},
		{"not there, and the garment's file has other weights", "most rows of", func() {
			copyFile(t, made, garment)
			s := rowsOf(t, garment)
			repaint(t, garment, s.Joints[3].Name, patch(s.Mesh.Positions[0], 9, 0.6))
			if err := os.Remove(out); err != nil {
				t.Fatal(err)
			}
		}},
	} {
		x.artist()
		got := passJSON(t, args...).Pass
		if notes := strings.Join(got.Notes, "; "); got.Edited != 0 || !strings.Contains(notes, x.note) || (x.note == "") != (notes == "") {
			t.Errorf("%s: %d edits, notes %q, want %q", x.name, got.Edited, notes, x.note)
		}
	}
}

// TestBatch_MeshesRenamed: the same in a batch, here and on a farm.
func TestBatch_MeshesRenamed(t *testing.T) {
	store := t.TempDir()
	for _, place := range [][]string{nil, {"--farm", "--farm-folder", store}} {
		manifest := `version: 1
bodies: [{name: cox, file: body.glb}]
garments: [{files: jersey.glb, meshes: [jersey]}]
output: out/{garment}.glb
passes: passes
`
		dir, file := coxWardrobe(t, manifest)
		out, body := filepath.Join(dir, "out", "jersey.glb"), filepath.Join(dir, "body.glb")
		must(t, append([]string{"batch", file, "-q"}, place...)...)
		edit(t, out)
		callMeshes(t, out, "jersey.001")
		b := rowsOf(t, body)
		repaint(t, body, b.Joints[3].Name, patch(b.Mesh.Positions[0], 0.3, 0.02))
		made := ofKind(events(t, must(t, append([]string{"batch", file, "--json"}, place...)...).stdout), "made")
		if len(made) != 1 {
			t.Fatalf("%v: %d made", place, len(made))
		}
		if p := made[0]["pass"].(map[string]any); p["new"].(float64) == 0 || p["dropped"] != nil {
			t.Errorf("%v: %v", place, p)
		}
	}
}

// TestPass_OneOfMeshesRenamed: of several meshes one is renamed, and a copy lies over
// another: edits in both are found, those in the copy and in another garment are not.
func TestPass_OneOfMeshesRenamed(t *testing.T) {
	dir := t.TempDir()
	garment, out := filepath.Join(dir, "jersey.glb"), filepath.Join(dir, "out.glb")
	copyFile(t, cox("jersey"), garment)
	// Each primitive a mesh of its own, and the first of them thrice.
	split := func(doc map[string]any) {
		nodes, meshes := doc["nodes"].([]any), doc["meshes"].([]any)
		for i, n := range nodes {
			n := n.(map[string]any)
			if n["mesh"] == nil {
				continue
			}
			parts := meshes[0].(map[string]any)["primitives"].([]any)
			if len(parts) != 2 {
				t.Fatalf("%d primitives", len(parts))
			}
			meshes = nil
			var more []any
			for k, p := range parts {
				name := fmt.Sprintf("jersey %d", k)
				meshes = append(meshes, map[string]any{"name": name, "primitives": []any{p}})
				node := map[string]any{}
				for key, x := range n {
					node[key] = x
				}
				node["name"], node["mesh"] = name, k
				more = append(more, node)
			}
			nodes[i] = more[0]
			doc["nodes"], doc["meshes"] = append(nodes, more[1]), meshes
			scene := doc["scenes"].([]any)[0].(map[string]any)
			scene["nodes"] = append(scene["nodes"].([]any), len(nodes))
			return
		}
	}
	withDocument(t, garment, split)
	args := []string{"transfer", cox("body"), garment, "-o", out, "--pass-dir", dir, "--garment", "jersey *"}
	must(t, append(args, "-q")...)
	s := rowsOf(t, out)
	if len(s.Parts) != 2 {
		t.Fatalf("parts %v", s.Parts)
	}
	edited := 0
	second := s.Mesh.Positions[s.Parts[1].Start]
	repaint(t, out, s.Joints[s.Rows.Joint[0]].Name, patch(second, 0.05, 0.4))
	now := rowsOf(t, out)
	for v := s.Parts[1].Start; v < s.Parts[1].End; v++ {
		if now.Rows.DistanceL1(v, s.Rows, v) > 0.01 {
			edited++
		}
	}
	if edited == 0 {
		t.Fatal("nothing of the second mesh is edited")
	}
	withDocument(t, out, func(doc map[string]any) {
		nodes, meshes := doc["nodes"].([]any), doc["meshes"].([]any)
		for _, list := range [][]any{nodes, meshes} {
			for _, x := range list {
				if x := x.(map[string]any); x["name"] == "jersey 1" {
					x["name"] = "hem"
				}
			}
		}
		for _, n := range nodes {
			n := n.(map[string]any)
			if n["name"] != "jersey 0" {
				continue
			}
			node := map[string]any{"name": "copy", "mesh": len(meshes), "skin": n["skin"]}
			doc["meshes"] = append(meshes, map[string]any{"name": "copy", "primitives": meshes[0].(map[string]any)["primitives"]})
			scene := doc["scenes"].([]any)[0].(map[string]any)
			scene["nodes"] = append(scene["nodes"].([]any), len(nodes))
			doc["nodes"] = append(nodes, node)
			break
		}
	})
	if got := rowsOf(t, out); len(got.Parts) != 3 {
		t.Fatalf("parts %v", got.Parts)
	}
	// The record of a garment that had a few of the second mesh's vertices alone: it is
	// taken for another mesh, and that is said.
	whole, packed, err := readRecord(out + ".pass")
	if err != nil {
		t.Fatal(err)
	}
	few := *whole
	n := s.Parts[1].Start + 5
	few.Mesh = &mesh.Mesh{Positions: whole.Mesh.Positions[:n]}
	for _, c := range whole.Mesh.Triangles {
		if int(max(c[0], c[1], c[2])) < n {
			few.Mesh.Triangles = append(few.Mesh.Triangles, c)
		}
	}
	end := whole.Rows.Start[n]
	few.Rows = &weights.Rows{Start: whole.Rows.Start[:n+1], Joint: whole.Rows.Joint[:end], Weight: whole.Rows.Weight[:end]}
	short, err := convert.PackPass(&few)
	if err != nil {
		t.Fatal(err)
	}
	keep := filepath.Join(dir, "keep.glb")
	copyFile(t, out, keep)
	for _, x := range []struct {
		record []byte
		note   string
	}{{short, "the mesh hem, ribbing is taken for another one than the garment's"}, {packed, ""}} {
		copyFile(t, keep, out)
		if err := os.WriteFile(out+".pass", x.record, 0o644); err != nil {
			t.Fatal(err)
		}
		got := passJSON(t, args...).Pass
		if notes := strings.Join(got.Notes, "; "); !strings.Contains(notes, x.note) || (x.note == "") != (notes == "") {
			t.Errorf("notes %q, want %q", notes, x.note)
		}
		if x.note == "" && (got.New < edited || got.Kept != got.Edited) {
			t.Errorf("%d rows of the second mesh were edited: %+v", edited, got)
		}
	}
}
