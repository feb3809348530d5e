package main

import (
	"context"
	"errors"
	"path/filepath"

	"github.com/selvage/selvage/transfer/gltfio"
	"github.com/selvage/selvage/transfer/pose"
	"github.com/spf13/cobra"
)

// checkPage is what a check leaves for the eye: a page, pictures, or neither.
type checkPage struct{ file, pictures, previous string }

func (c *checkPage) addFlags(cmd *cobra.Command) {
	f := cmd.Flags()
	f.StringVar(&c.file, "report", "", "HTML file to write: the worst poses pictured, and one click away in a 3D view (see selvage report)")
	f.StringVar(&c.pictures, "png", "", "folder for PNG files: front, back, worst places, worst poses; it is made where it is missing")
	f.StringVar(&c.previous, "previous", "", "with --report: the last pass's weighted file of the garment, to show what changed")
}

func (c *checkPage) validate(cmd *cobra.Command) error {
	if c.previous != "" && c.file == "" {
		return usageError{errors.New("--previous needs --report")}
	}
	if c.pictures == "" && cmd.Flags().Changed("png") {
		return usageError{errors.New("--png: names no folder")}
	}
	if err := checkReportFile(cmd, c.file); err != nil {
		return err
	}
	return checkPageFiles(c.file, c.pictures)
}

// write leaves what is asked for of a check of a body's file, of layers' and of a
// garment's, here or by a server, and returns lines that say where.
func (c *checkPage) write(ctx context.Context, bodyFile string, layers []string, file string, opt pose.FileOptions, r *pose.Report) ([]string, error) {
	if c.file == "" && c.pictures == "" {
		return nil, nil
	}
	body, err := gltfio.Open(bodyFile, gltfio.Options{AllowExternal: true})
	if err != nil {
		return nil, err
	}
	garment, err := gltfio.Open(file, gltfio.Options{AllowExternal: true})
	if err != nil {
		return nil, err
	}
	page, err := newPage(body, opt.Body, opt.Threads)
	if err != nil {
		return nil, err
	}
	// They have poses of their own: those of joints that move them alone.
	if opt.Layers, err = openAll(layers); err != nil {
		return nil, err
	}
	if _, err := addBeneath(ctx, page, opt.Layers, opt.Joints); err != nil { // the check's remarks have the notes
		return nil, err
	}
	w := worn{
		asset: garment, selection: opt.Garment, previous: c.previous, previousName: filepath.Base(file),
		check: r, checked: opt, joints: opt.Joints,
	}
	if err := addWorn(ctx, page, body, w); err != nil {
		return nil, err
	}
	return deliver(ctx, page, c.file, c.pictures)
}
