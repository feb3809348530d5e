package pass

// The artist's file: programs rename meshes when they export, and so do people, while a
// selection by names is about the garment's own file.

import (
	"context"
	"fmt"
	"path"

	"github.com/selvage/selvage/transfer/gltfio"
	"github.com/selvage/selvage/transfer/mesh"
)

// partKey tells a primitive apart from others of its asset.
type partKey struct{ node, primitive int }

func keyOf(p gltfio.Part) partKey { return partKey{p.NodeIndex, p.PrimitiveIndex} }

// Artist makes an Input's Current of a, the garment as the artist left it, whatever its
// meshes are called by now; nil where it has no weights. sel picks the garment's meshes
// in own, its own file, and picks them in what is returned; rec is the record of the last
// pass, or nil. What sel picks in a is taken. So is any other skinned mesh that the
// garment's own file knows by no name outside of sel, where
//
//   - rec's selection picks it;
//   - or at least half of its vertices are recorded ones that nothing taken before has;
//   - or nothing at all would be taken otherwise.
//
// The nodes of the latter have names in the result that sel picks. Where even so nothing
// is taken the garment is not in the file: the result is nil, and a pass goes by its
// record. Errors: ctx's, faults of the files, a selection that picks nothing in own.
func Artist(ctx context.Context, a, own *gltfio.Asset, sel gltfio.Selection, rec *Record, threads int) (*gltfio.Asset, error) {
	weighted := func(a *gltfio.Asset) (*gltfio.Asset, error) {
		if has, err := HasRows(ctx, a, sel); err != nil || !has {
			return nil, err
		}
		return a, nil
	}
	if len(sel.Names) == 0 {
		return weighted(a)
	}
	var called []string         // what sel calls the garment's parts
	others := map[string]bool{} // names of what is no part of the garment
	for _, p := range own.Primitives() {
		others[p.Node], others[p.Mesh] = true, true
	}
	for _, p := range own.Primitives() {
		if names := pickedNames(p.Part, sel); len(names) > 0 {
			called = append(called, names...)
			delete(others, p.Node)
			delete(others, p.Mesh)
		}
	}
	if len(called) == 0 {
		return nil, &gltfio.Error{File: own.Name, What: fmt.Sprintf("no mesh is named %q", sel.Names)}
	}
	delete(others, "") // says nothing

	var parts, candidates []gltfio.Part
	has := map[int]bool{} // nodes of which something is picked
	for _, p := range a.Primitives() {
		if len(pickedNames(p.Part, sel)) > 0 {
			parts, has[p.NodeIndex] = append(parts, p.Part), true
		}
	}
	for _, p := range a.Primitives() {
		switch {
		case has[p.NodeIndex]: // the selection tells its materials apart
		case p.InScene && p.Skinned && !others[p.Node] && !others[p.Mesh]:
			candidates = append(candidates, p.Part)
		}
	}
	names := map[int]string{}
	take := func(p gltfio.Part) {
		parts = append(parts, p)
		names[p.NodeIndex] = nearestName(called, p)
	}
	if len(candidates) > 0 && rec != nil {
		for _, p := range candidates {
			if len(pickedNames(p, rec.Options.Garments)) > 0 {
				take(p)
			}
		}
		free, err := standing(ctx, rec.Mesh, a, candidates, parts, threads)
		if err != nil {
			return nil, err
		}
		for _, p := range free {
			take(p)
		}
	}
	if len(parts) == 0 {
		for _, p := range candidates {
			take(p)
		}
	}
	if len(parts) == 0 {
		return nil, nil
	}
	if len(names) > 0 {
		a = a.WithNodeNames(names)
	}
	return weighted(a)
}

// OpenArtist is Artist for a merge of finished files, whose Current must have weights.
func (in *Input) OpenArtist(ctx context.Context) error {
	a, err := Artist(ctx, in.Current, in.New, in.Options.Garments, in.Record, in.Options.Threads)
	if err == nil && a == nil {
		err = &gltfio.Error{File: in.Current.Name, What: "has no weights"}
	}
	in.Current = a
	return err
}

// standing are the candidates that stand where the record has vertices and nothing taken
// has any: what lies over a taken one is a copy of it. A file that cannot be read as a
// whole has none.
func standing(ctx context.Context, recorded *mesh.Mesh, a *gltfio.Asset, candidates, taken []gltfio.Part, threads int) (free []gltfio.Part, err error) {
	all, err := a.WithContext(ctx).Body(gltfio.Selection{})
	if err != nil {
		return nil, ctx.Err() // one that is no part of the garment may be at fault
	}
	place, err := Place(ctx, recorded, all.Mesh, 0, threads)
	if err != nil {
		return nil, err
	}
	weld, err := mesh.WeldContext(ctx, recorded, mesh.WeldTolerance(recorded))
	if err != nil {
		return nil, err
	}
	is := map[partKey]gltfio.Part{}
	for _, p := range all.Parts {
		is[keyOf(p)] = p
	}
	covered := make([]bool, recorded.NumVertices()) // by welded vertex
	at := func(p gltfio.Part) (list []int32) {
		p = is[keyOf(p)]
		for v := p.Start; v < p.End; v++ {
			if place.Exact(v) {
				if u := weld.ToWelded[place.Corner[v][0]]; !covered[u] {
					list = append(list, u)
				}
			}
		}
		return list
	}
	cover := func(p gltfio.Part) {
		for _, u := range at(p) {
			covered[u] = true
		}
	}
	seen := map[partKey]bool{}
	for _, p := range taken {
		seen[keyOf(p)] = true
		cover(p)
	}
	for _, p := range candidates {
		n := is[keyOf(p)].End - is[keyOf(p)].Start
		if stands := len(at(p)); !seen[keyOf(p)] && stands > 0 && 2*stands >= n {
			free = append(free, p)
			cover(p)
		}
	}
	return free, nil
}

// pickedNames are those names of a part that a selection by names picks.
func pickedNames(p gltfio.Part, sel gltfio.Selection) (names []string) {
	for _, name := range []string{p.Node, p.Mesh, p.Material} {
		for _, glob := range sel.Names {
			if ok, _ := path.Match(glob, name); ok {
				names = append(names, name)
				break
			}
		}
	}
	return names
}

// nearestName is the name that has the most of a part's in front: programs append to
// names. The first of several.
func nearestName(names []string, p gltfio.Part) string {
	best, most := names[0], -1
	for _, name := range names {
		for _, now := range []string{p.Node, p.Mesh} {
			n := 0
			for n < min(len(name), len(now)) && name[n] == now[n] {
				n++
			}
			if n > most {
				best, most = name, n
			}
		}
	}
	return best
}
