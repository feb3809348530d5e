package pass

// Transfer and merge in one: what command line, service and farm call for a garment
// that passes come over.

import (
	"context"
	"errors"
	"fmt"
	"maps"
	"math"
	"path"
	"slices"
	"strconv"
	"strings"

	"github.com/selvage/selvage/transfer"
	"github.com/selvage/selvage/transfer/gltfio"
	"github.com/selvage/selvage/transfer/mesh"
	"github.com/selvage/selvage/transfer/region"
	"github.com/selvage/selvage/transfer/skinning"
	"github.com/selvage/selvage/transfer/weights"
	"gonum.org/v1/gonum/spatial/r3"
)

// Transfer gives in.From the weights of body with in.Options, its locks included,
// and merges the artist's edits into the result as Run does; in.New is not used.
// Without a record, a current garment and locks the asset is body.Transfer's.
//
// The present rows, which locks hold, are those of in.Current, by place where it has
// other vertices (Place); without it those that the record says were written; without
// either in.From's own. A region that goes by rows picks in later passes what it has picked
// in the first, but for rows that the artist has changed since. With locks of joints the
// transfer is made a second time without them, for the edits (Merge). Where there are none at all yet, on a first pass, nothing is
// locked and a note says so; without weights and without a pass to come, body.Transfer
// itself refuses. Inputs are not changed; the result does not depend on
// Options.Threads. A record of another garment is a *RecordError (Record.OtherGarment).
func Transfer(ctx context.Context, body *transfer.AssetBody, in Input) (*Output, error) {
	in.Options.Lock, in.Lock, in.regions = in.locks(), nil, nil
	given := in.Options
	if read, err := in.From.WithContext(ctx).Garment(in.Options.Garments); err == nil {
		in.stands = places(body.Surface().Skin, read.Skin)
		if err := in.checkGarment(ctx, read.Mesh); err != nil {
			return nil, err
		}
	}
	present, notes, err := in.present(ctx, body)
	if err != nil {
		return nil, err
	}
	if present == nil && notes != nil {
		given.Lock, given.LockJoints = nil, nil
	}
	var result *transfer.Result
	if in.New, result, err = body.TransferFrom(ctx, in.From, present, given); err != nil {
		return nil, err
	}
	if in.free, err = in.unlockedJoints(ctx, body, present, given); err != nil {
		return nil, err
	}
	if in.New, err = in.keepPaint(ctx); err != nil {
		return nil, err
	}
	in.done = make([]bool, len(result.Reason))
	for v, r := range result.Reason {
		in.done[v] = r == transfer.ReasonKeptEdit // of a transfer: a locked row
	}
	out, err := Run(ctx, in)
	if err != nil {
		return nil, err
	}
	out.Given = result
	out.Summary.Notes = append(notes, out.Summary.Notes...)
	if same, err := in.ownOutput(ctx, body); err != nil || !same {
		return out, err
	}
	// What went in has been through float32 once more, which is no change.
	read, err := in.From.WithContext(ctx).Garment(in.Options.Garments)
	if err != nil {
		return nil, err
	}
	out.Asset, out.Record = in.From, in.Record
	out.Confidence, out.Reason, err = marks(in.From, read)
	return out, err
}

// unlockedJoints is the transfer without the locks of joints, by which edits can be told
// from what the locks hold; nil where there are none.
func (in *Input) unlockedJoints(ctx context.Context, body *transfer.AssetBody, present *transfer.Present, opt transfer.AssetOptions) (*gltfio.Asset, error) {
	if len(opt.LockJoints) == 0 {
		return nil, nil
	}
	opt.LockJoints, opt.Progress = nil, nil
	a, _, err := body.TransferFrom(ctx, in.From, present, opt)
	return a, err
}

// freeRows are the rows of in.free as a file stores them, over the joints of fresh; theirs
// where there are none.
func (in *Input) freeRows(ctx context.Context, fresh *Surface, theirs *weights.Rows, opt transfer.AssetOptions) (*weights.Rows, error) {
	if in.free == nil {
		return theirs, nil
	}
	free, _, err := ReadSurface(ctx, in.free, opt.Garments)
	if err != nil {
		return nil, err
	}
	rows, err := storedBut(in.done, MapJoints(free.Joints, fresh.Joints).Rows(free.Rows), opt.Format, opt.MaxInfluences)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", in.free.Name, err)
	}
	return rows, nil
}

