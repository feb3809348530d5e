package server_test

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"io"
	"reflect"
	"slices"
	"strings"
	"testing"

	"github.com/selvage/selvage/api/convert"
	pb "github.com/selvage/selvage/api/selvage/v1"
	"github.com/selvage/selvage/server"
	"github.com/selvage/selvage/transfer"
	"github.com/selvage/selvage/transfer/crew"
	"github.com/selvage/selvage/transfer/mesh"
	"github.com/selvage/selvage/transfer/skinning"
	"github.com/selvage/selvage/transfer/weights"
	"gonum.org/v1/gonum/spatial/r3"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
)

// round rounds to float32, as arrays travel, so that both sides see the same.
func round(m *mesh.Mesh) *mesh.Mesh {
	f := func(list []r3.Vec) []r3.Vec {
		out := slices.Clone(list)
		for i, p := range out {
			out[i] = r3.Vec{X: float64(float32(p.X)), Y: float64(float32(p.Y)), Z: float64(float32(p.Z))}
		}
		return out
	}
	return &mesh.Mesh{Positions: f(m.Positions), Normals: f(m.Normals), Triangles: m.Triangles}
}

func roundRows(r *weights.Rows) *weights.Rows {
	out := &weights.Rows{Start: r.Start, Joint: r.Joint, Weight: slices.Clone(r.Weight)}
	for i, w := range out.Weight {
		out.Weight[i] = float64(float32(w))
	}
	return out
}

// crewArrays are the mate and a garment as arrays.
func crewArrays(name string, density float64) (*transfer.Body, *transfer.Garment) {
	b := crew.NewBody("mate")
	g := b.GarmentAt(name, density)
	return &transfer.Body{Name: "mate", Mesh: round(b.Mesh), Rows: roundRows(b.Rows), Skin: b.Skin},
		&transfer.Garment{Name: name, Mesh: round(g.Mesh)}
}

// TestTransferArrays_SameAsInProcess goes by one message and by chunks.
func TestTransferArrays_SameAsInProcess(t *testing.T) {
	for _, c := range []struct {
		name  string
		limit int64 // of a message: small ones force chunks
	}{{"one message", 64 << 20}, {"in chunks", 2 << 20}} {
		t.Run(c.name, func(t *testing.T) {
			s := start(t, server.Config{Admin: "127.0.0.1:0", MaxMessageBytes: c.limit})
			client := dial(t, s.addr)
			body, garment := crewArrays("gloves", 1)
			opt := transfer.Options{MaxInfluences: 5, Format: weights.Uint8}
			want, err := transfer.Transfer(t.Context(), body, garment, opt)
			if err != nil {
				t.Fatal(err)
			}
			told := 0
			opt.Progress = func(transfer.Stage, float64) { told++ }
			garment.Held = nil
			for round := range 3 { // the second time the body is prepared already, the third some rows are locked
				if round == 2 {
					garment.Held = &transfer.Held{Rows: roundRows(want.Rows), Locked: make([]bool, garment.Mesh.NumVertices()), Joints: make([]bool, len(body.Skin.Joints))}
					for v := range garment.Held.Locked {
						garment.Held.Locked[v] = v%7 == 0
					}
					garment.Held.Joints[5] = true
					opt.Format = weights.Float32
					here := opt
					here.Progress = nil
					if want, err = transfer.Transfer(t.Context(), body, garment, here); err != nil {
						t.Fatal(err)
					}
				}
				got, err := client.TransferArrays(t.Context(), body, garment, opt)
				if err != nil {
					t.Fatal(err)
				}
				if want := roundRows(want.Rows); !reflect.DeepEqual(got.Rows, want) {
					t.Error("rows differ from those in process")
				}
				if !slices.Equal(got.Confidence, want.Confidence) || !slices.Equal(got.Reason, want.Reason) {
					t.Error("confidence or reasons differ from those in process")
				}
				if len(got.Joints) != len(body.Skin.Joints) || got.Joints[3] != body.Skin.Joints[3].Name || got.Summary.Matched != want.Summary.Matched {
					t.Errorf("%d joints, summary %+v", len(got.Joints), got.Summary)
				}
			}
			if (told > 0) != (c.name == "in chunks") {
				t.Errorf("progress was told %d times", told)
			}
			if v := metric(t, s, `selvage_prepared_bodies_total{result="hit"}`); v != "2" {
				t.Errorf("the prepared body was used %s times, want twice", v)
			}
			idle(t, s)
		})
	}
}

