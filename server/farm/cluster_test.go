package farm

// The farm on a cluster of three servers in processes of their own, with workers
// and a client that are the real command: all of them are killed. Long: it runs
// where SELVAGE_FARM_TEST is set (make farm-test).

import (
	"bytes"
	"cmp"
	"context"
	"crypto/sha256"
	"encoding/json"
	"errors"
	"fmt"
	"math/rand/v2"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"

	natsserver "github.com/nats-io/nats-server/v2/server"
	"github.com/nats-io/nats.go/jetstream"
	pb "github.com/selvage/selvage/api/selvage/v1"
	"github.com/selvage/selvage/transfer/crew"
	"gonum.org/v1/gonum/spatial/r3"
)

// nodeVariable makes this test's executable a server of the cluster.
const nodeVariable = "SELVAGE_FARM_NODE"

func TestMain(m *testing.M) {
	if text := os.Getenv(nodeVariable); text != "" {
		if err := serveNode(text); err != nil {
			fmt.Fprintln(os.Stderr, err)
			os.Exit(1)
		}
		return
	}
	os.Exit(m.Run())
}

// node is a server of the cluster.
type node struct {
	Name   string
	Folder string
	Host   string // empty: loopback
	Port   int
	Route  int
	Routes []int
	cmd    *exec.Cmd
}

func serveNode(text string) error {
	var n node
	if err := json.Unmarshal([]byte(text), &n); err != nil {
		return err
	}
	o := &natsserver.Options{
		ServerName: n.Name, Host: cmp.Or(n.Host, "127.0.0.1"), Port: n.Port, JetStream: true, StoreDir: n.Folder, NoLog: true,
		JetStreamMaxStore: 4 << 30, JetStreamMaxMemory: 256 << 20, // without them it reads what is free, three times over
	}
	if len(n.Routes) > 1 {
		o.Cluster = natsserver.ClusterOpts{Name: "pilots", Host: "127.0.0.1", Port: n.Route}
	}
	var routes []string
	for _, r := range n.Routes {
		routes = append(routes, fmt.Sprintf("nats://127.0.0.1:%d", r))
	}
	o.Routes = natsserver.RoutesFromStr(strings.Join(routes, ","))
	s, err := natsserver.NewServer(o)
	if err != nil {
		return err
	}
	s.Start()
	// The test goes: so does this.
	var b [1]byte
	_, _ = os.Stdin.Read(b[:])
	s.Shutdown()
	return nil
}

func (n *node) url() string { return fmt.Sprintf("nats://127.0.0.1:%d", n.Port) }

func (n *node) start(t *testing.T) {
	t.Helper()
	text, err := json.Marshal(n)
	if err != nil {
		t.Fatal(err)
	}
	n.cmd = exec.Command(os.Args[0])
	n.cmd.Env = append(os.Environ(), nodeVariable+"="+string(text))
	n.cmd.Stderr = os.Stderr
	if _, err := n.cmd.StdinPipe(); err != nil {
		t.Fatal(err)
	}
	if err := n.cmd.Start(); err != nil {
		t.Fatal(err)
	}
}

// kill ends a process without a word.
func kill(t *testing.T, cmd *exec.Cmd) {
	t.Helper()
	if err := cmd.Process.Kill(); err != nil && !errors.Is(err, os.ErrProcessDone) {
		t.Fatal(err)
	}
	_ = cmd.Wait()
}

// startCluster runs three servers until the test ends.
func startCluster(t *testing.T) (nodes []*node, urls string) { return startServers(t, 3) }

// startServers runs one server, or several as a cluster, until the test ends.
func startServers(t *testing.T, count int) (nodes []*node, urls string) {
	t.Helper()
	var folders []string
	for range count {
		folders = append(folders, t.TempDir())
	}
	return startOn(t, folders...)
}

// freePorts are ports that nobody listens at now.
func freePorts(t *testing.T, n int) (ports []int) {
	t.Helper()
	for range n {
		l, err := net.Listen("tcp", "127.0.0.1:0")
		if err != nil {
			t.Fatal(err)
		}
		defer l.Close()
		ports = append(ports, l.Addr().(*net.TCPAddr).Port)
	}
	return ports
}

// startOn is startServers with their folders.
func startOn(t *testing.T, folders ...string) (nodes []*node, urls string) {
	t.Helper()
	count := len(folders)
	ports := freePorts(t, 2*count)
	var list []string
	for i := range count {
		n := &node{Name: "berth-" + strconv.Itoa(i), Folder: folders[i], Port: ports[i], Route: ports[count+i], Routes: ports[count:]}
		nodes = append(nodes, n)
		list = append(list, n.url())
	}
	for _, n := range nodes {
		n.start(t)
	}
	t.Cleanup(func() {
		for _, n := range nodes {
			kill(t, n.cmd)
		}
	})
	return nodes, strings.Join(list, ",")
}

