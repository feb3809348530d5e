package server

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/base64"
	"errors"
	"fmt"
	"hash"
	"io"
	"strings"
	"sync"
	"time"

	"github.com/selvage/selvage/api/convert"
	pb "github.com/selvage/selvage/api/selvage/v1"
	"github.com/selvage/selvage/server/internal/sizing"
	"github.com/selvage/selvage/transfer"
	"github.com/selvage/selvage/transfer/gltfio"
	"github.com/selvage/selvage/transfer/skinning"
	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/emptypb"
)

// storeRetry is after how long an upload that found the store full may try again.
const storeRetry = 2 * time.Second

// namePrefix of an asset's resource name.
const namePrefix = "assets/"

func assetName(id digest) string { return namePrefix + id.String() }

// parseName is the inverse of assetName.
func parseName(name, field string) (digest, error) {
	hash, ok := strings.CutPrefix(name, namePrefix)
	id, err := parseDigest(hash)
	if !ok || err != nil {
		return id, &convert.FieldError{Field: field, What: "is not assets/ and 64 lower-case hexadecimal digits"}
	}
	return id, nil
}

func assetMessage(id digest, o sizing.Outline) *pb.Asset {
	return &pb.Asset{Name: assetName(id), SizeBytes: o.Size, VertexCount: o.Vertices, TriangleCount: o.Triangles}
}

// reasonOf is the reason in a status's ErrorInfo.
func reasonOf(s *status.Status) string {
	for _, d := range s.Details() {
		if i, ok := d.(*errdetails.ErrorInfo); ok {
			return i.GetReason()
		}
	}
	return ""
}

// UploadAsset implements the method of the API.
func (s *Server) UploadAsset(stream grpc.ClientStreamingServer[pb.UploadAssetRequest, pb.Asset]) error {
	ctx := stream.Context()
	receive := func() (*pb.UploadAssetRequest, error) {
		return receiveWithin(ctx, s.config.IdleTime, stream.Recv)
	}
	first, err := receive()
	if errors.Is(err, io.EOF) {
		return &convert.FieldError{Field: "start", What: "is missing"}
	}
	if err != nil {
		return err
	}
	start := first.GetStart()
	switch {
	case start == nil:
		return &convert.FieldError{Field: "start", What: "is missing: it must come first"}
	case len(start.GetSha256()) != sha256.Size:
		return &convert.FieldError{Field: "start.sha256", What: fmt.Sprintf("has %d bytes, want %d", len(start.GetSha256()), sha256.Size)}
	case start.GetSizeBytes() <= 0:
		return &convert.FieldError{Field: "start.size_bytes", What: fmt.Sprintf("%d is not above 0", start.GetSizeBytes())}
	case start.GetSizeBytes() > s.config.MaxAssetBytes:
		return &limitError{"max_asset_bytes", fmt.Sprintf("%d bytes are more than the %d of the largest asset", start.GetSizeBytes(), s.config.MaxAssetBytes)}
	}
	id := digest(start.GetSha256())
	if o, err := s.store.use(id, callerOf(ctx)); err == nil {
		s.metrics.uploads.WithLabelValues("known").Inc()
		return stream.SendAndClose(assetMessage(id, o))
	}
	u, err := s.store.begin(id, start.GetSizeBytes())
	if err != nil {
		return err
	}
	defer u.abort()
	for {
		m, err := receive()
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			return err
		}
		chunk := m.GetChunk()
		switch {
		case len(chunk) == 0:
			return &convert.FieldError{Field: "chunk", What: "is empty"}
		case len(chunk) > maxChunk:
			return &convert.FieldError{Field: "chunk", What: fmt.Sprintf("has %d bytes, more than %d", len(chunk), maxChunk)}
		}
		if err := u.write(chunk); err != nil {
			return err
		}
	}
	// Only the outline is decoded here, a few times the length of the JSON; of a record
	// only its head.
	need := 8 * min(sizing.JSONLength(u.head, u.size), s.textLimit())
	if convert.IsPass(u.head) {
		need = 0
	}
	t, err := s.admission.acquire(ctx, need)
	if err != nil {
		return err
	}
	defer t.release()
	o, err := u.check(ctx, s.textLimit())
	if err != nil {
		return err
	}
	if err := s.checkSize(o); err != nil {
		return err
	}
	if err := u.commit(o, callerOf(ctx)); err != nil {
		return err
	}
	s.metrics.uploads.WithLabelValues("stored").Inc()
	return stream.SendAndClose(assetMessage(id, o))
}

