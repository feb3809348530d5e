package convert

import (
	"encoding/json"
	"math"
	"reflect"
	"strings"
	"testing"

	pb "github.com/selvage/selvage/api/selvage/v1"
	"github.com/selvage/selvage/transfer/pose"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
)

// filled is a value with every exported field set.
func filled[T any](t *testing.T) (v T, paths string) {
	t.Helper()
	var list []string
	fill(reflect.ValueOf(&v).Elem(), reflect.TypeFor[T]().Name(), new(int), &list)
	return v, strings.Join(list, " ")
}

// allFields is protoFields for a message and all below it.
func allFields(t *testing.T, m proto.Message) {
	t.Helper()
	protoFields(t, m)
	m.ProtoReflect().Range(func(f protoreflect.FieldDescriptor, v protoreflect.Value) bool {
		switch {
		case f.Kind() != protoreflect.MessageKind:
		case f.IsMap():
			v.Map().Range(func(_ protoreflect.MapKey, x protoreflect.Value) bool {
				allFields(t, x.Message().Interface())
				return true
			})
		case f.IsList():
			for i := range v.List().Len() {
				allFields(t, v.List().Get(i).Message().Interface())
			}
		default:
			allFields(t, v.Message().Interface())
		}
		return true
	})
}

// overWire is m as the other end gets it.
func overWire[M proto.Message](t *testing.T, m, into M) M {
	t.Helper()
	data, err := proto.Marshal(m)
	if err != nil {
		t.Fatal(err)
	}
	if err := proto.Unmarshal(data, into); err != nil {
		t.Fatal(err)
	}
	return into
}

func TestPlan_RoundTripOfEveryField(t *testing.T) {
	p, paths := filled[pose.Plan](t)
	// Numbers that the plan allows.
	for i := range p.Joints {
		p.Joints[i].Range = pose.AxisRanges{X: &[2]float64{-1, 2}, Y: &[2]float64{-3, 4}, Z: &[2]float64{-5, 6}}
		a, b, c := 0.25, 0.5, 0.75
		p.Joints[i].Importance = pose.AxisNumbers{X: &a, Y: &b, Z: &c}
	}
	for i := range p.Poses {
		x := 0.125 * float64(i+1)
		p.Poses[i].Importance = &x
	}
	m := PlanToProto(&p)
	allFields(t, m)
	back, err := PlanFromProto(overWire(t, m, &pb.CheckPlan{}), "plan")
	if err != nil {
		t.Fatal(err)
	}
	if !reflect.DeepEqual(back, &p) {
		t.Errorf("after the round trip:\n%+v\nwant\n%+v\nfields %s", back, &p, paths)
	}
}

// Missing and empty are two things on both sides.
func TestPlan_MissingAndEmpty(t *testing.T) {
	for name, p := range map[string]*pose.Plan{
		"nothing": {}, "no turns": {Angles: []float64{}}, "no scale": {Scale: []float64{}}, "no move": {Move: new(float64)},
		"rule": {Joints: []pose.JointRule{{Joints: []string{"a"}, Angles: []float64{}}, {Joints: []string{"b"}, Importance: pose.AxisNumbers{Y: new(float64)}}}},
		"pose": {Poses: []pose.WholePose{{Name: "a", Importance: new(float64), Set: []pose.JointChange{{Joints: []string{"a"}, Scale: &[3]float64{1, 1, 1}}}}}},
	} {
		back, err := PlanFromProto(overWire(t, PlanToProto(p), &pb.CheckPlan{}), "plan")
		if err != nil || !reflect.DeepEqual(back, p) {
			t.Errorf("%s: %+v, %v; want %+v", name, back, err, p)
		}
	}
	if p, err := PlanFromProto(nil, "plan"); p != nil || err != nil || PlanToProto(nil) != nil {
		t.Errorf("no plan: %v, %v", p, err)
	}
}

