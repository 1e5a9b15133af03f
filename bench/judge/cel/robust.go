package cel

import (
	"math"

	"github.com/google/cel-go/cel"
	"github.com/google/cel-go/common/ast"
	"github.com/google/cel-go/common/operators"
	"github.com/google/cel-go/common/types"
)

// robustness is the signed distance of a condition to its threshold: infinite
// for a part that is just true or false.
type robustness func(*Scope) float64

type quantity func(*Scope) float64

// unitOf is the unit of a quantity; not known for a bare number and for a truth
// value, which go with every unit.
type unitOf struct {
	name  string
	known bool
}

// join is the common unit of two; false where they differ, since rpm and volts
// have no smaller of the two.
func (u unitOf) join(o unitOf) (unitOf, bool) {
	if !u.known {
		return o, true
	}
	return u, !o.known || u.name == o.name
}

// robust builds the robustness of a boolean expression: the least for and, the
// greatest for or, the negative for not (Donze and Maler 2010, definition 3).
func (l *Language) robust(tree *cel.Ast, e ast.Expr) (robustness, unitOf, bool) {
	if e.Kind() != ast.CallKind {
		return l.truth(tree, e)
	}
	call := e.AsCall()
	args := call.Args()
	switch call.FunctionName() {
	case operators.LogicalAnd, operators.LogicalOr:
		a, ua, ok := l.robust(tree, args[0])
		b, ub, ok2 := l.robust(tree, args[1])
		u, ok3 := ua.join(ub)
		if !ok || !ok2 || !ok3 {
			return nil, u, false
		}
		if call.FunctionName() == operators.LogicalAnd {
			return func(s *Scope) float64 { return math.Min(a(s), b(s)) }, u, true
		}
		return func(s *Scope) float64 { return math.Max(a(s), b(s)) }, u, true
	case operators.LogicalNot:
		a, u, ok := l.robust(tree, args[0])
		if !ok {
			return nil, u, false
		}
		return func(s *Scope) float64 { return -a(s) }, u, true
	case operators.Less, operators.LessEquals, operators.Greater, operators.GreaterEquals, operators.Equals, operators.NotEquals:
		a, ua, ok := l.quantity(args[0])
		b, ub, ok2 := l.quantity(args[1])
		if !ok || !ok2 {
			return l.truth(tree, e)
		}
		u, ok := ua.join(ub)
		if !u.known {
			return l.truth(tree, e) // two bare numbers: true or false for ever
		}
		return compare(call.FunctionName(), a, b), u, ok
	}
	return l.truth(tree, e)
}

func compare(op string, a, b quantity) robustness {
	switch op {
	case operators.Less, operators.LessEquals:
		return func(s *Scope) float64 { return b(s) - a(s) }
	case operators.Greater, operators.GreaterEquals:
		return func(s *Scope) float64 { return a(s) - b(s) }
	case operators.Equals:
		return func(s *Scope) float64 { return -math.Abs(a(s) - b(s)) }
	default:
		return func(s *Scope) float64 { return math.Abs(a(s) - b(s)) }
	}
}

// quantity builds a number: a signal, a literal, or their sum, difference or
// product with a bare number.
func (l *Language) quantity(e ast.Expr) (quantity, unitOf, bool) {
	switch e.Kind() {
	case ast.IdentKind:
		name := e.AsIdent()
		unit, ok := l.units[name]
		r, isSignal := l.refs[name]
		return func(s *Scope) float64 {
			if isSignal && s.fits(l) {
				return s.table.Get(r)
			}
			return s.number(name)
		}, unitOf{unit, true}, ok
	case ast.LiteralKind:
		switch v := e.AsLiteral().(type) {
		case types.Double:
			return func(*Scope) float64 { return float64(v) }, unitOf{}, true
		case types.Int:
			return func(*Scope) float64 { return float64(v) }, unitOf{}, true
		}
		return nil, unitOf{}, false
	case ast.CallKind:
		return l.arithmetic(e.AsCall())
	}
	return nil, unitOf{}, false
}

func (l *Language) arithmetic(call ast.CallExpr) (quantity, unitOf, bool) {
	args := call.Args()
	if call.FunctionName() == operators.Negate {
		a, u, ok := l.quantity(args[0])
		return func(s *Scope) float64 { return -a(s) }, u, ok
	}
	if len(args) != 2 {
		return nil, unitOf{}, false
	}
	a, ua, ok := l.quantity(args[0])
	b, ub, ok2 := l.quantity(args[1])
	if !ok || !ok2 {
		return nil, unitOf{}, false
	}
	u, same := ua.join(ub)
	scaled := !ua.known || !ub.known
	switch call.FunctionName() {
	case operators.Add:
		return func(s *Scope) float64 { return a(s) + b(s) }, u, same
	case operators.Subtract:
		return func(s *Scope) float64 { return a(s) - b(s) }, u, same
	case operators.Multiply:
		return func(s *Scope) float64 { return a(s) * b(s) }, u, scaled
	case operators.Divide:
		return func(s *Scope) float64 { return a(s) / b(s) }, ua, !ub.known && ua.known
	}
	return nil, unitOf{}, false
}

// truth is a part without a distance: infinitely true or infinitely false.
func (l *Language) truth(tree *cel.Ast, e ast.Expr) (robustness, unitOf, bool) {
	if fast, ok := l.closure(e); ok && fast.logic != nil {
		return func(s *Scope) float64 {
			if !s.fits(l) {
				return math.NaN()
			}
			return infinite(fast.logic(s))
		}, unitOf{}, true
	}
	text, err := cel.ExprToString(e, tree.NativeRep().SourceInfo())
	if err != nil {
		return nil, unitOf{}, false
	}
	part, issues := l.env.Compile(text)
	if issues != nil && issues.Err() != nil {
		return nil, unitOf{}, false
	}
	prog, err := l.env.Program(part)
	if err != nil {
		return nil, unitOf{}, false
	}
	return func(s *Scope) float64 {
		v, _, err := prog.Eval(s)
		if err != nil {
			return math.NaN()
		}
		return infinite(truthOf(v == types.True))
	}, unitOf{}, true
}

// infinite is the distance of a part that is just true or false.
func infinite(t truth) float64 {
	switch t {
	case yes:
		return math.Inf(1)
	case no:
		return math.Inf(-1)
	}
	return math.NaN()
}
