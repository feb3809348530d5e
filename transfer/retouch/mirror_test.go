package retouch

import (
	"math"
	"slices"
	"strings"
	"testing"

	"github.com/selvage/selvage/transfer/crew"
	"github.com/selvage/selvage/transfer/gltfio"
	"github.com/selvage/selvage/transfer/internal/shapes"
	"github.com/selvage/selvage/transfer/internal/threejs"
	"github.com/selvage/selvage/transfer/skinning"
	"github.com/selvage/selvage/transfer/weights"
	"gonum.org/v1/gonum/spatial/r3"
)

// spoilt is a body whose rows on one side (sign of x) are nonsense.
func spoilt(b *crew.Body, sign float64) *Surface {
	rows := weights.NewRows(0)
	for v, p := range b.Mesh.Positions {
		if sign*p.X > 1e-6 {
			rows.Append([]uint16{uint16(v % 3)}, []float64{1})
		} else {
			rows.Append(b.Rows.Row(v))
		}
	}
	return &Surface{Mesh: b.Mesh, Rows: rows, Skin: b.Skin}
}

// TestMirror_Symmetric: on the crew's bodies, symmetric vertex by vertex, the other
// side's rows come back, from either side; a second time changes nothing.
func TestMirror_Symmetric(t *testing.T) {
	for _, name := range crew.Names() {
		b := theMate()
		if name != "mate" {
			b = crew.NewBodyAt(name, 0.3)
		}
		var before *weights.Rows
		for _, fromRight := range []bool{false, true} {
			sign := -1.0 // the left is +x: spoil the right
			if fromRight {
				sign = 1
			}
			out, report, err := Mirror(t.Context(), spoilt(b, sign), nil, MirrorOptions{FromRight: fromRight}, Form{MaxInfluences: 8})
			if err != nil {
				t.Fatal(err)
			}
			worst := 0.0
			for v := range b.Mesh.Positions {
				worst = max(worst, out.Rows.DistanceL1(v, b.Rows, v))
			}
			t.Logf("%s, from right %v: L1 at most %.2g, distance at most %.2g m; %d copied, %d in the middle, %d pairs", name, fromRight, worst, report.Farthest, report.Copied, report.Middle, len(report.Pairs))
			// Positions and rows are symmetric to float64 rounding; rows are stored as floats.
			if worst > 16*stored || report.Farthest > 1e-9 || report.Doubtful > 0 || report.Plane != 0 || report.Far > 0 {
				t.Errorf("%s: L1 %g; %d doubtful pairs; plane %g", name, worst, report.Doubtful, report.Plane)
			}
			for _, p := range report.Pairs {
				if want := strings.Replace(p.Joint, ".left", ".right", 1); p.Other != want {
					t.Errorf("%s: %+v", name, p)
				}
			}
			seamsEqual(t, b.Mesh, out.Rows)
			again, _, err := Mirror(t.Context(), &Surface{Mesh: b.Mesh, Rows: out.Rows, Skin: b.Skin}, nil, MirrorOptions{FromRight: !fromRight}, Form{MaxInfluences: 8})
			if err != nil || slices.Contains(again.Changed, true) {
				t.Errorf("%s: mirroring back changes rows (%v)", name, err)
			}
			if before != nil && before.Len() != out.Rows.Len() {
				t.Error("lengths")
			}
			before = out.Rows
		}
	}
}

