package farm

// Disks that are really full, or really slow.

import (
	"bytes"
	"errors"
	"os"
	"path/filepath"
	"testing"
	"time"

	pb "github.com/selvage/selvage/api/selvage/v1"
	"golang.org/x/sys/unix"
)

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
