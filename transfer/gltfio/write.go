package gltfio

// Writing: the garment's asset with new rows. The JSON tree is patched; what is
// replaced keeps its index, so nothing else needs to be renumbered, and bytes that
// nothing refers to any more are cut out of the buffer (compact.go).

import (
	"crypto/sha256"
	"encoding/binary"
	"encoding/json"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"

	"github.com/qmuntal/gltf"
	"github.com/selvage/selvage/transfer/mesh"
	"github.com/selvage/selvage/transfer/skinning"
	"github.com/selvage/selvage/transfer/weights"
	"gonum.org/v1/gonum/spatial/r3"
)

// Output is what a garment's surface gets.
type Output struct {
	// Rows by surface vertex over the joints of the body's surface followed by
	// Kept; already on Format's grid (weights.Format.CheckStored). Not nil.
	Rows   *weights.Rows
	Format weights.Format
	// Sets of four influences to write at least; more are written where a row needs
	// them.
	Sets int
	// Confidence and Reason by surface vertex; nil leaves the attribute out.
	Confidence []float32
	Reason     []uint16
	// Kept are the garment's own joints that keep weight: nodes of the garment's
	// asset, numbered after the body's joints.
	Kept []int
}

// Report says what a write found that deserves a word.
type Report struct {
	// Singular vertices, whose blended matrix cannot be inverted: they are stored
	// where they stand in the world.
	Singular int
	// FarFromRigid vertices, whose blended matrix stretches by more than a factor
	// of two in some direction.
	FarFromRigid int
	// FirstVertex of either kind, of the surface; -1 where there is none.
	FirstVertex int
}

// writer is the state of one write.
type writer struct {
	a, body *Asset
	surface *Surface
	source  *Surface
	out     Output
	root    map[string]any
	extra   pieces // appended to buffer 0
	base    int    // length of buffer 0 before extra
	freed   []freedView
	free    []int // accessors of rows that nothing refers to any more, ascending
	report  Report
	joints  []int    // node of each output joint
	global  []matrix // of each output joint
	bind    []matrix
	skin    int
}

// freedView is a buffer view whose bytes nothing refers to any more.
type freedView struct{ offset, length int }

// WithRows returns the asset with out's rows on surface s (read from a by
// Garment), bound to the skin of the body's surface (read from body by Body). In
// the default pose every vertex stands exactly where it stood, to float32
// rounding. Node, skin and accessor indices of everything else stay as they are.
// Rows that the format would not store with a sum of one are refused with the
// vertex's *weights.SumError or *weights.RowError.
func (a *Asset) WithRows(s *Surface, body *Asset, source *Surface, out Output) (*Asset, *Report, error) {
	n := s.Mesh.NumVertices()
	if out.Rows == nil {
		return nil, nil, a.fault("", "no rows to write for %d vertices", n)
	}
	if out.Rows.Len() != n || out.Confidence != nil && len(out.Confidence) != n || out.Reason != nil && len(out.Reason) != n {
		return nil, nil, a.fault("", "%d rows for %d vertices", out.Rows.Len(), n)
	}
	root, _ := cloneJSON(a.root).(map[string]any)
	w := &writer{a: a, body: body, surface: s, source: source, out: out, root: root}
	w.report.FirstVertex = -1
	if err := w.mergeBuffers(); err != nil {
		return nil, nil, err
	}
	if err := w.bindJoints(); err != nil {
		return nil, nil, err
	}
	if err := w.placeSkin(); err != nil {
		return nil, nil, err
	}
	if err := w.writeParts(); err != nil {
		return nil, nil, err
	}
	if a.done(0) {
		return nil, nil, a.ctx.Err()
	}
	b, err := w.finish()
	if err != nil {
		return nil, nil, err
	}
	return b, &w.report, nil
}

// WithOwnRows is WithRows over the joints of the surface's own skins, which stay as
// they are: s.Skin and out.Rows have the same joints, and out.Kept is not used.
func (a *Asset) WithOwnRows(s *Surface, out Output) (*Asset, *Report, error) {
	if s.Skin == nil {
		return nil, nil, a.fault("", "has no skin")
	}
	out.Kept = s.JointNode
	return a.WithRows(s, a, &Surface{Mesh: s.Mesh, Skin: &skinning.Skin{Name: s.Skin.Name}}, out)
}

// cloneJSON copies a decoded JSON tree.
func cloneJSON(v any) any {
	switch x := v.(type) {
	case map[string]any:
		m := make(map[string]any, len(x))
		for k, y := range x {
			m[k] = cloneJSON(y)
		}
		return m
	case []any:
		s := make([]any, len(x))
		for i, y := range x {
			s[i] = cloneJSON(y)
		}
		return s
	}
	return v
}

// num is how this package writes integers into the tree.
func num(i int) json.Number { return json.Number(strconv.Itoa(i)) }

// float writes a number so that it reads back as the same float64.
func float(x float64) json.Number {
	return json.Number(strconv.FormatFloat(x, 'g', -1, 64))
}

// intOf reads an integer of the tree, -1 where there is none.
func intOf(v any) int {
	if n, ok := v.(json.Number); ok {
		if f, err := n.Float64(); err == nil && f >= 0 && f < 1<<31 {
			return int(f)
		}
	}
	return -1
}

