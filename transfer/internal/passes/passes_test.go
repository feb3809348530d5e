package main

import (
	"context"
	"math"
	"testing"

	"github.com/selvage/selvage/transfer/crew"
	"github.com/selvage/selvage/transfer/pass"
)

// TestSimulate: on a small wardrobe every edit is accounted for in every pass,
// conflicts are those of the definition, and no other row is touched.
func TestSimulate(t *testing.T) {
	const seed = 1
	b := crew.NewBodyAt("cox", 0.4)
	total := make([]figures, len(bodyPasses))
	for _, name := range []string{"oilskin coat", "gloves", "bib trousers"} {
		g := b.GarmentAt(name, 0.25)
		list, err := simulate(context.Background(), seed, b, g)
		if err != nil {
			t.Fatal(err)
		}
		for k, f := range list {
			if f.Lost != 0 || f.Strange != 0 || f.WrongConflict != 0 || f.Conflict != f.Expected {
				t.Errorf("seed %d, %s, pass %d: %+v", seed, g.Name, k+1, f)
			}
			total[k].add(f)
		}
	}
	for k, f := range total {
		t.Logf("pass %d: %+v", k+1, f)
		if f.Edited == 0 || f.Carried == 0 {
			t.Errorf("pass %d: nothing was edited, or nothing carried: %+v", k+1, f)
		}
		// Carrying the change must beat both simple answers.
		if f.Written >= f.Frozen || f.Written >= f.Alone {
			t.Errorf("pass %d: written rows are off by %g, frozen ones by %g, the transfer's by %g", k+1, f.Written, f.Frozen, f.Alone)
		}
	}
	if total[2].Conflict <= total[1].Conflict || total[0].Kept == 0 {
		t.Errorf("the third pass should bring conflicts, the first leave rows alone: %+v", total)
	}
}

// TestApply: a shift keeps sums, acts on both sides, and undoes nothing else.
func TestApply(t *testing.T) {
	b := crew.NewBodyAt("cox", 0.2)
	joints := pass.JointsOf(b.Skin)
	for _, list := range bodyPasses {
		rows := apply(list, joints, b.Rows)
		changed := 0
		for v := range rows.Len() {
			if s := rows.Sum(v); math.Abs(s-1) > 1e-12 {
				t.Fatalf("vertex %d: sum %g", v, s)
			}
			d := rows.DistanceL1(v, b.Rows, v)
			if d > 1e-6 {
				changed++
			}
			// 2·|by| a pair of joints at most; a row meets two pairs of a pass at most.
			if d > 4*0.2+1e-6 {
				t.Fatalf("vertex %d: moved by %g", v, d)
			}
		}
		if changed == 0 {
			t.Errorf("%v changes nothing", list)
		}
	}
}

// TestSimulateLocks: on a small wardrobe locked rows stay through all passes, and the
// blend makes the steps at the locks' borders smaller on average.
func TestSimulateLocks(t *testing.T) {
	const seed = 1
	b := crew.NewBodyAt("cox", 0.4)
	total := make([]lockFigures, len(bodyPasses))
	for _, name := range []string{"oilskin coat", "gloves"} {
		list, err := simulateLocks(context.Background(), seed, b, b.GarmentAt(name, 0.25))
		if err != nil {
			t.Fatal(err)
		}
		for k := range list {
			total[k].add(list[k])
		}
	}
	for k, f := range total {
		t.Logf("pass %d: %+v", k+1, f)
		if f.Locked == 0 || f.Changed != 0 || f.Edges == 0 {
			t.Errorf("pass %d: %+v", k+1, f)
		}
		if f.Blended > 0.5*f.Bare {
			t.Errorf("pass %d: the steps sum to %g with the blend, %g without", k+1, f.Blended, f.Bare)
		}
	}
}
