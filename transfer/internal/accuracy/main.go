// Command accuracy measures the transfer and its baselines against the known
// truth of the demo crew's clothes, and keeps the table in BENCHMARKS.md.
package main

import (
	"context"
	"encoding/json"
	"errors"
	"flag"
	"fmt"
	"io"
	"math"
	"os"
	"os/signal"
	"path"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"github.com/selvage/selvage/transfer"
	"github.com/selvage/selvage/transfer/crew"
	"github.com/selvage/selvage/transfer/weights"
)

// figureHeight is the height, in metres, of the figure that errors in
// centimetres are given for.
const figureHeight = 1.8

// score is what is measured of one method on one case.
type score struct {
	Body     string `json:"body"`
	HeldOut  bool   `json:"heldOut"`
	Even     bool   `json:"even"` // one of crew.EvenCases
	Case     string `json:"case"`
	Method   string `json:"method"`
	Loose    bool   `json:"loose"` // the loose vertices of the case, else the others
	Vertices int    `json:"vertices"`

	MeanL1        float64  `json:"meanL1"`
	P99L1         float64  `json:"p99L1"`
	P99Cm         float64  `json:"p99Cm"`
	MaxCm         float64  `json:"maxCm"`
	P999Stretch   float64  `json:"p999Stretch"`
	MaxStretch    float64  `json:"maxStretch"`
	TruthStretch  float64  `json:"truthP999Stretch"`
	TruthMax      float64  `json:"truthMaxStretch"`
	AUROC         *float64 `json:"auroc"`          // null: all right or all wrong
	WrongSure     *float64 `json:"wrongAmongSure"` // null: none sure
	Reliability   []bin    `json:"reliability"`
	Seconds       float64  `json:"seconds"`
	confidence, l []float64
}

type options struct {
	json, body, caseGlob, heldOut, methods, out, png string
	worst                                            int
	posed, skeletons                                 bool
}

func main() {
	var o options
	flag.StringVar(&o.json, "json", "", "write all figures to `FILE`")
	flag.StringVar(&o.body, "body", "", "only the body called `NAME`")
	flag.StringVar(&o.caseGlob, "case", "", "only cases whose name matches `GLOB`")
	flag.StringVar(&o.heldOut, "held-out", "pilot", "mark the body called `NAME` as held out")
	flag.StringVar(&o.methods, "methods", "", "only these methods, a comma-separated `LIST`")
	flag.StringVar(&o.png, "png", "", "draw error and confidence of each case and method into `DIR`")
	flag.IntVar(&o.worst, "worst", 0, "print the `N` worst vertices of each case and method")
	flag.StringVar(&o.out, "out", "BENCHMARKS.md", "the `FILE` that holds the table; runs with -body, -case or -methods leave it alone")
	flag.BoolVar(&o.posed, "posed", false, "measure garments in other default poses instead, and keep that table")
	flag.BoolVar(&o.skeletons, "skeletons", false, "measure garments with other skeletons instead, and keep that table")
	flag.Parse()
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt)
	err := run(ctx, o, os.Stdout)
	stop()
	if err != nil {
		fmt.Fprintln(os.Stderr, "accuracy:", err)
		os.Exit(1)
	}
}

