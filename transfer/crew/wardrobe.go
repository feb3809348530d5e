package crew

import (
	"fmt"
	"math"

	"github.com/selvage/selvage/transfer/skinning"
	"gonum.org/v1/gonum/spatial/r3"
)

// Rows of the arm's and the leg's chart where cloth ends.
const (
	armCuff   = 12 // faces below are sleeve
	armGlove  = 10 // gloves reach up to here
	legAnkle  = 10 // trousers are tucked into the boots
	legBoot   = 8
	bibTop    = 7
	coatWaist = 2 // the tails hang from this ring
)

// GarmentNames returns the names of the wardrobe's garments, from the skin
// outwards.
func GarmentNames() []string {
	return []string{"jersey", "bib trousers", "sea boots", "gloves", "oilskin coat", "sou'wester", "cape"}
}

// Wardrobe returns the garments of the member, from the skin outwards.
func (b *Body) Wardrobe() []*Garment { return b.WardrobeAt(b.scale) }

// WardrobeAt is Wardrobe with about density times as many vertices on every
// garment, whatever the body's own scale.
func (b *Body) WardrobeAt(density float64) []*Garment {
	near := newNearby(b.shape)
	var out []*Garment
	for _, name := range GarmentNames() {
		out = append(out, b.garment(name, density, near))
	}
	return out
}

// GarmentAt returns the garment called name, one of GarmentNames, with about
// density times as many vertices; it panics for other names.
func (b *Body) GarmentAt(name string, density float64) *Garment {
	return b.garment(name, density, newNearby(b.shape))
}

func (b *Body) garment(name string, density float64, near *nearby) *Garment {
	c := *b
	c.scale = density
	switch name {
	case "jersey":
		return c.jersey(near)
	case "bib trousers":
		g := c.trousers(near, 0.004)
		g.Node = skinning.RotationAbout(r3.Vec{}, r3.Vec{X: 1}, -math.Pi/2) // authored with Z up
		return g
	case "sea boots":
		return c.boots(near)
	case "gloves":
		g := c.gloves(near, 0.75)
		g.Node = scaled(1)
		g.Node.M[0] = -1 // authored mirrored
		return g
	case "oilskin coat":
		g := c.coat(near)
		g.Node = scaled(0.01) // authored in centimetres
		return g
	case "sou'wester":
		return c.souwester(near)
	case "cape":
		return c.cape(near)
	}
	panic(fmt.Sprintf("crew has no garment %q", name))
}

// armFolds are the creases of a sleeve around the elbow, metres off the surface.
func (b *Body) armFolds(p r3.Vec, deep float64) float64 {
	c := b.shape.cage
	p.X = math.Abs(p.X)
	s := r3.Dot(r3.Sub(p, c.armOrigin), c.armDir) / c.armScale
	return deep * math.Sin(2*math.Pi*(s+0.15*p.Z)/0.05) * math.Exp(-math.Pow((s-elbowAt)/0.10, 2))
}

// underArm is 1 in the hollow under an arm and falls to 0 within about 10 cm:
// there is little room for cloth.
func (b *Body) underArm(p r3.Vec) float64 {
	c := b.shape.cage.b
	d := math.Hypot(math.Abs(p.X)-0.18*c.breadth, p.Y-c.height(1.33))
	return math.Exp(-d * d / (0.07 * 0.07))
}

func scaled(f float64) skinning.Affine {
	a := skinning.Identity()
	a.M[0], a.M[4], a.M[8] = f, f, f
	return a
}

// jersey: tight wool, about 1 cm, tighter on the right, with gathered cuffs and
// a denser mesh at cuffs and hem.
func (b *Body) jersey(near *nearby) *Garment {
	g := b.cut(func(q cageFace) bool {
		return q.Region == regTrunk && q.Row >= rowHip && q.Row < rowNeck+1 || q.Region == regArm && q.Row < armCuff
	}, layout{cell: 0.0145, warp: 0.5, jitter: 0.4, seed: 101 + b.shape.cage.b.seed, cutAcross: true, dense: func(q cageFace) float64 {
		if q.Region == regArm && q.Row >= armCuff-2 || q.Region == regTrunk && (q.Row == rowHip || q.Row == rowNeck) {
			return 1.9
		}
		return 1
	}})
	g.move(func(v int, p, n r3.Vec) float64 {
		q := g.faceOf(v)
		d := 0.0085 + 0.0025*waves(p, 0.09, 0.4) + 0.0025*math.Tanh(p.X/0.15)
		if q.Region == regArm {
			d += b.armFolds(p, 0.002)
		}
		if q.Region == regArm && q.Row >= armCuff-2 {
			// The cuff is gathered: short pleats around the wrist.
			s := g.along(v) - (armCuff - 2)
			d += 0.0015 * min(s, 1) * math.Sin(9*math.Atan2(p.Z, r3.Dot(r3.Sub(p, b.shape.cage.armOrigin), b.shape.cage.armUp)))
		}
		return d
	}, 0.008, 0.3)
	g.smooth(3, 0.5)
	g.clear(near, func(int) float64 { return 0.003 })
	for t, f := range g.face {
		if q := b.shape.cage.faces[f]; q.Region == regArm && q.Row >= armCuff-1 || q.Region == regTrunk && (q.Row >= rowNeck || q.Row < rowHip+1) {
			g.material[t] = 1
		}
	}
	return g.finish("jersey", "wool", "ribbing")
}

func coatFace(q cageFace) bool {
	return q.Region == regTrunk && q.Row >= coatWaist && q.Row < rowNeck || q.Region == regArm && q.Row < armCuff
}

