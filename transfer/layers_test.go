package transfer

// Layers: closed forms on cylinders, and properties on the demo crew's wardrobe.

import (
	"context"
	"errors"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"github.com/selvage/selvage/transfer/crew"
	"github.com/selvage/selvage/transfer/mesh"
	"github.com/selvage/selvage/transfer/pose"
	"github.com/selvage/selvage/transfer/skinning"
	"github.com/selvage/selvage/transfer/weights"
	"gonum.org/v1/gonum/spatial/r3"
)

// limbSkin is a joint at (0,-1,0) and one at the origin; both frames are the world's.
func limbSkin() *skinning.Skin {
	s := &skinning.Skin{Name: "limb"}
	for j, y := range []float64{-1, 0} {
		g := skinning.Identity()
		g.T.Y = y
		inv, _ := g.Inverse()
		s.Joints = append(s.Joints, skinning.Joint{Name: []string{"upper", "lower"}[j], Parent: j - 1, Global: g, InverseBind: inv})
	}
	return s
}

// pipe is an open cylinder around a line parallel to the y axis at x = at: radius r,
// from y = low to high, 48 sides, rings about 2 cm apart. The weight of the lower joint
// is share(y).
func pipe(r, at, low, high float64, share func(y float64) float64) (*mesh.Mesh, *weights.Rows) {
	const around = 48
	rings := int(math.Round((high - low) / 0.02))
	m, rows := &mesh.Mesh{}, weights.NewRows(0)
	for k := 0; k <= rings; k++ {
		y := low + (high-low)*float64(k)/float64(rings)
		for i := range around {
			sin, cos := math.Sincos(2 * math.Pi * float64(i) / around)
			m.Positions = append(m.Positions, r3.Vec{X: at + r*cos, Y: y, Z: r * sin})
			s := share(y)
			switch s {
			case 0:
				rows.Append([]uint16{0}, []float64{1})
			case 1:
				rows.Append([]uint16{1}, []float64{1})
			default:
				rows.Append([]uint16{0, 1}, []float64{1 - s, s})
			}
		}
	}
	v := func(k, i int) int32 { return int32(k*around + i%around) }
	for k := range rings {
		for i := range around {
			a, b, c, d := v(k, i), v(k, i+1), v(k+1, i), v(k+1, i+1)
			m.Triangles = append(m.Triangles, [3]int32{a, c, b}, [3]int32{b, c, d})
		}
	}
	return m, rows
}

// bend is a ramp of length 1 around y = middle.
func bend(middle float64) func(y float64) float64 {
	return func(y float64) float64 { return min(max(y-middle+0.5, 0), 1) }
}

func constant(s float64) func(float64) float64 { return func(float64) float64 { return s } }

func limb(t testing.TB, share func(y float64) float64) *Source {
	t.Helper()
	m, rows := pipe(0.1, 0, -1, 1, share)
	s, err := Prepare(context.Background(), &Body{Name: "limb", Mesh: m, Rows: rows, Skin: limbSkin()}, 0)
	if err != nil {
		t.Fatal(err)
	}
	return s
}

func under(t testing.TB, s *Source, layers ...Layer) *Source {
	t.Helper()
	over, err := s.WithLayers(context.Background(), layers, 0)
	if err != nil {
		t.Fatal(err)
	}
	return over
}

// lower is the weight of the lower joint.
func lower(r *weights.Rows, v int) float64 {
	joint, weight := r.Row(v)
	for i, j := range joint {
		if j == 1 {
			return weight[i]
		}
	}
	return 0
}

