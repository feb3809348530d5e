package main

import (
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"reflect"
	"slices"
	"strings"
	"testing"

	"github.com/selvage/selvage/transfer/pass"
	"gonum.org/v1/gonum/spatial/r3"
)

const coxPasses = `version: 1
bodies: [{name: cox, file: body.glb}]
garments:
  - {files: jersey.glb, locks: "near:hand*:0.1", on-conflict: take-new}
  - {files: gloves.glb}
output: out/{garment}.glb
passes: passes
on-conflict: keep-change
conflict-rules: ["joint:none=take-new"]
lock-blend: 0.03
`

// TestBatch_Passes: with passes, locks and rules for conflicts, over two passes of the
// body with edits in between, a batch writes the garments and records of transfer.
func TestBatch_Passes(t *testing.T) {
	dir, file := coxWardrobe(t, coxPasses)
	single := t.TempDir()
	body := filepath.Join(dir, "body.glb")
	transfers := func() {
		t.Helper()
		for garment, more := range map[string][]string{
			"jersey.glb": {"--lock", "near:hand*:0.1", "--on-conflict", "take-new"}, "gloves.glb": {"--on-conflict", "keep-change"},
		} {
			args := []string{"transfer", body, filepath.Join(dir, garment), "-o", filepath.Join(single, "out", garment), "--pass-dir", filepath.Join(single, "passes"), "-q"}
			must(t, append(args, append(more, "--conflict-rule", "joint:none=take-new", "--lock-blend", "0.03")...)...)
		}
	}
	if err := os.Mkdir(filepath.Join(single, "out"), 0o755); err != nil {
		t.Fatal(err)
	}
	var said string
	for round := range 3 {
		transfers()
		if round == 0 {
			if o := must(t, "batch", file, "--top", "1"); !strings.Contains(o.stdout, "2 for the first time") || !strings.Contains(o.stdout, "cox/jersey: the garment has no weights yet") {
				t.Errorf("first run: %s", o.stdout)
			}
		} else {
			said = must(t, "batch", file, "--json").stdout
		}
		for _, name := range []string{"out/jersey.glb", "out/gloves.glb", "passes/jersey.glb.pass", "passes/gloves.glb.pass"} {
			a, b := folder(t, dir)[filepath.Join(dir, name)], folder(t, single)[filepath.Join(single, name)]
			if a == "" || a != b {
				t.Errorf("round %d: %s is not as transfer writes it", round, name)
			}
		}
		if round == 2 {
			break
		}
		for _, d := range []string{dir, single} {
			for _, garment := range []string{"jersey.glb", "gloves.glb"} {
				out := filepath.Join(d, "out", garment)
				s := rowsOf(t, out)
				repaint(t, out, s.Joints[s.Rows.Joint[0]].Name, patch(s.Mesh.Positions[100*round], 0.08, 0.4))
			}
		}
		// An edit alone makes nothing.
		for _, e := range ofKind(events(t, must(t, "batch", file, "--json").stdout), "upToDate") {
			if e["edited"] != true {
				t.Errorf("round %d: the edit is not told: %v", round, e)
			}
		}
		if o := must(t, "batch", file); !strings.Contains(o.stderr, "changed by hand") || !strings.Contains(o.stdout, "2 up to date") || strings.Count(o.stdout, "edited by hand, kept") != 2 {
			t.Errorf("round %d: %s%s", round, o.stdout, o.stderr)
		}
		s := rowsOf(t, body)
		repaint(t, body, s.Joints[2].Name, patch(s.Mesh.Positions[0], 0.6, 0.2))
	}
	made := ofKind(events(t, said), "made")
	if len(made) != 2 {
		t.Fatalf("%d made", len(made))
	}
	locked := 0.0
	for _, e := range made {
		p := e["pass"].(map[string]any)
		if p["edited"].(float64) == 0 || p["dropped"] != nil {
			t.Errorf("pass %v", p)
		}
		locked += p["locked"].(float64)
	}
	if locked == 0 {
		t.Error("nothing is locked")
	}
	before := folder(t, dir)
	must(t, "batch", file, "--force", "-q")
	after := folder(t, dir)
	for name := range before {
		if strings.HasPrefix(filepath.Base(name), ".") {
			delete(before, name) // the state, with its times
		}
	}
	for name := range after {
		if _, ok := before[name]; !ok {
			delete(after, name)
		}
	}
	if !reflect.DeepEqual(before, after) {
		t.Error("running again changes a file")
	}
	// The table says what became of the edits.
	if o := must(t, "batch", file, "--force"); !strings.Contains(o.stdout, "in conflict") || !strings.Contains(o.stdout, "cox/gloves") {
		t.Errorf("no table of edits: %s", o.stdout)
	}
}

