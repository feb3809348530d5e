package gltfio

// Reading of attributes of one number a vertex, such as _CONFIDENCE and _REASON.

import (
	"math"

	"github.com/qmuntal/gltf"
)

// Scalars reads the SCALAR attribute name of every vertex of s, a surface of this
// asset. Vertices of primitives without the attribute are NaN; where no primitive
// has it the result is nil. An attribute of another length is an error.
func (a *Asset) Scalars(s *Surface, name string) ([]float64, error) {
	var out []float64
	for _, p := range s.Parts {
		r := primitiveRef{p.NodeIndex, p.MeshIndex, p.PrimitiveIndex}
		i, ok := a.doc.Meshes[r.mesh].Primitives[r.primitive].Attributes[name]
		if !ok {
			continue
		}
		where := r.String() + " " + name
		x, err := a.floats(i, gltf.AccessorScalar, where)
		if err != nil {
			return nil, err
		}
		if len(x) != p.End-p.Start {
			return nil, a.fault(where, "%d values for %d vertices", len(x), p.End-p.Start)
		}
		if out == nil {
			out = make([]float64, s.Mesh.NumVertices())
			for v := range out {
				out[v] = math.NaN()
			}
		}
		copy(out[p.Start:p.End], x)
	}
	return out, nil
}