// TestLayers_Cylinders: a pipe over a pipe over a limb. The inner one's bend was moved
// along the limb by hand; the outer one's vertices stand over its vertices, so that its
// matches are vertices and its rows must be theirs.
//
// Linear blending then sends vertices p of the inner and q of the outer pipe with one
// row by one affine map. Such a map keeps ratios along lines (Coxeter, Introduction to
// Geometry, 2nd edition 1969, section 13.2; from memory), so with c the point of the
// axis between them, posed q - posed c = (0.12/0.11) (posed p - posed c): the outer pipe
// is outside in every pose, by a closed form that no sample of poses can miss. The pose
// check must say the same, and must not where the rows are the limb's.
func TestLayers_Cylinders(t *testing.T) {
	ctx := context.Background()
	s := limb(t, bend(0))
	innerMesh, innerRows := pipe(0.11, 0, -0.9, 0.9, bend(0.12))
	outerMesh, _ := pipe(0.12, 0, -0.9, 0.9, constant(0))
	over := under(t, s, Layer{Name: "inner", Mesh: innerMesh, Rows: innerRows})
	garment := &Garment{Name: "outer", Mesh: outerMesh}
	// Unsmoothed the rows are the inner's; the one's files are float32.
	exact := mustTransfer(t, over, garment, Options{Falloff: -1, Registration: Off})
	for v := range outerMesh.Positions {
		if d := math.Abs(lower(exact.Rows, v) - lower(innerRows, v)); d > weights.Float32Tolerance {
			t.Fatalf("vertex %d at y %.3f: %.7f of the lower joint, %.7f beneath", v, outerMesh.Positions[v].Y, lower(exact.Rows, v), lower(innerRows, v))
		}
		if exact.Layer[v] != 1 {
			t.Fatalf("vertex %d is matched to layer %d", v, exact.Layer[v])
		}
	}
	if want := []TakenFrom{{"limb", 0}, {"inner", len(outerMesh.Positions)}}; !slices.Equal(exact.Summary.TakenFrom, want) {
		t.Errorf("taken from %v, want %v", exact.Summary.TakenFrom, want)
	}
	for _, degrees := range []float64{-170, -90, 17, 45, 90, 135} {
		for axis := range 3 {
			p := s.body.Skin.Turn(1, s.body.Skin.LocalAxis(1, axis), degrees*math.Pi/180)
			for v, x := range outerMesh.Positions {
				ji, wi := innerRows.Row(v)
				jo, wo := exact.Rows.Row(v)
				c := p.PosedPoint(r3.Vec{Y: x.Y}, ji, wi)
				in, out := r3.Sub(p.PosedPoint(innerMesh.Positions[v], ji, wi), c), r3.Sub(p.PosedPoint(x, jo, wo), c)
				// A float32 weight is off by 6e-8, and turns by at most 2 m.
				if d := r3.Norm(r3.Sub(out, r3.Scale(0.12/0.11, in))); d > 1e-6 {
					t.Fatalf("%g degrees about axis %d, vertex %d: off the ratio by %g m", degrees, axis, v, d)
				}
			}
		}
	}

	// By default rows are smoothed a little; the check finds nothing under the inner
	// pipe, though it finds the limb's own rows there.
	figure := func(name string, m *mesh.Mesh, rows *weights.Rows) *pose.Figure {
		return &pose.Figure{Name: name, Mesh: m, Rows: rows, Skin: s.body.Skin}
	}
	body := figure("limb", s.body.Mesh, s.body.Rows)
	layers := []*pose.Figure{figure("inner", innerMesh, innerRows)}
	dives := func(rows *weights.Rows) pose.LayerReport {
		move := 0.0
		k, err := pose.New(ctx, body, figure("outer", outerMesh, rows), pose.Options{Layers: layers, Plan: &pose.Plan{Scale: []float64{}, Move: &move}})
		if err != nil {
			t.Fatal(err)
		}
		r, err := k.Run(ctx, nil)
		if err != nil {
			t.Fatal(err)
		}
		return r.Layers[0]
	}
	with, without := dives(mustTransfer(t, over, garment, Options{}).Rows), dives(mustTransfer(t, s, garment, Options{}).Rows)
	if with.Over < 4000 || with.Avoidable != 0 {
		t.Errorf("with layers: %+v", with)
	}
	if without.Avoidable < 100 || without.Depth < 0.01 {
		t.Errorf("without layers hardly anything dives: %+v", without)
	}
}

