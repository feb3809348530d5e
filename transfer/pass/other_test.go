package pass

import (
	"context"
	"errors"
	"testing"

	"github.com/selvage/selvage/transfer/gltfio"
	"github.com/selvage/selvage/transfer/mesh"
	"gonum.org/v1/gonum/spatial/r3"
)

// TestTransfer_RecordOfAnotherGarment: a record is no other garment's by its name alone, nor
// by its surface alone; of a garment with another name and another surface it is refused.
func TestTransfer_RecordOfAnotherGarment(t *testing.T) {
	ctx := context.Background()
	read := func(a *gltfio.Asset) *mesh.Mesh {
		s, err := a.Garment(gltfio.Selection{})
		if err != nil {
			t.Fatal(err)
		}
		return s.Mesh
	}
	jersey, gloves := coxGarment(t, "jersey", 0.5), coxGarment(t, "gloves", 0.3)
	moved := *read(jersey)
	moved.Positions = nil
	for _, p := range read(jersey).Positions {
		moved.Positions = append(moved.Positions, r3.Add(p, r3.Vec{X: 3}))
	}
	rec := &Record{Garment: "jersey.glb", Mesh: read(jersey)}
	for _, x := range []struct {
		name, file string
		mesh       *mesh.Mesh
		want       bool
	}{
		{"gloves", "gloves.glb", read(gloves), true},
		{"a coat worn over it", "coat.glb", read(coxGarment(t, "oilskin coat", 0.3)), true},
		{"gloves by its name", "new/jersey.gltf", read(gloves), false},
		{"renamed", "pullover.glb", read(jersey), false},
		{"renamed and made anew, coarser", "pullover.glb", read(coxGarment(t, "jersey", 0.1)), false},
		{"renamed and made anew, finer", "pullover.glb", read(coxGarment(t, "jersey", 1)), false},
		{"renamed and moved", "pullover.glb", &moved, false},
	} {
		other, shared, err := rec.OtherGarment(ctx, x.file, x.mesh, 0)
		if err != nil {
			t.Fatal(err)
		}
		if other != x.want {
			t.Errorf("%s: another garment %v, want %v; %g of it is in one place", x.name, other, x.want, shared)
		}
	}

	body := prepare(t, coxBody(t))
	first := mustTransfer(t, body, Input{Garment: "jersey.glb", From: coxGarment(t, "jersey", 0.2)})
	var wrong *RecordError
	if _, err := Transfer(ctx, body, Input{Garment: "gloves.glb", From: gloves, Record: first.Record, Current: first.Asset}); !errors.As(err, &wrong) {
		t.Errorf("gloves with the record of a jersey: %v", err)
	}
}
