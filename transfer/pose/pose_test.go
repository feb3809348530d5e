package pose

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"math"
	"math/rand/v2"
	"sync"
	"testing"
	"time"

	"github.com/selvage/selvage/transfer/closest"
	"github.com/selvage/selvage/transfer/crew"
	"github.com/selvage/selvage/transfer/mesh"
	"github.com/selvage/selvage/transfer/skinning"
	"github.com/selvage/selvage/transfer/weights"
	"gonum.org/v1/gonum/spatial/r3"
)

// mate is a small hand of the pilot boat, made once.
var mate = sync.OnceValue(func() *crew.Body { return crew.NewBodyAt("mate", 0.5) })

func mateBody() *Figure {
	b := mate()
	return &Figure{Name: "mate", Mesh: b.Mesh, Rows: b.Rows, Skin: b.Skin}
}

// dressed is a garment of the mate with the given rows; nil: the true ones.
func dressed(name string, rows func(g *crew.Garment) *weights.Rows) *Figure {
	g := mate().GarmentAt(name, 0.5)
	f := &Figure{Name: name, Mesh: g.Mesh, Rows: g.Truth, Skin: mate().Skin}
	for _, p := range g.Parts {
		f.Parts = append(f.Parts, Part{Node: name, Mesh: name, Material: p.Material, Start: p.Start, End: p.End})
	}
	if rows != nil {
		f.Rows = rows(g)
	}
	return f
}

func jointNamed(t testing.TB, name string) uint16 {
	t.Helper()
	for j, x := range mate().Skin.Joints {
		if x.Name == name {
			return uint16(j)
		}
	}
	t.Fatalf("no joint %s", name)
	return 0
}

// total is the severity of a report over its places, by size.
func total(r *Report) float64 {
	sum := 0.0
	for _, f := range r.Findings {
		sum += f.Rank * float64(f.Vertices)
	}
	return sum
}

// TestRun_TrueAndCorrupted: the true rows of fitted clothes give few findings, and
// mild ones; rows of another place give many and severe ones.
func TestRun_TrueAndCorrupted(t *testing.T) {
	for _, name := range []string{"jersey", "bib trousers", "sea boots", "gloves"} {
		t.Run(name, func(t *testing.T) {
			_, good, _ := run(t, mateBody(), dressed(name, nil), nil)
			// One vertex in twenty takes the row of another one 4 to 10 cm away.
			const seed = 5
			_, bad, _ := run(t, mateBody(), dressed(name, func(g *crew.Garment) *weights.Rows {
				r := rand.New(rand.NewPCG(seed, 0))
				out := weights.NewRows(0)
				swap := map[r3.Vec]int{} // coincident vertices alike: no seam opens
				for v, p := range g.Mesh.Positions {
					u, ok := swap[p]
					if !ok {
						u = v
						if r.IntN(20) == 0 {
							for range 4000 {
								w := r.IntN(len(g.Mesh.Positions))
								if d := norm(r3.Sub(g.Mesh.Positions[w], p)); d > 0.04 && d < 0.1 {
									u = w
									break
								}
							}
						}
						swap[p] = u
					}
					out.Append(g.Truth.Row(u))
				}
				return out
			}), nil)
			worst := 0.0
			if len(good.Findings) > 0 {
				worst = good.Findings[0].Rank
			}
			t.Logf("true rows: %d findings in %d poses, worst rank %.1f, total %.0f; corrupted (seed %d): %d, %.1f, %.0f",
				len(good.Findings), good.Poses, worst, total(good), seed, len(bad.Findings), bad.Findings[0].Rank, total(bad))
			if worst > 5 {
				t.Errorf("true rows: rank %.2f: %s", worst, good.Findings[0].Sentence)
			}
			if len(good.Findings)*4 > good.Poses {
				t.Errorf("true rows: %d findings in %d poses", len(good.Findings), good.Poses)
			}
			if len(bad.Findings) < 4*len(good.Findings)+100 || total(bad) < 10*total(good) {
				t.Errorf("corrupted rows: %d findings of %.0f in all, true ones %d of %.0f", len(bad.Findings), total(bad), len(good.Findings), total(good))
			}
		})
	}
}

