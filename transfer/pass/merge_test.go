package pass

import (
	"fmt"
	"math"
	"math/rand/v2"
	"reflect"
	"slices"
	"testing"

	"github.com/selvage/selvage/transfer/weights"
)

// triple is a random merge: bases, artist's rows and new rows, of which some are
// equal in pairs or all three, some differ by a little.
type triple struct {
	joints               []Joint
	base, artist, theirs *weights.Rows
	edits                *Edits
	opt                  MergeOptions
}

const lawSeed = 11

func randomTriple(rng *rand.Rand, n int) *triple {
	f := weights.Format(rng.IntN(3))
	most := 1 + rng.IntN(8)
	t := &triple{joints: names(12), opt: MergeOptions{MaxInfluences: most, Format: f, Policy: Policy{Default: Choice(rng.IntN(3))}}}
	a, b, c := randomRows(rng, n, 12, most, f), randomRows(rng, n, 12, most, f), randomRows(rng, n, 12, most, f)
	mix := func(x, y *weights.Rows, v int, s float64, out *weights.Rows) {
		acc := weights.NewAccumulator(12)
		acc.AddLerp(x, v, y, v, s)
		one := weights.NewRows(1)
		acc.FlushNormalised(one)
		one, err := stored(one, f, most)
		if err != nil {
			panic(err)
		}
		out.Append(one.Row(0))
	}
	t.base, t.artist, t.theirs = a, weights.NewRows(n), weights.NewRows(n)
	for v := range n {
		mix(a, b, v, []float64{0, 0.1, 0.5, 1}[rng.IntN(4)], t.artist)
		if rng.IntN(5) == 0 {
			t.theirs.Append(t.artist.Row(v))
		} else {
			mix(a, c, v, []float64{0, 0.05, 0.3, 1}[rng.IntN(4)], t.theirs)
		}
	}
	t.edits = newEdits()
	for v := range n {
		if !sameRow(t.base, v, t.artist, v) {
			t.edits.Vertex = append(t.edits.Vertex, int32(v))
			t.edits.Base.Append(t.base.Row(v))
			t.edits.Row.Append(t.artist.Row(v))
		}
	}
	return t
}

func mustMerge(t testing.TB, theirs *weights.Rows, joints []Joint, e *Edits, opt MergeOptions) *Merged {
	t.Helper()
	m, err := Merge(theirs, joints, e, opt)
	if err != nil {
		t.Fatal(err)
	}
	return m
}

func eachTriple(t *testing.T, check func(t *testing.T, x *triple)) {
	for round := range 40 {
		rng := rand.New(rand.NewPCG(lawSeed, uint64(round)))
		t.Run(fmt.Sprintf("seed=%d/round=%d", lawSeed, round), func(t *testing.T) { check(t, randomTriple(rng, 120)) })
	}
}

// TestMerge_Laws: the laws of three-way merging for rows, bit for bit.
// Khanna, Kunal, Pierce, "A Formal Investigation of Diff3", FSTTCS 2007, section
// 4 (from memory): idempotence, and what they show of runs that change one side
// only or both alike.
func TestMerge_Laws(t *testing.T) {
	eachTriple(t, func(t *testing.T, x *triple) {
		n := x.base.Len()
		for v := range n {
			one := func(r *weights.Rows) *weights.Rows {
				out := weights.NewRows(1)
				out.Append(r.Row(v))
				return out
			}
			b, e, tt := one(x.base), one(x.artist), one(x.theirs)
			if m := mustMerge(t, tt, x.joints, newEdits(), x.opt); !sameRow(m.Rows, 0, tt, 0) || m.Edits.Len() != 0 {
				t.Fatalf("vertex %d: no edit, and not the transfer's row: %v", v, m.Rows)
			}
			kept := Kept
			if sameRow(b, 0, e, 0) {
				kept = Plain // no edit at all
			}
			edit := func(b, e *weights.Rows) *Edits { return &Edits{Vertex: []int32{0}, Base: b, Row: e} }
			if m := mustMerge(t, b, x.joints, edit(b, e), x.opt); !sameRow(m.Rows, 0, e, 0) || m.Outcome[0] != kept || len(m.Conflicts) > 0 {
				t.Fatalf("vertex %d: the transfer did not move, and not the artist's row: %v", v, m.Rows)
			}
			if m := mustMerge(t, e, x.joints, edit(b, e), x.opt); !sameRow(m.Rows, 0, e, 0) || len(m.Conflicts) > 0 {
				t.Fatalf("vertex %d: both made the same change, and not that: %v", v, m.Rows)
			}
		}
		// Running again on the result, with what the record then remembers, changes
		// nothing, and an edit given up stays given up.
		m := mustMerge(t, x.theirs, x.joints, x.edits, x.opt)
		again := mustMerge(t, x.theirs, x.joints, m.Edits, x.opt)
		if !reflect.DeepEqual(again.Rows, m.Rows) || !reflect.DeepEqual(again.Edits, m.Edits) {
			t.Fatal("merging the result again changes it")
		}
	})
}

