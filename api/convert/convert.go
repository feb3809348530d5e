// Package convert maps the core's types to the messages of the API and back.
// Client and server both use it, so that an option has one meaning and one
// default on either side. Geometry is in arrays.go.
package convert

import (
	"fmt"
	"math"
	"time"

	pb "github.com/selvage/selvage/api/selvage/v1"
	"github.com/selvage/selvage/transfer"
	"github.com/selvage/selvage/transfer/gltfio"
	"github.com/selvage/selvage/transfer/weights"
)

// FieldError reports a field of a message that cannot be used.
type FieldError struct {
	Field string // path in the message, "garment.mesh.positions" say
	What  string
}

func (e *FieldError) Error() string { return e.Field + ": " + e.What }

// fault makes a FieldError.
func fault(field, format string, args ...any) error {
	return &FieldError{Field: field, What: fmt.Sprintf(format, args...)}
}

var (
	fills    = []pb.Fill{transfer.FillHarmonic: pb.Fill_FILL_HARMONIC, transfer.FillBiharmonic: pb.Fill_FILL_BIHARMONIC}
	switches = []pb.Switch{transfer.Auto: pb.Switch_SWITCH_AUTO, transfer.On: pb.Switch_SWITCH_ON, transfer.Off: pb.Switch_SWITCH_OFF}
	skins    = []pb.OutputSkin{transfer.SkinBody: pb.OutputSkin_OUTPUT_SKIN_BODY, transfer.SkinOwn: pb.OutputSkin_OUTPUT_SKIN_OWN}
	formats  = []pb.WeightFormat{
		weights.Float32: pb.WeightFormat_WEIGHT_FORMAT_FLOAT32,
		weights.Uint16:  pb.WeightFormat_WEIGHT_FORMAT_UINT16,
		weights.Uint8:   pb.WeightFormat_WEIGHT_FORMAT_UINT8,
	}
)

// toEnum returns the message's value of v, or an error for a v that has none.
func toEnum[C ~int, P ~int32](list []P, v C, field string) (P, error) {
	if v < 0 || int(v) >= len(list) {
		return 0, fault(field, "unknown value %d", int(v))
	}
	return list[v], nil
}

// fromEnum is the inverse of toEnum; zero is the core's zero.
func fromEnum[C ~int, P ~int32](list []P, v P, field string) (C, error) {
	if v == 0 {
		return 0, nil
	}
	for i, p := range list {
		if p == v {
			return C(i), nil
		}
	}
	return 0, fault(field, "unknown value %d", int32(v))
}

// OptionsToProto returns the message of o. Progress is not part of it. It fails
// with *FieldError for a value that has no name.
func OptionsToProto(o transfer.AssetOptions) (*pb.Options, error) {
	m := &pb.Options{
		Reach: o.Reach, Falloff: o.Falloff,
		LooseNames: o.LooseNames, RigidNames: o.RigidNames,
		AllowJoints: o.AllowJoints, DenyJoints: o.DenyJoints,
		MaxInfluences: clamp32(o.MaxInfluences), PruneBelow: o.PruneBelow, Threads: clamp32(o.Threads),
		GarmentNames: o.Garments.Names, KeepJoints: o.KeepJoints, PlainRows: o.PlainRows,
		OneJointIslands: o.OneJointIslands,
		LooseStretch:    o.LooseStretch,
		Lock:            o.Lock, LockJoints: o.LockJoints, LockBlend: o.LockBlend,
	}
	m.JointMap = JointMapToProto(o.JointMap)
	var err [6]error
	m.Fill, err[0] = toEnum(fills, o.Fill, "options.fill")
	m.Loose, err[1] = toEnum(switches, o.Loose, "options.loose")
	m.RigidIslands, err[2] = toEnum(switches, o.RigidIslands, "options.rigid_islands")
	m.Registration, err[3] = toEnum(switches, o.Registration, "options.registration")
	m.Format, err[4] = toEnum(formats, o.Format, "options.format")
	m.Skin, err[5] = toEnum(skins, o.Skin, "options.skin")
	return m, first(err[:])
}

