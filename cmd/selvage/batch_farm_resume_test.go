package main

import (
	"bufio"
	"bytes"
	"fmt"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/selvage/selvage/transfer/crew"
)

// TestBatch_Resume interrupts a batch on this machine twenty times, by SIGINT or
// SIGTERM at random moments, and counts the transfers that were begun: an
// interruption costs one at most, the one that runs. With 1500 garments (make
// farm-test) that is under 2% of the work; here there are fewer.
func TestBatch_Resume(t *testing.T) {
	const interruptions, repeatedShare, seed = 20, 0.02, 29
	n := 84
	if os.Getenv("SELVAGE_FARM_TEST") != "" {
		n = 1500
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
		fmt.Fprintf(&manifest, "  - {files: gloves.glb, name: gloves-%d, options: {reach: %g}}\n", k, 0.1+float64(k)/8192)
	}
	file := filepath.Join(dir, "wardrobe.yaml")
	for name, data := range map[string][]byte{"body.glb": body.Bytes(), "gloves.glb": garment.Bytes(), "wardrobe.yaml": []byte(manifest.String())} {
		if err := os.WriteFile(filepath.Join(dir, name), data, 0o600); err != nil {
			t.Fatal(err)
		}
	}

	begun, made := 0, map[any]int{}
	// run reads events until the end, and interrupts after stopAt beginnings.
	run := func(stopAt int, signal os.Signal, delay time.Duration) (status int, says string) {
		t.Helper()
		cmd := exec.Command(command, "batch", file, "--json", "--jobs", "1")
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
		here := 0
		for lines.Scan() {
			switch e := events(t, lines.Text())[0]; e["event"] {
			case "started":
				begun++
				if here++; here == stopAt {
					time.AfterFunc(delay, func() { _ = cmd.Process.Signal(signal) })
				}
			case "made":
				made[e["task"]]++
			}
		}
		_ = cmd.Wait()
		return cmd.ProcessState.ExitCode(), stderr.String()
	}
	for i := range interruptions {
		signal := []os.Signal{os.Interrupt, syscall.SIGTERM}[random.IntN(2)]
		stopAt := 1 + random.IntN(n/(interruptions+1))
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
	t.Logf("seed %d: %d garments begun %d times for %d interruptions", seed, n, begun, interruptions)
	if len(made) != n || begun < n || begun > n+interruptions {
		t.Errorf("seed %d: %d of %d garments were made, begun %d times", seed, len(made), n, begun)
	}
	if n >= 1500 && float64(begun-n) >= repeatedShare*float64(n) {
		t.Errorf("seed %d: %d garments were begun %d times", seed, n, begun)
	}
}
