package main

import (
	"bytes"
	"encoding/json"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"syscall"
	"testing"
	"time"
	"unicode"

	"github.com/selvage/selvage/transfer"
	"github.com/selvage/selvage/transfer/crew"
	"github.com/selvage/selvage/transfer/gltfio"
)

func TestTransfer_Quiet(t *testing.T) {
	dir := t.TempDir()
	if o := must(t, "transfer", cox("body"), cox("gloves"), "-o", filepath.Join(dir, "a.glb"), "-q"); o.stdout+o.stderr != "" {
		t.Errorf("--quiet prints %q, %q", o.stdout, o.stderr)
	}
}

// TestTransfer_Pipe: no colours, no bar, nothing on standard error where no
// terminal looks on.
func TestTransfer_Pipe(t *testing.T) {
	o := must(t, "transfer", cox("body"), cox("oilskin-coat"), "-o", filepath.Join(t.TempDir(), "a.glb"))
	if strings.ContainsAny(o.stdout+o.stderr, "\x1b\r\b") {
		t.Errorf("control characters in a pipe: %q %q", o.stdout, o.stderr)
	}
	if o.stderr != "" {
		t.Errorf("standard error: %q", o.stderr)
	}
	if !strings.Contains(o.stdout, "oilskin-coat.glb") || !strings.Contains(o.stdout, "low confidence") {
		t.Errorf("no summary: %q", o.stdout)
	}
}

func TestTransfer_JSON(t *testing.T) {
	dir := t.TempDir()
	o := must(t, "transfer", cox("body"), cox("oilskin-coat"), cox("cape"), "-o", dir, "--json")
	var got []transfer.Summary
	d := json.NewDecoder(strings.NewReader(o.stdout))
	d.DisallowUnknownFields()
	if err := d.Decode(&got); err != nil {
		t.Fatalf("%v: %s", err, o.stdout)
	}
	if len(got) != 2 || got[0].Garment != "oilskin-coat.glb" || got[1].Garment != "cape.glb" {
		t.Fatalf("summaries %+v", got)
	}
	for _, s := range got {
		if s.Vertices == 0 || s.Matched+s.Filled+s.Rigid != s.Vertices || s.LowConfidence > s.Vertices {
			t.Errorf("summary does not add up: %+v", s)
		}
	}
	if o.stderr != "" {
		t.Errorf("standard error: %q", o.stderr)
	}
}

func TestTransfer_Strict(t *testing.T) {
	dir := t.TempDir()
	out := filepath.Join(dir, "cape.glb")
	o := selvage(t, "transfer", cox("body"), cox("cape"), "-o", out, "--strict", "-q")
	if o.status != exitStrict {
		t.Errorf("a cape: status %d, want %d", o.status, exitStrict)
	}
	oneSentence(t, o)
	if !strings.Contains(o.stderr, "cape.glb") {
		t.Errorf("%q does not name the garment", o.stderr)
	}
	weighted(t, out) // written all the same
	must(t, "transfer", cox("body"), cox("cape"), "-o", out, "--strict", "--max-low", "100")
	must(t, "transfer", cox("body"), cox("sea-boots"), "-o", out, "--strict")
}

func TestTransfer_SameBytes(t *testing.T) {
	dir := t.TempDir()
	var want []byte
	for i, threads := range []string{"1", "1", "2", "7", "0"} {
		out := filepath.Join(dir, fmt.Sprint(i)+".glb")
		must(t, "transfer", cox("body"), cox("oilskin-coat"), "-o", out, "--threads", threads)
		got, err := os.ReadFile(out)
		if err != nil {
			t.Fatal(err)
		}
		if i == 0 {
			want = got
		} else if !bytes.Equal(got, want) {
			t.Errorf("run %d, %s threads: other bytes than the first run", i, threads)
		}
	}
}

