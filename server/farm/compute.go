package farm

import (
	"bytes"
	"context"
	"crypto/sha256"
	"fmt"
	"math"
	"strings"
	"time"

	"github.com/selvage/selvage/api/convert"
	pb "github.com/selvage/selvage/api/selvage/v1"
	"github.com/selvage/selvage/server/internal/bodycache"
	"github.com/selvage/selvage/server/internal/sizing"
	"github.com/selvage/selvage/transfer"
	"github.com/selvage/selvage/transfer/gltfio"
	"github.com/selvage/selvage/transfer/pass"
	"golang.org/x/sync/semaphore"
)

// faultError is an error of the task itself: the same bytes give it again on any
// machine.
type faultError struct{ err error }

func (e *faultError) Error() string { return e.err.Error() }
func (e *faultError) Unwrap() error { return e.err }

// refusalError says why this worker leaves a task to others.
type refusalError struct {
	what     string
	prepared bool // its body was in memory
}

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
	layers        [][]byte
	record        []byte // of the last pass; nil: none
	current       []byte // the artist's garment; nil: none
	bodyKey       string // of the body with its layers
	bodyBytes     int64
	need          int64
}

// computed is a task's result.
type computed struct {
	garment []byte
	summary *transfer.Summary
	record  []byte // of a pass; nil: it was none
	pass    *pass.Summary
}

// keptConflicts is how many conflicts a task's result lists: it stands in the status of
// the task, whose size the servers bound.
const keptConflicts = 200

// result says what was computed under a key.
func (c *computed) result(key, version string) *pb.TaskResult {
	sum := sha256.Sum256(c.garment)
	r := &pb.TaskResult{Key: key, Sha256: sum[:], SizeBytes: int64(len(c.garment)), Version: version, Summary: summaryToProto(c.summary)}
	if c.record != nil {
		sum := sha256.Sum256(c.record)
		r.RecordSha256, r.RecordSizeBytes = sum[:], int64(len(c.record))
		s := *c.pass
		r.PassConflicts = int32(min(len(s.Conflicts), math.MaxInt32))
		s.Conflicts = s.WorstConflicts(keptConflicts)
		r.Pass = convert.PassSummaryToProto(&s)
	}
	return r
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
	if err := c.loadMore(ctx, l); err != nil {
		return nil, err
	}
	prepared := c.bodies.Has(l.bodyKey)
	if !prepared {
		l.need += 2 * l.bodyBytes
	}
	if l.need > c.most {
		return nil, &refusalError{fmt.Sprintf("the task needs about %d MiB, more than the %d MiB of this worker", l.need>>20, c.most>>20), prepared}
	}
	return l, nil
}

// loadMore fetches what a pass and layers start from.
func (c *computer) loadMore(ctx context.Context, l *loaded) error {
	size := func(data []byte, what string) (sizing.Outline, error) {
		o, err := sizing.Of(data)
		if err != nil {
			err = &faultError{fmt.Errorf("the %s %w", what, err)}
		}
		return o, err
	}
	for _, x := range l.task.GetLayers() {
		data, err := c.file(ctx, [sha256.Size]byte(x.GetSha256()))
		if err != nil {
			return err
		}
		o, err := size(data, "layer")
		if err != nil {
			return err
		}
		l.layers = append(l.layers, data)
		l.bodyBytes += o.BodyBytes()
	}
	p := l.task.GetPass()
	if sum := p.GetRecordSha256(); len(sum) > 0 {
		var err error
		if l.record, err = c.file(ctx, [sha256.Size]byte(sum)); err != nil {
			return err
		}
		raw, err := convert.PassSize(l.record, int64(len(l.record)))
		if err != nil {
			return &faultError{err}
		}
		l.need += recordFactor * raw
	}
	if sum := p.GetCurrentSha256(); len(sum) > 0 {
		var err error
		if l.current, err = c.file(ctx, [sha256.Size]byte(sum)); err != nil {
			return err
		}
		o, err := size(l.current, "artist's garment")
		if err != nil {
			return err
		}
		l.need += o.GarmentBytes()
	}
	return nil
}

