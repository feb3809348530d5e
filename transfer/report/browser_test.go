package report_test

// The page in a real browser: headless Chromium, driven by playwright-core, judged
// for accessibility by axe-core (both from npm, testdata/node).

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"image"
	"image/color"
	"image/png"
	"math"
	"net/http"
	"net/http/httptest"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"testing"

	"gonum.org/v1/gonum/spatial/r3"

	"github.com/selvage/selvage/transfer"
	"github.com/selvage/selvage/transfer/crew"
	"github.com/selvage/selvage/transfer/mesh"
	"github.com/selvage/selvage/transfer/report"
	"github.com/selvage/selvage/transfer/skinning"
)

// clad is a small cox with some clothes on, as a report has them.
type clad struct {
	page *report.Page
	body *crew.Body
}

var dressOnce = sync.OnceValues(func() (*clad, error) { return dress(0.4, "jersey", "oilskin coat") })

func dress(density float64, garments ...string) (*clad, error) {
	ctx := context.Background()
	b := crew.NewBodyAt("cox", min(density, 1))
	body := &transfer.Body{Name: "cox", Mesh: b.Mesh, Rows: b.Rows, Skin: b.Skin}
	source, err := transfer.Prepare(ctx, body, 0)
	if err != nil {
		return nil, err
	}
	c := &clad{body: b, page: &report.Page{Body: &report.Figure{Name: "cox", Mesh: b.Mesh, Rows: b.Rows, Skin: b.Skin}}}
	for _, name := range garments {
		g := b.GarmentAt(name, density)
		r, err := source.Transfer(ctx, &transfer.Garment{Name: name, Mesh: g.Mesh}, transfer.Options{})
		if err != nil {
			return nil, err
		}
		c.page.Garments = append(c.page.Garments, report.FromResult(name, g.Mesh, b.Skin, r))
	}
	return c, nil
}

func dressed(t testing.TB) *clad {
	t.Helper()
	c, err := dressOnce()
	if err != nil {
		t.Fatal(err)
	}
	return c
}

// centre of the scene, which the viewer's positions start from.
func (c *clad) centre() r3.Vec {
	var ends []r3.Vec
	for _, f := range append([]*report.Figure{c.page.Body}, c.page.Garments...) {
		b := f.Mesh.Bounds()
		ends = append(ends, b.Min, b.Max)
	}
	box := mesh.Bounds(ends)
	return r3.Scale(0.5, r3.Add(box.Min, box.Max))
}

