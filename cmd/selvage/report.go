package main

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"github.com/selvage/selvage/api/convert"
	"github.com/selvage/selvage/transfer"
	"github.com/selvage/selvage/transfer/gltfio"
	"github.com/selvage/selvage/transfer/pass"
	"github.com/selvage/selvage/transfer/pose"
	"github.com/selvage/selvage/transfer/report"
	"github.com/selvage/selvage/transfer/skinning"
	"github.com/spf13/cobra"
)

func newReport() *cobra.Command {
	var bodies, garments gltfio.Selection
	var output, title, previous, passDir, pictures string
	var layers []string
	var joints jointFlags
	var rules []transfer.JointRule
	var threads, megabytes int
	var quiet bool
	cmd := &cobra.Command{
		Use:   "report BODY WEIGHTED...",
		Short: "Show weighted garments in one HTML file with a 3D view",
		Long: `Report reads a body and the garments that transfer wrote for it, and leaves one
HTML file that opens from disk and loads nothing: where to look first, with
pictures; a table; and a 3D view in which joints turn, colours show confidence,
reasons, distance, one joint's weights or what changed since the last pass
(--previous), and a click reads a vertex. For the worst poses see selvage check
--report. With --pass-dir also what became of edits by hand in the last pass, the
conflicts one by one, and how far it moved every row.

Garments without _CONFIDENCE are shown without a ranking. A file does not keep the
matches that its rows were taken from: the body's nearest points stand in. The page
that transfer --report writes has the matches themselves.`,
		Example: `  selvage report body.glb coat.weighted.glb -o coat.html
  selvage report body.glb out/coat.glb out/hat.glb out/boots.glb -o wardrobe.html
  selvage report body.glb out/coat.glb -o coat.html --previous last-week/ --png pictures/
  selvage report body.glb out/coat.glb -o coat.html --pass-dir passes/`,
		Args: func(_ *cobra.Command, args []string) error {
			if len(args) < 2 {
				return usageError{errors.New("report takes a body and at least one garment; see selvage report --help")}
			}
			return nil
		},
		RunE: func(cmd *cobra.Command, args []string) error {
			if output == "" && pictures == "" {
				return usageError{errors.New("report needs --output or --png")}
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
			if err := checkPageFiles(output, pictures); err != nil {
				return err
			}
			if err := checkPrevious(previous, len(args)-1); err != nil {
				return err
			}
			if info, err := os.Stat(passDir); passDir != "" && (err != nil || !info.IsDir()) {
				return usageError{fmt.Errorf("--pass-dir: %s is no folder", passDir)}
			}
			if err := checkLayers(layers, args[0], args[1:]); err != nil {
				return err
			}
			if err := joints.into(&rules); err != nil {
				return err
			}
			counterparts, err := transfer.Counterparts(rules)
			if err != nil {
				return usageError{err}
			}
			ctx := cmd.Context()
			body, err := gltfio.Open(args[0], gltfio.Options{AllowExternal: true})
			if err != nil {
				return err
			}
			page, err := newPage(body, bodies, threads)
			if err != nil {
				return err
			}
			page.Title, page.MaxBytes = title, int64(megabytes)<<20
			beneath, err := openAll(layers)
			if err != nil {
				return err
			}
			notes, err := addBeneath(ctx, page, beneath, counterparts)
			if err != nil {
				return err
			}
			for _, file := range args[1:] {
				asset, err := gltfio.Open(file, gltfio.Options{AllowExternal: true})
				if err != nil {
					return err
				}
				w := worn{asset: asset, selection: garments, previous: previous, previousName: filepath.Base(file), notes: slices.Clone(notes), found: true, joints: counterparts}
				if passDir != "" {
					w.record, _, err = readRecord(filepath.Join(passDir, filepath.Base(file)+".pass"))
					if errors.Is(err, fs.ErrNotExist) {
						w.notes = append(w.notes, "there is no pass record of this garment")
					} else if err != nil {
						return err
					}
				}
				if err := addWorn(ctx, page, body, w); err != nil {
					return err
				}
			}
			lines, err := deliver(ctx, page, output, pictures)
			if err != nil {
				return err
			}
			if !quiet {
				say(cmd.OutOrStdout(), append(notes, lines...))
			}
			return nil
		},
	}
	f := cmd.Flags()
	f.StringVarP(&output, "output", "o", "", "HTML file to write")
	f.StringVar(&pictures, "png", "", "folder for the pictures as PNG files too: front, back, worst places; it is made where it is missing")
	f.StringVar(&previous, "previous", "", "the last pass's weighted file of the garment, or the folder with the files of all, to show what changed")
	f.StringArrayVar(&layers, "layer", nil, "file of weighted clothes worn beneath, to show (repeatable)")
	addNameFlags(f, &joints)
	f.StringVar(&passDir, "pass-dir", "", "folder of pass records: what became of edits by hand in the last pass, and how far it moved every row")
	f.StringVar(&title, "title", "", "title of the page (default: made of the body's name)")
	f.StringArrayVar(&bodies.Names, "body", nil, "glob of node, mesh or material names that are the body (repeatable; default: every skinned mesh)")
	f.StringArrayVar(&garments.Names, "garment", nil, "glob of node, mesh or material names that are the garment (repeatable; default: every mesh)")
	f.IntVar(&megabytes, "max-megabytes", 64, "bound of the geometry in the page; garments beyond it are left out of the 3D view")
	f.IntVar(&threads, "threads", 0, "number of threads (0: all); the page does not depend on it")
	f.BoolVarP(&quiet, "quiet", "q", false, "print errors alone")
	return cmd
}

// worn is a weighted garment that goes onto a page.
type worn struct {
	// name on the page. Empty: the asset's.
	name  string
	asset *gltfio.Asset
	// selection of the garment's meshes. Zero: all.
	selection gltfio.Selection
	// result of the transfer, with the matches. Nil: the asset's own attributes are
	// read, and nearest points stand in for matches.
	result *transfer.Result
	notes  []string
	// previous is a folder with the last pass's file under previousName, or that file.
	// Empty: none.
	previous, previousName string
	// record of the garment's last pass; nil: none is known.
	record *pass.Record
	// found: nothing is known of the file but itself, so that joints which the body has
	// not are noted; a check or a transfer says more.
	found bool
	// joints leads to the body's joints, as in pose.FileOptions.
	joints func(body, garment *skinning.Skin, size float64) []int32
	// check is what the poses showed, nil where it was not posed, and checked the
	// options that it was posed with.
	check   *pose.Report
	checked pose.FileOptions
}

// addWorn adds a garment to a page that has its body; body is the body's asset.
func addWorn(ctx context.Context, page *report.Page, body *gltfio.Asset, w worn) error {
	var g *report.Figure
	if w.result != nil {
		s, err := w.asset.Garment(w.selection)
		if err != nil {
			return err
		}
		g = report.FromResult(w.name, s.Mesh, s.Skin, w.result)
		g.Rows = s.Rows // over the written skin, joints that the garment keeps included
	} else {
		var err error
		if g, err = report.ReadGarment(ctx, w.asset, w.selection, page.Body, page.Threads); err != nil {
			return err
		}
	}
	if w.name != "" {
		g.Name = w.name
	}
	g.Notes = append(g.Notes, w.notes...)
	if w.record != nil {
		g.FromRecord(w.record)
	}
	if err := comparePrevious(g, &w); err != nil {
		return err
	}
	note, err := nameJoints(ctx, page.Body, g, w.joints)
	if err != nil {
		return err
	}
	if note != "" && w.found {
		g.Notes = append(g.Notes, note)
	}
	page.Garments = append(page.Garments, g)
	if w.check == nil {
		return nil
	}
	// Made anew, as the report may come from a server; it does not pose anything yet.
	checker, err := pose.FromAssets(ctx, body, w.asset, w.checked)
	if err != nil {
		return err
	}
	return page.AddPoses(len(page.Garments)-1, checker, w.check)
}

// nameJoints calls the joints of a page's figure what the body calls them, and says how
// much weight lies on those that the body has not; joints is as in pose.FileOptions.
func nameJoints(ctx context.Context, body, f *report.Figure, joints func(body, garment *skinning.Skin, size float64) []int32) (note string, err error) {
	if f.Rows == nil || f.Skin == nil {
		return "", nil
	}
	if joints == nil {
		if joints, err = transfer.Counterparts([]transfer.JointRule{{From: "*", To: "*"}}); err != nil {
			return "", err
		}
	}
	own := joints(body.Skin, f.Skin, body.Mesh.Diagonal())
	f.Skin = f.Skin.WithNames(body.Skin, own)
	u, err := skinning.WeighUnknown(ctx, f.Rows, f.Skin, own)
	if err != nil || u == nil {
		return "", err
	}
	return fmt.Sprintf("%s: %.1f%% of its weight is on joints that the body has not, %d in all (%s), which turn apart from the body's; where they are joints of the body by other names, a joint map (--joint-map) tells which",
		f.Name, 100*u.Share, u.Count, u), nil
}

// addBeneath adds weighted clothes that a page's garments are worn over; notes say what
// is wrong with them.
func addBeneath(ctx context.Context, page *report.Page, layers []*gltfio.Asset, joints func(body, garment *skinning.Skin, size float64) []int32) (notes []string, err error) {
	for _, a := range layers {
		f, err := report.ReadBody(a, gltfio.Selection{})
		if err != nil {
			return nil, err
		}
		bare, first := 0, -1
		for v := range f.Rows.Len() {
			if joint, _ := f.Rows.Row(v); len(joint) == 0 {
				if bare == 0 {
					first = v
				}
				bare++
			}
		}
		if bare > 0 {
			notes = append(notes, fmt.Sprintf("the layer %s has %d vertices without usable weights (first: vertex %d), which stay where they are", f.Name, bare, first))
		}
		note, err := nameJoints(ctx, page.Body, f, joints)
		if err != nil {
			return nil, err
		}
		if note != "" {
			notes = append(notes, note)
		}
		page.Beneath = append(page.Beneath, f)
	}
	return notes, nil
}

// comparePrevious holds the rows against the last pass's. A folder without the
// garment's file is no error: a new garment has no last pass.
func comparePrevious(g *report.Figure, w *worn) error {
	file := w.previous
	if file == "" {
		return nil
	}
	info, err := os.Stat(file)
	if err != nil {
		return fmt.Errorf("the last pass: %w", err)
	}
	if info.IsDir() {
		file = filepath.Join(file, w.previousName)
		if _, err := os.Stat(file); errors.Is(err, fs.ErrNotExist) {
			g.Notes = append(g.Notes, "the last pass has no file of this garment")
			return nil
		}
	}
	asset, err := gltfio.Open(file, gltfio.Options{AllowExternal: true})
	if err != nil {
		return fmt.Errorf("the last pass: %w", err)
	}
	s, err := asset.Garment(w.selection)
	if err != nil {
		return fmt.Errorf("the last pass: %w", err)
	}
	g.Compare(&report.Figure{Name: filepath.Base(file), Mesh: s.Mesh, Rows: s.Rows, Skin: s.Skin})
	return nil
}

// checkPrevious returns a usage error where one file stands for several garments.
func checkPrevious(previous string, garments int) error {
	if info, err := os.Stat(previous); previous != "" && garments > 1 && err == nil && !info.IsDir() {
		return usageError{fmt.Errorf("--previous: %d garments need a folder, and %s is a file", garments, previous)}
	}
	return nil
}

// newPage is a page with its body.
func newPage(body *gltfio.Asset, bodies gltfio.Selection, threads int) (*report.Page, error) {
	figure, err := report.ReadBody(body, bodies)
	if err != nil {
		return nil, err
	}
	return &report.Page{Body: figure, Threads: threads}, nil
}

// checkPageFiles refuses a page or a folder of pictures for which a file is in the way;
// empty ones are not asked for.
func checkPageFiles(page, pictures string) error {
	if page != "" {
		if err := checkFolders([]string{page}); err != nil {
			return err
		}
	}
	if file := inTheWay(pictures); pictures != "" && file != "" {
		return usageError{fmt.Errorf("--png: %s is a file", file)}
	}
	return nil
}

// deliver writes the page, the stills or both, and returns lines that say where.
func deliver(ctx context.Context, page *report.Page, output, pictures string) (lines []string, err error) {
	var results []savable
	var targets []string
	if output != "" {
		var b bytes.Buffer
		if err := page.Write(ctx, &b); err != nil {
			return nil, err
		}
		results, targets = append(results, finishedPage(b.Bytes())), append(targets, output)
		lines = append(lines, "open "+printable(output))
	}
	if pictures != "" {
		stills, err := page.Stills(ctx)
		if err != nil {
			return nil, err
		}
		for _, x := range stills {
			results, targets = append(results, finishedPage(x.PNG)), append(targets, filepath.Join(pictures, x.Name))
		}
		lines = append(lines, fmt.Sprintf("%d pictures in %s", len(stills), printable(pictures)))
	}
	_, err = saveAll(ctx, results, targets)
	return lines, err
}

func say(w io.Writer, lines []string) {
	for _, l := range lines {
		fmt.Fprintln(w, l)
	}
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
// are read back from what it sent, as selvage report would read them. records are
// those of the garments' passes; nil: there were none.
func resultsPage(ctx context.Context, body string, bodies gltfio.Selection, opt transfer.AssetOptions, results []savable, targets []string, summaries []transfer.Summary, records []finishedPage, previous string) (finishedPage, error) {
	asset, err := gltfio.Open(body, gltfio.Options{AllowExternal: true})
	if err != nil {
		return nil, err
	}
	page, err := newPage(asset, bodies, opt.Threads)
	if err != nil {
		return nil, err
	}
	counterparts, err := transfer.Counterparts(opt.JointMap)
	if err != nil {
		return nil, err
	}
	for k, r := range results {
		w := worn{joints: counterparts, name: summaries[k].Garment, selection: opt.Garments, previous: previous, previousName: filepath.Base(targets[k])}
		if records != nil {
			if w.record, err = convert.UnpackPass(records[k]); err != nil {
				return nil, err
			}
		}
		if c, ok := r.(computed); ok {
			w.asset, w.result = c.Asset, c.result
		} else {
			if w.asset, err = readBack(r, targets[k]); err != nil {
				return nil, err
			}
			w.notes = summaries[k].Notes
		}
		if err := addWorn(ctx, page, asset, w); err != nil {
			return nil, err
		}
	}
	var b bytes.Buffer
	if err := page.Write(ctx, &b); err != nil {
		return nil, err
	}
	return b.Bytes(), nil
}

// readBack is a garment's asset as it will be written.
func readBack(r savable, target string) (*gltfio.Asset, error) {
	dir, err := os.MkdirTemp("", "selvage-report-")
	if err != nil {
		return nil, err
	}
	defer os.RemoveAll(dir)
	file := filepath.Join(dir, filepath.Base(target))
	if _, err := r.Save(file); err != nil {
		return nil, err
	}
	return gltfio.Open(file, gltfio.Options{AllowExternal: true})
}