// TestRun_WrongLimb: a patch on the chest that follows the left forearm is found, as
// the worst thing of all, at the forearm's poses and in its place.
func TestRun_WrongLimb(t *testing.T) {
	forearm := jointNamed(t, "forearm.left")
	centre := r3.Vec{X: 0.02, Y: 1.25, Z: 0.13}
	const radius = 0.05
	moved := 0
	garment := dressed("jersey", func(g *crew.Garment) *weights.Rows {
		out := weights.NewRows(0)
		for v, p := range g.Mesh.Positions {
			if norm(r3.Sub(p, centre)) < radius {
				out.Append([]uint16{forearm}, []float64{1})
				moved++
			} else {
				out.Append(g.Truth.Row(v))
			}
		}
		return out
	})
	if moved < 10 {
		t.Fatalf("%d vertices in the patch", moved)
	}
	_, r, _ := run(t, mateBody(), garment, nil)
	if len(r.Findings) < 20 {
		t.Fatalf("%d findings", len(r.Findings))
	}
	kinds := map[Kind]bool{}
	for i, f := range r.Findings {
		if f.Pose.Joint != "forearm.left" {
			continue
		}
		p := r3.Vec{X: f.Place.Position[0], Y: f.Place.Position[1], Z: f.Place.Position[2]}
		if norm(r3.Sub(p, centre)) < radius+0.04 {
			kinds[f.Kind] = true
			continue
		}
		if i < 20 {
			t.Errorf("finding %d is elsewhere: %s", i, f.Sentence)
		}
	}
	for _, k := range []Kind{Penetration, Gap, Stretch, Jagged} {
		if !kinds[k] {
			t.Errorf("no %s of the patch at forearm.left", k)
		}
	}
}

// TestRun_Threads: the report has the same bytes whatever the number of threads.
func TestRun_Threads(t *testing.T) {
	var first []byte
	for _, threads := range []int{1, 2, 7} {
		k, err := New(context.Background(), mateBody(), dressed("oilskin coat", nil), Options{Threads: threads, Plan: &Plan{Angles: []float64{60}, Scale: []float64{}}})
		if err != nil {
			t.Fatal(err)
		}
		var results []Result
		r, err := k.Run(context.Background(), func(x Result) error { results = append(results, x); return nil })
		if err != nil {
			t.Fatal(err)
		}
		text, err := json.Marshal([]any{r, results})
		if err != nil {
			t.Fatal(err)
		}
		if first == nil {
			first = text
		} else if !bytes.Equal(first, text) {
			t.Errorf("%d threads: another report", threads)
		}
		if len(results) != r.Poses || len(r.Findings) == 0 {
			t.Fatalf("%d results of %d poses, %d findings", len(results), r.Poses, len(r.Findings))
		}
	}
}

// TestRun_Cancelled: a cancelled check ends soon and says so; a callback's error
// ends it and comes back as it is.
func TestRun_Cancelled(t *testing.T) {
	k, err := New(context.Background(), mateBody(), dressed("oilskin coat", nil), Options{})
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	count := 0
	start := time.Now()
	_, err = k.Run(ctx, func(Result) error {
		if count++; count == 3 {
			cancel()
		}
		return nil
	})
	if !errors.Is(err, context.Canceled) {
		t.Errorf("cancelled: %v", err)
	}
	if count > len(k.Poses())/2 {
		t.Errorf("%d poses of %d were still delivered", count, len(k.Poses()))
	}
	t.Logf("ended after %v", time.Since(start))
	own := errors.New("enough")
	if _, err = k.Run(context.Background(), func(Result) error { return own }); err != own {
		t.Errorf("the callback's error came back as %v", err)
	}
	if _, err := New(ctx, mateBody(), dressed("jersey", nil), Options{}); !errors.Is(err, context.Canceled) {
		t.Errorf("prepared with a cancelled context: %v", err)
	}
}

