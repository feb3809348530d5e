package farm

import (
	"context"
	"crypto/sha256"
	"encoding/base64"
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"strconv"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
	"github.com/nats-io/nuid"
)

// objects is an object store whose objects never change: a name stands for its
// content.
//
// They lie in the stream as JetStream's object stores have them, so that its tools
// list and copy them: a record under $O.BUCKET.M.NAME, pieces under $O.BUCKET.C.ID
// (NATS Architecture and Design, ADR-20, "JetStream based Object Stores"). What
// goes back and forth for one is less than the library's: a put is its messages,
// all sent at once; a get asks for the record and for each piece, without a
// consumer.
//
// A put that breaks off can leave an object's record without all of its pieces.
// So an object counts as there only when its pieces are all there too, and one
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
	// errDamaged says that an object's pieces are not all there, or not as they were.
	errDamaged = errors.New("is damaged in the farm's store")
	// errBehind says that the server that was asked has not got a piece yet.
	errBehind = errors.New("is not on this server yet")
)

const (
	// pieceBytes is the size of an object's pieces, the servers' bound on messages
	// permitting: most garments are one.
	pieceBytes = 512 << 10
	// fewPieces are got one by one; more come by a consumer, which costs as much as
	// some of them do.
	fewPieces = 16
	// roomBytes of a message are left to its subject and header.
	roomBytes = 4 << 10
)

// transferTime is how long one attempt to move n bytes may take: 15 s and what
// 4 MB a second, a slow disk's or line's pace, need.
func transferTime(n int64) time.Duration {
	return 15*time.Second + time.Duration(n)*time.Second/4_000_000
}

// recordSubject is where an object's record is, pieceSubject where its pieces are.
func (o *objects) recordSubject(name string) string {
	return "$O." + o.bucket + ".M." + base64.URLEncoding.EncodeToString([]byte(name))
}

func (o *objects) pieceSubject(id string) string { return "$O." + o.bucket + ".C." + id }

// digestOf is how records write a SHA-256.
func digestOf(sum [sha256.Size]byte) string {
	return "SHA-256=" + base64.URLEncoding.EncodeToString(sum[:])
}

// record returns an object's record, nil where it is not there, and the sequence
// of what is under its subject, 0 where there is nothing.
func (o *objects) record(ctx context.Context, name string) (*jetstream.ObjectInfo, uint64, error) {
	m, err := again(ctx, o.f, func(ctx context.Context) (*jetstream.RawStreamMsg, error) {
		m, err := o.stream.GetLastMsgForSubject(ctx, o.recordSubject(name))
		if errors.Is(err, jetstream.ErrMsgNotFound) {
			return nil, nil
		}
		return m, err
	})
	if err != nil || m == nil {
		return nil, 0, err
	}
	info := &jetstream.ObjectInfo{}
	if err := json.Unmarshal(m.Data, info); err != nil {
		return nil, 0, fmt.Errorf("the record of %s: %w", name, err)
	}
	if info.Deleted {
		return nil, m.Sequence, nil
	}
	info.ModTime = m.Time
	return info, m.Sequence, nil
}

// find returns an object's record, nil where it is not there, or not whole, or has lain
// there for so long that it may be gone before a job is done with it.
func (o *objects) find(ctx context.Context, name string) (*jetstream.ObjectInfo, error) {
	info, _, err := o.record(ctx, name)
	if err != nil || info == nil {
		return nil, err
	}
	whole, err := o.whole(ctx, info, true)
	if err != nil || !whole {
		return nil, err
	}
	return info, nil
}

// whole reports whether all pieces of an object are there, and where it must last, also
// whether they will be for half the time that the store keeps things.
func (o *objects) whole(ctx context.Context, info *jetstream.ObjectInfo, last bool) (bool, error) {
	subject := o.pieceSubject(info.NUID)
	state, err := again(ctx, o.f, func(ctx context.Context) (*jetstream.StreamInfo, error) {
		return o.stream.Info(ctx, jetstream.WithSubjectFilter(subject))
	})
	if err != nil {
		return false, err
	}
	if keep := state.Config.MaxAge; last && keep > 0 && state.TimeStamp.Sub(info.ModTime) > keep/2 {
		return false, nil
	}
	return state.State.Subjects[subject] == uint64(info.Chunks), nil
}

// put stores data, whose hash is sum, under name, unless it is there.
func (o *objects) put(ctx context.Context, name string, data []byte, sum [sha256.Size]byte, metadata map[string]string) error {
	if info, err := o.find(ctx, name); err != nil || info != nil {
		return err
	}
	return o.write(ctx, name, data, sum, metadata)
}

