package farm

// Workers and clients that are interrupted again and again repeat nothing, or
// next to nothing.

import (
	"bytes"
	"context"
	"errors"
	"math/rand/v2"
	"os/exec"
	"sync/atomic"
	"syscall"
	"testing"
	"time"

	natsserver "github.com/nats-io/nats-server/v2/server"
	pb "github.com/selvage/selvage/api/selvage/v1"
)

// interruptions of a test, and of its work the largest share that may be done
// twice for them.
const (
	interruptions = 20
	repeatedShare = 0.02
)

// TestFarm_Resume interrupts the worker and the client at random moments: no task
// is begun twice.
func TestFarm_Resume(t *testing.T) {
	const n, seed = 120, 27
	random := rand.New(rand.NewPCG(seed, 1))
	// A task that is on its way to a worker that stops comes back after AckWait.
	f := open(t, t.TempDir(), Config{AckWait: 3 * time.Second})
	s := theScene()
	tasks := s.variants(t, f, n)
	var begun atomic.Int32
	var id string
	var keys []string
	for i := range interruptions {
		id, keys = create(t, f, tasks)
		watching, leave := context.WithCancel(t.Context())
		left := make(chan error, 1)
		go func() {
			_, err := f.Watch(watching, id, func(*pb.Job, *pb.TaskStatus) error { return nil })
			left <- err
		}()
		_, stop := work(t, f, WorkerConfig{Tasks: 2, before: func(context.Context, *pb.QueuedTask) { begun.Add(1) }})
		// The moment: some task is begun, then some part of a task's time.
		at := int32(i*n/(interruptions+1) + random.IntN(n/(interruptions+1)))
		until(t, "tasks are begun", func() bool { return begun.Load() >= at })
		time.Sleep(time.Duration(random.IntN(10)) * time.Millisecond)
		leave()
		stop()
		if err := <-left; err != nil && !errors.Is(err, context.Canceled) {
			t.Fatalf("seed %d: watch: %v", seed, err)
		}
	}
	if job, err := f.Job(t.Context(), id); err != nil || job.GetDoneCount() == n || job.GetRunningCount() != 0 {
		t.Errorf("seed %d: after the last interruption %v, %v", seed, job, err)
	}
	work(t, f, WorkerConfig{before: func(context.Context, *pb.QueuedTask) { begun.Add(1) }})
	if job := finish(t, f, id); job.GetDoneCount() != n {
		t.Errorf("seed %d: %v", seed, job)
	}
	if begun.Load() != n {
		t.Errorf("seed %d: %d tasks were begun %d times", seed, n, begun.Load())
	}
	for range 5 {
		k := random.IntN(n)
		data, _, err := f.Result(t.Context(), id, keys[k])
		if err != nil || !bytes.Equal(data, s.local(t, s.garment, optionsOf(k))) {
			t.Errorf("seed %d: variant %d: other bytes than here, %v", seed, k, err)
		}
	}
}

// TestResume_Processes is the same with 500 variants and the real command: SIGTERM
// to one of two workers, SIGINT or SIGKILL to the client.
func TestResume_Processes(t *testing.T) {
	n := howMany(t)
	const seed = 28
	random := rand.New(rand.NewPCG(seed, 1))
	command := buildCommand(t)
	here, there := t.TempDir(), t.TempDir()
	local, onFarm := variantFiles(t, here, n, 0.3), variantFiles(t, there, n, 0.3)
	if out, err := exec.Command(command, "batch", local, "--quiet").CombinedOutput(); err != nil {
		t.Fatalf("%v\n%s", err, out)
	}
	s, err := natsserver.NewServer(&natsserver.Options{
		Host: "127.0.0.1", Port: natsserver.RANDOM_PORT, JetStream: true, StoreDir: t.TempDir(), JetStreamMaxStore: 4 << 30, NoLog: true, NoSigs: true,
	})
	if err != nil {
		t.Fatal(err)
	}
	s.Start()
	t.Cleanup(func() { s.Shutdown(); s.WaitForShutdown() })
	if !s.ReadyForConnections(10 * time.Second) {
		t.Fatal("no server")
	}
	f, err := Open(t.Context(), Config{URL: s.ClientURL(), Log: quiet()})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(f.Close)

	begun := 0
	worker := func() *process {
		return spawn(t, command, "work", "--nats", s.ClientURL(), "--tasks", "1", "--log-level", "debug")
	}
	client := func() *process { return spawn(t, command, "batch", onFarm, "--nats", s.ClientURL(), "--quiet") }
	end := func(p *process) { // a worker, which says what it has begun
		_ = p.Process.Signal(syscall.SIGTERM)
		if err := <-p.ended; err != nil {
			t.Errorf("work: %v\n%s", err, p.log.String())
		}
		begun += bytes.Count(p.log.Bytes(), []byte(`"msg":"begun"`))
	}
	done := func() int {
		info, err := f.results.stream.Info(t.Context())
		if err != nil {
			t.Fatal(err)
		}
		return int(info.State.NumSubjects) / 2 // an object of one chunk: its record and the chunk
	}
	workers := []*process{worker(), worker()}
	submitter := client()
	for i := range interruptions {
		at := i*n/(interruptions+1) + random.IntN(n/(interruptions+1))
		for limit := time.Now().Add(time.Minute); done() < at; time.Sleep(5 * time.Millisecond) {
			if time.Now().After(limit) {
				t.Fatalf("seed %d: not at %d of %d within a minute\n%s%s", seed, at, n, workers[0].log.String(), submitter.log.String())
			}
		}
		time.Sleep(time.Duration(random.IntN(50)) * time.Millisecond)
		switch k := random.IntN(4); k {
		case 0, 1:
			end(workers[k])
			workers[k] = worker()
		default:
			_ = submitter.Process.Signal([]syscall.Signal{syscall.SIGINT, syscall.SIGKILL}[k-2])
			<-submitter.ended
			submitter = client()
		}
	}
	if at := done(); at >= n {
		t.Errorf("seed %d: all %d were done before the last interruption", seed, at)
	}
	if err := <-submitter.ended; err != nil {
		t.Fatalf("seed %d: batch: %v\n%s", seed, err, submitter.log.String())
	}
	for _, w := range workers {
		end(w)
	}
	want, got := outputs(t, here), outputs(t, there)
	if len(want) != n || len(got) != n {
		t.Fatalf("seed %d: %d outputs here, %d from the farm, want %d", seed, len(want), len(got), n)
	}
	for name, sum := range want {
		if got[name] != sum {
			t.Errorf("seed %d: %s: other bytes than here", seed, name)
		}
	}
	t.Logf("seed %d: %d variants begun %d times for %d interruptions", seed, n, begun, interruptions)
	if begun < n || float64(begun-n) >= repeatedShare*float64(n) {
		t.Errorf("seed %d: %d variants were begun %d times", seed, n, begun)
	}
}
