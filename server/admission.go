package server

// Admission: which call may compute, and which must wait or go.
//
// Calls go through one of two lanes by the memory that they are expected to
// need. The lanes share nothing, so a huge call waits for huge calls alone and
// small ones never queue behind it; the processor is shared by the scheduler.

import (
	"context"
	"errors"
	"fmt"
	"sync/atomic"
	"time"

	"golang.org/x/sync/semaphore"
)

// overloadError says that there is no room now.
type overloadError struct {
	retry time.Duration
	what  string
}

func (e *overloadError) Error() string { return e.what }

// limitError says that something will never fit.
type limitError struct {
	subject string
	what    string
}

func (e *limitError) Error() string { return e.subject + ": " + e.what }

// lane is a share of memory and of slots.
type lane struct {
	memory *semaphore.Weighted
	bytes  int64
	slots  *semaphore.Weighted
}

func newLane(bytes int64, slots int) *lane {
	return &lane{memory: semaphore.NewWeighted(bytes), bytes: bytes, slots: semaphore.NewWeighted(int64(slots))}
}

// admission is safe for concurrent use.
type admission struct {
	small, large *lane
	threshold    int64 // estimates above it are large
	queue        int64
	wait         time.Duration

	waiting atomic.Int64
	running atomic.Int64
	held    atomic.Int64 // bytes
	average atomic.Int64 // of call durations, nanoseconds, exponentially weighted
}

// largeShare of the memory goes to the large lane; an estimate above a
// smallShare-th of all memory is large.
const (
	smallLane  = 4  // the small lane has a quarter of the memory
	smallShare = 16 // and each call in it a sixteenth at most
)

func newAdmission(bytes int64, calls, queue int, wait time.Duration) *admission {
	return &admission{
		small:     newLane(bytes/smallLane, calls),
		large:     newLane(bytes-bytes/smallLane, max(1, calls/2)),
		threshold: bytes / smallShare,
		queue:     int64(queue),
		wait:      wait,
	}
}

// ticket is the right to compute. It is for one goroutine.
type ticket struct {
	a      *admission
	lane   *lane
	bytes  int64
	slot   bool
	memory bool
	began  time.Time
}

// acquire waits for room for a call that needs bytes by estimate. Errors:
// *limitError where it can never fit, *overloadError, ctx's.
func (a *admission) acquire(ctx context.Context, bytes int64) (*ticket, error) {
	t, err := a.reserve(ctx, bytes)
	if err != nil {
		return nil, err
	}
	err = a.queued(ctx, t.lane.slots, 1)
	if err != nil {
		t.release()
		return nil, err
	}
	t.slot, t.began = true, time.Now()
	a.running.Add(1)
	return t, nil
}

// reserve waits for memory alone, without a slot.
func (a *admission) reserve(ctx context.Context, bytes int64) (*ticket, error) {
	t := &ticket{a: a, lane: a.small, bytes: max(1, bytes)}
	if bytes > a.threshold {
		t.lane = a.large
	}
	if t.bytes > t.lane.bytes {
		return nil, &limitError{"memory", fmt.Sprintf("the call needs about %d MiB, more than the %d MiB that this server gives one", t.bytes>>20, t.lane.bytes>>20)}
	}
	if err := a.queued(ctx, t.lane.memory, t.bytes); err != nil {
		return nil, err
	}
	t.memory = true
	a.held.Add(t.bytes)
	return t, nil
}

// queued takes n of s, waiting in the queue if need be.
func (a *admission) queued(ctx context.Context, s *semaphore.Weighted, n int64) error {
	if err := ctx.Err(); err != nil {
		return err
	}
	if s.TryAcquire(n) {
		return nil
	}
	if a.waiting.Add(1) > a.queue {
		a.waiting.Add(-1)
		return &overloadError{a.delay(), "the server is busy and its queue is full"}
	}
	defer a.waiting.Add(-1)
	limited, cancel := context.WithTimeout(ctx, a.wait)
	defer cancel()
	err := s.Acquire(limited, n)
	if err != nil && ctx.Err() == nil && errors.Is(err, context.DeadlineExceeded) {
		return &overloadError{a.delay(), fmt.Sprintf("the server is busy: no room within %v", a.wait)}
	}
	return err
}

// delay is after how long trying again makes sense: about the time in which
// those that wait will have gone.
func (a *admission) delay() time.Duration {
	d := time.Duration(a.average.Load()) * time.Duration(1+a.waiting.Load()) / 2
	return min(max(d, 200*time.Millisecond), 20*time.Second)
}

// done gives the slot back and keeps the memory: the work is done, its result is
// still to be sent. It may be called twice.
func (t *ticket) done() {
	if !t.slot {
		return
	}
	t.slot = false
	t.lane.slots.Release(1)
	t.a.running.Add(-1)
	// Lost updates only make the average a little older.
	old, now := t.a.average.Load(), time.Since(t.began).Nanoseconds()
	if old == 0 {
		old = now
	}
	t.a.average.Store(old + (now-old)/8)
}

// release gives everything back. It may be called twice.
func (t *ticket) release() {
	t.done()
	if t.memory {
		t.memory = false
		t.lane.memory.Release(t.bytes)
		t.a.held.Add(-t.bytes)
	}
}
