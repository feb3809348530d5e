package wardrobe

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"os"
	"path/filepath"

	"github.com/selvage/selvage/transfer/gltfio"
	"github.com/selvage/selvage/transfer/pose"
	"github.com/selvage/selvage/transfer/report"
)

// Page is the HTML report of one body's garments that are there, made now or
// before: all are read back from their files, so the page does not depend on which
// (files do not keep matches: nearest points stand in). Each garment is posed over what
// lies beneath it, and the worst poses are offered; one that cannot be posed says so. nil where there are
// no garments. Cost: mostly the posing, see pose.Checker.Run.
func (o *Outcome) Page(ctx context.Context, body string, threads int) (*report.Page, error) {
	page := &report.Page{Threads: threads}
	var posed *pose.AssetBody
	for _, i := range o.Items {
		if i.Task.Body.Name != body || i.Record == nil {
			continue
		}
		if page.Body == nil {
			asset, err := gltfio.Open(i.Task.Body.File, gltfio.Options{AllowExternal: true})
			if err != nil {
				return nil, err
			}
			if page.Body, err = report.ReadBody(asset, gltfio.Selection{Names: i.Task.Body.Meshes}); err != nil {
				return nil, err
			}
			if posed, err = pose.PrepareAsset(ctx, asset, gltfio.Selection{Names: i.Task.Body.Meshes}, threads); err != nil {
				return nil, err
			}
		}
		asset, err := gltfio.Open(i.Task.Output, gltfio.Options{AllowExternal: true})
		if err != nil {
			return nil, err
		}
		g, err := report.ReadGarment(ctx, asset, i.Task.Options.Garments, page.Body, threads)
		if err != nil {
			return nil, err
		}
		g.Name = i.Task.Garment.Name
		g.Notes = append(g.Notes, i.Record.Notes()...)
		if i.Record.Pass != nil {
			last, err := i.Task.lastPass()
			if err != nil {
				return nil, err
			}
			g.FromRecord(last)
			if i.Record.Edited {
				g.Notes = append(g.Notes, "changed by hand since it was made")
			}
		}
		page.Garments = append(page.Garments, g)
		if err := addPoses(ctx, page, posed, asset, i.Task, threads); err != nil {
			return nil, err
		}
	}
	if page.Body == nil {
		return nil, nil
	}
	return page, nil
}

// addPoses poses the page's last garment, whose asset and task are given, over its body
// and what lies beneath. Its error is ctx's: of any other the garment's notes tell.
func addPoses(ctx context.Context, page *report.Page, body *pose.AssetBody, garment *gltfio.Asset, t *Task, threads int) error {
	last := len(page.Garments) - 1
	note := func(err error) {
		if ctx.Err() == nil {
			page.Garments[last].Notes = append(page.Garments[last].Notes, "not posed"+err.Error())
		}
	}
	var layers []*gltfio.Asset
	for _, below := range t.Inner {
		a, err := gltfio.Open(below.Output, gltfio.Options{AllowExternal: true})
		if err == nil {
			_, err = a.Body(gltfio.Selection{})
		}
		if err != nil {
			note(fmt.Errorf(" over %s: %w", below.Garment.Name, err))
			continue
		}
		layers = append(layers, a)
	}
	k, err := body.Check(ctx, garment, pose.FileOptions{Options: pose.Options{Threads: threads}, Garment: t.Options.Garments, Layers: layers})
	if err == nil {
		var r *pose.Report
		if r, err = k.Run(ctx, nil); err == nil {
			err = page.AddPoses(last, k, r)
		}
	}
	if err != nil {
		note(fmt.Errorf(": %w", err))
	}
	return ctx.Err()
}

// pageKey names a page by what it shows.
func (o *Outcome) pageKey(body, version string) string {
	h := sha256.New()
	part(h, []byte("selvage wardrobe page 3"))
	part(h, []byte(version))
	for _, i := range o.Items {
		if i.Task.Body.Name == body && i.Record != nil {
			part(h, i.Task.Body.Sum[:])
			part(h, []byte(i.Task.Garment.Name))
			part(h, []byte(i.Record.SHA256))
			for _, below := range i.Task.Inner {
				part(h, []byte(below.Garment.Name))
			}
			if i.Record.Pass != nil {
				part(h, []byte(i.Record.Pass.SHA256))
			}
		}
	}
	return hex.EncodeToString(h.Sum(nil))
}

// WriteReports writes the pages that the plan asks for, bar those that are there and
// would show the same; force writes all. It returns the files that it wrote. Of a
// part of the work it writes none: a page shows a whole wardrobe.
func (r *Runner) WriteReports(ctx context.Context, p *Plan, o *Outcome, threads int) (written []string, err error) {
	if r.Shard.N > 1 {
		return nil, nil
	}
	records := readState(p.State)
	told := map[string]bool{}
	for _, i := range o.Items {
		body := i.Task.Body.Name
		file := p.Reports[body]
		if file == "" || told[body] {
			continue
		}
		told[body] = true
		key, name := o.pageKey(body, p.Version), records.name(file)
		if _, err := os.Stat(file); err == nil && records.reports[name] == key && !r.Force {
			continue
		}
		page, err := o.Page(ctx, body, threads)
		if err != nil {
			return written, fmt.Errorf("the report %s: %w", file, err)
		}
		if page == nil {
			continue
		}
		var b bytes.Buffer
		if err := page.Write(ctx, &b); err != nil {
			return written, fmt.Errorf("the report %s: %w", file, err)
		}
		if err := os.MkdirAll(filepath.Dir(file), 0o755); err != nil {
			return written, fmt.Errorf("the report %s: %w", file, err)
		}
		if err := gltfio.WriteFile(file, b.Bytes()); err != nil {
			return written, fmt.Errorf("the report %s: %w", file, err)
		}
		written = append(written, file)
		records.reports[name] = key
		records.dirty = true
	}
	return written, records.flush()
}
