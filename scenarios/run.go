package scenarios

import (
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/goccy/go-yaml/ast"

	"sawhorse/bench/judge/cel"
	"sawhorse/bench/judge/report"
	"sawhorse/bench/judge/rules"
	"sawhorse/bench/task"
)

// Bounds of bit rates in bit/s (ISO 11898-2:2016: up to 1 Mbit/s nominal, here up
// to 8 Mbit/s in the data phase).
const (
	minRate     = 10_000
	maxRate     = 1_000_000
	maxDataRate = 8_000_000
)

func (r *reader) bus(n ast.Node, b *Bus) {
	r.mapping(n, "a bus",
		field{"rate", true, func(n ast.Node) { b.Rate = r.rate(n, maxRate) }},
		field{"data-rate", false, func(n ast.Node) { b.DataRate = r.rate(n, maxDataRate) }},
	)
}

// rate reads 500000, 500k or 1M.
func (r *reader) rate(n ast.Node, most float64) int {
	want := fmt.Sprintf("a bit rate from 10k to %gM, such as 500k", most/1e6)
	s, ok := rawText(n)
	factor := 1.0
	switch {
	case ok && strings.HasSuffix(s, "k"):
		factor = 1e3
	case ok && strings.HasSuffix(s, "M"):
		factor = 1e6
	case ok:
		r.fail(n, strconv.Quote(s), want)
		return 0
	default:
		v, ok := r.whole(n, minRate, uint64(most))
		if !ok {
			return 0
		}
		return int(v)
	}
	v, err := strconv.ParseFloat(s[:len(s)-1], 64)
	if v *= factor; err != nil || !(v >= minRate && v <= most) {
		r.fail(n, strconv.Quote(s), want)
		return 0
	}
	return int(math.Round(v))
}

// trigger are the fields of a moment, under the name that its plain time has.
func (r *reader) trigger(t *Trigger, at string) []field {
	return []field{
		{at, false, func(n ast.Node) { t.At, t.Set = r.duration(n, 0), true }},
		{"when", false, func(n ast.Node) { t.When, t.Set = r.condition(n), true }},
		{"after", false, r.durationInto(&t.After, 0)},
		{"nth", false, func(n ast.Node) {
			v, _ := r.whole(n, 1, 1_000_000)
			t.Nth = int(v)
		}},
	}
}

// one checks that at most one way of telling the moment was used.
func (r *reader) one(n ast.Node, at string) {
	has := r.keys(n)
	switch {
	case has[at] && has["when"]:
		r.fail(n, fmt.Sprintf("both %q and \"when\"", at), "one of them")
	case has["after"] && !has["when"]:
		r.fail(n, `"after" without "when"`, "both")
	case has["nth"] && !has["when"]:
		r.fail(n, `"nth" without "when"`, "both")
	}
}

// keys is the set of a mapping's keys.
func (r *reader) keys(n ast.Node) map[string]bool {
	set := map[string]bool{}
	if m, ok := n.(*ast.MappingNode); ok {
		for _, v := range m.Values {
			if s, ok := v.Key.(*ast.StringNode); ok {
				set[s.Value] = true
			}
		}
	}
	return set
}

func (r *reader) faults(n ast.Node, to *[]Fault, kinds []FaultKind) {
	ids := make([]string, len(kinds))
	for i, f := range kinds {
		ids[i] = f.ID
	}
	r.list(n, "faults", func(n ast.Node) {
		f := Fault{}
		var params ast.Node
		fields := append(r.trigger(&f.From, "from"),
			field{"fault", true, func(n ast.Node) { f.Fault, _ = r.word(n, ids) }},
			field{"params", false, func(n ast.Node) { params = n }},
			field{"until", false, r.durationInto(&f.Until, 1)},
			field{"for", false, r.durationInto(&f.For, 1)},
			field{"every", false, r.durationInto(&f.Every, 1)},
			field{"random", false, func(n ast.Node) { f.Random = r.random(n) }},
			field{"while", false, func(n ast.Node) { f.While = r.state(n) }},
		)
		r.mapping(n, "a fault", fields...)
		r.one(n, "from")
		has := r.keys(n)
		for _, other := range []string{"from", "when", "until", "for", "every", "random"} {
			if has["while"] && has[other] {
				r.fail(n, fmt.Sprintf("both \"while\" and %q", other), "one of them")
			}
		}
		switch {
		case has["random"] && (has["for"] || has["every"]):
			r.fail(n, `"random" beside "for" or "every"`, "one of them")
		case has["until"] && has["for"] && !has["every"]:
			r.fail(n, `both "until" and "for"`, "one of them, or \"every\" beside them")
		case has["until"] && f.From.When == nil && f.Until > 0 && f.Until <= f.From.At:
			r.fail(n, fmt.Sprintf("until %v, from %v", f.Until, f.From.At), "a later end")
		case has["every"] && f.Every > 0 && (f.For == 0 || f.For >= f.Every):
			r.fail(n, `"every" without a shorter "for"`, "how long it stays each time")
		}
		if params != nil && f.Fault != "" {
			i := slices.Index(ids, f.Fault)
			f.Params = r.params(params, &kinds[i])
		}
		*to = append(*to, f)
	})
}

