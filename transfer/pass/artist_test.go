package pass

import (
	"bytes"
	"context"
	"encoding/json"
	"slices"
	"strings"
	"testing"

	"github.com/selvage/selvage/transfer/gltfio"
	"github.com/selvage/selvage/transfer/weights"
)

// document is a JSON document of a file.
func document(t *testing.T, a *gltfio.Asset) map[string]any {
	t.Helper()
	var b bytes.Buffer
	if err := a.EncodeJSON(&b); err != nil {
		t.Fatal(err)
	}
	var doc map[string]any
	if err := json.Unmarshal(b.Bytes(), &doc); err != nil {
		t.Fatal(err)
	}
	return doc
}

// holding is one object of an artist's file: the mesh of an asset under other names.
type holding struct {
	asset      *gltfio.Asset
	node, mesh string
}

// together is an artist's file with some objects, all bound to the skeleton of the first,
// which has one mesh. The bodies and garments of the crew have the joints of one skeleton.
func together(t *testing.T, list ...holding) *gltfio.Asset {
	t.Helper()
	var out map[string]any
	array := func(doc map[string]any, name string) []any { l, _ := doc[name].([]any); return l }
	joints := map[string]int{}
	for _, h := range list {
		doc := document(t, h.asset)
		at := map[string]int{}
		if out == nil {
			out = doc
			for i, n := range array(doc, "nodes") {
				joints[n.(map[string]any)["name"].(string)] = i
			}
			for _, n := range array(doc, "nodes") {
				if n := n.(map[string]any); n["mesh"] != nil {
					n["name"] = h.node
				}
			}
			array(doc, "meshes")[0].(map[string]any)["name"] = h.mesh
			continue
		}
		move := func(of map[string]any, field, to string) {
			if x, ok := of[field].(float64); ok {
				of[field] = int(x) + at[to]
			}
		}
		for _, name := range []string{"buffers", "bufferViews", "accessors", "meshes", "skins"} {
			at[name] = len(array(out, name))
		}
		for _, x := range array(doc, "bufferViews") {
			move(x.(map[string]any), "buffer", "buffers")
		}
		for _, x := range array(doc, "accessors") {
			move(x.(map[string]any), "bufferView", "bufferViews")
			if x.(map[string]any)["sparse"] != nil {
				t.Fatal("sparse accessors are not seen to")
			}
		}
		for _, x := range array(doc, "meshes") {
			x.(map[string]any)["name"] = h.mesh
			for _, p := range array(x.(map[string]any), "primitives") {
				p := p.(map[string]any)
				delete(p, "material")
				move(p, "indices", "accessors")
				for name := range p["attributes"].(map[string]any) {
					move(p["attributes"].(map[string]any), name, "accessors")
				}
			}
		}
		nodes := array(doc, "nodes")
		for _, x := range array(doc, "skins") {
			s := x.(map[string]any)
			delete(s, "skeleton")
			move(s, "inverseBindMatrices", "accessors")
			for k, j := range array(s, "joints") {
				s["joints"].([]any)[k] = joints[nodes[int(j.(float64))].(map[string]any)["name"].(string)]
			}
		}
		scene := array(out, "scenes")[0].(map[string]any)
		for _, x := range nodes {
			if n := x.(map[string]any); n["mesh"] != nil {
				move(n, "mesh", "meshes")
				move(n, "skin", "skins")
				n["name"] = h.node
				scene["nodes"] = append(array(scene, "nodes"), len(array(out, "nodes")))
				out["nodes"] = append(array(out, "nodes"), n)
			}
		}
		for _, name := range []string{"buffers", "bufferViews", "accessors", "meshes", "skins"} {
			out[name] = append(array(out, name), array(doc, name)...)
		}
	}
	return parsed(t, "artist.gltf", func(b *bytes.Buffer) error { return json.NewEncoder(b).Encode(out) })
}

