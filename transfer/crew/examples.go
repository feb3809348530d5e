package crew

// Files to try things out on: the wardrobe under short names, and assets with what it
// lacks: weights of their own, masks, flaws, other skeletons, another pose.

import (
	"fmt"
	"io"
	"math"
	"os"
	"path/filepath"
	"strings"

	"github.com/selvage/selvage/transfer/mesh"
	"github.com/selvage/selvage/transfer/skinning"
	"github.com/selvage/selvage/transfer/weights"
	"gonum.org/v1/gonum/spatial/r3"
)

// marked is a body with vertex attributes of its own; nil ones are left out.
type marked struct {
	*Body
	redo, held []float32
	paint      [][4]uint8
}

// WriteGLB writes the body with its attributes.
func (m marked) WriteGLB(out io.Writer) error { return m.write(out, m) }

// exampleJoints is a joint map from the crew's joints to the smock's.
const exampleJoints = `version: 1
joints:                                 # the first rule that a name matches decides
  - {from: "*_twist.*", to: "*_*"}      # a glob of the body's joints, and who takes their weight;
  - {from: "*.*", to: "*_*"}            # each * on the right is what the same * on the left matched
`

// examplePoses is a plan for the pose check.
const examplePoses = `angles: [45]
move: 0        # metres; 0 for none
scale: []      # none
joints:
  - {joints: ["shin.*"], range: {x: [-5, 130], y: [0, 0], z: [0, 0]}}
  - {joints: ["thumb_*", "index_*", "middle_*", "ring_*", "little_*", "toes.*"], skip: true}
poses:
  - name: arms overhead
    set:
      - {joints: [upper_arm.left], turn: [0, 0, 90]}
      - {joints: [upper_arm.right], turn: [0, 0, -90]}
limits: {penetration: 0.005}
`

// WriteExamples writes into dir, which is made where it is missing:
//
//	body.glb, jersey.glb, trousers.glb, gloves.glb, coat.glb, hat.glb, cape.glb
//	                the body and its garments, as WriteMember has them
//	crew/           the body and two garments
//	new_body.glb    the body on other, fewer vertices
//	rough.glb       the body with nonsense rows in the belly, where _REDO is 1, and the twist
//	                of the left forearm uneven
//	hand.left.glb, hand.right.glb   the hands alone, the right one with all its weight on one joint
//	tailcoat.glb    the coat with weights and a chain of its own, tail_1 and tail_2; _HELD
//	                is 1 on the left sleeve, COLOR_0 red on the right shoulder
//	coat.low.glb    the coat modelled with the arms 20 degrees lower
//	smock.glb       the jersey with a skeleton of other names, without twist joints
//	joints.yaml     a joint map for it
//	poses.yaml      a plan of poses
func (b *Body) WriteExamples(dir string) error {
	if err := os.MkdirAll(filepath.Join(dir, "crew"), 0o777); err != nil {
		return err
	}
	garments := map[string]*Garment{}
	for _, g := range b.Wardrobe() {
		garments[g.Name] = g
	}
	coat := garments["oilskin coat"]
	left, err := b.hand(".left")
	if err != nil {
		return err
	}
	right, err := b.hand(".right")
	if err != nil {
		return err
	}
	none := weights.NewRows(0)
	for range right.Mesh.Positions {
		none.Append([]uint16{0}, []float64{1})
	}
	right.Rows = none
	tailcoat, err := b.tailcoat(coat)
	if err != nil {
		return err
	}
	rough, err := b.rough()
	if err != nil {
		return err
	}
	light := NewBodyAt(b.Name, b.scale/2)
	for _, f := range []struct {
		file  string
		write func(io.Writer) error
	}{
		{"body.glb", b.WriteGLB}, {"jersey.glb", garments["jersey"].WriteGLB}, {"trousers.glb", garments["bib trousers"].WriteGLB},
		{"gloves.glb", garments["gloves"].WriteGLB}, {"coat.glb", coat.WriteGLB}, {"hat.glb", garments["sou'wester"].WriteGLB}, {"cape.glb", garments["cape"].WriteGLB},
		{"crew/body.glb", b.WriteGLB}, {"crew/jersey.glb", garments["jersey"].WriteGLB}, {"crew/gloves.glb", garments["gloves"].WriteGLB},
		{"new_body.glb", light.WriteGLB}, {"rough.glb", rough.WriteGLB}, {"hand.left.glb", left.WriteGLB}, {"hand.right.glb", right.WriteGLB},
		{"tailcoat.glb", tailcoat.WriteGLB}, {"coat.low.glb", b.armsRaised(coat, -20).WriteGLB}, {"smock.glb", b.smock(garments["jersey"]).WriteGLB},
		{"joints.yaml", text(exampleJoints)}, {"poses.yaml", text(examplePoses)},
	} {
		if err := writeFile(filepath.Join(dir, f.file), f.write); err != nil {
			return fmt.Errorf("example %s: %w", f.file, err)
		}
	}
	return nil
}

