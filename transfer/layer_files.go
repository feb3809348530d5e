package transfer

// Layers from assets: garments that an earlier transfer weighted.

import (
	"context"
	"fmt"
	"maps"
	"math"
	"path/filepath"
	"slices"

	"github.com/selvage/selvage/transfer/gltfio"
	"github.com/selvage/selvage/transfer/skinning"
	"github.com/selvage/selvage/transfer/weights"
	"gonum.org/v1/gonum/spatial/r3"
)

// WithLayers returns the body with weighted garments worn over it, in order from the
// inside out: what is transferred to over the result takes its rows from the nearest
// trusted of body and layers. b itself where there are no layers; b is not changed.
//
// A layer is every skinned mesh of its asset's scene, as a transfer to it (or its
// artist) left it, with the _CONFIDENCE that it has; without, its rows are trusted. Its
// joints are the body's by name; the weight of one that the body lacks goes to the
// nearest ancestor that the body has, which the summary of what is worn over it says, as
// it does of faulty rows, and of rows that are not trusted where what is beneath stands
// for them. Errors: *gltfio.Error, also for a layer of which more than
// mostMisnamed of the weight lies on joints of the body by other names; those of
// Source.WithLayers; ctx's. The same layers give the same result whatever the threads
// (0: GOMAXPROCS).
func (b *AssetBody) WithLayers(ctx context.Context, layers []*gltfio.Asset, threads int) (*AssetBody, error) {
	return b.WithMappedLayers(ctx, layers, nil, threads)
}

// WithMappedLayers is WithLayers with layers whose joints may be called what a joint map
// leads the body's to (Options.JointMap): a layer that was transferred to with its own
// skin, say. Of the body's joints that have a layer joint's name, or that the first rule
// which leads to a joint of the layer leads to it, the nearest gets its weight; of those
// about as near the one of its name. Errors: also *OptionError for a faulty rule.
func (b *AssetBody) WithMappedLayers(ctx context.Context, layers []*gltfio.Asset, rules []JointRule, threads int) (*AssetBody, error) {
	if len(layers) == 0 {
		return b, nil
	}
	compiled, err := CompileJointRules(rules)
	if err != nil {
		return nil, err
	}
	out := *b
	out.notes, out.layerJoints = slices.Clone(b.notes), map[string]bool{}
	maps.Copy(out.layerJoints, b.layerJoints)
	list := make([]Layer, 0, len(layers))
	for _, asset := range layers {
		l, err := out.layer(ctx, asset, compiled)
		if err != nil {
			return nil, err
		}
		list = append(list, *l)
	}
	if out.source, err = b.source.WithLayers(ctx, list, threads); err != nil {
		return nil, err
	}
	worn := out.source.worn.pieces
	for _, p := range worn[len(worn)-len(list):] {
		if n := p.source.left; n > 0 {
			out.notes = append(out.notes, fmt.Sprintf("%d of the %d triangles of the layer %s are not trusted (confidence below %g) and lie close over what is: what is worn over them takes its rows from that", n, len(p.source.body.Mesh.Triangles), p.name, LowConfidence))
		}
	}
	return &out, nil
}

// Layered reports whether something is worn on the body.
func (b *AssetBody) Layered() bool { return b.source.worn != nil }

// rulesFor are the rules of a joint map that are about a garment: without those that lead
// to joints of the layers and to none of the skin that its rows are to refer to.
func (b *AssetBody) rulesFor(g *Garment, rules []JointRule) ([]JointRule, error) {
	if len(b.layerJoints) == 0 || len(rules) == 0 {
		return rules, nil
	}
	compiled, err := CompileJointRules(rules)
	if err != nil {
		return nil, err
	}
	target := g.Skin
	if target == nil {
		target = b.surface.Skin
	}
	named := map[string]bool{}
	for j := range target.Joints {
		named[target.Joints[j].Name] = true
	}
	ofGarment, ofLayer := make([]bool, len(rules)), make([]bool, len(rules))
	for j := range b.surface.Skin.Joints {
		if name := b.surface.Skin.Joints[j].Name; name != "" {
			compiled.Each(name, func(rule int, to string) bool {
				ofGarment[rule] = ofGarment[rule] || named[to]
				ofLayer[rule] = ofLayer[rule] || b.layerJoints[to]
				return true
			})
		}
	}
	var out []JointRule
	for k, r := range rules {
		if ofGarment[k] || !ofLayer[k] {
			out = append(out, r)
		}
	}
	return out, nil
}

