package server_test

import (
	"bytes"
	"context"
	"errors"
	"io"
	"reflect"
	"strings"
	"testing"

	pb "github.com/selvage/selvage/api/selvage/v1"
	"github.com/selvage/selvage/client"
	"github.com/selvage/selvage/server"
	"github.com/selvage/selvage/transfer"
	"github.com/selvage/selvage/transfer/gltfio"
	"github.com/selvage/selvage/transfer/retouch"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/credentials/insecure"
	"google.golang.org/grpc/status"
)

func retouchRequests() map[string]retouch.Request {
	return map[string]retouch.Request{
		"fill":   {Mask: []string{"near:forearm.*:0.04"}, Fill: &retouch.FillRequest{Energy: transfer.FillBiharmonic}},
		"mirror": {Mirror: &retouch.MirrorOptions{FromRight: true}},
		"even":   {Even: &retouch.EvenRequest{Joints: [2]string{"forearm.left", "forearm_twist.left"}}},
		"smooth": {Mask: []string{"joint:spine*"}, Smooth: &retouch.SmoothOptions{Strength: 2}},
		"tidy":   {Tidy: &retouch.TidyOptions{}, MaxInfluences: 2},
	}
}

// uneven is the mate's body smoothed on one side and at the front alone.
func uneven(t testing.TB) []byte {
	t.Helper()
	out, _ := retouchedHere(t, theWardrobe().body, nil, retouch.Request{Mask: []string{"box:0,0,0,2,2,2"}, Smooth: &retouch.SmoothOptions{Strength: 4}})
	return out
}

// retouchedHere is the operation in process; nil where nothing changes.
func retouchedHere(t testing.TB, data, from []byte, r retouch.Request) ([]byte, *retouch.Summary) {
	t.Helper()
	parse := func(data []byte, name string) *gltfio.Asset {
		a, err := gltfio.Parse(data, name, gltfio.Options{})
		if err != nil {
			t.Fatal(err)
		}
		return a
	}
	a := parse(data, "body.glb")
	var source *gltfio.Asset
	if from != nil {
		source = parse(from, "other.glb")
	}
	out, sum, err := retouch.Run(t.Context(), a, source, r)
	if err != nil {
		t.Fatal(err)
	}
	if out == a {
		return nil, sum
	}
	return glb(out.Encode), sum
}

// TestRetouch_SameAsInProcess: bytes and summary, whether the asset is sent or was
// uploaded, and with any number of threads.
func TestRetouch_SameAsInProcess(t *testing.T) {
	body := uneven(t)
	for _, small := range []bool{false, true} {
		c := server.Config{}
		if small { // the asset does not fit in a message
			if c.MaxMessageBytes = 2 << 20; int64(len(body)) <= c.MaxMessageBytes/2 {
				t.Fatalf("%d bytes are no test of this", len(body))
			}
		}
		cl := dial(t, start(t, c).addr)
		for name, r := range retouchRequests() {
			want, sum := retouchedHere(t, body, nil, r)
			r.Threads = 1
			got, err := cl.Retouch(t.Context(), client.RetouchRequest{Asset: client.NewAsset("body.glb", body), Request: r})
			if err != nil {
				t.Fatalf("%s: %v", name, err)
			}
			if want == nil || got.Unchanged || !bytes.Equal(got.GLB, want) {
				t.Errorf("%s: %d bytes, want %d", name, len(got.GLB), len(want))
			}
			if !reflect.DeepEqual(got.Summary, sum) {
				t.Errorf("%s: %+v, want %+v", name, got.Summary, sum)
			}
		}
		w := theWardrobe()
		r := retouch.Request{Mirror: &retouch.MirrorOptions{}}
		want, _ := retouchedHere(t, body, w.body, r)
		got, err := cl.Retouch(t.Context(), client.RetouchRequest{Asset: client.NewAsset("body.glb", body), Source: client.NewAsset("other.glb", w.body), Request: r})
		if err != nil || !bytes.Equal(got.GLB, want) {
			t.Errorf("onto: %v", err)
		}
		got, err = cl.Retouch(t.Context(), client.RetouchRequest{Asset: w.bodyAsset(), Request: r})
		if err != nil || !got.Unchanged || !bytes.Equal(got.GLB, w.body) {
			t.Errorf("a symmetric body changed: %v", err)
		}
	}
}

