package pass

import (
	"context"
	"math"
	"slices"

	"github.com/selvage/selvage/transfer/mesh"
	"github.com/selvage/selvage/transfer/weights"
)

// Reasons why an edit is dropped.
const (
	DropGone   = "its place is gone"
	DropTurned = "the surface there faces another way"
	DropSparse = "no vertex is left near enough to hold it"
	DropJoints = "its joints are gone"
	DropOver   = "other edits of the artist's garment reach over its place"
	DropCut    = "the limit of influences or the stored steps leave nothing of it"
	DropHeld   = "locked joints leave no room for it (it is remembered)"
)

// faint is the L1 length up to which an edit is none: what is stored in single precision
// has no smaller ones, and a pass that took them for edits would find them again as none.
const faint = 1e-6

// leastPart is the share of an edit from which on a vertex that lies beside its own holds
// it: less is as good as nothing.
const leastPart = 0.01

// isFaint reports whether entry i changes nothing.
func (e *Edits) isFaint(i int) bool { return e.Base.DistanceL1(i, e.Row, i) <= faint }

// Moved are edits on another garment's vertices and joints.
type Moved struct {
	Edits *Edits
	// Current are the artist's rows at the new vertices, for locks; empty where
	// there is none.
	Current *weights.Rows
	// saved is Found.saved at the new vertices.
	saved reference
	// Dropped counts the old vertices whose edit is lost, by reason.
	Dropped map[string]int
	// GoneJoints are the names of vanished joints that an edit had weight on, sorted.
	GoneJoints []string
	// ByIndex: the garment still has the same vertices.
	ByIndex bool

	origins []*origin // of the edits: the artist's garment, and the record for what that lacks
}

// origin is where moved edits come from.
type origin struct {
	found *Found
	edits *Edits // those that have a place
	place *Placement
	newAt []int32 // entry of each target vertex among those that were moved, -1
	// toWelded numbers the places of found's vertices; nil: every vertex is for itself.
	toWelded []int32
}

// held says of each edit whether a target vertex has a part of it, of those that counts
// picks. Vertices in one place hold each other's edits.
func (o *origin) held(counts func(v int) bool) []bool {
	out := make([]bool, o.edits.Len())
	at := entries(o.edits.Vertex, o.found.Mesh.NumVertices())
	if o.toWelded == nil {
		for i, v := range o.edits.Vertex {
			out[i] = counts(int(v))
		}
		return out
	}
	place := map[int32]bool{}
	for v, entry := range o.newAt {
		if entry < 0 || !counts(v) {
			continue
		}
		for k, c := range o.place.Corner[v] {
			if o.place.Bary[v][k] >= leastPart && at[c] >= 0 {
				place[o.toWelded[c]] = true
			}
		}
	}
	for i, v := range o.edits.Vertex {
		out[i] = place[o.toWelded[v]]
	}
	return out
}

// countVanished counts the edits of which a merge has left nothing at any vertex that
// they were moved to.
func (m *Moved) countVanished(merged *Merged) {
	remembered := entries(merged.Edits.Vertex, len(merged.Outcome))
	for k, o := range m.origins {
		mine := func(v int) bool { return k == 0 || m.takes(v) }
		before := o.held(mine)
		after := o.held(func(v int) bool { return mine(v) && merged.Outcome[v] != Vanished })
		keeps := o.held(func(v int) bool { return mine(v) && remembered[v] >= 0 })
		for i, v := range o.edits.Vertex {
			switch {
			case !before[i] || after[i] || !o.found.counts(v):
			case keeps[i]:
				m.Dropped[DropHeld]++
			default:
				m.Dropped[DropCut]++
			}
		}
	}
}

// takes reports whether a target vertex has the record's edit because the artist's garment,
// which lacks the vertex, has none there.
func (m *Moved) takes(v int) bool {
	return m.origins[0].newAt[v] < 0 && m.origins[1].found.holds(m.origins[1].place, v)
}

// Move carries edits to a garment that may have other vertices and other joints.
// At each new vertex the bases and the rows of the corners that it lies between are
// interpolated (corners without an edit give the transfer's row for both), so that
// their difference is the interpolated change. Edits whose vertices the artist's
// garment lacks come from the record where that garment has no edit. Weight of
// vanished joints goes to their nearest surviving ancestor. Edits that have no place any more are counted
// by reason. Errors: ctx's. O(n log n).
func Move(ctx context.Context, f *Found, target *mesh.Mesh, joints []Joint, threads int) (*Moved, error) {
	return moveBy(ctx, f, target, MapJoints(f.Joints, joints), threads)
}

