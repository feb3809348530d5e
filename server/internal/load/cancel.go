package main

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"github.com/selvage/selvage/client"
	"github.com/selvage/selvage/transfer"
)

const (
	// quietWindow is how long the server must be next to idle for its work to count as
	// over, and quietUse how much of that time it may be on a processor or wait for one:
	// gRPC and the Go runtime are never quite still. Nor may it be found ready to run
	// in half of the looks: on a busy machine it may just not have its turn.
	quietWindow = 60 * time.Millisecond
	quietUse    = 3 * time.Millisecond
)

// cancels cancels transfers to a garment of a million vertices at moments spread
// evenly over the whole call, reading and preparation of the body included, and
// measures what the server still does: processor time, which other work on the
// machine does not change, and time on the clock, which it does.
func cancels(ctx context.Context, w io.Writer, binary string, moments int) error {
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
	asset := client.NewAsset("garment.glb", garment)
	if _, err := c.Upload(ctx, asset); err != nil {
		return err
	}
	// A body of another name is prepared anew, though its bytes are known.
	call := 0
	request := func() client.Request {
		call++
		return client.Request{Body: client.NewAsset(fmt.Sprintf("body-%d.glb", call), in.body), Garment: asset}
	}
	if _, err := c.Upload(ctx, request().Body); err != nil {
		return err
	}
	before, err := p.ran()
	if err != nil {
		return err
	}
	if _, err := c.Transfer(ctx, request()); err != nil {
		return err
	}
	after, err := p.ran()
	if err != nil {
		return err
	}
	whole := after.on - before.on // by processor time: the clock depends on other work

	var used, waited []time.Duration
	type lateness struct {
		d     time.Duration
		share float64
		stage transfer.Stage
	}
	var worst lateness
	for k := range moments {
		share := (float64(k) + 0.5) / float64(moments)
		x, stage, err := cancelAt(ctx, p, c, request(), time.Duration(share*float64(whole)))
		if errors.Is(err, errDone) {
			continue
		}
		if err != nil {
			return err
		}
		used, waited = append(used, x.used), append(waited, x.waited)
		fmt.Fprintf(os.Stderr, "cancelled at %4.1f%% (%s): %v of processor time, %v on the clock\n", 100*share, stage, x.used, x.waited)
		if x.used > worst.d {
			worst = lateness{x.used, share, stage}
		}
	}
	if len(used) == 0 {
		return errors.New("no call could be cancelled")
	}
	slices.Sort(used)
	slices.Sort(waited)
	quantile := func(x []time.Duration, q float64) float64 {
		return 1e3 * x[min(len(x)-1, int(q*float64(len(x))))].Seconds()
	}
	fmt.Fprintf(w, "### Cancelled calls\n\n`go run ./server/internal/load -cancel %d`: a garment of %d vertices, cancelled at %d moments spread evenly over the whole call (%.1f s of processor time), from the request on, the preparation of the body included. What the server still used:\n\n", moments, n, len(used), whole.Seconds())
	fmt.Fprintf(w, "| | median | p90 | worst |\n|---|--:|--:|--:|\n")
	for _, row := range []struct {
		name string
		x    []time.Duration
	}{{"processor time of all threads, ms", used}, {"on the clock until the server was idle, ms", waited}} {
		fmt.Fprintf(w, "| %s | %.0f | %.0f | %.0f |\n", row.name, quantile(row.x, 0.5), quantile(row.x, 0.9), quantile(row.x, 1))
	}
	fmt.Fprintf(w, "\nMost at %.0f%% of the call (last stage told: %s). Load of the machine meanwhile, over its cores: %s.\n\n", 100*worst.share, worst.stage, loadAverage())
	return nil
}

// loadAverage is the kernel's over the last 15 minutes.
func loadAverage() string {
	text, err := os.ReadFile("/proc/loadavg")
	if f := strings.Fields(string(text)); err == nil && len(f) > 2 {
		return f[2]
	}
	return "unknown"
}

// errDone says that a call was done before it was cancelled.
var errDone = errors.New("done before")

// aftermath is what a cancelled call still costs.
type aftermath struct{ used, waited time.Duration }

