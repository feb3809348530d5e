package skinning

import (
	"cmp"
	"context"
	"fmt"
	"slices"
	"strconv"
	"strings"

	"github.com/selvage/selvage/transfer/weights"
	"gonum.org/v1/gonum/spatial/r3"
)

// UnknownJoints says how much of a garment's weight lies on joints that a body has not.
type UnknownJoints struct {
	// Share of all weight, 0 to 1.
	Share float64
	// Count of such joints with weight, and the Names of those with the most, at most
	// three.
	Count int
	Names []string

	weight []float64 // by joint, as a share of all
}

// visibleShare is the share of the weight under which nobody sees it move.
const visibleShare = 1e-4

// WeighUnknown weighs the joints of a skin that own leads nowhere (-1); nil where no more
// than dust, a ten thousandth of the whole, lies on them. rows are over the skin's
// joints. Errors: ctx's. O(influences).
func WeighUnknown(ctx context.Context, rows *weights.Rows, skin *Skin, own []int32) (*UnknownJoints, error) {
	u := &UnknownJoints{weight: make([]float64, len(own))}
	total := 0.0
	for v := range rows.Len() {
		if v%4096 == 0 && ctx.Err() != nil {
			return nil, ctx.Err()
		}
		joint, weight := rows.Row(v)
		for i, j := range joint {
			total += weight[i]
			if own[j] < 0 {
				u.weight[j] += weight[i]
			}
		}
	}
	var list []int
	for k := range u.weight {
		if u.weight[k] > 0 {
			u.weight[k] /= total
			u.Share += u.weight[k]
			list = append(list, k)
		}
	}
	if u.Share < visibleShare {
		return nil, nil
	}
	slices.SortStableFunc(list, func(a, b int) int { return cmp.Compare(u.weight[b], u.weight[a]) })
	u.Count = len(list)
	for _, k := range list[:min(3, len(list))] {
		u.Names = append(u.Names, strconv.Quote(skin.Joints[k].Name))
	}
	return u, nil
}

// String lists the joints with the most weight.
func (u *UnknownJoints) String() string {
	s := strings.Join(u.Names, ", ")
	if more := u.Count - len(u.Names); more > 0 {
		s += fmt.Sprintf(" and %d more", more)
	}
	return s
}

// StandingFor is the share of all weight that lies on those of the joints that stand, to
// within slack metres, where a joint of the body does that own leads none of skin's
// joints to: the same joints by other names, most likely. O(joints * joints).
func (u *UnknownJoints) StandingFor(body, skin *Skin, own []int32, slack float64) float64 {
	taken := make([]bool, len(body.Joints))
	for _, j := range own {
		if j >= 0 {
			taken[j] = true
		}
	}
	share := 0.0
	for k, w := range u.weight {
		if w == 0 {
			continue
		}
		for j := range body.Joints {
			if !taken[j] && r3.Norm(r3.Sub(body.Joints[j].Global.T, skin.Joints[k].Global.T)) <= slack {
				share += w
				break
			}
		}
	}
	return share
}

// WithNames is skin with each joint that own leads to a joint of body called as that one
// is; skin is not changed.
func (skin *Skin) WithNames(body *Skin, own []int32) *Skin {
	out := *skin
	out.Joints = slices.Clone(skin.Joints)
	for k, j := range own {
		if j >= 0 {
			out.Joints[k].Name = body.Joints[j].Name
		}
	}
	return &out
}
