package client

import (
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"slices"

	"github.com/selvage/selvage/api/convert"
	pb "github.com/selvage/selvage/api/selvage/v1"
	"github.com/selvage/selvage/transfer"
	"github.com/selvage/selvage/transfer/weights"
	"google.golang.org/grpc"
	"google.golang.org/protobuf/proto"
)

var little = binary.LittleEndian

// ArraysResult is the answer to a transfer by arrays.
type ArraysResult struct {
	// Rows by garment vertex over Joints.
	Rows       *weights.Rows
	Joints     []string
	Confidence []float32
	Reason     []transfer.Reason
	Summary    transfer.Summary
}

// TransferArrays gives a garment a body's weights, both as arrays. layers are weighted
// garments worn beneath it, from the inside out. Positions, held rows and layers'
// rows travel as float32. garment.Kept must be nil. Progress is told where the arrays are
// too large for one message. Errors as Transfer's.
func (c *Client) TransferArrays(ctx context.Context, body *transfer.Body, garment *transfer.Garment, opt transfer.Options, layers ...transfer.Layer) (*ArraysResult, error) {
	if garment.Kept != nil {
		return nil, errors.New("kept rows of a garment do not travel: transfer by asset")
	}
	m := &pb.TransferArraysRequest{
		Body:    &pb.TransferArraysRequest_BodyArrays{BodyArrays: convert.BodyToProto(body)},
		Garment: convert.GarmentToProto(garment),
		Layers:  convert.LayersToProto(layers),
	}
	var err error
	if m.Options, err = convert.OptionsToProto(transfer.AssetOptions{Options: opt}); err != nil {
		return nil, err
	}
	small := int64(proto.Size(m)) <= min(c.info.GetLimits().GetMaxMessageBytes()/2, 16<<20) // its answer is no larger than what Dial lets in
	n := garment.Mesh.NumVertices()
	return attempt(ctx, c.retry, func() (*ArraysResult, error) {
		var r *pb.TransferArraysResponse
		var err error
		if small {
			r, err = c.api.TransferArrays(ctx, m)
		} else {
			r, err = c.streamArrays(ctx, m, opt.Progress)
		}
		if err != nil {
			return nil, err
		}
		return arraysResult(r, n)
	})
}

// arraysResult unpacks an answer for n vertices.
func arraysResult(r *pb.TransferArraysResponse, n int) (out *ArraysResult, err error) {
	out = &ArraysResult{Joints: r.GetResult().GetJoints(), Summary: convert.SummaryFromProto(r.GetResult().GetSummary())}
	if out.Rows, err = convert.RowsFromProto(r.GetRows(), n, len(out.Joints), "rows"); err != nil {
		return nil, err
	}
	if out.Confidence, err = convert.UnpackConfidence(r.GetConfidence()); err != nil {
		return nil, err
	}
	if out.Reason, err = convert.UnpackReasons(r.GetReasons()); err != nil {
		return nil, err
	}
	if len(out.Confidence) != n || len(out.Reason) != n {
		return nil, fmt.Errorf("the server answered for %d vertices, want %d", len(out.Confidence), n)
	}
	return out, nil
}

// requestFields are the arrays of a request that are sent in chunks.
var requestFields = []pb.ArrayField{
	pb.ArrayField_ARRAY_FIELD_BODY_POSITIONS, pb.ArrayField_ARRAY_FIELD_BODY_TRIANGLES, pb.ArrayField_ARRAY_FIELD_BODY_NORMALS,
	pb.ArrayField_ARRAY_FIELD_BODY_ROW_STARTS, pb.ArrayField_ARRAY_FIELD_BODY_ROW_JOINTS, pb.ArrayField_ARRAY_FIELD_BODY_ROW_WEIGHTS,
	pb.ArrayField_ARRAY_FIELD_GARMENT_POSITIONS, pb.ArrayField_ARRAY_FIELD_GARMENT_TRIANGLES, pb.ArrayField_ARRAY_FIELD_GARMENT_NORMALS,
	pb.ArrayField_ARRAY_FIELD_HELD_ROW_STARTS, pb.ArrayField_ARRAY_FIELD_HELD_ROW_JOINTS, pb.ArrayField_ARRAY_FIELD_HELD_ROW_WEIGHTS, pb.ArrayField_ARRAY_FIELD_LOCKED_VERTICES,
}