// state reads a condition that has a duration.
func (r *reader) state(n ast.Node) *cel.Condition {
	c := r.condition(n)
	if c != nil && c.OnEvent() {
		r.fail(n, "a condition on single events, which last no time", "one on signals, tasks or faults")
	}
	return c
}

// random reads how a fault comes and goes by chance.
func (r *reader) random(n ast.Node) *Random {
	x := &Random{Spread: Spreads[0]}
	r.mapping(n, "a random fault",
		field{"between", false, r.durationInto(&x.Between, time.Millisecond)},
		field{"rate", false, func(n ast.Node) { x.Rate = r.numberOf(n) }},
		field{"lasting", true, r.durationInto(&x.Lasting, time.Millisecond)},
		field{"spread", false, func(n ast.Node) { x.Spread, _ = r.word(n, Spreads) }},
	)
	if has := r.keys(n); has["between"] == has["rate"] {
		r.fail(n, `"between" and "rate", or neither`, "one of them")
	}
	return x
}

// params reads the parameters that the catalogue declares.
func (r *reader) params(n ast.Node, k *FaultKind) map[string]any {
	out := map[string]any{}
	fields := make([]field, len(k.Params))
	for i, p := range k.Params {
		fields[i] = field{p.Name, false, func(n ast.Node) {
			switch p.Kind {
			case "bool":
				var b bool
				r.truthInto(&b)(n)
				out[p.Name] = b
			case "number":
				low, high := p.Min, p.Max
				if low == 0 && high == 0 {
					low, high = math.Inf(-1), math.Inf(1)
				}
				out[p.Name], _ = r.number(n, low, high)
			default:
				if len(p.Words) > 0 {
					out[p.Name], _ = r.word(n, p.Words)
				} else {
					out[p.Name], _ = r.text(n, "a text")
				}
			}
		}}
	}
	r.mapping(n, "the parameters of "+k.ID, fields...)
	return out
}

// control is one thing to move: by words, by a number, or, with neither, true or
// false.
type control struct {
	name      string
	words     []string
	low, high float64
	whole     bool
}

// controls are what a driver can move, in the order in which they move.
var controls = []control{
	{name: "key", words: []string{"off", "accessory", "on", "start"}},
	{name: "clutch", high: 100},
	{name: "accelerator", high: 100},
	{name: "brake", high: 100},
	{name: "gear", low: -1, high: 6, whole: true},
	{name: "selector", words: []string{"P", "R", "N", "D"}},
	{name: "parking_brake"},
	{name: "door_open"},
	{name: "steering", low: -540, high: 540},
}

func (r *reader) driver(n ast.Node, s *Scenario) {
	names := make([]string, len(r.drives))
	for i := range r.drives {
		names[i] = r.drives[i].ID
	}
	r.list(n, "the driver's steps", func(n ast.Node) {
		step := Step{}
		fields := append(r.trigger(&step.Trigger, "at"), field{"drive", false, func(n ast.Node) {
			if name, ok := r.word(n, names); ok {
				step.Drive = r.drives[slices.Index(names, name)].Legs
			}
		}})
		for _, c := range controls {
			fields = append(fields, field{c.name, false, func(n ast.Node) {
				if len(r.controls) > 0 && !slices.Contains(r.controls, c.name) {
					r.fail(n, fmt.Sprintf("%s, which the driver of this car does not have", c.name), oneOf(r.controls))
					return
				}
				if v, ok := r.move(n, &c); ok {
					step.Moves = append(step.Moves, Move{c.name, v})
				}
			}})
		}
		fields = append(fields, field{"signals", false, func(n ast.Node) { r.moveSignals(n, &step) }})
		r.mapping(n, "a driver's step", fields...)
		r.one(n, "at")
		has := r.keys(n)
		moves := has["signals"] || slices.ContainsFunc(controls, func(c control) bool { return has[c.name] })
		switch {
		case len(has) > 0 && !moves && !has["drive"]:
			r.fail(n, "a step that moves nothing", "a control such as key or clutch, or a drive")
		case moves && has["drive"]:
			r.fail(n, "controls beside a drive", "one of them")
		}
		if len(has) > 0 && !has["at"] && !has["when"] {
			r.fail(n, "a step without a moment", `"at" or "when"`)
		}
		s.Driver = append(s.Driver, step)
	})
}

