package convert

// Retouching: requests and summaries.

import (
	pb "github.com/selvage/selvage/api/selvage/v1"
	"github.com/selvage/selvage/transfer"
	"github.com/selvage/selvage/transfer/gltfio"
	"github.com/selvage/selvage/transfer/retouch"
)

var (
	mirrorSides = []pb.MirrorSide{pb.MirrorSide_MIRROR_SIDE_LEFT, pb.MirrorSide_MIRROR_SIDE_RIGHT}
	mirrorAxes  = []pb.MirrorAxis{pb.MirrorAxis_MIRROR_AXIS_X, pb.MirrorAxis_MIRROR_AXIS_Y, pb.MirrorAxis_MIRROR_AXIS_Z}
)

// RetouchToProto returns the message of a request, without its assets. Errors:
// *FieldError for a value that has no message's.
func RetouchToProto(r retouch.Request) (m *pb.RetouchAssetRequest, err error) {
	m = &pb.RetouchAssetRequest{MeshNames: r.Meshes.Names, Mask: r.Mask, MaxInfluences: clamp32(r.MaxInfluences), Threads: clamp32(r.Threads)}
	switch {
	case r.Fill != nil:
		x := &pb.FillOperation{}
		x.Energy, err = toEnum(fills, r.Fill.Energy, "fill.energy")
		m.Operation = &pb.RetouchAssetRequest_Fill{Fill: x}
	case r.Mirror != nil:
		x := &pb.MirrorOperation{From: mirrorSides[0], Tolerance: r.Mirror.Tolerance, Plane: r.Mirror.Plane, AllowDoubtful: r.Mirror.AllowDoubtful}
		if r.Mirror.FromRight {
			x.From = mirrorSides[1]
		}
		x.Axis, err = toEnum(mirrorAxes, r.Mirror.Axis, "mirror.axis")
		for _, p := range r.Mirror.Pairs {
			x.Pairs = append(x.Pairs, &pb.JointNamePair{Joint: p[0], Other: p[1]})
		}
		m.Operation = &pb.RetouchAssetRequest_Mirror{Mirror: x}
	case r.Even != nil:
		m.Operation = &pb.RetouchAssetRequest_Even{Even: &pb.EvenOperation{FirstJoint: r.Even.Joints[0], SecondJoint: r.Even.Joints[1]}}
	case r.Smooth != nil:
		m.Operation = &pb.RetouchAssetRequest_Smooth{Smooth: &pb.SmoothOperation{Strength: r.Smooth.Strength, Passes: clamp32(r.Smooth.Passes)}}
	case r.Tidy != nil:
		m.Operation = &pb.RetouchAssetRequest_Tidy{Tidy: &pb.TidyOperation{PruneBelow: r.Tidy.PruneBelow}}
	}
	return m, err
}

// RetouchFromProto is the inverse of RetouchToProto. Errors: *FieldError for an
// operation that is missing and values that are not in their enum; what else may be
// wrong the request's own Validate says.
func RetouchFromProto(m *pb.RetouchAssetRequest) (r retouch.Request, err error) {
	r = retouch.Request{Meshes: gltfio.Selection{Names: m.GetMeshNames()}, Mask: m.GetMask(), MaxInfluences: int(m.GetMaxInfluences()), Threads: int(m.GetThreads())}
	switch x := m.GetOperation().(type) {
	case *pb.RetouchAssetRequest_Fill:
		r.Fill = &retouch.FillRequest{}
		r.Fill.Energy, err = fromEnum[transfer.Fill](fills, x.Fill.GetEnergy(), "fill.energy")
	case *pb.RetouchAssetRequest_Mirror:
		r.Mirror = &retouch.MirrorOptions{Tolerance: x.Mirror.GetTolerance(), AllowDoubtful: x.Mirror.GetAllowDoubtful()}
		if x.Mirror != nil {
			r.Mirror.Plane = x.Mirror.Plane
		}
		side, e := fromEnum[int](mirrorSides, x.Mirror.GetFrom(), "mirror.from")
		if e != nil {
			return r, e
		}
		r.Mirror.FromRight = side == 1
		r.Mirror.Axis, err = fromEnum[int](mirrorAxes, x.Mirror.GetAxis(), "mirror.axis")
		for _, p := range x.Mirror.GetPairs() {
			r.Mirror.Pairs = append(r.Mirror.Pairs, [2]string{p.GetJoint(), p.GetOther()})
		}
	case *pb.RetouchAssetRequest_Even:
		r.Even = &retouch.EvenRequest{Joints: [2]string{x.Even.GetFirstJoint(), x.Even.GetSecondJoint()}}
	case *pb.RetouchAssetRequest_Smooth:
		r.Smooth = &retouch.SmoothOptions{Strength: x.Smooth.GetStrength(), Passes: int(x.Smooth.GetPasses())}
	case *pb.RetouchAssetRequest_Tidy:
		r.Tidy = &retouch.TidyOptions{PruneBelow: x.Tidy.GetPruneBelow()}
	default:
		return r, fault("operation", "is missing")
	}
	return r, err
}

