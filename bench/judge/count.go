package judge

import (
	"fmt"
	"time"
)

// count watches Count. The margin is in times: how many more were allowed, or how
// many more than wanted came.
type count struct {
	base
	want   Count
	edge   edge
	n      int
	recent []time.Duration // within the sliding window
	most   int
}

func (w Count) monitor(b base, _ *Options) monitor {
	return &count{base: b, want: w, edge: edge{cond: w.Of}}
}

func (m *count) step(s *step) {
	begins, _ := m.edge.begins(&m.base, s)
	if !begins || m.done || !m.judged(s) {
		return
	}
	m.n++
	if m.want.In > 0 {
		m.recent = append(m.recent, s.now)
		for s.now-m.recent[0] > m.want.In {
			m.recent = m.recent[1:]
		}
		m.most = max(m.most, len(m.recent))
	} else {
		m.most = m.n
	}
	m.show(s.evidence(m.want.Of.src))
	switch {
	case m.want.AtMost >= 0 && m.most > m.want.AtMost:
		m.v.Margin = Margin{float64(m.want.AtMost - m.most), "times", true}
		m.decide(s.now, Fail, fmt.Sprintf("%s came %d times%s, at most %d allowed", m.want.Of.src, m.most, m.in(), m.want.AtMost),
			s.evidence(m.want.Of.src))
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
	if m.exp.Until > now {
		m.decide(now, Undecided, fmt.Sprintf("the run ended at %s with %d, %s", seconds(now), m.n, m.wanted()))
		return
	}
	m.end(now)
}

func (m *count) end(now time.Duration) {
	if m.n < m.want.AtLeast {
		m.v.Margin = Margin{float64(m.n - m.want.AtLeast), "times", true}
		m.decide(now, Fail, fmt.Sprintf("%s came %d times, wanted at least %d", m.want.Of.src, m.n, m.want.AtLeast))
		return
	}
	m.pass(now)
}

func (m *count) pass(now time.Duration) {
	room := m.n - m.want.AtLeast
	if m.want.AtMost >= 0 {
		if r := m.want.AtMost - m.most; m.want.AtLeast == 0 || r < room {
			room = r
		}
	}
	m.v.Margin = Margin{float64(room), "times", true}
	m.decide(now, Pass, fmt.Sprintf("came %d times%s", max(m.most, 0), m.in()))
}
