package pass

import (
	"fmt"
	"math"

	"github.com/selvage/selvage/transfer"
	"github.com/selvage/selvage/transfer/mesh"
	"github.com/selvage/selvage/transfer/weights"
)

// Record is what a pass leaves for the next one: what the transfer gave, what the
// artist had changed, and what was written.
type Record struct {
	// Garment is the garment's name.
	Garment string
	// Program is the version of the program that wrote the record.
	Program string
	// GarmentSum and BodySum are the SHA-256 of the two files that went in; zero
	// where they are not known.
	GarmentSum, BodySum [32]byte
	// Merged is the sum of the artist's garment that the record has taken in. A crash
	// may leave that garment beside the record: it must not be compared with it again.
	// Zero: none, or none that brought anything new.
	Merged [32]byte
	// Out is the sum of the garment as written, and Settled that of the policy which
	// settled its conflicts: a garment's file that is its own output is known again by
	// them.
	Out, Settled [32]byte
	// Last is what the last pass did that brought the record something new, for reports:
	// no later pass depends on it.
	Last LastPass
	// Options of the transfer, without Threads and Progress, which no result depends
	// on.
	Options transfer.AssetOptions
	// Joints that all rows refer to.
	Joints []Joint
	// Mesh is the written garment in the default-pose world frame, positions rounded
	// to float32: all its primitives in the file's order, without normals.
	Mesh *mesh.Mesh
	// Format of the stored rows. All rows of a record lie on its grid, so that they
	// come back bit for bit.
	Format weights.Format
	// Rows are the transfer's own, by vertex, before any edit.
	Rows *weights.Rows
	// Edits that live in the written garment: of each edited vertex the transfer's
	// row that the artist changed, in whatever pass that was, and the artist's row.
	Edits *Edits
	// GivenUp are the vertices, ascending, whose edit a conflict has cost: the written
	// garment shows them until the transfer moves their rows again.
	GivenUp []int32
	// Written are the rows as written, of those vertices alone where they differ
	// from Rows.
	Written *Sparse
	// Regions are what the locked regions that pick vertices by their rows have picked. The
	// next pass sticks to it: what blends to a locked row must not join the lock.
	Regions []Region
	// Earlier are garments as artists left them before passes that took them in, newest
	// first, at most EarlierKept: a program may hold one of them still, and save it after
	// the pass.
	Earlier []Earlier
}

// EarlierKept is how many earlier garments a record keeps.
const EarlierKept = 3

// Earlier is a garment as an artist left it before a pass, where that differs from the
// one that was written last, or an edited row has another one of the transfer's beneath it.
type Earlier struct {
	// Vertex is ascending and distinct.
	Vertex []int32
	// Rows are the garment's and Base the transfer's at that time, by entry of Vertex.
	Rows, Base *weights.Rows
}

// Region is what a locked region has picked.
type Region struct {
	// Spec is the region as written (package region).
	Spec string
	// Vertex is ascending and distinct.
	Vertex []int32
}

// region is what a region has picked; nil where the record does not know it.
func (r *Record) region(spec string) *Region {
	for i := range r.Regions {
		if r.Regions[i].Spec == spec {
			return &r.Regions[i]
		}
	}
	return nil
}

// LastPass is what a pass did, for reports.
type LastPass struct {
	// Summary of it, with the worst conflicts alone and without notes.
	Summary Summary
	// Difference of each row to the garment as the artist left it, the L1 distance in
	// steps of DifferenceStep; UnknownDifference where that garment has no place. Nil: it
	// was the first pass.
	Difference []uint16
}

const (
	// DifferenceStep is one step of LastPass.Difference: the largest distance, 2, has
	// 65534 of them.
	DifferenceStep = 2.0 / 65534
	// UnknownDifference is none.
	UnknownDifference = 65535
	// RecordedConflicts is how many conflicts of its pass a record lists, at most: the
	// worst (WorstConflicts).
	RecordedConflicts = 1000
)

// Sparse is the rows of some vertices.
type Sparse struct {
	// Vertex is ascending and distinct.
	Vertex []int32
	// Rows by entry of Vertex.
	Rows *weights.Rows
}

// Edits are rows that an artist changed.
type Edits struct {
	// Vertex is ascending and distinct.
	Vertex []int32
	// Base is the transfer's row and Row the artist's, by entry of Vertex.
	Base, Row *weights.Rows
	// mixed says of entries that their rows are interpolated and nobody's own; those
	// behind its end are not. No record has any.
	mixed []bool
}

// newEdits returns no edits.
func newEdits() *Edits { return &Edits{Base: weights.NewRows(0), Row: weights.NewRows(0)} }

// add appends entry i of from as the edit of vertex v.
func (e *Edits) add(v int32, from *Edits, i int) {
	e.Vertex = append(e.Vertex, v)
	e.Base.Append(from.Base.Row(i))
	e.Row.Append(from.Row.Row(i))
	if from.isMixed(i) {
		for len(e.mixed) < len(e.Vertex)-1 {
			e.mixed = append(e.mixed, false)
		}
		e.mixed = append(e.mixed, true)
	}
}

// isMixed reports whether the rows of entry i are interpolated.
func (e *Edits) isMixed(i int) bool { return i < len(e.mixed) && e.mixed[i] }

