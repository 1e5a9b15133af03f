package scenarios

import (
	"github.com/goccy/go-yaml/ast"

	"sawhorse/bench/judge/monitor"
)

var alwaysKind = wantKind{
	key:    "always",
	read:   func(r *reader, n ast.Node) monitor.Want { return monitor.Always{Hold: r.condition(n)} },
	schema: `{"$ref": "#/$defs/condition"}`,
}

var neverKind = wantKind{
	key:    "never",
	read:   func(r *reader, n ast.Node) monitor.Want { return monitor.Never{Hold: r.condition(n)} },
	schema: `{"$ref": "#/$defs/condition"}`,
}
