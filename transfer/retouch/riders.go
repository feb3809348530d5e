package retouch

// Riders: small islands that move as one piece on something else, buttons, buckles and
// badges. Along the surface nothing leads to them, so that they have to be told when the
// rows under them change.

import (
	"context"
	"math"

	"github.com/selvage/selvage/transfer/closest"
	"github.com/selvage/selvage/transfer/mesh"
	"github.com/selvage/selvage/transfer/weights"
	"gonum.org/v1/gonum/spatial/r3"
)

const (
	// riderSize is the largest extent of a rider, as a share of the surface's diagonal:
	// 20 cm on a grown figure's coat, a pouch.
	riderSize = 0.15
	// seatDepth is how much farther than its nearest vertex a rider's others may lie from
	// what it sits on and still count as its seat, as a share of its extent: as in the transfer.
	seatDepth = 0.25
	// ridesAlong is the L1 distance up to which a rider has the row of its seat: what a
	// limit to four influences takes off a mean of several rows, and an export off that.
	ridesAlong = 0.25
	// seatMoves is the change of a seat's row, in L1, from which on a rider that stays
	// behind is worth a word: it moves a button 10 cm from a joint by some 4 mm in a
	// quarter turn.
	seatMoves = 0.05
)

// RiderReport says what became of small pieces that move as one, where the rows of what
// they sit on changed.
type RiderReport struct {
	// Followed pieces got the row of what they sit on; Stayed ones kept theirs, because
	// they lie outside the region or did not have that row before.
	Followed int `json:"followed"`
	Stayed   int `json:"stayed"`
}

// ride lets riders in the region follow what they sit on: each gets one row, the mean of
// the new rows of its seat. next and touched are changed rows by joined vertex and what
// they are for; in is the region. A rider is an island whose vertices all have one row,
// small, nearer to other islands than it is long, while not all islands are such. With
// whatever, what its row was does not matter; else it has to have been its seat's. The
// result is a new Rows, or next; touched is changed in place.
func (g *joined) ride(ctx context.Context, next *weights.Rows, touched, in []bool, whatever bool, report *RiderReport) (*weights.Rows, error) {
	islands, err := mesh.NewIslandsContext(ctx, g.adjacency)
	if err != nil || islands.Count < 2 {
		return next, err
	}
	size := make([]float64, islands.Count) // of candidates; 0 for the rest
	any, cloth := false, false
	diagonal := g.bind.Diagonal()
	for i := range size {
		members := islands.Members(i)
		box := r3.Box{Min: g.bind.Positions[members[0]], Max: g.bind.Positions[members[0]]}
		one := len(members) > 2
		for k, v := range members {
			if k%4096 == 0 && ctx.Err() != nil {
				return nil, ctx.Err()
			}
			p := g.bind.Positions[v]
			box.Min = r3.Vec{X: min(box.Min.X, p.X), Y: min(box.Min.Y, p.Y), Z: min(box.Min.Z, p.Z)}
			box.Max = r3.Vec{X: max(box.Max.X, p.X), Y: max(box.Max.Y, p.Y), Z: max(box.Max.Z, p.Z)}
			one = one && g.rows.DistanceL1(int(v), g.rows, int(members[0])) <= unchanged
		}
		if s := r3.Norm(r3.Sub(box.Max, box.Min)); one && s > 0 && s <= riderSize*diagonal {
			size[i], any = s, true
		} else {
			cloth = true
		}
	}
	if !any || !cloth {
		return next, nil
	}
	tree, err := closest.NewTreeAmong(ctx, g.bind.Positions, g.bind.Triangles, func(t [3]int32) bool {
		return size[islands.Island[t[0]]] == 0 && g.usable(int(t[0])) && g.usable(int(t[1])) && g.usable(int(t[2]))
	}, g.form.Threads)
	if err != nil {
		return nil, err
	}
	acc := weights.NewAccumulator(len(g.of.Skin.Joints))
	seat := map[int32]row{} // of the riders that follow, by island
	for i := range size {
		if size[i] == 0 {
			continue
		}
		if ctx.Err() != nil {
			return nil, ctx.Err()
		}
		members := islands.Members(i)
		hits := make([]closest.Hit, len(members))
		least, inside := math.Inf(1), true
		for k, v := range members {
			inside = inside && in[v]
			if hits[k] = tree.Nearest(g.bind.Positions[v]); hits[k].Triangle >= 0 {
				least = min(least, math.Sqrt(hits[k].DistanceSq))
			}
		}
		if !(least <= size[i]) {
			continue // it sits on nothing
		}
		mean := func(rows *weights.Rows) row {
			for _, h := range hits {
				if math.Sqrt(h.DistanceSq) > least+seatDepth*size[i] {
					continue
				}
				for c, u := range g.bind.Triangles[h.Triangle] {
					if h.Bary[c] > 0 {
						acc.AddRow(rows, int(u), h.Bary[c])
					}
				}
			}
			one := weights.NewRows(1)
			acc.FlushNormalised(one)
			return row{one.Joint, one.Weight}
		}
		before, after := mean(g.rows), mean(next)
		joint, weight := g.rows.Row(int(members[0]))
		moved := distanceL1(before, after)
		switch along := whatever || distanceL1(row{joint, weight}, before) <= ridesAlong; {
		case inside && along && (whatever || moved > unchanged):
			seat[int32(i)] = after
			if distanceL1(row{joint, weight}, after) > unchanged {
				report.Followed++
			}
		case moved > seatMoves:
			report.Stayed++
		}
	}
	if len(seat) == 0 {
		return next, nil
	}
	out := weights.NewRows(next.Len())
	for w := range touched {
		if r, ok := seat[islands.Island[w]]; ok {
			touched[w] = true
			out.Append(r.joint, r.weight)
		} else {
			out.Append(next.Row(w))
		}
	}
	return out, nil
}

func (r *RiderReport) add(o RiderReport) {
	r.Followed += o.Followed
	r.Stayed += o.Stayed
}

// noteRiders says what became of them.
func (s *Summary) noteRiders(r RiderReport) {
	if r.Followed > 0 {
		s.note("%d small pieces that move as one (buttons, buckles) got the rows of what they sit on", r.Followed)
	}
	if r.Stayed > 0 {
		s.note("%d small pieces that move as one (buttons, buckles) keep their rows, while what they sit on changed: they lie outside the region, or had other rows than that before; they leave it in motion", r.Stayed)
	}
}