func TestTransfer_Folder(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "new", "folder")
	args := []string{"transfer", cox("body")}
	var want []string
	for _, g := range crew.GarmentNames() {
		args = append(args, filepath.Join(coxDir, crew.FileName(g)))
		want = append(want, crew.FileName(g))
	}
	must(t, append(args, "-o", dir)...)
	slices.Sort(want)
	if got := names(folder(t, dir)); !slices.Equal(got, want) {
		t.Errorf("the folder holds %q, want %q", got, want)
	}
	// One garment into a folder, and the same bytes as among others.
	one := filepath.Join(t.TempDir(), "one") + string(filepath.Separator)
	must(t, "transfer", cox("body"), cox("cape"), "-o", one)
	a, b := folder(t, dir)[filepath.Join(dir, "cape.glb")], folder(t, one)[filepath.Join(one, "cape.glb")]
	if a != b || a == "" {
		t.Error("the cape alone and among others differ")
	}
}

// TestTransfer_Overwrite: the garment's own file may be the output.
func TestTransfer_Overwrite(t *testing.T) {
	dir := t.TempDir()
	file := filepath.Join(dir, "gloves.glb")
	b, err := os.ReadFile(cox("gloves"))
	if err != nil {
		t.Fatal(err)
	}
	write(t, file, string(b))
	must(t, "transfer", cox("body"), file, "-o", file)
	if got := weighted(t, file); got.Rows == nil {
		t.Error("no rows")
	}
	if got := names(folder(t, dir)); !slices.Equal(got, []string{"gloves.glb"}) {
		t.Errorf("the folder holds %q", got)
	}
	// A second pass over the result gives the same rows.
	first := weighted(t, file)
	must(t, "transfer", cox("body"), file, "-o", file)
	second := weighted(t, file)
	for v := 0; v < first.Rows.Len(); v++ {
		// Positions went through the blended matrices and back to floats once more.
		if d := first.Rows.DistanceL1(v, second.Rows, v); d > 1e-4 {
			t.Fatalf("vertex %d: the second pass differs by %g", v, d)
		}
	}
}

// TestTransfer_GarmentGlob: of the coat only the brass is weighted; the other
// primitives stay as they are.
func TestTransfer_GarmentGlob(t *testing.T) {
	out := filepath.Join(t.TempDir(), "coat.glb")
	o := must(t, "transfer", cox("body"), cox("oilskin-coat"), "-o", out, "--garment", "br*", "--json")
	var sum []transfer.Summary
	if err := json.Unmarshal([]byte(o.stdout), &sum); err != nil {
		t.Fatal(err)
	}
	doc, _ := readGLB(t, out)
	weightedVertices, plain := 0, 0
	for _, m := range list(doc, "meshes") {
		for _, p := range list(m, "primitives") {
			material := list(doc, "materials")[int(number(p["material"]))]["name"]
			attributes := p["attributes"].(map[string]any)
			_, has := attributes["WEIGHTS_0"]
			if has != (material == "brass") {
				t.Errorf("primitive of %v: weights %t", material, has)
			}
			if has {
				weightedVertices += int(number(list(doc, "accessors")[int(number(attributes["POSITION"]))]["count"]))
			} else {
				plain++
			}
		}
	}
	if sum[0].Vertices != weightedVertices || plain == 0 {
		t.Errorf("summary of %d vertices, %d are weighted; %d primitives are not", sum[0].Vertices, weightedVertices, plain)
	}
	validate(t, out)
}

// TestTransfer_BodyGlob: from the jersey's wool alone, its ribbed cuffs lie beyond
// the body.
func TestTransfer_BodyGlob(t *testing.T) {
	dir := t.TempDir()
	jersey := filepath.Join(dir, "jersey.glb")
	must(t, "transfer", cox("body"), cox("jersey"), "-o", jersey)
	farthest := func(args ...string) float64 {
		o := must(t, append([]string{"transfer", jersey, cox("jersey"), "-o", filepath.Join(dir, "out.glb"), "--json"}, args...)...)
		var sum []transfer.Summary
		if err := json.Unmarshal([]byte(o.stdout), &sum); err != nil {
			t.Fatal(err)
		}
		return sum[0].MaxDistance
	}
	whole, wool := farthest(), farthest("--body", "wool")
	if whole > 1e-5 || wool < 0.02 {
		t.Errorf("largest distance to the whole jersey %g m, to its wool %g m", whole, wool)
	}
	if both := farthest("--body", "wool", "--body", "ribb?ng"); both != whole {
		t.Errorf("largest distance to wool and ribbing %g m, to the whole %g m", both, whole)
	}
}

func number(x any) float64 {
	f, err := x.(json.Number).Float64()
	if err != nil {
		panic(err)
	}
	return f
}

