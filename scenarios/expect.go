package scenarios

import (
	"fmt"
	"math"
	"slices"
	"strconv"
	"time"

	"github.com/goccy/go-yaml/ast"

	"sawhorse/bench/judge"
	"sawhorse/bench/judge/monitor"
	"sawhorse/bench/judge/report"
	"sawhorse/bench/task"
)

// wantKinds are the keys of which an expectation has exactly one.
var wantKinds = []string{"never", "always", "eventually", "hold-until", "before", "after", "count", "answered", "finished", "reported",
	"while-faults-on", "recovers"}

func (r *reader) expectations(n ast.Node, s *Scenario) {
	seen := map[string]bool{}
	r.list(n, "expectations", func(n ast.Node) {
		e := monitor.Expectation{}
		e.Line, e.Column = place(n)
		want := func(read func(ast.Node) monitor.Want) func(ast.Node) {
			return func(n ast.Node) { e.Want = read(n) }
		}
		r.mapping(n, "an expectation",
			field{"id", true, func(n ast.Node) {
				e.ID = r.name(n, "an id")
				if e.ID != "" && seen[e.ID] {
					r.fail(n, fmt.Sprintf("id %q for a second time", e.ID), "another")
				}
				seen[e.ID] = true
			}},
			field{"says", true, r.textInto(&e.Says, "a sentence")},
			field{"needs", false, func(n ast.Node) {
				r.list(n, "tasks", func(n ast.Node) {
					if t, ok := r.word(n, task.Names()); ok {
						e.Needs = append(e.Needs, t)
					}
				})
			}},
			field{"while", false, r.conditionInto(&e.While)},
			field{"from", false, r.durationInto(&e.From, 0)},
			field{"until", false, r.durationInto(&e.Until, 1)},
			field{"never", false, want(func(n ast.Node) monitor.Want { return monitor.Never{Hold: r.condition(n)} })},
			field{"always", false, want(func(n ast.Node) monitor.Want { return monitor.Always{Hold: r.condition(n)} })},
			field{"eventually", false, want(r.eventually)},
			field{"hold-until", false, want(r.holdUntil)},
			field{"before", false, want(r.before)},
			field{"after", false, want(r.after)},
			field{"count", false, want(r.count)},
			field{"answered", false, want(r.answered)},
			field{"finished", false, want(r.finished)},
			field{"reported", false, want(r.reported)},
			field{"while-faults-on", false, want(r.whileFaultsOn)},
			field{"recovers", false, want(r.recovers)},
		)
		r.oneWant(n, &e)
		if e.Want != nil {
			s.Expect = append(s.Expect, e)
		}
	})
	if len(s.Expect) == 0 && len(r.errs) == 0 {
		r.fail(n, "no expectations", "at least one")
	}
}

