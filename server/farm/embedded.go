package farm

import (
	"context"
	"crypto/rand"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"net"
	"os"
	"path/filepath"
	"strconv"
	"sync"
	"sync/atomic"
	"time"

	natsserver "github.com/nats-io/nats-server/v2/server"
)

// Embedded is the farm's server of one machine: a NATS server inside one of the
// programs that use its folder, on loopback, with a token that only the folder's
// owner can read. The operating system's lock on a file in the folder says which
// program has the store open; when that one goes, the next takes its place at the
// same address, and all connect again.
type Embedded struct {
	folder string
	bytes  int64
	note   func(message string, args ...any)

	mu     sync.Mutex
	lock   *os.File
	server *natsserver.Server
	ended  chan struct{}
	wg     sync.WaitGroup
	// full says that the disk has next to no room.
	full atomic.Bool
}

// A server whose disk is full stops to store for good. So it is started anew when
// there is room again: full is below the first of these, room above the second.
const (
	fullBytes = 4 << 20
	roomAgain = 8 << 20
)

// address is the file that tells other programs where the server is.
type address struct {
	URL   string `json:"url"`
	Token string `json:"token"`
	Port  int    `json:"port"`
}

const addressFile = "server.json"

// DefaultFolder is where the farm of this machine keeps its data.
func DefaultFolder() string {
	if d := os.Getenv("XDG_STATE_HOME"); filepath.IsAbs(d) {
		return filepath.Join(d, "selvage", "farm")
	}
	home, err := os.UserHomeDir()
	if err != nil {
		return filepath.Join(os.TempDir(), "selvage-farm-"+strconv.Itoa(os.Getuid()))
	}
	return filepath.Join(home, ".local", "state", "selvage", "farm")
}

// OpenEmbedded serves the folder's farm, or finds the program that does. bytes
// bounds the store on disk; zero: three quarters of what is free. note takes
// records. Put its URL and token into a Config, and close it after the Farm.
func OpenEmbedded(ctx context.Context, folder string, bytes int64, note func(message string, args ...any)) (*Embedded, error) {
	if note == nil {
		note = func(string, ...any) {}
	}
	if err := os.MkdirAll(folder, 0o700); err != nil {
		return nil, fmt.Errorf("farm: %w", err)
	}
	e := &Embedded{folder: folder, bytes: bytes, note: note, ended: make(chan struct{})}
	// Between another program's lock and its address a moment may pass.
	deadline := time.Now().Add(20 * time.Second)
	for {
		serving, err := e.serve()
		if err != nil {
			return nil, err
		}
		if serving || e.reachable() {
			break
		}
		if time.Now().After(deadline) {
			return nil, fmt.Errorf("farm: another program has %s open and does not answer", folder)
		}
		select {
		case <-time.After(50 * time.Millisecond):
		case <-ctx.Done():
			return nil, ctx.Err()
		}
	}
	e.wg.Go(e.stand)
	return e, nil
}

// IsServed reports whether a folder has a farm's server, running or not.
func IsServed(folder string) bool {
	_, err := os.Stat(filepath.Join(folder, addressFile))
	return err == nil
}

// Configure puts the server's address into c. A connection waits for a server: the
// program that has it may be about to end, and then another takes its place.
func (e *Embedded) Configure(c Config) (Config, error) {
	a, err := e.address()
	c.URL, c.Token, c.RetryConnect, c.embedded = a.URL, a.Token, true, true
	e.mu.Lock()
	defer e.mu.Unlock()
	if e.server != nil {
		c.server, c.full = e, e.full.Load
	}
	return c, err
}

// InProcessConn is a connection to the server where it is in this process.
func (e *Embedded) InProcessConn() (net.Conn, error) {
	e.mu.Lock()
	defer e.mu.Unlock()
	if e.server == nil {
		return nil, errors.New("farm: the server is not running")
	}
	return e.server.InProcessConn()
}

// Serving reports whether the server is in this process.
func (e *Embedded) Serving() bool {
	e.mu.Lock()
	defer e.mu.Unlock()
	return e.server != nil
}

// Close stops the server where it is in this process.
func (e *Embedded) Close() {
	close(e.ended)
	e.wg.Wait()
	e.mu.Lock()
	defer e.mu.Unlock()
	if e.server != nil {
		e.server.Shutdown()
		e.server.WaitForShutdown()
		e.server = nil
	}
	if e.lock != nil {
		e.lock.Close() // and with it the lock
		e.lock = nil
	}
}

// stand takes the server's place when its program goes, and looks after it then.
func (e *Embedded) stand() {
	ticker := time.NewTicker(300 * time.Millisecond)
	defer ticker.Stop()
	for {
		select {
		case <-e.ended:
			return
		case <-ticker.C:
		}
		if e.Serving() {
			e.look()
		} else if _, err := e.serve(); err != nil {
			e.note("the farm's store cannot be opened", "error", err)
		}
	}
}

