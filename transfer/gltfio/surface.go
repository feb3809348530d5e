package gltfio

// Reading: selected meshes as one surface in the default-pose world frame.

import (
	"fmt"
	"math"
	"path"
	"slices"

	"github.com/qmuntal/gltf"
	"github.com/selvage/selvage/transfer/mesh"
	"github.com/selvage/selvage/transfer/skinning"
	"github.com/selvage/selvage/transfer/weights"
	"gonum.org/v1/gonum/spatial/r3"
)

// Selection picks meshes. The zero value picks by default: every skinned mesh of
// a body, every mesh of a garment, in the default scene.
type Selection struct {
	// Names are globs (path.Match syntax, whole name, case-sensitive). A node or mesh
	// name picks all primitives, a material name those of that material.
	Names []string
}

// Part is one primitive of a surface.
type Part struct {
	NodeIndex, MeshIndex, PrimitiveIndex int
	Node, Mesh, Material                 string // names; may be empty
	Start, End                           int    // vertices [Start, End) of the surface
	// Mirrored says that stored triangles were turned around to face as they do in the
	// scene: see Surface.Mesh.
	Mirrored bool
}

// Surface is geometry in the default-pose world frame, metres.
type Surface struct {
	// Mesh of all parts, in their order. Triangles are counter-clockwise seen from
	// outside also where a node or the joints mirror. Normals are nil unless every part
	// has them.
	Mesh  *mesh.Mesh
	Parts []Part
	// Rows over Skin's joints; nil where no part is skinned. Vertices of unskinned
	// parts and vertices without usable weights have empty rows.
	Rows *weights.Rows
	Skin *skinning.Skin
	// JointNode is the node of each joint of Skin.
	JointNode []int
	// Faults of the rows, all mended.
	Faults RowFaults
	// Idle are the names of the selection that pick none of the meshes, where others do.
	Idle []string
}

// RowFaults counts what was wrong with the rows of a file.
type RowFaults struct {
	Unusable    int `json:"unusable"`    // no finite positive weight: row left empty
	Negative    int `json:"negative"`    // negative weights set to zero
	Sum         int `json:"sum"`         // sum off by more than 1%: normalised
	FirstVertex int `json:"firstVertex"` // of the surface, with an unusable row
}

// Body reads the selected skinned meshes as one surface. Several skins are
// unified: a joint is its node, with the inverse bind matrix of the first skin
// that has it (in the world frame any will do).
func (a *Asset) Body(sel Selection) (*Surface, error) {
	picked, err := a.pick(sel, true)
	if err != nil {
		return nil, err
	}
	if len(picked) == 0 {
		if len(sel.Names) > 0 {
			return nil, a.fault("", "no skinned mesh is named %q", sel.Names)
		}
		return nil, a.fault("", "has no skinned mesh")
	}
	return a.selected(sel, picked, true)
}

// Garment reads the selected meshes as one surface.
func (a *Asset) Garment(sel Selection) (*Surface, error) {
	picked, err := a.pick(sel, false)
	if err != nil {
		return nil, err
	}
	if len(picked) == 0 {
		if len(sel.Names) > 0 {
			return nil, a.fault("", "no mesh is named %q", sel.Names)
		}
		return nil, a.fault("", "has no mesh of triangles")
	}
	return a.selected(sel, picked, false)
}

// selected is the surface of what a selection picked.
func (a *Asset) selected(sel Selection, picked []primitiveRef, skinned bool) (*Surface, error) {
	s, err := a.surface(picked)
	if err != nil {
		return nil, err
	}
	for _, name := range sel.Names {
		if alone, err := a.pickFrom(Selection{Names: []string{name}}, skinned, false); err == nil && len(alone) == 0 {
			s.Idle = append(s.Idle, name)
		}
	}
	return s, nil
}

// primitiveRef names one primitive of one node.
type primitiveRef struct{ node, mesh, primitive int }

func (r primitiveRef) String() string {
	return fmt.Sprintf("node %d mesh %d primitive %d", r.node, r.mesh, r.primitive)
}

