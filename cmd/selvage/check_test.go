package main

import (
	"context"
	"encoding/binary"
	"encoding/json"
	"math"
	"path/filepath"
	"strings"
	"testing"

	"github.com/selvage/selvage/transfer/pose"
)

// wornJersey is the cox's jersey with the body's weights.
func wornJersey(t *testing.T) string {
	t.Helper()
	file := filepath.Join(t.TempDir(), "jersey.glb")
	must(t, "transfer", cox("body"), cox("jersey"), "-o", file, "-q")
	return file
}

func TestCheck_Outputs(t *testing.T) {
	file := wornJersey(t)
	o := must(t, "check", file, "--body", cox("body"), "--top", "3")
	if !strings.Contains(o.stdout, "jersey.glb over body.glb: ") || !strings.Contains(o.stdout, "note for the rigger") {
		t.Errorf("the tables say:\n%s", o.stdout)
	}
	if strings.ContainsAny(o.stdout, "\x1b\r") || o.stderr != "" {
		t.Errorf("control characters or standard error in a pipe: %q", o.stderr)
	}
	var r pose.Report
	one, two := must(t, "check", file, "--body", cox("body"), "--json", "--threads", "1"), must(t, "check", file, "--body", cox("body"), "--json", "--threads", "2")
	if one.stdout != two.stdout {
		t.Error("the report depends on the number of threads")
	}
	if err := json.Unmarshal([]byte(one.stdout), &r); err != nil {
		t.Fatal(err)
	}
	if r.Poses < 100 || r.Vertices < 500 || len(r.Notes) == 0 || r.Limits.Stretch != 1.8 {
		t.Errorf("%d poses, %d vertices, %d notes", r.Poses, r.Vertices, len(r.Notes))
	}
	for _, n := range r.Notes {
		if n.Sentence == "" || n.Pose.Joint == "" || n.Pose.Axis == "" || n.Place.Mesh == "" {
			t.Errorf("a note does not say where: %+v", n)
			break
		}
	}
	if o := must(t, "check", file, "--body", cox("body"), "-q"); o.stdout+o.stderr != "" {
		t.Errorf("quiet, and yet: %q", o.stdout+o.stderr)
	}
}

func TestCheck_Strict(t *testing.T) {
	file := wornJersey(t)
	// A limit that everything passes, and one that nothing that moves does.
	must(t, "check", file, "--body", cox("body"), "--strict", "-q", "--max-rank", "1000")
	o := selvage(t, "check", file, "--body", cox("body"), "--strict", "-q", "--limit", "penetration=1e-6", "--limit", "gap=1e-6")
	if o.status != exitStrict {
		t.Errorf("status %d: %s", o.status, o.stderr)
	}
	oneSentence(t, o)
}

func TestCheck_Plan(t *testing.T) {
	file, dir := wornJersey(t), t.TempDir()
	plan := filepath.Join(dir, "plan.yaml")
	write(t, plan, `
angles: []
move: 0
scale: []
poses:
  - name: arms overhead
    set: [{joints: ["upper_arm.left"], turn: [0, 0, 100]}, {joints: ["upper_arm.right"], turn: [0, 0, -100]}]
`)
	o := must(t, "check", file, "--body", cox("body"), "--plan", plan, "--json")
	var r pose.Report
	if err := json.Unmarshal([]byte(o.stdout), &r); err != nil {
		t.Fatal(err)
	}
	if r.Poses != 1 || r.Idle != 0 {
		t.Errorf("%d poses, %d idle", r.Poses, r.Idle)
	}
	for _, f := range append(r.Findings, r.Notes...) {
		if f.Pose.Name != "arms overhead" {
			t.Errorf("another pose: %s", f.Sentence)
		}
	}
}

