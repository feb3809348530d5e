package pass

import (
	"context"
	"reflect"
	"strings"
	"testing"

	"github.com/selvage/selvage/transfer"
	"github.com/selvage/selvage/transfer/gltfio"
	"github.com/selvage/selvage/transfer/weights"
)

// TestTransfer_ManyInfluences: of an edited row of more influences than a record holds the
// largest are kept, which is noted and flagged; a locked one keeps all.
func TestTransfer_ManyInfluences(t *testing.T) {
	ctx := context.Background()
	body := prepare(t, coxBody(t))
	in := Input{Garment: "jersey", From: coxGarment(t, "jersey", 0.4)}
	out, err := Transfer(ctx, body, in)
	if err != nil {
		t.Fatal(err)
	}
	const influences = mostKept + 8
	s, read := surfaceOf(t, out.Asset)
	if len(s.Joints) < influences {
		t.Fatalf("the body has %d joints", len(s.Joints))
	}
	rows := weights.NewRows(s.Rows.Len())
	for v := range s.Rows.Len() {
		if s.Mesh.Positions[v] != s.Mesh.Positions[0] {
			rows.Append(s.Rows.Row(v))
			continue
		}
		var joint []uint16
		var weight []float64
		for j := range influences {
			joint, weight = append(joint, uint16(j)), append(weight, 1.0/64)
		}
		weight[influences-1] += 1 - influences/64.0
		rows.Append(joint, weight)
	}
	artist, _, err := out.Asset.WithOwnRows(read, gltfio.Output{Rows: rows})
	if err != nil {
		t.Fatal(err)
	}
	in.Record, in.Current = out.Record, saved(t, artist)
	mine, joints := exact(t, in.Current)

	next, err := Transfer(ctx, body, in)
	if err != nil {
		t.Fatal(err)
	}
	after, now := exact(t, next.Asset)
	if got := named(after, now, 0); len(got) != mostKept || got[joints[influences-1].Name] < 0.4 {
		t.Errorf("the edited row has %d influences: %v", len(got), got)
	}
	if !strings.Contains(strings.Join(next.Summary.Notes, "\n"), "rows changed by hand have 32 influences or more") || next.Reason[0]&uint16(transfer.ReasonPruned) == 0 {
		t.Errorf("nothing says so: %v, reason %b", next.Summary.Notes, next.Reason[0])
	}
	if err := next.Record.Validate(); err != nil {
		t.Error(err)
	}

	in.Options.Lock = []string{"mesh:*"}
	if next, err = Transfer(ctx, body, in); err != nil {
		t.Fatal(err)
	}
	after, now = exact(t, next.Asset)
	if got, want := named(after, now, 0), named(mine, joints, 0); !reflect.DeepEqual(got, want) {
		t.Errorf("the locked row is %v, was %v", got, want)
	}
}