func run(ctx context.Context, o options, w io.Writer) error {
	if _, err := path.Match(o.caseGlob, ""); err != nil {
		return fmt.Errorf("case %q: %w", o.caseGlob, err)
	}
	for _, name := range []string{o.body, o.heldOut} {
		if name != "" && !slices.Contains(crew.Names(), name) {
			return fmt.Errorf("body %q: want one of %s", name, strings.Join(crew.Names(), ", "))
		}
	}
	for _, x := range []struct {
		wanted  bool
		table   string
		measure func(ctx context.Context, only, heldOut string) (string, error)
	}{{o.posed, "posed", posed}, {o.skeletons, "skeletons", skeletons}} {
		if x.wanted {
			text, err := x.measure(ctx, o.body, o.heldOut)
			if err != nil || o.body != "" {
				return err
			}
			return keepTable(o.out, x.table, text)
		}
	}
	chosen := methods()
	if o.methods != "" {
		all := chosen
		chosen = nil
		for _, name := range strings.Split(o.methods, ",") {
			i := slices.IndexFunc(all, func(m method) bool { return m.name == strings.TrimSpace(name) })
			if i < 0 {
				return fmt.Errorf("method %q is unknown", name)
			}
			chosen = append(chosen, all[i])
		}
	}
	var scores []*score
	for _, name := range crew.Names() {
		if o.body != "" && name != o.body {
			continue
		}
		b := crew.NewBody(name)
		cases := b.Cases()
		uneven := len(cases)
		for i, c := range append(cases, b.EvenCases()...) {
			if ok, _ := path.Match(o.caseGlob, c.Name); o.caseGlob != "" && !ok {
				continue
			}
			s, err := measureCase(ctx, c, chosen, o.worst, o.png, w)
			if err != nil {
				return fmt.Errorf("%s, %s: %w", name, c.Name, err)
			}
			slices.SortStableFunc(s, func(a, b *score) int { return strings.Compare(a.Case, b.Case) })
			for _, x := range s {
				x.Body, x.HeldOut, x.Even = name, name == o.heldOut, i >= uneven
			}
			scores = append(scores, s...)
			fmt.Fprintf(os.Stderr, "%s, %s: measured\n", name, c.Name)
		}
	}
	if len(scores) == 0 {
		return errors.New("no case matches")
	}
	text := markdown(scores)
	fmt.Fprint(w, text)
	if o.json != "" {
		data, err := json.MarshalIndent(scores, "", " ")
		if err != nil {
			return err
		}
		if err := replaceFile(o.json, data); err != nil {
			return err
		}
	}
	if o.body == "" && o.caseGlob == "" && o.methods == "" {
		return keepTable(o.out, "accuracy", text)
	}
	return nil
}

// measureCase runs the methods on one case, one after the other.
func measureCase(ctx context.Context, c *crew.Case, chosen []method, worst int, pictures string, w io.Writer) ([]*score, error) {
	b := &transfer.Body{Name: c.Body.Name, Mesh: c.Body.Mesh, Rows: c.Body.Rows, Skin: c.Body.Skin}
	g := &transfer.Garment{Name: c.Garment.Name, Mesh: c.Garment.Mesh}
	for _, p := range c.Garment.Parts {
		g.Parts = append(g.Parts, transfer.Part{Node: c.Garment.Name, Material: p.Material, Primitive: len(g.Parts), Start: p.Start, End: p.End})
	}
	truth := c.Garment.Truth
	box := b.Mesh.Bounds()
	toCm := 100 * figureHeight / (box.Max.Y - box.Min.Y)
	p := newPoser(b.Skin)
	truthStretch := p.stretch(g.Mesh, truth)
	var out []*score
	for _, m := range chosen {
		start := time.Now()
		a, err := m.run(ctx, b, g)
		seconds := time.Since(start).Seconds()
		if err != nil {
			return nil, fmt.Errorf("%s: %w", m.name, err)
		}
		n := g.Mesh.NumVertices()
		if a.rows.Len() != n || len(a.confidence) != n || len(a.distance) != n {
			return nil, fmt.Errorf("%s: %d rows for %d vertices", m.name, a.rows.Len(), n)
		}
		l1 := make([]float64, n)
		for v := range l1 {
			if s := a.rows.Sum(v); math.IsNaN(s) || math.Abs(s-1) > 1e-3 {
				return nil, fmt.Errorf("%s: %w", m.name, &weights.SumError{Vertex: v, Sum: s})
			}
			l1[v] = a.rows.DistanceL1(v, truth, v)
		}
		cm := p.errors(g.Mesh.Positions, a.rows, truth)
		for v := range cm {
			cm[v] *= toCm
		}
		st := p.stretch(g.Mesh, a.rows)
		if pictures != "" {
			if err := drawCase(pictures, b, c, m.name, a, l1); err != nil {
				return nil, err
			}
		}
		// Loose cloth has a convention for truth: it is measured apart. Rigid islands
		// are few: they are measured with the rest, and again alone.
		for _, kind := range []string{"", " (loose part)", " (rigid islands)"} {
			loose := kind == " (loose part)"
			part := func(x []float64) []float64 {
				var y []float64
				for v := range x {
					if kind == " (rigid islands)" && c.Garment.RigidIsland[v] >= 0 || kind != " (rigid islands)" && c.Garment.LooseVertex[v] == loose {
						y = append(y, x[v])
					}
				}
				return y
			}
			l, k, conf := part(l1), part(cm), part(a.confidence)
			if len(l) == 0 {
				continue
			}
			var bad []bool
			for _, x := range l {
				bad = append(bad, x > wrongL1)
			}
			s := &score{
				Case: c.Name + kind, Method: m.name, Loose: loose, Vertices: len(l),
				MeanL1: mean(l), P99L1: quantile(l, 0.99),
				P99Cm: quantile(k, 0.99), MaxCm: quantile(k, 1),
				P999Stretch: quantile(st, 0.999), MaxStretch: quantile(st, 1),
				TruthStretch: quantile(truthStretch, 0.999), TruthMax: quantile(truthStretch, 1),
				Reliability: reliability(conf, l), Seconds: seconds,
				confidence: conf, l: l,
			}
			if kind == " (rigid islands)" {
				s.confidence, s.l = nil, nil // counted with the rest already
			}
			s.AUROC = known(auroc(conf, bad))
			s.WrongSure = known(wrongAmongSure(conf, bad))
			out = append(out, s)
		}
		if worst > 0 {
			printWorst(w, worst, c, b, m.name, a, l1, cm)
		}
	}
	return out, nil
}

