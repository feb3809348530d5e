package farm

import (
	"context"
	"crypto/tls"
	"errors"
	"fmt"
	"log/slog"
	"math/rand/v2"
	"net"
	"net/url"
	"regexp"
	"strings"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
)

// Schema is the version of pb.QueuedTask and all in it. It grows whenever a
// worker that ignores a new field would compute something else; a message has the
// least version that knows its fields: 2 with passes and layers, else 1.
const Schema = 2

// Config of a connection to a farm. The zero value works with an Embedded
// server's URL in it.
type Config struct {
	// URL of the servers, several with commas between: nats://HOST:PORT or
	// tls://HOST:PORT.
	URL string
	// Credentials is a NATS credentials file. Empty: none.
	Credentials string
	// Token is a bearer token. Empty: none.
	Token string
	// CA is a PEM file of authorities, Cert and Key are PEM files of this client's
	// certificate. Empty: the system's authorities, no certificate.
	CA, Cert, Key string

	// Name sets farms on one cluster apart: lower-case letters, digits, dashes.
	// Empty: "selvage".
	Name string
	// Replicas of streams and stores, 1 to 5, an odd number. Zero: 1 where they are
	// made, as they are where they exist. Another number changes them.
	Replicas int
	// TaskBytes, StoreBytes bound the queue, and the assets and the results each;
	// used where they are made. Zero: no bound but the server's.
	TaskBytes, StoreBytes int64
	// Keep is how long jobs, results, assets and dead letters are kept, by the
	// servers' clock: at least an hour, and longer than twice what any job takes. Zero:
	// until they are removed where they are made, as they are where they exist. Another
	// time changes them.
	Keep time.Duration
	// AckWait is how long a worker may be silent before its task goes to another;
	// used where the consumer is made. Zero: 30 s.
	AckWait time.Duration
	// Patience is how long one request to the servers may take, retries of it
	// included, before the caller hears of it. Zero: 2 minutes, about what the loss
	// of a server and the election after it take, many times over.
	Patience time.Duration
	// RetryConnect makes Open wait for servers that are not there yet.
	RetryConnect bool
	// Existing makes Open make nothing: a farm that is not there is a *NoFarmError.
	Existing bool

	// Version of this program. Empty: "unknown".
	Version string
	// Log takes records. Nil: slog.Default().
	Log *slog.Logger

	// server, where not nil, is in this process: no socket lies between.
	server nats.InProcessConnProvider
	// full, where not nil, says that the servers' disk is full.
	full func() bool
	// embedded says that the server is an Embedded one's, here or in another process: it
	// starts again with JetStream where it has stopped to store.
	embedded bool
}

// ErrDiskFull says that the disk beneath the farm's store is full.
var ErrDiskFull = errors.New("the disk of the farm's store is full")

// ConfigError reports a setting that cannot be used.
type ConfigError struct{ Setting, What string }

func (e *ConfigError) Error() string { return e.Setting + ": " + e.What }

// NoFarmError says that servers have no farm of a name.
type NoFarmError struct{ Name, URL string }

func (e *NoFarmError) Error() string { return "no farm named " + e.Name + " at " + e.URL }

// NoJetStreamError says that a server cannot hold a farm.
type NoJetStreamError struct{ URL string }

func (e *NoJetStreamError) Error() string {
	return "the NATS server at " + e.URL + " runs without JetStream, which keeps a farm: start it with JetStream, or name another"
}

// RefusedTLSError says that a server has ended the TLS handshake.
type RefusedTLSError struct {
	URL string
	// Alert is what it says: the words for alerts of crypto/tls.
	Alert string
	// Certificate: it wants another certificate of this client's, or one at all.
	Certificate bool
	// Shown: this client has shown one.
	Shown bool
}

func (e *RefusedTLSError) Error() string {
	what := "refuses the TLS connection"
	switch {
	case e.Certificate && e.Shown:
		what = "refuses this client's certificate"
	case e.Certificate:
		what = "asks for a client certificate, and none is given"
	case e.Alert == "handshake failure": // of TLS 1.2, for a certificate as well
		what += ", and may want another client certificate"
		if !e.Shown {
			what = "refuses the TLS connection, and may want a client certificate"
		}
	}
	return fmt.Sprintf("the NATS server at %s %s (%s)", e.URL, what, e.Alert)
}

