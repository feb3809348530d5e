package main

import (
	"fmt"
	"io"
	"strings"

	"github.com/jedib0t/go-pretty/v6/table"
	"github.com/jedib0t/go-pretty/v6/text"
	"github.com/selvage/selvage/transfer/gltfio"
	"github.com/spf13/cobra"
)

func newInspect() *cobra.Command {
	var asJSON bool
	cmd := &cobra.Command{
		Use:   "inspect FILE",
		Short: "Say what is in a file: meshes, joints, islands, and whether the weights are legal",
		Example: `  selvage inspect body.glb
  selvage inspect coat.glb --json | jq '.meshes[].islands'`,
		Args: exactArgs(1, "one file"),
		RunE: func(cmd *cobra.Command, args []string) error {
			a, err := gltfio.Open(args[0], gltfio.Options{AllowExternal: true})
			if err != nil {
				return err
			}
			d := a.Describe()
			if asJSON {
				return writeJSON(cmd.OutOrStdout(), d)
			}
			writeDescription(cmd.OutOrStdout(), d)
			return nil
		},
	}
	cmd.Flags().BoolVar(&asJSON, "json", false, "print JSON")
	return cmd
}

func writeDescription(w io.Writer, d *gltfio.Description) {
	t := table.NewWriter()
	t.SetOutputMirror(w)
	t.SetStyle(table.StyleLight)
	t.Style().Format.Header = text.FormatDefault
	t.AppendHeader(table.Row{"node", "mesh", "materials", "primitives", "vertices", "welded", "triangles", "islands", "skin", "most influences", "weights"})
	for _, m := range d.Meshes {
		skin, influences, legal := "", "", ""
		if m.Skin >= 0 {
			skin = fmt.Sprint(m.Skin)
			influences = fmt.Sprint(max(0, len(m.Influences)-1))
			legal = "legal"
			if !m.Legal {
				legal = "not legal"
			}
		}
		if m.Problem != "" {
			legal = "unreadable"
		}
		t.AppendRow(table.Row{printable(m.Node), printable(m.Mesh), printable(strings.Join(m.Materials, ", ")), m.Primitives, m.Vertices, m.Welded, m.Triangles, m.Islands, skin, influences, legal})
	}
	t.Render()
	for _, m := range d.Meshes {
		if m.Problem != "" {
			fmt.Fprintln(w, printable(m.Problem))
		}
		if f := m.Faults; f.Unusable+f.Negative+f.Sum > 0 {
			fmt.Fprintf(w, "node %s: %d vertices without usable weights, %d with negative ones, %d not normalised\n", printable(m.Node), f.Unusable, f.Negative, f.Sum)
		}
	}
	for i, s := range d.Skins {
		fmt.Fprintf(w, "skin %d %s: %d joints: %s\n", i, printable(s.Name), len(s.Joints), printable(strings.Join(s.Joints, " ")))
	}
	fmt.Fprintf(w, "size %.3f x %.3f x %.3f m; %d materials, %d images, %d animations\n", d.Size[0], d.Size[1], d.Size[2], d.Materials, d.Images, d.Animations)
	if len(d.Extensions) > 0 {
		fmt.Fprintln(w, "extensions:", printable(strings.Join(d.Extensions, " ")))
	}
}
