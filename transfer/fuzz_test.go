package transfer

import (
	"context"
	"errors"
	"math"
	"math/rand/v2"
	"testing"

	"github.com/selvage/selvage/transfer/mesh"
	"github.com/selvage/selvage/transfer/skinning"
	"github.com/selvage/selvage/transfer/weights"
	"gonum.org/v1/gonum/spatial/r3"
)

// script reads small numbers from fuzz input; it is all zeros past its end.
type script []byte

func (s *script) next() int {
	if len(*s) == 0 {
		return 0
	}
	b := (*s)[0]
	*s = (*s)[1:]
	return int(b)
}

// vertex is a place on a coarse grid, so that coincident vertices, collinear and
// coplanar triangles are common.
func (s *script) vertex(scale float64) r3.Vec {
	c := func() float64 { return scale * (float64(s.next()) - 128) / 16 }
	return r3.Vec{X: c(), Y: c(), Z: c()}
}

// mesh has 1 to 24 vertices and 0 to 31 triangles, degenerate ones included.
func (s *script) mesh(scale float64) *mesh.Mesh {
	m := &mesh.Mesh{}
	n := 1 + s.next()%24
	for range n {
		m.Positions = append(m.Positions, s.vertex(scale))
	}
	for range s.next() % 32 {
		m.Triangles = append(m.Triangles, [3]int32{int32(s.next() % n), int32(s.next() % n), int32(s.next() % n)})
	}
	return m
}

const fuzzJoints = 7

// rows mostly sum to one; some are empty, negative, not finite, or off.
func (s *script) rows(n int) *weights.Rows {
	rows := weights.NewRows(n)
	for range n {
		kind := s.next()
		switch kind % 16 {
		case 0:
			rows.Append(nil, nil)
		case 1:
			rows.Append([]uint16{1}, []float64{math.NaN()})
		case 2:
			rows.Append([]uint16{0, 3}, []float64{-0.5, 1.5})
		case 3:
			rows.Append([]uint16{2}, []float64{float64(s.next())})
		default:
			acc := weights.NewAccumulator(fuzzJoints)
			for range 1 + kind%6 {
				acc.Add(uint16(s.next()%fuzzJoints), float64(1+s.next()))
			}
			acc.FlushNormalised(rows)
		}
	}
	return rows
}

// scales of the garment beside the body; the body's unit is a metre.
var scales = []float64{1, 1, 1, 1e-3, 1e3, 1e-9, 1e9, 1e-150, 1e150, 0}

// FuzzTransfer transfers between small arbitrary meshes: whatever the geometry and
// the rows, it does not panic, and where the body has a usable triangle every
// garment vertex gets a legal row, the same for one thread and for two.
func FuzzTransfer(f *testing.F) {
	f.Add([]byte{})
	f.Add([]byte{0, 0, 3, 100, 100, 100, 150, 100, 100, 100, 150, 100, 1, 0, 1, 2, 4, 0, 9, 5, 1, 9, 4, 2, 9, 3, 100, 100, 110, 150, 100, 110, 100, 150, 110, 1, 0, 1, 2})
	f.Add([]byte("a body of a few triangles, a garment of a few more, rows of some joints: letters do as well as any other bytes"))
	// Noise gets further than what mutation makes of short seeds: whole meshes on
	// both sides from the start.
	rng := rand.New(rand.NewPCG(7, 7))
	for range 40 {
		b := make([]byte, 200+rng.IntN(400))
		for i := range b {
			b[i] = byte(rng.Uint32())
		}
		f.Add(b)
	}
	f.Fuzz(func(t *testing.T, data []byte) {
		s := script(data)
		choice, scale := s.next(), scales[s.next()%len(scales)]
		body := &Body{Name: "fuzz", Mesh: s.mesh(1), Skin: &skinning.Skin{}}
		body.Rows = s.rows(body.Mesh.NumVertices())
		for j := range fuzzJoints {
			g := skinning.Identity()
			g.T = s.vertex(1)
			inverse, _ := g.Inverse()
			body.Skin.Joints = append(body.Skin.Joints, skinning.Joint{Name: string(rune('a' + j)), Parent: s.next()%(j+1) - 1, Global: g, InverseBind: inverse})
		}
		garment := &Garment{Name: "cloth", Mesh: s.mesh(scale)}
		n := garment.Mesh.NumVertices()
		garment.Parts = []Part{{Material: "wool", End: n / 2}, {Material: "brass", Start: n / 2, End: n}}
		opt := Options{
			Fill:          Fill(choice & 1),
			Loose:         Switch((choice >> 1 & 3) % 3),
			RigidIslands:  Switch((choice >> 3 & 3) % 3),
			MaxInfluences: 1 + s.next()%8,
			Format:        weights.Format(s.next() % 3),
		}
		if choice&32 != 0 {
			opt.RigidNames = []string{"brass"}
		}
		if choice&64 != 0 {
			opt.LooseNames = []string{"w*"}
		}
		if choice&128 != 0 {
			opt.DenyJoints, opt.Falloff = []string{"c"}, 5
		}
		source, err := Prepare(context.Background(), body, 1)
		if err != nil {
			var none *NoRowsError
			if !errors.As(err, &none) {
				t.Fatal(err)
			}
			return
		}
		opt.Threads = 1
		r := mustTransfer(t, source, garment, opt)
		checkLegal(t, r, n, fuzzJoints, opt.MaxInfluences)
		opt.Threads = 2
		sameBits(t, "2 threads", r, mustTransfer(t, source, garment, opt))
	})
}