// TestTransferArrays_Layers: a coat over a jersey, and on a skin of its own, gets the rows
// that it gets in process, by one message and by chunks.
func TestTransferArrays_Layers(t *testing.T) {
	body, coat := crewArrays("oilskin coat", 0.3)
	_, jersey := crewArrays("jersey", 0.3)
	under, err := transfer.Transfer(t.Context(), body, jersey, transfer.Options{})
	if err != nil {
		t.Fatal(err)
	}
	layer := transfer.Layer{Name: "jersey", Mesh: jersey.Mesh, Rows: roundRows(under.Rows), Confidence: under.Confidence}
	source, err := transfer.Prepare(t.Context(), body, 0)
	if err != nil {
		t.Fatal(err)
	}
	over, err := source.WithLayers(t.Context(), []transfer.Layer{layer}, 0)
	if err != nil {
		t.Fatal(err)
	}
	own := &skinning.Skin{Joints: slices.Clone(body.Skin.Joints)} // the body's joints back to front, without their twists
	slices.Reverse(own.Joints)
	for i := range own.Joints {
		if p := &own.Joints[i].Parent; *p >= 0 {
			*p = len(own.Joints) - 1 - *p
		}
		own.Joints[i].Name = strings.Replace(own.Joints[i].Name, "_twist", "_helper", 1)
	}
	for _, c := range []struct {
		name  string
		limit int64
		skin  *skinning.Skin
	}{{"one message", 64 << 20, nil}, {"in chunks", 2 << 20, nil}, {"own joints", 64 << 20, own}, {"own joints in chunks", 2 << 20, own}} {
		t.Run(c.name, func(t *testing.T) {
			s := start(t, server.Config{MaxMessageBytes: c.limit})
			coat.Skin = c.skin
			want, err := over.Transfer(t.Context(), coat, transfer.Options{})
			if err != nil {
				t.Fatal(err)
			}
			got, err := dial(t, s.addr).TransferArrays(t.Context(), body, coat, transfer.Options{}, layer)
			if err != nil {
				t.Fatal(err)
			}
			if want := roundRows(want.Rows); !reflect.DeepEqual(got.Rows, want) {
				t.Error("rows differ from those in process")
			}
			if from := got.Summary.TakenFrom; len(from) != 2 || from[1].Name != "jersey" || from[1].Vertices == 0 || !slices.Equal(from, want.Summary.TakenFrom) {
				t.Errorf("taken from %v, want %v", from, want.Summary.TakenFrom)
			}
			if c.skin != nil && (got.Joints[0] != own.Joints[0].Name || len(got.Joints) != len(own.Joints)) {
				t.Errorf("joints %v", got.Joints)
			}
		})
	}
}

// TestTransferArrays_UploadedBody takes the body from an asset.
func TestTransferArrays_UploadedBody(t *testing.T) {
	w := theWardrobe()
	s := start(t, server.Config{})
	c := dial(t, s.addr)
	a, err := c.Upload(t.Context(), w.bodyAsset())
	if err != nil {
		t.Fatal(err)
	}
	_, garment := crewArrays("gloves", 1)
	x := w.prepared.Surface()
	want, err := transfer.Transfer(t.Context(), &transfer.Body{Name: "body", Mesh: x.Mesh, Rows: x.Rows, Skin: x.Skin}, garment, transfer.Options{})
	if err != nil {
		t.Fatal(err)
	}
	api, _ := raw(t, s.addr)
	r, err := api.TransferArrays(t.Context(), &pb.TransferArraysRequest{
		Body: &pb.TransferArraysRequest_BodyAsset{BodyAsset: a.Name}, Garment: convert.GarmentToProto(garment),
	})
	if err != nil {
		t.Fatal(err)
	}
	got, err := convert.RowsFromProto(r.Rows, garment.Mesh.NumVertices(), len(r.Result.Joints), "rows")
	if err != nil || !reflect.DeepEqual(got, roundRows(want.Rows)) {
		t.Errorf("rows differ from those in process, %v", err)
	}
}

