package farm

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
	"github.com/selvage/selvage/api/convert"
	pb "github.com/selvage/selvage/api/selvage/v1"
	"golang.org/x/sync/errgroup"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"
)

// MaxTasks of one job: its tasks go in one message of the API, and its states are
// read together.
const MaxTasks = 10_000

var (
	// ErrEnded says that a job has ended, so that there is nothing to cancel.
	ErrEnded = errors.New("the job has ended")
	// ErrQueueFull says that the queue has no room for more tasks.
	ErrQueueFull = errors.New("the farm's queue is full")
)

// NotFoundError says that the farm has no such job, task or result.
type NotFoundError struct{ Name string }

func (e *NotFoundError) Error() string { return e.Name + " is not in the farm" }

// MissingAssetsError lists the assets that a job needs and the farm lacks.
type MissingAssetsError struct{ Sums [][sha256.Size]byte }

func (e *MissingAssetsError) Error() string {
	return fmt.Sprintf("%d assets are not in the farm, the first is %x", len(e.Sums), e.Sums[0])
}

// Keys checks tasks and returns the key of each result, in order. Errors:
// *convert.FieldError.
func (f *Farm) Keys(tasks []*pb.JobTask) ([]string, error) {
	if len(tasks) == 0 || len(tasks) > MaxTasks {
		return nil, &convert.FieldError{Field: "tasks", What: fmt.Sprintf("has %d entries, want 1 to %d", len(tasks), MaxTasks)}
	}
	keys := make([]string, len(tasks))
	for i, t := range tasks {
		field := func(name string) string { return fmt.Sprintf("tasks[%d].%s", i, name) }
		if len(t.GetBodySha256()) != sha256.Size {
			return nil, &convert.FieldError{Field: field("body_sha256"), What: fmt.Sprintf("has %d bytes, want %d", len(t.GetBodySha256()), sha256.Size)}
		}
		if len(t.GetGarmentSha256()) != sha256.Size {
			return nil, &convert.FieldError{Field: field("garment_sha256"), What: fmt.Sprintf("has %d bytes, want %d", len(t.GetGarmentSha256()), sha256.Size)}
		}
		for _, x := range []struct{ field, name string }{
			{"display_name", strings.ReplaceAll(t.GetDisplayName(), "/", " ")}, {"body_display_name", t.GetBodyDisplayName()}, {"garment_display_name", t.GetGarmentDisplayName()},
		} {
			if _, err := convert.CheckName(x.name, "-", field(x.field)); err != nil {
				return nil, err
			}
		}
		if _, err := convert.OptionsFromProto(t.GetOptions()); err != nil {
			return nil, fmt.Errorf("task %d: %w", i, err)
		}
		if err := checkMore(t, field); err != nil {
			return nil, err
		}
		var err error
		if keys[i], err = workKey(t, f.config.Version); err != nil {
			return nil, err
		}
	}
	return keys, nil
}

// maxLayers of one task.
const maxLayers = 100

// checkMore checks a task's pass and layers.
func checkMore(t *pb.JobTask, field func(string) string) error {
	sum := func(b []byte, name string, optional bool) error {
		if len(b) != sha256.Size && !(optional && len(b) == 0) {
			return &convert.FieldError{Field: field(name), What: fmt.Sprintf("has %d bytes, want %d", len(b), sha256.Size)}
		}
		return nil
	}
	if len(t.GetLayers()) > maxLayers {
		return &convert.FieldError{Field: field("layers"), What: fmt.Sprintf("has %d entries, more than %d", len(t.GetLayers()), maxLayers)}
	}
	for k, l := range t.GetLayers() {
		if err := sum(l.GetSha256(), fmt.Sprintf("layers[%d].sha256", k), false); err != nil {
			return err
		}
		if _, err := convert.CheckName(l.GetDisplayName(), "-", field(fmt.Sprintf("layers[%d].display_name", k))); err != nil {
			return err
		}
	}
	p := t.GetPass()
	if p == nil {
		return nil
	}
	for name, b := range map[string][]byte{
		"record_sha256": p.GetRecordSha256(), "current_sha256": p.GetCurrentSha256(), "garment_sha256": p.GetGarmentSha256(), "body_sha256": p.GetBodySha256(),
	} {
		if err := sum(b, "pass."+name, true); err != nil {
			return err
		}
	}
	if _, err := convert.CheckName(p.GetProgram(), "-", field("pass.program")); err != nil {
		return err
	}
	_, _, err := convert.PolicyFromProto(p.GetPolicy(), field("pass.policy"))
	return err
}

