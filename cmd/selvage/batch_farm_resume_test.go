package main

import (
	"bufio"
	"bytes"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/selvage/selvage/transfer/crew"
)

// TestBatch_Resume interrupts a batch on this machine, by SIGINT or SIGTERM at random
// moments, with as many garments at a time as is usual, and counts the transfers that
// were begun: what has begun is finished, so no interruption repeats any. Twenty
// interruptions of 500 garments with make farm-test, here fewer of both.
func TestBatch_Resume(t *testing.T) {
	const seed = 29
	n, interruptions := 60, 6
	if os.Getenv("SELVAGE_FARM_TEST") != "" {
		n, interruptions = 500, 20
	}
	random := rand.New(rand.NewPCG(seed, 1))
	dir := t.TempDir()
	mate := crew.NewBodyAt("mate", 0.3)
	var body, garment bytes.Buffer
	if err := mate.WriteGLB(&body); err != nil {
		t.Fatal(err)
	}
	if err := mate.GarmentAt("gloves", 0.3).WriteGLB(&garment); err != nil {
		t.Fatal(err)
	}
	var manifest strings.Builder
	manifest.WriteString("version: 1\nbodies: [{name: mate, file: body.glb}]\noutput: out/{garment}.glb\ngarments:\n")
	for k := range n {
		fmt.Fprintf(&manifest, "  - {files: gloves.glb, name: gloves-%d, options: {reach: %g, registration: off}}\n", k, 0.1+float64(k)/8192)
	}
	file := filepath.Join(dir, "wardrobe.yaml")
	for name, data := range map[string][]byte{"body.glb": body.Bytes(), "gloves.glb": garment.Bytes(), "wardrobe.yaml": []byte(manifest.String())} {
		if err := os.WriteFile(filepath.Join(dir, name), data, 0o600); err != nil {
			t.Fatal(err)
		}
	}

	begun, finished, made := 0, 0, map[any]int{}
	// run reads events until the end, and interrupts after stopAt beginnings.
	run := func(stopAt int, signal os.Signal, delay time.Duration) (status int, says string) {
		t.Helper()
		cmd := exec.Command(command, "batch", file, "--json")
		var stderr bytes.Buffer
		cmd.Stderr = &stderr
		out, err := cmd.StdoutPipe()
		if err != nil {
			t.Fatal(err)
		}
		if err := cmd.Start(); err != nil {
			t.Fatal(err)
		}
		lines := bufio.NewScanner(out)
		lines.Buffer(nil, 1<<20)
		here, madeHere := 0, 0
		for lines.Scan() {
			switch e := events(t, lines.Text())[0]; e["event"] {
			case "started":
				begun++
				if here++; here == stopAt {
					time.AfterFunc(delay, func() { _ = cmd.Process.Signal(signal) })
				}
			case "made":
				made[e["task"]]++
				madeHere++
			case "finishing":
				finished++
			}
		}
		if madeHere != here {
			t.Errorf("seed %d: %d begun, %d made", seed, here, madeHere)
		}
		_ = cmd.Wait()
		return cmd.ProcessState.ExitCode(), stderr.String()
	}
	for i := range interruptions {
		signal := []os.Signal{os.Interrupt, syscall.SIGTERM}[random.IntN(2)]
		stopAt := 1 + random.IntN(n/(2*interruptions))
		delay := time.Duration(random.IntN(5000)) * time.Microsecond
		if status, says := run(stopAt, signal, delay); status != exitFailed || !strings.Contains(says, "interrupted") {
			t.Fatalf("seed %d, interruption %d: status %d, %q, %d made", seed, i, status, says, len(made))
		}
	}
	if len(made) == n {
		t.Fatalf("seed %d: all was made before the last interruption", seed)
	}
	if status, says := run(0, nil, 0); status != exitDone {
		t.Fatalf("status %d: %s", status, says)
	}
	for task, times := range made {
		if times != 1 {
			t.Errorf("seed %d: %v was made %d times", seed, task, times)
		}
	}
	t.Logf("seed %d: %d garments begun %d times for %d interruptions, %d of them while a garment was made", seed, n, begun, interruptions, finished)
	if len(made) != n || begun != n {
		t.Errorf("seed %d: %d of %d garments were made, begun %d times", seed, len(made), n, begun)
	}
	if finished < interruptions/2 {
		t.Errorf("seed %d: %d of %d interruptions came while a garment was made: the test shows little", seed, finished, interruptions)
	}
}

// TestBatch_SecondInterrupt: the first says what is finished, in a line; the second
// stops at once, and nothing is written.
func TestBatch_SecondInterrupt(t *testing.T) {
	dir := t.TempDir()
	mate := crew.NewBodyAt("mate", 2)
	for name, part := range map[string]interface{ WriteGLB(io.Writer) error }{"body.glb": mate, "coat.glb": mate.GarmentAt("oilskin coat", 2)} {
		var b bytes.Buffer
		if err := part.WriteGLB(&b); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(filepath.Join(dir, name), b.Bytes(), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	file := filepath.Join(dir, "wardrobe.yaml")
	text := "version: 1\nbodies: [{name: mate, file: body.glb}]\noutput: out/{garment}.glb\ngarments: [{files: coat.glb}]\n"
	if err := os.WriteFile(file, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	cmd := exec.Command(command, "batch", file, "--json")
	var stderr bytes.Buffer
	cmd.Stderr = &stderr
	out, err := cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	lines := bufio.NewScanner(out)
	lines.Buffer(nil, 1<<20)
	var seen []any
	for lines.Scan() {
		e := events(t, lines.Text())[0]
		switch e["event"] {
		case "progress":
			continue
		case "started":
			_ = cmd.Process.Signal(os.Interrupt)
		case "finishing":
			if e["garments"] != 1.0 {
				t.Errorf("%v", e)
			}
			_ = cmd.Process.Signal(syscall.SIGTERM)
		}
		seen = append(seen, e["event"])
	}
	_ = cmd.Wait()
	if status := cmd.ProcessState.ExitCode(); status != exitFailed || !strings.Contains(stderr.String(), "interrupted: 0 of 1") {
		t.Errorf("status %d, %s", status, stderr.String())
	}
	if want := []any{"plan", "started", "finishing", "end"}; !slices.Equal(seen, want) {
		t.Errorf("events %v, want %v", seen, want)
	}
	if _, err := os.Stat(filepath.Join(dir, "out", "coat.glb")); !errors.Is(err, fs.ErrNotExist) {
		t.Errorf("the garment was written (%v)", err)
	}
	// To the eye.
	var log bytes.Buffer
	v := &batchView{b: &batchRun{log: &log}}
	v.finishing(1)
	v.finishing(2)
	if want := "finishing 1 garment; interrupt again to stop at once\nfinishing 2 garments; interrupt again to stop at once\n"; log.String() != want {
		t.Errorf("%q", log.String())
	}
}
