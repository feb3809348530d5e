package transfer

// Default poses of small garments on a whole figure: gloves, boots, a hat. Truth: the
// demo garments' own rows; other default poses by linear blend skinning with these.

import (
	"context"
	"fmt"
	"math"
	"reflect"
	"slices"
	"strings"
	"testing"

	"github.com/selvage/selvage/transfer/crew"
	"github.com/selvage/selvage/transfer/mesh"
	"github.com/selvage/selvage/transfer/skinning"
	"gonum.org/v1/gonum/spatial/r3"
)

// smallCase is a small garment for a body that stands or is built otherwise.
type smallCase struct {
	name      string
	garment   *crew.Garment
	mesh      *mesh.Mesh
	joints    []string // that may be named, all of them where some are turned
	degrees   float64
	scale     float64
	corrected bool
}

// figure is a crew member with its source.
type figure struct {
	body    *crew.Body
	source  *Source
	density float64
}

func figureOf(t testing.TB, name string, density float64) *figure {
	t.Helper()
	b := crew.NewBodyAt(name, density)
	s, err := Prepare(context.Background(), &Body{Name: name, Mesh: b.Mesh, Rows: b.Rows, Skin: b.Skin}, 0)
	if err != nil {
		t.Fatal(err)
	}
	return &figure{b, s, density}
}

func (f *figure) joint(name string) int {
	return slices.IndexFunc(f.body.Skin.Joints, func(j skinning.Joint) bool { return j.Name == name })
}

func (f *figure) at(name string) r3.Vec { return f.body.Skin.Joints[f.joint(name)].Global.T }

// flexion is the axis that bends a hand's joint towards the palm or back.
func (f *figure) flexion(from, to, side string) r3.Vec {
	along := r3.Unit(r3.Sub(f.at(to+side), f.at(from+side)))
	knuckles := r3.Sub(f.at("little_1"+side), f.at("index_1"+side))
	return r3.Unit(r3.Sub(knuckles, r3.Scale(r3.Dot(knuckles, along), along)))
}

var fourFingers = []string{"index", "middle", "ring", "little"}

// turned is a garment with joints turned about axes by degrees.
func (f *figure) turned(name string, g *crew.Garment, degrees float64, axis map[string]r3.Vec) smallCase {
	turn := make([]r3.Vec, len(f.body.Skin.Joints))
	var names []string
	for _, j := range f.body.Skin.Joints {
		if a, ok := axis[j.Name]; ok {
			turn[f.joint(j.Name)] = r3.Scale(degrees*math.Pi/180, a)
			names = append(names, j.Name)
		}
	}
	m := &mesh.Mesh{Positions: f.body.Skin.TurnAll(turn).Points(g.Mesh.Positions, g.Truth, nil), Triangles: g.Mesh.Triangles}
	return smallCase{name, g, m, names, math.Abs(degrees), 1, true}
}

// sizedAt is the garment scaled about a joint of each side.
func (f *figure) sizedAt(name string, g *crew.Garment, scale float64, joint string, corrected bool) smallCase {
	c := smallCase{name, g, &mesh.Mesh{Triangles: g.Mesh.Triangles}, []string{joint + ".left", joint + ".right"}, 0, scale, corrected}
	for _, p := range g.Mesh.Positions {
		about := f.at(joint + ".left")
		if p.X < 0 {
			about = f.at(joint + ".right")
		}
		c.mesh.Positions = append(c.mesh.Positions, r3.Add(about, r3.Scale(scale, r3.Sub(p, about))))
	}
	return c
}

