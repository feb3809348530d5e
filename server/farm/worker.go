package farm

import (
	"context"
	"crypto/sha256"
	"encoding/base64"
	"errors"
	"fmt"
	"log/slog"
	"math/rand/v2"
	"os"
	"runtime"
	"runtime/debug"
	"strings"
	"sync"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
	"github.com/nats-io/nuid"
	"github.com/prometheus/client_golang/prometheus"
	pb "github.com/selvage/selvage/api/selvage/v1"
	"github.com/selvage/selvage/server/internal/bodycache"
	"github.com/selvage/selvage/transfer"
	"golang.org/x/mod/semver"
	"golang.org/x/sync/semaphore"
	"google.golang.org/protobuf/proto"
)

// WorkerConfig of a worker. The zero value works.
type WorkerConfig struct {
	// Name in statuses and logs. Empty: the machine's name, the process's number and
	// a random word; names must differ.
	Name string
	// Tasks that compute at the same time. Zero: GOMAXPROCS.
	Tasks int
	// Threads of one task. Zero: GOMAXPROCS / Tasks, at least 1. No result depends
	// on it.
	Threads int
	// WorkBytes bounds the memory of tasks, by estimate. Zero: 4 GiB.
	WorkBytes int64
	// BodyBytes bounds the prepared bodies kept, by estimate. Zero: 1 GiB.
	BodyBytes int64
	// FileBytes bounds the assets kept in memory. Zero: 256 MiB.
	FileBytes int64
	// MaxTries of a task that fails for no reason of its own, a crash among them.
	// Zero: 5.
	MaxTries int
	// RetryDelay before the second try; it doubles with each. Zero: 1 s.
	RetryDelay time.Duration
	// RefuseDelay is the measure of how long a refused task stays away: about an eighth
	// of it at first, twice as long every fourth time, four times it at most. Zero: 10 s.
	RefuseDelay time.Duration
	// Grace is how long running tasks may go on after a stop; those that are not
	// done then are given back. Zero: 1 minute.
	Grace time.Duration

	// schema that this worker knows, for tests. Zero: Schema.
	schema int32
	// before is called when a task has begun and not been computed, for tests.
	before func(ctx context.Context, q *pb.QueuedTask)
}

func (c WorkerConfig) withDefaults() (WorkerConfig, error) {
	for _, x := range []struct {
		name  string
		value int64
	}{
		{"tasks", int64(c.Tasks)}, {"threads", int64(c.Threads)}, {"work-bytes", c.WorkBytes}, {"body-bytes", c.BodyBytes}, {"file-bytes", c.FileBytes},
		{"max-tries", int64(c.MaxTries)}, {"retry-delay", int64(c.RetryDelay)}, {"refuse-delay", int64(c.RefuseDelay)}, {"grace", int64(c.Grace)},
	} {
		if x.value < 0 {
			return c, &ConfigError{x.name, "is negative"}
		}
	}
	if c.Name == "" {
		host, _ := os.Hostname()
		c.Name = fmt.Sprintf("%s-%d-%s", host, os.Getpid(), nuid.Next()[:8])
	}
	set(&c.Tasks, runtime.GOMAXPROCS(0))
	set(&c.Threads, max(1, runtime.GOMAXPROCS(0)/c.Tasks))
	set(&c.WorkBytes, 4<<30)
	set(&c.BodyBytes, 1<<30)
	set(&c.FileBytes, 256<<20)
	set(&c.MaxTries, 5)
	set(&c.RetryDelay, time.Second)
	set(&c.RefuseDelay, 10*time.Second)
	set(&c.Grace, time.Minute)
	set(&c.schema, Schema)
	return c, nil
}

// set gives *v its default where it is zero.
func set[T comparable](v *T, byDefault T) {
	var zero T
	if *v == zero {
		*v = byDefault
	}
}

// refused is a task that a worker has left to others.
type refused struct {
	generation int64
	// why the message itself was refused; empty: for its memory.
	why string
	// prepared says whether its body was in memory then, where it was for its memory.
	prepared bool
}

