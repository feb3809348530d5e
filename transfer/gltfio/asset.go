// Package gltfio reads glTF 2.0 assets as weighted surfaces in the default-pose
// world frame, and writes garments back with new rows.
//
// All that the transfer does not touch survives a write unchanged: the JSON is
// kept as a tree beside the decoded document and patched, and buffers are only
// appended to. Source of all format facts: Khronos Group, "glTF 2.0
// Specification", version 2.0.1, 2021.
package gltfio

import (
	"bytes"
	"context"
	"encoding/binary"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"net/url"
	"os"
	"path"
	"path/filepath"
	"strings"

	"github.com/qmuntal/gltf"
)

// Options of reading.
type Options struct {
	// AllowExternal lets buffers and images be read from files beside the asset
	// (below its folder; never elsewhere, never from a network). Off, an asset that
	// names one is refused.
	AllowExternal bool
	// MaxBytes bounds the asset and all its buffers together. Zero: 4 GiB.
	MaxBytes int64
}

// Asset is a decoded glTF file. It is not changed by any method; methods that
// write return a new one.
type Asset struct {
	// Name appears in messages: the file's name.
	Name string

	doc     *gltf.Document
	root    map[string]any // the same document as a JSON tree, numbers as written
	buffers [][]byte
	folder  string // where relative URIs lead; "" where external files are not allowed
	parent  []int32
	global  []matrix // of every node, default pose
	inScene []bool
	ctx     context.Context // of WithContext; nil: none
}

// WithContext returns the same asset for one call: its methods that read or write
// surfaces end with ctx's error soon after ctx is done. What they return does not
// carry ctx on.
func (a *Asset) WithContext(ctx context.Context) *Asset {
	b := *a
	b.ctx = ctx
	return &b
}

// context is that of WithContext, or one that never ends.
func (a *Asset) context() context.Context {
	if a.ctx != nil {
		return a.ctx
	}
	return context.Background()
}

// checkEvery is the number of steps between two looks at the context.
const checkEvery = 1 << 13

// done reports, at every checkEvery-th step, whether the call is to end.
func (a *Asset) done(step int) bool {
	return a.ctx != nil && step%checkEvery == 0 && a.ctx.Err() != nil
}

// Error is a fault of an asset: where it is, and what.
type Error struct {
	File  string
	Where string // "mesh 2 primitive 0 vertex 17", say; may be empty
	What  string
}

func (e *Error) Error() string {
	if e.Where == "" {
		return fmt.Sprintf("%s: %s", e.File, e.What)
	}
	return fmt.Sprintf("%s: %s: %s", e.File, e.Where, e.What)
}

func (a *Asset) fault(where, format string, args ...any) error {
	return &Error{File: a.Name, Where: where, What: fmt.Sprintf(format, args...)}
}

const (
	glbMagic     = 0x46546C67
	chunkJSON    = 0x4E4F534A
	chunkBinary  = 0x004E4942
	defaultLimit = 4 << 30
)

// canRead reports whether an extension may be required without changing what this
// package reads of geometry and skins: those of materials, textures and lights, and
// a few by name. Anything else might encode geometry, so it is refused as section
// 3.12 of the specification asks.
func canRead(extension string) bool {
	for _, prefix := range []string{"KHR_materials_", "KHR_texture_", "EXT_texture_", "MSFT_texture_", "KHR_lights_", "EXT_lights_"} {
		if strings.HasPrefix(extension, prefix) {
			return true
		}
	}
	switch extension {
	case "KHR_mesh_quantization", "KHR_animation_pointer", "KHR_node_visibility", "KHR_xmp", "KHR_xmp_json_ld":
		return true
	}
	return false
}

// Open reads the asset at file. External buffers are looked up beside it.
func Open(file string, opt Options) (*Asset, error) {
	info, err := os.Stat(file)
	if err != nil {
		return nil, fmt.Errorf("read %s: %w", file, reason(err))
	}
	limit := opt.MaxBytes
	if limit <= 0 {
		limit = defaultLimit
	}
	if info.IsDir() {
		return nil, &Error{File: file, What: "is a folder, not a glTF file"}
	}
	if info.Size() > limit {
		return nil, &Error{File: file, What: fmt.Sprintf("has %d bytes, more than the limit of %d", info.Size(), limit)}
	}
	data, err := os.ReadFile(file)
	if err != nil {
		return nil, fmt.Errorf("read %s: %w", file, reason(err))
	}
	folder := ""
	if opt.AllowExternal {
		folder = filepath.Dir(file)
	}
	return parse(context.Background(), data, file, folder, limit)
}

