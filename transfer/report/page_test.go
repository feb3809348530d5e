package report

import (
	"bytes"
	"compress/gzip"
	"context"
	"encoding/base64"
	"encoding/binary"
	"fmt"
	"html"
	"io"
	"math"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"

	"gonum.org/v1/gonum/spatial/r3"

	"github.com/selvage/selvage/transfer"
	"github.com/selvage/selvage/transfer/mesh"
	"github.com/selvage/selvage/transfer/skinning"
	"github.com/selvage/selvage/transfer/weights"
)

// sheetFigure is a flat sheet of n by n vertices, a metre wide, facing +z, on two
// joints; everything is sure.
func sheetFigure(name string, n int) *Figure {
	f := &Figure{Name: name, Mesh: &mesh.Mesh{}, Rows: weights.NewRows(n * n), Skin: &skinning.Skin{Joints: []skinning.Joint{
		{Name: "low", Parent: -1, Global: skinning.Identity()}, {Name: "high", Parent: 0, Global: skinning.Identity()},
	}}}
	f.Skin.Joints[1].Global.T = r3.Vec{Y: 0.5}
	f.Skin.Joints[0].InverseBind, f.Skin.Joints[1].InverseBind = skinning.Identity(), skinning.Identity()
	f.Skin.Joints[1].InverseBind.T = r3.Vec{Y: -0.5}
	for y := 0; y < n; y++ {
		for x := 0; x < n; x++ {
			u, v := float64(x)/float64(n-1), float64(y)/float64(n-1)
			f.Mesh.Positions = append(f.Mesh.Positions, r3.Vec{X: u - 0.5, Y: v})
			f.Rows.Append([]uint16{0, 1}, []float64{1 - v, v})
			f.Confidence = append(f.Confidence, 1)
			f.Reason = append(f.Reason, 0)
			if x > 0 && y > 0 {
				i := int32(y*n + x)
				f.Mesh.Triangles = append(f.Mesh.Triangles, [3]int32{i, i - 1, i - 1 - int32(n)}, [3]int32{i, i - 1 - int32(n), i - int32(n)})
			}
		}
	}
	return f
}

// Two patches of low confidence are two places, the graver one first, each with its
// own vertices, worst vertex, joint, side and reasons.
func TestFindPlaces_TwoPatches(t *testing.T) {
	const n = 41
	f := sheetFigure("tarpaulin", n)
	mark := func(cx, cy int, c float32, r transfer.Reason) (count int) {
		for y := cy - 1; y <= cy+1; y++ {
			for x := cx - 1; x <= cx+1; x++ {
				f.Confidence[y*n+x], f.Reason[y*n+x] = c, r
				count++
			}
		}
		f.Confidence[cy*n+cx] = c - 0.05
		return count
	}
	mark(5, 35, 0.4, transfer.ReasonFilled)
	mark(30, 4, 0.1, transfer.ReasonBeyondReach|transfer.ReasonFilled)
	f.Reason[4*n+30] = transfer.ReasonBeyondReach
	w := weld(f)
	size := f.Mesh.Diagonal()
	got := findPlaces(1, f, &w, size)
	if len(got) != 2 {
		t.Fatalf("%d places, want 2: %+v", len(got), got)
	}
	for k, want := range []struct {
		vertex   int
		sentence string
	}{
		{4*n + 30, "9 vertices of tarpaulin by joint low, front, 0.10 m up: confidence 0.05 at vertex 194. Why: beyond reach (100%), filled in (89%)."},
		{35*n + 5, "9 vertices of tarpaulin by joint high, front, 0.88 m up: confidence 0.35 at vertex 1440. Why: filled in (100%)."},
	} {
		if len(got[k].welded) != 9 || got[k].vertex != want.vertex {
			t.Errorf("place %d: %d vertices, worst %d, want 9 and %d", k, len(got[k].welded), got[k].vertex, want.vertex)
		}
		if s := got[k].sentence(f, &w, 0); s != want.sentence {
			t.Errorf("place %d reads %q, want %q", k, s, want.sentence)
		}
	}
	// The close-up looks at the front and shows the place dark in its middle.
	got[0].draw(&scene{figures: []*Figure{f, f}, welded: []weldedFigure{w, w}, size: size, threads: 1}, 64, 64)
	if a := got[0].view.Azimuth; math.Abs(a) > 1e-9 {
		t.Errorf("the close-up looks from azimuth %g, want 0", a)
	}
	if c := got[0].picture.RGBAAt(32, 32); c.G > 60 {
		t.Errorf("the middle of the close-up is %v, want the dark end of the map", c)
	}
}

