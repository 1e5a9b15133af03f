package scenarios

import (
	"github.com/goccy/go-yaml/ast"

	"sawhorse/bench/judge"
	"sawhorse/bench/judge/monitor"
)

var finishedKind = wantKind{
	key:        "finished",
	windowless: true,
	read:       (*reader).finished,
	schema: `{
  "type": "object",
  "additionalProperties": false,
  "required": ["task"],
  "properties": {
    "task": {"$ref": "#/$defs/task"},
    "nth": {"$ref": "#/$defs/nth"},
    "within": {"$ref": "#/$defs/duration"},
    "status": {"anyOf": [{"$ref": "#/$defs/status"}, {"type": "array", "minItems": 1, "items": {"$ref": "#/$defs/status"}}]}
  }
}`,
}

func (r *reader) finished(n ast.Node) monitor.Want {
	w := monitor.Finished{Statuses: []string{judge.StatusOK}}
	r.mapping(n, "finished",
		r.taskField(&w.Task),
		r.nth(&w.Nth),
		field{"within", false, r.durationInto(&w.Within, 1)},
		field{"status", false, func(n ast.Node) { w.Statuses = r.wordList(n, finishStatuses()) }},
	)
	return w
}

// finishStatuses are the ends that an expectation can want.
func finishStatuses() []string {
	return []string{judge.StatusOK, judge.StatusFailed, judge.StatusTimeout, judge.StatusCrashed}
}

// wordList reads a word or a list of words.
func (r *reader) wordList(n ast.Node, words []string) []string {
	var list []string
	add := func(n ast.Node) {
		if s, ok := r.word(n, words); ok {
			list = append(list, s)
		}
	}
	if s, ok := n.(*ast.SequenceNode); ok {
		if len(s.Values) == 0 {
			r.fail(n, "an empty list", oneOf(words))
		}
		r.list(n, "words", add)
	} else {
		add(n)
	}
	return list
}