func TestTransferArrays_Refusals(t *testing.T) {
	s := start(t, server.Config{MaxVertices: 30000, MaxAssetBytes: 4 << 20, StoreBytes: 8 << 20})
	api, _ := raw(t, s.addr)
	body, garment := crewArrays("gloves", 0.3)
	good := func() *pb.TransferArraysRequest {
		return &pb.TransferArraysRequest{
			Body:    &pb.TransferArraysRequest_BodyArrays{BodyArrays: convert.BodyToProto(body)},
			Garment: convert.GarmentToProto(garment),
		}
	}
	for _, c := range []struct {
		name   string
		spoil  func(m *pb.TransferArraysRequest)
		code   codes.Code
		reason string
	}{
		{"no body", func(m *pb.TransferArraysRequest) { m.Body = nil }, codes.InvalidArgument, "FIELD_INVALID"},
		{"no garment", func(m *pb.TransferArraysRequest) { m.Garment = nil }, codes.InvalidArgument, "FIELD_INVALID"},
		{"for assets alone", func(m *pb.TransferArraysRequest) { m.Options = &pb.Options{KeepJoints: []string{"*"}} }, codes.InvalidArgument, "FIELD_INVALID"},
		{"a skin for assets alone", func(m *pb.TransferArraysRequest) { m.Options = &pb.Options{Skin: pb.OutputSkin_OUTPUT_SKIN_OWN} }, codes.InvalidArgument, "FIELD_INVALID"},
		{"a joint map to nowhere", func(m *pb.TransferArraysRequest) {
			m.Options = &pb.Options{JointMap: []*pb.JointMapRule{{From: "*", To: "nowhere"}}}
		}, codes.InvalidArgument, "OPTION_INVALID"},
		{"too many rules for joints", func(m *pb.TransferArraysRequest) {
			m.Options = &pb.Options{JointMap: slices.Repeat([]*pb.JointMapRule{{From: "a", To: "b"}}, 1001)}
		}, codes.InvalidArgument, "FIELD_INVALID"},
		{"locks without rows", func(m *pb.TransferArraysRequest) { m.Garment.Held = &pb.HeldArrays{LockedVertices: []byte{1}} }, codes.InvalidArgument, "FIELD_INVALID"},
		{"locked row of another sum", func(m *pb.TransferArraysRequest) {
			n := len(m.Garment.Mesh.Positions) / 12
			m.Garment.Held = &pb.HeldArrays{Rows: &pb.RowArrays{Starts: make([]byte, 4*(n+1))}, LockedVertices: slices.Repeat([]byte{1}, n)}
		}, codes.InvalidArgument, "ROWS_INVALID"},
		{"a layer without rows", func(m *pb.TransferArraysRequest) {
			m.Layers = []*pb.LayerArrays{{Mesh: m.GetBodyArrays().GetMesh()}}
		}, codes.InvalidArgument, "FIELD_INVALID"},
		{"a layer's confidence of another length", func(m *pb.TransferArraysRequest) {
			m.Layers = []*pb.LayerArrays{{Mesh: m.GetBodyArrays().GetMesh(), Rows: m.GetBodyArrays().GetRows(), Confidence: make([]byte, 4)}}
		}, codes.InvalidArgument, "FIELD_INVALID"},
		{"too many layers", func(m *pb.TransferArraysRequest) { m.Layers = slices.Repeat([]*pb.LayerArrays{{}}, 65) }, codes.InvalidArgument, "FIELD_INVALID"},
		{"own joints in a ring", func(m *pb.TransferArraysRequest) { m.Garment.Joints = []*pb.Joint{{Parent: 1}, {Parent: 0}} }, codes.InvalidArgument, "FIELD_INVALID"},
		{"regions", func(m *pb.TransferArraysRequest) { m.Options = &pb.Options{Lock: []string{"mesh:*"}} }, codes.InvalidArgument, "FIELD_INVALID"},
		{"part outside", func(m *pb.TransferArraysRequest) { m.Garment.Parts = []*pb.GarmentPart{{End: 1 << 30}} }, codes.InvalidArgument, "FIELD_INVALID"},
		{"no usable row", func(m *pb.TransferArraysRequest) { clear(m.GetBodyArrays().Rows.Weights) }, codes.InvalidArgument, "BODY_WITHOUT_WEIGHTS"},
		{"too many vertices", func(m *pb.TransferArraysRequest) { m.Garment.Mesh.Positions = make([]byte, 12*30001) }, codes.ResourceExhausted, "OVER_LIMIT"},
		{"unknown asset", func(m *pb.TransferArraysRequest) {
			sum := sha256.Sum256(nil)
			m.Body = &pb.TransferArraysRequest_BodyAsset{BodyAsset: "assets/" + hex.EncodeToString(sum[:])}
		}, codes.NotFound, "ASSET_NOT_FOUND"},
	} {
		t.Run(c.name, func(t *testing.T) {
			m := good()
			c.spoil(m)
			_, err := api.TransferArrays(t.Context(), m)
			wantStatus(t, err, c.code, c.reason)
		})
	}

	request := &pb.StreamTransferArraysRequest{Part: &pb.StreamTransferArraysRequest_Request{Request: good()}}
	ofLayer := &pb.StreamTransferArraysRequest{Part: &pb.StreamTransferArraysRequest_Chunk{Chunk: &pb.ArrayChunk{
		Field: pb.ArrayField_ARRAY_FIELD_LAYER_CONFIDENCE, Layer: 1, Data: make([]byte, 4),
	}}}
	chunk := func(f pb.ArrayField, n int) *pb.StreamTransferArraysRequest {
		return &pb.StreamTransferArraysRequest{Part: &pb.StreamTransferArraysRequest_Chunk{Chunk: &pb.ArrayChunk{Field: f, Data: make([]byte, n)}}}
	}
	positions := pb.ArrayField_ARRAY_FIELD_GARMENT_POSITIONS
	for _, c := range []struct {
		name   string
		parts  []*pb.StreamTransferArraysRequest
		code   codes.Code
		reason string
	}{
		{"nothing", nil, codes.InvalidArgument, "FIELD_INVALID"},
		{"empty part", []*pb.StreamTransferArraysRequest{{}}, codes.InvalidArgument, "FIELD_INVALID"},
		{"chunk of a layer that is not there", []*pb.StreamTransferArraysRequest{request, ofLayer}, codes.InvalidArgument, "FIELD_INVALID"},
		{"chunk first", []*pb.StreamTransferArraysRequest{chunk(positions, 4)}, codes.InvalidArgument, "FIELD_INVALID"},
		{"request twice", []*pb.StreamTransferArraysRequest{request, request}, codes.InvalidArgument, "FIELD_INVALID"},
		{"empty chunk", []*pb.StreamTransferArraysRequest{request, chunk(positions, 0)}, codes.InvalidArgument, "FIELD_INVALID"},
		{"large chunk", []*pb.StreamTransferArraysRequest{request, chunk(positions, 1<<20+1)}, codes.InvalidArgument, "FIELD_INVALID"},
		{"array of the answer", []*pb.StreamTransferArraysRequest{request, chunk(pb.ArrayField_ARRAY_FIELD_REASONS, 4)}, codes.InvalidArgument, "FIELD_INVALID"},
		{"too much", []*pb.StreamTransferArraysRequest{request, chunk(positions, 1<<20), chunk(positions, 1<<20), chunk(positions, 1<<20), chunk(positions, 1<<20)}, codes.ResourceExhausted, "OVER_LIMIT"},
	} {
		t.Run("stream "+c.name, func(t *testing.T) {
			stream, err := api.StreamTransferArrays(t.Context())
			if err != nil {
				t.Fatal(err)
			}
			for _, p := range c.parts {
				if err := stream.Send(p); err != nil {
					break // the answer says why
				}
			}
			if err := stream.CloseSend(); err != nil {
				t.Fatal(err)
			}
			_, err = stream.Recv()
			wantStatus(t, err, c.code, c.reason)
		})
	}
}