// Every low vertex is in exactly one place, and no place reaches farther than it says.
func TestFindPlaces_Partition(t *testing.T) {
	const seed = 7
	r := rand.New(rand.NewPCG(seed, 0))
	f := sheetFigure("net", 50)
	low := 0
	for v := range f.Confidence {
		f.Confidence[v] = r.Float32()
		if f.Confidence[v] < transfer.LowConfidence {
			low++
		}
	}
	w := weld(f)
	size := f.Mesh.Diagonal()
	seen := map[int32]bool{}
	places := gather(1, lowPlace, &w, size, w.lack)
	for k, p := range places {
		for _, v := range p.welded {
			if seen[v] || w.confidence[v] >= transfer.LowConfidence {
				t.Fatalf("seed %d: vertex %d of confidence %g, seen before: %v", seed, v, w.confidence[v], seen[v])
			}
			seen[v] = true
			if d := r3.Norm(r3.Sub(w.Mesh.Positions[v], f.Mesh.Positions[p.vertex])); d > placeReach*size+1e-12 {
				t.Errorf("seed %d: vertex %d is %g m from its place's worst", seed, v, d)
			}
		}
		if k > 0 && p.deficit > places[k-1].deficit {
			t.Errorf("seed %d: place %d is graver than the one before", seed, k)
		}
	}
	if len(seen) != low {
		t.Errorf("seed %d: %d vertices in places, %d are low", seed, len(seen), low)
	}
}

func TestLeastSure(t *testing.T) {
	f := sheetFigure("sail", 10)
	f.Confidence[37] = 0.8
	f.Confidence[12] = float32(math.NaN())
	w := weld(f)
	if p := findPlaces(1, f, &w, 1); len(p) != 0 {
		t.Errorf("places on a sheet that is sure: %+v", p)
	}
	p, ok := leastSure(1, &w)
	if !ok || p.vertex != 37 || !strings.HasPrefix(p.sentence(f, &w, 0), "No vertex is below 0.5; the least sure one of sail lies by joint low, front") {
		t.Errorf("%v, vertex %d: %q", ok, p.vertex, p.sentence(f, &w, 0))
	}
	f.Confidence = nil
	w = weld(f)
	if _, ok := leastSure(1, &w); ok {
		t.Error("a least sure vertex without any confidence")
	}
}

// fromOctahedral is the inverse, as in web/src/payload.js.
func fromOctahedral(o [2]int8) r3.Vec {
	x, y := float64(o[0])/127, float64(o[1])/127
	z := 1 - math.Abs(x) - math.Abs(y)
	if z < 0 {
		x, y = math.Copysign(1-math.Abs(y), x), math.Copysign(1-math.Abs(x), y)
	}
	return r3.Unit(r3.Vec{X: x, Y: y, Z: z})
}

func TestOctahedral_RoundTrip(t *testing.T) {
	const seed = 3
	r := rand.New(rand.NewPCG(seed, 0))
	worst := 0.0
	list := []r3.Vec{{X: 1}, {Y: 1}, {Z: 1}, {X: -1}, {Y: -1}, {Z: -1}}
	for range 20000 {
		list = append(list, r3.Unit(r3.Vec{X: r.NormFloat64(), Y: r.NormFloat64(), Z: r.NormFloat64()}))
	}
	for _, d := range list {
		worst = max(worst, math.Acos(min(r3.Dot(d, fromOctahedral(octahedral(d))), 1))*180/math.Pi)
	}
	// The survey's table of errors gives 0.95 degrees at most for 16 bits (from memory).
	if worst > 1 {
		t.Errorf("seed %d: a direction comes back %.2f degrees off", seed, worst)
	}
}

