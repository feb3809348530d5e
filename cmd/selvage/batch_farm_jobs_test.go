package main

import (
	"bufio"
	"context"
	"crypto/sha256"
	"errors"
	"fmt"
	"log/slog"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	pb "github.com/selvage/selvage/api/selvage/v1"
	"github.com/selvage/selvage/client/wardrobe"
	"github.com/selvage/selvage/server/farm"
	"google.golang.org/protobuf/proto"
)

// recorder is a farm that takes jobs and computes nothing.
type recorder struct {
	fail bool // the first task of each job fails; the others wait

	mu        sync.Mutex
	jobs      [][]*pb.JobTask
	cancelled []string
	watched   chan struct{} // told when a job is watched; may be nil
}

func (r *recorder) PutAsset(_ context.Context, data []byte) ([sha256.Size]byte, error) {
	return sha256.Sum256(data), nil
}

func (r *recorder) Create(_ context.Context, _ string, tasks []*pb.JobTask) (*pb.Job, []string, error) {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.jobs = append(r.jobs, tasks)
	var keys []string
	for k := range tasks {
		keys = append(keys, fmt.Sprint(k))
	}
	return &pb.Job{Name: fmt.Sprintf("jobs/%d", len(r.jobs)), TaskCount: int32(len(tasks)), Generation: 1, State: pb.JobState_JOB_STATE_QUEUED}, keys, nil
}

func (r *recorder) Retry(context.Context, string) (*pb.Job, error) {
	return nil, errors.New("not asked for")
}

func (r *recorder) Cancel(ctx context.Context, id string) (*pb.Job, error) {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.cancelled = append(r.cancelled, id)
	return &pb.Job{}, ctx.Err()
}

func (r *recorder) Watch(ctx context.Context, id string, tell func(*pb.Job, *pb.TaskStatus) error) (*pb.Job, error) {
	if r.watched != nil {
		close(r.watched)
	}
	if r.fail {
		if err := tell(nil, &pb.TaskStatus{Name: "jobs/" + id + "/tasks/0", State: pb.TaskState_TASK_STATE_FAILED, Generation: 1, Error: "torn"}); err != nil {
			return nil, err
		}
	}
	if r.fail || r.watched != nil {
		<-ctx.Done()
		return nil, ctx.Err()
	}
	return &pb.Job{State: pb.JobState_JOB_STATE_DONE}, nil
}

func (r *recorder) Read(context.Context, *pb.TaskStatus) (asset, record []byte, err error) {
	return nil, nil, errors.New("not asked for")
}

// coxPlan is a plan of the cox's wardrobe.
func coxPlan(t *testing.T) *wardrobe.Plan {
	t.Helper()
	_, manifest := wardrobeFolder(t)
	m, err := wardrobe.ReadFile(manifest)
	if err != nil {
		t.Fatal(err)
	}
	p, err := m.Plan(t.Context(), wardrobe.PlanOptions{Version: "test"})
	if err != nil {
		t.Fatal(err)
	}
	return p
}

// TestFarm_StopCancels: a failure that ends the run ends its job; one that does not,
// and an interrupt, leave the job to the farm.
func TestFarm_StopCancels(t *testing.T) {
	plan := coxPlan(t)
	for _, c := range []struct {
		name            string
		stop, interrupt bool
		want            int
	}{
		{"first failure ends the run", true, false, 1},
		{"interrupted", true, true, 0},
		{"goes on, then interrupted", false, true, 0},
	} {
		t.Run(c.name, func(t *testing.T) {
			ctx, cancel := context.WithTimeout(t.Context(), 20*time.Second)
			defer cancel()
			farm := &recorder{fail: !c.interrupt || !c.stop, watched: make(chan struct{})}
			if c.interrupt {
				go func() {
					<-farm.watched
					time.Sleep(50 * time.Millisecond)
					cancel()
				}()
			}
			r := wardrobe.Runner{Executor: &farmExecutor{farm: farm, most: mostRequest, stop: c.stop}, Stop: c.stop}
			_, err := r.Run(ctx, plan)
			if interrupted := errors.Is(err, context.Canceled); interrupted != c.interrupt {
				t.Errorf("error %v", err)
			}
			if len(farm.jobs) != 1 || len(farm.cancelled) != c.want {
				t.Errorf("%d jobs, cancelled: %v, want %d", len(farm.jobs), farm.cancelled, c.want)
			}
		})
	}
}

