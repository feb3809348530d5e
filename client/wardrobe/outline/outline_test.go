package outline

import (
	"context"
	"strings"
	"testing"
)

func TestNew_External(t *testing.T) {
	o, err := New(context.Background(), []byte(`{"asset":{"version":"2.0"},
		"buffers":[{"uri":"data:application/octet-stream;base64,AAAA"},{"uri":"hat.bin"}],
		"images":[{"bufferView":0},{"uri":"http://127.0.0.1/felt.png"}],
		"accessors":[{"count":10},{"count":30}],
		"meshes":[{"primitives":[{"attributes":{"POSITION":0},"indices":1}]}],"nodes":[{"mesh":0},{"mesh":0},{"mesh":9}]}`), 1000)
	if err != nil {
		t.Fatal(err)
	}
	want := []Reference{{"buffer", 1, "hat.bin"}, {"image", 1, "http://127.0.0.1/felt.png"}}
	if len(o.External) != 2 || o.External[0] != want[0] || o.External[1] != want[1] {
		t.Errorf("external %v, want %v", o.External, want)
	}
	// Two nodes show the mesh of 10 vertices and 30 indices.
	if o.Vertices != 20 || o.Triangles != 20 || o.Size != 1000 {
		t.Errorf("%+v", o)
	}
	if o.GarmentBytes() <= o.BodyBytes() || o.BodyBytes() < 20*bodyVertexBytes {
		t.Errorf("estimates %d and %d", o.GarmentBytes(), o.BodyBytes())
	}
}

func TestReadJSON_Cut(t *testing.T) {
	for _, text := range []string{"", "glTF\x02\x00\x00\x00\xff\x00\x00\x00\x04\x00\x00\x00JSON{}  ", "glTF\x01\x00\x00\x00\x18\x00\x00\x00\x04\x00\x00\x00JSON{}  "} {
		if _, err := ReadJSON(strings.NewReader(text), int64(len(text)), 1<<20); err == nil {
			t.Errorf("%q is read", text)
		}
	}
	whole := "glTF\x02\x00\x00\x00\x18\x00\x00\x00\x04\x00\x00\x00JSON{}  "
	if got, err := ReadJSON(strings.NewReader(whole), int64(len(whole)), 1<<20); err != nil || string(got) != "{}  " {
		t.Errorf("%q, %v", got, err)
	}
}
