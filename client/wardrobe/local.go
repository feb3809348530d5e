package wardrobe

// The local executor: as many garments at once as memory and processors allow.

import (
	"context"
	"fmt"
	"runtime"
	"slices"
	"sync"
	"time"

	"golang.org/x/sync/semaphore"

	"github.com/selvage/selvage/transfer"
	"github.com/selvage/selvage/transfer/gltfio"
)

// Local computes here. The zero value works.
type Local struct {
	// Memory bounds, by estimate and in bytes, the bodies that are prepared and the
	// garments that are computed at the same time. Zero: DefaultMemory.
	Memory int64
	// Jobs bounds the garments computed at the same time. Zero: Threads.
	Jobs int
	// Threads of all garments together. Zero: GOMAXPROCS.
	Threads int

	// observe, where not nil, is told what is held; for tests.
	observe func(bytes int64, jobs int)
}

// MemoryError says that a task never fits.
type MemoryError struct {
	Task         string
	Needs, Limit int64
}

func (e *MemoryError) Error() string {
	return fmt.Sprintf("%s: needs about %d MiB by estimate, more than the %d MiB of --memory", e.Task, (e.Needs+1<<20-1)>>20, e.Limit>>20)
}

// verticesPerThread is how many vertices are given a thread of their own: smaller
// garments fill the processors side by side. A judgement, not a measurement; no
// result depends on it.
const verticesPerThread = 20000

// threadsFor is how many of all threads a garment of n vertices gets while rest
// garments, itself included, are still to be started.
func threadsFor(n, all, rest int) int {
	byRest := all / max(1, rest) // at the end few garments share what there is
	return min(all, max(1, n/verticesPerThread, byRest))
}

// held counts memory and jobs.
type held struct {
	mu    sync.Mutex
	bytes int64
	jobs  int
	tell  func(int64, int)
}

func (h *held) add(bytes int64, jobs int) {
	h.mu.Lock()
	defer h.mu.Unlock()
	h.bytes += bytes
	h.jobs += jobs
	if h.tell != nil {
		h.tell(h.bytes, h.jobs)
	}
}

// Run computes the tasks body after body, each body's largest garments first.
//
// One goroutine admits, in that order: it waits for memory, for a job and for
// threads, then starts the task. All it waits for is held by tasks that run and
// need nothing more, so it cannot lock up; and since a body is admitted only when
// all tasks of the one before have been started, at most two are held.
func (l *Local) Run(ctx context.Context, tasks []*Task, emit func(Event)) error {
	return l.run(ctx, ctx, tasks, emit, nil)
}

// run is Run which begins nothing more when begin ends, before ctx of which it comes,
// and finishes what has begun. finishing, where not nil, is told then how many tasks
// that are, where there are any.
func (l *Local) run(ctx, begin context.Context, tasks []*Task, emit func(Event), finishing func(int)) error {
	limit, threads := l.Memory, l.Threads
	if limit <= 0 {
		limit = DefaultMemory()
	}
	if threads <= 0 {
		threads = runtime.GOMAXPROCS(0)
	}
	jobs := l.Jobs
	if jobs <= 0 {
		jobs = threads
	}
	run := &localRun{
		ctx: ctx, emit: emit, limit: limit, threads: threads,
		memory: semaphore.NewWeighted(limit), slots: semaphore.NewWeighted(int64(jobs)), processors: semaphore.NewWeighted(int64(threads)),
		held: held{tell: l.observe}, rest: len(tasks),
	}
	told := make(chan struct{})
	stop := context.AfterFunc(begin, func() {
		defer close(told)
		if n := run.begun(); n > 0 && finishing != nil && ctx.Err() == nil {
			finishing(n)
		}
	})
	defer func() {
		run.running.Wait()
		if !stop() {
			<-told
		}
	}()
	for _, group := range byBody(tasks) {
		if err := run.body(begin, group); err != nil {
			return err
		}
	}
	run.running.Wait()
	return ctx.Err()
}

// byBody groups tasks by body in the order in which bodies come, the largest first
// within each.
func byBody(tasks []*Task) [][]*Task {
	var groups [][]*Task
	at := map[*Source]int{}
	for _, t := range tasks {
		i, ok := at[t.Body]
		if !ok {
			i = len(groups)
			at[t.Body] = i
			groups = append(groups, nil)
		}
		groups[i] = append(groups[i], t)
	}
	for _, g := range groups {
		slices.SortStableFunc(g, func(a, b *Task) int { return b.Vertices - a.Vertices })
	}
	return groups
}

type localRun struct {
	ctx     context.Context // of what has begun; methods have the one of beginning
	emit    func(Event)
	limit   int64
	threads int
	rest    int // tasks not started

	memory, slots, processors *semaphore.Weighted
	held                      held
	running                   sync.WaitGroup

	mu       sync.Mutex
	computed int // tasks that have begun and not ended
}

// begin counts a task that begins, unless ctx is done.
func (r *localRun) begin(ctx context.Context) error {
	r.mu.Lock()
	defer r.mu.Unlock()
	if err := ctx.Err(); err != nil {
		return err
	}
	r.computed++
	return nil
}

