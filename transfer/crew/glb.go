package crew

import (
	"bytes"
	"encoding/binary"
	"encoding/json"
	"fmt"
	"image"
	"image/color"
	"image/png"
	"io"
	"math"
	"os"
	"path/filepath"
	"strings"

	"github.com/selvage/selvage/transfer/skinning"
	"gonum.org/v1/gonum/spatial/r3"
)

// This file writes bodies and garments as GLB, the binary container of glTF.
// Source: glTF 2.0 specification, sections 3 and 4.4 (binary glTF layout).

// The parts of a glTF document that the crew needs, in the order in which they
// are written. Field names are the specification's.
type (
	document struct {
		Asset       assetInfo    `json:"asset"`
		Scene       int          `json:"scene"`
		Scenes      []scene      `json:"scenes"`
		Nodes       []node       `json:"nodes"`
		Meshes      []meshObject `json:"meshes"`
		Skins       []skinObject `json:"skins,omitempty"`
		Materials   []material   `json:"materials"`
		Textures    []texture    `json:"textures,omitempty"`
		Images      []imageRef   `json:"images,omitempty"`
		Samplers    []sampler    `json:"samplers,omitempty"`
		Accessors   []accessor   `json:"accessors"`
		BufferViews []bufferView `json:"bufferViews"`
		Buffers     []buffer     `json:"buffers"`
	}
	assetInfo struct {
		Version   string `json:"version"`
		Generator string `json:"generator"`
	}
	scene struct {
		Name  string `json:"name"`
		Nodes []int  `json:"nodes"`
	}
	node struct {
		Name        string      `json:"name"`
		Mesh        *int        `json:"mesh,omitempty"`
		Skin        *int        `json:"skin,omitempty"`
		Translation *[3]float32 `json:"translation,omitempty"`
		Rotation    *[4]float32 `json:"rotation,omitempty"`
		Scale       *[3]float32 `json:"scale,omitempty"`
		Children    []int       `json:"children,omitempty"`
	}
	meshObject struct {
		Name       string      `json:"name"`
		Primitives []primitive `json:"primitives"`
	}
	primitive struct {
		Attributes attributes `json:"attributes"`
		Indices    int        `json:"indices"`
		Material   int        `json:"material"`
	}
	attributes struct {
		Position int  `json:"POSITION"`
		Normal   *int `json:"NORMAL,omitempty"`
		TexCoord *int `json:"TEXCOORD_0,omitempty"`
		Joints   *int `json:"JOINTS_0,omitempty"`
		Weights  *int `json:"WEIGHTS_0,omitempty"`
		Color    *int `json:"COLOR_0,omitempty"`
		Redo     *int `json:"_REDO,omitempty"`
		Held     *int `json:"_HELD,omitempty"`
	}
	skinObject struct {
		Name                string `json:"name"`
		InverseBindMatrices int    `json:"inverseBindMatrices"`
		Joints              []int  `json:"joints"`
	}
	material struct {
		Name        string `json:"name"`
		PBR         pbr    `json:"pbrMetallicRoughness"`
		DoubleSided bool   `json:"doubleSided,omitempty"`
	}
	pbr struct {
		BaseColorFactor  [4]float32  `json:"baseColorFactor"`
		BaseColorTexture *textureRef `json:"baseColorTexture,omitempty"`
		MetallicFactor   float32     `json:"metallicFactor"`
		RoughnessFactor  float32     `json:"roughnessFactor"`
	}
	textureRef struct {
		Index int `json:"index"`
	}
	texture struct {
		Sampler int `json:"sampler"`
		Source  int `json:"source"`
	}
	imageRef struct {
		Name       string `json:"name"`
		BufferView int    `json:"bufferView"`
		MimeType   string `json:"mimeType"`
	}
	sampler struct {
		MagFilter int `json:"magFilter"`
		MinFilter int `json:"minFilter"`
		WrapS     int `json:"wrapS"`
		WrapT     int `json:"wrapT"`
	}
	accessor struct {
		BufferView    int       `json:"bufferView"`
		ComponentType int       `json:"componentType"`
		Normalized    bool      `json:"normalized,omitempty"`
		Count         int       `json:"count"`
		Type          string    `json:"type"`
		Min           []float32 `json:"min,omitempty"`
		Max           []float32 `json:"max,omitempty"`
	}
	bufferView struct {
		Buffer     int `json:"buffer"`
		ByteOffset int `json:"byteOffset"`
		ByteLength int `json:"byteLength"`
		Target     int `json:"target,omitempty"`
	}
	buffer struct {
		ByteLength int `json:"byteLength"`
	}
)

