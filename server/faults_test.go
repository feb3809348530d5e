package server_test

// Calls that go wrong, over a real socket: each gets its code, harms no other
// call and leaves nothing behind.

import (
	"bytes"
	"context"
	"crypto/sha256"
	"errors"
	"fmt"
	"io"
	"math/rand/v2"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	pb "github.com/selvage/selvage/api/selvage/v1"
	"github.com/selvage/selvage/client"
	"github.com/selvage/selvage/server"
	"github.com/selvage/selvage/transfer"
	"github.com/selvage/selvage/transfer/crew"
	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/credentials/insecure"
	healthpb "google.golang.org/grpc/health/grpc_health_v1"
	"google.golang.org/grpc/metadata"
	"google.golang.org/grpc/status"
)

// raw is the generated client alone, without this project's.
func raw(t testing.TB, addr string, opts ...grpc.DialOption) (pb.SelvageServiceClient, *grpc.ClientConn) {
	t.Helper()
	conn, err := grpc.NewClient(addr, append([]grpc.DialOption{grpc.WithTransportCredentials(insecure.NewCredentials())}, opts...)...)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { conn.Close() })
	return pb.NewSelvageServiceClient(conn), conn
}

// wantStatus checks code and reason of an error.
func wantStatus(t testing.TB, err error, code codes.Code, reason string) {
	t.Helper()
	s, ok := status.FromError(err)
	if !ok || s.Code() != code {
		t.Errorf("error %v, want %v", err, code)
		return
	}
	for _, d := range s.Details() {
		if i, ok := d.(*errdetails.ErrorInfo); ok && i.GetReason() != reason {
			t.Errorf("reason %q, want %q (%v)", i.GetReason(), reason, err)
		}
	}
}

// retryDelay is the delay that an error asks for, 0 without.
func retryDelay(err error) time.Duration {
	for _, d := range status.Convert(err).Details() {
		if r, ok := d.(*errdetails.RetryInfo); ok {
			return r.GetRetryDelay().AsDuration()
		}
	}
	return 0
}

// largeCoat is a garment that takes a second or more.
var largeCoat = sync.OnceValue(func() []byte {
	return glb(crew.NewBody("mate").GarmentAt("oilskin coat", 4).WriteGLB)
})

// metric reads one value from the admin listener.
func metric(t testing.TB, s *running, name string) string {
	t.Helper()
	for _, line := range strings.Split(get(t, s, "/metrics", http.StatusOK), "\n") {
		if v, ok := strings.CutPrefix(line, name+" "); ok {
			return v
		}
	}
	return ""
}

func get(t testing.TB, s *running, path string, code int) string {
	t.Helper()
	c := http.Client{Transport: &http.Transport{DisableKeepAlives: true}, Timeout: 5 * time.Second}
	r, err := c.Get("http://" + s.AdminAddr().String() + path)
	if err != nil {
		t.Fatal(err)
	}
	defer r.Body.Close()
	text, err := io.ReadAll(r.Body)
	if err != nil {
		t.Fatal(err)
	}
	if r.StatusCode != code {
		t.Errorf("%s: status %d, want %d", path, r.StatusCode, code)
	}
	return string(text)
}

// idle waits until no call is left; what is not there after half a minute never
// comes.
func idle(t testing.TB, s *running) {
	t.Helper()
	for range 3000 {
		if metric(t, s, "selvage_running_calls") == "0" && metric(t, s, "selvage_work_bytes") == "0" && metric(t, s, "selvage_queue_depth") == "0" {
			return
		}
		time.Sleep(10 * time.Millisecond)
	}
	t.Errorf("still %s calls, %s bytes", metric(t, s, "selvage_running_calls"), metric(t, s, "selvage_work_bytes"))
}

func upload(ctx context.Context, api pb.SelvageServiceClient, start *pb.UploadAssetStart, chunks ...[]byte) (*pb.Asset, error) {
	stream, err := api.UploadAsset(ctx)
	if err != nil {
		return nil, err
	}
	if start != nil {
		if err := stream.Send(&pb.UploadAssetRequest{Part: &pb.UploadAssetRequest_Start{Start: start}}); err != nil && !errors.Is(err, io.EOF) {
			return nil, err
		}
	}
	for _, c := range chunks {
		if err := stream.Send(&pb.UploadAssetRequest{Part: &pb.UploadAssetRequest_Chunk{Chunk: c}}); err != nil {
			break // the answer says why
		}
	}
	return stream.CloseAndRecv()
}