// assetsOf are the hashes of all that a task reads.
func assetsOf(t *pb.JobTask) [][]byte {
	list := [][]byte{t.GetBodySha256(), t.GetGarmentSha256()}
	for _, l := range t.GetLayers() {
		list = append(list, l.GetSha256())
	}
	for _, b := range [][]byte{t.GetPass().GetRecordSha256(), t.GetPass().GetCurrentSha256()} {
		if len(b) > 0 {
			list = append(list, b)
		}
	}
	return list
}

// schemaOf is the least version of the message that knows a task's fields.
func schemaOf(t *pb.JobTask) int32 {
	if t.GetPass() != nil || len(t.GetLayers()) > 0 {
		return 2
	}
	return 1
}

// workKey is the key of a task's result where this version computes it.
func workKey(t *pb.JobTask, version string) (string, error) { return convert.TaskKey(t, version) }

// jobID is made of what a job computes, in order: who hands the same list in finds
// its keys in the list that is there.
func jobID(keys []string) string {
	h := sha256.New()
	for _, k := range keys {
		h.Write([]byte(k))
	}
	return hex.EncodeToString(h.Sum(nil)[:16])
}

// isJobID reports whether jobID can have made an id: others are no keys of the store.
func isJobID(id string) bool {
	return len(id) == 32 && strings.Trim(id, "0123456789abcdef") == ""
}

// Create hands in a job, or goes on with handing it in, and returns it and the
// keys of its tasks in order. Its assets must be in the farm: PutAsset. A job that
// was handed in before is returned as it is; Retry tries its failures again.
// Errors: *convert.FieldError, *MissingAssetsError, ErrQueueFull.
func (f *Farm) Create(ctx context.Context, displayName string, tasks []*pb.JobTask) (*pb.Job, []string, error) {
	keys, err := f.Keys(tasks)
	if err != nil {
		return nil, nil, err
	}
	id := jobID(keys)
	record := &pb.Job{}
	revision, err := entry(ctx, f, jobKey(id), record)
	if err != nil {
		return nil, nil, err
	}
	if revision > 0 && record.GetSubmittedGeneration() >= record.GetGeneration() {
		job, err := f.Job(ctx, id)
		return job, keys, err
	}
	if err := f.checkAssets(ctx, tasks); err != nil {
		return nil, nil, err
	}
	// The tasks are in the store before the job is, the job before its messages are
	// in the queue: whoever finds a job can complete it.
	packed, err := proto.MarshalOptions{Deterministic: true}.Marshal(&pb.JobTasks{Tasks: tasks, Keys: keys})
	if err != nil {
		return nil, nil, err
	}
	if err := f.assets.put(ctx, jobTasksName(id), packed, sha256.Sum256(packed), nil); err != nil {
		return nil, nil, err
	}
	distinct := len(slices.Compact(slices.Sorted(slices.Values(keys))))
	err = change(ctx, f, jobKey(id), record, func(j *pb.Job, found bool) (bool, error) {
		if found {
			return false, nil
		}
		j.Name, j.DisplayName, j.Version = JobName(id), displayName, f.config.Version
		j.TaskCount, j.Generation = int32(distinct), 1
		return true, nil
	})
	if err != nil {
		return nil, nil, err
	}
	if err := f.submit(ctx, id, record, &pb.JobTasks{Tasks: tasks, Keys: keys}); err != nil {
		return nil, nil, err
	}
	job, err := f.Job(ctx, id)
	return job, keys, err
}

