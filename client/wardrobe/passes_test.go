package wardrobe

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"gonum.org/v1/gonum/spatial/r3"

	"github.com/selvage/selvage/api/convert"
	"github.com/selvage/selvage/transfer/gltfio"
	"github.com/selvage/selvage/transfer/pass"
	"github.com/selvage/selvage/transfer/weights"
)

const passManifest = `version: 1
bodies: [{name: cox, file: cox/body.glb}]
garments: [{files: [cox/jersey.glb, cox/gloves.glb]}]
output: out/{garment}.glb
passes: passes
`

// repaint gives joint 1 a share of the rows around the highest vertex of a weighted
// file, as an artist's program would, and returns the edited vertices.
func repaint(t testing.TB, file string, share float64) (edited []int) {
	t.Helper()
	a, err := gltfio.Open(file, gltfio.Options{})
	if err != nil {
		t.Fatal(err)
	}
	s, read, err := pass.ReadSurface(context.Background(), a, gltfio.Selection{})
	if err != nil {
		t.Fatal(err)
	}
	top := s.Mesh.Positions[0]
	for _, p := range s.Mesh.Positions {
		if p.Y > top.Y {
			top = p
		}
	}
	reach := 0.25 * s.Mesh.Diagonal()
	acc, rows := weights.NewAccumulator(len(s.Joints)), weights.NewRows(0)
	for v, p := range s.Mesh.Positions {
		x := 0.0
		if d := r3.Norm(r3.Sub(p, top)) / reach; d < 1 {
			x = share * (1 - d*d)
			acc.Add(1, x)
			edited = append(edited, v)
		}
		acc.AddRow(s.Rows, v, 1-x)
		acc.FlushNormalised(rows)
	}
	if rows, _, err = weights.Finish(rows, weights.FinishOptions{MaxInfluences: 4}); err != nil {
		t.Fatal(err)
	}
	b, _, err := a.WithOwnRows(read, gltfio.Output{Rows: rows})
	if err != nil {
		t.Fatal(err)
	}
	if _, err := b.Save(file); err != nil {
		t.Fatal(err)
	}
	return edited
}

func read(t testing.TB, file string) []byte {
	t.Helper()
	data, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	return data
}

// editsIn is the number of edits that live in a pass record.
func editsIn(t testing.TB, file string) int {
	t.Helper()
	r, err := convert.UnpackPass(read(t, file))
	if err != nil {
		t.Fatal(err)
	}
	return r.Edits.Len()
}

// TestRun_Passes: an output that was changed by hand is kept while nothing else
// changes, and its edits go on into what a new body brings; then nothing is to do.
func TestRun_Passes(t *testing.T) {
	dir, file := wardrobeAt(t, passManifest)
	out, record, body := filepath.Join(dir, "out", "jersey.glb"), filepath.Join(dir, "passes", "jersey.glb.pass"), filepath.Join(dir, "cox", "body.glb")
	o := runPlan(t, Runner{}, planOf(t, file))
	counts(t, o, 2, 0, 0, 0)
	if r := item(t, o, "cox/jersey").Record; !r.Pass.Summary.First || r.Edited {
		t.Errorf("first run: %+v", r.Pass)
	}
	counts(t, runPlan(t, Runner{}, planOf(t, file)), 0, 2, 0, 0)

	n := len(repaint(t, out, 0.4))
	artist := read(t, out)
	for _, verify := range []bool{false, true} {
		o = runPlan(t, Runner{Verify: verify}, planOf(t, file))
		counts(t, o, 0, 2, 0, 0)
		if i := item(t, o, "cox/jersey"); !i.Record.Edited || item(t, o, "cox/gloves").Record.Edited {
			t.Errorf("the edit is not told: %+v", i.Record)
		}
		if !bytes.Equal(read(t, out), artist) {
			t.Fatal("the artist's file was overwritten")
		}
	}

	repaint(t, body, 0.1)
	o = runPlan(t, Runner{}, planOf(t, file))
	counts(t, o, 2, 0, 0, 0)
	s := item(t, o, "cox/jersey").Record.Pass.Summary
	if s.New < n*8/10 || s.Kept+s.Carried+s.Conflict < s.Edited || s.Lost() > 0 {
		t.Errorf("painted %d: %+v", n, s)
	}
	if k := editsIn(t, record); k < s.Edited {
		t.Errorf("the record has %d edits of %d", k, s.Edited)
	}
	made, kept := read(t, out), read(t, record)
	counts(t, runPlan(t, Runner{}, planOf(t, file)), 0, 2, 0, 0)
	// By force the same comes out, byte for byte.
	o = runPlan(t, Runner{Force: true}, planOf(t, file))
	counts(t, o, 2, 0, 0, 0)
	if !bytes.Equal(read(t, out), made) || !bytes.Equal(read(t, record), kept) {
		t.Error("running again changes a file")
	}
	// From the record alone, too.
	if err := os.Remove(out); err != nil {
		t.Fatal(err)
	}
	counts(t, runPlan(t, Runner{}, planOf(t, file)), 1, 1, 0, 0)
	if !bytes.Equal(read(t, out), made) {
		t.Error("the record alone gives something else")
	}
	// Another choice for conflicts is another result.
	write(t, file, []byte(passManifest+"on-conflict: take-new\n"))
	counts(t, runPlan(t, Runner{}, planOf(t, file)), 2, 0, 0, 0)
}