// write is put without looking first. It returns when the store has it all.
func (o *objects) write(ctx context.Context, name string, data []byte, sum [sha256.Size]byte, metadata map[string]string) error {
	info := &jetstream.ObjectInfo{
		ObjectMeta: jetstream.ObjectMeta{Name: name, Metadata: metadata}, Bucket: o.bucket, Size: uint64(len(data)), Digest: digestOf(sum),
	}
	var old *jetstream.ObjectInfo // what is there and not whole, or old
	var last uint64
	for {
		_, err := againWithin(ctx, o.f, transferTime(int64(len(data))), func(ctx context.Context) (struct{}, error) {
			return struct{}{}, o.send(ctx, info, data, last)
		})
		if errors.Is(err, errChanged) {
			// There is one: another's, an earlier attempt whose answer was lost, or what
			// such an attempt left.
			if old, last, err = o.record(ctx, name); err == nil && old != nil {
				var whole bool
				if whole, err = o.whole(ctx, old, true); err == nil && whole {
					return nil
				}
			}
			if err == nil {
				continue
			}
		}
		if err != nil {
			return fmt.Errorf("put %s: %w", name, err)
		}
		if old != nil {
			o.discard(ctx, old.NUID)
		}
		return nil
	}
}

// send puts an object once, and its record only upon the sequence last under its
// subject. Errors: errChanged where another record is there; nothing is left then,
// or whenever the servers still listen.
func (o *objects) send(ctx context.Context, info *jetstream.ObjectInfo, data []byte, last uint64) error {
	size := pieceBytes
	if most := int(o.f.nc.MaxPayload()) - roomBytes; most > 0 {
		size = min(size, most)
	}
	info.NUID, info.Chunks = nuid.Next(), uint32((len(data)+size-1)/size)
	info.Opts = &jetstream.ObjectMetaOptions{ChunkSize: uint32(size)}
	about, err := json.Marshal(info)
	if err != nil {
		return err
	}
	var messages []*nats.Msg
	for piece := range slices.Chunk(data, size) {
		messages = append(messages, &nats.Msg{Subject: o.pieceSubject(info.NUID), Data: piece})
	}
	// The record comes last: what a server has of it says that it has got the pieces
	// before, or refused them.
	messages = append(messages, &nats.Msg{Subject: o.recordSubject(info.Name), Data: about, Header: nats.Header{
		jetstream.MsgRollup:                 {jetstream.MsgRollupSubject},
		jetstream.ExpectedLastSubjSeqHeader: {strconv.FormatUint(last, 10)},
	}})
	futures := make([]jetstream.PubAckFuture, 0, len(messages))
	for _, m := range messages {
		var future jetstream.PubAckFuture
		if future, err = o.f.js.PublishMsgAsync(m); err != nil {
			break
		}
		futures = append(futures, future)
	}
	for _, future := range futures {
		if e := o.f.acknowledged(ctx, future); e != nil && err == nil {
			// A piece that was refused says more than the record that followed.
			err = changedError(e)
		}
	}
	if err != nil {
		o.discard(ctx, info.NUID)
	}
	return err
}

// acknowledged waits for a message's acknowledgement. A server on a full disk gives
// none.
func (f *Farm) acknowledged(ctx context.Context, future jetstream.PubAckFuture) error {
	look := time.NewTicker(500 * time.Millisecond)
	defer look.Stop()
	for {
		select {
		case <-future.Ok():
			return nil
		case err := <-future.Err():
			return err
		case <-ctx.Done():
			return ctx.Err()
		case <-look.C:
			if f.config.full != nil && f.config.full() {
				return ErrDiskFull
			}
		}
	}
}

// discard removes pieces that belong to nothing. Where that fails sweep finds them.
func (o *objects) discard(ctx context.Context, id string) {
	limited, cancel := context.WithTimeout(context.WithoutCancel(ctx), tryTime)
	defer cancel()
	if err := o.stream.Purge(limited, jetstream.WithPurgeSubject(o.pieceSubject(id))); err != nil {
		o.f.config.Log.Debug("discard pieces", "bucket", o.bucket, "id", id, "error", err)
	}
}

// read returns an object's bytes, which have the digest of its record.
func (o *objects) read(ctx context.Context, name string) ([]byte, *jetstream.ObjectInfo, error) {
	for last := ""; ; {
		info, _, err := o.record(ctx, name)
		switch {
		case err != nil:
			return nil, nil, fmt.Errorf("read %s: %w", name, err)
		case info == nil:
			return nil, nil, fmt.Errorf("%s %w", name, errMissing)
		case info.NUID == last:
			return nil, nil, fmt.Errorf("%s %w", name, errDamaged)
		}
		data, err := againWithin(ctx, o.f, transferTime(int64(info.Size)), func(ctx context.Context) ([]byte, error) {
			return o.pieces(ctx, info)
		})
		switch {
		case errors.Is(err, errDamaged):
			last = info.NUID // unless it was put anew meanwhile
		case err != nil:
			return nil, nil, fmt.Errorf("read %s: %w", name, err)
		default:
			return data, info, nil
		}
	}
}

