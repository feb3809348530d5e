package server

import (
	"errors"
	"fmt"
	"log/slog"
	"net"
	"runtime"
	"time"

	"github.com/selvage/selvage/server/farm"
)

// Config of a server. The zero value works: each field's zero means the default
// that its comment gives.
type Config struct {
	// Listen is the address of the gRPC listener. Empty: DefaultListen. An address
	// that is not loopback needs TLS or AllowInsecure.
	Listen string
	// Admin is the address of the HTTP listener for metrics and health.
	// Empty: none. It has no access control: an address that is not loopback needs
	// AllowInsecure.
	Admin string
	// Pprof adds the profiler to the admin listener.
	Pprof bool
	// AllowInsecure lets the listeners bind outside loopback without TLS.
	AllowInsecure bool

	// TLSCert and TLSKey are PEM files; both or neither. They are read again when
	// they change.
	TLSCert, TLSKey string
	// ClientCA is a PEM file of authorities: clients must then show a certificate
	// that one of them signed. Read again when it changes. Needs TLSCert.
	ClientCA string
	// Tokens is a file of hashed bearer tokens, one "NAME SHA256HEX" a line.
	// Empty: no token is asked for. Read again when it changes.
	Tokens string
	// Rate is the calls a second that one token may start (without tokens: that all
	// may together), Burst how many at once. Zero: no limit; Burst zero: 2 Rate + 1.
	Rate  float64
	Burst int

	// Store is the folder of uploaded assets. Empty: a temporary one that goes
	// with the server.
	Store string
	// StoreBytes bounds the assets kept. Zero: 8 GiB.
	StoreBytes int64
	// BodyBytes bounds the prepared bodies kept in memory, by estimate. Zero: 1 GiB.
	BodyBytes int64
	// WorkBytes bounds the memory of running calls, by estimate: about 4 KB
	// a garment vertex. Three quarters are for large calls, so that the default
	// takes a garment of 1.5 million vertices. Zero: 8 GiB.
	WorkBytes int64
	// MaxMessageBytes bounds one message. Zero: 8 MiB.
	MaxMessageBytes int64
	// MaxAssetBytes bounds one asset. Zero: 1 GiB.
	MaxAssetBytes int64
	// MaxVertices bounds the vertices of one body or garment. Zero: 4 million.
	MaxVertices int64

	// MaxCalls that compute at the same time. Zero: GOMAXPROCS.
	MaxCalls int
	// MaxThreads of one call. Zero: GOMAXPROCS.
	MaxThreads int
	// Queue is how many calls may wait for their turn. Zero: 64.
	Queue int
	// QueueWait is how long a call waits at most. Zero: 10 s.
	QueueWait time.Duration
	// CallTime is how long a call may take, but for those that watch a job or health:
	// they end with the job, or when the client leaves. Zero: 10 minutes.
	CallTime time.Duration
	// IdleTime is how long a call may wait for its client to send or to read.
	// Zero: 30 s.
	IdleTime time.Duration
	// Grace is how long running calls may go on after a stop. Zero: 30 s.
	Grace time.Duration

	// TraceEndpoint is the host:port of an OpenTelemetry collector that takes
	// traces by OTLP over gRPC. Empty: none.
	TraceEndpoint string
	// TraceInsecure sends traces without TLS.
	TraceInsecure bool

	// Farm takes jobs. Nil: there is no JobService.
	Farm *farm.Farm

	// Version that GetServerInfo reports. Empty: "unknown".
	Version string
	// Log takes the server's records. Nil: slog.Default().
	Log *slog.Logger
}

// DefaultListen is where the service listens unless told otherwise.
const DefaultListen = "127.0.0.1:7411"

// maxChunk is the largest chunk read or sent, bytes.
const (
	maxChunk  = 1 << 20
	sendChunk = 256 << 10
)

// ConfigError reports a setting that cannot be used.
type ConfigError struct {
	Setting string
	What    string
}

func (e *ConfigError) Error() string { return e.Setting + ": " + e.What }

