package farm

import (
	"bytes"
	"crypto/sha256"
	"errors"
	"strings"
	"testing"

	"github.com/selvage/selvage/api/convert"
	pb "github.com/selvage/selvage/api/selvage/v1"
	"github.com/selvage/selvage/transfer"
	"github.com/selvage/selvage/transfer/crew"
	"github.com/selvage/selvage/transfer/gltfio"
	"github.com/selvage/selvage/transfer/pass"
	"github.com/selvage/selvage/transfer/weights"
	"google.golang.org/protobuf/proto"
)

func parse(t testing.TB, data []byte, name string) *gltfio.Asset {
	t.Helper()
	a, err := gltfio.Parse(data, name, gltfio.Options{})
	if err != nil {
		t.Fatal(err)
	}
	return a
}

// repainted gives part of every fifth row to joint 1, as an artist would.
func repainted(t testing.TB, data []byte, share float64) []byte {
	t.Helper()
	a := parse(t, data, "artist")
	s, read, err := pass.ReadSurface(t.Context(), a, gltfio.Selection{})
	if err != nil {
		t.Fatal(err)
	}
	acc, rows := weights.NewAccumulator(len(s.Joints)), weights.NewRows(0)
	for v := range s.Mesh.Positions {
		x := 0.0
		if v%5 == 0 {
			x = share
			acc.Add(1, x)
		}
		acc.AddRow(s.Rows, v, 1-x)
		acc.FlushNormalised(rows)
	}
	if rows, _, err = weights.Finish(rows, weights.FinishOptions{MaxInfluences: 4}); err != nil {
		t.Fatal(err)
	}
	b, _, err := a.WithOwnRows(read, gltfio.Output{Rows: rows})
	if err != nil {
		t.Fatal(err)
	}
	return glb(b.Encode)
}

func put(t testing.TB, f *Farm, data []byte) []byte {
	t.Helper()
	sum, err := f.PutAsset(t.Context(), data)
	if err != nil {
		t.Fatal(err)
	}
	return sum[:]
}

