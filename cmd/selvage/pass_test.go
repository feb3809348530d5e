package main

import (
	"context"
	"encoding/json"
	"math"
	"os"
	"path/filepath"
	"reflect"
	"slices"
	"strings"
	"testing"

	"github.com/selvage/selvage/transfer"
	"github.com/selvage/selvage/transfer/gltfio"
	"github.com/selvage/selvage/transfer/pass"
	"github.com/selvage/selvage/transfer/skinning"
	"github.com/selvage/selvage/transfer/weights"
	"gonum.org/v1/gonum/spatial/r3"
)

// repaint changes rows of a weighted file in place, as an artist's program would
// by hand: share says how much of vertex v's row goes to joint.
func repaint(t *testing.T, file, joint string, share func(p r3.Vec) float64) (edited int) {
	t.Helper()
	a, err := gltfio.Open(file, gltfio.Options{})
	if err != nil {
		t.Fatal(err)
	}
	s, read, err := pass.ReadSurface(context.Background(), a, gltfio.Selection{})
	if err != nil {
		t.Fatal(err)
	}
	to := -1
	for j := range s.Joints {
		if s.Joints[j].Name == joint {
			to = j
		}
	}
	if to < 0 {
		t.Fatalf("%s has no joint %s", file, joint)
	}
	acc, rows := weights.NewAccumulator(len(s.Joints)), weights.NewRows(0)
	for v, p := range s.Mesh.Positions {
		x := share(p)
		acc.AddRow(s.Rows, v, 1-x)
		if x > 0 {
			acc.Add(uint16(to), x)
			edited++
		}
		acc.FlushNormalised(rows)
	}
	if rows, _, err = weights.Finish(rows, weights.FinishOptions{MaxInfluences: 4}); err != nil {
		t.Fatal(err)
	}
	out := gltfio.Output{Rows: rows, Kept: read.JointNode}
	b, _, err := a.WithRows(read, a, &gltfio.Surface{Mesh: read.Mesh, Skin: &skinning.Skin{Name: read.Skin.Name}}, out)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := b.Save(file); err != nil {
		t.Fatal(err)
	}
	return edited
}

// patch is a smooth bump of height h and radius r around c.
func patch(c r3.Vec, r, h float64) func(p r3.Vec) float64 {
	return func(p r3.Vec) float64 {
		d := r3.Norm(r3.Sub(p, c)) / r
		if d >= 1 {
			return 0
		}
		return h * (1 - d*d)
	}
}

// rowsOf reads a weighted file.
func rowsOf(t *testing.T, file string) *pass.Surface {
	t.Helper()
	a, err := gltfio.Open(file, gltfio.Options{})
	if err != nil {
		t.Fatal(err)
	}
	s, _, err := pass.ReadSurface(context.Background(), a, gltfio.Selection{})
	if err != nil {
		t.Fatal(err)
	}
	return s
}

type passSummary struct {
	transfer.Summary
	Pass pass.Summary `json:"pass"`
}

func passJSON(t *testing.T, args ...string) passSummary {
	t.Helper()
	var list []passSummary
	d := json.NewDecoder(strings.NewReader(must(t, append(args, "--json")...).stdout))
	d.DisallowUnknownFields()
	if err := d.Decode(&list); err != nil || len(list) != 1 {
		t.Fatalf("%d summaries, %v", len(list), err)
	}
	return list[0]
}

func copyFile(t *testing.T, from, to string) {
	t.Helper()
	data, err := os.ReadFile(from)
	if err == nil {
		err = os.WriteFile(to, data, 0o644)
	}
	if err != nil {
		t.Fatal(err)
	}
}