// refusedTLS is err as a *RefusedTLSError, where it is an alert of the server's; else nil.
func (c *Config) refusedTLS(err error) error {
	var alert *net.OpError
	if !errors.As(err, &alert) || alert.Op != "remote error" || alert.Err == nil { // as crypto/tls has it
		return nil
	}
	e := &RefusedTLSError{URL: withoutUser(c.URL), Alert: strings.TrimPrefix(alert.Err.Error(), "tls: "), Shown: c.Cert != ""}
	// Rescorla, "The Transport Layer Security (TLS) Protocol Version 1.3", RFC 8446, 2018,
	// section 6.2: alerts 41 to 48 and 116 are about certificates. Section from memory.
	e.Certificate = strings.Contains(e.Alert, "certificate")
	return e
}

// withoutUser is a list of servers without the users and passwords in it.
func withoutUser(list string) string {
	servers := strings.Split(list, ",")
	for i, s := range servers {
		if u, err := url.Parse(strings.TrimSpace(s)); err == nil {
			u.User = nil
			servers[i] = u.String()
		} else if k := strings.LastIndexByte(s, '@'); k >= 0 {
			servers[i] = s[k+1:]
		}
	}
	return strings.Join(servers, ",")
}

// leastKeep is the least of Config.Keep; less than that is no time to fetch a result in.
const leastKeep = time.Hour

var namePattern = regexp.MustCompile(`^[a-z][a-z0-9-]{0,30}$`)

func (c Config) withDefaults() (Config, error) {
	if c.Name == "" {
		c.Name = "selvage"
	}
	if c.AckWait == 0 {
		c.AckWait = 30 * time.Second
	}
	if c.Patience == 0 {
		c.Patience = 2 * time.Minute
	}
	if c.Version == "" {
		c.Version = "unknown"
	}
	if c.Log == nil {
		c.Log = slog.Default()
	}
	switch {
	case c.URL == "":
		return c, &ConfigError{"nats", "is missing"}
	case !namePattern.MatchString(c.Name):
		return c, &ConfigError{"farm-name", "is not a lower-case letter, then letters, digits and dashes, 31 at most"}
	case c.Replicas < 0 || c.Replicas > 5 || c.Replicas > 0 && c.Replicas%2 == 0:
		return c, &ConfigError{"replicas", fmt.Sprintf("%d is not 1, 3 or 5", c.Replicas)}
	case c.TaskBytes < 0 || c.StoreBytes < 0:
		return c, &ConfigError{"farm-bytes", "is negative"}
	case c.Keep != 0 && c.Keep < leastKeep:
		return c, &ConfigError{"farm-keep", fmt.Sprintf("%v is less than %v", c.Keep, leastKeep)}
	case c.AckWait < 0 || c.Patience < 0:
		return c, &ConfigError{"ack-wait and patience", "must not be negative"}
	case (c.Cert == "") != (c.Key == ""):
		return c, &ConfigError{"nats-cert", "and nats-key go together"}
	}
	return c, nil
}

// refusedTries to hear why a server ends a connection after the TLS handshake, and the
// pause between them: half a second in all.
const (
	refusedTries = 25
	refusedPause = 20 * time.Millisecond
)

// Farm is a connection to a farm. It is safe for concurrent use.
type Farm struct {
	config  Config
	nc      *nats.Conn
	js      jetstream.JetStream
	tasks   jetstream.Stream
	dead    jetstream.Stream
	pull    jetstream.Consumer
	jobs    jetstream.KeyValue
	assets  *objects
	results *objects
}

// consumerName of the one consumer that all workers share.
const consumerName = "workers"

