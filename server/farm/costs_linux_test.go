package farm

// The costs of a task, measured; make farm-bench prints them and the model of
// model_test.go with them.

import (
	"context"
	"fmt"
	"math"
	"os"
	"slices"
	"strconv"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"github.com/nats-io/nats.go"
	pb "github.com/selvage/selvage/api/selvage/v1"
	"github.com/selvage/selvage/transfer"
	"github.com/selvage/selvage/transfer/gltfio"
	"golang.org/x/sync/errgroup"
	"golang.org/x/sys/unix"
)

// processTimes are the processor seconds and the bytes written to disk of
// processes so far. Source: proc(5), stat's fields 14 and 15 in ticks of 1/100 s,
// and io's write_bytes.
func processTimes(t *testing.T, nodes []*node) (seconds, written float64) {
	t.Helper()
	for _, n := range nodes {
		folder := fmt.Sprintf("/proc/%d/", n.cmd.Process.Pid)
		stat, err := os.ReadFile(folder + "stat")
		if err != nil {
			t.Skip("a measurement for Linux: ", err)
		}
		fields := strings.Fields(string(stat[strings.LastIndexByte(string(stat), ')')+1:]))
		for _, f := range fields[11:13] {
			ticks, err := strconv.ParseFloat(f, 64)
			if err != nil {
				t.Fatal(err)
			}
			seconds += ticks / 100
		}
		io, err := os.ReadFile(folder + "io")
		if err != nil {
			t.Fatal(err)
		}
		for line := range strings.Lines(string(io)) {
			if text, ok := strings.CutPrefix(line, "write_bytes: "); ok {
				n, err := strconv.ParseFloat(strings.TrimSpace(text), 64)
				if err != nil {
					t.Fatal(err)
				}
				written += n
			}
		}
	}
	return seconds, written
}

// ownSeconds is this process's processor time.
func ownSeconds(t *testing.T) float64 {
	t.Helper()
	var r unix.Rusage
	if err := unix.Getrusage(unix.RUSAGE_SELF, &r); err != nil {
		t.Fatal(err)
	}
	return time.Duration(r.Utime.Nano() + r.Stime.Nano()).Seconds()
}

