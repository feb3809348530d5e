package wardrobe

// Joint maps: which joints take the weight of which, in a file of their own or among
// the options of a manifest.

import (
	"os"

	"github.com/selvage/selvage/transfer"
)

// ReadJointMapFile reads the joint map in a file.
func ReadJointMapFile(file string) ([]transfer.JointRule, error) {
	text, err := os.ReadFile(file)
	if err != nil {
		return nil, err
	}
	return ReadJointMap(text, file)
}

// ReadJointMap reads a joint map from YAML; file appears in messages:
//
//	version: 1
//	joints:                               # the first rule that a name matches decides
//	  - {from: "*_twist.*", to: "*.*"}    # joints of the body, by glob; who takes their weight
//	  - {from: "arm_*_L", to: "*_left_arm"}
//
// Its faults are *Fault with line and column, the first one in the text.
func ReadJointMap(text []byte, file string) ([]transfer.JointRule, error) {
	root, err := readTree(text, file)
	if err != nil {
		return nil, err
	}
	if root == nil {
		return nil, &Fault{File: file, Line: 1, Column: 1, What: "is empty"}
	}
	r := &reader{file: file}
	var rules []transfer.JointRule
	r.mapping(root, "the joint map", fields{
		"version": r.version,
		"joints":  func(n *node) { rules = r.jointRules(n) },
	}, "version", "joints")
	if err := r.first(); err != nil {
		return nil, err
	}
	return rules, nil
}

// jointRules reads a list of rules.
func (r *reader) jointRules(n *node) []transfer.JointRule {
	rules := []transfer.JointRule{}
	r.list(n, "the list of joints", 0, func(n *node) {
		var rule transfer.JointRule
		before := len(r.faults)
		r.mapping(n, "a rule for joints", fields{
			"from": func(n *node) { rule.From = r.text(n, "the joint to map") },
			"to":   func(n *node) { rule.To = r.text(n, "the joint to map to") },
		}, "from", "to")
		if len(r.faults) > before {
			return
		}
		if err := rule.Check(); err != nil {
			r.fail(n.place, "%s", err)
		}
		rules = append(rules, rule)
	})
	return rules
}

// version checks the version of a file.
func (r *reader) version(n *node) {
	if v, ok := whole(n); !ok || v != Version {
		r.fail(n.place, "version is not %d, the only one that this program knows", Version)
	}
}

// first is the fault that comes first in the text; nil where there is none.
func (r *reader) first() error {
	if len(r.faults) == 0 {
		return nil
	}
	first := r.faults[0]
	for _, f := range r.faults {
		if f.Line < first.Line || f.Line == first.Line && f.Column < first.Column {
			first = f
		}
	}
	return first
}
