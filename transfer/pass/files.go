package pass

// Files: one pass over one garment, from asset to asset.

import (
	"context"
	"fmt"
	"math"
	"slices"
	"strings"

	"github.com/selvage/selvage/transfer"
	"github.com/selvage/selvage/transfer/gltfio"
	"github.com/selvage/selvage/transfer/mesh"
	"github.com/selvage/selvage/transfer/weights"
	"gonum.org/v1/gonum/spatial/r3"
)

// Input of one pass over one garment.
type Input struct {
	// Garment is the garment's name.
	Garment string
	// From is the garment's own file, for Transfer; Run takes New.
	From *gltfio.Asset
	// New is the garment as the new transfer made it.
	New *gltfio.Asset
	// Record of the last pass; nil on the first.
	Record *Record
	// Current is the garment as the artist left it; nil where there is none: then
	// the edits that the record remembers are carried.
	Current *gltfio.Asset
	// Guess says that Current may be another file: it is taken only where at least
	// half of its rows are the recorded ones.
	Guess bool
	// Options that New was made with: its Garments pick the meshes of New and
	// Current, its Format and MaxInfluences the form of the rows.
	Options transfer.AssetOptions
	// Policy for conflicts.
	Policy Policy
	// Lock are regions (package region) whose vertices keep their current row, beside
	// those of Options.
	Lock []string
	// LockJoints are for OfRecord: with Lock they stand for the record's locks.
	LockJoints []string
	// JointMap that New was made with, for OfRecord; empty: the record's.
	JointMap []transfer.JointRule
	// Program, GarmentSum and BodySum go into the record.
	Program             string
	GarmentSum, BodySum [32]byte

	before *weights.Rows // the artist's at the new vertices, once merge has run
	saved  reference     // the same as they were saved, and the transfer's that go with them
	found  *Found        // what find gave, where it was asked already
	free   *gltfio.Asset // New without the locks of joints; nil: New has none
	done   []bool        // vertices whose row in New is locked already; nil: locks are still to do
	// regions are what the locked regions that go by rows have picked, once lockMask has run.
	regions []Region
	// stands are places of joints by name, and renamed a note on those that the artist's
	// file calls otherwise, once find has run.
	stands  map[string]r3.Vec
	renamed []string
	// notes on the artist's file, from OpenArtist and find.
	notes []string
}

// Output of one pass.
type Output struct {
	// Asset to write: New itself where no row differs.
	Asset *gltfio.Asset
	// Record for the next pass.
	Record *Record
	// Confidence and Reason by vertex of New's surface, as written; nil where New
	// has none.
	Confidence []float32
	Reason     []uint16
	Summary    Summary
	// Given is the transfer's own result, before the merge; nil from Run.
	Given *transfer.Result
}

// Summary says what became of the edits. Counts are vertices.
type Summary struct {
	Garment  string `json:"garment"`
	Vertices int    `json:"vertices"`
	// First says that there was no record to compare with.
	First bool `json:"first"`
	// Edited is how many edits were found, New how many of them were made since the
	// last pass, Undone how many the artist took back: on the artist's vertices.
	Edited int `json:"edited"`
	New    int `json:"new"`
	Undone int `json:"undone"`
	// Kept rows are the artist's as they are, Carried ones hold the change on top of
	// the new row, Agreed ones are what the transfer now gives by itself.
	Kept    int `json:"kept"`
	Carried int `json:"carried"`
	Agreed  int `json:"agreed"`
	// Conflict counts vertices in conflict; Conflicts lists them, one for each place.
	Conflict  int        `json:"conflict"`
	Conflicts []Conflict `json:"conflicts,omitempty"`
	// Dropped counts edits that nothing is left of in the result, by reason. Every edit is
	// among these, or a vertex that holds a part of it is among the other counts.
	Dropped map[string]int `json:"dropped,omitempty"`
	Locked  int            `json:"locked"`
	// Notes are sentences for the user.
	Notes []string `json:"notes,omitempty"`
}

// Lost is the number of edits that were dropped.
func (s *Summary) Lost() int {
	n := 0
	for _, k := range s.Dropped {
		n += k
	}
	return n
}

