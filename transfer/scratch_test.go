package transfer

import (
	"context"
	"fmt"
	"math"
	"os"
	"slices"
	"strings"
	"testing"

	"github.com/selvage/selvage/transfer/closest"
	"github.com/selvage/selvage/transfer/crew"
	"github.com/selvage/selvage/transfer/mesh"
	"github.com/selvage/selvage/transfer/skinning"
	"github.com/selvage/selvage/transfer/weights"
	"gonum.org/v1/gonum/spatial/r3"
)

// shell cuts the part of the body that the named joints dominate and pushes it out.
func shell(b *Body, pick func(string) bool, off float64, flip, lining bool) (*Garment, *weights.Rows) {
	w := mesh.Weld(b.Mesh, 1e-6)
	m := w.Mesh
	rows := weights.NewRows(len(m.Positions))
	first := make([]int, len(m.Positions))
	for i := range first {
		first[i] = -1
	}
	for v, u := range w.ToWelded {
		if first[u] < 0 {
			first[u] = v
		}
	}
	keep := make([]bool, len(m.Positions))
	for u, v := range first {
		j, ww := b.Rows.Row(v)
		rows.Append(j, ww)
		best, bw := 0, 0.0
		for k := range j {
			if ww[k] > bw {
				best, bw = int(j[k]), ww[k]
			}
		}
		keep[u] = pick(b.Skin.Joints[best].Name)
	}
	p := slices.Clone(m.Positions)
	for step := 0; step < 30; step++ {
		n := mesh.VertexNormals(&mesh.Mesh{Positions: p, Triangles: m.Triangles})
		for v := range p {
			p[v] = r3.Add(p[v], r3.Scale(off/30, n[v]))
		}
		adj := mesh.NewAdjacency(m)
		q := slices.Clone(p)
		for v := range p {
			var s r3.Vec
			nb := adj.Neighbours(v)
			for _, u := range nb {
				s = r3.Add(s, p[u])
			}
			q[v] = r3.Add(r3.Scale(0.7, p[v]), r3.Scale(0.3/float64(len(nb)), s))
		}
		p = q
	}
	for v := range p {
		q := p[v]
		f := 0.15 * off * math.Sin(60*q.X+3) * math.Sin(45*q.Y)
		p[v] = r3.Add(q, r3.Vec{X: f, Z: 0.2 * off * math.Sin(30*q.Y)})
	}
	g := &mesh.Mesh{}
	truth := weights.NewRows(len(p))
	id := make([]int32, len(p))
	layers := 1
	if lining {
		layers = 2
	}
	nn := mesh.VertexNormals(&mesh.Mesh{Positions: p, Triangles: m.Triangles})
	for l := 0; l < layers; l++ {
		for v := range p {
			if keep[v] {
				id[v] = int32(len(g.Positions))
				g.Positions = append(g.Positions, r3.Sub(p[v], r3.Scale(float64(l)*0.003, nn[v])))
				truth.Append(rows.Row(v))
			}
		}
		for _, t := range m.Triangles {
			if keep[t[0]] && keep[t[1]] && keep[t[2]] {
				q := [3]int32{id[t[0]], id[t[1]], id[t[2]]}
				if flip != (l == 1) {
					q[1], q[2] = q[2], q[1]
				}
				g.Triangles = append(g.Triangles, q)
			}
		}
	}
	return &Garment{Name: "shell", Mesh: g}, truth
}

func quantile(x []float64, q float64) float64 {
	y := slices.Clone(x)
	slices.Sort(y)
	return y[min(len(y)-1, int(q*float64(len(y))))]
}

