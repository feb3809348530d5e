package report

import (
	"bytes"
	"context"
	"crypto/sha256"
	_ "embed"
	"encoding/base64"
	"encoding/json"
	"fmt"
	"html/template"
	"image"
	"image/color"
	"image/png"
	"io"
	"math"
	"slices"
	"strings"

	"gonum.org/v1/gonum/spatial/r3"

	"github.com/selvage/selvage/transfer"
	"github.com/selvage/selvage/transfer/mesh"
)

// The viewer is bundled from web/src by "make web" and committed, with the licence
// of what it contains, so that building needs no node.
var (
	//go:embed web/dist/viewer.js
	viewer string
	//go:embed web/dist/LICENSES.txt
	viewerLicences string
	//go:embed web/page.css
	pageStyle string
	//go:embed web/page.html
	pageSource string
)

var pageTemplate = template.Must(template.New("page").Parse(pageSource))

var bodyColour = color.RGBA{188, 180, 172, 255}

// defaultPageBytes bounds the geometry in a page: some 20 garments of 100,000
// vertices.
const defaultPageBytes = 64 << 20

// Page is what an HTML report shows.
type Page struct {
	// Title of the page; empty: made of the body's name.
	Title string
	// Body must have rows.
	Body     *Figure
	Garments []*Figure
	// Poses are offered one click away, in their order.
	Poses []Pose
	// Extra is shown below the garments' table as it is, for tables of the caller's
	// own; it must be trusted. Empty: nothing.
	Extra template.HTML
	// MaxBytes bounds the geometry, in bytes of the page. Garments that find no room
	// any more, in their order, are in the table and the pictures but not in the 3D
	// view, and the page says so. Zero: 64 MiB.
	MaxBytes int64
	// Threads for drawing. Zero: all. The page does not depend on it.
	Threads int
}

// Pose is a pose worth a look, with the place to look at.
type Pose struct {
	// Title of the button and the sentence beside it, as text.
	Title, Sentence string
	// Turn of each joint of Body.Skin, as skinning's TurnAll takes it: a rotation
	// vector, world axes of the default pose, radians. The joint's own axes must be
	// orthogonal, else the sliders cannot show it.
	Turn []r3.Vec
	// Garment is the index in Page.Garments, and Vertex the one to look at.
	Garment, Vertex int
}

type viewPose struct {
	Figure int `json:"figure"`
	Vertex int `json:"vertex"`
	// Turn lists joints that turn, with the angles about their own axes, radians.
	Turn []viewTurn `json:"turn"`
}

type viewTurn struct {
	Joint  int        `json:"joint"`
	Angles [3]float64 `json:"angles"`
}

// viewPoses checks the poses and brings them into the viewer's form.
func (p *Page) viewPoses(index []uint16) ([]viewPose, error) {
	out := []viewPose{}
	for k, q := range p.Poses {
		if q.Garment < 0 || q.Garment >= len(p.Garments) {
			return nil, fmt.Errorf("pose %d: garment %d of %d", k, q.Garment, len(p.Garments))
		}
		if n := p.Garments[q.Garment].Mesh.NumVertices(); q.Vertex < 0 || q.Vertex >= n {
			return nil, fmt.Errorf("pose %d: vertex %d of %d", k, q.Vertex, n)
		}
		if len(q.Turn) != len(p.Body.Skin.Joints) {
			return nil, fmt.Errorf("pose %d: turns of %d joints, the body has %d", k, len(q.Turn), len(p.Body.Skin.Joints))
		}
		v := viewPose{Figure: q.Garment + 1, Vertex: q.Vertex}
		for j, turn := range q.Turn {
			if turn == (r3.Vec{}) {
				continue
			}
			t := viewTurn{Joint: int(index[j])}
			for axis := range t.Angles {
				t.Angles[axis] = r3.Dot(turn, p.Body.Skin.LocalAxis(j, axis))
			}
			v.Turn = append(v.Turn, t)
		}
		out = append(out, v)
	}
	return out, nil
}

