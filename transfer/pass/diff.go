package pass

import (
	"cmp"
	"context"
	"fmt"
	"math"
	"slices"

	"github.com/selvage/selvage/transfer/mesh"
	"github.com/selvage/selvage/transfer/weights"
	"gonum.org/v1/gonum/spatial/r3"
)

// DefaultChange is the L1 distance of two rows from which a vertex counts as
// changed: half a percent of its weight went elsewhere.
const DefaultChange = 0.01

// DiffOptions of a comparison. The zero value works.
type DiffOptions struct {
	// Change is the L1 distance of rows, 0 to 2, from which a vertex counts as
	// changed. Zero: DefaultChange.
	Change float64
	// Threads at work. Zero: as many as the processor runs at once. The result does
	// not depend on it.
	Threads int
}

// Comparison is what changed from one weighted surface to another.
type Comparison struct {
	Old      string `json:"old"`
	New      string `json:"new"`
	Vertices int    `json:"vertices"` // of the new surface
	Changed  int    `json:"changed"`
	// ByIndex says that vertices were matched one by one; else by their place.
	ByIndex bool `json:"byIndex"`
	// Unmatched vertices of the new surface have no place on the old one.
	Unmatched int     `json:"unmatched"`
	MaxL1     float64 `json:"maxL1"`
	MeanL1    float64 `json:"meanL1"` // over the changed vertices
	// Meshes in the order of how much changed (Amount), largest first; those without
	// a change too.
	Meshes []MeshChange `json:"meshes"`
	// Places are connected patches of changed vertices, largest Amount first.
	Places []PlaceChange `json:"places"`
	// Joints by mean absolute change, largest first.
	Joints []JointChange `json:"joints"`
	// JointsAdded and JointsRemoved are names in one list of joints alone, sorted.
	JointsAdded   []string `json:"jointsAdded,omitempty"`
	JointsRemoved []string `json:"jointsRemoved,omitempty"`

	// L1 of each vertex of the new surface; NaN where it has no match.
	L1 []float64 `json:"-"`
	// joint holds the names of the joints that changed anywhere, see jointChanged.
	joint map[string]bool
}

// MeshChange is what changed in one mesh.
type MeshChange struct {
	Mesh     string  `json:"mesh"`
	Vertices int     `json:"vertices"`
	Changed  int     `json:"changed"`
	MaxL1    float64 `json:"maxL1"`
	MeanL1   float64 `json:"meanL1"` // over the changed vertices
	// Amount is the integral of the L1 distance over the changed surface, square
	// metres.
	Amount float64 `json:"amount"`
}

// PlaceChange is a connected patch of changed vertices.
type PlaceChange struct {
	Mesh     string `json:"mesh"` // of its worst vertex
	Vertices int    `json:"vertices"`
	// Centre of the patch, weighted by area, and the diagonal of its box: metres,
	// default pose.
	Centre [3]float64 `json:"centre"`
	Size   float64    `json:"size"`
	MaxL1  float64    `json:"maxL1"`
	MeanL1 float64    `json:"meanL1"`
	Worst  int        `json:"worst"` // vertex with the largest L1
	Amount float64    `json:"amount"`
	// Gaining and Losing joints, most first, at most five each.
	Gaining []JointChange `json:"gaining"`
	Losing  []JointChange `json:"losing"`
}

// JointChange is what became of one joint's weight over the changed vertices of a
// place or a surface.
type JointChange struct {
	Joint string `json:"joint"`
	// Change is the mean of the changes, -1 to 1: gains less losses.
	Change float64 `json:"change"`
	// Absolute is the mean of their absolute values, 0 to 1. It is more than that of
	// Change where the joint gains at some vertices and loses at others.
	Absolute float64 `json:"absolute"`
	// Largest is the largest of the absolute values.
	Largest float64 `json:"largest"`
}

// jointChanged is the change of a joint's weight at one of the changed vertices from
// which on the joint counts as changed. No mean says that: over a large place a joint
// that changed in a corner of it alone has a mean near 0.
const jointChanged = 1e-3

// noJointChange is what float32 leaves of no change.
const noJointChange = 1e-6

// mostJoints is the number of joints that a place lists of each sign.
const mostJoints = 5

