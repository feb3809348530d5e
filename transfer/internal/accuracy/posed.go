package main

// Default poses that differ: how far the rows are off when the garment was modelled
// on a body that stands or is built otherwise, without and with registration.

import (
	"context"
	"fmt"
	"os"
	"strings"

	"github.com/selvage/selvage/transfer"
	"github.com/selvage/selvage/transfer/crew"
)

// posedGarments are measured: close to the body, wide, and about the legs.
var posedGarments = []string{"jersey", "oilskin coat", "bib trousers"}

// foundText is what a transfer said of the default pose.
func foundText(s *transfer.Summary) string {
	if len(s.Offsets) == 0 {
		return "nothing"
	}
	var list []string
	for _, o := range s.Offsets {
		t := fmt.Sprintf("%s %.0f°", o.Joint, o.Degrees)
		if o.Shift >= 0.0005 {
			t += fmt.Sprintf(", %.1f cm", 100*o.Shift)
		}
		if o.Scale != 0 && (o.Scale < 0.995 || o.Scale > 1.005) {
			t += fmt.Sprintf(", times %.2f", o.Scale)
		}
		list = append(list, t)
	}
	if len(list) > 3 {
		list = append(list[:3], fmt.Sprintf("%d more", len(list)-3))
	}
	what := "said"
	if s.Offsets[0].Corrected {
		what = "corrected"
	}
	return strings.Join(list, "; ") + ": " + what
}

// posed measures and returns the table.
func posed(ctx context.Context, only, heldOut string) (string, error) {
	var s strings.Builder
	s.WriteString("\n| body | garment | modelled | p99 cm, registration off | p99 cm, auto | found |\n|---|---|---|--:|--:|---|\n")
	for _, name := range crew.Names() {
		if only != "" && name != only {
			continue
		}
		b := crew.NewBody(name)
		p := newPoser(b.Skin)
		source, err := transfer.Prepare(ctx, &transfer.Body{Name: name, Mesh: b.Mesh, Rows: b.Rows, Skin: b.Skin}, 0)
		if err != nil {
			return "", err
		}
		box := b.Mesh.Bounds()
		toCm := 100 * figureHeight / (box.Max.Y - box.Min.Y)
		title := name
		if name == heldOut {
			title += " (held out)"
		}
		for _, garment := range posedGarments {
			for _, c := range b.PosedCases(garment) {
				if garment == "bib trousers" && (strings.Contains(c.Name, "arms") || strings.Contains(c.Name, "sleeve")) {
					continue
				}
				g := &transfer.Garment{Name: garment, Mesh: c.Garment.Mesh}
				for k, x := range c.Garment.Parts {
					g.Parts = append(g.Parts, transfer.Part{Material: x.Material, Primitive: k, Start: x.Start, End: x.End})
				}
				var cm [2]float64
				var found string
				for k, r := range []transfer.Switch{transfer.Off, transfer.Auto} {
					result, err := source.Transfer(ctx, g, transfer.Options{Registration: r})
					if err != nil {
						return "", fmt.Errorf("%s, %s, %s: %w", name, garment, c.Name, err)
					}
					var firm []float64 // loose cloth has a convention for truth
					for v, e := range p.errors(g.Mesh.Positions, result.Rows, c.Garment.Truth) {
						if !c.Garment.LooseVertex[v] {
							firm = append(firm, toCm*e)
						}
					}
					cm[k], found = quantile(firm, 0.99), foundText(&result.Summary)
				}
				line := fmt.Sprintf("| %s | %s | %s | %.2f | %.2f | %s |\n", title, garment, c.Name, cm[0], cm[1], found)
				s.WriteString(line)
				fmt.Fprint(os.Stderr, line)
			}
		}
	}
	return s.String(), nil
}
