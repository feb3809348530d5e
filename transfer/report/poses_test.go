package report

import (
	"bytes"
	"context"
	"image/color"
	"image/png"
	"math"
	"math/rand/v2"
	"slices"
	"strconv"
	"strings"
	"testing"

	"gonum.org/v1/gonum/spatial/r3"

	"github.com/selvage/selvage/transfer"
	"github.com/selvage/selvage/transfer/mesh"
	"github.com/selvage/selvage/transfer/pose"
	"github.com/selvage/selvage/transfer/skinning"
	"github.com/selvage/selvage/transfer/weights"
)

// affine returns t + m row by row.
func affine(t r3.Vec, m ...float64) skinning.Affine {
	a := skinning.Identity()
	copy(a.M[:], m)
	a.T = t
	return a
}

// ownMap is what a viewChange says, built of elementary maps: T(o + A t) R A S A^T
// T(-o), translation, rotation and scale in the order of glTF 2.0, section 3.5.3
// (Transformations).
func ownMap(c *viewChange, origin r3.Vec, axes [3]r3.Vec) skinning.Affine {
	a := axes
	basis := affine(r3.Vec{}, a[0].X, a[1].X, a[2].X, a[0].Y, a[1].Y, a[2].Y, a[0].Z, a[1].Z, a[2].Z)
	inverse, _ := basis.Inverse()
	scale := affine(r3.Vec{}, c.Scale[0], 0, 0, 0, c.Scale[1], 0, 0, 0, c.Scale[2])
	var turn, move r3.Vec
	for k := range a {
		turn = r3.Add(turn, r3.Scale(c.Rotation[k], a[k]))
		move = r3.Add(move, r3.Scale(c.Translation[k], a[k]))
	}
	m := affine(r3.Add(origin, move), 1, 0, 0, 0, 1, 0, 0, 0, 1)
	back := affine(r3.Scale(-1, origin), 1, 0, 0, 0, 1, 0, 0, 0, 1)
	for _, next := range []skinning.Affine{skinning.RotationAbout(r3.Vec{}, turn, r3.Norm(turn)), basis, scale, inverse, back} {
		m = m.Mul(&next)
	}
	return m
}

func apart(a, b *skinning.Affine) float64 {
	d := r3.Norm(r3.Sub(a.T, b.T))
	for i := range a.M {
		d = max(d, math.Abs(a.M[i]-b.M[i]))
	}
	return d
}

// What translation, rotation and scale by a joint's own axes make is taken apart
// again, half turns and mirrored axes included; what they cannot make is told.
func TestSplit_RoundTrip(t *testing.T) {
	const seed = 11
	r := rand.New(rand.NewPCG(seed, 0))
	vec := func() r3.Vec { return r3.Vec{X: r.NormFloat64(), Y: r.NormFloat64(), Z: r.NormFloat64()} }
	for k := range 500 {
		x := r3.Unit(vec())
		y := r3.Unit(r3.Cross(x, vec()))
		axes := [3]r3.Vec{x, y, r3.Cross(x, y)}
		if k%5 == 0 {
			axes[2] = r3.Scale(-1, axes[2])
		}
		want := viewChange{Scale: [3]float64{math.Exp(r.NormFloat64() / 2), math.Exp(r.NormFloat64() / 2), 1}, Translation: [3]float64{r.NormFloat64(), 0, r.NormFloat64()}}
		turn := r3.Scale(math.Pi*r.Float64(), r3.Unit(vec()))
		if k%7 == 0 {
			turn = r3.Scale(math.Pi, axes[k%3])
		}
		for i := range axes {
			want.Rotation[i] = r3.Dot(turn, axes[i])
		}
		origin := vec()
		own := ownMap(&want, origin, axes)
		got, ok := split(&own, origin, axes)
		if !ok {
			t.Fatalf("seed %d, change %d: %+v is not taken apart", seed, k, want)
		}
		again := ownMap(&got, origin, axes)
		if d := apart(&own, &again); d > 1e-9 {
			t.Errorf("seed %d, change %d: %g off: %+v, want %+v", seed, k, d, got, want)
		}
		if got.Scale[2] != 1 || got.Translation[1] != 0 {
			t.Errorf("seed %d, change %d: dust in %+v", seed, k, got)
		}
	}
	unit := [3]r3.Vec{{X: 1}, {Y: 1}, {Z: 1}}
	shear := affine(r3.Vec{}, 1, 0.3, 0, 0, 1, 0, 0, 0, 1)
	flat := affine(r3.Vec{}, 1, 0, 0, 0, 0, 0, 0, 0, 1)
	one := skinning.Identity()
	for _, c := range []struct {
		name string
		own  *skinning.Affine
		axes [3]r3.Vec
	}{{"shear", &shear, unit}, {"flat", &flat, unit}, {"skew axes", &one, [3]r3.Vec{{X: 1}, {X: 0.6, Y: 0.8}, {Z: 1}}}} {
		if _, ok := split(c.own, r3.Vec{}, c.axes); ok {
			t.Errorf("%s is taken for translation, rotation and scale", c.name)
		}
	}
}

