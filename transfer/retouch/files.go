package retouch

// Files: one operation on an asset. The command line and the service call this
// alone, so that both give the same bytes.

import (
	"context"
	"errors"
	"fmt"
	"math"
	"path/filepath"
	"slices"
	"strings"

	"github.com/selvage/selvage/transfer"
	"github.com/selvage/selvage/transfer/gltfio"
	"github.com/selvage/selvage/transfer/region"
	"github.com/selvage/selvage/transfer/skinning"
	"github.com/selvage/selvage/transfer/weights"
	"gonum.org/v1/gonum/spatial/r3"
)

// Request is one operation on the skinned meshes of an asset: exactly one of Fill,
// Mirror, Even, Smooth and Tidy is set.
type Request struct {
	// Meshes picks meshes; zero: every skinned mesh of the default scene. The meshes of
	// skins that share joints are one surface.
	Meshes gltfio.Selection
	// Mask are specs of package region: the vertices that may change. Empty: all, but
	// for Fill, which needs some.
	Mask []string
	// MaxInfluences of the rows that change, 1 to 8. Zero: as many as the meshes have
	// room for, at least 4. For Tidy it is the most that any row keeps, and sets of
	// influences beyond it are dropped.
	MaxInfluences int
	// Threads at work. Zero: as many as the processor runs at once. The result does
	// not depend on it.
	Threads int

	Fill   *FillRequest
	Mirror *MirrorOptions
	Even   *EvenRequest
	Smooth *SmoothOptions
	Tidy   *TidyOptions
}

// FillRequest asks for Fill.
type FillRequest struct {
	// Energy of the fill. Zero: harmonic.
	Energy transfer.Fill
}

// EvenRequest asks for Even.
type EvenRequest struct {
	// Joints are the names of the pair.
	Joints [2]string
}

// Summary says what an operation did.
type Summary struct {
	// Asset is the file's name.
	Asset     string `json:"asset"`
	Operation string `json:"operation"`
	// Vertices of the picked meshes, and how many of them got another row.
	Vertices int `json:"vertices"`
	Changed  int `json:"changed"`
	// MaxL1 and MeanL1 are the L1 distances between old and new rows of those that had
	// one, over the changed vertices.
	MaxL1  float64 `json:"maxL1"`
	MeanL1 float64 `json:"meanL1"`
	// One of these is set.
	Fill   *FillReport   `json:"fill,omitempty"`
	Mirror *MirrorReport `json:"mirror,omitempty"`
	Even   *EvenReport   `json:"even,omitempty"`
	Smooth *SmoothReport `json:"smooth,omitempty"`
	Tidy   *TidyReport   `json:"tidy,omitempty"`
	// Notes are sentences for the user.
	Notes []string `json:"notes,omitempty"`
}

func (s *Summary) note(format string, args ...any) {
	s.Notes = append(s.Notes, fmt.Sprintf(format, args...))
}

// Validate returns a *transfer.OptionError, a *region.SpecError or nil.
func (r *Request) Validate() error {
	set := 0
	for _, is := range []bool{r.Fill != nil, r.Mirror != nil, r.Even != nil, r.Smooth != nil, r.Tidy != nil} {
		if is {
			set++
		}
	}
	if set != 1 {
		return bad("operation", "%d are asked for, not one", set)
	}
	if r.MaxInfluences < 0 || r.MaxInfluences > 8 {
		return bad("max-influences", "%d is outside 1..8", r.MaxInfluences)
	}
	if r.Threads < 0 {
		return bad("threads", "%d is negative", r.Threads)
	}
	if _, err := region.Parse(r.Mask); err != nil {
		return err
	}
	switch {
	case r.Fill != nil:
		if len(r.Mask) == 0 {
			return bad("mask", "a fill needs a region")
		}
		if r.Fill.Energy != transfer.FillHarmonic && r.Fill.Energy != transfer.FillBiharmonic {
			return bad("fill", "%d is no energy", r.Fill.Energy)
		}
	case r.Mirror != nil:
		return r.Mirror.validate()
	case r.Even != nil:
		for _, n := range r.Even.Joints {
			if n == "" {
				return bad("joint", "a pair has two names")
			}
		}
	case r.Smooth != nil:
		o := *r.Smooth
		return o.complete()
	case r.Tidy != nil:
		if len(r.Mask) > 0 {
			return bad("mask", "tidying takes no region")
		}
		return r.Tidy.validate()
	}
	return nil
}

