package server_test

import (
	"bytes"
	"context"
	"errors"
	"io"
	"log/slog"
	"slices"
	"strings"
	"testing"
	"time"

	pb "github.com/selvage/selvage/api/selvage/v1"
	"github.com/selvage/selvage/client"
	"github.com/selvage/selvage/server"
	"github.com/selvage/selvage/server/farm"
	"github.com/selvage/selvage/transfer"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/credentials/insecure"
	healthpb "google.golang.org/grpc/health/grpc_health_v1"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"
)

// startFarm opens a farm on this machine, with a worker unless idle.
func startFarm(t *testing.T, idle bool) *farm.Farm {
	t.Helper()
	log := slog.New(slog.NewTextHandler(io.Discard, nil))
	e, err := farm.OpenEmbedded(t.Context(), t.TempDir(), 1<<30, nil)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(e.Close)
	c, err := e.Configure(farm.Config{Log: log})
	if err != nil {
		t.Fatal(err)
	}
	f, err := farm.Open(t.Context(), c)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(f.Close)
	if !idle {
		w, err := farm.NewWorker(f, farm.WorkerConfig{})
		if err != nil {
			t.Fatal(err)
		}
		ctx, cancel := context.WithCancel(context.Background())
		ended := make(chan error, 1)
		go func() { ended <- w.Run(ctx) }()
		t.Cleanup(func() {
			cancel()
			if err := <-ended; err != nil {
				t.Error(err)
			}
		})
	}
	return f
}

// jobService is the bare service.
func jobService(t *testing.T, addr string) pb.JobServiceClient {
	t.Helper()
	conn, err := grpc.NewClient(addr, grpc.WithTransportCredentials(insecure.NewCredentials()))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { conn.Close() })
	return pb.NewJobServiceClient(conn)
}

// gloves of the wardrobe: its smallest garment.
func smallest(w *wardrobe) int {
	k := 0
	for i, g := range w.garments {
		if len(g) < len(w.garments[k]) {
			k = i
		}
	}
	return k
}

func TestJobs_SameBytesAsLocal(t *testing.T) {
	s := start(t, server.Config{Farm: startFarm(t, false)})
	c, api := dial(t, s.addr), jobService(t, s.addr)
	jobs := c.Jobs()
	w := theWardrobe()
	k := smallest(w)
	body, err := jobs.PutAsset(t.Context(), w.body)
	if err != nil {
		t.Fatal(err)
	}
	garment := client.NewAsset(w.names[k], w.garments[k])
	sum := garment.Sum()
	var tasks []*pb.JobTask
	for n := range 3 {
		tasks = append(tasks, &pb.JobTask{DisplayName: "mate", BodySha256: body[:], GarmentSha256: sum[:], Options: &pb.Options{Reach: 0.1 * float64(n+1)}})
	}
	if _, err := api.CreateJob(t.Context(), &pb.CreateJobRequest{Tasks: tasks}); status.Code(err) != codes.NotFound || !strings.Contains(err.Error(), "asset") {
		t.Errorf("error %v, want that the garment is not there", err)
	}
	if _, err := jobs.PutAsset(t.Context(), w.garments[k]); err != nil {
		t.Fatal(err)
	}
	job, keys, err := jobs.Create(t.Context(), "three", tasks)
	if err != nil {
		t.Fatal(err)
	}
	done := map[string]*pb.TaskStatus{}
	last, err := jobs.Watch(t.Context(), job.GetName()[len("jobs/"):], func(_ *pb.Job, s *pb.TaskStatus) error {
		if s.GetState() == pb.TaskState_TASK_STATE_DONE {
			done[s.GetName()] = s
		}
		return nil
	})
	if err != nil || last.GetState() != pb.JobState_JOB_STATE_DONE || len(done) != 3 {
		t.Fatalf("%v, %v", last, err)
	}
	for n, key := range keys {
		got, _, err := jobs.Read(t.Context(), done[job.GetName()+"/tasks/"+key])
		if err != nil {
			t.Fatal(err)
		}
		want, _ := w.local(t, k, transfer.AssetOptions{Options: transfer.Options{Reach: 0.1 * float64(n+1)}})
		if !bytes.Equal(got, want) {
			t.Errorf("task %d: other bytes than here", n)
		}
	}

	// Pages of tasks, and of jobs.
	var seen []string
	for token := ""; ; {
		page, err := api.ListJobTasks(t.Context(), &pb.ListJobTasksRequest{Parent: job.GetName(), PageSize: 2, PageToken: token})
		if err != nil {
			t.Fatal(err)
		}
		for _, s := range page.GetTasks() {
			seen = append(seen, s.GetName())
		}
		if token = page.GetNextPageToken(); token == "" {
			break
		}
	}
	if len(seen) != 3 || seen[0] != job.GetName()+"/tasks/"+keys[0] {
		t.Errorf("tasks %v", seen)
	}
	if _, _, err := jobs.Create(t.Context(), "one", tasks[:1]); err != nil {
		t.Fatal(err)
	}
	count := 0
	for token := ""; ; {
		page, err := api.ListJobs(t.Context(), &pb.ListJobsRequest{PageSize: 1, PageToken: token})
		if err != nil {
			t.Fatal(err)
		}
		count += len(page.GetJobs())
		if token = page.GetNextPageToken(); token == "" {
			break
		}
	}
	if count != 2 {
		t.Errorf("%d jobs in pages, want 2", count)
	}
	if _, err := api.CancelJob(t.Context(), &pb.CancelJobRequest{Name: job.GetName()}); status.Code(err) != codes.FailedPrecondition {
		t.Errorf("error %v, want that the job has ended", err)
	}
}

