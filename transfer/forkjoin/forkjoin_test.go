package forkjoin

import (
	"context"
	"errors"
	"fmt"
	"io"
	"runtime"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
)

// caught runs f and returns the *Panic that it ends with.
func caught(t *testing.T, f func()) (p *Panic) {
	t.Helper()
	defer func() {
		v := recover()
		var ok bool
		if p, ok = v.(*Panic); !ok {
			t.Fatalf("recovered %v, want a *Panic", v)
		}
	}()
	f()
	return nil
}

//go:noinline
func sinkingShip() { panic("all hands") }

func TestGroup_CarriesPanic(t *testing.T) {
	var ended atomic.Int32
	p := caught(t, func() {
		var g Group
		for k := range 8 {
			g.Go(func() {
				defer ended.Add(1)
				if k == 3 {
					sinkingShip()
				}
				runtime.Gosched()
			})
		}
		g.Wait()
		t.Error("Wait returned")
	})
	if p.Value != "all hands" || !strings.Contains(string(p.Stack), "sinkingShip") {
		t.Errorf("value %v, stack\n%s", p.Value, p.Stack)
	}
	if ended.Load() != 8 {
		t.Errorf("Wait panicked while %d of 8 goroutines had ended", ended.Load())
	}
}

// TestGroup_Nested: groups of groups keep the value and the stack of where it
// happened.
func TestGroup_Nested(t *testing.T) {
	var down func(depth int)
	down = func(depth int) {
		if depth == 0 {
			sinkingShip()
		}
		var g Group
		g.Go(func() { down(depth - 1) })
		g.Wait()
	}
	p := caught(t, func() { down(4) })
	if p.Value != "all hands" || strings.Count(p.Error(), "all hands") < 1 || !strings.Contains(string(p.Stack), "sinkingShip") {
		t.Errorf("value %v, stack\n%s", p.Value, p.Stack)
	}
}

// TestPanic_Unwrap: errors thrown as panics are found by errors.Is and errors.As,
// the runtime's own too.
func TestPanic_Unwrap(t *testing.T) {
	p := caught(t, func() {
		var g Group
		g.Go(func() { panic(fmt.Errorf("hold: %w", io.ErrUnexpectedEOF)) })
		g.Wait()
	})
	if !errors.Is(p, io.ErrUnexpectedEOF) {
		t.Errorf("%v is not the error that was thrown", p.Value)
	}
	p = caught(t, func() {
		var g Group
		var none []int
		g.Go(func() { none[0]++ })
		g.Wait()
	})
	var fault runtime.Error
	if !errors.As(p, &fault) || !strings.Contains(fault.Error(), "index out of range") {
		t.Errorf("%v is not the runtime's error", p.Value)
	}
}

func TestEach_EveryIndexOnce(t *testing.T) {
	for _, threads := range []int{-1, 0, 1, 2, 7, 5000} {
		for _, n := range []int{0, 1, 2, 1000} {
			seen := make([]atomic.Int32, n)
			makers := atomic.Int32{}
			err := Each(t.Context(), n, threads, func() func(int) {
				makers.Add(1)
				return func(i int) { seen[i].Add(1) }
			})
			if err != nil {
				t.Fatal(err)
			}
			for i := range seen {
				if seen[i].Load() != 1 {
					t.Fatalf("threads %d, n %d: index %d taken %d times", threads, n, i, seen[i].Load())
				}
			}
			if m := int(makers.Load()); m > max(1, n) || threads > 0 && m > threads || n > 0 && m == 0 {
				t.Errorf("threads %d, n %d: %d work functions", threads, n, m)
			}
		}
	}
}

func TestEach_Panics(t *testing.T) {
	for _, threads := range []int{2, 4} {
		var after atomic.Int32
		p := caught(t, func() {
			_ = Each(t.Context(), 1_000_000, threads, func() func(int) {
				return func(i int) {
					if i == 10 {
						sinkingShip()
					}
					if i > 10 {
						after.Add(1)
						runtime.Gosched()
					}
				}
			})
		})
		if p.Value != "all hands" {
			t.Errorf("threads %d: value %v", threads, p.Value)
		}
		if after.Load() > 900_000 {
			t.Errorf("threads %d: the others went on to the end", threads)
		}
	}
	// On the caller's own goroutine nothing needs to be carried.
	defer func() {
		if v := recover(); v != "all hands" {
			t.Errorf("one thread: recovered %v", v)
		}
	}()
	_ = Each(t.Context(), 3, 1, func() func(int) { return func(int) { sinkingShip() } })
}

func TestEach_Cancelled(t *testing.T) {
	for _, threads := range []int{1, 3} {
		ctx, cancel := context.WithCancel(t.Context())
		var once sync.Once
		var done atomic.Int32
		err := Each(ctx, 1_000_000, threads, func() func(int) {
			return func(int) {
				done.Add(1)
				once.Do(cancel)
			}
		})
		if !errors.Is(err, context.Canceled) || done.Load() > 900_000 {
			t.Errorf("threads %d: %v after %d steps", threads, err, done.Load())
		}
		if err := Each(ctx, 10, threads, func() func(int) { return func(int) { t.Error("work after the end") } }); !errors.Is(err, context.Canceled) {
			t.Errorf("threads %d: %v", threads, err)
		}
	}
}

// BenchmarkGroup is the cost of a goroutine of a Group beside that of a WaitGroup.
func BenchmarkGroup(b *testing.B) {
	b.Run("by=group", func(b *testing.B) {
		b.ReportAllocs()
		for b.Loop() {
			var g Group
			for range 8 {
				g.Go(func() {})
			}
			g.Wait()
		}
	})
	b.Run("by=waitgroup", func(b *testing.B) {
		b.ReportAllocs()
		for b.Loop() {
			var g sync.WaitGroup
			for range 8 {
				g.Go(func() {})
			}
			g.Wait()
		}
	})
}
