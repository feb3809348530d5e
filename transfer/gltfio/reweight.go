package gltfio

// Rows in place: other weights for meshes that are skinned already, on the skins
// that they have. Positions, skins and nodes stay as they are, and so do the bytes
// of every row that does not change.

import (
	"crypto/sha256"
	"encoding/binary"
	"fmt"
	"math"
	"path/filepath"
	"slices"
	"strings"

	"github.com/qmuntal/gltf"
	"github.com/selvage/selvage/transfer/weights"
	"gonum.org/v1/gonum/spatial/r3"
)

// SkinnedSurface is the selected meshes of one skin.
type SkinnedSurface struct {
	Surface
	// SkinIndex is the skin in the asset. The joints of Skin are its joints, in its
	// order; a node that stands there twice is one.
	SkinIndex int
	// Bind are the positions as stored, by vertex: in the one frame in which the
	// skin was bound, whatever the default pose and the rows are.
	Bind []r3.Vec
	// Stored are the rows as the file has them, by part.
	Stored []StoredRows
}

// StoredRows are the influences of one primitive's vertices as the file has them,
// sound or not.
type StoredRows struct {
	// Sets of four influences.
	Sets int
	// Format of the weights, where all sets have the same; Mixed where they do not.
	Format weights.Format
	Mixed  bool
	// Joint and Weight are 4*Sets values a vertex, set after set. Joint indexes the
	// skin's own list of joints in the file.
	Joint, Weight []float64
	// index leads from the skin's list to the surface's joints, first back.
	index []uint16
	first []int
	wide  bool // joints are stored in two bytes
}

// Joints is the number of joints in the skin's own list.
func (r *StoredRows) Joints() int { return len(r.index) }

// SurfaceJoint leads from the skin's own list, which Joint indexes, to the
// surface's joints; ok is false beyond it.
func (r *StoredRows) SurfaceJoint(stored float64) (joint uint16, ok bool) {
	if !(stored >= 0) || stored >= float64(len(r.index)) {
		return 0, false
	}
	return r.index[int(stored)], true
}

// Skinned reads the selected skinned meshes, one surface for each skin, in the
// order in which the nodes name them. Faulty rows are mended in Rows, as Body does,
// and stand in Stored as they are.
func (a *Asset) Skinned(sel Selection) ([]*SkinnedSurface, error) {
	picked, err := a.pick(sel, true)
	if err != nil {
		return nil, err
	}
	if len(picked) == 0 {
		if len(sel.Names) > 0 {
			return nil, a.fault("", "no skinned mesh is named %q", sel.Names)
		}
		return nil, a.fault("", "has no skinned mesh")
	}
	var order []int
	of := map[int][]primitiveRef{}
	for _, r := range picked {
		skin := *a.doc.Nodes[r.node].Skin
		if of[skin] == nil {
			order = append(order, skin)
		}
		of[skin] = append(of[skin], r)
	}
	var out []*SkinnedSurface
	for _, skin := range order {
		u, err := a.uniteSkins(of[skin])
		if err != nil {
			return nil, err
		}
		s, err := a.surface(of[skin])
		if err != nil {
			return nil, err
		}
		x := &SkinnedSurface{Surface: *s, SkinIndex: skin, Bind: make([]r3.Vec, 0, len(s.Mesh.Positions))}
		for _, r := range of[skin] {
			prim := a.doc.Meshes[r.mesh].Primitives[r.primitive]
			p, err := a.floats(prim.Attributes[gltf.POSITION], gltf.AccessorVec3, r.String()+" POSITION")
			if err != nil {
				return nil, err
			}
			x.Bind = append(x.Bind, vectors(p)...)
			rows, err := a.storedRows(r, len(p)/3, u.index[skin])
			if err != nil {
				return nil, err
			}
			x.Stored = append(x.Stored, *rows)
		}
		out = append(out, x)
	}
	return out, nil
}

// storedRows reads a primitive's rows as they are.
func (a *Asset) storedRows(r primitiveRef, n int, index []uint16) (*StoredRows, error) {
	prim := a.doc.Meshes[r.mesh].Primitives[r.primitive]
	joints, weight, err := a.influenceSets(prim, n, r.String())
	if err != nil {
		return nil, err
	}
	s := &StoredRows{Sets: len(joints), index: index, Joint: make([]float64, 4*len(joints)*n), Weight: make([]float64, 4*len(joints)*n)}
	most := uint16(0)
	for _, j := range index {
		most = max(most, j)
	}
	s.first = make([]int, int(most)+1)
	for k, j := range slices.Backward(index) {
		s.first[j] = k
	}
	for set := range joints {
		for v := range n {
			copy(s.Joint[4*(v*s.Sets+set):], joints[set][4*v:4*v+4])
			copy(s.Weight[4*(v*s.Sets+set):], weight[set][4*v:4*v+4])
		}
		ji, wi := prim.Attributes[fmt.Sprintf("JOINTS_%d", set)], prim.Attributes[fmt.Sprintf("WEIGHTS_%d", set)]
		s.wide = s.wide || a.doc.Accessors[ji].ComponentType != gltf.ComponentUbyte
		format, plain := weights.Float32, true
		switch acc := a.doc.Accessors[wi]; {
		case acc.ComponentType == gltf.ComponentUbyte && acc.Normalized:
			format = weights.Uint8
		case acc.ComponentType == gltf.ComponentUshort && acc.Normalized:
			format = weights.Uint16
		case acc.ComponentType != gltf.ComponentFloat:
			plain = false // not legal for weights; the next write puts it right
		}
		if set == 0 {
			s.Format = format
		}
		s.Mixed = s.Mixed || format != s.Format || !plain
	}
	return s, nil
}