func text(s string) func(io.Writer) error {
	return func(w io.Writer) error {
		_, err := io.WriteString(w, s)
		return err
	}
}

// joint is the index of the joint called name.
func (b *Body) joint(name string) uint16 {
	for j := range b.Skin.Joints {
		if b.Skin.Joints[j].Name == name {
			return uint16(j)
		}
	}
	panic("the crew has no joint " + name)
}

// weight is the weight of the joints that is accepts, in a row over b's skin.
func (b *Body) weight(r *weights.Rows, v int, is func(name string) bool) (w float64) {
	joint, weight := r.Row(v)
	for i, j := range joint {
		if is(b.Skin.Joints[j].Name) {
			w += weight[i]
		}
	}
	return w
}

// stored brings rows to what a file of the crew holds.
func stored(r *weights.Rows) (*weights.Rows, error) {
	out, _, err := weights.Finish(r, weights.FinishOptions{MaxInfluences: maxInfluences})
	return out, err
}

// worn is a garment as a body: skinned, with its true rows.
func (b *Body) worn(g *Garment) *Body {
	return &Body{Name: g.Name, Mesh: g.Mesh, Rows: g.Truth, Skin: b.Skin, UV: g.UV}
}

// hand is the hand of one side alone, cut at the wrist.
func (b *Body) hand(side string) (*Body, error) {
	is := func(name string) bool {
		if !strings.HasSuffix(name, side) {
			return false
		}
		for _, part := range []string{"hand", "thumb_", "index_", "middle_", "ring_", "little_"} {
			if strings.HasPrefix(name, part) {
				return true
			}
		}
		return false
	}
	out := &Body{Name: "hand" + side, Mesh: &mesh.Mesh{}, Skin: b.Skin}
	rows := weights.NewRows(0)
	index := make([]int32, len(b.Mesh.Positions))
	for v, p := range b.Mesh.Positions {
		if index[v] = -1; b.weight(b.Rows, v, is) > 0.5 {
			index[v] = int32(len(out.UV))
			out.Mesh.Positions = append(out.Mesh.Positions, p)
			out.Mesh.Normals = append(out.Mesh.Normals, b.Mesh.Normals[v])
			out.UV = append(out.UV, b.UV[v])
			rows.Append(b.Rows.Row(v))
		}
	}
	for _, t := range b.Mesh.Triangles {
		if t = [3]int32{index[t[0]], index[t[1]], index[t[2]]}; t[0] >= 0 && t[1] >= 0 && t[2] >= 0 {
			out.Mesh.Triangles = append(out.Mesh.Triangles, t)
		}
	}
	var err error
	out.Rows, err = stored(rows)
	return out, err
}

