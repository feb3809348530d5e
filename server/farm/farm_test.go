package farm

import (
	"context"
	"errors"
	"fmt"
	"maps"
	"math/rand/v2"
	"slices"
	"strconv"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/nats-io/nats.go/jetstream"
	pb "github.com/selvage/selvage/api/selvage/v1"
	"github.com/selvage/selvage/server/internal/sizing"
	"github.com/selvage/selvage/transfer"
	"google.golang.org/protobuf/encoding/protowire"
	"google.golang.org/protobuf/proto"
)

func optionsOf(k int) transfer.AssetOptions {
	return transfer.AssetOptions{Options: transfer.Options{Reach: reach(k), Registration: transfer.Off}}
}

// status returns the statuses of a job's tasks.
func status(t *testing.T, f *Farm, id string) []*pb.TaskStatus {
	t.Helper()
	list, more, err := f.Tasks(t.Context(), id, 0, MaxTasks)
	if err != nil || more {
		t.Fatal(err, more)
	}
	return list
}

// until polls a condition, for 20 s at most.
func until(t *testing.T, what string, condition func() bool) {
	t.Helper()
	for end := time.Now().Add(20 * time.Second); !condition(); time.Sleep(10 * time.Millisecond) {
		if time.Now().After(end) {
			t.Fatalf("%s: not within 20 s", what)
		}
	}
}

// lags waits until the farm's lag is want: acknowledgements and counts come a moment
// after the job's end.
func lags(t *testing.T, f *Farm, want Lag) {
	t.Helper()
	until(t, fmt.Sprintf("the lag is %+v", want), func() bool { lag, err := f.Lag(t.Context()); return err == nil && lag == want })
}

// TestFarm_SameBytesAsHere hands in a job and holds every result against the
// transfer in this process.
func TestFarm_SameBytesAsHere(t *testing.T) {
	f := open(t, t.TempDir(), Config{})
	work(t, f, WorkerConfig{})
	s := theScene()
	tasks := s.variants(t, f, 6)
	tasks = append(tasks, tasks[0]) // the same work twice in one job is done once
	id, keys := create(t, f, tasks)
	job := finish(t, f, id)
	if job.GetState() != pb.JobState_JOB_STATE_DONE || job.GetDoneCount() != 6 || job.GetTaskCount() != 6 {
		t.Fatalf("%v", job)
	}
	for k := range 6 {
		data, result, err := f.Result(t.Context(), id, keys[k])
		if err != nil {
			t.Fatal(err)
		}
		if want := s.local(t, s.garment, optionsOf(k)); !slices.Equal(data, want) {
			t.Errorf("variant %d: other bytes than here", k)
		}
		if result.GetKey() != keys[k] || result.GetSummary().GetVertices() == 0 || result.GetFound() {
			t.Errorf("variant %d: %v", k, result)
		}
	}
	lags(t, f, Lag{})
	// Once more, the same job: nothing is computed.
	again, _ := create(t, f, tasks)
	if again != id {
		t.Errorf("id %s, want %s", again, id)
	}
	// A job that shares work with it finds that work.
	id, _ = create(t, f, tasks[:2])
	finish(t, f, id)
	for _, s := range status(t, f, id) {
		if !s.GetResult().GetFound() {
			t.Errorf("%v was computed anew", s.GetName())
		}
	}
	if job, err := f.Job(t.Context(), id); err != nil || job.GetEndedGeneration() != 1 || job.GetCreateTime() == nil {
		t.Errorf("%v, %v", job, err)
	}
}

