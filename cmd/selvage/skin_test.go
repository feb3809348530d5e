package main

// What the command writes, skinned by an implementation that is not ours
// (three.js, through testdata/node/skin.mjs), and real hands as bodies.

import (
	"context"
	"encoding/json"
	"fmt"
	"math"
	"math/rand/v2"
	"path/filepath"
	"slices"
	"testing"

	"github.com/selvage/selvage/transfer"
	"github.com/selvage/selvage/transfer/gltfio"
	"github.com/selvage/selvage/transfer/mesh"
	"github.com/selvage/selvage/transfer/skinning"
	"github.com/selvage/selvage/transfer/weights"
	"gonum.org/v1/gonum/spatial/r3"
)

// threeSkin returns the world positions of a surface's vertices as three.js skins
// the file with the joint called joint ("-": none) turned by q (x, y, z, w).
func threeSkin(t *testing.T, file string, s *gltfio.Surface, joint string, q [4]float64) []r3.Vec {
	t.Helper()
	args := []string{file, joint}
	for _, x := range q {
		args = append(args, fmt.Sprint(x))
	}
	var meshes []struct {
		Mesh, Primitive int
		Positions       []float64
	}
	if err := json.Unmarshal(node(t, "skin.mjs", args...), &meshes); err != nil {
		t.Fatal(err)
	}
	out := make([]r3.Vec, s.Mesh.NumVertices())
	found := 0
	for _, m := range meshes {
		for _, p := range s.Parts {
			if p.MeshIndex != m.Mesh || p.PrimitiveIndex != m.Primitive {
				continue
			}
			if len(m.Positions) != 3*(p.End-p.Start) {
				t.Fatalf("mesh %d primitive %d: %d vertices, want %d", m.Mesh, m.Primitive, len(m.Positions)/3, p.End-p.Start)
			}
			for v := range p.End - p.Start {
				out[p.Start+v] = r3.Vec{X: m.Positions[3*v], Y: m.Positions[3*v+1], Z: m.Positions[3*v+2]}
			}
			found++
		}
	}
	if found != len(s.Parts) {
		t.Fatalf("three.js has %d of %d primitives", found, len(s.Parts))
	}
	return out
}

func farthest(a, b []r3.Vec) (worst float64, at int) {
	for v := range a {
		if d := r3.Norm(r3.Sub(a[v], b[v])); d > worst {
			worst, at = d, v
		}
	}
	return worst, at
}

