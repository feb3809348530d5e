package wardrobe

import (
	"os"
	"strings"
	"testing"
)

// TestOutcome_PagePoses: every garment of a page is posed; one that cannot be is on
// the page all the same, and says why.
func TestOutcome_PagePoses(t *testing.T) {
	_, file := wardrobeAt(t, crewManifest)
	o := runPlan(t, Runner{Executor: &Local{}}, planOf(t, file))
	var bare *Item
	for i := range o.Items {
		if x := &o.Items[i]; x.Task.Body.Name == "mate" && bare == nil {
			bare = x
			// As if another program had taken the weights away.
			data, err := os.ReadFile(x.Task.Garment.File)
			if err != nil {
				t.Fatal(err)
			}
			write(t, x.Task.Output, data)
		}
	}
	page, err := o.Page(t.Context(), "mate", 0)
	if err != nil {
		t.Fatal(err)
	}
	posed := 0
	for _, g := range page.Garments {
		said := false
		for _, n := range g.Notes {
			said = said || strings.HasPrefix(n, "not posed: ")
		}
		checked := false
		for _, c := range page.Checks {
			checked = checked || strings.HasPrefix(c, g.Name+": ") && strings.Contains(c, " poses checked")
		}
		if is := g.Name == bare.Task.Garment.Name; said != is || checked == is {
			t.Errorf("%s: said not posed %v, posed %v; %q", g.Name, said, checked, g.Notes)
		}
		if checked {
			posed++
		}
	}
	if posed == 0 || len(page.Poses) == 0 { // the coat's tails are in the way of its legs
		t.Errorf("%d garments posed, %d poses offered", posed, len(page.Poses))
	}
}
