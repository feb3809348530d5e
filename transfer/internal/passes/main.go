// Command passes runs the demo crew's wardrobe through five passes of the body
// with an artist's edits in it, and keeps the table in BENCHMARKS.md.
package main

import (
	"context"
	"flag"
	"fmt"
	"os"
	"os/signal"
	"strings"

	"github.com/selvage/selvage/transfer/crew"
	"github.com/selvage/selvage/transfer/internal/tables"
)

func main() {
	out := flag.String("out", "BENCHMARKS.md", "the `FILE` that holds the table")
	seed := flag.Uint64("seed", 1, "`SEED` of the edits; any but 1 leaves the file alone")
	flag.Parse()
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt)
	err := run(ctx, *out, *seed)
	stop()
	if err != nil {
		fmt.Fprintln(os.Stderr, "passes:", err)
		os.Exit(1)
	}
}

func run(ctx context.Context, file string, seed uint64) error {
	var text strings.Builder
	for _, name := range crew.Names() {
		b := crew.NewBody(name)
		total, locks := make([]figures, len(bodyPasses)), make([]lockFigures, len(bodyPasses))
		for _, g := range b.Wardrobe() {
			list, err := simulate(ctx, seed, b, g)
			if err != nil {
				return fmt.Errorf("%s, %s: %w", name, g.Name, err)
			}
			for k := range list {
				total[k].add(list[k])
			}
			held, err := simulateLocks(ctx, seed, b, g)
			if err != nil {
				return fmt.Errorf("%s, %s: locks: %w", name, g.Name, err)
			}
			for k := range held {
				locks[k].add(held[k])
			}
			fmt.Fprintf(os.Stderr, "%s, %s: done\n", name, g.Name)
		}
		table(&text, name, total)
		lockTable(&text, name, locks)
	}
	fmt.Print(text.String())
	if seed != 1 {
		return nil
	}
	return tables.Keep(file, "passes", text.String())
}

// table writes the figures of one body's wardrobe.
func table(w *strings.Builder, name string, list []figures) {
	fmt.Fprintf(w, "\n%s:\n\n| pass | edited | moved, mean L1 | kept | carried | agreed | in conflict | conflicts wrong | lost | unedited rows touched | L1 error: written | artist's rows frozen | transfer alone |\n", name)
	w.WriteString("|--:|--:|--:|--:|--:|--:|--:|--:|--:|--:|--:|--:|--:|\n")
	for k, f := range list {
		n := max(1, float64(f.Edited))
		fmt.Fprintf(w, "| %d | %d | %.4f | %d | %d | %d | %d | %d | %d | %d | %.4f | %.4f | %.4f |\n",
			k+1, f.Edited, f.Moved/n, f.Kept, f.Carried, f.Agreed, f.Conflict, f.WrongConflict, f.Lost, f.Strange, f.Written/n, f.Frozen/n, f.Alone/n)
	}
}
