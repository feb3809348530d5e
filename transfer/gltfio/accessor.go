package gltfio

// Accessors: any legal layout (interleaved, sparse, normalised, without a buffer
// view) as flat values. Every count is held against the bytes that are there
// before anything is allocated.
// Source: glTF 2.0 specification, section 3.6.2 (Accessors).

import (
	"encoding/binary"
	"fmt"
	"math"

	"github.com/qmuntal/gltf"
)

// minImplicit is the number of elements that an accessor without bytes behind it
// may always have; it is all zeros, or all but a few sparse entries. Larger ones
// must be no more than the asset has bytes: there is no use for them beside
// attributes that do have data.
const minImplicit = 1 << 16

func componentSize(c gltf.ComponentType) int {
	switch c {
	case gltf.ComponentByte, gltf.ComponentUbyte:
		return 1
	case gltf.ComponentShort, gltf.ComponentUshort:
		return 2
	case gltf.ComponentUint, gltf.ComponentFloat:
		return 4
	}
	return 0
}

func componentCount(t gltf.AccessorType) int {
	switch t {
	case gltf.AccessorScalar:
		return 1
	case gltf.AccessorVec2:
		return 2
	case gltf.AccessorVec3:
		return 3
	case gltf.AccessorVec4, gltf.AccessorMat2:
		return 4
	case gltf.AccessorMat3:
		return 9
	case gltf.AccessorMat4:
		return 16
	}
	return 0
}

// accessor returns accessor i, or an error that names it.
func (a *Asset) accessor(i int, where string) (*gltf.Accessor, error) {
	if i < 0 || i >= len(a.doc.Accessors) {
		return nil, a.fault(where, "accessor %d does not exist", i)
	}
	return a.doc.Accessors[i], nil
}

// elements returns the bytes of n elements of size bytes each, and their stride.
func (a *Asset) elements(view, offset, n, size int, strided bool, where string) (data []byte, stride int, err error) {
	if view < 0 || view >= len(a.doc.BufferViews) {
		return nil, 0, a.fault(where, "buffer view %d does not exist", view)
	}
	v := a.doc.BufferViews[view]
	if v.Extensions["EXT_meshopt_compression"] != nil {
		return nil, 0, a.fault(where, "is compressed by EXT_meshopt_compression, which selvage cannot read")
	}
	if v.Buffer < 0 || v.Buffer >= len(a.buffers) {
		return nil, 0, a.fault(where, "buffer %d does not exist", v.Buffer)
	}
	buffer := a.buffers[v.Buffer]
	if v.ByteOffset < 0 || v.ByteLength < 0 || v.ByteOffset > len(buffer) || v.ByteLength > len(buffer)-v.ByteOffset {
		return nil, 0, a.fault(where, "buffer view %d reaches beyond its buffer of %d bytes", view, len(buffer))
	}
	data = buffer[v.ByteOffset : v.ByteOffset+v.ByteLength]
	stride = size
	if strided && v.ByteStride != 0 {
		stride = v.ByteStride
	}
	if stride < size || stride > 252 && stride != size {
		return nil, 0, a.fault(where, "has a stride of %d bytes for elements of %d", stride, size)
	}
	if offset < 0 || offset > len(data) {
		return nil, 0, a.fault(where, "starts beyond buffer view %d", view)
	}
	data = data[offset:]
	if n > 0 && (n-1 > (len(data)-size)/stride || len(data) < size) {
		return nil, 0, a.fault(where, "says %d elements, buffer view %d has no room for them", n, view)
	}
	return data, stride, nil
}

// component decodes one component as a number; normalised integers by the
// formulas of section 3.6.2.2.
func component(b []byte, c gltf.ComponentType, normalised bool) float64 {
	switch c {
	case gltf.ComponentFloat:
		return float64(math.Float32frombits(binary.LittleEndian.Uint32(b)))
	case gltf.ComponentUbyte:
		if normalised {
			return float64(b[0]) / 255
		}
		return float64(b[0])
	case gltf.ComponentByte:
		if normalised {
			return max(float64(int8(b[0]))/127, -1)
		}
		return float64(int8(b[0]))
	case gltf.ComponentUshort:
		if normalised {
			return float64(binary.LittleEndian.Uint16(b)) / 65535
		}
		return float64(binary.LittleEndian.Uint16(b))
	case gltf.ComponentShort:
		if normalised {
			return max(float64(int16(binary.LittleEndian.Uint16(b)))/32767, -1)
		}
		return float64(int16(binary.LittleEndian.Uint16(b)))
	}
	return float64(binary.LittleEndian.Uint32(b))
}

