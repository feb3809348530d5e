package convert

import (
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"reflect"
	"strings"
	"testing"

	pb "github.com/selvage/selvage/api/selvage/v1"
	"github.com/selvage/selvage/transfer/mesh"
	"github.com/selvage/selvage/transfer/pass"
	"github.com/selvage/selvage/transfer/weights"
	"gonum.org/v1/gonum/spatial/r3"
	"google.golang.org/protobuf/proto"
)

// randomRecord is a record of n vertices with edits and every field filled.
func randomRecord(rng *rand.Rand, n int, f weights.Format) *pass.Record {
	r := &pass.Record{Garment: "oilskin coat.glb", Program: "test", Format: f, Mesh: &mesh.Mesh{}, Edits: &pass.Edits{}, Written: &pass.Sparse{}}
	r.GarmentSum[3], r.BodySum[31], r.Merged[1], r.Out[2], r.Settled[4] = 7, 9, 5, 6, 8
	fill(reflect.ValueOf(&r.Options).Elem(), "options", new(int), new([]string))
	r.Options.Threads = 0
	fill(reflect.ValueOf(&r.Last.Summary).Elem(), "last", new(int), new([]string))
	for i := range r.Last.Summary.Conflicts {
		r.Last.Summary.Conflicts[i].Choice = pass.TakeNew.String()
	}
	const joints = 300 // joints beyond one byte, and differences that take two
	for j := range joints {
		r.Joints = append(r.Joints, pass.Joint{Name: fmt.Sprint("joint ", j%290), Parent: int32(j) - 1})
	}
	rows := func(n int) *weights.Rows {
		out, acc := weights.NewRows(n), weights.NewAccumulator(joints)
		for v := range n {
			if v > 0 && rng.IntN(3) == 0 {
				out.Append(out.Row(rng.IntN(v))) // rows that come again
				continue
			}
			for range 1 + rng.IntN(8) {
				acc.Add(uint16(rng.IntN(joints)), rng.Float64()+1e-3)
			}
			acc.FlushNormalised(out)
		}
		q, err := weights.Quantise(out, f)
		if err != nil {
			panic(err)
		}
		return q
	}
	for range n {
		at := func() float64 { return float64(float32(rng.NormFloat64())) }
		r.Mesh.Positions = append(r.Mesh.Positions, r3.Vec{X: at(), Y: at(), Z: at()})
	}
	for range 2 * n {
		r.Mesh.Triangles = append(r.Mesh.Triangles, [3]int32{int32(rng.IntN(n)), int32(rng.IntN(n)), int32(rng.IntN(n))})
	}
	for v := range n {
		r.Last.Difference = append(r.Last.Difference, uint16(rng.IntN(1<<16)))
		if rng.IntN(4) == 0 {
			r.Edits.Vertex = append(r.Edits.Vertex, int32(v))
		}
		if rng.IntN(5) == 0 {
			r.Written.Vertex = append(r.Written.Vertex, int32(v))
		}
		if rng.IntN(3) == 0 {
			r.GivenUp = append(r.GivenUp, int32(v))
		}
	}
	for range 2 {
		r.Earlier = append(r.Earlier, pass.Earlier{Vertex: append([]int32{}, r.GivenUp...), Rows: rows(len(r.GivenUp)), Base: rows(len(r.GivenUp))})
	}
	r.Regions = []pass.Region{{Spec: "joint:arm*", Vertex: append([]int32{}, r.GivenUp...)}, {Spec: "joint:leg*", Vertex: []int32{int32(n - 1)}}}
	r.Rows = rows(n)
	r.Edits.Base, r.Edits.Row = rows(len(r.Edits.Vertex)), rows(len(r.Edits.Vertex))
	r.Written.Rows = rows(len(r.Written.Vertex))
	return r
}

func packed(t testing.TB, r *pass.Record) []byte {
	t.Helper()
	file, err := PackPass(r)
	if err != nil {
		t.Fatal(err)
	}
	return file
}

