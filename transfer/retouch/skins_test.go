package retouch

import (
	"bytes"
	"context"
	"encoding/binary"
	"math"
	"slices"
	"strings"
	"sync"
	"testing"

	"github.com/selvage/selvage/transfer"
	"github.com/selvage/selvage/transfer/crew"
	"github.com/selvage/selvage/transfer/gltfio"
	"github.com/selvage/selvage/transfer/skinning"
	"github.com/selvage/selvage/transfer/weights"
	"gonum.org/v1/gonum/spatial/r3"
)

// theJersey is a garment on the pilot's joints, of more than one primitive: the last
// shares seams with the others.
var theJersey = sync.OnceValue(func() []byte {
	member := crew.NewBodyAt("pilot", 0.3)
	var garment, out bytes.Buffer
	if err := member.GarmentAt("jersey", 0.3).WriteGLB(&garment); err != nil {
		panic(err)
	}
	body, err := gltfio.Parse(thePilot(), "pilot.glb", gltfio.Options{})
	if err != nil {
		panic(err)
	}
	prepared, err := transfer.PrepareAsset(context.Background(), body, gltfio.Selection{}, 0)
	if err != nil {
		panic(err)
	}
	cloth, err := gltfio.Parse(garment.Bytes(), "jersey.glb", gltfio.Options{})
	if err != nil {
		panic(err)
	}
	a, _, err := prepared.Transfer(context.Background(), cloth, transfer.AssetOptions{})
	if err != nil {
		panic(err)
	}
	if err := a.Encode(&out); err != nil {
		panic(err)
	}
	return out.Bytes()
})

// secondSkin says how the last primitive of an asset gets a node and a skin of its own.
type secondSkin struct {
	reversed bool
	// keep says which joints the skin has; nil: all.
	keep func(name string) bool
	// copied says which joints are nodes of their own, where the first skin's are; nil:
	// none.
	copied func(name string) bool
	// frame leads from the frame of the first skin to the second's; nil: one frame.
	frame *skinning.Affine
	// pose says where each joint stood when the second skin was bound; nil: as in the
	// first. Stored positions are such that the default pose is the same.
	pose func(s *skinning.Skin) skinning.Pose
	// matrix changes the inverse bind matrix of a joint as it is written; weighted says
	// whether the primitive has weight on it. Nil: it stays.
	matrix func(j int, weighted bool, m *skinning.Affine)
}

