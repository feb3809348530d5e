package main

// The service and its client as real processes.

import (
	"bufio"
	"bytes"
	"crypto/sha256"
	"encoding/json"
	"fmt"
	"image"
	"image/png"
	"io"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/goccy/go-yaml"
)

// served is a running selvage serve.
type served struct {
	address, admin string
	cmd            *exec.Cmd
	log            *bufio.Reader
}

// serve starts the command on a free port, with more arguments and environment.
func serve(t *testing.T, environment []string, args ...string) *served {
	t.Helper()
	cmd := exec.Command(command, append([]string{"serve", "--listen", "127.0.0.1:0", "--admin", ""}, args...)...)
	cmd.Env = append(os.Environ(), environment...)
	stderr, err := cmd.StderrPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	s := &served{cmd: cmd, log: bufio.NewReader(stderr)}
	t.Cleanup(func() { s.interrupt(t) })
	r := s.record(t, "serving")
	s.address, s.admin = r["address"].(string), r["admin"].(string)
	return s
}

// record reads the log up to the record with a message.
func (s *served) record(t *testing.T, message string) map[string]any {
	t.Helper()
	for {
		line, err := s.log.ReadString('\n')
		if err != nil {
			t.Fatalf("the log ends before %q: %q, %v", message, line, err)
		}
		var r map[string]any
		if err := json.Unmarshal([]byte(line), &r); err != nil {
			t.Fatalf("the log is not JSON: %q", line)
		}
		if r["msg"] == message {
			return r
		}
	}
}

// interrupt stops the server, once, and checks that it ends well.
func (s *served) interrupt(t *testing.T) {
	t.Helper()
	if s.cmd.ProcessState != nil {
		return
	}
	_ = s.cmd.Process.Signal(syscall.SIGTERM)
	_, _ = io.Copy(io.Discard, s.log)
	if err := s.cmd.Wait(); err != nil {
		t.Errorf("serve ended with %v", err)
	}
}

func TestServe_SameBytesAsLocal(t *testing.T) {
	s := serve(t, nil)
	local, remote := t.TempDir(), t.TempDir()
	garments := []string{cox("gloves"), cox("oilskin-coat"), cox("cape")}
	for _, c := range [][]string{
		nil,
		{"--format", "u8", "--max-influences", "8", "--plain", "--deny-joint", "hand*", "--fill", "biharmonic", "--threads", "1"},
	} {
		args := append(append([]string{"transfer", cox("body")}, garments...), c...)
		a := must(t, append(args, "--json", "-o", local)...)
		b := must(t, append(args, "--json", "-o", remote, "--server", s.address)...)
		for _, g := range garments {
			x, err := os.ReadFile(filepath.Join(local, filepath.Base(g)))
			if err != nil {
				t.Fatal(err)
			}
			y, err := os.ReadFile(filepath.Join(remote, filepath.Base(g)))
			if err != nil {
				t.Fatal(err)
			}
			if !bytes.Equal(x, y) {
				t.Errorf("%v %s: the server's file differs", c, filepath.Base(g))
			}
		}
		if x, y := withoutTimes(t, a.stdout), withoutTimes(t, b.stdout); x != y {
			t.Errorf("%v: summaries\n%s\n%s", c, x, y)
		}
	}
	call := s.record(t, "finished call")
	for key, want := range map[string]any{"grpc.code": "OK", "grpc.method": "GetServerInfo", "level": "INFO"} {
		if call[key] != want {
			t.Errorf("log: %s is %v, want %v", key, call[key], want)
		}
	}
	if id, _ := call["request_id"].(string); len(id) != 16 {
		t.Errorf("log: request id %q", id)
	}
}

// withoutTimes takes the seconds out of summaries.
func withoutTimes(t *testing.T, text string) string {
	t.Helper()
	var list []map[string]any
	if err := json.Unmarshal([]byte(text), &list); err != nil {
		t.Fatalf("%v: %s", err, text)
	}
	for _, s := range list {
		delete(s, "seconds")
	}
	out, err := json.Marshal(list)
	if err != nil {
		t.Fatal(err)
	}
	return string(out)
}

