package main

import (
	"context"
	"crypto/tls"
	"crypto/x509"
	"errors"
	"fmt"
	"os"
	"strings"

	"github.com/selvage/selvage/client"
	"github.com/selvage/selvage/transfer"
	"github.com/selvage/selvage/transfer/gltfio"
	"github.com/selvage/selvage/transfer/pass"
	"github.com/selvage/selvage/transfer/pose"
	"github.com/selvage/selvage/transfer/retouch"
	"github.com/spf13/pflag"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
)

// savable is a finished garment.
type savable interface {
	// Save writes it and returns the images that it could not find.
	Save(file string) (missing []string, err error)
}

// finished is what a transfer left.
type finished struct {
	savable
	summary transfer.Summary
	// record for the next pass, and what became of the edits; nil without a pass.
	record []byte
	pass   *pass.Summary
}

// engine transfers to garments, here or on a server.
type engine struct {
	// transfer computes one garment's file; with in as a pass.
	transfer func(ctx context.Context, garment string, opt transfer.AssetOptions, in *passInput) (*finished, error)
	// wear puts a finished garment on, and wearFile a weighted one's file: what follows
	// lies over it.
	wear     func(ctx context.Context, garment string, out *finished) error
	wearFile func(ctx context.Context, file string) error
	// order finds in which order garments are worn, from the inside out.
	order func(ctx context.Context, garments []string, sel gltfio.Selection) (order []int, notes []string, err error)
}

// localEngine computes here; layers have the names of joints that the map gives them.
func localEngine(ctx context.Context, body string, sel gltfio.Selection, joints []transfer.JointRule, threads int) (engine, error) {
	asset, err := gltfio.Open(body, gltfio.Options{AllowExternal: true})
	if err != nil {
		return engine{}, err
	}
	w := &wornHere{joints: joints, threads: threads}
	if w.body, err = transfer.PrepareAsset(ctx, asset, sel, threads); err != nil {
		return engine{}, err
	}
	compute := func(ctx context.Context, file string, opt transfer.AssetOptions, in *passInput) (*finished, error) {
		garment, err := gltfio.Open(file, gltfio.Options{AllowExternal: true})
		if err != nil {
			return nil, err
		}
		if in != nil {
			return in.run(ctx, w.body, garment)
		}
		out, r, err := w.body.Transfer(ctx, garment, opt)
		if err != nil {
			return nil, err
		}
		return &finished{savable: computed{out, r}, summary: r.Summary}, nil
	}
	return engine{compute, w.wear, w.wearFile, w.order}, nil
}

// remote says which server computes, if any.
type remote struct {
	address, ca, cert, key, tokenFile string
	tls                               bool
}

func addRemoteFlags(f *pflag.FlagSet, r *remote) {
	f.StringVar(&r.address, "server", "", "HOST:PORT of a server that computes (selvage serve); the result has the same bytes")
	f.BoolVar(&r.tls, "tls", false, "with --server: talk TLS, trusting the system's authorities")
	f.StringVar(&r.ca, "tls-ca", "", "with --server: talk TLS, trusting the authorities in this PEM file")
	f.StringVar(&r.cert, "tls-cert", "", "with --server: PEM file of this client's certificate")
	f.StringVar(&r.key, "tls-key", "", "with --server: PEM file of its key")
	f.StringVar(&r.tokenFile, "token-file", "", "with --server: file that holds the bearer token (default: the variable SELVAGE_TOKEN)")
}

// tlsConfig is nil where the flags ask for none.
func (r *remote) tlsConfig() (*tls.Config, error) {
	if !r.tls && r.ca == "" && r.cert == "" {
		return nil, nil
	}
	c := &tls.Config{MinVersion: tls.VersionTLS13}
	if r.ca != "" {
		text, err := os.ReadFile(r.ca)
		if err != nil {
			return nil, err
		}
		c.RootCAs = x509.NewCertPool()
		if !c.RootCAs.AppendCertsFromPEM(text) {
			return nil, fmt.Errorf("%s: no certificate in it", r.ca)
		}
	}
	if r.cert != "" {
		pair, err := tls.LoadX509KeyPair(r.cert, r.key)
		if err != nil {
			return nil, err
		}
		c.Certificates = []tls.Certificate{pair}
	}
	return c, nil
}

