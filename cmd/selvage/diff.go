package main

import (
	"context"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"github.com/jedib0t/go-pretty/v6/table"
	"github.com/jedib0t/go-pretty/v6/text"
	"github.com/selvage/selvage/client"
	"github.com/selvage/selvage/transfer/gltfio"
	"github.com/selvage/selvage/transfer/pass"
	"github.com/selvage/selvage/transfer/report"
	"github.com/spf13/cobra"
)

func newDiff() *cobra.Command {
	var sel gltfio.Selection
	var opt pass.DiffOptions
	var garments []string
	var where remote
	var reach float64
	var asJSON bool
	var top int
	var page, stills string
	cmd := &cobra.Command{
		Use:   "diff OLD NEW",
		Short: "Say what changed between two weighted files, and which garments that touches",
		Long: `Diff compares the weights of two files, garments or bodies: by vertex where both have
the same ones, else by place on the surface; joints by name. It lists the places that
changed, largest first (the change times its area), each with its centre, size and
the joints that gain and lose.

With --garments it says which of these garments a change of the body touches: how
much of a garment lies over it, and how much of its weight is on joints that
changed.

With --report or --png it shows the new file in the colours of what changed.`,
		Example: `  selvage diff old/coat.glb new/coat.glb
  selvage diff old/coat.glb new/coat.glb --report coat_changes.html
  selvage diff old_body.glb new_body.glb --garments 'weighted/*.glb'
  selvage diff old_body.glb new_body.glb --garments weighted/ --json | jq -r '.garments[] | select(.touched).garment'`,
		Args: exactArgs(2, "two files"),
		RunE: func(cmd *cobra.Command, args []string) error {
			if err := checkGlobs("mesh", sel.Names); err != nil {
				return err
			}
			switch {
			case opt.Threads < 0:
				return usageError{fmt.Errorf("--threads: %d is negative", opt.Threads)}
			case !(opt.Change > 0 && opt.Change <= 2):
				return usageError{fmt.Errorf("--change: %g is not above 0 and up to 2", opt.Change)}
			case !(reach >= 0):
				return usageError{fmt.Errorf("--reach: %g is not a distance in metres", reach)}
			}
			if err := checkPageFiles(page, stills); err != nil {
				return err
			}
			files, err := garmentFiles(garments)
			if err != nil {
				return err
			}
			diff := diffHere
			if where.address != "" {
				diff = where.diff(page != "" || stills != "")
			}
			result, err := diff(cmd.Context(), args[0], args[1], files, sel, opt, reach)
			if err != nil {
				return err
			}
			lines, err := result.picture(cmd.Context(), args[1], sel, page, stills, opt.Threads)
			if err != nil {
				return err
			}
			if asJSON {
				return writeJSON(cmd.OutOrStdout(), result)
			}
			writeDiff(cmd.OutOrStdout(), result, top)
			say(cmd.OutOrStdout(), lines)
			return nil
		},
	}
	f := cmd.Flags()
	f.StringArrayVar(&sel.Names, "mesh", nil, "glob of node, mesh or material names to compare (repeatable; default: every mesh)")
	f.Float64Var(&opt.Change, "change", pass.DefaultChange, "sum over joints of the absolute changes from which a vertex counts, up to 2")
	f.StringArrayVar(&garments, "garments", nil, "file, folder or pattern of files of garments that the body's change may touch (repeatable)")
	f.Float64Var(&reach, "reach", 0, "with --garments: distance in metres within which a garment lies over the body (0: 8% of the body's diagonal)")
	addRemoteFlags(f, &where)
	f.StringVar(&page, "report", "", "write an HTML page to this file, the new file in the colours of what changed")
	f.StringVar(&stills, "png", "", "write pictures of the same into this folder")
	f.IntVar(&top, "top", 20, "rows of each table (0: all)")
	f.BoolVar(&asJSON, "json", false, "print JSON")
	f.IntVar(&opt.Threads, "threads", 0, "number of threads (0: all); the result does not depend on it")
	return cmd
}

// diffReport is what diff prints as JSON.
type diffReport struct {
	*pass.Comparison
	// Garments by how much of them is touched; absent without --garments.
	Garments []pass.Touch `json:"garments,omitempty"`
}

