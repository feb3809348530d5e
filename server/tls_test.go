package server_test

// Certificates over a real socket: the right ones pass, all others do not.

import (
	"context"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/pem"
	"math/big"
	"net"
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/selvage/selvage/client"
	"github.com/selvage/selvage/server"
)

// authority signs certificates for the test.
type authority struct {
	cert *x509.Certificate
	key  *ecdsa.PrivateKey
	pool *x509.CertPool
	pem  []byte
}

func newAuthority(t *testing.T) *authority {
	t.Helper()
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	template := &x509.Certificate{
		SerialNumber: big.NewInt(1), Subject: pkix.Name{CommonName: "harbour authority"},
		NotBefore: time.Now().Add(-time.Hour), NotAfter: time.Now().Add(time.Hour),
		IsCA: true, BasicConstraintsValid: true, KeyUsage: x509.KeyUsageCertSign,
	}
	der, err := x509.CreateCertificate(rand.Reader, template, template, &key.PublicKey, key)
	if err != nil {
		t.Fatal(err)
	}
	cert, err := x509.ParseCertificate(der)
	if err != nil {
		t.Fatal(err)
	}
	a := &authority{cert: cert, key: key, pool: x509.NewCertPool(), pem: pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: der})}
	a.pool.AddCert(cert)
	return a
}

// issue returns a certificate and key as PEM.
func (a *authority) issue(t *testing.T, serial int64, change func(*x509.Certificate)) (cert, key []byte) {
	t.Helper()
	k, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	template := &x509.Certificate{
		SerialNumber: big.NewInt(serial), Subject: pkix.Name{CommonName: "pilot boat"},
		NotBefore: time.Now().Add(-time.Hour), NotAfter: time.Now().Add(time.Hour),
		IPAddresses: []net.IP{net.IPv4(127, 0, 0, 1)}, KeyUsage: x509.KeyUsageDigitalSignature,
		ExtKeyUsage: []x509.ExtKeyUsage{x509.ExtKeyUsageServerAuth, x509.ExtKeyUsageClientAuth},
	}
	if change != nil {
		change(template)
	}
	der, err := x509.CreateCertificate(rand.Reader, template, a.cert, &k.PublicKey, a.key)
	if err != nil {
		t.Fatal(err)
	}
	raw, err := x509.MarshalPKCS8PrivateKey(k)
	if err != nil {
		t.Fatal(err)
	}
	return pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: der}), pem.EncodeToMemory(&pem.Block{Type: "PRIVATE KEY", Bytes: raw})
}

// pair issues a certificate for a client.
func (a *authority) pair(t *testing.T, change func(*x509.Certificate)) tls.Certificate {
	t.Helper()
	cert, key := a.issue(t, 7, change)
	p, err := tls.X509KeyPair(cert, key)
	if err != nil {
		t.Fatal(err)
	}
	return p
}

func write(t *testing.T, dir, name string, data []byte) string {
	t.Helper()
	file := filepath.Join(dir, name)
	if err := os.WriteFile(file, data, 0o600); err != nil {
		t.Fatal(err)
	}
	return file
}

// secure starts a server with a certificate that change made.
func secure(t *testing.T, a *authority, c server.Config, change func(*x509.Certificate)) (*running, string) {
	t.Helper()
	dir := t.TempDir()
	cert, key := a.issue(t, 2, change)
	c.TLSCert, c.TLSKey = write(t, dir, "cert.pem", cert), write(t, dir, "key.pem", key)
	return start(t, c), dir
}

// tryDial dials once, without retries.
func tryDial(t *testing.T, addr string, opts ...client.Option) error {
	t.Helper()
	ctx, cancel := context.WithTimeout(t.Context(), 5*time.Second)
	defer cancel()
	c, err := client.Dial(ctx, addr, append(opts, client.WithRetry(client.Retry{Attempts: 1}))...)
	if err == nil {
		c.Close()
	}
	return err
}

func expired(c *x509.Certificate) {
	c.NotBefore, c.NotAfter = time.Now().Add(-2*time.Hour), time.Now().Add(-time.Hour)
}

