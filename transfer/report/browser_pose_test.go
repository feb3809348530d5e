package report_test

// Poses, the difference to the last pass and the frames drawn while moving, in a real
// browser.

import (
	"context"
	"encoding/json"
	"fmt"
	"image/color"
	"math"
	"slices"
	"strings"
	"testing"

	"gonum.org/v1/gonum/spatial/r3"

	"github.com/selvage/selvage/transfer/pose"
	"github.com/selvage/selvage/transfer/report"
	"github.com/selvage/selvage/transfer/skinning"
	"github.com/selvage/selvage/transfer/weights"
)

// readAll is the step that reads a figure's vertices back from the graphics processor.
func readAll(figure int, f *report.Figure) step {
	return step{"do": "evaluate", "script": fmt.Sprintf("reportProbe.readBack(%d, Array.from({length: %d}, (_, v) => v))", figure, f.Mesh.NumVertices())}
}

// stands checks what readAll gave: within 1e-4 m of want, some of it moved.
func (v *visit) stands(t *testing.T, k int, what string, f *report.Figure, want []r3.Vec, centre r3.Vec) {
	t.Helper()
	var got [][3]float64
	v.into(t, k, &got)
	worst, at, moved := 0.0, 0, 0.0
	for i := range want {
		if d := r3.Norm(r3.Sub(r3.Add(r3.Vec{X: got[i][0], Y: got[i][1], Z: got[i][2]}, centre), want[i])); !(d <= worst) {
			worst, at = d, i
		}
		moved = max(moved, r3.Norm(r3.Sub(want[i], f.Mesh.Positions[i])))
	}
	// A step of the quantised positions is 31 µm on 2 m, of the weights 1.5e-5.
	if !(worst <= 1e-4) {
		t.Errorf("%s: vertex %d of %s is %g m from where it should be", what, at, f.Name, worst)
	}
	if moved < 0.01 {
		t.Errorf("%s: %s hardly moves: %g m", what, f.Name, moved)
	}
}