// Parse reads an asset from memory; name appears in messages. External files are
// refused whatever opt says: memory has no folder.
func Parse(data []byte, name string, opt Options) (*Asset, error) {
	return ParseContext(context.Background(), data, name, opt)
}

// ParseContext is Parse that ends with ctx's error soon after ctx is done. The
// asset does not carry ctx on.
func ParseContext(ctx context.Context, data []byte, name string, opt Options) (*Asset, error) {
	limit := opt.MaxBytes
	if limit <= 0 {
		limit = defaultLimit
	}
	if int64(len(data)) > limit {
		return nil, &Error{File: name, What: fmt.Sprintf("has %d bytes, more than the limit of %d", len(data), limit)}
	}
	return parse(ctx, data, name, "", limit)
}

// reason strips the path from a file error: the caller's message names the file.
func reason(err error) error {
	var pe *fs.PathError
	if errors.As(err, &pe) {
		return pe.Err
	}
	return err
}

func parse(ctx context.Context, data []byte, name, folder string, limit int64) (*Asset, error) {
	a := &Asset{Name: name, folder: folder, ctx: ctx}
	text, chunk, err := a.container(data)
	if err != nil {
		return nil, err
	}
	if err := a.decode(text); err != nil {
		return nil, err
	}
	for _, x := range a.doc.ExtensionsRequired {
		if !canRead(x) {
			return nil, a.fault("", "requires the extension %s, which selvage cannot read", clip(x))
		}
	}
	if err := a.loadBuffers(chunk, limit-int64(len(data))); err != nil {
		return nil, err
	}
	if err := a.checkNodes(); err != nil {
		return nil, err
	}
	a.ctx = nil
	return a, nil
}

// container splits a GLB into its chunks; plain JSON is its own only chunk.
func (a *Asset) container(data []byte) (text, chunk []byte, err error) {
	if len(data) < 4 || binary.LittleEndian.Uint32(data) != glbMagic {
		trimmed := bytes.TrimLeft(bytes.TrimPrefix(data, []byte("\xef\xbb\xbf")), " \t\r\n")
		if len(trimmed) == 0 || trimmed[0] != '{' {
			return nil, nil, a.fault("", "is neither binary glTF nor JSON")
		}
		return trimmed, nil, nil
	}
	if len(data) < 20 {
		return nil, nil, a.fault("", "is cut off: %d bytes are no GLB header", len(data))
	}
	if v := binary.LittleEndian.Uint32(data[4:]); v != 2 {
		return nil, nil, a.fault("", "is binary glTF version %d; only version 2 can be read", v)
	}
	length := binary.LittleEndian.Uint32(data[8:])
	if length < 20 {
		return nil, nil, a.fault("", "says that it is %d bytes long, which is no GLB", length)
	}
	if int64(length) > int64(len(data)) {
		return nil, nil, a.fault("", "is cut off: the header says %d bytes, there are %d", length, len(data))
	}
	rest := data[12:length]
	for index := 0; len(rest) > 0; index++ {
		if len(rest) < 8 {
			return nil, nil, a.fault("", "is cut off inside the header of chunk %d", index)
		}
		size, kind := binary.LittleEndian.Uint32(rest), binary.LittleEndian.Uint32(rest[4:])
		if int64(size) > int64(len(rest)-8) {
			return nil, nil, a.fault("", "chunk %d says %d bytes, there are %d", index, size, len(rest)-8)
		}
		body := rest[8 : 8+size]
		switch {
		case index == 0 && kind != chunkJSON:
			return nil, nil, a.fault("", "the first chunk is not JSON")
		case index == 0:
			text = body
		case index == 1 && kind == chunkBinary:
			chunk = body
		}
		rest = rest[8+size:]
	}
	if text == nil {
		return nil, nil, a.fault("", "has no JSON chunk")
	}
	return text, chunk, nil
}

