package convert

// The pose check: plans, results and reports.

import (
	"errors"
	"fmt"

	pb "github.com/selvage/selvage/api/selvage/v1"
	"github.com/selvage/selvage/transfer/pose"
)

// names pairs the core's words with the message's values.
type names[C ~string, P ~int32] []struct {
	core C
	wire P
}

// to returns the message's value of a word; zero, which no word has, for an unknown
// one.
func (n names[C, P]) to(c C) P {
	for _, x := range n {
		if x.core == c {
			return x.wire
		}
	}
	return 0
}

// from is the inverse of to.
func (n names[C, P]) from(p P) C {
	for _, x := range n {
		if x.wire == p {
			return x.core
		}
	}
	return ""
}

var (
	kinds = names[pose.Kind, pb.FindingKind]{
		{pose.Penetration, pb.FindingKind_FINDING_KIND_PENETRATION}, {pose.Gap, pb.FindingKind_FINDING_KIND_GAP},
		{pose.Stretch, pb.FindingKind_FINDING_KIND_STRETCH}, {pose.Compression, pb.FindingKind_FINDING_KIND_COMPRESSION},
		{pose.Turned, pb.FindingKind_FINDING_KIND_TURNED}, {pose.Jagged, pb.FindingKind_FINDING_KIND_JAGGED},
		{pose.Area, pb.FindingKind_FINDING_KIND_AREA}, {pose.Volume, pb.FindingKind_FINDING_KIND_VOLUME},
		{pose.Deformed, pb.FindingKind_FINDING_KIND_DEFORMED}, {pose.Parted, pb.FindingKind_FINDING_KIND_PARTED},
		{pose.Crossing, pb.FindingKind_FINDING_KIND_CROSSING}, {pose.Dive, pb.FindingKind_FINDING_KIND_DIVE},
		{pose.BodyJagged, pb.FindingKind_FINDING_KIND_BODY_JAGGED}, {pose.BodyTurned, pb.FindingKind_FINDING_KIND_BODY_TURNED},
		{pose.BodyVolume, pb.FindingKind_FINDING_KIND_BODY_VOLUME}, {pose.CarriedIn, pb.FindingKind_FINDING_KIND_CARRIED_IN},
		{pose.Coarse, pb.FindingKind_FINDING_KIND_COARSE}, {pose.Pole, pb.FindingKind_FINDING_KIND_POLE},
		{pose.TwistUneven, pb.FindingKind_FINDING_KIND_TWIST_UNEVEN}, {pose.InfluencesCut, pb.FindingKind_FINDING_KIND_INFLUENCES_CUT},
	}
	changes = names[pose.Change, pb.PoseChange]{
		{pose.Turn, pb.PoseChange_POSE_CHANGE_TURN}, {pose.Move, pb.PoseChange_POSE_CHANGE_MOVE},
		{pose.Scale, pb.PoseChange_POSE_CHANGE_SCALE}, {pose.Whole, pb.PoseChange_POSE_CHANGE_WHOLE},
	}
	surfaces = names[string, pb.CheckedSurface]{
		{"garment", pb.CheckedSurface_CHECKED_SURFACE_GARMENT}, {"body", pb.CheckedSurface_CHECKED_SURFACE_BODY},
	}
)

// PlanToProto returns the message of p; nil gives nil.
func PlanToProto(p *pose.Plan) *pb.CheckPlan {
	if p == nil {
		return nil
	}
	m := &pb.CheckPlan{Angles: numbers(p.Angles), Move: p.Move, Scale: numbers(p.Scale), Limits: limitsToProto(&p.Limits)}
	for name, list := range p.Groups {
		if m.Groups == nil {
			m.Groups = map[string]*pb.JointGroup{}
		}
		m.Groups[name] = &pb.JointGroup{Joints: list}
	}
	for i := range p.Joints {
		r := &p.Joints[i]
		x := &pb.JointRule{Joints: r.Joints, Skip: r.Skip, Angles: numbers(r.Angles)}
		if a := r.Range; a != (pose.AxisRanges{}) {
			x.Range = &pb.AxisRanges{X: angleRange(a.X), Y: angleRange(a.Y), Z: angleRange(a.Z)}
		}
		if a := r.Importance; a != (pose.AxisNumbers{}) {
			x.Importance = &pb.AxisImportance{X: a.X, Y: a.Y, Z: a.Z}
		}
		m.Joints = append(m.Joints, x)
	}
	for i := range p.Poses {
		w := &p.Poses[i]
		x := &pb.WholePose{Name: w.Name, Importance: w.Importance}
		for k := range w.Set {
			c := &w.Set[k]
			y := &pb.JointChange{Joints: c.Joints}
			if c.Turn != [3]float64{} {
				y.Turn = c.Turn[:]
			}
			if c.Move != [3]float64{} {
				y.Move = c.Move[:]
			}
			if c.Scale != nil {
				y.Scale = c.Scale[:]
			}
			x.Set = append(x.Set, y)
		}
		m.Poses = append(m.Poses, x)
	}
	return m
}