func write(t testing.TB, p *report.Page) []byte {
	t.Helper()
	var b bytes.Buffer
	if err := p.Write(context.Background(), &b); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

type step map[string]any

// visit is what the browser saw.
type visit struct {
	Results                   []json.RawMessage
	Console, Errors, Requests []string
	LoadMilliseconds          float64
	shots                     string
}

// browse opens a page in Chromium and takes the steps.
func browse(t testing.TB, page []byte, steps ...step) *visit {
	t.Helper()
	const nodeDir = "testdata/node"
	if _, err := os.Stat(filepath.Join(nodeDir, "node_modules", "playwright-core")); err != nil {
		t.Fatalf("the node packages that this test drives a browser with are missing: run make node (%v)", err)
	}
	dir := t.TempDir()
	file, list := filepath.Join(dir, "page.html"), filepath.Join(dir, "steps.json")
	text, err := json.Marshal(steps)
	if err != nil {
		t.Fatal(err)
	}
	for name, data := range map[string][]byte{file: page, list: text} {
		if err := os.WriteFile(name, data, 0o644); err != nil {
			t.Fatal(err)
		}
	}
	var stderr bytes.Buffer
	cmd := exec.Command("node", filepath.Join(nodeDir, "drive.mjs"), file, dir, list)
	cmd.Stderr = &stderr
	out, err := cmd.Output()
	if err != nil {
		t.Fatalf("drive.mjs: %v\n%s", err, stderr.String())
	}
	v := &visit{shots: dir}
	if err := json.Unmarshal(out, v); err != nil {
		t.Fatalf("%v: %s", err, out)
	}
	// Reading pixels back stalls the pipeline, and the driver says so; only the tests
	// do that.
	v.Console = slices.DeleteFunc(v.Console, func(m string) bool { return strings.Contains(m, "GPU stall due to ReadPixels") })
	if len(v.Errors) > 0 {
		t.Errorf("errors: %q", v.Errors)
	}
	if len(v.Results) != len(steps) {
		t.Fatalf("%d of %d steps were taken; console: %q", len(v.Results), len(steps), v.Console)
	}
	return v
}

// clean checks that nothing was complained about and nothing asked for.
func (v *visit) clean(t *testing.T) {
	t.Helper()
	if len(v.Console) > 0 {
		t.Errorf("console: %q", v.Console)
	}
	for _, r := range v.Requests {
		if !strings.HasPrefix(r, "file://") && !strings.HasPrefix(r, "data:image/png;base64,") || strings.HasPrefix(r, "file://") && !strings.HasSuffix(r, "/page.html") {
			t.Errorf("the page asked for %s", r)
		}
	}
}

func (v *visit) into(t *testing.T, k int, target any) {
	t.Helper()
	if err := json.Unmarshal(v.Results[k], target); err != nil {
		t.Fatalf("step %d: %v: %s", k, err, v.Results[k])
	}
}

func (v *visit) text(t *testing.T, k int) string {
	t.Helper()
	var s string
	v.into(t, k, &s)
	return s
}

func (v *visit) picture(t *testing.T, name string) image.Image {
	t.Helper()
	f, err := os.Open(filepath.Join(v.shots, name))
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	img, err := png.Decode(f)
	if err != nil {
		t.Fatal(err)
	}
	return img
}

// frontmost is the vertex farthest along z (sign -1: against it) that no other one
// coincides with, inside the surface: a ray to a vertex of the border may pass it.
func frontmost(m *mesh.Mesh, sign float64) int {
	w := mesh.Weld(m, mesh.WeldTolerance(m))
	members := make([]int, len(w.Mesh.Positions))
	for _, i := range w.ToWelded {
		members[i]++
	}
	edges := map[[2]int32]int{}
	for _, t := range w.Mesh.Triangles {
		for k := range t {
			edges[[2]int32{min(t[k], t[(k+1)%3]), max(t[k], t[(k+1)%3])}]++
		}
	}
	for e, n := range edges {
		if n == 1 {
			members[e[0]], members[e[1]] = 0, 0
		}
	}
	best := -1
	for v, p := range m.Positions {
		if members[w.ToWelded[v]] == 1 && (best < 0 || sign*p.Z > sign*m.Positions[best].Z) {
			best = v
		}
	}
	return best
}

// axeClean checks a step's accessibility verdict.
func (v *visit) axeClean(t *testing.T, k int) {
	t.Helper()
	var found struct {
		Passes     int
		Violations []string
	}
	v.into(t, k, &found)
	if len(found.Violations) > 0 || found.Passes < 20 {
		t.Errorf("axe-core: %d rules pass, violations %q", found.Passes, found.Violations)
	}
}

// TestBrowser_LooksAndColours: no complaint, no request, a picture that is not
// blank, accessible, and the false colour of a known vertex as Go has it.
func TestBrowser_LooksAndColours(t *testing.T) {
	t.Parallel()
	c := dressed(t)
	g := c.page.Garments[0]
	v := frontmost(g.Mesh, 1)
	look := fmt.Sprintf("reportProbe.look(1, %d, 0.004, 0, 0)", v)
	at := fmt.Sprintf("reportProbe.screen(1, %d)", v)
	joint, _ := g.Rows.Row(v)
	seen := browse(t, write(t, c.page),
		step{"do": "shotCanvas", "file": "all.png"},
		step{"do": "axe"},
		step{"do": "check", "id": "#even"}, step{"do": "check", "id": "#layer-0", "on": false}, step{"do": "check", "id": "#layer-2", "on": false},
		step{"do": "evaluate", "script": look}, step{"do": "evaluate", "script": at}, step{"do": "shotCanvas", "file": "confidence.png"},
		step{"do": "select", "id": "#map", "value": "cividis"}, step{"do": "shotCanvas", "file": "cividis.png"},
		step{"do": "select", "id": "#map", "value": "viridis"},
		step{"do": "select", "id": "#colour", "value": "weight"}, step{"do": "select", "id": "#weight", "value": fmt.Sprint(joint[0])}, step{"do": "shotCanvas", "file": "weight.png"},
		step{"do": "select", "id": "#colour", "value": "distance"}, step{"do": "shotCanvas", "file": "distance.png"},
		step{"do": "text", "id": "#legend-high"},
		step{"do": "select", "id": "#colour", "value": "reason"}, step{"do": "shotCanvas", "file": "reason.png"},
		step{"do": "viewport", "width": 390, "height": 844}, step{"do": "axe"},
		step{"do": "evaluate", "script": "document.documentElement.scrollWidth <= innerWidth"},
	)
	seen.clean(t)
	seen.axeClean(t, 1)
	seen.axeClean(t, 20)
	if got := string(seen.Results[21]); got != "true" {
		t.Error("a narrow screen scrolls sideways")
	}

	colours := map[color.Color]int{}
	all := seen.picture(t, "all.png")
	for y := all.Bounds().Min.Y; y < all.Bounds().Max.Y; y++ {
		for x := all.Bounds().Min.X; x < all.Bounds().Max.X; x++ {
			colours[all.At(x, y)]++
		}
	}
	total := all.Bounds().Dx() * all.Bounds().Dy()
	if white := colours[color.RGBA{255, 255, 255, 255}]; len(colours) < 200 || white > total*97/100 {
		t.Errorf("the view is blank: %d colours, %d of %d pixels white", len(colours), white, total)
	}

	var p [2]float64
	seen.into(t, 6, &p)
	_, weight := g.Rows.Row(v)
	far := 0.0
	for _, f := range c.page.Garments {
		d := slices.Clone(f.Distance)
		slices.Sort(d)
		far = max(far, d[min(len(d)-1, int(math.Ceil(0.99*float64(len(d))))-1)])
	}
	if got, want := seen.text(t, 16), fmt.Sprintf("%.1f cm and more", 100*far); got != want {
		t.Errorf("the distance legend ends at %q, want %q", got, want)
	}
	reason := 0.0
	if g.Reason[v] != 0 {
		reason = 1
	}
	for _, l := range []struct {
		file  string
		m     report.Map
		value float64
	}{
		{"confidence.png", report.Viridis, float64(g.Confidence[v])}, {"cividis.png", report.Cividis, float64(g.Confidence[v])},
		{"weight.png", report.Viridis, weight[0]}, {"distance.png", report.Viridis, g.Distance[v] / far}, {"reason.png", report.Viridis, reason},
	} {
		img := seen.picture(t, l.file)
		got := color.RGBAModel.Convert(img.At(int(p[0]), int(p[1]))).(color.RGBA)
		want := l.m.At(l.value)
		// 4 of 255: the table of 256 colours between the map's nodes, and a pixel that is
		// not the vertex itself but up to 0.01 mm beside it.
		for k, d := range [3]int{int(got.R) - int(want.R), int(got.G) - int(want.G), int(got.B) - int(want.B)} {
			if d < -4 || d > 4 {
				t.Errorf("%s: vertex %d with value %.4f has colour %v at %v, Go says %v (channel %d)", l.file, v, l.value, got, p, want, k)
				break
			}
		}
	}
}

// TestBrowser_Changes: a page of what changed, without a body, opens in the colours
// of the difference, and its first place is where most changed.
func TestBrowser_Changes(t *testing.T) {
	t.Parallel()
	c := dressed(t)
	f := *c.page.Garments[0]
	v := frontmost(f.Mesh, 1)
	f.Difference = make([]float64, f.Mesh.NumVertices())
	f.Difference[v] = 0.5
	other := frontmost(f.Mesh, -1)
	f.Difference[other] = 0.25
	page := &report.Page{Garments: []*report.Figure{&f}, Changes: true}
	seen := browse(t, write(t, page),
		step{"do": "axe"},
		step{"do": "text", "id": "#legend-title"}, step{"do": "text", "id": "#legend-high"},
		step{"do": "evaluate", "script": `[document.querySelector("h1").textContent, document.querySelectorAll(".places.still .card").length, document.querySelector(".places.still .card p").textContent, document.querySelectorAll("#layers input").length]`},
		step{"do": "check", "id": "#even"}, step{"do": "evaluate", "script": fmt.Sprintf("reportProbe.look(1, %d, 0.004, 0, 0)", v)},
		step{"do": "evaluate", "script": fmt.Sprintf("reportProbe.screen(1, %d)", v)}, step{"do": "shotCanvas", "file": "changes.png"},
	)
	seen.clean(t)
	seen.axeClean(t, 0)
	if title, most := seen.text(t, 1), seen.text(t, 2); title != "L1 difference of rows to the last pass" || most != "0.50" {
		t.Errorf("the legend is %q up to %q", title, most)
	}
	var facts [4]any
	seen.into(t, 3, &facts)
	if facts[0] != "What changed" || facts[1] != 2. || !strings.Contains(fmt.Sprint(facts[2]), fmt.Sprintf("by up to 0.50 (L1) at vertex %d", v)) || facts[3] != 1. {
		t.Errorf("title, places, first place, layers: %v", facts)
	}
	var at [2]float64
	seen.into(t, 6, &at)
	got := color.RGBAModel.Convert(seen.picture(t, "changes.png").At(int(at[0]), int(at[1]))).(color.RGBA)
	want := report.Viridis.At(1)
	for k, d := range [3]int{int(got.R) - int(want.R), int(got.G) - int(want.G), int(got.B) - int(want.B)} {
		if d < -4 || d > 4 { // as in TestBrowser_LooksAndColours
			t.Errorf("the most changed vertex has colour %v, want %v (channel %d)", got, want, k)
			break
		}
	}
}

// TestBrowser_SlidersMoveVertices: what the graphics processor computes for a pose
// set by the sliders is what package skinning computes.
func TestBrowser_SlidersMoveVertices(t *testing.T) {
	t.Parallel()
	c := dressed(t)
	skin := c.body.Skin
	index := func(name string) int {
		for j := range skin.Joints {
			if skin.Joints[j].Name == name {
				return j
			}
		}
		t.Fatalf("no joint %s", name)
		return 0
	}
	turns := []struct {
		joint, axis, degrees int
	}{{index("upper_arm.left"), 2, 70}, {index("upper_arm.left"), 0, -35}, {index("forearm.left"), 1, -80}, {index("spine_2"), 1, 25}}
	turn := make([]r3.Vec, len(skin.Joints))
	var steps []step
	for _, x := range turns {
		turn[x.joint] = r3.Add(turn[x.joint], r3.Scale(float64(x.degrees)*math.Pi/180, skin.LocalAxis(x.joint, x.axis)))
		steps = append(steps, step{"do": "select", "id": "#joint", "value": fmt.Sprint(x.joint)},
			step{"do": "fill", "id": fmt.Sprintf("#turn-%d", x.axis), "value": x.degrees})
	}
	// The same pose once more, offered as a button.
	page := *c.page
	page.Poses = []report.Pose{{Title: "throwing a line", Sentence: "The sleeve strains.", Body: skin.TurnAll(turn), Garment: 1, Vertex: 11}}
	figures := append([]*report.Figure{c.page.Body}, c.page.Garments...)
	first := len(steps)
	for i, f := range figures {
		steps = append(steps, step{"do": "evaluate", "script": fmt.Sprintf("reportProbe.readBack(%d, Array.from({length: %d}, (_, v) => v))", i, f.Mesh.NumVertices())})
	}
	steps = append(steps, step{"do": "text", "id": "#turned"}, step{"do": "click", "id": "#rest"},
		step{"do": "evaluate", "script": fmt.Sprintf("reportProbe.readBack(1, Array.from({length: %d}, (_, v) => v))", figures[1].Mesh.NumVertices())},
		step{"do": "text", "id": "#turned"},
		step{"do": "click", "id": ".strike"},
		step{"do": "evaluate", "script": fmt.Sprintf("reportProbe.readBack(1, Array.from({length: %d}, (_, v) => v))", figures[1].Mesh.NumVertices())},
		step{"do": "text", "id": "#facts"}, step{"do": "text", "id": ".poses"})
	seen := browse(t, write(t, &page), steps...)
	seen.clean(t)
	centre := c.centre()
	check := func(step int, f *report.Figure, pose skinning.Pose) (moved float64) {
		var got [][3]float64
		seen.into(t, step, &got)
		worst, at := 0.0, 0
		for v, x := range f.Mesh.Positions {
			j, w := f.Rows.Row(v)
			want := r3.Sub(pose.PosedPoint(x, j, w), centre)
			if d := r3.Norm(r3.Sub(r3.Vec{X: got[v][0], Y: got[v][1], Z: got[v][2]}, want)); !(d <= worst) {
				worst, at = d, v
			}
			moved = max(moved, r3.Norm(r3.Sub(r3.Add(want, centre), x)))
		}
		t.Logf("%s: %d vertices, farthest from Go's place %.2e m, moved up to %.2f m", f.Name, f.Mesh.NumVertices(), worst, moved)
		// A step of the quantised positions is 31 µm on 2 m, of the weights 1.5e-5.
		if !(worst <= 1e-4) {
			t.Errorf("%s: vertex %d is %g m from where it should be", f.Name, at, worst)
		}
		return moved
	}
	pose := skin.TurnAll(turn)
	for i, f := range figures {
		if moved := check(first+i, f, pose); moved < 0.3 {
			t.Errorf("%s hardly moves: %g m", f.Name, moved)
		}
	}
	if got := seen.text(t, first+3); !strings.Contains(got, "upper_arm.left x -35° z 70°") || !strings.Contains(got, "forearm.left y -80°") {
		t.Errorf("the page says %q of the pose", got)
	}
	check(first+5, figures[1], skin.TurnAll(make([]r3.Vec, len(skin.Joints))))
	check(first+8, figures[1], pose)
	if got := seen.text(t, first+9); !strings.Contains(got, "11 of oilskin coat\n") {
		t.Errorf("the pose's button reads %q", got)
	}
	if got := seen.text(t, first+10); !strings.HasPrefix(got, "throwing a line\n\nThe sleeve strains.\n\nPose it so") {
		t.Errorf("the pose is offered as %q", got)
	}
	if got := seen.text(t, first+6); got != "In the default pose." {
		t.Errorf("after the reset the page says %q", got)
	}
}

// TestBrowser_PicksAVertex by click, by touch, by keyboard and by number.
func TestBrowser_PicksAVertex(t *testing.T) {
	t.Parallel()
	c := dressed(t)
	g := c.page.Garments[1]
	front, back := frontmost(g.Mesh, 1), frontmost(g.Mesh, -1)
	other := g.Mesh.NumVertices() / 2
	look := func(v int, azimuth float64) step {
		return step{"do": "evaluate", "script": fmt.Sprintf("reportProbe.look(2, %d, 0.01, %g, 0)", v, azimuth)}
	}
	seen := browse(t, write(t, c.page),
		look(front, 0), step{"do": "clickVertex", "figure": 2, "vertex": front}, step{"do": "text", "id": "#facts"},
		look(back, math.Pi), step{"do": "tapVertex", "figure": 2, "vertex": back}, step{"do": "text", "id": "#facts"},
		look(front, 0), step{"do": "press", "id": "#canvas", "key": "Enter"}, step{"do": "text", "id": "#facts"},
		step{"do": "select", "id": "#of", "value": "2"}, step{"do": "fill", "id": "#number", "value": other}, step{"do": "press", "id": "#number", "key": "Enter"}, step{"do": "text", "id": "#facts"},
		step{"do": "fill", "id": "#number", "value": g.Mesh.NumVertices()}, step{"do": "press", "id": "#number", "key": "Enter"}, step{"do": "text", "id": "#facts"},
		step{"do": "press", "id": "#canvas", "key": "0"}, step{"do": "clickCanvas", "at": []int{4, 4}}, step{"do": "text", "id": "#facts"},
		step{"do": "click", "id": ".visit >> nth=0"}, step{"do": "text", "id": "#facts"}, step{"do": "text", "id": ".card >> nth=0"},
	)
	seen.clean(t)
	for _, x := range []struct {
		how  string
		step int
		v    int
	}{{"click", 2, front}, {"touch", 5, back}, {"keyboard", 8, front}, {"number", 12, other}} {
		got := seen.text(t, x.step)
		joint, weight := g.Rows.Row(x.v)
		order := make([]int, len(joint))
		for i := range order {
			order[i] = i
		}
		slices.SortStableFunc(order, func(a, b int) int {
			if weight[a] > weight[b] {
				return -1
			}
			if weight[a] < weight[b] {
				return 1
			}
			return 0
		})
		want := []string{
			fmt.Sprintf("%d of %s\n", x.v, g.Name), fmt.Sprintf("\nconfidence\n%.3f", g.Confidence[x.v]),
			fmt.Sprintf("\ndistance\n%.2f cm\n", 100*g.Distance[x.v]), fmt.Sprintf("\nmatch\ntriangle %d at ", g.Triangle[x.v]),
		}
		for _, i := range order {
			want = append(want, c.body.Skin.Joints[joint[i]].Name+" ")
		}
		for k, name := range transfer.ReasonNames {
			if has := g.Reason[x.v]&(1<<k) != 0; has != strings.Contains(got, name) {
				t.Errorf("by %s: reason %q is shown: %v, want %v", x.how, name, !has, has)
			}
		}
		for _, w := range want {
			if !strings.Contains(got, w) {
				t.Errorf("by %s: no %q in %q", x.how, w, got)
			}
		}
		// The row itself, to the last digit shown or the step of 16 bits.
		_, line, _ := strings.Cut(got, "\nrow\n")
		line, _, _ = strings.Cut(line, "\n")
		for k, part := range strings.Split(line, ", ") {
			var name string
			var w float64
			if _, err := fmt.Sscanf(part, "%s %f", &name, &w); err != nil || k >= len(order) {
				t.Fatalf("by %s: row %q: %v", x.how, line, err)
			}
			if i := order[k]; name != c.body.Skin.Joints[joint[i]].Name || math.Abs(w-weight[i]) > 1e-4 {
				t.Errorf("by %s: influence %d is %s %g, want %s %g", x.how, k, name, w, c.body.Skin.Joints[joint[i]].Name, weight[i])
			}
		}
	}
	if got := seen.text(t, 15); !strings.Contains(got, fmt.Sprintf("has vertices 0 to %d", g.Mesh.NumVertices()-1)) {
		t.Errorf("a number too high gives %q", got)
	}
	if got := seen.text(t, 18); got != "No vertex there." {
		t.Errorf("a click beside everything gives %q", got)
	}
	var vertex int
	_, tail, _ := strings.Cut(seen.text(t, 21), "at vertex ")
	if _, err := fmt.Sscanf(tail, "%d", &vertex); err != nil {
		t.Fatal(err)
	}
	if got := seen.text(t, 20); !strings.Contains(got, fmt.Sprintf("vertex\n%d of ", vertex)) || !strings.Contains(got, ", low") {
		t.Errorf("the worst place's vertex is %d, its button reads %q", vertex, got)
	}
}

// TestBrowser_HostileNames: whatever a file calls its meshes and joints is text.
func TestBrowser_HostileNames(t *testing.T) {
	t.Parallel()
	c := dressed(t)
	const markup = `<img src=x onerror="window.hit=1">`
	const closing = `</script><script>window.hit=2</script><!--`
	skin := &skinning.Skin{Joints: slices.Clone(c.body.Skin.Joints)}
	for j := range skin.Joints {
		skin.Joints[j].Name = fmt.Sprintf("%s%s{{.}}${window.hit=3}%d", markup, closing, j)
	}
	body := *c.page.Body
	body.Name, body.Skin = `"><svg onload=window.hit=4>`, skin
	coat := *c.page.Garments[1]
	coat.Name, coat.Skin, coat.Notes = markup+closing, skin, []string{markup, closing, "\u202e\x00\u2028"}
	page := write(t, &report.Page{Title: `</title><script>window.hit=5</script>`, Body: &body, Garments: []*report.Figure{&coat},
		Poses: []report.Pose{{Title: markup, Sentence: closing, Body: skin.TurnAll(make([]r3.Vec, len(skin.Joints)))}}, Checks: []string{markup + closing}})
	if n := bytes.Count(page, []byte("<script")); n != 5 { // data, two figures, licences, the viewer
		t.Errorf("%d script blocks, want 5", n)
	}
	seen := browse(t, page,
		step{"do": "select", "id": "#colour", "value": "weight"},
		step{"do": "click", "id": ".visit >> nth=0"},
		step{"do": "fill", "id": "#turn-1", "value": 40},
		step{"do": "evaluate", "script": "[typeof window.hit, document.querySelectorAll('img:not([src^=\"data:image/png\"]), svg[onload]').length]"},
		step{"do": "text", "id": "#layers"}, step{"do": "text", "id": "#facts"}, step{"do": "text", "id": "#turned"}, step{"do": "evaluate", "script": "document.title"},
		step{"do": "axe"}, step{"do": "click", "id": ".strike"}, step{"do": "text", "id": "#first"},
	)
	seen.clean(t)
	seen.axeClean(t, 8)
	if got := string(seen.Results[3]); got != `["undefined",0]` {
		t.Errorf("a name ran or became markup: %s", got)
	}
	for k, want := range map[int]string{4: markup + closing, 5: markup + closing + "{{.}}${window.hit=3}", 6: markup + closing, 7: `</title><script>window.hit=5</script>`, 10: markup + closing + " " + markup + " " + closing} {
		if got := seen.text(t, k); !strings.Contains(strings.Join(strings.Fields(got), " "), strings.Join(strings.Fields(want), " ")) {
			t.Errorf("step %d shows %q, not %q", k, got, want)
		}
	}
}

// TestBrowser_Policy: the page's own policy stops scripts, pictures and calls that
// are not its own, so that a way in that nobody thought of leads nowhere.
func TestBrowser_Policy(t *testing.T) {
	t.Parallel()
	c := dressed(t)
	var calls atomic.Int32
	server := httptest.NewServer(http.HandlerFunc(func(http.ResponseWriter, *http.Request) { calls.Add(1) }))
	defer server.Close()
	page := write(t, &report.Page{Body: c.page.Body, Garments: c.page.Garments[:1], MaxBytes: 1})
	seen := browse(t, page,
		step{"do": "evaluate", "script": `(() => { const s = document.createElement('script'); s.textContent = 'window.hit = 1'; document.body.append(s); return typeof window.hit; })()`},
		step{"do": "evaluate", "script": fmt.Sprintf(`fetch('%s/', {mode: 'no-cors'}).then(() => 'sent', () => 'refused')`, server.URL)},
		step{"do": "evaluate", "script": fmt.Sprintf(`new Promise((done) => { const i = new Image(); i.onload = () => done('loaded'); i.onerror = () => done('refused'); i.src = '%s/x.png'; })`, server.URL)},
		step{"do": "text", "id": "#layers"}, step{"do": "text", "id": "tbody"}, step{"do": "evaluate", "script": "document.querySelector('.visit').disabled"},
	)
	if got := seen.text(t, 0); got != "undefined" {
		t.Errorf("a script that was put in ran: hit is %s", got)
	}
	for k := 1; k <= 2; k++ {
		if got := seen.text(t, k); got != "refused" {
			t.Errorf("step %d: %s", k, got)
		}
	}
	refused := 0
	for _, m := range seen.Console {
		if strings.Contains(m, "Content Security Policy") {
			refused++
		}
	}
	if refused < 3 {
		t.Errorf("the policy refused %d things, want 3: %q", refused, seen.Console)
	}
	if n := calls.Load(); n > 0 {
		t.Errorf("%d requests left the page", n)
	}
	// No room for the garment: said, and the rest works.
	if got := seen.text(t, 3); got != "cox (body)" && strings.TrimSpace(got) != "cox (body)" {
		t.Errorf("layers without room: %q", got)
	}
	if got := seen.text(t, 4); !strings.Contains(got, "Left out of the 3D view") {
		t.Errorf("the table does not say what was left out: %q", got)
	}
	if got := string(seen.Results[5]); got != "true" {
		t.Error("the way to a place that is not in the view is open")
	}
}

// BenchmarkBrowser opens a page with one large garment in headless Chromium, with
// software rendering: from navigation to the first picture, a frame as while moving,
// a pick, and the frames a second of a drag by the mouse, counted until the last of
// them is finished.
func BenchmarkBrowser(b *testing.B) {
	for _, density := range []float64{1, 17.5} {
		c, err := dress(density, "oilskin coat")
		if err != nil {
			b.Fatal(err)
		}
		n := c.page.Garments[0].Mesh.NumVertices()
		page := write(b, c.page)
		b.Run(fmt.Sprintf("verts=%dk", (n+500)/1000), func(b *testing.B) {
			var load, view, frame, pick, drag float64
			for b.Loop() {
				seen := browse(b, page,
					step{"do": "evaluate", "script": "reportProbe.milliseconds"}, step{"do": "evaluate", "script": "reportProbe.frameTime(10)"},
					step{"do": "evaluate", "script": "(() => { const t = performance.now(); reportProbe.pick(400, 350); return performance.now() - t; })()"},
					step{"do": "drag", "seconds": 3})
				load += seen.LoadMilliseconds
				for k, sum := range []*float64{&view, &frame, &pick, &drag} {
					var x float64
					if err := json.Unmarshal(seen.Results[k], &x); err != nil {
						b.Fatal(err)
					}
					*sum += x
				}
			}
			count := float64(b.N)
			b.ReportMetric(load/count, "ms-load")
			b.ReportMetric(view/count, "ms-view")
			b.ReportMetric(frame/count, "ms-frame")
			b.ReportMetric(pick/count, "ms-pick")
			b.ReportMetric(drag/count, "frames/s-drag")
			b.ReportMetric(float64(len(page)), "page-bytes")
		})
	}
}
