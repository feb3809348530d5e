package gltfio

// Nodes and their global transforms in the default scene pose.

import (
	"fmt"
	"math"

	"github.com/selvage/selvage/transfer/skinning"
	"gonum.org/v1/gonum/spatial/r3"
)

// matrix is an affine map; glTF's last row (0 0 0 1) is implied.
type matrix = skinning.Affine

// affine turns sixteen column-major numbers into a map.
func affine(m []float64) matrix {
	return matrix{
		M: [9]float64{m[0], m[4], m[8], m[1], m[5], m[9], m[2], m[6], m[10]},
		T: r3.Vec{X: m[12], Y: m[13], Z: m[14]},
	}
}

// columnMajor is the inverse of affine.
func columnMajor(a *matrix) [16]float64 {
	m := &a.M
	return [16]float64{m[0], m[3], m[6], 0, m[1], m[4], m[7], 0, m[2], m[5], m[8], 0, a.T.X, a.T.Y, a.T.Z, 1}
}

// local is a node's own transform: its matrix, or T * R * S
// (section 3.5.3 of the specification).
func (a *Asset) local(node int) matrix {
	n := a.doc.Nodes[node]
	if m, ok := a.rawNode(node)["matrix"]; ok && m != nil {
		return affine(n.Matrix[:])
	}
	q := n.RotationOrDefault()
	s := n.ScaleOrDefault()
	if raw, ok := a.rawNode(node)["scale"]; ok && raw != nil {
		s = n.Scale // an explicit zero scale is legal
	}
	x, y, z, w := q[0], q[1], q[2], q[3]
	// Exporters round quaternions; a rotation must not scale.
	if l := math.Sqrt(x*x + y*y + z*z + w*w); l > 0 {
		x, y, z, w = x/l, y/l, z/l, w/l
	}
	return matrix{
		M: [9]float64{
			(1 - 2*(y*y+z*z)) * s[0], 2 * (x*y - z*w) * s[1], 2 * (x*z + y*w) * s[2],
			2 * (x*y + z*w) * s[0], (1 - 2*(x*x+z*z)) * s[1], 2 * (y*z - x*w) * s[2],
			2 * (x*z - y*w) * s[0], 2 * (y*z + x*w) * s[1], (1 - 2*(x*x+y*y)) * s[2],
		},
		T: r3.Vec{X: n.Translation[0], Y: n.Translation[1], Z: n.Translation[2]},
	}
}

// rawNode is node i of the JSON tree.
func (a *Asset) rawNode(i int) map[string]any {
	list, _ := a.root["nodes"].([]any)
	if i >= len(list) {
		return nil
	}
	n, _ := list[i].(map[string]any)
	return n
}

// checkNodes finds parents and global transforms; a node with two parents or a
// cycle is an error.
func (a *Asset) checkNodes() error {
	n := len(a.doc.Nodes)
	a.parent = make([]int32, n)
	for i := range a.parent {
		a.parent[i] = -1
	}
	for i, node := range a.doc.Nodes {
		for _, c := range node.Children {
			where := fmt.Sprintf("node %d", i)
			if c < 0 || c >= n {
				return a.fault(where, "child %d does not exist", c)
			}
			if a.parent[c] >= 0 {
				return a.fault(where, "node %d is the child of two nodes", c)
			}
			a.parent[c] = int32(i)
		}
		if node.Mesh != nil && (*node.Mesh < 0 || *node.Mesh >= len(a.doc.Meshes)) {
			return a.fault(fmt.Sprintf("node %d", i), "mesh %d does not exist", *node.Mesh)
		}
		if node.Skin != nil && (*node.Skin < 0 || *node.Skin >= len(a.doc.Skins)) {
			return a.fault(fmt.Sprintf("node %d", i), "skin %d does not exist", *node.Skin)
		}
	}
	// Every node must be reached from a root, else it lies on a cycle.
	a.global = make([]matrix, n)
	order := make([]int, 0, n)
	for i := range a.parent {
		if a.parent[i] < 0 {
			order = append(order, i)
		}
	}
	for k := 0; k < len(order); k++ {
		i := order[k]
		l := a.local(i)
		if p := a.parent[i]; p >= 0 {
			a.global[i] = a.global[p].Mul(&l)
		} else {
			a.global[i] = l
		}
		order = append(order, a.doc.Nodes[i].Children...)
	}
	if len(order) < n {
		reached := make([]bool, n)
		for _, i := range order {
			reached[i] = true
		}
		for i := range reached {
			if !reached[i] {
				return a.fault(fmt.Sprintf("node %d", i), "is its own ancestor")
			}
		}
	}
	return a.findScene()
}

// findScene marks the nodes of the default scene: the one the asset names, else
// the first, else every node.
func (a *Asset) findScene() error {
	n := len(a.doc.Nodes)
	a.inScene = make([]bool, n)
	scene := a.sceneIndex()
	if a.doc.Scene != nil && (scene < 0 || scene >= len(a.doc.Scenes)) {
		return a.fault("", "scene %d does not exist", *a.doc.Scene)
	}
	var stack []int
	if scene >= 0 {
		stack = append(stack, a.doc.Scenes[scene].Nodes...)
	} else {
		for i := range a.parent {
			if a.parent[i] < 0 {
				stack = append(stack, i)
			}
		}
	}
	for len(stack) > 0 {
		i := stack[len(stack)-1]
		stack = stack[:len(stack)-1]
		if i < 0 || i >= n {
			return a.fault(fmt.Sprintf("scene %d", scene), "node %d does not exist", i)
		}
		if a.inScene[i] {
			continue
		}
		a.inScene[i] = true
		stack = append(stack, a.doc.Nodes[i].Children...)
	}
	return nil
}

// sceneIndex is the default scene, -1 where there is none.
func (a *Asset) sceneIndex() int {
	if a.doc.Scene != nil {
		return *a.doc.Scene
	}
	if len(a.doc.Scenes) > 0 {
		return 0
	}
	return -1
}