// checkAssets returns a *MissingAssetsError for what the farm lacks.
func (f *Farm) checkAssets(ctx context.Context, tasks []*pb.JobTask) error {
	seen := map[[sha256.Size]byte]bool{}
	var order [][sha256.Size]byte
	for _, t := range tasks {
		for _, sum := range assetsOf(t) {
			if s := [sha256.Size]byte(sum); !seen[s] {
				seen[s] = true
				order = append(order, s)
			}
		}
	}
	there := make([]bool, len(order))
	err := f.each(ctx, len(order), func(ctx context.Context, i int) (err error) {
		there[i], err = f.HasAsset(ctx, order[i])
		return err
	})
	if err != nil {
		return err
	}
	var missing [][sha256.Size]byte
	for i, ok := range there {
		if !ok {
			missing = append(missing, order[i])
		}
	}
	if len(missing) > 0 {
		return &MissingAssetsError{missing}
	}
	return nil
}

// each calls do for 0 to n-1, a few at once.
func (f *Farm) each(ctx context.Context, n int, do func(ctx context.Context, i int) error) error {
	g, ctx := errgroup.WithContext(ctx)
	g.SetLimit(32)
	for i := range n {
		g.Go(func() error { return do(ctx, i) })
	}
	return g.Wait()
}

// subject of a task's message in the queue.
func (f *Farm) subject(job, key string) string { return f.config.Name + ".tasks." + job + "." + key }

// deadSubject of a task among the dead letters.
func (f *Farm) deadSubject(job, key string) string { return f.config.Name + ".dead." + job + "." + key }

// queued is a task on its way into the queue.
type queued struct {
	*nats.Msg
	// least generation of a message of the task that is there already and may stay.
	least int64
}

// submit puts every task that has not ended in this generation into the queue,
// then says so in the job's record. What waits or runs since an earlier generation
// stays as it is; what ended in one begins anew. The messages have the version that
// the job was made with, whoever hands them in: the keys are that version's.
func (f *Farm) submit(ctx context.Context, id string, job *pb.Job, list *pb.JobTasks) error {
	generation := job.GetGeneration()
	states, err := f.states(ctx, id)
	if err != nil {
		return err
	}
	seen := map[string]bool{}
	var messages []queued
	var anew []string
	for _, i := range byBody(list.GetTasks()) {
		key := list.GetKeys()[i]
		s := states[key]
		if seen[key] || s.GetState() == pb.TaskState_TASK_STATE_DONE || s.GetGeneration() >= generation && ended(s.GetState()) {
			continue
		}
		seen[key] = true
		data, err := proto.Marshal(&pb.QueuedTask{
			Schema: schemaOf(list.GetTasks()[i]), Version: job.GetVersion(), Job: id, Key: key, Generation: generation, Task: list.GetTasks()[i],
		})
		if err != nil {
			return err
		}
		least := int64(1)
		if ended(s.GetState()) {
			anew = append(anew, key)
			least = generation
		} else if s.GetGeneration() == generation {
			least = generation
		}
		messages = append(messages, queued{&nats.Msg{Subject: f.subject(id, key), Data: data}, least})
	}
	// Their states first: whoever is interrupted in between is still handing in.
	err = f.each(ctx, len(anew), func(ctx context.Context, i int) error {
		return change(ctx, f, taskKey(id, anew[i]), &pb.TaskStatus{}, func(s *pb.TaskStatus, _ bool) (bool, error) {
			if s.GetGeneration() >= generation || !ended(s.GetState()) || s.GetState() == pb.TaskState_TASK_STATE_DONE {
				return false, nil
			}
			proto.Reset(s)
			s.Name, s.Generation, s.State = TaskName(id, anew[i]), generation, pb.TaskState_TASK_STATE_QUEUED
			return true, nil
		})
	})
	if err != nil {
		return err
	}
	if err := f.publish(ctx, messages); err != nil {
		return err
	}
	record, err := again(ctx, f, func(ctx context.Context) (jetstream.KeyValueEntry, error) { return f.jobs.Get(ctx, jobKey(id)) })
	if err != nil {
		return err
	}
	return change(ctx, f, jobKey(id), &pb.Job{}, func(j *pb.Job, found bool) (bool, error) {
		if !found {
			return false, &NotFoundError{JobName(id)}
		}
		if j.GetSubmittedGeneration() >= generation {
			return false, nil
		}
		j.SubmittedGeneration = generation
		if j.GetCreateTime() == nil {
			j.CreateTime = timestamppb.New(record.Created()) // the store's clock; nothing here reads it
		}
		return true, nil
	})
}