// TestLayers_Hem: an inner pipe ends half-way under a longer outer one. Its rows differ
// from the limb's as much as rows can. Over it the outer takes its rows, past its hem
// the limb's, and in between no edge's rows change by more than the smoothing of
// hemBand allows: 1.5 times the step of a straight way, at the middle of the band.
func TestLayers_Hem(t *testing.T) {
	s := limb(t, constant(0))
	innerMesh, innerRows := pipe(0.104, 0, -0.8, 0.1, constant(1))
	outerMesh, _ := pipe(0.109, 0, -0.7, 0.8, constant(0))
	over := under(t, s, Layer{Name: "inner", Mesh: innerMesh, Rows: innerRows})
	r := mustTransfer(t, over, &Garment{Name: "outer", Mesh: outerMesh}, Options{Registration: Off})
	band := hemBand * over.size
	adjacency := mesh.NewAdjacency(outerMesh)
	between := 0
	for v, x := range outerMesh.Positions {
		w := lower(r.Rows, v)
		if x.Y < 0.1-0.02 && w < 0.99 {
			t.Errorf("vertex %d at y %.3f, over the inner pipe: %.3f of its row", v, x.Y, w)
		}
		if x.Y > 0.1+band+0.04 && w > 0.01 {
			t.Errorf("vertex %d at y %.3f, past the hem: %.3f of the inner's row", v, x.Y, w)
		}
		if w > 0.02 && w < 0.98 {
			between++
		}
		for _, u := range adjacency.Neighbours(v) {
			far := r3.Norm(r3.Sub(outerMesh.Positions[u], x))
			// The rings of the limb, 2 cm apart, carry the change: what a band gives over
			// 2 cm is given over one of its edges.
			if step := math.Abs(lower(r.Rows, int(u)) - w); step > 1.5*(max(far, 0.02)+0.01)/band {
				t.Errorf("edge from y %.3f to %.3f: the rows change by %.3f", x.Y, outerMesh.Positions[u].Y, step)
			}
		}
		if r.Layer[v] == 1 && x.Y > 0.1+0.5*0.005+1e-9 {
			t.Errorf("vertex %d at y %.3f is matched to the hem", v, x.Y)
		}
	}
	if between < 48 {
		t.Errorf("%d vertices between the two rows: there is a step", between)
	}
}

// TestLayers_OnlyWhatCovers: of two limbs side by side one wears a sleeve. The other's
// clothes take nothing from it, however near it is.
func TestLayers_OnlyWhatCovers(t *testing.T) {
	left, leftRows := pipe(0.1, -0.11, -1, 1, constant(0))
	right, rightRows := pipe(0.1, 0.11, -1, 1, constant(1))
	n := int32(len(left.Positions))
	for _, tri := range right.Triangles {
		left.Triangles = append(left.Triangles, [3]int32{tri[0] + n, tri[1] + n, tri[2] + n})
	}
	left.Positions = append(left.Positions, right.Positions...)
	s, err := Prepare(context.Background(), &Body{Name: "limbs", Mesh: left, Rows: weights.Concat(leftRows, rightRows), Skin: limbSkin()}, 0)
	if err != nil {
		t.Fatal(err)
	}
	sleeve, sleeveRows := pipe(0.104, -0.11, -0.9, 0.9, constant(0))
	over := under(t, s, Layer{Name: "sleeve", Mesh: sleeve, Rows: sleeveRows})
	for k, p := range over.worn.pieces[0].seen {
		tri := s.triangle[k]
		if x := s.body.Mesh.Positions[tri[0]]; !p && x.X > 0 {
			t.Fatalf("the sleeve hides a triangle of the other limb at %v", x)
		}
	}
	other, _ := pipe(0.104, 0.11, -0.9, 0.9, constant(0))
	r := mustTransfer(t, over, &Garment{Name: "other", Mesh: other}, Options{Registration: Off})
	for v := range other.Positions {
		if r.Layer[v] != 0 || lower(r.Rows, v) < 0.999 {
			t.Fatalf("vertex %d at %v: layer %d, %.3f of its own limb", v, other.Positions[v], r.Layer[v], lower(r.Rows, v))
		}
	}
}

