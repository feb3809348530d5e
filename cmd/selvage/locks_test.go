package main

import (
	"fmt"
	"path/filepath"
	"reflect"
	"strings"
	"testing"

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
