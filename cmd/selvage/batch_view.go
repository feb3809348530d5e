package main

// What a wardrobe's run shows: bars on a terminal, lines in a log, events as JSON,
// and the table at the end.

import (
	"bytes"
	"cmp"
	"encoding/json"
	"fmt"
	"io"
	"slices"
	"strings"
	"sync"
	"time"

	"github.com/jedib0t/go-pretty/v6/table"
	"github.com/jedib0t/go-pretty/v6/text"
	"github.com/schollz/progressbar/v3"
	"github.com/selvage/selvage/client/wardrobe"
	"github.com/selvage/selvage/transfer"
	"github.com/selvage/selvage/transfer/pass"
	"golang.org/x/term"
)

// event writes one line of JSON, with what a terminal would act upon escaped.
func (b *batchRun) event(v any) error {
	var indented, line bytes.Buffer
	if err := writeJSON(&indented, v); err != nil {
		return err
	}
	if err := json.Compact(&line, indented.Bytes()); err != nil {
		return err
	}
	line.WriteByte('\n')
	_, err := b.out.Write(line.Bytes())
	return err
}

// batchView shows a run while it goes.
type batchView struct {
	b    *batchRun
	bars *batchBars                   // nil: no terminal looks on
	told map[*wardrobe.Task]stageTold // progress events that went out
}

type stageTold struct {
	stage transfer.Stage
	share float64
}

// tellStep is the least progress within a stage that is worth an event.
const tellStep = 0.1

func (b *batchRun) newView(p *wardrobe.Plan) *batchView {
	v := &batchView{b: b, told: map[*wardrobe.Task]stageTold{}}
	tasks := b.runner.Shard.Of(p.Tasks)
	bodies := map[string]bool{}
	for _, t := range tasks {
		bodies[t.Body.Name] = true
	}
	switch {
	case b.asJSON:
		_ = b.event(map[string]any{"event": "plan", "tasks": len(tasks), "bodies": len(bodies)})
	case !b.quiet && isTerminal(b.log):
		v.bars = newBatchBars(b.log, len(tasks))
	}
	if f, ok := b.runner.Executor.(*farmExecutor); ok {
		f.listen(v)
	}
	return v
}

func (v *batchView) close() {
	if v.bars != nil {
		v.bars.close()
	}
}

// tell is called from one goroutine at a time.
func (v *batchView) tell(u wardrobe.Update) {
	if u.Running {
		v.running(u)
		return
	}
	delete(v.told, u.Task)
	name := printable(u.Task.Name)
	switch {
	case v.b.asJSON && u.Status == wardrobe.Kept: // its event comes from where it is kept
	case v.b.asJSON:
		_ = v.b.event(ended(u))
	case v.bars != nil:
		v.bars.ended(u)
	case u.Status == wardrobe.Made:
		v.b.line("%d/%d made %s: %d vertices, %.1f%% low confidence, %.2f s", u.Finished, u.All, name, u.Record.Summary.Vertices, u.Record.Low(), u.Record.Seconds)
	case u.Status == wardrobe.UpToDate && u.Record.Edited:
		v.b.line("%d/%d up to date %s, changed by hand since it was made", u.Finished, u.All, name)
	case u.Status == wardrobe.Kept:
		v.b.line("%d/%d left in the store %s", u.Finished, u.All, name)
	case u.Status == wardrobe.UpToDate:
		v.b.line("%d/%d up to date %s", u.Finished, u.All, name)
	default:
		v.b.line("%d/%d failed %s: %s", u.Finished, u.All, name, printable(u.Err.Error()))
	}
}

func (v *batchView) running(u wardrobe.Update) {
	e := u.Event
	if v.bars != nil {
		v.bars.running(e)
	}
	if !v.b.asJSON {
		return
	}
	line := map[string]any{"event": "started", "task": u.Task.Name}
	if e.Where != "" {
		line["where"] = e.Where
	}
	if e.Kind == wardrobe.Progress {
		last, ok := v.told[u.Task]
		if ok && last.stage == e.Stage && e.Share < last.share+tellStep && e.Share < 1 || ok && last == (stageTold{e.Stage, e.Share}) {
			return
		}
		v.told[u.Task] = stageTold{e.Stage, e.Share}
		line["event"], line["stage"], line["share"] = "progress", e.Stage, e.Share
	}
	_ = v.b.event(line)
}

