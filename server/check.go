package server

import (
	"context"
	"errors"
	"fmt"
	"sync"
	"time"

	"github.com/selvage/selvage/api/convert"
	pb "github.com/selvage/selvage/api/selvage/v1"
	"github.com/selvage/selvage/server/internal/sizing"
	"github.com/selvage/selvage/transfer"
	"github.com/selvage/selvage/transfer/gltfio"
	"github.com/selvage/selvage/transfer/pose"
	"google.golang.org/grpc"
)

// Bounds of one check: a full sweep of 500 joints has 12,000 poses; 50,000 findings
// take some 30 MB and mean that nothing of the garment fits.
const (
	maxPoses     = 20000
	maxFindings  = 50000
	maxPlanWords = 10000 // names and globs of joints
	maxSamples   = 10000
)

// Memory of a check by vertex and triangle, rounded up from measurements on the demo
// crew at 10k and 100k vertices: both surfaces with their edges, lines and rows, and
// for each thread the posed positions and what is worked out once a pose.
const (
	checkBodyVertexBytes      = 700
	checkBodyTriangleBytes    = 300
	checkGarmentVertexBytes   = 1200
	checkGarmentTriangleBytes = 200
	checkThreadBytes          = 500 // by vertex of either surface
)

// checkBodyBytes is what a body prepared for checks takes by estimate.
func checkBodyBytes(o sizing.Outline) int64 {
	return o.Vertices*checkBodyVertexBytes + o.Triangles*checkBodyTriangleBytes + o.Decoded + o.Size
}

// checkBytes is what the check of a garment takes by estimate.
func checkBytes(body, garment sizing.Outline, threads int) int64 {
	return garment.Vertices*checkGarmentVertexBytes + garment.Triangles*checkGarmentTriangleBytes + garment.Decoded + 3*garment.Size +
		int64(threads)*(body.Vertices+garment.Vertices)*checkThreadBytes
}

// checkOptions unpacks and bounds what a check is asked for.
func (s *Server) checkOptions(m *pb.CheckPosesRequest) (o pose.FileOptions, err error) {
	if o.Plan, err = convert.PlanFromProto(m.GetPlan(), "plan"); err != nil {
		return o, err
	}
	if err := checkPlan(o.Plan); err != nil {
		return o, err
	}
	if err := checkGlobs(m.GetBodyNames(), "body_names"); err != nil {
		return o, err
	}
	if err := checkGlobs(m.GetGarmentNames(), "garment_names"); err != nil {
		return o, err
	}
	o.Garment.Names = m.GetGarmentNames()
	if o.Samples = int(m.GetSamples()); o.Samples < 0 || o.Samples > maxSamples {
		return o, &convert.FieldError{Field: "samples", What: fmt.Sprintf("%d is outside 0..%d", o.Samples, maxSamples)}
	}
	if o.Threads = int(m.GetThreads()); o.Threads < 0 {
		return o, &convert.FieldError{Field: "threads", What: fmt.Sprintf("%d is negative", o.Threads)}
	}
	if o.Threads == 0 || o.Threads > s.config.MaxThreads {
		o.Threads = s.config.MaxThreads
	}
	rules := convert.JointMapFromProto(m.GetJointMap())
	if err := checkJointMap(rules, "joint_map"); err != nil {
		return o, err
	}
	o.Joints, err = transfer.Counterparts(rules)
	var option *transfer.OptionError
	if errors.As(err, &option) {
		return o, &convert.FieldError{Field: "joint_map", What: option.Reason}
	}
	o.MaxPoses = maxPoses
	return o, nil
}