func TestAssets_StandardMethods(t *testing.T) {
	w := theWardrobe()
	s := start(t, server.Config{Admin: "127.0.0.1:0"})
	c := dial(t, s.addr)
	api, _ := raw(t, s.addr)
	var names []string
	for k := range w.names {
		a, err := c.Upload(t.Context(), w.garmentAsset(k))
		if err != nil {
			t.Fatal(err)
		}
		sum := sha256.Sum256(w.garments[k])
		if want := fmt.Sprintf("assets/%x", sum); a.Name != want || a.SizeBytes != int64(len(w.garments[k])) || a.VertexCount == 0 || a.TriangleCount == 0 {
			t.Errorf("%v, want name %s, %d bytes", a, want, len(w.garments[k]))
		}
		again, err := c.Upload(t.Context(), w.garmentAsset(k))
		if err != nil || again.Name != a.Name {
			t.Errorf("the same bytes once more: %v, %v", again, err)
		}
		names = append(names, a.Name)
	}
	if v := metric(t, s, `selvage_uploads_total{result="known"}`); v != fmt.Sprint(len(names)) {
		t.Errorf("%s uploads were known, want %d", v, len(names))
	}
	var listed []string
	token := ""
	for pages := 0; pages == 0 || token != ""; pages++ {
		p, err := api.ListAssets(t.Context(), &pb.ListAssetsRequest{PageSize: 3, PageToken: token})
		if err != nil {
			t.Fatal(err)
		}
		for _, a := range p.Assets {
			listed = append(listed, a.Name)
		}
		token = p.NextPageToken
	}
	if len(listed) != len(names) {
		t.Errorf("%d assets listed, want %d", len(listed), len(names))
	}
	for _, n := range names {
		if !strings.Contains(strings.Join(listed, " "), n) {
			t.Errorf("%s is not listed", n)
		}
	}
	if _, err := api.DeleteAsset(t.Context(), &pb.DeleteAssetRequest{Name: names[0]}); err != nil {
		t.Error(err)
	}
	_, err := api.GetAsset(t.Context(), &pb.GetAssetRequest{Name: names[0]})
	wantStatus(t, err, codes.NotFound, "ASSET_NOT_FOUND")
	_, err = api.DeleteAsset(t.Context(), &pb.DeleteAssetRequest{Name: names[0]})
	wantStatus(t, err, codes.NotFound, "ASSET_NOT_FOUND")
	for _, name := range []string{"", "assets/", "assets/../../etc/passwd", names[1] + "0", strings.ToUpper(names[1]), "/etc/passwd"} {
		_, err := api.GetAsset(t.Context(), &pb.GetAssetRequest{Name: name})
		wantStatus(t, err, codes.InvalidArgument, "FIELD_INVALID")
	}
	for _, m := range []*pb.ListAssetsRequest{{PageSize: -1}, {PageToken: "!"}, {PageToken: "YWJj"}} {
		_, err := api.ListAssets(t.Context(), m)
		wantStatus(t, err, codes.InvalidArgument, "FIELD_INVALID")
	}
}

