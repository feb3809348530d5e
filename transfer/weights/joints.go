package weights

import (
	"context"
	"errors"
	"fmt"
	"path"
	"strings"
)

// ErrNoJointAllowed says that the lists leave no joint to carry weight.
var ErrNoJointAllowed = errors.New("no joint is allowed")

// AllowedJoints reports for each name whether a joint of that name may carry
// weight: it matches a pattern of allow (an empty list allows all) and none of
// deny. Patterns are those of path.Match, except that * and ? match / too.
func AllowedJoints(names, allow, deny []string) ([]bool, error) {
	// path.Match stops * at slashes only: hide them behind a byte no name holds.
	hide := func(s string) string { return strings.ReplaceAll(s, "/", "\x00") }
	for _, p := range append(append([]string(nil), allow...), deny...) {
		if _, err := path.Match(hide(p), ""); err != nil {
			return nil, fmt.Errorf("joint pattern %q: %w", p, err)
		}
	}
	matches := func(list []string, name string) bool {
		for _, p := range list {
			if ok, _ := path.Match(hide(p), hide(name)); ok {
				return true
			}
		}
		return false
	}
	out := make([]bool, len(names))
	for j, name := range names {
		out[j] = (len(allow) == 0 || matches(allow, name)) && !matches(deny, name)
	}
	return out, nil
}

// RestrictJoints moves the weight of joints that are not allowed (see
// AllowedJoints) to their nearest allowed ancestor; failing that to the allowed
// joint of the row with the largest weight (ties: lower index); failing that to
// the first allowed joint of the skin. Row sums stay, up to rounding. names and
// parents are per joint, parents -1 at roots. Errors: a bad pattern, a joint
// outside names, ErrNoJointAllowed.
func RestrictJoints(r *Rows, names []string, parents []int32, allow, deny []string) (*Rows, error) {
	return RestrictJointsContext(context.Background(), r, names, parents, allow, deny)
}

// RestrictJointsContext is RestrictJoints that ends with ctx's error soon after ctx
// is done.
func RestrictJointsContext(ctx context.Context, r *Rows, names []string, parents []int32, allow, deny []string) (*Rows, error) {
	if len(names) != len(parents) {
		return nil, fmt.Errorf("%d joint names for %d parents", len(names), len(parents))
	}
	allowed, err := AllowedJoints(names, allow, deny)
	if err != nil {
		return nil, err
	}
	first := -1
	to := make([]int32, len(names)) // the nearest allowed joint upwards, or -1
	for j := range names {
		if allowed[j] && first < 0 {
			first = j
		}
		// Steps are counted in case the parents run in a circle.
		k := int32(j)
		for steps := 0; k >= 0 && int(k) < len(names) && !allowed[k]; steps++ {
			if k = parents[k]; steps > len(names) {
				k = -1
			}
		}
		if int(k) >= len(names) {
			return nil, fmt.Errorf("joint %d: an ancestor's parent %d is outside 0..%d", j, k, len(names)-1)
		}
		to[j] = max(k, -1)
	}
	if first < 0 {
		return nil, ErrNoJointAllowed
	}
	acc := NewAccumulator(len(names))
	out := NewRows(r.Len())
	for v := 0; v < r.Len(); v++ {
		if v%finishBatch == 0 && ctx.Err() != nil {
			return nil, ctx.Err()
		}
		joint, weight := r.Row(v)
		largest := -1
		for i, j := range joint {
			if int(j) >= len(names) {
				return nil, fmt.Errorf("vertex %d: joint %d is outside 0..%d", v, j, len(names)-1)
			}
			if allowed[j] && (largest < 0 || weight[i] > weight[largest]) {
				largest = i
			}
		}
		rest := uint16(first)
		if largest >= 0 {
			rest = joint[largest]
		}
		for i, j := range joint {
			if k := to[j]; k >= 0 {
				acc.Add(uint16(k), weight[i])
			} else {
				acc.Add(rest, weight[i])
			}
		}
		acc.Flush(out)
	}
	return out, nil
}
