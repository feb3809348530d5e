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
	"github.com/selvage/selvage/transfer/skinning"
	"github.com/selvage/selvage/transfer/weights"
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

// The colours of the body, and of what is worn over it beneath the garments.
var bodyColour, beneathColour = color.RGBA{188, 180, 172, 255}, color.RGBA{140, 150, 160, 255}

// defaultPageBytes bounds the geometry in a page: some 20 garments of 100,000
// vertices.
const defaultPageBytes = 64 << 20

// Page is what an HTML report shows.
type Page struct {
	// Title of the page; empty: made of the body's name.
	Title string
	// Body must have rows. With Changes it may be nil.
	Body     *Figure
	Garments []*Figure
	// Beneath are clothes that the garments are worn over, with rows: shown, and posed,
	// and not judged.
	Beneath []*Figure
	// Changes makes the page tell what changed since earlier files (Figure.Difference)
	// rather than how sure the weights are.
	Changes bool
	// Poses are pictured and offered one click away, highest rank first, at most 12.
	Poses []Pose
	// Checks are sentences on how the garments were posed, or on what a change touches,
	// as text.
	Checks []string
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
	Maps map[string][][3]int `json:"maps"`
	// Most is the largest difference to an earlier file: the scale's end.
	Most float64 `json:"most"`
	// Changes says that differences are what the page is about.
	Changes bool        `json:"changes"`
	Invalid [3]int      `json:"invalid"`
	Plain   [3]int      `json:"plain"`
	Beneath [3]int      `json:"beneath"`
	Joints  []viewJoint `json:"joints"`
	Figures []shape     `json:"figures"`
	Places  []viewPlace `json:"places"`
	// Edits are the garments with edits by hand, by the table of them, and Conflicts the
	// conflicts by theirs: what shows each.
	Edits     []viewPlace `json:"edits"`
	Conflicts []viewPlace `json:"conflicts"`
	Poses     []viewPose  `json:"poses"`
}