// smallMisfits are gloves, boots and hats for bodies in other poses and of other sizes.
func (f *figure) smallMisfits() (list []smallCase) {
	gloves, boots, hat := f.body.GarmentAt("gloves", f.density), f.body.GarmentAt("sea boots", f.density), f.body.GarmentAt("sou'wester", f.density)
	both := []string{".left", ".right"}
	for _, d := range []float64{15, 30} {
		axis := map[string]r3.Vec{}
		for _, side := range both {
			for _, x := range fourFingers {
				axis[x+"_1"+side] = f.flexion(x+"_1", x+"_3", side)
			}
		}
		list = append(list, f.turned(fmt.Sprintf("gloves, fingers bent by %g degrees", d), gloves, d, axis))
	}
	wrist := func(side string) r3.Vec { return f.flexion("hand", "middle_1", side) }
	for _, d := range []float64{10, 20, 30} {
		list = append(list, f.turned(fmt.Sprintf("gloves, wrists bent by %g degrees", d), gloves, d, map[string]r3.Vec{"hand.left": wrist(".left"), "hand.right": wrist(".right")}))
	}
	list = append(list, f.turned("gloves, wrists bent back by 20 degrees", gloves, -20, map[string]r3.Vec{"hand.left": wrist(".left"), "hand.right": wrist(".right")}))
	aside := map[string]r3.Vec{}
	for _, side := range both {
		aside["hand"+side] = r3.Unit(r3.Cross(wrist(side), r3.Sub(f.at("middle_1"+side), f.at("hand"+side))))
	}
	list = append(list, f.turned("gloves, wrists to the side by 20 degrees", gloves, 20, aside))
	list = append(list, f.turned("gloves, left wrist bent by 20 degrees", gloves, 20, map[string]r3.Vec{"hand.left": wrist(".left")}))
	list = append(list, f.turned("gloves with a flared gauntlet, wrists to the side by 20 degrees", f.flared(), 20, aside))
	list = append(list, f.turned("gloves, left index finger bent by 15 degrees", gloves, 15, map[string]r3.Vec{"index_1.left": f.flexion("index_1", "index_3", ".left")}))
	for _, s := range []float64{0.92, 1.08} {
		list = append(list, f.sizedAt(fmt.Sprintf("gloves, %g times as large", s), gloves, s, "hand", true))
	}
	out := map[string]r3.Vec{"foot.left": {Y: 1}, "foot.right": {Y: -1}}
	list = append(list, f.turned("boots, feet turned out by 20 degrees", boots, 20, out))
	down := map[string]r3.Vec{"foot.left": {X: 1}, "foot.right": {X: 1}}
	list = append(list, f.turned("boots, toes lowered by 20 degrees", boots, 20, down))
	for _, s := range []float64{0.92, 1.08} {
		list = append(list, f.sizedAt(fmt.Sprintf("boots, %g times as large", s), boots, s, "foot", false))
	}
	head := f.at("head")
	for _, s := range []float64{1.08, 1.15} {
		list = append(list, smallCase{fmt.Sprintf("hat, %g times as large", s), hat, scaledBy(hat.Mesh, s, head), []string{"head"}, 0, s, false})
	}
	return list
}

// flared are the gloves with gauntlets half as wide again, 8 cm from the wrist on.
func (f *figure) flared() *crew.Garment {
	g := *f.body.GarmentAt("gloves", f.density)
	m := &mesh.Mesh{Triangles: g.Mesh.Triangles}
	for _, p := range g.Mesh.Positions {
		side := ".left"
		if p.X < 0 {
			side = ".right"
		}
		hand, up := f.at("hand"+side), r3.Unit(r3.Sub(f.at("forearm"+side), f.at("hand"+side)))
		d := r3.Sub(p, hand)
		x := r3.Dot(d, up)
		across := r3.Sub(d, r3.Scale(x, up))
		m.Positions = append(m.Positions, r3.Add(p, r3.Scale(0.5*max(0, min(1, x/0.08)), across)))
	}
	g.Mesh = m
	return &g
}

// smallFits are garments that fit, and gloves that are a little off.
func (f *figure) smallFits() (list []smallCase) {
	for _, name := range []string{"gloves", "sea boots", "sou'wester"} {
		g := f.body.GarmentAt(name, f.density)
		list = append(list, smallCase{name, g, g.Mesh, nil, 0, 1, false})
	}
	flared := f.flared()
	list = append(list, smallCase{"gloves with a flared gauntlet", flared, flared.Mesh, nil, 0, 1, false})
	g := f.body.GarmentAt("gloves", f.density)
	// Too little to be told from the way a glove is made.
	aside := &mesh.Mesh{Triangles: g.Mesh.Triangles}
	for _, p := range g.Mesh.Positions {
		side := ".left"
		if p.X < 0 {
			side = ".right"
		}
		aside.Positions = append(aside.Positions, r3.Add(p, r3.Scale(0.002, r3.Unit(r3.Sub(f.at("index_1"+side), f.at("little_1"+side))))))
	}
	return append(list, smallCase{"gloves 2 mm towards the thumb", g, aside, nil, 0, 1, false})
}

