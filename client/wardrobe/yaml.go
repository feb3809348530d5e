package wardrobe

// YAML as a tree that keeps its places: scalars by the core schema of YAML 1.2,
// aliases and merge keys resolved.

import (
	"bytes"
	"errors"
	"fmt"
	"regexp"
	"strconv"

	"github.com/goccy/go-yaml"
	"github.com/goccy/go-yaml/ast"
	"github.com/goccy/go-yaml/parser"
	"github.com/goccy/go-yaml/token"
)

// Fault is a fault of a manifest, with its place there.
type Fault struct {
	File         string
	Line, Column int // from 1; 0 where unknown
	What         string
}

func (e *Fault) Error() string {
	if e.Line == 0 {
		return fmt.Sprintf("%s: %s", e.File, e.What)
	}
	return fmt.Sprintf("%s:%d:%d: %s", e.File, e.Line, e.Column, e.What)
}

// place in a manifest.
type place struct{ line, column int }

// fault at a place of a file.
func (p place) fault(file, format string, args ...any) *Fault {
	return &Fault{File: file, Line: p.line, Column: p.column, What: fmt.Sprintf(format, args...)}
}

// node of the tree. value is nil, bool, int64, float64, string, []*node or
// []entry.
type node struct {
	place
	value any
}

// entry of a mapping.
type entry struct {
	place
	key   string
	value *node
}

// maxManifest bounds a manifest's text.
const maxManifest = 16 << 20

// readTree reads YAML text; nil for an empty document. Errors are *Fault.
func readTree(text []byte, file string) (root *node, err error) {
	if len(text) > maxManifest {
		return nil, &Fault{File: file, What: fmt.Sprintf("has %d bytes, more than %d", len(text), maxManifest)}
	}
	// A byte order mark may stand before a document: YAML 1.2.2, section 5.2.
	text = bytes.TrimPrefix(text, []byte("\ufeff"))
	// The parser panics on some malformed texts.
	defer func() {
		if recover() != nil {
			root, err = nil, &Fault{File: file, What: "cannot be read as YAML"}
		}
	}()
	f, err := parser.ParseBytes(text, 0)
	if err != nil {
		fault := &Fault{File: file, What: err.Error()}
		var y yaml.Error
		if errors.As(err, &y) {
			fault.What = y.GetMessage()
			if t := y.GetToken(); t != nil && t.Position != nil {
				fault.Line, fault.Column = t.Position.Line, t.Position.Column
			}
		}
		return nil, fault
	}
	t := &treeReader{file: file, anchors: map[string]*node{}}
	for _, d := range f.Docs {
		if d.Body == nil {
			continue
		}
		if root != nil {
			return nil, t.at(d.Body).fault(file, "holds more than one YAML document")
		}
		if root, err = t.read(d.Body, 0); err != nil {
			return nil, err
		}
	}
	return root, nil
}

type treeReader struct {
	file    string
	anchors map[string]*node
}

// at is where a node begins.
func (t *treeReader) at(n ast.Node) place {
	switch x := n.(type) {
	case *ast.MappingNode: // its own token is its first colon
		if len(x.Values) > 0 && !x.IsFlowStyle {
			return t.at(x.Values[0].Key)
		}
		if x.Start != nil {
			return place{x.Start.Position.Line, x.Start.Position.Column}
		}
	case *ast.MappingValueNode:
		return t.at(x.Key)
	}
	if k := n.GetToken(); k != nil && k.Position != nil {
		return place{k.Position.Line, k.Position.Column}
	}
	return place{}
}

// maxDepth of a manifest; its own shape is far flatter.
const maxDepth = 32

// number of YAML 1.2's core schema, section 10.3.2, with an exponent; the parser
// knows the others.
var exponent = regexp.MustCompile(`^[-+]?(\.[0-9]+|[0-9]+(\.[0-9]*)?)[eE][-+]?[0-9]+$`)

func (t *treeReader) read(n ast.Node, depth int) (*node, error) {
	out := &node{place: t.at(n)}
	if depth > maxDepth {
		return nil, out.fault(t.file, "lists and mappings are nested deeper than %d", maxDepth)
	}
	switch x := n.(type) {
	case *ast.NullNode:
	case *ast.BoolNode:
		out.value = x.Value
	case *ast.IntegerNode:
		switch v := x.Value.(type) {
		case int64:
			out.value = v
		case uint64:
			if out.value = float64(v); v <= 1<<63-1 {
				out.value = int64(v)
			}
		}
	case *ast.FloatNode:
		out.value = x.Value
	case *ast.InfinityNode, *ast.NanNode:
		return nil, out.fault(t.file, "%s is not a finite number", n.GetToken().Value)
	case *ast.StringNode:
		out.value = x.Value
		if x.Token.Type == token.StringType && exponent.MatchString(x.Value) {
			number, err := strconv.ParseFloat(x.Value, 64)
			if err != nil {
				return nil, out.fault(t.file, "%s is not a finite number", x.Value)
			}
			out.value = number
		}
	case *ast.LiteralNode:
		out.value = x.Value.Value
	case *ast.SequenceNode:
		list := []*node{}
		for _, v := range x.Values {
			item, err := t.read(v, depth+1)
			if err != nil {
				return nil, err
			}
			list = append(list, item)
		}
		out.value = list
	case *ast.MappingValueNode:
		return t.mapping(out, []*ast.MappingValueNode{x}, depth)
	case *ast.MappingNode:
		return t.mapping(out, x.Values, depth)
	case *ast.AnchorNode:
		value, err := t.read(x.Value, depth)
		if err == nil {
			t.anchors[x.Name.GetToken().Value] = value
		}
		return value, err
	case *ast.AliasNode:
		name := x.Value.GetToken().Value
		value, ok := t.anchors[name]
		if !ok {
			return nil, out.fault(t.file, "no anchor is named %q", name)
		}
		return value, nil
	case *ast.TagNode:
		return nil, out.fault(t.file, "tags (%s) mean nothing here", x.Start.Value)
	default:
		return nil, out.fault(t.file, "cannot be read")
	}
	return out, nil
}

func (t *treeReader) mapping(out *node, values []*ast.MappingValueNode, depth int) (*node, error) {
	list := []entry{}
	has := func(key string) bool {
		for i := range list {
			if list[i].key == key {
				return true
			}
		}
		return false
	}
	var merged []*node
	for _, v := range values {
		at := t.at(v.Key)
		value, err := t.read(v.Value, depth+1)
		if err != nil {
			return nil, err
		}
		if _, ok := v.Key.(*ast.MergeKeyNode); ok {
			merged = append(merged, value)
			continue
		}
		k := v.Key.GetToken()
		if _, ok := v.Key.(*ast.MappingKeyNode); ok || k == nil {
			return nil, at.fault(t.file, "a key must be a word")
		}
		if has(k.Value) {
			return nil, at.fault(t.file, "the key %q is there twice", k.Value)
		}
		list = append(list, entry{at, k.Value, value})
	}
	// What a mapping has itself comes before what it merges.
	for _, m := range merged {
		more, ok := m.value.([]entry)
		if !ok {
			return nil, m.fault(t.file, "only a mapping can be merged")
		}
		for _, e := range more {
			if !has(e.key) {
				list = append(list, e)
			}
		}
	}
	out.value = list
	return out, nil
}