// numbers keeps nil and empty apart.
func numbers(list []float64) *pb.Numbers {
	if list == nil {
		return nil
	}
	return &pb.Numbers{Values: list}
}

func numbersFrom(m *pb.Numbers) []float64 {
	if m == nil {
		return nil
	}
	return append([]float64{}, m.GetValues()...)
}

func angleRange(r *[2]float64) *pb.AngleRange {
	if r == nil {
		return nil
	}
	return &pb.AngleRange{Low: r[0], High: r[1]}
}

func angleRangeFrom(m *pb.AngleRange) *[2]float64 {
	if m == nil {
		return nil
	}
	return &[2]float64{m.GetLow(), m.GetHigh()}
}

// PlanFromProto is the inverse of PlanToProto; nil gives nil. What it returns is a
// valid plan. Errors: *FieldError below field.
func PlanFromProto(m *pb.CheckPlan, field string) (*pose.Plan, error) {
	if m == nil {
		return nil, nil
	}
	p := &pose.Plan{Angles: numbersFrom(m.GetAngles()), Move: m.Move, Scale: numbersFrom(m.GetScale()), Limits: limitsFromProto(m.GetLimits())}
	for name, g := range m.GetGroups() {
		if p.Groups == nil {
			p.Groups = map[string][]string{}
		}
		p.Groups[name] = g.GetJoints()
	}
	for _, x := range m.GetJoints() {
		r, i := x.GetRange(), x.GetImportance()
		if i == nil {
			i = &pb.AxisImportance{}
		}
		p.Joints = append(p.Joints, pose.JointRule{
			Joints: x.GetJoints(), Skip: x.GetSkip(), Angles: numbersFrom(x.GetAngles()),
			Range:      pose.AxisRanges{X: angleRangeFrom(r.GetX()), Y: angleRangeFrom(r.GetY()), Z: angleRangeFrom(r.GetZ())},
			Importance: pose.AxisNumbers{X: i.X, Y: i.Y, Z: i.Z},
		})
	}
	for i, x := range m.GetPoses() {
		if x == nil {
			x = &pb.WholePose{}
		}
		w := pose.WholePose{Name: x.GetName(), Importance: x.Importance}
		for k, y := range x.GetSet() {
			c := pose.JointChange{Joints: y.GetJoints()}
			var scale [3]float64
			for _, v := range []struct {
				name string
				from []float64
				to   *[3]float64
			}{{"turn", y.GetTurn(), &c.Turn}, {"move", y.GetMove(), &c.Move}, {"scale", y.GetScale(), &scale}} {
				if n := len(v.from); n != 0 && n != 3 {
					return nil, fault(fmt.Sprintf("%s.poses[%d].set[%d].%s", field, i, k, v.name), "has %d numbers, want 3", n)
				}
				copy(v.to[:], v.from)
			}
			if len(y.GetScale()) > 0 {
				c.Scale = &scale
			}
			w.Set = append(w.Set, c)
		}
		p.Poses = append(p.Poses, w)
	}
	return p, PlanFault(p.Validate(), field)
}

// PlanFault turns the core's *pose.PlanError into the *FieldError of the field that
// holds the plan; other errors stay as they are.
func PlanFault(err error, field string) error {
	var e *pose.PlanError
	if !errors.As(err, &e) {
		return err
	}
	if e.Field != "" {
		field += "." + snake(e.Field)
	}
	return &FieldError{Field: field, What: e.What}
}

// snake is a YAML key's path as the message has it: bodyTurned is body_turned.
func snake(path string) string {
	out := make([]byte, 0, len(path)+4)
	for i := range len(path) {
		if c := path[i]; c >= 'A' && c <= 'Z' {
			out = append(out, '_', c+'a'-'A')
		} else {
			out = append(out, c)
		}
	}
	return string(out)
}

