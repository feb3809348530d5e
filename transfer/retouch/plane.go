package retouch

// Where the mirror stands, and in which pose.

import (
	"context"
	"fmt"
	"math"
	"slices"

	"github.com/selvage/selvage/transfer/closest"
	"github.com/selvage/selvage/transfer/forkjoin"
	"github.com/selvage/selvage/transfer/mesh"
	"github.com/selvage/selvage/transfer/skinning"
	"gonum.org/v1/gonum/spatial/r3"
)

// DoubtError says that most of what a mirror rests on is doubtful: MirrorOptions' Plane,
// Pairs and AllowDoubtful settle it.
type DoubtError struct {
	// Asset that is mirrored; may be empty.
	Asset string
	// Doubtful of Of joint pairs, or where Far is above zero, vertices.
	Doubtful, Of int
	// Far is how far the farthest vertex, mirrored, is from the surface, metres.
	Far float64
}

func (e *DoubtError) Error() string {
	asset := ""
	if e.Asset != "" {
		asset = e.Asset + ": "
	}
	if e.Far > 0 {
		return fmt.Sprintf("%sis not mirrored: at %d of %d vertices there is no surface near the mirrored place, the farthest %.3g m away", asset, e.Doubtful, e.Of, e.Far)
	}
	return fmt.Sprintf("%sis not mirrored: %d of %d joint pairs are doubtful, without a counterpart or not in its mirrored place", asset, e.Doubtful, e.Of)
}

// Evidence for a plane.
const (
	fewPairs    = 3    // so many agree, and nine of ten: the plane is theirs
	mostPlanes  = 64   // that are tried
	mostSamples = 1000 // of the surface
	betterBy    = 0.05 // share of the surface by which another plane must be better than the pairs' median
	halfOfIt    = 0.5  // the least share
	planeSteps  = 5    // towards the plane midway between the surface and its mirror
)

// mirrorPose brings the surfaces, which may be one, into the poses in which their
// skins were bound, where these are others than the default ones: of the ways to do so
// the first, unless the joints' pairs by name lie mirrored clearly better in another, or
// in the default pose. changed says that it did.
func mirrorPose(source, target *Surface, axis int) (_, _ *Surface, changed bool) {
	one := source == target
	frames := func(s *Surface) []*skinning.Affine {
		var out []*skinning.Affine
		for _, f := range bindFrames(s) {
			out = append(out, &f)
		}
		return append(out, nil) // as it stands
	}
	skin := func(s *Surface, to *skinning.Affine) *skinning.Skin {
		if to == nil {
			return s.Skin
		}
		return bound(s.Skin, to)
	}
	tolerance := pairTolerance(source.Skin)
	var best [2]*skinning.Affine
	least := math.Inf(1)
	for i, a := range frames(source) {
		second := []*skinning.Affine{a}
		from := skin(source, a)
		if !one {
			second = frames(target)
		}
		for k, b := range second {
			to := from
			if !one {
				to = skin(target, b)
			}
			apart := pairsApart(from, to, axis, tolerance)
			if i == 0 && k == 0 || apart < 0.5*least && apart < least-0.1*tolerance {
				least, best = apart, [2]*skinning.Affine{a, b}
			}
		}
	}
	if best[0] != nil {
		source = inBindPose(source, best[0])
	}
	switch {
	case one:
		target = source
	case best[1] != nil:
		target = inBindPose(target, best[1])
	}
	return source, target, best != [2]*skinning.Affine{}
}

// pairsApart is the mean distance of the mirrored origins of pairs by name, each at most
// ten times the tolerance; zero where there are none.
func pairsApart(from, to *skinning.Skin, axis int, tolerance float64) float64 {
	middle, _ := middles(from, to, axis)
	m := throughMiddle(axis, middle, 0)
	at := uniqueNames(to)
	sum, n := 0.0, 0
	for j := range from.Joints {
		if k := otherByName(from.Joints[j].Name, at); k >= 0 {
			sum += min(near(from, j, to, k, m), 10*tolerance)
			n++
		}
	}
	return sum / float64(max(1, n))
}