func TestCheck_Errors(t *testing.T) {
	dir := t.TempDir()
	bad := filepath.Join(dir, "bad.yaml")
	write(t, bad, "angles: [45]\nangels: [90]\n")
	for _, c := range []struct {
		name   string
		args   []string
		status int
		says   string
	}{
		{"no garment", []string{"--body", cox("body")}, exitUsage, "one garment"},
		{"no body", []string{cox("jersey")}, exitUsage, "--body"},
		{"no weights", []string{cox("jersey"), "--body", cox("body")}, exitFailed, "no skin"},
		{"no such file", []string{filepath.Join(dir, "none.glb"), "--body", cox("body")}, exitFailed, "none.glb"},
		{"no such plan", []string{cox("body"), "--body", cox("body"), "--plan", filepath.Join(dir, "none.yaml")}, exitFailed, "none.yaml"},
		{"bad plan", []string{cox("body"), "--body", cox("body"), "--plan", bad}, exitUsage, "bad.yaml:2:1: "},
		{"unknown limit", []string{cox("body"), "--body", cox("body"), "--limit", "beauty=1"}, exitUsage, "beauty"},
		{"limit that is none", []string{cox("body"), "--body", cox("body"), "--limit", "gap"}, exitUsage, "KIND=NUMBER"},
		{"negative limit", []string{cox("body"), "--body", cox("body"), "--limit", "gap=-1"}, exitUsage, "gap"},
		{"too many samples", []string{cox("body"), "--body", cox("body"), "--samples", "99999"}, exitUsage, "samples"},
		{"negative threads", []string{cox("body"), "--body", cox("body"), "--threads", "-1"}, exitUsage, "threads"},
		{"malformed pattern", []string{cox("body"), "--body", cox("body"), "--garment", "["}, exitUsage, "["},
	} {
		t.Run(c.name, func(t *testing.T) {
			o := selvage(t, append([]string{"check"}, c.args...)...)
			if o.status != c.status || !strings.Contains(o.stderr, c.says) {
				t.Errorf("status %d, want %d: %q", o.status, c.status, o.stderr)
			}
			oneSentence(t, o)
		})
	}
}

// An interrupted check says so and prints no half report.
func TestCheck_Interrupted(t *testing.T) {
	ctx, cancel := context.WithCancel(context.Background())
	cancel()
	if status := run(ctx, []string{"check", cox("body"), "--body", cox("body"), "-q"}); status != exitFailed {
		t.Errorf("status %d", status)
	}
}

// waving is the cox's body with an animation of two seconds: a wave of the left arm.
func waving(t *testing.T) string {
	t.Helper()
	doc, bin := readGLB(t, cox("body"))
	arm := -1
	for i, n := range list(doc, "nodes") {
		if n["name"] == "upper_arm.left" {
			arm = i
		}
	}
	if arm < 0 {
		t.Fatal("no upper_arm.left")
	}
	// Two keyframes: as the node stands, and turned half round (0, 0, 1, 0).
	rest, ok := list(doc, "nodes")[arm]["rotation"].([]any)
	if !ok {
		rest = []any{json.Number("0"), json.Number("0"), json.Number("0"), json.Number("1")}
	}
	values := []float32{0, 2}
	for _, x := range rest {
		f, err := x.(json.Number).Float64()
		if err != nil {
			t.Fatal(err)
		}
		values = append(values, float32(f))
	}
	values = append(values, 0, 0, 1, 0)
	for len(bin)%4 != 0 {
		bin = append(bin, 0)
	}
	start := len(bin)
	for _, x := range values {
		bin = binary.LittleEndian.AppendUint32(bin, math.Float32bits(x))
	}
	add := func(key string, x map[string]any) int {
		items, _ := doc[key].([]any)
		doc[key] = append(items, x)
		return len(items)
	}
	times := add("bufferViews", map[string]any{"buffer": 0, "byteOffset": start, "byteLength": 8})
	turns := add("bufferViews", map[string]any{"buffer": 0, "byteOffset": start + 8, "byteLength": 32})
	in := add("accessors", map[string]any{"bufferView": times, "componentType": 5126, "type": "SCALAR", "count": 2, "min": []any{0}, "max": []any{2}})
	out := add("accessors", map[string]any{"bufferView": turns, "componentType": 5126, "type": "VEC4", "count": 2})
	add("animations", map[string]any{
		"name":     "wave",
		"samplers": []any{map[string]any{"input": in, "output": out}},
		"channels": []any{map[string]any{"sampler": 0, "target": map[string]any{"node": arm, "path": "rotation"}}},
	})
	doc["buffers"].([]any)[0].(map[string]any)["byteLength"] = len(bin)
	body := filepath.Join(t.TempDir(), "body.glb")
	writeGLB(t, body, doc, bin)
	return body
}

