package farm

// Disks that are really full, or really slow.

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	pb "github.com/selvage/selvage/api/selvage/v1"
	"golang.org/x/sys/unix"
)

// run runs a tool of the system as root, or skips the test.
func run(t *testing.T, name string, args ...string) {
	t.Helper()
	if out, err := exec.Command(name, args...).CombinedOutput(); err != nil {
		t.Skipf("NOT TESTED: %s %s: %v: %s", name, strings.Join(args, " "), err, bytes.TrimSpace(out))
	}
}

// smallDisk mounts a disk of some bytes until the test ends.
func smallDisk(t *testing.T, size string) (folder string) {
	t.Helper()
	folder = filepath.Join(t.TempDir(), "disk")
	if err := os.Mkdir(folder, 0o700); err != nil {
		t.Fatal(err)
	}
	if err := unix.Mount("tmpfs", folder, "tmpfs", 0, "size="+size); err != nil {
		t.Skipf("NOT TESTED: a small disk cannot be mounted (%v); run as root", err)
	}
	t.Cleanup(func() {
		if err := unix.Unmount(folder, unix.MNT_DETACH); err != nil {
			t.Error(err)
		}
	})
	return folder
}

// fillDisk writes a file until there is no room, and returns what removes it.
func fillDisk(t *testing.T, folder string) (remove func()) {
	t.Helper()
	name := filepath.Join(folder, "ballast")
	f, err := os.Create(name)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	for piece := make([]byte, 64<<10); len(piece) > 0; {
		if _, err := f.Write(piece); errors.Is(err, unix.ENOSPC) {
			piece = piece[:len(piece)/2]
		} else if err != nil {
			t.Fatal(err)
		}
	}
	return func() {
		if err := os.Remove(name); err != nil {
			t.Fatal(err)
		}
	}
}

// TestDisk_Full: the disk beneath the store fills up while workers compute. It is
// said plainly, nothing is lost, no try is used up, and it goes on by itself when
// there is room. Twice: the second time with results half-way.
func TestDisk_Full(t *testing.T) {
	howMany(t)
	folder := smallDisk(t, "48m")
	f := open(t, folder, Config{})
	s := theScene()
	tasks := s.variants(t, f, 24)
	remove := fillDisk(t, folder)
	_, _, err := f.Create(t.Context(), "test", tasks)
	if !isFull(err) {
		t.Fatalf("a job is handed in on a full disk: %v", err)
	}
	remove()
	var id string
	until(t, "the job is taken", func() bool {
		job, _, err := f.Create(t.Context(), "test", tasks)
		if err == nil {
			id = job.GetName()[len("jobs/"):]
		} else if !isFull(err) {
			t.Fatal(err)
		}
		return err == nil
	})
	work(t, f, WorkerConfig{MaxTries: 1, RetryDelay: 50 * time.Millisecond, RefuseDelay: 200 * time.Millisecond})
	done := func() int32 {
		n := int32(0)
		for _, s := range status(t, f, id) {
			if s.GetState() == pb.TaskState_TASK_STATE_DONE {
				n++
			}
		}
		return n
	}
	until(t, "some are done", func() bool { return done() >= 3 })
	remove = fillDisk(t, folder)
	until(t, "it is said", func() bool {
		_, err := f.PutAsset(t.Context(), []byte(time.Now().String()))
		return isFull(err)
	})
	time.Sleep(time.Second) // of workers that cannot put
	remove()
	job := finish(t, f, id)
	if job.GetDoneCount() != 24 {
		t.Fatalf("%v", job)
	}
	for k, x := range status(t, f, id) {
		data, err := f.Read(t.Context(), x.GetResult())
		if err != nil || !bytes.Equal(data, s.local(t, s.garment, optionsOf(k))) {
			t.Errorf("variant %d: other bytes than here, %v", k, err)
		}
		if x.GetTries() > 1 {
			t.Errorf("a full disk cost a try: %v", x)
		}
	}
}

