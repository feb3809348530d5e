package wardrobe

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"maps"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"go.uber.org/goleak"

	"github.com/selvage/selvage/transfer"
	"github.com/selvage/selvage/transfer/crew"
	"github.com/selvage/selvage/transfer/gltfio"
)

var crewDir string // a small cox and a small mate with their garments

func TestMain(m *testing.M) {
	os.Exit(func() int {
		dir, err := os.MkdirTemp("", "selvage-wardrobe-")
		if err == nil {
			defer os.RemoveAll(dir)
			crewDir = dir
			for _, name := range []string{"cox", "mate"} {
				if err == nil {
					err = crew.NewBodyAt(name, 0.1).WriteMember(filepath.Join(dir, name))
				}
			}
		}
		if err != nil {
			fmt.Fprintln(os.Stderr, err)
			return 1
		}
		status := m.Run()
		if err := goleak.Find(); status == 0 && err != nil {
			fmt.Fprintln(os.Stderr, err)
			return 1
		}
		return status
	}())
}

const crewManifest = `version: 1
bodies:
  - {name: cox, file: cox/body.glb}
  - {name: mate, file: mate/body.glb}
garments:
  - {files: cox/*.glb, bodies: cox}
  - {files: mate/*.glb, bodies: mate, options: {format: u16}}
layers: [jersey, "oilskin-*"]
output: out/{body}/{garment}.glb
`

// wardrobeAt copies the crew and a manifest into a folder of the test's own.
func wardrobeAt(t testing.TB, manifest string) (dir, file string) {
	t.Helper()
	dir = t.TempDir()
	if err := os.CopyFS(dir, os.DirFS(crewDir)); err != nil {
		t.Fatal(err)
	}
	file = filepath.Join(dir, "wardrobe.yaml")
	write(t, file, []byte(manifest))
	return dir, file
}

func write(t testing.TB, file string, text []byte) {
	t.Helper()
	if err := os.WriteFile(file, text, 0o644); err != nil {
		t.Fatal(err)
	}
}

func planOf(t testing.TB, file string) *Plan {
	t.Helper()
	m, err := ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	p, err := m.Plan(t.Context(), PlanOptions{Version: "test"})
	if err != nil {
		t.Fatal(err)
	}
	return p
}

// runPlan runs a plan and fails the test where the run itself does.
func runPlan(t testing.TB, r Runner, p *Plan) *Outcome {
	t.Helper()
	if r.Executor == nil {
		r.Executor = &Local{}
	}
	o, err := r.Run(t.Context(), p)
	if err != nil {
		t.Fatal(err)
	}
	return o
}

// counts checks how many items have each status.
func counts(t testing.TB, o *Outcome, made, upToDate, broken, waiting int) {
	t.Helper()
	got := [4]int{o.Count(Made), o.Count(UpToDate), o.Count(Broken), o.Count(Waiting)}
	if want := [4]int{made, upToDate, broken, waiting}; got != want {
		var lines []string
		for _, i := range o.Items {
			lines = append(lines, fmt.Sprint(i.Task.Name, " ", i.Status, " ", i.Err))
		}
		t.Errorf("made, up to date, failed, waiting: %v, want %v\n%s", got, want, strings.Join(lines, "\n"))
	}
}

func item(t testing.TB, o *Outcome, name string) Item {
	t.Helper()
	for _, i := range o.Items {
		if i.Task.Name == name {
			return i
		}
	}
	t.Fatalf("no task %s", name)
	return Item{}
}

func TestPlan_OrderAndOptions(t *testing.T) {
	_, file := wardrobeAt(t, crewManifest)
	p := planOf(t, file)
	n := len(crew.GarmentNames())
	if len(p.Tasks) != 2*n {
		t.Fatalf("%d tasks, want %d", len(p.Tasks), 2*n)
	}
	if a, b := p.Tasks[0], p.Tasks[1]; a.Name != "cox/jersey" || b.Name != "cox/oilskin-coat" || a.Layer != 0 || b.Layer != 1 || p.Tasks[2].Layer != -1 {
		t.Errorf("tasks begin with %s, %s", a.Name, b.Name)
	}
	for i, task := range p.Tasks {
		if want := i >= n; (task.Body.Name == "mate") != want || (task.Options.Format != 0) != want || task.Message.GetFormat() == 0 {
			t.Errorf("task %s: body %s, format %v", task.Name, task.Body.Name, task.Options.Format)
		}
		if task.Bytes <= 0 || task.BodyBytes <= 0 || len(task.Key) != 64 || task.Err != nil {
			t.Errorf("task %+v", task)
		}
	}
}