func skinErr(b *Body, p r3.Vec, ja []uint16, wa []float64, jb []uint16, wb []float64, sub [][]bool) float64 {
	worst := 0.0
	for j := range b.Skin.Joints {
		s := 0.0
		for i, k := range ja {
			if sub[j][k] {
				s += wa[i]
			}
		}
		for i, k := range jb {
			if sub[j][k] {
				s -= wb[i]
			}
		}
		if math.Abs(s) < 1e-6 {
			continue
		}
		for k := 0; k < 3; k++ {
			ax := b.Skin.LocalAxis(j, k)
			d := r3.Sub(p, b.Skin.Joints[j].Global.T)
			d = r3.Sub(d, r3.Scale(r3.Dot(d, ax), ax))
			worst = math.Max(worst, math.Abs(s)*math.Sqrt2*r3.Norm(d))
		}
	}
	return worst
}

func report(t *testing.T, name string, b *Body, g *Garment, truth *weights.Rows, loose []bool) {
	s, err := Prepare(context.Background(), b, 0)
	if err != nil {
		t.Fatal(err)
	}
	r, err := s.Transfer(context.Background(), g, Options{observe: func(g *target, t *trusted) { gT, tT = g, t }})
	if err != nil {
		t.Fatal(err)
	}
	sub := make([][]bool, len(b.Skin.Joints))
	for j := range sub {
		sub[j] = b.Skin.Subtree(j)
	}
	tree, _ := closest.NewTree(context.Background(), b.Mesh.Positions, b.Mesh.Triangles, 1)
	acc := weights.NewAccumulator(len(b.Skin.Joints))
	eval := func(label string, rows *weights.Rows) {
		for part := 0; part < 2; part++ {
			var l1, cm []float64
			mean := 0.0
			for v := 0; v < rows.Len(); v++ {
				if loose != nil && loose[v] != (part == 1) || loose == nil && part == 1 {
					continue
				}
				d := rows.DistanceL1(v, truth, v)
				l1 = append(l1, d)
				mean += d
				ja, wa := rows.Row(v)
				jb, wb := truth.Row(v)
				cm = append(cm, 100*skinErr(b, g.Mesh.Positions[v], ja, wa, jb, wb, sub))
			}
			if len(l1) == 0 {
				continue
			}
			fmt.Printf("%-18s %-8s %s L1 mean %.4f p99 %.3f   cm p99 %6.2f max %6.2f\n", name, label, [2]string{"fit  ", "loose"}[part], mean/float64(len(l1)), quantile(l1, .99), quantile(cm, .99), quantile(cm, 1))
		}
	}
	near := weights.NewRows(0)
	for _, p := range g.Mesh.Positions {
		h := tree.Nearest(p)
		for k, v := range b.Mesh.Triangles[h.Triangle] {
			acc.AddRow(b.Rows, int(v), h.Bary[k])
		}
		acc.FlushNormalised(near)
	}
	eval("nearest", near)
	eval("selvage", r.Rows)
	for v := range r.Confidence {
		w := gT.welded.ToWelded[v]
		e := tT.evidence[w]
		if r.Reason[v]&ReasonRigidIsland == 0 {
			samplesF = append(samplesF, [10]float64{e.rivals, e.slide, e.ease, e.jump, e.overshoot, e.facing, e.reach, e.moved, e.hang, r.Rows.DistanceL1(v, truth, v)})
		}
	}
	// confidence
	bins := [10][2]float64{}
	var wrongHi, hi float64
	var list []cw
	for v := range r.Confidence {
		d := r.Rows.DistanceL1(v, truth, v)
		c := float64(r.Confidence[v])
		k := min(9, int(c*10))
		bins[k][0]++
		bins[k][1] += d
		if c > .9 {
			hi++
			if d > .2 {
				wrongHi++
			}
		}
		list = append(list, cw{c, d > .2})
	}
	slices.SortFunc(list, func(a, b cw) int {
		if a.c < b.c {
			return -1
		} else if a.c > b.c {
			return 1
		}
		return 0
	})
	allC = append(allC, list...)
	// AUROC with ties ignored
	nw, rank := 0.0, 0.0
	for i, x := range list {
		if x.w {
			nw++
			rank += float64(len(list) - i)
		}
	}
	auc := math.NaN()
	if nw > 0 && nw < float64(len(list)) {
		auc = (rank - nw*(nw+1)/2) / (nw * (float64(len(list)) - nw))
	}
	fmt.Printf("   AUROC %.3f wrong>0.9 %.2f%% wrong %.0f low %d  offsets %v notes %v", auc, 100*wrongHi/max(hi, 1), nw, r.Summary.LowConfidence, r.Summary.Offsets, r.Summary.Notes)
	for k := range bins {
		if bins[k][0] > 0 {
			fmt.Printf(" [%d:%.0f %.2f/%.2f]", k, bins[k][0], bins[k][1]/bins[k][0], -0.4*math.Log((float64(k)+.5)/10))
		}
	}
	fmt.Printf("\n   t %v\n", r.Summary.Seconds)
}

