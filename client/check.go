package client

import (
	"context"
	"errors"
	"math"

	"github.com/selvage/selvage/api/convert"
	pb "github.com/selvage/selvage/api/selvage/v1"
	"github.com/selvage/selvage/transfer"
	"github.com/selvage/selvage/transfer/pose"
	"google.golang.org/protobuf/proto"
)

// CheckRequest asks for the check of one weighted garment in motion.
type CheckRequest struct {
	Body, Garment *Asset
	// BodyNames are globs of node, mesh or material names that are the body. Empty:
	// every skinned mesh of its scene.
	BodyNames []string
	// GarmentNames are globs of those that are the garment. Empty: every mesh of its
	// scene.
	GarmentNames []string
	// Layers are weighted garments worn beneath, in order from the inside out: the
	// garment must not go under what it lies over.
	Layers []*Asset
	// JointMap says what the garment and the layers call the body's joints: the rules that
	// they were transferred with. Empty: joints go by name.
	JointMap []transfer.JointRule
	// Plan of poses and limits. Nil: the default sweep.
	Plan *pose.Plan
	// Samples is how many moments of each animation are checked too.
	Samples int
	// Threads of the server. Zero: as many as it gives.
	Threads int
	// Progress, where not nil, is told how many poses of all are done, and the name of
	// the last. Calls may be left out.
	Progress func(done, total int, name string)
	// Each, where not nil, is given the result of every pose, in their order. An error
	// of it ends the check and is returned as it is. Where the check is tried again it
	// starts with the first pose again.
	Each func(pose.Result) error
}

// Check poses the garment and its body and returns the report that the same check has
// in process. Progress and Each are called from the goroutine that called Check. What
// is uploaded, and errors, are as with Transfer; a plan's fault is the server's
// INVALID_ARGUMENT.
func (c *Client) Check(ctx context.Context, r CheckRequest) (*pose.Report, error) {
	if r.Body == nil || r.Garment == nil {
		return nil, errors.New("a check needs a body and a garment")
	}
	uploads := []*Asset{r.Body}
	if !c.fits(r.Garment) {
		uploads = append(uploads, r.Garment)
	}
	uploads = append(uploads, r.Layers...)
	m := &pb.CheckPosesRequest{
		Layers: c.layers(r.Layers),
		Body:   c.source(r.Body, false), Garment: c.source(r.Garment, true), BodyNames: r.BodyNames, GarmentNames: r.GarmentNames,
		Plan: convert.PlanToProto(r.Plan), Samples: clamp32(r.Samples), Threads: clamp32(r.Threads), OmitPoses: r.Each == nil,
		JointMap: convert.JointMapToProto(r.JointMap),
	}
	return attempt(ctx, c.retry, func() (*pose.Report, error) {
		return withUploads(ctx, c, uploads, func() (*pose.Report, error) { return c.check(ctx, m, r) })
	})
}

// clamp32 is n where it fits in 32 bits, else the nearest number that does: the server
// says what is wrong with it.
func clamp32(n int) int32 { return int32(min(max(n, math.MinInt32), math.MaxInt32)) }

func (c *Client) check(ctx context.Context, m *pb.CheckPosesRequest, r CheckRequest) (*pose.Report, error) {
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	stream, err := c.api.CheckPoses(ctx, m)
	if err != nil {
		return nil, err
	}
	var report *pb.CheckReport
	for part, err := range received(stream) {
		if err != nil {
			return nil, err
		}
		switch x := part.GetPart().(type) {
		case *pb.CheckPosesResponse_Progress:
			if r.Progress != nil {
				r.Progress(int(x.Progress.GetDone()), int(x.Progress.GetTotal()), x.Progress.GetPose())
			}
		case *pb.CheckPosesResponse_Pose:
			if r.Each != nil {
				if err := r.Each(convert.PoseResultFromProto(x.Pose)); err != nil {
					return nil, err
				}
			}
		case *pb.CheckPosesResponse_Report:
			if report == nil {
				report = x.Report
			} else {
				proto.Merge(report, x.Report) // goes on with the lists
			}
		}
	}
	if report == nil {
		return nil, errors.New("the server's answer is not whole")
	}
	return convert.ReportFromProto(report), nil
}
