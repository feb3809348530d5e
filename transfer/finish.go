package transfer

import (
	"context"
	"fmt"
	"math"
	"slices"

	"github.com/selvage/selvage/transfer/weights"
)

// pruneLoss is the weight lost to the limit of influences from which a vertex is
// flagged ReasonPruned.
const pruneLoss = 0.05

// finish hands the welded rows to the garment's own vertices in the form that a
// file stores: allowed joints only, mapped to other joints where that is wanted,
// then the kept joints, at most MaxInfluences, pruned, normalised, on the format's
// grid, and the same bits at coincident vertices, because each welded row is finished
// once.
func finish(ctx context.Context, s *Source, g *target, t *trusted, rows *weights.Rows, mapped *jointMap, opt *Options) (*Result, error) {
	rows, err := restrict(ctx, s, rows, opt)
	if err != nil {
		return nil, err
	}
	var guessed []float64
	if mapped != nil {
		var err error
		if rows, guessed, err = mapped.apply(ctx, rows); err != nil {
			return nil, err
		}
	}
	if g.lock != nil {
		var err error
		if rows, err = g.lock.mix(ctx, rows, g.joints(s)); err != nil {
			return nil, err
		}
	}
	if g.garment.Kept != nil {
		var err error
		if rows, err = keepOwn(ctx, s, g, rows); err != nil {
			return nil, err
		}
	}
	form := weights.FinishOptions{MaxInfluences: opt.MaxInfluences, PruneBelow: max(0, opt.PruneBelow), Format: opt.Format, Threads: opt.Threads}
	var done *weights.Rows // by welded vertex; with locks by the garment's own
	var lost []float32
	if g.lock != nil {
		done, lost, err = g.lock.finish(ctx, s, g, rows, form)
	} else {
		done, lost, err = weights.FinishContext(ctx, rows, form)
	}
	if err != nil {
		return nil, fmt.Errorf("finish rows: %w", err)
	}

	n := g.garment.Mesh.NumVertices()
	r := &Result{
		Rows: weights.NewRows(n), Confidence: make([]float32, n), Reason: make([]Reason, n),
		Triangle: make([]int32, n), Bary: make([][3]float64, n), Distance: make([]float64, n),
		Summary: Summary{
			Garment: g.garment.Name, Vertices: n, Welded: len(g.position), Islands: g.islands.Count,
			Reasons: map[string]int{},
		},
	}
	for v := 0; v < n; v++ {
		if ended(ctx, v) {
			return nil, ctx.Err()
		}
		w := int(g.welded.ToWelded[v])
		at := w
		if g.lock != nil {
			at = v
		}
		r.Rows.Append(done.Row(at))
		reason := t.reason[w]
		e := t.expected[w] + expectedGuess(guessed, w)
		if lost[at] >= pruneLoss {
			reason |= ReasonPruned
			e += float64(lost[at])
		}
		if g.lock.is(w) {
			reason, e = ReasonKeptEdit, 0
		}
		r.Confidence[v] = float32(confidence(e))
		r.Reason[v] = reason
		m := &t.match[w]
		r.Triangle[v], r.Bary[v], r.Distance[v] = -1, m.bary, m.distance
		if m.triangle >= 0 {
			r.Triangle[v] = s.original[m.triangle]
		}
		if s.layer != nil {
			r.takeFrom(s, v, m.triangle)
		}

		sum := &r.Summary
		switch {
		case g.lock.is(w): // neither matched nor filled: it is as it was
		case reason&ReasonRigidIsland != 0:
			sum.Rigid++
		case reason&ReasonFilled != 0:
			sum.Filled++
		default:
			sum.Matched++
		}
		if t.hang[w] > 0.5 {
			sum.Loose++
		}
		if r.Confidence[v] < LowConfidence {
			sum.LowConfidence++
		}
		if !math.IsInf(m.distance, 0) {
			sum.MaxDistance = max(sum.MaxDistance, m.distance)
		}
		for bit, name := range ReasonNames {
			if reason>>bit&1 == 1 {
				sum.Reasons[name]++
			}
		}
	}
	if mapped != nil {
		mapped.say(&r.Summary)
	}
	if s.unusable > 0 {
		r.Summary.Notes = append(r.Summary.Notes, fmt.Sprintf("the body has %d vertices without usable weights (first: vertex %d); its surface there was left out", s.unusable, s.firstUnusable))
	}
	return r, nil
}

