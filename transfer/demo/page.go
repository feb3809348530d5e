package demo

import (
	"bytes"
	"context"
	_ "embed"
	"fmt"
	"html/template"
	"image"
	"image/color"
	"math"
	"os"
	"path/filepath"

	"github.com/selvage/selvage/transfer/crew"
	"github.com/selvage/selvage/transfer/gltfio"
	"github.com/selvage/selvage/transfer/mesh"
	"github.com/selvage/selvage/transfer/report"
	"github.com/selvage/selvage/transfer/skinning"
	"gonum.org/v1/gonum/spatial/r3"
)

//go:embed truth.html
var truthSource string

// truth is the table of errors against the known rows, for the report's page.
var truth = template.Must(template.New("truth").Parse(truthSource))

const back = math.Pi

// errorScale is the L1 error at the bright end of the error pictures.
const errorScale = 1.0

// draw leaves the pictures and the page in folder.
func (o *Outcome) draw(ctx context.Context, folder string, member *crew.Body, body *gltfio.Surface, threads int) error {
	pictures := filepath.Join(folder, "pictures")
	if err := os.MkdirAll(pictures, 0o777); err != nil {
		return err
	}
	page := &report.Page{
		Title: "The " + member.Name + "'s wardrobe", Threads: threads,
		Body: &report.Figure{Name: "the " + member.Name + "'s body", Mesh: body.Mesh, Rows: body.Rows, Skin: body.Skin},
	}
	save := func(name string, img image.Image) error {
		return report.SavePNG(filepath.Join(pictures, name), img)
	}
	if err := save("wardrobe.png", o.wardrobeSheet(member)); err != nil {
		return err
	}
	for i := range o.Garments {
		g := &o.Garments[i]
		name := crew.FileName(g.garment.Name)
		name = name[:len(name)-len(".glb")] + ".png"
		if err := save(name, g.sheet()); err != nil {
			return err
		}
		page.Garments = append(page.Garments, report.FromResult(g.garment.Name, g.surface.Mesh, body.Skin, g.result))
	}
	var table, b bytes.Buffer
	if err := truth.Execute(&table, o.Garments); err != nil {
		return fmt.Errorf("fill in the page: %w", err)
	}
	page.Extra = template.HTML(table.String())
	if err := page.Write(ctx, &b); err != nil {
		return err
	}
	o.Page = filepath.Join(folder, "index.html")
	return gltfio.WriteFile(o.Page, b.Bytes())
}

// wardrobeSheet shows everything worn at once: confidence from front and back,
// and a pose.
func (o *Outcome) wardrobeSheet(member *crew.Body) image.Image {
	skin := color.RGBA{176, 168, 160, 255}
	layers := []report.Layer{{Mesh: member.Mesh, Color: skin}}
	pose := workingPose(member.Skin)
	posed := []report.Layer{{Mesh: &mesh.Mesh{Positions: pose.Points(member.Mesh.Positions, member.Rows, nil), Triangles: member.Mesh.Triangles}, Color: skin}}
	colours := []color.RGBA{{62, 79, 102, 255}, {88, 96, 70, 255}, {40, 40, 44, 255}, {120, 92, 66, 255}, {214, 170, 60, 255}, {214, 170, 60, 255}, {70, 60, 80, 255}}
	for i := range o.Garments {
		g := &o.Garments[i]
		if g.garment.Name == "cape" {
			continue // it would hide the coat; it has a picture of its own
		}
		layers = append(layers, report.Layer{Mesh: g.garment.Mesh, Scalar: g.confidence(), Min: 0, Max: 1, Map: report.Viridis})
		posed = append(posed, report.Layer{
			Mesh:  &mesh.Mesh{Positions: pose.Points(g.garment.Mesh.Positions, g.result.Rows, nil), Triangles: g.garment.Mesh.Triangles},
			Color: colours[i%len(colours)],
		})
	}
	const w, h = 520, 640
	return report.Sheet("The "+member.Name+"'s wardrobe, weights carried over from the body", []report.Panel{
		{Caption: "confidence, front", Image: report.Render(layers, report.View{Azimuth: 0.25, Elevation: 0.1}, w, h)},
		{Caption: "confidence, back", Image: report.Render(layers, report.View{Azimuth: back + 0.25, Elevation: 0.1}, w, h)},
		{Caption: "the same rows, posed", Image: report.Render(posed, report.View{Azimuth: 0.5, Elevation: 0.1}, w, h)},
	}, report.Legend{Label: "confidence", Min: 0, Max: 1, Map: report.Viridis})
}

// workingPose bends the joints of somebody who throws a line.
func workingPose(s *skinning.Skin) skinning.Pose {
	turn := make([]r3.Vec, len(s.Joints))
	for j := range s.Joints {
		switch s.Joints[j].Name {
		case "upper_arm.left":
			turn[j] = r3.Vec{Z: 1.3}
		case "upper_arm.right":
			turn[j] = r3.Vec{X: -0.5, Z: 0.3}
		case "forearm.left":
			turn[j] = r3.Vec{Y: -0.9}
		case "forearm.right":
			turn[j] = r3.Vec{X: -1.2}
		case "thigh.left":
			turn[j] = r3.Vec{X: -0.9}
		case "shin.left":
			turn[j] = r3.Vec{X: 1.0}
		case "spine_2":
			turn[j] = r3.Vec{Y: 0.25}
		case "head":
			turn[j] = r3.Vec{Y: 0.4}
		}
	}
	return s.TurnAll(turn)
}

func (g *Garment) confidence() []float64 {
	c := make([]float64, len(g.result.Confidence))
	for v, x := range g.result.Confidence {
		c[v] = float64(x)
	}
	return c
}

// sheet shows one garment: confidence beside the error against the truth.
func (g *Garment) sheet() image.Image {
	n := g.garment.Mesh.NumVertices()
	wrong := make([]float64, n)
	for v := range wrong {
		wrong[v] = g.result.Rows.DistanceL1(v, g.garment.Truth, v) / errorScale
	}
	conf := []report.Layer{{Mesh: g.garment.Mesh, Scalar: g.confidence(), Min: 0, Max: 1, Map: report.Viridis}}
	errs := []report.Layer{{Mesh: g.garment.Mesh, Scalar: wrong, Min: 0, Max: 1, Map: report.Cividis}}
	const w, h = 360, 420
	front, rear := report.View{Azimuth: 0.25, Elevation: 0.1}, report.View{Azimuth: back + 0.25, Elevation: 0.1}
	a := report.Sheet(g.garment.Name, []report.Panel{
		{Caption: "confidence, front", Image: report.Render(conf, front, w, h)},
		{Caption: "confidence, back", Image: report.Render(conf, rear, w, h)},
	}, report.Legend{Label: "confidence", Min: 0, Max: 1, Map: report.Viridis})
	b := report.Sheet("", []report.Panel{
		{Caption: "L1 error against the truth, front", Image: report.Render(errs, front, w, h)},
		{Caption: "L1 error, back", Image: report.Render(errs, rear, w, h)},
	}, report.Legend{Label: "L1 error", Min: 0, Max: errorScale, Map: report.Cividis})
	return report.Sheet("", []report.Panel{{Image: a}, {Image: b}}, report.Legend{})
}