// TestFarm_BadGarment: an error of the garment itself needs no second try.
func TestFarm_BadGarment(t *testing.T) {
	f := open(t, t.TempDir(), Config{})
	var begun atomic.Int32
	work(t, f, WorkerConfig{before: func(context.Context, *pb.QueuedTask) { begun.Add(1) }})
	tasks := theScene().variants(t, f, 3)
	for i, bad := range []string{`{"asset":{"version":"2.0"}}`, "no asset"} {
		sum, err := f.PutAsset(t.Context(), []byte(bad))
		if err != nil {
			t.Fatal(err)
		}
		tasks[i].GarmentSha256 = sum[:]
	}
	id, keys := create(t, f, tasks)
	job := finish(t, f, id)
	if job.GetState() != pb.JobState_JOB_STATE_FAILED || job.GetFailedCount() != 2 || job.GetDoneCount() != 1 {
		t.Fatalf("%v", job)
	}
	if n := begun.Load(); n != 2 {
		t.Errorf("%d tasks were begun, want 2: one good, one that is read", n)
	}
	for k, s := range status(t, f, id)[:2] {
		if s.GetState() != pb.TaskState_TASK_STATE_FAILED || s.GetError() == "" || s.GetTries() > 1 {
			t.Errorf("%v", s)
		}
		letter, err := f.dead.GetLastMsgForSubject(t.Context(), f.deadSubject(id, keys[k]))
		if err != nil {
			t.Fatal(err)
		}
		var d pb.DeadLetter
		var q pb.QueuedTask
		if err := errors.Join(proto.Unmarshal(letter.Data, &d), proto.Unmarshal(d.GetMessage(), &q)); err != nil {
			t.Fatal(err)
		}
		if d.GetStatus().GetError() != s.GetError() || q.GetKey() != keys[k] {
			t.Errorf("dead letter %v of %v", &d, s)
		}
	}
	if _, _, err := f.Result(t.Context(), id, keys[0]); !errors.As(err, new(*NotFoundError)) {
		t.Errorf("error %v, want none found", err)
	}
}

// TestFarm_PanicIsTried: what is not the garment's fault is tried MaxTries times,
// then goes to the dead letters; a retry starts anew.
func TestFarm_PanicIsTried(t *testing.T) {
	f := open(t, t.TempDir(), Config{})
	var begun atomic.Int32
	var calm atomic.Bool
	work(t, f, WorkerConfig{MaxTries: 3, RetryDelay: 10 * time.Millisecond, before: func(_ context.Context, q *pb.QueuedTask) {
		begun.Add(1)
		if !calm.Load() {
			panic("the mooring line parts")
		}
	}})
	id, _ := create(t, f, theScene().variants(t, f, 1))
	job := finish(t, f, id)
	s := status(t, f, id)[0]
	if job.GetFailedCount() != 1 || begun.Load() != 3 || s.GetTries() != 3 || !strings.Contains(s.GetError(), "mooring line") {
		t.Fatalf("%d begun, %v, %v", begun.Load(), job, s)
	}
	lags(t, f, Lag{Dead: 1})
	calm.Store(true)
	if _, err := f.Retry(t.Context(), id); err != nil {
		t.Fatal(err)
	}
	if job = finish(t, f, id); job.GetDoneCount() != 1 || job.GetGeneration() != 2 {
		t.Errorf("%v", job)
	}
	lags(t, f, Lag{})
}

// TestFarm_LostWorker: a worker that goes without a word costs a try, and after
// the last the task is given up. The next try runs alone.
func TestFarm_LostWorker(t *testing.T) {
	f := open(t, t.TempDir(), Config{})
	id, keys := create(t, f, theScene().variants(t, f, 1))
	// Two workers that took it and were lost.
	err := change(t.Context(), f, taskKey(id, keys[0]), &pb.TaskStatus{}, func(s *pb.TaskStatus, _ bool) (bool, error) {
		s.Name, s.Generation, s.Tries, s.State, s.Worker = TaskName(id, keys[0]), 1, 2, pb.TaskState_TASK_STATE_RUNNING, "lost"
		return true, nil
	})
	if err != nil {
		t.Fatal(err)
	}
	work(t, f, WorkerConfig{MaxTries: 2})
	finish(t, f, id)
	if s := status(t, f, id)[0]; s.GetState() != pb.TaskState_TASK_STATE_FAILED || !strings.Contains(s.GetError(), "worker lost was not heard of again") {
		t.Errorf("%v", s)
	}
}

