package wardrobe

// The plan: globs become files, files become hashes, and every body and garment
// that belong together a task.

import (
	"cmp"
	"context"
	"crypto/sha256"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path"
	"path/filepath"
	"runtime"
	"slices"
	"strings"
	"sync"
	"time"

	"golang.org/x/sync/errgroup"

	"github.com/selvage/selvage/api/convert"
	pb "github.com/selvage/selvage/api/selvage/v1"
	"github.com/selvage/selvage/transfer"
	"github.com/selvage/selvage/transfer/gltfio"
	"github.com/selvage/selvage/transfer/pass"
)

// Plan is the work that a manifest asks for.
type Plan struct {
	// Tasks by body in the manifest's order, then by layer from inner to outer, then
	// by name.
	Tasks []*Task
	// Reports are the HTML pages to write, by body name; empty: none.
	Reports map[string]string
	// State is the file that records what was written.
	State string
	// Version of the program that the keys name.
	Version string
	// Layers says what lies over what.
	Layers LayerMode
}

// Task is the transfer from one body to one garment.
type Task struct {
	// Name is BODY/GARMENT, unique in the plan.
	Name string
	// Body and Garment are the input. The globs of Garment's meshes are also in
	// Options.Garments.
	Body, Garment *Source
	// Layer is the garment's place in the manifest's layers, from 0 (innermost); -1
	// where it has none. Where layers are found it is known when a run has begun.
	Layer int
	// Inner are the tasks of the garments that lie beneath, from the inside out: their
	// outputs are input.
	Inner []*Task
	// Options of the transfer, without Progress, and the same as a message.
	Options transfer.AssetOptions
	Message *pb.Options
	// Output is the file to write.
	Output string
	// Pass, where not nil, carries over what was changed by hand in Output.
	Pass *Pass
	// Key names the result by its content: convert.WorkKey of all above and the
	// program's version. With Inner it is complete when these are done.
	Key string
	// BodyBytes and Bytes are the memory that the prepared body and the transfer
	// take by estimate; Vertices is the garment's size.
	BodyBytes, Bytes int64
	Vertices         int
	// Err is why the task cannot run: its garment cannot be read, say.
	Err error

	alone   string  // Key without what lies beneath
	group   string  // key of its part of the work, where it has to be with others
	beneath []Stamp // outputs of Inner, as they went into Key
}

// Source is a glTF file with all that it names, at the time when it was hashed.
// Tasks with the same body share one.
type Source struct {
	// Name in the manifest.
	Name string
	File string
	// Meshes are globs of node, mesh or material names; empty: the default.
	Meshes []string
	// Sum is the SHA-256 of the file's bytes; where it names files beside it
	// (buffers, images), the SHA-256 of all, see hashSource.
	Sum [sha256.Size]byte
	// Files are the file and those that it names, as they were.
	Files []Stamp

	joints func() ([]string, error) // names, of a body
}

// Stamp says how a file was: a changed file has another, bar one written within
// the file system's tick.
type Stamp struct {
	File    string    `json:"file"`
	Size    int64     `json:"size"`
	ModTime time.Time `json:"modified"`
}

// PlanOptions of Manifest.Plan.
type PlanOptions struct {
	// Version is the identity of the program that computes, see ProgramVersion.
	Version string
	// Hashes, where not nil, remembers what was hashed before.
	Hashes *Hashes
	// Report overrides the manifest's where it is not empty; relative to the working
	// folder.
	Report string
	// Program is the version that pass records name. Empty: Version.
	Program string
}

// path of the manifest as one of the file system, relative to the manifest's folder.
func (m *Manifest) path(name string) string {
	name = filepath.FromSlash(name)
	if filepath.IsAbs(name) {
		return filepath.Clean(name)
	}
	return filepath.Join(filepath.Dir(m.File), name)
}

// draft of a task, before anything is read.
type draft struct {
	rule    *GarmentRule
	body    int
	file    string
	literal bool // named, not found by a glob
	name    string
	output  string
}

