package wardrobe

import (
	"cmp"
	"fmt"
	"strconv"
	"strings"
)

// Shard is part I of N of a plan's tasks, I from 1.
type Shard struct{ I, N int }

// maxShards bounds what is no slip of the finger.
const maxShards = 1 << 20

// ParseShard reads "I/N".
func ParseShard(s string) (Shard, error) {
	a, b, ok := strings.Cut(s, "/")
	i, err1 := strconv.Atoi(a)
	n, err2 := strconv.Atoi(b)
	if !ok || err1 != nil || err2 != nil || n < 1 || n > maxShards || i < 1 || i > n {
		return Shard{}, fmt.Errorf("%q is not I/N with I from 1 to N", s)
	}
	return Shard{i, n}, nil
}

// Of returns the tasks of this part, in their order: those whose key, as a number,
// leaves the remainder I-1. With layers all garments of a body are in one part. A task
// is in exactly one of the N parts, wherever they are made, as long as files, options
// and program are the same there.
func (s Shard) Of(tasks []*Task) []*Task {
	if s.N <= 1 {
		return tasks
	}
	var out []*Task
	for _, t := range tasks {
		// The key is a SHA-256 in hexadecimal: any 64 bits of it are spread evenly.
		key := cmp.Or(t.group, t.Key)
		x, err := strconv.ParseUint(key[:min(16, len(key))], 16, 64)
		if err != nil {
			x = 0 // no key: in the first part
		}
		if x%uint64(s.N) == uint64(s.I-1) {
			out = append(out, t)
		}
	}
	return out
}

// statePath is the state file of this part, beside that of the whole.
func (s Shard) statePath(whole string) string {
	if s.N <= 1 {
		return whole
	}
	return fmt.Sprintf("%s.%dof%d.json", strings.TrimSuffix(whole, ".json"), s.I, s.N)
}