// TestCosts measures what a task costs on one server and on three that keep three
// replicas, each in a process of its own, and prints it with what the model makes
// of it for a farm of 10,000 garments on 50 bodies. It judges nothing. make
// farm-bench runs it; SELVAGE_FARM_COSTS are GARMENT:VARIANTS, several with commas
// between.
func TestCosts(t *testing.T) {
	what := os.Getenv("SELVAGE_FARM_COSTS")
	if what == "" {
		t.Skip("a measurement: SELVAGE_FARM_COSTS is not set (make farm-bench)")
	}
	type measured struct {
		name  string
		costs costs
		at    leader
	}
	var rows []measured
	for _, servers := range []int{1, 3} {
		nodes, urls := startServers(t, servers)
		l, latencies := measureLeader(t, urls, servers)
		fmt.Printf("\n%d servers, %d replicas (load %s)\n\n| median of one | ms |\n|---|--:|\n%s", servers, servers, load(), latencies)
		fmt.Printf("| a leader takes | |\n| small messages a second | %.0f |\n| MB a second in pieces | %.0f |\n| MB a second read | %.0f |\n", l.Writes, l.WriteBytes/1e6, l.ReadBytes/1e6)
		for one := range strings.SplitSeq(what, ",") {
			garment, count, _ := strings.Cut(one, ":")
			n, err := strconv.Atoi(count)
			if err != nil {
				t.Fatal(err)
			}
			rows = append(rows, measured{fmt.Sprintf("%s, %d replicas", garment, servers), measureCosts(t, nodes, urls, servers, garment, n), l})
		}
		for _, n := range nodes {
			kill(t, n.cmd)
		}
	}
	fmt.Printf("\n| a task |")
	for _, r := range rows {
		fmt.Printf(" %s |", r.name)
	}
	fmt.Print("\n|---|", strings.Repeat("--:|", len(rows)), "\n")
	for _, line := range []struct {
		name, format string
		of           func(costs) float64
	}{
		{"computing, CPU s", "%.3f", func(c costs) float64 { return c.Compute }},
		{"preparing a body, CPU s", "%.3f", func(c costs) float64 { return c.Prepare }},
		{"around it at worker and client, CPU ms", "%.1f", func(c costs) float64 { return 1e3 * c.Around }},
		{"all servers, CPU ms", "%.1f", func(c costs) float64 { return 1e3 * c.Server }},
		{"body, KB", "%.0f", func(c costs) float64 { return c.Body / 1e3 }},
		{"garment, KB", "%.0f", func(c costs) float64 { return c.Garment / 1e3 }},
		{"result, KB", "%.0f", func(c costs) float64 { return c.Result / 1e3 }},
		{"into the worker, KB", "%.0f", func(c costs) float64 { return c.WorkerIn / 1e3 }},
		{"out of the worker, KB", "%.0f", func(c costs) float64 { return c.WorkerOut / 1e3 }},
		{"messages that the worker sends", "%.1f", func(c costs) float64 { return c.WorkerRequests }},
		{"messages that the client sends", "%.1f", func(c costs) float64 { return c.ClientRequests }},
		{"statuses written", "%.2f", func(c costs) float64 { return c.Statuses }},
		{"written to disks, KB", "%.0f", func(c costs) float64 { return c.Disk / 1e3 }},
		{"written to disks, times garment and result", "%.2f", func(c costs) float64 { return c.Disk / (c.Garment + c.Result) }},
		{"prepared bodies that were there, %", "%.0f", func(c costs) float64 { return 100 * c.BodyHits }},
		{"garments that were there, %", "%.0f", func(c costs) float64 { return 100 * c.GarmentHits }},
	} {
		fmt.Printf("| %s |", line.name)
		for _, r := range rows {
			fmt.Printf(" "+line.format+" |", line.of(r.costs))
		}
		fmt.Println()
	}
	base := plant{Garments: 10_000, Bodies: 50, Cores: 2, Servers: 3, ServerCores: 2, Replicas: 3, Line: 125e6}
	for _, r := range rows {
		if !strings.Contains(r.name, "3 replicas") {
			continue
		}
		fmt.Printf("\n10,000 %s on 50 bodies, workers of %g cores, lines of 1 Gbit/s\n\n| workers | what is changed | hours | limited by | next | as busy at workers |\n|--:|---|--:|---|---|--:|\n", r.name, base.Cores)
		for _, v := range []struct {
			name    string
			workers float64
			change  func(*plant)
		}{
			{"", 1, func(*plant) {}}, {"", 10, func(*plant) {}}, {"", 100, func(*plant) {}}, {"", 1000, func(*plant) {}},
			{"results left in the store", 1000, func(p *plant) { p.LeaveResults = true }},
			{"and results in 8 streams", 1000, func(p *plant) { p.LeaveResults, p.Shards, p.Servers = true, 8, 8 }},
			{"and lines of 10 Gbit/s", 1000, func(p *plant) { p.LeaveResults, p.Shards, p.Servers, p.Line = true, 8, 8, 1250e6 }},
		} {
			p := base
			p.Workers = v.workers
			v.change(&p)
			list := forecast(r.costs, r.at, p)
			other := list[slices.IndexFunc(list, func(l limit) bool { return !math.IsInf(l.Workers, 1) })]
			for _, l := range list { // the one that meets the workers first
				if l.Workers < other.Workers {
					other = l
				}
			}
			fmt.Printf("| %.0f | %s | %.2f | %s | %s | %.0f |\n", v.workers, v.name, list[0].Seconds/3600, list[0].Name, other.Name, other.Workers)
		}
	}
}