func TestJobs_CancelAndRetry(t *testing.T) {
	s := start(t, server.Config{Farm: startFarm(t, true)})
	api, jobs := jobService(t, s.addr), dial(t, s.addr).Jobs()
	w := theWardrobe()
	body, err := jobs.PutAsset(t.Context(), w.body)
	if err != nil {
		t.Fatal(err)
	}
	job, _, err := jobs.Create(t.Context(), "", []*pb.JobTask{{BodySha256: body[:], GarmentSha256: body[:]}})
	if err != nil || job.GetState() != pb.JobState_JOB_STATE_QUEUED {
		t.Fatalf("%v, %v", job, err)
	}
	if job, err = api.CancelJob(t.Context(), &pb.CancelJobRequest{Name: job.GetName()}); err != nil || job.GetState() != pb.JobState_JOB_STATE_CANCELLED {
		t.Errorf("%v, %v", job, err)
	}
	if job, err = api.RetryJob(t.Context(), &pb.RetryJobRequest{Name: job.GetName()}); err != nil || job.GetState() != pb.JobState_JOB_STATE_QUEUED || job.GetGeneration() != 2 {
		t.Errorf("%v, %v", job, err)
	}
	// A watcher that leaves ends the call.
	left := errors.New("left")
	if _, err := jobs.Watch(t.Context(), job.GetName()[len("jobs/"):], func(*pb.Job, *pb.TaskStatus) error { return left }); !errors.Is(err, left) {
		t.Errorf("error %v", err)
	}
}

// TestJobs_LargestRequest: as many bytes of tasks as the client says fit into one
// message.
func TestJobs_LargestRequest(t *testing.T) {
	const message = 2 << 20
	s := start(t, server.Config{Farm: startFarm(t, true), MaxMessageBytes: message})
	jobs := dial(t, s.addr).Jobs()
	if got := jobs.MaxBytes(); got != message/2 {
		t.Errorf("%d bytes, want %d", got, message/2)
	}
	body, err := jobs.PutAsset(t.Context(), theWardrobe().body)
	if err != nil {
		t.Fatal(err)
	}
	var tasks []*pb.JobTask
	var bytes int64
	for bytes < 2*message {
		one := &pb.JobTask{BodySha256: body[:], GarmentSha256: body[:], BodyNames: slices.Repeat([]string{strings.Repeat("x", 255)}, 64), Options: &pb.Options{Reach: 0.1 + float64(len(tasks))/1024}}
		if tasks, bytes = append(tasks, one), bytes+int64(proto.Size(one)); bytes <= jobs.MaxBytes() {
			continue
		}
		if bytes-int64(proto.Size(one)) <= jobs.MaxBytes() {
			if _, _, err := jobs.Create(t.Context(), "", tasks[:len(tasks)-1]); err != nil {
				t.Errorf("%d tasks: %v", len(tasks)-1, err)
			}
		}
	}
	if _, _, err := jobs.Create(t.Context(), "", tasks); status.Code(err) != codes.ResourceExhausted {
		t.Errorf("error %v for %d bytes", err, bytes)
	}
}