const (
	// maxRefused is how many refused tasks a worker remembers.
	maxRefused = 100_000
	// firstRefuseShare of RefuseDelay is how long a refused task stays away first, and
	// how long a worker rests at most when it has refused all that was to be had. The
	// delay doubles with every refuseDoubling deliveries, maxRefuseDoublings times: a
	// worker that takes what others refuse should be offered it soon, also while it
	// computes, and for as long as there is none the queue should have little to do.
	firstRefuseShare   = 8
	refuseDoubling     = 4
	maxRefuseDoublings = 5
)

// held is a task that a worker has.
type held struct {
	generation int64
	cancel     context.CancelFunc
}

// Worker takes tasks from the queue and computes them.
type Worker struct {
	farm     *Farm
	config   WorkerConfig
	computer *computer
	// finishing bounds the results that are on their way into the store.
	finishing *semaphore.Weighted
	count     *counters
	log       *slog.Logger

	mu        sync.Mutex
	holding   map[string]held  // by subject of the task
	cancelled map[string]int64 // last cancelled generation by job
	refused   map[string]refused
	// refusing is set from a refusal to the next task that is done.
	refusing bool
	// pause is how long to wait before pulling again, and grows while the store is
	// full or out of reach.
	pause time.Duration
}

// NewWorker checks the configuration. Errors: *ConfigError.
func NewWorker(f *Farm, c WorkerConfig) (*Worker, error) {
	c, err := c.withDefaults()
	if err != nil {
		return nil, err
	}
	count := newCounters()
	return &Worker{
		farm: f, config: c, count: count, log: f.config.Log.With("worker", c.Name),
		holding: map[string]held{}, cancelled: map[string]int64{}, refused: map[string]refused{}, finishing: semaphore.NewWeighted(int64(c.Tasks) + 1),
		computer: &computer{
			farm: f, threads: c.Threads, count: count,
			most: c.WorkBytes, memory: semaphore.NewWeighted(c.WorkBytes),
			tasks: int64(c.Tasks), slots: semaphore.NewWeighted(int64(c.Tasks)),
			bodies: bodycache.New[*transfer.AssetBody](c.BodyBytes), files: bodycache.New[[]byte](c.FileBytes),
		},
	}, nil
}

// Collectors are the worker's metrics.
func (w *Worker) Collectors() []prometheus.Collector { return w.count.collectors() }

// pullWait is how long one request for a task waits.
const pullWait = 10 * time.Second

// Run computes tasks until ctx ends, then finishes what it has begun, within the
// grace period, and gives the rest back. It returns nil after such a stop, an
// error where the farm could not be reached for longer than its patience.
func (w *Worker) Run(ctx context.Context) error {
	// hard ends what still runs after the grace period.
	hard, endHard := context.WithCancel(context.WithoutCancel(ctx))
	defer endHard()
	var wg sync.WaitGroup
	watching, endWatch := context.WithCancel(hard)
	wg.Go(func() { w.watchCancels(watching) })
	defer wg.Wait()
	defer endWatch()

	// One more than compute: its input is fetched meanwhile. What has been computed
	// is put while the next ones compute.
	room := semaphore.NewWeighted(int64(w.config.Tasks) + 1)
	w.log.Info("working", "tasks", w.config.Tasks, "threads", w.config.Threads, "version", w.farm.config.Version)
	var held sync.WaitGroup
	for ctx.Err() == nil {
		if room.Acquire(ctx, 1) != nil || w.rest(ctx) != nil {
			break
		}
		msg, err := w.next(ctx)
		if err != nil || msg == nil {
			room.Release(1)
			if err != nil {
				w.log.Warn("no task can be had from the farm", "error", err)
				w.slow(time.Second)
			}
			continue
		}
		held.Go(func() {
			leave := sync.OnceFunc(func() { room.Release(1) })
			defer leave()
			w.handle(ctx, hard, msg, leave)
		})
	}
	w.log.Info("stopping", "grace", w.config.Grace)
	grace := time.AfterFunc(w.config.Grace, endHard)
	defer grace.Stop()
	held.Wait()
	_ = w.farm.nc.FlushTimeout(tryTime) // what was given back is on its way
	w.log.Info("stopped")
	return nil
}