// TestMerge_Legal: rows that a file may store, whatever the edit; a joint that the
// artist took out stays out of a carried row; the choice and the measure of every
// conflict are as documented.
func TestMerge_Legal(t *testing.T) {
	eachTriple(t, func(t *testing.T, x *triple) {
		m := mustMerge(t, x.theirs, x.joints, x.edits, x.opt)
		at := entries(x.edits.Vertex, x.base.Len())
		conflict := map[int]Conflict{}
		for _, c := range m.Conflicts {
			conflict[c.Vertex] = c
		}
		for v := range m.Rows.Len() {
			joint, _ := m.Rows.Row(v)
			if len(joint) == 0 || !isStored(m.Rows, v, x.opt.Format, x.opt.MaxInfluences) {
				t.Fatalf("vertex %d: row %v %v cannot be stored", v, joint, m.Rows.Weight[m.Rows.Start[v]:m.Rows.Start[v+1]])
			}
			if at[v] < 0 {
				continue
			}
			edit, moved := x.artist.DistanceL1(v, x.base, v), x.theirs.DistanceL1(v, x.base, v)
			c, is := conflict[v]
			want := moved >= edit && x.theirs.DistanceL1(v, x.artist, v) > 1e-5
			if is != want || is && (math.Abs(c.Edit-edit) > 1e-12 || math.Abs(c.Moved-moved) > 1e-12) {
				t.Fatalf("vertex %d: edit %g, moved %g: conflict %v %+v", v, edit, moved, is, c)
			}
			if m.Outcome[v] != Carried && m.Outcome[v] != ConflictCarried {
				continue
			}
			for i, j := range x.joints {
				b, e := weightOf(x.base, v, uint16(i)), weightOf(x.artist, v, uint16(i))
				if b >= removeFrom && e == 0 && weightOf(m.Rows, v, uint16(i)) > 0 {
					t.Fatalf("vertex %d: joint %s was taken out and is back", v, j.Name)
				}
			}
		}
	})
}

func weightOf(r *weights.Rows, v int, j uint16) float64 {
	joint, weight := r.Row(v)
	if i := slices.Index(joint, j); i >= 0 {
		return weight[i]
	}
	return 0
}

// TestMerge_Carried: worked by hand.
func TestMerge_Carried(t *testing.T) {
	for _, x := range []struct {
		name                      string
		base, artist, theirs, row *weights.Rows
		most                      int
	}{
		{"the change is added", rowOf(0, 0.5, 1, 0.5), rowOf(0, 0.75, 1, 0.25), rowOf(0, 0.375, 1, 0.625), rowOf(0, 0.625, 1, 0.375), 4},
		{"beyond one: the nearest legal row", rowOf(0, 0.75, 1, 0.25), rowOf(0, 1), rowOf(0, 0.875, 1, 0.125), rowOf(0, 1), 4},
		// t + e - b = .125 .625 .125 .125 over joints 0 1 3 4; of the two largest (ties:
		// the lower joint) .125 and .625, and .125 more to each.
		{"two influences", rowOf(0, 0.5, 1, 0.5), rowOf(0, 0.125, 1, 0.875), rowOf(0, 0.5, 1, 0.25, 3, 0.125, 4, 0.125), rowOf(0, 0.25, 1, 0.75), 2},
		// Joint 0 is out: b' is 1, t' is .75 .25 (1, 2), e is 1.
		{"taken out stays out", rowOf(0, 0.5, 1, 0.5), rowOf(1, 1), rowOf(0, 0.5, 1, 0.375, 2, 0.125), rowOf(1, 0.75, 2, 0.25), 4},
		{"nothing is left to carry it to", rowOf(0, 1), rowOf(1, 1), rowOf(0, 0.75, 2, 0.25), rowOf(1, 1), 4},
	} {
		t.Run(x.name, func(t *testing.T) {
			m := mustMerge(t, x.theirs, names(5), &Edits{Vertex: []int32{0}, Base: x.base, Row: x.artist}, MergeOptions{MaxInfluences: x.most})
			if m.Outcome[0] != Carried || m.Rows.DistanceL1(0, x.row, 0) > 1e-7 {
				t.Errorf("outcome %d, row %v, want %v", m.Outcome[0], m.Rows, x.row)
			}
		})
	}
}

