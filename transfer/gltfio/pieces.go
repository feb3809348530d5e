package gltfio

// Pieces: bytes that lie in several slices. They are put together once, at the
// end, in steps between which the call can be cancelled.

import "crypto/sha256"

// step is the number of bytes between two looks at the context: a millisecond of
// hashing at the slowest.
const step = 256 << 10

// pieces is a row of byte slices, which it keeps, not copies.
type pieces struct {
	list   [][]byte
	length int
}

func (p *pieces) add(b ...[]byte) {
	for _, x := range b {
		p.list = append(p.list, x)
		p.length += len(x)
	}
}

// pad appends zeros up to a multiple of n.
func (p *pieces) pad(n int) {
	if r := p.length % n; r != 0 {
		p.add(make([]byte, n-r))
	}
}

// span is a range of bytes.
type span struct{ lo, hi int }

// parts calls f with the bytes but for those of cut (ascending, disjoint), in
// parts of step bytes at most, until f fails or the call of a ends.
func (a *Asset) parts(p *pieces, cut []span, f func([]byte) error) error {
	at := 0
	for _, b := range p.list {
		for len(b) > 0 {
			if a.done(0) {
				return a.ctx.Err()
			}
			n := min(len(b), step)
			keep := true
			for len(cut) > 0 && cut[0].hi <= at {
				cut = cut[1:]
			}
			if len(cut) > 0 {
				if c := cut[0]; c.lo <= at {
					n, keep = min(n, c.hi-at), false
				} else {
					n = min(n, c.lo-at)
				}
			}
			if keep {
				if err := f(b[:n]); err != nil {
					return err
				}
			}
			b, at = b[n:], at+n
		}
	}
	return nil
}

// join returns the bytes but for those of cut in one slice, with zeros up to a
// multiple of align.
func (a *Asset) join(p *pieces, cut []span, align int) ([]byte, error) {
	n := p.length
	for _, c := range cut {
		n -= c.hi - c.lo
	}
	out := make([]byte, 0, (n+align-1)/align*align)
	err := a.parts(p, cut, func(b []byte) error {
		out = append(out, b...)
		return nil
	})
	return out[:cap(out)], err
}

// sum is the SHA-256 of data. Where the call has ended it is of no use.
func (a *Asset) sum(data []byte) (out [sha256.Size]byte) {
	h := sha256.New()
	p := pieces{}
	p.add(data)
	_ = a.parts(&p, nil, func(b []byte) error {
		h.Write(b)
		return nil
	})
	h.Sum(out[:0])
	return out
}