// textLimit bounds the JSON of an asset: reading it must fit in the large lane.
func (s *Server) textLimit() int64 {
	return min(s.config.MaxAssetBytes, s.admission.large.bytes/8)
}

func (s *Server) checkSize(o sizing.Outline) error {
	if o.Vertices > s.config.MaxVertices {
		return &limitError{"max_vertices", fmt.Sprintf("%d vertices are more than %d", o.Vertices, s.config.MaxVertices)}
	}
	if o.Triangles > 4*s.config.MaxVertices {
		return &limitError{"max_vertices", fmt.Sprintf("%d triangles are more than %d", o.Triangles, 4*s.config.MaxVertices)}
	}
	return nil
}

// GetAsset implements the method of the API.
func (s *Server) GetAsset(_ context.Context, m *pb.GetAssetRequest) (*pb.Asset, error) {
	id, err := parseName(m.GetName(), "name")
	if err != nil {
		return nil, err
	}
	o, err := s.store.get(id)
	if err != nil {
		return nil, err
	}
	return assetMessage(id, o), nil
}

// ListAssets implements the method of the API.
func (s *Server) ListAssets(ctx context.Context, m *pb.ListAssetsRequest) (*pb.ListAssetsResponse, error) {
	n := int(m.GetPageSize())
	switch {
	case n < 0:
		return nil, &convert.FieldError{Field: "page_size", What: "is negative"}
	case n == 0:
		n = 100
	}
	n = min(n, 1000)
	after := ""
	if m.GetPageToken() != "" {
		raw, err := base64.RawURLEncoding.DecodeString(m.GetPageToken())
		if err == nil {
			_, err = parseDigest(string(raw))
		}
		if err != nil {
			return nil, &convert.FieldError{Field: "page_token", What: "is not one that this method returned"}
		}
		after = string(raw)
	}
	page, more := s.store.list(after, n, callerOf(ctx))
	out := &pb.ListAssetsResponse{}
	for _, a := range page {
		out.Assets = append(out.Assets, assetMessage(a.id, a.outline))
	}
	if more {
		out.NextPageToken = base64.RawURLEncoding.EncodeToString([]byte(page[len(page)-1].id.String()))
	}
	return out, nil
}

// DeleteAsset implements the method of the API.
func (s *Server) DeleteAsset(ctx context.Context, m *pb.DeleteAssetRequest) (*emptypb.Empty, error) {
	id, err := parseName(m.GetName(), "name")
	if err != nil {
		return nil, err
	}
	dropped, err := s.store.giveUp(id, callerOf(ctx))
	if err != nil {
		return nil, err
	}
	if !dropped { // others use it
		return &emptypb.Empty{}, nil
	}
	ofAsset := func(key string) bool { return strings.Contains(key, id.String()) } // as a body or as a layer
	s.bodies.Remove(ofAsset)
	s.sources.Remove(ofAsset)
	s.checked.Remove(ofAsset)
	return &emptypb.Empty{}, nil
}

// source is an asset that a call uses, before it is read.
type source struct {
	id      digest
	outline sizing.Outline
	content []byte // nil: in the store
	name    string // for messages
}

// resolve checks an AssetSource; field is its path and fallback its name.
func (s *Server) resolve(ctx context.Context, m *pb.AssetSource, field, fallback string) (*source, error) {
	name, err := convert.CheckName(m.GetDisplayName(), fallback, field+".display_name")
	if err != nil {
		return nil, err
	}
	x := &source{name: name}
	switch from := m.GetSource().(type) {
	case *pb.AssetSource_Asset:
		if x.id, err = parseName(from.Asset, field+".asset"); err != nil {
			return nil, err
		}
		x.outline, err = s.store.use(x.id, callerOf(ctx))
	case *pb.AssetSource_Content:
		if len(from.Content) == 0 {
			return nil, &convert.FieldError{Field: field + ".content", What: "is empty"}
		}
		x.content, x.id = from.Content, sha256.Sum256(from.Content)
		if convert.IsPass(from.Content) {
			x.outline, err = recordOutline(from.Content, int64(len(from.Content)))
		} else {
			x.outline, err = sizing.Of(from.Content)
		}
	default:
		return nil, &convert.FieldError{Field: field, What: "has neither asset nor content"}
	}
	if err != nil {
		return nil, err
	}
	return x, s.checkSize(x.outline)
}