// ended is the event of a task that has its final status.
func ended(u wardrobe.Update) map[string]any {
	line := map[string]any{
		"task": u.Task.Name, "body": u.Task.Body.Name, "garment": u.Task.Garment.Name,
		"output": u.Task.Output, "key": u.Task.Key, "finished": u.Finished, "all": u.All,
	}
	switch u.Status {
	case wardrobe.Broken:
		line["event"], line["error"] = "failed", u.Err.Error()
		return line
	case wardrobe.Made:
		line["event"] = "made"
	default:
		line["event"] = "upToDate"
	}
	line["sha256"], line["seconds"] = u.Record.SHA256, u.Record.Seconds
	line["low"], line["summary"] = u.Record.Low(), u.Record.Summary
	if u.Record.Pass != nil {
		s, conflicts := u.Item.Pass()
		line["pass"] = s
		if left := conflicts - len(s.Conflicts); left > 0 {
			line["conflictsLeftOut"] = left
		}
	}
	if u.Record.Edited {
		line["edited"] = true
	}
	if len(u.Record.Missing) > 0 {
		line["missing"] = u.Record.Missing
	}
	return line
}

// show prints what came out of a run.
func (b *batchRun) show(o *wardrobe.Outcome, err error, took time.Duration) error {
	counts := [5]int{}
	for i := range counts {
		counts[i] = o.Count(wardrobe.Status(i))
	}
	if b.asJSON {
		status := exitDone
		switch {
		case err != nil || counts[wardrobe.Broken] > 0:
			status = exitFailed
		case b.verdict(o) != nil:
			status = exitStrict
		}
		end := map[string]any{
			"event": "end", "made": counts[wardrobe.Made], "upToDate": counts[wardrobe.UpToDate],
			"failed": counts[wardrobe.Broken], "left": counts[wardrobe.Kept], "waiting": counts[wardrobe.Waiting], "seconds": took.Seconds(), "status": status,
		}
		if len(o.Notes) > 0 {
			end["notes"] = o.Notes
		}
		return b.event(end)
	}
	if b.quiet {
		if counts[wardrobe.Broken] > 1 { // one is in the last line
			for _, i := range o.Items {
				if i.Status == wardrobe.Broken {
					fmt.Fprintf(b.log, "selvage: %s: %s\n", printable(i.Task.Name), printable(i.Err.Error()))
				}
			}
		}
		return nil
	}
	writeBatch(b.out, o, b.top)
	for _, n := range o.Notes {
		fmt.Fprintln(b.out, printable(n))
	}
	writeBatchPasses(b.out, o, b.top)
	var parts []string
	for _, s := range []wardrobe.Status{wardrobe.Made, wardrobe.UpToDate, wardrobe.Kept, wardrobe.Broken, wardrobe.Waiting} {
		if n := counts[s]; n > 0 {
			parts = append(parts, fmt.Sprintf("%d %s", n, s))
		}
	}
	if len(parts) == 0 {
		parts = []string{"nothing to do in this part"}
	}
	fmt.Fprintf(b.out, "%s; %.2f s\n", strings.Join(parts, ", "), took.Seconds())
	return nil
}

// worst orders items: failures, then shares of low confidence, then the rest.
func worst(items []wardrobe.Item) []wardrobe.Item {
	rank := func(i wardrobe.Item) float64 {
		switch {
		case i.Status == wardrobe.Broken:
			return 200
		case i.Record != nil:
			return i.Record.Low()
		}
		return -1
	}
	list := slices.Clone(items)
	slices.SortStableFunc(list, func(a, b wardrobe.Item) int { return cmp.Compare(rank(b), rank(a)) })
	return list
}

