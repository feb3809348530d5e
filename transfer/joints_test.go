package transfer

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"path"
	"reflect"
	"strings"
	"testing"

	"github.com/selvage/selvage/transfer/crew"
	"github.com/selvage/selvage/transfer/gltfio"
	"github.com/selvage/selvage/transfer/skinning"
	"github.com/selvage/selvage/transfer/weights"
	"gonum.org/v1/gonum/spatial/r3"
)

// TestJointRules_AgainstPathMatch: a rule's left side matches what path.Match of
// Go's standard library matches, for names without slashes.
func TestJointRules_AgainstPathMatch(t *testing.T) {
	const seed = 5
	rnd := rand.New(rand.NewPCG(seed, seed))
	pieces := []string{"*", "?", "a", "b", "_", ".", "é", "[ab]", "[^a]", "[a-c]", `\*`, `[\-x]`, `\é`, "+", "("}
	letters := []string{"a", "b", "c", "_", ".", "é", "*", "-", "x", "+", "("}
	word := func(list []string, n int) string {
		var s strings.Builder
		for range rnd.IntN(n) {
			s.WriteString(list[rnd.IntN(len(list))])
		}
		return s.String()
	}
	matched := 0
	for range 20_000 {
		glob, name := "a"+word(pieces, 5), "a"+word(letters, 5)
		want, err := path.Match(glob, name)
		if err != nil {
			t.Fatalf("seed %d: %q: %v", seed, glob, err)
		}
		c, err := CompileJointRules([]JointRule{{From: glob, To: "x"}})
		if err != nil {
			t.Fatalf("seed %d: %q: %v", seed, glob, err)
		}
		got := false
		c.Each(name, func(int, string) bool { got = true; return false })
		if got != want {
			t.Fatalf("seed %d: %q on %q: %t, path.Match says %t", seed, glob, name, got, want)
		}
		if want {
			matched++
		}
	}
	if matched < 1000 {
		t.Fatalf("seed %d: only %d of the pairs match", seed, matched)
	}
}