const (
	componentUint8  = 5121
	componentUint16 = 5123
	componentUint32 = 5125
	componentFloat  = 5126

	targetVertices = 34962
	targetIndices  = 34963
)

// glb collects a document and its binary chunk.
type glb struct {
	doc document
	bin bytes.Buffer
}

func newGLB(sceneName string) *glb {
	w := &glb{}
	w.doc.Asset = assetInfo{Version: "2.0", Generator: "Selvage crew"}
	w.doc.Scenes = []scene{{Name: sceneName}}
	return w
}

// view appends data, aligned to 4 bytes, as a buffer view.
func (w *glb) view(data []byte, target int) int {
	for w.bin.Len()%4 != 0 {
		w.bin.WriteByte(0)
	}
	w.doc.BufferViews = append(w.doc.BufferViews, bufferView{ByteOffset: w.bin.Len(), ByteLength: len(data), Target: target})
	w.bin.Write(data)
	return len(w.doc.BufferViews) - 1
}

// accessor appends values (a slice of fixed-size values) as an accessor.
func (w *glb) accessor(values any, component int, kind string, count, target int) int {
	var b bytes.Buffer
	// Writing fixed-size values to a bytes.Buffer cannot fail.
	_ = binary.Write(&b, binary.LittleEndian, values)
	w.doc.Accessors = append(w.doc.Accessors, accessor{BufferView: w.view(b.Bytes(), target), ComponentType: component, Count: count, Type: kind})
	return len(w.doc.Accessors) - 1
}

func vec32(v r3.Vec) [3]float32 { return [3]float32{float32(v.X), float32(v.Y), float32(v.Z)} }

// unit32 is v scaled to length one before rounding.
func unit32(v r3.Vec) [3]float32 { return vec32(r3.Unit(v)) }

func (w *glb) positions(p [][3]float32) int {
	i := w.accessor(p, componentFloat, "VEC3", len(p), targetVertices)
	lo, hi := p[0], p[0]
	for _, q := range p {
		for k := range q {
			lo[k], hi[k] = min(lo[k], q[k]), max(hi[k], q[k])
		}
	}
	w.doc.Accessors[i].Min, w.doc.Accessors[i].Max = lo[:], hi[:]
	return i
}

func (w *glb) indices(tri [][3]int32, base, vertices int) int {
	if vertices <= 65535 { // 65535 itself is the restart value
		var x []uint16
		for _, t := range tri {
			x = append(x, uint16(int(t[0])-base), uint16(int(t[1])-base), uint16(int(t[2])-base))
		}
		return w.accessor(x, componentUint16, "SCALAR", len(x), targetIndices)
	}
	var x []uint32
	for _, t := range tri {
		x = append(x, uint32(int(t[0])-base), uint32(int(t[1])-base), uint32(int(t[2])-base))
	}
	return w.accessor(x, componentUint32, "SCALAR", len(x), targetIndices)
}

// addNode appends a node with the transform a, which must be a product of a
// translation, a rotation and a scale (one factor of which may be negative).
func (w *glb) addNode(name string, a *skinning.Affine) int {
	n := node{Name: name}
	m := a.M
	var scale [3]float64
	for k := range 3 {
		scale[k] = math.Sqrt(m[k]*m[k] + m[3+k]*m[3+k] + m[6+k]*m[6+k])
	}
	if a.Det() < 0 {
		scale[0] = -scale[0]
	}
	for k := range 9 {
		m[k] /= scale[k%3]
	}
	if a.T != (r3.Vec{}) {
		t := vec32(a.T)
		n.Translation = &t
	}
	if q := quaternion(m); q != [4]float32{0, 0, 0, 1} {
		n.Rotation = &q
	}
	if s := [3]float32{float32(scale[0]), float32(scale[1]), float32(scale[2])}; s != [3]float32{1, 1, 1} {
		n.Scale = &s
	}
	w.doc.Nodes = append(w.doc.Nodes, n)
	return len(w.doc.Nodes) - 1
}