// TestMirror_Middle: a vertex on the plane gets the mean of its row and its mirror.
func TestMirror_Middle(t *testing.T) {
	b := theMate()
	rows := weights.NewRows(0)
	l, r := -1, -1
	for j := range b.Skin.Joints {
		switch b.Skin.Joints[j].Name {
		case "thigh.left":
			l = j
		case "thigh.right":
			r = j
		}
	}
	middle := 0
	for v, p := range b.Mesh.Positions {
		if math.Abs(p.X) < 1e-9 {
			middle++
			rows.Append([]uint16{uint16(min(l, r)), uint16(max(l, r))}, []float64{0.8, 0.2})
		} else {
			rows.Append(b.Rows.Row(v))
		}
	}
	out, report, err := Mirror(t.Context(), &Surface{Mesh: b.Mesh, Rows: rows, Skin: b.Skin}, nil, MirrorOptions{}, Form{})
	if err != nil {
		t.Fatal(err)
	}
	if report.Middle != middle || middle < 20 {
		t.Errorf("%d in the middle, want %d", report.Middle, middle)
	}
	for v, p := range b.Mesh.Positions {
		if math.Abs(p.X) < 1e-9 && (math.Abs(weightOf(out.Rows, v, l)-0.5) > stored || math.Abs(weightOf(out.Rows, v, r)-0.5) > stored) {
			t.Fatalf("vertex %d: %v", v, rowOf(out.Rows, v))
		}
	}
}

// TestMirror_OtherVertices: the surface is symmetric, its vertices are not: rows are
// interpolated exactly.
func TestMirror_OtherVertices(t *testing.T) {
	b := theMate()
	m, truth := shapes.Split(b.Mesh, b.Rows, len(b.Skin.Joints), func(p r3.Vec) float64 { return -p.X - 1e-9 })
	rows := weights.NewRows(0)
	for v, p := range m.Positions {
		if p.X < -1e-6 {
			rows.Append([]uint16{0}, []float64{1})
		} else {
			rows.Append(truth.Row(v))
		}
	}
	out, report, err := Mirror(t.Context(), &Surface{Mesh: m, Rows: rows, Skin: b.Skin}, nil, MirrorOptions{}, Form{MaxInfluences: 16})
	if err != nil {
		t.Fatal(err)
	}
	worst, at := 0.0, 0
	for v := range m.Positions {
		if d := out.Rows.DistanceL1(v, truth, v); d > worst {
			worst, at = d, v
		}
	}
	t.Logf("L1 at most %.2g (at %v), %+v", worst, m.Positions[at], *report)
	// As above; barycentric coordinates are exact to 1e-9 or so of an edge.
	if worst > 1e-6 {
		t.Errorf("L1 %g from the truth", worst)
	}
}

// TestMirrorOnto_Bodies: a body of other vertices gets the mirrored rows of another;
// the crew is symmetric, so that its own rows are the truth.
func TestMirrorOnto_Bodies(t *testing.T) {
	b, other := theMate(), crew.NewBodyAt("mate", 0.6)
	out, report, err := MirrorOnto(t.Context(), surfaceOf(b), surfaceOf(other), nil, MirrorOptions{}, Form{MaxInfluences: 8})
	if err != nil {
		t.Fatal(err)
	}
	all, mean := distances(out.Rows, other.Rows)
	n := len(all)
	t.Logf("mean L1 %.4f, 99.9%% %.3f, largest %.3f, distance at most %.2g m", mean, all[n*999/1000], all[n-1], report.Farthest)
	// Both sample one smooth surface and field; linear interpolation over edges of some
	// 1 cm differs from it by their second differences. Between fingers that touch the
	// nearest surface may be the wrong one: neighbours settle that.
	if mean > 0.005 || all[n*999/1000] > 0.1 || all[n-1] > 0.3 || report.Doubtful > 0 {
		t.Errorf("mean L1 %g, 99.9%% %g, largest %g, %d doubtful pairs", mean, all[n*999/1000], all[n-1], report.Doubtful)
	}
}

// distances are the L1 distances of two sets of rows, ascending, and their mean.
func distances(a, b *weights.Rows) (all []float64, mean float64) {
	for v := range a.Len() {
		d := a.DistanceL1(v, b, v)
		all = append(all, d)
		mean += d / float64(a.Len())
	}
	slices.Sort(all)
	return all, mean
}

