package report

// Where to look first: the vertices of low confidence gathered into a few places.

import (
	"cmp"
	"fmt"
	"image"
	"math"
	"slices"
	"strings"

	"gonum.org/v1/gonum/spatial/r3"

	"github.com/selvage/selvage/transfer"
	"github.com/selvage/selvage/transfer/mesh"
)

const (
	// placeReach is how far a place's vertices lie from its worst one, as a share of
	// the scene's diagonal: about 13 cm around a grown figure.
	placeReach = 0.06
	// A place is shown to the reader with at most so many others, and at most so many
	// of one kind on one garment.
	maxPlaces, maxPlacesOfOne = 8, 3
	// closeUpShare is the least half width of a close-up, as a share of the diagonal.
	closeUpShare = 0.03
)

// placeKind says why a place is shown; lesser kinds come first.
type placeKind int

const (
	conflictPlace  placeKind = iota // what an artist changed and the new pass disagree
	lowPlace                        // low confidence
	editedPlace                     // kept edits
	leastSurePlace                  // nothing is low: only the least sure vertex
	changedPlace                    // rows that differ from an earlier file's
)

// place is a group of neighbouring vertices of one kind.
type place struct {
	kind   placeKind
	figure int     // in the page's list
	vertex int     // the worst, of the garment's own vertices
	welded []int32 // members, ascending
	// deficit is the sum over members of area times what is missing to LowConfidence;
	// of edits, the area.
	deficit float64
	centre  r3.Vec
	radius  float64
	normal  r3.Vec // mean of the members'
	worst   float64
	view    View // of the close-up
	picture *image.RGBA
}

// findPlaces gathers the vertices of garment f that want a look: low confidence,
// edits in conflict, kept edits. At most maxPlacesOfOne of each kind, worst first.
func findPlaces(figure int, f *Figure, w *weldedFigure, size float64) []place {
	var out []place
	add := func(kind placeKind, worth func(v int32) float64) {
		found := gather(figure, kind, w, size, worth)
		out = append(out, found[:min(len(found), maxPlacesOfOne)]...)
	}
	if f.Reason != nil {
		// A welded vertex has the reasons of all its members.
		reason := make([]transfer.Reason, len(w.normal))
		for v, i := range w.ToWelded {
			reason[i] |= f.Reason[v]
		}
		edited := func(bit transfer.Reason) func(v int32) float64 {
			return func(v int32) float64 {
				if reason[v]&bit != 0 {
					return 1
				}
				return 0
			}
		}
		add(conflictPlace, edited(transfer.ReasonEditConflict))
		// Those in conflict are there already.
		kept, conflict := edited(transfer.ReasonKeptEdit), edited(transfer.ReasonEditConflict)
		add(editedPlace, func(v int32) float64 { return kept(v) * (1 - conflict(v)) })
	}
	if w.confidence != nil {
		add(lowPlace, w.lack)
	}
	return out
}

// changedPlaces gathers the vertices whose rows changed, most changed first.
func changedPlaces(figure int, w *weldedFigure, size float64) []place {
	if w.difference == nil {
		return nil
	}
	found := gather(figure, changedPlace, w, size, func(v int32) float64 {
		if d := w.difference[v]; d >= changedFrom {
			return d
		}
		return 0
	})
	return found[:min(len(found), maxPlaces)]
}

// shadeDifference lets pictures show the difference, most as 1.
func (w *weldedFigure) shadeDifference(most float64) {
	w.shade = nil
	if w.difference != nil {
		w.shade = make([]float64, len(w.difference))
		for v, d := range w.difference {
			w.shade[v] = d / most
		}
	}
}

// lack is what is missing to LowConfidence at a welded vertex, above 0 where its
// confidence is low.
func (w *weldedFigure) lack(v int32) float64 {
	if c := w.confidence[v]; c < transfer.LowConfidence {
		return transfer.LowConfidence - c
	}
	return 0
}

