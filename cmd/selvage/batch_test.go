package main

import (
	"bufio"
	"bytes"
	"encoding/json"
	"fmt"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/selvage/selvage/client/wardrobe"
	"github.com/selvage/selvage/transfer"
	"github.com/selvage/selvage/transfer/crew"
	"github.com/spf13/pflag"
)

const coxManifest = `version: 1
bodies: [{name: cox, file: body.glb}]
garments: [{files: "*.glb"}]
output: out/{garment}.glb
`

// coxWardrobe copies the cox and a manifest into a folder of the test's own.
func coxWardrobe(t testing.TB, manifest string) (dir, file string) {
	t.Helper()
	dir = t.TempDir()
	if err := os.CopyFS(dir, os.DirFS(coxDir)); err != nil {
		t.Fatal(err)
	}
	file = filepath.Join(dir, "wardrobe.yaml")
	if err := os.WriteFile(file, []byte(manifest), 0o644); err != nil {
		t.Fatal(err)
	}
	return dir, file
}

// events reads the lines of --json.
func events(t testing.TB, out string) []map[string]any {
	t.Helper()
	var list []map[string]any
	for line := range strings.Lines(out) {
		var e map[string]any
		if err := json.Unmarshal([]byte(line), &e); err != nil || e["event"] == nil {
			t.Fatalf("%v: %q", err, line)
		}
		list = append(list, e)
	}
	return list
}

func ofKind(list []map[string]any, kind string) (out []map[string]any) {
	for _, e := range list {
		if e["event"] == kind {
			out = append(out, e)
		}
	}
	return out
}

// TestBatch_SameBytes: with any number of jobs, the bytes of selvage transfer.
func TestBatch_SameBytes(t *testing.T) {
	dir, file := coxWardrobe(t, coxManifest+"options: {format: u16, max-influences: 6}\n")
	args := []string{"transfer", cox("body")}
	for _, g := range crew.GarmentNames() {
		args = append(args, filepath.Join(coxDir, crew.FileName(g)))
	}
	want := t.TempDir()
	must(t, append(args, "-o", want, "--format", "u16", "--max-influences", "6")...)
	for _, jobs := range []string{"1", "5"} {
		o := must(t, "batch", file, "--jobs", jobs, "--force")
		if strings.ContainsAny(o.stdout+o.stderr, "\x1b\r\b") {
			t.Errorf("control characters in a pipe: %q %q", o.stdout, o.stderr)
		}
		if n := strings.Count(o.stderr, "made cox/"); n != len(crew.GarmentNames()) {
			t.Errorf("%d lines in the log: %q", n, o.stderr)
		}
		if i, k := strings.Index(o.stdout, "cox/cape"), strings.Index(o.stdout, "cox/sea-boots"); i < 0 || k < i {
			t.Errorf("the cape does not come before the boots: %s", o.stdout)
		}
		for _, g := range crew.GarmentNames() {
			a, err := os.ReadFile(filepath.Join(dir, "out", crew.FileName(g)))
			b, err2 := os.ReadFile(filepath.Join(want, crew.FileName(g)))
			if err != nil || err2 != nil || !bytes.Equal(a, b) {
				t.Errorf("%s jobs: %s has other bytes than transfer's (%v, %v)", jobs, g, err, err2)
			}
		}
	}
	if o := must(t, "batch", file, "-q"); o.stdout+o.stderr != "" {
		t.Errorf("--quiet prints %q, %q", o.stdout, o.stderr)
	}
}

