package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"runtime/debug"
	"strconv"
	"strings"
	"time"

	"github.com/selvage/selvage/client/wardrobe"
	"github.com/spf13/cobra"
	"github.com/spf13/pflag"
)

// batchPlace is a place other than this machine where a wardrobe can be computed.
type batchPlace interface {
	// flags adds the place's own flags.
	flags(f *pflag.FlagSet)
	// open returns the executor that the flags ask for, nil where they ask for none,
	// and what ends it.
	open(ctx context.Context) (wardrobe.Executor, func(), error)
}

// batchPlaces are all of them; the first that the flags ask for computes.
func batchPlaces() []batchPlace {
	return []batchPlace{&batchFarm{}}
}

// batchRun is one call of the command.
type batchRun struct {
	manifest       string
	runner         wardrobe.Runner
	local          wardrobe.Local
	places         []batchPlace
	options        wardrobe.PlanOptions
	strict, asJSON bool
	quiet          bool
	maxLow         float64
	top            int

	out, log io.Writer
}

func newBatch() *cobra.Command {
	b := &batchRun{places: batchPlaces()}
	var keepGoing, watch, printSchema bool
	var folder, shard, memory string
	cmd := &cobra.Command{
		Use:   "batch MANIFEST",
		Short: "Give a whole wardrobe its weights, and again only what has changed",
		Long: `Batch reads a YAML manifest of bodies, garments, layers, options and outputs, and
makes every garment that is not up to date, with the same bytes as selvage transfer.
One garment's failure does not stop the others.

What was made is recorded beside the outputs (.selvage-MANIFEST.json): a garment is
up to date while body, garment, options and program are the same and its output is
as it was written. Ctrl-C (or SIGTERM) begins nothing new and finishes the garments
that are being made here, a second one stops at once; an interrupted run goes on where
it stopped.

With "passes" in the manifest, what artists change in the outputs is carried over: an
output that was changed by hand is kept as it is, and its edits are merged into what
a change of body, garment or options brings.

--watch goes on after the first run: whatever a saved file touches is made anew.
Ctrl-C ends it.

--json prints one JSON object a line, with the key "event": plan (tasks, bodies),
started, progress (stage, share), upToDate and made (output, sha256, seconds,
summary; with passes also pass, and edited where the output was changed by hand;
conflictsLeftOut where pass lists the 1000 worst of them alone, as it does for what
is up to date or came from a farm),
failed (error), report (file), end (counts, seconds, notes on the whole), after an
interrupt finishing (garments); on a farm also job (job, tasks), and held (job, tasks,
why) where garments wait for a worker; with --watch also
changed (files), fault (error) and waiting.

Exit status: 0 done; 1 something failed, or the run was interrupted; 2 wrong usage,
faults of the manifest included; 3 done, but worse than the limits that --strict sets.`,
		Example: `  selvage batch --init crew/                    # writes crew/wardrobe.yaml
  selvage batch crew/wardrobe.yaml
  selvage batch crew/wardrobe.yaml --watch
  selvage batch crew/wardrobe.yaml --shard 2/3 --json
  selvage batch crew/wardrobe.yaml --report crew.html --strict --max-low 10`,
		Args: func(cmd *cobra.Command, args []string) error {
			want := 1
			if printSchema || cmd.Flags().Changed("init") {
				want = 0
			}
			if len(args) != want {
				return usageError{errors.New("batch takes one manifest, or --init DIR, or --schema; see selvage batch --help")}
			}
			return nil
		},
		RunE: func(cmd *cobra.Command, args []string) error {
			b.out, b.log = cmd.OutOrStdout(), cmd.ErrOrStderr()
			switch {
			case printSchema:
				_, err := b.out.Write(wardrobe.Schema)
				return err
			case cmd.Flags().Changed("init"):
				file, err := wardrobe.Init(cmd.Context(), folder)
				if err == nil && !b.quiet {
					fmt.Fprintln(b.out, "wrote", printable(file))
				}
				return err
			}
			b.manifest = args[0]
			b.runner.Stop = !keepGoing
			if err := b.checkFlags(cmd, shard, memory); err != nil {
				return err
			}
			return b.run(cmd.Context(), watch)
		},
	}
	f := cmd.Flags()
	f.StringVar(&folder, "init", "", "folder to write a commented manifest for: its skinned bodies, its garments")
	f.BoolVar(&printSchema, "schema", false, "print the manifest's JSON Schema")
	f.BoolVar(&watch, "watch", false, "go on: make anew what a saved file touches, until Ctrl-C")
	f.BoolVar(&b.runner.Force, "force", false, "make again what is up to date")
	f.BoolVar(&b.runner.Verify, "verify", false, "read the outputs' bytes, where size and time would do, to see whether they are as they were written")
	f.BoolVar(&keepGoing, "keep-going", true, "go on with the other garments after a failure")
	f.StringVar(&shard, "shard", "", "I/N: do part I of N alone, chosen by content; the parts are disjoint and complete, and none writes a report")
	f.IntVar(&b.local.Jobs, "jobs", 0, "garments computed at the same time here (0: as many as there are processors)")
	f.StringVar(&memory, "memory", "", "memory to compute in here, by estimate: bytes, or with K, M, G for 1024, its square, its cube (default: 70% of what is free)")
	f.StringVar(&b.options.Report, "report", "", "HTML file to write as well, over the manifest's; {body} stands for the body's name")
	f.IntVar(&b.top, "top", 40, "rows of the table (0: all)")
	f.BoolVar(&b.asJSON, "json", false, "print events as JSON, one a line, on standard output")
	f.BoolVarP(&b.quiet, "quiet", "q", false, "print errors alone")
	f.BoolVar(&b.strict, "strict", false, "exit with status 3 when a garment's share of low confidence is over --max-low")
	f.Float64Var(&b.maxLow, "max-low", 5, "with --strict: largest share of low-confidence vertices, percent")
	for _, p := range b.places {
		p.flags(f)
	}
	return cmd
}

