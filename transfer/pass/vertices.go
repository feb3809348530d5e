package pass

// Vertices that are the same ones on two surfaces: by their number in the file, or
// because they stand in the same place.

import (
	"context"
	"math"
	"slices"

	"github.com/selvage/selvage/transfer/mesh"
	"gonum.org/v1/gonum/spatial/r3"
)

// elsewhereShare is the share of an island's moved vertices that stand where other
// vertices stood from which on they are those: what is merely moved or sculpted
// meets the place of another vertex by chance alone.
const elsewhereShare = 0.1

// byPlace finds points near a place. They are sorted along a line that is oblique to
// the axes, so that the rows and columns of regular meshes do not fall together.
type byPlace struct {
	position []r3.Vec
	order    []int32 // by key, then number
	key      []float64
	slack    float64 // rounding of keys
}

// along is the line: a unit vector but for rounding, with no small ratios.
var along = r3.Vec{X: 0.8213170251, Y: 0.4668423871, Z: 0.3277941387}

func newByPlace(position []r3.Vec) *byPlace {
	p := &byPlace{position: position, order: make([]int32, len(position)), key: make([]float64, len(position))}
	for v, x := range position {
		p.order[v] = int32(v)
		p.key[v] = r3.Dot(along, x)
		p.slack = max(p.slack, 1e-14*(math.Abs(x.X)+math.Abs(x.Y)+math.Abs(x.Z)))
	}
	key := slices.Clone(p.key)
	slices.SortFunc(p.order, func(a, b int32) int {
		switch {
		case key[a] < key[b]:
			return -1
		case key[a] > key[b]:
			return 1
		}
		return int(a - b)
	})
	for i, v := range p.order {
		p.key[i] = key[v]
	}
	return p
}

// within calls visit for each point no farther than r from q. The order depends on
// the points alone.
func (p *byPlace) within(q r3.Vec, r float64, visit func(v int32, dist float64)) {
	k := r3.Dot(along, q)
	// The line's vector is no longer than one, and so is what a distance is along it.
	reach := r*(1+1e-9) + p.slack
	i, _ := slices.BinarySearch(p.key, k-reach)
	for ; i < len(p.key) && p.key[i] <= k+reach; i++ {
		if d := r3.Norm(r3.Sub(p.position[p.order[i]], q)); d <= r {
			visit(p.order[i], d)
		}
	}
}

// sense is which way the surface around each vertex goes.
type sense struct {
	// joined are the unit normals with coincident vertices together, own those of each
	// vertex's own triangles; zero where there is none.
	joined, own []r3.Vec
	// fan is where the vertex's own triangles are: the mean of the ways to their
	// centroids. It tells the sides of a seam apart.
	fan []r3.Vec
}

func newSense(ctx context.Context, m *mesh.Mesh) (*sense, error) {
	s := &sense{fan: make([]r3.Vec, m.NumVertices())}
	var err error
	if s.joined, err = facing(ctx, m); err != nil {
		return nil, err
	}
	if s.own, err = mesh.VertexNormalsContext(ctx, m); err != nil {
		return nil, err
	}
	count := make([]float64, m.NumVertices())
	for _, t := range m.Triangles {
		centroid := r3.Scale(1.0/3, r3.Add(m.Positions[t[0]], r3.Add(m.Positions[t[1]], m.Positions[t[2]])))
		for _, v := range t {
			s.fan[v] = r3.Add(s.fan[v], r3.Sub(centroid, m.Positions[v]))
			count[v]++
		}
	}
	for v, n := range count {
		if n > 0 {
			s.fan[v] = r3.Scale(1/n, s.fan[v])
		}
	}
	return s, nil
}

// agrees reports whether vertex v of s faces the same way as vertex u of o: alone or
// together with the vertices in the same place. What has no normal faces every way.
func (s *sense) agrees(v int32, o *sense, u int32) bool {
	zero := r3.Vec{}
	if s.own[v] == zero || o.own[u] == zero || r3.Dot(s.own[v], o.own[u]) >= sameFacing {
		return true
	}
	return s.joined[v] != zero && o.joined[u] != zero && r3.Dot(s.joined[v], o.joined[u]) >= sameFacing
}

// coincident is the vertex of the source that stands where vertex v of the target
// does, within snap metres, and faces the same way; -1 where there is none. Of several
// the nearest, and of those in one place to the welding tolerance the one whose own
// triangles are most like v's: another order of vertices gives back the same ones.
type coincident struct {
	at          *byPlace
	from, to    *sense
	snap, joint float64
	edge        float64
}