// byBody is the order in which tasks go into the queue: those of one body one
// after the other, in the order in which bodies come. Workers take them in that
// order, so that each prepares a body once, whatever it can keep.
func byBody(tasks []*pb.JobTask) []int {
	place := map[string]int{}
	bodies, order := make([]int, len(tasks)), make([]int, len(tasks))
	for i, t := range tasks {
		key := bodyKey(t)
		if _, ok := place[key]; !ok {
			place[key] = len(place)
		}
		bodies[i], order[i] = place[key], i
	}
	slices.SortStableFunc(order, func(a, b int) int { return bodies[a] - bodies[b] })
	return order
}

// publish puts messages into the queue, many at once. One whose task is there
// already is left out; of a generation before its least, it takes that one's place.
func (f *Farm) publish(ctx context.Context, messages []queued) error {
	var left []queued // those that need a second look
	const window = 256
	for batch := range slices.Chunk(messages, window) {
		futures := make([]jetstream.PubAckFuture, len(batch))
		for i, m := range batch {
			future, err := f.js.PublishMsgAsync(m.Msg)
			if err == nil {
				futures[i] = future
			}
		}
		for i, future := range futures {
			if future == nil {
				left = append(left, batch[i])
				continue
			}
			if f.acknowledged(ctx, future) != nil {
				if ctx.Err() != nil {
					return ctx.Err()
				}
				left = append(left, batch[i]) // looked at again
			}
		}
	}
	return f.each(ctx, len(left), func(ctx context.Context, i int) error { return f.publishOne(ctx, left[i]) })
}

func (f *Farm) publishOne(ctx context.Context, m queued) error {
	for {
		_, err := again(ctx, f, func(ctx context.Context) (*jetstream.PubAck, error) {
			return f.js.PublishMsg(ctx, &nats.Msg{Subject: m.Subject, Data: m.Data})
		})
		switch {
		case err == nil:
			return nil
		case isFull(err):
			return fmt.Errorf("%w: %w", ErrQueueFull, err)
		case !isThere(err):
			return fmt.Errorf("queue a task: %w", err)
		}
		old, err := again(ctx, f, func(ctx context.Context) (*jetstream.RawStreamMsg, error) {
			return f.tasks.GetLastMsgForSubject(ctx, m.Subject)
		})
		if errors.Is(err, jetstream.ErrMsgNotFound) {
			continue // acknowledged in between
		}
		if err != nil {
			return err
		}
		var q pb.QueuedTask
		if proto.Unmarshal(old.Data, &q) == nil && q.GetGeneration() >= m.least {
			return nil
		}
		_, err = again(ctx, f, func(ctx context.Context) (struct{}, error) {
			err := f.tasks.DeleteMsg(ctx, old.Sequence)
			if errors.Is(err, jetstream.ErrMsgNotFound) || errors.Is(err, jetstream.ErrMsgDeleteUnsuccessful) {
				err = nil
			}
			return struct{}{}, err
		})
		if err != nil {
			return err
		}
	}
}

// isThere reports whether the queue refused a message because its subject has
// one.
func isThere(err error) bool {
	var api *jetstream.APIError
	return errors.As(err, &api) && api.ErrorCode == codeStoreFailed && strings.Contains(api.Description, "per subject")
}

