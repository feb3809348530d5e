package wardrobe

import (
	"bytes"
	"errors"
	"fmt"
	"path/filepath"
	"strings"
	"testing"

	"github.com/santhosh-tekuri/jsonschema/v6"

	"github.com/selvage/selvage/transfer"
	"github.com/selvage/selvage/transfer/weights"
)

// head and tail of a manifest that is good without more.
const (
	bodiesPart   = "bodies: [{name: cox, file: cox/body.glb}]\n"
	garmentsPart = "garments: [{files: cox/*.glb}]\n"
	outputPart   = "output: out/{body}/{garment}.glb\n"
	goodManifest = "version: 1\n" + bodiesPart + garmentsPart + outputPart
)

// withOptions is a good manifest with options.
func withOptions(s string) string { return goodManifest + "options: " + s + "\n" }

// manifests good and bad. fault is part of the parser's message and where it is
// said to be; beyond says that a schema cannot know.
var manifests = []struct {
	name, text, fault string
	line, column      int
	beyond            bool
}{
	{name: "least", text: goodManifest},
	{name: "all", text: `version: 1
bodies:
  - name: cox
    file: cox/body.glb
    meshes: cox*
  - {name: mate, file: mate/body.gltf, meshes: [body, "skin?"]}
garments:
  - files: ["**/*.glb", "**/*.gltf"]
    except: [old/*]
    meshes: ["*"]
    bodies: cox
    options: {reach: 0.2, falloff: -1, fill: biharmonic, loose: on, loose-name: [cape], rigid: off, rigid-name: button*}
  - name: "sou'wester"
    files: hats/s.glb
layers: [jersey, "oilskin*"]
options: {registration: auto, allow-joint: [a], deny-joint: [b], keep-joint: ["tail_*"], max-influences: 8, prune-below: 1e-3, format: u16, plain: true, threads: 3}
output: out/{body}/{garment}{ext}
report: out/{body}.html
`},
	{name: "edits", text: "version: 1\n" + bodiesPart + `garments:
  - files: a.glb
    on-conflict: take-new
    locks: ["joint:tail_*", _KEEP]
    lock-joints: tail_*
  - files: b.glb
    conflict-rules: []
    locks: []
passes: passes/{body}
on-conflict: keep-change
conflict-rules: ["joint:spine_*=take-new", "garment:oil*=keep-edit", "mask:_SOFT=keep-change"]
locks: "near:hand_*:0.02"
lock-joints: [a, "b*"]
lock-blend: -1
` + outputPart},
	{name: "layers found", text: goodManifest + "layers: found\n"},
	{name: "no layers", text: goodManifest + "layers: off\n"},
	{name: "empty options", text: goodManifest + "options:\nlayers:\n"},
	{name: "list taken back", text: withOptions("{deny-joint: []}")},
	{name: "whole number with a point", text: withOptions("{max-influences: 4.0}")},
	{name: "anchor and merge", text: "version: 1\n" + bodiesPart + outputPart + "options: &all {reach: 0.1}\ngarments: [{files: a.glb, options: {<<: *all, reach: 0.2}}]\n"},
	{name: "upper-case endings", text: "version: 1\n" + bodiesPart + garmentsPart + "output: \"{garment}.GLB\"\nreport: a.HTM\n"},

	{name: "a list", text: "- 1\n", fault: "the manifest is a mapping", line: 1, column: 1},
	{name: "no version", text: bodiesPart + garmentsPart + outputPart, fault: `needs "version"`, line: 1, column: 1},
	{name: "version 2", text: "version: 2\n" + bodiesPart + garmentsPart + outputPart, fault: "version is not 1", line: 1, column: 10},
	{name: "version as text", text: "version: '1'\n" + bodiesPart + garmentsPart + outputPart, fault: "version is not 1", line: 1, column: 10},
	{name: "no bodies", text: "version: 1\n" + garmentsPart + outputPart, fault: `needs "bodies"`, line: 1, column: 1},
	{name: "empty bodies", text: "version: 1\nbodies: []\n" + garmentsPart + outputPart, fault: "bodies is empty", line: 2, column: 9},
	{name: "body without file", text: "version: 1\nbodies:\n  - name: cox\n" + garmentsPart + outputPart, fault: `needs "file"`, line: 3, column: 5},
	{name: "body name with a slash", text: "version: 1\nbodies: [{name: a/b, file: b.glb}]\n" + garmentsPart + outputPart, fault: "part of a path", line: 2, column: 17},
	{name: "body name of dots", text: "version: 1\nbodies: [{name: .., file: b.glb}]\n" + garmentsPart + outputPart, fault: "part of a path", line: 2, column: 17},
	{name: "garment without files", text: "version: 1\n" + bodiesPart + "garments:\n  - name: hat\n" + outputPart, fault: `needs "files"`, line: 4, column: 5},
	{name: "files as number", text: "version: 1\n" + bodiesPart + "garments: [{files: 3}]\n" + outputPart, fault: "is a list, not a number", line: 3, column: 20},
	{name: "empty files", text: "version: 1\n" + bodiesPart + "garments: [{files: []}]\n" + outputPart, fault: "is empty", line: 3, column: 20},
	{name: "empty glob", text: "version: 1\n" + bodiesPart + "garments: [{files: ['']}]\n" + outputPart, fault: "is empty", line: 3, column: 21},
	{name: "unknown key", text: goodManifest + "optoins: {}\n", fault: `did you mean "options"`, line: 5, column: 1},
	{name: "unknown key of a body", text: "version: 1\nbodies: [{name: a, file: b, mesh: c}]\n" + garmentsPart + outputPart, fault: `unknown key "mesh"`, line: 2, column: 29},
	{name: "unknown option", text: withOptions("{raech: 1}"), fault: `did you mean "reach"`, line: 5, column: 11},
	{name: "locks as a mapping", text: goodManifest + "locks: {}\n", fault: "locks is a list, not a mapping", line: 5, column: 8},
	{name: "lock blend as text", text: goodManifest + "lock-blend: wide\n", fault: "is a number, not text", line: 5, column: 13},
	{name: "passes of a garment", text: "version: 1\n" + bodiesPart + "garments: [{files: a.glb, passes: p}]\n" + outputPart, fault: `unknown key "passes"`, line: 3, column: 27},
	{name: "passes as a number", text: goodManifest + "passes: 1\n", fault: "is text, not a number", line: 5, column: 9},
	{name: "passes with a strange brace", text: goodManifest + "passes: \"{garment}\"\n", fault: "braces hold {body} only", line: 5, column: 9},
	{name: "unknown choice", text: goodManifest + "passes: p\non-conflict: mine\n", fault: `"mine" is none of keep-edit`, line: 6, column: 14},
	{name: "rule for conflicts", text: goodManifest + "passes: p\nconflict-rules: [arm=take-new]\n", fault: "is not joint:GLOB=WORD", line: 6, column: 18},
	{name: "unknown choice of a rule", text: goodManifest + "passes: p\nconflict-rules: ['joint:a=b']\n", fault: `"b" is none of`, line: 6, column: 18},
	{name: "reach below 0", text: withOptions("{reach: -1}"), fault: "reach: -1 is outside", line: 5, column: 18},
	{name: "reach as text", text: withOptions("{reach: far}"), fault: "reach is a number, not text", line: 5, column: 18},
	{name: "nine influences", text: withOptions("{max-influences: 9}"), fault: "9 is outside 0..8", line: 5, column: 27},
	{name: "half an influence", text: withOptions("{max-influences: 1.5}"), fault: "a whole number", line: 5, column: 27},
	{name: "prune-below too large", text: withOptions("{prune-below: 0.6}"), fault: "0.6 is above 0.5", line: 5, column: 24},
	{name: "threads below 0", text: withOptions("{threads: -1}"), fault: "-1 is outside", line: 5, column: 20},
	{name: "unknown word", text: withOptions("{fill: cubic}"), fault: `"cubic" is none of harmonic, biharmonic`, line: 5, column: 17},
	{name: "a flag for a word", text: withOptions("{loose: true}"), fault: "one of auto, on, off", line: 5, column: 18},
	{name: "a word for a flag", text: withOptions("{plain: on}"), fault: "true or false", line: 5, column: 18},
	{name: "name list of numbers", text: withOptions("{deny-joint: [1]}"), fault: "is text, not a number", line: 5, column: 24},
	{name: "options as a list", text: withOptions("[reach]"), fault: "options is a mapping, not a list", line: 5, column: 10},
	{name: "output without a garment", text: "version: 1\n" + bodiesPart + garmentsPart + "output: out.glb\n", fault: "needs {garment}", line: 4, column: 9},
	{name: "output of no glTF", text: "version: 1\n" + bodiesPart + garmentsPart + "output: \"{garment}.obj\"\n", fault: "ends in neither", line: 4, column: 9},
	{name: "output with a strange brace", text: "version: 1\n" + bodiesPart + garmentsPart + "output: \"{coat}/{garment}.glb\"\n", fault: "braces hold", line: 4, column: 9},
	{name: "report of no HTML", text: goodManifest + "report: a.pdf\n", fault: "neither .html nor .htm", line: 5, column: 9},
	{name: "layers as another word", text: goodManifest + "layers: jersey\n", fault: `"jersey" is none of off, found`, line: 5, column: 9},
	{name: "layers as a number", text: goodManifest + "layers: 3\n", fault: "layers is a list, not a number", line: 5, column: 9},
	{name: "merged number", text: "version: 1\n" + bodiesPart + outputPart + "options: &all {reach: x}\ngarments: [{files: a.glb}]\n", fault: "reach is a number", line: 4, column: 23},

	{name: "two bodies of a name", text: "version: 1\nbodies:\n  - {name: a, file: b}\n  - {name: a, file: c}\n" + garmentsPart + outputPart, fault: `two bodies are named "a"`, line: 4, column: 5, beyond: true},
	{name: "malformed glob", text: "version: 1\n" + bodiesPart + "garments: [{files: 'a[.glb'}]\n" + outputPart, fault: "malformed pattern", line: 3, column: 20, beyond: true},
	{name: "malformed layer", text: goodManifest + "layers: ['[']\n", fault: "malformed pattern", line: 5, column: 10, beyond: true},
	{name: "malformed region", text: goodManifest + "locks: ['near:hand']\n", fault: "near:", line: 5, column: 9, beyond: true},
	{name: "malformed locked joint", text: goodManifest + "lock-joints: ['[']\n", fault: "malformed pattern", line: 5, column: 15, beyond: true},
	{name: "malformed rule for conflicts", text: goodManifest + "passes: p\nconflict-rules: ['joint:[=take-new']\n", fault: "malformed pattern", line: 6, column: 18, beyond: true},
	{name: "choice without passes", text: goodManifest + "on-conflict: take-new\n", fault: `need "passes"`, line: 5, column: 14, beyond: true},
	{name: "rules of a garment without passes", text: "version: 1\n" + bodiesPart + "garments: [{files: a.glb, conflict-rules: []}]\n" + outputPart, fault: `need "passes"`, line: 3, column: 43, beyond: true},
	{name: "malformed option", text: withOptions("{keep-joint: 'a['}"), fault: "malformed pattern", line: 5, column: 23, beyond: true},
}

