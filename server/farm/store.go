package farm

import (
	"bytes"
	"context"
	"crypto/sha256"
	"errors"
	"fmt"
	"time"

	"github.com/nats-io/nats.go/jetstream"
)

// objects is an object store whose objects never change: a name stands for its
// content.
//
// A put that breaks off can leave an object's record without all of its chunks.
// So an object counts as there only when its chunks are all there too, and one
// that is not is put anew.
type objects struct {
	f      *Farm
	store  jetstream.ObjectStore
	stream jetstream.Stream
	bucket string
}

var (
	// errMissing says that an object is not in the store.
	errMissing = errors.New("is not in the farm's store")
	// errDamaged says that an object's chunks are not all there, or not as they were.
	errDamaged = errors.New("is damaged in the farm's store")
)

// transferTime is how long one attempt to move n bytes may take: 15 s and what
// 4 MB a second, a slow disk's or line's pace, need.
func transferTime(n int64) time.Duration {
	return 15*time.Second + time.Duration(n)*time.Second/4_000_000
}

// find returns an object's record, nil where it is not there or not whole.
func (o *objects) find(ctx context.Context, name string) (*jetstream.ObjectInfo, error) {
	info, err := again(ctx, o.f, func(ctx context.Context) (*jetstream.ObjectInfo, error) {
		info, err := o.store.GetInfo(ctx, name)
		if errors.Is(err, jetstream.ErrObjectNotFound) {
			return nil, nil
		}
		return info, err
	})
	if err != nil || info == nil {
		return nil, err
	}
	whole, err := o.whole(ctx, info)
	if err != nil || !whole {
		return nil, err
	}
	return info, nil
}

// whole reports whether all chunks of an object are there.
func (o *objects) whole(ctx context.Context, info *jetstream.ObjectInfo) (bool, error) {
	subject := "$O." + o.bucket + ".C." + info.NUID
	state, err := again(ctx, o.f, func(ctx context.Context) (*jetstream.StreamInfo, error) {
		return o.stream.Info(ctx, jetstream.WithSubjectFilter(subject))
	})
	if err != nil {
		return false, err
	}
	return state.State.Subjects[subject] == uint64(info.Chunks), nil
}

// put stores data under name, unless it is there.
func (o *objects) put(ctx context.Context, name string, data []byte, metadata map[string]string) error {
	if info, err := o.find(ctx, name); err != nil || info != nil {
		return err
	}
	return o.write(ctx, name, data, metadata)
}

// write is put without looking first. It returns when the store has it all.
func (o *objects) write(ctx context.Context, name string, data []byte, metadata map[string]string) error {
	_, err := againWithin(ctx, o.f, transferTime(int64(len(data))), func(ctx context.Context) (*jetstream.ObjectInfo, error) {
		return o.store.Put(ctx, jetstream.ObjectMeta{Name: name, Metadata: metadata}, bytes.NewReader(data))
	})
	if err != nil {
		return fmt.Errorf("put %s: %w", name, err)
	}
	return nil
}

// read returns an object's bytes, which have the digest of its record.
func (o *objects) read(ctx context.Context, name string) ([]byte, *jetstream.ObjectInfo, error) {
	info, err := again(ctx, o.f, func(ctx context.Context) (*jetstream.ObjectInfo, error) {
		return o.store.GetInfo(ctx, name)
	})
	if errors.Is(err, jetstream.ErrObjectNotFound) {
		return nil, nil, fmt.Errorf("%s %w", name, errMissing)
	}
	if err != nil {
		return nil, nil, fmt.Errorf("read %s: %w", name, err)
	}
	data, err := againWithin(ctx, o.f, transferTime(int64(info.Size)), func(ctx context.Context) ([]byte, error) {
		data, err := o.store.GetBytes(ctx, name)
		if err != nil && ctx.Err() != nil {
			// Waited in vain: for servers, or for chunks that are not there.
			if whole, e := o.whole(context.WithoutCancel(ctx), info); e == nil && !whole {
				return nil, errDamaged
			}
		}
		return data, err
	})
	switch {
	case errors.Is(err, jetstream.ErrDigestMismatch) || err == nil && uint64(len(data)) != info.Size:
		return nil, nil, fmt.Errorf("%s %w", name, errDamaged)
	case err != nil:
		return nil, nil, fmt.Errorf("read %s: %w", name, err)
	}
	return data, info, nil
}

// AssetError says that an asset is not in the farm, or not as it was.
type AssetError struct {
	Sum [sha256.Size]byte
	err error
}

func (e *AssetError) Error() string { return fmt.Sprintf("asset %x %v", e.Sum[:6], e.err) }
func (e *AssetError) Unwrap() error { return e.err }

// PutAsset stores an asset's bytes under their hash, unless they are there, and
// returns the hash.
func (f *Farm) PutAsset(ctx context.Context, data []byte) ([sha256.Size]byte, error) {
	sum := sha256.Sum256(data)
	return sum, f.assets.put(ctx, assetName(sum), data, nil)
}

// HasAsset reports whether an asset is there.
func (f *Farm) HasAsset(ctx context.Context, sum [sha256.Size]byte) (bool, error) {
	info, err := f.assets.find(ctx, assetName(sum))
	return info != nil, err
}

// asset returns an asset's bytes. Errors: *AssetError where they are not there or
// not those of the hash.
func (f *Farm) asset(ctx context.Context, sum [sha256.Size]byte) ([]byte, error) {
	data, _, err := f.assets.read(ctx, assetName(sum))
	switch {
	case err == nil && sha256.Sum256(data) != sum:
		return nil, &AssetError{sum, errDamaged}
	case errors.Is(err, errMissing):
		return nil, &AssetError{sum, errMissing}
	case errors.Is(err, errDamaged):
		return nil, &AssetError{sum, errDamaged}
	}
	return data, err
}

// assetName is an asset's name in its store, where the tasks of jobs are too.
func assetName(sum [sha256.Size]byte) string { return fmt.Sprintf("assets/%x", sum) }

func jobTasksName(id string) string { return "jobs/" + id }
