package crew

import (
	"bytes"
	"crypto/sha256"
	"encoding/binary"
	"encoding/json"
	"fmt"
	"math"
	"testing"

	"github.com/selvage/selvage/transfer/mesh"
	"github.com/selvage/selvage/transfer/skinning"
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
		for _, c := range append(b.Cases(), b.EvenCases()...) {
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

// Rows change slowly along edges: the truth is a field, not a patchwork. The
// bounds are a whole change of hands (L1 = 2) over 2 cm in general, where the
// steepest place is the hollow under the arm, and over 4 mm on hands and gloves,
// where it is the web between two fingers 3 mm apart. 2 mm are added to every
// edge, so that slivers between two rows do not decide.
func TestTruth_Continuous(t *testing.T) {
	const general, hands = 2 / 0.02, 2 / 0.004
	for _, name := range Names() {
		b := NewBody(name)
		onHand := func(j []uint16) bool {
			for _, k := range j {
				if s := (int(k) - numMiddle) % numSide; k >= numMiddle && s >= sHand && s < sThigh {
					return true
				}
			}
			return false
		}
		check := func(what string, m *mesh.Mesh, r *weights.Rows) {
			for _, tri := range m.Triangles {
				for k := range tri {
					u, v := int(tri[k]), int(tri[(k+1)%3])
					bound := general
					if ju, _ := r.Row(u); onHand(ju) {
						bound = hands
					}
					d := r3.Norm(r3.Sub(m.Positions[u], m.Positions[v])) + 0.002
					if s := r.DistanceL1(u, r, v) / d; s > bound {
						t.Errorf("%s, %s: %.0f per metre at %v, want %.0f at most", name, what, s, m.Positions[u], bound)
						return
					}
				}
			}
		}
		check("body", b.Mesh, b.Rows)
		for _, g := range b.Wardrobe() {
			check(g.Name, g.Mesh, g.Truth)
		}
	}
}

// Vertices at one place are copies along a seam: they have one row.
func TestSeams_EqualRows(t *testing.T) {
	b := NewBody("cox")
	check := func(name string, m *mesh.Mesh, r *weights.Rows) {
		id, n := weld(m)
		first := make([]int, n)
		copies := 0
		for v, w := range id {
			if first[w] == 0 {
				first[w] = v + 1
				continue
			}
			copies++
			if d := r.DistanceL1(v, r, first[w]-1); d != 0 {
				t.Fatalf("%s: vertices %d and %d coincide, their rows differ by %g", name, first[w]-1, v, d)
			}
		}
		if copies == 0 && name != "cape" {
			t.Errorf("%s has no seam", name)
		}
	}
	check("body", b.Mesh, b.Rows)
	for _, g := range b.Wardrobe() {
		check(g.Name, g.Mesh, g.Truth)
	}
}

// Garments stay outside the body, judged at their vertices against the nearest
// surface sample; linings face inwards, everything else outwards.
func TestWardrobe_OutsideBody(t *testing.T) {
	for _, name := range Names() {
		b := NewBody(name)
		near := newNearby(b.shape)
		for _, g := range b.Wardrobe() {
			for v, p := range g.Mesh.Positions {
				if h, _, ok := near.height(p); ok && h <= 0 {
					t.Fatalf("%s, %s: vertex %d lies %.1f mm inside the body", name, g.Name, v, -1000*h)
				}
			}
			for _, part := range g.Parts {
				agree, count := 0, 0
				for v := part.Start; v < part.End; v++ {
					if _, n, ok := near.height(g.Mesh.Positions[v]); ok {
						count++
						if r3.Dot(n, g.Mesh.Normals[v]) > 0 {
							agree++
						}
					}
				}
				share := float64(agree) / float64(count)
				if part.Material == "lining" {
					share = 1 - share
				}
				// Borders, brims and the backs of buttons may turn away.
				least := 0.97
				if part.Material == "brim" || part.Material == "brass" {
					least = 0.5
				}
				if share < least {
					t.Errorf("%s, %s, %s: only %.3f of %d normals face the right way", name, g.Name, part.Material, share, count)
				}
			}
		}
	}
}

// The coat has ten buttons, each a closed island of its own with one row.
func TestCoat_Buttons(t *testing.T) {
	b := NewBody("pilot")
	for _, g := range b.Wardrobe() {
		first := map[int32]int{}
		for v, i := range g.RigidIsland {
			if i < 0 {
				continue
			}
			f, ok := first[i]
			if !ok {
				first[i] = v
			} else if d := g.Truth.DistanceL1(f, g.Truth, v); d != 0 {
				t.Errorf("%s, button %d: rows of vertices %d and %d differ by %g", g.Name, i, f, v, d)
			}
		}
		want := 0
		if g.Name == "oilskin coat" {
			want = 10
		}
		if len(first) != want {
			t.Errorf("%s: %d rigid islands, want %d", g.Name, len(first), want)
		}
		for _, tri := range g.Mesh.Triangles {
			if a := g.RigidIsland[tri[0]]; a != g.RigidIsland[tri[1]] || a != g.RigidIsland[tri[2]] {
				t.Fatalf("%s: triangle %v joins a button to something else", g.Name, tri)
			}
		}
	}
}

// The cape mirrors onto itself, rows and all.
func TestCape_Symmetric(t *testing.T) {
	b := NewBody("mate")
	for _, g := range b.Wardrobe() {
		if g.Name != "cape" {
			continue
		}
		at := map[r3.Vec]int{}
		for v, p := range g.Mesh.Positions {
			at[p] = v
		}
		for v, p := range g.Mesh.Positions {
			p.X = -p.X
			m, ok := at[p]
			if !ok {
				t.Fatalf("no vertex mirrors %d at %v", v, p)
			}
			j, w := g.Truth.Row(v)
			mirrored := mirrorRow(sparse{j, w})
			k, x := g.Truth.Row(m)
			for i := range k {
				if k[i] != mirrored.joint[i] || math.Abs(x[i]-mirrored.weight[i]) > 1e-12 {
					t.Fatalf("vertices %d and %d: rows %v %v and %v %v", v, m, j, w, k, x)
				}
			}
		}
		return
	}
	t.Fatal("no cape")
}

// Equal calls give equal bytes.
func TestDeterminism(t *testing.T) {
	sum := func() [32]byte {
		b := NewBody("cox")
		h := sha256.New()
		if err := b.WriteGLB(h); err != nil {
			t.Fatal(err)
		}
		for _, g := range b.Wardrobe() {
			if err := g.WriteGLB(h); err != nil {
				t.Fatal(err)
			}
		}
		return [32]byte(h.Sum(nil))
	}
	if a, b := sum(), sum(); a != b {
		t.Errorf("two runs differ: %x, %x", a, b)
	}
}

// Scale multiplies the number of vertices, and leaves the surface where it is.
func TestNewBodyAt_Scale(t *testing.T) {
	base := NewBodyAt("mate", 1)
	for _, scale := range []float64{0.5, 5} {
		b := NewBodyAt("mate", scale)
		ratio := float64(b.Mesh.NumVertices()) / float64(base.Mesh.NumVertices())
		if ratio < 0.75*scale || ratio > 1.25*scale {
			t.Errorf("scale %g: %d vertices, %.2f times the body's %d", scale, b.Mesh.NumVertices(), ratio, base.Mesh.NumVertices())
		}
		p, q := base.Mesh.Bounds(), b.Mesh.Bounds()
		if d := r3.Norm(r3.Sub(p.Max, q.Max)); d > 0.003 {
			t.Errorf("scale %g: bounds differ by %g m", scale, d)
		}
	}
}

// The GLB container as glTF 2.0, section 4.4, lays it out: magic, version, length,
// JSON chunk, binary chunk, each a multiple of four bytes; and the coat's file
// positions come back to the world through its node's scale.
func TestWriteGLB_Container(t *testing.T) {
	b := NewBodyAt("mate", 0.3)
	for _, g := range b.Wardrobe() {
		var out bytes.Buffer
		if err := g.WriteGLB(&out); err != nil {
			t.Fatal(err)
		}
		data := out.Bytes()
		u := func(i int) int { return int(binary.LittleEndian.Uint32(data[i:])) }
		if string(data[:4]) != "glTF" || u(4) != 2 || u(8) != len(data) {
			t.Fatalf("%s: header %x", g.Name, data[:12])
		}
		n := u(12)
		if string(data[16:20]) != "JSON" || n%4 != 0 || string(data[24+n:28+n]) != "BIN\x00" || 28+n+u(20+n) != len(data) || u(20+n)%4 != 0 {
			t.Fatalf("%s: chunks", g.Name)
		}
		var doc document
		if err := json.Unmarshal(data[20:20+n], &doc); err != nil {
			t.Fatal(err)
		}
		// Every position, moved by the node, is the garment's.
		a := skinning.Identity()
		if s := doc.Nodes[0].Scale; s != nil {
			a.M[0], a.M[4], a.M[8] = float64(s[0]), float64(s[1]), float64(s[2])
		}
		if q := doc.Nodes[0].Rotation; q != nil {
			// Only a turn about X by -90 degrees occurs: x = -sin 45, w = cos 45.
			if math.Abs(float64(q[0])+math.Sqrt2/2) > 1e-6 || math.Abs(float64(q[3])-math.Sqrt2/2) > 1e-6 {
				t.Fatalf("%s: rotation %v", g.Name, q)
			}
			r := skinning.RotationAbout(r3.Vec{}, r3.Vec{X: 1}, -math.Pi/2)
			a = r.Mul(&a)
		}
		v := 0
		for _, p := range doc.Meshes[0].Primitives {
			acc := doc.Accessors[p.Attributes.Position]
			from := 28 + n + doc.BufferViews[acc.BufferView].ByteOffset
			for i := range acc.Count {
				f := func(k int) float64 { return float64(math.Float32frombits(uint32(u(from + 12*i + 4*k)))) }
				got, want := a.Apply(r3.Vec{X: f(0), Y: f(1), Z: f(2)}), g.Mesh.Positions[v]
				if r3.Norm(r3.Sub(got, want)) > 1e-6 { // float32 of 2 m
					t.Fatalf("%s, vertex %d: file says %v, want %v", g.Name, v, got, want)
				}
				v++
			}
		}
		if v != g.Mesh.NumVertices() {
			t.Errorf("%s: %d of %d vertices in the file", g.Name, v, g.Mesh.NumVertices())
		}
	}
}

func BenchmarkNewBody(b *testing.B) {
	for _, scale := range []float64{1, 10} {
		b.Run(fmt.Sprintf("scale=%g", scale), func(b *testing.B) {
			b.ReportAllocs()
			for b.Loop() {
				NewBodyAt("mate", scale)
			}
		})
	}
}

func BenchmarkWardrobe(b *testing.B) {
	body := NewBody("mate")
	b.ReportAllocs()
	for b.Loop() {
		body.Wardrobe()
	}
}
