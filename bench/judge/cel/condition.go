package cel

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"github.com/google/cel-go/cel"
	"github.com/google/cel-go/common/ast"
	"github.com/google/cel-go/common/types"

	"sawhorse/bench/judge"
)

// Condition is one compiled CEL expression of type bool.
type Condition struct {
	src     string
	plain   string // in words
	lang    *Language
	prog    cel.Program
	closure func(*Scope) truth // nil where there is none
	onEvent bool
	kinds   uint16 // bit set: the kinds at which it can hold
	rob     robustness
	unit    string
	words   []word
	frames  asked
	beside  bool // it asks for what is not on the bus
}

// word is a literal that a condition compares a name with.
type word struct{ name, value string }

// ConditionError is a mistake in a condition.
type ConditionError struct {
	// Line and Column count from 1 within the condition's text; Column in
	// characters.
	Line, Column int
	Message      string
}

func (e *ConditionError) Error() string {
	return fmt.Sprintf("condition, line %d, column %d: %s", e.Line, e.Column, e.Message)
}

// Compile checks a condition and prepares it. The errors are all that the
// checker found.
func (l *Language) Compile(src string) (*Condition, []*ConditionError) {
	tree, issues := l.env.Compile(src)
	if issues != nil && issues.Err() != nil {
		var errs []*ConditionError
		for _, e := range issues.Errors() {
			errs = append(errs, &ConditionError{Line: e.Location.Line(), Column: e.Location.Column() + 1, Message: helpful(e.Message)})
		}
		return nil, errs
	}
	at := func(err error) []*ConditionError {
		return []*ConditionError{{Line: 1, Column: 1, Message: err.Error()}}
	}
	if !tree.OutputType().IsExactType(cel.BoolType) {
		return nil, at(fmt.Errorf("is of type %s, expected bool", cel.FormatCELType(tree.OutputType())))
	}
	c := &Condition{src: src, lang: l}
	if errs := c.study(tree.NativeRep()); len(errs) > 0 {
		return nil, errs
	}
	rob, unit, ok := l.robust(tree, tree.NativeRep().Expr())
	if ok && unit.known {
		c.rob, c.unit = rob, unit.name
	}
	c.plain = c.inWords(tree.NativeRep().Expr())
	if code, ok := l.closure(tree.NativeRep().Expr()); ok {
		c.closure = code.logic
	} else {
		tree = l.folded(tree)
	}
	prog, err := l.env.Program(tree, cel.EvalOptions(cel.OptOptimize))
	if err != nil {
		return nil, at(err)
	}
	c.prog = prog
	return c, nil
}

// folded evaluates beforehand what is constant.
func (l *Language) folded(tree *cel.Ast) *cel.Ast {
	fold, err := cel.NewConstantFoldingOptimizer()
	if err != nil {
		return tree
	}
	opt, err := cel.NewStaticOptimizer(fold)
	if err != nil {
		return tree
	}
	// A folding that fails leaves a slower program, not a wrong one.
	if t, iss := opt.Optimize(l.env, tree); iss == nil || iss.Err() == nil {
		return t
	}
	return tree
}

// helpful makes one plain line of a checker's message, and adds what to write
// instead of the mistake that everybody makes once: CEL orders numbers of two types
// but does not call them equal.
func helpful(message string) string {
	message = strings.ReplaceAll(message, "\n", " ")
	message = strings.TrimSuffix(message, " (in container '')")
	message, _, _ = strings.Cut(message, " expecting {") // a list of all tokens there are
	message = strings.ReplaceAll(message, "mismatched input '<EOF>'", "it ends too early")
	if strings.Contains(message, "(double, int)") || strings.Contains(message, "(int, double)") {
		return message + "; write a whole number for a signal with its point: 3.0"
	}
	return message
}

