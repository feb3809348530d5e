package crew

import (
	"math"
	"testing"

	"github.com/selvage/selvage/transfer/mesh"
	"github.com/selvage/selvage/transfer/weights"
	"gonum.org/v1/gonum/spatial/r3"
)

// checkRows checks that rows sum to one with 1 to 4 positive influences.
func checkRows(t *testing.T, name string, r *weights.Rows, n int) {
	t.Helper()
	if r.Len() != n {
		t.Fatalf("%s: %d rows for %d vertices", name, r.Len(), n)
	}
	for v := range n {
		j, w := r.Row(v)
		if len(j) == 0 || len(j) > maxInfluences {
			t.Fatalf("%s, vertex %d: %d influences", name, v, len(j))
		}
		for i := range j {
			if !(w[i] > 0) || i > 0 && j[i] <= j[i-1] || int(j[i]) >= numJoints {
				t.Fatalf("%s, vertex %d: row %v %v", name, v, j, w)
			}
		}
		if math.Abs(r.Sum(v)-1) > 1e-12 {
			t.Fatalf("%s, vertex %d: sum %g", name, v, r.Sum(v))
		}
	}
}

func TestRows(t *testing.T) {
	for _, name := range Names() {
		b := NewBody(name)
		if err := b.Mesh.Validate(); err != nil {
			t.Fatal(err)
		}
		checkRows(t, name, b.Rows, b.Mesh.NumVertices())
		for _, c := range b.Cases() {
			if err := c.Garment.Mesh.Validate(); err != nil {
				t.Fatalf("%s: %v", c.Name, err)
			}
			checkRows(t, name+", "+c.Name, c.Garment.Truth, c.Garment.Mesh.NumVertices())
		}
	}
}

// weld numbers vertices by exact position.
func weld(m *mesh.Mesh) (id []int32, n int) {
	index := map[r3.Vec]int32{}
	id = make([]int32, len(m.Positions))
	for v, p := range m.Positions {
		k, ok := index[p]
		if !ok {
			k = int32(len(index))
			index[p] = k
		}
		id[v] = k
	}
	return id, len(index)
}

// The body is one closed, consistently oriented surface of genus 0: every edge
// is used once in each sense, V - E + F = 2, and the volume it encloses is
// positive and a man's (60 to 110 litres; from memory).
func TestBody_ClosedSurface(t *testing.T) {
	for _, name := range Names() {
		for _, scale := range []float64{0.25, 1} {
			b := NewBodyAt(name, scale)
			id, n := weld(b.Mesh)
			edges := map[[2]int32]int{}
			volume := 0.0
			up := make([]int32, n)
			for i := range up {
				up[i] = int32(i)
			}
			find := func(v int32) int32 {
				for up[v] != v {
					up[v] = up[up[v]]
					v = up[v]
				}
				return v
			}
			parts := n
			for _, tri := range b.Mesh.Triangles {
				for k := range tri {
					x, y := id[tri[k]], id[tri[(k+1)%3]]
					edges[[2]int32{x, y}]++
					if i, j := find(x), find(y); i != j {
						up[i] = j
						parts--
					}
				}
				p := b.Mesh.Positions
				volume += r3.Dot(p[tri[0]], r3.Cross(p[tri[1]], p[tri[2]])) / 6
			}
			for e, k := range edges {
				if k != 1 || edges[[2]int32{e[1], e[0]}] != 1 {
					t.Fatalf("%s at %g: edge %v is used %d times one way, %d the other", name, scale, e, k, edges[[2]int32{e[1], e[0]}])
				}
			}
			if euler := n - len(edges)/2 + len(b.Mesh.Triangles); euler != 2 {
				t.Errorf("%s at %g: V - E + F = %d, want 2", name, scale, euler)
			}
			if parts != 1 {
				t.Errorf("%s at %g: %d components", name, scale, parts)
			}
			if volume < 0.055 || volume > 0.110 {
				t.Errorf("%s at %g: volume %g m³", name, scale, volume)
			}
			t.Logf("%s at %g: %d vertices, %d welded, %d triangles, %.1f litres", name, scale, b.Mesh.NumVertices(), n, len(b.Mesh.Triangles), 1000*volume)
		}
	}
}