func TestPlanFromProto_Faults(t *testing.T) {
	set := func(c *pb.JointChange) *pb.CheckPlan {
		return &pb.CheckPlan{Poses: []*pb.WholePose{{Name: "a", Set: []*pb.JointChange{c}}}}
	}
	for _, c := range []struct {
		name, field string
		m           *pb.CheckPlan
	}{
		{"angle", "plan.angles[1]", &pb.CheckPlan{Angles: &pb.Numbers{Values: []float64{1, 181}}}},
		{"move", "plan.move", &pb.CheckPlan{Move: proto.Float64(math.Inf(1))}},
		{"scale", "plan.scale[0]", &pb.CheckPlan{Scale: &pb.Numbers{Values: []float64{0}}}},
		{"rule of no joint", "plan.joints[0]", &pb.CheckPlan{Joints: []*pb.JointRule{{}}}},
		{"range", "plan.joints[0].range.y", &pb.CheckPlan{Joints: []*pb.JointRule{{Joints: []string{"a"}, Range: &pb.AxisRanges{Y: &pb.AngleRange{Low: 1, High: 2}}}}}},
		{"limit", "plan.limits.body_turned", &pb.CheckPlan{Limits: &pb.CheckLimits{BodyTurned: -1}}},
		{"limit that is no number", "plan.limits.gap", &pb.CheckPlan{Limits: &pb.CheckLimits{Gap: math.NaN()}}},
		{"turn", "plan.poses[0].set[0].turn", set(&pb.JointChange{Joints: []string{"a"}, Turn: []float64{1}})},
		{"translation", "plan.poses[0].set[0].move", set(&pb.JointChange{Joints: []string{"a"}, Move: []float64{1, 2, 3, 4}})},
		{"factors", "plan.poses[0].set[0].scale", set(&pb.JointChange{Joints: []string{"a"}, Scale: []float64{1, -2, 3}})},
		{"missing pose", "plan.poses[0]", &pb.CheckPlan{Poses: []*pb.WholePose{nil}}},
	} {
		t.Run(c.name, func(t *testing.T) {
			_, err := PlanFromProto(c.m, "plan")
			if e, ok := err.(*FieldError); !ok || e.Field != c.field {
				t.Errorf("error %v, want one of field %s", err, c.field)
			}
		})
	}
}

// words puts words that the API knows where fill has put any.
func words(list []pose.Finding) {
	for i := range list {
		list[i].Kind, list[i].Pose.Change, list[i].Place.Surface = pose.InfluencesCut, pose.Move, "body"
	}
}

func TestPoseResult_RoundTripOfEveryField(t *testing.T) {
	r, paths := filled[pose.Result](t)
	r.Pose.Change = pose.Scale
	words(r.Findings)
	words(r.Notes)
	m := PoseResultToProto(&r)
	allFields(t, m)
	if back := PoseResultFromProto(overWire(t, m, &pb.PoseResult{})); !reflect.DeepEqual(back, r) {
		t.Errorf("after the round trip:\n%+v\nwant\n%+v\nfields %s", back, r, paths)
	}
	idle := pose.Result{Pose: pose.Pose{Name: "a", Change: pose.Whole}}
	if back := PoseResultFromProto(overWire(t, PoseResultToProto(&idle), &pb.PoseResult{})); !reflect.DeepEqual(back, idle) {
		t.Errorf("an idle pose: %+v, want %+v", back, idle)
	}
}

func TestReport_RoundTripOfEveryField(t *testing.T) {
	r, paths := filled[pose.Report](t)
	words(r.Findings)
	words(r.Notes)
	r.Findings[0].Size = math.Copysign(0, -1) // its sign shows in JSON
	m := ReportToProto(&r)
	back := ReportFromProto(overWire(t, m, &pb.CheckReport{}))
	x, _ := json.Marshal(&r)
	if y, _ := json.Marshal(back); !reflect.DeepEqual(back, &r) || string(x) != string(y) {
		t.Errorf("after the round trip:\n%s\nwant\n%s\nfields %s", y, x, paths)
	}
	r.Findings[0].Size = 1
	allFields(t, ReportToProto(&r))
	// Nothing found is an empty list in JSON, here and there.
	empty := pose.Report{Findings: []pose.Finding{}, Notes: []pose.Finding{}}
	want, _ := json.Marshal(&empty)
	got, _ := json.Marshal(ReportFromProto(overWire(t, ReportToProto(&empty), &pb.CheckReport{})))
	if string(got) != string(want) {
		t.Errorf("an empty report: %s, want %s", got, want)
	}
}

