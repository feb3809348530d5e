package main

// The simulation: a wardrobe, an artist, and passes of the body whose effect on
// any row is known.

import (
	"cmp"
	"context"
	"fmt"
	"math"
	"math/rand/v2"
	"slices"

	"github.com/selvage/selvage/transfer"
	"github.com/selvage/selvage/transfer/crew"
	"github.com/selvage/selvage/transfer/mesh"
	"github.com/selvage/selvage/transfer/pass"
	"github.com/selvage/selvage/transfer/weights"
	"gonum.org/v1/gonum/spatial/r3"
)

// shift moves the boundary between two joints: of the weight that a row has on the
// two, the first one's share r becomes r + by·4r(1-r). It depends on the row
// alone, so it acts on the body's rows and on the garment's true rows alike, and
// the truth stays known. |by| < 1/4 keeps the order of shares.
type shift struct {
	a, b string
	by   float64
}

// bodyPasses are the changes of the body, small ones but for the third, which
// moves the shoulders and hips by more than some edits.
var bodyPasses = [][]shift{
	{{"spine_2", "spine_3", 0.05}, {"hand", "forearm", 0.04}, {"shin", "foot", 0.04}},
	{{"pelvis", "spine_1", 0.06}, {"neck", "spine_4", -0.05}, {"index_1", "hand", 0.05}},
	{{"upper_arm", "clavicle", 0.2}, {"thigh", "pelvis", -0.2}, {"thumb_1", "hand", 0.2}, {"head", "neck", 0.2}, {"toes", "foot", -0.2}},
	{{"spine_3", "spine_4", -0.04}, {"forearm", "upper_arm", 0.04}, {"thigh", "shin", 0.03}},
	{{"spine_2", "spine_3", -0.03}, {"pelvis", "spine_1", 0.03}, {"hand", "forearm", -0.03}, {"neck", "spine_4", 0.04}},
}

// apply returns the rows after the shifts, on both sides of the body.
func apply(list []shift, joints []pass.Joint, rows *weights.Rows) *weights.Rows {
	index := map[string]int{}
	for j, x := range joints {
		index[x.Name] = j
	}
	type pair struct {
		a, b int
		by   float64
	}
	var pairs []pair
	for _, s := range list {
		for _, side := range [...][2]string{{"", ""}, {"", ".left"}, {".left", ""}, {".left", ".left"}, {"", ".right"}, {".right", ""}, {".right", ".right"}} {
			a, okA := index[s.a+side[0]]
			b, okB := index[s.b+side[1]]
			if okA && okB {
				pairs = append(pairs, pair{a, b, s.by})
			}
		}
	}
	out, dense := weights.NewRows(rows.Len()), make([]float64, len(joints))
	for v := range rows.Len() {
		load(dense, rows, v)
		for _, p := range pairs {
			if s := dense[p.a] + dense[p.b]; s > 0 {
				r := dense[p.a] / s
				r += p.by * 4 * r * (1 - r)
				dense[p.a], dense[p.b] = r*s, (1-r)*s
			}
		}
		store(dense, out)
	}
	return out
}

// load spreads row v over all joints.
func load(dense []float64, rows *weights.Rows, v int) {
	clear(dense)
	joint, weight := rows.Row(v)
	for i, j := range joint {
		dense[j] = weight[i]
	}
}

// store appends a row, normalised.
func store(dense []float64, rows *weights.Rows) {
	sum := 0.0
	for _, w := range dense {
		sum += w
	}
	var joint []uint16
	var weight []float64
	for j, w := range dense {
		if w > 0 {
			joint, weight = append(joint, uint16(j)), append(weight, w/sum)
		}
	}
	rows.Append(joint, weight)
}

// kind of an edit.
type kind uint8

const (
	none    kind = iota
	bumped       // weight moved between two joints, most in the middle
	pruned       // a joint taken out
	painted      // the row of one joint
)

// edits of an artist, by vertex.
type edits struct {
	kind  []kind
	joint []uint16    // bumped: the one that gains; pruned: taken out; painted: the one
	share []float64   // bumped: how much it gains
	list  [][]float64 // by vertex: the change, dense; nil where there is none
}

