package convert

// Pass records in a file: layout and limits in selvage/v1/pass.proto.

import (
	"bytes"
	"compress/zlib"
	"context"
	"crypto/sha256"
	"encoding/binary"
	"fmt"
	"io"
	"math"

	pb "github.com/selvage/selvage/api/selvage/v1"
	"github.com/selvage/selvage/transfer"
	"github.com/selvage/selvage/transfer/mesh"
	"github.com/selvage/selvage/transfer/pass"
	"github.com/selvage/selvage/transfer/weights"
	"google.golang.org/protobuf/encoding/protowire"
	"google.golang.org/protobuf/proto"
)

const (
	passMagic   = "SLVGPASS"
	passVersion = 1
	passHead    = 64
	// MaxPassBytes bounds the message of a record: about six million vertices.
	MaxPassBytes = 512 << 20
	// maxDeflate is the largest factor by which deflate can shrink anything: a match
	// of 258 bytes in two bits (RFC 1951, section 3.2.5).
	maxDeflate = 1032
	// maxPassInfluences bounds the influences of one row, and meanPassInfluences those
	// of a table by the garment's vertices, so that rows cannot unfold without bound. A
	// row that is interpolated within a triangle has 24 at most; locked rows have any
	// number, and a table of few of them more in the mean.
	maxPassInfluences  = 255
	meanPassInfluences = 32
	// maxPassJoints is what a joint index can name.
	maxPassJoints = math.MaxUint16 + 1
	// maxPassOptions bounds the bytes of the options.
	maxPassOptions = 1 << 20
	// maxPassEarlier bounds the earlier garments of a record.
	maxPassEarlier = 16
)

// passFault makes a pass.RecordError.
func passFault(format string, args ...any) error {
	return &pass.RecordError{What: fmt.Sprintf(format, args...)}
}

// PackPass returns the file of a record. Equal records give equal bytes. It fails
// with *pass.RecordError for a record that is not valid, holds weights that do not
// lie on its format's grid or positions that are no float32, or is larger than
// MaxPassBytes: what it returns can be read.
func PackPass(r *pass.Record) ([]byte, error) {
	m, err := passToProto(r)
	if err != nil {
		return nil, err
	}
	raw, err := proto.MarshalOptions{Deterministic: true}.Marshal(m)
	if err != nil {
		return nil, passFault("%v", err)
	}
	if len(raw) > MaxPassBytes {
		return nil, passFault("has %d bytes, more than %d", len(raw), MaxPassBytes)
	}
	return sealPass(raw)
}

// sealPass compresses a message and puts the head before it.
func sealPass(raw []byte) ([]byte, error) {
	out := bytes.NewBuffer(make([]byte, passHead))
	z := zlib.NewWriter(out)
	if _, err := z.Write(raw); err != nil {
		return nil, passFault("%v", err)
	}
	if err := z.Close(); err != nil {
		return nil, passFault("%v", err)
	}
	file := out.Bytes()
	sum := sha256.Sum256(file[passHead:])
	head := append(file[:0], passMagic...)
	for _, x := range []uint64{passVersion, uint64(len(raw)), uint64(len(file) - passHead)} {
		head = little.AppendUint64(head, x)
	}
	copy(file[len(head):passHead], sum[:])
	return file, nil
}

// TransferPass is pass.Transfer, with the new record's file: command line, service,
// wardrobe and farm call it alone, so that all give the same bytes.
func TransferPass(ctx context.Context, body *transfer.AssetBody, in pass.Input) (*pass.Output, []byte, error) {
	out, err := pass.Transfer(ctx, body, in)
	if err != nil {
		return nil, nil, err
	}
	packed, err := PackPass(out.Record)
	if err != nil {
		return nil, nil, fmt.Errorf("keep a record of %s: %w", in.Garment, err)
	}
	return out, packed, nil
}

