package pass

import (
	"cmp"
	"fmt"
	"math"
	"slices"

	"github.com/selvage/selvage/transfer/weights"
)

const (
	// unmoved is the difference of a weight up to which the transfer gives the same
	// row as before: its input may have gone through float32 once more.
	unmoved = 1e-6
	// removeFrom is the recorded weight from which on an influence that the artist's
	// row lacks counts as taken out on purpose; less is dropped by programs (dropBelow).
	removeFrom = dropBelow
	// mostKept is the number of influences up to which an artist's row is kept, whatever
	// the limit: a record has no room for more in every row (api/convert).
	mostKept = 32
	// amplified bounds how far a carried row may leave the artist's: this many times
	// what the transfer has moved there. Adding the change moves a row once as far;
	// scaling to the joints that the artist left moves it on by the inverse of their share.
	amplified = 2
	// slight is the distance in L1 up to which that does not matter: a thousandth of the
	// row's weight has changed joints.
	slight = 0.002
)

// Outcome is what became of a vertex in a merge.
type Outcome uint8

const (
	// Plain: no edit; the new transfer's row.
	Plain Outcome = iota
	// Kept: the transfer's row has not moved since the edit; the artist's row.
	Kept
	// Carried: the transfer's row has moved; the artist's change is added to it.
	Carried
	// Agreed: the transfer now gives the artist's row; the edit has done its work.
	Agreed
	// ConflictKept, ConflictCarried, ConflictNew: the transfer's row moved as far as
	// the edit did, or the change cannot be carried within bounds, and the policy chose.
	ConflictKept
	ConflictCarried
	ConflictNew
	// Locked: the current row, whatever else.
	Locked
	// Vanished: the limit of influences, the format's steps or locked joints leave
	// nothing of the edit; the new transfer's row.
	Vanished
)

// Conflict is an edited vertex whose row the transfer has moved as far as the
// artist did, or where the change carried over would leave the artist's row by more than
// twice what the transfer has moved.
type Conflict struct {
	Vertex int `json:"vertex"`
	// Edit is the L1 distance between the artist's row and the transfer's that it
	// replaced, Moved that between this one and the new transfer's.
	Edit  float64 `json:"edit"`
	Moved float64 `json:"moved"`
	// Joint is the name of the joint whose weight the artist changed most.
	Joint string `json:"joint"`
	// Choice that was made.
	Choice string `json:"choice"`
}

// MergeOptions say in what form the merged rows go to a file, and who decides.
type MergeOptions struct {
	// Garment's name, for the policy.
	Garment string
	// Policy for conflicts.
	Policy Policy
	// MaxInfluences of a row that is neither the transfer's nor the artist's, or as many
	// as the artist's row has where those are more. Zero: no limit.
	MaxInfluences int
	// Format of the stored rows.
	Format weights.Format
	// Recorded is the format that the edits' bases have been stored in.
	Recorded weights.Format
	// Welded numbers the places that the vertices stand in, for rows that must stay
	// equal where vertices coincide; nil: every vertex is for itself.
	Welded []int32
	// Locked vertices always keep the row that Current gives them, whatever its number
	// of influences; others in the same place take the lowest of those rows. Nil: none.
	Locked  []bool
	Current *weights.Rows
	// Free are the new transfer's rows without the locks of joints that theirs hold, in
	// the same form: edits are held against them. Nil: theirs hold none.
	Free *weights.Rows
}

// Merged is the result of a merge.
type Merged struct {
	// Rows by vertex, as they go to the file.
	Rows *weights.Rows
	// Outcome by vertex.
	Outcome []Outcome
	// Edits that live on in Rows, for the next record.
	Edits *Edits
	// Conflicts by vertex, one for each place.
	Conflicts []Conflict
	// Cut are the vertices, ascending, whose row is as much of the artist's as a record
	// can hold: of more than 32 influences the largest. A row of just 32 counts, as it
	// does on the next pass.
	Cut []int32
	// Lost are the vertices, ascending, whose carried row lacks an influence of a percent
	// or more that the artist's has, because others are larger and there is a limit.
	Lost []int32
	// SeamsJoined counts places whose vertices had been edited apart.
	SeamsJoined int
}

