package wardrobe

// The state: what was written, so that it need not be made again.
//
// It is one JSON file beside the outputs, .selvage-MANIFEST.json in the folder that
// holds them all (.selvage-MANIFEST.IofN.json for a part). It appears whole or not
// at all. It is only a hint: a record counts while the task's key is the same and
// the output still has the recorded bytes. Whoever removes it loses time, nothing
// else.

import (
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"sync"
	"time"

	"github.com/selvage/selvage/transfer"
	"github.com/selvage/selvage/transfer/gltfio"
)

// Record of an output.
type Record struct {
	// Output is relative to the state's folder, with slashes.
	Output string `json:"output"`
	// Key of the task that made it.
	Key string `json:"key"`
	// SHA256 of the output, in hexadecimal, and how its file was.
	SHA256  string    `json:"sha256"`
	Size    int64     `json:"size"`
	ModTime time.Time `json:"modified"`
	// Summary of the transfer, the time that it took in seconds, and what it found.
	Summary transfer.Summary `json:"summary"`
	Seconds float64          `json:"seconds"`
	Missing []string         `json:"missing,omitempty"`
	// Pass of an output with a pass record.
	Pass *PassRecord `json:"pass,omitempty"`

	// Edited says that the output was changed by hand since, and is kept; SHA256, Size
	// and ModTime are then as it is now. The file has them as they were written.
	Edited bool `json:"-"`
}

// stateFormat is the first word of a state file.
const stateFormat = "selvage wardrobe state 1"

type stateFile struct {
	Format  string   `json:"format"`
	Records []Record `json:"records"`
	// Reports are the keys of the pages, by file like a record's output.
	Reports map[string]string `json:"reports,omitempty"`
	// Layers are orders that were found, by body.
	Layers map[string]foundOrder `json:"layers,omitempty"`
}

// state is safe for concurrent use.
type state struct {
	folder string
	file   string // to write

	mu      sync.Mutex
	own     map[string]Record
	reports map[string]string
	layers  map[string]foundOrder
	others  map[string][]Record // of other parts
	dirty   bool
	timer   *time.Timer
	written time.Time
	cost    time.Duration // of the last write
}

var partName = regexp.MustCompile(`^\.\d+of\d+\.json$`)

// readState reads the state of a whole wardrobe, with the states of its parts. What
// cannot be read is as if it were not there.
func readState(whole string) *state { return readPart(whole, whole) }

// readPart reads the same, to write the records of one part.
func readPart(whole, file string) *state {
	s := &state{folder: filepath.Dir(whole), file: file, own: map[string]Record{}, reports: map[string]string{}, layers: map[string]foundOrder{}, others: map[string][]Record{}}
	stem := strings.TrimSuffix(filepath.Base(whole), ".json")
	for _, e := range entries(s.folder) {
		rest, ok := strings.CutPrefix(e.Name(), stem)
		if !ok || rest != ".json" && !partName.MatchString(rest) {
			continue
		}
		text, err := os.ReadFile(filepath.Join(s.folder, e.Name()))
		if err != nil {
			continue
		}
		var f stateFile
		if json.Unmarshal(text, &f) != nil || f.Format != stateFormat {
			continue
		}
		mine := e.Name() == filepath.Base(file)
		if mine && f.Reports != nil {
			s.reports = f.Reports
		}
		if mine && f.Layers != nil {
			s.layers = f.Layers
		}
		for _, r := range f.Records {
			if mine {
				s.own[r.Output] = r
			} else {
				s.others[r.Output] = append(s.others[r.Output], r)
			}
		}
	}
	return s
}

// path of a recorded output.
func (s *state) path(output string) string {
	return filepath.Join(s.folder, filepath.FromSlash(output))
}

// name of an output in the records.
func (s *state) name(output string) string {
	rel, err := filepath.Rel(s.folder, output)
	if err != nil {
		rel = output
	}
	return filepath.ToSlash(rel)
}

// outputs are all recorded files.
func (s *state) outputs() []string {
	var list []string
	for o := range s.own {
		list = append(list, s.path(o))
	}
	for o := range s.others {
		list = append(list, s.path(o))
	}
	return list
}

