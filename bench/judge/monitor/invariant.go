package monitor

import (
	"fmt"
	"time"

	"sawhorse/bench/judge"
	"sawhorse/bench/judge/cel"
)

// Always wants the condition to hold at every moment, or at every event that
// While picks.
type Always struct{ Hold *cel.Condition }

func (w Always) conditions() []*cel.Condition { return []*cel.Condition{w.Hold} }

func (w Always) tasks() []string { return nil }

func (w Always) onBus() bool { return true }

// Never wants the condition never to hold.
type Never struct{ Hold *cel.Condition }

func (w Never) conditions() []*cel.Condition { return []*cel.Condition{w.Hold} }

func (w Never) tasks() []string { return nil }

func (w Never) onBus() bool { return true }

// WhileFaultsOn wants Hold at every moment, or at every event that While picks, at
// which a fault of the list Of is on; with Never it wants it at none. An empty list
// is every fault.
type WhileFaultsOn struct {
	Hold  *cel.Condition
	Never bool
	Of    []string
}

func (w WhileFaultsOn) conditions() []*cel.Condition { return []*cel.Condition{w.Hold} }

func (w WhileFaultsOn) tasks() []string { return nil }

func (w WhileFaultsOn) onBus() bool { return false }

// invariant watches Always, Never and WhileFaultsOn: the first moment at which the
// condition is not as wanted decides. Its margin is the least robustness over the
// window (Donze and Maler 2010, definition 3, always), also after it was decided.
type invariant struct {
	base
	cond  *cel.Condition
	want  bool
	phase *faultPhase // nil: at any time
	seen  int
	near  extreme
}

func (w Always) monitor(b base, _ *Options) monitor {
	return &invariant{base: b, cond: w.Hold, want: true, near: newLeast(w.Hold)}
}

func (w Never) monitor(b base, _ *Options) monitor {
	return &invariant{base: b, cond: w.Hold, near: newLeast(w.Hold)}
}

func (w WhileFaultsOn) monitor(b base, _ *Options) monitor {
	return &invariant{base: b, cond: w.Hold, want: !w.Never, phase: &faultPhase{of: w.Of}, near: newLeast(w.Hold)}
}

func (m *invariant) step(s *step) {
	if m.phase != nil && !m.phase.on(s.scope) {
		return
	}
	if !s.concerns(m.cond) || !m.judged(s) {
		return
	}
	m.seen++
	if m.cond.Measured() {
		r := m.cond.Distance(s.scope)
		if !m.want {
			r = -r
		}
		m.near.least(r)
	}
	if m.done || m.holds(m.cond, s) == m.want {
		return
	}
	what := "held"
	if m.want {
		what = "did not hold"
	}
	m.decide(s.now, judge.Fail, fmt.Sprintf("%s %s at %s%s", m.cond.Plain(), what, judge.Seconds(s.now), m.phase.during(s.scope)),
		s.evidence(m.cond.Plain()+" "+what))
}

func (m *invariant) tick(now time.Duration) {
	if !m.done && m.exhausted(now) {
		m.pass(now)
	}
}

func (m *invariant) finish(now time.Duration) {
	if !m.early(now, "") {
		m.pass(now)
	}
}

func (m *invariant) pass(now time.Duration) {
	switch {
	case m.seen == 0 && m.phase != nil && !m.phase.ever:
		m.nothing(now, m.phase.name()+" was never on")
	case m.seen == 0 && m.while != nil:
		m.nothing(now, fmt.Sprintf("%s never came", m.while.Plain()))
	case m.seen == 0:
		m.nothing(now, "nothing of the kind was seen")
	case m.want:
		m.decide(now, judge.Pass, "held throughout")
	default:
		m.decide(now, judge.Pass, "never came")
	}
}

func (m *invariant) close(time.Duration) { m.v.Margin = m.near.margin() }