// parted gives the last primitive of an asset of one skin a skin of its own.
func parted(t testing.TB, data []byte, how secondSkin) []byte {
	t.Helper()
	list, err := parse(t, data).Skinned(gltfio.Selection{})
	if err != nil || len(list) != 1 || len(list[0].Parts) < 2 {
		t.Fatalf("%d surfaces, %v", len(list), err)
	}
	s := list[0]
	part := s.Parts[len(s.Parts)-1]
	doc, chunk := document(t, data)
	chunk = bytes.Clone(chunk)
	object := func(key string, i int) map[string]any { return doc[key].([]any)[i].(map[string]any) }
	add := func(key string, x any) int {
		l, _ := doc[key].([]any)
		doc[key] = append(l, x)
		return len(l)
	}
	accessor := func(kind int, shape string, values any, n int) int {
		for len(chunk)%4 != 0 {
			chunk = append(chunk, 0)
		}
		var b bytes.Buffer
		if err := binary.Write(&b, binary.LittleEndian, values); err != nil {
			t.Fatal(err)
		}
		view := add("bufferViews", map[string]any{"buffer": 0, "byteOffset": len(chunk), "byteLength": b.Len()})
		chunk = append(chunk, b.Bytes()...)
		return add("accessors", map[string]any{"bufferView": view, "componentType": kind, "type": shape, "count": n})
	}

	// The joints of the second skin, and where the first's stand in it.
	var joints []any
	var bind []float32
	at := make([]uint16, len(s.Skin.Joints))
	own := make([]skinning.Affine, len(s.Skin.Joints))
	weighted := make([]bool, len(s.Skin.Joints))
	for v := part.Start; v < part.End; v++ {
		joint, _ := s.Rows.Row(v)
		for _, j := range joint {
			weighted[j] = true
		}
	}
	var pose skinning.Pose
	if how.pose != nil {
		pose = how.pose(s.Skin)
	}
	for i := range s.Skin.Joints {
		j := i
		if how.reversed {
			j = len(at) - 1 - i
		}
		own[j] = s.Skin.Joints[j].InverseBind
		if pose != nil {
			back, _ := pose[j].Inverse()
			own[j] = own[j].Mul(&back)
		}
		if how.frame != nil {
			back, _ := how.frame.Inverse()
			own[j] = own[j].Mul(&back)
		}
		if how.keep != nil && !how.keep(s.Skin.Joints[j].Name) {
			at[j] = math.MaxUint16
			continue
		}
		at[j] = uint16(len(joints))
		node := s.JointNode[j]
		if how.copied != nil && how.copied(s.Skin.Joints[j].Name) {
			g := &s.Skin.Joints[j].Global
			node = add("nodes", map[string]any{"matrix": []any{
				g.M[0], g.M[3], g.M[6], 0, g.M[1], g.M[4], g.M[7], 0, g.M[2], g.M[5], g.M[8], 0, g.T.X, g.T.Y, g.T.Z, 1,
			}})
			roots := object("scenes", 0)
			roots["nodes"] = append(roots["nodes"].([]any), node)
		}
		joints = append(joints, node)
		m := &own[j]
		if how.matrix != nil {
			how.matrix(j, weighted[j], m)
		}
		for col := range 3 {
			bind = append(bind, float32(m.M[col]), float32(m.M[3+col]), float32(m.M[6+col]), 0)
		}
		bind = append(bind, float32(m.T.X), float32(m.T.Y), float32(m.T.Z), 1)
	}
	var stored []uint16
	var position []float32
	for v := part.Start; v < part.End; v++ {
		joint, weight := s.Rows.Row(v)
		row := [4]uint16{}
		rows := s.Stored[len(s.Parts)-1]
		for k := range row {
			if i := 4*(v-part.Start) + k; rows.Weight[i] > 0 {
				if row[k] = at[int(rows.Joint[i])]; row[k] == math.MaxUint16 {
					t.Fatalf("vertex %d has weight on a joint that the skin is to lack", v)
				}
			}
		}
		stored = append(stored, row[:]...)
		var m skinning.Affine
		for i, j := range joint {
			g := s.Skin.Joints[j].Global.Mul(&own[j])
			for k := range m.M {
				m.M[k] += weight[i] * g.M[k]
			}
			m.T = r3.Add(m.T, r3.Scale(weight[i], g.T))
		}
		back, _ := m.Inverse()
		p := back.Apply(s.Mesh.Positions[v])
		position = append(position, float32(p.X), float32(p.Y), float32(p.Z))
	}
	skin := add("skins", map[string]any{"joints": joints, "inverseBindMatrices": accessor(5126, "MAT4", bind, len(joints))})
	primitives := object("meshes", part.MeshIndex)["primitives"].([]any)
	last := primitives[len(primitives)-1].(map[string]any)
	object("meshes", part.MeshIndex)["primitives"] = primitives[:len(primitives)-1]
	attributes := last["attributes"].(map[string]any)
	attributes["JOINTS_0"] = accessor(5123, "VEC4", stored, part.End-part.Start)
	if how.frame != nil || how.pose != nil {
		attributes["POSITION"] = accessor(5126, "VEC3", position, part.End-part.Start)
	}
	node := add("nodes", map[string]any{"name": "apart", "mesh": add("meshes", map[string]any{"primitives": []any{last}}), "skin": skin})
	scene := object("scenes", 0)
	scene["nodes"] = append(scene["nodes"].([]any), node)
	for len(chunk)%4 != 0 {
		chunk = append(chunk, 0)
	}
	object("buffers", 0)["byteLength"] = len(chunk)
	return glb(t, doc, chunk)
}

// bent turns a joint's node in the default pose, so that it is not the bind pose.
func bent(t testing.TB, data []byte, name string) []byte {
	t.Helper()
	doc, chunk := document(t, data)
	for _, n := range doc["nodes"].([]any) {
		if n := n.(map[string]any); n["name"] == name {
			n["rotation"] = []any{0, 0, math.Sin(0.2), math.Cos(0.2)}
			return glb(t, doc, chunk)
		}
	}
	t.Fatalf("no node is called %q", name)
	return nil
}

