package main

import (
	"errors"
	"net"
	"net/http"
	"os"
	"runtime"
	"runtime/debug"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/collectors"
	"github.com/prometheus/client_golang/prometheus/promhttp"
	"github.com/selvage/selvage/server/farm"
	"github.com/spf13/cobra"
)

func newWork() *cobra.Command {
	var place farmPlace
	var c farm.WorkerConfig
	var level, format, admin string
	cmd := &cobra.Command{
		Use:   "work",
		Short: "Compute the tasks of a farm",
		Long: `Work takes tasks from a farm's queue, computes them and puts the results into its
store, until it is interrupted; it then finishes what it has begun, within the grace
period, and gives the rest back.

Start as many as there are machines. Without --nats the farm is this machine's own:
the first program that opens its folder serves it, the others connect to it.`,
		Example: `  selvage work
  selvage work --nats tls://farm1:4222,tls://farm2:4222 --nats-creds worker.creds --replicas 3
  selvage work --admin 127.0.0.1:7413      # curl 127.0.0.1:7413/metrics`,
		Args: exactArgs(0, "no arguments"),
		RunE: func(cmd *cobra.Command, _ []string) error {
			log, err := newLog(cmd.ErrOrStderr(), format, level)
			if err != nil {
				return usageError{err}
			}
			if os.Getenv("GOMEMLIMIT") == "" {
				debug.SetMemoryLimit((c.WorkBytes + c.BodyBytes + c.FileBytes) / 2 * 3)
			}
			f, end, err := place.open(cmd.Context(), log, true)
			if err != nil {
				return farmUsage(err)
			}
			defer end()
			w, err := farm.NewWorker(f, c)
			if err != nil {
				return farmUsage(err)
			}
			spareProcessor()
			if admin != "" {
				r := prometheus.NewRegistry()
				r.MustRegister(w.Collectors()...)
				r.MustRegister(f.Collector(), collectors.NewGoCollector(), collectors.NewProcessCollector(collectors.ProcessCollectorOpts{}))
				l, err := net.Listen("tcp", admin)
				if err != nil {
					return err
				}
				mux := http.NewServeMux()
				mux.Handle("/metrics", promhttp.HandlerFor(r, promhttp.HandlerOpts{}))
				s := &http.Server{Handler: mux, ReadHeaderTimeout: 10 * time.Second}
				defer s.Close()
				go func() { _ = s.Serve(l) }()
			}
			return w.Run(cmd.Context())
		},
	}
	f := cmd.Flags()
	f.SortFlags = false
	place.flags(f)
	f.StringVar(&c.Name, "name", "", "name of this worker in statuses and logs (default: made of machine and process)")
	f.IntVar(&c.Tasks, "tasks", runtime.GOMAXPROCS(0), "tasks that compute at the same time, as memory allows")
	f.IntVar(&c.Threads, "threads", 0, "threads of one task (0: what the processors give each)")
	f.Int64Var(&c.WorkBytes, "work-bytes", 4<<30, "most bytes of memory of running tasks, by estimate")
	f.Int64Var(&c.BodyBytes, "body-bytes", 1<<30, "most bytes of prepared bodies kept in memory, by estimate")
	f.Int64Var(&c.FileBytes, "file-bytes", 256<<20, "most bytes of assets kept in memory")
	f.IntVar(&c.MaxTries, "max-tries", 5, "tries of a task that fails for no reason of its own, crashes among them")
	f.DurationVar(&c.Grace, "grace", time.Minute, "how long running tasks may go on after an interrupt")
	f.StringVar(&admin, "admin", "", "address of the HTTP listener for /metrics (empty: none)")
	f.StringVar(&format, "log-format", "json", "json or text")
	f.StringVar(&level, "log-level", "info", "debug, info, warn or error")
	return cmd
}

// spareProcessor gives the farm's messages a thread of their own beside those that
// compute: Go lets what computes go on for 10 ms before it asks whether there is
// anything else to do, the operating system does not. Called when the worker knows
// how much to compute at a time.
func spareProcessor() { runtime.GOMAXPROCS(runtime.GOMAXPROCS(0) + 1) }

// farmUsage makes wrong usage of a setting's fault.
func farmUsage(err error) error {
	var wrong *farm.ConfigError
	if errors.As(err, &wrong) {
		return usageError{err}
	}
	return err
}
