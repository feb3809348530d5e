package transfer

// Rigid islands: buttons, buckles, badges, toggles, pouches, packs. Such an island moves as one
// piece, so all its vertices get one row, that of the cloth it sits on.

import (
	"context"
	"fmt"
	"math"
	"slices"

	"github.com/selvage/selvage/transfer/closest"
	"github.com/selvage/selvage/transfer/mesh"
	"github.com/selvage/selvage/transfer/weights"
	"gonum.org/v1/gonum/spatial/r3"
)

const (
	// rigidSize is the largest extent of an island that is rigid without being
	// named, as a share of the body's size (about 6 cm on a grown figure).
	rigidSize = 0.03
	// rigidElongation is the largest ratio of its two longest extents: laces and
	// straps are not rigid.
	rigidElongation = 3.5
	// solidSize is the largest extent of a rigid solid (a pouch, a pack, a tool), as a
	// share of the body's size (about 20 cm): closed, at least solidThickness times as
	// thick as it is long, and all on one side of the body (the mean of the body's
	// unit normals under it is at least oneSided long), so that it wraps no limb.
	solidSize, solidThickness, oneSided = 0.09, 0.25, 0.85
	// fewIslands is the number of islands up to which a garment may be nothing but
	// rigid ones.
	fewIslands = 12
	// rigidShare is the largest share of the garment's area that unnamed rigid
	// islands may make up. A garment that is nothing but small pieces (mail,
	// feathers, a mesh cut at every face) is cloth.
	rigidShare = 0.25
)

// rigidIslands reports for each island whether it is rigid.
func rigidIslands(ctx context.Context, s *Source, g *target, opt *Options) (rigid []bool, notes []string, err error) {
	rigid = make([]bool, g.islands.Count)
	named := g.namedVertices(opt.RigidNames)
	total, small := 0.0, 0.0
	var found []int
	open := make([]bool, g.islands.Count)
	border, err := mesh.OpenBorderContext(ctx, g.welded.Mesh.Triangles, nil)
	if err != nil {
		return nil, nil, err
	}
	for t, bits := range border {
		if bits != 0 {
			open[g.islands.Island[g.welded.Mesh.Triangles[t][0]]] = true
		}
	}
	steps := 0
	for i := range rigid {
		members := g.islands.Members(i)
		area := 0.0
		isNamed := false
		for _, v := range members {
			if steps++; ended(ctx, steps) {
				return nil, nil, ctx.Err()
			}
			area += g.area[v]
			isNamed = isNamed || named != nil && named[v]
		}
		total += area
		if isNamed {
			rigid[i] = true
			continue
		}
		if opt.RigidIslands == Off || len(members) < 3 || area == 0 {
			continue
		}
		ext, err := extents(ctx, g.position, members)
		if err != nil {
			return nil, nil, err
		}
		compact := ext[0] <= rigidElongation*ext[1]
		solid := ext[0] <= solidSize*s.size && ext[2] >= solidThickness*ext[0] && !open[i]
		if compact && (ext[0] <= rigidSize*s.size || solid && s.oneSided(g, members)) {
			found = append(found, i)
			small += area
		}
	}
	if opt.RigidIslands == On || small <= rigidShare*total || g.islands.Count <= fewIslands {
		for _, i := range found {
			rigid[i] = true
		}
	} else if len(found) > 0 {
		notes = append(notes, fmt.Sprintf("%d small islands make up %.0f%% of the garment and are treated as cloth", len(found), 100*small/total))
	}
	return rigid, notes, nil
}

// oneSided reports whether the body under the members faces one way.
func (s *Source) oneSided(g *target, members []int32) bool {
	var sum r3.Vec
	n := 0.0
	for k := 0; k < len(members); k += 1 + len(members)/200 {
		if hit := s.tree.Nearest(g.position[members[k]]); hit.Triangle >= 0 {
			sum = r3.Add(sum, s.normalAt(hit.Triangle, hit.Bary))
			n++
		}
	}
	return n > 0 && r3.Norm(sum) >= oneSided*n
}

// extents returns the lengths of the members' principal axes, longest first:
// the ranges of the projections on the eigenvectors of their covariance.
func extents(ctx context.Context, p []r3.Vec, members []int32) ([3]float64, error) {
	pts := make([]r3.Vec, len(members))
	for i, v := range members {
		pts[i] = p[v]
	}
	e, err := mesh.PrincipalExtentsContext(ctx, pts)
	slices.Sort(e[:])
	return [3]float64{e[2], e[1], e[0]}, err
}

