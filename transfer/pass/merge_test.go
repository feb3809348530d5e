package pass

import (
	"cmp"
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
	t := &triple{joints: names(12), opt: MergeOptions{MaxInfluences: most, Format: f, Recorded: f, Policy: Policy{Default: Choice(rng.IntN(3))}}}
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
			leaves := denseCarry(x.base, x.artist, x.theirs, v, 12, x.opt.MaxInfluences)
			if math.Abs(leaves-max(2*moved, 0.002)) < 1e-9 {
				continue // rounding decides
			}
			beyond := moved < edit && leaves > max(2*moved, 0.002)
			want := (moved >= edit || beyond) && moved > 0 && m.Outcome[v] != Agreed && x.theirs.DistanceL1(v, x.artist, v) > 1e-5
			if m.Outcome[v] == Agreed {
				// To the rounding of the artist's integers at most, and most of the way.
				for i := range x.joints {
					e, n := weightOf(x.artist, v, uint16(i)), float64(x.artist.Start[v+1]-x.artist.Start[v])
					if d := math.Abs(weightOf(x.theirs, v, uint16(i)) - e); d > 1e-6 && (x.opt.Format == weights.Float32 && n > 3 || d > (1+n*e)/255+1e-5 || 2*moved < edit) {
						t.Fatalf("vertex %d: agrees with a weight %g off", v, d)
					}
				}
			}
			if beyond && m.Outcome[v] == ConflictNew {
				t.Fatalf("vertex %d: an edit of %g is given up for a move of %g", v, edit, moved)
			}
			if m.Outcome[v] == Carried {
				// The bound, and what storing costs on top.
				if d := m.Rows.DistanceL1(v, x.artist, v); d > max(2*moved, 0.002)+storedOff(x.opt.Format) {
					t.Fatalf("vertex %d: the row leaves the artist's by %g, the transfer moved %g", v, d, moved)
				}
			}
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

// storedOff is how far storing may move a row in L1: half a step for each of 12 joints.
func storedOff(f weights.Format) float64 {
	if f == weights.Float32 {
		return 1e-6
	}
	return 12 / float64(f.Steps())
}

// denseCarry is how far the row with the change carried over leaves the artist's, by the
// definition: over all joints, the simplex's nearest point by bisection. 0 where nothing
// can be carried.
func denseCarry(base, artist, theirs *weights.Rows, v, joints, most int) float64 {
	load := func(r *weights.Rows) ([]float64, int) {
		out := make([]float64, joints)
		joint, weight := r.Row(v)
		for i, j := range joint {
			out[j] = weight[i]
		}
		return out, len(joint)
	}
	b, _ := load(base)
	e, n := load(artist)
	t, _ := load(theirs)
	sumB, sumT := 0.0, 0.0
	out := make([]bool, joints)
	for j := range b {
		if out[j] = e[j] == 0 && b[j] >= 0.01; !out[j] {
			sumB, sumT = sumB+b[j], sumT+t[j]
		}
	}
	if sumB < 0.01 || sumT < 0.01 {
		return 0
	}
	var left []int
	y := make([]float64, joints)
	for j := range y {
		if y[j] = t[j]/sumT + e[j] - b[j]/sumB; !out[j] {
			left = append(left, j)
		}
	}
	if most > 0 { // the largest, ties by joint
		slices.SortStableFunc(left, func(i, j int) int { return cmp.Compare(y[j], y[i]) })
		left = left[:min(len(left), max(most, n))]
	}
	lo, hi := -4.0, 4.0*float64(joints)+200
	for range 200 {
		theta, sum := (lo+hi)/2, 0.0
		for _, j := range left {
			sum += max(y[j]-theta, 0)
		}
		if sum > 1 {
			lo = theta
		} else {
			hi = theta
		}
	}
	d := 0.0
	row := make([]float64, joints)
	for _, j := range left {
		row[j] = max(y[j]-hi, 0)
	}
	for j := range row {
		d += math.Abs(row[j] - e[j])
	}
	return d
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
		// As many influences as the artist's row has, whatever the limit.
		{"none of the artist's is lost to the limit", rowOf(0, 0.5, 1, 0.5), rowOf(0, 0.25, 1, 0.25, 2, 0.25, 3, 0.25), rowOf(0, 0.53125, 1, 0.46875), rowOf(0, 0.28125, 1, 0.21875, 2, 0.25, 3, 0.25), 2},
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

// TestMerge_Bound: worked by hand. The artist left joints of little weight, the body moved
// weight between these: scaled to one the move is twenty times as large (b' = .8 .2, t' =
// .4 .6, the row .1 .9), which is a conflict; one of a thousandth of the weight is not.
func TestMerge_Bound(t *testing.T) {
	base, artist := rowOf(0, 0.95, 1, 0.04, 2, 0.01), rowOf(1, 0.5, 2, 0.5)
	for _, x := range []struct {
		name   string
		theirs *weights.Rows
		choice Choice
		want   Outcome
		row    *weights.Rows
	}{
		{"keep edit", rowOf(0, 0.95, 1, 0.02, 2, 0.03), KeepEdit, ConflictKept, artist},
		{"keep change", rowOf(0, 0.95, 1, 0.02, 2, 0.03), KeepChange, ConflictCarried, rowOf(1, 0.1, 2, 0.9)},
		{"take new: not for a small move", rowOf(0, 0.95, 1, 0.02, 2, 0.03), TakeNew, ConflictKept, artist},
		{"slight", rowOf(0, 0.95, 1, 0.03996, 2, 0.01004), KeepEdit, Carried, rowOf(1, 0.4992, 2, 0.5008)},
	} {
		t.Run(x.name, func(t *testing.T) {
			edits := &Edits{Vertex: []int32{0}, Base: base, Row: artist}
			m := mustMerge(t, x.theirs, names(3), edits, MergeOptions{MaxInfluences: 4, Policy: Policy{Default: x.choice}})
			if m.Outcome[0] != x.want || m.Rows.DistanceL1(0, x.row, 0) > 1e-6 || (len(m.Conflicts) == 1) != (x.want != Carried) {
				t.Errorf("outcome %d, row %v, conflicts %v; want %d, %v", m.Outcome[0], m.Rows, m.Conflicts, x.want, x.row)
			}
		})
	}
}

// TestMerge_TinyMove: of an artist's row with more influences than the limit none is lost
// where the body moves by next to nothing.
func TestMerge_TinyMove(t *testing.T) {
	for _, f := range []weights.Format{weights.Float32, weights.Uint16} {
		rng := rand.New(rand.NewPCG(lawSeed, 7))
		const n = 2000
		base, artist, theirs := randomRows(rng, n, 12, 4, f), randomRows(rng, n, 12, 6, f), weights.NewRows(n)
		acc := weights.NewAccumulator(12)
		edits := newEdits()
		for v := range n {
			joint, weight := base.Row(v)
			for i, j := range joint {
				acc.Add(j, weight[i]*(1+1e-4*rng.Float64()))
			}
			acc.FlushNormalised(theirs)
			edits.Vertex = append(edits.Vertex, int32(v))
			edits.Base.Append(joint, weight)
			edits.Row.Append(artist.Row(v))
		}
		theirs, err := stored(theirs, f, 0)
		if err != nil {
			t.Fatal(err)
		}
		m := mustMerge(t, theirs, names(12), edits, MergeOptions{MaxInfluences: 2, Format: f, Recorded: f})
		if len(m.Lost) > 0 {
			t.Errorf("format %d: %d rows lack an influence", f, len(m.Lost))
		}
		carried := 0
		for v := range n {
			if m.Outcome[v] == Carried {
				carried++
			}
			if d, moved := m.Rows.DistanceL1(v, artist, v), theirs.DistanceL1(v, base, v); d > max(2*moved, 0.002)+storedOff(f) {
				t.Fatalf("format %d, vertex %d: the row leaves the artist's by %g, the transfer moved %g", f, v, d, moved)
			}
		}
		if carried < n/10 {
			t.Errorf("format %d: %d of %d carried: tests nothing", f, carried, n)
		}
	}
}

// TestMerge_LostToTheLimit: an influence by hand that larger ones crowd out is listed.
func TestMerge_LostToTheLimit(t *testing.T) {
	// t + e - b = .53 .4 .05 .02 over joints 0 1 3 2.
	edits := &Edits{Vertex: []int32{0}, Base: rowOf(0, 0.7, 1, 0.3), Row: rowOf(0, 0.58, 1, 0.4, 2, 0.02)}
	m := mustMerge(t, rowOf(0, 0.65, 1, 0.3, 3, 0.05), names(4), edits, MergeOptions{MaxInfluences: 3})
	if m.Outcome[0] != Carried || !slices.Equal(m.Lost, []int32{0}) {
		t.Errorf("outcome %d, row %v, lost %v", m.Outcome[0], m.Rows, m.Lost)
	}
}

// TestMerge_FormatAndBack: bases that were recorded in integers are those of a transfer
// in floats that has not moved; afterwards the record has that transfer's.
func TestMerge_FormatAndBack(t *testing.T) {
	for _, f := range []weights.Format{weights.Uint8, weights.Uint16} {
		rng := rand.New(rand.NewPCG(lawSeed, 8))
		const n = 500
		transfer, artist := randomRows(rng, n, 12, 4, weights.Float32), randomRows(rng, n, 12, 6, weights.Float32)
		edits := newEdits()
		for v := range n {
			if transfer.DistanceL1(v, artist, v) == 0 {
				replaceRow(artist, v, rowOf(0, 0.5, 1, 0.25, 2, 0.25), 0)
			}
			edits.Vertex = append(edits.Vertex, int32(v))
			edits.Base.Append(transfer.Row(v))
			edits.Row.Append(artist.Row(v))
		}
		coarse, err := stored(transfer, f, 0)
		if err != nil {
			t.Fatal(err)
		}
		there := mustMerge(t, coarse, names(12), edits, MergeOptions{MaxInfluences: 4, Format: f})
		back := mustMerge(t, transfer, names(12), there.Edits, MergeOptions{MaxInfluences: 4, Recorded: f})
		again := mustMerge(t, transfer, names(12), back.Edits, MergeOptions{MaxInfluences: 4})
		for v := range n {
			if there.Outcome[v] != Kept || back.Outcome[v] != Kept || again.Outcome[v] != Kept {
				t.Fatalf("format %d, vertex %d: outcomes %d, %d, %d", f, v, there.Outcome[v], back.Outcome[v], again.Outcome[v])
			}
			if d := back.Rows.DistanceL1(v, artist, v); d > storedOff(f) {
				t.Fatalf("format %d, vertex %d: %g off the artist's row", f, v, d)
			}
		}
		if !reflect.DeepEqual(again.Rows, back.Rows) || !reflect.DeepEqual(again.Edits, back.Edits) {
			t.Errorf("format %d: the next pass changes something", f)
		}
	}
}

// TestMerge_AgreesInIntegers: the artist's file in bytes or shorts, and a body that now
// gives what it says, to rounding.
func TestMerge_AgreesInIntegers(t *testing.T) {
	for _, f := range []weights.Format{weights.Uint8, weights.Uint16} {
		rng := rand.New(rand.NewPCG(lawSeed, 9))
		const n = 1000
		base, theirs := randomRows(rng, n, 12, 4, weights.Float32), randomRows(rng, n, 12, 4, weights.Float32)
		artist, err := weights.Quantise(theirs, f)
		if err != nil {
			t.Fatal(err)
		}
		edits := newEdits()
		for v := range n {
			edits.Vertex = append(edits.Vertex, int32(v))
			edits.Base.Append(base.Row(v))
			edits.Row.Append(artist.Row(v))
		}
		m := mustMerge(t, theirs, names(12), edits, MergeOptions{MaxInfluences: 4})
		for v := range n {
			if joint, _ := artist.Row(v); len(joint) > 1 && m.Outcome[v] != Agreed {
				t.Fatalf("format %d, vertex %d: outcome %d", f, v, m.Outcome[v])
			}
		}
		// Two steps away it is another row.
		off := 2.5 / float64(f.Steps())
		edits = &Edits{Vertex: []int32{0}, Base: rowOf(0, 1), Row: rowOf(0, 102.0/255, 1, 153.0/255)}
		if m := mustMerge(t, rowOf(0, 0.4+off, 1, 0.6-off), names(2), edits, MergeOptions{}); f == weights.Uint8 && m.Outcome[0] == Agreed {
			t.Error("a row two steps away agrees")
		}
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
		{"six, and the limit leaves a new row room for them", rowOf(0, 0.5, 1, 0.5), wide, 2, rowOf(0, 0.53125, 1, 0.46875), nil, Carried},
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
			if x.want == nil && len(m.Rows.Joint) != len(x.artist.Joint) {
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
