package client

import (
	"context"
	"errors"
	"net"
	"sync/atomic"
	"testing"
	"time"

	pb "github.com/selvage/selvage/api/selvage/v1"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
)

// followed is a server with jobs that answers as the test says.
type followed struct {
	pb.UnimplementedJobServiceServer
	calls atomic.Int32
	watch func(call int, stream grpc.ServerStreamingServer[pb.WatchJobResponse]) error
}

func (f *followed) WatchJob(_ *pb.WatchJobRequest, stream grpc.ServerStreamingServer[pb.WatchJobResponse]) error {
	return f.watch(int(f.calls.Add(1)), stream)
}

// TestJobs_WatchGoesOn: a server that is away for longer than other calls would wait, and
// away often, loses no job.
func TestJobs_WatchGoesOn(t *testing.T) {
	away := status.Error(codes.Unavailable, "away")
	job := func(done int32) *pb.WatchJobResponse {
		return &pb.WatchJobResponse{Part: &pb.WatchJobResponse_Job{Job: &pb.Job{DoneCount: done}}}
	}
	for _, c := range []struct {
		name  string
		watch func(call int, stream grpc.ServerStreamingServer[pb.WatchJobResponse]) error
		want  int32 // calls
		done  int32
		code  codes.Code
	}{
		{"away for a while", func(call int, stream grpc.ServerStreamingServer[pb.WatchJobResponse]) error {
			if call < 7 { // other calls are tried twice
				return away
			}
			return stream.Send(job(3))
		}, 7, 3, codes.OK},
		{"away again and again", func(call int, stream grpc.ServerStreamingServer[pb.WatchJobResponse]) error {
			if err := stream.Send(job(int32(call))); err != nil || call == 30 {
				return err
			}
			return away
		}, 30, 30, codes.OK},
		{"away for good", func(call int, stream grpc.ServerStreamingServer[pb.WatchJobResponse]) error {
			if call == 1 {
				if err := stream.Send(job(1)); err != nil {
					return err
				}
			}
			return away
		}, 16, 0, codes.Unavailable},
		{"no such job", func(int, grpc.ServerStreamingServer[pb.WatchJobResponse]) error {
			return status.Error(codes.NotFound, "none")
		}, 1, 0, codes.NotFound},
	} {
		t.Run(c.name, func(t *testing.T) {
			l, err := net.Listen("tcp", "127.0.0.1:0")
			if err != nil {
				t.Fatal(err)
			}
			f := &followed{watch: c.watch}
			g := grpc.NewServer()
			pb.RegisterSelvageServiceServer(g, &scripted{})
			pb.RegisterJobServiceServer(g, f)
			go g.Serve(l)
			t.Cleanup(g.Stop)
			client, err := Dial(t.Context(), l.Addr().String(), WithRetry(Retry{Attempts: 2, First: time.Millisecond, Longest: 2 * time.Millisecond}))
			if err != nil {
				t.Fatal(err)
			}
			defer client.Close()
			got, err := client.Jobs().Watch(t.Context(), "a", func(*pb.Job, *pb.TaskStatus) error { return nil })
			if status.Code(err) != c.code || got.GetDoneCount() != c.done || f.calls.Load() != c.want {
				t.Errorf("%v done after %d calls, %v; want %d after %d, %v", got.GetDoneCount(), f.calls.Load(), err, c.done, c.want, c.code)
			}
		})
	}
}

// TestJobs_WatchEnds: what tell says, and the context, end it at once.
func TestJobs_WatchEnds(t *testing.T) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	f := &followed{watch: func(_ int, stream grpc.ServerStreamingServer[pb.WatchJobResponse]) error {
		if err := stream.Send(&pb.WatchJobResponse{Part: &pb.WatchJobResponse_Job{Job: &pb.Job{}}}); err != nil {
			return err
		}
		return status.Error(codes.Unavailable, "away")
	}}
	g := grpc.NewServer()
	pb.RegisterSelvageServiceServer(g, &scripted{})
	pb.RegisterJobServiceServer(g, f)
	go g.Serve(l)
	t.Cleanup(g.Stop)
	client, err := Dial(t.Context(), l.Addr().String(), quick)
	if err != nil {
		t.Fatal(err)
	}
	defer client.Close()
	enough := errors.New("enough")
	if _, err := client.Jobs().Watch(t.Context(), "a", func(*pb.Job, *pb.TaskStatus) error { return enough }); !errors.Is(err, enough) || f.calls.Load() != 1 {
		t.Errorf("%v after %d calls", err, f.calls.Load())
	}
	ctx, cancel := context.WithCancel(t.Context())
	if _, err := client.Jobs().Watch(ctx, "a", func(*pb.Job, *pb.TaskStatus) error { cancel(); return nil }); !errors.Is(err, context.Canceled) {
		t.Errorf("%v", err)
	}
}
