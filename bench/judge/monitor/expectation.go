package monitor

import (
	"slices"
	"time"

	"sawhorse/bench/judge/cel"
	"sawhorse/bench/judge/report"
)

// Expectation is one statement about a run.
type Expectation struct {
	// ID is unique in a scenario; Says is the statement in plain words.
	ID, Says string
	// Needs lists tasks without which there is nothing to judge: a tool whose
	// profile lacks one gets "not applicable".
	Needs []string
	// While, if set, limits judging to moments at which it holds.
	While *cel.Condition
	// From and Until bound what is judged; Until 0 is the end of the run.
	From, Until time.Duration
	Want        Want
	// Line and Column are its place in the scenario file; 0 if it has none.
	Line, Column int
}

// Want is the kind of statement: Always, Never, Eventually, UntilThen, Before,
// After, Count, Answered, Finished, Reported, WhileFaultsOn or Recovers.
type Want interface {
	monitor(b base, o *Options) monitor
	conditions() []*cel.Condition
	tasks() []string
}

// Always wants the condition to hold at every moment, or at every event that
// While picks.
type Always struct{ Hold *cel.Condition }

// Never wants the condition never to hold.
type Never struct{ Hold *cel.Condition }

// Eventually wants the condition to hold once, within the time from From (0: by
// the end), and to stay so For a time.
type Eventually struct {
	Hold        *cel.Condition
	Within, For time.Duration
}

// UntilThen wants Hold at every moment until Then holds, which must come within
// the time from From (0: by the end).
type UntilThen struct {
	Hold, Then *cel.Condition
	Within     time.Duration
}

// Before wants First to have come before Then comes; with Each, a First of its
// own before every Then.
type Before struct {
	First, Then *cel.Condition
	Each        bool
}

// After wants that every time Event comes, Then follows within the time, no
// earlier than NotBefore; or, with Never, that it does not. A state begins when it
// becomes true; with Throughout every moment at which it holds counts, as signal
// temporal logic has it. One event serves one trigger, the oldest; a state serves
// all that wait.
type After struct {
	Event, Then       *cel.Condition
	Never             bool
	Throughout        bool
	NotBefore, Within time.Duration
}

// Count wants as many events, or beginnings of a state, as said. AtMost < 0 sets
// no bound. In, if not 0, is a sliding window for AtMost.
type Count struct {
	Of              *cel.Condition
	AtLeast, AtMost int
	In              time.Duration
}

// Answered wants every request that matches to get its response, by service and,
// where known, by ECU, within the time. Response-pending (0x78) is no answer; from
// it Pending counts anew, if set.
type Answered struct {
	Request         *cel.Condition
	Within, Pending time.Duration
}

// Finished wants the task to end with one of the statuses, within the time (0: its
// own limit). Nth counts the task's runs from 1; 0 means each.
type Finished struct {
	Task     string
	Nth      int
	Statuses []string
	Within   time.Duration
}

// Reported compares what the tool said at the end of a task with what was true.
// Nth counts the task's runs from 1; 0 means each. With OrSilent a tool may report
// nothing of a field, and a task without an end has nothing to judge: what counts is
// that nothing wrong was said.
type Reported struct {
	Task     string
	Nth      int
	OrSilent bool
	Checks   []report.Check
}

// WhileFaultsOn wants Hold at every moment, or at every event that While picks, at
// which a fault of the list Of is on; with Never it wants it at none. An empty list
// is every fault.
type WhileFaultsOn struct {
	Hold  *cel.Condition
	Never bool
	Of    []string
}

// Recovers wants, each time the last fault of the list Of goes, That to hold within
// the time and to stay so For a time. A fault that comes again before makes void what
// was to come. An empty list is every fault.
type Recovers struct {
	That        *cel.Condition
	Within, For time.Duration
	Of          []string
}

func (w Always) conditions() []*cel.Condition     { return []*cel.Condition{w.Hold} }
func (w Never) conditions() []*cel.Condition      { return []*cel.Condition{w.Hold} }
func (w Eventually) conditions() []*cel.Condition { return []*cel.Condition{w.Hold} }
func (w UntilThen) conditions() []*cel.Condition  { return []*cel.Condition{w.Hold, w.Then} }
func (w Before) conditions() []*cel.Condition     { return []*cel.Condition{w.First, w.Then} }
func (w After) conditions() []*cel.Condition      { return []*cel.Condition{w.Event, w.Then} }
func (w Count) conditions() []*cel.Condition      { return []*cel.Condition{w.Of} }
func (w Answered) conditions() []*cel.Condition   { return []*cel.Condition{w.Request} }
func (w Finished) conditions() []*cel.Condition   { return nil }
func (w Reported) conditions() []*cel.Condition   { return nil }

func (w WhileFaultsOn) conditions() []*cel.Condition {
	return []*cel.Condition{w.Hold}
}
func (w Recovers) conditions() []*cel.Condition { return []*cel.Condition{w.That} }

func (w Always) tasks() []string     { return nil }
func (w Never) tasks() []string      { return nil }
func (w Eventually) tasks() []string { return nil }
func (w UntilThen) tasks() []string  { return nil }
func (w Before) tasks() []string     { return nil }
func (w After) tasks() []string      { return nil }
func (w Count) tasks() []string      { return nil }
func (w Answered) tasks() []string   { return nil }
func (w Finished) tasks() []string   { return []string{w.Task} }
func (w Reported) tasks() []string   { return []string{w.Task} }
func (w WhileFaultsOn) tasks() []string {
	return nil
}
func (w Recovers) tasks() []string { return nil }

// Tasks lists the tasks that the expectation is about, by Needs and by its kind.
func (e *Expectation) Tasks() []string { return slices.Concat(e.Needs, e.Want.tasks()) }

// OnBus reports whether frames alone tell what becomes of the expectation, so that it can
// be judged from a recording.
func (e *Expectation) OnBus() bool {
	switch e.Want.(type) {
	case Finished, Reported, WhileFaultsOn, Recovers:
		return false
	}
	return !slices.ContainsFunc(e.Conditions(), func(c *cel.Condition) bool { return !c.OnBus() })
}

// Conditions lists the conditions of the expectation, While first if set.
func (e *Expectation) Conditions() []*cel.Condition {
	if e.While == nil {
		return e.Want.conditions()
	}
	return append([]*cel.Condition{e.While}, e.Want.conditions()...)
}
