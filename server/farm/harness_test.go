package farm

import (
	"bytes"
	"context"
	"crypto/sha256"
	"fmt"
	"io"
	"log/slog"
	"math"
	"sync"
	"testing"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	pb "github.com/selvage/selvage/api/selvage/v1"
	"github.com/selvage/selvage/transfer"
	"github.com/selvage/selvage/transfer/crew"
	"github.com/selvage/selvage/transfer/gltfio"
)

// scene is a small body and a garment that variants are made of, with what a
// transfer here makes of each.
type scene struct {
	body     []byte
	garment  []byte
	prepared *transfer.AssetBody
}

var theScene = sync.OnceValue(func() *scene {
	member := crew.NewBodyAt("mate", 0.3)
	s := &scene{body: glb(member.WriteGLB), garment: glb(member.GarmentAt("gloves", 0.3).WriteGLB)}
	asset, err := gltfio.Parse(s.body, "body", gltfio.Options{})
	if err != nil {
		panic(err)
	}
	if s.prepared, err = transfer.PrepareAsset(context.Background(), asset, gltfio.Selection{}, 1); err != nil {
		panic(err)
	}
	return s
})

func glb(write func(io.Writer) error) []byte {
	var b bytes.Buffer
	if err := write(&b); err != nil {
		panic(err)
	}
	return b.Bytes()
}

// local is what a transfer in this process gives for the garment under options.
func (s *scene) local(t testing.TB, garment []byte, o transfer.AssetOptions) []byte {
	t.Helper()
	asset, err := gltfio.Parse(garment, "garment", gltfio.Options{})
	if err != nil {
		t.Fatal(err)
	}
	out, _, err := s.prepared.Transfer(t.Context(), asset, o)
	if err != nil {
		t.Fatal(err)
	}
	return glb(out.Encode)
}

// reach of variant k: different for each, so that each has a result of its own.
func reach(k int) float64 { return 0.1 + float64(k)*math.Ldexp(1, -12) }

// variants are n tasks on the scene's garment.
func (s *scene) variants(t testing.TB, f *Farm, n int) []*pb.JobTask {
	t.Helper()
	body, err := f.PutAsset(t.Context(), s.body)
	if err != nil {
		t.Fatal(err)
	}
	garment, err := f.PutAsset(t.Context(), s.garment)
	if err != nil {
		t.Fatal(err)
	}
	var tasks []*pb.JobTask
	for k := range n {
		tasks = append(tasks, &pb.JobTask{
			DisplayName: fmt.Sprintf("mate/gloves %d", k), BodySha256: body[:], GarmentSha256: garment[:], Options: &pb.Options{Reach: reach(k), Registration: pb.Switch_SWITCH_OFF},
		})
	}
	return tasks
}

func quiet() *slog.Logger { return slog.New(slog.NewTextHandler(io.Discard, nil)) }

// open opens the farm of a folder of the test's own.
func open(t testing.TB, folder string, c Config) *Farm {
	t.Helper()
	e, err := OpenEmbedded(t.Context(), folder, 0, nil)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(e.Close)
	if c.Log == nil {
		c.Log = quiet()
	}
	if c, err = e.Configure(c); err != nil {
		t.Fatal(err)
	}
	f, err := Open(t.Context(), c)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(f.Close)
	return f
}

// work runs a worker until stop or the test's end.
func work(t testing.TB, f *Farm, c WorkerConfig) (w *Worker, stop func()) {
	t.Helper()
	w, err := NewWorker(f, c)
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	ended := make(chan error, 1)
	go func() { ended <- w.Run(ctx) }()
	stop = sync.OnceFunc(func() {
		cancel()
		if err := <-ended; err != nil {
			t.Errorf("worker: %v", err)
		}
	})
	t.Cleanup(stop)
	return w, stop
}

// create hands in a job.
func create(t testing.TB, f *Farm, tasks []*pb.JobTask) (id string, keys []string) {
	t.Helper()
	job, keys, err := f.Create(t.Context(), "test", tasks)
	if err != nil {
		t.Fatal(err)
	}
	return job.GetName()[len("jobs/"):], keys
}

// finish waits for a job's end.
func finish(t testing.TB, f *Farm, id string) *pb.Job {
	t.Helper()
	ctx, cancel := context.WithTimeout(t.Context(), time.Minute)
	defer cancel()
	job, err := f.Watch(ctx, id, func(*pb.Job, *pb.TaskStatus) error { return nil })
	if err != nil {
		t.Fatal(err)
	}
	return job
}

func sumOf(data []byte) [sha256.Size]byte { return sha256.Sum256(data) }

// counted is the value of a worker's counter, with the one label or without.
func counted(t testing.TB, w *Worker, name, label string) float64 {
	t.Helper()
	r := prometheus.NewRegistry()
	r.MustRegister(w.Collectors()...)
	families, err := r.Gather()
	if err != nil {
		t.Fatal(err)
	}
	for _, f := range families {
		for _, m := range f.GetMetric() {
			if f.GetName() == name && (label == "" || m.GetLabel()[0].GetValue() == label) {
				return m.GetCounter().GetValue()
			}
		}
	}
	return 0
}