// TestTransfer_Formats checks files of all formats with the standard's validator,
// and what they declare: component types of the glTF 2.0 specification, section
// 3.6.2.2.
func TestTransfer_Formats(t *testing.T) {
	dir := t.TempDir()
	var files []string
	for _, c := range []struct {
		format    string
		component float64
		steps     float64
	}{{"float", 5126, 0}, {"u16", 5123, 65535}, {"u8", 5121, 255}} {
		for _, most := range []string{"1", "4", "8"} {
			file := filepath.Join(dir, c.format+most+".glb")
			must(t, "transfer", cox("body"), cox("oilskin-coat"), "-o", file, "--format", c.format, "--max-influences", most)
			files = append(files, file)
			doc, _ := readGLB(t, file)
			for _, m := range list(doc, "meshes") {
				for _, p := range list(m, "primitives") {
					a := p["attributes"].(map[string]any)
					for _, set := range []string{"0", "1"} {
						w, ok := a["WEIGHTS_"+set]
						if ok != (set == "0" || most == "8") {
							t.Errorf("%s, at most %s: WEIGHTS_%s is there: %t", c.format, most, set, ok)
						}
						if !ok {
							continue
						}
						acc := list(doc, "accessors")[int(number(w))]
						if got := number(acc["componentType"]); got != c.component {
							t.Errorf("%s: component type %g", c.format, got)
						}
					}
					for _, name := range []string{"_CONFIDENCE", "_REASON"} {
						if _, ok := a[name]; !ok {
							t.Errorf("no %s", name)
						}
					}
				}
			}
			s := weighted(t, file)
			for v := 0; v < s.Rows.Len(); v++ {
				joint, weight := s.Rows.Row(v)
				if len(joint) == 0 || fmt.Sprint(len(joint)) > most {
					t.Fatalf("%s, vertex %d: %d influences, want 1 to %s", c.format, v, len(joint), most)
				}
				for _, w := range weight {
					if n := w * c.steps; c.steps > 0 && (n-float64(int(n+0.5)) > 1e-6 || n-float64(int(n+0.5)) < -1e-6) {
						t.Fatalf("%s, vertex %d: weight %g is not on the grid", c.format, v, w)
					}
				}
			}
		}
	}
	validate(t, files...)
}

func TestTransfer_Plain(t *testing.T) {
	file := filepath.Join(t.TempDir(), "coat.glb")
	must(t, "transfer", cox("body"), cox("oilskin-coat"), "-o", file, "--plain")
	doc, _ := readGLB(t, file)
	for _, m := range list(doc, "meshes") {
		for _, p := range list(m, "primitives") {
			for name := range p["attributes"].(map[string]any) {
				if strings.HasPrefix(name, "_") {
					t.Errorf("--plain leaves %s", name)
				}
			}
		}
	}
	validate(t, file)
}

// TestTransfer_JSONAssets reads .gltf files with external buffers and writes
// .gltf: the rows are those of the binary files.
func TestTransfer_JSONAssets(t *testing.T) {
	in, out := t.TempDir(), t.TempDir()
	for _, name := range []string{"body", "gloves"} {
		doc, bin := readGLB(t, cox(name))
		buffer := doc["buffers"].([]any)[0].(map[string]any)
		buffer["uri"] = "the%20" + name + ".bin" // a URI, percent-encoded
		text, err := json.MarshalIndent(doc, "", " ")
		if err != nil {
			t.Fatal(err)
		}
		write(t, filepath.Join(in, name+".gltf"), string(text))
		write(t, filepath.Join(in, "the "+name+".bin"), string(bin))
	}
	reference := filepath.Join(out, "reference.glb")
	must(t, "transfer", cox("body"), cox("gloves"), "-o", reference)
	want := weighted(t, reference)
	for _, name := range []string{"a.glb", "a.gltf"} {
		file := filepath.Join(out, name)
		must(t, "transfer", filepath.Join(in, "body.gltf"), filepath.Join(in, "gloves.gltf"), "-o", file)
		got := weighted(t, file)
		if !sameRows(got.Rows, want.Rows) || !slices.Equal(got.Mesh.Positions, want.Mesh.Positions) {
			t.Errorf("%s: other rows or positions than from binary files", name)
		}
	}
	if b := folder(t, out)[filepath.Join(out, "a.gltf")]; !json.Valid([]byte(b)) || !strings.Contains(b, "data:application/") {
		t.Error("a.gltf is not JSON with its buffer as a data URI")
	}
	validate(t, filepath.Join(out, "a.glb"), filepath.Join(out, "a.gltf"))
	o := must(t, "inspect", filepath.Join(in, "body.gltf"))
	if !strings.Contains(o.stdout, "legal") {
		t.Errorf("inspect: %q", o.stdout)
	}
}

