// Command selvage carries the skin weights of a body over to the garments that
// it wears.
package main

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"os/signal"
	"path"
	"strings"
	"syscall"
	"unicode"

	"github.com/selvage/selvage/transfer"
	"github.com/spf13/cobra"
)

// Exit statuses, as the help text states them.
const (
	exitDone   = 0 // done
	exitFailed = 1 // failed, nothing written
	exitUsage  = 2 // wrong usage
	exitStrict = 3 // done, but worse than the limits that --strict sets
)

// usageError marks an error of how the command was called.
type usageError struct{ error }

// strictError says that the work is done and written, but over a limit.
type strictError struct{ error }

func main() {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	defer stop()
	os.Exit(run(ctx, os.Args[1:]))
}

// run executes the command line and returns the exit status.
func run(ctx context.Context, args []string) int {
	root := newRoot()
	root.SetArgs(args)
	err := root.ExecuteContext(ctx)
	if err == nil {
		return exitDone
	}
	var strict strictError
	if errors.As(err, &strict) {
		fmt.Fprintln(root.ErrOrStderr(), "selvage:", printable(err.Error()))
		return exitStrict
	}
	if errors.Is(err, context.Canceled) {
		fmt.Fprintln(root.ErrOrStderr(), "selvage: interrupted; nothing was written")
		return exitFailed
	}
	// Errors name files that others made: control characters stay out of the
	// terminal.
	fmt.Fprintln(root.ErrOrStderr(), "selvage:", printable(err.Error()))
	var usage usageError
	if errors.As(err, &usage) || strings.HasPrefix(err.Error(), "unknown command") {
		return exitUsage
	}
	return exitFailed
}

// newRoot builds the command tree anew, so that no state is shared.
func newRoot() *cobra.Command {
	root := &cobra.Command{
		Use:   "selvage",
		Short: "Carry the skin weights of a body over to its garments",
		Long: `Selvage gives garments the skin weights of the body that wears them, and says
which vertices not to trust and why. Files are glTF 2.0 (.glb, .gltf).

Exit status: 0 done; 1 failed, nothing written; 2 wrong usage; 3 done, but worse
than the limits that --strict sets.`,
		SilenceErrors: true,
		SilenceUsage:  true,
		Args: func(_ *cobra.Command, args []string) error {
			if len(args) > 0 {
				return usageError{fmt.Errorf("unknown command %q; see selvage --help", args[0])}
			}
			return nil
		},
		RunE: func(cmd *cobra.Command, _ []string) error { return cmd.Help() },
	}
	root.SetFlagErrorFunc(func(_ *cobra.Command, err error) error { return usageError{err} })
	root.AddCommand(newTransfer(), newBatch(), newMerge(), newDiff(), newCheck(), newFill(), newMirror(), newEven(), newSmooth(), newTidy(), newReport(), newInspect(), newServe(), newWork(), newJobs(), newJob(), newHealth(), newDemo(), newVersion())
	return root
}

// exactArgs is cobra.ExactArgs with the usage exit status.
func exactArgs(n int, what string) cobra.PositionalArgs {
	return func(cmd *cobra.Command, args []string) error {
		if len(args) != n {
			return usageError{fmt.Errorf("%s takes %s; see %s --help", cmd.Name(), what, cmd.CommandPath())}
		}
		return nil
	}
}

// checkGlobs returns a usage error for the first malformed pattern of a flag.
func checkGlobs(flag string, globs []string) error {
	for _, g := range globs {
		if _, err := path.Match(g, ""); err != nil {
			return usageError{fmt.Errorf("--%s: malformed pattern %q", flag, g)}
		}
	}
	return nil
}

// wrongOption makes a usage error of one about an option.
func wrongOption(err error) error {
	var wrong *transfer.OptionError
	if errors.As(err, &wrong) {
		return usageError{err}
	}
	return err
}

// printable replaces what a terminal would act upon by the Unicode replacement
// character: control characters, line ends included (a name must not forge a
// line of its own), and the marks that turn the direction of writing.
func printable(s string) string {
	return strings.Map(func(r rune) rune {
		if unicode.IsControl(r) || unicode.Is(unicode.Bidi_Control, r) {
			return '\uFFFD'
		}
		return r
	}, s)
}

// writeJSON writes v as indented JSON. The encoder escapes control characters up
// to 0x1F; the others, which JSON allows as they are, are escaped here.
func writeJSON(w io.Writer, v any) error {
	var b bytes.Buffer
	e := json.NewEncoder(&b)
	e.SetIndent("", "  ")
	if err := e.Encode(v); err != nil {
		return err
	}
	var out strings.Builder
	for _, r := range b.String() {
		if r != '\n' && (unicode.IsControl(r) || unicode.Is(unicode.Bidi_Control, r)) {
			fmt.Fprintf(&out, "\\u%04x", r)
		} else {
			out.WriteRune(r)
		}
	}
	_, err := io.WriteString(w, out.String())
	return err
}
