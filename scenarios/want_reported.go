package scenarios

import (
	"fmt"
	"math"
	"slices"
	"strconv"
	"time"

	"github.com/goccy/go-yaml/ast"

	"sawhorse/bench/judge/monitor"
	"sawhorse/bench/judge/report"
	"sawhorse/bench/task"
)

var reportedKind = wantKind{
	key:        "reported",
	windowless: true,
	read:       (*reader).reported,
	schema: `{
  "type": "object",
  "additionalProperties": false,
  "required": ["task"],
  "@one": true,
  "properties": {
    "task": {"$ref": "#/$defs/task"},
    "nth": {"$ref": "#/$defs/nth"},
    "or-silent": {"type": "boolean"},
    "known": {"type": "boolean", "description": "All of it can be read, so that a tool which says not to know has not done its work."},
    "@fields": true
  }
}`,
}

func (r *reader) reported(n ast.Node) monitor.Want {
	var w monitor.Reported
	check := func(c report.Check) { w.Checks = append(w.Checks, c) }
	fields := []field{r.taskField(&w.Task), r.nth(&w.Nth), {"or-silent", false, r.truthInto(&w.OrSilent)},
		{"known", false, r.truthInto(&w.Known)}}
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
