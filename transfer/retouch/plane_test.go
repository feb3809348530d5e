package retouch

import (
	"errors"
	"math"
	"slices"
	"strings"
	"testing"

	"github.com/selvage/selvage/transfer"
	"github.com/selvage/selvage/transfer/crew"
	"github.com/selvage/selvage/transfer/gltfio"
	"github.com/selvage/selvage/transfer/internal/threejs"
	"github.com/selvage/selvage/transfer/skinning"
	"github.com/selvage/selvage/transfer/weights"
	"gonum.org/v1/gonum/spatial/r3"
)

// turns of joints about the world's axes, in degrees.
type turns map[string]r3.Vec

func (by turns) of(t *testing.T, s *skinning.Skin) skinning.Pose {
	t.Helper()
	turn := make([]r3.Vec, len(s.Joints))
	for name, degrees := range by {
		j, err := jointNamed(s, name)
		if err != nil {
			t.Fatal(err)
		}
		turn[j] = r3.Scale(math.Pi/180, degrees)
	}
	return s.TurnAll(turn)
}

// posed is a surface whose default pose is not the one that it was bound in.
func posed(t *testing.T, s *Surface, by turns) *Surface {
	t.Helper()
	pose := by.of(t, s.Skin)
	skin := &skinning.Skin{Joints: slices.Clone(s.Skin.Joints)}
	for j := range skin.Joints {
		skin.Joints[j].Global = pose[j].Mul(&skin.Joints[j].Global)
	}
	m := *s.Mesh
	m.Positions, m.Normals = pose.Points(s.Mesh.Positions, s.Rows, nil), nil
	return &Surface{Mesh: &m, Bind: s.Mesh.Positions, Rows: s.Rows, Skin: skin}
}

// boundSo is posed for a surface that was bound in the pose.
func boundSo(t *testing.T, s *Surface, by turns) *Surface {
	t.Helper()
	out := posed(t, s, by)
	out.Bind = nil
	for j := range out.Skin.Joints {
		joint := &out.Skin.Joints[j]
		joint.InverseBind, _ = joint.Global.Inverse()
	}
	return out
}

var poses = map[string]turns{
	"an arm a little lower": {"upper_arm.left": {Z: -3}},
	"arms apart":            {"upper_arm.left": {Z: -40}, "upper_arm.right": {Z: 25}, "forearm.right": {Y: 50}},
	"turned and stepping":   {"pelvis": {Y: 20}, "thigh.left": {X: -30}, "upper_arm.right": {Z: 30}, "head": {Y: 15}},
	"turned as a whole":     {"root": {Y: 10}, "thigh.right": {X: -20}, "spine_2": {Z: 4}},
}

// TestMirror_Posed: whatever the default pose, the rows are those that the bind pose
// gives.
func TestMirror_Posed(t *testing.T) {
	b := crew.NewBodyAt("cox", 0.3)
	for name, by := range poses {
		for _, fromRight := range []bool{false, true} {
			sign := -1.0
			if fromRight {
				sign = 1
			}
			s, opt, form := spoilt(b, sign), MirrorOptions{FromRight: fromRight}, Form{MaxInfluences: 8}
			want, _, err := Mirror(t.Context(), s, nil, opt, form)
			if err != nil {
				t.Fatal(err)
			}
			got, report, err := Mirror(t.Context(), posed(t, s, by), nil, opt, form)
			if err != nil {
				t.Errorf("%s: %v", name, err)
				continue
			}
			worst := 0.0
			for v := range b.Mesh.Positions {
				worst = max(worst, got.Rows.DistanceL1(v, want.Rows, v))
			}
			if worst > 16*stored || math.Abs(report.Plane) > 1e-9 || report.Doubtful > 0 || report.Far > 0 || !report.InBindPose {
				t.Errorf("%s, from right %v: L1 up to %g; plane %g, %d doubtful pairs, %d far, in the bind pose: %v", name, fromRight, worst, report.Plane, report.Doubtful, report.Far, report.InBindPose)
			}
		}
	}
}

