package gltfio

import (
	"bytes"
	"encoding/json"
	"os"
	"path/filepath"
	"reflect"
	"slices"
	"testing"

	"github.com/selvage/selvage/transfer/weights"
)

// legs is the builder's body and its only primitive.
func legs() (*builder, obj) {
	b := newBuilder()
	b.body()
	b.root["extensionsUsed"] = []any{"HARBOUR_tide"}
	b.root["extensions"] = obj{"HARBOUR_tide": obj{"accessor": 99}}
	prim := b.list("meshes")[0].(obj)["primitives"].([]any)[0].(obj)
	return b, prim
}

// half gives one vertex of every surface the row 0.5, 0.5.
func half(t testing.TB, a *Asset, sel Selection, v int) []Reweighted {
	t.Helper()
	list, err := a.Skinned(sel)
	if err != nil {
		t.Fatal(err)
	}
	var out []Reweighted
	for _, s := range list {
		n := s.Mesh.NumVertices()
		rows, err := weights.Quantise(even(n, []uint16{0, 1}, []float64{0.5, 0.5}), s.Stored[0].Format)
		if err != nil {
			t.Fatal(err)
		}
		x := Reweighted{Surface: s, Rows: rows, Changed: make([]bool, n), Format: s.Stored[0].Format}
		for _, p := range s.Parts {
			x.Changed[p.Start+v] = true
		}
		out = append(out, x)
	}
	return out
}

// attribute is the accessor of a primitive's attribute.
func attribute(a *Asset, primitive int, name string) int {
	i, ok := a.doc.Meshes[0].Primitives[primitive].Attributes[name]
	if !ok {
		return -1
	}
	return i
}

// TestReweight_Layouts: one row changes, whatever the layout of the accessors; all
// other rows, the stored positions and everything else stay.
func TestReweight_Layouts(t *testing.T) {
	for _, c := range []struct {
		name   string
		change func(b *builder, prim obj)
	}{
		{"plain", func(*builder, obj) {}},
		{"joints in two bytes", func(b *builder, prim obj) {
			var j []uint16
			for range 12 {
				j = append(j, 0, 1, 0, 0)
			}
			prim["attributes"].(obj)["JOINTS_0"] = b.accessor(5123, "VEC4", 12, u16(j...), nil)
		}},
		{"weights in bytes", func(b *builder, prim obj) {
			var w []byte
			for i := range 12 {
				w = append(w, byte(255-17*i), byte(17*i), 0, 0)
			}
			prim["attributes"].(obj)["WEIGHTS_0"] = b.accessor(5121, "VEC4", 12, w, obj{"normalized": true})
		}},
		{"interleaved", func(b *builder, prim obj) {
			var all []byte
			for i := range 12 {
				k := float32(i) / 12
				all = append(append(all, f32(1-k, k, 0, 0)...), 0, 1, 0, 0)
			}
			view := b.view(all, 20)
			prim["attributes"].(obj)["WEIGHTS_0"] = b.add("accessors", obj{"bufferView": view, "componentType": 5126, "type": "VEC4", "count": 12})
			prim["attributes"].(obj)["JOINTS_0"] = b.add("accessors", obj{"bufferView": view, "byteOffset": 16, "componentType": 5121, "type": "VEC4", "count": 12})
		}},
		{"sparse", func(b *builder, prim obj) {
			i := prim["attributes"].(obj)["WEIGHTS_0"].(int)
			b.list("accessors")[i].(obj)["sparse"] = obj{
				"count":   1,
				"indices": obj{"bufferView": b.view([]byte{4}, 0), "componentType": 5121},
				"values":  obj{"bufferView": b.view(f32(0.25, 0.75, 0, 0), 0)},
			}
		}},
	} {
		t.Run(c.name, func(t *testing.T) {
			b, prim := legs()
			c.change(b, prim)
			a := b.parse(t)
			before, err := a.Skinned(Selection{})
			if err != nil {
				t.Fatal(err)
			}
			out, err := a.Reweight(half(t, a, Selection{}, 7))
			if err != nil {
				t.Fatal(err)
			}
			var data bytes.Buffer
			if err := out.Encode(&data); err != nil {
				t.Fatal(err)
			}
			if out, err = Parse(data.Bytes(), "again", Options{}); err != nil {
				t.Fatal(err)
			}
			after, err := out.Skinned(Selection{})
			if err != nil {
				t.Fatal(err)
			}
			x, y := before[0], after[0]
			if !slices.Equal(x.Bind, y.Bind) || y.Stored[0].Sets != 1 || x.Stored[0].Format != y.Stored[0].Format || x.Stored[0].wide != y.Stored[0].wide {
				t.Errorf("positions or form changed: %+v, %+v", x.Stored[0].Format, y.Stored[0].Format)
			}
			for v := range x.Bind {
				j, w := y.Stored[0].Joint[4*v:4*v+4], y.Stored[0].Weight[4*v:4*v+4]
				if v == 7 {
					if _, want := half(t, a, Selection{}, 7)[0].Rows.Row(7); !slices.Equal(w[:2], want) {
						t.Errorf("the new row is %v, want %v", w, want)
					}
					continue
				}
				if !slices.Equal(j, x.Stored[0].Joint[4*v:4*v+4]) || !slices.Equal(w, x.Stored[0].Weight[4*v:4*v+4]) {
					t.Errorf("vertex %d became %v %v", v, j, w)
				}
			}
			for key := range a.root {
				switch key {
				case "accessors", "bufferViews", "buffers":
				default:
					p, _ := json.Marshal(a.root[key])
					q, _ := json.Marshal(out.root[key])
					if !bytes.Equal(p, q) && key != "meshes" {
						t.Errorf("%s changed: %s, was %s", key, q, p)
					}
				}
			}
			if i, j := attribute(a, 0, "POSITION"), attribute(out, 0, "POSITION"); i != j {
				t.Errorf("positions moved from accessor %d to %d", i, j)
			}
		})
	}
}

