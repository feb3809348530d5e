package main

// Locks: stiff patches that an artist made, locked through the same passes of the body.

import (
	"context"
	"fmt"
	"math/rand/v2"
	"strings"

	"github.com/selvage/selvage/transfer"
	"github.com/selvage/selvage/transfer/crew"
	"github.com/selvage/selvage/transfer/mesh"
	"github.com/selvage/selvage/transfer/pass"
	"github.com/selvage/selvage/transfer/weights"
	"gonum.org/v1/gonum/spatial/r3"
)

// lockFigures of one pass over one garment or a whole wardrobe.
type lockFigures struct {
	// Locked vertices, and those of them whose row is not the held one bit for bit.
	Locked, Changed int
	// Edges between a locked vertex and one that is not, and over these the sum and the
	// largest of the L1 differences of the rows, without a blend and with the default.
	Edges                   int
	Bare, BareMost          float64
	Blended, BlendedMost    float64
	Neighbours, OthersMoved int // vertices that are not locked; of them those that the blend moves
}

func (f *lockFigures) add(g lockFigures) {
	f.Locked, f.Changed, f.Edges = f.Locked+g.Locked, f.Changed+g.Changed, f.Edges+g.Edges
	f.Bare, f.Blended = f.Bare+g.Bare, f.Blended+g.Blended
	f.BareMost, f.BlendedMost = max(f.BareMost, g.BareMost), max(f.BlendedMost, g.BlendedMost)
	f.Neighbours, f.OthersMoved = f.Neighbours+g.Neighbours, f.OthersMoved+g.OthersMoved
}

// stiffen gives three patches of a garment the row of one vertex each, as an artist does
// where cloth must not bend, and returns the rows and the patches. A patch is where the
// cloth bends most of a few places tried.
func stiffen(seed uint64, m *mesh.Mesh, rows *weights.Rows) (*weights.Rows, []bool) {
	rng := rand.New(rand.NewPCG(seed, 23))
	locked, from := make([]bool, m.NumVertices()), make([]int, m.NumVertices())
	radius := 0.05 * m.Diagonal()
	in := func(v, centre int) bool { return r3.Norm(r3.Sub(m.Positions[v], m.Positions[centre])) <= radius }
	for range 3 {
		best, most := 0, -1.0
		for range 20 {
			centre := rng.IntN(m.NumVertices())
			sum := 0.0
			for v := range locked {
				if in(v, centre) && !locked[v] {
					sum += rows.DistanceL1(v, rows, centre)
				}
			}
			if sum > most {
				best, most = centre, sum
			}
		}
		for v := range locked {
			if in(v, best) && !locked[v] {
				locked[v], from[v] = true, best
			}
		}
	}
	out := weights.NewRows(rows.Len())
	for v, yes := range locked {
		if yes {
			out.Append(rows.Row(from[v]))
		} else {
			out.Append(rows.Row(v))
		}
	}
	return out, locked
}

// simulateLocks runs a garment with locked patches through all passes of the body.
func simulateLocks(ctx context.Context, seed uint64, b *crew.Body, g *crew.Garment) ([]lockFigures, error) {
	rows, joints := b.Rows, pass.JointsOf(b.Skin)
	give := func(held *transfer.Held, blend float64) (*weights.Rows, error) {
		garment := &transfer.Garment{Name: g.Name, Mesh: g.Mesh, Held: held}
		r, err := transfer.Transfer(ctx, &transfer.Body{Name: b.Name, Mesh: b.Mesh, Rows: rows, Skin: b.Skin}, garment, transfer.Options{LockBlend: blend})
		if err != nil {
			return nil, err
		}
		return r.Rows, nil
	}
	base, err := give(nil, 0)
	if err != nil {
		return nil, err
	}
	artist, locked := stiffen(seed, g.Mesh, base)
	current := artist
	var out []lockFigures
	for k, list := range bodyPasses {
		rows = apply(list, joints, rows)
		held := &transfer.Held{Rows: current, Locked: locked}
		bare, err := give(held, -1)
		if err != nil {
			return nil, fmt.Errorf("pass %d: %w", k+1, err)
		}
		blended, err := give(held, 0)
		if err != nil {
			return nil, fmt.Errorf("pass %d: %w", k+1, err)
		}
		out = append(out, measureLocks(g.Mesh, artist, bare, blended, locked))
		current = blended
	}
	return out, nil
}

// measureLocks holds one pass against the rows that the artist left.
func measureLocks(m *mesh.Mesh, artist, bare, blended *weights.Rows, locked []bool) (f lockFigures) {
	for v, yes := range locked {
		same := func(r *weights.Rows) bool { return r.DistanceL1(v, artist, v) == 0 }
		switch {
		case yes:
			f.Locked++
			if !same(bare) || !same(blended) {
				f.Changed++
			}
		default:
			f.Neighbours++
			if bare.DistanceL1(v, blended, v) > 0.01 {
				f.OthersMoved++
			}
		}
	}
	for _, t := range m.Triangles {
		for k := range t {
			a, b := int(t[k]), int(t[(k+1)%3])
			if locked[a] == locked[b] {
				continue
			}
			x, y := bare.DistanceL1(a, bare, b), blended.DistanceL1(a, blended, b)
			f.Edges++
			f.Bare, f.Blended = f.Bare+x, f.Blended+y
			f.BareMost, f.BlendedMost = max(f.BareMost, x), max(f.BlendedMost, y)
		}
	}
	return f
}

// lockTable writes the figures of one body's wardrobe.
func lockTable(w *strings.Builder, name string, list []lockFigures) {
	fmt.Fprintf(w, "\n%s, stiff patches locked:\n\n| pass | locked | changed | border edges | mean L1 over them: no blend | blend | largest: no blend | blend | others that the blend moves by over 0.01 |\n", name)
	w.WriteString("|--:|--:|--:|--:|--:|--:|--:|--:|--:|\n")
	for k, f := range list {
		n := max(1, float64(f.Edges))
		fmt.Fprintf(w, "| %d | %d | %d | %d | %.4f | %.4f | %.2f | %.2f | %d of %d |\n",
			k+1, f.Locked, f.Changed, f.Edges, f.Bare/n, f.Blended/n, f.BareMost, f.BlendedMost, f.OthersMoved, f.Neighbours)
	}
}
