package report

// The geometry of a figure as the page carries it: quantised, each array as byte
// planes (all lowest bytes, then the next), neighbours differenced where they are
// alike, then gzip and base64. web/src/payload.js is the inverse.

import (
	"bytes"
	"compress/gzip"
	"encoding/base64"
	"math"
	"slices"

	"gonum.org/v1/gonum/spatial/r3"

	"github.com/selvage/selvage/transfer/mesh"
	"github.com/selvage/selvage/transfer/skinning"
)

const (
	// maxInfluences of a vertex in the 3D view; of longer rows the largest stay.
	maxInfluences = 8
	// positionSteps along each side of a figure's box: 2 m are cut into 31 µm.
	positionSteps = math.MaxUint16
	noDistance    = math.MaxUint16 // code of a distance that is not finite
	noConfidence  = math.MaxUint16 // code of a confidence that is not known
	noDifference  = math.MaxUint16 // code of a difference that is not known
	mostL1        = 2.0            // L1 distance of rows that share no joint: the code noDifference-1
)

// shape describes a payload to the viewer.
type shape struct {
	Name      string `json:"name"`
	Body      bool   `json:"body"`
	Beneath   bool   `json:"beneath"`
	Vertices  int    `json:"vertices"`
	Triangles int    `json:"triangles"`
	// Min is the box's low corner from the scene's centre, and Step one step of the
	// quantised positions along each axis, metres.
	Min  [3]float64 `json:"min"`
	Step [3]float64 `json:"step"`
	// Influences of each row; 0: no rows.
	Influences int `json:"influences"`
	// Which of the arrays by vertex follow.
	Confidence bool `json:"confidence"`
	Reason     bool `json:"reason"`
	Match      bool `json:"match"`
	Nearest    bool `json:"nearest"`
	Difference bool `json:"difference"`
	// MaxDistance is the largest finite distance, metres: the code noDistance-1.
	MaxDistance float64 `json:"maxDistance"`
	// Far is the 99th percentile of the finite distances: the scale's end.
	Far float64 `json:"far"`
	// Joints that have weight here, ascending.
	Joints []int `json:"joints"`
	// LeftOut figures had no room in the page.
	LeftOut bool `json:"leftOut"`
	// Frames are the maps G_j IBM_j of the joints with weight where the default pose is
	// not the bind pose; the positions are then in the bind frame.
	Frames []viewFrame `json:"frames,omitempty"`
	// Shortened counts rows of more than maxInfluences.
	Shortened int `json:"shortened"`
}

// viewFrame is the map of one joint, row by row, about the scene's centre.
type viewFrame struct {
	Joint  int         `json:"joint"`
	Matrix [12]float64 `json:"matrix"`
}

// plane writers ---------------------------------------------------------------

type packer struct{ bytes.Buffer }

// u16 appends both byte planes of x; difference stores each value's step from
// the last one, so that slowly changing values become small.
func (p *packer) u16(x []uint16, difference bool) {
	y := x
	if difference {
		y = make([]uint16, len(x))
		last := uint16(0)
		for i, v := range x {
			d := int16(v - last)
			y[i] = uint16(d<<1) ^ uint16(d>>15) // small steps either way are small numbers
			last = v
		}
	}
	for shift := 0; shift < 16; shift += 8 {
		for _, v := range y {
			p.WriteByte(byte(v >> shift))
		}
	}
}

func (p *packer) u32(x []uint32) {
	y := make([]uint32, len(x))
	last := uint32(0)
	for i, v := range x {
		d := int32(v - last)
		y[i] = uint32(d<<1) ^ uint32(d>>31)
		last = v
	}
	for shift := 0; shift < 32; shift += 8 {
		for _, v := range y {
			p.WriteByte(byte(v >> shift))
		}
	}
}

// base64 of the gzip of what was written.
func (p *packer) text() ([]byte, error) {
	var z bytes.Buffer
	w, err := gzip.NewWriterLevel(&z, gzip.BestCompression)
	if err != nil {
		return nil, err
	}
	if _, err := w.Write(p.Bytes()); err != nil {
		return nil, err
	}
	if err := w.Close(); err != nil {
		return nil, err
	}
	out := make([]byte, base64.StdEncoding.EncodedLen(z.Len()))
	base64.StdEncoding.Encode(out, z.Bytes())
	return out, nil
}