func TestInspect_JSON(t *testing.T) {
	o := must(t, "inspect", cox("body"), "--json")
	var d gltfio.Description
	dec := json.NewDecoder(strings.NewReader(o.stdout))
	dec.DisallowUnknownFields()
	if err := dec.Decode(&d); err != nil {
		t.Fatal(err)
	}
	b := crew.NewBodyAt("cox", 0.4)
	if len(d.Meshes) != 1 || len(d.Skins) != 1 {
		t.Fatalf("%d meshes, %d skins", len(d.Meshes), len(d.Skins))
	}
	m, s := d.Meshes[0], d.Skins[0]
	if m.Vertices != b.Mesh.NumVertices() || m.Triangles != len(b.Mesh.Triangles) || m.Islands != 1 || !m.Legal || m.Skin != 0 || m.Mirrored || !m.InScene {
		t.Errorf("mesh %+v", m)
	}
	if len(s.Joints) != len(b.Skin.Joints) {
		t.Fatalf("%d joints", len(s.Joints))
	}
	for j := range s.Joints {
		if s.Joints[j] != b.Skin.Joints[j].Name {
			t.Errorf("joint %d is %q, want %q", j, s.Joints[j], b.Skin.Joints[j].Name)
		}
	}
	sum := 0
	for _, n := range m.Influences {
		sum += n
	}
	if sum != m.Vertices || len(m.Influences) != 5 {
		t.Errorf("influences %v", m.Influences)
	}
}

// TestHostileNames: names come from files that strangers made. None may reach a
// terminal as a control sequence, or forge a line.
func TestHostileNames(t *testing.T) {
	const hostile = "\x1b[31mred\x07\u009b1m\u202e<img src=x onerror=alert(1)>\r\n\tselvage: all is well\x7f"
	dir := t.TempDir()
	renamed := func(name string) string {
		doc, bin := readGLB(t, cox(name))
		for _, kind := range []string{"nodes", "meshes", "materials", "skins"} {
			for i, x := range list(doc, kind) {
				x["name"] = fmt.Sprint(hostile, i)
			}
		}
		file := filepath.Join(dir, name+"\x1b[2J\u009b.glb")
		writeGLB(t, file, doc, bin)
		return file
	}
	body, coat := renamed("body"), renamed("oilskin-coat")
	out := filepath.Join(dir, "out\x1b[2J.glb")
	for _, args := range [][]string{
		{"transfer", body, coat, "-o", out},
		{"transfer", body, coat, "-o", out, "--json"},
		{"transfer", body, coat, "-o", out, "--strict", "--max-low", "0"},
		{"transfer", body, coat, "-o", out, "--body", "none\x1b[2J"},
		{"transfer", coat, coat, "-o", out},
		{"transfer", body, filepath.Join(dir, "missing\x1b[2J\n.glb"), "-o", out},
		{"transfer", body, coat, "-o", filepath.Join(dir, "x\x1b[2J\n.obj")},
		{"transfer", body, coat, "-o", out, "--fill", "\x1b[2J"},
		{"inspect", body}, {"inspect", coat}, {"inspect", coat, "--json"}, {"inspect", filepath.Join(dir, "missing\x1b[2J\n.glb")},
		{"\x1b[2J"},
	} {
		o := selvage(t, args...)
		for _, text := range []string{o.stdout, o.stderr} {
			for i, r := range text {
				if r != '\n' && (unicode.IsControl(r) || unicode.Is(unicode.Bidi_Control, r)) {
					t.Errorf("%q: %U reaches the terminal: %q", args, r, text[max(0, i-30):min(len(text), i+30)])
					break
				}
			}
			for _, line := range strings.Split(text, "\n") {
				if strings.HasPrefix(strings.TrimSpace(line), "selvage: all is well") {
					t.Errorf("%q: a name forged a line: %q", args, line)
				}
			}
		}
		if slices.Contains(args, "--json") && !json.Valid([]byte(o.stdout)) {
			t.Errorf("%q: not JSON: %q", args, o.stdout)
		}
		if o.status == exitUsage || o.status == exitFailed {
			oneSentence(t, o)
		}
	}
	// The names themselves survive in the file.
	doc, _ := readGLB(t, out)
	if got := list(doc, "materials")[0]["name"]; got != hostile+"0" {
		t.Errorf("material %q", got)
	}
}

