package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strconv"
	"strings"

	"github.com/jedib0t/go-pretty/v6/table"
	"github.com/jedib0t/go-pretty/v6/text"
	"github.com/selvage/selvage/transfer"
	"github.com/selvage/selvage/transfer/gltfio"
	"github.com/selvage/selvage/transfer/pose"
	"github.com/spf13/cobra"
)

func newCheck() *cobra.Command {
	var bodyFile, planFile string
	var layers []string
	var opt pose.FileOptions
	var where remote
	var limits []string
	var joints jointFlags
	var rules []transfer.JointRule
	var asJSON, quiet, strict bool
	var maxRank float64
	var top int
	var pages checkPage
	cmd := &cobra.Command{
		Use:   "check GARMENT",
		Short: "Judge a weighted garment in motion",
		Long: `Check poses a weighted garment and its body one joint, one local axis and one
direction at a time, on the raw skinned meshes, and says where the garment is worse
than the body under it: it dives in or comes off, stretches, shrinks, turns over,
breaks smooth lines, loses surface or volume, bends a button, opens a seam. Notes
for the rigger, on what no weights of a garment can mend, are kept apart. Both name
joint, axis, amount, place and size.

Faults by the KIND that --limit takes, what their size is, and the default limit (d:
diagonal of the body's box, about 2 m on a grown figure):
  penetration    metres that a vertex goes into the body under it      0.002 d
  crossing       metres that it goes into another part of the body     0.002 d
  dive           metres that it goes under a layer that it lies over   0.002 d
  gap            metres that it comes off or closer                    0.02 d
  stretch        factor by which an edge grows                         1.8
  compression    factor to which an edge shrinks                       0.35
  turned         triangles turned over in one place                    4
  jagged         kink of a smooth line, edge lengths                   0.5
  area, volume   share of the bend that is lost                        0.2, 0.1
  deformed       change of a rigid island, share of its size           0.02
  parted         metres that a seam opens                              0.0001 d
Notes for the rigger:
  bodyJagged, bodyTurned   the body's own weights break there          0.5, 4
  bodyVolume     share lost about one axis though not another          0.25
  carriedIn      metres that the body's own weights take cloth in      0.002 d
  coarse         change of a weight over one edge                      0.5
  pole           edges of a vertex in a bend                           10
  twistUneven    range of a twist joint's share around the limb        0.2
  influencesCut  metres that influences cut by the limit would move    0.0025 d

A finding's rank is its size over the limit, times the importance of the axis (a
hinge's main axis counts first). A YAML plan sets angles, ranges, importance, whole
poses and limits:

  angles: [30, 60]                  # degrees, both ways; default 45 and 90
  move: 0.03                        # metres; 0 for none
  scale: [0.8, 1.25]                # factors along one axis; [] for none
  groups: {fingers: ["index_*", "middle_*", "ring_*", "little_*"]}
  joints:
    - {joints: ["shin.*"], range: {x: [-5, 130], y: [0, 0], z: [0, 0]}}
    - {joints: [fingers], angles: [45], importance: {x: 0.2}}
    - {joints: ["toes.*"], skip: true}
  poses:
    - name: arms overhead
      set:
        - {joints: [upper_arm.left], turn: [0, 0, 90]}     # degrees about x, y, z, in that order
        - {joints: [upper_arm.right], turn: [0, 0, -90]}
  limits: {penetration: 0.003, stretch: 2}`,
		Example: `  selvage check coat.glb --body body.glb
  selvage check coat.glb --body body.glb --plan poses.yaml --strict
  selvage check coat.glb --body body.glb --layer jersey.glb --layer trousers.glb    # nor into what is worn beneath
  selvage check coat.glb --body body.glb --joint-map joints.yaml                    # made with --skin own
  selvage check coat.glb --body body.glb --report coat.html --png pictures/
  selvage check coat.glb --body body.glb --limit penetration=0.005 --json | jq '.findings[0].sentence'
  selvage check coat.glb --body body.glb --server 127.0.0.1:7411`,
		Args: exactArgs(1, "one garment"),
		RunE: func(cmd *cobra.Command, args []string) error {
			if bodyFile == "" {
				return usageError{errors.New("check needs --body")}
			}
			if err := checkGlobs("body-mesh", opt.Body.Names); err != nil {
				return err
			}
			if err := checkGlobs("garment", opt.Garment.Names); err != nil {
				return err
			}
			if opt.Threads < 0 {
				return usageError{fmt.Errorf("--threads: %d is negative", opt.Threads)}
			}
			if opt.Samples < 0 || opt.Samples > 10000 {
				return usageError{fmt.Errorf("--samples: %d is outside 0..10000", opt.Samples)}
			}
			if err := pages.validate(cmd); err != nil {
				return err
			}
			if err := checkLayers(layers, bodyFile, args); err != nil {
				return err
			}
			if err := joints.into(&rules); err != nil {
				return err
			}
			var err error
			if opt.Joints, err = transfer.Counterparts(rules); err != nil {
				return usageError{err}
			}
			plan := &pose.Plan{}
			if planFile != "" {
				text, err := os.ReadFile(planFile)
				if err != nil {
					return err
				}
				if plan, err = pose.ReadPlan(text, planFile); err != nil {
					return usageError{err}
				}
			}
			for _, l := range limits {
				kind, value, ok := strings.Cut(l, "=")
				x, err := strconv.ParseFloat(value, 64)
				if !ok || err != nil {
					return usageError{fmt.Errorf("--limit: %q is not KIND=NUMBER", l)}
				}
				if err := plan.Limits.Set(pose.Kind(kind), x); err != nil {
					return usageError{fmt.Errorf("--limit: %w", err)}
				}
			}
			opt.Plan = plan
			ctx := cmd.Context()
			bar := newProgress(cmd.ErrOrStderr(), quiet || asJSON)
			defer bar.close()
			report, err := newCheckEngine(&where, rules)(ctx, bodyFile, layers, args[0], opt, bar.poses(filepath.Base(args[0])))
			if err != nil {
				return err
			}
			shown, err := pages.write(ctx, bodyFile, layers, args[0], opt, report)
			if err != nil {
				return err
			}
			bar.close()
			switch {
			case asJSON:
				if err := writeJSON(cmd.OutOrStdout(), report); err != nil {
					return err
				}
			case !quiet:
				writeCheck(cmd.OutOrStdout(), report, top)
				say(cmd.OutOrStdout(), shown)
			}
			return strictCheck(report, strict, maxRank)
		},
	}
	pages.addFlags(cmd)
	f := cmd.Flags()
	f.StringVar(&bodyFile, "body", "", "file of the body that wears the garment")
	f.StringArrayVar(&opt.Body.Names, "body-mesh", nil, "glob of node, mesh or material names that are the body (repeatable; default: every skinned mesh)")
	f.StringArrayVar(&opt.Garment.Names, "garment", nil, "glob of node, mesh or material names that are the garment (repeatable; default: every mesh)")
	f.StringArrayVar(&layers, "layer", nil, "file of a weighted garment worn beneath, which this one must not go under (repeatable, inner to outer)")
	f.StringVar(&planFile, "plan", "", "YAML file of angles, ranges, importance, whole poses and limits")
	f.IntVar(&opt.Samples, "samples", 0, "moments of each animation that are checked too (0: none); the body's animations, else the garment's")
	f.StringArrayVar(&limits, "limit", nil, "KIND=NUMBER: limit of one kind of finding, over the plan's (repeatable)")
	f.IntVar(&top, "top", 20, "rows of each table (0: all)")
	addNameFlags(f, &joints)
	addRemoteFlags(f, &where)
	f.BoolVar(&asJSON, "json", false, "print the report as JSON on standard output")
	f.BoolVarP(&quiet, "quiet", "q", false, "print errors alone")
	f.BoolVar(&strict, "strict", false, "exit with status 3 when a finding ranks over --max-rank")
	f.Float64Var(&maxRank, "max-rank", 1, "with --strict: highest rank that passes; 1 is a size at its limit on a main axis")
	f.IntVar(&opt.Threads, "threads", 0, "number of threads (0: all); the result does not depend on it")
	return cmd
}

