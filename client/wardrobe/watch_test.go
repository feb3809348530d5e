package wardrobe

import (
	"bytes"
	"context"
	"os"
	"path/filepath"
	"strings"
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
	dir, file := wardrobeAt(t, manifest)
	w := &watched{t, dir, make(chan ended, 100)}
	watch := &Watch{Manifest: file, Options: PlanOptions{Version: "test"}, Runner: Runner{Executor: &Local{}}}
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
