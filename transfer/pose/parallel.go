package pose

import (
	"context"
	"runtime"
	"sync"
	"sync/atomic"
)

// parallel calls work(i) for i in [0, n) on threads goroutines (<= 0: GOMAXPROCS),
// each with a work function of its own. It returns ctx's error when cancelled.
func parallel(ctx context.Context, n, threads int, newWork func() func(i int)) error {
	if threads <= 0 {
		threads = runtime.GOMAXPROCS(0)
	}
	var next atomic.Int64
	var wait sync.WaitGroup
	for range min(threads, n) {
		wait.Go(func() {
			work := newWork()
			for ctx.Err() == nil {
				i := int(next.Add(1)) - 1
				if i >= n {
					return
				}
				work(i)
			}
		})
	}
	wait.Wait()
	return ctx.Err()
}
