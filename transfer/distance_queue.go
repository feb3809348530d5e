package transfer

// distanceQueue is a binary heap of vertices by distance, smallest first; equal
// distances go by vertex, so that the order of events never depends on the order
// of pushing. A vertex may be in it several times: the caller skips stale entries.
type distanceQueue struct {
	key    []float64
	vertex []int32
}

func (q *distanceQueue) len() int { return len(q.key) }

func (q *distanceQueue) less(i, j int) bool {
	return q.key[i] < q.key[j] || q.key[i] == q.key[j] && q.vertex[i] < q.vertex[j]
}

func (q *distanceQueue) swap(i, j int) {
	q.key[i], q.key[j] = q.key[j], q.key[i]
	q.vertex[i], q.vertex[j] = q.vertex[j], q.vertex[i]
}

// push adds vertex v at distance d. O(log n).
func (q *distanceQueue) push(d float64, v int32) {
	q.key, q.vertex = append(q.key, d), append(q.vertex, v)
	for i := len(q.key) - 1; i > 0; {
		up := (i - 1) / 2
		if !q.less(i, up) {
			break
		}
		q.swap(i, up)
		i = up
	}
}

// pop takes the nearest vertex out. The queue must not be empty. O(log n).
func (q *distanceQueue) pop() (d float64, v int32) {
	d, v = q.key[0], q.vertex[0]
	last := len(q.key) - 1
	q.swap(0, last)
	q.key, q.vertex = q.key[:last], q.vertex[:last]
	for i := 0; ; {
		down := 2*i + 1
		if down >= last {
			break
		}
		if down+1 < last && q.less(down+1, down) {
			down++
		}
		if !q.less(down, i) {
			break
		}
		q.swap(i, down)
		i = down
	}
	return d, v
}
