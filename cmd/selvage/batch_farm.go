package main

import (
	"context"
	"crypto/sha256"
	"errors"
	"fmt"
	"log/slog"
	"os"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"time"

	"github.com/selvage/selvage/api/convert"
	pb "github.com/selvage/selvage/api/selvage/v1"
	"github.com/selvage/selvage/client"
	"github.com/selvage/selvage/client/wardrobe"
	"github.com/selvage/selvage/server/farm"
	"github.com/spf13/pflag"
	"golang.org/x/sync/errgroup"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"
)

// batchFarm computes a wardrobe on a farm: --farm on this machine's own, with a
// worker in this process; --nats on one of many machines; --server on that of a
// server.
type batchFarm struct {
	place  farmPlace
	server remote
	here   bool
	leave  bool
	set    *pflag.FlagSet // the command's flags
}

// jobTaker takes jobs: *farm.Farm through directFarm, and *client.Jobs.
type jobTaker interface {
	PutAsset(ctx context.Context, data []byte) ([sha256.Size]byte, error)
	Create(ctx context.Context, displayName string, tasks []*pb.JobTask) (*pb.Job, []string, error)
	Retry(ctx context.Context, id string) (*pb.Job, error)
	Cancel(ctx context.Context, id string) (*pb.Job, error)
	Watch(ctx context.Context, id string, tell func(*pb.Job, *pb.TaskStatus) error) (*pb.Job, error)
	Read(ctx context.Context, s *pb.TaskStatus) (asset, record []byte, err error)
}

type directFarm struct{ *farm.Farm }

func (d directFarm) Read(ctx context.Context, s *pb.TaskStatus) (asset, record []byte, err error) {
	if asset, err = d.Farm.Read(ctx, s.GetResult()); err != nil {
		return nil, nil, err
	}
	record, err = d.ReadRecord(ctx, s.GetResult())
	return asset, record, err
}

func (b *batchFarm) flags(f *pflag.FlagSet) {
	f.BoolVar(&b.here, "farm", false, "compute on this machine's farm, together with every selvage work that runs here")
	b.place.flags(f)
	addRemoteFlags(f, &b.server)
	f.BoolVar(&b.leave, "leave", false, "with --farm, --nats or --server: wait for the results and leave them in the farm's store; prints their work keys and writes no garment (the same call without --leave fetches them)")
	b.set = f
	f.Lookup("server").Usage = "HOST:PORT of a server with a farm (selvage serve --farm, or --nats)"
}

func (b *batchFarm) open(ctx context.Context) (wardrobe.Executor, func(), error) {
	asked := 0
	for _, x := range []bool{b.here, b.place.config.URL != "", b.server.address != ""} {
		if x {
			asked++
		}
	}
	if b.leave {
		if asked == 0 {
			return nil, nil, usageError{errors.New("--leave is for results on a farm: give --farm, --nats or --server too")}
		}
		for _, name := range []string{"watch", "strict", "report"} {
			if b.set.Changed(name) {
				return nil, nil, usageError{fmt.Errorf("--leave writes no garment that --%s could look at: give one of them", name)}
			}
		}
	}
	switch {
	case asked == 0:
		return nil, nil, nil
	case asked > 1:
		return nil, nil, usageError{errors.New("--farm, --nats and --server are three places: give one of them")}
	case b.server.address != "":
		return b.openServer(ctx)
	}
	f, end, err := b.place.open(ctx, slog.New(slog.DiscardHandler), false)
	if err != nil {
		return nil, nil, farmUsage(err)
	}
	e := &farmExecutor{farm: directFarm{f}, most: mostRequest, left: b.newLeft(), stop: b.stops()}
	end = e.left.before(end)
	if b.here {
		w, err := farm.NewWorker(f, farm.WorkerConfig{})
		if err != nil {
			end()
			return nil, nil, err
		}
		spareProcessor()
		working, stop := context.WithCancel(context.WithoutCancel(ctx))
		var wg sync.WaitGroup
		wg.Go(func() { _ = w.Run(working) }) // returns nil after a stop
		return e, func() { stop(); wg.Wait(); end() }, nil
	}
	return e, end, nil
}

