package main

// The farm on a NATS server of others: TLS by an authority of its own, and what the
// server asks its clients for.

import (
	"crypto/tls"
	"crypto/x509"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/nats-io/jwt/v2"
	natsserver "github.com/nats-io/nats-server/v2/server"
	"github.com/nats-io/nkeys"
)

// natsServer runs a NATS server with JetStream and TLS until the test ends, and returns
// its HOST:PORT. It has the certificate server.pem of dir, and where verify is set asks
// clients for one of dir's authority.
func natsServer(t *testing.T, dir string, verify bool, o *natsserver.Options) string {
	t.Helper()
	pair, err := tls.LoadX509KeyPair(filepath.Join(dir, "server.pem"), filepath.Join(dir, "server.key"))
	if err != nil {
		t.Fatal(err)
	}
	o.TLS, o.TLSTimeout, o.TLSConfig = true, 10, &tls.Config{MinVersion: tls.VersionTLS12, Certificates: []tls.Certificate{pair}}
	if verify {
		text, err := os.ReadFile(filepath.Join(dir, "authority.pem"))
		if err != nil {
			t.Fatal(err)
		}
		o.TLSConfig.ClientCAs, o.TLSConfig.ClientAuth = x509.NewCertPool(), tls.RequireAndVerifyClientCert
		if !o.TLSConfig.ClientCAs.AppendCertsFromPEM(text) {
			t.Fatal("no authority")
		}
	}
	o.Host, o.Port, o.NoLog, o.NoSigs = "127.0.0.1", natsserver.RANDOM_PORT, true, true
	o.JetStream, o.StoreDir, o.JetStreamMaxStore = true, t.TempDir(), 1<<30
	s, err := natsserver.NewServer(o)
	if err != nil {
		t.Fatal(err)
	}
	s.Start()
	t.Cleanup(func() { s.Shutdown(); s.WaitForShutdown() })
	if !s.ReadyForConnections(15 * time.Second) {
		t.Fatal("the NATS server does not start")
	}
	return s.Addr().String()
}

// operator signs accounts and users, as NATS' decentralised authentication has them.
type operator struct{ key nkeys.KeyPair }

func newOperator(t *testing.T) operator {
	t.Helper()
	key, err := nkeys.CreateOperator()
	if err != nil {
		t.Fatal(err)
	}
	return operator{key}
}

func public(t *testing.T, k nkeys.KeyPair) string {
	t.Helper()
	name, err := k.PublicKey()
	if err != nil {
		t.Fatal(err)
	}
	return name
}

// account makes an account, which may use JetStream as it likes unless it is the system's,
// and its token.
func (o operator) account(t *testing.T, system bool) (key nkeys.KeyPair, token string) {
	t.Helper()
	key, err := nkeys.CreateAccount()
	if err != nil {
		t.Fatal(err)
	}
	c := jwt.NewAccountClaims(public(t, key))
	if !system {
		c.Limits.JetStreamLimits = jwt.JetStreamLimits{MemoryStorage: jwt.NoLimit, DiskStorage: jwt.NoLimit, Streams: jwt.NoLimit, Consumer: jwt.NoLimit}
	}
	if token, err = c.Encode(o.key); err != nil {
		t.Fatal(err)
	}
	return key, token
}

// credentials writes the credentials file of a new user.
func credentials(t *testing.T, file string, account nkeys.KeyPair) {
	t.Helper()
	user, err := nkeys.CreateUser()
	if err != nil {
		t.Fatal(err)
	}
	token, err := jwt.NewUserClaims(public(t, user)).Encode(account)
	if err != nil {
		t.Fatal(err)
	}
	seed, err := user.Seed()
	if err != nil {
		t.Fatal(err)
	}
	text, err := jwt.FormatUserConfig(token, seed)
	if err != nil {
		t.Fatal(err)
	}
	write(t, file, string(text))
}

