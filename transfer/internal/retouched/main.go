// Command retouched measures the operations of package retouch against known truth,
// and the transfer from a body to other bodies, and keeps the tables in BENCHMARKS.md.
package main

import (
	"context"
	"flag"
	"fmt"
	"os"
	"os/signal"
	"strings"

	"github.com/selvage/selvage/transfer/internal/tables"
)

func main() {
	out := flag.String("out", "BENCHMARKS.md", "the `FILE` that holds the tables")
	hands := flag.String("hands", "testdata/node/node_modules/@webxr-input-profiles/assets/dist/profiles/generic-hand", "the `FOLDER` of the two rigged hands (make node)")
	flag.Parse()
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt)
	err := run(ctx, *out, *hands)
	stop()
	if err != nil {
		fmt.Fprintln(os.Stderr, "retouched:", err)
		os.Exit(1)
	}
}

func run(ctx context.Context, file, hands string) error {
	var text strings.Builder
	for _, t := range []struct {
		title   string
		measure func(context.Context) ([]figures, error)
	}{
		{"Mirror", func(ctx context.Context) ([]figures, error) { return mirrors(ctx, hands) }},
		{"Fill", fills},
		{"Even", evens},
		{"`selvage transfer` from the mate's body to other bodies", bodies},
	} {
		list, err := t.measure(ctx)
		if err != nil {
			return fmt.Errorf("%s: %w", t.title, err)
		}
		fmt.Fprintf(&text, "\n%s:\n\n| case | vertices | L1 mean | 99%% | largest | posed, 99%%, cm |\n|---|--:|--:|--:|--:|--:|\n", t.title)
		for _, f := range list {
			fmt.Fprintf(&text, "| %s | %d | %.2g | %.2g | %.2g | %s |\n", f.name, f.vertices, f.mean, f.percent, f.largest, f.centimetres())
		}
	}
	fmt.Print(text.String())
	return tables.Keep(file, "retouched", text.String())
}