// Default is the configuration that the zero Config stands for.
func Default() Config {
	c, err := Config{}.withDefaults()
	if err != nil {
		panic(err) // a default breaks a rule of this file
	}
	return c
}

// withDefaults checks c and fills in what is zero.
func (c Config) withDefaults() (Config, error) {
	set(&c.Listen, DefaultListen)
	set(&c.StoreBytes, 8<<30)
	set(&c.BodyBytes, 1<<30)
	set(&c.WorkBytes, 8<<30)
	set(&c.MaxMessageBytes, 8<<20)
	set(&c.MaxAssetBytes, 1<<30)
	set(&c.MaxVertices, 4_000_000)
	set(&c.MaxCalls, runtime.GOMAXPROCS(0))
	set(&c.MaxThreads, runtime.GOMAXPROCS(0))
	set(&c.Queue, 64)
	set(&c.QueueWait, 10*time.Second)
	set(&c.CallTime, 10*time.Minute)
	set(&c.IdleTime, 30*time.Second)
	set(&c.Grace, 30*time.Second)
	set(&c.Version, "unknown")
	if c.Burst == 0 {
		c.Burst = int(2*c.Rate) + 1
	}
	if c.Log == nil {
		c.Log = slog.Default()
	}
	for _, x := range []struct {
		name  string
		value int64
	}{
		{"store-bytes", c.StoreBytes}, {"body-bytes", c.BodyBytes}, {"work-bytes", c.WorkBytes},
		{"max-message-bytes", c.MaxMessageBytes}, {"max-asset-bytes", c.MaxAssetBytes}, {"max-vertices", c.MaxVertices},
		{"max-calls", int64(c.MaxCalls)}, {"max-threads", int64(c.MaxThreads)}, {"queue", int64(c.Queue)},
		{"queue-wait", int64(c.QueueWait)}, {"call-time", int64(c.CallTime)}, {"idle-time", int64(c.IdleTime)},
		{"grace", int64(c.Grace)}, {"burst", int64(c.Burst)},
	} {
		if x.value < 0 {
			return c, &ConfigError{x.name, "is negative"}
		}
	}
	switch {
	case !(c.Rate >= 0):
		return c, &ConfigError{"rate", "is not a number of calls a second"}
	case c.MaxMessageBytes < 2*maxChunk:
		return c, &ConfigError{"max-message-bytes", fmt.Sprintf("is below %d, two chunks", 2*maxChunk)}
	case c.MaxMessageBytes > 1<<30:
		return c, &ConfigError{"max-message-bytes", "is above 1 GiB"}
	case c.MaxAssetBytes > c.StoreBytes:
		return c, &ConfigError{"max-asset-bytes", "is above store-bytes"}
	case (c.TLSCert == "") != (c.TLSKey == ""):
		return c, &ConfigError{"tls-cert", "and tls-key go together"}
	case c.ClientCA != "" && c.TLSCert == "":
		return c, &ConfigError{"client-ca", "needs tls-cert and tls-key"}
	}
	if c.TLSCert == "" && !c.AllowInsecure {
		if err := loopbackOnly(c.Listen); err != nil {
			return c, &ConfigError{"listen", err.Error() + ": set tls-cert and tls-key, or allow-insecure"}
		}
	}
	if c.Admin != "" && !c.AllowInsecure {
		if err := loopbackOnly(c.Admin); err != nil {
			return c, &ConfigError{"admin", err.Error() + ": set allow-insecure"}
		}
	}
	return c, nil
}

// set gives *v its default where it is zero.
func set[T comparable](v *T, byDefault T) {
	var zero T
	if *v == zero {
		*v = byDefault
	}
}

// loopbackOnly returns an error unless address is certain to be on loopback.
func loopbackOnly(address string) error {
	host, _, err := net.SplitHostPort(address)
	if err != nil {
		return errors.New("is not HOST:PORT")
	}
	if host == "localhost" {
		return nil
	}
	if ip := net.ParseIP(host); ip == nil || !ip.IsLoopback() {
		return fmt.Errorf("%q is reachable from other machines", address)
	}
	return nil
}
