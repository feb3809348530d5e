package pose

// Kinds of findings, their limits, where they are, and how they read.

import (
	"cmp"
	"fmt"
	"math"
	"slices"
)

// Kind of a finding.
type Kind string

// Findings: faults of the garment, beyond what the body under it does.
const (
	// Penetration: a vertex that was outside the body and is inside. Size: depth, m.
	Penetration Kind = "penetration"
	// Crossing: a vertex that was outside the body is inside another part of it than
	// the one it lies over, though the body under it is not. Size: depth, m.
	Crossing Kind = "crossing"
	// Dive: a vertex that lay over a layer beneath the garment is under it. Size: depth
	// beyond that of a vertex with the layer's own row, m.
	Dive Kind = "dive"
	// Gap: the distance from the body changed. Size: change, m, positive away from it.
	Gap Kind = "gap"
	// Stretch: an edge grew. Size: factor beyond the body's own.
	Stretch Kind = "stretch"
	// Compression: an edge shrank. Size: factor beyond the body's own.
	Compression Kind = "compression"
	// Turned: triangles turned over. Size: how many.
	Turned Kind = "turned"
	// Jagged: a smooth line of the mesh has a kink. Size: second difference beyond
	// the body's own, in edge lengths; one kink of angle f makes sin(f/2).
	Jagged Kind = "jagged"
	// Area: the bend lost surface. Size: share lost beyond the body's.
	Area Kind = "area"
	// Volume: the bend lost volume. Size: share lost beyond the body's.
	Volume Kind = "volume"
	// Deformed: a rigid island changed its shape. Size: change of a distance as a
	// share of the island's size.
	Deformed Kind = "deformed"
	// Parted: vertices that stand in one place do so no more. Size: distance, m.
	Parted Kind = "parted"
)

// Notes for the rigger: not the garment's faults.
const (
	// BodyJagged: the body's own line breaks there. Size as for Jagged.
	BodyJagged Kind = "bodyJagged"
	// BodyTurned: triangles of the body turn over. Size: how many.
	BodyTurned Kind = "bodyTurned"
	// BodyVolume: the body loses volume about one axis though not about another: a
	// helper joint's work. Size: share lost.
	BodyVolume Kind = "bodyVolume"
	// CarriedIn: the garment goes into the body, but no deeper than the body's own
	// weights would carry it. Size: depth, m.
	CarriedIn Kind = "carriedIn"
	// Coarse: too few edges for the bend. Size: change of the joint's weight over
	// one edge.
	Coarse Kind = "coarse"
	// Pole: a vertex of many edges in a bend. Size: its edges.
	Pole Kind = "pole"
	// TwistUneven: the weights of a twist pair differ around the limb. Size: range of
	// the twist joint's share around one ring.
	TwistUneven Kind = "twistUneven"
	// InfluencesCut: influences that the limit cut off mattered. Size: displacement, m.
	InfluencesCut Kind = "influencesCut"
)

