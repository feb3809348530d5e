package server

import (
	"context"
	"crypto/sha256"
	"fmt"
	"math"

	"github.com/selvage/selvage/api/convert"
	pb "github.com/selvage/selvage/api/selvage/v1"
	"github.com/selvage/selvage/server/internal/sizing"
	"github.com/selvage/selvage/transfer"
	"github.com/selvage/selvage/transfer/gltfio"
	"github.com/selvage/selvage/transfer/pass"
	"google.golang.org/grpc"
)

const (
	// recordFactor is what a record takes in memory by byte of its message, at most: a
	// vertex has 12 bytes of position and at the least one byte of a row, which may
	// unfold to 32 influences of 10 bytes.
	recordFactor = 26
	// maxDiffGarments of one difference.
	maxDiffGarments = 1000
	// maxRules of a policy.
	maxRules = 1000
	// maxAttribute is the longest name of an attribute, bytes.
	maxAttribute = 255
)

// recordOutline is the outline of a pass record: its size, and what it takes in
// memory.
func recordOutline(head []byte, size int64) (sizing.Outline, error) {
	raw, err := convert.PassSize(head, size)
	return sizing.Outline{Size: size, Decoded: raw * recordFactor}, err
}

// policy unpacks and bounds a policy.
func policy(m *pb.PassPolicy, field string, in *pass.Input) (err error) {
	if n := len(m.GetRules()); n > maxRules {
		return &convert.FieldError{Field: field + ".rules", What: fmt.Sprintf("has %d entries, more than %d", n, maxRules)}
	}
	if err := checkGlobs(m.GetLock(), field+".lock"); err != nil {
		return err
	}
	words := map[string]string{}
	for i, r := range m.GetRules() {
		at := fmt.Sprintf("%s.rules[%d].", field, i)
		words[at+"garment"], words[at+"joint"], words[at+"mask_attribute"] = r.GetGarment(), r.GetJoint(), r.GetMaskAttribute()
	}
	for name, w := range words {
		if len(w) > maxAttribute {
			return &convert.FieldError{Field: name, What: fmt.Sprintf("has %d bytes, more than %d", len(w), maxAttribute)}
		}
	}
	in.Policy, in.Lock, err = convert.PolicyFromProto(m, field)
	return err
}

// passCall is a pass that a call asks for, and what came of it.
type passCall struct {
	in              pass.Input
	current, record *source // nil: none

	packed  []byte // the new record
	summary pass.Summary
}

// resolvePass checks a pass; nil where none is asked for.
func (s *Server) resolvePass(ctx context.Context, m *pb.PassInput, body, garment *source) (*passCall, error) {
	if m == nil {
		return nil, nil
	}
	p := &passCall{in: pass.Input{Garment: garment.name, Guess: m.GetCurrentIsGuess(), Program: s.config.Version, GarmentSum: garment.id, BodySum: body.id}}
	if err := policy(m.GetPolicy(), "pass.policy", &p.in); err != nil {
		return nil, err
	}
	for _, x := range []struct {
		field string
		sum   []byte
		to    *[sha256.Size]byte
	}{{"garment_sha256", m.GetGarmentSha256(), &p.in.GarmentSum}, {"body_sha256", m.GetBodySha256(), &p.in.BodySum}} {
		switch len(x.sum) {
		case 0:
		case sha256.Size:
			copy(x.to[:], x.sum)
		default:
			return nil, &convert.FieldError{Field: "pass." + x.field, What: fmt.Sprintf("has %d bytes, want %d", len(x.sum), sha256.Size)}
		}
	}
	for _, x := range []struct {
		name string
		from *pb.AssetSource
		to   **source
	}{{"current", m.GetCurrent(), &p.current}, {"record", m.GetRecord(), &p.record}} {
		if x.from == nil {
			continue
		}
		var err error
		if *x.to, err = s.resolve(ctx, x.from, "pass."+x.name, x.name); err != nil {
			return nil, err
		}
	}
	return p, nil
}

// bytes that the pass takes beside the transfer, by estimate.
func (p *passCall) bytes() (n int64) {
	if p == nil {
		return 0
	}
	if p.current != nil {
		n += p.current.outline.GarmentBytes()
	}
	if p.record != nil {
		n += p.record.outline.Decoded + p.record.outline.Size
	}
	return n
}

// recordSize is the size and the sum of the new record; zero without a pass.
func (p *passCall) recordSize() (int64, []byte) {
	if p == nil {
		return 0, nil
	}
	sum := sha256.Sum256(p.packed)
	return int64(len(p.packed)), sum[:]
}

