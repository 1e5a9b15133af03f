package monitor

import (
	"slices"
	"time"

	"sawhorse/bench/judge/cel"
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

// Want is the kind of statement. Each kind is a type in a file of its own, with what
// watches a run for it.
type Want interface {
	// monitor watches one run.
	monitor(b base, o *Options) monitor
	conditions() []*cel.Condition
	// tasks are those that it is about.
	tasks() []string
	// onBus reports that frames alone can decide it, if its conditions ask for no more.
	onBus() bool
}

// Tasks lists the tasks that the expectation is about, by Needs and by its kind.
func (e *Expectation) Tasks() []string { return slices.Concat(e.Needs, e.Want.tasks()) }

// OnBus reports whether frames alone tell what becomes of the expectation, so that it can
// be judged from a recording.
func (e *Expectation) OnBus() bool {
	return e.Want.onBus() && !slices.ContainsFunc(e.Conditions(), func(c *cel.Condition) bool { return !c.OnBus() })
}

// Conditions lists the conditions of the expectation, While first if set.
func (e *Expectation) Conditions() []*cel.Condition {
	if e.While == nil {
		return e.Want.conditions()
	}
	return append([]*cel.Condition{e.While}, e.Want.conditions()...)
}