// UnpackPass reads a record's file. Whatever the bytes, it neither panics nor
// takes more memory than a small multiple of what they can honestly hold, bounded
// by MaxPassBytes. Errors: *pass.RecordError, one sentence.
func UnpackPass(file []byte) (*pass.Record, error) {
	raw, err := openPass(file)
	if err != nil {
		return nil, err
	}
	if err := checkPassOutline(raw); err != nil {
		return nil, err
	}
	m := &pb.PassRecord{}
	if err := proto.Unmarshal(raw, m); err != nil {
		return nil, passFault("the message in it is damaged")
	}
	return passFromProto(m)
}

// PassHead is the number of bytes at the start of a record's file that tell it from
// other files.
const PassHead = passHead

// IsPass reports whether a file that starts with head is a record's.
func IsPass(head []byte) bool { return bytes.HasPrefix(head, []byte(passMagic)) }

// PassSize returns how many bytes the message in a record's file has, by the file's
// first PassHead bytes; size is the whole file's. Errors: *pass.RecordError.
func PassSize(head []byte, size int64) (int64, error) {
	if !IsPass(head) {
		return 0, passFault("is not one: it does not start with %s", passMagic)
	}
	if len(head) < passHead || size < passHead {
		return 0, passFault("is cut off: %d bytes are no head of one", len(head))
	}
	version, raw, packed := little.Uint64(head[8:]), little.Uint64(head[16:]), little.Uint64(head[24:])
	switch {
	case version != passVersion:
		return 0, passFault("has layout %d; only layout %d can be read", version, passVersion)
	case packed != uint64(size-passHead):
		return 0, passFault("is cut off or has something behind it: the head says %d bytes, there are %d", packed, size-passHead)
	case raw > MaxPassBytes || raw > maxDeflate*packed:
		return 0, passFault("says that it holds %d bytes, which it cannot", raw)
	}
	return int64(raw), nil
}

// openPass returns the message of a record's file.
func openPass(file []byte) ([]byte, error) {
	size, err := PassSize(file, int64(len(file)))
	if err != nil {
		return nil, err
	}
	body := file[passHead:]
	if sha256.Sum256(body) != [sha256.Size]byte(file[32:passHead]) {
		return nil, passFault("is damaged: its sum does not match")
	}
	z, err := zlib.NewReader(bytes.NewReader(body))
	if err != nil {
		return nil, passFault("is damaged: %v", err)
	}
	raw, err := io.ReadAll(io.LimitReader(z, size+1))
	if err != nil {
		return nil, passFault("is damaged: %v", err)
	}
	if int64(len(raw)) != size {
		return nil, passFault("says that it holds %d bytes, and does not", size)
	}
	return raw, nil
}

// checkPassOutline walks over the message before anything is made of it: parts
// that become many small things in memory are counted first.
func checkPassOutline(raw []byte) error {
	joints, earlier := 0, 0
	for len(raw) > 0 {
		number, kind, n := protowire.ConsumeTag(raw)
		if n < 0 {
			return passFault("the message in it is damaged")
		}
		k := protowire.ConsumeFieldValue(number, kind, raw[n:])
		if k < 0 {
			return passFault("the message in it is damaged")
		}
		switch number {
		case 5:
			if k > maxPassOptions {
				return passFault("has %d bytes of options, more than %d", k, maxPassOptions)
			}
		case 18:
			if k > maxPassOptions {
				return passFault("has a summary of %d bytes, more than %d", k, maxPassOptions)
			}
		case 6:
			if joints++; joints > maxPassJoints {
				return passFault("has more than %d joints", maxPassJoints)
			}
		case 23:
			if earlier++; earlier > maxPassEarlier {
				return passFault("has more than %d earlier garments", maxPassEarlier)
			}
		}
		raw = raw[n+k:]
	}
	return nil
}