// measured is what a transfer gives and the mean L1 error of its rows.
func (f *figure) measured(tb testing.TB, c *smallCase, o Options) (l1 float64, r *Result) {
	tb.Helper()
	r, err := f.source.Transfer(context.Background(), &Garment{Name: c.name, Mesh: c.mesh}, o)
	if err != nil {
		tb.Fatal(err)
	}
	for v := range c.mesh.Positions {
		l1 += r.Rows.DistanceL1(v, c.garment.Truth, v) / float64(len(c.mesh.Positions))
	}
	return l1, r
}

// check compares what is found with what is off.
func (c *smallCase) check(t *testing.T, s *Source, reg *registration) {
	t.Helper()
	if (reg.source != s) != c.corrected {
		t.Errorf("corrected: %v, want %v; found %+v", reg.source != s, c.corrected, reg.offsets)
	}
	named := map[string]bool{}
	for _, o := range reg.offsets {
		// What is corrected is known to two degrees and percent. The gauntlet, which flares,
		// takes part of the size of a glove about the forearm: named instead of the hand.
		joint, within := o.Joint, 0.02
		if c.scale != 1 && c.corrected {
			joint = strings.Replace(joint, "forearm", "hand", 1)
		}
		switch {
		case !c.corrected && c.degrees == 0 && o.Joint == "head":
			// Size and ease of a hat are one: it sits higher. Of 1.08 and 1.15 times the 17 cm
			// from the joint to the crown half at least.
			if o.Scale != 1 || o.Shift < 0.17*(c.scale-1)/2-0.001 || o.Shift > 0.17*(c.scale-1) {
				t.Errorf("%+v", o)
			}
			within = 1
		case !c.corrected:
			within = 0.045 // the ease, 9 mm, is a ninth of the ankle's height
		}
		if named[joint] || !slices.Contains(c.joints, joint) || o.Corrected != c.corrected ||
			math.Abs(o.Degrees-c.degrees) > 2 || math.Abs(o.Scale-c.scale) > within {
			t.Errorf("%+v", o)
		}
		named[joint] = true
	}
	for _, j := range c.joints {
		if !named[j] {
			t.Errorf("nothing is said of %s", j)
		}
	}
}

// onMateAlone are the misfits that differ little from others, for time.
var onMateAlone = []string{
	"gloves, fingers bent by 30 degrees", "gloves, wrists bent by 10 degrees", "gloves, wrists bent by 30 degrees",
	"gloves, wrists bent back by 20 degrees", "gloves, left wrist bent by 20 degrees",
}

// TestRegister_SmallGarments: of a pair of gloves or boots and of a hat on the whole
// figure, turns from 10 degrees on are found to two, sizes of gloves to two percent, and
// corrected; sizes of boots and hats are said; nothing is said of those that fit. Gloves and their
// bodies have 40% of the vertices.
func TestRegister_SmallGarments(t *testing.T) {
	for _, name := range []string{"mate", "cox"} {
		coarse, fine := figureOf(t, name, 0.4), figureOf(t, name, 1)
		for _, f := range []*figure{coarse, fine} {
			for _, c := range append(f.smallFits(), f.smallMisfits()...) {
				if strings.HasPrefix(c.garment.Name, "gloves") != (f == coarse) || name == "cox" && slices.Contains(onMateAlone, c.name) {
					continue
				}
				t.Run(name+", "+c.name, func(t *testing.T) {
					t.Parallel()
					c.check(t, f.source, registered(t, f.source, c.mesh))
				})
			}
		}
	}
}

// TestRegister_SmallGarmentsElsewhere: boots for legs that stand apart are no boots for other
// feet: the legs are named.
func TestRegister_SmallGarmentsElsewhere(t *testing.T) {
	f := figureOf(t, "cox", 1)
	c := f.turned("", f.body.GarmentAt("sea boots", 1), 3, map[string]r3.Vec{"thigh.left": {Z: 1}, "thigh.right": {Z: -1}})
	reg := registered(t, f.source, c.mesh)
	if reg.source == f.source {
		t.Errorf("not corrected; found %+v", reg.offsets)
	}
	for _, o := range reg.offsets {
		if leg := strings.HasPrefix(o.Joint, "thigh.") || strings.HasPrefix(o.Joint, "shin."); !leg || o.Scale != 1 || o.Shift != 0 {
			t.Errorf("%+v", o)
		}
	}
}