// TestSkin_ThreeJS: in the default pose the garment stands where it stood, and
// posed it goes where the rows say, for the coat, which is authored in
// centimetres, and the gloves, whose node mirrors.
func TestSkin_ThreeJS(t *testing.T) {
	// Rest: floats hold positions to 6e-8 of their size (IEEE 754 single
	// precision); the blended matrices of the file add a few roundings.
	const restTolerance = 1e-5 // of the garment's diagonal
	// Posed: both sides read the same floats; a translation of 2 m rounds at 1e-7 m
	// in an inverse bind matrix, and a chain from root to finger adds about ten
	// roundings: 1e-6 m, and ten times that to be safe.
	const poseTolerance = 1e-5
	dir := t.TempDir()
	for _, c := range []struct {
		garment, joint string
		axis           r3.Vec // in the frame of the joint's parent
		angle          float64
	}{
		{"oilskin-coat", "upper_arm.left", r3.Vec{Z: 1}, math.Pi / 3},
		{"oilskin-coat", "spine_2", r3.Vec{X: 1, Y: 1}, -0.7},
		{"gloves", "index_1.left", r3.Vec{X: 0.2, Z: 1}, 1.2},
		{"gloves", "forearm.right", r3.Vec{Y: 1, Z: -0.4}, math.Pi / 2},
	} {
		t.Run(c.garment+", "+c.joint, func(t *testing.T) {
			file := filepath.Join(dir, c.garment+".glb")
			must(t, "transfer", cox("body"), cox(c.garment), "-o", file)
			input, err := gltfio.Open(cox(c.garment), gltfio.Options{})
			if err != nil {
				t.Fatal(err)
			}
			before, err := input.Garment(gltfio.Selection{})
			if err != nil {
				t.Fatal(err)
			}
			after := weighted(t, file)
			size := before.Mesh.Diagonal()

			rest := threeSkin(t, file, after, "-", [4]float64{0, 0, 0, 1})
			d, v := farthest(rest, before.Mesh.Positions)
			t.Logf("default pose: at most %.3g m of %.2f m from where it stood", d, size)
			if d > restTolerance*size {
				t.Errorf("default pose: vertex %d is %g m from where it stood", v, d)
			}

			// skin.mjs multiplies the joint's own rotation r by q from the left. With the
			// parent's global transform P and the joint's translation t its global transform
			// P T(t) r becomes P T(t) q r, so the map from the default pose to the new one is
			//	P T(t) q r (P T(t) r)^-1 = (P T(t)) q (P T(t))^-1,
			// the turn q about the joint's origin P t, its axis carried to the world by the
			// linear part of P.
			j := slices.IndexFunc(after.Skin.Joints, func(x skinning.Joint) bool { return x.Name == c.joint })
			parent := after.Skin.Joints[after.Skin.Joints[j].Parent].Global
			axis := r3.Unit(c.axis)
			s := math.Sin(c.angle / 2)
			got := threeSkin(t, file, after, c.joint, [4]float64{s * axis.X, s * axis.Y, s * axis.Z, math.Cos(c.angle / 2)})
			want := after.Skin.Turn(j, parent.ApplyVector(axis), c.angle).Points(before.Mesh.Positions, after.Rows, nil)
			moved, _ := farthest(want, before.Mesh.Positions)
			d, v = farthest(got, want)
			t.Logf("posed: moved by up to %.3f m, at most %.3g m from ours", moved, d)
			if d > poseTolerance {
				t.Errorf("posed: vertex %d is %g m from ours", v, d)
			}
			if moved < 0.02 {
				t.Errorf("the pose moves the garment by %g m only: it tests nothing", moved)
			}
		})
	}
}

// TestHands: real rigged hands (@webxr-input-profiles/assets, profile
// generic-hand, MIT licence) as their own garment: exact on the vertices, and on
// surfaces that are the same but for their triangles.
func TestHands(t *testing.T) {
	for _, side := range []string{"left", "right"} {
		t.Run(side, func(t *testing.T) {
			file := filepath.Join(nodeDir, "node_modules", "@webxr-input-profiles", "assets", "dist", "profiles", "generic-hand", side+".glb")
			asset, err := gltfio.Open(file, gltfio.Options{})
			if err != nil {
				t.Fatalf("the hands are missing: run make node (%v)", err)
			}
			hand, err := asset.Body(gltfio.Selection{})
			if err != nil {
				t.Fatal(err)
			}
			source, err := transfer.Prepare(context.Background(), &transfer.Body{Name: side, Mesh: hand.Mesh, Rows: hand.Rows, Skin: hand.Skin}, 0)
			if err != nil {
				t.Fatal(err)
			}
			middle, middleTruth := quartered(hand.Mesh, hand.Rows, false)
			flipped, _ := quartered(hand.Mesh, hand.Rows, true)
			inner, innerTruth := scattered(hand.Mesh, hand.Rows)
			for _, c := range []struct {
				name  string
				mesh  *mesh.Mesh
				truth *weights.Rows
			}{
				{"copy", &mesh.Mesh{Positions: hand.Mesh.Positions, Triangles: hand.Mesh.Triangles}, hand.Rows},
				{"midpoints", middle, middleTruth},
				{"midpoints, other diagonals", flipped, middleTruth},
				{"a point in every triangle", inner, innerTruth},
			} {
				r, err := source.Transfer(context.Background(), &transfer.Garment{Name: c.name, Mesh: c.mesh}, transfer.Options{MaxInfluences: 8})
				if err != nil {
					t.Fatal(err)
				}
				worst, at, mean := 0.0, 0, 0.0
				for v := 0; v < c.truth.Len(); v++ {
					d := r.Rows.DistanceL1(v, c.truth, v)
					mean += d / float64(c.truth.Len())
					if d > worst {
						worst, at = d, v
					}
				}
				t.Logf("%s: %d vertices, L1 distance at most %.3g, mean %.3g", c.name, c.truth.Len(), worst, mean)
				// Rows are stored as floats, whose rounding is at most 6e-8 for each of up to
				// eight weights; the surfaces are the same.
				if worst > 1e-6 {
					t.Errorf("%s: vertex %d at %v is off by %g", c.name, at, c.mesh.Positions[at], worst)
				}
				if r.Summary.LowConfidence > 0 {
					t.Errorf("%s: %d vertices of low confidence on the hand's own surface", c.name, r.Summary.LowConfidence)
				}
			}
		})
	}
}

