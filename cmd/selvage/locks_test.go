package main

import (
	"fmt"
	"path/filepath"
	"reflect"
	"strings"
	"testing"

	"github.com/selvage/selvage/transfer/gltfio"
	"github.com/selvage/selvage/transfer/pass"
	"gonum.org/v1/gonum/spatial/r3"
)

// TestTransfer_Locks: locked rows and joints of a garment that is weighted already
// stay through a change of the body, in every form of the output; a server gives the
// same bytes; the result is legal glTF.
func TestTransfer_Locks(t *testing.T) {
	s := serve(t, nil)
	dir := t.TempDir()
	coat := filepath.Join(dir, "coat.glb")
	must(t, "transfer", cox("body"), cox("oilskin-coat"), "-o", coat, "-q")
	w := rowsOf(t, coat)
	centre := w.Mesh.Positions[0]
	other := w.Joints[len(w.Joints)-1].Name
	repaint(t, coat, other, patch(centre, 0.3, 0.5))
	body := filepath.Join(dir, "body.glb")
	copyFile(t, cox("body"), body)
	repaint(t, body, w.Joints[1].Name, patch(centre, 2, 0.5))

	before := rowsOf(t, coat)
	row := func(s *pass.Surface, v int) map[string]float64 {
		out := map[string]float64{}
		joint, weight := s.Rows.Row(v)
		for i, j := range joint {
			out[s.Joints[j].Name] = weight[i]
		}
		return out
	}
	near := func(p r3.Vec) bool {
		d := r3.Sub(p, centre)
		return max(d.X, -d.X) <= 0.1 && max(d.Y, -d.Y) <= 0.1 && max(d.Z, -d.Z) <= 0.1
	}
	lo, hi := r3.Sub(centre, r3.Vec{X: 0.1, Y: 0.1, Z: 0.1}), r3.Add(centre, r3.Vec{X: 0.1, Y: 0.1, Z: 0.1})
	box := fmt.Sprintf("box:%v,%v,%v,%v,%v,%v", lo.X, lo.Y, lo.Z, hi.X, hi.Y, hi.Z)
	for _, more := range [][]string{nil, {"--max-influences", "1", "--lock-blend", "0.15"}, {"--skin", "own"}, {"--map-joint", "spine_3=spine_2", "--lock-blend=-1"}} {
		here, there := filepath.Join(dir, "here.glb"), filepath.Join(dir, "there.glb")
		args := append([]string{"transfer", body, coat, "--lock", box, "--lock-joint", other, "--json"}, more...)
		a := must(t, append(args, "-o", here)...)
		b := must(t, append(args, "-o", there, "--server", s.address)...)
		if string(readFile(t, here)) != string(readFile(t, there)) {
			t.Errorf("%v: the server's file differs", more)
		}
		if x, y := withoutTimes(t, a.stdout), withoutTimes(t, b.stdout); x != y {
			t.Errorf("%v: summaries\n%s\n%s", more, x, y)
		}
		if !strings.Contains(a.stdout, "vertices are locked and keep their row") {
			t.Errorf("%v: nothing said: %s", more, a.stdout)
		}
		validate(t, here)
		after := rowsOf(t, here)
		locked, moved := 0, 0
		for v, p := range before.Mesh.Positions {
			x, y := row(before, v), row(after, v)
			same := reflect.DeepEqual(x, y)
			switch {
			case near(p) && !same:
				t.Fatalf("%v: locked vertex %d has %v, had %v", more, v, y, x)
			case near(p):
				locked++
			case x[other] != y[other]:
				t.Fatalf("%v: vertex %d has %g on the locked joint, had %g", more, v, y[other], x[other])
			case !same:
				moved++
			}
		}
		if locked == 0 || moved == 0 {
			t.Errorf("%v: %d locked, %d moved", more, locked, moved)
		}
	}

	for _, c := range []struct {
		name, want string
		args       []string
	}{
		{"nothing to lock", "no weights yet", []string{cox("body"), cox("cape"), "--lock", "mesh:*"}},
		{"nothing to lock, joints", "no weights yet", []string{cox("body"), cox("cape"), "--lock-joint", "*"}},
		{"no region", `"limb" is none of`, []string{cox("body"), coat, "--lock", "limb:left"}},
		{"no number", `"2cm" is not a finite number`, []string{cox("body"), coat, "--lock", "near:hand:2cm"}},
		{"no attribute", `no vertex attribute "_HELD"`, []string{cox("body"), coat, "--lock", "_HELD"}},
		{"pattern", "malformed pattern", []string{cox("body"), coat, "--lock-joint", "["}},
		{"blend", "option lock-blend", []string{cox("body"), coat, "--lock", "mesh:*", "--lock-blend", "NaN"}},
	} {
		for _, where := range [][]string{nil, {"--server", s.address}} {
			o := selvage(t, append(append([]string{"transfer", "-o", filepath.Join(dir, "x.glb")}, c.args...), where...)...)
			oneSentence(t, o)
			if o.status != exitUsage || !strings.Contains(o.stderr, c.want) {
				t.Errorf("%s, %v: status %d: %s", c.name, where, o.status, o.stderr)
			}
		}
	}
}

