package convert

// Edits by hand: policies, summaries, differences of rows.

import (
	"fmt"
	"maps"
	"slices"

	pb "github.com/selvage/selvage/api/selvage/v1"
	"github.com/selvage/selvage/transfer/pass"
)

// choices in the order of pass.Choice.
var choices = []pb.ConflictChoice{
	pass.KeepEdit:   pb.ConflictChoice_CONFLICT_CHOICE_KEEP_EDIT,
	pass.KeepChange: pb.ConflictChoice_CONFLICT_CHOICE_KEEP_CHANGE,
	pass.TakeNew:    pb.ConflictChoice_CONFLICT_CHOICE_TAKE_NEW,
}

// PolicyToProto returns the message of a policy and the regions of locked
// vertices; nil where both are zero. The masks of its rules travel by their
// attributes' names alone. It fails with *FieldError for a choice that has no name.
func PolicyToProto(p *pass.Policy, lock []string) (*pb.PassPolicy, error) {
	m := &pb.PassPolicy{Lock: lock}
	var err error
	if p.Default != pass.KeepEdit { // unset is the default: one policy has one message
		if m.OnConflict, err = toEnum(choices, p.Default, "policy.on_conflict"); err != nil {
			return nil, err
		}
	}
	for i, r := range p.Rules {
		x := &pb.ConflictRule{Garment: r.Garment, Joint: r.Joint, MaskAttribute: r.MaskAttribute}
		if x.Choice, err = toEnum(choices, r.Choice, fmt.Sprintf("policy.rules[%d].choice", i)); err != nil {
			return nil, err
		}
		m.Rules = append(m.Rules, x)
	}
	if m.OnConflict == 0 && m.Rules == nil && len(m.Lock) == 0 {
		return nil, nil
	}
	return m, nil
}

// PolicyFromProto is the inverse of PolicyToProto. Its faults are *FieldError.
func PolicyFromProto(m *pb.PassPolicy, field string) (p pass.Policy, lock []string, err error) {
	if p.Default, err = fromEnum[pass.Choice](choices, m.GetOnConflict(), field+".on_conflict"); err != nil {
		return p, nil, err
	}
	for i, x := range m.GetRules() {
		r := pass.Rule{Garment: x.GetGarment(), Joint: x.GetJoint(), MaskAttribute: x.GetMaskAttribute()}
		if r.Choice, err = fromEnum[pass.Choice](choices, x.GetChoice(), fmt.Sprintf("%s.rules[%d].choice", field, i)); err != nil {
			return p, nil, err
		}
		p.Rules = append(p.Rules, r)
	}
	if err := p.Validate(); err != nil {
		return p, nil, fault(field, "%v", err)
	}
	return p, m.GetLock(), nil
}

// choiceOf is the message's value of a choice's word.
func choiceOf(word string) pb.ConflictChoice {
	c, err := pass.ParseChoice(word)
	if err != nil {
		return pb.ConflictChoice_CONFLICT_CHOICE_UNSPECIFIED
	}
	return choices[c]
}

// PassSummaryToProto returns the message of s.
func PassSummaryToProto(s *pass.Summary) *pb.PassSummary {
	m := &pb.PassSummary{
		Garment: s.Garment, Vertices: clamp32(s.Vertices), First: s.First, Edited: clamp32(s.Edited), NewEdits: clamp32(s.New), Undone: clamp32(s.Undone),
		Kept: clamp32(s.Kept), Carried: clamp32(s.Carried), Agreed: clamp32(s.Agreed), Conflict: clamp32(s.Conflict), Locked: clamp32(s.Locked), Notes: s.Notes,
	}
	for _, c := range s.Conflicts {
		m.Conflicts = append(m.Conflicts, &pb.RowConflict{Vertex: clamp32(c.Vertex), Edit: c.Edit, Moved: c.Moved, Joint: c.Joint, Choice: choiceOf(c.Choice)})
	}
	if s.Dropped != nil {
		m.Dropped = map[string]int32{}
		for why, n := range s.Dropped {
			m.Dropped[why] = clamp32(n)
		}
	}
	return m
}

