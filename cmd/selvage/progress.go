package main

import (
	"io"
	"os"
	"sync"

	"github.com/schollz/progressbar/v3"
	"github.com/selvage/selvage/transfer"
	"golang.org/x/term"
)

// isTerminal reports whether w is a terminal.
func isTerminal(w io.Writer) bool {
	f, ok := w.(*os.File)
	return ok && term.IsTerminal(int(f.Fd()))
}

// stageShare is roughly what share of a transfer each stage takes, for the bar.
var stageShare = []struct {
	stage transfer.Stage
	start float64
}{
	{transfer.StagePrepare, 0}, {transfer.StageMatch, 0.1}, {transfer.StageTrust, 0.55},
	{transfer.StageFalloff, 0.65}, {transfer.StageFill, 0.7}, {transfer.StageIslands, 0.92}, {transfer.StageFinish, 0.95},
}

// progress draws a bar on a terminal, and nothing elsewhere.
type progress struct {
	mu  sync.Mutex
	bar *progressbar.ProgressBar
}

// newProgress returns a bar on w, silent unless w is a terminal.
func newProgress(w io.Writer, quiet bool) *progress {
	if quiet || !isTerminal(w) {
		return &progress{}
	}
	return &progress{bar: progressbar.NewOptions(1000,
		progressbar.OptionSetWriter(w), progressbar.OptionClearOnFinish(), progressbar.OptionSetWidth(30),
		progressbar.OptionSetPredictTime(false), progressbar.OptionShowElapsedTimeOnFinish())}
}

// garment returns the progress callback for garment k of n.
func (p *progress) garment(name string, k, n int) func(transfer.Stage, float64) {
	if p.bar == nil {
		return nil
	}
	return func(stage transfer.Stage, done float64) {
		p.mu.Lock()
		defer p.mu.Unlock()
		at := 1.0
		for i, s := range stageShare {
			if s.stage == stage {
				end := 1.0
				if i+1 < len(stageShare) {
					end = stageShare[i+1].start
				}
				at = s.start + done*(end-s.start)
			}
		}
		p.bar.Describe(printable(name) + ": " + string(stage))
		_ = p.bar.Set(int(1000 * (float64(k) + at) / float64(n)))
	}
}

// poses returns the progress callback of the check of a garment.
func (p *progress) poses(name string) func(done, total int, pose string) {
	if p.bar == nil {
		return nil
	}
	return func(done, total int, pose string) {
		if pose != "" {
			pose = ": " + pose
		}
		p.bar.Describe(printable(name + pose))
		_ = p.bar.Set(1000 * done / max(1, total))
	}
}

// close takes the bar off the terminal.
func (p *progress) close() {
	if p.bar != nil {
		_ = p.bar.Finish()
	}
}
