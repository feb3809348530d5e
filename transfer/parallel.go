package transfer

import (
	"context"
	"runtime"
	"sync"
	"sync/atomic"
)

// blockSize is the number of vertices that one goroutine takes at a time:
// small enough that a cancelled call stops within a few milliseconds.
const blockSize = 512

// blocksOf is the number of blocks of n vertices.
func blocksOf(n int) int { return (n + blockSize - 1) / blockSize }

// parallel calls work(lo, hi) for consecutive blocks of [0, n) on threads
// goroutines (0: GOMAXPROCS). Blocks are the same whatever the number of
// threads, so work that writes only to its own range is deterministic. It
// returns ctx's error as soon as the running blocks are done.
func parallel(ctx context.Context, n, threads int, work func(lo, hi int)) error {
	if threads <= 0 {
		threads = runtime.GOMAXPROCS(0)
	}
	blocks := blocksOf(n)
	threads = min(threads, blocks)
	run := func(b int) { work(b*blockSize, min(n, (b+1)*blockSize)) }
	if threads <= 1 {
		for b := 0; b < blocks; b++ {
			if err := ctx.Err(); err != nil {
				return err
			}
			run(b)
		}
		return ctx.Err()
	}
	var next atomic.Int64
	var wg sync.WaitGroup
	for t := 0; t < threads; t++ {
		wg.Go(func() {
			for ctx.Err() == nil {
				b := int(next.Add(1)) - 1
				if b >= blocks {
					return
				}
				run(b)
			}
		})
	}
	wg.Wait()
	return ctx.Err()
}
