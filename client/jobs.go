package client

// Jobs: many transfers handed in at once, computed by a server's farm.

import (
	"context"
	"crypto/sha256"
	"errors"
	"strings"

	pb "github.com/selvage/selvage/api/selvage/v1"
	"github.com/selvage/selvage/transfer"
)

// Name of the asset in messages and summaries.
func (a *Asset) Name() string { return a.name }

// Bytes of the asset; read-only.
func (a *Asset) Bytes() []byte { return a.data }

// Sum is the SHA-256 of its bytes.
func (a *Asset) Sum() [sha256.Size]byte { return a.sum }

// NewResult is the result of a transfer to the garment that was computed
// elsewhere. Of the garment it keeps only what Save needs.
func NewResult(garment *Asset, glb []byte, s transfer.Summary) *Result {
	return &Result{GLB: glb, Summary: s, garment: garment.WithoutBytes()}
}

// WithoutBytes is the asset without its bytes, for NewResult.
func (a *Asset) WithoutBytes() *Asset {
	b := *a
	b.data = nil
	return &b
}

// Jobs are the jobs of a server that has a farm. Without one every method returns
// UNIMPLEMENTED.
type Jobs struct {
	c   *Client
	api pb.JobServiceClient
}

// Jobs of the server.
func (c *Client) Jobs() *Jobs { return &Jobs{c, pb.NewJobServiceClient(c.conn)} }

// PutAsset uploads an asset's bytes unless the server has them, and returns their
// hash. The server keeps those used last; a job's must be there together.
func (j *Jobs) PutAsset(ctx context.Context, data []byte) ([sha256.Size]byte, error) {
	a := NewAsset("asset", data)
	_, err := j.c.Upload(ctx, a)
	return a.sum, err
}

// MaxBytes is how many bytes of tasks the server takes in one job for certain: half of
// its largest message.
func (j *Jobs) MaxBytes() int64 { return j.c.info.GetLimits().GetMaxMessageBytes() / 2 }

// StoreBytes is how many bytes of assets the server keeps at once; those of a job must
// be among them when it is handed in.
func (j *Jobs) StoreBytes() int64 { return j.c.info.GetLimits().GetStoreBytes() }

// Create hands in a job, or finds the one that does the same, and returns it and
// the keys of its tasks in order.
func (j *Jobs) Create(ctx context.Context, displayName string, tasks []*pb.JobTask) (*pb.Job, []string, error) {
	job, err := attempt(ctx, j.c.retry, func() (*pb.Job, error) {
		return j.api.CreateJob(ctx, &pb.CreateJobRequest{DisplayName: displayName, Tasks: tasks})
	})
	if err != nil {
		return nil, nil, err
	}
	var keys []string
	for token := ""; ; {
		page, err := attempt(ctx, j.c.retry, func() (*pb.ListJobTasksResponse, error) {
			return j.api.ListJobTasks(ctx, &pb.ListJobTasksRequest{Parent: job.GetName(), PageToken: token})
		})
		if err != nil {
			return nil, nil, err
		}
		for _, s := range page.GetTasks() {
			keys = append(keys, s.GetName()[strings.LastIndexByte(s.GetName(), '/')+1:])
		}
		if token = page.GetNextPageToken(); token == "" {
			break
		}
	}
	if len(keys) != len(tasks) {
		return nil, nil, errors.New("the server's list of the job's tasks is not whole")
	}
	return job, keys, nil
}

// Retry tries again every task of a job that is not done.
func (j *Jobs) Retry(ctx context.Context, id string) (*pb.Job, error) {
	return j.api.RetryJob(ctx, &pb.RetryJobRequest{Name: "jobs/" + id})
}

// Cancel ends a job: what waits is dropped, what runs is broken off, what is done
// stays. FAILED_PRECONDITION where it has ended.
func (j *Jobs) Cancel(ctx context.Context, id string) (*pb.Job, error) {
	return j.api.CancelJob(ctx, &pb.CancelJobRequest{Name: "jobs/" + id})
}

// jobPatience is how many times as often as other calls those are tried that follow a
// job: it goes on without its server, which may be started again.
const jobPatience = 4

func (j *Jobs) retry() Retry {
	r := j.c.retry
	r.Attempts *= jobPatience
	return r
}

// Watch tells how a job goes until it has ended, tell fails, or ctx ends, and
// returns the job as it ended. One of tell's arguments is nil. Where the
// connection is lost it begins anew, and tells all states once more; it gives up after
// some minutes (of the default Retry) in which the server is not there.
func (j *Jobs) Watch(ctx context.Context, id string, tell func(*pb.Job, *pb.TaskStatus) error) (*pb.Job, error) {
	for {
		heard := false
		job, err := attempt(ctx, j.retry(), func() (*pb.Job, error) {
			ctx, cancel := context.WithCancel(ctx)
			defer cancel()
			stream, err := j.api.WatchJob(ctx, &pb.WatchJobRequest{Name: "jobs/" + id})
			if err != nil {
				return nil, err
			}
			var last *pb.Job
			for part, err := range received(stream) {
				if err != nil {
					return nil, err
				}
				heard = true
				if part.GetJob() != nil {
					last = part.GetJob()
				}
				if err := tell(part.GetJob(), part.GetTask()); err != nil {
					return nil, err
				}
			}
			return last, nil
		})
		// Losses that lie hours apart do not add up.
		if _, again := retryable(err); err == nil || !again || !heard || ctx.Err() != nil {
			return job, err
		}
	}
}

// Read returns the finished asset of a task that is done, and, where it was a pass,
// the record for the next; it checks their hashes.
func (j *Jobs) Read(ctx context.Context, s *pb.TaskStatus) (asset, record []byte, err error) {
	both, err := attempt(ctx, j.retry(), func() (both [2][]byte, err error) {
		ctx, cancel := context.WithCancel(ctx)
		defer cancel()
		stream, err := j.api.ReadTaskResult(ctx, &pb.ReadTaskResultRequest{Name: s.GetName()})
		if err != nil {
			return both, err
		}
		var r *pb.TaskResult
		for part, err := range received(stream) {
			if err != nil {
				return both, err
			}
			if part.GetResult() != nil {
				r = part.GetResult()
			}
			both[0], both[1] = append(both[0], part.GetContent()...), append(both[1], part.GetRecord()...)
			if int64(len(both[0])) > r.GetSizeBytes() || int64(len(both[1])) > r.GetRecordSizeBytes() {
				return both, errMore
			}
		}
		if !isWhole(both[0], r.GetSizeBytes(), r.GetSha256()) || r.GetRecordSizeBytes() > 0 && !isWhole(both[1], r.GetRecordSizeBytes(), r.GetRecordSha256()) {
			return both, errNotWhole
		}
		return both, nil
	})
	return both[0], both[1], err
}
