// Package report writes the verdicts of runs for people and for machines: a
// table, the story of one verdict, JUnit XML, JSON lines; and it tells new failures
// from those that are known. Package page makes a page of a run.
package report

import (
	"slices"
	"time"

	"sawhorse/bench/judge"
	"sawhorse/bench/trace"
)

// Run is what is reported of one run.
type Run struct {
	// Name tells the runs of a batch apart: the scenario, with seed and parameters
	// where there are several; "" is the scenario's name.
	Name string
	// Scenario is its name, Title its line for people, About some sentences;
	// Complaint what the customer says, "" where nobody does.
	Scenario, Title, About, Complaint string
	// Cautions are for whoever repeats it on a real car.
	Cautions []string
	// Person says that somebody held the tool, and so may do this elsewhere.
	Person bool
	// Params are the parameters in which the run differs from the scenario's file:
	// fault.param=value.
	Params []string
	// Tool is the tool's profile, Time virtual, wall or Recorded.
	Tool, Time string
	Seed       uint64
	// Length is the run's time, virtual or wall.
	Length time.Duration
	// Frames counts the frames of its capture.
	Frames   int
	Verdicts []judge.Verdict
	// Again is the one command that repeats the run; Capture its recording.
	Again, Capture string
	// Err says why the run could not be run, or broke off; nil for a whole one.
	Err error
	// Earlier are the attempts that failed before this one, the first first. A run
	// that passed after such is flaky.
	Earlier []Run
	// Known are the expectations whose failing is known, by their ids.
	Known []string
	// Signals are those that the scenario speaks of, for plots.
	Signals []string
	// Trace is what the run showed; nil if it was not kept.
	Trace *trace.Trace
}

// Recorded is the time of what happened before, elsewhere.
const Recorded = "recorded"

// ID is the run's name among those of a batch.
func (r *Run) ID() string {
	if r.Name != "" {
		return r.Name
	}
	return r.Scenario
}

// Flaky reports whether the run passed only when it was done again.
func (r *Run) Flaky() bool { return len(r.Earlier) > 0 && r.Status() == Passed }

// Exit statuses.
const (
	Passed   = 0 // everything was judged and holds
	Failed   = 1 // an expectation was broken
	CouldNot = 2 // the bench or the scenario failed, not the tool
	GaveOut  = 3 // the tool hung or crashed
	Open     = 4 // something could not be decided
)

const (
	indentTo  = "  "
	textWidth = 100
)

// statuses are the exit statuses from the gravest to the best, in words.
var statuses = []struct {
	status int
	word   string
}{
	{CouldNot, "could-not-run"}, {GaveOut, "hung-or-crashed"}, {Failed, "failed"}, {Open, "undecided"}, {Passed, "passed"},
}

// graver is the graver of two exit statuses: what a tool did that crashed counts less
// than that it crashed, and nothing of it counts where the bench failed.
func graver(a, b int) int {
	for _, s := range statuses {
		if s.status == a || s.status == b {
			return s.status
		}
	}
	return CouldNot
}

// StatusWord is an exit status in a word.
func StatusWord(status int) string {
	for _, s := range statuses {
		if s.status == status {
			return s.word
		}
	}
	return "unknown"
}

// Status is the exit status of some runs: the gravest. Expectations that do not apply
// to a tool count for nothing.
func Status(runs []Run) int {
	status := Passed
	for i := range runs {
		status = graver(status, runs[i].Status())
	}
	return status
}

// Status is the run's own exit status. An expectation whose failing is known does
// not count.
func (r *Run) Status() int {
	status := Passed
	if r.Err != nil {
		status = CouldNot
	}
	for i := range r.Verdicts {
		v := &r.Verdicts[i]
		switch {
		case v.Outcome == judge.Ours:
			status = CouldNot
		case slices.Contains(r.Known, v.ID):
		case gaveOut(v):
			status = graver(status, GaveOut)
		case v.Outcome == judge.Fail:
			status = graver(status, Failed)
		case v.Outcome == judge.Undecided:
			status = graver(status, Open)
		}
	}
	return status
}

// gaveOut reports a failure because the tool hung or crashed.
func gaveOut(v *judge.Verdict) bool {
	return v.Outcome == judge.Fail && (v.Cause == judge.Hung || v.Cause == judge.Crashed)
}

// Kept reports a verdict that nobody asked for and that found nothing: of these only
// the number is told.
func Kept(v *judge.Verdict) bool { return v.Group != "" && v.Outcome == judge.Pass }

// tally counts the outcomes; rules that were kept count for themselves, and so does
// what the tool said and was right in.
type tally struct{ pass, fail, gaveOut, undecided, none, ours, advice, known, kept, said int }

func (r *Run) tally() (t tally) {
	for i := range r.Verdicts {
		v := &r.Verdicts[i]
		switch v.Outcome {
		case judge.Pass:
			switch {
			case !Kept(v):
				t.pass++
			case v.Group == judge.GroupReport:
				t.said++
			default:
				t.kept++
			}
		case judge.Fail:
			t.fail++
			if gaveOut(v) {
				t.gaveOut++
			}
			if slices.Contains(r.Known, v.ID) {
				t.known++
			}
		case judge.NotApplicable:
			t.none++
		case judge.Ours:
			t.ours++
		case judge.Advice:
			t.advice++
		default:
			t.undecided++
		}
	}
	return t
}
