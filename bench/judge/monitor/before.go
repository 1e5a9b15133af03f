package monitor

import (
	"fmt"
	"time"

	"sawhorse/bench/judge"
	"sawhorse/bench/judge/cel"
)

// Before wants First to have come before Then comes; with Each, a First of its
// own before every Then.
type Before struct {
	First, Then *cel.Condition
	Each        bool
}

func (w Before) conditions() []*cel.Condition { return []*cel.Condition{w.First, w.Then} }

func (w Before) tasks() []string { return nil }

func (w Before) onBus() bool { return true }

// edge tells the beginnings of a condition: every event of one on events, and the
// moments at which a state becomes true.
type edge struct {
	cond *cel.Condition
	was  bool
}

// begins reports a beginning in this step, and whether the condition holds at all.
func (e *edge) begins(b *base, s *step) (begins, holds bool) {
	if !s.concerns(e.cond) {
		return false, false
	}
	holds = b.holds(e.cond, s)
	if e.cond.OnEvent() {
		return holds, holds
	}
	begins = holds && !e.was
	e.was = holds
	return begins, holds
}

// before watches Before. Its moments are those at which it is judged: a state that
// holds at the first of them begins there. Without Each it is decided by whichever
// comes first. The margin is the time between the two, negative when First came
// after.
type before struct {
	base
	want        Before
	first, then edge
	waiting     []judge.Evidence // Firsts that no Then has used
	last        judge.Evidence
	thens       int
	broken      *judge.Evidence // the Then that came too early
}

func (w Before) monitor(b base, _ *Options) monitor {
	return &before{base: b, want: w, first: edge{cond: w.First}, then: edge{cond: w.Then}}
}

func (m *before) step(s *step) {
	if m.told() || !m.judged(s) {
		return
	}
	// Then is looked at before First is kept, so that an event that is both
	// does not come before itself.
	then, _ := m.then.begins(&m.base, s)
	first, _ := m.first.begins(&m.base, s)
	if m.broken != nil {
		if first {
			m.v.Margin = judge.TimeMargin(m.broken.Time - s.now)
			m.show(s.evidence(m.want.First.Plain()))
		}
		return
	}
	if then {
		m.arrived(s)
	}
	if first {
		m.last = s.evidence(m.want.First.Plain())
		if m.want.Each || len(m.waiting) == 0 {
			m.waiting = append(m.waiting, m.last)
		}
		if !m.want.Each {
			m.decide(s.now, judge.Pass, fmt.Sprintf("%s came first, at %s", m.want.First.Plain(), judge.Seconds(s.now)))
		}
	}
}

// told reports whether nothing that comes could add to the verdict: how near the
// two were is known only some time after it was decided.
func (m *before) told() bool {
	switch {
	case !m.done:
		return false
	case m.v.Outcome == judge.Pass:
		return m.want.Each || m.thens > 0
	}
	return m.broken == nil || m.v.Margin.Known
}

func (m *before) arrived(s *step) {
	m.thens++
	ev := s.evidence(m.want.Then.Plain())
	if len(m.waiting) == 0 {
		m.broken = &ev
		m.v.Margin, m.v.Evidence = judge.Margin{}, nil
		m.decide(s.now, judge.Fail, fmt.Sprintf("%s came at %s without %s before it", m.want.Then.Plain(), judge.Seconds(s.now), m.want.First.Plain()), ev)
		return
	}
	used := m.waiting[0]
	if !m.want.Each {
		used = m.last // the nearest one shows how close it was
		m.v.Reason = fmt.Sprintf("%s came %s before", m.want.First.Plain(), judge.Seconds(s.now-used.Time))
	} else {
		m.waiting = m.waiting[1:]
	}
	m.worst(judge.TimeMargin(s.now - used.Time))
	m.show(used, ev)
}

func (m *before) tick(now time.Duration) {
	if !m.done && m.exhausted(now) {
		m.pass(now)
	}
}

func (m *before) finish(now time.Duration) {
	if !m.early(now, "") {
		m.pass(now)
	}
}

func (m *before) pass(now time.Duration) {
	m.decide(now, judge.Pass, fmt.Sprintf("%d times, each with its own before it", m.thens))
}

// close says so where there was nothing to judge.
func (m *before) close(time.Duration) {
	if m.v.Outcome == judge.Pass && m.thens == 0 {
		m.v.Nothing, m.v.Reason = true, fmt.Sprintf("nothing to judge: %s never came", m.want.Then.Plain())
	}
}
