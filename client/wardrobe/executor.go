package wardrobe

import (
	"context"
	"time"

	"github.com/selvage/selvage/transfer"
	"github.com/selvage/selvage/transfer/gltfio"
	"github.com/selvage/selvage/transfer/pass"
)

// Executor computes tasks. The same task has the same result in every executor.
type Executor interface {
	// Run computes the tasks, in any order and as many at once as it likes, and
	// tells emit what happens. Every task ends with one event, Done, Failed or Left,
	// unless Run returns an error or ctx is done; what runs then ends without one.
	//
	// emit may be called from several goroutines at once. On Done it returns when
	// the result is saved: what the result holds in memory stays counted until
	// then. Errors of single tasks go to emit; Run's own error is one that no task
	// is to blame for (no connection, ctx's).
	Run(ctx context.Context, tasks []*Task, emit func(Event)) error
}

// EventKind says what an Event is about.
type EventKind int

const (
	// Started: the task begins to compute.
	Started EventKind = iota
	// Progress: Stage and Share are set.
	Progress
	// Done: Result is set.
	Done
	// Failed: Err is set.
	Failed
	// Left: the result is finished and stays where it is, as the executor was asked
	// to: nothing is saved or recorded.
	Left
)

// Event is what an executor tells about a task.
type Event struct {
	Task *Task
	Kind EventKind
	// Stage that runs and the share of it that is done, 0 to 1, with Progress.
	Stage transfer.Stage
	Share float64
	// Result of a Done task.
	Result *Result
	// Err of a Failed task.
	Err error
	// Where names the machine that computes; empty: this one.
	Where string
}

// Result of a task.
type Result struct {
	// Output saves the garment; *gltfio.Asset and *client.Result do.
	Output Output
	// Summary of the transfer.
	Summary transfer.Summary
	// Elapsed is how long computing took, without waiting.
	Elapsed time.Duration

	// Of a task with a Pass: the new pass record's file, what became of the edits, how
	// many conflicts there were where Pass lists the worst of them alone (else 0), and
	// what the pass started from.
	Record    []byte
	Pass      *pass.Summary
	Conflicts int
	From      *PassFiles
}

// Output is a finished garment.
type Output interface {
	// Save writes the garment whole or not at all, and returns the images that it
	// could not find.
	Save(file string) (missing []string, err error)
}

var _ Output = (*gltfio.Asset)(nil)
