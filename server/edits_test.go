package server_test

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"io"
	"math"
	"reflect"
	"slices"
	"strings"
	"testing"

	"github.com/selvage/selvage/api/convert"
	pb "github.com/selvage/selvage/api/selvage/v1"
	"github.com/selvage/selvage/client"
	"github.com/selvage/selvage/server"
	"github.com/selvage/selvage/transfer"
	"github.com/selvage/selvage/transfer/gltfio"
	"github.com/selvage/selvage/transfer/pass"
	"github.com/selvage/selvage/transfer/skinning"
	"github.com/selvage/selvage/transfer/weights"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
)

func parse(t testing.TB, data []byte, name string) *gltfio.Asset {
	t.Helper()
	a, err := gltfio.Parse(data, name, gltfio.Options{})
	if err != nil {
		t.Fatal(err)
	}
	return a
}

// repainted gives the share of every step-th vertex's row to joint 1, as an artist
// would in another program.
func repainted(t testing.TB, data []byte, step int, share float64) []byte {
	t.Helper()
	a := parse(t, data, "artist.glb")
	s, read, err := pass.ReadSurface(t.Context(), a, gltfio.Selection{})
	if err != nil {
		t.Fatal(err)
	}
	acc, rows := weights.NewAccumulator(len(s.Joints)), weights.NewRows(0)
	for v := range s.Mesh.Positions {
		x := 0.0
		if v%step == 0 {
			x = share
			acc.Add(1, x)
		}
		acc.AddRow(s.Rows, v, 1-x)
		acc.FlushNormalised(rows)
	}
	if rows, _, err = weights.Finish(rows, weights.FinishOptions{MaxInfluences: 4}); err != nil {
		t.Fatal(err)
	}
	b, _, err := a.WithRows(read, a, &gltfio.Surface{Mesh: read.Mesh, Skin: &skinning.Skin{Name: read.Skin.Name}}, gltfio.Output{Rows: rows, Kept: read.JointNode})
	if err != nil {
		t.Fatal(err)
	}
	return glb(b.Encode)
}

// sameJSON reports whether a program that reads the two sees a difference.
func sameJSON(t testing.TB, a, b any) bool {
	t.Helper()
	x, err := json.Marshal(a)
	if err != nil {
		t.Fatal(err)
	}
	y, err := json.Marshal(b)
	if err != nil {
		t.Fatal(err)
	}
	return bytes.Equal(x, y)
}