// readRecord reads a pass record.
func (s *Server) readRecord(ctx context.Context, x *source) (*pass.Record, error) {
	data := x.content
	if data == nil {
		var err error
		if data, err = s.store.read(ctx, x.id); err != nil {
			return nil, err
		}
	}
	r, err := convert.UnpackPass(data)
	if err != nil {
		return nil, err
	}
	if n := int64(r.Mesh.NumVertices()); n > s.config.MaxVertices {
		return nil, &limitError{"max_vertices", fmt.Sprintf("a record of %d vertices is more than %d", n, s.config.MaxVertices)}
	}
	return r, ctx.Err()
}

// load reads the pass's own input, so that its faults show before the transfer; the
// caller holds a ticket.
func (p *passCall) load(ctx context.Context, s *Server, opt transfer.AssetOptions) (err error) {
	if p == nil {
		return nil
	}
	p.in.Options = opt
	if p.record != nil {
		if p.in.Record, err = s.readRecord(ctx, p.record); err != nil {
			return err
		}
	}
	if p.current == nil {
		return nil
	}
	a, err := s.readAsset(ctx, p.current)
	if err != nil {
		return err
	}
	p.in.Current = a
	return nil
}

// run transfers with the edits that load has read; the caller holds a ticket.
func (p *passCall) run(ctx context.Context, body *transfer.AssetBody, garment *gltfio.Asset) (*gltfio.Asset, *transfer.Result, error) {
	p.in.From = garment
	if p.in.Current != nil {
		if err := p.in.OpenArtist(ctx, p.in.Current, garment); err != nil {
			return nil, nil, err
		}
	}
	out, packed, err := convert.TransferPass(ctx, body, p.in)
	if err != nil {
		return nil, nil, err
	}
	p.packed, p.summary = packed, out.Summary
	return out.Asset, out.Written(out.Given), nil
}

// MergePass implements the method of the API.
func (s *Server) MergePass(m *pb.MergePassRequest, stream grpc.ServerStreamingServer[pb.MergePassResponse]) error {
	ctx := stream.Context()
	threads, err := s.threads(m.GetThreads())
	if err != nil {
		return err
	}
	p := &passCall{in: pass.Input{Program: s.config.Version, JointMap: convert.JointMapFromProto(m.GetJointMap())}}
	if err := policy(m.GetPolicy(), "policy", &p.in); err != nil {
		return err
	}
	if err := checkJointMap(p.in.JointMap, "joint_map"); err != nil {
		return err
	}
	if err := checkGlobs(m.GetLockJoints(), "lock_joints"); err != nil {
		return err
	}
	p.in.LockJoints = m.GetLockJoints()
	if p.record, err = s.resolve(ctx, m.GetRecord(), "record", "record"); err != nil {
		return err
	}
	if p.current, err = s.resolve(ctx, m.GetCurrent(), "current", "current"); err != nil {
		return err
	}
	fresh, err := s.resolve(ctx, m.GetFresh(), "fresh", "garment")
	if err != nil {
		return err
	}
	t, err := s.admission.acquire(ctx, p.bytes()+fresh.outline.GarmentBytes())
	if err != nil {
		return err
	}
	defer t.release()
	file, err := s.mergePass(ctx, p, fresh, threads)
	if err != nil {
		return err
	}
	// The slot goes to the next call while this one's reader takes its time.
	t.done()

	send := func(part *pb.MergePassResponse) error {
		return within(ctx, s.config.IdleTime, func() error { return stream.Send(part) })
	}
	head := &pb.MergePassResult{SizeBytes: int64(file.Len()), Sha256: file.sum.Sum(nil)}
	head.RecordSizeBytes, head.RecordSha256 = p.recordSize()
	if err := send(&pb.MergePassResponse{Part: &pb.MergePassResponse_Result{Result: head}}); err != nil {
		return err
	}
	for chunk := range chunks(file.Bytes()) {
		if err := send(&pb.MergePassResponse{Part: &pb.MergePassResponse_Content{Content: chunk}}); err != nil {
			return err
		}
	}
	for _, part := range convert.PassSummaryParts(&p.summary) {
		if err := send(&pb.MergePassResponse{Part: &pb.MergePassResponse_Summary{Summary: part}}); err != nil {
			return err
		}
	}
	for chunk := range chunks(p.packed) {
		if err := send(&pb.MergePassResponse{Part: &pb.MergePassResponse_Record{Record: chunk}}); err != nil {
			return err
		}
	}
	return nil
}

