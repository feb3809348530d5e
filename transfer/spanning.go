package transfer

// Cloth that spans: coat tails, skirts, aprons that hang close to the legs look
// like fitted cloth by their distance alone. What tells them apart is how they lie:
// they pass from one limb to another without a surface of the body between
// (neighbours in the cloth whose matches lie on two limbs), and they go around
// neither of the two. A trouser leg goes around its limb; a sleeve may touch the
// trunk, but both go around what they cover.

import (
	"context"
	"math"

	"github.com/selvage/selvage/transfer/closest"
	"gonum.org/v1/gonum/spatial/r3"
)

const (
	// ringLength is the length along a limb of the pieces for which it is asked
	// whether the cloth goes around them, as a share of the body's size (about 6 cm).
	ringLength = 0.026
	// wrapShare is the share of a ring's surface that must be covered for the cloth to
	// go around it. Trousers, sleeves and gloves cover all of it; a narrow skirt 0.74
	// to 0.84 of the thighs, coat tails less.
	wrapShare = 0.9
	// coverDistance is how near cloth must lie in front of the body to cover it, as a
	// share of the size (about 9 cm).
	coverDistance = 0.04
	// spanRows and spanJump tell an edge that spans: the rows of its ends' matches
	// differ by at least spanRows, and the matches lie spanJump times as far apart as
	// the ends do.
	spanRows, spanJump = 1, 1.5
	// coverSamples is the number of body triangles that are asked: enough for some
	// dozens in every ring.
	coverSamples = 16000
)

// rings tells how much of the body the garment covers, by dominating joint and
// place along it.
type rings struct {
	origin, axis   []r3.Vec // by joint
	length         float64
	first          []int32 // by joint: index of its ring 0 in covered
	lowest, count  []int32 // by joint: its lowest ring, how many it has
	covered, total []float64
}

// wrapped reports whether the cloth goes around joint j's surface at p, or at the
// joint's ring nearest to it. Of a joint without rings nothing is known, and the
// cloth counts as fitted.
func (r *rings) wrapped(j int, p r3.Vec) bool {
	if r.count[j] == 0 {
		return true
	}
	k := int32(math.Floor(r3.Dot(r3.Sub(p, r.origin[j]), r.axis[j])/r.length)) - r.lowest[j]
	k = r.first[j] + min(max(k, 0), r.count[j]-1)
	return r.covered[k] >= wrapShare*r.total[k]
}

// dominant returns the joint with the largest weight in a row, -1 in an empty one.
func dominant(joint []uint16, weight []float64) int {
	best := -1
	for i := range joint {
		if best < 0 || weight[i] > weight[best] {
			best = i
		}
	}
	if best < 0 {
		return -1
	}
	return int(joint[best])
}

// newRings samples the body and asks for each sample whether the garment lies in
// front of it. A joint's axis leads from it to the centre of what it dominates.
func newRings(ctx context.Context, s *Source, g *target, threads int) (*rings, error) {
	s = s.alone() // cloth goes around limbs, not around other cloth
	tree, err := closest.NewTree(ctx, g.position, g.welded.Mesh.Triangles, threads)
	if err != nil {
		return nil, err
	}
	joints := s.body.Skin.Joints
	n := len(joints)
	r := &rings{origin: make([]r3.Vec, n), axis: make([]r3.Vec, n), length: ringLength * s.size,
		first: make([]int32, n), lowest: make([]int32, n), count: make([]int32, n)}
	step := max(1, len(s.triangle)/coverSamples)
	type sample struct {
		point, normal r3.Vec
		area          float64
		joint         int
		covered       bool
	}
	var list []sample
	mass := make([]float64, n)
	for t := 0; t < len(s.triangle); t += step {
		tri := s.triangle[t]
		p := s.body.Mesh.Positions
		a, b, c := p[tri[0]], p[tri[1]], p[tri[2]]
		x := sample{point: r3.Scale(1.0/3, r3.Add(a, r3.Add(b, c))), normal: s.faceNormal[t],
			area: r3.Norm(r3.Cross(r3.Sub(b, a), r3.Sub(c, a))) / 2}
		if x.joint = dominant(s.body.Rows.Row(int(tri[0]))); x.joint < 0 || x.area == 0 {
			continue
		}
		list = append(list, x)
		mass[x.joint] += x.area
		r.axis[x.joint] = r3.Add(r.axis[x.joint], r3.Scale(x.area, x.point))
	}
	for j := range joints {
		r.origin[j] = joints[j].Global.T
		if mass[j] > 0 {
			r.axis[j] = r3.Sub(r3.Scale(1/mass[j], r.axis[j]), r.origin[j])
			if l := r3.Norm(r.axis[j]); l > 1e-9*s.size {
				r.axis[j] = r3.Scale(1/l, r.axis[j])
			}
		}
	}
	reach := sq(coverDistance * s.size)
	if err := parallel(ctx, len(list), threads, func(lo, hi int) {
		for i := lo; i < hi; i++ {
			x := &list[i]
			hit := tree.NearestWithin(x.point, reach)
			if hit.Triangle < 0 {
				continue
			}
			off := r3.Sub(hit.Point, x.point)
			d := r3.Norm(off)
			x.covered = d <= anchorNear*s.size || r3.Dot(off, x.normal) > 0.5*d
		}
	}); err != nil {
		return nil, err
	}
	for pass := range 2 {
		for i := range list {
			x := &list[i]
			k := int32(math.Floor(r3.Dot(r3.Sub(x.point, r.origin[x.joint]), r.axis[x.joint]) / r.length))
			if pass == 0 {
				if r.count[x.joint] == 0 {
					r.lowest[x.joint], r.count[x.joint] = k, 1
				}
				if low := r.lowest[x.joint]; k < low {
					r.lowest[x.joint], r.count[x.joint] = k, r.count[x.joint]+low-k
				}
				r.count[x.joint] = max(r.count[x.joint], k-r.lowest[x.joint]+1)
				continue
			}
			at := r.first[x.joint] + k - r.lowest[x.joint]
			r.total[at] += x.area
			if x.covered {
				r.covered[at] += x.area
			}
		}
		if pass == 0 {
			all := int32(0)
			for j := range joints {
				r.first[j] = all
				all += r.count[j]
			}
			r.covered, r.total = make([]float64, all), make([]float64, all)
		}
	}
	return r, nil
}

