package gltfio

import (
	"bytes"
	"encoding/base64"
	"encoding/binary"
	"encoding/json"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"slices"
	"strings"
)

// finish cuts freed bytes out of the buffer and decodes the result anew.
func (w *writer) finish() (*Asset, error) {
	all := w.a.whole()
	all.add(w.extra.list...)
	whole, err := w.a.join(all, w.compact(all.length), 4)
	if err != nil {
		return nil, err
	}
	buffer := w.object("buffers", 0)
	buffer["byteLength"] = num(len(whole))
	delete(buffer, "uri")
	if len(whole) == 0 {
		delete(w.root, "buffers")
	}
	parts, err := w.a.encodeTree(w.root)
	if err != nil {
		return nil, fmt.Errorf("%s: encode JSON: %w", w.a.Name, err)
	}
	text, err := w.a.join(parts, nil, 1)
	if err != nil {
		return nil, err
	}
	b := &Asset{Name: w.a.Name, folder: w.a.folder, ctx: w.a.ctx}
	if err := b.decode(text); err != nil {
		return nil, err
	}
	if len(whole) > 0 {
		b.buffers = [][]byte{whole}
	}
	if err := b.checkNodes(); err != nil {
		return nil, err
	}
	b.ctx = nil
	return b, nil
}

// whole is all of an asset's buffers, each from a multiple of eight bytes on.
func (a *Asset) whole() *pieces {
	p := &pieces{}
	for _, b := range a.buffers {
		p.pad(8)
		p.add(b)
	}
	return p
}

// compact finds the freed ranges of the buffer, length bytes long, that no buffer
// view touches any more, in whole multiples of eight bytes so that every alignment
// holds. It moves the views to where they are once the ranges are cut out.
func (w *writer) compact(length int) []span {
	var used []span
	views := w.list("bufferViews")
	for _, v := range views {
		m, _ := v.(map[string]any)
		for _, m := range append([]map[string]any{m}, extensionViews(m)...) {
			if m == nil {
				continue
			}
			lo := max(0, intOf(m["byteOffset"]))
			used = append(used, span{lo, lo + max(0, intOf(m["byteLength"]))})
		}
	}
	slices.SortFunc(used, func(a, b span) int { return a.lo - b.lo })
	var cut []span
	for _, f := range w.freed {
		lo, hi := (f.offset+7)&^7, min((f.offset+f.length+7)&^7, length&^7)
		// Padding behind the freed bytes goes with them, unless it is somebody's.
		for _, u := range used {
			if u.lo < hi && u.hi > lo {
				if u.lo <= lo {
					lo = min(hi, (u.hi+7)&^7)
				} else {
					hi = u.lo &^ 7
				}
			}
		}
		if hi > lo {
			cut = append(cut, span{lo, hi})
		}
	}
	slices.SortFunc(cut, func(a, b span) int { return a.lo - b.lo })
	removed := func(offset int) int {
		n := 0
		for _, c := range cut {
			if c.hi <= offset {
				n += c.hi - c.lo
			}
		}
		return n
	}
	for i := range cut { // overlapping cuts merge
		if i > 0 && cut[i].lo < cut[i-1].hi {
			cut[i].lo = min(cut[i].hi, cut[i-1].hi)
		}
	}
	for _, v := range views {
		m, _ := v.(map[string]any)
		for _, m := range append([]map[string]any{m}, extensionViews(m)...) {
			if m == nil {
				continue
			}
			if lo := max(0, intOf(m["byteOffset"])); removed(lo) > 0 {
				m["byteOffset"] = num(lo - removed(lo))
			}
		}
	}
	return cut
}

// extensionViews returns the views inside a buffer view's extensions.
func extensionViews(m map[string]any) []map[string]any {
	ext, _ := m["extensions"].(map[string]any)
	if c, ok := ext["EXT_meshopt_compression"].(map[string]any); ok {
		return []map[string]any{c}
	}
	return nil
}

// Encode writes the asset as binary glTF (GLB). A w that can grow (a bytes.Buffer)
// is given the room at once.
func (a *Asset) Encode(w io.Writer) error {
	root, err := a.joined()
	if err != nil {
		return err
	}
	text, err := a.encodeTree(root.tree)
	if err != nil {
		return fmt.Errorf("%s: encode JSON: %w", a.Name, err)
	}
	for text.length%4 != 0 {
		text.add([]byte{' '})
	}
	root.data.pad(4)
	chunk := root.data.length
	total := 12 + 8 + text.length
	if chunk > 0 {
		total += 8 + chunk
	}
	if int64(total) > int64(^uint32(0)) {
		return a.fault("", "the result has %d bytes, more than binary glTF can hold", total)
	}
	head := make([]byte, 0, 20)
	for _, x := range []uint32{glbMagic, 2, uint32(total), uint32(text.length), chunkJSON} {
		head = binary.LittleEndian.AppendUint32(head, x)
	}
	var file pieces
	file.add(head)
	file.add(text.list...)
	if chunk > 0 {
		var h []byte
		h = binary.LittleEndian.AppendUint32(h, uint32(chunk))
		h = binary.LittleEndian.AppendUint32(h, chunkBinary)
		file.add(h)
		file.add(root.data.list...)
	}
	if g, ok := w.(interface{ Grow(n int) }); ok {
		g.Grow(total)
	}
	return a.parts(&file, nil, func(b []byte) error {
		if _, err := w.Write(b); err != nil {
			return fmt.Errorf("%s: write: %w", a.Name, err)
		}
		return nil
	})
}

