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
	"sync"
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
// same, so within about a quarter of a second, whatever other files are being written.
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

	// What the watcher tells of, which has every folder once, by its own name (see
	// ownName): the folders' names in the plan, and for files that symbolic links lead
	// to the links.
	named, links map[string][]string

	saved  map[string]*saved
	ended  chan *Outcome      // of the run that is going
	cancel context.CancelFunc // of it; nil: none is going
	again  bool               // run once more when it has ended

	underway     *underway // of the run that is going
	spared, lost bool      // it is not cut for every garment; it was cut, and what had begun is lost

	told []string // files to tell of then
}

// saved file that may still be written.
type saved struct {
	stamp Stamp
	since time.Time // unchanged
}

// Run watches until ctx is done, then ends what runs and returns nil; until Runner.Finish
// is closed, where there is one, then finishes what runs. Its error is that of watching,
// never of a run.
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
	if err := files.Add(ownName(filepath.Dir(w.Manifest))); err != nil {
		return fmt.Errorf("watch %s: %w", filepath.Dir(w.Manifest), err)
	}
	s.follow(&Manifest{File: w.Manifest}, nil)
	s.start(ctx, nil)
	look := time.NewTicker(lookEvery)
	defer look.Stop()
	begin, end := until(ctx, w.Runner.Finish)
	defer end()
	for {
		select {
		case <-begin.Done():
			if s.cancel != nil {
				<-s.ended
				s.cancel()
			}
			return nil
		case e, ok := <-files.Events:
			if ok {
				s.see(e)
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
			s.spared, s.lost = s.lost, false
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

// see notes the files that an event is about.
func (s *watching) see(e fsnotify.Event) {
	if !e.Has(fsnotify.Create | fsnotify.Write | fsnotify.Remove | fsnotify.Rename) {
		return
	}
	files := slices.Clone(s.links[filepath.Clean(e.Name)])
	for _, folder := range s.named[filepath.Dir(e.Name)] {
		if file := filepath.Join(folder, filepath.Base(e.Name)); s.matters(file, e.Op) {
			files = append(files, file)
		}
	}
	for _, f := range files {
		s.saved[f] = &saved{stamp: stampOf(f), since: time.Now()}
	}
}

// matters reports whether what happened to a file is about one of the wardrobe.
func (s *watching) matters(file string, op fsnotify.Op) bool {
	if file == filepath.Clean(s.Manifest) || s.inputs[file] {
		return true
	}
	if was, ok := s.beneath[file]; ok {
		// What a run writes itself is looked at when it has ended.
		return s.cancel == nil && !stampOf(file).same(was)
	}
	if strings.HasPrefix(filepath.Base(file), ".") || !s.folders[filepath.Dir(file)] || !(op.Has(fsnotify.Create) || op.Has(fsnotify.Rename)) {
		return false
	}
	// A new file or folder that a glob may find; what is written here is none.
	if s.plan != nil && slices.ContainsFunc(s.plan.Tasks, func(t *Task) bool {
		return t.Output == file || strings.HasPrefix(t.Output, file+string(filepath.Separator))
	}) {
		return false
	}
	info, err := os.Stat(file)
	return err == nil && (info.IsDir() || isGLTF(file))
}

// settled takes the saved files that are still off the list. What is still being
// written stays there, and what reads it waits; only a file that is gone keeps the
// others, for goneFor: a plan without it may have a fault.
func (s *watching) settled() []string {
	now := time.Now()
	var list []string
	gone, late := false, false
	for file, x := range s.saved {
		stamp := stampOf(file)
		if !stamp.same(x.stamp) {
			x.stamp, x.since = stamp, now
		}
		still, least := now.Sub(x.since), lookEvery
		switch {
		case stamp.Size < 0:
			least = goneFor
		case still >= least && isGLTF(file) && !isWhole(file):
			least = brokenFor
		}
		if still < least {
			gone = gone || stamp.Size < 0
			continue
		}
		list = append(list, file)
		late = late || still >= least+goneFor
	}
	if gone && !late {
		return nil
	}
	for _, file := range list {
		delete(s.saved, file)
	}
	slices.Sort(list)
	return list
}

// busy returns what reports whether a task would read, or write over, a file that is
// being written now.
func (s *watching) busy() func(*Task) bool {
	for told := true; told; { // what is not noted yet
		select {
		case e, ok := <-s.files.Events:
			if told = ok; ok {
				s.see(e)
			}
		default:
			told = false
		}
	}
	written := map[string]bool{}
	for f := range s.saved {
		written[f] = true
	}
	return func(t *Task) bool {
		is := func(x Stamp) bool { return written[x.File] }
		return written[t.Output] || t.Pass != nil && written[t.Pass.Record] ||
			slices.ContainsFunc(t.Body.Files, is) || slices.ContainsFunc(t.Garment.Files, is) ||
			slices.ContainsFunc(t.Inner, func(below *Task) bool { return written[below.Output] })
	}
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

// run starts a run, or has one follow on the one that is going; that is cut short where
// it would compute from what was saved. For a garment that it does not compute now only
// the first of two runs is cut: what takes long is made in the second, however often
// others are saved.
func (s *watching) run(ctx context.Context, files []string) {
	if s.cancel == nil {
		s.again, s.told = false, nil
		s.start(ctx, files)
		return
	}
	s.again = true
	s.told = append(s.told, files...)
	saved := func(x Stamp) bool { return slices.Contains(files, x.File) }
	cut := slices.Contains(files, filepath.Clean(s.Manifest))
	for _, t := range s.plan.Tasks {
		cut = cut || slices.ContainsFunc(t.Body.Files, saved)
		cut = cut || slices.ContainsFunc(t.Garment.Files, saved) && (!s.spared || s.underway.has(t))
	}
	if cut {
		s.lost = s.lost || s.underway.any()
		s.cancel()
	}
}

// underway are the tasks of a run that have begun and not ended.
type underway struct {
	mu    sync.Mutex
	tasks map[*Task]bool
}

func (u *underway) tell(x Update) {
	u.mu.Lock()
	defer u.mu.Unlock()
	if x.Running {
		u.tasks[x.Task] = true
	} else {
		delete(u.tasks, x.Task)
	}
}

func (u *underway) has(t *Task) bool {
	u.mu.Lock()
	defer u.mu.Unlock()
	return u.tasks[t]
}

func (u *underway) any() bool {
	u.mu.Lock()
	defer u.mu.Unlock()
	return len(u.tasks) > 0
}

// start reads the manifest and the files anew and runs the plan.
func (s *watching) start(ctx context.Context, files []string) {
	if files != nil && s.Changed != nil {
		slices.Sort(files)
		s.Changed(slices.Compact(files))
	}
	busy := s.busy()
	m, err := s.manifest, error(nil)
	if m == nil || s.saved[filepath.Clean(s.Manifest)] == nil { // else it is being written
		m, err = ReadFile(s.Manifest)
	}
	var p *Plan
	if err == nil {
		s.follow(m, nil)
		begin, end := until(ctx, s.Runner.Finish)
		defer end()
		if p, err = m.Plan(begin, s.Options); begin.Err() != nil {
			return
		}
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
	r.Skip, r.busy = func(t *Task) bool { return s.failed[t.Name+" "+t.Key] }, busy
	now := &underway{tasks: map[*Task]bool{}}
	s.underway = now
	r.Tell = func(u Update) {
		now.tell(u)
		if s.Runner.Tell != nil {
			s.Runner.Tell(u)
		}
	}
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
	s.named, s.links = map[string][]string{}, map[string][]string{}
	for f := range all {
		own := ownName(f)
		s.named[own] = append(s.named[own], f)
	}
	for f := range s.inputs {
		s.followLinks(f)
	}
	s.followLinks(filepath.Clean(s.Manifest))
	watched := map[string]bool{}
	for _, f := range s.files.WatchList() {
		_, watched[f] = s.named[f]
		if !watched[f] {
			_ = s.files.Remove(f)
		}
	}
	for f := range s.named {
		if !watched[f] {
			_ = s.files.Add(f) // a folder that is not there has no saves
		}
	}
}

// maxLinks is how many symbolic links one path may lead through, as on Linux: see
// path_resolution(7).
const maxLinks = 40

// followLinks watches what a file leads to where it is a symbolic link, and what that
// leads to.
func (s *watching) followLinks(file string) {
	for at, n := file, 0; n < maxLinks; n++ {
		to, err := os.Readlink(at)
		if err != nil {
			return // no link
		}
		if !filepath.IsAbs(to) {
			to = filepath.Join(ownName(filepath.Dir(at)), to)
		}
		folder := ownName(filepath.Dir(to))
		at = filepath.Join(folder, filepath.Base(to))
		s.links[at] = append(s.links[at], file)
		if s.named[folder] == nil {
			s.named[folder] = []string{} // watched for the links alone
		}
	}
}

// ownName is the name of a folder that is absolute and leads through no symbolic link.
// One that is not there keeps its name.
func ownName(folder string) string {
	if abs, err := filepath.Abs(folder); err == nil {
		folder = abs
	}
	if own, err := filepath.EvalSymlinks(folder); err == nil {
		return own
	}
	return folder
}
