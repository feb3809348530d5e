package main

import (
	"bytes"
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"reflect"
	"strings"
	"testing"

	"github.com/selvage/selvage/transfer"
)

// sameFile holds two files against each other.
func sameFile(t *testing.T, what, a, b string, want bool) {
	t.Helper()
	x, err := os.ReadFile(a)
	if err != nil {
		t.Fatal(err)
	}
	y, err := os.ReadFile(b)
	if err != nil {
		t.Fatal(err)
	}
	if bytes.Equal(x, y) != want {
		t.Errorf("%s: %s and %s: same bytes: %v", what, a, b, !want)
	}
}

// TestLayers_TransferAndCheck: garments of one call over one another, in the order
// given and in the order found; one by one over files; on a server; and what the check
// says of them.
func TestLayers_TransferAndCheck(t *testing.T) {
	dir := t.TempDir()
	in := func(folder, name string) string { return filepath.Join(dir, folder, name+".glb") }
	server := serve(t, nil)
	const jersey, trousers, coat = "jersey", "bib-trousers", "oilskin-coat"
	must(t, "transfer", cox("body"), cox(jersey), cox(trousers), cox(coat), "-o", filepath.Join(dir, "given"), "--layers", "given", "-q")
	must(t, "transfer", cox("body"), cox(jersey), cox(trousers), cox(coat), "-o", filepath.Join(dir, "off"), "-q")
	must(t, "transfer", cox("body"), cox(jersey), cox(trousers), cox(coat), "-o", filepath.Join(dir, "alone"), "--layers", "off", "-q")
	found := must(t, "transfer", cox("body"), cox(coat), cox(trousers), cox(jersey), "-o", filepath.Join(dir, "found"), "--layers", "found")
	there := must(t, "transfer", cox("body"), cox(coat), cox(trousers), cox(jersey), "-o", filepath.Join(dir, "there"), "--layers", "found", "--json", "--server", server.address)
	must(t, "transfer", cox("body"), cox(coat), "-o", in("", "one"), "--layer", in("given", jersey), "--layer", in("given", trousers), "-q")
	must(t, "transfer", cox("body"), cox(coat), "-o", in("", "one-there"), "--layer", in("given", jersey), "--layer", in("given", trousers), "-q", "--server", server.address)
	for _, name := range []string{jersey, trousers, coat} {
		sameFile(t, "found", in("given", name), in("found", name), true)
		sameFile(t, "on a server", in("given", name), in("there", name), true)
		sameFile(t, "off", in("off", name), in("alone", name), true)
	}
	sameFile(t, "the innermost", in("given", jersey), in("off", jersey), true)
	sameFile(t, "the outermost", in("given", coat), in("off", coat), false)
	sameFile(t, "one by one", in("given", coat), in("", "one"), true)
	sameFile(t, "one by one on a server", in("given", coat), in("", "one-there"), true)
	if !strings.Contains(found.stdout, "oilskin-coat.glb: taken from: body.glb ") || !strings.Contains(found.stdout, ", jersey.glb ") {
		t.Errorf("the summary does not say what was taken from where:\n%s", found.stdout)
	}
	var summaries []struct {
		Garment   string
		TakenFrom []struct {
			Name     string
			Vertices int
		}
	}
	if err := json.Unmarshal([]byte(there.stdout), &summaries); err != nil {
		t.Fatal(err)
	}
	if len(summaries) != 3 || summaries[0].Garment != "oilskin-coat.glb" || len(summaries[0].TakenFrom) != 3 || summaries[2].TakenFrom != nil {
		t.Errorf("summaries %+v", summaries)
	}

	args := []string{"check", in("given", coat), "--body", cox("body"), "--layer", in("given", jersey), "--layer", in("given", trousers)}
	text := must(t, append(args, "--top", "3")...)
	if !strings.Contains(text.stdout, "over jersey.glb: ") || !strings.Contains(text.stdout, "over bib-trousers.glb: ") {
		t.Errorf("the check does not tell of layers:\n%s", text.stdout)
	}
	here, remote := must(t, append(args, "--json")...), must(t, append(args, "--json", "--server", server.address)...)
	var report struct {
		Layers []struct {
			Layer       string
			Over, Cases int
		}
	}
	if err := json.Unmarshal([]byte(here.stdout), &report); err != nil {
		t.Fatal(err)
	}
	if here.stdout != remote.stdout || len(report.Layers) != 2 || report.Layers[0].Layer != "jersey.glb" || report.Layers[0].Over == 0 {
		t.Errorf("layers of the report: %+v; same on the server: %v", report.Layers, here.stdout == remote.stdout)
	}

	for _, c := range []struct {
		name, want string
		status     int
		args       []string
	}{
		{"word", "none of", exitUsage, []string{"transfer", cox("body"), cox(coat), "-o", in("", "x"), "--layers", "some"}},
		{"no file", "nowhere.glb", exitFailed, []string{"transfer", cox("body"), cox(coat), "-o", in("", "x"), "--layer", "nowhere.glb"}},
		{"unweighted", "jersey.glb", exitFailed, []string{"transfer", cox("body"), cox(coat), "-o", in("", "x"), "--layer", cox(jersey)}},
		{"its own last output", "oilskin-coat.glb has the same surface as the garment", exitUsage, []string{"transfer", cox("body"), cox(coat), "-o", in("", "x"), "--layer", in("given", coat)}},
		{"its own last output, on a server", "oilskin-coat.glb has the same surface as the garment", exitUsage, []string{"transfer", cox("body"), cox(coat), "-o", in("", "x"), "--layer", in("given", coat), "--server", server.address}},
		{"one layer twice", "jersey.glb has the same surface as the layer", exitUsage, []string{"transfer", cox("body"), cox(coat), "-o", in("", "x"), "--layer", in("given", jersey), "--layer", in("off", jersey)}},
		{"check, no file", "nowhere.glb", exitFailed, []string{"check", in("given", coat), "--body", cox("body"), "--layer", "nowhere.glb"}},
		{"check, unweighted", "jersey.glb", exitFailed, []string{"check", in("given", coat), "--body", cox("body"), "--layer", cox(jersey)}},
	} {
		o := selvage(t, c.args...)
		if o.status != c.status || !strings.Contains(o.stderr, c.want) {
			t.Errorf("%s: status %d, %q", c.name, o.status, o.stderr)
		}
		if _, err := os.Stat(in("", "x")); err == nil {
			t.Errorf("%s: it wrote a file", c.name)
		}
	}
}

