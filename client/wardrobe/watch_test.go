package wardrobe

import (
	"bytes"
	"context"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/selvage/selvage/transfer/crew"
)

// watched is a watch that runs beside a test.
type watched struct {
	t     *testing.T
	dir   string
	ended chan ended
}

type ended struct {
	outcome *Outcome
	err     error
	made    []string
}

// startWatch watches the crew until the test ends, then checks that it ends cleanly.
func startWatch(t *testing.T) *watched {
	return startWatchOf(t, crewManifest, 2*len(crew.GarmentNames()))
}

// startWatchOf is startWatch of a manifest with a number of garments.
func startWatchOf(t *testing.T, manifest string, garments int) *watched {
	return startWatchIn(t, manifest, garments, &Local{})
}

// startWatchIn is startWatchOf with an executor.
func startWatchIn(t *testing.T, manifest string, garments int, executor Executor) *watched {
	dir, file := wardrobeAt(t, manifest)
	w := &watched{t, dir, make(chan ended, 100)}
	watch := &Watch{Manifest: file, Options: PlanOptions{Version: "test"}, Runner: Runner{Executor: executor}}
	watch.Ended = func(_ *Plan, o *Outcome, err error) {
		e := ended{outcome: o, err: err}
		if o != nil {
			for _, i := range o.Items {
				if i.Status == Made {
					e.made = append(e.made, i.Task.Name)
				}
			}
		}
		w.ended <- e
	}
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan error, 1)
	go func() { done <- watch.Run(ctx) }()
	t.Cleanup(func() {
		cancel()
		select {
		case err := <-done:
			if err != nil {
				t.Error(err)
			}
		case <-time.After(10 * time.Second):
			t.Error("the watch does not end")
		}
	})
	if e := w.next(); len(e.made) != garments {
		t.Fatalf("first run: %+v", e)
	}
	return w
}

// next waits for a run's end; the bound only keeps a broken test from hanging.
func (w *watched) next() ended {
	w.t.Helper()
	select {
	case e := <-w.ended:
		return e
	case <-time.After(20 * time.Second):
		w.t.Fatal("no run")
		panic("not reached")
	}
}

// quiet checks that nothing runs for a while.
func (w *watched) quiet(d time.Duration) {
	w.t.Helper()
	select {
	case e := <-w.ended:
		w.t.Errorf("a run that nothing asked for: made %q, %v", e.made, e.err)
	case <-time.After(d):
	}
}

func (w *watched) read(name string) []byte {
	w.t.Helper()
	b, err := os.ReadFile(filepath.Join(w.dir, name))
	if err != nil {
		w.t.Fatal(err)
	}
	return b
}

// only checks that a run made one garment alone.
func (w *watched) only(e ended, name string) {
	w.t.Helper()
	if e.err != nil || len(e.made) != 1 || e.made[0] != name {
		w.t.Errorf("made %q (%v), want %s alone", e.made, e.err, name)
	}
}

func TestWatch_Saves(t *testing.T) {
	w := startWatch(t)
	hat := filepath.Join(w.dir, "cox", "souwester.glb")
	output := filepath.Join(w.dir, "out", "cox", "souwester.glb")
	before := stampOf(output)

	// A save in place. That it is acted upon within a second is said of the start, on
	// a machine that is not busy; here the result must be there.
	began := time.Now()
	write(t, hat, changed(t, w.read("cox/souwester.glb")))
	w.only(w.next(), "cox/souwester")
	t.Logf("made %v after the save", time.Since(began))
	if stampOf(output).same(before) {
		t.Error("the output is as before")
	}

	// A save by rename, as many editors do.
	write(t, hat+"~", changed(t, w.read("cox/souwester.glb")))
	if err := os.Rename(hat+"~", hat); err != nil {
		t.Fatal(err)
	}
	w.only(w.next(), "cox/souwester")

	// Saved with the same bytes: looked at, nothing made.
	write(t, hat, w.read("cox/souwester.glb"))
	if e := w.next(); len(e.made) != 0 || e.err != nil {
		t.Errorf("made %q, %v", e.made, e.err)
	}

	// A body touches all of its garments.
	write(t, filepath.Join(w.dir, "mate", "body.glb"), changed(t, w.read("mate/body.glb")))
	if e := w.next(); len(e.made) != len(crew.GarmentNames()) {
		t.Errorf("made %q", e.made)
	}
	w.quiet(3 * lookEvery)
}

