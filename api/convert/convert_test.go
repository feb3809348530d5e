package convert

import (
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"reflect"
	"strings"
	"testing"
	"time"

	pb "github.com/selvage/selvage/api/selvage/v1"
	"github.com/selvage/selvage/transfer"
	"github.com/selvage/selvage/transfer/gltfio"
	"github.com/selvage/selvage/transfer/mesh"
	"github.com/selvage/selvage/transfer/skinning"
	"github.com/selvage/selvage/transfer/weights"
	"gonum.org/v1/gonum/spatial/r3"
	"google.golang.org/protobuf/proto"
)

// fill gives every exported field below v a value that is not its zero and
// differs from field to field, and lists their paths. Enumerations get their last
// value by name.
func fill(v reflect.Value, path string, n *int, paths *[]string) {
	switch v.Interface().(type) {
	case transfer.Fill:
		v.SetInt(int64(transfer.FillBiharmonic))
		*paths = append(*paths, path)
		return
	case transfer.Switch:
		v.SetInt(int64(transfer.Off))
		*paths = append(*paths, path)
		return
	case transfer.OutputSkin:
		v.SetInt(int64(transfer.SkinOwn))
		*paths = append(*paths, path)
		return
	case weights.Format:
		v.SetInt(int64(weights.Uint8))
		*paths = append(*paths, path)
		return
	}
	*n++
	switch v.Kind() {
	case reflect.Struct:
		for i := range v.NumField() {
			if f := v.Type().Field(i); f.IsExported() {
				fill(v.Field(i), path+"."+f.Name, n, paths)
			}
		}
		return
	case reflect.Int, reflect.Int64:
		v.SetInt(int64(*n))
	case reflect.Float64:
		v.SetFloat(float64(*n) / 64)
	case reflect.Bool:
		v.SetBool(true)
	case reflect.String:
		v.SetString(fmt.Sprint("word ", *n))
	case reflect.Slice:
		v.Set(reflect.MakeSlice(v.Type(), 2, 2))
		fill(v.Index(0), path+"[0]", n, paths)
		fill(v.Index(1), path+"[1]", n, paths)
		return
	case reflect.Array:
		for i := range v.Len() {
			fill(v.Index(i), fmt.Sprintf("%s[%d]", path, i), n, paths)
		}
		return
	case reflect.Map:
		m := reflect.MakeMap(v.Type())
		key, value := reflect.New(v.Type().Key()).Elem(), reflect.New(v.Type().Elem()).Elem()
		fill(key, path+" key", n, paths)
		fill(value, path+" value", n, paths)
		m.SetMapIndex(key, value)
		v.Set(m)
		return
	case reflect.Pointer:
		v.Set(reflect.New(v.Type().Elem()))
		fill(v.Elem(), path, n, paths)
		return
	case reflect.Func:
		return // Progress does not travel
	default:
		panic(path + ": " + v.Kind().String())
	}
	*paths = append(*paths, path)
}

// protoFields fails for a message, or one below it, with a field that is unset.
func protoFields(t *testing.T, m proto.Message) {
	t.Helper()
	r := m.ProtoReflect()
	fields := r.Descriptor().Fields()
	for i := range fields.Len() {
		f := fields.Get(i)
		if !r.Has(f) {
			t.Errorf("%s is not filled", f.FullName())
		}
	}
}

func TestOptions_RoundTripOfEveryField(t *testing.T) {
	var o transfer.AssetOptions
	var paths []string
	fill(reflect.ValueOf(&o).Elem(), "AssetOptions", new(int), &paths)
	m, err := OptionsToProto(o)
	if err != nil {
		t.Fatal(err)
	}
	protoFields(t, m)
	back, err := OptionsFromProto(m)
	if err != nil {
		t.Fatal(err)
	}
	if !reflect.DeepEqual(back, o) {
		t.Errorf("after the round trip:\n%+v\nwant\n%+v\nfields %s", back, o, strings.Join(paths, " "))
	}
}