// ReadSurface reads the selected meshes of an asset with their rows. It returns
// the asset's own view of them too. Meshes that are not skinned are an error.
func ReadSurface(ctx context.Context, a *gltfio.Asset, sel gltfio.Selection) (*Surface, *gltfio.Surface, error) {
	read, err := a.WithContext(ctx).Garment(sel)
	if err != nil {
		return nil, nil, err
	}
	if read.Rows == nil {
		return nil, nil, &gltfio.Error{File: a.Name, What: "has no weights"}
	}
	s := &Surface{Name: a.Name, Mesh: read.Mesh, Joints: JointsOf(read.Skin)}
	if s.Rows, err = a.WithContext(ctx).ExactRows(read); err != nil {
		return nil, nil, err
	}
	for _, p := range read.Parts {
		s.Parts = append(s.Parts, Part{Name: partName(p), Start: p.Start, End: p.End})
	}
	return s, read, nil
}

// partName is what a primitive is called: its mesh or node, and its material.
func partName(p gltfio.Part) string {
	name := p.Mesh
	if name == "" {
		name = p.Node
	}
	if name == "" {
		name = fmt.Sprintf("mesh %d", p.MeshIndex)
	}
	if p.Material != "" && p.Material != name {
		name += ", " + p.Material
	}
	return name
}

// Run merges what the artist did into the new transfer's garment and makes the
// record for the next pass. Without any edit the asset is New itself; with the
// same input it gives the same bytes again. Locks of Options hold what Current has, or
// without it what the record says was written, but nothing around them blends to it,
// as it does in Transfer. The inputs are not changed. It does not depend on
// Options.Threads.
func Run(ctx context.Context, in Input) (*Output, error) {
	if in.done == nil {
		var err error
		if in.New, err = in.keepPaint(ctx); err != nil {
			return nil, err
		}
	}
	opt := in.Options
	if opt.MaxInfluences == 0 {
		opt.MaxInfluences = 4 // the default of transfer.Options
	}
	fresh, read, err := ReadSurface(ctx, in.New, opt.Garments)
	if err != nil {
		return nil, err
	}
	if in.stands == nil {
		in.stands = places(read.Skin)
	}
	theirs, err := in.storedLocked(fresh.Rows, fresh.Joints, opt)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", in.New.Name, err)
	}
	out := &Output{Asset: in.New, Summary: Summary{Garment: in.Garment, Vertices: fresh.Mesh.NumVertices(), First: in.Record == nil}}
	sum := &out.Summary
	if out.Confidence, out.Reason, err = marks(in.New, read); err != nil {
		return nil, err
	}
	free, err := in.freeRows(ctx, fresh, theirs, opt)
	if err != nil {
		return nil, err
	}
	merged := &Merged{Rows: theirs, Outcome: make([]Outcome, theirs.Len()), Edits: newEdits()}
	for v, locked := range in.done {
		if locked {
			merged.Outcome[v] = Locked
			sum.Locked++
		}
	}
	if in.Record != nil {
		if merged, err = in.merge(ctx, fresh, read, theirs, free, opt, sum); err != nil {
			return nil, err
		}
		sum.Notes = append(append(sum.Notes, in.notes...), in.renamed...)
		if sum.Edited > 0 {
			sum.Notes = append(sum.Notes, in.idleRules(fresh.Joints)...)
		}
	} else if in.Current != nil && sum.Locked < theirs.Len() {
		sum.Notes = append(sum.Notes, "there is no record of an earlier pass: rows changed by hand in "+in.Current.Name+" could not be told from the transfer's and are replaced")
	}

	out.Record = newRecord(in, opt, fresh, free, merged)
	if out.Record.GivenUp, err = in.givenUp(ctx, fresh.Mesh, free, merged); err != nil {
		return nil, err
	}
	if err := in.takeIn(ctx, out.Record, merged, sum, opt); err != nil {
		return nil, err
	}
	if err := in.keepEarlier(ctx, out.Record, fresh, merged.Rows, opt); err != nil {
		return nil, err
	}
	out.Record.Settled = in.Policy.sum()
	if len(out.Record.Written.Vertex) == 0 && merged.Edits.Len() == 0 && len(merged.Conflicts) == 0 && len(out.Record.GivenUp) == 0 {
		out.Record.Out = fresh.sum()
		return out, nil
	}
	out.mark(merged, theirs)
	written := gltfio.Output{Rows: merged.Rows, Format: opt.Format, Confidence: out.Confidence, Reason: out.Reason}
	if opt.MaxInfluences > 4 {
		written.Sets = 2
	}
	if out.Asset, _, err = in.New.WithContext(ctx).WithOwnRows(read, written); err != nil {
		return nil, err
	}
	asWritten, _, err := ReadSurface(ctx, out.Asset, opt.Garments)
	if err != nil {
		return nil, err
	}
	out.Record.Out = asWritten.sum()
	return out, nil
}