// recordFactor is what a record takes in memory by byte of its message, at most: see
// the server's.
const recordFactor = 26

// bodyKey tells prepared bodies apart: bytes, name in messages, selection, layers and how
// their joints are called.
func bodyKey(t *pb.JobTask) string {
	var b strings.Builder
	fmt.Fprintf(&b, "%x %q", t.GetBodySha256(), t.GetBodyDisplayName())
	for _, n := range t.GetBodyNames() {
		fmt.Fprintf(&b, " %q", n)
	}
	for _, l := range t.GetLayers() {
		fmt.Fprintf(&b, " layer %x %q", l.GetSha256(), l.GetDisplayName())
	}
	if len(t.GetLayers()) > 0 {
		for _, r := range t.GetOptions().GetJointMap() {
			fmt.Fprintf(&b, " joint %q %q", r.GetFrom(), r.GetTo())
		}
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
func (c *computer) compute(ctx context.Context, l *loaded) (_ *computed, err error) {
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
		if err == nil && len(l.layers) > 0 {
			b, err = l.wear(ctx, b, c.threads)
		}
		return b, l.bodyBytes, err
	})
	c.count.body(hit)
	if err != nil {
		return nil, err
	}
	garment, err := gltfio.Parse(l.garment, name(t.GetGarmentDisplayName(), "garment"), gltfio.Options{})
	if err != nil {
		return nil, err
	}
	done := &computed{}
	var out *gltfio.Asset
	if t.GetPass() == nil {
		var r *transfer.Result
		if out, r, err = body.Transfer(ctx, garment, l.options); err == nil {
			done.summary = &r.Summary
		}
	} else {
		out, err = l.pass(ctx, body, garment, c.farm.config.Version, done)
	}
	if err != nil {
		return nil, err
	}
	var data bytes.Buffer
	if err := out.Encode(&data); err != nil {
		return nil, err
	}
	done.garment = data.Bytes()
	return done, nil
}

// wear puts the layers over a body.
func (l *loaded) wear(ctx context.Context, body *transfer.AssetBody, threads int) (*transfer.AssetBody, error) {
	var list []*gltfio.Asset
	for k, data := range l.layers {
		a, err := gltfio.Parse(data, name(l.task.GetLayers()[k].GetDisplayName(), "layer"), gltfio.Options{})
		if err != nil {
			return nil, err
		}
		list = append(list, a)
	}
	return body.WithMappedLayers(ctx, list, l.options.JointMap, threads)
}

// pass computes a task that is a pass.
func (l *loaded) pass(ctx context.Context, body *transfer.AssetBody, garment *gltfio.Asset, version string, done *computed) (*gltfio.Asset, error) {
	t, p := l.task, l.task.GetPass()
	in := pass.Input{Garment: garment.Name, From: garment, Guess: p.GetCurrentIsGuess(), Options: l.options, Program: name(p.GetProgram(), version)}
	var locks []string
	var err error
	if in.Policy, locks, err = convert.PolicyFromProto(p.GetPolicy(), "pass.policy"); err != nil {
		return nil, err
	}
	in.Lock = locks
	sum := func(given, asset []byte) [sha256.Size]byte {
		if len(given) == 0 {
			given = asset
		}
		return [sha256.Size]byte(given)
	}
	in.GarmentSum, in.BodySum = sum(p.GetGarmentSha256(), t.GetGarmentSha256()), sum(p.GetBodySha256(), t.GetBodySha256())
	if l.record != nil {
		if in.Record, err = convert.UnpackPass(l.record); err != nil {
			return nil, err
		}
	}
	if l.current != nil {
		a, err := gltfio.Parse(l.current, "the artist's "+garment.Name, gltfio.Options{})
		if err != nil {
			return nil, err
		}
		if err := in.OpenArtist(ctx, a, garment); err != nil {
			return nil, err
		}
	}
	out, packed, err := convert.TransferPass(ctx, body, in)
	if err != nil {
		return nil, err
	}
	r := out.Written(out.Given)
	done.summary, done.record, done.pass = &r.Summary, packed, &out.Summary
	return out.Asset, nil
}

func name(given, fallback string) string {
	if given == "" {
		return fallback
	}
	return given
}
