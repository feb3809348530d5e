package main

import (
	"bytes"
	"fmt"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"github.com/selvage/selvage/transfer/crew"
	"golang.org/x/sys/unix"
)

// TestBatch_DiskFull: the outputs' disk has room for some of the garments. Those
// are whole, of the others there is nothing, and the status is 1; with room the
// same call makes the rest. Here and on a farm, whose results wait in its store.
func TestBatch_DiskFull(t *testing.T) {
	if os.Getenv("SELVAGE_FARM_TEST") == "" {
		t.Skip("as root, with a mount: SELVAGE_FARM_TEST is not set (make farm-test)")
	}
	const n = 12
	write := func(name string, data []byte) {
		t.Helper()
		if err := os.WriteFile(name, data, 0o600); err != nil {
			t.Fatal(err)
		}
	}
	mate := crew.NewBodyAt("mate", 0.3)
	var body, garment bytes.Buffer
	if err := mate.WriteGLB(&body); err != nil {
		t.Fatal(err)
	}
	if err := mate.GarmentAt("gloves", 0.3).WriteGLB(&garment); err != nil {
		t.Fatal(err)
	}
	wardrobeIn := func(dir string) (file string) {
		t.Helper()
		var manifest strings.Builder
		manifest.WriteString("version: 1\nbodies: [{name: mate, file: body.glb}]\noutput: out/{garment}.glb\ngarments:\n")
		for k := range n {
			fmt.Fprintf(&manifest, "  - {files: gloves.glb, name: gloves-%d, options: {reach: %g}}\n", k, 0.1+float64(k)/8192)
		}
		write(filepath.Join(dir, "body.glb"), body.Bytes())
		write(filepath.Join(dir, "gloves.glb"), garment.Bytes())
		file = filepath.Join(dir, "wardrobe.yaml")
		write(file, []byte(manifest.String()))
		return file
	}
	garments := func(dir string) map[string]string {
		t.Helper()
		list := map[string]string{}
		for name, data := range folder(t, filepath.Join(dir, "out")) {
			if base := filepath.Base(name); base != ".selvage-wardrobe.json" {
				list[base] = data
			}
		}
		return list
	}
	roomy := t.TempDir()
	must(t, "batch", wardrobeIn(roomy), "--quiet")
	want := garments(roomy)
	if len(want) != n {
		t.Fatalf("%v, want %d garments", slices.Sorted(maps.Keys(want)), n)
	}
	for _, place := range []string{"here", "farm"} {
		t.Run(place, func(t *testing.T) {
			dir := t.TempDir()
			file := wardrobeIn(dir)
			out := filepath.Join(dir, "out")
			if err := os.Mkdir(out, 0o755); err != nil {
				t.Fatal(err)
			}
			// Room for half of them.
			small := 0
			for _, data := range want {
				small += len(data) / 2
			}
			if err := unix.Mount("tmpfs", out, "tmpfs", 0, fmt.Sprintf("size=%d", small)); err != nil {
				t.Skipf("NOT TESTED: a small disk cannot be mounted (%v); run as root", err)
			}
			t.Cleanup(func() {
				if err := unix.Unmount(out, unix.MNT_DETACH); err != nil {
					t.Error(err)
				}
			})
			args := []string{"batch", file, "--quiet"}
			if place == "farm" {
				args = append(args, "--farm", "--farm-folder", t.TempDir())
			}
			o := selvage(t, args...)
			if o.status != exitFailed || !strings.Contains(o.stderr, "no space left on device") {
				t.Fatalf("status %d, %q; want %d and why", o.status, o.stderr, exitFailed)
			}
			have := garments(dir)
			if len(have) == 0 || len(have) >= n {
				t.Errorf("%d garments of %d are there", len(have), n)
			}
			for name, data := range have {
				if data != want[name] {
					t.Errorf("%s is half-written, or left over", name)
				}
			}
			if err := unix.Mount("tmpfs", out, "tmpfs", unix.MS_REMOUNT, "size=64m"); err != nil {
				t.Fatal(err)
			}
			must(t, args...)
			if have := garments(dir); !maps.Equal(have, want) {
				t.Errorf("with room there are %v, want %d garments as of the other run", slices.Sorted(maps.Keys(have)), n)
			}
		})
	}
}
