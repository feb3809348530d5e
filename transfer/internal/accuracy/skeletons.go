package main

// Skeletons that differ: how far the rows are off over a garment's own skeleton,
// which lacks joints of the body's, and over the body's with joints folded.

import (
	"context"
	"fmt"
	"os"
	"strings"

	"github.com/selvage/selvage/transfer"
	"github.com/selvage/selvage/transfer/crew"
	"github.com/selvage/selvage/transfer/weights"
)

// skeletons measures and returns the table.
func skeletons(ctx context.Context, only, heldOut string) (string, error) {
	var s strings.Builder
	s.WriteString("\n| body | garment | joints left out | p99 cm, all joints | own skin | body with that skeleton | weight that went to ancestors |\n|---|---|---|--:|--:|--:|--:|\n")
	for _, name := range crew.Names() {
		if only != "" && name != only {
			continue
		}
		b := crew.NewBody(name)
		title := name
		if name == heldOut {
			title += " (held out)"
		}
		box := b.Mesh.Bounds()
		toCm := 100 * figureHeight / (box.Max.Y - box.Min.Y)
		prepare := func(b *crew.Body) (*transfer.Source, error) {
			return transfer.Prepare(ctx, &transfer.Body{Name: name, Mesh: b.Mesh, Rows: b.Rows, Skin: b.Skin}, 0)
		}
		full, err := prepare(b)
		if err != nil {
			return "", err
		}
		for _, v := range []struct {
			what     string
			skeleton *crew.Skeleton
			garments []string
		}{
			{"twist", b.WithoutTwist(), []string{"jersey", "oilskin coat"}},
			{"fingers", b.WithoutFingers(), []string{"gloves"}},
		} {
			reduced, err := prepare(b.WithSkeleton(v.skeleton))
			if err != nil {
				return "", err
			}
			for _, garment := range v.garments {
				x := b.GarmentAt(garment, 1)
				g := &transfer.Garment{Name: garment, Mesh: x.Mesh}
				for k, p := range x.Parts {
					g.Parts = append(g.Parts, transfer.Part{Material: p.Material, Primitive: k, Start: p.Start, End: p.End})
				}
				p99 := func(p *poser, rows, truth *weights.Rows) float64 {
					var firm []float64 // loose cloth has a convention for truth
					for v, e := range p.errors(g.Mesh.Positions, rows, truth) {
						if !x.LooseVertex[v] {
							firm = append(firm, toCm*e)
						}
					}
					return quantile(firm, 0.99)
				}
				plain, err := full.Transfer(ctx, g, transfer.Options{})
				if err != nil {
					return "", err
				}
				ideal, err := reduced.Transfer(ctx, g, transfer.Options{})
				if err != nil {
					return "", err
				}
				g.Skin = v.skeleton.Skin
				own, err := full.Transfer(ctx, g, transfer.Options{})
				if err != nil {
					return "", err
				}
				up := 0.0
				for _, l := range own.Summary.JointMap {
					if l.How == transfer.MappedByAncestor {
						up += l.Weight
					}
				}
				truth, p := v.skeleton.Rows(x.Truth), newPoser(v.skeleton.Skin)
				line := fmt.Sprintf("| %s | %s | %s | %.2f | %.2f | %.2f | %.1f%% |\n", title, garment, v.what,
					p99(newPoser(b.Skin), plain.Rows, x.Truth), p99(p, own.Rows, truth), p99(p, ideal.Rows, truth), 100*up)
				s.WriteString(line)
				fmt.Fprint(os.Stderr, line)
			}
		}
	}
	return s.String(), nil
}