// The payload taken apart by hand: positions within half a step, rows that sum to
// 65535 with the largest first, unknown values by their codes.
func TestPack_Layout(t *testing.T) {
	f := sheetFigure("flag", 4)
	n := f.Mesh.NumVertices()
	f.Confidence[3] = float32(math.NaN())
	f.Triangle, f.Bary, f.Distance = make([]int32, n), make([][3]float64, n), make([]float64, n)
	for v := range f.Distance {
		f.Distance[v] = float64(v) / 100
		f.Bary[v] = [3]float64{0.25, 0.5, 0.25}
	}
	f.Triangle[5], f.Distance[5] = -1, math.Inf(1)
	w := weld(f)
	centre := r3.Vec{X: 3, Y: -2, Z: 1}
	s, text, err := pack(f, centre, w.normals(), []uint16{300, 7})
	if err != nil {
		t.Fatal(err)
	}
	z, err := gzip.NewReader(base64.NewDecoder(base64.StdEncoding, bytes.NewReader(text)))
	if err != nil {
		t.Fatal(err)
	}
	raw, err := io.ReadAll(z)
	if err != nil {
		t.Fatal(err)
	}
	take := func(k int) []byte { b := raw[:k]; raw = raw[k:]; return b }
	u16 := func(k int, differenced bool) []uint16 {
		lo, hi := take(k), take(k)
		out := make([]uint16, k)
		last := uint16(0)
		for i := range out {
			x := binary.LittleEndian.Uint16([]byte{lo[i], hi[i]})
			if differenced {
				last += x>>1 ^ -(x & 1)
				x = last
			}
			out[i] = x
		}
		return out
	}
	for axis := 0; axis < 3; axis++ {
		for v, q := range u16(n, true) {
			want := component(f.Mesh.Positions[v], axis) - component(centre, axis)
			if got := s.Min[axis] + s.Step[axis]*float64(q); math.Abs(got-want) > s.Step[axis]/2+1e-12 {
				t.Errorf("vertex %d axis %d: %g, want %g", v, axis, got, want)
			}
		}
	}
	take(2 * n)
	take(4 * 3 * s.Triangles)
	if s.Influences != 2 || !slices.Equal(s.Joints, []int{7, 300}) {
		t.Errorf("%d influences of joints %v", s.Influences, s.Joints)
	}
	joint, weight := u16(2*n, false), u16(2*n, false)
	for v := 0; v < n; v++ {
		if sum := int(weight[v]) + int(weight[n+v]); sum != math.MaxUint16 || weight[v] < weight[n+v] {
			t.Errorf("vertex %d: weights %d, %d", v, weight[v], weight[n+v])
		}
		_, ws := f.Rows.Row(v)
		for k := 0; k < 2; k++ {
			i := 0
			if joint[k*n+v] == 7 {
				i = 1
			}
			if got := float64(weight[k*n+v]) / math.MaxUint16; math.Abs(got-ws[i]) > 1e-5 && weight[k*n+v] > 0 {
				t.Errorf("vertex %d: joint %d has weight %g, want %g", v, joint[k*n+v], got, ws[i])
			}
		}
	}
	if c := u16(n, true); c[3] != noConfidence || c[4] != noConfidence-1 {
		t.Errorf("confidences %v", c)
	}
	u16(n, false)
	if d := u16(n, true); d[5] != noDistance || d[n-1] != noDistance-1 || s.MaxDistance != float64(n-1)/100 {
		t.Errorf("distances %v up to %g", d, s.MaxDistance)
	}
	take(4 * n)
	if b := take(2 * n); b[0] != 64 || b[n] != 128 || len(raw) != 0 {
		t.Errorf("barycentric bytes %d, %d; %d bytes are left over", b[0], b[n], len(raw))
	}
}

