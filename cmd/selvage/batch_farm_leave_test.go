package main

import (
	"encoding/json"
	"fmt"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
)

// TestFarm_Leave: results stay in the store, under the keys that are printed, and
// no file is written; the same call without --leave writes them and computes
// nothing.
func TestFarm_Leave(t *testing.T) {
	here, local := wardrobeFolder(t)
	must(t, "batch", local, "--quiet")
	there, onFarm := wardrobeFolder(t)
	store := t.TempDir()
	before := folder(t, there)
	list := events(t, must(t, "batch", onFarm, "--farm", "--farm-folder", store, "--leave", "--json").stdout)
	sums := map[string]string{} // by key
	names := map[string]bool{}
	for _, e := range ofKind(list, "left") {
		sums[e["key"].(string)] = e["sha256"].(string)
		names[e["task"].(string)] = true
		if e["bytes"].(float64) <= 0 || e["job"] == "" {
			t.Errorf("%v", e)
		}
	}
	last := list[len(list)-1]
	if len(sums) < 5 || len(names) != len(sums) || len(ofKind(list, "made")) != 0 || last["event"] != "end" || last["left"] != float64(len(sums)) || last["waiting"] != 0.0 || last["status"] != 0.0 {
		t.Fatalf("%v", list)
	}
	if after := folder(t, there); !maps.Equal(before, after) {
		t.Errorf("files were written: %d before, %d after", len(before), len(after))
	}
	// The keys are those of the job's tasks, and each was begun once.
	id := ofKind(list, "left")[0]["job"].(string)
	show := func() jobView {
		t.Helper()
		var job jobView
		if err := json.Unmarshal([]byte(must(t, "job", "show", id, "--farm-folder", store, "--json").stdout), &job); err != nil {
			t.Fatal(err)
		}
		if len(job.List) != len(sums) {
			t.Errorf("%d tasks, %d were left", len(job.List), len(sums))
		}
		for _, x := range job.List {
			if sums[x.Key] == "" || x.State != "done" || x.Tries != 1 {
				t.Errorf("%+v", x)
			}
		}
		return job
	}
	show()
	// To the eye, on a server with the same store.
	s := serve(t, nil, "--farm", "--farm-folder", store)
	o := must(t, "batch", onFarm, "--server", s.address, "--leave")
	if !strings.Contains(o.stdout, fmt.Sprintf("%d left in the store;", len(sums))) || strings.Contains(o.stdout, "waiting") {
		t.Errorf("not said:\n%s", o.stdout)
	}
	if n := len(sums); !strings.Contains(o.stderr, fmt.Sprintf("%d/%d left in the store ", n, n)) {
		t.Errorf("not counted:\n%s", o.stderr)
	}
	for key := range sums {
		if !strings.Contains(o.stdout, key) {
			t.Errorf("%s is not printed:\n%s", key, o.stdout)
		}
	}
	if after := folder(t, there); !maps.Equal(before, after) {
		t.Errorf("files were written: %d before, %d after", len(before), len(after))
	}
	made := ofKind(events(t, must(t, "batch", onFarm, "--server", s.address, "--json").stdout), "made")
	if len(made) != len(sums) {
		t.Errorf("%d were fetched, %d left", len(made), len(sums))
	}
	for _, e := range made {
		if sums[e["key"].(string)] != e["sha256"] {
			t.Errorf("%v has other bytes than what was left", e["task"])
		}
	}
	sameOutputs(t, here, there)
	show()
}

func TestFarm_LeaveUsage(t *testing.T) {
	dir, manifest := wardrobeFolder(t)
	text, err := os.ReadFile(manifest)
	if err != nil {
		t.Fatal(err)
	}
	with := func(name, layers string) string {
		t.Helper()
		file := filepath.Join(dir, name)
		if err := os.WriteFile(file, append(slices.Clone(text), "layers: "+layers+"\n"...), 0o600); err != nil {
			t.Fatal(err)
		}
		return file
	}
	found, given := with("found.yaml", "found"), with("given.yaml", "[jersey, oilskin-coat]")
	for _, c := range []struct {
		name string
		args []string
		says string
	}{
		{"nowhere", nil, "--farm, --nats or --server"},
		{"watch", []string{"--farm", "--watch"}, "--watch"},
		{"strict", []string{"--farm", "--strict"}, "--strict"},
		{"report", []string{"--farm", "--report", filepath.Join(t.TempDir(), "page.html")}, "--report"},
		{"layers that are found", []string{found, "--farm"}, "cannot do layers"},
		{"layers that are given", []string{given, "--nats", "nats://127.0.0.1:1"}, "cannot do layers"}, // before it connects
		{"credentials of no cluster", []string{"--farm", "--nats-creds", "x"}, "--nats-creds"},
		{"copies on no cluster", []string{"--replicas", "3"}, "--replicas"},
	} {
		t.Run(c.name, func(t *testing.T) {
			args := append([]string{"batch", "--leave", "--farm-folder", t.TempDir()}, c.args...)
			if len(c.args) == 0 || !strings.HasSuffix(c.args[0], ".yaml") {
				args = append(args, manifest)
			}
			o := selvage(t, args...)
			if o.status != exitUsage || !strings.Contains(o.stderr, c.says) {
				t.Errorf("status %d, %q; want %d, %q", o.status, o.stderr, exitUsage, c.says)
			}
		})
	}
}
