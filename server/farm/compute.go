package farm

import (
	"bytes"
	"context"
	"crypto/sha256"
	"fmt"
	"strings"
	"time"

	"github.com/selvage/selvage/api/convert"
	pb "github.com/selvage/selvage/api/selvage/v1"
	"github.com/selvage/selvage/server/internal/bodycache"
	"github.com/selvage/selvage/server/internal/sizing"
	"github.com/selvage/selvage/transfer"
	"github.com/selvage/selvage/transfer/gltfio"
	"golang.org/x/sync/semaphore"
)

// faultError is an error of the task itself: the same bytes give it again on any
// machine.
type faultError struct{ err error }

func (e *faultError) Error() string { return e.err.Error() }
func (e *faultError) Unwrap() error { return e.err }

// refusalError says why this worker leaves a task to others.
type refusalError struct{ what string }

func (e *refusalError) Error() string { return e.what }

// computer turns tasks into results within the worker's memory and slots.
type computer struct {
	farm    *Farm
	threads int
	most    int64 // bytes that tasks may use together, by estimate
	memory  *semaphore.Weighted
	tasks   int64
	slots   *semaphore.Weighted
	bodies  *bodycache.Cache[*transfer.AssetBody]
	files   *bodycache.Cache[[]byte]
	count   *counters
}

// loaded is a task with its input.
type loaded struct {
	task          *pb.JobTask
	options       transfer.AssetOptions
	body, garment []byte
	bodyKey       string
	bodyBytes     int64
	need          int64
}

// load fetches a task's input. Errors: *faultError, *refusalError, *AssetError,
// else the store's.
func (c *computer) load(ctx context.Context, t *pb.JobTask) (*loaded, error) {
	l := &loaded{task: t}
	var err error
	if l.options, err = convert.OptionsFromProto(t.GetOptions()); err != nil {
		return nil, &faultError{err}
	}
	if len(t.GetBodySha256()) != sha256.Size || len(t.GetGarmentSha256()) != sha256.Size {
		return nil, &faultError{fmt.Errorf("the task names no assets")}
	}
	l.options.Threads = c.threads
	if l.garment, err = c.file(ctx, [32]byte(t.GetGarmentSha256())); err != nil {
		return nil, err
	}
	if l.body, err = c.file(ctx, [32]byte(t.GetBodySha256())); err != nil {
		return nil, err
	}
	body, err := sizing.Of(l.body)
	if err != nil {
		return nil, &faultError{fmt.Errorf("the body %w", err)}
	}
	garment, err := sizing.Of(l.garment)
	if err != nil {
		return nil, &faultError{fmt.Errorf("the garment %w", err)}
	}
	l.bodyKey = bodyKey(t)
	l.bodyBytes = body.BodyBytes()
	l.need = garment.GarmentBytes()
	if !c.bodies.Has(l.bodyKey) {
		l.need += 2 * l.bodyBytes
	}
	if l.need > c.most {
		return nil, &refusalError{fmt.Sprintf("the task needs about %d MiB, more than the %d MiB of this worker", l.need>>20, c.most>>20)}
	}
	return l, nil
}

// bodyKey tells prepared bodies apart: bytes, name in messages, selection.
func bodyKey(t *pb.JobTask) string {
	var b strings.Builder
	fmt.Fprintf(&b, "%x %q", t.GetBodySha256(), t.GetBodyDisplayName())
	for _, n := range t.GetBodyNames() {
		fmt.Fprintf(&b, " %q", n)
	}
	return b.String()
}

// file returns an asset's bytes, those used last from memory.
func (c *computer) file(ctx context.Context, sum [sha256.Size]byte) ([]byte, error) {
	data, hit, err := c.files.Get(ctx, string(sum[:]), func() ([]byte, int64, error) {
		data, err := c.farm.asset(ctx, sum)
		return data, int64(len(data)), err
	})
	if err == nil && !hit {
		c.count.bytesIn.Add(float64(len(data)))
	}
	return data, err
}

// acquire waits for room to compute. One that is alone has all slots: what it does
// to this process happens to no other task.
func (c *computer) acquire(ctx context.Context, l *loaded, alone bool) (release func(), err error) {
	n := int64(1)
	if alone {
		n = c.tasks
	}
	if err := c.memory.Acquire(ctx, l.need); err != nil {
		return nil, err
	}
	if err := c.slots.Acquire(ctx, n); err != nil {
		c.memory.Release(l.need)
		return nil, err
	}
	return func() {
		c.slots.Release(n)
		c.memory.Release(l.need)
	}, nil
}

// compute returns the finished asset. Errors: ctx's, else *faultError.
func (c *computer) compute(ctx context.Context, l *loaded) (_ []byte, _ *transfer.Summary, err error) {
	began := time.Now()
	defer func() {
		c.count.seconds.Add(time.Since(began).Seconds())
		if err != nil && ctx.Err() == nil {
			err = &faultError{err}
		}
	}()
	t := l.task
	body, hit, err := c.bodies.Get(ctx, l.bodyKey, func() (*transfer.AssetBody, int64, error) {
		a, err := gltfio.Parse(l.body, name(t.GetBodyDisplayName(), "body"), gltfio.Options{})
		if err != nil {
			return nil, 0, err
		}
		b, err := transfer.PrepareAsset(ctx, a, gltfio.Selection{Names: t.GetBodyNames()}, c.threads)
		return b, l.bodyBytes, err
	})
	c.count.body(hit)
	if err != nil {
		return nil, nil, err
	}
	garment, err := gltfio.Parse(l.garment, name(t.GetGarmentDisplayName(), "garment"), gltfio.Options{})
	if err != nil {
		return nil, nil, err
	}
	out, r, err := body.Transfer(ctx, garment, l.options)
	if err != nil {
		return nil, nil, err
	}
	var data bytes.Buffer
	if err := out.Encode(&data); err != nil {
		return nil, nil, err
	}
	return data.Bytes(), &r.Summary, nil
}

func name(given, fallback string) string {
	if given == "" {
		return fallback
	}
	return given
}