func (a *Asset) materialName(p *gltf.Primitive) string {
	if p.Material == nil || *p.Material < 0 || *p.Material >= len(a.doc.Materials) {
		return ""
	}
	return a.doc.Materials[*p.Material].Name
}

// pick lists the selected primitives that make triangles, by node. Where the
// default scene holds none, all nodes are looked at: some files leave their scene
// empty.
func (a *Asset) pick(sel Selection, skinned bool) ([]primitiveRef, error) {
	refs, err := a.pickFrom(sel, skinned, false)
	if err == nil && len(refs) == 0 && len(sel.Names) == 0 {
		refs, err = a.pickFrom(sel, skinned, true)
	}
	return refs, err
}

func (a *Asset) pickFrom(sel Selection, skinned, everywhere bool) ([]primitiveRef, error) {
	var out []primitiveRef
	match := func(name string) bool {
		for _, g := range sel.Names {
			if ok, err := path.Match(g, name); err == nil && ok {
				return true
			}
		}
		return false
	}
	for _, g := range sel.Names {
		if _, err := path.Match(g, ""); err != nil {
			return nil, a.fault("", "malformed pattern %q", g)
		}
	}
	for i, n := range a.doc.Nodes {
		if n.Mesh == nil || skinned && n.Skin == nil || len(sel.Names) == 0 && !everywhere && !a.inScene[i] {
			continue
		}
		m := a.doc.Meshes[*n.Mesh]
		whole := len(sel.Names) == 0 || match(n.Name) || match(m.Name)
		for k, p := range m.Primitives {
			if !whole && !match(a.materialName(p)) {
				continue
			}
			if !a.makesTriangles(p) {
				continue
			}
			out = append(out, primitiveRef{i, *n.Mesh, k})
		}
	}
	return out, nil
}

// makesTriangles leaves points and lines out.
func (a *Asset) makesTriangles(p *gltf.Primitive) bool {
	switch p.Mode {
	case gltf.PrimitiveTriangles, gltf.PrimitiveTriangleStrip, gltf.PrimitiveTriangleFan:
		_, ok := p.Attributes[gltf.POSITION]
		return ok
	}
	return false
}

// surface joins the primitives.
func (a *Asset) surface(refs []primitiveRef) (*Surface, error) {
	s := &Surface{Mesh: &mesh.Mesh{}, Faults: RowFaults{FirstVertex: -1}}
	u, err := a.uniteSkins(refs)
	if err != nil {
		return nil, err
	}
	if u != nil {
		s.Skin, s.JointNode = u.skin, u.node
		s.Rows = weights.NewRows(0)
	}
	allNormals := true
	for _, r := range refs {
		if a.done(0) {
			return nil, a.ctx.Err()
		}
		p, err := a.primitive(r, u, &s.Faults, len(s.Mesh.Positions))
		if err != nil {
			return nil, err
		}
		base := int32(len(s.Mesh.Positions))
		if int64(len(s.Mesh.Positions))+int64(len(p.position)) > math.MaxInt32 {
			return nil, a.fault(r.String(), "more than %d vertices in all", math.MaxInt32)
		}
		s.Mesh.Positions = append(s.Mesh.Positions, p.position...)
		if a.done(0) {
			return nil, a.ctx.Err()
		}
		if p.normal == nil {
			allNormals = false
			p.normal = make([]r3.Vec, len(p.position))
		}
		s.Mesh.Normals = append(s.Mesh.Normals, p.normal...)
		if a.done(0) {
			return nil, a.ctx.Err()
		}
		s.Mesh.Triangles = slices.Grow(s.Mesh.Triangles, len(p.triangle))
		for i, t := range p.triangle {
			if a.done(i) {
				return nil, a.ctx.Err()
			}
			s.Mesh.Triangles = append(s.Mesh.Triangles, [3]int32{t[0] + base, t[1] + base, t[2] + base})
		}
		if s.Rows != nil {
			if p.rows != nil {
				for v := range p.position {
					if a.done(v) {
						return nil, a.ctx.Err()
					}
					s.Rows.Append(p.rows.Row(v))
				}
			} else {
				for range p.position {
					s.Rows.Append(nil, nil)
				}
			}
		}
		n, m := a.doc.Nodes[r.node], a.doc.Meshes[r.mesh]
		s.Parts = append(s.Parts, Part{
			NodeIndex: r.node, MeshIndex: r.mesh, PrimitiveIndex: r.primitive,
			Node: n.Name, Mesh: m.Name, Material: a.materialName(m.Primitives[r.primitive]),
			Start: int(base), End: len(s.Mesh.Positions), Mirrored: p.mirrored,
		})
	}
	if !allNormals {
		s.Mesh.Normals = nil
	}
	if len(s.Mesh.Triangles) == 0 {
		return nil, a.fault("", "the selected meshes have no triangles")
	}
	return s, nil
}