// TestFarm_OlderWorker: an older worker leaves a newer task alone without using up
// its tries; a newer worker takes it.
func TestFarm_OlderWorker(t *testing.T) {
	folder := t.TempDir()
	newer, older := open(t, folder, Config{Version: "v1.10.0"}), open(t, folder, Config{Version: "v1.9.0"})
	_, stop := work(t, older, WorkerConfig{MaxTries: 1, RefuseDelay: 50 * time.Millisecond})
	id, keys := create(t, newer, theScene().variants(t, newer, 2))
	deliveries := func() uint64 {
		info, err := newer.pull.Info(t.Context())
		if err != nil {
			t.Fatal(err)
		}
		return info.Delivered.Consumer
	}
	until(t, "five refusals", func() bool { return deliveries() >= 5 })
	for _, s := range status(t, newer, id) {
		if s.GetTries() != 0 || s.GetState() != pb.TaskState_TASK_STATE_QUEUED || !strings.Contains(s.GetRefusal(), "v1.9.0") {
			t.Errorf("%v", s)
		}
	}
	work(t, newer, WorkerConfig{MaxTries: 1})
	if job := finish(t, newer, id); job.GetDoneCount() != 2 {
		t.Errorf("%v", job)
	}
	stop()
	// The other way round the newer one takes it, and says under what key.
	id, old := create(t, older, theScene().variants(t, older, 1))
	finish(t, older, id)
	if s := status(t, older, id)[0]; old[0] == keys[0] || s.GetResult().GetKey() != keys[0] || s.GetResult().GetVersion() != "v1.10.0" {
		t.Errorf("%v", s)
	}
}

func TestWorker_Refusal(t *testing.T) {
	extra := &pb.Options{}
	extra.ProtoReflect().SetUnknown(protowire.AppendVarint(protowire.AppendTag(nil, 1000, protowire.VarintType), 1))
	for _, c := range []struct {
		name, worker string
		q            *pb.QueuedTask
		refused      bool
	}{
		{"same", "v1.2.0", &pb.QueuedTask{Schema: Schema, Version: "v1.2.0"}, false},
		{"older task", "v1.2.0", &pb.QueuedTask{Schema: Schema, Version: "v1.1.0"}, false},
		{"newer task", "v1.2.0", &pb.QueuedTask{Schema: Schema, Version: "v1.2.1"}, true},
		{"ten after nine", "v1.9.0", &pb.QueuedTask{Schema: Schema, Version: "v1.10.0"}, true},
		{"newer schema", "v1.2.0", &pb.QueuedTask{Schema: Schema + 1, Version: "v1.2.0"}, true},
		{"no order", "(devel) abc", &pb.QueuedTask{Schema: Schema, Version: "(devel) abd"}, true},
		{"no order, same", "(devel) abc", &pb.QueuedTask{Schema: Schema, Version: "(devel) abc"}, false},
		{"unknown option", "v1.2.0", &pb.QueuedTask{Schema: Schema, Version: "v1.2.0", Task: &pb.JobTask{Options: extra}}, true},
	} {
		t.Run(c.name, func(t *testing.T) {
			w := &Worker{farm: &Farm{config: Config{Version: c.worker}}, config: WorkerConfig{schema: Schema}}
			if why := w.refusal(c.q); (why != "") != c.refused {
				t.Errorf("refusal %q, want one: %v", why, c.refused)
			}
		})
	}
}

// TestFarm_TooLargeForThisWorker: what needs more memory than a worker has goes to
// a larger one.
func TestFarm_TooLargeForThisWorker(t *testing.T) {
	f := open(t, t.TempDir(), Config{})
	small, stop := work(t, f, WorkerConfig{WorkBytes: 1 << 10, RefuseDelay: 50 * time.Millisecond})
	id, _ := create(t, f, theScene().variants(t, f, 1))
	until(t, "a refusal", func() bool { return strings.Contains(status(t, f, id)[0].GetRefusal(), "MiB") })
	if s := status(t, f, id)[0]; s.GetTries() != 0 || !strings.Contains(s.GetRefusal(), small.config.Name) {
		t.Errorf("%v", s)
	}
	stop()
	work(t, f, WorkerConfig{})
	if job := finish(t, f, id); job.GetDoneCount() != 1 {
		t.Errorf("%v", job)
	}
}