// Limits from which on a measure is a finding. Zero: the default given, where d is
// the diagonal of the body's bounding box, about 2 m on a grown figure.
type Limits struct {
	Penetration float64 `yaml:"penetration" json:"penetration"` // m; 0.002 d
	Crossing    float64 `yaml:"crossing" json:"crossing"`       // m; 0.002 d
	Dive        float64 `yaml:"dive" json:"dive"`               // m; 0.002 d
	Gap         float64 `yaml:"gap" json:"gap"`                 // m; 0.02 d
	Stretch     float64 `yaml:"stretch" json:"stretch"`         // factor; 1.8
	Compression float64 `yaml:"compression" json:"compression"` // factor; 0.35
	Turned      float64 `yaml:"turned" json:"turned"`           // triangles in one place; 4
	Jagged      float64 `yaml:"jagged" json:"jagged"`           // edge lengths; 0.5, a kink of 60 degrees
	Area        float64 `yaml:"area" json:"area"`               // share; 0.2
	Volume      float64 `yaml:"volume" json:"volume"`           // share; 0.1
	Deformed    float64 `yaml:"deformed" json:"deformed"`       // share; 0.02
	Parted      float64 `yaml:"parted" json:"parted"`           // m; 0.0001 d

	BodyJagged    float64 `yaml:"bodyJagged" json:"bodyJagged"`       // edge lengths; 0.5, a kink of 60 degrees
	BodyTurned    float64 `yaml:"bodyTurned" json:"bodyTurned"`       // triangles in one place; 4
	BodyVolume    float64 `yaml:"bodyVolume" json:"bodyVolume"`       // share; 0.25
	CarriedIn     float64 `yaml:"carriedIn" json:"carriedIn"`         // m; 0.002 d
	Coarse        float64 `yaml:"coarse" json:"coarse"`               // weight over one edge; 0.5
	Pole          float64 `yaml:"pole" json:"pole"`                   // edges; 10
	TwistUneven   float64 `yaml:"twistUneven" json:"twistUneven"`     // range of the share; 0.2
	InfluencesCut float64 `yaml:"influencesCut" json:"influencesCut"` // m; 0.0025 d
}

type limitRef struct {
	kind  Kind
	value *float64
}

func (l *Limits) list() []limitRef {
	return []limitRef{
		{Penetration, &l.Penetration}, {Crossing, &l.Crossing}, {Dive, &l.Dive}, {Gap, &l.Gap}, {Stretch, &l.Stretch}, {Compression, &l.Compression},
		{Turned, &l.Turned}, {Jagged, &l.Jagged}, {Area, &l.Area}, {Volume, &l.Volume}, {Deformed, &l.Deformed},
		{Parted, &l.Parted}, {BodyJagged, &l.BodyJagged}, {BodyTurned, &l.BodyTurned}, {BodyVolume, &l.BodyVolume},
		{CarriedIn, &l.CarriedIn}, {Coarse, &l.Coarse}, {Pole, &l.Pole}, {TwistUneven, &l.TwistUneven}, {InfluencesCut, &l.InfluencesCut},
	}
}

// Kinds are all kinds of findings and notes, in the order of their limits.
func Kinds() []Kind {
	var out []Kind
	for _, r := range new(Limits).list() {
		out = append(out, r.kind)
	}
	return out
}

func (l *Limits) of(kind Kind) float64 {
	for _, r := range l.list() {
		if r.kind == kind {
			return *r.value
		}
	}
	return math.NaN()
}

// withDefaults fills in what is zero for a body of diagonal d metres.
func (l Limits) withDefaults(d float64) Limits {
	d = max(d, 1e-3) // a body without size has limits too
	def := Limits{
		Penetration: 0.002 * d, Crossing: 0.002 * d, Dive: 0.002 * d, Gap: 0.02 * d, Stretch: 1.8, Compression: 0.35, Turned: 4, Jagged: 0.5, Area: 0.2,
		Volume: 0.1, Deformed: 0.02, Parted: 0.0001 * d, BodyJagged: 0.5, BodyTurned: 4, BodyVolume: 0.25, CarriedIn: 0.002 * d, Coarse: 0.5,
		Pole: 10, TwistUneven: 0.2, InfluencesCut: 0.0025 * d,
	}
	out := l.list()
	for i, r := range def.list() {
		if *out[i].value == 0 {
			*out[i].value = *r.value
		}
	}
	return l
}

// severity is how many times over its limit a size is; 1 is at the limit. Factors
// of compression count downwards, counts of triangles by doublings.
func (l *Limits) severity(kind Kind, size float64) float64 {
	limit := l.of(kind)
	switch kind {
	case Compression:
		return limit / max(size, limit/10)
	case Turned, BodyTurned:
		return 1 + math.Log2(size/limit)
	}
	return math.Abs(size) / limit
}