// viewPlace is a place as the viewer gets it.
type viewPlace struct {
	Figure    int        `json:"figure"`
	Vertex    int        `json:"vertex"`
	Centre    [3]float64 `json:"centre"`
	Azimuth   float64    `json:"azimuth"`
	Elevation float64    `json:"elevation"`
	Half      float64    `json:"half"`
}

type viewJoint struct {
	Name   string     `json:"name"`
	Parent int        `json:"parent"`
	Origin [3]float64 `json:"origin"`
	// Axes are the world directions of the joint's own axes, unit length.
	Axes [3][3]float64 `json:"axes"`
}

// viewData is the page's JSON.
type viewData struct {
	// Size is the scene's diagonal, metres.
	Size float64 `json:"size"`
	// Centre of the scene, which all positions here start from.
	Centre  [3]float64 `json:"centre"`
	Low     float64    `json:"low"`
	Floor   float64    `json:"floor"`
	Reasons []string   `json:"reasons"`
	// Maps are the colour maps at evenly spaced nodes, 0 to 255.
	Maps    map[string][][3]int `json:"maps"`
	Invalid [3]int              `json:"invalid"`
	Plain   [3]int              `json:"plain"`
	Joints  []viewJoint         `json:"joints"`
	Figures []shape             `json:"figures"`
	Places  []viewPlace         `json:"places"`
	Poses   []viewPose          `json:"poses"`
}

// Row of the table of garments.
type pageRow struct {
	Name           string
	Vertices       int
	Known          bool // confidence is known
	Low            int
	Share          string
	Median, Far    string // centimetres
	Reasons, Notes []string
	LeftOut        bool
}

type pagePlace struct {
	Index           int
	Title, Sentence string
	Picture         template.URL
}

