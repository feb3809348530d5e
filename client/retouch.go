package client

import (
	"bytes"
	"context"
	"crypto/sha256"
	"errors"

	"github.com/selvage/selvage/api/convert"
	pb "github.com/selvage/selvage/api/selvage/v1"
	"github.com/selvage/selvage/transfer/retouch"
)

// RetouchRequest asks for one operation on a skinned asset.
type RetouchRequest struct {
	// Asset gets other weights.
	Asset *Asset
	// Source, for a mirror alone: its rows, mirrored, replace all of Asset's. Nil: the
	// other side's do.
	Source *Asset
	retouch.Request
}

// Retouched is what an operation made.
type Retouched struct {
	// Unchanged: no row changed, and GLB are the bytes that were sent.
	Unchanged bool
	// GLB is the finished asset. Images that the asset's file names by relative URI are
	// placeholders in it; Save puts them right.
	GLB     []byte
	Summary *retouch.Summary

	asset *Asset
}

// Save writes the asset to file as the same operation in process would, but for one
// that is unchanged and names files beside it or asks for the other ending. See
// Result.Save.
func (r *Retouched) Save(file string) (missing []string, err error) {
	return (&Result{GLB: r.GLB, garment: r.asset}).Save(file)
}

// Retouch does one operation on an asset. What is uploaded, and errors, are as with
// Transfer.
func (c *Client) Retouch(ctx context.Context, r RetouchRequest) (*Retouched, error) {
	if r.Asset == nil {
		return nil, errors.New("retouching needs an asset")
	}
	m, err := convert.RetouchToProto(r.Request)
	if err != nil {
		return nil, err
	}
	m.Asset = c.source(r.Asset, true)
	uploads := []*Asset{}
	if !c.fits(r.Asset) {
		uploads = append(uploads, r.Asset)
	}
	if r.Source != nil {
		if m.GetMirror() == nil {
			return nil, errors.New("a source is for mirroring alone")
		}
		m.GetMirror().Source = c.source(r.Source, false)
		uploads = append(uploads, r.Source)
	}
	return attempt(ctx, c.retry, func() (*Retouched, error) {
		return withUploads(ctx, c, uploads, func() (*Retouched, error) { return c.retouch(ctx, m, r.Asset) })
	})
}

func (c *Client) retouch(ctx context.Context, m *pb.RetouchAssetRequest, asset *Asset) (*Retouched, error) {
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	stream, err := pb.NewRetouchServiceClient(c.conn).RetouchAsset(ctx, m)
	if err != nil {
		return nil, err
	}
	out := &Retouched{asset: asset}
	var head *pb.RetouchResult
	for part, err := range received(stream) {
		if err != nil {
			return nil, err
		}
		switch x := part.GetPart().(type) {
		case *pb.RetouchAssetResponse_Result:
			head = x.Result
		case *pb.RetouchAssetResponse_Content:
			out.GLB = append(out.GLB, x.Content...)
		}
		// What comes is bounded by what was announced.
		if int64(len(out.GLB)) > head.GetSizeBytes() {
			return nil, errors.New("the server sent more than it announced")
		}
	}
	if head == nil {
		return nil, errors.New("the server's answer is not whole")
	}
	out.Summary = convert.RetouchSummaryFromProto(head.GetSummary())
	if out.Unchanged = head.GetUnchanged(); out.Unchanged {
		out.GLB = asset.data
		return out, nil
	}
	if sum := sha256.Sum256(out.GLB); int64(len(out.GLB)) != head.GetSizeBytes() || !bytes.Equal(sum[:], head.GetSha256()) {
		return nil, errors.New("the server's answer is not whole")
	}
	return out, nil
}
