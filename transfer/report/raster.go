// Package report draws meshes with per-vertex values as still pictures, and
// gathers garments in one HTML file with a 3D view.
package report

import (
	"image"
	"image/color"
	"math"
	"runtime"

	"gonum.org/v1/gonum/spatial/r3"

	"github.com/selvage/selvage/transfer/forkjoin"
	"github.com/selvage/selvage/transfer/mesh"
)

// Layer is one mesh of a picture. The mesh must be valid (mesh.Mesh.Validate).
type Layer struct {
	Mesh *mesh.Mesh
	// Scalar per vertex, or nil for the plain Color. NaN and infinite values are
	// drawn in InvalidColor. Any other length counts as nil.
	Scalar []float64
	// Min and Max are the values at the ends of Map; equal: 0 and 1.
	Min, Max float64
	Map      Map
	// Color without Scalar. Zero: light grey.
	Color color.RGBA
	// Flat shades by face normals instead of vertex normals.
	Flat bool
	// Lines draws the triangles' edges over the shading, one pixel wide, fainter where
	// triangles are only a few pixels large.
	Lines bool
}

// InvalidColor marks values that are not finite; no colour map comes near it.
var InvalidColor = color.RGBA{200, 190, 200, 255}

// View is an orthographic camera in the right-handed world frame, y up.
type View struct {
	// Azimuth, radians: 0 looks at the front from +z, pi/2 from +x.
	Azimuth float64
	// Elevation, radians: positive looks down from above.
	Elevation float64
	// Box is what the picture must hold, metres. Zero: the box of all layers.
	Box r3.Box
	// Cut leaves out what stands more than so many metres before the box's centre, as
	// seen from the camera. Zero: nothing.
	Cut float64
	// Marks are points to be ringed, metres, whatever stands before them.
	Marks []r3.Vec
	// Threads at work. Zero: as many as the processor runs at once.
	Threads int
}

const (
	supersample = 2
	bandRows    = 32 // picture rows that a goroutine draws at a time
	// Lines appear where triangles are linesFrom pixels high and are full at linesFull.
	linesFrom, linesFull = 2.0, 8.0
	lineStrength         = 0.65
	markRadius           = 9.0 // pixels
)

type corner struct{ x, y, z, light, value float64 }

// Render draws the layers on white, nearest surface in front, with a light at the
// camera and 2 by 2 supersampling. Both sides of a triangle are drawn. The
// picture does not depend on View.Threads.
func Render(layers []Layer, view View, width, height int) *image.RGBA {
	img := image.NewRGBA(image.Rect(0, 0, max(width, 0), max(height, 0)))
	if width <= 0 || height <= 0 {
		return img
	}
	sa, ca := math.Sincos(view.Azimuth)
	se, ce := math.Sincos(view.Elevation)
	back := r3.Vec{X: sa * ce, Y: se, Z: ca * ce} // towards the camera
	right := r3.Vec{X: ca, Z: -sa}
	up := r3.Cross(back, right)

	// Fit the box's corners into the picture, with a margin of 5%.
	box := view.Box
	if box == (r3.Box{}) {
		var ends []r3.Vec
		for _, l := range layers {
			if len(l.Mesh.Positions) > 0 {
				b := l.Mesh.Bounds()
				ends = append(ends, b.Min, b.Max)
			}
		}
		box = mesh.Bounds(ends)
	}
	centre := r3.Scale(0.5, r3.Add(box.Min, box.Max))
	half := r3.Scale(0.5, r3.Sub(box.Max, box.Min))
	extent := func(d r3.Vec) float64 {
		return math.Abs(d.X)*half.X + math.Abs(d.Y)*half.Y + math.Abs(d.Z)*half.Z
	}
	w, h := width*supersample, height*supersample
	scale := 0.95 * min(float64(w)/2/max(extent(right), 1e-9), float64(h)/2/max(extent(up), 1e-9))

	// Project all vertices once.
	corners := make([][]corner, len(layers))
	faces := make([][]r3.Vec, len(layers))
	for i, l := range layers {
		normals := mesh.VertexNormals(l.Mesh)
		if l.Flat {
			faces[i] = mesh.FaceNormals(l.Mesh)
		}
		cs := make([]corner, len(l.Mesh.Positions))
		for v, p := range l.Mesh.Positions {
			d := r3.Sub(p, centre)
			cs[v] = corner{
				x: float64(w)/2 + scale*r3.Dot(d, right), y: float64(h)/2 - scale*r3.Dot(d, up),
				z: r3.Dot(d, back), light: math.Abs(r3.Dot(normals[v], back)),
			}
			if len(l.Scalar) == len(cs) {
				lo, hi := l.Min, l.Max
				if lo == hi {
					lo, hi = 0, 1
				}
				cs[v].value = (l.Scalar[v] - lo) / (hi - lo)
			}
		}
		corners[i] = cs
	}

	nearest := math.Inf(1)
	if view.Cut > 0 {
		nearest = view.Cut
	}
	threads := view.Threads
	if threads <= 0 {
		threads = runtime.GOMAXPROCS(0)
	}
	bands := (height + bandRows - 1) / bandRows
	var group forkjoin.Group
	for t := 0; t < threads; t++ {
		group.Go(func() {
			for b := t; b < bands; b += threads {
				drawBand(img, layers, corners, faces, back, nearest, w, b*bandRows, min((b+1)*bandRows, height))
			}
		})
	}
	group.Wait()
	for _, p := range view.Marks {
		d := r3.Sub(p, centre)
		ring(img, float64(width)/2+scale/supersample*r3.Dot(d, right), float64(height)/2-scale/supersample*r3.Dot(d, up))
	}
	return img
}

