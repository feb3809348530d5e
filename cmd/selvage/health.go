package main

import (
	"context"
	"fmt"
	"net"
	"os"
	"time"

	"github.com/selvage/selvage/server"
	"github.com/spf13/cobra"
	"google.golang.org/grpc"
	"google.golang.org/grpc/credentials"
	"google.golang.org/grpc/credentials/insecure"
	healthpb "google.golang.org/grpc/health/grpc_health_v1"
)

// newHealth is the check that a container runs: its image has no other program.
func newHealth() *cobra.Command {
	where := remote{address: localAddress(os.Getenv(variable("listen")))}
	cmd := &cobra.Command{
		Use:   "health",
		Short: "Say whether a server is ready for calls",
		Long: `Health asks a server whether it serves (grpc.health.v1). The exit status is 0 where
it does, else 1. Without --server it asks the one on this machine at the port of
SELVAGE_LISTEN.`,
		Example: `  selvage health
  selvage health --server 127.0.0.1:7411`,
		Args: exactArgs(0, "no arguments"),
		RunE: func(cmd *cobra.Command, _ []string) error {
			ctx, cancel := context.WithTimeout(cmd.Context(), 3*time.Second)
			defer cancel()
			transport := insecure.NewCredentials()
			t, err := where.tlsConfig()
			if err != nil {
				return err
			}
			if t != nil {
				transport = credentials.NewTLS(t)
			}
			conn, err := grpc.NewClient(where.address, grpc.WithTransportCredentials(transport))
			if err != nil {
				return err
			}
			defer conn.Close()
			m, err := healthpb.NewHealthClient(conn).Check(ctx, &healthpb.HealthCheckRequest{})
			if err != nil {
				return &serverError{where.address, err}
			}
			if m.GetStatus() != healthpb.HealthCheckResponse_SERVING {
				return fmt.Errorf("server %s: %s", where.address, m.GetStatus())
			}
			_, err = fmt.Fprintln(cmd.OutOrStdout(), "serving")
			return err
		},
	}
	f := cmd.Flags()
	f.StringVar(&where.address, "server", where.address, "HOST:PORT of the server")
	addTLSFlags(f, &where)
	return cmd
}

// localAddress is where a server that listens on address is found from here.
func localAddress(address string) string {
	host, port, err := net.SplitHostPort(address)
	if err != nil {
		return server.DefaultListen
	}
	if ip := net.ParseIP(host); host == "" || ip != nil && ip.IsUnspecified() {
		host = "127.0.0.1"
	}
	return net.JoinHostPort(host, port)
}