// A row of ten influences keeps its eight largest, and the page says so.
func TestPack_LongRows(t *testing.T) {
	f := &Figure{Name: "rope", Mesh: square(0), Rows: weights.NewRows(4), Skin: &skinning.Skin{}}
	var joint []uint16
	var weight []float64
	for j := 0; j < 10; j++ {
		f.Skin.Joints = append(f.Skin.Joints, skinning.Joint{Parent: j - 1, Global: skinning.Identity()})
		joint, weight = append(joint, uint16(j)), append(weight, float64(j+1)/55)
	}
	for range 4 {
		f.Rows.Append(joint, weight)
	}
	var b bytes.Buffer
	if err := (&Page{Body: f, Garments: []*Figure{f}}).Write(context.Background(), &b); err != nil {
		t.Fatal(err)
	}
	for _, want := range []string{`"joints":[2,3,4,5,6,7,8,9]`, "4 rows have more than 8 influences"} {
		if !strings.Contains(b.String(), want) {
			t.Errorf("no %q in the page", want)
		}
	}
}

// Joints of one name in one place are one; others of the name are not.
func TestUnite(t *testing.T) {
	body, coat := sheetFigure("body", 2), sheetFigure("coat", 2)
	coat.Skin.Joints = []skinning.Joint{
		{Name: "high", Parent: 1, Global: body.Skin.Joints[1].Global},
		{Name: "low", Parent: -1, Global: body.Skin.Joints[0].Global},
		{Name: "tail", Parent: 1, Global: skinning.Identity()},
		{Name: "high", Parent: 2, Global: skinning.Identity()},
	}
	s, err := unite([]*Figure{body, {Name: "unweighted", Mesh: square(0)}, coat}, 1)
	if err != nil {
		t.Fatal(err)
	}
	if got := s.index[coat]; !slices.Equal(got, []uint16{1, 0, 2, 3}) {
		t.Errorf("the coat's joints are %v", got)
	}
	var parents []int
	for _, j := range s.joints {
		parents = append(parents, j.Parent)
	}
	if !slices.Equal(parents, []int{-1, 0, 0, 2}) {
		t.Errorf("parents %v", parents)
	}
}

func TestWrite_Errors(t *testing.T) {
	good := func() *Figure { return sheetFigure("body", 3) }
	for _, c := range []struct {
		name   string
		change func(*Figure)
		says   string
	}{
		{"confidences", func(f *Figure) { f.Confidence = f.Confidence[1:] }, "8 confidences for 9 vertices"},
		{"reasons", func(f *Figure) { f.Reason = append(f.Reason, 0) }, "10 reasons for 9 vertices"},
		{"distances", func(f *Figure) { f.Distance = []float64{} }, "0 distances"},
		{"rows", func(f *Figure) { f.Rows = weights.NewRows(0) }, "0 rows for 9 vertices"},
		{"no rows", func(f *Figure) { f.Rows = nil }, "has no rows"},
		{"no skin", func(f *Figure) { f.Skin = nil }, "no skin"},
		{"joint", func(f *Figure) { f.Rows.Joint[2] = 2 }, "joint 2 of 2"},
		{"triangle", func(f *Figure) { f.Mesh.Triangles[0][0] = 9 }, "vertex 9"},
	} {
		t.Run(c.name, func(t *testing.T) {
			f := good()
			c.change(f)
			var b bytes.Buffer
			err := (&Page{Body: f, Garments: []*Figure{good()}}).Write(context.Background(), &b)
			if err == nil || !strings.Contains(err.Error(), c.says) || !strings.HasPrefix(err.Error(), "body: ") || b.Len() > 0 {
				t.Errorf("error %v, %d bytes written", err, b.Len())
			}
		})
	}
	for _, c := range []struct {
		pose Pose
		says string
	}{
		{Pose{Garment: 1, Body: make(skinning.Pose, 2)}, "pose 0: garment 1 of 1"},
		{Pose{Vertex: 9, Body: make(skinning.Pose, 2)}, "pose 0: vertex 9 of 9"},
		{Pose{Body: make(skinning.Pose, 3)}, "pose 0: maps of 3 joints, the body has 2"},
		{Pose{Body: make(skinning.Pose, 2), Worn: make(skinning.Pose, 1)}, "pose 0: maps of 1 joints for the skin of body"},
	} {
		if err := (&Page{Body: good(), Garments: []*Figure{good()}, Poses: []Pose{c.pose}}).Write(context.Background(), io.Discard); err == nil || err.Error() != c.says {
			t.Errorf("error %v, want %q", err, c.says)
		}
	}
	ctx, cancel := context.WithCancel(context.Background())
	cancel()
	if err := (&Page{Body: good(), Garments: []*Figure{good()}}).Write(ctx, io.Discard); err != context.Canceled {
		t.Errorf("cancelled: %v", err)
	}
}