// Plan finds the files and hashes them. Faults of the manifest are *Fault. A file
// that cannot be used makes its tasks carry the error; the others are not touched.
func (m *Manifest) Plan(ctx context.Context, opt PlanOptions) (*Plan, error) {
	p := &Plan{Reports: map[string]string{}, State: m.statePath(), Version: opt.Version, Layers: m.LayerMode}
	for i := range m.Bodies {
		b := &m.Bodies[i]
		if info, err := os.Stat(m.path(b.File)); err != nil || !info.Mode().IsRegular() {
			what := "is not a file"
			if errors.Is(err, fs.ErrNotExist) {
				what = "does not exist"
			}
			return nil, b.file.fault(m.File, "body %q: the file %s %s", b.Name, b.File, what)
		}
	}
	if err := m.planReports(p, opt.Report); err != nil {
		return nil, err
	}
	drafts, err := m.drafts(p.State)
	if err != nil {
		return nil, err
	}
	if err := m.check(drafts); err != nil {
		return nil, err
	}

	// Every file is hashed once, however many tasks it is in.
	results := map[string]*hashed{}
	failures := map[string]error{}
	for i := range m.Bodies {
		results[m.path(m.Bodies[i].File)] = nil
	}
	for _, d := range drafts {
		results[d.file] = nil
	}
	files := make([]string, 0, len(results))
	for f := range results {
		files = append(files, f)
	}
	slices.Sort(files)
	sums, errs := make([]*hashed, len(files)), make([]error, len(files))
	group, ctx := errgroup.WithContext(ctx)
	group.SetLimit(runtime.GOMAXPROCS(0))
	for i, f := range files {
		group.Go(func() error {
			if err := ctx.Err(); err != nil {
				return err
			}
			sums[i], errs[i] = opt.Hashes.get(ctx, f)
			return nil
		})
	}
	if err := group.Wait(); err != nil {
		return nil, err
	}
	for i, f := range files {
		results[f], failures[f] = sums[i], errs[i]
		if errs[i] != nil {
			results[f] = &hashed{files: []Stamp{stampOf(f)}}
		} else {
			failures[f] = sums[i].fault
		}
	}

	bodies := make([]*Source, len(m.Bodies))
	for i := range m.Bodies {
		b := &m.Bodies[i]
		file := m.path(b.File)
		bodies[i] = &Source{Name: b.Name, File: file, Meshes: b.Meshes, Sum: results[file].sum, Files: results[file].files}
		bodies[i].joints = sync.OnceValues(func() ([]string, error) { return BodyJoints(file, b.Meshes) })
	}
	for _, d := range drafts {
		t := &Task{Body: bodies[d.body], Output: d.output, Layer: m.layer(d.name)}
		t.Name = t.Body.Name + "/" + d.name
		h := results[d.file]
		t.Garment = &Source{Name: d.name, File: d.file, Meshes: d.rule.Meshes, Sum: h.sum, Files: h.files}
		t.Err = cmp.Or(failures[t.Body.File], failures[d.file])
		m.Options.Apply(&t.Options)
		d.rule.Options.Apply(&t.Options)
		t.Options.Garments = gltfio.Selection{Names: d.rule.Meshes}
		if t.Message, err = convert.OptionsToProto(t.Options); err != nil {
			return nil, fmt.Errorf("%s: %w", t.Name, err)
		}
		if t.Key, err = convert.WorkKey(t.Body.Sum, t.Garment.Sum, t.Body.Meshes, t.Message, opt.Version); err != nil {
			return nil, fmt.Errorf("%s: %w", t.Name, err)
		}
		if err := m.planPass(t, d.rule, cmp.Or(opt.Program, opt.Version)); err != nil {
			return nil, fmt.Errorf("%s: %w", t.Name, err)
		}
		t.BodyBytes, t.Bytes = results[t.Body.File].outline.BodyBytes(), h.outline.GarmentBytes()
		t.Vertices = int(h.outline.Vertices)
		p.Tasks = append(p.Tasks, t)
	}
	order := map[*Source]int{}
	for i, b := range bodies {
		order[b] = i
	}
	slices.SortFunc(p.Tasks, func(a, b *Task) int {
		depth := func(t *Task) int {
			if t.Layer < 0 {
				return len(m.Layers)
			}
			return t.Layer
		}
		return cmp.Or(order[a.Body]-order[b.Body], depth(a)-depth(b), strings.Compare(a.Name, b.Name))
	})
	for _, list := range ofBody(p.Tasks) {
		if p.Layers == LayersGiven {
			beneath(list, true)
		}
		if p.Layers != LayersOff {
			together(list)
		}
	}
	return p, nil
}