// TestMirrorOnto_Posed: either may be posed; stored positions are not needed.
func TestMirrorOnto_Posed(t *testing.T) {
	a, b := surfaceOf(crew.NewBodyAt("cox", 0.3)), surfaceOf(crew.NewBodyAt("cox", 0.4))
	form := Form{MaxInfluences: 8}
	want, _, err := MirrorOnto(t.Context(), a, b, nil, MirrorOptions{}, form)
	if err != nil {
		t.Fatal(err)
	}
	for name, by := range poses {
		source, target := posed(t, a, by), posed(t, b, by)
		source.Bind = nil
		for which, pair := range map[string][2]*Surface{"source": {source, b}, "target": {a, target}, "both": {source, target}} {
			got, report, err := MirrorOnto(t.Context(), pair[0], pair[1], nil, MirrorOptions{}, form)
			if err != nil {
				t.Errorf("%s, %s: %v", name, which, err)
				continue
			}
			all, _ := distances(got.Rows, want.Rows)
			// Between fingers two places may be about as near; rounding decides.
			if all[len(all)*999/1000] > 1e-6 || report.Doubtful > 0 || !report.InBindPose {
				t.Errorf("%s, %s: L1 of 99.9%% up to %g; plane %g, %d doubtful pairs", name, which, all[len(all)*999/1000], report.Plane, report.Doubtful)
			}
		}
	}
}

// TestEven_Posed: as in the bind pose.
func TestEven_Posed(t *testing.T) {
	b := crew.NewBodyAt("cox", 0.3)
	s := surfaceOf(b)
	noise := rng(t, 31)
	rows := weights.NewRows(s.Rows.Len())
	for v := range s.Rows.Len() {
		joint, weight := s.Rows.Row(v)
		weight = slices.Clone(weight)
		sum := 0.0
		for i := range weight {
			weight[i] *= 0.5 + noise.Float64()
			sum += weight[i]
		}
		for i := range weight {
			weight[i] /= sum
		}
		rows.Append(joint, weight)
	}
	s.Rows = rows
	want, _, err := Even(t.Context(), s, nil, "forearm.left", "forearm_twist.left", Form{})
	if err != nil {
		t.Fatal(err)
	}
	for name, by := range poses {
		by["forearm.left"] = r3.Vec{Y: -35}
		got, _, err := Even(t.Context(), posed(t, s, by), nil, "forearm.left", "forearm_twist.left", Form{})
		if err != nil {
			t.Fatal(err)
		}
		for v := range b.Mesh.Positions {
			if d := got.Rows.DistanceL1(v, want.Rows, v); d > 1e-6 {
				t.Errorf("%s: vertex %d is %g off", name, v, d)
				break
			}
		}
		delete(by, "forearm.left")
	}
}

