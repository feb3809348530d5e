package server_test

import (
	"context"
	"encoding/json"
	"errors"
	"io"
	"os"
	"path/filepath"
	"reflect"
	"strings"
	"testing"
	"time"

	pb "github.com/selvage/selvage/api/selvage/v1"
	"github.com/selvage/selvage/client"
	"github.com/selvage/selvage/server"
	"github.com/selvage/selvage/transfer"
	"github.com/selvage/selvage/transfer/gltfio"
	"github.com/selvage/selvage/transfer/pose"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
)

// weighted is garment k with the body's weights.
func (w *wardrobe) weighted(t testing.TB, k int) *client.Asset {
	t.Helper()
	data, _ := w.local(t, k, transfer.AssetOptions{})
	return client.NewAsset(w.names[k], data)
}

// jersey is the index of the mate's jersey.
func (w *wardrobe) jersey(t testing.TB) int {
	t.Helper()
	for k, n := range w.names {
		if strings.HasPrefix(n, "jersey") {
			return k
		}
	}
	t.Fatalf("no jersey among %q", w.names)
	return 0
}

// checkedHere is the check in process.
func checkedHere(t testing.TB, w *wardrobe, k int, opt pose.FileOptions) (*pose.Report, []pose.Result) {
	t.Helper()
	body, err := gltfio.Parse(w.body, "body.glb", gltfio.Options{})
	if err != nil {
		t.Fatal(err)
	}
	data, _ := w.local(t, k, transfer.AssetOptions{})
	garment, err := gltfio.Parse(data, w.names[k], gltfio.Options{})
	if err != nil {
		t.Fatal(err)
	}
	checker, err := pose.FromAssets(t.Context(), body, garment, opt)
	if err != nil {
		t.Fatal(err)
	}
	var all []pose.Result
	r, err := checker.Run(t.Context(), func(x pose.Result) error { all = append(all, x); return nil })
	if err != nil {
		t.Fatal(err)
	}
	return r, all
}

// armsPlan is a short plan that uses every part of one.
func armsPlan() *pose.Plan {
	half := 0.5
	return &pose.Plan{
		Angles: []float64{70}, Move: new(float64), Scale: []float64{0.8},
		Groups: map[string][]string{"arms": {"upper_arm.*", "forearm.*"}},
		Joints: []pose.JointRule{
			{Joints: []string{"*"}, Skip: true},
			{Joints: []string{"arms"}, Angles: []float64{30, 100}, Range: pose.AxisRanges{Y: &[2]float64{-20, 40}}, Importance: pose.AxisNumbers{X: &half}},
		},
		Poses: []pose.WholePose{{Name: "arms overhead", Importance: &half, Set: []pose.JointChange{
			{Joints: []string{"upper_arm.left"}, Turn: [3]float64{0, 0, 100}, Move: [3]float64{0, 0.01, 0}},
			{Joints: []string{"upper_arm.right"}, Turn: [3]float64{0, 0, -100}, Scale: &[3]float64{1, 1.1, 1}},
		}}},
		Limits: pose.Limits{Gap: 0.01, Jagged: 0.2, BodyJagged: 0.3},
	}
}

