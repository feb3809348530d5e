package server

// The parts of the server alone: store, lanes, tokens.

import (
	"context"
	"crypto/sha256"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"
)

// text is a glTF asset of about size bytes that differs by n.
func text(n, size int) []byte {
	s := fmt.Sprintf(`{"asset":{"version":"2.0","generator":"%d`, n)
	return []byte(s + strings.Repeat("x", max(0, size-len(s)-3)) + `"}}`)
}

func put(t *testing.T, s *store, data []byte) digest {
	t.Helper()
	id := digest(sha256.Sum256(data))
	u, err := s.begin(id, int64(len(data)))
	if err != nil {
		t.Fatal(err)
	}
	defer u.abort()
	if err := u.write(data); err != nil {
		t.Fatal(err)
	}
	o, err := u.check(t.Context(), 1<<20)
	if err != nil {
		t.Fatal(err)
	}
	if err := u.commit(o, ""); err != nil {
		t.Fatal(err)
	}
	return id
}

func open(t *testing.T, folder string, capacity int64) *store {
	t.Helper()
	s, err := openStore(folder, capacity)
	if err != nil {
		t.Fatal(err)
	}
	return s
}

func files(t *testing.T, folder string) int {
	t.Helper()
	list, err := os.ReadDir(folder)
	if err != nil {
		t.Fatal(err)
	}
	return len(list)
}