// TestPlan_Faults: what only shows beside the files, with its place.
func TestPlan_Faults(t *testing.T) {
	for _, c := range []struct{ name, from, to, fault string }{
		{"no body", "cox/body.glb", "cox/nobody.glb", "3:23: body \"cox\": the file cox/nobody.glb does not exist"},
		{"no file", "files: cox/*.glb", "files: cox/none.glb", "6:13: the file cox/none.glb does not exist"},
		{"no match", "files: cox/*.glb", "files: cox/z*.glb", "6:13: no file matches"},
		{"nothing left", "files: cox/*.glb", "files: cox/bod*.glb", "6:13: no garment is left"},
		{"unknown body", "bodies: mate", "bodies: pilot", `7:33: no body is named "pilot"`},
		{"unknown layer", `"oilskin-*"`, `"silk-*"`, `8:18: the layer "silk-*" names no garment`},
		{"layer that is in one before", `"oilskin-*"`, `"jer*"`, `8:18: the layer "jer*" names no garment that the layers before it do not name`},
		{"one name for many", "files: cox/*.glb", "files: cox/*.glb, name: hat", "6:5: the name \"hat\" is for one file"},
		{"one output for two", "out/{body}/{garment}", "out/{garment}", "9:9: "},
		{"overwrites input", "out/{body}/{garment}.glb", "'{body}/{garment}.glb'", "9:9: the output of"},
		{"one report for two", "output:", "report: a.html\noutput:", "9:9: the report"},
		{"no glTF", "files: cox/*.glb", "files: wardrobe.yaml", "6:13: the file wardrobe.yaml ends in"},
	} {
		t.Run(c.name, func(t *testing.T) {
			_, file := wardrobeAt(t, strings.Replace(crewManifest, c.from, c.to, 1))
			m, err := ReadFile(file)
			if err != nil {
				t.Fatal(err)
			}
			_, err = m.Plan(t.Context(), PlanOptions{})
			var fault *Fault
			if !errors.As(err, &fault) || !strings.HasPrefix(err.Error(), file+":"+c.fault) {
				t.Errorf("%v, want %s", err, c.fault)
			}
		})
	}
}

