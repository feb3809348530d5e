package pass

import (
	"context"
	"math"
	"slices"

	"github.com/selvage/selvage/transfer/mesh"
	"github.com/selvage/selvage/transfer/weights"
)

// Surface is a weighted mesh: a garment or a body.
type Surface struct {
	// Name appears in messages.
	Name string
	// Mesh in the default-pose world frame, metres.
	Mesh *mesh.Mesh
	// Rows by vertex over Joints; empty rows are vertices without usable weights.
	Rows   *weights.Rows
	Joints []Joint
	// Parts are the primitives: ranges of vertices. May be empty.
	Parts []Part
}

// Part is one primitive of a surface.
type Part struct {
	// Name of its mesh, as messages give it.
	Name string
	// Start and End are the range of vertices [Start, End).
	Start, End int
}

// Found are the edits that live in an artist's garment.
type Found struct {
	// Mesh and Joints that the edits are on: the record's mesh where the artist's
	// garment has the same vertices, else the artist's.
	Mesh   *mesh.Mesh
	Joints []Joint
	// Edits, remembered from earlier passes and new. Each has its base and its row.
	Edits *Edits
	// Rows are the transfer's rows by vertex of Mesh, as the record has them, and
	// Current the artist's. Where the record says nothing of a vertex, its row is
	// empty in Rows.
	Rows, Current *weights.Rows
	// saved is what the artist's file has, and the transfer's rows where it was made; nil:
	// Current and Rows. Where the file was made from an earlier garment than the written
	// one (Older), Current has the written rows where the artist has changed nothing since.
	saved reference
	// Older is at how many rows the written garment and the earlier one that the file was
	// made from can be told apart, and OlderAs at how many of these the file has the
	// earlier ones'. Zero: it was made from the written one.
	Older, OlderAs int
	// New counts the edits made since the record was written, Undone the remembered
	// ones that the artist took back.
	New, Undone int
	// Unplaced counts vertices of the artist's garment that have no place on the
	// recorded surface: what is an edit there cannot be told.
	Unplaced int
	// Absent counts the remembered edits whose vertices the artist's garment lacks or
	// has without weights. They live on: nobody has taken them back.
	Absent int
	// Faded counts rows that lack influences under a percent, of FadedMost at most, which
	// the artist may have taken out as well as a program: they are no edits.
	Faded     int
	FadedMost float64
	// Stepped counts rows in integers that are no edits though they differ, by a step at
	// most, from written ones that lie on the same integers.
	Stepped int
	// changed are the vertices whose row the artist has changed since the record was
	// written; nil: none.
	changed []bool
	// absent are the remembered edits, on the record's mesh, where the garment lacks
	// missing of their vertices; lacks says of it which of that mesh's vertices they are.
	absent  *Found
	missing int
	lacks   []bool
}

// Len is how many edits there are, those of vertices that the artist's garment lacks
// included.
func (f *Found) Len() int { return f.Edits.Len() + f.missing }

// reshaped is the L1 distance up to which a row of a vertex that the artist's
// garment has and the record does not still counts as interpolated: programs that
// cut edges interpolate along them, those that smooth do not quite.
const reshaped = 0.02