func (b *batchFarm) openServer(ctx context.Context) (wardrobe.Executor, func(), error) {
	options, err := b.server.options()
	if err != nil {
		return nil, nil, err
	}
	c, err := client.Dial(ctx, b.server.address, options...)
	if err != nil {
		return nil, nil, b.server.explain(err)
	}
	jobs := c.Jobs()
	// Other errors may pass until the work is handed in, and show there if not.
	if has, err := jobs.HasFarm(ctx); err == nil && !has {
		c.Close()
		return nil, nil, fmt.Errorf("the server at %s has no farm that a batch could be computed on: start it with selvage serve --farm, or with --nats for one of many machines (see selvage serve --help)", b.server.address)
	}
	e := &farmExecutor{farm: jobs, most: min(mostRequest, jobs.MaxBytes()), room: jobs.StoreBytes(), explain: b.server.explain, left: b.newLeft(), stop: b.stops()}
	return e, e.left.before(func() { c.Close() }), nil
}

// stops reports whether the first failure ends the run.
func (b *batchFarm) stops() bool {
	goOn, err := b.set.GetBool("keep-going")
	return err == nil && !goOn
}

// mostRequest is how many bytes of tasks go into one job: half of what a server takes
// in one message, unless it is set otherwise.
const mostRequest = 4 << 20

// farmExecutor hands tasks to a farm and fetches their results.
type farmExecutor struct {
	farm    jobTaker
	most    int64             // bytes of the tasks of one job
	explain func(error) error // of a server's errors; may be nil
	room    int64             // bytes of files that the store on the way keeps; 0: any number
	left    *leftResults      // nil: results are fetched
	stop    bool              // the first failure ends the run, and its jobs
	note    func(farmNote)    // nil: nobody listens
}

// Run hands the tasks in as jobs and waits for them. When ctx ends the farm goes
// on, unless a failure was to end the run; the same tasks handed in again join what is
// there.
func (e *farmExecutor) Run(ctx context.Context, tasks []*wardrobe.Task, emit func(wardrobe.Event)) error {
	// Whoever is told of a failure that is to end the run ends ctx at once.
	var failed atomic.Bool
	tell := func(v wardrobe.Event) {
		before := ctx.Err()
		emit(v)
		if e.stop && before == nil && ctx.Err() != nil {
			failed.Store(true)
		}
	}
	g, ctx := errgroup.WithContext(ctx)
	g.SetLimit(4)
	files := &uploads{list: map[string]*upload{}}
	for part := range slices.Chunk(tasks, farm.MaxTasks) {
		g.Go(func() error { return e.run(ctx, part, files, &failed, tell) })
	}
	err := g.Wait()
	if err != nil && e.explain != nil {
		err = e.explain(err)
	}
	return err
}

// entrusted is a task on the farm.
type entrusted struct {
	task    *wardrobe.Task
	files   []*upload     // body, garment, those beneath, the artist's garment
	garment *client.Asset // without its bytes
	from    *wardrobe.PassFiles
	fault   error // the pass's files cannot be read
	settled bool  // it has failed
}

func (e *farmExecutor) run(ctx context.Context, tasks []*wardrobe.Task, files *uploads, failed *atomic.Bool, emit func(wardrobe.Event)) error {
	rest := make([]*entrusted, len(tasks))
	for k, t := range tasks {
		p := &entrusted{task: t}
		for _, x := range []*wardrobe.Source{t.Body, t.Garment} { // a body is a file like any other
			size := int64(0)
			for _, s := range x.Files {
				size += max(0, s.Size)
			}
			p.files = append(p.files, files.of(x.File, size))
		}
		for _, below := range t.Inner {
			p.files = append(p.files, files.of(below.Output, sizeOf(below.Output)))
		}
		if t.Pass != nil {
			if p.from, p.fault = t.OpenPass(); p.fault == nil && p.from.Current != "" {
				p.files = append(p.files, files.of(p.from.Current, sizeOf(p.from.Current)))
			}
		}
		rest[k] = p
	}
	g, ctx := errgroup.WithContext(ctx)
	hand := func() error {
		for len(rest) > 0 {
			more, err := e.next(ctx, &rest, files, emit)
			if err != nil {
				return err
			}
			for _, j := range more {
				g.Go(func() error { return e.follow(ctx, j, failed, emit) })
			}
		}
		return nil
	}
	g.Go(hand)
	return g.Wait()
}

// sizeOf is the size of a file, 0 where there is none.
func sizeOf(file string) int64 {
	info, err := os.Stat(file)
	if err != nil {
		return 0
	}
	return info.Size()
}

