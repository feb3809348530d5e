package transfer

// Locks of an asset: regions and joints that the options name, and the rows that the
// garment has now, made into the Held of hold.go.

import (
	"context"
	"fmt"
	"slices"

	"github.com/selvage/selvage/transfer/gltfio"
	"github.com/selvage/selvage/transfer/region"
	"github.com/selvage/selvage/transfer/skinning"
	"github.com/selvage/selvage/transfer/weights"
)

// Present is what a garment's rows are now, for locks, where its own file does not
// say it: an artist's output of the last pass, say.
type Present struct {
	// Rows by vertex of the garment's surface, over Joints; empty where not known.
	Rows   *weights.Rows
	Joints []skinning.Joint
	// Locked are the vertices that AssetOptions.Lock picks.
	Locked []bool
	// Notes go into the summary.
	Notes []string
}

// lockFault is an *OptionError of the option lock.
func lockFault(format string, args ...any) error {
	return &OptionError{Option: "lock", Reason: fmt.Sprintf(format, args...)}
}

// ParseLocks reads AssetOptions.Lock. Errors: *OptionError.
func ParseLocks(specs []string) (*region.Set, error) {
	set, err := region.Parse(specs)
	if err != nil {
		return nil, lockFault("%v", err)
	}
	return set, nil
}

// ownPresent is what the garment's own file says of its rows.
func (b *AssetBody) ownPresent(ctx context.Context, garment *gltfio.Asset, surface *gltfio.Surface, opt *AssetOptions) (*Present, error) {
	set, err := ParseLocks(opt.Lock)
	if err != nil {
		return nil, err
	}
	if surface.Rows == nil {
		option := "lock"
		if set.Empty() {
			option = "lock-joint"
		}
		return nil, &OptionError{Option: option, Reason: garment.Name + " has no weights yet that could be locked"}
	}
	p := &Present{Joints: surface.Skin.Joints}
	if p.Rows, err = garment.ExactRows(surface); err != nil {
		return nil, err
	}
	if p.Locked, p.Notes, err = set.Vertices(ctx, garment, surface, b.surface.Skin); err != nil {
		return nil, lockFault("%v", err)
	}
	return p, nil
}

// hold sets g.Held to what the options lock of the garment's present rows (nil: of
// its own), and returns the nodes of the garment's own joints that the result's rows
// refer to behind the body's: kept, and those that held weights need. O(vertices).
func (b *AssetBody) hold(ctx context.Context, g *Garment, garment *gltfio.Asset, surface *gltfio.Surface, present *Present, kept []int, opt *AssetOptions) (nodes []int, notes []string, err error) {
	if err := checkGlobs("lock-joint", opt.LockJoints); err != nil {
		return nil, nil, err
	}
	if len(opt.Lock) == 0 && len(opt.LockJoints) == 0 {
		return kept, nil, nil
	}
	if present == nil {
		if present, err = b.ownPresent(ctx, garment, surface, opt); err != nil {
			return nil, nil, err
		}
	}
	n := surface.Mesh.NumVertices()
	if present.Rows.Len() != n || len(present.Locked) != n {
		return nil, nil, fmt.Errorf("%d rows and %d locks for the %d vertices of %s", present.Rows.Len(), len(present.Locked), n, garment.Name)
	}
	notes = slices.Clone(present.Notes)
	note := func(format string, args ...any) { notes = append(notes, fmt.Sprintf(format, args...)) }

	locked, count, bare, many := usableLocks(present, opt.MaxInfluences)
	if count == 0 && len(opt.LockJoints) == 0 {
		if bare > 0 {
			note("none of the %d vertices to lock has a row", bare)
		}
		return kept, notes, nil
	}

	// Where the present joints' weight goes: to a joint of the result, or to a joint
	// of the garment's own that the result needs for it.
	body := b.surface.Skin.Joints
	if g.Skin != nil {
		body = nil // the result's joints are the garment's own
	}
	var own []skinning.Joint
	if surface.Skin != nil {
		own = surface.Skin.Joints
	}
	to, gone := presentJoints(present.Joints, body, own, func(k int) bool {
		return g.Skin != nil || slices.Contains(kept, surface.JointNode[k])
	})

	// Own joints that locked rows or locked joints have weight on come along.
	needed, missed := make([]bool, len(own)), make([]bool, len(to))
	for v := range n {
		if ended(ctx, v) {
			return nil, nil, ctx.Err()
		}
		joint, _ := present.Rows.Row(v)
		for _, j := range joint {
			if missed[j] = missed[j] || gone[j] && locked[v]; to[j] >= len(body) {
				k := to[j] - len(body)
				needed[k] = needed[k] || locked[v] || matchesAny(opt.LockJoints, own[k].Name)
			}
		}
	}
	nodes = slices.Clone(kept)
	index := make([]int, len(body)+len(own)) // joint of the result; -1: none
	for k := range body {
		index[k] = k
	}
	var names []string // of the result's joints
	for k := range body {
		names = append(names, body[k].Name)
	}
	for _, node := range kept {
		names = append(names, own[slices.Index(surface.JointNode, node)].Name)
	}
	for k := range own {
		at := &index[len(body)+k]
		*at = -1
		switch i := slices.Index(kept, surface.JointNode[k]); {
		case g.Skin != nil:
			*at = k
			names = append(names, own[k].Name)
		case i >= 0:
			*at = len(body) + i
		case needed[k]:
			*at = len(body) + len(nodes)
			nodes = append(nodes, surface.JointNode[k])
			names = append(names, own[k].Name)
		}
	}

	g.Held = &Held{Locked: locked}
	if len(opt.LockJoints) > 0 {
		var idle []string
		g.Held.Joints, idle = lockedJoints(opt.LockJoints, names)
		for _, glob := range idle {
			note("no joint is named %q: nothing is locked by that", glob)
		}
	}
	var lost int
	if g.Held.Rows, lost, err = heldRows(ctx, present.Rows, to, index, locked, len(names)); err != nil {
		return nil, nil, err
	}
	for j, yes := range missed {
		if yes {
			note("the joint %s of locked rows is gone: its weight went to its nearest ancestor", present.Joints[j].Name)
		}
	}
	if bare += lost; bare > 0 {
		note("%d vertices to lock have no row that could stay", bare)
	}
	if count -= lost; count > 0 {
		note("%d vertices are locked and keep their row", count)
	}
	if many > 0 {
		note("%d locked vertices have more influences than the limit and keep them all", many)
	}
	return nodes, notes, nil
}

