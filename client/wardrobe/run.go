package wardrobe

// Running a plan: what is up to date is skipped, the rest computed, saved and
// recorded.

import (
	"cmp"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"sync"

	"golang.org/x/sync/errgroup"
)

// Runner runs plans. The zero value needs an Executor.
type Runner struct {
	Executor Executor
	// Shard is the part of the work to do; zero: all.
	Shard Shard
	// Force does again what is up to date. Verify reads the outputs' bytes where their
	// size and time would do.
	Force, Verify bool
	// Stop ends the run at the first failure.
	Stop bool
	// Finish, where not nil, ends the run when it is closed: nothing new is begun, and
	// what has begun here is finished, saved and recorded. Other executors than Local
	// are left at once.
	Finish <-chan struct{}
	// Finishing, where not nil, is told then how many tasks are being finished, where
	// there are any; from one goroutine at a time with Tell.
	Finishing func(tasks int)
	// Skip, where not nil, names tasks that are left waiting.
	Skip func(*Task) bool
	// Tell, where not nil, is told what happens, from one goroutine at a time.
	Tell func(Update)

	// busy, where not nil, names tasks that wait for files that are being written.
	busy func(*Task) bool
}

// Status of a task in a run.
type Status int

const (
	// Waiting: not done, because the run ended before.
	Waiting Status = iota
	// UpToDate: its output is there already.
	UpToDate
	// Made in this run.
	Made
	// Broken: it failed.
	Broken
	// Kept where it was computed, as the executor was asked to.
	Kept
)

func (s Status) String() string {
	return [...]string{"waiting", "up to date", "made", "failed", "left in the store"}[s]
}

// Item is what became of a task.
type Item struct {
	Task   *Task
	Status Status
	// Record of a task that is up to date or made.
	Record *Record
	// Err of a broken one.
	Err error
}

// Update is told while a plan runs: an item that has its final status, or what an
// executor tells (Started, Progress).
type Update struct {
	Item
	// Running is set with Started and Progress.
	Running bool
	Event   Event
	// Finished of All tasks have their final status.
	Finished, All int
}

// Outcome of a run: every task of the part, in the plan's order.
type Outcome struct {
	Items []Item
	// Notes are sentences on the order of layers that was found, and on rules for
	// conflicts of garments that the plan does not have.
	Notes []string
}

// Count the items with a status.
func (o *Outcome) Count(s Status) int {
	n := 0
	for i := range o.Items {
		if o.Items[i].Status == s {
			n++
		}
	}
	return n
}

// ChangedError says that a file changed between being hashed and being used: the
// result belongs to neither.
type ChangedError struct{ File string }

func (e *ChangedError) Error() string {
	return e.File + ": changed while the run was going; run again"
}

// Run does what is not up to date. Failures of single tasks are in the outcome; the
// error is one that no task is to blame for, ctx's included. The outcome is there
// in any case: what was finished is saved and recorded. A run that Finish ended before
// all was done returns context.Canceled.
func (r *Runner) Run(ctx context.Context, p *Plan) (*Outcome, error) {
	tasks := r.Shard.Of(p.Tasks)
	o := &Outcome{Items: make([]Item, len(tasks))}
	index := make(map[*Task]int, len(tasks))
	for i, t := range tasks {
		o.Items[i].Task = t
		index[t] = i
	}
	records := readPart(p.State, r.Shard.statePath(p.State))
	records.forget()

	// A task ends in settle, once.
	inner, cancel := context.WithCancel(ctx)
	defer cancel()
	begin, end := until(inner, r.Finish)
	defer end()
	var mu sync.Mutex
	finished := 0
	tell := func(u Update) {
		if u.Finished, u.All = finished, len(tasks); r.Tell != nil {
			r.Tell(u)
		}
	}
	settle := func(t *Task, s Status, record *Record, err error) {
		mu.Lock()
		defer mu.Unlock()
		item := &o.Items[index[t]]
		if item.Status != Waiting {
			return
		}
		item.Status, item.Record, item.Err = s, record, err
		finished++
		tell(Update{Item: *item})
		if s == Broken && r.Stop {
			cancel()
		}
	}

	if p.Layers == LayersFound {
		notes, err := findLayers(begin, tasks, records, r.busy)
		if err != nil {
			return o, cmp.Or(ctx.Err(), begin.Err(), err)
		}
		o.Notes = notes
	}
	o.Notes = append(o.Notes, p.idleRules()...)
	of := func(t *Task) *Item {
		i, ok := index[t]
		if !ok {
			return nil
		}
		mu.Lock()
		defer mu.Unlock()
		item := o.Items[i]
		return &item
	}
	var runErr error
	for _, wave := range waves(tasks) {
		todo := r.todo(begin, wave, records, of, settle)
		if len(todo) == 0 || begin.Err() != nil {
			continue
		}
		emit := func(e Event) {
			switch e.Kind {
			case Started, Progress:
				mu.Lock()
				defer mu.Unlock()
				item := o.Items[index[e.Task]]
				tell(Update{Item: item, Running: true, Event: e})
			case Done:
				record, err := save(inner, records, e.Task, e.Result)
				if err != nil {
					settle(e.Task, Broken, nil, err)
				} else {
					settle(e.Task, Made, &record, nil)
				}
			case Left:
				settle(e.Task, Kept, nil, nil)
			case Failed:
				if err := begin.Err(); err == nil || !errors.Is(e.Err, err) {
					settle(e.Task, Broken, nil, e.Err)
				}
			}
		}
		if local, ok := r.Executor.(*Local); ok {
			runErr = local.run(inner, begin, todo, emit, func(n int) {
				mu.Lock()
				defer mu.Unlock()
				if r.Finishing != nil {
					r.Finishing(n)
				}
			})
		} else {
			runErr = r.Executor.Run(begin, todo, emit)
		}
		if runErr != nil {
			break
		}
	}
	err := records.flush()
	switch {
	case ctx.Err() != nil:
		return o, ctx.Err()
	case begin.Err() != nil && inner.Err() == nil && o.Count(Waiting) > 0:
		return o, begin.Err()
	case runErr != nil && begin.Err() == nil:
		return o, runErr
	case err != nil:
		return o, fmt.Errorf("record what was written: %w", err)
	}
	return o, nil
}