func TestRetouch_Faults(t *testing.T) {
	w := theWardrobe()
	s := start(t, server.Config{Admin: "127.0.0.1:0"})
	conn, err := grpc.NewClient(s.addr, grpc.WithTransportCredentials(insecure.NewCredentials()))
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close()
	call := func(ctx context.Context, m *pb.RetouchAssetRequest) error {
		stream, err := pb.NewRetouchServiceClient(conn).RetouchAsset(ctx, m)
		for err == nil {
			_, err = stream.Recv()
		}
		if errors.Is(err, io.EOF) {
			return nil
		}
		return err
	}
	inline := &pb.AssetSource{Source: &pb.AssetSource_Content{Content: w.body}}
	tidy := &pb.RetouchAssetRequest_Tidy{Tidy: &pb.TidyOperation{}}
	for _, c := range []struct {
		name string
		m    *pb.RetouchAssetRequest
		code codes.Code
	}{
		{"no asset", &pb.RetouchAssetRequest{Operation: tidy}, codes.InvalidArgument},
		{"no operation", &pb.RetouchAssetRequest{Asset: inline}, codes.InvalidArgument},
		{"unknown asset", &pb.RetouchAssetRequest{Asset: &pb.AssetSource{Source: &pb.AssetSource_Asset{Asset: "assets/" + "00000000000000000000000000000000000000000000000000000000000000ff"}}, Operation: tidy}, codes.NotFound},
		{"option", &pb.RetouchAssetRequest{Asset: inline, MaxInfluences: 99, Operation: tidy}, codes.InvalidArgument},
		{"region", &pb.RetouchAssetRequest{Asset: inline, Mask: []string{"ball:1"}, Operation: &pb.RetouchAssetRequest_Smooth{}}, codes.InvalidArgument},
		{"many specs", &pb.RetouchAssetRequest{Asset: inline, Mask: make([]string, 1001), Operation: &pb.RetouchAssetRequest_Smooth{}}, codes.InvalidArgument},
		{"many pairs", &pb.RetouchAssetRequest{Asset: inline, Operation: &pb.RetouchAssetRequest_Mirror{Mirror: &pb.MirrorOperation{Pairs: make([]*pb.JointNamePair, 1<<16+1)}}}, codes.InvalidArgument},
		{"a garment without weights", &pb.RetouchAssetRequest{Asset: &pb.AssetSource{Source: &pb.AssetSource_Content{Content: w.garments[0]}}, Operation: tidy}, codes.InvalidArgument},
		{"a source that is none", &pb.RetouchAssetRequest{Asset: inline, Operation: &pb.RetouchAssetRequest_Mirror{Mirror: &pb.MirrorOperation{Source: &pb.AssetSource{}}}}, codes.InvalidArgument},
	} {
		if err := call(t.Context(), c.m); status.Code(err) != c.code {
			t.Errorf("%s: %v", c.name, err)
		}
	}
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	if err := call(ctx, &pb.RetouchAssetRequest{Asset: inline, Operation: tidy}); status.Code(err) != codes.Canceled {
		t.Errorf("cancelled: %v", err)
	}
	var option *transfer.OptionError
	_, err = dial(t, s.addr).Retouch(t.Context(), client.RetouchRequest{Asset: w.bodyAsset(), Request: retouch.Request{Smooth: &retouch.SmoothOptions{Passes: -1}}})
	if !errors.As(err, &option) || option.Option != "passes" {
		t.Errorf("an option's fault is %v", err)
	}
	// What is doubtful is the core's own error, and names no flag of the command line.
	half, doubt := 0.5, (*retouch.DoubtError)(nil)
	mirror := retouch.Request{Mirror: &retouch.MirrorOptions{Plane: &half}}
	_, err = dial(t, s.addr).Retouch(t.Context(), client.RetouchRequest{Asset: w.bodyAsset(), Request: mirror})
	here, parsed := (*retouch.DoubtError)(nil), parse(t, w.body, w.bodyAsset().Name())
	if _, _, err := retouch.Run(t.Context(), parsed, nil, mirror); !errors.As(err, &here) {
		t.Fatalf("here it is %v", err)
	}
	if !errors.As(err, &doubt) || *doubt != *here {
		t.Errorf("what is doubtful is %v, here %v", err, here)
	}
	if s := status.Convert(err); s.Code() != codes.InvalidArgument || !strings.Contains(s.Message(), "the mirror's plane") || strings.Contains(s.Message(), "--") {
		t.Errorf("the server says %v", s)
	}
	idle(t, s)
}
