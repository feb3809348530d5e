package transfer

import (
	"bytes"
	"context"
	"reflect"
	"strings"
	"testing"

	"github.com/selvage/selvage/transfer/crew"
	"github.com/selvage/selvage/transfer/gltfio"
	"github.com/selvage/selvage/transfer/skinning"
	"github.com/selvage/selvage/transfer/weights"
)

// TestAssetBody_LocksOfOwnJoints: gloves bound to another hand's skeleton, whose
// thumbs have names of their own, keep locked rows and locked joints on another body:
// joints go by name, and those that the body lacks come along.
func TestAssetBody_LocksOfOwnJoints(t *testing.T) {
	ctx := context.Background()
	mate, cox := crew.NewBodyAt("mate", 0.4), crew.NewBodyAt("cox", 0.4)
	prepare := func(b *crew.Body) *AssetBody {
		body, err := PrepareAsset(ctx, asset(t, b.Name, func(w *bytes.Buffer) error { return b.WriteGLB(w) }), gltfio.Selection{}, 0)
		if err != nil {
			t.Fatal(err)
		}
		return body
	}
	gloves := asset(t, "gloves", func(w *bytes.Buffer) error { return mate.GarmentAt("gloves", 0.5).WriteGLB(w) })
	worn, _, err := prepare(mate).Transfer(ctx, gloves, AssetOptions{})
	if err != nil {
		t.Fatal(err)
	}
	var file bytes.Buffer
	if err := worn.Encode(&file); err != nil {
		t.Fatal(err)
	}
	// The same length, so that the file's structure stays.
	worn = asset(t, "worn", func(w *bytes.Buffer) error {
		_, err := w.Write(bytes.ReplaceAll(file.Bytes(), []byte(`"thumb_`), []byte(`"chain_`)))
		return err
	})
	rowsOf := func(a *gltfio.Asset) []map[string]float64 {
		s, err := a.Garment(gltfio.Selection{})
		if err != nil {
			t.Fatal(err)
		}
		rows, err := a.ExactRows(s)
		if err != nil {
			t.Fatal(err)
		}
		out := make([]map[string]float64, rows.Len())
		for v := range out {
			out[v] = map[string]float64{}
			joint, weight := rows.Row(v)
			for i, j := range joint {
				out[v][s.Skin.Joints[j].Name] = weight[i]
			}
		}
		return out
	}
	before := rowsOf(worn)
	body := prepare(cox)
	for _, c := range []struct {
		name string
		opt  AssetOptions
	}{
		{"rows", AssetOptions{Lock: []string{"joint:chain_*"}}},
		{"rows, kept joints too", AssetOptions{Lock: []string{"joint:chain_*"}, KeepJoints: []string{"chain_1*"}}},
		{"rows, own skin", AssetOptions{Lock: []string{"joint:chain_*"}, Skin: SkinOwn}},
		{"joints", AssetOptions{LockJoints: []string{"chain_*", "palm*"}}},
		{"joints, own skin", AssetOptions{LockJoints: []string{"chain_*"}, Skin: SkinOwn}},
	} {
		t.Run(c.name, func(t *testing.T) {
			a, r, err := body.Transfer(ctx, worn, c.opt)
			if err != nil {
				t.Fatal(err)
			}
			after := rowsOf(asset(t, "after", func(w *bytes.Buffer) error { return a.Encode(w) }))
			held, moved := 0, 0
			for v := range before {
				chain, other := 0.0, 0.0
				for name, w := range before[v] {
					if strings.HasPrefix(name, "chain_") {
						chain += w
						if c.opt.LockJoints != nil && after[v][name] != w {
							t.Fatalf("vertex %d has %g on %s, had %g", v, after[v][name], name, w)
						}
					} else {
						other += w
					}
				}
				for name := range after[v] {
					if c.opt.LockJoints != nil && strings.HasPrefix(name, "chain_") && before[v][name] == 0 {
						t.Fatalf("vertex %d has %g on %s, had none", v, after[v][name], name)
					}
				}
				same := reflect.DeepEqual(before[v], after[v])
				if !same {
					moved++
				}
				if chain > other {
					held++
					if c.opt.Lock != nil && (!same || r.Reason[v] != ReasonKeptEdit || r.Confidence[v] != 1) {
						t.Fatalf("locked vertex %d has %v, had %v; reason %b", v, after[v], before[v], r.Reason[v])
					}
				}
			}
			if held == 0 || moved == 0 {
				t.Errorf("%d held, %d moved: nothing tested", held, moved)
			}
		})
	}
}