// operation is the operation's name, as the commands have it.
func (r *Request) operation() string {
	switch {
	case r.Fill != nil:
		return "fill"
	case r.Mirror != nil:
		return "mirror"
	case r.Even != nil:
		return "even"
	case r.Smooth != nil:
		return "smooth"
	}
	return "tidy"
}

// Run does what r asks for. from is the asset whose rows Mirror takes for all of a's
// (MirrorOnto); nil otherwise. The result is a itself where no row changes; a is not
// changed. Errors: those of Validate; faults of the assets; ctx's.
func Run(ctx context.Context, a, from *gltfio.Asset, r Request) (*gltfio.Asset, *Summary, error) {
	if err := r.Validate(); err != nil {
		return nil, nil, err
	}
	if from != nil && r.Mirror == nil {
		return nil, nil, bad("onto", "is for mirroring alone")
	}
	in := a.WithContext(ctx)
	skins, err := in.Skinned(r.Meshes)
	if err != nil {
		return nil, nil, err
	}
	surfaces, err := unite(ctx, skins, func() (*gltfio.Surface, error) { return in.Body(r.Meshes) })
	if err != nil {
		return nil, nil, err
	}
	sum := &Summary{Asset: filepath.Base(a.Name), Operation: r.operation()}
	if r.Even != nil {
		if surfaces, err = r.withPair(surfaces); err != nil {
			return nil, nil, err
		}
	}
	masks, err := r.masks(ctx, a, surfaces, sum)
	if err != nil {
		return nil, nil, err
	}
	var source *Surface
	if from != nil {
		body, err := from.WithContext(ctx).Body(gltfio.Selection{})
		if err != nil {
			return nil, nil, err
		}
		source = &Surface{Mesh: body.Mesh, Rows: body.Rows, Skin: body.Skin}
	}
	var list []gltfio.Reweighted
	for i, s := range surfaces {
		form := r.form(s.skins...)
		result, err := r.one(ctx, s, source, masks[i], form, sum)
		if errors.Is(err, ErrNoRows) {
			err = &gltfio.Error{File: a.Name, What: "has no vertex with weights"}
		}
		if doubt := (*DoubtError)(nil); errors.As(err, &doubt) {
			doubt.Asset = a.Name
		}
		if err != nil {
			return nil, nil, err
		}
		list = append(list, s.split(result, form)...)
		sum.count(s, result)
	}
	if r.Tidy != nil && r.MaxInfluences > 0 {
		for i := range list {
			list[i].Sets = (r.MaxInfluences + 3) / 4
		}
	}
	if sum.Changed > 0 {
		sum.MeanL1 /= float64(sum.Changed)
	}
	out, err := in.Reweight(list)
	if err != nil {
		return nil, nil, err
	}
	if out == in {
		out = a
	}
	sum.finish(list)
	return out, sum, nil
}

// form is how the rows of a surface, of some skins, are stored: as they were, floats
// where its primitives differ.
func (r *Request) form(skins ...*gltfio.SkinnedSurface) Form {
	f := Form{Format: weights.Float32, MaxInfluences: r.MaxInfluences, Threads: r.Threads}
	room, mixed := 4, false
	var first *gltfio.StoredRows
	for _, s := range skins {
		for i := range s.Stored {
			x := &s.Stored[i]
			if x.Sets == 0 {
				continue
			}
			room = max(room, 4*x.Sets)
			if first == nil {
				first = x
			}
			mixed = mixed || x.Mixed || x.Format != first.Format
		}
	}
	if first != nil && !mixed {
		f.Format = first.Format
	}
	if f.MaxInfluences == 0 {
		f.MaxInfluences = room
	}
	return f
}

// withPair leaves the surfaces whose skins have both joints of the pair.
func (r *Request) withPair(surfaces []*united) ([]*united, error) {
	var out []*united
	var first error
	for _, s := range surfaces {
		var err error
		for _, n := range r.Even.Joints {
			if _, e := jointNamed(s.Skin, n); e != nil && err == nil {
				err = e
			}
		}
		if err == nil {
			out = append(out, s)
		} else if first == nil {
			first = err
		}
	}
	if len(out) == 0 {
		return nil, first
	}
	return out, nil
}

