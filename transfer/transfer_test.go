package transfer

import (
	"context"
	"math"
	"testing"

	"github.com/selvage/selvage/transfer/crew"
	"github.com/selvage/selvage/transfer/mesh"
)

// crewBody returns a demo body as a transfer takes it.
func crewBody(t testing.TB, name string) *Body {
	t.Helper()
	b := crew.NewBody(name)
	if b == nil {
		t.Fatalf("no body %q", name)
	}
	return &Body{Name: name, Mesh: b.Mesh, Rows: b.Rows, Skin: b.Skin}
}

// TestTransfer_Identity: a garment that is the body itself gets the body's rows.
func TestTransfer_Identity(t *testing.T) {
	body := crewBody(t, "mate")
	r, err := Transfer(context.Background(), body, &Garment{Name: "copy", Mesh: &mesh.Mesh{Positions: body.Mesh.Positions, Triangles: body.Mesh.Triangles}}, Options{})
	if err != nil {
		t.Fatal(err)
	}
	worst := 0.0
	for v := 0; v < body.Mesh.NumVertices(); v++ {
		worst = math.Max(worst, r.Rows.DistanceL1(v, body.Rows, v))
	}
	if worst > 1e-6 {
		t.Errorf("largest L1 distance to the body's own rows %g, want <= 1e-6", worst)
	}
	if r.Summary.LowConfidence != 0 {
		t.Errorf("%d vertices of low confidence on the body's own surface", r.Summary.LowConfidence)
	}
	t.Logf("vertices %d, worst %g, seconds %v", body.Mesh.NumVertices(), worst, r.Summary.Seconds)
}
