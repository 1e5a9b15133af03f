package scenarios

import (
	"fmt"

	"github.com/goccy/go-yaml/ast"

	"sawhorse/bench/judge/monitor"
)

var countKind = wantKind{
	key:  "count",
	read: (*reader).count,
	schema: `{
  "type": "object",
  "additionalProperties": false,
  "required": ["of"],
  "anyOf": [{"required": ["at-least"]}, {"required": ["at-most"]}],
  "dependentRequired": {"in": ["at-most"]},
  "properties": {
    "of": {"$ref": "#/$defs/condition"},
    "at-least": {"type": "integer", "minimum": 0, "maximum": 1000000},
    "at-most": {"type": "integer", "minimum": 0, "maximum": 1000000},
    "in": {"$ref": "#/$defs/duration"}
  }
}`,
}

func (r *reader) count(n ast.Node) monitor.Want {
	w := monitor.Count{AtMost: -1}
	bound := func(to *int) func(ast.Node) {
		return func(n ast.Node) {
			if v, ok := r.whole(n, 0, 1_000_000); ok {
				*to = int(v)
			}
		}
	}
	r.mapping(n, "count",
		field{"of", true, r.conditionInto(&w.Of)},
		field{"at-least", false, bound(&w.AtLeast)},
		field{"at-most", false, bound(&w.AtMost)},
		field{"in", false, r.durationInto(&w.In, 1)},
	)
	has := r.keys(n)
	switch {
	case len(has) > 0 && !has["at-least"] && !has["at-most"]:
		r.fail(n, "a count without a bound", `"at-least" or "at-most"`)
	case has["in"] && !has["at-most"]:
		r.fail(n, `"in" without "at-most"`, "both")
	case w.AtMost >= 0 && w.AtMost < w.AtLeast:
		r.fail(n, fmt.Sprintf("at least %d, at most %d", w.AtLeast, w.AtMost), "bounds that can be met")
	}
	return w
}
