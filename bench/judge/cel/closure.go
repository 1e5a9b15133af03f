package cel

import (
	"math"
	"strings"

	"github.com/google/cel-go/common/ast"
	"github.com/google/cel-go/common/operators"
	"github.com/google/cel-go/common/types"

	"sawhorse/bench/signal"
)

// Most conditions compare signals, words and fields with constants. They are evaluated
// as closures, an order of magnitude faster than by CEL's interpreter. A closure that
// meets an error only says so: the interpreter then has the word, and its error is the
// one that is told. Whatever has no closure is left to the interpreter whole.

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

// closure builds the code of a checked expression; false where it has none.
func (l *Language) closure(e ast.Expr) (code, bool) {
	if name, ok := nameOf(e); ok {
		return l.named(name)
	}
	switch e.Kind() {
	case ast.LiteralKind:
		return literal(e)
	case ast.CallKind:
		return l.call(e.AsCall())
	}
	return code{}, false
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

// named is the code of a name: of the language, of a field, of a signal.
func (l *Language) named(name string) (code, bool) {
	switch name {
	case "t":
		return code{double: func(s *Scope) (float64, bool) { return s.now.Seconds(), true }}, true
	case "task":
		return code{text: func(s *Scope) (string, bool) { return s.task, true }}, true
	case "key":
		return code{text: func(s *Scope) (string, bool) { return s.key(), true }}, true
	case "faults":
		return code{list: func(s *Scope) []string { return s.faults }}, true
	case "ended":
		return code{list: func(s *Scope) []string { return s.ended }}, true
	}
	if f, ok := fields[name]; ok {
		return f.code(), true
	}
	r, ok := l.refs[name]
	if !ok {
		return code{}, false
	}
	if l.infos[r].Unit == boolUnit {
		return code{logic: func(s *Scope) truth { return truthOf(s.table.Is(r)) }}, true
	}
	return code{double: func(s *Scope) (float64, bool) { return s.table.Get(r), true }, place: &r}, true
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

func (l *Language) call(call ast.CallExpr) (code, bool) {
	name, exprs := call.FunctionName(), call.Args()
	if call.IsMemberFunction() {
		exprs = append([]ast.Expr{call.Target()}, exprs...)
	}
	if name == operators.In && exprs[1].Kind() == ast.ListKind {
		return l.membership(exprs[0], exprs[1].AsList().Elements())
	}
	args := make([]code, len(exprs))
	for i, e := range exprs {
		var ok bool
		if args[i], ok = l.closure(e); !ok {
			return code{}, false
		}
	}
	switch len(args) {
	case 1:
		return unary(name, args[0])
	case 2:
		return binary(name, args[0], args[1])
	case 3:
		if name == operators.Conditional {
			return choice(args[0].logic, args[1], args[2])
		}
	}
	return code{}, false
}

func unary(name string, a code) (code, bool) {
	switch {
	case name == operators.LogicalNot && a.logic != nil:
		return code{logic: func(s *Scope) truth {
			switch a.logic(s) {
			case no:
				return yes
			case yes:
				return no
			}
			return failed
		}}, true
	case name == operators.Negate && a.double != nil:
		return code{double: func(s *Scope) (float64, bool) {
			v, ok := a.double(s)
			return -v, ok
		}}, true
	case name == operators.Negate && a.whole != nil:
		return code{whole: func(s *Scope) (int64, bool) {
			v, ok := a.whole(s)
			return -v, ok && v != math.MinInt64
		}}, true
	case name == "size" && a.list != nil:
		return code{whole: func(s *Scope) (int64, bool) { return int64(len(a.list(s))), true }}, true
	case name == "size" && a.bytes != nil:
		return code{whole: func(s *Scope) (int64, bool) {
			v, ok := a.bytes(s)
			return int64(len(v)), ok
		}}, true
	}
	return code{}, false
}

func binary(name string, a, b code) (code, bool) {
	switch {
	case a.logic != nil && b.logic != nil:
		return logical(name, a.logic, b.logic)
	case a.whole != nil && b.whole != nil:
		return wholes(name, a.whole, b.whole)
	case a.double != nil && b.double != nil:
		return doubles(name, a, b)
	case a.double != nil && b.whole != nil, a.whole != nil && b.double != nil:
		return mixed(name, a, b)
	case a.text != nil && b.text != nil:
		return texts(name, a.text, b.text)
	case name == operators.In && a.text != nil && b.list != nil:
		return code{logic: func(s *Scope) truth {
			v, ok := a.text(s)
			if !ok {
				return failed
			}
			for _, x := range b.list(s) {
				if x == v {
					return yes
				}
			}
			return no
		}}, true
	case name == "at" && a.bytes != nil && b.whole != nil:
		return code{whole: func(s *Scope) (int64, bool) {
			d, ok := a.bytes(s)
			i, ok2 := b.whole(s)
			if i < 0 || i >= int64(len(d)) {
				return -1, ok && ok2
			}
			return int64(d[i]), ok && ok2
		}}, true
	}
	return code{}, false
}

// logical has CEL's and and or: what one side says for certain does not hang on an
// error of the other.
func logical(name string, a, b func(*Scope) truth) (code, bool) {
	switch name {
	case operators.LogicalAnd:
		return code{logic: func(s *Scope) truth {
			x := a(s)
			if x == no {
				return no
			}
			if y := b(s); y != yes {
				return y
			}
			return x
		}}, true
	case operators.LogicalOr:
		return code{logic: func(s *Scope) truth {
			x := a(s)
			if x == yes {
				return yes
			}
			if y := b(s); y != no {
				return y
			}
			return x
		}}, true
	case operators.Equals, operators.NotEquals:
		same := name == operators.Equals
		return code{logic: func(s *Scope) truth {
			x, y := a(s), b(s)
			if x == failed || y == failed {
				return failed
			}
			return truthOf((x == y) == same)
		}}, true
	}
	return code{}, false
}

func texts(name string, a, b func(*Scope) (string, bool)) (code, bool) {
	var test func(x, y string) bool
	switch name {
	case operators.Equals:
		test = func(x, y string) bool { return x == y }
	case operators.NotEquals:
		test = func(x, y string) bool { return x != y }
	case "startsWith":
		test = strings.HasPrefix
	case "endsWith":
		test = strings.HasSuffix
	case "contains":
		test = strings.Contains
	default:
		return code{}, false
	}
	return code{logic: func(s *Scope) truth {
		x, ok := a(s)
		y, ok2 := b(s)
		if !ok || !ok2 {
			return failed
		}
		return truthOf(test(x, y))
	}}, true
}

// choice is a ? b : c; only the side that is taken is evaluated.
func choice(cond func(*Scope) truth, a, b code) (code, bool) {
	switch {
	case cond == nil:
	case a.logic != nil && b.logic != nil:
		return code{logic: func(s *Scope) truth {
			switch cond(s) {
			case yes:
				return a.logic(s)
			case no:
				return b.logic(s)
			}
			return failed
		}}, true
	case a.double != nil && b.double != nil:
		return code{double: func(s *Scope) (float64, bool) {
			switch cond(s) {
			case yes:
				return a.double(s)
			case no:
				return b.double(s)
			}
			return 0, false
		}}, true
	case a.whole != nil && b.whole != nil:
		return code{whole: func(s *Scope) (int64, bool) {
			switch cond(s) {
			case yes:
				return a.whole(s)
			case no:
				return b.whole(s)
			}
			return 0, false
		}}, true
	}
	return code{}, false
}

// membership is `x in [..]` of words or whole numbers that are constants.
func (l *Language) membership(e ast.Expr, elements []ast.Expr) (code, bool) {
	a, ok := l.closure(e)
	if !ok {
		return code{}, false
	}
	var wholes []int64
	var texts []string
	for _, x := range elements {
		if x.Kind() != ast.LiteralKind {
			return code{}, false
		}
		switch v := x.AsLiteral().(type) {
		case types.Int:
			wholes = append(wholes, int64(v))
		case types.String:
			texts = append(texts, string(v))
		}
	}
	switch {
	case len(elements) == 0:
	case a.whole != nil && len(wholes) == len(elements):
		return code{logic: func(s *Scope) truth { v, ok := a.whole(s); return among(wholes, v, ok) }}, true
	case a.text != nil && len(texts) == len(elements):
		return code{logic: func(s *Scope) truth { v, ok := a.text(s); return among(texts, v, ok) }}, true
	}
	return code{}, false
}

func among[T comparable](list []T, v T, ok bool) truth {
	if !ok {
		return failed
	}
	for _, x := range list {
		if x == v {
			return yes
		}
	}
	return no
}