// Diff compares two weighted surfaces, garments or bodies, in one frame: vertex by
// vertex where they have the same ones (see Place), else at the old surface's
// nearest point. Joints are matched by name; a vanished joint's weight counts for
// its nearest ancestor. Coincident vertices are one vertex of a patch. Errors: an
// option out of range, ctx's. O(n log n).
func Diff(ctx context.Context, before, after *Surface, opt DiffOptions) (*Comparison, error) {
	if opt.Change == 0 {
		opt.Change = DefaultChange
	}
	if !(opt.Change > 0 && opt.Change <= 2) {
		return nil, fmt.Errorf("change: %g is outside 0..2", opt.Change)
	}
	place, err := Place(ctx, before.Mesh, after.Mesh, 0, opt.Threads)
	if err != nil {
		return nil, err
	}
	joints := after.Joints
	to := MapJoints(before.Joints, joints)
	old := newInterpolation(place, len(joints)).rows(to.Rows(before.Rows))
	weld, err := mesh.WeldContext(ctx, after.Mesh, mesh.WeldTolerance(after.Mesh))
	if err != nil {
		return nil, err
	}
	area := vertexAreas(weld.Mesh)

	n := after.Mesh.NumVertices()
	c := &Comparison{Old: before.Name, New: after.Name, Vertices: n, ByIndex: place.ByIndex, L1: make([]float64, n), joint: map[string]bool{}}
	c.JointsAdded, c.JointsRemoved = jointsAlone(before.Joints, after.Joints)
	members := make([]int32, len(area))
	for _, w := range weld.ToWelded {
		members[w]++
	}
	share := func(v int) float64 { w := weld.ToWelded[v]; return area[w] / float64(members[w]) }
	changed := make([]bool, len(area)) // by welded vertex
	for v := range n {
		if place.Fate[v] != Placed {
			c.L1[v] = math.NaN()
			c.Unmatched++
			continue
		}
		c.L1[v] = after.Rows.DistanceL1(v, old, v)
		if c.L1[v] >= opt.Change {
			changed[weld.ToWelded[v]] = true
			c.Changed++
			c.MaxL1 = max(c.MaxL1, c.L1[v])
			c.MeanL1 += c.L1[v]
		}
	}
	c.MeanL1 /= max(1, float64(c.Changed))
	c.meshes(after, opt.Change, share)

	// Patches: connected changed vertices of the welded mesh.
	adjacency, err := mesh.NewAdjacencyContext(ctx, weld.Mesh)
	if err != nil {
		return nil, err
	}
	patch := make([]int32, len(area))
	for w := range patch {
		patch[w] = -1
	}
	count := int32(0)
	var stack []int32
	for w := range patch {
		if patch[w] >= 0 || !changed[w] {
			continue
		}
		patch[w] = count
		stack = append(stack[:0], int32(w))
		for len(stack) > 0 {
			x := stack[len(stack)-1]
			stack = stack[:len(stack)-1]
			for _, u := range adjacency.Neighbours(int(x)) {
				if changed[u] && patch[u] < 0 {
					patch[u] = count
					stack = append(stack, u)
				}
			}
		}
		count++
	}
	of := make([][]int32, count)
	for v := range n {
		if c.L1[v] >= opt.Change {
			p := patch[weld.ToWelded[v]]
			of[p] = append(of[p], int32(v))
		}
	}
	sums := newJointSums(joints)
	for _, list := range of {
		c.Places = append(c.Places, c.placeOf(after, old, list, share, sums))
	}
	slices.SortStableFunc(c.Places, func(a, b PlaceChange) int { return cmp.Compare(b.Amount, a.Amount) })
	var all []int32
	for v := range n {
		if c.L1[v] >= opt.Change {
			all = append(all, int32(v))
		}
	}
	c.Joints = sums.changes(after.Rows, old, all)
	slices.SortStableFunc(c.Joints, func(a, b JointChange) int { return cmp.Compare(b.Absolute, a.Absolute) })
	return c, nil
}

// meshes fills in the changes by mesh.
func (c *Comparison) meshes(s *Surface, change float64, share func(v int) float64) {
	parts := s.Parts
	if len(parts) == 0 {
		parts = []Part{{Name: s.Name, Start: 0, End: len(c.L1)}}
	}
	for _, p := range parts {
		m := MeshChange{Mesh: p.Name, Vertices: p.End - p.Start}
		for v := p.Start; v < p.End; v++ {
			if x := c.L1[v]; x >= change {
				m.Changed++
				m.MaxL1 = max(m.MaxL1, x)
				m.MeanL1 += x
				m.Amount += x * share(v)
			}
		}
		m.MeanL1 /= max(1, float64(m.Changed))
		c.Meshes = append(c.Meshes, m)
	}
	slices.SortStableFunc(c.Meshes, func(a, b MeshChange) int {
		return cmp.Or(cmp.Compare(b.Amount, a.Amount), cmp.Compare(b.Changed, a.Changed))
	})
}