// TestFarm_Passes: five passes of the body with an edit after each. A batch here, on a
// farm and on a server's farm write the same garments and records, and no edit is lost.
func TestFarm_Passes(t *testing.T) {
	store := t.TempDir()
	s := serve(t, nil, "--farm", "--farm-folder", store)
	startWorker(t, "--farm-folder", store)
	places := [][]string{nil, {"--farm", "--farm-folder", store}, {"--server", s.address}}
	dirs, files := make([]string, len(places)), make([]string, len(places))
	for k := range places {
		dirs[k], files[k] = coxWardrobe(t, coxPasses)
	}
	edits := map[int32]bool{}
	for round := range 6 {
		for k, place := range places {
			for _, e := range ofKind(events(t, must(t, append([]string{"batch", files[k], "--json"}, place...)...).stdout), "made") {
				p := e["pass"].(map[string]any)
				if p["dropped"] != nil || round > 0 && e["garment"] == "gloves" && p["new"] == 0.0 {
					t.Errorf("round %d, place %d: %v", round, k, p)
				}
			}
			for _, name := range []string{"out/jersey.glb", "out/gloves.glb", "passes/jersey.glb.pass", "passes/gloves.glb.pass"} {
				if a, b := folder(t, dirs[0])[filepath.Join(dirs[0], name)], folder(t, dirs[k])[filepath.Join(dirs[k], name)]; a == "" || a != b {
					t.Errorf("round %d, place %d: %s is not as here", round, k, name)
				}
			}
		}
		if round == 0 {
			for k, d := range dirs {
				elsewhere := filepath.Join(d, "gloves.glb.other", "gloves.glb")
				if err := os.MkdirAll(filepath.Dir(elsewhere), 0o755); err != nil {
					t.Fatal(err)
				}
				refused(t, d, []string{"transfer", filepath.Join(d, "body.glb"), filepath.Join(d, "gloves.glb"), "-o", elsewhere, "--pass-dir", filepath.Join(d, "passes")}, "of "+filepath.Join(d, "out", "gloves.glb")+" and not of "+elsewhere)
				other := filepath.Join(d, "other.yaml")
				if err := os.WriteFile(other, []byte(strings.Replace(coxPasses, "out/", "other/", 1)), 0o644); err != nil {
					t.Fatal(err)
				}
				if o := selvage(t, append([]string{"batch", other}, places[k]...)...); o.status != exitFailed || !strings.Contains(o.stdout+o.stderr, "and not of "+filepath.Join(d, "other", "gloves.glb")) {
					t.Errorf("place %d: another output of the same record: status %d: %s%s", k, o.status, o.stdout, o.stderr)
				}
			}
		}
		r, _, err := readRecord(filepath.Join(dirs[0], "passes", "gloves.glb.pass"))
		if err != nil {
			t.Fatal(err)
		}
		live := map[int32]bool{}
		for _, v := range r.Edits.Vertex {
			live[v] = true
		}
		for v := range edits {
			if !live[v] {
				t.Fatalf("round %d: the edit of vertex %d is lost", round, v)
			}
		}
		edits = live
		if round == 5 {
			break
		}
		for _, d := range dirs {
			out, body := filepath.Join(d, "out", "gloves.glb"), filepath.Join(d, "body.glb")
			s := rowsOf(t, out)
			repaint(t, out, s.Joints[s.Rows.Joint[0]].Name, patch(s.Mesh.Positions[37*round], 0.03, 0.4))
			b := rowsOf(t, body)
			repaint(t, body, b.Joints[3].Name, patch(s.Mesh.Positions[0], 0.3, 0.02))
		}
	}
	if len(edits) < 20 {
		t.Errorf("%d edits: it checks little", len(edits))
	}
}