// quaternion of a rotation matrix (row-major), x y z w.
// Source: Shepperd, "Quaternion from rotation matrix", Journal of Guidance and
// Control 1 (1978): divide by the largest component.
func quaternion(m [9]float64) [4]float32 {
	t := m[0] + m[4] + m[8]
	c := [4]float64{m[0], m[4], m[8], t}
	i := 0
	for k := range c {
		if c[k] > c[i] {
			i = k
		}
	}
	var q [4]float64
	if i == 3 {
		q = [4]float64{m[7] - m[5], m[2] - m[6], m[3] - m[1], 1 + t}
	} else {
		j, k := (i+1)%3, (i+2)%3
		q[i] = 1 + m[4*i] - m[4*j] - m[4*k]
		q[j] = m[3*j+i] + m[3*i+j]
		q[k] = m[3*k+i] + m[3*i+k]
		q[3] = m[3*k+j] - m[3*j+k]
	}
	n := math.Sqrt(q[0]*q[0] + q[1]*q[1] + q[2]*q[2] + q[3]*q[3])
	if q[3] < 0 {
		n = -n // of the two quaternions of a rotation the one with w >= 0
	}
	var out [4]float32
	for k := range q {
		out[k] = float32(q[k]/n) + 0 // no negative zeros
	}
	return out
}

// palette holds the look of each material: colour, metal, roughness, weave.
var palette = map[string]struct {
	colour           [3]float32
	metal, roughness float32
	weave            bool
}{
	"skin":     {[3]float32{0.72, 0.53, 0.43}, 0, 0.6, false},
	"wool":     {[3]float32{0.08, 0.12, 0.28}, 0, 0.95, true},
	"ribbing":  {[3]float32{0.06, 0.09, 0.22}, 0, 0.95, true},
	"oilskin":  {[3]float32{0.80, 0.58, 0.06}, 0, 0.35, false},
	"brim":     {[3]float32{0.74, 0.52, 0.05}, 0, 0.35, false},
	"lining":   {[3]float32{0.25, 0.28, 0.26}, 0, 0.9, true},
	"brass":    {[3]float32{0.78, 0.57, 0.11}, 1, 0.3, false},
	"duck":     {[3]float32{0.33, 0.26, 0.16}, 0, 0.85, true},
	"webbing":  {[3]float32{0.28, 0.23, 0.17}, 0, 0.9, true},
	"leather":  {[3]float32{0.23, 0.12, 0.06}, 0, 0.6, false},
	"gauntlet": {[3]float32{0.45, 0.30, 0.16}, 0, 0.7, false},
	"rubber":   {[3]float32{0.03, 0.035, 0.04}, 0, 0.4, false},
	"felt":     {[3]float32{0.10, 0.17, 0.13}, 0, 0.95, true},
}

// materialOf appends the material called name.
func (w *glb) materialOf(name string) int {
	look := palette[name]
	m := material{Name: name, DoubleSided: name == "felt" || name == "brim", PBR: pbr{
		BaseColorFactor: [4]float32{look.colour[0], look.colour[1], look.colour[2], 1},
		MetallicFactor:  look.metal,
		RoughnessFactor: look.roughness,
	}}
	if look.weave {
		if len(w.doc.Textures) == 0 {
			w.doc.Images = []imageRef{{Name: "weave", BufferView: w.view(weave(), 0), MimeType: "image/png"}}
			w.doc.Samplers = []sampler{{MagFilter: 9729, MinFilter: 9987, WrapS: 10497, WrapT: 10497}}
			w.doc.Textures = []texture{{}}
		}
		m.PBR.BaseColorTexture = &textureRef{}
	}
	w.doc.Materials = append(w.doc.Materials, m)
	return len(w.doc.Materials) - 1
}

// weave draws a twill: diagonal ribs, 128 pixels square.
func weave() []byte {
	const n = 128
	img := image.NewGray(image.Rect(0, 0, n, n))
	for y := range n {
		for x := range n {
			s := math.Sin(2*math.Pi*float64(x+y)/4) * math.Cos(2*math.Pi*float64(x-y)/16)
			img.SetGray(x, y, color.Gray{Y: uint8(225 + 30*s)})
		}
	}
	var b bytes.Buffer
	_ = png.Encode(&b, img) // a bytes.Buffer cannot fail
	return b.Bytes()
}

// writeTo writes the container: header, JSON chunk, binary chunk.
func (w *glb) writeTo(out io.Writer) error {
	for w.bin.Len()%4 != 0 {
		w.bin.WriteByte(0)
	}
	w.doc.Buffers = []buffer{{ByteLength: w.bin.Len()}}
	text, err := json.Marshal(&w.doc)
	if err != nil {
		return err
	}
	for len(text)%4 != 0 {
		text = append(text, ' ')
	}
	const magic, version, chunkJSON, chunkBIN = 0x46546C67, 2, 0x4E4F534A, 0x004E4942
	var b bytes.Buffer
	for _, x := range []uint32{magic, version, uint32(12 + 8 + len(text) + 8 + w.bin.Len()), uint32(len(text)), chunkJSON} {
		_ = binary.Write(&b, binary.LittleEndian, x)
	}
	b.Write(text)
	for _, x := range []uint32{uint32(w.bin.Len()), chunkBIN} {
		_ = binary.Write(&b, binary.LittleEndian, x)
	}
	b.Write(w.bin.Bytes())
	_, err = out.Write(b.Bytes())
	return err
}

