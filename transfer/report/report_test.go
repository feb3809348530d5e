package report

import (
	"bytes"
	"image/color"
	"math"
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

// CIE 1976 L* of sRGB colours must rise all along the map.
func TestViridis_LightnessRises(t *testing.T) {
	linear := func(c uint8) float64 {
		x := float64(c) / 255
		if x <= 0.04045 {
			return x / 12.92
		}
		return math.Pow((x+0.055)/1.055, 2.4)
	}
	last := -1.0
	for i := 0; i <= 64; i++ {
		c := Viridis.At(float64(i) / 64)
		l := 116*math.Cbrt(0.2126*linear(c.R)+0.7152*linear(c.G)+0.0722*linear(c.B)) - 16
		if l <= last {
			t.Errorf("step %d: L* %g after %g", i, l, last)
		}
		last = l
	}
}
