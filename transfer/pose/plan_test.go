package pose

import (
	"errors"
	"math"
	"os"
	"reflect"
	"regexp"
	"strings"
	"testing"

	"github.com/selvage/selvage/transfer/skinning"
	"gonum.org/v1/gonum/spatial/r3"
)

// chain is a skin of joints at the points, each below the one before unless parent
// says otherwise; frames are the world's.
func chain(points []r3.Vec, names []string, parent map[int]int) *skinning.Skin {
	s := &skinning.Skin{}
	for j, p := range points {
		g := skinning.Identity()
		g.T = p
		inv, _ := g.Inverse()
		up, ok := parent[j]
		if !ok {
			up = j - 1
		}
		s.Joints = append(s.Joints, skinning.Joint{Name: names[j], Parent: up, Global: g, InverseBind: inv})
	}
	return s
}

func skeletonOf(s *skinning.Skin) *skeleton {
	out, _ := unite(s, &skinning.Skin{})
	return out
}

func TestReadPlan_Everything(t *testing.T) {
	p, err := ReadPlan([]byte(`
angles: [30, 60]
move: 0.03
scale: [0.8]
groups:
  arms: ["upper_arm.*", forearm.left]
joints:
  - joints: ["*"]
    angles: [20]
  - joints: [arms]
    range: {x: [-10, 120], y: [0, 0]}
    importance: {z: 0.25}
  - joints: [hand.left]
    skip: true
poses:
  - name: arms overhead
    importance: 0.5
    set:
      - {joints: [arms], turn: [0, 0, 90]}
      - {joints: [hand.left], move: [0.01, 0, 0], scale: [1, 2, 1]}
limits: {penetration: 0.003, bodyTurned: 7}
`), "plan.yaml")
	if err != nil {
		t.Fatal(err)
	}
	s := skeletonOf(chain([]r3.Vec{{}, {Y: 1}, {Y: 2}, {Y: 3}}, []string{"upper_arm.left", "forearm.left", "hand.left", "upper_arm.right"}, nil))
	if got := p.expander(s)([]string{"arms"}); !reflect.DeepEqual(got, []int{0, 1, 3}) {
		t.Errorf("the group stands for %v", got)
	}
	poses, err := p.sweep(s, p.expander(s), []bool{true, true, true, false}, 2, math.MaxInt)
	if err != nil {
		t.Fatal(err)
	}
	var turns []string
	for _, x := range poses {
		if x.Change == Turn && x.Joint == "forearm.left" {
			turns = append(turns, x.Name)
		}
		if x.Joint == "hand.left" || x.Joint == "upper_arm.right" {
			t.Errorf("%s is swept", x.Joint)
		}
		if x.Change == Move && math.Abs(x.Amount) != 0.03 {
			t.Errorf("moved by %g", x.Amount)
		}
		if x.Axis == "z" && x.Change == Turn && x.Importance != 0.25 {
			t.Errorf("importance %g", x.Importance)
		}
	}
	// x: 20 and -10 (cut); y: 0 both ways, which is no turn; z: both ways.
	want := []string{"forearm.left turned by 20 degrees about x", "forearm.left turned by -10 degrees about x", "forearm.left turned by 20 degrees about z", "forearm.left turned by -20 degrees about z"}
	if !reflect.DeepEqual(turns, want) {
		t.Errorf("turns %q, want %q", turns, want)
	}
	last := poses[len(poses)-1]
	if last.Name != "arms overhead" || last.Change != Whole || last.Importance != 0.5 || last.root != -1 || len(last.changes) != 5 {
		t.Errorf("whole pose: %+v", last)
	}
	l := p.Limits.withDefaults(2)
	if l.Penetration != 0.003 || l.BodyTurned != 7 || l.Gap != 0.04 {
		t.Errorf("limits %+v", l)
	}
}

