// Command load measures the service on this machine: a server process on
// loopback, ghz and this project's client as callers, all bounded in number and
// time. It keeps its section of BENCHMARKS.md.
//
//	go run ./server/internal/load                 throughput, overhead, a million vertices, cancelled calls
//	go run ./server/internal/load -cancel 40      cancelled calls alone
//	go run ./server/internal/load -soak 3m        mixed good, bad and cancelled calls
package main

import (
	"bufio"
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"flag"
	"fmt"
	"io"
	"net/http"
	"os"
	"os/exec"
	"os/signal"
	"path/filepath"
	"runtime"
	"slices"
	"strconv"
	"strings"
	"syscall"
	"time"

	"github.com/selvage/selvage/client"
	"github.com/selvage/selvage/transfer"
	"github.com/selvage/selvage/transfer/crew"
	"github.com/selvage/selvage/transfer/gltfio"
)

func main() {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	defer stop()
	out := flag.String("out", "BENCHMARKS.md", "the `FILE` that holds the section")
	soakTime := flag.Duration("soak", 0, "soak for this long, instead of the measurements")
	moments := flag.Int("cancel", 0, "cancel a large call at so many moments, instead of the measurements")
	large := flag.Bool("large", true, "measure a garment of a million vertices too (about two minutes)")
	flag.Parse()
	if err := run(ctx, *out, *soakTime, *moments, *large); err != nil {
		fmt.Fprintln(os.Stderr, "load:", err)
		os.Exit(1)
	}
}

func run(ctx context.Context, out string, soakTime time.Duration, moments int, large bool) error {
	// Nothing here may run on for ever.
	ctx, cancel := context.WithTimeout(ctx, 40*time.Minute+soakTime)
	defer cancel()
	dir, err := os.MkdirTemp("", "selvage-load-")
	if err != nil {
		return err
	}
	defer os.RemoveAll(dir)
	binary := filepath.Join(dir, "selvage")
	if text, err := exec.CommandContext(ctx, "go", "build", "-o", binary, "./cmd/selvage").CombinedOutput(); err != nil {
		return fmt.Errorf("build the command: %w\n%s", err, text)
	}
	keep := func(name string, fill func(w io.Writer) error) error {
		var section bytes.Buffer
		if err := fill(&section); err != nil {
			return err
		}
		fmt.Print(section.String())
		return insert(out, name, section.String())
	}
	cancelled := func(w io.Writer) error { return cancels(ctx, w, binary, moments) }
	switch {
	case soakTime > 0:
		return keep("soak", func(w io.Writer) error { return soak(ctx, w, binary, soakTime) })
	case moments > 0:
		return keep("cancel", cancelled)
	}
	if err := keep("load", func(w io.Writer) error { return measure(ctx, w, binary, large) }); err != nil || !large {
		return err
	}
	moments = 24
	return keep("cancel", cancelled)
}

// insert replaces the section between its marks, or appends it.
func insert(file, name, section string) error {
	begin, end := "<!-- "+name+":begin -->\n", "<!-- "+name+":end -->\n"
	text, err := os.ReadFile(file)
	if err != nil && !errors.Is(err, os.ErrNotExist) {
		return err
	}
	before, rest, found := strings.Cut(string(text), begin)
	after := ""
	if found {
		_, after, _ = strings.Cut(rest, end)
	} else if before != "" {
		before = strings.TrimRight(before, "\n") + "\n\n"
	}
	return os.WriteFile(file, []byte(before+begin+section+end+after), 0o644)
}

// process is a running server.
type process struct {
	cmd            *exec.Cmd
	address, admin string
}

// launch starts the server and waits until it serves.
func launch(ctx context.Context, binary string, args ...string) (*process, error) {
	cmd := exec.CommandContext(ctx, binary, append([]string{"serve", "--listen", "127.0.0.1:0", "--admin", "127.0.0.1:0", "--grace", "5s"}, args...)...)
	cmd.Cancel = func() error { return cmd.Process.Signal(syscall.SIGTERM) }
	cmd.WaitDelay = 10 * time.Second
	stderr, err := cmd.StderrPipe()
	if err != nil {
		return nil, err
	}
	if err := cmd.Start(); err != nil {
		return nil, err
	}
	r := bufio.NewReader(stderr)
	line, err := r.ReadBytes('\n')
	var record struct{ Address, Admin string }
	if err == nil {
		err = json.Unmarshal(line, &record)
	}
	if err != nil || record.Address == "" {
		_ = cmd.Process.Kill()
		_ = cmd.Wait()
		return nil, fmt.Errorf("the server did not start: %s %w", line, err)
	}
	go io.Copy(io.Discard, r) // ends with the process
	return &process{cmd, record.Address, record.Admin}, nil
}