// readAsset reads a source. It ends with ctx's error soon after ctx is done.
func (s *Server) readAsset(ctx context.Context, x *source) (*gltfio.Asset, error) {
	data := x.content
	if data == nil {
		var err error
		if data, err = s.store.read(ctx, x.id); err != nil {
			return nil, err
		}
	}
	return gltfio.ParseContext(ctx, data, x.name, gltfio.Options{MaxBytes: s.config.MaxAssetBytes})
}

// InspectAsset implements the method of the API.
func (s *Server) InspectAsset(ctx context.Context, m *pb.InspectAssetRequest) (*pb.InspectAssetResponse, error) {
	x, err := s.resolve(ctx, m.GetAsset(), "asset", "asset")
	if err != nil {
		return nil, err
	}
	t, err := s.admission.acquire(ctx, x.outline.InspectBytes())
	if err != nil {
		return nil, err
	}
	defer t.release()
	a, err := s.readAsset(ctx, x)
	if err != nil {
		return nil, err
	}
	return convert.DescriptionToProto(a.WithContext(ctx).Describe()), ctx.Err()
}

// GetServerInfo implements the method of the API.
func (s *Server) GetServerInfo(context.Context, *pb.GetServerInfoRequest) (*pb.ServerInfo, error) {
	c := &s.config
	return &pb.ServerInfo{Version: c.Version, Limits: &pb.Limits{
		MaxMessageBytes: c.MaxMessageBytes, MaxAssetBytes: c.MaxAssetBytes, StoreBytes: c.StoreBytes,
		BodyBytes: c.BodyBytes, WorkBytes: c.WorkBytes, MaxConcurrentCalls: int32(c.MaxCalls),
		MaxThreads: int32(c.MaxThreads), MaxVertices: c.MaxVertices,
	}}, nil
}

// options unpacks and bounds a call's options.
func (s *Server) options(m *pb.Options) (transfer.AssetOptions, error) {
	o, err := convert.OptionsFromProto(m)
	if err != nil {
		return o, err
	}
	for _, l := range []struct {
		field string
		globs []string
	}{
		{"loose_names", o.LooseNames}, {"rigid_names", o.RigidNames}, {"allow_joints", o.AllowJoints},
		{"deny_joints", o.DenyJoints}, {"garment_names", o.Garments.Names}, {"keep_joints", o.KeepJoints},
		{"lock", o.Lock}, {"lock_joints", o.LockJoints},
	} {
		if err := checkGlobs(l.globs, "options."+l.field); err != nil {
			return o, err
		}
	}
	if err := checkJointMap(o.JointMap, "options.joint_map"); err != nil {
		return o, err
	}
	if o.Threads < 0 {
		return o, &transfer.OptionError{Option: "threads", Reason: fmt.Sprintf("%d is negative", o.Threads)}
	}
	if o.Threads == 0 || o.Threads > s.config.MaxThreads {
		o.Threads = s.config.MaxThreads
	}
	return o, nil
}

// checkJointMap bounds a joint map: each rule costs time for every joint.
func checkJointMap(rules []transfer.JointRule, field string) error {
	from, to := make([]string, len(rules)), make([]string, len(rules))
	for k, r := range rules {
		from[k], to[k] = r.From, r.To
	}
	if err := checkGlobs(from, field); err != nil {
		return err
	}
	return checkGlobs(to, field)
}

