package transfer

// Skeletons that differ: the rows' joints renamed, merged, or led to the joints of
// the garment's own skin. Each joint of the body gets one joint to give its weight
// to (by rule, by name, by ancestor or by place, in this order), so that the map is
// one sparse pass over the rows.

import (
	"context"
	"errors"
	"fmt"
	"math"
	"path"
	"regexp"
	"slices"
	"strings"

	"github.com/selvage/selvage/transfer/skinning"
	"github.com/selvage/selvage/transfer/weights"
	"gonum.org/v1/gonum/spatial/r3"
)

// JointRule says which joint takes the weight of some joints of the body.
type JointRule struct {
	// From is a glob of the body's joint names: path.Match's syntax over the whole
	// name, with slashes like any other character.
	From string
	// To is the name of the joint that takes the weight. It has no *, or as many as
	// From: each then stands for what From's matched (the first as little as it can).
	To string
}

// OutputSkin says to whose joints the rows of a finished asset refer.
type OutputSkin int

const (
	// SkinBody writes the body's joints into the garment's asset.
	SkinBody OutputSkin = iota
	// SkinOwn keeps the garment's skin: its joints, hierarchy and inverse bind
	// matrices. The body's joints are mapped to its joints.
	SkinOwn
)

// MappedBy says how a joint came to its counterpart.
type MappedBy string

const (
	// MappedByRule: a rule of Options.JointMap names it.
	MappedByRule MappedBy = "rule"
	// MappedByName: the two have the same name.
	MappedByName MappedBy = "name"
	// MappedByAncestor: it has none, and its nearest ancestor that has one stands in.
	MappedByAncestor MappedBy = "ancestor"
	// MappedByPlace: no ancestor has one; the nearest counterpart of any joint.
	MappedByPlace MappedBy = "nearest"
)

// JointMapping is one line of the table of a joint map.
type JointMapping struct {
	// Joint of the body, and the joint that takes its weight.
	Joint string   `json:"joint"`
	To    string   `json:"to"`
	How   MappedBy `json:"how"`
	// Distance in metres between the two in the default pose.
	Distance float64 `json:"distance"`
	// Weight that went this way: the mean over the garment's vertices after welding.
	Weight float64 `json:"weight"`
	// Doubt says why to look twice; empty: nothing does.
	Doubt string `json:"doubt,omitempty"`
}

// sameJointTolerance is how far apart, as a share of the body's size, two joints of
// one name may lie without a word: about 2 cm on a grown figure, which is as well
// as two riggers agree on the middle of a shoulder or a hip (common practice), and
// less than the joints of a finger are apart.
const sameJointTolerance = 0.01

// JointRules are rules made ready.
type JointRules struct {
	rule []JointRule
	from []*regexp.Regexp
}

// Check returns what is wrong with a rule by itself; nil: nothing.
func (r JointRule) Check() error {
	_, err := r.compile()
	return err
}

func (r JointRule) compile() (*regexp.Regexp, error) {
	if r.From == "" || r.To == "" {
		return nil, errors.New("both sides need a name")
	}
	if _, err := path.Match(r.From, ""); err != nil {
		return nil, fmt.Errorf("malformed pattern %q", r.From)
	}
	if strings.Contains(r.To, "*") && strings.Count(r.To, "*") != stars(r.From) {
		return nil, fmt.Errorf("%q may hold no * or as many as %q", r.To, r.From)
	}
	re, err := regexp.Compile(globExpression(r.From))
	if err != nil {
		return nil, fmt.Errorf("malformed pattern %q", r.From)
	}
	return re, nil
}

// CompileJointRules checks rules. Errors: *OptionError with the rule's number.
func CompileJointRules(rules []JointRule) (*JointRules, error) {
	c := &JointRules{rule: rules}
	for k, r := range rules {
		re, err := r.compile()
		if err != nil {
			return nil, &OptionError{Option: "joint-map", Reason: fmt.Sprintf("rule %d (%s -> %s): %v", k+1, r.From, r.To, err)}
		}
		c.from = append(c.from, re)
	}
	return c, nil
}

// globTokens calls f for each piece of a glob that path.Match takes: kind '*', '?',
// '[' (with the class as it stands) or 'a' (with the character).
func globTokens(glob string, f func(kind byte, text string)) {
	for i := 0; i < len(glob); {
		switch glob[i] {
		case '*', '?':
			f(glob[i], "")
			i++
		case '\\':
			f('a', glob[i+1:i+2])
			i += 2
		case '[':
			end := i + 1
			for end < len(glob) && glob[end] != ']' {
				if glob[end] == '\\' {
					end++
				}
				end++
			}
			f('[', glob[i+1:min(end, len(glob))])
			i = end + 1
		default:
			f('a', glob[i:i+1])
			i++
		}
	}
}

// stars counts the * of a glob that stand for any text.
func stars(glob string) int {
	n := 0
	globTokens(glob, func(kind byte, _ string) {
		if kind == '*' {
			n++
		}
	})
	return n
}

