package pass

import (
	"fmt"
	"strings"

	"github.com/selvage/selvage/transfer/skinning"
	"gonum.org/v1/gonum/spatial/r3"
)

// samePlace is how far apart, in metres, joints of one place may stand: what files lose.
const samePlace = 1e-4

// renameByPlace gives joints of the artist's garment, whose names the record does not
// know, the recorded names of those that stand where they stand below the same parent,
// and that the artist's garment lacks: programs rename joints that their own rules do not
// allow. own are the places of joints by index; places those of the recorded ones by name.
// Of several in one place the order decides, where there are as many on both sides.
// It returns what it renamed, as "new (old)".
func renameByPlace(joints []Joint, own *skinning.Skin, recorded []Joint, places map[string]r3.Vec) (renamed []string) {
	known, had := map[string]bool{}, map[string]bool{}
	for _, j := range recorded {
		known[j.Name] = true
	}
	for _, j := range joints {
		had[j.Name] = true
	}
	nameOf := func(list []Joint, p int32) string {
		if p < 0 || int(p) >= len(list) {
			return ""
		}
		return list[p].Name
	}
	// A joint's parent must have its recorded name first: names settle from the root down.
	for changed := true; changed; {
		changed = false
		for j := range joints {
			if known[joints[j].Name] {
				continue
			}
			parent, at := nameOf(joints, joints[j].Parent), own.Joints[j].Global.T
			var mine []int
			for k := range joints {
				if !known[joints[k].Name] && nameOf(joints, joints[k].Parent) == parent && r3.Norm(r3.Sub(own.Joints[k].Global.T, at)) <= samePlace {
					mine = append(mine, k)
				}
			}
			var theirs []string
			for _, r := range recorded {
				x, stands := places[r.Name]
				if r.Name != "" && !had[r.Name] && stands && nameOf(recorded, r.Parent) == parent && r3.Norm(r3.Sub(x, at)) <= samePlace {
					theirs = append(theirs, r.Name)
				}
			}
			if len(theirs) == 0 || len(theirs) != len(mine) {
				continue
			}
			for i, k := range mine {
				renamed = append(renamed, fmt.Sprintf("%s (%s)", theirs[i], joints[k].Name))
				joints[k].Name = theirs[i]
				had[theirs[i]] = true
			}
			changed = true
		}
	}
	return renamed
}

// places of joints by name, the first of each.
func places(skins ...*skinning.Skin) map[string]r3.Vec {
	out := map[string]r3.Vec{}
	for _, s := range skins {
		if s == nil {
			continue
		}
		for j := range s.Joints {
			if _, ok := out[s.Joints[j].Name]; !ok {
				out[s.Joints[j].Name] = s.Joints[j].Global.T
			}
		}
	}
	return out
}

// renamedNote says which joints were told by their places.
func renamedNote(file string, renamed []string) string {
	return fmt.Sprintf("joints of %s have other names than the last pass gave them and are told by their places: %s", file, someOf(renamed))
}

// someOf names the first few of a list, and how many more there are.
func someOf(list []string) string {
	const most = 5
	more := ""
	if n := len(list) - most; n > 0 {
		list, more = list[:most], fmt.Sprintf(" and %d more", n)
	}
	return strings.Join(list, ", ") + more
}
