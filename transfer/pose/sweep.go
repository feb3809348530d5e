package pose

// The poses of a sweep.

import (
	"fmt"
	"math"

	"github.com/selvage/selvage/transfer/skinning"
	"gonum.org/v1/gonum/spatial/r3"
)

var axisNames = [3]string{"x", "y", "z"}

// Change is what a pose of the sweep does to its joint.
type Change string

const (
	Turn  Change = "turn"  // Amount in degrees about the axis
	Move  Change = "move"  // Amount in metres along the axis
	Scale Change = "scale" // Amount is a factor along the axis
	Whole Change = "pose"  // a whole pose or a moment of an animation; no joint
)

// Pose is one pose to check.
type Pose struct {
	Name   string  `json:"name"`
	Change Change  `json:"change"`
	Joint  string  `json:"joint,omitempty"`
	Axis   string  `json:"axis,omitempty"` // x, y or z, local
	Amount float64 `json:"amount,omitempty"`
	// Importance of the axis, 0 to 1: a hinge's main axis has 1.
	Importance float64 `json:"importance"`

	root    int // the one joint changed, or -1
	axis    int
	changes []change
	// of gives the maps of a moment, made anew at each call: a long animation's do
	// not stand in memory together. nil: from changes.
	of func() []skinning.Affine
}

// Moment is a whole pose given by global transforms, of an animation say.
type Moment struct {
	Name string
	// Body are the global transforms of the body's joints, Garment those of the
	// garment's, joint to world, by the joints of their skins; nil where unknown. A
	// joint that both have goes where the body's goes, one that neither moves follows
	// its parent.
	Body, Garment []skinning.Affine
}

// lazyMoment is a Moment whose transforms are made when they are asked for.
type lazyMoment struct {
	name string
	make func() Moment
}

// moment is m as a pose.
func (s *skeleton) moment(m Moment) (Pose, error) {
	p := Pose{Name: m.Name, Change: Whole, Importance: 1, root: -1}
	if m.Body != nil && len(m.Body) != len(s.body) || m.Garment != nil && len(m.Garment) != len(s.garment) {
		return p, fmt.Errorf("moment %q: %d and %d transforms for %d and %d joints", m.Name, len(m.Body), len(m.Garment), len(s.body), len(s.garment))
	}
	p.of = func() []skinning.Affine { return s.momentMaps(m) }
	return p, nil
}

// momentMaps are the maps of all joints in a moment.
func (s *skeleton) momentMaps(m Moment) []skinning.Affine {
	n := len(s.skin.Joints)
	own, known := make([]skinning.Affine, n), make([]bool, n)
	set := func(list []skinning.Affine, to []uint16) {
		for k := range list {
			j := to[k]
			if known[j] {
				continue
			}
			if inv, ok := s.skin.Joints[j].Global.Inverse(); ok {
				own[j], known[j] = list[k].Mul(&inv), true
			}
		}
	}
	set(m.Body, s.body)
	set(m.Garment, s.garment)
	for _, j := range s.order {
		if known[j] {
			continue
		}
		own[j] = skinning.Identity()
		if up := s.skin.Joints[j].Parent; up >= 0 {
			own[j] = own[up]
		}
	}
	return own
}

// mapsOf are the maps of all joints in a pose.
func (s *skeleton) mapsOf(p *Pose) []skinning.Affine {
	if p.of != nil {
		return p.of()
	}
	return s.maps(p.changes)
}

// The importance of axes where the plan says nothing: common practice judges a
// hinge by its main axis first, then by the others.
const (
	mainAxis   = 1.0
	twistAxis  = 0.6
	offAxis    = 0.4 // a hinge's third axis
	noAxis     = 0.1 // a twist joint bends nothing
	offChanges = 0.3 // translation and scale, times the axis's own
)

// hingeBend is the angle between a joint's two bones, in radians, from which on
// the default pose shows which way it bends.
const hingeBend = 4 * math.Pi / 180

