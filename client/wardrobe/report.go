package wardrobe

import (
	"context"

	"github.com/selvage/selvage/transfer/gltfio"
	"github.com/selvage/selvage/transfer/report"
)

// Page is the HTML report of one body's garments that are there, made now or
// before: all are read back from their files, so the page does not depend on which.
// nil where there are none.
func (o *Outcome) Page(ctx context.Context, body string, threads int) (*report.Page, error) {
	page := &report.Page{Threads: threads}
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
		page.Garments = append(page.Garments, g)
	}
	if page.Body == nil {
		return nil, nil
	}
	return page, nil
}