// merge finds the edits, moves them to the new garment and merges. free are theirs without
// locks of joints.
func (in *Input) merge(ctx context.Context, fresh *Surface, read *gltfio.Surface, theirs, free *weights.Rows, opt transfer.AssetOptions, sum *Summary) (*Merged, error) {
	found, err := in.findFor(ctx, opt)
	if err != nil {
		return nil, err
	}
	to, err := MapJointsBy(found.Joints, fresh.Joints, opt)
	if err != nil {
		return nil, err
	}
	moved, err := moveBy(ctx, found, fresh.Mesh, to, opt.Threads)
	if err != nil {
		return nil, err
	}
	in.before, in.saved = moved.Current, moved.saved
	weld, err := mesh.WeldContext(ctx, fresh.Mesh, mesh.WeldTolerance(fresh.Mesh))
	if err != nil {
		return nil, err
	}
	o := MergeOptions{Garment: in.Garment, Policy: in.Policy, MaxInfluences: opt.MaxInfluences, Format: opt.Format, Recorded: in.Record.Format, Welded: weld.ToWelded, Current: moved.Current}
	o.Policy.Rules = slices.Clone(o.Policy.Rules)
	for i := range o.Policy.Rules {
		if r := &o.Policy.Rules[i]; r.MaskAttribute != "" {
			if r.Mask, err = in.mask(ctx, r.MaskAttribute, read, opt); err != nil {
				return nil, err
			}
		}
	}
	var notes []string
	if in.done != nil {
		o.Locked, o.Current, o.Free = in.done, theirs, free
	} else if len(in.locks()) > 0 {
		if o.Locked, notes, err = in.lockMask(ctx, in.New, read, moved.Current, read.Skin, nil, opt); err != nil {
			return nil, err
		}
		for v := range o.Locked {
			joint, _ := moved.Current.Row(v)
			o.Locked[v] = o.Locked[v] && len(joint) > 0
		}
	}
	m, err := Merge(theirs, fresh.Joints, moved.Edits, o)
	if err != nil {
		return nil, err
	}
	present := theirs // a transfer has locked joints already
	if in.done == nil {
		present = presentOr(moved.Current, theirs)
	}
	if err := in.holdJoints(ctx, m, present, theirs, fresh.Joints, opt); err != nil {
		return nil, err
	}

	moved.countVanished(m)
	sum.Notes, sum.Locked = append(sum.Notes, notes...), 0
	sum.Edited, sum.New, sum.Undone, sum.Dropped = found.Len(), found.New, found.Undone, moved.Dropped
	for _, x := range m.Outcome {
		switch x {
		case Kept:
			sum.Kept++
		case Carried:
			sum.Carried++
		case Agreed:
			sum.Agreed++
		case Locked:
			sum.Locked++
		case ConflictKept, ConflictCarried, ConflictNew:
			sum.Conflict++
		}
	}
	sum.Conflicts = m.Conflicts
	note := func(format string, args ...any) { sum.Notes = append(sum.Notes, fmt.Sprintf(format, args...)) }
	if found.Unplaced > 0 {
		note("%d vertices of the artist's garment have no place on the recorded surface: what was edited there cannot be told", found.Unplaced)
	}
	if found.Absent > 0 {
		note("%d edits of earlier passes lie where the artist's garment has no vertices or no weights: they are those of the record", found.Absent)
	}
	if found.Older > 0 {
		note("%s was made from a garment of before the last pass: of %d rows that passes have changed since it has %d as they were; only what differs from that garment counts as changed by hand", in.Current.Name, found.Older, found.OlderAs)
	}
	if found.Faded > 0 {
		note("%d rows lack influences of up to %.2g%% that they were written with, and the file has hardly any smaller ones: that may be the saving program's doing, and does not count as changed by hand", found.Faded, 100*found.FadedMost)
	}
	if found.Stepped > 0 {
		note("%d rows differ from the written ones by no more than a step of their weights: that may be rounding, and does not count as changed by hand", found.Stepped)
	}
	if n := found.Mesh.NumVertices(); 2*found.New > n {
		note("%d of %d rows differ from those that the last pass wrote: is this really the garment that it wrote, and not one of an earlier pass?", found.New, n)
	}
	if !moved.ByIndex && found.Len() > 0 {
		note("the garment has other vertices than before: the edits were moved along its surface")
	}
	if len(moved.GoneJoints) > 0 {
		note("joints that are gone and had edited weight, now on their nearest ancestor: %s", strings.Join(moved.GoneJoints, ", "))
	}
	many := 0
	for v, x := range m.Outcome {
		if x != Plain && x != Locked && x != Vanished && cuts(opt.MaxInfluences, m.Rows, v) {
			many++
		}
	}
	if many > 0 {
		note("%d rows changed by hand have more influences than the limit of %d and keep them", many, opt.MaxInfluences)
	}
	if len(m.Cut) > 0 {
		note("%d rows changed by hand have %d influences or more: no more of them are kept", len(m.Cut), mostKept)
	}
	if len(m.Lost) > 0 {
		note("%d carried rows lack an influence that was given by hand: others are larger, and more than the limit of %d", len(m.Lost), opt.MaxInfluences)
	}
	if m.SeamsJoined > 0 {
		note("in %d places coincident vertices were edited apart: all took the larger edit", m.SeamsJoined)
	}
	return m, nil
}

