package main

// Skeletons that differ, through the command: a garment that keeps its skin, joint
// maps, and passes over a body whose joints change.

import (
	"encoding/json"
	"math"
	"os"
	"path/filepath"
	"reflect"
	"strings"
	"testing"

	"github.com/selvage/selvage/transfer"
	"github.com/selvage/selvage/transfer/crew"
	"github.com/selvage/selvage/transfer/gltfio"
	"github.com/selvage/selvage/transfer/skinning"
	"gonum.org/v1/gonum/spatial/r3"
)

// bodyFile writes a body, and returns the file.
func bodyFile(t *testing.T, dir, name string, b *crew.Body) string {
	t.Helper()
	file := filepath.Join(dir, name+".glb")
	w, err := os.Create(file)
	if err == nil {
		err = b.WriteGLB(w)
	}
	if err == nil {
		err = w.Close()
	}
	if err != nil {
		t.Fatal(err)
	}
	return file
}

// onJoints returns the mean weight of each joint of a surface, by name.
func onJoints(t *testing.T, file string) map[string]float64 {
	t.Helper()
	s := weighted(t, file)
	out := map[string]float64{}
	for v := range s.Mesh.Positions {
		joint, weight := s.Rows.Row(v)
		for i, j := range joint {
			out[s.Skin.Joints[j].Name] += weight[i] / float64(len(s.Mesh.Positions))
		}
	}
	return out
}

// bent turns a joint's node in a file, which leaves the bind pose as it is: the
// garment's default pose is then another one.
func bent(t *testing.T, from, to, joint string, angle float64) {
	t.Helper()
	doc, bin := readGLB(t, from)
	found := false
	for _, n := range list(doc, "nodes") {
		if n["name"] != joint {
			continue
		}
		q := [4]float64{0, 0, 0, 1}
		if r, ok := n["rotation"].([]any); ok {
			for k := range q {
				q[k] = number(r[k])
			}
		}
		// q times a turn about the local z.
		s, c := math.Sincos(angle / 2)
		n["rotation"] = []any{c*q[0] + s*q[1], c*q[1] - s*q[0], c*q[2] + s*q[3], c*q[3] - s*q[2]}
		found = true
	}
	if !found {
		t.Fatalf("%s has no joint %s", from, joint)
	}
	writeGLB(t, to, doc, bin)
}

// TestTransfer_OwnSkin: the garment's file keeps its nodes, skin and inverse bind
// matrices, passes the glTF validator, and in its default pose, which is not its
// bind pose, every vertex stands where it stood, also as three.js skins it. A server
// writes the same bytes.
func TestTransfer_OwnSkin(t *testing.T) {
	dir := t.TempDir()
	b := crew.NewBody("cox")
	rig := b.WithSkeleton(b.WithoutTwist())
	rig = rig.WithSkeleton(rig.Renamed(func(s string) string { return strings.ReplaceAll(s, ".", "_") }))
	worn, own := filepath.Join(dir, "worn.glb"), filepath.Join(dir, "jersey.glb")
	must(t, "transfer", bodyFile(t, dir, "rig", rig), cox("jersey"), "-o", worn, "-q")
	bent(t, worn, own, "hand_left", 0.2)
	joints := filepath.Join(dir, "joints.yaml")
	write(t, joints, "version: 1\njoints:\n  - {from: \"*.*\", to: \"*_*\"}\n")

	out, again := filepath.Join(dir, "out.glb"), filepath.Join(dir, "server.glb")
	args := []string{"transfer", cox("body"), own, "--skin", "own", "--joint-map", joints, "--json"}
	first := must(t, append(args, "-o", out)...)
	var sum []transfer.Summary
	if err := json.Unmarshal([]byte(first.stdout), &sum); err != nil || len(sum) != 1 {
		t.Fatalf("%v in %s", err, first.stdout)
	}
	how := map[transfer.MappedBy]int{}
	for _, l := range sum[0].JointMap {
		how[l.How]++
		if l.How == transfer.MappedByAncestor && !strings.Contains(l.Joint, "_twist") {
			t.Errorf("%s goes to an ancestor, %s", l.Joint, l.To)
		}
	}
	// 58 joints: eight in the middle have names without a side; four twist joints.
	if n := len(b.Skin.Joints); how[transfer.MappedByName] != 8 || how[transfer.MappedByAncestor] != 4 || how[transfer.MappedByRule] != n-12 || n != 58 {
		t.Errorf("joints by %v", how)
	}

	before, _ := readGLB(t, own)
	after, _ := readGLB(t, out)
	for _, key := range []string{"nodes", "skins", "scenes"} {
		if !reflect.DeepEqual(before[key], after[key]) {
			t.Errorf("%s changed", key)
		}
	}
	a, z := weighted(t, own), weighted(t, out)
	if !reflect.DeepEqual(a.Skin, z.Skin) {
		t.Error("the skin's matrices changed")
	}
	moved := 0.0
	for v := range a.Mesh.Positions {
		moved = max(moved, r3.Norm(r3.Sub(a.Mesh.Positions[v], z.Mesh.Positions[v])))
	}
	size := a.Mesh.Diagonal()
	if moved > 1e-6*size { // float32 rounds at 6e-8
		t.Errorf("a vertex moved by %g m", moved)
	}
	rest := threeSkin(t, out, z, "-", [4]float64{0, 0, 0, 1})
	if d, v := farthest(rest, a.Mesh.Positions); d > 1e-5*size { // as in TestSkin_ThreeJS
		t.Errorf("three.js: vertex %d is %g m from where it stood", v, d)
	}
	validate(t, out)

	s := serve(t, nil)
	second := must(t, append(args, "-o", again, "--server", s.address)...)
	if string(readFile(t, out)) != string(readFile(t, again)) {
		t.Error("the server's file differs")
	}
	if x, y := withoutTimes(t, first.stdout), withoutTimes(t, second.stdout); x != y {
		t.Errorf("summaries\n%s\n%s", x, y)
	}

	// On the terminal: a table of what does not go by name and place.
	text := must(t, "transfer", cox("body"), own, "--skin", "own", "--joint-map", joints, "-o", out).stdout
	for _, want := range []string{"joint map", "forearm_twist.left", "forearm_left", "ancestor", "rule"} {
		if !strings.Contains(text, want) {
			t.Errorf("%q is not in\n%s", want, text)
		}
	}
}

