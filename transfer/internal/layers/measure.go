package main

import (
	"context"
	"fmt"
	"maps"
	"math"
	"os"
	"slices"
	"strings"

	"github.com/selvage/selvage/transfer"
	"github.com/selvage/selvage/transfer/closest"
	"github.com/selvage/selvage/transfer/crew"
	"github.com/selvage/selvage/transfer/pose"
	"github.com/selvage/selvage/transfer/skinning"
	"github.com/selvage/selvage/transfer/weights"
	"gonum.org/v1/gonum/spatial/r3"
)

// figureHeight is the height, in metres, of the figure that errors in centimetres
// are given for.
const figureHeight = 1.8

// fewOver is the number of vertices over a layer from which on a garment is said to be
// worn over it.
const fewOver = 200

// figures of one garment over one layer, its rows taken from one place.
type figures struct {
	garment, layers, from string
	under                 pose.LayerReport
	faults                int // findings of other kinds than dives
	fitted, loose         rowErrors
	stretch               stretches
}

// stretches of what hangs: for each edge the most that a quarter turn of one joint makes
// of its length.
type stretches struct {
	edges      int
	p99, worst float64
}

func (s stretches) String() string {
	if s.edges == 0 {
		return "- | -"
	}
	return fmt.Sprintf("%.2f | %.2f", s.p99, s.worst)
}

// rowErrors are errors against the truth, of the vertices that layers gave rows to.
type rowErrors struct {
	vertices      int
	meanL1, p99Cm float64
}

func (e rowErrors) String() string {
	if e.vertices == 0 {
		return "- | -"
	}
	return fmt.Sprintf("%.4f | %.2f", e.meanL1, e.p99Cm)
}

// handOver is a repair by hand: in every row the share of joint from goes to joint to.
type handOver struct {
	from, to string
	share    float64
}

// repairs of the layers, on both sides of the body. They act on each row alone, and on
// the truth alike, so that the truth over a repaired layer is known.
var repairs = []handOver{
	{"spine_2", "spine_3", 0.4}, {"clavicle", "upper_arm", 0.4}, {"upper_arm_twist", "forearm", 0.4}, {"thigh", "pelvis", 0.4}, {"shin", "thigh", 0.3},
}

// repaired returns the rows after the repairs.
func repaired(rows *weights.Rows, skin *skinning.Skin) *weights.Rows {
	index := map[string]uint16{}
	for j := range skin.Joints {
		index[skin.Joints[j].Name] = uint16(j)
	}
	type to struct {
		joint uint16
		share float64
	}
	gives := map[uint16]to{}
	for _, h := range repairs {
		for _, side := range []string{"", ".left", ".right"} {
			a, okA := index[h.from+side]
			b, okB := index[h.to+side]
			if okA && okB {
				gives[a] = to{b, h.share}
			}
		}
	}
	acc, out := weights.NewAccumulator(len(skin.Joints)), weights.NewRows(rows.Len())
	for v := range rows.Len() {
		joint, weight := rows.Row(v)
		for i, j := range joint {
			g := gives[j]
			acc.Add(j, (1-g.share)*weight[i])
			if g.share > 0 {
				acc.Add(g.joint, g.share*weight[i])
			}
		}
		acc.FlushNormalised(out)
	}
	return out
}

// worn is what is on a body: the layers of transfers, and of poses.
type worn struct {
	layers  []transfer.Layer
	figures []*pose.Figure
}

func (w *worn) put(g *crew.Garment, rows *weights.Rows, confidence []float32, skin *skinning.Skin) {
	w.layers = append(w.layers, transfer.Layer{Name: g.Name, Mesh: g.Mesh, Rows: rows, Confidence: confidence})
	w.figures = append(w.figures, &pose.Figure{Name: g.Name, Mesh: g.Mesh, Rows: rows, Skin: skin})
}

// dresser measures one body's wardrobe.
type dresser struct {
	skin   *skinning.Skin
	source *transfer.Source
	body   *pose.Body
	toCm   float64
	plan   *pose.Plan
}

