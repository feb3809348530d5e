package pass

import (
	"bytes"
	"context"
	"errors"
	"reflect"
	"slices"
	"strings"
	"testing"

	"github.com/selvage/selvage/transfer"
	"github.com/selvage/selvage/transfer/gltfio"
	"github.com/selvage/selvage/transfer/weights"
	"gonum.org/v1/gonum/spatial/r3"
)

// saved is an asset as another program finds it in a file.
func saved(t *testing.T, a *gltfio.Asset) *gltfio.Asset {
	t.Helper()
	return parsed(t, a.Name, func(b *bytes.Buffer) error { return a.Encode(b) })
}

// exact are an asset's rows by vertex, bit for bit, and its joints.
func exact(t *testing.T, a *gltfio.Asset) (*weights.Rows, []Joint) {
	t.Helper()
	s, _ := surfaceOf(t, a)
	return s.Rows, s.Joints
}

// named is row v by the joints' names.
func named(r *weights.Rows, joints []Joint, v int) map[string]float64 {
	out := map[string]float64{}
	joint, weight := r.Row(v)
	for i, j := range joint {
		out[joints[j].Name] = weight[i]
	}
	return out
}

func prepare(t *testing.T, body *gltfio.Asset) *transfer.AssetBody {
	t.Helper()
	p, err := transfer.PrepareAsset(context.Background(), body, gltfio.Selection{}, 0)
	if err != nil {
		t.Fatal(err)
	}
	return p
}

// TestTransfer_FivePassesWithLocks: through five changes of the body, with edits by
// hand after each, locked rows and the weights of locked joints never change.
func TestTransfer_FivePassesWithLocks(t *testing.T) {
	ctx := context.Background()
	garment := coxGarment(t, "jersey", 0.4)
	for _, f := range []weights.Format{weights.Float32, weights.Uint8} {
		body := coxBody(t)
		b, _ := surfaceOf(t, body)
		opt := transfer.AssetOptions{Options: transfer.Options{Format: f, MaxInfluences: 2}}
		in := Input{Garment: "jersey", From: garment, Options: opt}
		out, err := Transfer(ctx, prepare(t, body), in)
		if err != nil {
			t.Fatal(err)
		}
		s, _ := surfaceOf(t, out.Asset)
		// The artist's rows have more influences than the transfer may give.
		artist := saved(t, paint(t, out.Asset, s.Mesh.Positions[0], 1, 0.5))
		in.Options.Lock = []string{"near:upper_arm.left:0.12", "box:-1,1.2,-1,-0.05,1.35,1"}
		in.Options.LockJoints = []string{"clavicle.*"}
		first, joints := exact(t, artist)
		var locked []bool
		for k := range 5 {
			// All of the body goes some way to another joint, another place each time.
			body = paint(t, body, b.Mesh.Positions[(k*977)%len(b.Mesh.Positions)], 0.5, 0.4)
			in.Record, in.Current = out.Record, artist
			if out, err = Transfer(ctx, prepare(t, body), in); err != nil {
				t.Fatal(err)
			}
			if err := out.Record.Validate(); err != nil {
				t.Fatal(err)
			}
			if k == 0 {
				locked = slices.Clone(in.mustMask(t, body, out))
				// What the artist's program wrote comes to the grid of the output once.
				first, joints = exact(t, out.Asset)
				mine, theirs := exact(t, artist)
				for v, yes := range locked {
					if yes && f == weights.Float32 && !reflect.DeepEqual(named(first, joints, v), named(mine, theirs, v)) {
						t.Fatalf("format %d: locked vertex %d: %v, the artist's is %v", f, v, named(first, joints, v), named(mine, theirs, v))
					}
				}
			}
			after, now := exact(t, out.Asset)
			moved, many := 0, 0
			for v, yes := range locked {
				a, b := named(first, joints, v), named(after, now, v)
				switch {
				case yes && !reflect.DeepEqual(a, b):
					t.Fatalf("format %d, pass %d: locked vertex %d: %v, was %v", f, k, v, b, a)
				case yes && len(b) > 2:
					many++
				case a["clavicle.left"] != b["clavicle.left"] || a["clavicle.right"] != b["clavicle.right"]:
					t.Fatalf("format %d, pass %d: vertex %d: the locked joints have %v, had %v", f, k, v, b, a)
				case !yes && !reflect.DeepEqual(a, b):
					moved++
				}
			}
			if n := out.Summary.Locked; n == 0 || n != count(locked) || k > 0 && moved == 0 || many == 0 {
				t.Fatalf("format %d, pass %d: %d locked, want %d; %d others moved, %d locked ones have more influences than the limit", f, k, n, count(locked), moved, many)
			}
			// Again with nothing changed: the same bytes.
			again := in
			again.Record, again.Current = out.Record, saved(t, out.Asset)
			same, err := Transfer(ctx, prepare(t, body), again)
			if err != nil {
				t.Fatal(err)
			}
			if !sameAsset(t, same.Asset, out.Asset) || same.Summary.New != 0 {
				t.Fatalf("format %d, pass %d: running again is no no-op: %+v", f, k, same.Summary)
			}
			// The artist goes on elsewhere, below what is locked.
			artist = saved(t, out.Asset)
		}
	}
}

