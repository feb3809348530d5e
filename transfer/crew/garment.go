package crew

import (
	"math"

	"github.com/selvage/selvage/transfer/mesh"
	"github.com/selvage/selvage/transfer/skinning"
	"github.com/selvage/selvage/transfer/weights"
	"gonum.org/v1/gonum/spatial/r3"
)

// This file turns pieces of the surface into cloth: cut, moved, smoothed, kept off
// the body, and split into parts and seams. Rows are set when the cloth is cut and
// never change with its shape.

// Part is one primitive of a garment: a range of vertices with a material.
type Part struct {
	Material   string
	Start, End int // vertices [Start, End)
}

// Garment is one piece of clothing in the default-pose world frame.
type Garment struct {
	Name string
	Mesh *mesh.Mesh
	UV   [][2]float32
	// Parts cover the vertices in order; no triangle crosses parts.
	Parts []Part
	// Truth is the known row of every vertex, over the body's Skin.
	Truth *weights.Rows
	// Loose says whether any vertex is loose cloth, LooseVertex which: their truth
	// is the formula of sheet.go, not the field at an anchor.
	Loose       bool
	LooseVertex []bool
	// RigidIsland numbers the small rigid islands (buttons) from 0; -1 elsewhere.
	// All vertices of one rigid island have the same truth.
	RigidIsland []int32
	// Node is the transform of the node that the garment's file hangs it on:
	// file frame to world.
	Node skinning.Affine
}

// cloth is a garment in the making: welded vertices with their true rows.
type cloth struct {
	body *Body
	patch
	material []int // of every triangle
	uv       [][3][2]float32
	loose    []bool
	island   []int32
	next     [][]int32 // neighbours, kept from call to call
	nextOf   int       // the number of triangles that next was made for
	side     []int8    // of the cage face that the vertex is anchored to
}

// cut makes a cloth from the cage faces that take says.
func (b *Body) cut(take func(q cageFace) bool, l layout) *cloth {
	c := b.shape.cage
	var faces []int32
	for f, q := range c.faces {
		if take(q) {
			faces = append(faces, int32(f))
		}
	}
	l.cell /= math.Sqrt(b.scale)
	p := b.shape.tessellate(faces, l)
	g := &cloth{body: b, patch: *p}
	g.material = make([]int, len(p.tri))
	g.uv = make([][3][2]float32, len(p.tri))
	for t := range p.tri {
		for k := range 3 {
			g.uv[t][k] = c.chart(p.face[t], p.local[t][k][0], p.local[t][k][1])
		}
	}
	g.loose = make([]bool, len(p.pos))
	g.island = make([]int32, len(p.pos))
	g.side = make([]int8, len(p.pos))
	for i := range g.island {
		g.island[i] = -1
		g.side[i] = c.faces[p.anchor[i].Face].Side
	}
	return g
}

// faceOf is the cage face of vertex v's anchor.
func (g *cloth) faceOf(v int) cageFace { return g.body.shape.cage.faces[g.anchor[v].Face] }

// along is the place of vertex v along its chart: row and share of the row.
func (g *cloth) along(v int) float64 {
	q, a := g.faceOf(v), g.anchor[v]
	if q.Side < 0 {
		return float64(q.Row) + a.U
	}
	return float64(q.Row) + a.V
}

// waves is a smooth function of place in about [-1,1] with wavelengths near
// size metres; another phase gives another function.
func waves(p r3.Vec, size, phase float64) float64 {
	k := 2 * math.Pi / size
	return 0.45*math.Sin(k*(0.9*p.Y+0.3*p.X)+phase) + 0.35*math.Sin(k*(0.7*p.X-0.5*p.Z+0.4*p.Y)+2.1*phase) + 0.2*math.Sin(k*(1.1*p.Z+0.6*p.Y-0.3*p.X)+3.3*phase)
}

