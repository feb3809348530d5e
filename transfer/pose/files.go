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
	// Samples is how many moments of each animation are checked, evenly from its
	// first to its last keyframe. Zero: none.
	Samples int
}

// FromAssets prepares the check of a garment's asset over a body's. Animations are
// the body's, and the garment's where the body has none.
func FromAssets(ctx context.Context, body, garment *gltfio.Asset, opt FileOptions) (*Checker, error) {
	b, err := body.Body(opt.Body)
	if err != nil {
		return nil, err
	}
	g, err := garment.Garment(opt.Garment)
	if err != nil {
		return nil, err
	}
	if opt.Samples > 0 {
		list, err := body.Animations()
		if err != nil {
			return nil, err
		}
		ofBody := len(list) > 0
		if !ofBody {
			if list, err = garment.Animations(); err != nil {
				return nil, err
			}
		}
		// The caller's slice stays as it is.
		opt.Moments = append([]Moment(nil), opt.Moments...)
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
				globals := a.Globals(t)
				m := Moment{Name: fmt.Sprintf("%s at %.3g s", name, t)}
				if ofBody {
					m.Body = pick(globals, b.JointNode)
				} else {
					m.Garment = pick(globals, g.JointNode)
				}
				opt.Moments = append(opt.Moments, m)
			}
		}
	}
	return New(ctx, FromSurface(filepath.Base(body.Name), b), FromSurface(filepath.Base(garment.Name), g), opt.Options)
}

func pick(globals []skinning.Affine, nodes []int) []skinning.Affine {
	out := make([]skinning.Affine, len(nodes))
	for k, n := range nodes {
		out[k] = globals[n]
	}
	return out
}
