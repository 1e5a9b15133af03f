package report

import (
	"bufio"
	"fmt"
	"io"
	"slices"
	"strings"
	"time"

	"sawhorse/bench/judge"
	"sawhorse/bench/trace"
	"sawhorse/canbus/diag"
)

// storyNear is how many events before and after a piece of evidence are told.
const storyNear = 4

// Story tells how one verdict of a run came about: what was expected and what came,
// what was on at that moment, and the events around each piece of evidence. Text is
// how the scenario words the expectation, "" if it is not known.
func Story(w io.Writer, r *Run, v *judge.Verdict, text string) error {
	s := story{Writer: bufio.NewWriter(w), run: r}
	if r.Trace != nil {
		s.events, s.signals = r.Trace.Events(), r.Trace.Signals()
	}
	s.head(v, text)
	for _, m := range s.moments(v) {
		s.moment(&m)
	}
	return s.Flush()
}

type story struct {
	*bufio.Writer
	run     *Run
	events  []trace.Event
	signals []trace.Signal
}

func (s *story) head(v *judge.Verdict, text string) {
	fmt.Fprintf(s, "%s: %s\n", clean(v.ID), clean(v.Says))
	word := words[v.Outcome]
	if v.Cause != judge.NoCause && v.Cause != judge.Broken {
		word += ", the tool " + v.Cause.String()
	}
	fmt.Fprintf(s, "  %s, told at %s", word, at(v.Decided))
	if v.Margin.Known {
		fmt.Fprintf(s, ", margin %s", v.Margin)
	}
	fmt.Fprintf(s, "\n%s\n", fold(clean(v.Reason), indentTo))
	if v.Source != "" {
		origin := "A rule for every tool, from "
		if v.Group == judge.GroupReport {
			origin = "Compared for every tool, by "
		}
		fmt.Fprintf(s, "%s\n%s\n", fold(origin+clean(v.Source)+".", indentTo), fold(clean(v.Why), indentTo))
	}
	if text != "" {
		fmt.Fprintln(s, "  The scenario has it as")
		for line := range strings.SplitSeq(strings.TrimRight(text, "\n"), "\n") {
			fmt.Fprintf(s, "    %s\n", clean(line))
		}
	}
}

// moments are the times to tell about: those of the evidence, or when it was
// decided.
func (s *story) moments(v *judge.Verdict) []judge.Evidence {
	if len(v.Evidence) > 0 {
		return v.Evidence
	}
	return []judge.Evidence{{Time: v.Decided, Text: "it was decided"}}
}

func (s *story) moment(e *judge.Evidence) {
	fmt.Fprintf(s, "\n  At %s\n", clean(e.String()))
	if s.run.Trace == nil {
		return
	}
	k, exact := s.find(e)
	if state := s.state(k, exact); state != "" {
		fmt.Fprintln(s, fold(state, indentTo+indentTo))
	}
	if values := s.values(e.Time); values != "" {
		fmt.Fprintln(s, fold(values, indentTo+indentTo))
	}
	s.around(k, exact)
}

// state is what was on before an event, or after those before it: faults, the task,
// the driver's controls. A task that ends with the event is still on.
func (s *story) state(k int, exact bool) string {
	if exact && s.events[k].Kind != judge.TaskEnd {
		k++
	}
	var faults, parts []string
	task := ""
	controls := map[string]string{}
	var order []string
	for i := range k {
		e := &s.events[i]
		switch e.Kind {
		case judge.FaultOn:
			faults = append(faults, fmt.Sprintf("%s (since %s)", clean(e.Name), at(e.Time)))
		case judge.FaultOff:
			faults = slices.DeleteFunc(faults, func(f string) bool { return strings.HasPrefix(f, clean(e.Name)+" ") })
		case judge.TaskStart:
			task = fmt.Sprintf("task %s (since %s)", clean(e.Name), at(e.Time))
		case judge.TaskEnd:
			task = ""
		case judge.Driver:
			if _, ok := controls[e.Name]; !ok {
				order = append(order, e.Name)
			}
			controls[e.Name] = clean(e.Text)
		}
	}
	if len(faults) > 0 {
		parts = append(parts, "faults on: "+strings.Join(faults, ", "))
	}
	if task != "" {
		parts = append(parts, task)
	}
	for i, name := range order {
		order[i] = controls[name]
	}
	if len(order) > 0 {
		parts = append(parts, "driver: "+strings.Join(order, ", "))
	}
	return strings.Join(parts, "; ")
}