func passToProto(r *pass.Record) (*pb.PassRecord, error) {
	if err := r.Validate(); err != nil {
		return nil, err
	}
	opt := r.Options
	opt.Threads = 0
	m := &pb.PassRecord{Garment: r.Garment, Program: r.Program, Last: PassSummaryToProto(&r.Last.Summary)}
	for _, d := range r.Last.Difference {
		m.LastDifference = little.AppendUint16(m.LastDifference, d)
	}
	m.LastDifference = planes(m.LastDifference, 2)
	var err error
	if m.Options, err = OptionsToProto(opt); err != nil {
		return nil, passFault("%v", err)
	}
	for _, s := range []struct {
		to  *[]byte
		sum [sha256.Size]byte
	}{{&m.GarmentSha256, r.GarmentSum}, {&m.BodySha256, r.BodySum}, {&m.MergedSum, r.Merged}, {&m.WrittenSum, r.Out}, {&m.PolicySum, r.Settled}} {
		if s.sum != [sha256.Size]byte{} {
			*s.to = s.sum[:]
		}
	}
	for _, j := range r.Joints {
		m.Joints = append(m.Joints, &pb.Joint{Name: j.Name, Parent: j.Parent})
	}
	for v, p := range r.Mesh.Positions {
		for _, x := range [3]float64{p.X, p.Y, p.Z} {
			if float64(float32(x)) != x {
				return nil, passFault("vertex %d: position %g is no float32", v, x)
			}
		}
	}
	m.Positions = planes(packVectors(r.Mesh.Positions), 4)
	last := int64(0)
	for _, t := range r.Mesh.Triangles {
		for _, v := range t {
			m.Triangles = protowire.AppendVarint(m.Triangles, protowire.EncodeZigZag(int64(v)-last))
			last = int64(v)
		}
	}
	if m.Format, err = toEnum(formats, r.Format, "format"); err != nil {
		return nil, passFault("%v", err)
	}
	m.EditVertices, m.WrittenVertices, m.GivenUpVertices = packVertices(r.Edits.Vertex), packVertices(r.Written.Vertex), packVertices(r.GivenUp)
	for _, x := range r.Regions {
		m.Regions = append(m.Regions, &pb.PassRegion{Region: x.Spec, Vertices: packVertices(x.Vertex)})
	}
	for _, x := range []struct {
		to   **pb.PassRows
		name string
		rows *weights.Rows
	}{{&m.Rows, "row", r.Rows}, {&m.EditBases, "base", r.Edits.Base}, {&m.EditRows, "edit", r.Edits.Row}, {&m.WrittenRows, "written row", r.Written.Rows}} {
		if *x.to, err = packRows(x.name, x.rows, r.Mesh.NumVertices(), r.Format); err != nil {
			return nil, err
		}
	}
	for _, x := range r.Earlier {
		e := &pb.PassEarlier{Vertices: packVertices(x.Vertex)}
		if e.Rows, err = packRows("earlier row", weights.Concat(x.Rows, x.Base), 2*r.Mesh.NumVertices(), r.Format); err != nil {
			return nil, err
		}
		m.Earlier = append(m.Earlier, e)
	}
	return m, nil
}

