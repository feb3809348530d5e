package bodycache

import (
	"context"
	"errors"
	"fmt"
	"sync"
	"sync/atomic"
	"testing"
	"time"
)

func TestCache_LeastRecentlyUsedOutFirst(t *testing.T) {
	c := New[string](100)
	prepared := 0
	get := func(key string, bytes int64) bool {
		v, hit, err := c.Get(t.Context(), key, func() (string, int64, error) { prepared++; return "value of " + key, bytes, nil })
		if err != nil || v != "value of "+key {
			t.Fatalf("%s: %q, %v", key, v, err)
		}
		return hit
	}
	for _, x := range []struct {
		key   string
		bytes int64
		hit   bool
		used  int64
	}{
		{"a", 40, false, 40}, {"b", 40, false, 80}, {"a", 40, true, 80}, {"c", 40, false, 80}, {"b", 40, false, 80},
		{"huge", 101, false, 80}, {"huge", 101, false, 80},
	} {
		if hit := get(x.key, x.bytes); hit != x.hit || c.Bytes() != x.used {
			t.Errorf("%s: hit %v, %d bytes; want %v, %d", x.key, hit, c.Bytes(), x.hit, x.used)
		}
	}
	c.Remove(func(key string) bool { return key == "b" })
	if c.Has("b") || !c.Has("c") || c.Bytes() != 40 {
		t.Errorf("after the removal: %d bytes", c.Bytes())
	}
	if prepared != 6 {
		t.Errorf("prepared %d times, want 6", prepared)
	}
}

func TestCache_PreparesOnceForMany(t *testing.T) {
	c := New[int](100)
	var calls atomic.Int32
	release := make(chan struct{})
	var wg sync.WaitGroup
	for range 20 {
		wg.Go(func() {
			v, _, err := c.Get(context.Background(), "k", func() (int, int64, error) {
				calls.Add(1)
				<-release
				return 7, 1, nil
			})
			if v != 7 || err != nil {
				t.Errorf("%d, %v", v, err)
			}
		})
	}
	for calls.Load() == 0 {
		time.Sleep(time.Millisecond)
	}
	// One that gives up does not wait for the others.
	gone, cancel := context.WithCancel(context.Background())
	cancel()
	if _, _, err := c.Get(gone, "k", nil); !errors.Is(err, context.Canceled) {
		t.Errorf("error %v, want cancelled", err)
	}
	close(release)
	wg.Wait()
	if n := calls.Load(); n != 1 {
		t.Errorf("prepared %d times", n)
	}
}

func TestCache_NextTriesAfterFailure(t *testing.T) {
	c := New[int](100)
	fail := errors.New("fails")
	started, release := make(chan struct{}), make(chan struct{})
	go c.Get(context.Background(), "k", func() (int, int64, error) {
		close(started)
		<-release
		return 0, 0, fail
	})
	<-started
	done := make(chan error, 1)
	go func() {
		v, _, err := c.Get(context.Background(), "k", func() (int, int64, error) { return 5, 1, nil })
		if v != 5 {
			err = fmt.Errorf("%d, %w", v, err)
		}
		done <- err
	}()
	close(release)
	if err := <-done; err != nil {
		t.Error(err)
	}
	func() { // a panic must not leave the key pending
		defer func() { _ = recover() }()
		_, _, _ = c.Get(context.Background(), "p", func() (int, int64, error) { panic("p") })
	}()
	if v, _, err := c.Get(t.Context(), "p", func() (int, int64, error) { return 6, 1, nil }); v != 6 || err != nil {
		t.Errorf("after a panic: %d, %v", v, err)
	}
}
