package main

import (
	"context"
	"crypto/sha256"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"sync"

	"github.com/jedib0t/go-pretty/v6/table"
	"github.com/selvage/selvage/api/convert"
	"github.com/selvage/selvage/client"
	"github.com/selvage/selvage/client/wardrobe"
	"github.com/selvage/selvage/transfer"
	"github.com/selvage/selvage/transfer/gltfio"
	"github.com/selvage/selvage/transfer/pass"
	"github.com/spf13/cobra"
	"github.com/spf13/pflag"
)

// conflictFlags say what is done where edit and transfer disagree.
type conflictFlags struct {
	choice pass.Choice
	rules  []string
}

func addConflictFlags(f *pflag.FlagSet, c *conflictFlags) {
	f.Var(choiceFlag[pass.Choice]{&c.choice, pass.ChoiceNames[:]}, "on-conflict", "where the new transfer moved a row as far as the edit did, or the edit cannot be carried over within bounds: keep-edit, keep-change or take-new")
	f.StringArrayVar(&c.rules, "conflict-rule", nil, "joint:GLOB=WORD, garment:GLOB=WORD (by name, with or without .glb) or mask:ATTRIBUTE=WORD: the word of --on-conflict for some conflicts; the first rule that covers one decides (repeatable)")
}

// into puts the flags into a pass's input.
func (c *conflictFlags) into(in *pass.Input) error {
	in.Policy.Default = c.choice
	for _, text := range c.rules {
		rule, err := pass.ParseRule(text)
		if err != nil {
			return usageError{fmt.Errorf("--conflict-rule: %w", err)}
		}
		in.Policy.Rules = append(in.Policy.Rules, rule)
	}
	return nil
}

// passes keeps what artists did to garments through a run of transfer.
type passes struct {
	conflictFlags
	dir   string
	force bool

	bodyFile  string
	bodies    gltfio.Selection
	body      [sha256.Size]byte
	joints    func() ([]string, error) // of the body
	records   []finishedPage
	files     []string
	targets   []string
	summaries []pass.Summary
}

func addPassFlags(f *pflag.FlagSet, p *passes) {
	f.StringVar(&p.dir, "pass-dir", "", "folder of pass records: what was changed by hand in the output since the last pass is carried over")
	f.BoolVar(&p.force, "force", false, "with --pass-dir: give up what was changed by hand where its record is gone, or is of another garment or body or of other meshes, and start anew")
	addConflictFlags(f, &p.conflictFlags)
}

// begin checks the flags and makes ready; without --pass-dir it does nothing.
func (p *passes) begin(cmd *cobra.Command, body string, bodies gltfio.Selection) error {
	if p.dir == "" {
		if cmd.Flags().Changed("pass-dir") {
			return usageError{errors.New("--pass-dir: names no folder")}
		}
		for _, name := range []string{"on-conflict", "conflict-rule", "force"} {
			if cmd.Flags().Changed(name) {
				return usageError{fmt.Errorf("--%s needs a --pass-dir that names a folder", name)}
			}
		}
		return nil
	}
	if err := p.into(&pass.Input{}); err != nil {
		return err
	}
	if file := inTheWay(p.dir); file != "" {
		return usageError{fmt.Errorf("--pass-dir: %s is a file", file)}
	}
	p.bodyFile, p.bodies = body, bodies
	p.joints = sync.OnceValues(func() ([]string, error) { return wardrobe.BodyJoints(body, bodies.Names) })
	var err error
	p.body, err = fileSum(body)
	return err
}

// recordName is the file of a garment's record, by the garment's output.
func (p *passes) recordName(target string) string {
	return filepath.Join(p.dir, filepath.Base(target)+".pass")
}

// passInput is the pass over one garment, without the assets.
type passInput struct {
	pass.Input
	// record is the file of Input.Record; nil: there is none.
	record []byte
	// current is the file of Input.Current; empty: there is none.
	current string
}

