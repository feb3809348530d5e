package main

import (
	"context"
	"errors"
	"fmt"
	"log/slog"

	"github.com/selvage/selvage/client/wardrobe"
	"github.com/selvage/selvage/server/farm"
	"github.com/spf13/pflag"
)

// farmPlace says which farm is meant: the one of a folder on this machine, or one
// on a NATS cluster.
type farmPlace struct {
	config farm.Config
	folder string
}

func (p *farmPlace) flags(f *pflag.FlagSet) {
	c := &p.config
	f.StringVar(&c.URL, "nats", "", "URL of the NATS servers that the farm is on, several with commas between (default: the farm of this machine)")
	f.StringVar(&c.Credentials, "nats-creds", "", "with --nats: NATS credentials file")
	f.StringVar(&c.CA, "nats-ca", "", "with --nats: PEM file of the authorities to trust")
	f.StringVar(&c.Cert, "nats-cert", "", "with --nats: PEM file of this client's certificate")
	f.StringVar(&c.Key, "nats-key", "", "with --nats: PEM file of its key")
	f.IntVar(&c.Replicas, "replicas", 0, "with --nats: copies that the cluster keeps of queue and stores, 1, 3 or 5 (0: as it is, 1 where it is made)")
	f.DurationVar(&c.Keep, "farm-keep", 0, "how long the farm keeps jobs, results and assets: at least 1h, and more than twice what a job takes (0: as it is, for ever where it is made)")
	f.StringVar(&c.Name, "farm-name", "selvage", "name that sets farms on one cluster apart")
	f.StringVar(&p.folder, "farm-folder", farm.DefaultFolder(), "folder of this machine's farm")
}

// existing opens the farm if it is there: what reads makes none.
func (p *farmPlace) existing(ctx context.Context) (*farm.Farm, func(), error) {
	here := p.config.URL == ""
	if here && !farm.IsServed(p.folder) {
		return nil, nil, p.absent()
	}
	q := *p
	q.config.Existing = true
	f, end, err := q.open(ctx, slog.New(slog.DiscardHandler), false)
	var absent *farm.NoFarmError
	if here && errors.As(err, &absent) {
		err = p.absent()
	}
	return f, end, err
}

// absent says that there is no farm in the folder.
func (p *farmPlace) absent() error {
	return fmt.Errorf("no farm named %s in %s", p.config.Name, p.folder)
}

// open connects, and makes the farm where there is none. wait makes it wait for servers
// that are not there yet.
func (p *farmPlace) open(ctx context.Context, log *slog.Logger, wait bool) (*farm.Farm, func(), error) {
	c := p.config
	c.Log, c.RetryConnect = log, wait
	var err error
	if c.Version, err = wardrobe.ProgramVersion(version()); err != nil {
		return nil, nil, err
	}
	end := func() {}
	if c.URL == "" {
		e, err := farm.OpenEmbedded(ctx, p.folder, 0, log.Info)
		if err != nil {
			return nil, nil, err
		}
		end = e.Close
		if c, err = e.Configure(c); err != nil {
			end()
			return nil, nil, err
		}
	}
	f, err := farm.Open(ctx, c)
	if err != nil {
		end()
		return nil, nil, err
	}
	return f, func() { f.Close(); end() }, nil
}