// EncodeJSON writes the asset as one JSON file with its buffer as a data URI.
func (a *Asset) EncodeJSON(w io.Writer) error {
	root, err := a.joined()
	if err != nil {
		return err
	}
	if buffers, _ := root.tree["buffers"].([]any); len(buffers) > 0 {
		data, err := a.join(root.data, nil, 1)
		if err != nil {
			return err
		}
		b, _ := buffers[0].(map[string]any)
		b["uri"] = "data:application/octet-stream;base64," + base64.StdEncoding.EncodeToString(data)
	}
	text, err := json.MarshalIndent(root.tree, "", "  ")
	if err != nil {
		return fmt.Errorf("%s: encode JSON: %w", a.Name, err)
	}
	_, err = w.Write(append(text, '\n'))
	return err
}

// container is a tree with a single buffer.
type container struct {
	tree map[string]any
	data *pieces
}

// joined returns the asset with all buffers in one.
func (a *Asset) joined() (*container, error) {
	tree, _ := cloneJSON(a.root).(map[string]any)
	w := &writer{a: a, root: tree}
	if len(a.buffers) == 0 {
		return &container{tree: tree, data: &pieces{}}, nil
	}
	if err := w.mergeBuffers(); err != nil {
		return nil, err
	}
	data := a.whole()
	if data.length == 0 { // nothing to put in a binary chunk
		delete(tree, "buffers")
		return &container{tree: tree, data: data}, nil
	}
	buffer := w.object("buffers", 0)
	delete(buffer, "uri")
	buffer["byteLength"] = num(data.length)
	return &container{tree: tree, data: data}, nil
}

// imageTypes by file ending.
var imageTypes = map[string]string{".png": "image/png", ".jpg": "image/jpeg", ".jpeg": "image/jpeg", ".ktx2": "image/ktx2", ".webp": "image/webp"}

// embedImages returns the asset with the images that it names by relative URI
// inside it: a file written elsewhere could not find them. Images that cannot be
// read keep their URI and are listed.
func (a *Asset) embedImages() (*Asset, []string, error) {
	var missing []string
	tree, _ := cloneJSON(a.root).(map[string]any)
	w := &writer{a: a, root: tree}
	if err := w.mergeBuffers(); err != nil {
		return nil, nil, err
	}
	found := false
	for i, im := range a.doc.Images {
		if im.URI == "" || strings.HasPrefix(im.URI, "data:") {
			continue
		}
		obj := w.object("images", i)
		data, err := a.readBeside(im.URI, defaultLimit)
		kind := im.MimeType
		if kind == "" {
			kind = imageTypes[strings.ToLower(filepath.Ext(im.URI))]
		}
		if err != nil || kind == "" {
			missing = append(missing, clip(im.URI))
			continue
		}
		found = true
		offset := w.alignedEnd()
		w.extra.add(data)
		delete(obj, "uri")
		obj["mimeType"] = kind
		obj["bufferView"] = num(w.add("bufferViews", map[string]any{"buffer": num(0), "byteOffset": num(offset), "byteLength": num(len(data))}))
	}
	if !found {
		return a, missing, nil
	}
	b, err := w.finish()
	return b, missing, err
}

// Save writes the asset to file: binary glTF, or for the ending .gltf JSON with
// its buffer as a data URI. Images that the asset names by relative URI go into
// the file where its folder differs from the asset's. The file appears whole or
// not at all. It returns the images that it could not find.
func (a *Asset) Save(file string) (missing []string, err error) {
	out := a
	here, _ := filepath.Abs(a.folder)
	there, _ := filepath.Abs(filepath.Dir(file))
	if a.folder != "" && here != there {
		if out, missing, err = a.embedImages(); err != nil {
			return nil, err
		}
	}
	var b bytes.Buffer
	if strings.EqualFold(filepath.Ext(file), ".gltf") {
		err = out.EncodeJSON(&b)
	} else {
		err = out.Encode(&b)
	}
	if err != nil {
		return nil, err
	}
	return missing, WriteFile(file, b.Bytes())
}

// WriteFile writes data to a temporary file beside file and renames it.
func WriteFile(file string, data []byte) error {
	f, err := os.CreateTemp(filepath.Dir(file), ".selvage-*")
	if err != nil {
		return fmt.Errorf("write %s: %w", file, reason(err))
	}
	name := f.Name()
	defer os.Remove(name) // after the rename there is nothing left to remove
	_, err = f.Write(data)
	if err == nil {
		err = f.Chmod(0o644)
	}
	if e := f.Close(); err == nil {
		err = e
	}
	if err == nil {
		err = os.Rename(name, file)
	}
	if err != nil {
		return fmt.Errorf("write %s: %w", file, reason(err))
	}
	return nil
}
