package report

import (
	"context"
	"fmt"
	"math"
	"path/filepath"
	"slices"

	"gonum.org/v1/gonum/spatial/r3"

	"github.com/selvage/selvage/transfer"
	"github.com/selvage/selvage/transfer/closest"
	"github.com/selvage/selvage/transfer/gltfio"
	"github.com/selvage/selvage/transfer/mesh"
	"github.com/selvage/selvage/transfer/pass"
	"github.com/selvage/selvage/transfer/skinning"
	"github.com/selvage/selvage/transfer/weights"
)

// Figure is a body or a garment of a report. Slices by vertex have the mesh's
// length or are nil: not known.
type Figure struct {
	// Name is shown as it is, as text.
	Name string
	// Mesh in the default-pose world frame, metres; it must be valid.
	Mesh *mesh.Mesh
	// Rows over Skin's joints. Nil rows do not move.
	Rows *weights.Rows
	Skin *skinning.Skin
	// Confidence in [0,1]; NaN where it is not known.
	Confidence []float32
	Reason     []transfer.Reason
	// Triangle of the body that each vertex is matched to, -1 for none; Bary are its
	// barycentric coordinates and Distance the way there, metres, +Inf for none.
	Triangle []int32
	Bary     [][3]float64
	Distance []float64
	// Nearest says that Triangle is the body's nearest, found for this report: files
	// do not keep the match that the rows were taken from.
	Nearest bool
	// Difference of each row to an earlier file's, as Compare makes it: the L1 distance,
	// 0 to 2; NaN where it is not known.
	Difference []float64
	// Pass says what became of edits by hand; nil: the garment comes from no pass.
	Pass *pass.Summary
	// Notes are sentences for the reader.
	Notes []string
}

// FromResult is the garment of a transfer with all that the transfer knows. Matches on
// layers worn beneath are no places of the body: their distances stay alone.
func FromResult(name string, m *mesh.Mesh, skin *skinning.Skin, r *transfer.Result) *Figure {
	triangle, notes := r.Triangle, r.Summary.Notes
	if r.Layer != nil {
		notes = append(slices.Clone(notes), "taken from: "+r.Summary.FromWhere())
		triangle = slices.Clone(triangle)
		for v, l := range r.Layer {
			if l > 0 {
				triangle[v] = -1
			}
		}
	}
	return &Figure{
		Name: name, Mesh: m, Rows: r.Rows, Skin: skin, Confidence: r.Confidence, Reason: r.Reason,
		Triangle: triangle, Bary: r.Bary, Distance: r.Distance, Notes: notes,
	}
}

// ReadBody reads the selected skinned meshes of an asset as the body.
func ReadBody(a *gltfio.Asset, sel gltfio.Selection) (*Figure, error) {
	s, err := a.Body(sel)
	if err != nil {
		return nil, err
	}
	return &Figure{Name: filepath.Base(a.Name), Mesh: s.Mesh, Rows: s.Rows, Skin: s.Skin}, nil
}

// ReadGarment reads the selected meshes of a weighted garment's asset, with
// _CONFIDENCE and _REASON where they are there. Files do not keep matches: the
// body's nearest points stand in, and the figure says so.
func ReadGarment(ctx context.Context, a *gltfio.Asset, sel gltfio.Selection, body *Figure, threads int) (*Figure, error) {
	s, err := a.Garment(sel)
	if err != nil {
		return nil, err
	}
	f := &Figure{Name: filepath.Base(a.Name), Mesh: s.Mesh, Rows: s.Rows, Skin: s.Skin}
	if s.Rows == nil {
		f.Notes = append(f.Notes, "the file has no weights: nothing moves it")
	}
	confidence, err := a.Scalars(s, "_CONFIDENCE")
	if err != nil {
		return nil, err
	}
	if confidence == nil {
		f.Notes = append(f.Notes, "the file has no _CONFIDENCE: there is nothing to rank its vertices by")
	} else {
		f.Confidence = make([]float32, len(confidence))
		for v, c := range confidence {
			f.Confidence[v] = float32(min(max(c, 0), 1)) // NaN stays
		}
	}
	reason, err := a.Scalars(s, "_REASON")
	if err != nil {
		return nil, err
	}
	if reason != nil {
		f.Reason = make([]transfer.Reason, len(reason))
		for v, x := range reason {
			if x >= 0 && x <= math.MaxUint16 {
				f.Reason[v] = transfer.Reason(x)
			}
		}
	}
	if n := s.Faults.Unusable; n > 0 && s.Rows != nil {
		f.Notes = append(f.Notes, fmt.Sprintf("%d vertices (first: vertex %d) have no usable weights and stay where they are", n, s.Faults.FirstVertex))
	}
	return f, f.findNearest(ctx, body, threads)
}

// findNearest sets the body's nearest point of each vertex. O(n log t).
func (f *Figure) findNearest(ctx context.Context, body *Figure, threads int) error {
	tree, err := closest.NewTree(ctx, body.Mesh.Positions, body.Mesh.Triangles, threads)
	if err != nil {
		return fmt.Errorf("%s: %w", body.Name, err)
	}
	n := f.Mesh.NumVertices()
	hits := make([]closest.Hit, n)
	if err := tree.NearestAll(ctx, f.Mesh.Positions, hits, threads); err != nil {
		return err
	}
	f.Nearest = true
	f.Triangle, f.Bary, f.Distance = make([]int32, n), make([][3]float64, n), make([]float64, n)
	for v, h := range hits {
		f.Triangle[v], f.Bary[v], f.Distance[v] = h.Triangle, h.Bary, math.Sqrt(h.DistanceSq)
	}
	return nil
}