// TestJointsByName: by name, of several by place, else by order.
func TestJointsByName(t *testing.T) {
	at := func(name string, x float64) skinning.Joint {
		j := skinning.Joint{Name: name, Global: skinning.Identity()}
		j.Global.T.X = x
		return j
	}
	from := []skinning.Joint{at("a", 0), at("b", 1), at("b", 2), at("c", 3), at("c", 4), at("d", 0)}
	to := []skinning.Joint{at("c", 9), at("b", 2), at("b", 1), at("c", 8), at("c", 4), at("a", 7)}
	// c at 4 by place; c at 3 has no place, and two cannot go by order to three.
	if got, want := jointsByName(from, to), []int32{5, 2, 1, -1, 4, -1}; !reflect.DeepEqual(got, want) {
		t.Errorf("%v, want %v", got, want)
	}
	if got, want := jointsByName(from[3:5], to[:2:2]), []int32{-1, -1}; !reflect.DeepEqual(got, want) {
		t.Errorf("%v, want %v", got, want)
	}
	if got, want := jointsByName(from[1:3], []skinning.Joint{at("b", 5), at("b", 6)}), []int32{0, 1}; !reflect.DeepEqual(got, want) {
		t.Errorf("%v, want %v", got, want)
	}
}

// TestTransferFrom_Faults: a Present of another garment is refused.
func TestTransferFrom_Faults(t *testing.T) {
	ctx := context.Background()
	h := smallCox()
	body, err := PrepareAsset(ctx, asset(t, "cox", func(w *bytes.Buffer) error { return h.crew.WriteGLB(w) }), gltfio.Selection{}, 0)
	if err != nil {
		t.Fatal(err)
	}
	garment := asset(t, "jersey", func(w *bytes.Buffer) error { return h.crew.GarmentAt("jersey", 0.2).WriteGLB(w) })
	short := &Present{Rows: weights.NewRows(0)}
	if _, _, err := body.TransferFrom(ctx, garment, short, AssetOptions{Lock: []string{"mesh:*"}}); err == nil || !strings.Contains(err.Error(), "0 rows and 0 locks") {
		t.Errorf("%v", err)
	}
}

// TestAssetBody_LocksOnALighterSkeleton: a garment that keeps a skeleton of fewer
// joints than the body has holds its locked joints too.
func TestAssetBody_LocksOnALighterSkeleton(t *testing.T) {
	ctx := context.Background()
	h := smallCox()
	body, err := PrepareAsset(ctx, asset(t, "cox", func(w *bytes.Buffer) error { return h.crew.WriteGLB(w) }), gltfio.Selection{}, 0)
	if err != nil {
		t.Fatal(err)
	}
	// One joint of another name, on which everything rides.
	garment := asset(t, "jersey", func(w *bytes.Buffer) error { return h.crew.GarmentAt("jersey", 0.2).WriteGLB(w) })
	s, err := garment.Garment(gltfio.Selection{})
	if err != nil {
		t.Fatal(err)
	}
	few := &gltfio.Surface{Mesh: s.Mesh, Skin: &skinning.Skin{Joints: body.Surface().Skin.Joints[:2]}, JointNode: body.Surface().JointNode[:2]}
	rows := weights.NewRows(0)
	for v := range s.Mesh.Positions {
		if v%3 == 0 {
			rows.Append([]uint16{0}, []float64{1})
		} else {
			rows.Append([]uint16{0, 1}, []float64{0.25, 0.75})
		}
	}
	worn, _, err := garment.WithRows(s, body.asset, few, gltfio.Output{Rows: rows})
	if err != nil {
		t.Fatal(err)
	}
	worn = asset(t, "worn", func(w *bytes.Buffer) error { return worn.Encode(w) })
	name := few.Skin.Joints[1].Name
	for _, opt := range []AssetOptions{
		{Skin: SkinOwn, LockJoints: []string{name}}, {Skin: SkinOwn, Lock: []string{"joint:" + name}}, {LockJoints: []string{name}}, {Lock: []string{"joint:" + name}},
	} {
		a, r, err := body.Transfer(ctx, worn, opt)
		if err != nil {
			t.Fatalf("%+v: %v", opt, err)
		}
		z, err := asset(t, "after", func(w *bytes.Buffer) error { return a.Encode(w) }).Garment(gltfio.Selection{})
		if err != nil {
			t.Fatal(err)
		}
		for v := range s.Mesh.Positions {
			got := 0.0
			joint, weight := r.Rows.Row(v)
			for i, j := range joint {
				if z.Skin.Joints[j].Name == name {
					got = weight[i]
				}
			}
			want := 0.75
			if v%3 == 0 {
				want = 0
			}
			if (opt.LockJoints != nil || v%3 != 0) && got != want {
				t.Fatalf("%+v: vertex %d has %g on %s, had %g", opt, v, got, name, want)
			}
		}
	}
}