// TestWatch_Passes: an artist's save of an output starts nothing, and a body's save
// merges it.
func TestWatch_Passes(t *testing.T) {
	w := startWatchOf(t, passManifest, 2)
	out := filepath.Join(w.dir, "out", "jersey.glb")
	for range 2 {
		repaint(t, out, 0.3)
		artist := w.read("out/jersey.glb")
		w.quiet(8 * lookEvery)
		if !bytes.Equal(w.read("out/jersey.glb"), artist) {
			t.Fatal("the artist's file was overwritten")
		}
	}
	repaint(t, filepath.Join(w.dir, "cox", "body.glb"), 0.1)
	e := w.next()
	if e.err != nil || len(e.made) != 2 {
		t.Fatalf("made %q, %v", e.made, e.err)
	}
	if s := item(t, e.outcome, "cox/jersey").Record.Pass.Summary; s.New == 0 || s.Lost() > 0 {
		t.Errorf("the edits are lost: %+v", s)
	}
	w.quiet(8 * lookEvery)

	// An output that was saved half fails the next pass; the whole one is tried at once.
	artist := w.read("out/jersey.glb")
	write(t, out, artist[:len(artist)/2])
	w.quiet(8 * lookEvery)
	repaint(t, filepath.Join(w.dir, "cox", "body.glb"), 0.1)
	for e = w.next(); e.outcome.Count(Broken) == 0; e = w.next() {
	}
	time.Sleep(brokenFor)
	write(t, out, artist)
	for e = w.next(); e.outcome.Count(Broken) > 0; e = w.next() {
	}
	if i := item(t, e.outcome, "cox/jersey"); i.Status != Made {
		t.Errorf("after the whole file: %v, %v", i.Status, i.Err)
	}
}

// TestWatch_Layers: an artist's save of an output makes what lies over it anew, once.
func TestWatch_Layers(t *testing.T) {
	manifest := strings.Replace(layerManifest, "cox/*.glb", "[cox/jersey.glb, cox/oilskin-coat.glb, cox/gloves.glb]", 1)
	manifest = strings.Replace(manifest, "jersey, bib-trousers,", "jersey,", 1)
	w := startWatchOf(t, manifest, 3)
	w.quiet(8 * lookEvery)
	for k := range 2 {
		repaint(t, filepath.Join(w.dir, "out", "jersey.glb"), 0.2+0.1*float64(k))
		w.only(w.next(), "cox/oilskin-coat")
		w.quiet(8 * lookEvery)
	}
}

// TestWatch_Pieces: a file that is written in pieces is not read half, whatever the
// pauses within brokenFor.
func TestWatch_Pieces(t *testing.T) {
	w := startWatch(t)
	text := changed(t, w.read("cox/souwester.glb"))
	f, err := os.Create(filepath.Join(w.dir, "cox", "souwester.glb"))
	if err != nil {
		t.Fatal(err)
	}
	for i := range 4 {
		if _, err := f.Write(text[i*len(text)/4 : (i+1)*len(text)/4]); err != nil {
			t.Fatal(err)
		}
		if i < 3 {
			w.quiet(4 * lookEvery)
		}
	}
	if err := f.Close(); err != nil {
		t.Fatal(err)
	}
	w.only(w.next(), "cox/souwester")
}

// keepWriting writes a file again and again, with pauses shorter than a look, until the
// function that it returns is called; that leaves the file whole.
func (w *watched) keepWriting(name string, text []byte) (end func()) {
	stop, ended := make(chan struct{}), make(chan struct{})
	file := filepath.Join(w.dir, name)
	piece := func(n int) {
		if err := os.WriteFile(file, text[:n], 0o600); err != nil {
			w.t.Error(err)
		}
	}
	piece(1000)
	go func() {
		defer close(ended)
		for n := 1000; ; n += 100 {
			select {
			case <-stop:
				piece(len(text))
				return
			case <-time.After(lookEvery / 2):
				piece(min(n, len(text)-1))
			}
		}
	}()
	end = sync.OnceFunc(func() { close(stop); <-ended })
	w.t.Cleanup(end)
	return end
}

