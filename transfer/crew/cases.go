package crew

import (
	"math"

	"github.com/selvage/selvage/transfer/mesh"
	"github.com/selvage/selvage/transfer/skinning"
	"github.com/selvage/selvage/transfer/weights"
	"gonum.org/v1/gonum/spatial/r3"
)

// Case is one transfer with a known answer: Garment.Truth over Body's rows.
type Case struct {
	Name    string
	Body    *Body
	Garment *Garment
}

// Cases returns the accuracy cases of the member: its wardrobe, then the hard
// variants. All truths are over the same Skin. Some cases bring a body of their
// own: the same body with a hole in it.
func (b *Body) Cases() []*Case {
	wardrobe := b.Wardrobe()
	byName := map[string]*Garment{}
	var cases []*Case
	add := func(name string, body *Body, g *Garment) {
		cases = append(cases, &Case{Name: name, Body: body, Garment: g})
	}
	for _, g := range wardrobe {
		byName[g.Name] = g
		add(g.Name, b, g)
	}
	near := newNearby(b.shape)
	jersey, coat := byName["jersey"], byName["oilskin coat"]
	add("jersey, winding reversed", b, jersey.reversed())
	add("oilskin coat, winding reversed", b, coat.reversed())
	add("jersey, without normals", b, jersey.withoutNormals())
	for _, deg := range []float64{5, 7, 10} {
		name := map[float64]string{5: "5", 7: "7", 10: "10"}[deg]
		add("jersey, arms "+name+" degrees higher", b, b.armsRaised(jersey, deg))
	}
	add("oilskin coat, arms 7 degrees lower", b, b.armsRaised(coat, -7))
	add("bib trousers, hole in the body under the bib", b.withHole(), byName["bib trousers"])
	add("bib trousers, legs almost touching", b, b.trousers(near, 0.0008))
	add("bib trousers, legs almost touching, worn 8 mm to the left", b, b.trousers(near, 0.0008).shifted(r3.Vec{X: 0.008}))
	add("gloves, fingers running into each other", b, b.gloves(near, 0))
	add("gloves, worn 2 mm towards the thumb", b, b.gloves(near, 0.75).shifted(r3.Vec{Z: 0.002}))
	add("jersey, worn askew", b, jersey.shifted(r3.Vec{X: 0.012, Y: -0.006, Z: 0.006}))
	add("jersey, coarse", b, b.garment("jersey", 0.12*b.scale, near))
	add("lining alone", b, coat.only("lining"))
	return cases
}

// reversed returns the garment with all triangles and normals turned round.
func (g *Garment) reversed() *Garment {
	out := *g
	m := &mesh.Mesh{Positions: g.Mesh.Positions}
	for _, t := range g.Mesh.Triangles {
		m.Triangles = append(m.Triangles, [3]int32{t[0], t[2], t[1]})
	}
	for _, n := range g.Mesh.Normals {
		m.Normals = append(m.Normals, r3.Scale(-1, n))
	}
	out.Mesh = m
	return &out
}

// shifted returns the garment moved by d.
func (g *Garment) shifted(d r3.Vec) *Garment {
	out := *g
	m := *g.Mesh
	m.Positions = make([]r3.Vec, len(g.Mesh.Positions))
	for v, p := range g.Mesh.Positions {
		m.Positions[v] = r3.Add(p, d)
	}
	out.Mesh = &m
	return &out
}

func (g *Garment) withoutNormals() *Garment {
	out := *g
	out.Mesh = &mesh.Mesh{Positions: g.Mesh.Positions, Triangles: g.Mesh.Triangles}
	return &out
}

// only keeps the parts of one material.
func (g *Garment) only(material string) *Garment {
	out := &Garment{Name: g.Name + ", " + material, Mesh: &mesh.Mesh{}, Truth: weights.NewRows(0), Node: g.Node}
	index := make([]int32, len(g.Mesh.Positions))
	for i := range index {
		index[i] = -1
	}
	for _, p := range g.Parts {
		if p.Material != material {
			continue
		}
		start := len(out.UV)
		for v := p.Start; v < p.End; v++ {
			index[v] = int32(len(out.UV))
			out.UV = append(out.UV, g.UV[v])
			out.Mesh.Positions = append(out.Mesh.Positions, g.Mesh.Positions[v])
			out.Mesh.Normals = append(out.Mesh.Normals, g.Mesh.Normals[v])
			out.Truth.Append(g.Truth.Row(v))
			out.LooseVertex = append(out.LooseVertex, g.LooseVertex[v])
			out.RigidIsland = append(out.RigidIsland, g.RigidIsland[v])
			out.Loose = out.Loose || g.LooseVertex[v]
		}
		out.Parts = append(out.Parts, Part{Material: material, Start: start, End: len(out.UV)})
	}
	for _, t := range g.Mesh.Triangles {
		if index[t[0]] >= 0 {
			out.Mesh.Triangles = append(out.Mesh.Triangles, [3]int32{index[t[0]], index[t[1]], index[t[2]]})
		}
	}
	return out
}

// turnedArms turns both upper arms by degrees in the frontal plane, up positive.
func (b *Body) turnedArms(degrees float64) skinning.Pose {
	angle := degrees * math.Pi / 180
	l := left(sUpperArm)
	pose := b.Skin.Turn(l, r3.Vec{Z: 1}, angle)
	other := b.Skin.Turn(l+numSide, r3.Vec{Z: -1}, angle)
	for j, in := range b.Skin.Subtree(l + numSide) {
		if in {
			pose[j] = other[j]
		}
	}
	return pose
}

// armsRaised returns the garment as if it had been modelled on the same body in
// the pose of turnedArms. The cloth follows its own truth (linear blend skinning).
func (b *Body) armsRaised(g *Garment, degrees float64) *Garment {
	out := *g
	pose := b.turnedArms(degrees)
	m := *g.Mesh
	m.Positions = pose.Points(g.Mesh.Positions, g.Truth, nil)
	m.Normals = make([]r3.Vec, len(g.Mesh.Normals))
	for v, n := range g.Mesh.Normals {
		var s r3.Vec
		joint, weight := g.Truth.Row(v)
		for i, j := range joint {
			s = r3.Add(s, r3.Scale(weight[i], pose[j].ApplyVector(n)))
		}
		m.Normals[v] = r3.Unit(s)
	}
	out.Mesh = &m
	return &out
}

// withHole returns the body without the surface under the bib, the way many
// bodies are cut away under clothes to save triangles (common practice). Its
// vertices are the same; those of the hole are unused.
func (b *Body) withHole() *Body {
	out := *b
	m := *b.Mesh
	m.Triangles = nil
	for t, tri := range b.Mesh.Triangles {
		q := b.shape.cage.faces[b.tri[t]]
		if q.Region == regTrunk && q.Row >= rowWaist && q.Row < bibTop-1 && q.Col < 2 {
			continue
		}
		m.Triangles = append(m.Triangles, tri)
	}
	out.Mesh = &m
	out.Name += ", open under the bib"
	return &out
}