// TestTransfer_Interrupt: an interrupt during a long transfer ends it soon, with
// status 1, one sentence, and nothing written.
func TestTransfer_Interrupt(t *testing.T) {
	dir := t.TempDir()
	body, coat := filepath.Join(dir, "body.glb"), filepath.Join(dir, "coat.glb")
	write := func(file string, encode func(f *os.File) error) {
		f, err := os.Create(file)
		if err != nil {
			t.Fatal(err)
		}
		defer f.Close()
		if err := encode(f); err != nil {
			t.Fatal(err)
		}
	}
	write(body, func(f *os.File) error { return crew.NewBodyAt("mate", 1).WriteGLB(f) })
	write(coat, func(f *os.File) error {
		return crew.NewBodyAt("mate", 0.3).GarmentAt("oilskin coat", 10).WriteGLB(f)
	})
	// How long it takes here and now decides when to interrupt.
	began := time.Now()
	must(t, "transfer", body, coat, "-o", filepath.Join(dir, "out.glb"), "--threads", "1")
	whole := time.Since(began)
	for _, share := range []float64{0.1, 0.35, 0.6} {
		t.Run(fmt.Sprintf("after %.0f%%", 100*share), func(t *testing.T) {
			after := time.Duration(share * float64(whole))
			out := t.TempDir()
			old := filepath.Join(out, "old.glb")
			if err := os.WriteFile(old, []byte("an older result"), 0o644); err != nil {
				t.Fatal(err)
			}
			var stdout, stderr bytes.Buffer
			cmd := exec.Command(command, "transfer", body, coat, "-o", old, "--threads", "1")
			cmd.Stdout, cmd.Stderr = &stdout, &stderr
			if err := cmd.Start(); err != nil {
				t.Fatal(err)
			}
			time.Sleep(after)
			if err := cmd.Process.Signal(syscall.SIGINT); err != nil {
				t.Fatal(err)
			}
			at := time.Now()
			_ = cmd.Wait()
			took := time.Since(at)
			if s := cmd.ProcessState.ExitCode(); s != exitFailed {
				t.Errorf("status %d %v after an interrupt at %v of %v, want %d", s, took, after, whole, exitFailed)
			}
			oneSentence(t, outcome{0, stdout.String(), stderr.String()})
			if !strings.Contains(stderr.String(), "interrupted") {
				t.Errorf("standard error: %q", stderr.String())
			}
			t.Logf("ended %v after the interrupt", took)
			// The contract of the command, with room for a busy machine: work is checked
			// for cancellation every few milliseconds.
			if took > 2*time.Second {
				t.Errorf("ended %v after the interrupt", took)
			}
			f := folder(t, out)
			if len(f) != 1 || f[old] != "an older result" {
				t.Errorf("the folder holds %q", names(f))
			}
		})
	}
}

// TestTransfer_Joints: --deny-joint and --keep-joint reach the transfer.
func TestTransfer_Joints(t *testing.T) {
	dir := t.TempDir()
	file := filepath.Join(dir, "gloves.glb")
	must(t, "transfer", cox("body"), cox("gloves"), "-o", file, "--deny-joint", "*_twist.*", "--prune-below", "0.01")
	s := weighted(t, file)
	for v := 0; v < s.Rows.Len(); v++ {
		joint, weight := s.Rows.Row(v)
		for i, j := range joint {
			if strings.Contains(s.Skin.Joints[j].Name, "twist") {
				t.Fatalf("vertex %d hangs on %s", v, s.Skin.Joints[j].Name)
			}
			if weight[i] < 0.01 {
				t.Fatalf("vertex %d: weight %g", v, weight[i])
			}
		}
	}
}