// edit changes some places of a garment by hand. Patches keep to vertices that no
// other patch has; coincident vertices are changed alike.
func edit(seed uint64, m *mesh.Mesh, rows *weights.Rows, joints []pass.Joint) (*edits, *weights.Rows, error) {
	rng := rand.New(rand.NewPCG(seed, 17))
	n := m.NumVertices()
	weld := mesh.Weld(m, mesh.WeldTolerance(m))
	e := &edits{kind: make([]kind, n), joint: make([]uint16, n), share: make([]float64, n), list: make([][]float64, n)}
	dense := make([]float64, len(joints))
	for patch := range 12 {
		centre := m.Positions[rng.IntN(n)]
		radius := 0.1 * m.Diagonal() * (0.6 + 0.4*rng.Float64())
		height := []float64{0.35, 0.1, 0.02}[patch/3%3]
		what := kind(1 + patch%3)
		gains := -1
		for v, p := range m.Positions {
			d := r3.Norm(r3.Sub(p, centre)) / radius
			// The first member of a place decides for all: rows are equal there.
			if d >= 1 || e.kind[v] != none {
				continue
			}
			load(dense, rows, v)
			largest := argmax(dense)
			switch what {
			case bumped:
				if gains < 0 {
					if gains = int(joints[largest].Parent); gains < 0 {
						gains = largest
					}
				}
				if s := height * (1 - d*d); s > 1e-3 && dense[gains] < 0.99 {
					e.kind[v], e.joint[v], e.share[v] = bumped, uint16(gains), s
				}
			case pruned:
				least := -1
				for j, w := range dense {
					if w >= 0.02 && j != largest && (least < 0 || w < dense[least]) {
						least = j
					}
				}
				if least >= 0 {
					e.kind[v], e.joint[v] = pruned, uint16(least)
				}
			case painted:
				if d < 0.5 && dense[largest] < 0.98 {
					e.kind[v], e.joint[v] = painted, uint16(largest)
				}
			}
		}
	}
	// Coincident vertices alike: the first member's edit.
	first := make([]int32, weld.Mesh.NumVertices())
	for v := n - 1; v >= 0; v-- {
		first[weld.ToWelded[v]] = int32(v)
	}
	out := weights.NewRows(n)
	for v := range n {
		u := first[weld.ToWelded[v]]
		e.kind[v], e.joint[v], e.share[v] = e.kind[u], e.joint[u], e.share[u]
		load(dense, rows, v)
		e.do(v, dense)
		store(dense, out)
	}
	// The artist's program keeps four influences.
	out, _, err := weights.Finish(out, weights.FinishOptions{MaxInfluences: 4})
	if err != nil {
		return nil, nil, err
	}
	for v := range n {
		if e.kind[v] == none {
			continue
		}
		change := make([]float64, len(joints))
		load(change, out, v)
		load(dense, rows, v)
		size := 0.0
		for j := range change {
			change[j] -= dense[j]
			size += math.Abs(change[j])
		}
		if e.list[v] = change; size < 1e-4 {
			e.kind[v], e.list[v] = none, nil
		}
	}
	return e, out, nil
}

// do applies the edit of vertex v to a row.
func (e *edits) do(v int, dense []float64) {
	switch e.kind[v] {
	case bumped:
		for j := range dense {
			dense[j] *= 1 - e.share[v]
		}
		dense[e.joint[v]] += e.share[v]
	case pruned:
		dense[e.joint[v]] = 0
	case painted:
		clear(dense)
		dense[e.joint[v]] = 1
	}
}

func argmax(x []float64) int {
	best := 0
	for i := range x {
		if x[i] > x[best] {
			best = i
		}
	}
	return best
}