// slowDisk is a file with a file system on it (ext4, every write waits for the
// device), and what slows a process's writes to it down to so many bytes a second
// (Linux kernel documentation, "Block IO Controller", throttling policy).
func slowDisk(t *testing.T, megabytes int) (folder string, slow func(process, bytes int)) {
	t.Helper()
	const groups = "/sys/fs/cgroup/blkio"
	base := t.TempDir()
	image := filepath.Join(base, "image")
	folder = filepath.Join(base, "disk")
	if err := errors.Join(os.Mkdir(folder, 0o700), os.WriteFile(image, nil, 0o600), os.Truncate(image, int64(megabytes)<<20)); err != nil {
		t.Fatal(err)
	}
	run(t, "mkfs.ext4", "-q", image)
	run(t, "mount", "-o", "loop,sync", image, folder)
	t.Cleanup(func() {
		if out, err := exec.Command("umount", folder).CombinedOutput(); err != nil {
			t.Errorf("%v: %s", err, out)
		}
	})
	var stat unix.Stat_t
	if err := unix.Stat(folder, &stat); err != nil {
		t.Fatal(err)
	}
	group := filepath.Join(groups, fmt.Sprintf("selvage-test-%d", os.Getpid()))
	if err := os.Mkdir(group, 0o700); err != nil {
		t.Skipf("NOT TESTED: a group of slow processes cannot be made: %v", err)
	}
	t.Cleanup(func() {
		until(t, "the group is gone", func() bool { return unix.Rmdir(group) == nil }) // its process just ends
	})
	return folder, func(process, bytes int) {
		t.Helper()
		device := fmt.Sprintf("%d:%d %d", unix.Major(stat.Dev), unix.Minor(stat.Dev), bytes)
		err := os.WriteFile(filepath.Join(group, "blkio.throttle.write_bps_device"), []byte(device), 0)
		if err == nil {
			err = os.WriteFile(filepath.Join(group, "cgroup.procs"), []byte(strconv.Itoa(process)), 0)
		}
		if err != nil {
			t.Skipf("NOT TESTED: writes cannot be slowed down: %v", err)
		}
	}
}

// TestDisk_Slow: the disk beneath the store takes longer for a result than a worker
// may be silent. The server writes acknowledgements to the same disk, one after the
// other: while it hangs there, words of workers wait, and a task may be given to the
// other worker too. Nothing worse comes of it: no task is lost or given up, each
// result is there once and right, and none is begun more than twice.
func TestDisk_Slow(t *testing.T) {
	howMany(t)
	const n, pace, silent = 4, 50_000, time.Second
	folder, slow := slowDisk(t, 96)
	nodes, urls := startOn(t, folder)
	f, err := Open(t.Context(), Config{URL: urls, AckWait: silent, Log: quiet(), RetryConnect: true})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(f.Close)
	s := theScene()
	id, keys := create(t, f, s.variants(t, f, n))
	slow(nodes[0].cmd.Process.Pid, pace)
	began := time.Now()
	var begun atomic.Int32
	for range 2 {
		work(t, f, WorkerConfig{Tasks: 1, before: func(context.Context, *pb.QueuedTask) { begun.Add(1) }})
	}
	if job := finish(t, f, id); job.GetDoneCount() != n {
		t.Fatalf("%v", job)
	}
	took := time.Since(began)
	slow(nodes[0].cmd.Process.Pid, 1<<30)
	var size int
	for k, key := range keys {
		data, _, err := f.Result(t.Context(), id, key)
		if err != nil || !bytes.Equal(data, s.local(t, s.garment, optionsOf(k))) {
			t.Errorf("variant %d: other bytes than here, %v", k, err)
		}
		size += len(data)
	}
	if least := time.Duration(size) * time.Second / pace; took < least*9/10 || least/n < silent {
		t.Errorf("%d bytes took %v, %v at the disk's pace: it was not slow", size, took, least)
	}
	for _, x := range status(t, f, id) {
		if x.GetTries() > 2 {
			t.Errorf("%v", x)
		}
	}
	if list, err := f.results.store.List(t.Context()); err != nil || len(list) != n {
		t.Errorf("%d results in the store, %v; want %d", len(list), err, n)
	}
	t.Logf("%d results of %d bytes together took %v; begun %d times", n, size, took, begun.Load())
}
