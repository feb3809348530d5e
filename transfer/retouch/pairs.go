package retouch

// Pairs: which joint is whose counterpart on the other side.

import (
	"fmt"
	"slices"
	"strings"
	"unicode"
	"unicode/utf8"

	"github.com/goccy/go-yaml"
	"github.com/selvage/selvage/transfer/mesh"
	"github.com/selvage/selvage/transfer/skinning"
	"gonum.org/v1/gonum/spatial/r3"
)

// Pair is a joint with its counterpart, which is the joint itself in the middle.
type Pair struct {
	Joint string `json:"joint"`
	Other string `json:"other"`
	// By says what the pair rests on: "names", "position", "file", or "parent" where
	// the joint has no counterpart and its parent's takes the weight.
	By string `json:"by"`
	// Distance between the one's mirrored origin and the other's, metres.
	Distance float64 `json:"distance"`
	// Doubt says what should be looked at; empty where nothing should.
	Doubt string `json:"doubt,omitempty"`
}

// What a pair rests on.
const (
	byNames    = "names"
	byPosition = "position"
	byFile     = "file"
	byParent   = "parent"
)

// ReadPairs reads pairs of joint names: a YAML mapping from a joint to its
// counterpart, which is itself for a joint in the middle. file appears in messages.
func ReadPairs(text []byte, file string) ([][2]string, error) {
	var entries yaml.MapSlice
	if err := yaml.UnmarshalWithOptions(text, &entries, yaml.UseOrderedMap()); err != nil {
		return nil, fmt.Errorf("%s: is no mapping of joint names: %s", file, strings.SplitN(yaml.FormatError(err, false, false), "\n", 2)[0])
	}
	var out [][2]string
	for _, e := range entries {
		a, okA := e.Key.(string)
		b, okB := e.Value.(string)
		if !okA || !okB {
			return nil, fmt.Errorf("%s: %v: %v is no pair of joint names", file, e.Key, e.Value)
		}
		out = append(out, [2]string{a, b})
	}
	return out, nil
}

// side is what a name says: left, right or nothing.
type side int

const (
	noSide side = iota
	leftSide
	rightSide
)

// swapped returns the names that a name would have on the other side, and its side:
// the words left and right wherever they stand, and the letters l and r where they
// stand alone (arm_l, L_arm, ArmL, lArm, arm.L.001), in lower or upper case (common
// practice). Whether such a joint exists is another question.
func swapped(name string) (names []string, of side) {
	type site struct {
		at, n int
		with  string
		of    side
	}
	var sites []site
	for i := range name {
		for _, x := range []struct {
			from, with string
			of         side
		}{
			{"left", "right", leftSide}, {"right", "left", rightSide}, {"Left", "Right", leftSide}, {"Right", "Left", rightSide},
			{"LEFT", "RIGHT", leftSide}, {"RIGHT", "LEFT", rightSide},
		} {
			if strings.HasPrefix(name[i:], x.from) {
				sites = append(sites, site{i, len(x.from), x.with, x.of})
			}
		}
		for _, x := range []struct {
			from, with string
			of         side
		}{{"l", "r", leftSide}, {"r", "l", rightSide}, {"L", "R", leftSide}, {"R", "L", rightSide}} {
			if name[i:i+1] == x.from && alone(name, i) {
				sites = append(sites, site{i, 1, x.with, x.of})
			}
		}
	}
	if len(sites) == 0 {
		return nil, noSide
	}
	swap := func(s site) string { return name[:s.at] + s.with + name[s.at+s.n:] }
	for _, s := range sites {
		names = append(names, swap(s))
	}
	if len(sites) > 1 {
		all := name
		for _, s := range slices.Backward(sites) {
			all = all[:s.at] + s.with + all[s.at+s.n:]
		}
		names = append(names, all)
	}
	return names, sites[0].of
}

// alone reports whether the letter at i is a word of its own.
func alone(name string, i int) bool {
	c := rune(name[i])
	before, _ := utf8.DecodeLastRuneInString(name[:i])
	after, _ := utf8.DecodeRuneInString(name[i+1:])
	starts := i == 0 || !unicode.IsLetter(before) || unicode.IsLower(before) && unicode.IsUpper(c)
	ends := i+1 == len(name) || !unicode.IsLetter(after) || unicode.IsUpper(after)
	return starts && ends
}