// layer reads one, and notes what is to be said of it and what its joints are called.
func (b *AssetBody) layer(ctx context.Context, asset *gltfio.Asset, rules *JointRules) (*Layer, error) {
	asset = asset.WithContext(ctx)
	surface, err := asset.Body(gltfio.Selection{})
	if err != nil {
		return nil, err
	}
	l := &Layer{Name: filepath.Base(asset.Name), Mesh: surface.Mesh}
	confidence, err := asset.Scalars(surface, "_CONFIDENCE")
	if err != nil {
		return nil, err
	}
	if confidence != nil {
		l.Confidence = make([]float32, len(confidence))
		for v, c := range confidence {
			l.Confidence[v] = float32(min(max(c, 0), 1)) // NaN stays: trusted
		}
	}
	slack := sameJointTolerance * b.source.alone().size
	own := Namesakes(b.surface.Skin, surface.Skin, rules, slack)
	to := withAncestors(own, surface.Skin)
	if !slices.ContainsFunc(own, func(j int32) bool { return j >= 0 }) {
		by := ""
		if len(rules.rule) > 0 {
			by = ", by name or by the joint map"
		}
		return nil, &gltfio.Error{File: l.Name, What: fmt.Sprintf("none of its joints is a joint of the body %s%s: not a garment weighted for it", filepath.Base(b.asset.Name), by)}
	}
	if err := b.noteLayer(ctx, l.Name, surface, own, slack); err != nil {
		return nil, err
	}
	for k := range surface.Skin.Joints {
		if name := surface.Skin.Joints[k].Name; !slices.ContainsFunc(b.surface.Skin.Joints, func(j skinning.Joint) bool { return j.Name == name }) {
			b.layerJoints[name] = true
		}
	}
	acc := weights.NewAccumulator(len(b.surface.Skin.Joints))
	l.Rows = weights.NewRows(surface.Rows.Len())
	for v := 0; v < surface.Rows.Len(); v++ {
		if ended(ctx, v) {
			return nil, ctx.Err()
		}
		joint, weight := surface.Rows.Row(v)
		for i, j := range joint {
			if to[j] >= 0 {
				acc.Add(uint16(to[j]), weight[i])
			}
		}
		acc.FlushNormalised(l.Rows)
	}
	return l, nil
}

// mostMisnamed is the share of a layer's weight that may lie on joints that stand where a
// joint of the body of another name does: with more, the layer is for another skeleton,
// and what is worn over it would follow the wrong joints.
const mostMisnamed = 0.25

// noteLayer notes what is wrong with a layer's rows and joints; own leads from its joints
// to the body's, -1 where there is none. Error: *gltfio.Error.
func (b *AssetBody) noteLayer(ctx context.Context, name string, surface *gltfio.Surface, own []int32, slack float64) error {
	note := func(format string, args ...any) { b.notes = append(b.notes, fmt.Sprintf(format, args...)) }
	if f := surface.Faults; f.Unusable > 0 {
		note("the layer %s has %d vertices without usable weights (first: vertex %d); its surface there was left out", name, f.Unusable, f.FirstVertex)
	}
	if f := surface.Faults; f.Negative > 0 || f.Sum > 0 {
		note("the weights of the layer %s were mended: %d vertices with negative weights, %d not normalised", name, f.Negative, f.Sum)
	}
	u, err := skinning.WeighUnknown(ctx, surface.Rows, surface.Skin, own)
	if err != nil || u == nil {
		return err
	}
	if misnamed := u.StandingFor(b.surface.Skin, surface.Skin, own, slack); misnamed > mostMisnamed {
		return &gltfio.Error{File: name, What: fmt.Sprintf("%.0f%% of its weight lies on joints that stand where joints of the body %s do, but have other names (%s): a joint map (--joint-map) has to tell which they are", 100*misnamed, filepath.Base(b.asset.Name), u)}
	}
	note("the layer %s has %.1f%% of its weight on joints that the body has not (%s): their nearest ancestors that it has stand for them; where they are joints of the body by other names, a joint map (--joint-map) tells which", name, 100*u.Share, u)
	return nil
}

