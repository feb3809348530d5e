package gltfio

// What is in a file, for people and for machines.

import (
	"math"

	"github.com/selvage/selvage/transfer/mesh"
	"gonum.org/v1/gonum/spatial/r3"
)

// Description of an asset.
type Description struct {
	File       string            `json:"file"`
	Generator  string            `json:"generator,omitempty"`
	Meshes     []MeshDescription `json:"meshes"`
	Skins      []SkinDescription `json:"skins"`
	Animations int               `json:"animations"`
	Materials  int               `json:"materials"`
	Images     int               `json:"images"`
	Extensions []string          `json:"extensions,omitempty"`
	// Size of the box around everything in the default pose, metres.
	Size [3]float64 `json:"size"`
}

// MeshDescription is one mesh of one node.
type MeshDescription struct {
	Node      string   `json:"node"`
	Mesh      string   `json:"mesh"`
	Materials []string `json:"materials"`
	InScene   bool     `json:"inScene"`
	// Mirrored says that what places the mesh in the scene turns most of its area around:
	// its node, or with a skin the joints, whatever its node does.
	Mirrored     bool `json:"mirrored"`
	Primitives   int  `json:"primitives"`
	Vertices     int  `json:"vertices"`
	Welded       int  `json:"welded"` // vertices after joining coincident ones
	Triangles    int  `json:"triangles"`
	Islands      int  `json:"islands"`
	MorphTargets int  `json:"morphTargets"`
	Skin         int  `json:"skin"` // -1: none
	// Influences[k] is the number of vertices with k influences.
	Influences []int     `json:"influences,omitempty"`
	Faults     RowFaults `json:"rowFaults"`
	// Legal is false where a row is unusable, negative or not normalised.
	Legal bool `json:"weightsLegal"`
	// Problem is why the mesh cannot be read; empty where it can.
	Problem string `json:"problem,omitempty"`
}

// SkinDescription is one skin.
type SkinDescription struct {
	Name   string   `json:"name"`
	Joints []string `json:"joints"`
}

// Describe reads every mesh that makes triangles. Meshes that cannot be read are
// listed with their problem. O(n log n).
// Where the context of WithContext ends, the description is not finished.
func (a *Asset) Describe() *Description {
	d := &Description{
		File: a.Name, Generator: clip(a.doc.Asset.Generator), Animations: len(a.doc.Animations),
		Materials: len(a.doc.Materials), Images: len(a.doc.Images), Extensions: a.doc.ExtensionsUsed,
		Meshes: []MeshDescription{}, Skins: []SkinDescription{},
	}
	lo, hi := [3]float64{math.Inf(1), math.Inf(1), math.Inf(1)}, [3]float64{math.Inf(-1), math.Inf(-1), math.Inf(-1)}
	for i, n := range a.doc.Nodes {
		if n.Mesh == nil {
			continue
		}
		m := a.doc.Meshes[*n.Mesh]
		md := MeshDescription{
			Node: clip(n.Name), Mesh: clip(m.Name), InScene: a.inScene[i], Primitives: len(m.Primitives),
			Mirrored: n.Skin == nil && a.global[i].Det() < 0, Skin: -1, Materials: []string{}, Legal: true,
		}
		if n.Skin != nil {
			md.Skin = *n.Skin
		}
		var refs []primitiveRef
		seen := map[string]bool{}
		for k, p := range m.Primitives {
			if name := clip(a.materialName(p)); name != "" && !seen[name] {
				seen[name] = true
				md.Materials = append(md.Materials, name)
			}
			md.MorphTargets = max(md.MorphTargets, len(p.Targets))
			if a.makesTriangles(p) {
				refs = append(refs, primitiveRef{i, *n.Mesh, k})
			}
		}
		if len(refs) > 0 {
			a.describeSurface(refs, &md, &lo, &hi)
		}
		d.Meshes = append(d.Meshes, md)
	}
	for k := range d.Size {
		if hi[k] > lo[k] {
			d.Size[k] = hi[k] - lo[k]
		}
	}
	for _, s := range a.doc.Skins {
		sd := SkinDescription{Name: clip(s.Name), Joints: []string{}}
		for _, j := range s.Joints {
			name := ""
			if j >= 0 && j < len(a.doc.Nodes) {
				name = clip(a.doc.Nodes[j].Name)
			}
			sd.Joints = append(sd.Joints, name)
		}
		d.Skins = append(d.Skins, sd)
	}
	return d
}

func (a *Asset) describeSurface(refs []primitiveRef, md *MeshDescription, lo, hi *[3]float64) {
	s, err := a.surface(refs)
	if err != nil {
		md.Problem, md.Legal = err.Error(), false
		return
	}
	if md.Skin >= 0 {
		md.Mirrored = s.mirrored()
	}
	md.Vertices, md.Triangles = s.Mesh.NumVertices(), len(s.Mesh.Triangles)
	// Errors are those of the context alone; the caller looks at it.
	w, err := mesh.WeldContext(a.context(), s.Mesh, mesh.WeldTolerance(s.Mesh))
	if err != nil {
		return
	}
	md.Welded = w.Mesh.NumVertices()
	adjacency, err := mesh.NewAdjacencyContext(a.context(), w.Mesh)
	if err != nil {
		return
	}
	md.Islands = mesh.NewIslands(adjacency).Count
	b := s.Mesh.Bounds()
	for k, x := range [3][2]float64{{b.Min.X, b.Max.X}, {b.Min.Y, b.Max.Y}, {b.Min.Z, b.Max.Z}} {
		lo[k], hi[k] = min(lo[k], x[0]), max(hi[k], x[1])
	}
	if s.Rows == nil {
		return
	}
	md.Faults = s.Faults
	md.Legal = s.Faults.Unusable == 0 && s.Faults.Negative == 0 && s.Faults.Sum == 0
	for v := 0; v < s.Rows.Len(); v++ {
		joint, _ := s.Rows.Row(v)
		for len(md.Influences) <= len(joint) {
			md.Influences = append(md.Influences, 0)
		}
		md.Influences[len(joint)]++
	}
}

// mirrored reports whether parts that are mirrored have more area than the others.
func (s *Surface) mirrored() bool {
	part := make([]bool, s.Mesh.NumVertices())
	for _, p := range s.Parts {
		for v := p.Start; v < p.End; v++ {
			part[v] = p.Mirrored
		}
	}
	balance := 0.0
	for _, t := range s.Mesh.Triangles {
		a, b, c := s.Mesh.Positions[t[0]], s.Mesh.Positions[t[1]], s.Mesh.Positions[t[2]]
		area := r3.Norm(r3.Cross(r3.Sub(b, a), r3.Sub(c, a)))
		if part[t[0]] {
			balance += area
		} else {
			balance -= area
		}
	}
	return balance > 0
}