// checkFlags reads those flags that need it.
func (b *batchRun) checkFlags(cmd *cobra.Command, shard, memory string) (err error) {
	if shard != "" {
		if b.runner.Shard, err = wardrobe.ParseShard(shard); err != nil {
			return usageError{fmt.Errorf("--shard: %w", err)}
		}
	}
	if memory != "" {
		if b.local.Memory, err = parseBytes(memory); err != nil {
			return usageError{fmt.Errorf("--memory: %w", err)}
		}
	}
	if b.local.Jobs < 0 {
		return usageError{fmt.Errorf("--jobs: %d is negative", b.local.Jobs)}
	}
	if b.top < 0 {
		return usageError{fmt.Errorf("--top: %d is negative", b.top)}
	}
	if err := b.checkPlace(cmd.Flags()); err != nil {
		return err
	}
	if err := checkReportFile(cmd, b.options.Report); err != nil {
		return err
	}
	return checkPageFiles(b.options.Report, "")
}

// checkPlace refuses flags that the place or the manifest have no use for.
func (b *batchRun) checkPlace(f *pflag.FlagSet) error {
	for _, name := range []string{"nats-creds", "nats-ca", "nats-cert", "nats-key", "replicas"} {
		if f.Changed(name) && !f.Changed("nats") {
			return usageError{fmt.Errorf("--%s is for a farm on --nats: give that too", name)}
		}
	}
	if leave, err := f.GetBool("leave"); err != nil || !leave {
		return err
	}
	m, err := wardrobe.ReadFile(b.manifest)
	if err != nil {
		return manifestError(err)
	}
	if m.LayerMode == wardrobe.LayersFound || len(m.Layers) > 1 {
		return usageError{errors.New("--leave cannot do layers: an outer garment takes rows from the results of inner ones, which have to be fetched; run without --leave, or with layers: off")}
	}
	return nil
}

// parseBytes reads a number of bytes, with K, M or G for powers of 1024.
func parseBytes(s string) (int64, error) {
	digits, shift := s, 0
	if n := len(s); n > 0 {
		if k := strings.IndexByte("KMG", s[n-1]); k >= 0 {
			digits, shift = s[:n-1], 10*(k+1)
		}
	}
	n, err := strconv.ParseInt(digits, 10, 64)
	if err != nil || n <= 0 || n > 1<<(62-shift) {
		return 0, fmt.Errorf("%q is not a positive number of bytes, like 800M or 6G", s)
	}
	return n << shift, nil
}

// run does the work once, or watches.
func (b *batchRun) run(ctx context.Context, watch bool) (err error) {
	if b.options.Version, err = wardrobe.ProgramVersion(version()); err != nil {
		return err
	}
	b.options.Program = version()
	if b.local.Memory == 0 {
		b.local.Memory = wardrobe.DefaultMemory()
	}
	b.runner.Executor = &b.local
	work := ctx // ends when everything is to end; ctx ends before
	for _, p := range b.places {
		executor, end, err := p.open(ctx)
		if err != nil {
			return err
		}
		if executor != nil {
			defer end()
			b.runner.Executor = executor
			break
		}
	}
	if b.runner.Executor == wardrobe.Executor(&b.local) {
		// Memory that is free but not returned counts too: the collector works harder
		// before the bound is passed.
		defer debug.SetMemoryLimit(debug.SetMemoryLimit(b.local.Memory))
		var end func()
		work, end = untilSecond(ctx)
		defer end()
		b.runner.Finish = ctx.Done()
	}
	if watch {
		return b.watch(ctx, work)
	}
	m, err := wardrobe.ReadFile(b.manifest)
	if err != nil {
		return manifestError(err)
	}
	p, err := m.Plan(ctx, b.options)
	if err != nil {
		return b.interrupted(ctx, nil, manifestError(err))
	}
	o, err := b.once(ctx, work, p)
	if err != nil {
		return b.interrupted(ctx, o, err)
	}
	return b.verdict(o)
}

