package farm

import (
	"context"
	"time"

	"github.com/nats-io/nats.go/jetstream"
	"github.com/prometheus/client_golang/prometheus"
	"github.com/selvage/selvage/api/convert"
	pb "github.com/selvage/selvage/api/selvage/v1"
	"github.com/selvage/selvage/transfer"
)

func summaryToProto(s *transfer.Summary) *pb.Summary { return convert.SummaryToProto(s) }

// counters of one worker.
type counters struct {
	tasks    *prometheus.CounterVec
	bodies   *prometheus.CounterVec
	seconds  prometheus.Counter
	bytesIn  prometheus.Counter
	bytesOut prometheus.Counter
}

func newCounters() *counters {
	return &counters{
		tasks: prometheus.NewCounterVec(prometheus.CounterOpts{
			Name: "selvage_worker_tasks_total", Help: "Tasks by how they ended here: done, found, failed, retried, refused, given back, cancelled.",
		}, []string{"end"}),
		bodies: prometheus.NewCounterVec(prometheus.CounterOpts{
			Name: "selvage_worker_prepared_bodies_total", Help: "Uses of prepared bodies: hit or miss.",
		}, []string{"result"}),
		seconds:  prometheus.NewCounter(prometheus.CounterOpts{Name: "selvage_worker_compute_seconds_total", Help: "Time that tasks computed, all slots together."}),
		bytesIn:  prometheus.NewCounter(prometheus.CounterOpts{Name: "selvage_worker_read_bytes_total", Help: "Bytes of assets read from the farm."}),
		bytesOut: prometheus.NewCounter(prometheus.CounterOpts{Name: "selvage_worker_written_bytes_total", Help: "Bytes of results written to the farm."}),
	}
}

func (c *counters) collectors() []prometheus.Collector {
	return []prometheus.Collector{c.tasks, c.bodies, c.seconds, c.bytesIn, c.bytesOut}
}

func (c *counters) body(hit bool) {
	if hit {
		c.bodies.WithLabelValues("hit").Inc()
	} else {
		c.bodies.WithLabelValues("miss").Inc()
	}
}

// Lag says how far the workers are behind.
type Lag struct {
	// Waiting tasks that no worker has: what to scale by.
	Waiting uint64 `json:"waiting"`
	// Held tasks that workers have: they compute, or are about to.
	Held int `json:"held"`
	// Dead letters.
	Dead uint64 `json:"dead"`
}

// Lag returns the farm's lag.
func (f *Farm) Lag(ctx context.Context) (Lag, error) {
	info, err := again(ctx, f, func(ctx context.Context) (*jetstream.ConsumerInfo, error) { return f.pull.Info(ctx) })
	if err != nil {
		return Lag{}, err
	}
	dead, err := again(ctx, f, func(ctx context.Context) (*jetstream.StreamInfo, error) { return f.dead.Info(ctx) })
	if err != nil {
		return Lag{}, err
	}
	return Lag{Waiting: info.NumPending, Held: info.NumAckPending, Dead: dead.State.Msgs}, nil
}

// Collector is the farm's lag as metrics: selvage_farm_waiting_tasks,
// selvage_farm_held_tasks, selvage_farm_dead_letters. Where the farm cannot be
// asked within a second they are left out.
func (f *Farm) Collector() prometheus.Collector { return lagCollector{f} }

type lagCollector struct{ f *Farm }

var (
	waitingDesc = prometheus.NewDesc("selvage_farm_waiting_tasks", "Tasks that no worker has: the number to scale workers by.", nil, nil)
	heldDesc    = prometheus.NewDesc("selvage_farm_held_tasks", "Tasks that workers have.", nil, nil)
	deadDesc    = prometheus.NewDesc("selvage_farm_dead_letters", "Tasks that were given up.", nil, nil)
)

func (c lagCollector) Describe(out chan<- *prometheus.Desc) {
	out <- waitingDesc
	out <- heldDesc
	out <- deadDesc
}

func (c lagCollector) Collect(out chan<- prometheus.Metric) {
	ctx, cancel := context.WithTimeout(context.Background(), time.Second)
	defer cancel()
	lag, err := c.f.Lag(ctx)
	if err != nil {
		return
	}
	out <- prometheus.MustNewConstMetric(waitingDesc, prometheus.GaugeValue, float64(lag.Waiting))
	out <- prometheus.MustNewConstMetric(heldDesc, prometheus.GaugeValue, float64(lag.Held))
	out <- prometheus.MustNewConstMetric(deadDesc, prometheus.GaugeValue, float64(lag.Dead))
}
