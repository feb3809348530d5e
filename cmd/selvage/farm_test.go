package main

// The farm as real processes on one machine.

import (
	"bytes"
	"encoding/json"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
)

// wardrobeFolder copies the cox's files and makes a manifest of them.
func wardrobeFolder(t *testing.T) (folder, manifest string) {
	t.Helper()
	folder = t.TempDir()
	if err := os.CopyFS(folder, os.DirFS(coxDir)); err != nil {
		t.Fatal(err)
	}
	must(t, "batch", "--init", folder, "--quiet")
	return folder, filepath.Join(folder, "wardrobe.yaml")
}

// startWorker runs selvage work until the test ends.
func startWorker(t *testing.T, args ...string) *exec.Cmd {
	t.Helper()
	cmd := exec.Command(command, append([]string{"work", "--log-format", "text"}, args...)...)
	var log bytes.Buffer
	cmd.Stderr = &log
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		_ = cmd.Process.Signal(syscall.SIGTERM)
		if err := cmd.Wait(); err != nil {
			t.Errorf("work: %v\n%s", err, log.String())
		}
	})
	return cmd
}

// TestFarm_SameBytesAsBatch: a wardrobe has the same bytes from this machine's
// farm, by a worker of its own and another process, as without.
func TestFarm_SameBytesAsBatch(t *testing.T) {
	here, local := wardrobeFolder(t)
	must(t, "batch", local, "--quiet")
	there, onFarm := wardrobeFolder(t)
	store := t.TempDir()
	startWorker(t, "--farm-folder", store)
	must(t, "batch", onFarm, "--farm", "--farm-folder", store, "--quiet")
	compared := sameOutputs(t, here, there)
	var list struct {
		Lag  struct{ Waiting, Held, Dead int }
		Jobs []jobView
	}
	if o := must(t, "jobs", "--farm-folder", store, "--sweep"); o.stdout != "0 pieces were swept\n" {
		t.Errorf("%q", o.stdout)
	}
	if err := json.Unmarshal([]byte(must(t, "jobs", "--farm-folder", store, "--json").stdout), &list); err != nil {
		t.Fatal(err)
	}
	if len(list.Jobs) != 1 || list.Jobs[0].State != "done" || int(list.Jobs[0].Done) != compared || list.Lag.Waiting+list.Lag.Held+list.Lag.Dead != 0 {
		t.Errorf("%+v", list)
	}
	id := list.Jobs[0].ID
	var job jobView
	if err := json.Unmarshal([]byte(must(t, "job", "show", id, "--farm-folder", store, "--json").stdout), &job); err != nil || len(job.List) != compared {
		t.Errorf("%v: %+v", err, job)
	}
	if o := must(t, "job", "retry", id, "--farm-folder", store); !strings.Contains(o.stdout, "done") {
		t.Error(o.stdout)
	}
	if o := selvage(t, "job", "cancel", id, "--farm-folder", store); o.status != exitFailed || !strings.Contains(o.stderr, "has ended") {
		t.Errorf("status %d: %s", o.status, o.stderr)
	}
	if o := selvage(t, "job", "show", "nothing", "--farm-folder", store); o.status != exitFailed || !strings.Contains(o.stderr, "not in the farm") {
		t.Errorf("status %d: %s", o.status, o.stderr)
	}
}

// sameOutputs compares what two batches wrote and returns how many outputs there
// are.
func sameOutputs(t *testing.T, here, there string) (compared int) {
	t.Helper()
	err := filepath.WalkDir(here, func(path string, d os.DirEntry, err error) error {
		if err != nil || d.IsDir() || filepath.Ext(path) != ".glb" {
			return err
		}
		name, _ := filepath.Rel(here, path)
		want, err := os.ReadFile(path)
		if err != nil {
			return err
		}
		got, err := os.ReadFile(filepath.Join(there, name))
		if err != nil || !bytes.Equal(got, want) {
			t.Errorf("%s: other bytes from the farm, %v", name, err)
		}
		if strings.Contains(name, string(filepath.Separator)) {
			compared++
		}
		return nil
	})
	if err != nil || compared < 5 {
		t.Fatalf("%d outputs compared, %v", compared, err)
	}
	return compared
}

// TestFarm_Server: the same through a server, with a worker beside it.
func TestFarm_Server(t *testing.T) {
	here, local := wardrobeFolder(t)
	must(t, "batch", local, "--quiet")
	there, remote := wardrobeFolder(t)
	store := t.TempDir()
	s := serve(t, nil, "--farm", "--farm-folder", store)
	startWorker(t, "--farm-folder", store)
	must(t, "batch", remote, "--server", s.address, "--quiet")
	sameOutputs(t, here, there)
}

// TestFarm_SmallStore: a wardrobe of more bytes than the server's store has goes through
// it in parts; garments that never have room in it fail with a sentence that says so.
func TestFarm_SmallStore(t *testing.T) {
	here, local := wardrobeFolder(t)
	must(t, "batch", local, "--quiet")
	there, remote := wardrobeFolder(t)
	files, err := filepath.Glob(filepath.Join(there, "*.glb"))
	if err != nil {
		t.Fatal(err)
	}
	total, largest, body := int64(0), int64(0), sizeOf(filepath.Join(there, "body.glb"))
	for _, f := range files {
		n := sizeOf(f)
		if total += n; f != filepath.Join(there, "body.glb") {
			largest = max(largest, n)
		}
	}
	room := body + largest
	if total < room+room/4 {
		t.Fatalf("%d bytes in a store of %d test nothing", total, room)
	}
	store := t.TempDir()
	s := serve(t, nil, "--farm", "--farm-folder", store, "--store-bytes", fmt.Sprint(room), "--max-asset-bytes", fmt.Sprint(max(body, largest)))
	startWorker(t, "--farm-folder", store)
	must(t, "batch", remote, "--server", s.address, "--quiet")
	sameOutputs(t, here, there)

	// Handed in before, but with nothing left of it here and in the server's store.
	if err := os.RemoveAll(filepath.Join(there, "weighted")); err != nil {
		t.Fatal(err)
	}
	must(t, "batch", remote, "--server", s.address, "--quiet")
	sameOutputs(t, here, there)

	store = t.TempDir()
	s = serve(t, nil, "--farm", "--farm-folder", store, "--store-bytes", fmt.Sprint(body+1), "--max-asset-bytes", fmt.Sprint(body+1))
	o := selvage(t, "batch", remote, "--force", "--server", s.address)
	if o.status != exitFailed || !strings.Contains(o.stdout+o.stderr, fmt.Sprintf("the server keeps %d at once: it needs a larger --store-bytes", body+1)) {
		t.Errorf("status %d: %s%s", o.status, o.stdout, o.stderr)
	}
}

// TestFarm_BadBody: what no task of a job can do ends as a failure.
func TestFarm_BadBody(t *testing.T) {
	folder, manifest := wardrobeFolder(t)
	// Gloves without a skin cannot be the body.
	text, err := os.ReadFile(manifest)
	if err != nil {
		t.Fatal(err)
	}
	if !bytes.Contains(text, []byte("body.glb")) {
		t.Fatalf("the manifest names the body otherwise:\n%s", text)
	}
	bad := filepath.Join(folder, "bad.yaml")
	if err := os.WriteFile(bad, bytes.ReplaceAll(text, []byte("body.glb"), []byte("gloves.glb")), 0o600); err != nil {
		t.Fatal(err)
	}
	o := selvage(t, "batch", bad, "--farm", "--farm-folder", t.TempDir())
	if o.status != exitFailed {
		t.Errorf("status %d\n%s%s", o.status, o.stdout, o.stderr)
	}
}