// TestRun_ShortcutsChangeNothing: what is skipped as rigid, and what the cheap bound
// decides, makes no difference to the findings of a corrupted garment.
func TestRun_ShortcutsChangeNothing(t *testing.T) {
	forearm := jointNamed(t, "forearm.left")
	garment := dressed("jersey", func(g *crew.Garment) *weights.Rows {
		out := weights.NewRows(0)
		for v, p := range g.Mesh.Positions {
			if norm(r3.Sub(p, r3.Vec{X: 0.02, Y: 1.25, Z: 0.13})) < 0.04 {
				out.Append([]uint16{forearm}, []float64{1})
			} else {
				out.Append(g.Truth.Row(v))
			}
		}
		return out
	})
	body := mateBody()
	// Scaling changes edges of rigid pieces too, as the body's: only turns and moves.
	plan := &Plan{Angles: []float64{70}, Scale: []float64{}, Joints: []JointRule{{Joints: []string{"*"}, Skip: true}, {Joints: []string{"forearm.left", "spine_3", "upper_arm.right"}}}}
	count := func(exhaustive bool) (map[string]int, int) {
		k, err := New(context.Background(), body, garment, Options{Plan: plan})
		if err != nil {
			t.Fatal(err)
		}
		k.exhaustive = exhaustive
		exact := 0
		r, err := k.Run(context.Background(), func(x Result) error { exact += x.Measures.Exact; return nil })
		if err != nil {
			t.Fatal(err)
		}
		out := map[string]int{}
		for _, f := range r.Findings {
			if f.Kind != Area && f.Kind != Volume { // of another zone when nothing is skipped
				out[f.Sentence]++
			}
		}
		return out, exact
	}
	quick, _ := count(false)
	slow, _ := count(true)
	if len(quick) < 10 {
		t.Fatalf("%d findings", len(quick))
	}
	for s := range slow {
		if quick[s] != slow[s] {
			t.Errorf("found without shortcuts only: %s", s)
		}
	}
	for s := range quick {
		if slow[s] == 0 {
			t.Errorf("found with shortcuts only: %s", s)
		}
	}
}