// partRows is how many entries one part of a summary or difference holds: about
// 1 MiB where names are long.
const partRows = 2000

// PassSummaryParts returns the message of s in parts, see proto.Merge.
func PassSummaryParts(s *pass.Summary) []*pb.PassSummary {
	whole := PassSummaryToProto(s)
	rest := whole.Conflicts
	whole.Conflicts = nil
	out := []*pb.PassSummary{whole}
	for list := range slices.Chunk(rest, partRows) {
		if last := out[len(out)-1]; last.Conflicts == nil {
			last.Conflicts = list
		} else {
			out = append(out, &pb.PassSummary{Conflicts: list})
		}
	}
	return out
}

// PassSummaryFromProto is the inverse of PassSummaryToProto.
func PassSummaryFromProto(m *pb.PassSummary) pass.Summary {
	s := pass.Summary{
		Garment: m.GetGarment(), Vertices: int(m.GetVertices()), First: m.GetFirst(), Edited: int(m.GetEdited()), New: int(m.GetNewEdits()), Undone: int(m.GetUndone()),
		Kept: int(m.GetKept()), Carried: int(m.GetCarried()), Agreed: int(m.GetAgreed()), Conflict: int(m.GetConflict()), Locked: int(m.GetLocked()), Notes: m.GetNotes(),
	}
	for _, c := range m.GetConflicts() {
		choice, err := fromEnum[pass.Choice](choices, c.GetChoice(), "choice")
		word := choice.String()
		if err != nil {
			word = c.GetChoice().String() // of a later version
		}
		s.Conflicts = append(s.Conflicts, pass.Conflict{Vertex: int(c.GetVertex()), Edit: c.GetEdit(), Moved: c.GetMoved(), Joint: c.GetJoint(), Choice: word})
	}
	if m.GetDropped() != nil {
		s.Dropped = map[string]int{}
		for _, why := range slices.Sorted(maps.Keys(m.GetDropped())) {
			s.Dropped[why] = int(m.GetDropped()[why])
		}
	}
	return s
}

func weightChanges(list []pass.JointChange) []*pb.WeightChange {
	var out []*pb.WeightChange
	for _, j := range list {
		out = append(out, &pb.WeightChange{Joint: j.Joint, Change: j.Change, Absolute: j.Absolute, Largest: j.Largest})
	}
	return out
}

func jointChanges(list []*pb.WeightChange) []pass.JointChange {
	var out []pass.JointChange
	for _, j := range list {
		out = append(out, pass.JointChange{Joint: j.GetJoint(), Change: j.GetChange(), Absolute: j.GetAbsolute(), Largest: j.GetLargest()})
	}
	return out
}

