package farm

// Clocks that differ, stores that are slow.

import (
	"bytes"
	"context"
	"go/ast"
	"go/parser"
	"go/token"
	"maps"
	"path/filepath"
	"regexp"
	"strconv"
	"sync/atomic"
	"testing"
	"time"

	pb "github.com/selvage/selvage/api/selvage/v1"
)

// The servers' times on the wire. Nanoseconds since 1970 are in the subject that a
// message is acknowledged by, dates of RFC 3339 (2002) in records and headers
// (nats.io: JetStream wire API, from memory).
var (
	wireNanoseconds = regexp.MustCompile(`\b1[78]\d{17}\b`)
	wireDates       = regexp.MustCompile(`\b20\d\d-\d\d-\d\dT`)
)

// skewed shifts the times in what a server says by whole days, in place; seen
// counts them.
func skewed(days int, seen *atomic.Int64) func([]byte) {
	return func(b []byte) {
		for _, at := range wireNanoseconds.FindAllIndex(b, -1) {
			if n, err := strconv.ParseInt(string(b[at[0]:at[1]]), 10, 64); err == nil {
				copy(b[at[0]:at[1]], strconv.FormatInt(n+int64(days)*int64(24*time.Hour), 10))
				seen.Add(1)
			}
		}
		const layout = "2006-01-02T"
		for _, at := range wireDates.FindAllIndex(b, -1) {
			if day, err := time.Parse(layout, string(b[at[0]:at[1]])); err == nil {
				copy(b[at[0]:at[1]], day.AddDate(0, 0, days).Format(layout))
				seen.Add(1)
			}
		}
	}
}

// TestFarm_ClockSkew: client and workers whose clocks are days before and behind
// the servers'. Tasks keep their workers for longer than AckWait, none runs twice,
// the bytes are the same; the time that is shown is the servers'.
func TestFarm_ClockSkew(t *testing.T) {
	f := open(t, t.TempDir(), Config{AckWait: time.Second})
	const n = 8
	var begun atomic.Int32
	var farms []*Farm
	for _, days := range []int{-3, 4} {
		var seen atomic.Int64
		far, _ := f.through(t, skewed(days, &seen))
		farms = append(farms, far)
		defer func() {
			if seen.Load() < n {
				t.Errorf("%+d days: only %d times of the servers came by", days, seen.Load())
			}
		}()
		work(t, far, WorkerConfig{Tasks: 2, before: func(context.Context, *pb.QueuedTask) {
			if begun.Add(1) <= 2 {
				time.Sleep(2 * time.Second)
			}
		}})
	}
	s := theScene()
	id, keys := create(t, farms[1], s.variants(t, farms[1], n))
	if job := finish(t, farms[0], id); job.GetDoneCount() != n || begun.Load() != n {
		t.Errorf("%d tasks were begun %d times: %v", n, begun.Load(), job)
	}
	for k, x := range status(t, f, id) {
		data, err := farms[0].Read(t.Context(), x.GetResult())
		if err != nil || !bytes.Equal(data, s.local(t, s.garment, optionsOf(k))) {
			t.Errorf("variant %d: other bytes than here, %v", k, err)
		}
		if keyOf(x.GetName()) != keys[k] || x.GetTries() != 1 {
			t.Errorf("task %d is %v", k, x)
		}
	}
	job, err := f.Job(t.Context(), id)
	if err != nil {
		t.Fatal(err)
	}
	if ahead := time.Until(job.GetCreateTime().AsTime()); ahead < 3*24*time.Hour || ahead > 5*24*time.Hour {
		t.Errorf("the job was made %v from now, want the 4 days that its maker saw", ahead)
	}
}