// latest is the record of an output's last write, whichever part it was made in.
func (s *state) latest(name string) (last Record, ok bool) {
	s.mu.Lock()
	defer s.mu.Unlock()
	last, ok = s.own[name]
	for _, r := range s.others[name] {
		if !ok || r.ModTime.After(last.ModTime) {
			last, ok = r, true
		}
	}
	return last, ok
}

// find returns the record of a task whose output is there with the recorded bytes,
// or nil. Same size and time are believed unless verify asks for the hash; with
// another time the hash decides.
func (s *state) find(t *Task, verify bool) *Record {
	name := s.name(t.Output)
	s.mu.Lock()
	candidates := slices.Clone(s.others[name])
	if r, ok := s.own[name]; ok {
		candidates = append([]Record{r}, candidates...)
	}
	s.mu.Unlock()
	for _, r := range candidates {
		if r.Key != t.Key {
			continue
		}
		if t.Pass != nil {
			if found := s.findPass(t, r, verify); found != nil {
				return found
			}
			continue
		}
		now := stampOf(t.Output)
		if now.Size != r.Size {
			continue
		}
		if verify || !now.ModTime.Equal(r.ModTime) {
			sum, err := sumOf(t.Output)
			if err != nil || sum != r.SHA256 {
				continue
			}
			r.ModTime = now.ModTime
			s.put(r)
		}
		return &r
	}
	return nil
}

// record describes an output that was just written.
func (s *state) record(t *Task, result *Result, missing []string) (Record, error) {
	stamp := stampOf(t.Output)
	sum, err := sumOf(t.Output)
	if err != nil {
		return Record{}, err
	}
	r := Record{
		Output: s.name(t.Output), Key: t.Key, SHA256: sum, Size: stamp.Size, ModTime: stamp.ModTime,
		Summary: result.Summary, Seconds: result.Elapsed.Seconds(), Missing: missing,
	}
	if t.Pass != nil {
		r.Pass = passRecord(t.Pass.Record, result)
	}
	return r, nil
}

// sumOf is the SHA-256 of a file in hexadecimal.
func sumOf(file string) (string, error) {
	f, err := os.Open(file)
	if err != nil {
		return "", err
	}
	defer f.Close()
	h := sha256.New()
	if _, err := io.Copy(h, f); err != nil {
		return "", fmt.Errorf("read %s: %w", file, err)
	}
	return hex.EncodeToString(h.Sum(nil)), nil
}

// writeShare is the largest share of the time that goes into writing a state: with
// thousands of records it is not written for each of them at once, but soon.
const writeShare = 20

// put records r and writes the state now or soon.
func (s *state) put(r Record) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.own[r.Output] = r
	s.dirty = true
	wait := writeShare*s.cost - time.Since(s.written)
	if wait <= 0 {
		_ = s.write() // what fails here is tried again, and fails in flush
	} else if s.timer == nil {
		s.timer = time.AfterFunc(wait, func() { _ = s.flush() })
	}
}

// flush writes what is not written yet.
func (s *state) flush() error {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.write()
}

// write is called with the lock held.
func (s *state) write() error {
	if s.timer != nil {
		s.timer.Stop()
		s.timer = nil
	}
	if !s.dirty {
		return nil
	}
	began := time.Now()
	f := stateFile{Format: stateFormat, Records: make([]Record, 0, len(s.own)), Reports: s.reports, Layers: s.layers}
	for _, r := range s.own {
		f.Records = append(f.Records, r)
	}
	slices.SortFunc(f.Records, func(a, b Record) int { return strings.Compare(a.Output, b.Output) })
	text, err := json.MarshalIndent(f, "", " ")
	if err != nil {
		return err
	}
	if err := os.MkdirAll(s.folder, 0o755); err != nil {
		return err
	}
	if err := gltfio.WriteFile(s.file, append(text, '\n')); err != nil {
		return err
	}
	s.dirty, s.written = false, time.Now()
	s.cost = s.written.Sub(began)
	return nil
}

// forget drops records of outputs that are gone.
func (s *state) forget() {
	s.mu.Lock()
	defer s.mu.Unlock()
	for o := range s.own {
		if stampOf(s.path(o)).Size < 0 {
			delete(s.own, o)
			s.dirty = true
		}
	}
}
