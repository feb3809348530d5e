// Command layers dresses the demo crew with and without layers, poses what is worn
// over other clothes over the whole sweep, and keeps the table in BENCHMARKS.md.
package main

import (
	"context"
	"flag"
	"fmt"
	"os"
	"os/signal"
	"slices"
	"strings"

	"github.com/selvage/selvage/transfer/crew"
	"github.com/selvage/selvage/transfer/internal/tables"
)

func main() {
	out := flag.String("out", "BENCHMARKS.md", "the `FILE` that holds the table; runs with -body or -garment leave it alone")
	body := flag.String("body", "", "only the body called `NAME`")
	garment := flag.String("garment", "", "measure only the garment called `NAME`")
	flag.Parse()
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt)
	err := run(ctx, *out, *body, *garment)
	stop()
	if err != nil {
		fmt.Fprintln(os.Stderr, "layers:", err)
		os.Exit(1)
	}
}

func run(ctx context.Context, file, body, garment string) error {
	if body != "" && !slices.Contains(crew.Names(), body) {
		return fmt.Errorf("body %q: want one of %s", body, strings.Join(crew.Names(), ", "))
	}
	var text strings.Builder
	for _, name := range crew.Names() {
		if body != "" && name != body {
			continue
		}
		list, err := measure(ctx, crew.NewBody(name), garment)
		if err != nil {
			return fmt.Errorf("%s: %w", name, err)
		}
		table(&text, name, list)
	}
	fmt.Print(text.String())
	if body != "" || garment != "" {
		return nil
	}
	return tables.Keep(file, "layers", text.String())
}

// heldOut is the body that nothing is tuned on.
const heldOut = "pilot"

// table writes the figures of one body's wardrobe.
func table(w *strings.Builder, name string, list []figures) {
	if name == heldOut {
		name += " (held out)"
	}
	fmt.Fprintf(w, "\n%s:\n\n| garment | over | layers | rows from | vertices over it | dive | cases | avoidable | deepest, mm | other faults | fitted: mean L1 | p99 cm | loose: mean L1 | p99 cm | stretch, p99 | longest |\n|---|---|---|---|--:|--:|--:|--:|--:|--:|--:|--:|--:|--:|--:|--:|\n", name)
	for _, f := range list {
		l := &f.under
		fmt.Fprintf(w, "| %s | %s | %s | %s | %d | %d | %d | %d | %.1f | %d | %v | %v | %v |\n",
			f.garment, l.Layer, f.layers, f.from, l.Over, l.Dived, l.Cases, l.Avoidable, 1000*l.Depth, f.faults, f.fitted, f.loose, f.stretch)
	}
}