// Place is where on a surface: a vertex, by its number in the figure and in its
// primitive, and its position in the default pose.
type Place struct {
	Surface         string     `json:"surface"` // "garment" or "body"
	Vertex          int        `json:"vertex"`
	Node            string     `json:"node"`
	Mesh            string     `json:"mesh"`
	Material        string     `json:"material"`
	Primitive       int        `json:"primitive"`
	PrimitiveVertex int        `json:"primitiveVertex"`
	Position        [3]float64 `json:"position"` // metres, default-pose world frame
}

// Finding is one fault of the garment, or one note for the rigger.
type Finding struct {
	Kind  Kind  `json:"kind"`
	Pose  Pose  `json:"pose"`
	Place Place `json:"place"`
	// Size in the unit that Kind says, and the limit it is over.
	Size  float64 `json:"size"`
	Limit float64 `json:"limit"`
	// Layer is the name of what a Dive goes under.
	Layer string `json:"layer,omitempty"`
	// Vertices of the place: connected vertices over the limit.
	Vertices int `json:"vertices"`
	// Places of this kind in this pose, of which the worst three are reported.
	Places int `json:"places"`
	// Severity is size over limit, Rank severity times the importance of the axis.
	Severity float64 `json:"severity"`
	Rank     float64 `json:"rank"`
	// Sentence says all of it.
	Sentence string `json:"sentence"`
}

// IsNote reports whether the finding is a note for the rigger.
func (k Kind) IsNote() bool {
	switch k {
	case BodyJagged, BodyTurned, BodyVolume, CarriedIn, Coarse, Pole, TwistUneven, InfluencesCut:
		return true
	}
	return false
}

// place describes a welded vertex.
func (s *surface) place(kind string, v int32) Place {
	return s.placeOf(kind, int(s.first[v]))
}

// placeOf describes an original vertex.
func (s *surface) placeOf(kind string, v int) Place {
	x := s.figure.Mesh.Positions[v]
	p := Place{Surface: kind, Vertex: v, PrimitiveVertex: v, Position: [3]float64{x.X, x.Y, x.Z}}
	for _, part := range s.figure.Parts {
		if v >= part.Start && v < part.End {
			p.Node, p.Mesh, p.Material, p.Primitive, p.PrimitiveVertex = part.Node, part.Mesh, part.Material, part.Primitive, v-part.Start
		}
	}
	return p
}

func (p *Place) String() string {
	name := p.Mesh
	if name == "" {
		name = p.Node
	}
	if name == "" {
		name = p.Surface
	}
	return fmt.Sprintf("at vertex %d of %s primitive %d (%.3f, %.3f, %.3f)", p.PrimitiveVertex, name, p.Primitive, p.Position[0], p.Position[1], p.Position[2])
}

// findings makes one finding of each spot that over holds, and empties it.
func (k *Checker) findings(kind Kind, pose *Pose, over *overLimit, of *surface, name string) []Finding {
	spots, all := over.spots(of)
	out := make([]Finding, 0, len(spots))
	for _, x := range spots {
		f := k.finding(kind, pose, of.place(name, x.v), x.size, x.vertices)
		f.Places = all
		out = append(out, f)
	}
	return out
}

// finding completes a finding of a pose.
func (k *Checker) finding(kind Kind, pose *Pose, place Place, size float64, vertices int) Finding {
	f := Finding{Kind: kind, Pose: *pose, Place: place, Size: size, Limit: k.limits.of(kind), Vertices: vertices, Places: 1}
	f.Pose.changes, f.Pose.of = nil, nil
	f.Severity = k.limits.severity(kind, size)
	f.Rank = f.Severity * pose.Importance
	f.Sentence = f.sentence()
	return f
}

// ofLayer says of findings of Dive what they go under.
func ofLayer(layer string, list []Finding) []Finding {
	for i := range list {
		list[i].Layer = layer
		list[i].Sentence = list[i].sentence()
	}
	return list
}

