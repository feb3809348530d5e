package main

import (
	"bytes"
	"context"
	"fmt"
	"math"
	"math/rand/v2"
	"path/filepath"
	"slices"

	"github.com/selvage/selvage/transfer"
	"github.com/selvage/selvage/transfer/crew"
	"github.com/selvage/selvage/transfer/gltfio"
	"github.com/selvage/selvage/transfer/internal/shapes"
	"github.com/selvage/selvage/transfer/mesh"
	"github.com/selvage/selvage/transfer/retouch"
	"github.com/selvage/selvage/transfer/skinning"
	"github.com/selvage/selvage/transfer/weights"
	"gonum.org/v1/gonum/spatial/r3"
)

// figures of one case: L1 distances of rows from the truth, and how far apart the two
// rows pose a vertex, single joints turned by 90 degrees.
type figures struct {
	name                       string
	vertices                   int
	mean, percent, largest, cm float64
}

func (f figures) centimetres() string {
	if math.IsNaN(f.cm) {
		return ""
	}
	return fmt.Sprintf("%.2g", f.cm)
}

// compare measures the vertices in mask (nil: all); without a skin nothing is posed.
func compare(name string, at []r3.Vec, given, truth *weights.Rows, skin *skinning.Skin, mask []bool) figures {
	f := figures{name: name, cm: math.NaN()}
	var l1, cm []float64
	var judge *skinning.RowJudge
	if skin != nil {
		judge = skinning.NewRowJudge(skin)
	}
	for v := range at {
		if mask != nil && !mask[v] {
			continue
		}
		l1 = append(l1, given.DistanceL1(v, truth, v))
		f.mean += l1[len(l1)-1]
		if judge != nil {
			ja, wa := given.Row(v)
			jb, wb := truth.Row(v)
			cm = append(cm, 100*judge.Displacement(at[v], ja, wa, jb, wb))
		}
	}
	f.vertices = len(l1)
	f.mean /= float64(len(l1))
	slices.Sort(l1)
	f.percent, f.largest = l1[len(l1)*99/100], l1[len(l1)-1]
	if judge != nil {
		slices.Sort(cm)
		f.cm = cm[len(cm)*99/100]
	}
	return f
}

// seeded is a source of numbers that are the same in every run.
func seeded() *rand.Rand { return rand.New(rand.NewPCG(1, 0)) }

func surface(b *crew.Body) *retouch.Surface {
	return &retouch.Surface{Mesh: b.Mesh, Rows: b.Rows, Skin: b.Skin}
}

// mirrors measures: a side whose rows are nonsense got back from the other, on a mesh
// symmetric vertex by vertex and on one that is not; a body of other vertices; a real
// left hand onto the right one.
func mirrors(ctx context.Context, hands string) ([]figures, error) {
	b := crew.NewBody("mate")
	var out []figures
	right := func(p r3.Vec) bool { return p.X < -1e-6 }
	for _, c := range []struct {
		name  string
		where func(r3.Vec) float64
	}{
		{"one side of the mate's body from the other", func(r3.Vec) float64 { return 0 }},
		{"the same, each triangle of that side in four", func(p r3.Vec) float64 { return -p.X - 1e-9 }},
	} {
		m, truth := shapes.Split(b.Mesh, b.Rows, len(b.Skin.Joints), c.where)
		rows, mask := weights.NewRows(0), make([]bool, len(m.Positions))
		for v, p := range m.Positions {
			if mask[v] = right(p); mask[v] {
				rows.Append([]uint16{0}, []float64{1})
			} else {
				rows.Append(truth.Row(v))
			}
		}
		r, _, err := retouch.Mirror(ctx, &retouch.Surface{Mesh: m, Rows: rows, Skin: b.Skin}, nil, retouch.MirrorOptions{}, retouch.Form{MaxInfluences: 8})
		if err != nil {
			return nil, err
		}
		out = append(out, compare(c.name, m.Positions, r.Rows, truth, b.Skin, mask))
	}
	other := crew.NewBodyAt("mate", 0.6)
	r, _, err := retouch.MirrorOnto(ctx, surface(b), surface(other), nil, retouch.MirrorOptions{}, retouch.Form{MaxInfluences: 8})
	if err != nil {
		return nil, err
	}
	out = append(out, compare("the mate's body onto one of 0.6 times the vertices", other.Mesh.Positions, r.Rows, other.Rows, other.Skin, nil))

	var side [2]*retouch.Surface
	for i, name := range []string{"left", "right"} {
		a, err := gltfio.Open(filepath.Join(hands, name+".glb"), gltfio.Options{})
		if err != nil {
			return nil, err
		}
		s, err := a.Body(gltfio.Selection{})
		if err != nil {
			return nil, err
		}
		side[i] = &retouch.Surface{Mesh: s.Mesh, Rows: s.Rows, Skin: s.Skin}
	}
	if r, _, err = retouch.MirrorOnto(ctx, side[0], side[1], nil, retouch.MirrorOptions{}, retouch.Form{}); err != nil {
		return nil, err
	}
	return append(out, compare("a real left hand onto the right one", side[1].Mesh.Positions, r.Rows, side[1].Rows, side[1].Skin, nil)), nil
}