// list returns root[name] as a list, empty where it is absent.
func (w *writer) list(name string) []any {
	l, _ := w.root[name].([]any)
	return l
}

// object returns entry i of list name.
func (w *writer) object(name string, i int) map[string]any {
	l := w.list(name)
	if i < 0 || i >= len(l) {
		return nil
	}
	m, _ := l[i].(map[string]any)
	return m
}

// add appends an entry to a list and returns its index.
func (w *writer) add(name string, entry map[string]any) int {
	l := append(w.list(name), entry)
	w.root[name] = l
	return len(l) - 1
}

// mergeBuffers joins all buffers into one, so that the result is one file. A
// single buffer stays as it is.
func (w *writer) mergeBuffers() error {
	buffers := w.a.buffers
	if len(buffers) == 0 {
		w.root["buffers"] = []any{map[string]any{"byteLength": num(0)}}
		return nil
	}
	offset := make([]int, len(buffers))
	total := 0
	for i, b := range buffers {
		total = (total + 7) &^ 7
		offset[i] = total
		total += len(b)
	}
	if len(buffers) > 1 {
		for _, v := range w.list("bufferViews") {
			m, _ := v.(map[string]any)
			move := func(m map[string]any) {
				b := intOf(m["buffer"])
				if b <= 0 || b >= len(offset) {
					return
				}
				m["byteOffset"] = num(max(0, intOf(m["byteOffset"])) + offset[b])
				m["buffer"] = num(0)
			}
			if m == nil {
				continue
			}
			move(m)
			if ext, ok := m["extensions"].(map[string]any); ok {
				if c, ok := ext["EXT_meshopt_compression"].(map[string]any); ok {
					move(c)
				}
			}
		}
		w.root["buffers"] = w.list("buffers")[:1]
	}
	w.base = total
	return nil
}

// alignedEnd pads extra to a multiple of 8 and returns the offset in the buffer.
func (w *writer) alignedEnd() int {
	if r := (w.base + w.extra.length) % 8; r != 0 {
		w.extra.add(make([]byte, 8-r))
	}
	return w.base + w.extra.length
}

// store writes data as an accessor of its own. Where replace is an accessor that
// nothing else refers to, its index and its buffer view's are used again. data is
// kept.
func (w *writer) store(acc map[string]any, data []byte, stride, target, replace int) int {
	offset := w.alignedEnd()
	w.extra.add(data)
	view := map[string]any{"buffer": num(0), "byteOffset": num(offset), "byteLength": num(len(data))}
	if stride > 0 {
		view["byteStride"] = num(stride)
	}
	if target > 0 {
		view["target"] = num(target)
	}
	if replace >= 0 {
		old := w.object("accessors", replace)
		v := intOf(old["bufferView"])
		if v >= 0 && w.usersOfView(v) == 1 {
			o := w.object("bufferViews", v)
			w.freed = append(w.freed, freedView{max(0, intOf(o["byteOffset"])), max(0, intOf(o["byteLength"]))})
			w.list("bufferViews")[v] = view
			acc["bufferView"] = num(v)
		} else {
			acc["bufferView"] = num(w.add("bufferViews", view))
		}
		if name, ok := old["name"]; ok {
			acc["name"] = name
		}
		w.list("accessors")[replace] = acc
		return replace
	}
	acc["bufferView"] = num(w.add("bufferViews", view))
	return w.add("accessors", acc)
}

// usersOfView counts references to a buffer view, wherever they stand.
func (w *writer) usersOfView(view int) int {
	return countKey(w.root, "bufferView", view)
}

// countKey counts members called key with the integer value i in a JSON tree.
func countKey(v any, key string, i int) int {
	n := 0
	switch x := v.(type) {
	case map[string]any:
		for k, y := range x {
			if k == key && intOf(y) == i {
				n++
			}
			n += countKey(y, key, i)
		}
	case []any:
		for _, y := range x {
			n += countKey(y, key, i)
		}
	}
	return n
}

// usersOfAccessor counts references to accessor i: by primitives, skins and
// animations, and any equal integer inside an extension or extras, which might be
// one.
func (w *writer) usersOfAccessor(i int) int {
	n := 0
	var inside func(v any)
	inside = func(v any) {
		switch x := v.(type) {
		case map[string]any:
			for _, y := range x {
				inside(y)
			}
		case []any:
			for _, y := range x {
				inside(y)
			}
		default:
			if intOf(x) == i {
				n++
			}
		}
	}
	var walk func(v any)
	walk = func(v any) {
		switch x := v.(type) {
		case map[string]any:
			for k, y := range x {
				switch k {
				case "extensions":
					inside(y)
				case "extras":
				case "attributes":
					inside(y)
				case "targets":
					inside(y)
				case "indices", "inverseBindMatrices", "input", "output":
					if intOf(y) == i {
						n++
					}
					if k == "indices" {
						walk(y) // of a sparse accessor: an object
					}
				default:
					walk(y)
				}
			}
		case []any:
			for _, y := range x {
				walk(y)
			}
		}
	}
	for _, k := range []string{"meshes", "skins", "animations", "extensions", "nodes", "scenes", "materials", "textures", "images"} {
		if k == "extensions" {
			inside(w.root[k])
		} else {
			walk(w.root[k])
		}
	}
	return n
}

