package transfer

import (
	"bytes"
	"context"
	"io"
	"slices"
	"testing"

	"github.com/selvage/selvage/transfer/gltfio"
	"github.com/selvage/selvage/transfer/skinning"
	"gonum.org/v1/gonum/spatial/r3"
)

// TestBodyJoints: a layer's joints are the body's by name, of several the nearest; what
// the body lacks goes up the layer's own tree.
func TestBodyJoints(t *testing.T) {
	joint := func(name string, parent int, y float64) skinning.Joint {
		j := skinning.Joint{Name: name, Parent: parent, Global: skinning.Identity(), InverseBind: skinning.Identity()}
		j.Global.T = r3.Vec{Y: y}
		return j
	}
	body := &skinning.Skin{Joints: []skinning.Joint{joint("pelvis", -1, 1), joint("spine", 0, 1.2), joint("spine", 1, 1.4)}}
	rules, err := CompileJointRules([]JointRule{{"pelvis", "hip"}, {"*", "nothing of these"}, {"spine", "back"}, {"spine", "pelvis"}})
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		name  string
		layer []skinning.Joint
		to    []int32
		any   bool
	}{
		{"same", body.Joints, []int32{0, 1, 2}, true},
		{"nearest of a name", []skinning.Joint{joint("spine", -1, 1.39)}, []int32{2}, true},
		{"a chain of its own", []skinning.Joint{joint("tail_2", 1, 0.5), joint("tail_1", 2, 0.8), joint("pelvis", -1, 1)}, []int32{0, 0, 0}, true},
		{"a root of its own", []skinning.Joint{joint("world", -1, 0), joint("pelvis", 0, 1)}, []int32{-1, 0}, true},
		{"another body's", []skinning.Joint{joint("world", -1, 0), joint("rope", 0, 1)}, []int32{-1, -1}, false},
		{"a ring", []skinning.Joint{joint("a", 1, 0), joint("b", 0, 1)}, []int32{-1, -1}, false},
		{"renamed by the map", []skinning.Joint{joint("hip", -1, 1), joint("back", 0, 1.38)}, []int32{0, 2}, true},
		{"a name of the body for another joint", []skinning.Joint{joint("hip", -1, 1), joint("pelvis", 0, 1.2)}, []int32{0, 1}, true},
		{"its own name, as near as the map's", []skinning.Joint{joint("pelvis", -1, 1.195)}, []int32{1}, true},
		{"its own name, but for a little", []skinning.Joint{joint("pelvis", -1, 1.104)}, []int32{0}, true},
	} {
		t.Run(c.name, func(t *testing.T) {
			to, any := bodyJoints(body, &skinning.Skin{Joints: c.layer}, rules, 0.01)
			if !slices.Equal(to, c.to) || any != c.any {
				t.Errorf("%v, %v, want %v, %v", to, any, c.to, c.any)
			}
		})
	}
}

// TestAssetLayers: a result in memory is the layer that its file is; no layers give the
// body itself.
func TestAssetLayers(t *testing.T) {
	h, ctx := smallCox(), context.Background()
	asset := func(name string, write func(io.Writer) error) *gltfio.Asset {
		var b bytes.Buffer
		if err := write(&b); err != nil {
			t.Fatal(err)
		}
		a, err := gltfio.Parse(b.Bytes(), name, gltfio.Options{})
		if err != nil {
			t.Fatal(err)
		}
		return a
	}
	body, err := PrepareAsset(ctx, asset("body.glb", h.crew.WriteGLB), gltfio.Selection{}, 0)
	if err != nil {
		t.Fatal(err)
	}
	if same, err := body.WithLayers(ctx, nil, 0); err != nil || same != body {
		t.Errorf("no layers: another body, %v", err)
	}
	jersey, trousers := h.garment(t, "jersey"), h.garment(t, "bib trousers")
	inner, _, err := body.Transfer(ctx, asset("jersey.glb", jersey.WriteGLB), AssetOptions{})
	if err != nil {
		t.Fatal(err)
	}
	outer := asset("bib-trousers.glb", trousers.WriteGLB)
	var files [2]bytes.Buffer
	for i, layer := range []*gltfio.Asset{inner, asset("jersey.glb", inner.Encode)} {
		worn, err := body.WithLayers(ctx, []*gltfio.Asset{layer}, 1+i)
		if err != nil {
			t.Fatal(err)
		}
		out, r, err := worn.Transfer(ctx, outer, AssetOptions{})
		if err != nil {
			t.Fatal(err)
		}
		if from := r.Summary.TakenFrom; len(from) != 2 || from[0].Name != "body.glb" || from[1].Name != "jersey.glb" || from[1].Vertices == 0 {
			t.Errorf("taken from %v", from)
		}
		if err := out.Encode(&files[i]); err != nil {
			t.Fatal(err)
		}
	}
	if !bytes.Equal(files[0].Bytes(), files[1].Bytes()) {
		t.Error("over the result in memory and over its file: other bytes")
	}
	if _, err := body.WithLayers(ctx, []*gltfio.Asset{outer}, 0); err == nil {
		t.Error("a garment without weights was worn")
	}
}