func (f *Finding) sentence() string {
	with := "with " + f.Pose.Name + ", "
	at := " " + f.Place.String()
	also := ""
	if f.Vertices > 1 {
		also = fmt.Sprintf(", %d vertices in all", f.Vertices)
	}
	percent := func(x float64) string { return fmt.Sprintf("%.0f%%", 100*x) }
	switch f.Kind {
	case Penetration:
		return fmt.Sprintf("%sthe garment goes %.1f mm into the body%s%s", with, 1000*f.Size, at, also)
	case Crossing:
		return fmt.Sprintf("%sthe garment goes %.1f mm into another part of the body than the one under it%s%s", with, 1000*f.Size, at, also)
	case Dive:
		return fmt.Sprintf("%sthe garment goes %.1f mm under %s, which it lies over,%s%s", with, 1000*f.Size, f.Layer, at, also)
	case Gap:
		if f.Size < 0 {
			return fmt.Sprintf("%sthe garment comes %.1f mm closer to the body%s%s", with, -1000*f.Size, at, also)
		}
		return fmt.Sprintf("%sthe garment comes %.1f mm off the body%s%s", with, 1000*f.Size, at, also)
	case Stretch:
		return fmt.Sprintf("%san edge is stretched %.2f times as far as the body under it%s%s", with, f.Size, at, also)
	case Compression:
		return fmt.Sprintf("%san edge shrinks to %.2f of what the body under it keeps%s%s", with, f.Size, at, also)
	case Turned:
		return fmt.Sprintf("%s%.0f triangles turn over%s", with, f.Size, at)
	case Jagged:
		return fmt.Sprintf("%sa smooth line breaks by %.2f edge lengths more than the body's%s%s", with, f.Size, at, also)
	case Area:
		return fmt.Sprintf("%sthe bend loses %s more of its surface than the body does%s", with, percent(f.Size), at)
	case Volume:
		return fmt.Sprintf("%sthe bend loses %s more of its volume than the body does%s", with, percent(f.Size), at)
	case Deformed:
		return fmt.Sprintf("%sa rigid island changes by %.1f%% of its size%s", with, 100*f.Size, at)
	case Parted:
		return fmt.Sprintf("%sa seam opens by %.2f mm%s%s", with, 1000*f.Size, at, also)
	case BodyJagged:
		return fmt.Sprintf("%sa line of the body itself breaks by %.2f edge lengths%s%s", with, f.Size, at, also)
	case BodyTurned:
		return fmt.Sprintf("%s%.0f triangles of the body itself turn over%s", with, f.Size, at)
	case BodyVolume:
		return fmt.Sprintf("%sthe body itself loses %s of the bend's volume, far more than about another axis: a helper joint's work%s", with, percent(f.Size), at)
	case CarriedIn:
		return fmt.Sprintf("%sthe body's own weights carry the garment %.1f mm into the body%s%s", with, 1000*f.Size, at, also)
	case Coarse:
		return fmt.Sprintf("%sone edge of the %s takes %s of the bend: too coarse for it%s%s", with, f.Place.Surface, percent(f.Size), at, also)
	case Pole:
		return fmt.Sprintf("%sa vertex of the %s with %.0f edges stands in the bend%s", with, f.Place.Surface, f.Size, at)
	case TwistUneven:
		return fmt.Sprintf("%sthe share of the twist differs by %s around one ring of the body%s", with, percent(f.Size), at)
	case InfluencesCut:
		return fmt.Sprintf("%sinfluences that the limit cut off move the garment by %.1f mm%s%s", with, 1000*f.Size, at, also)
	}
	return string(f.Kind)
}

// worstFirst sorts by rank, ties by severity, then by place and kind.
func worstFirst(list []Finding) {
	slices.SortStableFunc(list, func(a, b Finding) int {
		return cmp.Or(cmp.Compare(b.Rank, a.Rank), cmp.Compare(b.Severity, a.Severity), cmp.Compare(a.Place.Vertex, b.Place.Vertex), cmp.Compare(a.Kind, b.Kind))
	})
}