// layerFields are those of each layer.
var layerFields = []pb.ArrayField{
	pb.ArrayField_ARRAY_FIELD_LAYER_POSITIONS, pb.ArrayField_ARRAY_FIELD_LAYER_TRIANGLES, pb.ArrayField_ARRAY_FIELD_LAYER_NORMALS,
	pb.ArrayField_ARRAY_FIELD_LAYER_ROW_STARTS, pb.ArrayField_ARRAY_FIELD_LAYER_ROW_JOINTS, pb.ArrayField_ARRAY_FIELD_LAYER_ROW_WEIGHTS, pb.ArrayField_ARRAY_FIELD_LAYER_CONFIDENCE,
}

// streamArrays is one attempt in chunks. m is not changed.
func (c *Client) streamArrays(ctx context.Context, m *pb.TransferArraysRequest, progress func(transfer.Stage, float64)) (*pb.TransferArraysResponse, error) {
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	stream, err := c.api.StreamTransferArrays(ctx)
	if err != nil {
		return nil, err
	}
	if err := sendArrays(stream, m); err != nil && !errors.Is(err, io.EOF) {
		return nil, err
	} // after EOF Recv has the server's reason
	out := &pb.TransferArraysResponse{Rows: &pb.RowArrays{}}
	for part, err := range received(stream) {
		if err != nil {
			return nil, err
		}
		switch x := part.GetPart().(type) {
		case *pb.StreamTransferArraysResponse_Progress:
			if progress != nil {
				progress(transfer.Stage(x.Progress.GetStage()), x.Progress.GetDone())
			}
		case *pb.StreamTransferArraysResponse_Result:
			out.Result = x.Result
		case *pb.StreamTransferArraysResponse_Chunk:
			var to *[]byte
			switch x.Chunk.GetField() {
			case pb.ArrayField_ARRAY_FIELD_ROW_STARTS:
				to = &out.Rows.Starts
			case pb.ArrayField_ARRAY_FIELD_ROW_JOINTS:
				to = &out.Rows.Joints
			case pb.ArrayField_ARRAY_FIELD_ROW_WEIGHTS:
				to = &out.Rows.Weights
			case pb.ArrayField_ARRAY_FIELD_CONFIDENCE:
				to = &out.Confidence
			case pb.ArrayField_ARRAY_FIELD_REASONS:
				to = &out.Reasons
			default:
				return nil, fmt.Errorf("the server sent the unknown array %v", x.Chunk.GetField())
			}
			*to = append(*to, x.Chunk.GetData()...)
		}
	}
	return out, nil
}

// sendArrays sends a request: first all but the arrays, then those.
func sendArrays(stream grpc.BidiStreamingClient[pb.StreamTransferArraysRequest, pb.StreamTransferArraysResponse], m *pb.TransferArraysRequest) error {
	head := &pb.TransferArraysRequest{
		Options: m.GetOptions(),
		Garment: &pb.GarmentArrays{DisplayName: m.GetGarment().GetDisplayName(), Parts: m.GetGarment().GetParts(), Joints: m.GetGarment().GetJoints()},
	}
	for _, l := range m.GetLayers() {
		head.Layers = append(head.Layers, &pb.LayerArrays{DisplayName: l.GetDisplayName()})
	}
	if h := m.GetGarment().GetHeld(); h != nil {
		head.Garment.Held = &pb.HeldArrays{LockedJoints: h.GetLockedJoints()}
	}
	if b := m.GetBodyArrays(); b != nil {
		head.Body = &pb.TransferArraysRequest_BodyArrays{BodyArrays: &pb.BodyArrays{DisplayName: b.GetDisplayName(), Joints: b.GetJoints()}}
	} else {
		head.Body = m.GetBody()
	}
	if err := stream.Send(&pb.StreamTransferArraysRequest{Part: &pb.StreamTransferArraysRequest_Request{Request: head}}); err != nil {
		return err
	}
	send := func(f pb.ArrayField, layer int) error {
		from := convert.ArrayFieldOf(m, f, layer)
		if from == nil {
			return nil
		}
		for data := range slices.Chunk(*from, chunkBytes) {
			part := &pb.StreamTransferArraysRequest{Part: &pb.StreamTransferArraysRequest_Chunk{Chunk: &pb.ArrayChunk{Field: f, Layer: int32(layer), Data: data}}}
			if err := stream.Send(part); err != nil {
				return err
			}
		}
		return nil
	}
	held := m.GetGarment().GetHeld()
	for _, f := range requestFields {
		if held == nil && f >= pb.ArrayField_ARRAY_FIELD_HELD_ROW_STARTS {
			continue // asking for it would make the message
		}
		if err := send(f, 0); err != nil {
			return err
		}
	}
	for i := range m.GetLayers() {
		for _, f := range layerFields {
			if err := send(f, i); err != nil {
				return err
			}
		}
	}
	return stream.CloseSend()
}