// DifferenceParts returns the message of c, and of what it touches, in parts: merged
// (the lists appended, as proto.Merge does) they are the whole. index gives the
// place of each touch's garment in the request. The names of the two surfaces do
// not travel, and c.L1 only where vertices says so.
func DifferenceParts(c *pass.Comparison, touches []pass.Touch, index func(*pass.Touch) int, vertices bool) []*pb.RowsDifference {
	head := &pb.RowsDifference{
		Vertices: clamp32(c.Vertices), Changed: clamp32(c.Changed), ByIndex: c.ByIndex, Unmatched: clamp32(c.Unmatched), MaxL1: c.MaxL1, MeanL1: c.MeanL1,
	}
	out := []*pb.RowsDifference{head}
	room := partRows
	// part is the message that takes one more entry.
	part := func() *pb.RowsDifference {
		if room == 0 {
			out, room = append(out, &pb.RowsDifference{}), partRows
		}
		room--
		return out[len(out)-1]
	}
	for _, m := range c.Meshes {
		p := part()
		p.Meshes = append(p.Meshes, &pb.MeshDifference{Mesh: m.Mesh, Vertices: clamp32(m.Vertices), Changed: clamp32(m.Changed), MaxL1: m.MaxL1, MeanL1: m.MeanL1, Amount: m.Amount})
	}
	for i := range c.Places {
		x := &c.Places[i]
		p := part()
		p.Places = append(p.Places, &pb.PlaceDifference{
			Mesh: x.Mesh, Vertices: clamp32(x.Vertices), Centre: x.Centre[:], Size: x.Size, MaxL1: x.MaxL1, MeanL1: x.MeanL1,
			Worst: clamp32(x.Worst), Amount: x.Amount, Gaining: weightChanges(x.Gaining), Losing: weightChanges(x.Losing),
		})
	}
	for _, j := range weightChanges(c.Joints) {
		p := part()
		p.Joints = append(p.Joints, j)
	}
	for _, name := range c.JointsAdded {
		p := part()
		p.JointsAdded = append(p.JointsAdded, name)
	}
	for _, name := range c.JointsRemoved {
		p := part()
		p.JointsRemoved = append(p.JointsRemoved, name)
	}
	for i := range touches {
		x := &touches[i]
		p := part()
		p.Garments = append(p.Garments, &pb.GarmentTouch{
			Index: clamp32(index(x)), Vertices: clamp32(x.Vertices), Over: clamp32(x.Over), OverShare: x.OverShare, MaxL1: x.MaxL1,
			JointShare: x.JointShare, Joints: x.Joints, Touched: x.Touched,
		})
	}
	if vertices {
		for list := range slices.Chunk(c.L1, partNumbers) {
			out = append(out, &pb.RowsDifference{VertexL1: list})
		}
	}
	return out
}

// partNumbers of 8 bytes make a part of 1 MiB.
const partNumbers = 1 << 17

// DifferenceFromProto is the inverse of DifferenceParts; before and after name the
// two surfaces, and garment the garments by index.
func DifferenceFromProto(m *pb.RowsDifference, before, after string, garment func(i int) string) (*pass.Comparison, []pass.Touch) {
	c := &pass.Comparison{
		Old: before, New: after, Vertices: int(m.GetVertices()), Changed: int(m.GetChanged()), ByIndex: m.GetByIndex(), Unmatched: int(m.GetUnmatched()),
		MaxL1: m.GetMaxL1(), MeanL1: m.GetMeanL1(), Joints: jointChanges(m.GetJoints()), JointsAdded: m.GetJointsAdded(), JointsRemoved: m.GetJointsRemoved(),
		L1: m.GetVertexL1(),
	}
	for _, x := range m.GetMeshes() {
		c.Meshes = append(c.Meshes, pass.MeshChange{Mesh: x.GetMesh(), Vertices: int(x.GetVertices()), Changed: int(x.GetChanged()), MaxL1: x.GetMaxL1(), MeanL1: x.GetMeanL1(), Amount: x.GetAmount()})
	}
	for _, x := range m.GetPlaces() {
		p := pass.PlaceChange{
			Mesh: x.GetMesh(), Vertices: int(x.GetVertices()), Size: x.GetSize(), MaxL1: x.GetMaxL1(), MeanL1: x.GetMeanL1(),
			Worst: int(x.GetWorst()), Amount: x.GetAmount(), Gaining: jointChanges(x.GetGaining()), Losing: jointChanges(x.GetLosing()),
		}
		copy(p.Centre[:], x.GetCentre())
		c.Places = append(c.Places, p)
	}
	var touches []pass.Touch
	for _, x := range m.GetGarments() {
		touches = append(touches, pass.Touch{
			Garment: garment(int(x.GetIndex())), Vertices: int(x.GetVertices()), Over: int(x.GetOver()), OverShare: x.GetOverShare(), MaxL1: x.GetMaxL1(),
			JointShare: x.GetJointShare(), Joints: x.GetJoints(), Touched: x.GetTouched(),
		})
	}
	return c, touches
}