// TestFarm_Passes: three passes with edits in between, over a layer, give the
// garments, records and summaries of this process.
func TestFarm_Passes(t *testing.T) {
	f := open(t, t.TempDir(), Config{Version: "v1.0.0"})
	work(t, f, WorkerConfig{})
	s := theScene()
	under := s.local(t, glb(crew.NewBodyAt("mate", 0.3).GarmentAt("jersey", 0.3).WriteGLB), transfer.AssetOptions{})
	worn, err := s.prepared.WithLayers(t.Context(), []*gltfio.Asset{parse(t, under, "jersey")}, 1)
	if err != nil {
		t.Fatal(err)
	}
	garmentSum, bodySum := sha256.Sum256([]byte("garment's file")), sha256.Sum256([]byte("body's file"))
	policy := pass.Policy{Default: pass.KeepChange}
	packedPolicy, err := convert.PolicyToProto(&policy, nil)
	if err != nil {
		t.Fatal(err)
	}
	var record, current []byte
	var tasks []*pb.JobTask
	for round := range 3 {
		opt := optionsOf(round)
		opt.LockBlend = 0.01
		opt.Lock = []string{"near:hand*:0.02"}
		message, err := convert.OptionsToProto(opt)
		if err != nil {
			t.Fatal(err)
		}
		in := pass.Input{Garment: "gloves.glb", From: parse(t, s.garment, "gloves.glb"), Options: opt, Policy: policy, Program: "v9", GarmentSum: garmentSum, BodySum: bodySum}
		task := &pb.JobTask{
			DisplayName: "mate/gloves", BodySha256: put(t, f, s.body), GarmentSha256: put(t, f, s.garment), GarmentDisplayName: "gloves.glb", Options: message,
			Pass:   &pb.JobPass{Policy: packedPolicy, Program: "v9", GarmentSha256: garmentSum[:], BodySha256: bodySum[:]},
			Layers: []*pb.JobLayer{{Sha256: put(t, f, under), DisplayName: "jersey"}},
		}
		if record != nil {
			if in.Record, err = convert.UnpackPass(record); err != nil {
				t.Fatal(err)
			}
			in.Current = parse(t, current, "current")
			task.Pass.RecordSha256, task.Pass.CurrentSha256 = put(t, f, record), put(t, f, current)
		}
		want, packed, err := convert.TransferPass(t.Context(), worn, in)
		if err != nil {
			t.Fatal(err)
		}
		id, keys := create(t, f, []*pb.JobTask{task})
		if job := finish(t, f, id); job.GetState() != pb.JobState_JOB_STATE_DONE {
			t.Fatalf("%v: %v", job, status(t, f, id))
		}
		data, result, err := f.Result(t.Context(), id, keys[0])
		if err != nil {
			t.Fatal(err)
		}
		got, err := f.ReadRecord(t.Context(), result)
		if err != nil {
			t.Fatal(err)
		}
		if !bytes.Equal(data, glb(want.Asset.Encode)) || !bytes.Equal(got, packed) {
			t.Errorf("round %d: garment or record are not as here", round)
		}
		if x := result.GetPass(); int(x.GetEdited()) != want.Summary.Edited || int(x.GetKept()) != want.Summary.Kept || int(x.GetConflict()) != want.Summary.Conflict || round > 0 && x.GetEdited() == 0 {
			t.Errorf("round %d: %v, want %+v", round, x, want.Summary)
		}
		record, current = got, repainted(t, data, 0.2+0.1*float64(round))
		tasks = append(tasks, task)
	}

	// All that decides a result is in its key.
	last := tasks[2]
	key, err := workKey(last, "v1.0.0")
	if err != nil {
		t.Fatal(err)
	}
	seen := map[string]string{key: "the task itself"}
	for name, change := range map[string]func(*pb.JobTask){
		"no pass":      func(t *pb.JobTask) { t.Pass = nil },
		"no record":    func(t *pb.JobTask) { t.Pass.RecordSha256 = nil },
		"other record": func(t *pb.JobTask) { t.Pass.RecordSha256[0]++ },
		"current":      func(t *pb.JobTask) { t.Pass.CurrentSha256[0]++ },
		"guess":        func(t *pb.JobTask) { t.Pass.CurrentIsGuess = true },
		"policy":       func(t *pb.JobTask) { t.Pass.Policy = nil },
		"program":      func(t *pb.JobTask) { t.Pass.Program = "v8" },
		"garment sum":  func(t *pb.JobTask) { t.Pass.GarmentSha256 = nil },
		"body sum":     func(t *pb.JobTask) { t.Pass.BodySha256 = nil },
		"name":         func(t *pb.JobTask) { t.GarmentDisplayName = "mitts.glb" },
		"no layer":     func(t *pb.JobTask) { t.Layers = nil },
		"other layer":  func(t *pb.JobTask) { t.Layers[0].Sha256[0]++ },
		"two layers":   func(t *pb.JobTask) { t.Layers = append(t.Layers, t.Layers[0]) },
		"locks":        func(t *pb.JobTask) { t.Options.Lock = nil },
	} {
		other := proto.Clone(last).(*pb.JobTask)
		change(other)
		key, err := workKey(other, "v1.0.0")
		if err != nil {
			t.Fatal(err)
		}
		if before, ok := seen[key]; ok {
			t.Errorf("%s: the key of %s", name, before)
		}
		seen[key] = name
	}
	other := proto.Clone(last).(*pb.JobTask)
	other.DisplayName, other.BodyDisplayName, other.Layers[0].DisplayName, other.Options.Threads = "a", "b", "c", 7
	if again, err := workKey(other, "v1.0.0"); err != nil || again != key {
		t.Errorf("names in messages and threads change the key: %v", err)
	}

	// A result whose record is gone is made anew, with the same bytes.
	id, keys := create(t, f, tasks[2:])
	_, before, err := f.Result(t.Context(), id, keys[0])
	if err != nil {
		t.Fatal(err)
	}
	if err := f.results.store.Delete(t.Context(), recordName(keys[0])); err != nil {
		t.Fatal(err)
	}
	if r, err := f.found(t.Context(), keys[0]); r != nil || err != nil {
		t.Errorf("a result without its record counts as there: %v, %v", r, err)
	}
	if _, err := f.Retry(t.Context(), id); err != nil {
		t.Fatal(err)
	}
	finish(t, f, id)
	_, after, err := f.Result(t.Context(), id, keys[0])
	if err != nil || !bytes.Equal(after.GetSha256(), before.GetSha256()) || !bytes.Equal(after.GetRecordSha256(), before.GetRecordSha256()) {
		t.Errorf("%v, %v; was %v", after, err, before)
	}
	if record, err := f.ReadRecord(t.Context(), after); err != nil || len(record) == 0 {
		t.Errorf("the record: %v", err)
	}
}