// TestServe_FilesBeside sends .gltf files with external buffers and images: the
// client puts them inside, and the result is as if made here.
func TestServe_FilesBeside(t *testing.T) {
	s := serve(t, nil)
	in := t.TempDir()
	var picture bytes.Buffer
	if err := png.Encode(&picture, image.NewGray(image.Rect(0, 0, 2, 2))); err != nil {
		t.Fatal(err)
	}
	if err := os.Mkdir(filepath.Join(in, "maps"), 0o755); err != nil {
		t.Fatal(err)
	}
	write(t, filepath.Join(in, "maps", "sheen 1.png"), picture.String())
	for _, name := range []string{"body", "gloves"} {
		doc, bin := readGLB(t, cox(name))
		list(doc, "buffers")[0]["uri"] = name + ".bin"
		write(t, filepath.Join(in, name+".bin"), string(bin))
		images, _ := doc["images"].([]any)
		doc["images"] = append(images, map[string]any{"uri": "maps/sheen%201.png"}, map[string]any{"uri": "gone.png"}, map[string]any{"uri": "data:,x"})
		text, err := json.Marshal(doc)
		if err != nil {
			t.Fatal(err)
		}
		write(t, filepath.Join(in, name+".gltf"), string(text))
	}
	body, garment := filepath.Join(in, "body.gltf"), filepath.Join(in, "gloves.gltf")
	for _, c := range []struct{ name, folder, file string }{
		{"elsewhere", t.TempDir(), "out.glb"}, {"elsewhere as JSON", t.TempDir(), "out.gltf"},
		{"beside the input", in, "out.glb"}, {"beside the input as JSON", in, "out.gltf"},
	} {
		t.Run(c.name, func(t *testing.T) {
			out := filepath.Join(c.folder, c.file)
			a := must(t, "transfer", body, garment, "-o", out, "--json")
			want, err := os.ReadFile(out)
			if err != nil {
				t.Fatal(err)
			}
			if err := os.Remove(out); err != nil {
				t.Fatal(err)
			}
			b := must(t, "transfer", body, garment, "-o", out, "--json", "--server", s.address)
			got, err := os.ReadFile(out)
			if err != nil {
				t.Fatal(err)
			}
			if !bytes.Equal(got, want) {
				t.Errorf("%d bytes that differ from the %d made here", len(got), len(want))
			}
			if x, y := withoutTimes(t, a.stdout), withoutTimes(t, b.stdout); x != y {
				t.Errorf("summaries\n%s\n%s", x, y)
			}
		})
	}
}

func TestServe_Token(t *testing.T) {
	dir := t.TempDir()
	tokens, secret := filepath.Join(dir, "tokens"), filepath.Join(dir, "secret")
	write(t, tokens, fmt.Sprintf("pipeline %x\n", sha256.Sum256([]byte("a long secret"))))
	write(t, secret, "a long secret\n")
	s := serve(t, nil, "--tokens", tokens)
	out := filepath.Join(dir, "out.glb")
	o := selvage(t, "transfer", cox("body"), cox("gloves"), "-o", out, "--server", s.address)
	if o.status != exitFailed || !strings.Contains(o.stderr, "bearer token is needed") {
		t.Errorf("without: status %d, %q", o.status, o.stderr)
	}
	oneSentence(t, o)
	must(t, "transfer", cox("body"), cox("gloves"), "-o", out, "--server", s.address, "--token-file", secret, "-q")
	if r := s.record(t, "refused"); !strings.Contains(fmt.Sprint(r["error"]), "token") {
		t.Errorf("log: %v", r)
	}
	call := s.record(t, "finished call")
	if call["caller"] != "pipeline" || strings.Contains(fmt.Sprint(call), "secret") {
		t.Errorf("log: %v", call)
	}
}

func TestServe_RemoteErrors(t *testing.T) {
	s := serve(t, nil)
	out := filepath.Join(t.TempDir(), "out.glb")
	for _, c := range []struct {
		name   string
		args   []string
		status int
	}{
		{"option", []string{"--max-influences", "9"}, exitUsage},
		{"no such mesh", []string{"--garment", "nobody"}, exitFailed},
		{"no such body", []string{"--body", "nobody"}, exitFailed},
	} {
		t.Run(c.name, func(t *testing.T) {
			args := append([]string{"transfer", cox("body"), cox("gloves"), "-o", out}, c.args...)
			a, b := selvage(t, args...), selvage(t, append(args, "--server", s.address)...)
			if a.status != c.status || b.status != c.status {
				t.Errorf("status %d here, %d by the server, want %d", a.status, b.status, c.status)
			}
			oneSentence(t, b)
			if local := strings.ReplaceAll(a.stderr, coxDir+string(filepath.Separator), ""); local != b.stderr {
				t.Errorf("%q here, %q by the server", local, b.stderr)
			}
		})
	}
	o := selvage(t, "transfer", cox("body"), cox("gloves"), "-o", out, "--server", "127.0.0.1:1")
	if o.status != exitFailed || !strings.Contains(o.stderr, "127.0.0.1:1") {
		t.Errorf("no server: status %d, %q", o.status, o.stderr)
	}
	oneSentence(t, o)
	if _, err := os.Stat(out); err == nil {
		t.Error("a failure left a file")
	}
}