// next hands in as many of the tasks as the store of the server, through which all files
// go to the farm, has room for at once, takes them from the list, and returns the jobs.
func (e *farmExecutor) next(ctx context.Context, rest *[]*entrusted, files *uploads, emit func(wardrobe.Event)) ([]*handed, error) {
	if e.room > 0 {
		files.turn.Lock() // the room is for one at a time
		defer files.turn.Unlock()
	}
	part, later := e.fill(*rest)
	*rest = later
	if len(part) == 0 { // not even one has room, and nothing that is to come makes some
		for _, p := range later {
			emit(wardrobe.Event{Task: p.task, Kind: wardrobe.Failed, Err: &roomError{p.bytes(nil), e.room}})
		}
		*rest = nil
		return nil, nil
	}
	var jobs []*handed
	for attempt := 0; ; attempt++ {
		var err error
		if jobs, err = e.hand(ctx, part, files, attempt > 0, emit); err == nil {
			break
		}
		// Assets of others may have taken their place meanwhile.
		if e.room == 0 || attempt == handTries || status.Code(err) != codes.NotFound {
			return nil, err
		}
		part = slices.DeleteFunc(part, func(p *entrusted) bool { return p.settled })
	}
	for _, p := range part {
		for _, u := range p.files {
			if e.room > 0 && !p.settled {
				u.handed = true
			}
		}
	}
	return jobs, nil
}

// handTries is how often files are uploaded once more that the server has dropped before
// their job was handed in.
const handTries = 3

// fill takes tasks from a list whose files have room in the server's store together, and
// returns those that have not. With half of it others may upload beside.
func (e *farmExecutor) fill(list []*entrusted) (part, later []*entrusted) {
	if e.room == 0 {
		return list, nil
	}
	with, total := map[*upload]bool{}, int64(0)
	full := false
	for _, p := range list {
		n := p.bytes(with)
		if full || total+n > e.room/2 && (total > 0 || n > e.room) {
			// A larger one may have room once its body is on the farm.
			full = full || n <= e.room
			later = append(later, p)
			continue
		}
		total += n
		part = append(part, p)
		for _, u := range p.files {
			with[u] = true
		}
	}
	return part, later
}

// bytes of a task's files that are not on the farm, and not among others.
func (p *entrusted) bytes(with map[*upload]bool) (n int64) {
	seen := map[*upload]bool{}
	for _, u := range p.files {
		if !u.handed && !with[u] && !seen[u] {
			seen[u] = true
			n += u.size
		}
	}
	if p.from != nil {
		n += int64(len(p.from.Record))
	}
	return n
}

// roomError says that a task's files never have room in the server's store.
type roomError struct{ needs, room int64 }

func (e *roomError) Error() string {
	return fmt.Sprintf("its files have %d bytes, and the server keeps %d at once: it needs a larger --store-bytes", e.needs, e.room)
}

// hand uploads the files of tasks, again where that was done before, and hands them in.
func (e *farmExecutor) hand(ctx context.Context, tasks []*entrusted, files *uploads, again bool, emit func(wardrobe.Event)) ([]*handed, error) {
	sent := map[*upload]bool{}
	sending, ending := errgroup.WithContext(ctx)
	sending.SetLimit(8)
	for _, p := range tasks {
		for _, u := range p.files {
			if !sent[u] && !u.handed {
				sent[u] = true
				sending.Go(func() error { return u.put(ending, e.farm, again) })
			}
		}
	}
	if err := sending.Wait(); err != nil {
		return nil, err
	}
	var list []*pb.JobTask
	var ready []entrusted
	for _, p := range tasks {
		m, err := e.message(ctx, p, files)
		var gone *storeError
		if errors.As(err, &gone) {
			return nil, gone.error
		}
		if err != nil {
			p.settled = true
			emit(wardrobe.Event{Task: p.task, Kind: wardrobe.Failed, Err: err})
			continue
		}
		list, ready = append(list, m), append(ready, *p)
	}
	var parts []*handed
	for first := 0; first < len(list); {
		end := first + fitting(list[first:], e.most)
		parts = append(parts, &handed{tasks: list[first:end], sent: ready[first:end]})
		first = end
	}
	g, ctx := errgroup.WithContext(ctx)
	g.SetLimit(4)
	for _, j := range parts {
		g.Go(func() (err error) {
			j.job, j.keys, err = e.farm.Create(ctx, tasks[0].task.Body.Name, j.tasks)
			j.tasks = nil
			return err
		})
	}
	return parts, g.Wait()
}