// Write writes the report as one HTML file that loads nothing from anywhere. Names
// and notes are text, whatever they hold. The same input gives the same bytes.
// Errors: a figure whose slices do not fit it, ctx's, w's.
func (p *Page) Write(ctx context.Context, w io.Writer) error {
	figures := append([]*Figure{p.Body}, p.Garments...)
	for _, f := range figures {
		if err := f.check(); err != nil {
			return err
		}
	}
	if p.Body.Rows == nil {
		return fmt.Errorf("%s: has no rows", p.Body.Name)
	}
	var ends []r3.Vec
	for _, f := range figures {
		if len(f.Mesh.Positions) > 0 {
			b := f.Mesh.Bounds()
			ends = append(ends, b.Min, b.Max)
		}
	}
	box := mesh.Bounds(ends)
	centre, size := r3.Scale(0.5, r3.Add(box.Min, box.Max)), r3.Norm(r3.Sub(box.Max, box.Min))
	floor := p.Body.Mesh.Bounds().Min.Y

	joints, err := unite(figures, size)
	if err != nil {
		return err
	}
	data := viewData{
		Size: size, Centre: triple(centre), Low: transfer.LowConfidence, Floor: floor - centre.Y, Reasons: transfer.ReasonNames[:],
		Maps:    map[string][][3]int{"viridis": nodes(&viridis), "cividis": nodes(&cividis)},
		Invalid: rgb(InvalidColor), Plain: rgb(bodyColour),
	}
	for i := range joints.joints {
		j := &joints.joints[i]
		v := viewJoint{Name: j.Name, Parent: j.Parent, Origin: triple(r3.Sub(j.Global.T, centre))}
		for k := range v.Axes {
			d := r3.Vec{X: j.Global.M[k], Y: j.Global.M[3+k], Z: j.Global.M[6+k]}
			if n := r3.Norm(d); n > 0 {
				d = r3.Scale(1/n, d)
			}
			v.Axes[k] = triple(d)
		}
		data.Joints = append(data.Joints, v)
	}

	if data.Poses, err = p.viewPoses(joints.index[p.Body]); err != nil {
		return err
	}
	limit := p.MaxBytes
	if limit <= 0 {
		limit = defaultPageBytes
	}
	welded := make([]weldedFigure, len(figures))
	var payloads [][]byte
	var rows []pageRow
	var places []place
	for i, f := range figures {
		if err := ctx.Err(); err != nil {
			return err
		}
		welded[i] = weld(f)
		s, text, err := pack(f, centre, welded[i].normals(), joints.index[f])
		if err != nil {
			return fmt.Errorf("%s: %w", f.Name, err)
		}
		s.Body = i == 0
		if limit -= int64(len(text)); limit < 0 && i > 0 {
			limit += int64(len(text))
			s.LeftOut, text = true, nil
		}
		data.Figures = append(data.Figures, s)
		payloads = append(payloads, text)
		if i > 0 {
			rows = append(rows, row(f, &s))
			found := findPlaces(i, f, &welded[i], size)
			places = append(places, found[:min(len(found), maxPlacesOfOne)]...)
		}
	}
	if len(places) == 0 {
		for i := range p.Garments {
			if q, ok := leastSure(i+1, &welded[i+1]); ok && (len(places) == 0 || q.worst < places[0].worst) {
				places = []place{q}
			}
		}
	}
	sortPlaces(places)
	places = places[:min(len(places), maxPlaces)]
	var cards []pagePlace
	for k := range places {
		if err := ctx.Err(); err != nil {
			return err
		}
		q := &places[k]
		f, wf := figures[q.figure], &welded[q.figure]
		q.draw(wf, &welded[0], size, 320, 260, p.Threads)
		url, err := pictureURL(q.picture)
		if err != nil {
			return err
		}
		title := f.Name
		if j := jointOf(f, q.originals(wf)); j != "" {
			title += ", " + j
		}
		cards = append(cards, pagePlace{Index: k, Title: title, Sentence: q.sentence(f, wf, floor), Picture: url})
		data.Places = append(data.Places, viewPlace{
			Figure: q.figure, Vertex: q.vertex, Centre: triple(r3.Sub(q.centre, centre)),
			Azimuth: q.view.Azimuth, Elevation: q.view.Elevation, Half: max(1.3*q.radius, closeUpShare*size),
		})
	}

	overview, err := p.overview(welded)
	if err != nil {
		return err
	}
	text, err := json.Marshal(data) // escapes <, > and &
	if err != nil {
		return err
	}
	// What stands in a script block must not end it.
	for what, s := range map[string]string{"viewer": viewer, "style": pageStyle} {
		if strings.Contains(strings.ToLower(s), "</s") || strings.Contains(s, "<!--") {
			return fmt.Errorf("report: the %s would end its own block", what)
		}
	}
	title := p.Title
	if title == "" {
		title = "Garments of " + p.Body.Name
	}
	vertices, low, known := 0, 0, false
	for _, r := range rows {
		vertices, low, known = vertices+r.Vertices, low+r.Low, known || r.Known
	}
	var page bytes.Buffer
	err = pageTemplate.Execute(&page, map[string]any{
		"Title": title, "Policy": policy(), "Style": template.CSS(pageStyle), "Script": template.JS(viewer),
		"Licences": template.HTML(strings.TrimSpace(viewerLicences)),
		"Vertices": vertices, "Low": low, "Share": share(low, vertices), "Known": known, "Limit": transfer.LowConfidence,
		"Places": cards, "Calm": len(places) > 0 && !places[0].low, "Rows": rows, "Garments": len(p.Garments),
		"Overview": overview, "Legend": legendStops(), "Extra": p.Extra, "Poses": p.Poses,
		"Data": template.JS(text), "Payloads": payloadBlocks(payloads),
	})
	if err != nil {
		return fmt.Errorf("report: %w", err)
	}
	_, err = w.Write(page.Bytes())
	return err
}

type payloadBlock struct {
	Index int
	Text  template.HTML
}

func payloadBlocks(list [][]byte) []payloadBlock {
	var out []payloadBlock
	for i, b := range list {
		if b != nil {
			out = append(out, payloadBlock{i, template.HTML(b)})
		}
	}
	return out
}

