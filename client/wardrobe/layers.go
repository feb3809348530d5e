package wardrobe

// Layers: outer garments take their rows from inner ones too. A run goes from the
// inside out: what lies beneath a garment is finished, with what artists did to it,
// before the garment is looked at, and is part of its key.

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"slices"
	"strings"

	"github.com/selvage/selvage/client/wardrobe/outline"
	"github.com/selvage/selvage/transfer"
	"github.com/selvage/selvage/transfer/gltfio"
)

// LayerMode says what lies over what.
type LayerMode int

const (
	// LayersOff: every garment takes its rows from its body alone.
	LayersOff LayerMode = iota
	// LayersGiven: in the order of Manifest.Layers; garments in none of them take their
	// rows from the body alone.
	LayersGiven
	// LayersFound: in the order that the garments' distances from their body say.
	LayersFound
)

// beneath gives the tasks of one body, from the inside out, what lies beneath them:
// all before it, or where layers are given those of lesser layers.
func beneath(tasks []*Task, given bool) {
	for k, t := range tasks {
		t.Inner = nil
		for _, below := range tasks[:k] {
			if !given || below.Layer >= 0 && below.Layer < t.Layer {
				t.Inner = append(t.Inner, below)
			}
		}
	}
}

// ofBody are the tasks of each body, in their order.
func ofBody(tasks []*Task) [][]*Task {
	var out [][]*Task
	at := map[*Source]int{}
	for _, t := range tasks {
		i, ok := at[t.Body]
		if !ok {
			i = len(out)
			at[t.Body] = i
			out = append(out, nil)
		}
		out[i] = append(out[i], t)
	}
	return out
}

// together keeps the garments of a body that lie over one another in one part of the
// work: their parts' key is the body's.
func together(tasks []*Task) {
	h := sha256.New()
	part(h, []byte("selvage wardrobe group 1"))
	part(h, []byte(tasks[0].Body.Name))
	part(h, tasks[0].Body.Sum[:])
	key := hex.EncodeToString(h.Sum(nil))
	for _, t := range tasks {
		t.group = key
	}
}

// waves are tasks in the order in which they can be done: each lies over none but
// those of the waves before.
func waves(tasks []*Task) [][]*Task {
	var out [][]*Task
	wave := map[*Task]int{}
	var of func(t *Task) int
	of = func(t *Task) int {
		n, ok := wave[t]
		if !ok {
			for _, below := range t.Inner {
				n = max(n, of(below)+1)
			}
			wave[t] = n
		}
		return n
	}
	for _, t := range tasks {
		n := of(t)
		for len(out) <= n {
			out = append(out, nil)
		}
		out[n] = append(out[n], t)
	}
	return out
}

// LayerError says that a garment could not be done because one beneath it was not.
type LayerError struct {
	Layer string
	Left  bool
}

func (e *LayerError) Error() string {
	if e.Left {
		return fmt.Sprintf("lies over %s, whose result was left in the store and not fetched", e.Layer)
	}
	return fmt.Sprintf("lies over %s, which failed", e.Layer)
}

// dress puts what lies beneath a task, as it is now, into its key. of is what has
// become of another task. ready is false where one of them is not done.
func (t *Task) dress(of func(*Task) *Item) (ready bool, err error) {
	if len(t.Inner) == 0 {
		return true, nil
	}
	if t.alone == "" {
		t.alone = t.Key
	}
	h := sha256.New()
	part(h, []byte("selvage wardrobe layers 1"))
	part(h, []byte(t.alone))
	t.beneath = nil
	for _, below := range t.Inner {
		i := of(below)
		switch {
		case i == nil || i.Status == Waiting:
			return false, nil
		case i.Status == Broken || i.Record == nil:
			return true, &LayerError{below.Name, i.Status != Broken}
		}
		part(h, []byte(i.Record.SHA256))
		t.beneath = append(t.beneath, Stamp{File: below.Output, Size: i.Record.Size, ModTime: i.Record.ModTime})
	}
	t.Key = hex.EncodeToString(h.Sum(nil))
	return true, nil
}

// wear returns the body with what lies beneath the task over it.
func (t *Task) wear(ctx context.Context, body *transfer.AssetBody, threads int) (*transfer.AssetBody, error) {
	if len(t.Inner) == 0 {
		return body, nil
	}
	var list []*gltfio.Asset
	for _, below := range t.Inner {
		a, err := gltfio.Open(below.Output, gltfio.Options{AllowExternal: true})
		if err != nil {
			return nil, err
		}
		list = append(list, a)
	}
	return body.WithMappedLayers(ctx, list, t.Options.JointMap, threads)
}

