// Package retouch changes the rows of meshes that are skinned already, bodies and
// garments alike: it fills a region in from its surroundings (fill.go), carries one
// side over to the other (mirror.go, pairs.go, plane.go), makes a twist pair even
// around its limb (even.go, isotonic.go), smooths (smooth.go) and tidies (tidy.go).
// riders.go takes buttons along, balance.go keeps a mirror's middle in balance, lost.go
// finds what a fill took out. bindpose.go finds the pose to do it in, files.go joins it
// to assets, and skins.go the skins of an asset to surfaces.
//
// Every operation works on a [Surface] and returns a [Result]: new rows, and which
// vertices they are for. All others keep their rows, bit for bit. Vertices in one
// place get one row. Nothing but rows changes. No result depends on the number of
// threads.
package retouch

import (
	"context"
	"fmt"
	"math"
	"runtime"

	"github.com/selvage/selvage/transfer"
	"github.com/selvage/selvage/transfer/mesh"
	"github.com/selvage/selvage/transfer/skinning"
	"github.com/selvage/selvage/transfer/weights"
	"gonum.org/v1/gonum/spatial/r3"
)

// Surface is the meshes of one skin, or of skins that share joints, with their rows.
type Surface struct {
	// Mesh in the default-pose world frame, metres.
	Mesh *mesh.Mesh
	// Bind are the positions in the frame in which the skin was bound, by vertex: what
	// is joined and how vertices lie beside one another is taken from them, so that
	// rows that are wrong do not part them. Nil: Mesh's positions.
	Bind []r3.Vec
	// Rows by vertex over Skin's joints; an empty row is a vertex without usable
	// weights.
	Rows *weights.Rows
	Skin *skinning.Skin
	// Shared is set where several skins share the surface: its Skin has the joints of all,
	// and a vertex gets those that every skin with a vertex in its place has.
	Shared *Shared
}

// Form is how the rows are stored. The zero value: floats, four influences.
type Form struct {
	Format weights.Format
	// MaxInfluences of a row. Zero: 4.
	MaxInfluences int
	// Threads at work. Zero: as many as the processor runs at once. The result does
	// not depend on it.
	Threads int
}

// pruneBelow is the share of a row below which an influence is rounding noise: the
// transfer's own default.
const pruneBelow = 1e-7

// unchanged is the L1 distance of two rows of floats that are the same but for
// rounding: up to eight weights, each rounded to 2^-24 of one, with room for the
// sums behind them.
const unchanged = 1e-6

// Result of an operation.
type Result struct {
	// Rows by vertex, on the grid of the form's format where Changed.
	Rows *weights.Rows
	// Changed says which vertices get another row.
	Changed []bool
	// Lacking says what went to other joints for want of one in a skin (Shared).
	Lacking []Lacking
}

// joined is a surface with coincident vertices joined.
type joined struct {
	of   *Surface
	form Form
	// mesh and bind are the joined vertices in the world's and in the bind's frame.
	mesh, bind *mesh.Mesh
	to         []int32 // from the surface's vertices
	adjacency  *mesh.Adjacency
	rows       *weights.Rows // of joined vertices: the mean of those that are usable
	member     [][]int32     // vertices of each joined one, ascending
}

// join welds a surface.
func join(ctx context.Context, s *Surface, form Form) (*joined, error) {
	n := s.Mesh.NumVertices()
	if s.Rows.Len() != n || s.Bind != nil && len(s.Bind) != n {
		return nil, fmt.Errorf("%d rows and %d stored positions for %d vertices", s.Rows.Len(), len(s.Bind), n)
	}
	if form.MaxInfluences == 0 {
		form.MaxInfluences = 4
	}
	if form.Threads <= 0 {
		form.Threads = runtime.GOMAXPROCS(0)
	}
	bind := &mesh.Mesh{Positions: s.Bind, Triangles: s.Mesh.Triangles}
	if bind.Positions == nil {
		bind.Positions = s.Mesh.Positions
	}
	if err := bind.ValidateContext(ctx); err != nil {
		return nil, err
	}
	weld, err := s.weld(ctx, bind)
	if err != nil {
		return nil, err
	}
	g := &joined{of: s, form: form, bind: weld.Mesh, to: weld.ToWelded, member: make([][]int32, weld.Mesh.NumVertices())}
	for v, w := range g.to {
		g.member[w] = append(g.member[w], int32(v))
	}
	g.mesh = &mesh.Mesh{Triangles: weld.Mesh.Triangles, Positions: make([]r3.Vec, len(g.member))}
	for w, m := range g.member {
		at := m[0]
		for _, v := range m { // one without usable weights stands anywhere
			if s.Rows.Start[v+1] > s.Rows.Start[v] {
				at = v
				break
			}
		}
		g.mesh.Positions[w] = s.Mesh.Positions[at]
	}
	if g.adjacency, err = mesh.NewAdjacencyContext(ctx, g.bind); err != nil {
		return nil, err
	}
	g.rows = g.means()
	return g, nil
}

