package crew

import (
	"github.com/selvage/selvage/transfer/mesh"
	"github.com/selvage/selvage/transfer/skinning"
	"github.com/selvage/selvage/transfer/weights"
	"gonum.org/v1/gonum/spatial/r3"
)

// EvenCases are clothes as regular as clothes can be: the body's own surface,
// cut and tessellated anew, pushed out by one distance all over. Nothing slid,
// nothing folds, nothing was drawn askew, so the true row lies straight below.
// What is left is the choice of the right surface where two are near: a sleeve
// beside the trunk, thighs that almost touch, fingers side by side. They measure
// that choice alone; Cases measures what real clothes add to it.
func (b *Body) EvenCases() []*Case {
	near := newNearby(b.shape)
	jersey := b.even(near, "even jersey", 0.010, 0.0145, func(q cageFace) bool {
		return q.Region == regTrunk && q.Row >= rowHip && q.Row < rowNeck+1 || q.Region == regArm && q.Row < armCuff
	})
	coat := b.even(near, "even coat", 0.040, 0.0165, coatFace)
	lining := b.even(near, "even lining", 0.037, 0.021, coatFace).reversed()
	trousers := b.even(near, "even trousers", 0.015, 0.0155, func(q cageFace) bool {
		return q.Region == regTrunk && q.Row < rowWaist+1 || q.Region == regLeg && q.Row < legAnkle
	})
	gloves := b.even(near, "even gloves", 0.003, 0.0125, func(q cageFace) bool {
		return q.Region >= regPalm && q.Region <= regLittle || q.Region == regArm && q.Row >= armGlove
	})
	const lower = -15
	return []*Case{
		{Name: "jersey, 1 cm", Body: b, Garment: jersey},
		{Name: "coat, 4 cm", Body: b, Garment: coat},
		{Name: "coat, 4 cm, with a lining", Body: b, Garment: coat.with(lining)},
		{Name: "coat, 4 cm, winding reversed", Body: b, Garment: coat.reversed()},
		{Name: "coat, 4 cm, body and coat with the arms 15 degrees lower", Body: b.withArms(lower), Garment: b.armsRaised(coat, lower)},
		{Name: "trousers, 1.5 cm, thighs almost touching", Body: b, Garment: trousers},
		{Name: "gloves, 3 mm, fingers side by side", Body: b, Garment: gloves},
		{Name: "jersey, 1 cm, arms 5 degrees higher", Body: b, Garment: b.armsRaised(jersey, 5)},
		{Name: "jersey, 1 cm, arms 10 degrees higher", Body: b, Garment: b.armsRaised(jersey, 10)},
	}
}

// even cuts the faces out of the body and pushes them out by off metres; what
// comes nearer than a third of that to another part of the body is lifted off it.
func (b *Body) even(near *nearby, name string, off, cell float64, take func(cageFace) bool) *Garment {
	g := b.cut(take, layout{cell: cell, warp: 0.5, jitter: 0.4, seed: 977 + b.shape.cage.b.seed, cutAcross: true})
	g.move(func(int, r3.Vec, r3.Vec) float64 { return off }, 0, 0)
	g.clear(near, func(int) float64 { return off / 3 })
	g.keepSides(0.0008)
	return g.finish(name, "cloth")
}

// with returns both garments as one.
func (g *Garment) with(o *Garment) *Garment {
	out := *g
	n := int32(g.Mesh.NumVertices())
	out.Mesh = &mesh.Mesh{
		Positions: append(g.Mesh.Positions[:n:n], o.Mesh.Positions...),
		Normals:   append(g.Mesh.Normals[:n:n], o.Mesh.Normals...),
		Triangles: append([][3]int32{}, g.Mesh.Triangles...),
	}
	for _, t := range o.Mesh.Triangles {
		out.Mesh.Triangles = append(out.Mesh.Triangles, [3]int32{t[0] + n, t[1] + n, t[2] + n})
	}
	out.UV = append(g.UV[:n:n], o.UV...)
	out.LooseVertex = append(g.LooseVertex[:n:n], o.LooseVertex...)
	out.RigidIsland = append(g.RigidIsland[:n:n], o.RigidIsland...)
	out.Truth = weights.Concat(g.Truth, o.Truth)
	out.Parts = append([]Part{}, g.Parts...)
	for _, p := range o.Parts {
		p.Start, p.End = p.Start+int(n), p.End+int(n)
		out.Parts = append(out.Parts, p)
	}
	return &out
}

// withArms returns the body in a pose of turnedArms as its default pose.
func (b *Body) withArms(degrees float64) *Body {
	pose := b.turnedArms(degrees)
	out := *b
	m := *b.Mesh
	m.Positions = pose.Points(b.Mesh.Positions, b.Rows, nil)
	m.Normals = nil
	out.Mesh = &m
	skin := *b.Skin
	skin.Joints = append([]skinning.Joint{}, b.Skin.Joints...)
	for j := range skin.Joints {
		skin.Joints[j].Global = pose[j].Mul(&b.Skin.Joints[j].Global)
	}
	out.Skin = &skin
	return &out
}