// sameMap reports whether two maps agree to 1e-6 of their size.
func sameMap(a, b *matrix) bool {
	size, diff := 0.0, 0.0
	for k := range a.M {
		size = max(size, math.Abs(a.M[k]), math.Abs(b.M[k]))
		diff = max(diff, math.Abs(a.M[k]-b.M[k]))
	}
	shift := r3.Norm(r3.Sub(a.T, b.T))
	return diff <= 1e-6*size && shift <= 1e-6*max(1, r3.Norm(a.T), r3.Norm(b.T))
}

// bindJoints finds or makes a node of the garment's asset for every joint.
func (w *writer) bindJoints() error {
	b := w.body
	// The joints and all their ancestors, parents first.
	needed := map[int]bool{}
	for _, node := range w.source.JointNode {
		for p := node; p >= 0; p = int(b.parent[p]) {
			needed[p] = true
		}
	}
	order := make([]int, 0, len(needed))
	for i := range b.doc.Nodes {
		if needed[i] && b.parent[i] < 0 {
			order = append(order, i)
		}
	}
	for k := 0; k < len(order); k++ {
		for _, c := range b.doc.Nodes[order[k]].Children {
			if needed[c] {
				order = append(order, c)
			}
		}
	}

	// A node of the garment's asset serves when it has the name and stands in the
	// same place, and carries nothing to draw.
	byName := map[string][]int{}
	for i, n := range w.a.doc.Nodes {
		if n.Name != "" && n.Mesh == nil {
			byName[n.Name] = append(byName[n.Name], i)
		}
	}
	isJoint := map[int]bool{}
	for _, node := range w.source.JointNode {
		isJoint[node] = true
	}
	mapped := map[int]int{}
	taken := map[int]bool{}
	var roots []int
	for _, i := range order {
		n := b.doc.Nodes[i]
		p := int(b.parent[i])
		found := -1
		for _, c := range byName[n.Name] {
			// The same place in the hierarchy too, so that a pose moves it alike.
			if taken[c] || !sameMap(&w.a.global[c], &b.global[i]) || !w.a.inScene[c] {
				continue
			}
			if p >= 0 && int(w.a.parent[c]) != mapped[p] || p < 0 && w.a.parent[c] >= 0 {
				continue
			}
			found = c
			break
		}
		if found < 0 {
			node := map[string]any{}
			raw := b.rawNode(i)
			for _, k := range []string{"name", "matrix", "translation", "rotation", "scale", "extras"} {
				if v, ok := raw[k]; ok {
					node[k] = cloneJSON(v)
				}
			}
			found = w.add("nodes", node)
			if p >= 0 {
				parent := w.object("nodes", mapped[p])
				children, _ := parent["children"].([]any)
				parent["children"] = append(children, num(found))
			} else {
				roots = append(roots, found)
			}
		}
		mapped[i], taken[found] = found, true
	}
	w.addToScenes(roots, -1)

	for k, node := range w.source.JointNode {
		j := &w.source.Skin.Joints[k]
		w.joints = append(w.joints, mapped[node])
		w.global = append(w.global, j.Global)
		w.bind = append(w.bind, j.InverseBind)
	}
	for _, node := range w.out.Kept {
		if node < 0 || node >= len(w.a.doc.Nodes) {
			return w.a.fault("", "kept joint node %d does not exist", node)
		}
		bind, err := w.a.bindOf(node)
		if err != nil {
			return err
		}
		w.joints = append(w.joints, node)
		w.global = append(w.global, w.a.global[node])
		w.bind = append(w.bind, bind)
	}
	// Binding matrices are stored in float32; positions must be solved with what a
	// reader will read.
	for k := range w.bind {
		m := columnMajor(&w.bind[k])
		for i := range m {
			m[i] = float64(float32(m[i]))
		}
		w.bind[k] = affine(m[:])
	}
	return nil
}

// bindOf is the inverse bind matrix of a joint node in the first skin that has it.
func (a *Asset) bindOf(node int) (matrix, error) {
	for s, skin := range a.doc.Skins {
		if k := slices.Index(skin.Joints, node); k >= 0 {
			binds, err := a.inverseBinds(s)
			if err != nil {
				return matrix{}, err
			}
			return binds[k], nil
		}
	}
	m := a.global[node]
	inv, ok := m.Inverse()
	if !ok {
		return matrix{}, a.fault(fmt.Sprintf("node %d", node), "its global transform cannot be inverted")
	}
	return inv, nil
}

// addToScenes adds root nodes to the default scene, and to every scene that holds
// the root of node beside (-1: none).
func (w *writer) addToScenes(nodes []int, beside int) {
	if len(nodes) == 0 {
		return
	}
	root := beside
	for root >= 0 && w.a.parent[root] >= 0 {
		root = int(w.a.parent[root])
	}
	for i, s := range w.list("scenes") {
		scene, _ := s.(map[string]any)
		if scene == nil {
			continue
		}
		list, _ := scene["nodes"].([]any)
		holds := i == w.a.sceneIndex() && beside < 0
		for _, x := range list {
			holds = holds || root >= 0 && intOf(x) == root
		}
		if holds {
			for _, n := range nodes {
				list = append(list, num(n))
			}
			scene["nodes"] = list
		}
	}
}