// Rotation vectors of worked examples: quarter, half and no turns.
func TestRotationVector(t *testing.T) {
	for _, c := range []struct {
		name string
		m    skinning.Affine
		want r3.Vec
	}{
		{"none", skinning.Identity(), r3.Vec{}},
		{"x to y", affine(r3.Vec{}, 0, -1, 0, 1, 0, 0, 0, 0, 1), r3.Vec{Z: math.Pi / 2}},
		{"y to z", affine(r3.Vec{}, 1, 0, 0, 0, 0, -1, 0, 1, 0), r3.Vec{X: math.Pi / 2}},
		{"half about x", affine(r3.Vec{}, 1, 0, 0, 0, -1, 0, 0, 0, -1), r3.Vec{X: math.Pi}},
		{"half about y", affine(r3.Vec{}, -1, 0, 0, 0, 1, 0, 0, 0, -1), r3.Vec{Y: math.Pi}},
		{"half about z", affine(r3.Vec{}, -1, 0, 0, 0, -1, 0, 0, 0, 1), r3.Vec{Z: math.Pi}},
		// A third of a turn about the diagonal permutes the axes.
		{"third", affine(r3.Vec{}, 0, 0, 1, 1, 0, 0, 0, 1, 0), r3.Scale(2*math.Pi/3, r3.Unit(r3.Vec{X: 1, Y: 1, Z: 1}))},
	} {
		if got := rotationVector(&c.m); r3.Norm(r3.Sub(got, c.want)) > 1e-12 {
			t.Errorf("%s: %v, want %v", c.name, got, c.want)
		}
	}
}

// Joints of other garments go where the body's of the same name goes, else where
// their parents go.
func TestMapsOf_OtherGarments(t *testing.T) {
	body, coat, hat := sheetFigure("body", 2), sheetFigure("coat", 2), sheetFigure("hat", 2)
	hat.Skin.Joints = []skinning.Joint{
		{Name: "high", Parent: -1, Global: affine(r3.Vec{X: 0.3})}, // elsewhere than the body's
		{Name: "plume", Parent: 0, Global: affine(r3.Vec{X: 0.4})},
		{Name: "loose", Parent: -1, Global: affine(r3.Vec{X: 0.5})},
	}
	hat.Rows = weights.NewRows(4)
	for range 4 {
		hat.Rows.Append([]uint16{0, 1, 2}, []float64{0.5, 0.25, 0.25})
	}
	low, high := affine(r3.Vec{X: 1}), affine(r3.Vec{Y: 2})
	page := &Page{Body: body, Garments: []*Figure{coat, hat}, Poses: []Pose{{Body: skinning.Pose{low, high}}}}
	s, err := page.scene(context.Background())
	if err != nil {
		t.Fatal(err)
	}
	got := s.mapsOf(&page.Poses[0])
	one := skinning.Identity()
	for k, want := range []*skinning.Affine{&low, &high, &high, &high, &one} {
		if apart(&got[k], want) > 0 {
			t.Errorf("joint %s goes by %v, want %v", s.joints.joints[k].Name, got[k], *want)
		}
	}
}

