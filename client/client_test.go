package client

import (
	"bytes"
	"context"
	"crypto/sha256"
	"errors"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	pb "github.com/selvage/selvage/api/selvage/v1"
	"github.com/selvage/selvage/transfer"
	"go.uber.org/goleak"
	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/metadata"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/types/known/durationpb"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// scripted is a server that answers as the test says.
type scripted struct {
	pb.UnimplementedSelvageServiceServer
	calls    atomic.Int32
	uploads  atomic.Int32
	info     func(ctx context.Context, call int) error
	transfer func(call int, m *pb.TransferAssetRequest, stream grpc.ServerStreamingServer[pb.TransferAssetResponse]) error
}

func (s *scripted) GetServerInfo(ctx context.Context, _ *pb.GetServerInfoRequest) (*pb.ServerInfo, error) {
	if s.info != nil {
		if err := s.info(ctx, int(s.calls.Add(1))); err != nil {
			return nil, err
		}
	}
	return &pb.ServerInfo{Version: "scripted", Limits: &pb.Limits{MaxMessageBytes: 100}}, nil
}

func (s *scripted) TransferAsset(m *pb.TransferAssetRequest, stream grpc.ServerStreamingServer[pb.TransferAssetResponse]) error {
	return s.transfer(int(s.calls.Add(1)), m, stream)
}

func (s *scripted) UploadAsset(stream grpc.ClientStreamingServer[pb.UploadAssetRequest, pb.Asset]) error {
	m, err := stream.Recv()
	if err != nil {
		return err
	}
	s.uploads.Add(1)
	// As a server that has the bytes: it answers without reading them.
	return stream.SendAndClose(&pb.Asset{SizeBytes: m.GetStart().GetSizeBytes()})
}

// quick retries without much waiting.
var quick = WithRetry(Retry{Attempts: 4, First: time.Millisecond, Longest: 20 * time.Millisecond})

func serve(t *testing.T, s *scripted) string {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	g := grpc.NewServer()
	pb.RegisterSelvageServiceServer(g, s)
	go g.Serve(l)
	t.Cleanup(g.Stop)
	return l.Addr().String()
}

func connect(t *testing.T, s *scripted) *Client {
	t.Helper()
	c, err := Dial(t.Context(), serve(t, s), quick)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { c.Close() })
	return c
}

func busy(delay time.Duration) error {
	s, err := status.New(codes.ResourceExhausted, "busy").WithDetails(&errdetails.RetryInfo{RetryDelay: durationpb.New(delay)})
	if err != nil {
		panic(err)
	}
	return s.Err()
}

func TestRetry(t *testing.T) {
	for _, c := range []struct {
		name  string
		err   error
		fails int // the first calls
		calls int // in all
		code  codes.Code
	}{
		{"away for a while", status.Error(codes.Unavailable, "away"), 2, 3, codes.OK},
		{"away for good", status.Error(codes.Unavailable, "away"), 99, 4, codes.Unavailable},
		{"busy", busy(time.Millisecond), 3, 4, codes.OK},
		{"busy for longer than one waits", busy(time.Hour), 99, 4, codes.ResourceExhausted},
		{"over a limit", status.Error(codes.ResourceExhausted, "too large"), 99, 1, codes.ResourceExhausted},
		{"wrong", status.Error(codes.InvalidArgument, "wrong"), 99, 1, codes.InvalidArgument},
		{"broken", status.Error(codes.Internal, "broken"), 99, 1, codes.Internal},
	} {
		t.Run(c.name, func(t *testing.T) {
			s := &scripted{info: func(_ context.Context, call int) error {
				if call <= c.fails {
					return c.err
				}
				return nil
			}}
			client, err := Dial(t.Context(), serve(t, s), quick)
			if err == nil {
				client.Close()
			}
			if status.Code(err) != c.code || int(s.calls.Load()) != c.calls {
				t.Errorf("%d calls, %v; want %d, %v", s.calls.Load(), err, c.calls, c.code)
			}
		})
	}
}

// TestRetry_EndsWithContext: neither a deadline nor a cancel is slept through.
func TestRetry_EndsWithContext(t *testing.T) {
	s := &scripted{info: func(context.Context, int) error { return busy(time.Hour) }}
	addr := serve(t, s)
	slow := WithRetry(Retry{Attempts: 100, First: time.Hour, Longest: time.Hour})
	began := time.Now()
	ctx, cancel := context.WithTimeout(t.Context(), 5*time.Second)
	defer cancel()
	if _, err := Dial(ctx, addr, slow); status.Code(err) != codes.ResourceExhausted {
		t.Errorf("before a deadline that comes sooner: %v", err)
	}
	ctx, cancel = context.WithCancel(t.Context())
	time.AfterFunc(20*time.Millisecond, cancel)
	if _, err := Dial(ctx, addr, slow); !errors.Is(err, context.Canceled) {
		t.Errorf("cancelled: %v", err)
	}
	if d := time.Since(began); d > 4*time.Second {
		t.Errorf("took %v", d)
	}
}