// TestTransferArrays_Itself: a layer that is the body or the garment is refused, at once
// and in a stream; one that stands a millimetre off is none of them.
func TestTransferArrays_Itself(t *testing.T) {
	s := start(t, server.Config{})
	api, _ := raw(t, s.addr)
	body, garment := crewArrays("gloves", 0.3)
	layer := func(m *mesh.Mesh, rows *weights.Rows, off float64) *pb.LayerArrays {
		l := transfer.Layer{Mesh: &mesh.Mesh{Positions: slices.Clone(m.Positions), Triangles: m.Triangles}, Rows: rows}
		for v := range l.Mesh.Positions {
			l.Mesh.Positions[v].Y += off
		}
		return convert.LayersToProto([]transfer.Layer{l})[0]
	}
	ones := weights.NewRows(0)
	for range garment.Mesh.Positions {
		ones.Append([]uint16{0}, []float64{1})
	}
	for _, c := range []struct {
		says   string
		layers []*pb.LayerArrays
	}{
		{"", []*pb.LayerArrays{layer(garment.Mesh, ones, 1e-3)}},
		{"layers[1]: is the garment itself", []*pb.LayerArrays{layer(garment.Mesh, ones, 1e-3), layer(garment.Mesh, ones, 0)}},
		{"layers[0]: is the body itself", []*pb.LayerArrays{layer(body.Mesh, body.Rows, 0)}},
	} {
		m := &pb.TransferArraysRequest{Body: &pb.TransferArraysRequest_BodyArrays{BodyArrays: convert.BodyToProto(body)}, Garment: convert.GarmentToProto(garment), Layers: c.layers}
		_, err := api.TransferArrays(t.Context(), m)
		stream, failed := api.StreamTransferArrays(t.Context())
		if failed == nil {
			failed = stream.Send(&pb.StreamTransferArraysRequest{Part: &pb.StreamTransferArraysRequest_Request{Request: m}})
		}
		if failed == nil {
			failed = stream.CloseSend()
		}
		for failed == nil {
			_, failed = stream.Recv()
		}
		if c.says == "" {
			if err != nil || failed != io.EOF {
				t.Errorf("a layer a millimetre off: %v, %v", err, failed)
			}
			continue
		}
		for _, err := range []error{err, failed} {
			wantStatus(t, err, codes.InvalidArgument, "FIELD_INVALID")
			if !strings.Contains(status.Convert(err).Message(), c.says) {
				t.Errorf("%v, want %q", err, c.says)
			}
		}
	}
}

