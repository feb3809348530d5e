// Package bodycache keeps what is costly to prepare, under a budget of memory.
package bodycache

import (
	"container/list"
	"context"
	"sync"
)

// Cache keeps prepared bodies under a byte budget, least recently used out
// first. A body that several calls ask for at once is prepared once. It is safe
// for concurrent use.
type Cache[V any] struct {
	capacity int64

	mu      sync.Mutex
	entries map[string]*list.Element // of *cached
	recent  *list.List               // front: used last
	used    int64
	pending map[string]chan struct{} // closed when the preparation has ended
}

type cached[V any] struct {
	key   string
	value V
	bytes int64
}

// New returns an empty cache of capacity bytes.
func New[V any](capacity int64) *Cache[V] {
	return &Cache[V]{capacity: capacity, entries: map[string]*list.Element{}, recent: list.New(), pending: map[string]chan struct{}{}}
}

// Has reports whether key is held.
func (c *Cache[V]) Has(key string) bool {
	c.mu.Lock()
	defer c.mu.Unlock()
	_, ok := c.entries[key]
	return ok
}

// Get returns key's value, from the cache (hit) or from prepare, which says how
// many bytes to count. Of several callers one prepares, with its own context; the
// others wait, and where it fails the next one tries.
func (c *Cache[V]) Get(ctx context.Context, key string, prepare func() (V, int64, error)) (value V, hit bool, err error) {
	for {
		c.mu.Lock()
		if e, ok := c.entries[key]; ok {
			c.recent.MoveToFront(e)
			c.mu.Unlock()
			return e.Value.(*cached[V]).value, true, nil
		}
		wait, busy := c.pending[key]
		if !busy {
			break
		}
		c.mu.Unlock()
		select {
		case <-wait:
		case <-ctx.Done():
			return value, false, ctx.Err()
		}
	}
	ended := make(chan struct{})
	c.pending[key] = ended
	c.mu.Unlock()

	var bytes int64
	kept := false
	defer func() { // also when prepare panics
		c.mu.Lock()
		defer c.mu.Unlock()
		if kept && bytes <= c.capacity {
			c.used += bytes
			c.entries[key] = c.recent.PushFront(&cached[V]{key, value, bytes})
			for c.used > c.capacity {
				c.drop(c.recent.Back())
			}
		}
		delete(c.pending, key)
		close(ended)
	}()
	value, bytes, err = prepare()
	kept = err == nil
	return value, false, err
}

// drop removes an entry; those that use its value go on. mu is held.
func (c *Cache[V]) drop(e *list.Element) {
	x := e.Value.(*cached[V])
	c.recent.Remove(e)
	delete(c.entries, x.key)
	c.used -= x.bytes
}

// Remove drops every key that match accepts.
func (c *Cache[V]) Remove(match func(key string) bool) {
	c.mu.Lock()
	defer c.mu.Unlock()
	for key, e := range c.entries {
		if match(key) {
			c.drop(e)
		}
	}
}

// Bytes held by estimate.
func (c *Cache[V]) Bytes() int64 {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.used
}