// next pulls a task, nil where there is none for a while.
//
// The queue offers tasks that come back before new ones. So those that this worker
// has refused before go back at once, without taking room, until one comes that it
// takes. From its first refusal to the next task that it has done it does not wait in
// the queue's line: it looks now and then for what is left lying, so that what comes
// back goes to others that wait for it.
func (w *Worker) next(ctx context.Context) (jetstream.Msg, error) {
	rest, most := w.config.RefuseDelay/64, w.config.RefuseDelay/firstRefuseShare
	for {
		wait := !w.isRefusing()
		msg, err := w.pullOne(ctx, wait)
		switch {
		case err != nil || ctx.Err() != nil:
			return msg, err
		case msg != nil:
			if !w.passOver(msg) {
				return msg, nil
			}
		case wait:
			return nil, nil
		default:
			if pause(ctx, rest) != nil {
				return nil, nil
			}
			rest = min(2*rest, most)
		}
	}
}

func (w *Worker) isRefusing() bool {
	w.mu.Lock()
	defer w.mu.Unlock()
	return w.refusing
}

// pullOne pulls a message, nil where there is none: for a while, or now.
func (w *Worker) pullOne(ctx context.Context, wait bool) (msg jetstream.Msg, err error) {
	if wait {
		pulling, cancel := context.WithTimeout(ctx, pullWait)
		defer cancel()
		msg, err = w.farm.pull.Next(jetstream.FetchContext(pulling))
	} else {
		var batch jetstream.MessageBatch
		if batch, err = w.farm.pull.FetchNoWait(1); err == nil {
			msg = <-batch.Messages()
			if err = batch.Error(); msg != nil {
				err = nil
			}
		}
	}
	switch {
	case err == nil:
		return msg, nil
	case ctx.Err() != nil, errors.Is(err, nats.ErrTimeout), errors.Is(err, context.DeadlineExceeded), errors.Is(err, jetstream.ErrNoMessages):
		return nil, nil
	case errors.Is(err, jetstream.ErrConsumerDeleted), errors.Is(err, jetstream.ErrConsumerNotFound):
		return nil, w.farm.ensureConsumer(ctx)
	}
	return nil, err
}

// passOver gives back a task that this worker has refused before and would again.
func (w *Worker) passOver(msg jetstream.Msg) bool {
	q := &pb.QueuedTask{}
	if proto.Unmarshal(msg.Data(), q) != nil {
		return false
	}
	why := w.refusal(q)
	w.mu.Lock()
	last, ok := w.refused[msg.Subject()]
	w.mu.Unlock()
	if !ok || last.generation != q.GetGeneration() || last.why != why ||
		why == "" && last.prepared != w.computer.bodies.Has(bodyKey(q.GetTask())) {
		return false
	}
	w.count.tasks.WithLabelValues("refused").Inc()
	w.refer(msg)
	return true
}

// refer gives a refused task back, for a time that grows with its deliveries.
func (w *Worker) refer(msg jetstream.Msg) {
	w.mu.Lock()
	w.refusing = true
	w.mu.Unlock()
	delay := w.config.RefuseDelay / firstRefuseShare
	if meta, err := msg.Metadata(); err == nil && meta.NumDelivered > 1 {
		delay <<= min((meta.NumDelivered-1)/refuseDoubling, maxRefuseDoublings)
	}
	// Not all at once: another worker takes as many at a time as it has slots.
	_ = msg.NakWithDelay(delay/4*3 + rand.N(delay/2+1))
}

// remember notes that a task was refused.
func (w *Worker) remember(subject string, r refused) {
	w.mu.Lock()
	defer w.mu.Unlock()
	if len(w.refused) >= maxRefused {
		clear(w.refused) // each is refused the long way once more
	}
	w.refused[subject] = r
}

// slow makes the worker rest before it pulls again: d at first, twice as long each
// time until a task goes well.
func (w *Worker) slow(d time.Duration) {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.pause = min(max(d, 2*w.pause), w.config.RefuseDelay)
}

// well ends the rests, of which none is needed where a task goes well.
func (w *Worker) well() {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.pause, w.refusing = 0, false
}

func (w *Worker) rest(ctx context.Context) error {
	w.mu.Lock()
	d := w.pause
	w.mu.Unlock()
	return pause(ctx, d)
}

