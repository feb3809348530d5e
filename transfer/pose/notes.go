package pose

// Notes for the rigger: what no weights of a garment can mend.

import (
	"context"
	"math"

	"github.com/selvage/selvage/transfer/weights"
	"gonum.org/v1/gonum/spatial/r3"
)

const (
	// inBend is the range of shares within which a vertex stands in the bend.
	inBend = 0.15
	// bendSlope is the least change of the share to a neighbour there: elsewhere the
	// share is in between, but the same all around.
	bendSlope = 0.01
	// ringShare is the least weight of a twist pair at a vertex that is judged.
	ringShare = 0.8
	// otherAxis: a loss of volume is the helper joint's work where another axis loses
	// less than this share of it.
	otherAxis = 0.6
)

// main returns the pose of a list that counts first: the largest turn about the most
// important axis, and nil without any turn.
func mainPose(poses []Pose) *Pose {
	var best *Pose
	for i := range poses {
		p := &poses[i]
		if p.Change != Turn {
			continue
		}
		if best == nil || p.Importance > best.Importance || p.Importance == best.Importance && math.Abs(p.Amount) > math.Abs(best.Amount) {
			best = p
		}
	}
	return best
}

// jointNotes are the notes on the meshes at one joint; poses are its own.
func (s *scratch) jointNotes(a *active, poses []Pose) []Finding {
	p := mainPose(poses)
	if p == nil {
		return nil
	}
	k := s.k
	var out []Finding
	for _, x := range []struct {
		of    *surface
		share []float64
		over  *overLimit
		name  string
	}{{k.garment, a.garment, s.over, "garment"}, {k.body, a.body, s.overB, "body"}} {
		seen := func(v int32) bool { return x.name == "garment" || k.covered[v] }
		for _, e := range x.of.edge {
			step := math.Abs(x.share[e[0]] - x.share[e[1]])
			if step > k.limits.Coarse && seen(e[0]) && seen(e[1]) {
				x.over.add(e[0], step/k.limits.Coarse, step)
				x.over.add(e[1], step/k.limits.Coarse, step)
			}
		}
		out = append(out, k.findings(Coarse, p, x.over, x.of, x.name)...)
		for v, w := range x.share {
			near := x.of.adj.Neighbours(v)
			if n := float64(len(near)); n < k.limits.Pole || w < inBend || w > 1-inBend || !seen(int32(v)) {
				continue
			}
			slope := 0.0
			for _, u := range near {
				slope = max(slope, math.Abs(x.share[u]-w))
			}
			if slope > bendSlope {
				x.over.add(int32(v), float64(len(near))/k.limits.Pole, float64(len(near)))
			}
		}
		out = append(out, k.findings(Pole, p, x.over, x.of, x.name)...)
	}
	return out
}

// volumeNote compares the body's loss of volume over the axes of one joint.
func (k *Checker) volumeNote(a *active, poses []Pose, list []Measures) []Finding {
	loss := [3]float64{math.NaN(), math.NaN(), math.NaN()}
	var at [3]int
	for i := range poses {
		if poses[i].Change != Turn {
			continue
		}
		if x := poses[i].axis; math.IsNaN(loss[x]) || list[i].BodyVolume > loss[x] {
			loss[x], at[x] = list[i].BodyVolume, i
		}
	}
	worst, best := -1, math.Inf(1)
	for x, l := range loss {
		if math.IsNaN(l) {
			continue
		}
		if worst < 0 || l > loss[worst] {
			worst = x
		}
		best = min(best, l)
	}
	if worst < 0 || loss[worst] < k.limits.BodyVolume || best > otherAxis*loss[worst] {
		return nil
	}
	// The covered vertex of the bend's middle nearest to the joint is its place.
	o := k.skeleton.skin.Joints[a.joint].Global.T
	place, nearest := int32(-1), math.Inf(1)
	for _, t := range a.bodyTri {
		v := k.body.tri[t][0]
		if w := a.body[v]; w > 0.3 && w < 0.7 {
			if d := r3.Norm2(r3.Sub(k.body.pos[v], o)); d < nearest {
				place, nearest = v, d
			}
		}
	}
	if place < 0 {
		return nil
	}
	return []Finding{k.finding(BodyVolume, &poses[at[worst]], k.body.place("body", place), loss[worst], 1)}
}

