package transfer

// Files: the transfer from asset to asset. The command line and the service call
// this alone, so that both give the same bytes.

import (
	"context"
	"fmt"
	"path/filepath"
	"slices"

	"github.com/selvage/selvage/transfer/gltfio"
	"github.com/selvage/selvage/transfer/skinning"
	"github.com/selvage/selvage/transfer/weights"
)

// AssetOptions are the options of a transfer from asset to asset. The zero value
// works.
type AssetOptions struct {
	Options
	// Garments picks meshes of the garment's asset; zero picks every mesh of its
	// scene. All picked meshes are treated as one garment.
	Garments gltfio.Selection
	// KeepJoints are globs of joint names of the garment's own skin (a coat-tail
	// chain, say) that keep the weights they have.
	KeepJoints []string
	// Lock lists regions (package region) whose vertices keep the row that they have,
	// and LockJoints globs of joint names whose weights stay as they are at every
	// vertex. Both need a garment that has weights already (locks.go).
	Lock, LockJoints []string
	// Skin says whose joints the rows refer to. SkinOwn needs a garment with a skin.
	Skin OutputSkin
	// PlainRows leaves _CONFIDENCE and _REASON out of the result.
	PlainRows bool
}

// AssetBody is a body read from an asset and made ready. It is safe for
// concurrent use.
type AssetBody struct {
	asset   *gltfio.Asset
	surface *gltfio.Surface
	source  *Source
	// What a summary says of its meshes and of the layers worn over it, and the names of
	// the layers' joints that are not the body's (layer_files.go).
	notes       []string
	layerJoints map[string]bool
}

// PrepareAsset reads the selected skinned meshes of an asset (zero: all of its
// scene) as one body.
func PrepareAsset(ctx context.Context, asset *gltfio.Asset, sel gltfio.Selection, threads int) (*AssetBody, error) {
	surface, err := asset.WithContext(ctx).Body(sel)
	if err != nil {
		return nil, err
	}
	source, err := Prepare(ctx, &Body{Name: filepath.Base(asset.Name), Mesh: surface.Mesh, Rows: surface.Rows, Skin: surface.Skin}, threads)
	if err != nil {
		return nil, err
	}
	b := &AssetBody{asset: asset, surface: surface, source: source}
	for _, glob := range surface.Idle {
		b.notes = append(b.notes, fmt.Sprintf("no skinned mesh of the body is named %q", glob))
	}
	return b, nil
}

// Surface is the body as read; read-only.
func (b *AssetBody) Surface() *gltfio.Surface { return b.surface }

// Transfer returns the garment's asset with the body's rows, and the result by
// vertex of its surface. garment is not changed. Locks hold the rows that garment
// has itself.
func (b *AssetBody) Transfer(ctx context.Context, garment *gltfio.Asset, opt AssetOptions) (*gltfio.Asset, *Result, error) {
	return b.TransferFrom(ctx, garment, nil, opt)
}

