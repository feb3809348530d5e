package server

// A panic on a goroutine that the core has started: through the real service.

import (
	"bytes"
	"context"
	"crypto/sha256"
	"errors"
	"io"
	"log/slog"
	"strings"
	"testing"

	"github.com/selvage/selvage/api/convert"
	pb "github.com/selvage/selvage/api/selvage/v1"
	"github.com/selvage/selvage/transfer"
	"github.com/selvage/selvage/transfer/crew"
	"github.com/selvage/selvage/transfer/weights"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"
)

// missed is for a cache that should hold what is asked for.
func missed[V any]() (v V, bytes int64, err error) { return v, 0, errors.New("not held") }

func file(t *testing.T, write func(io.Writer) error) []byte {
	t.Helper()
	var b bytes.Buffer
	if err := write(&b); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

// TestWorkerPanic: a body in the cache whose rows vanish under it makes the workers
// of a transfer read beyond a slice's end. The caller gets INTERNAL and no more,
// the log the worker's own stack, and the server, its slots and its memory go on.
func TestWorkerPanic(t *testing.T) {
	member := crew.NewBody("mate")
	hat := member.GarmentAt("sou'wester", 2) // several blocks of vertices: workers
	if n := hat.Mesh.NumVertices(); n <= 1024 {
		t.Fatalf("only %d vertices", n)
	}
	bodyFile, hatFile := file(t, member.WriteGLB), file(t, hat.WriteGLB)
	var log buffer
	var s *Server
	conn := running(t, Config{MaxThreads: 2, Log: slog.New(slog.NewJSONHandler(&log, nil))}, func(x *Server) { s = x })
	api := pb.NewSelvageServiceClient(conn)

	byAsset := func() error {
		stream, err := api.TransferAsset(t.Context(), &pb.TransferAssetRequest{
			Body:    &pb.AssetSource{Source: &pb.AssetSource_Content{Content: bodyFile}},
			Garment: &pb.AssetSource{Source: &pb.AssetSource_Content{Content: hatFile}},
		})
		for err == nil {
			_, err = stream.Recv()
		}
		if errors.Is(err, io.EOF) {
			return nil
		}
		return err
	}
	arrays := &pb.TransferArraysRequest{
		Body:    &pb.TransferArraysRequest_BodyArrays{BodyArrays: convert.BodyToProto(&transfer.Body{Name: "mate", Mesh: member.Mesh, Rows: member.Rows, Skin: member.Skin})},
		Garment: convert.GarmentToProto(&transfer.Garment{Name: "hat", Mesh: hat.Mesh}),
	}
	byArrays := func() error {
		_, err := api.TransferArrays(t.Context(), arrays)
		return err
	}
	byStream := func() error {
		stream, err := api.StreamTransferArrays(t.Context())
		if err != nil {
			return err
		}
		if err := stream.Send(&pb.StreamTransferArraysRequest{Part: &pb.StreamTransferArraysRequest_Request{Request: arrays}}); err != nil {
			return err
		}
		if err := stream.CloseSend(); err != nil {
			return err
		}
		for err == nil {
			_, err = stream.Recv()
		}
		if errors.Is(err, io.EOF) {
			return nil
		}
		return err
	}
	panics := func() (n float64) {
		families, err := s.metrics.registry.Gather()
		if err != nil {
			t.Fatal(err)
		}
		for _, f := range families {
			if f.GetName() == "selvage_panics_total" {
				n = f.GetMetric()[0].GetCounter().GetValue()
			}
		}
		return n
	}
	// spoil takes the rows away from the prepared bodies, and returns what puts them
	// back.
	spoil := func() (mend func()) {
		var rows []*weights.Rows
		var were []weights.Rows
		x := &source{id: sha256.Sum256(bodyFile), name: "body"}
		if b, hit, _ := s.bodies.Get(t.Context(), bodyKey(x, nil), missed[*transfer.AssetBody]); hit {
			rows = append(rows, b.Surface().Rows)
		}
		text, err := proto.MarshalOptions{Deterministic: true}.Marshal(arrays.GetBodyArrays())
		if err != nil {
			t.Fatal(err)
		}
		if b, hit, _ := s.sources.Get(t.Context(), "arrays "+digest(sha256.Sum256(text)).String(), missed[*arrayBody]); hit {
			rows = append(rows, b.body.Rows)
		}
		if len(rows) == 0 {
			t.Fatal("no body is held")
		}
		for _, r := range rows {
			were = append(were, *r)
			*r = weights.Rows{}
		}
		return func() {
			for i, r := range rows {
				*r = were[i]
			}
		}
	}

	for _, c := range []struct {
		name string
		call func() error
	}{{"asset", byAsset}, {"arrays", byArrays}, {"streamed arrays", byStream}} {
		t.Run(c.name, func(t *testing.T) {
			if err := c.call(); err != nil {
				t.Fatal(err)
			}
			before := panics()
			mend := spoil()
			err := c.call()
			mend()
			st := status.Convert(err)
			if st.Code() != codes.Internal || reasonOf(st) != "INTERNAL" {
				t.Errorf("the caller sees %v", err)
			}
			for _, secret := range []string{"range", "rows.go", "goroutine", "forkjoin", "weights"} {
				if strings.Contains(st.Proto().String(), secret) {
					t.Errorf("the caller sees %q: %v", secret, st.Proto())
				}
			}
			if n := panics() - before; n != 1 {
				t.Errorf("%g panics were counted", n)
			}
			text := log.String()
			text = text[strings.LastIndex(text, "panic in a call"):]
			for _, want := range []string{"out of range", "weights.(*Rows).Row", "(*Group).Go", "request_id"} {
				if !strings.Contains(text, want) {
					t.Errorf("the log lacks %q: %.1500s", want, text)
				}
			}
			if r, h := s.admission.running.Load(), s.admission.held.Load(); r != 0 || h != 0 {
				t.Errorf("%d calls and %d bytes are still held", r, h)
			}
			if err := c.call(); err != nil {
				t.Errorf("afterwards: %v", err)
			}
		})
	}
}

// TestSendPanic: a panic while a message is sent or received is the call's too.
func TestSendPanic(t *testing.T) {
	_, err := receiveWithin(t.Context(), 1e9, func() (int, error) { panic("all hands") })
	if err == nil || !strings.Contains(err.Error(), "all hands") {
		t.Fatalf("error %v", err)
	}
	if st := statusOf(err); st.Code() != codes.Internal || strings.Contains(st.Message(), "all hands") {
		t.Errorf("the caller sees %v", st)
	}
	r := report(context.Background(), 1e9, func(*pb.Progress) error { panic("all hands") })
	r.tell(transfer.StageMatch, 0)
	if err := r.stop(); err == nil || !strings.Contains(err.Error(), "all hands") {
		t.Errorf("progress: %v", err)
	}
}