// TestLayers_OwnJoints: layers whose joints have the garments' names are worn like those
// with the body's, where the joint map says how these are called: here, on a server, in
// one call, and in a batch here and on a farm.
func TestLayers_OwnJoints(t *testing.T) {
	dir, store := t.TempDir(), t.TempDir()
	server := serve(t, nil, "--farm", "--farm-folder", store)
	startWorker(t, "--farm-folder", store)
	in := func(folder, name string) string { return filepath.Join(dir, folder, name+".glb") }
	const jersey, coat = "jersey", "gloves"
	rig := func(_ int, joint string) string { return "rig_" + joint }
	for _, d := range []string{"plain", "own"} {
		if err := os.Mkdir(filepath.Join(dir, d), 0o755); err != nil {
			t.Fatal(err)
		}
	}
	for _, name := range []string{jersey, coat} {
		must(t, "transfer", cox("body"), cox(name), "-o", in("plain", name), "-q")
		renamed(t, in("plain", name), in("own", name), rig)
	}
	// Something that the body's rows are not.
	w := rowsOf(t, in("plain", jersey))
	hand := rowsOf(t, in("plain", coat)).Mesh.Positions[0]
	for d, joint := range map[string]string{"plain": w.Joints[3].Name, "own": "rig_" + w.Joints[3].Name} {
		if repaint(t, in(d, jersey), joint, patch(hand, 0.4, 0.7)) == 0 {
			t.Fatal("nothing is edited")
		}
	}
	args := func(layer, out string, more ...string) []string {
		a := []string{"transfer", cox("body"), in("own", coat), "-o", in("", out), "--skin", "own", "--map-joint", "*=rig_*", "-q"}
		if layer != "" {
			a = append(a, "--layer", layer)
		}
		return append(a, more...)
	}
	must(t, args("", "alone")...)
	must(t, args(in("plain", jersey), "body-names")...)
	must(t, args(in("own", jersey), "own-names")...)
	must(t, args(in("own", jersey), "server", "--server", server.address)...)
	same := func(what, a, b string, want bool) {
		t.Helper()
		x, y := rowsOf(t, a), rowsOf(t, b)
		if reflect.DeepEqual(x.Rows, y.Rows) != want {
			t.Errorf("%s: same rows: %v", what, !want)
		}
	}
	same("the layer counts", in("", "body-names"), in("", "alone"), false)
	same("by the map", in("", "own-names"), in("", "body-names"), true)
	sameFile(t, "on a server", in("", "own-names"), in("", "server"), true)
	// Without the map, and where it names none of them, the layer is refused.
	for _, more := range [][]string{nil, {"--map-joint", "*=other_*"}} {
		o := selvage(t, append([]string{"transfer", cox("body"), cox(coat), "-o", in("", "x"), "--layer", in("own", jersey)}, more...)...)
		if o.status != exitFailed || !strings.Contains(o.stderr, "none of its joints is a joint of the body") || strings.Contains(o.stderr, "joint map") != (more != nil) {
			t.Errorf("%v: status %d: %s", more, o.status, o.stderr)
		}
	}

	// In one call the inner result has its own joints too.
	must(t, "transfer", cox("body"), in("own", jersey), in("own", coat), "-o", filepath.Join(dir, "call"), "--skin", "own", "--map-joint", "*=rig_*", "--layers", "given", "-q")
	must(t, args(in("call", jersey), "steps")...)
	sameFile(t, "in one call and in steps", in("call", coat), in("", "steps"), true)
	copyFile(t, cox("body"), in("", "body"))
	manifest := "version: 1\nbodies: [{name: cox, file: body.glb}]\ngarments: [{files: \"own/*.glb\"}]\nlayers: [" + jersey + ", " + coat + "]\n" +
		"options: {skin: own, joint-map: [{from: \"*\", to: \"rig_*\"}]}\noutput: OUT/{garment}.glb\n"
	for k, place := range [][]string{nil, {"--server", server.address}} {
		out := fmt.Sprint("batch", k)
		file := filepath.Join(dir, out+".yaml")
		if err := os.WriteFile(file, []byte(strings.Replace(manifest, "OUT", out, 1)), 0o644); err != nil {
			t.Fatal(err)
		}
		must(t, append([]string{"batch", file, "-q"}, place...)...)
		for _, name := range []string{jersey, coat} {
			sameFile(t, fmt.Sprint("in a batch ", place), in("call", name), in(out, name), true)
		}
	}
}