// picture writes the page and the stills of what changed in file, where they are
// asked for.
func (r *diffReport) picture(ctx context.Context, file string, sel gltfio.Selection, page, stills string, threads int) (lines []string, err error) {
	if page == "" && stills == "" {
		return nil, nil
	}
	a, err := gltfio.Open(file, gltfio.Options{AllowExternal: true})
	if err != nil {
		return nil, err
	}
	s, err := a.WithContext(ctx).Garment(sel)
	if err != nil {
		return nil, err
	}
	how := "vertex by vertex"
	if !r.ByIndex {
		how = "by place on the surface"
	}
	f := &report.Figure{Name: filepath.Base(file), Mesh: s.Mesh, Rows: s.Rows, Skin: s.Skin, Difference: r.L1}
	f.Notes = append(f.Notes, fmt.Sprintf("compared with %s %s: %d of %d vertices changed", filepath.Base(r.Old), how, r.Changed, r.Vertices))
	if r.Unmatched > 0 {
		f.Notes = append(f.Notes, fmt.Sprintf("%d vertices have no place on the old surface", r.Unmatched))
	}
	for i, p := range r.Places {
		if i == diffNotes {
			f.Notes = append(f.Notes, fmt.Sprintf("and %d more places", len(r.Places)-i))
			break
		}
		f.Notes = append(f.Notes, fmt.Sprintf("place %d, at %.2f %.2f %.2f m, %d vertices: gaining %s; losing %s", i+1, p.Centre[0], p.Centre[1], p.Centre[2], p.Vertices, orNone(jointText(p.Gaining)), orNone(jointText(p.Losing))))
	}
	p := &report.Page{Title: fmt.Sprintf("What changed from %s to %s", filepath.Base(r.Old), filepath.Base(file)), Garments: []*report.Figure{f}, Changes: true, Threads: threads}
	for _, g := range r.Garments {
		if g.Touched {
			p.Checks = append(p.Checks, fmt.Sprintf("The change touches %s: %.1f%% of it lies over what changed (by up to %.2f), %.1f%% of its weight is on joints that changed.", filepath.Base(g.Garment), 100*g.OverShare, g.MaxL1, 100*g.JointShare))
		}
	}
	return deliver(ctx, p, page, stills)
}

// diffNotes is the number of places whose joints the page lists.
const diffNotes = 8

func orNone(s string) string {
	if s == "" {
		return "none"
	}
	return s
}

// garmentFiles lists the files that arguments name: files, all glTF files of a
// folder, or a pattern. Sorted, each once.
func garmentFiles(args []string) ([]string, error) {
	var out []string
	for _, a := range args {
		list, err := filepath.Glob(a)
		if err != nil {
			return nil, usageError{fmt.Errorf("--garments: malformed pattern %q", a)}
		}
		if info, err := os.Stat(a); err == nil && info.IsDir() {
			list = nil
			for _, ending := range []string{"*.glb", "*.gltf"} {
				more, err := fs.Glob(os.DirFS(a), ending)
				if err != nil {
					return nil, err
				}
				for _, name := range more {
					list = append(list, filepath.Join(a, name))
				}
			}
		} else if err == nil {
			list = []string{a} // a name that may hold a pattern's letters
		}
		if len(list) == 0 {
			return nil, usageError{fmt.Errorf("--garments: %s names no file", a)}
		}
		out = append(out, list...)
	}
	slices.Sort(out)
	return slices.Compact(out), nil
}

// diffHere compares two files, and asks which garments' files the change touches.
func diffHere(ctx context.Context, before, after string, garments []string, sel gltfio.Selection, opt pass.DiffOptions, reach float64) (*diffReport, error) {
	var both [2]*pass.Surface
	for k, file := range []string{before, after} {
		a, err := gltfio.Open(file, gltfio.Options{AllowExternal: true})
		if err != nil {
			return nil, err
		}
		if both[k], _, err = pass.ReadSurface(ctx, a, sel); err != nil {
			return nil, err
		}
	}
	c, err := pass.Diff(ctx, both[0], both[1], opt)
	result := &diffReport{Comparison: c}
	if err != nil || len(garments) == 0 {
		return result, err
	}
	var list []*pass.Surface
	for _, file := range garments {
		a, err := gltfio.Open(file, gltfio.Options{AllowExternal: true})
		if err != nil {
			return nil, err
		}
		s, err := pass.ReadWorn(ctx, a)
		if err != nil {
			return nil, err
		}
		s.Name = file
		list = append(list, s)
	}
	result.Garments, err = pass.Touches(ctx, c, both[1], list, opt.Change, reach, opt.Threads)
	return result, err
}

// diff lets the server do what diffHere does; vertices asks for the change of each.
func (r *remote) diff(vertices bool) func(ctx context.Context, before, after string, garments []string, sel gltfio.Selection, opt pass.DiffOptions, reach float64) (*diffReport, error) {
	return func(ctx context.Context, before, after string, garments []string, sel gltfio.Selection, opt pass.DiffOptions, reach float64) (*diffReport, error) {
		request := client.DiffRequest{MeshNames: sel.Names, GarmentNames: garments, Reach: reach, VertexL1: vertices, Options: opt}
		var err error
		if request.Before, err = client.OpenAsset(before); err != nil {
			return nil, err
		}
		if request.After, err = client.OpenAsset(after); err != nil {
			return nil, err
		}
		for _, file := range garments {
			g, err := client.OpenAsset(file)
			if err != nil {
				return nil, err
			}
			request.Garments = append(request.Garments, g)
		}
		c, err := r.dial(ctx)
		if err != nil {
			return nil, err
		}
		defer c.Close()
		comparison, touches, err := c.Diff(ctx, request)
		if err != nil {
			return nil, r.explain(err)
		}
		comparison.Old, comparison.New = before, after // with their folders, as here
		return &diffReport{comparison, touches}, nil
	}
}

