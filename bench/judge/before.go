package judge

import (
	"fmt"
	"time"
)

// edge tells the beginnings of a condition: every event of one on events, and the
// moments at which a state becomes true.
type edge struct {
	cond *Condition
	was  bool
}

// begins reports a beginning in this step, and whether the condition holds at all.
func (e *edge) begins(b *base, s *step) (begins, holds bool) {
	if !s.concerns(e.cond) {
		return false, false
	}
	holds = b.holds(e.cond, s)
	if e.cond.onEvent {
		return holds, holds
	}
	begins = holds && !e.was
	e.was = holds
	return begins, holds
}

// before watches Before. The margin is the time between the two, negative when
// First came after.
type before struct {
	base
	want        Before
	first, then edge
	waiting     []Evidence // Firsts that no Then has used
	last        Evidence
	thens       int
	broken      *Evidence // the Then that came too early
}

func (w Before) monitor(b base, _ *Options) monitor {
	return &before{base: b, want: w, first: edge{cond: w.First}, then: edge{cond: w.Then}}
}

func (m *before) step(s *step) {
	if !m.judged(s) || m.done && m.broken == nil {
		return
	}
	// Then is looked at before First is kept, so that an event that is both
	// does not come before itself.
	then, _ := m.then.begins(&m.base, s)
	first, _ := m.first.begins(&m.base, s)
	if m.broken != nil {
		if first && !m.v.Margin.Known {
			m.v.Margin = timeMargin(m.broken.Time - s.now)
			m.show(s.evidence(m.want.First.src))
		}
		return
	}
	if then {
		m.arrived(s)
	}
	if first {
		m.last = s.evidence(m.want.First.src)
		if m.want.Each || len(m.waiting) == 0 {
			m.waiting = append(m.waiting, m.last)
		}
	}
}

func (m *before) arrived(s *step) {
	m.thens++
	ev := s.evidence(m.want.Then.src)
	if len(m.waiting) == 0 {
		m.broken = &ev
		m.decide(s.now, Fail, fmt.Sprintf("%s came at %s without %s before it", m.want.Then.src, seconds(s.now), m.want.First.src), ev)
		return
	}
	used := m.waiting[0]
	if !m.want.Each {
		used = m.last // the nearest one shows how close it was
	} else {
		m.waiting = m.waiting[1:]
	}
	m.worst(timeMargin(s.now - used.Time))
	m.show(used, ev)
	if !m.want.Each {
		m.decide(s.now, Pass, fmt.Sprintf("%s came %s before", m.want.First.src, seconds(s.now-used.Time)))
	}
}

func (m *before) tick(now time.Duration) {
	if !m.done && m.exhausted(now) {
		m.pass(now)
	}
}

func (m *before) finish(now time.Duration) {
	if m.exp.Until > now {
		m.decide(now, Undecided, fmt.Sprintf("the run ended at %s, %s", seconds(now), m.wanted()))
		return
	}
	m.pass(now)
}

func (m *before) pass(now time.Duration) {
	if m.thens == 0 {
		m.nothing(now, fmt.Sprintf("%s never came", m.want.Then.src))
		return
	}
	m.decide(now, Pass, fmt.Sprintf("%d times, each with its own before it", m.thens))
}