// message is a task as the farm has it; its files have been put.
func (e *farmExecutor) message(ctx context.Context, p *entrusted, files *uploads) (*pb.JobTask, error) {
	t := p.task
	for _, u := range p.files {
		if u.fault != nil {
			return nil, u.fault
		}
	}
	if p.fault != nil {
		return nil, p.fault
	}
	body, garment := p.files[0].asset, p.files[1].asset
	p.garment = garment
	sum, bodySum := garment.Sum(), body.Sum()
	m := &pb.JobTask{
		DisplayName: t.Name, BodySha256: bodySum[:], GarmentSha256: sum[:], BodyDisplayName: body.Name(), GarmentDisplayName: garment.Name(),
		BodyNames: t.Body.Meshes, Options: t.Message,
	}
	for k := range t.Inner {
		x := p.files[2+k].asset
		sum := x.Sum()
		m.Layers = append(m.Layers, &pb.JobLayer{Sha256: sum[:], DisplayName: x.Name()})
	}
	var err error
	if p.from != nil {
		m.Pass, err = e.pass(ctx, t, p.from, files)
	}
	return m, err
}

// fitting is how many of the first tasks make a request of most bytes; one at least.
func fitting(list []*pb.JobTask, most int64) int {
	const frame = 8 // a field's tag and length
	size := int64(0)
	for n, t := range list {
		if size += int64(proto.Size(t)) + frame; size > most && n > 0 {
			return n
		}
	}
	return len(list)
}

// handed is a job that was handed in.
type handed struct {
	tasks []*pb.JobTask // until then
	sent  []entrusted   // by task
	job   *pb.Job
	keys  []string // by task
}

// follow waits for a job.
func (e *farmExecutor) follow(ctx context.Context, j *handed, failed *atomic.Bool, emit func(wardrobe.Event)) (err error) {
	job := j.job
	id := strings.TrimPrefix(job.GetName(), "jobs/")
	defer func() {
		if failed.Load() {
			e.cancel(context.WithoutCancel(ctx), id)
		}
	}()
	if farm.Ended(job.GetState()) { // of a run before: its failures get another chance
		if job, err = e.farm.Retry(ctx, id); err != nil {
			return err
		}
	}
	e.say(farmNote{Event: "job", Job: id, Tasks: int(job.GetTaskCount())})
	w := e.waiting(id, int(job.GetTaskCount()))
	defer w.end()
	byKey := map[string][]entrusted{}
	for i, key := range j.keys {
		byKey[key] = append(byKey[key], j.sent[i])
	}
	fetch, fetching := errgroup.WithContext(ctx)
	fetch.SetLimit(4)
	fetched := map[string]bool{} // told again where a watch began anew
	last, err := e.farm.Watch(ctx, id, func(_ *pb.Job, s *pb.TaskStatus) error {
		if s == nil || fetching.Err() != nil {
			return fetching.Err()
		}
		if s.GetGeneration() >= job.GetGeneration() || s.GetState() == pb.TaskState_TASK_STATE_DONE {
			w.hear(s)
		}
		key := s.GetName()[strings.LastIndexByte(s.GetName(), '/')+1:]
		switch {
		case fetched[key]:
		case s.GetState() == pb.TaskState_TASK_STATE_DONE:
			fetched[key] = true
			if e.left != nil {
				e.left.add(id, s, byKey[key])
				for _, x := range byKey[key] {
					emit(wardrobe.Event{Task: x.task, Kind: wardrobe.Left, Where: s.GetWorker()})
				}
				return nil
			}
			fetch.Go(func() error { return e.fetch(fetching, s, byKey[key], emit) })
		case s.GetGeneration() < job.GetGeneration():
		case s.GetState() == pb.TaskState_TASK_STATE_RUNNING:
			for _, x := range byKey[key] {
				emit(wardrobe.Event{Task: x.task, Kind: wardrobe.Started, Where: s.GetWorker()})
			}
		case s.GetState() == pb.TaskState_TASK_STATE_FAILED:
			for _, x := range byKey[key] {
				emit(wardrobe.Event{Task: x.task, Kind: wardrobe.Failed, Err: errors.New(s.GetError()), Where: s.GetWorker()})
			}
		}
		return nil
	})
	if e := fetch.Wait(); e != nil {
		return e
	}
	if err != nil {
		return err
	}
	if last.GetState() == pb.JobState_JOB_STATE_CANCELLED {
		return fmt.Errorf("job %s was cancelled", id)
	}
	return nil
}

