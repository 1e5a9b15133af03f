package scenarios

import (
	"github.com/goccy/go-yaml/ast"

	"sawhorse/bench/judge/monitor"
)

var holdUntilKind = wantKind{
	key:    "hold-until",
	within: true,
	read:   (*reader).holdUntil,
	schema: `{
  "type": "object",
  "additionalProperties": false,
  "required": ["hold", "until"],
  "properties": {
    "hold": {"$ref": "#/$defs/condition"},
    "until": {"$ref": "#/$defs/condition"},
    "within": {"$ref": "#/$defs/duration"}
  }
}`,
}

func (r *reader) holdUntil(n ast.Node) monitor.Want {
	var w monitor.UntilThen
	r.mapping(n, "hold-until",
		field{"hold", true, r.conditionInto(&w.Hold)},
		field{"until", true, r.conditionInto(&w.Then)},
		field{"within", false, r.durationInto(&w.Within, 1)},
	)
	if w.Hold != nil && w.Hold.OnEvent() {
		r.fail(n, `"hold" of an event`, "a state, which can last")
	}
	return w
}
