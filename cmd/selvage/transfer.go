package main

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"

	"github.com/selvage/selvage/transfer"
	"github.com/selvage/selvage/transfer/gltfio"
	"github.com/spf13/cobra"
)

func newTransfer() *cobra.Command {
	var opt transfer.AssetOptions
	var bodies gltfio.Selection
	var where remote
	var edits passes
	var joints jointFlags
	var worn layerFlags
	var output, reportFile, previous string
	var asJSON, quiet, strict bool
	var maxLow float64
	cmd := &cobra.Command{
		Use:   "transfer BODY GARMENT...",
		Short: "Give garments the body's weights",
		Long: `Transfer reads a skinned body and one or more garments, gives every garment vertex
a row of the body's joints, and writes the garments with the body's skin, each
vertex with a confidence (_CONFIDENCE, 0 to 1) and reasons (_REASON, one bit each).
Everything else in a garment's file stays as it is.

By default the body is every skinned mesh of the first file's scene, the garment
every mesh of the second's; all meshes picked from one file are treated as one
garment, so that buttons find the cloth they sit on.

With --skin own the garment keeps its skin, and the rows refer to its joints. Each
joint of the body gives its weight to one of them: by the first rule of the joint map
that its name matches, else to that of the same name, else to that of its nearest
ancestor that has one, else to the nearest. With the body's skin the rules alone
count. A joint map:

  version: 1
  joints:
    - {from: "*_twist.*", to: "*.*"}         # each * on the right is what the same * on
    - {from: "arm_*_L", to: "*_left_arm"}    # the left matched`,
		Example: `  selvage transfer body.glb coat.glb -o coat.weighted.glb
  selvage transfer body.glb coat.glb hat.glb -o out/       # a folder for several
  selvage transfer crew.glb coat.glb --body 'mate*' --garment oilskin -o coat.glb
  selvage transfer body.glb coat.glb hat.glb -o out/ --report wardrobe.html
  selvage transfer body.glb coat.glb -o out/coat.glb --pass-dir passes/   # keeps work done by hand
  selvage transfer body.glb coat.glb --keep-joint 'tail_*' -o coat.glb
  selvage transfer body.glb coat.glb -o coat.glb --lock 'near:hand_*:0.02' --lock-joint 'tail_*'
  selvage transfer body.glb coat.glb --skin own --joint-map joints.yaml -o coat.glb
  selvage transfer body.glb jersey.glb coat.glb -o out/ --layers given     # the coat over the jersey
  selvage transfer body.glb coat.glb -o coat.glb --layer out/jersey.glb    # the same, one by one
  selvage transfer body.glb coat.glb -o coat.glb --json | jq '.[0].lowConfidence'`,
		Args: func(cmd *cobra.Command, args []string) error {
			if len(args) < 2 {
				return usageError{fmt.Errorf("transfer takes a body and at least one garment; see selvage transfer --help")}
			}
			return nil
		},
		RunE: func(cmd *cobra.Command, args []string) error {
			if output == "" {
				return usageError{errors.New("transfer needs --output")}
			}
			if err := checkGlobs("body", bodies.Names); err != nil {
				return err
			}
			if err := checkGlobs("garment", opt.Garments.Names); err != nil {
				return err
			}
			if err := joints.into(&opt.JointMap); err != nil {
				return err
			}
			if _, err := transfer.ParseLocks(opt.Lock); err != nil {
				return usageError{err}
			}
			if err := checkGlobs("lock-joint", opt.LockJoints); err != nil {
				return err
			}
			targets, err := outputs(args[1:], output)
			if err != nil {
				return err
			}
			if err := checkReportFile(cmd, reportFile); err != nil {
				return err
			}
			if err := checkPageFiles(reportFile, ""); err != nil {
				return err
			}
			if previous != "" && reportFile == "" {
				return usageError{errors.New("--previous needs --report")}
			}
			if err := checkPrevious(previous, len(targets)); err != nil {
				return err
			}
			if err := checkLayers(worn.files, args[0], args[1:]); err != nil {
				return err
			}
			if err := edits.begin(cmd, args[0], bodies); err != nil {
				return err
			}
			ctx := cmd.Context()
			bar := newProgress(cmd.ErrOrStderr(), quiet || asJSON)
			defer bar.close()
			computer, end, err := newEngine(ctx, &where, args[0], bodies, opt.JointMap, opt.Threads)
			if err != nil {
				return err
			}
			defer end()
			order, found, err := worn.dress(ctx, computer, args[1:], opt.Garments)
			if err != nil {
				return wrongOption(err)
			}
			// All garments are computed before the first is written: a failure leaves
			// nothing half-done.
			results := make([]savable, len(targets))
			summaries := make([]transfer.Summary, len(targets))
			outs := make([]*finished, len(targets))
			for n, k := range order {
				file := args[1+k]
				opt.Progress = bar.garment(filepath.Base(file), n, len(targets))
				in, err := edits.input(file, targets[k], opt)
				if err != nil {
					return err
				}
				out, err := computer.transfer(ctx, file, opt, in)
				if err != nil {
					return wrongOption(err)
				}
				if err := edits.lost(ctx, in, file, targets[k], out); err != nil {
					return err
				}
				results[k], summaries[k] = out.savable, out.summary
				outs[k] = out
				if n+1 < len(order) {
					if err := worn.then(ctx, computer, file, out); err != nil {
						return err
					}
				}
			}
			for k, out := range outs {
				edits.add(targets[k], out)
			}
			noteOrder(summaries, order, found)
			if len(order) > 0 {
				edits.tellIdle(args[1:], order[len(order)-1]) // the outermost has to do with all
			}
			if reportFile != "" {
				page, err := resultsPage(ctx, args[0], bodies, opt, results, targets, summaries, edits.records, previous)
				if err != nil {
					return err
				}
				results, targets = append(results, page), append(targets, reportFile)
			}
			records, names, err := edits.outputs()
			if err != nil {
				return err
			}
			results, targets = append(results, records...), append(targets, names...)
			bar.close()
			missing, err := saveAll(ctx, results, targets)
			if err != nil {
				return err
			}
			for k := range missing {
				for _, m := range missing[k] {
					summaries[k].Notes = append(summaries[k].Notes, "the image "+m+" was not found beside the input; its reference was kept")
				}
			}
			if err := edits.show(cmd, summaries, asJSON, quiet); err != nil {
				return err
			}
			if reportFile != "" && !asJSON && !quiet {
				fmt.Fprintln(cmd.OutOrStdout(), "open", printable(reportFile))
			}
			return checkStrict(summaries, strict, maxLow)
		},
	}
	f := cmd.Flags()
	f.StringVarP(&output, "output", "o", "", "file to write (.glb or .gltf), or a folder where there are several garments")
	f.StringVar(&reportFile, "report", "", "HTML file to write as well: pictures, a table, a 3D view (see selvage report)")
	f.StringVar(&previous, "previous", "", "with --report: the last pass's weighted file, or the folder with the files of all garments, to show what changed")
	f.StringArrayVar(&bodies.Names, "body", nil, "glob of node, mesh or material names that are the body (repeatable; default: every skinned mesh)")
	f.StringArrayVar(&opt.Garments.Names, "garment", nil, "glob of node, mesh or material names that are the garment (repeatable; default: every mesh)")
	f.StringArrayVar(&opt.KeepJoints, "keep-joint", nil, "glob of the garment's own joints that keep their weights (repeatable)")
	f.BoolVar(&opt.PlainRows, "plain", false, "leave _CONFIDENCE and _REASON out")
	addOptionFlags(f, &opt.Options)
	addJointFlags(f, &joints)
	f.Var(choiceFlag[transfer.OutputSkin]{&opt.Skin, []string{"body", "own"}}, "skin", "whose joints the rows refer to: body, whose joints are written into the garment's file, or own, the garment's")
	addLockFlags(f, &opt)
	addRemoteFlags(f, &where)
	addPassFlags(f, &edits)
	addLayerFlags(f, &worn)
	f.BoolVar(&asJSON, "json", false, "print the summary as JSON on standard output")
	f.BoolVarP(&quiet, "quiet", "q", false, "print errors alone")
	f.BoolVar(&strict, "strict", false, "exit with status 3 when a garment's share of low confidence is over --max-low")
	f.Float64Var(&maxLow, "max-low", 5, "with --strict: largest share of low-confidence vertices, percent")
	return cmd
}