// TestPass_Laws: the first pass writes what a plain transfer writes; nothing
// changed is a no-op, byte for byte in both files; edits and an unchanged body give
// the edits, bit for bit; and a changed body keeps them.
func TestPass_Laws(t *testing.T) {
	dir := t.TempDir()
	out, records := filepath.Join(dir, "coat.glb"), filepath.Join(dir, "passes")
	body := filepath.Join(dir, "body.glb")
	copyFile(t, cox("body"), body)
	args := []string{"transfer", body, cox("oilskin-coat"), "-o", out, "--pass-dir", records}

	plain := filepath.Join(dir, "plain.glb")
	must(t, "transfer", body, cox("oilskin-coat"), "-o", plain, "-q")
	if s := passJSON(t, args...); !s.Pass.First || s.Pass.Edited != 0 {
		t.Errorf("first pass: %+v", s.Pass)
	}
	if a, b := folder(t, dir)[plain], folder(t, dir)[out]; a != b {
		t.Error("the first pass does not write what a plain transfer writes")
	}
	unchanged := func(what string) {
		t.Helper()
		before := folder(t, dir)
		must(t, append(args, "-q")...)
		if !reflect.DeepEqual(folder(t, dir), before) {
			t.Errorf("%s: running again changes a file", what)
		}
	}
	unchanged("without edits")

	// An artist's edit of the chest.
	s := rowsOf(t, out)
	chest := s.Mesh.Positions[0]
	for _, p := range s.Mesh.Positions { // the foremost point at two thirds of its height
		if math.Abs(p.Y-1.25) < 0.1 && p.Z > chest.Z {
			chest = p
		}
	}
	joint := s.Joints[s.Rows.Joint[0]].Name
	n := repaint(t, out, joint, patch(chest, 0.12, 0.5))
	artist := rowsOf(t, out)
	sum := passJSON(t, args...)
	if n == 0 || sum.Pass.New != sum.Pass.Edited || sum.Pass.Kept < sum.Pass.Edited || sum.Pass.Edited < n*8/10 || sum.Pass.Edited > n || sum.Pass.Lost() != 0 || sum.Pass.Conflict != 0 {
		t.Fatalf("painted %d vertices: %+v", n, sum.Pass)
	}
	if sum.Reasons[transfer.ReasonKeptEdit.Name()] != sum.Pass.Kept {
		t.Errorf("reasons %v, kept %d", sum.Reasons, sum.Pass.Kept)
	}
	got, was := rowsOf(t, out), rowsOf(t, plain)
	for v := range artist.Mesh.Positions {
		want := artist
		if artist.Rows.DistanceL1(v, was.Rows, v) < 1e-4 {
			want = was
		}
		ja, wa := want.Rows.Row(v)
		jb, wb := got.Rows.Row(v)
		if !reflect.DeepEqual(ja, jb) || !reflect.DeepEqual(wa, wb) {
			t.Fatalf("vertex %d: row %v %v, want %v %v", v, jb, wb, ja, wa)
		}
	}
	unchanged("with edits")

	// Without the output the record itself remembers.
	if err := os.Remove(out); err != nil {
		t.Fatal(err)
	}
	if s := passJSON(t, args...); s.Pass.Edited != sum.Pass.Edited || s.Pass.New != 0 {
		t.Errorf("from the record alone: %+v", s.Pass)
	}

	// A pass of the body, small beside the edit.
	repaint(t, body, joint, patch(chest, 0.4, 0.04))
	again := passJSON(t, args...)
	if again.Pass.Edited != sum.Pass.Edited || again.Pass.Kept+again.Pass.Carried+again.Pass.Conflict < again.Pass.Edited || again.Pass.Carried == 0 || again.Pass.Lost() != 0 {
		t.Errorf("after a pass of the body: %+v", again.Pass)
	}
	unchanged("after a pass of the body")

	// And a large one: conflicts, listed; the artist's rows stay.
	repaint(t, body, s.Joints[len(s.Joints)-1].Name, patch(chest, 0.4, 0.9))
	o := must(t, args...)
	if !strings.Contains(o.stdout, "in conflict") || !strings.Contains(o.stdout, "conflict at vertex") {
		t.Errorf("no conflicts: %s", o.stdout)
	}
	taken := passJSON(t, append(args, "--on-conflict", "take-new")...)
	if taken.Pass.Conflict == 0 || taken.Pass.Conflicts[0].Choice != "take-new" {
		t.Errorf("taken new: %+v", taken.Pass)
	}
	if after := passJSON(t, args...); after.Pass.Conflict != 0 || after.Pass.Edited != taken.Pass.Edited-taken.Pass.Conflict {
		t.Errorf("after that: %d edits, %d conflicts; before: %d and %d", after.Pass.Edited, after.Pass.Conflict, taken.Pass.Edited, taken.Pass.Conflict)
	}
}

