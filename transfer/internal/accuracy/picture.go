package main

import (
	"fmt"
	"math"
	"os"
	"path/filepath"
	"strings"

	"github.com/selvage/selvage/transfer"
	"github.com/selvage/selvage/transfer/crew"
	"github.com/selvage/selvage/transfer/report"
)

// drawCase draws the L1 error and the confidence of one case from front and back.
func drawCase(folder string, b *transfer.Body, c *crew.Case, method string, a *answer, l1 []float64) error {
	if err := os.MkdirAll(folder, 0o777); err != nil {
		return err
	}
	front, back := report.View{Azimuth: 0.25, Elevation: 0.1}, report.View{Azimuth: 0.25 + math.Pi, Elevation: 0.1}
	panels := func(values []float64, m report.Map, what string) []report.Panel {
		layers := []report.Layer{{Mesh: c.Garment.Mesh, Scalar: values, Min: 0, Max: 1, Map: m}}
		return []report.Panel{
			{Caption: what + ", front", Image: report.Render(layers, front, 560, 640)},
			{Caption: what + ", back", Image: report.Render(layers, back, 560, 640)},
		}
	}
	title := fmt.Sprintf("%s, %s, %s", b.Name, c.Name, method)
	name := strings.Map(func(r rune) rune {
		if r == ' ' || r == ',' || r == '/' || r == '\'' {
			return '-'
		}
		return r
	}, title)
	e := report.Sheet(title, panels(l1, report.Cividis, "L1 error"), report.Legend{Label: "L1 error", Max: 1, Map: report.Cividis})
	if err := report.SavePNG(filepath.Join(folder, name+"-error.png"), e); err != nil {
		return err
	}
	k := report.Sheet(title, panels(a.confidence, report.Viridis, "confidence"), report.Legend{Label: "confidence", Max: 1, Map: report.Viridis})
	return report.SavePNG(filepath.Join(folder, name+"-confidence.png"), k)
}