func TestReadPlan_Errors(t *testing.T) {
	for _, c := range []struct {
		name, text, where, what string
	}{
		{"unknown key", "angles: [45]\nangels: [90]\n", "2:1", "angels"},
		{"unknown key deep", "joints:\n  - joints: [a]\n    rnage: {x: [0, 1]}\n", "3:5", "rnage"},
		{"repeated key", "move: 1\nmove: 2\n", "2:1", "move"},
		{"not YAML", "angles: [45\n", "1:9", ""},
		{"wrong type", "angles: [45, knee]\n", "1:14", ""},
		{"angle out of range", "angles:\n  - 45\n  - 200\n", "3:5", "200"},
		{"angle of a joint", "joints:\n  - joints: [a]\n    angles: [10, -3]\n", "3:18", "-3"},
		{"range the wrong way", "joints:\n  - joints: [a]\n    range: {y: [10, 90]}\n", "3:16", "[10, 90]"},
		{"importance", "joints:\n  - joints: [a]\n    importance: {x: 2}\n", "3:21", "2"},
		{"no joints", "joints:\n  - skip: true\n", "2:5", "names no joints"},
		{"pose without a name", "poses:\n  - set: [{joints: [a], turn: [1, 0, 0]}]\n", "2:5", "no name"},
		{"pose that sets nothing", "poses:\n  - name: idle\n", "2:5", "sets nothing"},
		{"scale", "scale: [0]\n", "1:9", "0"},
		{"limit", "limits: {gap: -1}\n", "1:15", "-1"},
		{"pattern", "joints:\n  - joints: [\"[a\"]\n", "2:14", "[a"},
		{"two documents", "angles: [45]\n---\nangles: [90]\n", "", "more than one"},
	} {
		t.Run(c.name, func(t *testing.T) {
			_, err := ReadPlan([]byte(c.text), "plan.yaml")
			var e *PlanError
			if !errors.As(err, &e) {
				t.Fatalf("error %v", err)
			}
			if c.where != "" && !strings.HasPrefix(err.Error(), "plan.yaml:"+c.where+": ") {
				t.Errorf("%v: not at %s", err, c.where)
			}
			if !strings.Contains(err.Error(), c.what) || strings.Contains(err.Error(), "\n") {
				t.Errorf("%q does not say %q in one line", err, c.what)
			}
		})
	}
	for _, text := range []string{"", "# nothing\n", "{}\n"} {
		if p, err := ReadPlan([]byte(text), "plan.yaml"); err != nil || !reflect.DeepEqual(*p, Plan{}) {
			t.Errorf("%q: %+v, %v", text, p, err)
		}
	}
}

func FuzzReadPlan(f *testing.F) {
	f.Add([]byte("angles: [45]\njoints: [{joints: [a*], range: {x: [-1, 2]}}]\n"))
	f.Add([]byte("poses: [{name: a, set: [{joints: [b], turn: [1, 2, 3]}]}]\nlimits: {gap: 1}"))
	f.Add([]byte("groups: {a: [a]}\nscale: []\nmove: 0"))
	s := skeletonOf(chain([]r3.Vec{{}, {Y: 1}}, []string{"a", "b"}, nil))
	f.Fuzz(func(t *testing.T, text []byte) {
		p, err := ReadPlan(text, "plan.yaml")
		if err != nil {
			var e *PlanError
			if !errors.As(err, &e) {
				t.Fatalf("%T: %v", err, err)
			}
			return
		}
		if err := p.Validate(); err != nil {
			t.Fatalf("read and then refused: %v", err)
		}
		poses, err := p.sweep(s, p.expander(s), []bool{true, true}, 2, math.MaxInt)
		if err != nil {
			return
		}
		for _, x := range poses {
			for _, m := range s.maps(x.changes) {
				if math.IsNaN(m.T.X) {
					t.Fatalf("%s: not a number", x.Name)
				}
			}
		}
	})
}