// TestPosed_DefaultPoseIsNotBindPose: vertices stored in a bind frame of their own
// go to sum_j w_j G'_j IBM_j v, section 3.7.3.3 of the glTF 2.0 specification,
// computed here from the stored vertices.
func TestPosed_DefaultPoseIsNotBindPose(t *testing.T) {
	const seed = 3
	r := rand.New(rand.NewPCG(seed, 0))
	skin := &skinning.Skin{}
	for j := range 4 {
		bind := skinning.Identity()
		bind.T = r3.Vec{X: 0.3 * float64(j)}
		ibm, _ := bind.Inverse()
		// The default pose bends every joint a little away from the bind pose.
		global := skinning.RotationAbout(r3.Vec{}, r3.Vec{X: r.NormFloat64(), Y: r.NormFloat64(), Z: r.NormFloat64()}, 0.4)
		global.T = r3.Vec{X: 0.3*float64(j) + 0.05*r.NormFloat64(), Y: 0.05 * r.NormFloat64()}
		skin.Joints = append(skin.Joints, skinning.Joint{Name: string(rune('a' + j)), Parent: j - 1, Global: global, InverseBind: ibm})
	}
	blend := func(g []skinning.Affine, joint []uint16, weight []float64, v r3.Vec) r3.Vec {
		var out r3.Vec
		for i, j := range joint {
			m := g[j].Mul(&skin.Joints[j].InverseBind)
			out = r3.Add(out, r3.Scale(weight[i], m.Apply(v)))
		}
		return out
	}
	rest := make([]skinning.Affine, 4)
	for j := range rest {
		rest[j] = skin.Joints[j].Global
	}
	f := &Figure{Name: "strip", Mesh: &mesh.Mesh{}, Rows: weights.NewRows(0), Skin: skin}
	var stored []r3.Vec
	for i := range 300 {
		v := r3.Vec{X: r.Float64(), Y: 0.1 * r.NormFloat64(), Z: 0.1 * r.NormFloat64()}
		w := []float64{r.Float64(), r.Float64(), r.Float64(), r.Float64()}
		sum := w[0] + w[1] + w[2] + w[3]
		for k := range w {
			w[k] /= sum
		}
		stored = append(stored, v)
		f.Rows.Append([]uint16{0, 1, 2, 3}, w)
		f.Mesh.Positions = append(f.Mesh.Positions, blend(rest, []uint16{0, 1, 2, 3}, w, v))
		if i%3 == 2 {
			f.Mesh.Triangles = append(f.Mesh.Triangles, [3]int32{int32(i - 2), int32(i - 1), int32(i)})
		}
	}
	k, err := New(context.Background(), f, f, Options{Plan: &Plan{Angles: []float64{50}}})
	if err != nil {
		t.Fatal(err)
	}
	if k.garment.k == nil {
		t.Fatal("taken for a bind pose")
	}
	shortcut := 0.0 // what the blend in the world frame would miss
	for i, p := range k.Poses() {
		// The pose by hand: the change of the joint in its own frame, children following.
		posed := make([]skinning.Affine, 4)
		local := skinning.Identity()
		axis := map[string]r3.Vec{"x": {X: 1}, "y": {Y: 1}, "z": {Z: 1}}[p.Axis]
		switch p.Change {
		case Turn:
			local = skinning.RotationAbout(r3.Vec{}, axis, p.Amount*math.Pi/180)
		case Move:
			local.T = r3.Scale(p.Amount, axis)
		case Scale:
			local.M[0], local.M[4], local.M[8] = 1+(p.Amount-1)*axis.X, 1+(p.Amount-1)*axis.Y, 1+(p.Amount-1)*axis.Z
		}
		for j := range posed {
			own := rest[j]
			if j > 0 {
				inv, _ := rest[j-1].Inverse()
				own = inv.Mul(&rest[j])
				own = posed[j-1].Mul(&own)
			}
			if skin.Joints[j].Name == p.Joint {
				own = own.Mul(&local)
			}
			posed[j] = own
		}
		got, body := k.Posed(i)
		maps := k.skeleton.maps(k.poses[i].changes)
		for v := range got {
			joint, weight := f.Rows.Row(v)
			want := blend(posed, joint, weight, stored[v])
			if d := norm(r3.Sub(got[v], want)); d > 1e-9 {
				t.Fatalf("seed %d, %s: vertex %d is %g m from its place", seed, p.Name, v, d)
			}
			if body[v] != got[v] {
				t.Fatalf("%s: the same figure as a body stands elsewhere", p.Name)
			}
			shortcut = max(shortcut, norm(r3.Sub(skinning.Pose(maps).PosedPoint(f.Mesh.Positions[v], joint, weight), want)))
		}
	}
	if shortcut < 1e-3 {
		t.Errorf("blending in the world frame would be right to %g: this checks nothing", shortcut)
	}
}

