// Package strict reads data files: YAML in which an unknown key, a wrong type or
// a value out of range is an error that names file, line and column and says
// what was expected.
package strict

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"

	"github.com/goccy/go-yaml"
	"github.com/goccy/go-yaml/ast"
	"github.com/goccy/go-yaml/lexer"
	"github.com/goccy/go-yaml/parser"
	"github.com/goccy/go-yaml/token"

	"sawhorse/bench/depth"
	"sawhorse/bench/format"
)

// MaxSize bounds a data file, in bytes.
const MaxSize = 1 << 20

// Error is what is wrong with a data file.
type Error struct {
	File         string
	Line, Column int // from 1; 0 when the place is not known
	// Path is the place in the document, such as $.engine.bore; may be empty.
	Path string
	// Problem says what is wrong and what was expected.
	Problem string
}

func (e *Error) Error() string {
	s := e.File
	if e.Line > 0 {
		s = fmt.Sprintf("%s:%d:%d", s, e.Line, e.Column)
	}
	if e.Path != "" {
		return fmt.Sprintf("%s: %s: %s", s, strings.TrimPrefix(e.Path, "$."), e.Problem)
	}
	return s + ": " + e.Problem
}

// Doc is a file that was read; it finds the place of a value again.
type Doc struct {
	File string
	ast  *ast.File
}

// Versioned is a document whose format has a version.
type Versioned interface{ FileFormat() format.Kind }

// Read decodes data into v, a pointer to a struct. The error is an *Error. Of a
// Versioned document the version is looked at before everything else.
func Read(file string, data []byte, v any) (d *Doc, err error) {
	if len(data) > MaxSize {
		return nil, &Error{File: file, Problem: fmt.Sprintf("%d bytes, at most %d", len(data), MaxSize)}
	}
	// The YAML library has panicked on damaged input before; a data file must
	// never end the bench.
	defer func() {
		if r := recover(); r != nil {
			d, err = nil, &Error{File: file, Problem: fmt.Sprintf("not readable as YAML: %v", r)}
		}
	}()
	tokens := lexer.Tokenize(string(data))
	if t := depth.Exceeded(tokens); t != nil {
		line, column := place(t)
		return nil, &Error{File: file, Line: line, Column: column, Problem: fmt.Sprintf("nested too deep, want at most %d", depth.Most)}
	}
	f, err := parser.Parse(tokens, 0)
	if err != nil {
		return nil, fromYAML(file, err)
	}
	if n := len(f.Docs); n != 1 || f.Docs[0].Body == nil {
		return nil, &Error{File: file, Line: 1, Column: 1, Problem: fmt.Sprintf("%d YAML documents with content, want exactly 1", countDocs(f))}
	}
	if k, ok := v.(Versioned); ok {
		if p := k.FileFormat().CheckYAML(f.Docs[0].Body); p != nil {
			return nil, &Error{File: file, Line: p.Line, Column: p.Column, Problem: p.Error()}
		}
	}
	err = yaml.NewDecoder(bytes.NewReader(data), yaml.Strict(), yaml.DisallowUnknownField()).Decode(v)
	if errors.Is(err, io.EOF) {
		return nil, &Error{File: file, Line: 1, Column: 1, Problem: "empty, want a YAML document"}
	}
	if err != nil {
		return nil, fromYAML(file, err)
	}
	return &Doc{File: file, ast: f}, nil
}

func countDocs(f *ast.File) int {
	n := 0
	for _, d := range f.Docs {
		if d.Body != nil {
			n++
		}
	}
	return n
}

func fromYAML(file string, err error) error {
	e := &Error{File: file, Problem: firstLine(err.Error())}
	var ye yaml.Error
	if errors.As(err, &ye) {
		e.Problem = firstLine(ye.GetMessage())
		e.Line, e.Column = place(ye.GetToken())
	}
	return e
}

func firstLine(s string) string {
	s, _, _ = strings.Cut(strings.TrimSpace(s), "\n")
	return s
}

func place(t *token.Token) (line, column int) {
	if t == nil || t.Position == nil {
		return 0, 0
	}
	return t.Position.Line, t.Position.Column
}

// Errorf makes an error about the value at a path such as $.circuits[2].supply.
// When the value itself is missing it points at the nearest place above it.
func (d *Doc) Errorf(path, format string, args ...any) error {
	e := &Error{File: d.File, Path: path, Problem: fmt.Sprintf(format, args...)}
	for p := path; p != ""; p = p[:max(strings.LastIndexAny(p, ".["), 0)] {
		yp, err := yaml.PathString(p)
		if err != nil {
			continue
		}
		n, err := yp.FilterFile(d.ast)
		if err != nil || n == nil {
			continue
		}
		e.Line, e.Column = place(first(n))
		break
	}
	return e
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

// Number is one number of a file with the range it must keep.
type Number struct {
	Path   string
	Value  float64
	Lo, Hi float64
	Unit   string
}

// Ranges checks numbers in turn; the error is about the first that is out.
func (d *Doc) Ranges(ns ...Number) error {
	for _, n := range ns {
		if !(n.Value >= n.Lo && n.Value <= n.Hi) {
			return d.Errorf(n.Path, "%g, want %g..%g %s", n.Value, n.Lo, n.Hi, n.Unit)
		}
	}
	return nil
}

// Word checks that a word is one of those allowed.
func (d *Doc) Word(path, word string, allowed ...string) error {
	if slices.Contains(allowed, word) {
		return nil
	}
	return d.Errorf(path, "%q, want one of %s", word, strings.Join(allowed, ", "))
}