// list returns a job's tasks as they were handed in.
func (f *Farm) list(ctx context.Context, id string) (*pb.JobTasks, error) {
	if !isJobID(id) {
		return nil, &NotFoundError{JobName(id)}
	}
	data, _, err := f.assets.read(ctx, jobTasksName(id))
	if errors.Is(err, errMissing) {
		return nil, &NotFoundError{JobName(id)}
	}
	if err != nil {
		return nil, err
	}
	list := &pb.JobTasks{}
	return list, proto.Unmarshal(data, list)
}

// Job returns a job. Errors: *NotFoundError.
func (f *Farm) Job(ctx context.Context, id string) (*pb.Job, error) {
	if !isJobID(id) {
		return nil, &NotFoundError{JobName(id)}
	}
	job := &pb.Job{}
	revision, err := entry(ctx, f, jobKey(id), job)
	if err != nil {
		return nil, err
	}
	if revision == 0 {
		return nil, &NotFoundError{JobName(id)}
	}
	return job, f.complete(ctx, id, job)
}

// complete fills in the counts of a job's record. Those of a job that has ended
// are written down, so that its tasks need not be read again.
func (f *Farm) complete(ctx context.Context, id string, job *pb.Job) error {
	if job.GetEndedGeneration() >= job.GetGeneration() {
		setState(job)
		if job.GetState() != pb.JobState_JOB_STATE_CANCELLED { // earlier releases wrote those down too, without their counts
			return nil
		}
	}
	states, err := f.states(ctx, id)
	if err != nil {
		return err
	}
	tally(job, states)
	return f.seal(ctx, id, job)
}

// seal writes the final counts of a job that is done or has failed down. Those of one
// that was cancelled may change still: a task may be done all the same.
func (f *Farm) seal(ctx context.Context, id string, job *pb.Job) error {
	if job.GetState() != pb.JobState_JOB_STATE_DONE && job.GetState() != pb.JobState_JOB_STATE_FAILED {
		return nil
	}
	return change(ctx, f, jobKey(id), &pb.Job{}, func(j *pb.Job, found bool) (bool, error) {
		if !found || j.GetGeneration() != job.GetGeneration() || j.GetEndedGeneration() >= j.GetGeneration() {
			return false, nil
		}
		j.QueuedCount, j.RunningCount, j.CancelledCount = 0, 0, 0
		j.DoneCount, j.FailedCount = job.GetDoneCount(), job.GetFailedCount()
		j.EndedGeneration = j.GetGeneration()
		return true, nil
	})
}

// states returns the tasks of a job that have begun, by key.
func (f *Farm) states(ctx context.Context, id string) (map[string]*pb.TaskStatus, error) {
	return againWithin(ctx, f, scanTime, func(ctx context.Context) (map[string]*pb.TaskStatus, error) {
		states := map[string]*pb.TaskStatus{}
		err := f.scan(ctx, taskKey(id, "*"), func(e jetstream.KeyValueEntry) error {
			s := &pb.TaskStatus{}
			states[e.Key()[strings.LastIndexByte(e.Key(), '.')+1:]] = s
			return proto.Unmarshal(e.Value(), s)
		})
		return states, err
	})
}

// scanTime is how long reading all states of a job may take.
const scanTime = 30 * time.Second

// scan calls do for every entry that is there now under keys.
func (f *Farm) scan(ctx context.Context, keys string, do func(jetstream.KeyValueEntry) error) error {
	w, err := f.jobs.Watch(ctx, keys, jetstream.IgnoreDeletes())
	if err != nil {
		return err
	}
	defer w.Stop()
	for {
		select {
		case e := <-w.Updates():
			if e == nil {
				return nil
			}
			if err := do(e); err != nil {
				return fmt.Errorf("%s: %w", e.Key(), err)
			}
		case <-ctx.Done():
			return ctx.Err()
		}
	}
}