// TestRun_PassesLostOfShards: a part's outputs are as safe from a run of the whole, or of
// other parts, as from its own.
func TestRun_PassesLostOfShards(t *testing.T) {
	dir, file := wardrobeAt(t, passManifest)
	for i := range 2 {
		runPlan(t, Runner{Shard: Shard{i + 1, 2}}, planOf(t, file))
	}
	out := filepath.Join(dir, "out", "gloves.glb")
	repaint(t, out, 0.4)
	artist := read(t, out)
	if err := os.RemoveAll(filepath.Join(dir, "passes")); err != nil {
		t.Fatal(err)
	}
	for _, shard := range []Shard{{}, {1, 1}, {1, 3}, {2, 3}, {3, 3}} {
		o := runPlan(t, Runner{Shard: shard}, planOf(t, file))
		for _, i := range o.Items {
			var lost *LostRecordError
			if i.Task.Name == "cox/gloves" && (i.Status != Broken || !errors.As(i.Err, &lost)) {
				t.Errorf("part %v: %v, %v", shard, i.Status, i.Err)
			}
		}
		if !bytes.Equal(read(t, out), artist) {
			t.Fatalf("part %v overwrote the artist's file", shard)
		}
	}
	// The jersey is as it was written: nothing is lost, and the first run made it anew.
	counts(t, runPlan(t, Runner{}, planOf(t, file)), 0, 1, 1, 0)
	counts(t, runPlan(t, Runner{Force: true}, planOf(t, file)), 2, 0, 0, 0)
}

// TestRun_PassesLost: what would lose edits fails, and overwrites nothing.
func TestRun_PassesLost(t *testing.T) {
	dir, file := wardrobeAt(t, passManifest)
	out, record := filepath.Join(dir, "out", "jersey.glb"), filepath.Join(dir, "passes", "jersey.glb.pass")
	runPlan(t, Runner{}, planOf(t, file))

	// Without a record and without edits there is nothing to lose.
	if err := os.Remove(record); err != nil {
		t.Fatal(err)
	}
	counts(t, runPlan(t, Runner{}, planOf(t, file)), 1, 1, 0, 0)

	repaint(t, out, 0.4)
	artist := read(t, out)
	kept := read(t, record)
	if err := os.Remove(record); err != nil {
		t.Fatal(err)
	}
	o := runPlan(t, Runner{}, planOf(t, file))
	counts(t, o, 0, 1, 1, 0)
	var lost *LostRecordError
	if err := item(t, o, "cox/jersey").Err; !errors.As(err, &lost) || !bytes.Equal(read(t, out), artist) {
		t.Errorf("without its record: %v", err)
	}
	write(t, record, kept[:len(kept)-3])
	o = runPlan(t, Runner{}, planOf(t, file))
	counts(t, o, 0, 1, 1, 0)
	if err := item(t, o, "cox/jersey").Err; !strings.Contains(err.Error(), "cut off") || !bytes.Equal(read(t, out), artist) {
		t.Errorf("with a cut record: %v", err)
	}
	write(t, record, kept)
	counts(t, runPlan(t, Runner{}, planOf(t, file)), 0, 2, 0, 0)

	// An output that cannot be read may have been saved half.
	write(t, out, artist[:len(artist)/2])
	o = runPlan(t, Runner{}, planOf(t, file))
	counts(t, o, 0, 1, 1, 0)
	if !bytes.Equal(read(t, out), artist[:len(artist)/2]) {
		t.Error("a file that could not be read was overwritten")
	}
	write(t, out, artist)
	if err := os.Remove(record); err != nil {
		t.Fatal(err)
	}
	o = runPlan(t, Runner{Force: true}, planOf(t, file))
	counts(t, o, 2, 0, 0, 0)
	if s := item(t, o, "cox/jersey").Record.Pass.Summary; !s.First || len(s.Notes) == 0 {
		t.Errorf("given up by force: %+v", s)
	}
}