// TestAssets_Owners: with tokens, a caller lists and deletes what its own token
// has uploaded or used, and nothing else; also after a restart.
func TestAssets_Owners(t *testing.T) {
	dir := t.TempDir()
	tokens := filepath.Join(dir, "tokens")
	text := fmt.Sprintf("ann %x\nben %x\n", sha256.Sum256([]byte("one")), sha256.Sum256([]byte("two")))
	if err := os.WriteFile(tokens, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	config := server.Config{Tokens: tokens, Store: filepath.Join(dir, "store")}
	s := start(t, config)
	api, _ := raw(t, s.addr)
	as := func(token string) context.Context {
		return metadata.AppendToOutgoingContext(t.Context(), "authorization", "Bearer "+token)
	}
	const ann, ben = "one", "two"
	w := theWardrobe()
	names := map[string]string{}
	put := func(token string, data []byte) string {
		t.Helper()
		sum := sha256.Sum256(data)
		a, err := upload(as(token), api, &pb.UploadAssetStart{Sha256: sum[:], SizeBytes: int64(len(data))}, slices.Collect(slices.Chunk(data, 1<<20))...)
		if err != nil {
			t.Fatal(err)
		}
		return a.GetName()
	}
	check := func(when, token string, want ...string) {
		t.Helper()
		p, err := api.ListAssets(as(token), &pb.ListAssetsRequest{})
		if err != nil {
			t.Fatal(err)
		}
		got := map[string]bool{}
		for _, a := range p.GetAssets() {
			got[a.GetName()] = true
		}
		for _, n := range want {
			if !got[names[n]] {
				t.Errorf("%s: %s is not listed for token %s", when, n, token)
			}
		}
		if len(got) != len(want) {
			t.Errorf("%s: %d assets are listed for token %s, want %v", when, len(got), token, want)
		}
	}
	remove := func(token, name string) error {
		_, err := api.DeleteAsset(as(token), &pb.DeleteAssetRequest{Name: names[name]})
		return err
	}
	names["body"], names["hat"] = put(ann, w.body), put(ann, w.garments[5])
	names["boots"] = put(ben, w.garments[2])
	check("uploaded", ann, "body", "hat")
	check("uploaded", ben, "boots")
	wantStatus(t, remove(ben, "hat"), codes.NotFound, "ASSET_NOT_FOUND")
	check("a stranger deletes", ann, "body", "hat")

	// Who knows the name, which is the hash, reads; asking for the record is no use.
	if _, err := api.GetAsset(as(ben), &pb.GetAssetRequest{Name: names["hat"]}); err != nil {
		t.Error(err)
	}
	check("asked for", ben, "boots")
	stream, err := api.TransferAsset(as(ben), &pb.TransferAssetRequest{
		Body:    &pb.AssetSource{Source: &pb.AssetSource_Asset{Asset: names["body"]}},
		Garment: &pb.AssetSource{Source: &pb.AssetSource_Asset{Asset: names["boots"]}},
	})
	for err == nil {
		_, err = stream.Recv()
	}
	if !errors.Is(err, io.EOF) {
		t.Fatal(err)
	}
	check("used", ben, "boots", "body")
	// The same bytes uploaded by another are known, and then both callers'.
	put(ann, w.garments[2])
	check("uploaded by both", ann, "body", "hat", "boots")

	if err := s.stop(); err != nil {
		t.Fatal(err)
	}
	s = start(t, config)
	api, _ = raw(t, s.addr)
	check("after a restart", ann, "body", "hat", "boots")
	check("after a restart", ben, "boots", "body")

	// Given up by one, it stays the other's; given up by both it is gone.
	if err := remove(ann, "body"); err != nil {
		t.Error(err)
	}
	check("given up", ann, "hat", "boots")
	check("given up by another", ben, "boots", "body")
	wantStatus(t, remove(ann, "body"), codes.NotFound, "ASSET_NOT_FOUND")
	if err := remove(ben, "body"); err != nil {
		t.Error(err)
	}
	_, err = api.GetAsset(as(ben), &pb.GetAssetRequest{Name: names["body"]})
	wantStatus(t, err, codes.NotFound, "ASSET_NOT_FOUND")

	// A server that asks for no token shows everything to everybody.
	if err := s.stop(); err != nil {
		t.Fatal(err)
	}
	config.Tokens = ""
	s = start(t, config)
	api, _ = raw(t, s.addr)
	check("without tokens", "none", "hat", "boots")
}

func TestUpload_Refusals(t *testing.T) {
	dir := t.TempDir()
	s := start(t, server.Config{Store: dir, MaxAssetBytes: 3 << 20, MaxVertices: 20000})
	api, _ := raw(t, s.addr)
	plain := []byte(`{"asset":{"version":"2.0"}}`)
	at := func(data []byte) *pb.UploadAssetStart {
		sum := sha256.Sum256(data)
		return &pb.UploadAssetStart{Sha256: sum[:], SizeBytes: int64(len(data))}
	}
	outside := []byte(`{"asset":{"version":"2.0"},"buffers":[{"byteLength":1,"uri":"/etc/passwd"}]}`)
	for _, c := range []struct {
		name   string
		start  *pb.UploadAssetStart
		chunks [][]byte
		code   codes.Code
		reason string
	}{
		{"nothing", nil, nil, codes.InvalidArgument, "FIELD_INVALID"},
		{"chunk first", nil, [][]byte{plain}, codes.InvalidArgument, "FIELD_INVALID"},
		{"short hash", &pb.UploadAssetStart{Sha256: []byte{1}, SizeBytes: 1}, nil, codes.InvalidArgument, "FIELD_INVALID"},
		{"no size", &pb.UploadAssetStart{Sha256: make([]byte, 32)}, nil, codes.InvalidArgument, "FIELD_INVALID"},
		{"over size", &pb.UploadAssetStart{Sha256: make([]byte, 32), SizeBytes: 3<<20 + 1}, nil, codes.ResourceExhausted, "OVER_LIMIT"},
		{"chunk over 1 MiB", at(make([]byte, 2<<20)), [][]byte{make([]byte, 1<<20+1)}, codes.InvalidArgument, "FIELD_INVALID"},
		{"empty chunk", at(plain), [][]byte{nil}, codes.InvalidArgument, "FIELD_INVALID"},
		{"too few bytes", at(plain), [][]byte{plain[:5]}, codes.InvalidArgument, "UPLOAD_INVALID"},
		{"too many bytes", at(plain), [][]byte{plain, plain}, codes.InvalidArgument, "UPLOAD_INVALID"},
		{"other bytes", at(plain), [][]byte{bytes.ToUpper(plain)}, codes.InvalidArgument, "UPLOAD_INVALID"},
		{"no glTF", at([]byte("plain text")), [][]byte{[]byte("plain text")}, codes.InvalidArgument, "ASSET_INVALID"},
		{"external file", at(outside), [][]byte{outside}, codes.InvalidArgument, "ASSET_INVALID"},
		{"too many vertices", at(largeCoat()), [][]byte{largeCoat()[:500_000], largeCoat()[500_000:]}, codes.ResourceExhausted, "OVER_LIMIT"},
	} {
		t.Run(c.name, func(t *testing.T) {
			_, err := upload(t.Context(), api, c.start, c.chunks...)
			wantStatus(t, err, c.code, c.reason)
			if strings.Contains(fmt.Sprint(err), dir) {
				t.Errorf("the error shows the store's path: %v", err)
			}
		})
	}
	if list, err := os.ReadDir(dir); err != nil || len(list) != 0 {
		t.Errorf("%d files are left in the store, %v", len(list), err)
	}
	if _, err := upload(t.Context(), api, at(plain), plain[:9], plain[9:]); err != nil {
		t.Errorf("a good upload afterwards: %v", err)
	}
}

func TestTransfer_Refusals(t *testing.T) {
	w := theWardrobe()
	dir := t.TempDir()
	s := start(t, server.Config{Store: dir, MaxMessageBytes: 4 << 20})
	api, _ := raw(t, s.addr, grpc.WithDefaultCallOptions(grpc.MaxCallSendMsgSize(1<<30)))
	content := func(data []byte) *pb.AssetSource {
		return &pb.AssetSource{Source: &pb.AssetSource_Content{Content: data}}
	}
	good := func() *pb.TransferAssetRequest {
		return &pb.TransferAssetRequest{Body: content(w.body), Garment: content(w.garments[0])}
	}
	// A secret beside the server that no request may reach.
	secret := filepath.Join(dir, "secret.bin")
	if err := os.WriteFile(secret, make([]byte, 1024), 0o600); err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		name   string
		spoil  func(m *pb.TransferAssetRequest)
		code   codes.Code
		reason string
	}{
		{"no body", func(m *pb.TransferAssetRequest) { m.Body = nil }, codes.InvalidArgument, "FIELD_INVALID"},
		{"no garment", func(m *pb.TransferAssetRequest) { m.Garment = &pb.AssetSource{} }, codes.InvalidArgument, "FIELD_INVALID"},
		{"empty garment", func(m *pb.TransferAssetRequest) { m.Garment = content(nil) }, codes.InvalidArgument, "FIELD_INVALID"},
		{"path for a name", func(m *pb.TransferAssetRequest) {
			m.Body = &pb.AssetSource{Source: &pb.AssetSource_Asset{Asset: "assets/../secret.bin"}}
		}, codes.InvalidArgument, "FIELD_INVALID"},
		{"unknown body", func(m *pb.TransferAssetRequest) {
			m.Body = &pb.AssetSource{Source: &pb.AssetSource_Asset{Asset: "assets/" + strings.Repeat("0", 64)}}
		}, codes.NotFound, "ASSET_NOT_FOUND"},
		{"name with a path", func(m *pb.TransferAssetRequest) { m.Garment.DisplayName = "../coat" }, codes.InvalidArgument, "FIELD_INVALID"},
		{"external file", func(m *pb.TransferAssetRequest) {
			m.Garment = content([]byte(`{"asset":{"version":"2.0"},"buffers":[{"byteLength":1024,"uri":"` + secret + `"}]}`))
		}, codes.InvalidArgument, "ASSET_INVALID"},
		{"external image", func(m *pb.TransferAssetRequest) {
			m.Garment = content([]byte(`{"asset":{"version":"2.0"},"images":[{"uri":"http://127.0.0.1:1/x.png"}]}`))
		}, codes.InvalidArgument, "ASSET_INVALID"},
		{"garbage", func(m *pb.TransferAssetRequest) { m.Garment = content([]byte("garbage")) }, codes.InvalidArgument, "ASSET_INVALID"},
		{"cut off", func(m *pb.TransferAssetRequest) { m.Garment = content(w.garments[0][:5000]) }, codes.InvalidArgument, "ASSET_INVALID"},
		{"body without skin", func(m *pb.TransferAssetRequest) { m.Body = content(w.garments[0]) }, codes.InvalidArgument, "ASSET_INVALID"},
		{"no such mesh", func(m *pb.TransferAssetRequest) { m.Options = &pb.Options{GarmentNames: []string{"nobody"}} }, codes.InvalidArgument, "ASSET_INVALID"},
		{"unknown energy", func(m *pb.TransferAssetRequest) { m.Options = &pb.Options{Fill: 9} }, codes.InvalidArgument, "FIELD_INVALID"},
		{"influences", func(m *pb.TransferAssetRequest) { m.Options = &pb.Options{MaxInfluences: 9} }, codes.InvalidArgument, "OPTION_INVALID"},
		{"threads", func(m *pb.TransferAssetRequest) { m.Options = &pb.Options{Threads: -1} }, codes.InvalidArgument, "OPTION_INVALID"},
		{"bad pattern", func(m *pb.TransferAssetRequest) { m.Options = &pb.Options{LooseNames: []string{"["}} }, codes.InvalidArgument, "OPTION_INVALID"},
		{"long pattern", func(m *pb.TransferAssetRequest) { m.BodyNames = []string{strings.Repeat("*", 300)} }, codes.InvalidArgument, "FIELD_INVALID"},
		{"many patterns", func(m *pb.TransferAssetRequest) { m.Options = &pb.Options{DenyJoints: make([]string, 1001)} }, codes.InvalidArgument, "FIELD_INVALID"},
		{"over the message size", func(m *pb.TransferAssetRequest) { m.Garment = content(make([]byte, 5<<20)) }, codes.ResourceExhausted, ""},
	} {
		t.Run(c.name, func(t *testing.T) {
			m := good()
			c.spoil(m)
			stream, err := api.TransferAsset(t.Context(), m)
			for err == nil {
				_, err = stream.Recv()
			}
			if errors.Is(err, io.EOF) {
				t.Fatal("it was done")
			}
			wantStatus(t, err, c.code, c.reason)
			if strings.Contains(err.Error(), dir) || strings.Contains(err.Error(), ".go:") {
				t.Errorf("the error shows what is inside: %v", err)
			}
		})
	}
}

