package server

import (
	"crypto/tls"
	"crypto/x509"
	"errors"
	"os"
)

// newTLS returns a configuration that follows its files.
func newTLS(cert, key, clientCA string, log func(string, error)) (*tls.Config, error) {
	files := []string{cert, key}
	if clientCA != "" {
		files = append(files, clientCA)
	}
	w, err := watch(files, func() (*tls.Config, error) {
		pair, err := tls.LoadX509KeyPair(cert, key)
		if err != nil {
			return nil, err
		}
		c := &tls.Config{MinVersion: tls.VersionTLS13, Certificates: []tls.Certificate{pair}, NextProtos: []string{"h2"}}
		if clientCA != "" {
			text, err := os.ReadFile(clientCA)
			if err != nil {
				return nil, err
			}
			c.ClientCAs = x509.NewCertPool()
			if !c.ClientCAs.AppendCertsFromPEM(text) {
				return nil, errors.New("no certificate of an authority in it")
			}
			c.ClientAuth = tls.RequireAndVerifyClientCert
		}
		return c, nil
	}, log)
	if err != nil {
		return nil, err
	}
	return &tls.Config{
		MinVersion: tls.VersionTLS13,
		NextProtos: []string{"h2"},
		GetConfigForClient: func(*tls.ClientHelloInfo) (*tls.Config, error) {
			return w.value(), nil
		},
	}, nil
}
