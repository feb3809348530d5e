package gltfio

import (
	"maps"
	"slices"

	"github.com/qmuntal/gltf"
)

// WithNodeNames returns the asset with other names of some nodes, by index; indices that
// it does not have are passed over, and an empty name is none. The rest is shared with a, which is not changed.
func (a *Asset) WithNodeNames(names map[int]string) *Asset {
	return a.withNodes(slices.Collect(maps.Keys(names)), func(i int, node *gltf.Node, raw map[string]any) {
		node.Name = names[i]
		switch {
		case names[i] == "":
			delete(raw, "name")
		case raw != nil:
			raw["name"] = names[i]
		}
	})
}

// WithoutMeshes returns the asset without the meshes and skins of some nodes, by index, as
// WithNodeNames does.
func (a *Asset) WithoutMeshes(nodes []int) *Asset {
	return a.withNodes(nodes, func(_ int, node *gltf.Node, raw map[string]any) {
		node.Mesh, node.Skin = nil, nil
		for _, name := range []string{"mesh", "skin", "weights"} {
			delete(raw, name)
		}
	})
}

// withNodes returns the asset with some nodes changed; raw is nil where there is none.
func (a *Asset) withNodes(nodes []int, change func(i int, node *gltf.Node, raw map[string]any)) *Asset {
	b, doc := *a, *a.doc
	doc.Nodes = slices.Clone(doc.Nodes)
	list, _ := a.root["nodes"].([]any)
	list = slices.Clone(list)
	for _, i := range nodes {
		if i < 0 || i >= len(doc.Nodes) {
			continue
		}
		node := gltf.Node{}
		if doc.Nodes[i] != nil {
			node = *doc.Nodes[i]
		}
		raw := maps.Clone(a.rawNode(i))
		change(i, &node, raw)
		doc.Nodes[i] = &node
		if raw != nil {
			list[i] = raw
		}
	}
	b.doc, b.root = &doc, maps.Clone(a.root)
	b.root["nodes"] = list
	return &b
}

// PrimitiveNames are what a selection sees of one primitive of one node.
type PrimitiveNames struct {
	// Part has indices and names; it has no vertices.
	Part
	InScene, Skinned bool
}

// Primitives lists all primitives that make triangles, without reading their data, in
// the order of Surface.Parts.
func (a *Asset) Primitives() (list []PrimitiveNames) {
	refs, err := a.pickFrom(Selection{}, false, true)
	if err != nil { // of patterns alone, and there are none
		return nil
	}
	for _, r := range refs {
		n, m := a.doc.Nodes[r.node], a.doc.Meshes[r.mesh]
		list = append(list, PrimitiveNames{
			Part:    Part{NodeIndex: r.node, MeshIndex: r.mesh, PrimitiveIndex: r.primitive, Node: n.Name, Mesh: m.Name, Material: a.materialName(m.Primitives[r.primitive])},
			InScene: a.inScene[r.node], Skinned: n.Skin != nil,
		})
	}
	return list
}