func (c *coincident) find(q r3.Vec, v int32) int32 {
	nearest := math.Inf(1)
	c.at.within(q, c.snap, func(u int32, dist float64) {
		if c.from.agrees(u, c.to, v) {
			nearest = min(nearest, dist)
		}
	})
	if math.IsInf(nearest, 1) {
		return -1
	}
	best, unlike := int32(-1), math.Inf(1)
	c.at.within(q, min(nearest+c.joint, c.snap), func(u int32, _ float64) {
		if !c.from.agrees(u, c.to, v) {
			return
		}
		x := r3.Norm2(r3.Sub(c.from.own[u], c.to.own[v]))
		if c.edge > 0 {
			x += r3.Norm2(r3.Sub(c.from.fan[u], c.to.fan[v])) / (c.edge * c.edge)
		}
		if x < unlike || x == unlike && u < best {
			best, unlike = u, x
		}
	})
	return best
}

// stays says which target vertices are the source's of the same number.
type stays struct {
	// same by vertex; nil: none.
	same []bool
	// all are.
	all bool
	// doubtful are islands whose vertices are looked for by place first and are the
	// source's of the same number where most of them have none.
	doubtful [][]int32
}

// stay tells which vertices of target are source's of the same number: all that
// stand in the same place, and, where both have the same triangles, those of islands
// that were moved or sculpted. Programs write islands, and the triangles of meshes
// that share no vertices, in another order, which leaves the list of triangles as it
// was; then vertices stand where others stood. An island that was moved besides is
// taken for another one where that has as many vertices and was nearer, and the way
// is longer than half its own size: two that do not overlap are farther apart. The
// way is measured against the median of the garment's. O(n log n) but for islands,
// of which each moved one is held against all.
func stay(ctx context.Context, source, target *mesh.Mesh, at func() *byPlace, snap float64) (*stays, error) {
	n := target.NumVertices()
	if source.NumVertices() != n {
		return &stays{}, nil
	}
	s := &stays{same: make([]bool, n), all: true}
	for v, p := range source.Positions {
		s.same[v] = r3.Norm(r3.Sub(p, target.Positions[v])) <= snap
		s.all = s.all && s.same[v]
	}
	if s.all {
		return s, nil
	}
	if !slices.Equal(source.Triangles, target.Triangles) {
		return &stays{}, nil
	}
	weld, err := mesh.WeldContext(ctx, source, mesh.WeldTolerance(source))
	if err != nil {
		return nil, err
	}
	adjacency, err := mesh.NewAdjacencyContext(ctx, weld.Mesh)
	if err != nil {
		return nil, err
	}
	islands, err := mesh.NewIslandsContext(ctx, adjacency)
	if err != nil {
		return nil, err
	}
	members := make([][]int32, islands.Count)
	for v, w := range weld.ToWelded {
		i := islands.Island[w]
		members[i] = append(members[i], int32(v))
	}
	way := medianWay(source, target)
	before, after := make([]r3.Vec, len(members)), make([]r3.Vec, len(members))
	for i, list := range members {
		for _, v := range list {
			before[i] = r3.Add(before[i], source.Positions[v])
			after[i] = r3.Add(after[i], r3.Sub(target.Positions[v], way))
		}
		before[i], after[i] = r3.Scale(1/float64(len(list)), before[i]), r3.Scale(1/float64(len(list)), after[i])
	}
	centre := newByPlace(before)
	s.all = true
	for i, list := range members {
		if err := ctx.Err(); err != nil {
			return nil, err
		}
		moved, elsewhere := 0, 0
		points := make([]r3.Vec, len(list))
		for k, v := range list {
			points[k] = source.Positions[v]
			if s.same[v] {
				continue
			}
			moved++
			met := false
			at().within(target.Positions[v], snap, func(int32, float64) { met = true })
			if met {
				elsewhere++
			}
		}
		switch {
		case moved == 0:
			continue
		case float64(elsewhere) >= elsewhereShare*float64(moved):
			s.all = false
			for _, v := range list {
				s.same[v] = false // one that stands there still may do so by chance
			}
			continue
		}
		if box := mesh.Bounds(points); r3.Norm(r3.Sub(after[i], before[i])) > r3.Norm(r3.Sub(box.Max, box.Min))/2 && another(i, members, centre, after[i]) {
			s.doubtful, s.all = append(s.doubtful, list), false
			for _, v := range list {
				s.same[v] = false
			}
			continue
		}
		for _, v := range list {
			s.same[v] = true
		}
	}
	return s, nil
}

// another reports whether an island other than i with as many vertices was nearer to
// a point.
func another(i int, members [][]int32, before *byPlace, point r3.Vec) bool {
	own, found := r3.Norm(r3.Sub(point, before.position[i])), false
	before.within(point, own, func(k int32, dist float64) {
		found = found || dist < own && len(members[k]) == len(members[i])
	})
	return found
}

// medianWay is how far the vertices have moved, in each coordinate the median.
func medianWay(source, target *mesh.Mesh) r3.Vec {
	var list [3][]float64
	for v, p := range source.Positions {
		d := r3.Sub(target.Positions[v], p)
		list[0], list[1], list[2] = append(list[0], d.X), append(list[1], d.Y), append(list[2], d.Z)
	}
	for k := range list {
		slices.Sort(list[k])
	}
	m := len(list[0]) / 2
	return r3.Vec{X: list[0][m], Y: list[1][m], Z: list[2][m]}
}
