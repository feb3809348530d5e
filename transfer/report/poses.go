package report

// Poses worth a look: what each joint does in them, their pictures, and where the
// 3D view looks from.

import (
	"cmp"
	"fmt"
	"image"
	"math"
	"slices"
	"strings"

	"gonum.org/v1/gonum/spatial/r3"

	"github.com/selvage/selvage/transfer/mesh"
	"github.com/selvage/selvage/transfer/pose"
	"github.com/selvage/selvage/transfer/skinning"
)

const (
	// maxPoses are shown at most, maxPosesOfOne of one garment.
	maxPoses, maxPosesOfOne = 12, 6
	// poseShare is the half width of a pose's close-up, as a share of the diagonal.
	poseShare = 0.05
	// poseReach is how far from the place, in half widths, anything is drawn.
	poseReach = 2.5
	// stretchEnd is the base-2 logarithm of the edge ratio at the bright end of the
	// close-ups' scale: double; half is at the dark one.
	stretchEnd = 1.0
)

// Pose is a pose worth a look, with the place to look at.
type Pose struct {
	// Title and Sentence are text.
	Title, Sentence string
	// Rank sorts the poses, highest first; equal ranks keep their order.
	Rank float64
	// Body maps each joint of Page.Body's skin from the default-pose world frame to
	// the posed one, as skinning.TurnAll and pose.Checker.Maps make it. Rotation,
	// translation, scale and shear are shown alike.
	Body skinning.Pose
	// Worn does the same for the garment's skin, for joints that the body lacks. Nil,
	// and for other garments: such joints go where the body's of the same name goes,
	// else they follow their parents.
	Worn skinning.Pose
	// Garment is the index in Page.Garments, and Vertex the one to look at: the
	// garment's own, or the body's where OnBody is set.
	Garment, Vertex int
	OnBody          bool
	// Parted pictures the vertices as the file has them, not welded: what the pose
	// tears apart is seen. Inside pictures what is in the body through it.
	Parted, Inside bool
}

// AddPoses offers the worst poses that a check of Page.Garments[garment] found: of
// each fault at each joint its worst. k may have been made anew, of the same files
// and plan, after r came from elsewhere. Errors: a finding in a pose that k does not
// have.
func (p *Page) AddPoses(garment int, k *pose.Checker, r *pose.Report) error {
	type key struct{ name, joint, axis string }
	at := map[key]int{}
	for i, q := range k.Poses() {
		if x := (key{q.Name, q.Joint, q.Axis}); at[x] == 0 {
			at[x] = i + 1
		}
	}
	name := p.Garments[garment].Name
	groups := pose.ByJoint(r.Findings)
	for _, g := range groups[:min(len(groups), maxPosesOfOne)] {
		f := &g.Worst
		i := at[key{f.Pose.Name, f.Pose.Joint, f.Pose.Axis}] - 1
		if i < 0 {
			return fmt.Errorf("%s: the check has no pose %q", r.Garment, f.Pose.Name)
		}
		worn, body := k.Maps(i)
		p.Poses = append(p.Poses, Pose{
			Title: name + ", " + f.Kind.String() + ": " + f.Pose.Name, Sentence: asSentence(f.Sentence), Rank: f.Rank, Body: body, Worn: worn,
			Garment: garment, Vertex: f.Place.Vertex, OnBody: f.Place.Surface == "body", Parted: f.Kind == pose.Parted, Inside: f.Kind == pose.Penetration || f.Kind == pose.Crossing || f.Kind == pose.Dive,
		})
	}
	notes := ""
	if n := len(pose.ByJoint(r.Notes)); n > 0 {
		notes = fmt.Sprintf(" %d %s for the rigger on what no weights of the garment can mend are not shown here.", n, plural(n, "note", "notes"))
	}
	p.Checks = append(p.Checks, fmt.Sprintf("%s: %d poses checked, %d %s of fault over the limits.%s",
		name, r.Poses, len(groups), plural(len(groups), "kind", "kinds"), notes))
	for _, x := range r.Remarks {
		p.Checks = append(p.Checks, asSentence(x))
	}
	return nil
}

// asSentence begins text large and ends it with a full stop.
func asSentence(text string) string {
	if text == "" {
		return text
	}
	return strings.ToUpper(text[:1]) + text[1:] + "."
}

// sortPoses puts the worst first and drops what is too many.
func (p *Page) sortPoses() []Pose {
	out := slices.Clone(p.Poses)
	slices.SortStableFunc(out, func(a, b Pose) int { return cmp.Compare(b.Rank, a.Rank) })
	return out[:min(len(out), maxPoses)]
}

// figure that the pose's vertex is of, as an index among body and garments.
func (q *Pose) figure() int {
	if q.OnBody {
		return 0
	}
	return q.Garment + 1
}