// mustMask marks the locked vertices of a pass's result.
func (in *Input) mustMask(t *testing.T, body *gltfio.Asset, out *Output) []bool {
	t.Helper()
	s, read := surfaceOf(t, out.Asset)
	skin, _, err := ReadSurface(context.Background(), body, gltfio.Selection{})
	if err != nil || skin == nil {
		t.Fatal(err)
	}
	mask, _, err := in.lockMask(context.Background(), out.Asset, read, s.Rows, read.Skin, nil, in.Options)
	if err != nil {
		t.Fatal(err)
	}
	return mask
}

func count(mask []bool) (n int) {
	for _, yes := range mask {
		if yes {
			n++
		}
	}
	return n
}

// TestTransfer_LocksWithoutARecord: a garment that is weighted already is locked by
// its own rows; on a first pass there is nothing to lock, which is said; without a
// pass it is an error.
func TestTransfer_LocksWithoutARecord(t *testing.T) {
	ctx := context.Background()
	garment := coxGarment(t, "jersey", 0.3)
	body := prepare(t, coxBody(t))
	opt := transfer.AssetOptions{Lock: []string{"near:upper_arm.*:0.1"}}
	var wrong *transfer.OptionError
	if _, _, err := body.Transfer(ctx, garment, opt); !errors.As(err, &wrong) || wrong.Option != "lock" || !strings.Contains(err.Error(), "no weights yet") {
		t.Errorf("bare: %v", err)
	}
	out, err := Transfer(ctx, body, Input{Garment: "jersey", From: garment, Options: opt})
	if err != nil {
		t.Fatal(err)
	}
	if out.Summary.Locked != 0 || !strings.Contains(strings.Join(out.Summary.Notes, "\n"), "nothing is locked") {
		t.Errorf("first pass: %+v", out.Summary)
	}
	plain, _ := given(t, coxBody(t), garment, transfer.AssetOptions{})
	if !sameAsset(t, out.Asset, plain) {
		t.Error("the first pass is not the plain transfer")
	}

	// An artist's file, given as the garment itself.
	s, _ := surfaceOf(t, plain)
	artist := saved(t, paint(t, plain, s.Mesh.Positions[0], 0.5, 0.5))
	mine, joints := exact(t, artist)
	for name, run := range map[string]func() *gltfio.Asset{
		"transfer": func() *gltfio.Asset {
			a, _, err := body.Transfer(ctx, artist, opt)
			if err != nil {
				t.Fatal(err)
			}
			return a
		},
		"pass": func() *gltfio.Asset {
			out, err := Transfer(ctx, body, Input{Garment: "jersey", From: artist, Options: opt})
			if err != nil {
				t.Fatal(err)
			}
			return out.Asset
		},
		"output without a record": func() *gltfio.Asset {
			out, err := Transfer(ctx, body, Input{Garment: "jersey", From: garment, Current: artist, Options: opt})
			if err != nil {
				t.Fatal(err)
			}
			return out.Asset
		},
	} {
		a := run()
		in := Input{Options: opt}
		locked := in.mustMask(t, coxBody(t), &Output{Asset: a})
		after, now := exact(t, a)
		moved := 0
		for v, yes := range locked {
			same := reflect.DeepEqual(named(mine, joints, v), named(after, now, v))
			if yes && !same {
				t.Fatalf("%s: locked vertex %d moved", name, v)
			}
			if !same {
				moved++
			}
		}
		if count(locked) == 0 || moved == 0 {
			t.Errorf("%s: %d locked, %d moved", name, count(locked), moved)
		}
	}
}