// plainValue is a tree as a JSON library would have it.
func plainValue(n *node) any {
	switch v := n.value.(type) {
	case []*node:
		list := []any{}
		for _, x := range v {
			list = append(list, plainValue(x))
		}
		return list
	case []entry:
		m := map[string]any{}
		for _, e := range v {
			m[e.key] = plainValue(e.value)
		}
		return m
	case int64:
		return float64(v)
	}
	return n.value
}

// TestRead_AgreesWithSchema holds parser and schema together; the schema is judged
// by an independent validator (github.com/santhosh-tekuri/jsonschema, draft
// 2020-12).
func TestRead_AgreesWithSchema(t *testing.T) {
	doc, err := jsonschema.UnmarshalJSON(bytes.NewReader(Schema))
	if err != nil {
		t.Fatal(err)
	}
	c := jsonschema.NewCompiler()
	c.AssertFormat()
	if err := c.AddResource("schema.json", doc); err != nil {
		t.Fatal(err)
	}
	schema, err := c.Compile("schema.json")
	if err != nil {
		t.Fatal(err)
	}
	for _, m := range manifests {
		t.Run(m.name, func(t *testing.T) {
			_, err := Read([]byte(m.text), "w.yaml")
			if m.fault == "" && err != nil {
				t.Fatalf("a good manifest: %v", err)
			}
			if m.fault != "" {
				var f *Fault
				if !errors.As(err, &f) || !strings.Contains(f.What, m.fault) || f.Line != m.line || f.Column != m.column {
					t.Errorf("error %v, want w.yaml:%d:%d with %q", err, m.line, m.column, m.fault)
				}
			}
			root, err := readTree([]byte(m.text), "w.yaml")
			if err != nil {
				t.Fatal(err)
			}
			err = schema.Validate(plainValue(root))
			if want := m.fault == "" || m.beyond; (err == nil) != want {
				t.Errorf("the schema says %v, valid should be %v", err, want)
			}
		})
	}
}

