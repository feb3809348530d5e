package server

// Store: uploaded assets on disk, each in a file named by its hash. A file
// appears under its name only when it is whole and its hash is right.

import (
	"container/list"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"hash"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"

	"github.com/selvage/selvage/api/convert"
	"github.com/selvage/selvage/server/internal/sizing"
)

// digest is the SHA-256 of an asset.
type digest [sha256.Size]byte

func (d digest) String() string { return hex.EncodeToString(d[:]) }

// notFoundError says that an asset is not held.
type notFoundError struct{ name string }

func (e *notFoundError) Error() string { return e.name + " is not held by this server" }

// uploadError says that an upload is not what it announced.
type uploadError struct{ what string }

func (e *uploadError) Error() string { return e.what }

// errDamaged marks a file whose bytes no longer have their hash.
var errDamaged = errors.New("a stored asset was damaged and has been dropped")

// store is safe for concurrent use. Lock order: none, mu is the only lock and is
// not held during reads of assets.
type store struct {
	folder   string
	own      bool // folder goes with the store
	capacity int64

	mu      sync.Mutex
	entries map[digest]*list.Element // of *stored
	recent  *list.List               // front: used last
	used    int64                    // bytes of entries
	pending int64                    // bytes promised to running uploads
}

type stored struct {
	id      digest
	outline sizing.Outline
	// owners are the callers that have uploaded or used the asset, by the names of
	// their tokens; none where no token is asked for. The slice is never changed, only
	// replaced.
	owners []string
}

// sideFile is what stands in the file beside an asset.
type sideFile struct {
	sizing.Outline
	Owners []string `json:"owners,omitempty"`
}

// owned reports whether caller may list and delete the asset: everybody ("") where
// no token is asked for.
func (x *stored) owned(caller string) bool {
	return caller == "" || slices.Contains(x.owners, caller)
}

const (
	assetSuffix   = ".asset"
	outlineSuffix = ".json"
	uploadPrefix  = "upload-"
)

// openStore opens or makes the folder; "" makes a temporary one. Remains of
// uploads that were cut off are removed. Files are found again by name, least
// recently changed first out.
func openStore(folder string, capacity int64) (*store, error) {
	s := &store{folder: folder, capacity: capacity, entries: map[digest]*list.Element{}, recent: list.New()}
	if folder == "" {
		var err error
		if s.folder, err = os.MkdirTemp("", "selvage-store-"); err != nil {
			return nil, fmt.Errorf("make a store: %w", err)
		}
		s.own = true
		return s, nil
	}
	if err := os.MkdirAll(folder, 0o700); err != nil {
		return nil, fmt.Errorf("make the store: %w", err)
	}
	files, err := os.ReadDir(folder)
	if err != nil {
		return nil, fmt.Errorf("open the store: %w", err)
	}
	type found struct {
		stored
		changed int64
	}
	var list []found
	for _, f := range files {
		name := f.Name()
		if strings.HasPrefix(name, uploadPrefix) {
			os.Remove(filepath.Join(folder, name))
			continue
		}
		base, ok := strings.CutSuffix(name, assetSuffix)
		id, err := parseDigest(base)
		if !ok || err != nil {
			continue
		}
		info, err := f.Info()
		if err != nil {
			continue
		}
		// An asset without its outline was cut off between the two renames.
		var o sideFile
		text, err := os.ReadFile(filepath.Join(folder, base+outlineSuffix))
		if err != nil || json.Unmarshal(text, &o) != nil || o.Size != info.Size() {
			os.Remove(filepath.Join(folder, name))
			os.Remove(filepath.Join(folder, base+outlineSuffix))
			continue
		}
		list = append(list, found{stored{id, o.Outline, o.Owners}, info.ModTime().UnixNano()})
	}
	slices.SortFunc(list, func(a, b found) int {
		switch {
		case a.changed < b.changed:
			return -1
		case a.changed > b.changed:
			return 1
		}
		return strings.Compare(a.id.String(), b.id.String())
	})
	s.mu.Lock()
	defer s.mu.Unlock()
	for _, f := range list {
		s.entries[f.id] = s.recent.PushFront(&f.stored)
		s.used += f.outline.Size
	}
	s.evict(0)
	return s, nil
}

// close removes a temporary folder.
func (s *store) close() error {
	if s.own {
		return os.RemoveAll(s.folder)
	}
	return nil
}

func parseDigest(text string) (digest, error) {
	var d digest
	if len(text) != 2*len(d) || strings.ToLower(text) != text {
		return d, errors.New("is not 64 lower-case hexadecimal digits")
	}
	if _, err := hex.Decode(d[:], []byte(text)); err != nil {
		return d, errors.New("is not 64 lower-case hexadecimal digits")
	}
	return d, nil
}

