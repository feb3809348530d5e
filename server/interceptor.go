package server

// Interceptors, outermost first: request id and limits in time, metrics, log,
// status, recovery, tokens.

import (
	"context"
	"crypto/rand"
	"encoding/hex"
	"errors"
	"log/slog"
	"runtime/debug"
	"strings"
	"time"

	middleware "github.com/grpc-ecosystem/go-grpc-middleware/v2"
	"github.com/grpc-ecosystem/go-grpc-middleware/v2/interceptors"
	"github.com/grpc-ecosystem/go-grpc-middleware/v2/interceptors/auth"
	"github.com/grpc-ecosystem/go-grpc-middleware/v2/interceptors/logging"
	"github.com/grpc-ecosystem/go-grpc-middleware/v2/interceptors/recovery"
	"github.com/grpc-ecosystem/go-grpc-middleware/v2/interceptors/selector"
	pb "github.com/selvage/selvage/api/selvage/v1"
	"github.com/selvage/selvage/transfer/forkjoin"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	healthpb "google.golang.org/grpc/health/grpc_health_v1"
	"google.golang.org/grpc/metadata"
	"google.golang.org/grpc/status"
	"google.golang.org/grpc/tap"
)

// requestIDKey is the header of the request id, both ways.
const requestIDKey = "x-request-id"

type requestID struct{}

// requestIDOf is the id of the call that ctx belongs to.
func requestIDOf(ctx context.Context) string {
	id, _ := ctx.Value(requestID{}).(string)
	return id
}

// newRequestID takes the client's id where it can be shown in a log, else makes
// one.
func newRequestID(ctx context.Context) string {
	if v := metadata.ValueFromIncomingContext(ctx, requestIDKey); len(v) == 1 && len(v[0]) > 0 && len(v[0]) <= 64 {
		if strings.Trim(v[0], "abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789-_.") == "" {
			return v[0]
		}
	}
	var b [8]byte
	_, _ = rand.Read(b[:]) // never fails
	return hex.EncodeToString(b[:])
}

// begin gives a call its id, its longest time, and its end when the server
// stops. Watches live as long as their clients want and what they look at goes on.
func (s *Server) begin(ctx context.Context, method string) (context.Context, func()) {
	id := newRequestID(ctx)
	ctx = context.WithValue(ctx, requestID{}, id)
	_ = grpc.SetHeader(ctx, metadata.Pairs(requestIDKey, id))
	ctx, cancel := context.WithCancelCause(ctx)
	unhook := context.AfterFunc(s.hard, func() { cancel(errStopping) })
	release := func() {}
	if !isHealth(method) && method != pb.JobService_WatchJob_FullMethodName {
		ctx, release = context.WithTimeout(ctx, s.config.CallTime)
	}
	return ctx, func() {
		release()
		unhook()
		cancel(nil)
	}
}

func isHealth(method string) bool {
	return strings.HasPrefix(method, "/"+healthpb.Health_ServiceDesc.ServiceName+"/")
}

// conclude turns a handler's error into its status.
func (s *Server) conclude(ctx context.Context, err error) error {
	if err == nil {
		return nil
	}
	if errors.Is(err, context.Canceled) && errors.Is(context.Cause(ctx), errStopping) {
		err = errStopping
	}
	st := statusOf(err)
	var over *overloadError
	var limit *limitError
	if errors.As(err, &over) || errors.As(err, &limit) {
		s.metrics.refused.Inc()
	}
	if reasonOf(st) == "INTERNAL" {
		s.config.Log.ErrorContext(ctx, "internal error", "request_id", requestIDOf(ctx), "error", err)
	}
	return st.Err()
}

// tap looks at a call's headers before any of its messages is read: a stranger's
// messages take no memory, and calls that were let in take a bounded amount.
func (s *Server) tap(ctx context.Context, c *tap.Info) (context.Context, error) {
	open, most := &s.open, s.mostOpen
	if isHealth(c.FullMethodName) {
		open, most = &s.openHealth, mostHealth
	} else if _, err := s.tokens.caller(c.Header); err != nil {
		s.config.Log.Info("refused", "grpc.method", clip(c.FullMethodName), "error", err)
		return ctx, statusOf(err).Err()
	}
	if open.Add(1) > most {
		open.Add(-1)
		s.metrics.refused.Inc()
		// UNAVAILABLE, which clients try again: a delay cannot be told this early.
		return ctx, status.Error(codes.Unavailable, "too many calls at once")
	}
	context.AfterFunc(ctx, func() { open.Add(-1) }) // when the stream is over
	return ctx, nil
}

