package crew

import (
	"fmt"
	"math"

	"github.com/selvage/selvage/transfer/mesh"
	"github.com/selvage/selvage/transfer/skinning"
	"github.com/selvage/selvage/transfer/weights"
	"gonum.org/v1/gonum/spatial/r3"
)

// Body is one hand of the pilot boat: the weighted source of a transfer.
//
// The mesh is closed and manifold once coincident vertices are welded; it is
// split along the seams of its texture coordinates. It stands on the ground,
// facing +Z with +Y up, arms lowered by 45 degrees, in metres.
type Body struct {
	Name string
	Mesh *mesh.Mesh
	Rows *weights.Rows
	Skin *skinning.Skin
	// UV are the texture coordinates of Mesh's vertices.
	UV [][2]float32
	// MirrorVertex is the vertex at the mirrored place (x to -x) with the mirrored
	// row; MirrorJoint is the joint of the other side. Both are their own inverse.
	MirrorVertex []int32
	MirrorJoint  []uint16

	scale float64
	shape *surface
	tri   []int32 // cage face of every triangle
}

// NewBody makes the body called name, one of Names; it panics for other names.
// Costs about 0.2 s.
func NewBody(name string) *Body { return NewBodyAt(name, 1) }

// NewBodyAt is NewBody with about scale times as many vertices. The surface and
// the weight field do not depend on scale.
func NewBodyAt(name string, scale float64) *Body {
	b, ok := buildOf(name)
	if !ok {
		panic(fmt.Sprintf("crew has no body %q", name))
	}
	s := newSurface(newCage(b), 4)
	body := &Body{Name: name, scale: scale, shape: s, Skin: newSkin(name, s.cage.middle, s.cage.side)}
	body.MirrorJoint = make([]uint16, numJoints)
	for j := range body.MirrorJoint {
		body.MirrorJoint[j] = uint16(mirrorJoint(j))
	}
	body.build(layout{cell: b.cell / math.Sqrt(scale), warp: 0.25, jitter: 0.25, seed: b.seed})
	return body
}

// build tessellates the left half and mirrors it.
func (b *Body) build(l layout) {
	c := b.shape.cage
	faces := make([]int32, c.half)
	for f := range faces {
		faces[f] = int32(f)
	}
	p := b.shape.tessellate(faces, l)
	n := len(p.pos)
	twin := make([]int32, n)
	for v := 0; v < n; v++ {
		row := mirrorRow(p.row[v])
		if x := p.pos[v].X; x < 1e-9 && x > -1e-9 {
			// On the midline: exactly symmetric.
			twin[v] = int32(v)
			p.pos[v].X, p.normal[v].X = 0, 0
			p.normal[v] = r3.Unit(p.normal[v])
			var sum rowSum
			sum.add(p.row[v], 0.5)
			sum.add(row, 0.5)
			p.row[v] = limit(sum.take(), maxInfluences)
			continue
		}
		twin[v] = int32(len(p.pos))
		q, m := p.pos[v], p.normal[v]
		q.X, m.X = -q.X, -m.X
		p.pos, p.normal, p.row = append(p.pos, q), append(p.normal, m), append(p.row, row)
	}
	half := len(p.tri)
	for t := range half {
		v, l := p.tri[t], p.local[t]
		p.tri = append(p.tri, [3]int32{twin[v[0]], twin[v[2]], twin[v[1]]})
		p.face = append(p.face, p.face[t]+int32(c.half))
		p.local = append(p.local, [3][2]float64{{l[0][1], l[0][0]}, {l[2][1], l[2][0]}, {l[1][1], l[1][0]}})
	}
	s := p.split(func(t, k int) [2]float32 { return c.chart(p.face[t], p.local[t][k][0], p.local[t][k][1]) })
	b.Mesh, b.Rows, b.UV, b.tri = s.mesh, s.rows, s.uv, p.face
	b.MirrorVertex = make([]int32, len(s.from))
	for t := range half {
		v, w := s.mesh.Triangles[t], s.mesh.Triangles[half+t]
		for k := range v {
			o := w[(3-k)%3]
			b.MirrorVertex[v[k]], b.MirrorVertex[o] = o, v[k]
		}
	}
}

func mirrorRow(r sparse) sparse {
	var sum rowSum
	for i, j := range r.joint {
		sum.add(sparse{[]uint16{uint16(mirrorJoint(int(j)))}, r.weight[i : i+1]}, 1)
	}
	return sum.take()
}