// union of the skins of some nodes.
type union struct {
	skin *skinning.Skin
	node []int
	// index leads from a skin's joint list to the union's: index[skin][k].
	index map[int][]uint16
	// bind is the skin's own inverse bind matrices: bind[skin][k].
	bind map[int][]matrix
}

func (a *Asset) uniteSkins(refs []primitiveRef) (*union, error) {
	var u *union
	at := map[int]int{}
	for _, r := range refs {
		sk := a.doc.Nodes[r.node].Skin
		if sk == nil {
			continue
		}
		if u == nil {
			u = &union{skin: &skinning.Skin{}, index: map[int][]uint16{}, bind: map[int][]matrix{}}
		}
		if _, done := u.index[*sk]; done {
			continue
		}
		skin := a.doc.Skins[*sk]
		if u.skin.Name == "" {
			u.skin.Name = skin.Name
		}
		bind, err := a.inverseBinds(*sk)
		if err != nil {
			return nil, err
		}
		index := make([]uint16, len(skin.Joints))
		for k, node := range skin.Joints {
			where := fmt.Sprintf("skin %d", *sk)
			if node < 0 || node >= len(a.doc.Nodes) {
				return nil, a.fault(where, "joint %d is node %d, which does not exist", k, node)
			}
			j, ok := at[node]
			if !ok {
				j = len(u.node)
				if j > math.MaxUint16 {
					return nil, a.fault(where, "more than %d joints", math.MaxUint16+1)
				}
				at[node] = j
				u.node = append(u.node, node)
				u.skin.Joints = append(u.skin.Joints, skinning.Joint{Name: a.doc.Nodes[node].Name, Parent: -1, Global: a.global[node], InverseBind: bind[k]})
			}
			index[k] = uint16(j)
		}
		u.index[*sk], u.bind[*sk] = index, bind
	}
	if u == nil {
		return nil, nil
	}
	for j, node := range u.node {
		for p := a.parent[node]; p >= 0; p = a.parent[p] {
			if k, ok := at[int(p)]; ok {
				u.skin.Joints[j].Parent = k
				break
			}
		}
	}
	return u, nil
}

// inverseBinds reads a skin's inverse bind matrices; absent, they are identities.
func (a *Asset) inverseBinds(skin int) ([]matrix, error) {
	sk := a.doc.Skins[skin]
	out := make([]matrix, len(sk.Joints))
	if len(sk.Joints) == 0 {
		return nil, a.fault(fmt.Sprintf("skin %d", skin), "has no joints")
	}
	if sk.InverseBindMatrices == nil {
		for k := range out {
			out[k] = skinning.Identity()
		}
		return out, nil
	}
	where := fmt.Sprintf("skin %d", skin)
	m, err := a.floats(*sk.InverseBindMatrices, gltf.AccessorMat4, where)
	if err != nil {
		return nil, err
	}
	if len(m) < 16*len(out) {
		return nil, a.fault(where, "%d inverse bind matrices for %d joints", len(m)/16, len(out))
	}
	for k := range out {
		for _, x := range m[16*k : 16*k+16] {
			if math.IsNaN(x) || math.IsInf(x, 0) {
				return nil, a.fault(where, "the inverse bind matrix of joint %d is not finite", k)
			}
		}
		out[k] = affine(m[16*k : 16*k+16])
	}
	return out, nil
}