// TestFarm_Layers: with layers, given and found, and edits of an inner garment a batch
// writes what transfer --layers writes, here and on a farm.
func TestFarm_Layers(t *testing.T) {
	store := t.TempDir()
	s := serve(t, nil, "--farm", "--farm-folder", store)
	startWorker(t, "--farm-folder", store)
	manifest := strings.Replace(coxPasses, "passes: passes", "passes: passes\nlayers: [gloves, jersey]", 1)
	manifest = strings.NewReplacer(`, locks: "near:hand*:0.1", on-conflict: take-new`, "", "on-conflict: keep-change\n", "", `conflict-rules: ["joint:none=take-new"]`+"\n", "", "lock-blend: 0.03\n", "").Replace(manifest)
	single := t.TempDir()
	places := [][]string{nil, {"--farm", "--farm-folder", store}, {"--server", s.address}}
	dirs, files := make([]string, len(places)), make([]string, len(places))
	for k := range places {
		dirs[k], files[k] = coxWardrobe(t, manifest)
	}
	for round := range 3 {
		must(t, "transfer", filepath.Join(dirs[0], "body.glb"), cox("gloves"), cox("jersey"), "-o", filepath.Join(single, "out"), "--pass-dir", filepath.Join(single, "passes"), "--layers", "given", "-q")
		for k, place := range places {
			must(t, append([]string{"batch", files[k], "-q"}, place...)...)
			for _, name := range []string{"out/jersey.glb", "out/gloves.glb", "passes/jersey.glb.pass", "passes/gloves.glb.pass"} {
				got := folder(t, dirs[k])[filepath.Join(dirs[k], name)]
				if got == "" || got != folder(t, dirs[0])[filepath.Join(dirs[0], name)] {
					t.Errorf("round %d, place %d: %s is not as here", round, k, name)
				}
				// An edit of the gloves alone makes no gloves in a batch: the jersey lies over
				// the artist's own, and the records tell of them in the next pass. transfer writes
				// them anew.
				if round == 1 || round == 2 && strings.HasSuffix(name, ".pass") {
					continue
				}
				if got != folder(t, single)[filepath.Join(single, name)] {
					t.Errorf("round %d, place %d: %s is not as transfer writes it", round, k, name)
				}
			}
		}
		for _, d := range append(dirs, single) {
			if round == 2 {
				break
			}
			if round == 0 { // of the inner garment alone
				g := filepath.Join(d, "out", "gloves.glb")
				s := rowsOf(t, g)
				repaint(t, g, s.Joints[s.Rows.Joint[0]].Name, patch(s.Mesh.Positions[11], 0.03, 0.4))
			} else if d != single {
				b := rowsOf(t, filepath.Join(d, "body.glb"))
				repaint(t, filepath.Join(d, "body.glb"), b.Joints[3].Name, patch(b.Mesh.Positions[0], 0.3, 0.02))
			}
		}
	}
	// Found: as transfer finds them.
	dir, file := coxWardrobe(t, "version: 1\nbodies: [{name: cox, file: body.glb}]\ngarments: [{files: [gloves.glb, jersey.glb]}]\noutput: out/{garment}.glb\nlayers: found\n")
	want := t.TempDir()
	must(t, "transfer", cox("body"), cox("gloves"), cox("jersey"), "-o", want, "--layers", "found", "-q")
	must(t, "batch", file, "-q")
	for _, name := range []string{"gloves.glb", "jersey.glb"} {
		if a, b := folder(t, want)[filepath.Join(want, name)], folder(t, filepath.Join(dir, "out"))[filepath.Join(dir, "out", name)]; a == "" || a != b {
			t.Errorf("%s with layers found is not as transfer writes it", name)
		}
	}
}

