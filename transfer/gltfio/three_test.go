package gltfio

// Checks against three.js (npm three, MIT), an independent reader and skinner of
// glTF, on rigged hands of npm @webxr-input-profiles/assets (MIT) and on written
// garments.

import (
	"fmt"
	"path/filepath"
	"testing"

	"github.com/selvage/selvage/transfer/internal/threejs"
	"github.com/selvage/selvage/transfer/skinning"
	"gonum.org/v1/gonum/spatial/r3"
)

// turned is by, in this project's terms.
func turned(t *testing.T, by threejs.Turn, a *Asset, s *Surface) skinning.Pose {
	t.Helper()
	for j := range s.Skin.Joints {
		if s.Skin.Joints[j].Name == by.Joint {
			axis := by.Axis
			if p := a.parent[s.JointNode[j]]; p >= 0 {
				axis = a.global[p].ApplyVector(axis)
			}
			return s.Skin.Turn(j, r3.Unit(axis), by.Angle)
		}
	}
	t.Fatalf("no joint is called %s", by.Joint)
	return nil
}

// farthest compares a surface's parts with three.js's primitives and returns the
// largest distance.
func farthest(t *testing.T, s *Surface, position []r3.Vec, theirs map[threejs.Key][]r3.Vec) float64 {
	t.Helper()
	worst := 0.0
	for _, p := range s.Parts {
		want := theirs[threejs.Key{Mesh: p.MeshIndex, Primitive: p.PrimitiveIndex}]
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
		for _, by := range []threejs.Turn{
			{},
			{Joint: "index-finger-phalanx-proximal", Axis: r3.Vec{X: 1}, Angle: 0.8},
			{Joint: "wrist", Axis: r3.Vec{X: 0.3, Y: -0.5, Z: 0.7}, Angle: 1.1},
		} {
			t.Run(fmt.Sprintf("%s/%s", side, by.Joint), func(t *testing.T) {
				file := threejs.Hand(t, side)
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
				if by.Joint != "" {
					position = turned(t, by, a, s).Points(position, s.Rows, nil)
					moved := 0.0
					for v := range position {
						moved = max(moved, r3.Norm(r3.Sub(position[v], s.Mesh.Positions[v])))
					}
					if moved < 0.05*size {
						t.Fatalf("the pose moves vertices by no more than %g: it checks nothing", moved)
					}
				}
				if d := farthest(t, s, position, threejs.Positions(t, file, by)); d > threejs.Tolerance*size {
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

	was, is := threejs.Positions(t, in, threejs.Turn{}), threejs.Positions(t, outFile, threejs.Turn{})
	from, to := before.Parts[0], s.Parts[0]
	rest := is[threejs.Key{Mesh: to.MeshIndex, Primitive: to.PrimitiveIndex}]
	for v, p := range was[threejs.Key{Mesh: from.MeshIndex, Primitive: from.PrimitiveIndex}] {
		if v >= len(rest) || !near(rest[v], p, threejs.Tolerance*size) {
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

	for _, by := range []threejs.Turn{
		{Joint: "knee", Axis: r3.Vec{X: 1}, Angle: 0.9},
		{Joint: "hip", Axis: r3.Vec{X: 0.2, Y: 0.9, Z: -0.4}, Angle: -0.7},
	} {
		// The body's default pose is not its bind pose, so the blend goes over whole
		// matrices, sum_j w_j P_j G_j IBM_j, section 3.7.3.3 of the specification:
		// blending the P_j alone would place vertices of several joints otherwise.
		pose := turned(t, by, back, s)
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
			t.Errorf("%s: the pose moves vertices by no more than %g: it checks nothing", by.Joint, moved)
		}
		if d := farthest(t, s, posed, threejs.Positions(t, outFile, by)); d > threejs.Tolerance*size {
			t.Errorf("%s: a vertex stands %g m from where three.js puts it, size %g", by.Joint, d, size)
		}
	}
}
