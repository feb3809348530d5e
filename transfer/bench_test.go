package transfer

import (
	"context"
	"fmt"
	"testing"

	"github.com/selvage/selvage/transfer/crew"
)

// BenchmarkTransfer measures one garment against a prepared body of the same
// size class: everything between reading and writing.
func BenchmarkTransfer(b *testing.B) {
	for _, c := range []struct {
		garment string
		verts   string
		body    float64
		density float64
	}{
		{"jersey", "10k", 0.5, 2.1}, {"oilskin coat", "10k", 0.5, 1.6},
		{"jersey", "100k", 5, 21}, {"oilskin coat", "100k", 5, 16},
	} {
		body := crew.NewBodyAt("mate", c.body)
		g := crew.NewBody("mate").GarmentAt(c.garment, c.density)
		b.Run(fmt.Sprintf("garment=%s/verts=%s", c.garment, c.verts), func(b *testing.B) {
			s, err := Prepare(context.Background(), &Body{Name: "mate", Mesh: body.Mesh, Rows: body.Rows, Skin: body.Skin}, 0)
			if err != nil {
				b.Fatal(err)
			}
			b.ReportAllocs()
			for b.Loop() {
				if _, err := s.Transfer(context.Background(), &Garment{Name: c.garment, Mesh: g.Mesh}, Options{}); err != nil {
					b.Fatal(err)
				}
			}
			b.ReportMetric(float64(g.Mesh.NumVertices())*float64(b.N)/b.Elapsed().Seconds(), "vertices/s")
		})
	}
}