// buildCommand builds the real command.
func buildCommand(t *testing.T) string {
	t.Helper()
	file := filepath.Join(t.TempDir(), "selvage")
	if out, err := exec.Command("go", "build", "-o", file, "github.com/selvage/selvage/cmd/selvage").CombinedOutput(); err != nil {
		t.Fatalf("build the command: %v\n%s", err, out)
	}
	return file
}

// process is a command that runs beside the test.
type process struct {
	*exec.Cmd
	log   bytes.Buffer
	ended chan error
}

func spawn(t *testing.T, command string, args ...string) *process {
	t.Helper()
	p := &process{Cmd: exec.Command(command, args...), ended: make(chan error, 1)}
	p.Stdout, p.Stderr = &p.log, &p.log
	if err := p.Start(); err != nil {
		t.Fatal(err)
	}
	go func() { p.ended <- p.Wait() }()
	return p
}

func (p *process) kill() {
	_ = p.Process.Kill()
	<-p.ended
}

// variantFiles writes a small body and n garments, each a little larger than the
// one before, and a manifest of them.
func variantFiles(t testing.TB, folder string, n int, density float64) (manifest string) {
	t.Helper()
	return variantsOf(t, folder, "gloves", n, density)
}

func variantsOf(t testing.TB, folder, name string, n int, density float64) (manifest string) {
	t.Helper()
	member := crew.NewBodyAt("mate", density)
	garment := member.GarmentAt(name, density)
	write := func(name string, data []byte) {
		if err := os.WriteFile(filepath.Join(folder, name), data, 0o600); err != nil {
			t.Fatal(err)
		}
	}
	write("body.glb", glb(member.WriteGLB))
	rest := append([]r3.Vec(nil), garment.Mesh.Positions...)
	for k := range n {
		for v, p := range rest {
			garment.Mesh.Positions[v] = r3.Scale(1+1e-6*float64(k), p)
		}
		write(fmt.Sprintf("%s-%03d.glb", name, k), glb(garment.WriteGLB))
	}
	write("wardrobe.yaml", []byte("version: 1\nbodies:\n  - name: mate\n    file: body.glb\ngarments:\n  - files: [\""+name+"-*.glb\"]\noutput: \"weighted/{garment}.glb\"\n"))
	return filepath.Join(folder, "wardrobe.yaml")
}

// outputs are the SHA-256 of what a batch wrote, by name.
func outputs(t *testing.T, folder string) map[string][sha256.Size]byte {
	t.Helper()
	files, err := filepath.Glob(filepath.Join(folder, "weighted", "*.glb"))
	if err != nil {
		t.Fatal(err)
	}
	sums := map[string][sha256.Size]byte{}
	for _, f := range files {
		data, err := os.ReadFile(f)
		if err != nil {
			t.Fatal(err)
		}
		sums[filepath.Base(f)] = sha256.Sum256(data)
	}
	return sums
}

// howMany variants: 500, fewer for a quick look with SELVAGE_FARM_TEST=50.
func howMany(t *testing.T) int {
	t.Helper()
	text := os.Getenv("SELVAGE_FARM_TEST")
	if text == "" {
		t.Skip("long: SELVAGE_FARM_TEST is not set (make farm-test)")
	}
	if n, err := strconv.Atoi(text); err == nil && n > 1 {
		return n
	}
	return 500
}