func TestOptions_ZeroIsDefault(t *testing.T) {
	for name, m := range map[string]*pb.Options{"nil": nil, "empty": {}} {
		if o, err := OptionsFromProto(m); err != nil || !reflect.DeepEqual(o, transfer.AssetOptions{}) {
			t.Errorf("%s: %+v, %v; want the zero value", name, o, err)
		}
	}
	m, err := OptionsToProto(transfer.AssetOptions{})
	if err != nil {
		t.Fatal(err)
	}
	if o, err := OptionsFromProto(m); err != nil || !reflect.DeepEqual(o, transfer.AssetOptions{}) {
		t.Errorf("after the round trip: %+v, %v; want the zero value", o, err)
	}
}

// TestOptions_EnumsHaveAllValues walks the values that the API defines: each
// means something, and the values of the core all have one.
func TestOptions_EnumsHaveAllValues(t *testing.T) {
	for v := range pb.Fill_name {
		if _, err := OptionsFromProto(&pb.Options{Fill: pb.Fill(v)}); err != nil {
			t.Errorf("fill %d: %v", v, err)
		}
	}
	for v := range pb.Switch_name {
		if _, err := OptionsFromProto(&pb.Options{Loose: pb.Switch(v), RigidIslands: pb.Switch(v), Registration: pb.Switch(v)}); err != nil {
			t.Errorf("switch %d: %v", v, err)
		}
	}
	for v := range pb.OutputSkin_name {
		if _, err := OptionsFromProto(&pb.Options{Skin: pb.OutputSkin(v)}); err != nil {
			t.Errorf("skin %d: %v", v, err)
		}
	}
	for v := range pb.WeightFormat_name {
		if _, err := OptionsFromProto(&pb.Options{Format: pb.WeightFormat(v)}); err != nil {
			t.Errorf("format %d: %v", v, err)
		}
	}
	for name, m := range map[string]*pb.Options{
		"options.fill": {Fill: 99}, "options.loose": {Loose: -1}, "options.rigid_islands": {RigidIslands: 99},
		"options.registration": {Registration: 99}, "options.format": {Format: 99}, "options.skin": {Skin: 99},
	} {
		_, err := OptionsFromProto(m)
		if e, ok := err.(*FieldError); !ok || e.Field != name {
			t.Errorf("%s out of range: error %v", name, err)
		}
	}
	if _, err := OptionsToProto(transfer.AssetOptions{Options: transfer.Options{Fill: 17}}); err == nil {
		t.Error("an unknown energy was packed")
	}
}

func TestSummary_RoundTripOfEveryField(t *testing.T) {
	var s transfer.Summary
	var paths []string
	fill(reflect.ValueOf(&s).Elem(), "Summary", new(int), &paths)
	s.Total = 1234567 * time.Microsecond
	m := SummaryToProto(&s)
	protoFields(t, m)
	if back := SummaryFromProto(m); !reflect.DeepEqual(back, s) {
		t.Errorf("after the round trip:\n%+v\nwant\n%+v\nfields %s", back, s, strings.Join(paths, " "))
	}
}

func TestDescription_RoundTripOfEveryField(t *testing.T) {
	var d gltfio.Description
	var paths []string
	fill(reflect.ValueOf(&d).Elem(), "Description", new(int), &paths)
	m := DescriptionToProto(&d)
	protoFields(t, m)
	protoFields(t, m.Meshes[0])
	protoFields(t, m.Skins[0])
	if back := DescriptionFromProto(m); !reflect.DeepEqual(back, &d) {
		t.Errorf("after the round trip:\n%+v\nwant\n%+v\nfields %s", back, d, strings.Join(paths, " "))
	}
}