// checkGlobs bounds lists of globs: each costs time for every name.
func checkGlobs(globs []string, field string) error {
	if len(globs) > 1000 {
		return &convert.FieldError{Field: field, What: fmt.Sprintf("has %d patterns, more than 1000", len(globs))}
	}
	for _, g := range globs {
		if len(g) > 255 {
			return &convert.FieldError{Field: field, What: fmt.Sprintf("has a pattern of %d bytes, more than 255", len(g))}
		}
	}
	return nil
}

// reporter passes progress on to a stream. Computing never waits for it: what the
// reader is too slow for is left out.
type reporter struct {
	latest chan *pb.Progress // holds one
	ended  chan struct{}
	once   sync.Once
	failed error
}

// report starts a reporter; send is called from one goroutine until stop returns.
func report(ctx context.Context, idle time.Duration, send func(*pb.Progress) error) *reporter {
	r := &reporter{latest: make(chan *pb.Progress, 1), ended: make(chan struct{})}
	go func() {
		defer close(r.ended)
		for p := range r.latest {
			if r.failed == nil {
				r.failed = within(ctx, idle, func() error { return send(p) })
			}
		}
	}()
	return r
}

// tell is the transfer's progress callback. It is called from one goroutine at a
// time.
func (r *reporter) tell(stage transfer.Stage, done float64) {
	p := &pb.Progress{Stage: string(stage), Done: done}
	select {
	case r.latest <- p:
	default:
		select { // the older one goes
		case <-r.latest:
		default:
		}
		select {
		case r.latest <- p:
		default:
		}
	}
}

// stop waits until nothing is sent any more, and returns the error of sending. It
// may be called twice.
func (r *reporter) stop() error {
	r.once.Do(func() { close(r.latest) })
	<-r.ended
	return r.failed
}

// body returns the prepared body of a source. threads computes; the call holds a
// ticket that covers it.
func (s *Server) body(ctx context.Context, x *source, names []string, threads int) (*transfer.AssetBody, error) {
	b, hit, err := s.bodies.Get(ctx, bodyKey(x, names), func() (*transfer.AssetBody, int64, error) {
		a, err := s.readAsset(ctx, x)
		if err != nil {
			return nil, 0, err
		}
		b, err := transfer.PrepareAsset(ctx, a, gltfio.Selection{Names: names}, threads)
		return b, x.outline.BodyBytes(), err
	})
	s.metrics.body(hit)
	return b, err
}

// bodyKey tells prepared bodies apart: bytes, name in messages, selection.
func bodyKey(x *source, names []string) string {
	var b strings.Builder
	b.WriteString(x.id.String())
	for _, n := range append([]string{x.name}, names...) {
		fmt.Fprintf(&b, " %q", n)
	}
	return b.String()
}