// placeSkin writes the skin: over an equal one, over one that only the written
// nodes use, else as a new one.
func (w *writer) placeSkin() error {
	written := map[int]bool{}
	for _, p := range w.surface.Parts {
		written[p.NodeIndex] = true
	}
	// Rows over the garment's own joints alone need no other skin than its own.
	if len(w.source.JointNode) == 0 {
		own, err := w.ownSkin(written)
		if err != nil {
			return err
		}
		if own >= 0 {
			w.skin = own
			return nil
		}
	}
	replace := -1
	for i := range w.a.doc.Skins {
		used, only := false, true
		for k, n := range w.a.doc.Nodes {
			if n.Skin != nil && *n.Skin == i {
				used = used || written[k]
				only = only && written[k]
			}
		}
		if used && only && w.wholeNodes() && countInside(w.root, i, "skin") == 0 {
			replace = i
			break
		}
	}
	data := make([]byte, 0, 64*len(w.joints))
	for k := range w.bind {
		m := columnMajor(&w.bind[k])
		for _, x := range m {
			data = binary.LittleEndian.AppendUint32(data, math.Float32bits(float32(x)))
		}
	}
	joints := make([]any, len(w.joints))
	for k, n := range w.joints {
		joints[k] = num(n)
	}
	old := -1
	skin := map[string]any{}
	if replace >= 0 {
		was := w.object("skins", replace)
		for _, k := range []string{"extras", "extensions"} {
			if v, ok := was[k]; ok {
				skin[k] = v
			}
		}
		if i := intOf(was["inverseBindMatrices"]); i >= 0 && w.usersOfAccessor(i) == 1 {
			old = i
		}
	}
	if name := w.source.Skin.Name; name != "" {
		skin["name"] = name
	}
	skin["joints"] = joints
	skin["inverseBindMatrices"] = num(w.store(map[string]any{
		"componentType": num(5126), "count": num(len(w.joints)), "type": "MAT4",
	}, data, 0, 0, old))
	if replace >= 0 {
		w.list("skins")[replace] = skin
		w.skin = replace
		return nil
	}
	w.skin = w.add("skins", skin)
	return nil
}

// ownSkin is the skin that every written node has or gets, where its joints are
// those of the rows, bound alike; -1 where there is none.
func (w *writer) ownSkin(written map[int]bool) (int, error) {
	for i, skin := range w.a.doc.Skins {
		used := false
		for k, n := range w.a.doc.Nodes {
			used = used || written[k] && n.Skin != nil && *n.Skin == i
		}
		if !used || !slices.Equal(skin.Joints, w.joints) {
			continue
		}
		bind, err := w.a.inverseBinds(i)
		if err != nil {
			return -1, err
		}
		if slices.Equal(bind, w.bind) {
			return i, nil
		}
	}
	return -1, nil
}

// countInside counts integers equal to i under a key inside extension objects.
func countInside(root map[string]any, i int, key string) int {
	n := 0
	var walk func(v any, in bool)
	walk = func(v any, in bool) {
		switch x := v.(type) {
		case map[string]any:
			for k, y := range x {
				if in && k == key && intOf(y) == i {
					n++
				}
				walk(y, in || k == "extensions")
			}
		case []any:
			for _, y := range x {
				walk(y, in)
			}
		}
	}
	walk(root, false)
	return n
}

// wholeNodes reports whether every written node is written with all its
// primitives.
func (w *writer) wholeNodes() bool {
	for node := range w.partsByNode() {
		if !w.isWhole(node) {
			return false
		}
	}
	return true
}

func (w *writer) partsByNode() map[int][]Part {
	m := map[int][]Part{}
	for _, p := range w.surface.Parts {
		m[p.NodeIndex] = append(m[p.NodeIndex], p)
	}
	return m
}

func (w *writer) isWhole(node int) bool {
	parts := 0
	for _, p := range w.surface.Parts {
		if p.NodeIndex == node {
			parts++
		}
	}
	return parts == len(w.a.doc.Meshes[*w.a.doc.Nodes[node].Mesh].Primitives)
}

// writeParts gives every written primitive its attributes, node by node.
func (w *writer) writeParts() error {
	by := w.partsByNode()
	nodes := make([]int, 0, len(by))
	for n := range by {
		nodes = append(nodes, n)
	}
	slices.Sort(nodes)
	users := map[int]int{} // of each mesh, by nodes that do not rewrite it as a whole
	for i, n := range w.a.doc.Nodes {
		if n.Mesh != nil && !(by[i] != nil && w.isWhole(i)) {
			users[*n.Mesh]++
		}
	}
	first := map[int]bool{}
	for _, node := range nodes {
		m := *w.a.doc.Nodes[node].Mesh
		whole := w.isWhole(node)
		inPlace := whole && users[m] == 0 && !first[m]
		first[m] = first[m] || inPlace
		target, home := m, node
		if !inPlace {
			target, home = w.splitMesh(node, m, by[node], whole)
		}
		if whole {
			home = w.detach(node, target)
		}
		obj := w.object("nodes", home)
		obj["mesh"], obj["skin"] = num(target), num(w.skin)
		if err := w.writeNode(node, target, by[node], inPlace, whole); err != nil {
			return err
		}
	}
	return nil
}

