package pass

// The artist's file: programs rename meshes when they export, and so do people, while a
// selection by names is about the garment's own file.

import (
	"context"
	"fmt"
	"path"
	"slices"
	"strings"

	"github.com/selvage/selvage/transfer/gltfio"
	"github.com/selvage/selvage/transfer/mesh"
)

// partKey tells a primitive apart from others of its asset.
type partKey struct{ node, primitive int }

func keyOf(p gltfio.Part) partKey { return partKey{p.NodeIndex, p.PrimitiveIndex} }

// OpenArtist makes in.Current of a, the garment as the artist left it, whatever its
// meshes are called by now; nil where it has no weights. in.Options.Garments picks the
// garment's meshes in own, its own file, and picks them in what Current becomes;
// in.Record is the record of the last pass, or nil. What the selection picks in a is
// taken. So is any other skinned mesh that the garment's own file knows by no name
// outside of the selection, where
//
//   - the record's selection picks it;
//   - or at least half of its vertices are recorded ones that nothing taken before has;
//   - or nothing at all would be taken otherwise.
//
// The nodes of the latter have names in Current that the selection picks. Where even so
// nothing is taken the garment is not in the file: Current is nil, and a pass goes by its
// record. What is left aside is among the notes of the pass. Errors: ctx's, faults of the
// files, a selection that picks nothing in own.
func (in *Input) OpenArtist(ctx context.Context, a, own *gltfio.Asset) error {
	in.Current, in.notes = nil, nil
	sel, note := in.Options.Garments, func(format string, args ...any) {
		if in.Record != nil && !in.Guess {
			in.notes = append(in.notes, fmt.Sprintf(format, args...))
		}
	}
	if len(sel.Names) > 0 {
		called, others := partsOf(own, sel)
		if len(called) == 0 {
			return noMesh(own, sel)
		}
		t, err := takeParts(ctx, a, called, others, sel, in.Record, in.Options.Threads)
		if err != nil {
			return err
		}
		if t.parts == nil {
			t.parts, t.aside = t.candidates, nil
			t.name(called, t.candidates)
		}
		for _, p := range t.aside {
			note("%s: the mesh %s is taken for another one than the garment's: less than half of its vertices are those of the last pass", a.Name, partName(p))
		}
		if t.parts == nil {
			note("%s has none of the garment's meshes: the edits are those of the record", a.Name)
			return nil
		}
		if len(t.names) > 0 {
			a = a.WithNodeNames(t.names)
		}
	}
	has, err := HasRows(ctx, a, sel)
	if err != nil {
		return err
	}
	if !has {
		note("%s has no weights: the edits are those of the record", a.Name)
		return nil
	}
	in.Current = a
	return nil
}

// RunFiles is OpenArtist and Run for a merge of finished files: in.New, whose meshes may
// be called otherwise than in the record as well, and in.Current, which must have weights.
// Where a name of the selection picks nothing in New, other skinned meshes are the
// garment's by the places of their vertices, as in OpenArtist, or where nothing is picked
// at all and there is only one. The output has New's own names.
func RunFiles(ctx context.Context, in Input) (*Output, error) {
	fresh, sel, names := in.New, in.Options.Garments, map[int]string(nil)
	if picksNothing(fresh, sel) {
		t, err := takeParts(ctx, fresh, literal(sel.Names), nil, sel, in.Record, in.Options.Threads)
		if err != nil {
			return nil, err
		}
		if t.parts == nil && len(t.candidates) == 1 {
			t.name(literal(sel.Names), t.candidates)
		}
		if names = t.names; len(names) > 0 {
			in.New = fresh.WithNodeNames(names)
		}
	}
	artist := in.Current
	if err := in.OpenArtist(ctx, artist, in.New); err != nil {
		return nil, err
	}
	if in.Current == nil {
		return nil, &gltfio.Error{File: artist.Name, What: "has no weights"}
	}
	out, err := Run(ctx, in)
	if err != nil || len(names) == 0 {
		return out, err
	}
	was := map[int]string{}
	for _, p := range fresh.Primitives() {
		if _, renamed := names[p.NodeIndex]; renamed {
			was[p.NodeIndex] = p.Node
		}
	}
	out.Asset = out.Asset.WithNodeNames(was)
	return out, nil
}

