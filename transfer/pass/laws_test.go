package pass

// Laws of passes on whole assets: edits at random, the garment cut anew, locks of all
// kinds. Running again with nothing changed changes nothing, and what a lock has covered
// is there again when it is taken off.

import (
	"bytes"
	"context"
	"fmt"
	"math/rand/v2"
	"reflect"
	"slices"
	"testing"

	"github.com/selvage/selvage/transfer"
	"github.com/selvage/selvage/transfer/crew"
	"github.com/selvage/selvage/transfer/gltfio"
	"github.com/selvage/selvage/transfer/mesh"
	"github.com/selvage/selvage/transfer/skinning"
	"github.com/selvage/selvage/transfer/weights"
	"gonum.org/v1/gonum/spatial/r3"
)

// changedRows is an asset with some of its rows changed; change gets a place, all of
// whose vertices it is asked for alike, and a row by the joints' names.
func changedRows(t *testing.T, a *gltfio.Asset, f weights.Format, change func(place int, row map[string]float64)) *gltfio.Asset {
	t.Helper()
	s, read := surfaceOf(t, a)
	weld := mesh.Weld(s.Mesh, mesh.WeldTolerance(s.Mesh))
	acc, rows := weights.NewAccumulator(len(s.Joints)), weights.NewRows(0)
	for v := range s.Mesh.Positions {
		row := named(s.Rows, s.Joints, v)
		change(int(weld.ToWelded[v]), row)
		for j, x := range s.Joints {
			if w := row[x.Name]; w > 0 {
				acc.Add(uint16(j), w)
			}
		}
		acc.FlushNormalised(rows)
	}
	rows, _, err := weights.Finish(rows, weights.FinishOptions{MaxInfluences: 4, Format: f})
	if err != nil {
		t.Fatal(err)
	}
	b, _, err := a.WithRows(read, a, &gltfio.Surface{Mesh: read.Mesh, Skin: &skinning.Skin{}}, gltfio.Output{Rows: rows, Format: f, Kept: read.JointNode})
	if err != nil {
		t.Fatal(err)
	}
	return saved(t, b)
}

// shifted moves a share of joint from to joint to in all rows.
func shifted(t *testing.T, a *gltfio.Asset, from, to string, share float64) *gltfio.Asset {
	return changedRows(t, a, weights.Float32, func(_ int, row map[string]float64) {
		w := share * row[from]
		row[from] -= w
		row[to] += w
	})
}

// edited gives a tenth of the places half of their largest weight to another joint.
func edited(t *testing.T, a *gltfio.Asset, f weights.Format, seed uint64) *gltfio.Asset {
	return changedRows(t, a, f, func(place int, row map[string]float64) {
		rng := rand.New(rand.NewPCG(seed, uint64(place)))
		if rng.Float64() >= 0.1 {
			return
		}
		most := ""
		for name, w := range row {
			if w > row[most] || w == row[most] && name < most {
				most = name
			}
		}
		w := row[most] / 2
		row[most] -= w
		row[[...]string{"pelvis", "head"}[rng.IntN(2)]] += w
	})
}

// finer is a garment with every triangle cut into four at the middles of its edges.
func finer(g *crew.Garment) *crew.Garment {
	out := *g
	out.Mesh, out.UV, out.Parts = &mesh.Mesh{}, nil, slices.Clone(g.Parts)
	for k, p := range g.Parts {
		start := int32(len(out.Mesh.Positions))
		out.Parts[k].Start = int(start)
		out.Mesh.Positions, out.UV = append(out.Mesh.Positions, g.Mesh.Positions[p.Start:p.End]...), append(out.UV, g.UV[p.Start:p.End]...)
		if g.Mesh.Normals != nil {
			out.Mesh.Normals = append(out.Mesh.Normals, g.Mesh.Normals[p.Start:p.End]...)
		}
		middle := map[[2]int32]int32{}
		mid := func(a, b int32) int32 {
			e := [2]int32{min(a, b), max(a, b)}
			v, ok := middle[e]
			if !ok {
				v = int32(len(out.Mesh.Positions))
				middle[e] = v
				out.Mesh.Positions = append(out.Mesh.Positions, r3.Scale(0.5, r3.Add(g.Mesh.Positions[a], g.Mesh.Positions[b])))
				out.UV = append(out.UV, [2]float32{(g.UV[a][0] + g.UV[b][0]) / 2, (g.UV[a][1] + g.UV[b][1]) / 2})
				if g.Mesh.Normals != nil {
					out.Mesh.Normals = append(out.Mesh.Normals, r3.Unit(r3.Add(g.Mesh.Normals[a], g.Mesh.Normals[b])))
				}
			}
			return v
		}
		for _, c := range g.Mesh.Triangles {
			if int(c[0]) < p.Start || int(c[0]) >= p.End {
				continue
			}
			ab, bc, ca := mid(c[0], c[1]), mid(c[1], c[2]), mid(c[2], c[0])
			to := func(v int32) int32 { return v - int32(p.Start) + start }
			out.Mesh.Triangles = append(out.Mesh.Triangles, [3]int32{to(c[0]), ab, ca}, [3]int32{ab, to(c[1]), bc}, [3]int32{ca, bc, to(c[2])}, [3]int32{ab, bc, ca})
		}
		out.Parts[k].End = len(out.Mesh.Positions)
	}
	return &out
}