// TestBatch_EveryFlagIsAnOption: the manifest has the options of the command line
// under their names, and no other.
func TestBatch_EveryFlagIsAnOption(t *testing.T) {
	var o transfer.AssetOptions
	f := pflag.NewFlagSet("", pflag.ContinueOnError)
	addOptionFlags(f, &o.Options)
	want := []string{"keep-joint", "plain", "joint-map", "skin"} // flags of transfer itself
	f.VisitAll(func(f *pflag.Flag) { want = append(want, f.Name) })
	var schema struct {
		Defs map[string]struct {
			Properties map[string]struct{}
		} `json:"$defs"`
	}
	if err := json.Unmarshal(wardrobe.Schema, &schema); err != nil {
		t.Fatal(err)
	}
	var got []string
	for key := range schema.Defs["options"].Properties {
		got = append(got, key)
	}
	slices.Sort(want)
	slices.Sort(got)
	if !slices.Equal(got, want) {
		t.Errorf("options %q, flags %q", got, want)
	}
	for _, name := range []string{"keep-joint", "plain", "joint-map", "skin"} {
		if newTransfer().Flags().Lookup(name) == nil {
			t.Errorf("transfer has no --%s", name)
		}
	}
	// And with the same meaning.
	args := []string{
		"--reach=0.2", "--falloff=2", "--fill=biharmonic", "--loose=on", "--loose-stretch=2", "--loose-name=a", "--rigid=off", "--rigid-name=b", "--rigid-one-joint=true",
		"--registration=on", "--allow-joint=c", "--deny-joint=d", "--max-influences=3", "--prune-below=0.1", "--format=u8", "--threads=2",
	}
	if err := f.Parse(args); err != nil {
		t.Fatal(err)
	}
	var lines []string
	for _, a := range args {
		lines = append(lines, "  "+strings.Replace(strings.TrimPrefix(a, "--"), "=", ": ", 1))
	}
	m, err := wardrobe.Read([]byte(coxManifest+"options:\n"+strings.Join(lines, "\n")+"\n"), "w.yaml")
	if err != nil {
		t.Fatal(err)
	}
	var read transfer.AssetOptions
	m.Options.Apply(&read)
	if fmt.Sprintf("%+v", read) != fmt.Sprintf("%+v", o) || len(args) != len(want)-4 {
		t.Errorf("manifest %+v\nflags    %+v", read, o)
	}
}

func TestBatch_Statuses(t *testing.T) {
	dir, file := coxWardrobe(t, coxManifest)
	o := selvage(t, "batch", file, "--strict", "-q")
	if o.status != exitStrict || !strings.Contains(o.stderr, "low confidence") {
		t.Errorf("a cape: %d %q", o.status, o.stderr)
	}
	must(t, "batch", file, "--strict", "--max-low", "100", "-q")
	// Skipped work is held against the limit too.
	if o = selvage(t, "batch", file, "--strict", "-q"); o.status != exitStrict {
		t.Errorf("a cape that was there: %d %q", o.status, o.stderr)
	}
	if err := os.WriteFile(filepath.Join(dir, "gloves.glb"), []byte("no"), 0o644); err != nil {
		t.Fatal(err)
	}
	if o = selvage(t, "batch", file, "--strict", "-q"); o.status != exitFailed || !strings.Contains(o.stderr, "cox/gloves: ") {
		t.Errorf("a broken garment: %d %q", o.status, o.stderr)
	}
	oneSentence(t, o)
	for _, c := range []struct {
		name   string
		args   []string
		status int
		says   string
	}{
		{"no manifest", []string{"batch"}, exitUsage, "takes one manifest"},
		{"two", []string{"batch", file, file}, exitUsage, "takes one manifest"},
		{"not there", []string{"batch", file + "x"}, exitFailed, "no such file"},
		{"part", []string{"batch", file, "--shard", "3/2"}, exitUsage, "--shard"},
		{"memory", []string{"batch", file, "--memory", "much"}, exitUsage, "--memory"},
		{"jobs", []string{"batch", file, "--jobs", "-1"}, exitUsage, "--jobs"},
		{"report", []string{"batch", file, "--report", "a.txt"}, exitUsage, ".html"},
		{"init", []string{"batch", "--init", dir}, exitFailed, "not overwritten"},
		{"too little memory", []string{"batch", file, "--memory", "1K", "--force", "-q"}, exitFailed, "--memory"},
	} {
		t.Run(c.name, func(t *testing.T) {
			if o := selvage(t, c.args...); o.status != c.status || !strings.Contains(o.stderr, c.says) {
				t.Errorf("status %d, %q; want %d, %q", o.status, o.stderr, c.status, c.says)
			}
		})
	}
	if err := os.WriteFile(file, []byte(coxManifest+"optoins: {}\n"), 0o644); err != nil {
		t.Fatal(err)
	}
	o = selvage(t, "batch", file)
	if o.status != exitUsage || !strings.Contains(o.stderr, "wardrobe.yaml:5:1: unknown key") {
		t.Errorf("a fault of the manifest: %d %q", o.status, o.stderr)
	}
	oneSentence(t, o)
	if o = must(t, "batch", "--schema"); o.stdout != string(wardrobe.Schema) {
		t.Error("--schema prints something else")
	}
}