// stop ends the server.
func (p *process) stop() error {
	_ = p.cmd.Process.Signal(syscall.SIGTERM)
	return p.cmd.Wait()
}

// status reads a line of the kernel's account of the process, in kB.
func (p *process) status(key string) (int64, error) {
	text, err := os.ReadFile(fmt.Sprintf("/proc/%d/status", p.cmd.Process.Pid))
	if err != nil {
		return 0, err
	}
	for _, line := range strings.Split(string(text), "\n") {
		if v, ok := strings.CutPrefix(line, key+":"); ok {
			return strconv.ParseInt(strings.Fields(v)[0], 10, 64)
		}
	}
	return 0, fmt.Errorf("no %s in the process's status", key)
}

// processor is the time that the process and this one have spent on processors.
func (p *process) processor() (time.Duration, error) {
	text, err := os.ReadFile(fmt.Sprintf("/proc/%d/stat", p.cmd.Process.Pid))
	if err != nil {
		return 0, err
	}
	// Fields 14 and 15 of proc(5), counted from behind the name in parentheses, in
	// hundredths of a second.
	f := strings.Fields(string(text[bytes.LastIndexByte(text, ')')+1:]))
	if len(f) < 13 {
		return 0, errors.New("the process's stat is too short")
	}
	var ticks int64
	for _, x := range f[11:13] {
		n, err := strconv.ParseInt(x, 10, 64)
		if err != nil {
			return 0, err
		}
		ticks += n
	}
	var own syscall.Rusage
	if err := syscall.Getrusage(syscall.RUSAGE_SELF, &own); err != nil {
		return 0, err
	}
	return time.Duration(ticks)*(time.Second/100) + time.Duration(own.Utime.Nano()+own.Stime.Nano()), nil
}

// resetPeak starts the account of peak memory anew (Linux, proc(5), clear_refs).
func (p *process) resetPeak() error {
	return os.WriteFile(fmt.Sprintf("/proc/%d/clear_refs", p.cmd.Process.Pid), []byte("5"), 0)
}

// metrics reads values from the admin listener.
func (p *process) metrics(ctx context.Context, names ...string) (map[string]float64, error) {
	q, err := http.NewRequestWithContext(ctx, http.MethodGet, "http://"+p.admin+"/metrics", nil)
	if err != nil {
		return nil, err
	}
	r, err := http.DefaultClient.Do(q)
	if err != nil {
		return nil, err
	}
	defer r.Body.Close()
	out := map[string]float64{}
	lines := bufio.NewScanner(r.Body)
	for lines.Scan() {
		name, value, _ := strings.Cut(lines.Text(), " ")
		if slices.Contains(names, name) {
			if out[name], err = strconv.ParseFloat(value, 64); err != nil {
				return nil, err
			}
		}
	}
	return out, lines.Err()
}

// inputs are files of the demo crew.
type inputs struct {
	member *crew.Body
	body   []byte
}

func glb(write func(io.Writer) error) ([]byte, error) {
	var b bytes.Buffer
	err := write(&b)
	return b.Bytes(), err
}

func newInputs(scale float64) (*inputs, error) {
	m := crew.NewBodyAt("mate", scale)
	body, err := glb(m.WriteGLB)
	return &inputs{m, body}, err
}

// garment returns a garment's file and its number of vertices.
func (in *inputs) garment(name string, density float64) ([]byte, int, error) {
	g := in.member.GarmentAt(name, density)
	data, err := glb(g.WriteGLB)
	return data, g.Mesh.NumVertices(), err
}

// local is a transfer in process.
type local struct{ body *transfer.AssetBody }