// fills measures both energies on a plane with linear weights, and on regions of the
// mate's body whose rows are forgotten.
func fills(ctx context.Context) ([]figures, error) {
	energies := []struct {
		name   string
		energy transfer.Fill
	}{{"harmonic", transfer.FillHarmonic}, {"biharmonic", transfer.FillBiharmonic}}
	var out []figures
	m := shapes.Triangles(30, 0.3, seeded())
	truth := shapes.Shared(m, func(p r3.Vec) float64 { return 0.2 + 1.5*p.X + 0.8*p.Y })
	plane := &retouch.Surface{Mesh: m, Rows: truth, Skin: &skinning.Skin{Joints: make([]skinning.Joint, 2)}}
	b := crew.NewBody("mate")
	origin := func(name string) r3.Vec {
		for j := range b.Skin.Joints {
			if b.Skin.Joints[j].Name == name {
				return b.Skin.Joints[j].Global.T
			}
		}
		panic(name)
	}
	for _, c := range []struct {
		name string
		s    *retouch.Surface
		at   r3.Vec
		r    float64
		skin *skinning.Skin
	}{
		{"a plane, 12 cm of it, linear weights", plane, r3.Vec{X: 0.15, Y: 0.13}, 0.06, nil},
		{"the mate's elbow, within 5 cm", surface(b), origin("forearm.left"), 0.05, b.Skin},
		{"the mate's knee, within 10 cm", surface(b), origin("shin.left"), 0.1, b.Skin},
		{"the mate's belly, within 15 cm", surface(b), r3.Add(origin("spine_2"), r3.Vec{Z: 0.1}), 0.15, b.Skin},
	} {
		mask := make([]bool, len(c.s.Mesh.Positions))
		rows := weights.NewRows(0)
		for v, p := range c.s.Mesh.Positions {
			if mask[v] = r3.Norm(r3.Sub(p, c.at)) < c.r; mask[v] {
				rows.Append([]uint16{uint16(v % 2)}, []float64{1})
			} else {
				rows.Append(c.s.Rows.Row(v))
			}
		}
		for _, e := range energies {
			r, _, err := retouch.Fill(ctx, &retouch.Surface{Mesh: c.s.Mesh, Rows: rows, Skin: c.s.Skin}, mask, e.energy, retouch.Form{MaxInfluences: 8})
			if err != nil {
				return nil, err
			}
			out = append(out, compare(c.name+", "+e.name, c.s.Mesh.Positions, r.Rows, c.s.Rows, c.skin, mask))
		}
	}
	return out, nil
}

// evens measures a twist pair with noise on its share, before and after, on a tube
// whose share is linear and on the mate's forearm.
func evens(ctx context.Context) ([]figures, error) {
	r := seeded()
	tube := shapes.Tube(41, 24, 0.04, 0.3, 1.6, r)
	skin := &skinning.Skin{}
	for i, name := range []string{"forearm", "forearm_twist"} {
		g := skinning.Identity()
		g.T.X = 0.2 * float64(i)
		inv, _ := g.Inverse()
		skin.Joints = append(skin.Joints, skinning.Joint{Name: name, Parent: i - 1, Global: g, InverseBind: inv})
	}
	truth := shapes.Shared(tube, func(p r3.Vec) float64 { return 1 - p.X/0.3 })
	b := crew.NewBody("mate")
	var out []figures
	for _, c := range []struct {
		name string
		s    *retouch.Surface
		pair [2]string
	}{
		{"a tube of 984 vertices", &retouch.Surface{Mesh: tube, Rows: truth, Skin: skin}, [2]string{"forearm", "forearm_twist"}},
		{"the mate's forearm", surface(b), [2]string{"forearm.left", "forearm_twist.left"}},
	} {
		noisy, mask, err := noise(c.s, c.pair, 0.1, r)
		if err != nil {
			return nil, err
		}
		even, _, err := retouch.Even(ctx, &retouch.Surface{Mesh: c.s.Mesh, Rows: noisy, Skin: c.s.Skin}, nil, c.pair[0], c.pair[1], retouch.Form{MaxInfluences: 8})
		if err != nil {
			return nil, err
		}
		for _, x := range []struct {
			name string
			rows *weights.Rows
		}{{", shares off by up to 0.1", noisy}, {", made even", even.Rows}} {
			out = append(out, compare(c.name+x.name, c.s.Mesh.Positions, x.rows, c.s.Rows, c.s.Skin, mask))
		}
	}
	return out, nil
}

