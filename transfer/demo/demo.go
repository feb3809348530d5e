// Package demo runs the main job on the pilot boat's crew: it writes a body and
// its wardrobe as glTF files, re-weights the garments from those files, holds the
// result against the known truth, and leaves pictures and a page to open.
package demo

import (
	"context"
	"fmt"
	"os"
	"path/filepath"
	"slices"

	"github.com/selvage/selvage/transfer"
	"github.com/selvage/selvage/transfer/crew"
	"github.com/selvage/selvage/transfer/gltfio"
	"github.com/selvage/selvage/transfer/skinning"
)

// Options of a demo. The zero value works but for Folder.
type Options struct {
	// Folder that takes everything; made where it is missing.
	Folder string
	// Member of the crew whose body is used. Empty: the first of crew.Names.
	Member string
	// Threads to compute with. Zero: all.
	Threads int
	// Progress is told which garment k of n is at which stage; may be nil.
	Progress func(name string, k, n int) func(transfer.Stage, float64)
}

// Outcome of a demo.
type Outcome struct {
	Garments []Garment `json:"garments"`
	// Page is the file to open.
	Page string `json:"page"`
}

// Garment is one garment's summary and its errors against the known truth.
type Garment struct {
	Summary transfer.Summary `json:"summary"`
	Error   Error            `json:"error"`
	// Loose garments have a convention for truth, not a fact.
	Loose bool   `json:"loose"`
	File  string `json:"file"`

	garment *crew.Garment
	surface *gltfio.Surface
	result  *transfer.Result
}

// Error of rows against known ones.
type Error struct {
	MeanL1 float64 `json:"meanL1"`
	P99L1  float64 `json:"p99L1"`
	// Centimetres by which the posed vertex is off at worst, over all poses that turn
	// one joint by 90 degrees about one of its axes.
	P99Centimetres float64 `json:"p99Centimetres"`
	MaxCentimetres float64 `json:"maxCentimetres"`
}

// Run makes the files, transfers, measures, and draws. The folder "try" gets the files of
// [crew.Body.WriteExamples], on which README's examples run.
func Run(ctx context.Context, opt Options) (*Outcome, error) {
	if opt.Member == "" {
		opt.Member = crew.Names()[0]
	}
	if !slices.Contains(crew.Names(), opt.Member) {
		return nil, fmt.Errorf("the crew has no %q; there are %v", opt.Member, crew.Names())
	}
	member := crew.NewBody(opt.Member)
	input := filepath.Join(opt.Folder, "input")
	if err := member.WriteMember(input); err != nil {
		return nil, fmt.Errorf("write the crew's files: %w", err)
	}
	if err := member.WriteExamples(filepath.Join(opt.Folder, "try")); err != nil {
		return nil, fmt.Errorf("write files to try things out on: %w", err)
	}
	asset, err := gltfio.Open(filepath.Join(input, "body.glb"), gltfio.Options{})
	if err != nil {
		return nil, err
	}
	body, err := transfer.PrepareAsset(ctx, asset, gltfio.Selection{}, opt.Threads)
	if err != nil {
		return nil, err
	}
	judge := skinning.NewRowJudge(member.Skin)
	wardrobe := member.Wardrobe()
	out := &Outcome{}
	weighted := filepath.Join(opt.Folder, "weighted")
	if err := os.MkdirAll(weighted, 0o777); err != nil {
		return nil, err
	}
	for k, g := range wardrobe {
		file := crew.FileName(g.Name)
		garment, err := gltfio.Open(filepath.Join(input, file), gltfio.Options{})
		if err != nil {
			return nil, err
		}
		o := transfer.AssetOptions{Options: transfer.Options{Threads: opt.Threads}}
		if opt.Progress != nil {
			o.Progress = opt.Progress(g.Name, k, len(wardrobe))
		}
		result, r, err := body.Transfer(ctx, garment, o)
		if err != nil {
			return nil, err
		}
		if _, err := result.Save(filepath.Join(weighted, file)); err != nil {
			return nil, err
		}
		surface, err := garment.Garment(gltfio.Selection{})
		if err != nil {
			return nil, err
		}
		r.Summary.Garment = g.Name
		out.Garments = append(out.Garments, Garment{
			Summary: r.Summary, Error: measure(judge, g, r), Loose: g.Loose,
			File: filepath.Join(weighted, file), garment: g, surface: surface, result: r,
		})
	}
	if err := out.draw(ctx, opt.Folder, member, body.Surface(), opt.Threads); err != nil {
		return nil, err
	}
	return out, nil
}

// measure holds the rows against the truth.
func measure(judge *skinning.RowJudge, g *crew.Garment, r *transfer.Result) Error {
	n := g.Mesh.NumVertices()
	l1, cm := make([]float64, n), make([]float64, n)
	var e Error
	for v := range l1 {
		l1[v] = r.Rows.DistanceL1(v, g.Truth, v)
		ja, wa := r.Rows.Row(v)
		jb, wb := g.Truth.Row(v)
		cm[v] = 100 * judge.Displacement(g.Mesh.Positions[v], ja, wa, jb, wb)
		e.MeanL1 += l1[v] / float64(n)
	}
	slices.Sort(l1)
	slices.Sort(cm)
	at := min(n-1, n*99/100)
	e.P99L1, e.P99Centimetres, e.MaxCentimetres = l1[at], cm[at], cm[n-1]
	return e
}
