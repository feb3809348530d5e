package pass

import (
	"crypto/sha256"

	"github.com/selvage/selvage/transfer"
	"github.com/selvage/selvage/transfer/skinning"
	"github.com/selvage/selvage/transfer/weights"
)

// Joint is a joint that rows refer to.
type Joint struct {
	// Name may be empty and need not be unique.
	Name string
	// Parent is the index of the nearest ancestor in the same list, -1 where there
	// is none.
	Parent int32
}

// JointsOf lists the joints of a skin.
func JointsOf(s *skinning.Skin) []Joint {
	out := make([]Joint, len(s.Joints))
	for j := range s.Joints {
		out[j] = Joint{Name: s.Joints[j].Name, Parent: int32(s.Joints[j].Parent)}
	}
	return out
}

// JointMap leads from one list of joints to another.
type JointMap struct {
	// To is the joint that takes the weight of each; -1 where none does.
	To []int32
	// Gone says of each joint that the other list does not have it. Its weight goes
	// to its nearest ancestor that the other list has.
	Gone []bool
	size int // of the other list
	same bool
}

// MapJoints matches joints by name where both lists have it once, else by the
// names on the way from the root and their order among equals. O(joints).
func MapJoints(from, to []Joint) *JointMap {
	return climb(from, to, counterparts(from, to))
}

// MapJointsBy is MapJoints where to belongs to a transfer with options: its joint
// map goes before names for joints that to lacks, and, where the rows are over the
// body's skin, for those whose weight the map takes away. Errors: a faulty map.
func MapJointsBy(from, to []Joint, o transfer.AssetOptions) (*JointMap, error) {
	direct := counterparts(from, to)
	if len(o.JointMap) == 0 {
		return climb(from, to, direct), nil
	}
	rules, err := transfer.CompileJointRules(o.JointMap)
	if err != nil {
		return nil, err
	}
	byName, _ := indexJoints(to)
	lead := func(name string) int32 {
		out := int32(-1)
		if name != "" {
			rules.Each(name, func(_ int, to string) bool {
				if list := byName[to]; len(list) > 0 {
					out = list[0]
				}
				return out < 0
			})
		}
		return out
	}
	// A joint that some joint's weight goes to keeps what it has: rows of the last
	// pass have been through the map.
	takes := make([]bool, len(to))
	for k := range to {
		if t := lead(to[k].Name); t >= 0 {
			takes[t] = true
		} else {
			takes[k] = true
		}
	}
	for j := range from {
		if k := direct[j]; k < 0 || o.Skin == transfer.SkinBody && !takes[k] {
			if t := lead(from[j].Name); t >= 0 {
				direct[j] = t
			}
		}
	}
	return climb(from, to, direct), nil
}

// counterparts leads from each joint to the one of the other list that it is, -1
// where there is none.
func counterparts(from, to []Joint) []int32 {
	direct := make([]int32, len(from))
	byName, byPath := indexJoints(to)
	fromName, fromPath := indexJoints(from)
	for j := range from {
		direct[j] = -1
		name := from[j].Name
		if a, b := fromName[name], byName[name]; name != "" && len(a) == 1 && len(b) == 1 {
			direct[j] = b[0]
		}
	}
	for path, list := range fromPath {
		for k, j := range list {
			if other := byPath[path]; direct[j] < 0 && k < len(other) && (from[j].Name == "" || len(fromName[from[j].Name]) > 1 || len(byName[from[j].Name]) > 1) {
				direct[j] = other[k]
			}
		}
	}
	return direct
}

// climb gives the joints without a counterpart that of their nearest ancestor that
// has one.
func climb(from, to []Joint, direct []int32) *JointMap {
	m := &JointMap{To: make([]int32, len(from)), Gone: make([]bool, len(from)), size: len(to), same: len(from) == len(to)}
	// Each way up is walked once.
	const unknown, walking = -3, -2
	for j := range m.To {
		m.To[j] = unknown
	}
	var way []int32
	for j := range from {
		m.Gone[j] = direct[j] < 0
		way = way[:0]
		k, to := int32(j), int32(-1)
		for k >= 0 && int(k) < len(from) && m.To[k] == unknown {
			if direct[k] >= 0 {
				m.To[k] = direct[k]
				break
			}
			m.To[k] = walking
			way = append(way, k)
			k = from[k].Parent
		}
		if k >= 0 && int(k) < len(from) && m.To[k] >= 0 {
			to = m.To[k] // else a root, or a ring of parents
		}
		for _, k := range way {
			m.To[k] = to
		}
		m.same = m.same && m.To[j] == int32(j)
	}
	return m
}

