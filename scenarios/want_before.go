package scenarios

import (
	"github.com/goccy/go-yaml/ast"

	"sawhorse/bench/judge/monitor"
)

var beforeKind = wantKind{
	key:  "before",
	read: (*reader).before,
	schema: `{
  "type": "object",
  "additionalProperties": false,
  "required": ["first", "then"],
  "properties": {
    "first": {"$ref": "#/$defs/condition"},
    "then": {"$ref": "#/$defs/condition"},
    "each": {"type": "boolean"}
  }
}`,
}

func (r *reader) before(n ast.Node) monitor.Want {
	var w monitor.Before
	r.mapping(n, "before",
		field{"first", true, r.conditionInto(&w.First)},
		field{"then", true, r.conditionInto(&w.Then)},
		field{"each", false, r.truthInto(&w.Each)},
	)
	return w
}