func known(x float64, ok bool) *float64 {
	if !ok {
		return nil
	}
	return &x
}

// printWorst lists the vertices with the largest skinning error.
func printWorst(w io.Writer, n int, c *crew.Case, b *transfer.Body, name string, a *answer, l1, cm []float64) {
	order := make([]int, len(cm))
	for v := range order {
		order[v] = v
	}
	slices.SortStableFunc(order, func(x, y int) int {
		switch {
		case cm[x] > cm[y]:
			return -1
		case cm[x] < cm[y]:
			return 1
		}
		return 0
	})
	fmt.Fprintf(w, "%s, %s, %s: worst vertices\n", b.Name, c.Name, name)
	for _, v := range order[:min(n, len(order))] {
		x := c.Garment.Mesh.Positions[v]
		fmt.Fprintf(w, "  vertex %d at (%.4f, %.4f, %.4f): %.2f cm, L1 %.3f, distance %.4f m, confidence %.3f",
			v, x.X, x.Y, x.Z, cm[v], l1[v], a.distance[v], a.confidence[v])
		if a.reason != nil {
			for k, r := range transfer.ReasonNames {
				if a.reason[v]>>k&1 != 0 {
					fmt.Fprintf(w, ", %s", r)
				}
			}
		}
		fmt.Fprintf(w, "\n    given %s\n    truth %s\n", rowText(b, a.rows, v), rowText(b, c.Garment.Truth, v))
	}
}

func rowText(b *transfer.Body, r *weights.Rows, v int) string {
	joint, weight := r.Row(v)
	var s []string
	for i, j := range joint {
		s = append(s, fmt.Sprintf("%s %.3f", b.Skin.Joints[j].Name, weight[i]))
	}
	return strings.Join(s, ", ")
}

func percent(x *float64) string {
	if x == nil {
		return "-"
	}
	return fmt.Sprintf("%.1f%%", 100**x)
}

func ratio(x *float64) string {
	if x == nil {
		return "-"
	}
	return fmt.Sprintf("%.3f", *x)
}

