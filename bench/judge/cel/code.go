package cel

import (
	"github.com/google/cel-go/common/ast"
	"github.com/google/cel-go/common/types"

	"sawhorse/bench/signal"
)

// truth is what a part of a condition comes to.
type truth uint8

const (
	no truth = iota
	yes
	failed // an error, such as a division by zero
)

func truthOf(b bool) truth {
	if b {
		return yes
	}
	return no
}

// code is a compiled part; one of its closures is there, by the type of the part. The
// second result is false for an error.
type code struct {
	logic  func(*Scope) truth
	whole  func(*Scope) (int64, bool)
	double func(*Scope) (float64, bool)
	text   func(*Scope) (string, bool)
	bytes  func(*Scope) ([]byte, bool)
	list   func(*Scope) []string
	// constant is the value of a number that is one, place that of a signal.
	constant *float64
	place    *signal.Ref
}

func literal(e ast.Expr) (code, bool) {
	switch v := e.AsLiteral().(type) {
	case types.Bool:
		t := truthOf(bool(v))
		return code{logic: func(*Scope) truth { return t }}, true
	case types.Int:
		k := float64(v)
		return code{whole: func(*Scope) (int64, bool) { return int64(v), true }, constant: &k}, true
	case types.Double:
		k := float64(v)
		return code{double: func(*Scope) (float64, bool) { return k, true }, constant: &k}, true
	case types.String:
		return code{text: func(*Scope) (string, bool) { return string(v), true }}, true
	}
	return code{}, false
}

// asDouble is a number as one with a point.
func asDouble(c code) func(*Scope) (float64, bool) {
	if c.double != nil {
		return c.double
	}
	return func(s *Scope) (float64, bool) {
		v, ok := c.whole(s)
		return float64(v), ok
	}
}

// code reads the field; without an observation there is an error.
func (f field) code() code {
	switch {
	case f.whole != nil:
		return code{whole: func(s *Scope) (int64, bool) {
			if s.event == nil {
				return 0, false
			}
			return int64(f.whole(s.event)), true
		}}
	case f.text != nil:
		return code{text: func(s *Scope) (string, bool) {
			if s.event == nil {
				return "", false
			}
			return f.text(s.event), true
		}}
	case f.logic != nil:
		return code{logic: func(s *Scope) truth {
			if s.event == nil {
				return failed
			}
			return truthOf(f.logic(s.event))
		}}
	}
	return code{bytes: func(s *Scope) ([]byte, bool) {
		if s.event == nil {
			return nil, false
		}
		return f.bytes(s.event), true
	}}
}