// A garment with a joint of its own, in a default pose that is not the bind pose, in
// turned, moved, scaled and whole poses: where the page puts its vertices is where
// the check puts them.
func TestPosed_AsTheCheck(t *testing.T) {
	const seed = 5
	r := rand.New(rand.NewPCG(seed, 0))
	make1 := func(name string, bent bool) *Figure {
		f := sheetFigure(name, 12)
		f.Skin.Joints[1].Global = skinning.RotationAbout(r3.Vec{Z: 1}, r3.Vec{Z: 1}, 0.3)
		f.Skin.Joints[1].Global.T = r3.Vec{Y: 0.5}
		if bent {
			f.Skin.Joints = append(f.Skin.Joints, skinning.Joint{Name: "flap", Parent: 1, Global: affine(r3.Vec{Y: 0.8})})
			f.Rows = weights.NewRows(144)
			for range 144 {
				a, b := r.Float64(), r.Float64()
				f.Rows.Append([]uint16{0, 1, 2}, []float64{a * b, a * (1 - b), 1 - a})
			}
			for v := range f.Mesh.Positions {
				f.Mesh.Positions[v].Z += 0.02
			}
		}
		for j := range f.Skin.Joints {
			inv, _ := f.Skin.Joints[j].Global.Inverse()
			if bent { // bound in another pose than it stands in
				other := skinning.RotationAbout(r3.Vec{}, r3.Vec{X: 1, Y: float64(j)}, 0.2*float64(j+1))
				inv = inv.Mul(&other)
			}
			f.Skin.Joints[j].InverseBind = inv
		}
		return f
	}
	body, flag := make1("body", false), make1("flag", true)
	if body.frames() != nil || flag.frames() == nil {
		t.Fatal("bind frames are taken for what they are not")
	}
	figure := func(f *Figure) *pose.Figure {
		return &pose.Figure{Name: f.Name, Mesh: f.Mesh, Rows: f.Rows, Skin: f.Skin}
	}
	globals := make([]skinning.Affine, 2)
	for j := range globals {
		m := skinning.RotationAbout(r3.Vec{Y: 0.2}, r3.Vec{X: 1, Y: 2}, 0.7+float64(j))
		m.M[1] += 0.3
		globals[j] = m.Mul(&body.Skin.Joints[j].Global)
	}
	plan := &pose.Plan{Poses: []pose.WholePose{{Name: "all at once", Set: []pose.JointChange{
		{Joints: []string{"low"}, Scale: &[3]float64{1.5, 0.7, 1}}, {Joints: []string{"high"}, Turn: [3]float64{30, 40, 50}, Move: [3]float64{0.1, 0, 0.2}},
	}}}}
	k, err := pose.New(context.Background(), figure(body), figure(flag), pose.Options{Plan: plan, Moments: []pose.Moment{{Name: "gust", Body: globals}}})
	if err != nil {
		t.Fatal(err)
	}
	page := &Page{Body: body, Garments: []*Figure{flag}}
	s, err := page.scene(context.Background())
	if err != nil {
		t.Fatal(err)
	}
	seen := map[pose.Change]float64{}
	sheared := 0
	for i, p := range k.Poses() {
		worn, onBody := k.Maps(i)
		maps := s.mapsOf(&Pose{Body: onBody, Worn: worn})
		wantGarment, wantBody := k.Posed(i)
		for f, want := range [][]r3.Vec{wantBody, wantGarment} {
			got := s.figures[f].posed(maps, s.joints.index[s.figures[f]])
			for v := range want {
				if d := r3.Norm(r3.Sub(got[v], want[v])); !(d < 1e-9) {
					t.Fatalf("seed %d, %s: vertex %d of %s is %g m off", seed, p.Name, v, s.figures[f].Name, d)
				}
				seen[p.Change] = max(seen[p.Change], r3.Norm(r3.Sub(got[v], s.figures[f].Mesh.Positions[v])))
			}
		}
		// The viewer's changes, put together again.
		again := make(skinning.Pose, len(maps))
		own := map[int]*viewChange{}
		list := changes(maps, s.joints.joints, s.axes, s.centre)
		for c := range list {
			own[list[c].Joint] = &list[c]
			if list[c].Matrix != nil {
				sheared++
			}
		}
		for j := range again {
			again[j] = skinning.Identity()
			if parent := s.joints.joints[j].Parent; parent >= 0 {
				again[j] = again[parent]
			}
			if c := own[j]; c != nil {
				m := ownMap(c, s.joints.joints[j].Global.T, s.axes[j])
				if x := c.Matrix; x != nil {
					there := affine(s.centre)
					back := affine(r3.Scale(-1, s.centre))
					m = affine(r3.Vec{X: x[3], Y: x[7], Z: x[11]}, x[0], x[1], x[2], x[4], x[5], x[6], x[8], x[9], x[10])
					m = there.Mul(&m)
					m = m.Mul(&back)
				}
				again[j] = again[j].Mul(&m)
			}
			// split itself lets 1e-6 pass.
			if d := apart(&again[j], &maps[j]); d > 1e-5 {
				t.Errorf("%s: joint %s comes back %g off", p.Name, s.joints.joints[j].Name, d)
			}
		}
	}
	for _, c := range []pose.Change{pose.Turn, pose.Move, pose.Scale, pose.Whole} {
		if seen[c] < 1e-3 {
			t.Errorf("no pose of kind %q moves anything", c)
		}
	}
	if sheared == 0 {
		t.Error("no pose needed a matrix: the moment should")
	}
}

