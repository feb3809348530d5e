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

// OpenArtist makes in.Current of a, the garment as the artist left it, whatever its
// meshes are called by now; nil where it has no weights. in.Options.Garments picks the
// garment's meshes in own, its own file, and picks them in what Current becomes;
// in.Record is the record of the last pass, or nil. What the selection picks in a is
// taken, or, where that is the default, what has a name of own's meshes. So is any other
// skinned mesh that the garment's own file knows by no name outside of the selection, where
//
//   - the record's selection by names picks it;
//   - or at least half of its vertices are recorded ones that nothing taken before has;
//   - or, with the default selection, at least half of them lie on recorded surface of
//     which that is so: the artist may have made the mesh anew;
//   - or nothing at all would be taken otherwise.
//
// Of meshes that stand for one and are in one place, copies of each other, the one counts
// whose names are most like those in own: a node's, then a mesh's. Where names do not
// decide the copies must have the same rows.
//
// The nodes that are not taken have no mesh in Current, and those that the selection would
// not pick have names that it does. Where even so nothing is taken the garment is not in
// the file: Current is nil, and a pass goes by its record. What is left aside is among the
// notes of the pass. Errors: ctx's, faults of the files, a selection that picks nothing in
// own, copies that cannot be told apart (*gltfio.Error).
func (in *Input) OpenArtist(ctx context.Context, a, own *gltfio.Asset) error {
	in.Current, in.notes = nil, nil
	sel, note := in.Options.Garments, func(format string, args ...any) {
		if in.Record != nil && !in.Guess {
			in.notes = append(in.notes, fmt.Sprintf(format, args...))
		}
	}
	s := &artistFile{asset: a, own: own, sel: sel, rec: in.Record, threads: in.Options.Threads}
	s.findOwn()
	if len(s.mine) == 0 && len(sel.Names) > 0 {
		return noMesh(own, sel)
	}
	s.sort()
	if !s.plain() {
		if err := s.read(ctx); err != nil {
			return err
		}
		any, notes, err := s.choose()
		if err != nil {
			return err
		}
		if !any {
			notes = nil // by default the file is taken whole
		}
		if !any && len(sel.Names) > 0 {
			for _, n := range s.nodes {
				n.taken = !n.never
				any = any || n.taken
			}
		}
		for _, text := range notes {
			note("%s", text)
		}
		switch {
		case any:
			a = a.WithoutMeshes(s.left()).WithNodeNames(s.names())
		case len(sel.Names) > 0:
			note("%s has none of the garment's meshes: the edits are those of the record", a.Name)
			return nil
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
		s := &artistFile{asset: fresh, sel: sel, rec: in.Record, threads: in.Options.Threads, called: literal(sel.Names)}
		s.sort()
		if err := s.read(ctx); err != nil {
			return nil, err
		}
		any, _, err := s.choose()
		if err != nil {
			return nil, err
		}
		if may := slices.DeleteFunc(slices.Clone(s.nodes), func(n *artistNode) bool { return n.never }); !any && len(may) == 1 {
			may[0].taken = true
		}
		if names = s.names(); len(names) > 0 {
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

// artistNode is a node of the artist's file that has a mesh.
type artistNode struct {
	gltfio.Part // its first primitive
	skinned     bool
	// picked by the selection, or by its names where that is the default; never by any
	// means: it is no part of the garment.
	picked, never bool
	// like are the garment's own nodes that have the most of its names, known how many
	// these are: the node's counts twice, the mesh's once.
	known int
	like  []int
	taken bool
}

// artistFile is what Artist knows.
type artistFile struct {
	asset, own *gltfio.Asset
	sel        gltfio.Selection
	rec        *Record
	threads    int

	nodes []*artistNode
	// called are the names by which the selection picks the garment's own meshes, mine
	// these meshes, the first primitive of each node, and others the names of what is no
	// part of the garment.
	called []string
	mine   []gltfio.Part
	others map[string]bool

	// What follows is set by read, and nil where the file cannot be read as a whole.
	all   *gltfio.Surface
	place *Placement
	weld  *mesh.Welded
	span  map[int][][2]int // vertices in all, by node
	// room is how many of the garment's own nodes stand at a place of the recorded
	// surface, taken how many of those taken do and by the last of them, by welded vertex.
	room, taken []int
	by          []*artistNode
}

// primitives are those that the selection looks at: one by names picks outside of the
// scene too.
func (s *artistFile) primitives(a *gltfio.Asset) []gltfio.PrimitiveNames {
	if len(s.sel.Names) > 0 {
		return a.Primitives()
	}
	return shown(a)
}

// findOwn finds the garment's meshes in its own file.
func (s *artistFile) findOwn() {
	byDefault := len(s.sel.Names) == 0
	s.others = map[string]bool{}
	list := s.primitives(s.own)
	if !byDefault {
		for _, p := range list {
			s.others[p.Node], s.others[p.Mesh] = true, true
		}
	}
	is := map[int]bool{}
	for _, p := range list {
		names := pickedNames(p.Part, s.sel)
		if byDefault || len(names) > 0 {
			s.called = append(s.called, names...)
			delete(s.others, p.Node)
			delete(s.others, p.Mesh)
			if !is[p.NodeIndex] {
				is[p.NodeIndex] = true
				s.mine = append(s.mine, p.Part)
			}
		}
	}
	delete(s.others, "") // says nothing
}

// sort lists the nodes and tells them by their names.
func (s *artistFile) sort() {
	byDefault := len(s.sel.Names) == 0
	at := map[int]*artistNode{}
	for _, p := range s.primitives(s.asset) {
		n := at[p.NodeIndex]
		if n == nil {
			n = &artistNode{Part: p.Part, skinned: p.Skinned, never: !p.Skinned || !byDefault && !p.InScene || s.others[p.Node] || s.others[p.Mesh]}
			for k, o := range s.mine {
				known := 0
				if p.Node != "" && p.Node == o.Node {
					known += 2
				}
				if p.Mesh != "" && p.Mesh == o.Mesh {
					known++
				}
				if known > n.known {
					n.known, n.like = known, nil
				}
				if known > 0 && known == n.known {
					n.like = append(n.like, k)
				}
			}
			n.picked = byDefault && n.known > 0
			at[p.NodeIndex], s.nodes = n, append(s.nodes, n)
		}
		n.picked = n.picked || len(pickedNames(p.Part, s.sel)) > 0
	}
	// The most like first: the others may be copies of them.
	slices.SortStableFunc(s.nodes, func(a, b *artistNode) int { return b.known - a.known })
}

// left are the nodes that are not taken.
func (s *artistFile) left() (list []int) {
	for _, n := range s.nodes {
		if !n.taken {
			list = append(list, n.NodeIndex)
		}
	}
	return list
}

// names are other names for the nodes that are taken and that the selection does not pick.
func (s *artistFile) names() map[int]string {
	names := map[int]string{}
	for _, n := range s.nodes {
		if n.taken && !n.picked && len(s.called) > 0 && len(s.sel.Names) > 0 {
			names[n.NodeIndex] = nearestName(s.called, n.Part)
		}
	}
	return names
}

// plain reports whether names alone tell the garment, and all else is left aside by the
// selection.
func (s *artistFile) plain() bool {
	if len(s.sel.Names) == 0 && len(s.nodes) <= 1 {
		return true
	}
	claimed, picked := make([]bool, len(s.mine)), 0
	for _, n := range s.nodes {
		if !n.picked && (!n.never || len(s.sel.Names) == 0) {
			return false
		}
		if !n.picked {
			continue
		}
		picked++
		for _, k := range n.like {
			if claimed[k] {
				return false
			}
			claimed[k] = true
		}
	}
	return picked <= len(s.mine)
}

// read reads the file as a whole and places it on the recorded surface, or on the
// garment's own where there is no record.
func (s *artistFile) read(ctx context.Context) error {
	all, err := s.asset.WithContext(ctx).Body(gltfio.Selection{})
	if err != nil {
		return ctx.Err() // a mesh that is no part of the garment may be at fault
	}
	var own *gltfio.Surface
	if s.rec == nil || len(s.mine) > 1 {
		if own, err = s.own.WithContext(ctx).Garment(s.sel); err != nil {
			return err
		}
	}
	var recorded *mesh.Mesh
	if s.rec != nil {
		recorded = s.rec.Mesh
	} else {
		recorded = own.Mesh
	}
	if s.weld, err = mesh.WeldContext(ctx, recorded, mesh.WeldTolerance(recorded)); err != nil {
		return err
	}
	n := s.weld.Mesh.NumVertices()
	s.room, s.taken, s.by = make([]int, n), make([]int, n), make([]*artistNode, n)
	if own != nil {
		place, err := Place(ctx, recorded, own.Mesh, 0, s.threads)
		if err != nil {
			return err
		}
		last := make([]int, n) // node, counted from one
		for _, p := range own.Parts {
			for v := p.Start; v < p.End; v++ {
				if place.Exact(v) {
					if u := s.weld.ToWelded[place.Corner[v][0]]; last[u] != p.NodeIndex+1 {
						last[u] = p.NodeIndex + 1
						s.room[u]++
					}
				}
			}
		}
	}
	for u := range s.room {
		s.room[u] = max(s.room[u], 1)
	}
	if s.place, err = Place(ctx, recorded, all.Mesh, 0, s.threads); err != nil {
		return err
	}
	s.all, s.span = all, map[int][][2]int{}
	for _, p := range all.Parts {
		s.span[p.NodeIndex] = append(s.span[p.NodeIndex], [2]int{p.Start, p.End})
	}
	return nil
}

// vertices calls visit for each vertex of a node.
func (s *artistFile) vertices(n *artistNode, visit func(v int)) {
	for _, r := range s.span[n.NodeIndex] {
		for v := r[0]; v < r[1]; v++ {
			visit(v)
		}
	}
}

// take takes a node.
func (s *artistFile) take(n *artistNode) {
	n.taken = true
	s.vertices(n, func(v int) {
		for k, c := range s.place.Corner[v] {
			if s.place.Fate[v] != Placed || !(s.place.Bary[v][k] > 0) {
				continue
			}
			if u := s.weld.ToWelded[c]; s.by[u] != n {
				s.by[u] = n
				s.taken[u]++
			}
		}
	})
}

// stands counts a node's vertices, those at recorded ones, and of them those that nothing
// taken has; lies those on recorded surface that nothing taken has.
func (s *artistFile) stands(n *artistNode) (all, exact, free, lies int) {
	s.vertices(n, func(v int) {
		all++
		if s.place.Fate[v] != Placed {
			return
		}
		open := true
		for k, c := range s.place.Corner[v] {
			u := s.weld.ToWelded[c]
			open = open && (!(s.place.Bary[v][k] > 0) || s.taken[u] < s.room[u])
		}
		if open {
			lies++
		}
		if s.place.Exact(v) {
			exact++
			if open {
				free++
			}
		}
	})
	return all, exact, free, lies
}

// original is the taken node that a node is a copy of; nil where it is none.
func (s *artistFile) original(n *artistNode) *artistNode {
	all, exact, free, _ := s.stands(n)
	if exact == 0 || 2*exact < all || 2*free >= exact {
		return nil
	}
	meets := map[*artistNode]int{}
	var best *artistNode
	s.vertices(n, func(v int) {
		if !s.place.Exact(v) {
			return
		}
		if o := s.by[s.weld.ToWelded[s.place.Corner[v][0]]]; o != nil {
			if meets[o]++; best == nil || meets[o] > meets[best] {
				best = o
			}
		}
	})
	if best != nil && n.known > 0 && best.known > 0 && !slices.ContainsFunc(n.like, func(k int) bool { return slices.Contains(best.like, k) }) {
		return nil // of another one of the garment's meshes
	}
	return best
}

// sameRows reports whether all of a node's vertices stand where vertices of another one
// with the same rows do.
func (s *artistFile) sameRows(n, other *artistNode) bool {
	there := map[int32][]int{}
	s.vertices(other, func(v int) {
		if s.place.Exact(v) {
			u := s.weld.ToWelded[s.place.Corner[v][0]]
			there[u] = append(there[u], v)
		}
	})
	same := true
	s.vertices(n, func(v int) {
		same = same && s.place.Exact(v) && slices.ContainsFunc(there[s.weld.ToWelded[s.place.Corner[v][0]]], func(w int) bool {
			return s.all.Rows.DistanceL1(v, s.all.Rows, w) <= faint
		})
	})
	return same
}

// choose takes nodes, and reports whether there were any. Errors: copies that cannot be
// told apart.
func (s *artistFile) choose() (any bool, notes []string, err error) {
	byDefault := len(s.sel.Names) == 0
	copies := map[*artistNode]bool{}
	// aside takes a node, unless it is a copy.
	aside := func(n *artistNode) (bool, error) {
		o := s.original(n)
		if o == nil {
			return false, nil
		}
		copies[n] = true
		switch {
		case s.sameRows(n, o):
		case n.known < o.known || !n.picked && o.picked:
			notes = append(notes, fmt.Sprintf("%s holds %s where %s is: it is taken for a copy, and what was changed by hand in it does not count", s.asset.Name, n.label(), o.label()))
		case n.label() == o.label():
			return false, &gltfio.Error{File: s.asset.Name, What: fmt.Sprintf("holds the garment twice in one place, both times as %s, with different weights: take one of them out or rename it", n.label())}
		default:
			return false, &gltfio.Error{File: s.asset.Name, What: fmt.Sprintf("holds the garment twice in one place, as %s and %s, with different weights: pick one of them by its name with the option garment, or take the other out", o.label(), n.label())}
		}
		return true, nil
	}
	for _, n := range s.nodes {
		if !n.picked {
			continue
		}
		is, err := aside(n)
		if err != nil {
			return false, nil, err
		}
		if !is {
			s.take(n)
			any = true
		}
	}
	if s.rec != nil || byDefault {
		for _, n := range s.nodes {
			if !byDefault && !n.taken && !n.picked && !n.never && len(pickedNames(n.Part, s.rec.Options.Garments)) > 0 {
				s.take(n)
				any = true
			}
		}
		for _, exactly := range []bool{true, false} {
			for _, n := range s.nodes {
				if n.taken || n.picked || n.never || copies[n] || !exactly && !byDefault {
					continue
				}
				all, _, free, lies := s.stands(n)
				if exactly && free > 0 && 2*free >= all || !exactly && lies > 0 && 2*lies >= all {
					s.take(n)
					any = true
				} else if exactly {
					if _, err := aside(n); err != nil {
						return false, nil, err
					}
				}
			}
		}
	}
	var list []string
	for _, n := range s.nodes {
		if n.taken || n.picked || copies[n] {
			continue
		}
		if byDefault {
			list = append(list, n.label())
		} else if _, _, free, _ := s.stands(n); free > 0 && !n.never {
			notes = append(notes, fmt.Sprintf("%s: the mesh %s is taken for another one than the garment's: less than half of its vertices are those of the last pass", s.asset.Name, partName(n.Part)))
		}
	}
	if len(list) > 0 {
		notes = append(notes, fmt.Sprintf("%s holds more than the garment, which is left aside: %s", s.asset.Name, someOf(list)))
	}
	return any, notes, nil
}

// label is what a node is called in messages.
func (n *artistNode) label() string {
	switch {
	case n.Node != "":
		return fmt.Sprintf("%q", n.Node)
	case n.Mesh != "":
		return fmt.Sprintf("%q", n.Mesh)
	}
	return fmt.Sprintf("node %d", n.NodeIndex)
}

// shown are the primitives that the default selection of a garment picks.
func shown(a *gltfio.Asset) []gltfio.PrimitiveNames {
	all := a.Primitives()
	in := slices.DeleteFunc(slices.Clone(all), func(p gltfio.PrimitiveNames) bool { return !p.InScene })
	if len(in) == 0 {
		return all
	}
	return in
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
