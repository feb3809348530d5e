// Package client calls a Selvage server.
//
//	c, err := client.Dial(ctx, "127.0.0.1:7411")
//	defer c.Close()
//	body, err := client.OpenAsset("body.glb")
//	coat, err := client.OpenAsset("coat.glb")
//	r, err := c.Transfer(ctx, client.Request{Body: body, Garment: coat})
//	_, err = r.Save("coat.weighted.glb")
//
// The answer has the same bytes as the same transfer done in process.
package client

import (
	"bytes"
	"context"
	"crypto/sha256"
	"crypto/tls"
	"errors"
	"fmt"
	"io"
	"iter"
	"net"
	"time"

	"github.com/selvage/selvage/api/convert"
	pb "github.com/selvage/selvage/api/selvage/v1"
	"github.com/selvage/selvage/transfer"
	"github.com/selvage/selvage/transfer/gltfio"
	"github.com/selvage/selvage/transfer/pass"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/credentials"
	"google.golang.org/grpc/credentials/insecure"
	"google.golang.org/grpc/keepalive"
	"google.golang.org/grpc/status"
)

// Client is a connection to a server. It is safe for concurrent use.
type Client struct {
	conn  *grpc.ClientConn
	api   pb.SelvageServiceClient
	retry Retry
	info  *pb.ServerInfo
}

// settings are what options set.
type settings struct {
	tls     *tls.Config
	token   string
	retry   Retry
	options []grpc.DialOption
}

// Option of Dial.
type Option func(*settings)

// WithTLS talks TLS. Certificates of an authority that the system does not know
// go into RootCAs, the client's own into Certificates.
func WithTLS(c *tls.Config) Option { return func(s *settings) { s.tls = c } }

// WithToken sends a bearer token with every call. Without TLS only an address on
// loopback gets it.
func WithToken(token string) Option { return func(s *settings) { s.token = token } }

// WithRetry sets how calls are tried again. Default: the zero Retry.
func WithRetry(r Retry) Option { return func(s *settings) { s.retry = r } }

// WithDialOptions adds options of the gRPC library: interceptors, say.
func WithDialOptions(o ...grpc.DialOption) Option {
	return func(s *settings) { s.options = append(s.options, o...) }
}

// bearer sends a token with every call.
type bearer struct {
	token  string
	secure bool
}

func (b bearer) GetRequestMetadata(context.Context, ...string) (map[string]string, error) {
	return map[string]string{"authorization": "Bearer " + b.token}, nil
}

func (b bearer) RequireTransportSecurity() bool { return b.secure }

// Dial connects to the server at addr (HOST:PORT) and asks for its limits, so that
// a wrong address, certificate or token shows here. Close the client when done.
func Dial(ctx context.Context, addr string, opts ...Option) (*Client, error) {
	var s settings
	for _, o := range opts {
		o(&s)
	}
	s.retry = s.retry.withDefaults()
	transport := insecure.NewCredentials()
	if s.tls != nil {
		transport = credentials.NewTLS(s.tls)
	}
	options := []grpc.DialOption{
		grpc.WithTransportCredentials(transport),
		grpc.WithKeepaliveParams(keepalive.ClientParameters{Time: 30 * time.Second, Timeout: 20 * time.Second}),
		// An inspection or the small answer of arrays may pass the library's 4 MiB.
		grpc.WithDefaultCallOptions(grpc.MaxCallRecvMsgSize(64 << 20)),
	}
	if s.token != "" {
		if s.tls == nil && !loopback(addr) {
			return nil, fmt.Errorf("dial %s: a token goes to another machine by TLS alone", addr)
		}
		options = append(options, grpc.WithPerRPCCredentials(bearer{s.token, s.tls != nil}))
	}
	conn, err := grpc.NewClient(addr, append(options, s.options...)...)
	if err != nil {
		return nil, fmt.Errorf("dial %s: %w", addr, err)
	}
	c := &Client{conn: conn, api: pb.NewSelvageServiceClient(conn), retry: s.retry}
	if c.info, err = c.ServerInfo(ctx); err != nil {
		conn.Close()
		return nil, fmt.Errorf("dial %s: %w", addr, err)
	}
	return c, nil
}

// loopback reports whether addr is certain to be on this machine.
func loopback(addr string) bool {
	host, _, err := net.SplitHostPort(addr)
	if err != nil {
		return false
	}
	ip := net.ParseIP(host)
	return host == "localhost" || ip != nil && ip.IsLoopback()
}