// RetouchSummaryToProto returns the message of a summary.
func RetouchSummaryToProto(s *retouch.Summary) *pb.RetouchSummary {
	m := &pb.RetouchSummary{
		Asset: s.Asset, Operation: s.Operation, Vertices: int32(s.Vertices), Changed: int32(s.Changed), MaxL1: s.MaxL1, MeanL1: s.MeanL1, Notes: s.Notes,
	}
	switch {
	case s.Fill != nil:
		m.Report = &pb.RetouchSummary_Fill{Fill: &pb.FillReport{Region: int32(s.Fill.Region), Unreached: int32(s.Fill.Unreached), Clamped: int32(s.Fill.Clamped), Overshoot: s.Fill.Overshoot, Lost: lostToProto(s.Fill.Lost), Riders: ridersToProto(s.Fill.Riders)}}
	case s.Mirror != nil:
		x := s.Mirror
		y := &pb.MirrorReport{
			Axis: x.Axis, Plane: x.Plane, From: x.From, Copied: int32(x.Copied), Middle: int32(x.Middle),
			Farthest: x.Farthest, Mean: x.Mean, Far: int32(x.Far), Doubtful: int32(x.Doubtful), InBindPose: x.InBindPose,
		}
		for _, p := range x.Pairs {
			y.Pairs = append(y.Pairs, &pb.MirrorPair{Joint: p.Joint, Other: p.Other, By: p.By, Distance: p.Distance, Doubt: p.Doubt})
		}
		for _, l := range x.Left {
			y.Left = append(y.Left, &pb.LeftOver{Vertices: int32(l.Vertices), At: l.At[:], Joint: l.Joint, Distance: l.Distance})
		}
		m.Report = &pb.RetouchSummary_Mirror{Mirror: y}
	case s.Even != nil:
		x := s.Even
		m.Report = &pb.RetouchSummary_Even{Even: &pb.EvenReport{
			Pair: int32(x.Pair), Length: x.Length, Before: x.Before, After: x.After, Largest: x.Largest, Already: x.Already, Full: int32(x.Full),
		}}
	case s.Smooth != nil:
		m.Report = &pb.RetouchSummary_Smooth{Smooth: &pb.SmoothReport{Region: int32(s.Smooth.Region), Length: s.Smooth.Length, Passes: int32(s.Smooth.Passes), Riders: ridersToProto(s.Smooth.Riders)}}
	case s.Tidy != nil:
		x := s.Tidy
		m.Report = &pb.RetouchSummary_Tidy{Tidy: &pb.TidyReport{
			NotFinite: int32(x.NotFinite), Zero: int32(x.Zero), Negative: int32(x.Negative), Sum: int32(x.Sum), Twice: int32(x.Twice), Pruned: int32(x.Pruned),
			Limited: int32(x.Limited), Cleared: int32(x.Cleared), Seams: int32(x.Seams), Places: int32(x.Places), Filled: int32(x.Filled),
		}}
	}
	return m
}