// means are the rows of the joined vertices.
func (g *joined) means() *weights.Rows {
	out := weights.NewRows(len(g.member))
	acc := weights.NewAccumulator(len(g.of.Skin.Joints))
	for _, m := range g.member {
		same := true
		for _, v := range m[1:] {
			same = same && equalRows(g.of.Rows, int(v), g.of.Rows, int(m[0]))
		}
		if same {
			out.Append(g.of.Rows.Row(int(m[0])))
			continue
		}
		for _, v := range m {
			acc.AddRow(g.of.Rows, int(v), 1)
		}
		acc.FlushNormalised(out)
	}
	return out
}

// equalRows reports whether two rows are the same, bit for bit.
func equalRows(a *weights.Rows, u int, b *weights.Rows, v int) bool {
	ja, wa := a.Row(u)
	jb, wb := b.Row(v)
	if len(ja) != len(jb) {
		return false
	}
	for i := range ja {
		if ja[i] != jb[i] || wa[i] != wb[i] {
			return false
		}
	}
	return true
}

// usable reports whether a joined vertex has a row.
func (g *joined) usable(w int) bool { return g.rows.Start[w+1] > g.rows.Start[w] }

// mask brings a mask of vertices to the joined ones: one that has a member in it is
// in it. A nil mask is everything.
func (g *joined) mask(mask []bool) ([]bool, error) {
	out := make([]bool, len(g.member))
	if mask != nil && len(mask) != len(g.to) {
		return nil, fmt.Errorf("a region of %d vertices for %d", len(mask), len(g.to))
	}
	for v, w := range g.to {
		out[w] = out[w] || mask == nil || mask[v]
	}
	return out, nil
}

// finish brings the rows of the touched joined vertices into the form of the file
// and hands them to their members. A vertex counts as changed where any of those in
// its place differs by more than rounding.
func (g *joined) finish(ctx context.Context, next *weights.Rows, touched []bool) (*Result, error) {
	given := next
	next, moved := g.owned(given, touched)
	some := weights.NewRows(0)
	at := make([]int32, len(g.member))
	for w := range at {
		at[w] = -1
		if touched[w] && next.Start[w+1] > next.Start[w] {
			at[w] = int32(some.Len())
			some.Append(next.Row(w))
		}
	}
	done, _, err := weights.FinishContext(ctx, some, weights.FinishOptions{
		MaxInfluences: g.form.MaxInfluences, PruneBelow: pruneBelow, Format: g.form.Format, Threads: g.form.Threads,
	})
	if err != nil {
		return nil, err
	}
	limit := unchanged
	if steps := g.form.Format.Steps(); steps > 0 {
		limit = 0.5 / float64(steps)
	}
	r := &Result{Rows: weights.NewRows(len(g.to)), Changed: make([]bool, len(g.to))}
	for w, m := range g.member {
		if at[w] < 0 {
			continue
		}
		differs := false
		for _, v := range m {
			differs = differs || !(done.DistanceL1(int(at[w]), g.of.Rows, int(v)) <= limit)
		}
		for _, v := range m {
			r.Changed[v] = differs
		}
	}
	for v, w := range g.to {
		if r.Changed[v] {
			r.Rows.Append(done.Row(int(at[w])))
		} else {
			r.Rows.Append(g.of.Rows.Row(v))
		}
	}
	r.Lacking = g.lacked(given, moved, r.Changed)
	return r, ctx.Err()
}

// bad is an error of an option.
func bad(option, format string, args ...any) error {
	return &transfer.OptionError{Option: option, Reason: fmt.Sprintf(format, args...)}
}

func finite(x float64) bool { return !math.IsNaN(x) && !math.IsInf(x, 0) }
