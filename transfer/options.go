package transfer

import (
	"fmt"
	"math"

	"github.com/selvage/selvage/transfer/weights"
)

// Fill names the energy that fills the rows which no trusted match gives.
type Fill int

const (
	// FillHarmonic minimises the Dirichlet energy with non-negative edge weights:
	// by the maximum principle every filled weight lies between its data.
	FillHarmonic Fill = iota
	// FillBiharmonic minimises the squared Laplacian, as in Abdrashitov et al.,
	// "Robust Skin Weights Transfer via Weight Inpainting", SIGGRAPH Asia 2023
	// Technical Communications. It may overshoot; rows are clamped afterwards.
	FillBiharmonic
)

// Switch is an option that is left to the program unless set.
type Switch int

const (
	Auto Switch = iota
	On
	Off
)

// Options of a transfer. The zero value works: each field's zero means the
// default that its comment gives.
type Options struct {
	// Reach is the distance from the body, in metres, beyond which a garment
	// vertex is flagged ReasonBeyondReach. Zero: 8% of the body's size, about
	// 18 cm on a grown figure (bodySize in source.go). Negative is an error.
	Reach float64
	// Falloff scales the distance-dependent smoothing; see falloff.go for the
	// formula. Zero: 1. Negative: no smoothing at all.
	Falloff float64
	// Fill chooses the energy for rows that no match gives. Zero: FillHarmonic.
	Fill Fill
	// Loose says whether components far from the body may be treated as loose
	// cloth. Auto: by the share of the component that is far away.
	Loose Switch
	// LooseStretch is how long an edge of loose cloth may become in a quarter turn of
	// any one joint, as a multiple of its length (stretch.go): above 1, at most 10. More
	// lets it follow the limbs further. Zero: 1.5; over layers what following them takes
	// (lift.go), mostly below 3. Over layers a limit that is set comes first: cloth then
	// follows what is beneath as far as that lets it (above.go).
	LooseStretch float64
	// LooseNames are globs of node, mesh or material names that are loose cloth
	// whatever their distance.
	LooseNames []string
	// RigidIslands says whether small compact islands get one row as a whole.
	// Auto means on.
	RigidIslands Switch
	// RigidNames are globs of node, mesh or material names whose islands are rigid
	// whatever their size.
	RigidNames []string
	// OneJointIslands gives a rigid island the one joint that carries most of its row.
	// It then keeps its shape exactly in every pose, but leaves the cloth beside a
	// bend (on the crew's coat by 6 to 12 cm in a quarter turn of one spine joint).
	// Otherwise it has the cloth's own blend: one affine map, which stays on the
	// cloth, and is rigid where the joints of the row turn alike.
	OneJointIslands bool
	// Registration says whether a default pose of the body that disagrees with the
	// garment's may be corrected for matching. Auto: only where the gate of
	// register.go lets it pass. Off: it is still measured and reported.
	Registration Switch
	// AllowJoints and DenyJoints are globs of joint names. A joint that is denied,
	// or not allowed where AllowJoints is not empty, hands its weight to its
	// nearest allowed ancestor, else to the nearest allowed joint of its row.
	AllowJoints, DenyJoints []string
	// JointMap are rules by which the weight of body joints goes to other joints, the
	// first that a name matches deciding: to the garment's own where it has a Skin,
	// else to the body's. It comes after AllowJoints and DenyJoints and before
	// MaxInfluences. See joints.go.
	JointMap []JointRule
	// LockBlend is how far along the garment, in metres, the surroundings of locked
	// vertices blend to them (hold.go). Zero: 3% of the body's size, about 7 cm on a
	// grown figure, and at least six of the garment's mean edges. Negative: not at
	// all.
	LockBlend float64
	// MaxInfluences is the largest number of influences of a row, 1 to 8. Zero: 4.
	MaxInfluences int
	// PruneBelow is the weight under which an influence is dropped, 0 to 0.5.
	// Zero: 1e-7, which drops dust alone, so that
	// the body's own surface keeps its rows. Negative: nothing is dropped.
	PruneBelow float64
	// Format of the stored weights. Zero: weights.Float32.
	Format weights.Format
	// Threads is the number of goroutines that compute. Zero: GOMAXPROCS. The
	// result does not depend on it.
	Threads int
	// Progress, where not nil, is told which stage runs and what share of it is
	// done, from one goroutine at a time.
	Progress func(stage Stage, done float64)

	// limitsStretch is whether LooseStretch was given.
	limitsStretch bool

	// observe, where not nil, is shown the evidence behind the result; for tests.
	observe func(g *target, t *trusted)
}

// defaultInfluences is the default of Options.MaxInfluences.
const defaultInfluences = 4

// Stage is a step of the transfer, in the order of the pipeline.
type Stage string

const (
	StagePrepare Stage = "prepare"
	StageMatch   Stage = "match"
	StageTrust   Stage = "trust"
	StageFill    Stage = "fill"
	StageFalloff Stage = "falloff"
	StageIslands Stage = "islands"
	StageFinish  Stage = "finish"
)

// OptionError reports an option outside its range.
type OptionError struct {
	Option string
	Reason string

	cause error // nil: none
}

func (e *OptionError) Error() string { return "option " + e.Option + ": " + e.Reason }

func (e *OptionError) Unwrap() error { return e.cause }

// withDefaults checks o and fills in what is zero.
func (o Options) withDefaults(s *Source) (Options, error) {
	bad := func(name, format string, a ...any) (Options, error) {
		return o, &OptionError{Option: name, Reason: fmt.Sprintf(format, a...)}
	}
	switch {
	case o.Reach < 0 || math.IsNaN(o.Reach) || math.IsInf(o.Reach, 0):
		return bad("reach", "%g is not a distance in metres", o.Reach)
	case math.IsNaN(o.Falloff) || math.IsInf(o.Falloff, 0):
		return bad("falloff", "%g is not a finite number", o.Falloff)
	case math.IsNaN(o.LockBlend) || math.IsInf(o.LockBlend, 0):
		return bad("lock-blend", "%g is not a distance in metres", o.LockBlend)
	case o.Fill != FillHarmonic && o.Fill != FillBiharmonic:
		return bad("fill", "unknown energy %d", o.Fill)
	case o.LooseStretch != 0 && !(o.LooseStretch > 1 && o.LooseStretch <= 10):
		return bad("loose-stretch", "%g is not above 1 and at most 10", o.LooseStretch)
	case o.MaxInfluences < 0 || o.MaxInfluences > 8:
		return bad("max-influences", "%d is outside 1..8", o.MaxInfluences)
	case o.PruneBelow > 0.5 || math.IsNaN(o.PruneBelow):
		return bad("prune-below", "%g is above 0.5", o.PruneBelow)
	case o.Threads < 0:
		return bad("threads", "%d is negative", o.Threads)
	}
	if o.Reach == 0 {
		o.Reach = 0.08 * s.size
	}
	if o.Falloff == 0 {
		o.Falloff = 1
	}
	o.limitsStretch = o.LooseStretch != 0
	if o.LooseStretch == 0 {
		o.LooseStretch = maxStretch
		if s.worn != nil {
			o.LooseStretch = layerStretch
		}
	}
	if o.MaxInfluences == 0 {
		o.MaxInfluences = defaultInfluences
	}
	if o.PruneBelow == 0 {
		o.PruneBelow = 1e-7
	}
	return o, nil
}