// TestMerge_VertexOrder: the vertices in another order give the same rows in that
// order, also where seams are edited apart.
func TestMerge_VertexOrder(t *testing.T) {
	eachTriple(t, func(t *testing.T, x *triple) {
		n := x.base.Len()
		rng := rand.New(rand.NewPCG(lawSeed, 99))
		x.opt.Welded = make([]int32, n)
		for v := range x.opt.Welded {
			x.opt.Welded[v] = int32(v / 2)
			if v%2 == 1 { // coincident vertices have the same row before the edit
				replaceRow(x.theirs, v, x.theirs, v-1)
			}
		}
		x.opt.Locked, x.opt.Current = make([]bool, n), x.artist
		for v := range 6 {
			x.opt.Locked[3*v] = true
		}
		m := mustMerge(t, x.theirs, x.joints, x.edits, x.opt)
		for v := 0; v < n; v += 2 {
			if !sameRow(m.Rows, v, m.Rows, v+1) {
				t.Fatalf("vertices %d and %d coincide and have different rows", v, v+1)
			}
		}
		order := rng.Perm(n)
		y := *x
		y.theirs, y.opt.Current = weights.NewRows(n), weights.NewRows(n)
		y.opt.Welded, y.opt.Locked = make([]int32, n), make([]bool, n)
		y.edits = newEdits()
		at := entries(x.edits.Vertex, n)
		for v, old := range order {
			y.theirs.Append(x.theirs.Row(old))
			y.opt.Current.Append(x.opt.Current.Row(old))
			y.opt.Welded[v], y.opt.Locked[v] = x.opt.Welded[old], x.opt.Locked[old]
			if i := at[old]; i >= 0 {
				y.edits.Vertex = append(y.edits.Vertex, int32(v))
				y.edits.Base.Append(x.edits.Base.Row(int(i)))
				y.edits.Row.Append(x.edits.Row.Row(int(i)))
			}
		}
		other := mustMerge(t, y.theirs, y.joints, y.edits, y.opt)
		for v, old := range order {
			if !sameRow(other.Rows, v, m.Rows, old) || other.Outcome[v] != m.Outcome[old] {
				t.Fatalf("vertex %d: another row in another order", old)
			}
		}
		if other.SeamsJoined != m.SeamsJoined || len(other.Conflicts) != len(m.Conflicts) {
			t.Errorf("%d seams and %d conflicts in another order, want %d and %d", other.SeamsJoined, len(other.Conflicts), m.SeamsJoined, len(m.Conflicts))
		}
	})
}

// replaceRow gives vertex v of r row u of s.
func replaceRow(r *weights.Rows, v int, s *weights.Rows, u int) {
	out := weights.NewRows(r.Len())
	for k := range r.Len() {
		if k == v {
			out.Append(s.Row(u))
		} else {
			out.Append(r.Row(k))
		}
	}
	*r = *out
}