// TestBrowser_WorstPoses: a click on a pose that a check found puts body and garment
// where pose.Checker puts them: rotation, translation, scale along one axis, a whole
// pose of all three, and a moment with shear. Then a slider goes on from there.
func TestBrowser_WorstPoses(t *testing.T) {
	t.Parallel()
	c := dressed(t)
	ctx := context.Background()
	figure := func(f *report.Figure) *pose.Figure {
		return &pose.Figure{Name: f.Name, Mesh: f.Mesh, Rows: f.Rows, Skin: f.Skin}
	}
	jersey := c.page.Garments[0]
	globals := make([]skinning.Affine, len(c.body.Skin.Joints))
	for j := range globals {
		m := skinning.RotationAbout(r3.Vec{Y: 1}, r3.Vec{X: 1, Y: 2}, 0.4+0.02*float64(j))
		m.M[1] += 0.2
		globals[j] = m.Mul(&c.body.Skin.Joints[j].Global)
	}
	plan := &pose.Plan{Poses: []pose.WholePose{{Name: "heaving", Set: []pose.JointChange{
		{Joints: []string{"spine_2"}, Turn: [3]float64{20, 10, 5}, Scale: &[3]float64{1.3, 1, 0.8}},
		{Joints: []string{"upper_arm.left"}, Turn: [3]float64{10, 20, 60}, Move: [3]float64{0.03, 0.02, 0}},
	}}}}
	k, err := pose.New(ctx, figure(c.page.Body), figure(jersey), pose.Options{Plan: plan, Moments: []pose.Moment{{Name: "gust", Body: globals}}})
	if err != nil {
		t.Fatal(err)
	}
	// One finding of each kind of change, worst last so that the order is seen to change.
	var r pose.Report
	var picked []int
	want := []struct{ change, joint, name string }{
		{"turn", "upper_arm.left", ""}, {"move", "upper_arm.left", ""}, {"scale", "upper_arm.left", ""}, {"pose", "", "heaving"}, {"pose", "", "gust"},
	}
	kinds := []pose.Kind{pose.Stretch, pose.Gap, pose.Jagged, pose.Penetration, pose.Parted}
	for n, w := range want {
		at := slices.IndexFunc(k.Poses(), func(p pose.Pose) bool {
			return string(p.Change) == w.change && p.Joint == w.joint && (w.name == "" || p.Name == w.name)
		})
		if at < 0 {
			t.Fatalf("no pose %v", w)
		}
		picked = append(picked, at)
		r.Findings = append(r.Findings, pose.Finding{
			Kind: kinds[n], Pose: k.Poses()[at], Rank: float64(n + 1), Place: pose.Place{Surface: "garment", Vertex: 100 + n},
			Sentence: fmt.Sprintf("with pose %d, look", n),
		})
	}
	page := &report.Page{Body: c.page.Body, Garments: c.page.Garments}
	if err := page.AddPoses(0, k, &r); err != nil {
		t.Fatal(err)
	}
	var steps []step
	for n := range want {
		steps = append(steps, step{"do": "click", "id": fmt.Sprintf(".strike >> nth=%d", n)}, readAll(0, page.Body), readAll(1, jersey),
			step{"do": "text", "id": "#turned"}, step{"do": "text", "id": "#facts"})
	}
	// From the whole pose: one joint more turned, moved and scaled by the sliders.
	forearm := slices.IndexFunc(c.body.Skin.Joints, func(j skinning.Joint) bool { return j.Name == "forearm.left" })
	after := len(steps)
	size := pageSize(page)
	steps = append(steps, step{"do": "click", "id": ".strike >> nth=1"}, step{"do": "select", "id": "#joint", "value": fmt.Sprint(forearm)},
		step{"do": "select", "id": "#change", "value": "rotation"}, step{"do": "fill", "id": "#turn-1", "value": 40},
		step{"do": "select", "id": "#change", "value": "translation"}, step{"do": "fill", "id": "#turn-0", "value": 25},
		step{"do": "select", "id": "#change", "value": "scale"}, step{"do": "fill", "id": "#turn-2", "value": 150}, step{"do": "text", "id": "output >> nth=2"},
		readAll(0, page.Body), readAll(1, jersey), step{"do": "text", "id": "#turned"}, step{"do": "axe"},
		step{"do": "click", "id": "#rest"}, step{"do": "text", "id": "#turned"}, step{"do": "text", "id": ".poses"})
	seen := browse(t, write(t, page), steps...)
	seen.clean(t)
	seen.axeClean(t, after+12)
	centre := c.centre()
	says := []string{"sheared", "scaled x 1.30 z 0.80", "scaled", "moved", "upper_arm.left"}
	for n := range want {
		// The page has them worst first.
		at := picked[len(picked)-1-n]
		garment, body := k.Posed(at)
		name := k.Poses()[at].Name
		seen.stands(t, 5*n+1, name, page.Body, body, centre)
		seen.stands(t, 5*n+2, name, jersey, garment, centre)
		if got := seen.text(t, 5*n+3); !strings.Contains(got, says[n]) {
			t.Errorf("%s is shown as %q, want something of %q", name, got, says[n])
		}
		if got, want := seen.text(t, 5*n+4), fmt.Sprintf("%d of jersey\n", 104-n); !strings.Contains(got, want) {
			t.Errorf("%s reads %q, want %q", name, got, want)
		}
	}
	// The same by hand: the whole pose, then the forearm's own change after it.
	_, maps := k.Maps(picked[3])
	joints := c.body.Skin.Joints
	g := joints[forearm].Global
	inv, ok := g.Inverse()
	if !ok {
		t.Fatal("the forearm is flat")
	}
	scale := skinning.Affine{M: [9]float64{0: 1, 4: 1, 8: 1.5}}
	own := g.Mul(&scale)
	own = own.Mul(&inv)
	turn := skinning.RotationAbout(g.T, c.body.Skin.LocalAxis(forearm, 1), 40*math.Pi/180)
	own = turn.Mul(&own)
	move := skinning.Identity()
	move.T = r3.Scale(25*size/1000, c.body.Skin.LocalAxis(forearm, 0))
	own = move.Mul(&own)
	posed := slices.Clone(maps)
	below := c.body.Skin.Subtree(forearm)
	around := maps[forearm].Mul(&own)
	back, _ := maps[forearm].Inverse()
	around = around.Mul(&back)
	for j := range posed {
		if below[j] {
			posed[j] = around.Mul(&maps[j])
		}
	}
	seen.stands(t, after+9, "sliders", page.Body, posed.Points(page.Body.Mesh.Positions, page.Body.Rows, nil), centre)
	seen.stands(t, after+10, "sliders", jersey, posed.Points(jersey.Mesh.Positions, jersey.Rows, nil), centre)
	if got, want := seen.text(t, after+8), "1.50"; got != want {
		t.Errorf("the slider of scale says %q, want %q", got, want)
	}
	if got := seen.text(t, after+11); !strings.Contains(got, "forearm.left y 40°, moved x ") || !strings.Contains(got, "scaled z 1.50") {
		t.Errorf("the page says %q of the pose", got)
	}
	if got := seen.text(t, after+14); got != "In the default pose." {
		t.Errorf("after the reset the page says %q", got)
	}
	if got := seen.text(t, after+15); !strings.HasPrefix(got, "jersey, parted: gust\n\nWith pose 4, look.\n") {
		t.Errorf("the poses read %q", got)
	}
}