// pieces gets an object's bytes. Errors: errDamaged.
func (o *objects) pieces(ctx context.Context, info *jetstream.ObjectInfo) (data []byte, err error) {
	if info.Chunks <= fewPieces {
		data, err = o.fewPieces(ctx, info)
	} else {
		data, err = o.store.GetBytes(ctx, info.Name)
	}
	switch {
	case errors.Is(err, jetstream.ErrDigestMismatch):
		return nil, errDamaged
	case errors.Is(err, errBehind), err != nil && ctx.Err() != nil:
		// In vain: because of servers, or of pieces that are nowhere.
		if whole, e := o.whole(context.WithoutCancel(ctx), info, false); e == nil && !whole {
			return nil, errDamaged
		}
		return nil, err
	case err != nil:
		return nil, err
	case uint64(len(data)) != info.Size || digestOf(sha256.Sum256(data)) != info.Digest:
		return nil, errDamaged
	}
	return data, nil
}

// fewPieces gets pieces one by one.
func (o *objects) fewPieces(ctx context.Context, info *jetstream.ObjectInfo) ([]byte, error) {
	var data []byte
	subject, next := o.pieceSubject(info.NUID), uint64(1)
	for i := range info.Chunks {
		m, err := o.stream.GetMsg(ctx, next, jetstream.WithGetMsgSubject(subject))
		if errors.Is(err, jetstream.ErrMsgNotFound) {
			return nil, errBehind
		}
		if err != nil {
			return nil, err
		}
		if info.Chunks == 1 {
			return m.Data, nil
		}
		if i == 0 {
			data = make([]byte, 0, info.Size)
		}
		data, next = append(data, m.Data...), m.Sequence+1
	}
	return data, nil
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
	return sum, f.assets.put(ctx, assetName(sum), data, sum, nil)
}

// HasAsset reports whether an asset is there.
func (f *Farm) HasAsset(ctx context.Context, sum [sha256.Size]byte) (bool, error) {
	info, err := f.assets.find(ctx, assetName(sum))
	return info != nil, err
}

// asset returns an asset's bytes. Errors: *AssetError where they are not there or
// not those of the hash.
func (f *Farm) asset(ctx context.Context, sum [sha256.Size]byte) ([]byte, error) {
	data, info, err := f.assets.read(ctx, assetName(sum))
	switch {
	case err == nil && info.Digest != digestOf(sum):
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

// sweepAge is how long pieces must have been there without a record before a sweep
// takes them: many times what a put may take.
const sweepAge = time.Hour

// Sweep removes what broken-off puts have left in the stores: pieces that no record
// names and that have been there for an hour, by the servers' clock. It returns how
// many it removed.
func (f *Farm) Sweep(ctx context.Context) (pieces uint64, err error) {
	for _, o := range []*objects{f.assets, f.results} {
		n, err := o.sweep(ctx, sweepAge)
		pieces += n
		if err != nil {
			return pieces, fmt.Errorf("sweep %s: %w", o.bucket, err)
		}
	}
	return pieces, nil
}

func (o *objects) sweep(ctx context.Context, age time.Duration) (pieces uint64, err error) {
	// Pieces first: a put that ends in between is found among the records.
	state, err := againWithin(ctx, o.f, scanTime, func(ctx context.Context) (*jetstream.StreamInfo, error) {
		return o.stream.Info(ctx, jetstream.WithSubjectFilter(o.pieceSubject("*")))
	})
	if err != nil {
		return 0, err
	}
	records, err := againWithin(ctx, o.f, scanTime, func(ctx context.Context) ([]*jetstream.ObjectInfo, error) {
		list, err := o.store.List(ctx)
		if errors.Is(err, jetstream.ErrNoObjectsFound) {
			return nil, nil
		}
		return list, err
	})
	if err != nil {
		return 0, err
	}
	for _, info := range records {
		delete(state.State.Subjects, o.pieceSubject(info.NUID))
	}
	for subject, n := range state.State.Subjects {
		last, err := again(ctx, o.f, func(ctx context.Context) (*jetstream.RawStreamMsg, error) {
			return o.stream.GetLastMsgForSubject(ctx, subject)
		})
		if errors.Is(err, jetstream.ErrMsgNotFound) {
			continue
		}
		if err != nil {
			return pieces, err
		}
		if state.TimeStamp.Sub(last.Time) < age {
			continue
		}
		if _, err := again(ctx, o.f, func(ctx context.Context) (struct{}, error) {
			return struct{}{}, o.stream.Purge(ctx, jetstream.WithPurgeSubject(subject))
		}); err != nil {
			return pieces, err
		}
		pieces += n
	}
	return pieces, nil
}
