package transfer

import (
	"context"
	"fmt"
	"slices"
	"testing"
	"time"

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

// BenchmarkWithLayers puts a weighted garment on a prepared body of the same size class.
func BenchmarkWithLayers(b *testing.B) {
	for _, c := range []struct {
		verts         string
		body, density float64
	}{{"10k", 0.5, 2.1}, {"100k", 5, 21}} {
		b.Run("garment=jersey/verts="+c.verts, func(b *testing.B) {
			body := crew.NewBodyAt("mate", c.body)
			g := crew.NewBody("mate").GarmentAt("jersey", c.density)
			s, err := Prepare(context.Background(), &Body{Name: "mate", Mesh: body.Mesh, Rows: body.Rows, Skin: body.Skin}, 0)
			if err != nil {
				b.Fatal(err)
			}
			b.ReportAllocs()
			for b.Loop() {
				if _, err := s.WithLayers(context.Background(), []Layer{{Name: "jersey", Mesh: g.Mesh, Rows: g.Truth}}, 0); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}

// BenchmarkTransferOver transfers a cape, on the body alone and over a coat.
func BenchmarkTransferOver(b *testing.B) {
	for _, c := range []struct {
		verts            string
		body, coat, cape float64
	}{{"10k", 0.5, 1.6, 3}, {"100k", 5, 16, 30}} {
		body := crew.NewBodyAt("mate", c.body)
		coat, cape := crew.NewBody("mate").GarmentAt("oilskin coat", c.coat), crew.NewBody("mate").GarmentAt("cape", c.cape)
		s, err := Prepare(context.Background(), &Body{Name: "mate", Mesh: body.Mesh, Rows: body.Rows, Skin: body.Skin}, 0)
		if err != nil {
			b.Fatal(err)
		}
		over, err := s.WithLayers(context.Background(), []Layer{{Name: "oilskin coat", Mesh: coat.Mesh, Rows: coat.Truth}}, 0)
		if err != nil {
			b.Fatal(err)
		}
		for _, on := range []struct {
			name   string
			source *Source
		}{{"body", s}, {"coat", over}} {
			b.Run(fmt.Sprintf("garment=cape/over=%s/verts=%s", on.name, c.verts), func(b *testing.B) {
				b.ReportAllocs()
				for b.Loop() {
					if _, err := on.source.Transfer(context.Background(), &Garment{Name: "cape", Mesh: cape.Mesh}, Options{}); err != nil {
						b.Fatal(err)
					}
				}
				b.ReportMetric(float64(cape.Mesh.NumVertices())*float64(b.N)/b.Elapsed().Seconds(), "vertices/s")
			})
		}
	}
}

// BenchmarkCancel cancels a transfer at moments spread over its course and reports
// how long the call still takes to return, at worst: what a caller that goes away
// still costs.
func BenchmarkCancel(b *testing.B) {
	for _, c := range []struct {
		verts         string
		body, density float64
	}{{"100k", 5, 21}, {"1M", 48, 205}} {
		b.Run("garment=jersey/verts="+c.verts, func(b *testing.B) {
			body := crew.NewBodyAt("mate", c.body)
			g := &Garment{Name: "jersey", Mesh: crew.NewBody("mate").GarmentAt("jersey", c.density).Mesh}
			s, err := Prepare(context.Background(), &Body{Name: "mate", Mesh: body.Mesh, Rows: body.Rows, Skin: body.Skin}, 0)
			if err != nil {
				b.Fatal(err)
			}
			begin := time.Now()
			if _, err := s.Transfer(context.Background(), g, Options{}); err != nil {
				b.Fatal(err)
			}
			whole := time.Since(begin)
			const moments = 24
			var late []float64
			for b.Loop() {
				for k := 0; k < moments; k++ {
					ctx, cancel := context.WithCancel(context.Background())
					at := make(chan time.Time, 1)
					timer := time.AfterFunc(whole*time.Duration(k)/moments, func() {
						at <- time.Now()
						cancel()
					})
					_, err := s.Transfer(ctx, g, Options{})
					if err != nil {
						late = append(late, 1e3*time.Since(<-at).Seconds())
					}
					timer.Stop()
					cancel()
				}
			}
			slices.Sort(late)
			if len(late) == 0 {
				b.Fatal("nothing was cancelled")
			}
			b.ReportMetric(late[len(late)/2], "median-ms")
			b.ReportMetric(late[len(late)-1], "worst-ms")
		})
	}
}
