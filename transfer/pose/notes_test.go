package pose

import (
	"bytes"
	"context"
	"math"
	"slices"
	"testing"

	"github.com/selvage/selvage/transfer/gltfio"
	"github.com/selvage/selvage/transfer/skinning"
	"github.com/selvage/selvage/transfer/weights"
)

func notesOf(r *Report, kind Kind) []Finding {
	var out []Finding
	for _, n := range r.Notes {
		if n.Kind == kind {
			out = append(out, n)
		}
	}
	return out
}

// A bend that one edge takes whole is too coarse, and its size is the step.
func TestNotes_CoarseBend(t *testing.T) {
	sharp := func(y float64) float64 { return math.Round(min(max(20*y+0.2, 0), 1)) }
	body := tube("limb", 0.1, 24, 60, true, sharp)
	_, r, _ := run(t, body, tube("sleeve", 0.105, 24, 60, false, sharp), nil)
	list := notesOf(r, Coarse)
	if len(list) != 2 || list[0].Size != 1 || list[1].Size != 1 || list[0].Place.Surface == list[1].Place.Surface {
		t.Fatalf("notes, one on each surface wanted: %v", list)
	}
	for _, n := range list {
		if n.Pose.Joint != "lower" || math.Abs(n.Place.Position[1]) > 0.11 {
			t.Errorf("elsewhere: %s", n.Sentence)
		}
	}
	_, r, _ = run(t, tube("limb", 0.1, 24, 60, true, ramp), tube("sleeve", 0.105, 24, 60, false, ramp), nil)
	if list := notesOf(r, Coarse); len(list) != 0 {
		t.Errorf("a bend over 30 rings is called coarse: %s", list[0].Sentence)
	}
}

// A fan of 14 triangles into one vertex of the bend is a pole; the same fan in a
// rigid part is none.
func TestNotes_Pole(t *testing.T) {
	for _, c := range []struct {
		y    float64
		want bool
	}{{0, true}, {0.8, false}} {
		body := tube("limb", 0.1, 48, 60, true, ramp)
		garment := tube("sleeve", 0.105, 48, 60, false, ramp)
		// Join a patch of vertices into one: all triangles around them meet there.
		at := int32(int((c.y+1)*30)*48 + 7)
		joined := map[int32]bool{at + 1: true, at + 2: true, at + 3: true, at + 4: true}
		for i := range garment.Mesh.Triangles {
			for k, v := range garment.Mesh.Triangles[i] {
				if joined[v] {
					garment.Mesh.Triangles[i][k] = at
				}
			}
		}
		_, r, _ := run(t, body, garment, nil)
		found := false
		for _, n := range notesOf(r, Pole) {
			found = found || n.Place.Surface == "garment" && int32(n.Place.Vertex) == at && n.Size >= 10
		}
		if found != c.want {
			t.Errorf("y = %g: pole found: %v", c.y, found)
		}
	}
}

// A twist joint half way down the bone takes over the weight along it; with even
// rings nothing is said, with one side ahead of the other the ring's range is.
func TestNotes_TwistPair(t *testing.T) {
	for _, uneven := range []float64{0, 0.4} {
		// Weights of the limb: shoulder to twist by the place along the bone, plus uneven
		// times the cosine around it.
		body := tube("limb", 0.1, 48, 60, true, ramp)
		skin := twoJoints()
		twist, hand := skin.Joints[1], skin.Joints[1]
		twist.Name, hand.Name = "twist", "hand"
		skin.Joints[0].Name = "bone"
		hand.Global.T.Y, hand.Parent = 1, 0
		hand.InverseBind, _ = hand.Global.Inverse()
		skin.Joints = []skinning.Joint{skin.Joints[0], twist, hand}
		rows := weights.NewRows(0)
		for _, p := range body.Mesh.Positions {
			s := (p.Y + 1) / 2
			around := 0.0
			if r := math.Hypot(p.X, p.Z); r > 0 {
				around = p.X / r
			}
			s = min(max(s+uneven/2*around*4*s*(1-s), 0), 1)
			rows.Append([]uint16{0, 1}, []float64{1 - s, s})
		}
		body.Rows, body.Skin = rows, skin
		_, r, _ := run(t, body, body, nil)
		list := notesOf(r, TwistUneven)
		if uneven == 0 {
			if len(list) != 0 {
				t.Errorf("even rings: %s", list[0].Sentence)
			}
			continue
		}
		if len(list) != 1 {
			t.Fatalf("%d notes", len(list))
		}
		// The range in the middle, where 4 s (1-s) is 1, is uneven itself.
		n := list[0]
		if n.Pose.Joint != "twist" || n.Pose.Axis != "y" || math.Abs(n.Size-uneven) > 0.02 || math.Abs(n.Place.Position[1]) > 0.2 {
			t.Errorf("%s, size %g", n.Sentence, n.Size)
		}
	}
}