// related reports whether a and b are one joint, or one hangs from the other.
func (s *Source) related(a, b int) bool {
	joints := s.body.Skin.Joints
	for _, pair := range [2][2]int{{a, b}, {b, a}} {
		for j, steps := pair[0], 0; j >= 0 && steps <= len(joints); j, steps = joints[j].Parent, steps+1 {
			if j == pair[1] {
				return true
			}
		}
	}
	return false
}

// spanning reports for each vertex whether it belongs to a sheet that spans
// between limbs: joined to an edge that spans by cloth that lies on the same limbs
// (or what hangs from them) and goes around neither; and for each joint whether it
// dominates an end of such an edge. O(n log n).
func spanning(ctx context.Context, s *Source, g *target, rigid []bool, t *trusted, threads int) (out, spanned []bool, err error) {
	n := len(g.position)
	limb := make([]int, n)
	for v := range limb {
		limb[v] = dominant(t.rows.Row(v))
	}
	// Edges that may span are rare: most garments have none and need no rings.
	var edges [][2]int32
	for v := int32(0); v < int32(n); v++ {
		if v%(8*blockSize) == 0 && ctx.Err() != nil {
			return nil, nil, ctx.Err()
		}
		if limb[v] < 0 || rigid[g.islands.Island[v]] {
			continue
		}
		for _, u := range g.adjacency.Neighbours(int(v)) {
			if u <= v || limb[u] < 0 || s.related(limb[u], limb[v]) {
				continue
			}
			far := r3.Norm(r3.Sub(t.match[u].point, t.match[v].point))
			if far > spanJump*r3.Norm(r3.Sub(g.position[u], g.position[v])) && t.rows.DistanceL1(int(u), t.rows, int(v)) >= spanRows {
				edges = append(edges, [2]int32{v, u})
			}
		}
	}
	joints := s.body.Skin.Joints
	out, spanned = make([]bool, n), make([]bool, len(joints))
	if len(edges) == 0 {
		return out, spanned, nil
	}
	r, err := newRings(ctx, s, g, threads)
	if err != nil {
		return nil, nil, err
	}
	var queue []int32
	open := func(v int32) bool { return limb[v] >= 0 && !r.wrapped(limb[v], t.match[v].point) }
	for _, e := range edges {
		if !open(e[0]) || !open(e[1]) {
			continue
		}
		for _, v := range e {
			spanned[limb[v]] = true
			if !out[v] {
				out[v] = true
				queue = append(queue, v)
			}
		}
	}
	onSpanned := func(j int) bool {
		for steps := 0; j >= 0 && steps <= len(joints); j, steps = joints[j].Parent, steps+1 {
			if spanned[j] {
				return true
			}
		}
		return false
	}
	for k := 0; k < len(queue); k++ {
		if ended(ctx, k) {
			return nil, nil, ctx.Err()
		}
		for _, u := range g.adjacency.Neighbours(int(queue[k])) {
			if !out[u] && onSpanned(limb[u]) && open(u) {
				out[u] = true
				queue = append(queue, u)
			}
		}
	}
	return out, spanned, nil
}