// Merge gives the new transfer's rows the edits. theirs are the new transfer's
// rows as a file stores them; edits are on the same vertices and joints. Nothing
// is changed in place.
//
// Of an edited vertex let b be the base, e the artist's row, t the new
// transfer's, |.| the L1 norm. Without a move (no weight of t-b above 1e-6, or of t
// and b cut to MaxInfluences, or above a step of a coarser format that b was recorded
// in) the row is e, with all its influences, whatever the limit. Where t is e, to the
// steps of the integers that e lies on, the edit has done its work and the row is t.
// With |t-b| >= |e-b| there is a conflict, and the policy chooses among e, the change
// carried over, and t. Else the change is carried over: joints that the artist took out
// (e_j = 0, b_j of one percent or more) stay out; with b' and t' scaled to one over the
// other joints the row is the point of the simplex with at most MaxInfluences joints, or
// as many as e has, that is nearest to t' + e - b' (simplex.go). Where nothing of b or t
// is left over the other joints it is e. A row that would leave e by more than 2|t-b|,
// and by more than 0.002, as where the artist left only joints of little weight, is not
// carried but a conflict, in which nothing gives e up for t.
//
// An edit that changes nothing any more once it is stored and cut (interpolated ones
// alone are cut) has Vanished and is not remembered.
//
// Where locked rows have a part in t, t = e is no agreement but the lock's doing (a rigid
// island follows its locked vertex): the row is e, and the edit lives on.
//
// Where vertices coincide and one is edited, all take the edit that goes
// farthest (ties: the lower row in the order of joints and weights), so that
// seams do not open.
//
// The result does not depend on the order of the vertices. Errors: a malformed
// policy, arrays of different lengths. O(vertices + edits).
func Merge(theirs *weights.Rows, joints []Joint, edits *Edits, opt MergeOptions) (*Merged, error) {
	n := theirs.Len()
	if err := opt.Policy.Validate(); err != nil {
		return nil, err
	}
	switch {
	case opt.Welded != nil && len(opt.Welded) != n:
		return nil, fmt.Errorf("merge: %d places for %d vertices", len(opt.Welded), n)
	case opt.Locked != nil && (len(opt.Locked) != n || opt.Current == nil || opt.Current.Len() != n):
		return nil, fmt.Errorf("merge: locks of %d vertices and their rows do not go with %d vertices", len(opt.Locked), n)
	case opt.Free != nil && opt.Free.Len() != n:
		return nil, fmt.Errorf("merge: %d rows without locks for %d vertices", opt.Free.Len(), n)
	case len(edits.Vertex) != edits.Base.Len() || len(edits.Vertex) != edits.Row.Len():
		return nil, fmt.Errorf("merge: %d bases and %d rows for %d edits", edits.Base.Len(), edits.Row.Len(), len(edits.Vertex))
	case len(edits.Vertex) > 0 && int(edits.Vertex[len(edits.Vertex)-1]) >= n:
		return nil, fmt.Errorf("merge: an edit of vertex %d of %d", edits.Vertex[len(edits.Vertex)-1], n)
	}
	base, err := stored(edits.Base, opt.Format, 0)
	if err != nil {
		return nil, err
	}
	mine, err := edits.stored(opt.Format, opt.MaxInfluences)
	if err != nil {
		return nil, err
	}
	limited, err := stored(base, opt.Format, opt.MaxInfluences)
	if err != nil {
		return nil, err
	}
	m := &Merged{Outcome: make([]Outcome, n), Edits: newEdits()}
	at := entries(edits.Vertex, n) // entry of the edit that each vertex takes
	// Stored and cut to the limit, an interpolated row may be its base again, or its
	// base cut to the limit.
	for i, v := range edits.Vertex {
		if base.DistanceL1(i, mine, i) <= faint || edits.isMixed(i) && limited.DistanceL1(i, mine, i) <= faint {
			at[v] = -1
			if !edits.isFaint(i) {
				m.Outcome[v] = Vanished
			}
		}
	}
	lock := make([]int32, n) // vertex whose current row each takes, or -1
	held, heldAt := weights.NewRows(0), make([]int32, n)
	for v := range lock {
		lock[v] = -1
		if opt.Locked != nil && opt.Locked[v] {
			lock[v] = int32(v)
			heldAt[v] = int32(held.Len())
			held.Append(opt.Current.Row(v))
		}
	}
	if held, err = stored(held, opt.Format, 0); err != nil {
		return nil, fmt.Errorf("merge: locked rows: %w", err)
	}
	if opt.Welded != nil {
		m.joinSeams(opt.Welded, at, lock, base, mine, opt.Current)
	}

	free, blended := opt.Free, slices.Contains(opt.Locked, true)
	if free == nil {
		free = theirs
	}

	// The rows that are neither the transfer's nor the artist's, in order.
	s := &rowScratch{}
	fresh := weights.NewRows(0)
	freshAt := make([]int32, n)
	rebased := map[int32]bool{} // whose base is the transfer's row now
	step := 0.0                 // of what the bases were recorded in
	if opt.Recorded > opt.Format {
		step = 1 / float64(opt.Recorded.Steps())
	}
	seen := map[int32]bool{} // places whose conflict is listed
	conflict := func(v int, edit, moved float64, most uint16) {
		choice := opt.Policy.choose(opt.Garment, v, joints, s.changed())
		if moved < edit && choice == TakeNew {
			choice = KeepEdit // a small move is no reason to give a larger edit up
		}
		m.Outcome[v] = [...]Outcome{ConflictKept, ConflictCarried, ConflictNew}[choice]
		place := int32(v)
		if opt.Welded != nil {
			place = opt.Welded[v]
		}
		if !seen[place] {
			seen[place] = true
			m.Conflicts = append(m.Conflicts, Conflict{v, edit, moved, joints[most].Name, choice.String()})
		}
	}
	for v := range n {
		freshAt[v] = -1
		i := int(at[v])
		switch {
		case lock[v] >= 0:
			m.Outcome[v] = Locked
			continue
		case i < 0:
			continue
		}
		s.align(base, i, mine, i, free, v)
		edit, moved, most := s.measure()
		limit := opt.MaxInfluences
		if joint, _ := mine.Row(i); limit > 0 {
			limit = max(limit, len(joint)) // none of the artist's is lost to it
		}
		agrees := s.agrees(edit, moved)
		var y []float64 // the change carried over; nil: the artist's row is
		var lost bool
		switch {
		case moved == 0 || len(s.b) == 0 || alike(limited, i, free, v, unmoved):
			m.Outcome[v] = Kept
		case step > 0 && alike(base, i, free, v, step+unmoved):
			m.Outcome[v] = Kept
			rebased[int32(v)] = true
		case agrees && (blended || cuts(opt.MaxInfluences, base, i)):
			m.Outcome[v] = Kept
		case agrees:
			m.Outcome[v] = Agreed
		default:
			if y, lost = s.carry(limit); moved < edit && s.leaves(y) <= max(amplified*moved, slight) {
				m.Outcome[v] = Carried
				break
			}
			conflict(v, edit, moved, most)
		}
		if m.Outcome[v] == Carried || m.Outcome[v] == ConflictCarried {
			freshAt[v] = int32(fresh.Len())
			if y == nil {
				fresh.Append(mine.Row(i))
			} else {
				s.append(y, fresh)
			}
			if lost {
				m.Lost = append(m.Lost, int32(v))
			}
		}
	}
	if fresh, err = stored(fresh, opt.Format, 0); err != nil {
		return nil, fmt.Errorf("merge: %w", err)
	}

	m.Rows = weights.NewRows(n)
	for v := range n {
		switch m.Outcome[v] {
		case Kept, ConflictKept:
			m.Rows.Append(mine.Row(int(at[v])))
			if cuts(mostKept-1, mine, int(at[v])) {
				m.Cut = append(m.Cut, int32(v))
			}
		case Locked:
			m.Rows.Append(held.Row(int(heldAt[lock[v]])))
		case Carried, ConflictCarried:
			m.Rows.Append(fresh.Row(int(freshAt[v])))
		default:
			m.Rows.Append(theirs.Row(v))
		}
		if i := at[v]; i >= 0 && m.Outcome[v] != Agreed && m.Outcome[v] != ConflictNew {
			m.Edits.Vertex = append(m.Edits.Vertex, int32(v))
			if rebased[int32(v)] {
				m.Edits.Base.Append(free.Row(v))
			} else {
				m.Edits.Base.Append(base.Row(int(i)))
			}
			m.Edits.Row.Append(mine.Row(int(i)))
		}
	}
	return m, nil
}