// Open connects, and makes what is missing of the farm's streams and stores.
func Open(ctx context.Context, c Config) (*Farm, error) {
	c, err := c.withDefaults()
	if err != nil {
		return nil, err
	}
	options := []nats.Option{
		nats.Name("selvage " + c.Version),
		nats.Timeout(5 * time.Second),
		nats.MaxReconnects(-1),
		nats.ReconnectWait(200 * time.Millisecond),
		// Nothing is kept for later while there is no connection: a result that was
		// given up must not arrive after another has taken its place.
		nats.ReconnectBufSize(-1),
		nats.ReconnectJitter(200*time.Millisecond, 200*time.Millisecond),
		// A connection that was cut without a word is noticed within 15 s.
		nats.PingInterval(5 * time.Second),
		nats.MaxPingsOutstanding(2),
		nats.RetryOnFailedConnect(c.RetryConnect),
		nats.DisconnectErrHandler(func(_ *nats.Conn, err error) {
			if err != nil {
				c.Log.Warn("the connection to the farm is lost", "error", err)
			}
		}),
		nats.ReconnectHandler(func(nc *nats.Conn) { c.Log.Info("connected to the farm again", "server", nc.ConnectedUrlRedacted()) }),
		nats.ErrorHandler(func(_ *nats.Conn, _ *nats.Subscription, err error) {
			c.Log.Debug("nats", "error", err)
		}),
	}
	if c.Credentials != "" {
		options = append(options, nats.UserCredentials(c.Credentials))
	}
	if c.Token != "" {
		options = append(options, nats.Token(c.Token))
	}
	if c.CA != "" {
		options = append(options, nats.RootCAs(c.CA))
	}
	if c.Cert != "" {
		options = append(options, nats.ClientCert(c.Cert, c.Key))
	}
	if c.server != nil {
		options = append(options, nats.InProcessServer(c.server))
	}
	f := &Farm{config: c}
	for n := 1; ; n++ {
		f.nc, err = nats.Connect(c.URL, options...)
		// A server that ends TLS 1.3 does so after this side's handshake, and what it says
		// is lost where this side is still writing: the next try may hear it.
		if !errors.Is(err, nats.ErrTLS) || n == refusedTries || ctx.Err() != nil {
			break
		}
		time.Sleep(refusedPause)
	}
	if err != nil {
		if refused := c.refusedTLS(err); refused != nil {
			return nil, refused
		}
		return nil, fmt.Errorf("connect to the farm: %w", err)
	}
	if f.js, err = jetstream.New(f.nc, jetstream.WithDefaultTimeout(tryTime), jetstream.WithPublishAsyncTimeout(c.Patience)); err != nil {
		f.nc.Close()
		return nil, fmt.Errorf("farm: %w", err)
	}
	if err := f.ensure(ctx); err != nil {
		last := f.nc.LastError()
		if f.nc.IsConnected() || ctx.Err() != nil {
			last = nil
		}
		f.nc.Close()
		var absent *NoFarmError
		var plain *NoJetStreamError
		var refused *RefusedTLSError
		if errors.As(err, &absent) || errors.As(err, &plain) || errors.As(err, &refused) {
			return nil, err
		}
		if last != nil { // why it is not connected, which err does not know
			return nil, fmt.Errorf("connect to the farm: %w", last)
		}
		return nil, fmt.Errorf("farm: %w", err)
	}
	return f, nil
}

// settled makes an error of a request for the farm's streams one that no waiting mends:
// of a server that is not the one that it says it is, or refuses TLS with this client, or that runs without JetStream,
// where no other of its cluster has it either, and of a farm that is not there and not to
// be made.
func (f *Farm) settled(err error) error {
	missing := errors.Is(err, jetstream.ErrStreamNotFound) || errors.Is(err, jetstream.ErrConsumerNotFound) || errors.Is(err, jetstream.ErrBucketNotFound)
	// A server that has just gone says nothing.
	server := f.nc.ConnectedServerId()
	has, _ := f.nc.ConnectedServerJetStream()
	known := server != "" && server == f.nc.ConnectedServerId()
	var certificate *tls.CertificateVerificationError
	last := f.nc.LastError()
	if err != nil && server == "" {
		if refused := f.config.refusedTLS(last); refused != nil {
			return refused
		}
	}
	switch {
	case err != nil && server == "" && errors.As(last, &certificate):
		return certificate
	case missing && f.config.Existing:
		return &NoFarmError{f.config.Name, f.nc.ConnectedUrlRedacted()}
	case (errors.Is(err, jetstream.ErrJetStreamNotEnabled) || errors.Is(err, nats.ErrNoResponders)) && known && !has && !f.config.embedded:
		return &NoJetStreamError{f.nc.ConnectedUrlRedacted()}
	}
	return err
}

// Close ends the connection.
func (f *Farm) Close() { f.nc.Close() }

