package transfer

// Which joint hangs from which, for skins that do not say it: the joints of tracked
// hands, for one, are often all placed in one frame, none below another. A limb is
// what moves along with a joint, so without that there are no limbs to compare.

import (
	"slices"

	"github.com/selvage/selvage/transfer/skinning"
)

// skeletonTriangles are looked at for the weight that joints share, at most.
const skeletonTriangles = 32_000

// skeleton returns the body's skin, its separate parts hung from one another by the
// weight that they share: a joint and the one that holds it share the surface about
// it. The parts are joined to a maximum spanning tree of the shared weight (Kruskal,
// "On the shortest spanning subtree of a graph and the traveling salesman problem",
// Proceedings of the AMS 7(1), 1956), which hangs from the part about which it
// balances: no branch holds more than half of the weight. Parts without shared weight
// stay apart, and a skin of one part is returned as it is. Poses of the one are poses
// of the other: it is for finding them alone. O(joints^2 + pairs * log).
func (s *Source) skeleton() *skinning.Skin {
	given := s.body.Skin
	n := len(given.Joints)
	top := make([]int, n) // of each joint's part
	tops := 0
	for j := range top {
		k := j
		for steps := 0; given.Joints[k].Parent >= 0 && steps < n; steps++ {
			k = given.Joints[k].Parent
		}
		if top[j] = k; k == j {
			tops++
		}
	}
	if tops < 2 {
		return given
	}

	// Weight of each part, and what joints of different parts share.
	held := make([]float64, n) // by top
	shared := map[[2]int]float64{}
	seen := make([]bool, s.body.Rows.Len())
	step := (len(s.triangle) + skeletonTriangles - 1) / skeletonTriangles
	for t := 0; t < len(s.triangle); t += step {
		for _, v := range s.triangle[t] {
			if seen[v] {
				continue
			}
			seen[v] = true
			joint, weight := s.body.Rows.Row(int(v))
			for i, a := range joint {
				held[top[a]] += weight[i]
				for k, b := range joint[:i] {
					if top[a] != top[b] {
						shared[[2]int{int(min(a, b)), int(max(a, b))}] += min(weight[i], weight[k])
					}
				}
			}
		}
	}

	// Part by part, by the weight that any two of their joints share most of.
	type link struct {
		a, b   int // joints
		weight float64
	}
	var links []link
	for k, w := range shared {
		links = append(links, link{k[0], k[1], w})
	}
	slices.SortFunc(links, func(x, y link) int { // total: maps have no order
		switch {
		case x.weight > y.weight:
			return -1
		case x.weight < y.weight:
			return 1
		case x.a != y.a:
			return x.a - y.a
		}
		return x.b - y.b
	})
	group := make([]int, n)
	for j := range group {
		group[j] = j
	}
	find := func(j int) int {
		for j = top[j]; group[j] != j; j = group[j] {
		}
		return j
	}
	beside := make([][][2]int, n) // by top: own joint, the other's joint
	for _, l := range links {
		a, b := find(l.a), find(l.b)
		if a == b {
			continue
		}
		group[max(a, b)] = min(a, b)
		beside[top[l.a]] = append(beside[top[l.a]], [2]int{l.a, l.b})
		beside[top[l.b]] = append(beside[top[l.b]], [2]int{l.b, l.a})
	}

	out := &skinning.Skin{Name: given.Name, Joints: slices.Clone(given.Joints)}
	done := make([]bool, n)
	for j := range top {
		if top[j] != j || done[find(j)] || len(beside[j]) == 0 {
			continue
		}
		done[find(j)] = true
		// The part whose largest branch is least; of equals the first.
		var weigh func(part, from int) (all, largest float64)
		weigh = func(part, from int) (all, largest float64) {
			all = held[part]
			for _, l := range beside[part] {
				if next := top[l[1]]; next != from {
					below, _ := weigh(next, part)
					all, largest = all+below, max(largest, below)
				}
			}
			return all, largest
		}
		root, least := -1, 0.0
		for k := range top {
			if top[k] == k && find(k) == find(j) {
				if _, largest := weigh(k, -1); root < 0 || largest < least {
					root, least = k, largest
				}
			}
		}
		var hang func(part, from int)
		hang = func(part, from int) {
			for _, l := range beside[part] {
				if next := top[l[1]]; next != from {
					out.Joints[next].Parent = l[0]
					hang(next, part)
				}
			}
		}
		hang(root, -1)
	}
	return out
}