// TestTransfer_JointMapUsage: one sentence, exit status 2, nothing written.
func TestTransfer_JointMapUsage(t *testing.T) {
	dir := t.TempDir()
	bad := filepath.Join(dir, "bad.yaml")
	write(t, bad, "version: 1\njoints:\n  - {from: a, too: b}\n")
	out := filepath.Join(dir, "out.glb")
	for _, c := range []struct {
		args []string
		want string
	}{
		{[]string{"--skin", "own"}, "has no skin of its own"},
		{[]string{"--skin", "mine"}, `"mine" is none of [body own]`},
		{[]string{"--map-joint", "a"}, `--map-joint: "a" is not FROM=TO`},
		{[]string{"--map-joint", "a=*"}, "may hold no *"},
		{[]string{"--map-joint", "hand.left=wing"}, `the body has no joint "wing"`},
		{[]string{"--allow-joint", "wing"}, `option allow-joint: no joint of the body is named ["wing"]`},
		{[]string{"--allow-joint", "hand.*", "--deny-joint", "*"}, `option deny-joint: ["*"] leaves no joint of the body to carry weight`},
		{[]string{"--joint-map", bad}, bad + `:3:15: unknown key "too"`},
		{[]string{"--joint-map", filepath.Join(dir, "none.yaml")}, "none.yaml"},
	} {
		o := selvage(t, append([]string{"transfer", cox("body"), cox("gloves"), "-o", out}, c.args...)...)
		oneSentence(t, o)
		if o.status != exitUsage || !strings.Contains(o.stderr, c.want) {
			t.Errorf("%v: status %d, %s; want %q", c.args, o.status, o.stderr, c.want)
		}
		if _, err := os.Stat(out); err == nil {
			t.Errorf("%v: the output was written", c.args)
		}
	}
	text := must(t, "transfer", cox("body"), cox("gloves"), "-o", out, "--map-joint", "*_twist.*=*.*", "--map-joint", "tail_?=pelvis", "--map-joint", "forearm_twist.*=pelvis", "--deny-joint", "fin_?", "--deny-joint", "toes.left").stdout
	if !strings.Contains(text, `deny-joint: no joint of the body is named "fin_?"`) || strings.Contains(text, `named "toes`) {
		t.Errorf("a pattern without a joint is not named in\n%s", text)
	}
	if !strings.Contains(text, "rules before it lead all joints that it matches elsewhere: forearm_twist.* -> pelvis") || strings.Contains(text, "matches tail_? -> pelvis, ") {
		t.Errorf("a rule that comes too late is not named, or as one without a joint, in\n%s", text)
	}
	if !strings.Contains(text, "no joint of the body matches tail_? -> pelvis") {
		t.Errorf("a rule without a joint is not named in\n%s", text)
	}
	if m := onJoints(t, out); m["forearm_twist.left"] != 0 || m["forearm.left"] == 0 {
		t.Errorf("weights %v", m)
	}
}