// Close ends the connection; running calls fail.
func (c *Client) Close() error { return c.conn.Close() }

// ServerInfo asks for the server's version and limits.
func (c *Client) ServerInfo(ctx context.Context) (*pb.ServerInfo, error) {
	return attempt(ctx, c.retry, func() (*pb.ServerInfo, error) { return c.api.GetServerInfo(ctx, &pb.GetServerInfoRequest{}) })
}

// chunkBytes of uploads.
const chunkBytes = 256 << 10

// Upload sends an asset unless the server has it, and returns its record.
func (c *Client) Upload(ctx context.Context, a *Asset) (*pb.Asset, error) {
	return attempt(ctx, c.retry, func() (*pb.Asset, error) { return c.upload(ctx, a) })
}

func (c *Client) upload(ctx context.Context, a *Asset) (*pb.Asset, error) {
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	stream, err := c.api.UploadAsset(ctx)
	if err != nil {
		return nil, err
	}
	part := &pb.UploadAssetRequest{Part: &pb.UploadAssetRequest_Start{Start: &pb.UploadAssetStart{Sha256: a.sum[:], SizeBytes: int64(len(a.data))}}}
	rest := a.data
	for {
		// The server answers before the end where it has the bytes, or wants none of
		// them; Send then says EOF and CloseAndRecv has the answer.
		if err := stream.Send(part); errors.Is(err, io.EOF) || len(rest) == 0 {
			break
		} else if err != nil {
			return nil, err
		}
		n := min(len(rest), chunkBytes)
		part = &pb.UploadAssetRequest{Part: &pb.UploadAssetRequest_Chunk{Chunk: rest[:n]}}
		rest = rest[n:]
	}
	return stream.CloseAndRecv()
}

// Inspect says what is in an asset.
func (c *Client) Inspect(ctx context.Context, a *Asset) (*gltfio.Description, error) {
	r, err := attempt(ctx, c.retry, func() (*pb.InspectAssetResponse, error) {
		return withUploads(ctx, c, []*Asset{a}, func() (*pb.InspectAssetResponse, error) {
			return c.api.InspectAsset(ctx, &pb.InspectAssetRequest{Asset: c.source(a, true)})
		})
	})
	if err != nil {
		return nil, err
	}
	return convert.DescriptionFromProto(r), nil
}

// source refers to an asset: inline where that is wanted and it is small enough
// for one message, else by its name.
func (c *Client) source(a *Asset, inline bool) *pb.AssetSource {
	m := &pb.AssetSource{DisplayName: a.name}
	if inline && c.fits(a) {
		m.Source = &pb.AssetSource_Content{Content: a.data}
	} else {
		m.Source = &pb.AssetSource_Asset{Asset: a.resource()}
	}
	return m
}

// layers refers to garments worn beneath, by their names: the next call needs them
// again.
func (c *Client) layers(list []*Asset) (out []*pb.AssetSource) {
	for _, a := range list {
		out = append(out, c.source(a, false))
	}
	return out
}

// fits reports whether an asset goes into a message beside what else is in it.
func (c *Client) fits(a *Asset) bool {
	return int64(len(a.data)) <= c.info.GetLimits().GetMaxMessageBytes()/2
}

// withUploads calls f; where the server lacks an asset it gets them all and f is
// called once more.
func withUploads[T any](ctx context.Context, c *Client, assets []*Asset, f func() (T, error)) (T, error) {
	out, err := f()
	// A stored asset that was damaged is dropped by the server, thus missing too.
	if code := status.Code(err); code != codes.NotFound && code != codes.DataLoss {
		return out, err
	}
	for _, a := range assets {
		if _, err := c.upload(ctx, a); err != nil {
			return out, err
		}
	}
	return f()
}

// Request of a transfer.
type Request struct {
	Body, Garment *Asset
	// BodyNames are globs of node, mesh or material names that are the body. Empty:
	// every skinned mesh of its scene.
	BodyNames []string
	// Options; Progress is called from the goroutine that called Transfer.
	Options transfer.AssetOptions
	// Layers are weighted garments worn beneath, in order from the inside out: rows are
	// taken from the nearest trusted of the body and these.
	Layers []*Asset
	// Pass, where not nil, carries over what was changed by hand in the garment since
	// the last pass.
	Pass *Pass
}

