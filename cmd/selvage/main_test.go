package main

// Tests of the command as a real process: what it prints, what it writes, and
// with what status it ends.

import (
	"bytes"
	"encoding/binary"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"github.com/selvage/selvage/transfer/crew"
	"github.com/selvage/selvage/transfer/gltfio"
	"github.com/selvage/selvage/transfer/weights"
)

// Made once by TestMain: the built command, and the files of a small cox.
var (
	command string
	coxDir  string
)

func TestMain(m *testing.M) {
	os.Exit(func() int {
		dir, err := os.MkdirTemp("", "selvage-test-")
		if err != nil {
			fmt.Fprintln(os.Stderr, err)
			return 1
		}
		defer os.RemoveAll(dir)
		command, coxDir = filepath.Join(dir, "selvage"), filepath.Join(dir, "cox")
		if out, err := exec.Command("go", "build", "-o", command, ".").CombinedOutput(); err != nil {
			fmt.Fprintf(os.Stderr, "build the command: %v\n%s", err, out)
			return 1
		}
		if err := crew.NewBodyAt("cox", 0.4).WriteMember(coxDir); err != nil {
			fmt.Fprintln(os.Stderr, err)
			return 1
		}
		return m.Run()
	}())
}

// cox returns the path of one of the cox's files.
func cox(name string) string { return filepath.Join(coxDir, name+".glb") }

// outcome of one run of the command.
type outcome struct {
	status         int
	stdout, stderr string
}

// selvage runs the command with its standard streams in pipes.
func selvage(t testing.TB, args ...string) outcome {
	t.Helper()
	var stdout, stderr bytes.Buffer
	cmd := exec.Command(command, args...)
	cmd.Stdout, cmd.Stderr = &stdout, &stderr
	err := cmd.Run()
	var exit *exec.ExitError
	if err != nil && !errors.As(err, &exit) {
		t.Fatal(err)
	}
	return outcome{cmd.ProcessState.ExitCode(), stdout.String(), stderr.String()}
}

// must runs the command and fails the test unless it exits with status 0.
func must(t testing.TB, args ...string) outcome {
	t.Helper()
	o := selvage(t, args...)
	if o.status != exitDone {
		t.Fatalf("selvage %s: status %d\n%s%s", strings.Join(args, " "), o.status, o.stdout, o.stderr)
	}
	return o
}

// oneSentence checks that stderr holds one line that starts with the program's
// name, and stdout nothing.
func oneSentence(t *testing.T, o outcome) {
	t.Helper()
	if !strings.HasPrefix(o.stderr, "selvage: ") || !strings.HasSuffix(o.stderr, "\n") || strings.Count(o.stderr, "\n") != 1 {
		t.Errorf("standard error is not one sentence: %q", o.stderr)
	}
	if o.stdout != "" {
		t.Errorf("standard output is not empty: %q", o.stdout)
	}
}

