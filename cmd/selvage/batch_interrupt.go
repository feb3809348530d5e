package main

// Interrupts of a wardrobe that computes here: the first begins nothing new and finishes
// what has begun, as a worker does; the second stops at once.

import (
	"context"
	"fmt"
	"io"
	"os"
	"os/signal"
	"strings"
	"syscall"
	"time"

	"github.com/jedib0t/go-pretty/v6/text"
)

// sameSignal is how long after ctx's end the signal that ended it may take to arrive a
// second time: Go hands it to all who listen at once.
const sameSignal = 200 * time.Millisecond

// untilSecond returns a context that goes on when an interrupt ends ctx, and ends at the
// next one; and what ends it. On Windows the interrupts are Ctrl-C and Ctrl-Break, and a
// window that closes counts as one: what is not finished then within the few seconds that
// the system leaves is not written.
func untilSecond(ctx context.Context) (context.Context, func()) {
	work, cancel := context.WithCancel(context.WithoutCancel(ctx))
	signals := make(chan os.Signal, 2)
	signal.Notify(signals, os.Interrupt, syscall.SIGTERM)
	go func() {
		select {
		case <-ctx.Done():
		case <-work.Done():
			return
		}
		select {
		case <-signals:
		case <-time.After(sameSignal):
		case <-work.Done():
		}
		select {
		case <-signals:
			cancel()
		case <-work.Done():
		}
	}()
	return work, func() {
		signal.Stop(signals)
		cancel()
	}
}

// finishing tells, once, that a run was interrupted and still finishes so many garments.
func (v *batchView) finishing(garments int) {
	s := ""
	if garments > 1 {
		s = "s"
	}
	line := fmt.Sprintf("finishing %d garment%s; interrupt again to stop at once", garments, s)
	switch {
	case v.b.asJSON:
		_ = v.b.event(map[string]any{"event": "finishing", "garments": garments})
	case v.bars != nil:
		v.bars.say(line)
	default:
		v.b.line("%s", line)
	}
}

// say prints a line above the bars.
func (s *batchBars) say(line string) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.closed {
		return
	}
	var b strings.Builder
	s.erase(&b)
	b.WriteString(text.Trim(line, s.width()-1) + "\n")
	_, _ = io.WriteString(s.w, b.String())
	s.draw(true)
}
