package wardrobe

// Passes: what artists change in the outputs is carried over from run to run. Each
// output has a record beside it of what the run before gave (package pass); both are
// replaced together.
//
// An output that was changed by hand since is no output to make again: while body,
// garment and options stay as they were it is kept, and as soon as one of them
// changes its edits are merged into what comes out.

import (
	"cmp"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"sync/atomic"
	"time"

	"google.golang.org/protobuf/proto"

	"github.com/selvage/selvage/api/convert"
	"github.com/selvage/selvage/transfer"
	"github.com/selvage/selvage/transfer/gltfio"
	"github.com/selvage/selvage/transfer/pass"
)

// Pass is how a task carries edits over.
type Pass struct {
	// Record is the file of the pass record.
	Record string
	// Policy for conflicts.
	Policy pass.Policy
	// Garment and Program are the names that the record has.
	Garment, Program string

	rules []pass.Rule // of the policy, as the manifest has them
	force bool        // a record of other meshes is left aside
}

// PassFiles is what a task's pass starts from, as it was when it was read.
type PassFiles struct {
	// Record is the record's file, and Last what it holds; nil: there is none.
	Record []byte
	Last   *pass.Record
	// Current is the file of the garment as the artist left it; empty: there is none.
	Current string
	// Guess says that Current may be another file, see pass.Input.
	Guess bool

	stamps []Stamp
}

// OpenPass reads what the task's pass starts from. The task must have a Pass. A record
// that is not that of the task is refused, see RecordUse.Check.
func (t *Task) OpenPass() (*PassFiles, error) {
	f := &PassFiles{stamps: []Stamp{stampOf(t.Pass.Record), stampOf(t.Output)}}
	data, last, err := t.readRecord()
	if err != nil && !errors.Is(err, fs.ErrNotExist) {
		return nil, err
	}
	f.Record, f.Last = data, last
	if f.stamps[1].Size >= 0 {
		f.Current = t.Output
	} else if f.Last != nil {
		f.Current, f.Guess = t.Garment.File, true
	}
	if f.Last == nil {
		return f, nil
	}
	use := RecordUse{
		Record: t.Pass.Record, Last: f.Last, Output: t.Output, Garment: t.Garment.File, Body: t.Body.File,
		Bodies: gltfio.Selection{Names: t.Body.Meshes}, Options: t.Options, Joints: t.Body.joints,
	}
	if _, use.BodySum, err = t.FileSums(); err != nil {
		return nil, err
	}
	if err := use.Check(); err != nil {
		if !t.Pass.force || !IsOfOther(err) {
			return nil, err
		}
		if f.Guess {
			f.Current = "" // the garment's file stood for an output that is not there
		}
		f.Record, f.Last, f.Guess = nil, nil, false
	}
	return f, nil
}

// readRecord reads the task's pass record.
func (t *Task) readRecord() ([]byte, *pass.Record, error) {
	data, err := os.ReadFile(t.Pass.Record)
	if err != nil {
		return nil, nil, err
	}
	r, err := convert.UnpackPass(data)
	if err != nil {
		return nil, nil, fmt.Errorf("%s: %w (without the record, edits cannot be told from the transfer)", t.Pass.Record, err)
	}
	return data, r, nil
}

// lastPass is the task's pass record.
func (t *Task) lastPass() (*pass.Record, error) {
	_, r, err := t.readRecord()
	return r, err
}

// open opens the artist's garment for a pass, where there is one.
func (f *PassFiles) open(ctx context.Context, in *pass.Input, garment *gltfio.Asset) error {
	if f.Current == "" {
		return nil
	}
	a, err := gltfio.Open(f.Current, gltfio.Options{AllowExternal: true})
	if err != nil {
		return err
	}
	return in.OpenArtist(ctx, a, garment)
}

// transfer computes the task from a garment, as a pass where it is one.
func (t *Task) transfer(ctx context.Context, body *transfer.AssetBody, garment *gltfio.Asset, opt transfer.AssetOptions) (*Result, error) {
	if t.Pass == nil {
		out, r, err := body.Transfer(ctx, garment, opt)
		if err != nil {
			return nil, err
		}
		return &Result{Output: out, Summary: r.Summary}, nil
	}
	files, err := t.OpenPass()
	if err != nil {
		return nil, err
	}
	in := pass.Input{Garment: t.Pass.Garment, From: garment, Record: files.Last, Guess: files.Guess, Options: opt, Policy: t.Pass.Policy, Program: t.Pass.Program}
	if in.GarmentSum, in.BodySum, err = t.FileSums(); err != nil {
		return nil, err
	}
	if err := files.open(ctx, &in, garment); err != nil {
		return nil, err
	}
	out, packed, err := convert.TransferPass(ctx, body, in)
	if err != nil {
		return nil, err
	}
	r := out.Written(out.Given)
	return &Result{Output: out.Asset, Summary: r.Summary, Record: packed, Pass: &out.Summary, From: files}, nil
}