// oneWant checks what only the whole expectation tells.
func (r *reader) oneWant(n ast.Node, e *monitor.Expectation) {
	has := r.keys(n)
	if len(has) == 0 {
		return
	}
	var kinds []string
	for _, k := range wantKinds {
		if has[k] {
			kinds = append(kinds, k)
		}
	}
	if len(kinds) != 1 {
		r.fail(n, fmt.Sprintf("an expectation of %d kinds", len(kinds)), oneOf(wantKinds))
		return
	}
	if has["until"] && e.Until > 0 && e.Until <= e.From {
		r.fail(n, fmt.Sprintf("until %v, from %v", e.Until, e.From), "a later end")
	}
	windowless := kinds[0] == "finished" || kinds[0] == "reported"
	for _, k := range []string{"while", "from", "until"} {
		if has[k] && windowless {
			r.fail(n, fmt.Sprintf("%q in an expectation of kind %q", k, kinds[0]), "none there")
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
	if w, ok := e.Want.(monitor.Eventually); ok && w.Within > 0 && e.Until > 0 {
		r.fail(n, `both "within" and "until"`, "one of them")
	}
	if w, ok := e.Want.(monitor.UntilThen); ok && w.Within > 0 && e.Until > 0 {
		r.fail(n, `both "within" and "until"`, "one of them")
	}
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

func (r *reader) before(n ast.Node) monitor.Want {
	var w monitor.Before
	r.mapping(n, "before",
		field{"first", true, r.conditionInto(&w.First)},
		field{"then", true, r.conditionInto(&w.Then)},
		field{"each", false, r.truthInto(&w.Each)},
	)
	return w
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

func (r *reader) answered(n ast.Node) monitor.Want {
	var w monitor.Answered
	r.mapping(n, "answered",
		field{"request", true, r.conditionInto(&w.Request)},
		field{"within", true, r.durationInto(&w.Within, 1)},
		field{"pending", false, r.durationInto(&w.Pending, 1)},
	)
	return w
}

// whileFaultsOn is what must hold, or must not, while a fault is on.
func (r *reader) whileFaultsOn(n ast.Node) monitor.Want {
	var w monitor.WhileFaultsOn
	r.mapping(n, "while-faults-on",
		field{"never", false, func(n ast.Node) { w.Hold, w.Never = r.condition(n), true }},
		field{"always", false, r.conditionInto(&w.Hold)},
		r.faultList(&w.Of),
	)
	if has := r.keys(n); len(has) > 0 && has["never"] == has["always"] {
		r.fail(n, `"never" and "always", or neither`, "one of them")
	}
	return w
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

func (r *reader) reported(n ast.Node) monitor.Want {
	var w monitor.Reported
	check := func(c report.Check) { w.Checks = append(w.Checks, c) }
	fields := []field{r.taskField(&w.Task), r.nth(&w.Nth), {"or-silent", false, r.truthInto(&w.OrSilent)}}
	for _, f := range task.EachField() {
		fields = append(fields, field{f.Name, false, func(n ast.Node) { r.check(n, &f, check) }})
	}
	r.mapping(n, "reported", fields...)
	if len(w.Checks) == 0 && len(r.keys(n)) > 0 {
		r.fail(n, "a report without a comparison", "a key such as stored, vin or live")
	}
	return w
}

// check reads what is wanted of one field of a report.
func (r *reader) check(n ast.Node, f *task.Field, check func(report.Check)) {
	switch f.Shape {
	case task.Number:
		check(r.vinCheck(n))
	case task.Units, task.Codes, task.Texts:
		check(r.listCheck(n, f))
	case task.Whole:
		v, _ := r.whole(n, 0, 1000)
		check(report.Check{Field: f.Name, Text: strconv.FormatUint(v, 10)})
	case task.Word:
		t, _ := r.word(n, f.Words)
		check(report.Check{Field: f.Name, Text: t})
	case task.Named:
		r.named(n, f.Name, func(name string, n ast.Node) {
			t, _ := r.word(n, f.Words)
			check(report.Check{Field: f.Name, Name: name, Text: t})
		})
	case task.Values:
		r.named(n, f.Name+" values", func(name string, n ast.Node) { check(r.liveCheck(n, name)) })
	}
}

// named reads a mapping whose keys are free names, in the file's order.
func (r *reader) named(n ast.Node, what string, each func(string, ast.Node)) {
	values, _ := r.entries(n, "a mapping of "+what)
	var seen []string
	for _, v := range values {
		name, ok := r.key(v)
		switch {
		case !ok:
		case slices.Contains(seen, name):
			r.fail(v, fmt.Sprintf("key %q for a second time", name), "each key once")
		default:
			seen = append(seen, name)
			each(name, v.Value)
		}
	}
}

func (r *reader) vinCheck(n ast.Node) report.Check {
	t, _ := r.vin(n)
	if t == OfCar {
		return report.Check{Field: "vin", Car: true}
	}
	return report.Check{Field: "vin", Text: t}
}

// vin reads a vehicle's number, or the word for that of the car.
func (r *reader) vin(n ast.Node) (string, bool) {
	t, ok := r.text(n, "car, or a vehicle identification number")
	if ok && t != OfCar && len(t) != 17 {
		r.fail(n, fmt.Sprintf("%q", t), "car, or 17 characters")
		return "", false
	}
	return t, ok
}

// listCheck reads the word car, or has, lacks and only.
func (r *reader) listCheck(n ast.Node, f *task.Field) report.Check {
	name, car := f.Name, f.Shape == task.Units
	c := report.Check{Field: name}
	if t, ok := rawText(n); ok && car {
		if c.Car = t == "car"; !c.Car {
			r.fail(n, fmt.Sprintf("%q", t), "car, or a mapping such as has or lacks")
		}
		return c
	}
	entries := func(to *[]string, least int) func(ast.Node) {
		return func(n ast.Node) {
			if l, ok := n.(*ast.SequenceNode); ok && len(l.Values) < least {
				r.fail(n, "an empty list", "at least one entry")
			}
			r.list(n, "entries", func(n ast.Node) {
				t, ok := r.text(n, "an entry")
				if ok && f.Shape == task.Codes && !codeForm.MatchString(t) {
					r.fail(n, fmt.Sprintf("%q", t), "a trouble code such as P0102 or P0102-16")
				}
				*to = append(*to, t)
			})
		}
	}
	r.mapping(n, name,
		field{"has", false, entries(&c.Has, 1)},
		field{"lacks", false, entries(&c.Lacks, 1)},
		field{"only", false, func(n ast.Node) { entries(&c.Has, 0)(n); c.Exact = true }},
		field{"at-least", false, func(n ast.Node) { c.AtLeast = r.entryCount(n) }},
		field{"at-most", false, func(n ast.Node) { c.AtMost = r.entryCount(n) }},
	)
	has := r.keys(n)
	switch {
	case has["only"] && len(has) > 1:
		r.fail(n, `"only" beside others`, "it alone")
	case c.AtMost > 0 && c.AtMost < c.AtLeast:
		r.fail(n, fmt.Sprintf("at least %d, at most %d", c.AtLeast, c.AtMost), "bounds that can be met")
	case isMapping(n) && len(has) == 0:
		r.fail(n, "a comparison with nothing", "has, lacks, only, at-least or at-most")
	}
	return c
}

func (r *reader) entryCount(n ast.Node) int {
	v, _ := r.whole(n, 1, 1000)
	return int(v)
}

// liveCheck reads near (a true signal, by default of the same name, or a number),
// within and age.
func (r *reader) liveCheck(n ast.Node, name string) report.Check {
	c := report.Check{Field: "live", Name: name, Signal: name, Age: 0}
	near := n
	r.mapping(n, "live "+name,
		field{"near", false, func(n ast.Node) {
			near = n
			if t, ok := rawText(n); ok {
				c.Signal = t
				return
			}
			c.Number, _ = r.number(n, math.Inf(-1), math.Inf(1))
			c.Signal = ""
		}},
		field{"within", true, func(n ast.Node) { c.Within, _ = r.number(n, 0, math.Inf(1)) }},
		field{"age", false, r.durationInto(&c.Age, time.Millisecond)},
	)
	if c.Signal != "" && r.lang != nil && !r.lang.Number(c.Signal) {
		r.fail(near, fmt.Sprintf("%q is no signal of this car with a number", c.Signal), "a true signal or a number")
	}
	return c
}
