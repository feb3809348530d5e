package pose

// Cloth over cloth against closed forms.

import (
	"context"
	"encoding/json"
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"

	"github.com/selvage/selvage/transfer/weights"
)

// dives checks a garment over a body and layers with a plan.
func dives(t testing.TB, body, garment *Figure, plan *Plan, threads int, layers ...*Figure) *Report {
	t.Helper()
	k, err := New(context.Background(), body, garment, Options{Plan: plan, Layers: layers, Threads: threads})
	if err != nil {
		t.Fatal(err)
	}
	r, err := k.Run(context.Background(), nil)
	if err != nil {
		t.Fatal(err)
	}
	return r
}

func always(s float64) func(float64) float64 { return func(float64) float64 { return s } }

// TestDive_Translation: a pipe of radius 0.13 over one of 0.12 over a limb. The lower
// joint is moved by m across them; it carries the inner pipe alone. On the far side the
// inner pipe comes out by m - 0.01, and of the outer one's vertices at the azimuth a
// (from the direction of the motion) those dive for which the circle of radius 0.12
// around the moved centre holds them: |0.13 e^ia - m| < 0.12 - limit.
func TestDive_Translation(t *testing.T) {
	const around, rings, m = 96, 60, 0.03
	body := tube("limb", 0.1, around, rings, true, always(1))
	inner, outer := tube("shirt", 0.12, around, rings, false, always(1)), tube("coat", 0.13, around, rings, false, always(0))
	move := m
	limits := Limits{Dive: 0.004}
	plan := &Plan{Angles: []float64{}, Scale: []float64{}, Move: &move, Limits: limits,
		Joints: []JointRule{{Joints: []string{"upper"}, Skip: true}}}
	r := dives(t, body, outer, plan, 0, inner)
	l := r.Layers[0]
	// The two rings at the ends lie over the inner pipe's open border; rounding may put a
	// match beside it.
	const over, rounded = around * (rings - 1), 4
	if l.Layer != "shirt" || l.Over < over || l.Over > over+rounded {
		t.Errorf("%d vertices lie over it, want %d", l.Over, over)
	}
	if want := m - 0.01; math.Abs(l.Depth-want) > 1e-4 { // 96 sides: r (1 - cos(pi/96)) = 6e-5
		t.Errorf("%.5f m deep, want %.5f", l.Depth, want)
	}
	// Cases by the formula, for the two directions of x and of z; vertices within the
	// error of the sides are left open. Along y no vertex dives.
	least, most := 0, 0
	for i := range around {
		a := 2 * math.Pi * float64(i) / around
		for _, at := range [][2]float64{{m, 0}, {-m, 0}, {0, m}, {0, -m}} {
			d := math.Hypot(0.13*math.Cos(a)-at[0], 0.13*math.Sin(a)-at[1])
			if d < 0.12-limits.Dive-1e-4 {
				least++
			}
			if d < 0.12-limits.Dive+1e-4 {
				most++
			}
		}
	}
	if perRing := float64(l.Cases) / (rings - 1); perRing < float64(least) || perRing > float64(most) || l.Avoidable != l.Cases {
		t.Errorf("%+v: %.2f cases a ring, want %d to %d, all avoidable", l, perRing, least, most)
	}
	found := false
	for _, f := range r.Findings {
		found = found || f.Kind == Dive && f.Layer == "shirt" && strings.Contains(f.Sentence, "mm under shirt, which it lies over, at vertex ")
	}
	if !found {
		t.Error("no finding tells of it")
	}

	// With the shirt's own rows the coat goes where the shirt goes.
	r = dives(t, body, tube("coat", 0.13, around, rings, false, always(1)), plan, 0, inner)
	if l := r.Layers[0]; l.Over < over || l.Over > over+rounded || l.Cases != 0 || l.Depth != 0 {
		t.Errorf("with the layer's own rows: %+v", l)
	}
}