// Reweighted are the new rows of one surface.
type Reweighted struct {
	Surface *SkinnedSurface
	// Rows by vertex over Surface's joints, on Format's grid; those of Changed alone
	// are looked at.
	Rows    *weights.Rows
	Changed []bool
	// Format of the weights of every primitive that changes.
	Format weights.Format
	// Sets of four influences to keep at most, however many there were; 0: all. No
	// row, changed or not, may have more influences.
	Sets int
}

// Reweight returns the asset with new rows in its own primitives. Nothing but the
// weights changes: stored positions stay, so that where the default pose is not
// the bind pose the vertices move there as in any other pose. Where nothing changes
// the result is a itself.
//
// A primitive that two nodes use with different skins must get the same influences
// by both. Rows that the format would not store with a sum of one are refused with
// the vertex's *weights.SumError or *weights.RowError.
func (a *Asset) Reweight(list []Reweighted) (*Asset, error) {
	todo, err := a.encodeRows(list)
	if err != nil {
		return nil, err
	}
	if len(todo) == 0 {
		return a, nil
	}
	root, _ := cloneJSON(a.root).(map[string]any)
	w := &writer{a: a, root: root}
	if err := w.mergeBuffers(); err != nil {
		return nil, err
	}

	// All old rows go before any new ones come, so that an accessor that the changed
	// primitives alone share is free to be used again.
	old := make([]map[string]int, len(todo))
	for i, e := range todo {
		old[i] = map[string]int{}
		attributes, _ := w.primitiveObject(e.ref)["attributes"].(map[string]any)
		for name, v := range attributes {
			if strings.HasPrefix(name, "JOINTS_") || strings.HasPrefix(name, "WEIGHTS_") {
				old[i][name] = intOf(v)
				delete(attributes, name)
			}
		}
	}
	type key struct {
		old int
		sum [sha256.Size]byte
	}
	written, used := map[key]int{}, map[int]bool{}
	for i, e := range todo {
		attributes, _ := w.primitiveObject(e.ref)["attributes"].(map[string]any)
		for k := range e.accessor {
			acc := &e.accessor[k]
			was, had := old[i][acc.name]
			if !had {
				was = -1
			}
			at := key{was, a.sum(acc.data)}
			if a.done(0) {
				return nil, a.ctx.Err()
			}
			if _, ok := written[at]; !ok || !had {
				replace := -1
				if had && !used[was] && w.usersOfAccessor(was) == 0 {
					replace, used[was] = was, true
				}
				written[at] = w.store(acc.object, acc.data, 0, 34962, replace)
			}
			attributes[acc.name] = num(written[at])
		}
	}
	return w.finish()
}

// primitiveObject is a primitive of the tree.
func (w *writer) primitiveObject(r primitiveRef) map[string]any {
	list, _ := w.object("meshes", r.mesh)["primitives"].([]any)
	p, _ := list[r.primitive].(map[string]any)
	return p
}

// encodedRows are the accessors of one primitive.
type encodedRows struct {
	ref      primitiveRef
	accessor []encodedAccessor
}

type encodedAccessor struct {
	name   string
	object map[string]any
	data   []byte
}

// encodeRows encodes the primitives that change, each once.
func (a *Asset) encodeRows(list []Reweighted) ([]encodedRows, error) {
	var out []encodedRows
	at := map[[2]int]int{}
	for i := range list {
		x := &list[i]
		if n := x.Surface.Mesh.NumVertices(); x.Rows.Len() != n || len(x.Changed) != n {
			return nil, a.fault("", "%d rows for %d vertices", x.Rows.Len(), n)
		}
		for k, p := range x.Surface.Parts {
			stored := &x.Surface.Stored[k]
			if !slices.Contains(x.Changed[p.Start:p.End], true) && (x.Sets == 0 || stored.Sets <= x.Sets) {
				continue
			}
			ref := primitiveRef{p.NodeIndex, p.MeshIndex, p.PrimitiveIndex}
			e, err := a.encodePart(x, p, stored)
			if err != nil {
				return nil, err
			}
			place := [2]int{p.MeshIndex, p.PrimitiveIndex}
			other, seen := at[place]
			if !seen {
				at[place] = len(out)
				out = append(out, encodedRows{ref, e})
				continue
			}
			for k := range e {
				if len(e) != len(out[other].accessor) || string(e[k].data) != string(out[other].accessor[k].data) {
					return nil, a.fault(ref.String(), "is used by node %d too, and would need other weights there", out[other].ref.node)
				}
			}
		}
	}
	// A node with the same mesh whose rows did not change is at odds with one whose
	// did.
	for i := range list {
		x := &list[i]
		for _, p := range x.Surface.Parts {
			if k, ok := at[[2]int{p.MeshIndex, p.PrimitiveIndex}]; ok && out[k].ref.node != p.NodeIndex && !slices.Contains(x.Changed[p.Start:p.End], true) {
				return nil, a.fault(out[k].ref.String(), "is used by node %d too, whose weights would not change", p.NodeIndex)
			}
		}
	}
	return out, nil
}