// TestOption_SameErrorAsInProcess: callers that look for the core's error find it.
func TestOption_SameErrorAsInProcess(t *testing.T) {
	w := theWardrobe()
	c := dial(t, start(t, server.Config{}).addr)
	_, err := c.Transfer(t.Context(), client.Request{Body: w.bodyAsset(), Garment: w.garmentAsset(0),
		Options: transfer.AssetOptions{Options: transfer.Options{MaxInfluences: 9}}})
	var wrong *transfer.OptionError
	if !errors.As(err, &wrong) || wrong.Option != "max-influences" || status.Code(err) != codes.InvalidArgument {
		t.Errorf("error %v", err)
	}
}

// begun starts a long transfer and returns when its matching has begun.
func begun(t testing.TB, ctx context.Context, api pb.SelvageServiceClient) grpc.ServerStreamingClient[pb.TransferAssetResponse] {
	t.Helper()
	w := theWardrobe()
	stream, err := api.TransferAsset(ctx, &pb.TransferAssetRequest{
		Body:    &pb.AssetSource{Source: &pb.AssetSource_Content{Content: w.body}},
		Garment: &pb.AssetSource{Source: &pb.AssetSource_Content{Content: largeCoat()}},
	})
	if err != nil {
		t.Fatal(err)
	}
	for {
		m, err := stream.Recv()
		if err != nil {
			t.Fatal(err)
		}
		if m.GetResult() != nil {
			t.Fatal("it was done before it could be stopped")
		}
		if m.GetProgress() != nil {
			return stream
		}
	}
}

