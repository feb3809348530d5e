package report_test

import (
	"bytes"
	"context"
	"slices"
	"testing"

	"gonum.org/v1/gonum/spatial/r3"

	"github.com/selvage/selvage/transfer"
	"github.com/selvage/selvage/transfer/closest"
	"github.com/selvage/selvage/transfer/crew"
	"github.com/selvage/selvage/transfer/gltfio"
	"github.com/selvage/selvage/transfer/report"
)

// TestReadGarment: a file that transfer wrote gives back the confidence and the
// reasons to the bit, and the nearest points of the body in place of matches.
func TestReadGarment(t *testing.T) {
	ctx := context.Background()
	b := crew.NewBodyAt("cox", 0.1)
	parse := func(write func(*bytes.Buffer) error, name string) *gltfio.Asset {
		var data bytes.Buffer
		if err := write(&data); err != nil {
			t.Fatal(err)
		}
		a, err := gltfio.Parse(data.Bytes(), name, gltfio.Options{})
		if err != nil {
			t.Fatal(err)
		}
		return a
	}
	bodyAsset := parse(func(w *bytes.Buffer) error { return b.WriteGLB(w) }, "body.glb")
	body, err := transfer.PrepareAsset(ctx, bodyAsset, gltfio.Selection{}, 0)
	if err != nil {
		t.Fatal(err)
	}
	cape := parse(func(w *bytes.Buffer) error { return b.GarmentAt("cape", 0.1).WriteGLB(w) }, "cape.glb")
	out, r, err := body.Transfer(ctx, cape, transfer.AssetOptions{})
	if err != nil {
		t.Fatal(err)
	}
	figure, err := report.ReadBody(bodyAsset, gltfio.Selection{})
	if err != nil {
		t.Fatal(err)
	}
	g, err := report.ReadGarment(ctx, out, gltfio.Selection{}, figure, 0)
	if err != nil {
		t.Fatal(err)
	}
	if !slices.Equal(g.Confidence, r.Confidence) || !slices.Equal(g.Reason, r.Reason) {
		t.Error("confidence or reasons changed on the way through the file")
	}
	if !g.Nearest || g.Name != "cape.glb" || len(g.Notes) > 0 {
		t.Errorf("nearest %v, name %q, notes %q", g.Nearest, g.Name, g.Notes)
	}
	// By brute force over all triangles.
	for v := 0; v < g.Mesh.NumVertices(); v += 37 {
		best := -1.0
		for _, tri := range figure.Mesh.Triangles {
			p := figure.Mesh.Positions
			q, _ := closest.ClosestPoint(g.Mesh.Positions[v], [3]r3.Vec{p[tri[0]], p[tri[1]], p[tri[2]]})
			if d := r3.Norm(r3.Sub(q, g.Mesh.Positions[v])); best < 0 || d < best {
				best = d
			}
		}
		if d := g.Distance[v] - best; d > 1e-9 || d < -1e-9 {
			t.Errorf("vertex %d: distance %g, by brute force %g", v, g.Distance[v], best)
		}
	}

	// The garment before any transfer has neither, and says so.
	plain, err := report.ReadGarment(ctx, cape, gltfio.Selection{}, figure, 0)
	if err != nil {
		t.Fatal(err)
	}
	if plain.Confidence != nil || plain.Reason != nil || plain.Rows != nil || len(plain.Notes) != 2 {
		t.Errorf("an unweighted garment: %d notes %q", len(plain.Notes), plain.Notes)
	}
}
