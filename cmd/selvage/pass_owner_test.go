package main

import (
	"bytes"
	"encoding/json"
	"os"
	"path/filepath"
	"reflect"
	"strings"
	"testing"

	"github.com/selvage/selvage/transfer/gltfio"
	"gonum.org/v1/gonum/spatial/r3"
)

// refused runs a command that must fail with one sentence that holds some words, and
// change no file below dir.
func refused(t *testing.T, dir string, args []string, words ...string) {
	t.Helper()
	before := folder(t, dir)
	o := selvage(t, args...)
	oneSentence(t, o)
	for _, w := range words {
		if !strings.Contains(o.stderr, w) {
			t.Errorf("%q is not in %s", w, o.stderr)
		}
	}
	if o.status != exitFailed {
		t.Errorf("status %d, want %d: %s", o.status, exitFailed, o.stderr)
	}
	if !reflect.DeepEqual(folder(t, dir), before) {
		t.Errorf("%v: something was written", args)
	}
}

// edit gives a joint of a weighted file a share of the rows around its first vertex.
func edit(t *testing.T, file string) {
	t.Helper()
	s := rowsOf(t, file)
	if repaint(t, file, s.Joints[s.Rows.Joint[0]].Name, patch(s.Mesh.Positions[0], 0.05, 0.4)) == 0 {
		t.Fatal("nothing is edited")
	}
}

// TestPass_AnotherOutput: a record is that of one output. Another one of the same name is
// refused, here and on a server; one that has moved, alone or with its record, is not.
func TestPass_AnotherOutput(t *testing.T) {
	s := serve(t, nil)
	dir := t.TempDir()
	at := func(parts ...string) string { return filepath.Join(append([]string{dir}, parts...)...) }
	to := func(records, out string, more ...string) []string {
		return append([]string{"transfer", cox("body"), cox("gloves"), "-o", out, "--pass-dir", records}, more...)
	}
	for _, d := range []string{"a", "b"} {
		if err := os.Mkdir(at(d), 0o755); err != nil {
			t.Fatal(err)
		}
	}
	one, two := at("a", "gloves.glb"), at("b", "gloves.glb")
	must(t, to(at("passes"), one, "-q")...)
	edit(t, one)
	for _, more := range [][]string{nil, {"--force"}, {"--server", s.address}} {
		refused(t, dir, to(at("passes"), two, more...), at("passes", "gloves.glb.pass"), "of "+one+" and not of "+two)
	}
	// The same file under another name is the same.
	t.Chdir(at("b"))
	if got := passJSON(t, to(filepath.Join("..", "passes"), filepath.Join("..", "a", "gloves.glb"))...); got.Pass.Edited == 0 {
		t.Errorf("by a relative name: %+v", got.Pass)
	}
	t.Chdir(dir)
	// With a folder of its own the other output goes.
	must(t, to(at("passes2"), two, "-q")...)

	if err := os.Mkdir(at("c"), 0o755); err != nil {
		t.Fatal(err)
	}
	if err := os.Rename(one, at("c", "gloves.glb")); err != nil {
		t.Fatal(err)
	}
	if got := passJSON(t, to(at("passes"), at("c", "gloves.glb"))...); got.Pass.Edited == 0 || got.Pass.New != 0 {
		t.Errorf("moved: %+v", got.Pass)
	}
	must(t, to(at("passes"), one, "-q", "--pass-dir", at("passes3"))...)
	refused(t, dir, to(at("passes"), one), "of "+at("c", "gloves.glb"))
	if err := os.Rename(dir, dir+"-moved"); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { os.RemoveAll(dir + "-moved") })
	dir += "-moved"
	if got := passJSON(t, to(at("passes"), at("c", "gloves.glb"))...); got.Pass.Edited == 0 || got.Pass.New != 0 {
		t.Errorf("moved with its record: %+v", got.Pass)
	}
	refused(t, dir, to(at("passes"), at("a", "gloves.glb")), "of "+at("c", "gloves.glb"))
}

// TestPass_AnotherGarment: another garment than the record's is not written over an
// output, here and on a server, unless its edits are given up; one that was renamed alone
// goes.
func TestPass_AnotherGarment(t *testing.T) {
	s := serve(t, nil)
	dir := t.TempDir()
	out, renamed := filepath.Join(dir, "out.glb"), filepath.Join(dir, "pullover.glb")
	to := func(garment string, more ...string) []string {
		return append([]string{"transfer", cox("body"), garment, "-o", out, "--pass-dir", dir}, more...)
	}
	must(t, to(cox("jersey"), "-q")...)
	edit(t, out)
	refused(t, dir, to(cox("gloves")), "out.glb.pass is the pass record of", "of "+cox("gloves"), "--force")
	refused(t, dir, to(cox("gloves"), "--server", s.address), "--force")
	copyFile(t, cox("jersey"), renamed)
	if got := passJSON(t, to(renamed)...); got.Pass.Edited == 0 || got.Pass.Kept != got.Pass.Edited {
		t.Errorf("renamed: %+v", got.Pass)
	}
	if got := passJSON(t, to(cox("gloves"), "--force")...); !got.Pass.First {
		t.Errorf("by force: %+v", got.Pass)
	}
}