// TestFarm_LongTask: a task that takes longer than the farm waits for a word stays
// with its worker.
func TestFarm_LongTask(t *testing.T) {
	f := open(t, t.TempDir(), Config{AckWait: 300 * time.Millisecond})
	var begun atomic.Int32
	slow := WorkerConfig{before: func(context.Context, *pb.QueuedTask) {
		begun.Add(1)
		time.Sleep(time.Second)
	}}
	work(t, f, slow)
	work(t, f, slow)
	id, _ := create(t, f, theScene().variants(t, f, 1))
	if job := finish(t, f, id); job.GetDoneCount() != 1 || begun.Load() != 1 {
		t.Errorf("begun %d times, %v", begun.Load(), job)
	}
}

// TestWorker_Drain: a worker that is stopped finishes what it has begun within the
// grace period and gives the rest back unharmed.
func TestWorker_Drain(t *testing.T) {
	for _, c := range []struct {
		name  string
		grace time.Duration
		done  int32
	}{
		{"finishes", 20 * time.Second, 1},
		{"gives back", 50 * time.Millisecond, 0},
	} {
		t.Run(c.name, func(t *testing.T) {
			f := open(t, t.TempDir(), Config{AckWait: 20 * time.Second})
			begun := make(chan struct{}, 1)
			release := make(chan struct{})
			_, stop := work(t, f, WorkerConfig{Tasks: 1, Grace: c.grace, before: func(ctx context.Context, _ *pb.QueuedTask) {
				begun <- struct{}{}
				select {
				case <-release:
				case <-ctx.Done():
				}
			}})
			id, _ := create(t, f, theScene().variants(t, f, 3))
			<-begun
			ended := make(chan struct{})
			go func() { stop(); close(ended) }()
			time.Sleep(20 * time.Millisecond)
			if c.done > 0 {
				close(release)
			}
			<-ended
			job, err := f.Job(t.Context(), id)
			if err != nil || job.GetDoneCount() != c.done || job.GetQueuedCount() != 3-c.done {
				t.Fatalf("%v, %v", job, err)
			}
			for _, s := range status(t, f, id) {
				if s.GetState() == pb.TaskState_TASK_STATE_QUEUED && s.GetTries() != 0 {
					t.Errorf("%v: a try was used up", s)
				}
			}
			// What was given back is there for another at once, long before AckWait.
			began := time.Now()
			work(t, f, WorkerConfig{})
			if job := finish(t, f, id); job.GetDoneCount() != 3 || time.Since(began) > 10*time.Second {
				t.Errorf("%v after %v", job, time.Since(began))
			}
		})
	}
}

// TestFarm_Cancel: what waits and what runs ends; a retry does the rest.
func TestFarm_Cancel(t *testing.T) {
	f := open(t, t.TempDir(), Config{})
	begun := make(chan struct{}, 10)
	var hang atomic.Bool
	hang.Store(true)
	work(t, f, WorkerConfig{Tasks: 1, before: func(ctx context.Context, _ *pb.QueuedTask) {
		begun <- struct{}{}
		if hang.Load() {
			<-ctx.Done()
		}
	}})
	id, _ := create(t, f, theScene().variants(t, f, 4))
	<-begun
	if _, err := f.Cancel(t.Context(), id); err != nil {
		t.Fatal(err)
	}
	job := finish(t, f, id)
	if job.GetState() != pb.JobState_JOB_STATE_CANCELLED || job.GetCancelledCount() != 4 {
		t.Errorf("%v", job)
	}
	lags(t, f, Lag{})
	hang.Store(false)
	if _, err := f.Retry(t.Context(), id); err != nil {
		t.Fatal(err)
	}
	if job := finish(t, f, id); job.GetState() != pb.JobState_JOB_STATE_DONE || job.GetDoneCount() != 4 {
		t.Errorf("%v", job)
	}
	if _, err := f.Cancel(t.Context(), id); !errors.Is(err, ErrEnded) {
		t.Errorf("error %v, want that it has ended", err)
	}
}

