package main

// A pass record that is not that of the garment at hand, and an output without its
// record: neither is written over. Whose a record is: client/wardrobe/pass_owner.go.

import (
	"context"
	"errors"
	"fmt"
	"os"
	"strings"

	"github.com/selvage/selvage/api/convert"
	"github.com/selvage/selvage/client/wardrobe"
	"github.com/selvage/selvage/transfer/gltfio"
	"github.com/selvage/selvage/transfer/pass"
)

// belongs refuses a record that is not that of the garment and its output: with another
// output's nothing can be done here, any other is left aside by --force.
func (p *passes) belongs(in *passInput, garment, target string) error {
	if in.Record == nil {
		return nil
	}
	use := wardrobe.RecordUse{Record: p.recordName(target), Last: in.Record, Output: target, Garment: garment, Body: p.bodyFile, Bodies: p.bodies, Options: in.Options, BodySum: p.body, Joints: p.joints}
	err := use.Check()
	var output *wardrobe.OtherOutputError
	var meshes *wardrobe.OtherMeshesError
	switch {
	case p.force && wardrobe.IsOfOther(err):
		if in.Guess {
			in.current = "" // the garment's file stood for an output that is not there
		}
		in.Record, in.record, in.Guess = nil, nil, false
		return nil
	case errors.As(err, &output):
		return fmt.Errorf("%s is the pass record of %s and not of %s: give this garment a --pass-dir of its own", output.Record, output.Owner, output.Output)
	case errors.As(err, &meshes):
		return fmt.Errorf("%s is the pass record of other meshes of %s, %s instead of %s: choose another output, or give up the edits in %s with --force", meshes.Record, meshes.File, flagText(meshes.What, meshes.Before), flagText(meshes.What, meshes.Now), target)
	}
	return err
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
	own, err := gltfio.Open(garment, gltfio.Options{AllowExternal: true})
	if err != nil {
		return err
	}
	record, err := convert.UnpackPass(out.record)
	if err != nil {
		return err
	}
	held := pass.Input{Options: in.Options, Record: record}
	if err := openArtist(ctx, &held, target, own); err != nil || held.Current == nil {
		return err
	}
	current := held.Current
	s, read, err := pass.ReadSurface(ctx, current, in.Options.Garments)
	if err != nil {
		return err
	}
	if isSameFile(garment, target) && wardrobe.ReadRecordOwner(p.recordName(target)) == nil {
		if marks, err := current.Scalars(read, "_CONFIDENCE"); err != nil || marks == nil {
			return err
		}
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