// pageSize is the scene's diagonal.
func pageSize(p *report.Page) float64 {
	box := p.Body.Mesh.Bounds()
	for _, g := range p.Garments {
		b := g.Mesh.Bounds()
		box.Min = r3.Vec{X: min(box.Min.X, b.Min.X), Y: min(box.Min.Y, b.Min.Y), Z: min(box.Min.Z, b.Min.Z)}
		box.Max = r3.Vec{X: max(box.Max.X, b.Max.X), Y: max(box.Max.Y, b.Max.Y), Z: max(box.Max.Z, b.Max.Z)}
	}
	return r3.Norm(r3.Sub(box.Max, box.Min))
}

// TestBrowser_BindFrames: where the default pose is not the bind pose, the default
// pose and a turned one are where the formula of glTF 2.0, section 3.7.3.3, puts
// them, of the file's own matrices.
func TestBrowser_BindFrames(t *testing.T) {
	t.Parallel()
	c := dressed(t)
	skin := &skinning.Skin{Joints: slices.Clone(c.body.Skin.Joints)}
	for j := range skin.Joints {
		g := skin.Joints[j].Global
		inv, ok := g.Inverse()
		if !ok {
			t.Fatal("a flat joint")
		}
		bent := skinning.RotationAbout(r3.Vec{Y: 1}, r3.Vec{X: 1, Z: float64(j % 3)}, 0.01*float64(j))
		skin.Joints[j].InverseBind = inv.Mul(&bent)
	}
	f := *c.page.Garments[0]
	f.Skin = skin
	arm := slices.IndexFunc(skin.Joints, func(j skinning.Joint) bool { return j.Name == "upper_arm.left" })
	page := &report.Page{Body: c.page.Body, Garments: []*report.Figure{&f}}
	v := frontmost(f.Mesh, 1)
	seen := browse(t, write(t, page),
		readAll(1, &f), step{"do": "select", "id": "#joint", "value": fmt.Sprint(arm)}, step{"do": "fill", "id": "#turn-2", "value": 50}, readAll(1, &f),
		step{"do": "select", "id": "#of", "value": "1"}, step{"do": "fill", "id": "#number", "value": v}, step{"do": "press", "id": "#number", "key": "Enter"}, step{"do": "text", "id": "#facts"})
	seen.clean(t)
	var all []r3.Vec
	for _, x := range []*report.Figure{page.Body, &f} {
		b := x.Mesh.Bounds()
		all = append(all, b.Min, b.Max)
	}
	lo, hi := all[0], all[0]
	for _, x := range all {
		lo = r3.Vec{X: min(lo.X, x.X), Y: min(lo.Y, x.Y), Z: min(lo.Z, x.Z)}
		hi = r3.Vec{X: max(hi.X, x.X), Y: max(hi.Y, x.Y), Z: max(hi.Z, x.Z)}
	}
	centre := r3.Scale(0.5, r3.Add(lo, hi))
	turned := skin.Turn(arm, skin.LocalAxis(arm, 2), 50*math.Pi/180)
	for k, maps := range []skinning.Pose{nil, turned} {
		var got [][3]float64
		seen.into(t, 3*k, &got)
		worst := 0.0
		for i, x := range f.Mesh.Positions {
			joint, weight := f.Rows.Row(i)
			var own, blend skinning.Affine
			for n, j := range joint {
				bind := skin.Joints[j].Global.Mul(&skin.Joints[j].InverseBind)
				m := bind
				if maps != nil {
					m = maps[j].Mul(&bind)
				}
				for q := range m.M {
					own.M[q] += weight[n] * bind.M[q]
					blend.M[q] += weight[n] * m.M[q]
				}
				own.T = r3.Add(own.T, r3.Scale(weight[n], bind.T))
				blend.T = r3.Add(blend.T, r3.Scale(weight[n], m.T))
			}
			inv, ok := own.Inverse()
			if !ok {
				t.Fatal("a vertex that cannot be unbound")
			}
			want := r3.Sub(blend.Apply(inv.Apply(x)), centre)
			worst = max(worst, r3.Norm(r3.Sub(r3.Vec{X: got[i][0], Y: got[i][1], Z: got[i][2]}, want)))
		}
		if !(worst <= 1e-4) {
			t.Errorf("pose %d: %g m from where it should be", k, worst)
		}
	}
	p := f.Mesh.Positions[v]
	if got, want := seen.text(t, 7), fmt.Sprintf("%.3f", p.Y); !strings.Contains(got, want) {
		t.Errorf("the default pose reads %q, y is %s", got, want)
	}
}

