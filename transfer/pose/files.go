package pose

import (
	"context"
	"path/filepath"

	"github.com/selvage/selvage/transfer/gltfio"
)

// FromSurface makes a figure of meshes read from an asset; it shares their memory.
func FromSurface(name string, s *gltfio.Surface) *Figure {
	f := &Figure{Name: name, Mesh: s.Mesh, Rows: s.Rows, Skin: s.Skin}
	for _, p := range s.Parts {
		f.Parts = append(f.Parts, Part{Node: p.Node, Mesh: p.Mesh, Material: p.Material, Primitive: p.PrimitiveIndex, Start: p.Start, End: p.End})
	}
	return f
}

// FromAssets prepares the check of a garment's asset over a body's. The selections
// pick meshes; zero values pick every skinned mesh of the body, every mesh of the
// garment.
func FromAssets(ctx context.Context, body *gltfio.Asset, bodies gltfio.Selection, garment *gltfio.Asset, garments gltfio.Selection, opt Options) (*Checker, error) {
	b, err := body.Body(bodies)
	if err != nil {
		return nil, err
	}
	g, err := garment.Garment(garments)
	if err != nil {
		return nil, err
	}
	return New(ctx, FromSurface(filepath.Base(body.Name), b), FromSurface(filepath.Base(garment.Name), g), opt)
}