func TestStore_KeepsAcrossRestart(t *testing.T) {
	dir := t.TempDir()
	s := open(t, dir, 1<<20)
	id := put(t, s, text(1, 500))
	put(t, s, text(1, 500)) // once more
	if used, pending := s.bytes(); used != 500 || pending != 0 {
		t.Errorf("%d bytes used, %d pending; want 500 and 0", used, pending)
	}
	// What a crash leaves behind.
	for _, name := range []string{uploadPrefix + "12", strings.Repeat("a", 64) + assetSuffix, "other.txt"} {
		if err := os.WriteFile(filepath.Join(dir, name), []byte("{}"), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	s = open(t, dir, 1<<20)
	data, err := s.read(t.Context(), id)
	if err != nil || string(data) != string(text(1, 500)) {
		t.Errorf("after the restart: %d bytes, %v", len(data), err)
	}
	if n := files(t, dir); n != 3 { // asset, outline, and what is not ours
		t.Errorf("%d files, want 3", n)
	}
}

func TestStore_EvictsLeastRecentlyUsed(t *testing.T) {
	dir := t.TempDir()
	s := open(t, dir, 1000)
	a, b := put(t, s, text(1, 400)), put(t, s, text(2, 400))
	if _, err := s.get(a); err != nil { // now b is older
		t.Fatal(err)
	}
	c := put(t, s, text(3, 400))
	for id, want := range map[digest]bool{a: true, b: false, c: true} {
		if _, err := s.get(id); (err == nil) != want {
			t.Errorf("%v: %v, want it held: %v", id, err, want)
		}
	}
	if n := files(t, dir); n != 4 {
		t.Errorf("%d files, want 4", n)
	}
	var over *overloadError
	u, err := s.begin(digest{}, 900)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := s.begin(digest{}, 900); !errors.As(err, &over) {
		t.Errorf("a second upload that does not fit: %v", err)
	}
	u.abort()
	if used, pending := s.bytes(); used+pending > 1000 || pending != 0 {
		t.Errorf("%d bytes used, %d pending", used, pending)
	}
}

func TestStore_DropsDamaged(t *testing.T) {
	dir := t.TempDir()
	s := open(t, dir, 1000)
	id := put(t, s, text(1, 400))
	file := s.path(id, assetSuffix)
	data, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	data[100]++
	if err := os.WriteFile(file, data, 0o600); err != nil {
		t.Fatal(err)
	}
	if _, err := s.read(t.Context(), id); !errors.Is(err, errDamaged) {
		t.Errorf("error %v, want damaged", err)
	}
	var missing *notFoundError
	if _, err := s.read(t.Context(), id); !errors.As(err, &missing) {
		t.Errorf("error %v, want not found", err)
	}
	if n := files(t, dir); n != 0 {
		t.Errorf("%d files are left", n)
	}
}

// TestStore_FileTakenAway: an asset whose file went is not held, and can be
// uploaded again.
func TestStore_FileTakenAway(t *testing.T) {
	s := open(t, t.TempDir(), 1000)
	id := put(t, s, text(1, 400))
	if err := os.Remove(s.path(id, assetSuffix)); err != nil {
		t.Fatal(err)
	}
	var missing *notFoundError
	if _, err := s.read(t.Context(), id); !errors.As(err, &missing) {
		t.Errorf("error %v, want not found", err)
	}
	if _, err := s.get(id); !errors.As(err, &missing) {
		t.Errorf("afterwards: %v, want not found", err)
	}
	put(t, s, text(1, 400))
	if data, err := s.read(t.Context(), id); err != nil || len(data) != 400 {
		t.Errorf("uploaded again: %d bytes, %v", len(data), err)
	}
}

// TestUpload_SameBytesAtOnce: of many uploads of the same bytes one is kept.
func TestUpload_SameBytesAtOnce(t *testing.T) {
	dir := t.TempDir()
	s := open(t, dir, 1<<20)
	var wg sync.WaitGroup
	for range 20 {
		wg.Go(func() { put(t, s, text(1, 400)) })
	}
	wg.Wait()
	if used, pending := s.bytes(); used != 400 || pending != 0 {
		t.Errorf("%d bytes used, %d pending; want 400 and 0", used, pending)
	}
	if n := files(t, dir); n != 2 {
		t.Errorf("%d files, want 2", n)
	}
}

func TestUpload_Faults(t *testing.T) {
	good := text(1, 300)
	id := digest(sha256.Sum256(good))
	for _, c := range []struct {
		name string
		size int64
		data []byte
	}{
		{"too short", 301, good}, {"too long", 299, good}, {"another hash", 300, text(2, 300)},
	} {
		t.Run(c.name, func(t *testing.T) {
			dir := t.TempDir()
			s := open(t, dir, 1000)
			u, err := s.begin(id, c.size)
			if err != nil {
				t.Fatal(err)
			}
			err = u.write(c.data)
			if err == nil {
				_, err = u.check(t.Context(), 1<<20)
			}
			var fault *uploadError
			if !errors.As(err, &fault) {
				t.Errorf("error %v, want one of the upload", err)
			}
			u.abort()
			u.abort()
			if n := files(t, dir); n != 0 {
				t.Errorf("%d files are left", n)
			}
			if used, pending := s.bytes(); used != 0 || pending != 0 {
				t.Errorf("%d bytes used, %d pending", used, pending)
			}
		})
	}
}

func TestAdmission_QueueAndDelay(t *testing.T) {
	a := newAdmission(1600, 1, 1, 50*time.Millisecond)
	first, err := a.acquire(t.Context(), 10)
	if err != nil {
		t.Fatal(err)
	}
	// The one place in the queue is taken by a call that waits until its time is up.
	waited := make(chan error, 1)
	go func() {
		_, err := a.acquire(context.Background(), 10)
		waited <- err
	}()
	for a.waiting.Load() == 0 {
		time.Sleep(time.Millisecond)
	}
	var over *overloadError
	if _, err := a.acquire(t.Context(), 10); !errors.As(err, &over) || over.retry <= 0 {
		t.Errorf("queue full: %v", err)
	}
	if err := <-waited; !errors.As(err, &over) {
		t.Errorf("waited too long: %v", err)
	}
	first.done() // the result is on its way, the slot is free
	second, err := a.acquire(t.Context(), 10)
	if err != nil {
		t.Fatal(err)
	}
	gone, cancel := context.WithCancel(context.Background())
	cancel()
	if _, err := a.acquire(gone, 10); !errors.Is(err, context.Canceled) {
		t.Errorf("cancelled: %v", err)
	}
	for _, k := range []*ticket{first, second, first} {
		k.release()
	}
	if a.held.Load() != 0 || a.running.Load() != 0 || a.waiting.Load() != 0 {
		t.Errorf("at the end: %d bytes held, %d running, %d waiting", a.held.Load(), a.running.Load(), a.waiting.Load())
	}
}

func TestAdmission_LargeNeverBlocksSmall(t *testing.T) {
	a := newAdmission(1600, 2, 10, 5*time.Second)
	large, err := a.acquire(t.Context(), 1200)
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	waited := make(chan error, 1)
	go func() { // a second large one queues
		_, err := a.acquire(ctx, 1200)
		waited <- err
	}()
	for a.waiting.Load() == 0 {
		time.Sleep(time.Millisecond)
	}
	for range 4 {
		soon, stop := context.WithTimeout(t.Context(), time.Second)
		k, err := a.acquire(soon, 100)
		stop()
		if err != nil {
			t.Fatalf("a small call beside two large ones: %v", err)
		}
		k.release()
	}
	cancel()
	if err := <-waited; !errors.Is(err, context.Canceled) {
		t.Errorf("the second large one: %v", err)
	}
	large.release()
	var limit *limitError
	if _, err := a.acquire(t.Context(), 1201); !errors.As(err, &limit) {
		t.Errorf("more than the large lane: %v", err)
	}
}

func TestParseTokens(t *testing.T) {
	hash := strings.Repeat("0f", 32)
	for _, c := range []struct {
		name, text, fault string
		tokens            int
	}{
		{"good", "# crew\n\nmate " + hash + "\n  cox\t" + strings.ToUpper(hash) + "\r\n", "", 2},
		{"none", "# nobody\n", "no token", 0},
		{"one word", "mate\n", "line 1", 0},
		{"short hash", "mate 0f0f\n", "line 1", 0},
		{"no hash", "ok " + hash + "\nmate " + strings.Repeat("zz", 32), "line 2", 0},
		{"same name", "mate " + hash + "\nmate " + hash, "line 2", 0},
	} {
		t.Run(c.name, func(t *testing.T) {
			list, err := parseTokens([]byte(c.text))
			if c.fault == "" && (err != nil || len(list) != c.tokens) {
				t.Errorf("%d tokens, %v", len(list), err)
			}
			if c.fault != "" && (err == nil || !strings.Contains(err.Error(), c.fault)) {
				t.Errorf("error %v, want one with %q", err, c.fault)
			}
			if err != nil && strings.Contains(err.Error(), hash) {
				t.Error("the error shows a hash")
			}
		})
	}
}

// FuzzParseTokens reads token files of any bytes.
func FuzzParseTokens(f *testing.F) {
	f.Add([]byte("mate " + strings.Repeat("0f", 32)))
	f.Fuzz(func(t *testing.T, data []byte) {
		if list, err := parseTokens(data); err == nil && len(list) == 0 {
			t.Error("no token and no error")
		}
	})
}

func TestConfig(t *testing.T) {
	for _, c := range []struct {
		name, setting string
		config        Config
	}{
		{"zero", "", Config{}},
		{"loopback by name", "", Config{Listen: "localhost:0"}},
		{"loopback of version 6", "", Config{Listen: "[::1]:0"}},
		{"all addresses", "listen", Config{Listen: "0.0.0.0:7411"}},
		{"no host", "listen", Config{Listen: ":7411"}},
		{"a name", "listen", Config{Listen: "pilot.example:7411"}},
		{"no port", "listen", Config{Listen: "127.0.0.1"}},
		{"elsewhere with TLS", "", Config{Listen: "0.0.0.0:7411", TLSCert: "c", TLSKey: "k"}},
		{"elsewhere by flag", "", Config{Listen: "0.0.0.0:7411", AllowInsecure: true}},
		{"admin elsewhere", "admin", Config{Admin: "0.0.0.0:7412", TLSCert: "c", TLSKey: "k"}},
		{"key alone", "tls-cert", Config{TLSKey: "k"}},
		{"authorities alone", "client-ca", Config{ClientCA: "c"}},
		{"negative", "queue", Config{Queue: -1}},
		{"messages below two chunks", "max-message-bytes", Config{MaxMessageBytes: 1 << 20}},
		{"asset over store", "max-asset-bytes", Config{MaxAssetBytes: 2, StoreBytes: 1}},
	} {
		t.Run(c.name, func(t *testing.T) {
			_, err := NewServer(c.config)
			var fault *ConfigError
			if c.setting == "" && err != nil || c.setting != "" && (!errors.As(err, &fault) || fault.Setting != c.setting) {
				t.Errorf("error %v, want one of %q", err, c.setting)
			}
		})
	}
}