// TransferAsset implements the method of the API.
func (s *Server) TransferAsset(m *pb.TransferAssetRequest, stream grpc.ServerStreamingServer[pb.TransferAssetResponse]) error {
	ctx := stream.Context()
	opt, err := s.options(m.GetOptions())
	if err != nil {
		return err
	}
	if err := checkGlobs(m.GetBodyNames(), "body_names"); err != nil {
		return err
	}
	body, err := s.resolve(ctx, m.GetBody(), "body", "body")
	if err != nil {
		return err
	}
	garment, err := s.resolve(ctx, m.GetGarment(), "garment", "garment")
	if err != nil {
		return err
	}
	layers, err := s.resolveLayers(ctx, m.GetLayers(), body, garment)
	if err != nil {
		return err
	}
	need := garment.outline.GarmentBytes()
	if !s.bodies.Has(bodyKey(body, m.GetBodyNames())) {
		need += 2 * body.outline.BodyBytes()
	}
	if len(layers) > 0 && !s.bodies.Has(wornKey(body, m.GetBodyNames(), layers, opt.JointMap)) {
		need += wornBytes(body, layers)
	}
	edits, err := s.resolvePass(ctx, m.GetPass(), body, garment)
	if err != nil {
		return err
	}
	t, err := s.admission.acquire(ctx, need+edits.bytes())
	if err != nil {
		return err
	}
	defer t.release()

	send := func(part *pb.TransferAssetResponse) error {
		return within(ctx, s.config.IdleTime, func() error { return stream.Send(part) })
	}
	progress := report(ctx, s.config.IdleTime, func(p *pb.Progress) error {
		return stream.Send(&pb.TransferAssetResponse{Part: &pb.TransferAssetResponse_Progress{Progress: p}})
	})
	defer progress.stop() // where computing panics
	opt.Progress = func(stage transfer.Stage, done float64) {
		if done == 0 {
			traceStage(ctx, stage)
		}
		progress.tell(stage, done)
	}
	file, result, err := s.transferAsset(ctx, body, m.GetBodyNames(), layers, garment, edits, opt)
	if e := progress.stop(); err == nil {
		err = e
	}
	if err != nil {
		return err
	}
	// The slot goes to the next call while this one's reader takes its time.
	t.done()

	head := &pb.TransferAssetResult{Summary: convert.SummaryToProto(&result.Summary), SizeBytes: int64(file.Len()), Sha256: file.sum.Sum(nil)}
	var confidence []byte
	if !m.GetOmitConfidence() {
		confidence = convert.PackConfidence(result.Confidence)
		head.ConfidenceCount = int64(len(result.Confidence))
	}
	head.RecordSizeBytes, head.RecordSha256 = edits.recordSize()
	if err := send(&pb.TransferAssetResponse{Part: &pb.TransferAssetResponse_Result{Result: head}}); err != nil {
		return err
	}
	for chunk := range chunks(file.Bytes()) {
		if err := send(&pb.TransferAssetResponse{Part: &pb.TransferAssetResponse_Content{Content: chunk}}); err != nil {
			return err
		}
	}
	for chunk := range chunks(confidence) {
		if err := send(&pb.TransferAssetResponse{Part: &pb.TransferAssetResponse_Confidence{Confidence: chunk}}); err != nil {
			return err
		}
	}
	if edits == nil {
		return nil
	}
	for _, part := range convert.PassSummaryParts(&edits.summary) {
		if err := send(&pb.TransferAssetResponse{Part: &pb.TransferAssetResponse_Pass{Pass: part}}); err != nil {
			return err
		}
	}
	for chunk := range chunks(edits.packed) {
		if err := send(&pb.TransferAssetResponse{Part: &pb.TransferAssetResponse_Record{Record: chunk}}); err != nil {
			return err
		}
	}
	return nil
}

// chunks yields data in pieces of sendChunk bytes.
func chunks(data []byte) func(yield func([]byte) bool) {
	return func(yield func([]byte) bool) {
		for len(data) > 0 {
			n := min(len(data), sendChunk)
			if !yield(data[:n:n]) {
				return
			}
			data = data[n:]
		}
	}
}

// hashedFile is a file in memory, hashed as it is written.
type hashedFile struct {
	bytes.Buffer
	sum hash.Hash // SHA-256
}

func (f *hashedFile) Write(p []byte) (int, error) {
	f.sum.Write(p) // never fails
	return f.Buffer.Write(p)
}

// transferAsset computes, where edits is not nil as a pass; the caller holds a
// ticket.
func (s *Server) transferAsset(ctx context.Context, body *source, names []string, layers []*source, garment *source, edits *passCall, opt transfer.AssetOptions) (*hashedFile, *transfer.Result, error) {
	b, err := s.worn(ctx, body, names, layers, opt.JointMap, opt.Threads)
	if err != nil {
		return nil, nil, err
	}
	g, err := s.readAsset(ctx, garment)
	if err != nil {
		return nil, nil, err
	}
	var out *gltfio.Asset
	var r *transfer.Result
	if edits == nil {
		out, r, err = b.Transfer(ctx, g, opt)
	} else if err = edits.load(ctx, s, opt); err == nil {
		out, r, err = edits.run(ctx, b, g)
	}
	if err != nil {
		return nil, nil, err
	}
	s.metrics.transferred(&r.Summary)
	file, err := encode(ctx, out)
	return file, r, err
}

// encode writes an asset into memory.
func encode(ctx context.Context, a *gltfio.Asset) (*hashedFile, error) {
	file := &hashedFile{sum: sha256.New()}
	return file, a.WithContext(ctx).Encode(file)
}

// arrayBody is a body of arrays and what is made ready of it.
type arrayBody struct {
	source *transfer.Source
	body   *transfer.Body
}

