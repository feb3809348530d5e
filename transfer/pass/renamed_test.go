package pass

import (
	"bytes"
	"context"
	"slices"
	"strings"
	"testing"

	"github.com/selvage/selvage/transfer/skinning"
	"gonum.org/v1/gonum/spatial/r3"
)

// TestTransfer_RenamedJoints: an artist's program writes underscores for dots in the names
// of joints; the edits are what they are without that.
func TestTransfer_RenamedJoints(t *testing.T) {
	ctx := context.Background()
	garment, body := coxGarment(t, "jersey", 0.3), coxBody(t)
	in := Input{Garment: "jersey", From: garment}
	out, err := Transfer(ctx, prepare(t, body), in)
	if err != nil {
		t.Fatal(err)
	}
	s, _ := surfaceOf(t, out.Asset)
	artist := saved(t, paint(t, out.Asset, s.Mesh.Positions[0], 0.3, 0.5))
	in.Record, in.Current = out.Record, artist
	body = paint(t, body, r3.Vec{X: 0.3, Y: 1.2}, 0.4, 0.4)
	want, err := Transfer(ctx, prepare(t, body), in)
	if err != nil {
		t.Fatal(err)
	}
	in.Current = parsed(t, "artist.glb", func(b *bytes.Buffer) error {
		var plain bytes.Buffer
		if err := artist.Encode(&plain); err != nil {
			return err
		}
		text := bytes.ReplaceAll(plain.Bytes(), []byte(`.left"`), []byte(`_left"`))
		_, err := b.Write(bytes.ReplaceAll(text, []byte(`.right"`), []byte(`_right"`)))
		return err
	})
	got, err := Transfer(ctx, prepare(t, body), in)
	if err != nil {
		t.Fatal(err)
	}
	if want.Summary.Edited == 0 || got.Summary.Edited != want.Summary.Edited || got.Summary.Carried != want.Summary.Carried || got.Summary.Kept != want.Summary.Kept {
		t.Errorf("edited %d, carried %d, kept %d; with the old names %d, %d, %d", got.Summary.Edited, got.Summary.Carried, got.Summary.Kept, want.Summary.Edited, want.Summary.Carried, want.Summary.Kept)
	}
	if !sameAsset(t, got.Asset, want.Asset) {
		t.Error("the rows differ from those with the old names")
	}
	if notes := strings.Join(got.Summary.Notes, "\n"); !strings.Contains(notes, "told by their places: ") || !strings.Contains(notes, "(clavicle_left)") {
		t.Errorf("notes %q", notes)
	}
	if notes := strings.Join(want.Summary.Notes, "\n"); strings.Contains(notes, "places") {
		t.Errorf("with the old names: %q", notes)
	}
}

func TestRenameByPlace(t *testing.T) {
	type joint struct {
		name   string
		parent int32
		x      float64
	}
	list := func(all ...joint) ([]Joint, *skinning.Skin) {
		var out []Joint
		s := &skinning.Skin{}
		for _, j := range all {
			out = append(out, Joint{j.name, j.parent})
			g := skinning.Identity()
			g.T.X = j.x
			s.Joints = append(s.Joints, skinning.Joint{Name: j.name, Parent: int(j.parent), Global: g})
		}
		return out, s
	}
	recorded, skin := list(joint{"root", -1, 0}, joint{"arm.l", 0, 1}, joint{"twist.l", 1, 1}, joint{"arm.r", 0, -1}, joint{"twin.1", 3, -2}, joint{"twin.2", 3, -2}, joint{"hand.r", 3, -3})
	for _, c := range []struct {
		name string
		have []joint
		want []string
	}{
		{"all known", []joint{{"root", -1, 0}, {"arm.l", 0, 1}}, []string{"root", "arm.l"}},
		{"from the root down, children first in the list", []joint{{"c", 1, 1}, {"b", 2, 1}, {"a", -1, 0}}, []string{"twist.l", "arm.l", "root"}},
		{"another place", []joint{{"root", -1, 0}, {"x", 0, 1.01}}, []string{"root", "x"}},
		{"another parent", []joint{{"root", -1, 0}, {"hand", 0, -3}}, []string{"root", "hand"}},
		{"two in one place by their order", []joint{{"root", -1, 0}, {"arm.r", 0, -1}, {"u", 1, -2}, {"v", 1, -2}}, []string{"root", "arm.r", "twin.1", "twin.2"}},
		{"one where two were", []joint{{"root", -1, 0}, {"arm.r", 0, -1}, {"u", 1, -2}}, []string{"root", "arm.r", "u"}},
		{"a name that is taken", []joint{{"root", -1, 0}, {"arm.l", 0, 5}, {"other", 0, 1}}, []string{"root", "arm.l", "other"}},
	} {
		joints, own := list(c.have...)
		renameByPlace(joints, own, recorded, places(skin))
		var got []string
		for _, j := range joints {
			got = append(got, j.Name)
		}
		if !slices.Equal(got, c.want) {
			t.Errorf("%s: %v, want %v", c.name, got, c.want)
		}
	}
}