// primitiveData is one primitive in the world frame.
type primitiveData struct {
	stored   []r3.Vec // positions as stored
	position []r3.Vec
	normal   []r3.Vec
	triangle [][3]int32 // of this primitive's vertices
	rows     *weights.Rows
	// place maps stored to world: one for all (unskinned) or one a vertex.
	place []matrix
	// mirrored: place mirrors (mirrors), and triangle is turned to face as the mesh does
	// in the world.
	mirrored bool
}

func (p *primitiveData) placeOf(v int) *matrix {
	if len(p.place) == 1 {
		return &p.place[0]
	}
	return &p.place[v]
}

// mirrors reports whether the maps from stored to world positions turn a primitive's
// triangles around: whether those of negative determinant hold more of its area in the
// world than the others. Section 3.7.4 of the specification (Instantiation) leaves the
// winding to the determinant of the node's transform; that of a skinned mesh's node is
// ignored (section 3.7.3.3), and the blended joint matrices stand in its place.
func mirrors(position []r3.Vec, triangle [][3]int32, place func(v int) *matrix) bool {
	negative := make([]bool, len(position))
	any := false
	for v := range negative {
		negative[v] = place(v).Det() < 0
		any = any || negative[v]
	}
	if !any {
		return false
	}
	balance := 0.0
	for _, t := range triangle {
		a, b, c := position[t[0]], position[t[1]], position[t[2]]
		area := r3.Norm(r3.Cross(r3.Sub(b, a), r3.Sub(c, a)))
		for _, v := range t {
			if negative[v] {
				balance += area
			} else {
				balance -= area
			}
		}
	}
	return balance > 0
}

func vectors(x []float64) []r3.Vec {
	out := make([]r3.Vec, len(x)/3)
	for i := range out {
		out[i] = r3.Vec{X: x[3*i], Y: x[3*i+1], Z: x[3*i+2]}
	}
	return out
}

func (a *Asset) primitive(r primitiveRef, u *union, faults *RowFaults, base int) (*primitiveData, error) {
	where := r.String()
	prim := a.doc.Meshes[r.mesh].Primitives[r.primitive]
	if _, ok := a.doc.Meshes[r.mesh].Primitives[r.primitive].Extensions["KHR_draco_mesh_compression"]; ok {
		acc, err := a.accessor(prim.Attributes[gltf.POSITION], where)
		if err != nil {
			return nil, err
		}
		if acc.BufferView == nil {
			return nil, a.fault(where, "is compressed by KHR_draco_mesh_compression, which selvage cannot read")
		}
	}
	x, err := a.floats(prim.Attributes[gltf.POSITION], gltf.AccessorVec3, where+" POSITION")
	if err != nil {
		return nil, err
	}
	p := &primitiveData{stored: vectors(x)}
	n := len(p.stored)
	for v, q := range p.stored {
		if a.done(v) {
			return nil, a.ctx.Err()
		}
		if !mesh.Finite(q) {
			return nil, a.fault(where, "vertex %d: position (%g, %g, %g) is not finite", v, q.X, q.Y, q.Z)
		}
	}
	if p.triangle, err = a.triangles(prim, n, where); err != nil {
		return nil, err
	}

	// Where the vertices stand: by the skin, or by the node.
	node := a.doc.Nodes[r.node]
	if node.Skin != nil {
		if p.rows, err = a.rows(prim, u, *node.Skin, n, where, faults, base); err != nil {
			return nil, err
		}
		p.place = a.skinPlaces(u, *node.Skin, prim, p, where)
	} else {
		p.place = []matrix{a.global[r.node]}
	}
	if a.done(0) {
		return nil, a.ctx.Err()
	}
	p.position = make([]r3.Vec, n)
	for v, q := range p.stored {
		if a.done(v) {
			return nil, a.ctx.Err()
		}
		p.position[v] = p.placeOf(v).Apply(q)
		if !mesh.Finite(p.position[v]) {
			return nil, a.fault(where, "vertex %d: its position in the scene is not finite", v)
		}
	}
	if p.mirrored = mirrors(p.position, p.triangle, p.placeOf); p.mirrored {
		for t := range p.triangle {
			p.triangle[t][1], p.triangle[t][2] = p.triangle[t][2], p.triangle[t][1]
		}
	}
	if i, ok := prim.Attributes[gltf.NORMAL]; ok {
		x, err := a.floats(i, gltf.AccessorVec3, where+" NORMAL")
		if err != nil {
			return nil, err
		}
		if len(x) != 3*n {
			return nil, a.fault(where, "%d normals for %d vertices", len(x)/3, n)
		}
		p.normal = vectors(x)
		for v := range p.normal {
			if a.done(v) {
				return nil, a.ctx.Err()
			}
			p.normal[v] = worldNormal(p.placeOf(v), p.normal[v])
		}
	}
	return p, nil
}