// WriteGLB writes the body as a skinned mesh with its skeleton. Weights are
// floats, for the cox normalised unsigned bytes.
func (b *Body) WriteGLB(out io.Writer) error { return b.write(out, marked{}) }

// write writes the body with the attributes of marks.
func (b *Body) write(out io.Writer, marks marked) error {
	w := newGLB(b.Name)
	root := skinning.Identity()
	body := w.addNode(b.Name, &root)
	var joints []int
	for j := range b.Skin.Joints {
		s := &b.Skin.Joints[j]
		local := s.Global
		if s.Parent >= 0 {
			inv, ok := b.Skin.Joints[s.Parent].Global.Inverse()
			if !ok {
				return fmt.Errorf("body %s: joint %s is singular", b.Name, s.Name)
			}
			local = inv.Mul(&s.Global)
		}
		joints = append(joints, w.addNode(s.Name, &local))
		if s.Parent >= 0 {
			p := &w.doc.Nodes[joints[s.Parent]]
			p.Children = append(p.Children, joints[j])
		}
	}
	w.doc.Scenes[0].Nodes = []int{body, joints[0]}

	p := make([][3]float32, len(b.Mesh.Positions))
	n := make([][3]float32, len(p))
	for v := range p {
		p[v], n[v] = vec32(b.Mesh.Positions[v]), unit32(b.Mesh.Normals[v])
	}
	index := make([][4]uint8, len(p))
	float := make([][4]float32, len(p))
	bytes255 := make([][4]uint8, len(p))
	for v := range p {
		j, x := b.Rows.Row(v)
		for k := range j {
			index[v][k], float[v][k] = uint8(j[k]), float32(x[k])
		}
		bytes255[v] = quantise(x)
		for k := range 4 {
			if b.Name == "cox" && bytes255[v][k] == 0 {
				index[v][k] = 0 // unused entries name joint 0
			}
		}
	}
	prim := primitive{Material: w.materialOf("skin"), Indices: w.indices(b.Mesh.Triangles, 0, len(p))}
	prim.Attributes.Position = w.positions(p)
	prim.Attributes.Normal = ptr(w.accessor(n, componentFloat, "VEC3", len(p), targetVertices))
	prim.Attributes.TexCoord = ptr(w.accessor(b.UV, componentFloat, "VEC2", len(p), targetVertices))
	prim.Attributes.Joints = ptr(w.accessor(index, componentUint8, "VEC4", len(p), targetVertices))
	if b.Name == "cox" {
		i := w.accessor(bytes255, componentUint8, "VEC4", len(p), targetVertices)
		w.doc.Accessors[i].Normalized = true
		prim.Attributes.Weights = &i
	} else {
		prim.Attributes.Weights = ptr(w.accessor(float, componentFloat, "VEC4", len(p), targetVertices))
	}
	if marks.paint != nil {
		i := w.accessor(marks.paint, componentUint8, "VEC4", len(p), targetVertices)
		w.doc.Accessors[i].Normalized = true
		prim.Attributes.Color = &i
	}
	if marks.redo != nil {
		prim.Attributes.Redo = ptr(w.accessor(marks.redo, componentFloat, "SCALAR", len(p), targetVertices))
	}
	if marks.held != nil {
		prim.Attributes.Held = ptr(w.accessor(marks.held, componentFloat, "SCALAR", len(p), targetVertices))
	}
	w.doc.Meshes = []meshObject{{Name: b.Name, Primitives: []primitive{prim}}}
	w.doc.Nodes[body].Mesh, w.doc.Nodes[body].Skin = ptr(0), ptr(0)

	bind := make([][16]float32, len(joints))
	for j := range bind {
		a := b.Skin.Joints[j].InverseBind
		t := [3]float64{a.T.X, a.T.Y, a.T.Z}
		for c := range 3 { // column-major
			for r := range 3 {
				bind[j][4*c+r] = float32(a.M[3*r+c])
			}
			bind[j][12+c] = float32(t[c])
		}
		bind[j][15] = 1
	}
	w.doc.Skins = []skinObject{{Name: b.Name, InverseBindMatrices: w.accessor(bind, componentFloat, "MAT4", len(bind), 0), Joints: joints}}
	return w.writeTo(out)
}

