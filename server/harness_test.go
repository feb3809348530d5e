package server_test

import (
	"bytes"
	"context"
	"io"
	"log/slog"
	"sync"
	"testing"
	"time"

	"github.com/selvage/selvage/client"
	"github.com/selvage/selvage/server"
	"github.com/selvage/selvage/transfer"
	"github.com/selvage/selvage/transfer/crew"
	"github.com/selvage/selvage/transfer/gltfio"
	"go.uber.org/goleak"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// running is a server on a free port of loopback.
type running struct {
	*server.Server
	addr string
	// stop asks for a graceful stop and waits for its end.
	stop func() error
}

// start serves until the test ends.
func start(t testing.TB, c server.Config) *running {
	t.Helper()
	if c.Listen == "" {
		c.Listen = "127.0.0.1:0"
	}
	if c.Log == nil {
		c.Log = slog.New(slog.NewTextHandler(io.Discard, nil))
	}
	if c.Store == "" {
		c.Store = t.TempDir()
	}
	if c.Grace == 0 {
		c.Grace = 2 * time.Second
	}
	s, err := server.NewServer(c)
	if err != nil {
		t.Fatal(err)
	}
	if err := s.Listen(t.Context()); err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	ended := make(chan error, 1)
	go func() { ended <- s.Serve(ctx) }()
	var once sync.Once
	var failure error
	stop := func() error {
		once.Do(func() {
			cancel()
			failure = <-ended
		})
		return failure
	}
	t.Cleanup(func() {
		if err := stop(); err != nil {
			t.Errorf("serve: %v", err)
		}
	})
	return &running{s, s.Addr().String(), stop}
}

// dial connects a client that closes with the test.
func dial(t testing.TB, addr string, opts ...client.Option) *client.Client {
	t.Helper()
	c, err := client.Dial(t.Context(), addr, opts...)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { c.Close() })
	return c
}

// wardrobe is the mate's body and clothes as files, with what a transfer in
// process makes of them.
type wardrobe struct {
	body     []byte
	names    []string
	garments [][]byte

	prepared *transfer.AssetBody
}

func glb(write func(io.Writer) error) []byte {
	var b bytes.Buffer
	if err := write(&b); err != nil {
		panic(err)
	}
	return b.Bytes()
}

var theWardrobe = sync.OnceValue(func() *wardrobe {
	member := crew.NewBody("mate")
	w := &wardrobe{body: glb(member.WriteGLB)}
	for _, g := range member.Wardrobe() {
		w.names = append(w.names, crew.FileName(g.Name))
		w.garments = append(w.garments, glb(g.WriteGLB))
	}
	asset, err := gltfio.Parse(w.body, "body.glb", gltfio.Options{})
	if err != nil {
		panic(err)
	}
	if w.prepared, err = transfer.PrepareAsset(context.Background(), asset, gltfio.Selection{}, 0); err != nil {
		panic(err)
	}
	return w
})

// local is the transfer in process of garment k.
func (w *wardrobe) local(t testing.TB, k int, opt transfer.AssetOptions) ([]byte, *transfer.Result) {
	t.Helper()
	asset, err := gltfio.Parse(w.garments[k], w.names[k], gltfio.Options{})
	if err != nil {
		t.Fatal(err)
	}
	out, r, err := w.prepared.Transfer(t.Context(), asset, opt)
	if err != nil {
		t.Fatal(err)
	}
	return glb(out.Encode), r
}

func (w *wardrobe) bodyAsset() *client.Asset { return client.NewAsset("body.glb", w.body) }

func (w *wardrobe) garmentAsset(k int) *client.Asset {
	return client.NewAsset(w.names[k], w.garments[k])
}
