package convert

import (
	"encoding/binary"
	"fmt"
	"math"

	pb "github.com/selvage/selvage/api/selvage/v1"
	"github.com/selvage/selvage/transfer"
	"github.com/selvage/selvage/transfer/mesh"
	"github.com/selvage/selvage/transfer/skinning"
	"github.com/selvage/selvage/transfer/weights"
	"gonum.org/v1/gonum/spatial/r3"
)

var little = binary.LittleEndian

// maxName bounds display names, bytes.
const maxName = 255

// CheckName returns name, or fallback where it is empty, or a *FieldError where
// it is too long or holds what a file name may not.
func CheckName(name, fallback, field string) (string, error) {
	if name == "" {
		return fallback, nil
	}
	if len(name) > maxName {
		return "", fault(field, "has %d bytes, more than %d", len(name), maxName)
	}
	for _, r := range name {
		if r < ' ' || r == 0x7f || r == '/' || r == '\\' {
			return "", fault(field, "holds a path separator or a control character")
		}
	}
	return name, nil
}

// vectors unpacks x y z float32 triples.
func vectors(data []byte, field string) ([]r3.Vec, error) {
	if len(data)%12 != 0 {
		return nil, fault(field, "has %d bytes, not a multiple of 12", len(data))
	}
	v := make([]r3.Vec, len(data)/12)
	at := func(i int) float64 { return float64(math.Float32frombits(little.Uint32(data[4*i:]))) }
	for i := range v {
		v[i] = r3.Vec{X: at(3 * i), Y: at(3*i + 1), Z: at(3*i + 2)}
	}
	return v, nil
}

func packVectors(v []r3.Vec) []byte {
	out := make([]byte, 0, 12*len(v))
	for _, p := range v {
		for _, x := range [3]float64{p.X, p.Y, p.Z} {
			out = little.AppendUint32(out, math.Float32bits(float32(x)))
		}
	}
	return out
}

// MeshFromProto unpacks a mesh; field is its path, for errors. Indices and
// positions are checked.
func MeshFromProto(m *pb.MeshArrays, field string) (*mesh.Mesh, error) {
	if len(m.GetPositions()) == 0 {
		return nil, fault(field+".positions", "is missing")
	}
	out := &mesh.Mesh{}
	var err error
	if out.Positions, err = vectors(m.GetPositions(), field+".positions"); err != nil {
		return nil, err
	}
	n := uint32(len(out.Positions))
	t := m.GetTriangles()
	if len(t)%12 != 0 {
		return nil, fault(field+".triangles", "has %d bytes, not a multiple of 12", len(t))
	}
	out.Triangles = make([][3]int32, len(t)/12)
	for i := range out.Triangles {
		for k := range 3 {
			v := little.Uint32(t[12*i+4*k:])
			if v >= n {
				return nil, fault(field+".triangles", "triangle %d: vertex %d is outside 0..%d", i, v, n-1)
			}
			out.Triangles[i][k] = int32(v)
		}
	}
	if len(m.GetNormals()) > 0 {
		if out.Normals, err = vectors(m.GetNormals(), field+".normals"); err != nil {
			return nil, err
		}
		if len(out.Normals) != len(out.Positions) {
			return nil, fault(field+".normals", "has %d normals for %d vertices", len(out.Normals), n)
		}
		for i, v := range out.Normals {
			if !mesh.Finite(v) {
				out.Normals[i] = r3.Vec{} // as a missing one
			}
		}
	}
	if err := out.Validate(); err != nil {
		return nil, fault(field, "%v", err)
	}
	return out, nil
}

// MeshToProto is the inverse of MeshFromProto, in float32.
func MeshToProto(m *mesh.Mesh) *pb.MeshArrays {
	out := &pb.MeshArrays{Positions: packVectors(m.Positions), Normals: packVectors(m.Normals)}
	out.Triangles = make([]byte, 0, 12*len(m.Triangles))
	for _, t := range m.Triangles {
		for _, v := range t {
			out.Triangles = little.AppendUint32(out.Triangles, uint32(v))
		}
	}
	return out
}

