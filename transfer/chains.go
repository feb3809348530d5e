package transfer

// Chains: what becomes of the weight of joints that loose cloth does not follow, or
// has too many of.

import (
	"cmp"
	"context"
	"math"
	"slices"

	"github.com/selvage/selvage/transfer/skinning"
	"github.com/selvage/selvage/transfer/weights"
	"gonum.org/v1/gonum/spatial/r3"
)

// handover says for each joint what becomes of its weight: shares that stay, and
// shares that go to ancestors. What is in no share is dropped.
type handover [][]share

type share struct {
	joint uint16
	part  float64
}

// handUp lets joint j keep the part keep[j] of all that it has and is given, and hand
// the rest to its parent. What the last one hands on is dropped.
func handUp(s *Source, keep []float64) handover {
	joints := s.body.Skin.Joints
	h := make(handover, len(joints))
	for j := range joints {
		rest := 1.0
		for k, steps := j, 0; k >= 0 && rest > 0 && steps <= len(joints); k, steps = joints[k].Parent, steps+1 {
			if part := rest * keep[k]; part > 0 {
				h[j] = append(h[j], share{uint16(k), part})
				rest -= part
			}
		}
	}
	return h
}

// give adds weight of joint j to acc.
func (h handover) give(acc *weights.Accumulator, j uint16, weight float64) {
	for _, to := range h[j] {
		acc.Add(to.joint, to.part*weight)
	}
}

// thinLoss is the share of a region's weight that the limit of influences may cut,
// thinSamples the number of vertices that it is measured on.
const (
	thinLoss    = 0.003
	thinSamples = 4000
	// From thinLight of a region's weight on, a joint is as important as its bones.
	thinLight = 0.06
)

// thinChains merges joints of loose cloth into their ancestors until a limit of most
// influences cuts hardly anything: where it cuts much, neighbours lose different
// joints, and a broad sheet that blends a whole spine would tear. Rows are changed as
// far as the cloth hangs.
//
// The order is by the share of the cloth that lies nearest to a joint's bones, which
// a change of the body's rows does not touch: by weight, spine joints of nearly the
// same weight would change places, and with them all rows of the sheet.
func thinChains(ctx context.Context, s *Source, g *target, hang []float64, region []int32, regions int, rows *weights.Rows, most int) (*weights.Rows, error) {
	joints := s.body.Skin.Joints
	members := make([][]int32, regions)
	for v, r := range region {
		if r >= 0 && hang[v] > 0 {
			members[r] = append(members[r], int32(v))
		}
	}
	into := make([]handover, regions)
	for r, list := range members {
		h, err := thin(ctx, s, g, list, rows, most)
		if err != nil {
			return nil, err
		}
		into[r] = h
	}
	acc := weights.NewAccumulator(len(joints))
	out := weights.NewRows(rows.Len())
	for v := 0; v < rows.Len(); v++ {
		if ended(ctx, v) {
			return nil, ctx.Err()
		}
		joint, weight := rows.Row(v)
		if region[v] < 0 || hang[v] == 0 {
			out.Append(joint, weight)
			continue
		}
		for i, j := range joint {
			part := hang[v] * g.lock.merges(v, j)
			into[region[v]].give(acc, j, part*weight[i])
			acc.Add(j, (1-part)*weight[i])
		}
		acc.FlushNormalised(out)
	}
	return out, nil
}

// byDepth calls visit for all joints, the deepest first.
func byDepth(joints []skinning.Joint, visit func(j int)) {
	depth, order := make([]int, len(joints)), make([]int, len(joints))
	for j := range joints {
		order[j] = j
		for k := joints[j].Parent; k >= 0 && depth[j] <= len(joints); k = joints[k].Parent {
			depth[j]++
		}
	}
	slices.SortStableFunc(order, func(a, b int) int { return cmp.Compare(depth[b], depth[a]) })
	for _, j := range order {
		visit(j)
	}
}

// counterparts numbers the joints so that those have the same number that sit alike in the
// skeleton: below joints that do, with as many joints below them, like the arms of the two
// sides.
func counterparts(joints []skinning.Joint) []int {
	below, order := make([]int, len(joints)), []int(nil)
	byDepth(joints, func(j int) {
		order = append(order, j)
		if p := joints[j].Parent; p >= 0 {
			below[p] += 1 + below[j]
		}
	})
	number, known := make([]int, len(joints)), map[[2]int]int{}
	for _, j := range slices.Backward(order) { // parents first
		key := [2]int{-1, below[j]}
		if p := joints[j].Parent; p >= 0 {
			key[0] = number[p]
		}
		if _, ok := known[key]; !ok {
			known[key] = len(known)
		}
		number[j] = known[key]
	}
	return number
}