func passFromProto(m *pb.PassRecord) (*pass.Record, error) {
	r := &pass.Record{Garment: m.GetGarment(), Program: m.GetProgram()}
	var err error
	if r.Options, err = OptionsFromProto(m.GetOptions()); err != nil {
		return nil, passFault("%v", err)
	}
	r.Options.Threads = 0
	for _, s := range []struct {
		to  *[sha256.Size]byte
		sum []byte
	}{{&r.GarmentSum, m.GetGarmentSha256()}, {&r.BodySum, m.GetBodySha256()}, {&r.Merged, m.GetMergedSum()}, {&r.Out, m.GetWrittenSum()}, {&r.Settled, m.GetPolicySum()}} {
		if len(s.sum) != 0 && len(s.sum) != sha256.Size {
			return nil, passFault("a sum of %d bytes is no SHA-256", len(s.sum))
		}
		copy(s.to[:], s.sum)
	}
	if r.Format, err = fromEnum[weights.Format](formats, m.GetFormat(), "format"); err != nil {
		return nil, passFault("%v", err)
	}
	for _, j := range m.GetJoints() {
		r.Joints = append(r.Joints, pass.Joint{Name: j.GetName(), Parent: j.GetParent()})
	}
	if len(m.GetPositions())%12 != 0 {
		return nil, passFault("%d bytes of positions are no float32 triples", len(m.GetPositions()))
	}
	r.Mesh = &mesh.Mesh{}
	if r.Mesh.Positions, err = vectors(unplanes(m.GetPositions(), 4), "positions"); err != nil {
		return nil, passFault("%v", err)
	}
	n := len(r.Mesh.Positions)
	if r.Mesh.Triangles, err = unpackTriangles(m.GetTriangles(), n); err != nil {
		return nil, err
	}
	r.Edits, r.Written = &pass.Edits{}, &pass.Sparse{}
	if r.Edits.Vertex, err = unpackVertices("edit", m.GetEditVertices(), n); err != nil {
		return nil, err
	}
	if r.Written.Vertex, err = unpackVertices("written row", m.GetWrittenVertices(), n); err != nil {
		return nil, err
	}
	r.Last.Summary = PassSummaryFromProto(m.GetLast())
	if b := unplanes(m.GetLastDifference(), 2); len(b) > 0 {
		if len(b) != 2*n {
			return nil, passFault("%d bytes of differences for %d vertices", len(b), n)
		}
		r.Last.Difference = make([]uint16, n)
		for v := range r.Last.Difference {
			r.Last.Difference[v] = little.Uint16(b[2*v:])
		}
	}
	if len(m.GetGivenUpVertices()) > 0 {
		if r.GivenUp, err = unpackVertices("given up edit", m.GetGivenUpVertices(), n); err != nil {
			return nil, err
		}
	}
	for _, x := range m.GetRegions() {
		vertex, err := unpackVertices("region", x.GetVertices(), n)
		if err != nil {
			return nil, err
		}
		r.Regions = append(r.Regions, pass.Region{Spec: x.GetRegion(), Vertex: vertex})
	}
	for _, x := range []struct {
		to   **weights.Rows
		name string
		rows *pb.PassRows
		n    int
	}{
		{&r.Rows, "row", m.GetRows(), n}, {&r.Edits.Base, "base", m.GetEditBases(), len(r.Edits.Vertex)},
		{&r.Edits.Row, "edit", m.GetEditRows(), len(r.Edits.Vertex)}, {&r.Written.Rows, "written row", m.GetWrittenRows(), len(r.Written.Vertex)},
	} {
		if *x.to, err = unpackRows(x.name, x.rows, x.n, n, len(r.Joints), r.Format); err != nil {
			return nil, err
		}
	}
	for _, x := range m.GetEarlier() {
		var e pass.Earlier
		if e.Vertex, err = unpackVertices("earlier row", x.GetVertices(), n); err != nil {
			return nil, err
		}
		both, err := unpackRows("earlier row", x.GetRows(), 2*len(e.Vertex), 2*n, len(r.Joints), r.Format)
		if err != nil {
			return nil, err
		}
		e.Rows, e.Base = weights.NewRows(len(e.Vertex)), weights.NewRows(len(e.Vertex))
		for i := range e.Vertex {
			e.Rows.Append(both.Row(i))
			e.Base.Append(both.Row(len(e.Vertex) + i))
		}
		r.Earlier = append(r.Earlier, e)
	}
	return r, r.Validate()
}

// planes sorts the bytes of numbers of size bytes by significance.
func planes(b []byte, size int) []byte {
	out := make([]byte, len(b))
	n := len(b) / size
	for i := range n {
		for k := range size {
			out[k*n+i] = b[i*size+k]
		}
	}
	return out
}

// unplanes is the inverse of planes.
func unplanes(b []byte, size int) []byte {
	out := make([]byte, len(b))
	n := len(b) / size
	for i := range n {
		for k := range size {
			out[i*size+k] = b[k*n+i]
		}
	}
	return out
}

