package scenarios

import (
	"fmt"

	"github.com/goccy/go-yaml/ast"

	"sawhorse/bench/judge/monitor"
	"sawhorse/bench/task"
)

func (r *reader) expectations(n ast.Node, s *Scenario) {
	seen := map[string]bool{}
	r.list(n, "expectations", func(n ast.Node) {
		e := monitor.Expectation{}
		var inner ast.Node // what stands under the key of its kind
		e.Line, e.Column = place(n)
		fields := []field{
			{"id", true, func(n ast.Node) {
				e.ID = r.name(n, "an id")
				if e.ID != "" && seen[e.ID] {
					r.fail(n, fmt.Sprintf("id %q for a second time", e.ID), "another")
				}
				seen[e.ID] = true
			}},
			{"says", true, r.textInto(&e.Says, "a sentence")},
			{"needs", false, func(n ast.Node) {
				r.list(n, "tasks", func(n ast.Node) {
					if t, ok := r.word(n, task.Names()); ok {
						e.Needs = append(e.Needs, t)
					}
				})
			}},
			{"while", false, r.conditionInto(&e.While)},
			{"from", false, r.durationInto(&e.From, 0)},
			{"until", false, r.durationInto(&e.Until, 1)},
		}
		for i := range wantKinds {
			k := &wantKinds[i]
			fields = append(fields, field{k.key, false, func(n ast.Node) { inner, e.Want = n, k.read(r, n) }})
		}
		r.mapping(n, "an expectation", fields...)
		r.oneWant(n, inner, &e)
		if e.Want != nil {
			s.Expect = append(s.Expect, e)
		}
	})
	if len(s.Expect) == 0 && len(r.errs) == 0 {
		r.fail(n, "no expectations", "at least one")
	}
}

// oneWant checks what only the whole expectation tells.
func (r *reader) oneWant(n, inner ast.Node, e *monitor.Expectation) {
	has := r.keys(n)
	if len(has) == 0 {
		return
	}
	var kinds []*wantKind
	for i := range wantKinds {
		if has[wantKinds[i].key] {
			kinds = append(kinds, &wantKinds[i])
		}
	}
	if len(kinds) != 1 {
		r.fail(n, fmt.Sprintf("an expectation of %d kinds", len(kinds)), oneOf(wantKeys()))
		return
	}
	kind := kinds[0]
	if has["until"] && e.Until > 0 && e.Until <= e.From {
		r.fail(n, fmt.Sprintf("until %v, from %v", e.Until, e.From), "a later end")
	}
	for _, k := range []string{"while", "from", "until"} {
		if has[k] && kind.windowless {
			r.fail(n, fmt.Sprintf("%q in an expectation of kind %q", k, kind.key), "none there")
		}
	}
	onEvents := false
	for _, c := range e.Conditions() {
		if c != nil && c != e.While {
			onEvents = onEvents || c.OnEvent()
		}
	}
	if e.While != nil && e.While.OnEvent() && !onEvents {
		r.fail(n, `"while" is about an event`, "a state, as what it limits is a state")
	}
	if kind.within && has["until"] && r.keys(inner)["within"] {
		r.fail(n, `both "within" and "until"`, "one of them")
	}
}

// faultList is the key "of": faults of the scenario.
func (r *reader) faultList(to *[]string) field {
	return field{"of", false, func(n ast.Node) {
		if l, ok := n.(*ast.SequenceNode); ok && len(l.Values) == 0 {
			r.fail(n, "an empty list", "at least one fault")
		}
		r.list(n, "faults", func(n ast.Node) {
			if t, ok := r.text(n, "a fault of this scenario"); ok {
				*to = append(*to, t)
				r.faultNames = append(r.faultNames, placedName{n, t})
			}
		})
	}}
}

func (r *reader) nth(to *int) field {
	return field{"nth", false, func(n ast.Node) {
		v, _ := r.whole(n, 1, 1000)
		*to = int(v)
	}}
}

func (r *reader) taskField(to *string) field {
	return field{"task", true, func(n ast.Node) { *to, _ = r.word(n, task.Names()) }}
}