// axisImportance guesses the importance of a joint's local axes from geometry. A
// joint between two bones that are not quite in line is a hinge, whose main axis is
// the local axis nearest to the normal of the plane of the two bones; where they
// are in line, both axes across the bone count as main. Turns along the bone are
// twist, and all that a twist joint does. Joints with several bones of different directions, and single joints, bend
// any way: all axes are main.
func axisImportance(s *skeleton, joint int) [3]float64 {
	all := [3]float64{mainAxis, mainAxis, mainAxis}
	at := s.skin.Joints[joint].Global.T
	var in, out r3.Vec
	if p := s.skin.Joints[joint].Parent; p >= 0 {
		in = direction(s.skin.Joints[p].Global.T, at)
	}
	for _, c := range s.children[joint] {
		d := direction(at, s.skin.Joints[c].Global.T)
		if d == (r3.Vec{}) {
			continue
		}
		if out == (r3.Vec{}) {
			out = d
		} else if r3.Dot(out, d) < 0.9 {
			return all
		}
	}
	bone := out
	if bone == (r3.Vec{}) {
		bone = in // the last of a chain goes on as it came
	}
	if bone == (r3.Vec{}) {
		return all
	}
	along, best := 0, -1.0
	for k := range 3 {
		if c := math.Abs(r3.Dot(bone, s.skin.LocalAxis(joint, k))); c > best {
			along, best = k, c
		}
	}
	if best < 0.8 {
		return all // no local axis runs along the bone
	}
	w := all
	if _, _, twist := twistBone(s, joint); twist {
		w = [3]float64{noAxis, noAxis, noAxis}
		w[along] = mainAxis
		return w
	}
	w[along] = twistAxis
	plane := r3.Cross(in, out)
	if sin := norm(plane); in != (r3.Vec{}) && out != (r3.Vec{}) && sin > math.Sin(hingeBend) {
		plane = r3.Scale(1/sin, plane)
		for k := range 3 {
			if k != along && math.Abs(r3.Dot(plane, s.skin.LocalAxis(joint, k))) < 0.6 {
				w[k] = offAxis
			}
		}
	}
	return w
}

// besideBone is how far, as a share of the bone, a twist joint may stand off it.
const besideBone = 0.15

// twistBone finds the bone that a twist joint stands on: a joint without children,
// on the way from its parent to another child of it.
func twistBone(s *skeleton, joint int) (from, to r3.Vec, ok bool) {
	parent := s.skin.Joints[joint].Parent
	if parent < 0 || len(s.children[joint]) > 0 {
		return from, to, false
	}
	from, at := s.skin.Joints[parent].Global.T, s.skin.Joints[joint].Global.T
	for _, c := range s.children[parent] {
		bone := r3.Sub(s.skin.Joints[c].Global.T, from)
		l := norm(bone)
		if c == joint || l == 0 {
			continue
		}
		along := r3.Dot(r3.Sub(at, from), bone) / (l * l)
		off := norm(r3.Sub(r3.Sub(at, from), r3.Scale(along, bone)))
		if along > 0.1 && along < 0.95 && off < besideBone*l {
			return from, s.skin.Joints[c].Global.T, true
		}
	}
	return from, to, false
}

// direction from a to b, unit; zero where they coincide.
func direction(a, b r3.Vec) r3.Vec {
	d := r3.Sub(b, a)
	l := norm(d)
	if !(l > 1e-6) {
		return r3.Vec{}
	}
	return r3.Scale(1/l, d)
}

// jointRule is what the plan and the geometry say of one joint.
type jointRule struct {
	skip       bool
	angles     []float64
	limit      [3]*[2]float64
	importance [3]float64
}

func (p *Plan) rules(s *skeleton, expand func([]string) []int) []jointRule {
	angles := p.Angles
	if angles == nil {
		angles = []float64{45, 90}
	}
	out := make([]jointRule, len(s.skin.Joints))
	for j := range out {
		out[j] = jointRule{angles: angles, importance: axisImportance(s, j)}
	}
	for i := range p.Joints {
		r := &p.Joints[i]
		for _, j := range expand(r.Joints) {
			o := &out[j]
			o.skip = r.Skip
			if r.Angles != nil {
				o.angles = r.Angles
			}
			for k := range 3 {
				if x := r.Range.of(k); x != nil {
					o.limit[k] = x
				}
				if x := r.Importance.of(k); x != nil {
					o.importance[k] = *x
				}
			}
		}
	}
	return out
}

// mostChanges bounds the changes of joints in all whole poses of a plan together:
// about 100 MB of them.
const mostChanges = 1 << 20

// TooManyPosesError reports a plan of more poses than the caller allows.
type TooManyPosesError struct{ Most int }

