package wardrobe

// Watching: what a saved file touches is made anew.

import (
	"context"
	"errors"
	"fmt"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"github.com/fsnotify/fsnotify"

	"github.com/selvage/selvage/client/wardrobe/outline"
)

// Watch runs a manifest's plan whenever the manifest or a file of it is saved.
type Watch struct {
	// Manifest is the file to read.
	Manifest string
	Options  PlanOptions
	Runner   Runner
	// Changed is told which files were saved, before what they touch is run again; nil
	// the first time. Optional.
	Changed func(files []string)
	// Begins is told the plan of a run before it begins. Optional.
	Begins func(plan *Plan)
	// Ended is told how a run ended. plan is nil where the manifest has a fault, which
	// err then is; the watch goes on in any case. Optional.
	Ended func(plan *Plan, outcome *Outcome, err error)
}

// Times of a watch. A save is acted upon after two looks at which the file is the
// same, so within about a quarter of a second.
const (
	lookEvery = 100 * time.Millisecond
	// A file that is not whole is waited for this long after its last change, and one
	// that is gone (some editors remove before they write) for goneFor.
	brokenFor = 1500 * time.Millisecond
	goneFor   = 400 * time.Millisecond
)

// watching is the state of a running Watch; one goroutine uses it.
type watching struct {
	*Watch
	files    *fsnotify.Watcher
	manifest *Manifest
	plan     *Plan
	inputs   map[string]bool  // files that the plan reads
	folders  map[string]bool  // folders in which globs look
	beneath  map[string]Stamp // outputs that others lie over, as the last run left them
	failed   map[string]bool  // names with keys that are not tried again
	blamed   map[string]bool  // outputs and pass records of tasks that failed

	saved  map[string]*saved
	ended  chan *Outcome      // of the run that is going
	cancel context.CancelFunc // of it; nil: none is going
	again  bool               // run once more when it has ended
	told   []string           // files to tell of then
}

// saved file that may still be written.
type saved struct {
	stamp Stamp
	since time.Time // unchanged
}

// Run watches until ctx is done, then ends what runs and returns nil. Its error is
// that of watching, never of a run.
func (w *Watch) Run(ctx context.Context) error {
	files, err := fsnotify.NewWatcher()
	if err != nil {
		return fmt.Errorf("watch: %w", err)
	}
	defer files.Close()
	if w.Options.Hashes == nil {
		w.Options.Hashes = &Hashes{}
	}
	s := &watching{Watch: w, files: files, failed: map[string]bool{}, blamed: map[string]bool{}, saved: map[string]*saved{}}
	if err := files.Add(filepath.Dir(w.Manifest)); err != nil {
		return fmt.Errorf("watch %s: %w", filepath.Dir(w.Manifest), err)
	}
	s.start(ctx, nil)
	look := time.NewTicker(lookEvery)
	defer look.Stop()
	for {
		select {
		case <-ctx.Done():
			if s.cancel != nil {
				<-s.ended
				s.cancel()
			}
			return nil
		case e, ok := <-files.Events:
			e.Name = filepath.Clean(e.Name)
			if ok && s.matters(e) {
				s.saved[e.Name] = &saved{stamp: stampOf(e.Name), since: time.Now()}
			}
		case err, ok := <-files.Errors:
			if ok && errors.Is(err, fsnotify.ErrEventOverflow) {
				s.run(ctx, nil) // some saves were not told: look at all
			}
		case <-look.C:
			if list := s.settled(); len(list) > 0 {
				s.run(ctx, list)
			}
		case o := <-s.ended:
			s.cancel()
			s.cancel = nil
			s.note(o)
			s.follow(s.manifest, s.plan) // a run may have found what lies over what
			for _, i := range o.Items {
				if was, ok := s.beneath[i.Task.Output]; ok && i.Record != nil {
					if now := (Stamp{Size: i.Record.Size, ModTime: i.Record.ModTime}); !now.same(was) {
						s.again = true // saved meanwhile
					}
				}
			}
			if s.again {
				s.run(ctx, s.told)
			}
		}
	}
}

// matters reports whether an event is about a file of the wardrobe.
func (s *watching) matters(e fsnotify.Event) bool {
	if !e.Has(fsnotify.Create | fsnotify.Write | fsnotify.Remove | fsnotify.Rename) {
		return false
	}
	if e.Name == filepath.Clean(s.Manifest) || s.inputs[e.Name] {
		return true
	}
	if was, ok := s.beneath[e.Name]; ok {
		// What a run writes itself is looked at when it has ended.
		return s.cancel == nil && !stampOf(e.Name).same(was)
	}
	if strings.HasPrefix(filepath.Base(e.Name), ".") || !s.folders[filepath.Dir(e.Name)] || !e.Has(fsnotify.Create|fsnotify.Rename) {
		return false
	}
	// A new file or folder that a glob may find; what is written here is none.
	if s.plan != nil && slices.ContainsFunc(s.plan.Tasks, func(t *Task) bool {
		return t.Output == e.Name || strings.HasPrefix(t.Output, e.Name+string(filepath.Separator))
	}) {
		return false
	}
	info, err := os.Stat(e.Name)
	return err == nil && (info.IsDir() || isGLTF(e.Name))
}