// twistNotes finds twist pairs: a joint without children that stands on the bone
// from its parent to another child of it shares that bone's weight with its parent,
// by the place along the bone alone (common practice: even around each ring). Where
// the share differs around a ring, the twist bulges on one side.
func (k *Checker) twistNotes(poses []Pose) []Finding {
	s := k.skeleton
	var out []Finding
	for j := range s.skin.Joints {
		parent := s.skin.Joints[j].Parent
		from, to, found := twistBone(s, j)
		if !found {
			continue
		}
		var own []Pose
		for i := range poses {
			if poses[i].root == j {
				own = append(own, poses[i])
			}
		}
		p := mainPose(own)
		if p == nil {
			continue
		}
		// The twist is about the bone: of the joint's own poses take that axis.
		bone := direction(from, to)
		for i := range own {
			if own[i].Change == Turn && math.Abs(r3.Dot(s.skin.LocalAxis(j, own[i].axis), bone)) > math.Abs(r3.Dot(s.skin.LocalAxis(j, p.axis), bone)) {
				p = &own[i]
			}
		}
		// Rings: slices of the bone two mean edges thick. Within a slice the share
		// changes along the bone too, so it is held against a straight line over the
		// slice, fitted by least squares.
		length := norm(r3.Sub(to, from))
		rings := max(1, int(length/(2*k.body.meanEdge)))
		type sample struct {
			v        int32
			x, twist float64
		}
		ring := make([][]sample, rings)
		for v := range k.body.pos {
			joint, weight := k.body.rows.Row(v)
			pair, twist := 0.0, 0.0
			for i, q := range joint {
				if int(q) == j {
					twist += weight[i]
					pair += weight[i]
				} else if int(q) == parent {
					pair += weight[i]
				}
			}
			if pair < ringShare || !k.covered[v] {
				continue
			}
			x := r3.Dot(r3.Sub(k.body.pos[v], from), bone) / length
			if x < 0 || x >= 1 {
				continue
			}
			i := int(x * float64(rings))
			ring[i] = append(ring[i], sample{int32(v), x, twist / pair})
		}
		worst, place, size := 0.0, int32(-1), 0
		for _, r := range ring {
			if len(r) < 8 {
				continue
			}
			var mx, my, sxx, sxy float64
			for _, q := range r {
				mx, my = mx+q.x/float64(len(r)), my+q.twist/float64(len(r))
			}
			for _, q := range r {
				sxx, sxy = sxx+(q.x-mx)*(q.x-mx), sxy+(q.x-mx)*(q.twist-my)
			}
			slope := 0.0
			if sxx > 0 {
				slope = sxy / sxx
			}
			lo, hi, far := math.Inf(1), math.Inf(-1), int32(-1)
			most := -1.0
			for _, q := range r {
				d := q.twist - my - slope*(q.x-mx)
				lo, hi = min(lo, d), max(hi, d)
				if math.Abs(d) > most {
					most, far = math.Abs(d), q.v
				}
			}
			if hi-lo > worst {
				worst, place, size = hi-lo, far, len(r)
			}
		}
		if place >= 0 && worst > k.limits.TwistUneven {
			out = append(out, k.finding(TwistUneven, p, k.body.place("body", place), worst, size))
		}
	}
	return out
}

// influenceNotes says where the body's row under a garment vertex has more
// influences than the garment keeps, and what the lost ones would have moved: the
// distance between the places to which the whole row and the limited one send the
// vertex.
//
// Turning joint j moves x to x + S_j (R-I)(x - o_j), with S_j the weight in j's
// subtree, so the distance is |dS_j| |(R-I)(x - o_j)|.
func (k *Checker) influenceNotes(ctx context.Context, poses []Pose) []Finding {
	most := 0
	for v := range k.garment.pos {
		j, _ := k.garment.rows.Row(v)
		most = max(most, len(j))
	}
	if most == 0 {
		return nil
	}
	// One pose a joint and axis is enough: the largest.
	type key struct{ root, axis int }
	largest := map[key]int{}
	var order []key
	for i := range poses {
		if poses[i].Change != Turn {
			continue
		}
		x := key{poses[i].root, poses[i].axis}
		if at, ok := largest[x]; !ok {
			largest[x] = i
			order = append(order, x)
		} else if math.Abs(poses[i].Amount) > math.Abs(poses[at].Amount) {
			largest[x] = i
		}
	}
	n := len(k.skeleton.skin.Joints)
	full := weights.NewRows(0)
	acc := weights.NewAccumulator(n)
	var who []int32
	for v := range k.garment.pos {
		m := &k.match[v]
		if m.triangle < 0 {
			continue
		}
		for i, u := range k.body.tri[m.triangle] {
			if m.bary[i] > 0 {
				acc.AddRow(k.body.rows, int(u), m.bary[i])
			}
		}
		acc.FlushNormalised(full)
		who = append(who, int32(v))
	}
	limited, lost := weights.Limit(full, most)
	worst := make(map[key]spot)
	difference := make([]float64, n) // by joint; zero but for those of one row
	for i, v := range who {
		if lost[i] < 1e-3 {
			continue
		}
		if ctx.Err() != nil {
			return nil
		}
		whole, weight := full.Row(i)
		for q, j := range whole {
			difference[j] += weight[q]
		}
		joint, weight := limited.Row(i) // joints of the whole row
		for q, j := range joint {
			difference[j] -= weight[q] / (1 - float64(lost[i]))
		}
		for _, x := range order {
			d := 0.0
			for _, j := range whole {
				if x.root >= 0 && k.skeleton.within(x.root, int(j)) {
					d += difference[j]
				}
			}
			if math.Abs(d) < 1e-4 {
				continue
			}
			c := poses[largest[x]].changes[0].by
			p := k.garment.pos[v]
			if moved := math.Abs(d) * norm(r3.Sub(c.Apply(p), p)); moved > k.limits.InfluencesCut {
				s := worst[x]
				s.vertices++
				if moved > s.size {
					s.v, s.size = v, moved
				}
				worst[x] = s
			}
		}
		for _, j := range whole {
			difference[j] = 0
		}
	}
	var out []Finding
	for _, x := range order {
		if s, ok := worst[x]; ok {
			out = append(out, k.finding(InfluencesCut, &poses[largest[x]], k.garment.place("garment", s.v), s.size, s.vertices))
		}
	}
	return out
}