// cancel ends a job of a run that was ended by a failure.
func (e *farmExecutor) cancel(ctx context.Context, id string) {
	ctx, end := context.WithTimeout(ctx, 10*time.Second)
	defer end()
	if _, err := e.farm.Cancel(ctx, id); err != nil && !errors.Is(err, farm.ErrEnded) && status.Code(err) != codes.FailedPrecondition {
		e.say(farmNote{Event: "held", Job: id, Why: "the job goes on, it could not be cancelled: " + err.Error()})
	}
}

// storeError is an error of the farm's store, which no task is to blame for.
type storeError struct{ error }

// pass puts what a task's pass starts from into the store, but for the artist's
// garment, which is there, and says what it is.
func (e *farmExecutor) pass(ctx context.Context, t *wardrobe.Task, from *wardrobe.PassFiles, files *uploads) (*pb.JobPass, error) {
	policy, err := convert.PolicyToProto(&t.Pass.Policy, nil)
	if err != nil {
		return nil, err
	}
	p := &pb.JobPass{CurrentIsGuess: from.Guess, Policy: policy, Program: t.Pass.Program}
	garment, body, err := t.FileSums()
	if err != nil {
		return nil, err
	}
	p.GarmentSha256, p.BodySha256 = garment[:], body[:]
	if from.Record != nil {
		sum, err := e.farm.PutAsset(ctx, from.Record)
		if err != nil {
			return nil, &storeError{err}
		}
		p.RecordSha256 = sum[:]
	}
	if from.Current != "" {
		x := files.of(from.Current, 0)
		if x.fault != nil {
			return nil, x.fault
		}
		sum := x.asset.Sum()
		p.CurrentSha256 = sum[:]
	}
	return p, nil
}

// uploads are the files of a run, each of which goes into the farm's store once,
// however many tasks and jobs it is in.
type uploads struct {
	mu   sync.Mutex
	list map[string]*upload

	turn sync.Mutex // of who uploads and hands in, where the server's store has bounds
}

// upload is one of them.
type upload struct {
	file string
	size int64 // bytes, at most

	handed bool // a job that needs it was handed in: it is on the farm; with uploads.turn

	mu    sync.Mutex
	asset *client.Asset // without its bytes; nil: not yet
	fault error         // the file cannot be read
}

func (u *uploads) of(file string, size int64) *upload {
	u.mu.Lock()
	defer u.mu.Unlock()
	x, ok := u.list[file]
	if !ok {
		x = &upload{file: file, size: size}
		u.list[file] = x
	}
	return x
}

// put reads the file and puts it into the store, unless that is done and not to be done
// again. Its error is the store's.
func (u *upload) put(ctx context.Context, to jobTaker, again bool) error {
	u.mu.Lock()
	defer u.mu.Unlock()
	if u.asset != nil && !again || u.fault != nil {
		return nil
	}
	a, err := client.OpenAsset(u.file)
	if err != nil {
		u.fault = err
		return nil
	}
	if _, err := to.PutAsset(ctx, a.Bytes()); err != nil {
		return err
	}
	u.asset = a.WithoutBytes()
	return nil
}

// fetch gets a result and emits it for every task that it belongs to.
func (e *farmExecutor) fetch(ctx context.Context, s *pb.TaskStatus, to []entrusted, emit func(wardrobe.Event)) error {
	r := s.GetResult()
	data, record, err := e.farm.Read(ctx, s)
	if err != nil {
		return err
	}
	summary := convert.SummaryFromProto(r.GetSummary())
	for _, x := range to {
		result := &wardrobe.Result{
			Output: client.NewResult(x.garment, data, summary), Summary: summary, Elapsed: time.Duration(r.GetSummary().GetTotalSeconds() * float64(time.Second)),
		}
		if x.from != nil {
			edits := convert.PassSummaryFromProto(r.GetPass())
			result.Record, result.Pass, result.Conflicts, result.From = record, &edits, int(r.GetPassConflicts()), x.from
		}
		emit(wardrobe.Event{Task: x.task, Kind: wardrobe.Done, Where: s.GetWorker(), Result: result})
	}
	return nil
}
