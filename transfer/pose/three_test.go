package pose

// Posed positions against three.js (npm three, MIT), an independent skinner of glTF,
// on a rigged hand of npm @webxr-input-profiles/assets (MIT), as it comes and with a
// default pose that is not its bind pose.

import (
	"context"
	"encoding/binary"
	"encoding/json"
	"math"
	"os"
	"path/filepath"
	"testing"

	"github.com/selvage/selvage/transfer/gltfio"
	"github.com/selvage/selvage/transfer/internal/threejs"
	"gonum.org/v1/gonum/spatial/r3"
)

// bentHand writes the hand with some joints turned in the default pose: the file's
// JSON is changed, its bind matrices are not.
func bentHand(t *testing.T, in, out string) {
	t.Helper()
	data, err := os.ReadFile(in)
	if err != nil {
		t.Fatal(err)
	}
	n := binary.LittleEndian.Uint32(data[12:])
	var root map[string]any
	if err := json.Unmarshal(data[20:20+n], &root); err != nil {
		t.Fatal(err)
	}
	bent := 0
	for i, x := range root["nodes"].([]any) {
		node := x.(map[string]any)
		q, ok := node["rotation"].([]any)
		if !ok || len(q) != 4 {
			continue
		}
		// A turn of 0.3 radians about a direction that differs from node to node,
		// multiplied from the right.
		a := r3.Scale(math.Sin(0.15), r3.Unit(r3.Vec{X: math.Sin(float64(i)), Y: math.Cos(float64(3 * i)), Z: 0.5}))
		c := math.Cos(0.15)
		x0, y0, z0, w0 := q[0].(float64), q[1].(float64), q[2].(float64), q[3].(float64)
		node["rotation"] = []float64{
			w0*a.X + x0*c + y0*a.Z - z0*a.Y, w0*a.Y - x0*a.Z + y0*c + z0*a.X,
			w0*a.Z + x0*a.Y - y0*a.X + z0*c, w0*c - x0*a.X - y0*a.Y - z0*a.Z,
		}
		bent++
	}
	if bent < 5 {
		t.Fatalf("%d joints bent", bent)
	}
	text, err := json.Marshal(root)
	if err != nil {
		t.Fatal(err)
	}
	for len(text)%4 != 0 {
		text = append(text, ' ')
	}
	rest := data[20+n:]
	glb := append([]byte(nil), data[:20]...)
	binary.LittleEndian.PutUint32(glb[8:], uint32(20+len(text)+len(rest)))
	binary.LittleEndian.PutUint32(glb[12:], uint32(len(text)))
	if err := os.WriteFile(out, append(append(glb, text...), rest...), 0o644); err != nil {
		t.Fatal(err)
	}
}

func TestPosed_AsInThree(t *testing.T) {
	hand := threejs.Hand(t, "left")
	bent := filepath.Join(t.TempDir(), "bent.glb")
	bentHand(t, hand, bent)
	for _, c := range []struct {
		name, file string
		bind       bool // the default pose is the bind pose
	}{{"as it comes", hand, true}, {"bent", bent, false}} {
		t.Run(c.name, func(t *testing.T) {
			asset, err := gltfio.Open(c.file, gltfio.Options{})
			if err != nil {
				t.Fatal(err)
			}
			k, err := FromAssets(context.Background(), asset, asset, FileOptions{Options: Options{Plan: &Plan{Angles: []float64{70}, Move: new(float64), Scale: []float64{}}}})
			if err != nil {
				t.Fatal(err)
			}
			if (k.garment.k == nil) != c.bind {
				t.Fatalf("taken for a bind pose: %v", k.garment.k == nil)
			}
			s, err := asset.Body(gltfio.Selection{})
			if err != nil {
				t.Fatal(err)
			}
			size := s.Mesh.Diagonal()
			compared := 0
			for i, p := range k.Poses() {
				if p.Amount != 70 || p.Axis == "y" || p.Joint != "index-finger-phalanx-proximal" && p.Joint != "wrist" && p.Joint != "thumb-metacarpal" {
					continue
				}
				j := p.root
				// threejs turns in the frame of the joint's parent.
				axis := k.skeleton.skin.LocalAxis(j, p.axis)
				if up := k.skeleton.skin.Joints[j].Parent; up >= 0 {
					inv, ok := k.skeleton.skin.Joints[up].Global.Inverse()
					if !ok {
						t.Fatal("singular parent")
					}
					axis = inv.ApplyVector(axis)
				} // else its parent is the hand's root node, which has the world's frame
				theirs := threejs.Positions(t, c.file, threejs.Turn{Joint: p.Joint, Axis: axis, Angle: p.Amount * math.Pi / 180})
				got, _ := k.Posed(i)
				worst, moved := 0.0, 0.0
				for _, part := range s.Parts {
					want := theirs[threejs.Key{Mesh: part.MeshIndex, Primitive: part.PrimitiveIndex}]
					if len(want) != part.End-part.Start {
						t.Fatalf("three.js has %d vertices, this package %d", len(want), part.End-part.Start)
					}
					for k, q := range want {
						v := part.Start + k
						worst = max(worst, norm(r3.Sub(got[v], q)))
						moved = max(moved, norm(r3.Sub(got[v], s.Mesh.Positions[v])))
						compared++
					}
				}
				if worst > threejs.Tolerance*size {
					t.Errorf("%s: a vertex stands %g m from where three.js puts it, size %g", p.Name, worst, size)
				}
				if moved < 0.02*size {
					t.Errorf("%s: moves vertices by no more than %g: it checks nothing", p.Name, moved)
				}
			}
			if compared < 1000 {
				t.Errorf("%d vertices compared", compared)
			}
		})
	}
}
