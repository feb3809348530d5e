package pass

// Garments of before the last pass: an artist's program holds the file that it has opened,
// and saves it after a pass has written another one. Held against that, all that the pass
// has changed would count as changed by hand, back to what it was. So a record keeps what
// passes have taken in, and Find holds a file against the one that it was made from.

import (
	"context"
	"reflect"

	"github.com/selvage/selvage/transfer"
	"github.com/selvage/selvage/transfer/mesh"
	"github.com/selvage/selvage/transfer/weights"
)

const (
	// olderShare is the share of the rows by which an earlier garment and the written one
	// can be told apart that a file must have as they were in the former. The artist may
	// have changed all others.
	olderShare = 0.25
	// olderOdds is how many times as often as those of the written one it must have them:
	// by chance, or by hand, some rows are again what they were.
	olderOdds = 10
)

// reference are the rows that a garment's file was made from: those that a pass wrote or
// the artist had then, and the transfer's at that time.
type reference struct{ rows, base *weights.Rows }

// referenceOf finds which of a record's earlier garments, by the rows and the transfer's
// at each vertex, a file was made from: the one that it agrees with at most vertices
// where any of them is another than the written one. written is the reference where it is
// none of them, and apart is 0 then; else apart is at how many rows the two can be told apart, and
// as at how many of these the file agrees with the earlier one. counts says of which
// vertices something can be told, same whether the file's row of one is that of others.
func referenceOf(written reference, earlier []reference, n int, counts func(v int) bool, same func(r *weights.Rows, v int) bool) (from reference, apart, as int) {
	from = written
	is := make([][]bool, len(earlier)+1)
	for k := range is {
		is[k] = make([]bool, n)
	}
	told := make([]bool, n) // vertices that tell any of them apart
	differ := func(k, v int) bool { return !alike(written.rows, v, earlier[k].rows, v, floatTolerance) }
	for v := range n {
		if !counts(v) {
			continue
		}
		is[len(earlier)][v] = same(written.rows, v)
		for k := range earlier {
			is[k][v] = is[len(earlier)][v]
			if differ(k, v) {
				is[k][v], told[v] = same(earlier[k].rows, v), true
			}
		}
	}
	best := 0
	for k := range earlier {
		all, own, other, total := 0, 0, 0, 0
		for v, yes := range told {
			if !yes {
				continue
			}
			if is[k][v] {
				total++
			}
			switch {
			case !differ(k, v):
			case is[k][v] && is[len(earlier)][v]: // alike to the steps of the file
			default:
				all++
				if is[k][v] {
					own++
				}
				if is[len(earlier)][v] {
					other++
				}
			}
		}
		if own > 0 && float64(own) >= olderShare*float64(all) && own >= olderOdds*other && total > best {
			best, from, apart, as = total, earlier[k], all, own
		}
	}
	return from, apart, as
}

// earlier are a record's earlier garments, with the rows of all vertices.
func (r *Record) earlier() []reference {
	if len(r.Earlier) == 0 {
		return nil
	}
	written := r.written()
	out := make([]reference, len(r.Earlier))
	for k, e := range r.Earlier {
		out[k] = reference{overlaid(written, e.Vertex, e.Rows), overlaid(r.Rows, e.Vertex, e.Base)}
	}
	return out
}

// keepEarlier sets a new record's earlier garments: the one that the pass has taken in, and
// those of the record before it, on fresh. written are the new garment's rows. Errors:
// ctx's, a joint map that does not fit.
func (in *Input) keepEarlier(ctx context.Context, r *Record, fresh *Surface, written *weights.Rows, opt transfer.AssetOptions) error {
	if in.Record == nil {
		return nil
	}
	if in.Record.sameRows(r) {
		r.Earlier = in.Record.Earlier
		return nil
	}
	var list []reference
	if in.saved.rows != nil {
		list = append(list, in.saved)
	}
	if before := in.Record.earlier(); len(before) > 0 {
		to, err := MapJointsBy(in.Record.Joints, fresh.Joints, opt)
		if err != nil {
			return err
		}
		move, err := moverTo(ctx, in.Record.Mesh, fresh.Mesh, to, opt.Threads)
		if err != nil {
			return err
		}
		for _, x := range before {
			list = append(list, reference{move(x.rows), move(x.base)})
		}
	}
	at := entries(r.Edits.Vertex, written.Len())
	for _, x := range list {
		var e Earlier
		rows, base := weights.NewRows(0), weights.NewRows(0)
		for v := range written.Len() {
			joint, _ := x.rows.Row(v)
			of, _ := x.base.Row(v)
			if len(joint) > 0 && len(of) > 0 && (!alike(x.rows, v, written, v, unmoved) || at[v] >= 0 && !alike(x.base, v, r.Rows, v, unmoved)) {
				e.Vertex = append(e.Vertex, int32(v))
				rows.Append(x.rows.Row(v))
				base.Append(x.base.Row(v))
			}
		}
		var err error
		if e.Rows, err = stored(rows, opt.Format, mostKept); err != nil {
			return err
		}
		if e.Base, err = stored(base, opt.Format, mostKept); err != nil {
			return err
		}
		known := len(e.Vertex) == 0
		for _, o := range r.Earlier {
			known = known || reflect.DeepEqual(o, e)
		}
		if !known && len(r.Earlier) < EarlierKept {
			r.Earlier = append(r.Earlier, e)
		}
	}
	return nil
}

// moverTo gives rows on one mesh at the vertices of another, over other joints; empty ones
// where there is no place.
func moverTo(ctx context.Context, from, target *mesh.Mesh, to *JointMap, threads int) (func(*weights.Rows) *weights.Rows, error) {
	place, err := Place(ctx, from, target, 0, threads)
	if err != nil {
		return nil, err
	}
	if place.ByIndex {
		return to.Rows, nil
	}
	n := newInterpolation(place, to.size)
	return func(r *weights.Rows) *weights.Rows { return n.rows(to.Rows(r)) }, nil
}
