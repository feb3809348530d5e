package retouch

import "slices"

// LostJoint is a joint that a fill leaves little of.
type LostJoint struct {
	Joint string `json:"joint"`
	// Vertices of the region whose rows it led, with the largest weight; none is left.
	Vertices int `json:"vertices"`
	// Share of all its weight on the surface that is gone, above mostLost.
	Share float64 `json:"share"`
}

// mostLost is the share of a joint's weight from which on losing it is worth a word: a
// repair takes a part of a joint's weight and gives back about as much.
const mostLost = 0.5

// lostJoints are the joints that a fill of the vertices in mask all but took out: a
// region that holds what a joint moves has nothing of that joint around it.
func lostJoints(s *Surface, r *Result, in func(v int) bool) (out []LostJoint) {
	n := len(s.Skin.Joints)
	before, after := make([]float64, n), make([]float64, n)
	led, leads := make([]int, n), make([]int, n)
	for v := range r.Changed {
		joint, weight := s.Rows.Row(v)
		now, nowWeight := r.Rows.Row(v)
		for i, j := range joint {
			before[j] += weight[i]
		}
		for i, j := range now {
			after[j] += nowWeight[i]
		}
		if !in(v) {
			continue
		}
		if len(joint) > 0 {
			led[joint[slices.Index(weight, slices.Max(weight))]]++
		}
		if len(now) > 0 {
			leads[now[slices.Index(nowWeight, slices.Max(nowWeight))]]++
		}
	}
	for j := range before {
		if led[j] > 0 && leads[j] == 0 && after[j] < (1-mostLost)*before[j] {
			out = append(out, LostJoint{s.Skin.Joints[j].Name, led[j], 1 - after[j]/before[j]})
		}
	}
	return out
}