func TestBatch_JSON(t *testing.T) {
	dir, file := coxWardrobe(t, coxManifest)
	if err := os.WriteFile(filepath.Join(dir, "gloves.glb"), []byte("no"), 0o644); err != nil {
		t.Fatal(err)
	}
	all := len(crew.GarmentNames())
	page := filepath.Join(dir, "page.html")
	o := selvage(t, "batch", file, "--json", "--report", page)
	if o.status != exitFailed {
		t.Errorf("status %d", o.status)
	}
	list := events(t, o.stdout)
	if list[0]["event"] != "plan" || list[0]["tasks"] != float64(all) || list[0]["bodies"] != 1.0 {
		t.Errorf("first %v", list[0])
	}
	last := list[len(list)-1]
	if last["event"] != "end" || last["made"] != float64(all-1) || last["failed"] != 1.0 || last["upToDate"] != 0.0 || last["waiting"] != 0.0 || last["status"] != float64(exitFailed) {
		t.Errorf("last %v", last)
	}
	made := ofKind(list, "made")
	if len(made) != all-1 || len(ofKind(list, "started")) != all-1 || len(ofKind(list, "progress")) < all-1 || len(ofKind(list, "failed")) != 1 {
		t.Errorf("events %s", o.stdout)
	}
	for _, e := range made {
		s, _ := e["summary"].(map[string]any)
		if e["sha256"] == "" || e["key"] == "" || e["body"] != "cox" || s["vertices"] == nil || e["all"] != float64(all) {
			t.Errorf("%v", e)
		}
	}
	for _, e := range ofKind(list, "progress") {
		if share, ok := e["share"].(float64); !ok || share < 0 || share > 1 || e["stage"] == "" || e["task"] == "" {
			t.Errorf("%v", e)
		}
	}
	if r := ofKind(list, "report"); len(r) != 1 || r[0]["file"] != page {
		t.Errorf("report %v", r)
	}
	if text, err := os.ReadFile(page); err != nil || !bytes.Contains(text, []byte("oilskin-coat")) {
		t.Errorf("the page: %v", err)
	}
	list = events(t, selvage(t, "batch", file, "--json").stdout)
	if len(ofKind(list, "upToDate")) != all-1 || len(ofKind(list, "made")) != 0 {
		t.Errorf("again: %v", list)
	}
}

// TestBatch_Shards: parts by the command, an empty one too.
func TestBatch_Shards(t *testing.T) {
	_, file := coxWardrobe(t, coxManifest)
	seen := map[any]int{}
	for i := 1; i <= 4; i++ {
		o := must(t, "batch", file, "--json", "--shard", fmt.Sprintf("%d/4", i))
		for _, e := range ofKind(events(t, o.stdout), "made") {
			seen[e["task"]]++
		}
	}
	if len(seen) != len(crew.GarmentNames()) {
		t.Errorf("made %v", seen)
	}
	for task, n := range seen {
		if n != 1 {
			t.Errorf("%v was made %d times", task, n)
		}
	}
	must(t, "batch", file, "--shard", "1000000/1000000") // hardly any key is in it
	page := filepath.Join(t.TempDir(), "page.html")
	if o := must(t, "batch", file, "--shard", "1/2", "--report", page); !strings.Contains(o.stdout, "no report is written for a part") {
		t.Errorf("the report that is not written is not told:\n%s", o.stdout)
	}
	if o := must(t, "batch", file, "--shard", "1/2"); strings.Contains(o.stdout, "report") {
		t.Errorf("a report that nobody asked for is told:\n%s", o.stdout)
	}
}

