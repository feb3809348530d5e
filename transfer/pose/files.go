package pose

// Files: the check from asset to asset, animations included.

import (
	"context"
	"fmt"
	"path/filepath"

	"github.com/selvage/selvage/transfer/gltfio"
	"github.com/selvage/selvage/transfer/skinning"
)

// FromSurface makes a figure of meshes read from an asset; it shares their memory.
func FromSurface(name string, s *gltfio.Surface) *Figure {
	f := &Figure{Name: name, Mesh: s.Mesh, Rows: s.Rows, Skin: s.Skin}
	for _, p := range s.Parts {
		f.Parts = append(f.Parts, Part{Node: p.Node, Mesh: p.Mesh, Material: p.Material, Primitive: p.PrimitiveIndex, Start: p.Start, End: p.End})
	}
	return f
}

// FileOptions say what of two assets is checked. The zero value works.
type FileOptions struct {
	Options
	// Body and Garment pick meshes; zero: every skinned mesh of the body, every mesh
	// of the garment.
	Body, Garment gltfio.Selection
	// Layers are weighted garments worn beneath, inner to outer: of each, every skinned
	// mesh of its scene.
	Layers []*gltfio.Asset
	// Joints leads from each joint of a garment's or a layer's skin to the body's that it
	// is, -1 for none; size is the diagonal of the body's box, metres. Nil: the joints of
	// the same names (transfer.Counterparts makes one of a joint map).
	Joints func(body, garment *skinning.Skin, size float64) []int32
	// Samples is how many moments of each animation are checked, evenly from its
	// first to its last keyframe. Zero: none.
	Samples int
}

// AssetBody is a body read from an asset and made ready. It is safe for concurrent
// use.
type AssetBody struct {
	asset   *gltfio.Asset
	surface *gltfio.Surface
	body    *Body
}

// PrepareAsset reads the selected skinned meshes of an asset (zero: all of its
// scene) as one body.
func PrepareAsset(ctx context.Context, asset *gltfio.Asset, sel gltfio.Selection, threads int) (*AssetBody, error) {
	s, err := asset.WithContext(ctx).Body(sel)
	if err != nil {
		return nil, err
	}
	b, err := Prepare(ctx, FromSurface(filepath.Base(asset.Name), s), threads)
	if err != nil {
		return nil, err
	}
	return &AssetBody{asset, s, b}, nil
}

// FromAssets prepares the check of a garment's asset over a body's.
func FromAssets(ctx context.Context, body, garment *gltfio.Asset, opt FileOptions) (*Checker, error) {
	b, err := PrepareAsset(ctx, body, opt.Body, opt.Threads)
	if err != nil {
		return nil, err
	}
	return b.Check(ctx, garment, opt)
}

// Check prepares the check of a garment's asset; opt.Body is not looked at.
// Animations are the body's, and the garment's where the body has none.
func (b *AssetBody) Check(ctx context.Context, garment *gltfio.Asset, opt FileOptions) (*Checker, error) {
	garment = garment.WithContext(ctx)
	g, err := garment.Garment(opt.Garment)
	if err != nil {
		return nil, err
	}
	opt.Options.Layers = nil
	for _, asset := range opt.Layers {
		l, err := asset.WithContext(ctx).Body(gltfio.Selection{})
		if err != nil {
			return nil, err
		}
		opt.Options.Layers = append(opt.Options.Layers, b.named(FromSurface(filepath.Base(asset.Name), l), opt.Joints))
	}
	if opt.Samples > 0 {
		list, err := b.asset.WithContext(ctx).Animations()
		if err != nil {
			return nil, err
		}
		ofBody := len(list) > 0
		if !ofBody {
			if list, err = garment.Animations(); err != nil {
				return nil, err
			}
		}
		if opt.MaxPoses > 0 && opt.Samples*len(list) > opt.MaxPoses {
			return nil, &TooManyPosesError{opt.MaxPoses}
		}
		for i, a := range list {
			name := a.Name
			if name == "" {
				name = fmt.Sprintf("animation %d", i)
			}
			for k := range opt.Samples {
				t := a.Start
				if opt.Samples > 1 {
					t += (a.End - a.Start) * float64(k) / float64(opt.Samples-1)
				}
				opt.lazy = append(opt.lazy, lazyMoment{fmt.Sprintf("%s at %.3g s", name, t), func() Moment {
					if ofBody {
						return Moment{Body: pick(a.Globals(t), b.surface.JointNode)}
					}
					return Moment{Garment: pick(a.Globals(t), g.JointNode)}
				}})
			}
		}
	}
	k, err := b.body.Check(ctx, b.named(FromSurface(filepath.Base(garment.Name), g), opt.Joints), opt.Options)
	if err != nil {
		return nil, err
	}
	for _, name := range b.surface.Idle {
		k.remarks = append(k.remarks, fmt.Sprintf("no skinned mesh of the body is named %q", name))
	}
	for _, name := range g.Idle {
		k.remarks = append(k.remarks, fmt.Sprintf("no mesh of the garment is named %q", name))
	}
	return k, nil
}

// named calls the joints of a figure what the body calls them.
func (b *AssetBody) named(f *Figure, joints func(body, garment *skinning.Skin, size float64) []int32) *Figure {
	if joints != nil && f.Skin != nil {
		f.Skin = f.Skin.WithNames(b.surface.Skin, joints(b.surface.Skin, f.Skin, b.surface.Mesh.Diagonal()))
	}
	return f
}

func pick(globals []skinning.Affine, nodes []int) []skinning.Affine {
	out := make([]skinning.Affine, len(nodes))
	for k, n := range nodes {
		out[k] = globals[n]
	}
	return out
}