func (e *TooManyPosesError) Error() string {
	return fmt.Sprintf("the plan makes more than %d poses or changes of joints", e.Most)
}

// sweep lists the poses of the joints that moves says, then the plan's own: no more
// than most. Errors: *TooManyPosesError; *PlanError for a whole pose that no joint
// answers to.
func (p *Plan) sweep(s *skeleton, expand func([]string) []int, moves []bool, diagonal float64, most int) ([]Pose, error) {
	step := 0.02 * diagonal
	if p.Move != nil {
		step = *p.Move
	}
	factors := p.Scale
	if factors == nil {
		factors = []float64{0.75, 1.33}
	}
	var out []Pose
	for j, r := range p.rules(s, expand) {
		if r.skip || !moves[j] {
			continue
		}
		// A joint's poses are at most six an angle, six moves and three a factor: looked
		// at before they are made.
		if len(out) > most || len(r.angles) > most || len(factors) > most {
			return nil, &TooManyPosesError{most}
		}
		name := s.name(j)
		for k := range 3 {
			if r.importance[k] == 0 || s.skin.LocalAxis(j, k) == (r3.Vec{}) {
				continue
			}
			seen := map[float64]bool{0: true}
			for _, sgn := range [2]float64{1, -1} {
				for _, a := range r.angles {
					a *= sgn
					if l := r.limit[k]; l != nil {
						a = min(max(a, l[0]), l[1])
					}
					if seen[a] {
						continue
					}
					seen[a] = true
					out = append(out, Pose{
						Name: fmt.Sprintf("%s turned by %g degrees about %s", name, a, axisNames[k]), Change: Turn,
						Joint: name, Axis: axisNames[k], Amount: a, Importance: r.importance[k],
						root: j, axis: k, changes: []change{s.turn(j, k, a*math.Pi/180)},
					})
				}
			}
		}
		for k := range 3 {
			if r.importance[k] == 0 || step == 0 || s.skin.LocalAxis(j, k) == (r3.Vec{}) {
				continue
			}
			for _, sgn := range [2]float64{1, -1} {
				out = append(out, Pose{
					Name: fmt.Sprintf("%s moved by %.3g m along %s", name, sgn*step, axisNames[k]), Change: Move,
					Joint: name, Axis: axisNames[k], Amount: sgn * step, Importance: offChanges * r.importance[k],
					root: j, axis: k, changes: []change{s.move(j, k, sgn*step)},
				})
			}
		}
		for k := range 3 {
			if r.importance[k] == 0 {
				continue
			}
			for _, f := range factors {
				by := [3]float64{1, 1, 1}
				by[k] = f
				c, ok := s.stretch(j, by)
				if !ok || f == 1 {
					continue
				}
				out = append(out, Pose{
					Name: fmt.Sprintf("%s scaled by %g along %s", name, f, axisNames[k]), Change: Scale,
					Joint: name, Axis: axisNames[k], Amount: f, Importance: offChanges * r.importance[k],
					root: j, axis: k, changes: []change{c},
				})
			}
		}
	}
	if len(out)+len(p.Poses) > most {
		return nil, &TooManyPosesError{most}
	}
	changes := 0
	for i := range p.Poses {
		w := &p.Poses[i]
		x := Pose{Name: w.Name, Change: Whole, Importance: 1, root: -1}
		if w.Importance != nil {
			x.Importance = *w.Importance
		}
		for k := range w.Set {
			c := &w.Set[k]
			joints := expand(c.Joints)
			if len(joints) == 0 {
				return nil, &PlanError{Field: fmt.Sprintf("poses[%d].set[%d].joints", i, k), What: fmt.Sprintf("pose %q: no joint is named %q", w.Name, c.Joints)}
			}
			if changes += 7 * len(joints); changes > mostChanges {
				return nil, &TooManyPosesError{mostChanges}
			}
			for _, j := range joints {
				for axis, m := range c.Move {
					if m != 0 {
						x.changes = append(x.changes, s.move(j, axis, m))
					}
				}
				for axis, a := range c.Turn {
					if a != 0 {
						x.changes = append(x.changes, s.turn(j, axis, a*math.Pi/180))
					}
				}
				if c.Scale != nil {
					if by, ok := s.stretch(j, *c.Scale); ok {
						x.changes = append(x.changes, by)
					}
				}
			}
		}
		out = append(out, x)
	}
	return out, nil
}
