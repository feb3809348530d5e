package gltfio

// Animations, sampled: the global transform of every node at a moment.
// Source: glTF 2.0 specification, section 3.11 (Animations) and appendix C
// (Animation Sampler Interpolation Modes).

import (
	"fmt"
	"math"
	"slices"

	"github.com/qmuntal/gltf"
)

// Animation is one animation of an asset that moves nodes.
type Animation struct {
	Name       string
	Start, End float64 // seconds, of the first and last keyframe

	asset   *Asset
	channel []channel
}

// channel is the course of one property of one node.
type channel struct {
	node  int
	path  string // translation, rotation or scale
	width int    // components of a value
	mode  gltf.Interpolation
	time  []float64
	value []float64
}

// Animations reads the animations that move nodes. Channels of other properties
// (morph weights, pointers) are left out, and so are animations without others.
func (a *Asset) Animations() ([]*Animation, error) {
	var out []*Animation
	raw, _ := a.root["animations"].([]any)
	for i, x := range a.doc.Animations {
		n := &Animation{Name: x.Name, Start: math.Inf(1), End: math.Inf(-1), asset: a}
		for k, c := range x.Channels {
			where := fmt.Sprintf("animation %d channel %d", i, k)
			if c == nil {
				return nil, a.fault(where, "is null")
			}
			path := rawPath(raw, i, k)
			width := map[string]int{"translation": 3, "rotation": 4, "scale": 3}[path]
			if c.Target.Node == nil || width == 0 {
				continue
			}
			if *c.Target.Node < 0 || *c.Target.Node >= len(a.doc.Nodes) {
				return nil, a.fault(where, "node %d does not exist", *c.Target.Node)
			}
			if c.Sampler < 0 || c.Sampler >= len(x.Samplers) || x.Samplers[c.Sampler] == nil {
				return nil, a.fault(where, "sampler %d does not exist", c.Sampler)
			}
			s := x.Samplers[c.Sampler]
			h := channel{node: *c.Target.Node, path: path, width: width, mode: s.Interpolation}
			var err error
			if h.time, err = a.floats(s.Input, gltf.AccessorScalar, where+" input"); err != nil {
				return nil, err
			}
			shape := gltf.AccessorVec3
			if width == 4 {
				shape = gltf.AccessorVec4
			}
			if h.value, err = a.floats(s.Output, shape, where+" output"); err != nil {
				return nil, err
			}
			per := width
			if h.mode == gltf.InterpolationCubicSpline {
				per *= 3
			}
			if len(h.time) == 0 || len(h.value) < per*len(h.time) {
				return nil, a.fault(where, "%d values for %d keyframes", len(h.value)/per, len(h.time))
			}
			for q, t := range h.time {
				if math.IsNaN(t) || math.IsInf(t, 0) || q > 0 && t <= h.time[q-1] {
					return nil, a.fault(where, "the times of its keyframes do not ascend")
				}
			}
			for _, v := range h.value {
				if math.IsNaN(v) || math.IsInf(v, 0) {
					return nil, a.fault(where, "a value is not finite")
				}
			}
			n.Start, n.End = min(n.Start, h.time[0]), max(n.End, h.time[len(h.time)-1])
			n.channel = append(n.channel, h)
		}
		if len(n.channel) > 0 {
			out = append(out, n)
		}
	}
	return out, nil
}

// rawPath is the target's path as the file has it: the decoder takes those that it
// does not know for translations.
func rawPath(animations []any, i, k int) string {
	if i >= len(animations) {
		return ""
	}
	x, _ := animations[i].(map[string]any)
	list, _ := x["channels"].([]any)
	if k >= len(list) {
		return ""
	}
	c, _ := list[k].(map[string]any)
	target, _ := c["target"].(map[string]any)
	path, _ := target["path"].(string)
	return path
}