// usableLocks are the locks of vertices that have a row; others hold nothing. It counts
// both, and those whose rows have more influences than most (0: the default).
func usableLocks(present *Present, most int) (locked []bool, count, bare, many int) {
	if most == 0 {
		most = defaultInfluences
	}
	locked = slices.Clone(present.Locked)
	for v := range locked {
		switch joint, _ := present.Rows.Row(v); {
		case !locked[v]:
		case len(joint) == 0:
			locked[v] = false
			bare++
		default:
			count++
			if len(joint) > most {
				many++
			}
		}
	}
	return locked, count, bare, many
}

// presentJoints leads from each present joint to a joint of the body's, or of the garment's
// own, which are numbered behind them: to the own one where that stays anyway, else to
// the body's of its name, else to the own. Joints that are gone lead to where their
// nearest ancestor that is not leads, -1 where there is none.
func presentJoints(present, body, own []skinning.Joint, stays func(k int) bool) (to []int, gone []bool) {
	toBody, toOwn := jointsByName(present, body), jointsByName(present, own)
	to, gone = make([]int, len(present)), make([]bool, len(present))
	for j := range to {
		switch k := int(toOwn[j]); {
		case k >= 0 && stays(k):
			to[j] = len(body) + k
		case toBody[j] >= 0:
			to[j] = int(toBody[j])
		case k >= 0:
			to[j] = len(body) + k
		default:
			to[j], gone[j] = -1, true
		}
	}
	for j := range to {
		for p, steps := present[j].Parent, 0; gone[j] && to[j] < 0 && p >= 0 && steps <= len(to); p, steps = present[p].Parent, steps+1 {
			if !gone[p] {
				to[j] = to[p]
			}
		}
	}
	return to, gone
}

// lockedJoints reports which names match a glob, and which globs match none.
func lockedJoints(globs, names []string) (locked []bool, idle []string) {
	locked = make([]bool, len(names))
	for _, glob := range globs {
		any := false
		for k, name := range names {
			if matchesAny([]string{glob}, name) {
				locked[k], any = true, true
			}
		}
		if !any {
			idle = append(idle, glob)
		}
	}
	return locked, idle
}

// heldRows are the present rows over the joints of the result. Of vertices that are
// not locked, weight on joints that the result lacks is left out. Locks of vertices
// whose joints are all gone are taken off and counted.
func heldRows(ctx context.Context, present *weights.Rows, to, index []int, locked []bool, joints int) (*weights.Rows, int, error) {
	rows, acc := weights.NewRows(present.Len()), weights.NewAccumulator(max(joints, 1))
	lost := 0
	for v := range present.Len() {
		if ended(ctx, v) {
			return nil, 0, ctx.Err()
		}
		joint, weight := present.Row(v)
		whole := true
		for i, j := range joint {
			if to[j] >= 0 && index[to[j]] >= 0 {
				acc.Add(uint16(index[to[j]]), weight[i])
			} else {
				whole = false
			}
		}
		switch before := len(rows.Joint); {
		case locked[v] && !whole:
			if acc.FlushNormalised(rows); len(rows.Joint) == before {
				locked[v] = false
				lost++
			}
		case len(joint) > 0 && acc.Empty():
			rows.Append([]uint16{0}, []float64{0}) // known: nothing of the result's joints
		default:
			acc.Flush(rows)
		}
	}
	return rows, lost, nil
}

// jointsByName leads from each joint to the one of the same name; of several with
// one name to that which stands where it stands, else to that with the same place
// among them, where there are as many on both sides; -1: none.
func jointsByName(from, to []skinning.Joint) []int32 {
	list := func(of []skinning.Joint) map[string][]int32 {
		m := map[string][]int32{}
		for j := range of {
			m[of[j].Name] = append(m[of[j].Name], int32(j))
		}
		return m
	}
	a, b := list(from), list(to)
	out := make([]int32, len(from))
	for j := range from {
		out[j] = -1
		mine, theirs := a[from[j].Name], b[from[j].Name]
		for _, k := range theirs {
			if len(mine)+len(theirs) > 2 && out[j] < 0 && to[k].Global == from[j].Global {
				out[j] = k
			}
		}
		if out[j] < 0 && len(mine) == len(theirs) {
			out[j] = theirs[slices.Index(mine, int32(j))]
		}
	}
	return out
}