// measureLeader measures single requests and a stream leader's throughput.
func measureLeader(t *testing.T, urls string, replicas int) (l leader, latencies string) {
	t.Helper()
	f, err := Open(t.Context(), Config{URL: urls, Name: "pace", Replicas: replicas, Log: quiet(), RetryConnect: true})
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	const size = 160 << 10
	piece := make([]byte, size)
	sum := sumOf(piece)
	key := func(kind string, k int) string { return fmt.Sprintf("%s-%d", kind, k) }
	for _, x := range []struct {
		name string
		do   func(k int) error
	}{
		{"status written", func(k int) error {
			_, err := update(t.Context(), f, taskKey("pace", strconv.Itoa(k)), &pb.TaskStatus{Name: TaskName("pace", strconv.Itoa(k))}, 0)
			return err
		}},
		{"status read", func(k int) error {
			_, err := entry(t.Context(), f, taskKey("pace", strconv.Itoa(k)), &pb.TaskStatus{})
			return err
		}},
		{"160 KB put", func(k int) error { return f.results.write(t.Context(), key("one", k), piece, sum, nil) }},
		{"160 KB read", func(k int) error { _, _, err := f.results.read(t.Context(), key("one", k)); return err }},
	} {
		var all []float64
		for k := range 200 {
			began := time.Now()
			if err := x.do(k); err != nil {
				t.Fatal(x.name, err)
			}
			all = append(all, 1e3*time.Since(began).Seconds())
		}
		latencies += fmt.Sprintf("| %s | %.2f |\n", x.name, median(all))
	}
	// for three seconds, by several at once
	pace := func(do func(ctx context.Context, k int) error) float64 {
		ctx, cancel := context.WithTimeout(t.Context(), 3*time.Second)
		defer cancel()
		var n atomic.Int64
		var ended atomic.Int64
		began := time.Now()
		g := errgroup.Group{}
		for range 8 {
			g.Go(func() error {
				for ctx.Err() == nil {
					if err := do(t.Context(), int(n.Add(1))); err != nil {
						return err
					}
					ended.Add(1)
				}
				return nil
			})
		}
		if err := g.Wait(); err != nil {
			t.Fatal(err)
		}
		return float64(ended.Load()) / time.Since(began).Seconds()
	}
	small := make([]byte, 300)
	const many = 64
	l.Writes = many * pace(func(ctx context.Context, k int) error {
		var list []queued
		for i := range many {
			list = append(list, queued{&nats.Msg{Subject: f.subject("pace", fmt.Sprintf("%d-%d", k, i)), Data: small}, 1})
		}
		return f.publish(ctx, list)
	})
	large := make([]byte, 4<<20)
	largeSum := sumOf(large)
	l.WriteBytes = float64(len(large)) * pace(func(ctx context.Context, k int) error {
		return f.results.write(ctx, key("large", k), large, largeSum, nil)
	})
	l.ReadBytes = float64(len(large)) * pace(func(ctx context.Context, k int) error {
		_, _, err := f.results.read(ctx, key("large", 1+k%8))
		return err
	})
	for _, s := range []string{"pace-tasks", "pace-dead", "KV_pace-jobs", "OBJ_pace-assets", "OBJ_pace-results"} {
		if err := f.js.DeleteStream(t.Context(), s); err != nil {
			t.Fatal(err)
		}
	}
	return l, latencies
}

