package main

import (
	"cmp"
	"fmt"
	"io"
	"os"
	"slices"
	"sync"

	"github.com/jedib0t/go-pretty/v6/table"
	pb "github.com/selvage/selvage/api/selvage/v1"
)

// leftResults are those that --leave leaves in the farm's store: nothing is saved
// or recorded. Nil: results are fetched.
type leftResults struct {
	out           io.Writer
	asJSON, quiet bool

	mu   sync.Mutex
	list []leftResult
}

// leftResult is one of them, as --json prints it.
type leftResult struct {
	Event  string `json:"event"` // left
	Task   string `json:"task"`
	Key    string `json:"key"` // its name in the store
	SHA256 string `json:"sha256"`
	Bytes  int64  `json:"bytes"`
	Job    string `json:"job"`
	Where  string `json:"where,omitempty"`
}

func (b *batchFarm) newLeft() *leftResults {
	if !b.leave {
		return nil
	}
	is := func(name string) bool { v, err := b.set.GetBool(name); return err == nil && v }
	return &leftResults{out: os.Stdout, asJSON: is("json"), quiet: is("quiet")}
}

// add notes a result of the job for every garment that it belongs to.
func (l *leftResults) add(job string, s *pb.TaskStatus, to []entrusted) {
	l.mu.Lock()
	defer l.mu.Unlock()
	r := s.GetResult()
	for _, x := range to {
		one := leftResult{"left", x.task.Name, r.GetKey(), fmt.Sprintf("%x", r.GetSha256()), r.GetSizeBytes(), job, s.GetWorker()}
		l.list = append(l.list, one)
		if l.asJSON {
			_ = (&batchRun{out: l.out}).event(one)
		}
	}
}

// before returns end with the list printed first: bars are off the terminal then.
func (l *leftResults) before(end func()) func() {
	if l == nil {
		return end
	}
	return func() {
		l.print()
		end()
	}
}

func (l *leftResults) print() {
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.asJSON || l.quiet || len(l.list) == 0 {
		return
	}
	slices.SortFunc(l.list, func(a, b leftResult) int { return cmp.Compare(a.Task, b.Task) })
	fmt.Fprintf(l.out, "%d results are in the farm's store; the same call without --leave fetches them\n", len(l.list))
	t := plainTable(l.out, table.Row{"garment", "work key", "bytes"})
	for _, x := range l.list {
		t.AppendRow(table.Row{printable(x.Task), x.Key, x.Bytes})
	}
	t.Render()
}
