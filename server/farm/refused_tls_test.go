package farm

// Servers that end the TLS handshake.

import (
	"context"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/pem"
	"errors"
	"fmt"
	"math/big"
	"net"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	natsserver "github.com/nats-io/nats-server/v2/server"
)

// authority signs certificates for this machine in a folder.
type authority struct {
	dir  string
	cert *x509.Certificate
	key  *ecdsa.PrivateKey
}

// issue writes a certificate as NAME.pem and NAME.key; the first is the authority's own.
func (a *authority) issue(t *testing.T, name string) {
	t.Helper()
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	c := &x509.Certificate{
		SerialNumber: big.NewInt(1), Subject: pkix.Name{CommonName: name}, NotBefore: time.Now().Add(-time.Hour), NotAfter: time.Now().Add(time.Hour),
		IPAddresses: []net.IP{net.IPv4(127, 0, 0, 1)}, ExtKeyUsage: []x509.ExtKeyUsage{x509.ExtKeyUsageServerAuth, x509.ExtKeyUsageClientAuth},
	}
	if a.cert == nil {
		c.IsCA, c.BasicConstraintsValid, c.KeyUsage, c.ExtKeyUsage = true, true, x509.KeyUsageCertSign, nil
		a.cert, a.key = c, key
	}
	der, err := x509.CreateCertificate(rand.Reader, c, a.cert, &key.PublicKey, a.key)
	if err != nil {
		t.Fatal(err)
	}
	secret, err := x509.MarshalPKCS8PrivateKey(key)
	if err != nil {
		t.Fatal(err)
	}
	for ending, block := range map[string]*pem.Block{".pem": {Type: "CERTIFICATE", Bytes: der}, ".key": {Type: "PRIVATE KEY", Bytes: secret}} {
		if err := os.WriteFile(filepath.Join(a.dir, name+ending), pem.EncodeToMemory(block), 0o600); err != nil {
			t.Fatal(err)
		}
	}
}

// TestOpen_RefusedTLS: a server that asks for a client certificate is not waited for, by
// workers either, where there is none or another authority's.
func TestOpen_RefusedTLS(t *testing.T) {
	dir := t.TempDir()
	at := func(name string) string { return filepath.Join(dir, name) }
	ours, others := authority{dir: dir}, authority{dir: dir}
	ours.issue(t, "authority")
	ours.issue(t, "server")
	ours.issue(t, "client")
	others.issue(t, "other")
	others.issue(t, "stranger")
	pair, err := tls.LoadX509KeyPair(at("server.pem"), at("server.key"))
	if err != nil {
		t.Fatal(err)
	}
	text, err := os.ReadFile(at("authority.pem"))
	if err != nil {
		t.Fatal(err)
	}
	pool := x509.NewCertPool()
	pool.AppendCertsFromPEM(text)
	for name, version := range map[string]uint16{"1.2": tls.VersionTLS12, "1.3": tls.VersionTLS13} {
		s := natsServer(t, &natsserver.Options{JetStream: true, JetStreamMaxStore: 64 << 20, TLS: true, TLSTimeout: 10, TLSConfig: &tls.Config{
			MinVersion: version, MaxVersion: version, Certificates: []tls.Certificate{pair}, ClientCAs: pool, ClientAuth: tls.RequireAndVerifyClientCert,
		}})
		address := s.Addr().String()
		for _, retry := range []bool{false, true} {
			for _, x := range []struct{ cert, says string }{
				{"", "asks for a client certificate, and none is given"}, {"stranger", "refuses this client's certificate"}, {"client", ""},
			} {
				t.Run(fmt.Sprintf("TLS %s, certificate %q, retry %v", name, x.cert, retry), func(t *testing.T) {
					t.Parallel() // they wait
					c := Config{URL: "tls://pilot:ebb@" + address, CA: at("authority.pem"), RetryConnect: retry, Patience: time.Hour, Log: quiet()}
					if x.cert != "" {
						c.Cert, c.Key = at(x.cert+".pem"), at(x.cert+".key")
					}
					ctx, cancel := context.WithTimeout(t.Context(), 30*time.Second)
					defer cancel()
					f, err := Open(ctx, c)
					if x.says == "" {
						if err != nil {
							t.Fatal(err)
						}
						f.Close()
						return
					}
					if name == "1.2" && x.says != "" {
						x.says = map[string]string{"": "refuses the TLS connection, and may want a client certificate", "stranger": "refuses the TLS connection, and may want another client certificate"}[x.cert]
					}
					var refused *RefusedTLSError
					if !errors.As(err, &refused) || !strings.HasPrefix(err.Error(), "the NATS server at tls://"+address+" "+x.says+" (") {
						t.Errorf("%v, want that it %s", err, x.says)
					}
				})
			}
		}
	}
}