// find compares the artist's garment with the record; without one, what the
// record remembers stands for it.
func (in *Input) find(ctx context.Context, opt transfer.AssetOptions) (*Found, error) {
	if in.Current == nil {
		return remembered(in.Record), nil
	}
	current, own, err := ReadSurface(ctx, in.Current, opt.Garments)
	if err != nil {
		return nil, err
	}
	if in.Record.Merged == current.sum() {
		return remembered(in.Record), nil // its edits are in the record already
	}
	if in.renamed = renameByPlace(current.Joints, own.Skin, in.Record.Joints, in.stands); len(in.renamed) > 0 {
		in.renamed = []string{renamedNote(in.Current.Name, in.renamed)}
	}
	f, err := Find(ctx, in.Record, current, opt.Threads)
	if err == nil && in.Guess && 2*(f.New+f.Unplaced) > current.Rows.Len() {
		in.notes, in.renamed = append(in.notes, fmt.Sprintf("most rows of %s are not those that the last pass wrote, and nothing in it counts as edited: the edits are those of the record", in.Current.Name)), nil
		return remembered(in.Record), nil
	}
	return f, err
}

// remembered are the edits of a record, with the garment as it was written.
func remembered(r *Record) *Found {
	return &Found{Mesh: r.Mesh, Joints: r.Joints, Edits: r.Edits, Rows: r.Rows, Current: r.written()}
}

// mask reads an attribute of the new garment, which has those of the file that it
// was made from, or else of the artist's.
func (in *Input) mask(ctx context.Context, name string, read *gltfio.Surface, opt transfer.AssetOptions) ([]bool, error) {
	values, err := in.New.Scalars(read, name)
	if err != nil {
		return nil, err
	}
	out := make([]bool, read.Mesh.NumVertices())
	if values != nil {
		for v, x := range values {
			out[v] = x >= 0.5
		}
		return out, nil
	}
	if in.Current != nil {
		own, err := in.Current.WithContext(ctx).Garment(opt.Garments)
		if err != nil {
			return nil, err
		}
		if values, err = in.Current.Scalars(own, name); err != nil {
			return nil, err
		}
		if values != nil {
			return placedMask(ctx, own, read, values, opt.Threads)
		}
	}
	return nil, &gltfio.Error{File: in.New.Name, What: fmt.Sprintf("has no vertex attribute %q of one number", name)}
}

// placedMask marks the vertices of a surface where values at the vertices of another
// are 0.5 or more.
func placedMask(ctx context.Context, from, to *gltfio.Surface, values []float64, threads int) ([]bool, error) {
	place, err := Place(ctx, from.Mesh, to.Mesh, 0, threads)
	if err != nil {
		return nil, err
	}
	out := make([]bool, to.Mesh.NumVertices())
	for v := range out {
		sum := 0.0
		for k, c := range place.Corner[v] {
			if b := place.Bary[v][k]; b > 0 {
				sum += b * values[c]
			}
		}
		out[v] = place.Fate[v] == Placed && sum >= 0.5
	}
	return out, nil
}

