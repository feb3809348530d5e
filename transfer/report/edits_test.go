package report_test

import (
	"context"
	"fmt"
	"image/color"
	"strings"
	"testing"

	"github.com/selvage/selvage/transfer"
	"github.com/selvage/selvage/transfer/pass"
	"github.com/selvage/selvage/transfer/report"
)

// edited is the jersey after a pass: kept edits around its frontmost vertex, one
// conflict at its hindmost.
func edited(t *testing.T, c *clad) (f *report.Figure, kept, conflict int) {
	t.Helper()
	g := *c.page.Garments[0]
	kept, conflict = frontmost(g.Mesh, 1), frontmost(g.Mesh, -1)
	g.Reason = make([]transfer.Reason, g.Mesh.NumVertices())
	g.Reason[kept], g.Reason[conflict] = transfer.ReasonKeptEdit, transfer.ReasonKeptEdit|transfer.ReasonEditConflict
	g.Difference = make([]float64, g.Mesh.NumVertices())
	g.Difference[kept] = 0.375
	g.Pass = &pass.Summary{
		Edited: 41, New: 7, Undone: 3, Kept: 21, Carried: 11, Agreed: 2, Conflict: 5, Locked: 13, Dropped: map[string]int{pass.DropGone: 4, pass.DropTurned: 6},
		Conflicts: []pass.Conflict{{Vertex: conflict, Edit: 0.25, Moved: 0.5, Joint: `spine"><script>window.hit=6</script>`, Choice: "keep-edit"}},
	}
	return &g, kept, conflict
}