func TestPass_RoundTrip(t *testing.T) {
	const seed = 21
	for _, f := range []weights.Format{weights.Float32, weights.Uint16, weights.Uint8} {
		for _, n := range []int{1, 5, 700} {
			r := randomRecord(rand.New(rand.NewPCG(seed, uint64(n))), n, f)
			file := packed(t, r)
			back, err := UnpackPass(file)
			if err != nil {
				t.Fatalf("seed %d, format %d, %d vertices: %v", seed, f, n, err)
			}
			same(t, fmt.Sprintf("seed %d, format %d, %d vertices", seed, f, n), r, back)
			if !bytes.Equal(packed(t, back), file) {
				t.Errorf("seed %d, format %d, %d vertices: packed again to other bytes", seed, f, n)
			}
			m := &pb.PassRecord{}
			raw, err := openPass(file)
			if err != nil {
				t.Fatal(err)
			}
			if err := proto.Unmarshal(raw, m); err != nil {
				t.Fatal(err)
			}
			if n == 700 {
				protoFields(t, m)
			}
		}
	}
	empty := &pass.Record{Mesh: &mesh.Mesh{}, Rows: weights.NewRows(0), Edits: &pass.Edits{Base: weights.NewRows(0), Row: weights.NewRows(0)}, Written: &pass.Sparse{Rows: weights.NewRows(0)}}
	if back, err := UnpackPass(packed(t, empty)); err != nil || back.Rows.Len() != 0 {
		t.Errorf("an empty record: %v", err)
	}
}

// same compares two records; a list that is empty equals one that is nil.
func same(t *testing.T, what string, a, b *pass.Record) {
	t.Helper()
	x, y := *a, *b
	for _, r := range []*pass.Record{&x, &y} {
		edits, written := *r.Edits, *r.Written
		r.Edits, r.Written = &edits, &written
		r.Edits.Vertex = append([]int32{}, r.Edits.Vertex...)
		r.Written.Vertex = append([]int32{}, r.Written.Vertex...)
	}
	if !reflect.DeepEqual(x, y) {
		t.Errorf("%s: the record came back different", what)
	}
}

// TestPass_Refused: what cannot be packed says why.
func TestPass_Refused(t *testing.T) {
	good := func() *pass.Record { return randomRecord(rand.New(rand.NewPCG(1, 1)), 40, weights.Float32) }
	for _, x := range []struct {
		name  string
		spoil func(r *pass.Record)
		want  string
	}{
		{"rows missing", func(r *pass.Record) { r.Rows = weights.NewRows(0) }, "0 rows for 40 vertices"},
		{"position", func(r *pass.Record) { r.Mesh.Positions[3].X = 0.1 }, "vertex 3: position 0.1 is no float32"},
		{"weight off the grid", func(r *pass.Record) { r.Rows.Weight[0] = 0.1 }, "does not lie on the grid"},
		{"joint", func(r *pass.Record) { r.Joints = r.Joints[:1] }, "joint"},
		{"format", func(r *pass.Record) { r.Format = 9 }, "unknown weight format 9"},
		{"earlier rows out of order", func(r *pass.Record) { r.Earlier[1].Vertex[0] = 39 }, "after vertex"},
		{"earlier bases missing", func(r *pass.Record) { r.Earlier[0].Base = weights.NewRows(0) }, "0 earlier bases for"},
		{"edits out of order", func(r *pass.Record) { r.Edits.Vertex[0] = 39 }, "after vertex"},
	} {
		t.Run(x.name, func(t *testing.T) {
			r := good()
			x.spoil(r)
			_, err := PackPass(r)
			wantRecordError(t, err, x.want)
		})
	}
}

func wantRecordError(t *testing.T, err error, want string) {
	t.Helper()
	var e *pass.RecordError
	if !errors.As(err, &e) || !strings.Contains(err.Error(), want) || strings.Contains(err.Error(), "\n") {
		t.Errorf("error %v, want a record error with %q", err, want)
	}
}