// checkPlan bounds the words of a plan: each costs time for every joint, and the name
// of a pose room in every finding.
func checkPlan(p *pose.Plan) error {
	if p == nil {
		return nil
	}
	words := 0
	count := func(list []string, field string) error {
		if words += len(list); words > maxPlanWords {
			return &convert.FieldError{Field: field, What: fmt.Sprintf("the plan names joints more than %d times", maxPlanWords)}
		}
		for _, w := range list {
			if len(w) > 255 {
				return &convert.FieldError{Field: field, What: fmt.Sprintf("has a name of %d bytes, more than 255", len(w))}
			}
		}
		return nil
	}
	for name, list := range p.Groups {
		if err := count(append([]string{name}, list...), "plan.groups"); err != nil {
			return err
		}
	}
	for i := range p.Joints {
		if err := count(p.Joints[i].Joints, fmt.Sprintf("plan.joints[%d].joints", i)); err != nil {
			return err
		}
	}
	for i := range p.Poses {
		w := &p.Poses[i]
		if err := count([]string{w.Name}, fmt.Sprintf("plan.poses[%d].name", i)); err != nil {
			return err
		}
		for k := range w.Set {
			if err := count(w.Set[k].Joints, fmt.Sprintf("plan.poses[%d].set[%d].joints", i, k)); err != nil {
				return err
			}
		}
	}
	return nil
}

// checkFault turns the errors of package pose into those that have a status.
func checkFault(err error) error {
	var figure *pose.FigureError
	var many *pose.TooManyPosesError
	switch {
	case errors.As(err, &figure):
		return &gltfio.Error{File: figure.Figure, What: figure.What}
	case errors.As(err, &many):
		return &limitError{"max_poses", many.Error()}
	}
	return convert.PlanFault(err, "plan")
}

// checkBody returns the body of a source prepared for checks; the call holds a ticket
// that covers it.
func (s *Server) checkBody(ctx context.Context, x *source, names []string, threads int) (*pose.AssetBody, error) {
	b, hit, err := s.checked.Get(ctx, bodyKey(x, names), func() (*pose.AssetBody, int64, error) {
		a, err := s.readAsset(ctx, x)
		if err != nil {
			return nil, 0, err
		}
		b, err := pose.PrepareAsset(ctx, a, gltfio.Selection{Names: names}, threads)
		return b, checkBodyBytes(x.outline), err
	})
	s.metrics.body(hit)
	return b, err
}

// CheckPoses implements the method of the API.
func (s *Server) CheckPoses(m *pb.CheckPosesRequest, stream grpc.ServerStreamingServer[pb.CheckPosesResponse]) error {
	ctx, cancel := context.WithCancel(stream.Context())
	defer cancel()
	opt, err := s.checkOptions(m)
	if err != nil {
		return err
	}
	body, err := s.resolve(ctx, m.GetBody(), "body", "body")
	if err != nil {
		return err
	}
	garment, err := s.resolve(ctx, m.GetGarment(), "garment", "garment")
	if err != nil {
		return err
	}
	layers, err := s.resolveLayers(ctx, m.GetLayers(), body, garment)
	if err != nil {
		return err
	}
	need := checkBytes(body.outline, garment.outline, opt.Threads)
	for _, l := range layers {
		// A surface like the body's, and the garment's matches on it.
		need += checkBytes(l.outline, garment.outline, opt.Threads)
	}
	if !s.checked.Has(bodyKey(body, m.GetBodyNames())) {
		need += 2 * checkBodyBytes(body.outline)
	}
	t, err := s.admission.acquire(ctx, need)
	if err != nil {
		return err
	}
	defer t.release()

	out := newOutbox(ctx, cancel, s.config.IdleTime, stream.Send)
	report, err := s.checkPoses(ctx, body, m.GetBodyNames(), layers, garment, opt, out, m.GetOmitPoses())
	if err == nil {
		// The slot goes to the next call while this one's reader takes its time.
		t.done()
		for _, part := range convert.ReportParts(report) {
			out.add(&pb.CheckPosesResponse{Part: &pb.CheckPosesResponse_Report{Report: part}})
		}
	}
	e := out.close(err != nil)
	// Where sending failed it ended ctx, so that computing says nothing of why.
	if err == nil || errors.Is(err, context.Canceled) && e != nil {
		err = e
	}
	return checkFault(err)
}