// TestRun_Incremental: what is unchanged is skipped, whatever else is around; the
// bytes are those of a transfer.
func TestRun_Incremental(t *testing.T) {
	dir, file := wardrobeAt(t, crewManifest)
	n := len(crew.GarmentNames())
	p := planOf(t, file)
	counts(t, runPlan(t, Runner{}, p), 2*n, 0, 0, 0)

	// The same bytes as a transfer of the same pair, by the library itself.
	task := p.Tasks[2]
	body, err := gltfio.Open(task.Body.File, gltfio.Options{})
	if err != nil {
		t.Fatal(err)
	}
	prepared, err := transfer.PrepareAsset(t.Context(), body, gltfio.Selection{}, 1)
	if err != nil {
		t.Fatal(err)
	}
	garment, err := gltfio.Open(task.Garment.File, gltfio.Options{})
	if err != nil {
		t.Fatal(err)
	}
	want, _, err := prepared.Transfer(t.Context(), garment, task.Options)
	if err != nil {
		t.Fatal(err)
	}
	var b bytes.Buffer
	if err := want.Encode(&b); err != nil {
		t.Fatal(err)
	}
	if got, err := os.ReadFile(task.Output); err != nil || !bytes.Equal(got, b.Bytes()) {
		t.Errorf("%s: other bytes than a transfer's (%v)", task.Name, err)
	}

	again := func(name string, r Runner, made int) *Outcome {
		t.Helper()
		o := runPlan(t, r, planOf(t, file))
		if o.Count(Made) != made || o.Count(UpToDate) != 2*n-made {
			t.Errorf("%s:", name)
			counts(t, o, made, 2*n-made, 0, 0)
		}
		return o
	}
	again("nothing changed", Runner{}, 0)
	again("verified", Runner{Verify: true}, 0)

	garmentFile := filepath.Join(dir, "cox", "cape.glb")
	text, err := os.ReadFile(garmentFile)
	if err != nil {
		t.Fatal(err)
	}
	write(t, garmentFile, text)
	again("a garment saved as it was", Runner{}, 0)
	write(t, garmentFile, changed(t, text))
	if o := again("a garment changed", Runner{}, 1); item(t, o, "cox/cape").Status != Made {
		t.Error("another garment than the changed one was made")
	}
	bodyFile := filepath.Join(dir, "mate", "body.glb")
	if text, err = os.ReadFile(bodyFile); err != nil {
		t.Fatal(err)
	}
	write(t, bodyFile, changed(t, text))
	again("a body changed", Runner{}, n)

	write(t, file, []byte(strings.Replace(crewManifest, "u16", "u8", 1)))
	again("an option changed", Runner{}, n)
	write(t, file, []byte(strings.Replace(crewManifest, "u16", "u8, threads: 1", 1)))
	again("the number of threads changed", Runner{}, 0)

	// Outputs that are not as they were written.
	outputs := planOf(t, file).Tasks
	if err := os.Remove(outputs[0].Output); err != nil {
		t.Fatal(err)
	}
	again("an output removed", Runner{}, 1)
	write(t, outputs[1].Output, []byte("short"))
	again("an output cut", Runner{}, 1)
	info, err := os.Stat(outputs[2].Output)
	if err != nil {
		t.Fatal(err)
	}
	if text, err = os.ReadFile(outputs[2].Output); err != nil {
		t.Fatal(err)
	}
	text[len(text)-1] ^= 1
	write(t, outputs[2].Output, text)
	again("an output changed, of the same size", Runner{}, 1)
	write(t, outputs[2].Output, text)
	if err := os.Chtimes(outputs[2].Output, time.Time{}, info.ModTime()); err != nil {
		t.Fatal(err)
	}
	// Only --verify sees a change that hides its size and its time. The recorded time
	// is the last run's, so set that first.
	now := stampOf(outputs[2].Output)
	state := readState(p.State)
	r := state.own[state.name(outputs[2].Output)]
	r.ModTime = now.ModTime
	state.put(r)
	if err := state.flush(); err != nil {
		t.Fatal(err)
	}
	again("a hidden change", Runner{}, 0)
	again("a hidden change, verified", Runner{Verify: true}, 1)

	// A state that cannot be read costs time alone.
	write(t, p.State, []byte("{"))
	again("a broken state", Runner{}, 2*n)
}