// mostHealth bounds the calls and watches of health, which need no token.
const mostHealth = 128

// panicError stands for a panic that was caught.
type panicError struct{}

func (panicError) Error() string { return "panic" }

// recovered logs a panic with the stack of the goroutine that it happened on: a
// worker of the call, or the call's own.
func (s *Server) recovered(ctx context.Context, p any) error {
	s.metrics.panics.Inc()
	stack := debug.Stack()
	if carried, ok := p.(*forkjoin.Panic); ok {
		p, stack = carried.Value, carried.Stack
	}
	s.config.Log.ErrorContext(ctx, "panic in a call", "request_id", requestIDOf(ctx), "panic", p, "stack", string(stack))
	return panicError{}
}

func (s *Server) interceptors() []grpc.ServerOption {
	record := logging.LoggerFunc(func(ctx context.Context, level logging.Level, message string, fields ...any) {
		s.config.Log.Log(ctx, slog.Level(level), message, fields...)
	})
	logOptions := []logging.Option{
		logging.WithLogOnEvents(logging.FinishCall),
		logging.WithFieldsFromContext(func(ctx context.Context) logging.Fields {
			return logging.Fields{"request_id", requestIDOf(ctx)}
		}),
		logging.WithDurationField(logging.DurationToDurationField),
	}
	guarded := selector.MatchFunc(func(_ context.Context, c interceptors.CallMeta) bool { return !isHealth(c.FullMethod()) })
	caught := recovery.WithRecoveryHandlerContext(s.recovered)
	return []grpc.ServerOption{
		grpc.ChainUnaryInterceptor(
			func(ctx context.Context, req any, i *grpc.UnaryServerInfo, next grpc.UnaryHandler) (any, error) {
				ctx, end := s.begin(ctx, i.FullMethod)
				defer end()
				return next(ctx, req)
			},
			s.metrics.calls.UnaryServerInterceptor(),
			selector.UnaryServerInterceptor(logging.UnaryServerInterceptor(record, logOptions...), guarded),
			func(ctx context.Context, req any, _ *grpc.UnaryServerInfo, next grpc.UnaryHandler) (any, error) {
				answer, err := next(ctx, req)
				return answer, s.conclude(ctx, err)
			},
			recovery.UnaryServerInterceptor(caught),
			selector.UnaryServerInterceptor(auth.UnaryServerInterceptor(s.tokens.admit), guarded),
		),
		grpc.ChainStreamInterceptor(
			func(srv any, stream grpc.ServerStream, i *grpc.StreamServerInfo, next grpc.StreamHandler) error {
				ctx, end := s.begin(stream.Context(), i.FullMethod)
				defer end()
				return next(srv, &middleware.WrappedServerStream{ServerStream: stream, WrappedContext: ctx})
			},
			s.metrics.calls.StreamServerInterceptor(),
			selector.StreamServerInterceptor(logging.StreamServerInterceptor(record, logOptions...), guarded),
			func(srv any, stream grpc.ServerStream, _ *grpc.StreamServerInfo, next grpc.StreamHandler) error {
				return s.conclude(stream.Context(), next(srv, stream))
			},
			recovery.StreamServerInterceptor(caught),
			selector.StreamServerInterceptor(auth.StreamServerInterceptor(s.tokens.admit), guarded),
		),
	}
}

// within runs f, which sends on a stream, for d at most. Where the time is up f
// goes on until the handler returns, which ends the stream.
func within(ctx context.Context, d time.Duration, f func() error) error {
	_, err := receiveWithin(ctx, d, func() (struct{}, error) { return struct{}{}, f() })
	return err
}

// receiveWithin is within for an f that has a result. A panic of f is the error
// that it ends with, for it has a goroutine of its own.
func receiveWithin[T any](ctx context.Context, d time.Duration, f func() (T, error)) (T, error) {
	type outcome struct {
		value T
		err   error
	}
	done := make(chan outcome, 1)
	go func() {
		var o outcome
		if p := forkjoin.Catch(func() { o.value, o.err = f() }); p != nil {
			o.err = p
		}
		done <- o
	}()
	timer := time.NewTimer(d)
	defer timer.Stop()
	var none T
	select {
	case o := <-done:
		return o.value, o.err
	case <-timer.C:
		return none, errIdle
	case <-ctx.Done():
		return none, ctx.Err()
	}
}
