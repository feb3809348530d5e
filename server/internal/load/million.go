package main

import (
	"bytes"
	"context"
	"fmt"
	"io"
	"time"

	"github.com/selvage/selvage/client"
	"github.com/selvage/selvage/transfer"
)

// million transfers to a garment of about a million vertices: time and memory.
func million(ctx context.Context, w io.Writer, binary string) error {
	in, err := newInputs(5)
	if err != nil {
		return err
	}
	garment, n, err := in.garment("oilskin coat", 190)
	if err != nil {
		return err
	}
	p, err := launch(ctx, binary)
	if err != nil {
		return err
	}
	defer p.stop()
	c, err := client.Dial(ctx, p.address)
	if err != nil {
		return err
	}
	defer c.Close()
	body, asset := client.NewAsset("body.glb", in.body), client.NewAsset("garment.glb", garment)
	for _, a := range []*client.Asset{body, asset} {
		if _, err := c.Upload(ctx, a); err != nil {
			return err
		}
	}
	began := time.Now()
	r, err := c.Transfer(ctx, client.Request{Body: body, Garment: asset})
	if err != nil {
		return err
	}
	took := time.Since(began)
	peak, err := p.status("VmHWM")
	if err != nil {
		return err
	}
	fmt.Fprintf(w, "A garment of %d vertices (%d MiB in, %d MiB out): %.1f s, %.0f vertices a second, peak memory of the server %d MiB.\n\n",
		n, len(garment)>>20, len(r.GLB)>>20, took.Seconds(), float64(n)/took.Seconds(), peak>>10)

	return millionArrays(ctx, w, p, c, in, n)
}

// millionArrays does the same by arrays, in chunks both ways.
func millionArrays(ctx context.Context, w io.Writer, p *process, c *client.Client, in *inputs, n int) error {
	g := in.member.GarmentAt("oilskin coat", 190)
	body := &transfer.Body{Name: "mate", Mesh: in.member.Mesh, Rows: in.member.Rows, Skin: in.member.Skin}
	if err := p.resetPeak(); err != nil {
		return err
	}
	began := time.Now()
	r, err := c.TransferArrays(ctx, body, &transfer.Garment{Name: "coat", Mesh: g.Mesh}, transfer.Options{})
	if err != nil {
		return err
	}
	took := time.Since(began)
	if len(r.Confidence) != n {
		return fmt.Errorf("%d confidences for %d vertices", len(r.Confidence), n)
	}
	peak, err := p.status("VmHWM")
	if err != nil {
		return err
	}
	fmt.Fprintf(w, "The same by arrays, streamed both ways: %.1f s, peak memory of the server %d MiB.\n\n", took.Seconds(), peak>>10)
	return nil
}

// same fails where two results differ.
func same(got, want []byte) error {
	if !bytes.Equal(got, want) {
		return fmt.Errorf("%d bytes that differ from the %d made in process", len(got), len(want))
	}
	return nil
}