// plane is the mirror: where coordinate axis (0 x, 1 y, 2 z) is at.
type plane struct {
	axis int
	at   float64
}

func coordinate(p r3.Vec, axis int) float64 {
	switch axis {
	case 0:
		return p.X
	case 1:
		return p.Y
	}
	return p.Z
}

// side is the signed distance of p from the plane.
func (m plane) side(p r3.Vec) float64 { return coordinate(p, m.axis) - m.at }

// flip is the vector mirrored.
func (m plane) flip(d r3.Vec) r3.Vec {
	switch m.axis {
	case 0:
		d.X = -d.X
	case 1:
		d.Y = -d.Y
	default:
		d.Z = -d.Z
	}
	return d
}

// point is the point mirrored.
func (m plane) point(p r3.Vec) r3.Vec {
	p = m.flip(p)
	switch m.axis {
	case 0:
		p.X += 2 * m.at
	case 1:
		p.Y += 2 * m.at
	default:
		p.Z += 2 * m.at
	}
	return p
}

// uniqueNames leads from names to joints; names that stand twice, and empty ones,
// lead nowhere.
func uniqueNames(s *skinning.Skin) map[string]int {
	at := map[string]int{}
	for j := range s.Joints {
		if _, twice := at[s.Joints[j].Name]; twice || s.Joints[j].Name == "" {
			at[s.Joints[j].Name] = -1
		} else {
			at[s.Joints[j].Name] = j
		}
	}
	return at
}

// otherByName is the joint of to whose name is the other side's of name; -1: none.
func otherByName(name string, to map[string]int) int {
	names, _ := swapped(name)
	for _, n := range names {
		if k, ok := to[n]; ok && k >= 0 && n != name {
			return k
		}
	}
	return -1
}

// middles are the middles, on an axis, of the pairs of joints that names make: of the
// left ones of a skin with their counterparts, or, of two skins, of all of from's that
// have one or the same name in to. left is the median way from a counterpart to the left
// one, 0 where there is none.
func middles(from, to *skinning.Skin, axis int) (middle []float64, left float64) {
	at := uniqueNames(to)
	var towards []float64
	for j := range from.Joints {
		k := otherByName(from.Joints[j].Name, at)
		_, of := swapped(from.Joints[j].Name)
		if from == to && of != leftSide {
			continue
		}
		if q, ok := at[from.Joints[j].Name]; from != to && k < 0 && ok {
			k = q
		}
		if k >= 0 {
			a, b := coordinate(from.Joints[j].Global.T, axis), coordinate(to.Joints[k].Global.T, axis)
			middle = append(middle, (a+b)/2)
			towards = append(towards, a-b)
		}
	}
	if len(towards) > 0 {
		slices.Sort(towards)
		left = towards[len(towards)/2]
	}
	return middle, left
}

// findPlane puts the plane through the middle of the pairs that names make: the
// median of their middles, at 0 where that is within tolerance of it or there are no
// such pairs. leftPositive says on which side of it the left is: by the same pairs,
// else the positive one (in glTF an asset faces +z with +y up, so that its left is +x:
// glTF 2.0 specification, section 3.4, from memory).
func findPlane(s *skinning.Skin, axis int, tolerance float64) (_ plane, leftPositive bool) {
	middle, left := middles(s, s, axis)
	return throughMiddle(axis, middle, tolerance), left >= 0
}

// throughMiddle puts the plane at the median of the middles, at 0 where that is within
// tolerance of it or there are none.
func throughMiddle(axis int, middle []float64, tolerance float64) plane {
	m := plane{axis: axis}
	if len(middle) == 0 {
		return m
	}
	slices.Sort(middle)
	if x := middle[len(middle)/2]; x > tolerance || x < -tolerance {
		m.at = x
	}
	return m
}

// pairTolerance is the default distance of a pair's mirrored origins from which on it
// is doubtful: a hundredth of the box around the joints, 2 cm on a grown figure.
func pairTolerance(s *skinning.Skin) float64 {
	points := make([]r3.Vec, len(s.Joints))
	for j := range points {
		points[j] = s.Joints[j].Global.T
	}
	box := mesh.Bounds(points)
	return 0.01 * r3.Norm(r3.Sub(box.Max, box.Min))
}

