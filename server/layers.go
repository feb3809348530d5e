package server

// Layers: bodies with weighted garments over them, prepared once and kept beside the
// bodies alone.

import (
	"context"
	"fmt"
	"slices"
	"strings"

	"github.com/selvage/selvage/api/convert"
	pb "github.com/selvage/selvage/api/selvage/v1"
	"github.com/selvage/selvage/transfer"
	"github.com/selvage/selvage/transfer/gltfio"
	"github.com/selvage/selvage/transfer/mesh"
	"gonum.org/v1/gonum/spatial/r3"
)

// maxLayers bounds the layers of a call: more garments than that lie over one another
// on nobody.
const maxLayers = 64

func tooManyLayers(n int) error {
	return &convert.FieldError{Field: "layers", What: fmt.Sprintf("has %d entries, more than %d", n, maxLayers)}
}

// resolveLayers finds the layers of a call; neither its body nor its garment may be among
// them.
func (s *Server) resolveLayers(ctx context.Context, list []*pb.AssetSource, body, garment *source) ([]*source, error) {
	if len(list) > maxLayers {
		return nil, tooManyLayers(len(list))
	}
	var out []*source
	for i, m := range list {
		x, err := s.resolve(ctx, m, fmt.Sprintf("layers[%d]", i), "layer")
		if err != nil {
			return nil, err
		}
		switch x.id {
		case body.id:
			return nil, ofItself(i, "body")
		case garment.id:
			return nil, ofItself(i, "garment")
		}
		out = append(out, x)
	}
	return out, nil
}

// checkArrayLayers refuses a layer of arrays that is the body or the garment itself: one
// with the same triangles between the same places, in single precision as arrays are.
func checkArrayLayers(layers []transfer.Layer, body, garment *mesh.Mesh) error {
	same := func(a, b *mesh.Mesh) bool {
		return slices.Equal(a.Triangles, b.Triangles) && slices.EqualFunc(a.Positions, b.Positions, func(p, q r3.Vec) bool {
			return float32(p.X) == float32(q.X) && float32(p.Y) == float32(q.Y) && float32(p.Z) == float32(q.Z)
		})
	}
	for i, l := range layers {
		switch {
		case same(l.Mesh, body):
			return ofItself(i, "body")
		case same(l.Mesh, garment):
			return ofItself(i, "garment")
		}
	}
	return nil
}

// ofItself says that layer i is what it should lie over or under.
func ofItself(i int, what string) error {
	return &convert.FieldError{Field: fmt.Sprintf("layers[%d]", i), What: fmt.Sprintf("is the %s itself, which is not worn over itself", what)}
}

// wornKey tells prepared bodies with layers apart; bodyKey where there are none.
func wornKey(body *source, names []string, layers []*source, joints []transfer.JointRule) string {
	var b strings.Builder
	b.WriteString(bodyKey(body, names))
	for _, l := range layers {
		fmt.Fprintf(&b, " layer %s %q", l.id, l.name)
	}
	for _, r := range joints {
		if len(layers) > 0 {
			fmt.Fprintf(&b, " joint %q %q", r.From, r.To)
		}
	}
	return b.String()
}

// wornBytes is what a body with layers takes by estimate: all surfaces one by one, and
// what is seen of them as one.
func wornBytes(body *source, layers []*source) int64 {
	n := 2 * body.outline.BodyBytes()
	for _, l := range layers {
		n += 2 * l.outline.BodyBytes()
	}
	return n
}

// readAll reads sources.
func (s *Server) readAll(ctx context.Context, list []*source) ([]*gltfio.Asset, error) {
	var out []*gltfio.Asset
	for _, x := range list {
		a, err := s.readAsset(ctx, x)
		if err != nil {
			return nil, err
		}
		out = append(out, a)
	}
	return out, nil
}

// worn returns the prepared body of a source under layers, whose joints have the names
// that the body's have or that a joint map gives them; the call holds a ticket
// that covers it.
func (s *Server) worn(ctx context.Context, body *source, names []string, layers []*source, joints []transfer.JointRule, threads int) (*transfer.AssetBody, error) {
	if len(layers) == 0 {
		return s.body(ctx, body, names, threads)
	}
	b, hit, err := s.bodies.Get(ctx, wornKey(body, names, layers, joints), func() (*transfer.AssetBody, int64, error) {
		// What is worn beneath the last layer is likely to be there already.
		last := len(layers) - 1
		beneath, err := s.worn(ctx, body, names, layers[:last], joints, threads)
		if err != nil {
			return nil, 0, err
		}
		layer, err := s.readAsset(ctx, layers[last])
		if err != nil {
			return nil, 0, err
		}
		b, err := beneath.WithMappedLayers(ctx, []*gltfio.Asset{layer}, joints, threads)
		return b, wornBytes(body, layers), err
	})
	s.metrics.body(hit)
	return b, err
}

// FindLayerOrder implements the method of the API.
func (s *Server) FindLayerOrder(ctx context.Context, m *pb.FindLayerOrderRequest) (*pb.FindLayerOrderResponse, error) {
	for _, l := range []struct {
		field string
		globs []string
	}{{"body_names", m.GetBodyNames()}, {"garment_names", m.GetGarmentNames()}} {
		if err := checkGlobs(l.globs, l.field); err != nil {
			return nil, err
		}
	}
	if n := len(m.GetGarments()); n < 1 || n > maxLayers {
		return nil, &convert.FieldError{Field: "garments", What: fmt.Sprintf("has %d entries, want 1 to %d", n, maxLayers)}
	}
	body, err := s.resolve(ctx, m.GetBody(), "body", "body")
	if err != nil {
		return nil, err
	}
	var garments []*source
	need := int64(0)
	if !s.bodies.Has(bodyKey(body, m.GetBodyNames())) {
		need += 2 * body.outline.BodyBytes()
	}
	for i, x := range m.GetGarments() {
		g, err := s.resolve(ctx, x, fmt.Sprintf("garments[%d]", i), "garment")
		if err != nil {
			return nil, err
		}
		need += g.outline.GarmentBytes()
		garments = append(garments, g)
	}
	t, err := s.admission.acquire(ctx, need)
	if err != nil {
		return nil, err
	}
	defer t.release()
	b, err := s.body(ctx, body, m.GetBodyNames(), s.config.MaxThreads)
	if err != nil {
		return nil, err
	}
	assets, err := s.readAll(ctx, garments)
	if err != nil {
		return nil, err
	}
	order, pairs, notes, err := b.LayerOrder(ctx, assets, gltfio.Selection{Names: m.GetGarmentNames()}, s.config.MaxThreads)
	if err != nil {
		return nil, err
	}
	return convert.LayerOrderToProto(order, pairs, notes), nil
}