// layerBytes is what the layers beneath a task take by estimate, which is known when
// they are done.
func (t *Task) layerBytes() (n int64) {
	for _, below := range t.Inner {
		n += outline.Outline{Size: max(0, stampOf(below.Output).Size), Vertices: int64(below.Vertices), Triangles: 2 * int64(below.Vertices)}.BodyBytes()
	}
	return n
}

// foundOrder is an order of layers that was found.
type foundOrder struct {
	// Key of all that decides it.
	Key string `json:"key"`
	// Order of the garments' names, from the inside out.
	Order []string `json:"order"`
	Notes []string `json:"notes,omitempty"`
}

// findLayers orders the tasks of every body by the distances of their garments, and
// returns what is unclear. Orders that the state knows are not found anew. busy, where
// not nil, names tasks whose files are being written: they keep the place that they had,
// and have none where they are new.
func findLayers(ctx context.Context, tasks []*Task, records *state, busy func(*Task) bool) (notes []string, err error) {
	for _, all := range ofBody(tasks) {
		wait := func(t *Task) bool { return busy != nil && busy(t) }
		list := slices.DeleteFunc(slices.Clone(all), func(t *Task) bool { return t.Err != nil || wait(t) })
		name, waiting := all[0].Body.Name, slices.ContainsFunc(all, wait)
		records.mu.Lock()
		found, ok := records.layers[name]
		records.mu.Unlock()
		had := func(t *Task) bool { return slices.Contains(found.Order, t.Garment.Name) }
		known := waiting && ok && !slices.ContainsFunc(list, func(t *Task) bool { return !had(t) })
		if known {
			list = slices.DeleteFunc(slices.Clone(all), func(t *Task) bool { return !had(t) || t.Err != nil && !wait(t) })
		}
		if len(list) == 0 {
			continue
		}
		if key := orderKey(list); !known && (!ok || found.Key != key || len(found.Order) != len(list)) {
			if found, err = findOrder(ctx, list); err != nil {
				return nil, fmt.Errorf("body %s: the order of its layers: %w", name, err)
			}
			found.Key = key
			if !waiting {
				records.mu.Lock()
				records.layers[name], records.dirty = found, true
				records.mu.Unlock()
			}
		}
		place := map[string]int{}
		for k, garment := range found.Order {
			place[garment] = k
		}
		for _, t := range list {
			t.Layer = place[t.Garment.Name]
		}
		slices.SortStableFunc(list, func(a, b *Task) int { return a.Layer - b.Layer })
		beneath(list, false)
		for _, n := range found.Notes {
			notes = append(notes, name+": "+n)
		}
	}
	return notes, nil
}

// orderKey names an order by what decides it.
func orderKey(tasks []*Task) string {
	h := sha256.New()
	part(h, []byte("selvage wardrobe order 1"))
	part(h, tasks[0].Body.Sum[:])
	part(h, []byte(strings.Join(tasks[0].Body.Meshes, "\x00")))
	for _, t := range tasks {
		part(h, []byte(t.Garment.Name))
		part(h, t.Garment.Sum[:])
		part(h, []byte(strings.Join(t.Garment.Meshes, "\x00")))
	}
	return hex.EncodeToString(h.Sum(nil))
}

// findOrder asks the garments of one body for their distances from it.
func findOrder(ctx context.Context, tasks []*Task) (foundOrder, error) {
	body, err := prepare(ctx, tasks[0].Body, 0)
	if err != nil {
		return foundOrder{}, err
	}
	var garments []*gltfio.Asset
	for _, t := range tasks {
		if !slices.Equal(t.Garment.Meshes, tasks[0].Garment.Meshes) {
			return foundOrder{}, fmt.Errorf("%s and %s pick other meshes: give the layers in the manifest", tasks[0].Name, t.Name)
		}
		a, err := gltfio.Open(t.Garment.File, gltfio.Options{AllowExternal: true})
		if err != nil {
			return foundOrder{}, err
		}
		garments = append(garments, a)
	}
	order, _, notes, err := body.LayerOrder(ctx, garments, tasks[0].Options.Garments, 0)
	if err != nil {
		return foundOrder{}, err
	}
	found := foundOrder{Notes: notes}
	for _, k := range order {
		found.Order = append(found.Order, tasks[k].Garment.Name)
	}
	return found, nil
}