// locks are the regions to lock.
func (in *Input) locks() []string {
	return append(slices.Clone(in.Options.Lock), in.Lock...)
}

// present is what the garment's rows are now; nil where there are no locks, or, with a
// note, where there are no rows.
func (in *Input) present(ctx context.Context, body *transfer.AssetBody) (*transfer.Present, []string, error) {
	opt := in.Options
	if len(opt.Lock) == 0 && len(opt.LockJoints) == 0 {
		return nil, nil, nil
	}
	read, err := in.From.WithContext(ctx).Garment(opt.Garments)
	if err != nil {
		return nil, nil, err
	}
	p := &transfer.Present{}
	if in.Record == nil && in.Current == nil {
		if read.Rows == nil {
			return nil, []string{"the garment has no weights yet: nothing is locked on this first pass"}, nil
		}
		p.Joints = read.Skin.Joints
		if p.Rows, err = in.From.WithContext(ctx).ExactRows(read); err != nil {
			return nil, nil, err
		}
	} else {
		f, err := in.findFor(ctx, opt)
		if err != nil {
			return nil, nil, err
		}
		place, err := Place(ctx, f.Mesh, read.Mesh, 0, opt.Threads)
		if err != nil {
			return nil, nil, err
		}
		p.Rows, p.Joints = f.Current, in.skeleton(f.Joints, opt, read.Skin, body.Surface().Skin).Joints
		if !place.ByIndex {
			p.Rows = newInterpolation(place, len(f.Joints)).rows(f.Current)
		}
	}
	if p.Locked, p.Notes, err = in.lockMask(ctx, in.From, read, p.Rows, &skinning.Skin{Joints: p.Joints}, body.Surface().Skin, opt); err != nil {
		return nil, nil, err
	}
	// As the next pass will find them: of rows that differ in one place the lowest counts,
	// and rounding may make that another one.
	if p.Rows, err = stored(p.Rows, opt.Format, 0); err != nil {
		return nil, nil, fmt.Errorf("%s: present rows: %w", in.From.Name, err)
	}
	return p, nil, nil
}

// findFor is find, remembered for Run; without a record the artist's garment alone.
func (in *Input) findFor(ctx context.Context, opt transfer.AssetOptions) (*Found, error) {
	if in.Record == nil {
		s, _, err := ReadSurface(ctx, in.Current, opt.Garments)
		if err != nil {
			return nil, err
		}
		return &Found{Mesh: s.Mesh, Joints: s.Joints, Current: s.Rows}, nil
	}
	var err error
	if in.found == nil {
		in.found, err = in.find(ctx, opt)
	}
	return in.found, err
}

// skeleton is a list of joints with the places that the first of some skins has for
// each name, in its order where it has several; joints that none of them has stand
// nowhere.
func (in *Input) skeleton(joints []Joint, opt transfer.AssetOptions, skins ...*skinning.Skin) *skinning.Skin {
	at := map[string][]*skinning.Joint{}
	for _, s := range slices.Backward(skins) {
		if s == nil {
			continue
		}
		own := map[string][]*skinning.Joint{}
		for j := range s.Joints {
			own[s.Joints[j].Name] = append(own[s.Joints[j].Name], &s.Joints[j])
		}
		maps.Copy(at, own)
	}
	nan := math.NaN()
	out := &skinning.Skin{Joints: make([]skinning.Joint, len(joints))}
	for j := range joints {
		k := &out.Joints[j]
		k.Name, k.Parent, k.Global = joints[j].Name, int(joints[j].Parent), skinning.Affine{T: r3.Vec{X: nan, Y: nan, Z: nan}}
		if list := at[k.Name]; len(list) > 0 {
			k.Global = list[0].Global
			if len(list) > 1 {
				at[k.Name] = list[1:]
			}
		}
	}
	return out
}

