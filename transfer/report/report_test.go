package report

import (
	"bytes"
	"image/color"
	"image/png"
	"math"
	"os"
	"path/filepath"
	"testing"

	"gonum.org/v1/gonum/spatial/r3"

	"github.com/selvage/selvage/transfer/mesh"
)

func square(z float64) *mesh.Mesh {
	return &mesh.Mesh{
		Positions: []r3.Vec{{X: -1, Y: -1, Z: z}, {X: 1, Y: -1, Z: z}, {X: 1, Y: 1, Z: z}, {X: -1, Y: 1, Z: z}},
		Triangles: [][3]int32{{0, 1, 2}, {0, 2, 3}},
	}
}

func TestRender_NearestInFrontFromBothSides(t *testing.T) {
	red, blue := color.RGBA{200, 0, 0, 255}, color.RGBA{0, 0, 200, 255}
	layers := []Layer{{Mesh: square(1), Color: red}, {Mesh: square(-1), Color: blue}}
	if got := Render(layers, View{}, 64, 64).RGBAAt(32, 32); got != red {
		t.Errorf("front: %v, want %v", got, red)
	}
	if got := Render(layers, View{Azimuth: math.Pi}, 64, 64).RGBAAt(32, 32); got != blue {
		t.Errorf("back: %v, want %v", got, blue)
	}
}

func TestRender_ScalarColoursUpAndInvalid(t *testing.T) {
	img := Render([]Layer{{Mesh: square(0), Scalar: []float64{0, 0, 1, 1}}}, View{}, 64, 64)
	if lo, hi := img.RGBAAt(32, 60), img.RGBAAt(32, 4); lo.G > 40 || hi.G < 200 {
		t.Errorf("bottom %v, top %v: want dark below, bright above", lo, hi)
	}
	nan := math.NaN()
	img = Render([]Layer{{Mesh: square(0), Scalar: []float64{nan, nan, nan, nan}}}, View{}, 64, 64)
	if got := img.RGBAAt(32, 32); got != InvalidColor {
		t.Errorf("NaN: %v, want %v", got, InvalidColor)
	}
}

func TestRender_SameForAnyThreads(t *testing.T) {
	l := []Layer{{Mesh: square(0), Scalar: []float64{0, 1, 0, 1}}}
	a := Render(l, View{Azimuth: 0.4, Elevation: 0.3, Threads: 1}, 200, 150)
	b := Render(l, View{Azimuth: 0.4, Elevation: 0.3, Threads: 7}, 200, 150)
	if !bytes.Equal(a.Pix, b.Pix) {
		t.Error("picture depends on threads")
	}
}

// CIE 1976 L* of sRGB colours must rise all along both maps, and nearly in a
// straight line: that is what makes them uniform to the eye. Viridis was designed
// to be linear in CAM02-UCS lightness, so L* strays a little.
func TestMaps_LightnessRisesEvenly(t *testing.T) {
	linear := func(c uint8) float64 {
		x := float64(c) / 255
		if x <= 0.04045 {
			return x / 12.92
		}
		return math.Pow((x+0.055)/1.055, 2.4)
	}
	lightness := func(m Map, x float64) float64 {
		c := m.At(x)
		return 116*math.Cbrt(0.2126*linear(c.R)+0.7152*linear(c.G)+0.0722*linear(c.B)) - 16
	}
	for _, m := range []Map{Viridis, Cividis} {
		first, end := lightness(m, 0), lightness(m, 1)
		last := -1.0
		for i := 0; i <= 64; i++ {
			x := float64(i) / 64
			l := lightness(m, x)
			if l <= last {
				t.Errorf("map %d, step %d: L* %g after %g", m, i, l, last)
			}
			if straight := first + x*(end-first); math.Abs(l-straight) > 5 {
				t.Errorf("map %d, step %d: L* %g, a straight line has %g", m, i, l, straight)
			}
			last = l
		}
	}
}

// Published entries 0, 16 and 255 of viridis (van der Walt & Smith 2015), as sRGB
// floats.
func TestViridis_PublishedEntries(t *testing.T) {
	for _, e := range []struct {
		index   int
		r, g, b float64
	}{{0, 0.267004, 0.004874, 0.329415}, {16, 0.282327, 0.094955, 0.417331}, {255, 0.993248, 0.906157, 0.143936}} {
		c := Viridis.At(float64(e.index) / 255)
		for k, want := range []float64{e.r, e.g, e.b} {
			if got := []float64{float64(c.R), float64(c.G), float64(c.B)}[k]; math.Abs(got-255*want) > 2 { // rounding, twice
				t.Errorf("entry %d channel %d: %g, published %g", e.index, k, got, 255*want)
			}
		}
	}
}

// The legend's bar stands beside the panels, dark below and bright above.
func TestSheet_LegendAndSave(t *testing.T) {
	panel := Render([]Layer{{Mesh: square(0)}}, View{}, 100, 100)
	img := Sheet("title", []Panel{{Caption: "a", Image: panel}}, Legend{Label: "value", Min: 0, Max: 2})
	if img.Rect.Dx() <= 100 {
		t.Fatalf("no room for a legend: %v", img.Rect)
	}
	lo, hi := img.RGBAAt(110, img.Rect.Dy()-14), img.RGBAAt(110, headHeight+13)
	if lo.G > 40 || hi.G < 200 {
		t.Errorf("legend runs from %v to %v", lo, hi)
	}
	file := filepath.Join(t.TempDir(), "sheet.png")
	if err := SavePNG(file, img); err != nil {
		t.Fatal(err)
	}
	f, err := os.Open(file)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	back, err := png.Decode(f)
	if err != nil || back.Bounds() != img.Rect {
		t.Errorf("read back %v, %v", back, err)
	}
	if err := SavePNG(filepath.Join(t.TempDir(), "missing", "x.png"), img); err == nil {
		t.Error("saved into a folder that does not exist")
	}
}