// pack returns the payload of f. normal are its unit vertex normals, index leads
// from its joints to the page's. O(n).
func pack(f *Figure, centre r3.Vec, normal []r3.Vec, index []uint16) (shape, []byte, error) {
	n := f.Mesh.NumVertices()
	s := shape{Name: f.Name, Vertices: n, Triangles: len(f.Mesh.Triangles), Nearest: f.Nearest}
	var p packer

	positions := f.Mesh.Positions
	if k := f.frames(); k != nil {
		positions = f.unbound(k)
		normal = slices.Clone(normal)
		for v := range normal {
			joint, weight := f.Rows.Row(v)
			b := k.Blend(joint, weight)
			if inv, ok := b.Inverse(); ok && len(joint) > 0 {
				if d := inv.ApplyVector(normal[v]); r3.Norm(d) > 0 {
					normal[v] = r3.Unit(d)
				}
			}
		}
		weighted := make([]bool, len(k))
		for _, j := range f.Rows.Joint {
			weighted[j] = true
		}
		for j := range k {
			if weighted[j] {
				s.Frames = append(s.Frames, viewFrame{int(index[j]), aboutCentre(&k[j], centre)})
			}
		}
	}
	box := mesh.Bounds(positions)
	q := make([]uint16, n)
	for axis := 0; axis < 3; axis++ {
		lo, hi := component(box.Min, axis), component(box.Max, axis)
		s.Min[axis] = lo - component(centre, axis)
		s.Step[axis] = (hi - lo) / positionSteps
		for v, x := range positions {
			q[v] = 0
			if hi > lo {
				q[v] = uint16(min((component(x, axis)-lo)/(hi-lo)*positionSteps+0.5, positionSteps))
			}
		}
		p.u16(q, true)
	}
	for axis := 0; axis < 2; axis++ {
		for _, d := range normal {
			p.WriteByte(byte(octahedral(d)[axis]))
		}
	}
	t := make([]uint32, 0, 3*len(f.Mesh.Triangles))
	for _, c := range f.Mesh.Triangles {
		t = append(t, uint32(c[0]), uint32(c[1]), uint32(c[2]))
	}
	p.u32(t)
	if f.Rows != nil {
		packRows(&p, f, index, &s)
	}
	if s.Confidence = f.Confidence != nil; s.Confidence {
		for v, c := range f.Confidence {
			q[v] = noConfidence
			if !math.IsNaN(float64(c)) {
				q[v] = uint16(float64(min(max(c, 0), 1))*(noConfidence-1) + 0.5)
			}
		}
		p.u16(q, true)
	}
	if s.Reason = f.Reason != nil; s.Reason {
		for v, r := range f.Reason {
			q[v] = uint16(r)
		}
		p.u16(q, false)
	}
	if s.Match = f.Triangle != nil && f.Bary != nil && f.Distance != nil; s.Match {
		packMatches(&p, f, &s, q)
	}
	if s.Difference = f.Difference != nil; s.Difference {
		for v, d := range f.Difference {
			q[v] = noDifference
			if !math.IsNaN(d) {
				q[v] = uint16(min(max(d/mostL1, 0), 1)*(noDifference-1) + 0.5)
			}
		}
		p.u16(q, true)
	}
	text, err := p.text()
	return s, text, err
}

// packRows appends all first joints, all second joints, ..., then the weights
// likewise, largest first; a row's weights sum to 65535 exactly, or to 0.
func packRows(p *packer, f *Figure, index []uint16, s *shape) {
	n := f.Rows.Len()
	for v := 0; v < n; v++ {
		j, _ := f.Rows.Row(v)
		s.Influences = max(s.Influences, min(len(j), maxInfluences))
		if len(j) > maxInfluences {
			s.Shortened++
		}
	}
	joint := make([]uint16, s.Influences*n)
	weight := make([]uint16, s.Influences*n)
	used := map[int]bool{}
	var order []int
	for v := 0; v < n; v++ {
		js, ws := f.Rows.Row(v)
		order = order[:0]
		for i := range js {
			// Insertion keeps the row's own order among equals.
			k := len(order)
			for k > 0 && ws[order[k-1]] < ws[i] {
				k--
			}
			order = append(order, 0)
			copy(order[k+1:], order[k:])
			order[k] = i
		}
		order = order[:min(len(order), s.Influences)]
		sum := 0.0
		for _, i := range order {
			sum += max(ws[i], 0)
		}
		if !(sum > 0) {
			continue
		}
		rest := math.MaxUint16
		for k, i := range order {
			w := int(max(ws[i], 0)/sum*math.MaxUint16 + 0.5)
			joint[k*n+v], weight[k*n+v] = index[js[i]], uint16(w)
			rest -= w
			if w > 0 {
				used[int(index[js[i]])] = true
			}
		}
		weight[v] = uint16(int(weight[v]) + rest) // the largest takes what rounding left
	}
	p.u16(joint, false)
	p.u16(weight, false)
	for j := 0; j <= math.MaxUint16; j++ {
		if used[j] {
			s.Joints = append(s.Joints, j)
		}
	}
}