// lockMask marks the vertices of read, the surface of asset, that the locks pick.
// rows over skin's joints are the present ones there; near asks for bones of body
// first. What asset lacks is asked of the artist's garment.
func (in *Input) lockMask(ctx context.Context, asset *gltfio.Asset, read *gltfio.Surface, rows *weights.Rows, skin, body *skinning.Skin, opt transfer.AssetOptions) ([]bool, []string, error) {
	set, err := transfer.ParseLocks(in.locks())
	if err != nil {
		return nil, nil, err
	}
	now := *read
	now.Rows, now.Skin = rows, skin
	mask := make([]bool, read.Mesh.NumVertices())
	var notes []string
	in.regions = nil
	for _, one := range set.Each() {
		own, more, err := one.Vertices(ctx, asset, &now, body)
		var missing *region.MissingError
		if errors.As(err, &missing) && in.Current != nil {
			if own, more, err = in.currentMask(ctx, one, read, opt); err == nil {
				more = append(more, fmt.Sprintf("region %q is read from the artist's file and stays in the output: %s has none", one, asset.Name))
			}
		}
		if errors.As(err, &missing) {
			return nil, nil, &transfer.OptionError{Option: "lock", Reason: err.Error()}
		}
		if err != nil {
			return nil, nil, err
		}
		notes = append(notes, more...)
		if one.ByRows() {
			if err := in.settle(ctx, one.String(), own, read.Mesh, opt.Threads); err != nil {
				return nil, nil, err
			}
		}
		for v, yes := range own {
			mask[v] = mask[v] || yes
		}
	}
	return mask, notes, nil
}

// settle makes mask, what a region picks of on by the present rows, what the pass before
// has picked, and notes it for the next one: rows that have only blended to locked ones
// stay free. The present rows decide about vertices that the artist has changed since,
// those that are new between one that was picked and one that was not, and those without
// a place on the recorded surface.
func (in *Input) settle(ctx context.Context, spec string, mask []bool, on *mesh.Mesh, threads int) error {
	if in.Record != nil && in.Record.region(spec) != nil && in.found != nil {
		picked := make([]bool, in.Record.Mesh.NumVertices())
		for _, v := range in.Record.region(spec).Vertex {
			picked[v] = true
		}
		was, err := Place(ctx, in.Record.Mesh, on, 0, threads)
		if err != nil {
			return err
		}
		now := was
		if in.found.changed != nil && in.found.Mesh != in.Record.Mesh {
			if now, err = Place(ctx, in.found.Mesh, on, 0, threads); err != nil {
				return err
			}
		}
		for v := range mask {
			all, none := was.of(v, picked)
			touched := false
			if in.found.changed != nil {
				_, untouched := now.of(v, in.found.changed)
				touched = !untouched && now.Fate[v] == Placed
			}
			if was.Fate[v] == Placed && all != none && !touched {
				mask[v] = all
			}
		}
	}
	if !slices.ContainsFunc(in.regions, func(r Region) bool { return r.Spec == spec }) {
		r := Region{Spec: spec, Vertex: []int32{}}
		for v, yes := range mask {
			if yes {
				r.Vertex = append(r.Vertex, int32(v))
			}
		}
		in.regions = append(in.regions, r)
	}
	return nil
}

// of reports whether a mask of the source holds all vertices that target vertex v lies at
// or between, and whether it holds none of them.
func (p *Placement) of(v int, mask []bool) (all, none bool) {
	all, none = true, true
	for k, c := range p.Corner[v] {
		if p.Bary[v][k] > 0 {
			all, none = all && mask[c], none && !mask[c]
		}
	}
	return all, none
}