// quartered splits every triangle in four at the middles of its edges. With
// flip, the edge between the middle triangle and the last corner's is replaced
// by the quadrilateral's other diagonal: both triangles lie in the old one's
// plane, so the surface stays the same.
func quartered(m *mesh.Mesh, rows *weights.Rows, flip bool) (*mesh.Mesh, *weights.Rows) {
	out := &mesh.Mesh{Positions: slices.Clone(m.Positions)}
	all := weights.Concat(rows)
	acc := weights.NewAccumulator(1 << 16)
	index := map[[2]int32]int32{}
	middle := func(a, b int32) int32 {
		k := [2]int32{min(a, b), max(a, b)}
		v, ok := index[k]
		if !ok {
			v = int32(len(out.Positions))
			index[k] = v
			out.Positions = append(out.Positions, r3.Scale(0.5, r3.Add(m.Positions[k[0]], m.Positions[k[1]])))
			acc.AddLerp(rows, int(k[0]), rows, int(k[1]), 0.5)
			acc.Flush(all)
		}
		return v
	}
	for _, t := range m.Triangles {
		a, b, c := middle(t[1], t[2]), middle(t[2], t[0]), middle(t[0], t[1])
		out.Triangles = append(out.Triangles, [3]int32{t[0], c, b}, [3]int32{c, t[1], a})
		if flip {
			out.Triangles = append(out.Triangles, [3]int32{c, a, t[2]}, [3]int32{c, t[2], b})
		} else {
			out.Triangles = append(out.Triangles, [3]int32{b, a, t[2]}, [3]int32{a, b, c})
		}
	}
	return out, all
}

// scattered splits every triangle in three at a point somewhere inside.
func scattered(m *mesh.Mesh, rows *weights.Rows) (*mesh.Mesh, *weights.Rows) {
	rng := rand.New(rand.NewPCG(3, 3))
	out := &mesh.Mesh{Positions: slices.Clone(m.Positions)}
	all := weights.Concat(rows)
	acc := weights.NewAccumulator(1 << 16)
	for _, t := range m.Triangles {
		b := [3]float64{0.1 + rng.Float64(), 0.1 + rng.Float64(), 0.1 + rng.Float64()}
		sum := b[0] + b[1] + b[2]
		var p r3.Vec
		for k, v := range t {
			p = r3.Add(p, r3.Scale(b[k]/sum, m.Positions[v]))
			acc.AddRow(rows, int(v), b[k]/sum)
		}
		n := int32(len(out.Positions))
		out.Positions = append(out.Positions, p)
		acc.Flush(all)
		out.Triangles = append(out.Triangles, [3]int32{t[0], t[1], n}, [3]int32{t[1], t[2], n}, [3]int32{t[2], t[0], n})
	}
	return out, all
}