// TestPass_InPlace: a garment that is its own output. From the second run on nothing
// changes a byte, after edits and passes of the body too; what does change is seen.
func TestPass_InPlace(t *testing.T) {
	dir := t.TempDir()
	body := filepath.Join(dir, "body.glb")
	copyFile(t, cox("body"), body)
	for _, garment := range []string{"gloves", "cape"} { // the cape's loose cloth never settles by itself
		file := filepath.Join(dir, garment+".glb")
		copyFile(t, cox(garment), file)
		args := []string{"transfer", body, file, "-o", file, "--pass-dir", dir}
		settled := func(what string) {
			t.Helper()
			must(t, append(args, "-q")...)
			before := folder(t, dir)
			must(t, append(args, "-q")...)
			if !reflect.DeepEqual(folder(t, dir), before) {
				t.Errorf("%s, %s: running again changes a file", garment, what)
			}
		}
		settled("at first")
		s := rowsOf(t, file)
		n := repaint(t, file, s.Joints[s.Rows.Joint[0]].Name, patch(s.Mesh.Positions[0], 0.05, 0.4))
		if got := passJSON(t, args...); n == 0 || got.Pass.Edited == 0 || got.Pass.Conflict != 0 {
			t.Errorf("%s: painted %d: %+v", garment, n, got.Pass)
		}
		settled("with edits")
		b := rowsOf(t, body)
		repaint(t, body, b.Joints[4].Name, patch(s.Mesh.Positions[0], 0.4, 0.3))
		before := folder(t, dir)[file]
		if got := passJSON(t, args...); got.Pass.Edited == 0 || got.Pass.New != 0 || folder(t, dir)[file] == before {
			t.Errorf("%s: a new body changes nothing: %+v", garment, got.Pass)
		}
		settled("with a new body")
		before = folder(t, dir)[file]
		must(t, append(args, "-q", "--falloff", "3")...)
		if folder(t, dir)[file] == before {
			t.Errorf("%s: another option changes nothing", garment)
		}
		must(t, append(args, "-q", "--on-conflict", "take-new")...)
		settled("with the first options again")
	}
}

func TestPass_Refused(t *testing.T) {
	dir := t.TempDir()
	out := filepath.Join(dir, "gloves.glb")
	if err := os.WriteFile(filepath.Join(dir, "gloves.glb.pass"), []byte("SLVGPASS and no more"), 0o644); err != nil {
		t.Fatal(err)
	}
	o := selvage(t, "transfer", cox("body"), cox("gloves"), "-o", out, "--pass-dir", dir)
	oneSentence(t, o)
	if o.status != exitFailed || !strings.Contains(o.stderr, "cut off") {
		t.Errorf("status %d: %s", o.status, o.stderr)
	}
	if list := names(folder(t, dir)); len(list) != 1 {
		t.Errorf("something was written: %v", list)
	}
	for _, bad := range [][]string{
		{"--on-conflict", "keep-edit"}, {"--force"}, {"--lock", "_X"}, {"--pass-dir", ""}, {"--pass-dir", filepath.Join(dir, "gloves.glb.pass")},
		{"--pass-dir", dir, "--on-conflict", "mine"}, {"--pass-dir", dir, "--conflict-rule", "arm=take-new"},
		{"--pass-dir", dir, "--conflict-rule", "joint:[=take-new"}, {"--pass-dir", dir, "--conflict-rule", "joint:a=b"},
	} {
		o := selvage(t, append([]string{"transfer", cox("body"), cox("gloves"), "-o", out}, bad...)...)
		oneSentence(t, o)
		if o.status != exitUsage {
			t.Errorf("%v: status %d, want %d: %s", bad, o.status, exitUsage, o.stderr)
		}
		if bad[0] == "--pass-dir" && bad[1] == "" && !strings.Contains(o.stderr, "--pass-dir: names no folder") {
			t.Errorf("%v: %s", bad, o.stderr)
		}
	}
	clean := t.TempDir()
	must(t, "transfer", cox("body"), cox("gloves"), "-o", filepath.Join(clean, "gloves.glb"), "--pass-dir", clean, "-q")
	o = selvage(t, "transfer", cox("body"), cox("gloves"), "-o", filepath.Join(clean, "gloves.glb"), "--pass-dir", clean, "--lock", "_KEEP")
	oneSentence(t, o)
	if o.status != exitUsage || !strings.Contains(o.stderr, `no vertex attribute "_KEEP"`) {
		t.Errorf("status %d: %s", o.status, o.stderr)
	}
}