// nearestBone returns the share of the area of the vertices that each joint's bones,
// the lines to its children, are nearest to.
func nearestBone(s *Source, g *target, list []int32, step int) []float64 {
	joints := s.body.Skin.Joints
	own, total := make([]float64, len(joints)), 0.0
	for k := 0; k < len(list); k += step {
		p := g.position[list[k]]
		best, least := -1, math.Inf(1)
		for j := range joints {
			a := joints[j].Global.T
			to, from := a, j
			if q := joints[j].Parent; q >= 0 {
				a, from = joints[q].Global.T, q
			}
			along := r3.Sub(to, a)
			t := 0.0
			if l := r3.Norm2(along); l > 0 {
				t = min(max(r3.Dot(r3.Sub(p, a), along)/l, 0), 1)
			}
			// Beyond the end of a bone the next one is as near.
			if d := r3.Norm2(r3.Sub(p, r3.Add(a, r3.Scale(t, along)))); d < least {
				best, least = from, d
				if t == 1 {
					best = j
				}
			}
		}
		if best >= 0 { // not at infinite distance
			own[best] += g.area[list[k]]
			total += g.area[list[k]]
		}
	}
	for j := range own {
		own[j] /= max(total, math.SmallestNonzeroFloat64)
	}
	return own
}

// thin finds what thinChains does to one region.
func thin(ctx context.Context, s *Source, g *target, list []int32, rows *weights.Rows, limit int) (handover, error) {
	joints := s.body.Skin.Joints
	// A few thousand vertices tell the shares well enough.
	step := 1 + len(list)/thinSamples
	mass, total := make([]float64, len(joints)), 0.0
	for k := 0; k < len(list); k += step {
		joint, weight := rows.Row(int(list[k]))
		for i, j := range joint {
			mass[j] += g.area[list[k]] * weight[i]
		}
		total += g.area[list[k]]
	}
	// The topmost joint of each chain has nobody to hand to.
	top := make([]bool, len(joints))
	for j := range joints {
		top[j] = true
		for k, steps := joints[j].Parent, 0; k >= 0 && steps <= len(joints); k, steps = joints[k].Parent, steps+1 {
			top[j] = top[j] && mass[k] == 0
		}
	}
	keep := make([]float64, len(joints))
	for j := range joints {
		if mass[j] > 0 {
			keep[j] = 1
		}
	}
	acc, one := weights.NewAccumulator(len(joints)), weights.NewRows(1)
	var w []float64
	cut := func() float64 {
		h := handUp(s, keep)
		lost := 0.0
		for k := 0; k < len(list); k += step {
			joint, weight := rows.Row(int(list[k]))
			for i, j := range joint {
				h.give(acc, j, weight[i])
			}
			one.Start, one.Joint, one.Weight = one.Start[:1], one.Joint[:0], one.Weight[:0]
			acc.FlushNormalised(one)
			_, weight = one.Row(0)
			w = append(w[:0], weight...)
			slices.Sort(w)
			for _, x := range w[:max(0, len(w)-limit)] {
				lost += g.area[list[k]] * x
			}
		}
		return lost
	}
	if cut() <= thinLoss*total {
		return handUp(s, keep), nil
	}
	importance := nearestBone(s, g, list, step)
	// What has hardly any weight leaves its importance to its parent.
	byDepth(joints, func(j int) {
		if p := joints[j].Parent; p >= 0 && !top[j] {
			light := (1 - smoothstep(0, thinLight, mass[j]/total)) * importance[j]
			importance[j] -= light
			importance[p] += light
		}
	})
	alike := counterparts(joints)
	for cut() > thinLoss*total {
		if err := ctx.Err(); err != nil {
			return nil, err
		}
		least := -1
		for j := range joints {
			if keep[j] > 0 && !top[j] && (least < 0 || importance[j] < importance[least]) {
				least = j
			}
		}
		if least < 0 {
			break
		}
		// Its counterpart on the other side goes with it.
		var group []int
		for j := range joints {
			if keep[j] > 0 && !top[j] && importance[j] <= 1.2*importance[least] && (joints[j].Parent == joints[least].Parent || alike[j] == alike[least]) {
				group = append(group, j)
			}
		}
		for _, j := range group {
			keep[j] = 0
			for k, steps := joints[j].Parent, 0; k >= 0 && steps <= len(joints); k, steps = joints[k].Parent, steps+1 {
				if keep[k] > 0 {
					importance[k] += importance[j]
					break
				}
			}
		}
	}
	return handUp(s, keep), nil
}