// coarser is a garment with edges inside it drawn together to one of their ends, no two
// with an end in common.
func coarser(g *crew.Garment, seed uint64) *crew.Garment {
	count := map[[2]int32]int{}
	for _, c := range g.Mesh.Triangles {
		for k := range c {
			a, b := c[k], c[(k+1)%3]
			count[[2]int32{min(a, b), max(a, b)}]++
		}
	}
	border := map[int32]bool{}
	var inner [][2]int32
	for e, n := range count {
		if n == 2 {
			inner = append(inner, e)
		} else {
			border[e[0]], border[e[1]] = true, true
		}
	}
	slices.SortFunc(inner, func(a, b [2]int32) int { return slices.Compare(a[:], b[:]) })
	rng := rand.New(rand.NewPCG(seed, 2))
	rng.Shuffle(len(inner), func(i, k int) { inner[i], inner[k] = inner[k], inner[i] })
	to, used := map[int32]int32{}, map[int32]bool{}
	for _, e := range inner[:len(inner)/2] {
		if !used[e[0]] && !used[e[1]] && !border[e[0]] && !border[e[1]] {
			to[e[0]] = e[1]
			used[e[0]], used[e[1]] = true, true
		}
	}
	out := *g
	out.Mesh = &mesh.Mesh{Positions: g.Mesh.Positions, Normals: g.Mesh.Normals}
	left := map[int32]bool{}
	for _, c := range g.Mesh.Triangles {
		for k, v := range c {
			if u, ok := to[v]; ok {
				c[k] = u
			}
		}
		if c[0] != c[1] && c[1] != c[2] && c[2] != c[0] {
			out.Mesh.Triangles = append(out.Mesh.Triangles, c)
			left[c[0]], left[c[1]], left[c[2]] = true, true, true
		}
	}
	var order []int32
	for v := range left {
		order = append(order, v)
	}
	slices.Sort(order)
	return arranged(&out, order)
}

func mustTransfer(t *testing.T, body *transfer.AssetBody, in Input) *Output {
	t.Helper()
	out, err := Transfer(context.Background(), body, in)
	if err != nil {
		t.Fatal(err)
	}
	if err := out.Record.Validate(); err != nil {
		t.Fatal(err)
	}
	return out
}

// mustRest runs a pass again on what it gave: the same bytes, the same record, no edit
// that is new or lost.
func mustRest(t *testing.T, body *transfer.AssetBody, in Input, out *Output) {
	t.Helper()
	in.Record, in.Current = out.Record, saved(t, out.Asset)
	again := mustTransfer(t, body, in)
	s := &again.Summary
	if s.New != 0 || s.Undone != 0 || s.Lost() != 0 || s.Conflict != out.Summary.Conflict {
		t.Errorf("run again, the first run %s, the second one %s", counts(&out.Summary), counts(s))
	}
	if !sameAsset(t, again.Asset, out.Asset) {
		a, _ := exact(t, out.Asset)
		b, _ := exact(t, again.Asset)
		n, most := 0, 0.0
		for v := range a.Len() {
			if d := a.DistanceL1(v, b, v); d > 0 {
				n, most = n+1, max(most, d)
			}
		}
		t.Errorf("run again: %d rows differ, by %g at most", n, most)
	}
	if !reflect.DeepEqual(again.Record, out.Record) {
		t.Error("run again: another record")
	}
}

func counts(s *Summary) string {
	return fmt.Sprintf("edited %d, new %d, undone %d, kept %d, carried %d, agreed %d, conflict %d, locked %d, dropped %v", s.Edited, s.New, s.Undone, s.Kept, s.Carried, s.Agreed, s.Conflict, s.Locked, s.Dropped)
}

