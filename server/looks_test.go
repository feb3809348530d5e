package server

import (
	"context"
	"crypto/sha256"
	"fmt"
	"io"
	"log/slog"
	"runtime"
	"slices"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/selvage/selvage/transfer"
	"github.com/selvage/selvage/transfer/crew"
)

// looks is a context that never ends and measures the processor time of the
// process between every two looks at it: what a call still uses that is cancelled
// at the worst moment in between.
type looks struct {
	context.Context
	count int
	last  time.Duration
	at    [2][8]uintptr // callers of this look and of the one before, in turns
	gaps  []gap
}

type gap struct {
	used     time.Duration
	from, to [8]uintptr
}

func processorTime() time.Duration {
	var u syscall.Rusage
	if err := syscall.Getrusage(syscall.RUSAGE_SELF, &u); err != nil {
		panic(err)
	}
	return time.Duration(u.Utime.Nano() + u.Stime.Nano())
}

func (l *looks) Err() error {
	used := processorTime() - l.last
	here := &l.at[l.count%2]
	clear(here[:])
	runtime.Callers(2, here[:])
	if l.count > 0 {
		l.gaps = append(l.gaps, gap{used, l.at[(l.count+1)%2], *here})
	}
	l.count++
	l.last = processorTime()
	return nil
}

// place is where a look was: the innermost functions.
func place(at [8]uintptr) string {
	var names []string
	frames := runtime.CallersFrames(at[:slices.Index(append(at[:], 0), 0)])
	for len(names) < 4 {
		f, more := frames.Next()
		names = append(names, fmt.Sprintf("%s:%d", f.Function[strings.LastIndexByte(f.Function, '/')+1:], f.Line))
		if !more {
			break
		}
	}
	return strings.Join(names, " < ")
}

// BenchmarkLooks measures the longest step of a call by asset, from reading its
// files to encoding its answer, that nothing can cancel: processor time on one
// thread, with what the garbage collector takes meanwhile. -v shows where.
func BenchmarkLooks(b *testing.B) {
	for _, c := range []struct {
		garment, verts string
		body, density  float64
	}{
		{"oilskin coat", "100k", 5, 16}, {"oilskin coat", "1M", 5, 190}, {"jersey", "1M", 48, 205},
	} {
		b.Run(fmt.Sprintf("garment=%s/verts=%s", c.garment, c.verts), func(b *testing.B) {
			s, err := NewServer(Config{Store: b.TempDir(), Listen: "127.0.0.1:0", Log: slog.New(slog.DiscardHandler)})
			if err != nil {
				b.Fatal(err)
			}
			if err := s.Listen(b.Context()); err != nil {
				b.Fatal(err)
			}
			defer s.close()
			keep := func(name string, write func(io.Writer) error) *source {
				f := hashedFile{sum: sha256.New()}
				if err := write(&f); err != nil {
					b.Fatal(err)
				}
				x := &source{id: digest(f.sum.Sum(nil)), name: name}
				u, err := s.store.begin(x.id, int64(f.Len()))
				if err != nil {
					b.Fatal(err)
				}
				if err := u.write(f.Bytes()); err != nil {
					b.Fatal(err)
				}
				if x.outline, err = u.check(b.Context(), s.textLimit()); err != nil {
					b.Fatal(err)
				}
				if err := u.commit(x.outline, ""); err != nil {
					b.Fatal(err)
				}
				return x
			}
			body := keep("body", crew.NewBodyAt("mate", c.body).WriteGLB)
			garment := keep("garment", crew.NewBody("mate").GarmentAt(c.garment, c.density).WriteGLB)
			var gaps []gap
			for b.Loop() {
				runtime.GC()
				l := &looks{Context: b.Context(), gaps: make([]gap, 0, 1<<19)}
				opt := transfer.AssetOptions{Options: transfer.Options{Threads: 1}}
				_ = l.Err()
				if _, _, err := s.transferAsset(l, body, nil, nil, garment, nil, opt); err != nil {
					b.Fatal(err)
				}
				_ = l.Err()
				gaps = append(gaps, l.gaps...)
				s.bodies.Remove(func(string) bool { return true }) // prepared anew
			}
			slices.SortFunc(gaps, func(x, y gap) int { return int(y.used - x.used) })
			ms := func(x time.Duration) float64 { return 1e3 * x.Seconds() }
			// Weighed by its length: the moment of a cancel falls into long gaps more often,
			// and then half of one is left in the mean.
			var total, seen time.Duration
			for _, g := range gaps {
				total += g.used
			}
			p99 := gaps[0].used
			for _, g := range gaps {
				if seen += g.used; seen > total/100 {
					p99 = g.used
					break
				}
			}
			b.ReportMetric(ms(gaps[0].used), "worst-ms")
			b.ReportMetric(ms(p99), "p99-ms")
			b.ReportMetric(float64(len(gaps))/float64(b.N), "looks/op")
			for _, g := range gaps[:min(10, len(gaps))] {
				b.Logf("%5.1f ms from %s to %s", ms(g.used), place(g.from), place(g.to))
			}
		})
	}
}