// moveBy is Move with joints mapped by to.
func moveBy(ctx context.Context, f *Found, target *mesh.Mesh, to *JointMap, threads int) (*Moved, error) {
	m, _, err := moveFound(ctx, f, target, to, threads)
	if err != nil || f.absent == nil {
		return m, err
	}
	more, place, err := moveFound(ctx, f.absent, target, to, threads)
	if err != nil {
		return nil, err
	}
	at, moreAt := entries(m.Edits.Vertex, target.NumVertices()), entries(more.Edits.Vertex, target.NumVertices())
	both := newEdits()
	for v := range at {
		from, i := m.Edits, int(at[v])
		if i < 0 {
			from, i = more.Edits, int(moreAt[v])
			if i < 0 || !f.absent.holds(place, v) {
				continue
			}
		}
		both.add(int32(v), from, i)
	}
	m.Edits = both
	for reason, n := range more.Dropped {
		m.Dropped[reason] += n
	}
	m.origins = append(m.origins, more.origins...)
	taken, all := more.origins[0].held(m.takes), more.origins[0].held(func(int) bool { return true })
	for i, v := range more.origins[0].edits.Vertex {
		if all[i] && !taken[i] && f.absent.counts(v) {
			m.Dropped[DropOver]++
		}
	}
	m.GoneJoints = append(m.GoneJoints, more.GoneJoints...)
	slices.Sort(m.GoneJoints)
	m.GoneJoints = slices.Compact(m.GoneJoints)
	return m, nil
}

// counts reports whether the edit of vertex v counts where it is lost.
func (f *Found) counts(v int32) bool { return f.lacks == nil || f.lacks[v] }

// holds reports whether a target vertex lies at a vertex that counts, or beside one.
func (f *Found) holds(place *Placement, v int) bool {
	for k, c := range place.Corner[v] {
		if place.Bary[v][k] > 0 && f.counts(c) {
			return true
		}
	}
	return false
}

// moveFound is moveBy without what the artist's garment lacks. It returns the
// target's place on f's mesh too.
func moveFound(ctx context.Context, f *Found, target *mesh.Mesh, to *JointMap, threads int) (*Moved, *Placement, error) {
	place, err := Place(ctx, f.Mesh, target, 0, threads)
	if err != nil {
		return nil, nil, err
	}
	m := &Moved{Edits: newEdits(), Dropped: map[string]int{}, ByIndex: place.ByIndex}
	m.GoneJoints = goneJoints(f, to)
	edits := &Edits{Vertex: f.Edits.Vertex, Base: to.Rows(f.Edits.Base), Row: to.Rows(f.Edits.Row), mixed: f.Edits.mixed}
	current, plain := to.Rows(f.Current), to.Rows(f.Rows)

	// Edits whose joints are gone, or between joints that became one: there was a change
	// before the joints were mapped, and there is none any more.
	lives := make([]bool, f.Edits.Len())
	for i := range lives {
		joint, _ := edits.Row.Row(i)
		lives[i] = len(joint) > 0 && !edits.isFaint(i)
		if !lives[i] && !f.Edits.isFaint(i) && f.counts(f.Edits.Vertex[i]) {
			m.Dropped[DropJoints]++
		}
	}
	kept := newEdits()
	for i, v := range f.Edits.Vertex {
		if lives[i] {
			kept.add(v, edits, i)
		}
	}
	o := &origin{found: f, edits: kept, place: place}
	m.origins = []*origin{o}
	at := entries(kept.Vertex, f.Mesh.NumVertices())
	saved := reference{current, plain}
	if f.saved.rows != nil {
		saved = reference{to.Rows(f.saved.rows), to.Rows(f.saved.base)}
	}
	if place.ByIndex {
		m.Edits, m.Current, m.saved, o.newAt = kept, current, saved, at
		return m, place, nil
	}

	n := newInterpolation(place, to.size)
	m.Current = n.rows(current)
	m.saved = reference{n.rows(saved.rows), n.rows(saved.base)}
	m.Edits, o.newAt = n.edits(kept, plain, at)
	return m, place, m.countLost(ctx, o, target, threads)
}