// AddPoses keeps of each fault at each joint the worst, and refuses what the check
// does not know.
func TestAddPoses(t *testing.T) {
	body, flag := sheetFigure("body", 8), sheetFigure("flag", 8)
	figure := func(f *Figure) *pose.Figure {
		return &pose.Figure{Name: f.Name, Mesh: f.Mesh, Rows: f.Rows, Skin: f.Skin}
	}
	k, err := pose.New(context.Background(), figure(body), figure(flag), pose.Options{})
	if err != nil {
		t.Fatal(err)
	}
	finding := func(i int, kind pose.Kind, rank float64, v int) pose.Finding {
		return pose.Finding{Kind: kind, Pose: k.Poses()[i], Rank: rank, Place: pose.Place{Surface: "garment", Vertex: v}, Sentence: "with a pose, it tears"}
	}
	r := &pose.Report{Garment: "flag", Poses: len(k.Poses()), Remarks: []string{"one thing more"}, Findings: []pose.Finding{
		finding(0, pose.Stretch, 5, 3), finding(1, pose.Stretch, 4, 4), finding(0, pose.Parted, 3, 5), finding(0, pose.Penetration, 2, 6),
	}}
	page := &Page{Body: body, Garments: []*Figure{flag}}
	if err := page.AddPoses(0, k, r); err != nil {
		t.Fatal(err)
	}
	// Poses 0 and 1 are of one joint: its stretch counts once.
	if k.Poses()[0].Joint != k.Poses()[1].Joint || len(page.Poses) != 3 {
		t.Fatalf("%d poses", len(page.Poses))
	}
	if p := page.Poses[0]; p.Vertex != 3 || p.Rank != 5 || p.Sentence != "With a pose, it tears." || p.Title != "flag, stretch: "+k.Poses()[0].Name || p.Parted || p.Inside {
		t.Errorf("%+v", p)
	}
	if !page.Poses[1].Parted || !page.Poses[2].Inside {
		t.Error("what is torn or inside is not pictured so")
	}
	if want := []string{"flag: " + strconv.Itoa(len(k.Poses())) + " poses checked, 3 kinds of fault over the limits.", "One thing more."}; !slices.Equal(page.Checks, want) {
		t.Errorf("%q, want %q", page.Checks, want)
	}
	r.Findings[0].Pose.Name = "never"
	if err := page.AddPoses(0, k, r); err == nil || !strings.Contains(err.Error(), "never") {
		t.Errorf("a pose that the check lacks: %v", err)
	}
}