// TestFarm_TLS: worker, batch and jobs reach a NATS server by TLS, with a credentials
// file, with user and password, and with a certificate of their own; each refuses, or is
// refused, where one of these is missing or another's.
func TestFarm_TLS(t *testing.T) {
	dir := t.TempDir()
	at := func(name string) string { return filepath.Join(dir, name) }
	ca, key := certificate(t, dir, "authority", nil, nil)
	certificate(t, dir, "server", ca, key)
	certificate(t, dir, "client", ca, key)
	other, otherKey := certificate(t, dir, "other", nil, nil)
	certificate(t, dir, "stranger", other, otherKey)

	op := newOperator(t)
	system, systemToken := op.account(t, true)
	pilots, pilotsToken := op.account(t, false)
	resolver := &natsserver.MemAccResolver{}
	for k, token := range map[nkeys.KeyPair]string{system: systemToken, pilots: pilotsToken} {
		if err := resolver.Store(public(t, k), token); err != nil {
			t.Fatal(err)
		}
	}
	credentials(t, at("worker.creds"), pilots)
	credentials(t, at("artist.creds"), pilots)
	strangers, _ := newOperator(t).account(t, false)
	credentials(t, at("stranger.creds"), strangers)
	claims := jwt.NewOperatorClaims(public(t, op.key))
	claims.SystemAccount = public(t, system)
	byCreds := natsServer(t, dir, false, &natsserver.Options{TrustedOperators: []*jwt.OperatorClaims{claims}, AccountResolver: resolver, SystemAccount: public(t, system)})
	byName := natsServer(t, dir, true, &natsserver.Options{Username: "pilot", Password: "ebb tide"})
	const named = "tls://pilot:ebb%20tide@"

	here, local := wardrobeFolder(t)
	must(t, "batch", local, "--quiet")
	trust := []string{"--nats-ca", at("authority.pem")}
	own := append(trust, "--nats-cert", at("client.pem"), "--nats-key", at("client.key"))
	for _, c := range []struct {
		name           string
		worker, artist []string
		refused        map[string][]string
		secret         string
	}{
		{
			"credentials",
			append(trust, "--nats", "tls://"+byCreds, "--nats-creds", at("worker.creds")), append(trust, "--nats", "tls://"+byCreds, "--nats-creds", at("artist.creds")),
			map[string][]string{
				"without":                  append(trust, "--nats", "tls://"+byCreds),
				"of another operator":      append(trust, "--nats", "tls://"+byCreds, "--nats-creds", at("stranger.creds")),
				"a file that is not there": append(trust, "--nats", "tls://"+byCreds, "--nats-creds", at("missing.creds")),
				"authority not trusted":    {"--nats", "tls://" + byCreds, "--nats-creds", at("artist.creds")},
				"another authority":        {"--nats", "tls://" + byCreds, "--nats-creds", at("artist.creds"), "--nats-ca", at("other.pem")},
			}, "",
		},
		{
			"user, password and certificate",
			append(own, "--nats", named+byName), append(own, "--nats", named+byName),
			map[string][]string{
				"without a name":       append(own, "--nats", "tls://"+byName),
				"another password":     append(own, "--nats", "tls://pilot:flood@"+byName),
				"no certificate":       append(trust, "--nats", named+byName),
				"a stranger's":         append(trust, "--nats", named+byName, "--nats-cert", at("stranger.pem"), "--nats-key", at("stranger.key")),
				"the key of another's": append(trust, "--nats", named+byName, "--nats-cert", at("client.pem"), "--nats-key", at("server.key")),
			}, "ebb",
		},
	} {
		t.Run(c.name, func(t *testing.T) {
			there, manifest := wardrobeFolder(t)
			for name, flags := range c.refused {
				for _, command := range [][]string{{"jobs"}, {"batch", manifest}, {"work", "--log-level", "error"}} {
					o := selvage(t, append(command, flags...)...)
					if o.status != exitFailed {
						t.Errorf("%s %s: status %d: %s", command[0], name, o.status, o.stderr)
					}
					oneSentence(t, o)
					if c.secret != "" && strings.Contains(o.stderr, c.secret) {
						t.Errorf("%s %s: the password is shown: %s", command[0], name, o.stderr)
					}
					if strings.Contains(o.stderr, "selvage: farm: nats:") { // what a request without a connection says
						t.Errorf("%s %s: it does not say why: %s", command[0], name, o.stderr)
					}
				}
			}
			startWorker(t, c.worker...)
			must(t, append([]string{"batch", manifest, "--quiet"}, c.artist...)...)
			sameOutputs(t, here, there)
			if o := must(t, append([]string{"jobs"}, c.artist...)...); !strings.Contains(o.stdout, "done") {
				t.Errorf("jobs: %s", o.stdout)
			}
		})
	}
}