func (p *Page) checkPose(k int, q *Pose) error {
	if q.Garment < 0 || q.Garment >= len(p.Garments) {
		return fmt.Errorf("pose %d: garment %d of %d", k, q.Garment, len(p.Garments))
	}
	f := p.Body
	if !q.OnBody {
		f = p.Garments[q.Garment]
	}
	if n := f.Mesh.NumVertices(); q.Vertex < 0 || q.Vertex >= n {
		return fmt.Errorf("pose %d: vertex %d of %d", k, q.Vertex, n)
	}
	if len(q.Body) != len(p.Body.Skin.Joints) {
		return fmt.Errorf("pose %d: maps of %d joints, the body has %d", k, len(q.Body), len(p.Body.Skin.Joints))
	}
	if g := p.Garments[q.Garment]; q.Worn != nil && (g.Skin == nil || len(q.Worn) != len(g.Skin.Joints)) {
		return fmt.Errorf("pose %d: maps of %d joints for the skin of %s", k, len(q.Worn), g.Name)
	}
	return nil
}

// mapsOf are the pose's maps of all joints of the page.
func (s *scene) mapsOf(q *Pose) skinning.Pose {
	joints := s.joints.joints
	n := len(joints)
	out, known := make(skinning.Pose, n), make([]bool, n)
	set := func(f *Figure, maps skinning.Pose) {
		for k, m := range maps {
			if j := s.joints.index[f][k]; !known[j] {
				out[j], known[j] = m, true
			}
		}
	}
	set(s.figures[0], q.Body)
	if g := s.figures[q.Garment+1]; g.Rows != nil {
		set(g, q.Worn)
	}
	byName := map[string]int{}
	for j := n - 1; j >= 0; j-- {
		if known[j] && joints[j].Name != "" {
			byName[joints[j].Name] = j
		}
	}
	var visit func(j, depth int)
	visit = func(j, depth int) {
		if known[j] || depth > n {
			return
		}
		out[j] = skinning.Identity()
		if same, ok := byName[joints[j].Name]; ok {
			out[j] = out[same]
		} else if parent := joints[j].Parent; parent >= 0 {
			visit(parent, depth+1)
			out[j] = out[parent]
		}
		known[j] = true
	}
	for j := range out {
		visit(j, 0)
	}
	return out
}

// viewChange is what a joint does itself, after its parent: a translation, a
// rotation and a scale along its own axes about its own origin, as in a glTF node,
// or where that does not say all (shear) a matrix.
type viewChange struct {
	Joint int `json:"joint"`
	// Translation in metres, Rotation a rotation vector in radians, Scale factors: each
	// by the joint's own axes.
	Translation [3]float64 `json:"translation"`
	Rotation    [3]float64 `json:"rotation"`
	Scale       [3]float64 `json:"scale"`
	// Matrix, row by row, about the scene's centre; it comes before the above.
	Matrix *[12]float64 `json:"matrix,omitempty"`
}

// still is how far from the identity a map may be and count as it: rounding.
const still = 1e-9

// changes splits a pose into what each joint does. axes are the joints' own axes,
// unit vectors in the world frame.
func changes(maps skinning.Pose, joints []skinning.Joint, axes [][3]r3.Vec, centre r3.Vec) []viewChange {
	out := []viewChange{}
	for j := range joints {
		own := maps[j]
		if parent := joints[j].Parent; parent >= 0 {
			inv, ok := maps[parent].Inverse()
			if !ok {
				continue // the parent is flat: nothing below it can be seen
			}
			own = inv.Mul(&own)
		}
		if c, ok := split(&own, joints[j].Global.T, axes[j]); !ok {
			m := aboutCentre(&own, centre)
			out = append(out, viewChange{Joint: j, Scale: [3]float64{1, 1, 1}, Matrix: &m})
		} else if c != (viewChange{Scale: [3]float64{1, 1, 1}}) {
			c.Joint = j
			out = append(out, c)
		}
	}
	return out
}