// RowsFromProto unpacks the rows of vertices vertices over joints joints; field
// is their path, for errors.
func RowsFromProto(m *pb.RowArrays, vertices, joints int, field string) (*weights.Rows, error) {
	s, j, w := m.GetStarts(), m.GetJoints(), m.GetWeights()
	if len(s) != 4*(vertices+1) {
		return nil, fault(field+".starts", "has %d bytes, want %d for %d vertices", len(s), 4*(vertices+1), vertices)
	}
	n := len(j) / 2
	if len(j)%2 != 0 || len(w) != 4*n {
		return nil, fault(field+".joints", "%d bytes of joints do not go with %d bytes of weights", len(j), len(w))
	}
	out := &weights.Rows{Start: make([]int32, vertices+1), Joint: make([]uint16, n), Weight: make([]float64, n)}
	before := uint32(0)
	for i := range out.Start {
		x := little.Uint32(s[4*i:])
		if i == 0 && x != 0 || x < before || x > uint32(n) {
			return nil, fault(field+".starts", "entry %d is %d, want %d to %d", i, x, before, n)
		}
		out.Start[i], before = int32(x), x
	}
	if before != uint32(n) {
		return nil, fault(field+".starts", "the last entry is %d, want %d", before, n)
	}
	for v := range vertices {
		last := -1
		for i := out.Start[v]; i < out.Start[v+1]; i++ {
			k := int(little.Uint16(j[2*i:]))
			switch {
			case k >= joints:
				return nil, fault(field+".joints", "vertex %d: joint %d is outside 0..%d", v, k, joints-1)
			case k <= last:
				return nil, fault(field+".joints", "vertex %d: joint %d after joint %d, want ascending", v, k, last)
			}
			last = k
			out.Joint[i], out.Weight[i] = uint16(k), float64(math.Float32frombits(little.Uint32(w[4*i:])))
		}
	}
	return out, nil
}

// RowsToProto is the inverse of RowsFromProto, in float32.
func RowsToProto(r *weights.Rows) *pb.RowArrays {
	out := &pb.RowArrays{
		Starts: make([]byte, 0, 4*len(r.Start)), Joints: make([]byte, 0, 2*len(r.Joint)), Weights: make([]byte, 0, 4*len(r.Weight)),
	}
	for _, s := range r.Start {
		out.Starts = little.AppendUint32(out.Starts, uint32(s))
	}
	for i, j := range r.Joint {
		out.Joints = little.AppendUint16(out.Joints, j)
		out.Weights = little.AppendUint32(out.Weights, math.Float32bits(float32(r.Weight[i])))
	}
	return out
}

// JointsFromProto unpacks joints; inverse bind matrices are the inverses of the
// default pose, since positions are in the world.
func JointsFromProto(list []*pb.Joint, field string) (*skinning.Skin, error) {
	if len(list) == 0 || len(list) > math.MaxUint16 {
		return nil, fault(field, "has %d joints, want 1 to %d", len(list), math.MaxUint16)
	}
	s := &skinning.Skin{Joints: make([]skinning.Joint, len(list))}
	for i, m := range list {
		here := fmt.Sprintf("%s[%d]", field, i)
		j := &s.Joints[i]
		j.Name, j.Parent, j.Global = m.GetName(), int(m.GetParent()), skinning.Identity()
		if j.Parent < -1 || j.Parent >= len(list) || j.Parent == i {
			return nil, fault(here+".parent", "%d is not another joint", j.Parent)
		}
		if g := m.GetGlobal(); len(g) > 0 {
			if len(g) != 16 {
				return nil, fault(here+".global", "has %d numbers, want 16", len(g))
			}
			for _, x := range g {
				if math.IsNaN(x) || math.IsInf(x, 0) {
					return nil, fault(here+".global", "is not finite")
				}
			}
			for r := range 3 {
				for c := range 3 {
					j.Global.M[3*r+c] = g[4*c+r]
				}
			}
			j.Global.T = r3.Vec{X: g[12], Y: g[13], Z: g[14]}
		}
		j.InverseBind, _ = j.Global.Inverse()
	}
	// A ring of parents has no root.
	state := make([]uint8, len(list)) // 1: on the way up, 2: leads to a root
	for i := range s.Joints {
		k := i
		for k >= 0 && state[k] == 0 {
			state[k] = 1
			k = s.Joints[k].Parent
		}
		if k >= 0 && state[k] == 1 {
			return nil, fault(fmt.Sprintf("%s[%d].parent", field, i), "leads in a ring")
		}
		for k = i; k >= 0 && state[k] == 1; k = s.Joints[k].Parent {
			state[k] = 2
		}
	}
	return s, nil
}

