package bench_test

import (
	"fmt"
	"go/ast"
	"testing"

	"golang.org/x/tools/go/packages"
)

// longest is how many lines a function may have, so that it is seen at once.
const longest = 70

// long finds functions of more lines.
func long(p *packages.Package) []finding {
	var list []finding
	for _, f := range p.Syntax {
		for _, d := range f.Decls {
			fn, ok := d.(*ast.FuncDecl)
			if !ok {
				continue
			}
			if n := p.Fset.Position(fn.End()).Line - p.Fset.Position(fn.Pos()).Line + 1; n > longest {
				list = append(list, finding{fn.Pos(), fn.Name.Name, fmt.Sprintf("%s has %d lines", fn.Name.Name, n)})
			}
		}
	}
	return list
}

func TestTheHousesFunctionsAreShort(t *testing.T) {
	canary(t, "long", long)
	hold(t, fmt.Sprintf("a function of more than %d lines does more than one thing", longest), long, exceptions{
		"bench/ecu/app checkNumbers":    "one number after the other, each with its bounds",
		"bench/ecu/app purgeTank":       "the steps of one monitor, in order",
		"cmd/demotool/tester buildPIDs": "a table",
		"cmd/sawhorse newRunCommand":    "one flag after the other",
	}, house(t))
}