// placeOf measures one patch of vertices.
func (c *Comparison) placeOf(s *Surface, old *weights.Rows, list []int32, share func(v int) float64, sums *jointSums) PlaceChange {
	p := PlaceChange{Vertices: len(list), Worst: int(list[0])}
	points := make([]r3.Vec, len(list))
	var centre r3.Vec
	total := 0.0
	for k, v := range list {
		x := c.L1[v]
		points[k] = s.Mesh.Positions[v]
		a := share(int(v))
		p.Amount += x * a
		p.MeanL1 += x / float64(len(list))
		if x > p.MaxL1 {
			p.MaxL1, p.Worst = x, int(v)
		}
		a = max(a, 1e-12) // vertices without area count a little, so that there is a centre
		centre, total = r3.Add(centre, r3.Scale(a, points[k])), total+a
	}
	centre = r3.Scale(1/total, centre)
	p.Centre = [3]float64{centre.X, centre.Y, centre.Z}
	box := mesh.Bounds(points)
	p.Size = r3.Norm(r3.Sub(box.Max, box.Min))
	p.Mesh = s.Name
	for _, part := range s.Parts {
		if p.Worst >= part.Start && p.Worst < part.End {
			p.Mesh = part.Name
		}
	}
	changes := sums.changes(s.Rows, old, list)
	slices.SortStableFunc(changes, func(a, b JointChange) int { return cmp.Compare(math.Abs(b.Change), math.Abs(a.Change)) })
	for _, j := range changes {
		if j.Largest >= jointChanged {
			c.joint[j.Joint] = true
		}
		if j.Change > noJointChange && len(p.Gaining) < mostJoints {
			p.Gaining = append(p.Gaining, j)
		}
		if j.Change < -noJointChange && len(p.Losing) < mostJoints {
			p.Losing = append(p.Losing, j)
		}
	}
	return p
}

// jointSums adds up changes by joint. All numbers are 0 between two calls.
type jointSums struct {
	joints                    []Joint
	signed, absolute, largest []float64
	// here are the changes at one vertex.
	here []float64
}

func newJointSums(joints []Joint) *jointSums {
	n := len(joints)
	return &jointSums{joints, make([]float64, n), make([]float64, n), make([]float64, n), make([]float64, n)}
}

// changes are the changes of the joints' weights over some vertices, in the order of
// the joints; those that did not change are left out.
func (s *jointSums) changes(rows, old *weights.Rows, list []int32) []JointChange {
	for _, v := range list {
		ja, wa := rows.Row(int(v))
		jb, wb := old.Row(int(v))
		for i, j := range ja {
			s.signed[j] += wa[i]
			s.here[j] += wa[i]
		}
		for i, j := range jb {
			s.signed[j] -= wb[i]
			s.here[j] -= wb[i]
		}
		for _, row := range [2][]uint16{ja, jb} {
			for _, j := range row {
				d := math.Abs(s.here[j]) // 0 where the first row had the joint already
				s.absolute[j] += d
				s.largest[j] = max(s.largest[j], d)
				s.here[j] = 0
			}
		}
	}
	n := float64(max(1, len(list)))
	var out []JointChange
	for j := range s.joints {
		if s.largest[j] > noJointChange {
			out = append(out, JointChange{s.joints[j].Name, s.signed[j] / n, s.absolute[j] / n, s.largest[j]})
		}
		s.signed[j], s.absolute[j], s.largest[j] = 0, 0, 0
	}
	return out
}

// jointsAlone lists the names that stand in one list alone.
func jointsAlone(before, after []Joint) (added, removed []string) {
	names := func(list []Joint) map[string]bool {
		m := map[string]bool{}
		for _, j := range list {
			m[j.Name] = true
		}
		return m
	}
	a, b := names(before), names(after)
	for name := range b {
		if !a[name] {
			added = append(added, name)
		}
	}
	for name := range a {
		if !b[name] {
			removed = append(removed, name)
		}
	}
	slices.Sort(added)
	slices.Sort(removed)
	return added, removed
}

// vertexAreas is a third of the area of the triangles around each vertex, square
// metres.
func vertexAreas(m *mesh.Mesh) []float64 {
	out := make([]float64, m.NumVertices())
	for _, t := range m.Triangles {
		a := m.Positions[t[0]]
		third := r3.Norm(r3.Cross(r3.Sub(m.Positions[t[1]], a), r3.Sub(m.Positions[t[2]], a))) / 6
		for _, v := range t {
			out[v] += third
		}
	}
	return out
}