// TestPass_OtherMeshes: a record of other meshes of the garment's or the body's file is
// refused, unless their edits are given up; another glob for the same ones is not.
func TestPass_OtherMeshes(t *testing.T) {
	dir := t.TempDir()
	out, body := filepath.Join(dir, "out.glb"), filepath.Join(dir, "body.glb")
	must(t, "transfer", cox("body"), cox("gloves"), "-o", body, "-q") // weighted, of two materials
	to := func(more ...string) []string {
		return append([]string{"transfer", body, cox("jersey"), "-o", out, "--pass-dir", dir, "--body", "leather"}, more...)
	}
	must(t, to("--garment", "ribbing", "-q")...)
	a, err := os.ReadFile(out)
	if err != nil {
		t.Fatal(err)
	}
	refused(t, dir, to("--garment", "wool"), "--garment ribbing instead of --garment wool", "--force")
	refused(t, dir, to(), "--garment ribbing instead of no --garment", "--force")
	refused(t, dir, append(to("--garment", "ribbing"), "--body", "gauntlet"), "--body leather instead of --body leather --body gauntlet")
	if got := passJSON(t, to("--garment", "rib*")...); got.Pass.First {
		t.Errorf("the same meshes by another glob: %+v", got.Pass)
	}
	b, err := os.ReadFile(out)
	if err != nil || string(a) != string(b) {
		t.Error("the same meshes by another glob give other bytes")
	}
	if got := passJSON(t, to("--garment", "wool", "--force")...); !got.Pass.First {
		t.Errorf("by force: %+v", got.Pass)
	}
	if got := passJSON(t, to("--garment", "wool")...); got.Pass.First {
		t.Errorf("after that: %+v", got.Pass)
	}
	if got := passJSON(t, append(to("--garment", "wool", "--force"), "--body", "gauntlet")...); !got.Pass.First {
		t.Errorf("another body by force: %+v", got.Pass)
	}
}

// TestPass_RecordGone: an output without its record is written over only where its rows
// are the transfer's own, or by force.
func TestPass_RecordGone(t *testing.T) {
	s := serve(t, nil)
	dir := t.TempDir()
	out, records, body := filepath.Join(dir, "gloves.glb"), filepath.Join(dir, "passes"), filepath.Join(dir, "body.glb")
	copyFile(t, cox("body"), body)
	args := []string{"transfer", body, cox("gloves"), "-o", out, "--pass-dir", records}
	gone := func() {
		t.Helper()
		if err := os.RemoveAll(records); err != nil {
			t.Fatal(err)
		}
	}
	must(t, "transfer", body, cox("gloves"), "-o", out, "-q")
	if got := passJSON(t, args...); !got.Pass.First {
		t.Errorf("after a plain transfer: %+v", got.Pass)
	}
	gone()
	if got := passJSON(t, args...); !got.Pass.First {
		t.Errorf("without edits: %+v", got.Pass)
	}
	edit(t, out)
	gone()
	for _, more := range [][]string{nil, {"--server", s.address}} {
		refused(t, dir, append(args, more...), "there is no pass record "+filepath.Join(records, "gloves.glb.pass"), "edits in "+out+" would be lost", "--force")
	}
	if got := passJSON(t, append(args, "--force")...); !got.Pass.First {
		t.Errorf("by force: %+v", got.Pass)
	}
	plain := filepath.Join(t.TempDir(), "gloves.glb")
	must(t, "transfer", body, cox("gloves"), "-o", plain, "-q")
	if string(readFile(t, plain)) != string(readFile(t, out)) {
		t.Error("by force something else comes out than from a plain transfer")
	}
	// Whether the body or an artist changed the rows cannot be told.
	gone()
	repaint(t, body, rowsOf(t, body).Joints[5].Name, func(r3.Vec) float64 { return 0.3 })
	refused(t, dir, args, "would be lost")

	// A garment that is its own output: its first weights may be anybody's, later ones not.
	own := filepath.Join(dir, "own.glb")
	must(t, "transfer", cox("body"), cox("gloves"), "-o", own, "--plain", "-q")
	edit(t, own)
	inPlace := []string{"transfer", body, own, "-o", own, "--pass-dir", records}
	if got := passJSON(t, inPlace...); !got.Pass.First {
		t.Errorf("in place: %+v", got.Pass)
	}
	edit(t, own)
	if err := os.Remove(filepath.Join(records, "own.glb.pass")); err != nil {
		t.Fatal(err)
	}
	refused(t, dir, inPlace, "edits in "+own+" would be lost")
}