func has(subs ...string) func(string) bool {
	return func(n string) bool {
		for _, s := range subs {
			if strings.Contains(n, s) {
				return true
			}
		}
		return false
	}
}

type cw struct {
	c float64
	w bool
}

var allC []cw
var gT *target
var tT *trusted
var samplesF [][10]float64

func fit() {
	slices.SortFunc(allC, func(a, b cw) int {
		if a.c < b.c {
			return -1
		} else if a.c > b.c {
			return 1
		}
		return 0
	})
	nw, rank, hi, whi := 0.0, 0.0, 0.0, 0.0
	for i, x := range allC {
		if x.w {
			nw++
			rank += float64(len(allC) - i)
		}
		if x.c > .9 {
			hi++
			if x.w {
				whi++
			}
		}
	}
	N := float64(len(allC))
	fmt.Printf("ALL AUROC %.4f wrong among >0.9: %.2f%% (%.0f%% of vertices)\n", (rank-nw*(nw+1)/2)/(nw*(N-nw)), 100*whi/hi, 100*hi/N)
	const n = 9
	var a [n][n]float64
	var b [n]float64
	for _, s := range samplesF {
		// weight so that every error size counts alike
		w := 1 / (0.05 + s[9])
		for i := 0; i < n; i++ {
			b[i] += w * s[i] * s[9]
			for j := 0; j < n; j++ {
				a[i][j] += w * s[i] * s[j]
			}
		}
	}
	var x [n]float64
	for it := 0; it < 20000; it++ {
		for i := 0; i < n; i++ {
			g := b[i]
			for j := 0; j < n; j++ {
				if j != i {
					g -= a[i][j] * x[j]
				}
			}
			x[i] = max(0, g/max(a[i][i], 1e-12))
		}
	}
	fmt.Printf("fit rivals %.3f slide %.3f ease %.3f jump %.3f overshoot %.3f facing %.3f reach %.3f moved %.3f hang %.3f\n", x[0], x[1], x[2], x[3], x[4], x[5], x[6], x[7], x[8])
}

