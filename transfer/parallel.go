package transfer

import (
	"context"

	"github.com/selvage/selvage/transfer/forkjoin"
)

// blockSize is the number of vertices that one goroutine takes at a time:
// small enough that a cancelled call stops within a few milliseconds.
const blockSize = 512

// blocksOf is the number of blocks of n vertices.
func blocksOf(n int) int { return (n + blockSize - 1) / blockSize }

// ended reports, at every 8*blockSize-th v, whether ctx is done: for loops that
// are not parallel, a fraction of a millisecond of each.
func ended(ctx context.Context, v int) bool {
	return v%(8*blockSize) == 0 && ctx.Err() != nil
}

// parallel calls work(lo, hi) for consecutive blocks of [0, n) on threads
// goroutines (0: GOMAXPROCS). Blocks are the same whatever the number of
// threads, so work that writes only to its own range is deterministic. It
// returns ctx's error as soon as the running blocks are done.
func parallel(ctx context.Context, n, threads int, work func(lo, hi int)) error {
	run := func(b int) { work(b*blockSize, min(n, (b+1)*blockSize)) }
	return forkjoin.Each(ctx, blocksOf(n), threads, func() func(int) { return run })
}