func TestServe_Settings(t *testing.T) {
	dir := t.TempDir()
	file := filepath.Join(dir, "serve.yaml")
	write(t, file, "max-calls: 3\nqueue: 5\ngrace: 7s\npprof: true\nlisten: 127.0.0.1:5000\nrate: 2.5\n")
	t.Setenv("SELVAGE_QUEUE", "6")
	t.Setenv("SELVAGE_GRACE", "8s")
	t.Setenv("SELVAGE_CONFIG", file)
	o := must(t, "serve", "--grace", "9s", "--print-config")
	var got map[string]any
	if err := yaml.Unmarshal([]byte(o.stdout), &got); err != nil {
		t.Fatalf("%v: %s", err, o.stdout)
	}
	for key, want := range map[string]string{
		"max-calls": "3", "queue": "6", "grace": "9s", "pprof": "true", "listen": "127.0.0.1:5000", "rate": "2.5", "idle-time": "30s",
	} {
		if fmt.Sprint(got[key]) != want {
			t.Errorf("%s is %v, want %s", key, got[key], want)
		}
	}
	// What it prints it also reads.
	again := filepath.Join(dir, "again.yaml")
	write(t, again, o.stdout)
	t.Setenv("SELVAGE_QUEUE", "6")
	if b := must(t, "serve", "--config", again, "--grace", "9s", "--print-config"); b.stdout != o.stdout {
		t.Errorf("read and printed again:\n%s\nwant\n%s", b.stdout, o.stdout)
	}
	for name, text := range map[string]string{
		"unknown": "max-callers: 3\n", "not a number": "max-calls: many\n", "a list": "listen: [a, b]\n", "no YAML": "a: [\n",
		"not a setting": "print-config: true\n",
	} {
		write(t, again, text)
		o := selvage(t, "serve", "--config", again, "--print-config")
		if o.status != exitUsage || o.stdout != "" {
			t.Errorf("%s: status %d, %q", name, o.status, o.stdout)
		}
	}
}

func TestServe_RefusesToBind(t *testing.T) {
	for _, args := range [][]string{
		{"--listen", "0.0.0.0:0"}, {"--listen", ":0"}, {"--listen", "127.0.0.1:0", "--admin", "0.0.0.0:0"},
		{"--listen", "127.0.0.1:0", "--client-ca", "ca.pem"}, {"--log-level", "loud"}, {"--log-format", "xml"},
	} {
		o := selvage(t, append([]string{"serve"}, args...)...)
		if o.status != exitUsage {
			t.Errorf("%v: status %d, %q", args, o.status, o.stderr)
		}
	}
}

// TestServe_Admin looks at the HTTP listener of the process, and lets the
// command's own check look at it.
func TestServe_Admin(t *testing.T) {
	s := serve(t, nil, "--admin", "127.0.0.1:0", "--pprof")
	admin := s.admin
	c := http.Client{Timeout: 5 * time.Second}
	for path, want := range map[string]string{
		"/metrics": "selvage_queue_depth 0", "/healthz": "alive", "/readyz": "ready", "/debug/pprof/": "goroutine",
	} {
		r, err := c.Get("http://" + admin + path)
		if err != nil {
			t.Fatal(err)
		}
		text, err := io.ReadAll(r.Body)
		r.Body.Close()
		if err != nil || r.StatusCode != http.StatusOK || !strings.Contains(string(text), want) {
			t.Errorf("%s: status %d, %v, without %q", path, r.StatusCode, err, want)
		}
	}

	if o := must(t, "health", "--admin", admin); o.stdout != "ready\n" {
		t.Errorf("health prints %q", o.stdout)
	}
	t.Setenv("SELVAGE_ADMIN", strings.Replace(admin, "127.0.0.1", "0.0.0.0", 1))
	must(t, "health") // as a container checks itself
	s.interrupt(t)
	o := selvage(t, "health")
	if o.status != exitFailed {
		t.Errorf("no server: status %d", o.status)
	}
	oneSentence(t, o)
}