func TestJointRules_Captures(t *testing.T) {
	for _, c := range []struct {
		from, to, name, want string // want empty: no match
	}{
		{"arm_*_L", "*_left_arm", "arm_upper_L", "upper_left_arm"},
		{"arm_*_L", "*_left_arm", "arm_upper_R", ""},
		{"*_twist.*", "*.*", "forearm_twist.left", "forearm.left"},
		{"*.*", "*.*", "a.b.c", "a.b.c"},
		{"*.*", "*_x_*", "a.b.c", "a_x_b.c"}, // the first * takes as little as it can
		{"spine_?", "spine", "spine_3", "spine"},
		{"spine_[12]", "waist", "spine_3", ""},
		{`odd\**`, "*", "odd*name", "name"},
		{"rig/*", "*", "rig/hand/left", "hand/left"},
	} {
		r, err := CompileJointRules([]JointRule{{From: c.from, To: c.to}})
		if err != nil {
			t.Errorf("%s -> %s: %v", c.from, c.to, err)
			continue
		}
		got := ""
		r.Each(c.name, func(_ int, to string) bool { got = to; return true })
		if got != c.want {
			t.Errorf("%s -> %s on %s: %q, want %q", c.from, c.to, c.name, got, c.want)
		}
	}
	for _, c := range []JointRule{{"", "a"}, {"a", ""}, {"[", "a"}, {"a", "*"}, {"*_*", "*"}, {`a\`, "b"}, {`\*`, "*"}} {
		_, err := CompileJointRules([]JointRule{{"ok", "ok"}, c})
		var option *OptionError
		if !errors.As(err, &option) || option.Option != "joint-map" || !strings.Contains(option.Reason, "rule 2 ") {
			t.Errorf("%q -> %q: %v, want an OptionError about rule 2", c.From, c.To, err)
		}
	}
}

// bones is a skin of joints "name<parent" at heights 0, 1, 2, ... of x metres.
func bones(x float64, list ...string) *skinning.Skin {
	s := &skinning.Skin{}
	at := map[string]int{}
	for i, l := range list {
		name, parent, ok := strings.Cut(l, "<")
		j := skinning.Joint{Name: name, Parent: -1, Global: skinning.Identity()}
		if ok {
			j.Parent = at[parent]
		}
		j.Global.T = r3.Vec{X: x, Y: float64(i)}
		at[name] = i
		s.Joints = append(s.Joints, j)
	}
	return s
}

func TestNewJointMap(t *testing.T) {
	body := bones(0, "root", "hip<root", "arm<hip", "arm_twist<arm", "finger<arm_twist", "finger_tip<finger", "leg<hip")
	for _, c := range []struct {
		name  string
		own   *skinning.Skin
		rules []JointRule
		want  string // joint=to how, those that are in the table; ! for a doubt
	}{
		{"nothing asked", nil, nil, ""},
		{"fold into the limb", nil, []JointRule{{"*_twist", "*"}}, "arm_twist=arm rule"},
		{"first rule decides", nil, []JointRule{{"arm_*", "hip"}, {"*_twist", "arm"}}, "arm_twist=hip rule"},
		{"a capture that leads nowhere", nil, []JointRule{{"*_tip", "no_*"}}, "finger_tip=finger_tip name!"},
		{"the next rule after a capture that leads nowhere", nil, []JointRule{{"*_tip", "no_*"}, {"*_tip", "*"}}, "finger_tip=finger rule"},
		{"by name", bones(0, "root", "hip<root", "arm<hip", "arm_twist<arm", "finger<arm_twist", "finger_tip<finger", "leg<hip"), nil,
			"root=root name hip=hip name arm=arm name arm_twist=arm_twist name finger=finger name finger_tip=finger_tip name leg=leg name"},
		{"without twist and fingers", bones(0, "root", "hip<root", "arm<hip"), nil,
			"root=root name hip=hip name arm=arm name arm_twist=arm ancestor finger=arm ancestor finger_tip=arm ancestor leg=hip ancestor"},
		{"other names", bones(0, "base", "pelvis<base", "upper<pelvis"), []JointRule{{"root", "base"}, {"hip", "pelvis"}, {"arm", "upper"}, {"leg", "thigh"}},
			"root=base rule hip=pelvis rule arm=upper rule arm_twist=upper ancestor finger=upper ancestor finger_tip=upper ancestor leg=pelvis ancestor!"},
		// root and hip have no mapped ancestor: finger_tip's counterpart lies at height 0,
		// root's own, finger's at height 1, hip's.
		{"only the ends", bones(0, "finger_tip", "finger", "leg"), nil,
			"root=finger_tip nearest! hip=finger nearest! arm=leg nearest! arm_twist=leg nearest! finger=finger name! finger_tip=finger_tip name! leg=leg name!"},
		{"moved", bones(0.5, "root", "hip<root", "arm<hip"), nil,
			"root=root name! hip=hip name! arm=arm name! arm_twist=arm ancestor finger=arm ancestor finger_tip=arm ancestor leg=hip ancestor"},
		{"two of one name", bones(0, "root", "root"), nil,
			"root=root name! hip=root ancestor arm=root ancestor arm_twist=root ancestor finger=root ancestor finger_tip=root ancestor leg=root ancestor"},
	} {
		t.Run(c.name, func(t *testing.T) {
			m, err := newJointMap(body, c.own, c.rules, 2)
			if err != nil {
				t.Fatal(err)
			}
			var got []string
			if m != nil {
				for _, l := range m.table {
					s := fmt.Sprintf("%s=%s %s", l.Joint, l.To, l.How)
					if l.Doubt != "" {
						s += "!"
					}
					got = append(got, s)
				}
			}
			if s := strings.Join(got, " "); s != c.want {
				t.Errorf("\n%s\nwant\n%s", s, c.want)
			}
		})
	}
	for name, c := range map[string]struct {
		own   *skinning.Skin
		rules []JointRule
		want  string
	}{
		"nothing in common":      {bones(0, "a", "b"), nil, "no joint of the body is mapped"},
		"the body lacks a joint": {nil, []JointRule{{"arm", "wing"}}, `the body has no joint "wing"`},
	} {
		_, err := newJointMap(body, c.own, c.rules, 2)
		var option *OptionError
		if !errors.As(err, &option) || !strings.Contains(option.Reason, c.want) {
			t.Errorf("%s: %v, want %q", name, err, c.want)
		}
	}
}

// TestJointMap_Apply: mapped rows are the rows times a 0/1 matrix, and their mean by
// line is the table's weight.
func TestJointMap_Apply(t *testing.T) {
	const seed = 8
	rnd := rand.New(rand.NewPCG(seed, seed))
	body := bones(0, "root", "hip<root", "arm<hip", "arm_twist<arm", "finger<arm_twist", "finger_tip<finger", "leg<hip")
	m, err := newJointMap(body, bones(0, "arm", "leg", "hip"), nil, 2)
	if err != nil {
		t.Fatal(err)
	}
	rows := weights.NewRows(0)
	for range 200 {
		var joint []uint16
		var weight []float64
		for j := range body.Joints {
			if rnd.IntN(2) == 0 {
				joint, weight = append(joint, uint16(j)), append(weight, rnd.Float64())
			}
		}
		rows.Append(joint, weight)
	}
	out, guessed, err := m.apply(context.Background(), rows)
	if err != nil {
		t.Fatal(err)
	}
	mean := make([]float64, len(body.Joints))
	for v := range rows.Len() {
		want, root := make([]float64, 3), 0.0
		joint, weight := rows.Row(v)
		for i, j := range joint {
			want[m.to[j]] += weight[i]
			mean[j] += weight[i] / float64(rows.Len())
			if j == 0 {
				root = weight[i] // the only joint without a mapped ancestor
			}
		}
		got := make([]float64, 3)
		joint, weight = out.Row(v)
		for i, j := range joint {
			got[j] = weight[i]
		}
		for j := range want {
			if math.Abs(got[j]-want[j]) > 1e-12 {
				t.Fatalf("seed %d, vertex %d: %v, want %v", seed, v, got, want)
			}
		}
		if guessed[v] != root {
			t.Fatalf("seed %d, vertex %d: %g guessed, want %g", seed, v, guessed[v], root)
		}
	}
	for j, l := range m.table {
		if math.Abs(l.Weight-mean[j]) > 1e-12 {
			t.Errorf("seed %d: %s: weight %g, want %g", seed, l.Joint, l.Weight, mean[j])
		}
	}
}

// reread writes an asset and reads it again.
func reread(t *testing.T, a *gltfio.Asset) *gltfio.Asset {
	t.Helper()
	return asset(t, a.Name, func(w *bytes.Buffer) error { return a.Encode(w) })
}

func garmentSurface(t *testing.T, a *gltfio.Asset) *gltfio.Surface {
	t.Helper()
	s, err := a.Garment(gltfio.Selection{})
	if err != nil {
		t.Fatal(err)
	}
	return s
}

func prepareCrew(t *testing.T, b *crew.Body) *AssetBody {
	t.Helper()
	body, err := PrepareAsset(context.Background(), asset(t, b.Name, func(w *bytes.Buffer) error { return b.WriteGLB(w) }), gltfio.Selection{}, 0)
	if err != nil {
		t.Fatal(err)
	}
	return body
}

// TestAssetBody_OwnSkin: a coat with a skeleton of its own, without twist joints and
// fingers and with the joints called otherwise, takes the full body's weights over
// its own joints. Its skin stays as it is, it stands where it stood, and its rows are
// those that a body with its skeleton would give.
func TestAssetBody_OwnSkin(t *testing.T) {
	ctx := context.Background()
	full := crew.NewBody("cox")
	twistless := full.WithSkeleton(full.WithoutTwist())
	reduced := twistless.WithSkeleton(twistless.WithoutFingers())
	own := reduced.WithSkeleton(reduced.Renamed(func(s string) string { return "rig " + s }))
	coat := asset(t, "coat.glb", func(w *bytes.Buffer) error { return full.GarmentAt("oilskin coat", 0.5).WriteGLB(w) })
	worn, ideal, err := prepareCrew(t, own).Transfer(ctx, coat, AssetOptions{})
	if err != nil {
		t.Fatal(err)
	}
	worn = reread(t, worn)
	before := garmentSurface(t, worn)
	body := prepareCrew(t, full)
	opt := AssetOptions{Skin: SkinOwn}
	opt.JointMap = []JointRule{{"*", "rig *"}}
	made, r, err := body.Transfer(ctx, worn, opt)
	if err != nil {
		t.Fatal(err)
	}
	after := garmentSurface(t, reread(t, made))

	if !reflect.DeepEqual(after.Skin, before.Skin) || !reflect.DeepEqual(after.JointNode, before.JointNode) {
		t.Error("the skin is another one")
	}
	if len(after.Skin.Joints) != len(own.Skin.Joints) {
		t.Errorf("%d joints, the skeleton has %d", len(after.Skin.Joints), len(own.Skin.Joints))
	}
	size := before.Mesh.Diagonal()
	total := 0.0
	for v, p := range before.Mesh.Positions {
		// Float32 positions round at 6e-8 of their size.
		if d := r3.Norm(r3.Sub(p, after.Mesh.Positions[v])); d > 1e-6*size {
			t.Fatalf("vertex %d moved by %g of the garment's size", v, d/size)
		}
		total += r.Rows.DistanceL1(v, ideal.Rows, v)
	}
	// The two ways differ in what the limit of influences drops (before the joints
	// meet, or after): a tenth of what the pruning of a percent would.
	mean := total / float64(len(before.Mesh.Positions))
	t.Logf("mean L1 between mapped rows and those of a body with the same skeleton: %.4f", mean)
	if mean > 0.002 {
		t.Errorf("mean L1 %g", mean)
	}
	// The table names every joint of the body and adds up to all of the weight.
	sum := 0.0
	for _, l := range r.Summary.JointMap {
		sum += l.Weight
		if want := map[bool]MappedBy{true: MappedByAncestor, false: MappedByRule}[strings.Contains(l.Joint, "_twist") || strings.Contains("thumb index middle ring little", strings.SplitN(l.Joint, "_", 2)[0])]; l.How != want {
			t.Errorf("%s: by %s, want %s", l.Joint, l.How, want)
		}
		if l.How == MappedByRule && (l.To != "rig "+l.Joint || l.Distance > 1e-6) {
			t.Errorf("%s goes to %s, %g m away", l.Joint, l.To, l.Distance)
		}
	}
	if len(r.Summary.JointMap) != len(full.Skin.Joints) || math.Abs(sum-1) > 1e-6 {
		t.Errorf("the table has %d lines, %g of the weight", len(r.Summary.JointMap), sum)
	}
	if !strings.Contains(strings.Join(r.Summary.Notes, "\n"), "went to ancestors of joints that the garment's skin lacks") {
		t.Errorf("notes %q", r.Summary.Notes)
	}

	// Without the map no joint has a counterpart, and a bare garment has no skin.
	for name, c := range map[string]struct {
		garment *gltfio.Asset
		want    string
	}{"no map": {worn, "no joint of the body is mapped"}, "no skin": {coat, "has no skin of its own"}} {
		_, _, err := body.Transfer(ctx, c.garment, AssetOptions{Skin: SkinOwn})
		var option *OptionError
		if !errors.As(err, &option) || !strings.Contains(option.Reason, c.want) {
			t.Errorf("%s: %v, want %q", name, err, c.want)
		}
	}
}

// TestAssetBody_OwnSkinKeepsChain: joints of the garment alone keep their weight
// beside the mapped ones.
func TestAssetBody_OwnSkinKeepsChain(t *testing.T) {
	ctx := context.Background()
	mate := crew.NewBody("mate")
	helped := mate.WithSkeleton(mate.WithHelpers()) // stands in for a garment's chain
	jersey := asset(t, "jersey.glb", func(w *bytes.Buffer) error { return mate.GarmentAt("jersey", 0.5).WriteGLB(w) })
	worn, _, err := prepareCrew(t, helped).Transfer(ctx, jersey, AssetOptions{})
	if err != nil {
		t.Fatal(err)
	}
	worn = reread(t, worn)
	before := garmentSurface(t, worn)
	made, _, err := prepareCrew(t, mate).Transfer(ctx, worn, AssetOptions{Skin: SkinOwn, KeepJoints: []string{"*"}, Options: Options{MaxInfluences: 8}})
	if err != nil {
		t.Fatal(err)
	}
	after := garmentSurface(t, reread(t, made))
	if !reflect.DeepEqual(after.Skin, before.Skin) {
		t.Error("the skin is another one")
	}
	helper := func(s *gltfio.Surface, v int) (sum float64) {
		joint, weight := s.Rows.Row(v)
		for i, j := range joint {
			if strings.Contains(s.Skin.Joints[j].Name, "_helper") {
				sum += weight[i]
			}
		}
		return sum
	}
	held := 0
	for v := range before.Mesh.Positions {
		a, b := helper(before, v), helper(after, v)
		if math.Abs(a-b) > 0.01 {
			t.Fatalf("vertex %d: %g on the kept joints, had %g", v, b, a)
		}
		if a > 0.1 {
			held++
		}
	}
	if held == 0 {
		t.Error("no vertex is held by a kept joint: the test tests nothing")
	}
}

// TestTransfer_JointMapOntoItself: twist joints folded into their limbs leave
// nothing behind, and the rows are those of a body without them.
func TestTransfer_JointMapOntoItself(t *testing.T) {
	b := crew.NewBody("cox")
	skeleton := b.WithoutTwist()
	g := b.GarmentAt("jersey", 0.5)
	of := func(b *crew.Body) *Body { return &Body{Name: b.Name, Mesh: b.Mesh, Rows: b.Rows, Skin: b.Skin} }
	garment := &Garment{Name: g.Name, Mesh: g.Mesh}
	folded, err := Transfer(context.Background(), of(b), garment, Options{JointMap: []JointRule{{"*_twist.*", "*.*"}}})
	if err != nil {
		t.Fatal(err)
	}
	ideal, err := Transfer(context.Background(), of(b.WithSkeleton(skeleton)), garment, Options{})
	if err != nil {
		t.Fatal(err)
	}
	name := func(s *skinning.Skin, r *weights.Rows, v int) map[string]float64 {
		m := map[string]float64{}
		joint, weight := r.Row(v)
		for i, j := range joint {
			m[s.Joints[j].Name] += weight[i]
		}
		return m
	}
	total := 0.0
	for v := range garment.Mesh.Positions {
		x, y := name(b.Skin, folded.Rows, v), name(skeleton.Skin, ideal.Rows, v)
		for j, w := range x {
			if strings.Contains(j, "_twist") {
				t.Fatalf("vertex %d: %g on %s", v, w, j)
			}
			total += math.Abs(w - y[j])
		}
	}
	if mean := total / float64(len(garment.Mesh.Positions)); mean > 0.002 { // as in TestAssetBody_OwnSkin
		t.Errorf("mean L1 %g between folded rows and those of a body without twist joints", mean)
	}
	if n := len(folded.Summary.JointMap); n != 4 {
		t.Errorf("%d lines in the table, want 4 twist joints", n)
	}
	// A map of joints onto themselves changes nothing.
	plain, err := Transfer(context.Background(), of(b), garment, Options{})
	if err != nil {
		t.Fatal(err)
	}
	same, err := Transfer(context.Background(), of(b), garment, Options{JointMap: []JointRule{{"*", "*"}}})
	if err != nil {
		t.Fatal(err)
	}
	if !reflect.DeepEqual(plain.Rows, same.Rows) || !reflect.DeepEqual(plain.Confidence, same.Confidence) {
		t.Error("a map onto itself changes rows")
	}
}