// mergePass computes; the caller holds a ticket.
func (s *Server) mergePass(ctx context.Context, p *passCall, fresh *source, threads int) (*hashedFile, error) {
	var err error
	if p.in.Record, err = s.readRecord(ctx, p.record); err != nil {
		return nil, err
	}
	p.in.OfRecord(threads)
	if p.in.Current, err = s.readAsset(ctx, p.current); err != nil {
		return nil, err
	}
	if p.in.New, err = s.readAsset(ctx, fresh); err != nil {
		return nil, err
	}
	out, err := pass.RunFiles(ctx, p.in)
	if err != nil {
		return nil, err
	}
	p.summary = out.Summary
	if p.packed, err = convert.PackPass(out.Record); err != nil {
		return nil, err
	}
	return encode(ctx, out.Asset)
}

// threads of a call: those asked for, within what the server gives one.
func (s *Server) threads(asked int32) (int, error) {
	n := int(asked)
	if n < 0 {
		return 0, &convert.FieldError{Field: "threads", What: fmt.Sprintf("%d is negative", n)}
	}
	if n == 0 || n > s.config.MaxThreads {
		n = s.config.MaxThreads
	}
	return n, nil
}

// DiffRows implements the method of the API.
func (s *Server) DiffRows(m *pb.DiffRowsRequest, stream grpc.ServerStreamingServer[pb.DiffRowsResponse]) error {
	ctx := stream.Context()
	opt := pass.DiffOptions{Change: m.GetChange()}
	var err error
	if opt.Threads, err = s.threads(m.GetThreads()); err != nil {
		return err
	}
	if err := checkGlobs(m.GetMeshNames(), "mesh_names"); err != nil {
		return err
	}
	switch {
	case !(opt.Change >= 0 && opt.Change <= 2):
		return &convert.FieldError{Field: "change", What: fmt.Sprintf("%g is outside 0..2", opt.Change)}
	case !(m.GetReach() >= 0) || math.IsInf(m.GetReach(), 0):
		return &convert.FieldError{Field: "reach", What: fmt.Sprintf("%g is not a distance in metres", m.GetReach())}
	case len(m.GetGarments()) > maxDiffGarments:
		return &convert.FieldError{Field: "garments", What: fmt.Sprintf("has %d entries, more than %d", len(m.GetGarments()), maxDiffGarments)}
	}
	before, err := s.resolve(ctx, m.GetBefore(), "before", "before")
	if err != nil {
		return err
	}
	after, err := s.resolve(ctx, m.GetAfter(), "after", "after")
	if err != nil {
		return err
	}
	need := before.outline.GarmentBytes() + after.outline.GarmentBytes()
	garments := make([]*source, len(m.GetGarments()))
	for i, g := range m.GetGarments() {
		if garments[i], err = s.resolve(ctx, g, fmt.Sprintf("garments[%d]", i), "garment"); err != nil {
			return err
		}
		need += garments[i].outline.InspectBytes()
	}
	t, err := s.admission.acquire(ctx, need)
	if err != nil {
		return err
	}
	defer t.release()
	parts, err := s.diffRows(ctx, before, after, garments, gltfio.Selection{Names: m.GetMeshNames()}, opt, m.GetReach(), m.GetVertexL1())
	if err != nil {
		return err
	}
	t.done()
	for _, part := range parts {
		if err := within(ctx, s.config.IdleTime, func() error { return stream.Send(&pb.DiffRowsResponse{Difference: part}) }); err != nil {
			return err
		}
	}
	return nil
}

// diffRows computes; the caller holds a ticket.
func (s *Server) diffRows(ctx context.Context, before, after *source, garments []*source, sel gltfio.Selection, opt pass.DiffOptions, reach float64, vertices bool) ([]*pb.RowsDifference, error) {
	var both [2]*pass.Surface
	for k, x := range []*source{before, after} {
		a, err := s.readAsset(ctx, x)
		if err != nil {
			return nil, err
		}
		if both[k], _, err = pass.ReadSurface(ctx, a, sel); err != nil {
			return nil, err
		}
	}
	c, err := pass.Diff(ctx, both[0], both[1], opt)
	if err != nil || len(garments) == 0 {
		return convert.DifferenceParts(c, nil, nil, vertices), err
	}
	list, index := make([]*pass.Surface, len(garments)), map[string]int{}
	for i, x := range garments {
		a, err := s.readAsset(ctx, x)
		if err != nil {
			return nil, err
		}
		if list[i], err = pass.ReadWorn(ctx, a); err != nil {
			return nil, err
		}
		list[i].Name = fmt.Sprint(i) // names may be equal
		index[list[i].Name] = i
	}
	touches, err := pass.Touches(ctx, c, both[1], list, opt.Change, reach, opt.Threads)
	return convert.DifferenceParts(c, touches, func(t *pass.Touch) int { return index[t.Garment] }, vertices), err
}
