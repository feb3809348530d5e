package server

// Layers: bodies with weighted garments over them, prepared once and kept beside the
// bodies alone.

import (
	"context"
	"fmt"
	"strings"

	"github.com/selvage/selvage/api/convert"
	pb "github.com/selvage/selvage/api/selvage/v1"
	"github.com/selvage/selvage/transfer"
	"github.com/selvage/selvage/transfer/gltfio"
)

// maxLayers bounds the layers of a call: more garments than that lie over one another
// on nobody.
const maxLayers = 64

// resolveLayers finds the layers of a call.
func (s *Server) resolveLayers(ctx context.Context, list []*pb.AssetSource) ([]*source, error) {
	if len(list) > maxLayers {
		return nil, &convert.FieldError{Field: "layers", What: fmt.Sprintf("has %d entries, more than %d", len(list), maxLayers)}
	}
	var out []*source
	for i, m := range list {
		x, err := s.resolve(ctx, m, fmt.Sprintf("layers[%d]", i), "layer")
		if err != nil {
			return nil, err
		}
		out = append(out, x)
	}
	return out, nil
}

// wornKey tells prepared bodies with layers apart; bodyKey where there are none.
func wornKey(body *source, names []string, layers []*source) string {
	var b strings.Builder
	b.WriteString(bodyKey(body, names))
	for _, l := range layers {
		fmt.Fprintf(&b, " layer %s %q", l.id, l.name)
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

// readLayers reads the layers of a call.
func (s *Server) readLayers(ctx context.Context, layers []*source) ([]*gltfio.Asset, error) {
	var out []*gltfio.Asset
	for _, l := range layers {
		a, err := s.readAsset(ctx, l)
		if err != nil {
			return nil, err
		}
		out = append(out, a)
	}
	return out, nil
}

// worn returns the prepared body of a source under layers; the call holds a ticket
// that covers it.
func (s *Server) worn(ctx context.Context, body *source, names []string, layers []*source, threads int) (*transfer.AssetBody, error) {
	if len(layers) == 0 {
		return s.body(ctx, body, names, threads)
	}
	b, hit, err := s.bodies.Get(ctx, wornKey(body, names, layers), func() (*transfer.AssetBody, int64, error) {
		alone, err := s.body(ctx, body, names, threads)
		if err != nil {
			return nil, 0, err
		}
		assets, err := s.readLayers(ctx, layers)
		if err != nil {
			return nil, 0, err
		}
		b, err := alone.WithLayers(ctx, assets, threads)
		return b, wornBytes(body, layers), err
	})
	s.metrics.body(hit)
	return b, err
}