func TestBody_Symmetric(t *testing.T) {
	for _, name := range Names() {
		b := NewBodyAt(name, 0.5)
		for v, m := range b.MirrorVertex {
			if int(b.MirrorVertex[m]) != v {
				t.Fatalf("%s: vertex %d mirrors to %d, that to %d", name, v, m, b.MirrorVertex[m])
			}
			p, q := b.Mesh.Positions[v], b.Mesh.Positions[m]
			if p.X != -q.X || p.Y != q.Y || p.Z != q.Z {
				t.Fatalf("%s: vertices %d, %d at %v, %v", name, v, m, p, q)
			}
			j, w := b.Rows.Row(v)
			got := map[uint16]float64{}
			jm, wm := b.Rows.Row(int(m))
			for i := range jm {
				got[b.MirrorJoint[jm[i]]] = wm[i]
			}
			for i := range j {
				// Midline rows are averaged: equal up to rounding.
				if math.Abs(got[j[i]]-w[i]) > 1e-12 {
					t.Fatalf("%s: vertex %d, joint %d: %g, mirrored %g", name, v, j[i], w[i], got[j[i]])
				}
			}
		}
		for j, m := range b.MirrorJoint {
			if int(b.MirrorJoint[m]) != j {
				t.Fatalf("joint %d mirrors to %d", j, m)
			}
			p, q := b.Skin.Joints[j].Global.T, b.Skin.Joints[m].Global.T
			if p.X != -q.X || p.Y != q.Y || p.Z != q.Z {
				t.Errorf("%s: joints %d, %d at %v, %v", name, j, m, p, q)
			}
		}
	}
}

// Each joint lies inside the surface: the solid angle of the closed mesh seen
// from it is 4 pi (Van Oosterom and Strackee, "The solid angle of a plane
// triangle", IEEE Transactions on Biomedical Engineering, 1983). The root stands
// on the ground between the feet, outside.
func TestBody_JointsInside(t *testing.T) {
	for _, name := range Names() {
		b := NewBodyAt(name, 0.5)
		for j, joint := range b.Skin.Joints {
			angle := 0.0
			for _, tri := range b.Mesh.Triangles {
				x := r3.Sub(b.Mesh.Positions[tri[0]], joint.Global.T)
				y := r3.Sub(b.Mesh.Positions[tri[1]], joint.Global.T)
				z := r3.Sub(b.Mesh.Positions[tri[2]], joint.Global.T)
				a, c, d := r3.Norm(x), r3.Norm(y), r3.Norm(z)
				angle += 2 * math.Atan2(r3.Dot(x, r3.Cross(y, z)), a*c*d+r3.Dot(x, y)*d+r3.Dot(x, z)*c+r3.Dot(y, z)*a)
			}
			want := 4 * math.Pi
			if j == jRoot {
				want = 0
			}
			if math.Abs(angle-want) > 1e-6 {
				t.Errorf("%s: joint %s sees a solid angle of %.3f pi", name, joint.Name, angle/math.Pi)
			}
		}
	}
}

// Catmull and Clark's rules on the cube [-1,1]^3, by hand: face points at
// distance 1 on the axes; edge points ((1,1,0)+(1,1,0)+...)/4 = (3/4,3/4,0);
// a corner with F = (1/3,1/3,1/3), R = (2/3,2/3,2/3), n = 3 goes to
// (F + 2R)/3 = 5/9 in each coordinate.
func TestSubdivide_Cube(t *testing.T) {
	q := &quads{}
	for i := range 8 {
		q.pos = append(q.pos, r3.Vec{X: float64(i&1)*2 - 1, Y: float64(i>>1&1)*2 - 1, Z: float64(i>>2&1)*2 - 1})
		q.row = append(q.row, sparse{[]uint16{uint16(i)}, []float64{1}})
	}
	q.face = [][4]int32{{0, 2, 3, 1}, {4, 5, 7, 6}, {0, 1, 5, 4}, {2, 6, 7, 3}, {0, 4, 6, 2}, {1, 3, 7, 5}}
	s := q.subdivide()
	if len(s.pos) != 26 || len(s.face) != 24 {
		t.Fatalf("%d vertices, %d faces", len(s.pos), len(s.face))
	}
	for i, p := range s.pos {
		want := []float64{5.0 / 9 * math.Sqrt(3), 1, 0.75 * math.Sqrt(2)}[map[bool]int{i < 8: 0, i >= 8 && i < 14: 1, i >= 14: 2}[true]]
		if math.Abs(r3.Norm(p)-want) > 1e-15 {
			t.Errorf("vertex %d at distance %g, want %g", i, r3.Norm(p), want)
		}
		// Rows are subdivided like positions: the row's mean of the corners is the
		// position.
		var m r3.Vec
		for k, j := range s.row[i].joint {
			m = r3.Add(m, r3.Scale(s.row[i].weight[k], q.pos[j]))
		}
		if r3.Norm(r3.Sub(m, p)) > 1e-15 {
			t.Errorf("vertex %d: row gives %v, position is %v", i, m, p)
		}
	}
}

