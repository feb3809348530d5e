package mesh

import "context"

// checkEvery is the number of steps between two looks at a context: less than a
// millisecond of any loop here.
const checkEvery = 1 << 13

// done reports, at every checkEvery-th i, whether ctx is done.
func done(ctx context.Context, i int) bool { return i%checkEvery == 0 && ctx.Err() != nil }