// moveSignals reads what becomes of signals of the car's own.
func (r *reader) moveSignals(n ast.Node, step *Step) {
	if r.lang == nil {
		return // the car is not known, and that is told
	}
	if len(r.signals) == 0 {
		r.fail(n, "signals of its own, which this car does not have", "controls such as key")
		return
	}
	var fields []field
	for i := range r.signals {
		s := &r.signals[i]
		fields = append(fields, field{s.Name, false, func(n ast.Node) {
			if s.Bool {
				var b bool
				before := len(r.errs)
				if r.truthInto(&b)(n); len(r.errs) == before {
					step.Moves = append(step.Moves, Move{s.Name, strconv.FormatBool(b)})
				}
				return
			}
			if v, ok := r.number(n, s.Min, s.Max); ok {
				step.Moves = append(step.Moves, Move{s.Name, strconv.FormatFloat(v, 'f', -1, 64)})
			}
		}})
	}
	r.mapping(n, "signals of the car's own", fields...)
	if isMapping(n) && len(r.keys(n)) == 0 {
		r.fail(n, "signals with nothing", "one of the car's own")
	}
}

func (r *reader) move(n ast.Node, c *control) (string, bool) {
	switch {
	case c.words != nil:
		return r.word(n, c.words)
	case c.high > 0:
		v, ok := r.number(n, c.low, c.high)
		if ok && c.whole && v != math.Trunc(v) {
			r.fail(n, strconv.FormatFloat(v, 'f', -1, 64), "a whole number")
			return "", false
		}
		return strconv.FormatFloat(v, 'f', -1, 64), ok
	}
	before := len(r.errs)
	var b bool
	r.truthInto(&b)(n)
	return strconv.FormatBool(b), len(r.errs) == before
}

func (r *reader) background(n ast.Node, s *Scenario) {
	b := &Background{Speed: 1}
	r.mapping(n, "a background",
		field{"capture", true, r.textInto(&b.Capture, "a recording's file name")},
		field{"otherwise", false, r.textInto(&b.Otherwise, "a recording's file name")},
		field{"loop", false, r.truthInto(&b.Loop)},
		field{"speed", false, func(n ast.Node) { b.Speed, _ = r.number(n, 0.01, 1000) }},
		field{"from", false, r.durationInto(&b.From, 0)},
		field{"to", false, r.durationInto(&b.To, 1)},
	)
	if b.To > 0 && b.To <= b.From {
		r.fail(n, fmt.Sprintf("to %v, from %v", b.To, b.From), "a later end")
	}
	s.Background = b
}

// rules reads how the rules for every tool are applied.
func (r *reader) rules(n ast.Node, to *Rules) {
	r.mapping(n, "rules",
		field{"strict", false, r.truthInto(&to.Strict)},
		field{"except", false, func(n ast.Node) {
			r.list(n, "exceptions", func(n ast.Node) {
				var e Exception
				r.mapping(n, "an exception",
					field{"rule", true, func(n ast.Node) {
						var ok bool
						if e.Rule, ok = r.text(n, "the id of a rule"); !ok {
							return
						}
						if !slices.Contains(rules.IDs(), e.Rule) && !slices.Contains(report.IDs(), e.Rule) {
							r.fail(n, fmt.Sprintf("%q is no rule", e.Rule), "the id of one that sawhorse rules lists")
						}
						if slices.ContainsFunc(to.Except, func(x Exception) bool { return x.Rule == e.Rule }) {
							r.fail(n, fmt.Sprintf("rule %q for a second time", e.Rule), "each rule once")
						}
					}},
					field{"because", true, r.textInto(&e.Because, "a reason in some words")},
				)
				to.Except = append(to.Except, e)
			})
		}},
	)
	if isMapping(n) && len(r.keys(n)) == 0 {
		r.fail(n, "rules with nothing", "strict or except")
	}
}

func (r *reader) tasks(n ast.Node, s *Scenario) {
	r.list(n, "tasks", func(n ast.Node) {
		t := Task{Limit: DefaultLimit, Args: map[string]string{}}
		var args ast.Node
		fields := append(r.trigger(&t.Start, "at"),
			field{"task", true, func(n ast.Node) { t.Task, _ = r.word(n, task.Names()) }},
			field{"args", false, func(n ast.Node) { args = n }},
			field{"limit", false, r.durationInto(&t.Limit, time.Millisecond)},
		)
		r.mapping(n, "a task", fields...)
		r.one(n, "at")
		if t.Task != "" {
			r.argument(n, args, &t)
		}
		s.Tasks = append(s.Tasks, t)
	})
}

// argument reads the one argument that a task may have.
func (r *reader) argument(at, n ast.Node, t *Task) {
	known, _ := task.Find(t.Task)
	var fields []field
	if a := known.Argument; a != nil {
		fields = append(fields, field{a.Name, true, func(n ast.Node) {
			if a.Words == nil {
				t.Args[a.Name], _ = r.vin(n)
				return
			}
			t.Args[a.Name], _ = r.word(n, a.Words)
		}})
	}
	switch {
	case n == nil && known.Argument != nil:
		r.fail(at, fmt.Sprintf("task %q has no \"args\"", t.Task), known.Argument.Name)
	case n != nil:
		r.mapping(n, "the arguments of "+t.Task, fields...)
	}
}