// TestLayers_Worth: a match on a layer is worth no more than the layer's own row, and a
// layer that is not trusted hides nothing.
func TestLayers_Worth(t *testing.T) {
	s := limb(t, bend(0))
	innerMesh, innerRows := pipe(0.104, 0, -0.9, 0.9, bend(0))
	outerMesh, _ := pipe(0.108, 0, -0.8, 0.8, constant(0))
	for _, c := range []float32{1, 0.8, 0.6, 0.3} {
		confidence := make([]float32, len(innerMesh.Positions))
		for v := range confidence {
			confidence[v] = c
		}
		over := under(t, s, Layer{Name: "inner", Mesh: innerMesh, Rows: innerRows, Confidence: confidence})
		r := mustTransfer(t, over, &Garment{Name: "outer", Mesh: outerMesh}, Options{Registration: Off})
		for v, got := range r.Confidence {
			if r.Layer[v] == 1 && float64(got) > float64(c)+1e-6 {
				t.Fatalf("confidence %.3f over a layer of %.1f", got, c)
			}
		}
		hidden := slices.Contains(over.worn.pieces[0].seen, false)
		if hidden != (c >= LowConfidence) {
			t.Errorf("a layer of confidence %.1f hides the body: %v", c, hidden)
		}
	}
}

// TestLayers_Doubt: above y = 0.1 the rows of an inner pipe are wrong and not trusted. What
// is worn over it takes the limb's rows there, by whatever confidence below the limit, and
// goes over from the pipe's rows below to those without a step, as past a hem; where
// nothing lies near below, the pipe's rows are taken all the same. A pipe that is not
// trusted at all changes nothing.
func TestLayers_Doubt(t *testing.T) {
	s := limb(t, constant(0.5))
	outerMesh, _ := pipe(0.109, 0, -0.7, 0.8, constant(0))
	garment := &Garment{Name: "outer", Mesh: outerMesh}
	adjacency := mesh.NewAdjacency(outerMesh)
	inner := func(r float64, wrong func(y float64) bool, c float32) Layer {
		m, _ := pipe(r, 0, -0.9, 0.9, constant(0))
		l := Layer{Name: "inner", Mesh: m, Rows: weights.NewRows(0), Confidence: make([]float32, len(m.Positions))}
		for v, x := range m.Positions {
			joint := []uint16{1}
			if l.Confidence[v] = 1; wrong(x.Y) {
				joint, l.Confidence[v] = []uint16{0}, c
			}
			l.Rows.Append(joint, []float64{1})
		}
		return l
	}
	above := func(y float64) bool { return y > 0.1 }
	for _, c := range []float32{0, 0.3, 0.45} {
		over := under(t, s, inner(0.104, above, c))
		r := mustTransfer(t, over, garment, Options{Registration: Off})
		band, between := hemBand*over.size, 0
		for v, x := range outerMesh.Positions {
			w := lower(r.Rows, v)
			switch {
			case x.Y < 0.1-0.06 && (w < 0.99 || r.Layer[v] != 1):
				t.Fatalf("confidence %g: vertex %d at y %.3f, over what is trusted: %.3f, from layer %d", c, v, x.Y, w, r.Layer[v])
			case x.Y > 0.1+band+0.04 && (math.Abs(w-0.5) > 0.01 || r.Layer[v] != 0 || r.Confidence[v] < 0.7):
				t.Fatalf("confidence %g: vertex %d at y %.3f, over what is not: %.3f, from layer %d, confidence %.2f", c, v, x.Y, w, r.Layer[v], r.Confidence[v])
			case w < 0.49:
				t.Fatalf("confidence %g: vertex %d at y %.3f has %.3f: neither the limb's row nor the trusted one", c, v, x.Y, w)
			}
			if w > 0.52 && w < 0.98 {
				between++
			}
			for _, u := range adjacency.Neighbours(v) {
				far := r3.Norm(r3.Sub(outerMesh.Positions[u], x))
				// As past a hem; the rows differ by half as much.
				if step := math.Abs(lower(r.Rows, int(u)) - w); step > 0.5*1.5*(max(far, 0.02)+0.01)/band {
					t.Fatalf("confidence %g: edge from y %.3f to %.3f: the rows change by %.3f", c, x.Y, outerMesh.Positions[u].Y, step)
				}
			}
		}
		if between < 48 {
			t.Errorf("confidence %g: %d vertices between the two rows: there is a step", c, between)
		}
	}

	everywhere := func(float64) bool { return true }
	nothing := under(t, s, inner(0.104, everywhere, 0.3))
	got, want := mustTransfer(t, nothing, garment, Options{Registration: Off}), mustTransfer(t, s, garment, Options{Registration: Off})
	if worst, _ := difference(got.Rows, want.Rows, itself, nil); worst > identityTolerance || slices.Max(got.Layer) != 0 || got.Summary.TakenFrom[1] != (TakenFrom{"inner", 0}) {
		t.Errorf("a layer that is nowhere trusted: rows differ by up to %g; taken from %v", worst, got.Summary.TakenFrom)
	}
	still := skinning.Pose{skinning.Identity(), skinning.Identity()}
	if posed, err := nothing.posed(context.Background(), still, 0); err != nil || len(posed.triangle) != len(nothing.triangle) {
		t.Errorf("in the same pose it has other triangles: %v", err)
	}

	wideMesh, _ := pipe(0.205, 0, -0.7, 0.7, constant(0))
	far := mustTransfer(t, under(t, s, inner(0.2, everywhere, 0.3)), &Garment{Name: "wide", Mesh: wideMesh}, Options{Registration: Off, Loose: Off})
	for v, x := range wideMesh.Positions {
		if math.Abs(x.Y) < 0.6 && (far.Layer[v] != 1 || lower(far.Rows, v) > 0.01 || far.Confidence[v] > 0.31) {
			t.Fatalf("vertex %d at y %.3f, over what is not trusted and far from the limb: %.3f, from layer %d, confidence %.2f", v, x.Y, lower(far.Rows, v), far.Layer[v], far.Confidence[v])
		}
	}
}