// noise moves up to most of the pair's weight from one joint to the other, alike where
// vertices stand in one place; mask says where the pair has weight.
func noise(s *retouch.Surface, pair [2]string, most float64, r *rand.Rand) (rows *weights.Rows, mask []bool, err error) {
	var at [2]uint16
	for k, name := range pair {
		j := slices.IndexFunc(s.Skin.Joints, func(j skinning.Joint) bool { return j.Name == name })
		if j < 0 {
			return nil, nil, fmt.Errorf("no joint %s", name)
		}
		at[k] = uint16(j)
	}
	weld := mesh.Weld(s.Mesh, mesh.WeldTolerance(s.Mesh))
	by := make([]float64, weld.Mesh.NumVertices())
	for w := range by {
		by[w] = most * (2*r.Float64() - 1)
	}
	rows, mask = weights.NewRows(0), make([]bool, len(weld.ToWelded))
	acc := weights.NewAccumulator(len(s.Skin.Joints))
	for v, w := range weld.ToWelded {
		var x [2]float64
		joint, weight := s.Rows.Row(v)
		for i, j := range joint {
			switch j {
			case at[0]:
				x[0] = weight[i]
			case at[1]:
				x[1] = weight[i]
			default:
				acc.Add(j, weight[i])
			}
		}
		if sum := x[0] + x[1]; sum > 0 {
			mask[v] = true
			f := min(max(x[0]/sum+by[w], 0), 1)
			acc.Add(at[0], sum*f)
			acc.Add(at[1], sum-sum*f)
		}
		acc.FlushNormalised(rows)
	}
	return rows, mask, nil
}

// otherBodies are the mate's body on other vertices, with the rows that are right
// there.
func otherBodies(b *crew.Body) []*crew.Body {
	mirrored := weights.NewRows(0)
	for v := range b.Mesh.Positions { // the crew is symmetric
		mirrored.Append(b.Rows.Row(int(b.MirrorVertex[v])))
	}
	split, splitRows := shapes.Split(b.Mesh, b.Rows, len(b.Skin.Joints), func(r3.Vec) float64 { return 1 })
	few, fewRows := shapes.Decimated(b.Mesh, b.Rows, 0.3)
	other := crew.NewBodyAt("mate", 0.47)
	var out []*crew.Body
	for _, x := range []struct {
		name string
		mesh *mesh.Mesh
		rows *weights.Rows
	}{
		{"each triangle in four", split, splitRows},
		{"decimated to 30%", few, fewRows},
		{"other triangles", &mesh.Mesh{Positions: other.Mesh.Positions, Triangles: other.Mesh.Triangles}, other.Rows},
		{"mirrored", shapes.Mirrored(b.Mesh), mirrored},
	} {
		x.mesh.Normals = mesh.VertexNormals(x.mesh)
		out = append(out, &crew.Body{Name: x.name, Mesh: x.mesh, Rows: x.rows, Skin: b.Skin, UV: make([][2]float32, len(x.mesh.Positions))})
	}
	return out
}

// bodies measures transfers from file to file.
func bodies(ctx context.Context) ([]figures, error) {
	b := crew.NewBody("mate")
	asset, err := parse(b)
	if err != nil {
		return nil, err
	}
	prepared, err := transfer.PrepareAsset(ctx, asset, gltfio.Selection{}, 0)
	if err != nil {
		return nil, err
	}
	var out []figures
	for _, x := range otherBodies(b) {
		// The file's own rows are replaced; the crew's writer takes four influences.
		file := *x
		file.Rows, _ = weights.Limit(x.Rows, 4)
		given, err := parse(&file)
		if err != nil {
			return nil, err
		}
		_, r, err := prepared.Transfer(ctx, given, transfer.AssetOptions{Options: transfer.Options{MaxInfluences: 8}})
		if err != nil {
			return nil, err
		}
		out = append(out, compare(x.Name, x.Mesh.Positions, r.Rows, x.Rows, b.Skin, nil))
	}
	return out, nil
}

func parse(b *crew.Body) (*gltfio.Asset, error) {
	var data bytes.Buffer
	if err := b.WriteGLB(&data); err != nil {
		return nil, err
	}
	return gltfio.Parse(data.Bytes(), b.Name+".glb", gltfio.Options{})
}