// TestMerge_Locks: a merge holds what the record's transfer was told to lock, in each
// vertex what the artist's garment has; locks by flags stand for the record's; a server
// gives the same bytes, and the painted mask stays for the next pass.
func TestMerge_Locks(t *testing.T) {
	s := serve(t, nil)
	dir := t.TempDir()
	at := func(name string) string { return filepath.Join(dir, name) }
	body, out := at("body.glb"), at("gloves.glb")
	copyFile(t, cox("body"), body)
	first := rowsOf(t, cox("body"))
	held := first.Joints[len(first.Joints)-1].Name
	must(t, "transfer", body, cox("gloves"), "-o", out, "--pass-dir", dir, "--lock", "joint:"+held, "--lock-joint", held, "-q")
	w := rowsOf(t, out)
	centre := w.Mesh.Positions[0]
	repaint(t, out, held, patch(centre, 0.04, 0.8))
	repaint(t, body, w.Joints[w.Rows.Joint[0]].Name, patch(centre, 0.5, 0.6))
	must(t, "transfer", body, cox("gloves"), "-o", at("new.glb"), "-q")

	row := func(s *pass.Surface, v int) map[string]float64 {
		out := map[string]float64{}
		joint, weight := s.Rows.Row(v)
		for i, j := range joint {
			out[s.Joints[j].Name] = weight[i]
		}
		return out
	}
	now, fresh := rowsOf(t, out), rowsOf(t, at("new.glb"))
	merge := func(to string, more ...string) *pass.Surface {
		t.Helper()
		args := append([]string{"merge", at("gloves.glb.pass"), out, at("new.glb"), "--json"}, more...)
		here := must(t, append(args, "-o", at(to), "--record", at(to+".pass"))...)
		there := must(t, append(args, "-o", at("there.glb"), "--record", at("there.pass"), "--server", s.address)...)
		files := folder(t, dir)
		if here.stdout != there.stdout || files[at(to)] != files[at("there.glb")] || files[at(to+".pass")] != files[at("there.pass")] {
			t.Errorf("%v: the server's garment, record or summary differs", more)
		}
		validate(t, at(to))
		return rowsOf(t, at(to))
	}
	// check counts rows that the lock picks, and those where the merge gives something else
	// than the artist's row, or share of the joint.
	check := func(got *pass.Surface) (locked, lost, columnLost int) {
		for v := range now.Mesh.Positions {
			a, b := row(now, v), row(got, v)
			if a[held] > 0.5 {
				locked++
				if !reflect.DeepEqual(a, b) {
					lost++
				}
			}
			if a[held] != b[held] {
				columnLost++
			}
		}
		return
	}
	if locked, lost, column := check(merge("merged.glb", "--on-conflict", "take-new")); locked == 0 || lost > 0 || column > 0 {
		t.Errorf("the record's locks: of %d locked rows %d are lost, and %d weights of the locked joint", locked, lost, column)
	}
	if locked, lost, _ := check(merge("again.glb", "--on-conflict", "take-new", "--lock", "mesh:none of these")); locked == 0 || lost == 0 {
		t.Errorf("another lock: of %d rows %d are lost; the record's locks must not count", locked, lost)
	}
	if _, lost, column := check(merge("again.glb", "--on-conflict", "take-new", "--lock-joint", held)); lost == 0 || column > 0 {
		t.Errorf("a locked joint alone: %d rows and %d of its weights are lost", lost, column)
	}
	// The same locks go on to the next pass, and merging again changes nothing.
	must(t, "merge", at("merged.glb.pass"), at("merged.glb"), at("new.glb"), "-o", at("again.glb"), "-q")
	if files := folder(t, dir); files[at("again.glb")] != files[at("merged.glb")] {
		t.Error("merging again changes the garment")
	}
	differ := 0
	for v := range now.Mesh.Positions {
		if !reflect.DeepEqual(row(now, v), row(fresh, v)) {
			differ++
		}
	}
	if differ < 2 {
		t.Fatalf("%d rows differ between the artist's garment and the new one: nothing is tested", differ)
	}
	o := selvage(t, "merge", at("gloves.glb.pass"), out, at("new.glb"), "-o", at("x.glb"), "--lock-joint", "[")
	oneSentence(t, o)
	if o.status != exitUsage {
		t.Errorf("a malformed pattern: status %d: %s", o.status, o.stderr)
	}
}

// TestMerge_KeepsPaint: a mask that the artist painted in the output is still there after
// a merge, so that the next pass finds it.
func TestMerge_KeepsPaint(t *testing.T) {
	dir := t.TempDir()
	out := filepath.Join(dir, "gloves.glb")
	must(t, "transfer", cox("body"), cox("gloves"), "-o", out, "--pass-dir", dir, "-q")
	a, err := gltfio.Open(out, gltfio.Options{})
	if err != nil {
		t.Fatal(err)
	}
	read, err := a.Garment(gltfio.Selection{})
	if err != nil {
		t.Fatal(err)
	}
	painted := make([]float64, read.Mesh.NumVertices())
	for v := range painted[:len(painted)/2] {
		painted[v] = 1
	}
	if a, err = a.WithPainted(read, []gltfio.Painted{{Name: "_HELD", Channels: [][]float64{painted}}}); err != nil {
		t.Fatal(err)
	}
	if _, err := a.Save(out); err != nil {
		t.Fatal(err)
	}
	fresh, merged := filepath.Join(dir, "new.glb"), filepath.Join(dir, "merged.glb")
	must(t, "transfer", cox("body"), cox("gloves"), "-o", fresh, "-q")
	must(t, "merge", out+".pass", out, fresh, "-o", merged, "--lock", "_HELD", "-q")
	if a, err = gltfio.Open(merged, gltfio.Options{}); err != nil {
		t.Fatal(err)
	}
	if read, err = a.Garment(gltfio.Selection{}); err != nil {
		t.Fatal(err)
	}
	if got, err := a.Scalars(read, "_HELD"); err != nil || !reflect.DeepEqual(got, painted) {
		t.Errorf("%v: the mask is not the painted one", err)
	}
}
