package report

// The difference to the last pass.

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/spatial/r3"

	"github.com/selvage/selvage/transfer/weights"
)

// changedFrom is the L1 distance from which on the notes count a row as changed: a
// percent of the weight elsewhere moves a vertex by less than a millimetre when a
// limb turns by a right angle.
const changedFrom = 0.02

// Compare sets f.Difference to the L1 distance of each row to the same vertex's in an
// earlier file of the garment, joints matched by name (several of one name in their
// order), and notes what changed. Where the numbers of vertices differ there is
// nothing to compare by, and the note says so. O(influences).
func (f *Figure) Compare(earlier *Figure) {
	n := f.Mesh.NumVertices()
	switch {
	case f.Rows == nil || earlier.Rows == nil:
		f.Notes = append(f.Notes, "the difference to the last pass is not known: one of the two files has no weights")
		return
	case earlier.Mesh.NumVertices() != n:
		f.Notes = append(f.Notes, fmt.Sprintf("the difference to the last pass is not known: its file has %d vertices, this one %d", earlier.Mesh.NumVertices(), n))
		return
	}
	// The earlier rows over this file's joints; joints that it lacks get numbers beyond.
	type key struct {
		name string
		nth  int
	}
	number := map[key]uint16{}
	seen := map[string]int{}
	for j := range f.Skin.Joints {
		name := f.Skin.Joints[j].Name
		number[key{name, seen[name]}] = uint16(j)
		seen[name]++
	}
	clear(seen)
	index := make([]uint16, len(earlier.Skin.Joints))
	beyond := len(f.Skin.Joints)
	for j := range index {
		name := earlier.Skin.Joints[j].Name
		at, ok := number[key{name, seen[name]}]
		if !ok {
			at = uint16(beyond)
			beyond++
		}
		seen[name]++
		index[j] = at
	}
	before := weights.NewRows(n)
	row := weights.NewAccumulator(beyond)
	for v := range n {
		joint, weight := earlier.Rows.Row(v)
		for i, j := range joint {
			row.Add(index[j], weight[i])
		}
		row.Flush(before)
	}
	f.Difference = make([]float64, n)
	changed, most, elsewhere := 0, 0, 0
	near := sameJoint * f.Mesh.Diagonal()
	for v := range n {
		d := f.Rows.DistanceL1(v, before, v)
		f.Difference[v] = d
		if d >= changedFrom {
			changed++
		}
		if d > f.Difference[most] {
			most = v
		}
		if !(r3.Norm(r3.Sub(f.Mesh.Positions[v], earlier.Mesh.Positions[v])) <= near) {
			elsewhere++
		}
	}
	switch {
	case changed == 0:
		f.Notes = append(f.Notes, fmt.Sprintf("no row differs from the last pass by %g or more", changedFrom))
	default:
		f.Notes = append(f.Notes, fmt.Sprintf("%d %s from the last pass by %g or more, most at vertex %d: %.2f (L1)",
			changed, plural(changed, "row differs", "rows differ"), changedFrom, most, f.Difference[most]))
	}
	if elsewhere > 0 {
		f.Notes = append(f.Notes, fmt.Sprintf("%d of %d vertices stand elsewhere than in the last pass's file: if their order changed, the difference means nothing", elsewhere, n))
	}
}

// mostDifferent is the largest known difference, 0 for none.
func (f *Figure) mostDifferent() float64 {
	most := 0.0
	for _, d := range f.Difference {
		if !math.IsNaN(d) {
			most = max(most, d)
		}
	}
	return most
}
