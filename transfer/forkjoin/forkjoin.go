// Package forkjoin runs parts of a computation on several goroutines and waits for
// them. A panic in one of them reaches the goroutine that waits, where it can be
// recovered; on a goroutine of its own it would end the whole program, a server
// with all its other calls.
//
// What the Go runtime calls fatal (concurrent writes to a map, no memory left)
// cannot be recovered anywhere and ends the program all the same.
package forkjoin

import (
	"context"
	"fmt"
	"runtime"
	"runtime/debug"
	"sync"
	"sync/atomic"
)

// Panic is a panic that was carried from the goroutine it happened on to the one
// that waited for it. Where several happened, it is the first.
type Panic struct {
	// Value is what panic was called with.
	Value any
	// Stack of the goroutine that panicked, in the form of debug.Stack.
	Stack []byte
}

// Error gives the value and the stack: what a program that nobody recovers shows.
func (p *Panic) Error() string { return fmt.Sprintf("%v\n\n%s", p.Value, p.Stack) }

// Unwrap returns the value where it is an error.
func (p *Panic) Unwrap() error {
	err, _ := p.Value.(error)
	return err
}

// Catch runs f and returns the panic that ends it, nil where none does.
func Catch(f func()) (p *Panic) {
	defer func() {
		if v := recover(); v != nil {
			p = carried(v)
		}
	}()
	f()
	return nil
}

// Group is goroutines that are waited for together. The zero value is ready; it
// must not be copied once used.
type Group struct {
	wait  sync.WaitGroup
	first atomic.Pointer[Panic]
}

// Go runs f on a goroutine of its own.
func (g *Group) Go(f func()) {
	g.wait.Go(func() {
		if p := Catch(f); p != nil {
			g.first.CompareAndSwap(nil, p)
		}
	})
}

// carried is v with the stack of the goroutine that calls it, which still holds
// where it panicked. What a Group further down has carried already keeps its own.
func carried(v any) *Panic {
	if p, ok := v.(*Panic); ok {
		return p
	}
	return &Panic{Value: v, Stack: debug.Stack()}
}

// Panicked reports whether one of the goroutines has panicked: those that share
// work with it may stop.
func (g *Group) Panicked() bool { return g.first.Load() != nil }

// Wait waits until every goroutine has ended. Where one has panicked, Wait panics
// with its *Panic.
func (g *Group) Wait() {
	g.wait.Wait()
	if p := g.first.Load(); p != nil {
		panic(p)
	}
}

// Each calls work(i) for every i in [0, n) on as many goroutines as threads says
// (<= 0: GOMAXPROCS), each with a work function that newWork makes for it, so that
// it may keep scratch of its own. Which goroutine takes which i is not fixed. With
// one thread all of it runs on the caller's goroutine. Once ctx is done, no further
// i is taken and Each returns ctx's error.
func Each(ctx context.Context, n, threads int, newWork func() func(i int)) error {
	if threads <= 0 {
		threads = runtime.GOMAXPROCS(0)
	}
	if threads = min(threads, n); threads <= 1 {
		if n > 0 && ctx.Err() == nil {
			work := newWork()
			for i := 0; i < n && ctx.Err() == nil; i++ {
				work(i)
			}
		}
		return ctx.Err()
	}
	var g Group
	var next atomic.Int64
	for range threads {
		g.Go(func() {
			work := newWork()
			for ctx.Err() == nil && !g.Panicked() {
				i := int(next.Add(1)) - 1
				if i >= n {
					return
				}
				work(i)
			}
		})
	}
	g.Wait()
	return ctx.Err()
}
