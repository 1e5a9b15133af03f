package tool

import (
	"fmt"
	"sort"
	"strconv"
	"strings"
	"time"

	"github.com/goccy/go-yaml/ast"
	"github.com/goccy/go-yaml/lexer"
	"github.com/goccy/go-yaml/parser"
	"github.com/goccy/go-yaml/token"

	"sawhorse/bench/depth"
)

// MaxProfileSize bounds a profile in bytes.
const MaxProfileSize = 1 << 20

// ProfileError is one mistake in a profile.
type ProfileError struct {
	// File is the name given to Parse; Line and Column count from 1.
	File         string
	Line, Column int
	// Text says what is wrong and what was expected.
	Text string
}

// Error is file:line:column: text.
func (e *ProfileError) Error() string {
	return fmt.Sprintf("%s:%d:%d: %s", e.File, e.Line, e.Column, e.Text)
}

// source is one profile being read.
type source struct{ file string }

// place is a position in the profile, kept for messages after loading.
type place struct{ line, column int }

func placeOf(n ast.Node) place {
	if n == nil {
		return place{1, 1}
	}
	return placeOfToken(n.GetToken())
}

func placeOfToken(t *token.Token) place {
	if t == nil || t.Position == nil {
		return place{1, 1}
	}
	return place{max(1, t.Position.Line), max(1, t.Position.Column)}
}

func (s *source) errorAt(p place, format string, args ...any) error {
	return &ProfileError{File: s.file, Line: p.line, Column: p.column, Text: fmt.Sprintf(format, args...)}
}

func (s *source) errorf(n ast.Node, format string, args ...any) error {
	return s.errorAt(keyPlace(n), format, args...)
}

// keyPlace is where a reader looks for the node: a mapping begins at its first
// key, not at its first colon.
func keyPlace(n ast.Node) place {
	switch v := n.(type) {
	case *ast.MappingNode:
		if len(v.Values) > 0 && !v.IsFlowStyle {
			return placeOf(v.Values[0].Key)
		}
	case *ast.MappingValueNode:
		return placeOf(v.Key)
	}
	return placeOf(n)
}

// parse reads the one document of a profile.
func (s *source) parse(data []byte) (root ast.Node, err error) {
	if len(data) > MaxProfileSize {
		return nil, s.errorAt(place{1, 1}, "profile of %d bytes, expected at most %d", len(data), MaxProfileSize)
	}
	// The YAML parser is not ours; a panic of it on strange input is a syntax
	// error to us.
	defer func() {
		if r := recover(); r != nil {
			root, err = nil, s.errorAt(place{1, 1}, "not YAML: %v", r)
		}
	}()
	tokens := lexer.Tokenize(string(data))
	if t := depth.Exceeded(tokens); t != nil {
		return nil, s.errorAt(placeOfToken(t), "nested too deep, expected at most %d", depth.Most)
	}
	f, err := parser.Parse(tokens, 0)
	if err != nil {
		return nil, s.syntax(err)
	}
	var docs []ast.Node
	for _, d := range f.Docs {
		if d != nil && d.Body != nil {
			docs = append(docs, d.Body)
		}
	}
	switch len(docs) {
	case 0:
		return nil, s.errorAt(place{1, 1}, "empty, expected a profile")
	case 1:
		return docs[0], nil
	}
	return nil, s.errorf(docs[1], "second document, expected one")
}

func (s *source) syntax(err error) error {
	if e, ok := err.(interface {
		GetToken() *token.Token
		GetMessage() string
	}); ok {
		return s.errorAt(placeOfToken(e.GetToken()), "%s", e.GetMessage())
	}
	return s.errorAt(place{1, 1}, "%s", strings.SplitN(err.Error(), "\n", 2)[0])
}

// field reads the value of one key.
type field func(key, value ast.Node) error

// mapping reads a mapping strictly: unknown and repeated keys and missing
// required ones are errors.
func (s *source) mapping(n ast.Node, what string, fields map[string]field, required ...string) error {
	seen := map[string]bool{}
	err := s.entries(n, what, func(key string, k, v ast.Node) error {
		read, ok := fields[key]
		if !ok {
			return s.errorf(k, "unknown key %q in %s, expected one of %s", key, what, keysOf(fields))
		}
		seen[key] = true
		return read(k, v)
	})
	if err != nil {
		return err
	}
	for _, r := range required {
		if !seen[r] {
			return s.errorf(n, "%s without %q, expected it", what, r)
		}
	}
	return nil
}

