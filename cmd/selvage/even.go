package main

import (
	"fmt"
	"io"

	"github.com/selvage/selvage/transfer/retouch"
	"github.com/spf13/cobra"
)

func newEven() *cobra.Command {
	var r retouching
	var pair []string
	cmd := r.command(&cobra.Command{
		Use:   "even",
		Short: "Make a twist pair's weights even around their limb",
		Long: `Even takes two joints that share a limb, as a forearm and its twist joint do, and makes
the share of each a function of the position along the limb alone, rising or falling
all along: even around every ring. What both have together stays as it is at every
vertex, and a vertex whose row has no room for both joints stays as it is. Where the
shares are so already nothing changes. Only weights change.

The axis runs from the first joint's origin to the second's; where they coincide, along
the limb.
` + maskHelp,
		Example: `  selvage even body.glb --joint forearm.left --joint forearm_twist.left -o body.even.glb`,
	}, func(*cobra.Command) error {
		if len(pair) != 2 {
			return usageError{fmt.Errorf("even needs --joint twice, there are %d", len(pair))}
		}
		r.request.Even = &retouch.EvenRequest{Joints: [2]string(pair)}
		return nil
	}, func(w io.Writer, s *retouch.Summary) {
		e := s.Even
		if e.Already {
			fmt.Fprintf(w, "%d vertices of the pair, even already\n", e.Pair)
			return
		}
		fmt.Fprintf(w, "%d vertices of the pair over %.1f cm: share uneven by %.4f (root mean square) before, %.4f now; largest change %.3f\n", e.Pair, 100*e.Length, e.Before, e.After, e.Largest)
	})
	r.addMask(cmd, "region of vertices to look at and change (repeatable; default: all)")
	cmd.Flags().StringArrayVar(&pair, "joint", nil, "name of a joint of the pair (twice)")
	return cmd
}