func TestToken_GoesWithEveryCall(t *testing.T) {
	s := &scripted{info: func(ctx context.Context, _ int) error {
		if v := metadata.ValueFromIncomingContext(ctx, "authorization"); len(v) != 1 || v[0] != "Bearer lamp" {
			return status.Errorf(codes.Unauthenticated, "authorization %v", v)
		}
		return nil
	}}
	c, err := Dial(t.Context(), serve(t, s), WithToken("lamp"))
	if err != nil {
		t.Fatal(err)
	}
	c.Close()
	for addr, want := range map[string]bool{"127.0.0.1:1": true, "localhost:1": true, "[::1]:1": true, "pilot.example:1": false, "192.0.2.1:1": false, "127.0.0.1": false} {
		if loopback(addr) != want {
			t.Errorf("%s: loopback %v, want %v", addr, !want, want)
		}
	}
}

// result sends an answer in messages.
func result(stream grpc.ServerStreamingServer[pb.TransferAssetResponse], announced int64, sum [32]byte, chunks ...string) error {
	head := &pb.TransferAssetResult{Summary: &pb.Summary{Garment: "g"}, SizeBytes: announced, Sha256: sum[:]}
	if err := stream.Send(&pb.TransferAssetResponse{Part: &pb.TransferAssetResponse_Result{Result: head}}); err != nil {
		return err
	}
	for _, c := range chunks {
		if err := stream.Send(&pb.TransferAssetResponse{Part: &pb.TransferAssetResponse_Content{Content: []byte(c)}}); err != nil {
			return err
		}
	}
	return nil
}

// TestTransfer_AnswerIsChecked: an answer that is not whole is an error.
func TestTransfer_AnswerIsChecked(t *testing.T) {
	sum := sha256.Sum256([]byte("whole"))
	for _, c := range []struct {
		name string
		do   func(stream grpc.ServerStreamingServer[pb.TransferAssetResponse]) error
		good bool
	}{
		{"whole", func(s grpc.ServerStreamingServer[pb.TransferAssetResponse]) error {
			return result(s, 5, sum, "who", "le")
		}, true},
		{"nothing", func(grpc.ServerStreamingServer[pb.TransferAssetResponse]) error { return nil }, false},
		{"cut", func(s grpc.ServerStreamingServer[pb.TransferAssetResponse]) error { return result(s, 5, sum, "who") }, false},
		{"more", func(s grpc.ServerStreamingServer[pb.TransferAssetResponse]) error {
			return result(s, 5, sum, "whole", "x")
		}, false},
		{"other", func(s grpc.ServerStreamingServer[pb.TransferAssetResponse]) error { return result(s, 5, sum, "whale") }, false},
		{"no head", func(s grpc.ServerStreamingServer[pb.TransferAssetResponse]) error {
			return s.Send(&pb.TransferAssetResponse{Part: &pb.TransferAssetResponse_Content{Content: []byte("x")}})
		}, false},
	} {
		t.Run(c.name, func(t *testing.T) {
			client := connect(t, &scripted{transfer: func(_ int, _ *pb.TransferAssetRequest, s grpc.ServerStreamingServer[pb.TransferAssetResponse]) error {
				return c.do(s)
			}})
			r, err := client.Transfer(t.Context(), Request{Body: NewAsset("b", []byte("b")), Garment: NewAsset("g", []byte("g"))})
			if (err == nil) != c.good || c.good && string(r.GLB) != "whole" {
				t.Errorf("%v, %v", r, err)
			}
		})
	}
}