func TestCheck_SameAsInProcess(t *testing.T) {
	w := theWardrobe()
	s := start(t, server.Config{Admin: "127.0.0.1:0"})
	c := dial(t, s.addr)
	found := 0
	for k, name := range w.names {
		for what, plan := range map[string]*pose.Plan{"default sweep": nil, "plan": armsPlan()} {
			if plan == nil && k != w.jersey(t) {
				continue // the whole sweep of one garment, the plan of all
			}
			want, results := checkedHere(t, w, k, pose.FileOptions{Options: pose.Options{Plan: plan}})
			var got []pose.Result
			last := 0
			r, err := c.Check(t.Context(), client.CheckRequest{
				Body: w.bodyAsset(), Garment: w.weighted(t, k), Plan: plan, Threads: 1 + k%2,
				Progress: func(done, total int, _ string) {
					if done < last || total != want.Poses {
						t.Errorf("%s: pose %d after %d, of %d", name, done, last, total)
					}
					last = done
				},
				Each: func(x pose.Result) error { got = append(got, x); return nil },
			})
			if err != nil {
				t.Fatalf("%s, %s: %v", name, what, err)
			}
			x, _ := json.MarshalIndent(want, "", "  ")
			y, _ := json.MarshalIndent(r, "", "  ")
			if string(x) != string(y) || !reflect.DeepEqual(want.Limits, r.Limits) {
				t.Errorf("%s, %s: the server's report differs", name, what)
			}
			x, _ = json.Marshal(results)
			if y, _ = json.Marshal(got); string(x) != string(y) {
				t.Errorf("%s, %s: the server's poses differ: %d, want %d", name, what, len(got), len(results))
			}
			found += len(r.Findings) + len(r.Notes)
		}
	}
	if found < 100 {
		t.Errorf("%d findings and notes in all: it checks little", found)
	}
	// The body was prepared once.
	if v := metric(t, s, `selvage_prepared_bodies_total{result="miss"}`); v != "1" {
		t.Errorf("the body was prepared %s times", v)
	}
	if v := metric(t, s, "selvage_checked_poses_total"); v == "0" || v == "" {
		t.Errorf("%q poses counted", v)
	}
}

// TestCheck_EachStops: the callback's error ends the call.
func TestCheck_EachStops(t *testing.T) {
	w := theWardrobe()
	s := start(t, server.Config{Admin: "127.0.0.1:0"})
	enough := errors.New("enough")
	_, err := dial(t, s.addr).Check(t.Context(), client.CheckRequest{
		Body: w.bodyAsset(), Garment: w.weighted(t, w.jersey(t)), Each: func(pose.Result) error { return enough },
	})
	if !errors.Is(err, enough) {
		t.Errorf("error %v", err)
	}
	idle(t, s)
}

// checkRequest has both assets inside.
func checkRequest(t testing.TB, k int) *pb.CheckPosesRequest {
	w := theWardrobe()
	data, _ := w.local(t, k, transfer.AssetOptions{})
	return &pb.CheckPosesRequest{
		Body:    &pb.AssetSource{Source: &pb.AssetSource_Content{Content: w.body}},
		Garment: &pb.AssetSource{Source: &pb.AssetSource_Content{Content: data}},
	}
}

// endOfCheck reads a stream to its error.
func endOfCheck(stream grpc.ServerStreamingClient[pb.CheckPosesResponse], err error) error {
	for err == nil {
		_, err = stream.Recv()
	}
	return err
}