// decode fills doc and root from the JSON text.
func (a *Asset) decode(text []byte) error {
	text, long, err := lift(a.context(), text)
	if err != nil {
		return err
	}
	d := json.NewDecoder(bytes.NewReader(text))
	d.UseNumber()
	if err := d.Decode(&a.root); err != nil {
		return a.fault("", "JSON: %v", jsonFault(err))
	}
	if a.root == nil {
		return a.fault("", "JSON: not an object")
	}
	// The document is decoded from the tree, so that the two cannot disagree where a
	// name stands twice or is written in another case.
	exact, err := json.Marshal(exactNames(a.root))
	if err != nil {
		return a.fault("", "JSON: %v", jsonFault(err))
	}
	a.doc = new(gltf.Document)
	if err := json.Unmarshal(exact, a.doc); err != nil {
		return a.fault("", "JSON: %v", jsonFault(err))
	}
	long.putBack(a.root)
	for _, b := range a.doc.Buffers {
		if b != nil {
			b.URI = long.original(b.URI)
		}
	}
	for _, m := range a.doc.Images {
		if m != nil {
			m.URI = long.original(m.URI)
		}
	}
	if v := a.doc.Asset.Version; !strings.HasPrefix(v, "2.") && v != "2" {
		return a.fault("", "is glTF version %q; only version 2 can be read", clip(v))
	}
	// Lists whose entries are null would be nil pointers from here on.
	missing := ""
	check := func(list string, index int, null bool) {
		if null && missing == "" {
			missing = fmt.Sprintf("%s %d", list, index)
		}
	}
	for i, x := range a.doc.Accessors {
		check("accessor", i, x == nil)
	}
	for i, x := range a.doc.Animations {
		check("animation", i, x == nil)
	}
	for i, x := range a.doc.Buffers {
		check("buffer", i, x == nil)
	}
	for i, x := range a.doc.BufferViews {
		check("buffer view", i, x == nil)
	}
	for i, x := range a.doc.Images {
		check("image", i, x == nil)
	}
	for i, x := range a.doc.Materials {
		check("material", i, x == nil)
	}
	for i, x := range a.doc.Meshes {
		check("mesh", i, x == nil)
		if x != nil {
			for k, p := range x.Primitives {
				check(fmt.Sprintf("mesh %d primitive", i), k, p == nil)
			}
		}
	}
	for i, x := range a.doc.Nodes {
		check("node", i, x == nil)
	}
	for i, x := range a.doc.Scenes {
		check("scene", i, x == nil)
	}
	for i, x := range a.doc.Skins {
		check("skin", i, x == nil)
	}
	if missing != "" {
		return a.fault(missing, "is null")
	}
	return nil
}

// properties are the names of glTF 2.0 properties (specification, section 5) by
// their lower-case form.
var properties = func() map[string]string {
	m := map[string]string{}
	for _, name := range strings.Fields(`accessors animations asset buffers bufferViews cameras extensions
		extensionsRequired extensionsUsed extras images materials meshes nodes samplers scene scenes skins textures
		copyright generator version minVersion bufferView byteOffset componentType normalized count type max min name
		sparse indices values channels sampler target node path input output interpolation uri byteLength buffer
		byteStride orthographic perspective xmag ymag zfar znear aspectRatio yfov mimeType pbrMetallicRoughness
		normalTexture occlusionTexture emissiveTexture emissiveFactor alphaMode alphaCutoff doubleSided
		baseColorFactor baseColorTexture metallicFactor roughnessFactor metallicRoughnessTexture index texCoord scale
		strength primitives weights attributes material mode targets camera children skin matrix mesh rotation
		translation magFilter minFilter wrapS wrapT inverseBindMatrices skeleton joints source`) {
		m[strings.ToLower(name)] = name
	}
	return m
}()

