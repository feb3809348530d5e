package pose

// A skinned mesh made ready to be posed: welded, with its edges and smooth lines,
// its rows, and where the default pose is not the bind pose its bind positions.

import (
	"context"
	"fmt"
	"math"
	"slices"

	"github.com/selvage/selvage/transfer/closest"
	"github.com/selvage/selvage/transfer/mesh"
	"github.com/selvage/selvage/transfer/skinning"
	"github.com/selvage/selvage/transfer/weights"
	"gonum.org/v1/gonum/spatial/r3"
)

// Figure is a skinned surface: a body or a garment.
type Figure struct {
	// Name appears in messages.
	Name string
	// Mesh in the default-pose world frame, metres.
	Mesh *mesh.Mesh
	// Rows of Mesh's vertices over Skin's joints, normalised. A vertex with an empty
	// row stays where it is in every pose.
	Rows *weights.Rows
	Skin *skinning.Skin
	// Parts say which vertices belong to which primitive; may be empty.
	Parts []Part
}

// Part is one primitive of a figure.
type Part struct {
	Node, Mesh, Material string // names; may be empty
	Primitive            int
	Start, End           int // vertices [Start, End)
}

// line is a smooth line of the mesh through three vertices: two edges that leave
// the middle one in nearly opposite directions.
type line struct {
	a, v, b int32
	t       float64 // share of the way from a to b at which v stands
	length  float64 // mean of the two edges, metres
	bent    float64 // |v - ((1-t)a + tb)| in the default pose, metres
}

// surface is a figure welded. All indices are welded vertices.
type surface struct {
	figure *Figure
	joints []uint16 // the skeleton's joint of each of the figure's
	welded *mesh.Welded
	pos    []r3.Vec // default pose, world
	rows   *weights.Rows
	// bind are the positions in the bind frame, and k the maps G_j IBM_j of the
	// skeleton's joints; nil where all k are equal and pos serves.
	bind []r3.Vec
	k    []skinning.Affine

	tri    [][3]int32
	normal []r3.Vec      // of tri, unit
	around *closest.Fans // triangles of each vertex
	edge   [][2]int32
	length []float64 // of edge, default pose
	line   []line
	// lineStart gives the lines through each vertex as their middle.
	lineStart []int32
	adj       *mesh.Adjacency
	// first is the lowest original vertex of each welded one.
	first    []int32
	meanEdge float64
	lost     int // vertices whose blended matrix cannot be inverted
}

// sheet searches the surface with its vertices elsewhere.
func (s *surface) sheet(pos []r3.Vec) *closest.Sheet {
	return closest.NewSheet(pos, s.tri, s.around)
}

// newSurface welds a figure and expresses its rows over the skeleton's joints:
// joint j of the figure is joints[j] of n. O(n log n).
func newSurface(ctx context.Context, f *Figure, joints []uint16, n int) (*surface, error) {
	if err := f.Mesh.Validate(); err != nil {
		return nil, fmt.Errorf("%s: %w", f.Name, err)
	}
	if f.Rows == nil || f.Skin == nil {
		return nil, &FigureError{f.Name, "has no skin"}
	}
	if f.Rows.Len() != f.Mesh.NumVertices() {
		return nil, &FigureError{f.Name, fmt.Sprintf("%d rows for %d vertices", f.Rows.Len(), f.Mesh.NumVertices())}
	}
	for i, j := range f.Rows.Joint {
		if int(j) >= len(joints) {
			return nil, &FigureError{f.Name, fmt.Sprintf("joint %d is outside 0..%d", j, len(joints)-1)}
		}
		if w := f.Rows.Weight[i]; math.IsNaN(w) || math.IsInf(w, 0) {
			return nil, &FigureError{f.Name, fmt.Sprintf("a weight of joint %q is not finite", f.Skin.Joints[j].Name)}
		}
	}
	s := &surface{figure: f, joints: joints}
	var err error
	if s.welded, err = mesh.WeldContext(ctx, f.Mesh, mesh.WeldTolerance(f.Mesh)); err != nil {
		return nil, err
	}
	m := s.welded.Mesh
	s.pos, s.tri = m.Positions, m.Triangles
	s.first = make([]int32, len(s.pos))
	for v := len(s.welded.ToWelded) - 1; v >= 0; v-- {
		s.first[s.welded.ToWelded[v]] = int32(v)
	}
	// Joints of several skins may be one: rows are summed.
	acc := weights.NewAccumulator(n)
	s.rows = weights.NewRows(len(s.pos))
	for _, v := range s.first {
		joint, weight := f.Rows.Row(int(v))
		for i, j := range joint {
			acc.Add(joints[j], weight[i])
		}
		acc.Flush(s.rows)
	}
	s.unbind(joints, n)
	s.normal = mesh.FaceNormals(m)
	s.around = closest.NewFans(len(s.pos), s.tri)
	if s.adj, err = mesh.NewAdjacencyContext(ctx, m); err != nil {
		return nil, err
	}
	sum := 0.0
	for v := range s.pos {
		for _, u := range s.adj.Neighbours(v) {
			if int(u) > v {
				l := norm(r3.Sub(s.pos[u], s.pos[v]))
				s.edge, s.length = append(s.edge, [2]int32{int32(v), u}), append(s.length, l)
				sum += l
			}
		}
	}
	if len(s.edge) > 0 {
		s.meanEdge = sum / float64(len(s.edge))
	}
	if err := ctx.Err(); err != nil {
		return nil, err
	}
	s.findLines()
	return s, ctx.Err()
}