// FuzzMethods throws messages of any bytes at the methods, over a real socket:
// every answer is a status that a client may see, and never INTERNAL.
func FuzzMethods(f *testing.F) {
	s := start(f, server.Config{MaxVertices: 5000})
	_, conn := raw(f, s.addr)
	small := []byte(`{"asset":{"version":"2.0"},"scenes":[{"nodes":[0]}],"nodes":[{}]}`)
	body, garment := crewArrays("sou'wester", 0.05)
	for i, m := range []any{
		&pb.GetAssetRequest{Name: "assets/00"},
		&pb.ListAssetsRequest{PageSize: 3},
		&pb.InspectAssetRequest{Asset: &pb.AssetSource{Source: &pb.AssetSource_Content{Content: small}}},
		&pb.TransferAssetRequest{Garment: &pb.AssetSource{Source: &pb.AssetSource_Content{Content: small}}, Options: &pb.Options{Reach: 1}},
		&pb.TransferArraysRequest{
			Body:    &pb.TransferArraysRequest_BodyArrays{BodyArrays: convert.BodyToProto(body)},
			Garment: convert.GarmentToProto(garment),
		},
		&pb.UploadAssetRequest{Part: &pb.UploadAssetRequest_Start{Start: &pb.UploadAssetStart{Sha256: make([]byte, 32), SizeBytes: 5}}},
		&pb.StreamTransferArraysRequest{Part: &pb.StreamTransferArraysRequest_Request{Request: &pb.TransferArraysRequest{}}},
	} {
		f.Add(byte(i), marshal(f, m))
	}
	methods := []struct {
		name   string
		stream bool
	}{
		{pb.SelvageService_GetAsset_FullMethodName, false}, {pb.SelvageService_ListAssets_FullMethodName, false},
		{pb.SelvageService_InspectAsset_FullMethodName, false}, {pb.SelvageService_TransferAsset_FullMethodName, true},
		{pb.SelvageService_TransferArrays_FullMethodName, false}, {pb.SelvageService_UploadAsset_FullMethodName, true},
		{pb.SelvageService_StreamTransferArrays_FullMethodName, true}, {pb.SelvageService_DeleteAsset_FullMethodName, false},
	}
	f.Fuzz(func(t *testing.T, which byte, data []byte) {
		m := methods[int(which)%len(methods)]
		ctx, cancel := context.WithCancel(context.Background())
		defer cancel()
		stream, err := conn.NewStream(ctx, &grpc.StreamDesc{ServerStreams: true, ClientStreams: m.stream}, m.name, grpc.ForceCodec(bytesCodec{}))
		if err != nil {
			t.Fatal(err)
		}
		if err := stream.SendMsg(data); err != nil && !errors.Is(err, io.EOF) {
			t.Fatal(err)
		}
		_ = stream.CloseSend()
		for err == nil {
			var answer []byte
			err = stream.RecvMsg(&answer)
		}
		if errors.Is(err, io.EOF) {
			return
		}
		switch code := status.Code(err); code {
		case codes.InvalidArgument, codes.NotFound, codes.ResourceExhausted:
		case codes.Internal:
			// The library's own answer to bytes that are no message has no reason of ours.
			if reason(err) == "INTERNAL" {
				t.Errorf("%s: %v", m.name, err)
			}
		default:
			t.Errorf("%s: %v", m.name, err)
		}
	})
}