// indexJoints lists the joints of each name, and of each sequence of names up to
// the root (by its SHA-256), ascending. O(joints).
func indexJoints(list []Joint) (name map[string][]int32, path map[[sha256.Size]byte][]int32) {
	name, path = map[string][]int32{}, map[[sha256.Size]byte][]int32{}
	sum := make([][sha256.Size]byte, len(list))
	state := make([]uint8, len(list)) // 1: on the way, 2: known
	var way []int32
	for j := range list {
		way = way[:0]
		k := int32(j)
		for k >= 0 && int(k) < len(list) && state[k] == 0 {
			state[k] = 1
			way = append(way, k)
			k = list[k].Parent
		}
		var above [sha256.Size]byte // of a root, and where parents run in a ring
		if k >= 0 && int(k) < len(list) && state[k] == 2 {
			above = sum[k]
		}
		for i := len(way) - 1; i >= 0; i-- {
			k := way[i]
			above = sha256.Sum256(append(above[:], list[k].Name...))
			sum[k], state[k] = above, 2
		}
	}
	for j := range list {
		name[list[j].Name] = append(name[list[j].Name], int32(j))
		path[sum[j]] = append(path[sum[j]], int32(j))
	}
	return name, path
}

// Rows returns r over the other list's joints. Weights of joints that meet are
// added; where weight has nowhere to go the rest of the row is scaled to one, and
// a row without any rest is empty. Where all joints keep their index the result is
// r itself; else weights that meet no other keep their bits.
func (m *JointMap) Rows(r *weights.Rows) *weights.Rows {
	if m.same {
		return r
	}
	out, acc := weights.NewRows(r.Len()), weights.NewAccumulator(m.size)
	for v := range r.Len() {
		joint, weight := r.Row(v)
		lost := false
		for i, j := range joint {
			if to := m.To[j]; to >= 0 {
				acc.Add(uint16(to), weight[i])
			} else {
				lost = true
			}
		}
		if lost {
			acc.FlushNormalised(out)
		} else {
			acc.Flush(out)
		}
	}
	return out
}

// IsOtherBody reports whether a body whose joints have some names is another one than that
// of a record: fewer than half of the smaller of both sets of names are in both. A recorded
// name that rules lead to one of the body's is in both: the joint was renamed. A set that
// has grown or shrunk is the same body's, and bodies of one skeleton cannot be told apart.
// It takes rows over the body's skin; where either has no names nothing can be told.
// shared is the number in both. Errors: a faulty rule.
func IsOtherBody(recorded []Joint, body []string, rules []transfer.JointRule) (other bool, shared, of int, err error) {
	compiled, err := transfer.CompileJointRules(rules)
	if err != nil {
		return false, 0, 0, err
	}
	was, is := map[string]bool{}, map[string]bool{}
	for _, j := range recorded {
		was[j.Name] = true
	}
	for _, name := range body {
		is[name] = true
	}
	delete(was, "")
	delete(is, "")
	for name := range was {
		found := is[name]
		compiled.Each(name, func(_ int, to string) bool {
			found = found || is[to]
			return !found
		})
		if found {
			shared++
		}
	}
	of = min(len(was), len(is))
	return 2*shared < of, shared, of, nil
}

// joinJoints returns list with those joints of more behind it that it lacks, and
// the map from more to the result. Parents of the added ones are mapped too.
func joinJoints(list, more []Joint) ([]Joint, *JointMap) {
	m := MapJoints(more, list)
	out := append([]Joint(nil), list...)
	for j := range more {
		if m.Gone[j] {
			m.To[j] = int32(len(out))
			out = append(out, Joint{Name: more[j].Name, Parent: -1})
		}
	}
	for j := range more {
		if p := more[j].Parent; m.Gone[j] && p >= 0 && int(p) < len(more) {
			out[m.To[j]].Parent = m.To[p]
		}
	}
	m.Gone, m.size = make([]bool, len(more)), len(out)
	m.same = true
	for j, to := range m.To {
		m.same = m.same && to == int32(j)
	}
	return out, m
}