// rough is the body with flaws to mend.
func (b *Body) rough() (marked, error) {
	chest, pelvis, belly := b.joint("spine_4"), b.joint("pelvis"), b.Skin.Joints[b.joint("spine_2")].Global.T
	arm, twist := b.joint("forearm.left"), b.joint("forearm_twist.left")
	rows, redo := weights.NewRows(0), make([]float32, len(b.Mesh.Positions))
	acc := weights.NewAccumulator(len(b.Skin.Joints))
	for v, p := range b.Mesh.Positions {
		if d := r3.Sub(p, belly); d.Z > 0 && math.Hypot(d.X, d.Y) < 0.06 {
			redo[v] = 1
			acc.Add(chest, 0.5)
			acc.Add(pelvis, 0.5)
			acc.FlushNormalised(rows)
			continue
		}
		pair := 0.0
		joint, weight := b.Rows.Row(v)
		for i, j := range joint {
			if j == arm || j == twist {
				pair += weight[i]
			}
			acc.Add(j, weight[i])
		}
		if share := 0.1 * math.Sin(90*p.Y+120*p.Z); pair > 0 { // uneven around the limb
			for i, j := range joint {
				if j == arm {
					moved := min(max(share*pair, weight[i]-pair), weight[i])
					acc.Add(arm, -moved)
					acc.Add(twist, moved)
				}
			}
		}
		acc.FlushNormalised(rows)
	}
	out := *b
	var err error
	out.Rows, err = stored(rows)
	return marked{Body: &out, redo: redo}, err
}

// tailcoat is the coat with weights, over the body's skin and a chain of its own for
// what hangs at the back.
func (b *Body) tailcoat(coat *Garment) (marked, error) {
	out := b.worn(coat)
	out.Name = "tailcoat"
	skin := &skinning.Skin{Joints: append([]skinning.Joint{}, b.Skin.Joints...)}
	pelvis := int(b.joint("pelvis"))
	hip := skin.Joints[pelvis].Global.T
	parent := pelvis
	for i, d := range []r3.Vec{{Y: -0.05, Z: -0.12}, {Y: -0.25, Z: -0.14}} {
		g := skinning.Identity()
		g.T = r3.Add(hip, d)
		inv, _ := g.Inverse()
		skin.Joints = append(skin.Joints, skinning.Joint{Name: fmt.Sprintf("tail_%d", i+1), Parent: parent, Global: g, InverseBind: inv})
		parent = len(skin.Joints) - 1
	}
	out.Skin = skin
	m := marked{Body: out}
	rows := weights.NewRows(0)
	acc := weights.NewAccumulator(len(skin.Joints))
	for v, p := range coat.Mesh.Positions {
		joint, weight := coat.Truth.Row(v)
		f := 0.0
		if p.Z < hip.Z {
			f = min(max((hip.Y-p.Y)/0.4, 0), 1)
		}
		for i, j := range joint {
			acc.Add(j, (1-f)*weight[i])
		}
		if f > 0 {
			acc.Add(uint16(parent-1), f*(1-f))
			acc.Add(uint16(parent), f*f)
		}
		acc.FlushNormalised(rows)
		held, paint := float32(0), [4]uint8{255, 255, 255, 255}
		if b.weight(coat.Truth, v, func(n string) bool { return strings.HasPrefix(n, "forearm") && strings.HasSuffix(n, ".left") }) > 0.5 {
			held = 1
		}
		if b.weight(coat.Truth, v, func(n string) bool { return n == "clavicle.right" }) > 0.2 {
			paint = [4]uint8{255, 0, 0, 255}
		}
		m.held, m.paint = append(m.held, held), append(m.paint, paint)
	}
	var err error
	out.Rows, err = stored(rows)
	return m, err
}

// smock is the jersey over a lighter skeleton whose names are made otherwise.
func (b *Body) smock(jersey *Garment) *Body {
	light := b.WithoutTwist()
	out := b.worn(jersey)
	out.Name, out.Skin, out.Rows = "smock", light.Skin, light.Rows(jersey.Truth)
	return out.WithSkeleton(out.Renamed(func(name string) string { return strings.ReplaceAll(name, ".", "_") }))
}
