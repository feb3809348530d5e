package client

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"io"
	"net/url"
	"os"
	"path/filepath"
	"strconv"
	"strings"

	"github.com/selvage/selvage/transfer/gltfio"
)

// Asset is a glTF file in one piece, with its hash. It does not change and is
// safe for concurrent use.
type Asset struct {
	name string
	data []byte
	sum  [sha256.Size]byte

	// Of a file with images beside it: its folder, and their relative URIs by
	// index. In data they are placeholders: a server takes no references.
	folder string
	images map[int]string
}

// NewAsset returns the asset with these bytes; name appears in messages and
// summaries. data must not change afterwards.
func NewAsset(name string, data []byte) *Asset {
	return &Asset{name: filepath.Base(name), data: data, sum: sha256.Sum256(data)}
}

// resource is the name under which a server knows the asset.
func (a *Asset) resource() string { return "assets/" + hex.EncodeToString(a.sum[:]) }

// placeholder stands for image i; no picture has it for a URI.
func placeholder(i int) string { return "data:,selvage-image-" + strconv.Itoa(i) }

// OpenAsset reads a file. External buffers are put inside.
func OpenAsset(file string) (*Asset, error) {
	opened, err := gltfio.Open(file, gltfio.Options{AllowExternal: true})
	if err != nil {
		return nil, err
	}
	data, err := os.ReadFile(file)
	if err != nil {
		return nil, err
	}
	// An asset that parses from memory has all its buffers inside.
	if _, err := gltfio.Parse(data, file, gltfio.Options{}); err != nil {
		var b bytes.Buffer
		if err := opened.Encode(&b); err != nil {
			return nil, err
		}
		data = b.Bytes()
	}
	images := map[int]string{}
	rewritten, err := rewriteImages(data, func(i int, uri string) string {
		if strings.HasPrefix(uri, "data:") {
			return uri
		}
		images[i] = uri
		return placeholder(i)
	})
	if err != nil {
		return nil, fmt.Errorf("%s: %w", file, err)
	}
	if len(images) == 0 {
		return NewAsset(file, data), nil // the bytes as they are
	}
	a := NewAsset(file, rewritten)
	a.folder, a.images = filepath.Dir(file), images
	return a, nil
}

// rewriteImages returns an asset as GLB or JSON, as it came, with the URIs of its
// images as change wants them.
func rewriteImages(data []byte, change func(i int, uri string) string) ([]byte, error) {
	text, rest := data, []byte(nil)
	binary := len(data) >= 20 && string(data[:4]) == "glTF"
	if binary {
		n := int(little.Uint32(data[12:]))
		if n > len(data)-20 {
			return nil, fmt.Errorf("is cut off")
		}
		text, rest = data[20:20+n], data[20+n:]
	}
	d := json.NewDecoder(bytes.NewReader(bytes.TrimPrefix(text, []byte("\xef\xbb\xbf"))))
	d.UseNumber()
	var root map[string]any
	if err := d.Decode(&root); err != nil {
		return nil, fmt.Errorf("JSON: %w", err)
	}
	images, _ := root["images"].([]any)
	for i, x := range images {
		image, _ := x.(map[string]any)
		if uri, ok := image["uri"].(string); ok {
			image["uri"] = change(i, uri)
		}
	}
	out, err := json.Marshal(root)
	if err != nil || !binary {
		return out, err
	}
	for len(out)%4 != 0 {
		out = append(out, ' ')
	}
	total := 20 + len(out) + len(rest)
	b := make([]byte, 0, total)
	b = append(b, data[:8]...)
	b = little.AppendUint32(b, uint32(total))
	b = little.AppendUint32(b, uint32(len(out)))
	b = append(b, data[16:20]...)
	b = append(b, out...)
	return append(b, rest...), nil
}

// Save writes the finished asset to file as a transfer in process would: binary
// glTF, or for the ending .gltf JSON with its buffer as a data URI; images beside
// the garment's file go into it where its folder is another. The file appears
// whole or not at all. It returns the images that it could not find.
func (r *Result) Save(file string) (missing []string, err error) {
	data := r.GLB
	folder := ""
	if g := r.garment; g != nil && len(g.images) > 0 {
		data, err = rewriteImages(data, func(i int, uri string) string {
			if old, ok := g.images[i]; ok && uri == placeholder(i) {
				return old
			}
			return uri
		})
		if err != nil {
			return nil, err
		}
		here, _ := filepath.Abs(g.folder)
		there, _ := filepath.Abs(filepath.Dir(file))
		if here != there {
			folder = g.folder
		}
	}
	if folder == "" {
		if !strings.EqualFold(filepath.Ext(file), ".gltf") {
			return nil, gltfio.WriteFile(file, data)
		}
		a, err := gltfio.Parse(data, file, gltfio.Options{})
		if err != nil {
			return nil, err
		}
		return a.Save(file)
	}
	return saveWithImages(data, r.garment, file)
}

// saveWithImages embeds the images: the result is laid beside copies of them, so
// that it is saved by the same code as in process.
func saveWithImages(data []byte, g *Asset, file string) (missing []string, err error) {
	temporary, err := os.MkdirTemp("", "selvage-")
	if err != nil {
		return nil, err
	}
	defer os.RemoveAll(temporary)
	from, err := os.OpenRoot(g.folder)
	if err != nil {
		return nil, err
	}
	defer from.Close()
	to, err := os.OpenRoot(temporary)
	if err != nil {
		return nil, err
	}
	defer to.Close()
	for _, uri := range g.images {
		u, err := url.Parse(uri)
		if err != nil || u.Scheme != "" || u.Host != "" {
			continue // an address: its reference is kept
		}
		copyImage(from, to, filepath.FromSlash(u.Path))
	}
	const name = ".selvage-result.glb"
	if err := to.WriteFile(name, data, 0o600); err != nil {
		return nil, err
	}
	a, err := gltfio.Open(filepath.Join(temporary, name), gltfio.Options{AllowExternal: true})
	if err != nil {
		return nil, err
	}
	return a.Save(file)
}

// copyImage copies a file where it can be read; where it cannot, it is missing
// afterwards and reported as such.
func copyImage(from, to *os.Root, name string) {
	in, err := from.Open(name)
	if err != nil {
		return
	}
	defer in.Close()
	if dir := filepath.Dir(name); dir != "." && to.MkdirAll(dir, 0o700) != nil {
		return
	}
	out, err := to.Create(name)
	if err != nil {
		return
	}
	defer out.Close()
	_, _ = io.Copy(out, in)
}
