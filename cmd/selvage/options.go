package main

import (
	"fmt"
	"strconv"
	"strings"

	"github.com/selvage/selvage/client/wardrobe"
	"github.com/selvage/selvage/transfer"
	"github.com/selvage/selvage/transfer/weights"
	"github.com/spf13/pflag"
)

// addOptionFlags binds the flags of a transfer to o.
func addOptionFlags(f *pflag.FlagSet, o *transfer.Options) {
	f.Float64Var(&o.Reach, "reach", 0, "distance from the body in metres beyond which vertices are flagged (0: 8% of the body's size: about 18 cm on a grown figure)")
	f.Float64Var(&o.Falloff, "falloff", 0, "strength of the distance-dependent smoothing (0: 1; negative: none)")
	f.Var(choiceFlag[transfer.Fill]{&o.Fill, []string{"harmonic", "biharmonic"}}, "fill", "energy of the fill: harmonic or biharmonic")
	f.Var(choiceFlag[transfer.Switch]{&o.Loose, []string{"auto", "on", "off"}}, "loose", "loose cloth found by its distance: auto, on or off")
	f.StringArrayVar(&o.LooseNames, "loose-name", nil, "glob of node, mesh or material names that are loose cloth (repeatable)")
	f.Float64Var(&o.LooseStretch, "loose-stretch", 0, "how long an edge of loose cloth may become in a quarter turn of one joint, as a multiple of its length, above 1 (0: 1.5, over layers what following them takes); more lets it follow the limbs")
	f.Var(choiceFlag[transfer.Switch]{&o.RigidIslands, []string{"auto", "on", "off"}}, "rigid", "small islands move as one piece: auto, on or off")
	f.BoolVar(&o.OneJointIslands, "rigid-one-joint", false, "a rigid island follows one joint alone: its shape is exact in every pose, but it may leave the cloth beside a bend")
	f.StringArrayVar(&o.RigidNames, "rigid-name", nil, "glob of node, mesh or material names whose islands are rigid whatever their size (repeatable)")
	f.Var(choiceFlag[transfer.Switch]{&o.Registration, []string{"auto", "on", "off"}}, "registration", "correct default poses that disagree, for matching only: auto, on or off")
	f.StringArrayVar(&o.AllowJoints, "allow-joint", nil, "glob of joint names that may carry weight; others hand it to their nearest allowed ancestor (repeatable)")
	f.StringArrayVar(&o.DenyJoints, "deny-joint", nil, "glob of joint names that may not carry weight (repeatable)")
	f.IntVar(&o.MaxInfluences, "max-influences", 0, "largest number of influences of a vertex, 1 to 8 (0: 4)")
	f.Float64Var(&o.PruneBelow, "prune-below", 0, "drop influences below this weight (0: 1e-7; negative: none)")
	f.Var(choiceFlag[weights.Format]{&o.Format, []string{"float", "u16", "u8"}}, "format", "how weights are stored: float, u16 or u8")
	f.IntVar(&o.Threads, "threads", 0, "number of threads (0: all); the result does not depend on it")
}

// lockJointUsage is the help of --lock-joint.
const lockJointUsage = "glob of joints whose weights stay as they are at every vertex (repeatable)"

// lockUsage is the help of --lock.
const lockUsage = "region whose vertices keep the row that they have: attribute:NAME, color:N, joint:GLOB, box:X0,Y0,Z0,X1,Y1,Z1, near:GLOB:METRES or mesh:GLOB (repeatable)"

// addLockFlags binds what must not change.
func addLockFlags(f *pflag.FlagSet, o *transfer.AssetOptions) {
	f.StringArrayVar(&o.Lock, "lock", nil, lockUsage)
	f.StringArrayVar(&o.LockJoints, "lock-joint", nil, lockJointUsage)
	f.Float64Var(&o.LockBlend, "lock-blend", 0, "distance along the garment in metres over which the surroundings of locked vertices blend to them (0: 3% of the body's size: about 7 cm on a grown figure; negative: none)")
}

// jointFlags say which joints carry the weight.
type jointFlags struct {
	file  string
	rules []string
}

func addJointFlags(f *pflag.FlagSet, j *jointFlags) {
	f.StringVar(&j.file, "joint-map", "", "YAML file of rules that lead joints of the body to joints of other names (selvage transfer --help shows one)")
	f.StringArrayVar(&j.rules, "map-joint", nil, "FROM=TO: one such rule, before those of the file (repeatable)")
}

// addNameFlags binds a joint map that tells what weighted files call the body's joints.
func addNameFlags(f *pflag.FlagSet, j *jointFlags) {
	f.StringVar(&j.file, "joint-map", "", "YAML file of rules that say what the garment and the layers call the body's joints: the map that they were transferred with (selvage transfer --help shows one)")
	f.StringArrayVar(&j.rules, "map-joint", nil, "FROM=TO: one such rule, before those of the file (repeatable)")
}

// into adds the rules to those of a map.
func (j *jointFlags) into(m *[]transfer.JointRule) error {
	for _, r := range j.rules {
		from, to, ok := strings.Cut(r, "=")
		if !ok {
			return usageError{fmt.Errorf("--map-joint: %q is not FROM=TO", r)}
		}
		rule := transfer.JointRule{From: from, To: to}
		if err := rule.Check(); err != nil {
			return usageError{fmt.Errorf("--map-joint: %w", err)}
		}
		*m = append(*m, rule)
	}
	if j.file == "" {
		return nil
	}
	rules, err := wardrobe.ReadJointMapFile(j.file)
	if err != nil {
		return usageError{err}
	}
	*m = append(*m, rules...)
	return nil
}

// choiceFlag is a flag that takes one of a few words, in the order of T's values.
type choiceFlag[T ~int] struct {
	value *T
	words []string
}

func (c choiceFlag[T]) String() string {
	if c.value == nil {
		return ""
	}
	return c.words[*c.value]
}

func (c choiceFlag[T]) Type() string { return "word" }

func (c choiceFlag[T]) Set(s string) error {
	for i, w := range c.words {
		if s == w {
			*c.value = T(i)
			return nil
		}
	}
	return fmt.Errorf("%s is none of %v", strconv.Quote(s), c.words)
}