// TestPass_Server: with edits too a server gives the same garments and records, and
// the report takes the merged rows.
func TestPass_Server(t *testing.T) {
	s := serve(t, nil)
	local, remote := t.TempDir(), t.TempDir()
	for round := range 2 {
		for dir, more := range map[string][]string{local: nil, remote: {"--server", s.address}} {
			args := []string{"transfer", cox("body"), cox("gloves"), cox("sea-boots"), "-o", dir, "--pass-dir", filepath.Join(dir, "passes"), "--report", filepath.Join(dir, "page.html"), "-q"}
			must(t, append(args, more...)...)
			if round == 0 {
				w := rowsOf(t, filepath.Join(dir, "gloves.glb"))
				repaint(t, filepath.Join(dir, "gloves.glb"), w.Joints[0].Name, patch(w.Mesh.Positions[0], 0.05, 0.4))
			}
		}
	}
	a, b := folder(t, local), folder(t, remote)
	for _, name := range []string{"gloves.glb", "sea-boots.glb", "passes/gloves.glb.pass", "passes/sea-boots.glb.pass"} {
		if x, y := a[filepath.Join(local, name)], b[filepath.Join(remote, name)]; x == "" || x != y {
			t.Errorf("%s: the server's differs", name)
		}
	}
	if len(a[filepath.Join(local, "page.html")]) == 0 {
		t.Error("no report")
	}
	r, _, err := readRecord(filepath.Join(local, "passes", "gloves.glb.pass"))
	if err != nil || r.Edits.Len() == 0 {
		t.Errorf("the record has no edits: %v", err)
	}
}