// TransferFrom is Transfer with locks that hold other rows than garment's own, which
// a nil present means.
func (b *AssetBody) TransferFrom(ctx context.Context, garment *gltfio.Asset, present *Present, opt AssetOptions) (*gltfio.Asset, *Result, error) {
	garment = garment.WithContext(ctx)
	surface, err := garment.Garment(opt.Garments)
	if err != nil {
		return nil, nil, err
	}
	if err := checkGlobs("keep-joint", opt.KeepJoints); err != nil {
		return nil, nil, err
	}
	g := &Garment{Name: filepath.Base(garment.Name), Mesh: surface.Mesh}
	switch {
	case opt.Skin < SkinBody || opt.Skin > SkinOwn:
		return nil, nil, &OptionError{Option: "skin", Reason: fmt.Sprintf("unknown value %d", opt.Skin)}
	case opt.Skin == SkinOwn && surface.Skin == nil:
		return nil, nil, &OptionError{Option: "skin", Reason: fmt.Sprintf("the garment %s has no skin of its own whose joints could take the weights", g.Name)}
	case opt.Skin == SkinOwn:
		g.Skin = surface.Skin
	}
	for _, p := range surface.Parts {
		g.Parts = append(g.Parts, Part{Node: p.Node, Mesh: p.Mesh, Material: p.Material, Primitive: p.PrimitiveIndex, Start: p.Start, End: p.End})
	}
	kept, idle, err := b.keptJoints(ctx, g, surface, opt.KeepJoints)
	if err != nil {
		return nil, nil, err
	}
	kept, locks, err := b.hold(ctx, g, garment, surface, present, kept, &opt)
	if err != nil {
		return nil, nil, err
	}
	options := opt.Options
	if options.JointMap, err = b.rulesFor(g, opt.JointMap); err != nil {
		return nil, nil, err
	}
	r, err := b.source.Transfer(ctx, g, options)
	if err != nil {
		return nil, nil, err
	}
	out := gltfio.Output{Rows: r.Rows, Format: opt.Format, Kept: kept}
	if opt.MaxInfluences > 4 {
		out.Sets = 2
	}
	if !opt.PlainRows {
		out.Confidence = r.Confidence
		out.Reason = make([]uint16, len(r.Reason))
		for v, x := range r.Reason {
			out.Reason[v] = uint16(x)
		}
	}
	write := func() (*gltfio.Asset, *gltfio.Report, error) {
		return garment.WithRows(surface, b.asset, b.surface, out)
	}
	if g.Skin != nil {
		write = func() (*gltfio.Asset, *gltfio.Report, error) { return garment.WithOwnRows(surface, out) }
	}
	written, report, err := write()
	if err != nil {
		return nil, nil, err
	}
	for _, glob := range surface.Idle {
		idle = append(idle, fmt.Sprintf("no mesh of the garment is named %q", glob))
	}
	r.Summary.Notes = append(append(r.Summary.Notes, idle...), locks...)
	note := func(format string, args ...any) {
		r.Summary.Notes = append(r.Summary.Notes, fmt.Sprintf(format, args...))
	}
	if report.Singular > 0 {
		note("%d vertices (first: vertex %d) have a blended matrix that cannot be inverted and are stored where they stand", report.Singular, report.FirstVertex)
	}
	if report.FarFromRigid > 0 {
		note("%d vertices (first: vertex %d) have a blended matrix far from rigid: the body's default pose bends much there", report.FarFromRigid, report.FirstVertex)
	}
	if f := b.surface.Faults; f.Negative > 0 || f.Sum > 0 {
		note("the body's weights were mended: %d vertices with negative weights, %d not normalised", f.Negative, f.Sum)
	}
	r.Summary.Notes = append(r.Summary.Notes, b.notes...)
	return written, r, nil
}

// keptJoints sets g.Kept to the garment's own weights of the joints that the
// globs name, over the joints that g's rows are to refer to, and returns the nodes
// of those that are added to the body's, and sentences about globs that keep nothing.
// Joints that the body has under the same name in the same place are the body's; where
// the garment keeps its skin, the name alone decides.
func (b *AssetBody) keptJoints(ctx context.Context, g *Garment, surface *gltfio.Surface, globs []string) (nodes []int, notes []string, err error) {
	var names, own []string
	if surface.Rows != nil {
		for j := range surface.Skin.Joints {
			joint := &surface.Skin.Joints[j]
			names = append(names, joint.Name)
			if !b.hasJoint(joint, g.Skin == nil) {
				own = append(own, joint.Name)
			}
		}
	}
	missing := idleGlobs(globs, names...)
	for _, glob := range idleGlobs(globs, own...) {
		if slices.Contains(missing, glob) {
			notes = append(notes, fmt.Sprintf("no joint of the garment's own skin is named %q: nothing is kept by that", glob))
		} else {
			notes = append(notes, fmt.Sprintf("the joints named %q are the body's: nothing is kept by that", glob))
		}
	}
	if len(globs) == 0 || surface.Rows == nil {
		return nil, notes, nil
	}
	any := false
	index := make([]int, len(surface.Skin.Joints))
	for j := range surface.Skin.Joints {
		index[j] = -1
		joint := &surface.Skin.Joints[j]
		if !matchesAny(globs, joint.Name) || b.hasJoint(joint, g.Skin == nil) {
			continue
		}
		any = true
		if index[j] = j; g.Skin == nil {
			index[j] = len(b.surface.Skin.Joints) + len(nodes)
			nodes = append(nodes, surface.JointNode[j])
		}
	}
	if !any {
		return nil, notes, nil
	}
	g.Kept = weights.NewRows(surface.Rows.Len())
	var joint []uint16
	var weight []float64
	for v := 0; v < surface.Rows.Len(); v++ {
		if ended(ctx, v) {
			return nil, nil, ctx.Err()
		}
		joint, weight = joint[:0], weight[:0]
		js, ws := surface.Rows.Row(v)
		for i, j := range js {
			if index[j] >= 0 {
				joint, weight = append(joint, uint16(index[j])), append(weight, ws[i])
			}
		}
		g.Kept.Append(joint, weight) // ascending: index grows with j
	}
	return nodes, notes, nil
}

// hasJoint reports whether the body has a joint of the same name, and in the same
// place where that counts.
func (b *AssetBody) hasJoint(j *skinning.Joint, place bool) bool {
	for k := range b.surface.Skin.Joints {
		if b.surface.Skin.Joints[k].Name == j.Name && (!place || b.surface.Skin.Joints[k].Global == j.Global) {
			return true
		}
	}
	return false
}
