package retouch

// What keeps the rows on a mirror's plane their own mirror images.

import (
	"cmp"
	"slices"

	"github.com/selvage/selvage/transfer/skinning"
	"github.com/selvage/selvage/transfer/weights"
)

// middle is the mean of r and its mirrored row, brought to most influences so that it
// stays its own mirror image: a joint and its counterpart are kept together or not at
// all, those first that keep the most weight. Joints without a counterpart, which no
// such row can have, give their weight to the ancestor that stands in for them. Where
// not even one pair has room, the pairs' nearest ancestor in the middle takes their
// weight; r stays as it is where there is none. A middle of a middle is the same again.
func (r row) middle(acc *weights.Accumulator, other []int, skin *skinning.Skin, most int) row {
	for i, j := range r.joint {
		acc.Add(uint16(other[other[j]]), r.weight[i])
	}
	paired := take(acc)
	paired.addMapped(acc, other, 0.5)
	paired.add(acc, 0.5)
	mean := take(acc)
	if len(mean.joint) <= most {
		return mean
	}
	// What is kept: the k heaviest pairs, and the heaviest single joints beside them.
	var single, pair []int // indices into mean; of a pair its lower joint's
	for i, j := range mean.joint {
		if k := other[j]; k == int(j) {
			single = append(single, i)
		} else if int(j) < k {
			pair = append(pair, i)
		}
	}
	heavier := func(a, b int) int { return cmp.Or(cmp.Compare(mean.weight[b], mean.weight[a]), cmp.Compare(a, b)) }
	slices.SortFunc(single, heavier)
	slices.SortFunc(pair, heavier)
	best, pairs := -1.0, 0
	for k := 0; k <= len(pair) && 2*k <= most; k++ {
		sum := 0.0
		for _, i := range pair[:k] {
			sum += 2 * mean.weight[i]
		}
		for _, i := range single[:min(len(single), most-2*k)] {
			sum += mean.weight[i]
		}
		if sum > best {
			best, pairs = sum, k
		}
	}
	if best <= 0 { // nothing but pairs, and room for one joint
		j := int(mean.joint[pair[0]])
		for steps := 0; j >= 0 && other[j] != j && steps <= len(other); steps++ {
			j = skin.Joints[j].Parent
		}
		if j < 0 || other[j] != j {
			return r
		}
		return row{[]uint16{uint16(j)}, []float64{1}}
	}
	for _, i := range pair[:pairs] {
		acc.Add(mean.joint[i], mean.weight[i]/best)
		acc.Add(uint16(other[mean.joint[i]]), mean.weight[i]/best)
	}
	for _, i := range single[:min(len(single), most-2*pairs)] {
		acc.Add(mean.joint[i], mean.weight[i]/best)
	}
	return take(acc)
}

// crossing is the row of joined vertex w, whose hit lies on a triangle of which it may be
// a corner itself. With b its own share, M the exchange of counterparts and c what the
// other corners give, x = b M x + c, and so x = (c + b M c) / (1 - b^2).
func (h *mirrorHit) crossing(acc *weights.Accumulator, w int, rows []row, other []int) row {
	b := 0.0
	for k, c := range h.corner {
		if int(c) == w {
			b += h.bary[k]
		} else if h.bary[k] > 0 {
			rows[c].addMapped(acc, other, h.bary[k])
		}
	}
	if b == 0 {
		return take(acc)
	}
	c := take(acc)
	if !(1-b*b > 0) || len(c.joint) == 0 { // it is its own mirror image
		return rows[w]
	}
	c.add(acc, 1/(1-b*b))
	c.addMapped(acc, other, b/(1-b*b))
	return take(acc)
}