// exactNames returns the tree without members whose name is a glTF property's but
// for its case: names are case-sensitive, while Go's JSON decoder is not.
func exactNames(v any) any {
	switch x := v.(type) {
	case map[string]any:
		m := make(map[string]any, len(x))
		for k, y := range x {
			// strings.ToLower alone would miss letters that fold to ASCII ones.
			if name, ok := properties[strings.ToLower(strings.ToUpper(k))]; ok && name != k {
				continue
			}
			switch k {
			case "attributes", "targets", "extras", "extensions": // names of their own
			default:
				y = exactNames(y)
			}
			m[k] = y
		}
		return m
	case []any:
		l := make([]any, len(x))
		for i, y := range x {
			l[i] = exactNames(y)
		}
		return l
	}
	return v
}

// jsonFault makes the library's message one short sentence.
func jsonFault(err error) string {
	if errors.Is(err, io.ErrUnexpectedEOF) || errors.Is(err, io.EOF) {
		return "ends too early"
	}
	return clip(err.Error())
}

// clip bounds text taken from a file and drops its control characters.
func clip(s string) string {
	s = strings.Map(func(r rune) rune {
		if r < ' ' || r == 0x7f {
			return ' '
		}
		return r
	}, s)
	if len(s) > 200 {
		s = strings.ToValidUTF8(s[:200], "") + "..."
	}
	return s
}

// loadBuffers fills in the bytes of every buffer; budget bounds what comes from
// outside the asset.
func (a *Asset) loadBuffers(chunk []byte, budget int64) error {
	a.buffers = make([][]byte, len(a.doc.Buffers))
	for i, b := range a.doc.Buffers {
		where := fmt.Sprintf("buffer %d", i)
		if b.ByteLength < 0 {
			return a.fault(where, "has %d bytes", b.ByteLength)
		}
		var data []byte
		switch {
		case b.URI == "" && i == 0 && chunk != nil:
			data = chunk
		case b.URI == "":
			if ext := b.Extensions["EXT_meshopt_compression"]; ext != nil {
				// A stand-in for data that only a decoder of that extension can fill;
				// nothing reads it unless an accessor asks for it.
				continue
			}
			return a.fault(where, "has no data")
		case strings.HasPrefix(b.URI, "data:"):
			var err error
			if data, err = a.dataURI(b.URI); a.done(0) {
				return a.ctx.Err()
			} else if err != nil {
				return a.fault(where, "%v", err)
			}
		default:
			var err error
			if data, err = a.readBeside(b.URI, budget); err != nil {
				return a.fault(where, "%v", err)
			}
			budget -= int64(len(data))
		}
		if len(data) < b.ByteLength {
			return a.fault(where, "says %d bytes, there are %d", b.ByteLength, len(data))
		}
		a.buffers[i] = data[:b.ByteLength:b.ByteLength]
	}
	return nil
}

// readBeside reads a file that a relative URI names, below the asset's folder.
func (a *Asset) readBeside(uri string, budget int64) ([]byte, error) {
	name, err := localName(uri)
	if err != nil {
		return nil, err
	}
	if a.folder == "" {
		return nil, fmt.Errorf("names an external file (%s), which is not allowed here", clip(uri))
	}
	// os.Root also refuses links that lead outside.
	root, err := os.OpenRoot(a.folder)
	if err != nil {
		return nil, fmt.Errorf("external file %s: %w", clip(uri), reason(err))
	}
	defer root.Close()
	f, err := root.Open(name)
	if err != nil {
		return nil, fmt.Errorf("external file %s: %w", clip(uri), reason(err))
	}
	defer f.Close()
	data, err := io.ReadAll(io.LimitReader(f, budget+1))
	if err != nil {
		return nil, fmt.Errorf("external file %s: %w", clip(uri), reason(err))
	}
	if int64(len(data)) > budget {
		return nil, fmt.Errorf("external file %s is larger than the limit allows", clip(uri))
	}
	return data, nil
}

// localName turns a relative URI into a file name below the asset's folder.
func localName(uri string) (string, error) {
	u, err := url.Parse(uri)
	if err != nil || u.Scheme != "" || u.Host != "" || u.Path == "" {
		return "", fmt.Errorf("names %s, which is not a file beside the asset", clip(uri))
	}
	name := path.Clean(u.Path)
	if path.IsAbs(name) || name == ".." || strings.HasPrefix(name, "../") || strings.ContainsAny(name, "\\\x00") {
		return "", fmt.Errorf("names %s, which is not below the asset's folder", clip(uri))
	}
	return filepath.FromSlash(name), nil
}