// over is the surface as part of a skeleton of n joints, of which its own come first.
func (s *surface) over(n int) *surface {
	if s.k == nil || len(s.k) == n {
		return s
	}
	out := *s
	out.k = slices.Clone(s.k)
	for len(out.k) < n {
		out.k = append(out.k, skinning.Identity())
	}
	return &out
}

// unbind fills bind and k where the default pose is not the bind pose.
func (s *surface) unbind(joints []uint16, n int) {
	skin := s.figure.Skin
	k := make([]skinning.Affine, n)
	for j := range k {
		k[j] = skinning.Identity()
	}
	var first *skinning.Affine
	equal := true
	used := make([]bool, len(skin.Joints))
	for _, j := range s.figure.Rows.Joint {
		used[j] = true
	}
	size := s.figure.Mesh.Diagonal()
	for j := range skin.Joints {
		m := skin.Joints[j].Global.Mul(&skin.Joints[j].InverseBind)
		k[joints[j]] = m
		if !used[j] {
			continue
		}
		if first == nil {
			first = &k[joints[j]]
			continue
		}
		// Files keep float32: a bind pose that agrees to 1e-5 agrees.
		for i := range m.M {
			equal = equal && math.Abs(m.M[i]-first.M[i]) < 1e-5*(1+math.Abs(first.M[i]))
		}
		equal = equal && norm(r3.Sub(m.T, first.T)) < 1e-5*max(size, 1)
	}
	if equal {
		return
	}
	s.k = k
	s.bind = make([]r3.Vec, len(s.pos))
	for v := range s.pos {
		joint, weight := s.rows.Row(v)
		if len(joint) == 0 {
			continue
		}
		b := skinning.Pose(k).Blend(joint, weight)
		inv, ok := b.Inverse()
		if !ok {
			s.lost++
		}
		s.bind[v] = inv.Apply(s.pos[v])
	}
}

// straight is the cosine of the largest angle by which a line may turn in the
// default pose and still count as smooth there: 30 degrees.
const straight = 0.8660254037844387

// findLines pairs the edges at each vertex that continue one another: each is the
// other's straightest continuation, within 30 degrees.
func (s *surface) findLines() {
	var dir []r3.Vec
	var length []float64
	var mate []int
	s.lineStart = make([]int32, len(s.pos)+1)
	for v := range s.pos {
		s.lineStart[v] = int32(len(s.line))
		near := s.adj.Neighbours(v)
		if len(near) < 2 || len(near) > 64 {
			continue
		}
		dir, length, mate = dir[:0], length[:0], mate[:0]
		for _, u := range near {
			d := r3.Sub(s.pos[u], s.pos[v])
			l := norm(d)
			if l > 0 {
				d = r3.Scale(1/l, d)
			}
			dir, length, mate = append(dir, d), append(length, l), append(mate, -1)
		}
		for i := range dir {
			best := -straight
			for k := range dir {
				if c := r3.Dot(dir[i], dir[k]); c < best {
					best, mate[i] = c, k
				}
			}
		}
		for i, k := range mate {
			if k <= i || mate[k] != i || length[i] == 0 || length[k] == 0 {
				continue
			}
			// Edges of very different lengths are no line: their second difference
			// says more about the mesh than about the pose.
			if length[i] > 3*length[k] || length[k] > 3*length[i] {
				continue
			}
			l := line{a: near[i], v: int32(v), b: near[k], t: length[i] / (length[i] + length[k]), length: (length[i] + length[k]) / 2}
			l.bent = norm(l.second(s.pos[l.a], s.pos[v], s.pos[l.b]))
			s.line = append(s.line, l)
		}
	}
	s.lineStart[len(s.pos)] = int32(len(s.line))
}

// second is the second difference along the line: how far the middle vertex
// stands from where it would divide the straight segment.
func (l *line) second(a, v, b r3.Vec) r3.Vec {
	return r3.Vec{
		X: v.X - a.X - l.t*(b.X-a.X),
		Y: v.Y - a.Y - l.t*(b.Y-a.Y),
		Z: v.Z - a.Z - l.t*(b.Z-a.Z),
	}
}