// A garment with one influence a vertex over a body with two loses the smaller one:
// at share 1/2-e of a move of d it stands (1/2-e) d from where it should.
func TestNotes_InfluencesCut(t *testing.T) {
	body := tube("limb", 0.1, 48, 60, true, ramp)
	garment := tube("sleeve", 0.1, 48, 60, false, func(y float64) float64 { return math.Round(ramp(y)) })
	one := weights.NewRows(0)
	for _, p := range garment.Mesh.Positions {
		one.Append([]uint16{uint16(math.Round(ramp(p.Y)))}, []float64{1})
	}
	garment.Rows = one
	_, r, _ := run(t, body, garment, &Plan{Angles: []float64{90}})
	list := notesOf(r, InfluencesCut)
	if len(list) == 0 {
		t.Fatal("nothing said")
	}
	for _, n := range list {
		if n.Pose.Joint != "lower" || n.Size <= n.Limit {
			t.Errorf("%s, limit %g", n.Sentence, n.Limit)
		}
		// The share lost is at most 1/2, and a quarter turn moves a point at distance q
		// from its axis by sqrt(2) q.
		x := n.Place.Position
		lost := ramp(x[1])
		lost = min(lost, 1-lost)
		q := map[string]float64{"x": math.Hypot(x[1], x[2]), "y": math.Hypot(x[0], x[2]), "z": math.Hypot(x[0], x[1])}[n.Pose.Axis]
		if want := lost * math.Sqrt2 * q; math.Abs(n.Size-want) > 1e-7 { // the lost share is kept as float32
			t.Errorf("%s: size %g, want %g", n.Pose.Name, n.Size, want)
		}
	}
	_, r, _ = run(t, body, tube("sleeve", 0.1, 48, 60, false, ramp), &Plan{Angles: []float64{90}})
	if list := notesOf(r, InfluencesCut); len(list) != 0 {
		t.Errorf("nothing was cut: %s", list[0].Sentence)
	}
}

// The body's own line breaks where its weights jump from ring to ring, and that is a
// note, not the garment's fault.
func TestNotes_BodyJagged(t *testing.T) {
	rough := func(y float64) float64 {
		s := ramp(y)
		if k := int(math.Round((y + 1) * 30)); s > 0 && s < 1 && k%2 == 0 {
			s = min(1, s+0.3)
		}
		return s
	}
	body := tube("limb", 0.1, 48, 60, true, rough)
	_, r, _ := run(t, body, tube("sleeve", 0.105, 48, 60, false, rough), nil)
	if len(notesOf(r, BodyJagged)) == 0 {
		t.Error("nothing said of the body's lines")
	}
	for _, f := range r.Findings {
		if f.Kind == Jagged && f.Pose.Importance == 1 {
			t.Errorf("laid to the garment: %s", f.Sentence)
		}
	}
}

// TestFromAssets_IdleNames: a name that picks no mesh is said, where others pick some.
func TestFromAssets_IdleNames(t *testing.T) {
	var b bytes.Buffer
	if err := mate().WriteGLB(&b); err != nil {
		t.Fatal(err)
	}
	asset, err := gltfio.Parse(b.Bytes(), "mate.glb", gltfio.Options{})
	if err != nil {
		t.Fatal(err)
	}
	k, err := FromAssets(context.Background(), asset, asset, FileOptions{Body: gltfio.Selection{Names: []string{"*", "deckhand"}}, Garment: gltfio.Selection{Names: []string{"apron", "*"}}})
	if err != nil {
		t.Fatal(err)
	}
	if want := []string{`no skinned mesh of the body is named "deckhand"`, `no mesh of the garment is named "apron"`}; !slices.Equal(k.remarks, want) {
		t.Errorf("remarks %q, want %q", k.remarks, want)
	}
}