func TestCheck_Refusals(t *testing.T) {
	w := theWardrobe()
	dir := t.TempDir()
	s := start(t, server.Config{Store: dir, Admin: "127.0.0.1:0"})
	api, _ := raw(t, s.addr, grpc.WithDefaultCallOptions(grpc.MaxCallSendMsgSize(1<<30)))
	secret := filepath.Join(dir, "secret.yaml")
	if err := os.WriteFile(secret, []byte("angles: [45]\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	plan := func(p *pb.CheckPlan) func(*pb.CheckPosesRequest) {
		return func(m *pb.CheckPosesRequest) { m.Plan = p }
	}
	for _, c := range []struct {
		name   string
		spoil  func(m *pb.CheckPosesRequest)
		code   codes.Code
		reason string
		says   string
	}{
		{"no body", func(m *pb.CheckPosesRequest) { m.Body = nil }, codes.InvalidArgument, "FIELD_INVALID", "body"},
		{"no garment", func(m *pb.CheckPosesRequest) { m.Garment = nil }, codes.InvalidArgument, "FIELD_INVALID", "garment"},
		{"path for a name", func(m *pb.CheckPosesRequest) {
			m.Garment = &pb.AssetSource{Source: &pb.AssetSource_Asset{Asset: "assets/../secret.yaml"}}
		}, codes.InvalidArgument, "FIELD_INVALID", "garment.asset"},
		{"garment without weights", func(m *pb.CheckPosesRequest) {
			m.Garment.Source = &pb.AssetSource_Content{Content: w.garments[0]}
		}, codes.InvalidArgument, "ASSET_INVALID", "garment: has no skin"},
		{"body without skin", func(m *pb.CheckPosesRequest) {
			m.Body.Source = &pb.AssetSource_Content{Content: w.garments[0]}
		}, codes.InvalidArgument, "ASSET_INVALID", "body"},
		{"no such mesh", func(m *pb.CheckPosesRequest) { m.GarmentNames = []string{"nobody"} }, codes.InvalidArgument, "ASSET_INVALID", "nobody"},
		{"long pattern", func(m *pb.CheckPosesRequest) { m.BodyNames = []string{strings.Repeat("*", 300)} }, codes.InvalidArgument, "FIELD_INVALID", "body_names"},
		{"samples", func(m *pb.CheckPosesRequest) { m.Samples = -1 }, codes.InvalidArgument, "FIELD_INVALID", "samples"},
		{"threads", func(m *pb.CheckPosesRequest) { m.Threads = -1 }, codes.InvalidArgument, "FIELD_INVALID", "threads"},
		{"angle", plan(&pb.CheckPlan{Angles: &pb.Numbers{Values: []float64{200}}}), codes.InvalidArgument, "FIELD_INVALID", "plan.angles[0]"},
		{"limit", plan(&pb.CheckPlan{Limits: &pb.CheckLimits{CarriedIn: -1}}), codes.InvalidArgument, "FIELD_INVALID", "plan.limits.carried_in"},
		{"file for a joint", plan(&pb.CheckPlan{Poses: []*pb.WholePose{{Name: "a", Set: []*pb.JointChange{{Joints: []string{secret}}}}}}),
			codes.InvalidArgument, "FIELD_INVALID", "plan.poses[0].set[0].joints"},
		{"long name", plan(&pb.CheckPlan{Poses: []*pb.WholePose{{Name: strings.Repeat("a", 256), Set: []*pb.JointChange{{Joints: []string{"*"}}}}}}),
			codes.InvalidArgument, "FIELD_INVALID", "plan.poses[0].name"},
		{"many names", plan(&pb.CheckPlan{Groups: map[string]*pb.JointGroup{"g": {Joints: make([]string, 10001)}}}), codes.InvalidArgument, "FIELD_INVALID", "plan.groups"},
		{"the garment as a layer", func(m *pb.CheckPosesRequest) { m.Layers = []*pb.AssetSource{m.GetGarment()} }, codes.InvalidArgument, "FIELD_INVALID", "layers[0]"},
		{"the body as a layer", func(m *pb.CheckPosesRequest) { m.Layers = []*pb.AssetSource{m.GetBody()} }, codes.InvalidArgument, "FIELD_INVALID", "is the body itself"},
		{"long rule", func(m *pb.CheckPosesRequest) {
			m.JointMap = []*pb.JointMapRule{{From: strings.Repeat("*", 300), To: "hip"}}
		}, codes.InvalidArgument, "FIELD_INVALID", "joint_map"},
		{"rule without a name", func(m *pb.CheckPosesRequest) { m.JointMap = []*pb.JointMapRule{{From: "*"}} }, codes.InvalidArgument, "FIELD_INVALID", "both sides need a name"},
		{"many angles", plan(&pb.CheckPlan{Angles: &pb.Numbers{Values: ascending(30000)}}), codes.ResourceExhausted, "OVER_LIMIT", "max_poses"},
	} {
		t.Run(c.name, func(t *testing.T) {
			m := checkRequest(t, w.jersey(t))
			c.spoil(m)
			err := endOfCheck(api.CheckPoses(t.Context(), m))
			if errors.Is(err, io.EOF) {
				t.Fatal("it was done")
			}
			wantStatus(t, err, c.code, c.reason)
			if !strings.Contains(err.Error(), c.says) || strings.Contains(err.Error(), ".go:") {
				t.Errorf("the error does not say %q: %v", c.says, err)
			}
			idle(t, s)
		})
	}
}

// ascending is n different angles.
func ascending(n int) []float64 {
	out := make([]float64, n)
	for i := range out {
		out[i] = 180 * float64(i+1) / float64(n)
	}
	return out
}

// checkBegun starts a long check and returns when poses come.
func checkBegun(t testing.TB, ctx context.Context, api pb.SelvageServiceClient) grpc.ServerStreamingClient[pb.CheckPosesResponse] {
	t.Helper()
	m := checkRequest(t, theWardrobe().jersey(t))
	m.Plan = &pb.CheckPlan{Angles: &pb.Numbers{Values: ascending(60)}}
	stream, err := api.CheckPoses(ctx, m)
	for err == nil {
		var part *pb.CheckPosesResponse
		if part, err = stream.Recv(); part.GetPose() != nil {
			return stream
		}
	}
	t.Fatal(err)
	return nil
}

func TestCheck_CancelStopsTheWork(t *testing.T) {
	s := start(t, server.Config{Admin: "127.0.0.1:0"})
	api, _ := raw(t, s.addr)
	ctx, cancel := context.WithCancel(t.Context())
	defer cancel()
	stream := checkBegun(t, ctx, api)
	cancel()
	wantStatus(t, endOfCheck(stream, nil), codes.Canceled, "")
	idle(t, s)
	if v := metric(t, s, "selvage_checked_poses_total"); v != "0" {
		t.Errorf("%s poses were finished all the same", v)
	}
}

func TestCheck_Deadline(t *testing.T) {
	s := start(t, server.Config{Admin: "127.0.0.1:0", CallTime: 300 * time.Millisecond})
	api, _ := raw(t, s.addr)
	m := checkRequest(t, theWardrobe().jersey(t))
	m.Plan = &pb.CheckPlan{Angles: &pb.Numbers{Values: ascending(60)}}
	wantStatus(t, endOfCheck(api.CheckPoses(t.Context(), m)), codes.DeadlineExceeded, "")
	idle(t, s)
}

// A client that stops reading gets what waits for it no longer than the idle time,
// and does not keep others from computing.
func TestCheck_SlowReader(t *testing.T) {
	s := start(t, server.Config{Admin: "127.0.0.1:0", IdleTime: 200 * time.Millisecond})
	api, _ := raw(t, s.addr, grpc.WithStaticStreamWindowSize(64<<10), grpc.WithStaticConnWindowSize(64<<10))
	stream := checkBegun(t, t.Context(), api)
	idle(t, s) // gave up on this reader
	wantStatus(t, endOfCheck(stream, nil), codes.DeadlineExceeded, "IDLE")
}

// Deleting the body drops what was prepared for checks.
func TestCheck_DeleteDropsTheBody(t *testing.T) {
	w := theWardrobe()
	s := start(t, server.Config{Admin: "127.0.0.1:0"})
	c := dial(t, s.addr)
	api, _ := raw(t, s.addr)
	if _, err := c.Check(t.Context(), client.CheckRequest{Body: w.bodyAsset(), Garment: w.weighted(t, w.jersey(t)), Plan: armsPlan()}); err != nil {
		t.Fatal(err)
	}
	if v := metric(t, s, "selvage_body_bytes"); v == "0" {
		t.Error("nothing is kept")
	}
	list, err := api.ListAssets(t.Context(), &pb.ListAssetsRequest{})
	if err != nil || len(list.GetAssets()) == 0 {
		t.Fatalf("%d assets, %v", len(list.GetAssets()), err)
	}
	for _, a := range list.GetAssets() {
		if _, err := api.DeleteAsset(t.Context(), &pb.DeleteAssetRequest{Name: a.GetName()}); err != nil {
			t.Fatal(err)
		}
	}
	if v := metric(t, s, "selvage_body_bytes"); v != "0" {
		t.Errorf("%s bytes of bodies are kept", v)
	}
}
