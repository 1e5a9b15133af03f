package scenarios

import (
	"github.com/goccy/go-yaml/ast"

	"sawhorse/bench/judge/monitor"
)

var eventuallyKind = wantKind{
	key:    "eventually",
	within: true,
	read:   (*reader).eventually,
	schema: `{
  "anyOf": [
    {"$ref": "#/$defs/condition"},
    {
      "type": "object",
      "additionalProperties": false,
      "required": ["that"],
      "properties": {
        "that": {"$ref": "#/$defs/condition"},
        "within": {"$ref": "#/$defs/duration"},
        "for": {"$ref": "#/$defs/duration"}
      }
    }
  ]
}`,
}

// eventually is a condition, or a mapping with times.
func (r *reader) eventually(n ast.Node) monitor.Want {
	var w monitor.Eventually
	if _, ok := rawText(n); ok {
		w.Hold = r.condition(n)
		return w
	}
	r.mapping(n, "eventually",
		field{"that", true, r.conditionInto(&w.Hold)},
		field{"within", false, r.durationInto(&w.Within, 1)},
		field{"for", false, r.durationInto(&w.For, 1)},
	)
	if w.For > 0 && w.Hold != nil && w.Hold.OnEvent() {
		r.fail(n, `"for" of an event`, "a state, which can last")
	}
	return w
}