// stored returns the artist's rows as a file of the format stores them: with all
// their influences, and those that are interpolated cut to most.
func (e *Edits) stored(f weights.Format, most int) (*weights.Rows, error) {
	whole, err := stored(e.Row, f, mostKept)
	if err != nil || len(e.mixed) == 0 {
		return whole, err
	}
	limited, err := stored(e.Row, f, most)
	if err != nil {
		return nil, err
	}
	out := weights.NewRows(e.Len())
	for i := range e.Len() {
		if e.isMixed(i) {
			out.Append(limited.Row(i))
		} else {
			out.Append(whole.Row(i))
		}
	}
	return out, nil
}

// cuts reports whether row v has more influences than most; 0: no limit.
func cuts(most int, r *weights.Rows, v int) bool {
	return most > 0 && int(r.Start[v+1]-r.Start[v]) > most
}

// alike reports whether no weight of two rows differs by more than within.
func alike(r *weights.Rows, v int, s *weights.Rows, u int, within float64) bool {
	ja, wa := r.Row(v)
	jb, wb := s.Row(u)
	for len(ja) > 0 || len(jb) > 0 {
		d := 0.0
		switch {
		case len(jb) == 0 || len(ja) > 0 && ja[0] < jb[0]:
			d, ja, wa = wa[0], ja[1:], wa[1:]
		case len(ja) == 0 || jb[0] < ja[0]:
			d, jb, wb = wb[0], jb[1:], wb[1:]
		default:
			d, ja, wa, jb, wb = math.Abs(wa[0]-wb[0]), ja[1:], wa[1:], jb[1:], wb[1:]
		}
		if d > within {
			return false
		}
	}
	return true
}

