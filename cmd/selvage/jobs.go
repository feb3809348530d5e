package main

import (
	"context"
	"fmt"
	"io"
	"slices"
	"strings"

	"github.com/jedib0t/go-pretty/v6/table"
	"github.com/jedib0t/go-pretty/v6/text"
	pb "github.com/selvage/selvage/api/selvage/v1"
	"github.com/selvage/selvage/server/farm"
	"github.com/spf13/cobra"
)

// jobView is a job as --json prints it.
type jobView struct {
	ID        string     `json:"id"`
	Name      string     `json:"name"`
	State     string     `json:"state"`
	Tasks     int32      `json:"tasks"`
	Queued    int32      `json:"queued"`
	Running   int32      `json:"running"`
	Done      int32      `json:"done"`
	Failed    int32      `json:"failed"`
	Cancelled int32      `json:"cancelled"`
	Created   string     `json:"created,omitempty"`
	List      []taskView `json:"list,omitempty"`
}

// taskView is a task as --json prints it.
type taskView struct {
	Name    string `json:"name"`
	Key     string `json:"key"`
	State   string `json:"state"`
	Tries   int32  `json:"tries"`
	Worker  string `json:"worker,omitempty"`
	Error   string `json:"error,omitempty"`
	Refusal string `json:"refusal,omitempty"`
}

func viewOf(j *pb.Job) jobView {
	v := jobView{
		ID: strings.TrimPrefix(j.GetName(), "jobs/"), Name: j.GetDisplayName(), State: word(j.GetState().String()), Tasks: j.GetTaskCount(),
		Queued: j.GetQueuedCount(), Running: j.GetRunningCount(), Done: j.GetDoneCount(), Failed: j.GetFailedCount(), Cancelled: j.GetCancelledCount(),
	}
	if j.GetCreateTime() != nil {
		v.Created = j.GetCreateTime().AsTime().Format("2006-01-02T15:04:05Z")
	}
	return v
}

// word is a state's own word: JOB_STATE_DONE is done.
func word(state string) string { return strings.ToLower(state[strings.LastIndexByte(state, '_')+1:]) }

// withFarm calls do with the farm that the flags mean, which must be there.
func withFarm(cmd *cobra.Command, place *farmPlace, do func(ctx context.Context, f *farm.Farm) error) error {
	f, end, err := place.existing(cmd.Context())
	if err != nil {
		return farmUsage(err)
	}
	defer end()
	return do(cmd.Context(), f)
}

func newJobs() *cobra.Command {
	var place farmPlace
	var asJSON, sweep bool
	cmd := &cobra.Command{
		Use:   "jobs",
		Short: "List the jobs of a farm",
		Long: `Jobs lists the jobs of a farm, and says how far its workers are behind: tasks that
wait for a worker are the number to scale workers by.

--sweep removes what broken-off uploads have left in the farm's stores, as long as it
is an hour old and belongs to nothing.`,
		Example: `  selvage jobs
  selvage jobs --nats nats://farm1:4222 --json | jq .lag.waiting`,
		Args: exactArgs(0, "no arguments"),
		RunE: func(cmd *cobra.Command, _ []string) error {
			return withFarm(cmd, &place, func(ctx context.Context, f *farm.Farm) error {
				if sweep {
					n, err := f.Sweep(ctx)
					if err != nil {
						return err
					}
					if asJSON {
						return writeJSON(cmd.OutOrStdout(), map[string]uint64{"swept": n})
					}
					_, err = fmt.Fprintf(cmd.OutOrStdout(), "%d pieces were swept\n", n)
					return err
				}
				lag, err := f.Lag(ctx)
				if err != nil {
					return err
				}
				list := []jobView{}
				for after, more := "", true; more; {
					var page []*pb.Job
					if page, more, err = f.Jobs(ctx, after, 1000); err != nil {
						return err
					}
					for _, j := range page {
						list = append(list, viewOf(j))
						after = list[len(list)-1].ID
					}
				}
				slices.SortStableFunc(list, func(a, b jobView) int { return strings.Compare(a.Created, b.Created) })
				if asJSON {
					return writeJSON(cmd.OutOrStdout(), map[string]any{"lag": lag, "jobs": list})
				}
				writeJobs(cmd.OutOrStdout(), list)
				_, err = fmt.Fprintf(cmd.OutOrStdout(), "%d tasks wait, workers have %d, %d dead letters\n", lag.Waiting, lag.Held, lag.Dead)
				return err
			})
		},
	}
	place.flags(cmd.Flags())
	cmd.Flags().BoolVar(&asJSON, "json", false, "print as JSON")
	cmd.Flags().BoolVar(&sweep, "sweep", false, "remove what broken-off uploads have left, and list nothing")
	return cmd
}