func limitsToProto(l *pose.Limits) *pb.CheckLimits {
	if *l == (pose.Limits{}) {
		return nil
	}
	return &pb.CheckLimits{
		Penetration: l.Penetration, Crossing: l.Crossing, Dive: l.Dive, Gap: l.Gap, Stretch: l.Stretch, Compression: l.Compression, Turned: l.Turned,
		Jagged: l.Jagged, Area: l.Area, Volume: l.Volume, Deformed: l.Deformed, Parted: l.Parted,
		BodyJagged: l.BodyJagged, BodyTurned: l.BodyTurned, BodyVolume: l.BodyVolume, CarriedIn: l.CarriedIn,
		Coarse: l.Coarse, Pole: l.Pole, TwistUneven: l.TwistUneven, InfluencesCut: l.InfluencesCut,
	}
}

func limitsFromProto(m *pb.CheckLimits) pose.Limits {
	return pose.Limits{
		Penetration: m.GetPenetration(), Crossing: m.GetCrossing(), Dive: m.GetDive(), Gap: m.GetGap(), Stretch: m.GetStretch(), Compression: m.GetCompression(), Turned: m.GetTurned(),
		Jagged: m.GetJagged(), Area: m.GetArea(), Volume: m.GetVolume(), Deformed: m.GetDeformed(), Parted: m.GetParted(),
		BodyJagged: m.GetBodyJagged(), BodyTurned: m.GetBodyTurned(), BodyVolume: m.GetBodyVolume(), CarriedIn: m.GetCarriedIn(),
		Coarse: m.GetCoarse(), Pole: m.GetPole(), TwistUneven: m.GetTwistUneven(), InfluencesCut: m.GetInfluencesCut(),
	}
}

func poseToProto(p *pose.Pose) *pb.CheckedPose {
	return &pb.CheckedPose{Name: p.Name, Change: changes.to(p.Change), Joint: p.Joint, Axis: p.Axis, Amount: p.Amount, Importance: p.Importance}
}

func poseFromProto(m *pb.CheckedPose) pose.Pose {
	return pose.Pose{Name: m.GetName(), Change: changes.from(m.GetChange()), Joint: m.GetJoint(), Axis: m.GetAxis(), Amount: m.GetAmount(), Importance: m.GetImportance()}
}

func findingsToProto(list []pose.Finding) []*pb.Finding {
	out := make([]*pb.Finding, len(list))
	for i := range list {
		f, p := &list[i], &list[i].Place
		out[i] = &pb.Finding{
			Kind: kinds.to(f.Kind), Pose: poseToProto(&f.Pose), Size: f.Size, Limit: f.Limit, Vertices: clamp32(f.Vertices),
			Places: clamp32(f.Places), Severity: f.Severity, Rank: f.Rank, Sentence: f.Sentence, Layer: f.Layer,
			Place: &pb.FindingPlace{
				Surface: surfaces.to(p.Surface), Vertex: clamp32(p.Vertex), Node: p.Node, Mesh: p.Mesh, Material: p.Material,
				Primitive: clamp32(p.Primitive), PrimitiveVertex: clamp32(p.PrimitiveVertex), Position: p.Position[:],
			},
		}
	}
	return out
}

// findingsFromProto is never nil, as in reports made here.
func findingsFromProto(list []*pb.Finding) []pose.Finding {
	out := make([]pose.Finding, len(list))
	for i, m := range list {
		p := m.GetPlace()
		out[i] = pose.Finding{
			Kind: kinds.from(m.GetKind()), Pose: poseFromProto(m.GetPose()), Size: m.GetSize(), Limit: m.GetLimit(), Vertices: int(m.GetVertices()),
			Places: int(m.GetPlaces()), Severity: m.GetSeverity(), Rank: m.GetRank(), Sentence: m.GetSentence(), Layer: m.GetLayer(),
			Place: pose.Place{
				Surface: surfaces.from(p.GetSurface()), Vertex: int(p.GetVertex()), Node: p.GetNode(), Mesh: p.GetMesh(), Material: p.GetMaterial(),
				Primitive: int(p.GetPrimitive()), PrimitiveVertex: int(p.GetPrimitiveVertex()),
			},
		}
		copy(out[i].Place.Position[:], p.GetPosition())
	}
	return out
}