// joinSeams gives all vertices of a place the same edit, and those that are not
// locked themselves the lock of one that is.
func (m *Merged) joinSeams(welded, at, lock []int32, base, mine, current *weights.Rows) {
	places := int32(0)
	for _, p := range welded {
		places = max(places, p+1)
	}
	edit, held := make([]int32, places), make([]int32, places)
	for p := range edit {
		edit[p], held[p] = -1, -1
	}
	apart := map[int32]bool{}
	members, edited := make([]int32, places), make([]int32, places)
	for v, p := range welded {
		members[p]++
		if i := at[v]; i >= 0 {
			edited[p]++
			if k := edit[p]; k < 0 {
				edit[p] = i
			} else if c := compareEdits(base, mine, int(i), int(k)); c != 0 {
				apart[p] = true
				if c < 0 {
					edit[p] = i
				}
			}
		}
		if lock[v] >= 0 && (held[p] < 0 || compareRows(current, v, current, int(held[p])) < 0) {
			held[p] = int32(v)
		}
	}
	for p := range edit {
		if apart[int32(p)] || edited[p] > 0 && edited[p] < members[p] {
			m.SeamsJoined++
		}
	}
	for v, p := range welded {
		at[v] = edit[p]
		if lock[v] < 0 {
			lock[v] = held[p]
		}
	}
}

// compareEdits is negative where edit i goes before edit k: it goes farther, or
// as far and has the lower rows.
func compareEdits(base, mine *weights.Rows, i, k int) int {
	di, dk := mine.DistanceL1(i, base, i), mine.DistanceL1(k, base, k)
	return cmp.Or(cmp.Compare(dk, di), compareRows(mine, i, mine, k), compareRows(base, i, base, k))
}

// compareRows orders rows by their joints, then their weights.
func compareRows(r *weights.Rows, v int, s *weights.Rows, u int) int {
	ja, wa := r.Row(v)
	jb, wb := s.Row(u)
	return cmp.Or(slices.Compare(ja, jb), slices.Compare(wa, wb))
}

// rowScratch is three rows side by side over the joints that any of them has.
type rowScratch struct {
	joint   []uint16
	b, e, t []float64
	y       []float64
	wanted  []float64 // y before it is brought to a legal row
	keep    []int
}

// align loads row i of base and mine and row v of theirs.
func (s *rowScratch) align(base *weights.Rows, i int, mine *weights.Rows, k int, theirs *weights.Rows, v int) {
	s.joint, s.b, s.e, s.t = s.joint[:0], s.b[:0], s.e[:0], s.t[:0]
	jb, wb := base.Row(i)
	je, we := mine.Row(k)
	jt, wt := theirs.Row(v)
	take := func(j int, joint *[]uint16, weight *[]float64) float64 {
		if len(*joint) == 0 || int((*joint)[0]) != j {
			return 0
		}
		w := (*weight)[0]
		*joint, *weight = (*joint)[1:], (*weight)[1:]
		return w
	}
	for len(jb)+len(je)+len(jt) > 0 {
		j := math.MaxInt
		for _, l := range [3][]uint16{jb, je, jt} {
			if len(l) > 0 {
				j = min(j, int(l[0]))
			}
		}
		s.joint = append(s.joint, uint16(j))
		s.b = append(s.b, take(j, &jb, &wb))
		s.e = append(s.e, take(j, &je, &we))
		s.t = append(s.t, take(j, &jt, &wt))
	}
}

// measure returns |e-b|, |t-b| (0 where no weight moved by more than unmoved) and
// the joint that the edit changed most.
func (s *rowScratch) measure() (edit, moved float64, most uint16) {
	largest, top := 0.0, -1.0
	for i, j := range s.joint {
		d := math.Abs(s.e[i] - s.b[i])
		edit += d
		if d > top {
			top, most = d, j
		}
		moved += math.Abs(s.t[i] - s.b[i])
		largest = max(largest, math.Abs(s.t[i]-s.b[i]))
	}
	if largest <= unmoved {
		moved = 0
	}
	return edit, moved, most
}

