package main

import (
	"context"
	"fmt"
	"net"
	"net/http"
	"os"
	"time"

	"github.com/spf13/cobra"
)

// defaultAdmin is where serve's admin listener is unless told otherwise.
const defaultAdmin = "127.0.0.1:7412"

// newHealth is the check that a container runs: its image has no other program.
// It asks the admin listener, which wants neither certificates nor tokens.
func newHealth() *cobra.Command {
	address := localAddress(os.Getenv(variable("admin")))
	cmd := &cobra.Command{
		Use:   "health",
		Short: "Say whether the server on this machine is ready for calls",
		Long: `Health asks a server's admin listener whether it is ready. The exit status is 0
where it is, else 1. Without --admin it asks where SELVAGE_ADMIN says.`,
		Example: `  selvage health
  selvage health --admin 127.0.0.1:7412`,
		Args: exactArgs(0, "no arguments"),
		RunE: func(cmd *cobra.Command, _ []string) error {
			ctx, cancel := context.WithTimeout(cmd.Context(), 3*time.Second)
			defer cancel()
			q, err := http.NewRequestWithContext(ctx, http.MethodGet, "http://"+address+"/readyz", nil)
			if err != nil {
				return err
			}
			r, err := http.DefaultClient.Do(q)
			if err != nil {
				return err
			}
			defer r.Body.Close()
			if r.StatusCode != http.StatusOK {
				return fmt.Errorf("the server at %s is not ready", address)
			}
			_, err = fmt.Fprintln(cmd.OutOrStdout(), "ready")
			return err
		},
	}
	cmd.Flags().StringVar(&address, "admin", address, "HOST:PORT of the server's admin listener")
	return cmd
}

// localAddress is where a listener on address is found from this machine.
func localAddress(address string) string {
	host, port, err := net.SplitHostPort(address)
	if err != nil {
		return defaultAdmin
	}
	if ip := net.ParseIP(host); host == "" || ip != nil && ip.IsUnspecified() {
		host = "127.0.0.1"
	}
	return net.JoinHostPort(host, port)
}
