package server

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"log/slog"
	"net"
	"strings"
	"sync"
	"testing"
	"time"

	pb "github.com/selvage/selvage/api/selvage/v1"
	collector "go.opentelemetry.io/proto/otlp/collector/trace/v1"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/credentials/insecure"
	"google.golang.org/grpc/metadata"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/types/known/emptypb"
)

// buffer is a log that several goroutines write.
type buffer struct {
	mu sync.Mutex
	b  bytes.Buffer
}

func (b *buffer) Write(p []byte) (int, error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.b.Write(p)
}

func (b *buffer) String() string {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.b.String()
}

// faulty is a service whose one method does what the test wants: it stands for a
// fault in any handler.
func faulty(do func() error) *grpc.ServiceDesc {
	return &grpc.ServiceDesc{
		ServiceName: "test.Faulty", HandlerType: (*any)(nil),
		Methods: []grpc.MethodDesc{{MethodName: "Unary", Handler: func(srv any, ctx context.Context, decode func(any) error, chain grpc.UnaryServerInterceptor) (any, error) {
			var in emptypb.Empty
			if err := decode(&in); err != nil {
				return nil, err
			}
			return chain(ctx, &in, &grpc.UnaryServerInfo{FullMethod: "/test.Faulty/Unary"}, func(context.Context, any) (any, error) {
				return &emptypb.Empty{}, do()
			})
		}}},
		Streams: []grpc.StreamDesc{{StreamName: "Stream", ServerStreams: true, Handler: func(any, grpc.ServerStream) error { return do() }}},
	}
}

// running serves until the test ends and returns a connection.
func running(t *testing.T, c Config, more ...func(*Server)) *grpc.ClientConn {
	t.Helper()
	return runningWith(t, c, defaultKeepAlive, more...)
}

// runningWith is running with other limits on connections.
func runningWith(t *testing.T, c Config, alive keepAlive, more ...func(*Server)) *grpc.ClientConn {
	t.Helper()
	c.Listen, c.Store, c.Grace = "127.0.0.1:0", t.TempDir(), time.Second
	s, err := NewServer(c)
	if err != nil {
		t.Fatal(err)
	}
	s.alive = alive
	if err := s.Listen(t.Context()); err != nil {
		t.Fatal(err)
	}
	for _, f := range more {
		f(s)
	}
	ctx, cancel := context.WithCancel(context.Background())
	ended := make(chan error, 1)
	go func() { ended <- s.Serve(ctx) }()
	t.Cleanup(func() {
		cancel()
		if err := <-ended; err != nil {
			t.Error(err)
		}
	})
	conn, err := grpc.NewClient(s.Addr().String(), grpc.WithTransportCredentials(insecure.NewCredentials()))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { conn.Close() })
	return conn
}

// TestFault_LeaksNothing: a panic or an unforeseen error in a handler is INTERNAL
// to the caller and a record with everything to the log; the server goes on.
func TestFault_LeaksNothing(t *testing.T) {
	for _, c := range []struct {
		name string
		do   func() error
		log  string
	}{
		{"panic", func() error { panic("/secret/path at 0xdead") }, "observed_test.go"},
		{"error", func() error { return errors.New("/secret/path is broken") }, "is broken"},
	} {
		t.Run(c.name, func(t *testing.T) {
			var log buffer
			conn := running(t, Config{Log: slog.New(slog.NewJSONHandler(&log, nil))}, func(s *Server) { s.grpc.RegisterService(faulty(c.do), nil) })
			ctx := metadata.AppendToOutgoingContext(t.Context(), requestIDKey, "my-id-1")
			check := func(err error) {
				t.Helper()
				s := status.Convert(err)
				if s.Code() != codes.Internal || reasonOf(s) != "INTERNAL" || strings.Contains(s.String(), "secret") || strings.Contains(s.String(), ".go") {
					t.Errorf("the caller sees %v", s)
				}
			}
			var header metadata.MD
			check(conn.Invoke(ctx, "/test.Faulty/Unary", &emptypb.Empty{}, &emptypb.Empty{}, grpc.Header(&header)))
			if id := header.Get(requestIDKey); len(id) != 1 || id[0] != "my-id-1" {
				t.Errorf("request id %v came back", id)
			}
			stream, err := conn.NewStream(ctx, &grpc.StreamDesc{ServerStreams: true}, "/test.Faulty/Stream")
			if err != nil {
				t.Fatal(err)
			}
			if err := stream.CloseSend(); err != nil {
				t.Fatal(err)
			}
			check(stream.RecvMsg(&emptypb.Empty{}))
			if _, err := pb.NewSelvageServiceClient(conn).GetServerInfo(t.Context(), &pb.GetServerInfoRequest{}); err != nil {
				t.Errorf("afterwards: %v", err)
			}
			text := log.String()
			if strings.Count(text, `"level":"ERROR"`) < 2 || !strings.Contains(text, c.log) || !strings.Contains(text, "my-id-1") {
				t.Errorf("log: %s", text)
			}
		})
	}
}

