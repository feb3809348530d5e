package main

// What fill, mirror, even, smooth and tidy have in common.

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"

	"github.com/selvage/selvage/client"
	"github.com/selvage/selvage/transfer"
	"github.com/selvage/selvage/transfer/gltfio"
	"github.com/selvage/selvage/transfer/region"
	"github.com/selvage/selvage/transfer/retouch"
	"github.com/spf13/cobra"
)

// maskHelp is what a region is, for the commands that take one.
const maskHelp = `
A region is any number of --mask; a vertex that one of them picks is in it:
  attribute:NAME             the vertex attribute _NAME, one number, is 0.5 or more
  color:N                    COLOR_N is painted red; color:N.C: channel C (r, g, b, a) is
  joint:GLOB                 joints that match have more than half of the row
  box:X0,Y0,Z0,X1,Y1,Z1      inside the box: metres, default pose, world frame
  near:GLOB:METRES           no farther than that from the bones of joints that match
  mesh:GLOB                  in a primitive whose node, mesh or material matches
`

// retouching is a command on one asset.
type retouching struct {
	request       retouch.Request
	onto          string // another asset, which gets the rows; empty: the asset itself
	output        string
	where         remote
	asJSON, quiet bool
}

// command completes a command: flags that all have, and what it does. prepare reads
// the command's own flags into the request; show prints what a person wants to know.
func (r *retouching) command(cmd *cobra.Command, prepare func(cmd *cobra.Command) error, show func(w io.Writer, s *retouch.Summary)) *cobra.Command {
	cmd.Use += " ASSET"
	cmd.Args = exactArgs(1, "one skinned asset")
	cmd.RunE = func(cmd *cobra.Command, args []string) error {
		if r.output == "" {
			return usageError{fmt.Errorf("%s needs --output", cmd.Name())}
		}
		if err := checkGlobs("mesh", r.request.Meshes.Names); err != nil {
			return err
		}
		if err := prepare(cmd); err != nil {
			return err
		}
		if err := r.request.Validate(); err != nil {
			return retouchUsage(err)
		}
		file := args[0]
		if r.onto != "" {
			file = r.onto
		}
		targets, err := outputs([]string{file}, r.output)
		if err != nil {
			return err
		}
		out, sum, err := r.run(cmd.Context(), file, args[0])
		if err != nil {
			return retouchUsage(err)
		}
		missing, err := saveAll(cmd.Context(), []savable{out}, targets)
		if err != nil {
			return err
		}
		for _, m := range missing[0] {
			sum.Notes = append(sum.Notes, "the image "+m+" was not found beside the input; its reference was kept")
		}
		switch {
		case r.asJSON:
			return writeJSON(cmd.OutOrStdout(), sum)
		case !r.quiet:
			writeRetouch(cmd.OutOrStdout(), sum, show)
		}
		return nil
	}
	f := cmd.Flags()
	f.StringVarP(&r.output, "output", "o", "", "file to write (.glb or .gltf), or a folder")
	f.StringArrayVar(&r.request.Meshes.Names, "mesh", nil, "glob of node, mesh or material names to work on (repeatable; default: every skinned mesh)")
	f.IntVar(&r.request.MaxInfluences, "max-influences", 0, "largest number of influences of a row that changes, 1 to 8 (0: what the meshes have room for, at least 4)")
	addRemoteFlags(f, &r.where)
	f.IntVar(&r.request.Threads, "threads", 0, "number of threads (0: all); the result does not depend on it")
	f.BoolVar(&r.asJSON, "json", false, "print the summary as JSON on standard output")
	f.BoolVarP(&r.quiet, "quiet", "q", false, "print errors alone")
	return cmd
}

// addMask adds the flag of a region.
func (r *retouching) addMask(cmd *cobra.Command, help string) {
	cmd.Flags().StringArrayVar(&r.request.Mask, "mask", nil, help)
}

// retouchUsage marks errors of how the command was called, and says which flags settle
// what is doubtful.
func retouchUsage(err error) error {
	var doubt *retouch.DoubtError
	if errors.As(err, &doubt) {
		return fmt.Errorf("%w (--plane says where the mirror stands, --pairs what belongs together, and --allow-doubtful goes on)", err)
	}
	var option *transfer.OptionError
	var spec *region.SpecError
	if errors.As(err, &option) || errors.As(err, &spec) {
		return usageError{err}
	}
	return err
}

// run computes, here or by a server: file is the asset that gets rows, source the one
// that they come from.
func (r *retouching) run(ctx context.Context, file, source string) (savable, *retouch.Summary, error) {
	if r.where.address != "" {
		return r.where.retouch(ctx, file, source, r.request)
	}
	here, err := readUntouched(file)
	if err != nil {
		return nil, nil, err
	}
	var from *gltfio.Asset
	if source != file {
		if from, err = gltfio.Open(source, gltfio.Options{AllowExternal: true}); err != nil {
			return nil, nil, err
		}
	}
	out, sum, err := retouch.Run(ctx, here.asset, from, r.request)
	if err != nil {
		return nil, nil, err
	}
	if out == here.asset {
		return here, sum, nil
	}
	return out, sum, nil
}

// retouch lets the server compute; see retouching.run.
func (r *remote) retouch(ctx context.Context, file, source string, request retouch.Request) (savable, *retouch.Summary, error) {
	m := client.RetouchRequest{Request: request}
	var err error
	if m.Asset, err = client.OpenAsset(file); err != nil {
		return nil, nil, err
	}
	if source != file {
		if m.Source, err = client.OpenAsset(source); err != nil {
			return nil, nil, err
		}
	}
	c, err := r.dial(ctx)
	if err != nil {
		return nil, nil, err
	}
	defer c.Close()
	out, err := c.Retouch(ctx, m)
	if err != nil {
		return nil, nil, r.explain(err)
	}
	if out.Unchanged { // what is here stays as it is here
		here, err := readUntouched(file)
		return here, out.Summary, err
	}
	return out, out.Summary, nil
}

// untouched is an asset as it was read.
type untouched struct {
	asset *gltfio.Asset
	data  []byte
}

// readUntouched reads an asset and keeps its bytes.
func readUntouched(file string) (u untouched, err error) {
	if u.asset, err = gltfio.Open(file, gltfio.Options{AllowExternal: true}); err != nil {
		return u, err
	}
	u.data, err = os.ReadFile(file)
	return u, err
}

func (u untouched) Save(file string) ([]string, error) { return u.asset.SaveUnchanged(file, u.data) }

// writeRetouch prints a summary.
func writeRetouch(w io.Writer, s *retouch.Summary, show func(w io.Writer, s *retouch.Summary)) {
	fmt.Fprintf(w, "%s: %d of %d vertices changed (%.1f%%)", printable(s.Asset), s.Changed, s.Vertices, percent(s.Changed, s.Vertices))
	if s.Changed > 0 {
		fmt.Fprintf(w, ", L1 at most %.3f, mean %.3f", s.MaxL1, s.MeanL1)
	}
	fmt.Fprintln(w)
	show(w, s)
	for _, n := range s.Notes {
		fmt.Fprintf(w, "%s: %s\n", printable(s.Asset), printable(n))
	}
}
