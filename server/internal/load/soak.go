package main

import (
	"context"
	"fmt"
	"io"
	"math/rand/v2"
	"runtime"
	"sync"
	"sync/atomic"
	"time"

	"github.com/selvage/selvage/client"
	"github.com/selvage/selvage/transfer"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
)

// soakCallers call at the same time.
const soakCallers = 8

// soak sends mixed good, bad and cancelled calls for a time: every reply must be
// right, memory flat, and at the end no goroutine more than at the start.
func soak(ctx context.Context, w io.Writer, binary string, length time.Duration) error {
	in, err := newInputs(1)
	if err != nil {
		return err
	}
	l, err := newLocal(ctx, in.body)
	if err != nil {
		return err
	}
	var garments, want [][]byte
	for _, name := range []string{"sou'wester", "gloves", "sea boots"} {
		g, _, err := in.garment(name, 1)
		if err != nil {
			return err
		}
		out, err := l.transfer(ctx, g)
		if err != nil {
			return err
		}
		garments, want = append(garments, g), append(want, out)
	}
	long, _, err := in.garment("oilskin coat", 4)
	if err != nil {
		return err
	}
	// A small budget for bodies makes them come and go.
	p, err := launch(ctx, binary, "--body-bytes", "60000000", "--queue", "64", "--queue-wait", "30s")
	if err != nil {
		return err
	}
	defer p.stop()
	c, err := client.Dial(ctx, p.address)
	if err != nil {
		return err
	}
	defer c.Close()

	var good, bad, dropped atomic.Int64
	one := func(r *rand.Rand) error {
		k := r.IntN(len(garments))
		// The same body under many names is prepared anew for each.
		body := client.NewAsset(fmt.Sprintf("body-%d.glb", r.IntN(6)), in.body)
		switch r.IntN(10) {
		case 0: // garbage
			_, err := c.Transfer(ctx, client.Request{Body: body, Garment: client.NewAsset("x", garments[k][:1+r.IntN(len(garments[k])-1)])})
			if status.Code(err) != codes.InvalidArgument {
				return fmt.Errorf("a cut file: %w", err)
			}
			bad.Add(1)
		case 1: // an option out of range
			_, err := c.Transfer(ctx, client.Request{Body: body, Garment: client.NewAsset("x", garments[k]),
				Options: transfer.AssetOptions{Options: transfer.Options{MaxInfluences: 9 + r.IntN(9)}}})
			if status.Code(err) != codes.InvalidArgument {
				return fmt.Errorf("an option: %w", err)
			}
			bad.Add(1)
		case 2, 3: // cancelled, or past its deadline
			short, cancel := context.WithTimeout(ctx, time.Duration(r.IntN(300))*time.Millisecond)
			defer cancel()
			_, err := c.Transfer(short, client.Request{Body: body, Garment: client.NewAsset("x", long)})
			if err != nil && ctx.Err() == nil && short.Err() == nil && status.Code(err) != codes.DeadlineExceeded {
				return fmt.Errorf("a short call: %w", err)
			}
			dropped.Add(1)
		case 4:
			d, err := c.Inspect(ctx, client.NewAsset("x", garments[k]))
			if err != nil || len(d.Meshes) == 0 {
				return fmt.Errorf("inspect: %w", err)
			}
			good.Add(1)
		default:
			out, err := c.Transfer(ctx, client.Request{Body: body, Garment: client.NewAsset("x", garments[k])})
			if err != nil {
				return fmt.Errorf("a transfer: %w", err)
			}
			if err := same(out.GLB, want[k]); err != nil {
				return err
			}
			good.Add(1)
		}
		return nil
	}

	phase := func(seed uint64, length time.Duration) error {
		until := time.Now().Add(length)
		var wg sync.WaitGroup
		failed := make(chan error, soakCallers)
		for i := range soakCallers {
			wg.Go(func() {
				r := rand.New(rand.NewPCG(seed, uint64(i)))
				for time.Now().Before(until) && ctx.Err() == nil {
					if err := one(r); err != nil {
						failed <- fmt.Errorf("seed %d, caller %d: %w", seed, i, err)
						return
					}
				}
			})
		}
		wg.Wait()
		select {
		case err := <-failed:
			return err
		default:
			return ctx.Err()
		}
	}
	type sample struct{ resident, goroutines float64 }
	settle := func() (sample, error) {
		time.Sleep(2 * time.Second)
		resident, err := p.status("VmRSS")
		if err != nil {
			return sample{}, err
		}
		m, err := p.metrics(ctx, "go_goroutines", "selvage_running_calls", "selvage_work_bytes", "selvage_queue_depth")
		if err != nil {
			return sample{}, err
		}
		if m["selvage_running_calls"]+m["selvage_work_bytes"]+m["selvage_queue_depth"] != 0 {
			return sample{}, fmt.Errorf("at rest there is %v", m)
		}
		return sample{float64(resident) / 1024, m["go_goroutines"]}, nil
	}
	// A quarter of the time warms up; three more are compared with it.
	var samples []sample
	for k := range 4 {
		if err := phase(uint64(k), length/4); err != nil {
			return err
		}
		s, err := settle()
		if err != nil {
			return err
		}
		samples = append(samples, s)
	}
	m, err := p.metrics(ctx, "selvage_panics_total")
	if err != nil {
		return err
	}
	fmt.Fprintf(w, "### Soak\n\n`make soak`, %v, %d callers on %d cores: %d good calls with the right bytes, %d refused as they should be, %d cancelled or past their deadline, %.0f panics. At rest after each quarter:\n\n",
		length, soakCallers, runtime.NumCPU(), good.Load(), bad.Load(), dropped.Load(), m["selvage_panics_total"])
	fmt.Fprint(w, "| quarter | resident MiB | goroutines |\n|--:|--:|--:|\n")
	for k, s := range samples {
		fmt.Fprintf(w, "| %d | %.0f | %.0f |\n", k+1, s.resident, s.goroutines)
	}
	fmt.Fprintln(w)
	// The collector gives memory back in its own time: a fifth and 32 MiB more than
	// after the warm-up is not growth, four quarters of a leak would be.
	if a, b := samples[0], samples[3]; b.resident > 1.2*a.resident+32 || b.goroutines > a.goroutines+4 {
		return fmt.Errorf("memory or goroutines grew: %+v", samples)
	}
	if m["selvage_panics_total"] != 0 {
		return fmt.Errorf("%.0f panics", m["selvage_panics_total"])
	}
	return nil
}