// A body's animation is sampled: three moments of it.
func TestCheck_Animation(t *testing.T) {
	file, body := wornJersey(t), waving(t)
	plan := filepath.Join(t.TempDir(), "none.yaml")
	write(t, plan, "angles: []\nmove: 0\nscale: []\n")
	var r pose.Report
	o := must(t, "check", file, "--body", body, "--plan", plan, "--samples", "3", "--json")
	if err := json.Unmarshal([]byte(o.stdout), &r); err != nil {
		t.Fatal(err)
	}
	if r.Poses != 3 {
		t.Errorf("%d poses, want 3", r.Poses)
	}
	seen := map[string]bool{}
	for _, f := range append(r.Findings, r.Notes...) {
		seen[f.Pose.Name] = true
	}
	// The first moment is the default pose: nothing is wrong there.
	if seen["wave at 0 s"] || !seen["wave at 2 s"] {
		t.Errorf("moments with findings or notes: %v", seen)
	}
	o = must(t, "check", file, "--body", body, "--plan", plan, "--json")
	if err := json.Unmarshal([]byte(o.stdout), &r); err != nil {
		t.Fatal(err)
	}
	if r.Poses != 0 {
		t.Errorf("%d poses though none is asked for", r.Poses)
	}
}

// A server's check prints the bytes that the check here prints, for clothes that fit
// and such that hang, whatever the plan.
func TestCheck_ServerSameBytes(t *testing.T) {
	s := serve(t, nil)
	dir := t.TempDir()
	body := waving(t)
	plan := filepath.Join(dir, "plan.yaml")
	write(t, plan, `
angles: [40, 120]
move: 0.05
scale: []
groups: {legs: ["thigh.*", "shin.*"], none: []}
joints:
  - {joints: ["*"], importance: {z: 0.25}}
  - {joints: [legs, "no such joint"], angles: [30], range: {x: [-20, 25]}}
  - {joints: ["hand.*"], skip: true}
poses:
  - name: arms overhead
    importance: 0.5
    set: [{joints: ["upper_arm.left"], turn: [0, 0, 100], scale: [1, 1.2, 1]}, {joints: ["upper_arm.right"], turn: [0, 0, -100], move: [0, 0.02, 0]}]
limits: {penetration: 0.001, bodyJagged: 0.2, pole: 7}
`)
	found := 0
	for _, name := range []string{"jersey", "gloves", "bib-trousers", "oilskin-coat", "cape"} {
		garment := filepath.Join(dir, name+".glb")
		must(t, "transfer", cox("body"), cox(name), "-o", garment, "-q")
		for _, more := range [][]string{
			{"--json"},
			{"--json", "--plan", plan, "--samples", "3", "--threads", "1", "--limit", "gap=0.01", "--body-mesh", "*", "--garment", "*"},
			{"--top", "0"},
		} {
			args := append([]string{"check", garment, "--body", body}, more...)
			here, there := must(t, args...), must(t, append(args, "--server", s.address)...)
			if here.stdout != there.stdout {
				t.Errorf("%s %v: the server's report differs", name, more)
			}
			if there.stderr != "" {
				t.Errorf("%s: standard error: %q", name, there.stderr)
			}
			found += strings.Count(here.stdout, "sentence")
		}
	}
	if found < 50 {
		t.Errorf("%d findings and notes compared: it checks little", found)
	}
	// Faults read the same, and the exit status is the same.
	jersey := filepath.Join(dir, "jersey.glb")
	plain := strings.NewReplacer(dir+"/", "", filepath.Dir(body)+"/", "", coxDir+"/", "") // a server knows files by their names alone
	for _, args := range [][]string{
		{cox("jersey"), "--body", body},
		{jersey, "--body", cox("jersey")},
		{jersey, "--body", body, "--garment", "nobody"},
		{jersey, "--body", body, "--strict", "-q", "--limit", "gap=1e-6"},
	} {
		args = append([]string{"check"}, args...)
		here, there := selvage(t, args...), selvage(t, append(args, "--server", s.address)...)
		here.stderr = plain.Replace(here.stderr)
		if here.status == exitDone || here != there {
			t.Errorf("%v: here %+v, by the server %+v", args, here, there)
		}
	}
}
