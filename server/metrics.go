package server

import (
	grpcprom "github.com/grpc-ecosystem/go-grpc-middleware/providers/prometheus"
	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/collectors"
	"github.com/selvage/selvage/transfer"
)

// metrics of one server, in a registry of its own.
type metrics struct {
	registry *prometheus.Registry
	calls    *grpcprom.ServerMetrics

	stages   *prometheus.HistogramVec // seconds
	vertices prometheus.Counter
	speed    prometheus.Histogram // vertices a second, by transfer
	low      prometheus.Counter   // vertices of low confidence
	lowShare prometheus.Histogram
	bodies   *prometheus.CounterVec // prepared bodies by hit and miss
	uploads  *prometheus.CounterVec // uploads by stored and known
	poses    prometheus.Counter     // of checks
	findings *prometheus.CounterVec // of checks by kind, notes among them
	refused  prometheus.Counter
	panics   prometheus.Counter
}

func newMetrics(s *Server) *metrics {
	m := &metrics{
		registry: prometheus.NewRegistry(),
		calls:    grpcprom.NewServerMetrics(grpcprom.WithServerHandlingTimeHistogram(grpcprom.WithHistogramBuckets(prometheus.ExponentialBuckets(0.001, 4, 10)))),
		stages: prometheus.NewHistogramVec(prometheus.HistogramOpts{
			Name: "selvage_stage_seconds", Help: "Time that a stage of a transfer took.", Buckets: prometheus.ExponentialBuckets(0.0005, 4, 10),
		}, []string{"stage"}),
		vertices: prometheus.NewCounter(prometheus.CounterOpts{Name: "selvage_vertices_total", Help: "Garment vertices that got a row."}),
		speed: prometheus.NewHistogram(prometheus.HistogramOpts{
			Name: "selvage_vertices_per_second", Help: "Vertices a second of a transfer.", Buckets: prometheus.ExponentialBuckets(1000, 2, 14),
		}),
		low: prometheus.NewCounter(prometheus.CounterOpts{Name: "selvage_low_confidence_vertices_total", Help: "Garment vertices of low confidence."}),
		lowShare: prometheus.NewHistogram(prometheus.HistogramOpts{
			Name: "selvage_low_confidence_share", Help: "Share of low confidence in a garment.", Buckets: []float64{0, .001, .01, .02, .05, .1, .2, .5, 1},
		}),
		bodies:   prometheus.NewCounterVec(prometheus.CounterOpts{Name: "selvage_prepared_bodies_total", Help: "Uses of prepared bodies: hit or miss."}, []string{"result"}),
		uploads:  prometheus.NewCounterVec(prometheus.CounterOpts{Name: "selvage_uploads_total", Help: "Uploads: stored, or known already."}, []string{"result"}),
		poses:    prometheus.NewCounter(prometheus.CounterOpts{Name: "selvage_checked_poses_total", Help: "Poses of finished checks."}),
		findings: prometheus.NewCounterVec(prometheus.CounterOpts{Name: "selvage_check_findings_total", Help: "Findings and notes of finished checks, by kind."}, []string{"kind"}),
		refused:  prometheus.NewCounter(prometheus.CounterOpts{Name: "selvage_refused_total", Help: "Calls refused for want of room or rate."}),
		panics:   prometheus.NewCounter(prometheus.CounterOpts{Name: "selvage_panics_total", Help: "Panics caught in calls."}),
	}
	gauge := func(name, help string, value func() float64) prometheus.Collector {
		return prometheus.NewGaugeFunc(prometheus.GaugeOpts{Name: name, Help: help}, value)
	}
	m.registry.MustRegister(
		m.calls, m.stages, m.vertices, m.speed, m.low, m.lowShare, m.bodies, m.uploads, m.poses, m.findings, m.refused, m.panics,
		collectors.NewGoCollector(), collectors.NewProcessCollector(collectors.ProcessCollectorOpts{}),
		gauge("selvage_queue_depth", "Calls that wait for room.", func() float64 { return float64(s.admission.waiting.Load()) }),
		gauge("selvage_running_calls", "Calls that compute.", func() float64 { return float64(s.admission.running.Load()) }),
		gauge("selvage_work_bytes", "Memory of running calls, by estimate.", func() float64 { return float64(s.admission.held.Load()) }),
		gauge("selvage_body_bytes", "Memory of prepared bodies, by estimate.", func() float64 { return float64(s.bodies.Bytes() + s.sources.Bytes() + s.checked.Bytes()) }),
		gauge("selvage_store_bytes", "Bytes of assets kept.", func() float64 {
			if s.store == nil {
				return 0
			}
			used, _ := s.store.bytes()
			return float64(used)
		}),
	)
	return m
}

// transferred counts a finished transfer.
func (m *metrics) transferred(s *transfer.Summary) {
	for stage, seconds := range s.Seconds {
		m.stages.WithLabelValues(string(stage)).Observe(seconds)
	}
	m.vertices.Add(float64(s.Vertices))
	m.low.Add(float64(s.LowConfidence))
	if s.Vertices > 0 {
		m.lowShare.Observe(float64(s.LowConfidence) / float64(s.Vertices))
		if t := s.Total.Seconds(); t > 0 {
			m.speed.Observe(float64(s.Vertices) / t)
		}
	}
}

// body counts a use of a prepared body.
func (m *metrics) body(hit bool) {
	if hit {
		m.bodies.WithLabelValues("hit").Inc()
	} else {
		m.bodies.WithLabelValues("miss").Inc()
	}
}