// TestTransfer_LockedEditRemembers: an edit under a lock is an edit again when the lock
// is taken off, with the transfer's row that it changed.
func TestTransfer_LockedEditRemembers(t *testing.T) {
	ctx := context.Background()
	garment := coxGarment(t, "jersey", 0.4)
	body := coxBody(t)
	b, _ := surfaceOf(t, body)
	in := Input{Garment: "jersey", From: garment}
	out, err := Transfer(ctx, prepare(t, body), in)
	if err != nil {
		t.Fatal(err)
	}
	s, _ := surfaceOf(t, out.Asset)
	artist := saved(t, paint(t, out.Asset, s.Mesh.Positions[0], 0.1, 0.3))
	in.Record, in.Current = out.Record, artist
	free, err := Transfer(ctx, prepare(t, body), in)
	if err != nil {
		t.Fatal(err)
	}
	// Locked through another body and back to the first.
	in.Options.Lock = []string{"mesh:*"}
	for _, bd := range []*gltfio.Asset{paint(t, body, b.Mesh.Positions[0], 2, 0.3), body} {
		if out, err = Transfer(ctx, prepare(t, bd), in); err != nil {
			t.Fatal(err)
		}
		if out.Summary.Locked != s.Mesh.NumVertices() {
			t.Errorf("%d of %d locked", out.Summary.Locked, s.Mesh.NumVertices())
		}
		in.Record, in.Current = out.Record, saved(t, out.Asset)
	}
	in.Options.Lock = nil
	if out, err = Transfer(ctx, prepare(t, body), in); err != nil {
		t.Fatal(err)
	}
	if out.Summary.Edited != free.Summary.Edited || out.Summary.Kept != free.Summary.Kept || !sameAsset(t, out.Asset, free.Asset) {
		t.Errorf("after the lock %+v, without it %+v", out.Summary, free.Summary)
	}
}

// TestTransfer_LocksOnOtherVertices: where the garment comes with other vertices, the
// present rows are those of the artist's surface at the same places.
func TestTransfer_LocksOnOtherVertices(t *testing.T) {
	ctx := context.Background()
	body := coxBody(t)
	out, err := Transfer(ctx, prepare(t, body), Input{Garment: "jersey", From: coxGarment(t, "jersey", 0.4)})
	if err != nil {
		t.Fatal(err)
	}
	s, _ := surfaceOf(t, out.Asset)
	artist := saved(t, paint(t, out.Asset, s.Mesh.Positions[0], 0.5, 0.5))
	finer := coxGarment(t, "jersey", 0.6)
	in := Input{Garment: "jersey", From: finer, Record: out.Record, Current: artist, Options: transfer.AssetOptions{Options: transfer.Options{MaxInfluences: 8}, Lock: []string{"near:upper_arm.*:0.12"}}}
	next, err := Transfer(ctx, prepare(t, body), in)
	if err != nil {
		t.Fatal(err)
	}
	mine, _ := surfaceOf(t, artist)
	after, _ := surfaceOf(t, next.Asset)
	place, err := Place(ctx, mine.Mesh, after.Mesh, 0, 0)
	if err != nil {
		t.Fatal(err)
	}
	want := newInterpolation(place, len(mine.Joints)).rows(mine.Rows)
	locked := in.mustMask(t, body, next)
	n := 0
	for v, yes := range locked {
		if !yes || place.Fate[v] != Placed {
			continue
		}
		n++
		if d := after.Rows.DistanceL1(v, want, v); d > 1e-6 {
			t.Fatalf("locked vertex %d is off by %g", v, d)
		}
	}
	if n == 0 || next.Summary.Locked < n {
		t.Errorf("%d locked, the summary says %d", n, next.Summary.Locked)
	}
}

