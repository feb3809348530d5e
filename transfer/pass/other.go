package pass

import (
	"context"
	"fmt"
	"path"
	"strings"

	"github.com/selvage/selvage/transfer/mesh"
)

// sameGarmentShare is the share of two surfaces that lies in one place from which on they
// are one garment's. Made anew ten times as coarse the crew's garments keep 0.75 of it at
// least; two of them that are worn over each other have 0.51 at most (a coat over a jersey).
const sameGarmentShare = 0.6

// OtherGarment returns how much of a garment's surface and the recorded one lies in one
// place (Place), the mean of the shares of both their vertices, and whether that makes it
// another garment than the record's. One of the record's name never is, whatever became of
// its surface: folders and endings are no part of names. Errors: ctx's. O(n log n).
func (r *Record) OtherGarment(ctx context.Context, name string, garment *mesh.Mesh, threads int) (other bool, shared float64, err error) {
	if r.IsCalled(name) {
		return false, 1, nil
	}
	for _, pair := range [2][2]*mesh.Mesh{{r.Mesh, garment}, {garment, r.Mesh}} {
		place, err := Place(ctx, pair[0], pair[1], 0, threads)
		if err != nil {
			return false, 0, err
		}
		n := 0
		for _, fate := range place.Fate {
			if fate == Placed {
				n++
			}
		}
		shared += float64(n) / float64(max(1, len(place.Fate))) / 2
	}
	return shared < sameGarmentShare, shared, nil
}

// IsCalled reports whether a garment's name is the record's, or the record has none.
func (r *Record) IsCalled(name string) bool {
	was := bareName(r.Garment)
	return was == "" || was == bareName(name)
}

// bareName is a garment's name without folder and ending.
func bareName(name string) string {
	name = path.Base(strings.ReplaceAll(name, `\`, "/"))
	if ext := path.Ext(name); strings.EqualFold(ext, ".glb") || strings.EqualFold(ext, ".gltf") {
		name = strings.TrimSuffix(name, ext)
	}
	if name == "." || name == "/" {
		return ""
	}
	return name
}

// checkGarment refuses a record of another garment than From.
func (in *Input) checkGarment(ctx context.Context, from *mesh.Mesh) error {
	if in.Record == nil || in.GarmentSum != [32]byte{} && in.GarmentSum == in.Record.GarmentSum {
		return nil
	}
	other, shared, err := in.Record.OtherGarment(ctx, in.Garment, from, in.Options.Threads)
	if err == nil && other {
		return recordFault("it is of the garment %s and not of %s, %s: give that one's own record or none, or call the garment what it was called", in.Record.Garment, in.Garment, SharedText(shared))
	}
	return err
}

// SharedText says in words how much of two surfaces is in one place.
func SharedText(shared float64) string {
	return fmt.Sprintf("which has %.0f%% of its surface in the same place", 100*shared)
}
