package main

import (
	"fmt"
	"io"
	"os"

	"github.com/jedib0t/go-pretty/v6/table"
	"github.com/selvage/selvage/transfer/retouch"
	"github.com/spf13/cobra"
)

func newMirror() *cobra.Command {
	var r retouching
	var from, axis int
	var pairs string
	var tolerance, plane float64
	var doubtful bool
	cmd := r.command(&cobra.Command{
		Use:   "mirror",
		Short: "Carry the rows of one side over to the other",
		Long: `Mirror gives each vertex of one side the row that the other side's surface has at its
mirrored place, over the joints' counterparts; between vertices rows are interpolated.
Vertices on the plane get the mean of their row and its mirror. The side that gives
stays as it is, and so does what has no surface near its mirrored place. Only weights
change.

Counterparts are found by name (the words left and right, or the letters l and r
standing alone, in any place) and held against the joints' mirrored positions; joints
without such a name are paired by position. What is doubtful is said: names that make a
pair where positions do not, positions that do where names do not, and joints without a
counterpart, whose weight goes to their nearest ancestor's. --pairs names a YAML file
that goes before both, a line for each pair (the joint itself for one in the middle):

  hand.port: hand.starboard
  spine_3: spine_3

The plane goes through the middle of the pairs that names make; where these do not agree
it is the one that maps most of the surface onto itself; --plane gives it. Where the
default pose is not the bind pose, plane, pairs and places are those of the bind pose.
Where most pairs are doubtful, or most vertices have no surface near their mirrored place,
nothing is written but with --allow-doubtful. With --onto all rows of another asset
(another body, or the other hand in a file of its own) are replaced by this one's,
mirrored.
` + maskHelp,
		Example: `  selvage mirror body.glb -o body.mirrored.glb                    # the left side's rows onto the right
  selvage mirror body.glb --from right --pairs pairs.yaml -o body.mirrored.glb
  selvage mirror body.glb --axis x --plane 0.02 -o body.mirrored.glb
  selvage mirror hand.left.glb --onto hand.right.glb -o hand.right.weighted.glb
  selvage mirror body.glb -o body.mirrored.glb --json | jq '.mirror.pairs[] | select(.doubt)'`,
	}, func(cmd *cobra.Command) error {
		m := &retouch.MirrorOptions{FromRight: from == 1, Axis: axis, Tolerance: tolerance, AllowDoubtful: doubtful}
		if cmd.Flags().Changed("plane") {
			m.Plane = &plane
		}
		if pairs != "" {
			text, err := os.ReadFile(pairs)
			if err != nil {
				return usageError{fmt.Errorf("--pairs: %w", err)}
			}
			if m.Pairs, err = retouch.ReadPairs(text, pairs); err != nil {
				return usageError{err}
			}
		}
		r.request.Mirror = m
		return nil
	}, func(w io.Writer, s *retouch.Summary) { writeMirror(w, s.Mirror) })
	r.addMask(cmd, "region of vertices that may get a row (repeatable; default: all)")
	f := cmd.Flags()
	f.Var(choiceFlag[int]{&from, []string{"left", "right"}}, "from", "the side that gives: left or right")
	f.Var(choiceFlag[int]{&axis, []string{"x", "y", "z"}}, "axis", "axis of the world that the mirror turns round: x, y or z")
	f.StringVar(&pairs, "pairs", "", "YAML file of joint pairs")
	f.Float64Var(&tolerance, "tolerance", 0, "distance in metres of a pair's mirrored positions from which on it is doubtful (0: 1% of the skeleton's size)")
	f.Float64Var(&plane, "plane", 0, "where the mirror stands on its axis, metres (default: where pairs of joints and the surface say)")
	f.BoolVar(&doubtful, "allow-doubtful", false, "go on where most joint pairs are doubtful, or most vertices have no surface near their mirrored place")
	f.StringVar(&r.onto, "onto", "", "another asset, whose rows are all replaced")
	return cmd
}

// writeMirror prints the pairs, doubtful ones first.
func writeMirror(w io.Writer, m *retouch.MirrorReport) {
	pose := ""
	if m.InBindPose {
		pose = " in the bind pose"
	}
	fmt.Fprintf(w, "plane %s = %.4f m%s, from %s: %d vertices copied, %d on the plane; surface at most %.2f mm from the mirrored places\n", m.Axis, m.Plane, pose, m.From, m.Copied, m.Middle, 1000*m.Farthest)
	t := newTable(w, []string{"joint", "counterpart", "by", "apart, mm", "doubt"}, 1, 2, 3, 5)
	for _, doubtful := range []bool{true, false} {
		for _, p := range m.Pairs {
			if (p.Doubt != "") == doubtful {
				t.AppendRow(table.Row{printable(p.Joint), printable(p.Other), p.By, fmt.Sprintf("%.2f", 1000*p.Distance), p.Doubt})
			}
		}
	}
	t.Render()
}