// spoil sets the weights of every n-th vertex of a file's primitives to zero.
func spoil(t *testing.T, file string, n int) {
	t.Helper()
	doc, bin := readGLB(t, file)
	at := func(o map[string]any, key string) int {
		if o[key] == nil {
			return 0
		}
		return int(number(o[key]))
	}
	for _, m := range list(doc, "meshes") {
		for _, p := range list(m, "primitives") {
			a := list(doc, "accessors")[at(p["attributes"].(map[string]any), "WEIGHTS_0")]
			v := list(doc, "bufferViews")[at(a, "bufferView")]
			for k := 0; k < at(a, "count"); k += n {
				from := at(v, "byteOffset") + at(a, "byteOffset") + k*max(16, at(v, "byteStride"))
				clear(bin[from : from+16])
			}
		}
	}
	writeGLB(t, file, doc, bin)
}

// TestLayers_RowsMissing: every command that takes a layer says that it lacks rows, on a
// server too.
func TestLayers_RowsMissing(t *testing.T) {
	dir := t.TempDir()
	server := serve(t, nil)
	jersey, coat, page := filepath.Join(dir, "jersey.glb"), filepath.Join(dir, "coat.glb"), filepath.Join(dir, "page.html")
	must(t, "transfer", cox("body"), cox("jersey"), "-o", jersey, "-q")
	spoil(t, jersey, 50)
	const fault = " vertices without usable weights (first: vertex 0)"
	for _, more := range [][]string{nil, {"--server", server.address}} {
		o := must(t, append([]string{"transfer", cox("body"), cox("oilskin-coat"), "--layer", jersey, "-o", coat}, more...)...)
		if !strings.Contains(o.stdout, "oilskin-coat.glb: the layer jersey.glb has ") || !strings.Contains(o.stdout, fault) {
			t.Errorf("transfer %v: %s", more, o.stdout)
		}
		o = must(t, append([]string{"check", coat, "--body", cox("body"), "--layer", jersey, "--top", "1"}, more...)...)
		if !strings.Contains(o.stdout, "(first: vertex 0) have no usable weights; the layer's surface there was left out") {
			t.Errorf("check %v: %s", more, o.stdout)
		}
	}
	o := must(t, "report", cox("body"), coat, "--layer", jersey, "-o", page)
	if !strings.Contains(o.stdout, fault) || !strings.Contains(string(readFile(t, page)), fault) {
		t.Errorf("report: %s", o.stdout)
	}
}