// splitMesh copies the parts' primitives into a mesh of their own and returns it
// with the node that is to carry it. Where only some primitives of a node are
// written, the others stay where they are, and the copy gets a new root node.
func (w *writer) splitMesh(node, m int, parts []Part, whole bool) (target, home int) {
	old := w.object("meshes", m)
	oldPrimitives, _ := old["primitives"].([]any)
	fresh := map[string]any{}
	for k, v := range old {
		if k != "primitives" {
			fresh[k] = cloneJSON(v)
		}
	}
	var mine, others []any
	for k, p := range oldPrimitives {
		if slices.ContainsFunc(parts, func(q Part) bool { return q.PrimitiveIndex == k }) {
			mine = append(mine, cloneJSON(p))
		} else {
			others = append(others, p)
		}
	}
	fresh["primitives"] = mine
	target = w.add("meshes", fresh)
	if whole {
		return target, node
	}
	// The node keeps the rest, on a mesh of its own where others share the old one.
	shared := 0
	for _, n := range w.a.doc.Nodes {
		if n.Mesh != nil && *n.Mesh == m {
			shared++
		}
	}
	rest := map[string]any{}
	for k, v := range old {
		if k != "primitives" {
			rest[k] = cloneJSON(v)
		}
	}
	rest["primitives"] = others
	if shared == 1 {
		w.list("meshes")[m] = rest
	} else {
		w.object("nodes", node)["mesh"] = num(w.add("meshes", rest))
	}
	home = w.add("nodes", w.carrier(node))
	w.addToScenes([]int{home}, node)
	return target, home
}

// carrier is a new root node for node's mesh: same name, same morph weights.
func (w *writer) carrier(node int) map[string]any {
	old := w.object("nodes", node)
	fresh := map[string]any{}
	for _, k := range []string{"name", "weights"} {
		if v, ok := old[k]; ok {
			fresh[k] = cloneJSON(v)
		}
	}
	return fresh
}

// detach returns the node that is to carry the skinned mesh: node itself, or a
// new root where node has a parent or a transform of its own, which a skinned mesh
// would not follow (section 3.7.3.3). A node that was skinned stays.
func (w *writer) detach(node, target int) int {
	n := w.a.doc.Nodes[node]
	obj := w.object("nodes", node)
	local := false
	for _, k := range []string{"matrix", "translation", "rotation", "scale"} {
		_, ok := obj[k]
		local = local || ok
	}
	if n.Skin != nil || w.a.parent[node] < 0 && !local {
		return node
	}
	home := w.add("nodes", w.carrier(node))
	for _, k := range []string{"mesh", "weights"} {
		delete(obj, k)
	}
	w.addToScenes([]int{home}, node)
	// Morph weights are animated on the node that carries the mesh.
	for _, x := range w.list("animations") {
		anim, _ := x.(map[string]any)
		channels, _ := anim["channels"].([]any)
		for _, c := range channels {
			channel, _ := c.(map[string]any)
			t, _ := channel["target"].(map[string]any)
			if t != nil && t["path"] == "weights" && intOf(t["node"]) == node {
				t["node"] = num(home)
			}
		}
	}
	return home
}

// storedKey names accessors that several primitives of a node may share.
type storedKey struct {
	kind string
	old  int
	at   int // position accessor: rows belong to positions
	// sum of the bytes: primitives over the same vertices may have different rows.
	sum [sha256.Size]byte
}

// writeNode writes the attributes of one node's parts into mesh target.
func (w *writer) writeNode(node, target int, parts []Part, inPlace, whole bool) error {
	refs := make([]primitiveRef, len(parts))
	for i, p := range parts {
		refs[i] = primitiveRef{p.NodeIndex, p.MeshIndex, p.PrimitiveIndex}
	}
	u, err := w.a.uniteSkins(refs)
	if err != nil {
		return err
	}
	done := map[storedKey]int{}
	obj := w.object("meshes", target)
	primitives, _ := obj["primitives"].([]any)
	prims := make([]map[string]any, len(parts))
	for i, part := range parts {
		k := part.PrimitiveIndex
		if !inPlace {
			k = i
		}
		if k >= len(primitives) {
			return w.a.fault(refs[i].String(), "does not exist")
		}
		prims[i], _ = primitives[k].(map[string]any)
	}
	w.dropRows(prims)
	for i, part := range parts {
		prim := prims[i]
		var faults RowFaults
		data, err := w.a.primitive(refs[i], u, &faults, 0)
		if err != nil {
			return err
		}
		if err := w.writePrimitive(prim, part, refs[i], data, done); err != nil {
			return err
		}
	}
	return nil
}

// dropRows takes the old rows off a node's primitives, of all before any gets new
// ones, so that an accessor that only they share is free to be used again.
func (w *writer) dropRows(prims []map[string]any) {
	var dropped []int
	for _, prim := range prims {
		attributes, _ := prim["attributes"].(map[string]any)
		for name, v := range attributes {
			if strings.HasPrefix(name, "JOINTS_") || strings.HasPrefix(name, "WEIGHTS_") || name == "_CONFIDENCE" || name == "_REASON" {
				// Nothing has read these attributes on an unskinned mesh.
				if i := intOf(v); i >= 0 && i < len(w.list("accessors")) {
					dropped = append(dropped, i)
				}
				delete(attributes, name)
			}
		}
	}
	for _, i := range dropped {
		if w.usersOfAccessor(i) == 0 {
			w.free = append(w.free, i)
		}
	}
	slices.Sort(w.free)
	w.free = slices.Compact(w.free)
}