func TestTLS_ServerCertificate(t *testing.T) {
	a, other := newAuthority(t), newAuthority(t)
	for _, c := range []struct {
		name   string
		change func(*x509.Certificate)
		client *tls.Config // nil: none at all
		good   bool
	}{
		{"good", nil, &tls.Config{RootCAs: a.pool}, true},
		{"expired", expired, &tls.Config{RootCAs: a.pool}, false},
		{"not valid yet", func(c *x509.Certificate) { c.NotBefore = time.Now().Add(30 * time.Minute) }, &tls.Config{RootCAs: a.pool}, false},
		{"wrong authority", nil, &tls.Config{RootCAs: other.pool}, false},
		{"another address", func(c *x509.Certificate) { c.IPAddresses = []net.IP{net.IPv4(127, 0, 0, 9)} }, &tls.Config{RootCAs: a.pool}, false},
		{"old protocol", nil, &tls.Config{RootCAs: a.pool, MaxVersion: tls.VersionTLS12}, false},
		{"in the clear", nil, nil, false},
	} {
		t.Run(c.name, func(t *testing.T) {
			s, _ := secure(t, a, server.Config{}, c.change)
			var opts []client.Option
			if c.client != nil {
				opts = append(opts, client.WithTLS(c.client))
			}
			if err := tryDial(t, s.addr, opts...); (err == nil) != c.good {
				t.Errorf("error %v, want success: %v", err, c.good)
			}
		})
	}
	t.Run("server without TLS", func(t *testing.T) {
		if err := tryDial(t, start(t, server.Config{}).addr, client.WithTLS(&tls.Config{RootCAs: a.pool})); err == nil {
			t.Error("a client that wants TLS talks without")
		}
	})
}

func TestTLS_ClientCertificate(t *testing.T) {
	a, clients, other := newAuthority(t), newAuthority(t), newAuthority(t)
	s, _ := secure(t, a, server.Config{ClientCA: write(t, t.TempDir(), "ca.pem", clients.pem)}, nil)
	for _, c := range []struct {
		name string
		own  []tls.Certificate
		good bool
	}{
		{"good", []tls.Certificate{clients.pair(t, nil)}, true},
		{"none", nil, false},
		{"expired", []tls.Certificate{clients.pair(t, expired)}, false},
		{"wrong authority", []tls.Certificate{other.pair(t, nil)}, false},
		{"the server's authority", []tls.Certificate{a.pair(t, nil)}, false},
		{"for servers alone", []tls.Certificate{clients.pair(t, func(c *x509.Certificate) { c.ExtKeyUsage = c.ExtKeyUsage[:1] })}, false},
	} {
		t.Run(c.name, func(t *testing.T) {
			err := tryDial(t, s.addr, client.WithTLS(&tls.Config{RootCAs: a.pool, Certificates: c.own}))
			if (err == nil) != c.good {
				t.Errorf("error %v, want success: %v", err, c.good)
			}
		})
	}
}

// TestTLS_Reload changes the certificate under a running server.
func TestTLS_Reload(t *testing.T) {
	a := newAuthority(t)
	s, dir := secure(t, a, server.Config{}, nil)
	serial := func() int64 {
		conn, err := tls.Dial("tcp", s.addr, &tls.Config{RootCAs: a.pool, NextProtos: []string{"h2"}})
		if err != nil {
			t.Fatal(err)
		}
		defer conn.Close()
		return conn.ConnectionState().PeerCertificates[0].SerialNumber.Int64()
	}
	if n := serial(); n != 2 {
		t.Fatalf("serial number %d, want 2", n)
	}
	time.Sleep(1100 * time.Millisecond) // files are looked at once a second
	write(t, dir, "cert.pem", []byte("half written"))
	if n := serial(); n != 2 {
		t.Errorf("serial number %d while the file is broken, want 2", n)
	}
	time.Sleep(1100 * time.Millisecond)
	cert, key := a.issue(t, 3, nil)
	write(t, dir, "cert.pem", cert)
	write(t, dir, "key.pem", key)
	if n := serial(); n != 3 {
		t.Errorf("serial number %d, want 3", n)
	}
}

func TestTLS_MissingFiles(t *testing.T) {
	s, err := server.NewServer(server.Config{Listen: "127.0.0.1:0", TLSCert: "missing.pem", TLSKey: "missing.key"})
	if err != nil {
		t.Fatal(err)
	}
	if err := s.Listen(t.Context()); err == nil {
		t.Error("listens without its certificate")
	}
}