// Parts are small, and merged they are the report.
func TestReportParts(t *testing.T) {
	for _, c := range []struct{ findings, notes, parts int }{{0, 0, 1}, {3, 4, 1}, {2500, 0, 1}, {2499, 2, 2}, {2500, 1, 2}, {6000, 6000, 5}} {
		r := pose.Report{Body: "b", Poses: 7, Limits: pose.Limits{Gap: 1}, Findings: make([]pose.Finding, c.findings), Notes: make([]pose.Finding, c.notes)}
		for i := range r.Findings {
			r.Findings[i].Size = float64(i)
		}
		for i := range r.Notes {
			r.Notes[i].Sentence = strings.Repeat("n", 150)
		}
		parts := ReportParts(&r)
		if len(parts) != c.parts {
			t.Errorf("%d findings, %d notes: %d parts, want %d", c.findings, c.notes, len(parts), c.parts)
		}
		var merged pb.CheckReport
		for _, p := range parts {
			if n := proto.Size(p); n > 2<<20 {
				t.Errorf("a part of %d bytes", n)
			}
			proto.Merge(&merged, p)
		}
		if !proto.Equal(&merged, ReportToProto(&r)) {
			t.Errorf("%d findings, %d notes: the merged parts are another report", c.findings, c.notes)
		}
	}
}

// TestCheck_WordsHaveAllValues: every value that the API defines has a word of the
// core's, and each kind and limit of the core a value.
func TestCheck_WordsHaveAllValues(t *testing.T) {
	for v, name := range pb.FindingKind_name {
		k := kinds.from(pb.FindingKind(v))
		if (k == "") != (v == 0) || v != 0 && int32(kinds.to(k)) != v {
			t.Errorf("%s is %q", name, k)
		}
		fault := v <= int32(pb.FindingKind_FINDING_KIND_CROSSING) || v == int32(pb.FindingKind_FINDING_KIND_DIVE)
		if v != 0 && k.IsNote() == fault {
			t.Errorf("%s: note: %v", name, k.IsNote())
		}
	}
	for _, k := range pose.Kinds() {
		if kinds.to(k) == 0 {
			t.Errorf("kind %q has no value", k)
		}
	}
	for v, name := range pb.PoseChange_name {
		if c := changes.from(pb.PoseChange(v)); (c == "") != (v == 0) {
			t.Errorf("%s is %q", name, c)
		}
	}
	for v, name := range pb.CheckedSurface_name {
		if c := surfaces.from(pb.CheckedSurface(v)); (c == "") != (v == 0) {
			t.Errorf("%s is %q", name, c)
		}
	}
}

// FuzzCheckPlan decodes plans of any bytes: what passes is valid.
func FuzzCheckPlan(f *testing.F) {
	good, err := proto.Marshal(PlanToProto(&pose.Plan{Angles: []float64{30}, Poses: []pose.WholePose{{Name: "a", Set: []pose.JointChange{{Joints: []string{"b"}, Turn: [3]float64{1, 2, 3}}}}}}))
	if err != nil {
		f.Fatal(err)
	}
	f.Add(good)
	f.Fuzz(func(t *testing.T, data []byte) {
		var m pb.CheckPlan
		if proto.Unmarshal(data, &m) != nil {
			return
		}
		p, err := PlanFromProto(&m, "plan")
		if err != nil {
			if _, ok := err.(*FieldError); !ok {
				t.Errorf("%T: %v", err, err)
			}
			return
		}
		if err := p.Validate(); err != nil {
			t.Errorf("passed: %v", err)
		}
	})
}
