package pose

import (
	"context"
	"fmt"
	"testing"

	"github.com/selvage/selvage/transfer/crew"
	"github.com/selvage/selvage/transfer/mesh"
	"github.com/selvage/selvage/transfer/weights"
)

// suit is everything that the mate wears on the skin as one garment, so that all 58
// joints but the head's move it: jersey, trousers, boots and gloves.
func suit(b *crew.Body, density float64) *Figure {
	f := &Figure{Name: "suit", Mesh: &mesh.Mesh{}, Rows: weights.NewRows(0), Skin: b.Skin}
	for _, name := range []string{"jersey", "bib trousers", "sea boots", "gloves"} {
		g := b.GarmentAt(name, density)
		base := int32(len(f.Mesh.Positions))
		f.Mesh.Positions = append(f.Mesh.Positions, g.Mesh.Positions...)
		for _, t := range g.Mesh.Triangles {
			f.Mesh.Triangles = append(f.Mesh.Triangles, [3]int32{t[0] + base, t[1] + base, t[2] + base})
		}
		f.Parts = append(f.Parts, Part{Node: name, Mesh: name, Start: int(base), End: len(f.Mesh.Positions)})
	}
	rows := make([]*weights.Rows, 0, 4)
	for _, name := range []string{"jersey", "bib trousers", "sea boots", "gloves"} {
		rows = append(rows, b.GarmentAt(name, density).Truth)
	}
	f.Rows = weights.Concat(rows...)
	return f
}

// BenchmarkSweep measures the full default sweep of a garment that every limb moves,
// against a body of the same size class: preparing (matches included) and posing.
func BenchmarkSweep(b *testing.B) {
	for _, c := range []struct {
		verts         string
		body, density float64
	}{{"10k", 0.5, 0.66}, {"100k", 5, 6.6}} {
		member := crew.NewBodyAt("mate", c.body)
		body := &Figure{Name: "mate", Mesh: member.Mesh, Rows: member.Rows, Skin: member.Skin}
		garment := suit(member, c.density)
		b.Run(fmt.Sprintf("verts=%s", c.verts), func(b *testing.B) {
			b.ReportAllocs()
			poses := 0
			for b.Loop() {
				k, err := New(context.Background(), body, garment, Options{})
				if err != nil {
					b.Fatal(err)
				}
				r, err := k.Run(context.Background(), nil)
				if err != nil {
					b.Fatal(err)
				}
				poses = r.Poses
			}
			b.ReportMetric(float64(poses), "poses")
			b.ReportMetric(float64(garment.Mesh.NumVertices()), "vertices")
		})
	}
}