// TestTransfer_MaskOfTheArtist: a mask that only the artist's output has counts, and
// it is said where it is read from; one that nobody has is an error.
func TestTransfer_MaskOfTheArtist(t *testing.T) {
	ctx := context.Background()
	garment := coxGarment(t, "jersey", 0.3)
	body := prepare(t, coxBody(t))
	out, err := Transfer(ctx, body, Input{Garment: "jersey", From: garment})
	if err != nil {
		t.Fatal(err)
	}
	// The garment's own file has no _CONFIDENCE, the output has.
	in := Input{Garment: "jersey", From: garment, Record: out.Record, Current: saved(t, out.Asset), Options: transfer.AssetOptions{Lock: []string{"_CONFIDENCE"}}}
	next, err := Transfer(ctx, body, in)
	if err != nil {
		t.Fatal(err)
	}
	if next.Summary.Locked == 0 || !strings.Contains(strings.Join(next.Given.Summary.Notes, "\n"), "is read from the artist's file") {
		t.Errorf("%+v", next.Summary)
	}
	in.Options.Lock = []string{"_NONE"}
	var wrong *transfer.OptionError
	if _, err := Transfer(ctx, body, in); !errors.As(err, &wrong) || wrong.Option != "lock" {
		t.Errorf("a mask that is not there: %v", err)
	}
}

// TestTransfer_PaintStays: what locks and masks are read from stays in the output, though
// the garment's own file has none of it: the passes to come find it there.
func TestTransfer_PaintStays(t *testing.T) {
	ctx := context.Background()
	garment, body := coxGarment(t, "jersey", 0.4), coxBody(t)
	in := Input{Garment: "jersey", From: garment}
	out, err := Transfer(ctx, prepare(t, body), in)
	if err != nil {
		t.Fatal(err)
	}
	s, read := surfaceOf(t, out.Asset)
	n := len(s.Mesh.Positions)
	red, held := make([][]float64, 4), make([]float64, n)
	for k := range red {
		red[k] = make([]float64, n)
	}
	painted := 0
	for v, p := range s.Mesh.Positions {
		red[3][v] = 1
		if p.X > 0.2 {
			red[0][v] = 1
			painted++
		}
		held[v] = float64(v % 2)
	}
	artist, err := paint(t, out.Asset, s.Mesh.Positions[0], 1, 0.5).WithPainted(read, []gltfio.Painted{{Name: "COLOR_1", Channels: red}, {Name: "_HELD", Channels: [][]float64{held}}})
	if err != nil {
		t.Fatal(err)
	}
	in.Options.Lock = []string{"color:1"}
	in.Policy = Policy{Rules: []Rule{{MaskAttribute: "_HELD", Choice: TakeNew}}}
	in.Record, in.Current = out.Record, saved(t, artist)
	var last *gltfio.Asset
	for k := range 3 {
		if k < 2 {
			body = paint(t, body, r3.Vec{X: 0.3, Y: 1.2}, 0.4, 0.4)
		}
		if out, err = Transfer(ctx, prepare(t, body), in); err != nil {
			t.Fatalf("pass %d: %v", k+2, err)
		}
		if out.Summary.Locked != painted || painted == 0 {
			t.Errorf("pass %d: %d vertices locked, %d painted", k+2, out.Summary.Locked, painted)
		}
		_, now := surfaceOf(t, out.Asset)
		got, err := out.Asset.Channel(now, "COLOR_1", 0)
		if err != nil || !slices.Equal(got, red[0]) {
			t.Errorf("pass %d: the colours changed (%v)", k+2, err)
		}
		if white, err := out.Asset.Channel(now, "COLOR_0", 1); err != nil || len(white) != n || slices.Min(white) != 1 {
			t.Errorf("pass %d: the colours below are not white (%v)", k+2, err)
		}
		if got, err := out.Asset.Scalars(now, "_HELD"); err != nil || !slices.Equal(got, held) {
			t.Errorf("pass %d: the mask changed (%v)", k+2, err)
		}
		if k == 2 && !sameAsset(t, out.Asset, last) {
			t.Error("a pass without a change changes something")
		}
		last = out.Asset
		in.Record, in.Current = out.Record, saved(t, out.Asset)
	}
}
