package monitor

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"sawhorse/bench/judge"
	"sawhorse/bench/judge/cel"
	"sawhorse/bench/signal"
)

// Options is what a judge needs to know of the run.
type Options struct {
	// Truth holds the car's true signals.
	Truth *signal.Table
	// VIN and ECUs are the car's identity, for comparisons with what the tool
	// reports. ECUs are named as in Report.ECUs.
	VIN  string
	ECUs []string
}

// Judge watches one run.
type Judge struct {
	scope    *cel.Scope
	frames   cel.Frames
	refused  refusals
	monitors []monitor
	now      time.Duration
	at       step // reused: it reaches the monitors by an interface
	blame    string
	verdicts []judge.Verdict
}

// monitor watches one expectation. step is called for an observation or a sample,
// tick before it with its time, finish once.
type monitor interface {
	core() *base
	step(s *step)
	tick(now time.Duration)
	finish(now time.Duration)
}

// closer completes a verdict, whenever it was decided, with what the whole run
// showed: its margin.
type closer interface{ close(now time.Duration) }

// step is one look at the run.
type step struct {
	now   time.Duration
	o     *judge.Observation // nil at a sample
	scope *cel.Scope
	state bool // states may have changed
}

// New returns a judge of the expectations, whose conditions were compiled for the
// signals of the table.
func New(expect []Expectation, opt Options) *Judge {
	if opt.Truth == nil {
		opt.Truth = new(signal.Table)
	}
	j := &Judge{scope: cel.NewScope(opt.Truth)}
	for i := range expect {
		e := &expect[i]
		b := base{exp: e, v: judge.Verdict{ID: e.ID, Says: e.Says}, while: e.While}
		j.monitors = append(j.monitors, e.Want.monitor(b, &opt))
		for _, c := range e.Conditions() {
			j.frames.Add(c)
		}
	}
	return j
}

// Frames are those that an expectation asks for. Others need not be observed.
func (j *Judge) Frames() *cel.Frames { return &j.frames }

// Observe takes in one observation; times must not go back.
func (j *Judge) Observe(o *judge.Observation) {
	j.now = max(j.now, o.Time)
	j.scope.Enter(o)
	j.at = step{now: j.now, o: o, scope: j.scope, state: o.Kind.ChangesState()}
	for _, m := range j.monitors {
		m.tick(j.now)
		m.core().tasks(o)
		m.step(&j.at)
	}
	j.scope.Leave(o)
	j.refused.take(o)
	if o.Kind == judge.TaskEnd || o.Kind == judge.FaultOff {
		j.look()
	}
}

// Sample looks at the signals and lets time pass; call it at the sampling step.
func (j *Judge) Sample(now time.Duration) {
	j.now = max(j.now, now)
	j.scope.Pass(j.now)
	for _, m := range j.monitors {
		m.tick(j.now)
	}
	j.look()
}

func (j *Judge) look() {
	j.at = step{now: j.now, scope: j.scope, state: true}
	for _, m := range j.monitors {
		m.step(&j.at)
	}
}

// Decided reports whether every expectation is decided, so that nothing more can
// be learnt from the run.
func (j *Judge) Decided() bool {
	return !slices.ContainsFunc(j.monitors, func(m monitor) bool { return !m.core().done })
}

// Blame says that the bench itself failed: what is not decided by then gets the
// outcome Ours. The first reason counts.
func (j *Judge) Blame(reason string) {
	if j.blame == "" {
		j.blame = reason
	}
}

// Finish ends the run and returns the verdicts in the order of the expectations.
// complete is false for a run that was broken off: what could still have changed
// is then undecided. Later calls return the same.
func (j *Judge) Finish(now time.Duration, complete bool) []judge.Verdict {
	if j.verdicts != nil {
		return j.verdicts
	}
	j.now = max(j.now, now)
	j.verdicts = make([]judge.Verdict, 0, len(j.monitors))
	for _, m := range j.monitors {
		m.tick(j.now)
		b := m.core()
		switch {
		case b.done:
		case j.blame != "":
			b.decide(j.now, judge.Ours, j.blame)
		case !complete && !b.exhausted(j.now):
			b.decide(j.now, judge.Undecided, fmt.Sprintf("the run was broken off at %s, %s", judge.Seconds(j.now), b.wanted()))
		case j.now < b.exp.From:
			b.decide(j.now, judge.Undecided, fmt.Sprintf("the run ended at %s, judging begins at %s", judge.Seconds(j.now), judge.Seconds(b.exp.From)))
		default:
			m.finish(j.now)
		}
		if c, ok := m.(closer); ok {
			c.close(j.now)
		}
		if b.v.Outcome != judge.Pass && b.v.Outcome != judge.Fail {
			b.v.Margin = judge.Margin{} // there is no side to be on
		}
		if b.v.Outcome == judge.Fail {
			j.refused.explain(&b.v)
		}
		j.verdicts = append(j.verdicts, b.v)
	}
	return j.verdicts
}

