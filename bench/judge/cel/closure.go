package cel

import (
	"math"

	"github.com/google/cel-go/common/ast"
	"github.com/google/cel-go/common/operators"
	"github.com/google/cel-go/common/types"
)

// Most conditions compare signals, words and fields with constants. They are evaluated
// as closures, an order of magnitude faster than by CEL's interpreter. A closure that
// meets an error only says so: the interpreter then has the word, and its error is the
// one that is told. Whatever has no closure is left to the interpreter whole.

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