// worldNormal maps a normal by the inverse transpose, to unit length; zero where
// it has none or the map is singular.
func worldNormal(m *matrix, n r3.Vec) r3.Vec {
	inv, ok := m.Inverse()
	if !ok {
		return r3.Vec{}
	}
	return unit(transposed(&inv, n))
}

// transposed applies the transpose of m's linear part.
func transposed(m *matrix, v r3.Vec) r3.Vec {
	q := &m.M
	return r3.Vec{
		X: q[0]*v.X + q[3]*v.Y + q[6]*v.Z,
		Y: q[1]*v.X + q[4]*v.Y + q[7]*v.Z,
		Z: q[2]*v.X + q[5]*v.Y + q[8]*v.Z,
	}
}

func unit(v r3.Vec) r3.Vec {
	l := r3.Norm(v)
	if !(l > 0) || math.IsInf(l, 0) {
		return r3.Vec{}
	}
	return r3.Scale(1/l, v)
}

// triangles lists the triangles of a primitive; strips and fans are unrolled
// (section 3.7.2.1 of the specification).
func (a *Asset) triangles(prim *gltf.Primitive, n int, where string) ([][3]int32, error) {
	var index []int32
	if prim.Indices != nil {
		var err error
		if index, err = a.indices(*prim.Indices, n, where+" indices"); err != nil {
			return nil, err
		}
	} else {
		index = make([]int32, n)
		for i := range index {
			index[i] = int32(i)
		}
	}
	var out [][3]int32
	switch prim.Mode {
	case gltf.PrimitiveTriangleStrip:
		for i := 0; i+2 < len(index); i++ {
			if a.done(i) {
				return nil, a.ctx.Err()
			}
			out = append(out, [3]int32{index[i], index[i+1+i%2], index[i+2-i%2]})
		}
	case gltf.PrimitiveTriangleFan:
		for i := 1; i+1 < len(index); i++ {
			if a.done(i) {
				return nil, a.ctx.Err()
			}
			out = append(out, [3]int32{index[i], index[i+1], index[0]})
		}
	default:
		out = make([][3]int32, 0, len(index)/3)
		for i := 0; i+2 < len(index); i += 3 {
			if i%(3*checkEvery) == 0 && a.done(0) {
				return nil, a.ctx.Err()
			}
			out = append(out, [3]int32{index[i], index[i+1], index[i+2]})
		}
	}
	return out, nil
}