// measure dresses a body from the inside out and measures each garment over those
// before it: as they were transferred, and repaired by hand.
func measure(ctx context.Context, b *crew.Body, only string) ([]figures, error) {
	d := &dresser{skin: b.Skin, plan: &pose.Plan{}}
	var err error
	if d.source, err = transfer.Prepare(ctx, &transfer.Body{Name: b.Name, Mesh: b.Mesh, Rows: b.Rows, Skin: b.Skin}, 0); err != nil {
		return nil, err
	}
	if d.body, err = pose.Prepare(ctx, &pose.Figure{Name: b.Name, Mesh: b.Mesh, Rows: b.Rows, Skin: b.Skin}, 0); err != nil {
		return nil, err
	}
	box := b.Mesh.Bounds()
	d.toCm = 100 * figureHeight / (box.Max.Y - box.Min.Y)
	var out []figures
	var as, mended worn
	for _, g := range b.Wardrobe() {
		rows, confidence := (*weights.Rows)(nil), []float32(nil)
		for _, x := range []struct {
			how   string
			over  *worn
			truth *weights.Rows
		}{{"as transferred", &as, g.Truth}, {"repaired", &mended, repaired(g.Truth, b.Skin)}} {
			with, list, err := d.garment(ctx, g, x.over, x.truth, only == "" || only == g.Name)
			if err != nil {
				return nil, err
			}
			for _, f := range list {
				f.layers = x.how
				out = append(out, f)
			}
			if x.over == &as {
				rows, confidence = with.Rows, with.Confidence
				continue
			}
			// A repaired garment is one that an artist has seen: its rows are right.
			mended.put(g, repaired(rows, b.Skin), nil, b.Skin)
			as.put(g, rows, confidence, b.Skin)
		}
		fmt.Fprintf(os.Stderr, "%s, %s: measured\n", b.Name, g.Name)
	}
	return out, nil
}

// Other options that hanging cloth is measured with: the limit on stretch that it has
// without layers, and more influences.
const (
	looseStretch   = 1.5
	moreInfluences = 8
)

// garment transfers one over what is worn, and with wanted measures it, from the body
// alone, from body and layers, and with the nearest layer's own rows.
func (d *dresser) garment(ctx context.Context, g *crew.Garment, w *worn, truth *weights.Rows, wanted bool) (*transfer.Result, []figures, error) {
	garment := &transfer.Garment{Name: g.Name, Mesh: g.Mesh}
	for _, p := range g.Parts {
		garment.Parts = append(garment.Parts, transfer.Part{Node: g.Name, Material: p.Material, Primitive: len(garment.Parts), Start: p.Start, End: p.End})
	}
	over, err := d.source.WithLayers(ctx, w.layers, 0)
	if err != nil {
		return nil, nil, err
	}
	with, err := over.Transfer(ctx, garment, transfer.Options{})
	if err != nil || !wanted || len(w.layers) == 0 {
		return with, nil, err
	}
	without, err := d.source.Transfer(ctx, garment, transfer.Options{})
	if err != nil {
		return nil, nil, err
	}
	nearest, err := nearestRows(ctx, g, w.layers, without.Rows, len(d.skin.Joints))
	if err != nil {
		return nil, nil, err
	}
	type variant struct {
		from string
		rows *weights.Rows
	}
	variants := []variant{{"body alone", without.Rows}, {"body and layers", with.Rows}}
	if slices.Contains(g.LooseVertex, true) {
		for _, o := range []struct {
			from    string
			options transfer.Options
		}{
			{fmt.Sprintf("the same, stretch up to %g", looseStretch), transfer.Options{LooseStretch: looseStretch}},
			{fmt.Sprintf("the same, %d influences", moreInfluences), transfer.Options{MaxInfluences: moreInfluences}},
		} {
			other, err := over.Transfer(ctx, garment, o.options)
			if err != nil {
				return nil, nil, err
			}
			variants = append(variants, variant{o.from, other.Rows})
		}
	}
	var out []figures
	for _, x := range append(variants, variant{"nearest layer point", nearest}) {
		f := &pose.Figure{Name: g.Name, Mesh: g.Mesh, Rows: x.rows, Skin: d.skin}
		k, err := d.body.Check(ctx, f, pose.Options{Layers: w.figures, Plan: d.plan})
		if err != nil {
			return nil, nil, err
		}
		r, err := k.Run(ctx, nil)
		if err != nil {
			return nil, nil, err
		}
		y := figures{garment: g.Name, from: x.from, stretch: d.stretch(g, x.rows), fitted: d.errors(g, x.rows, truth, with.Layer, false), loose: d.errors(g, x.rows, truth, with.Layer, true)}
		for _, l := range r.Findings {
			if l.Kind != pose.Dive {
				y.faults++
			}
		}
		for _, l := range r.Layers {
			if l.Over >= fewOver {
				y.under = l
				out = append(out, y)
			}
		}
	}
	slices.SortStableFunc(out, func(a, b figures) int { return strings.Compare(a.under.Layer, b.under.Layer) })
	return with, out, nil
}