// TestFarm_HalfSubmitted: a client that went away while it handed in a job is
// completed by the next that hands in the same, and nothing is doubled.
func TestFarm_HalfSubmitted(t *testing.T) {
	f := open(t, t.TempDir(), Config{})
	tasks := theScene().variants(t, f, 5)
	id, _ := create(t, f, tasks)
	// As it is when the client was lost after two messages.
	for k, key := range jobKeys(t, f, tasks) {
		if k >= 2 {
			m, err := f.tasks.GetLastMsgForSubject(t.Context(), f.subject(id, key))
			if err != nil {
				t.Fatal(err)
			}
			if err := f.tasks.DeleteMsg(t.Context(), m.Sequence); err != nil {
				t.Fatal(err)
			}
		}
	}
	if err := change(t.Context(), f, jobKey(id), &pb.Job{}, func(j *pb.Job, _ bool) (bool, error) { j.SubmittedGeneration = 0; return true, nil }); err != nil {
		t.Fatal(err)
	}
	if job, err := f.Job(t.Context(), id); err != nil || job.GetState() != pb.JobState_JOB_STATE_SUBMITTING {
		t.Fatalf("%v, %v", job, err)
	}
	create(t, f, tasks)
	// The server counts what waits a moment after it has taken it.
	until(t, "five tasks wait", func() bool { lag, err := f.Lag(t.Context()); return err == nil && lag.Waiting == 5 })
	work(t, f, WorkerConfig{})
	if job := finish(t, f, id); job.GetDoneCount() != 5 {
		t.Errorf("%v", job)
	}
}

func jobKeys(t *testing.T, f *Farm, tasks []*pb.JobTask) []string {
	t.Helper()
	keys, err := f.Keys(tasks)
	if err != nil {
		t.Fatal(err)
	}
	return keys
}

// TestFarm_MissingAssets: a job whose assets are not there is not taken.
func TestFarm_MissingAssets(t *testing.T) {
	f := open(t, t.TempDir(), Config{})
	tasks := theScene().variants(t, f, 1)
	sum := sumOf([]byte("elsewhere"))
	tasks[0].GarmentSha256 = sum[:]
	var missing *MissingAssetsError
	if _, _, err := f.Create(t.Context(), "", tasks); !errors.As(err, &missing) || missing.Sums[0] != sum {
		t.Errorf("error %v", err)
	}
}

// TestObjects_Damage: an object without all its chunks counts as not there, and is
// put anew.
func TestObjects_Damage(t *testing.T) {
	f := open(t, t.TempDir(), Config{})
	data := make([]byte, 300<<10)
	if err := f.results.put(t.Context(), "k", data, sumOf(data), nil); err != nil {
		t.Fatal(err)
	}
	info, err := f.results.find(t.Context(), "k")
	if err != nil || info == nil {
		t.Fatal(info, err)
	}
	m, err := f.results.stream.GetLastMsgForSubject(t.Context(), "$O."+f.results.bucket+".C."+info.NUID)
	if err != nil {
		t.Fatal(err)
	}
	if err := f.results.stream.DeleteMsg(t.Context(), m.Sequence); err != nil {
		t.Fatal(err)
	}
	if info, err := f.results.find(t.Context(), "k"); info != nil || err != nil {
		t.Errorf("%v, %v: it is not whole", info, err)
	}
	if err := f.results.put(t.Context(), "k", data, sumOf(data), nil); err != nil {
		t.Fatal(err)
	}
	if got, _, err := f.results.read(t.Context(), "k"); err != nil || !slices.Equal(got, data) {
		t.Errorf("%d bytes, %v", len(got), err)
	}
}

