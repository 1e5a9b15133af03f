// Package strict reads data files: YAML in which an unknown key, a wrong type or
// a value out of range is an error that names file, line and column and says
// what was expected.
package strict

import (
	"errors"
	"fmt"
	"math"
	"reflect"
	"slices"
	"strings"

	"github.com/goccy/go-yaml"

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
	tree tree
}

// Versioned is a document whose format has a version.
type Versioned interface{ FileFormat() format.Kind }

// Read decodes data into v, a pointer to a struct. The error is an *Error. Of a
// Versioned document the version is looked at before everything else.
func Read(file string, data []byte, v any) (*Doc, error) {
	return Text(file, data).Decode(v)
}

func decode(file string, t tree, v any) (*Doc, error) {
	if k, ok := v.(Versioned); ok {
		if err := checkVersion(file, t, k.FileFormat()); err != nil {
			return nil, err
		}
	}
	d := decoder{file: file, tree: t, types: map[reflect.Type][]member{}}
	if err := d.value(0, reflect.ValueOf(v).Elem(), "the file"); err != nil {
		return nil, err
	}
	return &Doc{File: file, tree: t}, nil
}

// checkVersion looks for the version of a document; one without has the first.
func checkVersion(file string, t tree, k format.Kind) error {
	at := t.value(0, k.Key)
	if at < 0 {
		return nil
	}
	var p *format.Problem
	switch n := &t[at]; n.kind {
	case whole, negative:
		p = k.Check(int(min(int64(n.bits&math.MaxInt64), int64(k.Newest)+1)))
		if n.kind == negative {
			p = k.Check(-1)
		}
	default:
		p = &format.Problem{What: fmt.Sprintf("%s is %s", k.Key, t.shown(at)), Want: fmt.Sprintf("a version from 1 to %d", k.Newest)}
	}
	if p == nil {
		return nil
	}
	e := &Error{File: file, Problem: p.Error()}
	e.Line, e.Column = t.place(at)
	return e
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

// Errorf makes an error about the value at a path such as $.circuits[2].supply.
// When the value itself is missing it points at the nearest place above it.
func (d *Doc) Errorf(path, format string, args ...any) error {
	e := &Error{File: d.File, Path: path, Problem: fmt.Sprintf(format, args...)}
	e.Line, e.Column = d.tree.place(d.tree.find(path))
	return e
}

// Has reports whether the document has something at a path such as $.engine.
func (d *Doc) Has(path string) bool {
	i := strings.LastIndexByte(path, '.')
	return d.tree.value(d.tree.find(path[:i]), path[i+1:]) >= 0
}

// Place is where the value at a path begins, or the nearest place above it; 0 of no file.
func (d *Doc) Place(path string) (line, column int) {
	if d == nil {
		return 0, 0
	}
	return d.tree.place(d.tree.find(path))
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
	return d.Errorf(path, "%q%s, want one of %s", word, didYouMean(word, allowed), strings.Join(allowed, ", "))
}
