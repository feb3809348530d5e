package tables

import (
	"os"
	"path/filepath"
	"testing"
)

func TestKeep(t *testing.T) {
	file := filepath.Join(t.TempDir(), "doc.md")
	const doc = "before\n<!-- speed:begin -->\nold\n<!-- speed:end -->\nafter <!-- other:begin -->"
	if err := os.WriteFile(file, []byte(doc), 0o644); err != nil {
		t.Fatal(err)
	}
	for _, bad := range []string{"other", "none"} {
		if err := Keep(file, bad, "x"); err == nil {
			t.Errorf("marks %q: no error", bad)
		}
	}
	for range 2 { // the second time nothing changes
		if err := Keep(file, "speed", "new"); err != nil {
			t.Fatal(err)
		}
		got, err := os.ReadFile(file)
		if want := "before\n<!-- speed:begin -->\nnew\n<!-- speed:end -->\nafter <!-- other:begin -->"; err != nil || string(got) != want {
			t.Errorf("%v: %q, want %q", err, got, want)
		}
	}
}