// Jobs returns up to n jobs in the order of their ids, from after on, and whether
// there are more.
func (f *Farm) Jobs(ctx context.Context, after string, n int) (page []*pb.Job, more bool, err error) {
	var all []*pb.Job
	all, err = againWithin(ctx, f, scanTime, func(ctx context.Context) ([]*pb.Job, error) {
		var list []*pb.Job
		err := f.scan(ctx, jobKey("*"), func(e jetstream.KeyValueEntry) error {
			j := &pb.Job{}
			list = append(list, j)
			return proto.Unmarshal(e.Value(), j)
		})
		return list, err
	})
	if err != nil {
		return nil, false, err
	}
	all = slices.DeleteFunc(all, func(j *pb.Job) bool { return j.GetName() <= JobName(after) && after != "" })
	slices.SortFunc(all, func(a, b *pb.Job) int { return strings.Compare(a.GetName(), b.GetName()) })
	if len(all) > n {
		all, more = all[:n], true
	}
	for _, j := range all {
		if err := f.complete(ctx, strings.TrimPrefix(j.GetName(), "jobs/"), j); err != nil {
			return nil, false, err
		}
	}
	return all, more, nil
}

// Tasks returns the tasks of a job from the first on, n at most, in the order in
// which they were handed in, and whether there are more.
func (f *Farm) Tasks(ctx context.Context, id string, first, n int) (page []*pb.TaskStatus, more bool, err error) {
	job, err := f.Job(ctx, id)
	if err != nil {
		return nil, false, err
	}
	list, err := f.list(ctx, id)
	if err != nil {
		return nil, false, err
	}
	states, err := f.states(ctx, id)
	if err != nil {
		return nil, false, err
	}
	end := min(len(list.GetKeys()), first+n)
	for i := first; i < end; i++ {
		key := list.GetKeys()[i]
		s := &pb.TaskStatus{Name: TaskName(id, key), State: pb.TaskState_TASK_STATE_QUEUED}
		if known, ok := states[key]; ok {
			s = proto.Clone(known).(*pb.TaskStatus)
		}
		settle(s, job)
		s.Task = list.GetTasks()[i]
		page = append(page, s)
	}
	return page, end < len(list.GetKeys()), nil
}

// settle makes a task's last state one of the job's generation, as tally counts.
func settle(s *pb.TaskStatus, job *pb.Job) {
	if s.GetState() == pb.TaskState_TASK_STATE_DONE {
		return
	}
	if !counts(s, job) {
		s.State, s.Tries, s.Error = pb.TaskState_TASK_STATE_QUEUED, 0, ""
	}
	if job.GetCancelledGeneration() >= job.GetGeneration() && s.GetState() != pb.TaskState_TASK_STATE_FAILED {
		s.State = pb.TaskState_TASK_STATE_CANCELLED
	}
}

// Cancel ends a job: what waits leaves the queue, workers break off what runs.
// Errors: *NotFoundError, ErrEnded.
func (f *Farm) Cancel(ctx context.Context, id string) (*pb.Job, error) {
	job, err := f.Job(ctx, id)
	if err != nil {
		return nil, err
	}
	if Ended(job.GetState()) && job.GetState() != pb.JobState_JOB_STATE_CANCELLED {
		return nil, fmt.Errorf("%s: %w", job.GetName(), ErrEnded)
	}
	err = change(ctx, f, jobKey(id), job, func(j *pb.Job, found bool) (bool, error) {
		if !found {
			return false, &NotFoundError{JobName(id)}
		}
		if j.GetCancelledGeneration() >= j.GetGeneration() {
			return false, nil
		}
		j.CancelledGeneration = j.GetGeneration()
		return true, nil
	})
	if err != nil {
		return nil, err
	}
	if _, err := again(ctx, f, func(ctx context.Context) (struct{}, error) {
		return struct{}{}, f.tasks.Purge(ctx, jetstream.WithPurgeSubject(f.subject(id, "*")))
	}); err != nil {
		return nil, err
	}
	return f.Job(ctx, id)
}