// Len is the number of edited vertices.
func (e *Edits) Len() int { return len(e.Vertex) }

// entries leads from vertex to entry of vertex, -1 where there is none.
func entries(vertex []int32, n int) []int32 {
	at := make([]int32, n)
	for v := range at {
		at[v] = -1
	}
	for i, v := range vertex {
		at[v] = int32(i)
	}
	return at
}

// written returns the rows of all vertices as the pass wrote them.
func (r *Record) written() *weights.Rows {
	return overlaid(r.Rows, r.Written.Vertex, r.Written.Rows)
}

// overlaid are rows with others, by entry of vertex, in the place of some.
func overlaid(rows *weights.Rows, vertex []int32, others *weights.Rows) *weights.Rows {
	if len(vertex) == 0 {
		return rows
	}
	out := weights.NewRows(rows.Len())
	for v, i := range entries(vertex, rows.Len()) {
		if i >= 0 {
			out.Append(others.Row(int(i)))
		} else {
			out.Append(rows.Row(v))
		}
	}
	return out
}

// RecordError says what is wrong with a record.
type RecordError struct{ What string }

func (e *RecordError) Error() string { return "pass record: " + e.What }

func recordFault(format string, args ...any) error {
	return &RecordError{fmt.Sprintf(format, args...)}
}

// Validate returns a *RecordError for a record that hangs together badly, so that
// nothing else needs to look twice. O(size).
func (r *Record) Validate() error {
	if r.Mesh == nil || r.Rows == nil || r.Edits == nil || r.Written == nil {
		return recordFault("a part is missing")
	}
	if err := r.Mesh.Validate(); err != nil {
		return recordFault("%v", err)
	}
	if r.Mesh.Normals != nil {
		return recordFault("normals are not part of it")
	}
	if r.Format < weights.Float32 || r.Format > weights.Uint8 {
		return recordFault("unknown weight format %d", r.Format)
	}
	if len(r.Joints) > math.MaxUint16+1 {
		return recordFault("%d joints", len(r.Joints))
	}
	for j, x := range r.Joints {
		if x.Parent < -1 || int(x.Parent) >= len(r.Joints) || int(x.Parent) == j {
			return recordFault("joint %d: parent %d is not another joint", j, x.Parent)
		}
	}
	n := r.Mesh.NumVertices()
	if r.Rows.Len() != n {
		return recordFault("%d rows for %d vertices", r.Rows.Len(), n)
	}
	if r.Last.Difference != nil && len(r.Last.Difference) != n {
		return recordFault("%d differences for %d vertices", len(r.Last.Difference), n)
	}
	if err := checkVertices("given up edit", r.GivenUp, n); err != nil {
		return err
	}
	for _, x := range r.Regions {
		if err := checkVertices(fmt.Sprintf("region %q", x.Spec), x.Vertex, n); err != nil {
			return err
		}
	}
	type table struct {
		name   string
		vertex []int32
		rows   *weights.Rows
	}
	list := []table{{"row", nil, r.Rows}, {"base", r.Edits.Vertex, r.Edits.Base}, {"edit", r.Edits.Vertex, r.Edits.Row}, {"written row", r.Written.Vertex, r.Written.Rows}}
	for _, e := range r.Earlier {
		list = append(list, table{"earlier row", e.Vertex, e.Rows}, table{"earlier base", e.Vertex, e.Base})
	}
	for _, t := range list {
		if err := r.checkRows(t.name, t.vertex, t.rows, n); err != nil {
			return err
		}
	}
	return nil
}

// checkVertices checks a list of vertices, which must ascend.
func checkVertices(name string, vertex []int32, n int) error {
	last := int32(-1)
	for _, v := range vertex {
		if v <= last || int(v) >= n {
			return recordFault("%s of vertex %d after vertex %d of %d", name, v, last, n)
		}
		last = v
	}
	return nil
}

// checkRows checks a table of rows and the vertices it is for; nil: all.
func (r *Record) checkRows(name string, vertex []int32, rows *weights.Rows, n int) error {
	if rows == nil {
		return recordFault("%ss are missing", name)
	}
	if name != "row" {
		if len(vertex) != rows.Len() {
			return recordFault("%d %ss for %d vertices", rows.Len(), name, len(vertex))
		}
		if err := checkVertices(name, vertex, n); err != nil {
			return err
		}
	}
	if len(rows.Start) == 0 || rows.Start[0] != 0 || int(rows.Start[len(rows.Start)-1]) != len(rows.Joint) || len(rows.Joint) != len(rows.Weight) {
		return recordFault("%ss do not add up", name)
	}
	for k := range rows.Len() {
		if rows.Start[k+1] < rows.Start[k] {
			return recordFault("%s %d has a negative length", name, k)
		}
		joint, weight := rows.Row(k)
		last := -1
		for i, j := range joint {
			if int(j) <= last || int(j) >= len(r.Joints) {
				return recordFault("%s %d: joint %d after %d of %d", name, k, j, last, len(r.Joints))
			}
			if w := weight[i]; !(w > 0 && w <= 2) {
				return recordFault("%s %d: weight %g", name, k, w)
			}
			last = int(j)
		}
	}
	return nil
}
