package main

// What a pass record is of. Records are named by their output's base name alone, so two
// outputs may come upon the same one, and edits of the one would be held against the
// transfer of the other. A small file beside each record, .NAME.pass.json, says whose it
// is. It is kept apart from the record, whose bytes do not depend on where things lie; a
// record without it is taken as that of the output at hand.

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"github.com/selvage/selvage/api/convert"
	"github.com/selvage/selvage/transfer/gltfio"
	"github.com/selvage/selvage/transfer/pass"
)

// ownerFormat is the first word of such a file.
const ownerFormat = "selvage pass owner 1"

// recordOwner is the content of the file.
type recordOwner struct {
	Format string `json:"format"`
	// Output is the garment's file, relative to the folder of the record where it can be,
	// with slashes.
	Output string `json:"output"`
	// Body are the globs of --body.
	Body []string `json:"body,omitempty"`
}

// ownerName is the file beside a record.
func ownerName(record string) string {
	return filepath.Join(filepath.Dir(record), "."+filepath.Base(record)+".json")
}

// ownerOf describes the owner of a record.
func ownerOf(record, output string, body gltfio.Selection) recordOwner {
	o := recordOwner{Format: ownerFormat, Output: filepath.ToSlash(output), Body: body.Names}
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

// readOwner reads the file beside a record; nil where there is none that can be read: it
// is a safeguard, and no more.
func readOwner(record string) *recordOwner {
	data, err := os.ReadFile(ownerName(record))
	if err != nil {
		return nil
	}
	var o recordOwner
	if json.Unmarshal(data, &o) != nil || o.Format != ownerFormat || o.Output == "" {
		return nil
	}
	return &o
}

// bytes of the file.
func (o recordOwner) bytes() ([]byte, error) {
	data, err := json.Marshal(o)
	return append(data, '\n'), err
}

// output is the file that the owner names, as seen from here.
func (o *recordOwner) output(record string) string {
	file := filepath.FromSlash(o.Output)
	if filepath.IsAbs(file) {
		return file
	}
	return filepath.Join(filepath.Dir(record), file)
}

// owns reports whether output is the owner's. One whose file is gone owns nothing: it was
// moved or given up.
func (o *recordOwner) owns(record, output string) bool {
	if ownerOf(record, output, gltfio.Selection{}).Output == o.Output {
		return true
	}
	theirs, err := os.Stat(o.output(record))
	if errors.Is(err, fs.ErrNotExist) {
		return true
	}
	ours, err2 := os.Stat(output)
	return err == nil && err2 == nil && os.SameFile(theirs, ours)
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

// belongs refuses a record that is not that of the garment and its output: with another
// output's nothing can be done here, any other is left aside by --force.
func (p *passes) belongs(in *passInput, garment, target string) error {
	if in.Record == nil {
		return nil
	}
	record := p.recordName(target)
	owner := readOwner(record)
	if owner != nil && !owner.owns(record, target) {
		return fmt.Errorf("%s is the pass record of %s and not of %s: give this garment a --pass-dir of its own", record, owner.output(record), target)
	}
	for _, x := range []struct {
		known       bool
		flag, file  string
		before, now []string
		pick        func(*gltfio.Asset, gltfio.Selection) (*gltfio.Surface, error)
	}{
		{true, "garment", garment, in.Record.Options.Garments.Names, in.Options.Garments.Names, (*gltfio.Asset).Garment},
		{owner != nil, "body", p.bodyFile, ownerBody(owner), p.bodies.Names, (*gltfio.Asset).Body},
	} {
		if !x.known {
			continue
		}
		other, err := otherMeshes(x.file, x.before, x.now, x.pick)
		switch {
		case err != nil:
			return err
		case other && p.force:
			if in.Guess {
				in.current = "" // the garment's file stood for an output that is not there
			}
			in.Record, in.record, in.Guess = nil, nil, false
			return nil
		case other:
			return fmt.Errorf("%s is the pass record of other meshes of %s, %s instead of %s: choose another output, or give up the edits in %s with --force", record, x.file, flagText(x.flag, x.before), flagText(x.flag, x.now), target)
		}
	}
	return nil
}

func ownerBody(o *recordOwner) []string {
	if o == nil {
		return nil
	}
	return o.Body
}

// flagText is a repeatable flag as it was given.
func flagText(flag string, list []string) string {
	if len(list) == 0 {
		return "no --" + flag
	}
	return "--" + flag + " " + strings.Join(list, " --"+flag+" ")
}

// lost refuses to write a garment over an output that has no record and other rows than
// the transfer gives: they may be somebody's work. Of a garment that is its own output
// this is asked only where it has come from a transfer: by what is left beside its
// record, or by its confidence.
func (p *passes) lost(ctx context.Context, in *passInput, garment, target string, out *finished) error {
	if in == nil || in.Record != nil || in.current != target || p.force {
		return nil
	}
	current, err := openWeighted(target, in.Options.Garments)
	if err != nil || current == nil {
		return err
	}
	s, read, err := pass.ReadSurface(ctx, current, in.Options.Garments)
	if err != nil {
		return err
	}
	if isSameFile(garment, target) && readOwner(p.recordName(target)) == nil {
		if marks, err := current.Scalars(read, "_CONFIDENCE"); err != nil || marks == nil {
			return err
		}
	}
	record, err := convert.UnpackPass(out.record)
	if err != nil {
		return err
	}
	found, err := pass.Find(ctx, record, s, in.Options.Threads)
	if err != nil {
		return err
	}
	if n := found.New + found.Unplaced; n > 0 {
		return fmt.Errorf("there is no pass record %s, and without it edits in %s would be lost, where %d rows are not what this transfer gives: put the record back, or give them up with --force", p.recordName(target), target, n)
	}
	return nil
}

func isSameFile(a, b string) bool {
	x, err := os.Stat(a)
	if err != nil {
		return false
	}
	y, err := os.Stat(b)
	return err == nil && os.SameFile(x, y)
}