// checkPoses computes; the caller holds a ticket.
func (s *Server) checkPoses(ctx context.Context, body *source, names []string, layers []*source, garment *source, opt pose.FileOptions, out *outbox, omitPoses bool) (*pose.Report, error) {
	b, err := s.checkBody(ctx, body, names, opt.Threads)
	if err != nil {
		return nil, err
	}
	g, err := s.readAsset(ctx, garment)
	if err != nil {
		return nil, err
	}
	if opt.Layers, err = s.readAll(ctx, layers); err != nil {
		return nil, err
	}
	k, err := b.Check(ctx, g, opt)
	if err != nil {
		return nil, err
	}
	total, done, found := int32(len(k.Poses())), int32(0), tally(0)
	out.progress(&pb.CheckProgress{Total: total})
	report, err := k.Run(ctx, func(r pose.Result) error {
		if err := found.add(&r); err != nil {
			return err
		}
		done++
		if !omitPoses {
			out.add(&pb.CheckPosesResponse{Part: &pb.CheckPosesResponse_Pose{Pose: convert.PoseResultToProto(&r)}})
		}
		out.progress(&pb.CheckProgress{Done: done, Total: total, Pose: r.Pose.Name})
		return nil
	})
	if err == nil {
		s.metrics.checked(report)
	}
	return report, err
}

// tally of the findings and notes of a check.
type tally int

// add counts those of one more pose. Error: *limitError beyond maxFindings.
func (n *tally) add(r *pose.Result) error {
	if *n += tally(len(r.Findings) + len(r.Notes)); *n > maxFindings {
		return &limitError{"max_findings", fmt.Sprintf("more than %d findings and notes: the limits are too narrow, or the garment is another body's", maxFindings)}
	}
	return nil
}

// checked counts a finished check.
func (m *metrics) checked(r *pose.Report) {
	m.poses.Add(float64(r.Poses))
	for _, list := range [][]pose.Finding{r.Findings, r.Notes} {
		for i := range list {
			m.findings.WithLabelValues(string(list[i].Kind)).Inc()
		}
	}
}

// outbox passes messages on to a stream in their order. Computing never waits for
// it: messages wait here, which the bounds on poses and findings keep few, and of
// progress only the latest.
type outbox struct {
	mu     sync.Mutex
	list   []*pb.CheckPosesResponse
	latest *pb.CheckProgress
	closed bool
	failed error

	wake  chan struct{} // holds one
	ended chan struct{}
}

// newOutbox starts an outbox. send is called from one goroutine until close returns;
// where it fails or takes longer than idle, cancel is called.
func newOutbox(ctx context.Context, cancel func(), idle time.Duration, send func(*pb.CheckPosesResponse) error) *outbox {
	o := &outbox{wake: make(chan struct{}, 1), ended: make(chan struct{})}
	go func() {
		defer close(o.ended)
		for {
			m, last := o.next()
			if m == nil && last {
				return
			}
			if m == nil {
				select {
				case <-o.wake:
					continue
				case <-ctx.Done():
					o.change(func() { o.failed = ctx.Err() })
					return
				}
			}
			if err := within(ctx, idle, func() error { return send(m) }); err != nil {
				o.change(func() { o.failed = err })
				cancel()
				return
			}
		}
	}()
	return o
}

// next takes the message to send, nil where there is none; last says that no more
// will come.
func (o *outbox) next() (m *pb.CheckPosesResponse, last bool) {
	o.mu.Lock()
	defer o.mu.Unlock()
	switch {
	case len(o.list) > 0:
		m, o.list = o.list[0], o.list[1:]
	case o.latest != nil:
		m = &pb.CheckPosesResponse{Part: &pb.CheckPosesResponse_Progress{Progress: o.latest}}
		o.latest = nil
	}
	return m, o.closed
}

// change runs f under the lock and wakes the sender.
func (o *outbox) change(f func()) {
	o.mu.Lock()
	f()
	o.mu.Unlock()
	select {
	case o.wake <- struct{}{}:
	default:
	}
}

// add appends a message.
func (o *outbox) add(m *pb.CheckPosesResponse) {
	o.change(func() {
		if m.GetReport() != nil {
			o.latest = nil // the report comes last
		}
		o.list = append(o.list, m)
	})
}

// progress replaces the progress that waits.
func (o *outbox) progress(p *pb.CheckProgress) { o.change(func() { o.latest = p }) }

// close waits until everything is sent, or with drop until nothing is any more. It
// returns the error of sending.
func (o *outbox) close(drop bool) error {
	o.change(func() {
		o.closed = true
		if drop {
			o.list, o.latest = nil, nil
		}
	})
	<-o.ended
	o.mu.Lock()
	defer o.mu.Unlock()
	return o.failed
}