// settled takes the saved files off the list once all of them are still.
func (s *watching) settled() []string {
	now := time.Now()
	for file, x := range s.saved {
		stamp := stampOf(file)
		if !stamp.same(x.stamp) {
			x.stamp, x.since = stamp, now
			return nil
		}
		least := lookEvery
		switch {
		case stamp.Size < 0:
			least = goneFor
		case isGLTF(file) && !isWhole(file):
			least = brokenFor
		}
		if now.Sub(x.since) < least {
			return nil
		}
	}
	list := slices.Sorted(maps.Keys(s.saved))
	clear(s.saved)
	return list
}

// isWhole reports whether a file reads as glTF to the end of its JSON, and is as
// long as it says.
func isWhole(file string) bool {
	f, err := os.Open(file)
	if err != nil {
		return false
	}
	defer f.Close()
	info, err := f.Stat()
	if err != nil || info.IsDir() {
		return err == nil
	}
	text, err := outline.ReadJSON(f, info.Size(), info.Size())
	if err != nil {
		return false
	}
	_, err = outline.New(context.Background(), text, info.Size())
	return err == nil
}

// run starts a run, or has one follow on the one that is going; that is cut short
// where it computes from what was saved.
func (s *watching) run(ctx context.Context, files []string) {
	if s.cancel == nil {
		s.again, s.told = false, nil
		s.start(ctx, files)
		return
	}
	s.again = true
	s.told = append(s.told, files...)
	reads := map[string]bool{filepath.Clean(s.Manifest): true}
	for _, t := range s.plan.Tasks {
		for _, x := range slices.Concat(t.Body.Files, t.Garment.Files) {
			reads[x.File] = true
		}
	}
	if slices.ContainsFunc(files, func(f string) bool { return reads[f] }) {
		s.cancel()
	}
}

// start reads the manifest and the files anew and runs the plan.
func (s *watching) start(ctx context.Context, files []string) {
	if files != nil && s.Changed != nil {
		slices.Sort(files)
		s.Changed(slices.Compact(files))
	}
	m, err := ReadFile(s.Manifest)
	var p *Plan
	if err == nil {
		s.follow(m, nil)
		p, err = m.Plan(ctx, s.Options)
	}
	if err != nil {
		if s.Ended != nil && ctx.Err() == nil {
			s.Ended(nil, nil, err)
		}
		return
	}
	s.manifest, s.plan = m, p
	s.follow(m, p)
	if s.Begins != nil {
		s.Begins(p)
	}
	r := s.Runner
	r.Skip = func(t *Task) bool { return s.failed[t.Name+" "+t.Key] }
	inner, cancel := context.WithCancel(ctx)
	s.cancel, s.ended = cancel, make(chan *Outcome, 1)
	ended := s.ended
	go func() {
		o, err := r.Run(inner, p)
		if s.Ended != nil && (err == nil || !errors.Is(err, context.Canceled)) {
			s.Ended(p, o, err)
		}
		ended <- o
	}()
}

// note remembers what failed: the same input fails again.
func (s *watching) note(o *Outcome) {
	clear(s.blamed)
	for _, i := range o.Items {
		var changed *ChangedError
		if errors.As(i.Err, &changed) {
			s.again = true // an artist saved the output meanwhile
			continue
		}
		if i.Status != Broken {
			continue
		}
		if i.Task.Pass != nil { // the artist's garment may be to blame: its next save is a reason to try again
			for _, f := range []string{i.Task.Output, i.Task.Pass.Record} {
				s.blamed[f] = true
				s.again = s.again || time.Since(stampOf(f).ModTime) < brokenFor // it may still be written
			}
		} else if current(i.Task.Body.Files) && current(i.Task.Garment.Files) {
			s.failed[i.Task.Name+" "+i.Task.Key] = true
		}
	}
}

// follow watches the folders of a manifest's files, found or not.
func (s *watching) follow(m *Manifest, p *Plan) {
	s.inputs, s.folders, s.beneath = map[string]bool{}, map[string]bool{}, map[string]Stamp{}
	all := map[string]bool{filepath.Dir(filepath.Clean(s.Manifest)): true}
	for i := range m.Bodies {
		f := m.path(m.Bodies[i].File)
		s.inputs[f] = true
		all[filepath.Dir(f)] = true
	}
	for i := range m.Garments {
		for _, g := range m.Garments[i].Files {
			found, folders := search(filepath.Dir(m.File), g.Pattern)
			maps.Copy(all, folders)
			if hasMeta(g.Pattern) {
				maps.Copy(s.folders, folders)
			} else {
				maps.Copy(s.inputs, found)
			}
		}
	}
	if p != nil {
		for _, t := range p.Tasks {
			for _, x := range slices.Concat(t.Body.Files, t.Garment.Files) {
				s.inputs[x.File] = true
				all[filepath.Dir(x.File)] = true
			}
			for _, below := range t.Inner { // an artist's save of it concerns this one
				s.beneath[below.Output] = stampOf(below.Output)
				all[filepath.Dir(below.Output)] = true
			}
		}
	}
	for f := range s.blamed {
		s.inputs[f] = true
		all[filepath.Dir(f)] = true
	}
	watched := map[string]bool{}
	for _, f := range s.files.WatchList() {
		if watched[f] = all[f]; !all[f] {
			_ = s.files.Remove(f)
		}
	}
	for f := range all {
		if !watched[f] {
			_ = s.files.Add(f) // a folder that is not there has no saves
		}
	}
}