// TestPass_SameAsInProcess: three passes with edits in between give the same garment,
// record and summary as in process, with the record sent and named.
func TestPass_SameAsInProcess(t *testing.T) {
	w := theWardrobe()
	k := w.jersey(t)
	s := start(t, server.Config{Version: "v1"})
	c := dial(t, s.addr)
	var record, current []byte
	policy := pass.Policy{Default: pass.KeepChange, Rules: []pass.Rule{{Joint: "none*", Choice: pass.TakeNew}}}
	for round, falloff := range []float64{0, 0, 5} {
		opt := transfer.AssetOptions{Options: transfer.Options{Falloff: falloff}}
		fresh, r := w.local(t, k, opt)
		in := pass.Input{Garment: w.names[k], New: parse(t, fresh, "new.glb"), Options: opt, Policy: policy, Program: "v1"}
		in.GarmentSum, in.BodySum = w.garmentAsset(k).Sum(), w.bodyAsset().Sum()
		request := client.Request{Body: w.bodyAsset(), Garment: w.garmentAsset(k), Options: opt, Pass: &client.Pass{Policy: policy}}
		if record != nil {
			var err error
			if in.Record, err = convert.UnpackPass(record); err != nil {
				t.Fatal(err)
			}
			in.Current = parse(t, current, "current.glb")
			request.Pass.Record, request.Pass.Current = record, client.NewAsset("current.glb", current)
		}
		want, err := pass.Run(t.Context(), in)
		if err != nil {
			t.Fatal(err)
		}
		got, err := c.Transfer(t.Context(), request)
		if err != nil {
			t.Fatal(err)
		}
		packed, err := convert.PackPass(want.Record)
		if err != nil {
			t.Fatal(err)
		}
		if !bytes.Equal(got.GLB, glb(want.Asset.Encode)) || !bytes.Equal(got.Record, packed) {
			t.Errorf("round %d: garment or record differ", round)
		}
		if !sameJSON(t, *got.Pass, want.Summary) {
			t.Errorf("round %d: summary %+v, want %+v", round, *got.Pass, want.Summary)
		}
		if x := want.Written(r).Summary; got.Summary.LowConfidence != x.LowConfidence || !reflect.DeepEqual(got.Summary.Reasons, x.Reasons) {
			t.Errorf("round %d: counts %d %v, want %d %v", round, got.Summary.LowConfidence, got.Summary.Reasons, x.LowConfidence, x.Reasons)
		}
		if !reflect.DeepEqual(got.Confidence, want.Confidence) {
			t.Errorf("round %d: other confidences", round)
		}
		if round > 0 && want.Summary.Edited == 0 || round == 2 && want.Summary.Carried+want.Summary.Conflict == 0 {
			t.Fatalf("round %d tests nothing: %+v", round, want.Summary)
		}
		record, current = got.Record, repainted(t, got.GLB, 7+round, 0.3)
	}

	// The same in steps.
	fresh, _ := w.local(t, k, transfer.AssetOptions{})
	in := pass.Input{New: parse(t, fresh, "new.glb"), Current: parse(t, current, "current.glb"), Policy: policy, Program: "v1"}
	var err error
	if in.Record, err = convert.UnpackPass(record); err != nil {
		t.Fatal(err)
	}
	in.OfRecord(1)
	want, err := pass.Run(t.Context(), in)
	if err != nil {
		t.Fatal(err)
	}
	got, err := c.Merge(t.Context(), client.MergeRequest{Record: record, Current: client.NewAsset("current.glb", current), Fresh: client.NewAsset("new.glb", fresh), Policy: policy})
	if err != nil {
		t.Fatal(err)
	}
	packed, err := convert.PackPass(want.Record)
	if err != nil || !bytes.Equal(got.GLB, glb(want.Asset.Encode)) || !bytes.Equal(got.Record, packed) || !sameJSON(t, *got.Pass, want.Summary) {
		t.Errorf("the server merges otherwise: %v", err)
	}
}

func TestDiff_SameAsInProcess(t *testing.T) {
	w := theWardrobe()
	c := dial(t, start(t, server.Config{}).addr)
	changed := repainted(t, w.body, 50, 0.4)
	var surfaces [2]*pass.Surface
	for i, data := range [][]byte{w.body, changed} {
		var err error
		if surfaces[i], _, err = pass.ReadSurface(t.Context(), parse(t, data, []string{"old.glb", "new.glb"}[i]), gltfio.Selection{}); err != nil {
			t.Fatal(err)
		}
	}
	opt := pass.DiffOptions{Change: 0.02}
	want, err := pass.Diff(t.Context(), surfaces[0], surfaces[1], opt)
	if err != nil {
		t.Fatal(err)
	}
	request := client.DiffRequest{Before: client.NewAsset("old.glb", w.body), After: client.NewAsset("new.glb", changed), Options: opt, Reach: 0.05}
	var worn []*pass.Surface
	for k := range w.names {
		data := w.garments[k]
		if k%2 == 0 {
			data, _ = w.local(t, k, transfer.AssetOptions{})
		}
		x, err := pass.ReadWorn(t.Context(), parse(t, data, w.names[k]))
		if err != nil {
			t.Fatal(err)
		}
		worn = append(worn, x)
		request.Garments = append(request.Garments, client.NewAsset(w.names[k], data))
	}
	touches, err := pass.Touches(t.Context(), want, surfaces[1], worn, opt.Change, 0.05, 0)
	if err != nil {
		t.Fatal(err)
	}
	got, gotTouches, err := c.Diff(t.Context(), request)
	if err != nil {
		t.Fatal(err)
	}
	if want.Changed == 0 || len(want.Places) < 2 || len(touches) < 2 {
		t.Fatalf("tests nothing: %d changed", want.Changed)
	}
	if got.Changed != want.Changed || !reflect.DeepEqual(got.Places, want.Places) || !reflect.DeepEqual(got.Meshes, want.Meshes) || !reflect.DeepEqual(got.Joints, want.Joints) || got.Old != want.Old || got.MeanL1 != want.MeanL1 {
		t.Errorf("the server's difference differs: %+v", got)
	}
	if !reflect.DeepEqual(gotTouches, touches) {
		t.Errorf("touched %+v, want %+v", gotTouches, touches)
	}
	if got.L1 != nil {
		t.Errorf("changes of %d vertices came unasked", len(got.L1))
	}
	request.VertexL1 = true
	same := func(a, b float64) bool { return a == b || math.IsNaN(a) && math.IsNaN(b) }
	if got, _, err = c.Diff(t.Context(), request); err != nil || !slices.EqualFunc(got.L1, want.L1, same) {
		t.Errorf("changes of %d vertices, %v; want %d", len(got.L1), err, len(want.L1))
	}
}