// options of the client.
func (r *remote) options() ([]client.Option, error) {
	var list []client.Option
	c, err := r.tlsConfig()
	if err != nil {
		return nil, err
	}
	if c != nil {
		list = append(list, client.WithTLS(c))
	}
	token := os.Getenv("SELVAGE_TOKEN")
	if r.tokenFile != "" {
		text, err := os.ReadFile(r.tokenFile)
		if err != nil {
			return nil, err
		}
		token = strings.TrimSpace(string(text))
	}
	if token != "" {
		list = append(list, client.WithToken(token))
	}
	return list, nil
}

// dial connects to the server; close the client when done.
func (r *remote) dial(ctx context.Context) (*client.Client, error) {
	options, err := r.options()
	if err != nil {
		return nil, err
	}
	c, err := client.Dial(ctx, r.address, options...)
	if err != nil {
		return nil, r.explain(err)
	}
	return c, nil
}

// remoteEngine lets a server compute; close it when done.
func remoteEngine(ctx context.Context, r *remote, body string, sel gltfio.Selection) (engine, func(), error) {
	asset, err := client.OpenAsset(body)
	if err != nil {
		return engine{}, nil, err
	}
	c, err := r.dial(ctx)
	if err != nil {
		return engine{}, nil, err
	}
	w := &wornThere{r: r, c: c, body: asset, names: sel.Names}
	compute := func(ctx context.Context, file string, opt transfer.AssetOptions, in *passInput) (*finished, error) {
		garment, err := client.OpenAsset(file)
		if err != nil {
			return nil, err
		}
		edits, err := in.remote()
		if err != nil {
			return nil, err
		}
		out, err := c.Transfer(ctx, client.Request{Body: asset, Garment: garment, BodyNames: sel.Names, Layers: w.layers, Options: opt, Pass: edits})
		if err != nil {
			return nil, r.explain(err)
		}
		return &finished{savable: out, summary: out.Summary, record: out.Record, pass: out.Pass}, nil
	}
	return engine{compute, w.wear, w.wearFile, w.order}, func() { c.Close() }, nil
}

// check lets the server check a garment.
func (r *remote) check(ctx context.Context, body string, layers []string, garment string, opt pose.FileOptions, rules []transfer.JointRule, progress func(done, total int, name string)) (*pose.Report, error) {
	b, err := client.OpenAsset(body)
	if err != nil {
		return nil, err
	}
	g, err := client.OpenAsset(garment)
	if err != nil {
		return nil, err
	}
	var beneath []*client.Asset
	for _, file := range layers {
		l, err := client.OpenAsset(file)
		if err != nil {
			return nil, err
		}
		beneath = append(beneath, l)
	}
	c, err := r.dial(ctx)
	if err != nil {
		return nil, err
	}
	defer c.Close()
	report, err := c.Check(ctx, client.CheckRequest{
		Body: b, Garment: g, Layers: beneath, BodyNames: opt.Body.Names, GarmentNames: opt.Garment.Names,
		Plan: opt.Plan, Samples: opt.Samples, Threads: opt.Threads, JointMap: rules, Progress: progress,
	})
	if err != nil {
		return nil, r.explain(err)
	}
	return report, nil
}

// serverError is what a server said, as a sentence.
type serverError struct {
	address string
	err     error
}

func (e *serverError) Error() string {
	return "server " + e.address + ": " + said(e.err)
}

func (e *serverError) Unwrap() error { return e.err }

// said is a status's own message, without what stands around it.
func said(err error) string {
	var s interface{ GRPCStatus() *status.Status }
	if errors.As(err, &s) {
		return s.GRPCStatus().Message()
	}
	return err.Error()
}

// explain leaves errors that a transfer here would have too as they are.
func (r *remote) explain(err error) error {
	var option *transfer.OptionError
	var doubt *retouch.DoubtError
	switch {
	case errors.As(err, &option):
		return option
	case errors.As(err, &doubt):
		return doubt
	case status.Code(err) == codes.InvalidArgument:
		return errors.New(said(err))
	case status.Code(err) != codes.Unknown:
		return &serverError{r.address, err}
	}
	return err
}

// newEngine picks one.
func newEngine(ctx context.Context, r *remote, body string, sel gltfio.Selection, joints []transfer.JointRule, threads int) (engine, func(), error) {
	if r.address != "" {
		return remoteEngine(ctx, r, body, sel)
	}
	e, err := localEngine(ctx, body, sel, joints, threads)
	return e, func() {}, err
}