func TestBindFrames(t *testing.T) {
	b := surfaceOf(crew.NewBodyAt("cox", 0.3))
	change := func(f func(j *skinning.Joint)) *Surface {
		out := posed(t, b, poses["arms apart"])
		for j := range out.Skin.Joints {
			f(&out.Skin.Joints[j])
		}
		return out
	}
	quarter := skinning.RotationAbout(r3.Vec{}, r3.Vec{X: 1}, -math.Pi/2) // z up, centimetres
	for i := range quarter.M {
		quarter.M[i] *= 0.01
	}
	back, _ := quarter.Inverse()
	for _, c := range []struct {
		name  string
		s     *Surface
		posed bool
	}{
		{"default pose", b, false},
		{"posed", change(func(*skinning.Joint) {}), true},
		{"moved as a whole", posed(t, b, turns{"root": {Y: 50}}), false},
		{"another frame", change(func(j *skinning.Joint) { j.InverseBind = j.InverseBind.Mul(&quarter) }), true},
		{"bound so", boundSo(t, b, poses["arms apart"]), false},
		{"no matrices", change(func(j *skinning.Joint) { j.InverseBind = skinning.Identity() }), false},
		{"singular", change(func(j *skinning.Joint) { j.InverseBind.M = [9]float64{1} }), false},
		{"not finite", change(func(j *skinning.Joint) { j.InverseBind.T.X = math.NaN() }), false},
		{"another skeleton", change(func(j *skinning.Joint) { j.InverseBind.T = r3.Scale(float64(len(j.Name)), j.InverseBind.T) }), false},
	} {
		if got := bindFrames(c.s); (len(got) > 0) != c.posed {
			t.Errorf("%s: %d frames", c.name, len(got))
		}
	}
	// The frames of the joints, then one along the axes.
	turned := posed(t, b, turns{"root": {Y: 10}, "thigh.left": {X: -30}})
	turned.Bind = slices.Clone(turned.Bind)
	for v, p := range turned.Bind {
		turned.Bind[v] = back.Apply(p)
	}
	for j := range turned.Skin.Joints {
		turned.Skin.Joints[j].InverseBind = turned.Skin.Joints[j].InverseBind.Mul(&quarter)
	}
	frames := bindFrames(turned)
	if len(frames) != 3 {
		t.Fatalf("%d frames", len(frames))
	}
	for i, x := range quarter.M {
		if math.Abs(frames[2].M[i]-x) > 1e-12 {
			t.Fatalf("%v, want the axes of %v", frames[2], quarter)
		}
	}
	straight := inBindPose(turned, &frames[2])
	d := r3.Sub(straight.Mesh.Positions[0], b.Mesh.Positions[0])
	for v, p := range straight.Mesh.Positions {
		if r3.Norm(r3.Sub(r3.Sub(p, b.Mesh.Positions[v]), d)) > 1e-9 {
			t.Fatalf("vertex %d at %v, want %v and %v", v, p, b.Mesh.Positions[v], d)
		}
	}
}

// TestMirror_PlaneBySurface: most of the pairs are of one arm, which was bound lower
// than the other: the plane is that of the rest of the surface.
func TestMirror_PlaneBySurface(t *testing.T) {
	b := crew.NewBodyAt("cox", 0.3)
	for _, degrees := range []float64{3, 10, 40} {
		s := boundSo(t, surfaceOf(b), turns{"upper_arm.left": {Z: -degrees}})
		if m, _ := findPlane(s.Skin, 0, 0); math.Abs(m.at) < 1e-3 {
			t.Fatalf("the pairs' median is %g: no test of this", m.at)
		}
		_, report, err := Mirror(t.Context(), s, nil, MirrorOptions{AllowDoubtful: true}, Form{MaxInfluences: 8})
		if err != nil {
			t.Fatal(err)
		}
		if math.Abs(report.Plane) > 1e-9 || report.Doubtful == 0 || report.InBindPose {
			t.Errorf("%g degrees: plane %g, %d doubtful", degrees, report.Plane, report.Doubtful)
		}
		// Off 0, too.
		d := r3.Vec{X: 0.317}
		for v, p := range s.Mesh.Positions {
			s.Mesh.Positions[v] = r3.Add(p, d)
		}
		for j := range s.Skin.Joints {
			s.Skin.Joints[j].Global.T = r3.Add(s.Skin.Joints[j].Global.T, d)
		}
		if _, report, err = Mirror(t.Context(), s, nil, MirrorOptions{AllowDoubtful: true}, Form{MaxInfluences: 8}); err != nil || math.Abs(report.Plane-d.X) > 1e-6 {
			t.Errorf("%g degrees, off by %g: %+v, %v", degrees, d.X, report, err)
		}
	}
}

// TestMirror_NoNames: joints are paired by position, on a plane that the surface says,
// and that is no reason to refuse.
func TestMirror_NoNames(t *testing.T) {
	b := crew.NewBodyAt("cox", 0.3)
	for _, x := range []float64{0, -0.2} {
		s := spoilt(b, -1)
		want, _, err := Mirror(t.Context(), s, nil, MirrorOptions{}, Form{MaxInfluences: 8})
		if err != nil {
			t.Fatal(err)
		}
		s = posed(t, s, turns{})
		for v, p := range s.Mesh.Positions {
			s.Mesh.Positions[v] = r3.Add(p, r3.Vec{X: x})
		}
		for j := range s.Skin.Joints {
			s.Skin.Joints[j].Global.T.X += x
			s.Skin.Joints[j].Name = "joint " + strings.Repeat("i", j)
		}
		got, report, err := Mirror(t.Context(), s, nil, MirrorOptions{}, Form{MaxInfluences: 8})
		if err != nil {
			t.Fatal(err)
		}
		all, _ := distances(got.Rows, want.Rows)
		if all[len(all)-1] > 16*stored || math.Abs(report.Plane-x) > 1e-9 {
			t.Errorf("at %g: plane %g; L1 up to %g", x, report.Plane, all[len(all)-1])
		}
	}
}