// TestPass_Reports: after a pass with edits and conflicts the pages of transfer, batch
// and report have the table of edits, the conflicts and the difference.
func TestPass_Reports(t *testing.T) {
	dir, file := coxWardrobe(t, strings.Replace(coxPasses, "lock-blend: 0.03\n", "report: out/cox.html\n", 1))
	out, single := filepath.Join(dir, "out", "gloves.glb"), t.TempDir()
	transfers := []string{"transfer", filepath.Join(dir, "body.glb"), cox("gloves"), "-o", filepath.Join(single, "gloves.glb"), "--pass-dir", single, "--report", filepath.Join(single, "transfer.html"), "-q"}
	must(t, transfers...)
	must(t, "batch", file, "-q")
	for _, f := range []string{out, filepath.Join(single, "gloves.glb")} {
		s := rowsOf(t, f)
		repaint(t, f, s.Joints[s.Rows.Joint[0]].Name, patch(s.Mesh.Positions[0], 0.05, 0.1))
	}
	b := rowsOf(t, filepath.Join(dir, "body.glb"))
	repaint(t, filepath.Join(dir, "body.glb"), b.Joints[5].Name, patch(rowsOf(t, out).Mesh.Positions[0], 0.3, 0.3))
	must(t, transfers...)
	must(t, "batch", file, "-q")
	must(t, "report", filepath.Join(dir, "body.glb"), out, filepath.Join(dir, "out", "jersey.glb"), "--pass-dir", filepath.Join(dir, "passes"), "-o", filepath.Join(single, "report.html"), "-q")
	for _, page := range []string{filepath.Join(single, "transfer.html"), filepath.Join(dir, "out", "cox.html"), filepath.Join(single, "report.html")} {
		data, err := os.ReadFile(page)
		if err != nil {
			t.Fatal(err)
		}
		text := string(data)
		for _, want := range []string{"Edits since the last pass", "Conflicts on gloves", `class="contest"`, `class="edited"`, `"difference":true`, "keep-"} {
			if !strings.Contains(text, want) {
				t.Errorf("%s has no %q", filepath.Base(page), want)
			}
		}
	}
	o := selvage(t, "report", filepath.Join(dir, "body.glb"), out, "-o", filepath.Join(single, "x.html"), "--pass-dir", filepath.Join(dir, "nowhere"))
	oneSentence(t, o)
	if o.status != exitUsage {
		t.Errorf("status %d: %s", o.status, o.stderr)
	}
}

// TestPass_LayersServer: passes, locks and layers together: a server writes the same
// garments and records as this machine.
func TestPass_LayersServer(t *testing.T) {
	s := serve(t, nil)
	dirs := [2]string{t.TempDir(), t.TempDir()}
	body := filepath.Join(t.TempDir(), "body.glb")
	copyFile(t, cox("body"), body)
	for round := range 3 {
		var said [2]string
		for k, where := range [][]string{nil, {"--server", s.address}} {
			args := []string{"transfer", body, cox("gloves"), cox("jersey"), "-o", dirs[k] + "/", "--pass-dir", filepath.Join(dirs[k], "passes"),
				"--layers", "given", "--lock", "near:hand*:0.1", "--lock-blend", "0.02", "--on-conflict", "keep-change", "--json"}
			said[k] = withoutTimes(t, must(t, append(args, where...)...).stdout)
		}
		for _, name := range []string{"gloves.glb", "jersey.glb", "passes/gloves.glb.pass", "passes/jersey.glb.pass"} {
			if a, b := folder(t, dirs[0])[filepath.Join(dirs[0], name)], folder(t, dirs[1])[filepath.Join(dirs[1], name)]; a == "" || a != b {
				t.Errorf("round %d: %s from the server differs", round, name)
			}
		}
		if a, b := strings.ReplaceAll(said[0], dirs[0], ""), strings.ReplaceAll(said[1], dirs[1], ""); a != b {
			t.Errorf("round %d: summaries differ:\n%s\n%s", round, a, b)
		}
		for _, d := range dirs {
			jersey := filepath.Join(d, "jersey.glb")
			w := rowsOf(t, jersey)
			repaint(t, jersey, w.Joints[w.Rows.Joint[0]].Name, patch(w.Mesh.Positions[200*round], 0.1, 0.4))
		}
		b := rowsOf(t, body)
		repaint(t, body, b.Joints[3].Name, patch(b.Mesh.Positions[0], 0.5, 0.1))
	}
}

