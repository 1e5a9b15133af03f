package scenarios

import (
	"github.com/goccy/go-yaml/ast"

	"sawhorse/bench/judge/monitor"
)

var recoversKind = wantKind{
	key:  "recovers",
	read: (*reader).recovers,
	schema: `{
  "type": "object",
  "additionalProperties": false,
  "required": ["that", "within"],
  "properties": {
    "that": {"$ref": "#/$defs/condition"},
    "within": {"$ref": "#/$defs/duration"},
    "for": {"$ref": "#/$defs/duration"},
    "of": {"$ref": "#/$defs/faultNames"}
  }
}`,
}

func (r *reader) recovers(n ast.Node) monitor.Want {
	var w monitor.Recovers
	r.mapping(n, "recovers",
		field{"that", true, r.conditionInto(&w.That)},
		field{"within", true, r.durationInto(&w.Within, 1)},
		field{"for", false, r.durationInto(&w.For, 1)},
		r.faultList(&w.Of),
	)
	if w.For > 0 && w.That != nil && w.That.OnEvent() {
		r.fail(n, `"for" of an event`, "a state, which can last")
	}
	return w
}
