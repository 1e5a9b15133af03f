package cel

import (
	"fmt"
	"math"

	"github.com/google/cel-go/cel"
	"github.com/google/cel-go/common/types"
)

// Number is one compiled CEL expression of a number over signals, such as a rate
// that depends on the engine speed.
type Number struct {
	src     string
	lang    *Language
	prog    cel.Program
	closure func(*Scope) (float64, bool) // nil where there is none
}

// CompileNumber checks an expression and prepares it. It may not look at events.
func (l *Language) CompileNumber(src string) (*Number, []*ConditionError) {
	tree, issues := l.env.Compile(src)
	if issues != nil && issues.Err() != nil {
		var errs []*ConditionError
		for _, e := range issues.Errors() {
			errs = append(errs, &ConditionError{Line: e.Location.Line(), Column: e.Location.Column() + 1, Message: helpful(e.Message)})
		}
		return nil, errs
	}
	fail := func(format string, a ...any) (*Number, []*ConditionError) {
		return nil, []*ConditionError{{Line: 1, Column: 1, Message: fmt.Sprintf(format, a...)}}
	}
	if t := tree.OutputType(); !t.IsExactType(cel.DoubleType) && !t.IsExactType(cel.IntType) {
		return fail("is of type %s, expected a number", cel.FormatCELType(t))
	}
	c := &Condition{src: src}
	if errs := c.study(tree.NativeRep()); len(errs) > 0 {
		return nil, errs
	}
	if c.onEvent {
		return fail("looks at an event, expected signals only")
	}
	prog, err := l.env.Program(tree, cel.EvalOptions(cel.OptOptimize))
	if err != nil {
		return fail("%v", err)
	}
	n := &Number{src: src, lang: l, prog: prog}
	if code, ok := l.closure(tree.NativeRep().Expr()); ok {
		n.closure = asDouble(code)
	}
	return n, nil
}

// Text is the expression as it was written.
func (n *Number) Text() string { return n.src }

// Value evaluates the expression. What is no finite number is an error.
func (n *Number) Value(s *Scope) (float64, error) {
	v, ok := 0.0, false
	if n.closure != nil && s.fits(n.lang) {
		v, ok = n.closure(s)
	}
	if !ok {
		out, _, err := n.prog.Eval(s)
		if err != nil {
			return 0, fmt.Errorf("%q: %w", n.src, err)
		}
		switch x := out.(type) {
		case types.Double:
			v = float64(x)
		case types.Int:
			v = float64(x)
		}
	}
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return 0, fmt.Errorf("%q is %g, expected a finite number", n.src, v)
	}
	return v, nil
}