// writeBatch prints the table, worst first, at most top rows of it (0: all), and
// below it what failed and what was noted.
func writeBatch(w io.Writer, o *wardrobe.Outcome, top int) {
	if len(o.Items) == 0 {
		return
	}
	colour := isTerminal(w)
	t := table.NewWriter()
	t.SetOutputMirror(w)
	t.SetStyle(table.StyleLight)
	t.Style().Format.Header = text.FormatDefault
	t.AppendHeader(table.Row{"garment", "", "vertices", "matched", "filled", "loose", "low confidence", "largest distance", "time"})
	list := worst(o.Items)
	rows := len(list)
	if top > 0 {
		rows = min(rows, top)
	}
	for _, i := range list[:rows] {
		row := table.Row{printable(i.Task.Name), i.Status.String()}
		if i.Status == wardrobe.Broken && colour {
			row[1] = text.FgRed.Sprint(row[1])
		}
		if i.Record != nil {
			if i.Record.Edited {
				row[1] = "edited by hand, kept"
			}
			s := &i.Record.Summary
			low := fmt.Sprintf("%d (%.1f%%)", s.LowConfidence, i.Record.Low())
			if colour && s.LowConfidence > 0 {
				low = text.FgYellow.Sprint(low)
			}
			row = append(row, s.Vertices, s.Matched, s.Filled, s.Loose, low, fmt.Sprintf("%.1f cm", 100*s.MaxDistance))
			if i.Status == wardrobe.Made {
				row = append(row, fmt.Sprintf("%.2f s", i.Record.Seconds))
			}
		}
		t.AppendRow(row)
	}
	var columns []table.ColumnConfig
	for n := 3; n <= 9; n++ {
		columns = append(columns, table.ColumnConfig{Number: n, Align: text.AlignRight})
	}
	t.SetColumnConfigs(columns)
	t.Render()
	if n := len(list) - rows; n > 0 {
		fmt.Fprintf(w, "and %d more (--top 0 shows all)\n", n)
	}
	for _, i := range list {
		switch i.Status {
		case wardrobe.Broken:
			fmt.Fprintf(w, "%s: %s\n", printable(i.Task.Name), printable(i.Err.Error()))
		case wardrobe.Made:
			for _, n := range i.Record.Notes() {
				fmt.Fprintf(w, "%s: %s\n", printable(i.Task.Name), printable(n))
			}
		}
	}
}

// writeBatchPasses prints what became of the edits of garments that were made, most
// edited first, at most top garments (0: all); those without any are counted, and those
// for which this was the first pass.
func writeBatchPasses(w io.Writer, o *wardrobe.Outcome, top int) {
	var list []toldPass
	first, plain := 0, 0
	for _, i := range o.Items {
		if i.Status != wardrobe.Made || i.Record.Pass == nil {
			continue
		}
		s := toldPass{}
		s.Summary, s.conflicts = i.Pass()
		s.listed = min(s.conflicts, pass.RecordedConflicts) // from now on: the garment is up to date
		s.Garment = i.Task.Name
		told := s.Edited+s.Undone+s.Locked+s.Lost()+len(s.Notes) > 0
		if told {
			list = append(list, s)
		}
		switch {
		case s.First: // told or not: all of them
			first++
		case !told:
			plain++
		}
	}
	slices.SortStableFunc(list, func(a, b toldPass) int {
		return cmp.Or(cmp.Compare(b.Conflict, a.Conflict), cmp.Compare(b.Edited, a.Edited))
	})
	if rest := len(list) - top; top > 0 && rest > 0 {
		list = list[:top]
		defer fmt.Fprintf(w, "and %d more with edits (--top 0 shows all)\n", rest)
	}
	if len(list) > 0 {
		writePasses(w, list)
	}
	if plain > 0 {
		fmt.Fprintf(w, "%d without edits by hand\n", plain)
	}
	if first > 0 {
		fmt.Fprintf(w, "%d for the first time: records are kept for the next pass\n", first)
	}
}

// batchBars draws one bar for the whole and one for each garment that runs, one
// below the other. The library draws single lines; where they stand is done here.
type batchBars struct {
	w     io.Writer
	width func() int

	mu      sync.Mutex
	all     *progressbar.ProgressBar
	current []*batchBar // in the order in which they began
	drawn   int         // lines on the terminal
	last    time.Time
	closed  bool
}

type batchBar struct {
	task *wardrobe.Task
	bar  *progressbar.ProgressBar
}

