package farm

// The store full, the line cut: nothing is lost, no try is used up for it.

import (
	"context"
	"fmt"
	"net"
	"net/url"
	"path/filepath"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	natsserver "github.com/nats-io/nats-server/v2/server"
	"github.com/nats-io/nats.go/jetstream"
	pb "github.com/selvage/selvage/api/selvage/v1"
)

// TestFarm_StoreFull: results do not fit into the server's store (JetStream's own
// limit on it, 48 MiB less what a file takes). Workers rest, and go on when there
// is room.
func TestFarm_StoreFull(t *testing.T) {
	s, err := natsserver.NewServer(&natsserver.Options{
		Host: "127.0.0.1", Port: natsserver.RANDOM_PORT, JetStream: true, StoreDir: t.TempDir(), JetStreamMaxStore: 48 << 20, NoLog: true, NoSigs: true,
	})
	if err != nil {
		t.Fatal(err)
	}
	s.Start()
	t.Cleanup(func() { s.Shutdown(); s.WaitForShutdown() })
	if !s.ReadyForConnections(10 * time.Second) {
		t.Fatal("no server")
	}
	f, err := Open(t.Context(), Config{URL: s.ClientURL(), Log: quiet()})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(f.Close)
	id, _ := create(t, f, theScene().variants(t, f, 4))
	// Something else takes the room that is left, to about 100 KB.
	fill := make([]byte, 100<<10)
	ballast := func(k int) string { return fmt.Sprintf("ballast-%d", k) }
	n := 0
	for ; n < 1000; n++ {
		if err := f.results.write(t.Context(), ballast(n), fill, sumOf(fill), nil); err != nil {
			if !isFull(err) {
				t.Fatalf("after %d: %v", n, err)
			}
			break
		}
	}
	work(t, f, WorkerConfig{MaxTries: 1, RetryDelay: 50 * time.Millisecond, RefuseDelay: 200 * time.Millisecond})
	time.Sleep(2 * time.Second)
	job, err := f.Job(t.Context(), id)
	if err != nil || job.GetFailedCount() != 0 || job.GetDoneCount() == 4 {
		t.Fatalf("with a full store: %v, %v", job, err)
	}
	// Room is made by a purge of pieces. To delete an object writes a mark first, for
	// which a full store has no room.
	for k := range n {
		info, _, err := f.results.record(t.Context(), ballast(k))
		if err != nil || info == nil {
			t.Fatalf("%s: %v, %v", ballast(k), info, err)
		}
		if err := f.results.stream.Purge(t.Context(), jetstream.WithPurgeSubject(f.results.pieceSubject(info.NUID))); err != nil {
			t.Fatal(err)
		}
	}
	if job := finish(t, f, id); job.GetDoneCount() != 4 {
		t.Errorf("%v", job)
	}
}

// cable is a TCP proxy that can be cut: what is sent meanwhile is swallowed, as by
// a line without a peer, and new connections hang.
type cable struct {
	net.Listener
	to    string
	cut   atomic.Bool
	delay atomic.Int64 // nanoseconds that each piece from the server waits
	wg    sync.WaitGroup
}

// newCable starts one. edit, where not nil, changes what comes from the server, in
// place.
func newCable(t *testing.T, to string, edit func([]byte)) *cable {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	c := &cable{Listener: l, to: to}
	go func() {
		for {
			a, err := l.Accept()
			if err != nil {
				return
			}
			b, err := net.Dial("tcp", to)
			if err != nil {
				a.Close()
				continue
			}
			for i, pair := range [][2]net.Conn{{a, b}, {b, a}} {
				fromServer := i == 1
				c.wg.Go(func() {
					defer pair[0].Close()
					defer pair[1].Close()
					buffer := make([]byte, 32<<10)
					for {
						n, err := pair[0].Read(buffer)
						if fromServer {
							time.Sleep(time.Duration(c.delay.Load()))
							if edit != nil {
								edit(buffer[:n])
							}
						}
						if !c.cut.Load() {
							if _, e := pair[1].Write(buffer[:n]); e != nil {
								return
							}
						}
						if err != nil {
							return
						}
					}
				})
			}
		}
	}()
	t.Cleanup(func() { l.Close() })
	return c
}

// through opens the farm once more, behind a cable.
func (f *Farm) through(t *testing.T, edit func([]byte)) (*Farm, *cable) {
	t.Helper()
	u, err := url.Parse(f.config.URL)
	if err != nil {
		t.Fatal(err)
	}
	line := newCable(t, u.Host, edit)
	c := f.config
	c.URL, c.server, c.full = "nats://"+line.Addr().String(), nil, nil
	far, err := Open(t.Context(), c)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(far.Close)
	return far, line
}

// TestFarm_CutLine: a worker loses its line in mid-task. Its task goes to another;
// when the line is back, the first goes on, and nothing is wrong or doubled.
func TestFarm_CutLine(t *testing.T) {
	folder := filepath.Join(t.TempDir(), "farm")
	f := open(t, folder, Config{AckWait: time.Second})
	far, line := f.through(t, nil)
	begun, goOn := make(chan struct{}, 1), make(chan struct{})
	w, _ := work(t, far, WorkerConfig{Name: "far", Tasks: 1, before: func(context.Context, *pb.QueuedTask) {
		select {
		case begun <- struct{}{}:
			<-goOn
		default:
		}
	}})
	s := theScene()
	id, _ := create(t, f, s.variants(t, f, 4))
	<-begun
	line.cut.Store(true)
	work(t, f, WorkerConfig{Name: "near", Tasks: 1})
	if job := finish(t, f, id); job.GetDoneCount() != 4 {
		t.Fatalf("%v", job)
	}
	close(goOn)
	line.cut.Store(false)
	// The far worker comes back, finds its task done, and takes new ones.
	until(t, "the far worker is free", func() bool { w.mu.Lock(); defer w.mu.Unlock(); return len(w.holding) == 0 })
	for k, x := range status(t, f, id) {
		data, err := f.Read(t.Context(), x.GetResult())
		if err != nil || string(data) != string(s.local(t, s.garment, optionsOf(k))) {
			t.Errorf("variant %d: other bytes than here, %v", k, err)
		}
		if strings.Contains(x.GetError(), "given up") {
			t.Errorf("%v", x)
		}
	}
	list, err := f.results.store.List(t.Context())
	if err != nil || len(list) != 4 {
		t.Errorf("%d results, %v", len(list), err)
	}
}