// TestLayers_NotItself: a garment's own surface is no layer of it, however it is cut into
// triangles; nor is one layer worn twice. A patch that lies on a layer is worn over it.
func TestLayers_NotItself(t *testing.T) {
	s := limb(t, constant(0.5))
	innerMesh, innerRows := pipe(0.11, 0, -0.9, 0.9, constant(0))
	layer := Layer{Name: "inner", Mesh: innerMesh, Rows: innerRows}
	over := under(t, s, layer)
	again := &mesh.Mesh{}
	for _, x := range innerMesh.Positions { // as a file stores it, in the other order
		again.Positions = append(again.Positions, r3.Vec{X: float64(float32(x.X)), Y: float64(float32(x.Y)), Z: float64(float32(x.Z))})
	}
	slices.Reverse(again.Positions)
	last := int32(len(again.Positions) - 1)
	for _, tri := range innerMesh.Triangles {
		again.Triangles = append(again.Triangles, [3]int32{last - tri[0], last - tri[2], last - tri[1]})
	}
	var wrong *OptionError
	if _, err := over.Transfer(context.Background(), &Garment{Name: "again", Mesh: again}, Options{}); !errors.As(err, &wrong) || wrong.Option != "layer" {
		t.Errorf("over itself: error %v", err)
	}
	if _, err := over.WithLayers(context.Background(), []Layer{{Name: "again", Mesh: again, Rows: innerRows}}, 0); !errors.As(err, &wrong) || wrong.Option != "layer" {
		t.Errorf("the same layer twice: error %v", err)
	}
	patch := &mesh.Mesh{Positions: innerMesh.Positions[:48*60], Triangles: slices.DeleteFunc(slices.Clone(innerMesh.Triangles), func(tri [3]int32) bool { return slices.Max(tri[:]) >= 48*60 })}
	if r := mustTransfer(t, over, &Garment{Name: "patch", Mesh: patch}, Options{}); r.Layer[0] != 1 {
		t.Errorf("a patch is taken from layer %d", r.Layer[0])
	}
}