// The close-up looks at the vertex: a torn triangle edge on the far side of a sheet
// is seen from behind, and one that everything hides has what hides it cut away.
func TestDrawPose_SeesThePlace(t *testing.T) {
	body, coat := sheetFigure("body", 30), sheetFigure("coat", 30)
	for v := range coat.Mesh.Positions {
		coat.Mesh.Positions[v].Z = 0.01
	}
	mid := 15*30 + 15
	identity := skinning.Pose{skinning.Identity(), skinning.Identity()}
	page := &Page{Body: body, Garments: []*Figure{coat}, Poses: []Pose{{Title: "still", Sentence: "S.", Body: identity, Vertex: mid}}}
	s, err := page.scene(context.Background())
	if err != nil {
		t.Fatal(err)
	}
	c := s.drawPose(&s.poses[0], 200, 200)
	if math.Abs(c.view.Azimuth) > 1e-9 || c.view.Cut != 0 {
		t.Errorf("seen from %g, cut %g", c.view.Azimuth, c.view.Cut)
	}
	// Nothing is stretched: the middle of the map, under the ring's own.
	want := Cividis.At(0.5)
	if got := c.picture.RGBAAt(100+3, 100+1); near(got, want) > 3 {
		t.Errorf("unstretched cloth is %v, want %v", got, want)
	}
	// The ring: black on its radius.
	if got := c.picture.RGBAAt(100+markRadius, 100); got.R > 40 {
		t.Errorf("no ring around the place: %v", got)
	}
	// A box of cloth around the place.
	hidden := sheetFigure("tent", 30)
	n := int32(len(hidden.Mesh.Positions))
	corner := func(k int) r3.Vec {
		x := r3.Vec{X: -0.1, Y: 0.4, Z: -0.1}
		if k&1 != 0 {
			x.X = 0.15
		}
		if k&2 != 0 {
			x.Y = 0.65
		}
		if k&4 != 0 {
			x.Z = 0.1
		}
		return x
	}
	for k := range 8 {
		hidden.Mesh.Positions = append(hidden.Mesh.Positions, corner(k))
		hidden.Rows.Append([]uint16{0}, []float64{1})
		hidden.Confidence, hidden.Reason = append(hidden.Confidence, 1), append(hidden.Reason, 0)
	}
	for _, q := range [][4]int32{{0, 1, 3, 2}, {4, 5, 7, 6}, {0, 1, 5, 4}, {2, 3, 7, 6}, {0, 2, 6, 4}, {1, 3, 7, 5}} {
		hidden.Mesh.Triangles = append(hidden.Mesh.Triangles, [3]int32{n + q[0], n + q[1], n + q[2]}, [3]int32{n + q[0], n + q[2], n + q[3]})
	}
	page.Garments[0] = hidden
	if s, err = page.scene(context.Background()); err != nil {
		t.Fatal(err)
	}
	if c = s.drawPose(&s.poses[0], 200, 200); c.view.Cut == 0 || !strings.HasSuffix(c.sentence(&s.poses[0]), "is cut away in the picture.") {
		t.Errorf("a hidden place is left hidden: cut %g", c.view.Cut)
	}
}

func near(a, b color.RGBA) int {
	d := func(x, y uint8) int { return max(int(x)-int(y), int(y)-int(x)) }
	return max(d(a.R, b.R), d(a.G, b.G), d(a.B, b.B))
}

// Stretch of an edge doubled along x: 1 on its ends where no other edge is, by the
// definition of the binary logarithm.
func TestStretches(t *testing.T) {
	rest := &mesh.Mesh{Positions: []r3.Vec{{}, {X: 1}, {Y: 1}}, Triangles: [][3]int32{{0, 1, 2}}}
	posed := &mesh.Mesh{Positions: []r3.Vec{{}, {X: 2}, {Y: 0.5}}, Triangles: rest.Triangles}
	diagonal := math.Log2(math.Hypot(2, 0.5) / math.Sqrt2)
	for v, want := range []float64{0, (1 + diagonal) / 2, (-1 + diagonal) / 2} {
		if got := stretches(rest, posed)[v]; math.Abs(got-want) > 1e-12 {
			t.Errorf("vertex %d: %g, want %g", v, got, want)
		}
	}
}

