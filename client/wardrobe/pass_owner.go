package wardrobe

// What a pass record is of. Records are named by their output's base name alone, so two
// outputs may come upon the same one, and edits of the one would be held against the
// transfer of the other. A small file beside each record, .NAME.pass.json, says whose it
// is. It is kept apart from the record, whose bytes do not depend on where things lie; a
// record without it is taken as that of the output at hand.

import (
	"context"
	"crypto/sha256"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"

	"github.com/selvage/selvage/transfer"
	"github.com/selvage/selvage/transfer/gltfio"
	"github.com/selvage/selvage/transfer/pass"
)

// ownerFormat is the first word of such a file.
const ownerFormat = "selvage pass owner 1"

// RecordOwner is the content of the file.
type RecordOwner struct {
	Format string `json:"format"`
	// Output is the garment's file, relative to the folder of the record where it can be,
	// with slashes.
	Output string `json:"output"`
	// Body are the globs of the body's meshes.
	Body []string `json:"body,omitempty"`
}

// RecordOwnerFile is the file beside a record.
func RecordOwnerFile(record string) string {
	return filepath.Join(filepath.Dir(record), "."+filepath.Base(record)+".json")
}

// OwnerOfRecord describes the owner of a record: its output, made from the body's meshes
// that the globs pick.
func OwnerOfRecord(record, output string, body []string) RecordOwner {
	o := RecordOwner{Format: ownerFormat, Output: filepath.ToSlash(output), Body: body}
	folder, err := filepath.Abs(filepath.Dir(record))
	if err != nil {
		return o
	}
	if whole, err := filepath.Abs(output); err == nil {
		if o.Output = filepath.ToSlash(whole); filepath.VolumeName(whole) == filepath.VolumeName(folder) {
			if near, err := filepath.Rel(folder, whole); err == nil {
				o.Output = filepath.ToSlash(near)
			}
		}
	}
	return o
}

// ReadRecordOwner reads the file beside a record; nil where there is none that can be read: it
// is a safeguard, and no more.
func ReadRecordOwner(record string) *RecordOwner {
	data, err := os.ReadFile(RecordOwnerFile(record))
	if err != nil {
		return nil
	}
	var o RecordOwner
	if json.Unmarshal(data, &o) != nil || o.Format != ownerFormat || o.Output == "" {
		return nil
	}
	return &o
}

// Bytes of the file.
func (o RecordOwner) Bytes() ([]byte, error) {
	data, err := json.Marshal(o)
	return append(data, '\n'), err
}

// OutputFile is the file that the owner names, as seen from here.
func (o *RecordOwner) OutputFile(record string) string {
	file := filepath.FromSlash(o.Output)
	if filepath.IsAbs(file) {
		return file
	}
	return filepath.Join(filepath.Dir(record), file)
}

// Owns reports whether output is the owner's. One whose file is gone owns nothing: it was
// moved or given up.
func (o *RecordOwner) Owns(record, output string) bool {
	if OwnerOfRecord(record, output, nil).Output == o.Output {
		return true
	}
	theirs, err := os.Stat(o.OutputFile(record))
	if errors.Is(err, fs.ErrNotExist) {
		return true
	}
	ours, err2 := os.Stat(output)
	return err == nil && err2 == nil && os.SameFile(theirs, ours)
}

// renewOwner says anew whose the record of a task is that is up to date, where nobody's
// is said or that of an output that is gone: moved with its state it is up to date
// without a pass, and another output would take the record for that of a lost one. One
// whose output is there stays: ours may be a copy of it.
func (t *Task) renewOwner() error {
	if t.Pass == nil {
		return nil
	}
	mine := OwnerOfRecord(t.Pass.Record, t.Output, t.Body.Meshes)
	if now := ReadRecordOwner(t.Pass.Record); now != nil {
		if _, err := os.Stat(now.OutputFile(t.Pass.Record)); now.Output == mine.Output || !errors.Is(err, fs.ErrNotExist) {
			return nil
		}
	}
	file := RecordOwnerFile(t.Pass.Record)
	data, err := mine.Bytes()
	if err == nil {
		err = gltfio.WriteFile(file, data)
	}
	if err != nil {
		return fmt.Errorf("write %s: %w", file, err)
	}
	return nil
}

// otherMeshes reports whether two lists of globs pick different meshes of a file. Where
// the older list picks none any more it does not matter what it was.
func otherMeshes(file string, before, now []string, pick func(*gltfio.Asset, gltfio.Selection) (*gltfio.Surface, error)) (bool, error) {
	if slices.Equal(before, now) {
		return false, nil
	}
	a, err := gltfio.Open(file, gltfio.Options{AllowExternal: true})
	if err != nil {
		return false, err
	}
	old, err := pick(a, gltfio.Selection{Names: before})
	if err != nil {
		return false, nil
	}
	fresh, err := pick(a, gltfio.Selection{Names: now})
	if err != nil {
		return false, err
	}
	return !slices.Equal(old.Parts, fresh.Parts), nil
}

// RecordUse is a pass over one garment that comes upon the record of a pass before.
type RecordUse struct {
	// Record is the record's file, and Last what it holds.
	Record string
	Last   *pass.Record
	// Output, Garment and Body are the files of the pass; Options.Garments and Bodies
	// pick the meshes of the last two.
	Output, Garment, Body string
	Bodies                gltfio.Selection
	// Options of the pass.
	Options transfer.AssetOptions
	// BodySum is the SHA-256 of Body's file.
	BodySum [sha256.Size]byte
	// Joints are the names of the body's joints; nil: they are read from Body.
	Joints func() ([]string, error)
}