// pause waits for d, or until ctx ends, whose error it returns.
func pause(ctx context.Context, d time.Duration) error {
	if d == 0 {
		return ctx.Err()
	}
	timer := time.NewTimer(d)
	defer timer.Stop()
	select {
	case <-timer.C:
	case <-ctx.Done():
	}
	return ctx.Err()
}

// watchCancels keeps the set of cancelled jobs and breaks off their tasks.
func (w *Worker) watchCancels(ctx context.Context) {
	for ctx.Err() == nil {
		err := w.watchCancelsOnce(ctx)
		if err != nil && ctx.Err() == nil {
			w.log.Debug("watch jobs", "error", err)
			select {
			case <-time.After(time.Second):
			case <-ctx.Done():
			}
		}
	}
}

func (w *Worker) watchCancelsOnce(ctx context.Context) error {
	watch, err := w.farm.jobs.Watch(ctx, jobKey("*"), jetstream.IgnoreDeletes())
	if err != nil {
		return err
	}
	defer watch.Stop()
	for {
		select {
		case e, ok := <-watch.Updates():
			if !ok {
				return errors.New("the watch ended")
			}
			if e == nil {
				continue
			}
			var j pb.Job
			if proto.Unmarshal(e.Value(), &j) != nil || j.GetCancelledGeneration() == 0 {
				continue
			}
			w.cancelJob(strings.TrimPrefix(j.GetName(), "jobs/"), j.GetCancelledGeneration())
		case <-ctx.Done():
			return ctx.Err()
		}
	}
}

func (w *Worker) cancelJob(id string, generation int64) {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.cancelled[id] = generation
	for subject, h := range w.holding {
		if h.generation <= generation && strings.HasPrefix(subject, w.farm.subject(id, "")) {
			h.cancel()
		}
	}
}

func (w *Worker) isCancelled(q *pb.QueuedTask) bool {
	w.mu.Lock()
	defer w.mu.Unlock()
	return w.cancelled[q.GetJob()] >= q.GetGeneration()
}

// hold notes that this worker has a task. False: it has it already, the farm
// offers it again because its claim was not heard in time.
func (w *Worker) hold(subject string, h held) bool {
	w.mu.Lock()
	defer w.mu.Unlock()
	if _, ok := w.holding[subject]; ok {
		return false
	}
	w.holding[subject] = h
	return true
}

func (w *Worker) letGo(subject string) {
	w.mu.Lock()
	defer w.mu.Unlock()
	delete(w.holding, subject)
}

// claim is a task that this worker has.
type claim struct {
	w   *Worker
	msg jetstream.Msg
	q   *pb.QueuedTask
	log *slog.Logger
	// computed lets the worker take another task.
	computed func()
	// status of the task. While this claim stands others seldom write there.
	status known[*pb.TaskStatus]
}

// statusKey is where the task's status is.
func (c *claim) statusKey() string { return taskKey(c.q.GetJob(), c.q.GetKey()) }

// history reads the task's status, unless it can have none yet.
func (c *claim) history(ctx context.Context) (err error) {
	meta, err := c.msg.Metadata()
	if err != nil || meta.NumDelivered > 1 || c.q.GetGeneration() > 1 {
		c.status.revision, err = entry(ctx, c.w.farm, c.statusKey(), c.status.m)
	}
	c.status.sure = err == nil
	return err
}