// input is the pass over the garment whose output is target; nil without --pass-dir.
func (p *passes) input(garment, target string, opt transfer.AssetOptions) (*passInput, error) {
	if p.dir == "" {
		return nil, nil
	}
	in := &passInput{Input: pass.Input{Garment: filepath.Base(garment), Options: opt, Program: version(), BodySum: p.body}}
	if err := p.into(&in.Input); err != nil {
		return nil, err
	}
	var err error
	if in.GarmentSum, err = fileSum(garment); err != nil {
		return nil, err
	}
	if in.Record, in.record, err = readRecord(p.recordName(target)); err != nil && !errors.Is(err, fs.ErrNotExist) {
		return nil, err
	}
	if _, err := os.Stat(target); err == nil {
		in.current = target
	} else if in.Record != nil {
		in.current, in.Guess = garment, true
	}
	return in, p.belongs(in, garment, target)
}

// run transfers to a garment with its edits, here.
func (in *passInput) run(ctx context.Context, body *transfer.AssetBody, garment *gltfio.Asset) (*finished, error) {
	if in.current != "" {
		if err := openArtist(ctx, &in.Input, in.current, garment); err != nil {
			return nil, err
		}
	}
	in.From = garment
	out, record, err := convert.TransferPass(ctx, body, in.Input)
	if err != nil {
		return nil, err
	}
	r := out.Written(out.Given)
	return &finished{savable: computed{out.Asset, r}, summary: r.Summary, record: record, pass: &out.Summary}, nil
}

// remote is the same pass for a server.
func (in *passInput) remote() (*client.Pass, error) {
	if in == nil {
		return nil, nil
	}
	p := &client.Pass{Record: in.record, Guess: in.Guess, Policy: in.Policy, GarmentSum: in.GarmentSum, BodySum: in.BodySum}
	var err error
	if in.current != "" {
		p.Current, err = client.OpenAsset(in.current)
	}
	return p, err
}

// tellIdle notes rules for conflicts of garments that are not among the files, with the
// pass over garment k, which stands beside what it says of rules for joints.
func (p *passes) tellIdle(garments []string, k int) {
	var in pass.Input
	if p.dir == "" || p.into(&in) != nil {
		return
	}
	names := make([]string, len(garments))
	for k, g := range garments {
		names[k] = filepath.Base(g)
	}
	p.summaries[k].Notes = append(p.summaries[k].Notes, in.Policy.Idle(names...)...)
}

// add keeps what a garment's pass left, to be written and shown.
func (p *passes) add(target string, f *finished) {
	if f.pass == nil {
		return
	}
	p.records, p.files, p.targets, p.summaries = append(p.records, finishedPage(f.record)), append(p.files, p.recordName(target)), append(p.targets, target), append(p.summaries, *f.pass)
}

// outputs are the records, to be written together with the garments.
func (p *passes) outputs() ([]savable, []string, error) {
	if p.dir == "" {
		return nil, nil, nil
	}
	var list []savable
	for _, r := range p.records {
		list = append(list, r)
	}
	files := slices.Clone(p.files)
	for k, record := range p.files {
		owner, err := wardrobe.OwnerOfRecord(record, p.targets[k], p.bodies.Names).Bytes()
		if err != nil {
			return nil, nil, err
		}
		list, files = append(list, finishedPage(owner)), append(files, wardrobe.RecordOwnerFile(record))
	}
	return list, files, nil
}

// show prints the summaries of the transfers and what became of the edits.
func (p *passes) show(cmd *cobra.Command, list []transfer.Summary, asJSON, quiet bool) error {
	if p.dir == "" {
		return show(cmd, list, asJSON, quiet)
	}
	if asJSON {
		type both struct {
			transfer.Summary
			Pass pass.Summary `json:"pass"`
		}
		all := make([]both, len(list))
		for k := range list {
			all[k] = both{list[k], p.summaries[k]}
		}
		return writeJSON(cmd.OutOrStdout(), all)
	}
	if err := show(cmd, list, false, quiet); err != nil || quiet {
		return err
	}
	writePasses(cmd.OutOrStdout(), toldPasses(p.summaries...))
	return nil
}