// OptionsFromProto is the inverse of OptionsToProto; nil gives the defaults. The
// range of numbers is left to the transfer.
func OptionsFromProto(m *pb.Options) (transfer.AssetOptions, error) {
	o := transfer.AssetOptions{
		Options: transfer.Options{
			Reach: m.GetReach(), Falloff: m.GetFalloff(),
			LooseNames: m.GetLooseNames(), RigidNames: m.GetRigidNames(),
			AllowJoints: m.GetAllowJoints(), DenyJoints: m.GetDenyJoints(),
			MaxInfluences: int(m.GetMaxInfluences()), PruneBelow: m.GetPruneBelow(), Threads: int(m.GetThreads()),
			OneJointIslands: m.GetOneJointIslands(),
			LooseStretch:    m.GetLooseStretch(),
			LockBlend:       m.GetLockBlend(),
		},
		Garments:   gltfio.Selection{Names: m.GetGarmentNames()},
		KeepJoints: m.GetKeepJoints(),
		Lock:       m.GetLock(),
		LockJoints: m.GetLockJoints(),
		PlainRows:  m.GetPlainRows(),
	}
	o.JointMap = JointMapFromProto(m.GetJointMap())
	var err [6]error
	o.Fill, err[0] = fromEnum[transfer.Fill](fills, m.GetFill(), "options.fill")
	o.Loose, err[1] = fromEnum[transfer.Switch](switches, m.GetLoose(), "options.loose")
	o.RigidIslands, err[2] = fromEnum[transfer.Switch](switches, m.GetRigidIslands(), "options.rigid_islands")
	o.Registration, err[3] = fromEnum[transfer.Switch](switches, m.GetRegistration(), "options.registration")
	o.Format, err[4] = fromEnum[weights.Format](formats, m.GetFormat(), "options.format")
	o.Skin, err[5] = fromEnum[transfer.OutputSkin](skins, m.GetSkin(), "options.skin")
	return o, first(err[:])
}

// JointMapToProto returns the messages of rules.
func JointMapToProto(rules []transfer.JointRule) (list []*pb.JointMapRule) {
	for _, r := range rules {
		list = append(list, &pb.JointMapRule{From: r.From, To: r.To})
	}
	return list
}

// JointMapFromProto is the inverse of JointMapToProto.
func JointMapFromProto(list []*pb.JointMapRule) (rules []transfer.JointRule) {
	for _, r := range list {
		rules = append(rules, transfer.JointRule{From: r.GetFrom(), To: r.GetTo()})
	}
	return rules
}

// first returns the first error that is not nil.
func first(list []error) error {
	for _, err := range list {
		if err != nil {
			return err
		}
	}
	return nil
}

// clamp32 is n where it fits in 32 bits, else the nearest number that does.
func clamp32(n int) int32 { return int32(min(max(n, math.MinInt32), math.MaxInt32)) }

// SummaryToProto returns the message of s.
func SummaryToProto(s *transfer.Summary) *pb.Summary {
	m := &pb.Summary{
		Garment: s.Garment, Vertices: clamp32(s.Vertices), Welded: clamp32(s.Welded), Islands: clamp32(s.Islands),
		Matched: clamp32(s.Matched), Filled: clamp32(s.Filled), Rigid: clamp32(s.Rigid), Loose: clamp32(s.Loose),
		LowConfidence: clamp32(s.LowConfidence), MaxDistance: s.MaxDistance,
		Notes: s.Notes, TotalSeconds: s.Total.Seconds(),
		Reasons: make(map[string]int32, len(s.Reasons)), Seconds: make(map[string]float64, len(s.Seconds)),
	}
	for name, n := range s.Reasons {
		m.Reasons[name] = clamp32(n)
	}
	for stage, t := range s.Seconds {
		m.Seconds[string(stage)] = t
	}
	for _, f := range s.TakenFrom {
		m.TakenFrom = append(m.TakenFrom, &pb.TakenFrom{Name: f.Name, Vertices: clamp32(f.Vertices)})
	}
	for _, o := range s.Offsets {
		m.Offsets = append(m.Offsets, &pb.PoseOffset{Joint: o.Joint, Degrees: o.Degrees, Shift: o.Shift, Scale: o.Scale, Corrected: o.Corrected})
	}
	for _, j := range s.JointMap {
		m.JointMap = append(m.JointMap, &pb.JointMapping{Joint: j.Joint, To: j.To, How: string(j.How), Distance: j.Distance, Weight: j.Weight, Doubt: j.Doubt})
	}
	return m
}