func TestScratch(t *testing.T) {
	if os.Getenv("SCRATCH") == "" {
		t.Skip()
	}
	b := crewBody(t, "mate")
	if os.Getenv("SHELL_CASES") == "" {
		for _, name := range strings.Split(os.Getenv("SCRATCH"), ",") {
			cb := crew.NewBody(name)
			for _, cs := range cb.Cases() {
				cg := cs.Garment
				cg.Name = cs.Name
				b := &Body{Name: name, Mesh: cs.Body.Mesh, Rows: cs.Body.Rows, Skin: cs.Body.Skin}
				if only := os.Getenv("ONLY"); only != "" && !strings.Contains(cg.Name, only) {
					continue
				}
				g := &Garment{Name: cg.Name, Mesh: cg.Mesh}
				for _, p := range cg.Parts {
					g.Parts = append(g.Parts, Part{Material: p.Material, Start: p.Start, End: p.End})
				}
				report(t, name+" "+cg.Name, b, g, cg.Truth, cg.LooseVertex)
			}
		}
		fit()
		return
	}
	for _, j := range b.Skin.Joints {
		fmt.Print(j.Name, " ")
	}
	fmt.Println()
	legs := has("thigh", "shin", "calf", "knee", "pelvis", "hip")
	arms := has("arm", "clav", "spine", "chest", "shoulder", "neck")
	hands := has("hand", "thumb", "index", "middle", "ring", "little", "pinky")
	_ = skinning.Identity
	for _, c := range []struct {
		name         string
		pick         func(string) bool
		off          float64
		flip, lining bool
	}{{"jersey 1cm", arms, .01, false, false}, {"coat 4cm", arms, .04, false, false}, {"coat flipped", arms, .04, true, false}, {"coat lining", arms, .04, false, true}, {"trousers 2cm", legs, .02, false, false}, {"trousers 4cm", legs, .04, false, false}, {"glove 6mm", hands, .006, false, false}} {
		g, truth := shell(b, c.pick, c.off, c.flip, c.lining)
		report(t, c.name, b, g, truth, nil)
	}
}

func rowString(b *Body, j []uint16, w []float64) string {
	s := ""
	for i := range j {
		if w[i] > 0.03 {
			s += fmt.Sprintf("%s %.2f ", b.Skin.Joints[j[i]].Name, w[i])
		}
	}
	return s
}

func TestScratchRows(t *testing.T) {
	if os.Getenv("ROWS") == "" {
		t.Skip()
	}
	cb := crew.NewBody("mate")
	b := &Body{Name: "mate", Mesh: cb.Mesh, Rows: cb.Rows, Skin: cb.Skin}
	for _, cg := range cb.Wardrobe() {
		if !strings.Contains(cg.Name, os.Getenv("ROWS")) {
			continue
		}
		g := &Garment{Name: cg.Name, Mesh: cg.Mesh}
		r, err := Transfer(context.Background(), b, g, Options{})
		if err != nil {
			t.Fatal(err)
		}
		var bad []int
		for v := 0; v < g.Mesh.NumVertices(); v++ {
			if os.Getenv("BAD") == "" || r.Rows.DistanceL1(v, cg.Truth, v) > 0.4 && !cg.LooseVertex[v] {
				bad = append(bad, v)
			}
		}
		fmt.Println(len(bad), r.Summary.Offsets)
		for i := 0; i < len(bad); i += len(bad)/60 + 1 {
			v := bad[i]
			p := g.Mesh.Positions[v]
			ja, wa := r.Rows.Row(v)
			jb, wb := cg.Truth.Row(v)
			fmt.Printf("%5d (%.2f %.2f %.2f) d %.3f c %.2f L1 %.2f | %s | %s\n", v, p.X, p.Y, p.Z, r.Distance[v], r.Confidence[v], r.Rows.DistanceL1(v, cg.Truth, v), rowString(b, ja, wa), rowString(b, jb, wb))
		}
	}
}

func TestScratchNear(t *testing.T) {
	if os.Getenv("NEAR") == "" {
		t.Skip()
	}
	cb := crew.NewBody("mate")
	tree, _ := closest.NewTree(context.Background(), cb.Mesh.Positions, cb.Mesh.Triangles, 1)
	fmt.Println("diag", cb.Mesh.Diagonal())
	for _, cg := range cb.Wardrobe() {
		for _, l := range []bool{false, true} {
			var d []float64
			for v, p := range cg.Mesh.Positions {
				if cg.LooseVertex[v] == l {
					d = append(d, math.Sqrt(tree.Nearest(p).DistanceSq))
				}
			}
			if len(d) > 0 {
				fmt.Printf("%s loose %v n %d near: 10%% %.3f 50%% %.3f 90%% %.3f 99%% %.3f\n", cg.Name, l, len(d), quantile(d, .1), quantile(d, .5), quantile(d, .9), quantile(d, .99))
			}
		}
	}
}
