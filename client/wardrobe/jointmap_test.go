package wardrobe

import (
	"errors"
	"reflect"
	"strings"
	"testing"

	"github.com/selvage/selvage/transfer"
)

func TestReadJointMap(t *testing.T) {
	rules, err := ReadJointMap([]byte(`# for the boat
version: 1
joints:
  - {from: "*_twist.*", to: "*.*"}
  - from: arm_*_L
    to: "*_left_arm"
`), "joints.yaml")
	if err != nil {
		t.Fatal(err)
	}
	want := []transfer.JointRule{{From: "*_twist.*", To: "*.*"}, {From: "arm_*_L", To: "*_left_arm"}}
	if !reflect.DeepEqual(rules, want) {
		t.Errorf("%v, want %v", rules, want)
	}
}

func TestReadJointMap_Faults(t *testing.T) {
	for _, c := range []struct{ name, text, want string }{
		{"empty", "", "joints.yaml:1:1: is empty"},
		{"not YAML", "version: [", "joints.yaml:1:"},
		{"a list", "- {from: a, to: b}\n", "joints.yaml:1:1: the joint map is a mapping, not a list"},
		{"no version", "joints: []\n", `joints.yaml:1:1: the joint map needs "version"`},
		{"another version", "version: 2\njoints: []\n", "joints.yaml:1:10: version is not 1"},
		{"unknown key", "version: 1\njoint: []\n", `joints.yaml:2:1: unknown key "joint" in the joint map; did you mean "joints"?`},
		{"unknown key of a rule", "version: 1\njoints:\n  - {from: a, too: b}\n", `joints.yaml:3:15: unknown key "too" in a rule for joints; did you mean "to"?`},
		{"half a rule", "version: 1\njoints:\n  - {from: a}\n", `joints.yaml:3:5: a rule for joints needs "to"`},
		{"text for a rule", "version: 1\njoints:\n  - a -> b\n", "joints.yaml:3:5: a rule for joints is a mapping, not text"},
		{"malformed glob", "version: 1\njoints:\n  - {from: \"a[\", to: b}\n", `joints.yaml:3:5: malformed pattern "a["`},
		{"captures", "version: 1\njoints:\n  - {from: a, to: \"*\"}\n", `joints.yaml:3:5: "*" may hold no * or as many as "a"`},
		{"empty name", "version: 1\njoints:\n  - {from: \"\", to: b}\n", "joints.yaml:3:12: the joint to map is empty"},
		{"twice", "version: 1\nversion: 1\njoints: []\n", "joints.yaml:2:1:"},
	} {
		t.Run(c.name, func(t *testing.T) {
			_, err := ReadJointMap([]byte(c.text), "joints.yaml")
			var fault *Fault
			if !errors.As(err, &fault) || !strings.HasPrefix(err.Error(), c.want) {
				t.Errorf("%v\nwant %s", err, c.want)
			}
		})
	}
}

func TestRead_JointMap(t *testing.T) {
	const head = "version: 1\nbodies: [{name: a, file: a.glb}]\ngarments: [{files: b.glb}]\noutput: \"{garment}.glb\"\noptions:\n"
	m, err := Read([]byte(head+"  skin: own\n  joint-map:\n    - {from: \"*_L\", to: \"left *\"}\n"), "w.yaml")
	if err != nil {
		t.Fatal(err)
	}
	var o transfer.AssetOptions
	m.Options.Apply(&o)
	if want := []transfer.JointRule{{From: "*_L", To: "left *"}}; o.Skin != transfer.SkinOwn || !reflect.DeepEqual(o.JointMap, want) {
		t.Errorf("%+v", o)
	}
	for text, want := range map[string]string{
		"  skin: mine\n":              `w.yaml:6:9: skin: "mine" is none of body, own`,
		"  joint-map: j.yaml\n":       "w.yaml:6:14: the list of joints is a list, not text",
		"  joint-map: [{from: a}]\n":  `w.yaml:6:15: a rule for joints needs "to"`,
		"  joint-map: [{form: a}]\n":  `w.yaml:6:16: unknown key "form" in a rule for joints; did you mean "from"?`,
		"  joint-maps: [{from: a}]\n": `w.yaml:6:3: unknown key "joint-maps" in options; did you mean "joint-map"?`,
		"  map-joint: [\"a=b\"]\n":    `w.yaml:6:3: unknown key "map-joint" in options`,
	} {
		if _, err := Read([]byte(head+text), "w.yaml"); err == nil || !strings.HasPrefix(err.Error(), want) {
			t.Errorf("%q: %v\nwant %s", text, err, want)
		}
	}
}
