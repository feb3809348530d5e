package gltfio

import (
	"math"
	"strings"
	"testing"

	"gonum.org/v1/gonum/spatial/r3"
)

// swing is a parent and a child 1 m along x; the animation turns the parent about z
// and moves the child, both from 0 to 2 seconds.
func swing(mode string, path string, values []float32) *builder {
	b := newBuilder()
	b.add("nodes", obj{"name": "parent", "children": []any{1}})
	b.add("nodes", obj{"name": "child", "translation": []any{1, 0, 0}})
	b.add("scenes", obj{"nodes": []any{0}})
	shape, comps := "VEC4", 4
	if path == "translation" || path == "scale" {
		shape, comps = "VEC3", 3
	}
	times := b.floats("SCALAR", 1, 0, 2)
	out := b.floats(shape, comps, values...)
	b.add("animations", obj{
		"name":     "swing",
		"samplers": []any{obj{"input": times, "output": out, "interpolation": mode}},
		"channels": []any{obj{"sampler": 0, "target": obj{"node": 0, "path": path}}},
	})
	return b
}

// Values of appendix C of the specification, worked out by hand.
func TestAnimations_Interpolation(t *testing.T) {
	h := float32(math.Sqrt2 / 2)
	half := math.Sqrt2 / 2
	for _, c := range []struct {
		name, mode, path string
		values           []float32
		time             float64
		want             r3.Vec // of the child's origin
	}{
		// A quarter turn: half of it after a second.
		{"slerp", "LINEAR", "rotation", []float32{0, 0, 0, 1, 0, 0, h, h}, 1, r3.Vec{X: half, Y: half}},
		{"slerp the shorter way", "LINEAR", "rotation", []float32{0, 0, 0, 1, 0, 0, -h, -h}, 1, r3.Vec{X: half, Y: half}},
		{"before", "LINEAR", "rotation", []float32{0, 0, 0, 1, 0, 0, h, h}, -5, r3.Vec{X: 1}},
		{"after", "LINEAR", "rotation", []float32{0, 0, 0, 1, 0, 0, h, h}, 9, r3.Vec{Y: 1}},
		{"step", "STEP", "rotation", []float32{0, 0, 0, 1, 0, 0, h, h}, 1.9, r3.Vec{X: 1}},
		{"linear", "LINEAR", "translation", []float32{0, 0, 0, 4, 8, 0}, 0.5, r3.Vec{X: 2, Y: 2}},
		{"scale", "LINEAR", "scale", []float32{1, 1, 1, 3, 1, 1}, 1, r3.Vec{X: 2}},
		// In-tangent, value, out-tangent at each key; out-tangent (1,0,0) a second at the
		// first, in-tangent (0,-2,0) at the second, values 0 and (4,0,0), span 2 s, u = 1/2:
		// 2 (1/8) (1,0,0) + (1/2) (4,0,0) + 2 (-1/8) (0,-2,0) = (2.25, 0.5, 0).
		{"cubic spline", "CUBICSPLINE", "translation", []float32{9, 9, 9, 0, 0, 0, 1, 0, 0, 0, -2, 0, 4, 0, 0, 9, 9, 9}, 1, r3.Vec{X: 3.25, Y: 0.5}},
	} {
		t.Run(c.name, func(t *testing.T) {
			list, err := swing(c.mode, c.path, c.values).parse(t).Animations()
			if err != nil {
				t.Fatal(err)
			}
			if len(list) != 1 || list[0].Name != "swing" || list[0].Start != 0 || list[0].End != 2 {
				t.Fatalf("%+v", list)
			}
			if got := list[0].Globals(c.time)[1].T; r3.Norm(r3.Sub(got, c.want)) > 1e-6 { // float32 in the file
				t.Errorf("the child stands at %v, want %v", got, c.want)
			}
		})
	}
}

func TestAnimations_OthersAndFaults(t *testing.T) {
	b := swing("LINEAR", "rotation", []float32{0, 0, 0, 1, 0, 0, 0, 1})
	channel := b.list("animations")[0].(obj)["channels"].([]any)[0].(obj)
	channel["target"].(obj)["path"] = "pointer"
	if list, err := b.parse(t).Animations(); err != nil || len(list) != 0 {
		t.Errorf("a path that is not a node's: %v, %v", list, err)
	}
	for name, change := range map[string]func(x obj){
		"node 7 does not exist":    func(x obj) { x["channels"].([]any)[0].(obj)["target"].(obj)["node"] = 7 },
		"sampler 3 does not exist": func(x obj) { x["channels"].([]any)[0].(obj)["sampler"] = 3 },
		"do not ascend":            func(x obj) { x["samplers"].([]any)[0].(obj)["input"] = 2 },
		"values for 2 keyframes":   func(x obj) { x["samplers"].([]any)[0].(obj)["output"] = 3 },
		"is null":                  func(x obj) { x["channels"] = []any{nil} },
	} {
		b := swing("LINEAR", "rotation", []float32{0, 0, 0, 1, 0, 0, 0, 1})
		b.floats("SCALAR", 1, 2, 1)
		b.floats("VEC4", 4, 0, 0, 0, 1)
		change(b.list("animations")[0].(obj))
		_, err := b.parse(t).Animations()
		if err == nil || !strings.Contains(err.Error(), name) || !strings.Contains(err.Error(), "animation 0 channel 0") {
			t.Errorf("%s: %v", name, err)
		}
	}
}