// figures of one pass over one garment or a whole wardrobe. Sums are over vertices.
type figures struct {
	Edited, Kept, Carried, Agreed, Conflict int
	// Expected is the number of conflicts by the definition, in dense arithmetic;
	// WrongConflict counts vertices where it and the list differ.
	Expected, WrongConflict int
	// Lost counts edits that are neither in the written rows nor agreed nor in
	// conflict; Strange those of vertices that nobody edited whose row is not the
	// transfer's, bit for bit.
	Lost, Strange int
	// Sums over the edited vertices of the L1 distance to what the artist means on
	// the rows as the body's change moves them: of the written rows, of the artist's rows frozen, of
	// the transfer alone.
	Written, Frozen, Alone float64
	// Moved is the sum of the L1 distances by which the transfer moved from the base.
	Moved float64
}

func (f *figures) add(g figures) {
	f.Edited, f.Kept, f.Carried, f.Agreed, f.Conflict = f.Edited+g.Edited, f.Kept+g.Kept, f.Carried+g.Carried, f.Agreed+g.Agreed, f.Conflict+g.Conflict
	f.Expected, f.WrongConflict, f.Lost, f.Strange = f.Expected+g.Expected, f.WrongConflict+g.WrongConflict, f.Lost+g.Lost, f.Strange+g.Strange
	f.Written, f.Frozen, f.Alone, f.Moved = f.Written+g.Written, f.Frozen+g.Frozen, f.Alone+g.Alone, f.Moved+g.Moved
}

// simulate runs a garment through all passes of the body and returns the figures
// of each.
func simulate(ctx context.Context, seed uint64, b *crew.Body, g *crew.Garment) ([]figures, error) {
	joints := pass.JointsOf(b.Skin)
	weld := mesh.Weld(g.Mesh, mesh.WeldTolerance(g.Mesh))
	rows := b.Rows
	give := func() (*weights.Rows, error) {
		r, err := transfer.Transfer(ctx, &transfer.Body{Name: b.Name, Mesh: b.Mesh, Rows: rows, Skin: b.Skin}, &transfer.Garment{Name: g.Name, Mesh: g.Mesh}, transfer.Options{})
		if err != nil {
			return nil, err
		}
		return r.Rows, nil
	}
	base, err := give()
	if err != nil {
		return nil, err
	}
	e, artist, err := edit(seed, g.Mesh, base, joints)
	if err != nil {
		return nil, err
	}
	record := &pass.Record{
		Mesh: &mesh.Mesh{Positions: g.Mesh.Positions, Triangles: g.Mesh.Triangles}, Joints: joints, Rows: base,
		Edits:   &pass.Edits{Base: weights.NewRows(0), Row: weights.NewRows(0)},
		Written: &pass.Sparse{Rows: weights.NewRows(0)},
	}
	current := artist
	// Where the first transfer is off, so is what the artist saw: the rows that are
	// meant are those, moved as the body's are.
	meant := base
	var out []figures
	for k, list := range bodyPasses {
		rows, meant = apply(list, joints, rows), apply(list, joints, meant)
		theirs, err := give()
		if err != nil {
			return nil, err
		}
		found, err := pass.Find(ctx, record, &pass.Surface{Name: g.Name, Mesh: g.Mesh, Rows: current, Joints: joints}, 0)
		if err != nil {
			return nil, err
		}
		moved, err := pass.Move(ctx, found, g.Mesh, joints, 0)
		if err != nil {
			return nil, err
		}
		m, err := pass.Merge(theirs, joints, moved.Edits, pass.MergeOptions{Garment: g.Name, MaxInfluences: 4, Welded: weld.ToWelded})
		if err != nil {
			return nil, fmt.Errorf("pass %d: %w", k+1, err)
		}
		out = append(out, e.measure(m, base, artist, theirs, meant, len(joints)))
		record.Rows, record.Edits, record.Written = theirs, m.Edits, &pass.Sparse{Rows: weights.NewRows(0)}
		for v := range g.Mesh.Positions {
			if m.Rows.DistanceL1(v, theirs, v) > 0 {
				record.Written.Vertex = append(record.Written.Vertex, int32(v))
				record.Written.Rows.Append(m.Rows.Row(v))
			}
		}
		if current = m.Rows; k == 2 {
			// The artist looks at it in a program that stores bytes, and saves.
			if current, err = weights.Quantise(current, weights.Uint8); err != nil {
				return nil, err
			}
		}
	}
	return out, nil
}

