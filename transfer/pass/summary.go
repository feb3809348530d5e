package pass

import (
	"cmp"
	"context"
	"errors"
	"slices"

	"github.com/selvage/selvage/transfer"
	"github.com/selvage/selvage/transfer/gltfio"
)

// Count counts low confidence and reasons of a transfer's summary anew, as they are
// written after the merge.
func (o *Output) Count(s *transfer.Summary) {
	if o.Confidence == nil {
		return
	}
	s.LowConfidence, s.Reasons = 0, map[string]int{}
	for v, c := range o.Confidence {
		if c < transfer.LowConfidence {
			s.LowConfidence++
		}
		for bit, name := range transfer.ReasonNames {
			if o.Reason[v]>>bit&1 == 1 {
				s.Reasons[name]++
			}
		}
	}
}

// Written is a transfer's result with confidence, reasons and counts as they are
// written after the merge. r is not changed.
func (o *Output) Written(r *transfer.Result) *transfer.Result {
	out := *r
	if o.Confidence != nil && len(o.Confidence) == len(r.Confidence) {
		out.Confidence, out.Reason = o.Confidence, make([]transfer.Reason, len(o.Reason))
		for v, x := range o.Reason {
			out.Reason[v] = transfer.Reason(x)
		}
	}
	o.Count(&out.Summary)
	return &out
}

// HasRows reports whether the selected meshes of an asset have weights, so that it
// can be a pass's Current.
func HasRows(ctx context.Context, a *gltfio.Asset, sel gltfio.Selection) (bool, error) {
	s, err := a.WithContext(ctx).Garment(sel)
	return err == nil && s.Rows != nil, err
}

// OfRecord sets what a merge of finished files takes from the record: the garment's
// name and sum, and the options that it was made with, but for the number of
// threads. JointMap and, where one of the two is given, Lock and LockJoints go before
// the record's.
func (in *Input) OfRecord(threads int) {
	in.Garment, in.Options, in.GarmentSum = in.Record.Garment, in.Record.Options, in.Record.GarmentSum
	in.Options.Threads = threads
	if len(in.JointMap) > 0 {
		in.Options.JointMap = in.JointMap
	}
	if len(in.Lock) > 0 || len(in.LockJoints) > 0 {
		in.Options.Lock, in.Options.LockJoints = in.Lock, in.LockJoints
	}
	in.Lock, in.LockJoints = nil, nil
}

// ReadWorn reads all meshes of a garment, weighted or not, for Touches: without
// weights its places alone tell.
func ReadWorn(ctx context.Context, a *gltfio.Asset) (*Surface, error) {
	s, _, err := ReadSurface(ctx, a, gltfio.Selection{})
	var fault *gltfio.Error
	if !errors.As(err, &fault) {
		return s, err
	}
	read, err := a.WithContext(ctx).Garment(gltfio.Selection{})
	if err != nil {
		return nil, err
	}
	return &Surface{Name: a.Name, Mesh: read.Mesh}, nil
}

// WorstConflicts are the n conflicts whose rows the transfer moved most, most first.
func (s *Summary) WorstConflicts(n int) []Conflict {
	list := slices.Clone(s.Conflicts)
	slices.SortStableFunc(list, func(a, b Conflict) int { return cmp.Compare(b.Moved, a.Moved) })
	return list[:min(n, len(list)):min(n, len(list))]
}
