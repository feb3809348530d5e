package retouch

import (
	"context"
	"errors"
	"math"
	"slices"

	"github.com/selvage/selvage/transfer"
	"github.com/selvage/selvage/transfer/closest"
	"github.com/selvage/selvage/transfer/weights"
	"gonum.org/v1/gonum/spatial/r3"
)

// Stored are the influences of every vertex as a file has them, sound or not, those
// of weight zero too: those of vertex v are Joint[Start[v]:Start[v+1]] with Weight.
type Stored struct {
	Start  []int32
	Joint  []uint16
	Weight []float64
}

// TidyOptions of Tidy. The zero value works.
type TidyOptions struct {
	// PruneBelow drops influences with a smaller share of their row, in [0, 1).
	// Zero: 1e-7, as the transfer does.
	PruneBelow float64
}

func (o *TidyOptions) validate() error {
	if !(o.PruneBelow >= 0 && o.PruneBelow < 1) {
		return bad("prune-below", "%g is no share of a row", o.PruneBelow)
	}
	return nil
}

// TidyReport says what Tidy mended. All but Places are vertices; one vertex may be
// counted under several.
type TidyReport struct {
	// NotFinite rows had a weight that is no number or infinite, Zero rows no weight at
	// all: they were put together from the vertices in the same place, or else filled in
	// from their neighbours.
	NotFinite int `json:"notFinite"`
	Zero      int `json:"zero"`
	// Negative rows had weights below zero, which were set to zero.
	Negative int `json:"negative"`
	// Sum: the weights did not sum to one.
	Sum int `json:"sum"`
	// Twice: a joint stood there twice; its weights were added.
	Twice int `json:"twice"`
	// Pruned rows had influences below the least, Limited ones too many.
	Pruned  int `json:"pruned"`
	Limited int `json:"limited"`
	// Cleared rows named a joint without giving it weight.
	Cleared int `json:"cleared"`
	// Seams: other vertices in the same place had other rows; all took their mean. Places
	// is how many such places there were.
	Seams  int `json:"seams"`
	Places int `json:"places"`
	// Filled vertices are those of NotFinite and Zero that nothing in their place could
	// mend.
	Filled int `json:"filled"`
}

// ErrNoRows says that no vertex of a surface has weights.
var ErrNoRows = errors.New("no vertex has weights")

// leastSum is the sum of weights up to which a row counts as having none: gltfio's.
const leastSum = 1e-6

// Tidy mends the rows of a surface: influences below the least and beyond the most
// are dropped, rows sum to one on the grid of the form's format, vertices in one place
// have one row, and rows that are no rows are put together anew. s.Rows are stored's,
// mended as far as each row goes by itself (package gltfio does that), and empty where
// there is nothing to mend. A sound row is not in Changed, so that a tidy surface comes
// out as it is.
//
// Errors: *transfer.OptionError; ErrNoRows;
// ctx's. O(n log n), and O(k^1.5) for k rows that are filled in.
func Tidy(ctx context.Context, s *Surface, stored *Stored, opt TidyOptions, form Form) (*Result, *TidyReport, error) {
	if err := opt.validate(); err != nil {
		return nil, nil, err
	}
	if opt.PruneBelow == 0 {
		opt.PruneBelow = pruneBelow
	}
	g, err := join(ctx, s, form)
	if err != nil {
		return nil, nil, err
	}
	report := &TidyReport{}
	dirty := make([]bool, len(g.to))
	unusable := make([]bool, len(g.to))
	for v := range dirty {
		dirty[v], unusable[v] = report.look(stored, v, opt, g.form)
	}

	// One row for each place that needs one.
	touched, fill := make([]bool, len(g.member)), make([]bool, len(g.member))
	// sound is a vertex of a touched place with nothing wrong by itself, where no other
	// has another row; -1: none. The others take its row as it is stored, so that it need
	// not change by a rounding.
	sound := make([]int32, len(g.member))
	anyUsable, anyFill := false, false
	for w, m := range g.member {
		anyUsable = anyUsable || g.usable(w)
		parted := 0
		first := -1 // of those that have a row
		sound[w] = -1
		for _, v := range m {
			touched[w] = touched[w] || dirty[v]
			if !dirty[v] && sound[w] < 0 {
				sound[w] = v
			}
			switch {
			case unusable[v]:
			case first < 0:
				first = int(v)
			case !sameStored(stored, first, int(v)):
				parted++
			}
		}
		if parted > 0 {
			touched[w], sound[w] = true, -1
			report.Places++
			report.Seams += len(m)
		}
		if !g.usable(w) {
			fill[w], anyFill = true, true
			report.Filled += len(m)
		}
	}
	if !anyUsable {
		return nil, nil, ErrNoRows
	}
	rows := g.rows
	if anyFill {
		if rows, err = g.repair(ctx, fill); err != nil {
			return nil, nil, err
		}
	}
	given := rows
	rows, moved := g.owned(given, touched)
	some := weights.NewRows(0)
	at := make([]int32, len(g.member))
	for w := range at {
		if touched[w] {
			at[w] = int32(some.Len())
			some.Append(rows.Row(w))
		}
	}
	done, _, err := weights.FinishContext(ctx, some, weights.FinishOptions{
		MaxInfluences: g.form.MaxInfluences, PruneBelow: opt.PruneBelow, Format: g.form.Format, Threads: g.form.Threads,
	})
	if err != nil {
		return nil, nil, err
	}
	r := &Result{Rows: weights.NewRows(len(g.to)), Changed: make([]bool, len(g.to))}
	for v, w := range g.to {
		kept := touched[w] && sound[w] >= 0 && (moved == nil || moved[w] == nil)
		if !touched[w] || !dirty[v] && (kept || storedAs(stored, v, done, int(at[w]))) {
			r.Rows.Append(s.Rows.Row(v))
			continue
		}
		r.Changed[v] = true
		if kept {
			r.Rows.Append(storedRow(stored, int(sound[w])))
			continue
		}
		r.Rows.Append(done.Row(int(at[w])))
	}
	r.Lacking = g.lacked(given, moved, r.Changed)
	return r, report, ctx.Err()
}

