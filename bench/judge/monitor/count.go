package monitor

import (
	"fmt"
	"time"

	"sawhorse/bench/judge"
	"sawhorse/bench/judge/cel"
)

// Count wants as many events, or beginnings of a state, as said. AtMost < 0 sets
// no bound. In, if not 0, is a sliding window for AtMost.
type Count struct {
	Of              *cel.Condition
	AtLeast, AtMost int
	In              time.Duration
}

func (w Count) conditions() []*cel.Condition { return []*cel.Condition{w.Of} }

func (w Count) tasks() []string { return nil }

func (w Count) onBus() bool { return true }

// count watches Count. The margin is in times: how many more were allowed, or how
// many more than wanted came, also after it was decided.
type count struct {
	base
	want   Count
	edge   edge
	n      int
	recent []time.Duration // within the sliding window
	most   int
	last   []judge.Evidence
}

func (w Count) monitor(b base, _ *Options) monitor {
	return &count{base: b, want: w, edge: edge{cond: w.Of}}
}

func (m *count) step(s *step) {
	begins, _ := m.edge.begins(&m.base, s)
	if !begins || !m.judged(s) {
		return
	}
	m.n++
	if m.want.In == 0 {
		m.most = m.n
	} else {
		m.recent = append(m.recent, s.now)
		for s.now-m.recent[0] > m.want.In {
			m.recent = m.recent[1:]
		}
		m.most = max(m.most, len(m.recent))
	}
	if m.done {
		return
	}
	if len(m.last) == maxEvidence { // the last ones show what was too much
		m.last = append(m.last[:0], m.last[1:]...)
	}
	m.last = append(m.last, s.evidence(m.want.Of.Plain()))
	switch {
	case m.want.AtMost >= 0 && m.most > m.want.AtMost:
		m.decide(s.now, judge.Fail, fmt.Sprintf("%s came %d times%s, at most %d allowed", m.want.Of.Plain(), m.most, m.in(), m.want.AtMost), m.last...)
	case m.want.AtMost < 0 && m.n >= m.want.AtLeast:
		m.pass(s.now)
	}
}

func (m *count) in() string {
	if m.want.In > 0 {
		return fmt.Sprintf(" in %v", m.want.In)
	}
	return ""
}

func (m *count) tick(now time.Duration) {
	if !m.done && m.exhausted(now) {
		m.end(now)
	}
}

func (m *count) finish(now time.Duration) {
	if !m.early(now, fmt.Sprintf(" with %d of %s", m.n, m.want.Of.Plain())) {
		m.end(now)
	}
}

func (m *count) end(now time.Duration) {
	if m.n < m.want.AtLeast {
		m.decide(now, judge.Fail, fmt.Sprintf("%s came %d times, wanted at least %d", m.want.Of.Plain(), m.n, m.want.AtLeast), m.last...)
		return
	}
	m.pass(now)
}

func (m *count) pass(now time.Duration) {
	m.decide(now, judge.Pass, fmt.Sprintf("came %d times%s", m.most, m.in()), m.last...)
}

func (m *count) close(time.Duration) {
	if m.want.AtLeast > 0 {
		m.worst(judge.Margin{Value: float64(m.n - m.want.AtLeast), Unit: "times", Known: true})
	}
	if m.want.AtMost >= 0 {
		m.worst(judge.Margin{Value: float64(m.want.AtMost - m.most), Unit: "times", Known: true})
	}
}

func (m *count) stillWaits() bool { return m.n < m.want.AtLeast }
