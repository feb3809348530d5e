package farm

import (
	"context"
	"errors"
	"fmt"
	"strings"

	"github.com/nats-io/nats.go/jetstream"
	pb "github.com/selvage/selvage/api/selvage/v1"
	"google.golang.org/protobuf/proto"
)

// Keys of the jobs' key-value store.
func jobKey(id string) string        { return "job." + id }
func taskKey(job, key string) string { return "task." + job + "." + key }

// TaskName is the resource name of a task.
func TaskName(job, key string) string { return "jobs/" + job + "/tasks/" + key }

// JobName is the resource name of a job.
func JobName(id string) string { return "jobs/" + id }

// keyOf is the key in a task's resource name.
func keyOf(name string) string { return name[strings.LastIndexByte(name, '/')+1:] }

// entry returns the message under key and its revision, 0 where there is none.
func entry(ctx context.Context, f *Farm, key string, m proto.Message) (uint64, error) {
	e, err := again(ctx, f, func(ctx context.Context) (jetstream.KeyValueEntry, error) {
		e, err := f.jobs.Get(ctx, key)
		if errors.Is(err, jetstream.ErrKeyNotFound) {
			return nil, nil
		}
		return e, err
	})
	if err != nil || e == nil {
		return 0, err
	}
	if err := proto.Unmarshal(e.Value(), m); err != nil {
		return 0, fmt.Errorf("%s: %w", key, err)
	}
	return e.Revision(), nil
}

// errChanged says that what an update is based on is no longer the last.
var errChanged = errors.New("was changed by another")

// changedError is err, or errChanged where it says that another sequence was last.
func changedError(err error) error {
	var api *jetstream.APIError
	if errors.As(err, &api) && (api.ErrorCode == jetstream.JSErrCodeStreamWrongLastSequence || api.ErrorCode == jetstream.JSErrCodeStreamWrongLastSequenceConstant) {
		return errChanged
	}
	return err
}

// update writes m under key if revision is still the last (0: nothing is there).
// Errors: errChanged.
func update(ctx context.Context, f *Farm, key string, m proto.Message, revision uint64) (uint64, error) {
	data, err := proto.Marshal(m)
	if err != nil {
		return 0, err
	}
	return again(ctx, f, func(ctx context.Context) (uint64, error) {
		n, err := f.jobs.Update(ctx, key, data, revision)
		return n, changedError(err)
	})
}

// known is what is under a key as far as is known: right as long as nobody else
// writes there.
type known[M proto.Message] struct {
	m        M
	revision uint64
	sure     bool // m and revision were read or written, or stand for nothing there
}

// change reads what is under key, lets edit change it, and writes it unless edit
// says no; where another was faster it starts again. m holds the last state
// afterwards. An update whose answer was lost may be applied and then found: edit
// must accept its own work.
func change[M proto.Message](ctx context.Context, f *Farm, key string, m M, edit func(m M, found bool) (bool, error)) error {
	return changeKnown(ctx, f, key, &known[M]{m: m}, edit)
}

// changeKnown is change that begins with what is known.
func changeKnown[M proto.Message](ctx context.Context, f *Farm, key string, k *known[M], edit func(m M, found bool) (bool, error)) error {
	for {
		if !k.sure {
			proto.Reset(k.m)
			var err error
			if k.revision, err = entry(ctx, f, key, k.m); err != nil {
				return err
			}
		}
		k.sure = false // edit may change m and not have it written
		write, err := edit(k.m, k.revision > 0)
		if err != nil || !write {
			return err
		}
		k.revision, err = update(ctx, f, key, k.m, k.revision)
		k.sure = err == nil
		if !errors.Is(err, errChanged) {
			return err
		}
	}
}

// ended reports whether a task's state is its last in its generation.
func ended(s pb.TaskState) bool {
	return s == pb.TaskState_TASK_STATE_DONE || s == pb.TaskState_TASK_STATE_FAILED || s == pb.TaskState_TASK_STATE_CANCELLED
}

// counts reports whether a task's last state is one of the job's present
// generation: it is of that generation, or of an earlier one that was not
// cancelled, since a retry leaves alone what waits or runs.
func counts(s *pb.TaskStatus, job *pb.Job) bool {
	return s.GetGeneration() >= job.GetGeneration() || s.GetGeneration() > job.GetCancelledGeneration()
}

// tally fills in a job's counts and state from its tasks' last states. States that
// do not count are as good as queued, unless they are done.
func tally(job *pb.Job, tasks map[string]*pb.TaskStatus) {
	cancelled := job.GetCancelledGeneration() >= job.GetGeneration()
	job.RunningCount, job.DoneCount, job.FailedCount, job.CancelledCount = 0, 0, 0, 0
	for _, s := range tasks {
		switch {
		case s.GetState() == pb.TaskState_TASK_STATE_DONE:
			job.DoneCount++
		case !counts(s, job):
		case s.GetState() == pb.TaskState_TASK_STATE_FAILED:
			job.FailedCount++
		case cancelled || s.GetState() == pb.TaskState_TASK_STATE_CANCELLED:
		case s.GetState() == pb.TaskState_TASK_STATE_RUNNING:
			job.RunningCount++
		}
	}
	job.QueuedCount = job.GetTaskCount() - job.GetRunningCount() - job.GetDoneCount() - job.GetFailedCount()
	if cancelled {
		job.CancelledCount, job.QueuedCount = job.GetQueuedCount(), 0
	}
	setState(job)
}

// setState derives a job's state from its counts.
func setState(job *pb.Job) {
	over := job.GetDoneCount()+job.GetFailedCount() == job.GetTaskCount()
	switch {
	case over && job.GetFailedCount() == 0:
		job.State = pb.JobState_JOB_STATE_DONE
	case job.GetCancelledGeneration() >= job.GetGeneration():
		job.State = pb.JobState_JOB_STATE_CANCELLED
	case job.GetSubmittedGeneration() < job.GetGeneration():
		job.State = pb.JobState_JOB_STATE_SUBMITTING
	case over:
		job.State = pb.JobState_JOB_STATE_FAILED
	case job.GetRunningCount()+job.GetDoneCount()+job.GetFailedCount() > 0:
		job.State = pb.JobState_JOB_STATE_RUNNING
	default:
		job.State = pb.JobState_JOB_STATE_QUEUED
	}
}

// Ended reports whether a job's state is its last, until RetryJob.
func Ended(s pb.JobState) bool {
	return s == pb.JobState_JOB_STATE_DONE || s == pb.JobState_JOB_STATE_FAILED || s == pb.JobState_JOB_STATE_CANCELLED
}
