package crew

import (
	"fmt"

	"github.com/selvage/selvage/transfer/mesh"
	"github.com/selvage/selvage/transfer/skinning"
	"gonum.org/v1/gonum/spatial/r3"
)

// PosedCases returns the garment called name, one of GarmentNames, modelled on a
// body that stands or is built otherwise: the arms lower, the whole figure smaller or
// larger, one sleeve to the side. The cloth follows its own truth, so that all truths
// are over the same Skin.
func (b *Body) PosedCases(name string) []*Case {
	g := b.GarmentAt(name, b.scale)
	var cases []*Case
	add := func(what string, g *Garment) { cases = append(cases, &Case{Name: what, Body: b, Garment: g}) }
	add("as the body", g)
	for _, degrees := range []float64{5, 10, 20, 30, 45} {
		add(fmt.Sprintf("arms %g degrees lower", degrees), b.armsRaised(g, -degrees))
	}
	for _, f := range []float64{0.95, 1.05, 1.1} {
		add(fmt.Sprintf("made for a body %g times as large", f), g.scaled(f))
	}
	for _, cm := range []float64{1, 2, 4} {
		add(fmt.Sprintf("left sleeve %g cm to the side", cm), b.sleeveShifted(g, cm/100))
	}
	return cases
}

// scaled returns the garment scaled about the ground below the body.
func (g *Garment) scaled(f float64) *Garment {
	out := *g
	m := *g.Mesh
	m.Positions = make([]r3.Vec, len(g.Mesh.Positions))
	for v, p := range g.Mesh.Positions {
		m.Positions[v] = r3.Scale(f, p)
	}
	out.Mesh = &m
	return &out
}

// sleeveShifted returns the garment with what the left upper arm and the joints below
// it hold moved across the arm: up, out and forward.
func (b *Body) sleeveShifted(g *Garment, metres float64) *Garment {
	pose := make(skinning.Pose, len(b.Skin.Joints))
	for j, in := range b.Skin.Subtree(left(sUpperArm)) {
		if pose[j] = skinning.Identity(); in {
			pose[j].T = r3.Scale(metres, r3.Vec{X: 0.5, Y: 0.5, Z: rt2})
		}
	}
	out := *g
	out.Mesh = &mesh.Mesh{Positions: pose.Points(g.Mesh.Positions, g.Truth, nil), Normals: g.Mesh.Normals, Triangles: g.Mesh.Triangles}
	return &out
}