// TestBrowser_Edits: the table says what became of the edits, and a click shows edits
// and conflicts in the colours of their reason, with a legend.
func TestBrowser_Edits(t *testing.T) {
	t.Parallel()
	c := dressed(t)
	f, kept, conflict := edited(t, c)
	first := *c.page.Garments[1]
	first.Pass = &pass.Summary{First: true}
	page := &report.Page{Body: c.page.Body, Garments: []*report.Figure{f, &first}}
	cells := `[...document.querySelectorAll("#edits table:first-of-type tbody tr")].slice(0, 2).map((r) => [...r.cells].map((c) => c.textContent.trim()))`
	seen := browse(t, write(t, page),
		step{"do": "axe"},
		step{"do": "evaluate", "script": cells},
		step{"do": "evaluate", "script": `[...document.querySelectorAll("#edits h3")].map((h) => h.textContent).concat([...document.querySelectorAll("#edits table")[1].querySelectorAll("tbody tr")[0].cells].slice(0, 5).map((c) => c.textContent))`},
		step{"do": "check", "id": "#even"}, step{"do": "check", "id": "#layer-0", "on": false}, step{"do": "check", "id": "#layer-2", "on": false},
		step{"do": "click", "id": ".contest"},
		step{"do": "evaluate", "script": `[document.querySelector("#colour").value, document.querySelector("#legend-title").textContent, document.querySelector("#number").value, document.activeElement.id]`},
		step{"do": "evaluate", "script": fmt.Sprintf("reportProbe.look(1, %d, 0.004, Math.PI, 0)", conflict)}, step{"do": "evaluate", "script": fmt.Sprintf("reportProbe.screen(1, %d)", conflict)},
		step{"do": "shotCanvas", "file": "conflict.png"},
		step{"do": "select", "id": "#map", "value": "cividis"}, step{"do": "shotCanvas", "file": "cividis.png"},
		step{"do": "select", "id": "#map", "value": "viridis"},
		step{"do": "click", "id": ".edited"},
		step{"do": "evaluate", "script": `[document.querySelector("#legend-title").textContent, document.querySelector("#facts").textContent, typeof window.hit, document.querySelectorAll(".edited").length]`},
		step{"do": "select", "id": "#colour", "value": "difference"}, step{"do": "text", "id": "#legend-high"},
		step{"do": "viewport", "width": 390, "height": 844}, step{"do": "axe"}, step{"do": "evaluate", "script": "document.documentElement.scrollWidth <= innerWidth"},
	)
	seen.clean(t)
	seen.axeClean(t, 0)
	seen.axeClean(t, 19)
	if string(seen.Results[20]) != "true" {
		t.Error("a narrow screen scrolls sideways")
	}
	var rows [][]string
	seen.into(t, 1, &rows)
	want := []string{"jersey", "41", "7", "21", "11", "2", "5", fmt.Sprintf("4: %s; 6: %s", pass.DropGone, pass.DropTurned), "3", "13", "0.375", "Show the edits of jersey"}
	if len(rows) != 2 || strings.Join(rows[0], "|") != strings.Join(want, "|") || !strings.Contains(strings.Join(rows[1], "|"), "first pass") {
		t.Errorf("the table:\n%q\nwant\n%q", rows, want)
	}
	var list []string
	seen.into(t, 2, &list)
	if want := []string{"Conflicts on jersey", fmt.Sprint(conflict), f.Pass.Conflicts[0].Joint, "0.250", "0.500", "keep-edit"}; strings.Join(list, "|") != strings.Join(want, "|") {
		t.Errorf("conflicts %q, want %q", list, want)
	}
	var shown [4]string
	seen.into(t, 7, &shown)
	if shown != [4]string{"reason", "Reason: edit in conflict", fmt.Sprint(conflict), "canvas"} {
		t.Errorf("after a click on the conflict: %q", shown)
	}
	var at [2]float64
	seen.into(t, 9, &at)
	for file, m := range map[string]report.Map{"conflict.png": report.Viridis, "cividis.png": report.Cividis} {
		got := color.RGBAModel.Convert(seen.picture(t, file).At(int(at[0]), int(at[1]))).(color.RGBA)
		want := m.At(1)
		for k, d := range [3]int{int(got.R) - int(want.R), int(got.G) - int(want.G), int(got.B) - int(want.B)} {
			if d < -4 || d > 4 { // as in TestBrowser_LooksAndColours
				t.Errorf("%s: the vertex in conflict has colour %v, want %v (channel %d)", file, got, want, k)
				break
			}
		}
	}
	var edits [4]any
	seen.into(t, 15, &edits)
	if edits[0] != "Reason: kept edit" || !strings.Contains(fmt.Sprint(edits[1]), fmt.Sprintf("%d of jersey", min(kept, conflict))) || edits[2] != "undefined" || edits[3] != 1. {
		t.Errorf("after a click on the edits: %v", edits)
	}
	if high := seen.text(t, 17); high != "0.38" {
		t.Errorf("the legend of the difference ends at %q", high)
	}
}

// TestFromRecord: what a pass left stands in the figure.
func TestFromRecord(t *testing.T) {
	c := dressed(t)
	f := *c.page.Garments[0]
	n := f.Mesh.NumVertices()
	r := &pass.Record{Last: pass.LastPass{Summary: pass.Summary{Kept: 5}, Difference: make([]uint16, n)}}
	r.Last.Difference[2], r.Last.Difference[3] = 32767, pass.UnknownDifference
	f.FromRecord(r)
	if f.Pass.Kept != 5 || len(f.Difference) != n || f.Difference[2] != 1 || f.Difference[3] == f.Difference[3] {
		t.Errorf("%+v, differences %v", f.Pass, f.Difference[:4])
	}
	g := *c.page.Garments[1]
	g.FromRecord(r)
	if g.Difference != nil || g.Pass == nil {
		t.Error("differences of other vertices are taken")
	}
	// A conflict of vertices that are not there is not listed, and breaks nothing.
	g.Pass = &pass.Summary{Conflicts: []pass.Conflict{{Vertex: 1 << 30}, {Vertex: -1}}}
	p := report.Page{Body: c.page.Body, Garments: []*report.Figure{&g}}
	if page := write(t, &p); !strings.Contains(string(page), "Edits since the last pass") {
		t.Error("no table")
	}
	if err := (&report.Page{Body: c.page.Body, Garments: c.page.Garments}).Write(context.Background(), new(strings.Builder)); err != nil {
		t.Error(err)
	}
}