// writePrimitive patches one primitive.
func (w *writer) writePrimitive(prim map[string]any, part Part, ref primitiveRef, data *primitiveData, done map[storedKey]int) error {
	attributes, _ := prim["attributes"].(map[string]any)
	n := part.End - part.Start
	position := intOf(attributes["POSITION"])
	if ext, ok := prim["extensions"].(map[string]any); ok {
		delete(ext, "KHR_draco_mesh_compression") // its attributes are no longer these
		if len(ext) == 0 {
			delete(prim, "extensions")
		}
	}

	// Where each vertex must be stored to stand where it stands.
	of := make([]matrix, len(w.joints))
	for k := range of {
		of[k] = w.global[k].Mul(&w.bind[k])
	}
	back := make([]matrix, n) // world to stored
	for v := 0; v < n; v++ {
		if w.a.done(v) {
			return w.a.ctx.Err()
		}
		joint, weight := w.out.Rows.Row(part.Start + v)
		b := blend(of, joint, weight)
		inv, ok := b.Inverse()
		back[v] = inv
		bad := !ok
		if !ok {
			w.report.Singular++
		} else if stretch(&b) > 2 || stretch(&inv) > 2 {
			// A uniform scale (centimetres, say) is no stretch.
			if s := math.Cbrt(math.Abs(b.Det())); stretch(&b) > 2*s || stretch(&inv) > 2/s {
				w.report.FarFromRigid++
				bad = true
			}
		}
		if bad && w.report.FirstVertex < 0 {
			w.report.FirstVertex = part.Start + v
		}
	}
	if err := w.writeGeometry(prim, attributes, ref, data, back, done); err != nil {
		return err
	}

	put := func(name string, make func() (map[string]any, []byte, int)) error {
		acc, bytes, stride := make()
		key := storedKey{name, part.NodeIndex, position, w.a.sum(bytes)}
		if w.a.done(0) {
			return w.a.ctx.Err()
		}
		if i, ok := done[key]; ok {
			attributes[name] = num(i)
			return nil
		}
		replace := -1
		if len(w.free) > 0 {
			replace, w.free = w.free[0], w.free[1:]
		}
		i := w.store(acc, bytes, stride, 34962, replace)
		done[key] = i
		attributes[name] = num(i)
		return nil
	}

	sets := max(1, w.out.Sets)
	for v := part.Start; v < part.End; v++ {
		if w.a.done(v) {
			return w.a.ctx.Err()
		}
		joint, weight := w.out.Rows.Row(v)
		if err := w.out.Format.CheckStored(v, weight); err != nil {
			return fmt.Errorf("%s: write rows: %w", w.a.Name, err)
		}
		sets = max(sets, (len(joint)+3)/4)
	}
	for set := 0; set < sets; set++ {
		err := put(fmt.Sprintf("JOINTS_%d", set), func() (map[string]any, []byte, int) { return w.jointBytes(part, set) })
		if err != nil {
			return err
		}
		err = put(fmt.Sprintf("WEIGHTS_%d", set), func() (map[string]any, []byte, int) { return w.weightBytes(part, set) })
		if err != nil {
			return err
		}
	}
	if w.out.Confidence != nil {
		err := put("_CONFIDENCE", func() (map[string]any, []byte, int) {
			b := make([]byte, 0, 4*n)
			for _, c := range w.out.Confidence[part.Start:part.End] {
				b = binary.LittleEndian.AppendUint32(b, math.Float32bits(c))
			}
			return map[string]any{"componentType": num(5126), "count": num(n), "type": "SCALAR"}, b, 0
		})
		if err != nil {
			return err
		}
	}
	if w.out.Reason != nil {
		return put("_REASON", func() (map[string]any, []byte, int) {
			b := make([]byte, 0, 4*n)
			for _, r := range w.out.Reason[part.Start:part.End] {
				// Vertex attributes start at multiples of four bytes (section 3.6.2.4).
				b = append(binary.LittleEndian.AppendUint16(b, r), 0, 0)
			}
			return map[string]any{"componentType": num(5123), "count": num(n), "type": "SCALAR"}, b, 4
		})
	}
	return nil
}

// stretch is the largest column norm of the linear part: within a factor of
// sqrt(3) of the largest singular value.
func stretch(m *matrix) float64 {
	s := 0.0
	for k := 0; k < 3; k++ {
		s = max(s, math.Sqrt(m.M[k]*m.M[k]+m.M[3+k]*m.M[3+k]+m.M[6+k]*m.M[6+k]))
	}
	return s
}

// influence order of a row: largest weight first, so that a reader of the first
// set alone loses least; ties by joint.
func ordered(joint []uint16, weight []float64) []int {
	o := make([]int, len(joint))
	for i := range o {
		o[i] = i
	}
	slices.SortStableFunc(o, func(a, b int) int {
		switch {
		case weight[a] > weight[b]:
			return -1
		case weight[a] < weight[b]:
			return 1
		}
		return int(joint[a]) - int(joint[b])
	})
	return o
}