// renamed writes an asset whose joints have other names.
func renamed(t *testing.T, from, to string, name func(k int, joint string) string) {
	t.Helper()
	a, err := gltfio.Open(from, gltfio.Options{})
	if err != nil {
		t.Fatal(err)
	}
	done := map[string]bool{}
	data := changedDocument(t, a, func(doc map[string]any) {
		for _, skin := range doc["skins"].([]any) {
			for k, j := range skin.(map[string]any)["joints"].([]any) {
				if n := j.(json.Number); !done[n.String()] {
					done[n.String()] = true
					i, err := n.Int64()
					if err != nil {
						t.Fatal(err)
					}
					node := doc["nodes"].([]any)[i].(map[string]any)
					node["name"] = name(k, node["name"].(string))
				}
			}
		}
	})
	if a, err = gltfio.Parse(data, to, gltfio.Options{}); err != nil {
		t.Fatal(err)
	}
	if _, err := a.Save(to); err != nil {
		t.Fatal(err)
	}
}

// changedDocument is the JSON document of an asset after a change, its buffers within.
func changedDocument(t *testing.T, a *gltfio.Asset, change func(doc map[string]any)) []byte {
	t.Helper()
	var text bytes.Buffer
	if err := a.EncodeJSON(&text); err != nil {
		t.Fatal(err)
	}
	var doc map[string]any
	d := json.NewDecoder(&text)
	d.UseNumber()
	if err := d.Decode(&doc); err != nil {
		t.Fatal(err)
	}
	change(doc)
	data, err := json.Marshal(doc)
	if err != nil {
		t.Fatal(err)
	}
	return data
}

// TestPass_AnotherBody: a record made with a body of other joints is refused, here, on a
// server and by a batch; the next pass of the same body is not, nor one with some joints
// renamed, nor one with all renamed as a joint map says.
func TestPass_AnotherBody(t *testing.T) {
	s := serve(t, nil)
	dir := t.TempDir()
	out, body, records := filepath.Join(dir, "out", "gloves.glb"), filepath.Join(dir, "body.glb"), filepath.Join(dir, "passes")
	garment, manifest := filepath.Join(dir, "gloves.glb"), filepath.Join(dir, "wardrobe.yaml")
	copyFile(t, cox("gloves"), garment)
	copyFile(t, cox("body"), body)
	if err := os.Mkdir(filepath.Dir(out), 0o755); err != nil {
		t.Fatal(err)
	}
	text := "version: 1\nbodies: [{name: cox, file: body.glb}]\ngarments: [{files: gloves.glb}]\noutput: out/{garment}.glb\npasses: passes\n"
	if err := os.WriteFile(manifest, []byte(text), 0o644); err != nil {
		t.Fatal(err)
	}
	args := []string{"transfer", body, garment, "-o", out, "--pass-dir", records}
	must(t, append(args, "-q")...)
	edit(t, out)
	accepted := func(what string, more ...string) {
		t.Helper()
		if got := passJSON(t, append(args, more...)...); got.Pass.First || got.Pass.Edited == 0 || got.Pass.Lost() > 0 {
			t.Errorf("%s: %+v", what, got.Pass)
		}
	}
	repaint(t, body, rowsOf(t, body).Joints[5].Name, func(r3.Vec) float64 { return 0.1 })
	accepted("the next pass of the body")
	third := func(k int, joint string) string {
		if k%3 == 0 && !strings.Contains(joint, "hand") && !strings.Contains(joint, "arm") {
			return "new " + joint
		}
		return joint
	}
	renamed(t, cox("body"), body, third)
	accepted("a third of the joints renamed")

	renamed(t, cox("body"), body, func(_ int, joint string) string { return "other " + joint })
	for _, more := range [][]string{nil, {"--server", s.address}} {
		refused(t, dir, append(args, more...), records, "another body than "+body, "--force")
	}
	before := folder(t, dir)
	o := selvage(t, "batch", manifest)
	if o.status != exitFailed || !strings.Contains(o.stdout+o.stderr, "another body than "+body) || before[out] != folder(t, dir)[out] {
		t.Errorf("batch: status %d: %s%s", o.status, o.stdout, o.stderr)
	}
	accepted("all joints renamed, with a map", "--map-joint", "new *=other *", "--map-joint", "*=other *")
	renamed(t, cox("body"), body, func(_ int, joint string) string { return "third " + joint })
	if got := passJSON(t, append(args, "--force")...); !got.Pass.First {
		t.Errorf("by force: %+v", got.Pass)
	}
}