// TestFarm_RequestsAreBounded: no job's tasks are more bytes than a server takes, and
// together they are all, in order.
func TestFarm_RequestsAreBounded(t *testing.T) {
	plan := coxPlan(t)
	whole := &recorder{}
	run := func(farm *recorder, most int64) {
		t.Helper()
		r := wardrobe.Runner{Executor: &farmExecutor{farm: farm, most: most}, Force: true}
		if _, err := r.Run(t.Context(), plan); err != nil {
			t.Fatal(err)
		}
	}
	run(whole, mostRequest)
	if len(whole.jobs) != 1 || len(whole.jobs[0]) < 5 {
		t.Fatalf("%d jobs", len(whole.jobs))
	}
	size := func(list []*pb.JobTask) int64 { return int64(proto.Size(&pb.CreateJobRequest{Tasks: list})) }
	most := size(whole.jobs[0])/2 + 20
	parts := &recorder{}
	run(parts, most)
	tasks := 0
	for _, list := range parts.jobs {
		tasks += len(list)
		if n := size(list); n > most {
			t.Errorf("%d bytes of tasks in one job, more than %d", n, most)
		}
	}
	if len(parts.jobs) < 2 || len(parts.jobs) > 3 || tasks != len(whole.jobs[0]) {
		t.Errorf("%d jobs with %d tasks, want %d", len(parts.jobs), tasks, len(whole.jobs[0]))
	}
	for _, c := range []struct {
		most int64
		want int
	}{{1, 1}, {size(whole.jobs[0][:2]) + 16, 2}, {mostRequest, len(whole.jobs[0])}} {
		if n := fitting(whole.jobs[0], c.most); n != c.want {
			t.Errorf("%d tasks fit into %d bytes, want %d", n, c.most, c.want)
		}
	}
}

// TestFarm_SaysWhyTasksWait: once each, and again after a change.
func TestFarm_SaysWhyTasksWait(t *testing.T) {
	w := (&farmExecutor{}).waiting("1", 3)
	defer w.end()
	const queued, running, done = pb.TaskState_TASK_STATE_QUEUED, pb.TaskState_TASK_STATE_RUNNING, pb.TaskState_TASK_STATE_DONE
	task := func(k int, s pb.TaskState, refusal string) *pb.TaskStatus {
		return &pb.TaskStatus{Name: fmt.Sprint("jobs/1/tasks/", k), State: s, Refusal: refusal}
	}
	says := func(when string, now time.Time, want ...string) {
		t.Helper()
		var got []string
		for _, n := range w.notes(now) {
			got = append(got, n.String())
		}
		if !slices.Equal(got, want) {
			t.Errorf("%s: %q, want %q", when, got, want)
		}
	}
	later := func() time.Time { return time.Now().Add(heldAfter) }
	says("at first", time.Now())
	says("later", later(), "job 1: 3 garments wait: no worker takes them")
	says("and then", later())
	w.hear(task(0, queued, "worker a: too old"))
	says("just refused", time.Now())
	w.hear(task(1, queued, "worker b: too old"))
	says("refused", later(), "job 1: 1 garment waits: refused by worker a: too old")
	w.hear(task(2, queued, "worker b: too large"))
	says("another refusal", later(), "job 1: 1 garment waits: refused by worker b: too large")
	says("the same ones", later())
	for k := range 3 {
		w.hear(task(k, running, ""))
	}
	says("all run", later())
	w.hear(task(0, done, ""))
	w.hear(task(1, done, ""))
	w.hear(task(2, queued, ""))
	says("given back", time.Now())
	says("given back, and later", later(), "job 1: 1 garment waits: no worker takes them")
	w.hear(task(2, done, ""))
	says("done", later())
}

