package report

// Edits by hand: what became of them in the last pass, and where they are.

import (
	"fmt"
	"maps"
	"math"
	"slices"

	"gonum.org/v1/gonum/spatial/r3"

	"github.com/selvage/selvage/transfer"
	"github.com/selvage/selvage/transfer/mesh"
	"github.com/selvage/selvage/transfer/pass"
)

// shownConflicts is how many conflicts of a garment the page lists, those first whose
// rows the transfer moved most.
const shownConflicts = 100

// editsRow is a garment in the table of edits.
type editsRow struct {
	Name                                                                 string
	First                                                                bool
	Edited, New, Undone, Kept, Carried, Agreed, Conflict, Locked, Places int
	Dropped                                                              []string
	Moved                                                                string
	Conflicts                                                            []conflictRow
	More                                                                 bool // conflicts than are listed
	Index                                                                int  // in viewData.Edits; -1: there is nothing to show
}

// conflictRow is one conflict.
type conflictRow struct {
	Index         int // in viewData.Conflicts
	Vertex        int
	Joint, Choice string
	Edit, Moved   string
}

// edits makes the tables of edits, and adds to data what shows them.
func (s *scene) edits(data *viewData) []editsRow {
	data.Edits, data.Conflicts = []viewPlace{}, []viewPlace{}
	var out []editsRow
	for i, f := range s.figures {
		p := f.Pass
		if p == nil {
			continue
		}
		r := editsRow{
			Name: f.Name, First: p.First, Edited: p.Edited, New: p.New, Undone: p.Undone, Kept: p.Kept, Carried: p.Carried, Agreed: p.Agreed,
			Conflict: p.Conflict, Locked: p.Locked, Places: len(p.Conflicts), Moved: "not known", Index: -1,
		}
		for _, why := range slices.Sorted(maps.Keys(p.Dropped)) {
			r.Dropped = append(r.Dropped, fmt.Sprintf("%d: %s", p.Dropped[why], why))
		}
		if f.Difference != nil {
			r.Moved = fmt.Sprintf("%.3f", f.mostDifferent())
		}
		if v, ok := s.editedPlace(i); ok {
			r.Index = len(data.Edits)
			data.Edits = append(data.Edits, v)
		}
		for _, c := range p.WorstConflicts(shownConflicts) {
			if c.Vertex < 0 || c.Vertex >= f.Mesh.NumVertices() {
				continue // of another garment
			}
			r.Conflicts = append(r.Conflicts, conflictRow{
				Index: len(data.Conflicts), Vertex: c.Vertex, Joint: c.Joint, Choice: c.Choice, Edit: fmt.Sprintf("%.3f", c.Edit), Moved: fmt.Sprintf("%.3f", c.Moved),
			})
			data.Conflicts = append(data.Conflicts, s.vertexPlace(i, c.Vertex, f.Mesh.Positions[c.Vertex], 0))
		}
		r.More = len(p.Conflicts) > len(r.Conflicts)
		out = append(out, r)
	}
	return out
}

// vertexPlace looks at a point of figure i from where its vertex v faces; radius is
// what should be seen around the point.
func (s *scene) vertexPlace(i, v int, centre r3.Vec, radius float64) viewPlace {
	n := s.welded[i].normal[s.welded[i].ToWelded[v]]
	return viewPlace{
		Figure: i, Vertex: v, Centre: triple(r3.Sub(centre, s.centre)), Azimuth: math.Atan2(n.X, n.Z),
		Elevation: min(max(math.Asin(min(max(n.Y, -1), 1)), -1.2), 1.2), Half: max(1.3*radius, 2*closeUpShare*s.size),
	}
}

// editedPlace shows all kept edits of figure i, from where the first of them faces.
func (s *scene) editedPlace(i int) (viewPlace, bool) {
	f := s.figures[i]
	first := -1
	var at []r3.Vec
	for v, r := range f.Reason {
		if r&transfer.ReasonKeptEdit != 0 {
			if first < 0 {
				first = v
			}
			at = append(at, f.Mesh.Positions[v])
		}
	}
	if first < 0 {
		return viewPlace{}, false
	}
	box := mesh.Bounds(at)
	return s.vertexPlace(i, first, r3.Scale(0.5, r3.Add(box.Min, box.Max)), r3.Norm(r3.Sub(box.Max, box.Min))/2), true
}

// FromRecord adds what the record of the garment's last pass says: what became of
// edits by hand, and how far each row is from the garment as the artist left it
// before. A record with other vertices tells the edits alone.
func (f *Figure) FromRecord(r *pass.Record) {
	f.Pass = &r.Last.Summary
	if d := r.Last.Differences(); len(d) == f.Mesh.NumVertices() {
		f.Difference = d
	}
}