// TestTransfer_AgainOnOtherVertices: edits at random, then the garment cut anew and the
// body changed: a second run is a no-op, and no edit is dropped for joints that are
// all there.
func TestTransfer_AgainOnOtherVertices(t *testing.T) {
	body := coxBody(t)
	moved := shifted(t, shifted(t, body, "spine_2", "spine_3", 0.6), "upper_arm.left", "upper_arm_twist.left", 0.6)
	g := smallCox().GarmentAt("jersey", 0.4)
	write := func(g *crew.Garment) *gltfio.Asset {
		return parsed(t, "jersey.glb", func(b *bytes.Buffer) error { return g.WriteGLB(b) })
	}
	order := make([]int32, len(g.Mesh.Positions))
	for v := range order {
		order[v] = int32(v)
	}
	rand.New(rand.NewPCG(1, 1)).Shuffle(len(order), func(i, k int) { order[i], order[k] = order[k], order[i] })
	garment := write(g)
	before, after := prepare(t, body), prepare(t, moved)
	for _, f := range []weights.Format{weights.Float32, weights.Uint8} {
		in := Input{Garment: "jersey", From: garment, Options: transfer.AssetOptions{Options: transfer.Options{Format: f}}}
		first := mustTransfer(t, before, in)
		artist := edited(t, first.Asset, f, 7)
		for name, from := range map[string]*gltfio.Asset{"as it was": garment, "finer": write(finer(g)), "coarser": write(coarser(g, 3)), "in another order": write(arranged(g, order))} {
			for where, b := range map[string]*transfer.AssetBody{"the same body": before, "another body": after} {
				t.Run(fmt.Sprintf("format %d, %s, %s", f, name, where), func(t *testing.T) {
					in := in
					in.From, in.Record, in.Current = from, first.Record, artist
					out := mustTransfer(t, b, in)
					if out.Summary.New == 0 || out.Record.Edits.Len() == 0 {
						t.Fatalf("tests nothing: %s", counts(&out.Summary))
					}
					if out.Summary.Dropped[DropJoints] != 0 {
						t.Errorf("no joint is gone: %s", counts(&out.Summary))
					}
					for i := range out.Record.Edits.Len() {
						if out.Record.Edits.isFaint(i) {
							t.Errorf("the record remembers an edit of vertex %d that changes nothing", out.Record.Edits.Vertex[i])
						}
					}
					mustRest(t, b, in, out)
				})
			}
		}
	}
}

// mustBeAsNever takes the locks off on the first body: the edits are there as if nothing
// had ever been locked.
func mustBeAsNever(t *testing.T, body *transfer.AssetBody, in Input, never *Output) {
	t.Helper()
	in.Options.Lock, in.Options.LockJoints = nil, nil
	out := mustTransfer(t, body, in)
	if !sameAsset(t, out.Asset, never.Asset) {
		a, _ := exact(t, out.Asset)
		b, _ := exact(t, never.Asset)
		n := 0
		for v := range a.Len() {
			if a.DistanceL1(v, b, v) > 0 {
				n++
			}
		}
		t.Errorf("without the lock %s, never locked %s; %d rows differ", counts(&out.Summary), counts(&never.Summary), n)
	}
	if !reflect.DeepEqual(out.Record.Edits, never.Record.Edits) {
		t.Errorf("without the lock the record has %d edits, never locked %d, or other ones", out.Record.Edits.Len(), never.Record.Edits.Len())
	}
}

// mustBeRows checks some rows of an asset, which are those of another: single precision
// alone lies between them.
func mustBeRows(t *testing.T, a, want *gltfio.Asset, vertex []int32) {
	t.Helper()
	x, _ := exact(t, a)
	y, _ := exact(t, want)
	for _, v := range vertex {
		if d := x.DistanceL1(int(v), y, int(v)); d > 1e-6 {
			t.Fatalf("vertex %d is off the artist's row by %g", v, d)
		}
	}
}

