package gltfio

// Attributes of the vertices that a file is given beside its weights.

import (
	"encoding/binary"
	"math"
)

// Painted is an attribute of the vertices of a surface.
type Painted struct {
	// Name in the file: COLOR_1, _HELD.
	Name string
	// Channels by vertex of the surface: one for a number, four for a colour.
	Channels [][]float64
}

// Has reports whether every primitive of s, a surface of this asset, has the attribute.
func (a *Asset) Has(s *Surface, name string) bool {
	for _, p := range s.Parts {
		if _, ok := a.doc.Meshes[p.MeshIndex].Primitives[p.PrimitiveIndex].Attributes[name]; !ok {
			return false
		}
	}
	return true
}

// WithPainted returns the asset with attributes of the vertices of s, a surface of it,
// as float32. Primitives that have one of the name keep it; of nodes that share a mesh the
// first says what it gets. Errors: channels of another length, ctx's.
func (a *Asset) WithPainted(s *Surface, list []Painted) (*Asset, error) {
	if len(list) == 0 {
		return a, nil
	}
	root, _ := cloneJSON(a.root).(map[string]any)
	w := &writer{a: a, root: root}
	if err := w.mergeBuffers(); err != nil {
		return nil, err
	}
	for _, x := range list {
		width := len(x.Channels)
		kind := map[int]string{1: "SCALAR", 4: "VEC4"}[width]
		if kind == "" {
			return nil, a.fault(x.Name, "%d channels, want 1 or 4", width)
		}
		for _, c := range x.Channels {
			if n := s.Mesh.NumVertices(); len(c) != n {
				return nil, a.fault(x.Name, "%d values for %d vertices", len(c), n)
			}
		}
		for _, p := range s.Parts {
			attributes, _ := w.primitiveObject(primitiveRef{p.NodeIndex, p.MeshIndex, p.PrimitiveIndex})["attributes"].(map[string]any)
			if _, has := attributes[x.Name]; has || attributes == nil {
				continue
			}
			data := make([]byte, 0, 4*width*(p.End-p.Start))
			for v := p.Start; v < p.End; v++ {
				if a.done(v) {
					return nil, a.ctx.Err()
				}
				for _, c := range x.Channels {
					data = binary.LittleEndian.AppendUint32(data, math.Float32bits(float32(c[v])))
				}
			}
			acc := map[string]any{"componentType": num(5126), "count": num(p.End - p.Start), "type": kind}
			attributes[x.Name] = num(w.store(acc, data, 0, 34962, -1))
		}
	}
	return w.finish()
}