// TestRead_Syntax: texts that are no YAML to read at all.
func TestRead_Syntax(t *testing.T) {
	for _, c := range []struct {
		name, text, fault string
		line              int
	}{
		{"empty", "", "is empty", 1},
		{"comment alone", "# nothing\n", "is empty", 1},
		{"key twice", "version: 1\nversion: 1\n", "already defined", 2},
		{"two documents", goodManifest + "---\na: 1\n", "more than one", 6},
		{"open list", "version: [1\n", "", 1},
		{"tag", "version: !!int 1\n", "tags", 1},
		{"no anchor", "version: *x\n", "no anchor", 1},
		{"infinity", withOptions("{reach: .inf}"), "finite", 5},
		{"too large", withOptions("{reach: 1e999}"), "finite", 5},
		{"deep", "version: " + strings.Repeat("[", 40) + strings.Repeat("]", 40) + "\n", "nested", 1},
	} {
		t.Run(c.name, func(t *testing.T) {
			_, err := Read([]byte(c.text), "w.yaml")
			var f *Fault
			if !errors.As(err, &f) || !strings.Contains(f.What, c.fault) || f.Line != c.line {
				t.Errorf("%v; want line %d, %q", err, c.line, c.fault)
			}
		})
	}
}

// TestOptions_GarmentOverDefaults: a garment's options win, key by key.
// TestRead_ByteOrderMark: the mark that some editors write is no part of the text.
func TestRead_ByteOrderMark(t *testing.T) {
	text := "version: 1\nbodies: [{name: cox, file: a.glb}]\ngarments: [{files: b.glb}]\noutput: out/{garment}.glb\n"
	if _, err := Read([]byte("\ufeff"+text), "w.yaml"); err != nil {
		t.Error(err)
	}
	if _, err := Read([]byte("\ufeffvers: 1\n"+text), "w.yaml"); err == nil || !strings.Contains(err.Error(), `w.yaml:1:1: unknown key "vers"`) {
		t.Errorf("%v", err)
	}
	if _, err := Read([]byte("\ufeff"), "w.yaml"); err == nil || !strings.Contains(err.Error(), "is empty") {
		t.Errorf("%v", err)
	}
}