// influenceSets reads JOINTS_n and WEIGHTS_n of all n.
func (a *Asset) influenceSets(prim *gltf.Primitive, n int, where string) (joints, weight [][]float64, err error) {
	for set := 0; ; set++ {
		ji, okJ := prim.Attributes[fmt.Sprintf("JOINTS_%d", set)]
		wi, okW := prim.Attributes[fmt.Sprintf("WEIGHTS_%d", set)]
		if !okJ && !okW {
			return joints, weight, nil
		}
		if okJ != okW {
			return nil, nil, a.fault(where, "has only one of JOINTS_%d and WEIGHTS_%d", set, set)
		}
		j, err := a.floats(ji, gltf.AccessorVec4, fmt.Sprintf("%s JOINTS_%d", where, set))
		if err != nil {
			return nil, nil, err
		}
		w, err := a.floats(wi, gltf.AccessorVec4, fmt.Sprintf("%s WEIGHTS_%d", where, set))
		if err != nil {
			return nil, nil, err
		}
		if len(j) != 4*n || len(w) != 4*n {
			return nil, nil, a.fault(where, "%d joints and %d weights in set %d for %d vertices", len(j)/4, len(w)/4, set, n)
		}
		joints, weight = append(joints, j), append(weight, w)
	}
}

// rows reads the rows of a skinned primitive over the union's joints, mended.
func (a *Asset) rows(prim *gltf.Primitive, u *union, skin, n int, where string, faults *RowFaults, base int) (*weights.Rows, error) {
	joints, weight, err := a.influenceSets(prim, n, where)
	if err != nil {
		return nil, err
	}
	index := u.index[skin]
	rows := weights.NewRows(n)
	acc := weights.NewAccumulator(len(u.node))
	for v := 0; v < n; v++ {
		if a.done(v) {
			return nil, a.ctx.Err()
		}
		sum, negative, broken := 0.0, false, false
		for s := range joints {
			for k := 4 * v; k < 4*v+4; k++ {
				w := weight[s][k]
				switch {
				case w == 0:
					continue
				case w < 0:
					negative = true
					continue
				case math.IsNaN(w) || math.IsInf(w, 0):
					broken = true
					continue
				}
				j := joints[s][k]
				if !(j >= 0) || j >= float64(len(index)) {
					return nil, a.fault(where, "vertex %d: joint %g is outside 0..%d", v, j, len(index)-1)
				}
				acc.Add(index[int(j)], w)
				sum += w
			}
		}
		if negative {
			faults.Negative++
		}
		if broken || !(sum > 1e-6) {
			if faults.Unusable == 0 {
				faults.FirstVertex = base + v
			}
			faults.Unusable++
			acc.Reset()
			rows.Append(nil, nil)
			continue
		}
		if math.Abs(sum-1) > 0.01 {
			faults.Sum++
		}
		acc.FlushNormalised(rows)
	}
	return rows, nil
}

// skinPlaces returns the blended matrix sum_j w_j G_j IBM_j of each vertex, with
// the skin's own inverse bind matrices. A vertex without usable weights stands
// with its first joint.
func (a *Asset) skinPlaces(u *union, skin int, prim *gltf.Primitive, p *primitiveData, where string) []matrix {
	of := make([]matrix, len(u.node)) // union joint -> G * IBM in this skin
	for k, j := range u.index[skin] {
		of[j] = a.global[u.node[j]].Mul(&u.bind[skin][k])
	}
	first := skinning.Identity()
	if len(u.index[skin]) > 0 {
		first = of[u.index[skin][0]]
	}
	out := make([]matrix, len(p.stored))
	for v := range out {
		if a.done(v) {
			return out // the caller looks again
		}
		joint, weight := p.rows.Row(v)
		if len(joint) == 0 {
			out[v] = first
			continue
		}
		out[v] = blend(of, joint, weight)
	}
	return out
}

// blend is sum_j w_j m_j.
func blend(m []matrix, joint []uint16, weight []float64) matrix {
	var b matrix
	for i, j := range joint {
		w, q := weight[i], &m[j]
		for k := range b.M {
			b.M[k] += w * q.M[k]
		}
		b.T.X, b.T.Y, b.T.Z = b.T.X+w*q.T.X, b.T.Y+w*q.T.Y, b.T.Z+w*q.T.Z
	}
	return b
}
