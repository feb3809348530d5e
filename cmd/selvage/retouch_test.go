package main

import (
	"bytes"
	"encoding/json"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"github.com/selvage/selvage/transfer/crew"
	"github.com/selvage/selvage/transfer/retouch"
)

// retouchCalls are a call of each command on body.
func retouchCalls(body string) map[string][]string {
	return map[string][]string{
		"fill":   {"fill", body, "--mask", "near:forearm.left:0.05", "--mask", "joint:neck"},
		"mirror": {"mirror", body, "--from", "right", "--mask", "joint:*.left"},
		"even":   {"even", body, "--joint", "forearm.left", "--joint", "forearm_twist.left"},
		"smooth": {"smooth", body, "--mask", "joint:thigh.*", "--strength", "2", "--passes", "2"},
		"tidy":   {"tidy", body, "--max-influences", "2"},
	}
}

func summaryOf(t *testing.T, o outcome) *retouch.Summary {
	t.Helper()
	s := &retouch.Summary{}
	if err := json.Unmarshal([]byte(o.stdout), s); err != nil {
		t.Fatalf("%v: %s", err, o.stdout)
	}
	return s
}

// TestRetouch: every command writes a legal asset, the same by a server and with any
// number of threads, and says what it did.
func TestRetouch(t *testing.T) {
	s := serve(t, nil)
	dir := t.TempDir()
	var files []string
	// A body that is neither symmetric nor even.
	body := filepath.Join(dir, "body.glb")
	must(t, "smooth", cox("body"), "--mask", "box:0,0,0,2,2,2", "--strength", "5", "-o", body, "-q")
	for name, args := range retouchCalls(body) {
		file, other := filepath.Join(dir, name+".glb"), filepath.Join(dir, name+".server.glb")
		here := must(t, append(args, "-o", file, "--json", "--threads", "1")...)
		there := must(t, append(args, "-o", other, "--json", "--server", s.address)...)
		if here.stdout != there.stdout {
			t.Errorf("%s: here\n%s\nby the server\n%s", name, here.stdout, there.stdout)
		}
		if !bytes.Equal(readBytes(t, file), readBytes(t, other)) {
			t.Errorf("%s: the server's bytes differ", name)
		}
		sum := summaryOf(t, here)
		if sum.Operation != name || sum.Asset != "body.glb" || sum.Vertices == 0 {
			t.Errorf("%s: %s", name, here.stdout)
		}
		if sum.Changed == 0 || sum.MaxL1 == 0 {
			t.Errorf("%s: %d rows changed", name, sum.Changed)
		}
		files = append(files, file)
		if name == "fill" || name == "smooth" { // the others are written alike
			continue
		}
		text := filepath.Join(dir, name+".gltf")
		o := must(t, append(args, "-o", text)...)
		if !strings.HasPrefix(o.stdout, "body.glb: ") || strings.ContainsAny(o.stdout+o.stderr, "\x1b\r") {
			t.Errorf("%s says %q", name, o.stdout)
		}
		if !bytes.HasPrefix(readBytes(t, text), []byte("{")) {
			t.Errorf("%s: %s is no JSON", name, text)
		}
		files = append(files, text)
		if o := must(t, append(args, "-o", text, "-q")...); o.stdout+o.stderr != "" {
			t.Errorf("%s: quiet, and yet %q", name, o.stdout+o.stderr)
		}
	}
	validate(t, files...)

	// The cox's own body is symmetric, and its twist pairs are even.
	for _, name := range []string{"mirror", "even"} {
		for _, more := range [][]string{nil, {"--server", s.address}} {
			file := filepath.Join(dir, name+".same.glb")
			must(t, append(append(retouchCalls(cox("body"))[name], "-o", file, "-q"), more...)...)
			if !bytes.Equal(readBytes(t, file), readBytes(t, cox("body"))) {
				t.Errorf("%s %v: nothing changed, and yet other bytes", name, more)
			}
		}
	}
}

