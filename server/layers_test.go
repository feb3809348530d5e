package server_test

import (
	"bytes"
	"encoding/json"
	"slices"
	"testing"

	pb "github.com/selvage/selvage/api/selvage/v1"
	"github.com/selvage/selvage/client"
	"github.com/selvage/selvage/server"
	"github.com/selvage/selvage/transfer"
	"github.com/selvage/selvage/transfer/gltfio"
	"github.com/selvage/selvage/transfer/pose"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
)

// at is the index of a garment by the start of its file's name.
func (w *wardrobe) at(t testing.TB, name string) int {
	t.Helper()
	k := slices.IndexFunc(w.names, func(n string) bool { return len(n) >= len(name) && n[:len(name)] == name })
	if k < 0 {
		t.Fatalf("no %s among %q", name, w.names)
	}
	return k
}

// TestLayers_SameAsInProcess: transfer and check over layers, and the order of the
// wardrobe, are those in process.
func TestLayers_SameAsInProcess(t *testing.T) {
	w := theWardrobe()
	s := start(t, server.Config{Admin: "127.0.0.1:0"})
	c := dial(t, s.addr)
	jersey, trousers, coat := w.at(t, "jersey"), w.at(t, "bib"), w.at(t, "oilskin")
	parse := func(name string, data []byte) *gltfio.Asset {
		a, err := gltfio.Parse(data, name, gltfio.Options{})
		if err != nil {
			t.Fatal(err)
		}
		return a
	}
	// In process, each over those before it.
	worn, layers := w.prepared, []*client.Asset(nil)
	for _, k := range []int{jersey, trousers, coat} {
		out, r, err := worn.Transfer(t.Context(), parse(w.names[k], w.garments[k]), transfer.AssetOptions{})
		if err != nil {
			t.Fatal(err)
		}
		want := glb(out.Encode)
		got, err := c.Transfer(t.Context(), client.Request{Body: w.bodyAsset(), Garment: w.garmentAsset(k), Layers: layers})
		if err != nil {
			t.Fatal(err)
		}
		if !bytes.Equal(got.GLB, want) || !slices.Equal(got.Summary.TakenFrom, r.Summary.TakenFrom) || len(r.Summary.TakenFrom) != min(len(layers)+1, 1+len(layers))*min(1, len(layers)) {
			t.Fatalf("%s over %d layers: %d bytes that differ from the %d in process; taken from %v, want %v", w.names[k], len(layers), len(got.GLB), len(want), got.Summary.TakenFrom, r.Summary.TakenFrom)
		}
		if alone, _ := w.local(t, k, transfer.AssetOptions{}); len(layers) > 0 && bytes.Equal(alone, want) {
			t.Errorf("%s: the layers change nothing", w.names[k])
		}
		if worn, err = worn.WithLayers(t.Context(), []*gltfio.Asset{out}, 0); err != nil {
			t.Fatal(err)
		}
		layers = append(layers, client.NewAsset(w.names[k], want))
	}
	// The body alone, then with one and two layers: nothing twice.
	if v := metric(t, s, `selvage_prepared_bodies_total{result="miss"}`); v != "3" {
		t.Errorf("bodies were prepared %s times", v)
	}
	// Layers in the other order are another body.
	other, err := c.Transfer(t.Context(), client.Request{Body: w.bodyAsset(), Garment: w.garmentAsset(coat), Layers: []*client.Asset{layers[1], layers[0]}})
	if err != nil {
		t.Fatal(err)
	}
	if bytes.Equal(other.GLB, layers[2].Bytes()) {
		t.Error("the order of the layers changes nothing")
	}

	plan := armsPlan()
	garment := parse(w.names[coat], layers[2].Bytes())
	opt := pose.FileOptions{Options: pose.Options{Plan: plan}, Layers: []*gltfio.Asset{parse(w.names[jersey], layers[0].Bytes()), parse(w.names[trousers], layers[1].Bytes())}}
	checker, err := pose.FromAssets(t.Context(), parse("body.glb", w.body), garment, opt)
	if err != nil {
		t.Fatal(err)
	}
	want, err := checker.Run(t.Context(), nil)
	if err != nil {
		t.Fatal(err)
	}
	got, err := c.Check(t.Context(), client.CheckRequest{Body: w.bodyAsset(), Garment: layers[2], Layers: layers[:2], Plan: plan})
	if err != nil {
		t.Fatal(err)
	}
	x, _ := json.Marshal(want)
	if y, _ := json.Marshal(got); string(x) != string(y) || len(got.Layers) != 2 || got.Layers[0].Over == 0 {
		t.Errorf("the server's report over layers differs: %+v, want %+v", got.Layers, want.Layers)
	}

	var assets []*gltfio.Asset
	var uploads []*client.Asset
	for k := len(w.names) - 1; k >= 0; k-- {
		assets, uploads = append(assets, parse(w.names[k], w.garments[k])), append(uploads, w.garmentAsset(k))
	}
	order, pairs, notes, err := w.prepared.LayerOrder(t.Context(), assets, gltfio.Selection{}, 0)
	if err != nil {
		t.Fatal(err)
	}
	found, err := c.FindLayerOrder(t.Context(), client.LayerOrderRequest{Body: w.bodyAsset(), Garments: uploads})
	if err != nil {
		t.Fatal(err)
	}
	if !slices.Equal(found.Order, order) || !slices.Equal(found.Pairs, pairs) || !slices.Equal(found.Notes, notes) || len(pairs) < 6 {
		t.Errorf("order %v, want %v; %d pairs, want %d; notes %q", found.Order, order, len(found.Pairs), len(pairs), found.Notes)
	}
}