// TestRun_SharedJoints: a mesh with a skin of its own over the same joints gets the
// rows that it gets with one skin, however its joints are ordered and wherever it was
// bound, and seams stay closed.
func TestRun_SharedJoints(t *testing.T) {
	scaled := skinning.Affine{M: [9]float64{0, 0, 100, 100, 0, 0, 0, 100, 0}, T: r3.Vec{X: 3, Y: -5, Z: 8}}
	turned := func(s *skinning.Skin) skinning.Pose {
		j := slices.IndexFunc(s.Joints, func(j skinning.Joint) bool { return j.Name == "upper_arm.left" })
		if j < 0 {
			t.Fatal("no upper arm")
		}
		return s.Turn(j, r3.Vec{Z: 1}, 0.4)
	}
	// What stands for no pose at joints without weight; and what rounding leaves.
	garbage := func(j int, weighted bool, m *skinning.Affine) {
		if !weighted {
			*m = skinning.Affine{M: [9]float64{float64(j), 0, 0, 0, 2, 0, 0, 0, 3}, T: r3.Vec{X: float64(j)}}
		}
	}
	rounded := func(j int, _ bool, m *skinning.Affine) {
		m.T = r3.Add(m.T, r3.Scale(3e-5, r3.Vec{X: math.Sin(float64(j)), Y: math.Cos(float64(j))}))
	}
	requests := map[string]Request{
		"fill":   {Mask: []string{"near:forearm.left:0.1", "box:0.3,-9,-9,0.5,9,9"}, Fill: &FillRequest{}},
		"mirror": {Mirror: &MirrorOptions{}},
		"even":   {Even: &EvenRequest{Joints: [2]string{"forearm.left", "forearm_twist.left"}}},
		"smooth": {Smooth: &SmoothOptions{Strength: 2}},
		"tidy":   {Tidy: &TidyOptions{}},
	}
	for _, c := range []struct {
		name string
		how  secondSkin
		bent bool
		most float64 // L1 from the row with one skin
	}{
		{"same", secondSkin{}, false, 0},
		{"reversed", secondSkin{reversed: true}, false, 0},
		{"another frame", secondSkin{frame: &scaled, reversed: true}, false, 1e-3},
		{"bound in another pose", secondSkin{pose: turned}, false, 1e-3},
		{"matrices without meaning", secondSkin{matrix: garbage}, false, 0},
		{"matrices without meaning, another frame", secondSkin{matrix: garbage, frame: &scaled}, false, 1e-3},
		{"matrices without meaning, another pose", secondSkin{matrix: garbage, pose: turned}, false, 1e-3},
		{"rounded matrices", secondSkin{matrix: rounded, reversed: true}, false, 2e-3}, // vertices move with them
		{"bent", secondSkin{reversed: true}, true, 0},
		{"another frame, bent", secondSkin{frame: &scaled}, true, 1e-3},
		{"bound in another pose, bent", secondSkin{pose: turned, reversed: true}, true, 1e-3},
	} {
		t.Run(c.name, func(t *testing.T) {
			one := theJersey()
			if c.bent {
				one = bent(t, one, "upper_arm.left")
			}
			two := parted(t, one, c.how)
			start, err := parse(t, one).Body(gltfio.Selection{})
			if err != nil {
				t.Fatal(err)
			}
			for name, r := range requests {
				if name == "mirror" && c.bent && c.most > 0 {
					continue // in between two places as near as each other rounding decides
				}
				want, _, err := Run(t.Context(), parse(t, one), nil, r)
				if err != nil {
					t.Fatal(err)
				}
				got, sum, err := Run(t.Context(), parse(t, two), nil, r)
				if err != nil {
					t.Fatal(err)
				}
				x, errX := want.Body(gltfio.Selection{})
				y, errY := got.Body(gltfio.Selection{})
				if errX != nil || errY != nil || len(y.Parts) != len(x.Parts) {
					t.Fatal(errX, errY)
				}
				if !slices.Equal(x.JointNode, y.JointNode) {
					t.Fatal("the joints come in another order: rows cannot be compared")
				}
				farthest, differ := 0.0, 0
				for v := range start.Mesh.Positions {
					if d := x.Rows.DistanceL1(v, y.Rows, v); d > c.most {
						differ++
						farthest = max(farthest, d)
					}
				}
				if differ > 0 {
					t.Errorf("%s: %d rows differ from those with one skin, by up to %g", name, differ, farthest)
				}
				if !c.bent {
					seamsEqual(t, start.Mesh, y.Rows)
				}
				if name == "tidy" && sum.Changed > 0 {
					t.Errorf("a tidy asset changed: %+v", sum.Tidy)
				}
				if slices.ContainsFunc(sum.Notes, func(n string) bool { return strings.Contains(n, "lacks") }) {
					t.Errorf("%s: %q", name, sum.Notes)
				}
			}
		})
	}
}