// dressed is the small cox under jersey and bib trousers.
func dressed(t testing.TB) (h *hand, layers []Layer) {
	h = smallCox()
	s := h.source
	for _, name := range []string{"jersey", "bib trousers"} {
		g := h.garment(t, name)
		r := mustTransfer(t, s, ofCrew(g), Options{})
		layers = append(layers, Layer{Name: name, Mesh: g.Mesh, Rows: r.Rows, Confidence: r.Confidence})
		s = under(t, h.source, layers...)
	}
	return h, layers
}

// TestLayers_SameBits: no layers change nothing; layers put on one by one are those
// put on at once; threads, and a layer's winding, don't matter.
func TestLayers_SameBits(t *testing.T) {
	h, layers := dressed(t)
	ctx := context.Background()
	if same, err := h.source.WithLayers(ctx, nil, 0); err != nil || same != h.source {
		t.Errorf("no layers: another source, %v", err)
	}
	coat := ofCrew(h.garment(t, "oilskin coat"))
	alone := mustTransfer(t, h.source, coat, Options{})
	if alone.Layer != nil || alone.Summary.TakenFrom != nil {
		t.Error("a result without layers tells of layers")
	}
	once := under(t, h.source, layers...)
	want := mustTransfer(t, once, coat, Options{})
	checkLegal(t, want, coat.Mesh.NumVertices(), len(h.body.Skin.Joints), 0)
	if want.Summary.TakenFrom[1].Vertices == 0 || want.Summary.TakenFrom[2].Vertices == 0 {
		t.Errorf("taken from %v", want.Summary.TakenFrom)
	}
	surfaces := []*mesh.Mesh{h.body.Mesh, layers[0].Mesh, layers[1].Mesh}
	for v, l := range want.Layer {
		// The match as the result tells it lies where it says.
		tri, b := surfaces[l].Triangles[want.Triangle[v]], want.Bary[v]
		var x r3.Vec
		for k, u := range tri {
			x = r3.Add(x, r3.Scale(b[k], surfaces[l].Positions[u]))
		}
		if d := r3.Norm(r3.Sub(x, coat.Mesh.Positions[v])); math.Abs(d-want.Distance[v]) > 1e-9 {
			t.Fatalf("vertex %d: its match lies %.6f m away, not %.6f", v, d, want.Distance[v])
		}
	}
	total := 0
	for _, f := range want.Summary.TakenFrom {
		total += f.Vertices
	}
	if total != coat.Mesh.NumVertices() {
		t.Errorf("%d of %d vertices are taken from somewhere", total, coat.Mesh.NumVertices())
	}
	sameBits(t, "one by one", want, mustTransfer(t, under(t, under(t, h.source, layers[0]), layers[1]), coat, Options{}))
	sameBits(t, "used again", want, mustTransfer(t, once, coat, Options{}))
	for _, threads := range []int{1, 3} {
		s, err := h.source.WithLayers(ctx, layers, threads)
		if err != nil {
			t.Fatal(err)
		}
		sameBits(t, "other threads", want, mustTransfer(t, s, coat, Options{Threads: threads}))
	}
	sameBits(t, "the body alone afterwards", alone, mustTransfer(t, h.source, coat, Options{}))
	reversed := slices.Clone(layers)
	for i, l := range reversed {
		m := &mesh.Mesh{Positions: l.Mesh.Positions}
		for _, tri := range l.Mesh.Triangles {
			m.Triangles = append(m.Triangles, [3]int32{tri[0], tri[2], tri[1]})
		}
		reversed[i].Mesh = m
	}
	got := mustTransfer(t, under(t, h.source, reversed...), coat, Options{})
	// Normals are sums in the other order: ties may settle otherwise, and the sweeps of
	// settle.go end where no weight moves by more than 1e-4. Measured: 1.5e-5.
	if worst, mean := difference(want.Rows, got.Rows, func(v int) int { return v }, nil); mean > 5e-5 {
		t.Errorf("layers wound the other way: rows differ by %.6f in the mean, %.4f at most", mean, worst)
	}
}