// PoseResultToProto returns the message of r.
func PoseResultToProto(r *pose.Result) *pb.PoseResult {
	x := &r.Measures
	return &pb.PoseResult{
		Pose: poseToProto(&r.Pose), Findings: findingsToProto(r.Findings), Notes: findingsToProto(r.Notes),
		Measures: &pb.PoseMeasures{
			Moved: clamp32(x.Moved), Judged: clamp32(x.Judged), Exact: clamp32(x.Exact), Depth: x.Depth, Gap: x.Gap,
			Stretch: x.Stretch, Compression: x.Compression, Turned: clamp32(x.Turned), Jagged: x.Jagged, AreaLoss: x.AreaLoss,
			VolumeLoss: x.VolumeLoss, BodyVolume: x.BodyVolume, Crossed: x.Crossed, Deformed: x.Deformed, Parted: x.Parted,
			Dived: x.Dived,
		},
	}
}

// PoseResultFromProto is the inverse of PoseResultToProto.
func PoseResultFromProto(m *pb.PoseResult) pose.Result {
	x := m.GetMeasures()
	r := pose.Result{
		Pose: poseFromProto(m.GetPose()),
		Measures: pose.Measures{
			Moved: int(x.GetMoved()), Judged: int(x.GetJudged()), Exact: int(x.GetExact()), Depth: x.GetDepth(), Gap: x.GetGap(),
			Stretch: x.GetStretch(), Compression: x.GetCompression(), Turned: int(x.GetTurned()), Jagged: x.GetJagged(), AreaLoss: x.GetAreaLoss(),
			VolumeLoss: x.GetVolumeLoss(), BodyVolume: x.GetBodyVolume(), Crossed: x.GetCrossed(), Deformed: x.GetDeformed(), Parted: x.GetParted(),
			Dived: x.GetDived(),
		},
	}
	if list := m.GetFindings(); len(list) > 0 {
		r.Findings = findingsFromProto(list)
	}
	if list := m.GetNotes(); len(list) > 0 {
		r.Notes = findingsFromProto(list)
	}
	return r
}

// ReportToProto returns the message of r.
func ReportToProto(r *pose.Report) *pb.CheckReport {
	var layers []*pb.CheckedLayer
	for _, l := range r.Layers {
		layers = append(layers, &pb.CheckedLayer{
			Layer: l.Layer, Over: clamp32(l.Over), Dived: clamp32(l.Dived), Cases: clamp32(l.Cases), Avoidable: clamp32(l.Avoidable),
			Depth: l.Depth, Pose: l.Pose,
		})
	}
	return &pb.CheckReport{
		Layers: layers, Body: r.Body, Garment: r.Garment, Vertices: clamp32(r.Vertices), Poses: clamp32(r.Poses), Idle: clamp32(r.Idle),
		Limits: limitsToProto(&r.Limits), Findings: findingsToProto(r.Findings), Notes: findingsToProto(r.Notes), Remarks: r.Remarks,
	}
}

// partFindings is how many findings and notes one part of a report holds: about 1 MiB.
const partFindings = 2500

// ReportParts returns the message of r in parts: merged (the lists appended, as
// proto.Merge does) they are ReportToProto of r.
func ReportParts(r *pose.Report) []*pb.CheckReport {
	whole := ReportToProto(r)
	findings, notes := whole.Findings, whole.Notes
	part := whole
	var out []*pb.CheckReport
	for {
		n := min(len(findings), partFindings)
		part.Findings, findings = findings[:n:n], findings[n:]
		n = min(len(notes), partFindings-n)
		part.Notes, notes = notes[:n:n], notes[n:]
		out = append(out, part)
		if len(findings)+len(notes) == 0 {
			return out
		}
		part = &pb.CheckReport{}
	}
}

// ReportFromProto is the inverse of ReportToProto.
func ReportFromProto(m *pb.CheckReport) *pose.Report {
	var layers []pose.LayerReport
	for _, l := range m.GetLayers() {
		layers = append(layers, pose.LayerReport{
			Layer: l.GetLayer(), Over: int(l.GetOver()), Dived: int(l.GetDived()), Cases: int(l.GetCases()), Avoidable: int(l.GetAvoidable()),
			Depth: l.GetDepth(), Pose: l.GetPose(),
		})
	}
	return &pose.Report{
		Layers: layers, Body: m.GetBody(), Garment: m.GetGarment(), Vertices: int(m.GetVertices()), Poses: int(m.GetPoses()), Idle: int(m.GetIdle()),
		Limits: limitsFromProto(m.GetLimits()), Findings: findingsFromProto(m.GetFindings()), Notes: findingsFromProto(m.GetNotes()), Remarks: m.GetRemarks(),
	}
}