// TestArtist_WhatIsTheGarment: of a file with more than the garment the garment alone is
// held against the record, by the default selection as by one by names: its edits are
// found, all of them and no other.
func TestArtist_WhatIsTheGarment(t *testing.T) {
	ctx := context.Background()
	body := coxBody(t)
	first, _ := given(t, body, coxGarment(t, "jersey", 0.15), Input{}.Options)
	other, _ := given(t, body, coxGarment(t, "gloves", 0.1), Input{}.Options)
	rec := runPass(t, Input{Garment: "jersey", New: first}).Record
	artist := edited(t, first, weights.Float32, 7)
	want := runPass(t, Input{Garment: "jersey", New: first, Record: rec, Current: artist})
	if want.Summary.Edited == 0 || len(want.Summary.Notes) > 0 {
		t.Fatalf("tests nothing: %+v", want.Summary)
	}
	backup := edited(t, first, weights.Float32, 8)
	jersey := gltfio.Selection{Names: []string{"jersey*"}}
	for _, x := range []struct {
		name  string
		file  []holding
		sel   gltfio.Selection
		notes string // what the note says; "-": there is none
		fault string // what the error says
	}{
		{"body", []holding{{artist, "jersey", "jersey"}, {body, "cox", "cox"}}, gltfio.Selection{}, `left aside: "cox"`, ""},
		{"body, garment renamed", []holding{{artist, "pullover", "pullover"}, {body, "cox", "cox"}}, gltfio.Selection{}, `left aside: "cox"`, ""},
		{"another garment", []holding{{artist, "jersey", "jersey"}, {other, "gloves", "gloves"}}, gltfio.Selection{}, `left aside: "gloves"`, ""},
		{"unedited copy", []holding{{artist, "jersey", "jersey"}, {first, "backup", "backup"}}, gltfio.Selection{}, `"backup" where "jersey" is`, ""},
		{"unedited copy first", []holding{{first, "backup", "backup"}, {artist, "jersey", "jersey"}}, gltfio.Selection{}, `"backup" where "jersey" is`, ""},
		{"edited copy first", []holding{{backup, "jersey.001", "jersey.001"}, {artist, "jersey", "jersey"}}, gltfio.Selection{}, `"jersey.001" where "jersey" is`, ""},
		{"copy by its mesh's name", []holding{{backup, "old", "jersey"}, {artist, "jersey", "jersey"}}, gltfio.Selection{}, `"old" where "jersey" is`, ""},
		{"copy, picked", []holding{{backup, "jersey.001", "jersey.001"}, {artist, "jersey", "jersey"}}, jersey, `"jersey.001" where "jersey" is`, ""},
		{"copy, not picked", []holding{{backup, "old", "old"}, {artist, "jersey", "jersey"}}, jersey, `"old" where "jersey" is`, ""},
		{"the same twice", []holding{{artist, "jersey", "jersey"}, {artist, "jersey.001", "jersey.001"}}, gltfio.Selection{}, "-", ""},
		{"the same twice under other names", []holding{{artist, "a", "a"}, {artist, "b", "b"}}, gltfio.Selection{}, "-", ""},
		{"two of one name", []holding{{artist, "jersey", "jersey"}, {backup, "jersey", "jersey"}}, gltfio.Selection{}, "", `both times as "jersey", with different weights: take one of them out or rename it`},
		{"two of unknown names", []holding{{artist, "a", "a"}, {backup, "b", "b"}}, gltfio.Selection{}, "", `as "a" and "b", with different weights: pick one of them by its name with the option garment`},
		{"two of unknown names, not picked", []holding{{artist, "a", "a"}, {backup, "b", "b"}}, jersey, "", `as "a" and "b", with different weights`},
		{"two of unknown names, picked", []holding{{artist, "jersey.a", "a"}, {backup, "jersey.b", "b"}}, jersey, "", `as "jersey.a" and "jersey.b", with different weights`},
		{"two of unknown names, one picked", []holding{{backup, "b", "b"}, {artist, "a", "a"}}, gltfio.Selection{Names: []string{"jersey", "a"}}, `"b" where "a" is`, ""},
	} {
		t.Run(x.name, func(t *testing.T) {
			in := Input{Garment: "jersey", New: first, Record: rec}
			in.Options.Garments = x.sel
			err := in.OpenArtist(ctx, together(t, x.file...), first)
			if x.fault != "" {
				if err == nil || !strings.Contains(err.Error(), x.fault) {
					t.Fatalf("error %v, want one that says %s", err, x.fault)
				}
				return
			}
			if err != nil {
				t.Fatal(err)
			}
			got := runPass(t, in)
			if notes := got.Summary.Notes; x.notes == "-" != (len(notes) == 0) || x.notes != "-" && (len(notes) != 1 || !strings.Contains(notes[0], x.notes)) {
				t.Errorf("notes %q, want %s", notes, x.notes)
			}
			if counts(&got.Summary) != counts(&want.Summary) || !slices.Equal(got.Record.Edits.Vertex, want.Record.Edits.Vertex) || !sameAsset(t, got.Asset, want.Asset) {
				t.Errorf("%s; of the garment alone %s", counts(&got.Summary), counts(&want.Summary))
			}
		})
	}
}

// TestArtist_Pieces: a garment of two meshes in one place, each its own, and one that the
// artist has cut in two are taken whole.
func TestArtist_Pieces(t *testing.T) {
	first, _ := given(t, coxBody(t), coxGarment(t, "jersey", 0.15), Input{}.Options)
	artist := edited(t, first, weights.Float32, 7)
	own := together(t, holding{first, "outer", "outer"}, holding{artist, "inner", "inner"})
	rec := runPass(t, Input{Garment: "jersey", New: own}).Record
	for _, names := range [][2]string{{"outer", "inner"}, {"outer", "lining"}, {"a", "b"}} {
		in := Input{Garment: "jersey", New: own, Record: rec}
		if err := in.OpenArtist(context.Background(), together(t, holding{first, names[0], names[0]}, holding{artist, names[1], names[1]}), own); err != nil {
			t.Fatalf("%v: %v", names, err)
		}
		if s := runPass(t, in).Summary; s.Edited != 0 || len(s.Notes) != 0 {
			t.Errorf("%v: %+v", names, s)
		}
	}
}