// SummaryFromProto is the inverse of SummaryToProto.
func SummaryFromProto(m *pb.Summary) transfer.Summary {
	s := transfer.Summary{
		Garment: m.GetGarment(), Vertices: int(m.GetVertices()), Welded: int(m.GetWelded()), Islands: int(m.GetIslands()),
		Matched: int(m.GetMatched()), Filled: int(m.GetFilled()), Rigid: int(m.GetRigid()), Loose: int(m.GetLoose()),
		LowConfidence: int(m.GetLowConfidence()), MaxDistance: m.GetMaxDistance(),
		Notes: m.GetNotes(), Total: time.Duration(math.Round(m.GetTotalSeconds() * float64(time.Second))),
		Reasons: make(map[string]int, len(m.GetReasons())), Seconds: make(map[transfer.Stage]float64, len(m.GetSeconds())),
	}
	for name, n := range m.GetReasons() {
		s.Reasons[name] = int(n)
	}
	for stage, t := range m.GetSeconds() {
		s.Seconds[transfer.Stage(stage)] = t
	}
	for _, f := range m.GetTakenFrom() {
		s.TakenFrom = append(s.TakenFrom, transfer.TakenFrom{Name: f.GetName(), Vertices: int(f.GetVertices())})
	}
	for _, o := range m.GetOffsets() {
		s.Offsets = append(s.Offsets, transfer.PoseOffset{Joint: o.GetJoint(), Degrees: o.GetDegrees(), Shift: o.GetShift(), Scale: o.GetScale(), Corrected: o.GetCorrected()})
	}
	for _, j := range m.GetJointMap() {
		s.JointMap = append(s.JointMap, transfer.JointMapping{
			Joint: j.GetJoint(), To: j.GetTo(), How: transfer.MappedBy(j.GetHow()), Distance: j.GetDistance(), Weight: j.GetWeight(), Doubt: j.GetDoubt(),
		})
	}
	return s
}

// DescriptionToProto returns the message of d.
func DescriptionToProto(d *gltfio.Description) *pb.InspectAssetResponse {
	m := &pb.InspectAssetResponse{
		DisplayName: d.File, Generator: d.Generator, Animations: clamp32(d.Animations), Materials: clamp32(d.Materials),
		Images: clamp32(d.Images), Extensions: d.Extensions, Size: d.Size[:],
	}
	for i := range d.Meshes {
		x := &d.Meshes[i]
		y := &pb.MeshDescription{
			Node: x.Node, Mesh: x.Mesh, Materials: x.Materials, InScene: x.InScene, Mirrored: x.Mirrored,
			Primitives: clamp32(x.Primitives), Vertices: clamp32(x.Vertices), Welded: clamp32(x.Welded),
			Triangles: clamp32(x.Triangles), Islands: clamp32(x.Islands), MorphTargets: clamp32(x.MorphTargets),
			Skin: clamp32(x.Skin), UnusableRows: clamp32(x.Faults.Unusable), NegativeRows: clamp32(x.Faults.Negative),
			UnnormalisedRows: clamp32(x.Faults.Sum), FirstUnusableRow: clamp32(x.Faults.FirstVertex),
			WeightsLegal: x.Legal, Problem: x.Problem,
		}
		for _, n := range x.Influences {
			y.Influences = append(y.Influences, clamp32(n))
		}
		m.Meshes = append(m.Meshes, y)
	}
	for _, s := range d.Skins {
		m.Skins = append(m.Skins, &pb.SkinDescription{Name: s.Name, Joints: s.Joints})
	}
	return m
}

// DescriptionFromProto is the inverse of DescriptionToProto.
func DescriptionFromProto(m *pb.InspectAssetResponse) *gltfio.Description {
	d := &gltfio.Description{
		File: m.GetDisplayName(), Generator: m.GetGenerator(), Animations: int(m.GetAnimations()),
		Materials: int(m.GetMaterials()), Images: int(m.GetImages()), Extensions: m.GetExtensions(),
		Meshes: []gltfio.MeshDescription{}, Skins: []gltfio.SkinDescription{},
	}
	copy(d.Size[:], m.GetSize())
	for _, y := range m.GetMeshes() {
		x := gltfio.MeshDescription{
			Node: y.GetNode(), Mesh: y.GetMesh(), Materials: append([]string{}, y.GetMaterials()...), InScene: y.GetInScene(),
			Mirrored: y.GetMirrored(), Primitives: int(y.GetPrimitives()), Vertices: int(y.GetVertices()),
			Welded: int(y.GetWelded()), Triangles: int(y.GetTriangles()), Islands: int(y.GetIslands()),
			MorphTargets: int(y.GetMorphTargets()), Skin: int(y.GetSkin()),
			Faults: gltfio.RowFaults{
				Unusable: int(y.GetUnusableRows()), Negative: int(y.GetNegativeRows()),
				Sum: int(y.GetUnnormalisedRows()), FirstVertex: int(y.GetFirstUnusableRow()),
			},
			Legal: y.GetWeightsLegal(), Problem: y.GetProblem(),
		}
		for _, n := range y.GetInfluences() {
			x.Influences = append(x.Influences, int(n))
		}
		d.Meshes = append(d.Meshes, x)
	}
	for _, s := range m.GetSkins() {
		d.Skins = append(d.Skins, gltfio.SkinDescription{Name: s.GetName(), Joints: append([]string{}, s.GetJoints()...)})
	}
	return d
}