// jointLists checks the lists of joints that may carry weight and of those that may not,
// and notes patterns that no joint of the body matches. Errors: *OptionError, which is
// weights.ErrNoJointAllowed, where none is left.
func (s *Source) jointLists(opt *Options) (notes []string, err error) {
	if len(opt.AllowJoints) == 0 && len(opt.DenyJoints) == 0 {
		return nil, nil
	}
	names := make([]string, len(s.body.Skin.Joints))
	for j := range names {
		names[j] = s.body.Skin.Joints[j].Name
	}
	picks := func(allow, deny []string) bool {
		allowed, err := weights.AllowedJoints(names, allow, deny)
		return err == nil && slices.Contains(allowed, true)
	}
	for _, l := range []struct {
		option string
		globs  []string
	}{{"allow-joint", opt.AllowJoints}, {"deny-joint", opt.DenyJoints}} {
		for _, glob := range l.globs {
			if !picks([]string{glob}, nil) {
				notes = append(notes, fmt.Sprintf("%s: no joint of the body is named %q", l.option, glob))
			}
		}
	}
	switch {
	case picks(opt.AllowJoints, opt.DenyJoints):
		return notes, nil
	case picks(opt.AllowJoints, nil):
		return nil, &OptionError{Option: "deny-joint", Reason: fmt.Sprintf("%q leaves no joint of the body to carry weight", opt.DenyJoints), cause: weights.ErrNoJointAllowed}
	}
	return nil, &OptionError{Option: "allow-joint", Reason: fmt.Sprintf("no joint of the body is named %q", opt.AllowJoints), cause: weights.ErrNoJointAllowed}
}

// restrict hands weight of joints that may not carry any to those that may.
func restrict(ctx context.Context, s *Source, rows *weights.Rows, opt *Options) (*weights.Rows, error) {
	if len(opt.AllowJoints) == 0 && len(opt.DenyJoints) == 0 {
		return rows, nil
	}
	joints := s.body.Skin.Joints
	names, parents := make([]string, len(joints)), make([]int32, len(joints))
	for j := range joints {
		names[j], parents[j] = joints[j].Name, int32(joints[j].Parent)
	}
	return weights.RestrictJointsContext(ctx, rows, names, parents, opt.AllowJoints, opt.DenyJoints)
}

// keepOwn mixes in the weights of joints that the garment brings itself: the
// kept weight stays, the rest of one is shared out by the transferred row. Welded
// vertices take the mean of their members' kept weights.
func keepOwn(ctx context.Context, s *Source, g *target, rows *weights.Rows) (*weights.Rows, error) {
	kept := g.garment.Kept
	// The members of welded vertex w are member[start[w]:start[w+1]], ascending.
	start := make([]int32, len(g.position)+1)
	for _, w := range g.welded.ToWelded {
		start[w+1]++
	}
	for w := range g.position {
		start[w+1] += start[w]
	}
	member, next := make([]int32, len(g.welded.ToWelded)), slices.Clone(start)
	for v, w := range g.welded.ToWelded {
		if ended(ctx, v) {
			return nil, ctx.Err()
		}
		member[next[w]] = int32(v)
		next[w]++
	}
	acc := weights.NewAccumulator(g.joints(s))
	out := weights.NewRows(len(g.position))
	for w := range g.position {
		if ended(ctx, w) {
			return nil, ctx.Err()
		}
		members := member[start[w]:start[w+1]]
		sum := 0.0
		for _, v := range members {
			sum += kept.Sum(int(v))
		}
		share := min(sum/float64(len(members)), 1)
		for _, v := range members {
			acc.AddRow(kept, int(v), 1/float64(len(members)))
		}
		if share < 1 {
			acc.AddRow(rows, w, 1-share)
		}
		acc.FlushNormalised(out)
	}
	return out, nil
}