// gather makes places of the vertices that are worth a look. Greedy: the one of most
// worth takes all within reach that face the same way. O(n log n).
func gather(figure int, kind placeKind, w *weldedFigure, size float64, worth func(v int32) float64) []place {
	reach := placeReach * size
	area := make([]float64, len(w.normal))
	for _, t := range w.Mesh.Triangles {
		a, b, c := w.Mesh.Positions[t[0]], w.Mesh.Positions[t[1]], w.Mesh.Positions[t[2]]
		third := r3.Norm(r3.Cross(r3.Sub(b, a), r3.Sub(c, a))) / 6
		for _, v := range t {
			area[v] += third
		}
	}
	var low []int32
	cells := map[[3]int32][]int32{}
	cell := func(p r3.Vec) [3]int32 {
		return [3]int32{int32(math.Floor(p.X / reach)), int32(math.Floor(p.Y / reach)), int32(math.Floor(p.Z / reach))}
	}
	for v := range int32(len(w.normal)) {
		if worth(v) > 0 && reach > 0 {
			low = append(low, v)
			k := cell(w.Mesh.Positions[v])
			cells[k] = append(cells[k], v)
		}
	}
	slices.SortStableFunc(low, func(a, b int32) int { return cmp.Compare(worth(b), worth(a)) })
	first := firstMembers(w)
	taken := make([]bool, len(w.normal))
	var out []place
	for _, seed := range low {
		if taken[seed] {
			continue
		}
		p := place{kind: kind, figure: figure, vertex: int(first[seed]), worst: math.NaN()}
		switch {
		case kind == changedPlace:
			p.worst = w.difference[seed]
		case w.confidence != nil:
			p.worst = w.confidence[seed]
		}
		at, facing := w.Mesh.Positions[seed], w.normal[seed]
		k := cell(at)
		for dx := int32(-1); dx <= 1; dx++ {
			for dy := int32(-1); dy <= 1; dy++ {
				for dz := int32(-1); dz <= 1; dz++ {
					key := [3]int32{k[0] + dx, k[1] + dy, k[2] + dz}
					rest := cells[key][:0]
					for _, v := range cells[key] {
						if v == seed || r3.Norm(r3.Sub(w.Mesh.Positions[v], at)) <= reach && r3.Dot(w.normal[v], facing) >= -0.2 {
							taken[v] = true
							p.welded = append(p.welded, v)
						} else {
							rest = append(rest, v)
						}
					}
					if len(rest) == 0 {
						delete(cells, key)
					} else {
						cells[key] = rest
					}
				}
			}
		}
		slices.Sort(p.welded)
		p.measure(w, area, worth)
		out = append(out, p)
	}
	sortPlaces(out)
	return out
}

func sortPlaces(list []place) {
	slices.SortStableFunc(list, func(a, b place) int {
		return cmp.Or(cmp.Compare(a.kind, b.kind), cmp.Compare(b.deficit, a.deficit), cmp.Compare(a.vertex, b.vertex))
	})
}

// worstPlaces sorts the places of all garments and drops what is too many: of
// conflicts and kept edits all beyond their share go first.
func worstPlaces(list []place) []place {
	sortPlaces(list)
	room := map[placeKind]int{conflictPlace: 3, editedPlace: 2, lowPlace: maxPlaces, leastSurePlace: 1, changedPlace: maxPlaces}
	var out []place
	for _, p := range list {
		if room[p.kind] > 0 {
			room[p.kind]--
			out = append(out, p)
		}
	}
	// Low ones fill what the others leave.
	for k := len(out) - 1; k >= 0 && len(out) > maxPlaces; k-- {
		if out[k].kind == lowPlace {
			out = slices.Delete(out, k, k+1)
		}
	}
	return out
}

// leastSure is a place of the one vertex whose confidence is lowest; ok is false
// where no confidence is known.
func leastSure(figure int, w *weldedFigure) (p place, ok bool) {
	best := -1
	for v, c := range w.confidence {
		if !math.IsNaN(c) && (best < 0 || c < w.confidence[best]) {
			best = v
		}
	}
	if best < 0 {
		return p, false
	}
	p = place{kind: leastSurePlace, figure: figure, vertex: int(firstMembers(w)[best]), worst: w.confidence[best], welded: []int32{int32(best)}}
	p.measure(w, make([]float64, len(w.normal)), w.lack)
	return p, true
}

func (p *place) measure(w *weldedFigure, area []float64, worth func(v int32) float64) {
	var at []r3.Vec
	for _, v := range p.welded {
		p.deficit += area[v] * worth(v)
		p.normal = r3.Add(p.normal, w.normal[v])
		at = append(at, w.Mesh.Positions[v])
	}
	if n := r3.Norm(p.normal); n > 0 {
		p.normal = r3.Scale(1/n, p.normal)
	}
	b := mesh.Bounds(at)
	p.centre = r3.Scale(0.5, r3.Add(b.Min, b.Max))
	for _, x := range at {
		p.radius = max(p.radius, r3.Norm(r3.Sub(x, p.centre)))
	}
}