func newLocal(ctx context.Context, body []byte) (*local, error) {
	a, err := gltfio.Parse(body, "body.glb", gltfio.Options{})
	if err != nil {
		return nil, err
	}
	b, err := transfer.PrepareAsset(ctx, a, gltfio.Selection{}, 0)
	return &local{b}, err
}

func (l *local) transfer(ctx context.Context, garment []byte) ([]byte, error) {
	a, err := gltfio.Parse(garment, "garment.glb", gltfio.Options{})
	if err != nil {
		return nil, err
	}
	out, _, err := l.body.Transfer(ctx, a, transfer.AssetOptions{})
	if err != nil {
		return nil, err
	}
	return glb(out.Encode)
}

// measure fills the section "load".
func measure(ctx context.Context, w io.Writer, binary string, large bool) error {
	cpu := "unknown processor"
	if text, err := os.ReadFile("/proc/cpuinfo"); err == nil {
		for _, line := range strings.Split(string(text), "\n") {
			if v, ok := strings.CutPrefix(line, "model name"); ok {
				cpu = strings.TrimSpace(strings.TrimLeft(v, "\t :"))
				break
			}
		}
	}
	fmt.Fprintf(w, "### The service on loopback\n\n`make load`: server and callers share %d cores (%s, %s).\n\n", runtime.NumCPU(), cpu, runtime.Version())
	if err := throughput(ctx, w, binary); err != nil {
		return fmt.Errorf("throughput: %w", err)
	}
	if err := overhead(ctx, w, binary); err != nil {
		return fmt.Errorf("overhead: %w", err)
	}
	if large {
		if err := million(ctx, w, binary); err != nil {
			return fmt.Errorf("a million vertices: %w", err)
		}
	}
	return nil
}

// overhead compares a call with the same transfer in process, in turns.
func overhead(ctx context.Context, w io.Writer, binary string) error {
	in, err := newInputs(5)
	if err != nil {
		return err
	}
	garment, n, err := in.garment("oilskin coat", 18)
	if err != nil {
		return err
	}
	p, err := launch(ctx, binary)
	if err != nil {
		return err
	}
	defer p.stop()
	c, err := client.Dial(ctx, p.address)
	if err != nil {
		return err
	}
	defer c.Close()
	l, err := newLocal(ctx, in.body)
	if err != nil {
		return err
	}
	request := client.Request{Body: client.NewAsset("body.glb", in.body), Garment: client.NewAsset("garment.glb", garment)}
	var here, there []time.Duration
	var hereCPU, thereCPU []time.Duration
	const rounds = 5
	for k := range rounds + 1 {
		runtime.GC()
		cpu, err := p.processor()
		if err != nil {
			return err
		}
		began := time.Now()
		want, err := l.transfer(ctx, garment)
		if err != nil {
			return err
		}
		a := time.Since(began)
		cpu2, err := p.processor()
		if err != nil {
			return err
		}
		began = time.Now()
		got, err := c.Transfer(ctx, request)
		if err != nil {
			return err
		}
		b := time.Since(began)
		cpu3, err := p.processor()
		if err != nil {
			return err
		}
		if !bytes.Equal(got.GLB, want) {
			return errors.New("the server's bytes differ")
		}
		if k > 0 { // the first round uploads and prepares
			here, there = append(here, a), append(there, b)
			hereCPU, thereCPU = append(hereCPU, cpu2-cpu), append(thereCPU, cpu3-cpu2)
		}
	}
	for _, list := range [][]time.Duration{here, there, hereCPU, thereCPU} {
		slices.Sort(list)
	}
	a, b := here[0], there[0]
	c1, c2 := hereCPU[rounds/2], thereCPU[rounds/2]
	fmt.Fprintf(w, "A garment of %d vertices, body uploaded before, best of %d in turns: %.2f s in process, %.2f s by the service (%+.1f%%; medians %.2f and %.2f s). Processor time of client and server together, median: %.2f s and %.2f s (%+.1f%%).\n\n",
		n, rounds, a.Seconds(), b.Seconds(), 100*(b.Seconds()/a.Seconds()-1), here[rounds/2].Seconds(), there[rounds/2].Seconds(),
		c1.Seconds(), c2.Seconds(), 100*(c2.Seconds()/c1.Seconds()-1))
	return nil
}
