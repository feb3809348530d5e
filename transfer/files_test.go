package transfer

import (
	"bytes"
	"context"
	"math"
	"slices"
	"strings"
	"testing"

	"github.com/selvage/selvage/transfer/crew"
	"github.com/selvage/selvage/transfer/gltfio"
	"gonum.org/v1/gonum/spatial/r3"
)

// asset parses what write writes.
func asset(t *testing.T, name string, write func(w *bytes.Buffer) error) *gltfio.Asset {
	t.Helper()
	var b bytes.Buffer
	if err := write(&b); err != nil {
		t.Fatal(err)
	}
	a, err := gltfio.Parse(b.Bytes(), name, gltfio.Options{})
	if err != nil {
		t.Fatal(err)
	}
	return a
}

// TestAssetBody_KeepJoints: a garment bound to a skeleton of its own (the mate's
// gloves) goes to another body (the cox), and keeps its own thumbs where asked.
func TestAssetBody_KeepJoints(t *testing.T) {
	ctx := context.Background()
	mate, cox := crew.NewBody("mate"), crew.NewBody("cox")
	prepare := func(b *crew.Body) *AssetBody {
		body, err := PrepareAsset(ctx, asset(t, b.Name, func(w *bytes.Buffer) error { return b.WriteGLB(w) }), gltfio.Selection{}, 0)
		if err != nil {
			t.Fatal(err)
		}
		return body
	}
	gloves := asset(t, "gloves", func(w *bytes.Buffer) error { return mate.GarmentAt("gloves", 1).WriteGLB(w) })
	home := prepare(mate)
	worn, _, err := home.Transfer(ctx, gloves, AssetOptions{})
	if err != nil {
		t.Fatal(err)
	}
	worn = asset(t, "worn", func(w *bytes.Buffer) error { return worn.Encode(w) })
	before, err := worn.Garment(gltfio.Selection{})
	if err != nil {
		t.Fatal(err)
	}

	kept, _, err := prepare(cox).Transfer(ctx, worn, AssetOptions{KeepJoints: []string{"thumb_*"}, Options: Options{MaxInfluences: 8}})
	if err != nil {
		t.Fatal(err)
	}
	kept = asset(t, "kept", func(w *bytes.Buffer) error { return kept.Encode(w) })
	after, err := kept.Garment(gltfio.Selection{})
	if err != nil {
		t.Fatal(err)
	}
	if len(after.Skin.Joints) <= len(cox.Skin.Joints) {
		t.Fatalf("%d joints: none was kept", len(after.Skin.Joints))
	}
	// The weight that each vertex has on the mate's thumbs, by name and place.
	own := func(s *gltfio.Surface, v int) float64 {
		sum := 0.0
		joint, weight := s.Rows.Row(v)
		for i, j := range joint {
			q := &s.Skin.Joints[j]
			for k := range mate.Skin.Joints {
				m := &mate.Skin.Joints[k]
				if m.Name == q.Name && strings.HasPrefix(m.Name, "thumb_") && r3.Norm(r3.Sub(m.Global.T, q.Global.T)) < 1e-5 {
					sum += weight[i]
				}
			}
		}
		return sum
	}
	size := before.Mesh.Diagonal()
	thumbs := 0
	for v := range before.Mesh.Positions {
		a, b := own(before, v), own(after, v)
		// Eight influences hold the thumbs' three beside the body's; what rounding and
		// the limit leave is below a percent.
		if math.Abs(a-b) > 0.01 {
			t.Errorf("vertex %d: %g on the kept joints, had %g", v, b, a)
		}
		if a > 0.5 {
			thumbs++
		}
		if d := r3.Norm(r3.Sub(before.Mesh.Positions[v], after.Mesh.Positions[v])); d > 1e-5*size {
			t.Errorf("vertex %d moved by %g of the garment's size", v, d/size)
		}
		if t.Failed() {
			break
		}
	}
	if thumbs == 0 {
		t.Error("no vertex is held by a thumb: the test tests nothing")
	}

	// By a name that none has nothing of the old skeleton carries weight, which is said; as
	// it is of names that are nothing's anywhere else.
	plain, said, err := prepare(cox).Transfer(ctx, worn, AssetOptions{
		KeepJoints: []string{"thump_*"}, Garments: gltfio.Selection{Names: []string{"*", "mitten"}},
		Options: Options{RigidNames: []string{"toggle*"}, LooseNames: []string{"pennant"}},
	})
	if err != nil {
		t.Fatal(err)
	}
	for _, want := range []string{
		`no joint of the garment's own skin is named "thump_*": nothing is kept by that`, `no mesh of the garment is named "mitten"`,
		`no part of the garment is named "toggle*": nothing is rigid by that`, `no part of the garment is named "pennant": nothing is loose by that`,
	} {
		if !slices.Contains(said.Summary.Notes, want) {
			t.Errorf("no note says: %s", want)
		}
	}
	for _, n := range said.Summary.Notes {
		if strings.Contains(n, `named "*"`) {
			t.Errorf("a name that picks all is said to pick nothing: %s", n)
		}
	}
	_, notes, err := home.keptJoints(ctx, &Garment{}, before, []string{"thumb_*"})
	if want := []string{`the joints named "thumb_*" are the body's: nothing is kept by that`}; err != nil || !slices.Equal(notes, want) {
		t.Errorf("notes %q, error %v, want %q", notes, err, want)
	}
	again, err := asset(t, "plain", func(w *bytes.Buffer) error { return plain.Encode(w) }).Garment(gltfio.Selection{})
	if err != nil {
		t.Fatal(err)
	}
	if len(again.Skin.Joints) != len(cox.Skin.Joints) {
		t.Errorf("%d joints without kept ones, the body has %d", len(again.Skin.Joints), len(cox.Skin.Joints))
	}
}