// TestDive_Sides: the outside of a layer is where the body is not, however the layer is
// wound; of two layers a vertex lies over the nearer alone; and threads don't matter.
func TestDive_Sides(t *testing.T) {
	body := tube("limb", 0.1, 48, 60, true, ramp)
	shifted := func(y float64) float64 { return ramp(y - 0.15) }
	outer := tube("coat", 0.13, 48, 60, false, ramp)
	inner, vest := tube("shirt", 0.12, 48, 60, false, shifted), tube("vest", 0.11, 48, 60, false, ramp)
	plan := &Plan{Angles: []float64{60}, Scale: []float64{}, Move: new(float64)}
	want := dives(t, body, outer, plan, 1, vest, inner)
	if l := want.Layers[0]; l.Over != 0 {
		t.Errorf("the coat lies over the vest under the shirt: %+v", l)
	}
	if l := want.Layers[1]; l.Avoidable == 0 {
		t.Errorf("nothing dives: %+v", l)
	}
	wound := tube("shirt", 0.12, 48, 60, false, shifted)
	for i, tri := range wound.Mesh.Triangles {
		wound.Mesh.Triangles[i] = [3]int32{tri[0], tri[2], tri[1]}
	}
	if got := dives(t, body, outer, plan, 0, vest, wound).Layers[1]; got.Over != want.Layers[1].Over || got.Cases == 0 || got.Dived == 0 {
		t.Errorf("wound the other way: %+v, want about %+v", got, want.Layers[1])
	}
	a, _ := json.Marshal(want)
	if b, _ := json.Marshal(dives(t, body, outer, plan, 3, vest, inner)); string(a) != string(b) {
		t.Error("with other threads another report")
	}
	// Without layers the report says nothing of them.
	r := dives(t, body, outer, plan, 0)
	if text, _ := json.Marshal(r); strings.Contains(string(text), `"layers"`) || r.Layers != nil {
		t.Error("a report without layers tells of some")
	}
	if _, err := New(context.Background(), body, outer, Options{Layers: []*Figure{{Name: "bare", Mesh: inner.Mesh}}}); err == nil || !strings.Contains(err.Error(), "bare") {
		t.Errorf("a layer without skin: %v", err)
	}
}

// TestDive_RowsMissing: where a layer has no usable rows it is left out, and that is said:
// its vertices there would stay where they are, and a coat that goes where the rest of the
// layer goes would dive under them.
func TestDive_RowsMissing(t *testing.T) {
	const around, rings, m = 96, 60, 0.03
	body := tube("limb", 0.1, around, rings, true, always(1))
	inner, outer := tube("shirt", 0.12, around, rings, false, always(1)), tube("coat", 0.13, around, rings, false, always(1))
	move := m
	plan := &Plan{Angles: []float64{}, Scale: []float64{}, Move: &move, Limits: Limits{Dive: 0.004},
		Joints: []JointRule{{Joints: []string{"upper"}, Skip: true}}}
	whole := dives(t, body, outer, plan, 0, inner).Layers[0]
	rows := weights.NewRows(0)
	const every = 50
	for v := range inner.Rows.Len() {
		if joint, weight := inner.Rows.Row(v); v%every == 7 {
			rows.Append(nil, nil)
		} else {
			rows.Append(joint, weight)
		}
	}
	spoiled := *inner
	spoiled.Rows = rows
	r := dives(t, body, outer, plan, 0, &spoiled)
	// Each takes the six triangles around it, over which at most seven vertices lie.
	missing := (inner.Rows.Len() + every - 1 - 7) / every
	if l := r.Layers[0]; l.Cases != 0 || l.Over >= whole.Over || l.Over < whole.Over-7*missing {
		t.Errorf("%+v, with all rows %+v", l, whole)
	}
	want := fmt.Sprintf("shirt: %d vertices (first: vertex 7) have no usable weights; the layer's surface there was left out", missing)
	if !slices.Contains(r.Remarks, want) {
		t.Errorf("remarks %q, want %q", r.Remarks, want)
	}

	spoiled.Rows = weights.NewRows(0)
	for range inner.Rows.Len() {
		spoiled.Rows.Append(nil, nil)
	}
	if _, err := New(context.Background(), body, outer, Options{Layers: []*Figure{&spoiled}}); err == nil || !strings.Contains(err.Error(), "shirt: no triangle has usable weights") {
		t.Errorf("a layer without any usable row: %v", err)
	}
}