// varints reads a list of varints one by one.
type varints struct {
	rest []byte
	what string
}

// next returns the next one, at most limit.
func (v *varints) next(limit uint64) (uint64, error) {
	x, n := binary.Uvarint(v.rest)
	if n <= 0 {
		return 0, passFault("its %s end too early", v.what)
	}
	if x > limit {
		return 0, passFault("its %s hold %d, more than %d", v.what, x, limit)
	}
	v.rest = v.rest[n:]
	return x, nil
}

// end reports bytes that are left over.
func (v *varints) end() error {
	if len(v.rest) > 0 {
		return passFault("its %s do not end where they should", v.what)
	}
	return nil
}

// count is the number of varints in b.
func count(b []byte) int {
	n := 0
	for _, x := range b {
		if x < 0x80 {
			n++
		}
	}
	return n
}

func unpackTriangles(b []byte, vertices int) ([][3]int32, error) {
	n := count(b)
	if n%3 != 0 {
		return nil, passFault("%d corners make no triangles", n)
	}
	out := make([][3]int32, n/3)
	list := varints{b, "triangles"}
	last := int64(0)
	for t := range out {
		for k := range 3 {
			x, err := list.next(math.MaxUint32)
			if err != nil {
				return nil, err
			}
			last += protowire.DecodeZigZag(x)
			if last < 0 || last >= int64(vertices) {
				return nil, passFault("triangle %d: vertex %d is outside 0..%d", t, last, vertices-1)
			}
			out[t][k] = int32(last)
		}
	}
	return out, list.end()
}

func packVertices(list []int32) []byte {
	var out []byte
	last := int32(-1)
	for _, v := range list {
		out = binary.AppendUvarint(out, uint64(v-last))
		last = v
	}
	return out
}

func unpackVertices(name string, b []byte, vertices int) ([]int32, error) {
	n := count(b)
	if n > vertices {
		return nil, passFault("%d %ss for %d vertices", n, name, vertices)
	}
	out := make([]int32, n)
	list := varints{b, "vertices of its " + name + "s"}
	last := int64(-1)
	for i := range out {
		x, err := list.next(uint64(vertices))
		if err != nil {
			return nil, err
		}
		last += int64(x)
		if x == 0 || last >= int64(vertices) {
			return nil, passFault("%s %d: vertex %d is out of order or outside 0..%d", name, i, last, vertices-1)
		}
		out[i] = int32(last)
	}
	return out, list.end()
}

// weightBytes is the size of a stored weight.
func weightBytes(f weights.Format) int {
	return map[weights.Format]int{weights.Float32: 4, weights.Uint16: 2, weights.Uint8: 1}[f]
}

func packRows(name string, r *weights.Rows, vertices int, f weights.Format) (*pb.PassRows, error) {
	if err := checkInfluences(name, len(r.Joint), vertices); err != nil {
		return nil, err
	}
	m := &pb.PassRows{}
	seen := map[string]int{} // distinct row -> number
	var flat []byte
	var key []byte
	size := weightBytes(f)
	for v := range r.Len() {
		joint, weight := r.Row(v)
		if len(joint) > maxPassInfluences {
			return nil, passFault("%s %d has %d influences, more than %d", name, v, len(joint), maxPassInfluences)
		}
		key = key[:0]
		last := uint16(0)
		for _, j := range joint {
			key = binary.AppendUvarint(key, uint64(j-last))
			last = j
		}
		joints := len(key)
		for i, w := range weight {
			x := float64(float32(w))
			if size == 4 {
				key = little.AppendUint32(key, math.Float32bits(float32(w)))
			} else {
				steps := float64(f.Steps())
				n := uint32(math.Round(w * steps))
				x = float64(n) / steps
				key = append(key, little.AppendUint32(nil, n)[:size]...)
			}
			if x != w {
				return nil, passFault("%s %d: weight %g of joint %d does not lie on the grid of its format", name, v, w, joint[i])
			}
		}
		if number, ok := seen[string(key)]; ok {
			m.Index = binary.AppendUvarint(m.Index, uint64(len(seen)-number))
			continue
		}
		seen[string(key)] = len(seen)
		m.Index = append(m.Index, 0)
		m.Counts = binary.AppendUvarint(m.Counts, uint64(len(joint)))
		m.Joints = append(m.Joints, key[:joints]...)
		flat = append(flat, key[joints:]...)
	}
	m.Weights = planes(flat, size)
	return m, nil
}