// JointsToProto is the inverse of JointsFromProto.
func JointsToProto(s *skinning.Skin) []*pb.Joint {
	out := make([]*pb.Joint, len(s.Joints))
	for i := range s.Joints {
		j := &s.Joints[i]
		g := make([]float64, 16)
		for r := range 3 {
			for c := range 3 {
				g[4*c+r] = j.Global.M[3*r+c]
			}
		}
		g[12], g[13], g[14], g[15] = j.Global.T.X, j.Global.T.Y, j.Global.T.Z, 1
		out[i] = &pb.Joint{Name: j.Name, Parent: int32(j.Parent), Global: g}
	}
	return out
}

// BodyFromProto unpacks a body.
func BodyFromProto(m *pb.BodyArrays, field string) (*transfer.Body, error) {
	name, err := CheckName(m.GetDisplayName(), "body", field+".display_name")
	if err != nil {
		return nil, err
	}
	b := &transfer.Body{Name: name}
	if b.Skin, err = JointsFromProto(m.GetJoints(), field+".joints"); err != nil {
		return nil, err
	}
	if b.Mesh, err = MeshFromProto(m.GetMesh(), field+".mesh"); err != nil {
		return nil, err
	}
	b.Rows, err = RowsFromProto(m.GetRows(), b.Mesh.NumVertices(), len(b.Skin.Joints), field+".rows")
	return b, err
}

// BodyToProto is the inverse of BodyFromProto.
func BodyToProto(b *transfer.Body) *pb.BodyArrays {
	return &pb.BodyArrays{DisplayName: b.Name, Mesh: MeshToProto(b.Mesh), Rows: RowsToProto(b.Rows), Joints: JointsToProto(b.Skin)}
}

// LayersFromProto unpacks garments worn beneath, whose rows are over joints joints.
func LayersFromProto(list []*pb.LayerArrays, joints int, field string) ([]transfer.Layer, error) {
	var out []transfer.Layer
	for i, m := range list {
		here := fmt.Sprintf("%s[%d]", field, i)
		name, err := CheckName(m.GetDisplayName(), "layer", here+".display_name")
		if err != nil {
			return nil, err
		}
		l := transfer.Layer{Name: name}
		if l.Mesh, err = MeshFromProto(m.GetMesh(), here+".mesh"); err != nil {
			return nil, err
		}
		n := l.Mesh.NumVertices()
		if l.Rows, err = RowsFromProto(m.GetRows(), n, joints, here+".rows"); err != nil {
			return nil, err
		}
		if c := m.GetConfidence(); len(c) > 0 {
			if len(c) != 4*n {
				return nil, fault(here+".confidence", "has %d bytes, want %d for %d vertices", len(c), 4*n, n)
			}
			if l.Confidence, err = UnpackConfidence(c); err != nil {
				return nil, err
			}
		}
		out = append(out, l)
	}
	return out, nil
}

// LayersToProto is the inverse of LayersFromProto.
func LayersToProto(list []transfer.Layer) []*pb.LayerArrays {
	var out []*pb.LayerArrays
	for _, l := range list {
		out = append(out, &pb.LayerArrays{DisplayName: l.Name, Mesh: MeshToProto(l.Mesh), Rows: RowsToProto(l.Rows), Confidence: PackConfidence(l.Confidence)})
	}
	return out
}

// GarmentFromProto unpacks a garment but for what of it must not change, which only
// the joints of the answer tell: HeldFromProto.
func GarmentFromProto(m *pb.GarmentArrays, field string) (*transfer.Garment, error) {
	name, err := CheckName(m.GetDisplayName(), "garment", field+".display_name")
	if err != nil {
		return nil, err
	}
	g := &transfer.Garment{Name: name}
	if g.Mesh, err = MeshFromProto(m.GetMesh(), field+".mesh"); err != nil {
		return nil, err
	}
	for i, p := range m.GetParts() {
		start, end := int(p.GetStart()), int(p.GetEnd())
		if start < 0 || end < start || end > g.Mesh.NumVertices() {
			return nil, fault(fmt.Sprintf("%s.parts[%d]", field, i), "range %d to %d is not within 0..%d", start, end, g.Mesh.NumVertices())
		}
		g.Parts = append(g.Parts, transfer.Part{Node: p.GetNode(), Mesh: p.GetMesh(), Material: p.GetMaterial(), Primitive: i, Start: start, End: end})
	}
	if len(m.GetJoints()) > 0 {
		g.Skin, err = JointsFromProto(m.GetJoints(), field+".joints")
	}
	return g, err
}