// TestFarm_PassFaults: what a task names wrongly is told when it is handed in, what
// its files hold wrongly when it is computed.
func TestFarm_PassFaults(t *testing.T) {
	f := open(t, t.TempDir(), Config{})
	s := theScene()
	for name, c := range map[string]struct {
		change func(*pb.JobTask)
		field  string
	}{
		"record":  {func(t *pb.JobTask) { t.Pass = &pb.JobPass{RecordSha256: []byte{1}} }, "pass.record_sha256"},
		"current": {func(t *pb.JobTask) { t.Pass = &pb.JobPass{CurrentSha256: make([]byte, 33)} }, "pass.current_sha256"},
		"policy":  {func(t *pb.JobTask) { t.Pass = &pb.JobPass{Policy: &pb.PassPolicy{OnConflict: 8}} }, "pass.policy.on_conflict"},
		"program": {func(t *pb.JobTask) { t.Pass = &pb.JobPass{Program: "a/b"} }, "pass.program"},
		"layer":   {func(t *pb.JobTask) { t.Layers = []*pb.JobLayer{{}} }, "layers[0].sha256"},
		"layers":  {func(t *pb.JobTask) { t.Layers = make([]*pb.JobLayer, maxLayers+1) }, "layers"},
	} {
		task := s.variants(t, f, 1)[0]
		c.change(task)
		var wrong *convert.FieldError
		if _, _, err := f.Create(t.Context(), "", []*pb.JobTask{task}); !errors.As(err, &wrong) || wrong.Field != "tasks[0]."+c.field {
			t.Errorf("%s: %v", name, err)
		}
	}
	absent := bytes.Repeat([]byte{7}, sha256.Size)
	task := s.variants(t, f, 1)[0]
	task.Pass, task.Layers = &pb.JobPass{RecordSha256: absent, CurrentSha256: bytes.Repeat([]byte{8}, 32)}, []*pb.JobLayer{{Sha256: bytes.Repeat([]byte{9}, 32)}}
	var missing *MissingAssetsError
	if _, _, err := f.Create(t.Context(), "", []*pb.JobTask{task}); !errors.As(err, &missing) || len(missing.Sums) != 3 {
		t.Errorf("absent input: %v", err)
	}

	work(t, f, WorkerConfig{})
	var tasks []*pb.JobTask
	for _, more := range []func(*pb.JobTask){
		func(task *pb.JobTask) {
			task.Pass = &pb.JobPass{RecordSha256: put(t, f, []byte("SLVGPASS and no more"))}
		},
		func(task *pb.JobTask) { task.Pass = &pb.JobPass{CurrentSha256: put(t, f, []byte("hello"))} },
		func(task *pb.JobTask) { task.Layers = []*pb.JobLayer{{Sha256: put(t, f, s.garment)}} }, // without weights
	} {
		task := s.variants(t, f, 1)[0]
		more(task)
		tasks = append(tasks, task)
	}
	id, _ := create(t, f, tasks)
	finish(t, f, id)
	for k, x := range status(t, f, id) {
		if x.GetState() != pb.TaskState_TASK_STATE_FAILED || x.GetTries() > 1 || !strings.Contains(x.GetError(), []string{"cut off", "artist's garment", "skinned mesh"}[k]) {
			t.Errorf("task %d: %v", k, x)
		}
	}
}

// TestFarm_PassSchema: a worker of before passes leaves such tasks alone, and takes the
// others.
func TestFarm_PassSchema(t *testing.T) {
	task := &pb.JobTask{}
	if schemaOf(task) != 1 {
		t.Error("a plain task asks for a newer worker")
	}
	w := &Worker{farm: &Farm{config: Config{Version: "v1"}}, config: WorkerConfig{schema: 1}}
	for name, task := range map[string]*pb.JobTask{"pass": {Pass: &pb.JobPass{}}, "layer": {Layers: []*pb.JobLayer{{}}}} {
		if q := (&pb.QueuedTask{Schema: schemaOf(task), Version: "v1", Task: task}); !strings.Contains(w.refusal(q), "schema") {
			t.Errorf("%s: taken by an older worker", name)
		}
	}
	// Fields that a later program may add.
	later := []byte{0xf8, 0x3f, 1} // field 1023, a varint
	w.config.schema = Schema
	for name, m := range map[string]func(*pb.JobTask) proto.Message{
		"pass": func(t *pb.JobTask) proto.Message { return t.GetPass() }, "policy": func(t *pb.JobTask) proto.Message { return t.GetPass().GetPolicy() },
		"rule": func(t *pb.JobTask) proto.Message { return t.GetPass().GetPolicy().GetRules()[0] }, "layer": func(t *pb.JobTask) proto.Message { return t.GetLayers()[0] },
	} {
		task := &pb.JobTask{Pass: &pb.JobPass{Policy: &pb.PassPolicy{Rules: []*pb.ConflictRule{{}}}}, Layers: []*pb.JobLayer{{}}}
		q := &pb.QueuedTask{Schema: schemaOf(task), Version: "v1", Task: task}
		if why := w.refusal(q); why != "" {
			t.Fatalf("refused: %s", why)
		}
		m(task).ProtoReflect().SetUnknown(later)
		if why := w.refusal(q); !strings.Contains(why, "does not know") {
			t.Errorf("%s: %q", name, why)
		}
	}
}