// outputs returns the file to write for each garment: output itself, or one in the
// folder that it names. Folders need not be there yet, see saveAll.
func outputs(garments []string, output string) (targets []string, err error) {
	info, err := os.Stat(output)
	inFolder := err == nil && info.IsDir() || strings.HasSuffix(output, string(filepath.Separator)) || len(garments) > 1
	if !inFolder {
		switch strings.ToLower(filepath.Ext(output)) {
		case ".glb", ".gltf":
			return []string{output}, checkFolders([]string{output})
		}
		return nil, usageError{fmt.Errorf("the output %s ends in neither .glb nor .gltf", output)}
	}
	if err == nil && !info.IsDir() {
		return nil, usageError{fmt.Errorf("%d garments need a folder as output, and %s is a file", len(garments), output)}
	}
	seen := map[string]string{}
	for _, g := range garments {
		name := filepath.Base(g)
		if other, ok := seen[name]; ok {
			return nil, usageError{fmt.Errorf("%s and %s would both be written to %s", other, g, filepath.Join(output, name))}
		}
		seen[name] = g
		targets = append(targets, filepath.Join(output, name))
	}
	return targets, checkFolders(targets)
}

// show prints the summaries.
func show(cmd *cobra.Command, list []transfer.Summary, asJSON, quiet bool) error {
	switch {
	case asJSON:
		return writeJSON(cmd.OutOrStdout(), list)
	case !quiet:
		writeSummaries(cmd.OutOrStdout(), list)
	}
	return nil
}

// checkStrict holds the share of low confidence against the limit.
func checkStrict(list []transfer.Summary, strict bool, maxLow float64) error {
	if !strict {
		return nil
	}
	for _, s := range list {
		if p := percent(s.LowConfidence, s.Vertices); p > maxLow {
			return strictError{fmt.Errorf("%s: %.1f%% of the vertices have low confidence, more than %g%%", s.Garment, p, maxLow)}
		}
	}
	return nil
}