func (s *store) path(id digest, suffix string) string {
	return filepath.Join(s.folder, id.String()+suffix)
}

// evict drops the least recently used until extra more bytes fit. mu is held.
func (s *store) evict(extra int64) {
	for s.used+s.pending+extra > s.capacity && s.recent.Len() > 0 {
		s.drop(s.recent.Back())
	}
}

// drop removes an entry and its files. A reader that has one open reads on. mu
// is held.
func (s *store) drop(e *list.Element) {
	x := e.Value.(*stored)
	s.recent.Remove(e)
	delete(s.entries, x.id)
	s.used -= x.outline.Size
	os.Remove(s.path(x.id, assetSuffix))
	os.Remove(s.path(x.id, outlineSuffix))
}

// get returns an asset's outline and marks it used.
func (s *store) get(id digest) (sizing.Outline, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	e, ok := s.entries[id]
	if !ok {
		return sizing.Outline{}, &notFoundError{assetName(id)}
	}
	s.recent.MoveToFront(e)
	return e.Value.(*stored).outline, nil
}

// use is get by caller, who is an owner from now on.
func (s *store) use(id digest, caller string) (sizing.Outline, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	e, ok := s.entries[id]
	if !ok {
		return sizing.Outline{}, &notFoundError{assetName(id)}
	}
	s.recent.MoveToFront(e)
	s.claim(e.Value.(*stored), caller)
	return e.Value.(*stored).outline, nil
}

// claim makes caller an owner. mu is held.
func (s *store) claim(x *stored, caller string) {
	if x.owned(caller) {
		return
	}
	s.setOwners(x, append(slices.Clone(x.owners), caller))
}

// setOwners changes the owners, in the side file too. Where that cannot be written
// they are as before after a restart, and claim once more by the next use. mu is
// held.
func (s *store) setOwners(x *stored, owners []string) {
	x.owners = owners
	if side, err := s.writeSide(x.outline, owners); err == nil {
		if os.Rename(side, s.path(x.id, outlineSuffix)) != nil {
			os.Remove(side)
		}
	}
}

// writeSide writes a side file under a name for the time being.
func (s *store) writeSide(o sizing.Outline, owners []string) (name string, err error) {
	text, err := json.Marshal(sideFile{o, owners})
	if err != nil {
		return "", err
	}
	side, err := os.CreateTemp(s.folder, uploadPrefix)
	if err != nil {
		return "", err
	}
	_, err = side.Write(text)
	if e := side.Close(); err == nil {
		err = e
	}
	if err != nil {
		os.Remove(side.Name())
	}
	return side.Name(), err
}

// readPiece is the number of bytes read and hashed between two looks at a call's
// context.
const readPiece = 1 << 20

// read returns an asset's bytes. They are checked: a file that was damaged is
// dropped and gives errDamaged. It ends with ctx's error soon after ctx is done.
func (s *store) read(ctx context.Context, id digest) ([]byte, error) {
	o, err := s.get(id)
	if err != nil {
		return nil, err
	}
	f, err := os.Open(s.path(id, assetSuffix))
	if errors.Is(err, fs.ErrNotExist) { // somebody else emptied the folder
		s.remove(id)
		return nil, &notFoundError{assetName(id)}
	}
	if err != nil {
		return nil, err
	}
	defer f.Close()
	data, sum := make([]byte, o.Size), sha256.New()
	for at := 0; at < len(data); at += readPiece {
		if ctx.Err() != nil {
			return nil, ctx.Err()
		}
		piece := data[at:min(at+readPiece, len(data))]
		if _, err := io.ReadFull(f, piece); errors.Is(err, io.EOF) || errors.Is(err, io.ErrUnexpectedEOF) {
			break // too short; the hash says so
		} else if err != nil {
			return nil, err
		}
		sum.Write(piece)
	}
	// A file that has become longer is damaged too.
	if n, _ := f.Read(make([]byte, 1)); n > 0 || digest(sum.Sum(nil)) != id {
		s.remove(id)
		return nil, errDamaged
	}
	return data, nil
}

// remove drops an asset.
func (s *store) remove(id digest) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	e, ok := s.entries[id]
	if !ok {
		return &notFoundError{assetName(id)}
	}
	s.drop(e)
	return nil
}

// giveUp drops an asset that caller owns. Where others own it too it stays and is
// theirs alone. dropped says which.
func (s *store) giveUp(id digest, caller string) (dropped bool, err error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	e, ok := s.entries[id]
	if !ok || !e.Value.(*stored).owned(caller) {
		return false, &notFoundError{assetName(id)}
	}
	x := e.Value.(*stored)
	if caller != "" && len(x.owners) > 1 {
		s.setOwners(x, slices.DeleteFunc(slices.Clone(x.owners), func(o string) bool { return o == caller }))
		return false, nil
	}
	s.drop(e)
	return true, nil
}