// split takes a joint's own change apart: x goes to o + A t + A R S A^T (x - o),
// with o the joint's origin and A its axes. ok is false where that is not all.
func split(own *skinning.Affine, origin r3.Vec, axes [3]r3.Vec) (c viewChange, ok bool) {
	tidy := func(x, neutral float64) float64 {
		if math.Abs(x-neutral) < still {
			return neutral
		}
		return x
	}
	var image [3]r3.Vec // of the axes, unit
	for k, a := range axes {
		for l := range k {
			if math.Abs(r3.Dot(a, axes[l])) > 1e-6 {
				return c, false
			}
		}
		image[k] = own.ApplyVector(a)
		c.Scale[k] = r3.Norm(image[k])
		if !(c.Scale[k] > 0) || !(r3.Norm(a) > 0) {
			return c, false
		}
		image[k] = r3.Scale(1/c.Scale[k], image[k])
	}
	if own.Det() < 0 {
		c.Scale[0], image[0] = -c.Scale[0], r3.Scale(-1, image[0])
	}
	var turn skinning.Affine // sum of image times axis transposed
	for k := range axes {
		row := [3]float64{image[k].X, image[k].Y, image[k].Z}
		for i, x := range row {
			turn.M[3*i] += x * axes[k].X
			turn.M[3*i+1] += x * axes[k].Y
			turn.M[3*i+2] += x * axes[k].Z
		}
	}
	vector := rotationVector(&turn)
	step := r3.Sub(own.Apply(origin), origin)
	for k, a := range axes {
		c.Translation[k] = tidy(r3.Dot(step, a), 0)
		c.Rotation[k] = tidy(r3.Dot(vector, a), 0)
		c.Scale[k] = tidy(c.Scale[k], 1)
	}
	// What these nine numbers make is held against the map itself.
	var again skinning.Affine
	back := skinning.RotationAbout(r3.Vec{}, vector, r3.Norm(vector))
	for k, a := range axes {
		d := r3.Scale(c.Scale[k], back.ApplyVector(a))
		for i, x := range [3]float64{d.X, d.Y, d.Z} {
			again.M[3*i] += x * a.X
			again.M[3*i+1] += x * a.Y
			again.M[3*i+2] += x * a.Z
		}
	}
	for i := range again.M {
		if math.Abs(again.M[i]-own.M[i]) > 1e-6 {
			return c, false
		}
	}
	return c, true
}

// rotationVector is the axis of a rotation times its angle, in [0, pi].
// Source: Shepperd, "Quaternion from Rotation Matrix", Journal of Guidance and
// Control 1(3), 1978: the largest component first keeps half turns exact.
func rotationVector(a *skinning.Affine) r3.Vec {
	m := &a.M
	trace := m[0] + m[4] + m[8]
	var w, x, y, z float64
	switch {
	case trace >= max(m[0], m[4], m[8]):
		w = 1 + trace
		x, y, z = m[7]-m[5], m[2]-m[6], m[3]-m[1]
	case m[0] >= max(m[4], m[8]):
		x = 1 + m[0] - m[4] - m[8]
		w, y, z = m[7]-m[5], m[1]+m[3], m[2]+m[6]
	case m[4] >= m[8]:
		y = 1 - m[0] + m[4] - m[8]
		w, x, z = m[2]-m[6], m[1]+m[3], m[5]+m[7]
	default:
		z = 1 - m[0] - m[4] + m[8]
		w, x, y = m[3]-m[1], m[2]+m[6], m[5]+m[7]
	}
	v := r3.Vec{X: x, Y: y, Z: z}
	n := r3.Norm(v)
	if n == 0 {
		return r3.Vec{}
	}
	if w < 0 {
		w, v = -w, r3.Scale(-1, v)
	}
	return r3.Scale(2*math.Atan2(n, w)/n, v)
}

// viewPose is a pose as the viewer gets it.
type viewPose struct {
	viewPlace
	Changes []viewChange `json:"changes"`
}

// closeUp is the picture of a pose around its place.
type closeUp struct {
	picture *image.RGBA
	view    View
	centre  r3.Vec
	half    float64
	maps    skinning.Pose // of the page's joints
}

// sentence is the pose's, with what the picture leaves out.
func (c *closeUp) sentence(q *Pose) string {
	if c.view.Cut > 0 {
		return q.Sentence + " What stands before the place is cut away in the picture."
	}
	return q.Sentence
}