// look starts the server anew where it has stopped to store and there is room.
func (e *Embedded) look() {
	free, err := freeBytes(e.folder)
	if err != nil {
		return
	}
	if free < fullBytes {
		if !e.full.Swap(true) {
			e.note("the disk of the farm is full", "folder", e.folder, "free", free)
		}
		return
	}
	e.mu.Lock()
	defer e.mu.Unlock()
	if free < roomAgain || !e.full.Load() && e.server.JetStreamEnabled() {
		return
	}
	e.note("the farm's server starts again", "folder", e.folder, "free", free)
	a, err := e.address()
	if err == nil {
		e.server.Shutdown()
		e.server.WaitForShutdown()
		var s *natsserver.Server
		if s, err = e.start(a); err == nil {
			e.server = s
			e.full.Store(false)
		}
	}
	if err != nil { // tried again soon
		e.note("the farm's server does not start", "error", err)
	}
}

// serve starts the server unless another program has the folder.
func (e *Embedded) serve() (bool, error) {
	e.mu.Lock()
	defer e.mu.Unlock()
	f, err := os.OpenFile(filepath.Join(e.folder, "lock"), os.O_RDWR|os.O_CREATE, 0o600)
	if err != nil {
		return false, fmt.Errorf("farm: %w", err)
	}
	if ok, err := lockFile(f); err != nil || !ok {
		f.Close()
		return false, err
	}
	a, err := e.address()
	if err != nil && !errors.Is(err, fs.ErrNotExist) {
		e.note("the farm's address cannot be read and is made anew", "error", err)
	}
	if a.Token == "" {
		a.Token = rand.Text()
	}
	if a.Port != 0 && !free(a.Port) {
		a.Port = 0 // somebody else has it by now
	}
	s, err := e.start(a)
	if err != nil {
		f.Close()
		return false, err
	}
	a.URL = s.ClientURL()
	if tcp, ok := s.Addr().(*net.TCPAddr); ok {
		a.Port = tcp.Port
	}
	if err := e.write(a); err != nil {
		s.Shutdown()
		s.WaitForShutdown()
		f.Close()
		return false, fmt.Errorf("farm: %w", err)
	}
	e.server, e.lock = s, f
	e.note("serving the farm", "folder", e.folder, "port", a.Port)
	return true, nil
}

// start starts the server at an address, on any port where it names none.
func (e *Embedded) start(a address) (*natsserver.Server, error) {
	if a.Port == 0 {
		a.Port = natsserver.RANDOM_PORT
	}
	s, err := natsserver.NewServer(&natsserver.Options{
		ServerName: "selvage-" + strconv.Itoa(os.Getpid()),
		Host:       "127.0.0.1", Port: a.Port, Authorization: a.Token,
		JetStream: true, StoreDir: filepath.Join(e.folder, "store"), JetStreamMaxStore: e.bytes,
		NoLog: true, NoSigs: true, MaxControlLine: 4096,
	})
	if err != nil {
		return nil, fmt.Errorf("farm: %w", err)
	}
	s.Start()
	if !s.ReadyForConnections(15*time.Second) || !s.JetStreamEnabled() {
		s.Shutdown()
		s.WaitForShutdown()
		return nil, fmt.Errorf("farm: the server in %s does not start", e.folder)
	}
	return s, nil
}

func free(port int) bool {
	l, err := net.Listen("tcp", net.JoinHostPort("127.0.0.1", strconv.Itoa(port)))
	if err != nil {
		return false
	}
	l.Close()
	return true
}

func (e *Embedded) address() (address, error) {
	var a address
	text, err := os.ReadFile(filepath.Join(e.folder, addressFile))
	if err != nil {
		return a, err
	}
	return a, json.Unmarshal(text, &a)
}

// write makes the address file, whole or not at all.
func (e *Embedded) write(a address) error {
	text, err := json.Marshal(a)
	if err != nil {
		return err
	}
	f, err := os.CreateTemp(e.folder, ".server-") // readable by its owner alone
	if err != nil {
		return err
	}
	_, err = f.Write(append(text, '\n'))
	if e := f.Close(); err == nil {
		err = e
	}
	if err == nil {
		err = os.Rename(f.Name(), filepath.Join(e.folder, addressFile))
	}
	if err != nil {
		os.Remove(f.Name())
	}
	return err
}

// reachable reports whether something listens at the recorded address.
func (e *Embedded) reachable() bool {
	a, err := e.address()
	if err != nil {
		return false
	}
	c, err := net.DialTimeout("tcp", net.JoinHostPort("127.0.0.1", strconv.Itoa(a.Port)), time.Second)
	if err != nil {
		return false
	}
	c.Close()
	return true
}