// markdown gives one table a body, and the reliability of each method's
// confidence over all cases.
func markdown(scores []*score) string {
	var s strings.Builder
	var names []string // methods in order of appearance
	last := ""
	for _, x := range scores {
		if !slices.Contains(names, x.Method) {
			names = append(names, x.Method)
		}
		title := x.Body
		if x.Even {
			title += ", even clothes"
		}
		if x.HeldOut {
			title += " (held out)"
		}
		if title != last {
			last = title
			fmt.Fprintf(&s, "\n### %s\n\n", title)
			s.WriteString("| case | method | mean L1 | p99 L1 | p99 cm | max cm | stretch p99.9 (truth) | stretch max (truth) | AUROC | wrong among sure | s |\n")
			s.WriteString("|---|---|--:|--:|--:|--:|--:|--:|--:|--:|--:|\n")
		}
		fmt.Fprintf(&s, "| %s | %s | %.4f | %.3f | %.2f | %.2f | %.2f (%.2f) | %.2f (%.2f) | %s | %s | %.2f |\n",
			x.Case, x.Method, x.MeanL1, x.P99L1, x.P99Cm, x.MaxCm, x.P999Stretch, x.TruthStretch,
			x.MaxStretch, x.TruthMax, ratio(x.AUROC), percent(x.WrongSure), x.Seconds)
	}
	s.WriteString("\n### Confidence, all vertices of all cases\n\n| method | AUROC | wrong among sure |")
	for k := range 10 {
		fmt.Fprintf(&s, " %.1f |", float64(k)/10)
	}
	s.WriteString("\n|---|--:|--:|" + strings.Repeat("--:|", 10) + "\n")
	for _, name := range names {
		var c, l []float64
		for _, x := range scores {
			if x.Method == name {
				c, l = append(c, x.confidence...), append(l, x.l...)
			}
		}
		wrong := make([]bool, len(l))
		for v := range l {
			wrong[v] = l[v] > wrongL1
		}
		fmt.Fprintf(&s, "| %s | %s | %s |", name, ratio(known(auroc(c, wrong))), percent(known(wrongAmongSure(c, wrong))))
		for _, b := range reliability(c, l) {
			if b.Vertices == 0 {
				s.WriteString(" - |")
				continue
			}
			fmt.Fprintf(&s, " %.2f/%.2f |", b.Predicted, b.Measured)
		}
		s.WriteString("\n")
	}
	s.WriteString("\nColumns 0.0 to 0.9: vertices by confidence, expected error (-0.4 ln c, at most 2) / measured mean L1. Wrong: L1 above 0.2; sure: confidence above 0.9. cm: largest skinning error over single-joint, single-axis turns of 90 degrees, on a figure of 1.8 m.\n")
	return s.String()
}

// withTable returns the document with the text between the marks of a table
// replaced, or with marks and text appended where it has neither.
func withTable(doc, table, text string) (string, error) {
	beginMark, endMark := "<!-- "+table+":begin -->", "<!-- "+table+":end -->"
	block := beginMark + "\n" + text + endMark
	i, k := strings.Index(doc, beginMark), strings.Index(doc, endMark)
	switch {
	case i < 0 && k < 0:
		return doc + "\n" + block + "\n", nil
	case i < 0 || k < i:
		return "", fmt.Errorf("the marks of the table %s do not pair up", table)
	}
	return doc[:i] + block + doc[k+len(endMark):], nil
}

func keepTable(name, table, text string) error {
	doc, err := os.ReadFile(name)
	if err != nil && !errors.Is(err, os.ErrNotExist) {
		return err
	}
	out, err := withTable(string(doc), table, text)
	if err != nil {
		return fmt.Errorf("%s: %w", name, err)
	}
	return replaceFile(name, []byte(out))
}

// replaceFile writes a temporary file beside name and renames it.
func replaceFile(name string, data []byte) error {
	f, err := os.CreateTemp(filepath.Dir(name), ".accuracy-*")
	if err != nil {
		return err
	}
	defer os.Remove(f.Name()) // gone already once renamed
	_, err = f.Write(data)
	err = errors.Join(err, f.Chmod(0o644), f.Close())
	if err != nil {
		return err
	}
	return os.Rename(f.Name(), name)
}
