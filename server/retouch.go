package server

// Retouching: other weights for a skinned asset.

import (
	"context"
	"crypto/sha256"
	"errors"
	"fmt"

	"github.com/selvage/selvage/api/convert"
	pb "github.com/selvage/selvage/api/selvage/v1"
	"github.com/selvage/selvage/transfer/gltfio"
	"github.com/selvage/selvage/transfer/region"
	"github.com/selvage/selvage/transfer/retouch"
	"google.golang.org/grpc"
)

// retoucher implements the RetouchService.
type retoucher struct {
	pb.UnimplementedRetouchServiceServer
	s *Server
}

// maxPairs of joints in one request: as many as a skin may have.
const maxPairs = 1 << 16

// retouchRequest unpacks and bounds what a call asks for.
func (s *Server) retouchRequest(m *pb.RetouchAssetRequest) (r retouch.Request, err error) {
	if err := checkGlobs(m.GetMeshNames(), "mesh_names"); err != nil {
		return r, err
	}
	if err := checkGlobs(m.GetMask(), "mask"); err != nil { // each costs as much as one
		return r, err
	}
	if n := len(m.GetMirror().GetPairs()); n > maxPairs {
		return r, &convert.FieldError{Field: "mirror.pairs", What: fmt.Sprintf("has %d entries, more than %d", n, maxPairs)}
	}
	if r, err = convert.RetouchFromProto(m); err != nil {
		return r, err
	}
	if err := r.Validate(); err != nil {
		return r, err
	}
	if r.Threads == 0 || r.Threads > s.config.MaxThreads {
		r.Threads = s.config.MaxThreads
	}
	return r, nil
}

// retouchFault turns the errors of regions into those that have a status.
func retouchFault(err error) error {
	var spec *region.SpecError
	if errors.As(err, &spec) {
		return &convert.FieldError{Field: "mask", What: spec.Error()}
	}
	return err
}

// RetouchAsset implements the method of the API.
func (x *retoucher) RetouchAsset(m *pb.RetouchAssetRequest, stream grpc.ServerStreamingServer[pb.RetouchAssetResponse]) error {
	return retouchFault(x.s.retouchAsset(stream.Context(), m, stream.Send))
}

func (s *Server) retouchAsset(ctx context.Context, m *pb.RetouchAssetRequest, send func(*pb.RetouchAssetResponse) error) error {
	r, err := s.retouchRequest(m)
	if err != nil {
		return err
	}
	asset, err := s.resolve(ctx, m.GetAsset(), "asset", "asset")
	if err != nil {
		return err
	}
	// What a fill of everything takes is what the transfer's takes.
	need := asset.outline.GarmentBytes()
	var from *source
	if x := m.GetMirror().GetSource(); x != nil {
		if from, err = s.resolve(ctx, x, "mirror.source", "source"); err != nil {
			return err
		}
		need += 2 * from.outline.BodyBytes()
	}
	t, err := s.admission.acquire(ctx, need)
	if err != nil {
		return err
	}
	defer t.release()
	head, file, err := s.retouch(ctx, asset, from, r)
	if err != nil {
		return err
	}
	// The slot goes to the next call while this one's reader takes its time.
	t.done()
	within := func(part *pb.RetouchAssetResponse) error {
		return within(ctx, s.config.IdleTime, func() error { return send(part) })
	}
	if err := within(&pb.RetouchAssetResponse{Part: &pb.RetouchAssetResponse_Result{Result: head}}); err != nil {
		return err
	}
	for chunk := range chunks(file) {
		if err := within(&pb.RetouchAssetResponse{Part: &pb.RetouchAssetResponse_Content{Content: chunk}}); err != nil {
			return err
		}
	}
	return nil
}

// retouch computes; the caller holds a ticket.
func (s *Server) retouch(ctx context.Context, asset, from *source, r retouch.Request) (*pb.RetouchResult, []byte, error) {
	a, err := s.readAsset(ctx, asset)
	if err != nil {
		return nil, nil, err
	}
	var giver *gltfio.Asset
	if from != nil {
		if giver, err = s.readAsset(ctx, from); err != nil {
			return nil, nil, err
		}
	}
	out, sum, err := retouch.Run(ctx, a, giver, r)
	if err != nil {
		return nil, nil, err
	}
	head := &pb.RetouchResult{Summary: convert.RetouchSummaryToProto(sum), Unchanged: out == a}
	if head.Unchanged {
		return head, nil, nil
	}
	file := &hashedFile{sum: sha256.New()}
	if err := out.WithContext(ctx).Encode(file); err != nil {
		return nil, nil, err
	}
	head.SizeBytes, head.Sha256 = int64(file.Len()), file.sum.Sum(nil)
	return head, file.Bytes(), nil
}
