package main

import (
	"context"
	"fmt"
	"math"
	"os"
	"slices"

	"github.com/selvage/selvage/transfer"
	"github.com/selvage/selvage/transfer/closest"
	"github.com/selvage/selvage/transfer/crew"
	"github.com/selvage/selvage/transfer/pose"
	"github.com/selvage/selvage/transfer/skinning"
	"github.com/selvage/selvage/transfer/weights"
)

// figureHeight is the height, in metres, of the figure that errors in centimetres
// are given for.
const figureHeight = 1.8

// figures of one garment over one layer.
type figures struct {
	garment, layer, how string
	over, dived, cases  int
	avoidable           int
	depth               float64 // metres
	faults              string
	errors              string
}

// pieces of the wardrobe that are worn over others and measured; the hat covers
// nothing.
var measured = []string{"bib trousers", "sea boots", "gloves", "oilskin coat", "cape"}

// measure dresses a body from the inside out, each garment alone and over those
// before it, and poses each over every layer that it touches. The layers are the
// same for both: transferred with layers themselves.
func measure(ctx context.Context, b *crew.Body, only string) ([]figures, error) {
	body := &transfer.Body{Name: b.Name, Mesh: b.Mesh, Rows: b.Rows, Skin: b.Skin}
	source, err := transfer.Prepare(ctx, body, 0)
	if err != nil {
		return nil, err
	}
	posed, err := pose.Prepare(ctx, &pose.Figure{Name: b.Name, Mesh: b.Mesh, Rows: b.Rows, Skin: b.Skin}, 0)
	if err != nil {
		return nil, err
	}
	box := b.Mesh.Bounds()
	toCm := 100 * figureHeight / (box.Max.Y - box.Min.Y)
	var out []figures
	var layers []transfer.Layer
	var worn []*pose.Figure
	for _, g := range b.Wardrobe() {
		garment := &transfer.Garment{Name: g.Name, Mesh: g.Mesh}
		for _, p := range g.Parts {
			garment.Parts = append(garment.Parts, transfer.Part{Node: g.Name, Material: p.Material, Primitive: len(garment.Parts), Start: p.Start, End: p.End})
		}
		over, err := source.WithLayers(ctx, layers, 0)
		if err != nil {
			return nil, err
		}
		with, err := over.Transfer(ctx, garment, transfer.Options{})
		if err != nil {
			return nil, err
		}
		if slices.Contains(measured, g.Name) && (only == "" || only == g.Name) {
			without, err := source.Transfer(ctx, garment, transfer.Options{})
			if err != nil {
				return nil, err
			}
			nearest, err := layerRows(ctx, g, layers, without.Rows)
			if err != nil {
				return nil, err
			}
			for _, x := range []struct {
				how  string
				rows *weights.Rows
			}{{"without", without.Rows}, {"with layers", with.Rows}, {"nearest layer's own rows", nearest}} {
				f, err := judge(ctx, posed, b.Skin, g, x.rows, worn, toCm)
				if err != nil {
					return nil, err
				}
				for _, l := range f {
					l.how = x.how
					out = append(out, l)
				}
			}
			fmt.Fprintf(os.Stderr, "%s, %s: measured; %v\n", b.Name, g.Name, with.Summary.TakenFrom)
		}
		layers = append(layers, transfer.Layer{Name: g.Name, Mesh: g.Mesh, Rows: with.Rows, Confidence: with.Confidence})
		worn = append(worn, &pose.Figure{Name: g.Name, Mesh: g.Mesh, Rows: with.Rows, Skin: b.Skin})
	}
	slices.SortStableFunc(out, func(a, b figures) int {
		if a.garment != b.garment {
			return slices.Index(measured, a.garment) - slices.Index(measured, b.garment)
		}
		return slices.Index(crew.GarmentNames(), a.layer) - slices.Index(crew.GarmentNames(), b.layer)
	})
	return out, nil
}