// TestBatch_AllConflicts: a batch lists the conflicts that transfer lists, however many;
// a farm's, and what is up to date, the worst that the record has, with the number of
// the rest.
func TestBatch_AllConflicts(t *testing.T) {
	const manifest = "version: 1\nbodies: [{name: cox, file: body.glb}]\ngarments: [{files: [gloves.glb, jersey.glb]}]\noutput: out/{garment}.glb\npasses: passes\n"
	store := t.TempDir()
	s := serve(t, nil, "--farm", "--farm-folder", store)
	startWorker(t, "--farm-folder", store)
	single := t.TempDir()
	places := [][]string{nil, {"--server", s.address}, nil}
	dirs, files := make([]string, len(places)), make([]string, len(places))
	for k := range places {
		dirs[k], files[k] = coxWardrobe(t, manifest)
	}
	body := filepath.Join(single, "body.glb")
	copyFile(t, cox("body"), body)
	garments := []string{"gloves", "jersey"}
	args := []string{"transfer", body, cox("gloves"), cox("jersey"), "-o", filepath.Join(single, "out"), "--pass-dir", filepath.Join(single, "passes")}
	must(t, append(args, "-q")...)
	for k, place := range places {
		must(t, append([]string{"batch", files[k], "-q"}, place...)...)
	}
	for _, d := range append(dirs, single) {
		for _, g := range garments {
			out := filepath.Join(d, "out", g+".glb")
			r := rowsOf(t, out)
			repaint(t, out, r.Joints[r.Rows.Joint[0]].Name, func(p r3.Vec) float64 {
				if g == "gloves" && p.X < 0 {
					return 0 // one of them
				}
				return 0.1
			})
		}
		b := filepath.Join(d, "body.glb")
		repaint(t, b, rowsOf(t, b).Joints[5].Name, func(r3.Vec) float64 { return 0.5 })
	}
	var told []passSummary
	if err := json.Unmarshal([]byte(must(t, append(args, "--json")...).stdout), &told); err != nil || len(told) != 2 {
		t.Fatal(err)
	}
	want := map[string][]pass.Conflict{}
	for k, g := range garments {
		want[g] = told[k].Pass.Conflicts
	}
	if few, many := len(want["gloves"]), len(want["jersey"]); few <= 200 || few > pass.RecordedConflicts || many <= pass.RecordedConflicts {
		t.Fatalf("%d and %d conflicts: it checks little", few, many)
	}
	// conflicts of the events of one kind, by garment, and how many were left out.
	conflicts := func(kind, out string) (map[string][]pass.Conflict, map[string]int) {
		t.Helper()
		lists, left := map[string][]pass.Conflict{}, map[string]int{}
		for line := range strings.Lines(out) {
			var e struct {
				Event, Garment   string
				Pass             pass.Summary
				ConflictsLeftOut int
			}
			if err := json.Unmarshal([]byte(line), &e); err != nil {
				t.Fatal(err)
			}
			if e.Event == kind {
				lists[e.Garment], left[e.Garment] = e.Pass.Conflicts, e.ConflictsLeftOut
			}
		}
		return lists, left
	}
	for k, x := range []struct {
		name, kind string
		bounded    bool
	}{{"made here", "made", false}, {"made on a farm", "made", true}, {"up to date", "upToDate", true}} {
		if x.kind == "upToDate" {
			o := must(t, "batch", files[k])
			for g, how := range map[string]string{"gloves": "lists all", "jersey": fmt.Sprintf("lists the %d worst", pass.RecordedConflicts)} {
				if line := fmt.Sprintf("cox/%s: and %d more conflicts; --json %s\n", g, len(want[g])-conflictRows, how); !strings.Contains(o.stdout, line) {
					t.Errorf("%s: no %q: %s", x.name, line, o.stdout)
				}
			}
		}
		got, left := conflicts(x.kind, must(t, append([]string{"batch", files[k], "--json"}, places[k]...)...).stdout)
		for _, g := range garments {
			list := want[g]
			if all := (&pass.Summary{Conflicts: list}); x.bounded && len(list) > pass.RecordedConflicts {
				list = all.WorstConflicts(pass.RecordedConflicts)
			}
			if !slices.Equal(got[g], list) || left[g] != len(want[g])-len(list) {
				t.Errorf("%s, %s: %d conflicts and %d left out, want %d of %d", x.name, g, len(got[g]), left[g], len(list), len(want[g]))
			}
		}
	}
}
