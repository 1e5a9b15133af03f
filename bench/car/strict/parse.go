package strict

import (
	"fmt"
	"math"
	"slices"

	"github.com/goccy/go-yaml/ast"
	"github.com/goccy/go-yaml/lexer"
	"github.com/goccy/go-yaml/parser"
	"github.com/goccy/go-yaml/token"

	"sawhorse/bench/depth"
)

// Bounds of a document once its aliases are written out.
const (
	mostNodes = 200_000
	mostDeep  = 100
)

// parse reads a file's one document. The error is an *Error.
func parse(file string, data []byte) (t tree, err error) {
	if len(data) > MaxSize {
		return nil, &Error{File: file, Problem: fmt.Sprintf("%d bytes, at most %d", len(data), MaxSize)}
	}
	// The YAML library has panicked on damaged input before; a data file must
	// never end the bench.
	defer func() {
		if r := recover(); r != nil {
			t, err = nil, &Error{File: file, Problem: fmt.Sprintf("not readable as YAML: %v", r)}
		}
	}()
	tokens := lexer.Tokenize(string(data))
	if x := depth.Exceeded(tokens); x != nil {
		line, column := place(x)
		return nil, &Error{File: file, Line: line, Column: column, Problem: fmt.Sprintf("nested too deep, want at most %d", depth.Most)}
	}
	f, err := parser.Parse(tokens, 0)
	if err != nil {
		return nil, fromYAML(file, err)
	}
	var bodies []ast.Node
	for _, d := range f.Docs {
		if d.Body != nil {
			bodies = append(bodies, d.Body)
		}
	}
	if len(f.Docs) != 1 || len(bodies) != 1 {
		return nil, &Error{File: file, Line: 1, Column: 1, Problem: fmt.Sprintf("%d YAML documents with content, want exactly 1", len(bodies))}
	}
	b := builder{file: file, anchors: map[string]ast.Node{}}
	if err := b.add(bodies[0], 0); err != nil {
		return nil, err
	}
	return b.tree, nil
}

// builder writes the library's tree down as ours.
type builder struct {
	file    string
	tree    tree
	anchors map[string]ast.Node
}

func (b *builder) errorf(n ast.Node, format string, args ...any) error {
	line, column := place(first(n))
	return &Error{File: b.file, Line: line, Column: column, Problem: fmt.Sprintf(format, args...)}
}

func (b *builder) add(n ast.Node, deep int) error {
	if deep > mostDeep {
		return b.errorf(n, "nested too deep, want at most %d", mostDeep)
	}
	if len(b.tree) >= mostNodes {
		return b.errorf(n, "too long with its aliases written out, want at most %d values", mostNodes)
	}
	at := len(b.tree)
	line, column := place(first(n))
	x := node{size: 1, line: int32(line), column: int32(column)}
	switch v := n.(type) {
	case *ast.AnchorNode:
		// The name is known only once the value is: no alias stands within its own value.
		if err := b.add(v.Value, deep+1); err != nil {
			return err
		}
		b.anchors[v.Name.GetToken().Value] = v.Value
		return nil
	case *ast.AliasNode:
		name := v.Value.GetToken().Value
		to, ok := b.anchors[name]
		if !ok {
			return b.errorf(n, "alias %q, want the name of an anchor before it", name)
		}
		return b.add(to, deep+1)
	case *ast.SequenceNode:
		x.kind = list
		b.tree = append(b.tree, x)
		for _, item := range v.Values {
			if err := b.add(item, deep+1); err != nil {
				return err
			}
		}
	case *ast.MappingNode:
		x.kind = mapping
		b.tree = append(b.tree, x)
		if err := b.pairs(v.Values, deep); err != nil {
			return err
		}
	case *ast.MappingValueNode:
		x.kind = mapping
		b.tree = append(b.tree, x)
		if err := b.pairs([]*ast.MappingValueNode{v}, deep); err != nil {
			return err
		}
	default:
		if !x.scalar(n) {
			return b.errorf(n, "a tag or another thing of YAML that a data file has no use for, want a plain value")
		}
		b.tree = append(b.tree, x)
	}
	b.tree[at].size = int32(len(b.tree) - at)
	return nil
}

func (b *builder) pairs(values []*ast.MappingValueNode, deep int) error {
	for _, v := range values {
		x := node{kind: plain, size: 1}
		key := v.Key.GetToken()
		line, column := place(key)
		x.line, x.column = int32(line), int32(column)
		switch k := v.Key.(type) {
		case *ast.StringNode:
			x.text = k.Value
		case *ast.MergeKeyNode:
			if err := b.merge(v.Value, values, deep); err != nil {
				return err
			}
			continue
		case *ast.MappingKeyNode:
			return b.errorf(v, "a key %q, want a plain word", key.Value)
		default:
			x.text = key.Value
		}
		b.tree = append(b.tree, x)
		if err := b.add(v.Value, deep+1); err != nil {
			return err
		}
	}
	return nil
}

// merge adds what a mapping takes over from another, but for the keys that it has itself.
func (b *builder) merge(from ast.Node, own []*ast.MappingValueNode, deep int) error {
	to := from
	if a, ok := from.(*ast.AliasNode); ok {
		to = b.anchors[a.Value.GetToken().Value]
	}
	m, ok := to.(*ast.MappingNode)
	if !ok || deep > mostDeep {
		return b.errorf(from, "<< without a mapping of several keys, want an alias of one")
	}
	var list []*ast.MappingValueNode
	for _, v := range m.Values {
		key := v.Key.GetToken().Value
		if !slices.ContainsFunc(own, func(o *ast.MappingValueNode) bool { return o.Key.GetToken().Value == key }) {
			list = append(list, v)
		}
	}
	return b.pairs(list, deep+1)
}

// scalar takes over a scalar; false for anything else.
func (x *node) scalar(n ast.Node) bool {
	switch v := n.(type) {
	case *ast.NullNode:
		x.kind = null
		return true
	case *ast.BoolNode:
		x.kind, x.text = boolean, v.Token.Value
		if v.Value {
			x.bits = 1
		}
	case *ast.IntegerNode:
		x.text = v.Token.Value
		switch i := v.Value.(type) {
		case uint64:
			x.kind, x.bits = whole, i
		case int64:
			x.kind, x.bits = negative, uint64(i)
			if i >= 0 {
				x.kind = whole
			}
		default:
			return false
		}
	case *ast.FloatNode:
		x.kind, x.text, x.bits = real, v.Token.Value, math.Float64bits(v.Value)
	case *ast.InfinityNode:
		x.kind, x.text, x.bits = real, v.Token.Value, math.Float64bits(v.Value)
	case *ast.NanNode:
		x.kind, x.text, x.bits = real, v.Token.Value, math.Float64bits(math.NaN())
	case *ast.StringNode:
		x.kind, x.text = plain, v.Value
		if t := v.Token.Type; t == token.SingleQuoteType || t == token.DoubleQuoteType {
			x.kind = quoted
		}
	case *ast.LiteralNode:
		x.kind, x.text = quoted, v.Value.Value
	default:
		return false
	}
	return true
}

func place(t *token.Token) (line, column int) {
	if t == nil || t.Position == nil {
		return 0, 0
	}
	return t.Position.Line, t.Position.Column
}

// first is the token where a node begins: a mapping's first key.
func first(n ast.Node) *token.Token {
	switch m := n.(type) {
	case *ast.MappingNode:
		if len(m.Values) > 0 {
			return m.Values[0].Key.GetToken()
		}
	case *ast.MappingValueNode:
		return m.Key.GetToken()
	}
	return n.GetToken()
}
