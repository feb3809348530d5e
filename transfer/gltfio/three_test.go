package gltfio

// Checks against three.js (npm three, MIT), an independent reader and skinner of
// glTF, on rigged hands of npm @webxr-input-profiles/assets (MIT) and on written
// garments.

import (
	"encoding/json"
	"fmt"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"testing"

	"github.com/selvage/selvage/transfer/skinning"
	"gonum.org/v1/gonum/spatial/r3"
)

// threeTolerance, of the model's size: float32 attributes and matrices, and
// quaternions that three.js takes as they are while this package normalises them.
const threeTolerance = 1e-5

// nodeFile returns a path under testdata/node; without the installed packages the
// check cannot be made, which is a failure except in short mode.
func nodeFile(t *testing.T, elem ...string) string {
	t.Helper()
	if testing.Short() {
		t.Skip("short mode: no checks against npm packages")
	}
	file, err := filepath.Abs(filepath.Join(append([]string{"../../testdata/node"}, elem...)...))
	if err != nil {
		t.Fatal(err)
	}
	if _, err := os.Stat(file); err != nil {
		t.Fatalf("%s is not installed; run make node", filepath.Join(elem...))
	}
	return file
}

// turn of one joint by a quaternion on the left of its own rotation.
type turn struct {
	joint string // "" turns none
	axis  r3.Vec // in the frame of the joint's parent
	angle float64
}

// three returns the world positions that three.js gives each primitive of a file,
// by mesh and primitive index.
func three(t *testing.T, file string, by turn) map[[2]int][]r3.Vec {
	t.Helper()
	nodeFile(t, "node_modules", "three")
	args := []string{nodeFile(t, "skin.mjs"), file, "-"}
	if by.joint != "" {
		q := r3.Scale(math.Sin(by.angle/2), r3.Unit(by.axis))
		args[2] = by.joint
		for _, x := range []float64{q.X, q.Y, q.Z, math.Cos(by.angle / 2)} {
			args = append(args, strconv.FormatFloat(x, 'g', -1, 64))
		}
	}
	text, err := exec.Command("node", args...).Output()
	if err != nil {
		var detail []byte
		if e, ok := err.(*exec.ExitError); ok {
			detail = e.Stderr
		}
		t.Fatalf("three.js on %s: %v: %s", file, err, detail)
	}
	var list []struct {
		Mesh, Primitive int
		Positions       []float64
	}
	if err := json.Unmarshal(text, &list); err != nil {
		t.Fatalf("three.js on %s said %.200q: %v", file, text, err)
	}
	out := map[[2]int][]r3.Vec{}
	for _, m := range list {
		out[[2]int{m.Mesh, m.Primitive}] = vectors(m.Positions)
	}
	return out
}

// pose is by, in this project's terms.
func (by turn) pose(t *testing.T, a *Asset, s *Surface) skinning.Pose {
	t.Helper()
	for j := range s.Skin.Joints {
		if s.Skin.Joints[j].Name == by.joint {
			axis := by.axis
			if p := a.parent[s.JointNode[j]]; p >= 0 {
				axis = a.global[p].ApplyVector(axis)
			}
			return s.Skin.Turn(j, r3.Unit(axis), by.angle)
		}
	}
	t.Fatalf("no joint is called %s", by.joint)
	return nil
}

// farthest compares a surface's parts with three.js's primitives and returns the
// largest distance.
func farthest(t *testing.T, s *Surface, position []r3.Vec, theirs map[[2]int][]r3.Vec) float64 {
	t.Helper()
	worst := 0.0
	for _, p := range s.Parts {
		want := theirs[[2]int{p.MeshIndex, p.PrimitiveIndex}]
		if len(want) != p.End-p.Start {
			t.Fatalf("mesh %d primitive %d: three.js has %d vertices, this package %d", p.MeshIndex, p.PrimitiveIndex, len(want), p.End-p.Start)
		}
		for k, q := range want {
			worst = max(worst, r3.Norm(r3.Sub(position[p.Start+k], q)))
		}
	}
	return worst
}

