package farm

import (
	"fmt"
	"os"
	"os/exec"
	"runtime"
	"slices"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"

	"golang.org/x/sys/unix"
)

// spent is what a run took.
type spent struct{ wall, processor time.Duration }

// on starts a command that runs on some of this machine's processors alone.
func on(processors []int, cmd *exec.Cmd) error {
	runtime.LockOSThread()
	defer runtime.UnlockOSThread()
	var all, some unix.CPUSet
	if err := unix.SchedGetaffinity(0, &all); err != nil {
		return err
	}
	for _, p := range processors {
		some.Set(p)
	}
	if err := unix.SchedSetaffinity(0, &some); err != nil {
		return err
	}
	defer unix.SchedSetaffinity(0, &all) //nolint:errcheck // as it was a moment ago
	return cmd.Start()
}

// load is the machine's load of the last minute.
func load() string {
	text, _ := os.ReadFile("/proc/loadavg")
	return strings.SplitN(string(text)+" ", " ", 2)[0]
}

// TestThroughput measures variants a minute here and on this machine's farm, by
// real processes: one worker on one processor against the plain batch on the same,
// two workers on two against the plain batch on both. Server and client share the
// processors with the workers. Runs here and on the farm take turns; it judges
// nothing. make farm-bench runs it. SELVAGE_FARM_BENCH is GARMENT:VARIANTS:TURNS,
// several with commas between.
func TestThroughput(t *testing.T) {
	what := os.Getenv("SELVAGE_FARM_BENCH")
	if what == "" {
		t.Skip("a measurement: SELVAGE_FARM_BENCH is not set (make farm-bench)")
	}
	command := buildCommand(t)
	fmt.Printf("| wardrobe, workers | here, s | farm, s | farm/here | variants/min here | farm | CPU here, s | farm, s | farm/here | load |\n|---|--:|--:|--:|--:|--:|--:|--:|--:|--:|\n")
	for one := range strings.SplitSeq(what, ",") {
		part := strings.Split(one, ":")
		n, err := strconv.Atoi(part[1])
		if err != nil {
			t.Fatal(err)
		}
		turns, err := strconv.Atoi(part[2])
		if err != nil {
			t.Fatal(err)
		}
		for workers := 1; workers <= min(2, runtime.NumCPU()); workers++ {
			var here, farm []spent
			for turn := range turns {
				processors := []int{0, 1}
				if workers == 1 {
					processors = []int{turn % min(2, runtime.NumCPU())}
				}
				here = append(here, measure(t, command, part[0], n, processors, workers, false))
				farm = append(farm, measure(t, command, part[0], n, processors, workers, true))
			}
			wall := func(s spent) float64 { return s.wall.Seconds() }
			processor := func(s spent) float64 { return s.processor.Seconds() }
			minute := func(s spent) float64 { return float64(n) / s.wall.Minutes() }
			fmt.Printf("| %d %s, %d | %s | %s | %s | %s | %s | %s | %s | %s | %s |\n", n, part[0], workers,
				spread(here, wall, "%.1f"), spread(farm, wall, "%.1f"), ratios(here, farm, wall), spread(here, minute, "%.0f"), spread(farm, minute, "%.0f"),
				spread(here, processor, "%.1f"), spread(farm, processor, "%.1f"), ratios(here, farm, processor), load())
		}
	}
}

// measure runs a wardrobe of variants, here or on the farm.
func measure(t *testing.T, command, garment string, n int, processors []int, workers int, onFarm bool) (s spent) {
	t.Helper()
	args := []string{"batch", variantsOf(t, t.TempDir(), garment, n, 1), "--quiet"}
	threads := workers
	var helpers []*exec.Cmd
	if onFarm {
		store := t.TempDir()
		args = append(args, "--farm", "--farm-folder", store)
		threads = 1
		for range workers - 1 {
			cmd := exec.Command(command, "work", "--farm-folder", store)
			cmd.Env = append(os.Environ(), "GOMAXPROCS=1")
			if err := on(processors, cmd); err != nil {
				t.Fatal(err)
			}
			helpers = append(helpers, cmd)
		}
		time.Sleep(time.Second)
	}
	cmd := exec.Command(command, args...)
	cmd.Env = append(os.Environ(), "GOMAXPROCS="+strconv.Itoa(threads))
	var out strings.Builder
	cmd.Stdout, cmd.Stderr = &out, &out
	began := time.Now()
	if err := on(processors, cmd); err != nil {
		t.Fatal(err)
	}
	if err := cmd.Wait(); err != nil {
		t.Fatalf("%v\n%s", err, out.String())
	}
	s.wall = time.Since(began)
	for _, h := range helpers {
		_ = h.Process.Signal(syscall.SIGTERM)
		_ = h.Wait()
	}
	for _, c := range append(helpers, cmd) {
		s.processor += c.ProcessState.UserTime() + c.ProcessState.SystemTime()
	}
	return s
}

func median(list []float64) float64 {
	s := slices.Sorted(slices.Values(list))
	return (s[(len(s)-1)/2] + s[len(s)/2]) / 2
}

// spread is the median and the extremes.
func spread(list []spent, of func(spent) float64, format string) string {
	var all []float64
	for _, s := range list {
		all = append(all, of(s))
	}
	return fmt.Sprintf(format+" ("+format+" to "+format+")", median(all), slices.Min(all), slices.Max(all))
}

// ratios of neighbours: what else the machine does slows both.
func ratios(here, farm []spent, of func(spent) float64) string {
	var all []float64
	for i := range here {
		all = append(all, of(farm[i])/of(here[i]))
	}
	return fmt.Sprintf("%.3f (%.3f to %.3f)", median(all), slices.Min(all), slices.Max(all))
}
