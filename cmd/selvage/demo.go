package main

import (
	"fmt"
	"io"
	"slices"
	"strings"

	"github.com/jedib0t/go-pretty/v6/table"
	"github.com/jedib0t/go-pretty/v6/text"
	"github.com/selvage/selvage/transfer"
	"github.com/selvage/selvage/transfer/crew"
	"github.com/selvage/selvage/transfer/demo"
	"github.com/spf13/cobra"
)

func newDemo() *cobra.Command {
	var opt demo.Options
	var asJSON bool
	cmd := &cobra.Command{
		Use:   "demo",
		Short: "Make the demo wardrobe, re-weight it, and hold it against the known truth",
		Long: `Demo writes a hand of the harbour pilot boat and the clothes of that hand as glTF
files, gives every garment the body's weights, prints how far they are from the
known truth, and leaves pictures and a page to open.`,
		Example: `  selvage demo --out demo
  selvage demo --out demo --member cox`,
		Args: exactArgs(0, "no arguments"),
		RunE: func(cmd *cobra.Command, _ []string) error {
			if opt.Member != "" && !slices.Contains(crew.Names(), opt.Member) {
				return usageError{fmt.Errorf("the crew has no %q; there are %s", opt.Member, strings.Join(crew.Names(), ", "))}
			}
			bar := newProgress(cmd.ErrOrStderr(), asJSON)
			defer bar.close()
			opt.Progress = bar.garment
			o, err := demo.Run(cmd.Context(), opt)
			if err != nil {
				return err
			}
			bar.close()
			if asJSON {
				return writeJSON(cmd.OutOrStdout(), o)
			}
			writeDemo(cmd.OutOrStdout(), o)
			return nil
		},
	}
	f := cmd.Flags()
	f.StringVar(&opt.Folder, "out", "demo", "folder that takes the files")
	f.StringVar(&opt.Member, "member", "", "whose wardrobe: mate, cox or pilot (default mate)")
	f.IntVar(&opt.Threads, "threads", 0, "number of threads (0: all)")
	f.BoolVar(&asJSON, "json", false, "print JSON")
	return cmd
}

func writeDemo(w io.Writer, o *demo.Outcome) {
	var list []transfer.Summary
	for _, g := range o.Garments {
		list = append(list, g.Summary)
	}
	writeSummaries(w, list)
	t := table.NewWriter()
	t.SetOutputMirror(w)
	t.SetStyle(table.StyleLight)
	t.Style().Format.Header = text.FormatDefault
	t.SetTitle("Against the known truth (L1 of the rows; cm: worst single-joint 90 degree pose)")
	t.AppendHeader(table.Row{"garment", "mean L1", "99% L1", "99% cm", "worst cm", ""})
	for _, g := range o.Garments {
		note := ""
		if g.Loose {
			note = "has loose cloth: its truth is a convention"
		}
		t.AppendRow(table.Row{g.Summary.Garment, fmt.Sprintf("%.3f", g.Error.MeanL1), fmt.Sprintf("%.3f", g.Error.P99L1),
			fmt.Sprintf("%.2f", g.Error.P99Centimetres), fmt.Sprintf("%.2f", g.Error.MaxCentimetres), note})
	}
	t.Render()
	fmt.Fprintln(w, "open", o.Page)
}