// layerRows gives each vertex the row of the nearest point of all layers, where one
// lies within near: what no transfer can better, as far as diving goes. Elsewhere the
// row that it has.
func layerRows(ctx context.Context, g *crew.Garment, layers []transfer.Layer, rows *weights.Rows) (*weights.Rows, error) {
	const near = 0.1 // metres
	best := make([]closest.Hit, g.Mesh.NumVertices())
	from := make([]int, len(best))
	for v := range best {
		best[v].DistanceSq, from[v] = near*near, -1
	}
	for i, l := range layers {
		tree, err := closest.NewTree(ctx, l.Mesh.Positions, l.Mesh.Triangles, 0)
		if err != nil {
			return nil, err
		}
		hits := make([]closest.Hit, len(best))
		if err := tree.NearestAll(ctx, g.Mesh.Positions, hits, 0); err != nil {
			return nil, err
		}
		for v, h := range hits {
			if h.DistanceSq < best[v].DistanceSq {
				best[v], from[v] = h, i
			}
		}
	}
	joints := 0
	for _, l := range append(layers, transfer.Layer{Rows: rows}) {
		for _, j := range l.Rows.Joint {
			joints = max(joints, int(j)+1)
		}
	}
	acc, out := weights.NewAccumulator(joints), weights.NewRows(len(best))
	for v, h := range best {
		if from[v] < 0 {
			out.Append(rows.Row(v))
			continue
		}
		l := layers[from[v]]
		for k, u := range l.Mesh.Triangles[h.Triangle] {
			acc.AddRow(l.Rows, int(u), h.Bary[k])
		}
		acc.FlushNormalised(out)
	}
	return out, nil
}

// judge poses a garment over its layers, and holds its rows against the truth.
func judge(ctx context.Context, body *pose.Body, skin *skinning.Skin, g *crew.Garment, rows *weights.Rows, worn []*pose.Figure, toCm float64) ([]figures, error) {
	f := &pose.Figure{Name: g.Name, Mesh: g.Mesh, Rows: rows, Skin: skin}
	for _, p := range g.Parts {
		f.Parts = append(f.Parts, pose.Part{Node: g.Name, Material: p.Material, Primitive: len(f.Parts), Start: p.Start, End: p.End})
	}
	move := 0.0
	k, err := body.Check(ctx, f, pose.Options{Layers: worn, Plan: &pose.Plan{Scale: []float64{}, Move: &move}})
	if err != nil {
		return nil, err
	}
	stretch := 0.0
	r, err := k.Run(ctx, func(r pose.Result) error {
		stretch = max(stretch, r.Measures.Stretch)
		return nil
	})
	if err != nil {
		return nil, err
	}
	dive, other := 0, 0
	for _, x := range r.Findings {
		if x.Kind == pose.Dive {
			dive++
		} else {
			other++
		}
	}
	var errors string
	judge := skinning.NewRowJudge(skin)
	for _, loose := range []bool{false, true} {
		var l1, cm []float64
		for v, x := range g.Mesh.Positions {
			if g.LooseVertex[v] != loose {
				continue
			}
			ja, wa := rows.Row(v)
			jb, wb := g.Truth.Row(v)
			l1 = append(l1, rows.DistanceL1(v, g.Truth, v))
			cm = append(cm, toCm*judge.Displacement(x, ja, wa, jb, wb))
		}
		if len(l1) == 0 {
			errors += " - | - |"
			continue
		}
		errors += fmt.Sprintf(" %.4f | %.2f |", mean(l1), quantile(cm, 0.99))
	}
	errors += fmt.Sprintf(" %.2f", stretch)
	var out []figures
	for _, l := range r.Layers {
		if l.Over < 200 {
			continue // it does not lie over that
		}
		out = append(out, figures{
			garment: g.Name, layer: l.Layer, over: l.Over, dived: l.Dived, cases: l.Cases, avoidable: l.Avoidable, depth: l.Depth,
			faults: fmt.Sprintf("%d, %d others", dive, other), errors: errors,
		})
	}
	return out, nil
}

func mean(x []float64) float64 {
	s := 0.0
	for _, v := range x {
		s += v
	}
	return s / float64(len(x))
}

// quantile is the smallest value that a share q of x does not exceed.
func quantile(x []float64, q float64) float64 {
	s := slices.Sorted(slices.Values(x))
	return s[min(len(s)-1, max(0, int(math.Ceil(q*float64(len(s))))-1))]
}
