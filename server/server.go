// Package server is the gRPC service: assets kept by their hash, transfers by
// asset and by arrays, within bounds of memory, time and rate. All geometry is
// done by package transfer.
//
//	service.go      the methods, but for
//	check.go        the pose check
//	edits.go        passes with edits by hand, the difference of rows
//	retouch.go      other weights for a skinned asset
//	store.go        uploaded assets on disk
//	admission.go    who may compute, who waits, who goes
//	status.go       errors to codes
//	interceptor.go  what every call passes through
package server

import (
	"context"
	"crypto/tls"
	"errors"
	"fmt"
	"net"
	"net/http"
	"sync/atomic"
	"time"

	pb "github.com/selvage/selvage/api/selvage/v1"
	"github.com/selvage/selvage/server/internal/bodycache"
	"github.com/selvage/selvage/transfer"
	"github.com/selvage/selvage/transfer/pose"
	"golang.org/x/net/netutil"
	"google.golang.org/grpc"
	"google.golang.org/grpc/credentials"
	"google.golang.org/grpc/health"
	healthpb "google.golang.org/grpc/health/grpc_health_v1"
	"google.golang.org/grpc/keepalive"
	"google.golang.org/grpc/reflection"
)

// Server is one service with its listeners. Use it once: NewServer, Listen,
// Serve.
type Server struct {
	pb.UnimplementedSelvageServiceServer

	config    Config
	store     *store
	bodies    *bodycache.Cache[*transfer.AssetBody]
	sources   *bodycache.Cache[*arrayBody]
	checked   *bodycache.Cache[*pose.AssetBody]
	admission *admission
	tokens    *tokens
	metrics   *metrics
	tracing   *tracing
	health    *health.Server

	grpc     *grpc.Server
	listener net.Listener
	admin    net.Listener
	ready    atomic.Bool
	open     atomic.Int64 // calls on the wire, computing or not
	mostOpen int64
	// openHealth are calls and watches of health.
	openHealth atomic.Int64

	alive keepAlive

	// hard ends when the grace period of a stop is over.
	hard    context.Context
	endHard context.CancelFunc
}

// maxConnections at the same time: each holds a handshake's and two windows' worth
// of memory.
const maxConnections = 1024

// keepAlive says when a connection that nobody needs any more goes.
type keepAlive struct {
	// idle is how long a connection without calls stays.
	idle time.Duration
	// ping is after how much silence the server asks whether its peer is there, answer
	// how long it waits for that.
	ping, answer time.Duration
	// least is the time that a client has to leave between its own pings, with or
	// without calls. One that does not is sent away (GOAWAY, ENHANCE_YOUR_CALM:
	// RFC 9113, section 7).
	least time.Duration
}

var defaultKeepAlive = keepAlive{idle: 30 * time.Minute, ping: time.Minute, answer: 20 * time.Second, least: 20 * time.Second}

// NewServer checks the configuration. It opens nothing; Listen does. Errors:
// *ConfigError.
func NewServer(c Config) (*Server, error) {
	c, err := c.withDefaults()
	if err != nil {
		return nil, err
	}
	s := &Server{
		config: c,
		// Bodies for transfers of assets get half of the budget, those of arrays and those
		// for checks a quarter each.
		bodies:    bodycache.New[*transfer.AssetBody](c.BodyBytes - 2*(c.BodyBytes/4)),
		sources:   bodycache.New[*arrayBody](c.BodyBytes / 4),
		checked:   bodycache.New[*pose.AssetBody](c.BodyBytes / 4),
		admission: newAdmission(c.WorkBytes, c.MaxCalls, c.Queue, c.QueueWait),
		health:    health.NewServer(),
		alive:     defaultKeepAlive,
	}
	// Messages on their way in take up to a quarter of the memory for calls.
	s.mostOpen = max(64, c.WorkBytes/4/c.MaxMessageBytes)
	s.hard, s.endHard = context.WithCancel(context.Background())
	s.metrics = newMetrics(s)
	s.health.SetServingStatus("", healthpb.HealthCheckResponse_NOT_SERVING)
	s.health.SetServingStatus(pb.SelvageService_ServiceDesc.ServiceName, healthpb.HealthCheckResponse_NOT_SERVING)
	return s, nil
}

// note logs what happened to watched files.
func (s *Server) note(message string, err error) {
	if err != nil {
		s.config.Log.Warn(message, "error", err)
		return
	}
	s.config.Log.Info(message)
}

