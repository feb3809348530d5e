package transfer

import (
	"context"
	"fmt"
	"time"
)

// Transfer gives garment rows of body's joints. It is Prepare and
// Source.Transfer in one; use those for more than one garment.
func Transfer(ctx context.Context, body *Body, garment *Garment, opt Options) (*Result, error) {
	s, err := Prepare(ctx, body, opt.Threads)
	if err != nil {
		return nil, err
	}
	return s.Transfer(ctx, garment, opt)
}

// Transfer gives garment rows of the body's joints. Body and garment must stand
// in one frame, metres. The garment may have degenerate and duplicate
// triangles, non-manifold edges, isolated vertices, any number of islands and any
// winding; every vertex gets a row. Neither input is changed. The result does not
// depend on opt.Threads. Errors: *OptionError, the mesh errors of the garment,
// and ctx's. O(n log n) in practice.
func (s *Source) Transfer(ctx context.Context, garment *Garment, opt Options) (*Result, error) {
	opt, err := opt.withDefaults(s)
	if err != nil {
		return nil, err
	}
	for _, l := range []struct {
		option string
		globs  []string
	}{{"rigid", opt.RigidNames}, {"loose", opt.LooseNames}, {"allow-joint", opt.AllowJoints}, {"deny-joint", opt.DenyJoints}} {
		if err := checkGlobs(l.option, l.globs); err != nil {
			return nil, err
		}
	}
	lists, err := s.jointLists(&opt)
	if err != nil {
		return nil, err
	}
	if err := s.notItself(ctx, garment, opt.Threads); err != nil {
		return nil, err
	}
	mapped, err := newJointMap(s.body.Skin, garment.Skin, opt.JointMap, s.size)
	if err != nil {
		return nil, err
	}
	clock := newClock(opt.Progress)

	// Weld the garment and measure it.
	clock.enter(StagePrepare)
	g, err := newTarget(ctx, garment)
	if err != nil {
		return nil, err
	}
	if g.lock, err = newHold(ctx, s, g, mapped, &opt); err != nil {
		return nil, fmt.Errorf("garment %q: locks: %w", garment.Name, err)
	}
	rigid, notes, err := rigidIslands(ctx, s, g, &opt)
	if err != nil {
		return nil, fmt.Errorf("garment %q: islands: %w", garment.Name, err)
	}

	notes = append(notes, noteIdle(garment, &opt)...)

	// Where the default poses disagree, say so; move the garment's limbs for the
	// matching only where that is beyond doubt.
	clock.enter(StageMatch)
	reg, err := register(ctx, s, g, &opt)
	if err != nil {
		return nil, fmt.Errorf("garment %q: register default poses: %w", garment.Name, err)
	}
	s = reg.source

	// Find candidates on the body and choose among them together.
	c, err := findCandidates(ctx, s, g, &opt)
	if err != nil {
		return nil, fmt.Errorf("garment %q: match: %w", garment.Name, err)
	}
	ch, err := chooseMatches(ctx, g, c, &opt)
	if err != nil {
		return nil, fmt.Errorf("garment %q: match: %w", garment.Name, err)
	}

	// Say how far each match is to be trusted.
	clock.enter(StageTrust)
	t, err := judge(ctx, s, g, c, ch, &opt)
	if err != nil {
		return nil, fmt.Errorf("garment %q: trust: %w", garment.Name, err)
	}

	reg.flag(s, t)

	// Loose cloth trusts its anchors alone.
	clock.enter(StageFalloff)
	if err := loosen(ctx, s, g, c, rigid, t, &opt); err != nil {
		return nil, err
	}

	// Solve for the rows along the garment.
	clock.enter(StageFill)
	rows, err := fill(ctx, s, g, t, &opt)
	if err != nil {
		return nil, err
	}
	if rows, err = holdLoose(ctx, s, g, t, rows, &opt); err != nil {
		return nil, err
	}
	if rows, err = keepAbove(ctx, s, g, t, rows, &opt); err != nil {
		return nil, err
	}

	// Islands: those that nothing could be trusted for, then the rigid ones.
	clock.enter(StageIslands)
	rows, orphanNotes, err := adoptOrphans(ctx, s, g, rigid, t, rows, opt.Threads)
	if err != nil {
		return nil, err
	}
	notes = append(notes, orphanNotes...)
	if rows, err = seatRigid(ctx, s, g, rigid, t, rows, opt.OneJointIslands, opt.Threads); err != nil {
		return nil, err
	}
	rows, missing, err := lastResort(ctx, s, g, t, rows)
	if err != nil {
		return nil, err
	}

	// Over layers: what still dives in a pose gives way.
	if rows, err = settle(ctx, s, g, rigid, t, rows, &opt); err != nil {
		return nil, err
	}
	if err = noteStretch(ctx, s, g, t, rows, &opt); err != nil {
		return nil, err
	}
	if missing > 0 {
		notes = append(notes, fmt.Sprintf("%d vertices took the nearest body vertex's row: nothing else gave them one", missing))
	}

	// Bring the rows into the form that a file may store, by garment vertex.
	clock.enter(StageFinish)
	if opt.observe != nil {
		opt.observe(g, t)
	}
	r, err := finish(ctx, s, g, t, rows, mapped, &opt)
	if err != nil {
		return nil, fmt.Errorf("garment %q: %w", garment.Name, err)
	}
	if n := r.Summary.Reasons[ReasonOpenBorder.Name()]; 200*n > r.Summary.Vertices {
		notes = append(notes, fmt.Sprintf("%d vertices lie over an open border of the body (a hole under the garment, or a limb cut off) and are filled from around it", n))
	}
	if n := r.Summary.Loose; n > 0 {
		notes = append(notes, fmt.Sprintf("%d vertices hang free of the body: look at them in motion, no body tells how they should move", n))
	}
	notes = append(notes, t.notes...)
	if n := reg.note(); n != "" {
		notes = append(notes, n)
	}
	r.Summary.Notes = append(append(lists, notes...), r.Summary.Notes...)
	r.Summary.Offsets = reg.offsets
	r.Summary.Seconds, r.Summary.Total = clock.stop()
	return r, ctx.Err()
}

// clock times the stages and tells progress of each.
type clock struct {
	progress func(Stage, float64)
	seconds  map[Stage]float64
	stage    Stage
	began    time.Time
	first    time.Time
}

func newClock(progress func(Stage, float64)) *clock {
	now := time.Now()
	return &clock{progress: progress, seconds: map[Stage]float64{}, began: now, first: now}
}

func (c *clock) enter(s Stage) {
	c.leave()
	c.stage = s
	if c.progress != nil {
		c.progress(s, 0)
	}
}

func (c *clock) leave() {
	now := time.Now()
	if c.stage != "" {
		c.seconds[c.stage] += now.Sub(c.began).Seconds()
		if c.progress != nil {
			c.progress(c.stage, 1)
		}
	}
	c.began = now
}

func (c *clock) stop() (map[Stage]float64, time.Duration) {
	c.leave()
	return c.seconds, time.Since(c.first)
}