// TestSheet_AgainstTree: around a smooth body the walk and the exact search give the
// distance that the tree over all triangles gives, and the right side.
func TestSheet_AgainstTree(t *testing.T) {
	const seed = 9
	r := rand.New(rand.NewPCG(seed, 0))
	body := tube("limb", 0.1, 64, 60, true, ramp)
	s, err := newSurface(context.Background(), body, []uint16{0, 1}, 2)
	if err != nil {
		t.Fatal(err)
	}
	tree, err := closest.NewTree(context.Background(), s.pos, s.tri, 1)
	if err != nil {
		t.Fatal(err)
	}
	q := s.sheet(s.pos)
	outside, inside := 0, 0
	for i := range 3000 {
		a, y, d := 2*math.Pi*r.Float64(), 1.8*r.Float64()-0.9, 0.06*r.Float64()-0.03
		p := r3.Vec{X: (0.1 + d) * math.Cos(a), Y: y, Z: (0.1 + d) * math.Sin(a)}
		// Start from a triangle up to 3 cm off.
		b, z := a+0.3*(r.Float64()-0.5), y+0.04*(r.Float64()-0.5)
		start := tree.Nearest(r3.Vec{X: 0.1 * math.Cos(b), Y: z, Z: 0.1 * math.Sin(b)}).Triangle
		want := tree.Nearest(p)
		for name, f := range map[string]closest.Hit{"walk": q.Walk(p, start), "exact": q.Exact(p, start)} {
			if math.Abs(math.Sqrt(f.DistanceSq)-math.Sqrt(want.DistanceSq)) > 1e-9 {
				t.Errorf("seed %d, point %d: %s says %g, the tree %g", seed, i, name, math.Sqrt(f.DistanceSq), math.Sqrt(want.DistanceSq))
			}
			// Facets lie up to r (1 - cos(pi/64)) = 0.12 mm within the cylinder.
			if h := q.Height(p, f); math.Abs(d) > 2e-4 && (h > 0) != (d > 0) {
				t.Errorf("seed %d, point %d: %s says height %g, want %g", seed, i, name, h, d)
			}
		}
		if d > 0 {
			outside++
		} else {
			inside++
		}
	}
	if outside < 1000 || inside < 1000 {
		t.Errorf("%d outside, %d inside", outside, inside)
	}
}

// A point beyond the edge of a wedge is outside though it stands behind the plane of
// the face that its foot's triangle happens to be; the angle-weighted normal tells
// (Bærentzen & Aanæs 2005, figure 1).
func TestSheet_PseudoNormalAtSharpEdge(t *testing.T) {
	// A thin closed blade around the z axis, its edge at x = 1.
	m := &mesh.Mesh{Positions: []r3.Vec{{X: 1, Z: -1}, {X: 1, Z: 1}, {Y: 0.1, Z: -1}, {Y: 0.1, Z: 1}, {Y: -0.1, Z: -1}, {Y: -0.1, Z: 1}}}
	m.Triangles = [][3]int32{{0, 2, 1}, {1, 2, 3}, {0, 1, 4}, {1, 5, 4}, {2, 4, 3}, {3, 4, 5}, {0, 4, 2}, {1, 3, 5}}
	rows := weights.NewRows(0)
	for range m.Positions {
		rows.Append([]uint16{0}, []float64{1})
	}
	s, err := newSurface(context.Background(), &Figure{Name: "blade", Mesh: m, Rows: rows, Skin: twoJoints()}, []uint16{0, 1}, 2)
	if err != nil {
		t.Fatal(err)
	}
	q := s.sheet(s.pos)
	for _, c := range []struct {
		p       r3.Vec
		outside bool
	}{
		{r3.Vec{X: 1.2, Y: 0.01}, true}, {r3.Vec{X: 1.2, Y: -0.01}, true}, {r3.Vec{X: 1.01}, true},
		{r3.Vec{X: 0.9}, false}, {r3.Vec{X: 0.5, Y: 0.01}, false}, {r3.Vec{X: 0.5, Y: 0.2}, true},
		{r3.Vec{X: 1.1, Z: 1.1}, true}, {r3.Vec{X: -0.1, Y: 0.15, Z: -1.1}, true},
	} {
		for start := range m.Triangles {
			if h := q.Height(c.p, q.Exact(c.p, int32(start))); (h > 0) != c.outside {
				t.Errorf("%v from triangle %d: height %g", c.p, start, h)
			}
		}
	}
}