// goneJoints lists the vanished joints that an edit changed the weight of.
func goneJoints(f *Found, to *JointMap) []string {
	var out []string
	for _, r := range []*weights.Rows{f.Edits.Base, f.Edits.Row} {
		for _, j := range r.Joint {
			if to.Gone[j] && !slices.Contains(out, f.Joints[j].Name) {
				out = append(out, f.Joints[j].Name)
			}
		}
	}
	slices.Sort(out)
	return out
}

// countLost counts the edits that no new vertex holds any part of, by what the
// new surface is like at their place.
func (m *Moved) countLost(ctx context.Context, o *origin, target *mesh.Mesh, threads int) error {
	source := o.found.Mesh
	w, err := mesh.WeldContext(ctx, source, mesh.WeldTolerance(source))
	if err != nil {
		return err
	}
	o.toWelded = w.ToWelded
	held := o.held(func(int) bool { return true })
	var corner []int32
	for i, v := range o.edits.Vertex {
		if !held[i] && o.found.counts(v) {
			corner = append(corner, v)
		}
	}
	if len(corner) == 0 {
		return nil
	}
	// The old mesh as a whole, so that the lost vertices have their normals.
	back, err := Place(ctx, target, source, defaultReach*medianEdge(source), threads)
	if err != nil {
		return err
	}
	for _, v := range corner {
		m.Dropped[[...]string{Placed: DropSparse, Gone: DropGone, Turned: DropTurned}[back.Fate[v]]]++
	}
	return nil
}

// interpolation mixes a source's rows at the vertices of a placement's target.
type interpolation struct {
	place *Placement
	acc   *weights.Accumulator
}

func newInterpolation(p *Placement, joints int) *interpolation {
	return &interpolation{p, weights.NewAccumulator(joints)}
}

// rows are r's rows at every target vertex: r's own where it is one of the source,
// empty where it has no place.
func (n *interpolation) rows(r *weights.Rows) *weights.Rows {
	out := weights.NewRows(len(n.place.Fate))
	for v, fate := range n.place.Fate {
		switch {
		case fate != Placed:
			out.Append(nil, nil)
		case n.place.Exact(v):
			out.Append(r.Row(int(n.place.Corner[v][0])))
		default:
			for k, c := range n.place.Corner[v] {
				if b := n.place.Bary[v][k]; b > 0 {
					n.acc.AddRow(r, int(c), b)
				}
			}
			n.acc.FlushNormalised(out)
		}
	}
	return out
}

// edits are the edits at every target vertex that lies on a triangle with an
// edited corner, and the entry of each target vertex, -1 where it has none. plain
// are the source's rows where nothing is edited; at is the entry of each source
// vertex.
func (n *interpolation) edits(e *Edits, plain *weights.Rows, at []int32) (out *Edits, newAt []int32) {
	out = newEdits()
	one := &Edits{Base: weights.NewRows(1), Row: weights.NewRows(1), mixed: []bool{true}}
	newAt = make([]int32, len(n.place.Fate))
	mix := func(v int, of *weights.Rows, out *weights.Rows) {
		for k, c := range n.place.Corner[v] {
			b := n.place.Bary[v][k]
			if !(b > 0) {
				continue
			}
			if i := at[c]; i >= 0 {
				n.acc.AddRow(of, int(i), b)
			} else {
				n.acc.AddRow(plain, int(c), b)
			}
		}
		n.acc.FlushNormalised(out)
	}
	for v, fate := range n.place.Fate {
		newAt[v] = -1
		if fate != Placed {
			continue
		}
		if n.place.Exact(v) {
			if i := at[n.place.Corner[v][0]]; i >= 0 {
				newAt[v] = int32(out.Len())
				out.add(int32(v), e, int(i))
			}
			continue
		}
		any := false
		for k, c := range n.place.Corner[v] {
			any = any || at[c] >= 0 && n.place.Bary[v][k] > 0
		}
		if !any {
			continue
		}
		for _, r := range []*weights.Rows{one.Base, one.Row} {
			r.Start, r.Joint, r.Weight = r.Start[:1], r.Joint[:0], r.Weight[:0]
		}
		mix(v, e.Base, one.Base)
		mix(v, e.Row, one.Row)
		if one.isFaint(0) || math.IsNaN(one.Base.Sum(0)) {
			continue
		}
		newAt[v] = int32(out.Len())
		out.add(int32(v), one, 0)
	}
	return out, newAt
}
