package main

import (
	"fmt"
	"io"

	"github.com/selvage/selvage/transfer"
	"github.com/selvage/selvage/transfer/retouch"
	"github.com/spf13/cobra"
)

func newFill() *cobra.Command {
	var r retouching
	var energy transfer.Fill
	cmd := r.command(&cobra.Command{
		Use:   "fill",
		Short: "Solve the rows of a region anew from its surroundings",
		Long: `Fill gives the vertices of a region new rows, solved along the surface from the rows
around it; what the region had is forgotten. Harmonic, every weight lies between those
around the region; biharmonic, weights also go on in the direction in which they change,
and may overshoot (they are cut off at zero then). A region has to be smaller than what
a joint moves: around a whole forearm there is no weight of the forearm to come back.
Buttons and other small pieces that move as one get the row of what they sit on, if all
of the piece is in the region. Only weights change.
` + maskHelp,
		Example: `  selvage fill body.glb --mask box:-0.06,0.95,0,0.06,1.25,0.3 -o body.filled.glb
  selvage fill body.glb --mask attribute:_REDO --fill biharmonic -o body.filled.glb
  selvage fill coat.glb --mask 'box:-0.1,1.2,0,0.1,1.4,0.3' --mask color:0 -o coat.filled.glb`,
	}, func(*cobra.Command) error {
		r.request.Fill = &retouch.FillRequest{Energy: energy}
		return nil
	}, func(w io.Writer, s *retouch.Summary) {
		fmt.Fprintf(w, "%d vertices in the region\n", s.Fill.Region)
	})
	r.addMask(cmd, "region to fill (repeatable; see above)")
	cmd.Flags().Var(choiceFlag[transfer.Fill]{&energy, []string{"harmonic", "biharmonic"}}, "fill", "energy of the fill: harmonic or biharmonic")
	return cmd
}
