package server_test

import (
	"strings"
	"testing"

	"github.com/selvage/selvage/client"
	"github.com/selvage/selvage/server"
	"github.com/selvage/selvage/transfer"
)

// BenchmarkTransfer holds a call over loopback beside the same transfer in
// process; body uploaded and prepared before.
func BenchmarkTransfer(b *testing.B) {
	w := theWardrobe()
	c := dial(b, start(b, server.Config{}).addr)
	body := w.bodyAsset()
	if _, err := c.Transfer(b.Context(), client.Request{Body: body, Garment: w.garmentAsset(5)}); err != nil {
		b.Fatal(err)
	}
	for _, k := range []int{5, 2} { // hat, boots
		name := strings.TrimSuffix(w.names[k], ".glb")
		b.Run("garment="+name+"/by=process", func(b *testing.B) {
			b.ReportAllocs()
			for b.Loop() {
				w.local(b, k, transfer.AssetOptions{})
			}
		})
		b.Run("garment="+name+"/by=service", func(b *testing.B) {
			b.ReportAllocs()
			for b.Loop() {
				if _, err := c.Transfer(b.Context(), client.Request{Body: body, Garment: w.garmentAsset(k)}); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}