// end reads a stream to its error.
func end(stream grpc.ServerStreamingClient[pb.TransferAssetResponse]) (n int, err error) {
	for {
		m, err := stream.Recv()
		if err != nil {
			return n, err
		}
		n += len(m.GetContent())
	}
}

func TestCancel_StopsTheWork(t *testing.T) {
	s := start(t, server.Config{Admin: "127.0.0.1:0"})
	api, _ := raw(t, s.addr)
	ctx, cancel := context.WithCancel(t.Context())
	defer cancel()
	stream := begun(t, ctx, api)
	cancel()
	_, err := end(stream)
	wantStatus(t, err, codes.Canceled, "")
	idle(t, s)
	if v := metric(t, s, "selvage_vertices_total"); v != "0" {
		t.Errorf("%s vertices were finished all the same", v)
	}
}

func TestDeadline(t *testing.T) {
	for _, c := range []struct {
		name   string
		config server.Config
		client time.Duration
	}{
		{"of the client", server.Config{Admin: "127.0.0.1:0"}, 100 * time.Millisecond},
		{"of the server", server.Config{Admin: "127.0.0.1:0", CallTime: 100 * time.Millisecond}, time.Minute},
	} {
		t.Run(c.name, func(t *testing.T) {
			s := start(t, c.config)
			api, _ := raw(t, s.addr)
			ctx, cancel := context.WithTimeout(t.Context(), c.client)
			defer cancel()
			w := theWardrobe()
			stream, err := api.TransferAsset(ctx, &pb.TransferAssetRequest{
				Body:    &pb.AssetSource{Source: &pb.AssetSource_Content{Content: w.body}},
				Garment: &pb.AssetSource{Source: &pb.AssetSource_Content{Content: largeCoat()}},
			})
			if err == nil {
				_, err = end(stream)
			}
			wantStatus(t, err, codes.DeadlineExceeded, "")
			idle(t, s)
		})
	}
}

func TestStop_RunningCallsFinish(t *testing.T) {
	s := start(t, server.Config{Admin: "127.0.0.1:0", Grace: 30 * time.Second})
	api, conn := raw(t, s.addr)
	// A health watch is told that it is over.
	ctx, cancel := context.WithCancel(t.Context())
	defer cancel()
	watch, err := healthpb.NewHealthClient(conn).Watch(ctx, &healthpb.HealthCheckRequest{Service: "selvage.v1.SelvageService"})
	if err != nil {
		t.Fatal(err)
	}
	if m, err := watch.Recv(); err != nil || m.Status != healthpb.HealthCheckResponse_SERVING {
		t.Fatalf("health %v, %v", m, err)
	}
	if got := get(t, s, "/readyz", http.StatusOK) + get(t, s, "/healthz", http.StatusOK); got != "ready\nalive\n" {
		t.Errorf("before: %q", got)
	}
	get(t, s, "/debug/pprof/", http.StatusNotFound)
	stream := begun(t, t.Context(), api)
	stopped := make(chan error, 1)
	go func() { stopped <- s.stop() }()
	if m, err := watch.Recv(); err != nil || m.Status != healthpb.HealthCheckResponse_NOT_SERVING {
		t.Errorf("health while stopping %v, %v", m, err)
	}
	cancel() // the watch would hold the stop up to the end of the grace period
	get(t, s, "/readyz", http.StatusServiceUnavailable)
	if n, err := end(stream); n == 0 || !errors.Is(err, io.EOF) {
		t.Errorf("the running call ended after %d bytes: %v", n, err)
	}
	if err := <-stopped; err != nil {
		t.Error(err)
	}
	if _, err := api.GetServerInfo(t.Context(), &pb.GetServerInfoRequest{}); status.Code(err) != codes.Unavailable {
		t.Errorf("a call after the stop: %v", err)
	}
}

