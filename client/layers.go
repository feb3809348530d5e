package client

import (
	"context"
	"errors"

	"github.com/selvage/selvage/api/convert"
	pb "github.com/selvage/selvage/api/selvage/v1"
	"github.com/selvage/selvage/transfer"
)

// LayerOrderRequest asks in which order garments are worn.
type LayerOrderRequest struct {
	Body     *Asset
	Garments []*Asset
	// BodyNames and GarmentNames are globs of node, mesh or material names that pick
	// the meshes. Empty: every skinned mesh of the body, every mesh of a garment.
	BodyNames, GarmentNames []string
}

// LayerOrder is the order in which garments are worn; see transfer.Source.LayerOrder.
type LayerOrder struct {
	// Order are indices of the request's garments, from the inside out.
	Order []int
	// Pairs are garments that cover the same part of the body.
	Pairs []transfer.LayerPair
	// Notes say what is not clear.
	Notes []string
}

// FindLayerOrder finds in which order garments lie over one another, by their distances
// from the body. What is uploaded, and errors, are as with Transfer.
func (c *Client) FindLayerOrder(ctx context.Context, r LayerOrderRequest) (*LayerOrder, error) {
	if r.Body == nil || len(r.Garments) == 0 {
		return nil, errors.New("an order of layers needs a body and garments")
	}
	m := &pb.FindLayerOrderRequest{
		Body: c.source(r.Body, false), Garments: c.layers(r.Garments), BodyNames: r.BodyNames, GarmentNames: r.GarmentNames,
	}
	uploads := append([]*Asset{r.Body}, r.Garments...)
	return attempt(ctx, c.retry, func() (*LayerOrder, error) {
		return withUploads(ctx, c, uploads, func() (*LayerOrder, error) {
			a, err := c.api.FindLayerOrder(ctx, m)
			if err != nil {
				return nil, err
			}
			out := &LayerOrder{}
			out.Order, out.Pairs, out.Notes, err = convert.LayerOrderFromProto(a, len(r.Garments))
			return out, err
		})
	})
}
