package pass

import (
	"strings"
	"testing"

	"github.com/selvage/selvage/transfer"
	"github.com/selvage/selvage/transfer/gltfio"
	"github.com/selvage/selvage/transfer/weights"
)

// TestTransfer_NotesWhatCannotBeTold: what may be the artist's work or a program's is no
// edit, and said: small influences that are gone from all of a file, single steps of its
// integers.
func TestTransfer_NotesWhatCannotBeTold(t *testing.T) {
	body := prepare(t, coxBody(t))
	in := Input{Garment: "jersey", From: coxGarment(t, "jersey", 0.25)}
	first := mustTransfer(t, body, in)
	inBytes := in
	inBytes.Options.Format = weights.Uint8
	coarse := mustTransfer(t, body, inBytes)
	says := func(t *testing.T, out *Output, text string, want bool) {
		t.Helper()
		if got := strings.Contains(strings.Join(out.Summary.Notes, "\n"), text); got != want {
			t.Errorf("%q is noted: %v, want %v; notes %q", text, got, want, out.Summary.Notes)
		}
	}
	next := func(t *testing.T, in Input, first *Output, artist *gltfio.Asset) *Output {
		t.Helper()
		in.Record, in.Current = first.Record, artist
		return mustTransfer(t, body, in)
	}
	clean := func(places func(int) bool) *gltfio.Asset {
		return changedRows(t, first.Asset, weights.Float32, func(place int, row map[string]float64) {
			for name, w := range row {
				if w < dropBelow && places(place) {
					delete(row, name)
				}
			}
		})
	}
	t.Run("all small influences are gone", func(t *testing.T) {
		out := next(t, in, first, clean(func(int) bool { return true }))
		says(t, out, "rows lack influences of up to", true)
		if out.Summary.New > 0 {
			t.Errorf("%d edits", out.Summary.New)
		}
	})
	t.Run("those of some places", func(t *testing.T) {
		artist := clean(func(place int) bool { return place%3 > 0 })
		out := next(t, in, first, artist)
		if out.Summary.New == 0 {
			t.Error("no edits")
		}
		mustBeRows(t, out.Asset, artist, out.Record.Edits.Vertex)
	})
	t.Run("nothing is gone", func(t *testing.T) {
		says(t, next(t, in, first, saved(t, first.Asset)), "rows lack influences of up to", false)
	})
	step := func(places func(int) bool) *gltfio.Asset {
		return changedRows(t, coarse.Asset, weights.Uint8, func(place int, row map[string]float64) {
			first, second := "", ""
			for name, w := range row {
				switch {
				case first == "" || w > row[first] || w == row[first] && name < first:
					first, second = name, first
				case second == "" || w > row[second] || w == row[second] && name < second:
					second = name
				}
			}
			if places(place) && second != "" {
				row[first] -= 1.0 / 255
				row[second] += 1.0 / 255
			}
		})
	}
	t.Run("a step of bytes", func(t *testing.T) {
		out := next(t, inBytes, coarse, step(func(place int) bool { return place%5 == 0 }))
		says(t, out, "no more than a step of their weights", true)
		says(t, next(t, inBytes, coarse, step(func(int) bool { return false })), "no more than a step of their weights", false)
	})
	t.Run("an edit that the format cannot hold", func(t *testing.T) {
		artist := changedRows(t, first.Asset, weights.Float32, func(place int, row map[string]float64) {
			if place%7 == 0 && row["spine_3"] > 0.2 {
				row["spine_3"] -= 1e-4
				row["head"] += 1e-4
			}
		})
		if out := next(t, inBytes, first, artist); out.Summary.Dropped[DropCut] == 0 {
			t.Errorf("in bytes: %s", counts(&out.Summary))
		}
		if out := next(t, in, first, artist); out.Summary.Lost() > 0 {
			t.Errorf("in floats: %s", counts(&out.Summary))
		}
	})
}

// TestTransfer_LostToTheLimit: a carried row that lacks an influence given by hand is
// flagged and noted.
func TestTransfer_LostToTheLimit(t *testing.T) {
	body := coxBody(t)
	in := Input{Garment: "jersey", From: coxGarment(t, "jersey", 0.25)}
	first := mustTransfer(t, prepare(t, body), in)
	artist := changedRows(t, first.Asset, weights.Float32, func(place int, row map[string]float64) {
		if row["spine_2"] > 0.2 && len(row) < 4 {
			row["spine_2"] -= 0.015
			row["head"] += 0.015
		}
	})
	moved := changedRows(t, body, weights.Float32, func(_ int, row map[string]float64) {
		if w := row["spine_2"]; w > 0.1 {
			row["spine_2"], row["pelvis"], row["neck"], row["spine_4"] = w-0.11, row["pelvis"]+0.04, row["neck"]+0.03, row["spine_4"]+0.04
		}
	})
	in.Record, in.Current = first.Record, artist
	in.Policy.Default = KeepChange
	out := mustTransfer(t, prepare(t, moved), in)
	flagged := 0
	for _, r := range out.Reason {
		if transfer.Reason(r)&transfer.ReasonKeptEdit != 0 && transfer.Reason(r)&transfer.ReasonPruned != 0 {
			flagged++
		}
	}
	if noted := strings.Contains(strings.Join(out.Summary.Notes, "\n"), "lack an influence that was given by hand"); !noted || flagged == 0 {
		t.Errorf("noted %v, %d flagged; %s; notes %q", noted, flagged, counts(&out.Summary), out.Summary.Notes)
	}
}