// seamsOf lists the vertices of the last part that share their place with one of
// another part, with that one.
func seamsOf(s *gltfio.Surface) map[int]int {
	at := map[r3.Vec]int{}
	last := s.Parts[len(s.Parts)-1].Start
	for v, p := range s.Mesh.Positions[:last] {
		at[p] = v
	}
	out := map[int]int{}
	for v, p := range s.Mesh.Positions[last:] {
		if u, ok := at[p]; ok {
			out[last+v] = u
		}
	}
	return out
}

// TestRun_LackedJoint: what a skin has no joint for goes to the joint's nearest
// ancestor, on both sides of the seam, and is said; then there is nothing to tidy.
func TestRun_LackedJoint(t *testing.T) {
	// The last part and what shares its places has no weight on the joint at first.
	const name = "forearm_twist.left"
	a := parse(t, theJersey())
	list, err := a.Skinned(gltfio.Selection{})
	if err != nil {
		t.Fatal(err)
	}
	start := &list[0].Surface
	last := start.Parts[len(start.Parts)-1].Start
	lacked := uint16(slices.IndexFunc(start.Skin.Joints, func(j skinning.Joint) bool { return j.Name == name }))
	parent := uint16(start.Skin.Joints[lacked].Parent)
	place := map[r3.Vec]bool{}
	for _, p := range start.Mesh.Positions[last:] {
		place[p] = true
	}
	without := gltfio.Reweighted{Surface: list[0], Rows: weights.NewRows(0), Changed: make([]bool, start.Rows.Len())}
	acc := weights.NewAccumulator(len(start.Skin.Joints))
	for v, p := range start.Mesh.Positions {
		joint, weight := start.Rows.Row(v)
		for i, j := range joint {
			if without.Changed[v] = place[p]; place[p] && j == lacked {
				j = parent
			}
			acc.Add(j, weight[i])
		}
		acc.Flush(without.Rows)
	}
	if a, err = a.Reweight([]gltfio.Reweighted{without}); err != nil {
		t.Fatal(err)
	}
	one := encode(t, a)
	two := parted(t, one, secondSkin{reversed: true, keep: func(joint string) bool { return joint != name }})
	at := func(s *gltfio.Surface, v int, j uint16) float64 {
		joint, weight := s.Rows.Row(v)
		if i := slices.Index(joint, j); i >= 0 {
			return weight[i]
		}
		return 0
	}
	r := Request{Smooth: &SmoothOptions{Strength: 0.5}, MaxInfluences: 8}
	want, _, err := Run(t.Context(), parse(t, one), nil, r)
	if err != nil {
		t.Fatal(err)
	}
	got, sum, err := Run(t.Context(), parse(t, two), nil, r)
	if err != nil {
		t.Fatal(err)
	}
	x, errX := want.Body(gltfio.Selection{})
	y, errY := got.Body(gltfio.Selection{})
	if errX != nil || errY != nil || !slices.Equal(x.JointNode, y.JointNode) {
		t.Fatal(errX, errY)
	}
	seamsEqual(t, start.Mesh, y.Rows)
	moved := 0
	for v := range start.Mesh.Positions {
		had := at(x, v, lacked)
		if !place[start.Mesh.Positions[v]] {
			if d := x.Rows.DistanceL1(v, y.Rows, v); d > 1e-6 {
				t.Fatalf("vertex %d, whose skin has all joints, is off by %g", v, d)
			}
			continue
		}
		most := 1e-6
		if joint, _ := x.Rows.Row(v); len(joint) == 8 {
			most = 0.01 // others may have been dropped with one skin than with two
		}
		if had > 1e-6 {
			moved++
		}
		if got, want := at(y, v, parent), at(x, v, parent)+had; math.Abs(got-want) > most || at(y, v, lacked) != 0 {
			t.Fatalf("vertex %d: %g on the ancestor, want %g; %g is left", v, got, want, at(y, v, lacked))
		}
	}
	if moved == 0 {
		t.Fatal("the joint is nowhere near the seam: no test of this")
	}
	if !slices.ContainsFunc(sum.Notes, func(n string) bool {
		return strings.Contains(n, `a skin lacks the joint "`+name+`"`) && strings.Contains(n, `"`+start.Skin.Joints[parent].Name+`"`)
	}) {
		t.Errorf("%q", sum.Notes)
	}
	if again, sum, err := Run(t.Context(), got, nil, Request{Tidy: &TidyOptions{}}); err != nil || again != got {
		t.Errorf("the result is not tidy: %v, %+v", err, sum.Tidy)
	}
}