// TestWatch_OneWaitsAlone: while a garment is still being written, is cut off or gone,
// the others are made.
func TestWatch_OneWaitsAlone(t *testing.T) {
	w := startWatch(t)
	end := w.keepWriting("cox/souwester.glb", changed(t, w.read("cox/souwester.glb")))
	for _, name := range []string{"gloves", "jersey"} {
		file := "cox/" + name + ".glb"
		write(t, filepath.Join(w.dir, file), changed(t, w.read(file)))
		e := w.next()
		if i := item(t, e.outcome, "cox/souwester"); i.Status != Waiting {
			t.Errorf("the garment that is being written: %v, %v", i.Status, i.Err)
		}
		if item(t, e.outcome, "cox/"+name).Status != Made {
			t.Errorf("made %q, %v", e.made, e.err)
		}
	}
	// A body that is being written holds up its own garments alone.
	w.quiet(3 * lookEvery)
	body := w.read("mate/body.glb")
	endBody := w.keepWriting("mate/body.glb", changed(t, body))
	write(t, filepath.Join(w.dir, "cox/gloves.glb"), changed(t, w.read("cox/gloves.glb")))
	w.only(w.next(), "cox/gloves")
	w.quiet(3 * lookEvery)
	endBody()
	if e := w.next(); len(e.made) != len(crew.GarmentNames()) {
		t.Errorf("the body's garments: made %q, %v", e.made, e.err)
	}
	end()
	w.only(w.next(), "cox/souwester")

	// A cut-off file fails after a while, and nothing waits for that.
	good := w.read("cox/souwester.glb")
	write(t, filepath.Join(w.dir, "cox", "souwester.glb"), good[:len(good)/2])
	write(t, filepath.Join(w.dir, "cox", "gloves.glb"), changed(t, w.read("cox/gloves.glb")))
	e := w.next()
	w.only(e, "cox/gloves")
	counts(t, e.outcome, 1, 2*len(crew.GarmentNames())-2, 0, 1)
	counts(t, w.next().outcome, 0, 2*len(crew.GarmentNames())-1, 1, 0)
	write(t, filepath.Join(w.dir, "cox", "souwester.glb"), changed(t, good))
	w.only(w.next(), "cox/souwester")
}

// slowFor is Local that takes a while more for one garment.
type slowFor struct {
	Local
	garment string
	extra   time.Duration
}

func (s *slowFor) Run(ctx context.Context, tasks []*Task, emit func(Event)) error {
	var slow, others []*Task
	for _, t := range tasks {
		if t.Garment.Name == s.garment {
			slow = append(slow, t)
			emit(Event{Task: t, Kind: Started})
		} else {
			others = append(others, t)
		}
	}
	var wg sync.WaitGroup
	wg.Go(func() { _ = s.Local.Run(ctx, others, emit) })
	defer wg.Wait()
	if len(slow) > 0 {
		select {
		case <-ctx.Done():
			return ctx.Err()
		case <-time.After(s.extra):
		}
	}
	return s.Local.Run(ctx, slow, emit)
}

// TestWatch_SavesOfOthers: what takes long is made although another garment is saved all
// the time, and that is made in between.
func TestWatch_SavesOfOthers(t *testing.T) {
	w := startWatchIn(t, crewManifest, 2*len(crew.GarmentNames()), &slowFor{garment: "souwester", extra: 10 * lookEvery})
	made := map[string]bool{}
	write(t, filepath.Join(w.dir, "cox", "souwester.glb"), changed(t, w.read("cox/souwester.glb")))
	for n := 0; !made["cox/souwester"]; n++ {
		if n == 10 {
			t.Fatalf("made %v", made)
		}
		time.Sleep(5 * lookEvery)
		write(t, filepath.Join(w.dir, "cox", "gloves.glb"), changed(t, w.read("cox/gloves.glb")))
		for more := true; more; {
			select {
			case e := <-w.ended:
				if e.outcome == nil || e.outcome.Count(Broken) > 0 {
					t.Fatalf("%+v", e)
				}
				for _, name := range e.made {
					made[name] = true
				}
			default:
				more = false
			}
		}
	}
	for !made["cox/gloves"] {
		for _, name := range w.next().made {
			made[name] = true
		}
	}
}

// TestWatch_FoundLayersWait: what lies beneath a garment that is being written is made,
// what lies over it waits, and the order stays.
func TestWatch_FoundLayersWait(t *testing.T) {
	manifest := strings.Replace(layerManifest, `layers: [jersey, bib-trousers, "oilskin-*"]`, "layers: found", 1)
	w := startWatchOf(t, strings.Replace(manifest, "cox/*.glb", "[cox/jersey.glb, cox/oilskin-coat.glb]", 1), 2)
	w.quiet(8 * lookEvery)
	for _, c := range []struct {
		written, saved string
		status         Status // of the saved one
	}{{"cox/jersey", "cox/oilskin-coat", Waiting}, {"cox/oilskin-coat", "cox/jersey", Made}} {
		end := w.keepWriting(c.written+".glb", changed(t, w.read(c.written+".glb")))
		write(t, filepath.Join(w.dir, c.saved+".glb"), changed(t, w.read(c.saved+".glb")))
		e := w.next()
		if i := item(t, e.outcome, c.saved); i.Status != c.status || item(t, e.outcome, c.written).Status != Waiting {
			t.Errorf("%s being written, %s saved: %v, %v, %v", c.written, c.saved, i.Status, i.Err, e.err)
		}
		end()
		for e = w.next(); e.outcome.Count(Waiting) > 0; e = w.next() {
		}
		if !slices.Contains(e.made, c.written) || e.outcome.Count(Broken) > 0 {
			t.Errorf("made %q, %v", e.made, e.err)
		}
		w.quiet(8 * lookEvery)
	}
}

