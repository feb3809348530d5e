package wardrobe

// Sources: files, hashed together with what they name.

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/binary"
	"errors"
	"fmt"
	"hash"
	"io"
	"io/fs"
	"net/url"
	"os"
	"path"
	"path/filepath"
	"strings"
	"sync"
	"time"

	"github.com/selvage/selvage/client/wardrobe/outline"
)

// hashed is what hashing a file gives.
type hashed struct {
	sum   [sha256.Size]byte
	files []Stamp
	// outline, or why it cannot be told: then the file is no glTF that can be read,
	// but has a sum all the same.
	outline outline.Outline
	fault   error
	at      time.Time
}

// changingError says that a file was written while it was read.
type changingError struct{ file string }

func (e *changingError) Error() string { return e.file + ": is being written" }

// stampOf says how a file is now; Size is -1 where there is none.
func stampOf(file string) Stamp {
	info, err := os.Stat(file)
	if err != nil {
		return Stamp{File: file, Size: -1}
	}
	return Stamp{File: file, Size: info.Size(), ModTime: info.ModTime()}
}

func (s Stamp) same(o Stamp) bool { return s.Size == o.Size && s.ModTime.Equal(o.ModTime) }

// current reports whether no file has changed since.
func current(files []Stamp) bool {
	for _, s := range files {
		if !stampOf(s.File).same(s) {
			return false
		}
	}
	return true
}

// hashSource reads a file and those that it names. The sum of a file that names
// none is the SHA-256 of its bytes. Else it is the SHA-256 of a first word, the
// file's own sum, and for every named file its URI and its sum, or no sum where it
// is not there; each part has its length, 8 bytes little-endian, before it.
func hashSource(ctx context.Context, file string) (*hashed, error) {
	h := &hashed{at: time.Now()}
	text, size, err := h.hashFile(file, &h.sum, true)
	if err != nil {
		return nil, err
	}
	if h.fault == nil {
		h.outline, h.fault = outline.New(ctx, text, size)
	}
	if err := ctx.Err(); err != nil {
		return nil, err
	}
	if h.fault != nil {
		h.fault = fmt.Errorf("%s: %w", file, h.fault)
		return h, nil
	}
	if len(h.outline.External) == 0 {
		return h, nil
	}
	all := sha256.New()
	part(all, []byte("selvage files 1"))
	part(all, h.sum[:])
	seen := map[string]bool{}
	for _, r := range h.outline.External {
		if seen[r.URI] {
			continue
		}
		seen[r.URI] = true
		part(all, []byte(r.URI))
		beside, ok := besideFile(file, r.URI)
		if !ok {
			part(all, nil) // an address
			continue
		}
		var sum [sha256.Size]byte
		_, n, err := h.hashFile(beside, &sum, false)
		if errors.Is(err, fs.ErrNotExist) {
			h.files = append(h.files, Stamp{File: beside, Size: -1})
			part(all, nil)
			continue
		}
		if err != nil {
			return nil, err
		}
		h.outline.Size += n
		part(all, sum[:])
	}
	all.Sum(h.sum[:0])
	return h, nil
}

// part adds a part with its length before it.
func part(h hash.Hash, b []byte) {
	var n [8]byte
	binary.LittleEndian.PutUint64(n[:], uint64(len(b)))
	h.Write(n[:])
	h.Write(b)
}

// besideFile is the file that a relative URI of an asset names; gltfio decides
// whether it may be read.
func besideFile(asset, uri string) (string, bool) {
	u, err := url.Parse(uri)
	if err != nil || u.Scheme != "" || u.Host != "" || u.Path == "" {
		return "", false
	}
	name := path.Clean(u.Path)
	if path.IsAbs(name) || name == ".." || strings.HasPrefix(name, "../") || strings.ContainsAny(name, "\\\x00") {
		return "", false
	}
	return filepath.Join(filepath.Dir(asset), filepath.FromSlash(name)), true
}

// hashFile adds a file's stamp, sets its sum and, where asked for, returns its JSON.
func (h *hashed) hashFile(file string, sum *[sha256.Size]byte, wantText bool) (text []byte, size int64, err error) {
	f, err := os.Open(file)
	if err != nil {
		return nil, 0, err
	}
	defer f.Close()
	info, err := f.Stat()
	if err != nil {
		return nil, 0, err
	}
	size = info.Size()
	digest := sha256.New()
	in := io.TeeReader(f, digest)
	var n int64
	if wantText {
		if text, err = outline.ReadJSON(in, size, size); err != nil {
			h.fault = err
		}
	}
	if _, err = io.Copy(io.Discard, in); err != nil {
		return nil, 0, fmt.Errorf("read %s: %w", file, err)
	}
	if n, err = f.Seek(0, io.SeekCurrent); err != nil {
		return nil, 0, err
	}
	stamp := Stamp{File: file, Size: size, ModTime: info.ModTime()}
	if n != size || !stampOf(file).same(stamp) {
		return nil, 0, &changingError{file}
	}
	h.files = append(h.files, stamp)
	digest.Sum(sum[:0])
	return bytes.TrimPrefix(text, []byte("\xef\xbb\xbf")), size, nil
}

// Hashes remembers hashes while a process lives, so that watching a wardrobe reads
// again only what has changed. It is safe for concurrent use; the zero value works.
type Hashes struct {
	mu   sync.Mutex
	list map[string]*hashed
}

// settled is how long a file must have been still for its stamp to be trusted:
// one written twice within a file system's tick has the same stamp (2 s: FAT, the
// coarsest in use).
const settled = 2 * time.Second

func (c *Hashes) get(ctx context.Context, file string) (*hashed, error) {
	if c == nil {
		return hashSource(ctx, file)
	}
	c.mu.Lock()
	h := c.list[file]
	c.mu.Unlock()
	if h != nil && current(h.files) {
		trusted := true
		for _, s := range h.files {
			trusted = trusted && h.at.Sub(s.ModTime) > settled
		}
		if trusted {
			return h, nil
		}
	}
	h, err := hashSource(ctx, file)
	if err != nil {
		return nil, err
	}
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.list == nil {
		c.list = map[string]*hashed{}
	}
	c.list[file] = h
	return h, nil
}
