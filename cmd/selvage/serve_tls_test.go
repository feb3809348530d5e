package main

import (
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/pem"
	"math/big"
	"net"
	"path/filepath"
	"testing"
	"time"
)

// certificate writes NAME.pem and NAME.key into dir, signed by the parent or, where
// that is nil, by itself as an authority.
func certificate(t *testing.T, dir, name string, parent *x509.Certificate, parentKey *ecdsa.PrivateKey) (*x509.Certificate, *ecdsa.PrivateKey) {
	t.Helper()
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	c := &x509.Certificate{
		SerialNumber: big.NewInt(1), Subject: pkix.Name{CommonName: name},
		NotBefore: time.Now().Add(-time.Hour), NotAfter: time.Now().Add(time.Hour),
		IPAddresses: []net.IP{net.IPv4(127, 0, 0, 1)},
		ExtKeyUsage: []x509.ExtKeyUsage{x509.ExtKeyUsageServerAuth, x509.ExtKeyUsageClientAuth},
	}
	if parent == nil {
		c.IsCA, c.BasicConstraintsValid, c.KeyUsage, c.ExtKeyUsage = true, true, x509.KeyUsageCertSign, nil
		parent, parentKey = c, key
	}
	der, err := x509.CreateCertificate(rand.Reader, c, parent, &key.PublicKey, parentKey)
	if err != nil {
		t.Fatal(err)
	}
	secret, err := x509.MarshalPKCS8PrivateKey(key)
	if err != nil {
		t.Fatal(err)
	}
	write(t, filepath.Join(dir, name+".pem"), string(pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: der})))
	write(t, filepath.Join(dir, name+".key"), string(pem.EncodeToMemory(&pem.Block{Type: "PRIVATE KEY", Bytes: secret})))
	made, err := x509.ParseCertificate(der)
	if err != nil {
		t.Fatal(err)
	}
	return made, key
}

// TestServe_MutualTLS goes through the flags of both sides.
func TestServe_MutualTLS(t *testing.T) {
	dir := t.TempDir()
	ca, key := certificate(t, dir, "authority", nil, nil)
	certificate(t, dir, "server", ca, key)
	certificate(t, dir, "client", ca, key)
	at := func(name string) string { return filepath.Join(dir, name) }
	s := serve(t, []string{"SELVAGE_TLS_CERT=" + at("server.pem"), "SELVAGE_TLS_KEY=" + at("server.key")}, "--client-ca", at("authority.pem"))
	args := []string{"transfer", cox("body"), cox("gloves"), "-q", "-o", at("out.glb"), "--server", s.address}
	must(t, append(args, "--tls-ca", at("authority.pem"), "--tls-cert", at("client.pem"), "--tls-key", at("client.key"))...)
	for name, more := range map[string][]string{
		"in the clear":             nil,
		"unknown authority":        {"--tls", "--tls-cert", at("client.pem"), "--tls-key", at("client.key")},
		"no certificate":           {"--tls-ca", at("authority.pem")},
		"key of another":           {"--tls-ca", at("authority.pem"), "--tls-cert", at("client.pem"), "--tls-key", at("server.key")},
		"authority file not there": {"--tls-ca", at("missing.pem")},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel() // each waits through its retries
			o := selvage(t, append(args, more...)...)
			if o.status != exitFailed {
				t.Errorf("status %d, %q", o.status, o.stderr)
			}
			oneSentence(t, o)
		})
	}
}