// marks reads what a transfer says of each vertex; nil where the garment does not
// have it for all.
func marks(a *gltfio.Asset, s *gltfio.Surface) (confidence []float32, reason []uint16, err error) {
	c, err := a.Scalars(s, "_CONFIDENCE")
	if err != nil {
		return nil, nil, err
	}
	r, err := a.Scalars(s, "_REASON")
	if err != nil {
		return nil, nil, err
	}
	legal := func(x, most float64) bool { return x >= 0 && x <= most }
	for _, x := range c {
		if !legal(x, 1) {
			return nil, nil, nil
		}
	}
	for _, x := range r {
		if !legal(x, math.MaxUint16) {
			return nil, nil, nil
		}
	}
	if c == nil || r == nil {
		return nil, nil, nil
	}
	confidence, reason = make([]float32, len(c)), make([]uint16, len(r))
	for v := range c {
		confidence[v], reason[v] = float32(c[v]), uint16(r[v])
	}
	return confidence, reason, nil
}

// errorScale is e in confidence = exp(-error/e), as in transfer.Result.
const errorScale = 0.4

// mark puts what the merge did into confidence and reasons. A row that an artist
// made and that nothing has moved since is as sure as can be. Of two rows in
// conflict either may be right, so the one written is off by half their distance
// on average.
func (o *Output) mark(m *Merged, theirs *weights.Rows) {
	if o.Confidence == nil {
		return
	}
	at := entries(m.Edits.Vertex, len(m.Outcome))
	for _, v := range slices.Concat(m.Cut, m.Lost) {
		o.Reason[v] |= uint16(transfer.ReasonPruned)
	}
	for _, v := range o.Record.GivenUp {
		o.Reason[v] |= uint16(transfer.ReasonEditConflict)
	}
	for v, x := range m.Outcome {
		switch {
		case at[v] < 0:
		case x == Vanished:
			o.Reason[v] |= uint16(transfer.ReasonPruned)
		default:
			o.Reason[v] |= uint16(transfer.ReasonKeptEdit)
		}
		switch x {
		case Locked:
			o.Confidence[v], o.Reason[v] = 1, uint16(transfer.ReasonKeptEdit)
		case Kept:
			o.Confidence[v] = 1
		case ConflictKept, ConflictCarried:
			o.Reason[v] |= uint16(transfer.ReasonEditConflict)
			if at[v] >= 0 {
				d := m.Edits.Row.DistanceL1(int(at[v]), theirs, v)
				o.Confidence[v] = min(o.Confidence[v], float32(math.Exp(-d/2/errorScale)))
			}
		}
	}
}

// newRecord is what the next pass needs to know; free are the transfer's rows without locks
// of joints, so that what these hold is no part of them.
func newRecord(in Input, opt transfer.AssetOptions, fresh *Surface, free *weights.Rows, m *Merged) *Record {
	r := &Record{
		Garment: in.Garment, Program: in.Program, GarmentSum: in.GarmentSum, BodySum: in.BodySum, Options: in.Options,
		Joints: fresh.Joints, Format: opt.Format, Rows: free, Edits: m.Edits, Written: &Sparse{Rows: weights.NewRows(0)},
		Regions: in.regions,
		Mesh:    &mesh.Mesh{Positions: slices.Clone(fresh.Mesh.Positions), Triangles: fresh.Mesh.Triangles},
	}
	r.Options.Threads, r.Options.Progress = 0, nil
	for i, p := range r.Mesh.Positions {
		p.X, p.Y, p.Z = float64(float32(p.X)), float64(float32(p.Y)), float64(float32(p.Z))
		r.Mesh.Positions[i] = p
	}
	// Of a locked vertex that was edited once the record keeps what the edit changed.
	at := entries(m.Edits.Vertex, len(m.Outcome))
	if slices.ContainsFunc(m.Edits.Vertex, func(v int32) bool { return m.Outcome[v] == Locked }) {
		r.Rows = weights.NewRows(free.Len())
		for v := range m.Outcome {
			if m.Outcome[v] == Locked && at[v] >= 0 {
				r.Rows.Append(m.Edits.Base.Row(int(at[v])))
			} else {
				r.Rows.Append(free.Row(v))
			}
		}
	}
	for v := range m.Outcome {
		if compareRows(m.Rows, v, r.Rows, v) != 0 {
			r.Written.Vertex = append(r.Written.Vertex, int32(v))
			r.Written.Rows.Append(m.Rows.Row(v))
		}
	}
	return r
}
