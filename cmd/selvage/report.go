package main

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"

	"github.com/selvage/selvage/transfer"
	"github.com/selvage/selvage/transfer/gltfio"
	"github.com/selvage/selvage/transfer/report"
	"github.com/spf13/cobra"
)

func newReport() *cobra.Command {
	var bodies, garments gltfio.Selection
	var output, title string
	var threads, megabytes int
	var quiet bool
	cmd := &cobra.Command{
		Use:   "report BODY WEIGHTED...",
		Short: "Show weighted garments in one HTML file with a 3D view",
		Long: `Report reads a body and the garments that transfer wrote for it, and leaves one
HTML file that opens from disk and loads nothing: where to look first, with
pictures; a table; and a 3D view in which joints turn, colours show confidence,
reasons, distance or one joint's weights, and a click reads a vertex.

Garments without _CONFIDENCE are shown without a ranking. A file does not keep the
matches that its rows were taken from: the body's nearest points stand in. The page
that transfer --report writes has the matches themselves.`,
		Example: `  selvage report body.glb coat.weighted.glb -o coat.html
  selvage report body.glb out/coat.glb out/hat.glb out/boots.glb -o wardrobe.html`,
		Args: func(_ *cobra.Command, args []string) error {
			if len(args) < 2 {
				return usageError{errors.New("report takes a body and at least one garment; see selvage report --help")}
			}
			return nil
		},
		RunE: func(cmd *cobra.Command, args []string) error {
			if output == "" {
				return usageError{errors.New("report needs --output")}
			}
			if err := checkGlobs("body", bodies.Names); err != nil {
				return err
			}
			if err := checkGlobs("garment", garments.Names); err != nil {
				return err
			}
			if threads < 0 {
				return usageError{fmt.Errorf("--threads: %d is negative", threads)}
			}
			if megabytes <= 0 {
				return usageError{fmt.Errorf("--max-megabytes: %d is not positive", megabytes)}
			}
			page := &report.Page{Title: title, Threads: threads, MaxBytes: int64(megabytes) << 20}
			if err := readPage(cmd.Context(), page, args[0], bodies, args[1:], garments); err != nil {
				return err
			}
			if err := writePage(cmd.Context(), page, output); err != nil {
				return err
			}
			if !quiet {
				fmt.Fprintln(cmd.OutOrStdout(), "open", printable(output))
			}
			return nil
		},
	}
	f := cmd.Flags()
	f.StringVarP(&output, "output", "o", "", "HTML file to write")
	f.StringVar(&title, "title", "", "title of the page (default: made of the body's name)")
	f.StringArrayVar(&bodies.Names, "body", nil, "glob of node, mesh or material names that are the body (repeatable; default: every skinned mesh)")
	f.StringArrayVar(&garments.Names, "garment", nil, "glob of node, mesh or material names that are the garment (repeatable; default: every mesh)")
	f.IntVar(&megabytes, "max-megabytes", 64, "bound of the geometry in the page; garments beyond it are left out of the 3D view")
	f.IntVar(&threads, "threads", 0, "number of threads (0: all); the page does not depend on it")
	f.BoolVarP(&quiet, "quiet", "q", false, "print errors alone")
	return cmd
}

// readPage fills a page from files.
func readPage(ctx context.Context, page *report.Page, body string, bodies gltfio.Selection, files []string, garments gltfio.Selection) error {
	asset, err := gltfio.Open(body, gltfio.Options{AllowExternal: true})
	if err != nil {
		return err
	}
	if page.Body, err = report.ReadBody(asset, bodies); err != nil {
		return err
	}
	for _, file := range files {
		if asset, err = gltfio.Open(file, gltfio.Options{AllowExternal: true}); err != nil {
			return err
		}
		g, err := report.ReadGarment(ctx, asset, garments, page.Body, page.Threads)
		if err != nil {
			return err
		}
		page.Garments = append(page.Garments, g)
	}
	return nil
}

// writePage writes the page to its place at once.
func writePage(ctx context.Context, page *report.Page, file string) error {
	var b bytes.Buffer
	if err := page.Write(ctx, &b); err != nil {
		return err
	}
	if err := gltfio.WriteFile(file, b.Bytes()); err != nil {
		return fmt.Errorf("write the report %s: %w", filepath.Base(file), err)
	}
	return nil
}

// computed is a garment that was computed here, with all that the transfer knows.
type computed struct {
	*gltfio.Asset
	result *transfer.Result
}

// finishedPage is a page that takes its place together with the garments.
type finishedPage []byte

func (p finishedPage) Save(file string) (missing []string, err error) {
	return nil, gltfio.WriteFile(file, p)
}

// checkReportFile returns a usage error for a --report that cannot be meant.
func checkReportFile(cmd *cobra.Command, file string) error {
	if file == "" {
		if cmd.Flags().Changed("report") {
			return usageError{errors.New("--report: names no file")}
		}
		return nil
	}
	switch strings.ToLower(filepath.Ext(file)) {
	case ".html", ".htm":
		return nil
	}
	return usageError{fmt.Errorf("--report: %s ends in neither .html nor .htm", file)}
}

// resultsPage is the page of what a transfer made. Garments that a server computed
// are read back from what it sent, as selvage report would read them.
func resultsPage(ctx context.Context, body string, bodies gltfio.Selection, opt transfer.AssetOptions, results []savable, targets []string, summaries []transfer.Summary) (finishedPage, error) {
	page := &report.Page{Threads: opt.Threads}
	if err := readPage(ctx, page, body, bodies, nil, opt.Garments); err != nil {
		return nil, err
	}
	for k, r := range results {
		var g *report.Figure
		c, ok := r.(computed)
		if ok {
			s, err := c.Garment(opt.Garments)
			if err != nil {
				return nil, err
			}
			g = report.FromResult(summaries[k].Garment, s.Mesh, s.Skin, c.result)
			g.Rows = s.Rows // over the written skin, joints that the garment keeps included
		} else {
			var err error
			if g, err = readBack(ctx, r, targets[k], opt, page.Body); err != nil {
				return nil, err
			}
			g.Notes = append(g.Notes, summaries[k].Notes...)
		}
		page.Garments = append(page.Garments, g)
	}
	var b bytes.Buffer
	if err := page.Write(ctx, &b); err != nil {
		return nil, err
	}
	return b.Bytes(), nil
}

// readBack reads a garment as it will be written.
func readBack(ctx context.Context, r savable, target string, opt transfer.AssetOptions, body *report.Figure) (*report.Figure, error) {
	dir, err := os.MkdirTemp("", "selvage-report-")
	if err != nil {
		return nil, err
	}
	defer os.RemoveAll(dir)
	file := filepath.Join(dir, filepath.Base(target))
	if _, err := r.Save(file); err != nil {
		return nil, err
	}
	asset, err := gltfio.Open(file, gltfio.Options{AllowExternal: true})
	if err != nil {
		return nil, err
	}
	return report.ReadGarment(ctx, asset, opt.Garments, body, opt.Threads)
}