// planPass gives a task its pass, where the manifest keeps records of passes.
func (m *Manifest) planPass(t *Task, rule *GarmentRule, program string) (err error) {
	if m.Passes == "" {
		return nil
	}
	t.Pass = &Pass{
		Record: m.passRecord(t.Body.Name, t.Output), Policy: rule.Conflicts.over(m.Conflicts).policy(),
		Garment: filepath.Base(t.Garment.File), Program: program,
	}
	// Records know the file's name alone; the manifest may call the garment otherwise.
	t.Pass.rules = t.Pass.Policy.Rules
	t.Pass.Policy.Rules = slices.Clone(t.Pass.rules)
	for i := range t.Pass.rules {
		if r := &t.Pass.Policy.Rules[i]; !r.Covers(t.Pass.Garment) && r.Covers(t.Garment.Name) {
			r.Garment = ""
		}
	}
	t.Key, err = t.Pass.key(t.Key)
	return err
}

// idleRules are sentences on the plan's rules for conflicts of garments of which it has
// none, each once.
func (p *Plan) idleRules() []string {
	var rules []pass.Rule // by their globs, each once
	used := map[string]bool{}
	for _, t := range p.Tasks {
		if t.Pass == nil {
			continue
		}
		for _, r := range t.Pass.rules {
			if _, ok := used[r.Garment]; !ok {
				rules = append(rules, r)
			}
			used[r.Garment] = used[r.Garment] || r.Covers(t.Pass.Garment) || r.Covers(t.Garment.Name)
		}
	}
	idle := pass.Policy{Rules: slices.DeleteFunc(rules, func(r pass.Rule) bool { return used[r.Garment] })}
	return idle.Idle()
}

// passRecord is the file of an output's pass record.
func (m *Manifest) passRecord(body, output string) string {
	return filepath.Join(m.path(strings.ReplaceAll(m.Passes, "{body}", body)), filepath.Base(output)+".pass")
}

// statePath is where the record of a wardrobe's outputs is: in the folder that
// holds them all, under the manifest's name.
func (m *Manifest) statePath() string {
	folder := ""
	for _, s := range strings.SplitAfter(path.Dir(m.Output)+"/", "/") {
		if strings.ContainsAny(s, "{}") {
			break
		}
		folder += s
	}
	stem := strings.TrimSuffix(filepath.Base(m.File), filepath.Ext(m.File))
	return filepath.Join(m.path(cmp.Or(folder, ".")), ".selvage-"+stem+".json")
}

// planReports names the page of every body.
func (m *Manifest) planReports(p *Plan, flag string) error {
	pattern, fail := flag, func(what string) error { return fmt.Errorf("the report %s", what) }
	if flag == "" {
		if m.Report == "" {
			return nil
		}
		pattern = m.path(m.Report)
		fail = func(what string) error { return m.report.fault(m.File, "the report %s", what) }
	} else if what := CheckReport(flag); what != "" {
		return fail(what)
	}
	if len(m.Bodies) > 1 && !strings.Contains(pattern, "{body}") {
		return fail(fmt.Sprintf("%q needs {body}: there are %d bodies", pattern, len(m.Bodies)))
	}
	for i := range m.Bodies {
		p.Reports[m.Bodies[i].Name] = strings.ReplaceAll(pattern, "{body}", m.Bodies[i].Name)
	}
	return nil
}

// layer is the index of the first layer that names a garment, else -1.
func (m *Manifest) layer(garment string) int {
	for i := range m.Layers {
		if matchesName(m.Layers[i:i+1], garment) {
			return i
		}
	}
	return -1
}

