package farm

// A line that is really cut, between two network namespaces.

import (
	"context"
	"fmt"
	"os"
	"os/exec"
	"strings"
	"syscall"
	"testing"
	"time"

	pb "github.com/selvage/selvage/api/selvage/v1"
)

// island is a network of its own with one line to this one, until the test ends.
type island struct{ name, here, there, address string }

func newIsland(t *testing.T) *island {
	t.Helper()
	id := os.Getpid() % 10_000
	i := &island{fmt.Sprintf("selvage-test-%d", id), fmt.Sprintf("sva%d", id), fmt.Sprintf("svb%d", id), "10.213.77.1"}
	run(t, "ip", "netns", "add", i.name)
	t.Cleanup(func() { _ = exec.Command("ip", "netns", "delete", i.name).Run() }) // and with it the line
	run(t, "ip", "link", "add", i.here, "type", "veth", "peer", "name", i.there, "netns", i.name)
	t.Cleanup(func() { _ = exec.Command("ip", "link", "delete", i.here).Run() })
	run(t, "ip", "address", "add", i.address+"/30", "dev", i.here)
	run(t, "ip", "link", "set", i.here, "up")
	run(t, "ip", "-n", i.name, "address", "add", "10.213.77.2/30", "dev", i.there)
	run(t, "ip", "-n", i.name, "link", "set", i.there, "up")
	return i
}

// cut and mend take the far end of the line down and up: nobody is told.
func (i *island) cut(t *testing.T)  { run(t, "ip", "-n", i.name, "link", "set", i.there, "down") }
func (i *island) mend(t *testing.T) { run(t, "ip", "-n", i.name, "link", "set", i.there, "up") }

// TestNetwork_Cut: a worker on an island loses its line in mid-task for longer than
// it may be silent. Its task goes to another worker; with the line back it goes on,
// alone. Every result has the bytes of the local run.
func TestNetwork_Cut(t *testing.T) {
	howMany(t)
	i := newIsland(t)
	const n = 120
	command := buildCommand(t)
	here, there := t.TempDir(), t.TempDir()
	local, onFarm := variantFiles(t, here, n, 0.3), variantFiles(t, there, n, 0.3)
	if out, err := exec.Command(command, "batch", local, "--quiet").CombinedOutput(); err != nil {
		t.Fatalf("%v\n%s", err, out)
	}
	server := &node{Name: "quay", Folder: t.TempDir(), Host: "0.0.0.0", Port: freePorts(t, 1)[0]}
	server.start(t)
	t.Cleanup(func() { kill(t, server.cmd) })
	f, err := Open(t.Context(), Config{URL: server.url(), AckWait: 2 * time.Second, Log: quiet(), RetryConnect: true})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(f.Close)
	far := spawn(t, "ip", "netns", "exec", i.name, command, "work", "--nats", fmt.Sprintf("nats://%s:%d", i.address, server.Port), "--name", "far", "--tasks", "1")
	t.Cleanup(func() { _ = far.Process.Kill() })
	batch := spawn(t, command, "batch", onFarm, "--nats", server.url(), "--quiet")
	t.Cleanup(func() { _ = batch.Process.Kill() })

	var id string
	until(t, "the job is there", func() bool {
		list, _, err := f.Jobs(t.Context(), "", 1)
		if err == nil && len(list) == 1 {
			id = strings.TrimPrefix(list[0].GetName(), "jobs/")
		}
		return id != ""
	})
	states := func() map[string]*pb.TaskStatus {
		ctx, cancel := context.WithTimeout(t.Context(), 10*time.Second)
		defer cancel()
		s, err := f.states(ctx, id)
		if err != nil {
			t.Fatal(err)
		}
		return s
	}
	// count of tasks in a state that a worker had last.
	count := func(state pb.TaskState, worker string) (n int) {
		for _, s := range states() {
			if s.GetState() == state && s.GetWorker() == worker {
				n++
			}
		}
		return n
	}
	const done, running = pb.TaskState_TASK_STATE_DONE, pb.TaskState_TASK_STATE_RUNNING
	// In mid-task: it is cut right after one has begun.
	for {
		until(t, "far has done some and has one", func() bool { return count(done, "far") >= 5 && count(running, "far") > 0 })
		i.cut(t)
		time.Sleep(time.Second)
		if count(running, "far") > 0 {
			break
		}
		i.mend(t) // it had just ended
	}
	first := count(done, "far")
	near := spawn(t, command, "work", "--nats", server.url(), "--name", "near", "--tasks", "1")
	t.Cleanup(func() { _ = near.Process.Kill() })
	until(t, "near has done some, and far's task", func() bool { return count(done, "near") >= 20 && count(running, "far") == 0 })
	if now := count(done, "far"); now != first {
		t.Errorf("with the line cut far has done %d and then %d", first, now)
	}
	i.mend(t)
	_ = near.Process.Signal(syscall.SIGTERM)
	if err := <-near.ended; err != nil {
		t.Errorf("near: %v\n%s", err, near.log.String())
	}
	select {
	case err := <-batch.ended:
		if err != nil {
			t.Fatalf("batch: %v\n%s", err, batch.log.String())
		}
	case <-time.After(2 * time.Minute):
		t.Fatalf("the batch does not end\n%s\n%s", far.log.String(), batch.log.String())
	}
	_ = far.Process.Signal(syscall.SIGTERM)
	if err := <-far.ended; err != nil {
		t.Errorf("far: %v\n%s", err, far.log.String())
	}
	if now := count(done, "far"); now <= first {
		t.Errorf("with the line back far has done nothing: %d", now)
	}
	want, got := outputs(t, here), outputs(t, there)
	if len(want) != n || len(got) != n {
		t.Fatalf("%d outputs here, %d from the farm, want %d", len(want), len(got), n)
	}
	for name, sum := range want {
		if got[name] != sum {
			t.Errorf("%s: other bytes than here", name)
		}
	}
	tries := 0
	for _, s := range states() {
		tries += int(s.GetTries())
	}
	t.Logf("%d variants begun %d times; far did %d before the cut and %d in all", n, tries, first, count(done, "far"))
	// The one that was cut off, and perhaps the next whose beginning was on the line.
	if tries > n+2 {
		t.Errorf("%d variants were begun %d times", n, tries)
	}
}