// TestTransfer_EditsUnderAnyLock: edits at random, passes under locks of every kind, the
// lock taken off on the first body: the edits. Under the lock the rows of the same body
// are the artist's, and a second run changes nothing.
func TestTransfer_EditsUnderAnyLock(t *testing.T) {
	body := coxBody(t)
	moved := shifted(t, shifted(t, body, "spine_2", "spine_3", 0.6), "upper_arm.left", "upper_arm_twist.left", 0.6)
	before, after := prepare(t, body), prepare(t, moved)
	garment := coxGarment(t, "jersey", 0.4)
	for _, f := range []weights.Format{weights.Float32, weights.Uint8} {
		in := Input{Garment: "jersey", From: garment, Options: transfer.AssetOptions{Options: transfer.Options{Format: f}}}
		first := mustTransfer(t, before, in)
		artist := edited(t, first.Asset, f, 11)
		in.Record, in.Current = first.Record, artist
		never := mustTransfer(t, before, in)
		if never.Summary.Kept == 0 || never.Record.Edits.Len() != never.Summary.Kept {
			t.Fatalf("tests nothing: %s", counts(&never.Summary))
		}
		for _, x := range []struct{ lock, joints []string }{
			{nil, []string{"*"}}, {nil, []string{"pelvis"}}, {nil, []string{"spine_*", "head"}},
			{[]string{"joint:upper_arm*"}, nil}, {[]string{"near:upper_arm.left:0.1"}, nil}, {[]string{"mesh:*"}, nil}, {[]string{"box:-1,1.1,-1,0,2,1"}, []string{"head"}},
		} {
			t.Run(fmt.Sprintf("format %d, lock %v, joints %v", f, x.lock, x.joints), func(t *testing.T) {
				in := in
				in.Options.Lock, in.Options.LockJoints = x.lock, x.joints
				for k, b := range []*transfer.AssetBody{before, after, before} {
					out := mustTransfer(t, b, in)
					if k == 0 && x.lock == nil { // what is around locked rows blends to them
						mustBeRows(t, out.Asset, artist, never.Record.Edits.Vertex)
					}
					if k == 1 {
						mustRest(t, b, in, out)
					}
					in.Record, in.Current = out.Record, saved(t, out.Asset)
				}
				mustBeAsNever(t, before, in, never)
			})
		}
		// Nor does a policy that gives edits up take the lock's own doing for a conflict.
		t.Run(fmt.Sprintf("format %d, take-new", f), func(t *testing.T) {
			in := in
			in.Policy.Default, in.Options.LockJoints = TakeNew, []string{"pelvis", "head"}
			out := mustTransfer(t, before, in)
			if out.Summary.Kept != never.Summary.Kept {
				t.Errorf("%s, never locked %s", counts(&out.Summary), counts(&never.Summary))
			}
			in.Record, in.Current = out.Record, saved(t, out.Asset)
			mustBeAsNever(t, before, in, never)
		})
	}
}

// TestTransfer_EditsMadeUnderALock: what is edited while joints are locked to another
// body's weights is kept as it is, as long as the transfer gives what it gave.
func TestTransfer_EditsMadeUnderALock(t *testing.T) {
	body := coxBody(t)
	moved := prepare(t, shifted(t, body, "spine_2", "spine_3", 0.6))
	in := Input{Garment: "jersey", From: coxGarment(t, "jersey", 0.4)}
	first := mustTransfer(t, prepare(t, body), in)
	in.Options.LockJoints = []string{"spine_3"}
	in.Record, in.Current = first.Record, first.Asset
	out := mustTransfer(t, moved, in)
	artist := edited(t, out.Asset, weights.Float32, 5)
	in.Record, in.Current = out.Record, artist
	out = mustTransfer(t, moved, in)
	if out.Summary.Kept == 0 || out.Summary.Carried+out.Summary.Conflict+out.Summary.Agreed != 0 {
		t.Errorf("not all are kept: %s", counts(&out.Summary))
	}
	mustBeRows(t, out.Asset, artist, out.Record.Edits.Vertex)
	mustRest(t, moved, in, out)
}