// ring draws a black circle between two white ones, smooth at its edges.
func ring(img *image.RGBA, cx, cy float64) {
	const outer = markRadius + 3
	for y := int(cy - outer); y <= int(cy+outer)+1; y++ {
		for x := int(cx - outer); x <= int(cx+outer)+1; x++ {
			if !(image.Pt(x, y).In(img.Rect)) {
				continue
			}
			off := math.Abs(math.Hypot(float64(x)+0.5-cx, float64(y)+0.5-cy) - markRadius)
			white, black := min(max(3-off, 0), 1), min(max(1.5-off, 0), 1)
			c := img.RGBAAt(x, y)
			mix := func(v uint8) uint8 { return uint8((1-black)*((1-white)*float64(v)+white*255) + 0.5) }
			img.SetRGBA(x, y, color.RGBA{mix(c.R), mix(c.G), mix(c.B), 255})
		}
	}
}

// drawBand draws picture rows y0 to y1, which no other call touches.
func drawBand(img *image.RGBA, layers []Layer, corners [][]corner, faces [][]r3.Vec, back r3.Vec, nearest float64, w, y0, y1 int) {
	top, rows := y0*supersample, (y1-y0)*supersample
	depth := make([]float64, w*rows)
	pixel := make([][3]float32, w*rows)
	for i := range depth {
		depth[i] = math.Inf(-1)
		pixel[i] = [3]float32{255, 255, 255}
	}
	for i, l := range layers {
		plain := l.Color
		if plain == (color.RGBA{}) {
			plain = color.RGBA{190, 190, 190, 255}
		}
		for t, tri := range l.Mesh.Triangles {
			a, b, c := &corners[i][tri[0]], &corners[i][tri[1]], &corners[i][tri[2]]
			ylo := max(int(math.Ceil(min(a.y, b.y, c.y)-0.5)), top)
			yhi := min(int(math.Floor(max(a.y, b.y, c.y)-0.5)), top+rows-1)
			if ylo > yhi {
				continue
			}
			xlo := max(int(math.Ceil(min(a.x, b.x, c.x)-0.5)), 0)
			xhi := min(int(math.Floor(max(a.x, b.x, c.x)-0.5)), w-1)
			area := (b.x-a.x)*(c.y-a.y) - (c.x-a.x)*(b.y-a.y)
			if area == 0 {
				continue
			}
			// Heights over the edges opposite a, b and c, and how dark their lines are.
			var tall [3]float64
			ink := 0.0
			if l.Lines {
				for k, e := range [3][2]*corner{{b, c}, {c, a}, {a, b}} {
					tall[k] = math.Abs(area) / math.Hypot(e[0].x-e[1].x, e[0].y-e[1].y)
				}
				ink = lineStrength * min(max((min(tall[0], tall[1], tall[2])/supersample-linesFrom)/(linesFull-linesFrom), 0), 1)
			}
			for y := ylo; y <= yhi; y++ {
				for x := xlo; x <= xhi; x++ {
					px, py := float64(x)+0.5, float64(y)+0.5
					u := ((b.x-px)*(c.y-py) - (c.x-px)*(b.y-py)) / area
					v := ((c.x-px)*(a.y-py) - (a.x-px)*(c.y-py)) / area
					s := 1 - u - v
					// The allowance closes cracks at shared edges.
					if u < -1e-9 || v < -1e-9 || s < -1e-9 {
						continue
					}
					z := u*a.z + v*b.z + s*c.z
					k := (y-top)*w + x
					if z <= depth[k] || z > nearest {
						continue
					}
					depth[k] = z
					light := u*a.light + v*b.light + s*c.light
					if l.Flat {
						light = math.Abs(r3.Dot(faces[i][t], back))
					}
					col := plain
					if len(l.Scalar) == len(corners[i]) {
						col = l.Map.At(u*a.value + v*b.value + s*c.value)
					}
					f := float32(0.4 + 0.6*min(light, 1))
					if ink > 0 && min(u*tall[0], v*tall[1], s*tall[2]) < supersample/2 {
						f *= float32(1 - ink)
					}
					pixel[k] = [3]float32{f * float32(col.R), f * float32(col.G), f * float32(col.B)}
				}
			}
		}
	}
	for y := y0; y < y1; y++ {
		for x := 0; x < img.Rect.Dx(); x++ {
			var sum [3]float32
			for k := 0; k < supersample*supersample; k++ {
				p := pixel[((y-y0)*supersample+k/supersample)*w+x*supersample+k%supersample]
				for j := range sum {
					sum[j] += p[j]
				}
			}
			const n = supersample * supersample
			img.SetRGBA(x, y, color.RGBA{uint8(sum[0]/n + .5), uint8(sum[1]/n + .5), uint8(sum[2]/n + .5), 255})
		}
	}
}