// stretch measures the edges of what hangs.
func (d *dresser) stretch(g *crew.Garment, rows *weights.Rows) stretches {
	most := map[[2]int32]float64{}
	for _, t := range g.Mesh.Triangles {
		for k, a := range t {
			if b := t[(k+1)%3]; g.LooseVertex[a] && g.LooseVertex[b] && g.Mesh.Positions[a] != g.Mesh.Positions[b] {
				most[[2]int32{min(a, b), max(a, b)}] = 0
			}
		}
	}
	if len(most) == 0 {
		return stretches{}
	}
	var posed []r3.Vec
	for j := range d.skin.Joints {
		for axis := range 3 {
			for _, angle := range []float64{-math.Pi / 2, math.Pi / 2} {
				posed = d.skin.Turn(j, d.skin.LocalAxis(j, axis), angle).Points(g.Mesh.Positions, rows, posed)
				for e, x := range most {
					p, q := g.Mesh.Positions[e[0]], g.Mesh.Positions[e[1]]
					most[e] = max(x, r3.Norm(r3.Sub(posed[e[0]], posed[e[1]]))/r3.Norm(r3.Sub(p, q)))
				}
			}
		}
	}
	list := slices.Sorted(maps.Values(most))
	return stretches{len(list), list[len(list)*99/100], list[len(list)-1]}
}

// errors holds rows against the truth where layers are beneath.
func (d *dresser) errors(g *crew.Garment, rows, truth *weights.Rows, layer []int32, loose bool) rowErrors {
	var l1, cm []float64
	judge := skinning.NewRowJudge(d.skin)
	for v, x := range g.Mesh.Positions {
		if g.LooseVertex[v] != loose || layer[v] < 1 {
			continue
		}
		ja, wa := rows.Row(v)
		jb, wb := truth.Row(v)
		l1 = append(l1, rows.DistanceL1(v, truth, v))
		cm = append(cm, d.toCm*judge.Displacement(x, ja, wa, jb, wb))
	}
	if len(l1) == 0 {
		return rowErrors{}
	}
	sum := 0.0
	for _, x := range l1 {
		sum += x
	}
	slices.Sort(cm)
	return rowErrors{len(l1), sum / float64(len(l1)), cm[min(len(cm)-1, max(0, int(math.Ceil(0.99*float64(len(cm))))-1))]}
}

// nearestRows gives each vertex the row of the nearest point of all layers, where one
// lies within 10 cm, unsmoothed and whatever its neighbours have: what hardly dives, and
// tears. Elsewhere the row that it has.
func nearestRows(ctx context.Context, g *crew.Garment, layers []transfer.Layer, rows *weights.Rows, joints int) (*weights.Rows, error) {
	const near = 0.1
	best, from := make([]closest.Hit, g.Mesh.NumVertices()), make([]int, g.Mesh.NumVertices())
	for v := range best {
		best[v].DistanceSq, from[v] = near*near, -1
	}
	hits := make([]closest.Hit, len(best))
	for i, l := range layers {
		tree, err := closest.NewTree(ctx, l.Mesh.Positions, l.Mesh.Triangles, 0)
		if err != nil {
			return nil, err
		}
		if err := tree.NearestAll(ctx, g.Mesh.Positions, hits, 0); err != nil {
			return nil, err
		}
		for v, h := range hits {
			if h.DistanceSq < best[v].DistanceSq {
				best[v], from[v] = h, i
			}
		}
	}
	acc, out := weights.NewAccumulator(joints), weights.NewRows(len(best))
	for v, h := range best {
		if from[v] < 0 {
			out.Append(rows.Row(v))
			continue
		}
		l := layers[from[v]]
		for k, u := range l.Mesh.Triangles[h.Triangle] {
			acc.AddRow(l.Rows, int(u), h.Bary[k])
		}
		acc.FlushNormalised(out)
	}
	return out, nil
}