// firstMembers leads from welded vertices to their first original one.
func firstMembers(w *weldedFigure) []int32 {
	first := make([]int32, len(w.normal))
	for v := len(w.ToWelded) - 1; v >= 0; v-- {
		first[w.ToWelded[v]] = int32(v)
	}
	return first
}

// originals are the figure's own vertices of the place, ascending.
func (p *place) originals(w *weldedFigure) []int {
	in := make([]bool, len(w.normal))
	for _, v := range p.welded {
		in[v] = true
	}
	var out []int
	for v, i := range w.ToWelded {
		if in[i] {
			out = append(out, v)
		}
	}
	return out
}

// facing names the side that a direction looks to. glTF 2.0 specification, section
// 3.4 (Coordinate System and Units): +y is up, the front faces +z, -x is right.
func facing(n r3.Vec) string {
	best, name := 0.0, "inside"
	for _, d := range []struct {
		along float64
		name  string
	}{
		{n.Z, "front"}, {-n.Z, "back"}, {n.X, "left side"}, {-n.X, "right side"}, {n.Y, "top"}, {-n.Y, "underside"},
	} {
		if d.along > best {
			best, name = d.along, d.name
		}
	}
	return name
}

// jointOf is the joint with most weight over the vertices; "" without rows.
func jointOf(f *Figure, vertices []int) string {
	if f.Rows == nil {
		return ""
	}
	sum := make([]float64, len(f.Skin.Joints))
	for _, v := range vertices {
		js, ws := f.Rows.Row(v)
		for i, j := range js {
			sum[j] += ws[i]
		}
	}
	best := -1
	for j, s := range sum {
		if s > 0 && (best < 0 || s > sum[best]) {
			best = j
		}
	}
	if best < 0 {
		return ""
	}
	if f.Skin.Joints[best].Name == "" {
		return fmt.Sprintf("%d", best)
	}
	return f.Skin.Joints[best].Name
}

// sentence says what is wrong where. floor is the height of the body's lowest
// point.
func (p *place) sentence(f *Figure, w *weldedFigure, floor float64) string {
	own := p.originals(w)
	var b strings.Builder
	switch p.kind {
	case conflictPlace:
		fmt.Fprintf(&b, "Edits in conflict with this pass at %d %s of %s", len(own), plural(len(own), "vertex", "vertices"), f.Name)
	case editedPlace:
		fmt.Fprintf(&b, "Edits kept at %d %s of %s", len(own), plural(len(own), "vertex", "vertices"), f.Name)
	case changedPlace:
		fmt.Fprintf(&b, "Rows changed at %d %s of %s", len(own), plural(len(own), "vertex", "vertices"), f.Name)
	case lowPlace:
		fmt.Fprintf(&b, "%d %s of %s", len(own), plural(len(own), "vertex", "vertices"), f.Name)
	default:
		fmt.Fprintf(&b, "No vertex is below %.1f; the least sure one of %s lies", transfer.LowConfidence, f.Name)
	}
	if j := jointOf(f, own); j != "" {
		fmt.Fprintf(&b, " by joint %s", j)
	}
	fmt.Fprintf(&b, ", %s, %.2f m up", facing(p.normal), p.centre.Y-floor)
	switch {
	case p.kind == changedPlace:
		fmt.Fprintf(&b, ": by up to %.2f (L1) at vertex %d.", p.worst, p.vertex)
		return b.String()
	case math.IsNaN(p.worst):
		fmt.Fprintf(&b, ": see vertex %d", p.vertex)
	default:
		fmt.Fprintf(&b, ": confidence %.2f at vertex %d", p.worst, p.vertex)
	}
	if f.Distance != nil {
		far := 0.0
		for _, v := range own {
			far = max(far, f.Distance[v])
		}
		if !math.IsInf(far, 0) {
			fmt.Fprintf(&b, ", up to %.1f cm from the body", 100*far)
		}
	}
	b.WriteString(".")
	if r := reasonShares(f, own); len(r) > 0 {
		fmt.Fprintf(&b, " Why: %s.", strings.Join(r, ", "))
	}
	return b.String()
}

// reasonShares lists the reasons of the vertices with their share, most frequent
// first.
func reasonShares(f *Figure, vertices []int) []string {
	if f.Reason == nil || len(vertices) == 0 {
		return nil
	}
	var count [len(transfer.ReasonNames)]int
	for _, v := range vertices {
		for k := range count {
			if f.Reason[v]&(1<<k) != 0 {
				count[k]++
			}
		}
	}
	var bits []int
	for k, n := range count {
		if n > 0 {
			bits = append(bits, k)
		}
	}
	slices.SortStableFunc(bits, func(a, b int) int { return count[b] - count[a] })
	var out []string
	for _, k := range bits {
		share := 100 * float64(count[k]) / float64(len(vertices))
		text := fmt.Sprintf("%.0f%%", share)
		if share < 1 {
			text = "under 1%"
		}
		out = append(out, transfer.ReasonNames[k]+" ("+text+")")
	}
	return out
}

