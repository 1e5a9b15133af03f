package scenarios

import (
	"github.com/goccy/go-yaml/ast"

	"sawhorse/bench/judge/monitor"
)

var whileFaultsOnKind = wantKind{
	key:  "while-faults-on",
	read: (*reader).whileFaultsOn,
	schema: `{
  "type": "object",
  "additionalProperties": false,
  "oneOf": [{"required": ["never"]}, {"required": ["always"]}],
  "properties": {
    "never": {"$ref": "#/$defs/condition"},
    "always": {"$ref": "#/$defs/condition"},
    "of": {"$ref": "#/$defs/faultNames"}
  }
}`,
}

// whileFaultsOn is what must hold, or must not, while a fault is on.
func (r *reader) whileFaultsOn(n ast.Node) monitor.Want {
	var w monitor.WhileFaultsOn
	r.mapping(n, "while-faults-on",
		field{"never", false, func(n ast.Node) { w.Hold, w.Never = r.condition(n), true }},
		field{"always", false, r.conditionInto(&w.Hold)},
		r.faultList(&w.Of),
	)
	if has := r.keys(n); len(has) > 0 && has["never"] == has["always"] {
		r.fail(n, `"never" and "always", or neither`, "one of them")
	}
	return w
}
