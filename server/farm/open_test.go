package farm

// What Open finds: no farm, no JetStream, TLS and credentials.

import (
	"context"
	"errors"
	"strconv"
	"strings"
	"testing"
	"time"

	natsserver "github.com/nats-io/nats-server/v2/server"
	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
)

// natsServer runs a server until the test ends.
func natsServer(t *testing.T, o *natsserver.Options) *natsserver.Server {
	t.Helper()
	o.Host, o.Port, o.NoLog, o.NoSigs = "127.0.0.1", natsserver.RANDOM_PORT, true, true
	if o.JetStream {
		o.StoreDir = t.TempDir()
	}
	s, err := natsserver.NewServer(o)
	if err != nil {
		t.Fatal(err)
	}
	s.Start()
	t.Cleanup(func() { s.Shutdown(); s.WaitForShutdown() })
	if !s.ReadyForConnections(15 * time.Second) {
		t.Fatal("the server does not start")
	}
	return s
}

// streams of a server, by name.
func streams(t *testing.T, url string) (names []string) {
	t.Helper()
	nc, err := nats.Connect(url)
	if err != nil {
		t.Fatal(err)
	}
	defer nc.Close()
	js, err := jetstream.New(nc)
	if err != nil {
		t.Fatal(err)
	}
	list := js.StreamNames(t.Context())
	for name := range list.Name() {
		names = append(names, name)
	}
	if err := list.Err(); err != nil {
		t.Fatal(err)
	}
	return names
}

// TestOpen_Existing: what is to make nothing says that a farm is not there, and makes
// nothing.
func TestOpen_Existing(t *testing.T) {
	s := natsServer(t, &natsserver.Options{JetStream: true, JetStreamMaxStore: 64 << 20})
	c := Config{URL: s.ClientURL(), Name: "typo", Existing: true, Log: quiet()}
	f, err := Open(t.Context(), c)
	var absent *NoFarmError
	if !errors.As(err, &absent) || err.Error() != "no farm named typo at "+s.ClientURL() {
		t.Fatalf("%v, %v", f, err)
	}
	if list := streams(t, s.ClientURL()); len(list) != 0 {
		t.Errorf("it has made %v", list)
	}
	c.Existing = false
	if f, err = Open(t.Context(), c); err != nil {
		t.Fatal(err)
	}
	f.Close()
	c.Existing = true
	if f, err = Open(t.Context(), c); err != nil {
		t.Fatalf("the farm is there: %v", err)
	}
	defer f.Close()
	if _, err := f.Lag(t.Context()); err != nil {
		t.Error(err)
	}
	if _, _, err := f.Jobs(t.Context(), "", 10); err != nil {
		t.Error(err)
	}
}

// TestOpen_NoJetStream: a server without JetStream is not waited for.
func TestOpen_NoJetStream(t *testing.T) {
	plain := natsServer(t, &natsserver.Options{})
	for _, wait := range []bool{false, true} {
		// Whoever waits hears of the end of this time, and of nothing else.
		ctx, cancel := context.WithTimeout(t.Context(), 30*time.Second)
		f, err := Open(ctx, Config{URL: plain.ClientURL(), RetryConnect: wait, Patience: time.Hour, Log: quiet()})
		cancel()
		var without *NoJetStreamError
		if !errors.As(err, &without) || !strings.Contains(err.Error(), plain.ClientURL()+" runs without JetStream") {
			t.Errorf("waiting %v: %v, %v", wait, f, err)
		}
	}

	// Where another of its cluster has it, that one may be about to elect its leader.
	port := freePorts(t, 1)[0]
	o := &natsserver.Options{ServerName: "without"}
	o.Cluster = natsserver.ClusterOpts{Name: "pilots", Host: "127.0.0.1", Port: port}
	beside := natsServer(t, o)
	o = &natsserver.Options{JetStream: true, JetStreamMaxStore: 64 << 20, ServerName: "with", Routes: natsserver.RoutesFromStr("nats://127.0.0.1:" + strconv.Itoa(port))}
	o.Cluster = natsserver.ClusterOpts{Name: "pilots", Host: "127.0.0.1", Port: natsserver.RANDOM_PORT}
	natsServer(t, o)
	ctx, cancel := context.WithTimeout(t.Context(), 30*time.Second)
	defer cancel()
	for { // until the two have met
		f, err := Open(ctx, Config{URL: beside.ClientURL(), Patience: 100 * time.Millisecond, Log: quiet()})
		if err == nil {
			f.Close()
			break
		}
		if !errors.As(err, new(*NoJetStreamError)) {
			break // it was waited for
		}
		if ctx.Err() != nil {
			t.Fatalf("beside a server with JetStream: %v", err)
		}
	}
}