// move displaces every vertex: off metres along the body's normal, and slide
// metres (at most) along the surface by a smooth field. The rows stay: they say
// where the cloth is attached, not where it came to lie.
func (g *cloth) move(off func(v int, p, n r3.Vec) float64, slide, phase float64) {
	for v := range g.pos {
		p, n := g.pos[v], g.normal[v]
		d := r3.Vec{X: waves(p, 0.31, phase), Y: waves(p, 0.37, phase+1), Z: waves(p, 0.29, phase+2)}
		d = r3.Sub(d, r3.Scale(r3.Dot(d, n), n))
		g.pos[v] = r3.Add(p, r3.Add(r3.Scale(off(v, p, n), n), r3.Scale(slide, d)))
	}
}

// smooth moves every vertex rounds times to a share of the way to the mean of
// its neighbours, along borders only along the border. Cloth bridges the hollows
// of the body that way (between the breast muscles, under the arm).
func (g *cloth) smooth(rounds int, share float64) {
	g.smoothWhere(rounds, func(r3.Vec) float64 { return share })
}

// smoothWhere is smooth with a share by place.
func (g *cloth) smoothWhere(rounds int, shareAt func(p r3.Vec) float64) {
	share := make([]float64, len(g.pos))
	for v, p := range g.pos {
		share[v] = shareAt(p)
	}
	next := g.neighbours()
	q := make([]r3.Vec, len(g.pos))
	for range rounds {
		for v, ns := range next {
			if len(ns) == 0 {
				q[v] = g.pos[v]
				continue
			}
			var m r3.Vec
			for _, u := range ns {
				m = r3.Add(m, r3.Scale(1/float64(len(ns)), g.pos[u]))
			}
			q[v] = r3.Add(r3.Scale(1-share[v], g.pos[v]), r3.Scale(share[v], m))
		}
		g.pos, q = q, g.pos
	}
}

// neighbours lists each vertex's neighbours; a border vertex's are the two along
// the border.
func (g *cloth) neighbours() [][]int32 {
	if g.next != nil && g.nextOf == len(g.tri) {
		return g.next
	}
	type key [2]int32
	count := make(map[key]int, len(g.tri)*2)
	for _, t := range g.tri {
		for k := range t {
			a, b := t[k], t[(k+1)%3]
			count[key{min(a, b), max(a, b)}]++
		}
	}
	border := make([]bool, len(g.pos))
	for e, n := range count {
		if n == 1 {
			border[e[0]], border[e[1]] = true, true
		}
	}
	next := make([][]int32, len(g.pos))
	link := func(a, b int32, onBorder bool) {
		if border[a] && !onBorder {
			return
		}
		next[a] = append(next[a], b)
	}
	for _, t := range g.tri {
		for k := range t {
			a, b := t[k], t[(k+1)%3]
			n := count[key{min(a, b), max(a, b)}]
			if n == 1 {
				link(a, b, true)
				link(b, a, true)
			} else if n > 0 {
				link(a, b, false)
				link(b, a, false)
				count[key{min(a, b), max(a, b)}] = -1 // once per edge
			}
		}
	}
	g.next, g.nextOf = next, len(g.tri)
	return next
}

// clear lifts vertices that lie less than least metres over the body.
func (g *cloth) clear(near *nearby, least func(v int) float64) {
	todo := make([]int, len(g.pos))
	for v := range todo {
		todo[v] = v
	}
	// A lifted vertex may have come near to another part of the body: look again.
	for range 3 {
		lifted := todo[:0]
		for _, v := range todo {
			if h, n, ok := near.height(g.pos[v]); ok && h < least(v) {
				g.pos[v] = r3.Add(g.pos[v], r3.Scale(least(v)-h, n))
				lifted = append(lifted, v)
			}
		}
		todo = lifted
	}
}

// turnIn reverses the triangles: the cloth becomes a lining.
func (g *cloth) turnIn() {
	for t := range g.tri {
		g.tri[t][1], g.tri[t][2] = g.tri[t][2], g.tri[t][1]
		g.uv[t][1], g.uv[t][2] = g.uv[t][2], g.uv[t][1]
	}
}