// checkEngine checks one garment's file over a body's and those of layers beneath;
// progress may be nil.
type checkEngine func(ctx context.Context, body string, layers []string, garment string, opt pose.FileOptions, progress func(done, total int, name string)) (*pose.Report, error)

// newCheckEngine picks one: here, or by a server, which is told the rules that
// opt.Joints was made of.
func newCheckEngine(r *remote, rules []transfer.JointRule) checkEngine {
	if r.address != "" {
		return func(ctx context.Context, body string, layers []string, garment string, opt pose.FileOptions, progress func(done, total int, name string)) (*pose.Report, error) {
			return r.check(ctx, body, layers, garment, opt, rules, progress)
		}
	}
	return checkHere
}

func checkHere(ctx context.Context, body string, layers []string, garment string, opt pose.FileOptions, progress func(done, total int, name string)) (*pose.Report, error) {
	b, err := gltfio.Open(body, gltfio.Options{AllowExternal: true})
	if err != nil {
		return nil, err
	}
	g, err := gltfio.Open(garment, gltfio.Options{AllowExternal: true})
	if err != nil {
		return nil, err
	}
	if opt.Layers, err = openAll(layers); err != nil {
		return nil, err
	}
	checker, err := pose.FromAssets(ctx, b, g, opt)
	if err != nil {
		return nil, err
	}
	done := 0
	return checker.Run(ctx, func(r pose.Result) error {
		if done++; progress != nil {
			progress(done, len(checker.Poses()), r.Pose.Name)
		}
		return nil
	})
}