// TestBrowser_DifferenceColour: the colour of a vertex by the difference to the last
// pass is Go's, and the legend and the facts say it.
func TestBrowser_DifferenceColour(t *testing.T) {
	t.Parallel()
	c := dressed(t)
	g := *c.page.Garments[0]
	v := frontmost(g.Mesh, 1)
	// The last pass: all vertices within 5 cm had a quarter of their weight elsewhere,
	// one far away all of it.
	far := 0
	for i, x := range g.Mesh.Positions {
		if x.Y < g.Mesh.Positions[far].Y {
			far = i
		}
	}
	earlier := g
	earlier.Rows = weights.NewRows(g.Rows.Len())
	sum := weights.NewAccumulator(len(g.Skin.Joints))
	other := uint16(0)
	js, _ := g.Rows.Row(v)
	for slices.Contains(js, other) {
		other++
	}
	for i := range g.Mesh.Positions {
		part := 0.0
		if r3.Norm(r3.Sub(g.Mesh.Positions[i], g.Mesh.Positions[v])) < 0.05 {
			part = 0.25
		} else if i == far {
			part = 1
		}
		sum.AddRow(g.Rows, i, 1-part)
		sum.Add(other, part)
		sum.Flush(earlier.Rows)
	}
	g.Compare(&earlier)
	if d := g.Difference[v]; math.Abs(d-0.5) > 1e-6 { // rows are on the grid of float32
		t.Fatalf("the difference at vertex %d is %g, made to be 0.5", v, d)
	}
	most := slices.Max(g.Difference)
	page := &report.Page{Body: c.page.Body, Garments: []*report.Figure{&g}}
	seen := browse(t, write(t, page),
		step{"do": "check", "id": "#even"}, step{"do": "check", "id": "#layer-0", "on": false}, step{"do": "select", "id": "#colour", "value": "difference"},
		step{"do": "evaluate", "script": fmt.Sprintf("reportProbe.look(1, %d, 0.004, 0, 0)", v)}, step{"do": "evaluate", "script": fmt.Sprintf("reportProbe.screen(1, %d)", v)},
		step{"do": "shotCanvas", "file": "difference.png"}, step{"do": "text", "id": "#legend-high"}, step{"do": "clickVertex", "figure": 1, "vertex": v}, step{"do": "text", "id": "#facts"},
		step{"do": "text", "id": "tbody"}, step{"do": "axe"})
	seen.clean(t)
	seen.axeClean(t, 10)
	var p [2]float64
	seen.into(t, 4, &p)
	got, want := color.RGBAModel.Convert(seen.picture(t, "difference.png").At(int(p[0]), int(p[1]))).(color.RGBA), report.Viridis.At(0.5/most)
	// As in TestBrowser_LooksAndColours.
	for k, d := range [3]int{int(got.R) - int(want.R), int(got.G) - int(want.G), int(got.B) - int(want.B)} {
		if d < -4 || d > 4 {
			t.Errorf("vertex %d with difference 0.5 of %.2f has colour %v, Go says %v (channel %d)", v, most, got, want, k)
			break
		}
	}
	if got := seen.text(t, 6); got != fmt.Sprintf("%.2f", most) {
		t.Errorf("the legend ends at %q, want %.2f", got, most)
	}
	if got := seen.text(t, 8); !strings.Contains(got, "\nlast pass\nL1 difference 0.5000") {
		t.Errorf("the facts say %q", got)
	}
	if got := seen.text(t, 9); !strings.Contains(got, fmt.Sprintf("most at vertex %d: %.2f (L1)", slices.Index(g.Difference, most), most)) {
		t.Errorf("the table says %q", got)
	}
}