// agrees reports whether t is e; of a row in integers, as a file may have brought it,
// whether t went most of the way to e and is it to rounding, as in storage.same.
func (s *rowScratch) agrees(edit, moved float64) bool {
	n, step := 0.0, 0.0
	s.y = s.y[:0]
	for _, w := range s.e {
		if w > 0 {
			s.y = append(s.y, w)
			n++
		}
	}
	if 2*moved >= edit {
		step = integerStep(s.y)
	}
	for i := range s.joint {
		within := unmoved
		if step > 0 {
			within = step*max(1, (1+n*s.e[i])/2) + floatTolerance
		}
		if math.Abs(s.t[i]-s.e[i]) > within {
			return false
		}
	}
	return true
}

// changed are the joints whose weight the edit changed.
func (s *rowScratch) changed() []uint16 {
	var out []uint16
	for i, j := range s.joint {
		if math.Abs(s.e[i]-s.b[i]) > unmoved {
			out = append(out, j)
		}
	}
	return out
}

// carry is the new row with the artist's change, over keep; nil where neither row has
// weight on the joints that the artist left. lost reports whether the limit has cost an
// influence of a percent or more that the artist's row has. What is returned is valid
// until the next call of a method.
func (s *rowScratch) carry(most int) (y []float64, lost bool) {
	sumB, sumT := 0.0, 0.0
	s.keep = s.keep[:0]
	for i := range s.joint {
		if s.e[i] == 0 && s.b[i] >= removeFrom {
			continue
		}
		s.keep = append(s.keep, i)
		sumB += s.b[i]
		sumT += s.t[i]
	}
	// A rest below a percent says nothing about the change.
	if sumB < removeFrom || sumT < removeFrom {
		return nil, false
	}
	s.y, s.wanted = s.y[:0], s.wanted[:0]
	for _, i := range s.keep {
		s.y = append(s.y, s.t[i]/sumT+s.e[i]-s.b[i]/sumB)
	}
	s.wanted = append(s.wanted, s.y...)
	projectSparse(s.y, most)
	if most > 0 && len(s.keep) > most {
		for k, i := range s.keep {
			lost = lost || s.y[k] == 0 && s.e[i] >= dropBelow && s.wanted[k] >= dropBelow
		}
	}
	return s.y, lost
}

// leaves is the L1 distance of a carried row from e; of none it is 0.
func (s *rowScratch) leaves(y []float64) float64 {
	d := 0.0
	for k := range y {
		d += math.Abs(y[k] - s.e[s.keep[k]])
	}
	return d
}

// append appends a carried row to out.
func (s *rowScratch) append(y []float64, out *weights.Rows) {
	for k, i := range s.keep {
		if y[k] > 0 {
			out.Joint = append(out.Joint, s.joint[i])
			out.Weight = append(out.Weight, y[k])
		}
	}
	out.Start = append(out.Start, int32(len(out.Joint)))
}

// stored returns rows as a file of the format stores them: limited, normalised,
// on the grid. Rows that are so already keep their bits, empty rows stay empty.
// Nothing is pruned.
func stored(r *weights.Rows, f weights.Format, most int) (*weights.Rows, error) {
	return storedBut(nil, r, f, most)
}

// storedBut is stored, but for rows that are legal and may have any number of
// influences.
func storedBut(any []bool, r *weights.Rows, f weights.Format, most int) (*weights.Rows, error) {
	var odd []int
	for v := range r.Len() {
		if any != nil && any[v] && isStored(r, v, f, 0) {
			continue
		}
		if !isStored(r, v, f, most) {
			odd = append(odd, v)
		}
	}
	if len(odd) == 0 {
		return r, nil
	}
	work := weights.NewRows(len(odd))
	for _, v := range odd {
		work.Append(r.Row(v))
	}
	done, _, err := weights.Finish(work, weights.FinishOptions{MaxInfluences: most, Format: f, Threads: 1})
	if err != nil {
		return nil, err
	}
	out := weights.NewRows(r.Len())
	for v := range r.Len() {
		if len(odd) > 0 && odd[0] == v {
			out.Append(done.Row(done.Len() - len(odd)))
			odd = odd[1:]
		} else {
			out.Append(r.Row(v))
		}
	}
	return out, nil
}

// isStored reports whether row v can stand in a file of the format as it is.
func isStored(r *weights.Rows, v int, f weights.Format, most int) bool {
	_, weight := r.Row(v)
	return len(weight) == 0 || (most <= 0 || len(weight) <= most) && f.IsStored(weight)
}
