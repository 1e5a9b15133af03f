package cel

import (
	"slices"

	"github.com/google/cel-go/common/ast"
	"github.com/google/cel-go/common/operators"
	"github.com/google/cel-go/common/types"

	"sawhorse/bench/judge"
)

// Frames is a set of frames by their identifiers: those that somebody asks for. Most
// frames of a run are asked for by nobody, and no observation is made of them.
type Frames struct {
	all bool
	low [0x800 / 64]uint64 // the standard identifiers
	ids []int              // the others
}

// Has reports whether frames of an identifier are in the set.
func (f *Frames) Has(id int) bool {
	if f.all {
		return true
	}
	if id >= 0 && id < 0x800 {
		return f.low[id/64]>>(id%64)&1 != 0
	}
	return len(f.ids) > 0 && slices.Contains(f.ids, id)
}

// Add adds what a condition asks for.
func (f *Frames) Add(c *Condition) {
	f.all = f.all || c.frames.all
	for _, id := range c.frames.ids {
		if id >= 0 && id < 0x800 {
			f.low[id/64] |= 1 << (id % 64)
		} else if !slices.Contains(f.ids, id) {
			f.ids = append(f.ids, id)
		}
	}
}

// asked are the identifiers of the frames at which an expression can hold.
type asked struct {
	all bool
	ids []int
}

// framesOf finds them, as far as comparisons of event.kind and event.id with constants
// tell. What it leaves out is false for certain, whatever else is an error.
func framesOf(e ast.Expr) asked {
	if field, value, ok := equals(e); ok && field == "event.kind" {
		return asked{all: value == judge.Frame.String()}
	}
	if e.Kind() != ast.CallKind {
		return asked{all: true}
	}
	call := e.AsCall()
	args := call.Args()
	switch call.FunctionName() {
	case operators.LogicalAnd:
		return framesOf(args[0]).and(framesOf(args[1]))
	case operators.LogicalOr:
		return framesOf(args[0]).or(framesOf(args[1]))
	case operators.Equals:
		for i := range 2 {
			if name, ok := nameOf(args[i]); ok && name == "event.id" {
				return listed(args[1-i])
			}
		}
	case operators.In:
		if name, ok := nameOf(args[0]); ok && name == "event.id" && args[1].Kind() == ast.ListKind {
			return listed(args[1].AsList().Elements()...)
		}
	}
	return asked{all: true}
}

// listed are identifiers that are constants, or all.
func listed(es ...ast.Expr) asked {
	var a asked
	for _, e := range es {
		if e.Kind() != ast.LiteralKind {
			return asked{all: true}
		}
		id, ok := e.AsLiteral().(types.Int)
		if !ok {
			return asked{all: true}
		}
		a.ids = append(a.ids, int(id))
	}
	return a
}

func (a asked) and(b asked) asked {
	switch {
	case a.all:
		return b
	case b.all:
		return a
	}
	return asked{ids: slices.DeleteFunc(slices.Clone(a.ids), func(id int) bool { return !slices.Contains(b.ids, id) })}
}

func (a asked) or(b asked) asked {
	return asked{a.all || b.all, slices.Concat(a.ids, b.ids)}
}

// kindsOf is the set of kinds at which an expression can hold, as far as its
// comparisons of event.kind with a word tell. It saves most evaluations, as
// most observations are frames.
func kindsOf(e ast.Expr) uint16 {
	const all = 1<<judge.Kinds - 1
	if field, value, ok := equals(e); ok && field == "event.kind" {
		for k, name := range judge.KindNames() {
			if name == value {
				return 1 << k
			}
		}
		return 0
	}
	if e.Kind() == ast.CallKind {
		args := e.AsCall().Args()
		switch e.AsCall().FunctionName() {
		case operators.LogicalAnd:
			return kindsOf(args[0]) & kindsOf(args[1])
		case operators.LogicalOr:
			return kindsOf(args[0]) | kindsOf(args[1])
		}
	}
	return all
}
