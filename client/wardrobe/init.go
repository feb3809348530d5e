package wardrobe

// A manifest made of a folder.

import (
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path"
	"path/filepath"
	"slices"
	"strings"

	"github.com/selvage/selvage/transfer/gltfio"
)

// ManifestFile is the name that Init gives a manifest.
const ManifestFile = "wardrobe.yaml"

// seen is a glTF file in the folder.
type seen struct {
	file    string // relative, with slashes
	stem    string
	skinned bool
	result  bool // written by a transfer
	height  float64
	fault   string
}

// bodyShare of the tallest skinned file's height makes a body of a file that is not
// called one.
const bodyShare = 0.8

// Init looks through a folder and writes a commented manifest for what it finds,
// and the schema beside it. It returns the manifest's path. Files that are there
// are not overwritten.
//
// Bodies are the skinned files with "body" in their names; where there is none, the
// skinned files that are nearly as tall as the tallest. The other files with meshes
// are garments of the body that is nearest above them in the tree, else of all.
// Files that a transfer wrote (they have _CONFIDENCE) and files that cannot be read
// are left out.
func Init(ctx context.Context, dir string) (string, error) {
	file, schema := filepath.Join(dir, ManifestFile), filepath.Join(dir, SchemaFile)
	for _, f := range []string{file, schema} {
		if _, err := os.Lstat(f); err == nil {
			return "", fmt.Errorf("%s is there already; it is not overwritten", f)
		}
	}
	list, err := look(ctx, dir)
	if err != nil {
		return "", err
	}
	absolute, err := filepath.Abs(dir)
	if err != nil {
		return "", err
	}
	text, err := compose(list, filepath.Base(absolute))
	if err != nil {
		return "", fmt.Errorf("%s: %w", dir, err)
	}
	// What is written is read back first: a manifest with a fault helps nobody.
	m, err := Read([]byte(text), file)
	if err == nil {
		var drafts []draft
		if drafts, err = m.drafts(m.statePath()); err == nil {
			err = m.check(drafts)
		}
	}
	if err != nil {
		return "", fmt.Errorf("the files in %s do not make a manifest: %w", dir, err)
	}
	for _, f := range []struct {
		name string
		text []byte
	}{{schema, Schema}, {file, []byte(text)}} {
		if err := writeNew(f.name, f.text); err != nil {
			return "", err
		}
	}
	return file, nil
}

// writeNew writes a file that must not be there yet.
func writeNew(file string, text []byte) error {
	f, err := os.OpenFile(file, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o644)
	if errors.Is(err, fs.ErrExist) {
		return fmt.Errorf("%s is there already; it is not overwritten", file)
	}
	if err != nil {
		return err
	}
	_, err = f.Write(text)
	return cmp.Or(f.Close(), err)
}

// look describes the glTF files below a folder, sorted.
func look(ctx context.Context, dir string) ([]seen, error) {
	var list []seen
	err := filepath.WalkDir(dir, func(p string, d fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		if err := ctx.Err(); err != nil {
			return err
		}
		hidden := p != dir && strings.HasPrefix(d.Name(), ".")
		if d.IsDir() {
			if hidden {
				return filepath.SkipDir
			}
			return nil
		}
		if hidden || !isGLTF(p) {
			return nil
		}
		rel, err := filepath.Rel(dir, p)
		if err != nil {
			return err
		}
		s := seen{file: filepath.ToSlash(rel)}
		s.stem = strings.TrimSuffix(path.Base(s.file), path.Ext(s.file))
		s.describe(p)
		list = append(list, s)
		return nil
	})
	slices.SortFunc(list, func(a, b seen) int { return strings.Compare(a.file, b.file) })
	return list, err
}