// globExpression is the regular expression of a well-formed glob, one group a *.
func globExpression(glob string) string {
	var b strings.Builder
	b.WriteString(`(?s)\A`)
	globTokens(glob, func(kind byte, text string) {
		switch kind {
		case '*':
			b.WriteString(`(.*?)`)
		case '?':
			b.WriteString(`.`)
		case '[':
			b.WriteByte('[')
			rest, negated := strings.CutPrefix(text, "^")
			if negated {
				b.WriteByte('^')
			}
			literal := false
			for _, r := range rest {
				switch {
				case r == '\\' && !literal:
					literal = true
					continue
				case r == '-' && !literal:
					b.WriteByte('-') // between the ends of a range: path.Match has no other
				default:
					fmt.Fprintf(&b, `\x{%x}`, r)
				}
				literal = false
			}
			b.WriteByte(']')
		default:
			b.WriteString(regexp.QuoteMeta(text))
		}
	})
	b.WriteString(`\z`)
	return b.String()
}

// Each calls f with the rules that name matches in their order, and the name that
// each gives it, until f returns false. O(rules * length).
func (c *JointRules) Each(name string, f func(rule int, to string) bool) {
	for k, re := range c.from {
		m := re.FindStringSubmatch(name)
		if m == nil {
			continue
		}
		parts := strings.Split(c.rule[k].To, "*")
		to := parts[0]
		for i, p := range parts[1:] {
			to += m[i+1] + p
		}
		if !f(k, to) {
			return
		}
	}
}

// jointMap leads from the body's joints to those that the result's rows are over.
type jointMap struct {
	to    []int32
	size  int    // number of joints to lead to
	guess []bool // joints mapped by place alone
	table []JointMapping
	line  []int // of the table by body joint, -1 where the joint keeps its weight
	notes []string
}

// newJointMap maps the body's joints; nil where all of them stay. own is nil for a
// map of the body's skin onto itself. size is the body's, metres. Errors:
// *OptionError. O(joints * (rules + depth)); joints without a mapped ancestor cost
// O(joints) each.
func newJointMap(body, own *skinning.Skin, rules []JointRule, size float64) (*jointMap, error) {
	if own == nil && len(rules) == 0 {
		return nil, nil
	}
	c, err := CompileJointRules(rules)
	if err != nil {
		return nil, err
	}
	target := own
	if target == nil {
		target = body
	}
	n := len(body.Joints)
	m := &jointMap{to: make([]int32, n), size: len(target.Joints), guess: make([]bool, n), line: make([]int, n)}
	named := map[string][]int32{}
	for j := range target.Joints {
		if name := target.Joints[j].Name; name != "" {
			named[name] = append(named[name], int32(j))
		}
	}
	apart := func(j int, k int32) float64 {
		return r3.Norm(r3.Sub(body.Joints[j].Global.T, target.Joints[k].Global.T))
	}
	// find is the nearest joint called name, -1 where there is none.
	find := func(j int, name string) int32 {
		best := int32(-1)
		for _, k := range named[name] {
			if best < 0 || apart(j, k) < apart(j, best) {
				best = k
			}
		}
		return best
	}

	how, doubt := make([]MappedBy, n), make([]string, n)
	used, missing := make([]bool, len(rules)), map[int]string{}
	for j := range body.Joints {
		m.to[j] = -1
		name := body.Joints[j].Name
		if name == "" {
			if own == nil {
				m.to[j] = int32(j)
			}
			continue
		}
		c.Each(name, func(rule int, to string) bool {
			used[rule] = true
			if m.to[j] = find(j, to); m.to[j] >= 0 {
				how[j] = MappedByRule
				return false
			}
			if !strings.Contains(rules[rule].To, "*") {
				missing[rule] = to
			}
			doubt[j] = fmt.Sprintf("the map leads to %q, which is no joint of the skin", to)
			return true
		})
		switch {
		case m.to[j] >= 0:
			doubt[j] = ""
		case own == nil:
			if m.to[j] = int32(j); doubt[j] != "" {
				how[j] = MappedByName
			}
		default:
			if m.to[j] = find(j, name); m.to[j] >= 0 {
				how[j] = MappedByName
				if d := apart(j, m.to[j]); d > sameJointTolerance*size && doubt[j] == "" {
					doubt[j] = fmt.Sprintf("the two joints of this name are %.1f cm apart", 100*d)
				}
			}
		}
		if m.to[j] >= 0 && doubt[j] == "" && how[j] != "" {
			if k := len(named[target.Joints[m.to[j]].Name]); k > 1 {
				doubt[j] = fmt.Sprintf("%d joints have the name %q: this is the nearest", k, target.Joints[m.to[j]].Name)
			}
		}
	}
	// A skin that is written as a whole is known: a joint that it lacks is a slip.
	for rule := range rules {
		to, ok := missing[rule]
		if own == nil && ok {
			return nil, &OptionError{Option: "joint-map", Reason: fmt.Sprintf("rule %s -> %s: the body has no joint %q", rules[rule].From, rules[rule].To, to)}
		}
	}

	direct := slices.Clone(m.to)
	for j := range body.Joints {
		if direct[j] >= 0 {
			continue
		}
		k := body.Joints[j].Parent
		for steps := 0; k >= 0 && direct[k] < 0 && steps <= n; steps++ {
			k = body.Joints[k].Parent
		}
		if k >= 0 && direct[k] >= 0 {
			m.to[j], how[j] = direct[k], MappedByAncestor
			continue
		}
		for k := range direct {
			if direct[k] >= 0 && (m.to[j] < 0 || apart(j, direct[k]) < apart(j, m.to[j])) {
				m.to[j] = direct[k]
			}
		}
		if m.to[j] < 0 {
			return nil, &OptionError{Option: "joint-map", Reason: fmt.Sprintf("no joint of the body is mapped, by rule or by name, to one of the %d joints of the garment's own skin", len(own.Joints))}
		}
		how[j], m.guess[j] = MappedByPlace, true
		if doubt[j] == "" {
			doubt[j] = "neither it nor an ancestor has a counterpart: this one is nearest"
		}
	}
	for j := range body.Joints {
		if m.line[j] = -1; how[j] == "" {
			continue
		}
		m.line[j] = len(m.table)
		m.table = append(m.table, JointMapping{
			Joint: body.Joints[j].Name, To: target.Joints[m.to[j]].Name, How: how[j], Distance: apart(j, m.to[j]), Doubt: doubt[j],
		})
	}
	var idle, late []string
	for rule, yes := range used {
		text := rules[rule].From + " -> " + rules[rule].To
		switch {
		case yes:
		case slices.ContainsFunc(body.Joints, func(j skinning.Joint) bool { return j.Name != "" && c.from[rule].MatchString(j.Name) }):
			late = append(late, text)
		default:
			idle = append(idle, text)
		}
	}
	if len(idle) > 0 {
		m.notes = append(m.notes, "joint map: no joint of the body matches "+strings.Join(idle, ", "))
	}
	if len(late) > 0 {
		m.notes = append(m.notes, "joint map: rules before it lead all joints that it matches elsewhere: "+strings.Join(late, ", "))
	}
	return m, nil
}