// keepPaint returns in.New with what the artist's garment has, and it has not, of the
// attributes that locks and the policy's masks are read from: what was painted once holds
// in every pass to come. Vertices that the artist's garment has not are 0.
func (in *Input) keepPaint(ctx context.Context) (*gltfio.Asset, error) {
	set, err := transfer.ParseLocks(in.locks())
	if err != nil || in.Current == nil {
		return in.New, err
	}
	wanted := set.Attributes()
	for i := range in.Policy.Rules {
		if name := in.Policy.Rules[i].MaskAttribute; name != "" {
			wanted[name] = 1
		}
	}
	if len(wanted) == 0 {
		return in.New, nil
	}
	to, err := in.New.WithContext(ctx).Garment(in.Options.Garments)
	if err != nil {
		return nil, err
	}
	from, err := in.Current.WithContext(ctx).Garment(in.Options.Garments)
	if err != nil {
		return nil, err
	}
	// Colours are numbered from 0 without a gap (section 3.7.2.1 of the glTF 2.0
	// specification): those below come along, white where the artist has none.
	below := map[string]bool{}
	for name, width := range wanted {
		if n, err := strconv.Atoi(strings.TrimPrefix(name, "COLOR_")); err == nil && width == 4 && !in.New.Has(to, name) && in.Current.Has(from, name) {
			for k := range n {
				below[fmt.Sprintf("COLOR_%d", k)] = true
			}
		}
	}
	for name := range below {
		wanted[name] = 4
	}
	white := slices.Repeat([]float64{1}, to.Mesh.NumVertices())
	var place *Placement
	var list []gltfio.Painted
	for _, name := range slices.Sorted(maps.Keys(wanted)) {
		if in.New.Has(to, name) || !in.Current.Has(from, name) {
			if below[name] {
				list = append(list, gltfio.Painted{Name: name, Channels: [][]float64{white, white, white, white}})
			}
			continue
		}
		if place == nil {
			if place, err = Place(ctx, from.Mesh, to.Mesh, 0, in.Options.Threads); err != nil {
				return nil, err
			}
		}
		p := gltfio.Painted{Name: name}
		for k := range wanted[name] {
			var read []float64
			if wanted[name] == 1 {
				read, err = in.Current.Scalars(from, name)
			} else {
				read, err = in.Current.Channel(from, name, k)
			}
			if err != nil {
				return nil, err
			}
			p.Channels = append(p.Channels, place.nearest(read))
		}
		list = append(list, p)
	}
	return in.New.WithPainted(to, list)
}

// nearest are the values of the target's vertices at the source's nearest corners, 0
// where there is none.
func (p *Placement) nearest(values []float64) []float64 {
	out := make([]float64, len(p.Fate))
	for v := range out {
		if p.Fate[v] != Placed {
			continue
		}
		best := 0
		for k, b := range p.Bary[v] {
			if b > p.Bary[v][best] {
				best = k
			}
		}
		out[v] = values[p.Corner[v][best]]
	}
	return out
}

// currentMask marks the vertices of read where most of the artist's garment is
// picked.
func (in *Input) currentMask(ctx context.Context, set *region.Set, read *gltfio.Surface, opt transfer.AssetOptions) ([]bool, []string, error) {
	own, err := in.Current.WithContext(ctx).Garment(opt.Garments)
	if err != nil {
		return nil, nil, err
	}
	picked, notes, err := set.Vertices(ctx, in.Current, own, nil)
	if err != nil {
		return nil, nil, err
	}
	values := make([]float64, len(picked))
	for v, yes := range picked {
		if yes {
			values[v] = 1
		}
	}
	mask, err := placedMask(ctx, own, read, values, opt.Threads)
	return mask, notes, err
}

// presentOr are the rows of current, and where it has none those of other.
func presentOr(current, other *weights.Rows) *weights.Rows {
	out := weights.NewRows(current.Len())
	for v := range current.Len() {
		joint, weight := current.Row(v)
		if len(joint) == 0 {
			joint, weight = other.Row(v)
		}
		out.Append(joint, weight)
	}
	return out
}

// lockedJoints marks the joints whose weights are locked; nil: there are no such locks.
func lockedJoints(joints []Joint, opt transfer.AssetOptions) ([]bool, error) {
	if len(opt.LockJoints) == 0 {
		return nil, nil
	}
	held := make([]bool, len(joints))
	for j := range held {
		for _, glob := range opt.LockJoints {
			ok, err := path.Match(glob, joints[j].Name)
			if err != nil {
				return nil, &transfer.OptionError{Option: "lock-joint", Reason: fmt.Sprintf("malformed pattern %q", glob)}
			}
			held[j] = held[j] || ok
		}
	}
	return held, nil
}

