package pass

// A crash between the writing of a record and of its garment leaves the new record
// beside the garment that the artist saved. Held against each other they would make
// an edit of every row that the transfer has moved. So a record names the garment
// that it has taken in, and find knows that one again.

import (
	"context"
	"crypto/sha256"
	"encoding/binary"
	"fmt"
	"math"
	"reflect"
	"slices"

	"github.com/selvage/selvage/transfer"
	"github.com/selvage/selvage/transfer/gltfio"
	"github.com/selvage/selvage/transfer/mesh"
	"github.com/selvage/selvage/transfer/weights"
)

// sum is the SHA-256 of what a pass reads of a surface: joints, positions as float32,
// triangles, rows as float32. The names of file and parts are left out. O(size).
func (s *Surface) sum() (out [sha256.Size]byte) {
	h := sha256.New()
	var b []byte
	flush := func() {
		h.Write(b)
		b = b[:0]
	}
	u32 := func(x uint32) {
		if b = binary.LittleEndian.AppendUint32(b, x); len(b) >= 1<<15 {
			flush()
		}
	}
	u32(uint32(len(s.Joints)))
	for _, j := range s.Joints {
		u32(uint32(len(j.Name)))
		b = append(b, j.Name...)
		u32(uint32(j.Parent))
	}
	u32(uint32(s.Mesh.NumVertices()))
	for v, p := range s.Mesh.Positions {
		for _, x := range [3]float64{p.X, p.Y, p.Z} {
			u32(math.Float32bits(float32(x)))
		}
		joint, weight := s.Rows.Row(v)
		u32(uint32(len(joint)))
		for i, j := range joint {
			u32(uint32(j))
			u32(math.Float32bits(float32(weight[i])))
		}
	}
	for _, t := range s.Mesh.Triangles {
		for _, v := range t {
			u32(uint32(v))
		}
	}
	flush()
	h.Sum(out[:0])
	return out
}

// takeIn sets the record's Merged and Last. A pass that brings the record nothing new
// leaves both as they were, so that running again writes the same bytes; its garment
// goes with the record before it as well.
func (in *Input) takeIn(ctx context.Context, r *Record, m *Merged, sum *Summary, opt transfer.AssetOptions) error {
	if in.Record != nil && in.Record.sameRows(r) {
		r.Merged, r.Last = in.Record.Merged, in.Record.Last
		return nil
	}
	r.Last.Summary = *sum
	r.Last.Summary.Notes, r.Last.Summary.Conflicts = nil, sum.WorstConflicts(RecordedConflicts)
	if in.before != nil {
		r.Last.Difference = make([]uint16, len(m.Outcome))
		for v := range r.Last.Difference {
			r.Last.Difference[v] = UnknownDifference
			if joint, _ := in.before.Row(v); len(joint) > 0 {
				r.Last.Difference[v] = uint16(min(m.Rows.DistanceL1(v, in.before, v)/DifferenceStep+0.5, UnknownDifference-1))
			}
		}
	}
	if in.Current == nil {
		return nil
	}
	s, _, err := ReadSurface(ctx, in.Current, opt.Garments)
	if err != nil {
		return err
	}
	r.Merged = s.sum()
	return nil
}

// Differences are the distances by vertex, NaN where there is none; nil after a first
// pass.
func (l *LastPass) Differences() []float64 {
	if l.Difference == nil {
		return nil
	}
	out := make([]float64, len(l.Difference))
	for v, d := range l.Difference {
		out[v] = float64(d) * DifferenceStep
		if d == UnknownDifference {
			out[v] = math.NaN()
		}
	}
	return out
}

