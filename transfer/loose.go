package transfer

// Loose cloth: skirts, capes, coat tails, scarves. The nearest surface has no
// meaning far from the body, so only what lies close is trusted (the anchors);
// the rest takes as weak data the row that the whole body around it gives
// (surround.go), smoothed over lengths as large as its distance.

import (
	"context"
	"fmt"

	"github.com/selvage/selvage/transfer/weights"
	"gonum.org/v1/gonum/spatial/r3"
)

const (
	// looseDistance is the distance, as a share of the body's diagonal, beyond which
	// cloth hangs rather than fits (about 6 cm on a grown figure).
	looseDistance = 0.03
	// anchorDistance is the distance within which loose cloth is trusted to rest on
	// the body (about 2 cm).
	anchorDistance = 0.01
	// looseShare is the share of an island's area beyond looseDistance that makes
	// it loose cloth.
	looseShare = 0.4
)

// looseIslands reports for each island whether it is loose cloth.
func looseIslands(s *Source, g *target, c *candidates, rigid []bool, opt *Options) []bool {
	loose := make([]bool, g.islands.Count)
	named := g.namedVertices(opt.LooseNames)
	for i := range loose {
		if rigid[i] {
			continue
		}
		far, total := 0.0, 0.0
		for _, v := range g.islands.Members(i) {
			total += g.area[v]
			if c.near[v] > looseDistance*s.diagonal {
				far += g.area[v]
			}
			if named != nil && named[v] {
				loose[i] = true
			}
		}
		switch opt.Loose {
		case On, Auto:
			loose[i] = loose[i] || far > looseShare*total
		}
	}
	return loose
}

// loosen replaces the match rows of loose cloth beyond its anchors by the rows
// of the surround, and says what it expects of them.
func loosen(ctx context.Context, s *Source, g *target, c *candidates, loose []bool, t *trusted, opt *Options) (count int, err error) {
	isLoose := make([]bool, len(g.position))
	for v := range isLoose {
		if loose[g.islands.Island[v]] {
			isLoose[v] = true
			count++
		}
	}
	if count == 0 {
		return 0, nil
	}
	h := newSurround(s)
	n := len(g.position)
	blocks := make([]*weights.Rows, (n+blockSize-1)/blockSize)
	err = parallel(ctx, n, opt.Threads, func(lo, hi int) {
		acc := weights.NewAccumulator(len(s.body.Skin.Joints))
		rows := weights.NewRows(hi - lo)
		for v := lo; v < hi; v++ {
			if !isLoose[v] || c.near[v] <= anchorDistance*s.diagonal {
				rows.Append(t.rows.Row(v))
				continue
			}
			m := &t.match[v]
			h.add(acc, g.position[v], r3.Scale(float64(m.sign), g.normal[v]))
			if acc.Empty() {
				h.add(acc, g.position[v], r3.Vec{})
			}
			acc.FlushNormalised(rows)
			t.expected[v] = min(2, max(t.expected[v], 0.3+0.5*c.near[v]/(looseDistance*s.diagonal)))
			t.reason[v] |= ReasonFilled
		}
		blocks[lo/blockSize] = rows
	})
	if err != nil {
		return 0, fmt.Errorf("garment %q: loose cloth: %w", g.garment.Name, err)
	}
	t.rows = weights.Concat(blocks...)
	return count, nil
}