// sample is a small weighted tetrahedron.
func sample() *transfer.Body {
	skin := &skinning.Skin{Joints: []skinning.Joint{{Name: "hip", Parent: -1, Global: skinning.Identity()}, {Name: "knee", Parent: 0}}}
	skin.Joints[1].Global = skinning.RotationAbout(r3.Vec{Y: 1}, r3.Vec{X: 1, Z: 2}, 0.5)
	for i := range skin.Joints {
		skin.Joints[i].InverseBind, _ = skin.Joints[i].Global.Inverse()
	}
	rows := weights.NewRows(4)
	rows.Append([]uint16{0}, []float64{1})
	rows.Append([]uint16{0, 1}, []float64{0.25, 0.75})
	rows.Append(nil, nil)
	rows.Append([]uint16{1}, []float64{1})
	return &transfer.Body{
		Name: "tetrahedron",
		Mesh: &mesh.Mesh{
			Positions: []r3.Vec{{}, {X: 1}, {Y: 1}, {Z: 1}},
			Normals:   []r3.Vec{{X: -1}, {X: 1}, {Y: 1}, {}},
			Triangles: [][3]int32{{0, 2, 1}, {0, 1, 3}, {1, 2, 3}, {0, 3, 2}},
		},
		Rows: rows, Skin: skin,
	}
}

func TestBody_RoundTrip(t *testing.T) {
	b := sample()
	m := BodyToProto(b)
	protoFields(t, m)
	back, err := BodyFromProto(m, "body")
	if err != nil {
		t.Fatal(err)
	}
	if !reflect.DeepEqual(back, b) {
		t.Errorf("after the round trip:\n%+v\nwant\n%+v", back, b)
	}
}

func TestGarment_RoundTrip(t *testing.T) {
	g := &transfer.Garment{Name: "cap", Mesh: sample().Mesh, Parts: []transfer.Part{
		{Node: "n", Mesh: "m", Material: "wool", Primitive: 0, Start: 0, End: 3}, {Primitive: 1, Start: 3, End: 4},
	}}
	g.Held = &transfer.Held{Rows: weights.NewRows(0), Locked: make([]bool, g.Mesh.NumVertices()), Joints: []bool{false, true, false}}
	for v := range g.Held.Locked {
		g.Held.Locked[v] = v%2 == 1
		g.Held.Rows.Append([]uint16{0, 2}, []float64{0.25, 0.75})
	}
	m := GarmentToProto(g)
	protoFields(t, m.Held)
	back, err := GarmentFromProto(m, "garment")
	if err != nil {
		t.Fatal(err)
	}
	if back.Held, err = HeldFromProto(m.Held, g.Mesh.NumVertices(), 3, "held"); err != nil {
		t.Fatal(err)
	}
	if !reflect.DeepEqual(back, g) {
		t.Errorf("after the round trip:\n%+v\nwant\n%+v", back, g)
	}
	if h, err := HeldFromProto(nil, 4, 3, "held"); h != nil || err != nil {
		t.Errorf("nothing is %v, %v", h, err)
	}
	for field, spoil := range map[string]func(h *pb.HeldArrays){
		"held.rows.starts":     func(h *pb.HeldArrays) { h.Rows = nil },
		"held.rows.joints":     func(h *pb.HeldArrays) { h.Rows.Joints[0] = 3 },
		"held.locked_vertices": func(h *pb.HeldArrays) { h.LockedVertices = h.LockedVertices[1:] },
		"held.locked_joints":   func(h *pb.HeldArrays) { h.LockedJoints = append(h.LockedJoints, 0) },
	} {
		h := GarmentToProto(g).Held
		spoil(h)
		var wrong *FieldError
		if _, err := HeldFromProto(h, g.Mesh.NumVertices(), 3, "held"); !errors.As(err, &wrong) || wrong.Field != field {
			t.Errorf("%s: %v", field, err)
		}
	}
}