// at is the value at time t, held at the ends.
func (h *channel) at(t float64) []float64 {
	w := h.width
	stride, shift := w, 0
	if h.mode == gltf.InterpolationCubicSpline {
		stride, shift = 3*w, w // in-tangent, value, out-tangent
	}
	value := func(k int) []float64 { return h.value[k*stride+shift : k*stride+shift+w] }
	k, exact := slices.BinarySearch(h.time, t)
	switch {
	case exact:
		return value(k)
	case k == 0:
		return value(0)
	case k == len(h.time):
		return value(k - 1)
	}
	k--
	span := h.time[k+1] - h.time[k]
	u := (t - h.time[k]) / span
	a, b := value(k), value(k+1)
	out := make([]float64, w)
	switch {
	case h.mode == gltf.InterpolationStep:
		return a
	case h.mode == gltf.InterpolationCubicSpline:
		from, to := h.value[k*stride+2*w:], h.value[(k+1)*stride:]
		for i := range out {
			out[i] = (2*u*u*u-3*u*u+1)*a[i] + span*(u*u*u-2*u*u+u)*from[i] + (-2*u*u*u+3*u*u)*b[i] + span*(u*u*u-u*u)*to[i]
		}
	case h.path == "rotation":
		slerp(out, a, b, u)
	default:
		for i := range out {
			out[i] = (1-u)*a[i] + u*b[i]
		}
	}
	return out
}

// slerp goes the shorter way along the great circle from a to b (appendix C.4).
func slerp(out, a, b []float64, u float64) {
	d := 0.0
	for i := range a {
		d += a[i] * b[i]
	}
	s := 1.0
	if d < 0 {
		s, d = -1, -d
	}
	x, y := 1-u, u
	if angle := math.Acos(min(d, 1)); angle > 1e-6 {
		x, y = math.Sin(angle*(1-u))/math.Sin(angle), math.Sin(angle*u)/math.Sin(angle)
	}
	for i := range out {
		out[i] = x*a[i] + s*y*b[i]
	}
}

// Globals returns the global transform of every node at t seconds; before Start and
// after End the animation stands still. O(nodes + channels).
func (n *Animation) Globals(t float64) []matrix {
	a := n.asset
	type trs struct {
		translation, rotation, scale []float64
	}
	moved := map[int]*trs{}
	for i := range n.channel {
		h := &n.channel[i]
		m := moved[h.node]
		if m == nil {
			x := a.doc.Nodes[h.node]
			r, s := x.RotationOrDefault(), x.ScaleOrDefault()
			m = &trs{x.Translation[:], r[:], s[:]}
			moved[h.node] = m
		}
		switch h.path {
		case "translation":
			m.translation = h.at(t)
		case "rotation":
			m.rotation = h.at(t)
		case "scale":
			m.scale = h.at(t)
		}
	}
	out := make([]matrix, len(a.doc.Nodes))
	done := make([]bool, len(out))
	var path []int
	for i := range out {
		// From the nearest ancestor that is done, downwards.
		path = path[:0]
		for k := i; k >= 0 && !done[k]; k = int(a.parent[k]) {
			path = append(path, k)
		}
		for q := len(path) - 1; q >= 0; q-- {
			k := path[q]
			var l matrix
			if m := moved[k]; m != nil {
				l = fromTRS(m.translation, m.rotation, m.scale)
			} else {
				l = a.local(k)
			}
			if p := a.parent[k]; p >= 0 {
				l = out[p].Mul(&l)
			}
			out[k], done[k] = l, true
		}
	}
	return out
}

// fromTRS is T * R * S (section 3.5.3), the rotation normalised.
func fromTRS(t, q, s []float64) matrix {
	x, y, z, w := q[0], q[1], q[2], q[3]
	if l := math.Sqrt(x*x + y*y + z*z + w*w); l > 0 {
		x, y, z, w = x/l, y/l, z/l, w/l
	}
	m := matrix{M: [9]float64{
		(1 - 2*(y*y+z*z)) * s[0], 2 * (x*y - z*w) * s[1], 2 * (x*z + y*w) * s[2],
		2 * (x*y + z*w) * s[0], (1 - 2*(x*x+z*z)) * s[1], 2 * (y*z - x*w) * s[2],
		2 * (x*z - y*w) * s[0], 2 * (y*z + x*w) * s[1], (1 - 2*(x*x+y*y)) * s[2],
	}}
	m.T.X, m.T.Y, m.T.Z = t[0], t[1], t[2]
	return m
}