// check returns an error that names the first slice that does not fit the mesh.
func (f *Figure) check() error {
	if err := f.Mesh.Validate(); err != nil {
		return fmt.Errorf("%s: %w", f.Name, err)
	}
	n := f.Mesh.NumVertices()
	for _, l := range []struct {
		what string
		n    int
		nil  bool
	}{
		{"confidences", len(f.Confidence), f.Confidence == nil}, {"reasons", len(f.Reason), f.Reason == nil},
		{"match triangles", len(f.Triangle), f.Triangle == nil}, {"barycentric coordinates", len(f.Bary), f.Bary == nil},
		{"distances", len(f.Distance), f.Distance == nil}, {"differences", len(f.Difference), f.Difference == nil},
	} {
		if !l.nil && l.n != n {
			return fmt.Errorf("%s: %d %s for %d vertices", f.Name, l.n, l.what, n)
		}
	}
	if f.Rows != nil {
		if f.Rows.Len() != n {
			return fmt.Errorf("%s: %d rows for %d vertices", f.Name, f.Rows.Len(), n)
		}
		if f.Skin == nil {
			return fmt.Errorf("%s: has rows and no skin", f.Name)
		}
		for k, j := range f.Rows.Joint {
			if int(j) >= len(f.Skin.Joints) {
				return fmt.Errorf("%s: influence %d names joint %d of %d", f.Name, k, j, len(f.Skin.Joints))
			}
		}
	}
	return nil
}

// frames returns the maps G_j IBM_j of the skin's joints where those that have
// weight differ among one another, so that the default pose is not the bind pose;
// else nil. A vertex then stands at sum_j w_j G_j IBM_j u with u in the bind frame.
// Source: glTF 2.0 specification, section 3.7.3.3 (Skinned Mesh Attributes).
func (f *Figure) frames() skinning.Pose {
	if f.Rows == nil {
		return nil
	}
	k := make(skinning.Pose, len(f.Skin.Joints))
	for j := range k {
		k[j] = f.Skin.Joints[j].Global.Mul(&f.Skin.Joints[j].InverseBind)
	}
	size := max(f.Mesh.Diagonal(), 1)
	for _, j := range f.Rows.Joint {
		a, b := &k[j], &k[f.Rows.Joint[0]]
		// Files keep float32: what agrees to 1e-5 agrees.
		if r3.Norm(r3.Sub(a.T, b.T)) >= 1e-5*size {
			return k
		}
		for i, x := range a.M {
			if math.Abs(x-b.M[i]) >= 1e-5*(1+math.Abs(b.M[i])) {
				return k
			}
		}
	}
	return nil
}

// unbound are the vertices in the bind frame that k maps from; a vertex whose
// blended map cannot be inverted stays at its place.
func (f *Figure) unbound(k skinning.Pose) []r3.Vec {
	out := slices.Clone(f.Mesh.Positions)
	for v := range out {
		joint, weight := f.Rows.Row(v)
		b := k.Blend(joint, weight)
		if inv, ok := b.Inverse(); ok && len(joint) > 0 {
			out[v] = inv.Apply(out[v])
		}
	}
	return out
}

// posed is where the maps of the page's joints put the vertices; index leads from
// the figure's joints to those. O(influences).
func (f *Figure) posed(maps skinning.Pose, index []uint16) []r3.Vec {
	if f.Rows == nil {
		return f.Mesh.Positions
	}
	own := make(skinning.Pose, len(index))
	for k, j := range index {
		own[k] = maps[j]
	}
	k := f.frames()
	if k == nil {
		return own.Points(f.Mesh.Positions, f.Rows, nil)
	}
	for j := range own {
		own[j] = own[j].Mul(&k[j])
	}
	return own.Points(f.unbound(k), f.Rows, nil)
}

// low counts the vertices below transfer.LowConfidence.
func (f *Figure) low() int {
	n := 0
	for _, c := range f.Confidence {
		if c < transfer.LowConfidence {
			n++
		}
	}
	return n
}

// skeleton is the joints of all figures together, each once.
type skeleton struct {
	joints []skinning.Joint
	// index leads from a figure's joints to the skeleton's.
	index map[*Figure][]uint16
}

// sameJoint is how far apart, as a share of the scene's size, two joints of one
// name may stand and still be one: the rounding of files, no more.
const sameJoint = 1e-4

// unite joins the skins: joints of one name in one place are one joint.
func unite(figures []*Figure, size float64) (*skeleton, error) {
	s := &skeleton{index: map[*Figure][]uint16{}}
	byName := map[string][]int{}
	for _, f := range figures {
		if f.Rows == nil {
			continue
		}
		before := len(s.joints)
		index := make([]uint16, len(f.Skin.Joints))
		taken := map[int]bool{}
		for k := range f.Skin.Joints {
			j := &f.Skin.Joints[k]
			at := -1
			for _, c := range byName[j.Name] {
				if c < before && !taken[c] && r3.Norm(r3.Sub(s.joints[c].Global.T, j.Global.T)) <= sameJoint*size {
					at = c
					break
				}
			}
			if at < 0 {
				at = len(s.joints)
				if at > math.MaxUint16 {
					return nil, fmt.Errorf("%s: more than %d joints in all", f.Name, math.MaxUint16+1)
				}
				s.joints = append(s.joints, *j)
				s.joints[at].Parent = -1
				byName[j.Name] = append(byName[j.Name], at)
			}
			taken[at] = true
			index[k] = uint16(at)
		}
		for k := range f.Skin.Joints {
			if p := f.Skin.Joints[k].Parent; p >= 0 && int(index[k]) >= before {
				s.joints[index[k]].Parent = int(index[p])
			}
		}
		s.index[f] = index
	}
	return s, nil
}