// encodePart encodes the rows of one primitive: those that did not change as they
// were.
func (a *Asset) encodePart(x *Reweighted, p Part, stored *StoredRows) ([]encodedAccessor, error) {
	n := p.End - p.Start
	sets := stored.Sets
	for v := p.Start; v < p.End; v++ {
		if a.done(v) {
			return nil, a.ctx.Err()
		}
		if !x.Changed[v] {
			continue
		}
		joint, weight := x.Rows.Row(v)
		if err := x.Format.CheckStored(v, weight); err != nil {
			return nil, fmt.Errorf("%s: write rows: %w", a.Name, err)
		}
		sets = max(sets, (len(joint)+3)/4)
	}
	if x.Sets > 0 {
		sets = min(sets, x.Sets)
	}
	wide := stored.wide
	joints, values := make([]float64, 4*sets*n), make([]float64, 4*sets*n)
	for v := p.Start; v < p.End; v++ {
		if a.done(v) {
			return nil, a.ctx.Err()
		}
		toJ, toW := joints[4*sets*(v-p.Start):][:4*sets], values[4*sets*(v-p.Start):][:4*sets]
		if x.Changed[v] {
			joint, weight := x.Rows.Row(v)
			if len(joint) > 4*sets {
				return nil, a.fault(fmt.Sprintf("vertex %d", v), "%d influences are more than %d", len(joint), 4*sets)
			}
			for k, o := range ordered(joint, weight) {
				toJ[k], toW[k] = float64(stored.first[joint[o]]), weight[o]
				wide = wide || toJ[k] > math.MaxUint8
			}
			continue
		}
		from := 4 * stored.Sets * (v - p.Start)
		oldJ, oldW := stored.Joint[from:][:4*stored.Sets], stored.Weight[from:][:4*stored.Sets]
		if len(oldW) <= len(toW) || !slices.ContainsFunc(oldW[len(toW):], func(w float64) bool { return w != 0 }) {
			copy(toJ, oldJ)
			copy(toW, oldW)
			continue
		}
		k := 0
		for i, w := range oldW { // influences beyond the sets that are kept move up
			if w == 0 {
				continue
			}
			if k == len(toW) {
				return nil, a.fault(fmt.Sprintf("vertex %d", v), "has more than %d influences", len(toW))
			}
			toJ[k], toW[k] = oldJ[i], w
			k++
		}
	}
	var out []encodedAccessor
	for set := range sets {
		jointBytes, weightBytes := make([]byte, 0, 8*n), make([]byte, 0, 16*n)
		for v := range n {
			if a.done(v) {
				return nil, a.ctx.Err()
			}
			for k := 4 * (v*sets + set); k < 4*(v*sets+set)+4; k++ {
				jointBytes = appendJoint(jointBytes, wide, uint16(joints[k]))
				weightBytes = appendWeight(weightBytes, x.Format, values[k])
			}
		}
		out = append(out,
			encodedAccessor{fmt.Sprintf("JOINTS_%d", set), jointAccessor(wide, n), jointBytes},
			encodedAccessor{fmt.Sprintf("WEIGHTS_%d", set), weightAccessor(x.Format, n), weightBytes})
	}
	return out, nil
}

// SaveUnchanged saves an asset that nothing was changed in, read from data: data
// itself, byte for byte, where that is the same asset there; else as Save does: where
// the ending asks for the other form, or another folder would lack the files beside it.
func (a *Asset) SaveUnchanged(file string, data []byte) (missing []string, err error) {
	isText := len(data) < 4 || binary.LittleEndian.Uint32(data) != glbMagic
	here, _ := filepath.Abs(a.folder)
	there, _ := filepath.Abs(filepath.Dir(file))
	if isText != strings.EqualFold(filepath.Ext(file), ".gltf") || here != there && a.namesFiles() {
		return a.Save(file)
	}
	return nil, WriteFile(file, data)
}

// namesFiles reports whether a buffer or an image is a file beside the asset.
func (a *Asset) namesFiles() bool {
	outside := func(uri string) bool { return uri != "" && !strings.HasPrefix(uri, "data:") }
	for _, b := range a.doc.Buffers {
		if outside(b.URI) {
			return true
		}
	}
	for _, i := range a.doc.Images {
		if outside(i.URI) {
			return true
		}
	}
	return false
}