func (r *localRun) end() {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.computed--
}

// begun is the number of tasks that have begun and not ended.
func (r *localRun) begun() int {
	r.mu.Lock()
	defer r.mu.Unlock()
	return r.computed
}

func (r *localRun) acquire(ctx context.Context, bytes int64) error {
	if err := r.memory.Acquire(ctx, bytes); err != nil {
		return err
	}
	r.held.add(bytes, 0)
	return nil
}

func (r *localRun) release(bytes int64) {
	r.held.add(-bytes, 0)
	r.memory.Release(bytes)
}

// body prepares a body and starts its tasks.
func (r *localRun) body(ctx context.Context, group []*Task) error {
	first := group[0]
	// Preparing takes about as much again as what is prepared.
	once, kept := max(1, 2*first.BodyBytes), max(1, first.BodyBytes)
	if once > r.limit {
		for _, t := range group {
			r.rest--
			r.emit(Event{Task: t, Kind: Failed, Err: &MemoryError{"body " + t.Body.Name, once, r.limit}})
		}
		return nil
	}
	if err := r.acquire(ctx, once); err != nil {
		return err
	}
	body, err := prepare(ctx, first.Body, r.threads)
	r.release(once - kept)
	if err != nil {
		r.release(kept)
		if ctx.Err() != nil {
			return ctx.Err()
		}
		for _, t := range group {
			r.rest--
			r.emit(Event{Task: t, Kind: Failed, Err: err})
		}
		return nil
	}
	// The body goes when the last of its tasks has ended.
	var users sync.WaitGroup
	users.Add(1)
	r.running.Add(1)
	go func() {
		defer r.running.Done()
		users.Wait()
		r.release(kept)
	}()
	defer users.Done()
	for _, t := range group {
		if err := r.start(ctx, t, body, kept, &users); err != nil {
			return err
		}
	}
	return nil
}

// prepare reads a body. A panic fails the body alone.
func prepare(ctx context.Context, s *Source, threads int) (b *transfer.AssetBody, err error) {
	defer func() {
		if p := recover(); p != nil {
			err = fmt.Errorf("body %s: %v", s.Name, p)
		}
	}()
	asset, err := gltfio.Open(s.File, gltfio.Options{AllowExternal: true})
	if err != nil {
		return nil, err
	}
	return transfer.PrepareAsset(ctx, asset, gltfio.Selection{Names: s.Meshes}, threads)
}

// start waits for room and computes a task beside the others.
func (r *localRun) start(ctx context.Context, t *Task, body *transfer.AssetBody, kept int64, users *sync.WaitGroup) error {
	threads := threadsFor(t.Vertices, r.threads, r.rest)
	if n := t.Options.Threads; n > 0 {
		threads = min(threads, n)
	}
	r.rest--
	bytes := max(1, t.Bytes) + t.layerBytes()
	if kept+bytes > r.limit {
		r.emit(Event{Task: t, Kind: Failed, Err: &MemoryError{t.Name, kept + bytes, r.limit}})
		return nil
	}
	if err := r.slots.Acquire(ctx, 1); err != nil {
		return err
	}
	if err := r.processors.Acquire(ctx, int64(threads)); err != nil {
		r.slots.Release(1)
		return err
	}
	if err := r.acquire(ctx, bytes); err != nil {
		r.processors.Release(int64(threads))
		r.slots.Release(1)
		return err
	}
	if err := r.begin(ctx); err != nil {
		r.release(bytes)
		r.processors.Release(int64(threads))
		r.slots.Release(1)
		return err
	}
	r.held.add(0, 1)
	users.Add(1)
	r.running.Add(1)
	go func() {
		defer r.running.Done()
		defer users.Done()
		defer func() {
			r.end()
			r.held.add(0, -1)
			r.release(bytes)
			r.processors.Release(int64(threads))
			r.slots.Release(1)
		}()
		r.emit(Event{Task: t, Kind: Started})
		result, err := compute(r.ctx, t, body, threads, r.emit)
		if err != nil {
			r.emit(Event{Task: t, Kind: Failed, Err: err})
			return
		}
		r.emit(Event{Task: t, Kind: Done, Result: result})
	}()
	return nil
}

// compute runs one transfer. A panic fails the task alone.
func compute(ctx context.Context, t *Task, body *transfer.AssetBody, threads int, emit func(Event)) (result *Result, err error) {
	defer func() {
		if p := recover(); p != nil {
			result, err = nil, fmt.Errorf("%s: %v", t.Name, p)
		}
	}()
	began := time.Now()
	garment, err := gltfio.Open(t.Garment.File, gltfio.Options{AllowExternal: true})
	if err != nil {
		return nil, err
	}
	opt := t.Options
	opt.Threads = threads
	opt.Progress = func(stage transfer.Stage, share float64) {
		emit(Event{Task: t, Kind: Progress, Stage: stage, Share: share})
	}
	if body, err = t.wear(ctx, body, threads); err != nil {
		return nil, err
	}
	result, err = t.transfer(ctx, body, garment, opt)
	if err == nil {
		result.Elapsed = time.Since(began)
	}
	return result, err
}
