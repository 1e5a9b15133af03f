// Package report writes the verdicts of runs for people and for machines: a
// table, and JUnit XML.
package report

import (
	"time"

	"sawhorse/bench/judge"
)

// Run is what is reported of one run.
type Run struct {
	// Scenario is its name, Title its line for people.
	Scenario, Title string
	Seed            uint64
	// Length is the run's time, virtual or wall.
	Length time.Duration
	// Frames counts the frames of its capture.
	Frames   int
	Verdicts []judge.Verdict
	// Again is the one command that repeats the run; Capture its recording.
	Again, Capture string
	// Err says why the run could not be run, or broke off; nil for a whole one.
	Err error
}

// Exit statuses.
const (
	Passed    = 0 // everything was judged and holds
	Failed    = 1 // something was broken, or could not be decided
	CouldNot  = 2 // the bench or the scenario failed, not the tool
	indentTo  = "  "
	textWidth = 100
)

// Status is the exit status of some runs: the highest that applies. Expectations
// that do not apply to a tool count for nothing.
func Status(runs []Run) int {
	status := Passed
	for i := range runs {
		status = max(status, runs[i].status())
	}
	return status
}

func (r *Run) status() int {
	status := Passed
	if r.Err != nil {
		status = CouldNot
	}
	for i := range r.Verdicts {
		switch r.Verdicts[i].Outcome {
		case judge.Fail, judge.Undecided:
			status = max(status, Failed)
		case judge.Ours:
			status = CouldNot
		}
	}
	return status
}

// tally counts the outcomes.
type tally struct{ pass, fail, undecided, none, ours int }

func (r *Run) tally() (t tally) {
	for i := range r.Verdicts {
		switch r.Verdicts[i].Outcome {
		case judge.Pass:
			t.pass++
		case judge.Fail:
			t.fail++
		case judge.NotApplicable:
			t.none++
		case judge.Ours:
			t.ours++
		default:
			t.undecided++
		}
	}
	return t
}
