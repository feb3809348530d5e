package report

// The report as still pictures.

import (
	"bytes"
	"context"
	"fmt"
	"image"
	"image/draw"
	"image/png"
	"strings"
)

// stillWidth and stillHeight are the size of a still without its head and legend,
// pixels.
const stillWidth, stillHeight = 800, 640

// Still is a picture as a PNG file.
type Still struct {
	// Name of the file, without a folder.
	Name string
	PNG  []byte
}

// Stills draws the page as PNG files: front.png and back.png in the colours of confidence
// (of the difference, with p.Changes), place-1.png and so
// on, the worst places, and pose-1.png and so on, the worst poses, in the colours of
// the edges' stretch; each with its legend. In that order. Errors: as Write's.
func (p *Page) Stills(ctx context.Context) (list []Still, err error) {
	s, err := p.scene(ctx)
	if err != nil {
		return nil, err
	}
	known := false
	for _, w := range s.welded[1:] {
		known = known || w.shade != nil
	}
	add := func(name, title, caption string, img *image.RGBA, legend Legend) error {
		if err := ctx.Err(); err != nil {
			return err
		}
		var b bytes.Buffer
		if err := png.Encode(&b, below(Sheet(title, []Panel{{Image: img}}, legend), caption)); err != nil {
			return fmt.Errorf("picture %s: %w", name, err)
		}
		list = append(list, Still{name, b.Bytes()})
		return nil
	}
	for k, side := range []string{"front", "back"} {
		img := s.overview(overviewAzimuths[k], stillWidth, stillHeight)
		if err := add(side+".png", p.title(), side, img, s.legend(known)); err != nil {
			return nil, err
		}
	}
	for k := range s.places {
		q := &s.places[k]
		q.draw(s, stillWidth, stillHeight)
		if err := add(fmt.Sprintf("place-%d.png", k+1), s.placeTitle(q), s.placeSentence(q), q.picture, s.legend(s.welded[q.figure].shade != nil)); err != nil {
			return nil, err
		}
	}
	for k := range s.poses {
		q := &s.poses[k]
		c := s.drawPose(q, stillWidth, stillHeight)
		if err := add(fmt.Sprintf("pose-%d.png", k+1), q.Title, c.sentence(q), c.picture, Legend{Label: "log2 of stretch", Min: -stretchEnd, Max: stretchEnd, Map: Cividis}); err != nil {
			return nil, err
		}
	}
	return list, nil
}

// below is the picture with a text under it, broken into lines between words.
func below(img *image.RGBA, words string) *image.RGBA {
	const side, lineHeight, letter = 8, 17, 7 // pixels; the font has letters of one width
	most := (img.Rect.Dx() - 2*side) / letter
	var lines []string
	for _, w := range strings.Fields(words) {
		if n := len(lines); n > 0 && len(lines[n-1])+1+len(w) <= most {
			lines[n-1] += " " + w
		} else {
			lines = append(lines, w)
		}
	}
	out := image.NewRGBA(image.Rect(0, 0, img.Rect.Dx(), img.Rect.Dy()+len(lines)*lineHeight+side))
	draw.Draw(out, out.Rect, image.White, image.Point{}, draw.Src)
	draw.Draw(out, img.Rect, img, image.Point{}, draw.Src)
	for k, l := range lines {
		text(out, side, img.Rect.Dy()+(k+1)*lineHeight, l)
	}
	return out
}