// openAll reads assets.
func openAll(files []string) (out []*gltfio.Asset, err error) {
	for _, file := range files {
		a, err := gltfio.Open(file, gltfio.Options{AllowExternal: true})
		if err != nil {
			return nil, err
		}
		out = append(out, a)
	}
	return out, nil
}

// strictCheck holds the worst finding against the rank.
func strictCheck(r *pose.Report, strict bool, maxRank float64) error {
	if !strict || len(r.Findings) == 0 || r.Findings[0].Rank <= maxRank {
		return nil
	}
	return strictError{fmt.Errorf("%s: rank %.2f, more than %g: %s", r.Garment, r.Findings[0].Rank, maxRank, r.Findings[0].Sentence)}
}

// writeCheck prints the findings, then the notes: of one fault at one joint only
// the worst, with the number of poses that show it.
func writeCheck(w io.Writer, r *pose.Report, top int) {
	fmt.Fprintf(w, "%s over %s: %d vertices, %d poses, %d of them change nothing; %d findings, %d notes\n",
		printable(r.Garment), printable(r.Body), r.Vertices, r.Poses, r.Idle, len(r.Findings), len(r.Notes))
	for _, l := range r.Layers {
		fmt.Fprintf(w, "over %s: %d vertices; %d go under it, in %d cases, %d of them avoidable", printable(l.Layer), l.Over, l.Dived, l.Cases, l.Avoidable)
		if l.Pose != "" {
			fmt.Fprintf(w, "; %.1f mm with %s", 1000*l.Depth, printable(l.Pose))
		}
		fmt.Fprintln(w)
	}
	for _, x := range r.Remarks {
		fmt.Fprintln(w, printable(x))
	}
	writeFindings(w, "fault", r.Findings, top)
	writeFindings(w, "note for the rigger", r.Notes, top)
}

func writeFindings(w io.Writer, title string, list []pose.Finding, top int) {
	groups := pose.ByJoint(list)
	if len(groups) == 0 {
		return
	}
	t := table.NewWriter()
	t.SetOutputMirror(w)
	t.SetStyle(table.StyleLight)
	t.Style().Format.Header = text.FormatDefault
	t.AppendHeader(table.Row{"rank", title, "worst", "poses"})
	for i, g := range groups {
		if top > 0 && i == top {
			break
		}
		t.AppendRow(table.Row{fmt.Sprintf("%.2f", g.Worst.Rank), g.Worst.Kind.String(), printable(g.Worst.Sentence), g.Poses})
	}
	t.SetColumnConfigs([]table.ColumnConfig{
		{Number: 1, Align: text.AlignRight}, {Number: 3, WidthMax: 96, WidthMaxEnforcer: text.WrapSoft}, {Number: 4, Align: text.AlignRight},
	})
	t.Render()
	if rest := len(groups) - top; top > 0 && rest > 0 {
		fmt.Fprintf(w, "and %d more; --top 0 shows all\n", rest)
	}
}