// values are those of the signals that the scenario speaks of.
func (s *story) values(now time.Duration) string {
	var parts []string
	for i := range s.signals {
		g := &s.signals[i]
		if !slices.Contains(s.run.Signals, g.Name) {
			continue
		}
		v, ok := g.At(now)
		if !ok {
			continue
		}
		text := fmt.Sprintf("%s %.5g", g.Name, v.Min)
		if v.Max != v.Min {
			text += fmt.Sprintf("..%.5g", v.Max)
		}
		if g.Unit != "" && g.Unit != "bool" {
			text += " " + g.Unit
		}
		parts = append(parts, text)
	}
	return strings.Join(parts, ", ")
}

// find is the event that a piece of evidence is about, else the first after it.
func (s *story) find(e *judge.Evidence) (k int, exact bool) {
	if k = slices.IndexFunc(s.events, func(x trace.Event) bool { return isIt(&x, e) }); k >= 0 {
		return k, true
	}
	if k = slices.IndexFunc(s.events, func(x trace.Event) bool { return x.Time > e.Time }); k < 0 {
		k = len(s.events)
	}
	return k, false
}

// around writes the events before and after, the one in question marked.
func (s *story) around(k int, exact bool) {
	last := k + storyNear
	if exact {
		last++
	}
	for i := max(0, k-storyNear); i < min(last, len(s.events)); i++ {
		mark := "  "
		if exact && i == k {
			mark = "> "
		}
		fmt.Fprintln(s, fold(Describe(&s.events[i]), "    "+mark))
	}
}

func isIt(x *trace.Event, e *judge.Evidence) bool {
	switch {
	case e.First > 0:
		return int(x.First) == e.First && int(x.Last) == e.Last
	case e.Line > 0:
		return x.Kind == judge.Line && x.Name == e.Task && int(x.Line) == e.Line && x.Time == e.Time.Truncate(time.Microsecond)
	}
	return x.Kind >= judge.FaultOn && x.Time == e.Time.Truncate(time.Microsecond)
}

// Describe says in one line what an event was.
func Describe(e *trace.Event) string {
	s := at(e.Time) + " "
	switch e.Kind {
	case judge.Request, judge.Response:
		who := "tool to " + firstWord(e.Name, allOn(e.ID))
		if e.Kind == judge.Response {
			who = firstWord(e.Name, "car") + " to tool"
		}
		frames := fmt.Sprintf("frame %d", e.First)
		if e.Last > e.First {
			frames = fmt.Sprintf("frames %d to %d", e.First, e.Last)
		}
		s += fmt.Sprintf("%s, %s: %s", frames, who, diag.Explain(e.Data, e.Kind == judge.Response))
		if e.Text != "" {
			s += ", because " + e.Text
		}
	case judge.Line:
		s += fmt.Sprintf("%s line %d: %s", e.Name, e.Line, e.Text)
	case judge.FaultOn:
		s += "fault on: " + e.Name
	case judge.FaultOff:
		s += "fault off: " + e.Name
	case judge.TaskStart:
		s += "the tool is asked: " + e.Name
	case judge.TaskEnd:
		s += fmt.Sprintf("%s ends: %s, %s", e.Name, e.Status, e.Text)
	default:
		s += "driver: " + e.Text
	}
	return clean(s)
}

// allOn is whom a request on a shared identifier is for.
func allOn(id int32) string {
	if id < 0 {
		return "all units"
	}
	return fmt.Sprintf("all on %03X", id)
}

func firstWord(a, b string) string {
	if a != "" {
		return a
	}
	return b
}

func at(d time.Duration) string { return fmt.Sprintf("%.3f s", d.Seconds()) }