// list returns up to n of caller's assets whose hash comes after after, in order,
// and whether there are more.
func (s *store) list(after string, n int, caller string) (page []stored, more bool) {
	s.mu.Lock()
	for id, e := range s.entries {
		if id.String() > after && e.Value.(*stored).owned(caller) {
			page = append(page, *e.Value.(*stored))
		}
	}
	s.mu.Unlock()
	slices.SortFunc(page, func(a, b stored) int { return strings.Compare(a.id.String(), b.id.String()) })
	if len(page) > n {
		return page[:n], true
	}
	return page, false
}

// bytes held, and promised to uploads.
func (s *store) bytes() (used, pending int64) {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.used, s.pending
}

// upload is an asset on its way in. It is for one goroutine.
type upload struct {
	s    *store
	id   digest
	size int64
	file *os.File
	hash hash.Hash
	got  int64
	head []byte // the first bytes, as many as tell what the file is
}

// begin opens an upload of size bytes with hash id. Call commit or abort.
func (s *store) begin(id digest, size int64) (*upload, error) {
	s.mu.Lock()
	if size > s.capacity-s.pending {
		s.mu.Unlock()
		return nil, &overloadError{retry: storeRetry, what: "running uploads fill the store"}
	}
	s.evict(size)
	s.pending += size
	s.mu.Unlock()
	f, err := os.CreateTemp(s.folder, uploadPrefix)
	if err != nil {
		s.promise(-size)
		return nil, err
	}
	return &upload{s: s, id: id, size: size, file: f, hash: sha256.New()}, nil
}

func (s *store) promise(n int64) {
	s.mu.Lock()
	s.pending += n
	s.mu.Unlock()
}

// write appends a chunk.
func (u *upload) write(chunk []byte) error {
	if int64(len(chunk)) > u.size-u.got {
		return &uploadError{fmt.Sprintf("more bytes than the %d announced", u.size)}
	}
	u.got += int64(len(chunk))
	if n := convert.PassHead - len(u.head); n > 0 {
		u.head = append(u.head, chunk[:min(n, len(chunk))]...)
	}
	u.hash.Write(chunk)
	_, err := u.file.Write(chunk)
	return err
}

// abort drops what was written. It does nothing after commit.
func (u *upload) abort() {
	if u.file == nil {
		return
	}
	u.file.Close()
	os.Remove(u.file.Name())
	u.file = nil
	u.s.promise(-u.size)
}

// check returns the outline of what was written, or why it is no asset.
func (u *upload) check(ctx context.Context, textLimit int64) (sizing.Outline, error) {
	if u.got != u.size {
		return sizing.Outline{}, &uploadError{fmt.Sprintf("%d bytes, %d were announced", u.got, u.size)}
	}
	if digest(u.hash.Sum(nil)) != u.id {
		return sizing.Outline{}, &uploadError{"the bytes do not have the announced hash"}
	}
	if convert.IsPass(u.head) {
		return recordOutline(u.head, u.size)
	}
	if _, err := u.file.Seek(0, io.SeekStart); err != nil {
		return sizing.Outline{}, err
	}
	text, err := sizing.ReadJSON(u.file, u.size, textLimit)
	if err != nil {
		return sizing.Outline{}, err
	}
	return sizing.New(ctx, text, u.size)
}

// commit makes a checked upload part of the store, caller's.
func (u *upload) commit(o sizing.Outline, caller string) error {
	defer u.abort()
	// The bytes are on disk before the name is.
	if err := u.file.Sync(); err != nil {
		return err
	}
	s := u.s
	x := &stored{id: u.id, outline: o}
	if caller != "" {
		x.owners = []string{caller}
	}
	side, err := s.writeSide(o, x.owners)
	if err != nil {
		return err
	}
	defer os.Remove(side) // after the rename there is nothing left to remove
	s.mu.Lock()
	defer s.mu.Unlock()
	if e, ok := s.entries[u.id]; ok { // somebody else was faster with the same bytes
		s.claim(e.Value.(*stored), caller)
		return nil
	}
	if err := os.Rename(side, s.path(u.id, outlineSuffix)); err != nil {
		return err
	}
	if err := os.Rename(u.file.Name(), s.path(u.id, assetSuffix)); err != nil {
		return err
	}
	u.file.Close()
	u.file = nil
	s.pending -= u.size
	s.used += u.size
	s.entries[u.id] = s.recent.PushFront(x)
	return nil
}
