package cel

import (
	"github.com/google/cel-go/common/ast"
	"github.com/google/cel-go/common/operators"
	"github.com/google/cel-go/common/types"
)

// equals takes `name == "word"` apart, either way round. `"word" in name` and
// `name != "word"` are no such, for kindsOf.
func equals(e ast.Expr) (name, value string, ok bool) {
	if e.Kind() != ast.CallKind || e.AsCall().FunctionName() != operators.Equals {
		return "", "", false
	}
	args := e.AsCall().Args()
	for i := range 2 {
		n, isName := nameOf(args[i])
		other := args[1-i]
		if !isName || other.Kind() != ast.LiteralKind {
			continue
		}
		if v, isText := other.AsLiteral().(types.String); isText {
			return n, string(v), true
		}
	}
	return "", "", false
}

// nameOf is the identifier, with its qualifier, that an expression is.
func nameOf(e ast.Expr) (string, bool) {
	switch e.Kind() {
	case ast.IdentKind:
		return e.AsIdent(), true
	case ast.SelectKind:
		if s := e.AsSelect(); !s.IsTestOnly() {
			if head, ok := nameOf(s.Operand()); ok {
				return head + "." + s.FieldName(), true
			}
		}
	}
	return "", false
}

func walk(e ast.Expr, visit func(ast.Expr)) {
	ast.PreOrderVisit(e, ast.NewExprVisitor(visit))
}