// TestReweight_Shared: primitives that share their rows still do; where one of them is
// left out it keeps the old ones.
func TestReweight_Shared(t *testing.T) {
	b, prim := legs()
	b.add("materials", obj{"name": "cloth"})
	b.add("materials", obj{"name": "boot"})
	prim["material"] = 0
	other := obj{}
	for k, v := range prim {
		other[k] = v
	}
	other["material"] = 1
	m := b.list("meshes")[0].(obj)
	m["primitives"] = append(m["primitives"].([]any), other)
	a := b.parse(t)

	out, err := a.Reweight(half(t, a, Selection{}, 3))
	if err != nil {
		t.Fatal(err)
	}
	if i, j := attribute(out, 0, "WEIGHTS_0"), attribute(out, 1, "WEIGHTS_0"); i != j || i != attribute(a, 0, "WEIGHTS_0") || len(out.doc.Accessors) != len(a.doc.Accessors) {
		t.Errorf("accessors %d and %d, were %d; %d accessors, were %d", i, j, attribute(a, 0, "WEIGHTS_0"), len(out.doc.Accessors), len(a.doc.Accessors))
	}
	out, err = a.Reweight(half(t, a, Selection{Names: []string{"boot"}}, 3))
	if err != nil {
		t.Fatal(err)
	}
	if i, j := attribute(out, 0, "WEIGHTS_0"), attribute(out, 1, "WEIGHTS_0"); i == j || i != attribute(a, 0, "WEIGHTS_0") {
		t.Errorf("accessors %d and %d, were %d", i, j, attribute(a, 0, "WEIGHTS_0"))
	}
	before, _ := a.Skinned(Selection{Names: []string{"cloth"}})
	after, err := out.Skinned(Selection{Names: []string{"cloth"}})
	if err != nil || !reflect.DeepEqual(before[0].Stored, after[0].Stored) {
		t.Errorf("the primitive that was left out changed (%v)", err)
	}
}

func TestReweight_Refused(t *testing.T) {
	b, _ := legs()
	a := b.parse(t)
	list := half(t, a, Selection{}, 2)
	list[0].Rows = even(12, []uint16{0, 1}, []float64{0.5, 0.4})
	if _, err := a.Reweight(list); err == nil {
		t.Error("a row that sums to 0.9 is written")
	}
	list[0].Rows = even(3, []uint16{0}, []float64{1})
	if _, err := a.Reweight(list); err == nil {
		t.Error("three rows for twelve vertices are written")
	}
	list = half(t, a, Selection{}, 2)
	list[0].Changed[2] = false
	if out, err := a.Reweight(list); err != nil || out != a {
		t.Errorf("without a change it is another asset (%v)", err)
	}
}

