package report

import (
	"fmt"
	"image"
	"image/color"
	"image/draw"
	"image/png"
	"os"
	"path/filepath"

	"golang.org/x/image/font"
	"golang.org/x/image/font/basicfont"
	"golang.org/x/image/math/fixed"
)

// Panel is one picture of a sheet with its caption.
type Panel struct {
	Caption string
	Image   *image.RGBA
}

// Legend is a vertical colour bar with ticks. An empty Label leaves it out.
type Legend struct {
	Label    string
	Min, Max float64
	Map      Map
}

const (
	headHeight  = 48
	legendWidth = 120
	legendTicks = 5
)

// Sheet puts the panels side by side under a title, the legend to their right.
func Sheet(title string, panels []Panel, legend Legend) *image.RGBA {
	w, h := 0, 0
	for _, p := range panels {
		w += p.Image.Rect.Dx()
		h = max(h, p.Image.Rect.Dy())
	}
	bar := w
	if legend.Label != "" {
		w += legendWidth
	}
	img := image.NewRGBA(image.Rect(0, 0, w, h+headHeight))
	draw.Draw(img, img.Rect, image.White, image.Point{}, draw.Src)
	text(img, 8, 18, title)
	x := 0
	for _, p := range panels {
		r := image.Rect(x, headHeight, x+p.Image.Rect.Dx(), headHeight+p.Image.Rect.Dy())
		draw.Draw(img, r, p.Image, p.Image.Rect.Min, draw.Src)
		text(img, x+8, 38, p.Caption)
		x = r.Max.X
	}
	if legend.Label == "" {
		return img
	}
	text(img, bar+8, 38, legend.Label)
	top, bottom := headHeight+12, headHeight+h-12
	for y := top; y < bottom; y++ {
		c := legend.Map.At(float64(bottom-1-y) / float64(max(bottom-1-top, 1)))
		for x := bar + 8; x < bar+28; x++ {
			img.SetRGBA(x, y, c)
		}
	}
	for k := 0; k < legendTicks; k++ {
		f := float64(k) / (legendTicks - 1)
		y := bottom - 1 - int(f*float64(bottom-1-top))
		for x := bar + 28; x < bar+33; x++ {
			img.SetRGBA(x, y, color.RGBA{A: 255})
		}
		text(img, bar+36, y+4, fmt.Sprintf("%.3g", legend.Min+f*(legend.Max-legend.Min)))
	}
	return img
}

func text(img draw.Image, x, y int, s string) {
	d := font.Drawer{Dst: img, Src: image.Black, Face: basicfont.Face7x13, Dot: fixed.P(x, y)}
	d.DrawString(s)
}

// SavePNG writes the picture to a temporary file beside path and renames it, so
// that no half-written picture is ever seen under path.
func SavePNG(path string, img image.Image) (err error) {
	f, err := os.CreateTemp(filepath.Dir(path), ".picture-*")
	if err != nil {
		return fmt.Errorf("save picture: %w", err)
	}
	defer func() {
		if err != nil {
			os.Remove(f.Name())
			err = fmt.Errorf("save picture %s: %w", path, err)
		}
	}()
	if err = f.Chmod(0o644); err != nil {
		f.Close()
		return err
	}
	if err = png.Encode(f, img); err != nil {
		f.Close()
		return err
	}
	if err = f.Close(); err != nil {
		return err
	}
	return os.Rename(f.Name(), path)
}
