package client

// Edits by hand, carried through the passes, and the difference of rows.

import (
	"context"
	"crypto/sha256"
	"errors"

	"github.com/selvage/selvage/api/convert"
	pb "github.com/selvage/selvage/api/selvage/v1"
	"github.com/selvage/selvage/transfer"
	"github.com/selvage/selvage/transfer/pass"
	"google.golang.org/protobuf/proto"
)

// Pass makes a transfer one pass of several. The zero value is a first pass.
type Pass struct {
	// Record of the last pass, as Result.Record or a file of transfer's --pass-dir has
	// it; nil: there was none.
	Record []byte
	// Current is the garment as the artist left it; nil: the edits that the record
	// remembers are carried.
	Current *Asset
	// Guess says that Current may be another file, see pass.Input.
	Guess bool
	// Policy for conflicts; masks by their attributes' names alone.
	Policy pass.Policy
	// Lock are regions to lock beside those of the options.
	Lock []string
	// GarmentSum and BodySum are the SHA-256 of the two files, for the record. Zero:
	// those of the assets.
	GarmentSum, BodySum [sha256.Size]byte
}

// passInput is the message of a pass, and the assets that it names.
func (c *Client) passInput(p *Pass) (*pb.PassInput, []*Asset, error) {
	m := &pb.PassInput{CurrentIsGuess: p.Guess}
	var err error
	if m.Policy, err = convert.PolicyToProto(&p.Policy, p.Lock); err != nil {
		return nil, nil, err
	}
	var uploads []*Asset
	if p.Record != nil {
		record := NewAsset("record", p.Record)
		m.Record, uploads = c.source(record, false), append(uploads, record)
	}
	if p.Current != nil {
		m.Current, uploads = c.source(p.Current, false), append(uploads, p.Current)
	}
	if p.GarmentSum != [sha256.Size]byte{} {
		m.GarmentSha256 = p.GarmentSum[:]
	}
	if p.BodySum != [sha256.Size]byte{} {
		m.BodySha256 = p.BodySum[:]
	}
	return m, uploads, nil
}

// passAnswer gathers what a server says of a pass.
type passAnswer struct {
	wanted  bool
	record  []byte
	summary *pb.PassSummary
}

func (a *passAnswer) add(part *pb.PassSummary) {
	if a.summary == nil {
		a.summary = part
	} else {
		proto.Merge(a.summary, part) // goes on with the lists
	}
}

// finish returns record and summary, nil where no pass was wanted.
func (a *passAnswer) finish(size int64, sum []byte) ([]byte, *pass.Summary, error) {
	if !a.wanted {
		return nil, nil, nil
	}
	if a.summary == nil || !isWhole(a.record, size, sum) {
		return nil, nil, errNotWhole
	}
	s := convert.PassSummaryFromProto(a.summary)
	return a.record, &s, nil
}

// MergeRequest carries edits over to a garment that a new transfer made.
type MergeRequest struct {
	// Record of the pass that made the garment which the artist worked on.
	Record []byte
	// Current is that garment as the artist left it, Fresh the new transfer's.
	Current, Fresh *Asset
	// Policy for conflicts; masks by their attributes' names alone.
	Policy pass.Policy
	// Lock are regions whose vertices keep their current row, and LockJoints globs of
	// joints whose weights stay, as in transfer.AssetOptions. Both empty: the record's.
	Lock, LockJoints []string
	// JointMap that Fresh was made with; empty: that of the record.
	JointMap []transfer.JointRule
	// Threads of the server. Zero: as many as it gives.
	Threads int
}

// Merge returns the merged garment, without Summary and Confidence, with the record
// for the next pass and what became of the edits: what pass.Run gives in process.
// What is uploaded, and errors, are as with Transfer.
func (c *Client) Merge(ctx context.Context, r MergeRequest) (*Result, error) {
	if r.Record == nil || r.Current == nil || r.Fresh == nil {
		return nil, errors.New("a merge needs a record, the artist's garment and the new one")
	}
	policy, err := convert.PolicyToProto(&r.Policy, r.Lock)
	if err != nil {
		return nil, err
	}
	record := NewAsset("record", r.Record)
	m := &pb.MergePassRequest{
		Record: c.source(record, false), Current: c.source(r.Current, false), Fresh: c.source(r.Fresh, true), Policy: policy, Threads: clamp32(r.Threads),
		JointMap: convert.JointMapToProto(r.JointMap), LockJoints: r.LockJoints,
	}
	uploads := []*Asset{record, r.Current}
	if !c.fits(r.Fresh) {
		uploads = append(uploads, r.Fresh)
	}
	return attempt(ctx, c.retry, func() (*Result, error) {
		return withUploads(ctx, c, uploads, func() (*Result, error) { return c.merge(ctx, m, r.Fresh) })
	})
}