// TestPass_Skeletons: edits survive a body whose joints change. Helpers that are new
// in the body appear in the garment; where they vanish again their weight goes back;
// a renamed joint takes its edits with it by the joint map.
func TestPass_Skeletons(t *testing.T) {
	dir := t.TempDir()
	b := crew.NewBody("cox")
	helped := b.WithSkeleton(b.WithHelpers())
	renamed := helped.WithSkeleton(helped.Renamed(func(s string) string { return strings.Replace(s, "upper_arm.", "humerus.", 1) }))
	plain, helpers, other := bodyFile(t, dir, "plain", b), bodyFile(t, dir, "helped", helped), bodyFile(t, dir, "renamed", renamed)
	out := filepath.Join(dir, "jersey.glb")
	step := func(body string, more ...string) passSummary {
		t.Helper()
		return passJSON(t, append([]string{"transfer", body, cox("jersey"), "-o", out, "--pass-dir", filepath.Join(dir, "passes")}, more...)...)
	}
	must(t, "transfer", plain, cox("jersey"), "-o", out, "-q", "--pass-dir", filepath.Join(dir, "passes"))

	// The artist gives the left upper arm more of a patch of the chest.
	arm := b.Skin.Joints[jointNamed(t, b.Skin, "upper_arm.left")].Global.T
	spot := patch(r3.Add(arm, r3.Vec{X: -0.08, Z: 0.05}), 0.08, 0.3)
	edited := repaint(t, out, "upper_arm.left", spot)
	if edited < 20 {
		t.Fatalf("only %d vertices edited", edited)
	}
	onArm := func() (sum float64) {
		s := weighted(t, out)
		for v, p := range s.Mesh.Positions {
			if spot(p) < 0.2 {
				continue
			}
			joint, weight := s.Rows.Row(v)
			for i, j := range joint {
				if n := s.Skin.Joints[j].Name; strings.HasPrefix(n, "upper_arm") && !strings.Contains(n, "twist") && strings.HasSuffix(n, ".left") || n == "humerus.left" {
					sum += weight[i]
				}
			}
		}
		return sum
	}
	want := onArm()

	check := func(what string, s passSummary) {
		t.Helper()
		if s.Pass.Edited != edited || s.Pass.Lost() != 0 || s.Pass.Kept+s.Pass.Carried+s.Pass.Conflict != edited {
			t.Errorf("%s: of %d edits: %+v", what, edited, s.Pass)
		}
		// Where a helper becomes a fifth influence the smallest one goes and the others
		// grow: by 1.3% of the patch's weight here.
		if got := onArm(); math.Abs(got-want) > 0.03*want {
			t.Errorf("%s: the arm has %g of the patch, had %g", what, got, want)
		}
	}
	check("nothing changed", step(plain))
	check("helpers added", step(helpers))
	m := onJoints(t, out)
	if m["upper_arm_helper.left"] < 1e-3 || m["upper_arm_helper.right"] < 1e-3 {
		t.Errorf("the helpers do not appear: %v", m)
	}
	// In steps, here and on a server, before the same in one.
	record := filepath.Join(dir, "passes", "jersey.glb.pass")
	fresh, merged := filepath.Join(dir, "fresh", "jersey.glb"), filepath.Join(dir, "merged.glb")
	must(t, "transfer", other, cox("jersey"), "--map-joint", "upper_arm.*=humerus.*", "-o", filepath.Dir(fresh)+string(filepath.Separator), "-q")
	merge := []string{"merge", record, out, fresh, "--map-joint", "upper_arm.*=humerus.*", "-q", "-o"}
	must(t, append(merge, merged)...)
	server, remote := serve(t, nil), filepath.Join(dir, "remote.glb")
	must(t, append(merge, remote, "--server", server.address)...)
	check("renamed", step(other, "--map-joint", "upper_arm.*=humerus.*"))
	for _, file := range []string{merged, remote} {
		if string(readFile(t, file)) != string(readFile(t, out)) {
			t.Errorf("%s is not what transfer writes in one step", file)
		}
	}
	if m := onJoints(t, out); m["humerus.left"] < 1e-3 || m["upper_arm.left"] != 0 {
		t.Errorf("after the new names: %v", m)
	}
	check("back", step(plain, "--map-joint", "humerus.*=upper_arm.*"))
	if m := onJoints(t, out); m["upper_arm_helper.left"] != 0 || m["humerus.left"] != 0 || m["upper_arm.left"] < 1e-3 {
		t.Errorf("after the helpers went: %v", m)
	}
	// Twist joints folded into their limbs: an edit on one goes with them.
	repaint(t, out, "upper_arm_twist.left", spot)
	folded := step(plain, "--map-joint", "*_twist.*=*.*")
	if folded.Pass.Lost() != 0 {
		t.Errorf("folding loses edits: %+v", folded.Pass)
	}
	if m := onJoints(t, out); m["upper_arm_twist.left"] != 0 || m["upper_arm.left"] < 1e-3 {
		t.Errorf("after folding: %v", m)
	}
}