func plural(n int, one, many string) string {
	if n == 1 {
		return one
	}
	return many
}

// cut is the part of m within reach of centre, vertices renumbered, with their
// values.
func cut(m *mesh.Mesh, value []float64, centre r3.Vec, reach float64) (*mesh.Mesh, []float64) {
	number := make([]int32, len(m.Positions))
	near := func(v int32) bool {
		d := r3.Sub(m.Positions[v], centre)
		return max(math.Abs(d.X), math.Abs(d.Y), math.Abs(d.Z)) <= reach
	}
	out := &mesh.Mesh{}
	var values []float64
	for _, t := range m.Triangles {
		if !near(t[0]) && !near(t[1]) && !near(t[2]) {
			continue
		}
		var c [3]int32
		for k, v := range t {
			if number[v] == 0 {
				out.Positions = append(out.Positions, m.Positions[v])
				if value != nil {
					values = append(values, value[v])
				}
				number[v] = int32(len(out.Positions))
			}
			c[k] = number[v] - 1
		}
		out.Triangles = append(out.Triangles, c)
	}
	return out, values
}

// draw renders the close-up of a place: garment in the colours of its shade, with
// its edge lines, body plain, all that is far from the place cut away.
func (p *place) draw(s *scene, width, height int) {
	w, body, size := &s.welded[p.figure], &s.welded[0], s.size
	half := max(1.3*p.radius, closeUpShare*size)
	garment, shade := cut(w.Mesh, w.shade, p.centre, 1.8*half)
	under, _ := cut(body.Mesh, nil, p.centre, 1.8*half)
	member := make([]float64, len(w.normal))
	for _, v := range p.welded {
		member[v] = 1
	}
	_, marked := cut(w.Mesh, member, p.centre, 1.8*half)

	corner := r3.Vec{X: half, Y: half, Z: half}
	view := View{Box: r3.Box{Min: r3.Sub(p.centre, corner), Max: r3.Add(p.centre, corner)}, Threads: s.threads}
	p.view = clearestView([]Layer{{Mesh: garment, Scalar: marked, Map: Viridis}, {Mesh: under, Color: bodyColour}}, view, p.normal)
	// Where garment and body coincide the first layer stays in front.
	p.picture = Render([]Layer{{Mesh: garment, Scalar: shade, Map: Viridis, Lines: true}, {Mesh: under, Color: bodyColour}}, p.view, width, height)
}

// placeTitle names the garment and the joint.
func (s *scene) placeTitle(p *place) string {
	f := s.figures[p.figure]
	if j := jointOf(f, p.originals(&s.welded[p.figure])); j != "" {
		return f.Name + ", " + j
	}
	return f.Name
}

func (s *scene) placeSentence(p *place) string {
	return p.sentence(s.figures[p.figure], &s.welded[p.figure], s.floor)
}

// clearestView is v from the direction, of the normal's and seven others around,
// from which most is seen of what a layer's Scalar marks by 1 on Viridis.
func clearestView(layers []Layer, v View, normal r3.Vec) View {
	azimuth := math.Atan2(normal.X, normal.Z)
	elevation := min(max(math.Asin(min(max(normal.Y, -1), 1)), -1.2), 1.2)
	best, chosen := -1, v
	for k := 0; k < 8; k++ {
		v.Azimuth = azimuth + float64((k+1)/2*(1-k%2*2))*math.Pi/4
		v.Elevation = elevation
		if k > 0 {
			v.Elevation = 0.2
		}
		// Another direction must show clearly more to be worth the turn.
		if seen := markedPixels(layers, v); best < 0 || seen*4 > best*5 {
			best, chosen = seen, v
		}
	}
	return chosen
}

// markedPixels counts what of a small picture shows 1 on Viridis.
func markedPixels(layers []Layer, v View) (seen int) {
	pix := Render(layers, v, 64, 64).Pix
	for i := 0; i < len(pix); i += 4 {
		// Full yellow, shaded: much red, little blue.
		if pix[i] > 90 && pix[i+2] < pix[i]/2 {
			seen++
		}
	}
	return seen
}