func (w *writer) jointBytes(part Part, set int) (map[string]any, []byte, int) {
	n := part.End - part.Start
	wide := len(w.joints) > 256
	size := 4
	if wide {
		size = 8
	}
	b := make([]byte, 0, size*n)
	for v := part.Start; v < part.End && !w.a.done(v); v++ { // the caller looks again
		joint, weight := w.out.Rows.Row(v)
		o := ordered(joint, weight)
		for k := 4 * set; k < 4*set+4; k++ {
			j := uint16(0)
			if k < len(o) && weight[o[k]] > 0 {
				j = joint[o[k]]
			}
			b = appendJoint(b, wide, j)
		}
	}
	return jointAccessor(wide, n), b, 0
}

func appendJoint(b []byte, wide bool, j uint16) []byte {
	if wide {
		return binary.LittleEndian.AppendUint16(b, j)
	}
	return append(b, byte(j))
}

func jointAccessor(wide bool, n int) map[string]any {
	kind := 5121
	if wide {
		kind = 5123
	}
	return map[string]any{"componentType": num(kind), "count": num(n), "type": "VEC4"}
}

func (w *writer) weightBytes(part Part, set int) (map[string]any, []byte, int) {
	n := part.End - part.Start
	size := 16
	switch w.out.Format {
	case weights.Uint16:
		size = 8
	case weights.Uint8:
		size = 4
	}
	b := make([]byte, 0, size*n)
	for v := part.Start; v < part.End && !w.a.done(v); v++ { // the caller looks again
		joint, weight := w.out.Rows.Row(v)
		o := ordered(joint, weight)
		for k := 4 * set; k < 4*set+4; k++ {
			x := 0.0
			if k < len(o) {
				x = weight[o[k]]
			}
			b = appendWeight(b, w.out.Format, x)
		}
	}
	return weightAccessor(w.out.Format, n), b, 0
}

func appendWeight(b []byte, f weights.Format, x float64) []byte {
	switch f {
	case weights.Uint16:
		return binary.LittleEndian.AppendUint16(b, uint16(math.Round(x*65535)))
	case weights.Uint8:
		return append(b, byte(math.Round(x*255)))
	}
	return binary.LittleEndian.AppendUint32(b, math.Float32bits(float32(x)))
}

func weightAccessor(f weights.Format, n int) map[string]any {
	acc := map[string]any{"count": num(n), "type": "VEC4"}
	switch f {
	case weights.Uint16:
		acc["componentType"], acc["normalized"] = num(5123), true
	case weights.Uint8:
		acc["componentType"], acc["normalized"] = num(5121), true
	default:
		acc["componentType"] = num(5126)
	}
	return acc
}