// Listen opens the store, the files of certificates and tokens, and the
// listeners. After an error nothing stays open.
func (s *Server) Listen(ctx context.Context) (err error) {
	defer func() {
		if err != nil {
			s.close()
		}
	}()
	c := &s.config
	var options []grpc.ServerOption
	if c.TLSCert != "" {
		var t *tls.Config
		if t, err = newTLS(c.TLSCert, c.TLSKey, c.ClientCA, s.note); err != nil {
			return err
		}
		options = append(options, grpc.Creds(credentials.NewTLS(t)))
	}
	if s.tokens, err = newTokens(c.Tokens, c.Rate, c.Burst, s.note); err != nil {
		return err
	}
	if s.tracing, err = newTracing(ctx, *c); err != nil {
		return err
	}
	if s.store, err = openStore(c.Store, c.StoreBytes); err != nil {
		return err
	}
	options = append(options, s.tracing.options()...)
	options = append(options, s.interceptors()...)
	options = append(options,
		grpc.InTapHandle(s.tap),
		grpc.MaxRecvMsgSize(int(c.MaxMessageBytes)),
		grpc.MaxHeaderListSize(16<<10),
		grpc.MaxConcurrentStreams(256), // of one connection
		grpc.ConnectionTimeout(10*time.Second),
		grpc.KeepaliveParams(keepalive.ServerParameters{
			MaxConnectionIdle: s.alive.idle, Time: s.alive.ping, Timeout: s.alive.answer,
		}),
		grpc.KeepaliveEnforcementPolicy(keepalive.EnforcementPolicy{MinTime: s.alive.least, PermitWithoutStream: true}),
		// Handlers are waited for at a stop, so that nothing of theirs outlives Serve.
		grpc.WaitForHandlers(true),
	)
	s.grpc = grpc.NewServer(options...)
	pb.RegisterSelvageServiceServer(s.grpc, s)
	pb.RegisterRetouchServiceServer(s.grpc, &retoucher{s: s})
	if c.Farm != nil {
		pb.RegisterJobServiceServer(s.grpc, &jobs{s: s, f: c.Farm})
		s.metrics.registry.MustRegister(c.Farm.Collector())
	}
	healthpb.RegisterHealthServer(s.grpc, s.health)
	reflection.Register(s.grpc)
	s.metrics.calls.InitializeMetrics(s.grpc)

	if s.listener, err = net.Listen("tcp", c.Listen); err != nil {
		return fmt.Errorf("listen: %w", err)
	}
	s.listener = netutil.LimitListener(s.listener, maxConnections)
	if c.Admin != "" {
		if s.admin, err = net.Listen("tcp", c.Admin); err != nil {
			return fmt.Errorf("listen for admin: %w", err)
		}
	}
	return nil
}

// Addr is where the service listens, after Listen.
func (s *Server) Addr() net.Addr { return s.listener.Addr() }

// AdminAddr is where the admin listener is, nil where there is none.
func (s *Server) AdminAddr() net.Addr {
	if s.admin == nil {
		return nil
	}
	return s.admin.Addr()
}

// Serve answers calls until ctx ends, then stops gracefully: health says
// NOT_SERVING, no call begins, running ones have the grace period to finish, the
// rest end as UNAVAILABLE. It returns nil after such a stop.
func (s *Server) Serve(ctx context.Context) error {
	defer s.close()
	failed := make(chan error, 2)
	go func() { failed <- s.grpc.Serve(s.listener) }()
	var admin *http.Server
	if s.admin != nil {
		admin = s.newAdmin()
		go func() {
			if err := admin.Serve(s.admin); !errors.Is(err, http.ErrServerClosed) {
				failed <- err
			}
		}()
	}
	s.setServing(true)
	adminAddress := ""
	if s.admin != nil {
		adminAddress = s.admin.Addr().String()
	}
	s.config.Log.Info("serving", "address", s.listener.Addr().String(), "admin", adminAddress, "tls", s.config.TLSCert != "", "tokens", s.config.Tokens != "", "version", s.config.Version)

	var err error
	select {
	case <-ctx.Done():
	case err = <-failed:
	}
	s.setServing(false)
	s.config.Log.Info("stopping", "grace", s.config.Grace)
	s.drain()
	if admin != nil {
		closing, cancel := context.WithTimeout(context.Background(), time.Second)
		defer cancel()
		if admin.Shutdown(closing) != nil {
			admin.Close()
		}
	}
	s.config.Log.Info("stopped")
	return err
}

// hardStop is how long calls have to return after the grace period.
const hardStop = 2 * time.Second

// drain ends the gRPC server.
func (s *Server) drain() {
	done := make(chan struct{})
	go func() {
		s.grpc.GracefulStop()
		close(done)
	}()
	grace := time.NewTimer(s.config.Grace)
	defer grace.Stop()
	select {
	case <-done:
		return
	case <-grace.C:
	}
	s.endHard() // calls that still run end as UNAVAILABLE
	last := time.NewTimer(hardStop)
	defer last.Stop()
	select {
	case <-done:
		return
	case <-last.C:
	}
	s.grpc.Stop()
	<-done
}

func (s *Server) setServing(serving bool) {
	s.ready.Store(serving)
	status := healthpb.HealthCheckResponse_NOT_SERVING
	if serving {
		status = healthpb.HealthCheckResponse_SERVING
	}
	s.health.SetServingStatus("", status)
	s.health.SetServingStatus(pb.SelvageService_ServiceDesc.ServiceName, status)
}

// close closes what Listen opened.
func (s *Server) close() {
	s.endHard()
	if s.listener != nil {
		s.listener.Close()
	}
	if s.admin != nil {
		s.admin.Close()
	}
	if s.store != nil {
		if err := s.store.close(); err != nil {
			s.note("the temporary store could not be removed", err)
		}
	}
	ctx, cancel := context.WithTimeout(context.Background(), 5*time.Second)
	defer cancel()
	if err := s.tracing.close(ctx); err != nil {
		s.note("the last traces were not sent", err)
	}
}