// policy lets the page run its own script and nothing else, and load nothing.
// Source: Content Security Policy Level 3, W3C, sections 2.3.1 (hashes) and 6.7.
func policy() string {
	hash := func(s string) string {
		h := sha256.Sum256([]byte(s))
		return "'sha256-" + base64.StdEncoding.EncodeToString(h[:]) + "'"
	}
	return "default-src 'none'; script-src " + hash(viewer) + "; style-src " + hash(pageStyle) +
		"; img-src data:; base-uri 'none'; form-action 'none'"
}

func row(f *Figure, s *shape) pageRow {
	r := pageRow{Name: f.Name, Vertices: s.Vertices, Known: f.Confidence != nil, LeftOut: s.LeftOut, Low: f.low(), Notes: f.Notes}
	r.Share = share(r.Low, r.Vertices)
	if f.Distance != nil {
		d := slices.Clone(f.Distance)
		d = slices.DeleteFunc(d, func(x float64) bool { return math.IsInf(x, 0) || math.IsNaN(x) })
		r.Median = fmt.Sprintf("%.1f", 100*percentile(d, 0.5))
		r.Far = fmt.Sprintf("%.1f", 100*percentile(d, 1))
	}
	all := make([]int, s.Vertices)
	for v := range all {
		all[v] = v
	}
	r.Reasons = reasonShares(f, all)
	if s.Shortened > 0 {
		r.Notes = append(slices.Clone(r.Notes), fmt.Sprintf("%d rows have more than %d influences; the 3D view uses the largest %d", s.Shortened, maxInfluences, maxInfluences))
	}
	return r
}

func share(part, all int) string {
	if all == 0 {
		return "0%"
	}
	p := 100 * float64(part) / float64(all)
	if part > 0 && p < 0.1 {
		return "under 0.1%"
	}
	return fmt.Sprintf("%.1f%%", p)
}

// percentile sorts x and returns the value that a share of at least q of them does
// not pass; 0 for none.
func percentile(x []float64, q float64) float64 {
	if len(x) == 0 {
		return 0
	}
	slices.Sort(x)
	return x[min(max(int(math.Ceil(q*float64(len(x))))-1, 0), len(x)-1)]
}

// overview draws everything from front and back in the colours of confidence.
func (p *Page) overview(welded []weldedFigure) ([]template.URL, error) {
	var layers []Layer
	for i := range welded[1:] {
		layers = append(layers, Layer{Mesh: welded[i+1].Mesh, Scalar: welded[i+1].confidence, Map: Viridis})
	}
	layers = append(layers, Layer{Mesh: welded[0].Mesh, Color: bodyColour})
	var out []template.URL
	for _, azimuth := range []float64{0.25, math.Pi + 0.25} {
		url, err := pictureURL(Render(layers, View{Azimuth: azimuth, Elevation: 0.1, Threads: p.Threads}, 360, 440))
		if err != nil {
			return nil, err
		}
		out = append(out, url)
	}
	return out, nil
}

func pictureURL(img *image.RGBA) (template.URL, error) {
	var b bytes.Buffer
	if err := png.Encode(&b, img); err != nil {
		return "", err
	}
	return template.URL("data:image/png;base64," + base64.StdEncoding.EncodeToString(b.Bytes())), nil
}

// legendStops is the colour bar of the pictures, as rectangles of an SVG.
func legendStops() []string {
	const n = 32
	out := make([]string, n)
	for i := range out {
		c := Viridis.At((float64(i) + 0.5) / n)
		out[i] = fmt.Sprintf("#%02x%02x%02x", c.R, c.G, c.B)
	}
	return out
}

func nodes(table *[33][3]uint8) [][3]int {
	out := make([][3]int, len(table))
	for i, c := range table {
		out[i] = [3]int{int(c[0]), int(c[1]), int(c[2])}
	}
	return out
}

func rgb(c color.RGBA) [3]int { return [3]int{int(c.R), int(c.G), int(c.B)} }

func triple(v r3.Vec) [3]float64 { return [3]float64{v.X, v.Y, v.Z} }