func (s *seen) describe(file string) {
	asset, err := gltfio.Open(file, gltfio.Options{AllowExternal: true})
	if err != nil {
		s.fault = err.Error()
		return
	}
	d := asset.Describe()
	s.height = d.Size[1]
	for i := range d.Meshes {
		s.skinned = s.skinned || d.Meshes[i].Skin >= 0
	}
	surface, err := asset.Garment(gltfio.Selection{})
	if err != nil {
		s.fault = err.Error()
		return
	}
	confidence, err := asset.Scalars(surface, "_CONFIDENCE")
	s.result = err == nil && confidence != nil && s.skinned
}

// escape makes a glob that matches a name alone.
func escape(name string) string {
	return strings.NewReplacer(`\`, `\\`, `*`, `\*`, `?`, `\?`, `[`, `\[`).Replace(name)
}

// quote writes text as YAML; JSON's strings are YAML's. Plain words stay plain.
func quote(s string) string {
	plain := s != "" && !strings.ContainsFunc(s, func(r rune) bool {
		return !(r >= 'a' && r <= 'z' || r >= 'A' && r <= 'Z' || r == '-' || r == '_' || r == '/' || r == '.' || r >= '0' && r <= '9')
	})
	first := strings.TrimLeft(s, "abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ") != s
	switch strings.ToLower(s) {
	case "true", "false", "null", "yes", "no", "on", "off", "y", "n":
		first = false
	}
	if plain && first {
		return s
	}
	b, err := json.Marshal(s)
	if err != nil {
		panic(err) // a string always marshals
	}
	return string(b)
}

func quoteAll(list []string) string {
	q := make([]string, len(list))
	for i, s := range list {
		q[i] = quote(s)
	}
	return "[" + strings.Join(q, ", ") + "]"
}

// bodyRule decides which skinned files are bodies.
func bodyRule(list []seen) (is func(*seen) bool, why string) {
	tallest, named := 0.0, false
	for i := range list {
		s := &list[i]
		if s.skinned && !s.result {
			tallest = max(tallest, s.height)
			named = named || strings.Contains(strings.ToLower(s.stem), "body")
		}
	}
	if named {
		return func(s *seen) bool {
			return s.skinned && !s.result && strings.Contains(strings.ToLower(s.stem), "body")
		}, `they have weights, and "body" in their names`
	}
	return func(s *seen) bool { return s.skinned && !s.result && s.height >= bodyShare*tallest },
		"they have weights and are the tallest"
}

// compose writes the manifest.
func compose(list []seen, folder string) (string, error) {
	isBody, why := bodyRule(list)
	var bodies, garments, results, faulty []seen
	for _, s := range list {
		switch {
		case s.fault != "":
			faulty = append(faulty, s)
		case s.result:
			results = append(results, s)
		case isBody(&s):
			bodies = append(bodies, s)
		default:
			garments = append(garments, s)
		}
	}
	if len(bodies) == 0 {
		return "", errors.New("no file in it is a body: none has skin weights of its own")
	}
	if len(garments) == 0 {
		return "", errors.New("there is no garment in it beside the bodies")
	}
	names := bodyNames(bodies, folder)

	var b strings.Builder
	say := func(format string, args ...any) { fmt.Fprintf(&b, format+"\n", args...) }
	say("# yaml-language-server: $schema=%s", SchemaFile)
	say("#")
	say("# A wardrobe for selvage batch. Paths are relative to this file's folder.")
	say("version: 1")
	say("")
	say("# The weighted bodies: %s.", why)
	say("bodies:")
	for i, s := range bodies {
		say("  - name: %s", quote(names[i]))
		say("    file: %s", quote(s.file))
		say("    # meshes: [\"*\"]          # globs of node, mesh or material names; default: every skinned mesh")
	}
	say("")
	say("# The garments: files by name or glob (** stands for any folders). Bodies and what")
	say("# this manifest writes are left out of what a glob finds.")
	say("garments:")
	composeGarments(say, bodies, names, garments, results, faulty)
	say("    # meshes: [\"*\"]          # globs of node, mesh or material names; default: every mesh")
	say("    # options: {reach: 0.2}  # over the options below, for these garments alone")
	say("")
	var called []string
	for _, g := range garments {
		called = append(called, plainName(g.stem))
	}
	slices.Sort(called)
	say("# Outer garments can take their rows from inner ones too: put the names or globs of the")
	say("# garments in order, from the innermost layer to the outermost, and take the mark away;")
	say("# or say found, and their distances from the body decide.")
	say("# layers: %s", quoteAll(slices.Compact(called)))
	say("")
	say("# Options of all garments, with the names and meanings of the flags of")
	say("# selvage transfer. These are the defaults.")
	say("options:")
	for _, l := range []string{
		"reach: 0             # metres; 0: 8% of the body's size", "falloff: 0           # 0: 1; negative: none",
		"fill: harmonic       # or biharmonic", "loose: auto          # or on, off", "loose-stretch: 0     # of an edge of loose cloth in a quarter turn; 0: 1.5, over layers what it takes", "loose-name: []       # globs",
		"rigid: auto          # or on, off", "rigid-name: []       # globs",
		"rigid-one-joint: false # true: exact shape in every pose, but off the cloth beside a bend", "registration: auto   # or on, off",
		"allow-joint: []      # globs", "deny-joint: []       # globs", "keep-joint: []       # globs of a garment's own joints",
		"joint-map: []        # {from: GLOB, to: NAME}: who takes the weight of the body's joints", "skin: body           # or own: the garment's joints",
		"max-influences: 0    # 1 to 8; 0: 4", "prune-below: 0       # 0: 1e-7; negative: none",
		"format: float        # or u16, u8", "plain: false         # true leaves _CONFIDENCE and _REASON out",
		"threads: 0           # of one garment at most; no result depends on it",
	} {
		say("  # %s", l)
	}
	say("")
	output, page := "weighted/{garment}.glb", "weighted/wardrobe.html"
	if len(bodies) > 1 {
		output, page = "weighted/{body}/{garment}.glb", "weighted/{body}.html"
	}
	say("# The files to write: {body}, {garment}, and {ext} for the ending of the garment's file.")
	say("output: %s", quote(output))
	say("")
	say("# What artists change in these files can be carried over from run to run; the records")
	say("# that this takes are kept in a folder of their own. Keep it.")
	passes := "passes"
	if len(bodies) > 1 {
		passes = "passes/{body}"
	}
	say("# passes: %s", quote(passes))
	say("# on-conflict: keep-edit  # or keep-change, take-new: where edit and transfer disagree")
	say("# conflict-rules: []      # like \"joint:spine_*=take-new\", garment:GLOB=, mask:ATTRIBUTE=")
	say("")
	say("# Regions and joints whose weights stay as they are; garments may have their own.")
	say("# locks: []               # like \"near:hand_*:0.02\", \"joint:tail_*\", \"color:0\", an attribute's name")
	say("# lock-joints: []         # globs")
	say("# lock-blend: 0           # metres; 0: 3%% of the body's size; negative: none")
	say("")
	say("# An HTML page with pictures, a table and a 3D view.")
	say("# report: %s", quote(page))
	return b.String(), nil
}

// bodyNames names bodies after their files, or their folders where those are all
// called the same.
func bodyNames(bodies []seen, folder string) []string {
	count := map[string]int{}
	for _, s := range bodies {
		count[s.stem]++
	}
	used := map[string]bool{}
	names := make([]string, len(bodies))
	for i, s := range bodies {
		name := s.stem
		if count[s.stem] > 1 || strings.EqualFold(s.stem, "body") {
			if name = path.Base(path.Dir(s.file)); name == "." {
				name = folder
			}
		}
		name = strings.Map(func(r rune) rune {
			if r < ' ' || strings.ContainsRune(`/\{}*?[]`, r) {
				return '-'
			}
			return r
		}, strings.TrimRight(name, ". "))
		name = cmp.Or(name, "body")
		unique := name
		for k := 2; used[unique]; k++ {
			unique = fmt.Sprintf("%s-%d", name, k)
		}
		used[unique] = true
		names[i] = unique
	}
	return names
}

// plainName is a name that may be part of a path, like s.
func plainName(s string) string {
	s = strings.NewReplacer("[", "(", "]", ")", "{", "(", "}", ")", "/", "-", `\`, "-", "*", "-", "?", "-").Replace(s)
	s = strings.Map(func(r rune) rune {
		if r < ' ' {
			return '-'
		}
		return r
	}, s)
	return cmp.Or(strings.TrimRight(s, ". "), "garment")
}

// composeGarments writes a rule for every folder, and one of their own for garments
// that share their name with another, or whose file's name cannot be theirs.
func composeGarments(say func(string, ...any), bodies []seen, names []string, garments, results, faulty []seen) {
	folders := map[string][]seen{}
	var order []string
	used := map[string]bool{} // names
	for _, g := range garments {
		used[g.stem] = true
	}
	for _, g := range garments {
		d := path.Dir(g.file)
		if folders[d] == nil {
			order = append(order, d)
		}
		folders[d] = append(folders[d], g)
	}
	for _, d := range order {
		wearers := wearersOf(d, bodies, names)
		var patterns, except []string
		for _, g := range folders[d] {
			pattern := path.Join(escape(d), "*"+path.Ext(g.file))
			name := plainName(strings.NewReplacer("/", "-", ".", "-").Replace(g.file))
			if !nameShape.MatchString(g.stem) {
				name = plainName(g.stem)
			} else if !slices.ContainsFunc(garments, func(o seen) bool {
				return o.file != g.file && o.stem == g.stem && overlap(wearers, wearersOf(path.Dir(o.file), bodies, names))
			}) {
				if !slices.Contains(patterns, pattern) {
					patterns = append(patterns, pattern)
				}
				continue
			}
			unique := name
			for k := 2; used[unique]; k++ {
				unique = fmt.Sprintf("%s-%d", name, k)
			}
			used[unique] = true
			say("  - name: %s", quote(unique))
			say("    files: %s", quoteAll([]string{escape(g.file)}))
			if len(wearers) > 0 {
				say("    bodies: %s", quoteAll(wearers))
			}
			except = append(except, escape(g.file))
		}
		if len(patterns) == 0 {
			continue
		}
		say("  - files: %s", quoteAll(patterns))
		for _, x := range []struct {
			list []seen
			why  string
		}{{results, "written by a transfer"}, {faulty, "cannot be read"}} {
			for _, s := range x.list {
				if path.Dir(s.file) == d && slices.Contains(patterns, path.Join(escape(d), "*"+path.Ext(s.file))) {
					say("    # left out, %s: %s", x.why, quote(cmp.Or(s.fault, s.file)))
					except = append(except, escape(s.file))
				}
			}
		}
		if len(except) > 0 {
			say("    except: %s", quoteAll(except))
		}
		if len(wearers) > 0 {
			say("    bodies: %s", quoteAll(wearers))
		}
	}
}

// overlap reports whether two lists of wearers share one; nil is all.
func overlap(a, b []string) bool {
	return a == nil || b == nil || slices.ContainsFunc(a, func(x string) bool { return slices.Contains(b, x) })
}

// wearersOf are the bodies in the folder nearest above d, itself included; nil: all.
func wearersOf(d string, bodies []seen, names []string) []string {
	for {
		var list []string
		for i, b := range bodies {
			if path.Dir(b.file) == d {
				list = append(list, escape(names[i]))
			}
		}
		if len(list) == len(bodies) || len(list) == 0 && d == "." {
			return nil
		}
		if len(list) > 0 {
			return list
		}
		d = path.Dir(d)
	}
}