// writeGeometry moves positions, normals, tangents and morph targets into the
// bind frame, where that changes them, and turns triangles around where what mirrors
// them changes.
func (w *writer) writeGeometry(prim, attributes map[string]any, ref primitiveRef, data *primitiveData, back []matrix, done map[storedKey]int) error {
	// An inverse mirrors where the map does.
	mirrored := mirrors(data.position, data.triangle, func(v int) *matrix { return &back[v] })
	if data.mirrored != mirrored {
		if err := w.flip(prim, ref, data, mirrored, done); err != nil {
			return err
		}
	}
	n := len(back)
	stored := make([]r3.Vec, n)
	moved := 0.0
	box := mesh.Bounds(data.stored)
	size := r3.Norm(r3.Sub(box.Max, box.Min))
	for v := range stored {
		if w.a.done(v) {
			return w.a.ctx.Err()
		}
		stored[v] = back[v].Apply(data.position[v])
		moved = max(moved, r3.Norm(r3.Sub(stored[v], data.stored[v])))
	}
	// What moves by less than the rounding of the transforms stays as it is, bit by
	// bit.
	if moved <= 1e-6*size {
		return nil
	}
	position := intOf(attributes["POSITION"])
	lin := make([]matrix, n) // stored before -> stored after
	for v := range lin {
		if w.a.done(v) {
			return w.a.ctx.Err()
		}
		lin[v] = back[v].Mul(data.placeOf(v))
	}

	put := func(where map[string]any, name string, values []float64, kind string, comps int, bounds bool) error {
		old := intOf(where[name])
		// Rows differ by node, so an accessor that another node shares must split;
		// within the node the same accessor moves alike.
		b := make([]byte, 0, 4*len(values))
		lo, hi := make([]float64, comps), make([]float64, comps)
		for i, x := range values {
			if w.a.done(i) {
				return w.a.ctx.Err()
			}
			f := float32(x)
			b = binary.LittleEndian.AppendUint32(b, math.Float32bits(f))
			k := i % comps
			if i < comps || float64(f) < lo[k] {
				lo[k] = float64(f)
			}
			if i < comps || float64(f) > hi[k] {
				hi[k] = float64(f)
			}
		}
		key := storedKey{"geometry " + name, old, position, w.a.sum(b)}
		if w.a.done(0) {
			return w.a.ctx.Err()
		}
		if i, ok := done[key]; ok {
			where[name] = num(i)
			return nil
		}
		acc := map[string]any{"componentType": num(5126), "count": num(len(values) / comps), "type": kind}
		if bounds {
			l, h := make([]any, comps), make([]any, comps)
			for k := range l {
				l[k], h[k] = float(lo[k]), float(hi[k])
			}
			acc["min"], acc["max"] = l, h
		}
		replace := -1
		if w.usersOfAccessor(old) == 1 {
			replace = old
		}
		target := 34962
		if strings.HasPrefix(name, "target") {
			target = 0
		}
		i := w.store(acc, b, 0, target, replace)
		done[key] = i
		where[name] = num(i)
		return nil
	}
	flat := func(v []r3.Vec) []float64 {
		x := make([]float64, 0, 3*len(v))
		for i, q := range v {
			if w.a.done(i) {
				return nil // put looks again
			}
			x = append(x, q.X, q.Y, q.Z)
		}
		return x
	}
	if err := put(attributes, "POSITION", flat(stored), "VEC3", 3, true); err != nil {
		return err
	}
	where := ref.String()
	if i := intOf(attributes["NORMAL"]); i >= 0 {
		x, err := w.a.floats(i, gltf.AccessorVec3, where+" NORMAL")
		if err != nil {
			return err
		}
		normals := vectors(x)
		for v := range normals {
			if w.a.done(v) {
				return w.a.ctx.Err()
			}
			if v < n {
				if q := worldNormal(&lin[v], normals[v]); q != (r3.Vec{}) {
					normals[v] = q
				}
			}
		}
		if err := put(attributes, "NORMAL", flat(normals), "VEC3", 3, false); err != nil {
			return err
		}
	}
	if i := intOf(attributes["TANGENT"]); i >= 0 {
		x, err := w.a.floats(i, gltf.AccessorVec4, where+" TANGENT")
		if err != nil {
			return err
		}
		for v := 0; v < n && 4*v+3 < len(x); v++ {
			if w.a.done(v) {
				return w.a.ctx.Err()
			}
			q := unit(lin[v].ApplyVector(r3.Vec{X: x[4*v], Y: x[4*v+1], Z: x[4*v+2]}))
			if q != (r3.Vec{}) {
				x[4*v], x[4*v+1], x[4*v+2] = q.X, q.Y, q.Z
			}
			if lin[v].Det() < 0 {
				x[4*v+3] = -x[4*v+3]
			}
		}
		if err := put(attributes, "TANGENT", x, "VEC4", 4, false); err != nil {
			return err
		}
	}
	// Morph targets are displacements: they follow the linear part alone.
	targets, _ := prim["targets"].([]any)
	for t, x := range targets {
		target, _ := x.(map[string]any)
		for _, name := range []string{"POSITION", "NORMAL", "TANGENT"} {
			i := intOf(target[name])
			if i < 0 {
				continue
			}
			x, err := w.a.floats(i, gltf.AccessorVec3, fmt.Sprintf("%s target %d %s", where, t, name))
			if err != nil {
				return err
			}
			d := vectors(x)
			for v := range d {
				if v >= n {
					break
				}
				if w.a.done(v) {
					return w.a.ctx.Err()
				}
				if name == "NORMAL" {
					if inv, ok := lin[v].Inverse(); ok {
						// Scaled like the normals themselves, which stay of unit length.
						d[v] = r3.Scale(math.Cbrt(math.Abs(lin[v].Det())), transposed(&inv, d[v]))
					}
					continue
				}
				d[v] = lin[v].ApplyVector(d[v])
				if name == "TANGENT" {
					d[v] = r3.Scale(1/math.Cbrt(math.Abs(lin[v].Det())), d[v])
				}
			}
			// The map's key must tell target from target.
			was := target[name]
			proxy := map[string]any{"target" + name: was}
			if err := put(proxy, "target"+name, flat(d), "VEC3", 3, name == "POSITION"); err != nil {
				return err
			}
			target[name] = proxy["target"+name]
		}
	}
	return nil
}

// flip writes a primitive's triangles the other way round than they were stored: what
// turned them (its node's transform, say) no longer counts, or the joints that it is
// skinned to now mirror.
func (w *writer) flip(prim map[string]any, ref primitiveRef, data *primitiveData, mirrored bool, done map[storedKey]int) error {
	old := intOf(prim["indices"])
	key := storedKey{kind: "indices", old: old, at: intOf(prim["mode"])}
	if i, ok := done[key]; ok && old >= 0 {
		prim["indices"] = num(i)
		delete(prim, "mode")
		return nil
	}
	b := make([]byte, 0, 12*len(data.triangle))
	wide := len(data.position) > 65535
	for i, t := range data.triangle { // as they face in the world
		if w.a.done(i) {
			return w.a.ctx.Err()
		}
		if mirrored {
			t[1], t[2] = t[2], t[1]
		}
		for _, v := range t {
			if wide {
				b = binary.LittleEndian.AppendUint32(b, uint32(v))
			} else {
				b = binary.LittleEndian.AppendUint16(b, uint16(v))
			}
		}
	}
	kind := 5123
	if wide {
		kind = 5125
	}
	replace := -1
	if old >= 0 && w.usersOfAccessor(old) == 1 {
		replace = old
	}
	i := w.store(map[string]any{"componentType": num(kind), "count": num(3 * len(data.triangle)), "type": "SCALAR"}, b, 0, 34963, replace)
	done[key] = i
	prim["indices"] = num(i)
	delete(prim, "mode") // triangles
	return nil
}