// sameRows reports whether two records tell of the same vertices with the same rows
// and edits.
func (r *Record) sameRows(o *Record) bool {
	rows := func(a, b *weights.Rows) bool {
		return slices.Equal(a.Start, b.Start) && slices.Equal(a.Joint, b.Joint) && slices.Equal(a.Weight, b.Weight)
	}
	return r.Format == o.Format && slices.Equal(r.Joints, o.Joints) && slices.Equal(r.Mesh.Triangles, o.Mesh.Triangles) && reflect.DeepEqual(r.Mesh.Positions, o.Mesh.Positions) &&
		rows(r.Rows, o.Rows) && slices.Equal(r.Edits.Vertex, o.Edits.Vertex) && rows(r.Edits.Base, o.Edits.Base) && rows(r.Edits.Row, o.Edits.Row) &&
		slices.Equal(r.GivenUp, o.GivenUp) && slices.Equal(r.Written.Vertex, o.Written.Vertex) && rows(r.Written.Rows, o.Written.Rows)
}

// givenUp returns the vertices whose edit a conflict has cost, in this pass or in one
// before since which the transfer has not moved them. theirs are the new transfer's
// rows on fresh. Errors: ctx's.
func (in *Input) givenUp(ctx context.Context, fresh *mesh.Mesh, theirs *weights.Rows, m *Merged) ([]int32, error) {
	was := make([]bool, len(m.Outcome))
	if r := in.Record; r != nil && len(r.GivenUp) > 0 {
		place, err := Place(ctx, r.Mesh, fresh, 0, in.Options.Threads)
		if err != nil {
			return nil, err
		}
		at := entries(r.GivenUp, r.Rows.Len())
		for v := range was {
			u := place.Corner[v][0]
			was[v] = (m.Outcome[v] == Plain || m.Outcome[v] == Vanished) && place.Exact(v) && at[u] >= 0 && alike(theirs, v, r.Rows, int(u), unmoved)
		}
	}
	var out []int32
	for v, x := range m.Outcome {
		if x == ConflictNew || was[v] {
			out = append(out, int32(v))
		}
	}
	return out, nil
}

// ownOutput reports whether the garment's file is what the last pass wrote, and
// nothing else has changed since either: same body, options, policy and program.
// Running a transfer on its own output would change its numbers in their last digits,
// time and again.
func (in *Input) ownOutput(ctx context.Context, body *transfer.AssetBody) (bool, error) {
	r := in.Record
	if r == nil || r.Out == [32]byte{} || r.BodySum == [32]byte{} || r.BodySum != in.BodySum || r.Program != in.Program || r.Garment != in.Garment ||
		r.Settled != in.Policy.sum() || body.Layered() || !sameOptions(r.Options, in.Options) {
		return false, nil
	}
	for _, a := range []*gltfio.Asset{in.From, in.Current} {
		if a == nil {
			continue
		}
		if has, err := HasRows(ctx, a, in.Options.Garments); err != nil || !has {
			return false, err
		}
		s, _, err := ReadSurface(ctx, a, in.Options.Garments)
		if err != nil {
			return false, err
		}
		if s.sum() != r.Out {
			return false, nil
		}
	}
	return true, nil
}

// sameOptions reports whether two transfers were asked for the same; an empty list is
// none.
func sameOptions(a, b transfer.AssetOptions) bool {
	a.Threads, a.Progress, b.Threads, b.Progress = 0, nil, 0, nil
	var same func(x, y reflect.Value) bool
	same = func(x, y reflect.Value) bool {
		switch x.Kind() {
		case reflect.Struct:
			for i := range x.NumField() {
				if !same(x.Field(i), y.Field(i)) {
					return false
				}
			}
			return true
		case reflect.Slice:
			if x.Len() != y.Len() {
				return false
			}
			for i := range x.Len() {
				if !same(x.Index(i), y.Index(i)) {
					return false
				}
			}
			return true
		case reflect.Func:
			return true
		}
		return x.Equal(y)
	}
	return same(reflect.ValueOf(a), reflect.ValueOf(b))
}

// sum tells policies apart; masks count by their attributes' names alone.
func (p *Policy) sum() [sha256.Size]byte {
	text := p.Default.String()
	for _, r := range p.Rules {
		text += fmt.Sprintf(" %q %q %q %v", r.Garment, r.Joint, r.MaskAttribute, r.Choice)
	}
	return sha256.Sum256([]byte(text))
}