// ensure makes what is missing, and changes replicas, and how long things are kept,
// where that is asked for. Several programs may do so at once: what one has made the
// others find.
func (f *Farm) ensure(ctx context.Context) error {
	c := &f.config
	made := max(1, c.Replicas)
	bound := func(n int64) int64 {
		if n == 0 {
			return -1
		}
		return n
	}
	// stream finds or makes one stream.
	stream := func(want jetstream.StreamConfig) (jetstream.Stream, error) {
		want.Replicas, want.Storage = made, jetstream.FileStorage
		return again(ctx, f, func(ctx context.Context) (jetstream.Stream, error) {
			s, err := f.js.Stream(ctx, want.Name)
			err = f.settled(err)
			if errors.Is(err, jetstream.ErrStreamNotFound) {
				s, err = f.js.CreateStream(ctx, want)
				if errors.Is(err, jetstream.ErrStreamNameAlreadyInUse) { // another was faster, with other settings
					s, err = f.js.Stream(ctx, want.Name)
				}
			}
			if err != nil {
				return nil, err
			}
			return f.adapt(ctx, s)
		})
	}
	var err error
	f.tasks, err = stream(jetstream.StreamConfig{
		Name:        c.Name + "-tasks",
		Description: "tasks that wait or run",
		Subjects:    []string{c.Name + ".tasks.>"},
		Retention:   jetstream.WorkQueuePolicy,
		MaxBytes:    bound(c.TaskBytes),
		// A task is in the queue once: handing it in again is refused, not doubled.
		MaxMsgsPerSubject:    1,
		Discard:              jetstream.DiscardNew,
		DiscardNewPerSubject: true,
	})
	if err != nil {
		return err
	}
	f.dead, err = stream(jetstream.StreamConfig{
		Name:              c.Name + "-dead",
		Description:       "tasks that were given up",
		Subjects:          []string{c.Name + ".dead.>"},
		MaxMsgsPerSubject: 1,
		MaxBytes:          bound(c.TaskBytes),
		MaxAge:            c.Keep,
	})
	if err != nil {
		return err
	}
	// Stores are streams too: theirs are found or changed first.
	store := func(prefix, name string, make func(ctx context.Context) error) (jetstream.Stream, error) {
		return again(ctx, f, func(ctx context.Context) (jetstream.Stream, error) {
			s, err := f.js.Stream(ctx, prefix+name)
			err = f.settled(err)
			if errors.Is(err, jetstream.ErrStreamNotFound) {
				if err = make(ctx); err == nil || errors.Is(err, jetstream.ErrBucketExists) {
					s, err = f.js.Stream(ctx, prefix+name)
				}
			}
			if err != nil {
				return nil, err
			}
			return f.adapt(ctx, s)
		})
	}
	jobs := c.Name + "-jobs"
	if _, err = store("KV_", jobs, func(ctx context.Context) error {
		_, err := f.js.CreateKeyValue(ctx, jetstream.KeyValueConfig{
			Bucket: jobs, Description: "jobs and how far their tasks are", TTL: c.Keep, Replicas: made, Storage: jetstream.FileStorage,
		})
		return err
	}); err != nil {
		return err
	}
	if f.jobs, err = again(ctx, f, func(ctx context.Context) (jetstream.KeyValue, error) { return f.js.KeyValue(ctx, jobs) }); err != nil {
		return err
	}
	bucket := func(name, description string) (*objects, error) {
		s, err := store("OBJ_", name, func(ctx context.Context) error {
			_, err := f.js.CreateObjectStore(ctx, jetstream.ObjectStoreConfig{
				Bucket: name, Description: description, TTL: c.Keep, MaxBytes: bound(c.StoreBytes), Replicas: made, Storage: jetstream.FileStorage,
			})
			return err
		})
		if err != nil {
			return nil, err
		}
		o, err := again(ctx, f, func(ctx context.Context) (jetstream.ObjectStore, error) { return f.js.ObjectStore(ctx, name) })
		return &objects{f: f, store: o, stream: s, bucket: name}, err
	}
	if f.assets, err = bucket(c.Name+"-assets", "bodies, garments and the tasks of jobs"); err != nil {
		return err
	}
	if f.results, err = bucket(c.Name+"-results", "finished garments by the key of their work"); err != nil {
		return err
	}
	return f.ensureConsumer(ctx)
}

// adapt changes a stream's replicas, and unless it is the queue how long it keeps its
// messages, where that is asked for.
func (f *Farm) adapt(ctx context.Context, s jetstream.Stream) (jetstream.Stream, error) {
	have := s.CachedInfo().Config
	want, c := have, &f.config
	if c.Replicas > 0 {
		want.Replicas = c.Replicas
	}
	if c.Keep > 0 && have.Retention != jetstream.WorkQueuePolicy {
		want.MaxAge = c.Keep
		want.Duplicates = min(want.Duplicates, want.MaxAge)
	}
	if want.Replicas == have.Replicas && want.MaxAge == have.MaxAge {
		return s, nil
	}
	return f.js.UpdateStream(ctx, want)
}

