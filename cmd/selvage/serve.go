package main

import (
	"fmt"
	"io"
	"log/slog"
	"os"
	"runtime/debug"
	"strings"

	"github.com/goccy/go-yaml"
	"github.com/selvage/selvage/server"
	"github.com/spf13/cobra"
	"github.com/spf13/pflag"
)

// environmentPrefix of the settings of serve: --max-calls is SELVAGE_MAX_CALLS.
const environmentPrefix = "SELVAGE_"

// ofThisRun are the flags of serve that are no settings.
var ofThisRun = map[string]bool{"config": true, "print-config": true, "help": true}

func newServe() *cobra.Command {
	var c server.Config
	var file, level, format string
	var printConfig, farmHere bool
	var place farmPlace
	cmd := &cobra.Command{
		Use:   "serve",
		Short: "Answer transfers over gRPC",
		Long: `Serve answers transfers over gRPC until it is interrupted; running calls then have
the grace period to finish. It listens on loopback, and elsewhere only with TLS or
--allow-insecure.

Every setting is a flag, an environment variable (--max-calls: SELVAGE_MAX_CALLS)
and a key of the YAML file that --config or SELVAGE_CONFIG names (max-calls); the
first of these that is there counts.

The tokens file has a line "NAME SHA256HEX" for each caller:
  printf %s "$TOKEN" | sha256sum`,
		Example: `  selvage serve
  selvage serve --listen 0.0.0.0:7411 --tls-cert cert.pem --tls-key key.pem --tokens tokens.txt
  selvage serve --config serve.yaml --print-config      # what is in force`,
		Args: exactArgs(0, "no arguments"),
		RunE: func(cmd *cobra.Command, _ []string) error {
			if err := layer(cmd.Flags(), file); err != nil {
				return usageError{err}
			}
			if printConfig {
				return writeConfig(cmd.OutOrStdout(), cmd.Flags())
			}
			log, err := newLog(cmd.ErrOrStderr(), format, level)
			if err != nil {
				return usageError{err}
			}
			c.Log, c.Version = log, version()
			if farmHere || place.config.URL != "" {
				var end func()
				if c.Farm, end, err = place.open(cmd.Context(), log, false); err != nil {
					return farmUsage(err)
				}
				defer end()
			}
			s, err := server.NewServer(c)
			if err != nil {
				return usageError{err}
			}
			// The budgets are kept by collecting garbage in time, unless GOMEMLIMIT says
			// otherwise: half as much again, for what the estimates leave out.
			if os.Getenv("GOMEMLIMIT") == "" {
				debug.SetMemoryLimit((c.WorkBytes + c.BodyBytes) / 2 * 3)
			}
			if err := s.Listen(cmd.Context()); err != nil {
				return err
			}
			return s.Serve(cmd.Context())
		},
	}
	f := cmd.Flags()
	f.SortFlags = false
	d := server.Default()
	f.StringVar(&c.Listen, "listen", d.Listen, "address of the service")
	f.StringVar(&c.Admin, "admin", defaultAdmin, "address of the HTTP listener for /metrics, /healthz and /readyz (empty: none)")
	f.BoolVar(&c.Pprof, "pprof", false, "add the profiler to the admin listener")
	f.BoolVar(&c.AllowInsecure, "allow-insecure", false, "allow addresses outside loopback without TLS")
	f.StringVar(&c.TLSCert, "tls-cert", "", "PEM file of the certificate; read again when it changes")
	f.StringVar(&c.TLSKey, "tls-key", "", "PEM file of its key")
	f.StringVar(&c.ClientCA, "client-ca", "", "PEM file of authorities: clients must show a certificate of one of them")
	f.StringVar(&c.Tokens, "tokens", "", "file of hashed bearer tokens; read again when it changes (empty: no token is asked for)")
	f.Float64Var(&c.Rate, "rate", 0, "calls a second that one token may start (0: no limit)")
	f.IntVar(&c.Burst, "burst", 0, "calls that one token may start at once (0: twice the rate and one)")
	f.StringVar(&c.Store, "store", "", "folder of uploaded assets (empty: a temporary one)")
	f.Int64Var(&c.StoreBytes, "store-bytes", d.StoreBytes, "most bytes of assets kept")
	f.Int64Var(&c.BodyBytes, "body-bytes", d.BodyBytes, "most bytes of prepared bodies kept in memory, by estimate")
	f.Int64Var(&c.WorkBytes, "work-bytes", d.WorkBytes, "most bytes of memory of running calls, by estimate")
	f.Int64Var(&c.MaxMessageBytes, "max-message-bytes", d.MaxMessageBytes, "largest message")
	f.Int64Var(&c.MaxAssetBytes, "max-asset-bytes", d.MaxAssetBytes, "largest asset")
	f.Int64Var(&c.MaxVertices, "max-vertices", d.MaxVertices, "most vertices of a body or garment")
	f.IntVar(&c.MaxCalls, "max-calls", d.MaxCalls, "calls that compute at the same time")
	f.IntVar(&c.MaxThreads, "max-threads", d.MaxThreads, "threads of one call")
	f.IntVar(&c.Queue, "queue", d.Queue, "calls that may wait for their turn")
	f.DurationVar(&c.QueueWait, "queue-wait", d.QueueWait, "how long a call waits at most")
	f.DurationVar(&c.CallTime, "call-time", d.CallTime, "how long a call may take; not of calls that watch a job")
	f.DurationVar(&c.IdleTime, "idle-time", d.IdleTime, "how long a call may wait for its client to send or read")
	f.DurationVar(&c.Grace, "grace", d.Grace, "how long running calls may go on after an interrupt")
	f.StringVar(&c.TraceEndpoint, "trace-endpoint", "", "HOST:PORT of an OpenTelemetry collector, OTLP over gRPC (empty: no traces)")
	f.BoolVar(&c.TraceInsecure, "trace-insecure", false, "send traces without TLS")
	f.BoolVar(&farmHere, "farm", false, "take jobs for this machine's farm (selvage work computes them)")
	place.flags(f)
	f.StringVar(&format, "log-format", "json", "json or text")
	f.StringVar(&level, "log-level", "info", "debug, info, warn or error")
	f.StringVar(&file, "config", "", "YAML file of settings")
	f.BoolVar(&printConfig, "print-config", false, "print the settings in force as YAML, and stop")
	return cmd
}