// folder is the names and contents of all files below dir.
func folder(t testing.TB, dir string) map[string]string {
	t.Helper()
	files := map[string]string{}
	err := filepath.WalkDir(dir, func(path string, d os.DirEntry, err error) error {
		if err != nil || path == dir {
			return err
		}
		if d.IsDir() {
			files[path+"/"] = ""
			return nil
		}
		b, err := os.ReadFile(path)
		files[path] = string(b)
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	return files
}

func names(files map[string]string) []string {
	var list []string
	for n := range files {
		list = append(list, filepath.Base(n))
	}
	slices.Sort(list)
	return list
}

// readGLB takes a binary glTF file apart (glTF 2.0 specification, section 4.4).
func readGLB(t testing.TB, file string) (doc map[string]any, bin []byte) {
	t.Helper()
	b, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	n := int(binary.LittleEndian.Uint32(b[12:]))
	d := json.NewDecoder(bytes.NewReader(b[20 : 20+n]))
	d.UseNumber()
	if err := d.Decode(&doc); err != nil {
		t.Fatal(err)
	}
	if rest := b[20+n:]; len(rest) > 8 {
		bin = rest[8:]
	}
	return doc, bin
}

// writeGLB puts a binary glTF file together.
func writeGLB(t testing.TB, file string, doc map[string]any, bin []byte) {
	t.Helper()
	text, err := json.Marshal(doc)
	if err != nil {
		t.Fatal(err)
	}
	for len(text)%4 != 0 {
		text = append(text, ' ')
	}
	var b []byte
	b = append(b, "glTF"...)
	b = binary.LittleEndian.AppendUint32(b, 2)
	b = binary.LittleEndian.AppendUint32(b, uint32(12+8+len(text)+8+len(bin)))
	b = binary.LittleEndian.AppendUint32(b, uint32(len(text)))
	b = append(b, "JSON"...)
	b = append(b, text...)
	b = binary.LittleEndian.AppendUint32(b, uint32(len(bin)))
	b = append(b, "BIN\x00"...)
	b = append(b, bin...)
	write(t, file, string(b))
}

func write(t testing.TB, file, content string) {
	t.Helper()
	if err := os.WriteFile(file, []byte(content), 0o644); err != nil {
		t.Fatal(err)
	}
}

// list returns doc[key] as a list of objects.
func list(doc map[string]any, key string) []map[string]any {
	var out []map[string]any
	items, _ := doc[key].([]any)
	for _, x := range items {
		out = append(out, x.(map[string]any))
	}
	return out
}

// weighted reads a garment file's surface with its rows.
func weighted(t testing.TB, file string) *gltfio.Surface {
	t.Helper()
	a, err := gltfio.Open(file, gltfio.Options{AllowExternal: true})
	if err != nil {
		t.Fatal(err)
	}
	s, err := a.Body(gltfio.Selection{})
	if err != nil {
		t.Fatal(err)
	}
	return s
}

func sameRows(a, b *weights.Rows) bool {
	return slices.Equal(a.Start, b.Start) && slices.Equal(a.Joint, b.Joint) && slices.Equal(a.Weight, b.Weight)
}

func TestHelp_ExamplesForEveryCommand(t *testing.T) {
	for _, sub := range newRoot().Commands() {
		c := sub.Name()
		o := must(t, c, "--help")
		if !strings.Contains(o.stdout, "Examples:\n  selvage "+c) {
			t.Errorf("selvage %s --help shows no example:\n%s", c, o.stdout)
		}
		if o.stderr != "" {
			t.Errorf("selvage %s --help writes to standard error: %q", c, o.stderr)
		}
	}
	o := must(t)
	for _, want := range []string{"\n  transfer ", "\n  inspect ", "\n  demo ", "\n  version ", "\n  completion ", "Exit status: 0 done; 1 failed"} {
		if !strings.Contains(o.stdout, want) {
			t.Errorf("selvage without arguments does not mention %q", want)
		}
	}
}

// TestHelp_ExamplesParse runs the option parser over each example of the help, so
// that none names a flag that does not exist.
func TestHelp_ExamplesParse(t *testing.T) {
	for _, c := range newRoot().Commands() {
		for _, line := range strings.Split(c.Example, "\n") {
			line, _, _ = strings.Cut(line, "#")
			line, _, _ = strings.Cut(line, "|")
			args := strings.Fields(strings.ReplaceAll(line, "'", ""))
			if len(args) == 0 {
				continue
			}
			found, rest, err := newRoot().Find(args[1:])
			if err != nil || !strings.HasPrefix(found.CommandPath()+" ", "selvage "+c.Name()+" ") {
				t.Errorf("%q: finds %s: %v", line, found.Name(), err)
				continue
			}
			if err := found.ParseFlags(rest); err != nil {
				t.Errorf("%q: %v", line, err)
			}
			if err := found.ValidateArgs(found.Flags().Args()); err != nil {
				t.Errorf("%q: %v", line, err)
			}
		}
	}
}

// TestCompletion lets bash itself judge the script's syntax.
func TestCompletion(t *testing.T) {
	o := must(t, "completion", "bash")
	cmd := exec.Command("bash", "-n")
	cmd.Stdin = strings.NewReader(o.stdout)
	if out, err := cmd.CombinedOutput(); err != nil {
		t.Errorf("bash does not accept the completion script: %v\n%s", err, out)
	}
	if !strings.Contains(o.stdout, "complete -o default -F __start_selvage selvage") {
		t.Error("the script completes nothing")
	}
	o = must(t, "__complete", "tran")
	if !strings.Contains(o.stdout, "transfer") {
		t.Errorf("tran is not completed to transfer: %q", o.stdout)
	}
}

func TestDemo(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "demo")
	o := must(t, "demo", "--out", dir, "--member", "cox", "--threads", "2")
	if strings.ContainsAny(o.stdout+o.stderr, "\x1b\r\b") || o.stderr != "" {
		t.Errorf("control characters or standard error in a pipe: %q %q", o.stdout, o.stderr)
	}
	for _, g := range crew.GarmentNames() {
		if strings.Count(o.stdout, g) < 2 {
			t.Errorf("%s is not in both tables:\n%s", g, o.stdout)
		}
	}
	page := filepath.Join(dir, "index.html")
	if !strings.HasSuffix(o.stdout, "open "+page+"\n") {
		t.Errorf("the last line does not say what to open:\n%s", o.stdout)
	}
	if _, err := os.Stat(page); err != nil {
		t.Error(err)
	}
}

func TestVersion(t *testing.T) {
	o := must(t, "version")
	if f := strings.Fields(o.stdout); len(f) != 4 || f[0] != "selvage" || !strings.HasPrefix(f[2], "go1.") {
		t.Errorf("version prints %q", o.stdout)
	}
}

func TestUsage(t *testing.T) {
	body, cape := cox("body"), cox("cape")
	for _, c := range []struct {
		name string
		args []string
		says string
	}{
		{"unknown command", []string{"carry"}, "carry"},
		{"unknown flag", []string{"transfer", "--nope"}, "--nope"},
		{"no files", []string{"transfer"}, "at least one garment"},
		{"no garment", []string{"transfer", body, "-o", "OUT/x.glb"}, "at least one garment"},
		{"no output", []string{"transfer", body, cape}, "--output"},
		{"output of another kind", []string{"transfer", body, cape, "-o", "OUT/x.obj"}, "x.obj"},
		{"two garments into a file", []string{"transfer", body, cape, cox("gloves"), "-o", body}, "folder"},
		{"two garments of one name", []string{"transfer", body, cape, cape, "-o", "OUT/"}, "cape.glb"},
		{"number that is none", []string{"transfer", body, cape, "-o", "OUT/x.glb", "--max-influences", "four"}, "max-influences"},
		{"too many influences", []string{"transfer", body, cape, "-o", "OUT/x.glb", "--max-influences", "9"}, "max-influences"},
		{"negative reach", []string{"transfer", body, cape, "-o", "OUT/x.glb", "--reach", "-1"}, "reach"},
		{"reach not a number", []string{"transfer", body, cape, "-o", "OUT/x.glb", "--reach", "NaN"}, "reach"},
		{"unknown format", []string{"transfer", body, cape, "-o", "OUT/x.glb", "--format", "u4"}, "u4"},
		{"unknown fill", []string{"transfer", body, cape, "-o", "OUT/x.glb", "--fill", "cubic"}, "cubic"},
		{"negative threads", []string{"transfer", body, cape, "-o", "OUT/x.glb", "--threads", "-2"}, "threads"},
		{"malformed body pattern", []string{"transfer", body, cape, "-o", "OUT/x.glb", "--body", "["}, "["},
		{"malformed garment pattern", []string{"transfer", body, cape, "-o", "OUT/x.glb", "--garment", "["}, "["},
		{"malformed joint pattern", []string{"transfer", body, cape, "-o", "OUT/x.glb", "--deny-joint", "["}, "["},
		{"malformed kept joint pattern", []string{"transfer", body, cape, "-o", "OUT/x.glb", "--keep-joint", "["}, "["},
		{"malformed rigid pattern", []string{"transfer", body, cape, "-o", "OUT/x.glb", "--rigid-name", "["}, "["},
		{"inspect nothing", []string{"inspect"}, "one file"},
		{"inspect two", []string{"inspect", body, cape}, "one file"},
		{"version of something", []string{"version", "now"}, "no arguments"},
		{"demo of something", []string{"demo", "now"}, "no arguments"},
		{"demo of a stranger", []string{"demo", "--out", "OUT/demo", "--member", "purser"}, "purser"},
	} {
		t.Run(c.name, func(t *testing.T) {
			dir := t.TempDir()
			var args []string
			for _, a := range c.args {
				args = append(args, strings.Replace(a, "OUT", dir, 1))
			}
			o := selvage(t, args...)
			if o.status != exitUsage {
				t.Errorf("status %d, want %d", o.status, exitUsage)
			}
			oneSentence(t, o)
			if !strings.Contains(o.stderr, c.says) {
				t.Errorf("%q does not mention %q", o.stderr, c.says)
			}
			if f := folder(t, dir); len(f) > 0 {
				t.Errorf("left behind: %q", names(f))
			}
		})
	}
}

// TestFailure: status 1, one sentence that names the file, nothing written, and
// what was there before untouched.
func TestFailure(t *testing.T) {
	in := t.TempDir()
	file := func(name, content string) string {
		f := filepath.Join(in, name)
		write(t, f, content)
		return f
	}
	whole, err := os.ReadFile(cox("cape"))
	if err != nil {
		t.Fatal(err)
	}
	text := file("text.glb", "this is no asset")
	cut := file("cut.glb", string(whole[:len(whole)/2]))
	empty := file("empty.glb", "")
	noBuffer := file("nobuffer.gltf", `{"asset":{"version":"2.0"},"buffers":[{"uri":"gone.bin","byteLength":12}]}`)
	noMesh := file("nomesh.gltf", `{"asset":{"version":"2.0"},"scenes":[{"nodes":[0]}],"scene":0,"nodes":[{"name":"lamp"}]}`)
	outside := file("outside.gltf", `{"asset":{"version":"2.0"},"buffers":[{"uri":"../../../../etc/passwd","byteLength":12}]}`)
	remote := file("remote.gltf", `{"asset":{"version":"2.0"},"buffers":[{"uri":"http://127.0.0.1:1/x.bin","byteLength":12}]}`)
	missing := filepath.Join(in, "missing.glb")
	body, cape := cox("body"), cox("cape")
	for _, c := range []struct {
		name  string
		args  []string
		names string // file that the sentence must name
	}{
		{"body missing", []string{missing, cape, "-o", "OUT/old.glb"}, "missing.glb"},
		{"garment missing", []string{body, missing, "-o", "OUT/old.glb"}, "missing.glb"},
		{"body is text", []string{text, cape, "-o", "OUT/old.glb"}, "text.glb"},
		{"garment is text", []string{body, text, "-o", "OUT/old.glb"}, "text.glb"},
		{"garment cut short", []string{body, cut, "-o", "OUT/old.glb"}, "cut.glb"},
		{"garment empty", []string{body, empty, "-o", "OUT/old.glb"}, "empty.glb"},
		{"garment a folder", []string{body, in, "-o", "OUT/old.glb"}, in},
		{"body without skin", []string{cape, cape, "-o", "OUT/old.glb"}, "cape.glb"},
		{"buffer missing", []string{body, noBuffer, "-o", "OUT/old.glb"}, "nobuffer.gltf"},
		{"buffer outside the folder", []string{body, outside, "-o", "OUT/old.glb"}, "outside.gltf"},
		{"buffer on a network", []string{body, remote, "-o", "OUT/old.glb"}, "remote.gltf"},
		{"garment without mesh", []string{body, noMesh, "-o", "OUT/old.glb"}, "nomesh.gltf"},
		{"no such body in it", []string{body, cape, "-o", "OUT/old.glb", "--body", "pilot"}, "body.glb"},
		{"no such garment in it", []string{body, cape, "-o", "OUT/old.glb", "--garment", "hat"}, "cape.glb"},
		{"second garment is text", []string{body, cape, text, "-o", "OUT/new/"}, "text.glb"},
		{"second target is a folder", []string{body, cape, cox("gloves"), "-o", "OUT/"}, "gloves.glb"},
		{"folder of the output is a file", []string{body, cape, "-o", "OUT/old.glb/x.glb"}, "x.glb"},
	} {
		t.Run(c.name, func(t *testing.T) {
			out := t.TempDir()
			write(t, filepath.Join(out, "old.glb"), "an older result")
			if err := os.Mkdir(filepath.Join(out, "gloves.glb"), 0o755); err != nil {
				t.Fatal(err)
			}
			before := folder(t, out)
			args := []string{"transfer"}
			for _, a := range c.args {
				args = append(args, strings.Replace(a, "OUT", out, 1))
			}
			o := selvage(t, args...)
			if o.status != exitFailed {
				t.Errorf("status %d, want %d", o.status, exitFailed)
			}
			oneSentence(t, o)
			if !strings.Contains(o.stderr, c.names) {
				t.Errorf("%q does not name %s", o.stderr, c.names)
			}
			after := folder(t, out)
			if !slices.Equal(names(before), names(after)) {
				t.Errorf("the output's folder holds %q, before %q", names(after), names(before))
			}
			for f, content := range before {
				if after[f] != content {
					t.Errorf("%s was changed", f)
				}
			}
			if strings.Contains(o.stderr, ".selvage-") {
				t.Errorf("%q names a temporary file", o.stderr)
			}
		})
	}
	for _, f := range []string{missing, text, cut, empty} {
		o := selvage(t, "inspect", f)
		if o.status != exitFailed || !strings.Contains(o.stderr, filepath.Base(f)) {
			t.Errorf("inspect %s: status %d, %q", f, o.status, o.stderr)
		}
		oneSentence(t, o)
	}
}