// TestLayout_AgainstBytesByHand pins the layout that the API documents.
func TestLayout_AgainstBytesByHand(t *testing.T) {
	m := MeshToProto(&mesh.Mesh{Positions: []r3.Vec{{X: 1, Y: -2, Z: 0.5}}, Triangles: [][3]int32{{0, 1, 258}}})
	// IEEE 754 binary32: 1 = 3f800000, -2 = c0000000, 0.5 = 3f000000.
	if want := "\x00\x00\x80\x3f\x00\x00\x00\xc0\x00\x00\x00\x3f"; string(m.Positions) != want {
		t.Errorf("positions %x, want %x", m.Positions, want)
	}
	if want := "\x00\x00\x00\x00\x01\x00\x00\x00\x02\x01\x00\x00"; string(m.Triangles) != want {
		t.Errorf("triangles %x, want %x", m.Triangles, want)
	}
	r := RowsToProto(&weights.Rows{Start: []int32{0, 1}, Joint: []uint16{258}, Weight: []float64{1}})
	if string(r.Starts) != "\x00\x00\x00\x00\x01\x00\x00\x00" || string(r.Joints) != "\x02\x01" || string(r.Weights) != "\x00\x00\x80\x3f" {
		t.Errorf("rows %x %x %x", r.Starts, r.Joints, r.Weights)
	}
	if got := PackReasons([]transfer.Reason{transfer.ReasonPoseDisagrees}); string(got) != "\x00\x02" {
		t.Errorf("reasons %x, want bit 9", got)
	}
	j := JointsToProto(&skinning.Skin{Joints: []skinning.Joint{{Parent: -1, Global: skinning.Affine{M: [9]float64{1, 2, 3, 4, 5, 6, 7, 8, 9}, T: r3.Vec{X: 10, Y: 11, Z: 12}}}}})
	if want := []float64{1, 4, 7, 0, 2, 5, 8, 0, 3, 6, 9, 0, 10, 11, 12, 1}; !reflect.DeepEqual(j[0].Global, want) {
		t.Errorf("global %v, want %v, column by column", j[0].Global, want)
	}
}

func TestBodyFromProto_Faults(t *testing.T) {
	for _, c := range []struct {
		name, field string
		spoil       func(m *pb.BodyArrays)
	}{
		{"no positions", "body.mesh.positions", func(m *pb.BodyArrays) { m.Mesh.Positions = nil }},
		{"no mesh", "body.mesh.positions", func(m *pb.BodyArrays) { m.Mesh = nil }},
		{"odd positions", "body.mesh.positions", func(m *pb.BodyArrays) { m.Mesh.Positions = m.Mesh.Positions[1:] }},
		{"not finite", "body.mesh", func(m *pb.BodyArrays) { little.PutUint32(m.Mesh.Positions, math.Float32bits(float32(math.NaN()))) }},
		{"odd triangles", "body.mesh.triangles", func(m *pb.BodyArrays) { m.Mesh.Triangles = m.Mesh.Triangles[2:] }},
		{"index too large", "body.mesh.triangles", func(m *pb.BodyArrays) { m.Mesh.Triangles[3] = 0xff }},
		{"normals too few", "body.mesh.normals", func(m *pb.BodyArrays) { m.Mesh.Normals = m.Mesh.Normals[12:] }},
		{"no rows", "body.rows.starts", func(m *pb.BodyArrays) { m.Rows = nil }},
		{"starts too few", "body.rows.starts", func(m *pb.BodyArrays) { m.Rows.Starts = m.Rows.Starts[4:] }},
		{"starts fall", "body.rows.starts", func(m *pb.BodyArrays) { m.Rows.Starts[4] = 200 }},
		{"starts end early", "body.rows.starts", func(m *pb.BodyArrays) { m.Rows.Starts[16] = 3 }},
		{"weights too few", "body.rows.joints", func(m *pb.BodyArrays) { m.Rows.Weights = m.Rows.Weights[4:] }},
		{"joint too large", "body.rows.joints", func(m *pb.BodyArrays) { m.Rows.Joints[0] = 2 }},
		{"joint twice", "body.rows.joints", func(m *pb.BodyArrays) { m.Rows.Joints[4] = 0 }},
		{"no joints", "body.joints", func(m *pb.BodyArrays) { m.Joints = nil }},
		{"parent outside", "body.joints[1].parent", func(m *pb.BodyArrays) { m.Joints[1].Parent = 2 }},
		{"parents in a ring", "body.joints[0].parent", func(m *pb.BodyArrays) { m.Joints[0].Parent = 1 }},
		{"matrix too short", "body.joints[0].global", func(m *pb.BodyArrays) { m.Joints[0].Global = []float64{1} }},
		{"matrix not finite", "body.joints[0].global", func(m *pb.BodyArrays) { m.Joints[0].Global[0] = math.Inf(1) }},
		{"name is a path", "body.display_name", func(m *pb.BodyArrays) { m.DisplayName = "../etc" }},
		{"name too long", "body.display_name", func(m *pb.BodyArrays) { m.DisplayName = strings.Repeat("n", 256) }},
	} {
		t.Run(c.name, func(t *testing.T) {
			m := BodyToProto(sample())
			c.spoil(m)
			_, err := BodyFromProto(m, "body")
			if e, ok := err.(*FieldError); !ok || e.Field != c.field {
				t.Errorf("error %v, want one of field %s", err, c.field)
			}
		})
	}
}

