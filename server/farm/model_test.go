package farm

// What the measured costs of a task say of a larger farm.

import (
	"cmp"
	"math"
	"slices"
	"testing"
)

// costs of one task, of one kind of garment.
type costs struct {
	Compute float64 // seconds of a processor, its body being prepared
	Prepare float64 // seconds of a processor to prepare a body
	Around  float64 // seconds of a processor for messages, hashes and copies, at worker and client
	Server  float64 // seconds of a processor, of all servers together

	Body, Garment, Result float64 // bytes
	WorkerIn, WorkerOut   float64 // bytes on a worker's line
	WorkerRequests        float64 // messages that a worker sends and waits for
	ClientRequests        float64
	Statuses              float64 // writes to the key-value store
	Disk                  float64 // bytes that all servers write
	BodyHits, GarmentHits float64 // shares of uses
}

// leader is what the leader of a stream can do.
type leader struct {
	Writes     float64 // small messages a second
	WriteBytes float64 // bytes a second, in pieces
	ReadBytes  float64
}

// plant is a farm and its work.
type plant struct {
	Garments, Bodies float64
	Workers, Cores   float64 // cores of a worker
	Servers          float64
	ServerCores      float64 // of each
	Replicas         float64
	Line             float64 // bytes a second in one direction, of every machine
	Shards           float64 // streams that results are spread over, each with a leader of its own
	LeaveResults     bool    // no client fetches them
}

// limit is how long one resource is busy with all the work.
type limit struct {
	Name    string
	Seconds float64
	// Workers is how many it takes until this resource is as busy as they are: more
	// of them do not help. Infinite for the workers themselves.
	Workers float64
}

// forecast says how long each resource is busy, the longest first: all work at the
// same time, so the first is how long the whole takes.
func forecast(c costs, l leader, p plant) []limit {
	tasks := p.Garments * p.Bodies
	// Every worker prepares every body once: the queue has one body's tasks one after
	// the other. Any replica answers reads, the leader alone takes writes and copies
	// them to the others.
	perTask := c.Compute + c.Around
	workers := (tasks*perTask + p.Workers*p.Bodies*c.Prepare) / (p.Workers * p.Cores)
	bodies := func(workers float64) float64 { return workers * p.Bodies * c.Body }
	garments := tasks * c.Garment * (1 - c.GarmentHits)
	fetched := tasks * c.Result
	if p.LeaveResults {
		fetched = 0
	}
	shards := math.Max(1, p.Shards)
	results := tasks * c.Result / shards
	list := []limit{
		{"workers' processors", workers, math.Inf(1)},
		{"results: leader's writes", results / l.WriteBytes, 0},
		{"results: leader's line out", (results*(p.Replicas-1) + fetched/shards/p.Replicas) / p.Line, 0},
		{"assets: reads", (garments + bodies(p.Workers)) / l.ReadBytes, 0},
		{"assets: servers' lines out", (garments + bodies(p.Workers)) / (p.Line * p.Replicas), 0},
		{"statuses: leader's writes", tasks * c.Statuses / l.Writes, 0},
		{"queue: leader's writes", tasks * 2 / l.Writes, 0}, // a message in, its acknowledgement
		{"servers' processors", tasks * c.Server / (p.Servers * p.ServerCores), 0},
	}
	if !p.LeaveResults {
		list = append(list, limit{"client's line in", fetched / p.Line, 0})
	}
	for i := range list[1:] {
		x := &list[i+1]
		// Where the workers' time, which falls with their number, meets this one's. What
		// bodies add with each worker is part of both.
		fixed := x.Seconds
		perWorker := 0.0
		switch x.Name {
		case "assets: reads":
			fixed, perWorker = garments/l.ReadBytes, bodies(1)/l.ReadBytes
		case "assets: servers' lines out":
			fixed, perWorker = garments/(p.Line*p.Replicas), bodies(1)/(p.Line*p.Replicas)
		}
		x.Workers = meet(tasks*perTask/p.Cores, p.Bodies*c.Prepare/p.Cores, fixed, perWorker)
	}
	slices.SortStableFunc(list, func(a, b limit) int { return cmp.Compare(b.Seconds, a.Seconds) })
	return list
}