// masks are the regions of the surfaces, nil where everything may change.
func (r *Request) masks(ctx context.Context, a *gltfio.Asset, surfaces []*united, sum *Summary) ([][]bool, error) {
	out := make([][]bool, len(surfaces))
	if len(r.Mask) == 0 {
		return out, nil
	}
	set, err := region.Parse(r.Mask)
	if err != nil {
		return nil, err
	}
	// An attribute that one surface's meshes have need not be on the others.
	any := false
	var nothing []string // why specs pick nothing
	for _, one := range set.Each() {
		var missing *region.MissingError
		var notes []string
		found, empty := false, true
		for i, s := range surfaces {
			mask, why, err := one.Vertices(ctx, a, &s.Surface, s.Skin)
			if errors.As(err, &missing) {
				mask = make([]bool, s.Mesh.NumVertices())
			} else if err != nil {
				return nil, err
			} else {
				found = true
				notes = why
			}
			if out[i] == nil {
				out[i] = make([]bool, len(mask))
			}
			for v, is := range mask {
				out[i][v] = out[i][v] || is
				empty = empty && !is
			}
		}
		if !found {
			return nil, &gltfio.Error{File: missing.File, Where: fmt.Sprintf("region %q", missing.Spec), What: missing.What}
		}
		if empty {
			nothing = append(nothing, notes...)
		}
		any = any || !empty
	}
	if !any {
		return nil, bad("mask", "%s", strings.Join(nothing, "; "))
	}
	sum.Notes = append(sum.Notes, nothing...)
	return out, nil
}

// one is the operation on one surface.
func (r *Request) one(ctx context.Context, x *united, source *Surface, mask []bool, form Form, sum *Summary) (result *Result, err error) {
	s := x.surface()
	if mask != nil && !slices.Contains(mask, true) {
		return &Result{Rows: x.Rows, Changed: make([]bool, len(mask))}, nil
	}
	switch {
	case r.Fill != nil:
		var report *FillReport
		if result, report, err = Fill(ctx, s, mask, r.Fill.Energy, form); err == nil {
			sum.addFill(report)
		}
	case r.Mirror != nil:
		var report *MirrorReport
		if source != nil {
			result, report, err = MirrorOnto(ctx, source, s, mask, *r.Mirror, form)
		} else {
			result, report, err = Mirror(ctx, s, mask, *r.Mirror, form)
		}
		if err == nil {
			sum.addMirror(report)
		}
	case r.Even != nil:
		var report *EvenReport
		if result, report, err = Even(ctx, s, mask, r.Even.Joints[0], r.Even.Joints[1], form); err == nil {
			sum.addEven(report)
		}
	case r.Smooth != nil:
		var report *SmoothReport
		if result, report, err = Smooth(ctx, s, mask, *r.Smooth, form); err == nil {
			sum.addSmooth(report)
		}
	default:
		var report *TidyReport
		if result, report, err = Tidy(ctx, s, storedOf(x), *r.Tidy, form); err == nil {
			sum.addTidy(report)
		}
	}
	return result, err
}

// storedOf are the rows of all primitives as the file has them.
func storedOf(u *united) *Stored {
	s := &Stored{Start: []int32{0}}
	for i, x := range u.skins {
		for part, p := range x.Parts {
			rows := &x.Stored[part]
			for v := range p.End - p.Start {
				for k := 4 * rows.Sets * v; k < 4*rows.Sets*(v+1); k++ {
					j, ok := rows.SurfaceJoint(rows.Joint[k])
					switch {
					case !ok:
						j = math.MaxUint16 // without weight, or reading it had failed
					case u.shared == nil:
					case rows.Weight[k] != 0:
						j = u.joint[i][j]
					case rows.Joint[k] != 0: // what is empty names the skin's own first joint
						j = math.MaxUint16
					default:
						j = 0
					}
					s.Joint, s.Weight = append(s.Joint, j), append(s.Weight, rows.Weight[k])
				}
				s.Start = append(s.Start, int32(len(s.Joint)))
			}
		}
	}
	return s
}