// pairJoints finds for every joint of from the joint of to (which may be the same
// skin) that takes its weight on the other side. Given pairs come first, then names,
// each held against the positions, then positions alone; what is left goes where its
// parent goes. The list has every pair once, in from's order.
func pairJoints(from, to *skinning.Skin, m plane, given [][2]string, tolerance float64) (other []int, list []Pair, err error) {
	n := len(from.Joints)
	same := from == to
	fromName, toName := uniqueNames(from), uniqueNames(to)
	other = make([]int, n)
	by := make([]string, n)
	taken := make([]bool, len(to.Joints))
	for j := range other {
		other[j] = -1
	}
	set := func(j, k int, why string) {
		other[j], by[j], taken[k] = k, why, true
		if same {
			other[k], by[k], taken[j] = j, why, true
		}
	}
	for _, p := range given {
		j, okJ := fromName[p[0]]
		k, okK := toName[p[1]]
		for i, ok := range []bool{okJ && j >= 0, okK && k >= 0} {
			if !ok {
				return nil, nil, bad("pairs", "%q is not the name of exactly one joint", p[i])
			}
		}
		if other[j] >= 0 && other[j] != k || same && other[k] >= 0 && other[k] != j {
			return nil, nil, bad("pairs", "%q or %q has another counterpart already", p[0], p[1])
		}
		set(j, k, byFile)
	}
	for j := range from.Joints {
		if other[j] >= 0 || fromName[from.Joints[j].Name] != j {
			continue
		}
		k := otherByName(from.Joints[j].Name, toName)
		if same {
			if k >= 0 && other[k] < 0 && otherByName(to.Joints[k].Name, fromName) == j {
				set(j, k, byNames)
			}
			continue
		}
		if _, of := swapped(from.Joints[j].Name); k < 0 {
			// Another asset may call its joints the same, when names have no side, or when
			// both assets show the same side.
			if q, ok := toName[from.Joints[j].Name]; ok && q >= 0 && (of == noSide || near(from, j, to, q, m) <= tolerance) {
				k = q
			}
		}
		if k >= 0 && !taken[k] {
			set(j, k, byNames)
		}
	}
	// By position: pairs that are each other's nearest among the joints left.
	nearest := func(a *skinning.Skin, j int, b *skinning.Skin, free func(int) bool) int {
		best, least := -1, tolerance
		if same && near(a, j, b, j, m) <= tolerance {
			return j // in the middle
		}
		for k := range b.Joints {
			if d := near(a, j, b, k, m); free(k) && d <= least && (best < 0 || d < least) {
				best, least = k, d
			}
		}
		return best
	}
	for j := range from.Joints {
		if other[j] >= 0 {
			continue
		}
		k := nearest(from, j, to, func(k int) bool { return !taken[k] })
		if k >= 0 && nearest(to, k, from, func(i int) bool { return other[i] < 0 }) == j {
			set(j, k, byPosition)
		}
	}
	for j := range from.Joints {
		if other[j] >= 0 {
			continue
		}
		by[j] = byParent
	}
	for j := range from.Joints {
		if by[j] != byParent {
			continue
		}
		k := j
		for steps := 0; k >= 0 && by[k] == byParent && steps <= n; steps++ {
			k = from.Joints[k].Parent
		}
		switch {
		case k >= 0 && by[k] != byParent:
			other[j] = other[k]
		case same:
			other[j] = j
		default:
			other[j] = 0
		}
	}
	for j := range from.Joints {
		k := other[j]
		if same && by[j] != byParent && k < j {
			continue // listed with the other
		}
		d := near(from, j, to, k, m)
		p := Pair{Joint: from.Joints[j].Name, Other: to.Joints[k].Name, By: by[j], Distance: d}
		_, of := swapped(p.Joint)
		switch {
		case p.By == byParent:
			p.Doubt = "has no counterpart by name or position; its weight goes to its nearest ancestor's"
		case p.By != byPosition && d > tolerance:
			p.Doubt = fmt.Sprintf("the mirrored positions are %.3g m apart", d)
		case p.By == byPosition && same && j == k:
			if of != noSide {
				p.Doubt = "its name has a side, and it stands in the middle without a counterpart"
			}
		case p.By == byPosition:
			p.Doubt = "the positions make a pair, the names do not"
		}
		list = append(list, p)
	}
	return other, list, nil
}

// near is the distance from j's mirrored origin to k's.
func near(a *skinning.Skin, j int, b *skinning.Skin, k int, m plane) float64 {
	return r3.Norm(r3.Sub(m.point(a.Joints[j].Global.T), b.Joints[k].Global.T))
}
