package farm

import (
	"context"
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/nats-io/nats.go/jetstream"
	pb "github.com/selvage/selvage/api/selvage/v1"
	"github.com/selvage/selvage/server/internal/sizing"
	"github.com/selvage/selvage/transfer/crew"
	"google.golang.org/protobuf/proto"
)

// delivered is how many messages the queue has given out, again ones included.
func delivered(t *testing.T, f *Farm) uint64 {
	t.Helper()
	info, err := f.pull.Info(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	return info.Delivered.Consumer
}

// soon fails unless the job is done within a few seconds.
func soon(t *testing.T, f *Farm, id string) {
	t.Helper()
	began := time.Now()
	if job := finish(t, f, id); job.GetState() != pb.JobState_JOB_STATE_DONE {
		t.Errorf("%v", job)
	}
	if d := time.Since(began); d > 5*time.Second {
		t.Errorf("a worker's own task took %v with refused ones before it", d)
	}
}

// TestWorker_RefusedTasksLeaveRoom: tasks that a worker refuses, and that come back
// again and again, do not keep its own from it, whatever their number.
func TestWorker_RefusedTasksLeaveRoom(t *testing.T) {
	for _, n := range []int{6, 60} {
		t.Run(fmt.Sprint(n), func(t *testing.T) {
			folder := t.TempDir()
			f, other := open(t, folder, Config{Version: "(devel) a"}), open(t, folder, Config{Version: "(devel) b"})
			_, stop := work(t, f, WorkerConfig{Tasks: 1, RefuseDelay: time.Second})
			theirs, _ := create(t, other, theScene().variants(t, other, n))
			until(t, "each to be refused twice", func() bool { return delivered(t, f) >= 2*uint64(n) })
			mine, _ := create(t, f, theScene().variants(t, f, 1))
			soon(t, f, mine)
			for _, s := range status(t, f, theirs) {
				if s.GetTries() != 0 || s.GetState() != pb.TaskState_TASK_STATE_QUEUED || !strings.Contains(s.GetRefusal(), "(devel) b") {
					t.Errorf("%v", s)
				}
			}
			if n > 6 {
				return
			}
			stop()
			work(t, other, WorkerConfig{})
			if job := finish(t, other, theirs); int(job.GetDoneCount()) != n {
				t.Errorf("%v", job)
			}
		})
	}
}

// TestWorker_TooLargeLeavesRoom: the same for tasks that need too much memory.
func TestWorker_TooLargeLeavesRoom(t *testing.T) {
	f := open(t, t.TempDir(), Config{})
	s := theScene()
	coat := glb(crew.NewBodyAt("mate", 0.3).GarmentAt("oilskin coat", 3).WriteGLB)
	need := func(garment []byte) int64 {
		body, err := sizing.Of(s.body)
		if err != nil {
			t.Fatal(err)
		}
		o, err := sizing.Of(garment)
		if err != nil {
			t.Fatal(err)
		}
		return o.GarmentBytes() + 2*body.BodyBytes()
	}
	small, large := need(s.garment), need(coat)
	if small >= large {
		t.Fatalf("the gloves need %d bytes, the coat %d", small, large)
	}
	work(t, f, WorkerConfig{Tasks: 1, WorkBytes: (small + large) / 2, BodyBytes: 1, RefuseDelay: time.Second})
	coats := s.variants(t, f, 6)
	for _, c := range coats {
		c.GarmentSha256 = put(t, f, coat)
	}
	id, _ := create(t, f, coats)
	until(t, "each to be refused twice", func() bool { return delivered(t, f) >= 12 })
	for _, s := range status(t, f, id) {
		if !strings.Contains(s.GetRefusal(), "MiB") {
			t.Errorf("%v", s)
		}
	}
	gloves, _ := create(t, f, s.variants(t, f, 1))
	soon(t, f, gloves)
}

// TestWorker_RefusingOnesLeaveTasks: workers that refuse a job's tasks, and have no
// others, do not keep them from the one that takes them.
func TestWorker_RefusingOnesLeaveTasks(t *testing.T) {
	folder := t.TempDir()
	f, other := open(t, folder, Config{Version: "(devel) a"}), open(t, folder, Config{Version: "(devel) b"})
	const n = 12
	for range 2 {
		work(t, f, WorkerConfig{Tasks: 1, RefuseDelay: 2 * time.Second})
	}
	id, _ := create(t, other, theScene().variants(t, other, n))
	until(t, "each to be refused", func() bool { return delivered(t, f) >= 2*n })
	began := time.Now()
	work(t, other, WorkerConfig{Tasks: 1, before: func(context.Context, *pb.QueuedTask) { time.Sleep(50 * time.Millisecond) }})
	if job := finish(t, f, id); job.GetDoneCount() != n {
		t.Errorf("%v", job)
	}
	// It needs 6 s for all of them (half a second each: gloves are looked at part by part), and
	// each comes back after 0.25 s, later after 0.5 s.
	if d := time.Since(began); d > 20*time.Second {
		t.Errorf("%d tasks took %v beside workers that refuse them", n, d)
	}
}

// TestFarm_ConsumerOfEarlierRelease: refused tasks are not acknowledged, so a bound
// on those would stop the queue.
func TestFarm_ConsumerOfEarlierRelease(t *testing.T) {
	folder := t.TempDir()
	f := open(t, folder, Config{Version: "(devel) a"})
	config := f.pull.CachedInfo().Config
	config.MaxAckPending = 3
	if _, err := f.tasks.UpdateConsumer(t.Context(), config); err != nil {
		t.Fatal(err)
	}
	again, other := open(t, folder, Config{Version: "(devel) a"}), open(t, folder, Config{Version: "(devel) b"})
	work(t, again, WorkerConfig{Tasks: 1, RefuseDelay: time.Minute})
	create(t, other, theScene().variants(t, other, 4))
	id, _ := create(t, again, theScene().variants(t, again, 1))
	soon(t, again, id)
}

// TestFarm_RetryByAnotherVersion: the key of a result says what version decided its
// bytes, whoever tries its task again.
func TestFarm_RetryByAnotherVersion(t *testing.T) {
	folder := t.TempDir()
	f, other := open(t, folder, Config{Version: "(devel) a"}), open(t, folder, Config{Version: "(devel) b"})
	id, keys := create(t, other, theScene().variants(t, other, 1))
	if _, err := f.Cancel(t.Context(), id); err != nil {
		t.Fatal(err)
	}
	if _, err := f.Retry(t.Context(), id); err != nil {
		t.Fatal(err)
	}
	_, stop := work(t, f, WorkerConfig{RefuseDelay: 100 * time.Millisecond})
	until(t, "an answer of the worker", func() bool {
		s := status(t, f, id)[0]
		return s.GetRefusal() != "" || s.GetState() == pb.TaskState_TASK_STATE_DONE
	})
	if s := status(t, f, id)[0]; s.GetState() != pb.TaskState_TASK_STATE_QUEUED || !strings.Contains(s.GetRefusal(), "the task is of version (devel) b, this worker is (devel) a") {
		t.Errorf("%v", s)
	}
	if r, err := f.found(t.Context(), keys[0]); r != nil || err != nil {
		t.Errorf("%v, %v under the key of another version", r, err)
	}

	// A message as earlier releases wrote it: this version beside the other's key.
	list, err := f.list(t.Context(), id)
	if err != nil {
		t.Fatal(err)
	}
	if err := f.tasks.Purge(t.Context(), jetstream.WithPurgeSubject(f.subject(id, "*"))); err != nil {
		t.Fatal(err)
	}
	data, err := proto.Marshal(&pb.QueuedTask{Schema: 1, Version: "(devel) a", Job: id, Key: keys[0], Generation: 2, Task: list.GetTasks()[0]})
	if err != nil {
		t.Fatal(err)
	}
	if _, err := f.js.Publish(t.Context(), f.subject(id, keys[0]), data); err != nil {
		t.Fatal(err)
	}
	finish(t, f, id)
	mine, err := f.Keys(list.GetTasks())
	if err != nil {
		t.Fatal(err)
	}
	if s := status(t, f, id)[0]; s.GetResult().GetKey() != mine[0] || s.GetResult().GetVersion() != "(devel) a" {
		t.Errorf("%v, want the key %s", s, mine[0])
	}
	if r, err := f.found(t.Context(), keys[0]); r != nil || err != nil {
		t.Errorf("%v, %v under the key of another version", r, err)
	}
	stop()

	// The version that made the job tries it again and does it under its own key.
	id, keys = create(t, other, theScene().variants(t, other, 2)[1:])
	if _, err := f.Cancel(t.Context(), id); err != nil {
		t.Fatal(err)
	}
	if _, err := f.Retry(t.Context(), id); err != nil {
		t.Fatal(err)
	}
	work(t, other, WorkerConfig{})
	finish(t, other, id)
	if s := status(t, other, id)[0]; s.GetResult().GetKey() != keys[0] || s.GetResult().GetVersion() != "(devel) b" {
		t.Errorf("%v, want the key %s", s, keys[0])
	}
}

// TestFarm_CancelledCounts: who watches a job to its end by a cancel does not change
// what is known of it.
func TestFarm_CancelledCounts(t *testing.T) {
	f := open(t, t.TempDir(), Config{})
	id, _ := create(t, f, theScene().variants(t, f, 3))
	if _, err := f.Cancel(t.Context(), id); err != nil {
		t.Fatal(err)
	}
	check := func(when string) {
		t.Helper()
		if job := finish(t, f, id); job.GetState() != pb.JobState_JOB_STATE_CANCELLED || job.GetCancelledCount() != 3 {
			t.Errorf("watched %s: %v", when, job)
		}
		job, err := f.Job(t.Context(), id)
		if err != nil || job.GetState() != pb.JobState_JOB_STATE_CANCELLED || job.GetCancelledCount() != 3 {
			t.Errorf("%s: %v, %v", when, job, err)
		}
		page, _, err := f.Jobs(t.Context(), "", 10)
		if err != nil || len(page) != 1 || page[0].GetCancelledCount() != 3 {
			t.Errorf("listed %s: %v, %v", when, page, err)
		}
	}
	check("first")
	// As earlier releases wrote it down.
	if err := change(t.Context(), f, jobKey(id), &pb.Job{}, func(j *pb.Job, _ bool) (bool, error) {
		j.CancelledCount, j.EndedGeneration = 0, j.GetGeneration()
		return true, nil
	}); err != nil {
		t.Fatal(err)
	}
	check("after an earlier release")
}