// mostLacking is how many joints are named that a skin lacks.
const mostLacking = 8

// mostPlaces is how many patches without a counterpart are named.
const mostPlaces = 3

// count adds the changes of one surface.
func (s *Summary) count(x *united, r *Result) {
	s.Vertices += len(r.Changed)
	for v, is := range r.Changed {
		if !is {
			continue
		}
		s.Changed++
		if x.Rows.Start[v+1] > x.Rows.Start[v] {
			d := r.Rows.DistanceL1(v, x.Rows, v)
			s.MaxL1, s.MeanL1 = max(s.MaxL1, d), s.MeanL1+d
		}
	}
	for i, l := range r.Lacking {
		if i == mostLacking {
			s.note("%d more joints that a skin lacks gave their weight to others", len(r.Lacking)-i)
			break
		}
		s.note("a skin lacks the joint %q: at %d vertices its weight went to %q", x.Skin.Joints[l.From].Name, l.Vertices, x.Skin.Joints[l.To].Name)
	}
}

func (s *Summary) addFill(r *FillReport) {
	if s.Fill == nil {
		s.Fill = &FillReport{}
	}
	s.Fill.Region += r.Region
	s.Fill.Unreached += r.Unreached
	s.Fill.Clamped += r.Clamped
	s.Fill.Overshoot = max(s.Fill.Overshoot, r.Overshoot)
	s.Fill.Lost = append(s.Fill.Lost, r.Lost...)
	s.Fill.Riders.add(r.Riders)
}

func (s *Summary) addMirror(r *MirrorReport) {
	if s.Mirror == nil {
		s.Mirror = &MirrorReport{Axis: r.Axis, Plane: r.Plane, From: r.From, InBindPose: r.InBindPose}
	}
	m := s.Mirror
	if n := m.Copied + r.Copied; n > 0 {
		m.Mean = (m.Mean*float64(m.Copied) + r.Mean*float64(r.Copied)) / float64(n)
	}
	m.Copied += r.Copied
	m.Middle += r.Middle
	m.Farthest = max(m.Farthest, r.Farthest)
	m.Far += r.Far
	m.Left = append(m.Left, r.Left...)
	for _, p := range r.Pairs {
		if !slices.Contains(m.Pairs, p) { // skins may share joints
			m.Pairs = append(m.Pairs, p)
			if p.Doubt != "" {
				m.Doubtful++
			}
		}
	}
}

func (s *Summary) addEven(r *EvenReport) {
	if s.Even == nil {
		s.Even = r
		return
	}
	e := s.Even
	e.Pair += r.Pair
	e.Length = max(e.Length, r.Length)
	e.Before, e.After = max(e.Before, r.Before), max(e.After, r.After)
	e.Largest = max(e.Largest, r.Largest)
	e.Already = e.Already && r.Already
	e.Full += r.Full
}

func (s *Summary) addSmooth(r *SmoothReport) {
	if s.Smooth == nil {
		s.Smooth = &SmoothReport{Passes: r.Passes}
	}
	m := s.Smooth
	m.Length = (m.Length*float64(m.Region) + r.Length*float64(r.Region)) / float64(m.Region+r.Region)
	m.Region += r.Region
	m.Riders.add(r.Riders)
}

func (s *Summary) addTidy(r *TidyReport) {
	if s.Tidy == nil {
		s.Tidy = r
		return
	}
	t := s.Tidy
	for _, x := range []struct {
		to   *int
		from int
	}{
		{&t.NotFinite, r.NotFinite}, {&t.Zero, r.Zero}, {&t.Negative, r.Negative}, {&t.Sum, r.Sum}, {&t.Twice, r.Twice}, {&t.Pruned, r.Pruned},
		{&t.Limited, r.Limited}, {&t.Cleared, r.Cleared}, {&t.Seams, r.Seams}, {&t.Places, r.Places}, {&t.Filled, r.Filled},
	} {
		*x.to += x.from
	}
}

