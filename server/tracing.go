package server

import (
	"context"
	"fmt"
	"time"

	"github.com/selvage/selvage/transfer"
	"go.opentelemetry.io/contrib/instrumentation/google.golang.org/grpc/otelgrpc"
	"go.opentelemetry.io/otel/attribute"
	"go.opentelemetry.io/otel/exporters/otlp/otlptrace/otlptracegrpc"
	"go.opentelemetry.io/otel/propagation"
	"go.opentelemetry.io/otel/sdk/resource"
	sdktrace "go.opentelemetry.io/otel/sdk/trace"
	"go.opentelemetry.io/otel/trace"
	"google.golang.org/grpc"
)

// exportTime bounds the sending of one batch, and with it what a collector that is
// away adds to a stop.
const exportTime = 2 * time.Second

// tracing is a provider of traces and how to end it.
type tracing struct {
	provider *sdktrace.TracerProvider
}

// newTracing returns nil where no endpoint is set. The connection is made in the
// background: a collector that is away costs traces, not calls.
func newTracing(ctx context.Context, c Config) (*tracing, error) {
	if c.TraceEndpoint == "" {
		return nil, nil
	}
	opts := []otlptracegrpc.Option{
		otlptracegrpc.WithEndpoint(c.TraceEndpoint),
		otlptracegrpc.WithTimeout(exportTime),
		otlptracegrpc.WithRetry(otlptracegrpc.RetryConfig{Enabled: true, InitialInterval: 200 * time.Millisecond, MaxInterval: time.Second, MaxElapsedTime: exportTime}),
	}
	if c.TraceInsecure {
		opts = append(opts, otlptracegrpc.WithInsecure())
	}
	exporter, err := otlptracegrpc.New(ctx, opts...)
	if err != nil {
		return nil, fmt.Errorf("trace to %s: %w", c.TraceEndpoint, err)
	}
	about := resource.NewSchemaless(attribute.String("service.name", "selvage"), attribute.String("service.version", c.Version))
	return &tracing{sdktrace.NewTracerProvider(sdktrace.WithBatcher(exporter, sdktrace.WithExportTimeout(exportTime)), sdktrace.WithResource(about))}, nil
}

// options of the gRPC server.
func (t *tracing) options() []grpc.ServerOption {
	if t == nil {
		return nil
	}
	return []grpc.ServerOption{grpc.StatsHandler(otelgrpc.NewServerHandler(
		otelgrpc.WithTracerProvider(t.provider),
		otelgrpc.WithPropagators(propagation.TraceContext{}),
	))}
}

// close sends what is left.
func (t *tracing) close(ctx context.Context) error {
	if t == nil {
		return nil
	}
	return t.provider.Shutdown(ctx)
}

// traceStage marks the start of a stage in the call's span.
func traceStage(ctx context.Context, stage transfer.Stage) {
	trace.SpanFromContext(ctx).AddEvent(string(stage))
}
