package pass

import (
	"math"
	"slices"

	"github.com/selvage/selvage/transfer/weights"
)

const (
	// floatTolerance is how far a weight that is stored as a float may lie from the
	// recorded one and still be the same: other programs normalise in single
	// precision, in several steps, or write five digits.
	floatTolerance = 1e-5
	// dropBelow is the weight under which other programs drop influences on export
	// (common practice: one percent). What they drop is no edit.
	dropBelow = 0.01
	// exactFraction is how near a whole number of steps a weight must be to lie on a
	// grid: rows of a file are quotients of whole numbers, exact to rounding.
	exactFraction = 1e-6
)

// storage is how a file that an artist hands back stores its rows, as far as the
// rows show it.
type storage struct {
	// step of the weights; zero: floats.
	step float64
	// limit is the largest number of influences of a row, a multiple of four.
	limit int
	// least is a weight down to which the file still has small influences, and keeps
	// says of which sizes (sizeOf) it has nearly all: what it lacks of these nobody but
	// the artist has taken out. Zero: no export can be told from a removal.
	least float64
	keeps [sizes]bool
}

const (
	// sizes of small influences that are told apart: powers of two, down to 2^-31.
	sizes = 32
	// enoughKept small influences, and this share of those of one size, show that the
	// program which wrote a file does not drop them.
	enoughKept = 10
	keptShare  = 0.9
)

// sizeOf is the power of two of a weight below dropBelow.
func sizeOf(w float64) int { return min(max(-math.Ilogb(w), 0), sizes-1) }

// learn looks which of the recorded small influences a file still has, in rows lo to
// hi where the two have the same vertex. A program that drops influences drops all
// under its threshold: where many smaller ones are left as they were, it dropped
// none.
func (s *storage) learn(recorded, current *weights.Rows, lo, hi int, same func(v int) bool) {
	var left []float64
	var have, gone [sizes]int
	for v := lo; v < hi; v++ {
		jc, wc := current.Row(v)
		if len(jc) == 0 || len(jc) == s.limit || !same(v) { // a full row may have been cut
			continue
		}
		jb, wb := recorded.Row(v)
		k := 0
		for i, j := range jb {
			if wb[i] >= dropBelow {
				continue
			}
			for k < len(jc) && jc[k] < j {
				k++
			}
			switch {
			case k == len(jc) || jc[k] != j:
				gone[sizeOf(wb[i])]++
			case math.Abs(wc[k]-wb[i]) <= max(s.step, floatTolerance+0.02*wb[i]): // as it was
				have[sizeOf(wb[i])]++
				left = append(left, wb[i])
			}
		}
	}
	if len(left) < enoughKept {
		return
	}
	slices.Sort(left)
	s.least = left[enoughKept-1]
	for k := range s.keeps {
		s.keeps[k] = have[k] >= enoughKept && float64(have[k]) >= keptShare*float64(have[k]+gone[k])
	}
}

// takenOut reports whether an influence that a row lacks was neither dropped by an
// export nor rounded away: rounding moves a weight by a step at most (same), and half a
// step is left for what the rows were normalised by.
func (s *storage) takenOut(w float64) bool {
	return s.least > 0 && w > max(s.least, 1.5*s.step) && w < dropBelow && s.keeps[sizeOf(w)]
}

// storageOf infers the storage of rows lo to hi: integers where every row is made
// of whole steps. Rows are read normalised, so the steps of a row may be counted
// from any sum near the full one.
func storageOf(r *weights.Rows, lo, hi int) storage {
	s := storage{limit: 4}
	grid := map[weights.Format]bool{weights.Uint8: true, weights.Uint16: true}
	mixed := false
	for v := lo; v < hi; v++ {
		joint, weight := r.Row(v)
		s.limit = max(s.limit, (len(joint)+3)/4*4)
		if len(joint) < 2 {
			continue // one whole weight lies on every grid
		}
		mixed = true
		for f := range grid {
			if !onGrid(weight, f.Steps()) {
				delete(grid, f)
			}
		}
	}
	switch {
	case !mixed:
	case grid[weights.Uint8]:
		s.step = 1 / float64(weights.Uint8.Steps())
	case grid[weights.Uint16]:
		s.step = 1 / float64(weights.Uint16.Steps())
	}
	return s
}

// onGrid reports whether weights that sum to one are whole numbers over one sum
// that rounding of each could have left.
func onGrid(weight []float64, steps int) bool {
	for off := range 2*len(weight) + 1 {
		// 0, 1, -1, 2, -2 ...: the full sum first.
		d := (off + 1) / 2
		if off%2 == 0 {
			d = -d
		}
		fits := true
		for _, w := range weight {
			x := w * float64(steps+d)
			if math.Abs(x-math.Round(x)) > exactFraction {
				fits = false
				break
			}
		}
		if fits {
			return true
		}
	}
	return false
}

// same reports whether row c is row b after no more than an export: weights
// rounded to the file's steps, influences under dropBelow (or all but the largest
// limit) dropped, unless the file has the like elsewhere, the rest normalised, in any
// order. b and c have ascending
// joints and sum to one.
//
// A weight may be off by one step (largest remainders) or, where each was rounded
// for itself, by half a step and by what the sum's error of up to half a step an
// influence moves it when the row is normalised.
func (s storage) same(jb []uint16, wb []float64, jc []uint16, wc []float64) bool {
	if len(jc) == 0 {
		return len(jb) == 0
	}
	n := float64(len(jb))
	tolerance := func(w float64) float64 {
		if s.step == 0 {
			return floatTolerance
		}
		return s.step*max(1, (1+n*w)/2) + floatTolerance
	}
	kept, smallest, dropped, out := 0.0, math.Inf(1), 0.0, false
	k := 0
	for i, j := range jb {
		for k < len(jc) && jc[k] < j {
			k++
		}
		if k < len(jc) && jc[k] == j {
			kept += wb[i]
			smallest = min(smallest, wb[i])
		} else {
			dropped = max(dropped, wb[i])
			out = out || s.takenOut(wb[i])
		}
	}
	cut := len(jb) > s.limit && len(jc) == s.limit && dropped <= smallest
	if !(kept > 0) || (out || dropped >= max(dropBelow, s.step)) && !cut {
		return false
	}
	i := 0
	for k, j := range jc {
		for i < len(jb) && jb[i] < j {
			i++
		}
		b := 0.0
		if i < len(jb) && jb[i] == j {
			b = wb[i] / kept
		}
		if math.Abs(wc[k]-b) > tolerance(b) {
			return false
		}
	}
	return true
}