// TestPass_Hostile: files that are cut, damaged or lie.
func TestPass_Hostile(t *testing.T) {
	file := packed(t, randomRecord(rand.New(rand.NewPCG(2, 2)), 60, weights.Uint8))
	for cut := range len(file) {
		if _, err := UnpackPass(file[:cut]); err == nil {
			t.Fatalf("cut to %d bytes: no error", cut)
		} else if e := (*pass.RecordError)(nil); !errors.As(err, &e) {
			t.Fatalf("cut to %d bytes: %v", cut, err)
		}
	}
	for at := range file {
		bad := bytes.Clone(file)
		bad[at] ^= 0x10
		if _, err := UnpackPass(bad); err == nil {
			t.Fatalf("byte %d changed: no error", at)
		}
	}
	spoil := func(change func(m *pb.PassRecord)) []byte {
		raw, err := openPass(file)
		if err != nil {
			t.Fatal(err)
		}
		m := &pb.PassRecord{}
		if err := proto.Unmarshal(raw, m); err != nil {
			t.Fatal(err)
		}
		change(m)
		if raw, err = proto.Marshal(m); err != nil {
			t.Fatal(err)
		}
		out, err := sealPass(raw)
		if err != nil {
			t.Fatal(err)
		}
		return out
	}
	zip := func(raw []byte) []byte {
		out, err := sealPass(raw)
		if err != nil {
			t.Fatal(err)
		}
		return out
	}
	head := func(change func(b []byte)) []byte {
		b := bytes.Clone(file)
		change(b)
		return b
	}
	// A million joints of two bytes each, all empty.
	joints := bytes.Repeat([]byte{6<<3 | 2, 0}, 1_000_000)
	for _, x := range []struct {
		name string
		file []byte
		want string
	}{
		{"another file", []byte("glTF, and more of it"), "does not start with SLVGPASS"},
		{"a later layout", head(func(b []byte) { b[8] = 2 }), "layout 2"},
		{"says more than zlib can hold", head(func(b []byte) { binary.LittleEndian.PutUint64(b[16:], 1<<28) }), "which it cannot"},
		{"says more than it holds", head(func(b []byte) { b[16]++ }), "does not"},
		{"says more than the limit", head(func(b []byte) { binary.LittleEndian.PutUint64(b[16:], math.MaxUint64) }), "which it cannot"},
		{"something behind it", append(bytes.Clone(file), 0), "something behind it"},
		{"no message", zip([]byte("\xff\xff\xff")), "message in it is damaged"},
		{"joints without end", zip(joints), "more than 65536 joints"},
		{"options without end", zip(append([]byte{5<<3 | 2, 0x80, 0x80, 0x80, 0x01}, make([]byte, 2<<20)...)), "bytes of options"},
		{"positions", spoil(func(m *pb.PassRecord) { m.Positions = m.Positions[1:] }), "no float32 triples"},
		{"positions that are not finite", spoil(func(m *pb.PassRecord) {
			for i := range m.Positions {
				m.Positions[i] = 0xff
			}
		}), "not finite"},
		{"triangles", spoil(func(m *pb.PassRecord) { m.Triangles = append(m.Triangles, 0) }), "make no triangles"},
		{"triangle index", spoil(func(m *pb.PassRecord) { m.Triangles = []byte{120, 0, 0} }), "outside 0..59"},
		{"triangle varint", spoil(func(m *pb.PassRecord) {
			m.Triangles = []byte{0, 0, 0x80, 0x80, 0x80, 0x80, 0x80, 0x80, 0x80, 0x80, 0x80, 0x80, 0x00}
		}), "end too early"},
		{"format", spoil(func(m *pb.PassRecord) { m.Format = 77 }), "unknown value 77"},
		{"sum", spoil(func(m *pb.PassRecord) { m.BodySha256 = []byte{1} }), "no SHA-256"},
		{"rows missing", spoil(func(m *pb.PassRecord) { m.Rows = nil }), "0 rows for 60 vertices"},
		{"row not among them", spoil(func(m *pb.PassRecord) { m.Rows.Index = make([]byte, 60) }), "distinct ones"},
		{"earlier garments without end", spoil(func(m *pb.PassRecord) {
			for range maxPassEarlier {
				m.Earlier = append(m.Earlier, &pb.PassEarlier{})
			}
		}), "more than 16 earlier garments"},
		{"an earlier row too few", spoil(func(m *pb.PassRecord) { m.Earlier[0].Rows.Index = m.Earlier[0].Rows.Index[1:] }), "earlier rows for"},
		{"an earlier vertex outside", spoil(func(m *pb.PassRecord) { m.Earlier[1].Vertices = []byte{200, 1} }), "vertices of its earlier rows hold 200"},
		{"row before the first", spoil(func(m *pb.PassRecord) { m.Rows.Index[0] = 1 }), "hold 1, more than 0"},
		{"counts", spoil(func(m *pb.PassRecord) { m.Rows.Counts = append(m.Rows.Counts, 200, 1) }), "end too early"},
		{"weights left over", spoil(func(m *pb.PassRecord) { m.Rows.Weights = append(m.Rows.Weights, 1) }), "more weights"},
		{"weight of nothing", spoil(func(m *pb.PassRecord) { clear(m.Rows.Weights) }), "weight 0"},
		{"joint", spoil(func(m *pb.PassRecord) { m.Joints = m.Joints[:2] }), "outside 0..1"},
		{"parent", spoil(func(m *pb.PassRecord) { m.Joints[5].Parent = 300 }), "not another joint"},
		{"edit vertices", spoil(func(m *pb.PassRecord) { m.EditVertices[0] = 0 }), "out of order"},
		{"rows that unfold", spoil(func(m *pb.PassRecord) {
			// One row of 200 influences, used by every vertex.
			m.Rows.Index = append([]byte{0}, bytes.Repeat([]byte{1}, 59)...)
			m.Rows.Counts = []byte{200, 1}
			m.Rows.Joints = bytes.Repeat([]byte{1}, 200)
			m.Rows.Weights = bytes.Repeat([]byte{1}, 200)
		}), "more than 32 a vertex"},
	} {
		t.Run(x.name, func(t *testing.T) {
			_, err := UnpackPass(x.file)
			wantRecordError(t, err, x.want)
		})
	}
}