func TestMerge_Policy(t *testing.T) {
	base, artist, theirs := rowOf(0, 0.5, 1, 0.5), rowOf(0, 0.625, 1, 0.375), rowOf(0, 0.25, 1, 0.75)
	e := &Edits{Vertex: []int32{0}, Base: base, Row: artist}
	for _, x := range []struct {
		name   string
		policy Policy
		want   Outcome
		row    *weights.Rows
	}{
		{"default", Policy{}, ConflictKept, artist},
		{"keep change", Policy{Default: KeepChange}, ConflictCarried, rowOf(0, 0.375, 1, 0.625)},
		{"take new", Policy{Default: TakeNew}, ConflictNew, theirs},
		{"by joint", Policy{Rules: []Rule{{Joint: "c*", Choice: KeepChange}, {Joint: "b", Choice: TakeNew}}}, ConflictNew, theirs},
		{"by garment", Policy{Rules: []Rule{{Garment: "coat*", Choice: TakeNew}}}, ConflictNew, theirs},
		{"another garment", Policy{Rules: []Rule{{Garment: "hat*", Choice: TakeNew}}}, ConflictKept, artist},
		{"by mask", Policy{Rules: []Rule{{Mask: []bool{true}, Choice: TakeNew}}}, ConflictNew, theirs},
		{"outside the mask", Policy{Rules: []Rule{{Mask: []bool{false}, Choice: TakeNew}}}, ConflictKept, artist},
		{"the first that covers it", Policy{Rules: []Rule{{Choice: KeepChange}, {Choice: TakeNew}}}, ConflictCarried, rowOf(0, 0.375, 1, 0.625)},
	} {
		t.Run(x.name, func(t *testing.T) {
			m := mustMerge(t, theirs, names(2), e, MergeOptions{Garment: "coat.glb", Policy: x.policy})
			if m.Outcome[0] != x.want || !sameRow(m.Rows, 0, x.row, 0) || len(m.Conflicts) != 1 {
				t.Errorf("outcome %d, row %v, conflicts %v; want %d, %v", m.Outcome[0], m.Rows, m.Conflicts, x.want, x.row)
			}
		})
	}
	for _, bad := range []Policy{{Default: 3}, {Rules: []Rule{{Joint: "["}}}, {Rules: []Rule{{Choice: -1}}}} {
		if _, err := Merge(theirs, names(2), e, MergeOptions{Policy: bad}); err == nil {
			t.Errorf("policy %+v passes", bad)
		}
	}
}

// TestMerge_MoreInfluences: an artist's row of more influences than the limit is kept
// whole, a lower limit gives up no edit, and raising it again brings all back.
func TestMerge_MoreInfluences(t *testing.T) {
	wide := rowOf(0, 0.25, 1, 0.25, 2, 0.125, 3, 0.125, 4, 0.125, 5, 0.125)
	for _, x := range []struct {
		name         string
		base, artist *weights.Rows
		limit        int
		theirs, want *weights.Rows // under the limit
		outcome      Outcome
	}{
		{"six under a limit of four", rowOf(0, 0.5, 1, 0.5), wide, 4, rowOf(0, 0.5, 1, 0.5), wide, Kept},
		{"six in a conflict", rowOf(0, 0.75, 1, 0.25), wide, 4, rowOf(6, 1), wide, ConflictKept},
		{"four, the transfer has moved: a new row", rowOf(0, 0.5, 1, 0.5), rowOf(0, 0.5, 1, 0.25, 2, 0.125, 3, 0.125), 2, rowOf(0, 0.53125, 1, 0.46875), nil, Carried},
		{"six, and a new row would have nothing of them", rowOf(0, 0.5, 1, 0.5), wide, 2, rowOf(0, 0.53125, 1, 0.46875), wide, ConflictKept},
		{"a limit of one cuts the transfer's row", rowOf(0, 0.75, 1, 0.25), rowOf(0, 0.5, 1, 0.5), 1, rowOf(0, 1), rowOf(0, 0.5, 1, 0.5), Kept},
		{"a limit of one makes it the artist's", rowOf(0, 0.75, 1, 0.25), rowOf(0, 1), 1, rowOf(0, 1), rowOf(0, 1), Kept},
		{"and another one than the largest", rowOf(0, 0.375, 1, 0.625), rowOf(0, 1), 1, rowOf(0, 1), rowOf(0, 1), Kept},
	} {
		t.Run(x.name, func(t *testing.T) {
			edits := &Edits{Vertex: []int32{0}, Base: x.base, Row: x.artist}
			m := mustMerge(t, x.theirs, names(7), edits, MergeOptions{MaxInfluences: x.limit})
			if m.Outcome[0] != x.outcome || x.want != nil && !sameRow(m.Rows, 0, x.want, 0) || m.Cut != nil {
				t.Errorf("outcome %d, row %v, want %d, %v", m.Outcome[0], m.Rows, x.outcome, x.want)
			}
			if x.want == nil && len(m.Rows.Joint) > x.limit {
				t.Errorf("the new row has %d influences", len(m.Rows.Joint))
			}
			// The record keeps the whole row.
			if m.Edits.Len() != 1 || !sameRow(m.Edits.Row, 0, x.artist, 0) || !sameRow(m.Edits.Base, 0, x.base, 0) {
				t.Fatalf("the record has %v, want %v", m.Edits, edits)
			}
			back := mustMerge(t, x.base, names(7), m.Edits, MergeOptions{MaxInfluences: 8})
			if back.Outcome[0] != Kept || !sameRow(back.Rows, 0, x.artist, 0) {
				t.Errorf("after raising the limit: outcome %d, row %v, want %v", back.Outcome[0], back.Rows, x.artist)
			}
		})
	}
	// Interpolated rows are nobody's, and cut.
	mixed := &Edits{Vertex: []int32{0}, Base: rowOf(0, 1), Row: wide, mixed: []bool{true}}
	if m := mustMerge(t, rowOf(0, 1), names(7), mixed, MergeOptions{MaxInfluences: 4}); len(m.Rows.Joint) != 4 || len(m.Edits.mixed) > 0 {
		t.Errorf("an interpolated row: %v", m.Rows)
	}
	// More than a record can hold, once and again.
	huge := weights.NewRows(0)
	acc := weights.NewAccumulator(40)
	for j := range 40 {
		acc.Add(uint16(j), float64(j+1))
	}
	acc.FlushNormalised(huge)
	edits := &Edits{Vertex: []int32{0}, Base: rowOf(0, 1), Row: huge}
	for range 2 {
		m := mustMerge(t, rowOf(0, 1), names(40), edits, MergeOptions{MaxInfluences: 4})
		if len(m.Rows.Joint) != mostKept || m.Rows.Joint[0] != 40-mostKept || !slices.Equal(m.Cut, []int32{0}) {
			t.Errorf("a row of 40 influences has %d, of joint %d and more; cut %v", len(m.Rows.Joint), m.Rows.Joint[0], m.Cut)
		}
		edits = m.Edits
	}
}