// TestEven_Doubtful: joints that meet and that do not lie above one another are asked
// about, here and by the server.
func TestEven_Doubtful(t *testing.T) {
	s := serve(t, nil)
	out := filepath.Join(t.TempDir(), "even.glb")
	const doubt = "neither joint of the pair is above the other in the skeleton"
	for _, more := range [][]string{nil, {"--server", s.address}} {
		for pair, doubted := range map[[2]string]bool{{"index_1.left", "middle_1.left"}: true, {"forearm_twist.left", "forearm.left"}: false} {
			o := must(t, append([]string{"even", cox("body"), "-o", out, "--joint", pair[0], "--joint", pair[1]}, more...)...)
			if strings.Contains(o.stdout, doubt) != doubted {
				t.Errorf("%v %v: %s", pair, more, o.stdout)
			}
		}
	}
}

func readBytes(t *testing.T, file string) []byte {
	t.Helper()
	data, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	return data
}

// TestTidy_Unchanged: a tidy asset comes out byte for byte, also where it was not
// written by this program, and in its own place.
func TestTidy_Unchanged(t *testing.T) {
	dir := t.TempDir()
	doc, bin := readGLB(t, cox("body"))
	file := filepath.Join(dir, "body.glb")
	doc["extras"] = map[string]any{"wharf": 7}
	writeGLB(t, file, doc, bin)
	before := readBytes(t, file)
	o := must(t, "tidy", file, "-o", file)
	if !bytes.Equal(readBytes(t, file), before) || !strings.Contains(o.stdout, "tidy already") {
		t.Errorf("it changed: %s", o.stdout)
	}
	// As text it is the same asset in the other form.
	text := filepath.Join(dir, "body.gltf")
	must(t, "tidy", file, "-o", text, "-q")
	if sum := summaryOf(t, must(t, "tidy", text, "-o", text, "--json")); sum.Changed != 0 {
		t.Errorf("%+v", sum)
	}
	validate(t, text)
}

// TestMirror_Pairs: pairs are printed, doubtful ones first and never silently.
func TestMirror_Pairs(t *testing.T) {
	dir := t.TempDir()
	doc, bin := readGLB(t, cox("body"))
	for _, n := range list(doc, "nodes") {
		if n["name"] == "hand.right" {
			n["name"] = "starboard hand"
		}
	}
	file, out := filepath.Join(dir, "body.glb"), filepath.Join(dir, "out.glb")
	writeGLB(t, file, doc, bin)
	o := must(t, "mirror", file, "-o", out)
	if !strings.Contains(o.stdout, "the positions make a pair, the names do not") || !strings.Contains(o.stdout, "1 joint pairs are doubtful") {
		t.Errorf("it says:\n%s", o.stdout)
	}
	pairs := filepath.Join(dir, "pairs.yaml")
	write(t, pairs, "hand.left: starboard hand\n")
	if sum := summaryOf(t, must(t, "mirror", file, "--pairs", pairs, "-o", out, "--json")); sum.Mirror.Doubtful != 0 || sum.Changed != 0 {
		t.Errorf("%+v", sum)
	}
	write(t, pairs, "hand.left: [starboard hand]\n")
	if o := selvage(t, "mirror", file, "--pairs", pairs, "-o", out); o.status != exitUsage || !strings.Contains(o.stderr, "pairs.yaml") {
		t.Errorf("status %d: %s", o.status, o.stderr)
	}
}

// TestMirror_Onto: another body gets the rows, here and by a server.
func TestMirror_Onto(t *testing.T) {
	s := serve(t, nil)
	dir := t.TempDir()
	other := filepath.Join(dir, "other.glb")
	var b bytes.Buffer
	if err := crew.NewBodyAt("cox", 0.4).WriteGLB(&b); err != nil {
		t.Fatal(err)
	}
	write(t, other, b.String())
	here, there := filepath.Join(dir, "here.glb"), filepath.Join(dir, "there.glb")
	one := must(t, "mirror", cox("body"), "--onto", other, "-o", here, "--json")
	two := must(t, "mirror", cox("body"), "--onto", other, "-o", there, "--json", "--server", s.address)
	if one.stdout != two.stdout || !bytes.Equal(readBytes(t, here), readBytes(t, there)) {
		t.Error("the server's result differs")
	}
	sum := summaryOf(t, one)
	if sum.Asset != "other.glb" || sum.Mirror.From != "all" || sum.Changed == 0 || sum.MeanL1 > 0.1 {
		t.Errorf("%+v", sum)
	}
	validate(t, here)
}

