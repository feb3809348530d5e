// Package outline reads the few facts of a glTF asset that are needed before the
// asset is: how much there is in it, what it names outside, and so what memory
// reading it or transferring to it takes. The server's admission and the local
// run of a wardrobe count with the same numbers.
package outline

import (
	"bytes"
	"context"
	"encoding/binary"
	"encoding/json"
	"fmt"
	"io"
	"strings"

	"github.com/selvage/selvage/transfer/gltfio"
)

// Error says what is wrong with an asset.
type Error struct{ What string }

func (e *Error) Error() string { return e.What }

// Outline of an asset.
type Outline struct {
	Size      int64 `json:"size"`
	Vertices  int64 `json:"vertices"`
	Triangles int64 `json:"triangles"`
	// Decoded is about what the JSON part takes in memory.
	Decoded int64 `json:"decoded"`
	// External are the files and addresses that the asset names: buffers first,
	// then images.
	External []Reference `json:"-"`
}

// Reference from an asset to something outside.
type Reference struct {
	Kind  string // "buffer" or "image"
	Index int    // among the asset's buffers or images
	URI   string
}

// Memory by vertex, triangle and byte, rounded up from measurements on the demo
// crew at 7k to 250k vertices: a body's tree, normals and rows (600 to 900 bytes
// a vertex, which has two triangles), a garment's candidates, fill and result
// (3 to 4 KB).
const (
	bodyVertexBytes      = 400
	bodyTriangleBytes    = 300
	garmentVertexBytes   = 2600
	garmentTriangleBytes = 500
	textBytes            = 3   // by byte of JSON
	valueBytes           = 100 // by value in it
	targetBytes          = 100 // by vertex and morph target
	fileBytes            = 3
)

// BodyBytes is what a prepared body takes by estimate.
func (o Outline) BodyBytes() int64 {
	return o.Vertices*bodyVertexBytes + o.Triangles*bodyTriangleBytes + o.Decoded + o.Size
}

// GarmentBytes is what the transfer of a garment takes by estimate.
func (o Outline) GarmentBytes() int64 {
	return o.Vertices*garmentVertexBytes + o.Triangles*garmentTriangleBytes + o.Decoded + o.Size*fileBytes
}

// InspectBytes is what reading an asset takes by estimate.
func (o Outline) InspectBytes() int64 {
	return o.Vertices*300 + o.Triangles*100 + o.Decoded + o.Size*fileBytes
}

// JSONLength is how long the JSON part of an asset of size bytes says it is, by
// the asset's first 20 bytes.
func JSONLength(head []byte, size int64) int64 {
	if len(head) >= 20 && string(head[:4]) == "glTF" {
		return min(size, int64(binary.LittleEndian.Uint32(head[12:])))
	}
	return size
}

// ReadJSON returns the JSON text of an asset of size bytes without its binary
// part. r need not be read to its end. limit bounds the text. Errors: *Error, r's.
func ReadJSON(r io.Reader, size, limit int64) ([]byte, error) {
	head := make([]byte, 20)
	n, err := io.ReadFull(r, head)
	if err != nil && err != io.ErrUnexpectedEOF {
		return nil, &Error{"is empty"}
	}
	head = head[:n]
	length := size
	if n >= 4 && string(head[:4]) == "glTF" {
		if n < 20 || binary.LittleEndian.Uint32(head[4:]) != 2 {
			return nil, &Error{"is not binary glTF version 2"}
		}
		if total := int64(binary.LittleEndian.Uint32(head[8:])); total > size {
			return nil, &Error{fmt.Sprintf("is cut off: the header says %d bytes, there are %d", total, size)}
		}
		length = int64(binary.LittleEndian.Uint32(head[12:]))
		if string(head[16:20]) != "JSON" || length > size-20 {
			return nil, &Error{"its first chunk is not whole JSON"}
		}
		head = nil
	}
	if length > limit {
		return nil, &Error{fmt.Sprintf("its JSON has %d bytes, more than %d", length, limit)}
	}
	text := make([]byte, length) // within limit, and within what r is said to hold
	_, err = io.ReadFull(io.MultiReader(bytes.NewReader(head), r), text)
	if err == io.EOF || err == io.ErrUnexpectedEOF {
		return nil, &Error{"is cut off"}
	}
	return text, err
}

// New reads the outline from an asset's JSON text; size is the whole asset's.
// It ends with ctx's error soon after ctx is done; other errors are *Error.
// O(len(text)).
func New(ctx context.Context, text []byte, size int64) (Outline, error) {
	o := Outline{Size: size, Decoded: int64(len(text)) * textBytes}
	for _, mark := range []string{",", "{", "["} {
		o.Decoded += valueBytes * int64(bytes.Count(text, []byte(mark)))
	}
	type reference struct {
		URI *string `json:"uri"`
	}
	var doc struct {
		Asset *struct {
			Version string `json:"version"`
		} `json:"asset"`
		Buffers   []reference `json:"buffers"`
		Images    []reference `json:"images"`
		Accessors []struct {
			Count int64 `json:"count"`
		} `json:"accessors"`
		Meshes []struct {
			Primitives []struct {
				Attributes map[string]int `json:"attributes"`
				Indices    *int           `json:"indices"`
				Targets    []struct{}     `json:"targets"`
			} `json:"primitives"`
		} `json:"meshes"`
		Nodes []struct {
			Mesh *int `json:"mesh"`
		} `json:"nodes"`
	}
	// Data URIs can make up nearly all of the text, and tell nothing.
	text, err := gltfio.ShortText(ctx, text)
	if err != nil {
		return o, err
	}
	text = bytes.TrimPrefix(text, []byte("\xef\xbb\xbf"))
	if err := json.Unmarshal(text, &doc); err != nil {
		return o, &Error{"its JSON cannot be read"}
	}
	if doc.Asset == nil || !strings.HasPrefix(doc.Asset.Version, "2.") && doc.Asset.Version != "2" {
		return o, &Error{"is not glTF version 2"}
	}
	for _, x := range []struct {
		kind string
		list []reference
	}{{"buffer", doc.Buffers}, {"image", doc.Images}} {
		for i, r := range x.list {
			if r.URI != nil && !strings.HasPrefix(*r.URI, "data:") {
				o.External = append(o.External, Reference{x.kind, i, *r.URI})
			}
		}
	}
	count := func(i int) int64 {
		if i < 0 || i >= len(doc.Accessors) {
			return 0
		}
		return min(max(0, doc.Accessors[i].Count), 1<<32)
	}
	for _, n := range doc.Nodes {
		if n.Mesh == nil || *n.Mesh < 0 || *n.Mesh >= len(doc.Meshes) {
			continue
		}
		for _, p := range doc.Meshes[*n.Mesh].Primitives {
			position, ok := p.Attributes["POSITION"]
			if !ok {
				continue
			}
			vertices := count(position)
			indices := vertices
			if p.Indices != nil {
				indices = count(*p.Indices)
			}
			// Every morph target is read and written once more, from however few bytes.
			o.Decoded = min(o.Decoded+vertices*int64(len(p.Targets))*targetBytes, 1<<50)
			// A strip or fan has up to one triangle an index; a list a third of that.
			o.Vertices = min(o.Vertices+vertices, 1<<40)
			o.Triangles = min(o.Triangles+(indices+2)/3, 1<<40)
		}
	}
	return o, nil
}