func packMatches(p *packer, f *Figure, s *shape, q []uint16) {
	finite := make([]float64, 0, len(f.Distance))
	for _, d := range f.Distance {
		if !math.IsInf(d, 0) && !math.IsNaN(d) {
			finite = append(finite, d)
		}
	}
	s.Far = percentile(finite, 0.99) // sorts
	if len(finite) > 0 {
		s.MaxDistance = finite[len(finite)-1]
	}
	for v, d := range f.Distance {
		switch {
		case math.IsInf(d, 0) || math.IsNaN(d):
			q[v] = noDistance
		case s.MaxDistance > 0:
			q[v] = uint16(d/s.MaxDistance*(noDistance-1) + 0.5)
		default:
			q[v] = 0
		}
	}
	p.u16(q, true)
	t := make([]uint32, len(f.Triangle))
	for v, x := range f.Triangle {
		t[v] = uint32(x + 1) // 0: none
	}
	p.u32(t)
	for k := 0; k < 2; k++ {
		for _, b := range f.Bary {
			p.WriteByte(byte(min(max(b[k], 0), 1)*math.MaxUint8 + 0.5))
		}
	}
}

// aboutCentre is a map row by row, with the scene's centre as the origin.
func aboutCentre(a *skinning.Affine, centre r3.Vec) [12]float64 {
	t := r3.Sub(a.Apply(centre), centre)
	m := &a.M
	return [12]float64{m[0], m[1], m[2], t.X, m[3], m[4], m[5], t.Y, m[6], m[7], m[8], t.Z}
}

func component(v r3.Vec, axis int) float64 {
	switch axis {
	case 0:
		return v.X
	case 1:
		return v.Y
	}
	return v.Z
}

// octahedral maps a unit vector to two bytes; its inverse is in web/src/payload.js.
// A zero vector becomes +z. Source: Cigolle, Donow, Evangelakos, Mara, McGuire,
// Meyer, "A Survey of Efficient Representations for Independent Unit Vectors",
// Journal of Computer Graphics Techniques 3(2), 2014, section 3.
func octahedral(d r3.Vec) [2]int8 {
	l := math.Abs(d.X) + math.Abs(d.Y) + math.Abs(d.Z)
	if !(l > 0) {
		return [2]int8{}
	}
	x, y := d.X/l, d.Y/l
	if d.Z < 0 {
		x, y = math.Copysign(1-math.Abs(y), x), math.Copysign(1-math.Abs(x), y)
	}
	return [2]int8{int8(math.Round(127 * x)), int8(math.Round(127 * y))}
}

// weldedFigure is a figure with coincident vertices joined, for what is drawn and
// sought on its surface.
type weldedFigure struct {
	*mesh.Welded
	normal     []r3.Vec // of the welded vertices
	confidence []float64
	difference []float64 // the largest of the members
	// shade is what pictures show by colour, 0 to 1; NaN where it is not known.
	shade []float64
}

func weld(f *Figure) weldedFigure {
	w := weldedFigure{Welded: mesh.Weld(f.Mesh, mesh.WeldTolerance(f.Mesh))}
	w.normal = mesh.VertexNormals(w.Mesh)
	if f.Confidence != nil {
		w.confidence = make([]float64, len(w.normal))
		for i := range w.confidence {
			w.confidence[i] = math.NaN()
		}
		for v, i := range w.ToWelded {
			if c := float64(f.Confidence[v]); c < w.confidence[i] || math.IsNaN(w.confidence[i]) {
				w.confidence[i] = c
			}
		}
	}
	if f.Difference != nil {
		w.difference = make([]float64, len(w.normal))
		for i := range w.difference {
			w.difference[i] = math.NaN()
		}
		for v, i := range w.ToWelded {
			if d := f.Difference[v]; d > w.difference[i] || math.IsNaN(w.difference[i]) {
				w.difference[i] = d
			}
		}
	}
	w.shade = w.confidence
	return w
}

// normals of the figure's own vertices.
func (w *weldedFigure) normals() []r3.Vec {
	out := make([]r3.Vec, len(w.ToWelded))
	for v, i := range w.ToWelded {
		out[v] = w.normal[i]
	}
	return out
}