// FileSums are the SHA-256 of the garment's and the body's file, without those that
// they name, as pass records have them.
func (t *Task) FileSums() (garment, body [sha256.Size]byte, err error) {
	for _, x := range []struct {
		s  *Source
		to *[sha256.Size]byte
	}{{t.Garment, &garment}, {t.Body, &body}} {
		if len(x.s.Files) == 1 {
			*x.to = x.s.Sum
			continue
		}
		text, err := sumOf(x.s.File)
		if err != nil {
			return garment, body, err
		}
		if _, err := hex.Decode(x.to[:], []byte(text)); err != nil {
			return garment, body, err
		}
	}
	return garment, body, nil
}

// key is the key of a task's result with the policy of its pass in it. What the pass
// starts from is not: artists change it, and the state knows how it was.
func (p *Pass) key(work string) (string, error) {
	m, err := convert.PolicyToProto(&p.Policy, nil)
	if err != nil {
		return "", err
	}
	packed, err := proto.MarshalOptions{Deterministic: true}.Marshal(m)
	if err != nil {
		return "", err
	}
	h := sha256.New()
	for _, b := range [][]byte{[]byte("selvage wardrobe pass 1"), []byte(work), packed, []byte(p.Program)} {
		part(h, b)
	}
	return hex.EncodeToString(h.Sum(nil)), nil
}

// PassRecord is what the state knows of an output's pass.
type PassRecord struct {
	// SHA256 of the pass record, in hexadecimal, and how its file was.
	SHA256  string    `json:"sha256"`
	Size    int64     `json:"size"`
	ModTime time.Time `json:"modified"`
	// Summary of the pass, with the worst conflicts alone: see Item.Pass.
	Summary pass.Summary `json:"summary"`
	// Conflicts is the number of all.
	Conflicts int `json:"conflicts,omitempty"`

	all []pass.Conflict // of an output that this run made, as far as they came
}

// keptConflicts is how many conflicts the state keeps of an output.
const keptConflicts = 200

// passRecord describes a pass record that was just written.
func passRecord(file string, result *Result) *PassRecord {
	sum, stamp, s := sha256.Sum256(result.Record), stampOf(file), result.Pass
	r := &PassRecord{SHA256: hex.EncodeToString(sum[:]), Size: stamp.Size, ModTime: stamp.ModTime, Summary: *s}
	r.Conflicts, r.all = max(result.Conflicts, len(s.Conflicts)), s.Conflicts
	r.Summary.Conflicts = s.WorstConflicts(keptConflicts)
	return r
}

// Pass is what became of the edits in an output that has a pass record, with as many
// conflicts as can be had, and the number of all. An output that this run made here
// has all, by vertex, as pass.Output has them; any other has those that its record
// lists (at most pass.RecordedConflicts, the worst), and where that is not all of them
// the worst come first. The item must have a Record with a Pass.
func (i *Item) Pass() (s pass.Summary, conflicts int) {
	r := i.Record.Pass
	s = r.Summary
	if r.all != nil {
		s.Conflicts = r.all
	}
	conflicts = max(r.Conflicts, len(s.Conflicts))
	// Earlier versions, here and on farms, did not say how many there are.
	if n := len(s.Conflicts); n < conflicts || n == keptConflicts {
		if last, err := i.Task.lastPass(); err == nil {
			t := &last.Last.Summary
			// A record that a later run has taken elsewhere tells of another pass.
			if t.Conflict == s.Conflict && len(t.Conflicts) > n && slices.Equal(t.WorstConflicts(n), s.WorstConflicts(n)) {
				s.Conflicts = t.Conflicts
			}
		}
		conflicts = max(conflicts, len(s.Conflicts))
	}
	if len(s.Conflicts) == conflicts {
		s.Conflicts = slices.SortedStableFunc(slices.Values(s.Conflicts), func(a, b pass.Conflict) int { return cmp.Compare(a.Vertex, b.Vertex) })
	}
	return s, conflicts
}

// LostRecordError says that the record of an output is gone whose edits it told from
// the transfer's rows.
type LostRecordError struct{ Output, Record string }

func (e *LostRecordError) Error() string {
	return fmt.Sprintf("the pass record %s is gone, and without it the edits in %s would be lost: put it back, or give them up with --force", e.Record, e.Output)
}