// TestBatch_Interrupts: SIGINT and SIGTERM at random moments; no garment is made
// twice, and the bytes are those of a run that was left alone.
func TestBatch_Interrupts(t *testing.T) {
	seed := uint64(23)
	rng := rand.New(rand.NewPCG(seed, 1))
	made := map[string]int{}
	interrupts := 0
	dir, file := coxWardrobe(t, coxManifest)
	deadline := time.Now().Add(60 * time.Second) // against a test that hangs
	for round := 0; interrupts < 20 && time.Now().Before(deadline); round++ {
		cmd := exec.Command(command, "batch", file, "--json", "--jobs", "2")
		out, err := cmd.StdoutPipe()
		if err != nil {
			t.Fatal(err)
		}
		var stderr bytes.Buffer
		cmd.Stderr = &stderr
		if err := cmd.Start(); err != nil {
			t.Fatal(err)
		}
		stopAt := 1 + rng.IntN(25) // lines until the signal
		signal := []os.Signal{os.Interrupt, syscall.SIGTERM}[rng.IntN(2)]
		lines := bufio.NewScanner(out)
		lines.Buffer(nil, 1<<20)
		ended := false
		for n := 1; lines.Scan(); n++ {
			e := events(t, lines.Text())[0]
			switch e["event"] {
			case "made":
				made[fmt.Sprint(e["task"], " of wardrobe ", dir)]++
			case "end":
				ended = e["waiting"] == 0.0
			}
			if n == stopAt {
				_ = cmd.Process.Signal(signal)
			}
		}
		err = cmd.Wait()
		switch status := cmd.ProcessState.ExitCode(); {
		case status == exitFailed && strings.Contains(stderr.String(), "interrupted"):
			interrupts++
		case status == exitDone && ended || status == -1: // before the program listens
		default:
			t.Fatalf("seed %d, round %d: status %d, %v, %s", seed, round, status, err, stderr.String())
		}
		if ended { // all made: a fresh wardrobe
			dir, file = coxWardrobe(t, coxManifest)
		}
	}
	must(t, "batch", file, "-q")
	if interrupts < 20 {
		t.Errorf("seed %d: %d interrupts", seed, interrupts)
	}
	for task, n := range made {
		if n != 1 {
			t.Errorf("seed %d: %s was made %d times", seed, task, n)
		}
	}
	want := t.TempDir()
	must(t, "transfer", cox("body"), cox("oilskin-coat"), cox("cape"), "-o", want, "-q")
	for _, name := range []string{"oilskin-coat.glb", "cape.glb"} {
		a, err := os.ReadFile(filepath.Join(dir, "out", name))
		b, err2 := os.ReadFile(filepath.Join(want, name))
		if err != nil || err2 != nil || !bytes.Equal(a, b) {
			t.Errorf("%s differs (%v, %v)", name, err, err2)
		}
	}
}