// storedLocked is stored for the rows of a transfer, whose locked rows and joints the
// limit does not cut.
func (in *Input) storedLocked(r *weights.Rows, joints []Joint, opt transfer.AssetOptions) (*weights.Rows, error) {
	held, err := lockedJoints(joints, opt)
	if err != nil {
		return nil, err
	}
	whole := in.done
	if held != nil {
		whole = make([]bool, r.Len())
		copy(whole, in.done)
		for v := range whole {
			joint, _ := r.Row(v)
			n := 0
			for _, j := range joint {
				if held[j] {
					n++
				}
			}
			// As weights.FinishBeside gives them.
			whole[v] = whole[v] || n > 0 && len(joint)-n <= max(1, opt.MaxInfluences-n)
		}
	}
	return storedBut(whole, r, opt.Format, opt.MaxInfluences)
}

// holdJoints gives the rows of a merge the weights of locked joints back, as present has
// them. A row that has nothing on other joints takes theirs there, else present's. The
// limit cuts the other joints of a row as in a transfer, but for rows of the artist's that
// are kept. An edit of other joints alone for which it leaves no room beside the locked
// ones has Vanished; it stays among the edits.
func (in *Input) holdJoints(ctx context.Context, m *Merged, present, theirs *weights.Rows, joints []Joint, opt transfer.AssetOptions) error {
	held, err := lockedJoints(joints, opt)
	if held == nil {
		return err
	}
	// part is row v of r on joints that are held, or on the others.
	part := func(r *weights.Rows, v int, which bool) (joint []uint16, weight []float64) {
		js, ws := r.Row(v)
		for i, j := range js {
			if held[j] == which {
				joint, weight = append(joint, j), append(weight, ws[i])
			}
		}
		return joint, weight
	}
	type group struct {
		off        []int
		own, fixed *weights.Rows
		most       int
	}
	plain, hand := &group{nil, weights.NewRows(0), weights.NewRows(0), opt.MaxInfluences}, &group{nil, weights.NewRows(0), weights.NewRows(0), mostKept}
	for v, x := range m.Outcome {
		ja, wa := part(m.Rows, v, true)
		jb, wb := part(present, v, true)
		if slices.Equal(ja, jb) && slices.Equal(wa, wb) {
			continue
		}
		g := plain
		if x == Kept || x == ConflictKept {
			g = hand
		}
		g.off = append(g.off, v)
		joint, weight := part(m.Rows, v, false)
		for _, r := range []*weights.Rows{theirs, present} {
			if len(joint) == 0 {
				joint, weight = part(r, v, false)
			}
		}
		g.own.Append(joint, weight)
		g.fixed.Append(jb, wb)
	}
	at, rows := entries(m.Edits.Vertex, len(m.Outcome)), m.Rows
	for _, g := range []*group{plain, hand} {
		if len(g.off) == 0 {
			continue
		}
		finish := weights.FinishOptions{MaxInfluences: g.most, Format: opt.Format}
		done, _, err := weights.FinishBeside(ctx, g.own, g.fixed, finish)
		if err != nil {
			return err
		}
		finish.MaxInfluences = 0
		whole, _, err := weights.FinishBeside(ctx, g.own, g.fixed, finish)
		if err != nil {
			return err
		}
		for i, v := range g.off {
			if at[v] < 0 || m.Outcome[v] != Kept && m.Outcome[v] != Carried || !alike(done, i, theirs, v, unmoved) || alike(whole, i, theirs, v, unmoved) {
				continue
			}
			jb, wb := part(m.Edits.Base, int(at[v]), true)
			je, we := part(m.Edits.Row, int(at[v]), true)
			if slices.Equal(jb, je) && slices.Equal(wb, we) {
				m.Outcome[v] = Vanished
			}
		}
		out := weights.NewRows(rows.Len())
		for v, i := 0, 0; v < rows.Len(); v++ {
			if i < len(g.off) && g.off[i] == v {
				out.Append(done.Row(i))
				i++
			} else {
				out.Append(rows.Row(v))
			}
		}
		rows = out
	}
	m.Rows = rows
	return nil
}
