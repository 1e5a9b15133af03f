package scenarios

import (
	"fmt"

	"github.com/goccy/go-yaml/ast"

	"sawhorse/bench/judge/monitor"
)

var afterKind = wantKind{
	key:  "after",
	read: (*reader).after,
	schema: `{
  "type": "object",
  "additionalProperties": false,
  "required": ["event"],
  "oneOf": [{"required": ["then"]}, {"required": ["never"]}],
  "properties": {
    "event": {"$ref": "#/$defs/condition"},
    "then": {"$ref": "#/$defs/condition"},
    "never": {"$ref": "#/$defs/condition"},
    "within": {"$ref": "#/$defs/duration"},
    "not-before": {"$ref": "#/$defs/duration"},
    "throughout": {"type": "boolean"}
  }
}`,
}

func (r *reader) after(n ast.Node) monitor.Want {
	var w monitor.After
	r.mapping(n, "after",
		field{"event", true, r.conditionInto(&w.Event)},
		field{"then", false, r.conditionInto(&w.Then)},
		field{"never", false, func(n ast.Node) { w.Then, w.Never = r.condition(n), true }},
		field{"within", false, r.durationInto(&w.Within, 1)},
		field{"not-before", false, r.durationInto(&w.NotBefore, 0)},
		field{"throughout", false, r.truthInto(&w.Throughout)},
	)
	has := r.keys(n)
	switch {
	case len(has) > 0 && has["then"] == has["never"]:
		r.fail(n, `"then" and "never"`, "one of them")
	case w.Within > 0 && w.NotBefore > w.Within:
		r.fail(n, fmt.Sprintf("not-before %v, within %v", w.NotBefore, w.Within), "a later end")
	case w.Throughout && w.Event != nil && w.Event.OnEvent():
		r.fail(n, `"throughout" of an event`, "a state, which can last")
	}
	return w
}
