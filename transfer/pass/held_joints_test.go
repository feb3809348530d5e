package pass

import (
	"fmt"
	"path"
	"reflect"
	"testing"

	"github.com/selvage/selvage/transfer/gltfio"
	"github.com/selvage/selvage/transfer/weights"
)

// onJoints are the weights, by vertex, of the joints that a glob names.
func onJoints(t *testing.T, a *gltfio.Asset, glob string) []map[string]float64 {
	t.Helper()
	rows, joints := exact(t, a)
	out := make([]map[string]float64, rows.Len())
	for v := range out {
		out[v] = map[string]float64{}
		for name, w := range named(rows, joints, v) {
			if ok, _ := path.Match(glob, name); ok {
				out[v][name] = w
			}
		}
	}
	return out
}

// TestTransfer_LockedJointsUnderALimit: rows with more locked joints than the limit of
// influences, edits among them, keep the weights of those joints bit for bit in every
// pass, and what an edit has on the other joints.
func TestTransfer_LockedJointsUnderALimit(t *testing.T) {
	const glob = "spine_*"
	body := coxBody(t)
	moved := shifted(t, shifted(t, body, "spine_2", "spine_3", 0.6), "upper_arm.left", "upper_arm_twist.left", 0.6)
	before, after := prepare(t, body), prepare(t, moved)
	in := Input{Garment: "jersey", From: coxGarment(t, "jersey", 0.3)}
	first := mustTransfer(t, before, in)
	artist := edited(t, first.Asset, weights.Float32, 3)
	want := onJoints(t, artist, glob)
	for _, most := range []int{1, 3} {
		t.Run(fmt.Sprintf("%d influences", most), func(t *testing.T) {
			in := in
			in.Options.MaxInfluences, in.Options.LockJoints = most, []string{glob}
			in.Record, in.Current = first.Record, artist
			out := mustTransfer(t, after, in)
			over := 0
			for v, got := range onJoints(t, out.Asset, glob) {
				if !reflect.DeepEqual(got, want[v]) {
					t.Fatalf("vertex %d: the locked joints have %v, had %v", v, got, want[v])
				}
				if len(got) >= most {
					over++
				}
			}
			if over == 0 {
				t.Error("tests nothing: no row has as many locked joints as the limit")
			}
			mustRest(t, after, in, out)
		})
	}
}