func jointNames(skin *skinning.Skin) []string {
	names := make([]string, len(skin.Joints))
	for i := range names {
		names[i] = skin.Joints[i].Name
	}
	return names
}

// arraysNeed is what a transfer by arrays takes, by estimate.
func arraysNeed(m *pb.TransferArraysRequest) int64 {
	of := func(a *pb.MeshArrays) sizing.Outline {
		return sizing.Outline{Vertices: int64(len(a.GetPositions())) / 12, Triangles: int64(len(a.GetTriangles())) / 12}
	}
	need := of(m.GetGarment().GetMesh()).GarmentBytes() + int64(proto.Size(m))
	if b := m.GetBodyArrays(); b != nil {
		need += 2*of(b.GetMesh()).BodyBytes() + 12*int64(len(b.GetRows().GetJoints()))
	}
	need += 4 * 12 * int64(len(m.GetGarment().GetHeld().GetRows().GetJoints())) // unpacked, and what the solve makes of them
	for _, l := range m.GetLayers() {                                           // each by itself, and pieced together
		need += 3 * (of(l.GetMesh()).BodyBytes() + 12*int64(len(l.GetRows().GetJoints())))
	}
	return need
}

// transferArrays checks the request, waits for a slot and computes. The answer's
// memory is covered by the ticket, which the caller releases.
func (s *Server) transferArrays(ctx context.Context, m *pb.TransferArraysRequest, progress func(transfer.Stage, float64)) (*pb.TransferArraysResponse, *ticket, error) {
	opt, err := s.options(m.GetOptions())
	if err != nil {
		return nil, nil, err
	}
	for _, x := range []struct {
		field string
		set   bool
	}{
		{"garment_names", len(opt.Garments.Names) > 0}, {"keep_joints", len(opt.KeepJoints) > 0}, {"lock", len(opt.Lock) > 0}, {"lock_joints", len(opt.LockJoints) > 0}, {"plain_rows", opt.PlainRows},
		{"skin", opt.Skin != transfer.SkinBody},
	} {
		if x.set {
			return nil, nil, &convert.FieldError{Field: "options." + x.field, What: "is for transfers by asset only"}
		}
	}
	opt.Progress = progress
	if n := len(m.GetLayers()); n > maxLayers {
		return nil, nil, tooManyLayers(n)
	}
	meshes := []*pb.MeshArrays{m.GetBodyArrays().GetMesh(), m.GetGarment().GetMesh()}
	for _, l := range m.GetLayers() {
		meshes = append(meshes, l.GetMesh())
	}
	for _, a := range meshes {
		if err := s.checkSize(sizing.Outline{Vertices: int64(len(a.GetPositions())) / 12, Triangles: int64(len(a.GetTriangles())) / 12}); err != nil {
			return nil, nil, err
		}
	}
	need := arraysNeed(m)
	var uploaded *source
	switch b := m.GetBody().(type) {
	case *pb.TransferArraysRequest_BodyArrays:
	case *pb.TransferArraysRequest_BodyAsset:
		if uploaded, err = s.resolve(ctx, &pb.AssetSource{Source: &pb.AssetSource_Asset{Asset: b.BodyAsset}}, "body_asset", "body"); err != nil {
			return nil, nil, err
		}
		if !s.sources.Has(bodyKey(uploaded, nil)) {
			need += 2 * uploaded.outline.BodyBytes()
		}
	default:
		return nil, nil, &convert.FieldError{Field: "body", What: "has neither body_arrays nor body_asset"}
	}
	t, err := s.admission.acquire(ctx, need)
	if err != nil {
		return nil, nil, err
	}
	handedOver := false
	defer func() {
		if !handedOver { // after an error or a panic
			t.release()
		}
	}()
	answer, err := s.computeArrays(ctx, m, uploaded, opt)
	if err != nil {
		return nil, nil, err
	}
	t.done()
	handedOver = true
	return answer, t, nil
}