func TestRender_LinesMarksAndCut(t *testing.T) {
	grey := color.RGBA{200, 200, 200, 255}
	l := []Layer{{Mesh: square(0), Color: grey, Lines: true}}
	img := Render(l, View{}, 100, 100)
	if got := img.RGBAAt(30, 40); got != grey {
		t.Errorf("inside a triangle: %v", got)
	}
	// The diagonal from (-1, -1) to (1, 1) runs from the lower left to the upper right.
	if got := img.RGBAAt(50, 49); got.R > 120 {
		t.Errorf("on the diagonal: %v, want a dark line", got)
	}
	fine := square(0)
	for v := range fine.Positions {
		fine.Positions[v] = r3.Scale(0.01, fine.Positions[v])
	}
	small := View{Box: r3.Box{Min: r3.Vec{X: -1, Y: -1}, Max: r3.Vec{X: 1, Y: 1}}}
	if got, want := Render([]Layer{{Mesh: fine, Color: grey, Lines: true}}, small, 100, 100), Render([]Layer{{Mesh: fine, Color: grey}}, small, 100, 100); !bytes.Equal(got.Pix, want.Pix) {
		t.Error("a triangle of one pixel is all line")
	}
	img = Render([]Layer{{Mesh: square(0), Color: grey}}, View{Marks: []r3.Vec{{}}}, 100, 100)
	if on, inside, beside := img.RGBAAt(50+markRadius, 50), img.RGBAAt(50, 50), img.RGBAAt(50, 80); on.R > 40 || inside != grey || beside != grey {
		t.Errorf("ring %v, inside %v, beside %v", on, inside, beside)
	}
	red, blue := color.RGBA{200, 0, 0, 255}, color.RGBA{0, 0, 200, 255}
	two := []Layer{{Mesh: square(0.5), Color: red}, {Mesh: square(-0.5), Color: blue}}
	if got := Render(two, View{Cut: 0.1}, 64, 64).RGBAAt(32, 32); got != blue {
		t.Errorf("behind the cut: %v, want %v", got, blue)
	}
}

// Rows held against an earlier file: joints by name, whatever their order.
func TestCompare(t *testing.T) {
	f, e := sheetFigure("flag", 3), sheetFigure("flag", 3)
	e.Skin.Joints = []skinning.Joint{{Name: "mast", Parent: -1, Global: skinning.Identity()}, {Name: "high", Parent: -1, Global: skinning.Identity()}, {Name: "low", Parent: -1, Global: skinning.Identity()}}
	rows := weights.NewRows(9)
	for v := range 9 {
		j, w := f.Rows.Row(v)
		if len(j) != 2 {
			t.Fatal("the sheet has two joints a row")
		}
		high, low := w[1], w[0]
		switch v {
		case 4: // 0.5 and 0.5: half of low's goes to a joint that this file lacks
			rows.Append([]uint16{0, 1, 2}, []float64{0.25, high, low - 0.25})
		case 8: // all to the other joint
			rows.Append([]uint16{1, 2}, []float64{low, high})
		default:
			rows.Append([]uint16{1, 2}, []float64{high, low})
		}
	}
	e.Rows = rows
	e.Mesh.Positions[2].Z = 0.3
	f.Compare(e)
	for v, d := range f.Difference {
		want := 0.0
		switch v {
		case 4:
			want = 0.5
		case 8:
			want = 2
		}
		if math.Abs(d-want) > 1e-12 {
			t.Errorf("vertex %d: %g, want %g", v, d, want)
		}
	}
	if len(f.Notes) != 2 || f.Notes[0] != "2 rows differ from the last pass by 0.02 or more, most at vertex 8: 2.00 (L1)" || !strings.HasPrefix(f.Notes[1], "1 of 9 vertices stand elsewhere") {
		t.Errorf("notes %q", f.Notes)
	}
	var b bytes.Buffer
	if err := (&Page{Body: sheetFigure("body", 3), Garments: []*Figure{f}}).Write(context.Background(), &b); err != nil {
		t.Fatal(err)
	}
	if !strings.Contains(b.String(), `"difference":true`) || !strings.Contains(b.String(), `"most":2`) {
		t.Error("the page does not carry the difference")
	}
	same := sheetFigure("flag", 3)
	same.Compare(sheetFigure("flag", 3))
	if len(same.Notes) != 1 || same.Notes[0] != "no row differs from the last pass by 0.02 or more" {
		t.Errorf("notes %q", same.Notes)
	}
	other := sheetFigure("flag", 3)
	other.Compare(sheetFigure("flag", 4))
	if other.Difference != nil || len(other.Notes) != 1 || !strings.Contains(other.Notes[0], "16 vertices, this one 9") {
		t.Errorf("another number of vertices: %q", other.Notes)
	}
	bare := sheetFigure("flag", 3)
	bare.Compare(&Figure{Mesh: square(0)})
	if bare.Difference != nil || len(bare.Notes) != 1 {
		t.Errorf("no weights: %q", bare.Notes)
	}
}