// look counts what is wrong with the stored row of v by itself.
func (r *TidyReport) look(s *Stored, v int, opt TidyOptions, form Form) (dirty, unusable bool) {
	joint, weight := s.Joint[s.Start[v]:s.Start[v+1]], s.Weight[s.Start[v]:s.Start[v+1]]
	sum, negative, finiteAll, cleared, twice := 0.0, false, true, false, false
	positive := 0
	for i, w := range weight {
		switch {
		case !finite(w):
			finiteAll = false
		case w < 0:
			negative = true
		case w == 0:
			cleared = cleared || joint[i] != 0
		default:
			sum += w
			positive++
			for k := range i {
				twice = twice || joint[k] == joint[i] && weight[k] > 0
			}
		}
	}
	count := func(n *int, is bool) {
		if is {
			*n++
			dirty = true
		}
	}
	count(&r.Cleared, cleared)
	count(&r.NotFinite, !finiteAll)
	if !finiteAll {
		return dirty, true
	}
	count(&r.Negative, negative)
	count(&r.Zero, !(sum > leastSum))
	if !(sum > leastSum) {
		return dirty, true
	}
	count(&r.Twice, twice)
	if !negative {
		count(&r.Sum, form.Format.CheckStored(v, weight) != nil)
	}
	small := false
	for _, w := range weight {
		small = small || w > 0 && w/sum < opt.PruneBelow
	}
	count(&r.Pruned, small)
	count(&r.Limited, positive > form.MaxInfluences)
	return dirty, false
}

// sameStored reports whether two vertices have the same weights, in whatever order.
func sameStored(s *Stored, u, v int) bool {
	return slices.Equal(sorted(s, u), sorted(s, v))
}

// influence is an entry of a stored row.
type influence struct {
	joint  uint16
	weight float64
}

// sorted are the influences of v that have weight, by joint.
func sorted(s *Stored, v int) []influence {
	var out []influence
	for i := s.Start[v]; i < s.Start[v+1]; i++ {
		if s.Weight[i] > 0 {
			out = append(out, influence{s.Joint[i], s.Weight[i]})
		}
	}
	slices.SortFunc(out, func(a, b influence) int { return int(a.joint) - int(b.joint) })
	return out
}

// storedRow is the row of v as it is stored, without what has no weight.
func storedRow(s *Stored, v int) (joint []uint16, weight []float64) {
	for _, x := range sorted(s, v) {
		joint, weight = append(joint, x.joint), append(weight, x.weight)
	}
	return joint, weight
}

// storedAs reports whether vertex v is stored with row u of rows.
func storedAs(s *Stored, v int, rows *weights.Rows, u int) bool {
	list := sorted(s, v)
	joint, weight := rows.Row(u)
	if len(list) != len(joint) {
		return false
	}
	for i, x := range list {
		if x.joint != joint[i] || x.weight != weight[i] {
			return false
		}
	}
	return true
}

// repair fills in the rows of the joined vertices in mask from their neighbours
// along the surface, and from the nearest surface with weights where they have none.
func (g *joined) repair(ctx context.Context, mask []bool) (*weights.Rows, error) {
	rows, reached, err := g.fill(ctx, mask, transfer.FillHarmonic, &FillReport{})
	if err != nil {
		return nil, err
	}
	var tree *closest.Tree
	out := weights.NewRows(rows.Len())
	acc := weights.NewAccumulator(len(g.of.Skin.Joints))
	for w := range mask {
		if !mask[w] || reached[w] {
			out.Append(rows.Row(w))
			continue
		}
		if tree == nil {
			if tree, err = closest.NewTreeAmong(ctx, g.bind.Positions, g.bind.Triangles, func(t [3]int32) bool {
				return g.usable(int(t[0])) && g.usable(int(t[1])) && g.usable(int(t[2]))
			}, g.form.Threads); err != nil {
				return nil, err
			}
		}
		if hit := tree.Nearest(g.bind.Positions[w]); hit.Triangle >= 0 {
			for k, c := range g.bind.Triangles[hit.Triangle] {
				acc.AddRow(g.rows, int(c), hit.Bary[k])
			}
		} else {
			acc.AddRow(g.rows, g.nearestUsable(w), 1)
		}
		acc.FlushNormalised(out)
	}
	return out, nil
}

// nearestUsable is the joined vertex with a row that is nearest to w.
func (g *joined) nearestUsable(w int) int {
	best, least := 0, math.Inf(1)
	for u := range g.member {
		if !g.usable(u) {
			continue
		}
		if d := r3.Norm2(r3.Sub(g.bind.Positions[u], g.bind.Positions[w])); d < least {
			best, least = u, d
		}
	}
	return best
}