// TestSaveUnchanged: the bytes themselves, where they are the same asset there.
func TestSaveUnchanged(t *testing.T) {
	b, _ := legs()
	b.add("images", obj{"uri": "flag.png"})
	from, to := t.TempDir(), t.TempDir()
	if err := os.WriteFile(filepath.Join(from, "flag.png"), []byte("picture"), 0o600); err != nil {
		t.Fatal(err)
	}
	data := b.glb()
	file := filepath.Join(from, "legs.glb")
	if err := os.WriteFile(file, data, 0o600); err != nil {
		t.Fatal(err)
	}
	a, err := Open(file, Options{AllowExternal: true})
	if err != nil {
		t.Fatal(err)
	}
	for name, same := range map[string]bool{
		filepath.Join(from, "copy.glb"): true, filepath.Join(from, "copy.gltf"): false, filepath.Join(to, "copy.glb"): false,
	} {
		missing, err := a.SaveUnchanged(name, data)
		if err != nil || len(missing) > 0 {
			t.Fatal(missing, err)
		}
		got, err := os.ReadFile(name)
		if err != nil || bytes.Equal(got, data) != same {
			t.Errorf("%s: the same bytes: %v, want %v (%v)", filepath.Base(name), !same, same, err)
		}
		if back, err := Open(name, Options{AllowExternal: true}); err != nil || len(back.doc.Images) != 1 {
			t.Errorf("%s: %v", name, err)
		}
	}
	plain, _ := legs()
	data = plain.glb()
	if a, err = Parse(data, "legs.glb", Options{}); err != nil {
		t.Fatal(err)
	}
	name := filepath.Join(to, "plain.glb")
	if _, err := a.SaveUnchanged(name, data); err != nil {
		t.Fatal(err)
	}
	if got, _ := os.ReadFile(name); !bytes.Equal(got, data) {
		t.Error("an asset in one piece changed on its way to another folder")
	}
}

// FuzzReweight writes rows into hostile assets: no panic, and what is written reads
// back with the rows that were asked for.
func FuzzReweight(f *testing.F) {
	b, prim := legs()
	f.Add(b.json(), uint8(1))
	var j []byte
	for range 12 {
		j = append(j, 1, 1, 0, 0)
	}
	prim["attributes"].(obj)["JOINTS_1"] = b.accessor(5121, "VEC4", 12, j, nil)
	prim["attributes"].(obj)["WEIGHTS_1"] = b.floats("VEC4", 4, make([]float32, 48)...)
	f.Add(b.json(), uint8(0))
	f.Add(sharedPrimitives().json(), uint8(3))
	f.Fuzz(func(t *testing.T, data []byte, which uint8) {
		a, err := Parse(data, "fuzz", Options{MaxBytes: 1 << 20})
		if err != nil {
			return
		}
		list, err := a.Skinned(Selection{})
		if err != nil {
			return
		}
		var todo []Reweighted
		for _, s := range list {
			n := s.Mesh.NumVertices()
			if n > 1<<12 {
				return
			}
			x := Reweighted{Surface: s, Rows: even(n, []uint16{0}, []float64{1}), Changed: make([]bool, n), Sets: int(which>>4) % 3}
			for v := range x.Changed {
				x.Changed[v] = v%4 == int(which%4)
			}
			todo = append(todo, x)
		}
		out, err := a.Reweight(todo)
		if err != nil {
			return
		}
		var w bytes.Buffer
		if err := out.Encode(&w); err != nil {
			return
		}
		back, err := Parse(w.Bytes(), "again", Options{})
		if err != nil {
			t.Fatalf("what was written cannot be read: %v", err)
		}
		after, err := back.Skinned(Selection{})
		if err != nil || len(after) != len(list) {
			t.Fatalf("%d surfaces of %d: %v", len(after), len(list), err)
		}
		for i, s := range after {
			for v, changed := range todo[i].Changed {
				if joint, weight := s.Rows.Row(v); changed && (len(joint) != 1 || joint[0] != 0 || weight[0] != 1) {
					t.Fatalf("vertex %d has %v %v", v, joint, weight)
				}
			}
		}
	})
}