// TestNew_Errors: what is wrong is named.
func TestNew_Errors(t *testing.T) {
	body := tube("limb", 0.1, 8, 8, true, ramp)
	bare := *body
	bare.Skin = nil
	short := *body
	short.Rows = weights.NewRows(0)
	broken := *body
	broken.Mesh = &mesh.Mesh{Positions: append([]r3.Vec(nil), body.Mesh.Positions...), Triangles: body.Mesh.Triangles}
	broken.Mesh.Positions[3].X = math.NaN()
	for _, c := range []struct {
		name          string
		body, garment *Figure
		plan          *Plan
	}{
		{"body without a skin", &bare, body, nil},
		{"garment without a skin", body, &bare, nil},
		{"too few rows", body, &short, nil},
		{"position not finite", body, &broken, nil},
		{"bad angle", body, body, &Plan{Angles: []float64{-1}}},
		{"pose of no joint", body, body, &Plan{Poses: []WholePose{{Name: "wave", Set: []JointChange{{Joints: []string{"tentacle"}}}}}}},
	} {
		if _, err := New(context.Background(), c.body, c.garment, Options{Plan: c.plan}); err == nil {
			t.Errorf("%s: no error", c.name)
		}
	}
}

// TestUnite_Joints: joints are one by name; those that the garment alone has are
// kept, below the parent that they have there.
func TestUnite_Joints(t *testing.T) {
	body := tube("limb", 0.1, 24, 30, true, ramp)
	garment := tube("sleeve", 0.105, 24, 30, false, ramp)
	own := twoJoints()
	tail := own.Joints[1]
	tail.Name, tail.Parent = "tail", 0
	// Another order: tail, lower, upper.
	garment.Skin = &skinning.Skin{Joints: []skinning.Joint{tail, own.Joints[1], own.Joints[0]}}
	garment.Skin.Joints[0].Parent, garment.Skin.Joints[1].Parent, garment.Skin.Joints[2].Parent = 1, 2, -1
	rows := weights.NewRows(0)
	for v, p := range garment.Mesh.Positions {
		s := ramp(p.Y)
		if v%48 == 0 {
			rows.Append([]uint16{0, 1, 2}, []float64{0.1, 0.9 * s, 0.9 * (1 - s)})
		} else {
			rows.Append([]uint16{1, 2}, []float64{s, 1 - s})
		}
	}
	garment.Rows = rows
	k, r, _ := run(t, body, garment, nil)
	if n := len(k.skeleton.skin.Joints); n != 3 {
		t.Fatalf("%d joints", n)
	}
	if x := k.skeleton.skin.Joints[2]; x.Name != "tail" || x.Parent != 1 {
		t.Errorf("the garment's own joint is %q below %d", x.Name, x.Parent)
	}
	// 0.1 of the weight on every 48th vertex, which is one of each ring.
	itsOwn := `sleeve: 0.2% of its weight is on joints that the body has not, 1 in all ("tail"), which are posed apart from the body's; where they are joints of the body by other names, a joint map (--joint-map) tells which`
	if len(r.Remarks) != 1 || r.Remarks[0] != itsOwn {
		t.Errorf("remarks %q, want %q", r.Remarks, itsOwn)
	}
	at := false
	for _, f := range r.Findings {
		at = at || f.Pose.Joint == "tail"
	}
	if !at {
		t.Error("the garment's own joint is not swept")
	}
	_, r, _ = run(t, body, garment, &Plan{Angles: []float64{}, Joints: []JointRule{{Joints: []string{"low*"}}, {Joints: []string{"lowre"}}}})
	if len(r.Remarks) != 2 || r.Remarks[1] != `the plan's rule for ["lowre"] names no joint` {
		t.Errorf("remarks on a rule with a typing error: %q", r.Remarks)
	}
	garment.Skin.Joints[1].Global.T.Y = 0.3
	_, r, _ = run(t, body, garment, nil)
	if len(r.Remarks) < 2 {
		t.Error("nothing said of default poses that disagree")
	}
}