// TestRequestID_Hostile: an id that could spoil a log is replaced.
func TestRequestID_Hostile(t *testing.T) {
	for _, id := range []string{"", "a b", "x\n", "\"", strings.Repeat("a", 65), "é"} {
		ctx := metadata.NewIncomingContext(t.Context(), metadata.Pairs(requestIDKey, id))
		if got := newRequestID(ctx); got == id || len(got) != 16 {
			t.Errorf("%q became %q", id, got)
		}
	}
	if got := newRequestID(t.Context()); len(got) != 16 {
		t.Errorf("made %q", got)
	}
}

// TestLog_Fields reads the record of a call.
func TestLog_Fields(t *testing.T) {
	var log buffer
	conn := running(t, Config{Log: slog.New(slog.NewJSONHandler(&log, nil))})
	api := pb.NewSelvageServiceClient(conn)
	if _, err := api.GetAsset(t.Context(), &pb.GetAssetRequest{Name: "x"}); err == nil {
		t.Fatal("no error")
	}
	for _, line := range strings.Split(strings.TrimSpace(log.String()), "\n") {
		var r map[string]any
		if err := json.Unmarshal([]byte(line), &r); err != nil {
			t.Fatalf("%v: %q", err, line)
		}
		if r["msg"] == "finished call" {
			if r["grpc.code"] != "InvalidArgument" || r["grpc.method"] != "GetAsset" || r["request_id"] == "" || r["grpc.duration"] == nil {
				t.Errorf("record %v", r)
			}
			return
		}
	}
	t.Errorf("no record of the call: %s", log.String())
}

// traceSink is a collector that keeps what it gets.
type traceSink struct {
	collector.UnimplementedTraceServiceServer
	names chan string
}

func (s *traceSink) Export(_ context.Context, m *collector.ExportTraceServiceRequest) (*collector.ExportTraceServiceResponse, error) {
	for _, r := range m.GetResourceSpans() {
		for _, scope := range r.GetScopeSpans() {
			for _, span := range scope.GetSpans() {
				s.names <- span.GetName()
			}
		}
	}
	return &collector.ExportTraceServiceResponse{}, nil
}

// TestTracing sends traces to a collector, by its protocol (OpenTelemetry
// Protocol Specification 1.x, OTLP/gRPC).
func TestTracing(t *testing.T) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	sink := &traceSink{names: make(chan string, 100)}
	g := grpc.NewServer()
	collector.RegisterTraceServiceServer(g, sink)
	go g.Serve(l)
	t.Cleanup(g.Stop)
	t.Run("call", func(t *testing.T) { // its end stops the server, which sends the rest
		conn := running(t, Config{TraceEndpoint: l.Addr().String(), TraceInsecure: true, Log: slog.New(slog.DiscardHandler)})
		if _, err := pb.NewSelvageServiceClient(conn).GetServerInfo(t.Context(), &pb.GetServerInfoRequest{}); err != nil {
			t.Fatal(err)
		}
	})
	select {
	case name := <-sink.names:
		if name != "selvage.v1.SelvageService/GetServerInfo" {
			t.Errorf("span %q", name)
		}
	case <-time.After(5 * time.Second):
		t.Error("no span arrived")
	}
}

// TestTracing_CollectorAway: without its collector the server works.
func TestTracing_CollectorAway(t *testing.T) {
	conn := running(t, Config{TraceEndpoint: "127.0.0.1:1", TraceInsecure: true, Log: slog.New(slog.DiscardHandler)})
	if _, err := pb.NewSelvageServiceClient(conn).GetServerInfo(t.Context(), &pb.GetServerInfoRequest{}); err != nil {
		t.Fatal(err)
	}
}