// HeldFromProto unpacks what of a garment of vertices vertices must not change; the
// answer's rows are over joints joints. Nil gives nil.
func HeldFromProto(m *pb.HeldArrays, vertices, joints int, field string) (*transfer.Held, error) {
	if m == nil {
		return nil, nil
	}
	h := &transfer.Held{}
	var err error
	if h.Rows, err = RowsFromProto(m.GetRows(), vertices, joints, field+".rows"); err != nil {
		return nil, err
	}
	if h.Locked, err = marksFromProto(m.GetLockedVertices(), vertices, field+".locked_vertices"); err != nil {
		return nil, err
	}
	h.Joints, err = marksFromProto(m.GetLockedJoints(), joints, field+".locked_joints")
	return h, err
}

// HeldToProto is the inverse of HeldFromProto.
func HeldToProto(h *transfer.Held) *pb.HeldArrays {
	if h == nil {
		return nil
	}
	return &pb.HeldArrays{Rows: RowsToProto(h.Rows), LockedVertices: marksToProto(h.Locked), LockedJoints: marksToProto(h.Joints)}
}

// marksFromProto unpacks one byte for each of n marks; none is nil.
func marksFromProto(data []byte, n int, field string) ([]bool, error) {
	if len(data) == 0 {
		return nil, nil
	}
	if len(data) != n {
		return nil, fault(field, "has %d bytes, want %d", len(data), n)
	}
	out := make([]bool, n)
	for i, b := range data {
		out[i] = b != 0
	}
	return out, nil
}

// marksToProto is the inverse of marksFromProto.
func marksToProto(marks []bool) []byte {
	out := make([]byte, len(marks))
	for i, yes := range marks {
		if yes {
			out[i] = 1
		}
	}
	return out
}

// GarmentToProto is the inverse of GarmentFromProto and, for what must not change, of
// HeldFromProto. Kept rows have no message.
func GarmentToProto(g *transfer.Garment) *pb.GarmentArrays {
	m := &pb.GarmentArrays{DisplayName: g.Name, Mesh: MeshToProto(g.Mesh), Held: HeldToProto(g.Held)}
	for _, p := range g.Parts {
		m.Parts = append(m.Parts, &pb.GarmentPart{Node: p.Node, Mesh: p.Mesh, Material: p.Material, Start: clamp32(p.Start), End: clamp32(p.End)})
	}
	if g.Skin != nil {
		m.Joints = JointsToProto(g.Skin)
	}
	return m
}

// PackConfidence packs confidences as float32.
func PackConfidence(c []float32) []byte {
	out := make([]byte, 0, 4*len(c))
	for _, x := range c {
		out = little.AppendUint32(out, math.Float32bits(x))
	}
	return out
}

// UnpackConfidence is the inverse of PackConfidence.
func UnpackConfidence(data []byte) ([]float32, error) {
	if len(data)%4 != 0 {
		return nil, fault("confidence", "has %d bytes, not a multiple of 4", len(data))
	}
	out := make([]float32, len(data)/4)
	for i := range out {
		out[i] = math.Float32frombits(little.Uint32(data[4*i:]))
	}
	return out, nil
}

// PackReasons packs reasons as uint16.
func PackReasons(r []transfer.Reason) []byte {
	out := make([]byte, 0, 2*len(r))
	for _, x := range r {
		out = little.AppendUint16(out, uint16(x))
	}
	return out
}

// UnpackReasons is the inverse of PackReasons.
func UnpackReasons(data []byte) ([]transfer.Reason, error) {
	if len(data)%2 != 0 {
		return nil, fault("reasons", "has %d bytes, not a multiple of 2", len(data))
	}
	out := make([]transfer.Reason, len(data)/2)
	for i := range out {
		out[i] = transfer.Reason(little.Uint16(data[2*i:]))
	}
	return out, nil
}