// OtherOutputError says that a record is that of another output, which is there.
type OtherOutputError struct{ Record, Owner, Output string }

func (e *OtherOutputError) Error() string {
	return fmt.Sprintf("%s is the pass record of %s and not of %s: give the passes of one of them another folder", e.Record, e.Owner, e.Output)
}

// OtherMeshesError says that a record is of other meshes of the garment's or the body's
// file.
type OtherMeshesError struct {
	Record, Output string
	// File is the garment's or the body's, as What ("garment" or "body") says; Before and
	// Now are the globs of its meshes.
	File, What  string
	Before, Now []string
}

func (e *OtherMeshesError) Error() string {
	globs := func(list []string) string {
		if len(list) == 0 {
			return "all meshes"
		}
		return fmt.Sprintf("meshes %q", list)
	}
	return fmt.Sprintf("%s is the pass record of other meshes of %s, %s instead of %s: choose another output, or give up the edits in %s with --force", e.Record, e.File, globs(e.Before), globs(e.Now), e.Output)
}

// OtherBodyError says that a record was made with a body of another skeleton.
type OtherBodyError struct {
	Record, Output, Body string
	// Shared names of joints are the record's and the body's; one of them has Of names,
	// the other as many or more.
	Shared, Of int
}

func (e *OtherBodyError) Error() string {
	return fmt.Sprintf("%s is the pass record of another body than %s, as far as names tell: %d of %d joints have the same; if they were renamed, give a joint map that says how, and if it is another body, choose another output, or give up the edits in %s with --force", e.Record, e.Body, e.Shared, e.Of, e.Output)
}

// OtherGarmentError says that a record is of another garment.
type OtherGarmentError struct {
	Record, Output, Garment string
	// Was is the name of the record's garment; Shared of both surfaces is in one place.
	Was    string
	Shared float64
}

func (e *OtherGarmentError) Error() string {
	return fmt.Sprintf("%s is the pass record of %s and not of %s, %s: choose another output, or give up the edits in %s with --force; if it is the same garment, give its file the old name", e.Record, e.Was, e.Garment, pass.SharedText(e.Shared), e.Output)
}

// IsOfOther reports whether err is what Check says of a record whose edits can be given up:
// then the pass goes as one without a record.
func IsOfOther(err error) bool {
	var meshes *OtherMeshesError
	var body *OtherBodyError
	var garment *OtherGarmentError
	return errors.As(err, &meshes) || errors.As(err, &body) || errors.As(err, &garment)
}

// BodyJoints are the names of the joints that the meshes of a body's file have.
func BodyJoints(file string, meshes []string) ([]string, error) {
	a, err := gltfio.Open(file, gltfio.Options{AllowExternal: true})
	if err != nil {
		return nil, err
	}
	return a.JointNames(gltfio.Selection{Names: meshes})
}

// checkBody returns *OtherBodyError for a record of another body. Rows over a garment's own
// skin do not tell.
func (u *RecordUse) checkBody() error {
	if u.Last.Options.Skin != transfer.SkinBody || u.Options.Skin != transfer.SkinBody || u.BodySum == u.Last.BodySum {
		return nil
	}
	read := u.Joints
	if read == nil {
		read = func() ([]string, error) { return BodyJoints(u.Body, u.Bodies.Names) }
	}
	names, err := read()
	if err != nil {
		return err
	}
	other, shared, of, err := pass.IsOtherBody(u.Last.Joints, names, u.Options.JointMap)
	if err == nil && other {
		err = &OtherBodyError{u.Record, u.Output, u.Body, shared, of}
	}
	return err
}

// checkGarment returns *OtherGarmentError for a record of another garment. Of one with the
// record's name nothing is read.
func (u *RecordUse) checkGarment() error {
	name := filepath.Base(u.Garment)
	if u.Last.IsCalled(name) {
		return nil
	}
	a, err := gltfio.Open(u.Garment, gltfio.Options{AllowExternal: true})
	if err != nil {
		return err
	}
	s, err := a.Garment(u.Options.Garments)
	if err != nil {
		return err
	}
	other, shared, err := u.Last.OtherGarment(context.Background(), name, s.Mesh, u.Options.Threads)
	if err == nil && other {
		err = &OtherGarmentError{u.Record, u.Output, u.Garment, u.Last.Garment, shared}
	}
	return err
}

// Check returns nil for a record of the same garment and output, *OtherOutputError,
// *OtherMeshesError, *OtherGarmentError or *OtherBodyError for any other that can be told, else an error of
// reading the files.
func (u *RecordUse) Check() error {
	owner := ReadRecordOwner(u.Record)
	if owner != nil && !owner.Owns(u.Record, u.Output) {
		return &OtherOutputError{u.Record, owner.OutputFile(u.Record), u.Output}
	}
	type side struct {
		what, file  string
		before, now []string
		pick        func(*gltfio.Asset, gltfio.Selection) (*gltfio.Surface, error)
	}
	sides := []side{{"garment", u.Garment, u.Last.Options.Garments.Names, u.Options.Garments.Names, (*gltfio.Asset).Garment}}
	if owner != nil {
		sides = append(sides, side{"body", u.Body, owner.Body, u.Bodies.Names, (*gltfio.Asset).Body})
	}
	for _, x := range sides {
		other, err := otherMeshes(x.file, x.before, x.now, x.pick)
		if err != nil {
			return err
		}
		if other {
			return &OtherMeshesError{u.Record, u.Output, x.file, x.what, x.before, x.now}
		}
	}
	if err := u.checkGarment(); err != nil {
		return err
	}
	return u.checkBody()
}