// TestRegister_TornIsOnlySaid: boots for shins turned inwards by 10 degrees are found, but
// legs so turned run into each other, and the nearest surface is partly the other leg's: with the
// correction the mean L1 error was 0.47, without it 0.05. Turned outwards the correction holds
// (0.32 without, 0.02 with).
func TestRegister_TornIsOnlySaid(t *testing.T) {
	f := figureOf(t, "mate", 0.4)
	boots := f.body.GarmentAt("sea boots", f.density)
	for _, x := range []struct {
		what      string
		degrees   float64
		corrected bool
		most      float64
	}{{"inwards", -10, false, 0.06}, {"outwards", 10, true, 0.04}} {
		t.Run(x.what, func(t *testing.T) {
			t.Parallel()
			c := f.turned("boots", boots, x.degrees, map[string]r3.Vec{"shin.left": {Z: 1}, "shin.right": {Z: -1}})
			l1, r := f.measured(t, &c, Options{})
			said := map[string]bool{}
			for _, o := range r.Summary.Offsets {
				said[o.Joint] = true
				if o.Corrected != x.corrected {
					t.Errorf("corrected: %v, want %v: %+v", o.Corrected, x.corrected, o)
				}
			}
			if !said["shin.left"] || !said["shin.right"] {
				t.Errorf("found %+v, want both shins named", r.Summary.Offsets)
			}
			if l1 > x.most {
				t.Errorf("mean L1 %.3f, want %.2f at most", l1, x.most)
			}
		})
	}
}

// TestTransfer_SmallGarments: what is found is flagged and noted, without registration too,
// and with it the rows come as near to the truth as those of a garment that fits, but for 0.02,
// as on the lone hand (TestTransfer_LoneHand).
func TestTransfer_SmallGarments(t *testing.T) {
	f := figureOf(t, "mate", 1)
	wanted := []string{"gloves, fingers bent by 15 degrees", "gloves, left wrist bent by 20 degrees", "boots, toes lowered by 20 degrees"}
	tried := 0
	fit := map[string]float64{}
	for _, c := range f.smallFits() {
		if c.name == c.garment.Name {
			fit[c.name], _ = f.measured(t, &c, Options{})
		}
	}
	for _, c := range f.smallMisfits() {
		if !slices.Contains(wanted, c.name) {
			continue
		}
		tried++
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			without, off := f.measured(t, &c, Options{Registration: Off})
			with, r := f.measured(t, &c, Options{})
			t.Logf("mean L1 %.4f, with registration %.4f, where it fits %.4f", without, with, fit[c.garment.Name])
			if with > fit[c.garment.Name]+0.02 || with > 0.5*without {
				t.Errorf("mean L1 %.4f, with registration %.4f", without, with)
			}
			if _, one := f.measured(t, &c, Options{Threads: 1}); !reflect.DeepEqual(r.Rows, one.Rows) {
				t.Error("rows depend on the number of threads")
			}
			for _, x := range []*Result{r, off} {
				if x.Summary.Reasons[ReasonPoseDisagrees.Name()] == 0 || !strings.Contains(strings.Join(x.Summary.Notes, "\n"), "modelled") {
					t.Errorf("said %q, %d vertices flagged", x.Summary.Notes, x.Summary.Reasons[ReasonPoseDisagrees.Name()])
				}
			}
			if len(r.Summary.Offsets) != len(off.Summary.Offsets) {
				t.Errorf("found %+v, without registration %+v", r.Summary.Offsets, off.Summary.Offsets)
			}
			for _, o := range off.Summary.Offsets {
				if o.Corrected {
					t.Errorf("corrected without registration: %+v", o)
				}
			}
		})
	}
	if tried != len(wanted) {
		t.Errorf("%d cases tried, want %d", tried, len(wanted))
	}
}

// BenchmarkTransfer_SmallGarments gives, beside the time, the errors with and without
// registration of the table in BENCHMARKS.md.
func BenchmarkTransfer_SmallGarments(b *testing.B) {
	for _, name := range crew.Names() {
		f := figureOf(b, name, 1)
		for _, c := range append(f.smallFits(), f.smallMisfits()...) {
			b.Run(name+"/"+c.name, func(b *testing.B) {
				without, _ := f.measured(b, &c, Options{Registration: Off})
				var with float64
				var r *Result
				for b.Loop() {
					with, r = f.measured(b, &c, Options{})
				}
				b.ReportMetric(without, "L1-off")
				b.ReportMetric(with, "L1")
				b.Logf("%+v", r.Summary.Offsets)
			})
		}
	}
}
