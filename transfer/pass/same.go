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
	// small are the recorded influences under dropBelow, by each measure that a program's
	// threshold may be in. Nil: nothing was learned.
	small [measures]sizes
}

const (
	// ofRow and ofLargest are what a threshold may be a share of: the row's whole weight,
	// or its largest one.
	ofRow = iota
	ofLargest
	measures
)

// sizes are sizes of small influences, ascending.
type sizes struct {
	// left are those that the file has as they were, all those and the ones that it lacks.
	left, all []float64
}

const (
	// enoughLeft smaller influences that a file still has, and this share of all smaller
	// ones, show that no threshold has cost a larger one. A program drops all that is under
	// its own, but what rounding puts there.
	enoughLeft = 10
	leftShare  = 0.01
	// smaller is the factor from which on an influence is smaller beyond all rounding.
	smaller = 0.95
)

// learn looks which of the recorded small influences a file still has, in rows lo to
// hi where the two have the same vertex.
func (s *storage) learn(recorded, current *weights.Rows, lo, hi int, same func(v int) bool) {
	for v := lo; v < hi; v++ {
		jc, wc := current.Row(v)
		if len(jc) == 0 || len(jc) == s.limit || !same(v) { // a full row may have been cut
			continue
		}
		jb, wb := recorded.Row(v)
		k := 0
		for i, j := range jb {
			if wb[i] >= dropBelow || s.roundedAway(wb[i]) {
				continue
			}
			for k < len(jc) && jc[k] < j {
				k++
			}
			gone := k == len(jc) || jc[k] != j
			if !gone && math.Abs(wc[k]-wb[i]) > max(s.step, floatTolerance+0.02*wb[i]) {
				continue // changed by hand
			}
			for m := range s.small {
				size := measured(m, wb[i], wb)
				if s.small[m].all = append(s.small[m].all, size); !gone {
					s.small[m].left = append(s.small[m].left, size)
				}
			}
		}
	}
	for m := range s.small {
		slices.Sort(s.small[m].all)
		slices.Sort(s.small[m].left)
	}
}

// shows reports whether the file still has a clear share of the influences from lo up to hi.
func (s *sizes) shows(lo, hi float64) bool {
	count := func(list []float64) float64 {
		i, _ := slices.BinarySearch(list, lo)
		k, _ := slices.BinarySearch(list, hi)
		return float64(k - i)
	}
	left := count(s.left)
	return left >= enoughLeft && left >= leftShare*count(s.all)
}

// measured is a weight of a row by measure m.
func measured(m int, w float64, row []float64) float64 {
	if m == ofLargest {
		return w / slices.Max(row)
	}
	return w
}

// roundedAway reports whether an influence may be gone by rounding: that moves a weight
// by a step at most (same), and half a step is left for what the rows were normalised by.
func (s *storage) roundedAway(w float64) bool { return w <= max(1.5*s.step, floatTolerance) }

// takenOut reports whether an influence under dropBelow that a row lacks was neither
// dropped by an export nor rounded away: whatever a program's threshold is a share of, it
// would have dropped the smaller ones that the file still has.
func (s *storage) takenOut(w float64, row []float64) bool {
	if s.roundedAway(w) || w >= dropBelow {
		return false
	}
	for m := range s.small {
		under := smaller * measured(m, w, row)
		// Of all that are smaller or, as a threshold may have taken the smallest, of those
		// about as large.
		if !s.small[m].shows(0, under) && !s.small[m].shows(under/2, under) {
			return false
		}
	}
	return true
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
			if !onGrid(weight, f.Steps(), exactFraction) {
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

// onGrid reports whether weights that sum to one are whole numbers, to within, over one
// sum that rounding of each could have left.
func onGrid(weight []float64, steps int, within float64) bool {
	for off := range 2*len(weight) + 1 {
		// 0, 1, -1, 2, -2 ...: the full sum first.
		d := (off + 1) / 2
		if off%2 == 0 {
			d = -d
		}
		fits := true
		for _, w := range weight {
			x := w * float64(steps+d)
			if math.Abs(x-math.Round(x)) > within {
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

// integerStep is the step of the integers that a row lies on, which may have been through
// single precision since; 0 where it lies on none, or is one whole weight, which lies on
// all. Other rows lie on shorts by chance, one of two weights in fifty: then a step is
// next to nothing.
func integerStep(weight []float64) float64 {
	if len(weight) < 2 {
		return 0
	}
	for _, f := range []weights.Format{weights.Uint8, weights.Uint16} {
		steps := f.Steps()
		if onGrid(weight, steps, exactFraction+float64(steps)/(1<<24)) {
			return 1 / float64(steps)
		}
	}
	return 0
}

// same reports whether row c is row b after no more than an export: weights
// rounded to the file's steps, influences under dropBelow (or all but the largest
// limit) dropped, unless the file has smaller ones elsewhere, the rest normalised, in any
// order. b and c have ascending joints and sum to one. faded is the largest influence
// that c lacks, that rounding does not explain and that the artist may have taken out as
// well as a program: 0 where there is none, or they are not the same.
//
// A weight may be off by one step (largest remainders) or, where each was rounded
// for itself, by half a step and by what the sum's error of up to half a step an
// influence moves it when the row is normalised.
func (s *storage) same(jb []uint16, wb []float64, jc []uint16, wc []float64) (same bool, faded float64) {
	if len(jc) == 0 {
		return len(jb) == 0, 0
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
			out = out || s.takenOut(wb[i], wb)
			if !s.roundedAway(wb[i]) {
				faded = max(faded, wb[i])
			}
		}
	}
	cut := len(jb) > s.limit && len(jc) == s.limit && dropped <= smallest
	if !(kept > 0) || (out || dropped >= max(dropBelow, s.step)) && !cut {
		return false, 0
	}
	if cut {
		faded = 0
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
			return false, 0
		}
	}
	return true, faded
}