// TestJoints_Rings tries random parents against a walk by hand.
func TestJoints_Rings(t *testing.T) {
	const seed = 7
	r := rand.New(rand.NewPCG(seed, 0))
	for trial := range 2000 {
		n := 1 + r.IntN(6)
		list := make([]*pb.Joint, n)
		for i := range list {
			list[i] = &pb.Joint{Parent: int32(r.IntN(n+1) - 1)}
		}
		bad := false
		for i := range list {
			k, steps := i, 0
			for k >= 0 && steps <= n {
				k, steps = int(list[k].Parent), steps+1
			}
			bad = bad || k >= 0
		}
		if _, err := JointsFromProto(list, "joints"); (err != nil) != bad {
			t.Fatalf("seed %d, trial %d: %v: error %v, has a ring: %v", seed, trial, list, err, bad)
		}
	}
}

// FuzzTransferArraysRequest decodes requests of any bytes: what passes is a mesh
// that the transfer takes.
func FuzzTransferArraysRequest(f *testing.F) {
	good, err := proto.Marshal(&pb.TransferArraysRequest{
		Body:    &pb.TransferArraysRequest_BodyArrays{BodyArrays: BodyToProto(sample())},
		Garment: GarmentToProto(&transfer.Garment{Name: "cap", Mesh: sample().Mesh}),
	})
	if err != nil {
		f.Fatal(err)
	}
	f.Add(good)
	f.Fuzz(func(t *testing.T, data []byte) {
		var m pb.TransferArraysRequest
		if proto.Unmarshal(data, &m) != nil {
			return
		}
		if g, err := GarmentFromProto(m.GetGarment(), "garment"); err == nil {
			if err := g.Mesh.Validate(); err != nil {
				t.Errorf("garment passed: %v", err)
			}
		}
		b, err := BodyFromProto(m.GetBodyArrays(), "body")
		if err != nil {
			return
		}
		if err := b.Mesh.Validate(); err != nil {
			t.Errorf("body passed: %v", err)
		}
		if b.Rows.Len() != b.Mesh.NumVertices() {
			t.Errorf("%d rows for %d vertices", b.Rows.Len(), b.Mesh.NumVertices())
		}
		for _, j := range b.Rows.Joint {
			if int(j) >= len(b.Skin.Joints) {
				t.Errorf("joint %d of %d passed", j, len(b.Skin.Joints))
			}
		}
		_, _ = OptionsFromProto(m.GetOptions())
	})
}