// floats reads accessor i as count*components numbers, row by row.
func (a *Asset) floats(i int, want gltf.AccessorType, where string) ([]float64, error) {
	acc, err := a.accessor(i, where)
	if err != nil {
		return nil, err
	}
	where = fmt.Sprintf("%s: accessor %d", where, i)
	if acc.Type != want {
		return nil, a.fault(where, "has the wrong type (%d components, want %d)", componentCount(acc.Type), componentCount(want))
	}
	size, comps := componentSize(acc.ComponentType), componentCount(acc.Type)
	if size == 0 {
		return nil, a.fault(where, "has an unknown component type")
	}
	if acc.Count < 0 {
		return nil, a.fault(where, "has %d elements", acc.Count)
	}
	var out []float64
	if acc.BufferView != nil {
		data, stride, err := a.elements(*acc.BufferView, acc.ByteOffset, acc.Count, size*comps, true, where)
		if err != nil {
			return nil, err
		}
		out = make([]float64, acc.Count*comps)
		for e := 0; e < acc.Count; e++ {
			if a.done(e) {
				return nil, a.ctx.Err()
			}
			for k := 0; k < comps; k++ {
				out[e*comps+k] = component(data[e*stride+k*size:], acc.ComponentType, acc.Normalized)
			}
		}
	} else {
		most := minImplicit
		for _, b := range a.buffers {
			most += len(b)
		}
		if acc.Count > most {
			return nil, a.fault(where, "says %d elements with no data behind them", acc.Count)
		}
		out = make([]float64, acc.Count*comps)
	}
	if acc.Sparse == nil {
		return out, nil
	}
	s := acc.Sparse
	index, err := a.sparseIndices(s, acc.Count, where)
	if err != nil {
		return nil, err
	}
	values, stride, err := a.elements(s.Values.BufferView, s.Values.ByteOffset, s.Count, size*comps, false, where+" sparse values")
	if err != nil {
		return nil, err
	}
	for e, at := range index {
		if a.done(e) {
			return nil, a.ctx.Err()
		}
		for k := 0; k < comps; k++ {
			out[at*comps+k] = component(values[e*stride+k*size:], acc.ComponentType, acc.Normalized)
		}
	}
	return out, nil
}

func (a *Asset) sparseIndices(s *gltf.Sparse, count int, where string) ([]int, error) {
	where += " sparse indices"
	size := componentSize(s.Indices.ComponentType)
	if size == 0 || s.Indices.ComponentType == gltf.ComponentFloat {
		return nil, a.fault(where, "have an unusable component type")
	}
	if s.Count < 0 || s.Count > count {
		return nil, a.fault(where, "are %d for %d elements", s.Count, count)
	}
	data, stride, err := a.elements(s.Indices.BufferView, s.Indices.ByteOffset, s.Count, size, false, where)
	if err != nil {
		return nil, err
	}
	out := make([]int, s.Count)
	for e := range out {
		if a.done(e) {
			return nil, a.ctx.Err()
		}
		at := component(data[e*stride:], s.Indices.ComponentType, false)
		if !(at >= 0) || at >= float64(count) {
			return nil, a.fault(where, "entry %d is %g, outside 0..%d", e, at, count-1)
		}
		out[e] = int(at)
	}
	return out, nil
}

// indices reads a triangle index accessor and holds each against vertices.
func (a *Asset) indices(i, vertices int, where string) ([]int32, error) {
	acc, err := a.accessor(i, where)
	if err != nil {
		return nil, err
	}
	switch acc.ComponentType {
	case gltf.ComponentUbyte, gltf.ComponentUshort, gltf.ComponentUint:
	default:
		return nil, a.fault(where, "accessor %d: indices are not unsigned integers", i)
	}
	values, err := a.floats(i, gltf.AccessorScalar, where)
	if err != nil {
		return nil, err
	}
	// A restart value (all bits set) is not legal in glTF, section 3.7.2.1; it
	// falls out of range here.
	out := make([]int32, len(values))
	for k, x := range values {
		if a.done(k) {
			return nil, a.ctx.Err()
		}
		if x >= float64(vertices) {
			return nil, a.fault(where, "index %d is vertex %.0f, outside 0..%d", k, x, vertices-1)
		}
		out[k] = int32(x)
	}
	return out, nil
}