// TestMergeAndDiff_Server: in steps too, and with rules, a server gives the same
// files and the same words.
func TestMergeAndDiff_Server(t *testing.T) {
	s := serve(t, nil)
	dir := t.TempDir()
	old, out, passes := filepath.Join(dir, "old.glb"), filepath.Join(dir, "coat.glb"), filepath.Join(dir, "passes")
	must(t, "transfer", cox("body"), cox("oilskin-coat"), "-o", out, "--pass-dir", passes, "-q")
	copyFile(t, out, old)
	surface := rowsOf(t, out)
	chest := surface.Mesh.Positions[0]
	joint := surface.Joints[surface.Rows.Joint[0]].Name
	repaint(t, out, joint, patch(chest, 0.15, 0.4))
	body := filepath.Join(dir, "body.glb")
	copyFile(t, cox("body"), body)
	repaint(t, body, surface.Joints[len(surface.Joints)-1].Name, patch(chest, 0.5, 0.8))
	fresh := filepath.Join(dir, "new.glb")
	must(t, "transfer", body, cox("oilskin-coat"), "-o", fresh, "-q")

	both := func(args ...string) [2]string {
		t.Helper()
		return [2]string{must(t, args...).stdout, must(t, append(args, "--server", s.address)...).stdout}
	}
	for _, more := range [][]string{{"--json"}, {"--json", "--conflict-rule", "joint:" + joint + "=take-new"}, {"--on-conflict", "keep-change"}, {"--json", "--lock", "near:spine_*:0.15"}} {
		var files, records [2]string
		var said [2]string
		for k, where := range [][]string{nil, {"--server", s.address}} {
			merged, record := filepath.Join(dir, "merged.glb"), filepath.Join(dir, "merged.pass")
			args := append([]string{"merge", filepath.Join(passes, "coat.glb.pass"), out, fresh, "-o", merged, "--record", record}, more...)
			said[k] = must(t, append(args, where...)...).stdout
			files[k], records[k] = folder(t, dir)[merged], folder(t, dir)[record]
		}
		if files[0] != files[1] || records[0] != records[1] || said[0] != said[1] {
			t.Errorf("merge %v: the server's garment, record or summary differs", more)
		}
		if !strings.Contains(said[0], "onflict") {
			t.Errorf("merge %v tests nothing: %s", more, said[0])
		}
	}
	for _, args := range [][]string{
		{"diff", old, fresh}, {"diff", old, fresh, "--json", "--change", "0.05"},
		{"diff", cox("body"), body, "--garments", dir}, {"diff", cox("body"), body, "--garments", cox("jersey"), "--garments", old, "--json", "--reach", "0.1"},
	} {
		if said := both(args...); said[0] != said[1] {
			t.Errorf("%v: the server says otherwise:\n%s\n%s", args, said[0], said[1])
		} else if len(said[0]) < 200 {
			t.Errorf("%v tests nothing: %s", args, said[0])
		}
	}
	o := selvage(t, "merge", old, out, fresh, "-o", filepath.Join(dir, "x.glb"), "--server", s.address)
	oneSentence(t, o)
	if o.status != exitFailed || !strings.Contains(o.stderr, "pass record") {
		t.Errorf("a garment as a record: status %d: %s", o.status, o.stderr)
	}
}