// card is a place or a pose at the top of the page.
type card struct {
	Index           int
	Title, Sentence string
	Picture         template.URL
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

// scene is what page and stills are made of.
type scene struct {
	figures []*Figure // the body, then the garments, then what is beneath them
	welded  []weldedFigure
	centre  r3.Vec
	size    float64 // diagonal, metres
	floor   float64 // height of the body's lowest point
	joints  *skeleton
	axes    [][3]r3.Vec // the joints' own, unit vectors in the world frame
	places  []place     // worst first
	poses   []Pose      // worst first
	threads int
	worn    int     // number of garments
	changes bool    // pictures show differences, not confidence
	most    float64 // the largest difference: the end of its scale
}

// scene checks and gathers. Errors: a figure whose slices do not fit it, a pose of
// what is not there, ctx's.
func (p *Page) scene(ctx context.Context) (*scene, error) {
	body := p.Body
	if body == nil && p.Changes {
		body = &Figure{Mesh: &mesh.Mesh{}, Rows: weights.NewRows(0), Skin: &skinning.Skin{}}
	}
	s := &scene{figures: slices.Concat([]*Figure{body}, p.Garments, p.Beneath), worn: len(p.Garments), threads: p.Threads, changes: p.Changes}
	for _, f := range s.figures {
		if err := f.check(); err != nil {
			return nil, err
		}
	}
	if body.Rows == nil {
		return nil, fmt.Errorf("%s: has no rows", body.Name)
	}
	for k := range p.Poses {
		if err := p.checkPose(k, &p.Poses[k]); err != nil {
			return nil, err
		}
	}
	var ends []r3.Vec
	for _, f := range s.figures {
		if len(f.Mesh.Positions) > 0 {
			b := f.Mesh.Bounds()
			ends = append(ends, b.Min, b.Max)
		}
	}
	box := mesh.Bounds(ends)
	s.centre, s.size = r3.Scale(0.5, r3.Add(box.Min, box.Max)), r3.Norm(r3.Sub(box.Max, box.Min))
	s.floor = box.Min.Y
	if len(body.Mesh.Positions) > 0 {
		s.floor = body.Mesh.Bounds().Min.Y
	}
	var err error
	if s.joints, err = unite(s.figures, s.size); err != nil {
		return nil, err
	}
	s.axes = make([][3]r3.Vec, len(s.joints.joints))
	for i := range s.axes {
		g := &s.joints.joints[i].Global
		for k := range s.axes[i] {
			d := r3.Vec{X: g.M[k], Y: g.M[3+k], Z: g.M[6+k]}
			if n := r3.Norm(d); n > 0 {
				d = r3.Scale(1/n, d)
			}
			s.axes[i][k] = d
		}
	}
	s.welded = make([]weldedFigure, len(s.figures))
	for i, f := range s.figures {
		if err := ctx.Err(); err != nil {
			return nil, err
		}
		s.welded[i] = weld(f)
		switch {
		case !s.isGarment(i):
			continue
		case s.changes:
			s.places = append(s.places, changedPlaces(i, &s.welded[i], s.size)...)
		default:
			s.places = append(s.places, findPlaces(i, f, &s.welded[i], s.size)...)
		}
		s.most = max(s.most, f.mostDifferent())
	}
	if s.changes {
		for i := range s.welded {
			s.welded[i].shadeDifference(s.leastScale())
		}
	}
	if len(s.places) == 0 && !s.changes {
		for i := range p.Garments {
			if q, ok := leastSure(i+1, &s.welded[i+1]); ok && (len(s.places) == 0 || q.worst < s.places[0].worst) {
				s.places = []place{q}
			}
		}
	}
	s.places, s.poses = worstPlaces(s.places), p.sortPoses()
	return s, nil
}

// isGarment reports whether figure i is a garment that the page is about.
func (s *scene) isGarment(i int) bool { return i > 0 && i <= s.worn }

// cardWidth and cardHeight are the size of the pictures at the top, pixels.
const cardWidth, cardHeight = 320, 260

// Write writes the report as one HTML file that loads nothing from anywhere. Names
// and notes are text, whatever they hold. The same input gives the same bytes.
// Errors: a figure whose slices do not fit it, a pose of what is not there, ctx's,
// w's.
func (p *Page) Write(ctx context.Context, w io.Writer) error {
	s, err := p.scene(ctx)
	if err != nil {
		return err
	}
	data := viewData{
		Size: s.size, Centre: triple(s.centre), Low: transfer.LowConfidence, Floor: s.floor - s.centre.Y, Reasons: transfer.ReasonNames[:],
		Maps:    map[string][][3]int{"viridis": nodes(&viridis), "cividis": nodes(&cividis)},
		Invalid: rgb(InvalidColor), Plain: rgb(bodyColour), Beneath: rgb(beneathColour), Poses: []viewPose{}, Changes: p.Changes, Most: s.most,
	}
	for i := range s.joints.joints {
		j := &s.joints.joints[i]
		v := viewJoint{Name: j.Name, Parent: j.Parent, Origin: triple(r3.Sub(j.Global.T, s.centre))}
		for k, d := range s.axes[i] {
			v.Axes[k] = triple(d)
		}
		data.Joints = append(data.Joints, v)
	}
	limit := p.MaxBytes
	if limit <= 0 {
		limit = defaultPageBytes
	}
	var payloads [][]byte
	var rows []pageRow
	for i, f := range s.figures {
		if err := ctx.Err(); err != nil {
			return err
		}
		packed, text, err := pack(f, s.centre, s.welded[i].normals(), s.joints.index[f])
		if err != nil {
			return fmt.Errorf("%s: %w", f.Name, err)
		}
		packed.Body, packed.Beneath = i == 0, i > s.worn
		if limit -= int64(len(text)); limit < 0 && i > 0 {
			limit += int64(len(text))
			packed.LeftOut, text = true, nil
		}
		data.Figures = append(data.Figures, packed)
		payloads = append(payloads, text)
		if s.isGarment(i) {
			rows = append(rows, row(f, &packed))
		}
	}
	var places, poses []card
	for k := range s.places {
		if err := ctx.Err(); err != nil {
			return err
		}
		q := &s.places[k]
		q.draw(s, cardWidth, cardHeight)
		url, err := pictureURL(q.picture)
		if err != nil {
			return err
		}
		places = append(places, card{Index: k, Title: s.placeTitle(q), Sentence: s.placeSentence(q), Picture: url})
		data.Places = append(data.Places, viewPlace{
			Figure: q.figure, Vertex: q.vertex, Centre: triple(r3.Sub(q.centre, s.centre)),
			Azimuth: q.view.Azimuth, Elevation: q.view.Elevation, Half: max(1.3*q.radius, closeUpShare*s.size),
		})
	}
	for k := range s.poses {
		if err := ctx.Err(); err != nil {
			return err
		}
		q := &s.poses[k]
		c := s.drawPose(q, cardWidth, cardHeight)
		url, err := pictureURL(c.picture)
		if err != nil {
			return err
		}
		poses = append(poses, card{Index: k, Title: q.Title, Sentence: c.sentence(q), Picture: url})
		data.Poses = append(data.Poses, viewPose{
			viewPlace: viewPlace{
				Figure: q.figure(), Vertex: q.Vertex, Centre: triple(r3.Sub(c.centre, s.centre)),
				Azimuth: c.view.Azimuth, Elevation: c.view.Elevation, Half: c.half,
			},
			Changes: changes(c.maps, s.joints.joints, s.axes, s.centre),
		})
	}
	var overview []template.URL
	for _, azimuth := range overviewAzimuths {
		url, err := pictureURL(s.overview(azimuth, 360, 440))
		if err != nil {
			return err
		}
		overview = append(overview, url)
	}
	edits := s.edits(&data)
	text, err := json.Marshal(&data) // escapes <, > and &
	if err != nil {
		return err
	}
	// What stands in a script block must not end it.
	for what, s := range map[string]string{"viewer": viewer, "style": pageStyle} {
		if strings.Contains(strings.ToLower(s), "</s") || strings.Contains(s, "<!--") {
			return fmt.Errorf("report: the %s would end its own block", what)
		}
	}
	vertices, low, known := 0, 0, false
	for _, r := range rows {
		vertices, low, known = vertices+r.Vertices, low+r.Low, known || r.Known
	}
	var page bytes.Buffer
	err = pageTemplate.Execute(&page, map[string]any{
		"Title": p.title(), "Policy": policy(), "Style": template.CSS(pageStyle), "Script": template.JS(viewer),
		"Licences": template.HTML(strings.TrimSpace(viewerLicences)),
		"Vertices": vertices, "Low": low, "Share": share(low, vertices), "Known": known, "Limit": transfer.LowConfidence,
		"Places": places, "Calm": len(s.places) > 0 && s.places[0].kind == leastSurePlace, "Rows": rows, "Garments": len(p.Garments),
		"Overview": overview, "Legend": legendStops(Viridis), "Extra": p.Extra,
		"Changes": p.Changes, "Most": fmt.Sprintf("%.2f", s.leastScale()),
		"Edits": edits,
		"Poses": poses, "Checks": p.Checks, "Stretch": legendStops(Cividis),
		"Data": template.JS(text), "Payloads": payloadBlocks(payloads),
	})
	if err != nil {
		return fmt.Errorf("report: %w", err)
	}
	_, err = w.Write(page.Bytes())
	return err
}

func (p *Page) title() string {
	if p.Title == "" && p.Body == nil {
		return "What changed"
	}
	if p.Title == "" {
		return "Garments of " + p.Body.Name
	}
	return p.Title
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

// overviewAzimuths look at the front and at the back.
var overviewAzimuths = [2]float64{0.25, math.Pi + 0.25}

// leastScale is the end of the scale of differences, at least a percent of a row's
// weight.
func (s *scene) leastScale() float64 { return max(s.most, 0.01) }

// legend is the scale of the pictures in the default pose; empty where nothing is
// known.
func (s *scene) legend(known bool) Legend {
	switch {
	case !known:
		return Legend{}
	case s.changes:
		return Legend{Label: "change, L1", Min: 0, Max: s.leastScale(), Map: Viridis}
	}
	return Legend{Label: "confidence", Min: 0, Max: 1, Map: Viridis}
}

// overview draws everything in the colours of confidence, or of what changed.
func (s *scene) overview(azimuth float64, width, height int) *image.RGBA {
	var layers []Layer
	for i := range s.welded[1:] {
		if s.isGarment(i + 1) {
			layers = append(layers, Layer{Mesh: s.welded[i+1].Mesh, Scalar: s.welded[i+1].shade, Map: Viridis})
		} else {
			layers = append(layers, Layer{Mesh: s.welded[i+1].Mesh, Color: beneathColour})
		}
	}
	layers = append(layers, Layer{Mesh: s.welded[0].Mesh, Color: bodyColour})
	return Render(layers, View{Azimuth: azimuth, Elevation: 0.1, Threads: s.threads}, width, height)
}

func pictureURL(img *image.RGBA) (template.URL, error) {
	var b bytes.Buffer
	if err := png.Encode(&b, img); err != nil {
		return "", err
	}
	return template.URL("data:image/png;base64," + base64.StdEncoding.EncodeToString(b.Bytes())), nil
}

// legendStops is a colour bar as rectangles of an SVG.
func legendStops(m Map) []string {
	const n = 32
	out := make([]string, n)
	for i := range out {
		c := m.At((float64(i) + 0.5) / n)
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