// meet is the w at which a/w + b = f + g*w, infinite where there is none.
func meet(a, b, f, g float64) float64 {
	if g == 0 {
		if f <= b {
			return math.Inf(1)
		}
		return a / (f - b)
	}
	// g w^2 + (f-b) w - a = 0, the positive root.
	return (-(f - b) + math.Sqrt((f-b)*(f-b)+4*g*a)) / (2 * g)
}

// TestForecast holds the model against an example that was worked out by hand.
func TestForecast(t *testing.T) {
	// 1000 garments on 10 bodies: 10^4 tasks.
	c := costs{
		Compute: 1.9, Around: 0.1, Prepare: 5, Server: 0.02,
		Body: 1e6, Garment: 2e5, Result: 1e6, Statuses: 2,
	}
	l := leader{Writes: 10_000, WriteBytes: 1e8, ReadBytes: 2e8}
	p := plant{Garments: 1000, Bodies: 10, Workers: 10, Cores: 2, Servers: 3, ServerCores: 2, Replicas: 3, Line: 1e8}
	for _, x := range []struct {
		name    string
		change  func(*costs, *leader, *plant)
		first   string  // what limits
		seconds float64 // for how long
		other   string  // another resource
		busy    float64 // how long that is
		workers float64 // and with how many workers it limits as much as they
	}{
		// Workers: (10^4 x 2 + 10 x 10 x 5) / 20. The line of the results' leader: 10^10
		// bytes to each of two others, a third of that to the client, 700/3 s; as long as
		// w workers with 10^4/w + 25 s: 10^4/(625/3).
		{"workers", func(*costs, *leader, *plant) {}, "workers' processors", 1025, "results: leader's line out", 700.0 / 3, 48},
		{"fifty workers", func(_ *costs, _ *leader, p *plant) { p.Workers = 50 }, "results: leader's line out", 700.0 / 3, "workers' processors", 225, math.Inf(1)},
		{"four shards", func(_ *costs, _ *leader, p *plant) { p.Workers, p.Shards = 50, 4 }, "workers' processors", 225, "results: leader's line out", 175.0 / 3, 300},
		{"results are left", func(_ *costs, _ *leader, p *plant) { p.LeaveResults = true }, "workers' processors", 1025, "results: leader's line out", 200, 10_000.0 / 175},
		{"slow disk", func(_ *costs, l *leader, _ *plant) { l.WriteBytes = 1e6 }, "results: leader's writes", 10_000, "workers' processors", 1025, math.Inf(1)},
		{"many statuses", func(c *costs, _ *leader, _ *plant) { c.Statuses = 2000 }, "statuses: leader's writes", 2000, "workers' processors", 1025, math.Inf(1)},
		// Garments 10^4 x 2x10^5 x 1/2 and bodies 10 x 10 x 10^6 at 2x10^8 a second.
		{"half of the garments are hits", func(c *costs, _ *leader, _ *plant) { c.GarmentHits = 0.5 }, "workers' processors", 1025, "assets: reads", 5.5, 0},
	} {
		t.Run(x.name, func(t *testing.T) {
			c, l, p := c, l, p
			x.change(&c, &l, &p)
			list := forecast(c, l, p)
			if list[0].Name != x.first || math.Abs(list[0].Seconds-x.seconds) > 1e-9*x.seconds {
				t.Errorf("%s for %g s, want %s for %g s", list[0].Name, list[0].Seconds, x.first, x.seconds)
			}
			i := slices.IndexFunc(list, func(l limit) bool { return l.Name == x.other })
			if i < 0 || math.Abs(list[i].Seconds-x.busy) > 1e-9*x.busy {
				t.Fatalf("%s: %+v, want %g s", x.other, list, x.busy)
			}
			if w := list[i].Workers; x.workers > 0 && w != x.workers && math.Abs(w-x.workers) > 1e-9*x.workers {
				t.Errorf("%s meets the workers at %g of them, want %g", x.other, w, x.workers)
			}
			// At the number of workers that is told for it each resource is as busy as they.
			for _, l0 := range list {
				if math.IsInf(l0.Workers, 1) {
					continue
				}
				at := p
				at.Workers = l0.Workers
				var workers, other float64
				for _, y := range forecast(c, l, at) {
					switch y.Name {
					case "workers' processors":
						workers = y.Seconds
					case l0.Name:
						other = y.Seconds
					}
				}
				if math.Abs(workers-other) > 1e-6*workers {
					t.Errorf("%s at %g workers: %g s, the workers %g s", l0.Name, l0.Workers, other, workers)
				}
			}
		})
	}
}