// TestStop_RestIsUnavailable: a reader that takes its time past the grace period
// is cut off in the middle of its stream.
func TestStop_RestIsUnavailable(t *testing.T) {
	for _, c := range []struct {
		name    string
		reading bool // has begun to read the result
	}{{"computing", false}, {"in mid-stream", true}} {
		t.Run(c.name, func(t *testing.T) {
			dir := t.TempDir()
			s := start(t, server.Config{Grace: 50 * time.Millisecond, Store: dir})
			// A fixed window keeps the library from taking in the whole result unread.
			api, _ := raw(t, s.addr, grpc.WithStaticStreamWindowSize(64<<10), grpc.WithStaticConnWindowSize(64<<10))
			stream := begun(t, t.Context(), api)
			if c.reading {
				for {
					m, err := stream.Recv()
					if err != nil {
						t.Fatal(err)
					}
					if m.GetContent() != nil {
						break
					}
				}
			}
			began := time.Now()
			if err := s.stop(); err != nil {
				t.Error(err)
			}
			if d := time.Since(began); d > 10*time.Second {
				t.Errorf("stopping took %v", d)
			}
			_, err := end(stream)
			wantStatus(t, err, codes.Unavailable, "STOPPING")
			if list, err := os.ReadDir(dir); err != nil || len(list) != 0 {
				t.Errorf("%d files are left, %v", len(list), err)
			}
		})
	}
}

func TestSlowSender(t *testing.T) {
	dir := t.TempDir()
	s := start(t, server.Config{Admin: "127.0.0.1:0", IdleTime: 100 * time.Millisecond, Store: dir})
	api, _ := raw(t, s.addr)
	t.Run("upload", func(t *testing.T) {
		stream, err := api.UploadAsset(t.Context())
		if err != nil {
			t.Fatal(err)
		}
		if err := stream.Send(&pb.UploadAssetRequest{Part: &pb.UploadAssetRequest_Start{Start: &pb.UploadAssetStart{Sha256: make([]byte, 32), SizeBytes: 1000}}}); err != nil {
			t.Fatal(err)
		}
		if err := stream.Send(&pb.UploadAssetRequest{Part: &pb.UploadAssetRequest_Chunk{Chunk: []byte{1}}}); err != nil {
			t.Fatal(err)
		}
		err = stream.RecvMsg(&pb.Asset{}) // sends nothing more
		wantStatus(t, err, codes.DeadlineExceeded, "IDLE")
		if list, err := os.ReadDir(dir); err != nil || len(list) != 0 {
			t.Errorf("%d files are left, %v", len(list), err)
		}
	})
	t.Run("arrays", func(t *testing.T) {
		stream, err := api.StreamTransferArrays(t.Context())
		if err != nil {
			t.Fatal(err)
		}
		if err := stream.Send(&pb.StreamTransferArraysRequest{Part: &pb.StreamTransferArraysRequest_Request{Request: &pb.TransferArraysRequest{}}}); err != nil {
			t.Fatal(err)
		}
		_, err = stream.Recv()
		wantStatus(t, err, codes.DeadlineExceeded, "IDLE")
	})
	idle(t, s)
}

func TestSlowReader(t *testing.T) {
	s := start(t, server.Config{Admin: "127.0.0.1:0", IdleTime: 200 * time.Millisecond})
	// A fixed window keeps the library from taking in the whole result unread.
	api, _ := raw(t, s.addr, grpc.WithStaticStreamWindowSize(64<<10), grpc.WithStaticConnWindowSize(64<<10))
	stream := begun(t, t.Context(), api)
	idle(t, s) // gave up on this reader
	_, err := end(stream)
	wantStatus(t, err, codes.DeadlineExceeded, "IDLE")
}