func TestLayers_Refusals(t *testing.T) {
	w := theWardrobe()
	s := start(t, server.Config{})
	api, _ := raw(t, s.addr)
	inside := func(data []byte) *pb.AssetSource {
		return &pb.AssetSource{Source: &pb.AssetSource_Content{Content: data}}
	}
	jersey := w.garments[w.at(t, "jersey")]
	many := make([]*pb.AssetSource, 65)
	for i := range many {
		many[i] = inside([]byte("{}"))
	}
	for _, c := range []struct {
		name   string
		layers []*pb.AssetSource
		code   codes.Code
	}{
		{"no source", []*pb.AssetSource{{}}, codes.InvalidArgument},
		{"not held", []*pb.AssetSource{{Source: &pb.AssetSource_Asset{Asset: "assets/" + string(bytes.Repeat([]byte("0"), 64))}}}, codes.NotFound},
		{"no glTF", []*pb.AssetSource{inside([]byte("hello"))}, codes.InvalidArgument},
		{"no weights", []*pb.AssetSource{inside(jersey)}, codes.InvalidArgument},
		{"too many", many, codes.InvalidArgument},
	} {
		t.Run(c.name, func(t *testing.T) {
			stream, err := api.TransferAsset(t.Context(), &pb.TransferAssetRequest{Body: inside(w.body), Garment: inside(jersey), Layers: c.layers})
			for err == nil {
				_, err = stream.Recv()
			}
			if status.Code(err) != c.code {
				t.Errorf("transfer: %v, want %v", err, c.code)
			}
			check, err := api.CheckPoses(t.Context(), &pb.CheckPosesRequest{Body: inside(w.body), Garment: inside(w.body), Layers: c.layers})
			for err == nil {
				_, err = check.Recv()
			}
			if status.Code(err) != c.code {
				t.Errorf("check: %v, want %v", err, c.code)
			}
			if len(c.layers) == 1 && c.name != "no weights" {
				_, err = api.FindLayerOrder(t.Context(), &pb.FindLayerOrderRequest{Body: inside(w.body), Garments: c.layers})
				if status.Code(err) != c.code {
					t.Errorf("order: %v, want %v", err, c.code)
				}
			}
		})
	}
	if _, err := api.FindLayerOrder(t.Context(), &pb.FindLayerOrderRequest{Body: inside(w.body)}); status.Code(err) != codes.InvalidArgument {
		t.Errorf("order of no garments: %v", err)
	}
}