const (
	shownBars = 8 // garments that run beyond these are not shown
	drawEvery = 80 * time.Millisecond
)

func newBatchBars(w io.Writer, all int) *batchBars {
	s := &batchBars{w: w, width: func() int { return 80 }}
	if f, ok := w.(interface{ Fd() uintptr }); ok {
		s.width = func() int {
			if n, _, err := term.GetSize(int(f.Fd())); err == nil && n > 10 {
				return n
			}
			return 80
		}
	}
	s.all = newLineBar(all)
	s.all.Describe("garments")
	return s
}

// shareOf is how much of a transfer is done, 0 to 1, with a share of a stage.
func shareOf(stage transfer.Stage, share float64) float64 {
	for i, s := range stageShare {
		if s.stage == stage {
			end := 1.0
			if i+1 < len(stageShare) {
				end = stageShare[i+1].start
			}
			return s.start + share*(end-s.start)
		}
	}
	return 1
}

// newLineBar is a bar that is read by String.
func newLineBar(n int) *progressbar.ProgressBar {
	return progressbar.NewOptions(max(1, n), progressbar.OptionSetWriter(io.Discard), progressbar.OptionSetWidth(24),
		progressbar.OptionSetPredictTime(false), progressbar.OptionSetElapsedTime(false), progressbar.OptionShowCount())
}

// running moves a garment's bar.
func (s *batchBars) running(e wardrobe.Event) {
	s.mu.Lock()
	defer s.mu.Unlock()
	i := slices.IndexFunc(s.current, func(b *batchBar) bool { return b.task == e.Task })
	if i < 0 {
		i = len(s.current)
		s.current = append(s.current, &batchBar{e.Task, progressbar.NewOptions(1000, progressbar.OptionSetWriter(io.Discard),
			progressbar.OptionSetWidth(24), progressbar.OptionSetPredictTime(false), progressbar.OptionSetElapsedTime(false))})
	}
	bar := s.current[i].bar
	at, stage := 0.0, "reading"
	if e.Kind == wardrobe.Progress {
		at, stage = shareOf(e.Stage, e.Share), string(e.Stage)
	}
	bar.Describe(printable(e.Task.Name) + ": " + stage)
	_ = bar.Set(min(999, int(1000*at))) // a bar at its end is no longer drawn
	s.draw(false)
}

// ended takes a garment's bar away.
func (s *batchBars) ended(u wardrobe.Update) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.current = slices.DeleteFunc(s.current, func(b *batchBar) bool { return b.task == u.Task })
	_ = s.all.Set(u.Finished)
	s.draw(false)
}

// lines of the bars, the whole first.
func (s *batchBars) lines() []string {
	list := []string{s.all.String()}
	for _, b := range s.current[:min(len(s.current), shownBars)] {
		list = append(list, b.bar.String())
	}
	if n := len(s.current) - shownBars; n > 0 {
		list = append(list, fmt.Sprintf("and %d more", n))
	}
	width := s.width() - 1
	for i, l := range list {
		list[i] = text.Trim(strings.TrimSpace(strings.NewReplacer("\r", "", "\n", "").Replace(l)), width)
	}
	return list
}

// draw is called with the lock held.
func (s *batchBars) draw(now bool) {
	if s.closed || !now && time.Since(s.last) < drawEvery {
		return
	}
	s.last = time.Now()
	var b strings.Builder
	s.erase(&b)
	list := s.lines()
	for _, l := range list {
		b.WriteString(l + "\n")
	}
	s.drawn = len(list)
	_, _ = io.WriteString(s.w, b.String())
}

// erase goes back to the first line and clears from there to the screen's end.
// Source of the sequences: ECMA-48 (1991), 8.3.23 CPL and 8.3.39 ED.
func (s *batchBars) erase(b *strings.Builder) {
	if s.drawn > 0 {
		fmt.Fprintf(b, "\x1b[%dF\x1b[0J", s.drawn)
		s.drawn = 0
	}
}

// close takes the bars off the terminal.
func (s *batchBars) close() {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.closed {
		return
	}
	s.closed = true
	var b strings.Builder
	s.erase(&b)
	_, _ = io.WriteString(s.w, b.String())
}
