package farm

import (
	"context"
	"errors"
	"strings"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
	pb "github.com/selvage/selvage/api/selvage/v1"
	"google.golang.org/protobuf/proto"
)

const (
	// watchQuiet is after how long without news a watch is opened anew: one that
	// the loss of a server has ended says nothing.
	watchQuiet = 15 * time.Second
	// watchEvery is how often the job's counts are told at most.
	watchEvery = 100 * time.Millisecond
)

// Watch tells how a job goes until it has ended, tell fails, or ctx ends: a task
// whenever its state is another than last told, the job first, now and then, and
// last. One of tell's arguments is nil. It returns the job as it ended. Errors:
// *NotFoundError; tell's; ctx's.
func (f *Farm) Watch(ctx context.Context, id string, tell func(*pb.Job, *pb.TaskStatus) error) (*pb.Job, error) {
	if _, err := f.Job(ctx, id); err != nil {
		return nil, err
	}
	v := &view{f: f, id: id, tell: tell, states: map[string]*pb.TaskStatus{}}
	heard := time.Now()
	for {
		job, err := v.follow(ctx)
		if job != nil {
			return job, f.seal(ctx, id, job)
		}
		var told *tellError
		switch {
		case errors.As(err, &told):
			return nil, told.err
		case ctx.Err() != nil:
			return nil, ctx.Err()
		case errors.Is(err, errQuiet):
			heard = time.Now()
		case !transient(err) && !isFull(err) || time.Since(heard) > f.config.Patience:
			return nil, err
		default:
			f.config.Log.Debug("watching again", "error", err)
			select {
			case <-time.After(tryTime / 10):
			case <-ctx.Done():
			}
		}
	}
}

// tellError is an error of the one who is told.
type tellError struct{ err error }

func (e *tellError) Error() string { return e.err.Error() }

// errQuiet says that a watch had no news for a while.
var errQuiet = errors.New("no news")

// view is what a watch knows.
type view struct {
	f      *Farm
	id     string
	tell   func(*pb.Job, *pb.TaskStatus) error
	job    *pb.Job
	states map[string]*pb.TaskStatus
	// left are the tasks that had not ended when they were last counted, less those
	// that have since.
	left int32
}

// follow tells news until the job has ended. Errors: errQuiet.
func (v *view) follow(ctx context.Context) (*pb.Job, error) {
	w, err := v.f.jobs.WatchFiltered(ctx, []string{jobKey(v.id), taskKey(v.id, "*")}, jetstream.IgnoreDeletes())
	if err != nil {
		return nil, err
	}
	defer w.Stop()
	// The watch of a server that is gone says nothing more.
	back := v.f.nc.StatusChanged(nats.CONNECTED)
	defer v.f.nc.RemoveStatusListener(back)
	quiet := time.NewTimer(watchQuiet)
	defer quiet.Stop()
	ticker := time.NewTicker(watchEvery)
	defer ticker.Stop()
	whole, news := false, false
	v.left = 1 // not counted yet
	count := func() error {
		news = false
		tally(v.job, v.states)
		v.left = v.job.GetQueuedCount() + v.job.GetRunningCount()
		return v.say(proto.Clone(v.job).(*pb.Job), nil)
	}
	for {
		select {
		case e, ok := <-w.Updates():
			switch {
			case !ok:
				return nil, errQuiet
			case e == nil:
				whole, news = true, true
			default:
				if err := v.take(e); err != nil {
					return nil, err
				}
				news = true
			}
			quiet.Reset(watchQuiet)
			if !whole || v.job == nil || v.left > 0 {
				continue
			}
		case <-ticker.C:
			if !whole || !news || v.job == nil {
				continue
			}
		case <-quiet.C:
			return nil, errQuiet
		case <-back:
			return nil, errQuiet
		case <-ctx.Done():
			return nil, ctx.Err()
		}
		if err := count(); err != nil {
			return nil, err
		}
		if Ended(v.job.GetState()) {
			return v.job, nil
		}
	}
}

func (v *view) say(j *pb.Job, s *pb.TaskStatus) error {
	if err := v.tell(j, s); err != nil {
		return &tellError{err}
	}
	return nil
}

// take notes an entry and tells a task that has changed.
func (v *view) take(e jetstream.KeyValueEntry) error {
	if strings.HasPrefix(e.Key(), "job.") {
		j := &pb.Job{}
		if err := proto.Unmarshal(e.Value(), j); err != nil {
			return err
		}
		v.job = j
		return nil
	}
	s := &pb.TaskStatus{}
	if err := proto.Unmarshal(e.Value(), s); err != nil {
		return err
	}
	key := keyOf(s.GetName())
	if last, ok := v.states[key]; ok && proto.Equal(last, s) {
		return nil
	}
	v.states[key] = s
	if ended(s.GetState()) {
		v.left--
	}
	return v.say(nil, s)
}