// TestJobs_LargePages: however large a job's tasks are, a client with the limits of the
// gRPC library reads them page by page, each once and in order.
func TestJobs_LargePages(t *testing.T) {
	s := start(t, server.Config{Farm: startFarm(t, true)})
	jobs := dial(t, s.addr).Jobs()
	body, err := jobs.PutAsset(t.Context(), theWardrobe().body)
	if err != nil {
		t.Fatal(err)
	}
	const library = 4 << 20 // gRPC's defaultClientMaxReceiveMessageSize
	var tasks []*pb.JobTask
	for size := 0; size < library+library/2; size += proto.Size(tasks[0]) {
		one := &pb.JobTask{BodySha256: body[:], GarmentSha256: body[:], BodyNames: slices.Repeat([]string{strings.Repeat("x", 255)}, 64), Options: &pb.Options{Reach: 0.1 + float64(len(tasks))/1024}}
		tasks = append(tasks, one)
	}
	job, keys, err := jobs.Create(t.Context(), "", tasks)
	if err != nil {
		t.Fatal(err)
	}
	api, pages := jobService(t, s.addr), 0
	var seen []string
	for token := ""; ; pages++ {
		page, err := api.ListJobTasks(t.Context(), &pb.ListJobTasksRequest{Parent: job.GetName(), PageSize: farm.MaxTasks, PageToken: token})
		if err != nil {
			t.Fatal(err)
		}
		if len(page.GetTasks()) == 0 {
			t.Fatal("an empty page")
		}
		for _, s := range page.GetTasks() {
			seen = append(seen, strings.TrimPrefix(s.GetName(), job.GetName()+"/tasks/"))
		}
		if token = page.GetNextPageToken(); token == "" {
			break
		}
	}
	if pages == 0 || !slices.Equal(seen, keys) {
		t.Errorf("%d tasks in %d pages, want %d", len(seen), pages+1, len(keys))
	}
}

