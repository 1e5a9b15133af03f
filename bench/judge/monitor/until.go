package monitor

import (
	"fmt"
	"math"
	"time"

	"sawhorse/bench/judge"
	"sawhorse/bench/judge/cel"
)

// UntilThen wants Hold at every moment until Then holds, which must come within
// the time from From (0: by the end).
type UntilThen struct {
	Hold, Then *cel.Condition
	Within     time.Duration
}

func (w UntilThen) conditions() []*cel.Condition { return []*cel.Condition{w.Hold, w.Then} }

func (w UntilThen) tasks() []string { return nil }

func (w UntilThen) onBus() bool { return true }

// untilThen watches UntilThen. The margin is that of the robust until (Donze and
// Maler 2010, definition 3): the greatest, over the moments, of the lesser of Then's
// robustness there and Hold's least before, also after it was decided. Where the two
// have no robustness in one unit it is the time left, or how late Then came.
type untilThen struct {
	base
	want     UntilThen
	deadline time.Duration
	held     float64 // least robustness of Hold so far
	near     extreme
	passed   time.Duration // when Then came in time
	broken   bool          // Hold ended first
	late     time.Duration
	looked   bool
}

func (w UntilThen) monitor(b base, _ *Options) monitor {
	m := &untilThen{base: b, want: w, deadline: b.exp.Until, held: math.Inf(1), near: newGreatest(w.Then)}
	if w.Within > 0 {
		m.deadline = b.exp.From + w.Within
	}
	m.near.none = !w.Hold.Measured() || !w.Then.Measured() || w.Hold.Unit() != w.Then.Unit()
	return m
}

func (m *untilThen) step(s *step) {
	if s.now < m.exp.From || !s.concerns(m.want.Hold) && !s.concerns(m.want.Then) {
		return
	}
	if m.done && m.near.none && !m.awaited() {
		return
	}
	if m.while != nil && !m.holds(m.while, s) {
		return
	}
	if m.deadline > 0 && s.now > m.deadline {
		m.arrivesLate(s)
		return
	}
	m.looked = true
	m.robust(s)
	if !m.done {
		m.look(s)
	}
}

func (m *untilThen) look(s *step) {
	if s.concerns(m.want.Then) && m.holds(m.want.Then, s) {
		m.passed = s.now
		m.decide(s.now, judge.Pass, fmt.Sprintf("%s held until %s came at %s", m.want.Hold.Plain(), m.want.Then.Plain(), judge.Seconds(s.now)),
			s.evidence(m.want.Then.Plain()+" holds"))
		return
	}
	if s.concerns(m.want.Hold) && !m.holds(m.want.Hold, s) {
		m.broken = true
		m.decide(s.now, judge.Fail, fmt.Sprintf("%s ended at %s, before %s came", m.want.Hold.Plain(), judge.Seconds(s.now), m.want.Then.Plain()),
			s.evidence(m.want.Hold.Plain()+" does not hold"))
	}
}

func (m *untilThen) robust(s *step) {
	if m.near.none || !s.state {
		return
	}
	m.near.greatest(math.Min(m.want.Then.Distance(s.scope), m.held))
	m.held = math.Min(m.held, m.want.Hold.Distance(s.scope))
}

// awaited reports whether Then was missed and could still come late.
func (m *untilThen) awaited() bool { return m.v.Outcome == judge.Fail && !m.broken && m.late == 0 }

func (m *untilThen) arrivesLate(s *step) {
	if !m.awaited() || !s.concerns(m.want.Then) {
		return
	}
	if ok, err := m.want.Then.Holds(s.scope); err == nil && ok {
		m.late = s.now
		m.show(s.evidence(m.want.Then.Plain() + " holds"))
	}
}

func (m *untilThen) tick(now time.Duration) {
	if !m.done && m.deadline > 0 && now > m.deadline {
		m.decide(now, judge.Fail, fmt.Sprintf("%s did not come by %s", m.want.Then.Plain(), judge.Seconds(m.deadline)))
	}
}

func (m *untilThen) finish(now time.Duration) {
	switch {
	case m.deadline > now:
		m.decide(now, judge.Undecided, fmt.Sprintf("the run ended at %s, %s had until %s", judge.Seconds(now), m.want.Then.Plain(), judge.Seconds(m.deadline)))
	case !m.looked && m.deadline == 0:
		m.decide(now, judge.Undecided, "nothing was seen from "+judge.Seconds(m.exp.From)+" on")
	default:
		m.decide(now, judge.Fail, m.want.Then.Plain()+" did not come by the end of the run")
	}
}

func (m *untilThen) close(time.Duration) {
	switch {
	case m.near.margin().Known:
		m.v.Margin = m.near.margin()
	case m.v.Outcome == judge.Pass && m.deadline > 0:
		m.v.Margin = judge.TimeMargin(m.deadline - m.passed)
	case m.late > 0:
		m.v.Margin = judge.TimeMargin(m.deadline - m.late)
	}
}

func (m *untilThen) stillWaits() bool { return true }