// picksNothing reports whether one of a selection's names picks nothing in an asset.
func picksNothing(a *gltfio.Asset, sel gltfio.Selection) bool {
	for _, name := range sel.Names {
		if !slices.ContainsFunc(a.Primitives(), func(p gltfio.PrimitiveNames) bool {
			return len(pickedNames(p.Part, gltfio.Selection{Names: []string{name}})) > 0
		}) {
			return true
		}
	}
	return false
}

// noMesh says that a selection picks nothing.
func noMesh(a *gltfio.Asset, sel gltfio.Selection) error {
	return &gltfio.Error{File: a.Name, What: fmt.Sprintf("no mesh is named %q", sel.Names)}
}

// partsOf are the names by which a selection picks parts of an asset, and all names of
// parts that it does not pick.
func partsOf(own *gltfio.Asset, sel gltfio.Selection) (called []string, others map[string]bool) {
	others = map[string]bool{}
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
	delete(others, "") // says nothing
	return called, others
}

// literal are names that globs pick, as far as they say what a name is like.
func literal(globs []string) (names []string) {
	for _, glob := range globs {
		if name := strings.NewReplacer("*", "", "?", "_", "\\", "").Replace(glob); name != "" {
			if ok, _ := path.Match(glob, name); ok {
				names = append(names, name)
			}
		} else if ok, _ := path.Match(glob, "garment"); ok {
			names = append(names, "garment")
		}
	}
	return names
}

// takenParts are the parts of an asset that are a garment's.
type takenParts struct {
	parts, candidates []gltfio.Part
	// names of their nodes, where they have others than the selection picks.
	names map[int]string
	// aside are candidates that have something of the garment and were not taken.
	aside []gltfio.Part
}

// name gives the nodes of parts names that the selection picks.
func (t *takenParts) name(called []string, parts []gltfio.Part) {
	for _, p := range parts {
		if len(called) > 0 {
			t.names[p.NodeIndex] = nearestName(called, p)
		}
	}
}

// takeParts finds a garment's parts in an asset: those that sel picks, and skinned ones
// with none of the names others that the record's selection picks or that stand where the
// record has vertices. called are names that sel picks.
func takeParts(ctx context.Context, a *gltfio.Asset, called []string, others map[string]bool, sel gltfio.Selection, rec *Record, threads int) (*takenParts, error) {
	t := &takenParts{names: map[int]string{}}
	has := map[int]bool{} // nodes of which something is picked
	for _, p := range a.Primitives() {
		if len(pickedNames(p.Part, sel)) > 0 {
			t.parts, has[p.NodeIndex] = append(t.parts, p.Part), true
		}
	}
	for _, p := range a.Primitives() {
		switch {
		case has[p.NodeIndex]: // the selection tells its materials apart
		case p.InScene && p.Skinned && !others[p.Node] && !others[p.Mesh]:
			t.candidates = append(t.candidates, p.Part)
		}
	}
	if len(t.candidates) == 0 || rec == nil {
		return t, nil
	}
	take := func(p gltfio.Part) {
		t.parts = append(t.parts, p)
		t.name(called, []gltfio.Part{p})
	}
	for _, p := range t.candidates {
		if len(pickedNames(p, rec.Options.Garments)) > 0 {
			take(p)
		}
	}
	free, partly, err := standing(ctx, rec.Mesh, a, t.candidates, t.parts, threads)
	if err != nil {
		return nil, err
	}
	for _, p := range free {
		take(p)
	}
	t.aside = partly
	return t, nil
}

// standing are the candidates that stand where the record has vertices and nothing taken
// has any: what lies over a taken one is a copy of it. partly are those of which less than
// half does. A file that cannot be read as a whole has none.
func standing(ctx context.Context, recorded *mesh.Mesh, a *gltfio.Asset, candidates, taken []gltfio.Part, threads int) (free, partly []gltfio.Part, err error) {
	all, err := a.WithContext(ctx).Body(gltfio.Selection{})
	if err != nil {
		return nil, nil, ctx.Err() // one that is no part of the garment may be at fault
	}
	place, err := Place(ctx, recorded, all.Mesh, 0, threads)
	if err != nil {
		return nil, nil, err
	}
	weld, err := mesh.WeldContext(ctx, recorded, mesh.WeldTolerance(recorded))
	if err != nil {
		return nil, nil, err
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
		switch stands := len(at(p)); {
		case seen[keyOf(p)] || stands == 0:
		case 2*stands >= n:
			free = append(free, p)
			cover(p)
		default:
			partly = append(partly, p)
		}
	}
	return free, partly, nil
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
