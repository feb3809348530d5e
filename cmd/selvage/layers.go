package main

import (
	"bytes"
	"context"
	"fmt"
	"os"
	"strings"

	"github.com/selvage/selvage/client"
	"github.com/selvage/selvage/transfer"
	"github.com/selvage/selvage/transfer/gltfio"
	"github.com/spf13/pflag"
)

// checkLayers returns a usage error where a file of --layer is the body or a garment
// itself, by its place or by what is in it. Files that can't be read are left to those who
// need them.
func checkLayers(layers []string, body string, garments []string) error {
	for _, layer := range layers {
		if sameAsset(layer, body) {
			return usageError{fmt.Errorf("--layer: %s is the body itself, %s, and a body is not worn over itself", layer, body)}
		}
		for _, garment := range garments {
			if sameAsset(layer, garment) {
				return usageError{fmt.Errorf("--layer: %s is the garment itself, %s, and a garment is not worn over itself", layer, garment)}
			}
		}
	}
	return nil
}

// sameAsset reports whether two files are one, or hold the same asset.
func sameAsset(a, b string) bool {
	x, err := os.Stat(a)
	if err != nil {
		return false
	}
	y, err := os.Stat(b)
	if err != nil {
		return false
	}
	if os.SameFile(x, y) {
		return true
	}
	if x.Size() != y.Size() || !x.Mode().IsRegular() || !y.Mode().IsRegular() {
		return false
	}
	p, err := os.ReadFile(a)
	if err != nil {
		return false
	}
	q, err := os.ReadFile(b)
	if err != nil || !bytes.Equal(p, q) {
		return false
	}
	// The buffers beside two equal files may differ.
	whole := func(file string) ([]byte, error) {
		asset, err := gltfio.Open(file, gltfio.Options{AllowExternal: true})
		if err != nil {
			return nil, err
		}
		var out bytes.Buffer
		err = asset.Encode(&out)
		return out.Bytes(), err
	}
	p, err = whole(a)
	if err != nil {
		return false
	}
	q, err = whole(b)
	return err == nil && bytes.Equal(p, q)
}

// layerMode says whether the garments of one call lie over one another.
type layerMode int

const (
	layersOff   layerMode = iota // each takes its rows from the body alone
	layersGiven                  // in the order of the command line, inner first
	layersFound                  // in the order that their distances from the body say
)

// layerFlags say what is worn beneath what.
type layerFlags struct {
	mode  layerMode
	files []string
}

func addLayerFlags(f *pflag.FlagSet, l *layerFlags) {
	f.Var(choiceFlag[layerMode]{&l.mode, []string{"off", "given", "found"}}, "layers", "several garments lie over one another, and outer ones take their rows from inner ones too: off, given (the inner first) or found (by their distances from the body)")
	f.StringArrayVar(&l.files, "layer", nil, "file of a weighted garment worn beneath all garments of this call (repeatable, inner to outer)")
}

// dress puts the files of --layer on and returns the order in which the garments are
// computed, with what there is to say about it.
func (l *layerFlags) dress(ctx context.Context, e engine, garments []string, sel gltfio.Selection) (order []int, notes []string, err error) {
	for _, file := range l.files {
		if err := e.wearFile(ctx, file); err != nil {
			return nil, nil, err
		}
	}
	if l.mode == layersFound && len(garments) > 1 {
		return e.order(ctx, garments, sel)
	}
	for k := range garments {
		order = append(order, k)
	}
	return order, nil, nil
}

// noteOrder puts what there is to say about the order of garments to the garment that
// each note names first: the one that lies over the other. A note that names none goes to
// the outermost.
func noteOrder(summaries []transfer.Summary, order []int, notes []string) {
	for _, note := range notes {
		about, at := -1, len(note)
		for k := range summaries {
			// Of two names that begin in one place the longer is meant.
			name := summaries[k].Garment
			if i := strings.Index(note, name); name != "" && i >= 0 && (i < at || i == at && len(name) > len(summaries[about].Garment)) {
				about, at = k, i
			}
		}
		if about < 0 {
			about = order[len(order)-1]
		}
		s := &summaries[about]
		s.Notes = append(s.Notes, strings.TrimPrefix(note, s.Garment+" "))
	}
}

// then puts a finished garment on, where others come over it.
func (l *layerFlags) then(ctx context.Context, e engine, file string, out *finished) error {
	if l.mode == layersOff {
		return nil
	}
	return e.wear(ctx, file, out)
}

// wornHere is a body under what is worn on it, computed here.
type wornHere struct {
	body    *transfer.AssetBody
	joints  []transfer.JointRule
	threads int
}

func (w *wornHere) put(ctx context.Context, layer *gltfio.Asset) error {
	body, err := w.body.WithMappedLayers(ctx, []*gltfio.Asset{layer}, w.joints, w.threads)
	if err == nil {
		w.body = body
	}
	return err
}

func (w *wornHere) wearFile(ctx context.Context, file string) error {
	layer, err := gltfio.Open(file, gltfio.Options{AllowExternal: true})
	if err != nil {
		return err
	}
	return w.put(ctx, layer)
}

func (w *wornHere) wear(ctx context.Context, _ string, out *finished) error {
	result, ok := out.savable.(computed)
	if !ok {
		return fmt.Errorf("%s: its result cannot be worn", out.summary.Garment)
	}
	return w.put(ctx, result.Asset)
}

func (w *wornHere) order(ctx context.Context, files []string, sel gltfio.Selection) ([]int, []string, error) {
	garments, err := openAll(files)
	if err != nil {
		return nil, nil, err
	}
	order, _, notes, err := w.body.LayerOrder(ctx, garments, sel, w.threads)
	return order, notes, err
}

// wornThere is what is worn on the body of a server's call.
type wornThere struct {
	r      *remote
	c      *client.Client
	body   *client.Asset
	names  []string
	layers []*client.Asset
}

func (w *wornThere) wearFile(_ context.Context, file string) error {
	layer, err := client.OpenAsset(file)
	if err == nil {
		w.layers = append(w.layers, layer)
	}
	return err
}

func (w *wornThere) wear(_ context.Context, file string, out *finished) error {
	result, ok := out.savable.(*client.Result)
	if !ok {
		return fmt.Errorf("%s: its result cannot be worn", out.summary.Garment)
	}
	w.layers = append(w.layers, client.NewAsset(file, result.GLB))
	return nil
}

func (w *wornThere) order(ctx context.Context, files []string, sel gltfio.Selection) ([]int, []string, error) {
	var garments []*client.Asset
	for _, file := range files {
		g, err := client.OpenAsset(file)
		if err != nil {
			return nil, nil, err
		}
		garments = append(garments, g)
	}
	found, err := w.c.FindLayerOrder(ctx, client.LayerOrderRequest{Body: w.body, BodyNames: w.names, Garments: garments, GarmentNames: sel.Names})
	if err != nil {
		return nil, nil, w.r.explain(err)
	}
	return found.Order, found.Notes, nil
}