// TestParseRule_Mask: an attribute's underscore may be left out, as in regions.
func TestParseRule_Mask(t *testing.T) {
	for _, text := range []string{"mask:_HELD=take-new", "mask:HELD=take-new"} {
		if r, err := ParseRule(text); err != nil || r.MaskAttribute != "_HELD" || r.Choice != TakeNew {
			t.Errorf("%s: %+v, %v", text, r, err)
		}
	}
}

// TestMerge_LockIsNoAgreement: a row that is the artist's because a lock makes it so (a
// rigid island follows its locked vertex) is remembered as an edit; without a lock the
// transfer agrees, and the edit has done its work.
func TestMerge_LockIsNoAgreement(t *testing.T) {
	eachTriple(t, func(t *testing.T, x *triple) {
		n := x.theirs.Len()
		// The transfer gives every edited vertex the artist's row.
		theirs := weights.Concat(x.theirs)
		for i, v := range x.edits.Vertex {
			replaceRow(theirs, int(v), x.edits.Row, i)
		}
		opt := x.opt
		opt.MaxInfluences, opt.Welded = 0, nil
		plain := mustMerge(t, theirs, x.joints, x.edits, opt)
		opt.Locked, opt.Current = make([]bool, n), theirs
		lone := -1
		at := entries(x.edits.Vertex, n)
		for v := range n {
			if at[v] < 0 {
				lone = v
			}
		}
		if lone < 0 {
			return
		}
		opt.Locked[lone] = true
		m := mustMerge(t, theirs, x.joints, x.edits, opt)
		for i, v := range x.edits.Vertex {
			if plain.Outcome[v] != Agreed {
				continue
			}
			if m.Outcome[v] != Kept || !slices.Contains(m.Edits.Vertex, v) || m.Rows.DistanceL1(int(v), x.edits.Row, i) > 1e-5 {
				t.Errorf("vertex %d: outcome %d, want the edit kept", v, m.Outcome[v])
			}
		}
	})
}
