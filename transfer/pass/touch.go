package pass

import (
	"cmp"
	"context"
	"fmt"
	"math"
	"slices"

	"github.com/selvage/selvage/transfer/closest"
)

// Touch says how far a change of the body concerns one garment.
type Touch struct {
	Garment  string `json:"garment"`
	Vertices int    `json:"vertices"`
	// Over is the number of vertices whose nearest point of the body, within reach,
	// lies on a triangle that changed, and OverShare their share.
	Over      int     `json:"over"`
	OverShare float64 `json:"overShare"`
	// MaxL1 is the largest change of the body under the garment.
	MaxL1 float64 `json:"maxL1"`
	// JointShare is the share of the garment's weight that lies on joints which
	// changed on the body, by 0.001 or more at one of its changed vertices; 0 for a
	// garment without weights.
	JointShare float64 `json:"jointShare"`
	// Joints are those, most of the garment's weight first, at most five.
	Joints []string `json:"joints"`
	// Touched says that a new transfer may change the garment: it lies over a
	// change.
	Touched bool `json:"touched"`
}

// Touches says which garments a change of the body touches: c is Diff's account of
// the body, body the new one, reach a distance in metres (0: 8% of the diagonal of
// the body's box). Most touched first, then by share of weight on changed joints.
// Garments may have no rows (nil). A body vertex without a match counts as changed
// by 2, the most there is. Errors: ctx's. O(n log n).
func Touches(ctx context.Context, c *Comparison, body *Surface, garments []*Surface, change, reach float64, threads int) ([]Touch, error) {
	if len(c.L1) != body.Mesh.NumVertices() {
		return nil, fmt.Errorf("%s: %d changes for %d vertices", body.Name, len(c.L1), body.Mesh.NumVertices())
	}
	if change == 0 {
		change = DefaultChange
	}
	if reach == 0 {
		reach = 0.08 * body.Mesh.Diagonal()
	}
	if !(reach > 0) || math.IsInf(reach, 0) || !(change > 0) {
		return nil, fmt.Errorf("reach %g, change %g: want positive numbers", reach, change)
	}
	tree, err := closest.NewTree(ctx, body.Mesh.Positions, body.Mesh.Triangles, threads)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", body.Name, err)
	}
	out := make([]Touch, 0, len(garments))
	for _, g := range garments {
		t := Touch{Garment: g.Name, Vertices: g.Mesh.NumVertices()}
		l1 := make([]float64, t.Vertices)
		err := parallel(ctx, t.Vertices, threads, func(v int) {
			h := tree.NearestWithin(g.Mesh.Positions[v], reach*reach)
			if h.Triangle < 0 {
				return
			}
			for k, x := range body.Mesh.Triangles[h.Triangle] {
				if d := c.L1[x]; math.IsNaN(d) {
					l1[v] = 2
				} else if h.Bary[k] > 0 {
					l1[v] = max(l1[v], d)
				}
			}
		})
		if err != nil {
			return nil, err
		}
		for _, d := range l1 {
			if d >= change {
				t.Over++
				t.MaxL1 = max(t.MaxL1, d)
			}
		}
		t.OverShare = float64(t.Over) / max(1, float64(t.Vertices))
		t.Touched = t.Over > 0
		t.share(g, c)
		out = append(out, t)
	}
	slices.SortStableFunc(out, func(a, b Touch) int {
		return cmp.Or(cmp.Compare(b.OverShare, a.OverShare), cmp.Compare(b.JointShare, a.JointShare))
	})
	return out, nil
}

// share measures the garment's weight on changed joints.
func (t *Touch) share(g *Surface, c *Comparison) {
	if g.Rows == nil {
		return
	}
	sums, total := make([]float64, len(g.Joints)), 0.0
	for i, j := range g.Rows.Joint {
		sums[j] += g.Rows.Weight[i]
		total += g.Rows.Weight[i]
	}
	order := make([]int, 0, len(sums))
	for j := range sums {
		if sums[j] > 0 && c.joint[g.Joints[j].Name] {
			order = append(order, j)
			t.JointShare += sums[j] / total
		}
	}
	slices.SortStableFunc(order, func(a, b int) int { return cmp.Compare(sums[b], sums[a]) })
	for _, j := range order[:min(mostJoints, len(order))] {
		t.Joints = append(t.Joints, g.Joints[j].Name)
	}
}