func jointNamed(t *testing.T, s *skinning.Skin, name string) int {
	t.Helper()
	for j := range s.Joints {
		if s.Joints[j].Name == name {
			return j
		}
	}
	t.Fatalf("no joint %s", name)
	return -1
}

// TestTransfer_OtherDefaultPose: what was found of a garment's default pose is said on
// the terminal and in JSON, and a server finds and writes the same.
func TestTransfer_OtherDefaultPose(t *testing.T) {
	dir := t.TempDir()
	b := crew.NewBody("cox")
	file := filepath.Join(dir, "jersey.glb")
	for _, c := range b.PosedCases("jersey") {
		if c.Name != "arms 30 degrees lower" {
			continue
		}
		w, err := os.Create(file)
		if err == nil {
			err = c.Garment.WriteGLB(w)
		}
		if err == nil {
			err = w.Close()
		}
		if err != nil {
			t.Fatal(err)
		}
	}
	out, far := filepath.Join(dir, "here.glb"), filepath.Join(dir, "there.glb")
	args := []string{"transfer", cox("body"), file}
	text := must(t, append(args, "-o", out)...).stdout
	for _, want := range []string{"it was matched limb by limb", "at joint upper_arm.left: turned by 30.", "at joint upper_arm.right: turned by", "(corrected for matching)"} {
		if !strings.Contains(text, want) {
			t.Errorf("%q is not in\n%s", want, text)
		}
	}
	s := serve(t, nil)
	here := must(t, append(args, "--json", "-o", out)...)
	there := must(t, append(args, "--json", "-o", far, "--server", s.address)...)
	if string(readFile(t, out)) != string(readFile(t, far)) {
		t.Error("the server's file differs")
	}
	if x, y := withoutTimes(t, here.stdout), withoutTimes(t, there.stdout); x != y {
		t.Errorf("summaries\n%s\n%s", x, y)
	}
	var sum []transfer.Summary
	if err := json.Unmarshal([]byte(here.stdout), &sum); err != nil || len(sum) != 1 || len(sum[0].Offsets) != 2 {
		t.Fatalf("%v in %s", err, here.stdout)
	}
	for _, o := range sum[0].Offsets {
		if !o.Corrected || math.Abs(o.Degrees-30) > 0.5 || math.Abs(o.Scale-1) > 0.02 {
			t.Errorf("%+v", o)
		}
	}
	before, after := positionsOf(t, file), weighted(t, out)
	for v, p := range before {
		if d := r3.Norm(r3.Sub(p, after.Mesh.Positions[v])); d > 1e-5 {
			t.Fatalf("vertex %d moved by %g m: the correction is for matching only", v, d)
		}
	}
	if text := must(t, append(args, "-o", out, "--registration", "off")...).stdout; !strings.Contains(text, "nothing was corrected") || !strings.Contains(text, "(reported only)") {
		t.Errorf("without registration\n%s", text)
	}
}

// positionsOf are the positions of a garment's vertices.
func positionsOf(t *testing.T, file string) []r3.Vec {
	t.Helper()
	a, err := gltfio.Open(file, gltfio.Options{})
	if err != nil {
		t.Fatal(err)
	}
	s, err := a.Garment(gltfio.Selection{})
	if err != nil {
		t.Fatal(err)
	}
	return s.Mesh.Positions
}