// base is what all monitors share.
type base struct {
	exp   *Expectation
	v     judge.Verdict
	while *cel.Condition
	done  bool
}

const maxEvidence = 8

func (b *base) core() *base { return b }

// open reports whether a moment lies in what is judged.
func (b *base) open(now time.Duration) bool {
	return now >= b.exp.From && (b.exp.Until == 0 || now <= b.exp.Until)
}

// exhausted reports whether the window has passed, so that the end of the run
// takes nothing away.
func (b *base) exhausted(now time.Duration) bool { return b.exp.Until > 0 && now > b.exp.Until }

func (b *base) wanted() string {
	if b.exp.Until > 0 {
		return "judging needs it until " + judge.Seconds(b.exp.Until)
	}
	return "judging needs it to its end"
}

// early decides that the run ended before the window did; so says what there was by
// then, "" for nothing to say.
func (b *base) early(now time.Duration, so string) bool {
	if b.exp.Until <= now {
		return false
	}
	b.decide(now, judge.Undecided, fmt.Sprintf("the run ended at %s%s, %s", judge.Seconds(now), so, b.wanted()))
	return true
}

// decide sets the verdict once; a decided one stays.
func (b *base) decide(at time.Duration, o judge.Outcome, reason string, evidence ...judge.Evidence) {
	if b.done {
		return
	}
	b.done = true
	b.v.Outcome, b.v.Reason, b.v.Decided = o, reason, at
	if o == judge.Fail && b.v.Cause == judge.NoCause {
		b.v.Cause = judge.Broken
	}
	b.show(evidence...)
}

// nothing passes a verdict that had nothing to judge, and says so.
func (b *base) nothing(at time.Duration, why string) {
	b.v.Nothing = !b.done
	b.decide(at, judge.Pass, "nothing to judge: "+why)
}

func (b *base) show(evidence ...judge.Evidence) {
	if n := maxEvidence - len(b.v.Evidence); len(evidence) > n {
		evidence = evidence[:n]
	}
	b.v.Evidence = append(b.v.Evidence, evidence...)
}

// worst keeps the least margin.
func (b *base) worst(m judge.Margin) {
	if m.Known && (!b.v.Margin.Known || m.Value < b.v.Margin.Value) {
		b.v.Margin = m
	}
}

// tasks looks for the end of a needed task that never ran.
func (b *base) tasks(o *judge.Observation) {
	if o.Kind != judge.TaskEnd || b.done {
		return
	}
	switch o.Status {
	case judge.StatusNotApplicable:
		if slices.Contains(b.exp.Tasks(), o.Task) {
			why := fmt.Sprintf("the tool's profile has no task %q", o.Task)
			if strings.Contains(o.Text, "not possible") { // somebody has tried
				why = fmt.Sprintf("task %q is not possible with this tool", o.Task)
			}
			b.decide(o.Time, judge.NotApplicable, why)
		}
	case judge.StatusNotSeen:
		if slices.Contains(b.exp.Tasks(), o.Task) {
			b.decide(o.Time, judge.Undecided, fmt.Sprintf("how task %q went is not known: %s", o.Task, o.Text), judge.EvidenceOf(o))
		}
	case judge.StatusOurs:
		if slices.Contains(b.exp.Tasks(), o.Task) {
			b.decide(o.Time, judge.Ours, fmt.Sprintf("the bench could not run task %q: %s", o.Task, o.Text), judge.EvidenceOf(o))
		}
	}
}

// concerns reports whether a condition is to be looked at in a step: one on events
// at observations, a state when it may have changed.
func (s *step) concerns(c *cel.Condition) bool {
	if c.OnEvent() {
		return s.o != nil
	}
	return s.state
}

// holds evaluates a condition; one that cannot be is the scenario's mistake and
// decides the verdict as ours.
func (b *base) holds(c *cel.Condition, s *step) bool {
	ok, err := c.Holds(s.scope)
	if err != nil {
		b.decide(s.now, judge.Ours, "a condition cannot be evaluated: "+err.Error())
		return false
	}
	return ok
}

// judged reports whether the step lies in the window and While holds.
func (b *base) judged(s *step) bool {
	return b.open(s.now) && (b.while == nil || b.holds(b.while, s))
}

// evidence of a step: the observation, or the moment with a text.
func (s *step) evidence(text string) judge.Evidence {
	if s.o != nil {
		return judge.EvidenceOf(s.o)
	}
	return judge.Evidence{Time: s.now, Text: text}
}
