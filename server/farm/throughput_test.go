package farm

import (
	"fmt"
	"os"
	"os/exec"
	"strconv"
	"syscall"
	"testing"
	"time"
)

// TestThroughput measures variants a minute here and on this machine's farm, by
// real processes with one processor each; it judges nothing. make farm-bench runs
// it; SELVAGE_FARM_BENCH is the number of variants.
func TestThroughput(t *testing.T) {
	n, err := strconv.Atoi(os.Getenv("SELVAGE_FARM_BENCH"))
	if err != nil {
		t.Skip("a measurement: SELVAGE_FARM_BENCH is not set (make farm-bench)")
	}
	command := buildCommand(t)
	store := ""
	batch := func(processors int, args ...string) time.Duration {
		t.Helper()
		manifest := variantFiles(t, t.TempDir(), n, 1)
		cmd := exec.Command(command, append([]string{"batch", manifest, "--quiet"}, args...)...)
		cmd.Env = append(os.Environ(), "GOMAXPROCS="+strconv.Itoa(processors))
		began := time.Now()
		if out, err := cmd.CombinedOutput(); err != nil {
			t.Fatalf("%v\n%s", err, out)
		}
		return time.Since(began)
	}
	onFarm := func(more int) time.Duration {
		t.Helper()
		store = t.TempDir()
		for range more {
			cmd := exec.Command(command, "work", "--farm-folder", store)
			cmd.Env = append(os.Environ(), "GOMAXPROCS=1")
			if err := cmd.Start(); err != nil {
				t.Fatal(err)
			}
			defer func() {
				_ = cmd.Process.Signal(syscall.SIGTERM)
				_ = cmd.Wait()
			}()
		}
		time.Sleep(time.Second)
		return batch(1, "--farm", "--farm-folder", store)
	}
	fmt.Printf("| %d variants of gloves (density 1) | seconds | variants a minute |\n|---|--:|--:|\n", n)
	show := func(name string, d time.Duration) {
		fmt.Printf("| %s | %.1f | %.0f |\n", name, d.Seconds(), float64(n)/d.Minutes())
	}
	show("here, one processor", batch(1))
	show("farm, one worker of one processor", onFarm(0))
	show("here, two processors", batch(2))
	show("farm, two workers of one processor each", onFarm(1))
}