// TestMirror_Posed: a symmetric body whose default pose is not is symmetric in its bind
// pose, and nothing changes.
func TestMirror_Posed(t *testing.T) {
	s := serve(t, nil)
	dir := t.TempDir()
	doc, bin := readGLB(t, cox("body"))
	for _, n := range list(doc, "nodes") {
		if n["name"] == "upper_arm.left" || n["name"] == "spine_2" {
			n["rotation"] = []float64{0, 0, math.Sin(-0.1), math.Cos(-0.1)}
		}
	}
	file, out := filepath.Join(dir, "body.glb"), filepath.Join(dir, "out.glb")
	writeGLB(t, file, doc, bin)
	o := must(t, "mirror", file, "-o", out)
	if !strings.Contains(o.stdout, ": 0 of ") || !strings.Contains(o.stdout, "plane x = 0.0000 m in the bind pose, from left") || strings.Contains(o.stdout, "doubtful") {
		t.Errorf("it says:\n%s", o.stdout)
	}
	here, there := must(t, "mirror", file, "-o", out, "--json"), must(t, "mirror", file, "-o", out, "--json", "--server", s.address)
	if sum := summaryOf(t, here); sum.Changed != 0 || !sum.Mirror.InBindPose || here.stdout != there.stdout {
		t.Errorf("%+v; by the server:\n%s", sum, there.stdout)
	}
}

// TestMirror_Plane: the plane that is given, and what is refused for it, here and by a
// server.
func TestMirror_Plane(t *testing.T) {
	s := serve(t, nil)
	dir := t.TempDir()
	out := filepath.Join(dir, "out.glb")
	for _, where := range [][]string{nil, {"--server", s.address}} {
		args := func(more ...string) []string {
			return slices.Concat([]string{"mirror", cox("body"), "-o", out, "--json"}, more, where)
		}
		o := selvage(t, args("--plane", "0.3")...)
		if o.status != exitFailed || o.stdout != "" || !strings.Contains(o.stderr, "body.glb: is not mirrored: ") || !strings.Contains(o.stderr, "joint pairs are doubtful") || strings.Count(o.stderr, "--allow-doubtful") != 1 || strings.Count(strings.TrimSpace(o.stderr), "\n") > 0 {
			t.Errorf("status %d, %q", o.status, o.stderr)
		}
		if _, err := os.Stat(out); err == nil {
			t.Error("it is written all the same")
		}
		if sum := summaryOf(t, must(t, args("--plane", "0.3", "--allow-doubtful")...)); sum.Mirror.Plane != 0.3 || sum.Mirror.Doubtful == 0 {
			t.Errorf("%+v", sum.Mirror)
		}
		if err := os.Remove(out); err != nil {
			t.Fatal(err)
		}
		if sum := summaryOf(t, must(t, args("--plane", "0")...)); sum.Mirror.Plane != 0 || sum.Changed != 0 {
			t.Errorf("%+v", sum.Mirror)
		}
		if err := os.Remove(out); err != nil {
			t.Fatal(err)
		}
		if o := selvage(t, args("--plane", "NaN")...); o.status != exitUsage || !strings.Contains(o.stderr, "plane") {
			t.Errorf("status %d, %q", o.status, o.stderr)
		}
	}
}

