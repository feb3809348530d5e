package main

import (
	"context"
	"crypto/sha256"
	"fmt"
	"os"
	"path/filepath"
	"testing"

	pb "github.com/selvage/selvage/api/selvage/v1"
	"github.com/selvage/selvage/client/wardrobe"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
)

// crowded is a server whose store others use, too: it has lost what was put so many times
// when a job is handed in.
type crowded struct {
	jobTaker
	lost   int
	put    map[[sha256.Size]byte]int
	handed []int // tasks of each job
}

func (c *crowded) PutAsset(_ context.Context, data []byte) ([sha256.Size]byte, error) {
	sum := sha256.Sum256(data)
	c.put[sum]++
	return sum, nil
}

func (c *crowded) Create(_ context.Context, _ string, tasks []*pb.JobTask) (*pb.Job, []string, error) {
	if c.lost > 0 {
		c.lost--
		return nil, nil, status.Error(codes.NotFound, "an asset is not in the farm")
	}
	c.handed = append(c.handed, len(tasks))
	return &pb.Job{}, make([]string, len(tasks)), nil
}

// TestFarm_Room: files go up in parts that half of the server's store holds, each once, and
// again where the server has lost them before their job was handed in.
func TestFarm_Room(t *testing.T) {
	dir := t.TempDir()
	source := func(name string, size int64) *wardrobe.Source {
		file := filepath.Join(dir, name)
		// Not one is like another: the store knows them by their bytes.
		text := fmt.Sprintf(`{"asset":{"version":"2.0","generator":%q}}`, name)
		if err := os.WriteFile(file, fmt.Appendf(nil, "%-*s", size, text), 0o644); err != nil {
			t.Fatal(err)
		}
		return &wardrobe.Source{Name: name, File: file, Files: []wardrobe.Stamp{{File: file, Size: sizeOf(file)}}}
	}
	body := source("body.gltf", 400)
	for _, c := range []struct {
		name         string
		sizes        []int64
		lost         int
		jobs, failed int
		puts         int // of each file; 0: several
		err          bool
	}{
		{"one part", []int64{100, 100}, 0, 1, 0, 1, false},
		{"two parts", []int64{300, 300, 300}, 0, 2, 0, 1, false},
		{"lost twice", []int64{100, 100}, 2, 1, 0, 3, false},
		{"lost time and again", []int64{100}, handTries + 1, 0, 0, handTries + 1, true},
		{"room once the body is there", []int64{1700, 100}, 0, 2, 0, 1, false},
		{"no room", []int64{1700}, 0, 0, 1, 0, false},
	} {
		t.Run(c.name, func(t *testing.T) {
			f := &crowded{lost: c.lost, put: map[[sha256.Size]byte]int{}}
			e := &farmExecutor{farm: f, most: mostRequest, room: 2000}
			files := &uploads{list: map[string]*upload{}}
			var rest []*entrusted
			for k, size := range c.sizes {
				garment := source(fmt.Sprintf("garment%d.gltf", k), size)
				rest = append(rest, &entrusted{
					task:  &wardrobe.Task{Name: garment.Name, Body: body, Garment: garment},
					files: []*upload{files.of(body.File, body.Files[0].Size), files.of(garment.File, garment.Files[0].Size)},
				})
			}
			failed := 0
			var err error
			for len(rest) > 0 && err == nil {
				_, err = e.next(t.Context(), &rest, files, func(v wardrobe.Event) {
					if v.Kind == wardrobe.Failed {
						failed++
					}
				})
			}
			if (err != nil) != c.err || failed != c.failed || len(f.handed) != c.jobs {
				t.Fatalf("%v; %d failed; jobs %v", err, failed, f.handed)
			}
			if c.puts == 0 && len(f.put) > 0 {
				t.Errorf("%d files were put in vain", len(f.put))
			}
			for sum, n := range f.put {
				if n != c.puts {
					t.Errorf("%x was put %d times, want %d", sum[:4], n, c.puts)
				}
			}
		})
	}
}