// coat: oilskin, 3 to 5 cm off the body, shifted off-centre, open in front, with
// a lining, two rows of brass buttons and tails down to the thighs.
func (b *Body) coat(near *nearby) *Garment {
	layer := func(far, cell float64, seed uint64, phase float64) *cloth {
		g := b.cut(coatFace, layout{cell: cell, warp: 0.6, jitter: 0.4, seed: seed + b.shape.cage.b.seed, cutAcross: true, openFront: true})
		g.move(func(v int, p, n r3.Vec) float64 {
			d := far * (1 + 0.22*waves(p, 0.16, phase) + 0.20*math.Tanh(p.X/0.2))
			d *= 1 - 0.4*b.underArm(p)
			if q := g.faceOf(v); q.Region == regArm {
				d = 0.65*d + b.armFolds(p, 0.15*far)
			}
			return d
		}, 0.012, phase)
		for v := range g.pos {
			// The fronts are drawn apart; the whole coat sits 8 mm to the left.
			p := &g.pos[v]
			front := math.Exp(-math.Pow(p.X/0.05, 2)) * smoothstep(0, 0.05, p.Z)
			if q := g.faceOf(v); q.Region == regTrunk {
				p.X += 0.022 * float64(g.side[v]) * front
			}
			p.X += 0.008
		}
		for range 3 {
			g.smooth(4, 0.5)
			g.smoothWhere(12, func(p r3.Vec) float64 { return 0.6 * b.underArm(p) })
			g.clear(near, func(v int) float64 { return 0.3 * far * (1 - 0.45*b.underArm(g.pos[v])) })
		}
		return g
	}
	outer := layer(0.048, 0.0165, 211, 1.1)
	outerCount := len(outer.pos)
	b.tails(outer, 0.40, 0)
	b.buttons(outer, outerCount, 2)
	lining := layer(0.029, 0.021, 223, 1.3)
	b.tails(lining, 0.36, 0)
	lining.turnIn()
	outer.add(lining.paint(1))
	return outer.finish("oilskin coat", "oilskin", "lining", "brass")
}

// trousers: bib trousers, about 1.2 cm, wider below the knee. between is half
// the gap that is left between the legs at least, metres.
func (b *Body) trousers(near *nearby, between float64) *Garment {
	g := b.cut(func(q cageFace) bool {
		return q.Region == regTrunk && (q.Row < rowWaist+1 || q.Row < bibTop && q.Col < 2) || q.Region == regLeg && q.Row < legAnkle
	}, layout{cell: 0.0155, warp: 0.5, jitter: 0.4, seed: 307 + b.shape.cage.b.seed, cutAcross: true})
	g.move(func(v int, p, n r3.Vec) float64 {
		d := 0.012 + 0.003*waves(p, 0.13, 2.2) - 0.002*math.Tanh(p.X/0.1)
		if q := g.faceOf(v); q.Region == regLeg {
			d += 0.008 * smoothstep(3, 6, g.along(v)) * smoothstep(10, 8, g.along(v))
		}
		return d
	}, 0.008, 2.5)
	g.smooth(3, 0.5)
	g.clear(near, func(int) float64 { return 0.003 })
	g.keepSides(between)
	b.straps(g, near, 1)
	return g.finish("bib trousers", "duck", "webbing")
}

// keepSides keeps each leg on its side of the midplane, at least between away.
func (g *cloth) keepSides(between float64) {
	for v := range g.pos {
		q := g.faceOf(v)
		if q.Region != regLeg {
			continue
		}
		// On the crotch itself the two sides meet.
		least := between * smoothstep(0, 0.8, g.along(v))
		if s := float64(q.Side); s*g.pos[v].X < least {
			g.pos[v].X = s * least
		}
	}
}

// gloves: thick leather, 3 mm, flattened where fingers lie side by side: flat is
// the share of the thickness that is taken away there.
func (b *Body) gloves(near *nearby, flat float64) *Garment {
	g := b.cut(func(q cageFace) bool {
		return q.Region >= regPalm && q.Region <= regLittle || q.Region == regArm && q.Row >= armGlove
	}, layout{cell: 0.0125, warp: 0.3, jitter: 0.3, seed: 401 + b.shape.cage.b.seed, cutAcross: true})
	g.move(func(v int, p, n r3.Vec) float64 {
		q := g.faceOf(v)
		d := 0.0032 + 0.0006*waves(p, 0.03, 0.9)
		switch {
		case q.Region >= regIndex && q.Region <= regLittle:
			d *= 1 - flat*n.Z*n.Z
		case q.Region == regArm:
			d += 0.008 * smoothstep(armGlove+3, armGlove, g.along(v))
		}
		return d
	}, 0.0015, 0.9)
	g.smooth(2, 0.25)
	g.clear(near, func(int) float64 { return 0.0006 })
	for t, f := range g.face {
		if b.shape.cage.faces[f].Region == regArm {
			g.material[t] = 1
		}
	}
	return g.finish("gloves", "leather", "gauntlet")
}

// boots: sea boots, 1 cm, with a flared shaft.
func (b *Body) boots(near *nearby) *Garment {
	g := b.cut(func(q cageFace) bool {
		return q.Region == regFoot || q.Region == regLeg && q.Row >= legBoot
	}, layout{cell: 0.0135, warp: 0.5, jitter: 0.4, seed: 503 + b.shape.cage.b.seed, cutAcross: true})
	g.move(func(v int, p, n r3.Vec) float64 {
		q := g.faceOf(v)
		d := 0.009
		if q.Region == regLeg {
			d += 0.014*smoothstep(12, legBoot, g.along(v)) + 0.003*waves(p, 0.10, 1.7)
		}
		return d
	}, 0.006, 1.9)
	g.smooth(2, 0.5)
	g.clear(near, func(int) float64 { return 0.003 })
	return g.finish("sea boots", "rubber")
}