// computeArrays computes; the caller holds a ticket.
func (s *Server) computeArrays(ctx context.Context, m *pb.TransferArraysRequest, uploaded *source, opt transfer.AssetOptions) (*pb.TransferArraysResponse, error) {
	g, err := convert.GarmentFromProto(m.GetGarment(), "garment")
	if err != nil {
		return nil, err
	}
	b, err := s.arrayBody(ctx, m, uploaded, opt.Threads)
	if err != nil {
		return nil, err
	}
	skin := b.body.Skin // of the answer
	if g.Skin != nil {
		skin = g.Skin
	}
	if g.Held, err = convert.HeldFromProto(m.GetGarment().GetHeld(), g.Mesh.NumVertices(), len(skin.Joints), "garment.held"); err != nil {
		return nil, err
	}
	layers, err := convert.LayersFromProto(m.GetLayers(), len(b.body.Skin.Joints), "layers")
	if err != nil {
		return nil, err
	}
	if err := checkArrayLayers(layers, b.body.Mesh, g.Mesh); err != nil {
		return nil, err
	}
	over, err := b.source.WithLayers(ctx, layers, opt.Threads)
	if err != nil {
		return nil, err
	}
	r, err := over.Transfer(ctx, g, opt.Options)
	if err != nil {
		return nil, err
	}
	s.metrics.transferred(&r.Summary)
	return &pb.TransferArraysResponse{
		Result:     &pb.TransferArraysResult{Summary: convert.SummaryToProto(&r.Summary), Joints: jointNames(skin)},
		Rows:       convert.RowsToProto(r.Rows),
		Confidence: convert.PackConfidence(r.Confidence),
		Reasons:    convert.PackReasons(r.Reason),
	}, ctx.Err()
}

// arrayBody returns the prepared body of a request: of an uploaded asset, or of
// arrays, then kept by the hash of their message.
func (s *Server) arrayBody(ctx context.Context, m *pb.TransferArraysRequest, uploaded *source, threads int) (*arrayBody, error) {
	var key string
	var read func() (*transfer.Body, error)
	if uploaded != nil {
		key = bodyKey(uploaded, nil)
		read = func() (*transfer.Body, error) {
			a, err := s.readAsset(ctx, uploaded)
			if err != nil {
				return nil, err
			}
			x, err := a.WithContext(ctx).Body(gltfio.Selection{})
			if err != nil {
				return nil, err
			}
			return &transfer.Body{Name: uploaded.name, Mesh: x.Mesh, Rows: x.Rows, Skin: x.Skin}, nil
		}
	} else {
		// The deterministic encoding of one message by one program is stable, which is
		// all that a cache in memory needs.
		text, err := proto.MarshalOptions{Deterministic: true}.Marshal(m.GetBodyArrays())
		if err != nil {
			return nil, err
		}
		key = "arrays " + digest(sha256.Sum256(text)).String()
		read = func() (*transfer.Body, error) { return convert.BodyFromProto(m.GetBodyArrays(), "body_arrays") }
	}
	b, hit, err := s.sources.Get(ctx, key, func() (*arrayBody, int64, error) {
		body, err := read()
		if err != nil {
			return nil, 0, err
		}
		src, err := transfer.Prepare(ctx, body, threads)
		if err != nil {
			return nil, 0, err
		}
		o := sizing.Outline{Vertices: int64(body.Mesh.NumVertices()), Triangles: int64(len(body.Mesh.Triangles))}
		return &arrayBody{src, body}, o.BodyBytes() + 10*int64(len(body.Rows.Joint)), nil
	})
	s.metrics.body(hit)
	return b, err
}

// TransferArrays implements the method of the API.
func (s *Server) TransferArrays(ctx context.Context, m *pb.TransferArraysRequest) (*pb.TransferArraysResponse, error) {
	answer, t, err := s.transferArrays(ctx, m, nil)
	if err != nil {
		return nil, err
	}
	defer t.release()
	return answer, nil
}