func (c *Client) merge(ctx context.Context, m *pb.MergePassRequest, fresh *Asset) (*Result, error) {
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	stream, err := c.api.MergePass(ctx, m)
	if err != nil {
		return nil, err
	}
	out := &Result{garment: fresh}
	var head *pb.MergePassResult
	edits := passAnswer{wanted: true}
	for part, err := range received(stream) {
		if err != nil {
			return nil, err
		}
		switch x := part.GetPart().(type) {
		case *pb.MergePassResponse_Result:
			head = x.Result
		case *pb.MergePassResponse_Content:
			out.GLB = append(out.GLB, x.Content...)
		case *pb.MergePassResponse_Summary:
			edits.add(x.Summary)
		case *pb.MergePassResponse_Record:
			edits.record = append(edits.record, x.Record...)
		}
		if int64(len(out.GLB)) > head.GetSizeBytes() || int64(len(edits.record)) > head.GetRecordSizeBytes() {
			return nil, errMore
		}
	}
	if head == nil || !isWhole(out.GLB, head.GetSizeBytes(), head.GetSha256()) {
		return nil, errNotWhole
	}
	out.Record, out.Pass, err = edits.finish(head.GetRecordSizeBytes(), head.GetRecordSha256())
	return out, err
}

// DiffRequest compares two weighted assets, garments or bodies.
type DiffRequest struct {
	// Before and After are the older and the newer asset.
	Before, After *Asset
	// MeshNames are globs of node, mesh or material names. Empty: every mesh.
	MeshNames []string
	// Garments of which to say how far a change of the body touches them. Optional.
	Garments []*Asset
	// GarmentNames are what these are called in the answer. Nil: as the assets are.
	GarmentNames []string
	// Reach is the distance in metres within which a garment lies over the body. Zero:
	// 8% of the body's diagonal.
	Reach float64
	// VertexL1 asks for Comparison.L1, 8 bytes a vertex.
	VertexL1 bool
	Options  pass.DiffOptions
}

// Diff returns what pass.Diff and pass.Touches give in process, Comparison.L1 where it is
// asked for. What is uploaded, and errors, are as with Transfer.
func (c *Client) Diff(ctx context.Context, r DiffRequest) (*pass.Comparison, []pass.Touch, error) {
	if r.Before == nil || r.After == nil {
		return nil, nil, errors.New("a difference needs two assets")
	}
	m := &pb.DiffRowsRequest{
		Before: c.source(r.Before, false), After: c.source(r.After, false), MeshNames: r.MeshNames, Change: r.Options.Change, Reach: r.Reach, Threads: clamp32(r.Options.Threads), VertexL1: r.VertexL1,
	}
	uploads := []*Asset{r.Before, r.After}
	for _, g := range r.Garments {
		m.Garments, uploads = append(m.Garments, c.source(g, false)), append(uploads, g)
	}
	whole, err := attempt(ctx, c.retry, func() (*pb.RowsDifference, error) {
		return withUploads(ctx, c, uploads, func() (*pb.RowsDifference, error) { return c.diff(ctx, m) })
	})
	if err != nil {
		return nil, nil, err
	}
	comparison, touches := convert.DifferenceFromProto(whole, r.Before.name, r.After.name, func(i int) string {
		switch {
		case i < 0 || i >= len(r.Garments):
			return ""
		case i < len(r.GarmentNames):
			return r.GarmentNames[i]
		}
		return r.Garments[i].name
	})
	return comparison, touches, nil
}

func (c *Client) diff(ctx context.Context, m *pb.DiffRowsRequest) (*pb.RowsDifference, error) {
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	stream, err := c.api.DiffRows(ctx, m)
	if err != nil {
		return nil, err
	}
	var whole *pb.RowsDifference
	for part, err := range received(stream) {
		if err != nil {
			return nil, err
		}
		if whole == nil {
			whole = part.GetDifference()
		} else {
			proto.Merge(whole, part.GetDifference())
		}
	}
	if whole == nil {
		return nil, errNotWhole
	}
	return whole, nil
}