// measureCosts runs a job of n different garments on two bodies, with a worker and
// a client on connections of their own.
func measureCosts(t *testing.T, nodes []*node, urls string, replicas int, name string, n int) (c costs) {
	t.Helper()
	place := strings.ReplaceAll(name, " ", "-")
	config := Config{URL: urls, Name: place, Replicas: replicas, Log: quiet(), RetryConnect: true}
	client, err := Open(t.Context(), config)
	if err != nil {
		t.Fatal(err)
	}
	defer client.Close()
	far, err := Open(t.Context(), config)
	if err != nil {
		t.Fatal(err)
	}
	defer far.Close()
	folder := t.TempDir()
	variantsOf(t, folder, name, n, 1)
	var garments [][]byte
	for k := range n {
		data, err := os.ReadFile(fmt.Sprintf("%s/%s-%03d.glb", folder, name, k))
		if err != nil {
			t.Fatal(err)
		}
		garments = append(garments, data)
	}
	body, err := os.ReadFile(folder + "/body.glb")
	if err != nil {
		t.Fatal(err)
	}
	const bodies = 2 // the same bytes by two names: prepared twice, fetched once

	time.Sleep(time.Second) // what was begun before is over
	seconds, written := processTimes(t, nodes)
	own, clientWas, farWas := ownSeconds(t), client.nc.Stats(), far.nc.Stats()
	bodySum, err := client.PutAsset(t.Context(), body)
	if err != nil {
		t.Fatal(err)
	}
	var tasks []*pb.JobTask
	for k := range bodies * n {
		sum, err := client.PutAsset(t.Context(), garments[k/bodies])
		if err != nil {
			t.Fatal(err)
		}
		tasks = append(tasks, &pb.JobTask{
			DisplayName: strconv.Itoa(k), BodyDisplayName: fmt.Sprint("mate ", k%bodies), BodySha256: bodySum[:], GarmentSha256: sum[:],
			Options: &pb.Options{Reach: reach(k)},
		})
	}
	// A worker that keeps few garments: on a large farm another has had one last.
	w, stop := work(t, far, WorkerConfig{Tasks: 1, FileBytes: int64(len(body) + len(garments[0])*5/2)})
	job, _, err := client.Create(t.Context(), "costs", tasks)
	if err != nil {
		t.Fatal(err)
	}
	var size float64
	last, err := client.Watch(t.Context(), strings.TrimPrefix(job.GetName(), "jobs/"), func(_ *pb.Job, s *pb.TaskStatus) error {
		if s.GetState() != pb.TaskState_TASK_STATE_DONE {
			return nil
		}
		data, err := client.Read(t.Context(), s.GetResult())
		size += float64(len(data))
		return err
	})
	if err != nil || int(last.GetDoneCount()) != len(tasks) {
		t.Fatal(last, err)
	}
	stop()
	all := float64(len(tasks))
	clientIs, farIs := client.nc.Stats(), far.nc.Stats()
	spent := ownSeconds(t) - own
	hits, misses := counted(t, w, "selvage_worker_prepared_bodies_total", "hit"), counted(t, w, "selvage_worker_prepared_bodies_total", "miss")
	c.Prepare, c.Compute = computeSeconds(t, body, garments[:min(n, 20)])
	c.Around = spent/all - c.Compute - misses*c.Prepare/all
	c.Body, c.Garment, c.Result = float64(len(body)), float64(len(garments[0])), size/all
	c.WorkerIn, c.WorkerOut = float64(farIs.InBytes-farWas.InBytes)/all, float64(farIs.OutBytes-farWas.OutBytes)/all
	c.WorkerRequests, c.ClientRequests = float64(farIs.OutMsgs-farWas.OutMsgs)/all, float64(clientIs.OutMsgs-clientWas.OutMsgs)/all
	c.BodyHits = hits / (hits + misses)
	c.GarmentHits = math.Round(1000-1000*(counted(t, w, "selvage_worker_read_bytes_total", "")-c.Body)/(all*c.Garment))/1000 + 0 // not -0
	statuses, err := far.js.Stream(t.Context(), "KV_"+place+"-jobs")
	if err != nil {
		t.Fatal(err)
	}
	c.Statuses = float64(statuses.CachedInfo().State.LastSeq) / all
	time.Sleep(2 * time.Second) // servers write some things later
	secondsIs, writtenIs := processTimes(t, nodes)
	c.Server, c.Disk = (secondsIs-seconds)/all, (writtenIs-written)/all
	return c
}

// computeSeconds are the processor seconds that preparing a body and computing a
// garment take without a farm.
func computeSeconds(t *testing.T, body []byte, garments [][]byte) (prepare, compute float64) {
	t.Helper()
	began := ownSeconds(t)
	asset, err := gltfio.Parse(body, "body", gltfio.Options{})
	if err != nil {
		t.Fatal(err)
	}
	prepared, err := transfer.PrepareAsset(t.Context(), asset, gltfio.Selection{}, 1)
	if err != nil {
		t.Fatal(err)
	}
	between := ownSeconds(t)
	s := &scene{prepared: prepared}
	for k, g := range garments {
		o := optionsOf(k)
		o.Threads = 1
		s.local(t, g, o)
	}
	return between - began, (ownSeconds(t) - between) / float64(len(garments))
}