func writeJobs(w io.Writer, list []jobView) {
	t := plainTable(w, table.Row{"job", "name", "state", "tasks", "queued", "running", "done", "failed", "cancelled", "created"})
	for _, j := range list {
		t.AppendRow(table.Row{j.ID, printable(j.Name), j.State, j.Tasks, j.Queued, j.Running, j.Done, j.Failed, j.Cancelled, j.Created})
	}
	t.Render()
}

func plainTable(w io.Writer, head table.Row) table.Writer {
	t := table.NewWriter()
	t.SetOutputMirror(w)
	t.SetStyle(table.StyleLight)
	t.Style().Format.Header = text.FormatDefault
	t.AppendHeader(head)
	return t
}

func newJob() *cobra.Command {
	cmd := &cobra.Command{
		Use:   "job",
		Short: "Show, retry or cancel a job of a farm",
		Example: `  selvage job show 1f3a5c7e9b2d4f60718293a4b5c6d7e8
  selvage job retry 1f3a5c7e9b2d4f60718293a4b5c6d7e8
  selvage job cancel 1f3a5c7e9b2d4f60718293a4b5c6d7e8 --nats nats://farm1:4222`,
		Args: exactArgs(0, "show, retry or cancel, and a job"),
		RunE: func(cmd *cobra.Command, _ []string) error { return cmd.Help() },
	}
	one := func(use, short, example string, do func(ctx context.Context, f *farm.Farm, id string) (*pb.Job, error)) *cobra.Command {
		var place farmPlace
		var asJSON bool
		c := &cobra.Command{
			Use: use + " JOB", Short: short, Example: example,
			Args: exactArgs(1, "one job"),
			RunE: func(cmd *cobra.Command, args []string) error {
				id := strings.TrimPrefix(args[0], "jobs/")
				return withFarm(cmd, &place, func(ctx context.Context, f *farm.Farm) error {
					j, err := do(ctx, f, id)
					if err != nil {
						return err
					}
					v := viewOf(j)
					if use == "show" {
						if v.List, err = tasksOf(ctx, f, id); err != nil {
							return err
						}
					}
					if asJSON {
						return writeJSON(cmd.OutOrStdout(), v)
					}
					writeJobs(cmd.OutOrStdout(), []jobView{v})
					if use == "show" {
						writeTasks(cmd.OutOrStdout(), v.List)
					}
					return nil
				})
			},
		}
		place.flags(c.Flags())
		c.Flags().BoolVar(&asJSON, "json", false, "print as JSON")
		return c
	}
	cmd.AddCommand(
		one("show", "Show a job and its tasks", "  selvage job show 1f3a5c7e9b2d4f60718293a4b5c6d7e8", func(ctx context.Context, f *farm.Farm, id string) (*pb.Job, error) { return f.Job(ctx, id) }),
		one("retry", "Try again the tasks of a job that failed or were cancelled", "  selvage job retry 1f3a5c7e9b2d4f60718293a4b5c6d7e8", func(ctx context.Context, f *farm.Farm, id string) (*pb.Job, error) { return f.Retry(ctx, id) }),
		one("cancel", "End a job; what is done stays", "  selvage job cancel 1f3a5c7e9b2d4f60718293a4b5c6d7e8", func(ctx context.Context, f *farm.Farm, id string) (*pb.Job, error) { return f.Cancel(ctx, id) }),
	)
	return cmd
}

func tasksOf(ctx context.Context, f *farm.Farm, id string) ([]taskView, error) {
	page, _, err := f.Tasks(ctx, id, 0, farm.MaxTasks)
	var list []taskView
	for _, s := range page {
		list = append(list, taskView{
			Name: s.GetTask().GetDisplayName(), Key: s.GetName()[strings.LastIndexByte(s.GetName(), '/')+1:], State: word(s.GetState().String()),
			Tries: s.GetTries(), Worker: s.GetWorker(), Error: s.GetError(), Refusal: s.GetRefusal(),
		})
	}
	return list, err
}

func writeTasks(w io.Writer, list []taskView) {
	t := plainTable(w, table.Row{"task", "state", "tries", "worker", "what"})
	for _, v := range list {
		what := v.Error
		if what == "" {
			what = v.Refusal
		}
		t.AppendRow(table.Row{printable(v.Name), v.State, v.Tries, printable(v.Worker), printable(what)})
	}
	t.Render()
}