// TestTransfer_UploadsWhatIsMissing and nothing else; what goes into a message is
// sent along.
func TestTransfer_UploadsWhatIsMissing(t *testing.T) {
	sum := sha256.Sum256([]byte("whole"))
	for _, c := range []struct {
		name    string
		garment int // bytes; a message takes 50
		held    bool
		uploads int32
	}{{"body held", 10, true, 0}, {"body missing", 10, false, 1}, {"both missing", 60, false, 2}} {
		t.Run(c.name, func(t *testing.T) {
			s := &scripted{}
			s.transfer = func(call int, m *pb.TransferAssetRequest, stream grpc.ServerStreamingServer[pb.TransferAssetResponse]) error {
				if inline := m.GetGarment().GetContent() != nil; inline != (c.garment <= 50) {
					t.Errorf("garment of %d bytes inline: %v", c.garment, inline)
				}
				if !c.held && call == 1 {
					return status.Error(codes.NotFound, "no")
				}
				return result(stream, 5, sum, "whole")
			}
			client := connect(t, s)
			if _, err := client.Transfer(t.Context(), Request{Body: NewAsset("b", make([]byte, 5000)), Garment: NewAsset("g", make([]byte, c.garment))}); err != nil {
				t.Fatal(err)
			}
			if n := s.uploads.Load(); n != c.uploads {
				t.Errorf("%d uploads, want %d", n, c.uploads)
			}
		})
	}
}

func TestTransfer_WrongRequests(t *testing.T) {
	client := connect(t, &scripted{})
	if _, err := client.Transfer(t.Context(), Request{}); err == nil {
		t.Error("a transfer of nothing")
	}
	if _, err := client.Transfer(t.Context(), Request{Body: NewAsset("b", nil), Garment: NewAsset("g", nil),
		Options: transfer.AssetOptions{Options: transfer.Options{Fill: 99}}}); err == nil {
		t.Error("an unknown energy")
	}
	if _, err := OpenAsset(filepath.Join(t.TempDir(), "missing.glb")); err == nil {
		t.Error("a missing file")
	}
}

// TestRewriteImages_KeepsTheRest: there and back gives the same tree.
func TestRewriteImages_KeepsTheRest(t *testing.T) {
	text := `{"asset":{"version":"2.0"},"extras":{"big":12345678901234567890,"n":1.50},"images":[{"uri":"a b.png"},{"bufferView":0},{"name":"x","uri":"data:,y"}]}`
	there, err := rewriteImages([]byte(text), func(i int, uri string) string {
		if strings.HasPrefix(uri, "data:") {
			return uri
		}
		return placeholder(i)
	})
	if err != nil || !bytes.Contains(there, []byte(placeholder(0))) {
		t.Fatalf("%s, %v", there, err)
	}
	back, err := rewriteImages(there, func(i int, uri string) string {
		if uri == placeholder(i) {
			return "a b.png"
		}
		return uri
	})
	if err != nil || string(back) != text {
		t.Errorf("%s, %v; want\n%s", back, err, text)
	}
	if _, err := rewriteImages([]byte("glTF\x02\x00\x00\x00\xff\x00\x00\x00\xff\xff\x00\x00JSON"), nil); err == nil {
		t.Error("a cut file passed")
	}
}

// FuzzRewriteImages takes any bytes without a panic.
func FuzzRewriteImages(f *testing.F) {
	f.Add([]byte(`{"images":[{"uri":"a"}]}`))
	f.Add([]byte("glTF\x02\x00\x00\x00\x18\x00\x00\x00\x04\x00\x00\x00JSON{}  "))
	f.Fuzz(func(t *testing.T, data []byte) {
		_, _ = rewriteImages(data, func(i int, _ string) string { return placeholder(i) })
	})
}

// TestSave_LeavesNothing where it fails.
func TestSave_LeavesNothing(t *testing.T) {
	dir := t.TempDir()
	r := &Result{GLB: []byte("not a glTF file")}
	if _, err := r.Save(filepath.Join(dir, "out.gltf")); err == nil {
		t.Error("saved what cannot be read")
	}
	if list, err := os.ReadDir(dir); err != nil || len(list) != 0 {
		t.Errorf("%d files are left, %v", len(list), err)
	}
}

// TestImports: the client stands without the server, and what computes knows
// nothing of the wire.
func TestImports(t *testing.T) {
	for from, banned := range map[string][]string{
		"github.com/selvage/selvage/client":   {"github.com/selvage/selvage/server"},
		"github.com/selvage/selvage/transfer": {"google.golang.org/grpc", "google.golang.org/protobuf", "github.com/selvage/selvage/api"},
	} {
		out, err := exec.Command("go", "list", "-deps", from).CombinedOutput()
		if err != nil {
			t.Fatalf("%v: %s", err, out)
		}
		for _, line := range strings.Split(string(out), "\n") {
			for _, b := range banned {
				if line == b || strings.HasPrefix(line, b+"/") {
					t.Errorf("%s depends on %s", from, line)
				}
			}
		}
	}
}