// The page is the same for any number of threads, names no address, and its policy
// allows nothing inline but what the hashes name.
func TestWrite_SelfContained(t *testing.T) {
	f, g := sheetFigure("body", 12), sheetFigure("tarpaulin", 20)
	g.Confidence[200] = 0.1
	var pages [2]bytes.Buffer
	for k := range pages {
		if err := (&Page{Body: f, Garments: []*Figure{g}, Threads: 1 + 4*k}).Write(context.Background(), &pages[k]); err != nil {
			t.Fatal(err)
		}
	}
	if !bytes.Equal(pages[0].Bytes(), pages[1].Bytes()) {
		t.Error("the page depends on the number of threads")
	}
	page := pages[0].String()
	policy := regexp.MustCompile(`<meta http-equiv="Content-Security-Policy" content="([^"]*)">`).FindStringSubmatch(page)
	if policy == nil {
		t.Fatal("the page has no policy")
	}
	got := regexp.MustCompile(`sha256-[^' ]*`).ReplaceAllString(html.UnescapeString(policy[1]), "HASH")
	if want := "default-src 'none'; script-src 'HASH'; style-src 'HASH'; img-src data:; base-uri 'none'; form-action 'none'"; got != want {
		t.Errorf("policy %q, want %q", got, want)
	}
	if i := strings.Index(page, "<meta http-equiv"); i > strings.Index(page, "<style") {
		t.Error("the policy comes after what it should bind")
	}
	for _, attribute := range regexp.MustCompile(`(?:src|href)="[^"]*"`).FindAllString(page[:strings.Index(page, `<script type="application/json"`)], -1) {
		if !strings.Contains(attribute, `="data:image/png;base64,`) && !strings.Contains(attribute, `="#`) {
			t.Errorf("the page refers to %.80s", attribute)
		}
	}
}

// The bundle that is embedded is what its sources make.
func TestViewer_BundleIsCurrent(t *testing.T) {
	if _, err := os.Stat(filepath.Join("web", "node_modules", "esbuild")); err != nil {
		t.Fatalf("the node packages that bundle the viewer are missing: run make node (%v)", err)
	}
	cmd := exec.Command("node", "build.mjs", "--check")
	cmd.Dir = "web"
	if out, err := cmd.CombinedOutput(); err != nil {
		t.Errorf("%v: %s", err, out)
	}
	if !strings.Contains(viewerLicences, "Permission is hereby granted, free of charge") {
		t.Error("the licence of what the bundle contains is not beside it")
	}
}

func BenchmarkWrite(b *testing.B) {
	for _, n := range []int{100, 316} {
		f, g := sheetFigure("body", 100), sheetFigure("tarpaulin", n)
		for v := range g.Confidence {
			g.Confidence[v] = float32(v%97) / 97
		}
		b.Run(fmt.Sprintf("verts=%dk", n*n/1000), func(b *testing.B) {
			b.ReportAllocs()
			for b.Loop() {
				if err := (&Page{Body: f, Garments: []*Figure{g}}).Write(context.Background(), io.Discard); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}