func TestOptions_GarmentOverDefaults(t *testing.T) {
	m, err := Read([]byte(`version: 1
bodies: [{name: cox, file: b.glb}]
garments: [{files: a.glb, options: {reach: 0, loose: off, deny-joint: []}}]
options: {reach: 0.3, loose: on, deny-joint: [x], format: u8, max-influences: 8}
output: "{garment}.glb"
`), "w.yaml")
	if err != nil {
		t.Fatal(err)
	}
	var o transfer.AssetOptions
	m.Options.Apply(&o)
	m.Garments[0].Options.Apply(&o)
	if o.Reach != 0 || o.Loose != transfer.Off || o.DenyJoints != nil || o.Format != weights.Uint8 || o.MaxInfluences != 8 {
		t.Errorf("options %+v", o)
	}
}

func FuzzRead(f *testing.F) {
	for _, m := range manifests {
		f.Add([]byte(m.text))
	}
	f.Fuzz(func(t *testing.T, text []byte) {
		m, err := Read(text, "w.yaml")
		var fault *Fault
		if (m == nil) == (err == nil) || err != nil && !errors.As(err, &fault) {
			t.Errorf("%v, %v", m, err)
		}
	})
}

func TestMatch(t *testing.T) {
	dir := filepath.FromSlash("crew")
	for _, c := range []struct {
		pattern, file string
		want          bool
	}{
		{"*.glb", "crew/a.glb", true},
		{"*.glb", "crew/cox/a.glb", false},
		{"**/*.glb", "crew/a.glb", true},
		{"**/*.glb", "crew/cox/old/a.glb", true},
		{"cox/**", "crew/cox/a.glb", true},
		{"./cox/a.glb", "crew/cox/a.glb", true},
		{"../b/*.glb", "b/a.glb", true},
	} {
		if got := match(dir, c.pattern, filepath.FromSlash(c.file)); got != c.want {
			t.Errorf("match(%q, %q) = %v", c.pattern, c.file, got)
		}
	}
}

func ExampleFault() {
	_, err := Read([]byte("version: 1\nbodys: []\n"), "wardrobe.yaml")
	fmt.Println(err)
	// Output: wardrobe.yaml:2:1: unknown key "bodys" in the manifest; did you mean "bodies"?
}