// TestMirrorOnto_Hands: the left of two real rigged hands (npm
// @webxr-input-profiles/assets, profile generic-hand, MIT) mirrored onto the right
// one, whose own rows are the truth.
func TestMirrorOnto_Hands(t *testing.T) {
	read := func(side string) *Surface {
		a, err := gltfio.Open(threejs.Hand(t, side), gltfio.Options{})
		if err != nil {
			t.Fatal(err)
		}
		s, err := a.Body(gltfio.Selection{})
		if err != nil {
			t.Fatal(err)
		}
		return &Surface{Mesh: s.Mesh, Rows: s.Rows, Skin: s.Skin}
	}
	left, right := read("left"), read("right")
	n := len(right.Mesh.Positions)
	for _, c := range []struct {
		name                  string
		median, percent, most float64
	}{
		// Rows change by so much over 1 mm of a finger 15 mm thick.
		{"as they stand", 0.04, 0.25, 0.6},
		// Exact but for float32 in the files, and for a few rows that the two were given
		// apart.
		{"one on the other", 2 * stored, 2e-5, 0.01},
	} {
		t.Run(c.name, func(t *testing.T) {
			if c.name == "one on the other" {
				// The files' hands stand 2 mm off each other's mirror image; their vertices are
				// mirror images of one another but for that.
				at := func(s *Surface) r3.Vec {
					j, err := jointNamed(s.Skin, "wrist")
					if err != nil {
						t.Fatal(err)
					}
					return s.Skin.Joints[j].Global.T
				}
				d := plane{}.flip(r3.Sub(at(right), plane{}.flip(at(left))))
				for v := range left.Mesh.Positions {
					left.Mesh.Positions[v] = r3.Add(left.Mesh.Positions[v], d)
				}
				for j := range left.Skin.Joints {
					left.Skin.Joints[j].Global.T = r3.Add(left.Skin.Joints[j].Global.T, d)
				}
			}
			out, report, err := MirrorOnto(t.Context(), left, right, nil, MirrorOptions{}, Form{})
			if err != nil {
				t.Fatal(err)
			}
			all, mean := distances(out.Rows, right.Rows)
			t.Logf("%d vertices, L1 mean %.2g, median %.2g, 99%% %.2g, largest %.2g; distance at most %.2g m, mean %.2g m; plane %g; %d of %d pairs doubtful",
				n, mean, all[n/2], all[n*99/100], all[n-1], report.Farthest, report.Mean, report.Plane, report.Doubtful, len(report.Pairs))
			if all[n/2] > c.median || all[n*99/100] > c.percent || all[n-1] > c.most {
				t.Error("too far from the right hand's own rows")
			}
			// Two joints of the index finger stand 3 and 7 mm off the mirrored ones.
			for _, p := range report.Pairs {
				if want := strings.HasPrefix(p.Joint, "index-finger-metacarpal") || p.Joint == "index-finger-phalanx-proximal"; want != (p.Doubt != "") {
					t.Errorf("%+v", p)
				}
			}
		})
	}
}

func TestSwapped(t *testing.T) {
	for _, c := range []struct{ name, other string }{
		{"hand.left", "hand.right"}, {"LeftHand", "RightHand"}, {"HAND_RIGHT", "HAND_LEFT"}, {"handleft", "handright"},
		{"hand_l", "hand_r"}, {"L_hand", "R_hand"}, {"hand.L.001", "hand.R.001"}, {"handL", "handR"}, {"lHand", "rHand"},
		{"LHand", "RHand"}, {"r-hand", "l-hand"}, {"l", "r"}, {"bone:L:2", "bone:R:2"}, {"arm_L2", "arm_R2"},
		{"pelvis", ""}, {"root", ""}, {"skull", ""}, {"upperLeg", ""}, {"Ball", ""}, {"ear", ""},
	} {
		names, of := swapped(c.name)
		if c.other == "" {
			if of != noSide || len(names) > 0 {
				t.Errorf("%s: %v", c.name, names)
			}
			continue
		}
		if !slices.Contains(names, c.other) {
			t.Errorf("%s: %v, want %s", c.name, names, c.other)
		}
		back, _ := swapped(c.other)
		if !slices.Contains(back, c.name) {
			t.Errorf("%s: %v, want %s", c.other, back, c.name)
		}
	}
}