// RetouchSummaryFromProto is the inverse of RetouchSummaryToProto.
func RetouchSummaryFromProto(m *pb.RetouchSummary) *retouch.Summary {
	s := &retouch.Summary{
		Asset: m.GetAsset(), Operation: m.GetOperation(), Vertices: int(m.GetVertices()), Changed: int(m.GetChanged()), MaxL1: m.GetMaxL1(), MeanL1: m.GetMeanL1(), Notes: m.GetNotes(),
	}
	switch r := m.GetReport().(type) {
	case *pb.RetouchSummary_Fill:
		s.Fill = &retouch.FillReport{Region: int(r.Fill.GetRegion()), Unreached: int(r.Fill.GetUnreached()), Clamped: int(r.Fill.GetClamped()), Overshoot: r.Fill.GetOvershoot(), Lost: lostFromProto(r.Fill.GetLost()), Riders: ridersFromProto(r.Fill.GetRiders())}
	case *pb.RetouchSummary_Mirror:
		x := r.Mirror
		s.Mirror = &retouch.MirrorReport{
			Axis: x.GetAxis(), Plane: x.GetPlane(), From: x.GetFrom(), Copied: int(x.GetCopied()), Middle: int(x.GetMiddle()),
			Farthest: x.GetFarthest(), Mean: x.GetMean(), Far: int(x.GetFar()), Doubtful: int(x.GetDoubtful()), InBindPose: x.GetInBindPose(),
		}
		for _, p := range x.GetPairs() {
			s.Mirror.Pairs = append(s.Mirror.Pairs, retouch.Pair{Joint: p.GetJoint(), Other: p.GetOther(), By: p.GetBy(), Distance: p.GetDistance(), Doubt: p.GetDoubt()})
		}
		for _, l := range x.GetLeft() {
			one := retouch.LeftOver{Vertices: int(l.GetVertices()), Joint: l.GetJoint(), Distance: l.GetDistance()}
			copy(one.At[:], l.GetAt())
			s.Mirror.Left = append(s.Mirror.Left, one)
		}
	case *pb.RetouchSummary_Even:
		x := r.Even
		s.Even = &retouch.EvenReport{
			Pair: int(x.GetPair()), Length: x.GetLength(), Before: x.GetBefore(), After: x.GetAfter(), Largest: x.GetLargest(), Already: x.GetAlready(), Full: int(x.GetFull()),
		}
	case *pb.RetouchSummary_Smooth:
		s.Smooth = &retouch.SmoothReport{Region: int(r.Smooth.GetRegion()), Length: r.Smooth.GetLength(), Passes: int(r.Smooth.GetPasses()), Riders: ridersFromProto(r.Smooth.GetRiders())}
	case *pb.RetouchSummary_Tidy:
		x := r.Tidy
		s.Tidy = &retouch.TidyReport{
			NotFinite: int(x.GetNotFinite()), Zero: int(x.GetZero()), Negative: int(x.GetNegative()), Sum: int(x.GetSum()), Twice: int(x.GetTwice()), Pruned: int(x.GetPruned()),
			Limited: int(x.GetLimited()), Cleared: int(x.GetCleared()), Seams: int(x.GetSeams()), Places: int(x.GetPlaces()), Filled: int(x.GetFilled()),
		}
	}
	return s
}

func lostToProto(list []retouch.LostJoint) (out []*pb.LostJoint) {
	for _, l := range list {
		out = append(out, &pb.LostJoint{Joint: l.Joint, Vertices: int32(l.Vertices), Share: l.Share})
	}
	return out
}

func lostFromProto(list []*pb.LostJoint) (out []retouch.LostJoint) {
	for _, l := range list {
		out = append(out, retouch.LostJoint{Joint: l.GetJoint(), Vertices: int(l.GetVertices()), Share: l.GetShare()})
	}
	return out
}

func ridersToProto(r retouch.RiderReport) *pb.Riders {
	return &pb.Riders{Followed: int32(r.Followed), Stayed: int32(r.Stayed)}
}

func ridersFromProto(m *pb.Riders) retouch.RiderReport {
	return retouch.RiderReport{Followed: int(m.GetFollowed()), Stayed: int(m.GetStayed())}
}
