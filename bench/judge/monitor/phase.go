package monitor

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"sawhorse/bench/judge"
	"sawhorse/bench/judge/cel"
)

// Recovers wants, each time the last fault of the list Of goes, That to hold within
// the time and to stay so For a time. A fault that comes again before makes void what
// was to come. An empty list is every fault.
type Recovers struct {
	That        *cel.Condition
	Within, For time.Duration
	Of          []string
}

func (w Recovers) conditions() []*cel.Condition { return []*cel.Condition{w.That} }

func (w Recovers) tasks() []string { return nil }

func (w Recovers) onBus() bool { return false }

// faultPhase tells whether faults are on: those of a list, or any.
type faultPhase struct {
	of   []string
	ever bool
}

func (p *faultPhase) on(s *cel.Scope) bool {
	on := len(s.Faults()) > 0
	if len(p.of) > 0 {
		on = slices.ContainsFunc(s.Faults(), func(f string) bool { return slices.Contains(p.of, f) })
	}
	p.ever = p.ever || on
	return on
}

// name is what the phase is about, in words.
func (p *faultPhase) name() string {
	if len(p.of) == 0 {
		return "a fault"
	}
	return strings.Join(p.of, " or ")
}

// during lists the faults of the phase that are on, for a reason.
func (p *faultPhase) during(s *cel.Scope) string {
	if p == nil {
		return ""
	}
	var on []string
	for _, f := range s.Faults() {
		if len(p.of) == 0 || slices.Contains(p.of, f) {
			on = append(on, f)
		}
	}
	return ", while " + strings.Join(on, ", ") + " was on"
}

// recovers watches Recovers: always, when the last fault goes, eventually within
// the time and for a time, unless a fault comes again before. The margin is the
// least time left of all recoveries.
type recovers struct {
	base
	want  Recovers
	phase faultPhase
	was   bool           // a fault was on
	went  judge.Evidence // how the last one went
	last  string         // its name
	since time.Duration  // when it went
	wait  bool
	stay  stay
	// gone counts how often the faults went, back those that came again before it
	// was told.
	gone, well, back int
}

func (w Recovers) monitor(b base, _ *Options) monitor {
	return &recovers{base: b, want: w, phase: faultPhase{of: w.Of}}
}

func (m *recovers) step(s *step) {
	if m.done {
		m.late(s)
		return
	}
	if s.o != nil && s.o.Kind == judge.FaultOff {
		m.went, m.last = judge.EvidenceOf(s.o), s.o.Fault
	}
	on := m.phase.on(s.scope)
	switch {
	case on && m.wait:
		m.wait = false
		m.back++
	case !on && m.was && m.judged(s):
		m.gone++
		m.wait, m.since, m.stay = true, s.now, stay{}
	}
	m.was = on
	if m.wait && s.concerns(m.want.That) {
		m.look(s)
	}
	m.over(s.now)
}

func (m *recovers) deadline() time.Duration { return m.since + m.want.Within }

func (m *recovers) look(s *step) {
	if !m.holds(m.want.That, s) {
		m.stay.ends()
		m.tick(s.now)
		return
	}
	m.stay.goesOn(s, m.want.That, s.now <= m.deadline())
	if !m.stay.lasted(s.now, m.want.For) {
		return
	}
	m.wait = false
	m.well++
	left := judge.TimeMargin(m.deadline() - m.stay.since)
	if !m.v.Margin.Known || left.Value < m.v.Margin.Value {
		m.v.Margin, m.v.Evidence = left, nil // the tightest is the evidence
		m.show(m.went, m.stay.start)
	}
}

// late tells, after it was missed, when it came at last.
func (m *recovers) late(s *step) {
	if m.v.Outcome != judge.Fail || m.v.Margin.Known || m.want.For > 0 || !s.concerns(m.want.That) {
		return
	}
	if ok, err := m.want.That.Holds(s.scope); err == nil && ok {
		m.v.Margin = judge.TimeMargin(m.deadline() - s.now)
		m.show(s.evidence(m.want.That.Plain() + " holds"))
	}
}

func (m *recovers) tick(now time.Duration) {
	if !m.done && m.wait && now > m.deadline() && !m.stay.on {
		m.missed(now)
	}
	m.over(now)
}

func (m *recovers) missed(now time.Duration) {
	m.v.Margin, m.v.Evidence = judge.Margin{}, nil
	m.decide(now, judge.Fail, fmt.Sprintf("%s went at %s, and %s did not come by %s",
		m.last, judge.Seconds(m.since), m.phrase(), judge.Seconds(m.deadline())), m.went)
}

func (m *recovers) phrase() string { return lasting(m.want.That, m.want.For) }

// over ends the judging when its window is behind and nothing waits.
func (m *recovers) over(now time.Duration) {
	if !m.done && m.exhausted(now) && !m.wait {
		m.finish(now)
	}
}

func (m *recovers) finish(now time.Duration) {
	switch {
	case m.wait && (m.stay.on || m.deadline() > now):
		m.decide(now, judge.Undecided, fmt.Sprintf("the run ended at %s; %s went at %s, and there was time until %s for %s",
			judge.Seconds(now), m.last, judge.Seconds(m.since), judge.Seconds(m.deadline()), m.phrase()), m.went)
	case m.wait:
		m.missed(now)
	case m.early(now, ""):
	case m.well > 0:
		m.decide(now, judge.Pass, fmt.Sprintf("recovered %s", times(m.well)))
	case m.back > 0:
		m.decide(now, judge.Undecided, fmt.Sprintf("%s came again before it could be told, %s", m.phase.name(), times(m.back)), m.went)
	case m.was:
		m.decide(now, judge.Undecided, m.phase.name()+" was still on, so there was no time to recover")
	default:
		m.nothing(now, m.phase.name()+" never went")
	}
}

func times(n int) string {
	if n == 1 {
		return "once"
	}
	return fmt.Sprintf("each of %d times", n)
}

func (m *recovers) stillWaits() bool { return m.wait }
