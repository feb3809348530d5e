package main

import (
	"fmt"
	"io"
	"strings"

	"github.com/selvage/selvage/transfer/retouch"
	"github.com/spf13/cobra"
)

func newTidy() *cobra.Command {
	var r retouching
	var opt retouch.TidyOptions
	cmd := r.command(&cobra.Command{
		Use:   "tidy",
		Short: "Mend rows: prune, limit, normalise, weld seams, repair",
		Long: `Tidy mends what is wrong with the rows of an asset, and says how many of each: weights
that are no numbers, negative or all zero (put together from the vertices in the same
place, else filled in from their neighbours), sums other than one, joints that stand in
a row twice or without weight, influences below --prune-below, vertices in one place
with different rows (all take their mean). With --max-influences rows are limited to so
many, and sets of influences beyond are dropped. A tidy asset comes out byte for byte.`,
		Example: `  selvage tidy body.glb -o body.tidy.glb
  selvage tidy body.glb --max-influences 4 --prune-below 0.001 -o body.tidy.glb`,
	}, func(*cobra.Command) error {
		r.request.Tidy = &opt
		return nil
	}, func(w io.Writer, s *retouch.Summary) {
		t := s.Tidy
		var list []string
		for _, x := range []struct {
			n    int
			what string
		}{
			{t.NotFinite, "not finite"}, {t.Zero, "without weight"}, {t.Negative, "negative"}, {t.Sum, "not normalised"}, {t.Twice, "with a joint twice"},
			{t.Pruned, "pruned"}, {t.Limited, "limited"}, {t.Cleared, "with a joint of no weight"},
			{t.Seams, fmt.Sprintf("on seams that were apart (in %d places)", t.Places)},
		} {
			if x.n > 0 {
				list = append(list, fmt.Sprintf("%d %s", x.n, x.what))
			}
		}
		if len(list) == 0 {
			fmt.Fprintln(w, "tidy already")
			return
		}
		fmt.Fprintf(w, "rows mended: %s\n", strings.Join(list, ", "))
	})
	cmd.Flags().Float64Var(&opt.PruneBelow, "prune-below", 0, "drop influences below this share of their row (0: 1e-7)")
	cmd.Flags().Lookup("max-influences").Usage = "limit rows to so many influences, 1 to 8, and drop sets beyond (0: no limit)"
	return cmd
}