// Few thin triangles: at most 1% under 8 degrees, none under half a degree. Longer
// and thinner triangles are found at the tips of fingers and between the legs.
func TestTriangles_Shape(t *testing.T) {
	b := NewBody("mate")
	check := func(name string, m *mesh.Mesh) {
		thin, least := 0, math.Pi
		for _, tri := range m.Triangles {
			for k := range tri {
				p := m.Positions[tri[k]]
				u, v := r3.Sub(m.Positions[tri[(k+1)%3]], p), r3.Sub(m.Positions[tri[(k+2)%3]], p)
				a := math.Atan2(r3.Norm(r3.Cross(u, v)), r3.Dot(u, v))
				if a < 8*math.Pi/180 {
					thin++
				}
				least = min(least, a)
			}
		}
		t.Logf("%s: %d of %d triangles under 8 degrees, least %.2f", name, thin, len(m.Triangles), least*180/math.Pi)
		if float64(thin) > 0.01*float64(len(m.Triangles)) || least < 0.5*math.Pi/180 {
			t.Errorf("%s: %d of %d triangles under 8 degrees, least %.2f", name, thin, len(m.Triangles), least*180/math.Pi)
		}
	}
	check("mate", b.Mesh)
	for _, g := range b.Wardrobe() {
		check(g.Name, g.Mesh)
	}
}

// Rows change slowly along edges: the L1 change per metre is bounded, for the
// body and for the truth of every garment. The bound is a whole change of hand
// (L1 = 2) over 2.5 cm on the trunk and limbs, over 6 mm on the hands.
func TestTruth_Continuous(t *testing.T) {
	b := NewBody("mate")
	check := func(name string, m *mesh.Mesh, r *weights.Rows) {
		worst, at := 0.0, 0
		for _, tri := range m.Triangles {
			for k := range tri {
				u, v := int(tri[k]), int(tri[(k+1)%3])
				d := r3.Norm(r3.Sub(m.Positions[u], m.Positions[v]))
				if s := r.DistanceL1(u, r, v) / (d + 0.002); s > worst {
					worst, at = s, u
				}
			}
		}
		j, w := r.Row(at)
		t.Logf("%s: %.0f per metre at %v, row %v %.2f", name, worst, m.Positions[at], j, w)
	}
	check("mate", b.Mesh, b.Rows)
	for _, g := range b.Wardrobe() {
		check(g.Name, g.Mesh, g.Truth)
	}
}

// Tight garments stay outside the body, judged at their vertices against the
// nearest surface sample.
func TestWardrobe_OutsideBody(t *testing.T) {
	for _, name := range Names() {
		b := NewBody(name)
		near := newNearby(b.shape)
		for _, g := range b.Wardrobe() {
			inside, deepest, sum, count := 0, 0.0, 0.0, 0
			for _, p := range g.Mesh.Positions {
				if h, _, ok := near.height(p); ok {
					sum, count = sum+h, count+1
					if h < 0 {
						inside++
						deepest = min(deepest, h)
					}
				}
			}
			t.Logf("%s, %s: %d of %d inside, deepest %.1f mm, mean %.1f mm over %d", name, g.Name, inside, len(g.Mesh.Positions), -1000*deepest, 1000*sum/float64(count), count)
		}
	}
}