// handle takes a task to its end. stopping ends at a drain, hard when the grace
// period is over; computed is called when another may take its place.
func (w *Worker) handle(stopping, hard context.Context, msg jetstream.Msg, computed func()) {
	ctx, cancel := context.WithCancel(hard)
	defer cancel()
	c := &claim{w: w, msg: msg, q: &pb.QueuedTask{}, log: w.log, computed: computed, status: known[*pb.TaskStatus]{m: &pb.TaskStatus{}}}
	if err := proto.Unmarshal(msg.Data(), c.q); err != nil {
		c.unreadable(ctx, err)
		return
	}
	if !w.hold(msg.Subject(), held{c.q.GetGeneration(), cancel}) {
		_ = msg.NakWithDelay(w.farm.config.AckWait)
		return
	}
	defer w.letGo(msg.Subject())
	defer c.keep()()
	c.log = w.log.With("task", TaskName(c.q.GetJob(), c.q.GetKey()), "name", c.q.GetTask().GetDisplayName())
	if why := w.refusal(c.q); why != "" {
		w.remember(msg.Subject(), refused{generation: c.q.GetGeneration(), why: why})
		c.refuse(ctx, why)
		return
	}
	err := c.work(ctx, stopping)
	var refusal *refusalError
	var fault *faultError
	switch {
	case err == nil:
		w.well()
	case w.isCancelled(c.q):
		c.cancelled(context.WithoutCancel(ctx))
	case errors.As(err, &refusal):
		w.remember(msg.Subject(), refused{generation: c.q.GetGeneration(), prepared: refusal.prepared})
		c.refuse(ctx, refusal.what)
	case errors.As(err, &fault):
		c.fail(ctx, fault.Error())
	case stopping.Err() != nil || hard.Err() != nil:
		c.giveBack(context.WithoutCancel(ctx))
	default:
		// The farm's fault, not the task's: the store is full or out of reach.
		c.log.Warn("given back", "error", err)
		w.count.tasks.WithLabelValues("given back").Inc()
		w.slow(w.config.RetryDelay)
		// Without a word in its status the next worker would count this as a try: the
		// task stays here until the store takes the word, or this worker stops.
		for c.release(ctx) != nil && stopping.Err() == nil {
			select {
			case <-stopping.Done():
			case <-time.After(w.config.RetryDelay):
			}
		}
		_ = msg.NakWithDelay(w.config.RetryDelay)
	}
}

// refusal says why this worker must leave a task to a newer one, empty: it need
// not. Versions that are no semantic versions have no order: only the same
// version takes their tasks.
func (w *Worker) refusal(q *pb.QueuedTask) string {
	mine, theirs := w.farm.config.Version, q.GetVersion()
	switch {
	case q.GetSchema() > w.config.schema:
		return fmt.Sprintf("the message has schema %d, this worker knows %d", q.GetSchema(), w.config.schema)
	case unknownFields(q) || unknownFields(q.GetTask()) || unknownFields(q.GetTask().GetOptions()) || unknownMore(q.GetTask()):
		return "the message has fields that this worker does not know"
	case mine == theirs:
		return ""
	case !semver.IsValid(mine) || !semver.IsValid(theirs):
		return fmt.Sprintf("the task is of version %s, this worker is %s", theirs, mine)
	case semver.Compare(mine, theirs) < 0:
		return fmt.Sprintf("the task is of version %s, this worker is the older %s", theirs, mine)
	}
	return ""
}

func unknownFields(m proto.Message) bool { return len(m.ProtoReflect().GetUnknown()) > 0 }

// unknownMore is unknownFields of a task's pass and layers.
func unknownMore(t *pb.JobTask) bool {
	p := t.GetPass()
	if unknownFields(p) || unknownFields(p.GetPolicy()) {
		return true
	}
	for _, r := range p.GetPolicy().GetRules() {
		if unknownFields(r) {
			return true
		}
	}
	for _, l := range t.GetLayers() {
		if unknownFields(l) {
			return true
		}
	}
	return false
}

// keep tells the farm that the claim stands until the function that it returns is
// called.
func (c *claim) keep() func() {
	ended := make(chan struct{})
	var wg sync.WaitGroup
	wg.Go(func() {
		ticker := time.NewTicker(c.w.farm.config.AckWait / 3)
		defer ticker.Stop()
		for {
			select {
			case <-ticker.C:
				_ = c.msg.InProgress() // lost with the connection: the next one tells
			case <-ended:
				return
			}
		}
	})
	return func() {
		close(ended)
		wg.Wait()
	}
}