// conflictRows is the number of conflicts that the terminal shows of a garment.
const conflictRows = 10

// toldPass is a summary of a pass, with the number of its conflicts and of those that
// --json lists.
type toldPass struct {
	pass.Summary
	conflicts, listed int
}

// toldPasses are summaries that list all conflicts.
func toldPasses(list ...pass.Summary) []toldPass {
	out := make([]toldPass, len(list))
	for k, s := range list {
		out[k] = toldPass{s, len(s.Conflicts), len(s.Conflicts)}
	}
	return out
}

// writePasses prints what became of the edits.
func writePasses(w io.Writer, list []toldPass) {
	t := newTable(w, []string{"garment", "edits", "of them new", "kept", "carried", "agreed", "in conflict", "dropped", "locked"}, 1)
	for i := range list {
		s := &list[i].Summary
		t.AppendRow(table.Row{printable(s.Garment), s.Edited, s.New, s.Kept, s.Carried, s.Agreed, s.Conflict, s.Lost(), s.Locked})
	}
	t.Render()
	for _, s := range list {
		if s.First {
			fmt.Fprintf(w, "%s: first pass; a record is kept for the next\n", printable(s.Garment))
		}
		var reasons []string
		for why, n := range s.Dropped {
			reasons = append(reasons, fmt.Sprintf("%d: %s", n, why))
		}
		slices.Sort(reasons)
		for _, r := range reasons {
			fmt.Fprintf(w, "%s: edits dropped, %s\n", printable(s.Garment), r)
		}
		for _, n := range s.Notes {
			fmt.Fprintf(w, "%s: %s\n", printable(s.Garment), printable(n))
		}
		worst := slices.Clone(s.Conflicts)
		slices.SortStableFunc(worst, func(a, b pass.Conflict) int {
			switch {
			case a.Moved > b.Moved:
				return -1
			case a.Moved < b.Moved:
				return 1
			}
			return 0
		})
		for k, c := range worst {
			if k == conflictRows {
				which := "all"
				if s.listed < s.conflicts {
					which = fmt.Sprintf("the %d worst", s.listed)
				}
				fmt.Fprintf(w, "%s: and %d more conflicts; --json lists %s\n", printable(s.Garment), s.conflicts-k, which)
				break
			}
			fmt.Fprintf(w, "%s: conflict at vertex %d, joint %s: edited by %.3f, moved by %.3f: %s\n", printable(s.Garment), c.Vertex, printable(c.Joint), c.Edit, c.Moved, c.Choice)
		}
	}
}

// readRecord reads a pass record, and returns its file too.
func readRecord(name string) (*pass.Record, []byte, error) {
	info, err := os.Stat(name)
	if err != nil {
		return nil, nil, err
	}
	if info.IsDir() || info.Size() > convert.MaxPassBytes {
		return nil, nil, fmt.Errorf("%s: is no pass record", name)
	}
	data, err := os.ReadFile(name)
	if err != nil {
		return nil, nil, err
	}
	r, err := convert.UnpackPass(data)
	if err != nil {
		return nil, nil, fmt.Errorf("%s: %w (without the record, edits cannot be told from the transfer)", name, err)
	}
	return r, data, nil
}

// openArtist opens a garment that may carry edits of a pass, see pass.Input.OpenArtist.
func openArtist(ctx context.Context, in *pass.Input, file string, own *gltfio.Asset) error {
	a, err := gltfio.Open(file, gltfio.Options{AllowExternal: true})
	if err != nil {
		return err
	}
	return in.OpenArtist(ctx, a, own)
}

// fileSum is the SHA-256 of a file.
func fileSum(file string) (sum [sha256.Size]byte, err error) {
	f, err := os.Open(file)
	if err != nil {
		return sum, err
	}
	defer f.Close()
	h := sha256.New()
	if _, err := io.Copy(h, f); err != nil {
		return sum, err
	}
	h.Sum(sum[:0])
	return sum, nil
}