// TestEmbedded_Takeover: when the program that serves the folder goes, another
// that uses it takes its place, and nothing is lost.
func TestEmbedded_Takeover(t *testing.T) {
	folder := t.TempDir()
	first, err := OpenEmbedded(t.Context(), folder, 0, nil)
	if err != nil {
		t.Fatal(err)
	}
	f := open(t, folder, Config{})
	id, _ := create(t, f, theScene().variants(t, f, 3))
	first.Close()
	work(t, f, WorkerConfig{})
	if job := finish(t, f, id); job.GetDoneCount() != 3 {
		t.Errorf("%v", job)
	}
}

// TestEmbedded_OpenWhileTheServerEnds: a program that finds a server and connects just
// as that one ends waits for the next.
func TestEmbedded_OpenWhileTheServerEnds(t *testing.T) {
	folder := t.TempDir()
	first, err := OpenEmbedded(t.Context(), folder, 0, nil)
	if err != nil {
		t.Fatal(err)
	}
	second, err := OpenEmbedded(t.Context(), folder, 0, nil)
	if err != nil {
		t.Fatal(err)
	}
	defer second.Close()
	c, err := second.Configure(Config{Log: quiet()})
	first.Close()
	if err != nil {
		t.Fatal(err)
	}
	f, err := Open(t.Context(), c)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	if jobs, _, err := f.Jobs(t.Context(), "", 1); err != nil || len(jobs) != 0 {
		t.Errorf("%v, %v", jobs, err)
	}
}

// TestFarm_NoJobID: what can be no job's id is one that the farm does not have.
func TestFarm_NoJobID(t *testing.T) {
	f := open(t, t.TempDir(), Config{})
	for _, id := range []string{"", "a b", ">", "*", "a/b", strings.Repeat("0", 32), strings.Repeat("0", 31) + "."} {
		_, err := f.Job(t.Context(), id)
		_, failed := f.Retry(t.Context(), id)
		_, ended := f.Cancel(t.Context(), id)
		for _, err := range []error{err, failed, ended} {
			var none *NotFoundError
			if !errors.As(err, &none) {
				t.Errorf("%q: error %v", id, err)
			}
		}
	}
}

// TestFarm_OneBodyAtATime: tasks are handed in in any order; a worker that has room
// for one prepared body prepares each once.
func TestFarm_OneBodyAtATime(t *testing.T) {
	f := open(t, t.TempDir(), Config{})
	const seed, bodies = 29, 4
	var tasks []*pb.JobTask
	for b := range bodies {
		for _, task := range theScene().variants(t, f, 3) {
			task.BodyDisplayName = "mate " + string(rune('a'+b)) // as good as another body
			task.Options.Reach = reach(len(tasks))               // with work of its own
			tasks = append(tasks, task)
		}
	}
	rand.New(rand.NewPCG(seed, 1)).Shuffle(len(tasks), func(i, j int) { tasks[i], tasks[j] = tasks[j], tasks[i] })
	id, keys := create(t, f, tasks)
	size, err := sizing.Of(theScene().body)
	if err != nil {
		t.Fatal(err)
	}
	w, _ := work(t, f, WorkerConfig{Tasks: 1, BodyBytes: size.BodyBytes()})
	finish(t, f, id)
	if n := counted(t, w, "selvage_worker_prepared_bodies_total", "miss"); n != bodies {
		t.Errorf("seed %d: %d bodies were prepared %g times", seed, bodies, n)
	}
	// What is told of them is in the order in which they were handed in.
	for k, s := range status(t, f, id) {
		if keyOf(s.GetName()) != keys[k] {
			t.Errorf("seed %d: task %d is %s, want %s", seed, k, s.GetName(), keys[k])
		}
	}
}