// add appends another cloth's vertices and triangles.
func (g *cloth) add(o *cloth) {
	base := int32(len(g.pos))
	g.pos = append(g.pos, o.pos...)
	g.normal = append(g.normal, o.normal...)
	g.row = append(g.row, o.row...)
	g.anchor = append(g.anchor, o.anchor...)
	g.loose = append(g.loose, o.loose...)
	g.side = append(g.side, o.side...)
	islands := int32(0)
	for _, i := range g.island {
		islands = max(islands, i+1)
	}
	for _, i := range o.island {
		if i >= 0 {
			i += islands
		}
		g.island = append(g.island, i)
	}
	for t, v := range o.tri {
		g.tri = append(g.tri, [3]int32{v[0] + base, v[1] + base, v[2] + base})
		g.uv = append(g.uv, o.uv[t])
		g.material = append(g.material, o.material[t])
	}
}

// vertex appends a vertex without anchor.
func (g *cloth) vertex(p r3.Vec, row sparse, loose bool, island int32) int32 {
	g.pos = append(g.pos, p)
	g.normal = append(g.normal, r3.Vec{})
	g.row = append(g.row, row)
	g.anchor = append(g.anchor, Anchor{Face: -1})
	g.loose = append(g.loose, loose)
	g.island = append(g.island, island)
	side := int8(1)
	if p.X < 0 {
		side = -1
	}
	g.side = append(g.side, side)
	return int32(len(g.pos) - 1)
}

func (g *cloth) triangle(a, b, c int32, uv [3][2]float32, material int) {
	g.tri = append(g.tri, [3]int32{a, b, c})
	g.uv = append(g.uv, uv)
	g.material = append(g.material, material)
}

// paint sets the material of all triangles.
func (g *cloth) paint(material int) *cloth {
	for t := range g.material {
		g.material[t] = material
	}
	return g
}

// finish splits the vertices along seams and materials and sorts them by part.
// Normals are area-weighted means over the welded vertices.
func (g *cloth) finish(name string, materials ...string) *Garment {
	normal := make([]r3.Vec, len(g.pos))
	for _, t := range g.tri {
		n := r3.Cross(r3.Sub(g.pos[t[1]], g.pos[t[0]]), r3.Sub(g.pos[t[2]], g.pos[t[0]]))
		for _, v := range t {
			normal[v] = r3.Add(normal[v], n)
		}
	}
	for i, n := range normal {
		if n != (r3.Vec{}) {
			normal[i] = r3.Unit(n)
		}
	}
	out := &Garment{Name: name, Mesh: &mesh.Mesh{}, Truth: weights.NewRows(len(g.pos)), Node: skinning.Identity()}
	type key struct {
		v    int32
		a, b float32
	}
	for m, material := range materials {
		start := len(out.UV)
		index := map[key]int32{}
		for t, tri := range g.tri {
			if g.material[t] != m {
				continue
			}
			var ids [3]int32
			for k, v := range tri {
				uv := g.uv[t][k]
				id, ok := index[key{v, uv[0], uv[1]}]
				if !ok {
					id = int32(len(out.UV))
					index[key{v, uv[0], uv[1]}] = id
					out.UV = append(out.UV, uv)
					out.Mesh.Positions = append(out.Mesh.Positions, g.pos[v])
					out.Mesh.Normals = append(out.Mesh.Normals, normal[v])
					out.Truth.Append(g.row[v].joint, g.row[v].weight)
					out.LooseVertex = append(out.LooseVertex, g.loose[v])
					out.RigidIsland = append(out.RigidIsland, g.island[v])
					out.Loose = out.Loose || g.loose[v]
				}
				ids[k] = id
			}
			out.Mesh.Triangles = append(out.Mesh.Triangles, ids)
		}
		out.Parts = append(out.Parts, Part{Material: material, Start: start, End: len(out.UV)})
	}
	return out
}