// seatRigid gives each rigid island one row: the mean of the finished rows where
// it sits, on the nearest trusted cloth of this garment, else on the body; with
// oneJoint, the joint that carries most of that mean.
// rows and expected are by welded vertex and are changed in place for the
// islands' members; the result is a new Rows.
func seatRigid(ctx context.Context, s *Source, g *target, rigid []bool, t *trusted, rows *weights.Rows, oneJoint bool, threads int) (*weights.Rows, error) {
	if !slices.Contains(rigid, true) {
		return rows, nil
	}
	cloth := g.welded.Mesh.Triangles
	tree, err := closest.NewTreeAmong(ctx, g.position, cloth, wholly(func(v int32) bool {
		return !rigid[g.islands.Island[v]] && rows.Start[v+1] > rows.Start[v]
	}), threads)
	if err != nil {
		return nil, fmt.Errorf("garment %q: tree of the cloth under rigid islands: %w", g.garment.Name, err)
	}
	acc := weights.NewAccumulator(g.joints(s))
	seat := make(map[int]*weights.Rows)
	for i, isRigid := range rigid {
		if !isRigid {
			continue
		}
		if err := ctx.Err(); err != nil {
			return nil, err
		}
		members := g.islands.Members(i)
		// The island sits where it is nearest; all vertices within a little of that
		// distance are its seat.
		extent, err := extents(ctx, g.position, members)
		if err != nil {
			return nil, err
		}
		size := extent[0]
		hits := make([]closest.Hit, len(members))
		least := math.Inf(1)
		for k, v := range members {
			if k%blockSize == 0 && ctx.Err() != nil {
				return nil, ctx.Err()
			}
			hits[k] = tree.Nearest(g.position[v])
			if hits[k].Triangle >= 0 {
				least = min(least, math.Sqrt(hits[k].DistanceSq))
			}
		}
		body := math.Inf(1)
		for _, v := range members {
			body = min(body, t.match[v].distance)
		}
		expected, count := 0.0, 0.0
		// What is locked of an island decides for all of it.
		locked := g.lock.first(members)
		if locked >= 0 {
			acc.AddRow(rows, locked, 1)
			count++
			g.lock.follow(members, locked)
		} else if least <= body && !math.IsInf(least, 1) {
			for k := range members {
				if math.Sqrt(hits[k].DistanceSq) > least+0.25*size {
					continue
				}
				for j, u := range cloth[hits[k].Triangle] {
					if b := hits[k].Bary[j]; b > 0 {
						acc.AddRow(rows, int(u), b)
						expected += b * t.expected[u]
						count += b
					}
				}
			}
		} else {
			for _, v := range members {
				if t.match[v].triangle >= 0 && t.match[v].distance <= body+0.25*size {
					acc.AddRow(t.rows, int(v), 1)
					expected += t.expected[v]
					count++
				}
			}
		}
		one := weights.NewRows(1)
		acc.FlushNormalised(one)
		if j := dominant(one.Row(0)); oneJoint && j >= 0 && locked < 0 {
			acc.Add(uint16(j), 1)
			one = weights.NewRows(1)
			acc.FlushNormalised(one)
		}
		if one.Start[1] == 0 {
			continue // no cloth and no body: the caller's last resort takes it
		}
		seat[i] = one
		for _, v := range members {
			t.expected[v] = expected / count
			t.reason[v] |= ReasonRigidIsland
			t.reason[v] &^= ReasonFilled | ReasonFacingAway | ReasonNeighboursDisagree | ReasonOpenBorder
		}
	}
	out := weights.NewRows(rows.Len())
	for v := 0; v < rows.Len(); v++ {
		if ended(ctx, v) {
			return nil, ctx.Err()
		}
		if one := seat[int(g.islands.Island[v])]; one != nil && !g.lock.is(v) {
			out.Append(one.Row(0))
		} else {
			out.Append(rows.Row(v))
		}
	}
	return out, nil
}

// wholly accepts the triangles all of whose corners keep accepts.
func wholly(keep func(v int32) bool) func(t [3]int32) bool {
	return func(t [3]int32) bool { return keep(t[0]) && keep(t[1]) && keep(t[2]) }
}
