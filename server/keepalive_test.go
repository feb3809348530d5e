package server

// Connections over a real socket, frame by frame (RFC 9113): what the gRPC
// library's own client would never do.

import (
	"errors"
	"io"
	"net"
	"testing"
	"time"

	pb "github.com/selvage/selvage/api/selvage/v1"
	"golang.org/x/net/http2"
)

// peer is the client's end of an HTTP/2 connection.
type peer struct {
	t      *testing.T
	conn   net.Conn
	framer *http2.Framer
	deaf   bool // answers no ping
}

func newPeer(t *testing.T, addr string) *peer {
	t.Helper()
	conn, err := net.DialTimeout("tcp", addr, 5*time.Second)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { conn.Close() })
	if _, err := io.WriteString(conn, http2.ClientPreface); err != nil {
		t.Fatal(err)
	}
	p := &peer{t: t, conn: conn, framer: http2.NewFramer(conn, conn)}
	if err := p.framer.WriteSettings(); err != nil {
		t.Fatal(err)
	}
	return p
}

// read takes frames, answering as a client must, until stop accepts one or the
// server closes the connection, within most. closed says that it did.
func (p *peer) read(most time.Duration, stop func(http2.Frame) bool) (closed bool) {
	p.t.Helper()
	if err := p.conn.SetReadDeadline(time.Now().Add(most)); err != nil {
		p.t.Fatal(err)
	}
	for {
		f, err := p.framer.ReadFrame()
		var late net.Error
		if errors.As(err, &late) && late.Timeout() {
			return false
		}
		if err != nil {
			return true
		}
		switch x := f.(type) {
		case *http2.SettingsFrame:
			if !x.IsAck() {
				_ = p.framer.WriteSettingsAck() // a closed connection shows when reading
			}
		case *http2.PingFrame:
			if !x.IsAck() && !p.deaf {
				_ = p.framer.WritePing(true, x.Data)
			}
		}
		if stop(f) {
			return false
		}
	}
}

// sentAway reads until the server closes and returns the first GOAWAY, nil where
// there was none or the connection stays open.
func (p *peer) sentAway(most time.Duration) (first *http2.GoAwayFrame, text string, closed bool) {
	p.t.Helper()
	closed = p.read(most, func(f http2.Frame) bool {
		if x, ok := f.(*http2.GoAwayFrame); ok && first == nil {
			first, text = x, string(x.DebugData()) // the data is the framer's
		}
		return false
	})
	return first, text, closed
}

// patient are limits that no test waits for.
var patient = keepAlive{idle: time.Hour, ping: time.Hour, answer: time.Hour, least: time.Hour}

func TestKeepAlive_TooManyPings(t *testing.T) {
	alive := patient
	alive.least = 100 * time.Millisecond
	conn := runningWith(t, Config{}, alive)
	hasty, calm := newPeer(t, conn.Target()), newPeer(t, conn.Target())
	// Calm leaves three times as long as it must and is answered every time.
	answers := 0
	for range 5 {
		if err := calm.framer.WritePing(false, [8]byte{1}); err != nil {
			t.Fatal(err)
		}
		if closed := calm.read(300*time.Millisecond, func(f http2.Frame) bool {
			if x, ok := f.(*http2.PingFrame); ok && x.IsAck() {
				answers++
			}
			return false
		}); closed {
			t.Fatal("a client that pings seldom was cut off")
		}
	}
	if answers != 5 {
		t.Errorf("%d of 5 pings were answered", answers)
	}
	for range 20 {
		if err := hasty.framer.WritePing(false, [8]byte{2}); err != nil {
			break // the server has closed already
		}
	}
	away, text, closed := hasty.sentAway(5 * time.Second)
	if away == nil || away.ErrCode != http2.ErrCodeEnhanceYourCalm || text != "too_many_pings" || !closed {
		t.Errorf("a client that pings too often: %v %q, closed %v", away, text, closed)
	}
	// Others are served.
	if _, err := pb.NewSelvageServiceClient(conn).GetServerInfo(t.Context(), &pb.GetServerInfoRequest{}); err != nil {
		t.Error(err)
	}
}

func TestKeepAlive_Idle(t *testing.T) {
	alive := patient
	alive.idle = 300 * time.Millisecond
	conn := runningWith(t, Config{}, alive)
	began := time.Now()
	away, _, closed := newPeer(t, conn.Target()).sentAway(10 * time.Second)
	if away == nil || away.ErrCode != http2.ErrCodeNo || !closed {
		t.Errorf("an idle connection: %v, closed %v", away, closed)
	}
	if d := time.Since(began); d < alive.idle {
		t.Errorf("sent away after %v, before the %v were over", d, alive.idle)
	}
	// The library's client takes it for what it is and connects anew.
	api := pb.NewSelvageServiceClient(conn)
	for range 2 {
		if _, err := api.GetServerInfo(t.Context(), &pb.GetServerInfoRequest{}); err != nil {
			t.Error(err)
		}
		time.Sleep(2 * alive.idle)
	}
}

// TestKeepAlive_Gone: a peer that answers no ping is cut off, one that does stays.
// The library pings once a second at most.
func TestKeepAlive_Gone(t *testing.T) {
	alive := patient
	alive.ping, alive.answer = time.Second, 200*time.Millisecond
	conn := runningWith(t, Config{}, alive)
	deaf, awake := newPeer(t, conn.Target()), newPeer(t, conn.Target())
	deaf.deaf = true
	gone := make(chan bool, 1)
	go func() { gone <- deaf.read(10*time.Second, func(http2.Frame) bool { return false }) }()
	pings := 0
	if closed := awake.read(3*time.Second, func(f http2.Frame) bool {
		if x, ok := f.(*http2.PingFrame); ok && !x.IsAck() {
			pings++
		}
		return pings == 2
	}); closed || pings < 2 {
		t.Errorf("a peer that answers: closed %v, %d pings", closed, pings)
	}
	if !<-gone {
		t.Error("a peer that answers no ping stays connected")
	}
}

// TestKeepAlive_Defaults: a server has the limits that these tests shorten, and the
// library takes them as they are (it pings once a second at most).
func TestKeepAlive_Defaults(t *testing.T) {
	s, err := NewServer(Config{})
	if err != nil {
		t.Fatal(err)
	}
	if s.alive != defaultKeepAlive || s.alive.ping < time.Second {
		t.Errorf("a server has %+v", s.alive)
	}
}