// work computes the task, or finds its result, and finishes it.
func (c *claim) work(ctx, stopping context.Context) error {
	w := c.w
	if w.isCancelled(c.q) {
		return context.Canceled
	}
	// The key says what version decides the bytes: this worker's, whatever the message
	// has.
	key, err := workKey(c.q.GetTask(), w.farm.config.Version)
	if err != nil {
		return &faultError{err}
	}
	if result, err := w.farm.found(ctx, key); err != nil {
		return err
	} else if result != nil {
		w.count.tasks.WithLabelValues("found").Inc()
		return c.done(ctx, result)
	}
	if err := c.history(ctx); err != nil {
		return err
	}
	l, err := w.computer.load(ctx, c.q.GetTask())
	var missing *AssetError
	if errors.As(err, &missing) {
		// Perhaps only not yet on the server that was asked: a try.
		if err := c.begin(ctx); err != nil {
			return err
		}
		return c.failedTry(ctx, missing.Error())
	}
	if err != nil {
		return err
	}
	// A task that was begun before and never heard of again may have taken its
	// worker with it. It runs alone, so that no other is blamed for its next crash.
	last := c.status.m
	suspect := last.GetGeneration() == c.q.GetGeneration() && last.GetState() == pb.TaskState_TASK_STATE_RUNNING
	release, err := w.acquire(ctx, stopping, l, suspect)
	if err != nil {
		return err
	}
	defer release()
	if err := c.begin(ctx); err != nil {
		return err
	}
	c.log.Debug("begun")
	done, err := c.compute(ctx, l)
	release()
	var crash *panicError
	if errors.As(err, &crash) {
		return c.failedTry(ctx, crash.Error())
	}
	if err != nil {
		return err
	}
	// Results that wait for the store are bounded: then no more is computed.
	if err := w.finishing.Acquire(ctx, 1); err != nil {
		return err
	}
	defer w.finishing.Release(1)
	c.computed()
	result := done.result(key, w.farm.config.Version)
	if err := w.farm.putResult(ctx, result, done.garment, done.record); err != nil {
		return err
	}
	w.count.bytesOut.Add(float64(len(done.garment) + len(done.record)))
	w.count.tasks.WithLabelValues("done").Inc()
	return c.done(ctx, result)
}

// acquire is the computer's, given up also where the worker stops: what has not
// begun then goes back.
func (w *Worker) acquire(ctx, stopping context.Context, l *loaded, alone bool) (func(), error) {
	either, cancel := context.WithCancel(ctx)
	defer cancel()
	defer context.AfterFunc(stopping, cancel)()
	release, err := w.computer.acquire(either, l, alone)
	if err != nil {
		return nil, err
	}
	return sync.OnceFunc(release), nil
}

// panicError is a panic in the core.
type panicError struct{ value any }

func (e *panicError) Error() string { return fmt.Sprintf("panic: %v", e.value) }

// compute catches panics: they count as a try, as a crash does.
func (c *claim) compute(ctx context.Context, l *loaded) (done *computed, err error) {
	defer func() {
		if p := recover(); p != nil {
			c.log.Error("panic in a task", "panic", p, "stack", string(debug.Stack()))
			err = &panicError{p}
		}
	}()
	if c.w.config.before != nil {
		c.w.config.before(ctx, c.q)
	}
	return c.w.computer.compute(ctx, l)
}

// edit changes the task's status, unless it is done, or a later generation has it.
func (c *claim) edit(ctx context.Context, f func(s *pb.TaskStatus) (bool, error)) error {
	return changeKnown(ctx, c.w.farm, c.statusKey(), &c.status, func(s *pb.TaskStatus, _ bool) (bool, error) {
		if s.GetState() == pb.TaskState_TASK_STATE_DONE || s.GetGeneration() > c.q.GetGeneration() {
			return false, nil
		}
		if s.GetGeneration() < c.q.GetGeneration() {
			proto.Reset(s)
			s.Name, s.Generation = TaskName(c.q.GetJob(), c.q.GetKey()), c.q.GetGeneration()
			s.State = pb.TaskState_TASK_STATE_QUEUED
		}
		return f(s)
	})
}