func TestRetouch_Errors(t *testing.T) {
	s := serve(t, nil)
	dir := t.TempDir()
	out := filepath.Join(dir, "out.glb")
	for _, c := range []struct {
		name   string
		args   []string
		status int
		says   string
	}{
		{"no asset", []string{"fill", "-o", out}, exitUsage, "one skinned asset"},
		{"no output", []string{"tidy", cox("body")}, exitUsage, "--output"},
		{"output of another kind", []string{"tidy", cox("body"), "-o", filepath.Join(dir, "x.png")}, exitUsage, "x.png"},
		{"no region", []string{"fill", cox("body"), "-o", out}, exitUsage, "region"},
		{"no such region", []string{"fill", cox("body"), "-o", out, "--mask", "ball:1"}, exitUsage, "ball"},
		{"region without vertices", []string{"fill", cox("body"), "-o", out, "--mask", "joint:tail"}, exitUsage, "no vertex"},
		{"region of a missing attribute", []string{"smooth", cox("body"), "-o", out, "--mask", "attribute:_PAINTED"}, exitFailed, "_PAINTED"},
		{"energy", []string{"fill", cox("body"), "-o", out, "--mask", "joint:neck", "--fill", "thermal"}, exitUsage, "thermal"},
		{"side", []string{"mirror", cox("body"), "-o", out, "--from", "port"}, exitUsage, "port"},
		{"tolerance", []string{"mirror", cox("body"), "-o", out, "--tolerance", "-1"}, exitUsage, "tolerance"},
		{"no such pairs", []string{"mirror", cox("body"), "-o", out, "--pairs", filepath.Join(dir, "none.yaml")}, exitUsage, "--pairs: open "},
		{"one joint", []string{"even", cox("body"), "-o", out, "--joint", "forearm.left"}, exitUsage, "--joint"},
		{"no such joint", []string{"even", cox("body"), "-o", out, "--joint", "forearm.left", "--joint", "fin"}, exitUsage, "fin"},
		{"joints of two limbs", []string{"even", cox("body"), "-o", out, "--joint", "forearm.left", "--joint", "shin.right"}, exitUsage, "they share no limb"},
		{"strength", []string{"smooth", cox("body"), "-o", out, "--strength", "-2"}, exitUsage, "strength"},
		{"strength zero", []string{"smooth", cox("body"), "-o", out, "--strength", "0"}, exitUsage, "option strength: 0 is not above 0"},
		{"passes zero", []string{"smooth", cox("body"), "-o", out, "--passes", "0"}, exitUsage, "option passes: 0 is outside 1..100"},
		{"region near no joint", []string{"smooth", cox("body"), "-o", out, "--mask", "near:fin:0.1"}, exitUsage, "no joint has that name"},
		{"influences", []string{"tidy", cox("body"), "-o", out, "--max-influences", "9"}, exitUsage, "max-influences"},
		{"threads", []string{"tidy", cox("body"), "-o", out, "--threads", "-1"}, exitUsage, "threads"},
		{"pattern", []string{"tidy", cox("body"), "-o", out, "--mesh", "["}, exitUsage, "["},
		{"no such mesh", []string{"tidy", cox("body"), "-o", out, "--mesh", "nobody"}, exitFailed, "nobody"},
		{"not skinned", []string{"tidy", cox("jersey"), "-o", out}, exitFailed, "skinned"},
		{"no such file", []string{"tidy", filepath.Join(dir, "none.glb"), "-o", out}, exitFailed, "none.glb"},
	} {
		t.Run(c.name, func(t *testing.T) {
			o := selvage(t, c.args...)
			if o.status != c.status || !strings.Contains(o.stderr, c.says) {
				t.Errorf("status %d, want %d: %q", o.status, c.status, o.stderr)
			}
			oneSentence(t, o)
			plain := strings.NewReplacer(coxDir+"/", "", dir+"/", "") // a server knows files by their names alone
			there := selvage(t, append(c.args, "--server", s.address)...)
			if there.status != o.status || plain.Replace(there.stderr) != plain.Replace(o.stderr) {
				t.Errorf("by the server %d %q, here %d %q", there.status, there.stderr, o.status, o.stderr)
			}
		})
	}
	if _, err := os.Stat(out); err == nil {
		t.Error("a failure left a file")
	}
}