// finish writes the notes.
func (s *Summary) finish(list []gltfio.Reweighted) {
	if f := s.Fill; f != nil {
		if f.Unreached > 0 {
			s.note("%d vertices of the region keep their rows: no vertex with weights outside it is joined to them", f.Unreached)
		}
		if f.Clamped > 0 {
			s.note("the fill overshot below zero by more than %g at %d vertices, by %.3f at most; it was cut off there", leastOvershoot, f.Clamped, f.Overshoot)
		}
	}
	if s.Fill != nil {
		s.noteRiders(s.Fill.Riders)
		for _, l := range s.Fill.Lost {
			s.note("the joint %q loses %.0f%% of its weight: it led at %d vertices of the region, and around the region there is too little of it to come back; a smaller region keeps it", l.Joint, 100*l.Share, l.Vertices)
		}
	}
	if s.Smooth != nil {
		s.noteRiders(s.Smooth.Riders)
	}
	if m := s.Mirror; m != nil {
		if m.Doubtful > 0 {
			s.note("%d joint pairs are doubtful", m.Doubtful)
		}
		kept := 0
		for _, l := range m.Left {
			kept += l.Vertices
		}
		if took := m.Far - kept; took > 0 {
			s.note("%d vertices have no surface near their mirrored place: they took the nearest there is, up to %.3g m away", took, m.Farthest)
		}
		for i, l := range m.Left {
			if i == mostPlaces {
				s.note("%d more vertices elsewhere kept their rows for the same reason", kept)
				break
			}
			kept -= l.Vertices
			s.note("%d vertices around (%.2f, %.2f, %.2f), by the joint %q, keep their rows: there is no surface near their mirrored place, but up to %.3g m away", l.Vertices, l.At[0], l.At[1], l.At[2], l.Joint, l.Distance)
		}
	}
	if e := s.Even; e != nil {
		if e.Full > 0 {
			s.note("%d vertices keep their share: they have no room for the other joint of the pair (8 influences a vertex make room)", e.Full)
		}
		if e.apart {
			s.note("neither joint of the pair is above the other in the skeleton: are they those of one limb?")
		}
	}
	if t := s.Tidy; t != nil && t.Filled > 0 {
		s.note("%d vertices without usable weights were filled in from their neighbours: look at them", t.Filled)
	}
	if s.Tidy == nil {
		left := 0
		for i := range list {
			left += faulty(&list[i])
		}
		if left > 0 {
			s.note("%d vertices keep rows that are not legal (weights that are no numbers, all zero, negative or not normalised): selvage tidy mends them", left)
		}
	}
	moved, farthest := 0, 0.0
	for i := range list {
		least := 1e-4 * list[i].Surface.Mesh.Diagonal()
		for _, d := range displacements(&list[i]) {
			if d > least {
				moved++
				farthest = max(farthest, d)
			}
		}
	}
	if moved > 0 {
		s.note("the default pose is not the bind pose: with their new rows %d vertices stand elsewhere in it, by up to %.3g m", moved, farthest)
	}
}

// faulty counts the vertices whose rows stay as they were and are not legal: those
// that reading mends, as gltfio.RowFaults has them.
func faulty(r *gltfio.Reweighted) (n int) {
	for i, p := range r.Surface.Parts {
		stored := &r.Surface.Stored[i]
		for v := p.Start; v < p.End; v++ {
			if r.Changed[v] {
				continue
			}
			sum, sound := 0.0, true
			for _, w := range stored.Weight[4*stored.Sets*(v-p.Start):][:4*stored.Sets] {
				sum += w
				sound = sound && finite(w) && w >= 0
			}
			if !sound || !(math.Abs(sum-1) <= 0.01) {
				n++
			}
		}
	}
	return n
}

// displacements are how far the changed vertices with rows move in the default pose.
func displacements(r *gltfio.Reweighted) []float64 {
	x := r.Surface
	of := make([]skinning.Affine, len(x.Skin.Joints))
	for j := range of {
		joint := &x.Skin.Joints[j]
		of[j] = joint.Global.Mul(&joint.InverseBind)
	}
	out := make([]float64, len(r.Changed))
	for v, is := range r.Changed {
		if !is || x.Rows.Start[v+1] == x.Rows.Start[v] {
			continue
		}
		var p r3.Vec
		joint, weight := r.Rows.Row(v)
		for i, j := range joint {
			p = r3.Add(p, r3.Scale(weight[i], of[j].Apply(x.Bind[v])))
		}
		out[v] = r3.Norm(r3.Sub(p, x.Mesh.Positions[v]))
	}
	return out
}
