package server_test

import (
	"bytes"
	"slices"
	"testing"

	"github.com/selvage/selvage/client"
	"github.com/selvage/selvage/server"
	"github.com/selvage/selvage/transfer"
	"github.com/selvage/selvage/transfer/weights"
)

// TestTransfer_SameBytesAsInProcess holds the service against the transfer in
// process on the whole demo wardrobe.
func TestTransfer_SameBytesAsInProcess(t *testing.T) {
	w := theWardrobe()
	s := start(t, server.Config{})
	c := dial(t, s.addr)
	body := w.bodyAsset()
	for k, name := range w.names {
		t.Run(name, func(t *testing.T) {
			var opt transfer.AssetOptions
			if k%2 == 1 { // every other garment away from the defaults
				opt = transfer.AssetOptions{Options: transfer.Options{
					Reach: 0.05, Falloff: 0.5, MaxInfluences: 6, Format: weights.Uint16, Fill: transfer.FillBiharmonic, Registration: transfer.Off,
				}}
			}
			want, r := w.local(t, k, opt)
			var stages []transfer.Stage
			opt.Progress = func(s transfer.Stage, done float64) {
				if done < 0 || done > 1 {
					t.Errorf("stage %s: share %g", s, done)
				}
				stages = append(stages, s)
			}
			got, err := c.Transfer(t.Context(), client.Request{Body: body, Garment: w.garmentAsset(k), Options: opt})
			if err != nil {
				t.Fatal(err)
			}
			if !bytes.Equal(got.GLB, want) {
				t.Errorf("%d bytes that differ from the %d made in process", len(got.GLB), len(want))
			}
			if !slices.Equal(got.Confidence, r.Confidence) {
				t.Error("confidences differ from those in process")
			}
			if got.Summary.Garment != name || got.Summary.LowConfidence != r.Summary.LowConfidence || got.Summary.Vertices != r.Summary.Vertices {
				t.Errorf("summary %+v, want %+v", got.Summary, r.Summary)
			}
			if len(stages) == 0 {
				t.Error("no progress was told")
			}
		})
	}
}
