package skinning

import (
	"context"
	"errors"
	"math"
	"testing"

	"github.com/selvage/selvage/transfer/weights"
	"gonum.org/v1/gonum/spatial/r3"
)

// TestWeighUnknown: two rows over five joints of which the body knows the first.
func TestWeighUnknown(t *testing.T) {
	at := func(name string, y float64) Joint {
		j := Joint{Name: name, Parent: -1, Global: Identity(), InverseBind: Identity()}
		j.Global.T = r3.Vec{Y: y}
		return j
	}
	body := &Skin{Joints: []Joint{at("hip", 1), at("knee", 0.5), at("foot", 0)}}
	skin := &Skin{Joints: []Joint{at("hip", 1), at("genu", 0.5), at("tail", 0.9), at("hem", 1), at("idle", 0)}}
	own := []int32{0, -1, -1, -1, -1}
	rows := weights.NewRows(2)
	rows.Append([]uint16{0, 1, 2}, []float64{0.5, 0.25, 0.25})
	rows.Append([]uint16{0, 1, 3}, []float64{0.125, 0.75, 0.125})
	u, err := WeighUnknown(context.Background(), rows, skin, own)
	if err != nil {
		t.Fatal(err)
	}
	if math.Abs(u.Share-1.375/2) > 1e-12 || u.Count != 3 || u.String() != `"genu", "tail", "hem"` {
		t.Errorf("%+v, %s", u, u)
	}
	// The hem stands at the hip, which the skin has: only the knee goes by another name.
	if got := u.StandingFor(body, skin, own, 0.01); math.Abs(got-0.5) > 1e-12 {
		t.Errorf("%g of the weight stands for other joints, want 0.5", got)
	}
	if u, err := WeighUnknown(context.Background(), rows, skin, []int32{0, 1, 0, 0, 2}); u != nil || err != nil {
		t.Errorf("all known: %+v, %v", u, err)
	}
	if named := skin.WithNames(body, []int32{-1, 1, -1, -1, 2}); named.Joints[1].Name != "knee" || named.Joints[4].Name != "foot" || named.Joints[2].Name != "tail" || skin.Joints[1].Name != "genu" {
		t.Errorf("names %+v of %+v", named.Joints, skin.Joints)
	}
	ctx, cancel := context.WithCancel(context.Background())
	cancel()
	if _, err := WeighUnknown(ctx, rows, skin, own); !errors.Is(err, context.Canceled) {
		t.Errorf("cancelled: %v", err)
	}
}