// carriedOff is how far in L1 the row b with the change from it to e, carried to t, is off
// e, with at most limit influences, or as many as e has: over all joints, and the nearest
// legal row by bisection.
func carriedOff(b, e, t []float64, limit int) float64 {
	var left []int
	sumB, sumT, own := 0.0, 0.0, 0
	for j := range b {
		if e[j] > 0 {
			own++
		}
		if e[j] > 0 || b[j] < 0.01 {
			left = append(left, j)
			sumB, sumT = sumB+b[j], sumT+t[j]
		}
	}
	if sumB < 0.01 || sumT < 0.01 {
		return 0
	}
	y := make([]float64, len(b))
	for _, j := range left {
		y[j] = t[j]/sumT + e[j] - b[j]/sumB
	}
	slices.SortStableFunc(left, func(i, j int) int { return cmp.Compare(y[j], y[i]) })
	left = left[:min(len(left), max(limit, own))]
	lo, hi := -2.0, 1000.0 // what all are lowered by
	for range 100 {
		mid, sum := (lo+hi)/2, 0.0
		for _, j := range left {
			sum += max(y[j]-mid, 0)
		}
		if sum > 1 {
			lo = mid
		} else {
			hi = mid
		}
	}
	row, off := make([]float64, len(b)), 0.0
	for _, j := range left {
		row[j] = max(y[j]-hi, 0)
	}
	for j := range row {
		off += math.Abs(row[j] - e[j])
	}
	return off
}

// measure holds one pass against what is known.
func (e *edits) measure(m *pass.Merged, base, artist, theirs, meant *weights.Rows, joints int) figures {
	var f figures
	conflict := func(o pass.Outcome) bool {
		return o == pass.ConflictKept || o == pass.ConflictCarried || o == pass.ConflictNew
	}
	ideal := make([]float64, joints)
	x, y, z := make([]float64, joints), make([]float64, joints), make([]float64, joints)
	for v := range e.kind {
		o := m.Outcome[v]
		if e.kind[v] == none {
			if o != pass.Plain || m.Rows.DistanceL1(v, theirs, v) != 0 {
				f.Strange++
			}
			continue
		}
		f.Edited++
		switch {
		case o == pass.Kept:
			f.Kept++
		case o == pass.Carried:
			f.Carried++
		case o == pass.Agreed:
			f.Agreed++
		case conflict(o):
			f.Conflict++
		default:
			f.Lost++
		}
		// The definition, in its own words: moved as far as edited, or the change carried
		// over would leave the artist's row by more than twice as far, and not to the
		// artist's row.
		load(x, base, v)
		load(y, artist, v)
		load(z, theirs, v)
		edited, moved, apart, largest := 0.0, 0.0, 0.0, 0.0
		for j := range x {
			edited += math.Abs(y[j] - x[j])
			moved += math.Abs(z[j] - x[j])
			largest = max(largest, math.Abs(z[j]-x[j]))
			apart = max(apart, math.Abs(z[j]-y[j]))
		}
		beyond := max(2*moved, 0.002)
		expected := largest > 1e-6 && apart > 1e-6 && (moved >= edited || carriedOff(x, y, z, 4) > beyond)
		if expected {
			f.Expected++
		}
		if expected != conflict(o) {
			f.WrongConflict++
		}
		f.Moved += moved
		// What the artist means: the change on top of the moved row; for a joint taken
		// out and for a painted row, that.
		load(ideal, meant, v)
		if e.kind[v] == bumped {
			for j := range ideal {
				ideal[j] = max(0, ideal[j]+e.list[v][j])
			}
		} else {
			e.do(v, ideal)
		}
		if slices.Max(ideal) == 0 {
			load(ideal, artist, v)
		}
		one := weights.NewRows(1)
		store(ideal, one)
		f.Written += m.Rows.DistanceL1(v, one, 0)
		f.Frozen += artist.DistanceL1(v, one, 0)
		f.Alone += theirs.DistanceL1(v, one, 0)
	}
	return f
}
