package main

// What a farm's client says of its jobs: their names, and why their tasks wait.

import (
	"fmt"
	"maps"
	"slices"
	"strings"
	"sync"
	"time"

	pb "github.com/selvage/selvage/api/selvage/v1"
)

// farmNote is a note, as --json prints it.
type farmNote struct {
	Event string `json:"event"` // job: handed in; held: its tasks wait
	Job   string `json:"job"`
	Tasks int    `json:"tasks,omitempty"` // of the job; held: those that wait
	Why   string `json:"why,omitempty"`   // held
}

func (n farmNote) String() string {
	garments, wait := fmt.Sprintf("%d garments", n.Tasks), "wait"
	if n.Tasks == 1 {
		garments, wait = "1 garment", "waits"
	}
	switch {
	case n.Event == "job":
		return fmt.Sprintf("job %s on the farm: %s", n.Job, garments)
	case n.Tasks > 0:
		return fmt.Sprintf("job %s: %s %s: %s", n.Job, garments, wait, n.Why)
	}
	return fmt.Sprintf("job %s: %s", n.Job, n.Why)
}

// listen makes the executor's notes go to a run's view.
func (e *farmExecutor) listen(v *batchView) { e.note = v.note }

func (e *farmExecutor) say(n farmNote) {
	if e.note != nil {
		e.note(n)
	}
}

// note shows a note: as an event, above the bars, or as a line.
func (v *batchView) note(n farmNote) {
	switch {
	case v.b.asJSON:
		_ = v.b.event(n)
	case v.bars != nil:
		v.bars.say(printable(n.String()))
	default:
		v.b.line("%s", printable(n.String()))
	}
}

// heldAfter is how long tasks wait before a client says so.
const heldAfter = 5 * time.Second

// maxHeldNotes bounds the different refusals of a job that are told.
const maxHeldNotes = 20

// waiting looks after a job and says why its tasks wait.
type waiting struct {
	e     *farmExecutor
	job   string
	ended chan struct{}
	wg    sync.WaitGroup

	mu      sync.Mutex
	left    int                     // tasks that have not ended
	states  map[string]pb.TaskState // by task
	running int
	refused map[string]refusedTask // by task: those that wait and were refused
	failed  map[string]bool        // tasks that wait for another try
	news    time.Time              // when a task last began or ended
	idle    bool                   // that none begins was told since
	told    map[string]bool        // refusals that were told
}

type refusedTask struct {
	why   string
	since time.Time
}

// waiting begins; end ends it.
func (e *farmExecutor) waiting(job string, tasks int) *waiting {
	w := &waiting{
		e: e, job: job, ended: make(chan struct{}), left: tasks, states: map[string]pb.TaskState{},
		refused: map[string]refusedTask{}, failed: map[string]bool{}, news: time.Now(), told: map[string]bool{},
	}
	w.wg.Go(func() {
		ticker := time.NewTicker(heldAfter / 10)
		defer ticker.Stop()
		for {
			select {
			case <-ticker.C:
				for _, n := range w.notes(time.Now()) {
					e.say(n)
				}
			case <-w.ended:
				return
			}
		}
	})
	return w
}

func (w *waiting) end() {
	close(w.ended)
	w.wg.Wait()
}

// hear takes in a task's state.
func (w *waiting) hear(s *pb.TaskStatus) {
	w.mu.Lock()
	defer w.mu.Unlock()
	name, state := s.GetName(), s.GetState()
	last := w.states[name]
	w.states[name] = state
	over := func(s pb.TaskState) bool {
		return s == pb.TaskState_TASK_STATE_DONE || s == pb.TaskState_TASK_STATE_FAILED || s == pb.TaskState_TASK_STATE_CANCELLED
	}
	is := func(b bool) int {
		if b {
			return 1
		}
		return 0
	}
	const running = pb.TaskState_TASK_STATE_RUNNING
	w.running += is(state == running) - is(last == running)
	w.left -= is(over(state)) - is(over(last))
	if state != last && (state == running || over(state)) {
		w.news, w.idle = time.Now(), false
	}
	waits := state == pb.TaskState_TASK_STATE_QUEUED
	if waits && s.GetError() != "" {
		w.failed[name] = true
	} else {
		delete(w.failed, name)
	}
	if !waits || s.GetRefusal() == "" {
		delete(w.refused, name)
	} else if old, ok := w.refused[name]; !ok {
		w.refused[name] = refusedTask{s.GetRefusal(), time.Now()}
	} else {
		w.refused[name] = refusedTask{s.GetRefusal(), old.since}
	}
}

// notes are those that have not been told.
func (w *waiting) notes(now time.Time) (list []farmNote) {
	w.mu.Lock()
	defer w.mu.Unlock()
	counts := map[string]int{}
	for _, r := range w.refused {
		if now.Sub(r.since) >= heldAfter {
			counts[r.why]++
		}
	}
	for _, why := range slices.Sorted(maps.Keys(counts)) {
		// Workers that refuse for the same reason are one to who waits.
		reason := why
		if _, after, ok := strings.Cut(why, ": "); ok {
			reason = after
		}
		if w.told[reason] || len(w.told) >= maxHeldNotes {
			continue
		}
		w.told[reason] = true
		list = append(list, farmNote{Event: "held", Job: w.job, Tasks: counts[why], Why: "refused by " + why})
	}
	if len(w.refused) == 0 && len(w.failed) == 0 && w.running == 0 && w.left > 0 && !w.idle && now.Sub(w.news) >= heldAfter {
		w.idle = true
		list = append(list, farmNote{Event: "held", Job: w.job, Tasks: w.left, Why: "no worker takes them"})
	}
	return list
}
