package sizing

import (
	"errors"
	"strings"
	"testing"
)

func TestOutline(t *testing.T) {
	for _, c := range []struct {
		name, text, fault string
		vertices          int64
		triangles         int64
	}{
		{"empty", "", "empty", 0, 0},
		{"no JSON", "hello", "JSON", 0, 0},
		{"null", "null", "version", 0, 0},
		{"version 1", `{"asset":{"version":"1.0"}}`, "version", 0, 0},
		{"external buffer", `{"asset":{"version":"2.0"},"buffers":[{"byteLength":4,"uri":"a.bin"}]}`, "buffer 0", 0, 0},
		{"address", `{"asset":{"version":"2.0"},"buffers":[{"byteLength":4,"uri":"http://127.0.0.1/a.bin"}]}`, "buffer 0", 0, 0},
		{"file address", `{"asset":{"version":"2.0"},"images":[{},{"uri":"file:///etc/passwd"}]}`, "image 1", 0, 0},
		{"empty URI", `{"asset":{"version":"2.0"},"images":[{"uri":""}]}`, "image 0", 0, 0},
		{"counts", `{"asset":{"version":"2.0"},"images":[{"uri":"data:,"}],"accessors":[{"count":10},{"count":30}],
			"meshes":[{"primitives":[{"attributes":{"POSITION":0},"indices":1},{"attributes":{"NORMAL":0}}]}],
			"nodes":[{"mesh":0},{"mesh":0},{"mesh":7},{}]}`, "", 20, 20},
		{"absurd", `{"asset":{"version":"2.0"},"accessors":[{"count":9223372036854775807},{"count":-5}],
			"meshes":[{"primitives":[{"attributes":{"POSITION":0},"indices":1}]}],"nodes":[{"mesh":0},{"mesh":0}]}`, "", 2 << 32, 0},
		{"cut GLB", "glTF\x02\x00\x00\x00\xff\x00\x00\x00", "GLTF", 0, 0},
	} {
		t.Run(c.name, func(t *testing.T) {
			o, err := Of([]byte(c.text))
			var fault *AssetError
			if c.fault != "" {
				if !errors.As(err, &fault) || !strings.Contains(strings.ToLower(err.Error()), strings.ToLower(c.fault)) {
					t.Errorf("error %v, want one with %q", err, c.fault)
				}
				return
			}
			if err != nil || o.Vertices != c.vertices || o.Triangles != c.triangles {
				t.Errorf("%+v, %v; want %d vertices, %d triangles", o, err, c.vertices, c.triangles)
			}
		})
	}
}

// FuzzOutline reads outlines of any bytes: it must not panic, and what it counts
// stays in range.
func FuzzOutline(f *testing.F) {
	f.Add([]byte(`{"asset":{"version":"2.0","generator":"harbour"}}`))
	f.Add([]byte("glTF\x02\x00\x00\x00\x30\x00\x00\x00\x1c\x00\x00\x00JSON{\"asset\":{\"version\":\"2.0\"}}"))
	f.Fuzz(func(t *testing.T, data []byte) {
		o, err := Of(data)
		if err == nil && (o.Vertices < 0 || o.Triangles < 0 || o.GarmentBytes() <= 0 || o.BodyBytes() <= 0) {
			t.Errorf("%+v", o)
		}
	})
}