// apply returns the rows over the joints that m leads to, weights of joints that
// meet added up, and the share of each row that went where only the place speaks
// for. It fills in the table's weights. O(influences).
func (m *jointMap) apply(ctx context.Context, rows *weights.Rows) (*weights.Rows, []float64, error) {
	acc, out := weights.NewAccumulator(m.size), weights.NewRows(rows.Len())
	guessed := make([]float64, rows.Len())
	moved := make([]float64, len(m.table))
	for v := range guessed {
		if ended(ctx, v) {
			return nil, nil, ctx.Err()
		}
		joint, weight := rows.Row(v)
		for i, j := range joint {
			acc.Add(uint16(m.to[j]), weight[i])
			if m.guess[j] {
				guessed[v] += weight[i]
			}
			if k := m.line[j]; k >= 0 {
				moved[k] += weight[i]
			}
		}
		acc.Flush(out)
	}
	for k := range moved {
		m.table[k].Weight = moved[k] / float64(max(1, rows.Len()))
	}
	return out, guessed, nil
}

// say adds the table and its sentences to a summary.
func (m *jointMap) say(s *Summary) {
	s.JointMap = m.table
	s.Notes = append(s.Notes, m.notes...)
	// Weight is dust below a ten thousandth of the whole: nobody sees it move.
	const dust = 1e-4
	list := func(pick func(*JointMapping) bool) (names []string, share float64) {
		for k := range m.table {
			if l := &m.table[k]; l.Weight > dust && pick(l) {
				names, share = append(names, l.Joint), share+l.Weight
			}
		}
		if more := len(names) - 8; more > 0 {
			names = append(names[:8], fmt.Sprintf("and %d more", more))
		}
		return names, share
	}
	if names, share := list(func(l *JointMapping) bool { return l.How == MappedByAncestor }); len(names) > 0 {
		s.Notes = append(s.Notes, fmt.Sprintf("%.1f%% of the weight went to ancestors of joints that the garment's skin lacks: %s", 100*share, strings.Join(names, ", ")))
	}
	if names, share := list(func(l *JointMapping) bool { return l.Doubt != "" }); len(names) > 0 {
		s.Notes = append(s.Notes, fmt.Sprintf("%.1f%% of the weight went by doubtful lines of the joint map (see its table): %s", 100*share, strings.Join(names, ", ")))
	}
}

// guessedError is the error that is expected of a row for each unit of its weight
// that went by place alone: as if half of such guesses were wrong, which puts all of
// that weight on another joint, an L1 distance of two.
const guessedError = 2 * 0.5

// expectedGuess is the error to add for the share of a row that was guessed.
func expectedGuess(guessed []float64, v int) float64 {
	if guessed == nil {
		return 0
	}
	return guessedError * math.Min(1, guessed[v])
}
