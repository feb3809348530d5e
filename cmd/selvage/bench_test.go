package main

import (
	"context"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"syscall"
	"testing"

	"github.com/selvage/selvage/transfer/crew"
)

// BenchmarkCommand measures the whole command, read to written, on body and
// garment of about the same number of vertices.
func BenchmarkCommand(b *testing.B) {
	for _, c := range []struct {
		verts string
		scale float64 // of the body, relative to the mate's 21k
	}{{"10k", 0.5}, {"100k", 5}, {"1M", 48}} {
		for _, g := range []struct {
			name    string
			density float64 // relative to the body's scale
		}{{"jersey", 4.3}, {"oilskin coat", 3.2}} {
			b.Run(fmt.Sprintf("garment=%s/verts=%s", g.name, c.verts), func(b *testing.B) {
				dir := b.TempDir()
				body, garment := filepath.Join(dir, "body.glb"), filepath.Join(dir, "garment.glb")
				cloth := crew.NewBody("mate").GarmentAt(g.name, g.density*c.scale)
				writeInput(b, body, crew.NewBodyAt("mate", c.scale).WriteGLB)
				writeInput(b, garment, cloth.WriteGLB)
				b.ReportAllocs()
				for b.Loop() {
					if code := run(context.Background(), []string{"transfer", body, garment, "-o", filepath.Join(dir, "out.glb"), "-q"}); code != 0 {
						b.Fatalf("exit status %d", code)
					}
				}
				var u syscall.Rusage
				if err := syscall.Getrusage(syscall.RUSAGE_SELF, &u); err == nil {
					// Of the whole test process: an upper bound.
					b.ReportMetric(float64(u.Maxrss)/1024, "peak-MiB")
				}
				b.ReportMetric(float64(cloth.Mesh.NumVertices()), "vertices")
			})
		}
	}
}

func writeInput(b *testing.B, file string, to func(io.Writer) error) {
	f, err := os.Create(file)
	if err != nil {
		b.Fatal(err)
	}
	defer f.Close()
	if err := to(f); err != nil {
		b.Fatal(err)
	}
}