// TestWatch_Links: saves of what symbolic links lead to, over a second link, in a folder
// behind a link, and the change of a link.
func TestWatch_Links(t *testing.T) {
	w := startWatch(t)
	shared := filepath.Join(w.dir, "shared", "deep")
	if err := os.MkdirAll(shared, 0o700); err != nil {
		t.Fatal(err)
	}
	move := func(name, to string) {
		t.Helper()
		if err := os.Rename(filepath.Join(w.dir, name), to); err != nil {
			t.Fatal(err)
		}
	}
	link := func(to, name string) {
		t.Helper()
		if err := os.Symlink(to, filepath.Join(w.dir, name)); err != nil {
			t.Fatal(err)
		}
	}
	still := func() { // until the links are looked at
		t.Helper()
		for {
			select {
			case e := <-w.ended:
				if len(e.made) != 0 || e.err != nil {
					t.Errorf("made %q, %v", e.made, e.err)
				}
			case <-time.After(goneFor + 4*lookEvery):
				return
			}
		}
	}
	move("cox/souwester.glb", filepath.Join(shared, "hat.glb"))
	link(filepath.Join("deep", "hat.glb"), "shared/hat.glb")
	link(filepath.Join("..", "shared", "hat.glb"), "cox/souwester.glb")
	move("mate/body.glb", filepath.Join(shared, "mate.glb"))
	link(filepath.Join(shared, "mate.glb"), "mate/body.glb")
	still()

	write(t, filepath.Join(shared, "hat.glb"), changed(t, w.read("cox/souwester.glb")))
	w.only(w.next(), "cox/souwester")
	write(t, filepath.Join(shared, "mate.glb"), changed(t, w.read("mate/body.glb")))
	if e := w.next(); len(e.made) != len(crew.GarmentNames()) {
		t.Errorf("made %q, %v", e.made, e.err)
	}
	// The link in the middle leads elsewhere.
	write(t, filepath.Join(shared, "new.glb"), changed(t, w.read("cox/souwester.glb")))
	link(filepath.Join("deep", "new.glb"), "shared/hat.glb~")
	move("shared/hat.glb~", filepath.Join(w.dir, "shared", "hat.glb"))
	w.only(w.next(), "cox/souwester")
	write(t, filepath.Join(shared, "new.glb"), changed(t, w.read("cox/souwester.glb")))
	w.only(w.next(), "cox/souwester")
	w.quiet(3 * lookEvery)
}

// TestWatch_Faults: broken files and a broken manifest are told, once, and the watch
// goes on.
func TestWatch_Faults(t *testing.T) {
	w := startWatch(t)
	good := w.read("cox/souwester.glb")
	write(t, filepath.Join(w.dir, "cox", "souwester.glb"), good[:len(good)/2])
	e := w.next()
	counts(t, e.outcome, 0, 2*len(crew.GarmentNames())-1, 1, 0)
	// Another garment is saved: the broken one is not told again.
	write(t, filepath.Join(w.dir, "cox", "gloves.glb"), changed(t, w.read("cox/gloves.glb")))
	e = w.next()
	w.only(e, "cox/gloves")
	counts(t, e.outcome, 1, 2*len(crew.GarmentNames())-2, 0, 1)

	manifest := filepath.Join(w.dir, "wardrobe.yaml")
	write(t, manifest, []byte("version: 2\n"))
	if e = w.next(); e.err == nil || !strings.Contains(e.err.Error(), ":1:10: version is not 1") {
		t.Errorf("%v", e.err)
	}
	// Mended, with another option, the garment too.
	write(t, filepath.Join(w.dir, "cox", "souwester.glb"), good)
	write(t, manifest, []byte(strings.Replace(crewManifest, "u16", "u8", 1)))
	if e = w.next(); e.err != nil || len(e.made) != len(crew.GarmentNames()) && len(e.made) != len(crew.GarmentNames())+1 {
		t.Errorf("made %q, %v", e.made, e.err)
	}
	// A new garment that a glob finds.
	write(t, filepath.Join(w.dir, "cox", "spare-hat.glb"), good)
	w.only(w.next(), "cox/spare-hat")
}