// TestBatch_Watch: a save is acted upon, Ctrl-C ends with status 0.
func TestBatch_Watch(t *testing.T) {
	dir, file := coxWardrobe(t, coxManifest)
	cmd := exec.Command(command, "batch", file, "--json", "--watch")
	out, err := cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	kill := time.AfterFunc(30*time.Second, func() { _ = cmd.Process.Kill() }) // against a test that hangs
	defer kill.Stop()
	lines := bufio.NewScanner(out)
	lines.Buffer(nil, 1<<20)
	waitings, changed, made := 0, 0, 0
	var all strings.Builder
	for lines.Scan() {
		fmt.Fprintln(&all, lines.Text())
		e := events(t, lines.Text())[0]
		switch e["event"] {
		case "changed":
			changed++
		case "made":
			made++
		case "waiting":
			if waitings++; waitings == 1 {
				if err := os.Rename(filepath.Join(dir, "cape.glb"), filepath.Join(dir, "gloves.glb")); err != nil {
					t.Fatal(err)
				}
			} else {
				_ = cmd.Process.Signal(os.Interrupt)
			}
		}
	}
	if err := cmd.Wait(); err != nil || waitings < 2 || changed < 1 || made != len(crew.GarmentNames())+1 {
		t.Errorf("%v: %d waitings, %d changes, %d made\n%s", err, waitings, changed, made, all.String())
	}
}

// TestBatch_Init: from a folder to weights in two commands.
func TestBatch_Init(t *testing.T) {
	dir := t.TempDir()
	if err := os.CopyFS(dir, os.DirFS(coxDir)); err != nil {
		t.Fatal(err)
	}
	file := filepath.Join(dir, "wardrobe.yaml")
	if o := must(t, "batch", "--init", dir); !strings.Contains(o.stdout, file) {
		t.Errorf("%q", o.stdout)
	}
	must(t, "batch", file, "-q")
	for _, g := range crew.GarmentNames() {
		weighted(t, filepath.Join(dir, "weighted", crew.FileName(g)))
	}
}

// TestBatchBars: the lines fit the terminal, the whole comes first, and in the end
// nothing is left.
func TestBatchBars(t *testing.T) {
	var out bytes.Buffer
	s := newBatchBars(&out, 20)
	tasks := make([]*wardrobe.Task, 11)
	for i := range tasks {
		tasks[i] = &wardrobe.Task{Name: fmt.Sprintf("cox/%s-%d\x1b[31m", strings.Repeat("oilskin", 20), i)}
		s.running(wardrobe.Event{Task: tasks[i], Kind: wardrobe.Progress, Stage: transfer.StageFill, Share: 0.5})
	}
	s.ended(wardrobe.Update{Item: wardrobe.Item{Task: tasks[0], Status: wardrobe.Made}, Finished: 1, All: 20})
	lines := s.lines()
	if len(lines) != shownBars+2 || !strings.Contains(lines[0], "1/20") || !strings.HasPrefix(lines[len(lines)-1], "and 2 more") {
		t.Errorf("lines %q", lines)
	}
	for _, l := range lines {
		if n := len([]rune(l)); n > 79 || strings.ContainsAny(l, "\x1b\r\n") {
			t.Errorf("%d characters: %q", n, l)
		}
	}
	s.draw(true)
	out.Reset()
	(&batchView{b: &batchRun{}, bars: s}).finishing(10)
	erase := fmt.Sprintf("\x1b[%dF\x1b[0J", len(lines))
	if want := erase + "finishing 10 garments; interrupt again to stop at once\n" + lines[0] + "\n"; !strings.HasPrefix(out.String(), want) {
		t.Errorf("the line is not above the bars: %q", out.String())
	}
	s.close()
	if !strings.HasSuffix(out.String(), fmt.Sprintf("\x1b[%dF\x1b[0J", len(lines))) {
		t.Errorf("ends with %q", out.String()[max(0, out.Len()-40):])
	}
}

func TestParseBytes(t *testing.T) {
	for s, want := range map[string]int64{"1": 1, "2K": 2048, "800M": 800 << 20, "6G": 6 << 30, "": 0, "G": 0, "-1": 0, "0": 0, "1T": 0, "9999999999G": 0} {
		if got, err := parseBytes(s); got != want || (err == nil) != (want > 0) {
			t.Errorf("%q: %d, %v", s, got, err)
		}
	}
}