// Edits that were kept or that conflict are places though they are sure.
func TestFindPlaces_Edits(t *testing.T) {
	const n = 41
	f := sheetFigure("tarpaulin", n)
	patch := func(cx, cy int, r transfer.Reason, c float32) {
		for y := cy - 1; y <= cy+1; y++ {
			for x := cx - 1; x <= cx+1; x++ {
				f.Reason[y*n+x], f.Confidence[y*n+x] = r, c
			}
		}
	}
	patch(5, 35, transfer.ReasonKeptEdit, 1)
	patch(30, 4, transfer.ReasonEditConflict|transfer.ReasonKeptEdit, 1)
	patch(20, 20, transfer.ReasonFilled, 0.2)
	s, err := (&Page{Body: sheetFigure("body", 3), Garments: []*Figure{f}}).scene(context.Background())
	if err != nil {
		t.Fatal(err)
	}
	var got []string
	for k := range s.places {
		got = append(got, s.placeSentence(&s.places[k]))
	}
	want := []string{
		"Edits in conflict with this pass at 9 vertices of tarpaulin by joint low, front, 0.10 m up: confidence 1.00 at vertex 152. Why: kept edit (100%), edit in conflict (100%).",
		"9 vertices of tarpaulin by joint low, front, 0.50 m up: confidence 0.20 at vertex 798. Why: filled in (100%).",
		"Edits kept at 9 vertices of tarpaulin by joint high, front, 0.88 m up: confidence 1.00 at vertex 1398. Why: kept edit (100%).",
	}
	if !slices.Equal(got, want) {
		t.Errorf("places:\n%s\nwant:\n%s", strings.Join(got, "\n"), strings.Join(want, "\n"))
	}
	// Without any confidence they are places too.
	f.Confidence = nil
	if s, err = (&Page{Body: sheetFigure("body", 3), Garments: []*Figure{f}}).scene(context.Background()); err != nil {
		t.Fatal(err)
	}
	if len(s.places) != 2 || !strings.Contains(s.placeSentence(&s.places[0]), "up: see vertex 152. Why") {
		t.Errorf("%d places without confidence", len(s.places))
	}
}

// The room for places: conflicts and edits leave low ones their share.
func TestWorstPlaces(t *testing.T) {
	var list []place
	for k := range 10 {
		for _, kind := range []placeKind{editedPlace, lowPlace, conflictPlace} {
			list = append(list, place{kind: kind, deficit: float64(k), vertex: k})
		}
	}
	got := worstPlaces(list)
	var kinds []placeKind
	for _, p := range got {
		kinds = append(kinds, p.kind)
	}
	if !slices.Equal(kinds, []placeKind{0, 0, 0, 1, 1, 1, 2, 2}) || got[0].deficit != 9 || got[3].deficit != 9 || got[6].deficit != 9 {
		t.Errorf("%v: %+v", kinds, got)
	}
}

// The stills are all there, the same for any number of threads, and whole.
func TestStills(t *testing.T) {
	body, flag := sheetFigure("body", 12), sheetFigure("flag", 20)
	flag.Confidence[200] = 0.1
	turned := skinning.Pose{skinning.Identity(), skinning.RotationAbout(r3.Vec{Y: 0.5}, r3.Vec{X: 1}, 1)}
	var pictures [2][][]byte
	for k := range pictures {
		page := &Page{Body: body, Garments: []*Figure{flag}, Threads: 1 + 4*k, Poses: []Pose{{Title: "bow", Sentence: strings.Repeat("It bends over the rail. ", 12), Body: turned, Vertex: 150}}}
		stills, err := page.Stills(context.Background())
		if err != nil {
			t.Fatal(err)
		}
		var names []string
		for _, x := range stills {
			names, pictures[k] = append(names, x.Name), append(pictures[k], x.PNG)
			if _, err := png.Decode(bytes.NewReader(x.PNG)); err != nil {
				t.Errorf("%s: %v", x.Name, err)
			}
		}
		if !slices.Equal(names, []string{"front.png", "back.png", "place-1.png", "pose-1.png"}) {
			t.Errorf("stills %q", names)
		}
	}
	if !slices.EqualFunc(pictures[0], pictures[1], bytes.Equal) {
		t.Error("the stills depend on the number of threads")
	}
	ctx, cancel := context.WithCancel(context.Background())
	cancel()
	if _, err := (&Page{Body: body}).Stills(ctx); err != context.Canceled {
		t.Errorf("cancelled: %v", err)
	}
}