// TestFarm_RetryWhileRunning: a retry of a job that runs begins what has failed
// anew, and nothing else; what fails afterwards has failed.
func TestFarm_RetryWhileRunning(t *testing.T) {
	f := open(t, t.TempDir(), Config{})
	var mu sync.Mutex
	begun := map[string]int{}
	var calm atomic.Bool
	running, goOn := make(chan struct{}), make(chan struct{})
	work(t, f, WorkerConfig{Tasks: 3, MaxTries: 1, before: func(_ context.Context, q *pb.QueuedTask) {
		name := q.GetTask().GetDisplayName()
		mu.Lock()
		begun[name]++
		mu.Unlock()
		switch {
		case strings.HasSuffix(name, " 0"):
			close(running)
			<-goOn
		case strings.HasSuffix(name, " 1") && !calm.Load():
			panic("the mooring line parts")
		case strings.HasSuffix(name, " 2"):
			<-goOn
			panic("the anchor drags")
		}
	}})
	id, keys := create(t, f, theScene().variants(t, f, 4))
	<-running
	until(t, "one has failed, one is done", func() bool {
		job, err := f.Job(t.Context(), id)
		return err == nil && job.GetFailedCount() == 1 && job.GetDoneCount() == 1
	})
	calm.Store(true)
	job, err := f.Retry(t.Context(), id)
	if err != nil || job.GetRunningCount() < 2 || job.GetFailedCount() != 0 { // with the retried one perhaps
		t.Errorf("after the retry: %v, %v", job, err)
	}
	until(t, "the one that had failed is done", func() bool { job, err := f.Job(t.Context(), id); return err == nil && job.GetDoneCount() == 2 })
	close(goOn)
	if job := finish(t, f, id); job.GetState() != pb.JobState_JOB_STATE_FAILED || job.GetDoneCount() != 3 || job.GetFailedCount() != 1 {
		t.Errorf("%v", job)
	}
	if want := map[string]int{"mate/gloves 0": 1, "mate/gloves 1": 2, "mate/gloves 2": 1, "mate/gloves 3": 1}; !maps.Equal(begun, want) {
		t.Errorf("begun %v, want %v", begun, want)
	}
	if s := status(t, f, id)[2]; s.GetState() != pb.TaskState_TASK_STATE_FAILED || keyOf(s.GetName()) != keys[2] || !strings.Contains(s.GetError(), "anchor") {
		t.Errorf("%v", s)
	}
	lags(t, f, Lag{Dead: 1})
}

// TestObjects_Sweep: pieces without a record go once they are old enough; objects
// and puts that are on their way stay.
func TestObjects_Sweep(t *testing.T) {
	f := open(t, t.TempDir(), Config{})
	o := f.results
	data := make([]byte, pieceBytes+1) // two pieces
	if err := o.put(t.Context(), "whole", data, sumOf(data), nil); err != nil {
		t.Fatal(err)
	}
	// A put whose record was refused, since another was there; and one that was broken
	// off before its record.
	if err := o.send(t.Context(), &jetstream.ObjectInfo{ObjectMeta: jetstream.ObjectMeta{Name: "whole"}, Digest: digestOf(sumOf(data))}, data, 0); !errors.Is(err, errChanged) {
		t.Fatalf("error %v, want that there is one", err)
	}
	for range 3 {
		if _, err := f.js.Publish(t.Context(), o.pieceSubject("broken"), data[:1000]); err != nil {
			t.Fatal(err)
		}
	}
	sweep := func(age time.Duration, want uint64) {
		t.Helper()
		if n, err := o.sweep(t.Context(), age); err != nil || n != want {
			t.Errorf("%d pieces were swept, %v; want %d", n, err, want)
		}
	}
	sweep(time.Hour, 0)
	sweep(0, 3)
	sweep(0, 0)
	if got, _, err := o.read(t.Context(), "whole"); err != nil || !slices.Equal(got, data) {
		t.Errorf("%d bytes, %v", len(got), err)
	}
	if n, err := f.Sweep(t.Context()); err != nil || n != 0 {
		t.Errorf("%d pieces were swept, %v", n, err)
	}
	// Puts while it sweeps.
	var wg sync.WaitGroup
	for k := range 40 {
		wg.Go(func() {
			if err := o.put(t.Context(), strconv.Itoa(k), data, sumOf(data), nil); err != nil {
				t.Error(err)
			}
		})
	}
	for range 10 {
		sweep(time.Minute, 0)
	}
	wg.Wait()
	for k := range 40 {
		if info, err := o.find(t.Context(), strconv.Itoa(k)); err != nil || info == nil {
			t.Errorf("put %d is not whole: %v", k, err)
		}
	}
}