func TestTokens(t *testing.T) {
	file := filepath.Join(t.TempDir(), "tokens")
	write := func(secrets ...string) {
		var b strings.Builder
		for i, s := range secrets {
			fmt.Fprintf(&b, "caller-%d %x\n", i, sha256.Sum256([]byte(s)))
		}
		if err := os.WriteFile(file, []byte(b.String()), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	write("first secret", "second secret")
	s := start(t, server.Config{Tokens: file})
	dial(t, s.addr, client.WithToken("first secret"))
	dial(t, s.addr, client.WithToken("second secret"))
	for name, opts := range map[string][]client.Option{
		"none": nil, "wrong": {client.WithToken("third secret")}, "part": {client.WithToken("first secre")},
		"a hash": {client.WithToken(fmt.Sprintf("%x", sha256.Sum256([]byte("first secret"))))},
	} {
		_, err := client.Dial(t.Context(), s.addr, opts...)
		if status.Code(err) != codes.Unauthenticated {
			t.Errorf("%s: %v", name, err)
		}
	}
	// Health needs none.
	_, conn := raw(t, s.addr)
	if m, err := healthpb.NewHealthClient(conn).Check(t.Context(), &healthpb.HealthCheckRequest{}); err != nil || m.Status != healthpb.HealthCheckResponse_SERVING {
		t.Errorf("health without token: %v, %v", m, err)
	}
	// Streams are guarded too.
	_, err := upload(t.Context(), pb.NewSelvageServiceClient(conn), nil)
	wantStatus(t, err, codes.Unauthenticated, "TOKEN_INVALID")
	// Another list counts after a while, without a restart; one that cannot be read
	// changes nothing.
	time.Sleep(1100 * time.Millisecond)
	if err := os.WriteFile(file, []byte("broken"), 0o600); err != nil {
		t.Fatal(err)
	}
	dial(t, s.addr, client.WithToken("first secret"))
	time.Sleep(1100 * time.Millisecond)
	write("third secret")
	dial(t, s.addr, client.WithToken("third secret"))
	if _, err := client.Dial(t.Context(), s.addr, client.WithToken("first secret")); status.Code(err) != codes.Unauthenticated {
		t.Errorf("a token that was taken away: %v", err)
	}
	if _, err := client.Dial(t.Context(), "pilot.example:7411", client.WithToken("first secret")); err == nil || !strings.Contains(err.Error(), "TLS") {
		t.Errorf("a token in the clear to another machine: %v", err)
	}
}

func TestRate(t *testing.T) {
	file := filepath.Join(t.TempDir(), "tokens")
	text := fmt.Sprintf("a %x\nb %x\n", sha256.Sum256([]byte("one")), sha256.Sum256([]byte("two")))
	if err := os.WriteFile(file, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	s := start(t, server.Config{Tokens: file, Rate: 0.5, Burst: 3})
	api, _ := raw(t, s.addr)
	call := func(token string) error {
		ctx := metadata.AppendToOutgoingContext(t.Context(), "authorization", "Bearer "+token)
		_, err := api.GetServerInfo(ctx, &pb.GetServerInfoRequest{})
		return err
	}
	for range 3 {
		if err := call("one"); err != nil {
			t.Fatal(err)
		}
	}
	err := call("one")
	wantStatus(t, err, codes.ResourceExhausted, "BUSY")
	if d := retryDelay(err); d <= 0 || d > 2*time.Second {
		t.Errorf("asks to wait %v, want up to 2 s", d)
	}
	if err := call("two"); err != nil {
		t.Errorf("another token: %v", err)
	}
}

func TestQueueFull(t *testing.T) {
	s := start(t, server.Config{Admin: "127.0.0.1:0", MaxCalls: 1, Queue: 1, QueueWait: 20 * time.Second})
	api, _ := raw(t, s.addr)
	ctx, cancel := context.WithCancel(t.Context())
	defer cancel()
	begun(t, ctx, api) // has the slot
	w := theWardrobe()
	small := &pb.TransferAssetRequest{
		Body:    &pb.AssetSource{Source: &pb.AssetSource_Content{Content: w.body}},
		Garment: &pb.AssetSource{Source: &pb.AssetSource_Content{Content: w.garments[0]}},
	}
	queued, err := api.TransferAsset(ctx, small)
	if err != nil {
		t.Fatal(err)
	}
	for range 2000 {
		if metric(t, s, "selvage_queue_depth") == "1" {
			break
		}
		time.Sleep(5 * time.Millisecond)
	}
	over, err := api.TransferAsset(ctx, small)
	if err == nil {
		_, err = end(over)
	}
	wantStatus(t, err, codes.ResourceExhausted, "BUSY")
	if d := retryDelay(err); d <= 0 {
		t.Errorf("asks to wait %v", d)
	}
	if n, err := end(queued); n == 0 || !errors.Is(err, io.EOF) {
		t.Errorf("the queued call: %d bytes, %v", n, err)
	}
}

// TestLargeBesideSmall: while a large call has the only slot of its lane, small
// ones come and go.
func TestLargeBesideSmall(t *testing.T) {
	w := theWardrobe()
	// Large is what needs more than a sixteenth of a GiB.
	s := start(t, server.Config{Admin: "127.0.0.1:0", MaxCalls: 1, WorkBytes: 1 << 30})
	api, _ := raw(t, s.addr)
	c := dial(t, s.addr)
	if _, err := c.Upload(t.Context(), w.bodyAsset()); err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	defer cancel()
	const hat = 5
	want, r := w.local(t, hat, transfer.AssetOptions{})
	large := begun(t, ctx, api)
	got, err := c.Transfer(t.Context(), client.Request{Body: client.NewAsset("body", w.body), Garment: w.garmentAsset(hat)})
	if err != nil || !bytes.Equal(got.GLB, want) {
		t.Errorf("the small call: %v", err)
	}
	if v := metric(t, s, "selvage_vertices_total"); v != fmt.Sprint(r.Summary.Vertices) {
		t.Errorf("%s vertices were finished, want the small call's %d alone: it waited for the large one", v, r.Summary.Vertices)
	}
	cancel()
	_, err = end(large)
	wantStatus(t, err, codes.Canceled, "")
}

// TestManyOpen: calls on the wire are bounded before their messages are read, and
// each that ends makes room.
func TestManyOpen(t *testing.T) {
	const most = 64 // the least that the bound may be
	s := start(t, server.Config{WorkBytes: 1 << 20})
	api, _ := raw(t, s.addr)
	ctx, cancel := context.WithCancel(t.Context())
	for range most {
		stream, err := api.UploadAsset(ctx)
		if err != nil {
			t.Fatal(err)
		}
		if err := stream.Send(&pb.UploadAssetRequest{Part: &pb.UploadAssetRequest_Start{Start: &pb.UploadAssetStart{Sha256: make([]byte, 32), SizeBytes: 1000}}}); err != nil {
			t.Fatal(err)
		}
	}
	ask := func() error {
		_, err := api.GetServerInfo(t.Context(), &pb.GetServerInfoRequest{})
		return err
	}
	var err error
	for range 1000 { // the streams arrive in their own time
		if err = ask(); err != nil {
			break
		}
		time.Sleep(10 * time.Millisecond)
	}
	wantStatus(t, err, codes.Unavailable, "")
	cancel()
	for range 1000 {
		if err = ask(); err == nil {
			return
		}
		time.Sleep(10 * time.Millisecond)
	}
	t.Errorf("after the others ended: %v", err)
}

// TestConcurrent_EveryReplyRight sends 200 calls at once, of several kinds.
func TestConcurrent_EveryReplyRight(t *testing.T) {
	const calls, seed = 200, 11
	w := theWardrobe()
	s := start(t, server.Config{Admin: "127.0.0.1:0", Queue: calls, QueueWait: time.Minute})
	c := dial(t, s.addr)
	body := w.bodyAsset()
	want := make([][]byte, len(w.names))
	for _, k := range []int{2, 3, 5} { // boots, gloves, hat: the small ones; mostly the hat
		want[k], _ = w.local(t, k, transfer.AssetOptions{})
	}
	r := rand.New(rand.NewPCG(seed, 0))
	var wg sync.WaitGroup
	for i := range calls {
		k := []int{2, 3, 5, 5, 5, 5, 5, 5, 5, 5}[r.IntN(10)]
		kind := r.IntN(4)
		wg.Go(func() {
			switch kind {
			case 0, 1:
				got, err := c.Transfer(t.Context(), client.Request{Body: body, Garment: w.garmentAsset(k)})
				if err != nil {
					t.Errorf("seed %d, call %d: %v", seed, i, err)
				} else if !bytes.Equal(got.GLB, want[k]) {
					t.Errorf("seed %d, call %d: wrong bytes", seed, i)
				}
			case 2:
				d, err := c.Inspect(t.Context(), w.garmentAsset(k))
				if err != nil || d.File != w.names[k] {
					t.Errorf("seed %d, call %d: %v, %v", seed, i, d, err)
				}
			case 3:
				_, err := c.Inspect(t.Context(), client.NewAsset("x", []byte("garbage")))
				if status.Code(err) != codes.InvalidArgument {
					t.Errorf("seed %d, call %d: %v", seed, i, err)
				}
			}
		})
	}
	wg.Wait()
	idle(t, s)
	if v := metric(t, s, `selvage_prepared_bodies_total{result="miss"}`); v != "1" {
		t.Errorf("the body was prepared %s times, want once", v)
	}
}

// TestClient_SurvivesRestart: calls go on after the server came back, at the same
// address and without its store.
func TestClient_SurvivesRestart(t *testing.T) {
	w := theWardrobe()
	s := start(t, server.Config{})
	c := dial(t, s.addr, client.WithRetry(client.Retry{Attempts: 20, First: 20 * time.Millisecond, Longest: 200 * time.Millisecond}))
	want, _ := w.local(t, 3, transfer.AssetOptions{})
	do := func() {
		t.Helper()
		got, err := c.Transfer(t.Context(), client.Request{Body: w.bodyAsset(), Garment: w.garmentAsset(3)})
		if err != nil {
			t.Fatal(err)
		}
		if !bytes.Equal(got.GLB, want) {
			t.Error("wrong bytes")
		}
	}
	do()
	if err := s.stop(); err != nil {
		t.Fatal(err)
	}
	back := make(chan struct{})
	go func() {
		time.Sleep(150 * time.Millisecond)
		close(back)
	}()
	ended := make(chan struct{})
	go func() {
		defer close(ended)
		do()
	}()
	<-back
	start(t, server.Config{Listen: s.addr})
	<-ended
}

// TestListen_Taken: an address in use is an error, and nothing stays open.
func TestListen_Taken(t *testing.T) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	s, err := server.NewServer(server.Config{Listen: l.Addr().String()})
	if err != nil {
		t.Fatal(err)
	}
	if err := s.Listen(t.Context()); err == nil {
		t.Error("listens where another does")
	}
}