// begin counts a try. Errors: *faultError where there were too many.
func (c *claim) begin(ctx context.Context) error {
	begun := false
	return c.edit(ctx, func(s *pb.TaskStatus) (bool, error) {
		mine := s.GetWorker() == c.w.config.Name && s.GetState() == pb.TaskState_TASK_STATE_RUNNING
		if begun && mine {
			return false, nil // written, though the answer was lost
		}
		if int(s.GetTries()) >= c.w.config.MaxTries {
			last := s.GetError()
			if s.GetState() == pb.TaskState_TASK_STATE_RUNNING {
				last = "worker " + s.GetWorker() + " was not heard of again"
			}
			return false, &faultError{fmt.Errorf("given up after %d tries; the last: %s", s.GetTries(), last)}
		}
		s.Tries++
		s.State, s.Worker, s.Refusal = pb.TaskState_TASK_STATE_RUNNING, c.w.config.Name, ""
		begun = true
		return true, nil
	})
}

// done writes that the result is in the store, and acknowledges.
func (c *claim) done(ctx context.Context, result *pb.TaskResult) error {
	err := c.edit(ctx, func(s *pb.TaskStatus) (bool, error) {
		s.State, s.Worker, s.Error, s.Refusal, s.Result = pb.TaskState_TASK_STATE_DONE, c.w.config.Name, "", "", result
		return true, nil
	})
	if err != nil {
		return err
	}
	c.acknowledge(ctx)
	return nil
}

// acknowledge takes the message out of the queue. Where that is lost the task
// comes again, and its result is found.
func (c *claim) acknowledge(ctx context.Context) {
	limited, cancel := context.WithTimeout(ctx, tryTime)
	defer cancel()
	if err := c.msg.DoubleAck(limited); err != nil {
		c.log.Debug("acknowledge", "error", err)
	}
}

// refuse leaves the task to others, without a try.
func (c *claim) refuse(ctx context.Context, why string) {
	c.log.Warn("refused", "why", why)
	c.w.count.tasks.WithLabelValues("refused").Inc()
	why = "worker " + c.w.config.Name + ": " + why
	err := c.edit(ctx, func(s *pb.TaskStatus) (bool, error) {
		changed := s.GetRefusal() != why
		s.Refusal = why
		return changed, nil
	})
	if err != nil {
		c.log.Debug("refuse", "error", err)
	}
	c.w.refer(c.msg)
}

// fail gives the task up: to the dead letters, then into its status, then out of
// the queue.
func (c *claim) fail(ctx context.Context, why string) {
	c.log.Error("given up", "error", why)
	c.w.count.tasks.WithLabelValues("failed").Inc()
	var status *pb.TaskStatus
	failed := func(s *pb.TaskStatus) {
		s.State, s.Worker, s.Error = pb.TaskState_TASK_STATE_FAILED, c.w.config.Name, why
	}
	// What the status will be is part of the letter.
	err := c.edit(ctx, func(s *pb.TaskStatus) (bool, error) {
		failed(s)
		status = s
		return false, nil
	})
	if err == nil && status != nil {
		err = c.w.farm.bury(ctx, c.w.farm.deadSubject(c.q.GetJob(), c.q.GetKey()), c.msg.Data(), status)
	}
	if err == nil {
		err = c.edit(ctx, func(s *pb.TaskStatus) (bool, error) { failed(s); return true, nil })
	}
	if err != nil {
		c.log.Warn("could not be given up yet", "error", err)
		_ = c.msg.NakWithDelay(c.w.config.RetryDelay)
		return
	}
	c.acknowledge(ctx)
}

// unreadable buries what is no message of ours.
func (c *claim) unreadable(ctx context.Context, cause error) {
	c.log.Error("unreadable message", "subject", c.msg.Subject(), "error", cause)
	subject := c.w.farm.config.Name + ".dead." + strings.TrimPrefix(c.msg.Subject(), c.w.farm.config.Name+".tasks.")
	err := c.w.farm.bury(ctx, subject, c.msg.Data(), &pb.TaskStatus{State: pb.TaskState_TASK_STATE_FAILED, Error: "unreadable message"})
	if err != nil {
		_ = c.msg.NakWithDelay(c.w.config.RetryDelay)
		return
	}
	c.acknowledge(ctx)
}