// until returns a context that also ends when finish is closed, and what ends it.
func until(ctx context.Context, finish <-chan struct{}) (context.Context, context.CancelFunc) {
	ctx, end := context.WithCancel(ctx)
	if finish != nil {
		go func() {
			select {
			case <-finish:
				end()
			case <-ctx.Done():
			}
		}()
	}
	return ctx, end
}

// todo settles those tasks of a wave that need no computing, and returns the rest.
func (r *Runner) todo(ctx context.Context, wave []*Task, records *state, of func(*Task) *Item, settle func(*Task, Status, *Record, error)) []*Task {
	// What lies beneath them is done: the keys are complete.
	var tasks []*Task
	for _, t := range wave {
		if t.Err == nil {
			ready, err := t.dress(of)
			if err != nil {
				settle(t, Broken, nil, err)
			}
			if !ready || err != nil {
				continue
			}
		}
		tasks = append(tasks, t)
	}
	// What is there already? Reading outputs may take a while, so side by side.
	found := make([]*Record, len(tasks))
	if !r.Force {
		group := errgroup.Group{}
		group.SetLimit(runtime.GOMAXPROCS(0))
		for i, t := range tasks {
			group.Go(func() error {
				if t.Err == nil && ctx.Err() == nil {
					found[i] = records.find(t, r.Verify)
				}
				return nil
			})
		}
		_ = group.Wait() // no error comes from it
	}
	var todo []*Task
	for i, t := range tasks {
		skipped := r.Skip != nil && r.Skip(t) || r.busy != nil && r.busy(t)
		switch {
		case t.Err != nil && !skipped:
			settle(t, Broken, nil, t.Err)
		case found[i] != nil:
			if err := t.renewOwner(); err != nil {
				settle(t, Broken, nil, err)
				continue
			}
			settle(t, UpToDate, found[i], nil)
		case t.Err == nil && !skipped:
			if t.Pass != nil {
				t.Pass.force = r.Force
			}
			if t.Pass != nil && !r.Force {
				if err := records.lost(t); err != nil {
					settle(t, Broken, nil, err)
					continue
				}
			}
			todo = append(todo, t)
		}
	}
	return todo
}

// save writes and records a result, unless what it was made of has changed.
func save(ctx context.Context, records *state, t *Task, result *Result) (Record, error) {
	uses := [][]Stamp{t.Body.Files, t.Garment.Files, t.beneath}
	if result.From != nil {
		uses = append(uses, result.From.stamps) // an artist may save at any time
	}
	for _, list := range uses {
		for _, s := range list {
			if !stampOf(s.File).same(s) {
				return Record{}, &ChangedError{s.File}
			}
		}
	}
	if info, err := os.Stat(t.Output); err == nil && info.IsDir() {
		return Record{}, fmt.Errorf("write %s: is a folder", t.Output)
	}
	if err := os.MkdirAll(filepath.Dir(t.Output), 0o755); err != nil {
		return Record{}, fmt.Errorf("write %s: %w", t.Output, err)
	}
	missing, err := t.save(ctx, result)
	if err != nil {
		return Record{}, err
	}
	record, err := records.record(t, result, missing)
	if err != nil {
		return Record{}, err
	}
	records.put(record)
	return record, nil
}

// Low is the share of a record's vertices with low confidence, in percent.
func (r *Record) Low() float64 {
	if r.Summary.Vertices == 0 {
		return 0
	}
	return 100 * float64(r.Summary.LowConfidence) / float64(r.Summary.Vertices)
}

// Notes of a record: the summary's, and the images that were not found.
func (r *Record) Notes() []string {
	notes := append([]string(nil), r.Summary.Notes...)
	for _, m := range r.Missing {
		notes = append(notes, "the image "+m+" was not found beside the input; its reference was kept")
	}
	return notes
}

// ProgramVersion is the identity of this program for keys: version; for a build
// from a checkout that a version does not name (devel, dirty, unknown), also the
// SHA-256 of the executable.
func ProgramVersion(version string) (string, error) {
	if version != "" && version != "unknown" && !strings.Contains(version, "devel") && !strings.Contains(version, "dirty") {
		return version, nil
	}
	file, err := os.Executable()
	if err != nil {
		return "", fmt.Errorf("the program's own file: %w", err)
	}
	f, err := os.Open(file)
	if err != nil {
		return "", fmt.Errorf("the program's own file: %w", err)
	}
	defer f.Close()
	h := sha256.New()
	if _, err := io.Copy(h, f); err != nil {
		return "", fmt.Errorf("the program's own file: %w", err)
	}
	return version + " " + hex.EncodeToString(h.Sum(nil)), nil
}