// overLimit collects vertices over a limit and joins connected ones into places.
type overLimit struct {
	severity, size []float64 // by vertex; severity 0: not over
	list           []int32
	queue          []int32
}

func newOverLimit(n int) *overLimit {
	return &overLimit{severity: make([]float64, n), size: make([]float64, n)}
}

func (o *overLimit) add(v int32, severity, size float64) {
	if !(severity > o.severity[v]) {
		return
	}
	if o.severity[v] == 0 {
		o.list = append(o.list, v)
	}
	o.severity[v], o.size[v] = severity, size
}

// spot is a connected place over a limit: its worst vertex, and how many it has.
type spot struct {
	v              int32
	severity, size float64
	vertices       int
}

// mostPlaces bounds the places that one pose reports of one kind.
const mostPlaces = 3

// spots joins the vertices added, worst spot first, at most mostPlaces of all, and
// empties o.
func (o *overLimit) spots(s *surface) (worst []spot, all int) {
	if len(o.list) == 0 {
		return nil, 0
	}
	slices.Sort(o.list)
	var out []spot
	for _, v := range o.list {
		if o.severity[v] == 0 {
			continue
		}
		best := spot{v: v}
		take := func(u int32) {
			best.vertices++
			if o.severity[u] > best.severity || o.severity[u] == best.severity && u < best.v {
				best.v, best.severity, best.size = u, o.severity[u], o.size[u]
			}
			o.severity[u] = 0
			o.queue = append(o.queue, u)
		}
		o.queue = o.queue[:0]
		take(v)
		for len(o.queue) > 0 {
			u := o.queue[len(o.queue)-1]
			o.queue = o.queue[:len(o.queue)-1]
			for _, w := range s.adj.Neighbours(int(u)) {
				if o.severity[w] > 0 {
					take(w)
				}
			}
		}
		out = append(out, best)
	}
	o.list = o.list[:0]
	slices.SortStableFunc(out, func(a, b spot) int {
		return cmp.Or(cmp.Compare(b.severity, a.severity), cmp.Compare(a.v, b.v))
	})
	return out[:min(len(out), mostPlaces)], len(out)
}

// Set overrides the limit of one kind; zero brings back its default.
func (l *Limits) Set(kind Kind, value float64) error {
	for _, r := range l.list() {
		if r.kind == kind {
			if !(value >= 0) || math.IsInf(value, 0) {
				return fmt.Errorf("%s: %g is not a limit", kind, value)
			}
			*r.value = value
			return nil
		}
	}
	return fmt.Errorf("%q is no kind of finding", kind)
}

// String is the kind in words.
func (k Kind) String() string {
	switch k {
	case Turned:
		return "turned over"
	case BodyJagged:
		return "body jagged"
	case BodyTurned:
		return "body turned over"
	case BodyVolume:
		return "body's volume"
	case CarriedIn:
		return "carried in"
	case TwistUneven:
		return "uneven twist"
	case InfluencesCut:
		return "influences cut"
	}
	return string(k)
}

// Group is one kind of finding at one joint, or in one whole pose.
type Group struct {
	Worst Finding
	// Poses that show it.
	Poses int
}

// ByJoint groups findings that are sorted worst first, worst group first.
func ByJoint(list []Finding) []Group {
	type key struct {
		kind        Kind
		joint, pose string
	}
	at := map[key]int{}
	poses := map[key]map[string]bool{}
	var out []Group
	for _, f := range list {
		x := key{kind: f.Kind, joint: f.Pose.Joint}
		if f.Pose.Joint == "" {
			x.pose = f.Pose.Name
		}
		i, ok := at[x]
		if !ok {
			i = len(out)
			at[x], poses[x] = i, map[string]bool{}
			out = append(out, Group{Worst: f})
		}
		if !poses[x][f.Pose.Name] {
			poses[x][f.Pose.Name] = true
			out[i].Poses++
		}
	}
	return out
}