// TestLayers_OtherNames: a layer whose joints the body has by other names is refused
// where much of its weight lies on them, and said where little does; with the map it is
// the layer that it is with the body's names, and the map leaves no doubt about a garment
// that keeps the body's joints.
func TestLayers_OtherNames(t *testing.T) {
	dir := t.TempDir()
	server := serve(t, nil)
	in := func(name string) string { return filepath.Join(dir, name+".glb") }
	must(t, "transfer", cox("body"), cox("jersey"), "-o", in("plain"), "-q")
	side := func(_ int, joint string) string {
		if joint == "neck" {
			return "collar"
		}
		if limb, ok := strings.CutSuffix(joint, ".left"); ok {
			return "L_" + limb
		}
		if limb, ok := strings.CutSuffix(joint, ".right"); ok {
			return "R_" + limb
		}
		return joint
	}
	renamed(t, in("plain"), in("other"), side)
	renamed(t, in("plain"), in("little"), func(_ int, joint string) string {
		if joint == "neck" {
			return "collar"
		}
		return joint
	})
	over := func(layer, out string, more ...string) []string {
		return append([]string{"transfer", cox("body"), cox("oilskin-coat"), "--layer", in(layer), "-o", in(out)}, more...)
	}
	for _, more := range [][]string{nil, {"--server", server.address}} {
		o := selvage(t, over("other", "x", more...)...)
		if o.status != exitFailed || !strings.Contains(o.stderr, "other.glb: ") || !strings.Contains(o.stderr, "% of its weight lies on joints that stand where joints of the body ") || !strings.Contains(o.stderr, `"L_upper_arm"`) || !strings.Contains(o.stderr, "--joint-map") {
			t.Errorf("%v: status %d: %s", more, o.status, o.stderr)
		}
		o = must(t, over("little", "little-on", more...)...)
		if !strings.Contains(o.stdout, "the layer little.glb has ") || !strings.Contains(o.stdout, `% of its weight on joints that the body has not ("collar"): `) || !strings.Contains(o.stdout, "--joint-map") {
			t.Errorf("%v: %s", more, o.stdout)
		}
	}
	rules := []string{"--map-joint", "neck=collar", "--map-joint", "*.left=L_*", "--map-joint", "*.right=R_*"}
	mapped := must(t, over("other", "mapped", rules...)...)
	plain := must(t, over("plain", "unmapped")...)
	if x, y := rowsOf(t, in("mapped")), rowsOf(t, in("unmapped")); !reflect.DeepEqual(x.Rows, y.Rows) {
		t.Error("with the map other rows than with the body's names")
	}
	for _, word := range []string{"doubtful", "joint map", "joint of the body", "has not"} {
		if strings.Contains(mapped.stdout, word) || strings.Contains(plain.stdout, word) {
			t.Errorf("%q is said of a garment that keeps the body's joints: %s", word, mapped.stdout)
		}
	}
	// A rule that leads neither to a joint of the body nor of a layer is a slip as before.
	o := selvage(t, over("other", "x", append(rules, "--map-joint", "head=wing")...)...)
	if o.status != exitUsage || !strings.Contains(o.stderr, `rule head -> wing: the body has no joint "wing"`) {
		t.Errorf("status %d: %s", o.status, o.stderr)
	}
	if _, err := os.Stat(in("x")); err == nil {
		t.Error("a refused call wrote a file")
	}
}