func TestBody_RealHandsStandAsInThree(t *testing.T) {
	for _, side := range []string{"left", "right"} {
		for _, by := range []turn{
			{},
			{"index-finger-phalanx-proximal", r3.Vec{X: 1}, 0.8},
			{"wrist", r3.Vec{X: 0.3, Y: -0.5, Z: 0.7}, 1.1},
		} {
			t.Run(fmt.Sprintf("%s/%s", side, by.joint), func(t *testing.T) {
				file := nodeFile(t, "node_modules", "@webxr-input-profiles", "assets", "dist", "profiles", "generic-hand", side+".glb")
				a, err := Open(file, Options{})
				if err != nil {
					t.Fatal(err)
				}
				s, err := a.Body(Selection{})
				if err != nil {
					t.Fatal(err)
				}
				size := s.Mesh.Diagonal()
				position := s.Mesh.Positions
				if by.joint != "" {
					position = by.pose(t, a, s).Points(position, s.Rows, nil)
					moved := 0.0
					for v := range position {
						moved = max(moved, r3.Norm(r3.Sub(position[v], s.Mesh.Positions[v])))
					}
					if moved < 0.05*size {
						t.Fatalf("the pose moves vertices by no more than %g: it checks nothing", moved)
					}
				}
				if d := farthest(t, s, position, three(t, file, by)); d > threeTolerance*size {
					t.Errorf("a vertex stands %g m from where three.js puts it, size %g", d, size)
				}
			})
		}
	}
}

// TestWithRows_StandsAsInThree: three.js draws the written garment where it drew
// the one that came in, its morph target at work too, and moves it with a joint as
// this project's skinning does.
func TestWithRows_StandsAsInThree(t *testing.T) {
	nodeFile(t, "node_modules", "three")
	g := garment().parse(t)
	dir := t.TempDir()
	in, outFile := filepath.Join(dir, "in.glb"), filepath.Join(dir, "out.glb")
	if _, err := g.Save(in); err != nil {
		t.Fatal(err)
	}
	out, before, _, _ := written(t, g, Selection{Names: []string{"cloth"}}, nil)
	if _, err := out.Save(outFile); err != nil {
		t.Fatal(err)
	}
	back, err := Open(outFile, Options{})
	if err != nil {
		t.Fatal(err)
	}
	s, err := back.Garment(Selection{Names: []string{"cloth"}})
	if err != nil {
		t.Fatal(err)
	}
	size := s.Mesh.Diagonal()

	was, is := three(t, in, turn{}), three(t, outFile, turn{})
	from, to := before.Parts[0], s.Parts[0]
	rest := is[[2]int{to.MeshIndex, to.PrimitiveIndex}]
	for v, p := range was[[2]int{from.MeshIndex, from.PrimitiveIndex}] {
		if v >= len(rest) || !near(rest[v], p, threeTolerance*size) {
			t.Fatalf("vertex %d: three.js draws %v, drew %v", v, rest, p)
		}
	}
	if len(rest) != 4 {
		t.Fatalf("three.js draws %d vertices", len(rest))
	}
	// The morph target lifts vertex 0 off the surface that is handed out.
	if near(rest[0], s.Mesh.Positions[0], 1e-3*size) {
		t.Error("the morph target has no effect: it checks nothing")
	}

	for _, by := range []turn{
		{"knee", r3.Vec{X: 1}, 0.9},
		{"hip", r3.Vec{X: 0.2, Y: 0.9, Z: -0.4}, -0.7},
	} {
		// The body's default pose is not its bind pose, so the blend goes over whole
		// matrices, sum_j w_j P_j G_j IBM_j, section 3.7.3.3 of the specification:
		// blending the P_j alone would place vertices of several joints otherwise.
		pose := by.pose(t, back, s)
		atRest, turned := make([]matrix, len(pose)), make([]matrix, len(pose))
		for j := range pose {
			atRest[j] = s.Skin.Joints[j].Global.Mul(&s.Skin.Joints[j].InverseBind)
			turned[j] = pose[j].Mul(&atRest[j])
		}
		posed := make([]r3.Vec, len(rest))
		moved := 0.0
		for v := range posed {
			joint, weight := s.Rows.Row(v)
			here, there := blend(atRest, joint, weight), blend(turned, joint, weight)
			back, ok := here.Inverse()
			if !ok {
				t.Fatalf("vertex %d: singular", v)
			}
			posed[v] = there.Apply(back.Apply(rest[v]))
			moved = max(moved, r3.Norm(r3.Sub(posed[v], rest[v])))
		}
		if moved < 0.05*size {
			t.Errorf("%s: the pose moves vertices by no more than %g: it checks nothing", by.joint, moved)
		}
		if d := farthest(t, s, posed, three(t, outFile, by)); d > threeTolerance*size {
			t.Errorf("%s: a vertex stands %g m from where three.js puts it, size %g", by.joint, d, size)
		}
	}
}