// TestTransfer_RegionsStay: a locked region holds the same vertices in every run, though
// what is around it blends to it, and a run with nothing changed is a no-op; vertices that
// the artist moves into a joint's region or out of it come and go.
func TestTransfer_RegionsStay(t *testing.T) {
	body := coxBody(t)
	moved := shifted(t, shifted(t, body, "upper_arm.left", "upper_arm_twist.left", 0.6), "spine_2", "spine_3", 0.6)
	before, after := prepare(t, body), prepare(t, moved)
	g := smallCox().GarmentAt("jersey", 0.4)
	write := func(g *crew.Garment) *gltfio.Asset {
		return parsed(t, "jersey.glb", func(b *bytes.Buffer) error { return g.WriteGLB(b) })
	}
	garment, other := write(g), write(finer(g))
	for _, f := range []weights.Format{weights.Float32, weights.Uint8} {
		in := Input{Garment: "jersey", From: garment, Options: transfer.AssetOptions{Options: transfer.Options{Format: f}}}
		first := mustTransfer(t, before, in)
		for _, spec := range []string{"joint:upper_arm.*", "joint:upper_arm*", "joint:spine_2", "near:upper_arm.left:0.1", "box:0,1.1,-1,1,2,1"} {
			t.Run(fmt.Sprintf("format %d, %s", f, spec), func(t *testing.T) {
				in := in
				in.Options.Lock = []string{spec}
				in.Record, in.Current = first.Record, saved(t, first.Asset)
				out := mustTransfer(t, after, in)
				if out.Summary.Locked == 0 || out.Summary.Locked == out.Summary.Vertices {
					t.Fatalf("tests nothing: %s", counts(&out.Summary))
				}
				mustRest(t, after, in, out)
				// Through other bodies and back the lock holds as many, and the rows that it held.
				held, _ := exact(t, out.Asset)
				for _, b := range []*transfer.AssetBody{before, after} {
					was := out
					in.Record, in.Current = out.Record, saved(t, out.Asset)
					out = mustTransfer(t, b, in)
					if out.Summary.Locked != was.Summary.Locked || !reflect.DeepEqual(out.Record.Regions, was.Record.Regions) {
						t.Errorf("%d vertices are locked on another body, were %d", out.Summary.Locked, was.Summary.Locked)
					}
				}
				now, _ := exact(t, out.Asset)
				for _, r := range out.Record.Regions {
					for _, v := range r.Vertex {
						if now.DistanceL1(int(v), held, int(v)) != 0 {
							t.Fatalf("locked vertex %d has another row", v)
						}
					}
				}
				if f == weights.Float32 {
					return
				}
				// The garment comes with other vertices.
				in.From, in.Record, in.Current = other, out.Record, saved(t, out.Asset)
				mustRest(t, after, in, mustTransfer(t, after, in))
			})
		}
	}
}

// TestTransfer_RegionOfTheArtist: the artist gives some places to the region's joint and
// takes others out of it.
func TestTransfer_RegionOfTheArtist(t *testing.T) {
	body := coxBody(t)
	after := prepare(t, shifted(t, body, "upper_arm.left", "upper_arm_twist.left", 0.6))
	in := Input{Garment: "jersey", From: coxGarment(t, "jersey", 0.6)}
	first := mustTransfer(t, prepare(t, body), in)
	in.Options.Lock = []string{"joint:upper_arm.*"}
	in.Record, in.Current = first.Record, first.Asset
	out := mustTransfer(t, after, in)
	was := out.Record.Regions[0].Vertex
	picked := entries(was, out.Summary.Vertices)
	// By place, as all vertices of one are locked alike.
	s, _ := surfaceOf(t, out.Asset)
	weld := mesh.Weld(s.Mesh, mesh.WeldTolerance(s.Mesh))
	enters, leaves := -1, int(weld.ToWelded[was[0]])
	for v, place := range weld.ToWelded {
		if row := named(s.Rows, s.Joints, v); picked[v] < 0 && row["upper_arm.left"] < 0.1 {
			enters = int(place)
		}
	}
	artist := changedRows(t, out.Asset, weights.Float32, func(place int, row map[string]float64) {
		switch place {
		case enters:
			clear(row)
			row["upper_arm.left"] = 1
		case leaves:
			clear(row)
			row["spine_2"] = 1
		}
	})
	in.Record, in.Current = out.Record, artist
	out = mustTransfer(t, after, in)
	is := entries(out.Record.Regions[0].Vertex, out.Summary.Vertices)
	for v, place := range weld.ToWelded {
		if want := int(place) == enters || picked[v] >= 0 && int(place) != leaves; (is[v] >= 0) != want {
			t.Errorf("vertex %d: locked %v, want %v", v, is[v] >= 0, want)
		}
	}
	mustRest(t, after, in, out)
}

// TestTransfer_RegionOfItsOwnWeights: the first pass locks the weights that the garment
// comes with, rows that differ in one place among them, and the second one the same.
func TestTransfer_RegionOfItsOwnWeights(t *testing.T) {
	body := coxBody(t)
	after := prepare(t, shifted(t, body, "upper_arm.left", "upper_arm_twist.left", 0.6))
	rng := rand.New(rand.NewPCG(9, 9))
	from := changedRows(t, coxWeighted(t, "jersey"), weights.Float32, func(_ int, row map[string]float64) { row["head"] += 0.05 * rng.Float64() })
	for _, f := range []weights.Format{weights.Float32, weights.Uint16, weights.Uint8} {
		for _, spec := range []string{"joint:upper_arm.*", "near:upper_arm.left:0.1"} {
			in := Input{Garment: "jersey", From: from, Options: transfer.AssetOptions{Options: transfer.Options{Format: f}, Lock: []string{spec}}}
			out := mustTransfer(t, after, in)
			if out.Summary.Locked == 0 {
				t.Fatalf("format %d, %s: %s", f, spec, counts(&out.Summary))
			}
			mustRest(t, after, in, out)
		}
	}
}