// TestRun_SavedMeanwhile: an artist saves while a garment computes.
func TestRun_SavedMeanwhile(t *testing.T) {
	dir, file := wardrobeAt(t, passManifest)
	out := filepath.Join(dir, "out", "jersey.glb")
	runPlan(t, Runner{}, planOf(t, file))
	repaint(t, filepath.Join(dir, "cox", "body.glb"), 0.1)
	var artist []byte
	var failed error
	o := runPlan(t, Runner{Tell: func(u Update) {
		if u.Running && u.Event.Kind == Progress && u.Task.Name == "cox/jersey" && artist == nil {
			repaint(t, out, 0.4)
			artist = read(t, out)
		}
	}}, planOf(t, file))
	counts(t, o, 1, 0, 1, 0)
	failed = item(t, o, "cox/jersey").Err
	var changed *ChangedError
	if !errors.As(failed, &changed) || changed.File != out || !bytes.Equal(read(t, out), artist) {
		t.Errorf("saved meanwhile: %v", failed)
	}
	o = runPlan(t, Runner{}, planOf(t, file))
	counts(t, o, 1, 1, 0, 0)
	if s := item(t, o, "cox/jersey").Record.Pass.Summary; s.New == 0 {
		t.Errorf("the edit is lost: %+v", s)
	}
}

// killAfter names a file: the process kills itself when that has taken its place.
const killAfter = "SELVAGE_TEST_KILL_AFTER"

// TestRun_KilledBetween: the process dies between the two files of a garment. The
// edits are all there after the next run, and no more of them than the artist made.
func TestRun_KilledBetween(t *testing.T) {
	if name := os.Getenv(killAfter); name != "" {
		afterRename = func(file string) {
			if filepath.Base(file) == name {
				p, err := os.FindProcess(os.Getpid())
				if err != nil || p.Kill() != nil {
					panic("cannot be killed")
				}
				time.Sleep(time.Minute)
			}
		}
		runPlan(t, Runner{}, planOf(t, os.Getenv("SELVAGE_TEST_MANIFEST")))
		t.Fatal("was not killed")
	}
	dir, file := wardrobeAt(t, passManifest)
	straight, other := wardrobeAt(t, passManifest)
	out, record := filepath.Join("out", "jersey.glb"), filepath.Join("passes", "jersey.glb.pass")
	var edited int
	for _, x := range []struct{ dir, file string }{{dir, file}, {straight, other}} {
		runPlan(t, Runner{}, planOf(t, x.file))
		edited = len(repaint(t, filepath.Join(x.dir, out), 0.4))
		repaint(t, filepath.Join(x.dir, "cox", "body.glb"), 0.15)
	}
	want := runPlan(t, Runner{}, planOf(t, other)) // without a crash
	artist, old := read(t, filepath.Join(dir, out)), read(t, filepath.Join(dir, record))

	self := exec.Command(os.Args[0], "-test.run=^TestRun_KilledBetween$")
	self.Env = append(os.Environ(), killAfter+"=jersey.glb.pass", "SELVAGE_TEST_MANIFEST="+file)
	if said, err := self.CombinedOutput(); err == nil || strings.Contains(string(said), "was not killed") {
		t.Fatalf("%v\n%s", err, said)
	}
	if !bytes.Equal(read(t, filepath.Join(dir, out)), artist) || bytes.Equal(read(t, filepath.Join(dir, record)), old) {
		t.Fatal("not between the two files")
	}
	o := runPlan(t, Runner{}, planOf(t, file))
	if i := item(t, o, "cox/jersey"); i.Status != Made || i.Record.Pass.Summary.New != 0 || i.Record.Pass.Summary.Edited > edited {
		t.Errorf("%v: %+v", i.Status, i.Record.Pass.Summary)
	}
	for _, name := range []string{out, record} {
		if !bytes.Equal(read(t, filepath.Join(dir, name)), read(t, filepath.Join(straight, name))) {
			t.Errorf("%s is not as without the crash", name)
		}
	}
	if s := item(t, want, "cox/jersey").Record.Pass.Summary; s.New == 0 {
		t.Errorf("tests nothing: %+v", s)
	}
	counts(t, runPlan(t, Runner{}, planOf(t, file)), 0, 2, 0, 0)
	if left, err := filepath.Glob(filepath.Join(dir, "*", ".selvage-*.glb")); err != nil || len(left) > 1 {
		t.Errorf("left behind: %v", left)
	}
}