func TestPairJoints(t *testing.T) {
	skin := joints(map[string]r3.Vec{
		"pelvis": {Y: 1}, "arm_l": {X: 0.3, Y: 1.4}, "arm_r": {X: -0.3, Y: 1.4},
		"hand_l": {X: 0.6, Y: 1.4}, "hand_r": {X: -0.6, Y: 1.2}, // a name pair that is no place's
		"pocket": {X: 0.2, Y: 0.9}, "pouch": {X: -0.2, Y: 0.9}, // a place's pair that is no name's
		"radio":       {X: 0.4, Y: 1.1}, // no counterpart
		"buckle.left": {Y: 1, Z: 1},     // in the middle, whatever it is called
	}, "pelvis", "arm_l", "arm_r", "hand_l", "hand_r", "pocket", "pouch", "radio", "buckle.left")
	m, leftPositive := findPlane(skin, 0, 0.001)
	if m.at != 0 || !leftPositive {
		t.Errorf("plane %+v, left positive %v", m, leftPositive)
	}
	other, list, err := pairJoints(skin, skin, m, nil, 0.02)
	if err != nil {
		t.Fatal(err)
	}
	if want := []int{0, 2, 1, 4, 3, 6, 5, 5, 8}; !slices.Equal(other, want) {
		t.Errorf("counterparts %v, want %v", other, want)
	}
	said := map[string]string{}
	for _, p := range list {
		if p.Doubt != "" {
			said[p.Joint] = p.By + ": " + p.Doubt
		}
	}
	for joint, part := range map[string]string{"hand_l": "names: the mirrored positions are 0.2 m apart", "pocket": "position: the positions make a pair", "radio": "parent: ", "buckle.left": "position: its name has a side"} {
		if !strings.HasPrefix(said[joint], part) {
			t.Errorf("%s: %q, want %q", joint, said[joint], part)
		}
	}
	if len(said) != 4 || len(list) != 6 {
		t.Errorf("%v of %v", said, list)
	}
	// A file goes before both.
	other, list, err = pairJoints(skin, skin, m, [][2]string{{"radio", "radio"}, {"hand_l", "arm_r"}}, 0.02)
	if err != nil || other[7] != 7 || other[3] != 2 || other[2] != 3 {
		t.Errorf("%v %v %v", other, list, err)
	}
	for _, wrong := range [][][2]string{{{"radio", "tv"}}, {{"radio", "pelvis"}, {"pelvis", "pouch"}}} {
		if _, _, err := pairJoints(skin, skin, m, wrong, 0.02); err == nil {
			t.Errorf("%v is taken", wrong)
		}
	}
}

// TestFindPlane: off 0, and with left and right the other way round.
func TestFindPlane(t *testing.T) {
	skin := &skinning.Skin{}
	for _, x := range []struct {
		name string
		x    float64
	}{{"arm.left", -0.1}, {"arm.right", 0.5}, {"hand.left", -0.4}, {"hand.right", 0.8}, {"foot.left", 0.1}, {"foot.right", 0.31}} {
		g := skinning.Identity()
		g.T.Z = x.x
		skin.Joints = append(skin.Joints, skinning.Joint{Name: x.name, Parent: -1, Global: g})
	}
	m, leftPositive := findPlane(skin, 2, 0.001)
	if math.Abs(m.at-0.205) > 1e-12 && math.Abs(m.at-0.2) > 1e-12 || leftPositive {
		t.Errorf("%+v, left positive %v", m, leftPositive)
	}
}

func TestReadPairs(t *testing.T) {
	got, err := ReadPairs([]byte("# hands\nhand.l: hand.r\nspine: spine\n"), "p.yaml")
	if err != nil || !slices.Equal(got, [][2]string{{"hand.l", "hand.r"}, {"spine", "spine"}}) {
		t.Errorf("%v, %v", got, err)
	}
	for _, text := range []string{"- a\n- b\n", "a: [b]\n", "a: {b: c}\n", "a: 1\n", "a: \"b\n"} {
		if _, err := ReadPairs([]byte(text), "p.yaml"); err == nil || !strings.HasPrefix(err.Error(), "p.yaml: ") {
			t.Errorf("%q: %v", text, err)
		}
	}
}