// mirrorPlane is where the mirror of source onto target, which may be one surface,
// stands: through the median of the middles of the pairs that names make. Where these do
// not agree on it, it is the plane that maps most of target onto source, among those
// through the pairs' middles, 0, and the middle of either.
func mirrorPlane(ctx context.Context, source, target *joined, axis int, tolerance float64) (plane, error) {
	near := 0.1 * tolerance
	middle, _ := middles(source.of.Skin, target.of.Skin, axis)
	m := throughMiddle(axis, middle, near) // sorts them
	agree := 0
	for _, x := range middle {
		if math.Abs(x-m.at) <= near {
			agree++
		}
	}
	if agree >= fewPairs && 10*agree >= 9*len(middle) || !(near > 0) {
		return m, nil
	}
	search, err := newPlaneSearch(ctx, source, target, near)
	if err != nil {
		return m, err
	}
	a, b := mesh.Bounds(source.mesh.Positions), mesh.Bounds(target.mesh.Positions)
	list := []float64{0, (coordinate(a.Min, axis) + coordinate(a.Max, axis) + coordinate(b.Min, axis) + coordinate(b.Max, axis)) / 4}
	for i, x := range middle {
		if (i == 0 || x-list[len(list)-1] > near/2) && len(list) < mostPlanes {
			list = append(list, x)
		}
	}
	first, err := search.mapped(ctx, m)
	if err != nil {
		return m, err
	}
	best, most := m, first
	for _, x := range list {
		other := plane{axis, x}
		for step := 0; ; step++ {
			share, err := search.mapped(ctx, other)
			if err != nil {
				return m, err
			}
			if share > most {
				best, most = other, share
			} else if step > 0 {
				break
			}
			if step == planeSteps {
				break
			}
			other.at += search.shift(other)
		}
	}
	if most < halfOfIt || most < first+betterBy {
		return m, nil
	}
	return best, nil
}

// planeSearch tells how much of a surface a plane maps onto another, or itself.
type planeSearch struct {
	from, to  *joined
	tree      *closest.Tree
	sample    []int32 // vertices of to
	area      []float64
	near      float64
	mapsTo    []r3.Vec  // of the last plane, by sample
	away      []float64 // how far that is from its mirrored place
	wholeArea float64
}

func newPlaneSearch(ctx context.Context, from, to *joined, near float64) (*planeSearch, error) {
	s := &planeSearch{from: from, to: to, near: near}
	var err error
	if s.tree, err = closest.NewTree(ctx, from.mesh.Positions, from.mesh.Triangles, from.form.Threads); err != nil {
		return nil, err
	}
	area := make([]float64, len(to.member))
	for _, t := range to.mesh.Triangles {
		a, b, c := to.mesh.Positions[t[0]], to.mesh.Positions[t[1]], to.mesh.Positions[t[2]]
		x := r3.Norm(r3.Cross(r3.Sub(b, a), r3.Sub(c, a))) / 6
		for _, v := range t {
			area[v] += x
		}
	}
	step := max(1, len(area)/mostSamples)
	for v := 0; v < len(area); v += step {
		if area[v] > 0 && to.usable(v) && finite(area[v]) {
			s.sample, s.area = append(s.sample, int32(v)), append(s.area, area[v])
			s.wholeArea += area[v]
		}
	}
	s.mapsTo, s.away = make([]r3.Vec, len(s.sample)), make([]float64, len(s.sample))
	return s, nil
}

// mapped is the share of the surface that m maps onto the other: a place counts the
// less, the farther off it is: 1/2 at the distance near.
func (s *planeSearch) mapped(ctx context.Context, m plane) (share float64, err error) {
	if len(s.sample) == 0 || s.tree.Len() == 0 {
		return 0, nil
	}
	err = forkjoin.Each(ctx, len(s.sample), s.from.form.Threads, func() func(int) {
		return func(i int) {
			q := m.point(s.to.mesh.Positions[s.sample[i]])
			hit := s.tree.Nearest(q)
			s.mapsTo[i], s.away[i] = r3.Sub(hit.Point, q), math.Sqrt(hit.DistanceSq)
		}
	})
	for i, d := range s.away {
		share += s.area[i] / (1 + d*d/(s.near*s.near))
	}
	return share / s.wholeArea, err
}

// shift is how far the last plane would have to move for the median of the places that
// are not far off to lie on the surface.
func (s *planeSearch) shift(m plane) float64 {
	var list []float64
	for i, d := range s.away {
		if d <= 10*s.near {
			list = append(list, coordinate(s.mapsTo[i], m.axis)/2)
		}
	}
	if len(list) == 0 {
		return 0
	}
	slices.Sort(list)
	return list[len(list)/2]
}