// diffJoints is the number of joints that the terminal shows of the whole.
const diffJoints = 5

// writeDiff prints the tables, most changed first.
func writeDiff(w io.Writer, r *diffReport, top int) {
	how := "by vertex"
	if !r.ByIndex {
		how = "by place"
	}
	fmt.Fprintf(w, "%s to %s, compared %s: %d of %d vertices changed (%.1f%%)", printable(r.Old), printable(r.New), how, r.Changed, r.Vertices, percent(r.Changed, r.Vertices))
	if r.Changed > 0 {
		fmt.Fprintf(w, ", L1 at most %.3f, mean %.3f", r.MaxL1, r.MeanL1)
	}
	fmt.Fprintln(w)
	if r.Unmatched > 0 {
		fmt.Fprintf(w, "%d vertices have no place on the old surface\n", r.Unmatched)
	}
	for _, x := range []struct {
		what string
		list []string
	}{{"joints added", r.JointsAdded}, {"joints removed", r.JointsRemoved}} {
		if len(x.list) > 0 {
			fmt.Fprintf(w, "%s: %s\n", x.what, printable(strings.Join(x.list, " ")))
		}
	}
	if len(r.Meshes) > 1 && r.Changed > 0 {
		t := newTable(w, []string{"mesh", "vertices", "changed", "largest L1", "mean L1", "L1 x area, cm²"}, 1)
		for i, m := range r.Meshes {
			if m.Changed == 0 || top > 0 && i == top {
				break
			}
			t.AppendRow(table.Row{printable(m.Mesh), m.Vertices, m.Changed, fmt.Sprintf("%.3f", m.MaxL1), fmt.Sprintf("%.3f", m.MeanL1), fmt.Sprintf("%.1f", 1e4*m.Amount)})
		}
		t.Render()
	}
	if len(r.Places) > 0 {
		t := newTable(w, []string{"place", "at x y z, m", "size, cm", "vertices", "largest L1", "mean L1", "gaining", "losing"}, 2, 7, 8)
		for i, p := range r.Places {
			if top > 0 && i == top {
				break
			}
			t.AppendRow(table.Row{i + 1, printable(fmt.Sprintf("%.2f %.2f %.2f  %s", p.Centre[0], p.Centre[1], p.Centre[2], p.Mesh)), fmt.Sprintf("%.1f", 100*p.Size), p.Vertices,
				fmt.Sprintf("%.3f", p.MaxL1), fmt.Sprintf("%.3f", p.MeanL1), jointText(p.Gaining), jointText(p.Losing)})
		}
		t.Render()
		writeRest(w, len(r.Places), top)
		if len(r.Joints) > 0 {
			var joints []string
			for _, j := range r.Joints[:min(diffJoints, len(r.Joints))] {
				joints = append(joints, fmt.Sprintf("%s %.3f (at most %.3f)", printable(j.Joint), j.Absolute, j.Largest))
			}
			fmt.Fprintf(w, "joints by mean absolute change, first of %d: %s\n", len(r.Joints), strings.Join(joints, ", "))
		}
	}
	if len(r.Garments) > 0 {
		t := newTable(w, []string{"garment", "over the change", "largest L1 under it", "weight on changed joints", "joints"}, 1, 5)
		for i, g := range r.Garments {
			if top > 0 && i == top {
				break
			}
			t.AppendRow(table.Row{printable(g.Garment), fmt.Sprintf("%.1f%%", 100*g.OverShare), fmt.Sprintf("%.3f", g.MaxL1), fmt.Sprintf("%.1f%%", 100*g.JointShare), printable(strings.Join(g.Joints, " "))})
		}
		t.Render()
		writeRest(w, len(r.Garments), top)
	}
}

// newTable is a table whose columns are aligned right but for those in left.
func newTable(w io.Writer, header []string, left ...int) table.Writer {
	t := table.NewWriter()
	t.SetOutputMirror(w)
	t.SetStyle(table.StyleLight)
	t.Style().Format.Header = text.FormatDefault
	row := table.Row{}
	var columns []table.ColumnConfig
	for i, h := range header {
		row = append(row, h)
		if !slices.Contains(left, i+1) {
			columns = append(columns, table.ColumnConfig{Number: i + 1, Align: text.AlignRight})
		}
	}
	t.AppendHeader(row)
	t.SetColumnConfigs(columns)
	return t
}

// writeRest says how many rows a table left out.
func writeRest(w io.Writer, n, top int) {
	if top > 0 && n > top {
		fmt.Fprintf(w, "and %d more; --top 0 shows all\n", n-top)
	}
}

// jointText lists the first joints of a place.
func jointText(list []pass.JointChange) string {
	var out []string
	for i, j := range list {
		if i == 3 {
			break
		}
		out = append(out, fmt.Sprintf("%s %+.2f", printable(j.Joint), j.Change))
	}
	return strings.Join(out, ", ")
}
