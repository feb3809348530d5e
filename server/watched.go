package server

import (
	"fmt"
	"os"
	"sync"
	"time"
)

// recheck is how often files are looked at for changes, at most.
const recheck = time.Second

// watched is a value read from files, read again when one of them changes. A
// change that cannot be read is logged and the old value stays. It is safe for
// concurrent use.
type watched[V any] struct {
	files []string
	load  func() (V, error)
	log   func(string, error)

	mu      sync.Mutex
	current V
	stamps  []stamp
	checked time.Time
}

type stamp struct {
	changed time.Time
	size    int64
}

// watch loads the value for the first time.
func watch[V any](files []string, load func() (V, error), log func(string, error)) (*watched[V], error) {
	w := &watched[V]{files: files, load: load, log: log, checked: time.Now()}
	w.stamps = w.look()
	var err error
	w.current, err = load()
	if err != nil {
		return nil, fmt.Errorf("read %v: %w", files, err)
	}
	return w, nil
}

func (w *watched[V]) look() []stamp {
	list := make([]stamp, len(w.files))
	for i, f := range w.files {
		if info, err := os.Stat(f); err == nil {
			list[i] = stamp{info.ModTime(), info.Size()}
		}
	}
	return list
}

// value returns the current value.
func (w *watched[V]) value() V {
	w.mu.Lock()
	defer w.mu.Unlock()
	if time.Since(w.checked) < recheck {
		return w.current
	}
	w.checked = time.Now()
	now := w.look()
	same := true
	for i := range now {
		same = same && now[i] == w.stamps[i]
	}
	if same {
		return w.current
	}
	// The stamps are kept also where the load fails: half-written files change
	// once more.
	w.stamps = now
	v, err := w.load()
	if err != nil {
		w.log("changed files cannot be used, the old ones stay in force", err)
		return w.current
	}
	w.current = v
	w.log("files read again", nil)
	return w.current
}