// TestCluster_EverythingIsKilled computes variants on three servers, replicas
// three, by two workers. In between a worker in mid-task, a server, the leader of
// the queue and the client that handed the job in are killed (SIGKILL) and started
// again. Every variant is then in the result store once, with the bytes of the
// local run.
func TestCluster_EverythingIsKilled(t *testing.T) {
	n := howMany(t)
	seed := uint64(20261125)
	random := rand.New(rand.NewPCG(seed, 1))
	t.Logf("seed %d, %d variants", seed, n)
	command := buildCommand(t)
	here, there := t.TempDir(), t.TempDir()
	local, onFarm := variantFiles(t, here, n, 0.3), variantFiles(t, there, n, 0.3)
	if out, err := exec.Command(command, "batch", local, "--quiet").CombinedOutput(); err != nil {
		t.Fatalf("%v\n%s", err, out)
	}
	want := outputs(t, here)
	if len(want) != n {
		t.Fatalf("%d local outputs, want %d", len(want), n)
	}

	nodes, urls := startCluster(t)
	f, err := Open(t.Context(), Config{URL: urls, Replicas: 3, AckWait: 3 * time.Second, Log: quiet(), RetryConnect: true})
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	worker := func() *process {
		return spawn(t, command, "work", "--nats", urls, "--tasks", "1", "--log-format", "text")
	}
	client := func() *process { return spawn(t, command, "batch", onFarm, "--nats", urls, "--quiet") }
	workers := []*process{worker(), worker()}
	submitter := client()
	defer func() {
		for _, w := range workers {
			w.kill()
		}
		submitter.kill()
	}()

	// A client that is started again hands in what it lacks: a job of its own, of
	// which the farm has most.
	jobs := func() []*pb.Job {
		ctx, cancel := context.WithTimeout(t.Context(), time.Minute)
		defer cancel()
		list, _, err := f.Jobs(ctx, "", 100)
		if err != nil {
			t.Fatal(err)
		}
		return list
	}
	list := func() []*jetstream.ObjectInfo {
		out, err := again(t.Context(), f, func(ctx context.Context) ([]*jetstream.ObjectInfo, error) {
			out, err := f.results.store.List(ctx)
			if errors.Is(err, jetstream.ErrNoObjectsFound) {
				err = nil
			}
			return out, err
		})
		if err != nil {
			t.Fatal(err)
		}
		return out
	}
	reach := func(share float64) {
		for end := time.Now().Add(3 * time.Minute); ; time.Sleep(100 * time.Millisecond) {
			if float64(len(list())) >= share*float64(n) {
				return
			}
			if time.Now().After(end) {
				t.Fatalf("not at %.0f%% within 3 minutes: %v\n%s%s%s", 100*share, jobs(), workers[0].log.String(), workers[1].log.String(), submitter.log.String())
			}
		}
	}
	leader := func() *node {
		for range 200 {
			if info, err := f.tasks.Info(t.Context()); err == nil && info.Cluster != nil {
				for _, x := range nodes {
					if x.Name == info.Cluster.Leader {
						return x
					}
				}
			}
			time.Sleep(50 * time.Millisecond)
		}
		t.Fatal("the queue has no leader")
		return nil
	}
	restart := func(what string, x *node) {
		t.Logf("%s %s is killed, with %d done", what, x.Name, len(list()))
		kill(t, x.cmd)
		time.Sleep(time.Duration(500+random.IntN(1000)) * time.Millisecond)
		x.start(t)
	}

	// The client goes while it hands the job in, and again later.
	time.Sleep(time.Duration(300+random.IntN(700)) * time.Millisecond)
	submitter.kill()
	submitter = client()
	for i := range 4 {
		reach(0.1 + 0.1*float64(i))
		w := i % 2
		t.Logf("worker %d is killed, with %d done", w, len(list()))
		workers[w].kill()
		workers[w] = worker()
	}
	reach(0.5)
	for _, x := range nodes {
		if x != leader() {
			restart("server", x)
			break
		}
	}
	reach(0.6)
	restart("leader", leader())
	reach(0.7)
	t.Logf("the client is killed, with %d done", len(list()))
	submitter.kill()
	submitter = client()
	select {
	case err := <-submitter.ended:
		submitter.ended <- err
		if err != nil {
			t.Fatalf("batch: %v\n%s", err, submitter.log.String())
		}
	case <-time.After(4 * time.Minute):
		t.Fatalf("the batch does not end: %v\n%s%s", jobs(), workers[0].log.String(), workers[1].log.String())
	}

	got := outputs(t, there)
	for name, sum := range want {
		if got[name] != sum {
			t.Errorf("%s: other bytes than here", name)
		}
	}
	// Every variant once in the result store, whole and with the same bytes.
	results := list()
	stored := map[string]bool{}
	for _, info := range results {
		stored[info.Name] = true
	}
	if len(results) != n || len(stored) != n {
		t.Errorf("%d results of %d names in the store, want %d", len(results), len(stored), n)
	}
	begun, seen := 0, map[string]bool{}
	for _, job := range jobs() {
		if job.GetState() != pb.JobState_JOB_STATE_DONE || job.GetFailedCount() != 0 {
			t.Errorf("%v", job)
		}
		for _, s := range status(t, f, job.GetName()[len("jobs/"):]) {
			begun += int(s.GetTries())
			name := strings.TrimPrefix(s.GetTask().GetDisplayName(), "mate/") + ".glb"
			if seen[name] {
				continue
			}
			seen[name] = true
			data, err := f.Read(t.Context(), s.GetResult())
			if err != nil || sha256.Sum256(data) != want[name] {
				t.Errorf("%s in the store: %v", name, err)
			}
		}
	}
	if len(seen) != n {
		t.Errorf("the jobs have %d variants, want %d", len(seen), n)
	}
	t.Logf("%d variants in %d jobs, begun %d times", n, len(jobs()), begun)
	for _, w := range workers {
		_ = w.Process.Signal(syscall.SIGTERM)
		if err := <-w.ended; err != nil {
			t.Errorf("work: %v\n%s", err, w.log.String())
		}
		w.ended <- nil
	}
	lags(t, f, Lag{})
}