// Namesakes returns for each joint of a garment's skin the body's of its name, or one
// that rules lead to it (see WithMappedLayers; slack is how much nearer one of those must
// be, metres), else -1. O(joints * rules).
func Namesakes(body, garment *skinning.Skin, rules *JointRules, slack float64) []int32 {
	byName, byRule := map[string][]int32{}, map[string][]int32{}
	named := map[string]bool{}
	for k := range garment.Joints {
		named[garment.Joints[k].Name] = true
	}
	for j := range body.Joints {
		name := body.Joints[j].Name
		byName[name] = append(byName[name], int32(j))
		if name == "" {
			continue
		}
		rules.Each(name, func(_ int, to string) bool {
			if to == "" || !named[to] {
				return true
			}
			byRule[to] = append(byRule[to], int32(j))
			return false
		})
	}
	own := make([]int32, len(garment.Joints))
	for k := range garment.Joints {
		nearest := func(list []int32) (joint int32, least float64) {
			joint, least = -1, math.Inf(1)
			for _, j := range list {
				if d := r3.Norm(r3.Sub(body.Joints[j].Global.T, garment.Joints[k].Global.T)); d < least {
					joint, least = j, d
				}
			}
			return joint, least
		}
		name, apart := nearest(byName[garment.Joints[k].Name])
		rule, apartByRule := nearest(byRule[garment.Joints[k].Name])
		if own[k] = name; name < 0 || rule >= 0 && apartByRule < apart-slack {
			own[k] = rule
		}
	}
	return own
}

// Counterparts makes rules into what tells for each joint of a garment's or a layer's skin
// the body's joint that it is (Namesakes), -1 where it is none; size is the body's, metres.
// Nil where there are no rules. Error: *OptionError for a faulty rule.
func Counterparts(rules []JointRule) (func(body, garment *skinning.Skin, size float64) []int32, error) {
	if len(rules) == 0 {
		return nil, nil
	}
	compiled, err := CompileJointRules(rules)
	if err != nil {
		return nil, err
	}
	return func(body, garment *skinning.Skin, size float64) []int32 {
		return Namesakes(body, garment, compiled, sameJointTolerance*size)
	}, nil
}

// withAncestors is own with the nearest ancestor's where there is none; -1 where no
// ancestor has one.
func withAncestors(own []int32, skin *skinning.Skin) []int32 {
	to := make([]int32, len(own))
	for k := range own {
		to[k] = -1
		for a, steps := k, 0; a >= 0 && steps <= len(own); a, steps = skin.Joints[a].Parent, steps+1 {
			if own[a] >= 0 {
				to[k] = own[a]
				break
			}
		}
	}
	return to
}

// LayerOrder finds in which order the garments of assets are worn over the body, from
// the inside out; see Source.LayerOrder. sel picks their meshes, as
// AssetOptions.Garments does.
func (b *AssetBody) LayerOrder(ctx context.Context, garments []*gltfio.Asset, sel gltfio.Selection, threads int) (order []int, pairs []LayerPair, notes []string, err error) {
	list := make([]*Garment, len(garments))
	for i, asset := range garments {
		surface, err := asset.WithContext(ctx).Garment(sel)
		if err != nil {
			return nil, nil, nil, err
		}
		list[i] = &Garment{Name: filepath.Base(asset.Name), Mesh: surface.Mesh}
	}
	return b.source.LayerOrder(ctx, list, threads)
}