// drawn is what reportProbe.drawn says.
type drawn struct {
	Frames, Triangles int
	Slow, Coarse      bool
}

// TestBrowser_DrawsOnDemand: nothing is drawn when nothing changes; where frames are
// slow a moving one has fewer triangles than one at rest, which has all of them.
func TestBrowser_DrawsOnDemand(t *testing.T) {
	t.Parallel()
	c, err := dress(4, "oilskin coat")
	if err != nil {
		t.Fatal(err)
	}
	all := len(c.page.Body.Mesh.Triangles) + len(c.page.Garments[0].Mesh.Triangles)
	const now = "JSON.stringify(reportProbe.drawn())"
	pause := func(ms int) step {
		return step{"do": "evaluate", "script": fmt.Sprintf("new Promise((done) => setTimeout(done, %d))", ms)}
	}
	settled := "reportProbe.settled().then(() => reportProbe.rest()).then(() => " + now + ")"
	seen := browse(t, write(t, c.page),
		step{"do": "evaluate", "script": settled}, pause(600), step{"do": "evaluate", "script": now},
		step{"do": "evaluate", "script": "(reportProbe.force(true), reportProbe.moving(), " + now + ")"},
		step{"do": "evaluate", "script": "reportProbe.rest().then(() => " + now + ")"},
		step{"do": "evaluate", "script": "(reportProbe.force(false), reportProbe.moving(), " + now + ")"},
	)
	seen.clean(t)
	state := func(k int) (d drawn) {
		if err := json.Unmarshal([]byte(seen.text(t, k)), &d); err != nil {
			t.Fatal(err)
		}
		return d
	}
	first, idle, moving, rest, quick := state(0), state(2), state(3), state(4), state(5)
	if idle.Frames != first.Frames {
		t.Errorf("%d frames were drawn while nothing changed", idle.Frames-first.Frames)
	}
	if first.Triangles != all || first.Coarse || rest.Triangles != all || rest.Coarse {
		t.Errorf("at rest %d and %d triangles are drawn, there are %d", first.Triangles, rest.Triangles, all)
	}
	if !moving.Coarse || moving.Triangles > 30000 || moving.Triangles < 5000 {
		t.Errorf("moving slowly %d of %d triangles are drawn", moving.Triangles, all)
	}
	if quick.Coarse || quick.Triangles != all {
		t.Errorf("moving quickly %d of %d triangles are drawn", quick.Triangles, all)
	}
}