// TestMoment_IsTheTurn: a moment given by the global transforms of a turned joint is
// the sweep's pose of that turn, and is judged alike.
func TestMoment_IsTheTurn(t *testing.T) {
	body := tube("limb", 0.1, 48, 60, true, ramp)
	garment := tube("sleeve", 0.105, 48, 60, false, func(y float64) float64 { return min(max(y*8+0.5, 0), 1) })
	turned := []skinning.Affine{body.Skin.Joints[0].Global, body.Skin.Joints[1].Global}
	r := skinning.RotationAbout(turned[1].T, r3.Vec{Z: 1}, math.Pi/2)
	turned[1] = r.Mul(&turned[1])
	plan := &Plan{Scale: []float64{}, Move: new(float64), Angles: []float64{90}}
	for name, m := range map[string]Moment{"body": {Name: "bend", Body: turned}, "garment": {Name: "bend", Garment: turned}} {
		k, err := New(context.Background(), body, garment, Options{Plan: plan, Moments: []Moment{m}})
		if err != nil {
			t.Fatal(err)
		}
		sweep := -1
		for i, p := range k.Poses() {
			if p.Joint == "lower" && p.Axis == "z" && p.Amount == 90 {
				sweep = i
			}
		}
		last := len(k.Poses()) - 1
		a, _ := k.Posed(sweep)
		b, _ := k.Posed(last)
		for v := range a {
			if norm(r3.Sub(a[v], b[v])) > 1e-12 {
				t.Fatalf("%s: vertex %d stands at %v and %v", name, v, a[v], b[v])
			}
		}
		depth := map[string]float64{}
		if _, err := k.Run(context.Background(), func(x Result) error {
			for _, f := range x.Findings {
				if f.Kind == Penetration {
					depth[x.Pose.Name] = max(depth[x.Pose.Name], f.Size)
				}
			}
			return nil
		}); err != nil {
			t.Fatal(err)
		}
		one, two := depth[k.Poses()[sweep].Name], depth["bend"]
		if one == 0 || math.Abs(one-two) > 1e-9 {
			t.Errorf("%s: the turn goes %g m in, the moment %g", name, one, two)
		}
	}
	if _, err := New(context.Background(), body, garment, Options{Moments: []Moment{{Name: "short", Body: turned[:1]}}}); err == nil {
		t.Error("too few transforms and no error")
	}
}

// winding is the generalized winding number of a closed surface around p: 1 inside,
// 0 outside, 2 where it overlaps itself. The sum of signed solid angles over 4 pi:
// Jacobson, Kavan, Sorkine-Hornung, "Robust Inside-Outside Segmentation using
// Generalized Winding Numbers", SIGGRAPH 2013, section 3; each angle by Van Oosterom
// & Strackee, "The Solid Angle of a Plane Triangle", IEEE TBME 30(2), 1983.
func winding(p r3.Vec, pos []r3.Vec, tri [][3]int32) float64 {
	sum := 0.0
	for _, t := range tri {
		a, b, c := r3.Sub(pos[t[0]], p), r3.Sub(pos[t[1]], p), r3.Sub(pos[t[2]], p)
		la, lb, lc := norm(a), norm(b), norm(c)
		sum += 2 * math.Atan2(r3.Dot(a, r3.Cross(b, c)), la*lb*lc+r3.Dot(a, b)*lc+r3.Dot(b, c)*la+r3.Dot(c, a)*lb)
	}
	return sum / (4 * math.Pi)
}

