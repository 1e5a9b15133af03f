package scenarios

import (
	"github.com/goccy/go-yaml/ast"

	"sawhorse/bench/judge/monitor"
)

var answeredKind = wantKind{
	key:  "answered",
	read: (*reader).answered,
	schema: `{
  "type": "object",
  "additionalProperties": false,
  "required": ["request", "within"],
  "properties": {
    "request": {"$ref": "#/$defs/condition"},
    "within": {"$ref": "#/$defs/duration"},
    "pending": {"$ref": "#/$defs/duration"}
  }
}`,
}

func (r *reader) answered(n ast.Node) monitor.Want {
	var w monitor.Answered
	r.mapping(n, "answered",
		field{"request", true, r.conditionInto(&w.Request)},
		field{"within", true, r.durationInto(&w.Within, 1)},
		field{"pending", false, r.durationInto(&w.Pending, 1)},
	)
	return w
}