// TestJobs_WatchHasNoCallTime: a watch outlives the longest time of a call, and ends
// with the job or its client.
func TestJobs_WatchHasNoCallTime(t *testing.T) {
	const callTime = time.Second
	s := start(t, server.Config{Farm: startFarm(t, true), CallTime: callTime})
	api, jobs := jobService(t, s.addr), dial(t, s.addr).Jobs()
	body, err := jobs.PutAsset(t.Context(), theWardrobe().body)
	if err != nil {
		t.Fatal(err)
	}
	job, _, err := jobs.Create(t.Context(), "", []*pb.JobTask{{BodySha256: body[:], GarmentSha256: body[:]}})
	if err != nil {
		t.Fatal(err)
	}
	conn, err := grpc.NewClient(s.addr, grpc.WithTransportCredentials(insecure.NewCredentials()))
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close()
	watching, leave := context.WithCancel(t.Context())
	health, err := healthpb.NewHealthClient(conn).Watch(watching, &healthpb.HealthCheckRequest{})
	if err != nil {
		t.Fatal(err)
	}
	if _, err := health.Recv(); err != nil {
		t.Fatal(err)
	}
	healthEnded := make(chan error, 1)
	go func() { _, err := health.Recv(); healthEnded <- err }()
	stream, err := api.WatchJob(watching, &pb.WatchJobRequest{Name: job.GetName()})
	if err != nil {
		t.Fatal(err)
	}
	clientEnded := make(chan error, 1)
	go func() {
		for {
			if _, err := stream.Recv(); err != nil {
				clientEnded <- err
				return
			}
		}
	}()
	type end struct {
		job *pb.Job
		err error
	}
	jobEnded := make(chan end, 1)
	go func() {
		job, err := jobs.Watch(t.Context(), job.GetName()[len("jobs/"):], func(*pb.Job, *pb.TaskStatus) error { return nil })
		jobEnded <- end{job, err}
	}()
	select {
	case e := <-jobEnded:
		t.Fatalf("the watch ended before the job: %v, %v", e.job, e.err)
	case err := <-clientEnded:
		t.Fatalf("the watch ended before its client left: %v", err)
	case err := <-healthEnded:
		t.Fatalf("the watch of health ended: %v", err)
	case <-time.After(callTime + callTime/2):
	}
	leave()
	if err := <-clientEnded; status.Code(err) != codes.Canceled {
		t.Errorf("error %v after the client left", err)
	}
	if err := <-healthEnded; status.Code(err) != codes.Canceled {
		t.Errorf("error %v after the client left health", err)
	}
	if _, err := api.CancelJob(t.Context(), &pb.CancelJobRequest{Name: job.GetName()}); err != nil {
		t.Fatal(err)
	}
	select {
	case e := <-jobEnded:
		if e.err != nil || e.job.GetState() != pb.JobState_JOB_STATE_CANCELLED {
			t.Errorf("%v, %v", e.job, e.err)
		}
	case <-time.After(10 * time.Second):
		t.Error("the watch goes on after the job's end")
	}
}

func TestJobs_Faults(t *testing.T) {
	s := start(t, server.Config{Farm: startFarm(t, true)})
	api := jobService(t, s.addr)
	ctx := t.Context()
	none := "jobs/" + strings.Repeat("0", 32)
	hash := make([]byte, 32)
	create := func(tasks ...*pb.JobTask) error {
		_, err := api.CreateJob(ctx, &pb.CreateJobRequest{Tasks: tasks})
		return err
	}
	get := func(name string) error { _, err := api.GetJob(ctx, &pb.GetJobRequest{Name: name}); return err }
	read := func(name string) error {
		stream, err := api.ReadTaskResult(ctx, &pb.ReadTaskResultRequest{Name: name})
		if err == nil {
			_, err = stream.Recv()
		}
		return err
	}
	list := func(m *pb.ListJobsRequest) error { _, err := api.ListJobs(ctx, m); return err }
	for _, c := range []struct {
		name string
		err  error
		want codes.Code
	}{
		{"no tasks", create(), codes.InvalidArgument},
		{"no hash", create(&pb.JobTask{}), codes.InvalidArgument},
		{"bad name", create(&pb.JobTask{BodySha256: hash, GarmentSha256: hash, DisplayName: strings.Repeat("x", 300)}), codes.InvalidArgument},
		{"job", get("jobs/../x"), codes.InvalidArgument},
		{"wildcard", get("jobs/*"), codes.InvalidArgument},
		{"no job", get(none), codes.NotFound},
		{"no result", read(none + "/tasks/" + strings.Repeat("0", 64)), codes.NotFound},
		{"task", read(none), codes.InvalidArgument},
		{"page size", list(&pb.ListJobsRequest{PageSize: -1}), codes.InvalidArgument},
		{"page token", list(&pb.ListJobsRequest{PageToken: "!"}), codes.InvalidArgument},
	} {
		if status.Code(c.err) != c.want {
			t.Errorf("%s: %v, want %v", c.name, c.err, c.want)
		}
	}
	// A server without a farm has no jobs.
	if _, err := jobService(t, start(t, server.Config{}).addr).GetJob(ctx, &pb.GetJobRequest{Name: none}); status.Code(err) != codes.Unimplemented {
		t.Errorf("error %v, want unimplemented", err)
	}
}