// TestMirror_Doubtful: what is no mirror image is refused, unless the options say so.
func TestMirror_Doubtful(t *testing.T) {
	a, err := gltfio.Open(threejs.Hand(t, "left"), gltfio.Options{})
	if err != nil {
		t.Fatal(err)
	}
	read, err := a.Body(gltfio.Selection{})
	if err != nil {
		t.Fatal(err)
	}
	hand, body := &Surface{Mesh: read.Mesh, Rows: read.Rows, Skin: read.Skin}, surfaceOf(crew.NewBodyAt("cox", 0.3))
	var given [][2]string
	for j := range body.Skin.Joints {
		if name := body.Skin.Joints[j].Name; strings.HasSuffix(name, ".left") {
			given = append(given, [2]string{name, strings.Replace(name, ".left", ".right", 1)})
		}
	}
	half := 0.5
	for _, c := range []struct {
		name           string
		source, target *Surface
		opt            MirrorOptions
		far            bool
	}{
		{"a hand onto itself", hand, hand, MirrorOptions{}, false},
		{"a hand onto a body", hand, body, MirrorOptions{}, false},
		{"a plane beside the body", body, body, MirrorOptions{Plane: &half}, false},
		{"a plane beside the body, pairs given", body, body, MirrorOptions{Plane: &half, FromRight: true, Pairs: given}, true},
	} {
		mirror := func(opt MirrorOptions) (*MirrorReport, error) {
			if c.source == c.target {
				_, r, err := Mirror(t.Context(), c.source, nil, opt, Form{MaxInfluences: 8})
				return r, err
			}
			_, r, err := MirrorOnto(t.Context(), c.source, c.target, nil, opt, Form{MaxInfluences: 8})
			return r, err
		}
		var doubt *DoubtError
		if _, err := mirror(c.opt); !errors.As(err, &doubt) || 2*doubt.Doubtful <= doubt.Of || (doubt.Far > 0) != c.far || strings.Contains(err.Error(), "\n") || strings.Contains(err.Error(), "--") {
			t.Errorf("%s: %v", c.name, err)
		}
		c.opt.AllowDoubtful = true
		if r, err := mirror(c.opt); err != nil || r.Doubtful == 0 && r.Far == 0 {
			t.Errorf("%s, all the same: %+v, %v", c.name, r, err)
		}
	}
}

// TestMirror_Plane: the plane is where the options say.
func TestMirror_Plane(t *testing.T) {
	b := crew.NewBodyAt("cox", 0.3)
	zero, off, nan := 0.0, 0.003, math.NaN()
	want, _, err := Mirror(t.Context(), spoilt(b, -1), nil, MirrorOptions{}, Form{})
	if err != nil {
		t.Fatal(err)
	}
	got, _, err := Mirror(t.Context(), spoilt(b, -1), nil, MirrorOptions{Plane: &zero}, Form{})
	if err != nil || !slices.Equal(got.Rows.Weight, want.Rows.Weight) {
		t.Errorf("the plane that is found gives other rows when it is given: %v", err)
	}
	_, report, err := Mirror(t.Context(), spoilt(b, -1), nil, MirrorOptions{Plane: &off}, Form{})
	if err != nil || report.Plane != off || report.Farthest < 1e-3 {
		t.Errorf("%+v, %v", report, err)
	}
	var option *transfer.OptionError
	if _, _, err := Mirror(t.Context(), spoilt(b, -1), nil, MirrorOptions{Plane: &nan}, Form{}); !errors.As(err, &option) || option.Option != "plane" {
		t.Errorf("no number: %v", err)
	}
}