// TestPlan_PassRecords: two outputs never share a record.
func TestPlan_PassRecords(t *testing.T) {
	two := strings.Replace(crewManifest, "output:", "passes: passes\noutput:", 1)
	_, file := wardrobeAt(t, two)
	m, err := ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	var f *Fault
	if _, err := m.Plan(t.Context(), PlanOptions{}); !errors.As(err, &f) || f.Line != 9 || !strings.Contains(f.What, "{body}") {
		t.Errorf("shared records: %v", err)
	}
	write(t, file, []byte(strings.Replace(two, "passes: passes", "passes: passes/{body}", 1)))
	if p := planOf(t, file); p.Tasks[0].Pass.Record != filepath.Join(filepath.Dir(file), "passes", "cox", "jersey.glb.pass") {
		t.Errorf("record %s", p.Tasks[0].Pass.Record)
	}
}

// TestRun_ConflictRules: rules name garments as the manifest does, or by their file with
// or without its ending; those for no garment are told.
func TestRun_ConflictRules(t *testing.T) {
	const manifest = `version: 1
bodies: [{name: cox, file: cox/body.glb}]
garments: [{files: cox/jersey.glb, name: knit}, {files: cox/gloves.glb, conflict-rules: ["garment:mittens=take-new"]}]
output: out/{garment}.glb
passes: passes
on-conflict: keep-change
conflict-rules: ["garment:%s=take-new", "garment:jumper=take-new", "garment:gloves=take-new"]
`
	for _, x := range []struct{ name, want string }{{"knit", "take-new"}, {"jersey", "take-new"}, {"jersey.glb", "take-new"}, {"knit.glb", "keep-change"}} {
		dir, file := wardrobeAt(t, fmt.Sprintf(manifest, x.name))
		runPlan(t, Runner{}, planOf(t, file))
		repaint(t, filepath.Join(dir, "out", "knit.glb"), 0.1)
		repaint(t, filepath.Join(dir, "cox", "body.glb"), 0.6)
		o := runPlan(t, Runner{}, planOf(t, file))
		list := item(t, o, "cox/knit").Record.Pass.Summary.Conflicts
		if len(list) == 0 {
			t.Fatal("no conflicts: it checks nothing")
		}
		for _, c := range list {
			if c.Choice != x.want {
				t.Fatalf("%s: %s, want %s", x.name, c.Choice, x.want)
			}
		}
		idle := []string{"jumper", "gloves", "mittens"} // the gloves have rules of their own
		if x.want != "take-new" {
			idle = append([]string{x.name}, idle...)
		}
		for k := range idle {
			idle[k] = fmt.Sprintf("no garment is named %q: the rule for its conflicts does nothing", idle[k])
		}
		slices.Sort(idle)
		if got := slices.Sorted(slices.Values(o.Notes)); !slices.Equal(got, idle) {
			t.Errorf("%s: notes %q, want %q", x.name, got, idle)
		}
	}
}
