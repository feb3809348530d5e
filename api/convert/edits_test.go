package convert

import (
	"errors"
	"fmt"
	"reflect"
	"slices"
	"testing"

	pb "github.com/selvage/selvage/api/selvage/v1"
	"github.com/selvage/selvage/transfer/pass"
	"google.golang.org/protobuf/proto"
)

func TestPolicy_RoundTripOfEveryField(t *testing.T) {
	var p pass.Policy
	fill(reflect.ValueOf(&p).Elem(), "Policy", new(int), new([]string))
	p.Default = pass.TakeNew
	for i := range p.Rules {
		p.Rules[i].Choice, p.Rules[i].Mask = pass.KeepChange, nil // masks travel by name
	}
	held := []string{"_HELD", "near:hand_*:0.02"}
	m, err := PolicyToProto(&p, held)
	if err != nil {
		t.Fatal(err)
	}
	protoFields(t, m)
	back, lock, err := PolicyFromProto(m, "policy")
	if err != nil || !slices.Equal(lock, held) || !reflect.DeepEqual(back, p) {
		t.Errorf("after the round trip %+v %q %v, want %+v", back, lock, err, p)
	}
	if m, err := PolicyToProto(&pass.Policy{}, nil); m != nil || err != nil {
		t.Errorf("the zero policy is %v, %v", m, err)
	}
	if back, lock, err := PolicyFromProto(nil, "policy"); err != nil || lock != nil || !reflect.DeepEqual(back, pass.Policy{}) {
		t.Errorf("nothing is %+v %q %v", back, lock, err)
	}
	var wrong *FieldError
	for name, m := range map[string]*pb.PassPolicy{
		"choice": {OnConflict: 9}, "rule": {Rules: []*pb.ConflictRule{{Choice: -1}}}, "pattern": {Rules: []*pb.ConflictRule{{Joint: "["}}},
	} {
		if _, _, err := PolicyFromProto(m, "policy"); !errors.As(err, &wrong) {
			t.Errorf("%s: %v", name, err)
		}
	}
	for c := range pb.ConflictChoice_name {
		if _, _, err := PolicyFromProto(&pb.PassPolicy{OnConflict: pb.ConflictChoice(c)}, "policy"); err != nil {
			t.Errorf("choice %d: %v", c, err)
		}
	}
}

func TestPassSummary_RoundTripOfEveryField(t *testing.T) {
	var s pass.Summary
	fill(reflect.ValueOf(&s).Elem(), "Summary", new(int), new([]string))
	s.Conflicts = nil
	for i := range 2*partRows + 7 { // several parts
		s.Conflicts = append(s.Conflicts, pass.Conflict{Vertex: i, Edit: 0.25, Moved: 0.5, Joint: fmt.Sprint("joint ", i), Choice: pass.ChoiceNames[i%len(pass.ChoiceNames)]})
	}
	parts := PassSummaryParts(&s)
	if len(parts) != 3 {
		t.Errorf("%d parts", len(parts))
	}
	whole := &pb.PassSummary{}
	for _, p := range parts {
		if n := proto.Size(p); n > 1<<20 {
			t.Errorf("a part has %d bytes", n)
		}
		proto.Merge(whole, p)
	}
	protoFields(t, whole)
	protoFields(t, whole.Conflicts[1])
	if back := PassSummaryFromProto(whole); !reflect.DeepEqual(back, s) {
		t.Errorf("after the round trip:\n%+v\nwant\n%+v", back, s)
	}
	if back := PassSummaryFromProto(PassSummaryToProto(&pass.Summary{})); !reflect.DeepEqual(back, pass.Summary{}) {
		t.Errorf("the zero summary is %+v", back)
	}
}

func TestDifference_RoundTripOfEveryField(t *testing.T) {
	var c pass.Comparison
	var touches []pass.Touch
	fill(reflect.ValueOf(&c).Elem(), "Comparison", new(int), new([]string))
	fill(reflect.ValueOf(&touches).Elem(), "touches", new(int), new([]string))
	for len(c.L1) <= 2*partNumbers {
		c.L1 = append(c.L1, c.L1...)
	}
	for len(c.Places) <= partRows {
		c.Places = append(c.Places, c.Places...)
	}
	index := map[string]int{touches[0].Garment: 1, touches[1].Garment: 0}
	parts := DifferenceParts(&c, touches, func(x *pass.Touch) int { return index[x.Garment] }, true)
	if len(parts) < 5 {
		t.Errorf("%d parts", len(parts))
	}
	whole := &pb.RowsDifference{}
	for _, p := range parts {
		if n := proto.Size(p); n > 1<<20+1<<10 {
			t.Errorf("a part has %d bytes", n)
		}
		proto.Merge(whole, p)
	}
	protoFields(t, whole)
	protoFields(t, whole.Places[0])
	protoFields(t, whole.Meshes[0])
	protoFields(t, whole.Garments[0])
	back, again := DifferenceFromProto(whole, c.Old, c.New, func(i int) string { return touches[1-i].Garment })
	if !reflect.DeepEqual(*back, c) || !reflect.DeepEqual(again, touches) {
		t.Error("the round trip changes something")
	}
	if parts := DifferenceParts(&c, nil, nil, false); parts[len(parts)-1].VertexL1 != nil {
		t.Error("changes of vertices travel unasked")
	}
}