// drawPose renders the garment posed over the body and what is beneath it posed, in the colours of how far its
// edges are stretched, with its edge lines, the place ringed.
func (s *scene) drawPose(q *Pose, width, height int) closeUp {
	figures, welded := s.figures, s.welded
	maps := s.mapsOf(q)
	worn, body := q.Garment+1, 0
	show := func(i int) (*mesh.Mesh, []r3.Vec) {
		at := figures[i].posed(maps, s.joints.index[figures[i]])
		if q.Parted && i == worn {
			return &mesh.Mesh{Positions: at, Triangles: figures[i].Mesh.Triangles}, at
		}
		m := &mesh.Mesh{Positions: make([]r3.Vec, len(welded[i].normal)), Triangles: welded[i].Mesh.Triangles}
		for w, v := range firstMembers(&welded[i]) {
			m.Positions[w] = at[v]
		}
		return m, at
	}
	garment, atGarment := show(worn)
	under, atBody := show(body)
	at, over, f := atGarment, garment, worn
	if q.OnBody {
		at, over, f = atBody, under, body
	}
	c := closeUp{centre: at[q.Vertex], half: poseShare * s.size, maps: maps}
	rest := figures[worn].Mesh
	if !q.Parted {
		rest = welded[worn].Mesh
	}
	stretch := stretches(rest, garment)
	vertex := q.Vertex
	if over != garment || !q.Parted {
		vertex = int(welded[f].ToWelded[q.Vertex])
	}
	normal := mesh.VertexNormals(over)[vertex]

	near, value := cut(garment, stretch, c.centre, poseReach*c.half)
	below, _ := cut(under, nil, c.centre, poseReach*c.half)
	// What should be seen is the surface around the vertex, not others close by.
	patch := &mesh.Mesh{Positions: over.Positions, Triangles: patchAround(over, int32(vertex), c.half/3)}
	full := make([]float64, len(over.Positions))
	for v := range full {
		full[v] = 1
	}
	corner := r3.Vec{X: c.half, Y: c.half, Z: c.half}
	box := r3.Box{Min: r3.Sub(c.centre, corner), Max: r3.Add(c.centre, corner)}
	// The patch comes first and so stays in front of itself.
	trial := []Layer{{Mesh: patch, Scalar: full, Map: Viridis}, {Mesh: near, Color: bodyColour}}
	var beneath []Layer
	for i := s.worn + 1; i < len(figures); i++ {
		m, _ := show(i)
		m, _ = cut(m, nil, c.centre, poseReach*c.half)
		beneath = append(beneath, Layer{Mesh: m, Color: beneathColour})
	}
	if !q.Inside {
		trial = append(append(trial, Layer{Mesh: below, Color: bodyColour}), beneath...)
	}
	free := clearestView(trial[:1], View{Box: box, Threads: s.threads}, normal)
	c.view = clearestView(trial, View{Box: box, Threads: s.threads}, normal)
	if 4*markedPixels(trial, c.view) < markedPixels(trial[:1], free) {
		c.view.Cut = c.half / 8
		c.view = clearestView(trial, c.view, normal)
	}
	v := c.view
	v.Marks = []r3.Vec{c.centre}
	layers := []Layer{
		{Mesh: near, Scalar: value, Min: -stretchEnd, Max: stretchEnd, Map: Cividis, Lines: true},
		{Mesh: below, Color: bodyColour, Lines: q.OnBody},
	}
	layers = append(layers, beneath...)
	c.picture = Render(layers, v, width, height)
	if q.Inside {
		// Half with the body and what is worn, half without them.
		for i, x := range Render(layers[:1], v, width, height).Pix {
			c.picture.Pix[i] = uint8((int(c.picture.Pix[i]) + int(x) + 1) / 2)
		}
	}
	return c
}

// patchAround are the triangles of m that hang together with vertex v within reach of
// it. O(triangles).
func patchAround(m *mesh.Mesh, v int32, reach float64) [][3]int32 {
	var near [][3]int32
	for _, t := range m.Triangles {
		inside := true
		for _, u := range t {
			inside = inside && (u == v || r3.Norm(r3.Sub(m.Positions[u], m.Positions[v])) <= reach)
		}
		if inside || t[0] == v || t[1] == v || t[2] == v {
			near = append(near, t)
		}
	}
	in := map[int32]bool{v: true}
	var out [][3]int32
	for grown := true; grown; {
		grown = false
		rest := near[:0]
		for _, t := range near {
			if in[t[0]] || in[t[1]] || in[t[2]] {
				in[t[0]], in[t[1]], in[t[2]] = true, true, true
				out = append(out, t)
				grown = true
			} else {
				rest = append(rest, t)
			}
		}
		near = rest
	}
	return out
}

// stretches is for each vertex the mean base-2 logarithm of its edges' lengths in posed
// over those in rest, two meshes of the same triangles. O(triangles).
func stretches(rest, posed *mesh.Mesh) []float64 {
	sum, count := make([]float64, len(rest.Positions)), make([]float64, len(rest.Positions))
	for _, t := range rest.Triangles {
		for k := range t {
			a, b := t[k], t[(k+1)%3]
			before := r3.Norm(r3.Sub(rest.Positions[a], rest.Positions[b]))
			after := r3.Norm(r3.Sub(posed.Positions[a], posed.Positions[b]))
			if before > 0 && after > 0 {
				l := math.Log2(after / before)
				sum[a], sum[b] = sum[a]+l, sum[b]+l
				count[a]++
				count[b]++
			}
		}
	}
	for v := range sum {
		if count[v] > 0 {
			sum[v] /= count[v]
		}
	}
	return sum
}