// TestFarm_WaitsAloud: the client names its job at once, and says when nobody works.
func TestFarm_WaitsAloud(t *testing.T) {
	_, manifest := wardrobeFolder(t)
	s := serve(t, nil, "--farm", "--farm-folder", t.TempDir())
	cmd := exec.Command(command, "batch", manifest, "--server", s.address, "--json")
	out, err := cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	defer time.AfterFunc(30*time.Second, func() { _ = cmd.Process.Kill() }).Stop()
	lines := bufio.NewScanner(out)
	var list []map[string]any
	for lines.Scan() {
		e := events(t, lines.Text())[0]
		if list = append(list, e); e["event"] == "held" {
			_ = cmd.Process.Signal(os.Interrupt)
			break
		}
	}
	for lines.Scan() {
	}
	_ = cmd.Wait()
	if len(list) != 3 || list[0]["event"] != "plan" || list[1]["event"] != "job" || list[1]["tasks"] != list[0]["tasks"] ||
		list[2]["job"] != list[1]["job"] || list[2]["why"] != "no worker takes them" {
		t.Fatalf("%v", list)
	}
	// To the eye.
	cmd = exec.Command(command, "batch", manifest, "--server", s.address)
	stderr, err := cmd.StderrPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	defer time.AfterFunc(30*time.Second, func() { _ = cmd.Process.Kill() }).Stop()
	text := bufio.NewScanner(stderr)
	if !text.Scan() || !strings.HasPrefix(text.Text(), fmt.Sprintf("job %s on the farm: %v garments", list[1]["job"], list[0]["tasks"])) {
		t.Errorf("%q", text.Text())
	}
	_ = cmd.Process.Signal(os.Interrupt)
	for text.Scan() {
	}
	_ = cmd.Wait()
}

func TestJob_Usage(t *testing.T) {
	folder := filepath.Join(t.TempDir(), "farm")
	for _, args := range [][]string{{"jobs"}, {"jobs", "--sweep"}, {"job", "show", "a b"}, {"job", "retry", "a b"}, {"job", "cancel", "a b"}} {
		o := selvage(t, append(args, "--farm-folder", folder)...)
		oneSentence(t, o)
		if o.status != exitFailed || !strings.Contains(o.stderr, "no farm named selvage in "+folder) {
			t.Errorf("%v: status %d, %q", args, o.status, o.stderr)
		}
		if _, err := os.Stat(folder); err == nil {
			t.Fatalf("%v made a folder", args)
		}
	}
	made := farmPlace{folder: folder, config: farm.Config{Name: "selvage"}}
	_, end, err := made.open(t.Context(), slog.New(slog.DiscardHandler), false)
	if err != nil {
		t.Fatal(err)
	}
	end()
	if o := selvage(t, "jobs", "--farm-folder", folder, "--farm-name", "typo"); o.status != exitFailed || !strings.Contains(o.stderr, "no farm named typo in "+folder) {
		t.Errorf("another name: status %d, %q", o.status, o.stderr)
	}
	if o := must(t, "jobs", "--farm-folder", folder); !strings.Contains(o.stdout, "0 tasks wait") {
		t.Errorf("an empty farm: %q", o.stdout)
	}
	if o := selvage(t, "job", "show", "a b", "--farm-folder", folder); o.status != exitFailed || !strings.Contains(o.stderr, "jobs/a b is not in the farm") {
		t.Errorf("status %d, %q", o.status, o.stderr)
	}
	if o := selvage(t, "job", "show"); o.status != exitUsage || !strings.Contains(o.stderr, "see selvage job show --help") {
		t.Errorf("status %d, %q", o.status, o.stderr)
	}
}
