package wardrobe

import (
	"math"
	"os"
	"strconv"
	"strings"
)

// DefaultMemory is what a local run takes unless told otherwise: 70% of what this
// machine, or the control group that the process is in, has to give now; 4 GiB
// where neither says. Source of the files: Linux kernel documentation,
// "Control Group v2", memory.max and memory.current; proc(5), MemAvailable.
func DefaultMemory() int64 {
	free := int64(math.MaxInt64)
	if text, err := os.ReadFile("/proc/meminfo"); err == nil {
		for line := range strings.Lines(string(text)) {
			if rest, ok := strings.CutPrefix(line, "MemAvailable:"); ok {
				if kb, err := strconv.ParseInt(strings.TrimSuffix(strings.TrimSpace(rest), " kB"), 10, 64); err == nil {
					free = kb << 10
				}
			}
		}
	}
	for _, g := range [][2]string{
		{"/sys/fs/cgroup/memory.max", "/sys/fs/cgroup/memory.current"},
		{"/sys/fs/cgroup/memory/memory.limit_in_bytes", "/sys/fs/cgroup/memory/memory.usage_in_bytes"},
	} {
		limit, ok := readNumber(g[0])
		used, ok2 := readNumber(g[1])
		if ok && ok2 && limit > used {
			free = min(free, limit-used)
		}
	}
	if free == math.MaxInt64 {
		return 4 << 30
	}
	return free / 10 * 7
}

func readNumber(file string) (int64, bool) {
	text, err := os.ReadFile(file)
	if err != nil {
		return 0, false
	}
	n, err := strconv.ParseInt(strings.TrimSpace(string(text)), 10, 64)
	return n, err == nil
}
