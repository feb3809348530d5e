package crew

import (
	"fmt"
	"github.com/selvage/selvage/transfer/mesh"
	"gonum.org/v1/gonum/spatial/r3"
	"image"
	"image/color"
	"image/png"
	"math"
	"os"
	"testing"
	"time"
)

type shot struct {
	m *mesh.Mesh
	c [3]float64
}

func render(file string, ms []shot, yaw, pitch float64, centre r3.Vec, span float64, W, H int) {
	img := image.NewRGBA(image.Rect(0, 0, W, H))
	z := make([]float64, W*H)
	for i := range z {
		z[i] = -1e9
	}
	for i := range W * H {
		img.Pix[4*i] = 235
		img.Pix[4*i+1] = 235
		img.Pix[4*i+2] = 240
		img.Pix[4*i+3] = 255
	}
	sy, cy := math.Sincos(yaw)
	sp, cp := math.Sincos(pitch)
	tr := func(p r3.Vec) r3.Vec {
		p = r3.Sub(p, centre)
		x := p.X*cy - p.Z*sy
		zz := p.X*sy + p.Z*cy
		y := p.Y*cp - zz*sp
		zz = p.Y*sp + zz*cp
		return r3.Vec{X: x, Y: y, Z: zz}
	}
	k := float64(H) / span
	for _, s := range ms {
		for _, t := range s.m.Triangles {
			a, b, c := tr(s.m.Positions[t[0]]), tr(s.m.Positions[t[1]]), tr(s.m.Positions[t[2]])
			n := r3.Cross(r3.Sub(b, a), r3.Sub(c, a))
			if r3.Norm(n) == 0 {
				continue
			}
			n = r3.Unit(n)
			sh := 0.35 + 0.65*math.Abs(n.Z*0.8+n.Y*0.4+n.X*0.3)/1.0
			if sh > 1 {
				sh = 1
			}
			col := s.c
			if n.Z < 0 {
				col = [3]float64{200, 60, 160}
			}
			ax, ay := a.X*k+float64(W)/2, float64(H)/2-a.Y*k
			bx, by := b.X*k+float64(W)/2, float64(H)/2-b.Y*k
			cx, cyy := c.X*k+float64(W)/2, float64(H)/2-c.Y*k
			x0, x1 := int(math.Floor(min(ax, bx, cx))), int(math.Ceil(max(ax, bx, cx)))
			y0, y1 := int(math.Floor(min(ay, by, cyy))), int(math.Ceil(max(ay, by, cyy)))
			d := (bx-ax)*(cyy-ay) - (cx-ax)*(by-ay)
			if d == 0 {
				continue
			}
			for y := max(0, y0); y <= min(H-1, y1); y++ {
				for x := max(0, x0); x <= min(W-1, x1); x++ {
					px, py := float64(x)+.5, float64(y)+.5
					w1 := ((px-ax)*(cyy-ay) - (cx-ax)*(py-ay)) / d
					w2 := ((bx-ax)*(py-ay) - (px-ax)*(by-ay)) / d
					w0 := 1 - w1 - w2
					if w0 < 0 || w1 < 0 || w2 < 0 {
						continue
					}
					dz := w0*a.Z + w1*b.Z + w2*c.Z
					if dz > z[y*W+x] {
						z[y*W+x] = dz
						img.Set(x, y, color.RGBA{uint8(col[0] * sh), uint8(col[1] * sh), uint8(col[2] * sh), 255})
					}
				}
			}
		}
	}
	f, _ := os.Create(file)
	png.Encode(f, img)
	f.Close()
}
func TestScratchBody(t *testing.T) {
	for _, n := range Names() {
		t0 := time.Now()
		b := NewBody(n)
		fmt.Println(n, len(b.Mesh.Positions), len(b.Mesh.Triangles), time.Since(t0), b.Mesh.Bounds())
		s := []shot{{b.Mesh, [3]float64{220, 180, 150}}}
		render("/tmp/crew_"+n+"_f.png", s, 0.0, 0, r3.Vec{Y: .93}, 2, 900, 1000)
		render("/tmp/crew_"+n+"_q.png", s, 0.9, 0.1, r3.Vec{Y: .93}, 2, 700, 1000)
		if n == "mate" {
			render("/tmp/crew_hand.png", s, 0.0, 0.9, r3.Vec{X: .62, Y: .98}, .4, 1000, 1000)
			render("/tmp/crew_back.png", s, 3.6, 0.1, r3.Vec{Y: .93}, 2, 700, 1000)
			render("/tmp/crew_head.png", s, 0.6, 0.0, r3.Vec{Y: 1.55}, .6, 900, 900)
		}
	}
}
func TestScratchWear(t *testing.T){
 b:=NewBody("mate"); t0:=time.Now(); w:=b.Wardrobe(); fmt.Println(len(b.Mesh.Positions),time.Since(t0))
 cols:=map[string][3]float64{"jersey":{60,80,140},"oilskin coat":{230,190,40},"bib trousers":{200,150,60},"gloves":{120,80,50},"sea boots":{70,70,80},"sou'wester":{240,200,60},"cape":{90,110,90}}
 s:=[]shot{{b.Mesh,[3]float64{220,180,150}}}
 var all []shot=s
 for _,g:=range w { fmt.Println(g.Name,len(g.Mesh.Positions),len(g.Mesh.Triangles),g.Parts)
  o:=append([]shot{},s...); o=append(o,shot{g.Mesh,cols[g.Name]}); all=append(all,shot{g.Mesh,cols[g.Name]})
  render("/tmp/w_"+g.Name+"_f.png",o,0.3,0.1,r3.Vec{Y:.93},2,800,1000)
  render("/tmp/w_"+g.Name+"_b.png",o,3.6,0.1,r3.Vec{Y:.93},2,800,1000)
  if g.Name=="gloves" {render("/tmp/w_gloves_h.png",o,0.0,0.9,r3.Vec{X:.62,Y:.98},.4,1000,1000)}
 }
 render("/tmp/w_all_f.png",all,0.3,0.1,r3.Vec{Y:.93},2,800,1000)
}