// ArrayFieldOf returns where in a request the array of a chunk goes, making the
// messages on the way; layer says which layer's, where it is one's. Nil for a field or a
// layer that the request has not.
func ArrayFieldOf(m *pb.TransferArraysRequest, f pb.ArrayField, layer int) *[]byte {
	if f >= pb.ArrayField_ARRAY_FIELD_LAYER_POSITIONS {
		if layer < 0 || layer >= len(m.GetLayers()) || m.Layers[layer] == nil {
			return nil
		}
		return layerField(m.Layers[layer], f)
	}
	garment := func() *pb.MeshArrays {
		if m.Garment == nil {
			m.Garment = &pb.GarmentArrays{}
		}
		if m.Garment.Mesh == nil {
			m.Garment.Mesh = &pb.MeshArrays{}
		}
		return m.Garment.Mesh
	}
	switch f {
	case pb.ArrayField_ARRAY_FIELD_GARMENT_POSITIONS:
		return &garment().Positions
	case pb.ArrayField_ARRAY_FIELD_GARMENT_TRIANGLES:
		return &garment().Triangles
	case pb.ArrayField_ARRAY_FIELD_GARMENT_NORMALS:
		return &garment().Normals
	}
	held := func() *pb.HeldArrays {
		garment()
		if m.Garment.Held == nil {
			m.Garment.Held = &pb.HeldArrays{}
		}
		if m.Garment.Held.Rows == nil {
			m.Garment.Held.Rows = &pb.RowArrays{}
		}
		return m.Garment.Held
	}
	switch f {
	case pb.ArrayField_ARRAY_FIELD_HELD_ROW_STARTS:
		return &held().Rows.Starts
	case pb.ArrayField_ARRAY_FIELD_HELD_ROW_JOINTS:
		return &held().Rows.Joints
	case pb.ArrayField_ARRAY_FIELD_HELD_ROW_WEIGHTS:
		return &held().Rows.Weights
	case pb.ArrayField_ARRAY_FIELD_LOCKED_VERTICES:
		return &held().LockedVertices
	}
	b := m.GetBodyArrays()
	if b == nil {
		return nil
	}
	if b.Mesh == nil {
		b.Mesh = &pb.MeshArrays{}
	}
	if b.Rows == nil {
		b.Rows = &pb.RowArrays{}
	}
	switch f {
	case pb.ArrayField_ARRAY_FIELD_BODY_POSITIONS:
		return &b.Mesh.Positions
	case pb.ArrayField_ARRAY_FIELD_BODY_TRIANGLES:
		return &b.Mesh.Triangles
	case pb.ArrayField_ARRAY_FIELD_BODY_NORMALS:
		return &b.Mesh.Normals
	case pb.ArrayField_ARRAY_FIELD_BODY_ROW_STARTS:
		return &b.Rows.Starts
	case pb.ArrayField_ARRAY_FIELD_BODY_ROW_JOINTS:
		return &b.Rows.Joints
	case pb.ArrayField_ARRAY_FIELD_BODY_ROW_WEIGHTS:
		return &b.Rows.Weights
	}
	return nil
}

// layerField is ArrayFieldOf for one layer.
func layerField(l *pb.LayerArrays, f pb.ArrayField) *[]byte {
	if l.Mesh == nil {
		l.Mesh = &pb.MeshArrays{}
	}
	if l.Rows == nil {
		l.Rows = &pb.RowArrays{}
	}
	switch f {
	case pb.ArrayField_ARRAY_FIELD_LAYER_POSITIONS:
		return &l.Mesh.Positions
	case pb.ArrayField_ARRAY_FIELD_LAYER_TRIANGLES:
		return &l.Mesh.Triangles
	case pb.ArrayField_ARRAY_FIELD_LAYER_NORMALS:
		return &l.Mesh.Normals
	case pb.ArrayField_ARRAY_FIELD_LAYER_ROW_STARTS:
		return &l.Rows.Starts
	case pb.ArrayField_ARRAY_FIELD_LAYER_ROW_JOINTS:
		return &l.Rows.Joints
	case pb.ArrayField_ARRAY_FIELD_LAYER_ROW_WEIGHTS:
		return &l.Rows.Weights
	case pb.ArrayField_ARRAY_FIELD_LAYER_CONFIDENCE:
		return &l.Confidence
	}
	return nil
}