// deformation is a pose ready to move a surface's vertices.
type deformation struct {
	s *surface
	m []skinning.Affine // for each joint: from pos (or bind) to the posed world
	// d is the same from the default-pose world frame.
	d []skinning.Affine
	// Where one joint alone changes, and the surface is uniform, a vertex with
	// weight share[v] in its subtree goes to x + share (by(x) - x).
	single bool
	by     skinning.Affine
	share  []float64
}

// deform prepares the maps d of the joints for a surface. root >= 0 says that the
// pose changes this joint alone, and share the weight of each vertex in its subtree.
func (s *surface) deform(d []skinning.Affine, root int, share []float64) *deformation {
	p := &deformation{s: s, d: d, m: d, share: share}
	if root >= 0 {
		p.by = d[root]
		p.single = s.k == nil
	}
	if s.k != nil {
		p.m = make([]skinning.Affine, len(d))
		for j := range d {
			p.m[j] = d[j].Mul(&s.k[j])
		}
	}
	return p
}

// point is where vertex v goes.
func (p *deformation) point(v int32) r3.Vec {
	x := p.s.pos[v]
	if p.single {
		w := p.share[v]
		if w == 0 {
			return x
		}
		q := p.by.Apply(x)
		return r3.Vec{X: x.X + w*(q.X-x.X), Y: x.Y + w*(q.Y-x.Y), Z: x.Z + w*(q.Z-x.Z)}
	}
	joint, weight := p.s.rows.Row(int(v))
	if p.s.k == nil {
		return skinning.Pose(p.m).PosedPoint(x, joint, weight)
	}
	return p.posedFrom(p.s.bind[v], x, joint, weight)
}

// posedFrom is sum_j w_j m_j(u); what the weights leave out stays at x.
func (p *deformation) posedFrom(u, x r3.Vec, joint []uint16, weight []float64) r3.Vec {
	var y r3.Vec
	sum := 0.0
	for i, j := range joint {
		w := weight[i]
		q := p.m[j].Apply(u)
		y.X, y.Y, y.Z = y.X+w*q.X, y.Y+w*q.Y, y.Z+w*q.Z
		sum += w
	}
	rest := 1 - sum
	return r3.Vec{X: y.X + rest*x.X, Y: y.Y + rest*x.Y, Z: y.Z + rest*x.Z}
}

// blendAt is the linear part of the mean of the blended maps of a triangle's
// corners: what the pose does to directions there, the change of the weights
// across the triangle left out.
func (p *deformation) blendAt(t [3]int32) skinning.Affine {
	var a skinning.Affine
	if p.share != nil {
		return partly(&p.by, (p.share[t[0]]+p.share[t[1]]+p.share[t[2]])/3)
	}
	for _, v := range t {
		joint, weight := p.s.rows.Row(int(v))
		b := skinning.Pose(p.d).Blend(joint, weight)
		for k := range a.M {
			a.M[k] += b.M[k] / 3
		}
	}
	return a
}

// meanBlend is the linear part of the mean of the blended maps of some vertices.
func (p *deformation) meanBlend(list []int32) skinning.Affine {
	if p.share != nil {
		w := 0.0
		for _, v := range list {
			w += p.share[v] / float64(len(list))
		}
		return partly(&p.by, w)
	}
	var a skinning.Affine
	for _, v := range list {
		joint, weight := p.s.rows.Row(int(v))
		b := skinning.Pose(p.d).Blend(joint, weight)
		for k := range a.M {
			a.M[k] += b.M[k] / float64(len(list))
		}
	}
	return a
}

// partly is the linear part of the map that goes the share w of the way from the
// identity to by.
func partly(by *skinning.Affine, w float64) skinning.Affine {
	var a skinning.Affine
	for k := range a.M {
		a.M[k] = w * by.M[k]
	}
	a.M[0], a.M[4], a.M[8] = a.M[0]+1-w, a.M[4]+1-w, a.M[8]+1-w
	return a
}

// norm is the length of v. Lengths here are metres of a figure: nothing overflows.
func norm(v r3.Vec) float64 { return math.Sqrt(v.X*v.X + v.Y*v.Y + v.Z*v.Z) }

// original is where an original vertex goes by its own row.
func (p *deformation) original(v int) r3.Vec {
	f := p.s.figure
	joint, weight := f.Rows.Row(v)
	x := f.Mesh.Positions[v]
	own := make([]uint16, len(joint))
	for i, j := range joint {
		own[i] = p.s.joints[j]
	}
	if p.s.k == nil || len(joint) == 0 {
		return skinning.Pose(p.m).PosedPoint(x, own, weight)
	}
	b := skinning.Pose(p.s.k).Blend(own, weight)
	inv, _ := b.Inverse()
	return p.posedFrom(inv.Apply(x), x, own, weight)
}
