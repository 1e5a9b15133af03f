package tool

import (
	"slices"

	"sawhorse/bench/task"
)

// Reads are the fields that the entry's output mapping can tell at all, whatever a given
// output has: what it cannot tell is no omission of the tool.
func (e *Entry) Reads() task.Fields { return e.output.reads }

// reads are what the named groups of a rule and its empty lists tell.
func (r *lineRule) reads() task.Fields {
	var set task.Fields
	for _, f := range task.EachField() {
		if r.match != nil && r.match.SubexpIndex(f.Group) >= 0 || slices.Contains(r.empty, f.Key) || slices.Contains(r.unknown, f.Key) {
			set |= f.Field
		}
	}
	return set
}