// Find compares an artist's garment with the record of the last pass. A row that
// differs from the written one by more than an export explains (same.go) is a new
// edit: its base is the transfer's row, not the written one, so that the change
// holds all that the artist ever did there. Rows equal to the written ones keep
// the edits that the record remembers. Where the garment has other vertices than
// the record, the record's rows are interpolated at its vertices (Place), and
// changes of 0.02 in L1 or less are no edits there. A vertex without usable weights
// is no new edit; it keeps the one that the record remembers, and so do vertices that
// the garment lacks (Absent).
//
// Where the rows show that the file was made from an earlier garment of the record
// (earlier.go), that is what it is held against, and the base of a new edit is the
// transfer's row at that time: what passes have changed since is no edit. Errors: ctx's, more than 65536 joints together. O(n log n).
func Find(ctx context.Context, rec *Record, current *Surface, threads int) (*Found, error) {
	place, err := Place(ctx, rec.Mesh, current.Mesh, 0, threads)
	if err != nil {
		return nil, err
	}
	joints, toUnion := joinJoints(rec.Joints, current.Joints)
	if len(joints) > math.MaxUint16+1 {
		return nil, recordFault("its joints and those of %s are %d together, more than %d", current.Name, len(joints), math.MaxUint16+1)
	}
	rows := toUnion.Rows(current.Rows)
	f := &Found{Mesh: current.Mesh, Joints: joints, Edits: newEdits(), Current: rows, Rows: rec.Rows, changed: make([]bool, rows.Len())}
	from := reference{rec.written(), rec.Rows}
	earlier := rec.earlier()
	edits := rec.Edits
	at := entries(rec.Edits.Vertex, rec.Rows.Len())
	if place.ByIndex {
		f.Mesh = rec.Mesh
	} else {
		// What the record says, at the vertices of the artist's garment.
		i := newInterpolation(place, len(joints))
		f.Rows = i.rows(rec.Rows)
		from = reference{i.rows(from.rows), f.Rows}
		for k, x := range earlier {
			earlier[k] = reference{i.rows(x.rows), i.rows(x.base)}
		}
		edits, at = i.edits(rec.Edits, rec.Rows, at)
		for _, fate := range place.Fate {
			if fate != Placed {
				f.Unplaced++
			}
		}
	}
	// Remembered edits that the artist took back or replaced, by vertex of the record.
	over := make([]bool, rec.Rows.Len())
	parts := current.Parts
	if len(parts) == 0 {
		parts = []Part{{Start: 0, End: rows.Len()}}
	}
	hows, howOf := make([]storage, len(parts)), make([]*storage, rows.Len())
	for k, p := range parts {
		hows[k] = storageOf(rows, p.Start, p.End)
		for v := p.Start; v < p.End; v++ {
			howOf[v] = &hows[k]
		}
	}
	as := func(how *storage, r *weights.Rows, v int) (same bool, faded float64) {
		jb, wb := r.Row(v)
		jc, wc := rows.Row(v)
		same, faded = how.same(jb, wb, jc, wc)
		return same || !place.Exact(v) && r.DistanceL1(v, rows, v) <= reshaped, faded
	}
	written := from.rows
	if len(earlier) > 0 {
		given := entries(rec.GivenUp, rec.Rows.Len())
		counts := func(v int) bool {
			joint, _ := rows.Row(v)
			return howOf[v] != nil && len(joint) > 0 && place.Fate[v] == Placed && given[place.Corner[v][0]] < 0
		}
		from, f.Older, f.OlderAs = referenceOf(from, earlier, rows.Len(), counts, func(r *weights.Rows, v int) bool {
			same, _ := as(howOf[v], r, v)
			return same
		})
	}
	for k, p := range parts {
		how := &hows[k]
		how.learn(from.rows, rows, p.Start, p.End, func(v int) bool { return place.Fate[v] == Placed && place.Exact(v) })
		for v := p.Start; v < p.End; v++ {
			joint, weight := rows.Row(v)
			if place.Fate[v] != Placed {
				continue
			}
			remembered := at[v] >= 0
			if len(joint) == 0 {
				if remembered {
					f.Absent++
					f.Edits.add(int32(v), edits, int(at[v]))
				}
				continue
			}
			same, faded := as(how, from.rows, v)
			if !same && f.Older > 0 {
				same, faded = as(how, written, v)
			}
			if same {
				if faded > 0 && place.Exact(v) {
					f.Faded++
					f.FadedMost = max(f.FadedMost, faded)
				}
				if how.step > 0 && place.Exact(v) && rec.Format.Steps() > 0 && 1/float64(rec.Format.Steps()) >= how.step && byAStep(from.rows, rows, v) {
					f.Stepped++
				}
				if remembered {
					f.Edits.add(int32(v), edits, int(at[v]))
				}
				continue
			}
			f.changed[v] = true
			if place.Exact(v) {
				over[place.Corner[v][0]] = true
			}
			back, _ := as(how, from.base, v)
			switch {
			case back || from.base.DistanceL1(v, rows, v) <= faint:
				if remembered {
					f.Undone++
				}
			default:
				f.New++
				f.Edits.Vertex = append(f.Edits.Vertex, int32(v))
				f.Edits.Base.Append(from.base.Row(v))
				f.Edits.Row.Append(joint, weight)
			}
		}
	}
	if f.Older > 0 {
		f.saved = reference{rows, from.base}
		f.Current = weights.NewRows(rows.Len())
		for v := range rows.Len() {
			joint, weight := rows.Row(v)
			if !f.changed[v] && len(joint) > 0 && place.Fate[v] == Placed {
				joint, weight = written.Row(v)
			}
			f.Current.Append(joint, weight)
		}
	}
	if place.ByIndex {
		return f, nil
	}
	return f, f.rememberAbsent(ctx, rec, place, at, over)
}

// byAStep reports whether two rows of the same joints differ.
func byAStep(r, s *weights.Rows, v int) bool {
	ja, _ := r.Row(v)
	jb, _ := s.Row(v)
	return slices.Equal(ja, jb) && !alike(r, v, s, v, floatTolerance)
}

// rememberAbsent sets absent and lacks: the remembered edits of vertices that no
// vertex of the artist's garment stands at or lies beside, so that it has a remembered
// edit (at). With them are the other remembered ones that are not over, so that what
// lies between is whole.
func (f *Found) rememberAbsent(ctx context.Context, rec *Record, place *Placement, at []int32, over []bool) error {
	weld, err := mesh.WeldContext(ctx, rec.Mesh, mesh.WeldTolerance(rec.Mesh))
	if err != nil {
		return err
	}
	there := make([]bool, weld.Mesh.NumVertices())
	for v, fate := range place.Fate {
		for k, c := range place.Corner[v] {
			if fate == Placed && at[v] >= 0 && place.Bary[v][k] > 0 {
				there[weld.ToWelded[c]] = true
			}
		}
	}
	lacks, n, edits := make([]bool, rec.Rows.Len()), 0, newEdits()
	for i, v := range rec.Edits.Vertex {
		if !there[weld.ToWelded[v]] {
			lacks[v] = true
			n++
		}
		if !over[v] {
			edits.add(v, rec.Edits, i)
		}
	}
	if n > 0 {
		f.Absent, f.missing = f.Absent+n, n
		f.absent = &Found{Mesh: rec.Mesh, Joints: f.Joints, Edits: edits, Rows: rec.Rows, Current: rec.written(), lacks: lacks}
	}
	return nil
}