// TestRun_PenetrationsByWindingNumber: places said to have gone into the body stand
// inside the posed body and stood outside in the default pose, as the winding number
// of the whole closed body has it; and no body point is nearer than the depth says.
func TestRun_PenetrationsByWindingNumber(t *testing.T) {
	forearm := jointNamed(t, "forearm.left")
	garment := dressed("jersey", func(g *crew.Garment) *weights.Rows {
		out := weights.NewRows(0)
		for v, p := range g.Mesh.Positions {
			if norm(r3.Sub(p, r3.Vec{X: 0.02, Y: 1.25, Z: 0.13})) < 0.05 {
				out.Append([]uint16{forearm}, []float64{1})
			} else {
				out.Append(g.Truth.Row(v))
			}
		}
		return out
	})
	k, r, _ := run(t, mateBody(), garment, &Plan{Scale: []float64{}})
	index := map[string]int{}
	for i, p := range k.Poses() {
		index[p.Name] = i
	}
	body := mateBody()
	checked, notes := 0, 0
	for _, list := range [][]Finding{r.Findings, r.Notes} {
		for _, f := range list {
			if f.Kind != Penetration && f.Kind != CarriedIn || checked >= 150 {
				continue
			}
			checked++
			if f.Kind == CarriedIn {
				notes++
			}
			v := f.Place.Vertex
			cloth, posed := k.Posed(index[f.Pose.Name])
			if w := winding(garment.Mesh.Positions[v], body.Mesh.Positions, body.Mesh.Triangles); math.Abs(w) > 0.01 {
				t.Errorf("was inside: winding number %.3f: %s", w, f.Sentence)
			}
			if w := winding(cloth[v], posed, body.Mesh.Triangles); w < 0.5 {
				t.Errorf("is outside: winding number %.3f: %s", w, f.Sentence)
			}
			tree, err := closest.NewTree(context.Background(), posed, body.Mesh.Triangles, 0)
			if err != nil {
				t.Fatal(err)
			}
			// The size of a note is the depth itself, under its own sheet; of a finding it is
			// what is left of the depth. Other sheets of the body may be nearer.
			if d := math.Sqrt(tree.Nearest(cloth[v]).DistanceSq); f.Kind == CarriedIn && d > f.Size+1e-9 {
				t.Errorf("the nearest body point is %g m away, the depth %g: %s", d, f.Size, f.Sentence)
			}
		}
	}
	if checked < 20 || notes == 0 {
		t.Fatalf("%d places, %d of notes", checked, notes)
	}
	t.Logf("%d places, %d of them notes", checked, notes)
}

// TestRun_NearestPointRows: rows of the nearest body point, whatever limb it is on,
// the mistake that the judge's own matches could share, are found out where fingers
// lie side by side and where a thick coat's sleeve lies beside the trunk.
func TestRun_NearestPointRows(t *testing.T) {
	body := mateBody()
	tree, err := closest.NewTree(context.Background(), body.Mesh.Positions, body.Mesh.Triangles, 0)
	if err != nil {
		t.Fatal(err)
	}
	for _, name := range []string{"gloves", "oilskin coat"} {
		_, good, _ := run(t, body, dressed(name, nil), nil)
		_, bad, _ := run(t, body, dressed(name, func(g *crew.Garment) *weights.Rows {
			out, acc := weights.NewRows(0), weights.NewAccumulator(len(body.Skin.Joints))
			for _, p := range g.Mesh.Positions {
				h := tree.Nearest(p)
				for i, u := range body.Mesh.Triangles[h.Triangle] {
					acc.AddRow(body.Rows, int(u), h.Bary[i])
				}
				acc.FlushNormalised(out)
			}
			return out
		}), nil)
		worst := 0.0
		if len(good.Findings) > 0 {
			worst = good.Findings[0].Rank
		}
		t.Logf("%s: true rows %d findings, worst %.1f; nearest point %d, worst %.1f", name, len(good.Findings), worst, len(bad.Findings), bad.Findings[0].Rank)
		if bad.Findings[0].Rank < 2*worst || total(bad) < 4*total(good) {
			t.Errorf("%s: nearest point worst rank %.1f, total %.0f; true rows %.1f, %.0f", name, bad.Findings[0].Rank, total(bad), worst, total(good))
		}
	}
}