// FuzzUnpackPass: whatever the message in it, an error or a record that packs to a
// file which reads the same.
func FuzzUnpackPass(f *testing.F) {
	for _, format := range []weights.Format{weights.Float32, weights.Uint16, weights.Uint8} {
		raw, err := openPass(packed(f, randomRecord(rand.New(rand.NewPCG(3, 3)), 12, format)))
		if err != nil {
			f.Fatal(err)
		}
		f.Add(raw)
	}
	f.Add([]byte(passMagic))
	f.Fuzz(func(t *testing.T, raw []byte) {
		_, _ = UnpackPass(raw) // as a file of its own
		file, err := sealPass(raw)
		if err != nil {
			t.Fatal(err)
		}
		r, err := UnpackPass(file)
		if err != nil {
			if e := (*pass.RecordError)(nil); !errors.As(err, &e) {
				t.Fatalf("not a record error: %v", err)
			}
			return
		}
		again, err := UnpackPass(packed(t, r))
		if err != nil {
			t.Fatal(err)
		}
		same(t, "packed again", r, again)
	})
}

func BenchmarkUnpackPass(b *testing.B) {
	for _, f := range []weights.Format{weights.Float32, weights.Uint8} {
		b.Run(fmt.Sprintf("verts=20k/format=%d", f), func(b *testing.B) {
			file := packed(b, randomRecord(rand.New(rand.NewPCG(4, 4)), 20_000, f))
			b.SetBytes(int64(len(file)))
			b.ReportAllocs()
			for b.Loop() {
				if _, err := UnpackPass(file); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}

// TestPass_ManyInfluences: rows of many influences (locked ones keep all they have) are
// read again as long as there is room for them beside the other vertices; a record that
// could not be read is not made.
func TestPass_ManyInfluences(t *testing.T) {
	wide := func(influences int) (joint []uint16, weight []float64) {
		for j := range influences {
			joint, weight = append(joint, uint16(j)), append(weight, 0x1p-7)
		}
		weight[0] += 1 - float64(influences)*0x1p-7
		return joint, weight
	}
	for _, c := range []struct {
		name               string
		n, rows, written   int // vertices, rows of so many influences, written ones
		influences, beside int
		refused            string
	}{
		{"one locked row", 8, 0, 1, 100, 4, ""},
		{"half of the rows", 8, 4, 0, 60, 4, ""},
		{"all rows at the bound", 8, 8, 8, 32, 4, ""},
		{"all rows", 8, 8, 0, 33, 4, "its rows have 264 influences, more than 32 a vertex"},
		{"all written rows", 8, 0, 8, 33, 4, "its written rows have 264 influences, more than 32 a vertex"},
	} {
		t.Run(c.name, func(t *testing.T) {
			r := randomRecord(rand.New(rand.NewPCG(3, 1)), c.n, weights.Float32)
			r.Rows, r.Written = weights.NewRows(c.n), &pass.Sparse{Rows: weights.NewRows(0)}
			for v := range c.n {
				k := c.beside
				if v < c.rows {
					k = c.influences
				}
				r.Rows.Append(wide(k))
				if v < c.written {
					r.Written.Vertex = append(r.Written.Vertex, int32(v))
					r.Written.Rows.Append(wide(c.influences))
				}
			}
			file, err := PackPass(r)
			if c.refused != "" {
				if err == nil || !strings.Contains(err.Error(), c.refused) {
					t.Errorf("%v", err)
				}
				return
			}
			if err != nil {
				t.Fatal(err)
			}
			back, err := UnpackPass(file)
			if err != nil {
				t.Fatal(err)
			}
			same(t, c.name, r, back)
		})
	}
}