// TestFarm_Keep: what is kept for a time goes after it; what is needed again after half
// of it is put anew, so that it lasts for the next job; and a wardrobe that is handed in
// when all is gone is computed again. The queue keeps what waits.
func TestFarm_Keep(t *testing.T) {
	t.Parallel()
	folder := t.TempDir()
	f := open(t, folder, Config{})
	ages := func(want time.Duration) {
		t.Helper()
		for name, want := range map[string]time.Duration{"selvage-tasks": 0, "selvage-dead": want, "KV_selvage-jobs": want, "OBJ_selvage-assets": want, "OBJ_selvage-results": want} {
			s, err := f.js.Stream(t.Context(), name)
			if err != nil || s.CachedInfo().Config.MaxAge != want {
				t.Fatalf("%s: %v, keeps for %v, want %v", name, err, s.CachedInfo().Config.MaxAge, want)
			}
		}
	}
	ages(0)
	for _, keep := range []time.Duration{time.Minute, -time.Hour} {
		var wrong *ConfigError
		if _, err := Open(t.Context(), Config{URL: f.config.URL, Keep: keep}); !errors.As(err, &wrong) || wrong.Setting != "farm-keep" {
			t.Errorf("%v: %v", keep, err)
		}
	}
	c := f.config
	c.Keep = 2 * time.Hour
	two, err := Open(t.Context(), c)
	if err != nil {
		t.Fatal(err)
	}
	two.Close()
	ages(2 * time.Hour)

	const keep = 8 * time.Second // less than anyone may ask for
	c.Keep, f.config.Keep = keep, keep
	if err := f.ensure(t.Context()); err != nil {
		t.Fatal(err)
	}
	ages(keep)
	begin := time.Now()
	data := make([]byte, pieceBytes+1)
	has := func(want bool) {
		t.Helper()
		if ok, err := f.HasAsset(t.Context(), sumOf(data)); err != nil || ok != want {
			t.Fatalf("after %v: there %v, %v; want %v", time.Since(begin), ok, err, want)
		}
	}
	put := func() {
		t.Helper()
		if _, err := f.PutAsset(t.Context(), data); err != nil {
			t.Fatal(err)
		}
	}
	put()
	has(true)
	tasks := theScene().variants(t, f, 2)
	id, keys := create(t, f, tasks)
	work(t, f, WorkerConfig{})
	finish(t, f, id)
	time.Sleep(time.Until(begin.Add(keep/2 + 300*time.Millisecond)))
	has(false) // yet it is still there
	if got, err := f.asset(t.Context(), sumOf(data)); err != nil || len(got) != len(data) {
		t.Fatalf("%d bytes, %v", len(got), err)
	}
	put()
	has(true)
	time.Sleep(time.Until(begin.Add(keep + 300*time.Millisecond)))
	if got, err := f.asset(t.Context(), sumOf(data)); err != nil || len(got) != len(data) {
		t.Errorf("put anew, and gone with the first: %d bytes, %v", len(got), err)
	}
	var gone *NotFoundError
	for begin := time.Now(); ; time.Sleep(100 * time.Millisecond) {
		if _, err := f.Job(t.Context(), id); errors.As(err, &gone) {
			break
		} else if time.Since(begin) > 10*time.Second {
			t.Fatalf("the job stays: %v", err)
		}
	}
	var missing *MissingAssetsError
	if _, _, err := f.Create(t.Context(), "again", tasks); !errors.As(err, &missing) {
		t.Fatalf("error %v, want that assets are missing", err)
	}
	again, sameKeys := create(t, f, theScene().variants(t, f, 2))
	if again != id || !slices.Equal(keys, sameKeys) {
		t.Errorf("job %s with %v, want %s with %v", again, sameKeys, id, keys)
	}
	if job := finish(t, f, again); job.GetDoneCount() != 2 {
		t.Errorf("%v", job)
	}
}
