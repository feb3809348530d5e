package closest

import (
	"context"
	"math"
	"slices"

	"gonum.org/v1/gonum/spatial/r3"
)

type Hit struct {
	Triangle   int32
	DistanceSq float64
	Point      r3.Vec
	Bary       [3]float64
}

type node struct {
	lo, hi       r3.Vec
	nlo, nhi     r3.Vec
	first, count int32
}

type Tree struct {
	nodes  []node
	tri    [][3]r3.Vec
	normal []r3.Vec
	id     []int32
}

func NewTree(ctx context.Context, p []r3.Vec, tris [][3]int32, threads int) (*Tree, error) {
	t := &Tree{}
	n := len(tris)
	c := make([]r3.Vec, n)
	order := make([]int32, n)
	for i, x := range tris {
		order[i] = int32(i)
		c[i] = r3.Scale(1./3, r3.Add(p[x[0]], r3.Add(p[x[1]], p[x[2]])))
	}
	inf := math.Inf(1)
	var rec func(o []int32)
	rec = func(o []int32) {
		me := len(t.nodes)
		nd := node{lo: r3.Vec{X: inf, Y: inf, Z: inf}, hi: r3.Vec{X: -inf, Y: -inf, Z: -inf}, nlo: r3.Vec{X: inf, Y: inf, Z: inf}, nhi: r3.Vec{X: -inf, Y: -inf, Z: -inf}}
		ext := func(lo, hi *r3.Vec, q r3.Vec) {
			lo.X, lo.Y, lo.Z = min(lo.X, q.X), min(lo.Y, q.Y), min(lo.Z, q.Z)
			hi.X, hi.Y, hi.Z = max(hi.X, q.X), max(hi.Y, q.Y), max(hi.Z, q.Z)
		}
		for _, i := range o {
			for _, v := range tris[i] {
				ext(&nd.lo, &nd.hi, p[v])
			}
			ext(&nd.nlo, &nd.nhi, unit(p, tris[i]))
		}
		if len(o) <= 4 {
			nd.first, nd.count = int32(len(t.tri)), int32(len(o))
			for _, i := range o {
				x := tris[i]
				t.tri = append(t.tri, [3]r3.Vec{p[x[0]], p[x[1]], p[x[2]]})
				t.normal = append(t.normal, unit(p, x))
				t.id = append(t.id, i)
			}
			t.nodes = append(t.nodes, nd)
			return
		}
		e := r3.Sub(nd.hi, nd.lo)
		ax := func(q r3.Vec) float64 { return q.X }
		if e.Y > e.X && e.Y >= e.Z {
			ax = func(q r3.Vec) float64 { return q.Y }
		} else if e.Z > e.X {
			ax = func(q r3.Vec) float64 { return q.Z }
		}
		slices.SortFunc(o, func(a, b int32) int {
			if x, y := ax(c[a]), ax(c[b]); x < y {
				return -1
			} else if x > y {
				return 1
			}
			return int(a - b)
		})
		t.nodes = append(t.nodes, nd)
		rec(o[:len(o)/2])
		t.nodes[me].first = int32(len(t.nodes))
		rec(o[len(o)/2:])
	}
	if n > 0 {
		rec(order)
	}
	return t, nil
}

func unit(p []r3.Vec, x [3]int32) r3.Vec {
	n := r3.Cross(r3.Sub(p[x[1]], p[x[0]]), r3.Sub(p[x[2]], p[x[0]]))
	if l := r3.Norm(n); l > 0 {
		return r3.Scale(1/l, n)
	}
	return r3.Vec{}
}

func boxSq(lo, hi, p r3.Vec) float64 {
	x, y, z := max(lo.X-p.X, p.X-hi.X, 0), max(lo.Y-p.Y, p.Y-hi.Y, 0), max(lo.Z-p.Z, p.Z-hi.Z, 0)
	return x*x + y*y + z*z
}

func (t *Tree) Nearest(p r3.Vec) Hit { return t.NearestWithin(p, math.Inf(1)) }

func (t *Tree) NearestWithin(p r3.Vec, maxSq float64) Hit {
	h, _ := t.NearestOriented(p, r3.Vec{}, 0, maxSq)
	return h
}

func (t *Tree) NearestAll(ctx context.Context, pts []r3.Vec, hits []Hit, threads int) error {
	for i, p := range pts {
		hits[i] = t.Nearest(p)
	}
	return ctx.Err()
}

func (t *Tree) NearestOriented(p, n r3.Vec, lambdaSq, maxCost float64) (Hit, float64) {
	best := Hit{Triangle: -1}
	if len(t.nodes) == 0 {
		return best, maxCost
	}
	bound := func(i int32) float64 {
		x := &t.nodes[i]
		b := boxSq(x.lo, x.hi, p)
		if lambdaSq > 0 {
			b += lambdaSq * boxSq(x.nlo, x.nhi, n)
		}
		return b
	}
	type ent struct {
		d float64
		n int32
	}
	var st [128]ent
	sp := 1
	st[0] = ent{bound(0), 0}
	cost := maxCost
	for sp > 0 {
		sp--
		if !(st[sp].d < cost) {
			continue
		}
		i := st[sp].n
		x := &t.nodes[i]
		if x.count > 0 {
			for k := x.first; k < x.first+x.count; k++ {
				q, b := ClosestPoint(p, t.tri[k])
				d := r3.Norm2(r3.Sub(p, q))
				c := d
				if lambdaSq > 0 {
					c += lambdaSq * r3.Norm2(r3.Sub(n, t.normal[k]))
				}
				if c < cost {
					cost = c
					best = Hit{Triangle: t.id[k], DistanceSq: d, Point: q, Bary: b}
				}
			}
			continue
		}
		l, r := i+1, x.first
		dl, dr := bound(l), bound(r)
		if dl < dr {
			l, r, dl, dr = r, l, dr, dl
		}
		st[sp], st[sp+1] = ent{dl, l}, ent{dr, r}
		sp += 2
	}
	return best, cost
}