// manifestError makes wrong usage of a manifest's fault.
func manifestError(err error) error {
	var fault *wardrobe.Fault
	if errors.As(err, &fault) {
		return usageError{err}
	}
	return err
}

// interrupted says of a run that was ended from outside how far it came.
func (b *batchRun) interrupted(ctx context.Context, o *wardrobe.Outcome, err error) error {
	if ctx.Err() == nil || !errors.Is(err, ctx.Err()) {
		return err
	}
	if o == nil {
		return errors.New("interrupted; nothing was written")
	}
	return fmt.Errorf("interrupted: %d of %d garments are done; run it again to go on", o.Count(wardrobe.Made)+o.Count(wardrobe.UpToDate), len(o.Items))
}

// once runs a plan and shows how it goes and what came out.
func (b *batchRun) once(ctx, work context.Context, p *wardrobe.Plan) (*wardrobe.Outcome, error) {
	began := time.Now()
	view := b.newView(p)
	r := b.runner
	r.Tell, r.Finishing = view.tell, view.finishing
	o, err := r.Run(work, p)
	view.close()
	if err == nil {
		err = b.reports(ctx, p, o)
	}
	if b.runner.Shard.N > 1 && len(p.Reports) > 0 {
		o.Notes = append(o.Notes, "no report is written for a part: the same call without --shard writes it when all parts are done")
	}
	return o, errors.Join(err, b.show(o, err, time.Since(began)))
}

// reports writes the pages.
func (b *batchRun) reports(ctx context.Context, p *wardrobe.Plan, o *wardrobe.Outcome) error {
	written, err := b.runner.WriteReports(ctx, p, o, 0)
	for _, file := range written {
		switch {
		case b.asJSON:
			err = errors.Join(err, b.event(map[string]any{"event": "report", "file": file}))
		case !b.quiet:
			fmt.Fprintln(b.out, "open", printable(file))
		}
	}
	return err
}

// verdict is the error that the exit status of a finished run is made of.
func (b *batchRun) verdict(o *wardrobe.Outcome) error {
	var first error
	failed := 0
	for _, i := range o.Items {
		if i.Status == wardrobe.Broken {
			failed++
			if first == nil {
				first = fmt.Errorf("%s: %w", i.Task.Name, i.Err)
			}
		}
	}
	switch {
	case failed == 1:
		return first
	case failed > 1:
		return fmt.Errorf("%d of %d garments failed; the first: %w", failed, len(o.Items), first)
	case !b.strict:
		return nil
	}
	for _, i := range o.Items {
		if i.Record != nil && i.Record.Low() > b.maxLow {
			return strictError{fmt.Errorf("%s: %.1f%% of the vertices have low confidence, more than %g%%", i.Task.Name, i.Record.Low(), b.maxLow)}
		}
	}
	return nil
}

// watch runs until ctx is done, and ends what runs at the latest with work.
func (b *batchRun) watch(ctx, work context.Context) error {
	w := wardrobe.Watch{Manifest: b.manifest, Options: b.options, Runner: b.runner}
	if _, err := os.Stat(b.manifest); err != nil {
		return err
	}
	var view *batchView
	var began time.Time
	end := func() {
		if view != nil {
			view.close()
			view = nil
		}
	}
	w.Begins = func(p *wardrobe.Plan) {
		end() // of a run that was cut short
		began = time.Now()
		view = b.newView(p)
	}
	w.Runner.Tell = func(u wardrobe.Update) { view.tell(u) }
	w.Runner.Finishing = func(garments int) { view.finishing(garments) }
	w.Changed = func(files []string) {
		end()
		if b.asJSON {
			_ = b.event(map[string]any{"event": "changed", "files": files})
			return
		}
		var names []string
		for _, f := range files {
			names = append(names, printable(filepath.Base(f)))
		}
		b.line("changed: %s", strings.Join(names, ", "))
	}
	w.Ended = func(p *wardrobe.Plan, o *wardrobe.Outcome, err error) {
		end()
		if o != nil {
			if err == nil {
				err = b.reports(ctx, p, o)
			}
			if o.Count(wardrobe.Made)+o.Count(wardrobe.Broken) > 0 || b.asJSON {
				err = errors.Join(err, b.show(o, err, time.Since(began)))
			}
			if err == nil {
				err = b.verdict(o)
			}
		}
		if err != nil && ctx.Err() == nil {
			if b.asJSON {
				_ = b.event(map[string]any{"event": "fault", "error": err.Error()})
			} else {
				fmt.Fprintln(b.log, "selvage:", printable(err.Error()))
			}
		}
		if ctx.Err() != nil {
			return
		}
		if b.asJSON {
			_ = b.event(map[string]any{"event": "waiting"})
		} else {
			b.line("waiting for changes; Ctrl-C ends")
		}
	}
	defer func() { end() }()
	return w.Run(work)
}

// line prints a line of the log.
func (b *batchRun) line(format string, args ...any) {
	if !b.quiet && !b.asJSON {
		fmt.Fprintf(b.log, format+"\n", args...)
	}
}