// TestCheck_OtherNames: a garment and a layer whose joints the body has by other names are
// judged, and shown, as with the body's names where the map tells these: here and on a
// server. Without it that is said.
func TestCheck_OtherNames(t *testing.T) {
	dir := t.TempDir()
	server := serve(t, nil)
	in := func(folder, name string) string { return filepath.Join(dir, folder, name+".glb") }
	must(t, "transfer", cox("body"), cox("jersey"), cox("oilskin-coat"), "-o", filepath.Join(dir, "plain"), "--layers", "given", "-q")
	if err := os.Mkdir(filepath.Join(dir, "own"), 0o755); err != nil {
		t.Fatal(err)
	}
	for _, name := range []string{"jersey", "oilskin-coat"} {
		renamed(t, in("plain", name), in("own", name), func(_ int, joint string) string {
			if limb, ok := strings.CutSuffix(joint, ".left"); ok {
				return "L_" + limb
			}
			return joint
		})
	}
	args := func(command, folder string, more ...string) []string {
		a := []string{"check", in(folder, "oilskin-coat"), "--body", cox("body"), "--layer", in(folder, "jersey")}
		if command == "report" {
			a = []string{"report", cox("body"), in(folder, "oilskin-coat"), "--layer", in(folder, "jersey")}
		}
		return append(a, more...)
	}
	rule := []string{"--map-joint", "*.left=L_*"}
	plain := must(t, args("check", "plain", "--json")...).stdout
	mapped := must(t, append(args("check", "own", "--json"), rule...)...).stdout
	if mapped != plain {
		t.Error("by the map the check says other things than with the body's names")
	}
	if there := must(t, append(args("check", "own", "--json", "--server", server.address), rule...)...).stdout; there != mapped {
		t.Error("a server's check differs")
	}
	other := must(t, args("check", "own", "--top", "1")...).stdout
	for _, file := range []string{"oilskin-coat.glb: ", "jersey.glb: "} {
		if !strings.Contains(other, "\n"+file) || !strings.Contains(other, "), which are posed apart from the body's; ") || !strings.Contains(other, `"L_`) || !strings.Contains(other, "--joint-map") {
			t.Errorf("without the map: %s", other)
		}
	}
	if strings.Contains(plain, "joints that the body has not") {
		t.Errorf("it is said of the body's joints: %s", plain)
	}
	page := func(folder string, more ...string) string {
		file := filepath.Join(dir, folder+".html")
		must(t, append(args("report", folder, "-q", "-o", file), more...)...)
		return string(readFile(t, file))
	}
	if page("own", rule...) != page("plain") {
		t.Error("by the map the page differs from that with the body's names")
	}
	if p := page("own"); !strings.Contains(p, "oilskin-coat.glb: ") || !strings.Contains(p, "which turn apart from the body") {
		t.Error("without the map the page does not say so")
	}
}