// checkInfluences bounds the influences of a table of a garment of some vertices.
func checkInfluences(name string, total, vertices int) error {
	if total > meanPassInfluences*vertices {
		return passFault("its %ss have %d influences, more than %d a vertex, which is what a record holds", name, total, meanPassInfluences)
	}
	return nil
}

func unpackRows(name string, m *pb.PassRows, n, vertices, joints int, f weights.Format) (*weights.Rows, error) {
	size := weightBytes(f)
	if len(m.GetWeights())%size != 0 {
		return nil, passFault("%d bytes of weights of its %ss are no numbers of %d bytes", len(m.GetWeights()), name, size)
	}
	if k := count(m.GetIndex()); k != n {
		return nil, passFault("%d %ss for %d vertices", k, name, n)
	}
	flat := unplanes(m.GetWeights(), size)

	// The distinct rows.
	distinct := &weights.Rows{Start: make([]int32, 1, 1+count(m.GetCounts()))}
	counts, list := varints{m.GetCounts(), "counts of " + name + "s"}, varints{m.GetJoints(), "joints of " + name + "s"}
	for len(counts.rest) > 0 {
		k, err := counts.next(maxPassInfluences)
		if err != nil {
			return nil, err
		}
		if len(flat) < int(k)*size {
			return nil, passFault("the weights of its %ss end too early", name)
		}
		last := uint64(0)
		for i := range k {
			d, err := list.next(math.MaxUint16)
			if err != nil {
				return nil, err
			}
			last += d
			if i > 0 && d == 0 || last >= uint64(joints) {
				return nil, passFault("a %s has joint %d, out of order or outside 0..%d", name, last, joints-1)
			}
			var w float64
			switch size {
			case 4:
				w = float64(math.Float32frombits(little.Uint32(flat)))
			case 2:
				w = float64(little.Uint16(flat)) / float64(f.Steps())
			default:
				w = float64(flat[0]) / float64(f.Steps())
			}
			flat = flat[size:]
			distinct.Joint, distinct.Weight = append(distinct.Joint, uint16(last)), append(distinct.Weight, w)
		}
		distinct.Start = append(distinct.Start, int32(len(distinct.Joint)))
	}
	if len(flat) > 0 {
		return nil, passFault("there are more weights than its %ss have influences", name)
	}
	if err := list.end(); err != nil {
		return nil, err
	}

	// The rows, measured before they are unfolded.
	number := make([]int32, n)
	index := varints{m.GetIndex(), "index of " + name + "s"}
	used, total := 0, 0
	for v := range number {
		d, err := index.next(uint64(used))
		if err != nil {
			return nil, err
		}
		k := used - int(d)
		if d == 0 {
			used++
		}
		if k >= distinct.Len() {
			return nil, passFault("%s %d is not among the %d distinct ones", name, v, distinct.Len())
		}
		number[v] = int32(k)
		total += int(distinct.Start[k+1] - distinct.Start[k])
	}
	if used != distinct.Len() {
		return nil, passFault("%d of %d distinct %ss are used", used, distinct.Len(), name)
	}
	if err := checkInfluences(name, total, vertices); err != nil {
		return nil, err
	}
	out := &weights.Rows{Start: make([]int32, 1, n+1), Joint: make([]uint16, 0, total), Weight: make([]float64, 0, total)}
	for _, k := range number {
		out.Append(distinct.Row(int(k)))
	}
	return out, index.end()
}