// lost returns a *LostRecordError for a task whose record is gone and whose output
// has edits.
func (s *state) lost(t *Task) error {
	r, ok := s.latest(s.name(t.Output))
	now := stampOf(t.Output)
	if !ok || r.Pass == nil || now.Size < 0 || stampOf(t.Pass.Record).Size >= 0 {
		return nil
	}
	if sum, err := sumOf(t.Output); err == nil && sum == r.SHA256 && r.Pass.Summary.Edited == 0 {
		return nil // the transfer's own rows
	}
	return &LostRecordError{t.Output, t.Pass.Record}
}

// findPass is find for a task with a pass: the record must be as it was written, and
// the output must be there. One that was changed by hand since counts as up to date,
// and is Edited; one that cannot be read does not.
func (s *state) findPass(t *Task, r Record, verify bool) *Record {
	if r.Pass == nil {
		return nil
	}
	now := stampOf(t.Pass.Record)
	if now.Size != r.Pass.Size {
		return nil
	}
	changed := false
	if verify || !now.ModTime.Equal(r.Pass.ModTime) {
		if sum, err := sumOf(t.Pass.Record); err != nil || sum != r.Pass.SHA256 {
			return nil
		}
		p := *r.Pass
		p.ModTime = now.ModTime
		r.Pass, changed = &p, true
	}
	now = stampOf(t.Output)
	if now.Size < 0 {
		return nil
	}
	edited := now.Size != r.Size
	sum := ""
	if verify || edited || !now.ModTime.Equal(r.ModTime) {
		var err error
		if sum, err = sumOf(t.Output); err != nil {
			return nil
		}
		if edited = sum != r.SHA256; !edited {
			r.ModTime, changed = now.ModTime, true
		}
	}
	if changed {
		s.put(r)
	}
	if edited {
		if !isWhole(t.Output) {
			return nil
		}
		r.Edited, r.SHA256, r.Size, r.ModTime = true, sum, now.Size, now.ModTime
	}
	return &r
}

// save writes a task's result: the record of a pass takes its place before the
// garment does, see pass.Record.Merged.
func (t *Task) save(ctx context.Context, result *Result) (missing []string, err error) {
	if t.Pass == nil {
		return result.Output.Save(t.Output)
	}
	if err := os.MkdirAll(filepath.Dir(t.Pass.Record), 0o755); err != nil {
		return nil, fmt.Errorf("write %s: %w", t.Pass.Record, err)
	}
	owner, err := OwnerOfRecord(t.Pass.Record, t.Output, t.Body.Meshes).Bytes()
	if err != nil {
		return nil, fmt.Errorf("write %s: %w", RecordOwnerFile(t.Pass.Record), err)
	}
	// All, once the first is there: a run that ends now ends after this garment.
	all, err := SaveAll(context.WithoutCancel(ctx), []Output{bytesFile(owner), bytesFile(result.Record), result.Output}, []string{RecordOwnerFile(t.Pass.Record), t.Pass.Record, t.Output})
	if err != nil {
		return nil, err
	}
	return all[2], nil
}

// bytesFile is a file in memory that is written with others.
type bytesFile []byte

// Save writes it.
func (b bytesFile) Save(file string) (missing []string, err error) {
	return nil, gltfio.WriteFile(file, b)
}

// waitingFiles counts the files that were waiting, as many tasks may save at once.
var waitingFiles atomic.Int64

// afterRename is called when a file of a SaveAll has taken its place, for tests.
var afterRename func(file string)

// SaveAll writes outputs to their files: all of them or, but for a crash, none. Each
// is written beside its file first; only when the last is complete do they take their
// places, in order. It returns the images that each could not find.
func SaveAll(ctx context.Context, outputs []Output, files []string) (missing [][]string, err error) {
	waiting := make([]string, len(files))
	defer func() {
		for _, w := range waiting {
			if w != "" {
				os.Remove(w) // gone where it took its place
			}
		}
	}()
	missing = make([][]string, len(files))
	for k, file := range files {
		if info, err := os.Stat(file); err == nil && info.IsDir() {
			return nil, fmt.Errorf("write %s: is a folder", file)
		}
		if err := ctx.Err(); err != nil {
			return nil, err
		}
		waiting[k] = filepath.Join(filepath.Dir(file), fmt.Sprintf(".selvage-%d-%d%s", os.Getpid(), waitingFiles.Add(1), filepath.Ext(file)))
		if missing[k], err = outputs[k].Save(waiting[k]); err != nil {
			if cause := errors.Unwrap(err); cause != nil {
				err = cause // without the name of the waiting file
			}
			return nil, fmt.Errorf("write %s: %w", file, err)
		}
	}
	if err := ctx.Err(); err != nil {
		return nil, err
	}
	for k, file := range files {
		if err := os.Rename(waiting[k], file); err != nil {
			return nil, fmt.Errorf("write %s: %w", file, err)
		}
		if afterRename != nil {
			afterRename(file)
		}
	}
	return missing, nil
}