// TestLayers_Posed: the identity pose gives a source that matches as the one it came
// from.
func TestLayers_Posed(t *testing.T) {
	h, layers := dressed(t)
	s := under(t, h.source, layers...)
	still := make(skinning.Pose, len(h.body.Skin.Joints))
	for j := range still {
		still[j] = skinning.Identity()
	}
	posed, err := s.posed(context.Background(), still, 0)
	if err != nil {
		t.Fatal(err)
	}
	coat := ofCrew(h.garment(t, "oilskin coat"))
	a, b := mustTransfer(t, s, coat, Options{}), mustTransfer(t, posed, coat, Options{})
	// Posing by the identity rounds positions in the last place: a match at a border may
	// fall on its other side, and the rows around it are smoothed with it.
	if worst, mean := difference(a.Rows, b.Rows, func(v int) int { return v }, nil); mean > 5e-4 || worst > 0.05 {
		t.Errorf("rows differ by %.5f in the mean, %.4f at most", mean, worst)
	}
	if !slices.Equal(a.Layer, b.Layer) {
		t.Error("the layers differ")
	}
}

func TestLayers_Errors(t *testing.T) {
	h, layers := dressed(t)
	ctx, cancel := context.WithCancel(context.Background())
	cancel()
	if _, err := h.source.WithLayers(ctx, layers, 0); !errors.Is(err, context.Canceled) {
		t.Errorf("cancelled: %v", err)
	}
	if _, _, _, err := h.source.LayerOrder(ctx, []*Garment{ofCrew(h.garment(t, "jersey"))}, 0); !errors.Is(err, context.Canceled) {
		t.Errorf("order, cancelled: %v", err)
	}
	bad := layers[0]
	for _, c := range []struct {
		name, want string
		layer      Layer
	}{
		{"confidences", "confidences for", Layer{Name: "vest", Mesh: bad.Mesh, Rows: bad.Rows, Confidence: []float32{1}}},
		{"rows", "rows for", Layer{Name: "vest", Mesh: bad.Mesh, Rows: weights.NewRows(0)}},
		{"no triangles", "no triangle", Layer{Name: "vest", Mesh: &mesh.Mesh{}, Rows: weights.NewRows(0)}},
	} {
		_, err := h.source.WithLayers(context.Background(), []Layer{c.layer}, 0)
		if err == nil || !strings.Contains(err.Error(), c.want) || !strings.Contains(err.Error(), `layer "vest"`) {
			t.Errorf("%s: %v", c.name, err)
		}
	}
}