// changed adds a word to an asset's JSON: other bytes, the same surface.
func changed(t testing.TB, glb []byte) []byte {
	t.Helper()
	a, err := gltfio.Parse(glb, "a.glb", gltfio.Options{})
	if err != nil {
		t.Fatal(err)
	}
	var text bytes.Buffer
	if err := a.EncodeJSON(&text); err != nil {
		t.Fatal(err)
	}
	var doc map[string]any
	d := json.NewDecoder(&text)
	d.UseNumber()
	if err := d.Decode(&doc); err != nil {
		t.Fatal(err)
	}
	doc["extras"] = map[string]any{"tide": fmt.Sprint(time.Now().UnixNano())}
	out, err := json.Marshal(doc)
	if err != nil {
		t.Fatal(err)
	}
	if a, err = gltfio.Parse(out, "a.gltf", gltfio.Options{}); err != nil {
		t.Fatal(err)
	}
	var b bytes.Buffer
	if err := a.Encode(&b); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

// TestRun_ExternalFiles: a change of a file that a .gltf names counts, and so does
// one that appears.
func TestRun_ExternalFiles(t *testing.T) {
	dir, file := wardrobeAt(t, `version: 1
bodies: [{name: cox, file: cox/body.glb}]
garments: [{files: hat.gltf}]
output: out/{garment}.glb
`)
	a, err := gltfio.Open(filepath.Join(dir, "cox", "souwester.glb"), gltfio.Options{})
	if err != nil {
		t.Fatal(err)
	}
	var b bytes.Buffer
	if err := a.EncodeJSON(&b); err != nil {
		t.Fatal(err)
	}
	var doc map[string]any
	if err := json.Unmarshal(b.Bytes(), &doc); err != nil {
		t.Fatal(err)
	}
	whole, err := os.ReadFile(filepath.Join(dir, "cox", "souwester.glb"))
	if err != nil {
		t.Fatal(err)
	}
	bin := whole[bytes.Index(whole, []byte("BIN\x00"))+4:]
	doc["buffers"].([]any)[0].(map[string]any)["uri"] = "hat.bin"
	doc["images"] = []any{map[string]any{"uri": "felt.png"}}
	text, err := json.Marshal(doc)
	if err != nil {
		t.Fatal(err)
	}
	write(t, filepath.Join(dir, "hat.bin"), bin)
	write(t, filepath.Join(dir, "hat.gltf"), text)
	o := runPlan(t, Runner{}, planOf(t, file))
	counts(t, o, 1, 0, 0, 0)
	if notes := strings.Join(o.Items[0].Record.Notes(), "\n"); !strings.Contains(notes, "felt.png was not found") {
		t.Errorf("notes %q", notes)
	}
	counts(t, runPlan(t, Runner{}, planOf(t, file)), 0, 1, 0, 0)
	write(t, filepath.Join(dir, "felt.png"), []byte("felt"))
	counts(t, runPlan(t, Runner{}, planOf(t, file)), 1, 0, 0, 0)
	bin[0] ^= 1
	write(t, filepath.Join(dir, "hat.bin"), bin)
	counts(t, runPlan(t, Runner{}, planOf(t, file)), 1, 0, 0, 0)
	counts(t, runPlan(t, Runner{}, planOf(t, file)), 0, 1, 0, 0)
}

// TestRun_OneFailureAlone: broken garments, a broken body and a garment that is too
// large fail alone.
func TestRun_OneFailureAlone(t *testing.T) {
	dir, file := wardrobeAt(t, crewManifest)
	n := len(crew.GarmentNames())
	write(t, filepath.Join(dir, "cox", "cape.glb"), []byte("no glTF"))
	text, err := os.ReadFile(filepath.Join(dir, "cox", "gloves.glb"))
	if err != nil {
		t.Fatal(err)
	}
	write(t, filepath.Join(dir, "cox", "gloves.glb"), text[:len(text)-100])
	o := runPlan(t, Runner{}, planOf(t, file))
	counts(t, o, 2*n-2, 0, 2, 0)
	for _, name := range []string{"cox/cape", "cox/gloves"} {
		if i := item(t, o, name); i.Err == nil || !strings.Contains(i.Err.Error(), strings.TrimPrefix(name, "cox/")) {
			t.Errorf("%s: %v", name, i.Err)
		}
	}
	write(t, filepath.Join(dir, "mate", "body.glb"), []byte("glTF\x02\x00\x00\x00"))
	counts(t, runPlan(t, Runner{}, planOf(t, file)), 0, n-2, n+2, 0)
	// The opposite: nothing begins after a failure.
	counts(t, runPlan(t, Runner{Stop: true, Force: true}, planOf(t, file)), 0, 0, n+2, n-2)
}

// TestRun_ChangedMeanwhile: what was made of a file that changed on the way is not
// written.
func TestRun_ChangedMeanwhile(t *testing.T) {
	dir, file := wardrobeAt(t, crewManifest)
	p := planOf(t, file)
	gloves := filepath.Join(dir, "cox", "gloves.glb")
	text, err := os.ReadFile(gloves)
	if err != nil {
		t.Fatal(err)
	}
	write(t, gloves, changed(t, text))
	o := runPlan(t, Runner{}, p)
	counts(t, o, len(p.Tasks)-1, 0, 1, 0)
	var c *ChangedError
	if i := item(t, o, "cox/gloves"); !errors.As(i.Err, &c) || c.File != gloves {
		t.Errorf("%v", i.Err)
	}
	if _, err := os.Stat(filepath.Join(dir, "out", "cox", "gloves.glb")); err == nil {
		t.Error("the stale result was written")
	}
}

// TestRun_Interrupts: a run that is interrupted at random moments and started again
// until it is done makes every garment exactly once.
func TestRun_Interrupts(t *testing.T) {
	dir, file := wardrobeAt(t, crewManifest)
	seed := uint64(17)
	rng := rand.New(rand.NewPCG(seed, 1))
	made := map[string]int{}
	interrupts := 0
	for round := range 60 {
		p := planOf(t, file)
		ctx, cancel := context.WithCancel(t.Context())
		stopAt := -1
		if interrupts < 20 {
			stopAt = rng.IntN(12) // events until the interrupt
		}
		r := Runner{Executor: &Local{}}
		events := 0
		r.Tell = func(u Update) {
			if u.Running || u.Status == Made {
				if events++; events == stopAt+1 {
					cancel()
				}
			}
		}
		o, err := r.Run(ctx, p)
		cancel()
		for _, i := range o.Items {
			if i.Status == Made {
				made[i.Task.Name]++
			}
			if i.Status == Broken {
				t.Fatalf("seed %d, round %d: %s: %v", seed, round, i.Task.Name, i.Err)
			}
		}
		if err == nil {
			break
		}
		if !errors.Is(err, context.Canceled) {
			t.Fatal(err)
		}
		interrupts++
	}
	want := 2 * len(crew.GarmentNames())
	if len(made) != want {
		t.Errorf("seed %d: %d of %d made", seed, len(made), want)
	}
	for name, n := range made {
		if n != 1 {
			t.Errorf("seed %d: %s was made %d times", seed, name, n)
		}
	}
	if interrupts < 5 {
		t.Errorf("seed %d: only %d interrupts: the test shows nothing", seed, interrupts)
	}
	// No temporary file is left behind.
	for _, f := range glob(dir, "out/**/.*") {
		if filepath.Base(f) != ".selvage-wardrobe.json" {
			t.Errorf("left behind: %s", f)
		}
	}
}

// TestRun_Finish: what has begun is finished and recorded, nothing else is begun, and the
// next run goes on; a run whose last garments are finished is done.
func TestRun_Finish(t *testing.T) {
	_, file := wardrobeAt(t, crewManifest)
	all := 2 * len(crew.GarmentNames())
	begun := 0
	for round := 0; ; round++ {
		finish := make(chan struct{})
		here, told := 0, 0
		r := Runner{Executor: &Local{Jobs: 3, Threads: 3}, Finish: finish}
		r.Finishing = func(n int) { told += n }
		r.Tell = func(u Update) {
			if u.Running && u.Event.Kind == Started {
				if here++; here == 1 {
					close(finish)
				}
			}
		}
		o, err := r.Run(t.Context(), planOf(t, file))
		begun += here
		if n := o.Count(Made); n != here || o.Count(Broken) > 0 || told < 1 || told > here {
			t.Fatalf("round %d: %d begun, %d made, %d told; %+v", round, here, n, told, o)
		}
		if err == nil {
			break
		}
		if !errors.Is(err, context.Canceled) || o.Count(Waiting) == 0 || round > all {
			t.Fatalf("round %d: %v", round, err)
		}
	}
	if begun != all {
		t.Errorf("%d garments begun for %d", begun, all)
	}
	counts(t, runPlan(t, Runner{}, planOf(t, file)), 0, all, 0, 0)
}

// TestShard_Partition: for any N the parts are disjoint and together all.
func TestShard_Partition(t *testing.T) {
	seed := uint64(5)
	rng := rand.New(rand.NewPCG(seed, 2))
	tasks := make([]*Task, 500)
	for i := range tasks {
		tasks[i] = &Task{Name: fmt.Sprint(i), Key: fmt.Sprintf("%016x%048x", rng.Uint64(), i)}
	}
	for _, n := range []int{1, 2, 3, 7, 64, 1000} {
		count := map[*Task]int{}
		for i := 1; i <= n; i++ {
			part := Shard{i, n}.Of(tasks)
			if !slices.Equal(part, Shard{i, n}.Of(tasks)) {
				t.Errorf("part %d of %d differs from itself", i, n)
			}
			for _, x := range part {
				count[x]++
			}
			// 500 keys in n parts: a part with more than four times its share and 20 more
			// has a chance below 1e-9 (Chernoff).
			if len(part) > 4*500/n+20 {
				t.Errorf("seed %d: part %d of %d has %d tasks", seed, i, n, len(part))
			}
		}
		if len(count) != len(tasks) {
			t.Errorf("seed %d: %d parts hold %d of %d tasks", seed, n, len(count), len(tasks))
		}
		for x, k := range count {
			if k != 1 {
				t.Errorf("seed %d: task %s is in %d of %d parts", seed, x.Name, k, n)
			}
		}
	}
	for _, s := range []string{"", "0/2", "3/2", "1", "a/2", "1/0", "-1/2", "1/2/3"} {
		if _, err := ParseShard(s); err == nil {
			t.Errorf("%q is read as a part", s)
		}
	}
}

// TestRun_Shards: parts side by side, each with its own state, make the whole.
func TestRun_Shards(t *testing.T) {
	_, file := wardrobeAt(t, crewManifest)
	var wg sync.WaitGroup
	outcomes := make([]*Outcome, 3)
	for i := range outcomes {
		wg.Go(func() {
			outcomes[i] = runPlan(t, Runner{Shard: Shard{i + 1, 3}}, planOf(t, file))
		})
	}
	wg.Wait()
	made := 0
	for _, o := range outcomes {
		made += o.Count(Made)
	}
	all := 2 * len(crew.GarmentNames())
	if made != all {
		t.Errorf("the parts made %d of %d", made, all)
	}
	counts(t, runPlan(t, Runner{}, planOf(t, file)), 0, all, 0, 0)
}

// TestLocal_Bounds: memory by estimate and jobs stay within their bounds, and a
// body is read once.
func TestLocal_Bounds(t *testing.T) {
	_, file := wardrobeAt(t, strings.Replace(crewManifest, "layers:", "layers: off # ", 1))
	p := planOf(t, file)
	largest, body := int64(0), int64(0)
	for _, x := range p.Tasks {
		largest, body = max(largest, x.Bytes), max(body, x.BodyBytes)
	}
	for _, c := range []struct {
		name   string
		memory int64
		jobs   int
	}{
		{"room for one", max(2*body, body+largest), 8},
		{"three jobs", 1 << 40, 3},
	} {
		t.Run(c.name, func(t *testing.T) {
			var mu sync.Mutex
			var bytes int64
			jobs, last := 0, int64(0)
			l := &Local{Memory: c.memory, Jobs: c.jobs, Threads: 8}
			l.observe = func(b int64, j int) {
				mu.Lock()
				defer mu.Unlock()
				bytes, jobs, last = max(bytes, b), max(jobs, j), b
			}
			counts(t, runPlan(t, Runner{Executor: l, Force: true}, p), len(p.Tasks), 0, 0, 0)
			if bytes > c.memory || jobs > c.jobs {
				t.Errorf("%d bytes and %d jobs at once, bounds %d and %d", bytes, jobs, c.memory, c.jobs)
			}
			if bytes < largest || last != 0 {
				t.Errorf("at most %d bytes were held, %d at the end", bytes, last)
			}
		})
	}
	// What can never fit fails, the rest is done.
	o := runPlan(t, Runner{Executor: &Local{Memory: max(2*body, body+largest) - 1}, Force: true}, p)
	var m *MemoryError
	if o.Count(Broken) == 0 || o.Count(Broken)+o.Count(Made) != len(p.Tasks) {
		counts(t, o, -1, 0, -1, 0)
	}
	for _, i := range o.Items {
		if i.Status == Broken && !errors.As(i.Err, &m) {
			t.Error(i.Err)
		}
	}
}

func TestThreadsFor(t *testing.T) {
	for _, c := range []struct{ vertices, all, rest, want int }{
		{1000, 8, 100, 1}, {100000, 8, 100, 5}, {1000000, 8, 100, 8}, {1000, 8, 1, 8}, {1000, 8, 2, 4}, {1000, 1, 1, 1},
	} {
		if got := threadsFor(c.vertices, c.all, c.rest); got != c.want {
			t.Errorf("threadsFor(%d, %d, %d) = %d, want %d", c.vertices, c.all, c.rest, got, c.want)
		}
	}
}

// TestOutcome_Reports: pages are written, and not again where they would show the
// same.
func TestOutcome_Reports(t *testing.T) {
	dir, file := wardrobeAt(t, crewManifest+"report: out/{body}.html\n")
	p := planOf(t, file)
	r := Runner{Executor: &Local{}}
	o := runPlan(t, r, p)
	written, err := r.WriteReports(t.Context(), p, o, 0)
	if err != nil || len(written) != 2 {
		t.Fatalf("wrote %q, %v", written, err)
	}
	page, err := os.ReadFile(filepath.Join(dir, "out", "mate.html"))
	if err != nil || !bytes.Contains(page, []byte("oilskin-coat")) {
		t.Errorf("the page does not name the coat (%v)", err)
	}
	o = runPlan(t, r, planOf(t, file))
	if written, err = r.WriteReports(t.Context(), p, o, 0); err != nil || len(written) != 0 {
		t.Errorf("wrote %q again, %v", written, err)
	}
	if err := os.Remove(filepath.Join(dir, "out", "cox.html")); err != nil {
		t.Fatal(err)
	}
	if written, err = r.WriteReports(t.Context(), p, o, 0); err != nil || len(written) != 1 {
		t.Errorf("wrote %q, %v", written, err)
	}
}

// TestInit: the manifest of a folder makes the plan that one would write by hand,
// also when results lie among the garments.
func TestInit(t *testing.T) {
	dir := t.TempDir()
	if err := os.CopyFS(dir, os.DirFS(crewDir)); err != nil {
		t.Fatal(err)
	}
	write(t, filepath.Join(dir, "mate", "broken.glb"), []byte("no"))
	write(t, filepath.Join(dir, "notes.txt"), []byte("no"))
	file, err := Init(t.Context(), dir)
	if err != nil {
		t.Fatal(err)
	}
	p := planOf(t, file)
	n := len(crew.GarmentNames())
	if len(p.Tasks) != 2*n {
		t.Errorf("%d tasks, want %d", len(p.Tasks), 2*n)
	}
	outputs := map[string]bool{}
	for _, x := range p.Tasks {
		if filepath.Base(filepath.Dir(x.Garment.File)) != x.Body.Name {
			t.Errorf("%s is worn by %s", x.Garment.File, x.Body.Name)
		}
		outputs[x.Output] = true
	}
	if len(outputs) != 2*n {
		t.Errorf("outputs %q", slices.Sorted(maps.Keys(outputs)))
	}
	text, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	if !strings.HasPrefix(string(text), "# yaml-language-server: $schema="+SchemaFile+"\n") || !strings.Contains(string(text), "cannot be read") {
		t.Errorf("the manifest:\n%s", text)
	}
	if schema, err := os.ReadFile(filepath.Join(dir, SchemaFile)); err != nil || !bytes.Equal(schema, Schema) {
		t.Errorf("the schema: %v", err)
	}
	// Every option that is commented out is one: uncommented, the manifest still reads.
	var all []string
	for _, line := range strings.Split(string(text), "\n") {
		if rest, ok := strings.CutPrefix(line, "  # "); ok {
			line = "  " + rest
		}
		all = append(all, line)
	}
	m, err := Read([]byte(strings.Join(all, "\n")), file)
	if err != nil {
		t.Fatal(err)
	}
	var o transfer.AssetOptions
	m.Options.Apply(&o)
	var schema struct {
		Defs struct {
			Options struct{ Properties map[string]any }
		} `json:"$defs"`
	}
	if err := json.Unmarshal(Schema, &schema); err != nil {
		t.Fatal(err)
	}
	if len(m.Options) != len(schema.Defs.Options.Properties) || fmt.Sprint(o) != fmt.Sprint(transfer.AssetOptions{}) {
		t.Errorf("%d options, %+v: not the defaults", len(m.Options), o)
	}
	if _, err := Init(t.Context(), dir); err == nil || !strings.Contains(err.Error(), "not overwritten") {
		t.Errorf("a second time: %v", err)
	}
	if _, err := Init(t.Context(), t.TempDir()); err == nil {
		t.Error("an empty folder makes a manifest")
	}
}

// TestInit_OddNames: file and folder names that are no names of garments, or would be
// patterns, alone and where they would clash.
func TestInit_OddNames(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "crew [old]")
	glove := read(t, filepath.Join(crewDir, "cox", "gloves.glb"))
	for name, data := range map[string][]byte{
		"body.glb": read(t, filepath.Join(crewDir, "cox", "body.glb")), "gloves.glb": glove, "gloves [v2].glb": glove,
		"gloves (v2).glb": glove, "hat{a}.glb": glove, "coat .glb": glove, "in [x]/gloves [v2].glb": glove, "in [x]/cape.glb": glove,
	} {
		f := filepath.Join(dir, filepath.FromSlash(name))
		if err := os.MkdirAll(filepath.Dir(f), 0o700); err != nil {
			t.Fatal(err)
		}
		write(t, f, data)
	}
	file, err := Init(t.Context(), dir)
	if err != nil {
		t.Fatal(err)
	}
	names := map[string]string{}
	for _, x := range planOf(t, file).Tasks {
		names[x.Garment.Name] = filepath.ToSlash(strings.TrimPrefix(x.Garment.File, dir+string(filepath.Separator)))
	}
	want := map[string]string{
		"gloves": "gloves.glb", "gloves (v2)": "gloves (v2).glb", "gloves (v2)-2": "gloves [v2].glb", "hat(a)": "hat{a}.glb",
		"coat": "coat .glb", "gloves (v2)-3": "in [x]/gloves [v2].glb", "cape": "in [x]/cape.glb",
	}
	if !maps.Equal(names, want) {
		t.Errorf("%v\nwant %v\n%s", names, want, read(t, file))
	}
}