// Retry hands every task of a job that has failed or was cancelled, or whose result
// is gone, to the workers once more. What waits or runs is not begun anew. Errors: *NotFoundError, ErrQueueFull.
func (f *Farm) Retry(ctx context.Context, id string) (*pb.Job, error) {
	list, err := f.list(ctx, id)
	if err != nil {
		return nil, err
	}
	states, err := f.states(ctx, id)
	if err != nil {
		return nil, err
	}
	var done []*pb.TaskStatus
	for _, s := range states {
		if s.GetState() == pb.TaskState_TASK_STATE_DONE {
			done = append(done, s)
		}
	}
	gone := make([]bool, len(done))
	err = f.each(ctx, len(done), func(ctx context.Context, i int) error {
		r, err := f.found(ctx, done[i].GetResult().GetKey())
		gone[i] = r == nil
		return err
	})
	if err != nil {
		return nil, err
	}
	job := &pb.Job{}
	if err := change(ctx, f, jobKey(id), job, func(j *pb.Job, found bool) (bool, error) {
		if !found {
			return false, &NotFoundError{JobName(id)}
		}
		j.Generation++
		return true, nil
	}); err != nil {
		return nil, err
	}
	for i, s := range done {
		if !gone[i] {
			continue
		}
		key := keyOf(s.GetName())
		if err := change(ctx, f, taskKey(id, key), &pb.TaskStatus{}, func(t *pb.TaskStatus, found bool) (bool, error) {
			if t.GetState() != pb.TaskState_TASK_STATE_DONE {
				return false, nil
			}
			t.State, t.Result = pb.TaskState_TASK_STATE_QUEUED, nil
			return true, nil
		}); err != nil {
			return nil, err
		}
	}
	if _, err := again(ctx, f, func(ctx context.Context) (struct{}, error) {
		return struct{}{}, f.dead.Purge(ctx, jetstream.WithPurgeSubject(f.deadSubject(id, "*")))
	}); err != nil {
		return nil, err
	}
	if err := f.submit(ctx, id, job, list); err != nil {
		return nil, err
	}
	return f.Job(ctx, id)
}

// TaskResult returns what is known of the result of a task. Errors:
// *NotFoundError where the task is not done.
func (f *Farm) TaskResult(ctx context.Context, id, key string) (*pb.TaskResult, error) {
	s := &pb.TaskStatus{}
	if _, err := entry(ctx, f, taskKey(id, key), s); err != nil {
		return nil, err
	}
	if s.GetState() != pb.TaskState_TASK_STATE_DONE {
		return nil, &NotFoundError{"the result of " + TaskName(id, key)}
	}
	return s.GetResult(), nil
}

// Result is TaskResult, and the finished asset.
func (f *Farm) Result(ctx context.Context, id, key string) ([]byte, *pb.TaskResult, error) {
	r, err := f.TaskResult(ctx, id, key)
	if err != nil {
		return nil, nil, err
	}
	data, err := f.Read(ctx, r)
	return data, r, err
}

// Read returns the finished asset of a task that is done, which has the hash that
// its result says. Errors: *NotFoundError where it is gone.
func (f *Farm) Read(ctx context.Context, r *pb.TaskResult) ([]byte, error) {
	data, info, err := f.results.read(ctx, r.GetKey())
	for n := 0; errors.Is(err, errMissing) && n < 5; n++ { // asked of a server that lags behind?
		select {
		case <-time.After(200 * time.Millisecond << n):
			data, info, err = f.results.read(ctx, r.GetKey())
		case <-ctx.Done():
			return nil, ctx.Err()
		}
	}
	if errors.Is(err, errMissing) {
		return nil, &NotFoundError{"result " + r.GetKey()}
	}
	if err != nil {
		return nil, err
	}
	if len(r.GetSha256()) != sha256.Size || info.Digest != digestOf([sha256.Size]byte(r.GetSha256())) {
		return nil, fmt.Errorf("result %s %w", r.GetKey(), errDamaged)
	}
	return data, nil
}

// ReadRecord returns the record that a task which was a pass left for the next one;
// nil where it was none. Errors: as Read.
func (f *Farm) ReadRecord(ctx context.Context, r *pb.TaskResult) ([]byte, error) {
	if r.GetRecordSizeBytes() == 0 {
		return nil, nil
	}
	record := &pb.TaskResult{Key: recordName(r.GetKey()), Sha256: r.GetRecordSha256()}
	return f.Read(ctx, record)
}