// variable is the environment variable of a flag.
func variable(flag string) string {
	return environmentPrefix + strings.ToUpper(strings.ReplaceAll(flag, "-", "_"))
}

// layer sets the flags that were not given from the environment, else from the
// YAML file.
func layer(flags *pflag.FlagSet, file string) error {
	if file == "" {
		file = os.Getenv(variable("config"))
	}
	settings := map[string]any{}
	if file != "" {
		text, err := os.ReadFile(file)
		if err != nil {
			return err
		}
		if err := yaml.Unmarshal(text, &settings); err != nil {
			return fmt.Errorf("%s: %w", file, err)
		}
	}
	for key, value := range settings {
		if flags.Lookup(key) == nil || ofThisRun[key] {
			return fmt.Errorf("%s: no setting is called %s", file, key)
		}
		switch value.(type) {
		case map[string]any, []any:
			return fmt.Errorf("%s: %s has more than one value", file, key)
		}
	}
	var err error
	flags.VisitAll(func(f *pflag.Flag) {
		if err != nil || f.Changed || ofThisRun[f.Name] {
			return
		}
		value, source := "", ""
		if v, ok := os.LookupEnv(variable(f.Name)); ok {
			value, source = v, variable(f.Name)
		} else if v, ok := settings[f.Name]; ok && v != nil {
			value, source = fmt.Sprint(v), file+": "+f.Name
		} else {
			return
		}
		if e := f.Value.Set(value); e != nil {
			err = fmt.Errorf("%s: %w", source, e)
		}
	})
	return err
}

// writeConfig prints the settings in the order of the help text.
func writeConfig(w io.Writer, flags *pflag.FlagSet) error {
	var list yaml.MapSlice
	flags.VisitAll(func(f *pflag.Flag) {
		if ofThisRun[f.Name] {
			return
		}
		var value any = f.Value.String()
		switch f.Value.Type() {
		case "bool", "int", "int64", "float64":
			// Plain in YAML: these words mean the same there.
			_ = yaml.Unmarshal([]byte(f.Value.String()), &value)
		}
		list = append(list, yaml.MapItem{Key: f.Name, Value: value})
	})
	text, err := yaml.Marshal(list)
	if err != nil {
		return err
	}
	_, err = w.Write(text)
	return err
}

// newLog returns the server's log.
func newLog(w io.Writer, format, level string) (*slog.Logger, error) {
	var l slog.Level
	if err := l.UnmarshalText([]byte(level)); err != nil {
		return nil, fmt.Errorf("log-level: %q is none of debug, info, warn, error", level)
	}
	o := &slog.HandlerOptions{Level: l}
	switch format {
	case "json":
		return slog.New(slog.NewJSONHandler(w, o)), nil
	case "text":
		return slog.New(slog.NewTextHandler(w, o)), nil
	}
	return nil, fmt.Errorf("log-format: %q is neither json nor text", format)
}