// Result of a transfer.
type Result struct {
	// GLB is the finished asset. Images that the garment's file names by relative
	// URI are placeholders in it; Save puts them right.
	GLB     []byte
	Summary transfer.Summary
	// Confidence by vertex.
	Confidence []float32
	// Record for the next pass, as a file has it, and what became of the edits; nil
	// where Request.Pass was.
	Record []byte
	Pass   *pass.Summary

	garment *Asset
}

// Transfer gives the garment the body's weights. The body is uploaded if the
// server lacks it; so is a garment too large for one message. Errors: a
// *transfer.OptionError as in process; ctx's; else what the server said, with its
// gRPC status.
func (c *Client) Transfer(ctx context.Context, r Request) (*Result, error) {
	if r.Body == nil || r.Garment == nil {
		return nil, errors.New("a transfer needs a body and a garment")
	}
	opt, err := convert.OptionsToProto(r.Options)
	if err != nil {
		return nil, err
	}
	uploads := []*Asset{r.Body}
	if !c.fits(r.Garment) {
		uploads = append(uploads, r.Garment)
	}
	m := &pb.TransferAssetRequest{Body: c.source(r.Body, false), Garment: c.source(r.Garment, true), BodyNames: r.BodyNames, Options: opt}
	m.Layers = c.layers(r.Layers)
	uploads = append(uploads, r.Layers...)
	if r.Pass != nil {
		var more []*Asset
		if m.Pass, more, err = c.passInput(r.Pass); err != nil {
			return nil, err
		}
		uploads = append(uploads, more...)
	}
	return attempt(ctx, c.retry, func() (*Result, error) {
		return withUploads(ctx, c, uploads, func() (*Result, error) { return c.transfer(ctx, m, r) })
	})
}

var (
	errMore     = errors.New("the server sent more than it announced")
	errNotWhole = errors.New("the server's answer is not whole")
)

// isWhole reports whether data is what was announced.
func isWhole(data []byte, size int64, sum []byte) bool {
	have := sha256.Sum256(data)
	return int64(len(data)) == size && bytes.Equal(have[:], sum)
}

// received yields what a stream sends, until it ends or fails; the error is the last.
func received[M any](stream interface{ Recv() (M, error) }) iter.Seq2[M, error] {
	return func(yield func(M, error) bool) {
		for {
			m, err := stream.Recv()
			if errors.Is(err, io.EOF) || !yield(m, err) || err != nil {
				return
			}
		}
	}
}

func (c *Client) transfer(ctx context.Context, m *pb.TransferAssetRequest, r Request) (*Result, error) {
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	stream, err := c.api.TransferAsset(ctx, m)
	if err != nil {
		return nil, err
	}
	out := &Result{garment: r.Garment}
	var head *pb.TransferAssetResult
	var confidence []byte
	edits := passAnswer{wanted: r.Pass != nil}
	for part, err := range received(stream) {
		if err != nil {
			return nil, err
		}
		switch x := part.GetPart().(type) {
		case *pb.TransferAssetResponse_Progress:
			if r.Options.Progress != nil {
				r.Options.Progress(transfer.Stage(x.Progress.GetStage()), x.Progress.GetDone())
			}
		case *pb.TransferAssetResponse_Result:
			head = x.Result
			out.Summary = convert.SummaryFromProto(head.GetSummary())
		case *pb.TransferAssetResponse_Content:
			out.GLB = append(out.GLB, x.Content...)
		case *pb.TransferAssetResponse_Confidence:
			confidence = append(confidence, x.Confidence...)
		case *pb.TransferAssetResponse_Pass:
			edits.add(x.Pass)
		case *pb.TransferAssetResponse_Record:
			edits.record = append(edits.record, x.Record...)
		}
		// What comes is bounded by what was announced.
		if int64(len(out.GLB)) > head.GetSizeBytes() || int64(len(confidence)) > 4*head.GetConfidenceCount() || int64(len(edits.record)) > head.GetRecordSizeBytes() {
			return nil, errMore
		}
	}
	if head == nil || !isWhole(out.GLB, head.GetSizeBytes(), head.GetSha256()) {
		return nil, errNotWhole
	}
	if out.Record, out.Pass, err = edits.finish(head.GetRecordSizeBytes(), head.GetRecordSha256()); err != nil {
		return nil, err
	}
	out.Confidence, err = convert.UnpackConfidence(confidence)
	return out, err
}