// TestPass_Faults: what a call names wrongly has a code, a reason and a field.
func TestPass_Faults(t *testing.T) {
	w := theWardrobe()
	k := w.jersey(t)
	s := start(t, server.Config{Admin: "127.0.0.1:0"})
	api, _ := raw(t, s.addr, grpc.WithDefaultCallOptions(grpc.MaxCallSendMsgSize(1<<30)))
	content := func(data []byte) *pb.AssetSource {
		return &pb.AssetSource{Source: &pb.AssetSource_Content{Content: data}}
	}
	absent := &pb.AssetSource{Source: &pb.AssetSource_Asset{Asset: "assets/" + strings.Repeat("0", 64)}}
	weighted, _ := w.local(t, k, transfer.AssetOptions{})
	out, err := pass.Run(t.Context(), pass.Input{Garment: "jersey", New: parse(t, weighted, "jersey.glb")})
	if err != nil {
		t.Fatal(err)
	}
	record, err := convert.PackPass(out.Record)
	if err != nil {
		t.Fatal(err)
	}
	damaged := bytes.Clone(record)
	damaged[len(damaged)/2] ^= 1
	bomb := bytes.Clone(record)
	bomb[18] = 255 // the head says that 16 million bytes are in it

	transferred := func(m *pb.PassInput) error {
		stream, err := api.TransferAsset(t.Context(), &pb.TransferAssetRequest{Body: content(w.body), Garment: content(w.garments[k]), Pass: m})
		for err == nil {
			_, err = stream.Recv()
		}
		return err
	}
	merged := func(m *pb.MergePassRequest) error {
		stream, err := api.MergePass(t.Context(), m)
		for err == nil {
			_, err = stream.Recv()
		}
		return err
	}
	diffed := func(m *pb.DiffRowsRequest) error {
		stream, err := api.DiffRows(t.Context(), m)
		for err == nil {
			_, err = stream.Recv()
		}
		return err
	}
	rules := make([]*pb.ConflictRule, 1001)
	for i := range rules {
		rules[i] = &pb.ConflictRule{}
	}
	for _, c := range []struct {
		name   string
		call   func() error
		code   codes.Code
		reason string
		says   string
	}{
		{"no record", func() error { return transferred(&pb.PassInput{Record: content([]byte("hello"))}) }, codes.InvalidArgument, "ASSET_INVALID", ""},
		{"a glTF as record", func() error { return transferred(&pb.PassInput{Record: content(w.body)}) }, codes.InvalidArgument, "RECORD_INVALID", ""},
		{"damaged record", func() error { return transferred(&pb.PassInput{Record: content(damaged)}) }, codes.InvalidArgument, "RECORD_INVALID", ""},
		{"boasting record", func() error { return transferred(&pb.PassInput{Record: content(bomb)}) }, codes.InvalidArgument, "RECORD_INVALID", ""},
		{"absent record", func() error { return transferred(&pb.PassInput{Record: absent}) }, codes.NotFound, "ASSET_NOT_FOUND", ""},
		{"record as garment", func() error { return transferred(&pb.PassInput{Current: content(record)}) }, codes.InvalidArgument, "ASSET_INVALID", ""},
		{"choice", func() error { return transferred(&pb.PassInput{Policy: &pb.PassPolicy{OnConflict: 77}}) }, codes.InvalidArgument, "FIELD_INVALID", "pass.policy.on_conflict"},
		{"pattern", func() error {
			return transferred(&pb.PassInput{Policy: &pb.PassPolicy{Rules: []*pb.ConflictRule{{Joint: "["}}}})
		}, codes.InvalidArgument, "FIELD_INVALID", "pass.policy"},
		{"rules", func() error { return transferred(&pb.PassInput{Policy: &pb.PassPolicy{Rules: rules}}) }, codes.InvalidArgument, "FIELD_INVALID", "pass.policy.rules"},
		{"long name", func() error {
			return transferred(&pb.PassInput{Policy: &pb.PassPolicy{Lock: []string{strings.Repeat("x", 300)}}})
		}, codes.InvalidArgument, "FIELD_INVALID", "pass.policy.lock"},
		{"sum", func() error { return transferred(&pb.PassInput{BodySha256: []byte{1}}) }, codes.InvalidArgument, "FIELD_INVALID", "pass.body_sha256"},
		{"no attribute", func() error {
			return transferred(&pb.PassInput{Record: content(record), Policy: &pb.PassPolicy{Lock: []string{"_NONE"}}})
		}, codes.InvalidArgument, "OPTION_INVALID", "_NONE"},
		{"merge of nothing", func() error { return merged(&pb.MergePassRequest{}) }, codes.InvalidArgument, "FIELD_INVALID", "record"},
		{"merge, no current", func() error { return merged(&pb.MergePassRequest{Record: content(record)}) }, codes.InvalidArgument, "FIELD_INVALID", "current"},
		{"merge, threads", func() error { return merged(&pb.MergePassRequest{Threads: -1}) }, codes.InvalidArgument, "FIELD_INVALID", "threads"},
		{"merge, bare", func() error {
			return merged(&pb.MergePassRequest{Record: content(record), Current: content(w.garments[k]), Fresh: content(weighted)})
		}, codes.InvalidArgument, "ASSET_INVALID", ""},
		{"diff of nothing", func() error { return diffed(&pb.DiffRowsRequest{}) }, codes.InvalidArgument, "FIELD_INVALID", "before"},
		{"diff, change", func() error { return diffed(&pb.DiffRowsRequest{Change: 3}) }, codes.InvalidArgument, "FIELD_INVALID", "change"},
		{"diff, reach", func() error { return diffed(&pb.DiffRowsRequest{Reach: -1}) }, codes.InvalidArgument, "FIELD_INVALID", "reach"},
		{"diff, garments", func() error { return diffed(&pb.DiffRowsRequest{Garments: make([]*pb.AssetSource, 1001)}) }, codes.InvalidArgument, "FIELD_INVALID", "garments"},
		{"diff, bare", func() error {
			return diffed(&pb.DiffRowsRequest{Before: content(w.body), After: content(w.garments[k])})
		}, codes.InvalidArgument, "ASSET_INVALID", ""},
	} {
		t.Run(c.name, func(t *testing.T) {
			err := c.call()
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
	// A record that is uploaded is checked too, and kept like an asset.
	c := dial(t, s.addr)
	if _, err := c.Upload(t.Context(), client.NewAsset("record", damaged[:len(damaged)-1])); err == nil {
		t.Error("a cut record is taken")
	} else {
		wantStatus(t, err, codes.InvalidArgument, "RECORD_INVALID")
	}
	a, err := c.Upload(t.Context(), client.NewAsset("record", record))
	if err != nil {
		t.Fatal(err)
	}
	if err := merged(&pb.MergePassRequest{Record: &pb.AssetSource{Source: &pb.AssetSource_Asset{Asset: a.GetName()}}, Current: content(weighted), Fresh: content(weighted)}); !errors.Is(err, io.EOF) {
		t.Errorf("with an uploaded record: %v", err)
	}
	// A call that is cancelled ends.
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	if _, err := c.Merge(ctx, client.MergeRequest{Record: record, Current: client.NewAsset("a", weighted), Fresh: client.NewAsset("b", weighted)}); !errors.Is(err, context.Canceled) {
		t.Errorf("cancelled: %v", err)
	}
}