// TestPass_ConflictRules: rules by joint, garment and mask settle conflicts by the
// command, the first that covers one; the mask is here what the new transfer is sure of.
func TestPass_ConflictRules(t *testing.T) {
	dir := t.TempDir()
	out, body, sure := filepath.Join(dir, "gloves.glb"), filepath.Join(dir, "body.glb"), filepath.Join(dir, "sure.glb")
	copyFile(t, cox("body"), body)
	args := []string{"transfer", body, cox("gloves"), "-o", out, "--pass-dir", dir}
	must(t, append(args, "-q")...)
	s := rowsOf(t, out)
	repaint(t, out, s.Joints[s.Rows.Joint[0]].Name, func(p r3.Vec) float64 { return 0.1 })
	repaint(t, body, s.Joints[5].Name, func(p r3.Vec) float64 { return 0.5 })
	must(t, "transfer", body, cox("gloves"), "-o", sure, "-q")
	a, err := gltfio.Open(sure, gltfio.Options{})
	if err != nil {
		t.Fatal(err)
	}
	surface, err := a.Garment(gltfio.Selection{})
	if err != nil {
		t.Fatal(err)
	}
	confidence, err := a.Scalars(surface, "_CONFIDENCE")
	if err != nil || len(confidence) == 0 {
		t.Fatal(err)
	}
	artist, record := readFile(t, out), readFile(t, out+".pass")
	again := func(more ...string) []pass.Conflict {
		t.Helper()
		for name, data := range map[string][]byte{out: artist, out + ".pass": record} {
			if err := os.WriteFile(name, data, 0o644); err != nil {
				t.Fatal(err)
			}
		}
		list := passJSON(t, append(args, more...)...).Pass.Conflicts
		if len(list) < 20 {
			t.Fatalf("%v: %d conflicts: it checks little", more, len(list))
		}
		return list
	}
	all := again()
	joint := all[0].Joint
	chosen := map[string]int{}
	for _, x := range []struct {
		name  string
		rules []string
		want  func(c pass.Conflict) string
	}{
		{"no rule", nil, func(pass.Conflict) string { return "keep-edit" }},
		{"garment", []string{"garment:glo*=take-new"}, func(pass.Conflict) string { return "take-new" }},
		{"garment without its ending", []string{"garment:gloves=take-new"}, func(pass.Conflict) string { return "take-new" }},
		{"another garment", []string{"garment:coat*=take-new"}, func(pass.Conflict) string { return "keep-edit" }},
		{"mask", []string{"mask:_CONFIDENCE=take-new"}, func(c pass.Conflict) string {
			if confidence[c.Vertex] >= 0.5 {
				return "take-new"
			}
			return "keep-edit"
		}},
		{"mask before garment", []string{"mask:_CONFIDENCE=keep-change", "garment:*=take-new"}, func(c pass.Conflict) string {
			if confidence[c.Vertex] >= 0.5 {
				return "keep-change"
			}
			return "take-new"
		}},
		{"joint", []string{"joint:" + joint + "=keep-change"}, func(c pass.Conflict) string { return "" }},
	} {
		var rules []string
		for _, r := range x.rules {
			rules = append(rules, "--conflict-rule", r)
		}
		list := again(rules...)
		if len(list) != len(all) {
			t.Errorf("%s: %d conflicts, %d without rules", x.name, len(list), len(all))
		}
		for _, c := range list {
			want := x.want(c)
			if x.name == "joint" {
				if c.Joint == joint && c.Choice != "keep-change" {
					t.Errorf("%s: vertex %d, joint %s: %s", x.name, c.Vertex, c.Joint, c.Choice)
				}
				continue
			}
			if c.Choice != want {
				t.Errorf("%s: vertex %d: %s, want %s", x.name, c.Vertex, c.Choice, want)
			}
			chosen[x.name+" "+c.Choice]++
		}
	}
	if chosen["mask take-new"] == 0 || chosen["mask before garment keep-change"] == 0 {
		t.Errorf("the masks choose nothing: %v", chosen)
	}
	// Rules that match nothing are told, in one step and in two (after the note that all
	// rows were edited).
	idle := []string{"--conflict-rule", "garment:glove=take-new", "--conflict-rule", "joint:nope*=take-new", "--conflict-rule", "garment:glo*=keep-edit"}
	const noGarment, noJoint = `no garment is named "glove": the rule for its conflicts does nothing`, `no joint is named "nope*": the rule for its conflicts does nothing`
	again() // and the files as they were
	for name, data := range map[string][]byte{out: artist, out + ".pass": record} {
		if err := os.WriteFile(name, data, 0o644); err != nil {
			t.Fatal(err)
		}
	}
	var merged pass.Summary
	if err := json.Unmarshal([]byte(must(t, append([]string{"merge", out + ".pass", out, sure, "-o", filepath.Join(dir, "merged.glb"), "--json"}, idle...)...).stdout), &merged); err != nil || len(merged.Notes) != 3 || !slices.Equal(merged.Notes[1:], []string{noGarment, noJoint}) {
		t.Errorf("merge notes %q, %v", merged.Notes, err)
	}
	told := passJSON(t, append(args, idle...)...)
	if slices.Contains(told.Notes, noGarment) || len(told.Pass.Notes) != 3 || !slices.Equal(told.Pass.Notes[1:], []string{noJoint, noGarment}) {
		t.Errorf("transfer notes %q and %q", told.Notes, told.Pass.Notes)
	}
	o := selvage(t, append(args, "--conflict-rule", "mask:_NONE=take-new")...)
	oneSentence(t, o)
	if o.status != exitFailed || !strings.Contains(o.stderr, `no vertex attribute "_NONE"`) {
		t.Errorf("status %d: %s", o.status, o.stderr)
	}
}