// entries calls fn for each pair of a mapping, in the order of the file.
func (s *source) entries(n ast.Node, what string, fn func(key string, k, v ast.Node) error) error {
	var pairs []*ast.MappingValueNode
	switch v := n.(type) {
	case *ast.MappingNode:
		pairs = v.Values
	case *ast.MappingValueNode:
		pairs = []*ast.MappingValueNode{v}
	default:
		return s.errorf(n, "%s is %s, expected a mapping", what, kindOf(n))
	}
	seen := map[string]bool{}
	for _, p := range pairs {
		if p == nil || p.Key == nil {
			return s.errorf(n, "%s holds an incomplete pair, expected key: value", what)
		}
		key, err := s.scalar(p.Key, "key of "+what)
		if err != nil {
			return err
		}
		if seen[key] {
			return s.errorf(p.Key, "key %q twice in %s, expected once", key, what)
		}
		seen[key] = true
		if err := fn(key, p.Key, p.Value); err != nil {
			return err
		}
	}
	return nil
}

// list calls fn for each item of a sequence.
func (s *source) list(n ast.Node, what string, fn func(i int, item ast.Node) error) error {
	seq, ok := n.(*ast.SequenceNode)
	if !ok {
		return s.errorf(n, "%s is %s, expected a list", what, kindOf(n))
	}
	for i, v := range seq.Values {
		if err := fn(i, v); err != nil {
			return err
		}
	}
	return nil
}

// scalar is the text of a plain, quoted or block scalar.
func (s *source) scalar(n ast.Node, what string) (string, error) {
	switch v := n.(type) {
	case *ast.StringNode:
		return v.Value, nil
	case *ast.LiteralNode:
		return v.Value.Value, nil
	case *ast.IntegerNode, *ast.FloatNode, *ast.BoolNode:
		return v.GetToken().Value, nil
	}
	return "", s.errorf(n, "%s is %s, expected text", what, kindOf(n))
}

// text is a scalar that is not empty.
func (s *source) text(n ast.Node, what string) (string, error) {
	v, err := s.scalar(n, what)
	if err == nil && strings.TrimSpace(v) == "" {
		return "", s.errorf(n, "%s is empty, expected text", what)
	}
	return v, err
}

// duration is a positive duration as Go writes it.
func (s *source) duration(n ast.Node, what string) (time.Duration, error) {
	v, err := s.scalar(n, what)
	if err != nil {
		return 0, err
	}
	d, err := time.ParseDuration(v)
	if err != nil || d <= 0 {
		return 0, s.errorf(n, "%s is %q, expected a positive duration such as 30s", what, v)
	}
	return d, nil
}

func (s *source) number(n ast.Node, what string) (float64, error) {
	v, err := s.scalar(n, what)
	if err != nil {
		return 0, err
	}
	x, err := strconv.ParseFloat(v, 64)
	if err != nil || x-x != 0 {
		return 0, s.errorf(n, "%s is %q, expected a finite number", what, v)
	}
	return x, nil
}

// truth is true or false.
func (s *source) truth(n ast.Node, what string) (bool, error) {
	b, ok := n.(*ast.BoolNode)
	if !ok {
		return false, s.errorf(n, "%s is %s, expected true or false", what, kindOf(n))
	}
	return b.Value, nil
}

// oneOf is a scalar out of a set.
func (s *source) oneOf(n ast.Node, what string, set []string) (string, error) {
	v, err := s.scalar(n, what)
	if err != nil {
		return "", err
	}
	for _, x := range set {
		if v == x {
			return v, nil
		}
	}
	return "", s.errorf(n, "%s is %q, expected one of %s", what, v, strings.Join(set, ", "))
}

func kindOf(n ast.Node) string {
	switch n.(type) {
	case nil, *ast.NullNode:
		return "empty"
	case *ast.MappingNode, *ast.MappingValueNode:
		return "a mapping"
	case *ast.SequenceNode:
		return "a list"
	case *ast.AnchorNode, *ast.AliasNode, *ast.MergeKeyNode:
		return "an anchor or alias"
	case *ast.TagNode:
		return "a tag"
	}
	return strings.ToLower(n.Type().String())
}

func keysOf[T any](m map[string]T) string { return strings.Join(sortedKeys(m), ", ") }

func sortedKeys[T any](m map[string]T) []string {
	keys := make([]string, 0, len(m))
	for k := range m {
		keys = append(keys, k)
	}
	sort.Strings(keys)
	return keys
}