func ptr(i int) *int { return &i }

// quantise rounds weights to bytes that sum to 255: largest remainders first.
func quantise(w []float64) (q [4]uint8) {
	sum := 0
	for k, x := range w {
		q[k] = uint8(math.Floor(255 * x))
		sum += int(q[k])
	}
	for ; sum < 255; sum++ {
		best, at := -1.0, 0
		for k, x := range w {
			if r := 255*x - float64(q[k]); r > best {
				best, at = r, k
			}
		}
		q[at]++
	}
	return q
}

// WriteGLB writes the garment without a skin, one primitive per part, hung on a
// node with the transform g.Node: the file's positions are in that node's frame.
// A mirroring node reverses the triangles, as the specification wants (section
// 3.7.4: a negative determinant turns the winding).
func (g *Garment) WriteGLB(out io.Writer) error {
	w := newGLB(g.Name)
	inv, ok := g.Node.Inverse()
	if !ok {
		return fmt.Errorf("garment %s: the node's transform is singular", g.Name)
	}
	at := w.addNode(g.Name, &g.Node)
	mirrored := g.Node.Det() < 0
	byPart := make([][][3]int32, len(g.Parts))
	for _, t := range g.Mesh.Triangles {
		for k, p := range g.Parts {
			if int(t[0]) >= p.Start && int(t[0]) < p.End {
				if mirrored {
					t[1], t[2] = t[2], t[1]
				}
				byPart[k] = append(byPart[k], t)
			}
		}
	}
	m := meshObject{Name: g.Name}
	for k, part := range g.Parts {
		var p, n [][3]float32
		for v := part.Start; v < part.End; v++ {
			p = append(p, vec32(inv.Apply(g.Mesh.Positions[v])))
			if g.Mesh.Normals != nil {
				// n_world ~ M^-T n_local, so n_local ~ M^T n_world.
				a, x := g.Node.M, g.Mesh.Normals[v]
				n = append(n, unit32(r3.Vec{
					X: a[0]*x.X + a[3]*x.Y + a[6]*x.Z,
					Y: a[1]*x.X + a[4]*x.Y + a[7]*x.Z,
					Z: a[2]*x.X + a[5]*x.Y + a[8]*x.Z,
				}))
			}
		}
		prim := primitive{Material: w.materialOf(part.Material), Indices: w.indices(byPart[k], part.Start, len(p))}
		prim.Attributes.Position = w.positions(p)
		if n != nil {
			prim.Attributes.Normal = ptr(w.accessor(n, componentFloat, "VEC3", len(p), targetVertices))
		}
		prim.Attributes.TexCoord = ptr(w.accessor(g.UV[part.Start:part.End], componentFloat, "VEC2", len(p), targetVertices))
		m.Primitives = append(m.Primitives, prim)
	}
	w.doc.Meshes = []meshObject{m}
	w.doc.Nodes[at].Mesh = ptr(0)
	w.doc.Scenes[0].Nodes = []int{at}
	return w.writeTo(out)
}

// WriteCrew writes every member into dir: NAME/body.glb and a file for every
// garment of the wardrobe, NAME/GARMENT.glb, spaces and apostrophes left out
// ("oilskin coat" is oilskin-coat.glb). dir is made where it is missing.
func WriteCrew(dir string) error {
	for _, name := range Names() {
		b := NewBody(name)
		if err := b.WriteMember(filepath.Join(dir, name)); err != nil {
			return fmt.Errorf("crew member %s: %w", name, err)
		}
	}
	return nil
}

// WriteMember writes the body and its wardrobe into dir.
func (b *Body) WriteMember(dir string) error {
	if err := os.MkdirAll(dir, 0o777); err != nil {
		return err
	}
	if err := writeFile(filepath.Join(dir, "body.glb"), b.WriteGLB); err != nil {
		return err
	}
	for _, g := range b.Wardrobe() {
		if err := writeFile(filepath.Join(dir, FileName(g.Name)), g.WriteGLB); err != nil {
			return err
		}
	}
	return nil
}

// FileName is the file that WriteCrew gives a garment.
func FileName(garment string) string {
	return strings.NewReplacer(" ", "-", "'", "", ",", "").Replace(garment) + ".glb"
}

func writeFile(path string, write func(io.Writer) error) error {
	var b bytes.Buffer
	if err := write(&b); err != nil {
		return err
	}
	return os.WriteFile(path, b.Bytes(), 0o666)
}