// study finds out where the condition can hold and which words it compares with.
// A word that its name can never be is a mistake: the condition would never hold.
func (c *Condition) study(tree *ast.AST) (errs []*ConditionError) {
	walk(tree.Expr(), func(e ast.Expr) {
		if name, ok := nameOf(e); ok {
			if _, ok := fields[name]; ok {
				c.onEvent = true
			}
			c.beside = c.beside || !onBus[name]
		}
		name, value, ok := equals(e)
		if !ok {
			return
		}
		c.words = append(c.words, word{name, value})
		if may := vocabulary[name]; may != nil && !slices.Contains(may, value) {
			at := tree.SourceInfo().GetStartLocation(e.ID())
			errs = append(errs, &ConditionError{at.Line(), at.Column() + 1,
				fmt.Sprintf("%s is never %q, expected one of %s", name, value, strings.Join(may, " "))})
		}
	})
	c.kinds = kindsOf(tree.Expr())
	// Only a condition that compares event.kind with "frame" sees single frames.
	if slices.Contains(c.Words("event.kind"), judge.Frame.String()) {
		c.frames = framesOf(tree.Expr())
	} else {
		c.kinds &^= 1 << judge.Frame
	}
	return errs
}

// vocabulary is what some names can be at all.
var vocabulary = map[string][]string{
	"event.kind":   judge.KindNames(),
	"event.status": judge.Statuses(),
	"key":          keyNames,
}

// onBus are the names that frames alone tell.
var onBus = map[string]bool{
	"t": true, "event": true, "event.kind": true, "event.id": true, "event.ecu": true, "event.service": true, "event.sub": true,
	"event.pid": true, "event.did": true, "event.rid": true, "event.nrc": true, "event.positive": true,
	"event.functional": true, "event.data": true,
}

// OnBus reports whether frames alone tell whether the condition holds: it names nothing
// else, and no kind of observation that is not on the bus.
func (c *Condition) OnBus() bool {
	for _, kind := range c.Words("event.kind") {
		if k, ok := judge.KindOf(kind); !ok || k > judge.Frame {
			return false
		}
	}
	return !c.beside
}

// Text is the condition as it was written.
func (c *Condition) Text() string { return c.src }

// OnEvent reports whether the condition holds at single observations rather
// than being a state.
func (c *Condition) OnEvent() bool { return c.onEvent }

// Measured reports whether the condition has a distance to its threshold, Unit in which
// unit.
func (c *Condition) Measured() bool { return c.rob != nil }

// Unit is the unit of the distance.
func (c *Condition) Unit() string { return c.unit }

// Distance is the robustness of a measured condition, infinite where it is just true or
// false and no number where it cannot be told.
func (c *Condition) Distance(s *Scope) float64 { return c.rob(s) }

// Words lists the literals that the condition compares a name with, such as the
// tasks for "task".
func (c *Condition) Words(name string) []string {
	var list []string
	for _, w := range c.words {
		if w.name == name {
			list = append(list, w.value)
		}
	}
	return list
}

// Holds evaluates the condition. The error is of the condition itself, such as
// a division by zero.
func (c *Condition) Holds(s *Scope) (bool, error) {
	if c.onEvent && (s.event == nil || c.kinds>>s.event.Kind&1 == 0) {
		return false, nil
	}
	if c.closure != nil && s.fits(c.lang) {
		if v := c.closure(s); v != failed {
			return v == yes, nil
		}
	}
	v, _, err := c.prog.Eval(s)
	if err != nil {
		return false, fmt.Errorf("%q: %w", c.src, err)
	}
	return v == types.True, nil
}

// Robustness is the signed distance of a condition on signals to its threshold,
// in the unit given: positive when it holds, negative when not (Donze and Maler
// 2010, definition 3). The last result is false for a condition without one: no
// comparison of numbers, or comparisons in several units.
func (c *Condition) Robustness(s *Scope) (float64, string, bool) {
	if c.rob == nil {
		return 0, "", false
	}
	v := c.rob(s)
	if math.IsInf(v, 0) || math.IsNaN(v) {
		return 0, "", false
	}
	return v, c.unit, true
}