// failedTry gives the task back for another try, or gives it up after the last.
func (c *claim) failedTry(ctx context.Context, why string) error {
	var tries int
	err := c.edit(ctx, func(s *pb.TaskStatus) (bool, error) {
		tries = int(s.GetTries())
		s.State, s.Error = pb.TaskState_TASK_STATE_QUEUED, why
		return true, nil
	})
	if err != nil {
		return err
	}
	if tries >= c.w.config.MaxTries {
		return &faultError{fmt.Errorf("given up after %d tries; the last: %s", tries, why)}
	}
	c.log.Warn("failed, will be tried again", "tries", tries, "error", why)
	c.w.count.tasks.WithLabelValues("retried").Inc()
	_ = c.msg.NakWithDelay(min(c.w.config.RetryDelay<<min(tries, 10), 30*time.Second))
	return nil
}

// giveBack puts the task back as if this worker had not had it.
func (c *claim) giveBack(ctx context.Context) {
	c.w.count.tasks.WithLabelValues("given back").Inc()
	if err := c.release(ctx); err != nil {
		c.log.Debug("give back", "error", err)
	}
	_ = c.msg.Nak()
}

// release writes into the task's status that this worker gives it back, and that
// this was no try.
func (c *claim) release(ctx context.Context) error {
	limited, cancel := context.WithTimeout(ctx, tryTime)
	defer cancel()
	return c.edit(limited, func(s *pb.TaskStatus) (bool, error) {
		if s.GetState() != pb.TaskState_TASK_STATE_RUNNING || s.GetWorker() != c.w.config.Name {
			return false, nil
		}
		s.State, s.Tries = pb.TaskState_TASK_STATE_QUEUED, s.GetTries()-1
		return true, nil
	})
}

// cancelled writes that the task ended with its job.
func (c *claim) cancelled(ctx context.Context) {
	c.w.count.tasks.WithLabelValues("cancelled").Inc()
	err := c.edit(ctx, func(s *pb.TaskStatus) (bool, error) {
		s.State, s.Worker = pb.TaskState_TASK_STATE_CANCELLED, c.w.config.Name
		return true, nil
	})
	if err != nil {
		c.log.Debug("cancel", "error", err)
	}
	c.acknowledge(ctx)
}

// bury writes a dead letter.
func (f *Farm) bury(ctx context.Context, subject string, message []byte, status *pb.TaskStatus) error {
	data, err := proto.Marshal(&pb.DeadLetter{Message: message, Status: status})
	if err != nil {
		return err
	}
	_, err = again(ctx, f, func(ctx context.Context) (*jetstream.PubAck, error) {
		return f.js.PublishMsg(ctx, &nats.Msg{Subject: subject, Data: data})
	})
	return err
}

// aboutKey of a result's record in its object's metadata.
const aboutKey = "selvage-result"

// recordName is the name of the record that a pass left beside its result.
func recordName(key string) string { return key + ".pass" }

// putResult stores a result under its key, after the record that goes with it: a
// result that is there has its record.
func (f *Farm) putResult(ctx context.Context, r *pb.TaskResult, data, record []byte) error {
	if record != nil {
		if err := f.results.put(ctx, recordName(r.GetKey()), record, [sha256.Size]byte(r.GetRecordSha256()), nil); err != nil {
			return err
		}
	}
	about, err := proto.Marshal(r)
	if err != nil {
		return err
	}
	return f.results.write(ctx, r.GetKey(), data, [sha256.Size]byte(r.GetSha256()), map[string]string{aboutKey: base64.StdEncoding.EncodeToString(about)})
}

// found returns what is known of a result that is in the store, nil where it is
// not.
func (f *Farm) found(ctx context.Context, key string) (*pb.TaskResult, error) {
	info, err := f.results.find(ctx, key)
	if err != nil || info == nil {
		return nil, err
	}
	about, err := base64.StdEncoding.DecodeString(info.Metadata[aboutKey])
	r := &pb.TaskResult{}
	if err != nil || proto.Unmarshal(about, r) != nil || r.GetKey() != key || uint64(r.GetSizeBytes()) != info.Size {
		return nil, nil // not written by this package: written anew
	}
	if r.GetRecordSizeBytes() > 0 {
		if record, err := f.results.find(ctx, recordName(key)); err != nil || record == nil {
			return nil, err
		}
	}
	r.Found = true
	return r, nil
}