// StreamTransferArrays implements the method of the API.
func (s *Server) StreamTransferArrays(stream grpc.BidiStreamingServer[pb.StreamTransferArraysRequest, pb.StreamTransferArraysResponse]) error {
	ctx := stream.Context()
	m, held, err := s.receiveArrays(ctx, stream)
	defer func() {
		for _, t := range held {
			t.release()
		}
	}()
	if err != nil {
		return err
	}
	progress := report(ctx, s.config.IdleTime, func(p *pb.Progress) error {
		return stream.Send(&pb.StreamTransferArraysResponse{Part: &pb.StreamTransferArraysResponse_Progress{Progress: p}})
	})
	defer progress.stop()
	answer, t, err := s.transferArrays(ctx, m, progress.tell)
	if err != nil {
		return err
	}
	defer t.release()
	if err := progress.stop(); err != nil {
		return err
	}
	send := func(part *pb.StreamTransferArraysResponse) error {
		return within(ctx, s.config.IdleTime, func() error { return stream.Send(part) })
	}
	if err := send(&pb.StreamTransferArraysResponse{Part: &pb.StreamTransferArraysResponse_Result{Result: answer.GetResult()}}); err != nil {
		return err
	}
	for _, x := range []struct {
		field pb.ArrayField
		data  []byte
	}{
		{pb.ArrayField_ARRAY_FIELD_ROW_STARTS, answer.GetRows().GetStarts()},
		{pb.ArrayField_ARRAY_FIELD_ROW_JOINTS, answer.GetRows().GetJoints()},
		{pb.ArrayField_ARRAY_FIELD_ROW_WEIGHTS, answer.GetRows().GetWeights()},
		{pb.ArrayField_ARRAY_FIELD_CONFIDENCE, answer.GetConfidence()},
		{pb.ArrayField_ARRAY_FIELD_REASONS, answer.GetReasons()},
	} {
		for chunk := range chunks(x.data) {
			part := &pb.StreamTransferArraysResponse{Part: &pb.StreamTransferArraysResponse_Chunk{Chunk: &pb.ArrayChunk{Field: x.field, Data: chunk}}}
			if err := send(part); err != nil {
				return err
			}
		}
	}
	return nil
}

// receiveArrays puts a streamed request together. What has arrived is paid for in
// memory of the lanes, piece by piece, with the tickets that it returns also
// beside an error.
func (s *Server) receiveArrays(ctx context.Context, stream grpc.BidiStreamingServer[pb.StreamTransferArraysRequest, pb.StreamTransferArraysResponse]) (*pb.TransferArraysRequest, []*ticket, error) {
	var m *pb.TransferArraysRequest
	var held []*ticket
	var paid, got int64
	const piece = 8 << 20
	for {
		part, err := receiveWithin(ctx, s.config.IdleTime, stream.Recv)
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			return nil, held, err
		}
		switch x := part.GetPart().(type) {
		case *pb.StreamTransferArraysRequest_Request:
			if m != nil {
				return nil, held, &convert.FieldError{Field: "request", What: "came twice"}
			}
			m = x.Request
			got += int64(proto.Size(m))
		case *pb.StreamTransferArraysRequest_Chunk:
			data := x.Chunk.GetData()
			switch {
			case m == nil:
				return nil, held, &convert.FieldError{Field: "request", What: "is missing: it must come first"}
			case len(data) == 0 || len(data) > maxChunk:
				return nil, held, &convert.FieldError{Field: "chunk.data", What: fmt.Sprintf("has %d bytes, want 1 to %d", len(data), maxChunk)}
			}
			to := convert.ArrayFieldOf(m, x.Chunk.GetField(), int(x.Chunk.GetLayer()))
			if to == nil {
				return nil, held, &convert.FieldError{Field: "chunk.field", What: fmt.Sprintf("%v is not part of this request", x.Chunk.GetField())}
			}
			got += int64(len(data))
			*to = append(*to, data...)
		default:
			return nil, held, &convert.FieldError{Field: "part", What: "is missing"}
		}
		if got > s.config.MaxAssetBytes {
			return nil, held, &limitError{"max_asset_bytes", fmt.Sprintf("the arrays have more than %d bytes", s.config.MaxAssetBytes)}
		}
		for got > paid {
			t, err := s.admission.reserve(ctx, piece)
			if err != nil {
				return nil, held, err
			}
			held = append(held, t)
			paid += piece / 2 // growing an array holds it twice for a while
		}
	}
	if m == nil {
		return nil, held, &convert.FieldError{Field: "request", What: "is missing"}
	}
	return m, held, nil
}
