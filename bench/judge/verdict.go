package judge

import (
	"fmt"
	"math"
	"slices"
	"strconv"
	"time"
)

// Outcome is what a verdict says.
type Outcome uint8

// The outcomes. Undecided means that the run ended before it could be told,
// NotApplicable that the tool's profile lacks what was asked, Ours that the
// bench or the scenario failed, not the tool, and Advice that the tool did
// something that is allowed but better done otherwise: it fails no run.
const (
	Undecided Outcome = iota
	Pass
	Fail
	NotApplicable
	Ours
	Advice
	outcomes
)

var outcomeNames = [outcomes]string{
	Undecided:     "undecided",
	Pass:          "pass",
	Fail:          "fail",
	NotApplicable: "not applicable",
	Ours:          "ours",
	Advice:        "advice",
}

// String is the outcome's word.
func (o Outcome) String() string {
	if o < outcomes {
		return outcomeNames[o]
	}
	return "unknown"
}

// Met reports whether nothing is held against anybody: no failure, nothing left
// undecided, nothing that the bench owes.
func (o Outcome) Met() bool { return o == Pass || o == NotApplicable || o == Advice }

// OutcomeOf is the outcome of a word.
func OutcomeOf(word string) (Outcome, bool) {
	i := slices.Index(outcomeNames[:], word)
	return Outcome(max(0, i)), i >= 0
}

// Cause tells failures apart.
type Cause uint8

// The causes of a failure: the expectation was broken, or the tool did not end
// in its time, or it crashed.
const (
	NoCause Cause = iota
	Broken
	Hung
	Crashed
	causes
)

var causeNames = [causes]string{
	NoCause: "",
	Broken:  "broken",
	Hung:    "hung",
	Crashed: "crashed",
}

// String is the cause's word, "" for none.
func (c Cause) String() string {
	if c < causes {
		return causeNames[c]
	}
	return "unknown"
}

// CauseOf is the cause of a word; "" is none.
func CauseOf(word string) (Cause, bool) {
	i := slices.Index(causeNames[:], word)
	return Cause(max(0, i)), i >= 0
}

// Margin is the signed distance to the threshold: positive where there was room,
// negative by how much it was missed.
type Margin struct {
	Value float64
	// Unit is "s" for a time, a signal's unit, or what was counted.
	Unit string
	// Known is false where no distance can be told.
	Known bool
}

// String writes the margin with its sign and unit, "" if it is not known.
func (m Margin) String() string {
	if !m.Known {
		return ""
	}
	v, digits := m.Value, 3
	if math.Abs(v) >= 100 {
		digits = 1
	}
	if v == 0 {
		v = 0 // no minus before nothing
	}
	if m.Unit == "times" || m.Unit == "entries" { // counted
		digits = 0
	}
	s := strconv.FormatFloat(v, 'f', digits, 64)
	if v >= 0 {
		s = "+" + s
	}
	if m.Unit == "" {
		return s
	}
	return s + " " + m.Unit
}

// TimeMargin is a margin of time.
func TimeMargin(d time.Duration) Margin { return Margin{d.Seconds(), "s", true} }

// Evidence is one thing that the verdict rests on.
type Evidence struct {
	Time time.Duration
	// First and Last are frame numbers in the run's capture; 0 for none.
	First, Last int
	// Task and Line point at a line of the tool; Line is 0 for none.
	Task string
	Line int
	Text string
}

// String writes the evidence for people.
func (e Evidence) String() string {
	s := Seconds(e.Time)
	switch {
	case e.First > 0 && e.Last > e.First:
		s += fmt.Sprintf(" frames %d to %d", e.First, e.Last)
	case e.First > 0:
		s += fmt.Sprintf(" frame %d", e.First)
	}
	if e.Line > 0 {
		s += fmt.Sprintf(" %s line %d", e.Task, e.Line)
	}
	return s + ": " + e.Text
}

// Groups of verdicts that no scenario asks for.
const (
	// GroupRule are rules of conduct.
	GroupRule = "rule"
	// GroupReport compares what the tool said with what was true.
	GroupReport = "truth"
)

// Verdict is what became of one expectation or rule.
type Verdict struct {
	// ID and Says are the expectation's.
	ID, Says string
	// Group is "" for an expectation of the scenario, else one of the Group
	// constants. Source and Why are a rule's: where it comes from, and what goes
	// wrong without it.
	Group, Source, Why string
	Outcome            Outcome
	Cause              Cause
	// Nothing marks a pass that had nothing to judge, as what it is about never
	// came.
	Nothing bool
	Margin  Margin
	// FalsePositives are entries that the tool said and that were not true,
	// FalseNegatives those that were true and not said.
	FalsePositives, FalseNegatives int
	// Reason says in one sentence why.
	Reason string
	// Evidence is in the order of time.
	Evidence []Evidence
	// Decided is when it could be told.
	Decided time.Duration
}

// Seconds writes a moment of a run.
func Seconds(d time.Duration) string {
	return strconv.FormatFloat(d.Seconds(), 'f', 3, 64) + " s"
}

// Mistakes says how many entries of what the tool said were wrong, and in which way. What
// a scenario expects is what it wants: what is true is only what was answered.
func (v *Verdict) Mistakes() string {
	if v.Group != GroupReport {
		return fmt.Sprintf("%d said and not wanted, %d wanted and not said", v.FalsePositives, v.FalseNegatives)
	}
	return fmt.Sprintf("%d said and not true, %d true and not said", v.FalsePositives, v.FalseNegatives)
}

// Brief says in a few words what an observation was, as evidence has it.
func (o *Observation) Brief() string {
	who := o.ECU
	if o.ID >= 0 {
		who = fmt.Sprintf("%s %03X", o.ECU, o.ID)
	}
	switch o.Kind {
	case Request, Response:
		s := fmt.Sprintf("%s %s [% X]", o.Kind, trimmed(who), clip(o.Data))
		if o.Why != "" {
			s += ", because " + o.Why
		}
		return s
	case Frame:
		return fmt.Sprintf("frame %s [% X]", trimmed(who), clip(o.Data))
	case Line:
		return strconv.Quote(o.Text)
	case FaultOn, FaultOff:
		return fmt.Sprintf("%s %s", o.Kind, o.Fault)
	case TaskStart:
		return "task " + o.Task + " starts"
	case TaskEnd:
		return "task " + o.Task + " ends: " + o.Status
	default:
		return fmt.Sprintf("driver %s %s", o.Control, o.Text)
	}
}

func trimmed(s string) string {
	if s != "" && s[0] == ' ' {
		return s[1:]
	}
	return s
}

func clip(b []byte) []byte { return b[:min(len(b), 24)] }

// EvidenceOf shows an observation.
func EvidenceOf(o *Observation) Evidence {
	return Evidence{Time: o.Time, First: o.First, Last: o.Last, Task: o.Task, Line: o.Line, Text: o.Brief()}
}