// drafts finds the files. What a glob finds is left out where it is a body, or was
// or would be written by this manifest.
func (m *Manifest) drafts(state string) ([]draft, error) {
	isBody := map[string]bool{}
	for i := range m.Bodies {
		isBody[m.path(m.Bodies[i].File)] = true
	}
	var all []draft
	for i := range m.Garments {
		rule := &m.Garments[i]
		bodies, err := m.bodiesOf(rule)
		if err != nil {
			return nil, err
		}
		seen := map[string]bool{}
		for _, g := range rule.Files {
			literal := !hasMeta(g.Pattern)
			files := glob(filepath.Dir(m.File), g.Pattern)
			if len(files) == 0 {
				if literal {
					return nil, g.fault(m.File, "the file %s does not exist", g.Pattern)
				}
				return nil, g.fault(m.File, "no file matches %s", g.Pattern)
			}
			for _, file := range files {
				except := slices.ContainsFunc(rule.Except, func(e Glob) bool { return match(filepath.Dir(m.File), e.Pattern, file) })
				if seen[file] || except || !literal && (isBody[file] || !isGLTF(file)) {
					continue
				}
				seen[file] = true
				if !isGLTF(file) {
					return nil, g.fault(m.File, "the file %s ends in neither .glb nor .gltf", g.Pattern)
				}
				name := cmp.Or(rule.Name, strings.TrimSuffix(filepath.Base(file), filepath.Ext(file)))
				for _, b := range bodies {
					d := draft{rule: rule, body: b, file: file, literal: literal, name: name}
					d.output = m.path(strings.NewReplacer(
						"{body}", m.Bodies[b].Name, "{garment}", name, "{ext}", strings.ToLower(filepath.Ext(file)),
					).Replace(m.Output))
					all = append(all, d)
				}
			}
		}
	}
	written := map[string]bool{}
	for _, f := range readState(state).outputs() {
		written[f] = true
	}
	for _, d := range all {
		if d.output != d.file {
			written[d.output] = true
		}
	}
	return slices.DeleteFunc(all, func(d draft) bool { return !d.literal && written[d.file] }), nil
}

// bodiesOf are the indices of the bodies that wear a rule's garments.
func (m *Manifest) bodiesOf(rule *GarmentRule) ([]int, error) {
	for i, g := range rule.Bodies {
		if !slices.ContainsFunc(m.Bodies, func(b Body) bool { return matchesName(rule.Bodies[i:i+1], b.Name) }) {
			return nil, g.fault(m.File, "no body is named %q", g.Pattern)
		}
	}
	var list []int
	for i := range m.Bodies {
		if len(rule.Bodies) == 0 || matchesName(rule.Bodies, m.Bodies[i].Name) {
			list = append(list, i)
		}
	}
	return list, nil
}

// check finds what only shows when all files are known.
func (m *Manifest) check(drafts []draft) error {
	inputs := map[string]bool{}
	for i := range m.Bodies {
		inputs[m.path(m.Bodies[i].File)] = true
	}
	byRule := map[*GarmentRule]int{}
	for _, d := range drafts {
		inputs[d.file] = true
		byRule[d.rule]++
	}
	outputs, named := map[string]*draft{}, map[string]*draft{}
	for i := range m.Garments {
		rule := &m.Garments[i]
		if byRule[rule] == 0 {
			return rule.Files[0].fault(m.File, "no garment is left of these files: bodies, exceptions and results of this manifest are left out")
		}
	}
	files := map[*GarmentRule]string{}
	records := map[string]*draft{}
	for i := range drafts {
		d := &drafts[i]
		if m.Passes != "" {
			record := m.passRecord(m.Bodies[d.body].Name, d.output)
			if o, ok := records[record]; ok {
				return m.passes.fault(m.File, "the outputs %s and %s would both have the pass record %s: {body} in its folder sets them apart", o.output, d.output, record)
			}
			records[record] = d
		}
		if first, ok := files[d.rule]; ok && d.rule.Name != "" && first != d.file {
			return d.rule.fault(m.File, "the name %q is for one file, and there are %s and %s", d.rule.Name, first, d.file)
		}
		files[d.rule] = d.file
		if !nameShape.MatchString(d.name) {
			return d.rule.fault(m.File, "the file's name %q cannot be part of a path: give the garment a name", d.name)
		}
		if inputs[d.output] {
			return m.output.fault(m.File, "the output of %s would overwrite %s, which is read", d.file, d.output)
		}
		if o, ok := outputs[d.output]; ok {
			return m.output.fault(m.File, "%s (body %s) and %s (body %s) would both be written to %s", o.file, m.Bodies[o.body].Name, d.file, m.Bodies[d.body].Name, d.output)
		}
		outputs[d.output] = d
		name := m.Bodies[d.body].Name + "/" + d.name
		if o, ok := named[name]; ok {
			return d.rule.fault(m.File, "%s and %s are both called %s", o.file, d.file, name)
		}
		named[name] = d
	}
	for i, l := range m.Layers {
		if !slices.ContainsFunc(drafts, func(d draft) bool { return matchesName(m.Layers[i:i+1], d.name) }) {
			return l.fault(m.File, "the layer %q names no garment", l.Pattern)
		}
		if !slices.ContainsFunc(drafts, func(d draft) bool { return m.layer(d.name) == i }) {
			return l.fault(m.File, "the layer %q names no garment that the layers before it do not name", l.Pattern)
		}
	}
	return nil
}