// TestRun_TidySharedJoints: a seam between two skins that is apart is mended.
func TestRun_TidySharedJoints(t *testing.T) {
	start, err := parse(t, theJersey()).Body(gltfio.Selection{})
	if err != nil {
		t.Fatal(err)
	}
	a := parse(t, parted(t, theJersey(), secondSkin{reversed: true}))
	list, err := a.Skinned(gltfio.Selection{})
	if err != nil || len(list) != 2 {
		t.Fatal(err)
	}
	x := gltfio.Reweighted{Surface: list[1], Rows: list[1].Rows, Changed: make([]bool, list[1].Mesh.NumVertices()), Format: list[1].Stored[0].Format}
	for v := range seamsOf(start) {
		x.Changed[v-list[0].Mesh.NumVertices()] = true
	}
	rows := *x.Rows
	rows.Joint = slices.Repeat([]uint16{3}, len(x.Changed))
	rows.Weight = slices.Repeat([]float64{1}, len(x.Changed))
	rows.Start = make([]int32, len(x.Changed)+1)
	for v := range rows.Start {
		rows.Start[v] = int32(v)
	}
	x.Rows = &rows
	if a, err = a.Reweight([]gltfio.Reweighted{x}); err != nil {
		t.Fatal(err)
	}
	out, sum, err := Run(t.Context(), a, nil, Request{Tidy: &TidyOptions{}})
	if err != nil || sum.Tidy.Places == 0 || sum.Tidy.Places > len(seamsOf(start)) {
		t.Fatalf("%v, %+v", err, sum)
	}
	s, err := out.Body(gltfio.Selection{})
	if err != nil {
		t.Fatal(err)
	}
	seamsEqual(t, start.Mesh, s.Rows)
}

// TestRun_OtherJoints: skins of wholly different joints are surfaces of their own, in
// one place as they may be, and so are those that have no more than a root in common.
func TestRun_OtherJoints(t *testing.T) {
	t.Run("none in common", func(t *testing.T) { otherJoints(t, func(string) bool { return true }) })
	t.Run("a root in common", func(t *testing.T) { otherJoints(t, func(name string) bool { return name != "root" }) })
}

func otherJoints(t *testing.T, copied func(name string) bool) {
	a := parse(t, parted(t, theJersey(), secondSkin{copied: copied}))
	list, err := a.Skinned(gltfio.Selection{})
	if err != nil || len(list) != 2 {
		t.Fatal(err)
	}
	both, _, err := Run(t.Context(), a, nil, Request{Smooth: &SmoothOptions{Strength: 3}})
	if err != nil {
		t.Fatal(err)
	}
	after, err := both.Skinned(gltfio.Selection{})
	if err != nil {
		t.Fatal(err)
	}
	for i, s := range list {
		alone, _, err := Run(t.Context(), a, nil, Request{Smooth: &SmoothOptions{Strength: 3}, Meshes: gltfio.Selection{Names: []string{s.Parts[0].Node}}})
		if err != nil {
			t.Fatal(err)
		}
		x, err := alone.Skinned(gltfio.Selection{})
		if err != nil || !slices.Equal(x[i].Rows.Weight, after[i].Rows.Weight) || !slices.Equal(x[i].Rows.Joint, after[i].Rows.Joint) {
			t.Errorf("surface %d: %v; it gets other rows beside the other", i, err)
		}
	}
}

func TestOnto(t *testing.T) {
	// A mast with a yard, and a boom that hangs from neither.
	s := joints(map[string]r3.Vec{"keel": {}, "mast": {Y: 1}, "yard": {Y: 2}, "boom": {Y: 2, Z: 1}}, "keel", "mast", "yard", "boom")
	for i, parent := range []int{-1, 0, 1, -1} {
		s.Joints[i].Parent = parent
	}
	for _, c := range []struct {
		name string
		has  []bool
		want []uint16
	}{
		{"all", []bool{true, true, true, true}, []uint16{0, 1, 2, 3}},
		{"the nearest ancestor", []bool{true, true, false, true}, []uint16{0, 1, 1, 3}},
		{"over one that is missing too", []bool{true, false, false, true}, []uint16{0, 0, 0, 3}},
		{"no ancestor: the nearest", []bool{false, false, true, true}, []uint16{2, 2, 2, 3}},
		{"nothing related", []bool{true, true, true, false}, []uint16{0, 1, 2, 2}},
	} {
		if got := onto(s, c.has); !slices.Equal(got, c.want) {
			t.Errorf("%s: %v, want %v", c.name, got, c.want)
		}
	}
}