// TestFarm_TimesInSource: where this package and its command look at a clock, or
// at a time that came from elsewhere. Whatever is new here must be shown not to
// hold two machines' clocks against each other.
func TestFarm_TimesInSource(t *testing.T) {
	want := map[string]int{
		"embedded.go time.Now":       2, // a deadline of this process
		"compute.go time.Now":        1, // a duration in this process
		"compute.go time.Since":      1,
		"watch.go time.Now":          2, // a duration in this process
		"watch.go time.Since":        1,
		"jobs.go Created":            1, // the store's, kept to be shown
		"jobs.go timestamppb.New":    1,
		"selvage/jobs.go AsTime":     1, // shown
		"selvage/jobs.go .Created <": 1, // the order in which it is shown

		"selvage/batch_farm_note.go time.Now": 4, // durations in this process
	}
	got := map[string]int{}
	note := func(prefix, pattern string) {
		files, err := filepath.Glob(pattern)
		if err != nil || len(files) == 0 {
			t.Fatalf("%s: %d files, %v", pattern, len(files), err)
		}
		for _, name := range files {
			if ok, _ := filepath.Match("*_test.go", filepath.Base(name)); ok {
				continue
			}
			tree, err := parser.ParseFile(token.NewFileSet(), name, nil, 0)
			if err != nil {
				t.Fatal(err)
			}
			ast.Inspect(tree, func(node ast.Node) bool {
				call, ok := node.(*ast.CallExpr)
				if !ok {
					return true
				}
				sel, ok := call.Fun.(*ast.SelectorExpr)
				if !ok {
					return true
				}
				at := prefix + filepath.Base(name) + " "
				of, _ := sel.X.(*ast.Ident)
				switch what := sel.Sel.Name; {
				case of != nil && of.Name == "time" && (what == "Now" || what == "Since" || what == "Until"):
					got[at+"time."+what]++
				case of != nil && of.Name == "timestamppb":
					got[at+"timestamppb."+what]++
				case what == "AsTime" || what == "Created" || what == "ModTime":
					got[at+what]++
				case what == "Compare" && len(call.Args) == 2:
					if x, ok := call.Args[0].(*ast.SelectorExpr); ok && x.Sel.Name == "Created" {
						got[at+".Created <"]++
					}
				}
				return true
			})
		}
	}
	note("", "*.go")
	for _, pattern := range []string{"batch_farm*.go", "farm.go", "jobs.go", "work.go"} {
		note("selvage/", filepath.Join("..", "..", "cmd", "selvage", pattern))
	}
	note("client/", filepath.Join("..", "..", "client", "jobs.go"))
	if !maps.Equal(got, want) {
		t.Errorf("clocks are looked at in %v\nwant %v", got, want)
	}
}

// TestFarm_SlowStore: a store whose every answer takes half as long again as a worker
// may be silent. To put a result takes longer than that; the task stays with its
// worker, though another waits for one.
func TestFarm_SlowStore(t *testing.T) {
	const wait = time.Second
	f := open(t, t.TempDir(), Config{AckWait: wait})
	far, line := f.through(t, nil)
	var begun atomic.Int32
	goOn := make(chan struct{})
	w, _ := work(t, far, WorkerConfig{Name: "far", Tasks: 1, before: func(context.Context, *pb.QueuedTask) {
		begun.Add(1)
		<-goOn
	}})
	s := theScene()
	id, keys := create(t, f, s.variants(t, f, 2))
	// With one task computing and one waiting for that, this worker asks for no more:
	// what it loses goes to the other.
	until(t, "both are held", func() bool { w.mu.Lock(); defer w.mu.Unlock(); return len(w.holding) == 2 && begun.Load() == 1 })
	work(t, f, WorkerConfig{Name: "near", Tasks: 1, before: func(context.Context, *pb.QueuedTask) { begun.Add(1) }})
	line.delay.Store(int64(wait * 3 / 2))
	released := time.Now()
	close(goOn)
	var first time.Duration
	_, err := f.Watch(t.Context(), id, func(_ *pb.Job, x *pb.TaskStatus) error {
		if first == 0 && x.GetState() == pb.TaskState_TASK_STATE_DONE {
			first = time.Since(released)
			line.delay.Store(0)
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	if first < wait*3/2 {
		t.Errorf("the put took %v: not clearly longer than a worker may be silent", first)
	}
	if begun.Load() != 2 {
		t.Errorf("2 tasks were begun %d times", begun.Load())
	}
	for k, x := range status(t, f, id) {
		if x.GetWorker() != "far" || x.GetTries() != 1 {
			t.Errorf("%v", x)
		}
		if data, _, err := f.Result(t.Context(), id, keys[k]); err != nil || !bytes.Equal(data, s.local(t, s.garment, optionsOf(k))) {
			t.Errorf("variant %d: other bytes than here, %v", k, err)
		}
	}
}