// cancelAt cancels a call once the server has spent so much processor time on it.
func cancelAt(ctx context.Context, p *process, c *client.Client, r client.Request, at time.Duration) (aftermath, transfer.Stage, error) {
	if err := p.settle(ctx); err != nil {
		return aftermath{}, "", err
	}
	start, err := p.ran()
	if err != nil {
		return aftermath{}, "", err
	}
	call, cancel := context.WithCancel(ctx)
	defer cancel()
	stage := make(chan transfer.Stage, 1) // the last that was told
	r.Options.Progress = func(s transfer.Stage, _ float64) {
		select {
		case <-stage:
		default:
		}
		stage <- s
	}
	done := make(chan error, 1)
	go func() {
		_, err := c.Transfer(call, r)
		done <- err
	}()
	for {
		select {
		case err := <-done:
			if err == nil {
				err = errDone
			}
			return aftermath{}, "", err
		case <-time.After(2 * time.Millisecond):
		}
		now, err := p.ran()
		if err != nil {
			return aftermath{}, "", err
		}
		if now.on-start.on >= at {
			break
		}
	}
	cancel()
	began := time.Now()
	first, err := p.ran()
	if err != nil {
		return aftermath{}, "", err
	}
	if err := <-done; err == nil {
		return aftermath{}, "", errDone
	}
	last := transfer.Stage("before the first")
	select {
	case last = <-stage:
	default:
	}
	x, err := p.untilQuiet(ctx, began, first)
	return x, last, err
}

// settle waits until the server does nothing.
func (p *process) settle(ctx context.Context) error {
	now, err := p.ran()
	if err != nil {
		return err
	}
	_, err = p.untilQuiet(ctx, time.Now(), now)
	return err
}

// untilQuiet returns what the server has used since first, taken at began, until
// the last moment before a window in which it did next to nothing.
func (p *process) untilQuiet(ctx context.Context, began time.Time, first threadTime) (aftermath, error) {
	type sample struct {
		at  time.Duration // since began
		ran threadTime
	}
	list := []sample{{0, first}}
	for ctx.Err() == nil && time.Since(began) < 60*time.Second {
		time.Sleep(2 * time.Millisecond)
		ran, err := p.ran()
		if err != nil {
			return aftermath{}, err
		}
		list = append(list, sample{time.Since(began), ran})
		for list[len(list)-1].at-list[0].at > quietWindow {
			now, then := list[len(list)-1].ran, list[0].ran
			ready := 0
			for _, x := range list {
				if x.ran.ready {
					ready++
				}
			}
			if now.on-then.on+now.queued-then.queued <= quietUse && 2*ready < len(list) {
				return aftermath{then.on - first.on, list[0].at}, nil
			}
			list = list[1:]
		}
	}
	return aftermath{}, errors.New("the server is not quiet after a minute")
}

// threadTime is what a process's threads have spent on processors, and waiting for
// one while others were on it (told once they had their turn), and whether one of
// them is on a processor or waits now.
type threadTime struct {
	on, queued time.Duration
	ready      bool
}

// ran is the server's, to the nanosecond (Linux, Documentation/scheduler/
// sched-stats.rst). The Go runtime ends none of its threads while it serves.
func (p *process) ran() (sum threadTime, err error) {
	files, err := filepath.Glob(fmt.Sprintf("/proc/%d/task/*/schedstat", p.cmd.Process.Pid))
	if err != nil || len(files) == 0 {
		return sum, fmt.Errorf("the server's threads are not to be seen: %v", err)
	}
	for _, f := range files {
		text, err := os.ReadFile(f)
		if errors.Is(err, os.ErrNotExist) {
			continue // a thread that has ended all the same
		}
		if err != nil {
			return sum, err
		}
		var on, queued int64
		if _, err := fmt.Sscan(string(text), &on, &queued); err != nil {
			return sum, fmt.Errorf("%s: %w", f, err)
		}
		sum.on += time.Duration(on)
		sum.queued += time.Duration(queued)
		// Field 3 of proc(5), stat, behind the name in parentheses.
		stat, err := os.ReadFile(filepath.Join(filepath.Dir(f), "stat"))
		if i := bytes.LastIndexByte(stat, ')'); err == nil && i >= 0 && i+2 < len(stat) {
			sum.ready = sum.ready || stat[i+2] == 'R'
		}
	}
	return sum, nil
}
