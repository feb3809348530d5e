package server

// Jobs: the farm's part of the API.

import (
	"context"
	"crypto/sha256"
	"encoding/base64"
	"errors"
	"fmt"
	"strconv"
	"strings"

	"github.com/selvage/selvage/api/convert"
	pb "github.com/selvage/selvage/api/selvage/v1"
	"github.com/selvage/selvage/server/farm"
	"github.com/selvage/selvage/transfer/pass"
	"google.golang.org/grpc"
	"google.golang.org/protobuf/proto"
)

// jobs implements the JobService.
type jobs struct {
	pb.UnimplementedJobServiceServer
	s *Server
	f *farm.Farm
}

const jobPrefix = "jobs/"

// jobID is the id in a job's resource name.
func jobID(name, field string) (string, error) {
	id, ok := strings.CutPrefix(name, jobPrefix)
	if !ok || len(id) != 32 || strings.Trim(id, "0123456789abcdef") != "" {
		return "", &convert.FieldError{Field: field, What: "is not jobs/ and 32 lower-case hexadecimal digits"}
	}
	return id, nil
}

// CreateJob implements the method of the API. Assets that this server holds and
// the farm lacks go to the farm first.
func (j *jobs) CreateJob(ctx context.Context, m *pb.CreateJobRequest) (*pb.Job, error) {
	if _, err := convert.CheckName(m.GetDisplayName(), "-", "display_name"); err != nil {
		return nil, err
	}
	for i, t := range m.GetTasks() {
		if err := checkGlobs(t.GetBodyNames(), fmt.Sprintf("tasks[%d].body_names", i)); err != nil {
			return nil, err
		}
		if _, err := j.s.options(t.GetOptions()); err != nil {
			return nil, err
		}
		if err := policy(t.GetPass().GetPolicy(), fmt.Sprintf("tasks[%d].pass.policy", i), &pass.Input{}); err != nil {
			return nil, err
		}
	}
	job, _, err := j.f.Create(ctx, m.GetDisplayName(), m.GetTasks())
	var missing *farm.MissingAssetsError
	if !errors.As(err, &missing) {
		return job, err
	}
	var lacking [][sha256.Size]byte
	for _, sum := range missing.Sums {
		if err := j.hand(ctx, digest(sum)); errors.As(err, new(*notFoundError)) || errors.Is(err, errDamaged) {
			lacking = append(lacking, sum)
		} else if err != nil {
			return nil, err
		}
	}
	if len(lacking) > 0 {
		return nil, &farm.MissingAssetsError{Sums: lacking}
	}
	job, _, err = j.f.Create(ctx, m.GetDisplayName(), m.GetTasks())
	return job, err
}

// hand puts an asset of this server into the farm.
func (j *jobs) hand(ctx context.Context, id digest) error {
	o, err := j.s.store.use(id, callerOf(ctx)) // as a transfer by this caller would
	if err != nil {
		return err
	}
	t, err := j.s.admission.reserve(ctx, o.Size)
	if err != nil {
		return err
	}
	defer t.release()
	data, err := j.s.store.read(ctx, id)
	if err != nil {
		return err
	}
	_, err = j.f.PutAsset(ctx, data)
	return err
}

// GetJob implements the method of the API.
func (j *jobs) GetJob(ctx context.Context, m *pb.GetJobRequest) (*pb.Job, error) {
	id, err := jobID(m.GetName(), "name")
	if err != nil {
		return nil, err
	}
	return j.f.Job(ctx, id)
}

// pageSize checks a page's size.
func pageSize(asked int32, byDefault, most int) (int, error) {
	switch {
	case asked < 0:
		return 0, &convert.FieldError{Field: "page_size", What: "is negative"}
	case asked == 0:
		return byDefault, nil
	}
	return min(int(asked), most), nil
}

// pageToken wraps where the next page begins, and parsePageToken unwraps it.
func pageToken(next string) string { return base64.RawURLEncoding.EncodeToString([]byte(next)) }

func parsePageToken(token string) (string, error) {
	raw, err := base64.RawURLEncoding.DecodeString(token)
	if err != nil || len(raw) > 64 {
		return "", &convert.FieldError{Field: "page_token", What: "is not one that this method returned"}
	}
	return string(raw), nil
}

// ListJobs implements the method of the API.
func (j *jobs) ListJobs(ctx context.Context, m *pb.ListJobsRequest) (*pb.ListJobsResponse, error) {
	n, err := pageSize(m.GetPageSize(), 100, 1000)
	if err != nil {
		return nil, err
	}
	after, err := parsePageToken(m.GetPageToken())
	if err != nil {
		return nil, err
	}
	page, more, err := j.f.Jobs(ctx, after, n)
	if err != nil {
		return nil, err
	}
	out := &pb.ListJobsResponse{Jobs: page}
	if more {
		out.NextPageToken = pageToken(strings.TrimPrefix(page[len(page)-1].GetName(), jobPrefix))
	}
	return out, nil
}

