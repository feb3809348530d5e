package transfer

// Orphans: islands without a single trusted vertex (a strap end, a plume, a flap
// held off the body). They follow the trusted cloth beside them, where that is
// nearer than the body.

import (
	"context"
	"fmt"
	"math"

	"github.com/selvage/selvage/transfer/closest"
	"github.com/selvage/selvage/transfer/weights"
)

// adoptOrphans replaces the rows of orphaned islands and says so. rows and t are
// by welded vertex; t is changed in place, rows is not.
func adoptOrphans(ctx context.Context, s *Source, g *target, rigid []bool, t *trusted, rows *weights.Rows, threads int) (*weights.Rows, []string, error) {
	orphan := make([]bool, g.islands.Count)
	any, anyTrusted := false, false
	steps := 0
	for i := range orphan {
		trustedVertex, loose := false, false
		for _, v := range g.islands.Members(i) {
			if steps++; ended(ctx, steps) {
				return nil, nil, ctx.Err()
			}
			loose = loose || t.hang[v] > 0.5
			trustedVertex = trustedVertex || confidence(t.expected[v]) >= fillConfidence && rows.Start[v+1] > rows.Start[v]
		}
		anyTrusted = anyTrusted || trustedVertex && !rigid[i]
		if !trustedVertex && !rigid[i] && !loose {
			orphan[i], any = true, true
		}
	}
	if !any {
		return rows, nil, nil
	}
	cloth := g.welded.Mesh.Triangles
	tree, err := closest.NewTreeAmong(ctx, g.position, cloth, wholly(func(v int32) bool {
		i := g.islands.Island[v]
		return anyTrusted && !rigid[i] && !orphan[i] && confidence(t.expected[v]) >= fillConfidence && rows.Start[v+1] > rows.Start[v]
	}), threads)
	if err != nil {
		return nil, nil, fmt.Errorf("garment %q: tree of the trusted cloth: %w", g.garment.Name, err)
	}
	acc := weights.NewAccumulator(len(s.body.Skin.Joints))
	out := weights.NewRows(rows.Len())
	adopted := make([]bool, g.islands.Count)
	onBody := make([]bool, g.islands.Count)
	for i := range orphan {
		if !orphan[i] {
			continue
		}
		cloth, body := math.Inf(1), math.Inf(1)
		for _, v := range g.islands.Members(i) {
			if steps++; steps%blockSize == 0 && ctx.Err() != nil {
				return nil, nil, ctx.Err()
			}
			if hit := tree.Nearest(g.position[v]); hit.Triangle >= 0 {
				cloth = min(cloth, math.Sqrt(hit.DistanceSq))
			}
			body = min(body, t.match[v].distance)
		}
		adopted[i] = cloth < body
		onBody[i] = !adopted[i]
	}
	byCloth, byBody := 0, 0
	for v := 0; v < rows.Len(); v++ {
		if v%blockSize == 0 && ctx.Err() != nil {
			return nil, nil, ctx.Err()
		}
		i := g.islands.Island[v]
		if orphan[i] {
			t.reason[v] |= ReasonFilled
		}
		hit := closest.Hit{Triangle: -1}
		if adopted[i] {
			hit = tree.Nearest(g.position[v])
		}
		if hit.Triangle < 0 {
			out.Append(rows.Row(v))
			continue
		}
		for k, u := range cloth[hit.Triangle] {
			if b := hit.Bary[k]; b > 0 {
				acc.AddRow(rows, int(u), b)
			}
		}
		acc.FlushNormalised(out)
	}
	for i := range orphan {
		if adopted[i] {
			byCloth++
		} else if onBody[i] {
			byBody++
		}
	}
	var notes []string
	if byCloth > 0 {
		notes = append(notes, fmt.Sprintf("%d islands have no vertex to trust and follow the cloth beside them", byCloth))
	}
	if byBody > 0 {
		notes = append(notes, fmt.Sprintf("%d islands have no vertex to trust and follow the nearest body surface", byBody))
	}
	return out, notes, nil
}
