package monitor

import (
	"fmt"
	"time"

	"sawhorse/bench/judge"
	"sawhorse/bench/judge/cel"
)

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

func (w After) conditions() []*cel.Condition { return []*cel.Condition{w.Event, w.Then} }

func (w After) tasks() []string { return nil }

func (w After) onBus() bool { return true }

// maxPending bounds what can wait for an answer at once.
const maxPending = 10_000

// after watches After. The margin is the least time that was left, or, where one
// was missed, how late it came at last. For Never it is how long after its time the
// forbidden thing came, or how long before its end.
type after struct {
	base
	want    After
	event   edge
	pending []judge.Evidence // triggers, oldest first
	total   int
	missed  *judge.Evidence // the trigger that nothing followed in time
	spared  *judge.Evidence // the last one whose time nothing forbidden came in
}

func (w After) monitor(b base, _ *Options) monitor {
	return &after{base: b, want: w, event: edge{cond: w.Event}}
}

func (m *after) step(s *step) {
	if m.done {
		m.late(s)
		return
	}
	m.expire(s.now)
	// An event serves those that wait before it becomes a trigger itself. A
	// state may answer at the very moment of its trigger, and is looked at then.
	if m.want.Then.OnEvent() {
		if s.o != nil {
			m.then(s)
		}
		m.trigger(s)
	} else if triggered := m.trigger(s); triggered || s.state {
		m.then(s)
	}
	m.over(s.now)
}

func (m *after) trigger(s *step) bool {
	begins, holds := m.event.begins(&m.base, s)
	if m.want.Throughout {
		begins = holds
	}
	if !begins || m.done || !m.judged(s) {
		return false
	}
	m.total++
	if len(m.pending) >= maxPending {
		m.decide(s.now, judge.Ours, fmt.Sprintf("more than %d moments wait for %s", maxPending, m.want.Then.Plain()))
		return false
	}
	m.pending = append(m.pending, s.evidence(m.want.Event.Plain()))
	return true
}

func (m *after) then(s *step) {
	if m.done || len(m.pending) == 0 && m.spared == nil || !m.holds(m.want.Then, s) {
		return
	}
	if m.want.Never {
		m.nearly(s)
	}
	for len(m.pending) > 0 {
		t := m.pending[0]
		late := s.now - t.Time
		if late < m.want.NotBefore {
			return // those behind it are younger
		}
		if m.want.Never {
			m.forbidden(s, t)
			return
		}
		m.pending = m.pending[1:]
		left := judge.TimeMargin(m.want.Within - late)
		if m.want.Within > 0 && (!m.v.Margin.Known || left.Value < m.v.Margin.Value) {
			m.v.Margin = left
			m.v.Evidence = nil // the tightest pair is the evidence
			m.show(t, s.evidence(m.want.Then.Plain()))
		}
		if m.want.Then.OnEvent() {
			return
		}
	}
}

// nearly keeps how long after its time what is forbidden came.
func (m *after) nearly(s *step) {
	if m.spared == nil {
		return
	}
	m.worst(judge.TimeMargin(s.now - m.spared.Time - m.want.Within))
	m.spared = nil
}

// late tells, after it was missed, when it came at last, and after it was spared, how
// near it was.
func (m *after) late(s *step) {
	if m.missed == nil && m.spared == nil || !s.concerns(m.want.Then) {
		return
	}
	switch ok, err := m.want.Then.Holds(s.scope); {
	case err != nil || !ok:
	case m.want.Never && m.v.Outcome == judge.Pass:
		m.nearly(s)
	case m.missed != nil:
		m.v.Margin = judge.TimeMargin(m.missed.Time + m.want.Within - s.now)
		m.show(s.evidence(m.want.Then.Plain()))
		m.missed = nil
	}
}

func (m *after) forbidden(s *step, t judge.Evidence) {
	limit := "at all"
	if m.want.Within > 0 {
		m.v.Margin = judge.TimeMargin(s.now - t.Time - m.want.Within)
		limit = fmt.Sprintf("within %v", m.want.Within)
	}
	m.decide(s.now, judge.Fail, fmt.Sprintf("%s came %s after %s, not allowed %s",
		m.want.Then.Plain(), judge.Seconds(s.now-t.Time), m.want.Event.Plain(), limit), t, s.evidence(m.want.Then.Plain()))
}

func (m *after) tick(now time.Duration) {
	if !m.done {
		m.expire(now)
		m.over(now)
	}
}

// over ends the judging when its window is behind and nothing waits.
func (m *after) over(now time.Duration) {
	if !m.done && m.exhausted(now) && len(m.pending) == 0 {
		m.pass(now)
	}
}

// expire ends the waits whose time is over.
func (m *after) expire(now time.Duration) {
	for !m.done && len(m.pending) > 0 && m.want.Within > 0 && now-m.pending[0].Time > m.want.Within {
		m.expireFirst(now)
	}
}

func (m *after) expireFirst(now time.Duration) {
	t := m.pending[0]
	m.pending = m.pending[1:]
	if m.want.Never {
		m.spared = &t
		return
	}
	m.missed = &t
	m.unanswered(now, t, fmt.Sprintf("by %s", judge.Seconds(t.Time+m.want.Within)))
}

func (m *after) unanswered(now time.Duration, t judge.Evidence, by string) {
	m.v.Margin, m.v.Evidence = judge.Margin{}, nil
	m.decide(now, judge.Fail, fmt.Sprintf("after %s at %s, %s did not come %s", m.want.Event.Plain(), judge.Seconds(t.Time), m.want.Then.Plain(), by), t)
}

func (m *after) finish(now time.Duration) {
	for !m.done && len(m.pending) > 0 && m.want.Within > 0 && now-m.pending[0].Time >= m.want.Within {
		m.expireFirst(now) // the last moment has been seen
	}
	switch {
	case m.done || m.early(now, ""):
	case len(m.pending) > 0 && m.want.Within > 0:
		t := m.pending[0]
		m.decide(now, judge.Undecided, fmt.Sprintf("the run ended at %s, after %s at %s there was time until %s",
			judge.Seconds(now), m.want.Event.Plain(), judge.Seconds(t.Time), judge.Seconds(t.Time+m.want.Within)), t)
	case len(m.pending) > 0 && !m.want.Never:
		m.unanswered(now, m.pending[0], "by the end of the run")
	default:
		m.pass(now)
	}
}

func (m *after) pass(now time.Duration) {
	switch {
	case m.total == 0:
		m.nothing(now, fmt.Sprintf("%s never came", m.want.Event.Plain()))
	case m.want.Never:
		m.decide(now, judge.Pass, fmt.Sprintf("did not come after any of %d", m.total))
	default:
		m.decide(now, judge.Pass, fmt.Sprintf("followed each of %d", m.total))
	}
}

func (m *after) stillWaits() bool { return len(m.pending) > 0 }