// pageBytes bounds the tasks of a page: half of the 4 MiB that a client of the gRPC
// library reads in one message unless it is told otherwise.
const pageBytes = 2 << 20

// fitting is how many of the first tasks make a page; one at least.
func fitting(list []*pb.TaskStatus) int {
	const frame = 8 // a field's tag and length
	size := 0
	for n, t := range list {
		if size += proto.Size(t) + frame; size > pageBytes && n > 0 {
			return n
		}
	}
	return len(list)
}

// ListJobTasks implements the method of the API. A page has fewer tasks than are asked
// for where they are large.
func (j *jobs) ListJobTasks(ctx context.Context, m *pb.ListJobTasksRequest) (*pb.ListJobTasksResponse, error) {
	id, err := jobID(m.GetParent(), "parent")
	if err != nil {
		return nil, err
	}
	n, err := pageSize(m.GetPageSize(), 1000, farm.MaxTasks)
	if err != nil {
		return nil, err
	}
	text, err := parsePageToken(m.GetPageToken())
	if err != nil {
		return nil, err
	}
	first := 0
	if text != "" {
		if first, err = strconv.Atoi(text); err != nil || first < 0 || first > farm.MaxTasks {
			return nil, &convert.FieldError{Field: "page_token", What: "is not one that this method returned"}
		}
	}
	page, more, err := j.f.Tasks(ctx, id, first, n)
	if err != nil {
		return nil, err
	}
	if n := fitting(page); n < len(page) {
		page, more = page[:n], true
	}
	out := &pb.ListJobTasksResponse{Tasks: page}
	if more {
		out.NextPageToken = pageToken(strconv.Itoa(first + len(page)))
	}
	return out, nil
}

// WatchJob implements the method of the API.
func (j *jobs) WatchJob(m *pb.WatchJobRequest, stream grpc.ServerStreamingServer[pb.WatchJobResponse]) error {
	id, err := jobID(m.GetName(), "name")
	if err != nil {
		return err
	}
	ctx := stream.Context()
	_, err = j.f.Watch(ctx, id, func(job *pb.Job, task *pb.TaskStatus) error {
		part := &pb.WatchJobResponse{Part: &pb.WatchJobResponse_Task{Task: task}}
		if job != nil {
			part = &pb.WatchJobResponse{Part: &pb.WatchJobResponse_Job{Job: job}}
		}
		return within(ctx, j.s.config.IdleTime, func() error { return stream.Send(part) })
	})
	return err
}

// CancelJob implements the method of the API.
func (j *jobs) CancelJob(ctx context.Context, m *pb.CancelJobRequest) (*pb.Job, error) {
	id, err := jobID(m.GetName(), "name")
	if err != nil {
		return nil, err
	}
	return j.f.Cancel(ctx, id)
}

// RetryJob implements the method of the API.
func (j *jobs) RetryJob(ctx context.Context, m *pb.RetryJobRequest) (*pb.Job, error) {
	id, err := jobID(m.GetName(), "name")
	if err != nil {
		return nil, err
	}
	return j.f.Retry(ctx, id)
}

// ReadTaskResult implements the method of the API.
func (j *jobs) ReadTaskResult(m *pb.ReadTaskResultRequest, stream grpc.ServerStreamingServer[pb.ReadTaskResultResponse]) error {
	job, key, ok := strings.Cut(m.GetName(), "/tasks/")
	id, err := jobID(job, "name")
	if err != nil || !ok || len(key) != 64 || strings.Trim(key, "0123456789abcdef") != "" {
		return &convert.FieldError{Field: "name", What: "is not jobs/, 32 lower-case hexadecimal digits, /tasks/ and 64 more"}
	}
	ctx := stream.Context()
	r, err := j.f.TaskResult(ctx, id, key)
	if err != nil {
		return err
	}
	t, err := j.s.admission.reserve(ctx, r.GetSizeBytes()+r.GetRecordSizeBytes())
	if err != nil {
		return err
	}
	defer t.release()
	data, err := j.f.Read(ctx, r)
	if err != nil {
		return err
	}
	record, err := j.f.ReadRecord(ctx, r)
	if err != nil {
		return err
	}
	send := func(part *pb.ReadTaskResultResponse) error {
		return within(ctx, j.s.config.IdleTime, func() error { return stream.Send(part) })
	}
	if err := send(&pb.ReadTaskResultResponse{Part: &pb.ReadTaskResultResponse_Result{Result: r}}); err != nil {
		return err
	}
	for chunk := range chunks(data) {
		if err := send(&pb.ReadTaskResultResponse{Part: &pb.ReadTaskResultResponse_Content{Content: chunk}}); err != nil {
			return err
		}
	}
	for chunk := range chunks(record) {
		if err := send(&pb.ReadTaskResultResponse{Part: &pb.ReadTaskResultResponse_Record{Record: chunk}}); err != nil {
			return err
		}
	}
	return nil
}