// ensureConsumer finds or makes the workers' consumer.
//
// MaxDeliver is without bound: JetStream counts every delivery, also those that a
// worker refused or gave back unharmed. What is bounded are the tries, which the
// task's status counts; see status.go. MaxAckPending is without bound too: tasks that
// were refused count until they are done, and must not keep the others back. What
// workers have is bounded by their slots.
func (f *Farm) ensureConsumer(ctx context.Context) error {
	var err error
	f.pull, err = again(ctx, f, func(ctx context.Context) (jetstream.Consumer, error) {
		c, err := f.tasks.Consumer(ctx, consumerName)
		if err == nil && c.CachedInfo().Config.MaxAckPending > 0 { // made by an earlier release
			config := c.CachedInfo().Config
			config.MaxAckPending = -1
			changed, err := f.tasks.UpdateConsumer(ctx, config)
			if err != nil { // it serves as it is
				f.config.Log.Debug("change the consumer", "error", err)
				return c, nil
			}
			return changed, nil
		}
		if err = f.settled(err); !errors.Is(err, jetstream.ErrConsumerNotFound) {
			return c, err
		}
		c, err = f.tasks.CreateConsumer(ctx, jetstream.ConsumerConfig{
			Durable:       consumerName,
			Description:   "all workers",
			AckPolicy:     jetstream.AckExplicitPolicy,
			AckWait:       f.config.AckWait,
			MaxDeliver:    -1,
			MaxAckPending: -1,
			MaxWaiting:    4096,
		})
		if errors.Is(err, jetstream.ErrConsumerExists) || errors.Is(err, jetstream.ErrConsumerNameAlreadyInUse) {
			return f.tasks.Consumer(ctx, consumerName)
		}
		return c, err
	})
	return err
}

// tryTime is how long one attempt at a request may take.
const tryTime = 5 * time.Second

// again calls try until it succeeds, fails for good, or the farm's patience or
// ctx ends: servers come and go, and an election takes a moment. try's ctx is
// shorter than ctx.
func again[T any](ctx context.Context, f *Farm, try func(ctx context.Context) (T, error)) (T, error) {
	return againWithin(ctx, f, tryTime, try)
}

// againWithin is again for requests that may take longer.
func againWithin[T any](ctx context.Context, f *Farm, each time.Duration, try func(ctx context.Context) (T, error)) (T, error) {
	limited, cancel := context.WithTimeout(ctx, f.config.Patience)
	defer cancel()
	delay := 50 * time.Millisecond
	for {
		one, end := context.WithTimeout(limited, each)
		out, err := try(one)
		end()
		if err == nil || !transient(err) || limited.Err() != nil {
			if err != nil && ctx.Err() != nil {
				err = ctx.Err()
			}
			return out, err
		}
		if f.config.full != nil && f.config.full() {
			return out, fmt.Errorf("%w (%w)", ErrDiskFull, err)
		}
		f.config.Log.Debug("trying again", "error", err)
		timer := time.NewTimer(delay/2 + rand.N(delay))
		select {
		case <-timer.C:
		case <-limited.Done():
			timer.Stop()
			if ctx.Err() != nil {
				return out, ctx.Err()
			}
			return out, err
		}
		delay = min(2*delay, 2*time.Second)
	}
}

// transient reports whether an error may go away by itself: servers that are
// gone, elect a leader, or have not answered in time.
func transient(err error) bool {
	for _, e := range []error{
		context.DeadlineExceeded, nats.ErrTimeout, nats.ErrNoResponders, nats.ErrDisconnected, nats.ErrNoServers, nats.ErrConnectionReconnecting,
		nats.ErrReconnectBufExceeded, nats.ErrStaleConnection, jetstream.ErrNoStreamResponse, jetstream.ErrJetStreamNotEnabled,
		jetstream.ErrAsyncPublishTimeout, jetstream.ErrNoHeartbeat, jetstream.ErrServerShutdown, jetstream.ErrConsumerLeadershipChanged,
		jetstream.ErrTooManyStalledMsgs, jetstream.ErrOrderedConsumerReset, errBehind,
	} {
		if errors.Is(err, e) {
			return true
		}
	}
	var api *jetstream.APIError
	if errors.As(err, &api) {
		// 503: no leader, no quorum, shutting down. Full stores are 503 or 500 by
		// release; they have names of their own in isFull.
		return api.Code == 503 && !isFull(err) && !isThere(err)
	}
	return false
}

// Error codes of servers whose store is full (nats-server errors.json).
const (
	codeInsufficientResources = 10023
	codeStorageExceeded       = 10047
	codeStoreFailed           = 10077 // "maximum bytes exceeded", and failures of the file system
)

// isFull reports whether a store has no room, or its file system fails.
func isFull(err error) bool {
	if errors.Is(err, ErrDiskFull) {
		return true
	}
	var api *jetstream.APIError
	if !errors.As(err, &api) {
		return false
	}
	switch api.ErrorCode {
	case codeInsufficientResources, codeStorageExceeded:
		return true
	case codeStoreFailed:
		return !strings.Contains(api.Description, "per subject")
	}
	return false
}
