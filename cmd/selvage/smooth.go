package main

import (
	"fmt"
	"io"

	"github.com/selvage/selvage/transfer"
	"github.com/selvage/selvage/transfer/retouch"
	"github.com/spf13/cobra"
)

func newSmooth() *cobra.Command {
	var r retouching
	var opt retouch.SmoothOptions
	cmd := r.command(&cobra.Command{
		Use:   "smooth",
		Short: "Smooth rows along the surface",
		Long: `Smooth averages rows along the surface, over a length that is a number of edges: each
pass is an implicit step of diffusion, so that weights stay between zero and one and sum
to one however long it is. Without --mask everything is smoothed; with one, the rows
around the region hold its border. Only weights change.
` + maskHelp,
		Example: `  selvage smooth body.glb --mask joint:shin.left -o body.smooth.glb
  selvage smooth body.glb --mask 'near:upper_arm.*:0.1' --strength 3 --passes 2 -o body.smooth.glb`,
	}, func(*cobra.Command) error {
		// To a request zero is what goes without saying; the flags say it.
		switch {
		case opt.Strength == 0:
			return usageError{&transfer.OptionError{Option: "strength", Reason: "0 is not above 0 and up to 100"}}
		case opt.Passes == 0:
			return usageError{&transfer.OptionError{Option: "passes", Reason: "0 is outside 1..100"}}
		}
		r.request.Smooth = &opt
		return nil
	}, func(w io.Writer, s *retouch.Summary) {
		fmt.Fprintf(w, "%d vertices smoothed over %.1f mm a pass\n", s.Smooth.Region, 1000*s.Smooth.Length)
	})
	r.addMask(cmd, "region to smooth (repeatable; default: all)")
	f := cmd.Flags()
	f.Float64Var(&opt.Strength, "strength", 1, "smoothing length in edges, above 0 and up to 100")
	f.IntVar(&opt.Passes, "passes", 1, "number of passes, 1 to 100")
	return cmd
}