// TestLayerOrder_Wardrobe: the order in which the generator dresses its crew, found
// again from any order of the garments that meet. The pilot is measured by the same
// numbers, which were set on the other two.
func TestLayerOrder_Wardrobe(t *testing.T) {
	for _, name := range crew.Names() {
		b := crew.NewBodyAt(name, 0.4)
		s, err := Prepare(context.Background(), &Body{Name: name, Mesh: b.Mesh, Rows: b.Rows, Skin: b.Skin}, 0)
		if err != nil {
			t.Fatal(err)
		}
		truth := map[string]int{}
		for i, g := range crew.GarmentNames() {
			truth[g] = i
		}
		var list []*Garment
		for _, g := range b.WardrobeAt(0.3) {
			list = append(list, ofCrew(g))
		}
		for seed := uint64(1); seed <= 3; seed++ {
			rand.New(rand.NewPCG(seed, 0)).Shuffle(len(list), func(i, k int) { list[i], list[k] = list[k], list[i] })
			order, pairs, _, err := s.LayerOrder(context.Background(), list, 0)
			if err != nil {
				t.Fatal(err)
			}
			place := make([]int, len(list))
			for at, i := range order {
				place[i] = at
			}
			met := 0
			for _, p := range pairs {
				met++
				if a, b := list[p.Inner].Name, list[p.Outer].Name; truth[a] > truth[b] || place[p.Inner] > place[p.Outer] {
					t.Errorf("seed %d, %s: %s is put under %s (%+v)", seed, name, a, b, p)
				}
			}
			if met < 6 {
				t.Errorf("seed %d, %s: only %d pairs meet", seed, name, met)
			}
		}
	}
}

// TestLayerOrder_Interleaved: one pipe narrows where the other widens.
func TestLayerOrder_Interleaved(t *testing.T) {
	s := limb(t, constant(0))
	cone := func(name string, low, high float64) *Garment {
		m, _ := pipe(0.1, 0, -0.9, 0.9, constant(0))
		for v, x := range m.Positions {
			f := (low + (high-low)*(x.Y+0.9)/1.8) / 0.1
			m.Positions[v] = r3.Vec{X: f * x.X, Y: x.Y, Z: f * x.Z}
		}
		return &Garment{Name: name, Mesh: m}
	}
	order, pairs, notes, err := s.LayerOrder(context.Background(), []*Garment{cone("a", 0.11, 0.13), cone("b", 0.125, 0.11)}, 0)
	if err != nil {
		t.Fatal(err)
	}
	// They cross where 0.11 + 0.02 u = 0.125 - 0.015 u, at u = 3/7: b is the nearer on
	// 4/7 of the length.
	if !slices.Equal(order, []int{1, 0}) || len(pairs) != 1 || math.Abs(pairs[0].Against-3./7) > 0.03 {
		t.Errorf("order %v, pairs %+v", order, pairs)
	}
	if len(notes) != 1 || !strings.Contains(notes[0], "under it at 4") {
		t.Errorf("notes %q", notes)
	}
}

func TestLayerSort(t *testing.T) {
	pair := func(inner, outer, points int) LayerPair { return LayerPair{Inner: inner, Outer: outer, Points: points} }
	for _, c := range []struct {
		name    string
		n       int
		pairs   []LayerPair
		order   []int
		dropped []LayerPair
	}{
		{"none", 0, nil, nil, nil},
		{"nothing meets", 3, nil, []int{0, 1, 2}, nil},
		{"chain", 3, []LayerPair{pair(2, 1, 9), pair(1, 0, 9)}, []int{2, 1, 0}, nil},
		{"as given where free", 4, []LayerPair{pair(3, 1, 9)}, []int{0, 2, 3, 1}, nil},
		{"ring", 3, []LayerPair{pair(0, 1, 90), pair(1, 2, 40), pair(2, 0, 50)}, []int{2, 0, 1}, []LayerPair{pair(1, 2, 40)}},
		{"weak pair off the ring stays", 5, []LayerPair{pair(0, 1, 90), pair(1, 0, 40), pair(1, 2, 5), pair(4, 3, 9)}, []int{4, 3, 0, 1, 2}, []LayerPair{pair(1, 0, 40)}},
	} {
		t.Run(c.name, func(t *testing.T) {
			order, dropped := layerSort(c.n, c.pairs)
			if !slices.Equal(order, c.order) || !slices.Equal(dropped, c.dropped) {
				t.Errorf("order %v without %v, want %v without %v", order, dropped, c.order, c.dropped)
			}
		})
	}
}
