package gltfio

// Reading of attributes of one number a vertex, such as _CONFIDENCE and _REASON, and
// of one channel of colours.

import (
	"math"

	"github.com/qmuntal/gltf"
)

// Scalars reads the SCALAR attribute name of every vertex of s, a surface of this
// asset. Vertices of primitives without the attribute are NaN; where no primitive
// has it the result is nil. An attribute of another length is an error.
func (a *Asset) Scalars(s *Surface, name string) ([]float64, error) {
	return a.component(s, name, 0, gltf.AccessorScalar)
}

// Channel reads component k (red, green, blue, alpha: 0 to 3) of the VEC3 or VEC4
// attribute name, COLOR_0 say, of every vertex of s, a surface of this asset.
// Integers are read as the numbers from 0 to 1 that they stand for; colours are
// linear (section 3.7.2.1 of the glTF 2.0 specification), and those of a VEC3 have
// an alpha of 1. Missing attributes as in Scalars.
func (a *Asset) Channel(s *Surface, name string, k int) ([]float64, error) {
	return a.component(s, name, k, gltf.AccessorVec3, gltf.AccessorVec4)
}

// component reads component k of an attribute that has one of the types.
func (a *Asset) component(s *Surface, name string, k int, types ...gltf.AccessorType) ([]float64, error) {
	var out []float64
	for _, p := range s.Parts {
		r := primitiveRef{p.NodeIndex, p.MeshIndex, p.PrimitiveIndex}
		i, ok := a.doc.Meshes[r.mesh].Primitives[r.primitive].Attributes[name]
		if !ok {
			continue
		}
		where := r.String() + " " + name
		acc, err := a.accessor(i, where)
		if err != nil {
			return nil, err
		}
		kind := types[0]
		for _, t := range types {
			if acc.Type == t {
				kind = t
			}
		}
		x, err := a.floats(i, kind, where)
		if err != nil {
			return nil, err
		}
		width := componentCount(kind)
		if len(x) != width*(p.End-p.Start) {
			return nil, a.fault(where, "%d values for %d vertices", len(x)/width, p.End-p.Start)
		}
		if out == nil {
			out = make([]float64, s.Mesh.NumVertices())
			for v := range out {
				out[v] = math.NaN()
			}
		}
		for v := p.Start; v < p.End; v++ {
			if a.done(v) {
				return nil, a.ctx.Err()
			}
			out[v] = 1
			if k < width {
				out[v] = x[width*(v-p.Start)+k]
			}
		}
	}
	return out, nil
}