// A hinge's main axis is across both of its bones (common practice counts it first):
// known here by construction, the chains lie in the plane z = 0.
func TestAxisImportance_KnownGeometry(t *testing.T) {
	names := []string{"a", "b", "c", "d"}
	for _, c := range []struct {
		name   string
		points []r3.Vec
		parent map[int]int
		joint  int
		want   [3]float64
	}{
		{"bent elbow", []r3.Vec{{}, {X: 1}, {X: 2, Y: 0.3}}, nil, 1, [3]float64{twistAxis, offAxis, mainAxis}},
		{"straight elbow", []r3.Vec{{}, {X: 1}, {X: 2}}, nil, 1, [3]float64{twistAxis, mainAxis, mainAxis}},
		{"end of a chain", []r3.Vec{{}, {Y: 1}}, nil, 1, [3]float64{mainAxis, twistAxis, mainAxis}},
		{"root with one bone", []r3.Vec{{}, {Y: 1}}, nil, 0, [3]float64{mainAxis, twistAxis, mainAxis}},
		{"pelvis", []r3.Vec{{}, {Y: 1}, {X: 1, Y: -1}, {X: -1, Y: -1}}, map[int]int{1: 0, 2: 0, 3: 0}, 0, [3]float64{mainAxis, mainAxis, mainAxis}},
		{"twist joint", []r3.Vec{{}, {X: 1}, {X: 0.5}}, map[int]int{1: 0, 2: 0}, 2, [3]float64{mainAxis, noAxis, noAxis}},
		{"alone", []r3.Vec{{}}, nil, 0, [3]float64{mainAxis, mainAxis, mainAxis}},
		{"bone between axes", []r3.Vec{{}, {X: 1, Y: 1}, {X: 2, Y: 2}}, nil, 1, [3]float64{mainAxis, mainAxis, mainAxis}},
	} {
		t.Run(c.name, func(t *testing.T) {
			s := skeletonOf(chain(c.points, names, c.parent))
			if got := axisImportance(s, c.joint); got != c.want {
				t.Errorf("%v, want %v", got, c.want)
			}
		})
	}
}

// Changes of parents and children compose as the nodes of a file do: each in its own
// frame, the child's carried along.
func TestMaps_ParentAndChild(t *testing.T) {
	s := skeletonOf(chain([]r3.Vec{{}, {X: 1}}, []string{"a", "b"}, nil))
	quarter := math.Pi / 2
	m := s.maps([]change{s.turn(0, 2, quarter), s.turn(1, 2, quarter)})
	// b stands at (0,1,0) now, its own bone turned by 180 degrees in all: (2,0,0) goes
	// to (-1,1,0).
	if got := m[1].Apply(r3.Vec{X: 2}); norm(r3.Sub(got, r3.Vec{X: -1, Y: 1})) > 1e-12 {
		t.Errorf("(2,0,0) goes to %v", got)
	}
	c, ok := s.stretch(1, [3]float64{3, 1, 1})
	if got := s.maps([]change{c})[1].Apply(r3.Vec{X: 2, Y: 1}); !ok || norm(r3.Sub(got, r3.Vec{X: 4, Y: 1})) > 1e-12 {
		t.Errorf("scaled by 3 along x about (1,0,0), (2,1,0) goes to %v", got)
	}
}

// The plan in the command's help is one that can be read.
func TestReadPlan_HelpExample(t *testing.T) {
	text, err := os.ReadFile("../../cmd/selvage/check.go")
	if err != nil {
		t.Fatal(err)
	}
	_, rest, ok := strings.Cut(string(text), "poses and limits:\n\n")
	example, _, end := strings.Cut(rest, "`,")
	if !ok || !end {
		t.Fatal("no example found")
	}
	p, err := ReadPlan([]byte(example), "help")
	if err != nil {
		t.Fatal(err)
	}
	if len(p.Angles) != 2 || len(p.Joints) != 3 || len(p.Poses) != 1 || p.Limits.Stretch != 2 {
		t.Errorf("%+v", p)
	}
}

// Every kind is explained in the command's help and in the README.
func TestKinds_Documented(t *testing.T) {
	for _, file := range []string{"../../cmd/selvage/check.go", "../../README.md"} {
		text, err := os.ReadFile(file)
		if err != nil {
			t.Fatal(err)
		}
		for _, k := range Kinds() {
			if !regexp.MustCompile(`\b` + string(k) + `\b`).Match(text) {
				t.Errorf("%s does not name %s", file, string(k))
			}
		}
	}
	if n := len(Kinds()); n != 20 {
		t.Errorf("%d kinds", n)
	}
}