// TestPlan_OddFolder: exceptions count in a folder whose name would be a pattern.
func TestPlan_OddFolder(t *testing.T) {
	dir, _ := wardrobeAt(t, crewManifest)
	for _, odd := range []string{"crew [old]", "crew [a-z]", "wh?t*", `back\slash`, "**"} {
		if filepath.Separator == '\\' {
			t.Skip("no such names here")
		}
		at := filepath.Join(t.TempDir(), odd)
		if err := os.CopyFS(at, os.DirFS(filepath.Join(dir, "cox"))); err != nil {
			t.Fatal(err)
		}
		file := filepath.Join(at, "wardrobe.yaml")
		for _, except := range []string{"gl*.glb", "**/gl*.glb", "gloves.glb", "../*/gloves.glb"} {
			write(t, file, []byte("version: 1\nbodies: [{name: cox, file: body.glb}]\ngarments: [{files: '*.glb', except: '"+except+"'}]\noutput: out/{garment}.glb\n"))
			p := planOf(t, file)
			if len(p.Tasks) != len(crew.GarmentNames())-1 || slices.ContainsFunc(p.Tasks, func(x *Task) bool { return x.Garment.Name == "gloves" }) {
				t.Errorf("%s, except %s: %d tasks", odd, except, len(p.Tasks))
			}
		}
	}
}

func TestProgramVersion(t *testing.T) {
	if v, err := ProgramVersion("v1.2.3"); v != "v1.2.3" || err != nil {
		t.Errorf("%q, %v", v, err)
	}
	for _, dev := range []string{"(devel) 0123", "v0.0.0-1+dirty", "unknown", ""} {
		if v, err := ProgramVersion(dev); err != nil || len(v) != len(dev)+65 {
			t.Errorf("%q: %q, %v", dev, v, err)
		}
	}
}