// TestLayers_OrderNotes: what is not clear about the order is said of the garment that
// lies over the other, whichever is made last.
func TestLayers_OrderNotes(t *testing.T) {
	summaries := []transfer.Summary{{Garment: "hat.glb"}, {Garment: "coat.glb"}, {Garment: "a coat.glb"}, {Garment: "cape.glb"}}
	noteOrder(summaries, []int{1, 2, 3, 0}, []string{
		"coat.glb lies over a coat.glb by 2 mm", "a coat.glb lies over coat.glb by 3 mm",
		"the distances go round in a ring: that cape.glb lies over hat.glb was left out", "nobody is sure",
	})
	want := [][]string{{"nobody is sure"}, {"lies over a coat.glb by 2 mm"}, {"lies over coat.glb by 3 mm"},
		{"the distances go round in a ring: that cape.glb lies over hat.glb was left out"}}
	for k, s := range summaries {
		if !reflect.DeepEqual(s.Notes, want[k]) {
			t.Errorf("%s: %q, want %q", s.Garment, s.Notes, want[k])
		}
	}

	// The sou'wester is made last, and has nothing to do with coat and gloves.
	out := must(t, "transfer", cox("body"), cox("gloves"), cox("oilskin-coat"), cox("souwester"), "-o", filepath.Join(t.TempDir(), "out"), "--layers", "found", "--json").stdout
	var list []transfer.Summary
	if err := json.Unmarshal([]byte(out), &list); err != nil {
		t.Fatal(err)
	}
	for _, s := range list {
		said := strings.Contains(strings.Join(s.Notes, "\n"), "lies over ")
		if over := s.Garment == "gloves.glb"; said != over {
			t.Errorf("%s: %q", s.Garment, s.Notes)
		}
	}
}

// TestLayers_Itself: neither the body nor the garment is worn beneath itself, whatever the
// file is called and wherever it lies; equal text beside other buffers is another file.
func TestLayers_Itself(t *testing.T) {
	dir := t.TempDir()
	in := func(name string) string { return filepath.Join(dir, name) }
	must(t, "transfer", cox("body"), cox("jersey"), "-o", in("jersey.glb"), "-q")
	must(t, "transfer", cox("body"), cox("oilskin-coat"), "-o", in("coat.glb"), "-q")
	copyFile(t, in("coat.glb"), in("copy.glb"))
	copyFile(t, cox("body"), in("other body.glb"))
	for _, c := range []struct {
		what string
		args []string
	}{
		{"garment", []string{"transfer", cox("body"), in("coat.glb"), "-o", in("x.glb"), "--layer", in("coat.glb")}},
		{"garment", []string{"transfer", cox("body"), in("jersey.glb"), in("coat.glb"), "-o", in("x"), "--layer", in("copy.glb")}},
		{"body", []string{"transfer", cox("body"), in("coat.glb"), "-o", in("x.glb"), "--layer", in("jersey.glb"), "--layer", cox("body")}},
		{"body", []string{"transfer", cox("body"), in("coat.glb"), "-o", in("x.glb"), "--layer", in("other body.glb")}},
		{"garment", []string{"check", in("coat.glb"), "--body", cox("body"), "--layer", in("copy.glb")}},
		{"body", []string{"check", in("coat.glb"), "--body", cox("body"), "--layer", in("other body.glb")}},
		{"garment", []string{"report", cox("body"), in("coat.glb"), "--layer", in("copy.glb"), "-o", in("x.html")}},
	} {
		o := selvage(t, c.args...)
		if o.status != exitUsage || !strings.Contains(o.stderr, "--layer: ") || !strings.Contains(o.stderr, " is the "+c.what+" itself, ") {
			t.Errorf("%v: status %d: %s", c.args, o.status, o.stderr)
		}
	}

	// Two files of the same text, each with a buffer of its own beside it.
	var files []string
	for k, from := range []string{"coat.glb", "coat.glb", "coat.glb"} {
		doc, bin := readGLB(t, in(from))
		folder := in(fmt.Sprint("folder", k))
		if err := os.Mkdir(folder, 0o755); err != nil {
			t.Fatal(err)
		}
		doc["buffers"] = []any{map[string]any{"byteLength": len(bin), "uri": "coat.bin"}}
		text, err := json.Marshal(doc)
		if err != nil {
			t.Fatal(err)
		}
		if k == 2 {
			bin[len(bin)-1] ^= 1
		}
		files = append(files, filepath.Join(folder, "coat.gltf"))
		if err := os.WriteFile(files[k], text, 0o644); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(filepath.Join(folder, "coat.bin"), bin, 0o644); err != nil {
			t.Fatal(err)
		}
	}
	if !sameAsset(files[0], files[1]) || sameAsset(files[0], files[2]) {
		t.Errorf("same text and buffer: %v; another buffer: %v", sameAsset(files[0], files[1]), sameAsset(files[0], files[2]))
	}
}
