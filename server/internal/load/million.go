package main

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"slices"
	"time"

	"github.com/selvage/selvage/client"
	"github.com/selvage/selvage/transfer"
)

// million transfers to a garment of about a million vertices: time, memory, and
// how soon a cancelled call stops in each stage.
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
	stages := map[transfer.Stage]time.Duration{} // when each is reached
	var order []transfer.Stage
	r, err := c.Transfer(ctx, client.Request{Body: body, Garment: asset, Options: transfer.AssetOptions{Options: transfer.Options{
		Progress: func(s transfer.Stage, _ float64) {
			if _, ok := stages[s]; !ok {
				stages[s] = time.Since(began)
				order = append(order, s)
			}
		},
	}}})
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

	if err := millionArrays(ctx, w, p, c, in, n); err != nil {
		return err
	}

	// Cancelled in the middle of every stage that lasts, several times in all.
	var waits []time.Duration
	worst, where := time.Duration(0), transfer.Stage("")
	for k, s := range order {
		end := took
		if k+1 < len(order) {
			end = stages[order[k+1]]
		}
		if end-stages[s] < 200*time.Millisecond {
			continue
		}
		for _, share := range []float64{0.1, 0.5} {
			d, err := cancelled(ctx, p, c, body, asset, s, time.Duration(share*float64(end-stages[s])))
			if errors.Is(err, errDone) {
				continue
			}
			if err != nil {
				return err
			}
			waits = append(waits, d)
			if d > worst {
				worst, where = d, s
			}
		}
	}
	slices.Sort(waits)
	if len(waits) == 0 {
		return errors.New("no call could be cancelled")
	}
	fmt.Fprintf(w, "Cancelled at %d moments over all stages, such a call stopped computing after %d ms (median), %d ms (worst, near stage %s), the reading of the gauge included.\n\n",
		len(waits), waits[len(waits)/2].Milliseconds(), worst.Milliseconds(), where)
	return nil
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

// errDone says that a call was done before it was cancelled.
var errDone = errors.New("done before")

// cancelled cancels a call some time after it has reached a stage, and returns how
// long the server went on computing.
func cancelled(ctx context.Context, p *process, c *client.Client, body, garment *client.Asset, stage transfer.Stage, after time.Duration) (time.Duration, error) {
	call, cancel := context.WithCancel(ctx)
	defer cancel()
	reached := make(chan struct{}, 1)
	var opt transfer.AssetOptions
	opt.Progress = func(s transfer.Stage, _ float64) {
		if s == stage {
			select {
			case reached <- struct{}{}:
			default:
			}
		}
	}
	done := make(chan error, 1)
	go func() {
		_, err := c.Transfer(call, client.Request{Body: body, Garment: garment, Options: opt})
		done <- err
	}()
	select {
	case <-reached:
	case err := <-done:
		if err == nil {
			err = errDone
		}
		return 0, err
	}
	select {
	case err := <-done:
		if err == nil {
			err = errDone
		}
		return 0, err
	case <-time.After(after):
	}
	cancel()
	began := time.Now()
	for time.Since(began) < 30*time.Second {
		m, err := p.metrics(ctx, "selvage_running_calls")
		if err != nil {
			return 0, err
		}
		if m["selvage_running_calls"] == 0 {
			d := time.Since(began)
			if err := <-done; err == nil {
				return 0, errDone
			}
			return d, nil
		}
		time.Sleep(2 * time.Millisecond)
	}
	return 0, errors.New("a cancelled call did not stop within 30 s")
}

// same fails where two results differ.
func same(got, want []byte) error {
	if !bytes.Equal(got, want) {
		return fmt.Errorf("%d bytes that differ from the %d made in process", len(got), len(want))
	}
	return nil
}
